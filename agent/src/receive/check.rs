//! From the bytes of a request to events that may be stored: each is checked alone, so that a bad one costs no other.
//!
//! No text made here quotes a value of an event: it could be a plate.

use super::blocks::Digest;
use super::content::{StampRow, content};
use super::ledger::Entry;
use crate::proof;
use crate::seal::SealedRead;
use aws_lc_rs::digest;
use pintle_core::ids::{EventId, TrailerId};
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::queue::blocks::{Leaf, SALT_BYTES};
use pintle_core::wire::event::{DATA_CONTENT_TYPE, EventBody, SPEC_VERSION, kind_of, parse_salt, parse_sequence};
use pintle_core::wire::images::ImageBody;
use pintle_core::wire::read_out::LATE_AFTER_S;
use pintle_core::wire::upstream::{self, Came};
use serde::de::{SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::value::RawValue;
use std::fmt;

/// Most events in one request (our own limit: a trailer sends hundreds).
pub const EVENTS_MAX: usize = 10_000;
/// Deepest nesting of an event's data (our own limit: the contract needs five; the database reads up to 1,000).
pub const DEPTH_MAX: usize = 32;
/// A longer event is no state of a trailer, bytes: its data and its envelope.
const STATE_BYTES_MAX: usize = upstream::BYTES_MAX + 4096;
/// Longest id that a receipt repeats, bytes (a UUID has 36).
const ID_ECHO_MAX: usize = 128;

/// One event that may be stored. It has no `Debug`: it holds plates.
pub struct Event {
    /// Lower-case UUID, with the source the duplicate key.
    pub id: String,
    /// What it tells.
    pub kind: EventKind,
    /// Lower-case UUID of the queue that gave out the number.
    pub generation: String,
    /// Its number, 1 to `i64::MAX`.
    pub sequence: u64,
    /// Capture time or when it happened, as sent (RFC 3339).
    pub time: String,
    /// When these bytes were sent, by the trailer's clock, if it said so: it does where something is late. Of what lay
    /// at a broker or on a stick, when it came here.
    pub sent_at: Option<Utc>,
    /// What it says itself of how late it was when it was sent first, s; reads only.
    pub late_told_s: Option<i64>,
    /// True for reads with a hit.
    pub hit: bool,
    /// SHA-256 over type and content; of a read only the read itself counts, as the stamp beside it may change.
    pub content_hash: [u8; 32],
    /// `data` byte for byte.
    pub data: String,
    /// The stamp that it carries: of the read itself, or a later one.
    pub stamp: Option<StampRow>,
    /// Files that it announces, reads only.
    pub images: Vec<ImageBody>,
    /// The sealed read, until it is opened.
    pub sealed: Option<SealedRead>,
    /// What it says of numbers that will not come, ledger events only.
    pub ledger: Option<Entry>,
    /// What it tells of blocks, digest events only.
    pub digest: Option<Digest>,
    /// Its random bytes, and its leaf; `None` from a sender that keeps no blocks.
    pub leaf: Option<([u8; SALT_BYTES], Leaf)>,
}

impl Event {
    /// It came by a way on which it may have lain for days, at a broker or on a courier's stick: whoever acts on a hit
    /// wants its age now, and the trailer could only say what it was when it handed the hit over. This host's clock
    /// counts for that, unless the trailer's own word is later still.
    pub fn came_by_a_store(&mut self, told: Option<Utc>, received_at: Utc) {
        self.sent_at = Some(told.map_or(received_at, |told| told.max(received_at)));
    }

    /// How long after its capture, or after it happened, it was sent, s; `None` if it was not late. Both times are the
    /// trailer's: true ones where it corrects the capture time, else by its clock, however right that is. Of a sealed
    /// read that is not opened the hour is known only, and what it says itself counts.
    #[must_use]
    pub fn late_s(&self) -> Option<i64> {
        if !matches!(self.kind, EventKind::Read | EventKind::Notice) {
            return None;
        }
        let corrected = self.stamp.as_ref().and_then(|stamp| stamp.clock.captured_at_corrected.as_deref());
        let time = corrected.or_else(|| self.sealed.is_none().then_some(self.time.as_str()));
        let late = match (self.sent_at, time.and_then(Utc::parse_rfc3339)) {
            (Some(sent_at), Some(time)) => Some(sent_at.since_ms(time) / 1000),
            _ => self.late_told_s,
        };
        late.filter(|late| LATE_AFTER_S < *late)
    }
}

/// An event that is not taken.
pub struct Refusal {
    /// Its id as sent; `None` if it has none that a receipt could name.
    pub id: Option<String>,
    /// Its number, if that could be read.
    pub number: Option<(String, u64)>,
    /// Why, one sentence without any value of the event.
    pub problem: String,
}

/// One event of a request.
pub enum Incoming {
    /// May be stored.
    Good(Box<Event>),
    /// The newest state of the trailer: it replaces the one before, and counts in no account.
    State(Came),
    /// Refused.
    Bad(Refusal),
}

/// Why a whole body was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BodyError {
    /// Not a JSON array.
    #[error("the body is not a JSON array of events (line {line}, column {column})")]
    NoArray {
        /// Where it stops being one.
        line: usize,
        /// Where it stops being one.
        column: usize,
    },
    /// Too many events.
    #[error("the body has more than {EVENTS_MAX} events")]
    TooMany,
}

