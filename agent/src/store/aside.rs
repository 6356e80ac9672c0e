//! A damaged or lost queue file must not stop the trailer: it is set aside, what still waits in it and can be read goes
//! over into a new generation, and the receiver is told. Nothing is deleted before its age limit.

use super::db::Db;
use super::disk::Folder;
use super::salvage::{ASIDE, News, REST, Salvage};
use super::{NewEvent, StoreError};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::seal::{is_sealed, renumbered};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};

/// So long may the taking over last before the trailer goes on, ms (design: reads go on within 10 s). What is left
/// comes over in slices beside the usual work.
pub(super) const SALVAGE_MS: u64 = 2000;

/// How long such a slice lasts at most, ms, and how many events come over in it (our own: live reads wait no longer for
/// it than for a sync of a slow card).
const SLICE_MS: u64 = 20;
const SLICE_EVENTS: u64 = 500;

/// Most runs in one entry of the ledger (our own limit: a receiver takes ten times as many).
pub(super) const RUNS_MAX: usize = 1000;

/// How the note of a damage begins that the receiver found: numbers of this file may have been given twice.
pub(super) const HEARD_OF_MORE: &str = "the receiver knows number";

/// When the file was last found to be an older copy by the word of a receiver, by the store's age: the file that is
/// begun then remembers it.
pub(super) const WENT_BACKWARDS: &str = ".went_backwards";

/// What the entry says of the places of events that came over.
const CARRIED: &str = "events of an earlier generation have these places and go out under their own numbers";

/// Opens the queue; a damaged file is set aside first, and a lost one noticed by the note of its generation.
pub(super) fn open_or_replace(folder: &Folder, now: &Moment) -> Result<Db, StoreError> {
    if let Some((name, keep, detail)) = folder.noted_aside()
        && (folder.path().join(&name).exists() || folder.path().join(format!("{name}-wal")).exists())
    {
        // A start was killed while it set the file aside, or before its rows came over.
        return replace(folder, (&name, keep), &detail, now);
    }
    if let Some(detail) = folder.marked_damage() {
        return set_aside(folder, &detail, !detail.starts_with(HEARD_OF_MORE), now);
    }
    let db = match Db::open(folder, now, false) {
        Err(StoreError::Damaged { detail, .. }) => set_aside(folder, &detail, true, now)?,
        Ok(db) if db.books.accepted == 0 => begin(db, folder, None, "the file was lost", now)?,
        Ok(db) if is_older_copy(&db, folder) => {
            let detail = format!(
                "it has given out {} numbers and had given out {} before: it is an older copy of itself",
                db.books.accepted,
                folder.noted_up_to()
            );
            drop(db);
            set_aside(folder, &detail, false, now)?
        }
        other => other?,
    };
    note_new(&db, folder)?;
    Ok(db)
}

/// Sets the damaged file aside and begins a new one. `keep`: what comes over keeps its numbers. Not so from an older
/// copy: what it gave out since may have been given to other events before.
fn set_aside(folder: &Folder, detail: &str, keep: bool, now: &Moment) -> Result<Db, StoreError> {
    let fail = |error: std::io::Error| StoreError::Disk {
        detail: format!("the queue's file is damaged ({detail}) and can't be set aside: {error}"),
    };
    let name = folder.free_name(now.utc).map_err(fail)?;
    folder.note_aside(&name, keep, detail).map_err(fail)?;
    replace(folder, (&name, keep), detail, now)
}

fn replace(folder: &Folder, (name, keep): (&str, bool), detail: &str, now: &Moment) -> Result<Db, StoreError> {
    folder.set_aside(name).map_err(|error| StoreError::Disk {
        detail: format!("the queue's file is damaged ({detail}) and can't be set aside: {error}"),
    })?;
    tracing::error!(
        file = name,
        detail,
        "the queue's file is damaged or an older copy; it was set aside and a new one begun"
    );
    let fail = |error| StoreError::Disk { detail: format!("can't remove queue.damaged or queue.aside: {error}") };
    let mut db = match Db::open(folder, now, false) {
        // Not the file that was set aside, but its follower: the next start sets that aside.
        Err(damaged @ StoreError::Damaged { .. }) => {
            folder.forget_aside().map_err(fail)?;
            return Err(damaged);
        }
        other => other?,
    };
    if db.books.accepted == 0 {
        let reason = format!("the file was damaged or went backwards: {detail}");
        db = begin(db, folder, Some((name, keep, detail)), &reason, now)?;
    }
    note_new(&db, folder)?;
    folder.unmark_damaged().and_then(|()| folder.forget_aside()).map_err(fail)?;
    Ok(db)
}

