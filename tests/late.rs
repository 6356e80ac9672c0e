//! Late alerts are marked with their age, also where the bytes of the event were fixed when it was still fresh.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/late.rs"]
mod late;
#[path = "support/nats.rs"]
mod nats;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use async_nats::HeaderMap;
use async_nats::jetstream;
use drain::{Drain, until};
use late::{AGO_S, sent_long_ago};
use pintle::config::{Queue, StreamMaker};
use pintle::store::{NewEvent, open};
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use receiver::{Batch, Event, Receiver, outcome};
use serde_json::Value;

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
async fn a_hit_that_comes_late_through_a_stream_or_lay_there_is_marked_too() {
    if !nats::rig() {
        return;
    }
    let cluster = nats::Cluster::start(1, "");
    let folder = tempfile::tempdir().unwrap();
    sent_long_ago(folder.path()).await;
    let mut target = drain::target(&cluster.url());
    target.broker.stream_maker = StreamMaker::Trailer;
    let trailer = Drain::start("heron-3", folder.path(), target);
    trailer.until_view("handed over", |view| view.handed_over == 2).await;
    // Any consumer sees when it was sent, beside the bytes.
    let context = jetstream::new(async_nats::connect(cluster.url()).await.unwrap());
    let stream = context.get_stream("PINTLE").await.unwrap();
    let subject = "pintle.event.heron-3.read";
    let message = stream.get_last_raw_message_by_subject(subject).await.unwrap();
    let told = |headers: &HeaderMap| headers.get("pintle-sent-at").map(ToString::to_string);
    assert!(told(&message.headers).is_some_and(|at| Utc::parse_rfc3339(&at).is_some()));
    // The same hit of another trailer, which was fresh when that handed it over: nothing beside it says that it is
    // late.
    let mut headers = HeaderMap::new();
    for (name, values) in message.headers.iter().filter(|(name, _)| name.to_string() != "pintle-sent-at") {
        for value in values {
            headers.append(name.clone(), value.clone());
        }
    }
    headers.insert("Nats-Msg-Id", "another");
    assert_eq!(told(&headers), None);
    let fresh = String::from_utf8(message.payload.to_vec()).unwrap().replace("heron-3", "heron-4");
    let published = context.publish_with_headers(subject.replace("heron-3", "heron-4"), headers, fresh.into()).await;
    published.unwrap().await.unwrap();

    let receiver = Receiver::start(&["--nats", &cluster.url()]);
    until("both", || async { receiver.count("SELECT count(*) FROM reads WHERE hit") == 2 }).await;
    for late in receiver.rows("SELECT CAST(late_s AS TEXT) FROM reads") {
        assert!((AGO_S..AGO_S + 600).contains(&late.parse().unwrap()), "{late}");
    }
    trailer.stop().await;
}

#[tokio::test]
async fn a_hit_of_a_computer_whose_clock_began_in_1970_is_as_late_as_it_is_whether_the_clock_was_set_or_not() {
    // True time of the capture: 2026-11-25T12:00:00Z. The stamp has it already.
    let (captured, began) = (Utc(1_795_608_000_000), Utc(60_000));
    let stamp = r#"{"stamp_revision":2,"clock":{"trust":"gps","captured_at_corrected":"2026-11-25T12:00:00.000Z"},
        "place":{"spot":"unknown","state":"none","line":"x","line_state":"missing"}}"#;
    for (age_s, set) in [(20, true), (20, false), (7200, true), (7200, false)] {
        let folder = tempfile::tempdir().unwrap();
        let then = Moment { mono: Mono(60_000), utc: began, utc_trust: UtcTrust::Unset };
        let store = open(folder.path(), &Queue { disk_free_min_mib: 0, ..Queue::PLAIN }, then).unwrap();
        let mut hit = NewEvent::own(EventKind::Read, Lane::Urgent, began, &serde_json::json!({}));
        (hit.id, hit.hit, hit.stamp) = (EventId([9; 16]), true, Some(stamp.as_bytes().to_vec()));
        store.accept(vec![hit], then).await.unwrap();
        let ms = age_s * 1000;
        let now = if set { (captured.plus_ms(ms), UtcTrust::Network) } else { (began.plus_ms(ms), UtcTrust::Unset) };
        let mono = then.mono.plus_ms(u64::try_from(ms).unwrap());
        let now = Moment { mono, utc: now.0, utc_trust: now.1 };
        let leased = store.lease(Lane::Urgent, 100, 1 << 20, now).await.unwrap();
        let read = leased.iter().find(|event| event.kind == EventKind::Read).unwrap();
        assert_eq!((read.captured().at, read.captured().corrected), (captured, true));
        assert_eq!(read.sent_at.since_ms(captured), ms, "{age_s} s, set: {set}");
        store.close().await.unwrap();
    }
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
    let noon = Utc(1_795_608_000_000);
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
