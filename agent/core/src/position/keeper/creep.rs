//! The slow witness: what the last minutes of positions say against the hour before. It finds the hop that flickers
//! around the threshold and the crawl that the anchor follows, which no rule over seconds sees.
//!
//! It looks at middles of ten to twenty minutes, each with its own honest radius. In the error model of a poor sky (8 m
//! over 300 s and 4 m over an hour, per axis) the difference of two such middles scatters by 7 m, and both radii
//! together are 29 m: four standard deviations.

use super::arrival::BlockMaker;
use super::evidence::{Evidence, Sample};
use super::hops::{Rest, UNSEEN_SHARE};
use super::leaving::Outing;
use super::standing::Standing;
use super::{KeeperAction, SiteKeeper};
use crate::geo::LocalPlane;
use crate::moment::{Moment, Mono};
use crate::position::anchor::{Anchor, Block};
use std::collections::VecDeque;

/// Positions are gathered over so many observed seconds.
const BLOCK_S: f64 = 60.0;
/// So many of them make the newest past, shortest first: a third to two thirds of the tow bars' 30 minutes. Fewer than
/// two correlation times say nothing.
const NEWEST: [usize; 3] = [10, 15, 20];
/// So many at least make the past before it; a site is found after two minutes, and eight more are about two
/// correlation times.
const BEFORE_MIN: usize = 8;
/// So many at most: an hour.
const BEFORE_MAX: usize = 60;
/// The means must differ by so much before anything is looked at closer, metres; below what is told of a hop.
const LOOK_M: f64 = 15.0;
/// A hop must show by so much more than both radii. Source: our own simulation of poor nights with seeds of their own.
const HOP_RADII: f64 = 1.1;
/// And by so much, metres: what is less is told to nobody (design).
const HOP_M: f64 = 25.0;
/// A move must show by so much more than both radii. Source: as above.
const LEFT_RADII: f64 = 1.3;
/// So much of the newest past opens the halt at the new site, ms: the shortest of the middles.
const REST_MS: u64 = 600_000;
/// What lies so far away is no creeping, metres; the quick rules see it.
const REACH_M: f64 = 500.0;

/// A minute of positions.
#[derive(Clone, Copy, Debug)]
struct Minute {
    block: Block,
    began: Mono,
    sigma_m: f64,
}

/// The last hour and a half of a stay, minute by minute.
#[derive(Clone, Debug, Default)]
pub(super) struct Creep {
    plane: Option<LocalPlane>,
    maker: BlockMaker,
    began: Option<Mono>,
    fresh: bool,
    minutes: VecDeque<Minute>,
    /// Minutes since the anchor started anew; more than are kept if it did not.
    since_hop: usize,
}

/// What the slow witness found.
pub(super) struct Crept {
    /// The newest minutes, in the plane of the witness.
    pub blocks: Vec<Block>,
    /// Where it stood before.
    pub before: Anchor,
    /// How far the middles lie apart, metres.
    pub moved_m: f64,
    /// Minutes that say so.
    pub minutes: usize,
    /// When the newest minutes began.
    pub since: Mono,
    /// It is another site.
    pub left: bool,
}

