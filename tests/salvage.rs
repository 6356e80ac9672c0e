//! A damaged queue file costs the rows of its bad pages and nothing else: what comes over goes out under the numbers
//! that it was given, and the receiver's account closes.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "only one kind is needed here")]
mod pictures;
#[allow(dead_code, reason = "other tests use the rest")]
#[path = "support/receiver.rs"]
mod receiver;

#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use drain::{Drain, target, until};
use receiver::Receiver;
use serde_json::{Value, json};
use std::fs::OpenOptions;
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use trailer::Trailer;

/// Pages of the table `events`: its root, and its leaves with their rows, in order.
fn pages(db: &Path) -> (u64, Vec<(u64, u64)>) {
    let conn = rusqlite::Connection::open(db).unwrap();
    let root = conn.query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'events'", [], |row| {
        row.get::<_, u32>(0).map(u64::from)
    });
    let mut leaves =
        conn.prepare("SELECT pageno, ncell FROM dbstat WHERE name = 'events' AND pagetype = 'leaf'").unwrap();
    let leaves = leaves.query_map([], |row| Ok((row.get::<_, u32>(0)?.into(), row.get::<_, u32>(1)?.into())));
    (root.unwrap(), leaves.unwrap().map(Result::unwrap).collect())
}

fn spoil(db: &Path, page: u64) {
    let file = OpenOptions::new().write(true).open(db).unwrap();
    file.write_all_at(&[0xa5; 4096], (page - 1) * 4096).unwrap();
}

#[tokio::test]
async fn fault_38_salvaged_events_go_out_under_their_own_numbers_and_the_ledger_closes() {
    let receiver = Receiver::start(&[]);
    let url = format!("http://{}/v1/events", receiver.address());
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("queue.db");
    let trailer = Drain::start("heron-3", folder.path(), target(&url));
    trailer.put(1..=300, false).await;
    trailer.until_delivered(300).await;
    trailer.stop().await;
    // Nobody listens at this address, so what comes now waits.
    let trailer = Drain::start("heron-3", folder.path(), target("http://127.0.0.1:1"));
    trailer.put(301..=1500, false).await;
    trailer.put(1501..=1510, true).await;
    let old = trailer.figures().await;
    trailer.stop().await;

    let (root, leaves) = pages(&db);
    assert!(20 < leaves.len(), "{} leaves", leaves.len());
    // One leaf with reads that wait, and the root, without which SQLite finds no row at all.
    let (leaf, rows) = leaves[leaves.len() * 3 / 4];
    spoil(&db, leaf);
    spoil(&db, root);

    let trailer = Drain::start("heron-3", folder.path(), target(&url));
    let waits = || async {
        let counts = trailer.figures().await.counts;
        counts.waiting == 0 && 1000 < counts.delivered
    };
    until("everything that came over is delivered", waits).await;
    let new = trailer.figures().await;
    assert_ne!(new.generation, old.generation);
    trailer.stop().await;

    let account: Value = receiver.get("/v1/completeness").json();
    let of = |generation: &str| {
        let all = account["generations"].as_array().unwrap();
        all.iter().find(|one| one["generation"] == generation).unwrap().clone()
    };
    let (before, after) = (of(&old.generation), of(&new.generation));
    assert_eq!((&before["closed"], &before["missing"]["count"]), (&true.into(), &0.into()), "{before}");
    assert_eq!(before["up_to"], old.counts.accepted, "{before}");
    assert_eq!(before["explained_by"][0]["word"], "unreadable");
    assert_eq!(before["explained"]["count"], rows, "the rows of one page: {before}");
    assert_eq!(before["here"]["count"], old.counts.accepted - rows);
    assert_eq!((&after["missing"]["count"], &after["doubled"]["count"]), (&0.into(), &0.into()), "{after}");
    assert_eq!(after["explained_by"][0]["word"], "carried");
    assert_eq!(receiver.count("SELECT count(*) FROM conflict"), 0);
    // The hits among them are there, each once, under the numbers of the queue that took them.
    assert_eq!(receiver.count("SELECT count(DISTINCT id) FROM event WHERE hit"), 10);
    assert!(receiver.report(&[]).out.contains("RAISED"), "what was lost on the trailer must be seen");
}

