//! What this program writes is what `docs/schema/` says: events, batch and receipt are checked against the published
//! schemas, and the schemas refuse what must never be sent.

#[path = "support/schemas.rs"]
mod schemas;

use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, EventId, SiteId};
use pintle_core::moment::{Moment, Utc, UtcTrust};
use pintle_core::position::Site;
use pintle_core::position::keeper::KeeperAction;
use pintle_core::position::places::LineState;
use pintle_core::queue::EventKind;
use pintle_core::read::stamp::{Stamp, StampClock, StampSpot, StampState};
use pintle_core::wire::digest::{BlockBody, DigestBody};
use pintle_core::wire::event::{self, EventParts};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};
use pintle_core::wire::notice::NoticeBody;
use pintle_core::wire::raised::{RAISED_KINDS, RAISED_SCHEMA, RAISED_TYPE, RaisedBody};
use pintle_core::wire::read_in;
use pintle_core::wire::receipt::{Receipt, ReceiptBody, ReceiptResult, Resend};
use pintle_core::wire::site::SiteBody;
use pintle_core::wire::stamp::StampBody;
use pintle_core::wire::track::TrackBody;
use schemas::{check, check_batch, schema, text};
use serde_json::{Value, json};

const GENERATION: &str = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";

fn stamps() -> Vec<Stamp> {
    let full = Stamp {
        revision: 1,
        state: StampState::Certain,
        spot: StampSpot::Site(SiteId(3)),
        position: LatLon::new(44.51, 38.198),
        radius95_m: Some(4.2),
        fix_age_ms: Some(900),
        line: "Quernstone Road at Brackwater Lane, northbound".to_owned(),
        line_state: LineState::Confirmed,
        clock: StampClock { offset_ms: Some(-12), corrected: None, trust: UtcTrust::Gps, error_ms: Some(1200) },
    };
    let mut underway = full.clone();
    underway.revision = 2;
    underway.spot = StampSpot::Underway;
    underway.state = StampState::Doubtful;
    underway.line_state = LineState::Unconfirmed;
    underway.clock.trust = UtcTrust::Holdover;
    underway.clock.corrected = Some(Utc(1_795_608_000_123));
    let mut nothing = full.clone();
    nothing.state = StampState::None;
    nothing.spot = StampSpot::Unknown;
    nothing.position = None;
    nothing.radius95_m = None;
    nothing.fix_age_ms = None;
    nothing.line_state = LineState::Missing;
    nothing.clock = StampClock { offset_ms: None, corrected: None, trust: UtcTrust::Unset, error_ms: None };
    vec![full, underway, nothing]
}

fn reads() -> Vec<(&'static str, bool)> {
    vec![
        (
            r#"{"camera":"north","captured_at":"2027-01-15T08:00:00Z","plate":null,"plate_state":"unread","heading":"unknown"}"#,
            false,
        ),
        (
            r#"{"camera":"north","captured_at":"2027-01-15T09:00:00.25+01:00","plate":"QX 77-3","plate_state":"read",
               "heading":"receding","lane":2,"confidence":0.93,"jurisdiction":{"code":"ZZ","list":"demo"},
               "plate_width_px":131,"plate_brightness":98.5}"#,
            false,
        ),
        (
            r#"{"id":"017f22e2-79b0-7cc3-98c4-dc0c0c073990","camera":"north","captured_at":"2027-01-15T08:00:00Z",
               "plate":"QX?73","plate_state":"partial","heading":"approaching",
               "hit":{"list":"demo list","list_time":"2027-01-15T06:00:00Z","entry":"E-12"}}"#,
            true,
        ),
    ]
}

fn parts<'a>(kind: EventKind, body: &'a [u8], stamp: Option<&'a [u8]>, hit: bool) -> EventParts<'a> {
    EventParts {
        source: "urn:pintle:trailer:heron-3",
        generation: GENERATION,
        sequence: 7,
        id: EventId([3; 16]),
        kind,
        happened_at: Utc(1_800_000_000_000),
        sent_at: Utc(1_800_000_900_000),
        salt: Some(&[7; 16]),
        body,
        stamp,
        hit,
        sealed: false,
        images: None,
    }
}

/// Writes `body` as the data of an event and checks both.
fn check_event(kind: EventKind, body: &impl serde::Serialize) {
    let body = serde_json::to_vec(body).expect("JSON");
    let event = encoded(&parts(kind, &body, None, false));
    check_batch(&json!([serde_json::from_slice::<Value>(&event).expect("JSON")]));
}

