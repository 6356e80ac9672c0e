#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use proptest::prelude::*;

const GOOD: &str =
    r#"{"camera":"north","captured_at":"2026-11-25T12:00:00.25+00:00","plate":"QTZ 481","plate_state":"read"}"#;

fn cameras() -> Vec<CameraId> {
    ["north", "south"].iter().map(|name| CameraId::new(name).unwrap()).collect()
}

/// A stand-in for the keyed hash: FNV-1a (source: the published 64-bit parameters), once for each of four starts.
fn hash(body: &[u8]) -> [u8; 32] {
    let mut out = [0_u8; 32];
    for (at, chunk) in (0_u64..).zip(out.chunks_exact_mut(8)) {
        let start = 0xcbf2_9ce4_8422_2325 ^ at;
        let sum = body.iter().fold(start, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3));
        chunk.copy_from_slice(&sum.to_be_bytes());
    }
    out
}

fn read(text: &str) -> Read {
    parse(text.as_bytes(), &cameras()).unwrap().into_read(hash)
}

/// `GOOD` with one field set to a JSON value, or added.
fn with(field: &str, value: &str) -> String {
    let mut fields: serde_json::Map<String, serde_json::Value> = serde_json::from_str(GOOD).unwrap();
    fields.insert(field.to_owned(), serde_json::from_str(value).unwrap());
    serde_json::to_string(&fields).unwrap()
}

fn faults(text: &str) -> Vec<Fault> {
    match parse(text.as_bytes(), &cameras()) {
        Ok(_) => Vec::new(),
        Err(Refusal::Malformed(fault)) => vec![fault],
        Err(Refusal::Invalid(faults)) => faults,
    }
}

fn check(text: &str, field: &str, detail: &str) {
    let faults = faults(text);
    assert_eq!(faults.len(), 1, "{faults:?} of {text:.200}");
    assert_eq!(faults[0].field.as_deref(), Some(field));
    assert!(faults[0].detail.contains(detail), "{:?} lacks {detail:?}", faults[0].detail);
}

#[test]
fn the_accepted_body_is_the_same_for_the_same_content() {
    let first = read(GOOD);
    let again = read(
        r#" { "plate_state" : "read", "captured_at":"2026-11-25T13:00:00.250+01:00",
              "plate":"QTZ\u0020481","camera":"north","heading":null,"extra":{"a":[1,2]},"images":[] } "#,
    );
    assert_eq!(first.body, again.body);
    assert_eq!(first.id, again.id);
    let want = format!(
        r#"{{"id":"{}","camera":"north","captured_at":"2026-11-25T12:00:00.250Z","plate":"QTZ 481","plate_state":"read","heading":"unknown"}}"#,
        first.id
    );
    assert_eq!(String::from_utf8(first.body).unwrap(), want);
}

#[test]
fn every_field_comes_through() {
    let text = r#"{"id":"017F22E2-79B0-7CC3-98C4-DC0C0C07398F","camera":"south","captured_at":"2026-11-25T12:00:00Z",
        "plate":"Q?9","plate_state":"partial","jurisdiction":{"code":"ZZ","list":"iso-3166-1"},"confidence":0.50,
        "heading":"receding","lane":2.0,"hit":{"list":"Stolen, Brackwater","list_time":"2026-11-25T06:00:00Z","entry":"44-1"},
        "plate_width_px":131,"plate_brightness":99.5}"#;
    let read = read(text);
    assert_eq!(
        String::from_utf8(read.body).unwrap(),
        concat!(
            r#"{"id":"017f22e2-79b0-7cc3-98c4-dc0c0c07398f","camera":"south","captured_at":"2026-11-25T12:00:00.000Z","#,
            r#""plate":"Q?9","plate_state":"partial","#,
            r#""jurisdiction":{"code":"ZZ","list":"iso-3166-1"},"confidence":0.5,"heading":"receding","lane":2,"#,
            r#""hit":{"list":"Stolen, Brackwater","list_time":"2026-11-25T06:00:00.000Z","entry":"44-1"},"#,
            r#""plate_width_px":131,"plate_brightness":99.5}"#,
        )
    );
    assert_eq!((read.lane, read.heading, read.plate_width_px), (Some(2), Heading::Receding, Some(131)));
}

