//! The queue on a disk that is full, or whose syncs fail. Needs root, loop devices and mkfs.ext4; elsewhere it says
//! that it was not run (with `PINTLE_RIGS=all` it then fails).
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/mount.rs"]
mod mount;

use mount::{Mount, not_run, run};
use pintle::config::{Queue, Seal, WhenFull};
use pintle::store::{Accepted, NewEvent, Settled, StoreError, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::io::Write;
use std::process::Command;
use std::time::{Duration, Instant};

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 30 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

const NOW: Moment = Moment { mono: Mono(1000), utc: Utc(1_800_000_000_000), utc_trust: UtcTrust::Network };

fn event(number: u32, kind: EventKind) -> NewEvent {
    let mut id = [0; 16];
    id[2..6].copy_from_slice(&number.to_be_bytes());
    NewEvent {
        id: EventId(id),
        kind,
        lane: Lane::Bulk,
        camera: CameraId::new("north").ok(),
        happened_at: NOW.utc,
        body: vec![b'x'; 1000],
        stamp: None,
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

fn read(number: u32) -> NewEvent {
    event(number, EventKind::Read)
}

/// Accepts reads one by one from `*next` on until one is refused; answers why. Accepted numbers go into `accepted`.
async fn accept_until_refused(store: &StoreHandle, next: &mut u32, accepted: &mut Vec<u32>) -> StoreError {
    for _ in 0..100_000 {
        *next += 1;
        match store.accept(vec![read(*next)], NOW).await {
            Ok(answers) => {
                assert!(matches!(answers[..], [Accepted::New { .. }]));
                accepted.push(*next);
            }
            Err(error) => return error,
        }
    }
    panic!("the disk never got full");
}

/// Tries until a read is accepted, for at most a minute.
async fn accept_again(store: &StoreHandle, next: &mut u32, accepted: &mut Vec<u32>) {
    let begun = Instant::now();
    loop {
        *next += 1;
        if store.accept(vec![read(*next)], NOW).await.is_ok() {
            accepted.push(*next);
            return;
        }
        assert!(begun.elapsed() < Duration::from_mins(1), "not back by itself: {:?}", store.figures().await);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// Each accepted read is known, under a number.
async fn assert_all_there(store: &StoreHandle, accepted: &[u32]) {
    let again = accepted.iter().map(|number| read(*number)).collect();
    let answers = store.accept(again, NOW).await.unwrap();
    let lost = answers.iter().filter(|answer| !matches!(answer, Accepted::Repeat { sequence: 1.. })).count();
    assert_eq!(lost, 0, "of {} accepted reads", accepted.len());
    let counts = store.figures().await.unwrap().counts;
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
}

#[tokio::test]
async fn a_full_disk_refuses_loses_nothing_and_is_used_again_when_space_returns() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 24) else { return not_run() };
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    let (mut next, mut accepted) = (0, Vec::new());
    for _ in 0..3 {
        // Another program takes all the space there is.
        let filler = at.join("filler");
        std::io::copy(&mut std::io::repeat(0), &mut std::fs::File::create(&filler).unwrap()).unwrap_err();
        let error = accept_until_refused(&store, &mut next, &mut accepted).await;
        assert!(matches!(error, StoreError::DiskFull), "{error}");
        let trouble = store.figures().await.unwrap().trouble.unwrap();
        assert!(trouble.starts_with("no space left for the queue: free space"), "{trouble}");
        std::fs::remove_file(&filler).unwrap();
        accept_again(&store, &mut next, &mut accepted).await;
        assert_eq!(store.figures().await.unwrap().trouble, None);
    }
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn below_the_reserve_reads_are_refused_and_everything_else_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 24) else { return not_run() };
    let state = at.join("state");
    let store = open(&state, &Queue { disk_free_min_mib: 12, ..LIMITS }, NOW).unwrap();
    let (mut next, mut accepted) = (0, Vec::new());
    let error = accept_until_refused(&store, &mut next, &mut accepted).await;
    assert!(matches!(error, StoreError::DiskFull), "{error}");
    assert!(store.figures().await.unwrap().trouble.is_some());
    store.accept(vec![event(900_000, EventKind::Notice)], NOW).await.unwrap();
    let leased = store.lease(Lane::Bulk, 10, 1 << 20, NOW).await.unwrap();
    assert_eq!(leased.len(), 10);
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), NOW).await.unwrap();
    store.close().await.unwrap();
    // What purging frees inside the file counts as free.
    let later = Moment { mono: Mono(40 * 86_400_000), ..NOW };
    let store = open(&state, &Queue { disk_free_min_mib: 12, ..LIMITS }, NOW).unwrap();
    while 0 < store.retire(later).await.unwrap() {}
    assert!(matches!(store.accept(vec![read(next + 1)], later).await.unwrap()[..], [Accepted::New { .. }]));
    assert_eq!(store.figures().await.unwrap().trouble, None);
    store.close().await.unwrap();
}