/// Storage that went backwards: a worn card that forgot, or a restored image. Its next numbers were given before.
fn is_older_copy(db: &Db, folder: &Folder) -> bool {
    folder.noted_generation().as_ref() == Some(&db.books.generation) && db.books.accepted < folder.noted_up_to()
}

fn note_new(db: &Db, folder: &Folder) -> Result<(), StoreError> {
    if folder.noted_generation().as_ref() == Some(&db.books.generation) {
        return Ok(());
    }
    note(db, folder).map_err(|error| StoreError::Disk { detail: format!("can't write queue.generation: {error}") })
}

/// Writes beside the file which generation it is, how far it has got, and how many holds it has.
pub(super) fn note(db: &Db, folder: &Folder) -> std::io::Result<()> {
    folder.note_generation(&db.books.generation, db.books.accepted, db.holds.holds.kept())
}

/// Begins a generation in an empty file: its first event says that there was none before, or closes the earlier one.
/// `aside`: name, whether its numbers are kept, why.
fn begin(
    mut db: Db,
    folder: &Folder,
    aside: Option<(&str, bool, &str)>,
    reason: &str,
    now: &Moment,
) -> Result<Db, StoreError> {
    let path = folder.db();
    let said = |error: rusqlite::Error| super::disk::meaning(&error, &path);
    db.conn.execute_batch("BEGIN IMMEDIATE").map_err(said)?;
    // Sequence 1 is kept free for the event that says what came over.
    db.books.accepted = 1;
    let mut salvage = None;
    if let Some((name, keep, detail)) = aside {
        let mut begun = Salvage::begin(&mut db, folder, name, keep, now).map_err(said)?;
        let lived = db.books.lived.at(now.mono).to_be_bytes();
        db.keep(&format!("{ASIDE}{name}"), &lived).map_err(said)?;
        if detail.starts_with(HEARD_OF_MORE) {
            db.keep(WENT_BACKWARDS, &lived).map_err(said)?;
        }
        begun.run(&mut db, now, folder.salvage_ms, u64::MAX).map_err(said)?;
        salvage = Some(begun);
    }
    let news = salvage.as_mut().map(|salvage| std::mem::take(&mut salvage.news)).unwrap_or_default();
    let own = db.books.generation.clone();
    let mut entries = match folder.noted_generation() {
        None => vec![LedgerBody { count: news.events, ..entry(LedgerWhat::Opened, own, "a new queue was made") }],
        Some(earlier) => match &salvage {
            Some(salvage) => closing(&earlier, salvage, &news, reason),
            None => vec![entry(LedgerWhat::Closed, earlier, reason)],
        },
    };
    let last = std::mem::replace(&mut db.books.accepted, 0);
    db.put_ledger(&entries.remove(0), now).map_err(said)?;
    db.books.accepted = last;
    for more in &entries {
        db.put_ledger(more, now).map_err(said)?;
    }
    if let Some(salvage) = &salvage {
        end_of_slice(&mut db, salvage, &news, now).map_err(said)?;
    }
    db.write_sums(now).map_err(said)?;
    db.conn.execute_batch("COMMIT").map_err(said)?;
    Ok(db)
}

