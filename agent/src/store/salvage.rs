//! What waits in a file set aside goes over into the new one, row by row: through SQLite where its trees still lead to
//! the row, else straight out of the pages. An event keeps the generation and the number under which it was accepted,
//! and goes out under them; in the new file it only has a place in the order of sending (table `carried`).

use super::Accepted;
use super::NewEvent;
use super::aside::{keep_numbers, taken_row};
use super::books::{GENERATION, ID_KEY, has_rest, number, signed};
use super::carve::{Pages, Row, Value};
use super::db::Db;
use super::disk::Folder;
use super::holds::HOLDS;
use super::owed::{Owed, owed};
use super::schema::SENT;
use crate::clock;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::blocks::SALT_BYTES;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::stamp::{ClockBody, PlaceBody, StampBody};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;

/// How far a generation that has ended got, by its id.
const CLOSED: &str = ".closed.";
/// What is left to do with a file set aside, by its name.
pub(super) const REST: &str = ".rest.";
/// When a file was set aside, by its name and the store's age.
pub(super) const ASIDE: &str = ".aside.";

/// How the bytes of an event were fixed when it was sent without an answer.
#[derive(Clone)]
struct Fixed {
    sent_at: i64,
    salt: [u8; SALT_BYTES],
    stamp: Option<i64>,
}

/// A row of `events` in the old file.
struct OldEvent {
    event: NewEvent,
    stamp: Option<i64>,
    images: Option<Vec<u8>>,
}

/// What is done next, in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Stage {
    /// Hits and alarms by point queries.
    Urgent,
    /// All others, the lowest number first.
    Rest,
    /// What other rows need, out of all leaf pages.
    Notes,
    /// Hits and alarms out of the pages.
    UrgentPages,
    /// All others.
    Pages,
    Done,
}

/// What is kept of it in the new file: a start goes on where the one before was.
#[derive(Serialize, Deserialize)]
struct Rest {
    keep: bool,
    generation: Option<String>,
    earlier: Option<String>,
    stage: Stage,
    at: u64,
    whole: bool,
    up_to: Option<u64>,
    pictures: u64,
}

/// What came over since it was told last.
#[derive(Default)]
pub(super) struct News {
    /// How many events.
    pub(super) events: u64,
    /// Their sequences in the old file.
    pub(super) numbers: RangeSet,
    /// Their places in the new file, if they keep their own numbers.
    pub(super) places: RangeSet,
    /// Reads that came over without their stamp.
    pub(super) stampless: u64,
}

/// The taking over of one file.
pub(super) struct Salvage {
    name: String,
    path: PathBuf,
    old: Option<Connection>,
    pages: Option<Pages>,
    generation: Option<EventId>,
    /// The generation that the note beside the file told, RFC 9562 form.
    pub(super) earlier: Option<String>,
    /// The numbers of the old file were given once only, so they may be kept.
    pub(super) keep: bool,
    /// Sequences that wait no more.
    done: RangeSet,
    /// Sequences that came over.
    taken: RangeSet,
    /// Sequences that SQLite could not read, and no page gave yet.
    failed: RangeSet,
    stamps: HashMap<i64, Vec<u8>>,
    fixed: HashMap<u64, Fixed>,
    /// Urgent sequences still to be looked at, the oldest last: they keep their order, by which the newest goes first.
    urgent: Vec<u64>,
    /// Pages with urgent events; in their stage the first one last.
    urgent_pages: Vec<u32>,
    stage: Stage,
    /// Number or page that is looked at next.
    at: u64,
    /// Highest sequence that SQLite finds.
    last: u64,
    /// False once anything of what the file must have was not found by its trees.
    whole: bool,
    /// Highest sequence known of there.
    pub(super) up_to: Option<u64>,
    /// Files of pictures of what came over.
    pictures: u64,
    pub(super) news: News,
}