#[test]
fn a_derived_id_is_a_version_8_uuid_that_sorts_by_capture_time() {
    let first = read(GOOD).id;
    assert_eq!(first.to_string().as_bytes()[14], b'8');
    assert_eq!(first.0[8] & 0xc0, 0x80);
    assert_eq!(
        i64::from_be_bytes([0, 0, first.0[0], first.0[1], first.0[2], first.0[3], first.0[4], first.0[5]]),
        1_795_608_000_250
    );
    let later = read(&with("captured_at", "\"2026-11-25T12:00:00.251Z\"")).id;
    assert!(first < later);
    assert_ne!(read(&with("lane", "2")).id, first);
}

#[test]
fn unknown_fields_are_refused_with_the_nearest_name() {
    check(&with("confidance", "0.5"), "confidance", "did you mean \"confidence\"?");
    check(&with("hit", r#"{"list":"a","list_time":"2026-01-01T00:00:00Z","entri":"1"}"#), "hit.entri", "\"hit.entry\"");
    check(&with("zzz", "0"), "zzz", "known fields are id, camera, captured_at");
}

#[test]
fn a_plate_in_the_place_of_a_name_is_not_repeated() {
    let faults = faults(&with("QTZ481", "1"));
    assert_eq!(faults[0].field, None);
    assert!(!faults[0].detail.contains("QTZ"), "{}", faults[0].detail);
}

#[test]
fn each_wrong_field_is_told_with_what_to_do() {
    check(&with("camera", "\"nroth\""), "camera", "(did you mean \"north\"?); configured are: north, south.");
    check(&with("camera", "7"), "camera", "must be text; configured are: north, south");
    check(&with("captured_at", "\"1899-12-31T23:59:59Z\""), "captured_at", "is in the year 1899; only 1970 to 2100");
    check(&with("captured_at", "\"9999-01-01T00:00:00Z\""), "captured_at", "is in the year 9999");
    check(&with("captured_at", "\"2026-11-25 12:00:00\""), "captured_at", "RFC 3339 with its offset");
    check(&with("captured_at", "1795608000"), "captured_at", "RFC 3339 with its offset");
    check(&with("plate", "null"), "plate", "send null only with plate_state \"unread\"");
    check(&with("plate", "17"), "plate", "must be text, or null");
    check(&with("plate_state", "\"unread\""), "plate", "must be null when plate_state is \"unread\"");
    check(&with("plate_state", "\"reed\""), "plate_state", "one of \"read\", \"partial\", \"unread\"");
    check(&with("id", "\"7\""), "id", "8-4-4-4-12");
    check(&with("id", "\"00000000-0000-0000-0000-000000000000\""), "id", "a fresh UUID for each read");
    check(&with("confidence", "1.01"), "confidence", "between 0 and 1");
    check(&with("confidence", "\"0.9\""), "confidence", "must be a number between 0 and 1");
    check(&with("lane", "0"), "lane", "a whole number between 1 and 16");
    check(&with("lane", "1.5"), "lane", "a whole number between 1 and 16");
    check(&with("lane", "1e300"), "lane", "a whole number between 1 and 16");
    check(&with("heading", "\"north\""), "heading", "one of \"approaching\", \"receding\", \"unknown\"");
    check(&with("plate_width_px", "-1"), "plate_width_px", "between 1 and 65535");
    check(&with("plate_brightness", "256"), "plate_brightness", "between 0 and 255");
    check(&with("hit", "true"), "hit", "must be an object with list, list_time, entry");
    check(&with("hit", r#"{"list":"a"}"#), "hit.list_time", "is missing; send RFC 3339");
    check(&with("hit", r#"{"list":"a\u202eb","list_time":"2026-01-01T00:00:00Z"}"#), "hit.list", "without control");
    check(&with("jurisdiction", r#"{"code":"A B","list":"x"}"#), "jurisdiction.code", "1 to 8 of A-Z");
    let one = |fields: &str| with("images", &format!("[{{{fields}}}]"));
    check(&with("images", "7"), "images", "a list of at most 4 pictures");
    check(&with("images", "[1,2,3,4,5]"), "images", "a list of at most 4 pictures");
    check(&with("images", "[7]"), "images[0]", "must be an object with role");
    check(&one(r#""role":"plate""#), "images[0].path", "is missing");
    check(&one(r#""role":"plate","path":"a","data":"AA==""#), "images[0].path", "stands beside data");
    check(&one(r#""data":"AA==""#), "images[0].role", "is missing");
    check(&one(r#""role":"face","data":"AA==""#), "images[0].role", "must be one of");
    check(&one(r#""role":"plate","data":"AA==","media_type":"image/gif""#), "images[0].media_type", "must be one of");
    check(&one(r#""role":"plate","data":"AA==","pth":"a""#), "images[0].pth", "did you mean");
    check(&with("extra", &format!("{{\"a\":\"{}\"}}", "x".repeat(2048))), "extra", "is larger than 2048 bytes");
    check(&with("extra", "1"), "extra", "must be an object");
}

#[test]
fn all_faults_of_a_read_are_told_at_once() {
    let fields: Vec<_> = faults(r#"{"camra":1,"confidence":2,"hit":{}}"#).into_iter().filter_map(|f| f.field).collect();
    let want = ["camra", "camera", "captured_at", "plate_state", "plate", "confidence", "hit.list", "hit.list_time"];
    assert_eq!(fields, want);
}

#[test]
fn what_is_no_object_is_malformed() {
    for text in ["[]", "3", "null", "\"x\"", "", "{", "{\"camera\":\"north\",\"camera\":\"south\"}"] {
        assert!(matches!(parse(text.as_bytes(), &cameras()), Err(Refusal::Malformed(_))), "{text}");
    }
}

#[test]
fn a_ten_kilobyte_plate_is_refused_without_being_repeated() {
    check(&with("plate", &format!("\"{}\"", "W7".repeat(5000))), "plate", "has more than 16 characters");
    let detail = &faults(&with("plate", &format!("\"{}\"", "W7".repeat(5000))))[0].detail;
    assert!(!detail.contains("W7") && detail.len() < 200);
}

proptest! {
    #[test]
    fn no_answer_repeats_a_plate(plate in "[A-Z0-9<>=@\u{202e}\u{0}]{6,20}", state in "read|partial|unread|x") {
        let text = serde_json::json!({
            "camera": plate, "captured_at": plate, "plate": plate, "plate_state": state, "id": plate,
            "hit": {"list": plate, "list_time": plate, "entry": 5}, "heading": plate, "jurisdiction": plate,
        });
        for fault in faults(&text.to_string()) {
            prop_assert!(!fault.detail.contains(&plate), "{}", fault.detail);
        }
    }

    #[test]
    fn what_is_accepted_is_accepted_again_as_the_same_read(
        plate in "[A-Z0-9]{1,16}", confidence in 0.0..=1.0_f64, ms in 946_684_800_000..4_133_980_800_000_i64
    ) {
        let text = serde_json::json!({
            "camera": "north", "captured_at": Utc(ms).to_rfc3339(), "plate": plate, "plate_state": "read",
            "confidence": confidence,
        });
        let first = read(&text.to_string());
        let again = read(std::str::from_utf8(&first.body).unwrap());
        prop_assert!(first == again);
    }
}

/// Values that no field expects, as they stand in JSON, and some that are none.
fn hostile_values() -> Vec<String> {
    let mut values: Vec<String> = [
        "NaN",
        "Infinity",
        "-Infinity",
        "1e999",
        "-1",
        "0",
        "-0.0",
        "1e-400",
        "99999999999999999999999999",
        "true",
        "null",
        "[]",
        "{}",
        "[[[[[[[[[[[]]]]]]]]]]]",
        "\"\"",
        "\" \"",
        "\"\\u0000\"",
        "\"QX\\u202e7\"",
        "\"\\ud800\"",
        "\"\\u00e9\\u0301\"",
        "\"=1+1\"",
        "\"<b>\"",
        "\"9999-12-31T23:59:59Z\"",
        "\"-001-01-01T00:00:00Z\"",
        "\"0000-00-00T00:00:00Z\"",
        "\"2026-02-30T00:00:00Z\"",
        "\"2026-11-25T24:00:00Z\"",
        "\"2026-11-25T12:00:60+99:99\"",
        "\"10000-01-01T00:00:00Z\"",
    ]
    .map(str::to_owned)
    .to_vec();
    values.push(format!("\"{}\"", "Q".repeat(1 << 20)));
    values.push(format!("{}1{}", "[".repeat(100_000), "]".repeat(100_000)));
    values
}

/// What was taken is within every limit that is promised of it.
fn within_limits(read: &Read) {
    let plain = |text: &str| text.chars().all(|c| !c.is_control() && !('\u{202a}'..='\u{202e}').contains(&c));
    assert!(read.plate.as_deref().is_none_or(|plate| plate.chars().count() <= 16 && plain(plate) && !plate.is_empty()));
    assert_eq!(read.plate.is_none(), read.plate_state == PlateState::Unread);
    assert!((0..=4_133_980_800_000).contains(&read.captured_at.0), "{:?}", read.captured_at);
    assert!(read.confidence.is_none_or(|value| (0.0..=1.0).contains(&value)));
    assert!(read.plate_brightness.is_none_or(|value| (0.0..=255.0).contains(&value)));
    assert!(read.lane.is_none_or(|lane| (1..=16).contains(&lane)));
    assert!(read.hit.as_ref().is_none_or(|hit| plain(&hit.list)));
    assert!(read.body.len() < 8192 && serde_json::from_slice::<serde_json::Value>(&read.body).is_ok());
}

#[test]
fn fault_31_hostile_or_odd_values_panic_nothing_and_what_is_taken_is_within_its_limits() {
    let mut random = crate::sim::random::Random::new(31);
    let values = hostile_values();
    let (mut taken, mut refused) = (0, 0);
    let mut judge = |bytes: &[u8]| match parse(bytes, &cameras()) {
        Ok(read) => {
            within_limits(&read.into_read(hash));
            taken += 1;
        }
        Err(_) => refused += 1,
    };
    for field in FIELDS {
        for value in &values {
            let bare = GOOD.strip_suffix('}').unwrap();
            judge(format!("{bare},\"{field}\":{value}}}").as_bytes());
            // In place of the good one, and the good one twice.
            judge(GOOD.replace(&format!("\"{field}\":"), &format!("\"{field}\":{value},\"x\":")).as_bytes());
            if let Ok(value) = serde_json::from_str::<serde_json::Value>(value) {
                let mut fields: serde_json::Map<String, serde_json::Value> = serde_json::from_str(GOOD).unwrap();
                fields.insert(field.to_owned(), value);
                judge(&serde_json::to_vec(&fields).unwrap());
            }
        }
    }
    // Good bodies with some bytes changed, taken out or doubled: broken UTF-8 and broken JSON among them.
    for _ in 0..50_000 {
        let mut bytes = GOOD.as_bytes().to_vec();
        for _ in 0..=random.below(3) {
            if bytes.is_empty() {
                break;
            }
            let at = usize::try_from(random.below(u32::try_from(bytes.len()).unwrap())).unwrap();
            match random.below(4) {
                0 => bytes[at] = random.bits().to_le_bytes()[0],
                1 => drop(bytes.remove(at)),
                2 => bytes.insert(at, bytes[at]),
                _ => bytes.truncate(at.max(1)),
            }
        }
        judge(&bytes);
    }
    assert!(500 < taken && 20_000 < refused, "{taken} taken, {refused} refused: both were tried");
}
