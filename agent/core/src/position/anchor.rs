//! Where a standing trailer stands, and how far that may be believed.
//!
//! The error of a GPS receiver is correlated over minutes: a mean of 60 positions taken in a minute is worth about
//! one of them. The radius is therefore taken from the *effective* sample count of the time observed, never from the
//! number of positions.

use crate::geo::{LatLon, LocalPlane};

/// Time after which two errors of a standing GPS receiver are nearly independent, s. Source: Gauss-Markov fits to real
/// logs gave 77 to 1,129 s, most of them 150 to 450 s; 200 s is what a first probe found best.
pub const CORRELATION_S: f64 = 200.0;
/// Correlation time of the slow part of the error, s. Assumed: means over an hour still shift by metres.
const SLOW_CORRELATION_S: f64 = 3600.0;
/// Standard deviation of the slow part as a share of the fast one. Assumed, as above.
const SLOW_SHARE: f64 = 0.5;
/// Variance of the slow part at least, m²: what is left of ionosphere and orbits after their models is some 2 m on one
/// frequency however free the sky is. From memory; the logs can't resolve it.
const SLOW_M2_MIN: f64 = 4.0;
/// Effective samples that the expected error is worth before anything was seen. Source: a first probe.
const PRIOR_SAMPLES: f64 = 3.0;
/// 95 % radius of a circular normal distribution in standard deviations of one axis: sqrt(-2 ln 0.05), exact.
const RADIUS95: f64 = 2.447_746_830_680_816;
/// Two-sided 95 % of one axis, for errors that lie along a line: normal quantile 0.975.
const AXIS95: f64 = 1.959_963_984_540_054;
/// Observed time behind an anchor counts up to here, s, so that it can still follow; our own limit.
const WEIGHT_S_MAX: f64 = 86_400.0;

/// Share of the variance that is left in a mean over `observed_s` of an error with correlation time `correlation_s`.
/// Source: variance of the time average of an Ornstein-Uhlenbeck process, exact; 1 at zero time.
#[must_use]
pub fn variance_share(observed_s: f64, correlation_s: f64) -> f64 {
    let x = observed_s / correlation_s;
    // The closed form cancels for small x; two terms of its series are exact to 1e-6 there.
    if x < 1e-2 { 1.0 - x / 3.0 } else { 2.0 / x * (1.0 - (1.0 - (-x).exp()) / x) }
}

/// 95 % radius of a single position with standard deviation `sigma_m` per axis, slow part included, metres.
#[must_use]
pub fn live_radius95_m(sigma_m: f64) -> f64 {
    RADIUS95 * (sigma_m * sigma_m + slow_m2(sigma_m * sigma_m)).sqrt()
}

/// Variance of the slow part beside the variance of a single position, m².
fn slow_m2(variance_m2: f64) -> f64 {
    (SLOW_SHARE * SLOW_SHARE * variance_m2).max(SLOW_M2_MIN)
}

/// The mean of some seconds of positions in the anchor's plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Block {
    /// East of the plane's origin, metres.
    pub east_m: f64,
    /// North of the plane's origin, metres.
    pub north_m: f64,
    /// Observed seconds that it stands for.
    pub weight_s: f64,
}

/// Median of `values`, which are sorted by it; 0 if there are none.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    values.sort_unstable_by(f64::total_cmp);
    let mid = values.len() / 2;
    if values.len() % 2 == 1 { values[mid] } else { f64::midpoint(values[mid - 1], values[mid]) }
}

/// The position estimate of one site.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    plane: LocalPlane,
    east_m: f64,
    north_m: f64,
    /// Weighted sums of squared deviations of the blocks from the mean, per axis, m² s.
    spread: (f64, f64),
    weight_s: f64,
    /// Standard deviation per axis to expect, by the receiver's own words, metres.
    expected_sigma_m: f64,
}

