//! How often each thing may be done. Pure: time comes in. These limits are the lever's own; what the agent believes
//! does not count here.

use crate::step::Step;
use serde::{Deserialize, Serialize};

/// At most so many resets of the cellular device (cycle, usb, command) in a day, whatever is configured (common
/// practice, no source: more has never brought a modem back, and wears the contract with the carrier).
pub const RESETS_PER_DAY_MAX: u32 = 6;
/// At most so many restarts of the computer in a day, whatever is configured (common practice, no source).
pub const REBOOTS_PER_DAY_MAX: u32 = 1;
/// At most so many new addresses in a day, whatever is configured (common practice, no source).
pub const RENEWS_PER_DAY_MAX: u32 = 24;
/// At most so many steps of any kind in an hour, whatever is configured (common practice, no source).
pub const STEPS_PER_HOUR_MAX: u32 = 6;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// The ages that are written down are not written anew within this, ms: whoever asks often wears no card (our own
/// limit; a life that ends in between is known to be so much shorter).
const FRESH_MS: i64 = 600_000;
/// The word of a time service may lie so little ahead of the clock, ms: files and clock are read one after the other.
const MARK_AHEAD_MS: i64 = 2000;

/// A moment by both clocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Now {
    /// Since 1970 by the computer's clock, which may be wrong or set, ms.
    pub utc_ms: i64,
    /// Whether that clock is known to be right: see [`is_right`].
    pub right: bool,
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
    /// Whether that clock was known to be right then; absent in old files: no.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub right: bool,
    /// In which life of the computer.
    pub boot: String,
    /// When in that life, ms.
    pub boottime_ms: i64,
    /// What was known of its age when the file was written last; absent in old files.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known: Option<Known>,
}

/// How old a step surely was at an instant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Known {
    /// The age, ms.
    pub aged_ms: i64,
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
    /// New addresses in a day.
    pub renews_per_day: u32,
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
    /// Too many new addresses in the last day.
    #[error("new addresses were asked for {0} times within a day, which is the limit")]
    Renews(u32),
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
        let (boot, boottime_ms) = (now.boot.clone(), now.boottime_ms);
        Self { step, utc_ms: now.utc_ms, right: now.right, boot, boottime_ms, known: None }
    }

    /// How old it surely is, ms, by the clock that nobody sets. In the life that it was taken in that is its age; in
    /// another what was known of it before, and what this life adds. The time between two lives is known to nobody.
    fn lived_ms(&self, now: &Now) -> i64 {
        let since = |boottime_ms: i64| now.boottime_ms.saturating_sub(boottime_ms);
        match &self.known {
            _ if self.boot == now.boot => since(self.boottime_ms),
            Some(known) if known.boot == now.boot => known.aged_ms.saturating_add(since(known.boottime_ms)),
            Some(known) => known.aged_ms.saturating_add(now.boottime_ms),
            None => now.boottime_ms,
        }
    }

    /// True if it may lie within the last `span_ms`. The clock that nobody sets decides. Of another life of the
    /// computer the other clock may tell more, but only if it was known to be right both then and now: one that begins
    /// in 1970 and is set later would free everything.
    fn within(&self, span_ms: i64, now: &Now) -> bool {
        let dated = self.boot != now.boot && self.right && now.right;
        self.lived_ms(now) < span_ms && !(dated && span_ms <= now.utc_ms.saturating_sub(self.utc_ms))
    }

    /// The same step as it is written down now, so that the next life of the computer goes on from its age.
    #[must_use]
    pub fn seen(&self, now: &Now) -> Self {
        let (aged_ms, boot, boottime_ms) = (self.lived_ms(now), now.boot.clone(), now.boottime_ms);
        Self { known: Some(Known { aged_ms, boot, boottime_ms }), ..self.clone() }
    }

    /// True if what is written down of its age is nearly all that is known.
    #[must_use]
    pub fn is_fresh(&self, now: &Now) -> bool {
        let own = (&self.boot, self.boottime_ms);
        let (boot, boottime_ms) = self.known.as_ref().map_or(own, |known| (&known.boot, known.boottime_ms));
        *boot == now.boot && now.boottime_ms.saturating_sub(boottime_ms) < FRESH_MS
    }

    /// True if it can't count for any limit any more.
    #[must_use]
    pub fn is_over(&self, now: &Now) -> bool {
        !self.within(DAY_MS, now)
    }
}

