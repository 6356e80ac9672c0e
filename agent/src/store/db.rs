//! The open queue file: one connection and what we know by heart of it. Each change here runs inside a transaction that
//! the thread began; after any error the thread throws the connection and the books away and reads them anew, so the
//! books may be changed before the commit.

use super::books::{Books, number, signed};
use super::disk::SharedSealer;
use super::disk::{Folder, meaning};
use super::holds::KnownHolds;
use super::images;
use super::picture_ledger::PictureBooks;
use super::schema::{DELIVERED, SENT, SchemaError, migrate};
use super::stamps::KnownStamps;
use super::{Accepted, LaterStamp, NewEvent, OpenStamp, StoreError, StoreHandle};
use crate::durable::grown::Grown;
use crate::durable::{self, Tuning, Unproven};
use crate::wipe::Wiper;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::retention::Profiles;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Duration;

/// The log is written back into the database when it has this many pages (8 MiB). Common practice is 1,000; a longer
/// log writes each page of the database less often.
const CHECKPOINT_PAGES: i64 = 2000;

/// How long a statement waits for another program that holds a lock on the file (a person's diagnosis), ms.
const BUSY_WAIT_MS: u64 = 5000;

/// What the connection differs in from that of the receiver.
const TUNING: Tuning = Tuning { busy_ms: BUSY_WAIT_MS, cache_kib: 8192, log_bytes_max: 16 << 20 };

/// An event that is accepted this long after it happened can expire before its neighbours and is listed apart, ms.
const LATE_MS: i64 = 3_600_000;

/// Longest answer of a receiver that is kept, characters.
pub(super) const ANSWER_CHARS_MAX: usize = 500;

/// Our own descriptors of the open file and its log. They stand behind the connection, so that they are dropped after
/// it: to close one takes SQLite's locks away; see [`Wiper`] and [`durable::Files`].
pub(super) struct Beside {
    wiper: Option<Wiper>,
    files: durable::Files,
}

impl Beside {
    /// `file` was opened before the connection.
    fn open(folder: &Folder, file: Option<Grown>) -> Self {
        let wiper = Wiper::open(&folder.db());
        if let Err(error) = &wiper {
            tracing::warn!(%error, "what rows leave behind when they are moved can't be wiped until the next opening");
        }
        Self { wiper: wiper.ok(), files: durable::Files::open(&folder.db(), file) }
    }
}

pub(super) struct Db {
    pub(super) conn: Connection,
    pub(super) beside: Beside,
    pub(super) books: Books,
    pub(super) stamps: KnownStamps,
    pub(super) sealer: Option<SharedSealer>,
    /// Set by changes that brought events of a lane; the thread signals and clears them after the commit.
    pub(super) brought_urgent: bool,
    /// See `brought_urgent`.
    pub(super) brought_bulk: bool,
    /// Whether the running transaction changed the sums of the ledger.
    pub(super) sums_changed: bool,
    pub(super) images: images::Known,
    pub(super) holds: KnownHolds,
    pub(super) profiles: Profiles,
    /// Marks of profiles in the file.
    pub(super) codes: BTreeSet<i64>,
}

impl Db {
    /// Opens the file, brings it to our version and reads the books. `after_failure`: what the kernel holds in memory
    /// is not believed, and nothing is accepted before the database is proven to have on the disk what the log has.
    pub(super) fn open(folder: &Folder, now: &Moment, after_failure: bool) -> Result<Self, StoreError> {
        let path = folder.db();
        let said = |error: rusqlite::Error| meaning(&error, &path);
        let failed = |what: &str, error: std::io::Error| StoreError::Disk {
            detail: format!("{what} {}: {error}", path.display()),
        };
        if let Some(detail) = durable::too_old() {
            return Err(StoreError::Unusable { path: path.display().to_string(), detail });
        }
        folder.make_db().map_err(|error| failed("can't make", error))?;
        // Even a first opening may follow a failure: that of the process before.
        if after_failure || durable::has_log(&path) {
            let mut look = durable::Look::open(&path).map_err(|error| failed("can't read back", error))?;
            look.prove(after_failure, || connect(&path)).map_err(|unproven| match unproven {
                Unproven::Open(error) => error,
                Unproven::Sql(error) => said(error),
                Unproven::ReadBack(error) => failed("can't read back", error),
                Unproven::KeptOpen => {
                    StoreError::Disk { detail: format!("another program keeps {} open", path.display()) }
                }
                Unproven::NotWritten(pages) => {
                    StoreError::Disk { detail: format!("it said that {pages} pages were written, and they were not") }
                }
            })?;
        }
        let file = durable::Files::before(&path);
        let conn = connect(&path)?;
        if !after_failure {
            durable::cut(&conn).map_err(said)?;
        }
        let books = Books::read(&conn, now).map_err(said)?;
        let holds = KnownHolds::read(&conn).map_err(said)?;
        Ok(Self::with((conn, Beside::open(folder, file)), books, holds, folder))
    }