impl Salvage {
    /// Begins with the file `name`, inside the running transaction. `keep`: events come over under their own numbers.
    pub(super) fn begin(db: &mut Db, folder: &Folder, name: &str, keep: bool, now: &Moment) -> rusqlite::Result<Self> {
        let path = folder.path().join(name);
        let old = open_old(&path);
        if let Some(old) = &old {
            // The store's own clock goes on, so all ages that are kept mean what they meant.
            db.books.lived = Db::lived_of(old, now);
            db.adopt_holds(old, folder.noted_holds())?;
            db.adopt_kept(old)?;
        }
        let told = old.as_ref().and_then(|old| {
            let sql = "SELECT value FROM kept WHERE key = ?";
            let text = old.query_row(sql, [GENERATION], |row| row.get::<_, Vec<u8>>(0)).ok()?;
            EventId::parse(&String::from_utf8_lossy(&text))
        });
        let earlier = folder.noted_generation();
        let noted = earlier.as_deref().and_then(EventId::parse);
        let mut salvage = Self::new(name, path, old, told.or(noted), keep);
        salvage.earlier = earlier;
        // How far it got is noted beside the file each time that it was closed, and every thousand events.
        if salvage.keep && salvage.generation == noted {
            salvage.up_to = salvage.up_to.max(Some(folder.noted_up_to()).filter(|up_to| 0 < *up_to));
        }
        Ok(salvage)
    }

    fn new(name: &str, path: PathBuf, old: Option<Connection>, generation: Option<EventId>, keep: bool) -> Self {
        let mut salvage = Self {
            name: name.to_owned(),
            path,
            old: None,
            pages: None,
            generation,
            earlier: None,
            keep: keep && generation.is_some(),
            done: RangeSet::default(),
            taken: RangeSet::default(),
            failed: RangeSet::default(),
            stamps: HashMap::new(),
            fixed: HashMap::new(),
            urgent: Vec::new(),
            urgent_pages: Vec::new(),
            stage: Stage::Notes,
            at: 1,
            last: 0,
            whole: false,
            up_to: None,
            pictures: 0,
            news: News::default(),
        };
        let Some(old) = old else { return salvage };
        salvage.whole = settled(&old, &mut salvage.done).is_ok();
        salvage.up_to = salvage.done.last();
        let edge = |sql: &str| old.query_row(sql, [], |row| number(row, 0)).ok();
        if let (Some(first), Some(last)) =
            (edge("SELECT min(sequence) FROM events"), edge("SELECT max(sequence) FROM events"))
        {
            salvage.urgent = urgent(&old);
            salvage.up_to = salvage.up_to.max(Some(last));
            (salvage.stage, salvage.at, salvage.last) = (Stage::Urgent, first, last);
        } else {
            // An empty table has no edges either; it is whole.
            let empty = old.query_row("SELECT NOT EXISTS (SELECT 1 FROM events)", [], |row| row.get(0));
            if salvage.whole && empty.unwrap_or(false) {
                salvage.stage = Stage::Done;
            }
        }
        salvage.old = Some(old);
        salvage
    }

