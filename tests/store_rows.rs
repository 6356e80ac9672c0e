//! Rows of the fault catalogue that are the queue's own, each named after its row.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/failing_sync.rs"]
mod failing_sync;

use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

const T0: i64 = 1_800_000_000_000;

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

async fn accept(store: &StoreHandle, events: Vec<NewEvent>, now: Moment) -> Vec<u64> {
    let answers = store.accept(events, now).await.unwrap();
    answers.into_iter().map(|a| if let Accepted::New { sequence } = a { sequence } else { panic!("{a:?}") }).collect()
}

async fn assert_account(store: &StoreHandle) {
    let counts = store.figures().await.unwrap().counts;
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
}

/// What the child of row 3 does: hands in reads one by one, says of each "ok" or "no", and ends 60 reads after a
/// refusal.
async fn accept_through_a_failing_sync(dir: &Path) {
    let begun = std::time::Instant::now();
    let store = loop {
        match open(dir, &LIMITS, at(0)) {
            Ok(store) => break store,
            Err(error) => assert!(begun.elapsed().as_secs() < 30, "{error}"),
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    };
    let mut out = std::io::stdout();
    let (mut refused, mut after) = (0, 0);
    for n in 1..2000 {
        match store.accept(vec![read(n, 0)], at(1)).await {
            Ok(answers) => {
                assert!(matches!(answers[..], [Accepted::New { .. }]));
                writeln!(out, "ok {n}").unwrap();
                after += u32::from(0 < refused);
            }
            Err(error) => {
                writeln!(out, "no {n}").unwrap();
                assert!(store.figures().await.unwrap().trouble.is_some(), "health is told of {error}");
                refused += 1;
                tokio::time::sleep(std::time::Duration::from_millis(60)).await;
            }
        }
        if after == 60 || (refused == 0 && n == 250) {
            break;
        }
    }
    assert_eq!(store.figures().await.unwrap().trouble, None);
    assert!(begun.elapsed().as_secs() < 30);
    store.close().await.unwrap();
}

#[tokio::test]
async fn row_03_fsync_error_once() {
    if let Ok(dir) = std::env::var("PINTLE_TEST_STORE_SHIM") {
        accept_through_a_failing_sync(Path::new(&dir)).await;
        return;
    }
    let tools = tempfile::tempdir().unwrap();
    let Some(library) = failing_sync::built_in(tools.path()) else { return };
    let nths = failing_sync::nths();
    let (mut failed, rounds) = (0, nths.len());
    for nth in nths {
        let dir = tempfile::tempdir().unwrap();
        let mut child = std::process::Command::new(std::env::current_exe().unwrap());
        child.args(["--exact", "row_03_fsync_error_once", "--nocapture"]).env("PINTLE_TEST_STORE_SHIM", dir.path());
        let output = failing_sync::fail(&mut child, &library, "queue.db", nth).output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "sync {nth}: {said}{}", String::from_utf8_lossy(&output.stderr));
        let numbers = |word: &str| -> Vec<u32> {
            said.lines().filter_map(|line| line.strip_prefix(word)?.trim().parse().ok()).collect()
        };
        let (accepted, refused) = (numbers("ok "), numbers("no "));
        failed += refused.len();
        assert!(60 <= accepted.len(), "sync {nth}: {} accepted", accepted.len());
        let store = open(dir.path(), &LIMITS, at(2)).unwrap();
        let again = store.accept(accepted.iter().map(|n| read(*n, 0)).collect(), at(3)).await.unwrap();
        let lost = again.iter().filter(|answer| !matches!(answer, Accepted::Repeat { sequence: 1.. })).count();
        assert_eq!(lost, 0, "sync {nth}: of {} accepted reads", accepted.len());
        assert_account(&store).await;
        store.close().await.unwrap();
    }
    drop(writeln!(
        std::io::stderr(),
        "row 3: {rounds} runs, {failed} reads refused at the failed sync, 0 accepted lost"
    ));
    assert!(0 < failed, "the library refused no sync");
}

