//! The queue on a real disk, through its handle.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, LaterStamp, NewEvent, Settled, StoreError, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;

const T0: i64 = 1_800_000_000_000;
const S: i64 = 1000;
const DAY: i64 = 86_400 * S;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 60 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 2 * 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

/// A moment `ms` after the boot on a clock that runs right.
fn at(ms: i64) -> Moment {
    Moment { mono: Mono(u64::try_from(ms).unwrap()), utc: Utc(T0 + ms), utc_trust: UtcTrust::Network }
}

fn event(number: u32, kind: EventKind, lane: Lane, happened_ms: i64) -> NewEvent {
    let mut id = [0; 16];
    id[2..6].copy_from_slice(&number.to_be_bytes());
    id[15] = kind.code();
    NewEvent {
        id: EventId(id),
        kind,
        lane,
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: Utc(T0 + happened_ms),
        body: format!("{{\"number\":{number}}}").into_bytes(),
        stamp: (kind == EventKind::Read).then(|| b"{\"stamp_revision\":1}".to_vec()),
        hit: kind == EventKind::Read && lane == Lane::Urgent,
        stamp_open: false,
        images: Vec::new(),
    }
}

fn read(number: u32, happened_ms: i64) -> NewEvent {
    event(number, EventKind::Read, Lane::Bulk, happened_ms)
}

fn hit(number: u32, happened_ms: i64) -> NewEvent {
    event(number, EventKind::Read, Lane::Urgent, happened_ms)
}

async fn accept(store: &StoreHandle, events: Vec<NewEvent>, now: Moment) -> Vec<u64> {
    let answers = store.accept(events, now).await.unwrap();
    answers.into_iter().map(|a| if let Accepted::New { sequence } = a { sequence } else { panic!("{a:?}") }).collect()
}

/// Leases and delivers what waits in both lanes, ledger events as well; answers what it was.
async fn deliver_all(store: &StoreHandle, now: Moment) -> BTreeMap<u64, (EventId, EventKind, String)> {
    let mut got = BTreeMap::new();
    for lane in [Lane::Urgent, Lane::Bulk] {
        loop {
            let leased = store.lease(lane, 100, 1 << 20, at(0)).await.unwrap();
            if leased.is_empty() {
                break;
            }
            let outcomes = leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect();
            store.settle(outcomes, now).await.unwrap();
            got.extend(leased.into_iter().map(|e| (e.sequence, (e.id, e.kind, String::from_utf8(e.body).unwrap()))));
        }
    }
    got
}

async fn assert_account(store: &StoreHandle) {
    let counts = store.figures().await.unwrap().counts;
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
}

#[tokio::test]
async fn accepted_events_get_rising_numbers_and_survive_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    // Number 1 is the ledger event that opens the generation.
    assert_eq!(accept(&store, (1..=5).map(|n| read(n, 0)).collect(), at(0)).await, [2, 3, 4, 5, 6]);
    let generation = store.figures().await.unwrap().generation;
    store.close().await.unwrap();
    assert!(matches!(store.figures().await, Err(StoreError::Stopped)));

    let store = open(dir.path(), &LIMITS, at(10)).unwrap();
    let figures = store.figures().await.unwrap();
    assert_eq!((figures.generation, figures.counts.accepted, figures.counts.waiting), (generation, 6, 6));
    assert_eq!(figures.trouble, None);
    assert_eq!(accept(&store, vec![read(6, 0)], at(20)).await, [7]);
    let got = deliver_all(&store, at(30)).await;
    assert_eq!(got.keys().copied().collect::<Vec<_>>(), (1..=7).collect::<Vec<_>>());
    assert_eq!(got[&1].1, EventKind::Ledger);
    assert_eq!(got[&7].2, "{\"number\":6}");
    assert_account(&store).await;
}

#[tokio::test]
async fn the_same_id_again_is_a_repeat_and_with_another_body_refused() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    let first = read(1, 0);
    let mut other = first.clone();
    other.body = b"{}".to_vec();
    let answers = store.accept(vec![first.clone(), first.clone(), other.clone(), read(2, 0)], at(0)).await.unwrap();
    let want = [
        Accepted::New { sequence: 2 },
        Accepted::Repeat { sequence: 2 },
        Accepted::OtherBody,
        Accepted::New { sequence: 3 },
    ];
    assert_eq!(answers, want);
    // After it was delivered and deleted only its key is known.
    deliver_all(&store, at(1)).await;
    store.retire(at(3 * DAY)).await.unwrap();
    assert_eq!(
        store.accept(vec![first, other], at(3 * DAY)).await.unwrap(),
        [Accepted::Repeat { sequence: 0 }, Accepted::OtherBody]
    );
    assert_account(&store).await;
}

