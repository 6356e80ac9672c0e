//! How long hits took from capture to receipt: a bounded sketch for each of the last 30 days.

use crate::moment::Utc;
use std::collections::VecDeque;

/// Days that are kept.
pub const DAYS_KEPT: i64 = 30;
/// Upper end of the first bin, ms.
const FIRST_MS: f64 = 50.0;
/// Each bin is this much wider than the one before: a percentile is at most 10 % too high.
const STEP: f64 = 1.1;
/// Bins of a day: from 50 ms to about two days; what is slower stands in the last.
pub const BINS: usize = 160;

/// Hits of one UTC day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Day {
    /// Days since 1970-01-01.
    pub day: i64,
    /// How many hits took how long: bin n ends at 50 ms × 1.1ⁿ.
    pub bins: Vec<u32>,
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
}

/// The sketch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Latency {
    days: VecDeque<Day>,
}

impl Latency {
    /// Takes up what an earlier process kept; days with a wrong number of bins are left out.
    #[must_use]
    pub fn resume(days: impl IntoIterator<Item = Day>) -> Self {
        let mut days: Vec<Day> = days.into_iter().filter(|day| day.bins.len() == BINS).collect();
        days.sort_by_key(|day| day.day);
        Self { days: days.into() }
    }

    /// What has to be kept.
    #[must_use]
    pub fn kept(&self) -> &VecDeque<Day> {
        &self.days
    }

    /// A hit got its receipt at `now`, `took_ms` after its capture.
    pub fn took(&mut self, took_ms: u64, now: Utc) {
        let day = day_of(now);
        if self.days.back().is_none_or(|last| last.day < day) {
            self.days.push_back(Day { day, bins: vec![0; BINS] });
        }
        while self.days.front().is_some_and(|first| first.day <= day - DAYS_KEPT) {
            self.days.pop_front();
        }
        if let Some(bin) = self.days.back_mut().and_then(|last| last.bins.get_mut(bin(took_ms))) {
            *bin = bin.saturating_add(1);
        }
    }

    /// Percentiles of the last `days` UTC days, today among them.
    #[must_use]
    pub fn percentiles(&self, days: i64, now: Utc) -> Percentiles {
        let from = day_of(now) - days + 1;
        let mut sum = vec![0_u64; BINS];
        for day in self.days.iter().filter(|day| from <= day.day) {
            sum.iter_mut().zip(&day.bins).for_each(|(sum, bin)| *sum += u64::from(*bin));
        }
        let count: u64 = sum.iter().sum();
        let at = |percent: u64| {
            let wanted = (count * percent).div_ceil(100).max(1);
            let mut seen = 0;
            let bin = sum.iter().position(|bin| {
                seen += bin;
                wanted <= seen
            });
            bin.map_or(0, end_ms)
        };
        Percentiles { count, p50_ms: at(50), p95_ms: at(95), p99_ms: at(99) }
    }
}

fn day_of(now: Utc) -> i64 {
    now.0.div_euclid(86_400_000)
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
    use proptest::prelude::*;

    const NOW: Utc = Utc(1_795_608_000_000);

    #[test]
    fn percentiles_are_those_of_the_hits_within_a_tenth() {
        let mut latency = Latency::default();
        (1..=1000).for_each(|n| latency.took(n * 10, NOW));
        let told = latency.percentiles(1, NOW);
        assert_eq!(told.count, 1000);
        for (told, true_ms) in [(told.p50_ms, 5000), (told.p95_ms, 9500), (told.p99_ms, 9900)] {
            assert!((true_ms..=true_ms * 11 / 10 + 1).contains(&told), "{told} for {true_ms}");
        }
        assert_eq!(latency.percentiles(1, NOW.plus_ms(86_400_000)).count, 0, "today is another day");
        assert_eq!(latency.percentiles(30, NOW.plus_ms(86_400_000)).count, 1000);
    }

    #[test]
    fn thirty_days_are_kept_and_no_more() {
        let mut latency = Latency::default();
        (0..100).for_each(|n| latency.took(100, NOW.plus_ms(n * 86_400_000)));
        assert_eq!(latency.kept().len(), 30);
        assert_eq!(Latency::resume(latency.kept().clone()), latency);
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
