//! What has reached its age limit is gone from the bytes of the files, not only from the answers of the queue.
//!
//! `SQLite` overwrites what it deletes (`secure_delete`), but not what it moves: when rows go from one page to another,
//! a copy stays behind in the unused part of the first. Our own wiping closes that gap (decision 28).
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::fs;
use std::path::Path;
use std::time::Duration;

const T0: i64 = 1_800_000_000_000;
const MIN: i64 = 60_000;

/// The shortest limits that the configuration takes.
const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 3600,
    hit_waiting_keep_s: 3600,
    delivered_keep_s: 180,
    hit_delivered_keep_s: 180,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

fn at(ms: i64) -> Moment {
    Moment { mono: Mono(u64::try_from(ms).unwrap()), utc: Utc(T0 + ms), utc_trust: UtcTrust::Network }
}

/// Invented, and no part of anything else in the files.
fn plate(number: u32) -> String {
    format!("QX{number:05}ZJ")
}

/// A read whose id is spread over the whole index and whose length varies, so that rows and pages are split and moved.
fn read(number: u32, happened_ms: i64) -> NewEvent {
    let hash = number.wrapping_mul(2_654_435_761);
    let mut id = [0x40; 16];
    id[..4].copy_from_slice(&hash.to_be_bytes());
    id[4..8].copy_from_slice(&number.to_be_bytes());
    let filling = "x".repeat(usize::try_from(hash % 900).unwrap());
    let hit = number.is_multiple_of(10);
    let entry = if hit { format!(r#","hit":{{"list":"demo","entry":"{}"}}"#, plate(number)) } else { String::new() };
    NewEvent {
        id: EventId(id),
        kind: EventKind::Read,
        lane: if hit { Lane::Urgent } else { Lane::Bulk },
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: Utc(T0 + happened_ms),
        body: format!(r#"{{"camera":"north","plate":"{}","filling":"{filling}"{entry}}}"#, plate(number)).into_bytes(),
        stamp: Some(b"{\"stamp_revision\":1}".to_vec()),
        hit,
        stamp_open: false,
        images: Vec::new(),
    }
}

async fn accept(store: &StoreHandle, numbers: std::ops::Range<u32>, ms: i64) {
    let events: Vec<NewEvent> = numbers.map(|number| read(number, ms)).collect();
    for some in events.chunks(100) {
        let answers = store.accept(some.to_vec(), at(ms)).await.unwrap();
        assert!(answers.iter().all(|answer| matches!(answer, Accepted::New { .. })), "{answers:?}");
    }
}

/// Settles everything that waits; each seventh read is refused.
async fn settle_all(store: &StoreHandle, ms: i64) {
    for lane in [Lane::Urgent, Lane::Bulk] {
        loop {
            let leased = store.lease(lane, 500, 1 << 20, Moment::default()).await.unwrap();
            if leased.is_empty() {
                break;
            }
            let outcome =
                |n: u64| if n.is_multiple_of(7) { Settled::Refused("no".to_owned()) } else { Settled::Delivered };
            let outcomes = leased.iter().map(|event| (event.sequence, outcome(event.sequence))).collect();
            store.settle(outcomes, at(ms)).await.unwrap();
        }
    }
}

/// As the retention actor does it: slice by slice until nothing is left.
async fn retire_all(store: &StoreHandle, ms: i64) -> u64 {
    let mut gone = 0;
    loop {
        match store.retire(at(ms)).await.unwrap() {
            0 => return gone,
            more => gone += more,
        }
    }
}

/// The files of the state folder itself; the folder of pictures is empty here.
fn files_in(folder: &Path) -> impl Iterator<Item = fs::DirEntry> {
    let entries = fs::read_dir(folder).unwrap().flatten();
    entries.filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_file()))
}

/// Every plate that stands anywhere in the raw bytes of any file of the folder, with the file.
fn plates_in(folder: &Path, numbers: std::ops::Range<u32>) -> Vec<String> {
    let wanted: std::collections::HashSet<String> = numbers.map(plate).collect();
    let mut found = Vec::new();
    for entry in files_in(folder) {
        let bytes = fs::read(entry.path()).unwrap();
        for at in bytes.windows(2).enumerate().filter(|(_, two)| *two == b"QX").map(|(at, _)| at) {
            let text = bytes.get(at..at + 9).and_then(|nine| std::str::from_utf8(nine).ok());
            if text.is_some_and(|text| wanted.contains(text)) {
                found.push(format!("{} in {}", text.unwrap_or_default(), entry.file_name().display()));
            }
        }
    }
    found
}

/// What a power cut would leave: the files as they stand now.
fn copy_of(folder: &Path) -> tempfile::TempDir {
    let copy = tempfile::tempdir().unwrap();
    for entry in files_in(folder) {
        fs::copy(entry.path(), copy.path().join(entry.file_name())).unwrap();
    }
    copy
}

#[tokio::test]
async fn of_ten_thousand_reads_none_is_found_in_any_file_once_it_has_reached_its_limit() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &LIMITS, at(0)).unwrap();
    accept(&store, 0..9000, 0).await;
    settle_all(&store, MIN).await;
    accept(&store, 9000..10_000, 50 * MIN).await;
    assert!(8000 < plates_in(folder.path(), 0..9000).len(), "the search itself must be able to find plates");

    // Those that were refused go at the longer limit, so rows go from everywhere among others that stay.
    let gone = retire_all(&store, 5 * MIN + 2000).await;
    assert!(7000 < gone && gone < 9000, "{gone}");
    assert!(plates_in(folder.path(), 0..9000).len() < 2000, "about a seventh stays");
    // Younger reads come all the time, into pages that have just been wiped.
    accept(&store, 10_000..10_050, 50 * MIN).await;
    let gone = retire_all(&store, 61 * MIN).await;
    assert!(1000 < gone, "{gone}");
    assert_eq!(plates_in(folder.path(), 0..9000), [""; 0]);
    assert!(1050 <= plates_in(folder.path(), 9000..10_050).len(), "the younger ones stay");
    for ms in 1..20 {
        // Changes to the same pages bring nothing back.
        accept(&store, 10_040 + 10 * ms..10_050 + 10 * ms, 50 * MIN).await;
    }
    store.retire(at(61 * MIN)).await.unwrap();
    assert_eq!(plates_in(folder.path(), 0..9000), [""; 0]);

    // A power cut now, and the next start, bring none of them back.
    let copy = copy_of(folder.path());
    let again = open(copy.path(), &LIMITS, at(62 * MIN)).unwrap();
    retire_all(&again, 62 * MIN).await;
    assert_eq!(plates_in(copy.path(), 0..9000), [""; 0]);
    again.close().await.unwrap();

    assert!(1050 <= retire_all(&store, 50 * MIN + 61 * MIN).await);
    assert_eq!(plates_in(folder.path(), 0..10_240), [""; 0]);
    store.close().await.unwrap();
    assert_eq!(plates_in(folder.path(), 0..10_240), [""; 0]);
    let check = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    let sound: String = check.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
}

