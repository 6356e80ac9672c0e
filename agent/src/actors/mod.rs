//! One file, one task, one owned resource. No actor imports another; what they say to each other stands in
//! [`messages`] and in
//! the views of `pintle-core`, and `wiring` connects them.

pub mod asked;
pub mod control;
pub mod duty;
pub mod forward;
pub mod health;
pub mod heartbeat;
pub mod host;
pub mod images;
pub mod inputs;
pub mod intake;
pub mod link;
pub mod messages;
pub mod position;
pub mod ready;
pub mod retention;
pub mod upstream;