    /// Goes on with what an earlier start, or the start itself, had no time for; `None` if nothing is left.
    pub(super) fn resume(db: &mut Db, folder: &Folder) -> rusqlite::Result<Option<Self>> {
        loop {
            let kept = db
                .conn
                .query_row(
                    "SELECT key, value FROM kept WHERE key >= '.rest.' AND key < '.rest/' ORDER BY key LIMIT 1",
                    [],
                    |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)),
                )
                .optional()?;
            let Some((key, value)) = kept else { return Ok(None) };
            let name = key.trim_start_matches(REST);
            let Ok(rest) = serde_json::from_slice::<Rest>(&value) else {
                tracing::error!(file = name, "what is left in a file set aside is not known; keep it for salvage");
                db.conn.execute("DELETE FROM kept WHERE key = ?", [&key])?;
                continue;
            };
            let path = folder.path().join(name);
            let old = open_old(&path);
            let mut salvage =
                Self::new(name, path, old, rest.generation.as_deref().and_then(EventId::parse), rest.keep);
            salvage.earlier = rest.earlier;
            salvage.whole &= rest.whole;
            salvage.up_to = salvage.up_to.max(rest.up_to);
            salvage.pictures = rest.pictures;
            match (rest.stage, salvage.stage) {
                // What was noted of the pages is not kept: they are looked at from the first on.
                (Stage::Notes | Stage::UrgentPages | Stage::Pages, _) => {
                    (salvage.stage, salvage.at, salvage.whole) = (Stage::Notes, 1, false);
                }
                (Stage::Rest, Stage::Urgent) => (salvage.stage, salvage.at) = (Stage::Rest, rest.at),
                _ => {}
            }
            salvage.find_taken(db)?;
            return Ok(Some(salvage));
        }
    }

    /// What came over before, by the numbers under which it goes out. Where they are not kept, an id that is known says
    /// so.
    fn find_taken(&mut self, db: &Db) -> rusqlite::Result<()> {
        let (true, Some(generation)) = (self.keep, self.generation) else { return Ok(()) };
        // The old file may itself have carried events of a generation before it.
        let mut before: HashMap<([u8; 16], u64), u64> = HashMap::new();
        if let Some(old) = &self.old
            && let Ok(mut rows) = old.prepare("SELECT generation, number, sequence FROM carried")
        {
            let rows = rows.query_map([], |row| Ok(((row.get(0)?, number(row, 1)?), number(row, 2)?)))?;
            before.extend(rows.map_while(Result::ok));
        }
        let mut rows = db.conn.prepare("SELECT generation, number FROM carried")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            let (of, number): ([u8; 16], u64) = (row.get(0)?, number(row, 1)?);
            if of == generation.0 {
                self.taken.insert(number);
            } else if let Some(sequence) = before.get(&(of, number)) {
                self.taken.insert(*sequence);
            }
        }
        Ok(())
    }

    /// Whether all of the file is looked through.
    pub(super) fn is_done(&self) -> bool {
        self.stage == Stage::Done
    }

    /// Takes events over until `events_max` came, `budget_ms` is over or none is left, inside the running transaction.
    pub(super) fn run(&mut self, db: &mut Db, now: &Moment, budget_ms: u64, events_max: u64) -> rusqlite::Result<()> {
        let (begun, before) = (clock::mono(), db.images.books.counts.kept);
        let events = self.news.events;
        while !self.is_done() && self.news.events - events < events_max && clock::mono().since_ms(begun) <= budget_ms {
            self.step(db, now)?;
        }
        self.pictures += db.images.books.counts.kept - before;
        Ok(())
    }

    fn step(&mut self, db: &mut Db, now: &Moment) -> rusqlite::Result<()> {
        match self.stage {
            Stage::Urgent => match self.urgent.pop() {
                Some(sequence) if self.is_known(sequence) => Ok(()),
                Some(sequence) => self.by_tree(db, sequence, now),
                None => {
                    self.stage = Stage::Rest;
                    Ok(())
                }
            },
            Stage::Rest => {
                let mut next = self.at;
                while self.is_known(next) {
                    next = self.taken.gap_from(self.done.gap_from(next));
                }
                if self.last < next {
                    (self.stage, self.at) = (if self.whole { Stage::Done } else { Stage::Notes }, 1);
                    return Ok(());
                }
                self.at = next + 1;
                self.by_tree(db, next, now)
            }
            Stage::Notes => {
                self.by_page_notes();
                Ok(())
            }
            Stage::UrgentPages => {
                if let Some(page) = self.urgent_pages.pop() {
                    return self.by_page(db, page, true, now);
                }
                (self.stage, self.at) = (Stage::Pages, 1);
                Ok(())
            }
            Stage::Pages => {
                if let Some(page) = self.page() {
                    return self.by_page(db, page, false, now);
                }
                self.stage = Stage::Done;
                Ok(())
            }
            Stage::Done => Ok(()),
        }
    }

    fn is_known(&self, sequence: u64) -> bool {
        self.done.contains(sequence) || self.taken.contains(sequence)
    }

    /// One event by a point query.
    fn by_tree(&mut self, db: &mut Db, sequence: u64, now: &Moment) -> rusqlite::Result<()> {
        let Some(old) = &self.old else { return Ok(()) };
        match by_number(old, sequence) {
            // A stamp that is not found so may be found in the pages.
            Ok(Some((event, None, _))) if event.event.kind == EventKind::Read => self.whole = false,
            Ok(Some((event, stamp, fixed))) => {
                let origin = origin_of(old, sequence);
                return self.put(db, sequence, (event, stamp), fixed, origin, now);
            }
            Ok(None) => self.whole = false,
            Err(_) => {
                self.whole = false;
                self.failed.insert(sequence);
            }
        }
        Ok(())
    }

    /// The page whose turn it is; `None` behind the last.
    fn page(&mut self) -> Option<u32> {
        let page = u32::try_from(self.at).ok().filter(|page| *page <= self.pages.as_ref().map_or(0, |p| p.count))?;
        self.at += 1;
        Some(page)
    }

    /// What one page tells that events need: stamps, what was settled, and whether it has urgent ones.
    fn by_page_notes(&mut self) {
        if self.pages.is_none() {
            let mut log = self.path.clone().into_os_string();
            log.push("-wal");
            match Pages::open(&self.path, log.as_ref()) {
                Ok(pages) => self.pages = Some(pages),
                Err(error) => {
                    tracing::error!(%error, file = self.name, "the pages of the file set aside can't be read");
                    self.stage = Stage::Done;
                    return;
                }
            }
        }
        let Some(page) = self.page() else {
            self.urgent_pages.reverse();
            self.stage = Stage::UrgentPages;
            return;
        };
        let rows = self.pages.as_ref().map(|pages| pages.rows(page)).unwrap_or_default();
        if rows.iter().any(is_urgent) {
            self.urgent_pages.push(page);
        }
        for row in rows {
            self.note(row);
        }
    }

    /// The events of one page that did not come over yet.
    fn by_page(&mut self, db: &mut Db, page: u32, urgent_only: bool, now: &Moment) -> rusqlite::Result<()> {
        for row in self.pages.as_ref().map(|pages| pages.rows(page)).unwrap_or_default() {
            let Some((sequence, old)) = event_row(row) else { continue };
            if self.is_known(sequence) || (urgent_only && old.event.lane != Lane::Urgent) {
                continue;
            }
            let stamp = old.stamp.and_then(|number| self.stamps.get(&number).cloned());
            let fixed = self.fixed.get(&sequence).cloned().map(|fixed| {
                let stamp = fixed.stamp.and_then(|number| self.stamps.get(&number).cloned());
                (fixed, stamp)
            });
            let origin = self.old.as_ref().and_then(|old| origin_of(old, sequence));
            self.put(db, sequence, (old, stamp), fixed, origin, now)?;
            self.up_to = self.up_to.max(Some(sequence));
        }
        Ok(())
    }

    /// Stamps and what was settled, out of a page.
    fn note(&mut self, (row, values): Row) {
        match &values[..] {
            [Value::Null, Value::Int(_), Value::Bytes(stamp)] if stamp.starts_with(b"{") => {
                self.stamps.insert(row, stamp.clone());
            }
            // `settled`, by what no other table of ours has in these places.
            [
                Value::Null,
                Value::Int(result),
                Value::Int(0 | 1),
                Value::Int(_),
                Value::Null | Value::Bytes(_),
                rest @ ..,
            ] if (0..=3).contains(result) && rest.len() <= 4 => {
                let Ok(sequence) = u64::try_from(row) else { return };
                if *result != SENT {
                    self.done.insert(sequence);
                } else if let [Value::Int(sent_at), Value::Bytes(salt), stamp, ..] = rest
                    && let Ok(salt) = salt[..].try_into()
                {
                    self.fixed.insert(sequence, Fixed { sent_at: *sent_at, salt, stamp: stamp.int() });
                }
            }
            _ => {}
        }
    }

    /// One event comes over.
    fn put(
        &mut self,
        db: &mut Db,
        sequence: u64,
        (old, stamp): (OldEvent, Option<Vec<u8>>),
        fixed: Option<(Fixed, Option<Vec<u8>>)>,
        origin: Option<(EventId, u64)>,
        now: &Moment,
    ) -> rusqlite::Result<()> {
        let OldEvent { mut event, images, .. } = old;
        if event.kind == EventKind::Read
            && event.camera.is_none()
            && db.sealer.is_some()
            && !pintle_core::seal::is_sealed(&event.body)
        {
            // Its camera was lost with a damaged part: it can't be sealed, and must not come over in clear.
            self.failed.insert(sequence);
            return Ok(());
        }
        let origin = origin.or(self.generation.map(|generation| (generation, sequence)));
        if let Some((generation, number)) = origin {
            event.body = keep_numbers(event.body, Some(generation), number);
        }
        let stampless = event.kind == EventKind::Read && stamp.is_none();
        event.stamp = if stampless { Some(lost_stamp()) } else { stamp };
        // An id that is known came over before.
        if let Accepted::New { sequence: place } = db.put(&event, now)? {
            db.adopt_images(place, event.hit, images)?;
            if let (true, Some((generation, number))) = (self.keep, origin) {
                db.conn
                    .prepare_cached("INSERT INTO carried (sequence, generation, number) VALUES (?, ?, ?)")?
                    .execute(params![signed(place), generation.0, signed(number)])?;
                db.books.carried.insert(place);
                self.news.places.insert(place);
                if let Some((fixed, stamp)) = fixed {
                    db.fix(place, &event, (fixed.sent_at, fixed.salt), stamp.or_else(|| event.stamp.clone()))?;
                }
            }
            self.news.events += 1;
            self.news.numbers.insert(sequence);
            self.news.stampless += u64::from(stampless);
        }
        self.taken.insert(sequence);
        self.failed.remove(sequence);
        Ok(())
    }

    /// Numbers of the old file of which nothing is known: not looked at yet, or, at the end, not readable.
    pub(super) fn unknown(&self) -> RangeSet {
        match (self.keep, self.up_to) {
            (true, Some(up_to)) => self.taken.gaps(1, up_to).without(&self.done),
            _ => self.failed.clone(),
        }
    }

    /// Pictures of delivered reads that it had still to send. Asked for at the end, when it is known which came over.
    pub(super) fn owed(&self) -> Owed {
        self.old.as_ref().map(|old| owed(old, self.generation.filter(|_| self.keep), self.pictures)).unwrap_or_default()
    }

    /// Writes down how far it is, inside the running transaction.
    pub(super) fn keep_state(&self, db: &mut Db) -> rusqlite::Result<()> {
        if let (true, Some(generation), Some(up_to)) = (self.keep, self.generation, self.up_to) {
            db.keep(&format!("{CLOSED}{generation}"), &up_to.to_be_bytes())?;
        }
        let key = format!("{REST}{}", self.name);
        if self.is_done() {
            db.conn.execute("DELETE FROM kept WHERE key = ?", [key])?;
            db.books.rest = has_rest(&db.conn)?;
            return Ok(());
        }
        let rest = Rest {
            keep: self.keep,
            generation: self.generation.map(|generation| generation.to_string()),
            earlier: self.earlier.clone(),
            stage: self.stage,
            at: self.at,
            whole: self.whole,
            up_to: self.up_to,
            pictures: self.pictures,
        };
        let rest = serde_json::to_vec(&rest).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        db.books.rest = true;
        db.keep(&key, &rest)
    }

    /// The old file's name.
    pub(super) fn name(&self) -> &str {
        &self.name
    }
}

