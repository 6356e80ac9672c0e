//! Data used over the tether: by day and by billing month, from the interface's counters. It survives restarts, new
//! interfaces, and counters that wrap or jump back.

use crate::moment::{Utc, civil_from_days, days_from_civil};
use std::collections::VecDeque;

/// Days that are kept: the longest billing month and the one before it.
pub const DAYS_KEPT: usize = 62;
/// Once this share of the plan is used, thumbnails go in place of pictures, percent (our own limit).
pub const THUMBNAILS_FROM: u64 = 80;
/// Once this share of the plan is used, no pictures go, percent (our own limit).
pub const NO_IMAGES_FROM: u64 = 90;
/// Once this share of the plan is used, only urgent events go, percent: the plan is used up.
pub const URGENT_ONLY_FROM: u64 = 100;
/// A day of pictures counts for the forecast over so many days.
const RATE_DAYS: i64 = 7;
const DAY_MS: i64 = 86_400_000;

/// What the interface's counters say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// The kernel's id of this boot.
    pub boot: String,
    /// Number of the interface; a new one after each plugging in.
    pub index: u32,
    /// Bytes received and sent since the interface was made.
    pub bytes: u64,
}

/// Bytes of one UTC day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Day {
    /// Days since 1970-01-01.
    pub day: i64,
    /// Bytes, both ways.
    pub bytes: u64,
}

/// The contract with the carrier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Bytes in a billing month.
    pub bytes: u64,
    /// The day of the month on which it begins anew, 1 to 28.
    pub from_day: u32,
    /// Beyond it nothing but urgent events may go: data costs more there than a read that comes late.
    pub hard: bool,
}

/// What is saved, in order; each step holds those before it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Saving {
    /// Nothing.
    #[default]
    None,
    /// Thumbnails go, pictures wait.
    Thumbnails,
    /// No pictures go.
    NoImages,
    /// Only urgent events go; everything else waits for the next month. Never without [`Plan::hard`]: reads that wait
    /// grow old, and a read that is late is worth more than the plan.
    UrgentOnly,
}

impl Saving {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Thumbnails => "thumbnails",
            Self::NoImages => "no-images",
            Self::UrgentOnly => "urgent-only",
        }
    }
}

/// How the plan stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Bytes used in this billing month.
    pub used: u64,
    /// Bytes used today.
    pub today: u64,
    /// When the next billing month begins.
    pub ends: Option<Utc>,
    /// When the plan runs out at the pace of the last days, if that is before it ends.
    pub runs_out: Option<Utc>,
    /// What is saved because of it.
    pub saving: Saving,
}

/// The account of the data used.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Usage {
    last: Option<Counters>,
    days: VecDeque<Day>,
    undated: u64,
}

impl Usage {
    /// Takes up what an earlier process kept.
    #[must_use]
    pub fn resume(last: Option<Counters>, days: impl IntoIterator<Item = Day>, undated: u64) -> Self {
        let mut usage = Self { last, days: days.into_iter().collect(), undated };
        usage.trim();
        usage
    }

    /// What has to be kept: the last counters, the days, and bytes that have no day yet.
    #[must_use]
    pub fn kept(&self) -> (Option<&Counters>, &VecDeque<Day>, u64) {
        (self.last.as_ref(), &self.days, self.undated)
    }

    /// Takes in the counters as they are. `now` is `None` while nobody has confirmed the time: what is used until then
    /// goes to the day on which somebody does.
    pub fn count(&mut self, counters: Counters, now: Option<Utc>) {
        let grown = match &self.last {
            // What was used before we ever looked is not known to be of this month.
            None => 0,
            Some(last) if last.boot == counters.boot && last.index == counters.index => {
                if last.bytes <= counters.bytes {
                    counters.bytes - last.bytes
                } else {
                    wrapped(last.bytes, counters.bytes)
                }
            }
            // A new interface or a new boot begins at zero, so all that it counts is new.
            Some(_) => counters.bytes,
        };
        self.last = Some(counters);
        self.undated = self.undated.saturating_add(grown);
        let Some(now) = now else { return };
        let day = now.0.div_euclid(DAY_MS);
        let bytes = std::mem::take(&mut self.undated);
        match self.days.iter_mut().find(|one| one.day == day) {
            Some(one) => one.bytes = one.bytes.saturating_add(bytes),
            None if 0 < bytes => {
                let at = self.days.partition_point(|one| one.day < day);
                self.days.insert(at, Day { day, bytes });
            }
            None => {}
        }
        self.trim();
    }