impl Creep {
    /// Forgets everything: the stay began anew.
    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }

    /// The anchor started anew: what it was before is still remembered.
    pub(super) fn hopped(&mut self) {
        self.since_hop = 0;
    }

    /// Takes a sample of a verified stay; true when a minute is full.
    pub(super) fn push(&mut self, sample: &Sample, evidence: &Evidence) -> bool {
        if sample.early || !sample.good {
            return false;
        }
        let plane = *self.plane.get_or_insert(*evidence.plane());
        let (east_m, north_m) =
            if plane == *evidence.plane() { sample.east_north_m() } else { plane.to_plane(sample.position) };
        if REACH_M < east_m.hypot(north_m) && !self.minutes.is_empty() && REACH_M < self.apart_m((east_m, north_m)) {
            return false;
        }
        self.fresh |= sample.fresh;
        let began = *self.began.get_or_insert(sample.at);
        let Some(block) = self.maker.push(&Sample { east_m, north_m, ..*sample }, BLOCK_S) else { return false };
        self.began = None;
        // Frozen digits are one observation, however long.
        if !std::mem::take(&mut self.fresh) {
            return false;
        }
        if self.minutes.len() == BEFORE_MAX + NEWEST[2] {
            self.minutes.pop_front();
        }
        self.since_hop = if self.minutes.is_empty() { BEFORE_MAX + NEWEST[2] } else { self.since_hop + 1 };
        self.minutes.push_back(Minute { block, began, sigma_m: sample.sigma_m });
        true
    }

    fn apart_m(&self, (east_m, north_m): (f64, f64)) -> f64 {
        self.minutes.back().map_or(0.0, |last| (last.block.east_m - east_m).hypot(last.block.north_m - north_m))
    }

    /// Looks at the newest minutes against those before. `anchor`: where the site's anchor is, in the plane of
    /// [`Self::plane`]. `left_m`: the least that is a move.
    pub(super) fn look(&self, anchor: (f64, f64), left_m: f64) -> Option<Crept> {
        let plane = self.plane?;
        NEWEST.into_iter().find_map(|newest| {
            let at = self.minutes.len().checked_sub(newest).filter(|before| BEFORE_MIN <= *before)?;
            let from = at.saturating_sub(BEFORE_MAX);
            let mean = |range: std::ops::Range<usize>| {
                let count: f64 = self.minutes.range(range.clone()).map(|m| m.block.weight_s).sum();
                let (east, north) = self.minutes.range(range).fold((0.0, 0.0), |sum, m| {
                    (sum.0 + m.block.weight_s * m.block.east_m, sum.1 + m.block.weight_s * m.block.north_m)
                });
                (east / count, north / count)
            };
            let (old, new) = (mean(from..at), mean(at..self.minutes.len()));
            if (old.0 - new.0).hypot(old.1 - new.1) < LOOK_M {
                return None;
            }
            let of = |range: std::ops::Range<usize>| {
                let blocks: Vec<Block> = self.minutes.range(range.clone()).map(|m| m.block).collect();
                let sigma_m = self.minutes.range(range).map(|m| m.sigma_m).sum::<f64>();
                let sigma_m = sigma_m / f64::from(u32::try_from(blocks.len()).unwrap_or(1).max(1));
                let anchor = Anchor::from_blocks(plane, &blocks, sigma_m);
                (anchor, blocks)
            };
            let ((before, _), (after, blocks)) = (of(from..at), of(at..self.minutes.len()));
            let between_m = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1);
            let moved_m = between_m(before.east_north_m(), after.east_north_m());
            let radii_m = before.radius95_m() + after.radius95_m();
            let left = left_m.max(LEFT_RADII * radii_m) <= moved_m;
            // After a hop that was told it is the anchor that has to be right.
            let off_m =
                if self.since_hop < self.minutes.len() { between_m(anchor, after.east_north_m()) } else { moved_m };
            let hopped = HOP_M.max(HOP_RADII * radii_m) <= off_m.min(moved_m);
            (left || hopped).then_some(Crept {
                blocks,
                before,
                moved_m,
                minutes: newest,
                since: self.minutes.get(at)?.began,
                left,
            })
        })
    }
}

impl SiteKeeper {
    /// Gives the newest sample to the slow witness, and does what it says. True if that was something.
    pub(super) fn crept(&mut self, sample: &Sample, now: &Moment, out: &mut Vec<KeeperAction>) -> bool {
        let (Some(standing), Some(evidence)) = (&mut self.standing, &self.evidence) else { return false };
        if !standing.verified || !standing.creep.push(sample, evidence) {
            return false;
        }
        let Some(plane) = standing.creep.plane else { return false };
        let left_m = standing.sure_share() * self.limits.move_threshold_m;
        let Some(crept) = standing.creep.look(standing.anchor_in(&plane), left_m) else { return false };
        let reason = format!(
            "the middle of {} minutes of fixes lies {:.0} m from that of the time before",
            crept.minutes, crept.moved_m
        );
        if crept.left {
            standing.site.position = crept.before.position();
            standing.unsure_from = Some(crept.since);
            standing.outing = Some(Outing::at(&Sample { at: crept.since, ..*sample }, None));
            // What stands there has stood there since: it is found at once, unless its positions run away.
            self.arrival.begin(evidence, REST_MS);
            self.leave(sample, reason, now, out);
            return true;
        }
        let (site, in_doubt) = (standing.site.id, standing.doubt_since.take().is_some());
        standing.trip = None;
        // The first anchor is where it stood before; it may have been drawn along.
        if standing.is_unmoved() {
            standing.home = crept.before.position();
        }
        let rest = Rest { plane, blocks: &crept.blocks, share: UNSEEN_SHARE, moved_m: crept.moved_m };
        self.settle_doubt(&rest, in_doubt.then_some(site), reason, now, out);
        true
    }
}

impl Standing {
    /// True while no hop lies between the first anchor and the present one.
    pub(super) fn is_unmoved(&self) -> bool {
        self.home.distance_m(self.anchor.position()) < super::standing::UNMOVED_M
    }
}
