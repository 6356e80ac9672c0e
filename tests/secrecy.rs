//! Plates and secrets stay where they belong: the real program at its most talkative, with everything that can go wrong
//! going wrong, and then a search through all that it has written.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/scripted.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod scripted;
#[path = "support/trailer.rs"]
mod trailer;

use pintle::clock;
use scripted::{Answer, Request, Scripted};
use serde_json::{Value, json};
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use trailer::Trailer;

/// Invented plates, none a part of anything else that is written.
const PLATE: &str = "QXW 917J";
const MISREAD: &str = "QXW 9?7J";
const HIT: &str = "ZQV-338X";
const ENTRY: &str = "entry-66kq";
const TOKEN: &str = "Uncommon-Token-7Yd2qL9";

fn read(plate: &str, more: &Value) -> Value {
    let now = clock::utc().to_rfc3339();
    let mut read = json!({"camera": "north", "captured_at": now, "plate": plate, "plate_state": "read"});
    read.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    read
}

/// Answers that carry the plate back in every place that an answer has.
fn echo(number: usize, request: &Request) -> Answer {
    let plates = format!("{PLATE} {HIT} {ENTRY} QXW917J qxw917j");
    let hostile = format!("x-reason: {plates}\r\nlocation: http://127.0.0.1:9/{HIT}\r\nretry-after: {HIT}");
    match number % 6 {
        0 => Answer::new(422, "application/problem+json", json!({"title": plates, "detail": plates}).to_string()),
        1 => Answer::new(307, "text/html", format!("<h1>{plates}</h1>")).with(&hostile),
        2 => Answer::new(503, "text/plain", plates).with(&hostile),
        3 => Answer::new(200, "application/json", format!("{{\"batch\": \"{plates}\"")),
        4 => Answer::Close,
        _ => {
            let receipts: Vec<Value> = request
                .events()
                .iter()
                .map(|event| match event["data"].get("read") {
                    Some(_) => json!({"id": event["id"], "result": "refused", "problem": format!("no: {plates}")}),
                    None => json!({"id": event["id"], "result": "stored"}),
                })
                .collect();
            Answer::new(200, "application/json", json!({"batch": request.key(), "receipts": receipts}).to_string())
        }
    }
}

/// All files below `folder` that may be shown to others: everything but the queue itself.
fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let (kind, name) = (entry.file_type().unwrap(), entry.file_name().to_string_lossy().into_owned());
        if kind.is_dir() {
            files(&entry.path(), found);
        } else if kind.is_file() && !name.starts_with("queue.db") && name != "token" {
            found.push(entry.path());
        }
    }
}

/// What leaves the trailer by hand: a survey in each shape, and a bundle, unpacked.
fn given_away(trailer: &Trailer) -> Vec<(String, Vec<u8>)> {
    let run = trailer.runtime_dir().display().to_string();
    let mut given: Vec<(String, Vec<u8>)> = [&[][..], &["--json"], &["--csv"], &["--html"]]
        .map(|shape: &[&str]| {
            let told = Command::new(trailer::PINTLE).args(["survey", &run]).args(shape).output().unwrap();
            assert!(String::from_utf8_lossy(&told.stdout).contains("Heron 3"), "the survey reads it: {shape:?}");
            (format!("pintle survey {shape:?}"), [told.stdout, told.stderr].concat())
        })
        .into();
    let log_file = trailer.folder().join("log-for-the-bundle");
    std::fs::write(&log_file, trailer.log()).unwrap();
    let pack = trailer.folder().join("bundle.tar.gz");
    let (log_file, pack) = (log_file.display().to_string(), pack.display().to_string());
    let packed = trailer.command(&["bundle", "--log", &log_file, "--out", &pack]);
    assert_eq!(packed.status.code(), Some(0), "{}", String::from_utf8_lossy(&packed.stderr));
    let mut bundle = Vec::new();
    flate2::read::GzDecoder::new(std::fs::File::open(&pack).unwrap()).read_to_end(&mut bundle).unwrap();
    for piece in ["log.txt", "config.toml", "check.txt", "health-now/health.json", "TRACE"] {
        assert!(String::from_utf8_lossy(&bundle).contains(piece), "the bundle lacks {piece}");
    }
    given.push(("pintle bundle".into(), [bundle, packed.stdout, packed.stderr].concat()));
    given
}

