//! What the receiver needs of an event's data, kind by kind.
//!
//! The contract says that version 1 may gain optional fields and that a reader ignores those that it does not know: so
//! nothing here refuses a field. All of `data` is kept byte for byte.

use super::blocks::{self, Digest};
use super::check::{is_uuid, what_is_wrong};
use super::images::{ANNOUNCED_MAX, BYTES_MAX};
use super::ledger::{self, Entry};
use crate::seal::SealedRead;
use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::images::{Address, Media};
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::event::EventBody;
use pintle_core::wire::images::{ImageBody, PICTURE, THUMBNAIL};
use pintle_core::wire::stamp::{ClockBody, PlaceBody};
use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use serde_json::value::RawValue;

/// One stamp on its way into the database.
pub struct StampRow {
    /// Which read.
    pub read_id: String,
    /// 1 for the first, rising.
    pub revision: u32,
    /// Where.
    pub place: PlaceBody,
    /// When, and how sure.
    pub clock: ClockBody,
}

/// What of an event's data is more than text to keep.
#[derive(Default)]
pub(super) struct Content {
    /// The text that a repeat must have too; `None`: the whole data.
    pub(super) what: Option<String>,
    /// True for a read with a hit.
    pub(super) hit: bool,
    /// How late a read says that it was when it was sent first, s.
    pub(super) late_s: Option<i64>,
    /// The stamp that it carries.
    pub(super) stamp: Option<StampRow>,
    /// The files that it announces.
    pub(super) images: Vec<ImageBody>,
    /// The sealed read, if it is one.
    pub(super) sealed: Option<SealedRead>,
    /// What it says of numbers, ledger events only.
    pub(super) ledger: Option<Entry>,
    /// What it tells of blocks, digest events only.
    pub(super) digest: Option<Digest>,
}

/// `data` of a read.
#[derive(Deserialize)]
struct ReadSeen {
    read: Option<Box<RawValue>>,
    sealed: Option<SealedRead>,
    #[serde(with = "PlaceSeen")]
    place: PlaceBody,
    #[serde(with = "ClockSeen")]
    clock: ClockBody,
    stamp_revision: u32,
    #[serde(default)]
    late_s: Option<i64>,
    caution: Option<String>,
    #[serde(default)]
    images: Vec<ImageBody>,
}

/// The fields of a read itself that must be there, or must not be there twice.
#[derive(Deserialize)]
struct EngineSeen {
    id: Option<String>,
    camera: String,
    captured_at: String,
    #[serde(rename = "plate")]
    _plate: Option<IgnoredAny>,
    plate_state: String,
    hit: Option<IgnoredAny>,
}

#[derive(Deserialize)]
struct StampSeen {
    read_id: String,
    stamp_revision: u32,
    #[serde(with = "PlaceSeen")]
    place: PlaceBody,
    #[serde(with = "ClockSeen")]
    clock: ClockBody,
}

/// [`PlaceBody`] without its refusal of unknown fields; the compiler keeps the two in step.
#[derive(Deserialize)]
#[serde(remote = "PlaceBody")]
struct PlaceSeen {
    #[serde(default)]
    lat: Option<f64>,
    #[serde(default)]
    lon: Option<f64>,
    #[serde(default)]
    radius95_m: Option<f64>,
    #[serde(default)]
    site: Option<u64>,
    spot: String,
    state: String,
    #[serde(default)]
    fix_age_s: Option<f64>,
    line: String,
    line_state: String,
}

/// [`ClockBody`] likewise.
#[derive(Deserialize)]
#[serde(remote = "ClockBody")]
struct ClockSeen {
    trust: String,
    #[serde(default)]
    captured_at_corrected: Option<String>,
    #[serde(default)]
    error_ms: Option<u64>,
    #[serde(default)]
    offset_ms: Option<i64>,
    #[serde(default)]
    capture_far_s: Option<i64>,
}

#[derive(Deserialize)]
struct SiteSeen {
    site: u64,
    what: String,
    lat: f64,
    lon: f64,
    radius95_m: f64,
    arrived: String,
    left: Option<String>,
    #[serde(rename = "reason")]
    _reason: String,
}

#[derive(Deserialize)]
struct TrackSeen {
    at: String,
    lat: f64,
    lon: f64,
    radius95_m: f64,
    #[serde(rename = "announced")]
    _announced: bool,
}

#[derive(Deserialize)]
struct NoticeSeen {
    #[serde(rename = "kind")]
    _kind: String,
    #[serde(rename = "urgent")]
    _urgent: bool,
    #[serde(rename = "test")]
    _test: bool,
    at: String,
    text: String,
    lat: Option<f64>,
    lon: Option<f64>,
}