fn open_old(path: &std::path::Path) -> Option<Connection> {
    let old = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).ok()?;
    // It stays as it is.
    old.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).ok()?;
    Some(old)
}

/// Urgent events by their index, highest first; none if it can't be read.
fn urgent(old: &Connection) -> Vec<u64> {
    let Ok(mut rows) = old.prepare("SELECT sequence FROM events INDEXED BY events_urgent WHERE urgent = 1") else {
        return Vec::new();
    };
    let Ok(rows) = rows.query_map([], |row| number(row, 0)) else { return Vec::new() };
    let mut urgent: Vec<u64> = rows.map_while(Result::ok).collect();
    urgent.sort_unstable_by(|one, other| other.cmp(one));
    urgent
}

/// Whether a row out of a page is an urgent event.
fn is_urgent((_, values): &Row) -> bool {
    matches!(&values[..], [Value::Null, Value::Bytes(id), Value::Int(_), Value::Int(1), ..] if id.len() == 16)
}

impl Db {
    /// Takes over what an earlier file kept beside events, as far as it can be read: the key of ids, by which a read
    /// without one is known when it comes again, what is still to be done with files set aside before, and what callers
    /// keep (place lines, an announced tow, off duty, ticks). Not the generation, and not the holds, which come over by
    /// themselves.
    fn adopt_kept(&mut self, old: &Connection) -> rusqlite::Result<()> {
        let mut known = HashSet::new();
        // From both ends: a bad page in the middle costs what stands there.
        for way in ["ASC", "DESC"] {
            let Ok(mut rows) = old.prepare(&format!("SELECT key, value FROM kept ORDER BY key {way}")) else {
                continue;
            };
            let Ok(rows) = rows.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?))) else {
                continue;
            };
            for (key, value) in rows.map_while(Result::ok) {
                if key == GENERATION || key == HOLDS || !known.insert(key.clone()) {
                    continue;
                }
                if key == ID_KEY {
                    let Ok(id_key) = value[..].try_into() else { continue };
                    self.books.adopt_id_key(id_key);
                }
                self.keep(&key, &value)?;
            }
        }
        Ok(())
    }

    /// Fixes the bytes of an event as an earlier file had fixed them: it may be at the receiver in just these.
    fn fix(
        &mut self,
        place: u64,
        event: &NewEvent,
        (sent_at, salt): (i64, [u8; SALT_BYTES]),
        stamp: Option<Vec<u8>>,
    ) -> rusqlite::Result<()> {
        let stamp = stamp.map(|stamp| self.stamp_number(place, &stamp)).transpose()?;
        self.conn
            .prepare_cached(
                "INSERT INTO settled (sequence, result, hit, born, sent_at, salt, stamp) \
                 SELECT sequence, 0, ?2, born, ?3, ?4, ?5 FROM events WHERE sequence = ?1",
            )?
            .execute(params![signed(place), event.hit, sent_at, salt, stamp])?;
        self.books.sent.insert(place);
        Ok(())
    }

    /// Under which generation and number the event of a place goes out, if not under its own.
    pub(super) fn origin(&self, place: u64) -> rusqlite::Result<Option<(EventId, u64)>> {
        if self.books.carried.contains(place) { carried(&self.conn, place) } else { Ok(None) }
    }

    /// How far an ended generation is known to have got.
    pub(super) fn closed_up_to(&self, generation: EventId) -> rusqlite::Result<Option<u64>> {
        let kept = self.kept(&format!("{CLOSED}{generation}"))?;
        Ok(kept.and_then(|up_to| up_to.try_into().ok()).map(u64::from_be_bytes))
    }
}