#[tokio::test]
async fn a_second_agent_on_the_same_folder_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    assert!(matches!(open(dir.path(), &LIMITS, at(0)), Err(StoreError::InUse { .. })));
    store.close().await.unwrap();
    assert!(open(dir.path(), &LIMITS, at(0)).is_ok());
}

#[tokio::test]
async fn a_file_of_another_program_or_a_newer_one_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("queue.db");
    rusqlite::Connection::open(&path).unwrap().execute_batch("CREATE TABLE theirs (x)").unwrap();
    let Err(error) = open(dir.path(), &LIMITS, at(0)) else { panic!("opened another program's file") };
    assert!(error.to_string().ends_with("can't be used: it was made by another program"), "{error}");
    std::fs::remove_file(&path).unwrap();
    open(dir.path(), &LIMITS, at(0)).unwrap().close().await.unwrap();
    let file = rusqlite::Connection::open(&path).unwrap();
    let newer = 1 + file.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0)).unwrap();
    file.pragma_update(None, "user_version", newer).unwrap();
    drop(file);
    let Err(error) = open(dir.path(), &LIMITS, at(0)) else { panic!("opened a newer file") };
    let told = format!("written by a newer Pintle (version {newer} of the file)");
    assert!(error.to_string().contains(&told), "{error}");
}

#[tokio::test]
async fn what_the_receiver_refused_is_set_aside_and_told_and_blocks_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    deliver_all(&store, at(0)).await;
    accept(&store, vec![read(1, 0), read(2, 0), read(3, 0)], at(0)).await;
    let leased = store.lease(Lane::Bulk, 10, 1 << 20, at(0)).await.unwrap();
    assert_eq!(leased.len(), 3);
    assert_eq!(
        store.lease(Lane::Bulk, 10, 1 << 20, at(0)).await.unwrap().len(),
        0,
        "on its way means not to be had again"
    );
    let outcomes =
        vec![(2, Settled::Delivered), (3, Settled::Refused("no such camera".to_owned())), (4, Settled::Released)];
    store.settle(outcomes.clone(), at(1)).await.unwrap();
    store.settle(outcomes, at(2)).await.unwrap(); // said twice, counted once
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.delivered, counts.refused, counts.waiting), (2, 1, 2), "the released one and the ledger's");
    let got = deliver_all(&store, at(3)).await;
    assert_eq!(got.keys().copied().collect::<Vec<_>>(), [4, 5]);
    let ledger: serde_json::Value = serde_json::from_str(&got[&5].2).unwrap();
    assert_eq!(ledger["what"], "refused");
    assert_eq!(ledger["ranges"], serde_json::json!([{"from": 3, "to": 3}]));
    assert_account(&store).await;
}

#[tokio::test]
async fn a_later_stamp_replaces_that_of_a_waiting_read_and_follows_a_sent_one() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    deliver_all(&store, at(0)).await;
    accept(&store, vec![read(1, 10), read(2, 20), read(3, 30)], at(40)).await;
    let sent = store.lease(Lane::Bulk, 1, 1 << 20, at(0)).await.unwrap();
    store.settle(vec![(sent[0].sequence, Settled::Delivered)], at(50)).await.unwrap();
    let open_stamps = store.open_stamps(Utc(T0 + 10), Utc(T0 + 20)).await.unwrap();
    assert_eq!(open_stamps.iter().map(|o| o.sequence).collect::<Vec<_>>(), [2, 3]);
    assert_eq!(open_stamps[0].stamp, b"{\"stamp_revision\":1}");
    let later = |sequence, revision| LaterStamp {
        sequence,
        event_id: StoreHandle::new_event_id(),
        revision,
        stamp: format!("{{\"stamp_revision\":{revision},\"place\":{{}}}}").into_bytes(),
        open: false,
    };
    assert_eq!(store.restamp(vec![later(2, 2), later(3, 2), later(99, 2)], at(60)).await.unwrap(), 1);
    assert_eq!(store.restamp(vec![later(2, 2), later(3, 1)], at(60)).await.unwrap(), 0, "no newer than what it has");
    let leased = store.lease(Lane::Bulk, 10, 1 << 20, at(0)).await.unwrap();
    let waiting = leased.iter().find(|e| e.sequence == 3).unwrap();
    assert_eq!(waiting.stamp.as_deref(), Some(b"{\"stamp_revision\":2,\"place\":{}}".as_slice()));
    let stamps: Vec<_> = leased.iter().filter(|e| e.kind == EventKind::Stamp).collect();
    let body = format!("{{\"read_id\":\"{}\",\"stamp_revision\":2,\"place\":{{}}}}", sent[0].id);
    assert_eq!(stamps.iter().map(|e| String::from_utf8_lossy(&e.body)).collect::<Vec<_>>(), [body]);
    // Read 3 is on its way now: the receiver may have its second stamp, so the third follows as an event.
    assert_eq!(store.restamp(vec![later(3, 3)], at(70)).await.unwrap(), 1);
}

