//! The states of trailers on their way to the receiver, and what it makes of them: the survey, what it raises, whom it
//! tells, and the stream.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/schemas.rs"]
#[expect(dead_code, reason = "other tests check whole batches")]
mod schemas;
#[path = "support/trailer.rs"]
mod trailer;

use pintle::io::gzip;
use pintle::receive::check::check_body;
use pintle::receive::store::{self, ReceiverStore};
use pintle::receive::watching::Watch;
use pintle_core::health::{Memory, snapshot};
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::event::batch;
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::upstream::{brief, encode};
use receiver::{Batch, Event, GENERATION, Receiver, SOURCE, outcome};
use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use trailer::Trailer;

const TOKEN: &str = "a-token-for-reading-accounts";
const PATIENCE: Duration = Duration::from_mins(1);

fn token_file(folder: &Path) -> PathBuf {
    let path = folder.join("reader");
    std::fs::write(&path, TOKEN).unwrap();
    path
}

fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "{what} never came");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A GET with the token; the status and the body.
fn get(receiver: &Receiver, path: &str, authorization: &str) -> (u16, String) {
    let host = receiver.address();
    let mut stream = TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let ask =
        format!("GET {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\nauthorization: {authorization}\r\n\r\n");
    stream.write_all(ask.as_bytes()).unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").unwrap();
    (head.split(' ').nth(1).unwrap().parse().unwrap(), body.to_owned())
}

fn json(receiver: &Receiver, path: &str) -> Value {
    let (status, body) = get(receiver, path, &format!("Bearer {TOKEN}"));
    assert_eq!(status, 200, "{body}");
    serde_json::from_str(&body).unwrap()
}

fn state(mut scene: Scene, boot_clock_ms: u64) -> HealthBody {
    scene.now.utc = pintle::clock::utc();
    let told = snapshot(&scene.observations(), &mut Memory::default());
    let mut body = HealthBody::new(&scene.observations(), &told, 7);
    "heron-3".clone_into(&mut body.trailer.id);
    body.process.boot_clock_ms = boot_clock_ms;
    body
}

/// The request that carries one state.
fn sending(number: u8, body: &HealthBody) -> Batch {
    let event = encode(SOURCE, EventId([number; 16]), &brief(body, 900)).unwrap();
    Batch::of_body(batch(&[event]), 0).header("authorization", &format!("Bearer {TOKEN}"))
}

fn result(receiver: &Receiver, batch: &Batch) -> String {
    let told = receiver.post(batch);
    assert_eq!(told.status, 200, "{}", told.text);
    told.json()["receipts"][0]["result"].as_str().unwrap().to_owned()
}

#[test]
fn state_goes_up_in_less_than_1_kb_packed_and_follows_the_schema_of_health() {
    let schema: Value = serde_json::from_str(include_str!("../docs/schema/health.v1.json")).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    for (name, scene) in [
        ("standing", Scene::standing()),
        ("after a tow", Scene::after_tow()),
        ("underway", Scene::underway()),
        ("empty", Scene::empty()),
    ] {
        let whole = serde_json::to_vec(&state(scene.clone(), 1)).unwrap();
        let event = encode(SOURCE, EventId([7; 16]), &brief(&state(scene, 1), 660)).unwrap();
        let packed = gzip::pack(&event).len();
        let told =
            format!("{name}: health.json {} bytes, event {} bytes, packed {packed} bytes", whole.len(), event.len());
        drop(writeln!(std::io::stderr(), "{told}"));
        assert!(packed < 1000, "{told}");
        let event: Value = serde_json::from_slice(&event).unwrap();
        assert!(schema.is_valid(&event["data"]), "{:?}", schema.validate(&event["data"]).err());
    }
}

