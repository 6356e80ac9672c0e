//! The receiver's own age limits and holds: what is due goes, byte for byte, and the account stays whole.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use pintle::proof;
use pintle::receive::account::{Account, GenerationAccount};
use pintle::receive::check::check_body;
use pintle::receive::retain::{self, Keep};
use pintle::receive::store::{Batch, ReceiverStore, start};
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::EventKind;
use pintle_core::wire::event::{EventParts, batch, encode};
use pintle_core::wire::receipt::ReceiptResult;
use receiver::{GENERATION, SOURCE, outcome};
use std::fs;
use std::path::Path;
use std::thread::JoinHandle;

const T0: i64 = 1_800_000_000_000;
const MIN: i64 = 60_000;
const HOUR: i64 = 60 * MIN;

const KEEP: Keep = Keep { other_ms: 3_600_000, hit_ms: 7_200_000, dedupe_ms: 7_200_000 };

fn at(ms: i64) -> Moment {
    Moment { mono: Mono(u64::try_from(ms).unwrap()), utc: Utc(T0 + ms), utc_trust: UtcTrust::Network }
}

fn plate(number: u64) -> String {
    format!("QX{number:05}ZJ")
}

/// A read as the trailer writes it, captured at `ms`; each tenth is a hit.
fn read(number: u64, ms: i64, body: &str) -> Vec<u8> {
    let hit = number.is_multiple_of(10);
    let filling = "x".repeat(usize::try_from(number * 37 % 700).unwrap());
    let more = if hit { r#","hit":{"list":"demo","entry":"E"}"# } else { "" };
    let captured = Utc(T0 + ms).to_rfc3339();
    let body = format!(
        r#"{{"camera":"north","captured_at":"{captured}","plate":"{}","plate_state":"read","extra":"{filling}{body}"{more}}}"#,
        plate(number)
    );
    event(number, ms, &body, (hit, false))
}

fn event(number: u64, ms: i64, body: &str, how: (bool, bool)) -> Vec<u8> {
    event_with(number, ms, body, how, None)
}

fn event_with(number: u64, ms: i64, body: &str, (hit, sealed): (bool, bool), images: Option<&str>) -> Vec<u8> {
    let stamp = br#"{"stamp_revision":1,"place":{"lat":44.5,"lon":-30.0,"radius95_m":4.0,"site":4,"spot":"site",
        "state":"certain","line":"Quernstone Road","line_state":"confirmed"},"clock":{"trust":"gps"}}"#;
    encode(&EventParts {
        source: SOURCE,
        generation: GENERATION,
        sequence: number,
        id: EventId(u128::from(number).to_be_bytes()),
        kind: EventKind::Read,
        happened_at: Utc(T0 + ms),
        sent_at: Utc(T0 + ms),
        salt: Some(&[7; 16]),
        body: body.as_bytes(),
        stamp: Some(stamp),
        hit,
        sealed,
        images: images.map(str::as_bytes),
    })
    .unwrap()
}

struct Agency {
    folder: tempfile::TempDir,
    store: ReceiverStore,
    thread: JoinHandle<()>,
}

impl Agency {
    fn open(folder: tempfile::TempDir) -> Self {
        let (store, thread) = start(folder.path(), None).unwrap();
        Self { folder, store, thread }
    }

    fn new() -> Self {
        Self::open(tempfile::tempdir().unwrap())
    }

    fn restart(self) -> Self {
        drop(self.store);
        self.thread.join().unwrap();
        Self::open(self.folder)
    }

    async fn takes(&self, events: &[Vec<u8>], up_to: u64, ms: i64) -> Vec<ReceiptResult> {
        let events = check_body(SOURCE, &batch(events)).unwrap();
        let batch = Batch {
            source: SOURCE.to_owned(),
            generation: GENERATION.to_owned(),
            accepted_up_to: up_to,
            relayed: false,
            received_at: Utc(T0 + ms),
            events,
        };
        self.store.store(batch).await.unwrap().receipts.iter().map(|receipt| receipt.result).collect()
    }

    /// As the receiver does it each minute.
    async fn purge(&self, ms: i64) -> u64 {
        let mut gone = 0;
        loop {
            let purged = self.store.purge(KEEP, at(ms)).await.unwrap();
            gone += purged.reads;
            if purged.is_empty() {
                return gone;
            }
        }
    }

