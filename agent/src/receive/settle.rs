//! What is raised at the receiver, and `pintle receive settle`: a person has looked at it and says so. What is settled
//! stays in the record and in the audit; what comes after it is raised anew. Written into the database beside a running
//! receiver.

use super::account::Account;
use super::schema::{DatabaseError, FILE_NAME, open_writer};
use crate::audit::{AuditError, Entry, Log, Who};
use crate::clock;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::wire::control::BY_CHARS_MAX;
use rusqlite::{Connection, Result as SqlResult, Row, TransactionBehavior, params};
use serde::Serialize;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Longest reason, characters (our own limit: a few lines).
const WHY_CHARS_MAX: usize = 400;

/// What can be raised.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum What {
    /// A token or certificate was used in the name of another trailer.
    Misuse,
    /// Known ids came with another content.
    Conflicts,
    /// Blocks differ from the trailer's though they were sent again.
    Differs,
    /// Numbers were given to more than one event.
    Doubled,
    /// Events were lost here after their receipt.
    Purged,
    /// Events were lost with damaged parts of the trailer's queue.
    Unreadable,
}

impl What {
    /// As it stands in the database and the audit.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Misuse => "misuse",
            Self::Conflicts => "conflicts",
            Self::Differs => "differs",
            Self::Doubled => "doubled",
            Self::Purged => "purged",
            Self::Unreadable => "unreadable",
        }
    }
}

/// One thing that is raised.
#[derive(Clone, Debug, Serialize)]
pub struct Raising {
    /// What.
    pub what: What,
    /// Of which trailer; for misuse, whose token or certificate.
    #[serde(skip)]
    pub source: String,
    /// Of which queue; for misuse, in whose name.
    #[serde(skip)]
    pub about: String,
    /// How often, or how many numbers, but for what is settled.
    pub times: u64,
    /// Which numbers, but for those that are settled; empty if it is not about numbers.
    #[serde(skip)]
    pub numbers: RangeSet,
    /// How often in all, and all its numbers.
    #[serde(skip)]
    all: (u64, RangeSet),
}

/// What a person has settled.
#[derive(Clone, Debug, Serialize)]
pub struct Settled {
    /// `misuse`, `conflicts`, `differs`, `doubled`, `purged` or `unreadable`.
    pub what: String,
    /// Of which trailer; for misuse, whose token or certificate.
    pub source: String,
    /// Of which queue; for misuse, in whose name.
    pub about: String,
    /// How often in all until then, or how many numbers.
    pub times: u64,
    /// The numbers, as runs.
    #[serde(skip)]
    pub numbers: String,
    /// When, RFC 3339.
    pub at: String,
    /// Who said so.
    pub by: String,
    /// And why.
    pub why: String,
}

/// All that was ever settled, oldest first.
///
/// # Errors
/// What the database says.
pub(super) fn settled(connection: &Connection) -> SqlResult<Vec<Settled>> {
    let mut rows = connection
        .prepare_cached("SELECT what, source, about, times, numbers, at, by_whom, why FROM settled ORDER BY no")?;
    let row = |row: &Row<'_>| {
        Ok(Settled {
            what: row.get(0)?,
            source: row.get(1)?,
            about: row.get(2)?,
            times: u64::try_from(row.get::<_, i64>(3)?).unwrap_or(0),
            numbers: row.get(4)?,
            at: Utc(row.get(5)?).to_rfc3339(),
            by: row.get(6)?,
            why: row.get(7)?,
        })
    };
    rows.query_map([], row)?.collect()
}

/// What is left of a raised thing after what was settled of it; `None` if nothing is.
pub(super) fn left(
    settled: &[Settled],
    (what, source, about): (What, &str, &str),
    times: u64,
    numbers: &RangeSet,
) -> Option<Raising> {
    let of_this = || settled.iter().filter(|one| one.what == what.word() && one.source == source && one.about == about);
    let (left_times, left_numbers) = if numbers.is_empty() {
        (times.saturating_sub(of_this().map(|one| one.times).max().unwrap_or(0)), RangeSet::default())
    } else {
        let mut done = RangeSet::default();
        for (first, last) in of_this().flat_map(|one| runs_of(&one.numbers)) {
            done.insert_run(first, last);
        }
        let left = numbers.without(&done);
        (left.len(), left)
    };
    (0 < left_times).then(|| Raising {
        what,
        source: source.to_owned(),
        about: about.to_owned(),
        times: left_times,
        numbers: left_numbers,
        all: (times, numbers.clone()),
    })
}

fn runs_of(text: &str) -> Vec<(u64, u64)> {
    let number = |text: &str| text.parse().ok();
    text.split(',').filter_map(|run| run.split_once('-')).filter_map(|(a, b)| number(a).zip(number(b))).collect()
}

fn text_of(numbers: &RangeSet) -> String {
    numbers.runs().map(|(first, last)| format!("{first}-{last}")).collect::<Vec<_>>().join(",")
}

/// What is wanted.
#[derive(Clone, Debug, clap::Args)]
pub struct SettleArgs {
    /// What was looked at; `pintle receive --report` names what is raised.
    #[arg(required = true, value_enum)]
    what: Vec<What>,
    /// Only of this trailer (`trailer.id`): its queues, its token or certificate, and misuse of its name.
    #[arg(long, value_name = "NAME")]
    trailer: Option<String>,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    by: String,
    /// Why nothing more is to be done: what was found, without a plate; the audit and the report tell it.
    #[arg(long, value_name = "TEXT")]
    why: String,
    /// Folder of the receiver's database.
    #[arg(long, value_name = "FOLDER")]
    data: PathBuf,
}

