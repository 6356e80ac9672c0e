//! The stamp as it is stored and sent: `place` and `clock` of a read event, or of a later `pintle.stamp.v1`.

use crate::moment::Utc;
use crate::read::stamp::{Stamp, StampSpot, StampState};
use serde::{Deserialize, Serialize};

/// Where a read was.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceBody {
    /// Latitude, WGS 84 degrees, 7 decimals; absent if unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lat: Option<f64>,
    /// Longitude, WGS 84 degrees, 7 decimals; absent if unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lon: Option<f64>,
    /// 95 % radius, metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub radius95_m: Option<f64>,
    /// Number of the site; absent underway and when unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// `site`, `underway` or `unknown`.
    pub spot: String,
    /// `certain`, `doubtful` or `none`.
    pub state: String,
    /// Age of the fix behind the position, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fix_age_s: Option<f64>,
    /// A sentence ready to show.
    pub line: String,
    /// `confirmed`, `unconfirmed` or `missing`.
    pub line_state: String,
}

/// How right the capture time is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockBody {
    /// `gps`, `network`, `holdover` or `unset`: trust in the corrected capture time if there is one, else in the one
    /// that the host's clock said.
    pub trust: String,
    /// The true capture time, RFC 3339, where the host's clock was off by more than 2 s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub captured_at_corrected: Option<String>,
    /// How far the capture time may be off, ms, rounded up to one digit; absent if nobody can tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error_ms: Option<u64>,
    /// Host UTC less GPS UTC, ms; absent if not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_ms: Option<i64>,
    /// Seconds from the capture time to the acceptance by a trusted clock, if they are more than ten minutes apart;
    /// negative for a capture time in the future. Set at the acceptance and carried over to later stamps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_far_s: Option<i64>,
}

/// One stamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StampBody {
    /// 1 for the first stamp of a read, rising.
    pub stamp_revision: u32,
    /// Where.
    pub place: PlaceBody,
    /// When, and how sure.
    pub clock: ClockBody,
}

/// Rounded up to one digit, so that the reads of some minutes share one stamp: 1,234 becomes 2,000.
fn one_digit_up(value: u64) -> u64 {
    let unit = 10_u64.pow(value.checked_ilog10().unwrap_or(0));
    value.div_ceil(unit).saturating_mul(unit)
}

/// `value` with so many decimals.
pub(super) fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale
}

impl From<&Stamp> for StampBody {
    fn from(stamp: &Stamp) -> Self {
        let (spot, site) = match stamp.spot {
            StampSpot::Site(site) => ("site", Some(site.0)),
            StampSpot::Underway => ("underway", None),
            StampSpot::Unknown => ("unknown", None),
        };
        let state = match stamp.state {
            StampState::Certain => "certain",
            StampState::Doubtful => "doubtful",
            StampState::None => "none",
        };
        let age_s = |ms: u64| u32::try_from(ms / 100).map_or(f64::from(u32::MAX), f64::from) / 10.0;

        Self {
            stamp_revision: stamp.revision,
            place: PlaceBody {
                lat: stamp.position.map(|p| rounded(p.lat_deg(), 7)),
                lon: stamp.position.map(|p| rounded(p.lon_deg(), 7)),
                radius95_m: stamp.radius95_m.map(|m| rounded(m, 1)),
                site,
                spot: spot.to_owned(),
                state: state.to_owned(),
                fix_age_s: stamp.fix_age_ms.map(age_s),
                line: stamp.line.clone(),
                line_state: stamp.line_state.word().to_owned(),
            },
            clock: ClockBody {
                trust: stamp.clock.trust.word().to_owned(),
                captured_at_corrected: stamp.clock.corrected.map(Utc::to_rfc3339),
                error_ms: stamp.clock.error_ms.map(one_digit_up),
                offset_ms: stamp.clock.offset_ms,
                capture_far_s: None,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_is_rounded_up_to_one_digit() {
        let rounded = [0, 7, 10, 11, 999, 1000, 1234, 9001, u64::MAX].map(one_digit_up);
        assert_eq!(rounded, [0, 7, 10, 20, 1000, 1000, 2000, 10_000, u64::MAX]);
    }
}
