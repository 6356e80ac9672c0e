//! Requests from afar: the whole agent and a real receiver. What is signed and allowed is carried out once and
//! answered; what is forged, repeated or not allowed changes nothing.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use nix::pty::openpty;
use nix::unistd::ttyname;
use receiver::{Receiver, outcome};
use serde_json::Value;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

/// The trailer of these tests.
const TRAILER: &str = "heron-3";

/// A GPS receiver that stands in the open sea: without a trusted clock no request can be judged.
struct Gps {
    stop: Arc<AtomicBool>,
    path: PathBuf,
}

impl Gps {
    fn plug_in() -> Self {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let ended = Arc::clone(&stop);
        std::thread::spawn(move || {
            let mut line = File::from(pair.master);
            let _held = pair.slave;
            while !ended.load(Ordering::Relaxed) {
                let now = pintle::clock::utc().to_rfc3339();
                let (date, time) = (&now[..10], now[11..22].replace(':', ""));
                let day = format!("{}{}{}", &date[8..10], &date[5..7], &date[2..4]);
                let body = format!("GPRMC,{time},A,4430.00000,N,03000.00000,W,0.04,0.0,{day},,,A");
                let sum = body.bytes().fold(0, |sum, c| sum ^ c);
                if line.write_all(format!("${body}*{sum:02X}\r\n").as_bytes()).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        Self { stop, path }
    }
}

impl Drop for Gps {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// Makes the agency's key and lays its public part into a file.
fn public_key(data: &Path, to: &Path) {
    let made = outcome(&["receive", "ask", "--data", data.to_str().unwrap(), "--public"]);
    assert_eq!(made.code, 0, "{}", made.err);
    assert!(made.out.starts_with("ed25519:"), "{}", made.out);
    std::fs::write(to, made.out).unwrap();
}

fn ask(data: &Path, what: &[&str]) -> u64 {
    let head = ["receive", "ask", "--data", data.to_str().unwrap(), "--trailer", TRAILER, "--by", "technician 7"];
    let asked = outcome(&[&head, what].concat());
    assert_eq!(asked.code, 0, "{}", asked.err);
    asked.out.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Notices of a kind that the receiver has, oldest first.
fn notices(receiver: &Receiver, kind: &str) -> Vec<Value> {
    let rows = receiver.rows("SELECT data FROM event WHERE type = 'pintle.notice.v1' ORDER BY sequence");
    let all = rows.iter().map(|row| serde_json::from_str::<Value>(row).unwrap());
    all.filter(|notice| notice["kind"] == kind).collect()
}

/// Waits for the answer to request `number`; hands in a read every second, as traffic does, so that receipts come.
fn answer(receiver: &Receiver, trailer: &Trailer, number: u64) -> String {
    let began = Instant::now();
    for turn in 0.. {
        let found = notices(receiver, "asked").into_iter().find(|notice| notice["asked"] == number);
        if let Some(found) = found {
            return found["text"].as_str().unwrap().to_owned();
        }
        assert!(began.elapsed() < PATIENCE, "no answer to {number}\n{}", trailer.log());
        assert_eq!(trailer.read(&format!("AF {turn}")), 202);
        std::thread::sleep(Duration::from_millis(500));
    }
    unreachable!()
}

fn trailer(receiver: &Receiver, gps: &Gps, key: &Path, allowed: &str) -> Trailer {
    let more = format!(
        "[gps]\ndevice = \"{}\"\n[receiver]\nurl = \"{}\"\n[asked]\nkey_file = \"{}\"\nallowed = \"{allowed}\"\n",
        gps.path.display(),
        receiver.url,
        key.display()
    );
    let mut trailer = Trailer::new(&more);
    trailer.start();
    trailer
}

#[test]
fn what_is_signed_and_allowed_is_done_once_and_answered_and_the_rest_is_refused() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "test-alert, resend");

    let number = ask(receiver.folder(), &["test-alert"]);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("by technician 7: a test alert goes out"), "{text}");
    let alert = &notices(&receiver, "test")[0];
    assert_eq!((&alert["urgent"], &alert["test"]), (&Value::Bool(true), &Value::Bool(true)));

    // Not allowed by this trailer's owner.
    let number = ask(receiver.folder(), &["confirm-line", "north"]);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("refused: the configuration of the trailer does not allow it"), "{text}");

    // An answered request is not sent again; and if somebody sends it again, its number was heard.
    let done = receiver.folder().join("asked").join(TRAILER);
    let names: Vec<String> =
        std::fs::read_dir(&done).unwrap().map(|one| one.unwrap().file_name().into_string().unwrap()).collect();
    assert!(names.len() == 2 && names.iter().all(|name| name.contains(".done")), "{names:?}");
    let old = names.iter().min().unwrap();
    std::fs::copy(done.join(old), done.join(old.replace(".done", ".asked"))).unwrap();
    trailer.stop();
    trailer.start();

    // The number of a later one comes after it, so the repeat was seen before.
    let generation = receiver.rows("SELECT generation FROM generation LIMIT 1").remove(0);
    let number = ask(receiver.folder(), &["resend", &generation, "1", "3"]);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("events go out once more"), "{text}");
    assert_eq!(notices(&receiver, "test").len(), 1, "the repeat did nothing");
    trailer.stop();

    // All of it stands in the trailer's audit and in the agency's.
    let audit = |folder: &Path| -> String {
        let files = std::fs::read_dir(folder.join("audit")).unwrap();
        files.filter_map(|file| std::fs::read_to_string(file.unwrap().path()).ok()).collect()
    };
    let trailers = audit(&trailer.state_dir());
    for part in ["asked.test-alert", "asked.resend", "technician 7", "does not allow it"] {
        assert!(trailers.contains(part), "{part} is not in {trailers}");
    }
    assert!(audit(receiver.folder()).contains("confirm-line"));
}

#[test]
fn a_forged_request_does_nothing_and_is_written_down() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    // The trailer knows another agency's key.
    public_key(&folder.path().join("other"), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "health, confirm-line, test-alert, resend");
    ask(receiver.folder(), &["test-alert"]);
    let began = Instant::now();
    while !trailer.log().contains("not signed with the agency's key") {
        assert!(began.elapsed() < PATIENCE, "{}", trailer.log());
        assert_eq!(trailer.read("FG 1"), 202);
        std::thread::sleep(Duration::from_millis(200));
    }
    trailer.stop();
    assert_eq!((notices(&receiver, "test").len(), notices(&receiver, "asked").len()), (0, 0));
    let audit: String = std::fs::read_dir(trailer.state_dir().join("audit"))
        .unwrap()
        .filter_map(|file| std::fs::read_to_string(file.unwrap().path()).ok())
        .collect();
    assert!(audit.contains("\"forged\""), "{audit}");
}

#[test]
fn what_can_not_be_meant_is_refused_at_the_agency() {
    let data = tempfile::tempdir().unwrap();
    let data = data.path().to_str().unwrap();
    let cases: [&[&str]; 5] = [
        &["receive", "ask", "--data", data, "--trailer", "Heron 3", "--by", "a", "health"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", " ", "health"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "resend", "g", "9", "3"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "reboot"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a"],
    ];
    for case in cases {
        let told = outcome(case);
        assert_ne!(told.code, 0, "{case:?}");
        assert!(!told.err.is_empty(), "{case:?} must say why");
    }
}
