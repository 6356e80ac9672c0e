//! Fixes that no trailer can have had: digits that stand still while the speed says otherwise, and leaps that no
//! vehicle makes. They are refused, so that nobody is sent to a made-up place; the age of the last good fix tells the
//! rest.

use super::{Fix, Refusal, step_ms};
use crate::geo::LatLon;

/// A pause longer than this between two fixes is a gap: the trailer may have gone anywhere meanwhile, ms (as the site
/// keeper's).
const GAP_MS: i64 = 10_000;
/// From this speed on a standing position is a contradiction, m/s. Source: 2.8 m/s was the highest Doppler speed that a
/// standing receiver showed in recorded logs.
const MOVING_MPS: f64 = 3.0;
/// Digits that stand for so long at such a speed are frozen, ms: 60 m, three times the coarsest digits (two decimals of
/// a minute are 18.5 m).
const FROZEN_MS: i64 = 20_000;
/// A longer step within unbroken reception is a leap if no vehicle could make it, metres. Source: the largest error of
/// a receiver in recorded logs was 255 m.
const LEAP_M: f64 = 1000.0;
/// No trailer is towed faster, m/s (216 km/h; our own limit).
const FASTEST_MPS: f64 = 60.0;
/// Only a place that was told for so long is proven, ms: a receiver that wakes up with its last-known position and then
/// finds the true one must not be held to the wrong one (our own limit; the settle time).
const PROVEN_MS: i64 = 120_000;
/// A leap that lasts longer than this is believed after all, ms: perhaps the first place was the wrong one (our own
/// limit; twice the 10 minutes of a jammer that drives by).
const DISBELIEVED_MS: i64 = 20 * 60_000;
/// At most so long a step counts, ms: receiver time may do anything.
const STEP_MS_MAX: i64 = 60_000;

/// Watches the fixes of one receiver by its own time.
#[derive(Clone, Debug, Default)]
pub(super) struct Plausible {
    last: Option<(u32, LatLon)>,
    /// How long the digits have stood while the speed said otherwise.
    frozen_ms: i64,
    /// How long reception and way have been unbroken.
    proven_ms: i64,
    leap: Option<Leap>,
}

/// The receiver has leapt away from a proven place.
#[derive(Clone, Copy, Debug)]
struct Leap {
    from: LatLon,
    last: LatLon,
    for_ms: i64,
}

impl Plausible {
    /// Judges the next fix of the receiver, whose time of day is `time_ms`.
    pub(super) fn judge(&mut self, fix: &Fix, time_ms: u32) -> Result<(), Refusal> {
        let (step, moved) = match self.last {
            Some((last_ms, last)) => (step_ms(last_ms, time_ms), last != fix.position),
            None => (0, true),
        };
        let unbroken = self.last.is_some() && (0..=GAP_MS).contains(&step);
        self.frozen(fix, step, unbroken, moved)?;
        let before = self.last.replace((time_ms, fix.position)).map(|(_, position)| position);
        self.leapt(fix.position, before, step, unbroken)
    }

    fn frozen(&mut self, fix: &Fix, step: i64, unbroken: bool, moved: bool) -> Result<(), Refusal> {
        let contradicts = !moved && fix.speed_mps.is_some_and(|mps| MOVING_MPS <= mps);
        if !contradicts || !unbroken {
            self.frozen_ms = 0;
            return Ok(());
        }
        self.frozen_ms += step;
        if self.frozen_ms < FROZEN_MS {
            return Ok(());
        }
        // The time goes on, or every later fix would follow a gap.
        if let Some((last_ms, _)) = &mut self.last {
            *last_ms = u32::try_from((i64::from(*last_ms) + step).rem_euclid(super::DAY_MS)).unwrap_or(*last_ms);
        }
        Err(Refusal::Frozen)
    }

    fn leapt(&mut self, here: LatLon, before: Option<LatLon>, step: i64, unbroken: bool) -> Result<(), Refusal> {
        let step = step.clamp(0, STEP_MS_MAX);
        if let Some(leap) = &mut self.leap {
            leap.for_ms += step;
            let near_there = reachable(leap.last, here, step);
            let near_home = reachable(leap.from, here, leap.for_ms);
            if DISBELIEVED_MS <= leap.for_ms || (near_home && !near_there) {
                self.leap = None;
                self.proven_ms = 0;
                return Ok(());
            }
            leap.last = here;
            return Err(Refusal::Leap);
        }
        let Some(before) = before else { return Ok(()) };
        let far = !reachable(before, here, step);
        if far && unbroken && PROVEN_MS <= self.proven_ms {
            self.leap = Some(Leap { from: before, last: here, for_ms: 0 });
            return Err(Refusal::Leap);
        }
        // After a gap the way is unknown, so the proof starts anew.
        self.proven_ms = if far || !unbroken { 0 } else { (self.proven_ms + step).min(PROVEN_MS) };
        Ok(())
    }
}

