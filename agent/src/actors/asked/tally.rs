//! Requests that get no answer, counted for the audit: whoever may send anything must not be able to fill the disk.

use pintle_core::moment::Mono;
use std::collections::BTreeMap;

/// The audit has at most one line of a sort in this time (our own limit: some 2 MB a year, and files of it are never
/// deleted).
const EVERY_MS: u64 = 3_600_000;

/// How many of each sort came since it was last written down, and when that was.
#[derive(Default)]
pub(super) struct Tally(BTreeMap<&'static str, (u64, Option<Mono>)>);

impl Tally {
    /// One more of that sort.
    pub(super) fn add(&mut self, sort: &'static str) {
        self.0.entry(sort).or_default().0 += 1;
    }

    /// What is to be written down now: the first at once, then all that came since, once an hour.
    pub(super) fn due(&mut self, now: Mono) -> Vec<(&'static str, u64)> {
        let due = self.0.iter_mut().filter_map(|(sort, (count, told))| {
            let waits = told.is_some_and(|told| now.since_ms(told) < EVERY_MS);
            if *count == 0 || waits {
                return None;
            }
            *told = Some(now);
            Some((*sort, std::mem::take(count)))
        });
        due.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_counted_whole_and_written_once_an_hour() {
        let mut tally = Tally::default();
        let (mut lines, mut counted) = (0, 0);
        for second in 0..24 * 3600 {
            for _ in 0..3 {
                tally.add("forged");
            }
            for (sort, count) in tally.due(Mono(1_000_000 + second * 1000)) {
                assert_eq!(sort, "forged");
                (lines, counted) = (lines + 1, counted + count);
            }
        }
        assert_eq!(lines, 24);
        let rest = tally.due(Mono(1_000_000 + 25 * EVERY_MS));
        assert_eq!(counted + rest[0].1, 3 * 24 * 3600);
        assert_eq!(tally.due(Mono(1_000_000 + 50 * EVERY_MS)), [], "nothing has come");
    }

    #[test]
    fn the_first_of_each_sort_is_told_at_once() {
        let mut tally = Tally::default();
        tally.add("forged");
        assert_eq!(tally.due(Mono(5)), [("forged", 1)]);
        tally.add("other-trailer");
        tally.add("forged");
        assert_eq!(tally.due(Mono(6)), [("other-trailer", 1)]);
    }
}