#[tokio::test]
async fn stamps_are_found_by_capture_time_across_a_step_of_the_clock() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 1000 * S), read(2, 1010 * S)], at(1010 * S)).await;
    let back = |ms: i64| Moment { utc: Utc(T0 + ms - 500 * S), ..at(ms) };
    accept(&store, vec![read(3, 515 * S)], back(1015 * S)).await;
    accept(&store, vec![read(4, 525 * S)], back(1025 * S)).await;
    let found = |from: i64, to: i64| {
        let store = store.clone();
        async move {
            let open = store.open_stamps(Utc(T0 + from * S), Utc(T0 + to * S)).await.unwrap();
            open.iter().map(|o| o.sequence).collect::<Vec<_>>()
        }
    };
    assert_eq!(found(1005, 1020).await, [3], "captured before the step, sought after it");
    assert_eq!(found(510, 530).await, [4, 5]);
}

#[tokio::test]
async fn fault_43_only_what_reached_its_own_limit_goes_and_the_ledger_tells_what_went_without_a_receipt() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    deliver_all(&store, at(0)).await;
    // Two reads and a hit delivered; two reads, a hit and an alarm wait.
    accept(&store, vec![read(1, 0), read(2, 0), hit(3, 0)], at(0)).await;
    deliver_all(&store, at(0)).await;
    let alarm = event(7, EventKind::Notice, Lane::Urgent, 0);
    accept(&store, vec![read(4, 0), read(5, 5 * S), hit(6, 0), alarm], at(5 * S)).await;
    let mut went = Vec::new();
    for days in [1, 2, 30, 60, 4000] {
        assert_eq!(store.retire(at(days * DAY)).await.unwrap(), 0, "day {days}: at the limit nothing goes");
        went.push(store.retire(at(days * DAY + 6 * S)).await.unwrap());
    }
    // Day 1: the opening ledger event and two reads; 2: the hit; 30: two waiting reads; 60: the hit; never the alarm.
    assert_eq!(went, [3, 1, 2, 1, 0]);
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.delivered, counts.expired, counts.waiting), (4, 3, 3), "the alarm and two ledger events wait");
    assert_account(&store).await;
    let got = deliver_all(&store, at(4001 * DAY)).await;
    let ledger: Vec<serde_json::Value> = got
        .values()
        .filter(|(_, kind, _)| *kind == EventKind::Ledger)
        .map(|(_, _, body)| serde_json::from_str(body).unwrap())
        .collect();
    let brief: Vec<_> = ledger.iter().map(|l| (&l["what"], &l["class"], &l["ranges"], &l["count"])).collect();
    let (expired, other, hits) = ("expired".into(), "other".into(), "hit".into());
    let (r1, r2) = (serde_json::json!([{"from": 5, "to": 6}]), serde_json::json!([{"from": 7, "to": 7}]));
    assert_eq!(brief, [(&expired, &other, &r1, &2.into()), (&expired, &hits, &r2, &1.into())]);
    store.close().await.unwrap();
    let store = open(dir.path(), &LIMITS, at(4002 * DAY)).unwrap();
    assert_account(&store).await;
    assert_eq!(store.figures().await.unwrap().trouble, None);
}

