//! What the database proves: per trailer and generation what is here, what is explained and what is missing.
//!
//! The numbers are counted from the rows of the events themselves each time; there is no running total that could
//! get out of step with them.

use super::schema::{DatabaseError, FILE_NAME, open_reader};
use super::settle::{Raising, Settled, What, left, settled};
use pintle_core::moment::Utc;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::receive::completeness::{Known, Range, completeness};
use rusqlite::{Connection, Result};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// Format version of the account in JSON.
pub const FORMAT: u32 = 1;

/// The ledger's word for events that were lost here after their receipt, and had gone on the trailer when they were
/// asked for again.
pub const PURGED: &str = "purged";

/// The word for events that a damaged queue file could not give back.
pub const UNREADABLE: &str = "unreadable";

/// Longest list of runs in an account (our own limit); the counts are exact all the same.
pub const RUNS_LISTED_MAX: usize = 1_000;

/// The whole account: `GET /v1/completeness` and `receive --report --json`.
#[derive(Clone, Debug, Serialize)]
pub struct Account {
    /// [`FORMAT`].
    pub format: u32,
    /// When it was made, RFC 3339.
    pub written: String,
    /// True if nothing is missing and nothing is raised in any generation.
    pub complete: bool,
    /// One for each generation of each trailer, by trailer, oldest first.
    pub generations: Vec<GenerationAccount>,
    /// Requests in the name of another trailer than the token or certificate belongs to.
    pub misuse: Vec<Misuse>,
    /// What a person has settled of all that was raised.
    pub settled: Vec<Settled>,
}

/// Somebody spoke in the name of another trailer; nothing of it was stored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Misuse {
    /// Whose token or certificate it was.
    pub owner: String,
    /// In whose name it was used.
    pub source: String,
    /// How often.
    pub times: u64,
    /// How often since a person has settled it.
    pub unsettled: u64,
    /// When first, RFC 3339.
    pub first: String,
    /// When last, RFC 3339.
    pub last: String,
}

/// The account of one generation. `up_to = here + explained + missing`, always.
#[derive(Clone, Debug, Serialize)]
pub struct GenerationAccount {
    /// Which trailer.
    pub source: String,
    /// Which queue of it.
    pub generation: String,
    /// First and last word from it, RFC 3339 by this host's clock.
    pub first_heard: String,
    /// Last word from it.
    pub last_heard: String,
    /// True if the trailer's ledger says that this queue has ended.
    pub closed: bool,
    /// The highest number that the trailer has spoken of.
    pub accepted_up_to: u64,
    /// The highest number that must be accounted for: the same, or a higher one that is here.
    pub up_to: u64,
    /// Numbers whose events are stored here, or were and went at their age limit.
    pub here: Numbers,
    /// Of those, the ones that went.
    pub let_go: Numbers,
    /// Numbers that the trailer's ledger explains and that are not here.
    pub explained: Numbers,
    /// The same by word.
    pub explained_by: Vec<Explained>,
    /// Numbers that are neither: still waiting on the trailer, or lost.
    pub missing: Numbers,
    /// Blocks that trailer and receiver have compared.
    pub blocks: Blocks,
    /// Files of pictures that its reads announce.
    pub images: Images,
    /// Numbers under which two or more different events came.
    pub doubled: Numbers,
    /// Copies of urgent events whose first receiver failed or was late. They are in no other figure but `duplicates`:
    /// whether everything arrived is judged at the first receiver.
    #[serde(skip_serializing_if = "none")]
    pub relayed: u64,
    /// Events that came again and were answered "duplicate".
    pub duplicates: u64,
    /// Events that were refused.
    pub refused: u64,
    /// Events that came with another content under a known id, and stamps with another content of a known revision.
    pub conflicts: u64,
    /// What a person must look at, but for what is settled.
    pub raised: Vec<Raising>,
}

/// Blocks of events by what comparing them found; see `docs/RECEIVER.md`.
#[derive(Clone, Debug, Serialize)]
pub struct Blocks {
    /// The same here as on the trailer, byte for byte.
    pub equal: u64,
    /// Found different, and asked for again.
    pub asked: u64,
    /// Different still after they were asked for again: their numbers.
    pub differ: Numbers,
}

/// Files of pictures. `announced = received + never + missing`, always.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Images {
    /// How many files the reads name, thumbnails among them.
    pub announced: u64,
    /// How many of them are here, whole and of the right digest.
    pub received: u64,
    /// How many will never come, by the trailer's ledger.
    pub never: u64,
    /// The same by reason.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub never_by: BTreeMap<String, u64>,
    /// How many are in neither account: they still wait there, or are lost.
    pub missing: u64,
}

