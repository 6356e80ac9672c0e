//! Has the trailer left its site? Position alone proves nothing quickly (121 m off for 57 s were seen while
//! standing), a
//! Doppler speed alone proves nothing (2.8 m/s were seen while standing); together, going outward, they prove it in
//! seconds. Every rule gives its reason as a sentence.

use super::evidence::{Evidence, Motion, Sample};
use super::noise::StandingNoise;
use crate::moment::Mono;

/// Mean Doppler speed that counts as a fast leave, m/s. Source: a first probe's best settings.
const FAST_MPS: f64 = 1.5;
/// It must last so long, s. Source: as above; 1 s and 6 s are both worse.
const FAST_FOR_S: f64 = 3.0;
/// Share of the motion that must lead away from the anchor. Source: as above.
const OUTWARD_SHARE: f64 = 0.3;
/// Share of the displacement that the Doppler path must explain. Source: as above; false motion shows a third to a
/// half.
const EXPLAINED_SHARE: f64 = 0.6;
/// A displacement shorter than this is not looked at, metres; our own choice, below the least threshold.
const TRAVEL_M_MIN: f64 = 12.0;
/// Each of four means of 20 s must lie so much farther out, metres, times quality. Source: a first probe.
const WALK_STEP_M: f64 = 4.0;
/// Share of the way that the speed above its noise must explain in a steady walk; our own choice.
const WALK_EXPLAINED_SHARE: f64 = 0.65;
/// Without any proof of motion: so long beyond the threshold, observed seconds. Source: our own simulation; in 10,000
/// bad nights 300 s gave 6 false moves and 360 s 2, and no tow is told later. (180 s of a first probe gave 2 in 1,000.)
const DWELL_S: f64 = 360.0;
/// The same when over [`FAR_M`] away.
const DWELL_FAR_S: f64 = 120.0;
/// No error of a GPS receiver in the logs reached this, metres (the largest was 255).
const FAR_M: f64 = 1000.0;
/// So many different positions must have been seen: frozen digits are one observation, however long.
const DWELL_DISTINCT: u32 = 4;
/// The same digits count for so long, s; our own choice, a fifth of the dwell.
const FROZEN_S_MAX: f64 = 60.0;

/// A smooth way of a receiver that sends no speed must be so long soon after an acquisition, metres: three metres a
/// second in its 12 s. Our own choice.
const UNSPOKEN_EARLY_M: f64 = 36.0;

/// What has been seen since the trailer was last well inside its site, or since the last gap.
#[derive(Clone, Debug)]
pub(super) struct Outing {
    /// Where the evidence starts.
    start: (f64, f64),
    /// When it starts.
    pub since: Mono,
    /// Doppler path above the noise floor, metres.
    path_m: f64,
    /// How long fast motion has lasted, s.
    fast_s: f64,
    /// How long any explained motion has lasted, s.
    brisk_s: f64,
    /// Observed seconds beyond the threshold, less three times those inside.
    beyond_s: f64,
    distinct: u32,
    /// Observed seconds that the present digits have counted.
    frozen_s: f64,
    /// Observed seconds since it starts, and of them those after which the middle was looked at last.
    lasted_s: (f64, f64),
}

/// What the rules look at besides the evidence.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground {
    /// The anchor in the plane of the evidence.
    pub anchor: (f64, f64),
    /// `move_threshold_m`.
    pub threshold_m: f64,
    /// Scatter of single positions, times what five metres are worth: at least 1.
    pub quality: f64,
    /// Median Doppler speed while standing.
    pub noise_mps: f64,
    /// Decisions without Doppler are not taken for a while after an acquisition.
    pub distrust: bool,
}

