//! What lies on a courier's stick: signed files. Names are lower case and short, for file systems that know no others.

use super::receipt::{Receipt, Resend};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Name of the file that makes a folder a courier's stick, signed by the agency.
pub const MARKER: &str = "pintle-courier.txt";
/// Folder of all trailers on the stick.
pub const FOLDER: &str = "pintle";
/// Folder of a trailer's batches, below the trailer's own.
pub const OUT: &str = "out";
/// Folder of its receipts.
pub const BACK: &str = "back";
/// Ending of a batch and of a file of receipts.
pub const ENDING: &str = "txt";

/// What the marker says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stick {
    /// UUID of the stick: what was written for one stick is not taken from another.
    pub stick: String,
}

/// One batch.
#[derive(Serialize, Deserialize)]
pub struct CourierBatch {
    /// Which stick it was written for.
    pub stick: String,
    /// `source` of the trailer.
    pub source: String,
    /// Generation that the next number counts in.
    pub generation: String,
    /// Highest number given out in it.
    pub accepted_up_to: u64,
    /// When it was written, RFC 3339, if something in it was late then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sent_at: Option<String>,
    /// The events, byte for byte as over HTTP.
    pub events: Vec<Box<RawValue>>,
}

/// Receipts for one trailer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CourierReceipts {
    /// Which stick they were written for.
    pub stick: String,
    /// `source` of the trailer.
    pub source: String,
    /// For events of any of its batches.
    pub receipts: Vec<Receipt>,
    /// What the receiver wants again: it lost these. They come with a later stick.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub resend: Vec<Resend>,
}
