//! Arriving: a halt becomes a site once it has lasted the settle time in good observed seconds.

use super::evidence::{Evidence, Sample};
use super::noise::StandingNoise;
use crate::geo::LocalPlane;
use crate::moment::Mono;
use crate::position::anchor::{Anchor, Block, median};

/// A fix after a gap that is so far from a halt is of another one, m (our own limit: four times what a receiver under
/// an open sky is off).
const HALT_APART_M: f64 = 30.0;

/// Blocks of a halt may lie so far from their middle, metres. Source: a receiver in static hold jumped by 10 m while
/// it stood.
const CREEP_M: f64 = 14.0;
/// The same in standard deviations of a single position; the wander within a settle time reaches about half of one.
const CREEP_SIGMAS: f64 = 2.4;

/// The first and the newest block may lie so far apart, metres; our own choice.
const TREND_M: f64 = 18.0;
/// The same in standard deviations; two errors a settle time apart differ by at most 1.4 of one, most of the time by
/// less.
const TREND_SIGMAS: f64 = 2.6;

/// A slow motion must be a way from somewhere to somewhere else: the noise of a standing receiver turns about.
const STRAIGHT_SHARE: f64 = 0.65;

/// Over so long a window even half a metre a second stands out from the wander, ms: the error of a fair receiver moves
/// by about 4 m in it (sigma 8 m, correlation 300 s).
const SLOW_WAY_MS: u64 = 40_000;
/// The way in that window, metres, three times that.
const SLOW_WAY_M: f64 = 12.0;
/// Steps between means of 15 s of a receiver without speed that creeps, metres; half a metre a second makes 7.5.
const CREEP_STEP_M: f64 = 5.0;

/// After an acquisition within the halt so many different positions are asked for: a receiver in static hold can
/// freeze a wrong start for minutes.
const ACQUIRED_DISTINCT: u32 = 3;

/// A step of one second that the way before does not explain, metres, counts like an acquisition for the same time: a
/// receiver in static hold can freeze an excursion too. Three times the hardest braking of a tow.
pub(super) const JUMP_MPS: f64 = 15.0;
/// So long after the distrust an acquisition still counts, ms; our own choice, ten times the mean of a wrong start.
const ACQUIRED_MS: u64 = 300_000;
/// And so many speeds other than 0; our own choice.
const ACQUIRED_ALIVE: u32 = 4;
/// Without those (static hold) it must stand so much longer, s: a wrong start in the error model lasts 30 s in the
/// mean, exponentially.
const ACQUIRED_SILENT_S: f64 = 90.0;

/// Averages a block of samples.
#[derive(Clone, Debug, Default)]
pub(super) struct BlockMaker {
    east_m: Vec<f64>,
    north_m: Vec<f64>,
    seconds: f64,
    fresh: u32,
}

impl BlockMaker {
    /// Takes a sample; gives a block once `length_s` observed seconds are in.
    pub(super) fn push(&mut self, sample: &Sample, length_s: f64) -> Option<Block> {
        self.east_m.push(sample.east_m);
        self.north_m.push(sample.north_m);
        self.seconds += sample.seconds;
        self.fresh += u32::from(sample.fresh);
        if self.seconds < length_s {
            return None;
        }
        let block =
            Block { east_m: median(&mut self.east_m), north_m: median(&mut self.north_m), weight_s: self.seconds };
        self.clear();
        Some(block)
    }

    pub(super) fn clear(&mut self) {
        self.east_m.clear();
        self.north_m.clear();
        self.seconds = 0.0;
        self.fresh = 0;
    }

    fn partial(&self) -> Option<Block> {
        (!self.east_m.is_empty()).then(|| Block {
            east_m: median(&mut self.east_m.clone()),
            north_m: median(&mut self.north_m.clone()),
            weight_s: self.seconds.max(1.0),
        })
    }
}

/// Whether the trailer stands, since when, and what its positions were since.
#[derive(Clone, Debug)]
pub(super) struct Arrival {
    settle_s: f64,
    plane: Option<LocalPlane>,
    blocks: Vec<Block>,
    current: BlockMaker,
    observed_s: f64,
    /// Since when it stands; `None` while it moves.
    pub halted_since: Option<Mono>,
    sigma_sum_m: f64,
    sigma_count: f64,
    /// How coarse the newest digits are, metres.
    grid_m: f64,
    moving_samples: u32,
    distinct: u32,
    /// Samples with a living Doppler speed; one that replays or walks in says exactly 0.
    alive: u32,
}

