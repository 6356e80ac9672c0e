//! Pauses between tries: exponential, capped first, then full jitter.
//!
//! Source: M. Brooker, "Exponential Backoff And Jitter" (2015), the variant "full jitter". The cap comes before the
//! jitter, so that after a long outage a thousand trailers are still spread over the whole cap.

/// A random number, equally spread over all of `u64`. It is an argument, so that every decision can be repeated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Roll(pub u64);

impl Roll {
    /// A number from 0 to `max`, both included, equally spread.
    #[must_use]
    pub fn up_to(self, max: u64) -> u64 {
        let scaled = u128::from(self.0) * (u128::from(max) + 1);
        u64::try_from(scaled >> 64).unwrap_or(max)
    }
}

/// Pause in ms after `failures` failed tries in a row (1 for the first): from 0 to the smaller of `cap_ms` and
/// `base_ms` times two for every failure after the first.
#[must_use]
pub fn pause_ms(failures: u32, base_ms: u64, cap_ms: u64, roll: Roll) -> u64 {
    let doublings = failures.saturating_sub(1);
    let grown = if 63 < doublings { u64::MAX } else { base_ms.saturating_mul(1 << doublings) };
    roll.up_to(grown.min(cap_ms))
}

/// The same where at least half of the step is waited: from half of it to all of it. It is for knocking at a receiver
/// that is away: the mean pause at the cap is three quarters of it and not a half, so a trailer knocks a third less
/// often, and a fleet is still spread over half of the cap after a few steps. Source: the same article, "equal jitter".
#[must_use]
pub fn knock_ms(failures: u32, base_ms: u64, cap_ms: u64, roll: Roll) -> u64 {
    let whole = pause_ms(failures, base_ms, cap_ms, Roll(u64::MAX));
    half_or_more(whole, roll)
}

/// From half of `whole_ms` to all of it.
#[must_use]
pub fn half_or_more(whole_ms: u64, roll: Roll) -> u64 {
    whole_ms / 2 + roll.up_to(whole_ms - whole_ms / 2)
}

/// From four fifths of `whole_ms` to all of it.
#[must_use]
pub fn most_of(whole_ms: u64, roll: Roll) -> u64 {
    whole_ms / 5 * 4 + roll.up_to(whole_ms - whole_ms / 5 * 4)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_ends_of_the_roll_are_the_ends_of_the_pause() {
        assert_eq!(pause_ms(1, 500, 60_000, Roll(0)), 0);
        assert_eq!(pause_ms(1, 500, 60_000, Roll(u64::MAX)), 500);
        assert_eq!(pause_ms(3, 500, 60_000, Roll(u64::MAX)), 2000);
        assert_eq!(pause_ms(99, 500, 60_000, Roll(u64::MAX)), 60_000);
        assert_eq!(pause_ms(99, 500, 60_000, Roll(u64::MAX / 2)), 30_000, "jitter after the cap, not before");
    }

    #[test]
    fn a_knock_waits_at_least_half_of_its_step() {
        assert_eq!(knock_ms(3, 500, 60_000, Roll(0)), 1000);
        assert_eq!(knock_ms(3, 500, 60_000, Roll(u64::MAX)), 2000);
        assert_eq!(knock_ms(99, 500, 60_000, Roll(0)), 30_000);
        assert_eq!(knock_ms(99, 500, 60_000, Roll(u64::MAX)), 60_000);
    }

    proptest! {
        #[test]
        fn no_pause_is_over_the_cap_or_over_its_own_step(
            failures in 0_u32..200, base in 1_u64..100_000, cap in 0_u64..10_000_000, roll: u64,
        ) {
            let pause = pause_ms(failures, base, cap, Roll(roll));
            prop_assert!(pause <= cap);
            if failures <= 10 {
                prop_assert!(pause <= base << failures.saturating_sub(1));
            }
        }

        #[test]
        fn a_larger_roll_is_never_a_shorter_pause(a: u64, b: u64, failures in 1_u32..80) {
            let (low, high) = (a.min(b), a.max(b));
            prop_assert!(pause_ms(failures, 500, 60_000, Roll(low)) <= pause_ms(failures, 500, 60_000, Roll(high)));
        }
    }
}