/// Rows of the ledger that wait, by what they tell, with how many events each.
async fn ledger(store: &StoreHandle) -> Vec<(String, u64)> {
    let leased = store.lease(Lane::Bulk, 100_000, usize::MAX, NOW).await.unwrap();
    let told = leased.iter().filter(|event| event.kind == EventKind::Ledger).map(|event| {
        let entry: serde_json::Value = serde_json::from_slice(&event.body).unwrap();
        (entry["what"].as_str().unwrap().to_owned(), entry["count"].as_u64().unwrap())
    });
    let told = told.collect();
    store.settle(leased.iter().map(|event| (event.sequence, Settled::Unsent)).collect(), NOW).await.unwrap();
    told
}

#[tokio::test]
async fn a_full_disk_lets_go_first_what_was_delivered_then_if_so_told_the_oldest_waiting_and_never_hits_before_them() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 48) else { return not_run() };
    let limits = Queue { disk_free_min_mib: 12, when_full: WhenFull::Evict, ballast_mib: 4, ..LIMITS };
    let store = open(&at.join("state"), &limits, NOW).unwrap();
    let hit = |number| NewEvent { hit: true, lane: Lane::Urgent, ..read(number) };
    let put = |from: u32, to: u32| {
        let store = store.clone();
        async move {
            for first in (from..to).step_by(100) {
                // While a busy disk has not yet freed what was let go, an engine is told to come again, and does.
                let begun = Instant::now();
                loop {
                    let Err(error) = store.accept((first..first + 100).map(read).collect(), NOW).await else { break };
                    let patient = matches!(error, StoreError::DiskFull) && begun.elapsed() < Duration::from_mins(1);
                    assert!(patient, "{error} at {first}: {:?}", store.figures().await);
                    tokio::time::sleep(Duration::from_millis(20)).await;
                }
            }
        }
    };
    store.accept((900_000..900_100).map(hit).collect(), NOW).await.unwrap();
    put(0, 3000).await;
    let leased = store.lease(Lane::Bulk, 2000, usize::MAX, NOW).await.unwrap();
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), NOW).await.unwrap();
    // The disk holds some 20,000 of them; every one is taken.
    put(3000, 30_000).await;
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.delivered, counts.not_accounted()), (2000, 0), "{counts:?}");
    assert!(2000 < counts.evicted, "{counts:?}");
    let told = ledger(&store).await;
    let evicted: u64 = told.iter().filter(|(what, _)| what == "evicted").map(|(_, count)| count).sum();
    assert_eq!(evicted, counts.evicted, "each is told");
    let hits = store.lease(Lane::Urgent, 1000, usize::MAX, NOW).await.unwrap();
    assert_eq!(hits.len(), 100, "while ordinary reads wait no hit goes");
    // The oldest went: what was handed in last is all here.
    let again = store.accept((29_900..30_000).map(read).collect(), NOW).await.unwrap();
    assert!(again.iter().all(|answer| matches!(answer, Accepted::Repeat { sequence: 1.. })));
    let gone = store.accept(vec![read(2500)], NOW).await.unwrap();
    assert_eq!(gone, [Accepted::Repeat { sequence: 0 }], "known by its hash");
    store.close().await.unwrap();
}

