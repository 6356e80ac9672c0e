//! The last minutes of fixes in a local plane, and what they show of motion.

use super::noise::StandingNoise;
use crate::geo::{LatLon, LocalPlane};
use crate::moment::Mono;
use std::collections::VecDeque;

/// Fixes that come less often than this are sparse, ms: too few of them fit into the windows of seconds.
const SPARSE_MS: u64 = 2_500;
/// Three steps between sparse fixes may take so long, ms; a receiver at 0.2 Hz takes 15 s.
const SPARSE_SPAN_MS: u64 = 20_000;
/// Each of them must be so long, metres: in the error model of a poor sky the wander makes one of 1.5 m in 5 s.
const SPARSE_STEP_M: f64 = 7.5;

/// One fix as the keeper remembers it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sample {
    /// When it came.
    pub at: Mono,
    /// Where the receiver said it was.
    pub position: LatLon,
    /// East of the plane's origin, metres.
    pub east_m: f64,
    /// North of the plane's origin, metres.
    pub north_m: f64,
    /// Doppler speed, if sent.
    pub speed_mps: Option<f64>,
    /// Observed seconds since the sample before; 0 after a gap.
    pub seconds: f64,
    /// False if the digits are those of the sample before (static hold): no new observation of the position.
    pub fresh: bool,
    /// False if satellites or HDOP are too bad to settle on.
    pub good: bool,
    /// True soon after an acquisition, when a wrong start may still last.
    pub early: bool,
    /// Expected standard deviation per axis, metres.
    pub sigma_m: f64,
    /// Digits of the position are so coarse, metres; 0 if that matters to nobody.
    pub grid_m: f64,
    /// How far it lies from where the way before it led, metres a second; filled in by [`Evidence::push`].
    pub jump_mps: f64,
}

impl Sample {
    /// Distance in the plane, metres.
    pub(super) fn distance_m(&self, (east_m, north_m): (f64, f64)) -> f64 {
        (self.east_m - east_m).hypot(self.north_m - north_m)
    }

    /// Place in the plane.
    pub(super) fn east_north_m(&self) -> (f64, f64) {
        (self.east_m, self.north_m)
    }
}

/// Motion over a short window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Motion {
    /// Length of the window that was really covered, s.
    pub span_s: f64,
    /// Mean Doppler speed; `None` if fewer than half of the fixes carry one.
    pub mean_mps: Option<f64>,
    /// Doppler path over the window, metres.
    pub path_m: f64,
    /// Distance from the window's first position to its last, metres.
    pub net_m: f64,
    /// The window's first position in the plane.
    pub first: (f64, f64),
}

/// Milliseconds as seconds.
pub(super) fn seconds(ms: u64) -> f64 {
    f64::from(u32::try_from(ms).unwrap_or(u32::MAX)) / 1000.0
}

/// The last minutes.
#[derive(Clone, Debug)]
pub(super) struct Evidence {
    plane: LocalPlane,
    ring: VecDeque<Sample>,
    /// How many samples at the end of the ring came since the last gap.
    unbroken: usize,
    /// When a speed was last sent.
    speed_at: Option<Mono>,
}

impl Evidence {
    /// Samples kept: ten minutes at one a second; our own limit.
    const KEPT: usize = 600;
    /// The plane follows when the newest position is farther than this from its origin, metres: errors of a tangential
    /// plane stay below a few centimetres inside.
    const PLANE_REACH_M: f64 = 3000.0;

    pub(super) fn new(plane: LocalPlane) -> Self {
        Self { plane, ring: VecDeque::with_capacity(Self::KEPT), unbroken: 0, speed_at: None }
    }

    pub(super) fn plane(&self) -> &LocalPlane {
        &self.plane
    }

    pub(super) fn newest(&self) -> Option<&Sample> {
        self.ring.back()
    }

    /// Samples newest first, gaps included.
    pub(super) fn newest_first(&self) -> impl Iterator<Item = &Sample> {
        self.ring.iter().rev()
    }

    /// Samples since the last gap, newest first.
    pub(super) fn unbroken(&self) -> impl Iterator<Item = &Sample> {
        self.ring.iter().rev().take(self.unbroken)
    }

    /// Whether the receiver has sent no speed for a minute (or ever).
    pub(super) fn speechless(&self, at: Mono) -> bool {
        self.speed_at.is_none_or(|last| 60_000 < at.since_ms(last))
    }

