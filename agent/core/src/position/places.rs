//! Places and their place lines: what an officer reads first in an alert, and whether a person has said that it is
//! right here.

use crate::geo::LatLon;
use crate::ids::{CameraId, SiteId};
use crate::moment::Utc;
use std::collections::BTreeMap;

/// Road, cross street and direction of travel of one camera at one place, as a person wrote them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlaceLine {
    /// The road that the camera looks at, for example "Quernstone Road".
    pub road: String,
    /// The nearest cross street; empty if none was given.
    pub cross_street: String,
    /// Direction of travel of the vehicles that it reads, for example "northbound"; empty if none was given.
    pub direction: String,
    /// Who wrote or confirmed it last, and when.
    pub by: String,
    /// When that was.
    pub at: Utc,
}

impl PlaceLine {
    /// The line as one sentence: "Quernstone Road at Brackwater Lane, northbound".
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = self.road.clone();
        if !self.cross_street.is_empty() {
            text = format!("{text} at {}", self.cross_street);
        }
        if self.direction.is_empty() { text } else { format!("{text}, {}", self.direction) }
    }
}

/// How far a place line may be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineState {
    /// A person has said so at this site.
    Confirmed,
    /// It belongs to an earlier site, or the trailer has moved since.
    Unconfirmed,
    /// There is none.
    Missing,
}

impl LineState {
    /// The word used in events and files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Confirmed => "confirmed",
            Self::Unconfirmed => "unconfirmed",
            Self::Missing => "missing",
        }
    }
}

/// The place lines of one site.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteLines {
    /// The site's anchor, to offer its lines again when the trailer comes back.
    pub position: LatLon,
    /// One line per camera, with its state at this site.
    pub lines: BTreeMap<CameraId, (PlaceLine, LineState)>,
}

/// All place lines, by site.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlaceTable {
    /// Lines by site; the newest site is the last.
    pub sites: BTreeMap<SiteId, SiteLines>,
}

impl PlaceTable {
    /// Line and state of `camera` at `site`.
    #[must_use]
    pub fn line(&self, site: SiteId, camera: &CameraId) -> (Option<&PlaceLine>, LineState) {
        match self.sites.get(&site).and_then(|site| site.lines.get(camera)) {
            Some((line, state)) => (Some(line), *state),
            None => (None, LineState::Missing),
        }
    }
}
