//! How long hits took from capture to receipt: a bounded sketch for each of the last 30 days, and how a single time is
//! taken from clocks that may be wrong.

use crate::moment::{Moment, Utc};
use crate::position::PositionView;
use std::collections::VecDeque;

/// Days that are kept.
pub const DAYS_KEPT: usize = 30;
/// Upper end of the first bin, ms.
const FIRST_MS: f64 = 50.0;
/// Each bin is this much wider than the one before: a percentile is at most 10 % too high.
const STEP: f64 = 1.1;
/// Bins of a day: from 50 ms to about two days; what is slower stands in the last.
pub const BINS: usize = 160;
/// A capture so little after what must have come later is taken for the same instant, ms: clocks are read one after the
/// other (our own limit).
const AHEAD_MS: i64 = 1000;
/// Where a day has few hits, the newest days that together have so many are judged (our own limit).
pub const RECENT_HITS: u64 = 20;
/// At most so many days, today among them (our own limit).
pub const RECENT_DAYS: i64 = 7;

/// When a hit was captured, as far as its read and its stamp tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Captured {
    /// By the engine, which reads the host's clock.
    pub at: Utc,
    /// When it was accepted, by the host's clock.
    pub accepted: Utc,
    /// The true capture time, where the stamp has one.
    pub corrected: Option<Utc>,
    /// Whether the stamp trusts the capture time.
    pub trusted: bool,
}

impl Captured {
    /// From the capture until `now` by the host's clock, ms. `None` where the clocks can't tell: the engine's runs
    /// ahead (it was captured after its acceptance), the host's showed the capture time twice or never, or nobody
    /// vouches for it.
    #[must_use]
    pub fn took_ms(&self, view: &PositionView, now: &Moment) -> Option<u64> {
        if AHEAD_MS < self.at.since_ms(self.accepted) {
            return None;
        }
        let known = view.dated(now);
        let by_utc = |at: Utc| known.utc_trust.is_trusted().then(|| known.utc.since_ms(at));
        let took_ms = match (self.corrected, view.eras.mono_of(self.at, now.mono)) {
            (Some(at), _) => by_utc(at)?,
            // Within this boot the boot-time clock knows, whatever was done to the other one.
            (None, Some((captured, only))) => return only.then(|| now.mono.since_ms(captured)),
            (None, None) if self.trusted => by_utc(self.at)?,
            (None, None) => return None,
        };
        (-AHEAD_MS <= took_ms).then(|| u64::try_from(took_ms).unwrap_or(0))
    }
}

/// Hits counted by how long they took.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tally {
    /// How many took how long: bin n ends at 50 ms × 1.1ⁿ.
    pub bins: Vec<u32>,
    /// How many took nobody knows how long.
    pub unsure: u32,
}

impl Default for Tally {
    fn default() -> Self {
        Self { bins: vec![0; BINS], unsure: 0 }
    }
}

impl Tally {
    fn add(&mut self, took_ms: Option<u64>) {
        let place = took_ms.map_or(Some(&mut self.unsure), |ms| self.bins.get_mut(bin(ms)));
        if let Some(place) = place {
            *place = place.saturating_add(1);
        }
    }

    fn merge(&mut self, other: &Self) {
        self.bins.iter_mut().zip(&other.bins).for_each(|(sum, bin)| *sum = sum.saturating_add(*bin));
        self.unsure = self.unsure.saturating_add(other.unsure);
    }

    fn count(&self) -> u64 {
        self.bins.iter().copied().map(u64::from).sum()
    }

    /// Those that surely took longer than `ms`.
    fn longer_than(&self, ms: u64) -> u64 {
        self.bins
            .iter()
            .enumerate()
            .filter(|(n, _)| 0 < *n && ms <= end_ms(n - 1))
            .map(|(_, bin)| u64::from(*bin))
            .sum()
    }

    fn is_empty(&self) -> bool {
        self.unsure == 0 && self.bins.iter().all(|bin| *bin == 0)
    }

    fn percentiles(&self) -> Percentiles {
        let count = self.count();
        let at = |percent: u64| {
            let wanted = (count * percent).div_ceil(100).max(1);
            let mut seen = 0;
            let bin = self.bins.iter().position(|bin| {
                seen += u64::from(*bin);
                wanted <= seen
            });
            bin.map_or(0, end_ms)
        };
        Percentiles { count, p50_ms: at(50), p95_ms: at(95), p99_ms: at(99), unsure: self.unsure.into() }
    }
}