    /// Takes a sample in. `broken`: a gap lies before it, so that no window may reach across.
    pub(super) fn push(&mut self, sample: Sample, broken: bool) {
        if self.ring.len() == Self::KEPT {
            self.ring.pop_front();
        }
        if sample.speed_mps.is_some() {
            self.speed_at = Some(sample.at);
        }
        self.ring.push_back(sample);
        self.unbroken = if broken { 1 } else { (self.unbroken + 1).min(self.ring.len()) };
        let jump_mps = self.jump_m() / sample.seconds.max(1.0);
        if let Some(newest) = self.ring.back_mut() {
            newest.jump_mps = jump_mps;
        }
    }

    /// Moves everything into another plane.
    pub(super) fn set_plane(&mut self, plane: LocalPlane) {
        self.plane = plane;
        for sample in &mut self.ring {
            (sample.east_m, sample.north_m) = plane.to_plane(sample.position);
        }
    }

    /// A plane around the newest position, if the present one no longer reaches it.
    pub(super) fn plane_wanted(&self, newest: LatLon) -> Option<LocalPlane> {
        let (east_m, north_m) = self.plane.to_plane(newest);
        (Self::PLANE_REACH_M < east_m.hypot(north_m)).then(|| LocalPlane::new(newest))
    }

    /// Motion over the last `window_ms`, or as much of it as there is since the last gap; `None` with fewer than two
    /// samples.
    pub(super) fn motion(&self, window_ms: u64) -> Option<Motion> {
        let newest = self.ring.back()?;
        let (mut spoken, mut count, mut sum, mut path_m) = (0_u32, 0_u32, 0.0, 0.0);
        let mut first = newest;
        for sample in self.unbroken() {
            if window_ms < newest.at.since_ms(sample.at) {
                break;
            }
            first = sample;
            count += 1;
            if let Some(mps) = sample.speed_mps {
                spoken += 1;
                sum += mps;
                path_m += mps * sample.seconds;
            }
        }
        if count < 2 {
            return None;
        }
        // The step before the first position lies outside the window.
        path_m -= first.speed_mps.unwrap_or(0.0) * first.seconds;
        Some(Motion {
            span_s: seconds(newest.at.since_ms(first.at)),
            mean_mps: (count <= 2 * spoken).then(|| sum / f64::from(spoken)),
            path_m,
            net_m: newest.distance_m(first.east_north_m()),
            first: first.east_north_m(),
        })
    }

    /// Means of the positions over `count` stretches of `stretch_ms`, newest first; `None` if there are not so many, or
    /// one has no two different positions (frozen digits are one observation, however long).
    pub(super) fn stretches(&self, stretch_ms: u64, count: usize) -> Option<Vec<(f64, f64)>> {
        let newest = self.ring.back()?;
        let mut sums = vec![(0.0, 0.0, 0_u32, 0_u32); count];
        let mut reached = false;
        for sample in self.unbroken() {
            let back = usize::try_from(newest.at.since_ms(sample.at) / stretch_ms).unwrap_or(usize::MAX);
            let Some(sum) = sums.get_mut(back) else {
                reached = true;
                break;
            };
            sum.0 += sample.east_m;
            sum.1 += sample.north_m;
            sum.2 += 1;
            sum.3 += u32::from(sample.fresh);
        }
        (reached && sums.iter().all(|sum| 2 <= sum.3))
            .then(|| sums.iter().map(|(e, n, count, _)| (e / f64::from(*count), n / f64::from(*count))).collect())
    }

    /// How far the newest position lies from where the way before it led, metres; 0 if there is no way before it.
    fn jump_m(&self) -> f64 {
        let mut samples = self.unbroken();
        let (Some(newest), Some(last)) = (samples.next(), samples.next()) else { return 0.0 };
        let Some(earlier) = samples.find(|s| 3_000 <= last.at.since_ms(s.at)) else { return 0.0 };
        let span_s = seconds(last.at.since_ms(earlier.at));
        let (east_mps, north_mps) =
            ((last.east_m - earlier.east_m) / span_s, (last.north_m - earlier.north_m) / span_s);
        newest.distance_m((last.east_m + east_mps * newest.seconds, last.north_m + north_mps * newest.seconds))
    }