    fn trim(&mut self) {
        let over = self.days.len().saturating_sub(DAYS_KEPT);
        self.days.drain(..over);
    }

    /// How things stand at `now`.
    #[must_use]
    pub fn standing(&self, plan: Option<Plan>, now: Utc) -> Standing {
        let today = now.0.div_euclid(DAY_MS);
        let (from, to) = period(today, plan.map_or(1, |plan| plan.from_day));
        let sum = |from: i64| -> u64 {
            let dated: u64 = self.days.iter().filter(|one| (from..=today).contains(&one.day)).map(|one| one.bytes).sum();
            // What has no day yet was used since the last time anybody knew one.
            dated.saturating_add(self.undated)
        };
        let used = sum(from);
        let mut standing = Standing { used, today: sum(today), ends: Some(Utc(to * DAY_MS)), ..Standing::default() };
        let Some(plan) = plan else { return standing };
        standing.runs_out = self.runs_out(plan, used, now).filter(|out| out.0 < to * DAY_MS);
        let share = u64::try_from(u128::from(used) * 100 / u128::from(plan.bytes.max(1))).unwrap_or(u64::MAX);
        // Two days before the end of a month a plan that just does not reach needs no saving of pictures.
        let soon = standing.runs_out.is_some_and(|out| 2 * DAY_MS < to * DAY_MS - out.0) && 50 <= share;
        standing.saving = match share {
            URGENT_ONLY_FROM.. if plan.hard => Saving::UrgentOnly,
            NO_IMAGES_FROM.. => Saving::NoImages,
            THUMBNAILS_FROM.. => Saving::Thumbnails,
            _ if soon => Saving::Thumbnails,
            _ => Saving::None,
        };
        standing
    }

    /// At the pace of the last week; `None` if nothing was used, or a day is not over yet.
    fn runs_out(&self, plan: Plan, used: u64, now: Utc) -> Option<Utc> {
        if plan.bytes <= used {
            return Some(now);
        }
        let today = now.0.div_euclid(DAY_MS);
        let first = self.days.front()?.day.max(today - RATE_DAYS);
        let bytes: u64 = self.days.iter().filter(|one| (first..=today).contains(&one.day)).map(|one| one.bytes).sum();
        let span_ms = now.0 - first * DAY_MS;
        if span_ms < DAY_MS || bytes == 0 {
            return None;
        }
        let left_ms = u128::from(plan.bytes - used) * u128::from(span_ms.unsigned_abs()) / u128::from(bytes);
        Some(now.plus_ms(i64::try_from(left_ms).unwrap_or(i64::MAX)))
    }
}

/// Growth over a counter that is smaller than before: a counter of 32 bits that wrapped near its end, else one that was
/// set back, whose new value is all that is known to have been used.
fn wrapped(before: u64, after: u64) -> u64 {
    const WRAP: u64 = 1 << 32;
    // Source: some drivers keep 32-bit counters; between two looks no tether moves an eighth of their range.
    if before < WRAP && WRAP - WRAP / 8 < before && after < WRAP / 8 { WRAP - before + after } else { after }
}