#[test]
fn trailers_state_reaches_the_receiver_and_pintle_survey_reads_its_list() {
    let folder = tempfile::tempdir().unwrap();
    let token = token_file(folder.path());
    let receiver = Receiver::start(&["--token-file", token.to_str().unwrap()]);
    let more = format!("[receiver]\nurl = \"{}\"\ntoken_file = \"{}\"\n", receiver.url, token.display());
    let mut trailer = Trailer::new(&more);
    trailer.start();
    let survey = until("the state", || {
        let survey = json(&receiver, "/v1/survey");
        survey["trailers"]
            .as_array()
            .is_some_and(|all| !all.is_empty() && all[0]["label"] == "Heron 3")
            .then_some(survey)
    });
    assert_ne!(survey["trailers"][0]["word"], "stale", "{survey}");
    assert_eq!(trailer.read("QX77SECRET"), 202);
    until("the read", || (receiver.count("SELECT count(*) FROM reads") == 1).then_some(()));
    assert_eq!(
        receiver.count("SELECT count(*) FROM event WHERE type = 'pintle.health.v1'"),
        0,
        "a state is in no account"
    );

    let list = format!("http://{}/v1/fleet", receiver.address());
    let told = outcome(&["survey", &list, "--json", "--token-file", token.to_str().unwrap()]);
    let told: Value = serde_json::from_str(&told.out).unwrap_or_else(|_| panic!("{}", told.err));
    assert_eq!(told["trailers"][0]["id"], "heron-3", "{told}");
    let (_, page) = get(&receiver, "/survey", "Basic eDphLXRva2VuLWZvci1yZWFkaW5nLWFjY291bnRz");
    assert!(page.contains("Heron 3") && page.to_lowercase().starts_with("<!doctype html>"), "no page of it");
    for text in [json(&receiver, "/v1/fleet").to_string(), page] {
        assert!(!text.contains("QX77SECRET"), "a plate");
    }
}

#[test]
fn newest_state_is_kept_whatever_the_order_and_a_bad_one_is_refused_alone() {
    let folder = tempfile::tempdir().unwrap();
    let receiver = Receiver::start(&["--token-file", token_file(folder.path()).to_str().unwrap()]);
    let (old, new) = (state(Scene::standing(), 5_000), state(Scene::after_tow(), 9_000));
    assert_eq!(result(&receiver, &sending(2, &new)), "stored");
    assert_eq!(result(&receiver, &sending(1, &old)), "duplicate", "an older one of the same run came late");
    assert_eq!(result(&receiver, &sending(2, &new)), "duplicate");
    assert_eq!(json(&receiver, "/v1/fleet")["trailers"][0]["health"]["word"], "act");
    assert_eq!(receiver.count("SELECT count(*) FROM state"), 1, "however many came");
    let mut rebooted = state(Scene::standing(), 10);
    "another boot".clone_into(&mut rebooted.process.boot_id);
    assert_eq!(result(&receiver, &sending(3, &rebooted)), "stored");
    let mut foreign = state(Scene::standing(), 20_000);
    "heron-4".clone_into(&mut foreign.trailer.id);
    assert_eq!(result(&receiver, &sending(4, &foreign)), "refused");
    assert_eq!(json(&receiver, "/v1/fleet")["trailers"][0]["health"]["word"], "fine");
}

#[test]
fn survey_and_stream_are_shown_to_the_readers_token_only() {
    let folder = tempfile::tempdir().unwrap();
    let token = token_file(folder.path());
    let (trailers, line) = pintle::receive::tokens::new_token("heron-3").unwrap();
    let tokens = folder.path().join("tokens");
    std::fs::write(&tokens, format!("{line}\n")).unwrap();
    let closed = Receiver::start(&["--token-file", token.to_str().unwrap(), "--tokens", tokens.to_str().unwrap()]);
    let open = Receiver::start(&[]);
    for path in ["/v1/fleet", "/v1/survey", "/survey", "/v1/stream"] {
        assert_eq!(open.get(path).status, 403, "{path}: nobody has set a token");
        assert_eq!(closed.get(path).status, 401, "{path}");
        assert_eq!(get(&closed, path, "Bearer a-wrong-one-of-some-length").0, 401, "{path}");
        assert_eq!(get(&closed, path, &format!("Bearer {trailers}")).0, 403, "{path}");
    }
    let page = closed.get("/survey");
    assert!(page.header("www-authenticate").is_some_and(|schemes| schemes.contains("Basic")), "a browser can ask");
}

