//! A recognition engine that does as `docs/INTAKE.md` asks: several clients hand in reads over the unix socket and send
//! each again, with the same id, until it is answered 202.

use serde_json::{Value, json};
use std::io::{self, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use pintle_core::sim::random::Random;

/// One read that was answered 202.
#[derive(Clone, Debug)]
pub(crate) struct Taken {
    pub(crate) id: String,
    pub(crate) plate: String,
    pub(crate) sequence: u64,
}

/// What the clients have seen.
#[derive(Default)]
pub(crate) struct Seen {
    /// Every read that was answered 202, once.
    pub(crate) taken: Vec<Taken>,
    /// Requests that were sent again because no answer came.
    pub(crate) sent_again: u64,
    /// Those of them that turned out to be durable already: the agent died between the commit and the answer.
    pub(crate) known_already: u64,
    /// Requests that were answered 202, sent again after a restart, and known.
    pub(crate) still_known: u64,
}

struct Shared {
    socket: PathBuf,
    stop: AtomicBool,
    /// Which start of the agent it is. A connection belongs to the start that was current before it was made.
    start: AtomicU64,
    first_answer: Mutex<Option<Instant>>,
}

/// The running clients.
pub(crate) struct Engine {
    shared: Arc<Shared>,
    clients: Vec<JoinHandle<Seen>>,
}

/// One request: one read as JSON, or several as newline-delimited JSON.
struct Request {
    bytes: Vec<u8>,
    /// Ids and plates, in order.
    reads: Vec<(String, String)>,
}

impl Engine {
    /// Starts `clients` clients of the camera "north"; every fourth hands in twenty reads at a time.
    pub(crate) fn start(socket: &Path, clients: u64, seed: u64) -> Self {
        let shared = Arc::new(Shared {
            socket: socket.to_owned(),
            stop: AtomicBool::new(false),
            start: AtomicU64::new(0),
            first_answer: Mutex::new(None),
        });
        let clients = (0..clients)
            .map(|number| {
                let shared = Arc::clone(&shared);
                std::thread::spawn(move || client(&shared, number, Random::new(seed ^ (number << 32))))
            })
            .collect();
        Self { shared, clients }
    }

    /// The agent is dead, and about to be started again.
    pub(crate) fn agent_starts(&self) {
        let mut first = self.shared.first_answer.lock().unwrap();
        *first = None;
        self.shared.start.fetch_add(1, Ordering::SeqCst);
    }

    /// When this start of the agent answered its first 202.
    pub(crate) fn first_answer(&self) -> Option<Instant> {
        *self.shared.first_answer.lock().unwrap()
    }

    /// Lets each client get the answer that it waits for, and ends. The agent must run.
    pub(crate) fn stop(self) -> Seen {
        self.shared.stop.store(true, Ordering::SeqCst);
        let mut all = Seen::default();
        for client in self.clients {
            let seen = client.join().expect("a client found a broken promise");
            all.taken.extend(seen.taken);
            all.sent_again += seen.sent_again;
            all.known_already += seen.known_already;
            all.still_known += seen.still_known;
        }
        all
    }
}

fn client(shared: &Shared, number: u64, mut random: Random) -> Seen {
    let mut seen = Seen::default();
    let mut line: Option<(UnixStream, u64)> = None;
    let mut last: Option<(Request, Vec<u64>)> = None;
    let mut count = 0;
    while !shared.stop.load(Ordering::SeqCst) {
        let request = request(number, &mut count, &mut random);
        let mut tries = 0_u64;
        let answer = loop {
            if line.is_none() {
                let start = shared.start.load(Ordering::SeqCst);
                let Ok(stream) = UnixStream::connect(&shared.socket) else {
                    std::thread::sleep(Duration::from_millis(3));
                    continue;
                };
                stream.set_read_timeout(Some(Duration::from_mins(1))).unwrap();
                let (stream, _) = line.insert((stream, start));
                if let Some((last, sequences)) = &last {
                    let Ok(answer) = exchange(stream, &last.bytes) else {
                        line = None;
                        continue;
                    };
                    check_still_known(last, sequences, &answer);
                    seen.still_known += u64::from(answer.0 == 202);
                }
            }
            let Some((stream, start)) = &mut line else { continue };
            tries += 1;
            match exchange(stream, &request.bytes) {
                Ok((202, answer)) => {
                    shared.note_answer(*start);
                    break answer;
                }
                Ok((503, _)) => std::thread::sleep(Duration::from_millis(20)),
                Ok((status, answer)) => panic!("a good read was answered {status}: {answer}"),
                Err(_) => line = None,
            }
        };
        let accepted = answer["accepted"].as_array().expect("a list of what was accepted");
        assert_eq!(accepted.len(), request.reads.len(), "{answer}");
        let mut sequences = Vec::new();
        for ((id, plate), accepted) in request.reads.iter().zip(accepted) {
            assert_eq!(accepted["id"], id.as_str());
            let sequence = accepted["sequence"].as_u64().expect("the number of a young read");
            sequences.push(sequence);
            seen.taken.push(Taken { id: id.clone(), plate: plate.clone(), sequence });
        }
        // Of one request all reads are durable or none.
        let known = accepted.iter().filter(|accepted| accepted["repeat"] == true).count();
        assert!(known == 0 || (1 < tries && known == accepted.len()), "tries {tries}: {answer}");
        seen.sent_again += u64::from(1 < tries);
        seen.known_already += u64::from(0 < known);
        last = Some((request, sequences));
        std::thread::sleep(Duration::from_micros(u64::from(random.below(6000))));
    }
    seen
}

/// What was answered 202 once is known for ever, under the same numbers: the clearest sign that nothing was lost.
fn check_still_known(request: &Request, sequences: &[u64], answer: &(u16, Value)) {
    if answer.0 == 503 {
        return;
    }
    assert_eq!(answer.0, 202, "a read that was answered 202 before is refused: {}", answer.1);
    for (accepted, ((id, _), sequence)) in
        answer.1["accepted"].as_array().unwrap().iter().zip(request.reads.iter().zip(sequences))
    {
        assert_eq!(accepted["repeat"], true, "read {id} was answered 202, and the agent does not know it any more");
        assert_eq!(accepted["sequence"].as_u64(), Some(*sequence), "read {id} has got another number");
    }
}

impl Shared {
    fn note_answer(&self, start: u64) {
        // An answer of the dead agent that still lay in the socket is not the first of the new one.
        let mut first = self.first_answer.lock().unwrap();
        if first.is_none() && start == self.start.load(Ordering::SeqCst) {
            *first = Some(Instant::now());
        }
    }
}

fn request(client: u64, count: &mut u64, random: &mut Random) -> Request {
    let several = client % 4 == 3;
    let mut body = String::new();
    let mut reads = Vec::new();
    for _ in 0..if several { 20 } else { 1 } {
        *count += 1;
        let (id, plate) = (uuid::Uuid::now_v7().to_string(), format!("K{client} {count:07}"));
        let now = pintle::clock::utc().to_rfc3339();
        let mut read = json!({"id": id, "camera": "north", "captured_at": now, "plate": plate, "plate_state": "read",
            "confidence": 0.93, "heading": "approaching"});
        if random.chance(0.05) {
            read["hit"] = json!({"list": "test-list", "list_time": now, "entry": format!("e-{count}")});
        }
        body += &read.to_string();
        body.push('\n');
        reads.push((id, plate));
    }
    let media_type = if several { "application/x-ndjson" } else { "application/json" };
    let length = body.len();
    let head = format!(
        "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: {media_type}\r\ncontent-length: {length}\r\n\r\n"
    );
    Request { bytes: format!("{head}{body}").into_bytes(), reads }
}

/// Sends one request and reads its whole answer; an answer that is cut off is no answer.
fn exchange(stream: &mut UnixStream, request: &[u8]) -> io::Result<(u16, Value)> {
    stream.write_all(request)?;
    let mut answer = Vec::new();
    let mut piece = [0; 8192];
    loop {
        let len = stream.read(&mut piece)?;
        if len == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        answer.extend_from_slice(&piece[..len]);
        let Some(end) = answer.windows(4).position(|bytes| bytes == b"\r\n\r\n") else { continue };
        let head = String::from_utf8_lossy(&answer[..end]).to_ascii_lowercase();
        let length = head.split("content-length: ").nth(1).and_then(|rest| rest.lines().next()?.parse().ok());
        let length: usize = length.ok_or(io::ErrorKind::InvalidData)?;
        let Some(body) = answer.get(end + 4..end + 4 + length) else { continue };
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).ok_or(io::ErrorKind::InvalidData)?;
        return Ok((status, serde_json::from_slice(body)?));
    }
}