#[tokio::test]
async fn row_08_corrupt_pages_fuzz() {
    use std::os::unix::fs::FileExt;
    // 200 stores by PINTLE_FUZZ_STORES; a share of them in the usual run.
    let stores = std::env::var("PINTLE_FUZZ_STORES").ok().and_then(|text| text.parse().ok()).unwrap_or(15_u32);
    let whole = tempfile::tempdir().unwrap();
    let store = open(whole.path(), &LIMITS, at(0)).unwrap();
    for first in (1..=3000).step_by(500) {
        accept(&store, (first..first + 500).map(|n| read(n, 0)).collect(), at(0)).await;
    }
    let generation = store.figures().await.unwrap().generation;
    store.close().await.unwrap();
    // Which rows a bad page takes with it: those of leaves, and of reads whose length goes beyond their page none.
    let leaves: BTreeMap<u64, u64> = {
        let conn = rusqlite::Connection::open(whole.path().join("queue.db")).unwrap();
        let mut leaves =
            conn.prepare("SELECT pageno, ncell FROM dbstat WHERE name = 'events' AND pagetype = 'leaf'").unwrap();
        let leaves = leaves.query_map([], |row| Ok((row.get::<_, u32>(0)?.into(), row.get::<_, u32>(1)?.into())));
        leaves.unwrap().map(Result::unwrap).collect()
    };
    let bytes = std::fs::read(whole.path().join("queue.db")).unwrap();
    let pages = bytes.len() as u64 / 4096;
    let mut seed = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = move |below: u64| {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        seed % below
    };
    let (mut worst, mut came_over, mut could) = (0, 0, 0);
    for number in 0..stores {
        let dir = tempfile::tempdir().unwrap();
        std::fs::copy(whole.path().join("queue.generation"), dir.path().join("queue.generation")).unwrap();
        let path = dir.path().join("queue.db");
        std::fs::write(&path, &bytes).unwrap();
        let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
        let damaged = [1, 10, 100][number as usize % 3];
        let mut undamaged = leaves.clone();
        for _ in 0..damaged {
            let junk: Vec<u8> = (0..4096).map(|_| u8::try_from(random(256)).unwrap()).collect();
            let page = random(pages);
            file.write_all_at(&junk, page * 4096).unwrap();
            undamaged.remove(&(page + 1));
        }
        drop(file);
        // The agent as the system keeps it: it may end because of what it meets, and is started again.
        let mut taken = false;
        for start in 0..4 {
            let status = std::process::Command::new(std::env::current_exe().unwrap())
                .args(["--exact", "a_store_of_the_fuzz_takes_reads"])
                .env("PINTLE_TEST_STORE_FUZZ", dir.path())
                .stdout(std::process::Stdio::null())
                .stderr(std::process::Stdio::null())
                .status()
                .unwrap();
            if status.success() {
                taken = true;
                break;
            }
            assert!(start < 3, "store {number} with {damaged} bad pages never takes reads again");
        }
        assert!(taken, "store {number}");
        // From the start to the first read that was taken, as the child saw it; then it drains all that there was.
        let first = std::fs::read_to_string(dir.path().join("first")).unwrap();
        let first = first.lines().map(|ms| ms.parse::<u64>().unwrap()).max().unwrap();
        assert!(first < 10_000, "store {number} took its first read after {first} ms");
        worst = worst.max(first);
        // What was damaged is set aside, never deleted; what is in use is whole.
        let conn = rusqlite::Connection::open(&path).unwrap();
        let verdict: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        let rows: i64 = conn.query_row("SELECT count(*) FROM events", [], |row| row.get(0)).unwrap();
        let aside = std::fs::read_dir(dir.path())
            .unwrap()
            .filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().starts_with("queue-damaged-"))
            .count();
        assert!(verdict == "ok" || aside == 0, "store {number}: {verdict}");
        let came = std::fs::read_to_string(dir.path().join("came")).unwrap();
        let own = came.lines().filter_map(|line| line.strip_prefix(&generation)?.trim().parse::<u64>().ok());
        let own = own.collect::<std::collections::BTreeSet<_>>().len() as u64;
        let undamaged: u64 = undamaged.values().sum();
        (came_over, could) = (came_over + own, could + undamaged);
        assert!(
            undamaged * 95 / 100 <= own,
            "store {number} with {damaged} bad pages: of {undamaged} undamaged reads {own} came under their numbers"
        );
        assert!(rows >= 10 && (aside > 0 || rows >= 3000 - 40 * damaged), "store {number}: {rows} rows, {aside} aside");
    }
    drop(writeln!(
        std::io::stderr(),
        "row 8: {stores} damaged stores, first read taken after {worst} ms at most, {came_over} of {could} undamaged reads"
    ));
}