fn encoded(parts: &EventParts<'_>) -> Vec<u8> {
    event::encode(parts).expect("it can be written")
}

#[test]
fn every_read_event_follows_the_schemas_of_read_and_batch() {
    let cameras = [CameraId::new("north").expect("a name")];
    let mut events = Vec::new();
    for (text, hit) in reads() {
        for stamp in stamps() {
            let read = read_in::parse(text.as_bytes(), &cameras).expect("a read").into_read(|_| [9; 32]);
            let stamp = serde_json::to_vec(&StampBody::from(&stamp)).expect("a stamp");
            events.push(encoded(&parts(EventKind::Read, &read.body, Some(&stamp), hit)));
        }
    }
    let batch: Value = serde_json::from_slice(&event::batch(&events)).expect("JSON");
    assert_eq!(batch.as_array().map(Vec::len), Some(9));
    check_batch(&batch);
}

#[test]
fn every_stamp_event_follows_its_schema() {
    for stamp in stamps() {
        let mut body = json!({"read_id": EventId([3; 16]).to_string()});
        let Value::Object(stamp) = serde_json::to_value(StampBody::from(&stamp)).expect("a stamp") else {
            unreachable!()
        };
        body.as_object_mut().expect("an object").extend(stamp);
        check_event(EventKind::Stamp, &body);
    }
}

#[test]
fn what_the_site_keeper_tells_follows_the_schemas_of_site_notice_and_track() {
    let position = LatLon::new(44.5, -30.0).expect("a position");
    let mut site = Site {
        id: SiteId(4),
        position,
        radius95_m: 6.04,
        arrived: Utc(1_800_000_000_000),
        left: None,
        found_by: "stood still for 120 s".to_owned(),
    };
    check_event(EventKind::Site, &SiteBody::new(&site, "found", Some(SiteId(2)), "stood still"));
    check_event(EventKind::Site, &SiteBody::new(&site, "refined", None, "more fixes"));
    site.left = Some(Utc(1_800_000_090_000));
    check_event(EventKind::Site, &SiteBody::new(&site, "left", None, "two witnesses"));
    check_event(EventKind::Track, &TrackBody::new(position, 8.26, Some(13.333), Utc(1_800_000_000_000), false));
    check_event(EventKind::Track, &TrackBody::new(position, 8.26, None, Utc(1_800_000_000_000), true));
    let left = KeeperAction::Left {
        site,
        at: Utc(1_800_000_090_000),
        announced: false,
        position,
        reason: "it drives".to_owned(),
    };
    let alarm = NoticeBody::of_keeper(&left, &Moment::default()).expect("a notice");
    assert!(alarm.urgent);
    check_event(EventKind::Notice, &alarm);
    check_event(EventKind::Notice, &NoticeBody::new("test", true, Utc(0), "A test alert.".to_owned(), ""));
}

#[test]
fn every_ledger_entry_follows_its_schema() {
    for what in [
        LedgerWhat::Expired,
        LedgerWhat::Evicted,
        LedgerWhat::Refused,
        LedgerWhat::Dropped,
        LedgerWhat::Purged,
        LedgerWhat::Opened,
        LedgerWhat::Closed,
        LedgerWhat::Carried,
        LedgerWhat::PicturesExpired,
        LedgerWhat::PicturesEvicted,
        LedgerWhat::PicturesRefused,
        LedgerWhat::PicturesNotCarried,
        LedgerWhat::PicturesLost,
    ] {
        let told = !matches!(what, LedgerWhat::Opened | LedgerWhat::Closed);
        check_event(
            EventKind::Ledger,
            &LedgerBody {
                v: VERSION,
                what,
                generation: GENERATION.to_owned(),
                ranges: if told { vec![SequenceRange { from: 3, to: 9 }] } else { Vec::new() },
                unreadable: if what == LedgerWhat::Closed {
                    vec![SequenceRange { from: 4, to: 4 }]
                } else {
                    Vec::new()
                },
                count: 7,
                class: told.then(|| "other".to_owned()),
                captured_from: told.then(|| Utc(0).to_rfc3339()),
                captured_to: told.then(|| Utc(1).to_rfc3339()),
                accepted_up_to: (what == LedgerWhat::Closed).then_some(9),
                reason: "age limit".to_owned(),
            },
        );
    }
}

