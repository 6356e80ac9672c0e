#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use proptest::prelude::*;

fn at(lat_deg: f64, lon_deg: f64) -> LatLon {
    LatLon::new(lat_deg, lon_deg).unwrap()
}

fn dms(degrees: f64, minutes: f64, seconds: f64) -> f64 {
    degrees + minutes / 60.0 + seconds / 3600.0
}

fn near(what: &str, got: f64, published: f64, bound: f64) {
    assert!((got - published).abs() <= bound, "{what}: {got}, published {published}");
}

/// A millimetre, the bound for published lengths, metres.
const MM: f64 = 1e-3;

#[test]
fn flinders_peak_to_buninyong_as_published() {
    // Source: Geocentric Datum of Australia Technical Manual (ICSM), test line of Vincenty's formulae. Its ellipsoid,
    // GRS 80, gives the same length as WGS 84 to a micrometre.
    let peak = at(-dms(37.0, 57.0, 3.7203), dms(144.0, 25.0, 29.5244));
    let buninyong = at(-dms(37.0, 39.0, 10.1561), dms(143.0, 55.0, 35.3839));
    near("distance", peak.distance_m(buninyong), 54_972.271, MM);
    near("azimuth there", peak.azimuth_deg(buninyong), dms(306.0, 52.0, 5.37), 3e-6);
    near("azimuth back", buninyong.azimuth_deg(peak), dms(127.0, 10.0, 25.07), 3e-6);
}

#[test]
fn the_worked_examples_of_the_algorithm_as_published() {
    // Source: C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87, 43-55 (2013), tables 2, 3 and 4.
    let far = at(40.0, 0.0).moved(30.0, 10_000_000.0);
    let published = at(41.793_310_205_06, 137.844_900_043_77);
    near("table 2", far.distance_m(published), 0.0, MM);
    near("table 3", at(-30.123_45, 0.0).distance_m(at(-30.123_44, 0.000_05)), 4.944_208, MM);
    near("table 4", at(-30.0, 0.0).distance_m(at(29.9, 179.8)), 19_989_832.827_6, MM);
}

#[test]
fn the_documentation_examples_of_the_reference_library() {
    // Source: read-me of node-geographiclib: Wellington to Salamanca; 20,000 km south-west of Perth.
    near("distance", at(-41.32, 174.81).distance_m(at(40.96, -5.5)), 19_959_679.267, MM);
    let reached = at(-32.06, 115.74).moved(225.0, 20_000_000.0);
    near("point", reached.distance_m(at(32.111_955_29, -63.959_252_78)), 0.0, MM);
}

#[test]
fn vincentys_lines_on_other_ellipsoids_as_published() {
    // Source: T. Vincenty, Survey Review XXII, 176 (April 1975), table II, as transcribed in several public test
    // suites. Line a: Bessel; b to e: International. They hold the library that core::geo stands on against the
    // paper.
    let bessel = Geodesic::new(6_377_397.155, 1.0 / 299.152_812_8);
    let international = Geodesic::new(6_378_388.0, 1.0 / 297.0);
    let lines = [
        ("a", &bessel, dms(55.0, 45.0, 0.0), -dms(33.0, 26.0, 0.0), dms(108.0, 13.0, 0.0), 14_110_526.170),
        (
            "b",
            &international,
            dms(37.0, 19.0, 54.953_67),
            dms(26.0, 7.0, 42.839_46),
            dms(41.0, 28.0, 35.507_29),
            4_085_966.703,
        ),
        (
            "c",
            &international,
            dms(35.0, 16.0, 11.248_62),
            dms(67.0, 22.0, 14.776_38),
            dms(137.0, 47.0, 28.314_35),
            8_084_823.839,
        ),
        ("d", &international, 1.0, -dms(0.0, 59.0, 53.830_76), dms(179.0, 17.0, 48.029_97), 19_960_000.0),
        ("e", &international, 1.0, dms(1.0, 1.0, 15.189_52), dms(179.0, 46.0, 17.842_44), 19_780_006.558),
    ];
    for (name, ellipsoid, lat1, lat2, dlon, published_m) in lines {
        let length_m: f64 = ellipsoid.inverse(lat1, 0.0, lat2, dlon);
        near(name, length_m, published_m, MM);
    }
}

#[test]
fn compass_words_stand_for_eighths_of_the_circle() {
    for (azimuth_deg, word) in [
        (0.0, "north"),
        (22.4, "north"),
        (22.6, "north-east"),
        (180.0, "south"),
        (337.4, "north-west"),
        (359.0, "north"),
    ] {
        assert_eq!(compass_word(azimuth_deg), word, "{azimuth_deg}");
    }
}

#[test]
fn the_plane_reaches_over_the_antimeridian() {
    let plane = LocalPlane::new(at(-10.0, 179.999));
    let (east_m, north_m) = plane.to_plane(at(-10.0, -179.999));
    assert!((east_m - at(-10.0, 179.999).distance_m(at(-10.0, -179.999))).abs() < 0.01 && north_m.abs() < 0.01);
    let back = plane.to_geo(east_m, north_m);
    assert!((back.lon_deg() + 179.999).abs() < 1e-9 && (back.lat_deg() + 10.0).abs() < 1e-9, "{back:?}");
}

proptest! {
    #[test]
    fn the_plane_gives_a_position_everywhere(
        lat_deg in -90.0..=90.0_f64, lon_deg in -180.0..=180.0_f64, east_m in -1e6..1e6_f64, north_m in -1e6..1e6_f64
    ) {
        let reached = LocalPlane::new(at(lat_deg, lon_deg)).to_geo(east_m, north_m);
        prop_assert!(LatLon::new(reached.lat_deg(), reached.lon_deg()).is_some(), "{reached:?}");
    }

    #[test]
    fn the_plane_agrees_with_geodesics_over_the_first_kilometres(
        lat_deg in -70.0..70.0_f64,
        lon_deg in -180.0..180.0_f64,
        azimuth_deg in 0.0..360.0_f64,
        distance_m in 0.0..2000.0_f64,
    ) {
        let origin = at(lat_deg, lon_deg);
        let point = origin.moved(azimuth_deg, distance_m);
        let plane = LocalPlane::new(origin);
        let (east_m, north_m) = plane.to_plane(point);
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        prop_assert!((east_m - distance_m * sin).hypot(north_m - distance_m * cos) < 2e-3, "{east_m} {north_m}");
        prop_assert!(plane.to_geo(east_m, north_m).distance_m(point) < 1e-6);
    }
}