#[tokio::test]
async fn what_lies_with_a_broker_reaches_its_age_limit_all_the_same_and_a_late_receipt_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    let alarm = event(50, EventKind::Notice, Lane::Urgent, 0);
    let mut late = read(60, -DAY);
    late.happened_at = Utc(T0 - DAY);
    accept(&store, (1..=8).map(|n| read(n, 0)).chain([hit(20, 0), alarm, late]).collect(), at(0)).await;
    let mut handed = Vec::new();
    for lane in [Lane::Urgent, Lane::Bulk] {
        handed.extend(store.lease(lane, 100, 1 << 20, at(0)).await.unwrap());
    }
    // One is delivered, then asked for again and handed over once more: it has its receipt.
    let again = handed.iter().find(|event| event.kind == EventKind::Read && !event.hit).unwrap().sequence;
    store.settle(vec![(again, Settled::Delivered)], at(1)).await.unwrap();
    let outcomes = |outcome: &Settled| -> Vec<(u64, Settled)> {
        let others = handed.iter().filter(|event| event.sequence != again);
        others.map(|event| (event.sequence, outcome.clone())).collect()
    };
    store.settle(outcomes(&Settled::HandedOver), at(1)).await.unwrap();
    // The need comes 48 h before, and half an hour of leases that nobody settles changes nothing.
    assert_eq!(store.figures().await.unwrap().first_expiry, None);
    store.retire(at(28 * DAY + 1)).await.unwrap();
    assert!(store.figures().await.unwrap().first_expiry.is_some(), "what is handed over has no receipt");
    while 0 < store.retire(at(31 * DAY)).await.unwrap() {}
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.expired, counts.delivered), (8, 1), "ordinary reads, the late one among them: {counts:?}");
    while 0 < store.retire(at(61 * DAY)).await.unwrap() {}
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.expired, counts.delivered), (9, 1), "the hit has its own limit, the alarm never goes");
    let told = store.lease(Lane::Bulk, 100, 1 << 20, at(61 * DAY)).await.unwrap();
    let told: Vec<serde_json::Value> = told
        .iter()
        .filter(|event| event.kind == EventKind::Ledger)
        .map(|event| serde_json::from_slice(&event.body).unwrap())
        .collect();
    let expired = told.iter().filter(|entry| entry["what"] == "expired").map(|entry| entry["count"].as_u64().unwrap());
    assert_eq!(expired.sum::<u64>(), 9, "{told:?}");
    // Receipts, releases and refusals that come after all this.
    for outcome in [Settled::HandedOver, Settled::Released, Settled::Refused("late".to_owned()), Settled::Delivered] {
        let gone = outcomes(&outcome).into_iter().filter(|(sequence, _)| {
            handed.iter().any(|event| event.sequence == *sequence && event.kind == EventKind::Read)
        });
        store.settle(gone.collect(), at(61 * DAY)).await.unwrap();
        let after = store.figures().await.unwrap().counts;
        assert_eq!((after.expired, after.delivered, after.refused), (9, 1, 0), "{outcome:?}");
        assert_account(&store).await;
    }
    store.close().await.unwrap();
}

#[tokio::test]
async fn the_need_before_reads_expire_is_told_behind_thousands_of_events_that_never_do() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    let mut entries = (1..=2500).map(|n| event(n, EventKind::Ledger, Lane::Bulk, 0)).collect::<Vec<_>>();
    entries.push(read(3000, 0));
    accept(&store, entries, at(0)).await;
    store.retire(at(29 * DAY)).await.unwrap();
    let mut told = None;
    for _ in 0..5 {
        told = told.or(store.figures().await.unwrap().first_expiry);
    }
    assert_eq!(told, Some((Utc(T0 + 30 * DAY), false)));
    // A track point that waits among the urgent ones and is overtaken waits among the others then.
    accept(&store, vec![event(1, EventKind::Track, Lane::Urgent, 0)], at(29 * DAY)).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn what_was_kept_beside_the_events_goes_over_into_a_new_generation() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    store.keep("places", b"two lines".to_vec()).await.unwrap();
    store.keep("duty", b"off".to_vec()).await.unwrap();
    let (key, old) = (store.id_key().await.unwrap(), store.figures().await.unwrap().generation);
    store.close().await.unwrap();
    for round in 1..=2 {
        std::fs::write(dir.path().join("queue.damaged"), "a test").unwrap();
        let store = open(dir.path(), &LIMITS, at(round * S)).unwrap();
        assert_ne!(store.figures().await.unwrap().generation, old);
        assert_eq!(store.id_key().await.unwrap(), key, "a read without an id that comes again gets the id that it had");
        assert_eq!(store.kept("places").await.unwrap().as_deref(), Some(&b"two lines"[..]));
        assert_eq!(store.kept("duty").await.unwrap().as_deref(), Some(&b"off"[..]));
        let answers = store.accept(vec![read(1, 0)], at(round * S)).await.unwrap();
        assert!(matches!(answers[..], [Accepted::Repeat { .. }]), "{answers:?}");
        store.close().await.unwrap();
    }
    // Both files that were set aside go at their time, the first one too.
    let store = open(dir.path(), &LIMITS, at(3 * S)).unwrap();
    let aside = || {
        let names = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
        names.filter(|name| name.starts_with("queue-damaged-") && !name.contains(".db-")).count()
    };
    assert_eq!(aside(), 2);
    store.retire(at(61 * DAY)).await.unwrap();
    assert_eq!(aside(), 0);
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_step_of_the_wall_clock_alone_purges_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    let stepped = |ms: i64| Moment { utc: Utc(T0 + 3000 * DAY + ms), ..at(ms) };
    for ms in [1000, 700_000, 3_600_000] {
        assert_eq!(store.retire(stepped(ms)).await.unwrap(), 0);
    }
    assert_eq!(store.retire(at(31 * DAY)).await.unwrap(), 1, "but living on does");
}

