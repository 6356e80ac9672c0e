//! `data` of `pintle.site.v1`: a site was found, is known better, or was left.

use super::stamp::rounded;
use crate::ids::SiteId;
use crate::moment::Utc;
use crate::position::Site;
use serde::{Deserialize, Serialize};

/// One site.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteBody {
    /// Its number in the trailer's store.
    pub site: u64,
    /// `found`, `refined` or `left`.
    pub what: String,
    /// Latitude of the anchor, WGS 84 degrees, 7 decimals.
    pub lat: f64,
    /// Longitude of the anchor, WGS 84 degrees, 7 decimals.
    pub lon: f64,
    /// 95 % radius of the anchor, metres.
    pub radius95_m: f64,
    /// Arrival by the host's clock, RFC 3339.
    pub arrived: String,
    /// Departure by the host's clock, RFC 3339; absent while the trailer stands there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<String>,
    /// The former site at the same place, if the trailer came back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub returned_to: Option<u64>,
    /// Why, one sentence.
    pub reason: String,
}

impl SiteBody {
    /// The body for one change of a site.
    #[must_use]
    pub fn new(site: &Site, what: &str, returned_to: Option<SiteId>, reason: &str) -> Self {
        Self {
            site: site.id.0,
            what: what.to_owned(),
            lat: rounded(site.position.lat_deg(), 7),
            lon: rounded(site.position.lon_deg(), 7),
            radius95_m: rounded(site.radius95_m, 1),
            arrived: site.arrived.to_rfc3339(),
            left: site.left.map(Utc::to_rfc3339),
            returned_to: returned_to.map(|site| site.0),
            reason: reason.to_owned(),
        }
    }
}
