//! Rows of the fault catalogue at the receiver's database: what a receipt says is on the disk, whatever a sync says.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/failing_sync.rs"]
mod failing_sync;
#[path = "support/mount.rs"]
mod mount;

use mount::{Mount, not_run, run};
use pintle::receive::check::check_body;
use pintle::receive::schema::{DatabaseError, open_reader};
use pintle::receive::store::{Batch, ReceiverStore, start};
use pintle_core::ids::EventId;
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::event::{EventParts, batch, encode};
use pintle_core::wire::receipt::ReceiptResult;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const GENERATION: &str = "0190a000-0000-7000-8000-00000000000a";
const T0: i64 = 1_800_000_000_000;
const STAMP: &[u8] = br#"{"stamp_revision":1,"place":{"lat":44.5,"lon":-30.0,"radius95_m":4.0,"site":4,"spot":"site",
    "state":"certain","line":"Quernstone Road","line_state":"confirmed"},"clock":{"trust":"gps"}}"#;

fn read(number: u32, filling: usize) -> Vec<u8> {
    let (captured, filling) = (Utc(T0).to_rfc3339(), "x".repeat(filling));
    let body = format!(
        r#"{{"camera":"north","captured_at":"{captured}","plate":"QX{number}","plate_state":"read","extra":"{filling}"}}"#
    );
    encode(&EventParts {
        source: SOURCE,
        generation: GENERATION,
        sequence: number.into(),
        id: EventId(u128::from(number).to_be_bytes()),
        kind: EventKind::Read,
        happened_at: Utc(T0),
        sent_at: Utc(T0),
        salt: Some(&[7; 16]),
        body: body.as_bytes(),
        stamp: Some(STAMP),
        hit: false,
        sealed: false,
        images: None,
    })
    .unwrap()
}

/// Sends one read; true if its receipt says that it is stored or was.
async fn takes(store: &ReceiverStore, number: u32, filling: usize) -> Result<(), DatabaseError> {
    let batch = Batch {
        source: SOURCE.to_owned(),
        generation: GENERATION.to_owned(),
        accepted_up_to: number.into(),
        relayed: false,
        received_at: Utc(T0),
        events: check_body(SOURCE, &batch(&[read(number, filling)])).unwrap(),
    };
    let stored = store.store(batch).await?;
    let results: Vec<ReceiptResult> = stored.receipts.iter().map(|receipt| receipt.result).collect();
    assert!(matches!(results[..], [ReceiptResult::Stored | ReceiptResult::Duplicate]), "{results:?}");
    Ok(())
}

/// The numbers that the database has, and whether it is sound.
fn here(folder: &Path) -> BTreeSet<u32> {
    let conn = open_reader(folder).unwrap();
    let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
    let mut rows = conn.prepare("SELECT sequence FROM reads").unwrap();
    rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
}