    /// A connection and what was just read through it.
    pub(super) fn with((conn, beside): (Connection, Beside), books: Books, holds: KnownHolds, folder: &Folder) -> Self {
        // If it can't be told, looking costs little.
        let pictures = PictureBooks::read(&conn).unwrap_or_default();
        let images = images::Known { any: images::any(&conn).unwrap_or(true), dropped: Vec::new(), books: pictures };
        let codes = super::profiles::codes(&conn, &folder.profiles());
        Self {
            conn,
            beside,
            books,
            images,
            holds,
            profiles: folder.profiles(),
            codes,
            stamps: KnownStamps::default(),
            sealer: folder.sealer(),
            brought_urgent: false,
            brought_bulk: false,
            sums_changed: false,
        }
    }

    /// Writes the log back and cuts it; waits for another program that reads. True if its reading kept a part of the
    /// log all the same.
    pub(super) fn checkpoint(&mut self) -> rusqlite::Result<bool> {
        look_at_moved(self.beside.wiper.as_mut());
        if self.beside.files.fold(&self.conn)? {
            return Ok(true);
        }
        self.wipe()?;
        Ok(self.beside.wiper.as_ref().is_some_and(Wiper::is_behind))
    }

    /// The same without waiting, since reads wait behind it.
    pub(super) fn checkpoint_at_once(&mut self) -> rusqlite::Result<bool> {
        self.conn.busy_timeout(Duration::ZERO)?;
        let kept = self.checkpoint();
        self.conn.busy_timeout(Duration::from_millis(BUSY_WAIT_MS))?;
        kept
    }

    /// Writes the log back if it has become long. An error here must close the file.
    pub(super) fn checkpoint_if_long(&mut self) -> rusqlite::Result<()> {
        let Self { conn, beside: Beside { wiper, files }, .. } = self;
        files.write_back_if_long(conn, CHECKPOINT_PAGES, || look_at_moved(wiper.as_mut()))
    }

    /// Whether what the log grew by with the last commit is on the disk; an error if it is not.
    pub(super) fn log_is_there(&mut self) -> rusqlite::Result<()> {
        self.beside.files.log_is_there()
    }

    /// Rows go or change their length, so others may be moved.
    pub(super) fn rows_move(&mut self) {
        if let Some(wiper) = &mut self.beside.wiper {
            wiper.rows_move();
        }
    }

    /// Wipes copies of moved rows, while our write lock keeps every other program from writing.
    fn wipe(&mut self) -> rusqlite::Result<()> {
        let Some(wiper) = self.beside.wiper.as_mut().filter(|wiper| wiper.is_behind()) else { return Ok(()) };
        self.conn.execute_batch("BEGIN IMMEDIATE")?;
        let wiped = wiper.wipe();
        self.conn.execute_batch("ROLLBACK")?;
        match wiped {
            Ok(0) => Ok(()),
            // SQLite's own copies of these pages would bring it back with the next change to one of them.
            Ok(_) => self.conn.execute_batch("PRAGMA shrink_memory"),
            Err(error) => {
                tracing::warn!(%error, "what moved rows left behind is not wiped yet");
                Ok(())
            }
        }
    }

    pub(super) fn accept(&mut self, events: &[NewEvent], now: &Moment) -> rusqlite::Result<Vec<Accepted>> {
        self.books.lived.observe(now);
        events.iter().map(|event| self.put(event, now)).collect()
    }

