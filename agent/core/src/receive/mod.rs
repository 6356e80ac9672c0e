//! The receiver's arithmetic: what it has, what the trailer's ledger explains, and what is missing.

pub mod completeness;
