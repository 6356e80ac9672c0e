//! `sites.geojson`: the current and the former sites (RFC 7946; positions are longitude, latitude).

use super::track;
use super::{ShowError, pretty};
use pintle_core::geo::LatLon;
use pintle_core::wire::health::{HealthBody, MoveBody, SiteBody};
use serde_json::{Value, json};

pub(super) fn sites(body: &HealthBody) -> Result<String, ShowError> {
    let former = body.place.former_sites.iter().map(|site| feature(site, "left"));
    let current = body.place.site.iter().map(|site| feature(site, &body.place.state));
    let live = body.place.fix.iter().map(|fix| {
        json!({
            "type": "Feature",
            "id": "fix",
            "geometry": {"type": "Point", "coordinates": [fix.lon, fix.lat]},
            "properties": {"state": "fix", "age_s": fix.age_s},
        })
    });
    let way = body.place.last_move.iter().filter_map(way);
    pretty(&json!({
        "type": "FeatureCollection",
        // RFC 7946, section 6.1: foreign members are allowed and passed over by others.
        "pintle": {
            "generation": body.generation,
            "trailer": body.trailer.id,
            "label": body.trailer.label,
            "written": body.written,
            "valid_until": body.valid_until,
        },
        "features": former.chain(way).chain(current).chain(live).collect::<Vec<Value>>(),
    }))
}

/// The way of the last move as far as it was seen; nothing where none was.
fn way(last: &MoveBody) -> Option<Value> {
    let point = |[lon, lat]: &[f64; 2]| LatLon::new(*lat, *lon);
    let lines: Vec<Value> = last
        .parts
        .iter()
        .map(|part| part.iter().filter_map(point).collect::<Vec<LatLon>>())
        .filter(|part| 1 < part.len())
        .flat_map(|part| track::cut(&part))
        .collect();
    (!lines.is_empty()).then(|| {
        json!({
            "type": "Feature",
            "id": "last-move",
            "geometry": {"type": "MultiLineString", "coordinates": lines},
            "properties": {
                "state": if last.to.is_some() { "arrived" } else { "underway" },
                "from": last.from,
                "to": last.to,
                "seen_m": last.seen_m,
                "gaps": last.gaps,
            },
        })
    })
}

fn feature(site: &SiteBody, state: &str) -> Value {
    json!({
        "type": "Feature",
        "id": format!("site-{}", site.id),
        "geometry": {"type": "Point", "coordinates": [site.lon, site.lat]},
        "properties": {
            "site": site.id,
            "state": state,
            "radius95_m": site.radius95_m,
            "arrived": site.arrived,
            "left": site.left,
        },
    })
}
