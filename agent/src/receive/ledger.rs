//! What a ledger event says of numbers that will not come.

use super::check::{is_uuid, what_is_wrong};
use pintle_core::receive::completeness::Range;
use pintle_core::wire::ledger::{LedgerWhat, VERSION};
use serde::Deserialize;

/// Most runs in one ledger event (our own limit).
const RUNS_MAX: usize = 10_000;

/// What an entry means for the account of one generation.
pub struct Entry {
    /// Generation that it is about.
    pub generation: String,
    /// Why these numbers will not come, for example `expired`; `None` if the entry explains no numbers.
    pub word: Option<&'static str>,
    /// Why pictures of these numbers will not come; the numbers themselves are not explained by it.
    pub pictures: Option<&'static str>,
    /// The numbers.
    pub runs: Vec<Range>,
    /// Numbers whose events could not be read any more on the trailer.
    pub unreadable: Vec<Range>,
    /// Set if the generation has ended: the highest number that it is known to have given, if that is known. Each entry
    /// that says how far a queue got is about one that has ended.
    pub closed: Option<Option<u64>>,
}

impl Entry {
    /// Whether an entry under this number may speak of its numbers: of its own queue only what was given out before,
    /// of another one only by closing it, and no farther than that queue got. Otherwise one entry could explain
    /// everything that will ever be lost.
    pub(super) fn check_reach(&self, generation: &str, sequence: u64) -> Result<(), &'static str> {
        let Some(last) = self.runs.iter().chain(&self.unreadable).map(|run| run.last).max() else { return Ok(()) };
        if self.generation == generation {
            return if last < sequence { Ok(()) } else { Err("data.ranges names numbers of later events than itself") };
        }
        match self.closed {
            Some(up_to) if up_to.is_none_or(|up_to| last <= up_to) => Ok(()),
            Some(_) => Err("data.ranges goes beyond data.accepted_up_to"),
            None => Err("data.ranges names numbers of another queue, which only a closing entry may"),
        }
    }
}

/// The fields of `pintle.ledger.v1` that the account needs; the others are kept with the event.
#[derive(Deserialize)]
struct Seen {
    v: u32,
    what: LedgerWhat,
    generation: String,
    #[serde(default)]
    ranges: Vec<Run>,
    #[serde(default)]
    unreadable: Vec<Run>,
    accepted_up_to: Option<u64>,
}

/// Both ends included.
#[derive(Deserialize)]
struct Run {
    from: u64,
    to: u64,
}

/// Reads `data` of a ledger event.
pub(super) fn entry(data: &str) -> Result<Entry, String> {
    let seen: Seen = serde_json::from_str(data).map_err(|error| what_is_wrong("data of a ledger event", &error))?;
    if !is_uuid(&seen.generation) {
        return Err("data.generation must be a UUID in lower case".to_owned());
    }
    if seen.v != VERSION {
        return Err(format!("data.v is a version that this receiver does not know; it knows {VERSION}"));
    }
    if RUNS_MAX < seen.ranges.len().max(seen.unreadable.len()) {
        return Err(format!("data.ranges has more than {RUNS_MAX} runs"));
    }
    let fits = |number: u64| i64::try_from(number).is_ok();
    if !seen.accepted_up_to.is_none_or(fits) {
        return Err("data.accepted_up_to is too large".to_owned());
    }
    let runs = |runs: &[Run]| runs.iter().map(|run| Range::new(run.from, run.to)).collect::<Option<Vec<Range>>>();
    Ok(Entry {
        generation: seen.generation,
        word: match seen.what {
            LedgerWhat::Expired => Some("expired"),
            LedgerWhat::Evicted => Some("evicted"),
            LedgerWhat::Refused => Some("refused"),
            LedgerWhat::Dropped => Some("dropped"),
            LedgerWhat::Purged => Some("purged"),
            // Numbers that a closing entry names were given anew: their events come under numbers of the next queue.
            LedgerWhat::Closed => Some("renumbered"),
            // Their events come under the numbers of the queue that gave them out.
            LedgerWhat::Carried => Some("carried"),
            LedgerWhat::Opened
            | LedgerWhat::PicturesExpired
            | LedgerWhat::PicturesEvicted
            | LedgerWhat::PicturesRefused
            | LedgerWhat::PicturesNotCarried
            | LedgerWhat::PicturesLost => None,
        },
        pictures: match seen.what {
            LedgerWhat::PicturesExpired => Some("expired"),
            LedgerWhat::PicturesEvicted => Some("evicted"),
            LedgerWhat::PicturesRefused => Some("refused"),
            LedgerWhat::PicturesNotCarried => Some("not carried"),
            LedgerWhat::PicturesLost => Some("lost"),
            _ => None,
        },
        runs: runs(&seen.ranges).ok_or("data.ranges: each run needs 1 <= from <= to")?,
        unreadable: runs(&seen.unreadable).ok_or("data.unreadable: each run needs 1 <= from <= to")?,
        closed: match seen.what {
            LedgerWhat::Closed => Some(seen.accepted_up_to),
            _ => seen.accepted_up_to.map(Some),
        },
    })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const GENERATION: &str = "0190a000-0000-7000-8000-000000000001";

    fn told(rest: &str) -> Result<Entry, String> {
        entry(&format!(r#"{{"v":1,"generation":"{GENERATION}","count":3,"reason":"r",{rest}}}"#))
    }

    #[test]
    fn expired_numbers_are_explained_and_a_closed_queue_says_how_far_it_got() {
        let expired = told(r#""what":"expired","ranges":[{"from":2,"to":4}]"#).unwrap();
        assert_eq!(
            (expired.word, expired.runs, expired.closed),
            (Some("expired"), vec![Range { first: 2, last: 4 }], None)
        );
        let closed = told(r#""what":"closed","accepted_up_to":900"#).unwrap();
        assert_eq!((closed.runs.len(), closed.closed), (0, Some(Some(900))));
        assert_eq!(told(r#""what":"opened""#).unwrap().word, None);
        let pictures = told(r#""what":"pictures_not_carried","ranges":[{"from":2,"to":4}]"#).unwrap();
        assert_eq!((pictures.word, pictures.pictures), (None, Some("not carried")), "no number is explained by it");
    }

    #[test]
    fn an_entry_that_makes_no_sense_is_refused() {
        for (rest, wanted) in [
            (r#""what":"expired","ranges":[{"from":4,"to":2}]"#, "each run needs 1 <= from <= to"),
            (r#""what":"expired","ranges":[{"from":0,"to":2}]"#, "each run needs 1 <= from <= to"),
            (r#""what":"expired","ranges":[{"from":1,"to":18446744073709551615}]"#, "each run needs 1 <= from <= to"),
            (r#""what":"closed","accepted_up_to":18446744073709551615"#, "too large"),
            (r#""what":"forgotten""#, "another type"),
            (r#""ranges":[]"#, "missing field `what`"),
        ] {
            let problem = told(rest).err().unwrap();
            assert!(problem.contains(wanted), "{rest}: {problem}");
        }
    }
}
