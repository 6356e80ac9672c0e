//! A receiver as a process of its own, and a sender that says exactly what a test wants to say.

use aws_lc_rs::digest;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle_core::ids::EventId;
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::event::{EventParts, batch, encode};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::io::{self, Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// The trailer that sends.
pub(crate) const SOURCE: &str = "urn:pintle:trailer:heron-3";
/// Its queue.
pub(crate) const GENERATION: &str = "0190a000-0000-7000-8000-00000000000a";

/// One event to send, written by the same code that the trailer uses.
#[derive(Clone)]
pub(crate) struct Event {
    pub(crate) number: u64,
    pub(crate) sequence: u64,
    pub(crate) generation: String,
    pub(crate) kind: EventKind,
    pub(crate) read_body: String,
    pub(crate) revision: u32,
    pub(crate) line: String,
    /// JSON array of the files that it announces.
    pub(crate) announced: Option<String>,
    /// Whether the read in it has a hit.
    pub(crate) hit: bool,
}

impl Event {
    /// Read number `number`, with that sequence and the plate `QX<number>`.
    pub(crate) fn read(number: u64) -> Self {
        Self {
            number,
            sequence: number,
            generation: GENERATION.to_owned(),
            kind: EventKind::Read,
            read_body: format!(
                r#"{{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QX{number}","plate_state":"read"}}"#
            ),
            revision: 1,
            line: "Quernstone Road".to_owned(),
            announced: None,
            hit: false,
        }
    }

    /// The stamp that `read` carries, as an event of its own with this sequence.
    pub(crate) fn stamp(sequence: u64, read: &Self) -> Self {
        let mut data: Value = serde_json::from_slice(&read.stamp_body()).unwrap();
        data["read_id"] = json!(read.id());
        Self {
            number: 1_000_000 + sequence,
            sequence,
            kind: EventKind::Stamp,
            read_body: data.to_string(),
            ..read.clone()
        }
    }

    /// A ledger entry about `generation`.
    pub(crate) fn ledger(sequence: u64, generation: &str, what: &str, more: &Value) -> Self {
        let mut data = json!({"v": 1, "what": what, "generation": generation, "count": 1, "reason": "for a test"});
        data.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let read_body = data.to_string();
        Self { number: 2_000_000 + sequence, sequence, kind: EventKind::Ledger, read_body, ..Self::read(sequence) }
    }

    /// The same under a number of another queue.
    pub(crate) fn in_generation(self, generation: &str) -> Self {
        Self { generation: generation.to_owned(), ..self }
    }

    pub(crate) fn id(&self) -> String {
        EventId(u128::from(self.number).to_be_bytes()).to_string()
    }

    fn stamp_body(&self) -> Vec<u8> {
        json!({
            "stamp_revision": self.revision,
            "place": {"lat": 44.51, "lon": -38.19, "radius95_m": 4.0, "site": 1, "spot": "site", "state": "certain",
                "line": self.line, "line_state": "confirmed"},
            "clock": {"trust": "gps", "offset_ms": 3},
        })
        .to_string()
        .into_bytes()
    }

    fn encoded(&self) -> Vec<u8> {
        let stamp = self.stamp_body();
        encode(&EventParts {
            source: SOURCE,
            generation: &self.generation,
            sequence: self.sequence,
            id: EventId(u128::from(self.number).to_be_bytes()),
            kind: self.kind,
            happened_at: Utc(1_795_608_000_000),
            sent_at: Utc(1_795_608_001_000),
            salt: Some(&[7; 16]),
            body: self.read_body.as_bytes(),
            stamp: (self.kind == EventKind::Read).then_some(stamp.as_slice()),
            hit: self.hit,
            sealed: false,
            images: self.announced.as_ref().map(String::as_bytes),
        })
        .unwrap()
    }
}

/// One request.
#[derive(Clone)]
pub(crate) struct Batch {
    pub(crate) key: String,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Vec<u8>,
}

impl Batch {
    pub(crate) fn of(events: &[Event]) -> Self {
        let up_to = events.iter().map(|event| event.sequence).max().unwrap_or(0);
        let encoded: Vec<Vec<u8>> = events.iter().map(Event::encoded).collect();
        Self::of_body(batch(&encoded), up_to)
    }

    pub(crate) fn of_body(body: Vec<u8>, up_to: u64) -> Self {
        let key = "0190a000-0000-7000-8000-0000000000ff".to_owned();
        let digest = BASE64.encode(digest::digest(&digest::SHA256, &body).as_ref());
        let headers = [
            ("content-type", "application/cloudevents-batch+json".to_owned()),
            ("idempotency-key", format!("\"{key}\"")),
            ("content-digest", format!("sha-256=:{digest}:")),
            ("pintle-source", SOURCE.to_owned()),
            ("pintle-generation", GENERATION.to_owned()),
            ("pintle-accepted-up-to", up_to.to_string()),
        ];
        Self { key, headers: headers.into_iter().map(|(name, value)| (name.to_owned(), value)).collect(), body }
    }

    pub(crate) fn header(mut self, name: &str, value: &str) -> Self {
        self = self.without(name);
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    pub(crate) fn without(mut self, name: &str) -> Self {
        self.headers.retain(|(known, _)| known != name);
        self
    }

    pub(crate) fn up_to(self, number: u64) -> Self {
        self.header("pintle-accepted-up-to", &number.to_string())
    }

    pub(crate) fn of_generation(self, generation: &str, up_to: u64) -> Self {
        self.header("pintle-generation", generation).up_to(up_to)
    }

    /// The head of the request for a body of `length` bytes.
    pub(crate) fn head(&self, url: &str, length: usize) -> String {
        let (host, path) = split(url);
        let headers: Vec<String> = self.headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
        let headers = headers.concat();
        format!(
            "POST {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n{headers}content-length: {length}\r\n\r\n"
        )
    }
}

/// What was answered.
pub(crate) struct Told {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) text: String,
}

impl Told {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {}", self.text))
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let line = |line: &'_ str| line.split_once(": ").is_some_and(|(known, _)| known.eq_ignore_ascii_case(name));
        self.head.lines().find(|text| line(text)).and_then(|text| text.split_once(": ")).map(|(_, value)| value)
    }
}