impl Arrival {
    pub(super) fn new(settle_s: f64) -> Self {
        Self {
            settle_s,
            plane: None,
            blocks: Vec::new(),
            current: BlockMaker::default(),
            observed_s: 0.0,
            halted_since: None,
            sigma_sum_m: 0.0,
            sigma_count: 0.0,
            grid_m: 0.0,
            moving_samples: 0,
            distinct: 0,
            alive: 0,
        }
    }

    /// Length of one block, s: six in the settle time, at most 20 s.
    fn block_s(&self) -> f64 {
        (self.settle_s / 6.0).clamp(0.9, 20.0)
    }

    /// Observed good seconds of the present halt.
    pub(super) fn observed_s(&self) -> f64 {
        self.observed_s
    }

    /// Forgets the halt.
    pub(super) fn clear(&mut self) {
        *self = Self::new(self.settle_s);
    }

    /// Begins a halt with the standing samples at the end of `evidence` that are not older than `back_ms`.
    pub(super) fn begin(&mut self, evidence: &Evidence, back_ms: u64) {
        self.clear();
        let Some(newest) = evidence.newest() else { return };
        self.plane = Some(*evidence.plane());
        let count = evidence.unbroken().take_while(|s| newest.at.since_ms(s.at) <= back_ms).count();
        let samples: Vec<Sample> = evidence.unbroken().take(count).copied().collect();
        self.halted_since = samples.last().map(|s| s.at);
        for (i, sample) in samples.iter().rev().enumerate() {
            let seconds = if i == 0 { 0.0 } else { sample.seconds };
            self.take(&Sample { seconds, ..*sample });
        }
    }

    fn take(&mut self, sample: &Sample) {
        if !sample.good || sample.early {
            return;
        }
        self.grid_m = sample.grid_m;
        self.distinct += u32::from(sample.fresh);
        self.alive += u32::from(sample.speed_mps.is_none_or(|mps| 0.0 < mps));
        self.observed_s += sample.seconds;
        self.sigma_sum_m += sample.sigma_m;
        self.sigma_count += 1.0;
        if let Some(block) = self.current.push(sample, self.block_s()) {
            self.blocks.push(block);
        }
    }

    /// Takes the newest sample of `evidence` and looks whether the trailer stands or moves.
    pub(super) fn push(&mut self, evidence: &Evidence, noise: &StandingNoise) {
        let Some(newest) = evidence.newest() else { return };
        if self.halted_since.is_none() {
            if evidence.stands(noise) {
                // What stands now has stood since the speed fell: the last seconds belong to the halt.
                self.begin(evidence, 5_000);
            }
            return;
        }
        if self.plane.is_some_and(|plane| plane != *evidence.plane()) {
            self.replant(evidence);
        }
        let limit_mps = (2.0 * noise.p95_mps()).clamp(0.8, 1.5);
        let moving = if evidence.speechless(newest.at) {
            // Noise of a standing receiver moves means of 15 s by half a standard deviation, seldom twice the same way.
            let creeps = self.halted_since.is_some_and(|since| 50_000 <= newest.at.since_ms(since))
                && evidence.creeps(CREEP_STEP_M.max(0.6 * newest.sigma_m));
            creeps || evidence.smooth_way().is_some()
        } else {
            let slow_mps = (2.8 * noise.p50_mps().unwrap_or(0.15)).clamp(0.45, 0.8);
            // The long window must not reach back to before the halt.
            let long = self.halted_since.is_some_and(|since| 20_000 <= newest.at.since_ms(since));
            evidence.moves_at(limit_mps, 6_000)
                || (long
                    && evidence.moves_at(slow_mps, 15_000)
                    && evidence.motion(15_000).is_some_and(|m| STRAIGHT_SHARE * m.path_m <= m.net_m))
                || (self.halted_since.is_some_and(|since| SLOW_WAY_MS + 5_000 <= newest.at.since_ms(since))
                    && evidence.moves_at((2.2 * noise.p50_mps().unwrap_or(0.15)).clamp(0.35, 0.6), SLOW_WAY_MS)
                    && evidence.motion(SLOW_WAY_MS).is_some_and(|m| {
                        STRAIGHT_SHARE * m.path_m <= m.net_m && SLOW_WAY_M.max(1.5 * newest.sigma_m) <= m.net_m
                    }))
        };
        self.moving_samples = if moving { self.moving_samples + 1 } else { 0 };
        if 2 <= self.moving_samples {
            self.clear();
            return;
        }
        let blocks = self.blocks.len();
        self.take(newest);
        // A position that runs away without motion is a trailer that creeps or a filter that walks in: only the newest
        // seconds count.
        if blocks < self.blocks.len() && self.runs_away() {
            self.begin(evidence, 20_000);
        }
    }