    fn account(&self) -> GenerationAccount {
        Account::read(self.folder.path(), Utc(T0)).unwrap().generations.remove(0)
    }

    fn reads(&self) -> Vec<u64> {
        let conn = rusqlite::Connection::open(self.folder.path().join("receiver.db")).unwrap();
        let mut rows = conn.prepare("SELECT sequence FROM reads ORDER BY sequence").unwrap();
        let rows = rows.query_map([], |row| row.get::<_, i64>(0)).unwrap();
        rows.map(|row| u64::try_from(row.unwrap()).unwrap()).collect()
    }
}

/// Plates of `numbers` that stand in the raw bytes of any file of the folder.
fn plates_in(folder: &Path, numbers: std::ops::RangeInclusive<u64>) -> Vec<String> {
    let wanted: std::collections::HashSet<String> = numbers.map(plate).collect();
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap().flatten().filter(|entry| entry.path().is_file()) {
        let bytes = fs::read(entry.path()).unwrap();
        for at in bytes.windows(2).enumerate().filter(|(_, two)| *two == b"QX").map(|(at, _)| at) {
            let text = bytes.get(at..at + 9).and_then(|nine| std::str::from_utf8(nine).ok());
            found.extend(text.filter(|text| wanted.contains(*text)).map(str::to_owned));
        }
    }
    found
}

#[tokio::test]
async fn reads_go_at_their_class_s_limit_and_no_byte_of_them_stays_in_any_file() {
    let agency = Agency::new();
    for first in (1..=2000).step_by(100) {
        let events: Vec<Vec<u8>> = (first..first + 100).map(|number| read(number, 0, "")).collect();
        assert!(agency.takes(&events, 2000, 0).await.iter().all(|result| *result == ReceiptResult::Stored));
    }
    let younger: Vec<Vec<u8>> = (2001..=2100).map(|number| read(number, 50 * MIN, "")).collect();
    agency.purge(MIN).await;
    agency.takes(&younger, 2100, 50 * MIN).await;
    assert_eq!(agency.purge(HOUR).await, 0, "at the limit nothing goes");
    assert_eq!(agency.purge(HOUR + 2 * MIN).await, 1800);
    let left = agency.reads();
    assert_eq!((left.len(), left[0], left[199]), (300, 10, 2000), "hits and younger ones stay");
    let ordinary = |from: u64, to: u64| {
        let found = plates_in(agency.folder.path(), from..=to);
        found.into_iter().filter(|plate| !plate.ends_with("0ZJ")).collect::<Vec<_>>()
    };
    assert_eq!(ordinary(1, 2000), [""; 0]);
    assert_eq!(agency.purge(2 * HOUR + 2 * MIN).await, 290);
    assert_eq!(plates_in(agency.folder.path(), 1..=2000), [""; 0]);
    let account = agency.account();
    assert_eq!((account.here.count, account.let_go.count, account.missing.count), (2100, 2090, 0));
    assert!(!account.is_raised(), "{account:?}");
    let conn = rusqlite::Connection::open(agency.folder.path().join("receiver.db")).unwrap();
    let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
}

#[tokio::test]
async fn what_went_is_known_when_it_comes_again_and_another_content_is_kept_apart() {
    let agency = Agency::new();
    let events = [read(1, 0, ""), read(2, 0, "")];
    agency.takes(&events, 2, 0).await;
    agency.purge(MIN).await;
    assert_eq!(agency.purge(HOUR + 2 * MIN).await, 2);
    let agency = agency.restart();
    assert_eq!(agency.takes(&events, 2, HOUR + 3 * MIN).await, [ReceiptResult::Duplicate; 2]);
    assert_eq!(agency.reads(), [0_u64; 0], "it is not stored a second time");
    assert_eq!(agency.takes(&[read(2, 0, "other")], 2, HOUR + 3 * MIN).await, [ReceiptResult::Refused]);
    let account = agency.account();
    assert_eq!((account.duplicates, account.conflicts, account.missing.count), (2, 1, 0));
    // The contradiction goes at its own limit, the hashes at theirs: then it would be taken for new.
    agency.purge(HOUR + 4 * MIN).await;
    agency.purge(5 * HOUR).await;
    assert_eq!(plates_in(agency.folder.path(), 1..=2), [""; 0]);
    assert_eq!(agency.takes(&events[..1], 2, 5 * HOUR).await, [ReceiptResult::Stored]);
}