/// Hits of one UTC day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Day {
    /// Days since 1970-01-01.
    pub day: i64,
    /// Its hits.
    pub hits: Tally,
}

/// Percentiles of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Percentiles {
    /// How many hits.
    pub count: u64,
    /// Half took no longer, ms.
    pub p50_ms: u64,
    /// 95 of 100 took no longer, ms.
    pub p95_ms: u64,
    /// 99 of 100 took no longer, ms.
    pub p99_ms: u64,
    /// Hits beside them that took nobody knows how long, since a clock was wrong.
    pub unsure: u64,
}

/// The newest hits, over several days if need be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recent {
    /// How many.
    pub count: u64,
    /// Those that surely took longer than the target.
    pub late: u64,
    /// 95 of 100 took no longer, ms.
    pub p95_ms: u64,
    /// Days from the first of them until today, today among them.
    pub days: u64,
}

/// The sketch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Latency {
    days: VecDeque<Day>,
    undated: Tally,
}

impl Latency {
    /// Takes up what an earlier process kept; days with a wrong number of bins, and such as can't be, are left out.
    #[must_use]
    pub fn resume(days: impl IntoIterator<Item = Day>, undated: Tally) -> Self {
        let whole = |day: &Day| day.hits.bins.len() == BINS && Utc::may_be_day(day.day);
        let mut days: Vec<Day> = days.into_iter().filter(whole).collect();
        days.sort_by_key(|day| day.day);
        Self { days: days.into(), undated: Some(undated).filter(|one| one.bins.len() == BINS).unwrap_or_default() }
    }

    /// What has to be kept: the days, and hits that have no day yet.
    #[must_use]
    pub fn kept(&self) -> (&VecDeque<Day>, &Tally) {
        (&self.days, &self.undated)
    }

    /// A hit got its receipt at `now`, `took_ms` after its capture if anybody knows. While nobody knows the time it has
    /// no day; it gets the day on which somebody does.
    pub fn took(&mut self, took_ms: Option<u64>, now: &Moment) {
        self.undated.add(took_ms);
        self.known(now);
    }

    /// Dates what has no day yet, if `now` is trusted. A day after today was never: a false time was trusted then.
    pub fn known(&mut self, now: &Moment) {
        if !now.utc_trust.is_trusted() {
            return;
        }
        let today = now.utc.day();
        while self.days.back().is_some_and(|last| today < last.day) {
            self.days.pop_back();
        }
        if self.undated.is_empty() {
            return;
        }
        let undated = std::mem::take(&mut self.undated);
        match self.days.back_mut().filter(|last| last.day == today) {
            Some(last) => last.hits.merge(&undated),
            None => self.days.push_back(Day { day: today, hits: undated }),
        }
        // By number, not by age: one false date must not take the others with it.
        let over = self.days.len().saturating_sub(DAYS_KEPT);
        self.days.drain(..over);
    }

    fn today(&self, now: &Moment) -> i64 {
        now.day_known(self.days.back().map(|newest| newest.day))
    }

    /// Percentiles of the last `days` UTC days, today among them, and of what has no day yet.
    #[must_use]
    pub fn percentiles(&self, days: i64, now: &Moment) -> Percentiles {
        let today = self.today(now);
        let mut sum = self.undated.clone();
        for day in self.days.iter().filter(|day| (today - days + 1..=today).contains(&day.day)) {
            sum.merge(&day.hits);
        }
        sum.percentiles()
    }

    /// The newest [`RECENT_HITS`] by whole days, at most [`RECENT_DAYS`] of them, held against `target_ms`.
    #[must_use]
    pub fn recent(&self, target_ms: u64, now: &Moment) -> Recent {
        let today = self.today(now);
        let (mut sum, mut first) = (self.undated.clone(), today);
        for day in self.days.iter().rev().filter(|day| (today - RECENT_DAYS + 1..=today).contains(&day.day)) {
            if RECENT_HITS <= sum.count() {
                break;
            }
            if 0 < day.hits.count() {
                sum.merge(&day.hits);
                first = day.day;
            }
        }
        let Percentiles { count, p95_ms, .. } = sum.percentiles();
        Recent { count, late: sum.longer_than(target_ms), p95_ms, days: (today - first + 1).unsigned_abs() }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a percentile of milliseconds")]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the last bin")]
