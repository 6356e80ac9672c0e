//! When to send, and what an answer means.
//!
//! `answer` (what came back → what it says of each event) → `lane` (what to settle, when to try again, how much at
//! once);
//! `door` (which lane knocks while the receiver is away); `relay` (the second receiver, for urgent events);
//! `backoff` and `retry_after` count the pauses, `wording` says what is wrong and what to do.

pub mod answer;
pub mod backoff;
pub mod door;
pub mod lane;
pub mod relay;
pub mod retry_after;
mod wording;

use crate::moment::{Mono, Utc};

/// A test alert that got through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TestAlert {
    /// Its number.
    pub sequence: u64,
    /// When it was made.
    pub made: Utc,
    /// When its receipt came.
    pub received: Utc,
}

impl TestAlert {
    /// The later of two: of those that wait together the newest is sent first, so an earlier one may get its receipt
    /// after it. Both number and time count, since numbers begin anew with another queue and clocks are set back.
    #[must_use]
    pub fn later(before: Option<Self>, now: Option<Self>) -> Option<Self> {
        match (before, now) {
            (Some(before), Some(now)) if now.sequence < before.sequence && now.made < before.made => Some(before),
            (before, now) => now.or(before),
        }
    }
}

/// What the forwarder publishes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ForwardView {
    /// Whether a receiver is configured at all.
    pub configured: bool,
    /// When the last receipt came.
    pub last_receipt: Option<(Mono, Utc)>,
    /// When the last try began.
    pub last_try: Option<(Mono, Utc)>,
    /// Why the last try failed, one sentence with what to do; `None` if it succeeded. Never holds a plate.
    pub trouble: Option<String>,
    /// Since when tries have been failing.
    pub failing_since: Option<(Mono, Utc)>,
    /// Tries that failed in a row.
    pub failures_in_a_row: u32,
    /// Time of the next try, if the forwarder is waiting.
    pub next_try: Option<Mono>,
    /// Receipts since the start: stored or duplicate.
    pub delivered: u64,
    /// Receipts since the start: refused.
    pub refused: u64,
    /// Events that a broker or the courier's stick has, and that have no receipt yet.
    pub handed_over: u64,
    /// Pictures.
    pub images: crate::images::send::ImagesView,
    /// Capture to the first receipt, of either receiver, of the newest hits, ms, newest last, at most 256.
    pub hit_latency_ms: Vec<u64>,
    /// The newest test alert that got its receipt.
    pub last_test: Option<TestAlert>,
    /// The second receiver; `None`: none is configured.
    pub relay: Option<relay::RelayView>,
}
