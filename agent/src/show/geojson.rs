//! `sites.geojson`: the current and the former sites (RFC 7946; positions are longitude, latitude).

use super::{ShowError, pretty};
use pintle_core::wire::health::{HealthBody, SiteBody};
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
        "features": former.chain(current).chain(live).collect::<Vec<Value>>(),
    }))
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