impl Outing {
    /// Evidence that starts at `sample`, and its way at the sample before, if there is one: a jump out belongs to what
    /// the speed must explain.
    pub(super) fn at(sample: &Sample, before: Option<&Sample>) -> Self {
        Self {
            start: before.unwrap_or(sample).east_north_m(),
            since: sample.at,
            path_m: 0.0,
            fast_s: 0.0,
            brisk_s: 0.0,
            beyond_s: 0.0,
            distinct: 0,
            frozen_s: 0.0,
            lasted_s: (0.0, 0.0),
        }
    }

    /// After a gap: how far it went meanwhile is not known, so the path starts anew; how long it has been seen beyond
    /// the
    /// threshold still counts.
    pub(super) fn broken(&mut self, sample: &Sample) {
        self.start = sample.east_north_m();
        self.path_m = 0.0;
        self.fast_s = 0.0;
        self.brisk_s = 0.0;
    }

    /// Takes the start of the evidence into another plane.
    pub(super) fn replant(&mut self, place: impl Fn((f64, f64)) -> (f64, f64)) {
        self.start = place(self.start);
    }

    /// Takes the newest sample in.
    pub(super) fn push(&mut self, sample: &Sample, evidence: &Evidence, noise: &StandingNoise, ground: &Ground) {
        if let Some(mps) = sample.speed_mps
            && noise.floor_mps() < mps
        {
            self.path_m += mps * sample.seconds;
        }
        self.lasted_s.0 += sample.seconds;
        let limit_mps = FAST_MPS.max(2.0 * noise.p95_mps());
        self.fast_s = if evidence.moves_at(limit_mps, 5_000) { self.fast_s + sample.seconds } else { 0.0 };
        let brisk_mps = noise.floor_mps().max(0.5);
        self.brisk_s = if evidence.moves_at(brisk_mps, 10_000) { self.brisk_s + sample.seconds } else { 0.0 };
        if ground.threshold_m < sample.distance_m(ground.anchor) {
            self.frozen_s = if sample.fresh { 0.0 } else { self.frozen_s + sample.seconds };
            if self.frozen_s < FROZEN_S_MAX {
                self.beyond_s += sample.seconds;
            }
            self.distinct += u32::from(sample.fresh);
        } else {
            self.beyond_s = (self.beyond_s - 3.0 * sample.seconds).max(0.0);
            if self.beyond_s <= 0.0 {
                self.distinct = 0;
            }
        }
    }

    /// Whether it has lasted for `least_s` observed seconds; true again after each `every_s` more.
    pub(super) fn lasts(&mut self, least_s: f64, every_s: f64) -> bool {
        let (lasted_s, looked_s) = self.lasted_s;
        let due = least_s <= lasted_s && every_s <= lasted_s - looked_s;
        if due {
            self.lasted_s.1 = lasted_s;
        }
        due
    }

    /// Looks at all rules, quickest first. `Some(reason)`: it has left.
    pub(super) fn proof(&self, evidence: &Evidence, ground: &Ground) -> Option<String> {
        let newest = evidence.newest()?;
        let away_m = newest.distance_m(ground.anchor);
        if away_m <= ground.threshold_m {
            return None;
        }
        self.fast(evidence, ground, newest, away_m)
            .or_else(|| self.brisk(evidence, ground, newest, away_m))
            .or_else(|| if ground.distrust { None } else { walk(evidence, ground, away_m) })
            .or_else(|| unspoken(evidence, ground, newest, away_m))
    }

    /// What remains without any proof of motion: it has been elsewhere for minutes.
    pub(super) fn elsewhere(&self, evidence: &Evidence, ground: &Ground) -> Option<String> {
        let away_m = evidence.newest()?.distance_m(ground.anchor);
        if away_m <= ground.threshold_m { None } else { self.dwell(ground, away_m) }
    }

    fn explained(&self, newest: &Sample) -> bool {
        let travel_m = newest.distance_m(self.start);
        TRAVEL_M_MIN <= travel_m && EXPLAINED_SHARE * travel_m <= self.path_m
    }