    /// Whether the blocks run away from each other farther than a standing receiver's wander takes them: the newest
    /// from the middle of all, or three in a row from the first.
    fn runs_away(&self) -> bool {
        let (Some((centre, sigma_m)), [first, .., newest]) = (self.centre(), self.blocks.as_slice()) else {
            return false;
        };
        let between_m = |a: (f64, f64), b: &Block| (b.east_m - a.0).hypot(b.north_m - a.1);
        // One step of coarse digits is no way.
        if CREEP_M.max(CREEP_SIGMAS * sigma_m) + self.grid_m < between_m(centre, newest) {
            return true;
        }
        let [.., third, second, _] = self.blocks.as_slice() else { return false };
        let start = (first.east_m, first.north_m);
        let (third_m, second_m, newest_m) =
            (between_m(start, third), between_m(start, second), between_m(start, newest));
        TREND_M.max(TREND_SIGMAS * sigma_m) + self.grid_m < newest_m
            && third_m + 3.0 < second_m
            && second_m + 3.0 < newest_m
    }

    fn replant(&mut self, evidence: &Evidence) {
        if let Some(old) = self.plane.replace(*evidence.plane()) {
            for block in &mut self.blocks {
                let position = old.to_geo(block.east_m, block.north_m);
                (block.east_m, block.north_m) = evidence.plane().to_plane(position);
            }
            self.current.clear();
        }
    }

    fn all_blocks(&self) -> Vec<Block> {
        let mut blocks = self.blocks.clone();
        blocks.extend(self.current.partial());
        blocks
    }

    /// Robust centre of the halt so far in the plane of the evidence, and the expected sigma.
    pub(super) fn centre(&self) -> Option<((f64, f64), f64)> {
        let blocks = self.all_blocks();
        if blocks.is_empty() {
            return None;
        }
        let mut east: Vec<f64> = blocks.iter().map(|b| b.east_m).collect();
        let mut north: Vec<f64> = blocks.iter().map(|b| b.north_m).collect();
        Some(((median(&mut east), median(&mut north)), self.sigma_m()))
    }

    /// Whether a fix after a gap is another place than the halt, or nobody can say that it is not: a halt of one early
    /// fix has no centre yet.
    pub(super) fn may_be_elsewhere(&self, sample: &Sample) -> bool {
        match self.centre() {
            Some((centre, _)) => HALT_APART_M < sample.distance_m(centre),
            None => self.halted_since.is_some(),
        }
    }

    fn sigma_m(&self) -> f64 {
        if self.sigma_count < 1.0 { 5.0 } else { self.sigma_sum_m / self.sigma_count }
    }

    /// An anchor if the settle time is full.
    pub(super) fn settled(&mut self, evidence: &Evidence) -> Option<(Anchor, Mono)> {
        let since = self.halted_since?;
        if self.observed_s < self.settle_s {
            return None;
        }
        let newest = evidence.newest()?;
        // A halt that began anew has not outlived the acquisition by that.
        let lately = |s: &Sample| newest.at.since_ms(s.at) <= ACQUIRED_MS;
        let acquired = evidence.unbroken().take_while(|s| lately(s)).any(|s| s.early || JUMP_MPS < s.jump_mps);
        if acquired && self.distinct < ACQUIRED_DISTINCT {
            return None;
        }
        if acquired && self.alive < ACQUIRED_ALIVE && self.observed_s < self.settle_s + ACQUIRED_SILENT_S {
            return None;
        }
        let blocks = self.all_blocks();
        let (_, sigma_m) = self.centre()?;
        if self.runs_away() {
            self.begin(evidence, 20_000);
            return None;
        }
        Some((Anchor::from_blocks(self.plane?, &blocks, sigma_m), since))
    }

    /// What is known so far, as a provisional anchor.
    pub(super) fn provisional(&self) -> Option<Anchor> {
        let blocks = self.all_blocks();
        (!blocks.is_empty()).then_some(())?;
        Some(Anchor::from_blocks(self.plane?, &blocks, self.sigma_m()))
    }
}