/// Looks into `data` as its kind demands.
///
/// # Errors
/// What is wrong, one sentence without any value of the event.
pub(super) fn content(kind: EventKind, body: &EventBody) -> Result<Content, String> {
    let data = body.data.get();
    if !data.starts_with('{') {
        return Err("data must be an object".to_owned());
    }
    match kind {
        EventKind::Read => read(&body.id, data),
        EventKind::Stamp => {
            let seen: StampSeen = parsed("data of a stamp", data)?;
            let stamp =
                StampRow { read_id: seen.read_id, revision: seen.stamp_revision, place: seen.place, clock: seen.clock };
            check_stamp(&stamp)?;
            Ok(Content { stamp: Some(stamp), ..Content::default() })
        }
        EventKind::Digest => Ok(Content { digest: Some(blocks::digest(data)?), ..Content::default() }),
        EventKind::Ledger => Ok(Content { ledger: Some(ledger::entry(data)?), ..Content::default() }),
        EventKind::Site => {
            let seen: SiteSeen = parsed("data of a site", data)?;
            let left = seen.what != "left" || seen.left.is_some();
            all_good([
                (1 <= seen.site, "data.site counts from 1"),
                (one_of(&seen.what, &["found", "refined", "left"]), "data.what must be found, refined or left"),
                (left, "data.left is missing: a site that was left says when"),
                (is_position(Some(seen.lat), Some(seen.lon)), "data needs lat -90 to 90 and lon -180 to 180"),
                (0.0 <= seen.radius95_m, "data.radius95_m can't be negative"),
                (is_time(&seen.arrived), "data.arrived must be RFC 3339 with an offset"),
                (seen.left.as_deref().is_none_or(is_time), "data.left must be RFC 3339 with an offset"),
            ])
        }
        EventKind::Track => {
            let seen: TrackSeen = parsed("data of a track point", data)?;
            all_good([
                (is_time(&seen.at), "data.at must be RFC 3339 with an offset"),
                (is_position(Some(seen.lat), Some(seen.lon)), "data needs lat -90 to 90 and lon -180 to 180"),
                (0.0 <= seen.radius95_m, "data.radius95_m can't be negative"),
            ])
        }
        EventKind::Notice => {
            let seen: NoticeSeen = parsed("data of a notice", data)?;
            all_good([
                (is_time(&seen.at), "data.at must be RFC 3339 with an offset"),
                (!seen.text.is_empty(), "data.text is empty"),
                (is_position(seen.lat, seen.lon), "data needs lat -90 to 90 and lon -180 to 180, or neither"),
            ])
        }
    }
}

fn read(id: &str, data: &str) -> Result<Content, String> {
    let seen: ReadSeen = parsed("data of a read", data)?;
    let raw = match (seen.read, seen.sealed) {
        (Some(read), None) => read,
        (None, Some(sealed)) => {
            let stamp = StampRow {
                read_id: id.to_owned(),
                revision: seen.stamp_revision,
                place: seen.place,
                clock: seen.clock,
            };
            let warned = seen.caution.is_some_and(|caution| !caution.is_empty());
            return Ok(Content { late_s: seen.late_s, ..sealed_read(sealed, stamp, warned)? });
        }
        (Some(_), Some(_)) => return Err("data has both read and sealed".to_owned()),
        (None, None) => return Err("data of a read: missing field `read`".to_owned()),
    };
    let read: EngineSeen = parsed("data.read", raw.get())?;
    let hit = read.hit.is_some();
    let warned = !hit || seen.caution.as_deref().is_some_and(|caution| !caution.is_empty());
    let own =
        read.id.as_deref().is_none_or(|own| EventId::parse(own).is_some_and(|own| EventId::parse(id) == Some(own)));
    all_good([
        (CameraId::new(&read.camera).is_ok(), "data.read.camera must be 1 to 32 of a-z, 0-9 and -"),
        (own, "data.read.id is not the id of the event"),
        (is_time(&read.captured_at), "data.read.captured_at must be RFC 3339 with an offset"),
        (
            one_of(&read.plate_state, &["read", "partial", "unread"]),
            "data.read.plate_state must be read, partial or unread",
        ),
        (
            good_images(&seen.images),
            "data.images must be at most 8 files, each with role, kind, sha256, bytes, media_type",
        ),
        (warned, "data.caution is missing: a hit must tell what to compare before acting"),
    ])?;
    let stamp =
        StampRow { read_id: id.to_owned(), revision: seen.stamp_revision, place: seen.place, clock: seen.clock };
    check_stamp(&stamp)?;
    Ok(Content {
        what: Some(Box::<str>::from(raw).into_string()),
        hit,
        late_s: seen.late_s,
        stamp: Some(stamp),
        images: seen.images,
        ..Content::default()
    })
}

