//! Serde types of everything that leaves or enters the process, each with a format version, and their conversions.

pub mod asked;
pub mod control;
pub mod courier;
pub mod csv;
pub mod digest;
pub mod event;
pub mod health;
pub mod health_link;
pub mod history;
pub mod hold;
pub mod images;
pub mod keeper;
pub mod ledger;
pub mod link;
pub mod notice;
pub mod problem;
pub mod queue;
pub mod read_in;
pub mod read_out;
pub mod ready;
pub mod receipt;
pub mod site;
pub mod stamp;
pub mod told;
pub mod track;
pub mod tree;