/// Listens to the stream; gives the blocks that hold data.
struct Listener(BufReader<TcpStream>);

impl Listener {
    fn new(receiver: &Receiver, from: Option<&str>) -> Self {
        let host = receiver.address();
        let mut stream = TcpStream::connect(host).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let from = from.map_or_else(String::new, |id| format!("last-event-id: {id}\r\n"));
        let ask = format!("GET /v1/stream HTTP/1.1\r\nhost: {host}\r\nauthorization: Bearer {TOKEN}\r\n{from}\r\n");
        stream.write_all(ask.as_bytes()).unwrap();
        let mut listener = Self(BufReader::new(stream));
        assert!(listener.line().contains("200"), "the stream begins");
        while !listener.line().starts_with("retry:") {}
        listener
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        assert!(0 < self.0.read_line(&mut line).unwrap(), "the stream ended");
        line.trim_end().to_owned()
    }

    /// Id, type and event of the next thing.
    fn next(&mut self) -> (String, String, Value) {
        let (mut id, mut kind) = (String::new(), String::new());
        loop {
            let line = self.line();
            match line.split_once(": ") {
                Some(("id", value)) => value.clone_into(&mut id),
                Some(("event", value)) => value.clone_into(&mut kind),
                Some(("data", value)) => return (id, kind, serde_json::from_str(value).unwrap()),
                _ => {}
            }
        }
    }
}

fn hit(number: u64) -> Event {
    let read_body = format!(
        r#"{{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QX{number}","plate_state":"read",
            "hit":{{"list":"demo list","list_time":"2026-11-25T06:00:00Z","entry":"E-{number}"}}}}"#
    );
    Event { read_body, hit: true, ..Event::read(number) }
}

fn post(receiver: &Receiver, events: &[Event]) {
    let batch = Batch::of(events).header("authorization", &format!("Bearer {TOKEN}"));
    let told = receiver.post(&batch);
    assert!(told.status == 200 && !told.text.contains("refused"), "{}", told.text);
}

#[test]
fn listener_hears_hits_and_silence_and_misses_nothing_while_it_was_away() {
    let folder = tempfile::tempdir().unwrap();
    let token = token_file(folder.path());
    let mut receiver = Receiver::start(&["--token-file", token.to_str().unwrap(), "--silent-s", "3"]);
    post(&receiver, &[hit(1)]);
    let mut listener = Listener::new(&receiver, None);
    post(&receiver, &[Event::read(2), hit(3)]);
    let (id, kind, event) = listener.next();
    assert_eq!(kind, "pintle.read.v1");
    assert_eq!(event["data"]["read"]["plate"], "QX3", "neither the earlier hit nor the read without one");
    drop(listener);
    post(&receiver, &[hit(4)]);
    let mut again = Listener::new(&receiver, Some(&id));
    let (_, _, event) = again.next();
    assert_eq!(event["data"]["read"]["plate"], "QX4", "it came while nobody listened");

    assert_eq!(result(&receiver, &sending(9, &state(Scene::standing(), 1))), "stored");
    let (_, kind, event) = again.next();
    assert_eq!((kind.as_str(), &event["data"]["kind"]), ("pintle.raised.v1", &"silent".into()));
    let text = event["data"]["text"].as_str().unwrap();
    assert!(text.starts_with("No word from Heron 3 for "), "{text}");
    assert_eq!((&event["subject"], &event["dataschema"]), (&SOURCE.into(), &"urn:pintle:schema:raised.v1".into()));
    schemas::check("raised", &event["data"]);
    assert_eq!(result(&receiver, &sending(10, &state(Scene::after_tow(), 2))), "stored");
    let (_, _, event) = again.next();
    assert_eq!(event["data"]["kind"], "heard-again");
    schemas::check("raised", &event["data"]);
    let (_, _, event) = again.next();
    assert_eq!((&event["data"]["kind"], &event["data"]["urgent"]), (&"act".into(), &true.into()));
    schemas::check("raised", &event["data"]);
    drop(again);
    let said = receiver.stop();
    for kind in ["silent", "heard-again", "act"] {
        let line = format!("raised trailer=\"{SOURCE}\" kind=\"{kind}\"");
        assert!(said.contains(&line), "the log says which trailer: {said}");
    }
}

