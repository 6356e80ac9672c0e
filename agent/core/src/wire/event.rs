//! Events as they go out: `CloudEvents` 1.0 in JSON, many in one batch.
//!
//! Source: `CloudEvents` specification 1.0.2, JSON event format (section 3: the batch is a JSON array, its media type
//! `application/cloudevents-batch+json`) and the `sequence` extension. (`source`, `id`) is the duplicate key.

use super::read_out::{ReadOut, SealedOut};
use super::stamp::StampBody;
use crate::ids::EventId;
use crate::moment::Utc;
use crate::queue::EventKind;
use crate::queue::blocks::{SALT_BYTES, from_hex, to_hex};
use crate::seal::hour;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Version of the envelope.
pub const SPEC_VERSION: &str = "1.0";
/// Media type of every `data`.
pub const DATA_CONTENT_TYPE: &str = "application/json";
/// Media type of a request body.
pub const BATCH_CONTENT_TYPE: &str = "application/cloudevents-batch+json";

/// Header: names one request, an RFC 8941 string, so in double quotes. A receipt answers with the same name.
pub const HEADER_IDEMPOTENCY_KEY: &str = "idempotency-key";
/// Header: RFC 9530 digest of the body, `sha-256=:<base64>:`.
pub const HEADER_CONTENT_DIGEST: &str = "content-digest";
/// Header: `source` of the trailer that sends the batch.
pub const HEADER_SOURCE: &str = "pintle-source";
/// Header: the generation that [`HEADER_ACCEPTED_UP_TO`] counts in.
pub const HEADER_GENERATION: &str = "pintle-generation";
/// Header: highest sequence that the trailer has given out in its generation, decimal.
pub const HEADER_ACCEPTED_UP_TO: &str = "pintle-accepted-up-to";

/// Header: the batch holds copies of urgent events whose first receiver fails or is late; its only value is `true`. The
/// receiver that gets it judges no completeness by it: the first one gets the same events, byte for byte, later.
pub const HEADER_RELAYED: &str = "pintle-relayed";

/// Header: when these bytes were sent now, by the trailer's clock, RFC 3339; left out where nothing is late. The bytes
/// of an event are fixed when it is sent first, so its age can't stand in them.
pub const HEADER_SENT_AT: &str = "pintle-sent-at";

/// Header of an answer: the highest sequence of that generation that the receiver had heard of before the request,
/// decimal.
pub const HEADER_KNOWN_UP_TO: &str = "pintle-known-up-to";

/// One event, as written and as read back. `data` is kept byte for byte.
#[derive(Serialize, Deserialize)]
pub struct EventBody {
    /// [`SPEC_VERSION`].
    pub specversion: String,
    /// RFC 9562 UUID, lower case; with `source` the duplicate key.
    pub id: String,
    /// `urn:pintle:trailer:<id>`.
    pub source: String,
    /// [`EventKind::event_type`].
    #[serde(rename = "type")]
    pub event_type: String,
    /// Capture time of a read, else when it happened: RFC 3339, UTC.
    pub time: String,
    /// [`DATA_CONTENT_TYPE`].
    pub datacontenttype: String,
    /// [`data_schema`] of the kind.
    pub dataschema: String,
    /// 20 decimal digits, so that order of text is order of number. See [`sequence_text`].
    pub sequence: String,
    /// Generation of the queue that gave out the sequence: UUID.
    pub generation: String,
    /// 16 random bytes, 32 hexadecimal digits: what the event's leaf is salted with (see [`crate::queue::blocks`]).
    /// Absent from senders that keep no blocks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub salt: Option<String>,
    /// What the event tells.
    pub data: Box<RawValue>,
}

/// Everything that goes into one event. It has no `Debug`: the body holds plates.
#[derive(Clone, Copy)]
pub struct EventParts<'a> {
    /// `source` of the trailer.
    pub source: &'a str,
    /// Generation of the queue.
    pub generation: &'a str,
    /// Number in that generation.
    pub sequence: u64,
    /// Duplicate key.
    pub id: EventId,
    /// What it tells.
    pub kind: EventKind,
    /// Capture time of a read, else when it happened.
    pub happened_at: Utc,
    /// When it was sent first: the bytes of an event are fixed from then on.
    pub sent_at: Utc,
    /// Its random bytes; `None`: it counts in no block.
    pub salt: Option<&'a [u8; SALT_BYTES]>,
    /// JSON as accepted.
    pub body: &'a [u8],
    /// JSON of the newest stamp, reads only.
    pub stamp: Option<&'a [u8]>,
    /// True for reads with a hit.
    pub hit: bool,
    /// JSON array of the files that belong to it, reads only (see [`super::images::ImageBody`]).
    pub images: Option<&'a [u8]>,
    /// True if `body` is the object that stands for a sealed read.
    pub sealed: bool,
}

