//! Serde types of everything that leaves or enters the process, each with a format version, and their conversions.

pub mod event;
pub mod read_out;
pub mod receipt;
pub mod stamp;
