//! `kill -9` of the whole agent, and of the receiver, at random moments under load.
//!
//! `PINTLE_KILLS` sets how often (50; the figures take 1,000), `PINTLE_KILL_SEED` the moments. The figures stand
//! in one line of the output, which `docs/BENCHMARKS.md` is made from.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/engine.rs"]
mod engine;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "only the process is needed here")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use engine::{Engine, Taken};
use pintle_core::sim::random::Random;
use receiver::Receiver;
use rusqlite::{Connection, OpenFlags};
use serde_json::{Value, json};
use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::time::{Duration, Instant};
use trailer::Trailer;

/// How long a restart and the draining of all that waits may take; only a failing test waits so long.
const PATIENCE: Duration = Duration::from_mins(1);

#[test]
fn row_01_kill9_random_1000() {
    let kills = number("PINTLE_KILLS", 50);
    let seed = number("PINTLE_KILL_SEED", 2);
    let began = Instant::now();
    let mut random = Random::new(seed);
    let mut receiver = Receiver::start_to_stay(&[]);
    let mut trailer = Trailer::new("");
    // So many crashes in a row would be a fault; here they are the test.
    trailer
        .configure("crashes_max = 100000", &format!("[receiver]\nurl = \"{}\"\nretry_ms_max = 1000\n", receiver.url));
    let engine = Engine::start(&trailer.runtime_dir().join("intake.sock"), 8, seed);
    let mut starts_ms = vec![start(&mut trailer, &engine)];
    let (mut early, mut receiver_kills, mut looked_at) = (0, 0, 0);
    for n in 1..=kills {
        // The receiver dies now and then, at another moment than the agent, and is away while the agent is.
        let without_receiver = n % 5 == 3;
        let at_ms = random.below(700);
        if without_receiver {
            pause_ms(at_ms / 2);
            receiver.kill();
            receiver_kills += 1;
            pause_ms(at_ms / 2);
        } else {
            pause_ms(at_ms);
        }
        trailer.kill();
        if n % 10 == 0 {
            check_as_it_lies(&trailer.state_dir());
            looked_at += 1;
        }
        if n % 4 == 2 {
            // Again, before it has come up: a start must bear to be cut short as well.
            trailer.spawn();
            pause_ms(random.below(120));
            trailer.kill();
            early += 1;
        }
        starts_ms.push(start(&mut trailer, &engine));
        if without_receiver {
            pause_ms(random.below(200));
            receiver.start_again_at_the_same_address();
        }
    }
    let seen = engine.stop();
    let accepted = drain(&trailer, &receiver);
    let account = receiver.report(&["--json"]);
    assert_eq!(account.code, 0, "numbers are missing or contradict: {}{}", account.out, account.err);
    let received = Received::compare(&receiver, &seen.taken);
    check_numbers(&receiver, accepted);
    assert_eq!(trailer.stop().code(), Some(0), "{}", trailer.log());
    let queue = integrity(&trailer.state_dir().join("queue.db"));
    receiver.stop();
    let store = integrity(&receiver.folder().join("receiver.db"));

    starts_ms.sort_unstable();
    let figures = json!({
        "kills": kills + early, "kills_before_ready": early, "receiver_kills": receiver_kills, "seed": seed,
        "answered_202": seen.taken.len(), "received": received.reads, "lost": received.lost.len(),
        "doubled": received.doubled, "changed": received.changed.len(), "never_handed_in": received.strange,
        "requests_sent_again": seen.sent_again, "of_them_durable_already": seen.known_already,
        "answered_and_still_known_after_a_restart": seen.still_known,
        "databases_checked_as_the_kill_left_them": looked_at, "queue": queue, "receiver": store,
        "first_202_after_start_ms_median": starts_ms[starts_ms.len() / 2],
        "first_202_after_start_ms_max": starts_ms.last(), "took_s": began.elapsed().as_secs(),
    });
    eprintln!("kill figures: {figures}");
    assert!(received.lost.is_empty(), "answered 202 and lost: {:?}; {figures}", received.lost);
    assert!(received.changed.is_empty(), "another number or content: {:?}; {figures}", received.changed);
    assert_eq!((received.doubled, received.strange), (0, 0), "{figures}");
    assert_eq!((queue.as_str(), store.as_str()), ("ok", "ok"), "{figures}");
    assert!(!trailer.log().contains("panicked"), "{}", trailer.log());
    assert!(20 * kills < u64::try_from(seen.taken.len()).unwrap(), "there was load: {figures}");
    assert!(kills < seen.sent_again, "the kills hit requests on their way: {figures}");
}

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).map_or(default, |text| text.parse().unwrap_or_else(|_| panic!("{name} must be a number")))
}

