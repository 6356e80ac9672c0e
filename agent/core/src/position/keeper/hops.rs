//! Hops: the trailer was moved by less than the threshold, seen or unseen. The anchor follows, and from 25 m on people
//! are told.

use super::arrival::BlockMaker;
use super::evidence::{Evidence, Sample, seconds};
use super::noise::StandingNoise;
use super::standing::{BLOCK_S, Standing};
use super::{Anchor, KeeperAction, KeeperState, SiteKeeper};
use crate::geo::LocalPlane;
use crate::ids::SiteId;
use crate::moment::{Moment, Mono};
use crate::position::anchor::{Block, median};

/// Blocks that are compared with the anchor to find a hop without motion: ten minutes.
pub(super) const RECENT_BLOCKS: usize = 30;
/// A hop without seen motion must show by so much, metres, times quality. Source: a first probe; 20 m was blind.
const HOP_M: f64 = 14.0;
/// A hop with motion that explains it, metres, times quality; our own choice.
const HOP_EXPLAINED_M: f64 = 10.0;
/// From here on a hop is told to people and place lines need confirmation, metres (design).
const HOP_TOLD_M: f64 = 25.0;

/// So long away without a decision and without having been well inside, observed seconds, and the middle of the last
/// minutes decides: a hop of about the threshold flickers around it for ever. The dwell of a leaving has been over by
/// then.
const LASTING_S: f64 = 420.0;
/// So much of the newest past makes that middle, ms.
const LASTING_MS: u64 = 240_000;
/// So many different positions must be in it: a receiver in static hold can freeze an excursion for minutes, and then
/// its middle is one observation.
const LASTING_DISTINCT: u32 = 60;
/// It must lie so much of the threshold away, our own choice.
const LASTING_SHARE: f64 = 0.8;
/// And so many standard deviations of the difference: noise reaches that in no night.
const LASTING_SIGMAS: f64 = 4.5;

/// The error of a poor sky would hide moves from just above the threshold, so that it tells them from this share of it
/// on.
const SHARE_MIN: f64 = 0.9;
/// So much less of the threshold for each multiple of a good receiver's scatter; our own choice. A poor sky has two.
const SHARE_PER_QUALITY: f64 = 0.15;
/// So much of the way its speed must show for that; our own choice. In tows it shows nine tenths and more.
const TRIP_SURE_SHARE: f64 = 0.75;
/// Without seen motion only a clear distance is a move: share of the threshold.
pub(super) const UNSEEN_SHARE: f64 = 1.3;
/// A Doppler path shorter than this is no trip, metres; an excursion that comes and goes shows up to 9 m.
const TRIP_M_MIN: f64 = 12.0;

/// Where the trailer rests after a hop.
pub(super) struct Rest<'a> {
    pub plane: LocalPlane,
    /// Positions since, in that plane.
    pub blocks: &'a [Block],
    /// Away from the first anchor by more than this share of the threshold it is another site.
    pub share: f64,
    /// It was moved by so much at least, metres; an anchor that was drawn along says less.
    pub moved_m: f64,
}

/// Motion inside the threshold that may end elsewhere.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trip {
    /// Where it began, in the plane of the evidence.
    pub start: (f64, f64),
    path_m: f64,
    /// Doppler path above the noise since the last motion: it counts once motion goes on, since slow motion shows now
    /// and then only.
    pending_m: f64,
    last_motion: Mono,
    standing_s: f64,
}

impl SiteKeeper {
    /// It has been away for minutes, never well inside, and nothing was decided: the middle of the last minutes
    /// decides.
    pub(super) fn hop_lasting(&mut self, sample: &Sample, now: &Moment, out: &mut Vec<KeeperAction>) -> bool {
        if self.distrusted(sample.at) {
            return false;
        }
        let (Some(standing), Some(evidence)) = (&mut self.standing, &self.evidence) else { return false };
        if !standing.verified || !standing.outing.as_mut().is_some_and(|outing| outing.lasts(LASTING_S, BLOCK_S)) {
            return false;
        }
        let mut maker = BlockMaker::default();
        let mut blocks = Vec::new();
        let mut distinct = 0;
        for seen in evidence.unbroken().take_while(|s| sample.at.since_ms(s.at) <= LASTING_MS) {
            distinct += u32::from(seen.fresh);
            blocks.extend(maker.push(seen, BLOCK_S));
        }
        let weight_s: f64 = blocks.iter().map(|block| block.weight_s).sum();
        if weight_s < 0.8 * seconds(LASTING_MS) || distinct < LASTING_DISTINCT {
            return false;
        }
        let anchor = standing.anchor_in(evidence.plane());
        let mut east: Vec<f64> = blocks.iter().map(|b| b.east_m).collect();
        let mut north: Vec<f64> = blocks.iter().map(|b| b.north_m).collect();
        let moved_m = (median(&mut east) - anchor.0).hypot(median(&mut north) - anchor.1);
        let sigma_m = standing.anchor.sigma_m().hypot(standing.anchor.radius95_m() / 2.45);
        let threshold_m = self.limits.move_threshold_m;
        // Beyond the threshold the dwell decides, and a wrong start may last for minutes.
        let least_m = (LASTING_SHARE * threshold_m).max(LASTING_SIGMAS * sigma_m);
        if moved_m < least_m || threshold_m < moved_m {
            return false;
        }
        let site = standing.site.id;
        let in_doubt = standing.doubt_since.take().is_some();
        // A way that the speed explains is told as a move sooner, as after any trip.
        let explained = standing.trip.take().is_some_and(|trip| TRIP_SURE_SHARE * moved_m <= trip.path_m);
        let share = if explained { standing.sure_share() } else { UNSEEN_SHARE };
        let reason = format!("the middle of {weight_s:.0} s of fixes lies {moved_m:.0} m from the anchor");
        let plane = *evidence.plane();
        let rest = Rest { plane, blocks: &blocks, share, moved_m: 0.0 };
        self.settle_doubt(&rest, in_doubt.then_some(site), reason, now, out);
        true
    }

