#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use pintle_core::position::KeeperState;
use serde_json::Value;

fn fix(at_s: u64, position: LatLon) -> TrackFix {
    TrackFix { at: Mono(at_s * 1000), position, state: KeeperState::Settling }
}

fn at(lat_deg: f64, lon_deg: f64) -> LatLon {
    LatLon::new(lat_deg, lon_deg).unwrap()
}

fn site(id: u64, position: LatLon) -> TrackSite {
    TrackSite { id, position, radius95_m: 12.0, arrived: "10:21".to_owned(), left: None }
}

/// A way of 1 km to the east with a pause of a minute in its middle.
fn way() -> Track {
    let start = at(44.5, -38.2);
    let mut fixes: Vec<TrackFix> =
        (0..50).map(|n| fix(n, start.moved(90.0, 10.0 * f64::from(u32::try_from(n).unwrap())))).collect();
    fixes.extend((0..50).map(|n| fix(110 + n, start.moved(90.0, 510.0 + 10.0 * f64::from(u32::try_from(n).unwrap())))));
    let end = start.moved(90.0, 1000.0);
    Track { title: "a <way>".to_owned(), fixes, refused: 3, sites: vec![site(1, start), site(2, end)], estimate: None }
}

fn features(track: &Track) -> Vec<Value> {
    let value: Value = serde_json::from_str(&geojson(track).unwrap()).unwrap();
    value["features"].as_array().unwrap().clone()
}

#[test]
fn path_breaks_where_nobody_knows_the_way() {
    let parts = parts(&way().fixes, 25.0);
    assert_eq!(parts.len(), 2);
    assert_eq!(parts[0].len(), 18, "every third point and the last");
    assert_eq!(parts[1].last(), way().fixes.last().map(|fix| &fix.position));
}

#[test]
fn geojson_reads_back_with_longitude_first_and_rings_anticlockwise() {
    let features = features(&way());
    let kinds: Vec<&str> = features.iter().map(|f| f["geometry"]["type"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["MultiLineString", "Point", "Polygon", "Point", "Polygon"]);
    assert_eq!(features[1]["geometry"]["coordinates"], serde_json::json!([-38.2, 44.5]));
    let ring = features[2]["geometry"]["coordinates"][0].as_array().unwrap().clone();
    assert_eq!(ring.first(), ring.last());
    // The shoelace sum is positive for a ring that turns anticlockwise.
    let xy = |p: &Value| (p[0].as_f64().unwrap(), p[1].as_f64().unwrap());
    let area: f64 = ring.windows(2).map(|w| (xy(&w[0]), xy(&w[1]))).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum();
    assert!(0.0 < area);
    for corner in &ring {
        let (lon, lat) = xy(corner);
        let distance_m = at(lat, lon).distance_m(at(44.5, -38.2));
        assert!((distance_m - 12.0).abs() < 0.05, "{distance_m}");
    }
}

#[test]
fn way_across_the_antimeridian_is_cut_there() {
    let fixes = vec![fix(0, at(-17.0, 179.9)), fix(1, at(-17.1, -179.9))];
    let features = features(&Track { fixes, ..Track::default() });
    let lines = features[0]["geometry"]["coordinates"].as_array().unwrap().clone();
    assert_eq!(
        lines,
        [serde_json::json!([[179.9, -17.0], [180.0, -17.05]]), serde_json::json!([[-180.0, -17.05], [-179.9, -17.1]])]
    );
}

#[test]
fn map_is_well_formed_escaped_and_names_every_site() {
    let map = svg(&way());
    assert!(map.contains("a &lt;way&gt;") && !map.contains("<way>"));
    assert!(map.contains("Site 1</tspan> 44.50000° N, 38.20000° W; 95 % within 12 m</text>"), "{map}");
    assert!(map.contains("arrived 10:21; stands"));
    assert!(map.contains(">200 m<"), "a scale bar of a round length");
    balanced(&map);
}

/// Every element that opens closes, in order; enough of a check for a file without comments and entities of its own.
fn balanced(xml: &str) {
    let mut open: Vec<&str> = Vec::new();
    for tag in xml.split('<').skip(1) {
        let tag = tag.split('>').next().unwrap();
        match (tag.strip_prefix('/'), tag.ends_with('/')) {
            (Some(name), _) => assert_eq!(open.pop(), Some(name)),
            (None, true) => {}
            (None, false) => open.push(tag.split_whitespace().next().unwrap()),
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn day_of_a_receiver_gives_a_map_of_bounded_size() {
    let start = at(44.5, -38.2);
    let fixes: Vec<TrackFix> = (0..86_400_u64)
        .map(|n| {
            let turn = f64::from(u32::try_from(n % 3571).unwrap());
            fix(n, start.moved(turn * 0.1, 3.0 + turn % 17.0))
        })
        .collect();
    let track = Track { title: "a day".to_owned(), fixes, sites: vec![site(1, start)], ..Track::default() };
    let (map, geojson) = (svg(&track), geojson(&track).unwrap());
    assert!(map.len() < 700_000, "{}", map.len());
    assert!(!geojson.is_empty());
}

#[test]
fn recording_without_a_fix_says_so() {
    assert!(svg(&Track::default()).contains("No fix was used"));
    assert_eq!(features(&Track::default()), Vec::<Value>::new());
}
