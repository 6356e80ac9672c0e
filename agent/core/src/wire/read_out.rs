//! `data` of `pintle.read.v1`: the read as it was accepted, and beside it what this trailer says of it.

use super::images::ImageBody;
use super::stamp::{ClockBody, PlaceBody, StampBody};
use crate::moment::Utc;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// A read that is sent longer than this after its capture is marked late, seconds (our own limit: an officer acts on
/// what was seen within the last minute otherwise than on what was seen an hour ago).
pub const LATE_AFTER_S: i64 = 60;

/// Stands on every hit and can't be switched off (design: events out).
pub const CAUTION: &str = "A machine read this plate. Before acting, compare the plate, the issuing state and the vehicle \
     with the picture, and check that the record still stands.";

/// Stands on every hit without a picture.
pub const NO_PICTURE: &str = "no picture";

/// `data` of a read event. It has no `Debug`: it holds the plate.
#[derive(Serialize, Deserialize)]
pub struct ReadOut {
    /// The body as accepted, byte for byte.
    pub read: Box<RawValue>,
    /// Where it was.
    pub place: PlaceBody,
    /// How right the capture time is.
    pub clock: ClockBody,
    /// Revision of the stamp that `place` and `clock` are from.
    pub stamp_revision: u32,
    /// Seconds from capture to sending, if more than [`LATE_AFTER_S`]: between the corrected times where the host's
    /// clock was wrong at the capture, else by that clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_s: Option<i64>,
    /// [`CAUTION`], on every hit and only there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
    /// [`NO_PICTURE`], on every hit without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture: Option<String>,
    /// The files that belong to it and come by themselves; absent if there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub images: Vec<ImageBody>,
}

impl ReadOut {
    /// Joins a read with its newest stamp for sending at `sent_at`, which is true time if the stamp corrects the
    /// capture time, and else by the host's clock.
    #[must_use]
    pub fn new(
        read: Box<RawValue>,
        stamp: StampBody,
        hit: bool,
        (captured_at, sent_at): (Utc, Utc),
        images: Vec<ImageBody>,
    ) -> Self {
        let corrected = stamp.clock.captured_at_corrected.as_deref().and_then(Utc::parse_rfc3339);
        let late_s = sent_at.since_ms(corrected.unwrap_or(captured_at)) / 1000;
        Self {
            read,
            place: stamp.place,
            clock: stamp.clock,
            stamp_revision: stamp.stamp_revision,
            late_s: (LATE_AFTER_S < late_s).then_some(late_s),
            caution: hit.then(|| CAUTION.to_owned()),
            picture: (hit && images.is_empty()).then(|| NO_PICTURE.to_owned()),
            images,
        }
    }
}

/// `data` of the event of a read that only the agency can open. The members behind `sealed` are those of [`ReadOut`].
#[derive(Serialize)]
pub struct SealedOut {
    /// What stands for the read: class, camera, sealed bytes and wrapped keys.
    pub sealed: Box<RawValue>,
    /// Where it was.
    pub place: PlaceBody,
    /// How right the capture time is.
    pub clock: ClockBody,
    /// Revision of the stamp that `place` and `clock` are from.
    pub stamp_revision: u32,
    /// Seconds from capture to sending, if more than [`LATE_AFTER_S`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub late_s: Option<i64>,
    /// [`CAUTION`], on every hit and only there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
    /// [`NO_PICTURE`], on every hit without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub picture: Option<String>,
    /// The files that belong to it and come by themselves, sealed too.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub images: Vec<ImageBody>,
}

impl From<ReadOut> for SealedOut {
    fn from(out: ReadOut) -> Self {
        let ReadOut { read, place, clock, stamp_revision, late_s, caution, picture, images } = out;
        Self { sealed: read, place, clock, stamp_revision, late_s, caution, picture, images }
    }
}

/// The words of a stored read that may stand in no other file: its plate and the entry of its hit. Empty for other
/// kinds.
#[must_use]
pub fn secret_words(body: &[u8]) -> Vec<String> {
    let Ok(read) = serde_json::from_slice::<serde_json::Value>(body) else { return Vec::new() };
    [&read["plate"], &read["hit"]["entry"]].into_iter().filter_map(|value| value.as_str()).map(str::to_owned).collect()
}