#[tokio::test]
async fn what_is_let_go_after_a_salvage_is_told_by_the_numbers_of_its_own_queue() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("queue.db");
    let nowhere = || target("http://127.0.0.1:1");
    let trailer = Drain::start("heron-3", folder.path(), nowhere());
    trailer.put(1..=200, false).await;
    let old = trailer.figures().await;
    trailer.stop().await;
    spoil(&db, pages(&db).0);
    let trailer = Drain::start("heron-3", folder.path(), nowhere());
    // Forty days later: they reach their age limit without a receipt.
    let mut later = pintle::clock::moment(pintle_core::moment::UtcTrust::Gps);
    later.mono = later.mono.plus_ms(40 * 86_400_000);
    later.utc.0 += 40 * 86_400_000;
    while trailer.store.retire(later).await.unwrap() != 0 {}
    trailer.stop().await;
    let trailer = Drain::start("heron-3", folder.path(), target(&format!("http://{}/v1/events", receiver.address())));
    until("the ledger is delivered", || async { trailer.figures().await.counts.waiting == 0 }).await;
    trailer.stop().await;
    let account: Value = receiver.get("/v1/completeness").json();
    let all = account["generations"].as_array().unwrap();
    let before = all.iter().find(|one| one["generation"] == old.generation).unwrap();
    assert_eq!(before["explained_by"][0]["word"], "expired", "{before}");
    assert_eq!((&before["explained"]["count"], &before["missing"]["count"]), (&200.into(), &0.into()), "{before}");
}

/// How many `.rest.` keys a queue has: files set aside that are not looked through.
fn rest(db: &Path) -> i64 {
    let conn = rusqlite::Connection::open(db).unwrap();
    conn.busy_timeout(std::time::Duration::from_secs(5)).unwrap();
    let sql = "SELECT count(*) FROM kept WHERE key >= '.rest.' AND key < '.rest/'";
    // Between two files there is no table.
    conn.query_row(sql, [], |row| row.get(0)).unwrap_or(1)
}

#[tokio::test]
async fn a_start_that_is_killed_while_a_damaged_queue_comes_over_costs_no_read_of_a_large_backlog() {
    const READS: u32 = 40_000;
    if let Ok(dir) = std::env::var("PINTLE_TEST_SALVAGE") {
        let _store = Drain::start("heron-3", Path::new(&dir), target("http://127.0.0.1:1"));
        std::future::pending::<()>().await;
    }
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("queue.db");
    let trailer = Drain::start("heron-3", folder.path(), target("http://127.0.0.1:1"));
    for from in (1..=READS).step_by(1000) {
        trailer.put(from..=from + 999, from == READS - 999).await;
    }
    let old = trailer.figures().await;
    trailer.stop().await;
    let (root, _) = pages(&db);
    spoil(&db, root);
    for after_ms in [50, 700, 2500] {
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "a_start_that_is_killed_while_a_damaged_queue_comes_over_costs_no_read_of_a_large_backlog",
            ])
            .env("PINTLE_TEST_SALVAGE", folder.path())
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let aside = || std::fs::read_dir(folder.path()).unwrap().flatten().any(|e| e.file_name() == "queue.aside");
        let aside_once = || {
            let names = std::fs::read_dir(folder.path()).unwrap().flatten().map(|e| e.file_name());
            names.filter(|name| name.to_string_lossy().starts_with("queue-damaged-")).count() != 0
        };
        until("the file is set aside", || async { aside() || aside_once() }).await;
        tokio::time::sleep(std::time::Duration::from_millis(after_ms)).await;
        child.kill().unwrap();
        child.wait().unwrap();
    }
    let trailer = Drain::start("heron-3", folder.path(), target("http://127.0.0.1:1"));
    assert_ne!(trailer.figures().await.generation, old.generation);
    // Reads are taken beside the salvage.
    trailer.put(READS + 1..=READS + 10, false).await;
    until("all of it has come over", || async { rest(&db) == 0 }).await;
    let counts = trailer.figures().await.counts;
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
    trailer.stop().await;
    let conn = rusqlite::Connection::open(&db).unwrap();
    let count = |sql: &str| conn.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM events WHERE kind = 0"), READS + 10);
    assert_eq!(count("SELECT count(*) FROM events WHERE hit = 1"), 1000);
    assert_eq!(count("SELECT count(DISTINCT number) FROM carried"), count("SELECT count(*) FROM carried"));
    assert_eq!(count("SELECT count(*) FROM events WHERE kind <> 0 AND CAST(body AS TEXT) LIKE '%unreadable%'"), 0);
    let asides = std::fs::read_dir(folder.path()).unwrap().flatten().map(|e| e.file_name().into_string().unwrap());
    assert_eq!(asides.filter(|name| name.starts_with("queue-damaged-") && !name.contains(".db-")).count(), 1);
}