/// A slice of what the start had no time for, inside the running transaction.
pub(super) fn go_on(db: &mut Db, salvage: &mut Salvage, now: &Moment) -> rusqlite::Result<()> {
    salvage.run(db, now, SLICE_MS, SLICE_EVENTS)?;
    let news = std::mem::take(&mut salvage.news);
    db.sums_changed = true;
    // Numbers that are not kept are told as renumbered, and at the end what could not be read is told.
    if let Some(earlier) = salvage.earlier.clone()
        && (salvage.is_done() || !(salvage.keep || news.numbers.is_empty()))
    {
        let reason = if salvage.is_done() {
            "all of the file that was set aside is looked through now"
        } else {
            "more events came over from the file that was set aside"
        };
        for entry in closing(&earlier, salvage, &news, reason) {
            db.put_ledger(&entry, now)?;
        }
    }
    end_of_slice(db, salvage, &news, now)
}

/// Which places events have, how far it is, and at the end which pictures are owed.
fn end_of_slice(db: &mut Db, salvage: &Salvage, news: &News, now: &Moment) -> rusqlite::Result<()> {
    for places in runs(&news.places).chunks(RUNS_MAX) {
        let own = db.books.generation.clone();
        let count = places.iter().map(|run| run.to - run.from + 1).sum();
        let carried = LedgerBody { ranges: places.to_vec(), count, ..entry(LedgerWhat::Carried, own, CARRIED) };
        db.put_ledger(&carried, now)?;
    }
    salvage.keep_state(db)?;
    if salvage.is_done() { db.tell_owed(&salvage.owed(), now) } else { Ok(()) }
}

/// The entries that close a generation or tell more of it: one, or more where there are many runs. What was not looked
/// at yet is told as that: only at the end it is known what can't be read.
fn closing(earlier: &str, salvage: &Salvage, news: &News, reason: &str) -> Vec<LedgerBody> {
    let mut reason = reason.to_owned();
    let unknown = salvage.unknown();
    if !salvage.is_done() {
        reason.push_str("; it is not looked through to its end yet, and more events may follow");
    } else if !unknown.is_empty() {
        let more = format!("; {} events could not be read", unknown.len());
        reason.push_str(&more);
    }
    if 0 < news.stampless {
        let more = format!("; {} reads came over without their place", news.stampless);
        reason.push_str(&more);
    }
    if salvage.is_done() {
        reason.push_str(&salvage.owed().told());
    }
    let unreadable = if salvage.is_done() && salvage.keep { runs(&unknown) } else { Vec::new() };
    let ranges = if salvage.keep { Vec::new() } else { runs(&news.numbers) };
    let entries = unreadable.len().max(ranges.len()).div_ceil(RUNS_MAX).max(1);
    let part = |runs: &[SequenceRange], nth: usize| {
        runs.iter().skip(nth * RUNS_MAX).take(RUNS_MAX).copied().collect::<Vec<_>>()
    };
    (0..entries)
        .map(|nth| LedgerBody {
            ranges: part(&ranges, nth),
            unreadable: part(&unreadable, nth),
            count: if nth == 0 { news.events } else { 0 },
            accepted_up_to: salvage.up_to,
            ..entry(LedgerWhat::Closed, earlier.to_owned(), &reason)
        })
        .collect()
}

fn runs(set: &RangeSet) -> Vec<SequenceRange> {
    set.runs().map(|(from, to)| SequenceRange { from, to }).collect()
}