/// First day of the billing month of `today`, and of the next one.
fn period(today: i64, from_day: u32) -> (i64, i64) {
    let (year, month, day) = civil_from_days(today);
    let from_day = from_day.clamp(1, 28);
    let first = |year: i64, month: i64| {
        let (year, month) = (year + (month - 1).div_euclid(12), (month - 1).rem_euclid(12) + 1);
        let date = i32::try_from(year).ok().zip(u32::try_from(month).ok());
        date.and_then(|(year, month)| days_from_civil(year, month, from_day)).unwrap_or(today)
    };
    if i64::from(from_day) <= day {
        (first(year, month), first(year, month + 1))
    } else {
        (first(year, month - 1), first(year, month))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const MB: u64 = 1_000_000;

    fn utc(text: &str) -> Utc {
        Utc::parse_rfc3339(text).unwrap()
    }

    fn counters(boot: &str, index: u32, bytes: u64) -> Counters {
        Counters { boot: boot.to_owned(), index, bytes }
    }

    fn used(usage: &Usage, now: Utc) -> u64 {
        usage.standing(None, now).used
    }

    #[test]
    fn restarts_new_interfaces_wraps_and_jumps_back_count_what_was_used_and_no_more() {
        let now = utc("2026-11-25T12:00:00Z");
        let mut usage = Usage::default();
        usage.count(counters("a", 2, 5000), Some(now));
        assert_eq!(used(&usage, now), 0, "what was used before the first look is not ours");
        usage.count(counters("a", 2, 6000), Some(now));
        assert_eq!(used(&usage, now), 1000);
        // Restart of the agent: the same counters go on.
        let (last, days, undated) = usage.kept();
        let mut usage = Usage::resume(last.cloned(), days.clone(), undated);
        usage.count(counters("a", 2, 6500), Some(now));
        assert_eq!(used(&usage, now), 1500);
        // Plugged in again, then a new boot.
        usage.count(counters("a", 7, 300), Some(now));
        usage.count(counters("b", 2, 200), Some(now));
        assert_eq!(used(&usage, now), 2000);
        // A counter of 32 bits wraps.
        let mut usage = Usage::resume(Some(counters("a", 2, (1 << 32) - 100)), [], 0);
        usage.count(counters("a", 2, 50), Some(now));
        assert_eq!(used(&usage, now), 150);
        // A counter is set back.
        usage.count(counters("a", 2, 20), Some(now));
        assert_eq!(used(&usage, now), 170);
    }

    #[test]
    fn bytes_used_before_anybody_knows_the_time_go_to_the_day_on_which_somebody_does() {
        let now = utc("2026-11-25T00:10:00Z");
        let mut usage = Usage::default();
        usage.count(counters("a", 2, 0), None);
        usage.count(counters("a", 2, 70), None);
        assert_eq!((used(&usage, now), usage.standing(None, now).today), (70, 70), "nothing is hidden meanwhile");
        usage.count(counters("a", 2, 100), Some(now));
        assert_eq!((used(&usage, now), usage.standing(None, now).today), (100, 100));
    }

    #[test]
    fn billing_month_begins_on_its_day() {
        let days = |text: &str| utc(text).0 / DAY_MS;
        let of = |today: &str, from_day| period(days(today), from_day);
        assert_eq!(of("2026-11-25T00:00:00Z", 12), (days("2026-11-12T00:00:00Z"), days("2026-12-12T00:00:00Z")));
        assert_eq!(of("2026-01-05T00:00:00Z", 12), (days("2025-12-12T00:00:00Z"), days("2026-01-12T00:00:00Z")));
        assert_eq!(of("2024-02-28T00:00:00Z", 28), (days("2024-02-28T00:00:00Z"), days("2024-03-28T00:00:00Z")));
    }

    #[test]
    fn plan_says_when_it_runs_out_and_savings_come_in_their_order() {
        let plan = Some(Plan { bytes: 1000 * MB, from_day: 1, hard: true });
        let day = |n: i64| Day { day: utc("2026-11-01T00:00:00Z").0 / DAY_MS + n, bytes: 50 * MB };
        let now = utc("2026-11-11T00:00:00Z");
        let usage = Usage::resume(None, (0..10).map(day), 0);
        let standing = usage.standing(plan, now);
        assert_eq!(standing.used, 500 * MB);
        assert_eq!(standing.runs_out, Some(utc("2026-11-21T00:00:00Z")), "500 MB left at 50 MB a day");
        assert_eq!(standing.saving, Saving::Thumbnails, "it runs out long before the month does");
        let saving = |share: u64| {
            let usage = Usage::resume(None, [Day { bytes: share * 10 * MB, ..day(9) }], 0);
            usage.standing(plan, now).saving
        };
        assert_eq!(
            [saving(20), saving(80), saving(90), saving(100), saving(300)],
            [Saving::None, Saving::Thumbnails, Saving::NoImages, Saving::UrgentOnly, Saving::UrgentOnly]
        );
        let next = utc("2026-12-01T00:00:00Z");
        let soft = plan.map(|plan| Plan { hard: false, ..plan });
        let over = Usage::resume(None, [Day { bytes: 3000 * MB, ..day(9) }], 0);
        assert_eq!(over.standing(soft, now).saving, Saving::NoImages, "reads are held back on the owner's word only");
        assert_eq!(usage.standing(plan, next).saving, Saving::None, "a new month");
    }

    proptest! {
        #[test]
        fn growing_counters_are_counted_exactly_over_any_restarts(
            steps in proptest::collection::vec((0_u64..10_000, any::<bool>()), 1..60),
        ) {
            let now = utc("2026-11-25T12:00:00Z");
            let mut usage = Usage::default();
            let mut bytes = 0;
            usage.count(counters("a", 2, bytes), Some(now));
            for (step, restart) in &steps {
                bytes += step;
                if *restart {
                    let (last, days, undated) = usage.kept();
                    usage = Usage::resume(last.cloned(), days.clone(), undated);
                }
                usage.count(counters("a", 2, bytes), Some(now));
            }
            prop_assert_eq!(used(&usage, now), bytes);
        }
    }
}
