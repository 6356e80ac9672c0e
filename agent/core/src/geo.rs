//! Positions on the WGS 84 ellipsoid.

use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic};
use std::sync::LazyLock;

static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// A position, WGS 84, degrees; latitude -90 to 90, longitude -180 to 180.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LatLon {
    lat_deg: f64,
    lon_deg: f64,
}

impl LatLon {
    /// `None` if a value is outside its range or not a number.
    #[must_use]
    pub fn new(lat_deg: f64, lon_deg: f64) -> Option<Self> {
        let good = (-90.0..=90.0).contains(&lat_deg) && (-180.0..=180.0).contains(&lon_deg);
        good.then_some(Self { lat_deg, lon_deg })
    }

    /// Latitude, degrees, north positive.
    #[must_use]
    pub fn lat_deg(self) -> f64 {
        self.lat_deg
    }

    /// Longitude, degrees, east positive.
    #[must_use]
    pub fn lon_deg(self) -> f64 {
        self.lon_deg
    }

    /// Length of the geodesic to `other`, metres. Source: C. F. F. Karney, J. Geodesy 87 (2013) 43-55, by
    /// geographiclib-rs.
    #[must_use]
    pub fn distance_m(self, other: Self) -> f64 {
        WGS84.inverse(self.lat_deg, self.lon_deg, other.lat_deg, other.lon_deg)
    }

    /// Azimuth of the geodesic to `other` at this point, degrees clockwise from north, 0 to under 360. Source as
    /// `distance_m`.
    #[must_use]
    pub fn azimuth_deg(self, other: Self) -> f64 {
        let (azimuth1_deg, _, _): (f64, f64, f64) =
            WGS84.inverse(self.lat_deg, self.lon_deg, other.lat_deg, other.lon_deg);
        azimuth1_deg.rem_euclid(360.0)
    }

    /// The point `distance_m` metres away in direction `azimuth_deg`. Source as `distance_m`.
    #[must_use]
    pub fn moved(self, azimuth_deg: f64, distance_m: f64) -> Self {
        let (lat_deg, lon_deg): (f64, f64) = WGS84.direct(self.lat_deg, self.lon_deg, azimuth_deg, distance_m);
        Self { lat_deg, lon_deg }
    }
}

/// Eight points of the compass in words, for sentences ("north-east").
#[must_use]
pub fn compass_word(azimuth_deg: f64) -> &'static str {
    const WORDS: [&str; 8] = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
    let turned = (azimuth_deg.rem_euclid(360.0) + 22.5) / 45.0;
    let mut at = 0;
    while at < 7 && f64::from(u8::try_from(at + 1).unwrap_or(8)) <= turned {
        at += 1;
    }
    if 8.0 <= turned { WORDS[0] } else { WORDS[at] }
}

/// A flat plane that touches the ellipsoid at its origin, with the ellipsoid's two radii of curvature there: good to
/// millimetres
/// over the first kilometres (common practice, no source; held against geodesics in the tests).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LocalPlane {
    origin: LatLon,
    metres_per_lat_deg: f64,
    metres_per_lon_deg: f64,
}

impl LocalPlane {
    /// A plane around `origin`.
    #[must_use]
    pub fn new(origin: LatLon) -> Self {
        // WGS 84: a = 6378137 m, 1/f = 298.257223563 (NIMA TR8350.2, from memory).
        const A_M: f64 = 6_378_137.0;
        const F: f64 = 1.0 / 298.257_223_563;
        const E2: f64 = F * (2.0 - F);
        let (sin, cos) = origin.lat_deg.to_radians().sin_cos();
        let w2 = 1.0 - E2 * sin * sin;
        let prime_vertical_m = A_M / w2.sqrt();
        let meridian_m = A_M * (1.0 - E2) / (w2 * w2.sqrt());
        Self {
            origin,
            metres_per_lat_deg: meridian_m.to_radians(),
            metres_per_lon_deg: (prime_vertical_m * cos).to_radians(),
        }
    }

    /// Where the plane touches the ellipsoid.
    #[must_use]
    pub fn origin(&self) -> LatLon {
        self.origin
    }

    /// East and north of the origin, metres. Longitudes are taken the short way round.
    #[must_use]
    pub fn to_plane(&self, point: LatLon) -> (f64, f64) {
        let mut dlon_deg = point.lon_deg - self.origin.lon_deg;
        if 180.0 < dlon_deg {
            dlon_deg -= 360.0;
        } else if dlon_deg < -180.0 {
            dlon_deg += 360.0;
        }
        (dlon_deg * self.metres_per_lon_deg, (point.lat_deg - self.origin.lat_deg) * self.metres_per_lat_deg)
    }

    /// The position `east_m`, `north_m` from the origin.
    #[must_use]
    pub fn to_geo(&self, east_m: f64, north_m: f64) -> LatLon {
        let lon_deg = if self.metres_per_lon_deg.abs() < 1e-6 {
            self.origin.lon_deg
        } else {
            self.origin.lon_deg + east_m / self.metres_per_lon_deg
        };
        LatLon {
            lat_deg: (self.origin.lat_deg + north_m / self.metres_per_lat_deg).clamp(-90.0, 90.0),
            lon_deg: (lon_deg + 540.0).rem_euclid(360.0) - 180.0,
        }
    }
}