    fn fast(&self, evidence: &Evidence, ground: &Ground, newest: &Sample, away_m: f64) -> Option<String> {
        let motion = evidence.motion(5_000)?;
        let good = FAST_FOR_S <= self.fast_s && outward(&motion, ground, away_m) && self.explained(newest);
        good.then(|| {
            format!(
                "{away_m:.0} m from the anchor, going away at {:.1} m/s, and the speed explains the way",
                motion.mean_mps.unwrap_or(0.0)
            )
        })
    }

    fn brisk(&self, evidence: &Evidence, ground: &Ground, newest: &Sample, away_m: f64) -> Option<String> {
        let motion = evidence.motion(10_000)?;
        let good = 5.0 <= self.brisk_s && outward(&motion, ground, away_m) && self.explained(newest);
        good.then(|| {
            format!(
                "{away_m:.0} m from the anchor, going slowly away at {:.1} m/s, and the speed explains the way",
                motion.mean_mps.unwrap_or(0.0)
            )
        })
    }

    fn dwell(&self, ground: &Ground, away_m: f64) -> Option<String> {
        let need_s = if FAR_M < away_m { DWELL_FAR_S } else { DWELL_S };
        let good = !ground.distrust && need_s <= self.beyond_s && DWELL_DISTINCT <= self.distinct;
        good.then(|| {
            format!(
                "{away_m:.0} m from the anchor, and beyond the threshold for {:.0} s without a break",
                self.beyond_s
            )
        })
    }
}

fn outward(motion: &Motion, ground: &Ground, away_m: f64) -> bool {
    let before_m = (motion.first.0 - ground.anchor.0).hypot(motion.first.1 - ground.anchor.1);
    OUTWARD_SHARE * motion.path_m <= away_m - before_m
}

/// Four means of 20 s, each clearly farther out than the one before.
fn walk(evidence: &Evidence, ground: &Ground, away_m: f64) -> Option<String> {
    let step_m = WALK_STEP_M * ground.quality;
    let means = evidence.stretches(20_000, 4)?;
    let away: Vec<f64> = means.iter().map(|(e, n)| (e - ground.anchor.0).hypot(n - ground.anchor.1)).collect();
    let steps: Vec<f64> = away.windows(2).map(|pair| pair[0] - pair[1]).collect();
    let longest_m = steps.iter().copied().fold(0.0, f64::max);
    // An excursion is one long step between short ones; a walk is even.
    let steady = steps.iter().all(|step| step_m.max(longest_m / 4.0) <= *step);
    // Where speed is sent, what it shows above its own noise must explain half of the way: false motion shows a third
    // with the noise.
    let way_m = away.first().copied()? - away.last().copied()?;
    let motion = evidence.motion(80_000)?;
    if motion.mean_mps.is_some() && motion.path_m - ground.noise_mps * motion.span_s < WALK_EXPLAINED_SHARE * way_m {
        return None;
    }
    // The newest mean and not only the newest fix: beyond by a stray fix is not beyond.
    let far = ground.threshold_m <= away.first().copied()?;
    (steady && far).then(|| {
        format!("{away_m:.0} m from the anchor, and each of four means of 20 s lay farther out than the one before")
    })
}

/// For receivers that send no speed.
fn unspoken(evidence: &Evidence, ground: &Ground, newest: &Sample, away_m: f64) -> Option<String> {
    if !evidence.speechless(newest.at) {
        return None;
    }
    let motion = evidence.smooth_way()?;
    // A filter that walks home from a wrong start comes nearer; what goes away soon after an acquisition must go far.
    if ground.distrust && motion.net_m < UNSPOKEN_EARLY_M {
        return None;
    }
    let before_m = (motion.first.0 - ground.anchor.0).hypot(motion.first.1 - ground.anchor.1);
    (OUTWARD_SHARE * motion.net_m <= away_m - before_m).then(|| {
        format!("{away_m:.0} m from the anchor, after 12 s of smooth motion away (the GPS receiver sends no speed)")
    })
}