/// Why an event can't be written. It never quotes the body.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EventError {
    /// The stored body is not JSON.
    #[error("the stored body of event {id} is not JSON (line {line}, column {column})")]
    Body {
        /// Which event.
        id: EventId,
        /// Where it stops being JSON.
        line: usize,
        /// Where it stops being JSON.
        column: usize,
    },
    /// A read without a stamp, or with one that this program can't read.
    #[error("the stored stamp of event {id} can't be read")]
    Stamp {
        /// Which event.
        id: EventId,
    },
}

impl EventError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        "the event was set aside and blocks no other; keep the queue file and report it as a fault of this program"
    }
}

/// URI of the JSON Schema of a kind's `data`; the schemas are in `docs/schema/`, with the same `$id`.
#[must_use]
pub fn data_schema(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Read => "urn:pintle:schema:read.v1",
        EventKind::Stamp => "urn:pintle:schema:stamp.v1",
        EventKind::Site => "urn:pintle:schema:site.v1",
        EventKind::Track => "urn:pintle:schema:track.v1",
        EventKind::Notice => "urn:pintle:schema:notice.v1",
        EventKind::Ledger => "urn:pintle:schema:ledger.v1",
        EventKind::Digest => "urn:pintle:schema:digest.v1",
    }
}

/// Reads the salt of an event; `None` if it is not 32 hexadecimal digits in lower case.
#[must_use]
pub fn parse_salt(text: &str) -> Option<[u8; SALT_BYTES]> {
    from_hex(text)
}

/// The kind of a `CloudEvents` type; `None` if this version does not know it.
#[must_use]
pub fn kind_of(event_type: &str) -> Option<EventKind> {
    EventKind::ALL.into_iter().find(|kind| kind.event_type() == event_type)
}

/// A sequence as 20 decimal digits (all of `u64` fits).
#[must_use]
pub fn sequence_text(sequence: u64) -> String {
    format!("{sequence:020}")
}

/// Reads [`sequence_text`]; `None` if it is not exactly that.
#[must_use]
pub fn parse_sequence(text: &str) -> Option<u64> {
    (text.len() == 20 && text.bytes().all(|c| c.is_ascii_digit())).then(|| text.parse().ok()).flatten()
}

/// Writes one event as JSON.
///
/// # Errors
/// [`EventError`] if what the queue holds is damaged: the event can never be sent.
pub fn encode(parts: &EventParts<'_>) -> Result<Vec<u8>, EventError> {
    let data = match parts.kind {
        EventKind::Read => read_data(parts)?,
        _ => raw(parts.id, parts.body)?,
    };
    let event = EventBody {
        specversion: SPEC_VERSION.to_owned(),
        id: parts.id.to_string(),
        source: parts.source.to_owned(),
        event_type: parts.kind.event_type().to_owned(),
        // Beside a sealed read only the hour stands in clear.
        time: if parts.sealed { hour(parts.happened_at) } else { parts.happened_at }.to_rfc3339(),
        datacontenttype: DATA_CONTENT_TYPE.to_owned(),
        dataschema: data_schema(parts.kind).to_owned(),
        sequence: sequence_text(parts.sequence),
        generation: parts.generation.to_owned(),
        salt: parts.salt.map(|salt| to_hex(salt)),
        data,
    };
    serde_json::to_vec(&event).map_err(|error| bad_body(parts.id, &error))
}

/// Joins written events to the body of one request.
#[must_use]
pub fn batch<T: AsRef<[u8]>>(events: &[T]) -> Vec<u8> {
    let mut out = Vec::with_capacity(events.iter().map(|event| event.as_ref().len() + 1).sum::<usize>() + 2);
    out.push(b'[');
    for (at, event) in events.iter().enumerate() {
        if 0 < at {
            out.push(b',');
        }
        out.extend_from_slice(event.as_ref());
    }
    out.push(b']');
    out
}

