//! Lets reads go at their age limit, with their stamps, pictures and contradictions, a slice at a time. The account
//! stays whole: which numbers were here is kept, and keyed hashes by which repeats are known.
//!
//! Age is the larger of what the capture time says when the read came, plus the time that this store has lived since
//! (see [`pintle_core::queue::lived`]): a step of this host's clock lets nothing go. Of a read that is sealed for
//! others only the hour is known: it counts as captured as late as it may have been.

use super::lived::LivedClock;
use super::past::{Past, number_went};
use super::schema::DatabaseError;
use super::store::ReceiverStore;
use crate::audit::{AuditError, Entry, Log, Who};
use crate::clock;
use pintle_core::images::Address;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::EventKind;
use pintle_core::queue::blocks::Leaf;
use pintle_core::queue::holds::{HoldAsked, Holds};
use pintle_core::queue::lived::OFF_MS_MAX;
use pintle_core::wire::hold::{from_kept, to_kept};
use rusqlite::{Connection, OptionalExtension, Result, Row, params};
use std::path::PathBuf;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Shortest and longest age limit, s. Source: design section 5, 3 minutes to 36 months.
pub const KEEP_S: std::ops::RangeInclusive<u64> = 180..=1096 * 86_400;
/// Rows of old events looked at in one pass, and of younger ones, among which may be reads that came late (our own).
const OLD_ROWS: i64 = 5000;
const YOUNG_ROWS: i64 = 2000;
/// Rows that go in one transaction (source: fault 44, as on the trailer).
const SLICE_ROWS: u64 = 500;
/// Time between two looks, and pause between two slices of one.
const LOOK_EVERY: Duration = Duration::from_mins(1);
const BETWEEN_SLICES: Duration = Duration::from_millis(50);
/// Purges are told to the audit at most this often, ms.
const PURGES_TOLD_EVERY_MS: u64 = 3_600_000;
pub(super) const HOUR_MS: i64 = 3_600_000;

pub(super) const HOLDS: &str = "holds";
const UNTOLD: &str = "purges_untold";

/// Age limits, ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Keep {
    /// Of ordinary reads, from capture.
    pub other_ms: u64,
    /// Of hits.
    pub hit_ms: u64,
    /// How long the hashes of what went are kept.
    pub dedupe_ms: u64,
}

impl Keep {
    fn of(&self, hit: bool) -> i64 {
        i64::try_from(if hit { self.hit_ms } else { self.other_ms }).unwrap_or(i64::MAX)
    }
}

/// What one pass did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Purged {
    /// Reads that went.
    pub reads: u64,
    /// Events of later stamps that went.
    pub stamps: u64,
    /// Contents that were kept apart and refusals that went.
    pub apart: u64,
    /// Reads past their limit that a hold kept in this pass.
    pub held: u64,
    /// Pictures that reads named which went, each with the number of its trailer.
    pub(super) pictures: Vec<(Address, i64)>,
    /// Holds that ended by themselves and were not told yet: number and case.
    pub ended: Vec<(u64, String)>,
}

impl Purged {
    /// Whether anything went.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.reads + self.stamps + self.apart == 0 && self.pictures.is_empty()
    }
}

/// What is known from one pass to the next. After a failure a fresh one does.
pub(super) struct Retainer {
    lived: LivedClock,
    old_from: i64,
    young_from: i64,
}

/// One event whose age is to be judged.
pub(super) struct Aged {
    no: i64,
    trailer: i64,
    id: String,
    read: bool,
    generation: i64,
    sequence: i64,
    captured: Option<Utc>,
    hit: bool,
    received_at: Utc,
    late_s: Option<i64>,
    content_hash: Vec<u8>,
    leaf: Option<Leaf>,
    /// It never counted in an account, so no number goes with it.
    relayed: bool,
}

impl Aged {
    fn of(row: &Row<'_>) -> Result<Self> {
        Ok(Self {
            no: row.get(0)?,
            trailer: row.get(1)?,
            id: row.get(2)?,
            read: row.get::<_, String>(3)? == EventKind::Read.event_type(),
            generation: row.get(4)?,
            sequence: row.get(5)?,
            captured: Utc::parse_rfc3339(&row.get::<_, String>(6)?),
            hit: row.get(7)?,
            received_at: Utc(row.get(8)?),
            content_hash: row.get(9)?,
            leaf: row.get(10)?,
            relayed: row.get(11)?,
            late_s: row.get(12)?,
        })
    }

    pub(super) fn no(&self) -> i64 {
        self.no
    }

    pub(super) fn is_read(&self) -> bool {
        self.read
    }