    pub(super) fn put(&mut self, event: &NewEvent, now: &Moment) -> rusqlite::Result<Accepted> {
        if event.kind == EventKind::Read && self.books.past {
            let key = self.books.past_key(&event.id);
            let tag = self
                .conn
                .prepare_cached("SELECT tag FROM past WHERE key = ?")?
                .query_row([key], |row| row.get::<_, Vec<u8>>(0))
                .optional()?;
            if let Some(tag) = tag {
                // A sealed body leaves no tag that could be compared: whoever has it could try plates.
                let same = self.sealer.is_some() || tag == self.books.body_tag(&event.body);
                return Ok(if same { Accepted::Repeat { sequence: 0 } } else { Accepted::OtherBody });
            }
        }
        let sequence = self.books.accepted + 1;
        let born = self.books.lived.born(event.happened_at, now);
        let sealed = self.seal(event, sequence, born, self.books.lived.at(now.mono))?;
        let body = sealed.as_ref().unwrap_or(&event.body);
        let is_late = LATE_MS < self.books.lived.at(now.mono).saturating_sub(born);
        let apart = self.profile_of(event.stamp.as_deref()).unwrap_or(i64::from(is_late));
        let stamp = match &event.stamp {
            Some(stamp) => Some(self.stamps.number(&self.conn, sequence, stamp)?),
            None => None,
        };
        let images = images::list(event);
        let inserted = self
            .conn
            .prepare_cached(
                "INSERT INTO events (sequence, id, kind, urgent, hit, stamp_open, late, camera, happened_at, accepted_at, \
                 born, revision, stamp, body, images) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?) ON CONFLICT (id) DO NOTHING",
            )?
            .execute(params![
                signed(sequence),
                event.id.0,
                event.kind.code(),
                event.lane == Lane::Urgent,
                event.hit,
                event.stamp_open,
                apart,
                event.camera.as_ref().map(CameraId::as_str),
                event.happened_at.0,
                now.utc.0,
                born,
                stamp,
                body,
                images,
            ])?;
        if inserted == 0 && self.sealer.is_some() {
            return self.repeat_of_sealed(event);
        }
        if inserted == 0 {
            let (sequence, same) = self
                .conn
                .prepare_cached("SELECT sequence, body = ? FROM events WHERE id = ?")?
                .query_row(params![event.body, event.id.0], |row| Ok((number(row, 0)?, row.get(1)?)))?;
            return Ok(if same { Accepted::Repeat { sequence } } else { Accepted::OtherBody });
        }
        if let Some(images) = &images {
            self.put_images(sequence, event.hit, images)?;
        }
        self.books.accepted = sequence;
        self.books.order.arrived(sequence, event.lane, now.mono);
        if event.kind == EventKind::Track
            && event.lane == Lane::Urgent
            && let Some(older) = self.books.newest_track.replace(sequence)
        {
            self.books.order.demote(older);
            // It waits among the others now, and those may go.
            let bulk = &mut self.books.never_up_to[0];
            *bulk = (*bulk).min(older.saturating_sub(1));
        }
        match event.lane {
            Lane::Urgent => self.brought_urgent = true,
            Lane::Bulk => self.brought_bulk = true,
        }
        Ok(Accepted::New { sequence })
    }

    /// Walks back from the newest read until all earlier ones were accepted before the span began, by the host's clock
    /// and by the store's age: an index over capture times would cost every accepted read one more page.
    pub(super) fn open_stamps(&self, from: Utc, to: Utc, now: &Moment) -> rusqlite::Result<Vec<OpenStamp>> {
        let born_from = self.books.lived.born(from, now);
        let mut rows = self.conn.prepare_cached(
            "SELECT sequence, id, camera, happened_at, (SELECT stamp FROM stamps WHERE number = events.stamp), \
             kind, accepted_at, born FROM events ORDER BY sequence DESC",
        )?;
        let mut rows = rows.query([])?;
        let mut open = Vec::new();
        while let Some(row) = rows.next()? {
            let (captured_at, kind): (i64, u8) = (row.get(3)?, row.get(5)?);
            if (from.0..=to.0).contains(&captured_at)
                && kind == EventKind::Read.code()
                && let Some(camera) = row.get::<_, Option<String>>(2)?.and_then(|name| CameraId::new(&name).ok())
                && let Some(stamp) = row.get::<_, Option<Vec<u8>>>(4)?
            {
                let (sequence, read_id) = (number(row, 0)?, EventId(row.get(1)?));
                open.push(OpenStamp { sequence, read_id, camera, captured_at: Utc(captured_at), stamp });
            }
            if row.get::<_, i64>(6)? < from.0 && row.get::<_, i64>(7)? < born_from {
                break;
            }
        }
        open.sort_by_key(|read| (read.captured_at, read.sequence));
        Ok(open)
    }