/// Whether a vehicle can have come from one place to the other within `ms`.
fn reachable(from: LatLon, to: LatLon, ms: i64) -> bool {
    // A degree is at least 110 km of latitude; most pairs need no geodesic.
    let degrees = (from.lat_deg() - to.lat_deg()).abs().max((from.lon_deg() - to.lon_deg()).abs());
    if degrees < 0.004 {
        return true;
    }
    #[expect(clippy::cast_precision_loss, reason = "some minutes in ms")]
    let seconds = ms.max(0) as f64 / 1000.0;
    from.distance_m(to) <= LEAP_M + FASTEST_MPS * seconds
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::moment::Mono;

    fn fix(position: LatLon, speed_mps: Option<f64>) -> Fix {
        Fix { at: Mono(0), utc: None, position, speed_mps, hdop: None, satellites: None, sigma_m: None }
    }

    fn place() -> LatLon {
        LatLon::new(44.5, -38.2).unwrap()
    }

    /// One fix a second from `second` on; answers how many of them were refused.
    fn refused(watch: &mut Plausible, seconds: std::ops::Range<u32>, of: impl Fn(u32) -> Fix) -> u32 {
        seconds.map(|s| u32::from(watch.judge(&of(s), (s * 1000) % 86_400_000).is_err())).sum()
    }

    #[test]
    fn digits_that_stand_while_the_speed_says_otherwise_are_refused_until_they_change() {
        let mut watch = Plausible::default();
        assert_eq!(refused(&mut watch, 0..20, |_| fix(place(), Some(12.0))), 0);
        assert_eq!(refused(&mut watch, 20..3620, |_| fix(place(), Some(12.0))), 3600);
        let away = place().moved(90.0, 100.0);
        assert_eq!(refused(&mut watch, 3620..3621, |_| fix(away, Some(12.0))), 0);
    }

    #[test]
    fn static_hold_and_slow_noise_are_no_fault() {
        let mut watch = Plausible::default();
        for mps in [Some(0.0), Some(2.8), None] {
            assert_eq!(refused(&mut watch, 0..86_000, |_| fix(place(), mps)), 0);
        }
    }

    #[test]
    fn leap_from_a_proven_place_is_refused_until_it_comes_home() {
        let far = place().moved(30.0, 400_000.0);
        for leap_s in [1, 600] {
            let mut watch = Plausible::default();
            assert_eq!(refused(&mut watch, 0..200, |_| fix(place(), Some(0.0))), 0);
            assert_eq!(refused(&mut watch, 200..200 + leap_s, |_| fix(far, Some(0.0))), leap_s);
            assert_eq!(refused(&mut watch, 200 + leap_s..1200, |_| fix(place(), Some(0.0))), 0);
        }
    }

    #[test]
    fn leap_that_lasts_is_believed_in_the_end() {
        let far = place().moved(30.0, 400_000.0);
        let mut watch = Plausible::default();
        refused(&mut watch, 0..200, |_| fix(place(), Some(0.0)));
        assert_eq!(refused(&mut watch, 200..3800, |_| fix(far, Some(0.0))), 1200);
    }

    #[test]
    fn wrong_start_and_a_gap_are_no_leap() {
        let far = place().moved(30.0, 400_000.0);
        let mut watch = Plausible::default();
        assert_eq!(refused(&mut watch, 0..100, |_| fix(far, None)), 0, "the last-known position is replayed");
        assert_eq!(refused(&mut watch, 100..400, |_| fix(place(), None)), 0, "and then the true one found");
        assert_eq!(refused(&mut watch, 1000..1001, |_| fix(far, None)), 0, "carried while it was off");
    }

    #[test]
    fn fast_tow_past_midnight_is_believed() {
        let mut watch = Plausible::default();
        let at = |s: u32| place().moved(45.0, 40.0 * f64::from(s - 86_000));
        assert_eq!(refused(&mut watch, 86_000..87_200, |s| fix(at(s), Some(40.0))), 0);
    }
}