    /// When it was captured, or at the latest.
    pub(super) fn captured_at(&self) -> Utc {
        self.captured.unwrap_or(self.received_at)
    }

    /// Whether it is a read that is sealed and can't be opened here: its time is cut to the hour.
    fn hides_its_time(&self, work: &Connection) -> Result<bool> {
        if !self.read || self.captured.is_none_or(|time| time.0.rem_euclid(HOUR_MS) != 0) {
            return Ok(false);
        }
        let data: String =
            work.prepare_cached("SELECT data FROM event WHERE no = ?1")?.query_row([self.no], |row| row.get(0))?;
        let data: serde_json::Value = serde_json::from_str(&data).unwrap_or_default();
        Ok(data.get("sealed").is_some())
    }

    /// The latest time at which a sealed read may have been captured: within its hour, not after it came, and, if the
    /// trailer told how late it sent it, so long before. By it a read never goes too early, and at most an hour late.
    fn captured_at_the_latest(&self) -> Utc {
        let hour = self.captured.unwrap_or(self.received_at);
        let sent = self
            .late_s
            .map_or(self.received_at, |late_s| self.received_at.plus_ms(late_s.saturating_mul(1000).saturating_neg()));
        Utc(sent.0.clamp(hour.0, hour.0.saturating_add(HOUR_MS)))
    }
}

impl Retainer {
    pub(super) fn new(lived: LivedClock) -> Self {
        Self { lived, old_from: 0, young_from: 0 }
    }

    /// Lets go what has reached its limit, inside the running transaction.
    pub(super) fn pass(&mut self, work: &Connection, keep: &Keep, now: &Moment) -> Result<Purged> {
        let lived_ms = self.lived.keep(work, now)?;
        let mut purged = Purged::default();
        let mut holds = read_holds(work)?;
        if holds.expire(lived_ms) {
            put(work, HOLDS, &to_kept(&holds))?;
        }
        let ended = holds.list.iter().filter(|hold| hold.ended);
        purged.ended = ended.map(|hold| (hold.number, hold.asked.case.clone())).collect();
        let shortest_ms = keep.of(false).min(keep.of(true));
        let marks = Marks::look(work, lived_ms, now.utc, (shortest_ms / 200).clamp(1000, HOUR_MS))?;
        let past = Past::open(work)?;
        let old_up_to = marks.older_than(lived_ms.saturating_sub(shortest_ms)).map_or(0, |mark| mark.event);
        let parts =
            [(&mut self.old_from, 0, old_up_to, OLD_ROWS), (&mut self.young_from, old_up_to, i64::MAX, YOUNG_ROWS)];
        for (from, low, up_to, rows_max) in parts {
            *from = (*from).max(low);
            let looked = rows(work, *from, up_to, rows_max)?;
            let whole = i64::try_from(looked.len()).is_ok_and(|rows| rows < rows_max);
            let mut reached = *from;
            let mut full = false;
            for event in looked {
                if SLICE_ROWS <= purged.reads + purged.stamps {
                    full = true;
                    break;
                }
                reached = event.no;
                let here_ms = lived_ms.saturating_sub(marks.lived_at(event.no).unwrap_or(lived_ms));
                let is_due = |captured: Utc| {
                    let before_ms = event.received_at.since_ms(captured).clamp(0, OFF_MS_MAX);
                    keep.of(event.hit) < here_ms.saturating_add(before_ms)
                };
                let captured = event.captured.unwrap_or(event.received_at);
                if !is_due(captured) {
                    continue;
                }
                // Asked only of those that seem due: it reads the event.
                if event.hides_its_time(work)? && !is_due(event.captured_at_the_latest()) {
                    continue;
                }
                if event.read && is_held(work, &holds, &event)? {
                    purged.held += 1;
                    continue;
                }
                let_go(work, &past, &event, lived_ms, &mut purged)?;
            }
            *from = if whole && !full { 0 } else { reached };
        }
        purged.apart = forget(work, keep, (&marks, lived_ms), holds.is_empty())?;
        if 0 < purged.reads + purged.stamps {
            let before = untold(work)?;
            let untold = Untold { reads: before.reads + purged.reads, stamps: before.stamps + purged.stamps };
            put_untold(work, untold)?;
        }
        Ok(purged)
    }
}

pub(super) fn get(work: &Connection, key: &str) -> Result<Option<Vec<u8>>> {
    work.query_row("SELECT value FROM kept WHERE key = ?1", [key], |row| row.get(0)).optional()
}

pub(super) fn put(work: &Connection, key: &str, value: &[u8]) -> Result<()> {
    work.prepare_cached(
        "INSERT INTO kept (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
    )?
    .execute(params![key, value])?;
    Ok(())
}