    /// Starts the anchor anew, and ends the doubt in which the site was, unless it is another site now.
    pub(super) fn settle_doubt(
        &mut self,
        rest: &Rest<'_>,
        doubted: Option<SiteId>,
        reason: String,
        now: &Moment,
        out: &mut Vec<KeeperAction>,
    ) {
        self.reanchor(rest, reason.clone(), now, out);
        if let Some(site) = doubted
            && self.standing.is_some()
        {
            self.arrival.clear();
            out.push(KeeperAction::DoubtEnded { site, reason: reason.clone() });
            self.enter(KeeperState::Anchored, reason, now, out);
        }
    }

    /// Ten minutes of blocks lie clearly beside an anchor that was older than that.
    pub(super) fn hop_unseen(&mut self, now: &Moment, out: &mut Vec<KeeperAction>) -> bool {
        let Some(standing) = &mut self.standing else { return false };
        if standing.recent.len() < RECENT_BLOCKS || standing.anchor.weight_s() < 600.0 {
            return false;
        }
        let mut east: Vec<f64> = standing.recent.iter().map(|b| b.east_m).collect();
        let mut north: Vec<f64> = standing.recent.iter().map(|b| b.north_m).collect();
        let (east_m, north_m) = (median(&mut east), median(&mut north));
        let (anchor_east_m, anchor_north_m) = standing.anchor.east_north_m();
        let moved_m = (east_m - anchor_east_m).hypot(north_m - anchor_north_m);
        // Noise alone reaches three standard deviations of a single position within a bad night.
        let limit_m = (HOP_M * standing.quality()).max(3.3 * standing.anchor.sigma_m());
        if moved_m < limit_m {
            return false;
        }
        let blocks: Vec<Block> = standing.recent.drain(..).collect();
        let reason = format!("ten minutes of fixes lie {moved_m:.0} m beside the anchor");
        let Some(plane) = self.evidence.as_ref().map(|evidence| *evidence.plane()) else { return false };
        let rest = Rest { plane, blocks: &blocks, share: UNSEEN_SHARE, moved_m: 0.0 };
        self.reanchor(&rest, reason, now, out);
        true
    }

    pub(super) fn after_trip(&mut self, trip: Trip, now: &Moment, out: &mut Vec<KeeperAction>) {
        let (Some(standing), Some(evidence)) = (&mut self.standing, &self.evidence) else { return };
        let Some(newest) = evidence.newest() else { return };
        let window_ms = trip_rest_ms(self.limits.settle_s) * 4 / 5;
        let mut maker = BlockMaker::default();
        let mut blocks = Vec::new();
        for sample in evidence.unbroken().take_while(|s| newest.at.since_ms(s.at) <= window_ms) {
            blocks.extend(maker.push(sample, seconds(window_ms) / 4.5));
        }
        if blocks.is_empty() {
            return;
        }
        let fresh = Anchor::from_blocks(*evidence.plane(), &blocks, newest.sigma_m);
        let moved_m = fresh.position().distance_m(standing.anchor.position());
        // The way must be a real one: as long as the speed says, and from somewhere to somewhere else.
        let (east_m, north_m) = fresh.east_north_m();
        let way_m = (east_m - trip.start.0).hypot(north_m - trip.start.1);
        let explained = TRIP_M_MIN <= trip.path_m && 0.6 * trip.path_m <= way_m && 0.6 * way_m <= trip.path_m;
        if moved_m < HOP_EXPLAINED_M * standing.quality() || trip.path_m < 0.6 * moved_m || !explained {
            return;
        }
        let reason = format!("the trailer was moved by {moved_m:.0} m: the speed explains the way");
        // A long excursion in gusts of speed noise shows some of a way, a trip shows nearly all.
        let share = if TRIP_SURE_SHARE * way_m <= trip.path_m { standing.sure_share() } else { UNSEEN_SHARE };
        let plane = *evidence.plane();
        self.reanchor(&Rest { plane, blocks: &blocks, share, moved_m: 0.0 }, reason, now, out);
    }

