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
use pintle::io::signed::{ASKED_MAGIC, PublicKey, Signer};
use receiver::{Receiver, outcome};
use serde_json::{Value, json};
use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

/// The trailer of these tests.
const TRAILER: &str = "heron-3";

/// Where the antenna is, how fast it goes north, and whether it was unplugged.
#[derive(Default)]
struct Way {
    north_m: f64,
    mps: f64,
    stop: bool,
}

/// A GPS receiver in the open sea: without a trusted clock no request can be judged.
struct Gps {
    way: Arc<Mutex<Way>>,
    path: PathBuf,
}

impl Gps {
    fn plug_in() -> Self {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        let way = Arc::new(Mutex::new(Way::default()));
        let shared = Arc::clone(&way);
        std::thread::spawn(move || {
            let mut line = File::from(pair.master);
            let _held = pair.slave;
            for second in 0..u32::MAX {
                let (north_m, mps) = {
                    let mut way = shared.lock().unwrap();
                    if way.stop {
                        return;
                    }
                    way.north_m += way.mps;
                    (way.north_m, way.mps)
                };
                // A metre of wander and a living Doppler, as real receivers have.
                let minutes = 30.0 + (north_m + f64::from(second % 5) * 0.4) / 1852.0;
                let knots = (mps + 0.03 + f64::from(second % 3) * 0.02) * 3600.0 / 1852.0;
                let now = pintle::clock::utc().to_rfc3339();
                let (date, time) = (&now[..10], now[11..22].replace(':', ""));
                let day = format!("{}{}{}", &date[8..10], &date[5..7], &date[2..4]);
                let place = format!("44{minutes:08.5},N,03000.00000,W");
                for body in [
                    format!("GPRMC,{time},A,{place},{knots:.2},0.0,{day},,,A"),
                    format!("GPGGA,{time},{place},1,10,0.9,5.0,M,,M,,"),
                ] {
                    let sum = body.bytes().fold(0, |sum, c| sum ^ c);
                    if line.write_all(format!("${body}*{sum:02X}\r\n").as_bytes()).is_err() {
                        return;
                    }
                }
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        Self { way, path }
    }

    fn drive(&self, mps: f64) {
        self.way.lock().unwrap().mps = mps;
    }
}

impl Drop for Gps {
    fn drop(&mut self) {
        self.way.lock().unwrap().stop = true;
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

/// A request as the agency would sign it, but for what `change` says; it has the next number.
fn odd(data: &Path, number: u64, change: &Value) -> Vec<u8> {
    let now = pintle::clock::utc();
    let mut body = json!({"number": number, "trailer": TRAILER, "made_at": now.to_rfc3339(),
        "until": now.plus_ms(3_600_000).to_rfc3339(), "by": "technician 7", "what": "test-alert"});
    body.as_object_mut().unwrap().extend(change.as_object().unwrap().clone());
    Signer::ready(&data.join("asked/asked.key")).unwrap().sign_as(ASKED_MAGIC, body.to_string().as_bytes())
}

/// Lays a request into the receiver's folder under a name, which decides the order in which it sends them.
fn lay(receiver: &Receiver, name: u64, signed: &[u8]) {
    let folder = receiver.folder().join("asked").join(TRAILER);
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(format!("{name}.asked")), signed).unwrap();
}

/// Lays every answered request down once more, as a false receiver could.
fn replay(receiver: &Receiver) {
    for one in std::fs::read_dir(receiver.folder().join("asked").join(TRAILER)).unwrap() {
        let path = one.unwrap().path();
        if path.extension().is_some_and(|end| end == "done") {
            std::fs::copy(&path, path.with_extension("asked")).unwrap();
        }
    }
}

/// Lines of the audit in a folder.
fn audit(folder: &Path) -> Vec<Value> {
    let files = std::fs::read_dir(folder.join("audit")).unwrap().map(|file| file.unwrap().path());
    let files = files.filter(|path| path.extension().is_some_and(|end| end == "ndjson"));
    let texts: Vec<String> = files.map(|path| std::fs::read_to_string(path).unwrap()).collect();
    texts.iter().flat_map(|text| text.lines()).map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// Hands in reads, so that receipts come, until `done` says so.
fn until(trailer: &Trailer, what: &str, done: impl Fn() -> bool) {
    let began = Instant::now();
    for turn in 0.. {
        if done() {
            return;
        }
        assert!(began.elapsed() < PATIENCE, "{what}\n{}", trailer.log());
        assert_eq!(trailer.read(&format!("UN {turn}")), 202);
        std::thread::sleep(Duration::from_millis(300));
    }
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
    trailer_with(receiver, gps, key, allowed, "")
}

fn trailer_with(receiver: &Receiver, gps: &Gps, key: &Path, allowed: &str, more: &str) -> Trailer {
    let more = format!(
        "[gps]\ndevice = \"{}\"\n[receiver]\nurl = \"{}\"\n[asked]\nkey_file = \"{}\"\nallowed = \"{allowed}\"\n{more}",
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
    let number = ask(receiver.folder(), &["confirm-line", "north", "1", "Quernstone Road"]);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("refused: the configuration of the trailer does not allow it"), "{text}");

    // An answered request is not sent again; and if somebody sends it again, its number was heard.
    let done = receiver.folder().join("asked").join(TRAILER);
    let names: Vec<String> =
        std::fs::read_dir(&done).unwrap().map(|one| one.unwrap().file_name().into_string().unwrap()).collect();
    assert!(names.len() == 2 && names.iter().all(|name| name.contains(".done")), "{names:?}");
    replay(&receiver);
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
    let told = |folder: &Path| json!(audit(folder)).to_string();
    let trailers = told(&trailer.state_dir());
    for part in ["asked.test-alert", "begun", "asked.resend", "technician 7", "does not allow it"] {
        assert!(trailers.contains(part), "{part} is not in {trailers}");
    }
    assert!(told(receiver.folder()).contains("confirm-line"));
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
    while !trailer.log().contains("what=\"forged\"") {
        assert!(began.elapsed() < PATIENCE, "{}", trailer.log());
        assert_eq!(trailer.read("FG 1"), 202);
        std::thread::sleep(Duration::from_millis(200));
    }
    trailer.stop();
    assert_eq!((notices(&receiver, "test").len(), notices(&receiver, "asked").len()), (0, 0));
    let forged: Vec<Value> =
        audit(&trailer.state_dir()).into_iter().filter(|line| line["outcome"] == "forged").collect();
    assert_eq!((forged.len(), &forged[0]["on"]["count"]), (1, &json!("1")), "{forged:?}");
}

#[test]
fn what_was_heard_stays_heard_whichever_of_its_places_is_lost() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "test-alert");
    let first = ask(receiver.folder(), &["test-alert"]);
    let text = answer(&receiver, &trailer, first);
    assert!(text.contains("a test alert goes out"), "{text}");
    let (file, queue) = (trailer.state_dir().join("asked/heard"), trailer.state_dir().join("queue.db"));

    for (alerts, lost) in [(1, "file"), (2, "queue"), (3, "file and root of the events"), (4, "both")] {
        assert!(trailer.stop().success());
        let root = |db: &Path| -> u64 {
            let conn = rusqlite::Connection::open(db).unwrap();
            let sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'events'";
            conn.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap().into()
        };
        if lost != "queue" {
            std::fs::remove_file(&file).unwrap();
        }
        match lost {
            "file" => {}
            "file and root of the events" => {
                let page = root(&queue);
                let damaged = File::options().write(true).open(&queue).unwrap();
                damaged.write_all_at(&[0xa5; 4096], (page - 1) * 4096).unwrap();
            }
            _ => ["", "-wal", "-shm"].iter().for_each(|end| {
                drop(std::fs::remove_file(trailer.state_dir().join(format!("queue.db{end}"))));
            }),
        }
        replay(&receiver);
        trailer.start();
        assert_eq!(trailer.log().matches("was set aside").count(), usize::from(alerts == 3 || alerts == 4));
        let refused = || {
            let refused = |notice: &&Value| notice["text"].as_str().unwrap().contains("began to count requests");
            notices(&receiver, "asked").iter().filter(refused).count()
        };
        if lost == "both" {
            // Nobody can say any more whether they were carried out.
            until(&trailer, "the old requests are not refused", || refused() == 4);
        }
        let number = ask(receiver.folder(), &["test-alert"]);
        let text = answer(&receiver, &trailer, number);
        assert!(text.contains("a test alert goes out"), "{lost}: {text}");
        assert_eq!(notices(&receiver, "test").len(), alerts + 1, "{lost} lost: an old request was carried out again");
        // Old ones come before the new one; what is known to have been heard is passed over, and not called too old.
        assert_eq!(refused(), if lost == "both" { 4 } else { 0 }, "{lost} lost: the count is lost with it");
        assert!(file.exists(), "{lost}: the count is put back beside the queue");
    }
}

#[test]
fn line_is_confirmed_from_afar_only_for_the_site_and_the_words_that_were_meant() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let settle = "[position]\nsettle_s = 10\n";
    let mut trailer = trailer_with(&receiver, &gps, &key, "confirm-line", settle);
    trailer.wait_health(|health| health["place"]["site"]["id"] == 1);
    let line = json!({"camera": "north", "road": "Quernstone Road", "direction": "northbound"});
    let line = json!({"do": "place.set", "by": "T. Wray", "args": line}).to_string();
    assert_eq!(trailer.ask(&line)["result"]["places"][0]["state"], "confirmed");
    let asked_here = ["confirm-line", "north", "1", "Quernstone Road, northbound"];
    let state = || trailer.ask(r#"{"do":"place.list"}"#)["result"]["places"][0]["state"].clone();

    // It is towed; the line goes along, word for word, and is unconfirmed.
    gps.drive(12.0);
    trailer.wait_health(|health| health["place"]["state"] == "underway");
    let number = ask(receiver.folder(), &asked_here);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("was not carried out: the trailer stands at no site now"), "{text}");
    gps.drive(0.0);
    let health =
        trailer.wait_health(|health| health["place"]["site"]["id"] == 2 && health["place"]["state"] == "anchored");
    assert_eq!(health["place_lines"][0]["state"], "unconfirmed");
    for (site, line, why) in [
        ("1", "Quernstone Road, northbound", "the trailer stands at site 2 now, and this was meant for site 1"),
        ("2", "Quernstone Road", "the place line of north reads otherwise now"),
    ] {
        let number = ask(receiver.folder(), &["confirm-line", "north", site, line]);
        let text = answer(&receiver, &trailer, number);
        assert!(text.contains("was not carried out") && text.contains(why), "{text}");
        assert_eq!(state(), "unconfirmed");
    }
    let number = ask(receiver.folder(), &["confirm-line", "north", "2", "Quernstone Road, northbound"]);
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("the place line of north is confirmed for site 2"), "{text}");
    assert_eq!(state(), "confirmed");
    trailer.stop();
}

#[test]
fn what_is_signed_and_can_not_be_meant_is_answered_once_and_written_down() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "health, confirm-line, test-alert, resend");
    let old_form = json!({"what": "confirm-line", "camera": "north"});
    let south = json!({"what": "confirm-line", "camera": "south", "site": 1, "line": "Quernstone Road"});
    let wild = json!({"what": "resend", "resend": {"generation": "QXT4417", "from": 9, "to": 3}});
    let cases = [
        (11, json!({"what": "QXT4417"}), "knows no such request"),
        (12, south, "no such camera"),
        (13, wild, "its range of numbers is empty"),
        (14, old_form, "it names no site and no line"),
        (15, json!({"by": ""}), "it does not say who asks"),
        (16, json!({"made_at": "QXT4417"}), "its times can't be read"),
    ];
    for (number, change, why) in &cases {
        lay(&receiver, *number, &odd(receiver.folder(), *number, change));
        let text = answer(&receiver, &trailer, *number);
        assert!(text.starts_with(&format!("Request {number} from afar was refused: ")) && text.contains(why), "{text}");
    }
    // One of another trailer, and one that came in the form of no request: no answer, but a line.
    lay(&receiver, 17, &odd(receiver.folder(), 17, &json!({"trailer": "heron-4"})));
    lay(&receiver, 18, &odd(receiver.folder(), 18, &json!({"number": 18.5})));
    until(&trailer, "the stranger is not written down", || {
        audit(&trailer.state_dir()).iter().any(|line| line["outcome"] == "other-trailer")
    });
    trailer.stop();
    let lines = audit(&trailer.state_dir());
    for (number, _, _) in &cases {
        let shown = json!(number.to_string());
        let told: Vec<&Value> = lines.iter().filter(|line| line["on"]["number"] == shown).collect();
        assert_eq!((told.len(), &told[0]["outcome"]), (1, &json!("refused")), "{number}: {told:?}");
    }
    let asked = notices(&receiver, "asked");
    assert_eq!((asked.len(), notices(&receiver, "test").len()), (cases.len(), 0), "{asked:?}");
    // What the agency wrote into it is repeated nowhere: it might be a plate.
    let told = format!("{}{}{}", json!(lines), json!(asked), trailer.log());
    assert!(!told.contains("QXT4417"), "{told}");
}