#[test]
fn every_digest_follows_its_schema() {
    let block = |not: Vec<SequenceRange>| BlockBody { first: 1001, last: 1500, count: 500, root: "0f".repeat(32), not };
    let blocks = vec![block(Vec::new()), block(vec![SequenceRange { from: 1003, to: 1003 }])];
    check_event(EventKind::Digest, &DigestBody { v: 1, generation: GENERATION.to_owned(), blocks });
}

#[test]
fn the_schema_refuses_a_hit_without_its_caution_and_a_plain_read_with_one() {
    let cameras = [CameraId::new("north").expect("a name")];
    let stamp = serde_json::to_vec(&StampBody::from(&stamps()[0])).expect("a stamp");
    let schema = schema("read");
    for (text, hit) in reads() {
        let read = read_in::parse(text.as_bytes(), &cameras).expect("a read").into_read(|_| [9; 32]);
        let event = encoded(&parts(EventKind::Read, &read.body, Some(&stamp), !hit));
        let event: Value = serde_json::from_slice(&event).expect("JSON");
        assert!(!schema.is_valid(&event["data"]), "hit {hit}");
    }
}

#[test]
fn receipts_follow_their_schema() {
    let id = EventId([3; 16]).to_string();
    let late_s = |result| (result == ReceiptResult::Stored).then_some(3600);
    let receipt = |result, problem: Option<&str>| Receipt {
        id: id.clone(),
        result,
        late_s: late_s(result),
        problem: problem.map(str::to_owned),
    };
    let body = ReceiptBody {
        batch: GENERATION.to_owned(),
        receipts: vec![
            receipt(ReceiptResult::Stored, None),
            receipt(ReceiptResult::Duplicate, None),
            receipt(ReceiptResult::Refused, Some("the field lane is 99")),
            receipt(ReceiptResult::Later, None),
        ],
        resend: vec![Resend { generation: GENERATION.to_owned(), from: 1, to: 2 }],
        asked: vec!["cGludGxl".to_owned()],
    };
    check("receipt", &serde_json::to_value(&body).expect("JSON"));
    assert!(!schema("receipt").is_valid(&json!({"batch": "x", "receipts": [{"id": id, "result": "perhaps"}]})));
}

#[test]
fn place_and_clock_are_described_alike_wherever_they_stand() {
    let (read, stamp) = (text("read"), text("stamp"));
    for field in ["place", "clock", "stamp_revision"] {
        assert_eq!(read["properties"][field], stamp["properties"][field], "{field}");
    }
}

#[test]
fn every_kind_of_event_has_a_schema_of_its_name() {
    for kind in EventKind::ALL {
        let name = event::data_schema(kind).trim_start_matches("urn:pintle:schema:").trim_end_matches(".v1");
        assert_eq!(kind.event_type(), format!("pintle.{name}.v1"));
        let schema = text(name);
        assert_eq!(schema["$id"], event::data_schema(kind));
        assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
        jsonschema::meta::validate(&schema).expect("the schema follows its own standard");
    }
}

#[test]
fn what_a_receiver_raises_follows_its_schema_and_nothing_else_does() {
    let text = text("raised");
    assert_eq!((&text["$id"], &text["title"]), (&RAISED_SCHEMA.into(), &RAISED_TYPE.into()));
    jsonschema::meta::validate(&text).expect("the schema follows its own standard");
    assert_eq!(text["properties"]["kind"]["enum"], json!(RAISED_KINDS));
    let body = |kind: &str| RaisedBody {
        kind: kind.to_owned(),
        urgent: true,
        trailer: "urn:pintle:trailer:heron-3".to_owned(),
        at: Utc(1_800_000_000_000).to_rfc3339(),
        text: "No word from Heron 3 for 17 min.".to_owned(),
    };
    for kind in RAISED_KINDS {
        check("raised", &serde_json::to_value(body(kind)).expect("JSON"));
    }
    let schema = schema("raised");
    let good = serde_json::to_value(body("silent")).expect("JSON");
    for field in ["kind", "urgent", "trailer", "at", "text"] {
        let mut without = good.clone();
        without.as_object_mut().expect("an object").remove(field);
        assert!(!schema.is_valid(&without), "without {field}");
    }
    for (field, bad) in
        [("kind", json!("loud")), ("trailer", json!("heron-3")), ("at", json!("noon")), ("text", json!(""))]
    {
        let mut wrong = good.clone();
        wrong[field] = bad;
        assert!(!schema.is_valid(&wrong), "{field}");
    }
}
