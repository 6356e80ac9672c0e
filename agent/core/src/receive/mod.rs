//! The receiver's arithmetic: what it has, what the trailer's ledger explains, what is missing, and whom it tells what
//! next.

pub mod completeness;
pub mod telling;
