//! What the actor remembers and tells of the host's clock: its steps, and over restarts within one boot what is needed
//! to date early reads.

use crate::store::{StoreError, StoreHandle};
use pintle_core::moment::{ClockEras, Moment, Mono};
use pintle_core::position::clock_steps::ClockSteps;
use pintle_core::position::host_clock::HostClock;
use pintle_core::wire::clock::ClockMemory;
use pintle_core::wire::notice::NoticeBody;

/// Where it lies in the store.
pub(super) const CLOCK_KEY: &str = "clock";
/// The memory is kept so often, ms: after a kill no more than this of the clock's past is unknown (our own limit).
const KEPT_EVERY_MS: u64 = 600_000;

/// The memory of this boot, and what is still to be told.
pub(super) struct Times {
    memory: ClockMemory,
    /// Events accepted before this start of the agent: their places are of another keeper.
    pub(super) accepted_at_start: u64,
    /// The boot before took reads and nobody confirmed its time.
    undated: bool,
    steps: ClockSteps,
    kept_at: Option<Mono>,
}

impl Times {
    /// The memory of this boot, or a new one.
    pub(super) async fn restore(store: &StoreHandle, boot_id: &str) -> Result<Self, StoreError> {
        let accepted = store.figures().await?.counts.accepted;
        let kept = store.kept(CLOCK_KEY).await?.as_deref().and_then(ClockMemory::from_bytes);
        let (same, other) = match kept {
            Some(kept) if kept.boot_id == boot_id && !boot_id.is_empty() => (Some(kept), None),
            kept => (None, kept),
        };
        // The intake is open before this is asked: what it has taken meanwhile is of this boot.
        let before = store.accepted_at_open();
        let undated = other.is_some_and(|kept| !kept.dated && kept.accepted_before < before);
        let new = || ClockMemory { boot_id: boot_id.to_owned(), accepted_before: before, ..ClockMemory::default() };
        let memory = same.unwrap_or_else(new);
        Ok(Self { memory, accepted_at_start: accepted, undated, steps: ClockSteps::default(), kept_at: None })
    }

    /// How often the clock was stepped before, in this boot.
    pub(super) fn eras(&self) -> ClockEras {
        self.memory.eras()
    }

    /// Events accepted before the agent first started in this boot: nothing of now dates them.
    pub(super) fn accepted_before(&self) -> u64 {
        self.memory.accepted_before
    }

    /// What is to be told, after the clock was looked at and perhaps found set.
    pub(super) fn look(&mut self, step_ms: Option<i64>, host: &HostClock, now: &Moment) -> Vec<NoticeBody> {
        if step_ms.is_some() {
            self.kept_at = None;
        }
        let undated = std::mem::take(&mut self.undated).then(|| NoticeBody::of_undated_boot(now));
        let step = self.steps.look(step_ms, now).map(|step| NoticeBody::of_clock_step(&step, host.offset_ms(now), now));
        undated.into_iter().chain(step).collect()
    }

    /// The memory, if it is to be kept now.
    pub(super) fn due(&mut self, host: &HostClock, now: &Moment, stopping: bool) -> Option<Vec<u8>> {
        let dated = host.trust(now.mono).is_trusted() || host.true_time().is_some_and(|told| told.proven);
        let news = dated && !self.memory.dated;
        let due = self.kept_at.is_none_or(|at| KEPT_EVERY_MS <= now.mono.since_ms(at));
        if self.memory.boot_id.is_empty() || !(news || due || stopping) {
            return None;
        }
        self.kept_at = Some(now.mono);
        self.memory.dated |= dated;
        self.memory.looked_ms = now.mono.0;
        self.memory.eras = host.eras().all().map(|era| (era.from.0, era.offset_ms)).collect();
        Some(self.memory.to_bytes())
    }
}