#[tokio::test]
async fn fault_44_a_large_clean_up_comes_in_slices() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, (1..=1200).map(|n| read(n, 0)).collect(), at(0)).await;
    let mut slices = Vec::new();
    while let n @ 1.. = store.retire(at(31 * DAY)).await.unwrap() {
        slices.push(n);
    }
    assert_eq!(slices, [500, 500, 200]);
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.expired, counts.waiting), (1200, 4), "the opening and three entries about what expired");
    assert_account(&store).await;
}

#[tokio::test]
async fn fault_77_ordinary_reads_wait_for_company_and_hits_do_not() {
    let dir = tempfile::tempdir().unwrap();
    let limits = Queue { commit_wait_ms: 2000, ..LIMITS };
    let store = open(dir.path(), &limits, at(0)).unwrap();
    let ordinary = tokio::spawn({
        let store = store.clone();
        async move { accept(&store, vec![read(1, 0)], at(0)).await }
    });
    // The read is in the store's hands once a later command of the same channel is answered.
    tokio::task::yield_now().await;
    assert_eq!(store.figures().await.unwrap().counts.accepted, 1, "taken, and not yet written");
    assert!(!ordinary.is_finished());
    let before = store.figures().await.unwrap().commits;
    assert_eq!(accept(&store, vec![hit(2, 0)], at(0)).await.len(), 1);
    assert_eq!(ordinary.await.unwrap(), [2], "the hit's commit took the waiting read along");
    assert_eq!(store.figures().await.unwrap().commits - before, 1);
}

#[tokio::test]
async fn commands_queued_before_the_close_are_answered() {
    let dir = tempfile::tempdir().unwrap();
    let limits = Queue { commit_wait_ms: 2000, ..LIMITS };
    let store = open(dir.path(), &limits, at(0)).unwrap();
    let mut asked = Vec::new();
    for n in 0..50 {
        let store = store.clone();
        asked.push(tokio::spawn(async move { store.accept(vec![read(n, 0)], at(0)).await }));
    }
    tokio::task::yield_now().await;
    store.close().await.unwrap();
    let mut accepted = 0;
    for answer in asked {
        match answer.await.unwrap() {
            Ok(answers) => accepted += answers.len() as u64,
            Err(error) => assert!(matches!(error, StoreError::Stopped), "{error}"),
        }
    }
    let store = open(dir.path(), &LIMITS, at(1)).unwrap();
    assert_eq!(store.figures().await.unwrap().counts.accepted, accepted + 1);
}

#[tokio::test]
async fn kept_values_and_the_id_key_outlive_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    assert_eq!(store.kept("keeper").await.unwrap(), None);
    store.keep("keeper", b"one".to_vec()).await.unwrap();
    store.keep("keeper", b"two".to_vec()).await.unwrap();
    let key = store.id_key().await.unwrap();
    assert_ne!(key, [0; 32]);
    store.close().await.unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    assert_eq!(store.kept("keeper").await.unwrap().as_deref(), Some(b"two".as_slice()));
    assert_eq!(store.id_key().await.unwrap(), key);
}

#[tokio::test]
async fn the_files_are_for_our_own_user_only() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    for name in ["queue.db", "queue.db-wal", "queue.db-shm", "queue.lock"] {
        let mode = dir.path().join(name).metadata().unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
    // As after a copy that gave them the rights of the day.
    store.close().await.unwrap();
    for name in ["queue.db", "queue.db-wal", "queue.db-shm"] {
        let path = dir.path().join(name);
        std::fs::OpenOptions::new().create(true).append(true).open(&path).unwrap();
        std::fs::set_permissions(path, PermissionsExt::from_mode(0o644)).unwrap();
    }
    let store = open(dir.path(), &LIMITS, at(1)).unwrap();
    accept(&store, vec![read(2, 0)], at(1)).await;
    for name in ["queue.db", "queue.db-wal", "queue.db-shm"] {
        let mode = dir.path().join(name).metadata().unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name} of before");
    }
}