/// A receiver's store and its watch, by clocks of this test.
struct Watched {
    folder: tempfile::TempDir,
    store: ReceiverStore,
    thread: std::thread::JoinHandle<()>,
    watch: Watch,
}

const SILENT_S: u64 = 900;
const STATED: i64 = 1_800_000_000_000;

impl Watched {
    fn open(folder: tempfile::TempDir) -> Self {
        let (store, thread) = store::start(folder.path(), None).unwrap();
        let watch = Watch::new(store.clone(), SILENT_S);
        Self { folder, store, thread, watch }
    }

    fn restart(self) -> Self {
        drop((self.store, self.watch));
        self.thread.join().unwrap();
        Self::open(self.folder)
    }

    async fn hears(&self, number: u8, utc: i64) {
        let event =
            encode(SOURCE, EventId([number; 16]), &brief(&state(Scene::standing(), number.into()), 900)).unwrap();
        let batch = store::Batch {
            source: SOURCE.to_owned(),
            generation: GENERATION.to_owned(),
            accepted_up_to: 0,
            relayed: false,
            received_at: Utc(utc),
            events: check_body(SOURCE, &batch(&[event])).unwrap(),
        };
        self.store.store(batch).await.unwrap();
    }

    /// Looks every 30 s, from `from` to `to` seconds after the boot, while the host's clock is `off_ms` from the truth;
    /// what was raised, and after how many seconds.
    async fn runs(&mut self, (from, to): (u64, u64), off_ms: i64) -> Vec<(u64, &'static str)> {
        let mut raised = Vec::new();
        for s in (from..=to).step_by(30) {
            let utc = Utc(STATED + i64::try_from(s * 1000).unwrap() + off_ms);
            let now = Moment { mono: Mono(s * 1000), utc, utc_trust: UtcTrust::Network };
            raised.extend(self.watch.look(now).await.unwrap().iter().map(|raised| (s, raised.kind)));
        }
        raised
    }
}

#[tokio::test]
async fn a_leap_of_the_receivers_clock_makes_no_trailer_silent_and_hides_no_silence() {
    const HOUR_MS: i64 = 3_600_000;
    for off_ms in [5 * HOUR_MS, -5 * HOUR_MS] {
        let mut watched = Watched::open(tempfile::tempdir().unwrap());
        watched.hears(1, STATED).await;
        assert_eq!(watched.runs((0, 300), 0).await, []);
        assert_eq!(watched.runs((330, 870), off_ms).await, [], "{off_ms}: the leap is nobody's silence");
        assert_eq!(watched.runs((900, 1200), off_ms).await, [(930, "silent")], "{off_ms}: the silence is told in time");
        let text: String = rusqlite::Connection::open(watched.folder.path().join("receiver.db"))
            .unwrap()
            .query_row("SELECT text FROM raised", [], |row| row.get(0))
            .unwrap();
        assert_eq!(text, "No word from Heron 3 for 15 min.", "{off_ms}");
        watched.hears(2, STATED + off_ms).await;
        assert_eq!(watched.runs((1230, 1260), 0).await, [(1230, "heard-again")]);
    }
}

