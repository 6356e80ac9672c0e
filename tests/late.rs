//! Late alerts are marked with their age, also where the bytes of the event were fixed when it was still fresh.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/nats.rs"]
mod nats;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use drain::{Drain, until};
use pintle::clock;
use pintle::config::Queue;
use pintle::store::{NewEvent, Settled, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use receiver::{Batch, Event, Receiver, outcome};
use serde_json::Value;
use std::path::Path;

/// How long ago the hit was captured and first sent, s.
const AGO_S: i64 = 7200;

/// A queue with a hit that was sent a second after its capture, two hours ago, and answered by nobody.
async fn sent_long_ago(folder: &Path) {
    let now = clock::moment(UtcTrust::Network);
    let then = Moment { utc: now.utc.plus_ms(-AGO_S * 1000), ..now };
    let limits =
        Queue { waiting_keep_s: 2_592_000, hit_waiting_keep_s: 2_592_000, disk_free_min_mib: 0, ..Queue::PLAIN };
    let store = open(folder, &limits, then).unwrap();
    let hit = r#""hit":{"list":"demo","list_time":"2026-11-25T00:00:00Z","entry":"E1"}"#;
    let body = format!(
        r#"{{"id":"{}","camera":"north","captured_at":"{}","plate":"QX1","plate_state":"read",{hit}}}"#,
        EventId([9; 16]),
        then.utc.to_rfc3339(),
    );
    let stamp = r#"{"stamp_revision":1,"clock":{"trust":"gps"},
        "place":{"spot":"unknown","state":"none","line":"x","line_state":"missing"}}"#;
    let hit = NewEvent {
        id: EventId([9; 16]),
        kind: EventKind::Read,
        lane: Lane::Urgent,
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: then.utc,
        body: body.into_bytes(),
        stamp: Some(stamp.as_bytes().to_vec()),
        hit: true,
        stamp_open: false,
        images: Vec::new(),
    };
    store.accept(vec![hit], then).await.unwrap();
    let soon = Moment { utc: then.utc.plus_ms(1000), mono: then.mono.plus_ms(1000), ..then };
    let leased = store.lease(Lane::Urgent, 100, 1 << 20, soon).await.unwrap();
    let read = leased.iter().find(|event| event.kind == EventKind::Read).unwrap();
    assert_eq!(read.sent_at, soon.utc);
    store.settle(leased.iter().map(|event| (event.sequence, Settled::Released)).collect(), soon).await.unwrap();
    store.close().await.unwrap();
}

/// The mark of the one hit: some two hours.
async fn marked(receiver: &Receiver) {
    until("the hit", || async { receiver.count("SELECT count(*) FROM reads WHERE hit") == 1 }).await;
    let late = receiver.count("SELECT late_s FROM reads WHERE hit");
    assert!((AGO_S..AGO_S + 600).contains(&late), "{late}");
    let data: Value = serde_json::from_str(&receiver.rows("SELECT data FROM reads WHERE hit")[0]).unwrap();
    assert_eq!(data.get("late_s"), None, "its bytes are those of the first sending");
}

#[tokio::test]
async fn a_hit_that_was_fresh_when_nobody_answered_it_is_marked_with_its_age_when_it_arrives() {
    let folder = tempfile::tempdir().unwrap();
    sent_long_ago(folder.path()).await;
    let receiver = Receiver::start(&[]);
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&receiver.url));
    marked(&receiver).await;
    trailer.stop().await;
    let out = tempfile::tempdir().unwrap();
    for (name, wanted) in [("a.csv", "\"72"), ("a.ndjson", "\"late_s\":72")] {
        let file = out.path().join(name);
        let args = ["receive", "export", "--data", receiver.data().to_str().unwrap(), "--out", file.to_str().unwrap()];
        let said = outcome(&[&args[..], &["--purpose", "test", "--case", "26-1", "--by", "Desk 4"]].concat());
        assert_eq!(said.code, 0, "{}", said.out);
        let text = std::fs::read_to_string(file).unwrap();
        assert!(text.lines().last().unwrap().contains(wanted), "{text}");
    }
}

#[tokio::test]
async fn a_hit_that_comes_late_through_a_stream_is_marked_too() {
    if !nats::rig() {
        return;
    }
    let cluster = nats::Cluster::start(1, "");
    let folder = tempfile::tempdir().unwrap();
    sent_long_ago(folder.path()).await;
    let receiver = Receiver::start(&["--nats", &cluster.url(), "--nats-make-stream", "1"]);
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&cluster.url()));
    marked(&receiver).await;
    trailer.stop().await;
}

#[test]
fn a_receipt_says_how_late_a_hit_came_and_nothing_of_ordinary_reads_or_of_those_in_time() {
    let receiver = Receiver::start(&[]);
    let hit = |number: u64| {
        let mut event = Event::read(number);
        event.hit = true;
        event.read_body = event.read_body.replace('}', r#","hit":{"list":"demo","list_time":"2026-11-25T00:00:00Z"}}"#);
        event
    };
    // All of them were captured at 1_795_608_000_000 ms, 12:00:00 of that day.
    let noon = pintle_core::moment::Utc(1_795_608_000_000);
    let post = |events: &[Event], after_s: Option<i64>| -> Vec<Value> {
        let mut batch = Batch::of(events);
        if let Some(after_s) = after_s {
            batch = batch.header("pintle-sent-at", &noon.plus_ms(after_s * 1000).to_rfc3339());
        }
        let answer = receiver.post(&batch).json();
        answer["receipts"].as_array().unwrap().iter().map(|receipt| receipt["late_s"].clone()).collect()
    };
    assert_eq!(post(&[hit(1), Event::read(2)], Some(5400)), [Value::from(5400), Value::Null]);
    assert_eq!(post(&[hit(3)], Some(60)), [Value::Null], "a minute is in time");
    assert_eq!(post(&[hit(4)], None), [Value::Null], "a sender that says nothing is not called late");
    assert_eq!(post(&[hit(1)], Some(9000)), [Value::Null], "a repeat was there before");
    let kept = receiver.rows("SELECT sequence || ' ' || coalesce(late_s, '-') FROM reads ORDER BY sequence");
    assert_eq!(kept, ["1 5400", "2 5400", "3 -", "4 -"]);
    // A time that is none refuses nothing.
    let answer = receiver.post(&Batch::of(&[hit(5)]).header("pintle-sent-at", "yesterday")).json();
    assert_eq!(answer["receipts"][0]["result"], "stored");
}