#[tokio::test]
async fn a_stamp_is_stored_once_for_the_reads_that_share_it_and_goes_with_them() {
    let dir = tempfile::tempdir().unwrap();
    let rows = || -> i64 {
        let conn = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
        conn.query_row("SELECT count(*) FROM stamps", [], |row| row.get(0)).unwrap()
    };
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, (1..=300).map(|n| read(n, 0)).collect(), at(0)).await;
    assert_eq!(rows(), 1);
    let leased = store.lease(Lane::Bulk, 1000, 1 << 20, at(0)).await.unwrap();
    let stamps = leased.iter().filter(|e| e.stamp.as_deref() == Some(b"{\"stamp_revision\":1}")).count();
    assert_eq!(stamps, 300);
    // More reads than one span holds, and the first of them go.
    for from in (301..=20_301).step_by(1000) {
        accept(&store, (from..from + 1000).map(|n| read(n, 31 * DAY)).collect(), at(31 * DAY)).await;
    }
    assert_eq!(rows(), 3, "one for each span of 10,000 sequences");
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), at(31 * DAY)).await.unwrap();
    let delivered = store.lease(Lane::Bulk, 10_000, 1 << 30, at(0)).await.unwrap();
    store.settle(delivered.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), at(31 * DAY)).await.unwrap();
    while 0 < store.retire(at(33 * DAY)).await.unwrap() {}
    assert_eq!(rows(), 2);
    store.close().await.unwrap();
}

/// The ledger event that opened this store's generation.
async fn first_ledger(store: &StoreHandle) -> serde_json::Value {
    let leased = store.lease(Lane::Bulk, 1000, 1 << 24, at(0)).await.unwrap();
    serde_json::from_slice(&leased.iter().find(|e| e.sequence == 1).unwrap().body).unwrap()
}

#[tokio::test]
async fn a_damaged_file_is_set_aside_and_what_can_be_read_goes_into_a_new_generation() {
    use std::os::unix::fs::FileExt;
    if let Ok(dir) = std::env::var("PINTLE_TEST_STORE_READER") {
        deliver_all(&open(Path::new(&dir), &LIMITS, at(1)).unwrap(), at(1)).await;
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    deliver_all(&store, at(0)).await;
    accept(&store, (1..=2000).map(|n| read(n, 0)).collect(), at(0)).await;
    let leased = store.lease(Lane::Bulk, 500, 1 << 24, at(0)).await.unwrap();
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), at(1)).await.unwrap();
    let generation = store.figures().await.unwrap().generation;
    store.close().await.unwrap();
    // A page that the start does not look at goes bad; the run that meets it ends and leaves its mark.
    let page = rusqlite::Connection::open(dir.path().join("queue.db"))
        .unwrap()
        .query_row("SELECT max(pageno) - 1 FROM dbstat WHERE name = 'events' AND pagetype = 'leaf'", [], |row| {
            row.get::<_, u32>(0).map(u64::from)
        })
        .unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(dir.path().join("queue.db")).unwrap();
    file.write_all_at(&[0xa5; 4096], (page - 1) * 4096).unwrap();
    let status = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_damaged_file_is_set_aside_and_what_can_be_read_goes_into_a_new_generation"])
        .env("PINTLE_TEST_STORE_READER", dir.path())
        .stdout(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(!status.success() && dir.path().join("queue.damaged").exists(), "{status}");

    let store = open(dir.path(), &LIMITS, at(2)).unwrap();
    let figures = store.figures().await.unwrap();
    assert_ne!(figures.generation, generation);
    let ledger = first_ledger(&store).await;
    assert_eq!((&ledger["what"], &ledger["generation"]), (&"closed".into(), &generation.into()));
    assert_eq!(ledger["accepted_up_to"], 2001);
    let taken_over = ledger["count"].as_u64().unwrap();
    // What the reader had delivered before it met the bad page is not taken over.
    let unreadable = ledger["reason"].as_str().unwrap().split("; ").nth(1).unwrap();
    let unreadable: u64 = unreadable.strip_suffix(" events could not be read").unwrap().parse().unwrap();
    assert!((1..100).contains(&unreadable), "one page of reads: {unreadable}");
    assert!(
        0 < taken_over && taken_over + unreadable <= 1500 && (taken_over + unreadable).is_multiple_of(100),
        "{taken_over}"
    );
    // One entry closes the old numbers, one says which places the events that came over have.
    assert_eq!(figures.counts.waiting, taken_over + 2);
    assert_account(&store).await;
    let aside = || {
        let names = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
        names.filter(|name| name.starts_with("queue-damaged-") && !name.contains(".db-")).count()
    };
    assert_eq!(aside(), 1);
    store.retire(at(59 * DAY)).await.unwrap();
    assert_eq!(aside(), 1);
    store.retire(at(61 * DAY)).await.unwrap();
    assert_eq!(aside(), 0, "the age limits reach the file set aside");
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_file_that_does_not_open_or_is_gone_begins_a_new_generation_that_closes_the_old() {
    for damage in ["random", "gone", "empty"] {
        let dir = tempfile::tempdir().unwrap();
        let store = open(dir.path(), &LIMITS, at(0)).unwrap();
        accept(&store, vec![read(1, 0)], at(0)).await;
        let generation = store.figures().await.unwrap().generation;
        store.close().await.unwrap();
        let path = dir.path().join("queue.db");
        match damage {
            "random" => std::fs::write(&path, vec![0x5a; 40_000]).unwrap(),
            "gone" => std::fs::remove_file(&path).unwrap(),
            _ => std::fs::write(&path, b"").unwrap(),
        }
        let store = open(dir.path(), &LIMITS, at(1)).unwrap();
        let ledger = first_ledger(&store).await;
        assert_eq!((&ledger["what"], &ledger["generation"]), (&"closed".into(), &generation.into()), "{damage}");
        assert_eq!(accept(&store, vec![read(2, 0)], at(2)).await, [2]);
        store.close().await.unwrap();
    }
}

#[tokio::test]
async fn of_waiting_track_points_only_the_newest_is_urgent_and_none_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    let point = |n: u32| event(n, EventKind::Track, Lane::Urgent, i64::from(n) * S);
    let alarm = event(9, EventKind::Notice, Lane::Urgent, 0);
    accept(&store, vec![alarm, point(1), point(2), point(3)], at(0)).await;
    let sequences = |leased: Vec<pintle::store::Leased>| leased.iter().map(|e| e.sequence).collect::<Vec<_>>();
    for restart in [false, true] {
        let store = if restart {
            store.close().await.unwrap();
            open(dir.path(), &LIMITS, at(1)).unwrap()
        } else {
            store.clone()
        };
        assert_eq!(sequences(store.lease(Lane::Urgent, 10, 1 << 20, at(1)).await.unwrap()), [5, 2]);
        assert_eq!(sequences(store.lease(Lane::Bulk, 10, 1 << 20, at(1)).await.unwrap()), [1, 3, 4]);
        store.release_lane(Lane::Urgent).await.unwrap();
        store.release_lane(Lane::Bulk).await.unwrap();
        assert_account(&store).await;
    }
}