/// Under which generation and number the event of a place goes out, in any file.
pub(super) fn carried(conn: &Connection, place: u64) -> rusqlite::Result<Option<(EventId, u64)>> {
    conn.prepare_cached("SELECT generation, number FROM carried WHERE sequence = ?")?
        .query_row([signed(place)], |row| Ok((EventId(row.get(0)?), number(row, 1)?)))
        .optional()
}

/// The same of a file that may be of an earlier version, or damaged there too.
fn origin_of(old: &Connection, sequence: u64) -> Option<(EventId, u64)> {
    carried(old, sequence).ok().flatten()
}

/// Sequences that wait no more: settled, or gone.
fn settled(old: &Connection, done: &mut RangeSet) -> rusqlite::Result<()> {
    let mut rows = old.prepare("SELECT first, last FROM gone")?;
    let mut rows = rows.query([])?;
    while let Some(row) = rows.next()? {
        done.insert_run(number(row, 0)?, number(row, 1)?);
    }
    let mut rows = old.prepare("SELECT sequence FROM settled WHERE result <> 0 ORDER BY sequence")?;
    let mut rows = rows.query([])?;
    while let Some(row) = rows.next()? {
        done.insert(number(row, 0)?);
    }
    Ok(())
}

/// An event, its stamp, and how its bytes were fixed.
type Found = (OldEvent, Option<Vec<u8>>, Option<(Fixed, Option<Vec<u8>>)>);