#[tokio::test]
async fn silence_goes_on_over_a_restart_of_the_receiver_and_the_time_in_which_it_was_off_does_not_count() {
    let mut watched = Watched::open(tempfile::tempdir().unwrap());
    watched.hears(1, STATED).await;
    assert_eq!(watched.runs((0, 600), 0).await, []);
    // Off for three hours within one boot; the host's clock is a day ahead meanwhile.
    let mut watched = watched.restart();
    assert_eq!(
        watched.runs((11_400, 11_670), 86_400_000).await,
        [],
        "whoever was heard last has time to be heard again"
    );
    assert_eq!(watched.runs((11_700, 11_760), 0).await, [(11_730, "silent")], "600 s before and 330 s after");
    let mut watched = watched.restart();
    assert_eq!(
        watched.runs((11_790, 13_000), 0).await,
        [],
        "it is silent still: nothing is told twice, nothing taken back"
    );
    watched.hears(2, STATED).await;
    assert_eq!(watched.runs((13_020, 13_080), 0).await, [(13_020, "heard-again")]);
}

#[test]
fn command_is_told_each_urgent_thing_once_in_order_also_after_a_restart_and_the_audit_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let (told, program) = (folder.path().join("told"), folder.path().join("page-me"));
    // It fails the first time: then nothing may be lost or overtaken.
    let script = format!(
        "#!/bin/sh\nif [ ! -e {0}.failed ]; then touch {0}.failed; exit 1; fi\nprintf '%s ' \"$1\" >> {0}\ncat >> {0}\n",
        told.display()
    );
    std::fs::write(&program, script).unwrap();
    std::fs::set_permissions(&program, std::os::unix::fs::PermissionsExt::from_mode(0o755)).unwrap();
    let token = token_file(folder.path());
    let on_urgent = format!("{} desk-3", program.display());
    let mut receiver = Receiver::start(&["--token-file", token.to_str().unwrap(), "--on-urgent", &on_urgent]);
    until("the cursor", || (receiver.count("SELECT count(*) FROM told_up_to") == 1).then_some(()));
    post(&receiver, &[hit(1), Event::read(2), hit(3)]);
    let plates = || -> Vec<String> {
        let text = std::fs::read_to_string(&told).unwrap_or_default();
        let plate = |line: &str| {
            let event: Value = serde_json::from_str(line.strip_prefix("desk-3 ").unwrap()).unwrap();
            event["data"]["read"]["plate"].as_str().unwrap().to_owned()
        };
        text.split_inclusive('\n').filter(|line| line.ends_with('\n')).map(plate).collect()
    };
    until("two tellings", || (plates().len() == 2).then_some(()));
    until("the end of it", || (receiver.count("SELECT count(*) FROM untold") == 0).then_some(()));
    receiver.restart();
    post(&receiver, &[hit(4)]);
    until("a third telling", || (plates().len() == 3).then_some(()));
    assert_eq!(plates(), ["QX1", "QX3", "QX4"]);
    let audit = until("the audit", || {
        let audit = std::fs::read_to_string(receiver.data().join("audit/audit.ndjson")).unwrap_or_default();
        (4 <= audit.lines().filter(|line| line.contains("\"tell\"")).count()).then_some(audit)
    });
    assert!(audit.contains("page-me") && audit.contains("not-yet") && audit.contains("pintle.read.v1"), "{audit}");
    assert!(!audit.contains("QX"), "a plate in the audit");
    let said = receiver.stop();
    assert!(!said.contains("QX"), "a plate in the log: {said}");
}