fn bin(took_ms: u64) -> usize {
    let bin = ((took_ms as f64 / FIRST_MS).ln() / STEP.ln()).ceil();
    // A hair below a bin's end must not fall above it.
    (bin.max(0.0) as usize).min(BINS - 1)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most two days of milliseconds")]
fn end_ms(bin: usize) -> u64 {
    (FIRST_MS * STEP.powi(i32::try_from(bin).unwrap_or(0))).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{Mono, UtcTrust};
    use crate::position::host_clock::TrueTime;
    use proptest::prelude::*;

    const NOW: Utc = Utc(1_795_608_000_000);
    const DAY_MS: i64 = 86_400_000;

    /// So many days after [`NOW`].
    fn on(days: i64) -> Moment {
        Moment { mono: Mono(0), utc: NOW.plus_ms(days * DAY_MS), utc_trust: UtcTrust::Gps }
    }

    fn unset(utc: Utc) -> Moment {
        Moment { utc, ..Moment::default() }
    }

    #[test]
    fn percentiles_are_those_of_the_hits_within_a_tenth() {
        let mut latency = Latency::default();
        (1..=1000).for_each(|n| latency.took(Some(n * 10), &on(0)));
        let told = latency.percentiles(1, &on(0));
        assert_eq!(told.count, 1000);
        for (told, true_ms) in [(told.p50_ms, 5000), (told.p95_ms, 9500), (told.p99_ms, 9900)] {
            assert!((true_ms..=true_ms * 11 / 10 + 1).contains(&told), "{told} for {true_ms}");
        }
        assert_eq!(latency.percentiles(1, &on(1)).count, 0, "today is another day");
        assert_eq!(latency.percentiles(30, &on(1)).count, 1000);
    }

    #[test]
    fn thirty_days_are_kept_and_no_more() {
        let mut latency = Latency::default();
        (0..100).for_each(|n| latency.took(Some(100), &on(n)));
        assert_eq!(latency.kept().0.len(), 30);
        let (days, undated) = latency.kept();
        assert_eq!(Latency::resume(days.clone(), undated.clone()), latency);
        assert_eq!(latency.percentiles(30, &on(99)).count, 30);
    }

    #[test]
    fn hits_under_a_clock_that_nobody_trusts_count_at_once_and_get_the_day_on_which_somebody_does() {
        let mut latency = Latency::default();
        (0..20).for_each(|n| latency.took(Some(100), &on(n - 20)));
        for wrong in [Utc(0), NOW.plus_ms(400 * DAY_MS)] {
            latency.took(Some(700), &unset(wrong));
            latency.took(None, &unset(wrong));
        }
        let told = latency.percentiles(30, &unset(Utc(0)));
        assert_eq!((told.count, told.unsure), (22, 2), "those of the last days stand as long as nobody knows better");
        latency.known(&on(0));
        let (today, month) = (latency.percentiles(1, &on(0)), latency.percentiles(30, &on(0)));
        assert_eq!((today.count, today.unsure, month.count), (2, 2, 22));
        assert_eq!(latency.percentiles(1, &on(1)).count, 0, "they have a day now");
    }

    #[test]
    fn days_that_never_were_go_and_take_no_other_with_them() {
        let mut latency = Latency::default();
        (0..10).for_each(|n| latency.took(Some(100), &on(n - 10)));
        // For a moment a false time was trusted.
        latency.took(Some(100), &on(4000));
        assert_eq!(latency.percentiles(30, &on(0)).count, 10, "a day after today is none");
        latency.took(Some(100), &on(0));
        assert_eq!(latency.percentiles(30, &on(0)).count, 11);
        assert_eq!(latency.kept().0.back().map(|day| day.day), Some(NOW.day()));
        // What an earlier version kept is healed the same way; what can't be a day is left out at once.
        let day = |day: i64| Day { day, hits: Tally::default() };
        let mut kept =
            Latency::resume([day(NOW.day() + 400), day(NOW.day()), day(i64::MAX), day(-5)], Tally::default());
        assert_eq!(kept.kept().0.len(), 2);
        kept.known(&on(0));
        assert_eq!(kept.kept().0.len(), 1);
    }

    #[test]
    fn few_hits_a_day_are_judged_over_several_days() {
        let mut latency = Latency::default();
        for day in 0..10 {
            for _ in 0..3 {
                latency.took(Some(20_000), &on(day));
            }
        }
        let recent = latency.recent(12_000, &on(9));
        assert_eq!((recent.count, recent.late, recent.days), (21, 21, 7));
        assert!((20_000..=22_000).contains(&recent.p95_ms), "{recent:?}");
        assert_eq!(latency.recent(12_000, &on(11)).count, 15, "a week, and no more");
        // A busy day is enough.
        (0..40).for_each(|_| latency.took(Some(500), &on(10)));
        let recent = latency.recent(12_000, &on(10));
        assert_eq!((recent.count, recent.late, recent.days), (40, 0, 1));
        // Late is what surely is: a bin that the target lies in is not.
        let mut near = Latency::default();
        near.took(Some(11_900), &on(0));
        assert_eq!(near.recent(12_000, &on(0)).late, 0);
    }

    /// A host whose clock was 90 s behind until it was set 50 s after its start.
    fn host() -> PositionView {
        let mut view = PositionView::default();
        for (mono, utc) in [(0, NOW.plus_ms(-90_000)), (50_000, NOW.plus_ms(50_000))] {
            view.eras.observe(&Moment { mono: Mono(mono), utc, utc_trust: UtcTrust::Unset });
        }
        view
    }

    fn captured(at: Utc) -> Captured {
        Captured { at, accepted: at, corrected: None, trusted: true }
    }

    #[test]
    fn a_hit_takes_as_long_as_the_boot_time_clock_says_whatever_was_done_to_the_other() {
        let now = Moment { mono: Mono(60_000), utc: NOW.plus_ms(60_000), utc_trust: UtcTrust::Unset };
        let took = |at: Utc| captured(at).took_ms(&host(), &now);
        assert_eq!(took(NOW.plus_ms(57_500)), Some(2500));
        assert_eq!(took(NOW.plus_ms(-90_000 + 20_000)), Some(40_000), "captured before the step");
        assert_eq!(took(NOW.plus_ms(60_400)), Some(0), "read a moment later than ours");
    }

    #[test]
    fn an_engine_whose_clock_runs_ahead_makes_no_hit_quick() {
        let now = Moment { mono: Mono(400_000), utc: NOW.plus_ms(400_000), utc_trust: UtcTrust::Gps };
        let ahead = |receipt_after_ms: i64| {
            let accepted = now.utc.plus_ms(-receipt_after_ms);
            Captured { at: accepted.plus_ms(90_000), accepted, corrected: None, trusted: true }
        };
        assert_eq!(ahead(2000).took_ms(&host(), &now), None);
        assert_eq!(ahead(120_000).took_ms(&host(), &now), None, "not 30 s either");
    }

    #[test]
    fn hits_of_an_earlier_boot_count_by_their_true_time_or_not_at_all() {
        let (far, boot) = (NOW.plus_ms(-3_600_000), PositionView::default());
        let now = Moment { mono: Mono(9000), utc: NOW, utc_trust: UtcTrust::Network };
        let unsure = Moment { utc_trust: UtcTrust::Unset, ..now };
        let with = |corrected: Option<Utc>, trusted: bool| Captured { corrected, trusted, ..captured(far) };
        assert_eq!(with(None, true).took_ms(&boot, &now), Some(3_600_000));
        assert_eq!(with(None, false).took_ms(&boot, &now), None, "nobody vouches for the capture time");
        assert_eq!(with(None, true).took_ms(&boot, &unsure), None, "nobody vouches for now");
        let true_capture = Some(NOW.plus_ms(-60_000));
        assert_eq!(with(true_capture, true).took_ms(&boot, &now), Some(60_000));
        assert_eq!(with(Some(NOW.plus_ms(60_000)), true).took_ms(&boot, &now), None, "before it was captured");
        // The receiver's time does where the host's is wrong.
        let told = TrueTime { at: Mono(9000), utc: NOW, source: UtcTrust::Gps, proven: true, jitter_ms: 0 };
        let gps = PositionView { true_time: Some(told), ..PositionView::default() };
        assert_eq!(with(true_capture, true).took_ms(&gps, &Moment { utc: Utc(9000), ..unsure }), Some(60_000));
    }

    proptest! {
        #[test]
        fn a_bin_ends_at_or_above_what_is_in_it(ms in 0_u64..150_000_000) {
            let end = end_ms(bin(ms));
            prop_assert!(ms <= end + 1);
            prop_assert!(end <= (ms.max(46) * 111).div_ceil(100) + 1);
        }
    }
}