pub(super) fn read_holds(work: &Connection) -> Result<Holds> {
    Ok(from_kept(get(work, HOLDS)?.as_deref()))
}

#[derive(Clone, Copy)]
struct Mark {
    lived: i64,
    utc: i64,
    event: i64,
    conflict: i64,
}

/// How far the tables were at which age, rising.
struct Marks(Vec<Mark>);

impl Marks {
    /// Reads the marks, and makes one of now if the last is `step_ms` old and something has come since.
    fn look(work: &Connection, lived_ms: i64, utc: Utc, step_ms: i64) -> Result<Self> {
        let mut read = work.prepare_cached("SELECT lived, utc, event, conflict FROM mark ORDER BY no")?;
        let read = read.query_map([], |row| {
            Ok(Mark { lived: row.get(0)?, utc: row.get(1)?, event: row.get(2)?, conflict: row.get(3)? })
        })?;
        let mut marks = read.collect::<Result<Vec<Mark>>>()?;
        let (event, conflict) = highest(work)?;
        let last = marks.last().copied();
        let is_new = last.is_none_or(|last| last.event < event || last.conflict < conflict);
        let is_due = last.is_none_or(|last| last.lived.saturating_add(step_ms) <= lived_ms);
        if is_new && is_due && 0 < event.max(conflict) {
            work.prepare_cached("INSERT INTO mark (lived, utc, event, conflict) VALUES (?1, ?2, ?3, ?4)")?
                .execute([lived_ms, utc.0, event, conflict])?;
            marks.push(Mark { lived: lived_ms, utc: utc.0, event, conflict });
        }
        Ok(Self(marks))
    }

    /// The age at which an event was here at the latest; `None`: it came after the last mark.
    fn lived_at(&self, event: i64) -> Option<i64> {
        self.0.get(self.0.partition_point(|mark| mark.event < event)).map(|mark| mark.lived)
    }

    /// The newest mark that was made before that age.
    fn older_than(&self, lived_ms: i64) -> Option<&Mark> {
        self.0.get(self.0.partition_point(|mark| mark.lived < lived_ms).checked_sub(1)?)
    }
}

fn highest(work: &Connection) -> Result<(i64, i64)> {
    work.query_row(
        "SELECT coalesce((SELECT max(no) FROM event), 0), coalesce((SELECT max(no) FROM conflict), 0)",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )
}

pub(super) fn rows(work: &Connection, from: i64, up_to: i64, rows_max: i64) -> Result<Vec<Aged>> {
    let mut rows = work.prepare_cached(
        "SELECT no, trailer, id, type, generation, sequence, time, hit, received_at, content_hash, leaf, \
         relayed, late_s FROM event \
         WHERE ?1 < no AND no <= ?2 AND type IN ('pintle.read.v1', 'pintle.stamp.v1') ORDER BY no LIMIT ?3",
    )?;
    let rows = rows.query_map([from, up_to, rows_max], Aged::of)?;
    rows.collect()
}

/// Whether a hold keeps a read.
fn is_held(work: &Connection, holds: &Holds, event: &Aged) -> Result<bool> {
    if holds.is_empty() {
        return Ok(false);
    }
    if holds.unreadable {
        return Ok(true);
    }
    let seen = Seen::of(work, event)?;
    Ok(holds.active().any(|hold| seen.fits(&hold.asked)))
}

/// A read as holds see it.
pub(super) struct Seen {
    source: String,
    camera: Option<String>,
    site: Option<u64>,
    captured: Utc,
    sealed: bool,
}