/// A webhook that gives `answers` in their order, the last one for ever; each request comes out as head and event.
fn webhook(answers: &'static [&'static str]) -> (String, std::sync::mpsc::Receiver<(String, Value)>) {
    let door = TcpListener::bind("127.0.0.1:0").unwrap();
    let (sender, came) = std::sync::mpsc::channel::<(String, Value)>();
    let address = door.local_addr().unwrap();
    std::thread::spawn(move || {
        for (stream, tries) in door.incoming().zip(0..) {
            let mut stream = BufReader::new(stream.unwrap());
            let (mut head, mut length) = (String::new(), 0);
            loop {
                let mut line = String::new();
                stream.read_line(&mut line).unwrap();
                if line.trim().is_empty() {
                    break;
                }
                if let Some((name, value)) = line.split_once(": ")
                    && name.eq_ignore_ascii_case("content-length")
                {
                    length = value.trim().parse().unwrap();
                }
                head.push_str(&line);
            }
            let mut body = vec![0; length];
            stream.read_exact(&mut body).unwrap();
            let event: Value = serde_json::from_slice(&body).unwrap();
            let status = answers.get(tries).or(answers.last()).unwrap();
            let status = if *status == "by plate" { by_plate(&event) } else { status };
            let answer = format!("HTTP/1.1 {status}\r\nconnection: close\r\ncontent-length: 0\r\n\r\n");
            stream.get_mut().write_all(answer.as_bytes()).unwrap();
            if sender.send((head, event)).is_err() {
                return;
            }
        }
    });
    (format!("http://{address}/hook"), came)
}

/// A desk that is never there for one hit, takes no other, and takes all the rest.
fn by_plate(event: &Value) -> &'static str {
    match event["data"]["read"]["plate"].as_str() {
        Some("QX1") => "503 Not Now",
        Some("QX2") => "403 Never",
        _ => "204 Taken",
    }
}