fn pause_ms(ms: u32) {
    std::thread::sleep(Duration::from_millis(u64::from(ms)));
}

/// Starts the agent and waits for its first 202; answers how long that took, ms.
fn start(trailer: &mut Trailer, engine: &Engine) -> u128 {
    // Words to systemd that nobody takes would fill the socket and hold the agent up.
    while trailer.told().is_some() {}
    engine.agent_starts();
    let began = Instant::now();
    trailer.spawn();
    loop {
        if let Some(first) = engine.first_answer() {
            return first.duration_since(began).as_millis();
        }
        assert!(began.elapsed() < PATIENCE, "no read was taken after a restart:\n{}", trailer.log());
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Looks at a copy of the queue exactly as the kill left it, so that the agent is the one that recovers the original.
fn check_as_it_lies(state: &Path) {
    let copy = tempfile::tempdir().unwrap();
    for name in ["queue.db", "queue.db-wal"] {
        std::fs::copy(state.join(name), copy.path().join(name)).unwrap();
    }
    assert_eq!(integrity(&copy.path().join("queue.db")), "ok", "the queue as a kill left it");
}

fn integrity(database: &Path) -> String {
    let database = Connection::open_with_flags(database, OpenFlags::SQLITE_OPEN_READ_WRITE).unwrap();
    database.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap()
}

/// Waits until nothing waits on the trailer and the receiver has been told the last number; answers that number.
fn drain(trailer: &Trailer, receiver: &Receiver) -> u64 {
    let began = Instant::now();
    loop {
        let queue = trailer.ask(r#"{"do":"status"}"#)["result"]["queue"].clone();
        let accepted = queue["accepted"].as_u64();
        let told: Value = receiver.get("/v1/completeness").json();
        let up_to = receiver.count("SELECT max(accepted_up_to) FROM generations");
        if let Some(accepted) = accepted.filter(|accepted| u64::try_from(up_to) == Ok(*accepted))
            && queue["waiting"] == 0
        {
            return accepted;
        }
        assert!(began.elapsed() < PATIENCE, "not drained: {queue} {told:#}\n{}", trailer.log());
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// What the receiver's database, and it alone, says about the reads that were answered 202.
struct Received {
    reads: usize,
    /// Reads that are there under more than one id or in more than one row.
    doubled: usize,
    /// Ids that were answered 202 and are not there.
    lost: Vec<String>,
    /// Ids with another number or another content than was handed in.
    changed: Vec<String>,
    /// Reads that nobody handed in.
    strange: usize,
}

impl Received {
    fn compare(receiver: &Receiver, taken: &[Taken]) -> Self {
        let database = receiver.database();
        let mut rows = database.prepare("SELECT id, sequence, json_extract(data, '$.read.plate') FROM reads").unwrap();
        let rows = rows.query_map([], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?)))).unwrap();
        let rows: Vec<(String, (i64, String))> = rows.map(Result::unwrap).collect();
        // Each plate of the engine is used once, so a read under a second id is found as well.
        let plates: HashSet<&str> = rows.iter().map(|(_, (_, plate))| plate.as_str()).collect();
        let by_id: HashMap<&str, &(i64, String)> = rows.iter().map(|(id, read)| (id.as_str(), read)).collect();
        let handed_in: HashSet<&str> = taken.iter().map(|read| read.id.as_str()).collect();
        let (mut lost, mut changed) = (Vec::new(), Vec::new());
        for read in taken {
            match by_id.get(read.id.as_str()) {
                None => lost.push(read.id.clone()),
                Some((sequence, plate)) if (u64::try_from(*sequence), plate) != (Ok(read.sequence), &read.plate) => {
                    changed.push(read.id.clone());
                }
                Some(_) => {}
            }
        }
        let strange = by_id.keys().filter(|id| !handed_in.contains(*id)).count();
        Self { reads: rows.len(), doubled: rows.len() - by_id.len().min(plates.len()), lost, changed, strange }
    }
}

/// One queue lived through all of it, and each of its numbers is at the receiver once.
fn check_numbers(receiver: &Receiver, accepted: u64) {
    let count = |sql: &str| u64::try_from(receiver.count(sql)).unwrap();
    assert_eq!(count("SELECT count(*) FROM generations"), 1, "another queue was begun");
    assert_eq!(count("SELECT sum(conflicts) + sum(refused) FROM generations"), 0);
    assert_eq!(count("SELECT count(DISTINCT sequence) FROM numbers"), accepted, "numbers are missing");
    assert_eq!(count("SELECT count(*) FROM numbers"), accepted, "a number is there twice");
    assert_eq!(count("SELECT min(sequence) FROM numbers"), 1);
    assert_eq!(count("SELECT max(sequence) FROM numbers"), accepted);
}