#[tokio::test]
async fn what_was_delivered_goes_before_its_time_on_a_disk_that_fills_and_nothing_else_does() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 48) else { return not_run() };
    let store = open(&at.join("state"), &Queue { disk_act_percent: 60, ..LIMITS }, NOW).unwrap();
    store.accept((0..2000).map(read).collect(), NOW).await.unwrap();
    let leased = store.lease(Lane::Bulk, 1000, usize::MAX, NOW).await.unwrap();
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), NOW).await.unwrap();
    assert_eq!(store.retire(NOW).await.unwrap(), 0, "there is room");
    let filler = std::fs::File::create(at.join("filler")).unwrap();
    nix::fcntl::posix_fallocate(&filler, 0, 28 << 20).unwrap();
    tokio::time::sleep(Duration::from_millis(1100)).await; // free space is asked for once a second
    let mut went = 0;
    while let more @ 1.. = store.retire(NOW).await.unwrap() {
        went += more;
    }
    assert_eq!(went, 1000);
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.evicted, counts.expired, counts.delivered), (0, 0, 1000), "{counts:?}");
    store.close().await.unwrap();
}

#[tokio::test]
async fn fault_42_on_a_disk_filled_to_the_last_byte_the_ballast_makes_room_for_the_deleting() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 48) else { return not_run() };
    let state = at.join("state");
    let store = open(&state, &Queue { ballast_mib: 8, disk_act_percent: 70, ..LIMITS }, NOW).unwrap();
    store.accept((0..1000).map(read).collect(), NOW).await.unwrap();
    let leased = store.lease(Lane::Bulk, 2000, usize::MAX, NOW).await.unwrap();
    store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), NOW).await.unwrap();
    let ballast = state.join("queue.ballast");
    let begun = Instant::now();
    while !ballast.metadata().is_ok_and(|meta| meta.len() == 8 << 20) {
        assert!(begun.elapsed() < Duration::from_mins(1), "an idle store makes its ballast");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    std::io::copy(&mut std::io::repeat(0), &mut std::fs::File::create(at.join("filler")).unwrap()).unwrap_err();
    let (mut next, mut accepted) = (5000, Vec::new());
    let error = accept_until_refused(&store, &mut next, &mut accepted).await;
    assert!(matches!(error, StoreError::DiskFull), "{error}");
    assert!(!ballast.exists(), "let go");
    // Nobody has freed anything: deleting works, and what it frees is used.
    let mut went = 0;
    while let Ok(more @ 1..) = store.retire(NOW).await {
        went += more;
    }
    assert_eq!(went, 1001, "all that was delivered, the ledger's opening among it");
    accept_again(&store, &mut next, &mut accepted).await;
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn fault_80_without_inodes_the_queue_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let (at, image) = (dir.path().join("disk"), dir.path().join("image"));
    std::fs::File::create(&image).unwrap().set_len(32 << 20).unwrap();
    if !run(Command::new("mkfs.ext4").args(["-q", "-N", "64", image.to_str().unwrap()])) {
        return not_run();
    }
    let Some(_mount) = Mount::new(&at, &["-o", "loop", image.to_str().unwrap()]) else { return not_run() };
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    store.accept(vec![read(0)], NOW).await.unwrap();
    let taken = (0..10_000).take_while(|n| std::fs::File::create(at.join(format!("f{n}"))).is_ok()).count();
    assert!((1..10_000).contains(&taken), "no inode is left");
    // The queue is one file and its log, whatever the number of reads. How far it has got can't be noted beside it.
    for first in (1..2500).step_by(100) {
        store.accept((first..first + 100).map(read).collect(), NOW).await.unwrap();
    }
    for n in 0..taken {
        std::fs::remove_file(at.join(format!("f{n}"))).unwrap();
    }
    let accepted: Vec<u32> = (0..2501).collect();
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn row_06_readonly_fs() {
    let dir = tempfile::tempdir().unwrap();
    let (at, image) = (dir.path().join("disk"), dir.path().join("image"));
    let Some(_mount) = Mount::ext4(&at, &image, 24) else { return not_run() };
    if !run(Command::new("mount").args(["-o", "remount,errors=remount-ro"]).arg(&at)) {
        return not_run();
    }
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    store.accept(vec![read(1)], NOW).await.unwrap();
    // The kernel finds an error of the file system, and lets nothing be written from then on.
    let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
    let device = mounts.lines().find(|line| line.contains(at.to_str().unwrap())).unwrap();
    let device = device.split(' ').next().unwrap().trim_start_matches("/dev/");
    if std::fs::write(format!("/sys/fs/ext4/{device}/trigger_fs_error"), "1").is_err() {
        return not_run();
    }
    for number in 2..30 {
        let answer = store.accept(vec![read(number)], NOW).await;
        assert!(answer.is_err(), "read {number} was answered on a file system that takes no writes");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let trouble = store.figures().await.unwrap().trouble.unwrap();
    assert!(trouble.contains("look at the disk and its mount"), "{trouble}");
    drop(store.close().await);
}

/// A disk that promises 200 MiB and has `mib` below: what it takes before it says that it is full must be there after a
/// new mount with room. The syncs of such a disk fail with ENOSPC, then EIO, then succeed with the data gone (source:
/// fault 41); before the first of them fails, a write that crosses the end is answered "done" and cut.
/// False if the rig is missing.
async fn thin_disk(mib: u32) -> bool {
    let dir = tempfile::tempdir().unwrap();
    let (below, at) = (dir.path().join("below"), dir.path().join("disk"));
    let size = format!("size={mib}m");
    let Some(below_mount) = Mount::new(&below, &["-t", "tmpfs", "-o", &size, "none"]) else { return false };
    let image = below.join("image");
    let Some(mount) = Mount::ext4(&at, &image, 200) else { return false };
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    let (mut next, mut accepted) = (0, Vec::new());
    let error = accept_until_refused(&store, &mut next, &mut accepted).await;
    assert!(matches!(error, StoreError::Disk { .. } | StoreError::DiskFull | StoreError::Unusable { .. }), "{error}");
    let before = accepted.len();
    for _ in 0..12 {
        next += 1;
        if store.accept(vec![read(next)], NOW).await.is_ok() {
            accepted.push(next);
        }
        tokio::time::sleep(Duration::from_millis(60)).await;
    }
    // Room again below, and a fresh look at the disk: nothing that only the kernel's memory held is left.
    drop(store.close().await);
    drop(mount);
    assert!(run(Command::new("mount").args(["-o", "remount,size=300m"]).arg(&below)));
    let Some(_mount) = Mount::new(&at, &["-o", "loop", image.to_str().unwrap()]) else { panic!("can't mount again") };
    let store = open(&at.join("state"), &LIMITS, NOW).unwrap();
    drop(writeln!(std::io::stderr(), "{mib} MiB: {before} and then {} accepted; {error}", accepted.len() - before));
    assert_all_there(&store, &accepted).await;
    store.close().await.unwrap();
    drop(below_mount);
    true
}

#[tokio::test]
async fn fault_41_disk_that_says_done_and_has_not_got_it_is_found_out_before_an_answer() {
    // The log meets the end of the small one, the database that of the other. The whole of it: so many disks of 5 MiB
    // and more.
    let runs: Option<u32> = std::env::var("PINTLE_THIN_DISK").ok().map(|runs| runs.parse().unwrap());
    for nth in 0..runs.unwrap_or(2) {
        let mib = if runs.is_some() { 5 + nth % 20 } else { [7, 20][nth as usize] };
        if !thin_disk(mib).await {
            return not_run();
        }
    }
}