/// Numbers by count and runs.
#[derive(Clone, Debug, Serialize)]
pub struct Numbers {
    /// How many.
    pub count: u64,
    /// The runs, rising, at most [`RUNS_LISTED_MAX`].
    pub runs: Vec<Run>,
    /// How many runs were left off the list.
    pub runs_left_off: usize,
}

/// A run of numbers, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Run {
    /// First.
    pub from: u64,
    /// Last.
    pub to: u64,
}

/// Numbers that one word of the ledger explains.
#[derive(Clone, Debug, Serialize)]
pub struct Explained {
    /// `expired`, `evicted`, `refused`, `dropped`, `purged`, `renumbered`, `carried` or `unreadable`.
    pub word: String,
    /// Which.
    pub numbers: Numbers,
}

/// Counts only: `GET /v1/summary`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Summary {
    /// [`FORMAT`].
    pub format: u32,
    /// Trailers heard of.
    pub trailers: u64,
    /// Events stored.
    pub events: u64,
    /// Reads among them.
    pub reads: u64,
    /// Reads with a hit among those.
    pub hits: u64,
    /// Stamps of all revisions.
    pub stamps: u64,
    /// Events that came again.
    pub duplicates: u64,
    /// Events that were refused.
    pub refused: u64,
    /// Contents kept apart.
    pub conflicts: u64,
}

impl From<&RangeSet> for Numbers {
    fn from(set: &RangeSet) -> Self {
        let all = set.runs().count();
        let runs = set.runs().take(RUNS_LISTED_MAX).map(|run| Run { from: run.0, to: run.1 }).collect();
        Self { count: set.len(), runs, runs_left_off: all.saturating_sub(RUNS_LISTED_MAX) }
    }
}

impl Account {
    /// Makes the account of the database in `folder`, as of `now`.
    ///
    /// # Errors
    /// [`DatabaseError`] if it can't be read.
    pub fn read(folder: &Path, now: Utc) -> std::result::Result<Self, DatabaseError> {
        let connection = open_reader(folder)?;
        settled(&connection)
            .and_then(|settled| {
                let generations = generations(&connection, &settled)?;
                let misuse = misuse(&connection, &settled)?;
                let is_settled = misuse.iter().all(|misuse| misuse.unsettled == 0);
                Ok(Self {
                    format: FORMAT,
                    written: now.to_rfc3339(),
                    complete: is_settled && generations.iter().all(|g| g.missing.count == 0 && !g.is_raised()),
                    generations,
                    misuse,
                    settled,
                })
            })
            .map_err(|error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error))
    }
}

impl Account {
    /// Whether a person must look.
    #[must_use]
    pub fn is_raised(&self) -> bool {
        self.misuse.iter().any(|misuse| 0 < misuse.unsettled)
            || self.generations.iter().any(GenerationAccount::is_raised)
    }

    /// All that is raised.
    pub(super) fn raising(&self) -> impl Iterator<Item = Raising> {
        let misuse = self.misuse.iter().filter_map(|misuse| {
            let key = (What::Misuse, misuse.owner.as_str(), misuse.source.as_str());
            left(&self.settled, key, misuse.times, &RangeSet::default())
        });
        misuse.chain(self.generations.iter().flat_map(|generation| generation.raised.iter().cloned()))
    }
}

impl GenerationAccount {
    /// Whether a person must look: contents that contradict each other, a number given twice, a block that stays
    /// different, events that were lost here after their receipt and can't be sent again, or events that a damaged
    /// queue file on the trailer could not give back. What a person has settled is not raised any more.
    #[must_use]
    pub fn is_raised(&self) -> bool {
        !self.raised.is_empty()
    }
}

impl Summary {
    /// Counts the rows of the database in `folder`.
    ///
    /// # Errors
    /// [`DatabaseError`] if it can't be read.
    pub fn read(folder: &Path) -> std::result::Result<Self, DatabaseError> {
        let connection = open_reader(folder)?;
        let sql = "SELECT (SELECT count(*) FROM trailer), (SELECT count(*) FROM event),
            (SELECT count(*) FROM event WHERE type = 'pintle.read.v1'), (SELECT count(*) FROM event WHERE hit),
            (SELECT count(*) FROM stamp), (SELECT coalesce(sum(duplicates), 0) FROM generation),
            (SELECT coalesce(sum(refused), 0) FROM generation), (SELECT coalesce(sum(conflicts), 0) FROM generation)";
        connection
            .query_row(sql, [], |row| {
                let count = |at: usize| row.get::<_, i64>(at).map(unsigned);
                Ok(Self {
                    format: FORMAT,
                    trailers: count(0)?,
                    events: count(1)?,
                    reads: count(2)?,
                    hits: count(3)?,
                    stamps: count(4)?,
                    duplicates: count(5)?,
                    refused: count(6)?,
                    conflicts: count(7)?,
                })
            })
            .map_err(|error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error))
    }
}

