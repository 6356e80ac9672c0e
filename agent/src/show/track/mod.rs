//! A recorded way as GeoJSON and as a plain local map: fixes, path, sites with their 95 % radius.

mod geojson;
mod svg;

pub(super) use geojson::cut;
pub use geojson::geojson;
pub use svg::svg;

use pintle_core::geo::{LatLon, LocalPlane};
use pintle_core::moment::Mono;
use pintle_core::position::recording::TrackFix;

/// One site of the way.
#[derive(Clone, Debug, PartialEq)]
pub struct TrackSite {
    /// Its number.
    pub id: u64,
    /// The anchor, WGS 84.
    pub position: LatLon,
    /// 95 % radius, m.
    pub radius95_m: f64,
    /// When it arrived, in words; "time unknown" if the recording is not dated.
    pub arrived: String,
    /// When it left, in words; `None` while it stands.
    pub left: Option<String>,
}

/// What is drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// What it was made from, in words.
    pub title: String,
    /// Used fixes, oldest first.
    pub fixes: Vec<TrackFix>,
    /// How many epochs were refused.
    pub refused: u64,
    /// In the order of arrival.
    pub sites: Vec<TrackSite>,
    /// The best estimate at the end, if there is no site: position and 95 % radius, m.
    pub estimate: Option<(LatLon, f64)>,
}

/// A pause longer than this between two fixes breaks the path, ms: nobody knows the way in between.
const GAP_MS: u64 = 30_000;

/// Parts of the path without a long pause, thinned: a point that is nearer than `step_m` to the one before is left out,
/// but never the last of a part.
fn parts(fixes: &[TrackFix], step_m: f64) -> Vec<Vec<LatLon>> {
    let Some(first) = fixes.first() else { return Vec::new() };
    let plane = LocalPlane::new(first.position);
    let mut parts: Vec<Vec<LatLon>> = Vec::new();
    let (mut part, mut kept) = (Vec::new(), (0.0_f64, 0.0_f64));
    let mut last: Option<(Mono, LatLon)> = None;
    for fix in fixes {
        let here = plane.to_plane(fix.position);
        if last.is_some_and(|(at, _)| GAP_MS < fix.at.since_ms(at)) {
            end(&mut part, last, &mut parts);
        }
        if part.is_empty() || step_m <= (here.0 - kept.0).hypot(here.1 - kept.1) {
            part.push(fix.position);
            kept = here;
        }
        last = Some((fix.at, fix.position));
    }
    end(&mut part, last, &mut parts);
    parts
}

fn end(part: &mut Vec<LatLon>, last: Option<(Mono, LatLon)>, parts: &mut Vec<Vec<LatLon>>) {
    if let Some((_, last)) = last.filter(|(_, last)| part.last() != Some(last)) {
        part.push(last);
    }
    if !part.is_empty() {
        parts.push(std::mem::take(part));
    }
}

#[cfg(test)]
mod tests;