/// Checks the body of a request of `source`.
///
/// # Errors
/// [`BodyError`] if it is no array of at most [`EVENTS_MAX`] values; bad events are answered one by one.
pub fn check_body(source: &str, body: &[u8]) -> Result<Vec<Incoming>, BodyError> {
    let events: Capped<'_> = serde_json::from_slice(body).map_err(|error| {
        if error.is_data() && error.to_string().starts_with(TOO_MANY) {
            BodyError::TooMany
        } else {
            BodyError::NoArray { line: error.line(), column: error.column() }
        }
    })?;
    Ok(events.0.into_iter().map(|raw| incoming(source, raw)).collect())
}

/// Checks one event that came alone.
#[must_use]
pub fn check_one(source: &str, event: &[u8]) -> Incoming {
    match serde_json::from_slice::<&RawValue>(event) {
        Ok(raw) => incoming(source, raw),
        Err(error) => Incoming::Bad(Refusal { id: None, number: None, problem: what_is_wrong("the event", &error) }),
    }
}

/// Whether `source` is a trailer's: `urn:pintle:trailer:<id>`.
#[must_use]
pub fn is_source(source: &str) -> bool {
    source.strip_prefix("urn:pintle:trailer:").is_some_and(|name| TrailerId::new(name).is_ok())
}

/// Whether `text` is a UUID in lower case, the one form that ids and generations have.
#[must_use]
pub fn is_uuid(text: &str) -> bool {
    EventId::parse(text).is_some_and(|id| id.to_string() == text)
}

const TOO_MANY: &str = "too many events";

/// The values of a JSON array, not looked into yet, at most [`EVENTS_MAX`].
struct Capped<'a>(Vec<&'a RawValue>);

impl<'de: 'a, 'a> Deserialize<'de> for Capped<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Values;
        impl<'de> Visitor<'de> for Values {
            type Value = Vec<&'de RawValue>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an array of events")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                let mut values = Vec::new();
                while let Some(value) = seq.next_element()? {
                    if values.len() == EVENTS_MAX {
                        return Err(serde::de::Error::custom(TOO_MANY));
                    }
                    values.push(value);
                }
                Ok(values)
            }
        }
        deserializer.deserialize_seq(Values).map(Capped)
    }
}

/// What of a refused event a receipt and the account need. Duplicate keys make it fail, as they should.
#[derive(Deserialize)]
struct Named {
    id: String,
}

fn incoming(source: &str, raw: &RawValue) -> Incoming {
    if raw.get().len() <= STATE_BYTES_MAX && raw.get().contains(upstream::EVENT_TYPE) && upstream::is_one(raw.get()) {
        return match upstream::parse(source, raw.get()) {
            Ok(came) => Incoming::State(came),
            Err((id, problem)) => Incoming::Bad(Refusal { id, number: None, problem }),
        };
    }
    match event(source, raw.get()) {
        Ok(event) => Incoming::Good(Box::new(event)),
        Err((number, problem)) => {
            let named: Option<Named> = serde_json::from_str(raw.get()).ok();
            let id = named.map(|named| named.id).filter(|id| id.len() <= ID_ECHO_MAX);
            Incoming::Bad(Refusal { id, number, problem })
        }
    }
}

