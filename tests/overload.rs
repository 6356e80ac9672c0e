//! More than the trailer can take, and faults without end: memory and log stay bounded, and nothing acknowledged is
//! lost.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use pictures::png;
use rusqlite::Connection;
use std::io::{Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

/// What the agent may use at most under this load, KiB (source: fault 27, a limit of 128 MB).
const RESIDENT_KIB_MAX: u64 = 128 * 1024;
/// Engines that push at once.
const ENGINES: u32 = 24;

/// The most memory that a process ever used, KiB.
fn peak_kib(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// One request on a connection of its own: status and head of the answer.
fn post(socket: &Path, body: &str) -> (u16, String) {
    let mut stream = UnixStream::connect(socket).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let head = format!(
        "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: {}\r\nconnection: \
         close\r\n\r\n",
        body.len()
    );
    // It may answer "busy" before it has read all of it.
    drop(stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body.as_bytes())));
    let mut answer = Vec::new();
    drop(stream.read_to_end(&mut answer));
    let answer = String::from_utf8_lossy(&answer).to_ascii_lowercase();
    (answer.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0), answer)
}

/// What the engines have in common.
#[derive(Default)]
struct Pushed {
    stop: AtomicBool,
    /// The clients that only hold memory go.
    stalls_end: AtomicBool,
    taken: AtomicU64,
    /// 503 with `Retry-After`.
    busy: AtomicU64,
    /// Connections that had to give way.
    closed: AtomicU64,
}

/// The largest body, of which all but the last bytes have come: each holds four of the 32 MiB that bodies on their way
/// may take together, until its time is over. One that finds no more room is told so, and comes again.
fn stall(socket: &Path, pushed: &Pushed) {
    const DECLARED: usize = 4 << 20;
    let part = vec![b' '; DECLARED - 4096];
    while !pushed.stalls_end.load(Ordering::SeqCst) {
        let Ok(mut stream) = UnixStream::connect(socket) else { continue };
        stream.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
        let head = format!(
            "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: \
             {DECLARED}\r\n\r\n"
        );
        if stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(&part)).is_err() {
            continue;
        }
        let waits = |error: &std::io::Error| error.kind() == std::io::ErrorKind::WouldBlock;
        let mut answer = [0; 512];
        while !pushed.stalls_end.load(Ordering::SeqCst) {
            if !stream.read(&mut answer).is_err_and(|error| waits(&error)) {
                break;
            }
        }
    }
}

