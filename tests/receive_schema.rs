//! The receiver takes what the published schemas allow and refuses what they refuse: each event is broken in every
//! place, and both are asked. A difference that is not listed here fails.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/schemas.rs"]
mod schemas;

use pintle::receive::check::{Incoming, check_body};
use serde_json::{Value, json};
use std::collections::BTreeSet;

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const ID: &str = "0190a000-0000-7000-8000-000000000001";

/// Fields that the receiver keeps though the schema would refuse them: nothing here depends on their exact form.
const LOOSER_HERE: &[&str] = &[
    "read/late_s",
    "read/picture",
    "site/returned_to",
    "track/speed_mps",
    "notice/kind",
    "notice/do",
    "notice/site",
    "ledger/ranges",
    "ledger/count",
    "ledger/class",
    "ledger/captured_from",
    "ledger/captured_to",
    "ledger/reason",
];

fn place() -> Value {
    json!({"lat": 44.51, "lon": -38.19, "radius95_m": 4.0, "site": 1, "spot": "site", "state": "certain", "fix_age_s": 0.4,
        "line": "Quernstone Road", "line_state": "confirmed"})
}

fn samples() -> Vec<(&'static str, Value)> {
    let at = "2026-11-25T12:00:00.000Z";
    vec![
        (
            "read",
            json!({
                "read": {"id": ID, "camera": "north", "captured_at": at, "plate": "QX1", "plate_state": "read", "heading": "unknown",
                    "hit": {"list": "demo list", "list_time": at, "entry": "E-12"}},
                "place": place(), "clock": {"trust": "gps", "offset_ms": 3, "capture_far_s": -700,
                    "captured_at_corrected": at, "error_ms": 2000}, "stamp_revision": 1,
                "late_s": 90, "caution": "Compare.", "picture": "no picture",
            }),
        ),
        (
            "stamp",
            json!({"read_id": ID, "place": place(),
                "clock": {"trust": "holdover", "offset_ms": 3}, "stamp_revision": 2}),
        ),
        (
            "site",
            json!({"site": 2, "what": "left", "lat": 44.51, "lon": -38.19, "radius95_m": 3.1, "arrived": at, "left": at,
                "returned_to": 1, "reason": "it moved"}),
        ),
        (
            "track",
            json!({"at": at, "lat": 44.51, "lon": -38.19, "radius95_m": 8.0, "speed_mps": 14.2, "announced": false}),
        ),
        (
            "notice",
            json!({"kind": "left", "urgent": true, "test": false, "at": at, "text": "The trailer has left.",
                "do": "call whoever is near", "lat": 44.51, "lon": -38.19, "site": 2}),
        ),
        (
            "ledger",
            json!({"v": 1, "what": "expired", "generation": "0190a000-0000-7000-8000-00000000000a",
                "ranges": [{"from": 2, "to": 4}], "count": 3, "class": "other", "captured_from": at, "captured_to": at,
                "accepted_up_to": 9, "reason": "age"}),
        ),
    ]
}

fn batch(kind: &str, data: &Value) -> Value {
    json!([{
        "specversion": "1.0", "id": ID, "source": SOURCE,
        "type": format!("pintle.{kind}.v1"), "time": "2026-11-25T12:00:00.000Z", "datacontenttype": "application/json",
        "dataschema": format!("urn:pintle:schema:{kind}.v1"), "sequence": "00000000000000000007",
        "generation": "0190a000-0000-7000-8000-00000000000a", "data": data,
    }])
}

fn receiver_takes(kind: &str, data: &Value) -> Result<(), String> {
    match check_body(SOURCE, batch(kind, data).to_string().as_bytes()).unwrap().remove(0) {
        Incoming::Good(_) | Incoming::State(_) => Ok(()),
        Incoming::Bad(refusal) => Err(refusal.problem),
    }
}

/// Paths of all members below `value`.
fn paths(value: &Value, at: &str, out: &mut Vec<String>) {
    let members: Vec<(String, &Value)> = match value {
        Value::Object(members) => members.iter().map(|(name, value)| (name.clone(), value)).collect(),
        Value::Array(items) => items.iter().enumerate().map(|(at, item)| (at.to_string(), item)).collect(),
        _ => Vec::new(),
    };
    for (name, value) in members {
        let path = format!("{at}/{name}");
        paths(value, &path, out);
        out.push(path);
    }
}

/// `data` without the member at `path`; `None` for items of arrays.
fn without(data: &Value, path: &str) -> Option<Value> {
    let (parent, name) = path.rsplit_once('/').unwrap();
    let mut data = data.clone();
    data.pointer_mut(parent).unwrap().as_object_mut()?.remove(name);
    Some(data)
}

#[test]
fn the_receiver_and_the_schemas_agree_on_every_broken_event() {
    let mut asked = 0;
    let mut looser = BTreeSet::new();
    for (kind, data) in samples() {
        let schema = schemas::schema(kind);
        assert_eq!(receiver_takes(kind, &data), Ok(()), "the whole {kind}");
        schemas::check_batch(&batch(kind, &data));
        let mut all = Vec::new();
        paths(&data, "", &mut all);
        // The read itself was judged by the intake; here only its outline matters.
        all.retain(|path| !path.starts_with("/read/") || path == "/read/camera" || path == "/read/captured_at");
        for path in all {
            let field = format!("{kind}{path}");
            let mut broken: Vec<Value> = without(&data, &path).into_iter().collect();
            for wrong in [json!("no such word"), json!(-1), json!(1000.5), json!([]), json!({}), json!(true)] {
                let mut one = data.clone();
                *one.pointer_mut(&path).unwrap() = wrong;
                broken.push(one);
            }
            for one in broken {
                asked += 1;
                let (allowed, taken) = (schema.is_valid(&one), receiver_takes(kind, &one));
                if !allowed && taken.is_ok() && LOOSER_HERE.contains(&field.as_str()) {
                    looser.insert(field.clone());
                } else {
                    assert_eq!(allowed, taken.is_ok(), "{field}: {taken:?} {one}");
                }
            }
        }
    }
    let listed: BTreeSet<String> = LOOSER_HERE.iter().map(|field| (*field).to_owned()).collect();
    assert_eq!(looser, listed, "the list names no field more than it must");
    assert!(300 < asked, "only {asked} broken events were tried");
}

#[test]
fn a_read_under_the_id_of_another_is_refused() {
    let (_, mut data) = samples().remove(0);
    data["read"]["id"] = json!("0190a000-0000-7000-8000-000000000002");
    assert_eq!(receiver_takes("read", &data), Err("data.read.id is not the id of the event".to_owned()));
}

#[test]
fn fields_of_a_later_version_are_kept_and_not_looked_at() {
    for (kind, data) in samples() {
        let mut later = data.clone();
        later["of_a_later_version"] = json!({"a": [1, 2]});
        for inner in ["place", "clock"] {
            if let Some(inner) = later.get_mut(inner) {
                inner["of_a_later_version"] = json!(7);
            }
        }
        assert_eq!(receiver_takes(kind, &later), Ok(()), "{kind}");
    }
}
