//! `data` of a `pintle.digest.v1` event: counts and roots of blocks, for the receiver to compare with its own. No
//! plates.

use super::ledger::SequenceRange;
use serde::{Deserialize, Serialize};

/// Format version of [`DigestBody`].
pub const VERSION: u32 = 1;

/// Counts and roots of some blocks of one generation.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DigestBody {
    /// Format version, [`VERSION`].
    pub v: u32,
    /// The generation that the sequences belong to (RFC 9562 form).
    pub generation: String,
    /// The blocks, each at most once.
    pub blocks: Vec<BlockBody>,
}

/// What a block holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BlockBody {
    /// First sequence of the block.
    pub first: u64,
    /// Last sequence that is spoken of, at most the last of the block: a block that is not full yet is told in part.
    pub last: u64,
    /// How many events have a leaf: all from `first` to `last` but those in `not`.
    pub count: u64,
    /// Root over their leaves, 64 hexadecimal digits (see [`crate::queue::blocks`]).
    pub root: String,
    /// Sequences in between that have no leaf here: the receiver never took them, or they were sent before there were
    /// leaves. Rising.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not: Vec<SequenceRange>,
}