#[test]
fn requests_of_one_receipt_are_heard_in_the_order_of_their_numbers_and_a_new_key_counts_anew() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "test-alert");
    // The higher number comes first; and one far beyond them uses up all numbers of this key.
    lay(&receiver, 2, &odd(receiver.folder(), 21, &json!({})));
    lay(&receiver, 1, &odd(receiver.folder(), 22, &json!({})));
    for number in [21, 22] {
        let text = answer(&receiver, &trailer, number);
        assert!(text.contains("a test alert goes out"), "{text}");
    }
    lay(&receiver, 3, &odd(receiver.folder(), u64::MAX, &json!({})));
    answer(&receiver, &trailer, u64::MAX);

    // The agency changes its key: what the old one signs is forged from now on, the new one begins at nothing.
    let other = folder.path().join("other");
    let signer = Signer::ready(&other.join("asked/asked.key")).unwrap();
    lay(&receiver, 4, &odd(receiver.folder(), 31, &json!({})));
    std::fs::write(&key, PublicKey::from(&signer).shown()).unwrap();
    lay(&receiver, 5, &odd(&other, 5, &json!({})));
    let text = answer(&receiver, &trailer, 5);
    assert!(text.contains("a test alert goes out"), "{text}");
    until(&trailer, "the old key is still good", || {
        audit(&trailer.state_dir()).iter().any(|line| line["outcome"] == "forged")
    });
    trailer.stop();
    assert_eq!(notices(&receiver, "test").len(), 4);
}