#[tokio::test]
async fn a_read_that_came_late_goes_at_its_limit_from_capture_and_a_clock_that_leaps_takes_nothing() {
    let agency = Agency::new();
    agency.takes(&[read(1, -50 * MIN, ""), read(2, 0, "")], 2, 0).await;
    agency.purge(0).await;
    assert_eq!(agency.purge(11 * MIN).await, 1);
    assert_eq!(agency.reads(), [2]);
    // Ten years ahead by the wall clock; five minutes by the store's own age.
    let leap = Moment { utc: Utc(T0 + 10 * 365 * 24 * HOUR), ..at(16 * MIN) };
    assert_eq!(agency.store.purge(KEEP, leap).await.unwrap().reads, 0);
    assert_eq!(agency.purge(HOUR + MIN).await, 1);
}

/// A read that only the agency can open, captured at `ms`; in clear stands the hour.
fn sealed(number: u64, ms: i64) -> Vec<u8> {
    let body = format!(
        r#"{{"v":1,"class":"other","camera":"north","body":"{number}AAA","keys":[{{"to":"0123456789abcdef","wrap":"AAAA"}}]}}"#
    );
    event(number, ms, &body, (false, true))
}

#[tokio::test]
async fn a_read_that_is_sealed_for_others_never_goes_before_its_limit_and_at_most_an_hour_after_it() {
    assert_eq!(T0 % HOUR, 0, "the hours of this test are those of the clock");
    let short = Keep { other_ms: 180_000, hit_ms: 180_000, dedupe_ms: 7_200_000 };
    let agency = Agency::new();
    let purge = async |ms: i64| agency.store.purge(short, at(ms)).await.unwrap().reads;
    // Captured and taken at 40 minutes past the hour; another one, captured 2 minutes past it, comes 70 minutes later.
    agency.takes(&[sealed(1, 40 * MIN)], 1, 40 * MIN).await;
    assert_eq!(purge(40 * MIN).await, 0);
    assert_eq!(purge(41 * MIN).await, 0, "by its hour alone it would seem 41 minutes old");
    assert_eq!(purge(43 * MIN).await, 0);
    assert_eq!(purge(43 * MIN + 2_000).await, 1);
    agency.takes(&[sealed(2, 2 * MIN)], 2, 62 * MIN).await;
    assert_eq!(purge(62 * MIN).await, 0, "it may have been captured at the end of its hour");
    assert_eq!(purge(62 * MIN + 50_000).await, 0);
    assert_eq!(purge(63 * MIN + 2_000).await, 1, "and at most an hour later than it should");
    let account = agency.account();
    assert_eq!((account.here.count, account.let_go.count, account.missing.count), (2, 2, 0));
}

