//! How often each thing may be done. Pure: time comes in. These limits are the lever's own; what the agent believes
//! does not count here.

use crate::step::Step;
use serde::{Deserialize, Serialize};

/// At most so many resets of the cellular device (cycle, usb, command) in a day, whatever is configured (common
/// practice, no source: more has never brought a modem back, and wears the contract with the carrier).
pub const RESETS_PER_DAY_MAX: u32 = 6;
/// At most so many restarts of the computer in a day, whatever is configured (common practice, no source).
pub const REBOOTS_PER_DAY_MAX: u32 = 1;
/// At most so many steps of any kind in an hour, whatever is configured (common practice, no source).
pub const STEPS_PER_HOUR_MAX: u32 = 6;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// A moment by both clocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Now {
    /// Since 1970 by the computer's clock, which may be wrong or set, ms.
    pub utc_ms: i64,
    /// Names this life of the computer.
    pub boot: String,
    /// Since the computer was started, sleep included, ms.
    pub boottime_ms: i64,
}

/// One thing that was done, or at least begun.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Taken {
    /// What.
    pub step: Step,
    /// When by the computer's clock, ms since 1970.
    pub utc_ms: i64,
    /// In which life of the computer.
    pub boot: String,
    /// When in that life, ms.
    pub boottime_ms: i64,
}

/// What the owner allows; never more than the constants above.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Steps of any kind in an hour.
    pub steps_per_hour: u32,
    /// Resets in a day.
    pub resets_per_day: u32,
    /// Restarts of the computer in a day.
    pub reboots_per_day: u32,
}

/// Which limit is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Reached {
    /// Too many steps in the last hour.
    #[error("{0} steps were taken within an hour, which is the limit")]
    Hour(u32),
    /// Too many resets in the last day.
    #[error("{0} resets were made within a day, which is the limit")]
    Resets(u32),
    /// Too many restarts in the last day.
    #[error("{0} restarts of the computer were made within a day, which is the limit")]
    Reboots(u32),
}

impl Taken {
    /// What is noted for a step that begins now.
    #[must_use]
    pub fn at(step: Step, now: &Now) -> Self {
        Self { step, utc_ms: now.utc_ms, boot: now.boot.clone(), boottime_ms: now.boottime_ms }
    }

    /// True if it may lie within the last `span_ms`. In one life of the computer the clock that nobody sets decides;
    /// from another life only the other one is left, and a step "in the future" counts.
    fn within(&self, span_ms: i64, now: &Now) -> bool {
        if self.boot == now.boot {
            now.boottime_ms.saturating_sub(self.boottime_ms) < span_ms
        } else {
            // A computer without a battery clock may start in the past or be set forward; what was done in the last
            // life is at least as old as this life.
            now.boottime_ms < span_ms && now.utc_ms.saturating_sub(self.utc_ms) < span_ms
        }
    }

    /// True if it can't count for any limit any more.
    #[must_use]
    pub fn is_over(&self, now: &Now) -> bool {
        !self.within(DAY_MS, now)
    }
}