fn good_images(images: &[ImageBody]) -> bool {
    images.len() <= ANNOUNCED_MAX
        && images.iter().all(|image| {
            Address::parse(&image.sha256).is_some()
                && (1..=BYTES_MAX).contains(&image.bytes)
                && one_of(&image.role, &["plate", "overview"])
                && one_of(&image.kind, &[PICTURE, THUMBNAIL])
                && Media::of(&image.media_type).is_some()
        })
}

/// A read that only the holder of a private key can open. Its content is the sealed bytes: they stay the same however
/// often it is sent.
fn sealed_read(sealed: SealedRead, stamp: StampRow, warned: bool) -> Result<Content, String> {
    let hit = sealed.class == "hit";
    all_good([
        (sealed.v == 1, "data.sealed.v is a version that this receiver does not know; it knows 1"),
        (one_of(&sealed.class, &["hit", "other"]), "data.sealed.class must be hit or other"),
        (CameraId::new(&sealed.camera).is_ok(), "data.sealed.camera must be 1 to 32 of a-z, 0-9 and -"),
        (!sealed.body.is_empty(), "data.sealed.body is empty"),
        (warned || !hit, "data.caution is missing: a hit must tell what to compare before acting"),
    ])?;
    check_stamp(&stamp)?;
    Ok(Content { what: Some(sealed.body.clone()), hit, stamp: Some(stamp), sealed: Some(sealed), ..Content::default() })
}

/// What is wrong with the data of a read that was just opened.
pub(super) fn check_opened(id: &str, data: &str, hit: bool) -> Result<(), String> {
    let content = read(id, data)?;
    if content.hit == hit { Ok(()) } else { Err("data.sealed.class is not that of the read in it".to_owned()) }
}

fn check_stamp(stamp: &StampRow) -> Result<Content, String> {
    let (place, clock) = (&stamp.place, &stamp.clock);
    all_good([
        (is_uuid(&stamp.read_id), "data.read_id must be a UUID in lower case"),
        (1 <= stamp.revision, "data.stamp_revision counts from 1"),
        (is_position(place.lat, place.lon), "data.place needs lat -90 to 90 and lon -180 to 180, or neither"),
        (place.lat.is_none() || place.radius95_m.is_some(), "data.place.radius95_m is missing beside a position"),
        (place.radius95_m.is_none_or(|m| 0.0 <= m), "data.place.radius95_m can't be negative"),
        (place.fix_age_s.is_none_or(|s| 0.0 <= s), "data.place.fix_age_s can't be negative"),
        (one_of(&place.spot, &["site", "underway", "unknown"]), "data.place.spot must be site, underway or unknown"),
        (one_of(&place.state, &["certain", "doubtful", "none"]), "data.place.state must be certain, doubtful or none"),
        (
            one_of(&place.line_state, &["confirmed", "unconfirmed", "missing"]),
            "data.place.line_state must be confirmed, unconfirmed or missing",
        ),
        (
            place.site.is_none_or(|site| 1 <= site && i64::try_from(site).is_ok()),
            "data.place.site counts from 1, and is not that large",
        ),
        (
            one_of(&clock.trust, &["gps", "network", "holdover", "unset"]),
            "data.clock.trust must be gps, network, holdover or unset",
        ),
        (
            clock.captured_at_corrected.as_deref().is_none_or(is_time),
            "data.clock.captured_at_corrected must be RFC 3339 with an offset",
        ),
        (clock.error_ms.is_none_or(|ms| i64::try_from(ms).is_ok()), "data.clock.error_ms is too large"),
    ])
}

fn parsed<T: DeserializeOwned>(what: &str, text: &str) -> Result<T, String> {
    serde_json::from_str(text).map_err(|error| what_is_wrong(what, &error))
}

/// The first problem whose condition does not hold, or nothing to add.
fn all_good<const N: usize>(conditions: [(bool, &str); N]) -> Result<Content, String> {
    match conditions.into_iter().find(|(good, _)| !good) {
        Some((_, problem)) => Err(problem.to_owned()),
        None => Ok(Content::default()),
    }
}

fn one_of(word: &str, words: &[&str]) -> bool {
    words.contains(&word)
}

fn is_time(text: &str) -> bool {
    Utc::parse_rfc3339(text).is_some()
}

fn is_position(lat: Option<f64>, lon: Option<f64>) -> bool {
    match (lat, lon) {
        (Some(lat), Some(lon)) => LatLon::new(lat, lon).is_some(),
        (None, None) => true,
        _ => false,
    }
}
