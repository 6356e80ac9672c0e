//! The way as GeoJSON. Source: RFC 7946 (longitude first; outer rings anticlockwise, section 3.1.6; a way across the
//! antimeridian is cut there, section 3.1.9; seven decimals are about a centimetre, section 11.2).

use super::{Track, TrackSite, parts};
use crate::show::{ShowError, pretty};
use pintle_core::geo::LatLon;
use serde_json::{Value, json};

/// Corners of a circle; its polygon is within 0.5 % of the radius.
const CORNERS: u32 = 36;
/// The path has a point for each so many metres: finer than any fix is right.
const STEP_M: f64 = 1.0;

/// One feature collection: path, sites as points and their 95 % circles as polygons.
///
/// # Errors
/// [`ShowError::Json`].
pub fn geojson(track: &Track) -> Result<String, ShowError> {
    let mut features = Vec::new();
    let lines: Vec<Value> = parts(&track.fixes, STEP_M).iter().flat_map(|part| cut(part)).collect();
    if !lines.is_empty() {
        features.push(json!({
            "type": "Feature",
            "id": "path",
            "geometry": {"type": "MultiLineString", "coordinates": lines},
            "properties": {"fixes_used": track.fixes.len(), "fixes_refused": track.refused},
        }));
    }
    for site in &track.sites {
        features.extend(site_features(site));
    }
    if let (Some((position, radius95_m)), true) = (track.estimate, track.sites.is_empty()) {
        features.push(json!({
            "type": "Feature",
            "id": "estimate",
            "geometry": {"type": "Point", "coordinates": coordinates(position)},
            "properties": {"radius95_m": rounded(radius95_m, 10.0)},
        }));
    }
    pretty(&json!({"type": "FeatureCollection", "pintle": {"title": track.title}, "features": features}))
}

fn site_features(site: &TrackSite) -> Vec<Value> {
    let properties = json!({
        "site": site.id,
        "radius95_m": rounded(site.radius95_m, 10.0),
        "arrived": site.arrived,
        "left": site.left,
    });
    let mut features = vec![json!({
        "type": "Feature",
        "id": format!("site-{}", site.id),
        "geometry": {"type": "Point", "coordinates": coordinates(site.position)},
        "properties": properties,
    })];
    if let Some(ring) = ring(site) {
        features.push(json!({
            "type": "Feature",
            "id": format!("site-{}-radius95", site.id),
            "geometry": {"type": "Polygon", "coordinates": [ring]},
            "properties": properties,
        }));
    }
    features
}

/// The circle as a closed ring, anticlockwise. `None` where it would cross the antimeridian or a pole: the point and
/// its radius tell the same.
fn ring(site: &TrackSite) -> Option<Vec<Value>> {
    let corner = |n: u32| {
        // Azimuths turn clockwise, so the ring is walked backward.
        site.position.moved(360.0 - 360.0 * f64::from(n % CORNERS) / f64::from(CORNERS), site.radius95_m)
    };
    let corners: Vec<LatLon> = (0..=CORNERS).map(corner).collect();
    let near = |at: &LatLon| (at.lon_deg() - site.position.lon_deg()).abs() < 90.0;
    corners.iter().all(near).then(|| corners.into_iter().map(coordinates).collect())
}

/// A part of the path as lines of at least two positions, cut where it crosses the antimeridian.
pub(in crate::show) fn cut(part: &[LatLon]) -> Vec<Value> {
    let mut lines: Vec<Vec<Value>> = vec![Vec::new()];
    let mut last: Option<LatLon> = None;
    for &at in part {
        if let Some(before) = last.filter(|before| 180.0 < (before.lon_deg() - at.lon_deg()).abs()) {
            let side = if before.lon_deg() < 0.0 { -180.0 } else { 180.0 };
            // Degrees to the cut and beyond it, along the short way.
            let (to, beyond) = ((side - before.lon_deg()).abs(), (at.lon_deg() + side).abs());
            let share = if 0.0 < to + beyond { to / (to + beyond) } else { 0.0 };
            let lat_deg = before.lat_deg() + share * (at.lat_deg() - before.lat_deg());
            let edge = |lon_deg: f64| json!([lon_deg, rounded(lat_deg, 1e7)]);
            if let Some(line) = lines.last_mut() {
                line.push(edge(side));
            }
            lines.push(vec![edge(-side)]);
        }
        if let Some(line) = lines.last_mut() {
            line.push(coordinates(at));
        }
        last = Some(at);
    }
    for line in &mut lines {
        // A line has two positions at least (section 3.1.4).
        if let [only] = line.as_slice() {
            line.push(only.clone());
        }
    }
    lines.into_iter().filter(|line| !line.is_empty()).map(Value::from).collect()
}

fn coordinates(at: LatLon) -> Value {
    json!([rounded(at.lon_deg(), 1e7), rounded(at.lat_deg(), 1e7)])
}

fn rounded(value: f64, scale: f64) -> f64 {
    (value * scale).round() / scale
}
