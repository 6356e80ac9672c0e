//! Holds: what a case needs stays past its age limit, nothing else does, and every act is in the audit.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use pintle::config::Queue;
use pintle::seal::{Keyring, Seal, count_of_keys};
use pintle::store::seal::Sealer;
use pintle::store::{Dropped, NewEvent, Settled, StoreHandle, limits, open, open_sealed};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::holds::{HOLD_S_MAX, HoldAsked, HoldChange};
use pintle_core::queue::{EventKind, Lane};
use serde_json::{Value, json};
use std::path::Path;
use std::time::Duration;
use trailer::Trailer;

const T0: i64 = 1_800_000_000_000;
const MIN: i64 = 60_000;
const DAY: i64 = 86_400_000;

/// A hundred minutes waiting, three delivered: content keys live 9 s.
const QUEUE: Queue = Queue {
    waiting_keep_s: 6000,
    hit_waiting_keep_s: 6000,
    delivered_keep_s: 180,
    hit_delivered_keep_s: 180,
    ..Queue::PLAIN
};

fn at(ms: i64) -> Moment {
    Moment { mono: Mono(u64::try_from(ms).unwrap()), utc: Utc(T0 + ms), utc_trust: UtcTrust::Network }
}

fn read(number: u8, camera: &str, site: u64, ms: i64) -> NewEvent {
    NewEvent {
        id: EventId([number; 16]),
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: Some(CameraId::new(camera).unwrap()),
        happened_at: Utc(T0 + ms),
        body: format!(r#"{{"camera":"{camera}","plate":"QX{number}ZJ"}}"#).into_bytes(),
        stamp: Some(format!(r#"{{"stamp_revision":1,"place":{{"site":{site}}}}}"#).into_bytes()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

fn asked(camera: Option<&str>, site: Option<u64>, window: (i64, i64)) -> HoldAsked {
    HoldAsked {
        source: None,
        camera: camera.map(|name| CameraId::new(name).unwrap()),
        site,
        from: Utc(T0 + window.0),
        to: Utc(T0 + window.1),
        case: "case 17".to_owned(),
        by: "T. Wray".to_owned(),
        for_s: HOLD_S_MAX,
    }
}

async fn retire_all(store: &StoreHandle, ms: i64) -> u64 {
    let mut gone = 0;
    loop {
        match store.retire(at(ms)).await.unwrap() {
            0 => return gone,
            more => gone += more,
        }
    }
}

/// Ids of what is still in the file, whatever became of it.
fn ids_in(folder: &Path) -> Vec<u8> {
    let conn = rusqlite::Connection::open(folder.join("queue.db")).unwrap();
    let mut rows = conn.prepare("SELECT id FROM events WHERE kind = 0 ORDER BY sequence").unwrap();
    let ids = rows.query_map([], |row| row.get::<_, [u8; 16]>(0)).unwrap();
    ids.map(|id| id.unwrap()[0]).collect()
}

async fn deliver_all(store: &StoreHandle, ms: i64) {
    let leased = store.lease(Lane::Bulk, 500, 1 << 20, at(ms)).await.unwrap();
    let outcomes = leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect();
    store.settle(outcomes, at(ms)).await.unwrap();
}

#[tokio::test]
async fn held_reads_stay_waiting_and_delivered_and_go_when_the_hold_ends() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &QUEUE, at(0)).unwrap();
    let reads = [("north", 1, 0), ("south", 1, 0), ("north", 1, 5 * MIN), ("south", 2, 0)];
    let reads: Vec<NewEvent> =
        (1..).zip(reads).map(|(number, (camera, site, ms))| read(number, camera, site, ms)).collect();
    store.accept(reads[..2].to_vec(), at(MIN)).await.unwrap();
    deliver_all(&store, MIN).await;
    store.accept(reads[2..].to_vec(), at(5 * MIN)).await.unwrap();
    let north = store.hold(HoldChange::Add(asked(Some("north"), None, (0, MIN))), at(5 * MIN)).await.unwrap();
    let place = store.hold(HoldChange::Add(asked(None, Some(2), (0, 6 * MIN))), at(5 * MIN)).await.unwrap();
    assert_eq!((north, place), (Some(1), Some(2)));
    let held = store.held(0).await.unwrap();
    assert_eq!((held.reads.into_iter().collect::<Vec<_>>(), held.next), (vec![(1, 1), (2, 1)], None));
    assert_eq!(store.sites().await.unwrap().into_iter().collect::<Vec<_>>(), [1, 2]);

    retire_all(&store, 7 * MIN).await;
    assert_eq!(ids_in(folder.path()), [1, 3, 4], "delivered: the held one stays, the other goes");
    retire_all(&store, 110 * MIN).await;
    assert_eq!(ids_in(folder.path()), [1, 4], "waiting: the same");
    let figures = store.figures().await.unwrap();
    assert_eq!((figures.holds.count, figures.holds.kept, figures.holds.over_kept), (2, 2, 0));
    assert_eq!(figures.counts.not_accounted(), 0, "{:?}", figures.counts);

    // A restart, and a wall clock that leaps ten years ahead, end no hold.
    store.close().await.unwrap();
    let store = open(folder.path(), &QUEUE, at(111 * MIN)).unwrap();
    let leap = Moment { utc: Utc(T0 + 3650 * DAY), utc_trust: UtcTrust::Network, ..at(112 * MIN) };
    store.retire(leap).await.unwrap();
    assert_eq!(ids_in(folder.path()), [1, 4]);
    assert_eq!(store.holds().await.unwrap().len(), 2);

    assert_eq!(store.hold(HoldChange::End { number: 1 }, at(113 * MIN)).await.unwrap(), Some(1));
    assert_eq!(store.hold(HoldChange::End { number: 1 }, at(113 * MIN)).await.unwrap(), None);
    retire_all(&store, 114 * MIN).await;
    assert_eq!(ids_in(folder.path()), [4]);
    let renew = |for_s| HoldChange::Renew { number: 2, for_s, by: "R. Oyelaran".to_owned() };
    assert_eq!(store.hold(renew(600), at(115 * MIN)).await.unwrap(), Some(2));
    retire_all(&store, 124 * MIN).await;
    assert_eq!(ids_in(folder.path()), [4]);
    assert!(store.figures().await.unwrap().holds.ending.is_some(), "its end is near");
    retire_all(&store, 126 * MIN).await;
    assert_eq!(ids_in(folder.path()), [0_u8; 0]);
    let left = store.holds().await.unwrap();
    assert_eq!(left.iter().map(|(hold, ms)| (hold.number, hold.ended, *ms)).collect::<Vec<_>>(), [(2, true, 0)]);
    assert_eq!(store.figures().await.unwrap().counts.not_accounted(), 0);
}

#[tokio::test]
async fn of_sealed_reads_a_hold_keeps_the_whole_span_of_the_key_and_counts_what_it_keeps_too_much() {
    let folder = tempfile::tempdir().unwrap();
    let keys = tempfile::tempdir().unwrap();
    let disk = keys.path().join("disk.key");
    std::fs::write(&disk, [7; 32]).unwrap();
    let ring = Keyring::open(folder.path(), "urn:pintle:trailer:heron-3", &limits(&QUEUE), Seal::Disk(disk)).unwrap();
    let store = open_sealed(folder.path(), &QUEUE, Some(Box::new(ring) as Box<dyn Sealer>), at(0)).unwrap();
    // Spans are 9 s: 1, 2 and 3 under one key, 4 under the next, 5 of another camera.
    for (number, camera, ms) in [(1, "north", 0), (2, "north", 2000), (3, "north", 4000), (4, "north", 30_000)] {
        store.accept(vec![read(number, camera, 1, ms)], at(ms)).await.unwrap();
    }
    store.accept(vec![read(5, "south", 1, 31_000)], at(31_000)).await.unwrap();
    assert_eq!(count_of_keys(folder.path()), 3);
    deliver_all(&store, MIN).await;
    store.hold(HoldChange::Add(asked(Some("north"), None, (1500, 2500))), at(MIN)).await.unwrap();
    retire_all(&store, 6 * MIN).await;
    assert_eq!(ids_in(folder.path()), [1, 2, 3]);
    let holds = store.figures().await.unwrap().holds;
    assert_eq!((holds.kept, holds.over_kept), (3, 2));
    assert_eq!((count_of_keys(folder.path()), store.figures().await.unwrap().keys_destroyed), (1, 2));
    store.hold(HoldChange::End { number: 1 }, at(7 * MIN)).await.unwrap();
    retire_all(&store, 8 * MIN).await;
    assert_eq!((ids_in(folder.path()).len(), count_of_keys(folder.path())), (0, 0));
}

#[tokio::test]
async fn neither_a_full_disk_nor_a_person_who_drops_it_takes_what_is_held() {
    let folder = tempfile::tempdir().unwrap();
    let little = Queue { disk_act_percent: 0, disk_free_min_mib: 0, ..QUEUE };
    let store = open(folder.path(), &little, at(0)).unwrap();
    store.accept(vec![read(1, "north", 1, 0), read(2, "south", 1, 0), read(3, "north", 1, 0)], at(0)).await.unwrap();
    let leased = store.lease(Lane::Bulk, 9, 1 << 20, at(0)).await.unwrap();
    let refused = leased.iter().find(|event| event.id.0[0] == 3).unwrap().sequence;
    let outcome = |sequence| if sequence == refused { Settled::Refused("no".to_owned()) } else { Settled::Delivered };
    let outcomes = leased.iter().map(|event| (event.sequence, outcome(event.sequence))).collect();
    store.settle(outcomes, at(0)).await.unwrap();
    store.hold(HoldChange::Add(asked(Some("north"), None, (0, 0))), at(0)).await.unwrap();
    retire_all(&store, 1000).await;
    assert_eq!(ids_in(folder.path()), [1, 3], "a full disk takes what was delivered before its time");
    let drop = |sequence| store.drop_refused(sequence, "a test".to_owned(), at(1000));
    assert_eq!(drop(refused).await.unwrap(), Dropped::Held);
    assert_eq!(drop(999).await.unwrap(), Dropped::Unknown);
    store.hold(HoldChange::End { number: 1 }, at(1000)).await.unwrap();
    assert_eq!(drop(refused).await.unwrap(), Dropped::Gone);
}

#[tokio::test]
async fn holds_go_over_with_what_waits_when_the_file_is_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &QUEUE, at(0)).unwrap();
    store.accept(vec![read(1, "north", 1, 0)], at(0)).await.unwrap();
    store.hold(HoldChange::Add(HoldAsked { for_s: 6000, ..asked(Some("north"), None, (0, 0)) }), at(0)).await.unwrap();
    store.close().await.unwrap();
    std::fs::write(folder.path().join("queue.damaged"), "a test").unwrap();
    let store = open(folder.path(), &QUEUE, at(50 * MIN)).unwrap();
    let holds = store.holds().await.unwrap();
    assert_eq!(holds.len(), 1);
    assert_eq!((holds[0].0.asked.case.as_str(), holds[0].1), ("case 17", 50 * 60_000), "it ends when it would have");
}

#[tokio::test]
async fn lost_holds_keep_everything_until_somebody_says_that_all_are_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &QUEUE, at(0)).unwrap();
    store.accept(vec![read(1, "north", 1, 0), read(2, "south", 1, 0)], at(0)).await.unwrap();
    store.hold(HoldChange::Add(asked(Some("north"), None, (0, 0))), at(0)).await.unwrap();
    store.close().await.unwrap();
    let damaged = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    assert_eq!(damaged.execute("UPDATE kept SET value = x'7b' WHERE key = '.holds'", []).unwrap(), 1);
    drop(damaged);
    let mut ms = MIN;
    for _ in 0..2 {
        let store = open(folder.path(), &QUEUE, at(ms)).unwrap();
        assert!(store.figures().await.unwrap().holds.unreadable);
        // One hold is made anew, and one ended: what the other lost ones kept stays.
        let made = store.hold(HoldChange::Add(asked(Some("west"), None, (0, 0))), at(ms)).await.unwrap().unwrap();
        store.hold(HoldChange::End { number: made }, at(ms)).await.unwrap();
        retire_all(&store, ms + 200 * MIN).await;
        assert_eq!(ids_in(folder.path()), [1, 2]);
        store.close().await.unwrap();
        ms += MIN;
    }
    // A salvage knows of the lost ones, too.
    std::fs::write(folder.path().join("queue.damaged"), "a test").unwrap();
    let store = open(folder.path(), &QUEUE, at(ms)).unwrap();
    assert!(store.figures().await.unwrap().holds.unreadable);
    store.hold(HoldChange::Add(asked(Some("north"), None, (0, 0))), at(ms)).await.unwrap();
    assert!(store.hold(HoldChange::Anew, at(ms)).await.unwrap().is_some());
    assert_eq!(store.hold(HoldChange::Anew, at(ms)).await.unwrap(), None, "none is lost any more");
    retire_all(&store, ms + 210 * MIN).await;
    assert_eq!(ids_in(folder.path()), [1]);
    store.close().await.unwrap();
}