    /// Median of the Doppler speeds of the last `window_ms`, and how many there were.
    pub(super) fn median_speed(&self, window_ms: u64) -> Option<f64> {
        let newest = self.ring.back()?;
        let mut speeds: Vec<f64> =
            self.unbroken().take_while(|s| newest.at.since_ms(s.at) <= window_ms).filter_map(|s| s.speed_mps).collect();
        (!speeds.is_empty()).then(|| super::super::anchor::median(&mut speeds))
    }

    /// True while Doppler speed and position agree that the antenna moves at `limit_mps` or faster: at least half of
    /// the
    /// path is real displacement, and the path explains most of that displacement.
    pub(super) fn moves_at(&self, limit_mps: f64, window_ms: u64) -> bool {
        self.motion(window_ms).is_some_and(|m| {
            m.mean_mps.is_some_and(|mean| limit_mps <= mean)
                && 0.4 * m.path_m <= m.net_m
                && 0.6 * m.net_m <= m.path_m
                && 0.5 * seconds(window_ms) <= m.span_s
        })
    }

    /// Standing, as far as the last ten seconds show it.
    pub(super) fn stands(&self, noise: &StandingNoise) -> bool {
        // A step of coarse digits is no motion.
        let grid_m = self.newest().map_or(0.0, |newest| newest.grid_m);
        let rate_mps =
            self.motion(10_000).map(|m| if 2.0 <= m.span_s { (m.net_m - grid_m).max(0.0) / m.span_s } else { 0.0 });
        let slow = self.median_speed(7_000).is_none_or(|mps| mps < (1.2 * noise.p95_mps()).clamp(0.4, 0.6));
        slow && rate_mps.is_some_and(|rate| rate < 1.0)
    }

    /// For receivers that send no speed: three means of 15 s, each so far from the one before, in one direction.
    pub(super) fn creeps(&self, step_m: f64) -> bool {
        let Some(means) = self.stretches(15_000, 3) else { return false };
        let between_m = |a: usize, b: usize| (means[a].0 - means[b].0).hypot(means[a].1 - means[b].1);
        let (newer_m, older_m) = (between_m(0, 1), between_m(1, 2));
        step_m <= newer_m.min(older_m) && 0.9 * (newer_m + older_m) <= between_m(0, 2)
    }

    /// For receivers that send no speed: the last twelve seconds are one smooth way, farther than noise goes.
    /// Source of the length: at five seconds a first probe cried wolf in 71 of 1,000 bad nights, at twelve in none.
    pub(super) fn smooth_way(&self) -> Option<Motion> {
        let newest = self.ring.back()?;
        if self.unbroken().nth(1).is_some_and(|last| SPARSE_MS <= newest.at.since_ms(last.at)) {
            return self.sparse_way();
        }
        let (mut longest_m, mut path_m, mut steps) = (0.0_f64, 0.0, 0_u32);
        let mut later: Option<&Sample> = None;
        for sample in self.unbroken().take_while(|s| newest.at.since_ms(s.at) <= 12_000) {
            if let Some(next) = later {
                let step_m = next.distance_m(sample.east_north_m());
                longest_m = longest_m.max(step_m);
                path_m += step_m;
                steps += 1;
            }
            later = Some(sample);
        }
        let motion = self.motion(12_000)?;
        let even = 4 <= steps && longest_m <= 3.0 * path_m / f64::from(steps);
        let straight = 0.8 * path_m <= motion.net_m;
        let far = (12.0_f64).max(1.5 * newest.sigma_m) <= motion.net_m;
        (11.0 <= motion.span_s && even && straight && far).then_some(motion)
    }

    /// The same where a fix comes every few seconds only: three steps in one direction, each longer than the wander
    /// makes one. An excursion is one step, and a filter that walks home comes back.
    fn sparse_way(&self) -> Option<Motion> {
        let newest = self.ring.back()?;
        let last: Vec<&Sample> = self.unbroken().take(4).collect();
        let [_, _, _, first] = last.as_slice() else { return None };
        let steps = last.windows(2).map(|pair| pair[0].distance_m(pair[1].east_north_m()));
        let least_m = SPARSE_STEP_M.max(0.75 * newest.sigma_m) + newest.grid_m;
        let (shortest_m, path_m) = steps.fold((f64::INFINITY, 0.0), |(least, sum), step| (least.min(step), sum + step));
        let span_ms = newest.at.since_ms(first.at);
        let motion = self.motion(span_ms)?;
        let straight = 0.85 * path_m <= motion.net_m;
        (span_ms <= SPARSE_SPAN_MS && least_m <= shortest_m && straight).then_some(motion)
    }
}