fn split(url: &str) -> (&str, &str) {
    let rest = url.strip_prefix("http://").expect("a plain URL");
    rest.split_at(rest.find('/').unwrap())
}

pub(crate) fn exchange(host: &str, head: &str, body: &[u8]) -> io::Result<Told> {
    let mut stream = TcpStream::connect(host)?;
    stream.set_read_timeout(Some(Duration::from_mins(1)))?;
    stream.write_all(head.as_bytes())?;
    // A refused body may be cut off while it is written; the answer is there all the same.
    let written = stream.write_all(body);
    let mut answer = Vec::new();
    if let Err(error) = stream.read_to_end(&mut answer)
        && answer.is_empty()
    {
        return Err(written.err().unwrap_or(error));
    }
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let (head, text) = answer.split_once("\r\n\r\n").ok_or(io::ErrorKind::UnexpectedEof)?;
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).ok_or(io::ErrorKind::InvalidData)?;
    Ok(Told { status, head: head.to_owned(), text: text.to_owned() })
}

/// Sends one request on a connection of its own.
pub(crate) fn post_text(url: &str, batch: &Batch) -> io::Result<Told> {
    exchange(split(url).0, &batch.head(url, batch.body.len()), &batch.body)
}

/// How a command ended.
pub(crate) struct Outcome {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs `pintle` to its end.
pub(crate) fn outcome(args: &[&str]) -> Outcome {
    let done = Command::new(env!("CARGO_BIN_EXE_pintle")).args(args).output().unwrap();
    Outcome {
        code: done.status.code().unwrap_or(-1),
        out: String::from_utf8(done.stdout).unwrap(),
        err: String::from_utf8(done.stderr).unwrap(),
    }
}

/// Two tests of one program that ask for a port at the same time must not be given the same one.
static ASKED: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);

/// A running receiver.
pub(crate) struct Receiver {
    child: Option<Child>,
    args: Vec<String>,
    data: PathBuf,
    pub(crate) url: String,
    folder: TempDir,
}

impl Receiver {
    /// Starts one in a folder of its own.
    pub(crate) fn start(args: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path().join("data");
        Self::start_with(folder, data, args)
    }

    /// Starts one that keeps its data in `data`.
    pub(crate) fn start_in(data: PathBuf, args: &[&str]) -> Self {
        Self::start_with(tempfile::tempdir().unwrap(), data, args)
    }

    fn start_with(folder: TempDir, data: PathBuf, args: &[&str]) -> Self {
        let args = args.iter().map(|arg| (*arg).to_owned()).collect();
        let mut receiver = Self { child: None, args, data, url: String::new(), folder };
        receiver.start_again();
        receiver
    }

