//! `data` of `pintle.track.v1`: where the trailer is on its way.

use super::stamp::rounded;
use crate::geo::LatLon;
use crate::moment::Utc;
use serde::{Deserialize, Serialize};

/// One point of a track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrackBody {
    /// When it was measured, by the host's clock, RFC 3339.
    pub at: String,
    /// Latitude, WGS 84 degrees, 7 decimals.
    pub lat: f64,
    /// Longitude, WGS 84 degrees, 7 decimals.
    pub lon: f64,
    /// 95 % radius, metres.
    pub radius95_m: f64,
    /// Doppler speed, m/s; absent if the GPS receiver sends none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_mps: Option<f64>,
    /// True if the move was announced.
    pub announced: bool,
}

impl TrackBody {
    /// The body of one point.
    #[must_use]
    pub fn new(position: LatLon, radius95_m: f64, speed_mps: Option<f64>, at: Utc, announced: bool) -> Self {
        Self {
            at: at.to_rfc3339(),
            lat: rounded(position.lat_deg(), 7),
            lon: rounded(position.lon_deg(), 7),
            radius95_m: rounded(radius95_m, 1),
            speed_mps: speed_mps.map(|mps| rounded(mps, 2)),
            announced,
        }
    }
}