/// An anchor as it is kept over a restart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorMemory {
    /// The estimate.
    pub position: LatLon,
    /// Observed seconds behind it.
    pub weight_s: f64,
    /// Variance seen per axis, m².
    pub variance_m2: (f64, f64),
    /// Standard deviation per axis to expect, metres.
    pub expected_sigma_m: f64,
}

impl Anchor {
    /// An anchor from blocks in `plane`: the robust centre is the median of the blocks, axis by axis.
    #[must_use]
    pub fn from_blocks(plane: LocalPlane, blocks: &[Block], expected_sigma_m: f64) -> Self {
        let mut east: Vec<f64> = blocks.iter().map(|b| b.east_m).collect();
        let mut north: Vec<f64> = blocks.iter().map(|b| b.north_m).collect();
        let (east_m, north_m) = (median(&mut east), median(&mut north));
        let mut anchor = Self { plane, east_m, north_m, spread: (0.0, 0.0), weight_s: 0.0, expected_sigma_m };
        for block in blocks {
            anchor.spread.0 += block.weight_s * (block.east_m - east_m).powi(2);
            anchor.spread.1 += block.weight_s * (block.north_m - north_m).powi(2);
            anchor.weight_s += block.weight_s;
        }
        anchor
    }

    /// The anchor as it was kept.
    #[must_use]
    pub fn restored(memory: &AnchorMemory) -> Self {
        let weight_s = memory.weight_s.clamp(1.0, WEIGHT_S_MAX);
        Self {
            plane: LocalPlane::new(memory.position),
            east_m: 0.0,
            north_m: 0.0,
            spread: (memory.variance_m2.0 * weight_s, memory.variance_m2.1 * weight_s),
            weight_s,
            expected_sigma_m: memory.expected_sigma_m,
        }
    }

    /// What to keep over a restart.
    #[must_use]
    pub fn memory(&self) -> AnchorMemory {
        let weight_s = self.weight_s.max(1.0);
        AnchorMemory {
            position: self.position(),
            weight_s: self.weight_s,
            variance_m2: (self.spread.0 / weight_s, self.spread.1 / weight_s),
            expected_sigma_m: self.expected_sigma_m,
        }
    }

    /// The plane that the anchor's metres are in.
    #[must_use]
    pub fn plane(&self) -> &LocalPlane {
        &self.plane
    }

    /// East and north of the plane's origin, metres.
    #[must_use]
    pub fn east_north_m(&self) -> (f64, f64) {
        (self.east_m, self.north_m)
    }

    /// The estimate.
    #[must_use]
    pub fn position(&self) -> LatLon {
        self.plane.to_geo(self.east_m, self.north_m)
    }

    /// Observed seconds behind the estimate.
    #[must_use]
    pub fn weight_s(&self) -> f64 {
        self.weight_s
    }

    /// Takes one more block in. Outliers pull with the force of three standard deviations at most.
    pub fn push(&mut self, block: &Block, expected_sigma_m: f64) {
        if block.weight_s <= 0.0 {
            return;
        }
        let reach_m = if self.weight_s < CORRELATION_S { f64::INFINITY } else { 3.0 * self.sigma_m().max(1.0) };
        let de = (block.east_m - self.east_m).clamp(-reach_m, reach_m);
        let dn = (block.north_m - self.north_m).clamp(-reach_m, reach_m);
        if WEIGHT_S_MAX < self.weight_s + block.weight_s {
            let keep = (WEIGHT_S_MAX - block.weight_s).max(0.0) / self.weight_s;
            self.spread = (self.spread.0 * keep, self.spread.1 * keep);
            self.weight_s *= keep;
        }
        let total_s = self.weight_s + block.weight_s;
        let gain = block.weight_s / total_s;
        self.spread.0 += block.weight_s * de * de * (1.0 - gain);
        self.spread.1 += block.weight_s * dn * dn * (1.0 - gain);
        self.east_m += gain * de;
        self.north_m += gain * dn;
        self.weight_s = total_s;
        // What the receiver promises may change through the day; its promise is averaged like the position.
        self.expected_sigma_m += gain * (expected_sigma_m - self.expected_sigma_m);
    }