fn read_data(parts: &EventParts<'_>) -> Result<Box<RawValue>, EventError> {
    let stamp: StampBody =
        parts.stamp.and_then(|stamp| serde_json::from_slice(stamp).ok()).ok_or(EventError::Stamp { id: parts.id })?;
    let read = raw(parts.id, parts.body)?;
    // A list that can't be read costs the announcement, never the read.
    let images = parts.images.and_then(|images| serde_json::from_slice(images).ok()).unwrap_or_default();
    let out = ReadOut::new(read, stamp, parts.hit, (parts.happened_at, parts.sent_at), images);
    if parts.sealed {
        return serde_json::value::to_raw_value(&SealedOut::from(out)).map_err(|error| bad_body(parts.id, &error));
    }
    serde_json::value::to_raw_value(&out).map_err(|error| bad_body(parts.id, &error))
}

fn raw(id: EventId, body: &[u8]) -> Result<Box<RawValue>, EventError> {
    serde_json::from_slice(body).map_err(|error| bad_body(id, &error))
}

fn bad_body(id: EventId, error: &serde_json::Error) -> EventError {
    EventError::Body { id, line: error.line(), column: error.column() }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use serde_json::Value;

    const STAMP: &str = r#"{"stamp_revision":1,"place":{"lat":44.5,"lon":-30.0,"radius95_m":4.0,"site":3,
        "spot":"site","state":"certain","line":"Quernstone Road","line_state":"confirmed"},"clock":{"trust":"gps"}}"#;

    const PINNED: &str = concat!(
        r#"{"specversion":"1.0","id":"07070707-0707-0707-0707-070707070707","source":"urn:pintle:trailer:heron-3","#,
        r#""type":"pintle.read.v1","time":"2027-01-15T08:00:00.000Z","datacontenttype":"application/json","#,
        r#""dataschema":"urn:pintle:schema:read.v1","sequence":"00000000000000000042","#,
        r#""generation":"017f22e2-79b0-7cc3-98c4-dc0c0c07398f","salt":"a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5","#,
        r#""data":{"read":{"plate":"Q7"},"place":{"lat":44.5,"lon":-30.0,"radius95_m":4.0,"site":3,"spot":"site","#,
        r#""state":"certain","line":"Quernstone Road","line_state":"confirmed"},"clock":{"trust":"gps"},"#,
        r#""stamp_revision":1,"caution":"A machine read this plate. Before acting, compare the plate, the issuing "#,
        r#"state and the vehicle with the picture, and check that the record still stands.","picture":"no picture"}}"#,
    );

    fn parts(kind: EventKind, body: &[u8], hit: bool) -> EventParts<'_> {
        EventParts {
            source: "urn:pintle:trailer:heron-3",
            generation: "017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
            sequence: 42,
            id: EventId([7; 16]),
            kind,
            happened_at: Utc(1_800_000_000_000),
            sent_at: Utc(1_800_000_001_000),
            salt: Some(&[0xa5; 16]),
            body,
            stamp: Some(STAMP.as_bytes()),
            hit,
            images: None,
            sealed: false,
        }
    }

    #[test]
    fn the_bytes_of_an_event_are_pinned() {
        // An event is sent again byte for byte, perhaps by a later version of this program: what changes here changes
        // leaves that were already sent, and needs a form of its own beside this one.
        let bytes = encode(&parts(EventKind::Read, br#"{"plate":"Q7"}"#, true)).unwrap();
        assert_eq!(String::from_utf8(bytes).unwrap(), PINNED);
    }

    #[test]
    fn the_read_goes_out_byte_for_byte() {
        // Neither the order of the keys, nor the number's zeros, nor the spaces may change: a repeat is compared so.
        let body = br#"{"plate" : "Q7","confidence":0.90,"a":1e2}"#;
        let text = String::from_utf8(encode(&parts(EventKind::Read, body, false)).unwrap()).unwrap();
        assert!(text.contains(r#""read":{"plate" : "Q7","confidence":0.90,"a":1e2}"#), "{text}");
        let back: EventBody = serde_json::from_str(&text).unwrap();
        assert_eq!(parse_sequence(&back.sequence), Some(42));
        assert_eq!(kind_of(&back.event_type), Some(EventKind::Read));
        let data: Value = serde_json::from_str(back.data.get()).unwrap();
        assert_eq!(data["place"]["line"], "Quernstone Road");
        assert_eq!(data["stamp_revision"], 1);
        assert_eq!(data.get("caution"), None);
        assert_eq!(data.get("late_s"), None);
    }

    #[test]
    fn every_hit_asks_to_compare_before_acting() {
        let bytes = encode(&parts(EventKind::Read, b"{}", true)).unwrap();
        let event: Value = serde_json::from_slice(&bytes).unwrap();
        let caution = event["data"]["caution"].as_str().unwrap();
        for word in ["plate", "issuing state", "vehicle", "picture", "record still stands"] {
            assert!(caution.contains(word), "{word}");
        }
        assert_eq!(event["data"]["picture"], "no picture");
        let list = br#"[{"role":"plate","kind":"picture","sha256":"a5","bytes":9,"media_type":"image/jpeg"}]"#;
        let bytes = encode(&EventParts { images: Some(list), ..parts(EventKind::Read, b"{}", true) }).unwrap();
        let event: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!((&event["data"]["picture"], &event["data"]["images"][0]["bytes"]), (&Value::Null, &9.into()));
    }

    #[test]
    fn a_late_read_says_by_how_much() {
        let mut late = parts(EventKind::Read, b"{}", false);
        late.sent_at = late.happened_at.plus_ms(3_600_900);
        let event: Value = serde_json::from_slice(&encode(&late).unwrap()).unwrap();
        assert_eq!(event["data"]["late_s"], 3600);
    }

    #[test]
    fn a_read_of_a_wrong_clock_is_as_late_as_it_is_by_its_corrected_capture_time() {
        let clock = r#""clock":{"trust":"gps","captured_at_corrected":"2027-01-15T08:00:00.000Z"}"#;
        let stamp = STAMP.replace(r#""clock":{"trust":"gps"}"#, clock);
        let late_s = |captured: &str, sent: &str, stamp: &str| {
            let mut read = parts(EventKind::Read, b"{}", true);
            read.happened_at = Utc::parse_rfc3339(captured).unwrap();
            read.sent_at = Utc::parse_rfc3339(sent).unwrap();
            read.stamp = Some(stamp.as_bytes());
            let event: Value = serde_json::from_slice(&encode(&read).unwrap()).unwrap();
            event["data"]["late_s"].clone()
        };
        // Captured in 1970, as that computer thought; the clock was set, and it was sent 20 s later.
        assert_eq!(late_s("1970-01-01T00:02:00Z", "2027-01-15T08:00:20Z", &stamp), Value::Null);
        assert_eq!(late_s("1970-01-01T00:02:00Z", "2027-01-15T09:00:00Z", &stamp), 3600);
        // A clock that was ahead hides no age.
        assert_eq!(late_s("2030-06-01T12:00:00Z", "2027-01-15T09:00:00Z", &stamp), 3600);
        assert_eq!(late_s("2027-01-15T08:00:00Z", "2027-01-15T09:00:00Z", STAMP), 3600);
    }

    #[test]
    fn other_kinds_carry_their_body_as_data() {
        let bytes = encode(&parts(EventKind::Notice, br#"{"text":"door open"}"#, false)).unwrap();
        let event: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(event["data"], serde_json::json!({"text": "door open"}));
        assert_eq!(event["dataschema"], "urn:pintle:schema:notice.v1");
    }

    #[test]
    fn damage_is_told_without_quoting_the_body() {
        let damaged = encode(&parts(EventKind::Read, br#"{"plate":"Q7""#, false)).unwrap_err();
        assert!(!damaged.to_string().contains("Q7"), "{damaged}");
        let mut unstamped = parts(EventKind::Read, b"{}", false);
        unstamped.stamp = None;
        assert_eq!(encode(&unstamped).unwrap_err(), EventError::Stamp { id: EventId([7; 16]) });
    }

    #[test]
    fn sequences_sort_as_text_as_they_sort_as_numbers() {
        let numbers = [0, 9, 10, 1_000, u64::MAX];
        let texts: Vec<String> = numbers.iter().map(|n| sequence_text(*n)).collect();
        assert!(texts.is_sorted());
        assert!(numbers.iter().zip(&texts).all(|(number, text)| parse_sequence(text) == Some(*number)));
        for bad in ["", "1", "+0000000000000000001", "99999999999999999999", "0000000000000000000a"] {
            assert_eq!(parse_sequence(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_batch_is_a_json_array() {
        assert_eq!(batch::<&[u8]>(&[]), b"[]");
        assert_eq!(batch(&[b"{}".to_vec(), b"1".to_vec()]), b"[{},1]");
    }
}
