//! What this program writes is what `docs/schema/` says: events, batch and receipt are checked against the published
//! schemas, and the schemas refuse what must never be sent.

use jsonschema::Validator;
use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, EventId, SiteId};
use pintle_core::moment::{Utc, UtcTrust};
use pintle_core::position::places::LineState;
use pintle_core::queue::EventKind;
use pintle_core::read::stamp::{Stamp, StampSpot, StampState};
use pintle_core::wire::event::{self, EventParts};
use pintle_core::wire::read_in;
use pintle_core::wire::receipt::{Receipt, ReceiptBody, ReceiptResult, Resend};
use pintle_core::wire::stamp::StampBody;
use serde_json::{Value, json};
use std::path::Path;

const GENERATION: &str = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";

fn schema(name: &str) -> Validator {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/schema").join(format!("{name}.v1.json"));
    let text = std::fs::read_to_string(&path).expect("the schema is there");
    let schema: Value = serde_json::from_str(&text).expect("the schema is JSON");
    assert_eq!(schema["$id"], format!("urn:pintle:schema:{name}.v1"));
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    jsonschema::meta::validate(&schema).expect("the schema follows its own standard");
    jsonschema::validator_for(&schema).expect("the schema compiles")
}

fn check(name: &str, value: &Value) {
    let faults: Vec<String> =
        schema(name).iter_errors(value).map(|fault| format!("{}: {fault}", fault.instance_path())).collect();
    assert!(faults.is_empty(), "{name}: {faults:#?}\n{value:#}");
}

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
        clock_offset_ms: Some(-12),
        utc_trust: UtcTrust::Gps,
    };
    let mut underway = full.clone();
    underway.revision = 2;
    underway.spot = StampSpot::Underway;
    underway.state = StampState::Doubtful;
    underway.line_state = LineState::Unconfirmed;
    underway.utc_trust = UtcTrust::Holdover;
    let mut nothing = full.clone();
    nothing.state = StampState::None;
    nothing.spot = StampSpot::Unknown;
    nothing.position = None;
    nothing.radius95_m = None;
    nothing.fix_age_ms = None;
    nothing.line_state = LineState::Missing;
    nothing.clock_offset_ms = None;
    nothing.utc_trust = UtcTrust::Unset;
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
        body,
        stamp,
        hit,
    }
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
    check("batch", &batch);
    for event in batch.as_array().expect("an array") {
        assert_eq!(event["dataschema"], "urn:pintle:schema:read.v1");
        check("read", &event["data"]);
    }
}

#[test]
fn every_stamp_event_follows_its_schema() {
    for stamp in stamps() {
        let mut body = json!({"read_id": EventId([3; 16]).to_string()});
        let Value::Object(stamp) = serde_json::to_value(StampBody::from(&stamp)).expect("a stamp") else {
            unreachable!()
        };
        body.as_object_mut().expect("an object").extend(stamp);
        check("stamp", &body);
        let event = encoded(&parts(EventKind::Stamp, body.to_string().as_bytes(), None, false));
        check("batch", &json!([serde_json::from_slice::<Value>(&event).expect("JSON")]));
    }
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
    let receipt =
        |result, problem: Option<&str>| Receipt { id: id.clone(), result, problem: problem.map(str::to_owned) };
    let body = ReceiptBody {
        batch: GENERATION.to_owned(),
        receipts: vec![
            receipt(ReceiptResult::Stored, None),
            receipt(ReceiptResult::Duplicate, None),
            receipt(ReceiptResult::Refused, Some("the field lane is 99")),
            receipt(ReceiptResult::Later, None),
        ],
        resend: vec![Resend { generation: GENERATION.to_owned(), from: 1, to: 2 }],
    };
    check("receipt", &serde_json::to_value(&body).expect("JSON"));
    assert!(!schema("receipt").is_valid(&json!({"batch": "x", "receipts": [{"id": id, "result": "perhaps"}]})));
}

#[test]
fn place_and_clock_are_described_alike_wherever_they_stand() {
    let text = |name: &str| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/schema").join(name);
        let text = std::fs::read_to_string(path).expect("the schema is there");
        serde_json::from_str::<Value>(&text).expect("JSON")
    };
    let (read, stamp) = (text("read.v1.json"), text("stamp.v1.json"));
    for field in ["place", "clock", "stamp_revision"] {
        assert_eq!(read["properties"][field], stamp["properties"][field], "{field}");
    }
}

#[test]
fn every_kind_of_event_has_a_schema_of_its_name() {
    for kind in EventKind::ALL {
        let name = event::data_schema(kind).trim_start_matches("urn:pintle:schema:").trim_end_matches(".v1");
        assert_eq!(kind.event_type(), format!("pintle.{name}.v1"));
        schema(name);
    }
}