    /// Variance per axis of a single position, from what was expected and what was seen, m².
    fn variances_m2(&self) -> (f64, f64) {
        let effective = 1.0 / variance_share(self.weight_s, CORRELATION_S);
        let weight_s = self.weight_s.max(1.0);
        let prior = PRIOR_SAMPLES * self.expected_sigma_m.powi(2);
        let of = |spread: f64| (prior + effective * spread / weight_s) / (PRIOR_SAMPLES - 1.0 + effective);
        (of(self.spread.0), of(self.spread.1))
    }

    /// Standard deviation of a single position, mean of both axes, metres.
    #[must_use]
    pub fn sigma_m(&self) -> f64 {
        let (east, north) = self.variances_m2();
        f64::midpoint(east, north).sqrt()
    }

    /// 95 % radius of the estimate, metres.
    #[must_use]
    pub fn radius95_m(&self) -> f64 {
        let (fast, slow) =
            (variance_share(self.weight_s, CORRELATION_S), variance_share(self.weight_s, SLOW_CORRELATION_S));
        let (east, north) = self.variances_m2();
        let of_mean = |variance_m2: f64| variance_m2 * fast + slow_m2(variance_m2) * slow;
        let round = RADIUS95 * of_mean(f64::midpoint(east, north)).sqrt();
        let long = AXIS95 * of_mean(east.max(north)).sqrt();
        round.max(long)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn here() -> LocalPlane {
        LocalPlane::new(LatLon::new(44.5, -30.0).unwrap_or_else(|| unreachable!()))
    }

    #[test]
    fn a_minute_of_positions_is_worth_about_one_of_them() {
        assert!(0.9 < variance_share(60.0, CORRELATION_S));
        assert!((variance_share(0.0, CORRELATION_S) - 1.0).abs() < 1e-9);
        // Long means: 2 T / t, the textbook limit.
        let long = variance_share(200_000.0, CORRELATION_S);
        assert!((long - 2.0 * CORRELATION_S / 200_000.0).abs() < 1e-5, "{long}");
    }

    #[test]
    fn the_radius_shrinks_with_hours_and_not_with_the_count() {
        let block = |i: i32| Block { east_m: f64::from(i % 5) - 2.0, north_m: f64::from(i % 7) - 3.0, weight_s: 20.0 };
        let blocks: Vec<Block> = (0..6).map(block).collect();
        let mut anchor = Anchor::from_blocks(here(), &blocks, 5.0);
        let young = anchor.radius95_m();
        for i in 0..180 {
            anchor.push(&block(i), 5.0);
        }
        let hour = anchor.radius95_m();
        assert!(hour < young * 0.6 && 1.0 < hour, "{young} then {hour}");
    }

    #[test]
    fn a_wild_block_moves_an_old_anchor_little() {
        let blocks = vec![Block { east_m: 0.0, north_m: 0.0, weight_s: 20.0 }; 30];
        let mut anchor = Anchor::from_blocks(here(), &blocks, 5.0);
        anchor.push(&Block { east_m: 400.0, north_m: 0.0, weight_s: 20.0 }, 5.0);
        assert!(anchor.east_north_m().0 < 0.5, "{:?}", anchor.east_north_m());
    }

    #[test]
    fn a_kept_anchor_comes_back_with_its_radius() {
        let blocks = vec![
            Block { east_m: 3.0, north_m: 0.0, weight_s: 60.0 },
            Block { east_m: -3.0, north_m: 2.0, weight_s: 60.0 },
        ];
        let anchor = Anchor::from_blocks(here(), &blocks, 5.0);
        let back = Anchor::restored(&anchor.memory());
        assert!((back.radius95_m() - anchor.radius95_m()).abs() < 1e-9);
        assert!(back.position().distance_m(anchor.position()) < 1e-3);
    }
}