#[tokio::test]
async fn a_store_of_the_fuzz_takes_reads() {
    let Ok(dir) = std::env::var("PINTLE_TEST_STORE_FUZZ") else { return };
    let begun = std::time::Instant::now();
    let store = open(Path::new(&dir), &LIMITS, at(1)).unwrap();
    // The same read at each start: it is taken, or known.
    store.accept(vec![read(900_000, 1)], at(1)).await.unwrap();
    let mut first = std::fs::File::options().create(true).append(true).open(Path::new(&dir).join("first")).unwrap();
    writeln!(first, "{}", begun.elapsed().as_millis()).unwrap();
    // All of it is read, as a drain would, and new reads are taken. What came is noted by the numbers of the first
    // file.
    let mut came = std::fs::File::options().create(true).append(true).open(Path::new(&dir).join("came")).unwrap();
    let own = store.figures().await.unwrap().generation;
    for lane in [Lane::Urgent, Lane::Bulk] {
        loop {
            let leased = store.lease(lane, 100, 1 << 20, at(0)).await.unwrap();
            if leased.is_empty() {
                break;
            }
            for event in leased.iter().filter(|event| event.kind == EventKind::Read) {
                let (generation, number) =
                    event.origin.map_or((own.clone(), event.sequence), |(own, number)| (own.to_string(), number));
                writeln!(came, "{generation} {number}").unwrap();
            }
            let outcomes = leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect();
            store.settle(outcomes, at(1)).await.unwrap();
        }
    }
    accept(&store, (900_001..=900_010).map(|n| read(n, 1)).collect(), at(2)).await;
    assert_account(&store).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn row_09_wal_pinned_reader() {
    // 100,000 by PINTLE_PINNED_READS; a share of them in the usual run.
    let reads = std::env::var("PINTLE_PINNED_READS").ok().and_then(|text| text.parse().ok()).unwrap_or(8000_u32);
    let dir = tempfile::tempdir().unwrap();
    let log = || dir.path().join("queue.db-wal").metadata().unwrap().len();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, (1..=100).map(|n| read(n, 0)).collect(), at(0)).await;
    let pinned = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
    pinned.execute_batch("BEGIN; SELECT count(*) FROM events;").unwrap();
    let rows: i64 = pinned.query_row("SELECT count(*) FROM events", [], |row| row.get(0)).unwrap();
    for first in (101..=reads).step_by(500) {
        accept(&store, (first..first + 500).map(|n| read(n, 0)).collect(), at(1)).await;
    }
    let still: i64 = pinned.query_row("SELECT count(*) FROM events", [], |row| row.get(0)).unwrap();
    assert_eq!(rows, still, "the reader is in the past");
    let grown = log();
    assert!(grown <= 256 << 20, "{grown} bytes of log after {reads} reads");
    assert!(512 << 10 < grown, "the reader pins it: {grown}");
    drop(pinned);
    drop(writeln!(std::io::stderr(), "row 9: {reads} reads behind the reader, {grown} bytes of log"));
    let begun = std::time::Instant::now();
    while 8 << 20 < log() || grown <= log() {
        assert!(begun.elapsed() < std::time::Duration::from_mins(1), "{} bytes of log", log());
        tokio::time::sleep(std::time::Duration::from_millis(200)).await;
    }
    assert_account(&store).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn row_11_sqlite_version_floor() {
    assert!(3_051_003 <= rusqlite::version_number(), "{}", rusqlite::version());
    // That the connection which answers reads back FULL is asked at each opening: `store::db` refuses to open else. A
    // commit that does not sync would leave the log unsynced; what shows it from outside is row 3.
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    let conn = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
    let mode: String = conn.query_row("PRAGMA journal_mode", [], |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal");
    store.close().await.unwrap();
}

/// Locks of this process on files of that folder, as the kernel lists them.
fn locks(folder: &Path) -> Vec<String> {
    use std::os::unix::fs::MetadataExt;
    let inodes: Vec<u64> = std::fs::read_dir(folder)
        .unwrap()
        .filter_map(|entry| entry.ok()?.metadata().ok())
        .filter(std::fs::Metadata::is_file)
        .map(|meta| meta.ino())
        .collect();
    let own = format!(" {} ", std::process::id());
    let mut locks: Vec<String> = std::fs::read_to_string("/proc/locks")
        .unwrap()
        .lines()
        .filter(|line| inodes.iter().any(|inode| line.contains(&format!(":{inode} "))) && line.contains(&own))
        .map(|line| line.split_once(": ").unwrap().1.to_owned())
        .collect();
    locks.sort_unstable();
    locks
}

/// What the second process of row 10 does: writes into the file until a file "end" stands beside it.
fn write_beside(dir: &Path) {
    let conn = rusqlite::Connection::open(dir.join("queue.db")).unwrap();
    conn.busy_timeout(std::time::Duration::from_mins(1)).unwrap();
    let mut written = 0_u32;
    while !dir.join("end").exists() {
        let sql = "BEGIN IMMEDIATE; INSERT OR REPLACE INTO kept VALUES ('beside', x'00'); COMMIT";
        conn.execute_batch(sql).unwrap();
        written += 1;
        std::fs::write(dir.join("beside"), written.to_string()).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

#[tokio::test]
async fn row_10_posix_locks_kept() {
    if let Ok(dir) = std::env::var("PINTLE_TEST_STORE_BESIDE") {
        return write_beside(Path::new(&dir));
    }
    // 1,000 by PINTLE_ROW_ROUNDS; a share of them in the usual run.
    let rounds: u32 = std::env::var("PINTLE_ROW_ROUNDS").ok().and_then(|text| text.parse().ok()).unwrap_or(200);
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, (1..=100).map(|n| read(n, 0)).collect(), at(0)).await;
    let before = locks(dir.path());
    assert!(!before.is_empty(), "an open queue holds locks");
    let mut other = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "row_10_posix_locks_kept"])
        .env("PINTLE_TEST_STORE_BESIDE", dir.path())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let written = || std::fs::read_to_string(dir.path().join("beside")).ok()?.parse::<u32>().ok();
    let begun = std::time::Instant::now();
    while written().is_none() {
        assert!(begun.elapsed() < std::time::Duration::from_mins(1), "the other process writes nothing");
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    for round in 0..rounds {
        accept(&store, vec![read(1000 + round, 0)], at(1)).await;
        store.figures().await.unwrap();
        store.refused().await.unwrap();
        store.kept("keeper").await.unwrap();
        store.open_stamps(Utc(T0), Utc(T0 + 1)).await.unwrap();
        store.retire(at(1)).await.unwrap();
        if round % 50 == 0 {
            assert_eq!(locks(dir.path()), before, "round {round}");
        }
    }
    std::fs::write(dir.path().join("end"), "").unwrap();
    assert!(other.wait().unwrap().success());
    assert_eq!(locks(dir.path()), before);
    drop(writeln!(std::io::stderr(), "row 10: {rounds} rounds, {} commits of the other process", written().unwrap()));
    store.close().await.unwrap();
    let conn = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
    let verdict: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok");
}

/// Another program that holds the lock for writing 100 ms at a time, with a gap between, until it is told to end.
fn lock_in_a_loop(path: &Path, end: &std::sync::atomic::AtomicBool) -> u32 {
    let conn = rusqlite::Connection::open(path).unwrap();
    conn.busy_timeout(std::time::Duration::from_mins(1)).unwrap();
    let mut held = 0;
    while !end.load(std::sync::atomic::Ordering::Relaxed) {
        conn.execute_batch("BEGIN IMMEDIATE").unwrap();
        std::thread::sleep(std::time::Duration::from_millis(100));
        conn.execute_batch("ROLLBACK").unwrap();
        held += 1;
        std::thread::sleep(std::time::Duration::from_millis(30));
    }
    held
}

#[tokio::test]
async fn fault_37_another_program_that_holds_the_lock_delays_reads_and_refuses_none() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    accept(&store, vec![read(1, 0)], at(0)).await;
    let end = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let (path, until) = (dir.path().join("queue.db"), std::sync::Arc::clone(&end));
    let other = std::thread::spawn(move || lock_in_a_loop(&path, &until));
    for n in 2..22 {
        accept(&store, vec![read(n, 0)], at(1)).await;
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    end.store(true, std::sync::atomic::Ordering::Relaxed);
    assert!(0 < other.join().unwrap(), "the other program held the lock");
    assert_account(&store).await;
    store.close().await.unwrap();
}

#[tokio::test]
async fn fault_47_while_the_disk_is_held_up_everything_that_is_not_the_store_goes_on() {
    // One thread for all tasks, as on the trailer: a call of the store that blocked it would stop the clock below.
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path(), &LIMITS, at(0)).unwrap();
    let conn = rusqlite::Connection::open(dir.path().join("queue.db")).unwrap();
    conn.execute_batch("BEGIN IMMEDIATE").unwrap();
    let waits = tokio::spawn({
        let store = store.clone();
        async move { store.accept(vec![read(1, 0)], at(0)).await }
    });
    let mut turns = 0;
    for _ in 0..50 {
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        turns += 1;
    }
    assert!(turns == 50 && !waits.is_finished(), "others took their turns while the read waited for the disk");
    conn.execute_batch("ROLLBACK").unwrap();
    assert!(matches!(waits.await.unwrap().unwrap()[..], [Accepted::New { .. }]));
    store.close().await.unwrap();
}

#[tokio::test]
async fn fault_81_a_data_disk_that_is_not_mounted_is_noticed_and_nothing_is_made_in_its_folder() {
    use pintle::store::StoreError;
    use std::os::unix::fs::MetadataExt as _;
    let own = Queue { own_disk: true, ..LIMITS };
    let device = |path: &Path| std::fs::metadata(path).unwrap().dev();
    // A folder of the system's disk, as an empty mount point is one.
    let places = ["/var/tmp", "/tmp", "/root", "/"];
    let on_root = places
        .iter()
        .map(Path::new)
        .find(|place| place.is_dir() && device(place) == device(Path::new("/")) && tempfile::tempdir_in(place).is_ok());
    let memory = Path::new("/dev/shm");
    if let Some(place) = on_root {
        let dir = tempfile::tempdir_in(place).unwrap();
        let refused = open(dir.path(), &own, at(0)).err().unwrap();
        assert!(matches!(&refused, StoreError::NotMounted { .. }), "{refused}");
        assert!(refused.to_string().contains("not mounted") && refused.advice().contains("mount the data disk"));
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "nothing is made there");
        // Whoever has one disk only says so, and it opens.
        open(dir.path(), &LIMITS, at(0)).unwrap().close().await.unwrap();
        // The real program: it ends, says why, makes no key and no queue, and opens no door.
        let config = dir.path().join("pintle.toml");
        let at_dir = dir.path().display();
        std::fs::write(
            &config,
            format!(
                "[trailer]\nid = \"heron-3\"\nstate_dir = \"{at_dir}/data\"\nruntime_dir = \"{at_dir}/run\"\n[[camera]]\nid = \
                 \"north\"\n[queue]\nseal = \"none\"\ndisk = \"own\"\n"
            ),
        )
        .unwrap();
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_pintle"))
            .args(["run", "--config"])
            .arg(&config)
            .output()
            .unwrap();
        assert_eq!(run.status.code(), Some(2));
        let said = String::from_utf8_lossy(&run.stderr) + String::from_utf8_lossy(&run.stdout);
        assert!(said.contains("the data disk is not mounted"), "{said}");
        assert_eq!(std::fs::read_dir(dir.path().join("data")).unwrap().count(), 0);
        assert!(!dir.path().join("run/intake.sock").exists());
    }
    if memory.is_dir() && device(memory) != device(Path::new("/")) {
        let mounted = tempfile::tempdir_in(memory).unwrap();
        let store = open(mounted.path(), &own, at(0)).unwrap();
        accept(&store, vec![read(1, 0)], at(0)).await;
        store.close().await.unwrap();
    }
    assert!(on_root.is_some() || memory.is_dir(), "no disk here to look at");
}
