//! The second receiver: while the first one fails or is silent, hits go there as copies; the first gets them all the
//! same, byte for byte, and whether everything arrived is judged there alone.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests say more with it")]
mod scripted;
#[path = "support/trailer.rs"]
mod trailer;

use receiver::{Batch, Event, Receiver};
use scripted::{Answer, Request, Scripted};
use std::net::TcpListener;
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

const HITS: &str = "SELECT count(*) FROM event WHERE hit = 1";
const COPIES: &str = "SELECT count(*) FROM event WHERE relayed = 1";

/// A trailer with both receivers. `first` and `second` are further keys of their tables.
fn trailer((first_url, first): (&str, &str), (second_url, second): (&str, &str)) -> Trailer {
    let mut trailer = Trailer::new(&format!(
        "[receiver]\nurl = \"{first_url}\"\n{first}\n[urgent_relay]\nurl = \"{second_url}\"\nafter_ms = 500\n{second}\n"
    ));
    trailer.start();
    trailer
}

/// Hands in a hit.
fn hit(trailer: &Trailer, plate: &str) {
    let now = pintle::clock::utc().to_rfc3339();
    let body = format!(
        r#"{{"camera":"north","captured_at":"{now}","plate":"{plate}","plate_state":"read",
            "hit":{{"list":"demo list","list_time":"{now}","entry":"E-12"}}}}"#
    );
    let (status, answer) = trailer.post("application/json", &body.replace('\n', ""));
    assert_eq!(status, 202, "{answer}");
}

fn wait_for(what: &str, trailer: &Trailer, so: impl Fn() -> bool) {
    let began = Instant::now();
    while !so() {
        assert!(began.elapsed() < PATIENCE, "never: {what}\n{:#}\n{}", trailer.health()["receiver"], trailer.log());
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// How many hits have a time to receipt.
fn had(health: &serde_json::Value) -> usize {
    health["receiver"]["hit_latency_ms"].as_array().map_or(0, Vec::len)
}

/// Waits until a health file says it, wherever its lines end.
fn wait_for_text(trailer: &Trailer, file: &str, wanted: &str) {
    let path = trailer.runtime_dir().join("health").join(file);
    wait_for(wanted, trailer, || {
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        text.split_whitespace().collect::<Vec<_>>().join(" ").contains(wanted)
    });
}

/// Who takes connections and never says a word.
fn hanging() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/v1/events", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        let mut held = Vec::new();
        while let Ok((stream, _)) = listener.accept() {
            held.push(stream);
        }
    });
    url
}

#[test]
fn hit_goes_to_the_second_receiver_while_the_first_is_dead_and_to_the_first_once_it_is_back() {
    let mut first = Receiver::start_to_stay(&[]);
    let second = Receiver::start(&[]);
    first.kill();
    let mut trailer = trailer((&first.url, "retry_ms_max = 1000"), (&second.url, ""));
    assert_eq!(trailer.read("QX1"), 202);
    hit(&trailer, "QX2");
    wait_for("the second has the hit", &trailer, || second.count(HITS) == 1);
    assert_eq!(
        second.count("SELECT count(*) FROM event WHERE type = 'pintle.read.v1'"),
        1,
        "the hit, and no ordinary read"
    );
    assert_eq!(second.count("SELECT count(*) FROM event WHERE relayed = 0"), 0);
    let health = trailer.wait_health(|health| {
        let relay = &health["receiver"]["relay"];
        relay["active"] == true && relay["relayed"] == 1 && relay["failing_since"].is_null()
    });
    // The agency had it then, whichever of its receivers that was.
    assert_eq!((had(&health), &health["receiver"]["relay"]["hits_first"]), (1, &1.into()), "{:#}", health["receiver"]);
    wait_for_text(&trailer, "health.txt", "the second receiver had 1 first since the start");
    assert!(health["receiver"]["failing_since"].is_string(), "the first one fails: {:#}", health["receiver"]);
    wait_for_text(&trailer, "health.txt", "Hits and alarms go to the second receiver meanwhile.");
    for line in [
        "pintle_relay_active{trailer=\"heron-3\"} 1",
        "pintle_relayed_total{trailer=\"heron-3\",result=\"taken\"} 1",
        "pintle_relay_failing{trailer=\"heron-3\"} 0",
        "pintle_relay_hits_first_total{trailer=\"heron-3\"} 1",
    ] {
        wait_for_text(&trailer, "metrics.prom", line);
    }
    // Nothing is missing there, since nothing is judged there.
    let report = second.report(&["--json"]);
    let account: serde_json::Value = serde_json::from_str(&report.out).unwrap();
    assert_eq!((&account["complete"], &account["generations"][0]["relayed"]), (&true.into(), &1.into()), "{account:#}");
    assert_eq!(account["generations"][0]["up_to"], 0, "{account:#}");
    assert!(second.report(&[]).out.contains("relayed"), "{}", second.report(&[]).out);

    first.start_again_at_the_same_address();
    wait_for("the first has the hit, too", &trailer, || first.count(HITS) == 1);
    assert_eq!(first.count(COPIES), 0);
    let leaf = "SELECT hex(leaf) FROM event WHERE hit = 1";
    assert_eq!(first.rows(leaf), second.rows(leaf), "the same bytes");
    let health = trailer
        .wait_health(|health| health["receiver"]["relay"]["active"] == false && health["ledger"]["waiting"] == 0);
    assert_eq!(had(&health), 1, "its time ended long ago: {:#}", health["receiver"]);
    hit(&trailer, "QX3");
    wait_for("the next hit is at the first", &trailer, || first.count(HITS) == 2);
    let health = trailer.wait_health(|health| had(health) == 2 && health["link"]["hits"]["month"]["count"] == 2);
    assert_eq!(health["receiver"]["relay"]["hits_first"], 1, "{:#}", health["receiver"]);
    trailer.stop();
    assert_eq!(second.count(HITS), 1, "the second one is not needed any more");
    let report = first.report(&["--json"]);
    let account: serde_json::Value = serde_json::from_str(&report.out).unwrap();
    assert_eq!(account["complete"], true, "{account:#}");
}

