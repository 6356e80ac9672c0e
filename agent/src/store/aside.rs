//! A damaged or lost queue file must not stop the trailer: it is set aside, what still waits in it and can be read goes
//! over into a new generation, and the receiver is told. Nothing is deleted before its age limit.

use super::db::Db;
use super::disk::Folder;
use super::salvage::{TakenOver, take_over};
use super::{NewEvent, StoreError};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::seal::{is_sealed, renumbered};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};

/// So long may the taking over last before the trailer goes on without the rest, ms (design: reads go on within 10 s).
pub(super) const SALVAGE_MS: u64 = 5000;

/// Most runs in one entry of the ledger (our own limit: a receiver takes ten times as many).
pub(super) const RUNS_MAX: usize = 1000;

/// How the note of a damage begins that the receiver found: numbers of this file may have been given twice.
pub(super) const HEARD_OF_MORE: &str = "the receiver knows number";

/// What the entry says of the places of events that came over.
const CARRIED: &str = "events of an earlier generation have these places and go out under their own numbers";

/// Opens the queue; a damaged file is set aside first, and a lost one noticed by the note of its generation.
pub(super) fn open_or_replace(folder: &Folder, now: &Moment) -> Result<Db, StoreError> {
    if let Some(detail) = folder.marked_damage() {
        let db = replace(folder, &detail, !detail.starts_with(HEARD_OF_MORE), now)?;
        let fail = |error| StoreError::Disk { detail: format!("can't remove queue.damaged: {error}") };
        folder.unmark_damaged().map_err(fail)?;
        return Ok(db);
    }
    let db = match Db::open(folder, now, false) {
        Err(StoreError::Damaged { detail, .. }) => replace(folder, &detail, true, now)?,
        Ok(db) if db.books.accepted == 0 => begin(db, folder, None, "the file was lost", now)?,
        Ok(db) if is_older_copy(&db, folder) => {
            let detail = format!(
                "it has given out {} numbers and had given out {} before: it is an older copy of itself",
                db.books.accepted,
                folder.noted_up_to()
            );
            drop(db);
            replace(folder, &detail, false, now)?
        }
        other => other?,
    };
    note(&db, folder)?;
    Ok(db)
}

/// Sets the damaged file aside and begins a new one. `keep`: what comes over keeps its numbers. Not so from an older
/// copy: what it gave out since may have been given to other events before.
fn replace(folder: &Folder, detail: &str, keep: bool, now: &Moment) -> Result<Db, StoreError> {
    let name = folder.set_aside(now.utc).map_err(|error| StoreError::Disk {
        detail: format!("the queue's file is damaged ({detail}) and can't be set aside: {error}"),
    })?;
    tracing::error!(
        file = name,
        detail,
        "the queue's file is damaged or an older copy; it was set aside and a new one begun"
    );
    let db = Db::open(folder, now, false)?;
    let db = begin(db, folder, Some((&name, keep)), &format!("the file was damaged or went backwards: {detail}"), now)?;
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
fn begin(
    mut db: Db,
    folder: &Folder,
    aside: Option<(&str, bool)>,
    reason: &str,
    now: &Moment,
) -> Result<Db, StoreError> {
    let path = folder.db();
    let said = |error: rusqlite::Error| super::disk::meaning(&error, &path);
    db.conn.execute_batch("BEGIN IMMEDIATE").map_err(said)?;
    // Sequence 1 is kept free for the event that says what came over.
    db.books.accepted = 1;
    let taken = match aside {
        Some((name, keep)) => {
            db.keep(&format!(".aside.{name}"), &db.books.lived.at(now.mono).to_be_bytes()).map_err(said)?;
            take_over(&mut db, folder, name, keep, now).map_err(said)?
        }
        None => TakenOver::default(),
    };
    let own = db.books.generation.clone();
    let mut entries = match folder.noted_generation() {
        None => vec![entry(LedgerWhat::Opened, own.clone(), &taken, "a new queue was made".to_owned())],
        Some(earlier) => {
            let mut rest = match taken.unreadable.len() {
                0 => String::new(),
                n => format!("; {n} events could not be read"),
            };
            if taken.cut_short {
                rest.push_str("; time ran out before all of it was looked through");
            }
            if 0 < taken.stampless {
                let more = format!("; {} reads came over without their place", taken.stampless);
                rest.push_str(&more);
            }
            rest.push_str(&taken.pictures.told());
            closing(&earlier, &taken, &format!("{reason}{rest}"))
        }
    };
    let last = std::mem::replace(&mut db.books.accepted, 0);
    db.put_ledger(&entries.remove(0), now).map_err(said)?;
    db.books.accepted = last;
    for more in &entries {
        db.put_ledger(more, now).map_err(said)?;
    }
    if !taken.places.is_empty() {
        let mut carried = entry(LedgerWhat::Carried, own, &TakenOver::default(), CARRIED.to_owned());
        (carried.ranges, carried.count) = (runs(&taken.places), taken.places.len());
        db.put_ledger(&carried, now).map_err(said)?;
    }
    db.tell_owed(&taken.pictures, now).map_err(said)?;
    db.write_sums(now).map_err(said)?;
    db.conn.execute_batch("COMMIT").map_err(said)?;
    Ok(db)
}

/// The entries that close a generation: one, or more where many runs could not be read.
fn closing(earlier: &str, taken: &TakenOver, reason: &str) -> Vec<LedgerBody> {
    let unreadable = runs(&taken.unreadable);
    let mut chunks = unreadable.chunks(RUNS_MAX);
    let mut first = entry(LedgerWhat::Closed, earlier.to_owned(), taken, reason.to_owned());
    first.unreadable = chunks.next().unwrap_or_default().to_vec();
    if taken.places.is_empty() {
        first.ranges = runs(&taken.ranges);
    }
    let mut entries = vec![first];
    for chunk in chunks {
        let mut more = entry(LedgerWhat::Closed, earlier.to_owned(), taken, reason.to_owned());
        (more.count, more.unreadable) = (0, chunk.to_vec());
        entries.push(more);
    }
    entries
}

fn runs(set: &RangeSet) -> Vec<SequenceRange> {
    set.runs().map(|(from, to)| SequenceRange { from, to }).collect()
}

fn entry(what: LedgerWhat, generation: String, taken: &TakenOver, reason: String) -> LedgerBody {
    LedgerBody {
        v: VERSION,
        what,
        generation,
        ranges: Vec::new(),
        unreadable: Vec::new(),
        count: taken.events,
        class: None,
        captured_from: None,
        captured_to: None,
        accepted_up_to: taken.up_to,
        reason,
    }
}

/// A sealed body stays bound to the numbers under which it was sealed.
pub(super) fn keep_numbers(body: Vec<u8>, generation: Option<EventId>, sequence: u64) -> Vec<u8> {
    match generation {
        Some(generation) if is_sealed(&body) => renumbered(&body, generation, sequence),
        _ => body,
    }
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