/// A problem, and the number of the event if it could be read.
type Refused = (Option<(String, u64)>, String);

fn event(source: &str, text: &str) -> Result<Event, Refused> {
    if DEPTH_MAX + 1 < depth(text) {
        return Err((None, format!("the event is nested deeper than {DEPTH_MAX} levels")));
    }
    let body: EventBody = serde_json::from_str(text).map_err(|error| (None, what_is_wrong("the event", &error)))?;
    let number = parse_sequence(&body.sequence).filter(|n| 1 <= *n && i64::try_from(*n).is_ok());
    let number = number.filter(|_| is_uuid(&body.generation)).map(|n| (body.generation.clone(), n));
    let bad = |problem: &str| (number.clone(), problem.to_owned());
    if body.specversion != SPEC_VERSION {
        return Err(bad("specversion must be \"1.0\""));
    }
    if !is_uuid(&body.id) {
        return Err(bad("id must be a UUID in lower case"));
    }
    if body.source != source {
        return Err(bad("source must be the one that the header Pintle-Source names"));
    }
    if body.datacontenttype != DATA_CONTENT_TYPE {
        return Err(bad("datacontenttype must be \"application/json\""));
    }
    let Some((generation, sequence)) = number.clone() else {
        return Err(bad("sequence must be 20 decimal digits from 1 on, and generation a UUID in lower case"));
    };
    let salt = body.salt.as_deref().map(parse_salt);
    if salt == Some(None) {
        return Err(bad("salt must be 32 hexadecimal digits in lower case"));
    }
    let salt = salt.flatten();
    if Utc::parse_rfc3339(&body.time).is_none() {
        return Err(bad("time must be RFC 3339 with an offset"));
    }
    let Some(kind) = kind_of(&body.event_type) else {
        return Err(bad("type is none that this receiver knows; a newer receiver may know it"));
    };
    let told = |problem: String| (number.clone(), problem);
    let content = content(kind, &body).map_err(told)?;
    if content.digest.as_ref().is_some_and(|digest| digest.generation != generation) {
        return Err(bad("data.generation of a digest must be its own"));
    }
    if let Some(entry) = &content.ledger {
        entry.check_reach(&generation, sequence).map_err(bad)?;
    }
    Ok(Event {
        content_hash: hash(kind, content.what.as_deref().unwrap_or(body.data.get())),
        sent_at: None,
        late_told_s: content.late_s,
        hit: content.hit,
        stamp: content.stamp,
        images: content.images,
        sealed: content.sealed,
        ledger: content.ledger,
        digest: content.digest,
        leaf: salt.map(|salt| (salt, proof::leaf(&salt, text.as_bytes()))),
        id: body.id,
        kind,
        generation,
        sequence,
        time: body.time,
        data: Box::<str>::from(body.data).into_string(),
    })
}

/// Says what a parser found without quoting what it read: only the names of our own fields may pass.
pub(super) fn what_is_wrong(what: &str, error: &serde_json::Error) -> String {
    let text = error.to_string();
    let field = ["missing field `", "duplicate field `"]
        .iter()
        .find_map(|kind| text.strip_prefix(kind).map(|rest| (*kind, rest)))
        .and_then(|(kind, rest)| rest.split_once('`').map(|(name, _)| format!("{kind}{name}`")));
    match field {
        Some(field) => format!("{what}: {field}"),
        None if error.is_data() => format!(
            "{what}: a value has another type than the contract says (line {}, column {})",
            error.line(),
            error.column()
        ),
        None => format!("{what} is not JSON (line {}, column {})", error.line(), error.column()),
    }
}

fn hash(kind: EventKind, content: &str) -> [u8; 32] {
    let mut hasher = digest::Context::new(&digest::SHA256);
    hasher.update(kind.event_type().as_bytes());
    hasher.update(b"\n");
    hasher.update(content.as_bytes());
    let mut out = [0; 32];
    out.copy_from_slice(hasher.finish().as_ref());
    out
}

