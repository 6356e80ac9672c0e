//! Proof of progress: an actor turns its heartbeat after each round of work that it finished; the lifecycle looks at
//! the counts.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Counts the finished rounds of one actor. Clones count together.
#[derive(Clone, Debug, Default)]
pub struct Heartbeat(Arc<AtomicU64>);

impl Heartbeat {
    /// One more round is done.
    pub fn turn(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    /// Rounds done since the start.
    #[must_use]
    pub fn turns(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}