#[tokio::test]
async fn what_a_killed_process_left_unwiped_is_wiped_after_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &LIMITS, at(0)).unwrap();
    accept(&store, 0..300, 0).await;
    store.close().await.unwrap();
    // As a moved row would leave it: a plate in the unused part of a leaf page.
    let path = folder.path().join("queue.db");
    let mut bytes = fs::read(&path).unwrap();
    let page =
        bytes.chunks(4096).skip(1).position(|page| page[0] == 13 && page[8 + 2 * 40..].len() > 3000).unwrap() + 1;
    let unused = pintle_core::queue::page::unused(&bytes[4096 * page..4096 * (page + 1)]).unwrap();
    assert!(20 < unused.len(), "{unused:?}");
    let at_byte = 4096 * page + unused.start;
    bytes[at_byte..at_byte + 9].copy_from_slice(plate(99_000).as_bytes());
    fs::write(&path, &bytes).unwrap();
    assert_eq!(plates_in(folder.path(), 99_000..99_001).len(), 1);
    let again = open(folder.path(), &LIMITS, at(MIN)).unwrap();
    again.retire(at(MIN)).await.unwrap();
    assert_eq!(plates_in(folder.path(), 99_000..99_001), [""; 0]);
    assert_eq!(again.figures().await.unwrap().counts.accepted, 301);
    again.close().await.unwrap();
    let check = rusqlite::Connection::open(&path).unwrap();
    let sound: String = check.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
}

#[tokio::test]
async fn a_power_cut_in_the_middle_of_a_clean_up_delays_it_and_no_more() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &LIMITS, at(0)).unwrap();
    accept(&store, 0..1500, 0).await;
    settle_all(&store, MIN).await;
    assert!(0 < store.retire(at(61 * MIN)).await.unwrap());
    let copy = copy_of(folder.path());
    drop(store);
    assert!(!plates_in(copy.path(), 0..1500).is_empty(), "one slice is not all of them");
    let again = open(copy.path(), &LIMITS, at(62 * MIN)).unwrap();
    assert!(500 <= retire_all(&again, 62 * MIN).await);
    assert_eq!(plates_in(copy.path(), 0..1500), [""; 0]);
    let counts = again.figures().await.unwrap().counts;
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
}

#[tokio::test]
async fn a_program_that_reads_the_queue_delays_the_cut_of_its_log_until_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &LIMITS, at(0)).unwrap();
    accept(&store, 0..200, 0).await;
    settle_all(&store, MIN).await;
    let reader = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    reader.execute_batch("BEGIN; SELECT count(*) FROM events").unwrap();
    let asked = tokio::time::timeout(Duration::from_secs(20), retire_all(&store, 61 * MIN)).await;
    assert!(150 < asked.unwrap(), "a reader must not keep the store from answering");
    reader.execute_batch("COMMIT").unwrap();
    retire_all(&store, 62 * MIN).await;
    assert_eq!(plates_in(folder.path(), 0..200), [""; 0]);
}
