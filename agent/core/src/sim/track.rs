//! The true way of a simulated trailer: it stands, is towed along straight legs, and stands again.

use crate::geo::LatLon;

/// One straight leg of a tow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leg {
    /// Direction, degrees clockwise from north.
    pub azimuth_deg: f64,
    /// Length, metres.
    pub length_m: f64,
}

/// A stand, a tow along `legs`, and a stand at its end.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// Where it stands first.
    pub start: LatLon,
    /// When the tow begins, ms of the script.
    pub tow_at_ms: u64,
    /// The way of the tow.
    pub legs: Vec<Leg>,
    /// Speed in the middle of the tow, m/s.
    pub speed_mps: f64,
    /// Speeding up and braking, m/s².
    pub accel_mps2: f64,
}

/// The truth at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Where the trailer is.
    pub position: LatLon,
    /// How fast, m/s.
    pub speed_mps: f64,
    /// Which way, degrees clockwise from north; 0 while it stands.
    pub course_deg: f64,
    /// Metres from the first stand along the way.
    pub way_m: f64,
    /// What it does.
    pub phase: Phase,
}

/// What the trailer really does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Standing where the script began.
    AtStart,
    /// Being towed.
    Towed,
    /// Standing at the end of the tow.
    AtEnd,
}

impl Track {
    /// Length of the whole way, metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.legs.iter().map(|leg| leg.length_m).sum()
    }

    /// When the tow ends, ms of the script.
    #[must_use]
    pub fn stop_at_ms(&self) -> u64 {
        let (ramp_s, cruise_s, _) = self.profile();
        // The sum is a few minutes at most, so the cast through a formatted whole number is not needed.
        self.tow_at_ms + std::time::Duration::from_secs_f64((2.0 * ramp_s + cruise_s).max(0.0)).as_secs() * 1000 + 1000
    }

    /// Seconds of speeding up, seconds at full speed, and the full speed that is really reached, m/s.
    fn profile(&self) -> (f64, f64, f64) {
        let length_m = self.length_m();
        let top_mps = self.speed_mps.min((length_m * self.accel_mps2).sqrt());
        let ramp_s = top_mps / self.accel_mps2;
        ((ramp_s), (length_m - top_mps * ramp_s) / top_mps, top_mps)
    }

    /// Metres along the way and speed, `t_s` seconds after the tow began.
    fn way(&self, t_s: f64) -> (f64, f64) {
        let (ramp_s, cruise_s, top_mps) = self.profile();
        let total_s = 2.0 * ramp_s + cruise_s;
        if t_s < ramp_s {
            (self.accel_mps2 * t_s * t_s / 2.0, self.accel_mps2 * t_s)
        } else if t_s < ramp_s + cruise_s {
            (top_mps * ramp_s / 2.0 + top_mps * (t_s - ramp_s), top_mps)
        } else {
            let left_s = (total_s - t_s).max(0.0);
            (self.length_m() - self.accel_mps2 * left_s * left_s / 2.0, self.accel_mps2 * left_s)
        }
    }

    /// The truth at `at_ms` of the script.
    #[must_use]
    pub fn at(&self, at_ms: u64) -> Truth {
        if at_ms <= self.tow_at_ms {
            return Truth { position: self.start, speed_mps: 0.0, course_deg: 0.0, way_m: 0.0, phase: Phase::AtStart };
        }
        let t_s = std::time::Duration::from_millis(at_ms - self.tow_at_ms).as_secs_f64();
        let (way_m, speed_mps) = self.way(t_s);
        let (position, course_deg) = self.position_at(way_m);
        if speed_mps <= 0.0 {
            return Truth { position, speed_mps: 0.0, course_deg: 0.0, way_m, phase: Phase::AtEnd };
        }
        Truth { position, speed_mps, course_deg, way_m, phase: Phase::Towed }
    }

    fn position_at(&self, way_m: f64) -> (LatLon, f64) {
        let (mut position, mut left_m, mut course_deg) = (self.start, way_m, 0.0);
        for leg in &self.legs {
            course_deg = leg.azimuth_deg;
            position = position.moved(leg.azimuth_deg, left_m.min(leg.length_m));
            left_m -= leg.length_m;
            if left_m <= 0.0 {
                break;
            }
        }
        (position, course_deg)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tow_is_smooth_and_ends_where_its_legs_end() {
        let start = LatLon::new(44.5102, -38.1987).unwrap_or_else(|| unreachable!());
        let legs = vec![Leg { azimuth_deg: 60.0, length_m: 150.0 }, Leg { azimuth_deg: 330.0, length_m: 100.0 }];
        let track = Track { start, tow_at_ms: 10_000, legs, speed_mps: 16.0, accel_mps2: 3.0 };
        let mut before = track.at(0);
        for at_ms in (0..60_000).step_by(100) {
            let now = track.at(at_ms);
            assert!(now.way_m - before.way_m < 1.7, "a step of {} m at {at_ms} ms", now.way_m - before.way_m);
            assert!(before.way_m <= now.way_m, "backwards at {at_ms} ms");
            assert!(now.speed_mps <= 16.0);
            before = now;
        }
        assert_eq!(before.phase, Phase::AtEnd);
        let end = start.moved(60.0, 150.0).moved(330.0, 100.0);
        assert!(before.position.distance_m(end) < 0.01, "{} m off", before.position.distance_m(end));
        assert_eq!(track.at(track.stop_at_ms()).phase, Phase::AtEnd);
    }
}