/// No column read here holds a negative number.
fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}

fn generations(connection: &Connection, settled: &[Settled]) -> Result<Vec<GenerationAccount>> {
    // One transaction: the account is of one moment, though the receiver goes on writing.
    let moment = connection.unchecked_transaction()?;
    let mut statement = moment.prepare(
        "SELECT g.no, t.source, g.generation, g.first_heard, g.last_heard, g.closed, g.accepted_up_to, g.duplicates,
           g.refused, g.conflicts
         FROM generation g JOIN trailer t ON t.no = g.trailer ORDER BY t.source, g.first_heard, g.no",
    )?;
    let mut rows = statement.query([])?;
    let mut accounts = Vec::new();
    while let Some(row) = rows.next()? {
        let no: i64 = row.get(0)?;
        let (mut have, doubled) = numbers(&moment, no)?;
        let let_go = let_go(&moment, no)?;
        for (first, last) in let_go.runs() {
            have.insert_run(first, last);
        }
        let accepted_up_to = unsigned(row.get(6)?);
        let known = Known { accepted_up_to, have, explained: explained(&moment, no)? };
        let account = completeness(&known);
        let explained_by = account
            .explained_by
            .iter()
            .map(|(word, runs)| Explained { word: word.clone(), numbers: Numbers::from(runs) })
            .collect();
        let (source, generation): (String, String) = (row.get(1)?, row.get(2)?);
        let (blocks, differ) = blocks(&moment, no)?;
        let conflicts = unsigned(row.get(9)?);
        let lost = |word: &str| {
            let found = account.explained_by.iter().find(|(explained, _)| explained == word);
            found.map_or_else(RangeSet::default, |(_, runs)| runs.clone())
        };
        let raised = [
            (What::Conflicts, conflicts, RangeSet::default()),
            (What::Differs, differ.len(), differ),
            (What::Doubled, doubled.len(), doubled.clone()),
            (What::Purged, lost(PURGED).len(), lost(PURGED)),
            (What::Unreadable, lost(UNREADABLE).len(), lost(UNREADABLE)),
        ];
        let raised = raised.iter().filter_map(|(what, times, numbers)| {
            left(settled, (*what, source.as_str(), generation.as_str()), *times, numbers)
        });
        let raised = raised.collect();
        accounts.push(GenerationAccount {
            source,
            generation,
            first_heard: Utc(row.get(3)?).to_rfc3339(),
            last_heard: Utc(row.get(4)?).to_rfc3339(),
            closed: row.get(5)?,
            accepted_up_to,
            up_to: account.up_to,
            here: Numbers::from(&account.have),
            let_go: Numbers::from(&let_go),
            explained: Numbers::from(&account.explained),
            explained_by,
            missing: Numbers::from(&account.missing),
            blocks,
            images: images(&moment, no)?,
            doubled: Numbers::from(&doubled),
            relayed: relayed(&moment, no)?,
            duplicates: unsigned(row.get(7)?),
            refused: unsigned(row.get(8)?),
            conflicts,
            raised,
        });
    }
    Ok(accounts)
}

/// Files of one generation's reads. They come after their reads, within the trailer's data budget; its ledger says of
/// which reads pictures will not come any more. What is here is here, whatever was said of it.
fn images(connection: &Connection, generation: i64) -> Result<Images> {
    let mut gone: BTreeMap<String, RangeSet> = BTreeMap::new();
    let mut rows = connection.prepare_cached("SELECT word, first, last FROM picture_gone WHERE generation = ?1")?;
    let mut rows = rows.query([generation])?;
    while let Some(row) = rows.next()? {
        gone.entry(row.get(0)?).or_default().insert_run(unsigned(row.get(1)?), unsigned(row.get(2)?));
    }
    let (announced, received) = connection
        .prepare_cached(
            "SELECT count(*), count(i.received_at) FROM image i JOIN event e ON e.no = i.event \
             WHERE e.generation = ?1 AND e.relayed = 0",
        )?
        .query_row([generation], |row| Ok((unsigned(row.get(0)?), unsigned(row.get(1)?))))?;
    let mut never_by: BTreeMap<String, u64> = BTreeMap::new();
    if !gone.is_empty() {
        let mut rows = connection.prepare_cached(
            "SELECT e.sequence FROM image i JOIN event e ON e.no = i.event \
             WHERE e.generation = ?1 AND e.relayed = 0 AND i.received_at IS NULL",
        )?;
        let mut rows = rows.query([generation])?;
        while let Some(row) = rows.next()? {
            let sequence = unsigned(row.get(0)?);
            if let Some((word, _)) = gone.iter().find(|(_, reads)| reads.contains(sequence)) {
                *never_by.entry(word.clone()).or_default() += 1;
            }
        }
    }
    let never = never_by.values().sum();
    let missing = announced.saturating_sub(received).saturating_sub(never);
    Ok(Images { announced, received, never, never_by, missing })
}