fn entry(what: LedgerWhat, generation: String, reason: &str) -> LedgerBody {
    LedgerBody {
        v: VERSION,
        what,
        generation,
        ranges: Vec::new(),
        unreadable: Vec::new(),
        count: 0,
        class: None,
        captured_from: None,
        captured_to: None,
        accepted_up_to: None,
        reason: reason.to_owned(),
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

/// Deletes files set aside longer ago than `keep_ms` by the store's own age, and looked through to their end.
pub(super) fn delete_old(db: &Db, folder: &Folder, keep_ms: u64, lived_ms: i64) -> rusqlite::Result<()> {
    let mut rows = db.conn.prepare_cached("SELECT key, value FROM kept WHERE key >= '.aside.' AND key < '.aside/'")?;
    let rows = rows.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
    for row in rows {
        let (key, at) = row?;
        let at_ms = at.try_into().map_or(0, i64::from_be_bytes);
        let name = key.trim_start_matches(ASIDE);
        if u64::try_from(lived_ms.saturating_sub(at_ms)).is_ok_and(|age| keep_ms < age)
            && !(db.books.rest && db.kept(&format!("{REST}{name}"))?.is_some())
            && folder.delete_aside(name)
        {
            db.conn.execute("DELETE FROM kept WHERE key = ?", [key])?;
        }
    }
    Ok(())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::store::Settled;
    use pintle_core::moment::{Mono, UtcTrust};
    use std::os::unix::fs::FileExt as _;
    use std::path::Path;

    const READS: u32 = 30_000;

    fn at(ms: u32) -> Moment {
        let utc = Utc(1_800_000_000_000 + i64::from(ms));
        Moment { mono: Mono(ms.into()), utc, utc_trust: UtcTrust::Network }
    }

    fn read(number: u32) -> NewEvent {
        let mut id = [3; 16];
        id[..4].copy_from_slice(&number.to_be_bytes());
        let hit = is_hit(number);
        NewEvent {
            id: EventId(id),
            kind: EventKind::Read,
            lane: if hit { Lane::Urgent } else { Lane::Bulk },
            camera: Some(CameraId::new("north").unwrap()),
            happened_at: at(0).utc,
            body: format!("{{\"number\":{number},\"filling\":\"{}\"}}", "x".repeat(200)).into_bytes(),
            stamp: Some(b"{\"stamp_revision\":1}".to_vec()),
            hit,
            stamp_open: false,
            images: Vec::new(),
        }
    }

    /// Among the last there are more of them.
    fn is_hit(number: u32) -> bool {
        number.is_multiple_of(1000) || READS - 20 < number
    }

    fn within<T>(db: &mut Db, work: impl FnOnce(&mut Db) -> rusqlite::Result<T>) -> T {
        db.conn.execute_batch("BEGIN IMMEDIATE").unwrap();
        let done = work(db).unwrap();
        db.conn.execute_batch("COMMIT").unwrap();
        done
    }

    fn count(db: &Db, sql: &str) -> u64 {
        db.conn.query_row(sql, [], |row| super::super::books::number(row, 0)).unwrap()
    }

    fn ledger(db: &Db) -> Vec<LedgerBody> {
        let mut rows = db.conn.prepare("SELECT body FROM events WHERE kind = ? ORDER BY sequence").unwrap();
        let rows = rows.query_map([EventKind::Ledger.code()], |row| row.get::<_, Vec<u8>>(0)).unwrap();
        rows.map(|body| serde_json::from_slice(&body.unwrap()).unwrap()).collect()
    }

    fn members(runs: impl Iterator<Item = SequenceRange>) -> RangeSet {
        let mut set = RangeSet::default();
        for run in runs {
            set.insert_run(run.from, run.to);
        }
        set
    }

    /// A queue of 30,000 reads of which some are delivered; answers its generation and how many reads wait.
    fn fill(folder: &Folder) -> (String, u64) {
        let mut db = open_or_replace(folder, &at(0)).unwrap();
        for from in (1..=READS).step_by(2000) {
            let events: Vec<NewEvent> = (from..from + 2000).map(read).collect();
            within(&mut db, |db| db.accept(&events, &at(1)));
        }
        let leased = within(&mut db, |db| db.lease(Lane::Bulk, 500, 1 << 30, &at(2)));
        let outcomes: Vec<_> = leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect();
        assert_eq!(outcomes.len(), 500);
        within(&mut db, |db| db.settle(&outcomes, &at(2)).and_then(|()| db.write_sums(&at(2))));
        db.checkpoint().unwrap();
        note(&db, folder).unwrap();
        let delivered = leased.iter().filter(|event| event.kind == EventKind::Read).count() as u64;
        (db.books.generation.clone(), u64::from(READS) - delivered)
    }

    fn spoil_root(path: &Path) {
        let conn = rusqlite::Connection::open(path).unwrap();
        let sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'events'";
        let root: u64 = conn.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap().into();
        drop(conn);
        let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
        file.write_all_at(&[0xa5; 4096], (root - 1) * 4096).unwrap();
    }

    #[test]
    fn what_a_start_had_no_time_for_comes_over_in_slices_hits_first_over_restarts_and_is_never_called_unreadable() {
        for by_pages in [false, true] {
            let dir = tempfile::tempdir().unwrap();
            let mut folder = Folder::lock(dir.path()).unwrap();
            let (old, waiting) = fill(&folder);
            if by_pages {
                spoil_root(&folder.db());
            }
            folder.mark_damaged("a test").unwrap();
            folder.salvage_ms = 0;
            let mut db = open_or_replace(&folder, &at(10)).unwrap();
            let hits = u64::from((1..=READS).map(|number| u32::from(is_hit(number))).sum::<u32>());
            let reads = |db: &Db| count(db, "SELECT count(*) FROM carried");
            assert!(db.books.rest && reads(&db) < 100, "a start without time leaves the rest for later");
            let first = ledger(&db).remove(0);
            assert!(first.unreadable.is_empty() && first.reason.contains("not looked through to its end"), "{first:?}");
            assert!(!folder.path().join("queue.aside").exists() && folder.marked_damage().is_none());

            let (mut slices, mut live, mut salvage, mut hits_at) = (0, 0, None::<Salvage>, None);
            while db.books.rest {
                if slices == 2 || slices == 40 {
                    // A restart, and the file is kept past its limit until all of it is looked through.
                    drop(salvage.take());
                    drop(db);
                    db = open_or_replace(&folder, &at(10)).unwrap();
                    assert!(db.books.rest);
                    delete_old(&db, &folder, 0, 1_000_000).unwrap();
                }
                let mut one = match salvage.take() {
                    Some(one) => one,
                    None => Salvage::resume(&mut db, &folder).unwrap().unwrap(),
                };
                let before = reads(&db);
                let begun = crate::clock::mono();
                within(&mut db, |db| go_on(db, &mut one, &at(20)).and_then(|()| db.write_sums(&at(20))));
                let took_ms = crate::clock::mono().since_ms(begun);
                assert!(reads(&db) - before <= SLICE_EVENTS + 50, "a slice is small");
                assert!(took_ms < 5000, "a slice is short: {took_ms} ms");
                if hits_at.is_none() && hits <= count(&db, "SELECT count(*) FROM events WHERE hit = 1") {
                    hits_at = Some(reads(&db));
                }
                salvage = Some(one);
                slices += 1;
                if slices % 10 == 0 {
                    live += 1;
                    within(&mut db, |db| db.accept(&[read(READS + 1000 + live)], &at(20)));
                }
            }
            assert!(10 < slices, "{slices}");
            assert!(hits_at.unwrap() <= hits + 2 * SLICE_EVENTS, "hits come over first: {hits_at:?} of {waiting}");
            let kept = count(&db, "SELECT count(*) FROM events WHERE kind = 0");
            assert_eq!(kept - u64::from(live), waiting, "every read that waited, once, and none that was delivered");
            let told = ledger(&db);
            let about = |what| told.iter().filter(move |entry| entry.what == what);
            assert!(about(LedgerWhat::Closed).all(|entry| entry.unreadable.is_empty() && entry.generation == old));
            let last = about(LedgerWhat::Closed).next_back().unwrap();
            assert!(last.reason.contains("is looked through now"), "{last:?}");
            let places = members(about(LedgerWhat::Carried).flat_map(|entry| entry.ranges.clone()));
            let mut carried = RangeSet::default();
            let mut rows = db.conn.prepare("SELECT sequence FROM carried").unwrap();
            for sequence in rows.query_map([], |row| super::super::books::number(row, 0)).unwrap() {
                carried.insert(sequence.unwrap());
            }
            drop(rows);
            assert_eq!(places, carried, "all places are told, and no other number");
            let numbers = count(&db, "SELECT count(DISTINCT number) FROM carried");
            assert_eq!(numbers, carried.len(), "no number twice");
            assert!(Salvage::resume(&mut db, &folder).unwrap().is_none());
            delete_old(&db, &folder, 0, 1_000_000).unwrap();
            let aside = std::fs::read_dir(dir.path()).unwrap().flatten();
            assert_eq!(aside.filter(|e| e.file_name().to_string_lossy().starts_with("queue-damaged")).count(), 0);
        }
    }
}