    pub(super) fn restamp(&mut self, stamps: &[LaterStamp], now: &Moment) -> rusqlite::Result<u64> {
        self.books.lived.observe(now);
        self.rows_move();
        let mut queued = 0;
        for later in stamps {
            let stamp = self.stamps.number(&self.conn, later.sequence, &later.stamp)?;
            let profile = self.profile_of(Some(&later.stamp));
            let updated = self
                .conn
                .prepare_cached(
                    "UPDATE events SET stamp = ?1, revision = ?2, stamp_open = ?3, late = coalesce(?5, min(late, 1)) \
                     WHERE sequence = ?4 AND kind = 0 AND revision < ?2 RETURNING id, camera, happened_at",
                )?
                .query_row(params![stamp, later.revision, later.open, signed(later.sequence), profile], |row| {
                    Ok((EventId(row.get(0)?), row.get::<_, Option<String>>(1)?, Utc(row.get(2)?)))
                })
                .optional()?;
            let Some((read_id, camera, happened_at)) = updated else {
                continue; // gone, or it has this stamp or a later one
            };
            let result: Option<i64> = self
                .conn
                .prepare_cached("SELECT result FROM settled WHERE sequence = ?")?
                .query_row([signed(later.sequence)], |row| row.get(0))
                .optional()?;
            // What was sent without an answer may be there too, and its bytes are fixed.
            if !matches!(result, Some(SENT | DELIVERED)) {
                continue;
            }
            let event = NewEvent {
                id: later.event_id,
                kind: EventKind::Stamp,
                lane: Lane::Bulk,
                camera: camera.and_then(|name| CameraId::new(&name).ok()),
                happened_at,
                body: stamp_event(&read_id, &later.stamp),
                stamp: None,
                hit: false,
                stamp_open: false,
                images: Vec::new(),
            };
            if matches!(self.put(&event, now)?, Accepted::New { .. }) {
                queued += 1;
            }
        }
        Ok(queued)
    }

    pub(super) fn keep(&self, key: &str, value: &[u8]) -> rusqlite::Result<()> {
        self.conn.prepare_cached("INSERT OR REPLACE INTO kept VALUES (?, ?)")?.execute(params![key, value])?;
        Ok(())
    }

    pub(super) fn kept(&self, key: &str) -> rusqlite::Result<Option<Vec<u8>>> {
        self.conn.prepare_cached("SELECT value FROM kept WHERE key = ?")?.query_row([key], |row| row.get(0)).optional()
    }

    /// The highest sequence given out.
    pub(super) fn accepted(&self) -> u64 {
        self.books.accepted
    }

    /// When the oldest event without a receipt was accepted.
    pub(super) fn oldest_waiting(&self) -> rusqlite::Result<Option<Utc>> {
        let Some(sequence) = self.books.order.oldest_waiting() else { return Ok(None) };
        self.conn
            .prepare_cached("SELECT accepted_at FROM events WHERE sequence = ?")?
            .query_row([signed(sequence)], |row| row.get(0).map(Utc))
            .optional()
    }

    /// Bytes inside the file that hold nothing and will be used before the file grows.
    pub(super) fn spare_bytes(&self) -> u64 {
        let read = |pragma| self.conn.pragma_query_value(None, pragma, |row| number(row, 0)).unwrap_or(0);
        read("freelist_count").saturating_mul(read("page_size"))
    }

