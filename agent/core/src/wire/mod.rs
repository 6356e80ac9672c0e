//! Serde types of everything that leaves or enters the process, each with a format version, and their conversions.

pub mod control;
pub mod event;
pub mod health;
pub mod ledger;
pub mod problem;
pub mod read_in;
pub mod read_out;
pub mod receipt;
pub mod stamp;
pub mod tree;