#[tokio::test]
async fn fault_46_a_file_that_is_an_older_copy_of_itself_begins_a_new_generation() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str| dir.path().join(name);
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, (1..=10).map(|n| read(n, 0)).collect(), at(0)).await;
    let generation = store.figures().await.unwrap().generation;
    store.close().await.unwrap();
    std::fs::copy(file("queue.db"), file("image")).unwrap();
    let store = open(dir.path(), &LIMITS, at(1)).unwrap();
    accept(&store, (11..=30).map(|n| read(n, 0)).collect(), at(1)).await;
    store.close().await.unwrap();
    // The worn card forgot, or a person restored the image.
    std::fs::remove_file(file("queue.db")).unwrap();
    std::fs::rename(file("image"), file("queue.db")).unwrap();
    let store = open(dir.path(), &LIMITS, at(2)).unwrap();
    let figures = store.figures().await.unwrap();
    assert_ne!(figures.generation, generation);
    let ledger = first_ledger(&store).await;
    assert_eq!((&ledger["what"], &ledger["generation"]), (&"closed".into(), &generation.into()));
    assert_eq!(ledger["ranges"], serde_json::json!([{"from": 1, "to": 11}]), "what came over, by its old numbers");
    assert!(ledger["reason"].as_str().unwrap().contains("had given out 31 before"), "{ledger}");
    assert_account(&store).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn fault_75_a_receiver_that_knows_higher_numbers_shows_that_the_file_is_an_older_copy() {
    if let Ok(dir) = std::env::var("PINTLE_TEST_STORE_BACKWARDS") {
        let store = open(Path::new(&dir), &LIMITS, at(1)).unwrap();
        store.went_backwards(1).await.unwrap(); // it has given that out
        std::fs::write(Path::new(&dir).join("not-yet"), b"").unwrap();
        store.went_backwards(4000).await.unwrap();
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    let generation = store.figures().await.unwrap().generation;
    store.close().await.unwrap();
    let status = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "fault_75_a_receiver_that_knows_higher_numbers_shows_that_the_file_is_an_older_copy"])
        .env("PINTLE_TEST_STORE_BACKWARDS", dir.path())
        .stdout(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(!status.success() && dir.path().join("not-yet").exists(), "{status}");
    let store = open(dir.path(), &LIMITS, at(2)).unwrap();
    let anew = store.figures().await.unwrap().generation;
    assert_ne!(anew, generation);
    let ledger = first_ledger(&store).await;
    assert!(ledger["reason"].as_str().unwrap().contains("the receiver knows number 4000"), "{ledger}");
    store.close().await.unwrap();
    // The receiver goes on with it: no second abort, whatever it says and however often.
    let store = open(dir.path(), &LIMITS, at(3)).unwrap();
    for (number, known) in (7..).zip([4000, 9_000_000_000_000_000_000, u64::MAX]) {
        store.went_backwards(known).await.unwrap();
        accept(&store, vec![read(number, 0)], at(4)).await;
    }
    assert_eq!(store.figures().await.unwrap().generation, anew);
    store.close().await.unwrap();
    assert!(!dir.path().join("queue.damaged").exists());
}

