//! Row 13 of our catalogue of faults with the whole agent: it starts in 1970 and in 1980, as a computer without a
//! battery for its clock does, and TLS to the receiver works once the GPS receiver has told the time. Its clock is
//! that of libfaketime, in the agent only; GPS receiver and receiver live in the right time.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/authority.rs"]
mod authority;
#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests make it lie")]
mod scripted;
#[path = "support/trailer.rs"]
mod trailer;

use authority::Authority;
use nix::pty::openpty;
use nix::unistd::ttyname;
use pintle::clock;
use pintle_core::moment::Utc;
use scripted::{Request, Scripted};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

/// A receiver that had no fix for longer than 20 s has started cold and may not know the leap seconds: the hard case.
/// The row's own 180 s by `PINTLE_COLD_S=180`.
const COLD_S: u64 = 22;
/// The row's bound for the first answer of the intake, held by `PINTLE_STRICT=1`: the usual run shares two processors.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// The row's bound for the first upload after the fix.
const UPLOAD_WITHIN: Duration = Duration::from_mins(1);
/// How far a corrected capture time may be off, ms (the row).
const REDATED_MS: u64 = 2000;

/// The preload library of Debian's package libfaketime, or `None` after having said so.
fn faketime() -> Option<PathBuf> {
    let folders = std::fs::read_dir("/usr/lib").unwrap().flatten();
    let found = folders.map(|entry| entry.path().join("faketime/libfaketime.so.1")).find(|path| path.exists());
    if found.is_none() {
        assert!(std::env::var("PINTLE_RIGS").map_or(true, |rigs| rigs != "all"), "needs libfaketime");
        drop(std::io::stderr().lock().write_all(b"not run: needs libfaketime (Debian package libfaketime)\n"));
    }
    found
}

/// A GPS receiver that is cold, until it is told that it sees the sky. Dropping it ends it.
struct Receiver {
    path: PathBuf,
    sees: Arc<AtomicBool>,
    gone: Arc<AtomicBool>,
}

