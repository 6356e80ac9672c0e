//! The decisions of Pintle. Nothing here reads a clock, a file, a socket or the environment: time and input are
//! parameters,
//! and what has to be done in the world comes back as values. See `docs/ARCHITECTURE.md` for the rooms.

pub mod afar;
pub mod cameras;
pub mod forward;
pub mod geo;
pub mod health;
pub mod host;
pub mod ids;
pub mod images;
pub mod inputs;
pub mod link;
pub mod moment;
pub mod nearest;
pub mod position;
pub mod queue;
pub mod read;
pub mod receive;
pub mod seal;
pub mod seats;
pub mod sim;
pub mod span;
pub mod survey;
pub mod units;
pub mod wire;
