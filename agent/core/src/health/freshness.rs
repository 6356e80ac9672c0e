//! Whether a written state may still be believed.

use super::wording;
use crate::moment::Utc;

/// How old a written state is, measured by its reader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Freshness {
    /// It may be believed for another `left_ms`.
    Good {
        /// Since it was written, ms.
        age_ms: u64,
        /// Until it may no longer be believed, ms.
        left_ms: u64,
    },
    /// It tells the past.
    Stale {
        /// Since it was written, ms.
        age_ms: u64,
    },
    /// It was written after now: one of the two clocks is wrong, so nothing can be said of its age.
    ClockFault {
        /// How far in the future, ms.
        ahead_ms: u64,
    },
}

impl Freshness {
    /// Two clocks on one network may differ by this much without a fault, ms (common practice, no source).
    pub const SLACK_MS: i64 = 2000;

    /// Judges the times that a state says of itself against the reader's clock.
    #[must_use]
    pub fn of(written: Utc, valid_until: Utc, now: Utc) -> Self {
        let age_ms = now.since_ms(written);
        let left_ms = valid_until.since_ms(now);
        if age_ms < -Self::SLACK_MS {
            Self::ClockFault { ahead_ms: age_ms.unsigned_abs() }
        } else if left_ms <= 0 {
            Self::Stale { age_ms: u64::try_from(age_ms).unwrap_or(0) }
        } else {
            Self::Good { age_ms: u64::try_from(age_ms).unwrap_or(0), left_ms: u64::try_from(left_ms).unwrap_or(0) }
        }
    }

    /// Why it may not be believed, one sentence; `None` if it may.
    #[must_use]
    pub fn reproach(self, written: Utc, now: Utc) -> Option<String> {
        let at = wording::clock(written, now);
        match self {
            Self::Good { .. } => None,
            Self::Stale { age_ms } => {
                Some(format!("Silent for {}. What follows was true at {at} UTC.", wording::span(age_ms)))
            }
            Self::ClockFault { ahead_ms } => Some(format!(
                "Clock fault: it says that it was written {} from now, so its age is unknown. Set both clocks.",
                wording::span(ahead_ms)
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn state_is_good_to_its_last_millisecond_and_never_in_the_future() {
        let (written, until) = (Utc(1_000_000), Utc(1_120_000));
        let at = |now| Freshness::of(written, until, Utc(now));
        assert_eq!(at(1_119_999), Freshness::Good { age_ms: 119_999, left_ms: 1 });
        assert_eq!(at(1_120_000), Freshness::Stale { age_ms: 120_000 });
        assert_eq!(at(998_000), Freshness::Good { age_ms: 0, left_ms: 122_000 }, "clocks differ by a little");
        assert_eq!(at(997_999), Freshness::ClockFault { ahead_ms: 2001 });
    }

    #[test]
    fn reproach_says_for_how_long_it_was_silent() {
        let written = Utc::parse_rfc3339("2026-05-27T11:52:40Z").unwrap_or_default();
        let now = written.plus_ms(9_600_000);
        let told = Freshness::of(written, written.plus_ms(120_000), now).reproach(written, now);
        assert_eq!(told.as_deref(), Some("Silent for 2 h 40 min. What follows was true at 11:52 UTC."));
    }
}
