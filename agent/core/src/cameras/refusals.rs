//! What the intake has lately taken and refused: whether the recognition engine's work is lost, which nobody would see
//! from the cameras.

use crate::moment::Mono;
use std::collections::BTreeMap;

/// The engine is judged by the requests of this long, min (our own: as long as a camera may be silent).
pub const MINUTES: usize = 15;
const MINUTE_MS: u64 = 60_000;
/// Fewer refused requests than these say nothing of an engine (our own: a handful).
const REFUSED_MIN: u64 = 5;

/// Requests of the last [`MINUTES`], by the minute.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Recent {
    /// Minute of the boot-time clock, accepted and refused in it; a ring.
    minutes: [(u64, u64, u64); MINUTES],
}

impl Recent {
    /// Counts one request.
    pub fn count(&mut self, accepted: bool, now: Mono) {
        let minute = now.0 / MINUTE_MS;
        let at = usize::try_from(minute).unwrap_or(0) % MINUTES;
        let slot = &mut self.minutes[at];
        if slot.0 != minute {
            *slot = (minute, 0, 0);
        }
        if accepted {
            slot.1 += 1;
        } else {
            slot.2 += 1;
        }
    }

    /// How many were accepted and refused.
    #[must_use]
    pub fn sums(&self, now: Mono) -> (u64, u64) {
        let minute = now.0 / MINUTE_MS;
        let held = self.minutes.iter().filter(|slot| minute.saturating_sub(slot.0) < MINUTES as u64);
        held.fold((0, 0), |(accepted, refused), slot| (accepted + slot.1, refused + slot.2))
    }

    /// Accepted and refused requests, if more than half of at least a handful were refused.
    #[must_use]
    pub fn mostly_refused(&self, now: Mono) -> Option<(u64, u64)> {
        let (accepted, refused) = self.sums(now);
        (REFUSED_MIN <= refused && accepted < refused).then_some((accepted, refused))
    }
}

/// A refusal in our own words; nothing that was sent is in it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Refusal {
    /// Its kind, for example `invalid-read`.
    pub kind: String,
    /// The kind in a few words.
    pub title: String,
    /// The field of the contract that it is about.
    pub field: Option<&'static str>,
}

/// All refusals since the start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Refusals {
    /// Requests, and files of the spool folder, by kind. The kinds are our own, so that they are few.
    pub by_kind: BTreeMap<String, u64>,
    /// The newest one, whoever is to blame.
    pub last: Option<Refusal>,
    /// The newest one that is the sender's fault.
    pub last_of_engine: Option<Refusal>,
    /// What went lately.
    pub recent: Recent,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(n: u64) -> Mono {
        Mono(n * MINUTE_MS)
    }

    #[test]
    fn engine_is_judged_by_the_last_quarter_of_an_hour_and_a_handful_at_least() {
        let mut recent = Recent::default();
        for _ in 0..4 {
            recent.count(false, minute(100));
        }
        assert_eq!(recent.mostly_refused(minute(100)), None, "four are not yet a handful");
        recent.count(false, minute(101));
        assert_eq!(recent.mostly_refused(minute(101)), Some((0, 5)));
        for _ in 0..5 {
            recent.count(true, minute(110));
        }
        assert_eq!(recent.mostly_refused(minute(110)), None, "half of them were accepted");
        assert_eq!(recent.sums(minute(114)), (5, 5));
        assert_eq!(recent.sums(minute(115)), (5, 1), "what is older goes minute by minute");
        assert_eq!(recent.sums(minute(116)), (5, 0));
        recent.count(false, minute(115));
        assert_eq!(recent.sums(minute(115)), (5, 2), "a slot that is used anew forgets what it was");
    }

    #[test]
    fn fresh_boot_has_seen_nothing() {
        assert_eq!(Recent::default().sums(Mono(0)), (0, 0));
    }
}
