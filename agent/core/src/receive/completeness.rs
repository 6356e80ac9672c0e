//! Holds the numbers that a receiver has against the numbers that the trailer says it has given out.

use crate::queue::ranges::RangeSet;

/// First and last number of a run, both included, `first <= last`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Range {
    /// First number.
    pub first: u64,
    /// Last number, included.
    pub last: u64,
}

impl Range {
    /// A run of sequences; `None` if `last` is before `first`, or a number is none that a sequence may have: they begin
    /// at 1 and end where the receiver's database does, at `i64::MAX`.
    #[must_use]
    pub fn new(first: u64, last: u64) -> Option<Self> {
        (1 <= first && first <= last && i64::try_from(last).is_ok()).then_some(Self { first, last })
    }
}

/// What a receiver knows of one generation of one trailer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// The highest number that the trailer has spoken of; numbers begin at 1. 0: none.
    pub accepted_up_to: u64,
    /// Numbers of the events that are stored here, none of them 0.
    pub have: RangeSet,
    /// What ledger events explain: a word (`expired`, `evicted`, `refused`) and a run of numbers.
    pub explained: Vec<(String, Range)>,
}

/// The account of one generation. `up_to = have + explained + missing`, always.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Completeness {
    /// The highest number that must be accounted for: the one spoken of, or a higher one that is here.
    pub up_to: u64,
    /// Numbers of the events that are here.
    pub have: RangeSet,
    /// Numbers that are not here and that a ledger event explains.
    pub explained: RangeSet,
    /// The same by word, in the order of the words.
    pub explained_by: Vec<(String, RangeSet)>,
    /// Numbers that are neither here nor explained: still waiting at the trailer, or lost.
    pub missing: RangeSet,
}

impl Completeness {
    /// Whether every number is here or explained.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.missing.is_empty()
    }
}

/// Makes the account. A number that is here needs no explanation: an event whose receipt was lost may well be both
/// stored and, in the trailer's ledger, expired.
#[must_use]
pub fn completeness(known: &Known) -> Completeness {
    let up_to = known.accepted_up_to.max(known.have.last().unwrap_or(0));
    if up_to == 0 {
        return Completeness::default();
    }
    let mut words: Vec<&str> = known.explained.iter().map(|(word, _)| word.as_str()).collect();
    words.sort_unstable();
    words.dedup();
    // A number that two words claim counts under the first, so that the sum closes.
    let mut open = known.have.gaps(1, up_to);
    let mut explained = RangeSet::default();
    let mut explained_by = Vec::new();
    for word in words {
        let mut said = RangeSet::default();
        for (_, run) in known.explained.iter().filter(|(w, _)| w == word) {
            said.insert_run(run.first, run.last);
        }
        let left = open.without(&said);
        let taken = open.without(&left);
        for (first, last) in taken.runs() {
            explained.insert_run(first, last);
        }
        if !taken.is_empty() {
            explained_by.push((word.to_owned(), taken));
        }
        open = left;
    }
    Completeness { up_to, have: known.have.clone(), explained, explained_by, missing: open }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn set(runs: &[(u64, u64)]) -> RangeSet {
        let mut set = RangeSet::default();
        for (first, last) in runs {
            set.insert_run(*first, *last);
        }
        set
    }

    #[test]
    fn what_is_neither_here_nor_explained_is_missing() {
        let known = Known {
            accepted_up_to: 20,
            have: set(&[(1, 10), (15, 16)]),
            explained: vec![("expired".to_owned(), Range { first: 9, last: 12 })],
        };
        let account = completeness(&known);
        assert_eq!(account.explained, set(&[(11, 12)]), "what is here needs no explanation");
        assert_eq!(account.missing, set(&[(13, 14), (17, 20)]));
        assert!(!account.is_complete());
    }

    #[test]
    fn an_explanation_beyond_the_numbers_spoken_of_explains_nothing() {
        let known = Known {
            accepted_up_to: 2,
            have: set(&[(1, 1)]),
            explained: vec![("evicted".to_owned(), Range { first: 5, last: 9 })],
        };
        let account = completeness(&known);
        assert_eq!((account.up_to, account.explained.len(), account.missing), (2, 0, set(&[(2, 2)])));
    }

    #[test]
    fn a_trailer_that_has_sent_nothing_yet_is_complete() {
        assert!(completeness(&Known::default()).is_complete());
    }

    proptest! {
        #[test]
        fn the_sum_always_closes(
            up_to in 0_u64..80,
            have in proptest::collection::vec((1_u64..80, 0_u64..6), 0..12),
            said in proptest::collection::vec((1_u64..80, 0_u64..6, 0_usize..3), 0..12),
        ) {
            let words = ["expired", "evicted", "refused"];
            let known = Known {
                accepted_up_to: up_to,
                have: set(&have.iter().map(|(first, more)| (*first, first + more)).collect::<Vec<_>>()),
                explained: said
                    .iter()
                    .map(|(first, more, word)| (words[*word].to_owned(), Range { first: *first, last: first + more }))
                    .collect(),
            };
            let account = completeness(&known);
            prop_assert_eq!(account.up_to, account.have.len() + account.explained.len() + account.missing.len());
            let by_word: u64 = account.explained_by.iter().map(|(_, runs)| runs.len()).sum();
            prop_assert_eq!(by_word, account.explained.len());
            for number in 1..=account.up_to {
                let here = known.have.contains(number);
                let told = known.explained.iter().any(|(_, run)| run.first <= number && number <= run.last);
                prop_assert_eq!(account.missing.contains(number), !here && !told);
            }
        }
    }
}