    /// Starts one that can be started again at the same address. Its port is outside of the range from which the system
    /// takes ports for outgoing connections: within it a sender that tries while nobody listens may meet itself.
    pub(crate) fn start_to_stay(args: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (data, args) = (folder.path().join("data"), args.iter().map(|arg| (*arg).to_owned()).collect());
        let mut receiver = Self { child: None, args, data, url: String::new(), folder };
        let from = 400 * ASKED.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let port = (from..from + 200)
            .map(|n| 12_000 + (std::process::id() * 101 + n * 37) % 18_000)
            .find(|port| std::net::TcpListener::bind(format!("127.0.0.1:{port}")).is_ok())
            .expect("a free port below the range of outgoing connections");
        receiver.start_at(&format!("127.0.0.1:{port}"));
        receiver
    }

    pub(crate) fn start_again_at_the_same_address(&mut self) {
        let address = self.address().to_owned();
        self.start_at(&address);
    }

    pub(crate) fn start_again(&mut self) {
        self.start_at("127.0.0.1:0");
    }

    fn start_at(&mut self, listen: &str) {
        let announce = self.folder.path().join("announced");
        drop(std::fs::remove_file(&announce));
        let mut child = Command::new(env!("CARGO_BIN_EXE_pintle"))
            .args(["receive", "--listen", listen, "--data"])
            .arg(&self.data)
            .arg("--announce")
            .arg(&announce)
            .args(&self.args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let began = Instant::now();
        self.url = loop {
            if let Ok(text) = std::fs::read_to_string(&announce) {
                break text.trim().to_owned();
            }
            if let Some(ended) = child.try_wait().unwrap() {
                let mut err = String::new();
                child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
                panic!("the receiver ended with {ended}: {err}");
            }
            assert!(began.elapsed() < Duration::from_mins(1), "the receiver did not start");
            std::thread::sleep(Duration::from_millis(5));
        };
        self.child = Some(child);
    }

    /// SIGKILL.
    pub(crate) fn kill(&mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// SIGTERM; returns all that it said.
    pub(crate) fn stop(&mut self) -> String {
        let child = self.child.take().unwrap();
        let pid = nix::unistd::Pid::from_raw(i32::try_from(child.id()).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
        let done = child.wait_with_output().unwrap();
        assert!(done.status.success(), "{done:?}");
        String::from_utf8([done.stdout, done.stderr].concat()).unwrap()
    }

    pub(crate) fn restart(&mut self) {
        self.stop();
        self.start_again();
    }

    pub(crate) fn folder(&self) -> &Path {
        &self.data
    }

    pub(crate) fn address(&self) -> &str {
        split(&self.url).0
    }

    pub(crate) fn post(&self, batch: &Batch) -> Told {
        post_text(&self.url, batch).unwrap()
    }

    pub(crate) fn get(&self, path: &str) -> Told {
        let host = self.address();
        exchange(host, &format!("GET {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n\r\n"), b"").unwrap()
    }

    pub(crate) fn report(&self, args: &[&str]) -> Outcome {
        outcome(&[&["receive", "--report", "--data", self.data.to_str().unwrap()], args].concat())
    }

    /// Folder of its database.
    pub(crate) fn data(&self) -> &Path {
        &self.data
    }

    pub(crate) fn database(&self) -> Connection {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        Connection::open_with_flags(self.data.join("receiver.db"), flags).unwrap()
    }

    /// Takes events out of the database of a receiver that does not run, as a worn disk would; answers how many.
    pub(crate) fn lose(&self, which: &str) -> usize {
        let database = Connection::open(self.data.join("receiver.db")).unwrap();
        database.execute(&format!("DELETE FROM event WHERE {which}"), []).unwrap()
    }

    /// The first column of a question, as text.
    pub(crate) fn rows(&self, sql: &str) -> Vec<String> {
        let database = self.database();
        let mut asked = database.prepare(sql).unwrap();
        let rows = asked.query_map([], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    }

    pub(crate) fn count(&self, sql: &str) -> i64 {
        self.database().query_row(sql, [], |row| row.get(0)).unwrap()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

/// A small file system in memory.
pub(crate) struct SmallDisk {
    folder: TempDir,
}

impl SmallDisk {
    /// Mounts one; `None`, with a word to the reader, where that can't be done.
    pub(crate) fn mount(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let done = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(folder.path())
            .stderr(Stdio::null())
            .status();
        if done.is_ok_and(|status| status.success()) {
            return Some(Self { folder });
        }
        let all = std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all");
        assert!(!all, "PINTLE_RIGS=all, and no file system can be mounted");
        drop(writeln!(io::stderr(), "not run: needs root and mount"));
        None
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Makes it larger while it is in use.
    pub(crate) fn grow(&self, size: &str) {
        let option = format!("remount,size={size}");
        assert!(Command::new("mount").args(["-o", &option]).arg(self.path()).status().unwrap().success());
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazy: the receiver's process may just be ending.
        drop(Command::new("umount").arg("-l").arg(self.path()).status());
    }
}
