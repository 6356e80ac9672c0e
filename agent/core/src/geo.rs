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

/// A flat plane around an origin that shows every point in its true direction and at its true distance from there.
/// It is reckoned by the mid-latitude formulae with the ellipsoid's two radii of curvature (common practice, no
/// source) and is good to 2 mm within 2 km up to 70 degrees of latitude (held against geodesics in the tests).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LocalPlane {
    origin: LatLon,
    sin_lat: f64,
    cos_lat: f64,
    /// Radius of curvature in the meridian, metres.
    meridian_m: f64,
    /// Radius of the parallel, metres.
    parallel_m: f64,
    /// How fast the meridian's radius grows, metres per radian of latitude.
    meridian_growth_m: f64,
}

impl LocalPlane {
    /// A plane around `origin`.
    #[must_use]
    pub fn new(origin: LatLon) -> Self {
        // WGS 84: a = 6378137 m, 1/f = 298.257223563 (NIMA TR8350.2, from memory).
        const A_M: f64 = 6_378_137.0;
        const F: f64 = 1.0 / 298.257_223_563;
        const E2: f64 = F * (2.0 - F);
        let (sin_lat, cos_lat) = origin.lat_deg.to_radians().sin_cos();
        let w2 = 1.0 - E2 * sin_lat * sin_lat;
        let meridian_m = A_M * (1.0 - E2) / (w2 * w2.sqrt());
        Self {
            origin,
            sin_lat,
            cos_lat,
            meridian_m,
            parallel_m: A_M / w2.sqrt() * cos_lat,
            meridian_growth_m: 3.0 * meridian_m * E2 * sin_lat * cos_lat / w2,
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
        self.reckon((point.lat_deg - self.origin.lat_deg).to_radians(), dlon_deg.to_radians())
    }

    /// East and north of a point `dlat`, `dlon` radians away. Everything is taken at the latitude half way, by its
    /// Taylor series around the origin; then turned by half of the convergence of the meridians, so that the
    /// direction is that at the origin.
    fn reckon(&self, dlat: f64, dlon: f64) -> (f64, f64) {
        let half = dlat / 2.0;
        // The derivative of the radius of the parallel is minus that of the meridian times the sine of the latitude.
        let parallel_m = self.parallel_m - half * (self.meridian_m * self.sin_lat + half * self.parallel_m / 2.0);
        let east_m = dlon * parallel_m;
        let north_m = dlat * (self.meridian_m + half * self.meridian_growth_m);
        let turn = dlon * (self.sin_lat + half * self.cos_lat) / 2.0;
        // Sine and cosine of a small angle, to the third order.
        let (sin, cos) = (turn - turn * turn * turn / 6.0, 1.0 - turn * turn / 2.0);
        (east_m * cos - north_m * sin, north_m * cos + east_m * sin)
    }

    /// The position `east_m`, `north_m` from the origin.
    #[must_use]
    pub fn to_geo(&self, east_m: f64, north_m: f64) -> LatLon {
        // At a pole east has no meaning.
        let parallel_m = if self.parallel_m < 1.0 { f64::INFINITY } else { self.parallel_m };
        let (mut dlat, mut dlon) = (north_m / self.meridian_m, east_m / parallel_m);
        // Each round leaves a part of the error as small as the distance is against the earth's radius. Beside a pole,
        // or far away, that would not converge; no trailer stands there, and the first guess has to do.
        let rounds = if east_m.hypot(north_m) < self.parallel_m / 10.0 { 3 } else { 0 };
        for _ in 0..rounds {
            let (got_east_m, got_north_m) = self.reckon(dlat, dlon);
            dlat += (north_m - got_north_m) / self.meridian_m;
            dlon += (east_m - got_east_m) / parallel_m;
        }
        LatLon {
            lat_deg: (self.origin.lat_deg + dlat.to_degrees()).clamp(-90.0, 90.0),
            lon_deg: (self.origin.lon_deg + dlon.to_degrees() + 540.0).rem_euclid(360.0) - 180.0,
        }
    }
}

#[cfg(test)]
mod tests;
