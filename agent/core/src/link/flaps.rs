//! Damping: a link that breaks again and again is told as unsteady instead of up, down, up, down.
//!
//! Source of the scheme (a penalty for each break that halves with time, one limit to begin and a lower one to end):
//! RFC 2439 section 2. The figures are our own.

use crate::moment::Mono;

/// Penalty of one break.
const PENALTY: f64 = 1000.0;
/// The penalty halves in this time, ms: five minutes.
const HALF_LIFE_MS: f64 = 300_000.0;
/// From this on the link is unsteady: four breaks within a few minutes.
const UNSTEADY_FROM: f64 = 3500.0;
/// Below this it is steady again: about ten minutes without a break.
const STEADY_BELOW: f64 = 1000.0;
/// The penalty grows no further, so that a night of breaks is over half an hour after the last.
const PENALTY_MAX: f64 = 16_000.0;

/// Counts breaks of the link.
#[derive(Clone, Copy, Debug, Default)]
pub struct Flaps {
    penalty: f64,
    at: Mono,
    unsteady: bool,
    count: u64,
}

impl Flaps {
    /// A break was seen.
    pub fn broke(&mut self, now: Mono) {
        self.decay(now);
        self.count = self.count.saturating_add(1);
        self.penalty = (self.penalty + PENALTY).min(PENALTY_MAX);
        self.unsteady |= UNSTEADY_FROM <= self.penalty;
    }

    /// True while the link breaks so often that its being up means little.
    pub fn unsteady(&mut self, now: Mono) -> bool {
        self.decay(now);
        self.unsteady &= STEADY_BELOW <= self.penalty;
        self.unsteady
    }

    /// Breaks since the start.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    fn decay(&mut self, now: Mono) {
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of a process's life are exact in f64")]
        let passed = now.since_ms(self.at) as f64;
        self.penalty *= (-passed / HALF_LIFE_MS).exp2();
        self.at = now;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_breaks_within_minutes_are_unsteady_and_ten_quiet_minutes_are_steady() {
        let mut flaps = Flaps::default();
        for n in 0..3 {
            flaps.broke(Mono(n * 10_000));
            assert!(!flaps.unsteady(Mono(n * 10_000)), "break {n}");
        }
        flaps.broke(Mono(30_000));
        assert!(flaps.unsteady(Mono(30_001)));
        assert!(flaps.unsteady(Mono(330_000)));
        assert!(!flaps.unsteady(Mono(660_000)));
        assert_eq!(flaps.count(), 4);
    }

    #[test]
    fn a_night_of_breaks_is_over_half_an_hour_after_the_last() {
        let mut flaps = Flaps::default();
        for n in 0..10_000 {
            flaps.broke(Mono(n * 3000));
        }
        let last = 9_999 * 3000;
        assert!(flaps.unsteady(Mono(last + 600_000)));
        assert!(!flaps.unsteady(Mono(last + 1_800_000)));
    }
}