#[tokio::test]
async fn an_export_that_leaves_sealed_reads_out_says_so_and_is_not_taken_for_whole() {
    let agency = Agency::new();
    let events =
        [read(1, 10 * MIN, ""), sealed(2, 20 * MIN), sealed(3, 30 * MIN), sealed(4, 5 * HOUR), read(5, 6 * HOUR, "")];
    agency.takes(&events, 5, 7 * HOUR).await;
    let (folder, data) = (agency.folder.path(), agency.folder.path().display().to_string());
    let export = |name: &str, more: &[&str]| {
        let out = folder.join(name).display().to_string();
        let args =
            ["receive", "export", "--data", &data, "--out", &out, "--purpose", "p", "--case", "26-1183", "--by", "x"];
        let done = outcome(&[&args[..], more].concat());
        (done, fs::read_to_string(folder.join(name)).unwrap().lines().count())
    };
    let time = |ms: i64| Utc(T0 + ms).to_rfc3339();
    let (told, lines) = export("a.csv", &[]);
    assert_eq!((told.code, lines), (1, 3), "{}", told.err);
    assert!(told.out.starts_with("2 reads in "), "{}", told.out);
    assert!(
        told.err.contains("NOT in the file: 3 sealed reads") && told.err.contains("--without-sealed"),
        "{}",
        told.err
    );
    // Of a sealed read the hour is known, so one that may be in the window counts.
    let (told, lines) = export("b.ndjson", &["--to", &time(25 * MIN)]);
    assert_eq!((told.code, lines), (1, 1));
    assert!(told.err.contains("NOT in the file: 2 sealed reads"), "{}", told.err);
    let (told, lines) = export("c.csv", &["--to", &time(25 * MIN), "--without-sealed"]);
    assert_eq!((told.code, lines), (0, 2), "it is known");
    assert!(told.err.contains("NOT in the file: 2 sealed reads"), "{}", told.err);
    for (name, more) in
        [("d.csv", ["--camera", "south"]), ("e.csv", ["--from", &time(6 * HOUR)]), ("f.csv", ["--to", &time(0)])]
    {
        let (told, _) = export(name, &more);
        assert_eq!((told.code, told.err.as_str()), (0, ""), "{name}: no sealed read can belong to it");
    }
    let audit = fs::read_to_string(folder.join("audit/audit.ndjson")).unwrap();
    let left_out: Vec<String> = audit
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|line| line["act"] == "export" && line["outcome"] == "done")
        .map(|line| line["on"]["sealed_left_out"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(left_out, ["3", "2", "2", "0", "0", "0"]);
}

#[tokio::test]
async fn numbers_that_the_database_gives_again_do_not_make_new_reads_old() {
    let agency = Agency::new();
    agency.takes(&[read(1, 0, "")], 1, 0).await;
    agency.purge(0).await;
    assert_eq!(agency.purge(HOUR + MIN).await, 1);
    agency.takes(&[read(2, HOUR + 2 * MIN, "")], 2, HOUR + 2 * MIN).await;
    assert_eq!(agency.purge(HOUR + 3 * MIN).await, 0);
    assert_eq!(agency.purge(2 * HOUR + MIN).await, 0);
    assert_eq!(agency.purge(2 * HOUR + 5 * MIN).await, 1);
}

#[tokio::test]
async fn a_block_is_proven_though_its_events_went_before_its_digest_came() {
    let agency = Agency::new();
    let events: Vec<Vec<u8>> = (1..=9).map(|number| read(number, 0, "")).collect();
    agency.takes(&events, 9, 0).await;
    agency.purge(0).await;
    assert_eq!(agency.purge(HOUR + MIN).await, 9);
    let leaves: Vec<_> = (1..).zip(&events).map(|(number, event)| (number, proof::leaf(&[7; 16], event))).collect();
    let root = pintle_core::queue::blocks::to_hex(&proof::root(GENERATION, &leaves));
    let body =
        format!(r#"{{"v":1,"generation":"{GENERATION}","blocks":[{{"first":1,"last":9,"count":9,"root":"{root}"}}]}}"#);
    let digest = encode(&EventParts {
        source: SOURCE,
        generation: GENERATION,
        sequence: 11,
        id: EventId([9; 16]),
        kind: EventKind::Digest,
        happened_at: Utc(T0),
        sent_at: Utc(T0),
        salt: Some(&[7; 16]),
        body: body.as_bytes(),
        stamp: None,
        hit: false,
        sealed: false,
        images: None,
    })
    .unwrap();
    assert_eq!(agency.takes(&[digest], 11, HOUR + 2 * MIN).await, [ReceiptResult::Stored]);
    let account = agency.account();
    assert_eq!((account.blocks.equal, account.blocks.asked, account.blocks.differ.count), (1, 0, 0));
    let conn = rusqlite::Connection::open(agency.folder.path().join("receiver.db")).unwrap();
    let left: i64 = conn.query_row("SELECT count(*) FROM gone_leaf", [], |row| row.get(0)).unwrap();
    assert_eq!(left, 0, "a proven block needs no leaves");
}

#[tokio::test]
async fn holds_keep_reads_at_the_receiver_and_end_by_command_or_by_themselves() {
    let agency = Agency::new();
    agency.takes(&[read(1, 0, ""), read(2, 20 * MIN, ""), read(3, 0, "")], 3, 20 * MIN).await;
    agency.purge(20 * MIN).await;
    let folder = agency.folder.path().display().to_string();
    let hold = |args: &[&str]| outcome(&[&["receive", "hold"], args, &["--data", &folder]].concat());
    let (from, to) = (Utc(T0 + 10 * MIN).to_rfc3339(), Utc(T0 + 30 * MIN).to_rfc3339());
    let window = ["add", "--from", &from, "--to", &to, "--case", "case 17", "--by", "T. Wray"];
    let add = |more: &[&str]| hold(&[&window[..], more].concat());
    for (more, wanted) in [
        (&["--for", "90d"][..], "needs --trailer or --camera"),
        (&["--camera", "north", "--for", "366d"], "365d is the most"),
        (&["--camera", "No rth", "--for", "9d"], "--camera must be"),
    ] {
        let told = add(more);
        assert!(told.code == 64 && told.err.contains(wanted), "{} {}", told.code, told.err);
    }
    let reversed =
        hold(&["add", "--camera", "north", "--from", &to, "--to", &from, "--case", "c", "--by", "x", "--for", "1d"]);
    assert!(reversed.code == 64 && reversed.err.contains("--to is before --from"), "{}", reversed.err);
    let no_case =
        hold(&["add", "--camera", "north", "--from", &from, "--to", &to, "--case", " ", "--by", "x", "--for", "1d"]);
    assert!(no_case.code == 64 && no_case.err.contains("--case needs a plain text"), "{}", no_case.err);
    let past = ["add", "--from", "2h", "--case", "c", "--by", "x", "--for", "1d"];
    for (more, wanted) in [
        (&["--trailer", "heron-9"][..], "no trailer heron-9 has sent anything here; there is only heron-3"),
        (&["--trailer", "heron-3", "--camera", "nope"], "no read here is of a camera nope; there is only north"),
        (&["--trailer", "heron-3", "--place", "99"], "no read of that trailer here is of a site 99; there is only 4"),
    ] {
        let told = hold(&[&past[..], more].concat());
        assert!(told.code == 2 && told.err.contains(wanted), "{} {}", told.code, told.err);
    }
    let none = hold(&[&past[..], &["--camera", "north"]].concat());
    assert!(none.code == 0 && none.out.starts_with("Hold 1 HOLDS NO READ now"), "{}{}", none.out, none.err);
    assert_eq!(hold(&["end", "1", "--by", "x"]).code, 0);
    let made = add(&["--trailer", "heron-3", "--camera", "north", "--place", "4", "--for", "90d"]);
    assert!(made.code == 0 && made.out.starts_with("Hold 2 holds 1 read now."), "{}{}", made.out, made.err);
    // Before time is made up that this host's clock knows nothing of.
    let end = |text: &str| text.trim_end().rsplit("ends ").next().unwrap_or_default().to_owned();
    let told = hold(&["list"]);
    assert_eq!(end(&made.out), end(&told.out), "each list tells the end that was told when it was made");
    assert_eq!(agency.purge(2 * HOUR).await, 2);
    assert_eq!(agency.reads(), [2], "one in the window, none outside it");
    let agency = agency.restart();
    assert_eq!(agency.purge(2 * HOUR).await, 0);
    let listed = hold(&["list"]);
    assert!(listed.out.contains("urn:pintle:trailer:heron-3, camera north, site 4"), "{}", listed.out);
    assert!(listed.out.contains("1 read now; case case 17"), "{}", listed.out);
    assert_eq!(hold(&["renew", "7", "--for", "1d", "--by", "x"]).code, 2);
    assert_eq!(hold(&["renew", "2", "--for", "365d", "--by", "R. Oyelaran"]).code, 0);
    assert_eq!(hold(&["end", "2", "--by", "R. Oyelaran"]).code, 0);
    assert_eq!(agency.purge(2 * HOUR + MIN).await, 1);
    let account = agency.account();
    assert_eq!((account.here.count, account.missing.count), (3, 0));
    let audit = fs::read_to_string(agency.folder.path().join("audit/audit.ndjson")).unwrap();
    for act in ["hold.add", "hold.renew", "hold.end"] {
        assert!(audit.contains(&format!(r#""act":"{act}""#)), "{act}");
    }
    assert!(audit.contains("case 17") && audit.contains("R. Oyelaran"));
    assert_eq!(outcome(&["receive", "hold", "list", "--data", "/nowhere/at/all"]).code, 2);
}

#[tokio::test]
async fn pictures_that_came_in_part_go_with_their_read_and_those_of_another_stay() {
    let agency = Agency::new();
    let name = |byte: u8| pintle_core::images::Address([byte; 32]).to_string();
    let list = |byte: u8| {
        format!(
            r#"[{{"role":"plate","kind":"picture","sha256":"{}","bytes":900,"media_type":"image/jpeg"}}]"#,
            name(byte)
        )
    };
    let body = |ms: i64| {
        let captured = Utc(T0 + ms).to_rfc3339();
        format!(r#"{{"camera":"north","captured_at":"{captured}","plate":"QX1","plate_state":"read"}}"#)
    };
    let events = [
        event_with(1, 0, &body(0), (false, false), Some(&list(1))),
        event_with(2, 50 * MIN, &body(50 * MIN), (false, false), Some(&list(2))),
    ];
    assert_eq!(agency.takes(&events[..1], 1, 0).await, [ReceiptResult::Stored]);
    agency.purge(0).await;
    assert_eq!(agency.takes(&events[1..], 2, 50 * MIN).await, [ReceiptResult::Stored]);
    let images = agency.folder.path().join("images");
    // As they lie while they come: of two trailers that send the same picture each has a part of its own.
    let files =
        [format!("{}.part-1", name(1)), name(1), format!("{}.part-1", name(2)), "a note of somebody.part-1".to_owned()];
    for file in &files {
        fs::write(images.join(file), "QX1").unwrap();
    }
    assert_eq!(agency.purge(HOUR + 2 * MIN).await, 1);
    let mut left: Vec<String> =
        fs::read_dir(&images).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    left.sort();
    assert_eq!(left, files[2..], "what came of a picture is as old as its read");
}

/// How many reads each line of the audit about purges tells.
fn purges_told(folder: &Path) -> Vec<String> {
    let audit = fs::read_to_string(folder.join("audit/audit.ndjson")).unwrap_or_default();
    let lines = audit.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let told = lines.filter(|line| line["act"] == "purge");
    told.map(|line| line["on"]["reads"].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn purges_are_told_in_the_audit_whatever_ends_the_receiver() {
    let agency = Agency::new();
    // Old when they come, so the time of this test does not matter.
    let lets_go = async |agency: &Agency, numbers: std::ops::RangeInclusive<u64>| {
        let events: Vec<Vec<u8>> = numbers.clone().map(|number| read(number, 0, "")).collect();
        agency.takes(&events, *numbers.end(), 3 * HOUR).await;
        let gone = agency.store.purge(KEEP, pintle::clock::moment(UtcTrust::Network)).await.unwrap().reads;
        assert_eq!(gone, events.len() as u64);
    };
    // Killed before it told.
    lets_go(&agency, 1..=3).await;
    let agency = agency.restart();
    lets_go(&agency, 4..=5).await;
    let stop = tokio_util::sync::CancellationToken::new();
    let folder = agency.folder.path().to_owned();
    let running = tokio::spawn(retain::run(agency.store.clone(), folder.clone(), KEEP, stop.clone()));
    let began = std::time::Instant::now();
    while purges_told(&folder).is_empty() {
        assert!(began.elapsed().as_secs() < 30, "nothing was told");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    // The next would be told an hour later; a stop tells it.
    lets_go(&agency, 6..=9).await;
    stop.cancel();
    running.await.unwrap();
    assert_eq!(purges_told(&folder), ["5", "4"]);
    // And nothing twice.
    let agency = agency.restart();
    let stop = tokio_util::sync::CancellationToken::new();
    stop.cancel();
    retain::run(agency.store.clone(), folder.clone(), KEEP, stop).await;
    assert_eq!(purges_told(&folder), ["5", "4"]);
}

#[test]
fn an_age_limit_of_nothing_or_of_forty_months_is_refused_and_a_purge_is_in_the_audit() {
    for limit in ["0d", "179s", "40", "1217d"] {
        let told = outcome(&["receive", "--data", "/nowhere/at/all", "--keep", limit]);
        assert_eq!(told.code, 64, "{limit}: {}", told.err);
    }
    let mut receiver = receiver::Receiver::start(&["--keep", "3m", "--hit-keep", "36h"]);
    let old = receiver::Event {
        read_body: r#"{"camera":"north","captured_at":"2026-01-01T12:00:00Z","plate":"QX7","plate_state":"read"}"#
            .into(),
        ..receiver::Event::read(1)
    };
    assert_eq!(receiver.post(&receiver::Batch::of(&[old])).status, 200);
    receiver.stop();
    // The first look comes with the start.
    receiver.start_again();
    for _ in 0..600 {
        let audit = fs::read_to_string(receiver.data().join("audit/audit.ndjson")).unwrap_or_default();
        if audit.contains(r#""act":"purge""#) {
            assert_eq!(receiver.count("SELECT count(*) FROM reads"), 0);
            let report = receiver.get("/v1/completeness").json();
            assert_eq!(report["generations"][0]["let_go"]["count"], 1);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    panic!("nothing was let go within a minute");
}