    /// The same site, but the anchor starts anew from what is at rest now. Away from its first anchor by more than the
    /// share of the threshold it is another site.
    pub(super) fn reanchor(&mut self, rest: &Rest<'_>, reason: String, now: &Moment, out: &mut Vec<KeeperAction>) {
        let Some(standing) = &mut self.standing else { return };
        let Some(evidence) = &self.evidence else { return };
        let before = standing.anchor.position();
        let mut anchor = Anchor::from_blocks(rest.plane, rest.blocks, standing.anchor.sigma_m());
        if anchor.weight_s() <= 0.0 {
            return;
        }
        std::mem::swap(&mut standing.anchor, &mut anchor);
        standing.publish(now.mono);
        standing.outing = None;
        standing.block.clear();
        standing.recent.clear();
        standing.creep.hopped();
        let position = standing.site.position;
        let moved_m = before.distance_m(position).max(rest.moved_m);
        let together_m = standing.home.distance_m(position);
        if rest.share * self.limits.move_threshold_m < together_m {
            let Some(newest) = evidence.newest().copied() else { return };
            let reason = format!("{reason}, and together {together_m:.0} m from where the site was found");
            standing.site.position = before;
            self.arrival.begin(evidence, trip_rest_ms(self.limits.settle_s) * 4 / 5);
            self.leave(&newest, reason, now, out);
            return;
        }
        let (site, whereabouts) = (standing.site.clone(), standing.whereabouts());
        self.tell(now.mono, whereabouts);
        // Small hops add up: what counts is how far the trailer stands from where a confirmed line was said.
        let line_moved_m = self.places.confirmed_away_m(site.id, position).unwrap_or(together_m);
        let told = HOP_TOLD_M <= line_moved_m.max(moved_m);
        if HOP_TOLD_M <= moved_m {
            self.places_mut().doubt_lines(site.id);
        } else if told {
            self.places_mut().doubt_lines_far(site.id, position, HOP_TOLD_M);
        }
        out.push(KeeperAction::Hopped { site, moved_m, lines_unconfirmed: told, reason });
        out.push(KeeperAction::Keep);
    }
}

/// After motion the trailer must have stood so long before its new position is believed, ms.
fn trip_rest_ms(settle_s: f64) -> u64 {
    if settle_s < 60.0 { if settle_s < 15.0 { 10_000 } else { 20_000 } } else { 60_000 }
}

impl Standing {
    /// From this share of the threshold on it is a move, where it shows clearly: the whole under a good sky.
    pub(super) fn sure_share(&self) -> f64 {
        (1.0 - SHARE_PER_QUALITY * (self.quality() - 1.0)).max(SHARE_MIN)
    }

    /// Follows motion from inside the threshold, also while it is in doubt.
    pub(super) fn follow_trip(&mut self, sample: &Sample, evidence: &Evidence, noise: &StandingNoise) {
        let floor_mps = noise.floor_mps();
        let moving =
            sample.speed_mps.is_some_and(|mps| floor_mps < mps) && evidence.moves_at(floor_mps.max(0.5), 6_000);
        let mps = sample.speed_mps.unwrap_or(0.0);
        let step_m = mps * sample.seconds;
        // Noise adds to true motion in squares; what it can explain alone is no way.
        let sure_m = (mps * mps - noise.p95_mps().powi(2)).max(0.0).sqrt() * sample.seconds;
        match &mut self.trip {
            Some(trip) if moving => {
                trip.last_motion = sample.at;
                trip.standing_s = sample.seconds;
                trip.path_m += trip.pending_m + step_m;
                trip.pending_m = 0.0;
            }
            Some(trip) => {
                trip.pending_m += sure_m;
                trip.standing_s += sample.seconds;
            }
            None if moving => {
                // The way counts from where the window that shows it begins.
                let (start, path_m) =
                    evidence.motion(8_000).map_or((sample.east_north_m(), 0.0), |motion| (motion.first, motion.path_m));
                let (last_motion, standing_s) = (sample.at, sample.seconds);
                self.trip = Some(Trip { start, path_m, pending_m: 0.0, last_motion, standing_s });
                self.block.clear();
            }
            None => {}
        }
    }

    /// The trip, if it ended a while ago and the new position may be looked at.
    pub(super) fn ended_trip(&mut self, now: Mono, settle_s: f64) -> Option<Trip> {
        let ended = |trip: &Trip| trip_rest_ms(settle_s) <= now.since_ms(trip.last_motion) && 5.0 <= trip.standing_s;
        self.trip.take_if(|trip| ended(trip))
    }
}