#[test]
fn first_receiver_that_hangs_does_not_hold_up_a_hit() {
    let second = Receiver::start(&[]);
    // Two minutes long the first one owes an answer, and no try has failed.
    let trailer = trailer((&hanging(), "answer_wait_ms = 120000"), (&second.url, ""));
    hit(&trailer, "QX2");
    wait_for("the second has the hit", &trailer, || second.count(HITS) == 1);
    let health = trailer.wait_health(|health| health["receiver"]["relay"]["relayed"] == 1);
    assert_eq!(health["receiver"]["failures_in_a_row"], 0, "{:#}", health["receiver"]);
    // Those that come while the first request still hangs go as they come.
    hit(&trailer, "QX3");
    hit(&trailer, "QX4");
    wait_for("the second has all of them", &trailer, || second.count(HITS) == 3);
    assert_eq!(second.count("SELECT count(*) FROM event WHERE type = 'pintle.read.v1'"), 3);
    let health = trailer.wait_health(|health| had(health) == 3);
    assert_eq!(health["ledger"]["delivered"], 0, "no copy counts as delivered");
    assert_eq!(health["receiver"]["relay"]["hits_first"], 3, "{:#}", health["receiver"]);
}

#[test]
fn hit_waits_while_both_are_dead_and_both_get_it_in_the_end() {
    let (mut first, mut second) = (Receiver::start_to_stay(&[]), Receiver::start_to_stay(&[]));
    first.kill();
    second.kill();
    let mut trailer = trailer((&first.url, "retry_ms_max = 1000"), (&second.url, ""));
    hit(&trailer, "QX2");
    let health = trailer.wait_health(|health| health["receiver"]["relay"]["failing_since"].is_string());
    assert_eq!(health["receiver"]["relay"]["relayed"], 0);
    wait_for_text(&trailer, "health.txt", "Neither receiver takes hits and alarms now.");
    assert!(!trailer.log().contains("QX2"));
    second.start_again_at_the_same_address();
    wait_for("the second has the hit", &trailer, || second.count(HITS) == 1);
    first.start_again_at_the_same_address();
    wait_for("the first has the hit", &trailer, || first.count(HITS) == 1);
    trailer.wait_health(|health| health["ledger"]["waiting"] == 0 && health["ledger"]["waiting_urgent"] == 0);
    trailer.stop();
    assert_eq!((second.count(COPIES), first.count(COPIES)), (second.count(HITS), 0));
}

/// A scripted receiver on a thread of its own.
fn scripted_receiver(script: impl Fn(usize, &Request) -> Answer + Send + Sync + 'static) -> Scripted {
    let (sender, receiver) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            sender.send(Scripted::start(script).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    receiver.recv().unwrap()
}

#[test]
fn copies_are_marked_and_each_receiver_is_shown_its_own_token_only() {
    let first = scripted_receiver(|_, _| Answer::new(503, "text/plain", ""));
    let second = scripted_receiver(|_, request| request.stored());
    let folder = tempfile::tempdir().unwrap();
    let token = |name: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, format!("token-of-the-{name}\n")).unwrap();
        format!("token_file = \"{}\"", path.display())
    };
    let trailer = trailer((&first.url(), &token("first")), (&second.url(), &token("second")));
    hit(&trailer, "QX2");
    wait_for("the second has the hit", &trailer, || second.requests().iter().any(Request::has_hit));
    for request in second.requests() {
        assert_eq!(request.headers.get("pintle-relayed").map(String::as_str), Some("true"));
        assert_eq!(request.headers["authorization"], "Bearer token-of-the-second");
        assert!(request.events().iter().all(|event| event.get("relayed").is_none()), "beside it, not in it");
    }
    for request in first.requests() {
        assert!(!request.headers.contains_key("pintle-relayed"));
        assert_eq!(request.headers["authorization"], "Bearer token-of-the-first");
    }
}

#[test]
fn receiver_keeps_the_mark_until_it_is_the_first_and_takes_no_other_word_for_it() {
    let receiver = Receiver::start(&[]);
    let mut event = Event::read(7);
    event.hit = true;
    let batch = Batch::of(&[event.clone()]).up_to(40);
    assert_eq!(receiver.post(&batch.clone().header("pintle-relayed", "yes")).status, 400);
    let told = receiver.post(&batch.clone().header("pintle-relayed", "true"));
    assert_eq!(told.json()["receipts"][0]["result"], "stored", "{}", told.text);
    assert_eq!(receiver.count(COPIES), 1);
    assert_eq!(receiver.rows("SELECT CAST(relayed AS TEXT) FROM reads"), ["1"]);
    let account = receiver.get("/v1/completeness").json();
    assert_eq!((&account["complete"], &account["generations"][0]["up_to"]), (&true.into(), &0.into()), "{account:#}");
    // The same trailer is given this address as its first.
    let told = receiver.post(&batch);
    assert_eq!(told.json()["receipts"][0]["result"], "duplicate", "{}", told.text);
    assert_eq!(receiver.count(COPIES), 0);
    let account = receiver.get("/v1/completeness").json();
    assert_eq!(account["generations"][0]["missing"]["count"], 39, "all but number 7: {account:#}");
}