/// Deepest nesting of arrays and objects in a JSON text.
fn depth(text: &str) -> usize {
    let (mut now, mut deepest, mut in_string, mut escaped) = (0_usize, 0, false, false);
    for c in text.bytes() {
        match c {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            b'[' | b'{' if !in_string => {
                now += 1;
                deepest = deepest.max(now);
            }
            b']' | b'}' if !in_string => now = now.saturating_sub(1),
            _ => {}
        }
    }
    deepest
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    const SOURCE: &str = "urn:pintle:trailer:heron-3";

    fn read_event() -> Value {
        json!({
            "specversion": "1.0", "id": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f", "source": SOURCE,
            "type": "pintle.read.v1", "time": "2026-11-25T12:00:00.000Z", "datacontenttype": "application/json",
            "dataschema": "urn:pintle:schema:read.v1", "sequence": "00000000000000000007",
            "generation": "0190a000-0000-7000-8000-000000000001",
            "data": {
                "read": {"camera": "north", "captured_at": "2026-11-25T12:00:00Z", "plate": "SECRET9", "plate_state": "read"},
                "place": {"lat": 44.5, "lon": -30.0, "radius95_m": 4.0, "site": 3, "spot": "site", "state": "certain",
                    "line": "Quernstone Road", "line_state": "confirmed"},
                "clock": {"trust": "gps"}, "stamp_revision": 1,
            },
        })
    }

    fn check(event: &Value) -> Incoming {
        let body = serde_json::to_vec(&json!([event])).unwrap();
        check_body(SOURCE, &body).unwrap().remove(0)
    }

    fn changed(path: &str, value: Value) -> Value {
        let mut event = read_event();
        *event.pointer_mut(path).unwrap() = value;
        event
    }

    fn problem(event: &Value) -> String {
        match check(event) {
            Incoming::Bad(refusal) => refusal.problem,
            Incoming::Good(_) | Incoming::State(_) => panic!("taken: {event}"),
        }
    }

    #[test]
    fn a_good_read_is_taken_with_its_stamp() {
        let Incoming::Good(event) = check(&read_event()) else { panic!("refused") };
        assert_eq!((event.sequence, event.hit, event.kind), (7, false, EventKind::Read));
        let stamp = event.stamp.unwrap();
        assert_eq!((stamp.read_id, stamp.revision), (event.id, 1));
    }

    #[test]
    fn what_lay_at_a_broker_or_on_a_stick_is_as_late_as_it_is_when_it_comes() {
        let Incoming::Good(mut event) = check(&read_event()) else { panic!("refused") };
        let captured = Utc::parse_rfc3339("2026-11-25T12:00:00Z").unwrap();
        let after = |s: i64| captured.plus_ms(s * 1000);
        for (told, came, late_s) in [
            (None, after(60), None),
            (None, after(90_000), Some(90_000)),
            (Some(after(7200)), after(90_000), Some(90_000)),
            // The receiver's clock is behind: what the trailer said itself is the least.
            (Some(after(7200)), after(30), Some(7200)),
            (None, after(-30), None),
        ] {
            event.came_by_a_store(told, came);
            assert_eq!(event.late_s(), late_s, "{told:?} {came:?}");
        }
    }

    #[test]
    fn a_bad_event_is_told_what_is_wrong_and_never_quoted() {
        let cases = [
            ("/specversion", json!("0.3"), "specversion must be \"1.0\""),
            ("/id", json!("SECRET9"), "id must be a UUID in lower case"),
            ("/id", json!("017F22E2-79B0-7CC3-98C4-DC0C0C07398F"), "id must be a UUID in lower case"),
            (
                "/source",
                json!("urn:pintle:trailer:SECRET9"),
                "source must be the one that the header Pintle-Source names",
            ),
            (
                "/sequence",
                json!("7"),
                "sequence must be 20 decimal digits from 1 on, and generation a UUID in lower case",
            ),
            (
                "/sequence",
                json!("00000000000000000000"),
                "sequence must be 20 decimal digits from 1 on, and generation a UUID in lower case",
            ),
            (
                "/sequence",
                json!("18446744073709551615"),
                "sequence must be 20 decimal digits from 1 on, and generation a UUID in lower case",
            ),
            ("/time", json!("SECRET9"), "time must be RFC 3339 with an offset"),
            ("/type", json!("SECRET9"), "type is none that this receiver knows; a newer receiver may know it"),
            ("/data/place/spot", json!("SECRET9"), "data.place.spot must be site, underway or unknown"),
            ("/data/place/lat", json!(444.5), "data.place needs lat -90 to 90 and lon -180 to 180, or neither"),
            ("/data/stamp_revision", json!(0), "data.stamp_revision counts from 1"),
            ("/data/read/captured_at", json!("SECRET9"), "data.read.captured_at must be RFC 3339 with an offset"),
        ];
        for (path, value, wanted) in cases {
            assert_eq!(problem(&changed(path, value)), wanted, "{path}");
        }
        for (path, value) in [
            ("/data/stamp_revision", json!("SECRET9")),
            ("/data/place", json!({"SECRET9": 1})),
            ("/data/read", json!("SECRET9")),
            ("/data", json!(["SECRET9"])),
            ("/sequence", json!({"SECRET9": "SECRET9"})),
        ] {
            let told = problem(&changed(path, value));
            assert!(!told.contains("SECRET9") && !told.is_empty(), "{told}");
        }
    }

    #[test]
    fn a_hit_without_its_caution_is_refused() {
        let mut event = read_event();
        event["data"]["read"]["hit"] = json!({"list": "demo", "list_time": "2026-11-25T00:00:00Z", "entry": "1"});
        assert!(problem(&event).starts_with("data.caution is missing"));
        event["data"]["caution"] = json!("Compare.");
        let Incoming::Good(event) = check(&event) else { panic!("refused") };
        assert!(event.hit);
    }

    #[test]
    fn the_stamp_beside_a_read_is_no_part_of_its_content() {
        let hash_of = |event: &Value| match check(event) {
            Incoming::Good(event) => event.content_hash,
            Incoming::Bad(refusal) => panic!("{}", refusal.problem),
            Incoming::State(_) => panic!("a state"),
        };
        let first = hash_of(&read_event());
        assert_eq!(first, hash_of(&changed("/data/place/line", json!("Brackwater Lane"))));
        assert_eq!(first, hash_of(&changed("/data/stamp_revision", json!(2))));
        assert_eq!(first, hash_of(&changed("/sequence", json!("00000000000000000009"))));
        assert_ne!(first, hash_of(&changed("/data/read/plate", json!("SECRET8"))));
    }

    #[test]
    fn a_read_that_names_its_plate_twice_is_refused() {
        let text = serde_json::to_string(&read_event()).unwrap();
        let twice = text.replace(r#""plate":"SECRET9""#, r#""plate":"SECRET9","plate":"SECRET8""#);
        assert_ne!(text, twice);
        let body = format!("[{twice}]");
        let Incoming::Bad(refusal) = check_body(SOURCE, body.as_bytes()).unwrap().remove(0) else { panic!("taken") };
        assert_eq!(refusal.problem, "data.read: duplicate field `plate`");
    }

    #[test]
    fn what_is_no_array_of_events_is_told_by_place() {
        for body in ["", "{}", "<html>", "[", "[1,]", "\u{feff}[]"] {
            assert!(matches!(check_body(SOURCE, body.as_bytes()), Err(BodyError::NoArray { .. })), "{body}");
        }
        assert!(matches!(check_body(SOURCE, b"[\"\xff\"]"), Err(BodyError::NoArray { .. })));
        let many = format!("[{}0]", "0,".repeat(EVENTS_MAX));
        assert_eq!(check_body(SOURCE, many.as_bytes()).err(), Some(BodyError::TooMany));
    }

    #[test]
    fn deep_nesting_is_refused_without_following_it() {
        let deep = format!("{}{}", "[".repeat(200_000), "]".repeat(200_000));
        let Incoming::Bad(refusal) = check_body(SOURCE, format!("[{deep}]").as_bytes()).unwrap().remove(0) else {
            panic!("taken")
        };
        assert_eq!(refusal.problem, "the event is nested deeper than 32 levels");
        assert_eq!(depth(r#"{"a":"[[[\"[","b":[{}]}"#), 3);
    }
}
