//! Serde types of everything that leaves or enters the process, each with a format version, and their conversions.

pub mod stamp;
