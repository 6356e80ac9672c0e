//! What is known of each camera. First reading: how many reads since the start, and when the last one came.

use crate::ids::CameraId;
use crate::moment::{Mono, Utc};
use std::net::SocketAddr;

/// One camera as the intake sees it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CameraView {
    /// Its name.
    pub id: CameraId,
    /// Its label as painted or as people call it.
    pub label: String,
    /// Reads accepted since the start of the agent.
    pub reads: u64,
    /// Hits among them.
    pub hits: u64,
    /// When the last one was accepted.
    pub last_read: Option<(Mono, Utc)>,
}

/// What the intake publishes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct IntakeView {
    /// One entry per configured camera, in the order of the configuration.
    pub cameras: Vec<CameraView>,
    /// Requests refused since the start, all reasons.
    pub refused: u64,
    /// Reads among them whose id was accepted before with another content: the engine numbers its reads wrongly.
    pub id_conflicts: u64,
    /// Requests whose handling panicked since the start.
    pub panics: u64,
    /// True while the intake listens on all that is configured.
    pub open: bool,
    /// The loopback address that it listens on, with the port that it really got.
    pub address: Option<SocketAddr>,
    /// Why intake refuses everything now ("disk full"); `None` if it doesn't.
    pub trouble: Option<String>,
}
