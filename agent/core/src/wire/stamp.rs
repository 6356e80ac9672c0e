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

/// When a read was captured, or something else happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Captured {
    /// When.
    pub at: Utc,
    /// True time, since the host's clock was wrong; false: as the host's clock said.
    pub corrected: bool,
}

/// UTC now, by the host's clock and by the best that is known of true time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UtcNow {
    /// By the host's clock.
    pub host: Utc,
    /// By the host's clock while it is trusted, else by whatever source has told it.
    pub best: Utc,
}

impl UtcNow {
    /// The one that may be compared with a capture time.
    #[must_use]
    pub fn beside(self, captured: Captured) -> Utc {
        if captured.corrected { self.best } else { self.host }
    }

    /// From the capture until now, ms; negative for what is still to come.
    #[must_use]
    pub fn since_ms(self, captured: Captured) -> i64 {
        self.beside(captured).since_ms(captured.at)
    }
}

/// The true capture time that a stored stamp tells, where the host's clock was wrong; `None` where it tells none.
#[must_use]
pub fn captured_at_corrected(stamp: &[u8]) -> Option<Utc> {
    #[derive(Deserialize)]
    struct Clock {
        captured_at_corrected: Option<String>,
    }
    #[derive(Deserialize)]
    struct Clocked {
        clock: Clock,
    }
    let stamp: Clocked = serde_json::from_slice(stamp).ok()?;
    Utc::parse_rfc3339(&stamp.clock.captured_at_corrected?)
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
    fn a_capture_time_is_compared_with_the_clock_that_it_is_by() {
        let now = UtcNow { host: Utc(60_000), best: Utc(1_800_000_060_000) };
        assert_eq!(now.since_ms(Captured { at: Utc(0), corrected: false }), 60_000);
        assert_eq!(now.since_ms(Captured { at: Utc(1_800_000_000_000), corrected: true }), 60_000);
        let told = |stamp: &str| captured_at_corrected(stamp.as_bytes());
        let at = r#"{"clock":{"trust":"gps","captured_at_corrected":"2027-01-15T08:00:00.000Z"},"place":{}}"#;
        assert_eq!(told(at), Some(Utc(1_800_000_000_000)));
        assert_eq!([r#"{"clock":{"trust":"gps"}}"#, "{}", "x"].map(told), [None; 3]);
    }

    #[test]
    fn an_error_is_rounded_up_to_one_digit() {
        let rounded = [0, 7, 10, 11, 999, 1000, 1234, 9001, u64::MAX].map(one_digit_up);
        assert_eq!(rounded, [0, 7, 10, 20, 1000, 1000, 2000, 10_000, u64::MAX]);
    }
}
