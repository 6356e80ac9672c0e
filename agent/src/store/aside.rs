//! A damaged or lost queue file must not stop the trailer: it is set aside, what still waits in it and can be read goes
//! over into a new generation, and the receiver is told. Nothing is deleted before its age limit.

use super::books::number;
use super::db::Db;
use super::disk::Folder;
use super::{Accepted, NewEvent, StoreError};
use crate::clock;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::seal::{is_sealed, renumbered};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use std::path::Path;

/// So long may the taking over last before the trailer goes on without the rest, ms (design: reads go on within 10 s).
const SALVAGE_MS: u64 = 5000;

/// What came over from an earlier file.
#[derive(Default)]
struct TakenOver {
    events: u64,
    unreadable: u64,
    /// Their sequences there.
    ranges: RangeSet,
    /// Highest sequence seen there.
    up_to: Option<u64>,
    /// False if the time ran out first.
    complete: bool,
}

/// Opens the queue; a damaged file is set aside first, and a lost one noticed by the note of its generation.
pub(super) fn open_or_replace(folder: &Folder, now: &Moment) -> Result<Db, StoreError> {
    if let Some(detail) = folder.marked_damage() {
        let db = replace(folder, &detail, now)?;
        let fail = |error| StoreError::Disk { detail: format!("can't remove queue.damaged: {error}") };
        folder.unmark_damaged().map_err(fail)?;
        return Ok(db);
    }
    let db = match Db::open(folder, now, false) {
        Err(StoreError::Damaged { detail, .. }) => replace(folder, &detail, now)?,
        Ok(db) if db.books.accepted == 0 => begin(db, folder, None, "the file was lost", now)?,
        Ok(db) if is_older_copy(&db, folder) => {
            let detail = format!(
                "it has given out {} numbers and had given out {} before: it is an older copy of itself",
                db.books.accepted,
                folder.noted_up_to()
            );
            drop(db);
            replace(folder, &detail, now)?
        }
        other => other?,
    };
    note(&db, folder)?;
    Ok(db)
}

/// Sets the damaged file aside and begins a new one.
fn replace(folder: &Folder, detail: &str, now: &Moment) -> Result<Db, StoreError> {
    let name = folder.set_aside(now.utc).map_err(|error| StoreError::Disk {
        detail: format!("the queue's file is damaged ({detail}) and can't be set aside: {error}"),
    })?;
    tracing::error!(
        file = name,
        detail,
        "the queue's file is damaged or an older copy; it was set aside and a new one begun"
    );
    let db = Db::open(folder, now, false)?;
    let db = begin(db, folder, Some(&name), &format!("the file was damaged or went backwards: {detail}"), now)?;
    note(&db, folder)?;
    Ok(db)
}

/// Storage that went backwards: a worn card that forgot, or a restored image. Its next numbers were given before.
fn is_older_copy(db: &Db, folder: &Folder) -> bool {
    folder.noted_generation().as_ref() == Some(&db.books.generation) && db.books.accepted < folder.noted_up_to()
}

fn note(db: &Db, folder: &Folder) -> Result<(), StoreError> {
    if folder.noted_generation().as_ref() == Some(&db.books.generation) {
        return Ok(());
    }
    folder
        .note_generation(&db.books.generation, db.books.accepted)
        .map_err(|error| StoreError::Disk { detail: format!("can't write queue.generation: {error}") })
}

/// Begins a generation in an empty file: its first event says that there was none before, or closes the earlier one.
fn begin(mut db: Db, folder: &Folder, aside: Option<&str>, reason: &str, now: &Moment) -> Result<Db, StoreError> {
    let path = folder.db();
    let said = |error: rusqlite::Error| super::disk::meaning(&error, &path);
    db.conn.execute_batch("BEGIN IMMEDIATE").map_err(said)?;
    // Sequence 1 is kept free for the event that says what came over.
    db.books.accepted = 1;
    let taken = match aside {
        Some(name) => {
            db.keep(&format!(".aside.{name}"), &db.books.lived.at(now.mono).to_be_bytes()).map_err(said)?;
            take_over(&mut db, &folder.path().join(name), now).map_err(said)?
        }
        None => TakenOver::default(),
    };
    let body = match folder.noted_generation() {
        None => ledger(LedgerWhat::Opened, db.books.generation.clone(), &taken, "a new queue was made".to_owned()),
        Some(earlier) => {
            let rest = match (taken.unreadable, taken.complete || aside.is_none()) {
                (0, true) => String::new(),
                (n, true) => format!("; {n} events could not be read"),
                (n, false) => format!("; {n} events could not be read, and time ran out before the rest"),
            };
            ledger(LedgerWhat::Closed, earlier, &taken, format!("{reason}{rest}"))
        }
    };
    let last = std::mem::replace(&mut db.books.accepted, 0);
    db.put_ledger(&body, now).map_err(said)?;
    db.books.accepted = last;
    db.conn.execute_batch("COMMIT").map_err(said)?;
    Ok(db)
}