    /// Queues a ledger event about `sequences` of this file, inside the running transaction; one more for each earlier
    /// generation whose events are among them.
    pub(super) fn tell_ledger(
        &mut self,
        what: LedgerWhat,
        sequences: &RangeSet,
        span: Option<(&str, Utc, Utc)>,
        reason: &str,
        now: &Moment,
    ) -> rusqlite::Result<()> {
        let own = sequences.without(&self.books.carried);
        let mut earlier: BTreeMap<EventId, RangeSet> = BTreeMap::new();
        for (first, last) in sequences.without(&own).runs() {
            for place in first..=last {
                if let Some((generation, number)) = self.origin(place)? {
                    earlier.entry(generation).or_default().insert(number);
                }
            }
        }
        let mut told = Vec::new();
        if !own.is_empty() {
            told.push((self.books.generation.clone(), own, None));
        }
        for (generation, numbers) in earlier {
            let up_to = self.closed_up_to(generation)?.max(numbers.last());
            told.push((generation.to_string(), numbers, up_to));
        }
        for (generation, numbers, accepted_up_to) in told {
            let body = LedgerBody {
                v: VERSION,
                what,
                generation,
                ranges: numbers.runs().map(|(from, to)| SequenceRange { from, to }).collect(),
                unreadable: Vec::new(),
                count: numbers.len(),
                class: span.map(|(class, _, _)| class.to_owned()),
                captured_from: span.map(|(_, from, _)| from.to_rfc3339()),
                captured_to: span.map(|(_, _, to)| to.to_rfc3339()),
                accepted_up_to,
                reason: reason.to_owned(),
            };
            self.put_ledger(&body, now)?;
        }
        Ok(())
    }

    /// The number of a stamp, see [`KnownStamps::number`].
    pub(super) fn stamp_number(&mut self, sequence: u64, stamp: &[u8]) -> rusqlite::Result<i64> {
        self.stamps.number(&self.conn, sequence, stamp)
    }

    pub(super) fn put_ledger(&mut self, body: &LedgerBody, now: &Moment) -> rusqlite::Result<()> {
        let body = serde_json::to_vec(body).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        self.put_own(EventKind::Ledger, body, now)
    }

    /// Queues an event of the store's own, inside the running transaction.
    pub(super) fn put_own(&mut self, kind: EventKind, body: Vec<u8>, now: &Moment) -> rusqlite::Result<()> {
        let event = NewEvent {
            id: StoreHandle::new_event_id(),
            kind,
            lane: Lane::Bulk,
            camera: None,
            happened_at: now.utc,
            body,
            stamp: None,
            hit: false,
            stamp_open: false,
            images: Vec::new(),
        };
        self.put(&event, now).map(|_| ())
    }

    pub(super) fn kind_of(&self, sequence: u64) -> rusqlite::Result<Option<EventKind>> {
        let code: Option<u8> = self
            .conn
            .prepare_cached("SELECT kind FROM events WHERE sequence = ?")?
            .query_row([signed(sequence)], |row| row.get(0))
            .optional()?;
        Ok(code.and_then(EventKind::from_code))
    }
}

/// A connection with our settings to a file of our version.
fn connect(path: &Path) -> Result<Connection, StoreError> {
    let said = |error: rusqlite::Error| meaning(&error, path);
    let unusable = |detail: String| StoreError::Unusable { path: path.display().to_string(), detail };
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags).map_err(said)?;
    durable::set_up(&conn, TUNING).map_err(said)?.map_or(Ok(()), |wrong| Err(unusable(wrong)))?;
    migrate(&conn).map_err(|error| match error {
        SchemaError::Foreign => unusable("it was made by another program".to_owned()),
        SchemaError::Newer { version } => unusable(format!(
            "it was written by a newer Pintle (version {version} of the file); install that one again"
        )),
        SchemaError::Sql(error) => said(error),
    })?;
    Ok(conn)
}

/// Before the log may begin anew: which of its pages have copies of moved rows?
fn look_at_moved(wiper: Option<&mut Wiper>) {
    if let Some(Err(error)) = wiper.map(Wiper::look) {
        tracing::warn!(%error, "the log could not be looked at; the whole file is looked through instead");
    }
}

/// `data` of a stamp event: the stamp's own members with the read's id before them.
fn stamp_event(read_id: &EventId, stamp: &[u8]) -> Vec<u8> {
    let members = stamp.trim_ascii_start().strip_prefix(b"{").unwrap_or(b"}").trim_ascii_start();
    let mut body = format!("{{\"read_id\":\"{read_id}\"").into_bytes();
    if !members.starts_with(b"}") {
        body.push(b',');
    }
    body.extend_from_slice(members);
    body
}