/// What the writer child does: accepts reads of all sorts, delivers some, and says of each answered one "ok <number>".
fn write_until_killed(dir: &Path) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let store = open(dir, &LIMITS, at(0)).unwrap();
        let first = u32::try_from(store.figures().await.unwrap().counts.accepted).unwrap() * 1000;
        let mut out = std::io::stdout();
        for round in 0_u32.. {
            let (base, now) = (first + round * 8, at(i64::from(round)));
            let batch: Vec<NewEvent> =
                (base..base + 8).map(|n| if n % 7 == 0 { hit(n, 0) } else { read(n, 0) }).collect();
            accept(&store, batch, now).await;
            for n in base..base + 8 {
                writeln!(out, "ok {n}").unwrap();
            }
            if round % 3 == 0 {
                let leased = store.lease(Lane::Bulk, 5, 1 << 20, at(0)).await.unwrap();
                let outcomes = leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect();
                store.settle(outcomes, now).await.unwrap();
            }
        }
    });
}

#[test]
fn fault_25_acknowledged_reads_survive_a_kill_at_any_moment() {
    if let Ok(dir) = std::env::var("PINTLE_TEST_STORE_WRITER") {
        write_until_killed(Path::new(&dir));
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let mut acknowledged: Vec<u32> = Vec::new();
    // Ten kills, each after another number of answered reads; a fixed list, so that a failure comes again.
    for kill_after in (1..=10_usize).map(|n| 1 + n * n * 9) {
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "fault_25_acknowledged_reads_survive_a_kill_at_any_moment", "--nocapture"])
            .env("PINTLE_TEST_STORE_WRITER", dir.path())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut answered = 0;
        let mut note = |line: &str| {
            let number = line.strip_prefix("ok ").and_then(|n| n.parse::<u32>().ok());
            acknowledged.extend(number);
            number.is_some()
        };
        while answered < kill_after {
            answered += usize::from(note(&lines.next().unwrap().unwrap()));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        for line in lines.map_while(Result::ok) {
            note(&line); // was written before the kill
        }
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let store = open(dir.path(), &LIMITS, at(0)).unwrap();
        assert_account(&store).await;
        let figures = store.figures().await.unwrap();
        assert_eq!(figures.trouble, None);
        assert!(acknowledged.len() as u64 <= figures.counts.accepted);
        // Handed in once more, each acknowledged read is known with its number, so none is lost and none comes twice.
        let again = acknowledged.iter().map(|n| if n % 7 == 0 { hit(*n, 0) } else { read(*n, 0) }).collect();
        let answers = store.accept(again, at(1)).await.unwrap();
        assert!(answers.iter().all(|a| matches!(a, Accepted::Repeat { sequence: 1.. })));
        store.close().await.unwrap();
    });
    let conn = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
    let verdict: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok");
    let gaps: i64 = conn.query_row("SELECT max(sequence) - count(*) FROM events", [], |row| row.get(0)).unwrap();
    assert_eq!(gaps, 0, "numbers without a gap");
}

#[tokio::test]
async fn bytes_that_may_have_been_sent_once_stay_as_they_are_though_a_later_try_never_left() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    let salts = async |outcome: Settled| {
        let leased = store.lease(Lane::Bulk, 10, 1 << 20, at(5)).await.unwrap();
        let salts: Vec<_> = leased.iter().map(|event| event.salt).collect();
        store.settle(leased.iter().map(|event| (event.sequence, outcome.clone())).collect(), at(5)).await.unwrap();
        salts
    };
    let never_left = salts(Settled::Unsent).await;
    let sent = salts(Settled::Released).await;
    assert_ne!(never_left, sent, "nobody has seen the first bytes");
    assert_eq!(salts(Settled::Unsent).await, sent);
    assert_eq!(salts(Settled::Unsent).await, sent, "the receiver may hold them since the second try");
}