fn ledger(what: LedgerWhat, generation: String, taken: &TakenOver, reason: String) -> LedgerBody {
    LedgerBody {
        v: VERSION,
        what,
        generation,
        ranges: taken.ranges.runs().map(|(from, to)| SequenceRange { from, to }).collect(),
        count: taken.events,
        class: None,
        captured_from: None,
        captured_to: None,
        accepted_up_to: taken.up_to,
        reason,
    }
}

/// Copies what waits in the file set aside, one row at a time, so that a bad page costs its own rows only. Those that
/// the receiver has already are known to it by their ids.
fn take_over(db: &mut Db, aside: &Path, now: &Moment) -> rusqlite::Result<TakenOver> {
    let mut taken = TakenOver { complete: true, ..TakenOver::default() };
    let Ok(old) = Connection::open_with_flags(aside, OpenFlags::SQLITE_OPEN_READ_WRITE) else { return Ok(taken) };
    let old_ms = Db::age_of(&old, now);
    db.adopt_holds(&old, old_ms, now)?;
    let edge = |sql| old.query_row(sql, [], |row| number(row, 0)).ok();
    let (Some(first), Some(last)) =
        (edge("SELECT min(sequence) FROM events"), edge("SELECT max(sequence) FROM events"))
    else {
        return Ok(taken);
    };
    taken.up_to = Some(last);
    let generation = old
        .query_row("SELECT value FROM kept WHERE key = ?", [super::books::GENERATION], |row| row.get::<_, Vec<u8>>(0))
        .ok()
        .and_then(|text| EventId::parse(&String::from_utf8_lossy(&text)));
    let begun = clock::mono();
    for sequence in first..=last {
        if sequence % 256 == 0 && SALVAGE_MS < clock::mono().since_ms(begun) {
            taken.complete = false;
            break;
        }
        match waiting_event(&old, generation, sequence) {
            Ok(Some(event)) => {
                if let Accepted::New { sequence: new } = db.put(&event, now)? {
                    db.adopt_images(new, event.hit, super::images::announced(&old, sequence))?;
                    taken.ranges.insert(sequence);
                    taken.events += 1;
                }
            }
            Ok(None) => {}
            Err(_) => taken.unreadable += 1,
        }
    }
    Ok(taken)
}

/// A sealed body stays bound to the numbers under which it was sealed.
pub(super) fn keep_numbers(body: Vec<u8>, generation: Option<EventId>, sequence: u64) -> Vec<u8> {
    match generation {
        Some(generation) if is_sealed(&body) => renumbered(&body, generation, sequence),
        _ => body,
    }
}

fn waiting_event(old: &Connection, generation: Option<EventId>, sequence: u64) -> rusqlite::Result<Option<NewEvent>> {
    old.prepare_cached(
        "SELECT id, kind, urgent, camera, happened_at, body, hit, stamp_open, \
         (SELECT stamp FROM stamps WHERE number = events.stamp) FROM events \
         WHERE sequence = ? AND NOT EXISTS (SELECT 1 FROM settled WHERE settled.sequence = events.sequence \
         AND result <> 0)",
    )?
    .query_row([super::books::signed(sequence)], |row| {
        let event = taken_row(row)?;
        Ok(NewEvent { body: keep_numbers(event.body, generation, sequence), ..event })
    })
    .optional()
}

/// An event as its row has it: id, kind, urgent, camera, `happened_at`, body, hit, `stamp_open`, stamp.
pub(super) fn taken_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<NewEvent> {
    let code: u8 = row.get(1)?;
    Ok(NewEvent {
        id: EventId(row.get(0)?),
        kind: EventKind::from_code(code).ok_or(rusqlite::Error::IntegralValueOutOfRange(1, i64::from(code)))?,
        lane: if row.get(2)? { Lane::Urgent } else { Lane::Bulk },
        camera: row.get::<_, Option<String>>(3)?.and_then(|name| CameraId::new(&name).ok()),
        happened_at: Utc(row.get(4)?),
        body: row.get(5)?,
        stamp: row.get(8)?,
        hit: row.get(6)?,
        stamp_open: row.get(7)?,
        images: Vec::new(),
    })
}

/// Deletes files set aside longer ago than `keep_ms` by the store's own age.
pub(super) fn delete_old(db: &Db, folder: &Folder, keep_ms: u64, lived_ms: i64) -> rusqlite::Result<()> {
    let mut rows = db.conn.prepare_cached("SELECT key, value FROM kept WHERE key >= '.aside.' AND key < '.aside/'")?;
    let rows = rows.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
    for row in rows {
        let (key, at) = row?;
        let at_ms = at.try_into().map_or(0, i64::from_be_bytes);
        if u64::try_from(lived_ms.saturating_sub(at_ms)).is_ok_and(|age| keep_ms < age)
            && folder.delete_aside(key.trim_start_matches(".aside."))
        {
            db.conn.execute("DELETE FROM kept WHERE key = ?", [key])?;
        }
    }
    Ok(())
}