/// Why nothing was settled.
#[derive(Debug, thiserror::Error)]
pub enum SettleError {
    /// What is asked makes no sense.
    #[error("{0}")]
    Asked(String),
    /// Nothing like that is raised.
    #[error("nothing like that is raised")]
    Nothing,
    /// The audit: what can't be written down is not done.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The database.
    #[error(transparent)]
    Database(#[from] DatabaseError),
    /// The output.
    #[error("what was settled can't be shown: {0}")]
    Output(#[from] io::Error),
}

impl SettleError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Asked(_) => "nothing was changed; call it again with what is asked for",
            Self::Nothing => "`pintle receive --report` shows what is raised",
            Self::Audit(error) => error.advice(),
            Self::Database(error) => error.advice(),
            Self::Output(_) => "look at where the output goes",
        }
    }
}

/// Settles what is raised and fits, and shows it.
///
/// # Errors
/// [`SettleError`]: nothing was settled, unless only the output failed.
pub fn settle(args: &SettleArgs, out: &mut dyn Write) -> Result<(), SettleError> {
    let text = |name: &str, text: &str, max: usize| {
        let trimmed = text.trim();
        if trimmed.is_empty() || max < trimmed.chars().count() || printable(trimmed, max) != trimmed {
            return Err(SettleError::Asked(format!("{name} needs a plain text of 1 to {max} characters")));
        }
        Ok(trimmed.to_owned())
    };
    let (by, why) = (text("--by", &args.by, BY_CHARS_MAX)?, text("--why", &args.why, WHY_CHARS_MAX)?);
    let source = args.trailer.as_ref().map(|name| format!("urn:pintle:trailer:{name}"));
    if source.as_deref().is_some_and(|source| !super::check::is_source(source)) {
        return Err(SettleError::Asked("--trailer must be 1 to 40 of a-z, 0-9 and -".to_owned()));
    }
    let now = clock::utc();
    let fits = |raising: &Raising| {
        let named = |source: &String| raising.source == *source || raising.about == *source;
        args.what.contains(&raising.what) && source.as_ref().is_none_or(named)
    };
    let raised: Vec<Raising> = Account::read(&args.data, now)?.raising().filter(fits).collect();
    if raised.is_empty() {
        return Err(SettleError::Nothing);
    }
    keep(&args.data, &raised, (&by, &why), now)?;
    for raising in &raised {
        let (what, source, about) =
            (raising.what.word(), printable(&raising.source, 100), printable(&raising.about, 100));
        writeln!(out, "Settled: {what}, {source}, {about}: {} until now.", raising.all.0)?;
    }
    Ok(out.flush()?)
}

fn keep(folder: &Path, raised: &[Raising], (by, why): (&str, &str), now: Utc) -> Result<(), SettleError> {
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error);
    let mut connection = open_writer(folder)?;
    let open = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(told)?;
    let log = Log::at(folder.join("audit"));
    let entry = |raising: &Raising, outcome: &str| {
        Entry::new(Who::caller(Some(by)), "settle", outcome)
            .with("what", raising.what.word())
            .with("source", &raising.source)
            .with("about", &raising.about)
            .with("times", raising.all.0)
            .with("why", why)
    };
    for raising in raised {
        let times = i64::try_from(raising.all.0).unwrap_or(i64::MAX);
        let (what, numbers) = (raising.what.word(), text_of(&raising.all.1));
        open.execute(
            "INSERT INTO settled (what, source, about, times, numbers, at, by_whom, why)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![what, raising.source, raising.about, times, numbers, now.0, by, why],
        )
        .map_err(told)?;
        log.append(entry(raising, "begun"))?;
    }
    let done = open.commit().map_err(told);
    for raising in raised {
        log.append(entry(raising, if done.is_ok() { "done" } else { "failed" }))?;
    }
    Ok(done?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settled(what: What, times: u64, numbers: &str) -> Settled {
        let text = |text: &str| text.to_owned();
        let (at, by, why) = (text(""), text(""), text(""));
        Settled {
            what: text(what.word()),
            source: text("a"),
            about: text("g"),
            times,
            numbers: text(numbers),
            at,
            by,
            why,
        }
    }

    #[test]
    fn what_comes_after_what_was_settled_is_raised_anew() {
        let key = (What::Conflicts, "a", "g");
        let none = RangeSet::default();
        let times = |settled: &[Settled], times| left(settled, key, times, &none).map(|left| left.times);
        assert_eq!(times(&[], 2), Some(2));
        let done = [settled(What::Conflicts, 2, "")];
        assert_eq!((times(&done, 2), times(&done, 5)), (None, Some(3)));
        assert_eq!(left(&done, (What::Conflicts, "b", "g"), 2, &none).map(|left| left.times), Some(2), "another's");
    }

    #[test]
    fn of_numbers_each_is_settled_for_itself() {
        let mut numbers = RangeSet::default();
        numbers.insert_run(1, 1000);
        let done = [settled(What::Differs, 1000, &text_of(&numbers))];
        let key = (What::Differs, "a", "g");
        assert!(left(&done, key, 1000, &numbers).is_none());
        let mut others = RangeSet::default();
        others.insert_run(1001, 2000);
        assert_eq!(left(&done, key, 1000, &others).map(|left| left.times), Some(1000), "as many, and other ones");
    }
}
