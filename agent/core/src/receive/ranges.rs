//! Sets of sequence numbers, kept as ranges: a trailer's numbers are nearly always one or a few long runs.

use std::collections::BTreeMap;

/// First and last number of a run, both included, `first <= last`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Range {
    /// First number.
    pub first: u64,
    /// Last number, included.
    pub last: u64,
}

impl Range {
    /// A run; `None` if `last` is before `first`.
    #[must_use]
    pub fn new(first: u64, last: u64) -> Option<Self> {
        (first <= last).then_some(Self { first, last })
    }

    /// How many numbers it holds. Saturates for the run of all 2^64 numbers.
    #[must_use]
    pub fn count(self) -> u64 {
        (self.last - self.first).saturating_add(1)
    }
}

/// A set of numbers. Runs that touch are one run.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RangeSet {
    // First number to last number, included; no two runs overlap or touch.
    runs: BTreeMap<u64, u64>,
}

impl RangeSet {
    /// Adds a run.
    pub fn insert(&mut self, range: Range) {
        let Range { mut first, mut last } = range;
        // Only the run before `first` and those that begin up to one past `last` can touch the new one.
        if let Some((before, end)) = self.runs.range(..=first).next_back().map(|(a, b)| (*a, *b))
            && first <= end.saturating_add(1)
        {
            if last <= end {
                return;
            }
            self.runs.remove(&before);
            first = before;
        }
        while let Some((next, end)) = self.runs.range(first..=last.saturating_add(1)).next().map(|(a, b)| (*a, *b)) {
            self.runs.remove(&next);
            last = last.max(end);
        }
        self.runs.insert(first, last);
    }

    /// Adds one number.
    pub fn insert_one(&mut self, number: u64) {
        self.insert(Range { first: number, last: number });
    }

    /// Whether it holds this number.
    #[must_use]
    pub fn contains(&self, number: u64) -> bool {
        self.runs.range(..=number).next_back().is_some_and(|(_, last)| number <= *last)
    }

    /// How many numbers it holds, saturating.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.runs().fold(0, |sum, run| sum.saturating_add(run.count()))
    }

    /// Whether it holds none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// The highest number.
    #[must_use]
    pub fn last(&self) -> Option<u64> {
        self.runs.values().next_back().copied()
    }

    /// The runs, rising.
    pub fn runs(&self) -> impl Iterator<Item = Range> + '_ {
        self.runs.iter().map(|(first, last)| Range { first: *first, last: *last })
    }

    /// What `within` holds and this set does not, rising.
    #[must_use]
    pub fn gaps(&self, within: Range) -> RangeSet {
        let mut gaps = RangeSet::default();
        let mut next = within.first;
        for run in self.runs() {
            if within.last < run.first {
                break;
            }
            if let Some(gap) = run.first.checked_sub(1).and_then(|last| Range::new(next, last)) {
                gaps.runs.insert(gap.first, gap.last);
            }
            let Some(after) = run.last.checked_add(1) else { return gaps };
            next = next.max(after);
        }
        if let Some(gap) = Range::new(next, within.last) {
            gaps.runs.insert(gap.first, gap.last);
        }
        gaps
    }

    /// What this set holds and `other` does not.
    #[must_use]
    pub fn without(&self, other: &RangeSet) -> RangeSet {
        let mut left = RangeSet::default();
        for run in self.runs() {
            left.runs.extend(other.gaps(run).runs);
        }
        left
    }
}

impl FromIterator<Range> for RangeSet {
    fn from_iter<I: IntoIterator<Item = Range>>(runs: I) -> Self {
        let mut set = Self::default();
        for run in runs {
            set.insert(run);
        }
        set
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn numbers(set: &RangeSet) -> BTreeSet<u64> {
        set.runs().flat_map(|run| run.first..=run.last).collect()
    }

    fn spans() -> impl Strategy<Value = Vec<(u64, u64)>> {
        proptest::collection::vec((0_u64..60, 0_u64..8), 0..20)
    }

    fn set_of(spans: &[(u64, u64)]) -> RangeSet {
        spans.iter().map(|(first, more)| Range { first: *first, last: first + more }).collect()
    }

    fn plain(spans: &[(u64, u64)]) -> BTreeSet<u64> {
        spans.iter().flat_map(|(first, more)| *first..=first + more).collect()
    }

    proptest! {
        #[test]
        fn a_range_set_holds_what_a_plain_set_of_numbers_holds(a in spans(), b in spans(), from in 0_u64..40, more in 0_u64..40) {
            let (set, other) = (set_of(&a), set_of(&b));
            prop_assert_eq!(numbers(&set), plain(&a));
            prop_assert_eq!(set.count(), plain(&a).len() as u64);
            prop_assert_eq!(set.contains(from), plain(&a).contains(&from));
            prop_assert_eq!(set.last(), plain(&a).last().copied());
            let within = Range { first: from, last: from + more };
            let wanted: BTreeSet<u64> = (from..=from + more).filter(|n| !plain(&a).contains(n)).collect();
            prop_assert_eq!(numbers(&set.gaps(within)), wanted);
            let left: BTreeSet<u64> = plain(&a).difference(&plain(&b)).copied().collect();
            prop_assert_eq!(numbers(&set.without(&other)), left);
            let runs: Vec<Range> = set.runs().collect();
            prop_assert!(runs.windows(2).all(|pair| pair[0].last + 1 < pair[1].first), "runs that touch are one run");
        }
    }

    #[test]
    fn the_ends_of_the_number_line_do_not_overflow() {
        let mut set = RangeSet::default();
        set.insert_one(u64::MAX);
        set.insert(Range { first: 0, last: 3 });
        assert_eq!(set.gaps(Range { first: 0, last: u64::MAX }).count(), u64::MAX - 4);
        set.insert(Range { first: 0, last: u64::MAX });
        assert_eq!(set.count(), u64::MAX);
        assert!(set.gaps(Range { first: 0, last: u64::MAX }).is_empty());
    }
}