/// Left out of the account where there are none, as with all receivers that are nobody's second.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "as the serialiser asks for it")]
fn none(count: &u64) -> bool {
    *count == 0
}

fn relayed(connection: &Connection, generation: i64) -> Result<u64> {
    connection
        .prepare_cached("SELECT count(*) FROM event WHERE generation = ?1 AND relayed = 1")?
        .query_row([generation], |row| row.get(0).map(unsigned))
}

/// The numbers that are here, and those under which more than one event came.
fn numbers(connection: &Connection, generation: i64) -> Result<(RangeSet, RangeSet)> {
    let mut statement = connection.prepare_cached(
        "SELECT sequence FROM event WHERE generation = ?1 AND relayed = 0
         UNION ALL SELECT sequence FROM renumbered WHERE generation = ?1 ORDER BY sequence",
    )?;
    let mut rows = statement.query([generation])?;
    let (mut have, mut doubled) = (RangeSet::default(), RangeSet::default());
    let mut run: Option<(u64, u64)> = None;
    while let Some(row) = rows.next()? {
        let number = unsigned(row.get(0)?);
        match &mut run {
            Some((_, last)) if *last == number => {
                doubled.insert(number);
            }
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => {
                if let Some((first, last)) = run.replace((number, number)) {
                    have.insert_run(first, last);
                }
            }
        }
    }
    if let Some((first, last)) = run {
        have.insert_run(first, last);
    }
    Ok((have, doubled))
}

/// The numbers whose events went at their age limit.
fn let_go(connection: &Connection, generation: i64) -> Result<RangeSet> {
    let mut statement = connection.prepare_cached("SELECT first, last FROM gone WHERE generation = ?1")?;
    let mut rows = statement.query([generation])?;
    let mut gone = RangeSet::default();
    while let Some(row) = rows.next()? {
        gone.insert_run(unsigned(row.get(0)?), unsigned(row.get(1)?));
    }
    Ok(gone)
}

fn blocks(connection: &Connection, generation: i64) -> Result<(Blocks, RangeSet)> {
    let mut statement = connection.prepare_cached("SELECT verdict, first, last FROM block WHERE generation = ?1")?;
    let mut rows = statement.query([generation])?;
    let (mut equal, mut asked, mut differ) = (0, 0, RangeSet::default());
    while let Some(row) = rows.next()? {
        match row.get::<_, String>(0)?.as_str() {
            "equal" => equal += 1,
            "asked" => asked += 1,
            _ => drop(differ.insert_run(unsigned(row.get(1)?), unsigned(row.get(2)?))),
        }
    }
    Ok((Blocks { equal, asked, differ: Numbers::from(&differ) }, differ))
}

fn misuse(connection: &Connection, settled: &[Settled]) -> Result<Vec<Misuse>> {
    let mut rows = connection
        .prepare_cached("SELECT owner, source, times, first_at, last_at FROM misuse ORDER BY owner, source LIMIT ?1")?;
    let rows = rows.query_map([i64::try_from(RUNS_LISTED_MAX).unwrap_or(i64::MAX)], |row| {
        let (owner, source, times): (String, String, u64) = (row.get(0)?, row.get(1)?, unsigned(row.get(2)?));
        let key = (What::Misuse, owner.as_str(), source.as_str());
        let unsettled = left(settled, key, times, &RangeSet::default()).map_or(0, |left| left.times);
        let (first, last) = (Utc(row.get(3)?).to_rfc3339(), Utc(row.get(4)?).to_rfc3339());
        Ok(Misuse { owner, source, times, unsettled, first, last })
    })?;
    rows.collect()
}

fn explained(connection: &Connection, generation: i64) -> Result<Vec<(String, Range)>> {
    let mut statement = connection.prepare_cached("SELECT word, first, last FROM explained WHERE generation = ?1")?;
    let rows = statement.query_map([generation], |row| {
        Ok((row.get(0)?, Range { first: unsigned(row.get(1)?), last: unsigned(row.get(2)?) }))
    })?;
    rows.collect()
}