#[test]
fn at_trace_level_under_faults_and_lies_no_plate_and_no_token_is_written() {
    // The trailer's helpers block, so the receiver has a thread of its own; it ends with the test.
    let (tell, told) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            tell.send(Scripted::start(echo).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    let server = told.recv().unwrap();
    let mut trailer = Trailer::new("");
    let token = trailer.folder().join("token");
    std::fs::write(&token, TOKEN).unwrap();
    trailer.configure(
        "",
        &format!(
            "[receiver]\nurl = \"{}\"\ntoken_file = \"{}\"\nretry_ms_max = 1000\nanswer_wait_ms = 1000\n",
            server.url(),
            token.display()
        ),
    );
    trailer.environment("PINTLE_LOG", "trace");
    trailer.environment("RUST_BACKTRACE", "full");
    trailer.environment("RUST_LOG", "trace");
    trailer.start();

    let hit = json!({"hit": {"list": "demo", "list_time": "2026-11-25T12:00:00Z", "entry": ENTRY}});
    let good = [read(PLATE, &json!({})), read(MISREAD, &json!({"plate_state": "partial"})), read(HIT, &hit)];
    for body in &good {
        assert_eq!(trailer.post("application/json", &body.to_string()).0, 202);
    }
    let mut with_its_plate_as_a_name = read(PLATE, &json!({}));
    with_its_plate_as_a_name[PLATE] = json!(PLATE);
    let mut reused = read(PLATE, &json!({"id": "0190a000-0000-7000-8000-000000000001"}));
    assert_eq!(trailer.post("application/json", &reused.to_string()).0, 202);
    reused["plate"] = json!(HIT);
    let bad = [
        with_its_plate_as_a_name.to_string(),
        reused.to_string(),
        read(PLATE, &json!({"plate_state": PLATE})).to_string(),
        read(PLATE, &json!({"camera": PLATE, "captured_at": PLATE})).to_string(),
        read(PLATE, &json!({"hit": {"list": PLATE, "list_time": PLATE, "entry": ENTRY, PLATE: 1}})).to_string(),
        read(&format!("{PLATE}<script>"), &json!({})).to_string(),
        read(&PLATE.repeat(2000), &json!({})).to_string(),
        format!("{{\"plate\": \"{PLATE}\", \"plate\": \"{PLATE}\"}}"),
        format!("{{\"plate\": \"{PLATE}\""),
    ];
    for body in &bad {
        let (status, answer) = trailer.post("application/json", body);
        assert!(status == 422 || status == 400, "{status}");
        assert!(!answer.contains(PLATE) && !answer.contains(HIT) && !answer.contains(ENTRY), "{answer}");
    }
    trailer.ask(&json!({"do": PLATE, "by": PLATE}).to_string());

    // Each answer of the hostile receiver has come at least once, and the reads are refused in the end.
    let refused = |health: &Value| health["ledger"]["refused"].as_u64().is_some_and(|refused| 4 <= refused);
    trailer.wait_health(refused);
    assert!(server.requests().iter().any(|request| {
        request.headers["authorization"] == format!("Bearer {TOKEN}")
            && String::from_utf8_lossy(&request.bytes).contains(HIT)
    }));
    trailer.kill();
    trailer.start();
    let checked = trailer.command(&["check"]);
    let status = trailer.command(&["status"]);
    let given_away = given_away(&trailer);
    assert_eq!(trailer.stop().code(), Some(0));

    let mut written: Vec<(String, Vec<u8>)> = vec![
        ("pintle check".into(), [checked.stdout, checked.stderr].concat()),
        ("pintle status".into(), [status.stdout, status.stderr].concat()),
    ];
    written.extend(given_away);
    let mut found = Vec::new();
    files(trailer.folder(), &mut found);
    written.extend(found.into_iter().map(|path| (path.display().to_string(), std::fs::read(&path).unwrap())));
    assert!(12 < written.len(), "the health files, the log and the rest are searched");
    let log = trailer.log();
    assert!(log.contains("TRACE") && log.contains("delivery fails"), "the log is at its most talkative:\n{log}");
    for (name, bytes) in written {
        let text = String::from_utf8_lossy(&bytes);
        for secret in [PLATE, "QXW917J", "qxw917j", MISREAD, HIT, "ZQV338X", ENTRY, TOKEN] {
            assert!(!text.contains(secret), "{secret} stands in {name}");
        }
    }
    let queue = std::fs::read(trailer.state_dir().join("queue.db")).unwrap();
    assert!(String::from_utf8_lossy(&queue).contains(HIT), "the search itself must be able to find a plate");
}
