//! What waits in a file set aside goes over into the new one, row by row: through SQLite where its trees still lead to
//! the row, else straight out of the pages. An event keeps the generation and the number under which it was accepted,
//! and goes out under them; in the new file it only has a place in the order of sending (table `carried`).

use super::ASKED_KEY;
use super::Accepted;
use super::NewEvent;
use super::aside::{SALVAGE_MS, keep_numbers, taken_row};
use super::books::{GENERATION, number, signed};
use super::carve::{Pages, Row, Value};
use super::db::Db;
use super::disk::Folder;
use super::owed::{Owed, owed};
use super::schema::SENT;
use crate::clock;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::queue::blocks::SALT_BYTES;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::stamp::{ClockBody, PlaceBody, StampBody};
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::collections::HashMap;

/// How far a generation that has ended got, by its id.
const CLOSED: &str = ".closed.";

/// What came over from an earlier file.
#[derive(Default)]
pub(super) struct TakenOver {
    /// How many events.
    pub(super) events: u64,
    /// Their sequences there.
    pub(super) ranges: RangeSet,
    /// Their places in the new file, if they keep their own numbers.
    pub(super) places: RangeSet,
    /// Sequences there whose events could not be read.
    pub(super) unreadable: RangeSet,
    /// Reads that came over without their stamp.
    pub(super) stampless: u64,
    /// Pictures of delivered reads that it had still to send.
    pub(super) pictures: Owed,
    /// Highest sequence known of there.
    pub(super) up_to: Option<u64>,
    /// True if the time ran out first.
    pub(super) cut_short: bool,
}

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

struct Salvage<'a> {
    db: &'a mut Db,
    old: Option<Connection>,
    generation: Option<EventId>,
    /// The numbers of the old file were given once only, so they may be kept.
    keep: bool,
    /// Sequences that wait no more.
    done: RangeSet,
    stamps: HashMap<i64, Vec<u8>>,
    fixed: HashMap<u64, Fixed>,
    taken: TakenOver,
    now: &'a Moment,
    begun: Mono,
}

/// Takes over what waits in the file `name`, inside the running transaction. `keep`: under its own numbers.
pub(super) fn take_over(
    db: &mut Db,
    folder: &Folder,
    name: &str,
    keep: bool,
    now: &Moment,
) -> rusqlite::Result<TakenOver> {
    let path = folder.path().join(name);
    let old = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_WRITE).ok();
    if let Some(old) = &old {
        let old_ms = Db::age_of(old, now);
        db.adopt_holds(old, old_ms, now)?;
        adopt_closed(db, old)?;
        adopt_asked(db, old)?;
    }
    let told = old.as_ref().and_then(|old| {
        let sql = "SELECT value FROM kept WHERE key = ?";
        let text = old.query_row(sql, [GENERATION], |row| row.get::<_, Vec<u8>>(0)).ok()?;
        EventId::parse(&String::from_utf8_lossy(&text))
    });
    let noted = folder.noted_generation().and_then(|text| EventId::parse(&text));
    let generation = told.or(noted);
    let mut salvage = Salvage {
        db,
        old,
        generation,
        keep: keep && generation.is_some(),
        done: RangeSet::default(),
        stamps: HashMap::new(),
        fixed: HashMap::new(),
        taken: TakenOver::default(),
        now,
        begun: clock::mono(),
    };
    let before = salvage.db.images.books.counts.kept;
    let whole = salvage.by_trees()?;
    if !whole {
        // What the connection still has in memory is not needed any more, and its log stays where it is.
        let pages = Pages::open(&path, &folder.path().join(format!("{name}-wal")));
        match pages {
            Ok(pages) => salvage.by_pages(&pages)?,
            Err(error) => tracing::error!(%error, file = name, "the pages of the file set aside can't be read"),
        }
    }
    let Salvage { old, keep, done, mut taken, .. } = salvage;
    if let Some(old) = &old {
        let came_over = db.images.books.counts.kept - before;
        taken.pictures = owed(old, generation.filter(|_| keep), came_over);
    }
    // How far it got is noted beside the file each time that it was closed, and every thousand events.
    if keep && generation == noted {
        taken.up_to = taken.up_to.max(Some(folder.noted_up_to()).filter(|up_to| 0 < *up_to));
    }
    if let (true, Some(up_to)) = (keep, taken.up_to) {
        for (first, last) in taken.ranges.gaps(1, up_to).without(&done).runs() {
            taken.unreadable.insert_run(first, last);
        }
        if let Some(generation) = generation {
            db.keep(&format!("{CLOSED}{generation}"), &up_to.to_be_bytes())?;
        }
    }
    Ok(taken)
}

/// What the old file knew of generations before its own.
fn adopt_closed(db: &Db, old: &Connection) -> rusqlite::Result<()> {
    let Ok(mut rows) = old.prepare("SELECT key, value FROM kept WHERE key >= '.closed.' AND key < '.closed/'") else {
        return Ok(());
    };
    let rows = rows.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
    for (key, value) in rows.flatten() {
        db.keep(&key, &value)?;
    }
    Ok(())
}

