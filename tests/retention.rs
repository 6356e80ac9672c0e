//! What has reached its age limit is gone from the bytes of the files, not only from the answers of the queue.
//!
//! `SQLite` overwrites what it deletes (`secure_delete`), but not what it moves: when rows go from one page to another,
//! a copy stays behind in the unused part of the first. Our own wiping closes that gap (decision 28).
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::parse;
use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, LaterStamp, NewEvent, Settled, StoreHandle, limits, open};
use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::holds::{HOLD_S_MAX, HoldAsked, HoldChange};
use pintle_core::queue::retention::{Limits, Profile, Profiles, profile_code};
use pintle_core::queue::{EventKind, Lane};
use std::collections::HashSet;
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

/// Settles everything that waits; each fourth read is refused.
async fn settle_all(store: &StoreHandle, ms: i64) {
    for lane in [Lane::Urgent, Lane::Bulk] {
        loop {
            let leased = store.lease(lane, 500, 1 << 20, Moment::default()).await.unwrap();
            if leased.is_empty() {
                break;
            }
            let outcome =
                |n: u64| if n.is_multiple_of(4) { Settled::Refused("no".to_owned()) } else { Settled::Delivered };
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
    let wanted: HashSet<String> = numbers.map(plate).collect();
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

    // Those that were refused go at the longer limit, so rows go from everywhere among others that stay and are moved.
    // Without our wiping four of those that went were found here.
    let gone = retire_all(&store, 5 * MIN + 2000).await;
    assert!(6000 < gone && gone < 7000, "{gone}");
    let kept: HashSet<String> = numbers_in(folder.path()).into_iter().map(plate).collect();
    let found = plates_in(folder.path(), 0..9000);
    let left: Vec<&String> = found.iter().filter(|found| !kept.contains(&found[..9])).collect();
    assert_eq!(left, [""; 0]);
    assert!(2000 < found.len(), "those that stay are found: {}", found.len());
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

/// A read captured at this latitude.
fn read_at(number: u32, lat: Option<f64>, ms: i64) -> NewEvent {
    let lat = lat.map_or_else(String::new, |lat| format!(r#""lat":{lat},"lon":-30.0,"#));
    let stamp = format!(r#"{{"stamp_revision":1,"place":{{{lat}"state":"certain"}}}}"#);
    NewEvent { stamp: Some(stamp.into_bytes()), hit: false, lane: Lane::Bulk, ..read(number, ms) }
}

/// Near 44.5 N reads go after 3 min delivered and an hour waiting; near 46 N they are kept longer than elsewhere.
fn with_profiles() -> Queue {
    let profile = |name, lat, limits| Profile {
        code: profile_code(name),
        middle: LatLon::new(lat, -30.0).unwrap(),
        radius_m: 10_000.0,
        limits,
    };
    let base = limits(&Queue { waiting_keep_s: 7200, delivered_keep_s: 600, ..LIMITS });
    let mut profiles = Profiles::NONE;
    let short = Limits { waiting_ms: 3_600_000, delivered_ms: 180_000, ..base };
    profiles.0[0] = Some(profile("short", 44.5, short));
    let long = Limits { waiting_ms: 10_800_000, delivered_ms: 1_200_000, ..base };
    profiles.0[1] = Some(profile("long", 46.0, long));
    Queue { waiting_keep_s: 7200, delivered_keep_s: 600, profiles, ..LIMITS }
}

fn numbers_in(folder: &Path) -> Vec<u32> {
    let conn = rusqlite::Connection::open(folder.join("queue.db")).unwrap();
    let mut rows = conn.prepare("SELECT id FROM events WHERE kind = 0 ORDER BY sequence").unwrap();
    let ids = rows.query_map([], |row| row.get::<_, [u8; 16]>(0)).unwrap();
    ids.map(|id| u32::from_be_bytes(id.unwrap()[4..8].try_into().unwrap())).collect()
}

#[tokio::test]
async fn each_place_has_its_own_limits_waiting_and_delivered_and_a_later_stamp_may_move_a_read() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &with_profiles(), at(0)).unwrap();
    let lats = [Some(44.5), None, Some(46.0), Some(50.0), Some(46.0), Some(50.0)];
    let reads: Vec<NewEvent> = (1..).zip(lats).map(|(number, lat)| read_at(number, lat, 0)).collect();
    store.accept(reads[..3].to_vec(), at(0)).await.unwrap();
    for lane in [Lane::Bulk, Lane::Urgent] {
        let leased = store.lease(lane, 500, 1 << 20, at(0)).await.unwrap();
        store.settle(leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect(), at(0)).await.unwrap();
    }
    store.accept(reads[3..].to_vec(), at(0)).await.unwrap();
    // Number 6 was stamped elsewhere, and a later decision says that it was at the first place.
    let open_reads = store.open_stamps(Utc(T0), Utc(T0)).await.unwrap();
    let sixth = open_reads.iter().max_by_key(|read| read.sequence).unwrap().sequence;
    let stamp = read_at(6, Some(44.5), 0).stamp.unwrap();
    let later = LaterStamp { sequence: sixth, event_id: EventId([9; 16]), revision: 2, stamp, open: false };
    store.restamp(vec![later], at(0)).await.unwrap();
    let mut left = Vec::new();
    for minutes in [3, 4, 9, 11, 19, 21, 59, 61, 119, 121, 179, 181] {
        retire_all(&store, minutes * MIN).await;
        left.push((minutes, numbers_in(folder.path())));
    }
    let all: [(i64, &[u32]); 12] = [
        (3, &[1, 2, 3, 4, 5, 6]),
        (4, &[2, 3, 4, 5, 6]),
        (9, &[2, 3, 4, 5, 6]),
        (11, &[3, 4, 5, 6]),
        (19, &[3, 4, 5, 6]),
        (21, &[4, 5, 6]),
        (59, &[4, 5, 6]),
        (61, &[4, 5]),
        (119, &[4, 5]),
        (121, &[5]),
        (179, &[5]),
        (181, &[]),
    ];
    assert_eq!(left, all.map(|(minutes, numbers)| (minutes, numbers.to_vec())));
    assert_eq!(store.figures().await.unwrap().counts.not_accounted(), 0);
}

#[tokio::test]
async fn the_first_expiry_is_told_by_the_limit_of_its_place_and_marks_outlive_their_profile() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &with_profiles(), at(0)).unwrap();
    store.accept(vec![read_at(1, Some(50.0), 0), read_at(2, Some(44.5), 0)], at(0)).await.unwrap();
    let first = async |store: &StoreHandle, ms: i64| {
        store.retire(at(ms)).await.unwrap();
        store.figures().await.unwrap().first_expiry
    };
    assert_eq!(first(&store, 29 * MIN).await, None);
    assert_eq!(first(&store, 31 * MIN).await, Some((Utc(T0 + 60 * MIN), false)));
    assert_eq!(first(&store, 53 * MIN).await, Some((Utc(T0 + 60 * MIN), true)));
    store.close().await.unwrap();
    // Without the profile its reads go by the limits of the rest.
    let without = Queue { profiles: Profiles::NONE, ..with_profiles() };
    let store = open(folder.path(), &without, at(62 * MIN)).unwrap();
    retire_all(&store, 119 * MIN).await;
    assert_eq!(numbers_in(folder.path()), [1, 2]);
    retire_all(&store, 121 * MIN).await;
    assert_eq!(numbers_in(folder.path()), [0_u32; 0]);
}

#[tokio::test]
async fn one_read_that_is_kept_long_keeps_no_stamp_of_later_ones() {
    let folder = tempfile::tempdir().unwrap();
    let spans = || -> Vec<i64> {
        let conn = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
        let mut rows = conn.prepare("SELECT DISTINCT span FROM stamps ORDER BY span").unwrap();
        rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    };
    let store = open(folder.path(), &LIMITS, at(0)).unwrap();
    accept(&store, 0..1, 0).await;
    let (camera, by) = (Some(CameraId::new("north").unwrap()), "T. Wray".to_owned());
    let (case, for_s) = ("case 17".to_owned(), HOLD_S_MAX);
    let asked = HoldAsked { source: None, camera, site: None, from: Utc(T0), to: Utc(T0), case, by, for_s };
    store.hold(HoldChange::Add(asked), at(0)).await.unwrap();
    accept(&store, 1..21_000, MIN).await;
    assert_eq!(spans(), [0, 1, 2]);
    settle_all(&store, MIN).await;
    retire_all(&store, 120 * MIN).await;
    let conn = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    let reads: i64 = conn.query_row("SELECT count(*) FROM events WHERE kind = 0", [], |row| row.get(0)).unwrap();
    assert_eq!(reads, 1, "the held one is left");
    drop(conn);
    let left = spans();
    assert!(left.contains(&0) && !left.contains(&1), "{left:?}");
    // The next read has its stamp, though the same one may have gone with the last read of its span.
    accept(&store, 30_000..30_001, 120 * MIN).await;
    let leased = store.lease(Lane::Urgent, 10, 1 << 20, at(120 * MIN)).await.unwrap();
    assert_eq!(leased.last().unwrap().stamp.as_deref(), Some(&b"{\"stamp_revision\":1}"[..]));
    store.close().await.unwrap();
}

#[test]
fn a_retention_of_nothing_or_of_forty_months_is_told_with_its_line() {
    let config = |queue: &str, profile: &str| {
        format!(
            "[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\n{queue}\n\
             [[profile]]\nname = \"a\"\nlat = 44.5\nlon = -30.0\nradius_m = 500\n{profile}\n"
        )
    };
    let good = parse(&config("waiting_keep_s = 180", "delivered_keep_s = 94694400")).unwrap();
    let profile = good.queue.profiles.iter().next().unwrap();
    assert_eq!((profile.limits.waiting_ms, profile.limits.delivered_ms), (180_000, 94_694_400_000));
    for (queue, profile, key, line) in [
        ("waiting_keep_s = 0", "", "queue.waiting_keep_s", 7),
        ("hit_delivered_keep_s = 105192000", "", "queue.hit_delivered_keep_s", 7),
        ("", "delivered_keep_s = 0", "profile.delivered_keep_s", 13),
        ("", "hit_waiting_keep_s = 105192000", "profile.hit_waiting_keep_s", 13),
        ("", "[[profile]]\nname = \"a\"\nlat = 1.0\nlon = 1.0\nradius_m = 50", "profile.name", 14),
    ] {
        let mistakes = parse(&config(queue, profile)).unwrap_err();
        assert_eq!(mistakes.len(), 1, "{mistakes:?}");
        assert_eq!((mistakes[0].key.as_str(), mistakes[0].line), (key, Some(line)), "{mistakes:?}");
    }
}
