//! `data` of a `pintle.ledger.v1` event: what became of accepted events that the receiver has not got. No plates.

use serde::{Deserialize, Serialize};

/// Format version of [`LedgerBody`].
pub const VERSION: u32 = 1;

/// One entry of the ledger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LedgerBody {
    /// Format version, [`VERSION`].
    pub v: u32,
    /// What happened.
    pub what: LedgerWhat,
    /// The generation that the sequences belong to (RFC 9562 form).
    pub generation: String,
    /// Which sequences, rising, both ends included; empty for [`LedgerWhat::Opened`]. For [`LedgerWhat::Closed`] those
    /// whose events were taken over under new sequences: none where they keep their own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ranges: Vec<SequenceRange>,
    /// How many events; where it is about pictures: how many reads.
    pub count: u64,
    /// For [`LedgerWhat::Closed`]: sequences of the closed generation whose events could not be read any more.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unreadable: Vec<SequenceRange>,
    /// Which of them: `hit` or `other`; absent where that makes no difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Earliest capture among them, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub captured_from: Option<String>,
    /// Latest capture among them, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub captured_to: Option<String>,
    /// The highest sequence that a closed generation is known to have given, in each entry about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accepted_up_to: Option<u64>,
    /// Why, one sentence.
    pub reason: String,
}

/// What happened to the events of a ledger entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LedgerWhat {
    /// They reached their age limit without a receipt.
    Expired,
    /// They went for space without a receipt.
    Evicted,
    /// The receiver refused them; they are set aside on the trailer.
    Refused,
    /// The receiver had refused them, and a person on the trailer let them go.
    Dropped,
    /// They went at their age limit after their receipt, and the receiver asked for them once more.
    Purged,
    /// This generation begins; there was none before.
    Opened,
    /// An earlier generation has ended; `count` is how many of its waiting events were taken over.
    Closed,
    /// Under these sequences no events go out: events of an earlier generation have their places in the queue, and go
    /// out under their own generation and sequence.
    Carried,
    /// Pictures that these reads announce reached their age limit before their turn came. The reads themselves are at
    /// the receiver, or come: this and the next four explain no sequence.
    PicturesExpired,
    /// Pictures of these reads went for space.
    PicturesEvicted,
    /// The receiver does not take pictures of these reads.
    PicturesRefused,
    /// The way to the receiver carries no pictures.
    PicturesNotCarried,
    /// Files of pictures of these reads were gone or cut on the trailer.
    PicturesLost,
}

/// Sequences from `from` to `to`, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SequenceRange {
    /// First of them.
    pub from: u64,
    /// Last of them.
    pub to: u64,
}