#[test]
fn pictures_that_a_damaged_queue_had_still_to_send_are_told_counted_and_missed_by_nobody() {
    let receiver = Receiver::start(&[]);
    // Reads go, and no picture.
    let way = format!("[receiver]\nurl = \"{}\"\n[images]\nbudget_mb_day = 0\nthumbnail_px = 0\n", receiver.url);
    let mut trailer = Trailer::new(&way);
    trailer.start();
    for number in 0..4 {
        let data = BASE64_STANDARD.encode(pictures::png(60, 20, number));
        let read = json!({
            "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": format!("QTZ {number}"),
            "plate_state": "read", "images": [{"role": "plate", "data": data}],
        });
        assert_eq!(trailer.post("application/json", &read.to_string()).0, 202);
    }
    let queue = |health: &Value, what: &str| health["ledger"][what].clone();
    trailer.wait_health(|health| {
        queue(health, "pictures")["waiting"] == 4 && queue(health, "waiting") == 0 && queue(health, "delivered") != 0
    });
    assert!(trailer.stop().success());
    let db = trailer.state_dir().join("queue.db");
    spoil(&db, pages(&db).0);

    trailer.start();
    let new = trailer.wait_health(|health| queue(health, "pictures")["lost"] == 4 && queue(health, "waiting") == 0);
    assert_eq!(queue(&new, "pictures")["kept"], 4, "{new}");
    assert!(trailer.stop().success());
    let account: Value = receiver.get("/v1/completeness").json();
    let all = account["generations"].as_array().unwrap();
    let before = all.iter().find(|one| one["closed"] == true).unwrap();
    let images = &before["images"];
    assert_eq!(
        (&images["announced"], &images["never"], &images["missing"]),
        (&json!(4), &json!(4), &json!(0)),
        "{before}"
    );
    assert_eq!(images["never_by"], json!({"lost": 4}), "{before}");
    let queue = rusqlite::Connection::open(&db).unwrap();
    let closed: String =
        queue.query_row("SELECT CAST(body AS TEXT) FROM events WHERE sequence = 1", [], |row| row.get(0)).unwrap();
    assert!(closed.contains("; pictures not sent: 4\""), "{closed}");
}

#[test]
fn fault_79_state_files_cut_to_nothing_cost_no_read_and_an_empty_configuration_is_refused() {
    let mut trailer = Trailer::new("");
    trailer.start();
    for number in 0..5 {
        assert_eq!(trailer.read(&format!("QX {number}")), 202);
    }
    assert!(trailer.stop().success());
    // What a cut leaves of files that were renamed before their bytes were on the disk. SQLite's own files are not
    // written so.
    let mut cut = Vec::new();
    for entry in std::fs::read_dir(trailer.state_dir()).unwrap().flatten() {
        let name = entry.file_name().into_string().unwrap();
        if entry.path().is_file() && !name.starts_with("queue.db") && name != "queue.lock" {
            std::fs::write(entry.path(), b"").unwrap();
            cut.push(name);
        }
    }
    assert!(cut.iter().any(|name| name == "queue.generation"), "{cut:?}");
    trailer.start();
    assert_eq!(trailer.read("QX 9"), 202);
    assert!(trailer.stop().success(), "after {cut:?} were empty");
    let queue = rusqlite::Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    let reads: i64 = queue.query_row("SELECT count(*) FROM events WHERE kind = 0", [], |row| row.get(0)).unwrap();
    assert_eq!(reads, 6, "after {cut:?} were empty");
    std::fs::write(trailer.config(), b"").unwrap();
    trailer.spawn();
    assert_eq!(trailer.wait_ended().code(), Some(78), "no defaults in place of what was configured");
}
