//! Rows of the fault catalogue about delivery, each named after its row, with a share of the row's count; the whole of
//! it by
//! `PINTLE_ROW_READS`.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod scripted;

use drain::{Drain, target, until};
use scripted::{Answer, Scripted};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// The number that a variable asks for instead of the usual one.
fn asked(variable: &str) -> Option<u64> {
    std::env::var(variable).ok().and_then(|text| text.parse().ok())
}

fn reads(usual: u32) -> u32 {
    asked("PINTLE_ROW_READS").map_or(usual, |reads| reads.try_into().unwrap())
}

async fn put(drain: &Drain, reads: u32) {
    for first in (1..=reads).step_by(500) {
        drain.put(first..=reads.min(first + 499), false).await;
    }
}

/// The number in the plate of a read of the tests.
fn number(event: &Value) -> Option<u32> {
    event["data"]["read"]["plate"].as_str()?.strip_prefix("QX")?.parse().ok()
}

#[tokio::test]
async fn row_26_ack_lost_30pct() {
    let reads = reads(2000);
    let stored: Arc<Mutex<BTreeMap<String, Value>>> = Arc::default();
    let changed = Arc::new(AtomicBool::new(false));
    let (keeps, tells) = (Arc::clone(&stored), Arc::clone(&changed));
    let server = Scripted::start(move |at, request| {
        let mut keeps = keeps.lock().unwrap();
        let known: BTreeSet<String> = keeps.keys().cloned().collect();
        for event in request.events() {
            let id = event["id"].as_str().unwrap().to_owned();
            if keeps.get(&id).is_some_and(|earlier| *earlier != event) {
                tells.store(true, Ordering::Relaxed);
            }
            keeps.entry(id).or_insert(event);
        }
        // Three of ten answers are lost on their way.
        if [1, 4, 8].contains(&(at % 10)) {
            return Answer::Close;
        }
        request.receipts(|event| Some(if known.contains(event["id"].as_str()?) { "duplicate" } else { "stored" }))
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let mut receiver = target(&server.url());
    (receiver.batch_reads_max, receiver.retry_ms_max) = (40, 100);
    let drain = Drain::start("heron-3", folder.path(), receiver);
    put(&drain, reads).await;
    until("all has its receipt", || async { drain.figures().await.counts.waiting == 0 }).await;
    let counts = drain.figures().await.counts;
    assert_eq!((counts.refused, counts.not_accounted()), (0, 0), "{counts:?}");
    let sent = server.requests();
    assert!(sent.len() as u64 * 40 > counts.delivered * 5 / 4, "{} requests", sent.len());
    let numbers: BTreeSet<u32> = stored.lock().unwrap().values().filter_map(number).collect();
    assert_eq!(numbers.len(), usize::try_from(reads).unwrap(), "0 lost");
    assert!(!changed.load(Ordering::Relaxed), "what was sent again was the same, to the last field");
    drain.stop().await;
}

#[tokio::test]
async fn row_28_per_item_errors() {
    let reads = reads(2000);
    let poison = [7, 777, 1234];
    let server = Scripted::start(move |at, request| {
        let bad = request.events().iter().any(|event| number(event).is_some_and(|n| poison.contains(&n)));
        match at {
            2..=4 => Answer::new(403, "text/plain", "not now"),
            7 => Answer::new(429, "text/plain", "").with("retry-after: 1"),
            _ if bad => Answer::new(400, "text/plain", "bad"),
            _ => request.stored(),
        }
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let mut receiver = target(&server.url());
    receiver.retry_ms_max = 200;
    let drain = Drain::start("heron-3", folder.path(), receiver);
    put(&drain, reads).await;
    until("nothing waits", || async { drain.figures().await.counts.waiting == 0 }).await;
    let refused = drain.store.refused().await.unwrap();
    let numbers: Vec<Option<u32>> = refused
        .iter()
        .map(|event| serde_json::from_slice::<Value>(&event.body).ok())
        .map(|read| read?["plate"].as_str()?.strip_prefix("QX")?.parse().ok())
        .collect();
    assert_eq!(numbers, poison.map(Some), "set aside and visible, with nobody beside them");
    assert!(refused.iter().all(|event| event.answer.contains("400")), "with the receiver's answer");
    let counts = drain.figures().await.counts;
    assert_eq!((counts.refused, counts.not_accounted()), (3, 0), "{counts:?}");
    drain.stop().await;
}

#[tokio::test]
async fn row_30_server_hang_drip() {
    let cured = Arc::new(AtomicBool::new(false));
    let is_cured = Arc::clone(&cured);
    let server = Scripted::start(move |at, request| {
        if is_cured.load(Ordering::Relaxed) {
            return request.stored();
        }
        if at.is_multiple_of(2) { Answer::Hang } else { Answer::Drip }
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let mut receiver = target(&server.url());
    (receiver.answer_wait_ms, receiver.retry_ms_max) = (1000, 200);
    let drain = Drain::start("heron-3", folder.path(), receiver);
    put(&drain, 300).await;
    until("three tries", || async { 3 <= server.requests().len() }).await;
    // Two hours by PINTLE_ROW_HANG_S=7200: however long it lasts, the tries go on, and none grows old.
    tokio::time::sleep(Duration::from_secs(asked("PINTLE_ROW_HANG_S").unwrap_or(0))).await;
    let requests = server.requests();
    let last = requests.last().map(|request| request.at.elapsed());
    assert!(last.is_some_and(|ago| ago < Duration::from_secs(6)), "it still tries: {last:?}");
    for pair in requests.windows(2) {
        let apart = pair[1].at - pair[0].at;
        assert!(apart < Duration::from_secs(6), "no try is older than its deadline and 5 s: {apart:?}");
    }
    cured.store(true, Ordering::Relaxed);
    let began = Instant::now();
    until("delivery goes on", || async { drain.figures().await.counts.waiting == 0 }).await;
    assert!(began.elapsed() < Duration::from_mins(1));
    eprintln!("{} tries, delivered {:?} after the cure", requests.len(), began.elapsed());
    drain.stop().await;
}

#[tokio::test]
async fn a_hit_that_could_not_leave_says_how_late_it_is_when_it_goes() {
    // Nobody listens at first: not a byte of the hit leaves, so its bytes are not fixed by the tries.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let folder = tempfile::tempdir().unwrap();
    let drain = Drain::start("heron-3", folder.path(), target(&format!("http://127.0.0.1:{port}/")));
    drain.put([1], true).await;
    until("it was tried", || async { 0 < drain.view.borrow().failures_in_a_row }).await;
    drain.stop().await;
    let conn = rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    let fixed: i64 = conn.query_row("SELECT count(*) FROM settled", [], |row| row.get(0)).unwrap();
    assert_eq!(fixed, 0, "nothing was fixed by a refused connection");
    // It was captured two minutes ago.
    conn.execute("UPDATE events SET happened_at = happened_at - 120000", []).unwrap();
    drop(conn);
    let server = Scripted::start(|at, request| if at == 0 { Answer::Close } else { request.stored() }).await;
    let drain = Drain::start("heron-3", folder.path(), target(&server.url()));
    until("it is delivered", || async { drain.figures().await.counts.waiting == 0 }).await;
    let hits: Vec<Value> = server
        .requests()
        .iter()
        .flat_map(scripted::Request::events)
        .filter(|event| event["data"].get("caution").is_some())
        .collect();
    assert!(hits[0]["data"]["late_s"].as_i64().unwrap() >= 120, "{:?}", hits[0]["data"]["late_s"]);
    assert!(hits.iter().all(|hit| *hit == hits[0]), "and says the same each time");
    drain.stop().await;
}

/// Row 32 with real forwarders and queues: 30 of them and ten minutes by `PINTLE_ROW_FLEET=30 PINTLE_ROW_OUTAGE_S=600`.
#[tokio::test]
async fn row_32_fleet_stampede_30_with_real_forwarders() {
    let (trailers, outage_s) = (asked("PINTLE_ROW_FLEET").unwrap_or(5), asked("PINTLE_ROW_OUTAGE_S").unwrap_or(3));
    let away = Arc::new(AtomicBool::new(true));
    let is_away = Arc::clone(&away);
    let server = Scripted::start(
        move |_, request| {
            if is_away.load(Ordering::SeqCst) { Answer::Close } else { request.stored() }
        },
    )
    .await;
    let mut fleet = Vec::new();
    for trailer in 0..trailers {
        let folder = tempfile::tempdir().unwrap();
        let mut receiver = target(&server.url());
        // As it is by default: one try a minute at most.
        (receiver.retry_ms_max, receiver.batch_reads_max) = (60_000, 20);
        let drain = Drain::start(&format!("heron-{trailer}"), folder.path(), receiver);
        drain.put(1..=40, false).await;
        fleet.push((folder, drain));
    }
    tokio::time::sleep(Duration::from_secs(outage_s)).await;
    let back = Instant::now();
    away.store(false, Ordering::SeqCst);
    for (_, drain) in &fleet {
        while drain.figures().await.counts.waiting != 0 {
            assert!(back.elapsed() < Duration::from_mins(15), "all is drained within a quarter of an hour");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
    let drained = back.elapsed();
    let (mut tries, mut first) = (BTreeMap::<String, u64>::new(), BTreeMap::<String, u64>::new());
    for request in server.requests() {
        let source = request.headers["pintle-source"].clone();
        if request.at < back {
            *tries.entry(source).or_default() += 1;
        } else {
            first.entry(source).or_insert((request.at - back).as_secs());
        }
    }
    let mut seconds = BTreeMap::<u64, u64>::new();
    for second in first.values() {
        *seconds.entry(*second).or_default() += 1;
    }
    let (most, busiest) = (tries.values().max().copied().unwrap_or(0), seconds.values().max().copied().unwrap_or(0));
    let told = format!(
        "row 32: {trailers} trailers, {outage_s} s of outage: {most} requests of one trailer in it at most; {busiest} \
         trailers came back in the busiest second; all drained {} s after it",
        drained.as_secs()
    );
    drop(std::io::Write::write_fmt(&mut std::io::stderr(), format_args!("{told}\n")));
    assert_eq!(first.len() as u64, trailers, "nobody is left behind");
    assert!((1..=30).contains(&most), "{most} requests of one trailer");
    // A shorter outage has shorter pauses, and spreads less.
    if 600 <= outage_s {
        assert!(busiest <= 4, "{busiest} trailers in one second");
    }
    for (_, drain) in fleet {
        let counts = drain.figures().await.counts;
        assert_eq!((counts.refused, counts.not_accounted()), (0, 0), "{counts:?}");
        drain.stop().await;
    }
}
