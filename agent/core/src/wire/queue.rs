//! What people are shown of events that the receiver refused.

use serde::{Deserialize, Serialize};

/// One event that was set aside, as `queue.list` answers it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusedBody {
    /// Its number.
    pub sequence: u64,
    /// Its id.
    pub id: String,
    /// What it tells, for example `pintle.read.v1`.
    pub kind: String,
    /// Which camera, for reads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// True for a read with a hit.
    pub hit: bool,
    /// Capture time of a read, else when it happened, RFC 3339.
    pub happened_at: String,
    /// What the receiver said.
    pub answer: String,
    /// The plate, or why it can't be shown; only if it was asked for, and of reads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plate: Option<String>,
}