/// Whether the clock is known to be right: a time service has left word at `mark_utc_ms` by this clock, in this life of
/// the computer, and the clock was not set since to a time at which this life had not begun or that word lies ahead.
#[must_use]
pub fn is_right(mark_utc_ms: Option<i64>, utc_ms: i64, boottime_ms: i64) -> bool {
    let age_ms = mark_utc_ms.map(|mark| utc_ms.saturating_sub(mark));
    age_ms.is_some_and(|age_ms| (-MARK_AHEAD_MS..=boottime_ms).contains(&age_ms))
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
    let renews = limits.renews_per_day.min(RENEWS_PER_DAY_MAX);
    if step == Step::Renew && renews <= count(DAY_MS, |one| one == Step::Renew) {
        return Err(Reached::Renews(renews));
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

    const LIMITS: Limits = Limits { steps_per_hour: 4, renews_per_day: 12, resets_per_day: 6, reboots_per_day: 1 };

    fn now(utc_ms: i64, boot: &str, boottime_ms: i64) -> Now {
        Now { utc_ms, right: false, boot: boot.to_owned(), boottime_ms }
    }

    /// By a clock that a time service has set.
    fn right(utc_ms: i64, boot: &str, boottime_ms: i64) -> Now {
        Now { right: true, ..now(utc_ms, boot, boottime_ms) }
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
                assert!(in_span(24 * 60, |step| step == Step::Renew) <= 12);
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
        for later in [now(100 * DAY_MS, "a", 3 * HOUR_MS), right(100 * DAY_MS, "a", 3 * HOUR_MS)] {
            assert_eq!(allow(Step::Usb, LIMITS, &taken, &later), Err(Reached::Resets(6)));
        }
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
    fn a_clock_that_is_set_over_a_restart_frees_nothing() {
        // Without a battery: noted in 1970, and the next life learns the true time after twelve hours.
        let taken: Vec<Taken> = [Step::Usb; 6]
            .into_iter()
            .chain([Step::Reboot])
            .map(|step| Taken::at(step, &now(HOUR_MS, "a", HOUR_MS)))
            .collect();
        let noon = |utc_ms: i64| [now(utc_ms, "b", 12 * HOUR_MS), right(utc_ms, "b", 12 * HOUR_MS)];
        for at in noon(20_000 * DAY_MS).into_iter().chain(noon(-DAY_MS)) {
            assert_eq!(allow(Step::Reboot, LIMITS, &taken, &at), Err(Reached::Reboots(1)), "{at:?}");
            assert_eq!(allow(Step::Usb, LIMITS, &taken, &at), Err(Reached::Resets(6)), "{at:?}");
        }
        // Right then, and set forward or back since by somebody who knows no better.
        let taken = [Taken::at(Step::Reboot, &right(50 * DAY_MS, "a", HOUR_MS))];
        for utc_ms in [0, 49 * DAY_MS, 90 * DAY_MS] {
            let at = now(utc_ms, "b", 23 * HOUR_MS);
            assert_eq!(allow(Step::Reboot, LIMITS, &taken, &at), Err(Reached::Reboots(1)), "{at:?}");
        }
        assert_eq!(allow(Step::Reboot, LIMITS, &taken, &right(49 * DAY_MS, "b", HOUR_MS)), Err(Reached::Reboots(1)));
    }

    #[test]
    fn a_clock_that_was_right_both_times_tells_the_age_and_without_it_the_known_lives_add_up() {
        let dated = [Taken::at(Step::Reboot, &right(50 * DAY_MS, "a", HOUR_MS))];
        let at = |utc_ms: i64| allow(Step::Reboot, LIMITS, &dated, &right(utc_ms, "b", HOUR_MS));
        assert_eq!((at(51 * DAY_MS - 1), at(51 * DAY_MS)), (Err(Reached::Reboots(1)), Ok(())));
        // A computer that is switched off each night: seven hours of each life are known.
        let mut taken = Taken::at(Step::Reboot, &now(0, "1", HOUR_MS));
        for (boot, allowed) in [("1", false), ("2", false), ("3", false), ("4", true)] {
            let evening = now(0, boot, 7 * HOUR_MS);
            assert_eq!(allow(Step::Reboot, LIMITS, &[taken.clone()], &evening).is_ok(), allowed, "{boot}");
            // Written down twice, it grows no older.
            taken = taken.seen(&evening).seen(&evening);
        }
    }

    #[test]
    fn only_the_word_of_a_time_service_in_this_life_makes_a_clock_right() {
        let utc_ms = 50 * DAY_MS;
        assert!(!is_right(None, utc_ms, HOUR_MS));
        for (ago_ms, right) in [(0, true), (HOUR_MS, true), (-2000, true), (-2001, false), (HOUR_MS + 1, false)] {
            assert_eq!(is_right(Some(utc_ms - ago_ms), utc_ms, HOUR_MS), right, "{ago_ms}");
        }
    }

    #[test]
    fn nothing_configured_can_exceed_the_limits_that_are_built_in() {
        let wild = Limits { steps_per_hour: 1000, renews_per_day: 1000, resets_per_day: 1000, reboots_per_day: 1000 };
        let at = now(50 * DAY_MS, "a", 10 * DAY_MS);
        let past = |step: Step, hours: i64| Taken::at(step, &now(50 * DAY_MS, "a", 10 * DAY_MS - hours * HOUR_MS));
        let six: Vec<Taken> = (2..8).map(|hours| past(Step::Cycle, hours)).collect();
        assert_eq!(allow(Step::Command, wild, &six, &at), Err(Reached::Resets(6)));
        assert_eq!(allow(Step::Reboot, wild, &[past(Step::Reboot, 23)], &at), Err(Reached::Reboots(1)));
        assert_eq!(allow(Step::Reboot, LIMITS, &[past(Step::Reboot, 24)], &at), Ok(()));
        let renews: Vec<Taken> = [2; 24].map(|hours| past(Step::Renew, hours)).to_vec();
        assert_eq!(allow(Step::Renew, wild, &renews, &at), Err(Reached::Renews(24)));
        assert_eq!(allow(Step::Renew, LIMITS, &renews[..12], &at), Err(Reached::Renews(12)));
        assert_eq!(allow(Step::Usb, LIMITS, &renews, &at), Ok(()));
        let none = Limits { reboots_per_day: 0, ..LIMITS };
        assert_eq!(allow(Step::Reboot, none, &[], &at), Err(Reached::Reboots(0)));
    }
}