#[test]
fn what_fails_alone_holds_up_no_other_is_given_up_after_its_time_and_log_and_audit_say_who_was_told_when() {
    let (hook, came) = webhook(&["by plate"]);
    let folder = tempfile::tempdir().unwrap();
    let token = token_file(folder.path());
    let token = token.to_str().unwrap();
    let mut receiver = Receiver::start(&["--token-file", token, "--on-urgent", &hook, "--on-urgent-for", "6s"]);
    until("the cursor", || (receiver.count("SELECT count(*) FROM told_up_to") == 1).then_some(()));
    let audit = receiver.data().join("audit");
    let outcomes = |wanted: usize| {
        until("the audit", || {
            let told = outcome(&["audit", "list", audit.to_str().unwrap(), "--act", "tell", "--json"]).out;
            let entries: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
            (wanted <= entries.len()).then_some(entries)
        })
    };
    post(&receiver, &[hit(1), hit(3), hit(4)]);
    let mut tried = Vec::new();
    while tried.last().is_none_or(|plate| plate != "QX4") {
        let (_, event) = came.recv_timeout(PATIENCE).unwrap();
        tried.push(event["data"]["read"]["plate"].as_str().unwrap().to_owned());
    }
    // Beside these the first may be tried once more.
    let others: Vec<&str> = tried.iter().skip(2).map(String::as_str).filter(|plate| *plate != "QX1").collect();
    assert_eq!((tried[0].as_str(), tried[1].as_str(), others), ("QX1", "QX1", vec!["QX3", "QX4"]));
    let entries = outcomes(5);
    let of = |entries: &[Value], id: &str| -> Vec<String> {
        let of_id = entries.iter().filter(|entry| entry.to_string().contains(id));
        of_id.map(|entry| entry["outcome"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(of(&entries, &hit(1).id()), ["not-yet", "set-aside", "given-up"]);
    assert_eq!((of(&entries, &hit(3).id()), of(&entries, &hit(4).id())), (vec!["done".into()], vec!["done".into()]));
    // One that is refused, and nothing else there.
    post(&receiver, &[hit(2)]);
    let entries = outcomes(7);
    assert_eq!(of(&entries, &hit(2).id()), ["not-yet", "given-up"]);
    for entry in &entries {
        assert!(Utc::parse_rfc3339(entry["at"].as_str().unwrap()).is_some(), "when: {entry}");
        assert!(entry.to_string().contains("127.0.0.1"), "who: {entry}");
    }
    let text = format!("{entries:?}");
    assert!(text.contains("HTTP 503") && text.contains("HTTP 403") && text.contains("pintle.read.v1"), "{text}");
    until("the end of it", || (receiver.count("SELECT count(*) FROM untold") == 0).then_some(()));
    let said = receiver.stop();
    assert!(!said.contains("QX") && !text.contains("QX"), "a plate: {said}\n{text}");
    assert!(said.contains("told to nobody and is given up"), "{said}");
    let told = said.lines().find(|line| line.contains("told to=") && line.contains(&hit(4).id())).expect(&said);
    assert!(told.contains("127.0.0.1") && told.contains(SOURCE) && told.contains("pintle.read.v1"), "{told}");
}

#[test]
fn after_an_outage_the_newest_hit_is_told_first_also_over_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let (told, program) = (folder.path().join("told"), folder.path().join("page-me"));
    let token = token_file(folder.path());
    let args = ["--token-file", token.to_str().unwrap(), "--on-urgent", program.to_str().unwrap()];
    let mut receiver = Receiver::start(&args);
    until("the cursor", || (receiver.count("SELECT count(*) FROM told_up_to") == 1).then_some(()));
    // The program is not there yet: that is nobody's fault among the things to tell.
    post(&receiver, &[hit(1), Event::read(2), hit(3)]);
    until("what waits", || (receiver.count("SELECT count(*) FROM untold") == 2).then_some(()));
    receiver.restart();
    post(&receiver, &[hit(4)]);
    until("what waits", || (receiver.count("SELECT count(*) FROM untold") == 3).then_some(()));
    let new = folder.path().join("new");
    std::fs::write(&new, format!("#!/bin/sh\ncat >> {}\n", told.display())).unwrap();
    std::fs::set_permissions(&new, std::os::unix::fs::PermissionsExt::from_mode(0o755)).unwrap();
    std::fs::rename(&new, &program).unwrap();
    until("the end of it", || (receiver.count("SELECT count(*) FROM untold") == 0).then_some(()));
    let text = std::fs::read_to_string(&told).unwrap();
    let plate = |line: &str| serde_json::from_str::<Value>(line).unwrap()["data"]["read"]["plate"].clone();
    assert_eq!(text.lines().map(plate).collect::<Vec<_>>(), ["QX4", "QX3", "QX1"]);
    assert_eq!(receiver.count("SELECT count(*) FROM told_up_to"), 1);
}

#[test]
fn webhook_that_is_out_of_order_is_tried_again_and_one_that_refuses_blocks_no_other() {
    // The first thing is told at the second try.
    let (hook, came) = webhook(&["503 Not Now", "204 Taken"]);
    let folder = tempfile::tempdir().unwrap();
    let token = token_file(folder.path());
    let token = token.to_str().unwrap();
    let receiver = Receiver::start(&["--token-file", token, "--on-urgent", &hook, "--on-urgent-token-file", token]);
    until("the cursor", || (receiver.count("SELECT count(*) FROM told_up_to") == 1).then_some(()));
    post(&receiver, &[hit(1), hit(2)]);
    let told: Vec<(String, Value)> = (0..3).map(|_| came.recv_timeout(PATIENCE).unwrap()).collect();
    let plates: Vec<&Value> = told.iter().map(|(_, event)| &event["data"]["read"]["plate"]).collect();
    assert_eq!(plates, ["QX1", "QX1", "QX2"]);
    let head = told[0].0.to_lowercase();
    assert!(head.contains("application/cloudevents+json") && head.contains(&format!("bearer {TOKEN}")), "{head}");
    assert_eq!((&told[0].1["specversion"], &told[0].1["source"]), (&"1.0".into(), &SOURCE.into()));
    assert!(Utc::parse_rfc3339(told[0].1["time"].as_str().unwrap()).is_some());
}