fn by_number(old: &Connection, sequence: u64) -> rusqlite::Result<Option<Found>> {
    let found = old
        .prepare_cached(
            "SELECT id, kind, urgent, camera, happened_at, body, hit, stamp_open, NULL, stamp, images FROM events \
             WHERE sequence = ?",
        )?
        .query_row([signed(sequence)], |row| {
            Ok(OldEvent { event: taken_row(row)?, stamp: row.get(9)?, images: row.get(10)? })
        })
        .optional()?;
    let Some(event) = found else { return Ok(None) };
    // A bad page of another table costs what stood there, and not the event.
    let fixed = fixing(old, sequence).ok().flatten().map(|fixed| {
        let stamp = fixed.stamp.and_then(|number| stamp(old, number));
        (fixed, stamp)
    });
    let stamp = event.stamp.and_then(|number| stamp(old, number));
    Ok(Some((event, stamp, fixed)))
}

fn stamp(old: &Connection, number: i64) -> Option<Vec<u8>> {
    let mut one = old.prepare_cached("SELECT stamp FROM stamps WHERE number = ?").ok()?;
    one.query_row([number], |row| row.get(0)).ok()
}

fn fixing(old: &Connection, sequence: u64) -> rusqlite::Result<Option<Fixed>> {
    old.prepare_cached("SELECT sent_at, salt, stamp FROM settled WHERE sequence = ? AND result = 0 AND salt NOT NULL")?
        .query_row([signed(sequence)], |row| Ok(Fixed { sent_at: row.get(0)?, salt: row.get(1)?, stamp: row.get(2)? }))
        .optional()
}