/// What the child of row 3 does: sends reads one by one, says of each "ok" or "no", and ends 60 reads after a
/// refusal.
async fn store_through_a_failing_sync(folder: &Path) {
    let begun = Instant::now();
    let (store, thread) = loop {
        match start(folder, None) {
            Ok(started) => break started,
            Err(error) => assert!(begun.elapsed().as_secs() < 30, "{error}"),
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    let mut out = std::io::stdout();
    let (mut refused, mut after) = (0, 0);
    for number in 1..2000 {
        if takes(&store, number, 300).await.is_ok() {
            writeln!(out, "ok {number}").unwrap();
            after += u32::from(0 < refused);
        } else {
            writeln!(out, "no {number}").unwrap();
            refused += 1;
            tokio::time::sleep(Duration::from_millis(60)).await;
        }
        if after == 60 || (refused == 0 && number == 250) {
            break;
        }
    }
    assert!(begun.elapsed().as_secs() < 30);
    drop(store);
    thread.join().unwrap();
}

#[tokio::test]
async fn row_03_fsync_error_once_at_the_receiver() {
    if let Ok(folder) = std::env::var("PINTLE_TEST_RECEIVER_SHIM") {
        store_through_a_failing_sync(Path::new(&folder)).await;
        return;
    }
    let tools = tempfile::tempdir().unwrap();
    let Some(library) = failing_sync::built_in(tools.path()) else { return };
    let nths = failing_sync::nths();
    let (mut failed, rounds) = (0, nths.len());
    for nth in nths {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(std::env::current_exe().unwrap());
        child
            .args(["--exact", "row_03_fsync_error_once_at_the_receiver", "--nocapture"])
            .env("PINTLE_TEST_RECEIVER_SHIM", folder.path());
        let output = failing_sync::fail(&mut child, &library, "receiver.db", nth).output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "sync {nth}: {said}{}", String::from_utf8_lossy(&output.stderr));
        let numbers = |word: &str| -> Vec<u32> {
            said.lines().filter_map(|line| line.strip_prefix(word)?.trim().parse().ok()).collect()
        };
        let (stored, refused) = (numbers("ok "), numbers("no "));
        failed += refused.len();
        assert!(60 <= stored.len(), "sync {nth}: {} stored", stored.len());
        let here = here(folder.path());
        let lost = stored.iter().filter(|number| !here.contains(number)).count();
        assert_eq!(lost, 0, "sync {nth}: of {} reads with a receipt", stored.len());
    }
    drop(writeln!(std::io::stderr(), "row 3, receiver: {rounds} runs, {failed} refused at the failed sync, 0 lost"));
    assert!(0 < failed, "the library refused no sync");
}

/// What the child of the test below does: sends reads and ends without a stop, so that the log has them; or starts
/// again.
async fn store_or_start(folder: &Path) {
    let mut out = std::io::stdout();
    match start(folder, None) {
        Ok((store, _thread)) if std::env::var_os("PINTLE_SHIM_DROP").is_none() => {
            for number in 1..=50 {
                takes(&store, number, 300).await.unwrap();
            }
            std::process::exit(0);
        }
        Ok((store, thread)) => {
            drop(takes(&store, 51, 300).await);
            drop(store);
            thread.join().unwrap();
            writeln!(out, "started").unwrap();
        }
        Err(error) => writeln!(out, "refused: {error}").unwrap(),
    }
}

#[tokio::test]
async fn fault_41_log_is_not_let_go_while_the_database_has_not_got_it_though_each_write_says_done() {
    if let Ok(folder) = std::env::var("PINTLE_TEST_RECEIVER_DROP") {
        return store_or_start(Path::new(&folder)).await;
    }
    let (tools, folder) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let Some(library) = failing_sync::built_in(tools.path()) else { return };
    let child = || {
        let mut child = Command::new(std::env::current_exe().unwrap());
        let own = "fault_41_log_is_not_let_go_while_the_database_has_not_got_it_though_each_write_says_done";
        child.args(["--exact", own, "--nocapture"]).env("PINTLE_TEST_RECEIVER_DROP", folder.path());
        child
    };
    assert!(child().status().unwrap().success());
    let dropping = child().env("LD_PRELOAD", &library).env("PINTLE_SHIM_DROP", "/receiver.db").output().unwrap();
    let said = String::from_utf8_lossy(&dropping.stdout);
    assert!(said.contains("refused: ") && said.contains("pages were written, and they were not"), "{said}");
    // On a disk that does what it says all is there.
    let (store, thread) = start(folder.path(), None).unwrap();
    assert_eq!(here(folder.path()).len(), 50);
    drop(store);
    thread.join().unwrap();
}

/// A disk that promises 200 MiB and has `mib` below. Its syncs fail with ENOSPC, then EIO, then succeed with the data
/// gone (source: fault 41); before the first of them fails, a write that crosses the end is answered "done" and cut.
/// What got a receipt before and after must be there after a new mount with room. False if the rig is missing.
async fn thin_disk(mib: u32) -> bool {
    let dir = tempfile::tempdir().unwrap();
    let (below, at) = (dir.path().join("below"), dir.path().join("disk"));
    let Some(below_mount) = Mount::new(&below, &["-t", "tmpfs", "-o", &format!("size={mib}m"), "none"]) else {
        return false;
    };
    let image = below.join("image");
    let Some(mount) = Mount::ext4(&at, &image, 200) else { return false };
    let folder = at.join("data");
    std::fs::create_dir(&folder).unwrap();
    let (store, thread) = start(&folder, None).unwrap();
    let (mut next, mut stored) = (0, Vec::new());
    let error = loop {
        next += 1;
        assert!(next < 100_000, "the disk never got full");
        match takes(&store, next, 3000).await {
            Ok(()) => stored.push(next),
            Err(error) => break error,
        }
    };
    let before = stored.len();
    // Longer than a closed database rests, so that each try opens it anew: the disk lies at the fifth or so.
    for _ in 0..12 {
        next += 1;
        if takes(&store, next, 3000).await.is_ok() {
            stored.push(next);
        }
        tokio::time::sleep(Duration::from_millis(550)).await;
    }
    // Room again below, and a fresh look at the disk: nothing that only the kernel's memory held is left.
    drop(store);
    thread.join().unwrap();
    drop(mount);
    assert!(run(Command::new("mount").args(["-o", "remount,size=300m"]).arg(&below)));
    let Some(_mount) = Mount::new(&at, &["-o", "loop", image.to_str().unwrap()]) else { panic!("can't mount again") };
    let (store, thread) = start(&folder, None).unwrap();
    let here = here(&folder);
    let lost = stored.iter().filter(|number| !here.contains(number)).count();
    drop(writeln!(std::io::stderr(), "{mib} MiB: {before} and then {} stored; {error}", stored.len() - before));
    assert_eq!(lost, 0, "{mib} MiB: of {} reads with a receipt", stored.len());
    takes(&store, next + 1, 3000).await.unwrap();
    drop(store);
    thread.join().unwrap();
    drop(below_mount);
    true
}

#[tokio::test]
async fn fault_41_disk_that_says_done_and_has_not_got_it_is_found_out_before_a_receipt() {
    // The log meets the end of the small one, the database that of the other. The whole of it: so many disks of 5 MiB
    // and more.
    let runs: Option<u32> = std::env::var("PINTLE_THIN_DISK").ok().map(|runs| runs.parse().unwrap());
    for nth in 0..runs.unwrap_or(3) {
        let mib = if runs.is_some() { 5 + nth % 40 } else { [7, 24, 40][nth as usize] };
        if !thin_disk(mib).await {
            return not_run();
        }
    }
}

#[tokio::test]
async fn a_disk_that_is_full_refuses_loses_nothing_and_is_used_again_without_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("disk");
    let Some(_mount) = Mount::ext4(&at, &dir.path().join("image"), 24) else { return not_run() };
    let folder = at.join("data");
    std::fs::create_dir(&folder).unwrap();
    let (store, thread) = start(&folder, None).unwrap();
    std::io::copy(&mut std::io::repeat(0), &mut std::fs::File::create(at.join("filler")).unwrap()).unwrap_err();
    let (mut next, mut stored) = (0, Vec::new());
    let error = loop {
        next += 1;
        match takes(&store, next, 3000).await {
            Ok(()) => stored.push(next),
            Err(error) => break error,
        }
    };
    assert!(matches!(error, DatabaseError::DiskFull { .. }), "{error}");
    std::fs::remove_file(at.join("filler")).unwrap();
    let begun = Instant::now();
    while takes(&store, next, 3000).await.is_err() {
        assert!(begun.elapsed() < Duration::from_mins(1), "not back by itself");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    stored.push(next);
    assert!(stored.iter().all(|number| here(&folder).contains(number)));
    drop(store);
    thread.join().unwrap();
}

#[tokio::test]
async fn the_log_is_written_back_where_the_answer_is_seen_and_a_reader_delays_it_only() {
    let folder = tempfile::tempdir().unwrap();
    let log = || folder.path().join("receiver.db-wal").metadata().unwrap().len();
    let (store, thread) = start(folder.path(), None).unwrap();
    takes(&store, 1, 0).await.unwrap();
    let pinned = open_reader(folder.path()).unwrap();
    pinned.execute_batch("BEGIN; SELECT count(*) FROM event;").unwrap();
    let rows = || pinned.query_row("SELECT count(*) FROM event", [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(rows(), 1);
    // Some five pages each: twice the log's length.
    for number in 2..1800 {
        takes(&store, number, 20_000).await.unwrap();
    }
    assert_eq!(rows(), 1, "the reader is in the past");
    let grown = log();
    assert!(4000 * 4096 < grown, "the reader pins it: {grown}");
    drop(pinned);
    for number in 1800..1810 {
        takes(&store, number, 20_000).await.unwrap();
    }
    let reused = log();
    for number in 1810..2400 {
        takes(&store, number, 20_000).await.unwrap();
    }
    assert!(log() <= reused, "the log begins anew: {reused} and then {}", log());
    drop(store);
    thread.join().unwrap();
    assert!(!folder.path().join("receiver.db-wal").exists(), "a stop leaves one file");
    assert_eq!(here(folder.path()).len(), 2399);
}
