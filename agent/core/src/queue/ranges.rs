//! A set of sequences, kept as runs: what is settled, on its way or gone lies in few long runs, so millions of members
//! cost a few bytes each run.

use std::collections::BTreeMap;

/// Set of sequences (1 and up), kept as runs that never touch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RangeSet {
    runs: BTreeMap<u64, u64>,
    members: u64,
}

impl RangeSet {
    /// How many members.
    #[must_use]
    pub fn len(&self) -> u64 {
        self.members
    }

    /// Whether it has no member.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.members == 0
    }

    /// All runs, first to last, both ends included.
    pub fn runs(&self) -> impl Iterator<Item = (u64, u64)> + '_ {
        self.runs.iter().map(|(first, last)| (*first, *last))
    }

    /// The run that holds `sequence`.
    #[must_use]
    pub fn run_of(&self, sequence: u64) -> Option<(u64, u64)> {
        let (first, last) = self.runs.range(..=sequence).next_back()?;
        (sequence <= *last).then_some((*first, *last))
    }

    /// Whether `sequence` is a member.
    #[must_use]
    pub fn contains(&self, sequence: u64) -> bool {
        self.run_of(sequence).is_some()
    }

    /// Puts one member in. False if it was there.
    pub fn insert(&mut self, sequence: u64) -> bool {
        self.insert_run(sequence, sequence) == 1
    }

    /// Puts all of `first..=last` in; answers how many were new. An empty run (`last < first`) changes nothing.
    pub fn insert_run(&mut self, first: u64, last: u64) -> u64 {
        if last < first {
            return 0;
        }
        let (mut from, mut to, mut swallowed) = (first, last, 0);
        // Every run that overlaps or touches becomes part of the new one; the last of them is found first.
        while let Some((f, l)) = self.runs.range(..=to.saturating_add(1)).next_back().map(|(f, l)| (*f, *l)) {
            if l.saturating_add(1) < from {
                break;
            }
            self.runs.remove(&f);
            swallowed += l - f + 1;
            (from, to) = (from.min(f), to.max(l));
        }
        self.runs.insert(from, to);
        let new = (to - from + 1) - swallowed;
        self.members += new;
        new
    }

    /// Takes one member out. False if it was not there.
    pub fn remove(&mut self, sequence: u64) -> bool {
        let Some((first, last)) = self.run_of(sequence) else {
            return false;
        };
        self.runs.remove(&first);
        if first < sequence {
            self.runs.insert(first, sequence - 1);
        }
        if sequence < last {
            self.runs.insert(sequence + 1, last);
        }
        self.members -= 1;
        true
    }

    /// The smallest number not below `at` that is no member.
    #[must_use]
    pub fn gap_from(&self, at: u64) -> u64 {
        self.run_of(at).map_or(at, |(_, last)| last.saturating_add(1))
    }

    /// The highest member.
    #[must_use]
    pub fn last(&self) -> Option<u64> {
        self.runs.last_key_value().map(|(_, last)| *last)
    }

    /// What of `first..=last` is no member. Looks only at the runs that lie there.
    #[must_use]
    pub fn gaps(&self, first: u64, last: u64) -> Self {
        let mut gaps = Self::default();
        let mut next = self.gap_from(first);
        for (f, l) in self.runs.range(next..).map(|(f, l)| (*f, *l)) {
            if last < f {
                break;
            }
            // A run after `next` never begins at it: `next` is in a gap.
            gaps.insert_run(next, f - 1);
            next = l.saturating_add(1);
        }
        if !self.contains(next) {
            gaps.insert_run(next, last);
        }
        gaps
    }

    /// The members that `other` has not.
    #[must_use]
    pub fn without(&self, other: &Self) -> Self {
        let mut left = Self::default();
        for (first, last) in self.runs() {
            for (f, l) in other.gaps(first, last).runs() {
                left.insert_run(f, l);
            }
        }
        left
    }
}

impl FromIterator<u64> for RangeSet {
    fn from_iter<I: IntoIterator<Item = u64>>(members: I) -> Self {
        let mut set = Self::default();
        for sequence in members {
            set.insert(sequence);
        }
        set
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn runs_that_touch_become_one() {
        let mut set = RangeSet::default();
        assert_eq!(set.insert_run(1, 3), 3);
        assert_eq!(set.insert_run(7, 9), 3);
        assert_eq!(set.insert_run(3, 8), 3);
        assert_eq!(set.runs().collect::<Vec<_>>(), [(1, 9)]);
        assert!(set.remove(5));
        assert_eq!(set.runs().collect::<Vec<_>>(), [(1, 4), (6, 9)]);
        assert_eq!((set.gap_from(1), set.gap_from(5), set.gap_from(6), set.len()), (5, 5, 10, 8));
    }

    proptest! {
        #[test]
        fn gaps_and_differences_are_those_of_plain_sets(
            a in prop::collection::vec((1_u64..60, 0_u64..8), 0..20),
            b in prop::collection::vec((1_u64..60, 0_u64..8), 0..20),
            from in 1_u64..40,
            more in 0_u64..40,
        ) {
            let set = |spans: &[(u64, u64)]| {
                let mut set = RangeSet::default();
                for (first, more) in spans {
                    set.insert_run(*first, first + more);
                }
                set
            };
            let plain = |set: &RangeSet| set.runs().flat_map(|(f, l)| f..=l).collect::<BTreeSet<u64>>();
            let (a, b) = (set(&a), set(&b));
            let (in_a, in_b) = (plain(&a), plain(&b));
            prop_assert_eq!(a.last(), in_a.last().copied());
            let wanted: BTreeSet<u64> = (from..=from + more).filter(|n| !in_a.contains(n)).collect();
            prop_assert_eq!(plain(&a.gaps(from, from + more)), wanted);
            let left = a.without(&b);
            prop_assert_eq!(plain(&left), in_a.difference(&in_b).copied().collect::<BTreeSet<u64>>());
            prop_assert_eq!(left.len(), plain(&left).len() as u64);
        }
    }

    proptest! {
        #[test]
        fn it_says_the_same_as_a_plain_set(steps in prop::collection::vec((0_u8..3, 1_u64..60, 0_u64..12), 1..80)) {
            let (mut set, mut plain) = (RangeSet::default(), BTreeSet::new());
            for (what, at, more) in steps {
                match what {
                    0 => {
                        let new = (at..=at + more).filter(|n| plain.insert(*n)).count() as u64;
                        prop_assert_eq!(set.insert_run(at, at + more), new);
                    }
                    1 => prop_assert_eq!(set.remove(at), plain.remove(&at)),
                    _ => {
                        let gap = (at..=200).find(|n| !plain.contains(n));
                        prop_assert_eq!(Some(set.gap_from(at)), gap);
                    }
                }
                prop_assert_eq!(set.len(), plain.len() as u64);
                let members: Vec<u64> = set.runs().flat_map(|(f, l)| f..=l).collect();
                prop_assert_eq!(members, plain.iter().copied().collect::<Vec<_>>());
                let touching = set.runs().zip(set.runs().skip(1)).any(|((_, l), (f, _))| f <= l + 1);
                prop_assert!(!touching);
            }
        }
    }
}