/// A row of `events` by its columns (see `schema`); `None` if it is one of another table.
fn event_row((row, values): Row) -> Option<(u64, OldEvent)> {
    let sequence = u64::try_from(row).ok()?;
    let [Value::Null, id, kind, urgent, hit, open, _, camera, happened_at, _, _, _, stamp, body, rest @ ..] =
        &values[..]
    else {
        return None;
    };
    if 1 < rest.len() {
        return None;
    }
    let flag = |value: &Value| value.int().map(|value| value != 0);
    let kind = EventKind::from_code(u8::try_from(kind.int()?).ok()?)?;
    let camera = camera.bytes().and_then(|name| CameraId::new(std::str::from_utf8(name).ok()?).ok());
    let event = NewEvent {
        id: EventId(id.bytes()?.try_into().ok()?),
        kind,
        lane: if flag(urgent)? { Lane::Urgent } else { Lane::Bulk },
        camera,
        happened_at: Utc(happened_at.int()?),
        body: body.bytes()?.to_vec(),
        stamp: None,
        hit: flag(hit)?,
        stamp_open: flag(open)?,
        images: Vec::new(),
    };
    let images = rest.first().and_then(Value::bytes).map(<[u8]>::to_vec);
    Some((sequence, OldEvent { event, stamp: stamp.int(), images }))
}

/// Stands for a stamp that was lost: nobody may be told a place that nobody knows.
fn lost_stamp() -> Vec<u8> {
    let stamp = StampBody {
        stamp_revision: 1,
        place: PlaceBody {
            lat: None,
            lon: None,
            radius95_m: None,
            site: None,
            spot: "unknown".to_owned(),
            state: "none".to_owned(),
            fix_age_s: None,
            line: "Place not known: it was lost with a damaged part of the trailer's queue.".to_owned(),
            line_state: "missing".to_owned(),
        },
        clock: ClockBody {
            trust: "unset".to_owned(),
            captured_at_corrected: None,
            error_ms: None,
            offset_ms: None,
            capture_far_s: None,
        },
    };
    serde_json::to_vec(&stamp).unwrap_or_default()
}