/// Whether `step` may be taken now, after what was taken.
///
/// # Errors
/// The limit that is reached.
pub fn allow(step: Step, limits: Limits, taken: &[Taken], now: &Now) -> Result<(), Reached> {
    let count = |span_ms: i64, which: fn(Step) -> bool| {
        let found = taken.iter().filter(|one| which(one.step) && one.within(span_ms, now)).count();
        u32::try_from(found).unwrap_or(u32::MAX)
    };
    let per_hour = limits.steps_per_hour.min(STEPS_PER_HOUR_MAX);
    if per_hour <= count(HOUR_MS, |_| true) {
        return Err(Reached::Hour(per_hour));
    }
    let resets = limits.resets_per_day.min(RESETS_PER_DAY_MAX);
    if step.is_reset() && resets <= count(DAY_MS, Step::is_reset) {
        return Err(Reached::Resets(resets));
    }
    let reboots = limits.reboots_per_day.min(REBOOTS_PER_DAY_MAX);
    if step == Step::Reboot && reboots <= count(DAY_MS, |one| one == Step::Reboot) {
        return Err(Reached::Reboots(reboots));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits { steps_per_hour: 4, resets_per_day: 6, reboots_per_day: 1 };

    fn now(utc_ms: i64, boot: &str, boottime_ms: i64) -> Now {
        Now { utc_ms, boot: boot.to_owned(), boottime_ms }
    }

    /// What is taken in three days if the five are asked for in turn, one every `every_min`: in minutes.
    fn asking(every_min: i64) -> Vec<(i64, Step)> {
        let mut taken: Vec<Taken> = Vec::new();
        let mut done = Vec::new();
        for (minute, step) in
            (0..3 * 24 * 60).step_by(usize::try_from(every_min).unwrap_or(1)).zip(Step::ALL.iter().cycle())
        {
            let at = now(minute * 60_000, "a", minute * 60_000);
            if allow(*step, LIMITS, &taken, &at).is_ok() {
                taken.push(Taken::at(*step, &at));
                done.push((minute, *step));
            }
        }
        done
    }

    #[test]
    fn days_of_asking_keep_every_limit_and_use_it() {
        for every_min in [1, 7, 17, 61] {
            let done = asking(every_min);
            for start in 0..3 * 24 * 60 {
                let in_span = |minutes: i64, which: fn(Step) -> bool| {
                    done.iter().filter(|(at, step)| (start..start + minutes).contains(at) && which(*step)).count()
                };
                assert!(in_span(60, |_| true) <= 4);
                assert!(in_span(24 * 60, Step::is_reset) <= 6);
                assert!(in_span(24 * 60, |step| step == Step::Reboot) <= 1);
            }
            assert_eq!(
                done.iter().filter(|(at, _)| *at < 60).count(),
                usize::try_from(4.min(59 / every_min + 1)).unwrap_or(0)
            );
        }
        // Seldom enough for the limit of an hour: each day has all that it may.
        let done = asking(17);
        let resets = done.iter().filter(|(_, step)| step.is_reset()).count();
        assert_eq!((resets, done.iter().filter(|(_, step)| *step == Step::Reboot).count()), (18, 3));
    }

    #[test]
    fn a_clock_that_is_set_frees_nothing_in_one_life_of_the_computer() {
        let mut taken = Vec::new();
        for n in 0..6 {
            let at = now(n * 10 * HOUR_MS, "a", n * HOUR_MS / 2);
            taken.push(Taken::at(Step::Usb, &at));
        }
        let later = now(100 * DAY_MS, "a", 3 * HOUR_MS);
        assert_eq!(allow(Step::Usb, LIMITS, &taken, &later), Err(Reached::Resets(6)));
        let back = now(0, "a", 20 * HOUR_MS);
        assert_eq!(allow(Step::Usb, LIMITS, &taken, &back), Err(Reached::Resets(6)));
        assert_eq!(allow(Step::Usb, LIMITS, &taken, &now(0, "a", 2 * DAY_MS)), Ok(()));
    }

    #[test]
    fn a_restart_does_not_free_a_restart() {
        let taken = [Taken::at(Step::Reboot, &now(50 * DAY_MS, "a", 13 * HOUR_MS))];
        let soon = |utc_ms: i64| allow(Step::Reboot, LIMITS, &taken, &now(utc_ms, "b", HOUR_MS));
        assert_eq!(soon(50 * DAY_MS + 2 * HOUR_MS), Err(Reached::Reboots(1)));
        // Without a battery clock the computer begins in 1970, or anywhere before.
        assert_eq!(soon(0), Err(Reached::Reboots(1)));
        // Whatever its clock says: this life alone is longer than a day.
        assert_eq!(allow(Step::Reboot, LIMITS, &taken, &now(0, "b", 25 * HOUR_MS)), Ok(()));
    }

    #[test]
    fn nothing_configured_can_exceed_the_limits_that_are_built_in() {
        let wild = Limits { steps_per_hour: 1000, resets_per_day: 1000, reboots_per_day: 1000 };
        let at = now(50 * DAY_MS, "a", 10 * DAY_MS);
        let past = |step: Step, hours: i64| Taken::at(step, &now(50 * DAY_MS, "a", 10 * DAY_MS - hours * HOUR_MS));
        let six: Vec<Taken> = (2..8).map(|hours| past(Step::Cycle, hours)).collect();
        assert_eq!(allow(Step::Command, wild, &six, &at), Err(Reached::Resets(6)));
        assert_eq!(allow(Step::Reboot, wild, &[past(Step::Reboot, 23)], &at), Err(Reached::Reboots(1)));
        assert_eq!(allow(Step::Reboot, LIMITS, &[past(Step::Reboot, 24)], &at), Ok(()));
        let none = Limits { reboots_per_day: 0, ..LIMITS };
        assert_eq!(allow(Step::Reboot, none, &[], &at), Err(Reached::Reboots(0)));
    }
}
