//! Since when something has been so, and what changed lately.

use super::{Life, Need, Observations, Word};
use crate::ids::printable;
use crate::moment::{Moment, Mono, Utc};
use std::collections::{BTreeMap, VecDeque};

/// A longer notice is cut, characters: as much as a change keeps when it is read back.
const NOTICE_CHARS_MAX: usize = 499;

/// Something that became so, or stopped being so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// When it was seen.
    pub at: Utc,
    /// Rule or subject, for machines.
    pub code: String,
    /// Whether somebody is needed now because of it.
    pub urgent: bool,
    /// One sentence.
    pub text: String,
}

/// What carries over from one snapshot to the next.
#[derive(Clone, Debug, Default)]
pub struct Memory {
    holding: BTreeMap<&'static str, (Mono, Utc)>,
    open: BTreeMap<&'static str, String>,
    last: Option<Last>,
    changes: VecDeque<Change>,
    /// Number of the last notice about the place that was written down.
    noticed: u64,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Last {
    word: Word,
    life: Life,
    place: String,
    link: &'static str,
}

impl Memory {
    /// How many changes are kept (our own limit: a bad day's worth, under 40 kB in all files).
    pub const CHANGES_KEPT: usize = 200;

    /// Takes up the changes that an earlier process left, oldest first.
    pub fn resume(&mut self, changes: impl IntoIterator<Item = Change>) {
        changes.into_iter().for_each(|change| self.push(change));
    }

    /// Tells whether `condition` holds now; answers for how long it has without a break, ms, and since when.
    pub(super) fn holds(&mut self, condition: &'static str, now: &Moment, holds: bool) -> Option<(u64, Utc)> {
        if !holds {
            self.holding.remove(condition);
            return None;
        }
        let (mono, utc) = *self.holding.entry(condition).or_insert((now.mono, now.utc));
        Some((now.mono.since_ms(mono), utc))
    }

    /// Compares with the last snapshot and writes down what changed.
    pub(super) fn note(&mut self, seen: &Observations<'_>, word: Word, needs: &[Need]) {
        let at = seen.now.utc;
        let next = Last {
            word,
            life: seen.life,
            place: super::sections::place_in_short(seen),
            link: super::sections::link_in_short(seen.link),
        };
        self.hear_notices(seen);
        let mut told = Vec::new();
        let mut tell = |code: &str, urgent: bool, text: String| {
            told.push(Change { at, code: code.to_owned(), urgent, text });
        };
        let last = self.last.replace(next.clone());
        if last.as_ref().is_none_or(|last| last.life != next.life) {
            tell("agent", false, format!("Agent {}", next.life.word()));
        }
        if last.as_ref().is_some_and(|last| last.place != next.place) {
            tell("place", false, next.place.clone());
        }
        if last.as_ref().is_some_and(|last| last.link != next.link) {
            tell("link", false, format!("Link {}", next.link));
        }
        for need in needs {
            if !self.open.contains_key(need.code) {
                tell(need.code, need.urgency == Word::Act, format!("Needed: {}", need.what));
            }
        }
        for (code, what) in &self.open {
            if needs.iter().all(|need| need.code != *code) {
                tell(code, false, format!("No longer needed: {what}"));
            }
        }
        if last.is_some_and(|last| last.word != word) {
            tell("word", word == Word::Act, format!("The word is {} now", word.word()));
        }
        self.open = needs.iter().map(|need| (need.code, need.what.clone())).collect();
        self.resume(told);
    }

    /// Writes down what was told of the trailer's place since the last look. An earlier composer of this process may
    /// have written some of it already.
    fn hear_notices(&mut self, seen: &Observations<'_>) {
        for notice in seen.position.notices.after(self.noticed) {
            let change = Change {
                at: notice.at,
                code: notice.kind.clone(),
                urgent: notice.urgent,
                text: printable(&notice.text, NOTICE_CHARS_MAX),
            };
            self.noticed = notice.number;
            if !self.changes.contains(&change) {
                self.push(change);
            }
        }
    }

    /// What changed lately, oldest first.
    pub(super) fn changes(&self) -> Vec<Change> {
        self.changes.iter().cloned().collect()
    }

    fn push(&mut self, change: Change) {
        if self.changes.len() == Self::CHANGES_KEPT {
            self.changes.pop_front();
        }
        self.changes.push_back(change);
    }
}