fn ask(trailer: &Trailer, args: &[&str]) -> (i32, String, String) {
    let mut all = vec!["hold"];
    all.extend_from_slice(args);
    let done = trailer.command(&all);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (done.status.code().unwrap(), text(&done.stdout), text(&done.stderr))
}

#[test]
fn people_make_renew_and_end_holds_by_command_and_the_audit_tells_who_and_for_which_case() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.ask(r#"{"do":"status"}"#);
    for plate in ["QX1ZJ", "QX2ZJ"] {
        assert_eq!(trailer.read(plate), 202);
    }
    let add = ["add", "--camera", "north", "--from", "2h", "--case", "case 17", "--for", "90d", "--by", "T. Wray"];
    let (code, made, err) = ask(&trailer, &add);
    assert_eq!((code, made.starts_with("Hold 1 holds 2 reads now.\n"), err.as_str()), (0, true, ""), "{made}");
    let hold = |more: &[&'static str]| [&["add", "--case", "c"][..], more].concat();
    for (args, exit, wanted) in [
        (
            vec!["add", "--camera", "north", "--from", "2h", "--case", "", "--for", "1d"],
            2,
            "`--case` is empty\n  what to do: give a text of 1 to 200 characters",
        ),
        (hold(&["--camera", "north", "--from", "2h", "--for", "366d"]), 64, "365d is the most"),
        (
            hold(&["--camera", "north", "--from", "2h", "--to", "3h", "--for", "1d"]),
            64,
            "--to is before --from\n  what to do: give the earlier time",
        ),
        (hold(&["--camera", "north", "--from", "2099-01-01T00:00:00Z", "--for", "1d"]), 64, "--from lies ahead"),
        (hold(&["--camera", "north", "--from", "yesterday", "--for", "1d"]), 64, "or how long ago it was"),
        (
            hold(&["--camera", "nroth", "--from", "2h", "--for", "1d"]),
            2,
            "there is no such camera\n  what to do: did you mean north?",
        ),
        (hold(&["--from", "2h", "--for", "1d"]), 2, "needs `--camera` or `--place`"),
        (hold(&["--place", "99", "--from", "2h", "--for", "1d"]), 2, "there is no site 99"),
        (vec!["renew", "9", "--for", "1d"], 2, "there is no hold with the number 9"),
        (vec!["end", "9"], 2, "there is no hold with the number 9"),
        (vec!["anew"], 2, "all holds can be read"),
    ] {
        let (code, _, err) = ask(&trailer, &args);
        assert!(code == exit && err.contains(wanted), "{args:?}: {code} {err}");
    }
    // A window that lies ahead is right, and so is one that nothing fits; neither looks like a success.
    let ahead = ["--camera", "north", "--from", "2099-01-01T00:00:00Z", "--to", "2099-01-02T00:00:00Z", "--for", "1d"];
    let (code, none, _) = ask(&trailer, &[&hold(&ahead)[..], &["--by", "T. Wray"]].concat());
    assert!(
        code == 0 && none.starts_with("Hold 2 HOLDS NO READ now: none that is here fits.\nReads that come"),
        "{none}"
    );
    assert_eq!(ask(&trailer, &["end", "2", "--by", "T. Wray"]).0, 0);
    trailer.kill();
    trailer.start();
    trailer.ask(r#"{"do":"status"}"#);
    let (code, out, _) = ask(&trailer, &["list"]);
    assert!(
        code == 0 && out.contains("1  camera north") && out.contains("2 reads now; case case 17; by T. Wray"),
        "{out}"
    );
    assert!(made.ends_with(&out), "each list tells the end that was told when it was made: {made}{out}");
    let holds = |health: &Value| health["ledger"]["holds"]["count"] == json!(1);
    let health = trailer.wait_health(holds);
    assert!(health["ledger"]["holds"]["next_end"].is_string(), "{health}");
    assert!(!health.to_string().contains("case 17"), "health never tells what a hold is about");
    assert_eq!(ask(&trailer, &["renew", "1", "--for", "1h", "--by", "R. Oyelaran"]).0, 0);
    assert_eq!(ask(&trailer, &["end", "1", "--by", "R. Oyelaran"]).1, "Hold 1 has ended.\nNothing is held.\n");
    let text = std::fs::read_to_string(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let acts: Vec<(&str, &str, &str)> = lines
        .iter()
        .filter(|line| line["act"].as_str().is_some_and(|act| act.starts_with("hold.")))
        .filter(|line| line["outcome"] == "done")
        .map(|line| (line["act"].as_str().unwrap(), line["by"].as_str().unwrap(), line["on"]["hold"].as_str().unwrap()))
        .collect();
    assert_eq!(
        acts,
        [
            ("hold.add", "T. Wray", "1"),
            ("hold.add", "T. Wray", "2"),
            ("hold.end", "T. Wray", "2"),
            ("hold.renew", "R. Oyelaran", "1"),
            ("hold.end", "R. Oyelaran", "1")
        ]
    );
    let add = lines.iter().find(|line| line["act"] == "hold.add" && line["outcome"] == "done").unwrap();
    assert_eq!((add["on"]["case"].as_str(), add["on"]["camera"].as_str()), (Some("case 17"), Some("north")));
    assert_eq!(trailer.stop().code(), Some(0));
}

#[test]
fn a_hold_that_ends_by_itself_is_told_in_the_audit_and_forgotten() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let add = ["add", "--camera", "north", "--from", "2h", "--case", "case 18", "--for", "1s", "--by", "T. Wray"];
    assert_eq!(ask(&trailer, &add).0, 0);
    // The first look comes with the start.
    std::thread::sleep(Duration::from_millis(1200));
    trailer.kill();
    trailer.start();
    for _ in 0..600 {
        let text = std::fs::read_to_string(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
        if text.contains("hold.expired") {
            assert_eq!(ask(&trailer, &["list"]).1, "Nothing is held.\n");
            return;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("the end of the hold is not in the audit");
}

#[test]
fn lost_holds_are_told_first_over_the_first_that_is_made_anew_until_somebody_says_that_these_are_all() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.ask(r#"{"do":"status"}"#);
    assert_eq!(trailer.read("QX1ZJ"), 202);
    let add = ["add", "--camera", "north", "--from", "2h", "--case", "case 19", "--for", "90d", "--by", "T. Wray"];
    assert_eq!(ask(&trailer, &add).0, 0);
    assert!(trailer.stop().success());
    let db = rusqlite::Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    let kept: Vec<u8> = db.query_row("SELECT value FROM kept WHERE key = '.holds'", [], |row| row.get(0)).unwrap();
    let lost = String::from_utf8(kept).unwrap().replace(r#""from":"2"#, r#""from":"x2"#).into_bytes();
    db.execute("UPDATE kept SET value = ? WHERE key = '.holds'", [lost]).unwrap();
    drop(db);
    trailer.start();
    trailer.ask(r#"{"do":"status"}"#);
    assert!(ask(&trailer, &["list"]).1.starts_with("THE HOLDS WERE LOST"));
    let (code, made, _) = ask(&trailer, &add);
    assert!(code == 0 && made.starts_with("THE HOLDS WERE LOST") && made.contains("Hold 2 holds 1 read"), "{made}");
    trailer.wait_health(|health| health["needs"].as_array().unwrap().iter().any(|need| need["code"] == "hold.lost"));
    let (code, anew, _) = ask(&trailer, &["anew", "--by", "T. Wray"]);
    assert!(code == 0 && anew.starts_with("All holds are made anew.") && !anew.contains("LOST"), "{anew}");
    assert!(ask(&trailer, &["list"]).1.starts_with("2  camera north"), "numbers go on behind the lost ones");
    let text = std::fs::read_to_string(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
    assert!(text.contains(r#""act":"hold.anew""#));
    assert_eq!(trailer.stop().code(), Some(0));
}
