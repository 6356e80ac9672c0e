//! What is known of each camera. First reading: how many reads since the start, and when the last one came.

mod refusals;

pub use refusals::{MINUTES, Recent, Refusal, Refusals};

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
    /// Requests, and files of the spool folder, accepted since the start.
    pub accepted: u64,
    /// The same refused since the start, all reasons.
    pub refused: u64,
    /// What is known of the refusals.
    pub refusals: Refusals,
    /// Reads whose id was accepted before with another content: the engine numbers its reads wrongly. Counted in the
    /// life of the queue, not of the process.
    pub id_conflicts: u64,
    /// How old the queue was when the newest of them was refused, ms; `None`: there is none, or that is not known yet.
    pub last_conflict_ms: Option<i64>,
    /// The folder of reads as files.
    pub spool: SpoolView,
    /// Files that were refused there and let go before their time, since there were too many.
    pub refused_dropped: u64,
    /// Requests whose handling panicked since the start.
    pub panics: u64,
    /// True while the intake listens on all that is configured.
    pub open: bool,
    /// The loopback address that it listens on, with the port that it really got.
    pub address: Option<SocketAddr>,
    /// Why intake refuses everything now ("disk full"); `None` if it doesn't.
    pub trouble: Option<String>,
}

/// The folder of reads as files.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum SpoolView {
    /// Not configured, or not opened yet.
    #[default]
    None,
    /// What comes there is taken.
    Watched,
    /// It is watched, but files in it can't be read.
    Unreadable {
        /// How many.
        files: u64,
        /// What the system says of one of them.
        why: String,
    },
    /// It can't be used; why, in a few words.
    Failing(String),
}