/// Which requests from afar were heard: without it an old one would be carried out again.
fn adopt_asked(db: &Db, old: &Connection) -> rusqlite::Result<()> {
    let heard = old.query_row("SELECT value FROM kept WHERE key = ?", [ASKED_KEY], |row| row.get::<_, Vec<u8>>(0));
    // If it can't be read, the file beside the queue still has it.
    heard.map_or(Ok(()), |heard| db.keep(ASKED_KEY, &heard))
}

impl Salvage<'_> {
    fn late(&mut self) -> bool {
        self.taken.cut_short |= SALVAGE_MS < clock::mono().since_ms(self.begun);
        self.taken.cut_short
    }

    /// By point queries. False if anything of what the file must have was not found so.
    fn by_trees(&mut self) -> rusqlite::Result<bool> {
        let Some(old) = self.old.take() else { return Ok(false) };
        let mut whole = settled(&old, &mut self.done).is_ok();
        let edge = |sql: &str| old.query_row(sql, [], |row| number(row, 0)).ok();
        let first = edge("SELECT min(sequence) FROM events");
        let last = edge("SELECT max(sequence) FROM events");
        let (Some(first), Some(last)) = (first, last) else {
            // An empty table has no edges either; it is whole.
            let empty = old.query_row("SELECT NOT EXISTS (SELECT 1 FROM events)", [], |row| row.get(0));
            self.taken.up_to = self.done.last();
            self.old = Some(old);
            return Ok(whole && empty.unwrap_or(false));
        };
        self.taken.up_to = Some(last).max(self.done.last());
        for (from, to) in self.done.gaps(first, last).runs() {
            for sequence in from..=to {
                if sequence % 256 == 0 && self.late() {
                    self.old = Some(old);
                    return Ok(true);
                }
                match by_number(&old, sequence) {
                    Ok(Some((event, stamp, fixed))) => {
                        whole &= stamp.is_some() || event.event.kind != EventKind::Read;
                        if stamp.is_none() && event.event.kind == EventKind::Read {
                            continue; // its stamp may be found in the pages
                        }
                        let origin = origin_of(&old, sequence);
                        self.put(sequence, (event, stamp), fixed, origin)?;
                    }
                    Ok(None) => whole = false,
                    Err(_) => {
                        whole = false;
                        self.taken.unreadable.insert(sequence);
                    }
                }
            }
        }
        self.old = Some(old);
        Ok(whole)
    }

    /// By all leaf pages there are: first what other rows need, then the events that did not come over yet.
    fn by_pages(&mut self, pages: &Pages) -> rusqlite::Result<()> {
        for page in 1..=pages.count {
            if page % 64 == 0 && self.late() {
                return Ok(());
            }
            for row in pages.rows(page) {
                self.note(row);
            }
        }
        for page in 1..=pages.count {
            if page % 16 == 0 && self.late() {
                return Ok(());
            }
            for row in pages.rows(page) {
                let Some((sequence, old)) = event_row(row) else { continue };
                if self.done.contains(sequence) || self.taken.ranges.contains(sequence) {
                    continue;
                }
                let stamp = old.stamp.and_then(|number| self.stamps.get(&number).cloned());
                let fixed = self.fixed.get(&sequence).cloned().map(|fixed| {
                    let stamp = fixed.stamp.and_then(|number| self.stamps.get(&number).cloned());
                    (fixed, stamp)
                });
                let origin = self.old.as_ref().and_then(|old| origin_of(old, sequence));
                self.put(sequence, (old, stamp), fixed, origin)?;
                self.taken.up_to = self.taken.up_to.max(Some(sequence));
            }
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
        sequence: u64,
        (old, stamp): (OldEvent, Option<Vec<u8>>),
        fixed: Option<(Fixed, Option<Vec<u8>>)>,
        origin: Option<(EventId, u64)>,
    ) -> rusqlite::Result<()> {
        let OldEvent { mut event, images, .. } = old;
        let origin = origin.or(self.generation.map(|generation| (generation, sequence)));
        if let Some((generation, number)) = origin {
            event.body = keep_numbers(event.body, Some(generation), number);
        }
        event.stamp = stamp;
        if event.kind == EventKind::Read && event.stamp.is_none() {
            event.stamp = Some(lost_stamp());
            self.taken.stampless += 1;
        }
        let Accepted::New { sequence: place } = self.db.put(&event, self.now)? else { return Ok(()) };
        self.db.adopt_images(place, event.hit, images)?;
        if let (true, Some((generation, number))) = (self.keep, origin) {
            self.db
                .conn
                .prepare_cached("INSERT INTO carried (sequence, generation, number) VALUES (?, ?, ?)")?
                .execute(params![signed(place), generation.0, signed(number)])?;
            self.db.books.carried.insert(place);
            self.taken.places.insert(place);
            if let Some((fixed, stamp)) = fixed {
                self.db.fix(place, &event, (fixed.sent_at, fixed.salt), stamp.or_else(|| event.stamp.clone()))?;
            }
        }
        self.taken.ranges.insert(sequence);
        self.taken.unreadable.remove(sequence);
        self.taken.events += 1;
        Ok(())
    }
}

impl Db {
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