impl Receiver {
    fn plug_in() -> Self {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        let (sees, gone) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let (shared_sees, shared_gone) = (Arc::clone(&sees), Arc::clone(&gone));
        std::thread::spawn(move || {
            let mut line = File::from(pair.master);
            let _held = pair.slave;
            let mut second = 0_u32;
            while !shared_gone.load(Ordering::Relaxed) {
                second += 1;
                let text = epoch(shared_sees.load(Ordering::Relaxed), second);
                if line.write_all(text.as_bytes()).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        Self { path, sees, gone }
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.gone.store(true, Ordering::Relaxed);
    }
}

/// RMC of now; without a fix it tells January 1980, as cold receivers do.
fn epoch(sees: bool, second: u32) -> String {
    let now = clock::utc().to_rfc3339();
    let (date, time) = (&now[..10], now[11..22].replace(':', ""));
    let day = format!("{}{}{}", &date[8..10], &date[5..7], &date[2..4]);
    let wander = second % 5;
    let body = if sees {
        format!("GPRMC,{time},A,4430.6000{wander},N,03000.0000{wander},W,0.0{wander},,{day},,,A")
    } else {
        format!("GPRMC,{time},V,,,,,,,060180,,,N")
    };
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, c| sum ^ c))
}

/// A receiver behind TLS whose certificate begins a year ago and ends in two, and its authority in `ca_file`.
fn office(ca_file: &Path) -> Scripted {
    let authority = Authority::new();
    std::fs::write(ca_file, authority.pem()).unwrap();
    let year: i32 = clock::utc().to_rfc3339()[..4].parse().unwrap();
    let acceptor = authority.server("localhost", year - 1, year + 2);
    let (send, started) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            send.send(Scripted::start_with(Some(acceptor), |_, request| request.stored()).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    started.recv().unwrap()
}

fn events(office: &Scripted) -> Vec<Value> {
    office.requests().iter().flat_map(Request::events).collect()
}

fn until<T>(what: &str, trailer: &Trailer, look: impl Fn() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "never came to {what}:\n{}\n{:#}", trailer.log(), trailer.health());
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// The newest word on when each read was captured, by the read's id: corrected, if it was.
fn dated(events: &[Value]) -> BTreeMap<String, Option<Utc>> {
    let mut dated = BTreeMap::new();
    for event in events {
        let id = match event["type"].as_str().unwrap() {
            "pintle.read.v1" => &event["id"],
            "pintle.stamp.v1" => &event["data"]["read_id"],
            _ => continue,
        };
        let corrected = event["data"]["clock"]["captured_at_corrected"].as_str();
        dated.insert(id.as_str().unwrap().to_owned(), corrected.map(|text| Utc::parse_rfc3339(text).unwrap()));
    }
    dated
}

fn a_trailer_that_starts_in(began: &str, faketime: &Path) {
    let cold = std::env::var("PINTLE_COLD_S").map_or(COLD_S, |text| text.parse().unwrap());
    let (gps, cold) = (Receiver::plug_in(), Duration::from_secs(cold));
    let folder = tempfile::tempdir().unwrap();
    let ca_file = folder.path().join("authority.pem");
    let office = office(&ca_file);
    let more = format!(
        "[gps]\ndevice = \"{}\"\nbaud = 9600\n[receiver]\nurl = \"https://localhost:{}/v1/events\"\nca_file = \"{}\"\n",
        gps.path.display(),
        office.address.port(),
        ca_file.display()
    );
    let mut trailer = Trailer::new(&more);
    // So much the agent's clock is behind, whole seconds: that is what the library takes.
    let behind_s = clock::utc().since_ms(Utc::parse_rfc3339(began).unwrap()) / 1000;
    trailer.environment("LD_PRELOAD", &faketime.display().to_string());
    trailer.environment("FAKETIME", &format!("-{behind_s}s"));
    // Nobody can set the boot-time clock, and files keep their times.
    trailer.environment("FAKETIME_DONT_FAKE_MONOTONIC", "1");
    trailer.environment("NO_FAKE_STAT", "1");
    let since = Instant::now();
    trailer.start();
    let mut true_times = BTreeMap::new();
    let read = |number: usize| {
        let now = clock::utc();
        let (id, shown) = (format!("0190a000-0000-4000-8000-{number:012}"), now.plus_ms(-behind_s * 1000));
        let body = format!(
            r#"{{"id":"{id}","camera":"north","captured_at":"{}","plate":"QX{number}","plate_state":"read"}}"#,
            shown.to_rfc3339()
        );
        let answered = trailer.post("application/json", &body);
        assert_eq!(answered.0, 202, "{began}, read {number}: {}", answered.1);
        (id, now)
    };
    true_times.extend([read(0)]);
    let answered = since.elapsed();
    let strict = std::env::var("PINTLE_STRICT").is_ok_and(|strict| strict == "1");
    assert!(!strict || answered <= ANSWER_WITHIN, "{began}: the first answer came {answered:?} after the start");
    // Until the fix: every read is taken, the certificate is refused, nothing leaves.
    trailer.wait_health(|health| health.to_string().contains("is not valid yet by this trailer's clock"));
    for number in 1.. {
        true_times.extend([read(number)]);
        if cold <= since.elapsed() {
            break;
        }
        std::thread::sleep(Duration::from_millis(500));
    }
    assert!(office.requests().is_empty(), "{began}: the certificate is checked by a clock that can't be right");
    let begins = trailer.health()["written"].as_str().map(|text| text[..4].to_owned());
    assert!(begins.is_some_and(|year| began.starts_with(&year)), "{began}: {:#}", trailer.health());

    gps.sees.store(true, Ordering::Relaxed);
    let fixed = Instant::now();
    let is_early = |event: &Value| true_times.contains_key(event["id"].as_str().unwrap());
    until("an upload", &trailer, || events(&office).iter().any(is_early).then_some(()));
    let took = fixed.elapsed();
    assert!(took <= UPLOAD_WITHIN, "{began}: the upload began {took:?} after the fix");
    let figures = format!("{began}: first answer after {answered:.1?}, fix after {cold:?}, upload {took:.1?} later\n");
    drop(std::io::stderr().lock().write_all(figures.as_bytes()));
    // All of them, in the order of their acceptance, and each dated right.
    until("all reads with a right date", &trailer, || {
        let dated = dated(&events(&office));
        true_times.keys().all(|id| dated.get(id).is_some_and(Option::is_some)).then_some(())
    });
    let all = events(&office);
    for (id, corrected) in dated(&all).iter().filter(|(id, _)| true_times.contains_key(*id)) {
        let off_ms = corrected.unwrap().since_ms(true_times[id]).unsigned_abs();
        assert!(off_ms <= REDATED_MS, "{began}: {id} is dated {off_ms} ms off");
    }
    let sequence = |event: &Value| event["sequence"].to_string().trim_matches('"').parse::<u64>().unwrap();
    let mut reads: Vec<(u64, String)> = all
        .iter()
        .filter(|event| event["type"] == "pintle.read.v1")
        .map(|event| (sequence(event), event["id"].as_str().unwrap().to_owned()))
        .collect();
    reads.sort_unstable();
    reads.dedup();
    let order: Vec<&String> = reads.iter().map(|(_, id)| id).collect();
    assert_eq!(order, true_times.keys().collect::<Vec<_>>(), "{began}: sequences rise with the acceptance");
    let gone = all.iter().filter(|event| event["type"] == "pintle.ledger.v1").map(|event| &event["data"]);
    assert!(gone.clone().all(|data| !data.to_string().contains("expired")), "{began}: {:?}", gone.collect::<Vec<_>>());
}

#[test]
fn row_13_boot_1970_then_gps_whole_agent() {
    // Row 13: start at 1970 and 1980, then a fix: reads are taken before it, all early ones are dated again to within
    // 2 s of the truth, and the upload by TLS starts within 60 s after the fix. The fix comes after 22 s here, or after
    // the row's 180 s.
    let Some(faketime) = faketime() else { return };
    std::thread::scope(|scope| {
        for began in ["1970-01-01T00:00:05Z", "1980-01-06T00:00:00Z"] {
            let faketime = &faketime;
            scope.spawn(move || a_trailer_that_starts_in(began, faketime));
        }
    });
}