impl Seen {
    pub(super) fn of(work: &Connection, event: &Aged) -> Result<Self> {
        let (source, data): (String, String) = work
            .prepare_cached("SELECT t.source, e.data FROM event e JOIN trailer t ON t.no = e.trailer WHERE e.no = ?1")?
            .query_row([event.no], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let data: serde_json::Value = serde_json::from_str(&data).unwrap_or_default();
        let sealed = data.get("sealed").is_some();
        let camera =
            data.pointer(if sealed { "/sealed/camera" } else { "/read/camera" }).and_then(|name| name.as_str());
        let site: Option<u64> = work
            .prepare_cached(
                "SELECT site FROM stamp WHERE trailer = ?1 AND read_id = ?2 ORDER BY revision DESC LIMIT 1",
            )?
            .query_row(params![event.trailer, event.id], |row| row.get::<_, Option<i64>>(0))
            .optional()?
            .flatten()
            .and_then(|site| u64::try_from(site).ok());
        let camera = camera.map(str::to_owned);
        Ok(Self { source, camera, site, captured: event.captured_at(), sealed })
    }

    /// Whether a hold keeps it. Of a sealed read only the hour of its capture is known: it is held if that hour and the
    /// window meet.
    pub(super) fn fits(&self, asked: &HoldAsked) -> bool {
        let from = if self.sealed { Utc(asked.from.0.div_euclid(HOUR_MS) * HOUR_MS) } else { asked.from };
        let asked = HoldAsked { from, ..asked.clone() };
        asked.source.as_ref().is_none_or(|wanted| *wanted == self.source)
            && asked.covers(self.camera.as_deref(), self.site, self.captured)
    }
}

fn let_go(work: &Connection, past: &Past, event: &Aged, lived_ms: i64, purged: &mut Purged) -> Result<()> {
    past.remember(work, event.trailer, (&event.id, &event.content_hash), lived_ms)?;
    if !event.relayed {
        number_went(work, event.generation, event.sequence, event.leaf)?;
    }
    let mut others = work.prepare_cached("SELECT generation, sequence, leaf FROM renumbered WHERE event = ?1")?;
    let mut others = others.query([event.no])?;
    while let Some(row) = others.next()? {
        number_went(work, row.get(0)?, row.get(1)?, row.get(2)?)?;
    }
    let read_id = if event.read {
        purged.reads += 1;
        Some(event.id.clone())
    } else {
        purged.stamps += 1;
        let data: String =
            work.prepare_cached("SELECT data FROM event WHERE no = ?1")?.query_row([event.no], |row| row.get(0))?;
        let data: serde_json::Value = serde_json::from_str(&data).unwrap_or_default();
        data["read_id"].as_str().map(str::to_owned)
    };
    let mut pictures = work.prepare_cached("SELECT address FROM image WHERE event = ?1")?;
    let pictures = pictures.query_map([event.no], |row| Ok(Address(row.get(0)?)))?;
    for picture in pictures {
        purged.pictures.push((picture?, event.trailer));
    }
    for sql in [
        "DELETE FROM image WHERE event = ?1",
        "DELETE FROM renumbered WHERE event = ?1",
        "DELETE FROM event WHERE no = ?1",
    ] {
        work.prepare_cached(sql)?.execute([event.no])?;
    }
    work.prepare_cached("DELETE FROM conflict WHERE trailer = ?1 AND id = ?2")?
        .execute(params![event.trailer, event.id])?;
    work.prepare_cached("DELETE FROM refusal WHERE trailer = ?1 AND id = ?2")?
        .execute(params![event.trailer, event.id])?;
    if let Some(read_id) = read_id {
        // A stamp stays as long as its read is here.
        work.prepare_cached(
            "DELETE FROM stamp WHERE trailer = ?1 AND read_id = ?2 \
             AND NOT EXISTS (SELECT 1 FROM event WHERE trailer = ?1 AND id = ?2)",
        )?
        .execute(params![event.trailer, read_id])?;
    }
    Ok(())
}

/// What goes by itself: old hashes, contradictions and refusals, and marks that nothing needs any more. A contradiction
/// may belong to what is held, so it stays while anything is. Answers how many of those went.
fn forget(work: &Connection, keep: &Keep, (marks, lived_ms): (&Marks, i64), nothing_held: bool) -> Result<u64> {
    let mut apart = 0;
    let slice = i64::try_from(SLICE_ROWS).unwrap_or(i64::MAX);
    let dedupe_ms = i64::try_from(keep.dedupe_ms).unwrap_or(i64::MAX);
    work.prepare_cached(
        "DELETE FROM past WHERE number IN (SELECT number FROM past ORDER BY number LIMIT ?1) AND gone_at < ?2",
    )?
    .execute([slice, lived_ms.saturating_sub(dedupe_ms)])?;
    let limit_ms = keep.of(false).min(keep.of(true));
    if let Some(mark) = marks.older_than(lived_ms.saturating_sub(limit_ms)).filter(|_| nothing_held) {
        apart += work.prepare_cached("DELETE FROM conflict WHERE no <= ?1")?.execute([mark.conflict])?;
        apart += work.prepare_cached("DELETE FROM refusal WHERE received_at <= ?1")?.execute([mark.utc])?;
    }
    // The database gives the highest numbers again once their rows have gone; they must not seem old then.
    let (event, conflict) = highest(work)?;
    work.prepare_cached(
        "UPDATE mark SET event = min(event, ?1), conflict = min(conflict, ?2) WHERE ?1 < event OR ?2 < conflict",
    )?
    .execute([event, conflict])?;
    work.prepare_cached(
        "DELETE FROM mark WHERE event < (SELECT coalesce(min(no), 0) FROM event) \
         AND conflict <= (SELECT coalesce(min(no), ?1) FROM conflict) AND no < (SELECT max(no) FROM mark)",
    )?
    .execute([conflict])?;
    Ok(apart as u64)
}

/// Runs until stopped: a look a minute, and at once again while much goes. What went is told in the audit, at most once
/// an hour and at the stop, and so are holds that ended.
pub async fn run(store: ReceiverStore, folder: PathBuf, keep: Keep, stop: CancellationToken) {
    let log = Log::at(folder.join("audit"));
    let mut telling = Telling::default();
    loop {
        let now = clock::moment(UtcTrust::Network);
        let wait = match store.purge(keep, now).await {
            Ok(purged) => {
                tell_ended(&store, &log, &purged).await;
                if purged.is_empty() { LOOK_EVERY } else { BETWEEN_SLICES }
            }
            Err(DatabaseError::Stopped) => return,
            Err(error) => {
                tracing::warn!(%error, advice = error.advice(), "nothing could be let go");
                LOOK_EVERY
            }
        };
        if wait == LOOK_EVERY && telling.told.is_none_or(|at| PURGES_TOLD_EVERY_MS <= now.mono.since_ms(at)) {
            telling.tell(&store, &log).await;
        }
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.cancelled() => {
                telling.tell(&store, &log).await;
                return;
            }
        }
    }
}