#[test]
fn nothing_is_done_while_the_audit_can_not_be_written() {
    let receiver = Receiver::start(&[]);
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("asked.pub");
    public_key(receiver.folder(), &key);
    let gps = Gps::plug_in();
    let mut trailer = trailer(&receiver, &gps, &key, "test-alert");
    let (place, away) = (trailer.state_dir().join("audit"), trailer.state_dir().join("audit.away"));
    std::fs::create_dir_all(&place).unwrap();
    std::fs::rename(&place, &away).unwrap();
    std::fs::write(&place, "no folder").unwrap();
    let number = ask(receiver.folder(), &["test-alert"]);
    let waits = || trailer.log().matches("nothing is done unwritten").count();
    until(&trailer, "it does not wait for the audit", || 2 <= waits());
    assert_eq!((notices(&receiver, "test").len(), notices(&receiver, "asked").len()), (0, 0));
    std::fs::remove_file(&place).unwrap();
    std::fs::rename(&away, &place).unwrap();
    let text = answer(&receiver, &trailer, number);
    assert!(text.contains("a test alert goes out"), "{text}");
    trailer.stop();
    assert_eq!(notices(&receiver, "test").len(), 1);
    let lines = audit(&trailer.state_dir());
    let done: Vec<&Value> = lines.iter().filter(|line| line["act"] == "asked.test-alert").collect();
    assert_eq!(done.iter().filter(|line| line["outcome"] == "done").count(), 1, "{done:?}");
}

#[test]
fn what_can_not_be_meant_is_refused_at_the_agency() {
    let data = tempfile::tempdir().unwrap();
    let data = data.path().to_str().unwrap();
    let cases: [&[&str]; 10] = [
        &["receive", "ask", "--data", data, "--trailer", "Heron 3", "--by", "a", "health"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", " ", "health"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "resend", "g", "9", "3"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "resend", "g", "0", "3"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "resend", "g", "1", "900000"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "confirm-line", "north"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "confirm-line", "north", "0", "A line"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "confirm-line", "north", "4"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a", "reboot"],
        &["receive", "ask", "--data", data, "--trailer", TRAILER, "--by", "a"],
    ];
    for case in cases {
        let told = outcome(case);
        assert_ne!(told.code, 0, "{case:?}");
        assert!(!told.err.is_empty(), "{case:?} must say why");
    }
}