/// Reads with a picture of some 200 kB each, as fast as they are answered.
fn push(socket: &Path, engine: u32, pushed: &Pushed) {
    let images = format!(r#"{{"role":"overview","data":"{}"}}"#, BASE64_STANDARD.encode(png(260, 260, engine)));
    let mut number = 0_u64;
    while !pushed.stop.load(Ordering::SeqCst) {
        number += 1;
        let id = uuid::Uuid::from_u128(u128::from(engine) << 64 | u128::from(number));
        let read = format!(
            r#"{{"id":"{id}","camera":"north","captured_at":"{}","plate":"QTZ {engine}","plate_state":"read","images":[{images}]}}"#,
            pintle::clock::utc().to_rfc3339()
        );
        match post(socket, &read) {
            (202, _) => pushed.taken.fetch_add(1, Ordering::SeqCst),
            (503, answer) => {
                assert!(answer.contains("retry-after: ") && answer.contains("nothing was accepted"), "{answer}");
                pushed.busy.fetch_add(1, Ordering::SeqCst)
            }
            // At the most connections the one that never asked for anything goes first.
            (0, _) => pushed.closed.fetch_add(1, Ordering::SeqCst),
            (status, answer) => panic!("{status}: {answer:.300}"),
        };
    }
}

#[test]
fn fault_27_engines_faster_than_the_disk_wait_for_their_answers_and_fill_no_memory() {
    // Five minutes of it by PINTLE_ROW_PUSH_S=300.
    let push_s = std::env::var("PINTLE_ROW_PUSH_S").map_or(0, |text| text.parse().unwrap());
    let mut trailer = Trailer::new("");
    trailer.start();
    let pushed = Arc::new(Pushed::default());
    let socket = trailer.runtime_dir().join("intake.sock");
    let engines: Vec<_> = (0..ENGINES)
        .map(|engine| {
            let (socket, pushed) = (socket.clone(), Arc::clone(&pushed));
            std::thread::spawn(move || push(&socket, engine, &pushed))
        })
        .collect();
    // The disk of this test is the lock of the queue's file: while another program has it, nothing is written.
    let held = Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    held.busy_timeout(PATIENCE).unwrap();
    for _ in 0..2 {
        held.execute_batch("BEGIN IMMEDIATE").unwrap();
        std::thread::sleep(Duration::from_millis(1500));
        held.execute_batch("COMMIT").unwrap();
        std::thread::sleep(Duration::from_millis(300));
    }
    drop(held);
    std::thread::sleep(Duration::from_secs(push_s));
    // More on its way than may be in memory: whoever comes then is told to come again, and gets in once there is room.
    let stalls: Vec<_> = (0..9)
        .map(|_| {
            let (socket, pushed) = (socket.clone(), Arc::clone(&pushed));
            std::thread::spawn(move || stall(&socket, &pushed))
        })
        .collect();
    let wait = |what: &str, seen: &dyn Fn() -> bool| {
        let began = Instant::now();
        while !seen() {
            assert!(began.elapsed() < PATIENCE, "{what}:\n{}", trailer.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    wait("nobody was told to wait", &|| 10 <= pushed.busy.load(Ordering::SeqCst));
    pushed.stalls_end.store(true, Ordering::SeqCst);
    for stall in stalls {
        stall.join().unwrap();
    }
    let before = pushed.taken.load(Ordering::SeqCst);
    wait("nothing is taken again", &|| before + u64::from(ENGINES) < pushed.taken.load(Ordering::SeqCst));
    pushed.stop.store(true, Ordering::SeqCst);
    for engine in engines {
        engine.join().unwrap();
    }
    let (taken, busy) = (pushed.taken.load(Ordering::SeqCst), pushed.busy.load(Ordering::SeqCst));
    let peak = peak_kib(trailer.pid());
    let closed = pushed.closed.load(Ordering::SeqCst);
    drop(writeln!(
        std::io::stderr(),
        "fault 27: {taken} taken, {busy} told to wait, {closed} gave way, {peak} KiB at most"
    ));
    assert!(peak < RESIDENT_KIB_MAX, "{peak} KiB");
    // What was acknowledged is in the queue; what was not may be, too.
    let accepted = |health: &serde_json::Value| health["ledger"]["accepted_up_to"].as_u64();
    trailer.wait_health(|health| accepted(health).is_some_and(|accepted| taken <= accepted));
    trailer.kill();
    trailer.start();
    let health = trailer.wait_health(|health| accepted(health).is_some_and(|accepted| taken <= accepted));
    assert_eq!(health["ledger"]["not_accounted"], 0);
}

#[test]
fn fault_78_faults_on_all_sides_fill_no_disk_with_log_lines_and_each_is_named() {
    let spool = tempfile::tempdir().unwrap();
    let more = format!(
        "[receiver]\nurl = \"http://127.0.0.1:9/v1/events\"\nretry_ms_max = 1000\n[spool]\npath = \"{}\"\npatience_s = 1\n\
         [gps]\ndevice = \"/nowhere/gps\"\n",
        spool.path().display()
    );
    let mut trailer = Trailer::new(&more);
    trailer.start();
    // The catalogue's hour by PINTLE_ROW_LOG_S=3600; five seconds in the usual run.
    let log_s = std::env::var("PINTLE_ROW_LOG_S").map_or(5, |text| text.parse().unwrap());
    let (began, before) = (Instant::now(), trailer.log().len());
    let socket = trailer.runtime_dir().join("intake.sock");
    let mut number = 0;
    while began.elapsed() < Duration::from_secs(log_s) {
        number += 1;
        assert_eq!(post(&socket, r#"{"camera":"north"}"#).0, 422);
        std::fs::write(spool.path().join(format!("{number}.tmp")), "{\"camera\":7}").unwrap();
        std::fs::rename(spool.path().join(format!("{number}.tmp")), spool.path().join(format!("a{number}.json")))
            .unwrap();
        trailer.ask(r#"{"do":"nothing that there is"}"#);
        if number == 1 {
            assert_eq!(trailer.read("QTZ 1"), 202);
        }
    }
    let (written, log) = (trailer.log().len() - before, trailer.log());
    // 20 MB an hour (source: fault 78), and what starting up says.
    let allowed = 16_384.0 + began.elapsed().as_secs_f64() * 20e6 / 3600.0;
    let lines = log[before..].lines().count();
    drop(writeln!(
        std::io::stderr(),
        "fault 78: {number} rounds of four faults in {log_s} s: {lines} lines, {written} bytes of log"
    ));
    assert!(f64::from(u32::try_from(written).unwrap()) < allowed, "{written} bytes:\n{log:.4000}");
    // Changes are told, not repetitions: far fewer lines than faults.
    assert!(lines < 60 + number / 2, "{lines} lines of {number} rounds:\n{log:.4000}");
    // Each of the four is named, and what to do about it.
    for named in ["delivery fails", "requests were refused", "GPS receiver"] {
        assert!(log.contains(named), "{named}: {log:.6000}");
    }
}
