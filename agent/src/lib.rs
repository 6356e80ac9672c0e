//! The thin shells of Pintle: everything that touches the world. The decisions are in `pintle-core`.

pub mod actors;
pub mod audit;
pub mod cli;
pub mod clock;
pub mod config;
pub mod demo;
mod durable;
pub mod exit;
pub mod io;
pub mod lifecycle;
pub mod page;
pub mod proof;
pub mod receive;
pub mod seal;
pub mod show;
pub mod store;
pub mod survey;
pub mod wipe;
pub mod wiring;