/// What went and is not in the audit yet stands in the database, written by the transaction that let it go: whatever
/// ends the receiver, the next start tells it. Killed between the two, it is told twice.
#[derive(Default)]
struct Telling {
    /// When the audit was told last.
    told: Option<Mono>,
    /// What the audit has taken over and could not write: it waits there, and is not handed in a second time.
    taken: Option<Untold>,
}

impl Telling {
    async fn tell(&mut self, store: &ReceiverStore, log: &Log) {
        let untold = match self.taken {
            Some(untold) => untold,
            None => store.work(|work| untold(work)).await.unwrap_or_default(),
        };
        if untold == Untold::default() {
            return;
        }
        let written = if self.taken.is_some() {
            let log = log.clone();
            tokio::task::spawn_blocking(move || log.probe()).await.unwrap_or(Err(AuditError::BrokenOff))
        } else {
            let entry = Entry::new(Who::agent(), "purge", "done");
            log.write(entry.with("reads", untold.reads).with("stamps", untold.stamps)).await.map(|_| ())
        };
        if let Err(error) = written {
            tracing::warn!(%error, "a purge is not in the audit yet");
            self.taken = Some(untold);
            return;
        }
        (self.told, self.taken) = (Some(clock::mono()), None);
        if let Err(error) = store.work(move |work| was_told(work, untold)).await {
            tracing::warn!(%error, "a purge may be told in the audit once more");
        }
    }
}

/// What went and is not in the audit yet.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
struct Untold {
    reads: u64,
    stamps: u64,
}

fn untold(work: &Connection) -> Result<Untold> {
    let kept = get(work, UNTOLD)?.unwrap_or_default();
    let number = |at: usize| kept.get(at..at + 8).and_then(|bytes| bytes.try_into().ok()).map_or(0, u64::from_be_bytes);
    Ok(Untold { reads: number(0), stamps: number(8) })
}

fn put_untold(work: &Connection, untold: Untold) -> Result<()> {
    put(work, UNTOLD, &[untold.reads.to_be_bytes(), untold.stamps.to_be_bytes()].concat())
}

fn was_told(work: &Connection, told: Untold) -> Result<()> {
    let all = untold(work)?;
    let rest = Untold { reads: all.reads.saturating_sub(told.reads), stamps: all.stamps.saturating_sub(told.stamps) };
    put_untold(work, rest)
}

async fn tell_ended(store: &ReceiverStore, log: &Log, purged: &Purged) {
    for (number, case) in &purged.ended {
        let entry = Entry::new(Who::agent(), "hold.expired", "done").with("hold", number).with("case", case);
        if let Err(error) = log.write(entry).await {
            tracing::warn!(%error, "the end of a hold is not in the audit yet");
            return;
        }
        let number = *number;
        let forgotten = store
            .work(move |work| {
                let mut holds = read_holds(work)?;
                holds.list.retain(|hold| hold.number != number);
                put(work, HOLDS, &to_kept(&holds))
            })
            .await;
        if let Err(error) = forgotten {
            tracing::warn!(%error, "a hold that ended is told once more");
        }
    }
}
