//! What a GPS receiver would say: NMEA 0183 sentences of one epoch, with checksums.

use super::random::Random;
use super::track::Truth;
use crate::geo::{LatLon, LocalPlane};
use crate::moment::{Utc, civil_from_days};
use crate::units::MetresPerSecond;

/// A receiver under open sky: one correlated error term per axis (time constant 200 s), and Doppler noise.
#[derive(Clone, Debug)]
pub struct SimReceiver {
    random: Random,
    east_m: f64,
    north_m: f64,
    sigma_m: f64,
}

impl SimReceiver {
    /// A receiver whose error has the standard deviation `sigma_m` per axis.
    #[must_use]
    pub fn new(seed: u64, sigma_m: f64) -> Self {
        let mut random = Random::new(seed);
        let (east_m, north_m) = (random.normal() * sigma_m, random.normal() * sigma_m);
        Self { random, east_m, north_m, sigma_m }
    }

    /// RMC, GGA and GSA of one epoch, CR LF behind each; `step_s` is the time since the last epoch.
    pub fn epoch(&mut self, truth: &Truth, utc: Utc, step_s: f64) -> String {
        let keep = (-step_s / 200.0).exp();
        let fresh = self.sigma_m * (1.0 - keep * keep).sqrt();
        self.east_m = self.east_m * keep + self.random.normal() * fresh;
        self.north_m = self.north_m * keep + self.random.normal() * fresh;
        let shown = LocalPlane::new(truth.position).to_geo(self.east_m, self.north_m);
        let speed_mps = (truth.speed_mps + 0.05 * self.random.normal()).abs();
        let time = clock_field(utc);
        let place = place_fields(shown);
        let (speed_kn, course_deg) = (speed_mps / MetresPerSecond::KNOT_MPS, truth.course_deg);
        let (year, month, day) = civil_from_days(utc.0.div_euclid(86_400_000));
        let date = format!("{day:02}{month:02}{:02}", year.rem_euclid(100));
        [
            format!("GPRMC,{time},A,{place},{speed_kn:.2},{course_deg:.1},{date},,,A"),
            format!("GPGGA,{time},{place},1,10,0.9,12.0,M,40.0,M,,"),
            "GPGSA,A,3,02,05,09,12,15,17,19,21,24,28,,,1.6,0.9,1.3".to_owned(),
        ]
        .iter()
        .map(|body| sentence(body))
        .collect()
    }
}

/// `$`, body, `*`, checksum, CR LF. Source of the checksum: NMEA 0183, the XOR of all bytes between `$` and `*`.
#[must_use]
pub fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0_u8, |sum, byte| sum ^ byte))
}

fn clock_field(utc: Utc) -> String {
    let ms = utc.0.rem_euclid(86_400_000);
    format!("{:02}{:02}{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

fn place_fields(place: LatLon) -> String {
    let part = |deg: f64, width: usize, letters: [&str; 2]| {
        let (whole, minutes) = (deg.abs().trunc(), deg.abs().fract() * 60.0);
        let minutes = minutes.min(59.99999);
        format!("{whole:0width$.0}{minutes:08.5},{}", if deg < 0.0 { letters[1] } else { letters[0] })
    };
    format!("{},{}", part(place.lat_deg(), 2, ["N", "S"]), part(place.lon_deg(), 3, ["E", "W"]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::track::Phase;

    #[test]
    fn sentences_have_the_published_form_and_checksum() {
        // The sentence of the gpsd project's description of RMC (BSD-2-Clause), from memory.
        let given = "GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E";
        assert_eq!(sentence(given), format!("${given}*68\r\n"));
        let place = LatLon::new(-33.5, 151.25).unwrap_or_else(|| unreachable!());
        assert_eq!(place_fields(place), "3330.00000,S,15115.00000,E");
    }

    #[test]
    fn what_the_receiver_says_is_near_the_truth() {
        let position = LatLon::new(44.5102, -38.1987).unwrap_or_else(|| unreachable!());
        let truth = Truth { position, speed_mps: 0.0, course_deg: 0.0, way_m: 0.0, phase: Phase::AtStart };
        let text = SimReceiver::new(1, 1.5).epoch(&truth, Utc(1_795_608_000_250), 0.2);
        assert!(text.starts_with("$GPRMC,120000.250,A,4430.6"), "{text}");
        assert!(text.contains(",251126,,,A*"), "{text}");
        assert_eq!(text.lines().count(), 3);
    }
}
