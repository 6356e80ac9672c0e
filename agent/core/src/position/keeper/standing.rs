//! At a site: the check after a start, refining the anchor, doubt, hops below the threshold.

use super::arrival::BlockMaker;
use super::creep::Creep;
use super::evidence::Sample;
use super::hops::{RECENT_BLOCKS, Trip};
use super::leaving::{Ground, Outing};
use super::moving::JUMP_UNSURE_MS;
use super::{Adrift, Anchor, KeeperAction, KeeperLimits, KeeperState, KeptSite, SiteKeeper};
use crate::geo::{LatLon, LocalPlane};
use crate::moment::{Moment, Mono};
use crate::position::Site;
use crate::position::anchor::{Block, live_radius95_m, median};
use crate::position::timeline::Whereabouts;
use crate::position::trail::Trail;
use std::collections::VecDeque;
use std::sync::Arc;

/// Share of the threshold that counts as well inside: there the evidence of leaving starts anew.
const INSIDE_SHARE: f64 = 0.3;
/// Share of the threshold inside which one fix ends a doubt.
const CALM_SHARE: f64 = 0.6;
/// So many fixes in a row inside the threshold end a doubt.
const CALM_SAMPLES: u32 = 5;
/// A Doppler speed from here on, twice in a row, is doubt, wherever the positions lie, m/s: standing receivers showed
/// up to 2.8. Positions may hang, or go an error's way back, while the trailer is towed off.
const DOUBT_MPS: f64 = 4.0;
/// Different positions with a living Doppler speed that must agree with the stored site after a start. A cold receiver
/// may replay its last known position, which is one position however often it is sent, and one that still walks in from
/// elsewhere says speed 0.
const AGREE_DISTINCT: u32 = 4;
/// And they must agree for so long, s, at the default settle time; shorter with a shorter one. Our own choice.
const AGREE_ALIVE_S: f64 = 30.0;
/// Receivers in static hold send frozen digits: they agree after this time, s. Source: no power-on error over 25 m in
/// the logs outlived 82 s; in the error model, where wrong starts last 30 s in the mean, one in 20,000 outlives this.
const AGREE_FROZEN_S: f64 = 300.0;
/// Share of the threshold within which a fix agrees with the stored site. Between this and the threshold it says
/// neither: a trailer that was put down just beyond the threshold is seen there too.
const AGREE_SHARE: f64 = 0.6;
/// Observed seconds after a start, after the distrust, whose middle decides. Source: with the distrust of 60 s it ends
/// after 300 s, within the 420 s that a decision may take.
const CHECK_S: f64 = 240.0;
/// While the newer half says otherwise than the whole it goes on for at most so long, observed seconds; then the newer
/// half decides. Source: with the distrust of 60 s it ends within the 420 s that a decision may take.
const CHECK_S_MAX: f64 = 340.0;
/// The middle is elsewhere from so much of the threshold on: half way between "same" and the 60 m that must always be
/// found, at the default threshold.
const CHECK_SHARE: f64 = 0.6;
/// And from so many standard deviations of the difference: 3.2 of a radial error are one in 170.
const CHECK_SIGMAS: f64 = 3.2;
/// An anchor with fewer observed seconds than this gives way to a longer stay elsewhere that no speed explains, s: the
/// dwell of a leaving is longer. Source: in the error model an excursion may last through the settle time.
const YOUNG_S: f64 = 300.0;
/// So much of the newest past makes the corrected anchor, ms; within the dwell.
const CORRECT_MS: u64 = 240_000;
/// A step of one second that no start of a tow makes, metres; one of over 100 m in the three seconds of an excursion is
/// longer (error model).
const LEAVE_JUMP_M: f64 = 25.0;
/// Blocks of the anchor, s.
pub(super) const BLOCK_S: f64 = 20.0;
/// The first anchor and the present one are the same within this, metres: no hop lies between them. Rounding only.
pub(super) const UNMOVED_M: f64 = 0.1;

/// The current site and all that is being tested about it.
#[derive(Clone, Debug)]
pub(super) struct Standing {
    pub site: Site,
    pub home: LatLon,
    pub anchor: Anchor,
    pub verified: bool,
    agree_s: f64,
    agree_distinct: u32,
    /// Middles of the fixes since the start, until the check is decided.
    check: Vec<Block>,
    check_s: f64,
    check_distinct: u32,
    check_maker: BlockMaker,
    pub outing: Option<Outing>,
    pub doubt_since: Option<Mono>,
    pub calm_samples: u32,
    /// Fixes in a row that say a speed that no standing receiver says.
    swift_samples: u32,
    /// The doubt is one of those that a single fix near the anchor does not end; what is said when it ends.
    slow_to_calm: Option<&'static str>,
    pub block: BlockMaker,
    block_fresh: u32,
    pub recent: VecDeque<Block>,
    pub trip: Option<Trip>,
    told_at: Mono,
    /// When this stay began.
    pub found_from: Mono,
    /// A clock that nobody trusted has dated the arrival.
    pub undated: bool,
    /// No gap since it was found, so that no motion was missed.
    heard_since_found: bool,
    /// The site is left and nothing showed the way: where it was since then is not sure either.
    pub unsure_from: Option<Mono>,
    /// The slow witness.
    pub creep: Creep,
}

impl Standing {
    pub(super) fn new(site: Site, anchor: Anchor, now: Mono) -> Self {
        let home = anchor.position();
        Self {
            site,
            home,
            anchor,
            verified: true,
            agree_s: 0.0,
            agree_distinct: 0,
            check: Vec::new(),
            check_s: 0.0,
            check_distinct: 0,
            check_maker: BlockMaker::default(),
            outing: None,
            doubt_since: None,
            calm_samples: 0,
            swift_samples: 0,
            slow_to_calm: None,
            block: BlockMaker::default(),
            block_fresh: 0,
            recent: VecDeque::with_capacity(RECENT_BLOCKS),
            trip: None,
            told_at: now,
            found_from: now,
            undated: false,
            heard_since_found: true,
            unsure_from: None,
            creep: Creep::default(),
        }
    }

    pub(super) fn restored(kept: KeptSite) -> Self {
        let anchor = Anchor::restored(&kept.anchor);
        let mut standing = Self::new(kept.site, anchor, Mono(0));
        standing.home = kept.home;
        standing.verified = false;
        standing.heard_since_found = false;
        standing
    }

    pub(super) fn kept(&self) -> KeptSite {
        KeptSite { site: self.site.clone(), home: self.home, anchor: self.anchor.memory() }
    }

    pub(super) fn whereabouts(&self) -> Whereabouts {
        Whereabouts::AtSite {
            site: self.site.id,
            position: self.site.position,
            radius95_m: self.site.radius95_m,
            verified: self.verified,
        }
    }

    /// The same as a keeper told it that was sure of it.
    pub(super) fn seen_whereabouts(&self) -> Whereabouts {
        Whereabouts::AtSite {
            site: self.site.id,
            position: self.site.position,
            radius95_m: self.site.radius95_m,
            verified: true,
        }
    }

    /// The anchor in `plane`, metres.
    pub(super) fn anchor_in(&self, plane: &LocalPlane) -> (f64, f64) {
        if plane == self.anchor.plane() { self.anchor.east_north_m() } else { plane.to_plane(self.anchor.position()) }
    }

    pub(super) fn replant(&mut self, old: &LocalPlane, new: &LocalPlane) {
        if let Some(outing) = &mut self.outing {
            outing.replant(|(east_m, north_m)| new.to_plane(old.to_geo(east_m, north_m)));
        }
        if let Some(trip) = &mut self.trip {
            trip.start = new.to_plane(old.to_geo(trip.start.0, trip.start.1));
        }
        self.block.clear();
        self.check.clear();
        self.check_maker.clear();
        self.check_s = 0.0;
    }

    /// After a start, when the fixes lie neither well inside nor well outside: the middle of minutes decides.
    fn checked(&mut self, sample: &Sample, anchor: (f64, f64), threshold_m: f64) -> Option<Turn> {
        if self.verified || sample.early || !sample.good {
            return None;
        }
        self.check_s += sample.seconds;
        self.check_distinct += u32::from(sample.fresh);
        self.check.extend(self.check_maker.push(sample, BLOCK_S));
        let enough_s = if self.check_distinct < AGREE_DISTINCT { 1.25 * CHECK_S } else { CHECK_S };
        if self.check_s < enough_s || self.check_distinct < 2 {
            return None;
        }
        let middle_m = |blocks: &[Block]| {
            let mut east: Vec<f64> = blocks.iter().map(|b| b.east_m).collect();
            let mut north: Vec<f64> = blocks.iter().map(|b| b.north_m).collect();
            (median(&mut east) - anchor.0).hypot(median(&mut north) - anchor.1)
        };
        let away_m = middle_m(&self.check);
        // A long excursion towards the site ends: the newer half alone must say the same.
        let newer_m = middle_m(&self.check[self.check.len() / 2..]);
        // The error of a middle of minutes is nearly that of one position; the anchor's own is in its radius.
        let sigma_m = (0.8 * self.anchor.sigma_m()).hypot(self.anchor.radius95_m() / 2.45);
        let same_m = (CHECK_SHARE * threshold_m).max(CHECK_SIGMAS * sigma_m);
        match (away_m < same_m, newer_m < same_m) {
            (true, true) => return Some(Turn::Verify),
            (false, false) => {}
            // The halves disagree; the time of the dwell is the end of waiting.
            _ if self.check_s < CHECK_S_MAX => return None,
            (_, true) => return Some(Turn::Verify),
            (_, false) => {}
        }
        Some(Turn::Leave(format!("the middle of {:.0} s of fixes lies {away_m:.0} m from the anchor", self.check_s)))
    }

    /// How much wider than a good receiver's the scatter of single positions is, at least 1.
    pub(super) fn quality(&self) -> f64 {
        (self.anchor.sigma_m() / 5.0).max(1.0)
    }

    pub(super) fn publish(&mut self, now: Mono) {
        self.site.position = self.anchor.position();
        self.site.radius95_m = self.anchor.radius95_m();
        self.told_at = now;
    }

    /// Whether the anchor is worth telling again.
    fn refined(&self, now: Mono) -> bool {
        60_000 <= now.since_ms(self.told_at)
            && (self.anchor.radius95_m() < 0.85 * self.site.radius95_m
                || 1.5 < self.anchor.position().distance_m(self.site.position))
    }
}

/// What one sample at a site leads to.
enum Turn {
    Stay,
    Verify,
    Doubt(String),
    Calm(String),
    Leave(String),
    Correct(String),
}

impl SiteKeeper {
    pub(super) fn standing_step(&mut self, sample: &Sample, broken: bool, now: &Moment, out: &mut Vec<KeeperAction>) {
        let turn = self.standing_turn(sample, broken);
        match turn {
            Turn::Stay => {}
            Turn::Verify => self.verify(now, out),
            Turn::Doubt(reason) => self.doubt(sample, reason, now, out),
            Turn::Calm(reason) => self.calm(reason, now, out),
            Turn::Leave(reason) => return self.leave(sample, reason, now, out),
            Turn::Correct(reason) => return self.correct(&reason, now, out),
        }
        let distrust = self.distrusted(sample.at);
        let (Some(standing), Some(evidence)) = (&mut self.standing, &self.evidence) else { return };
        if standing.verified && !distrust {
            standing.follow_trip(sample, evidence, &self.noise);
        }
        if self.hop_lasting(sample, now, out) || self.crept(sample, now, out) {
            return;
        }
        let Some(standing) = &self.standing else { return };
        if standing.doubt_since.is_some() {
            let radius95_m = live_radius95_m(sample.sigma_m);
            let site = Some(standing.site.id);
            self.tell(sample.at, Whereabouts::Doubtful { site, position: Some(sample.position), radius95_m });
        } else if standing.verified {
            self.refine(sample, now, out);
        } else if self.state != KeeperState::Doubtful {
            let reason = format!("checking site {} after the start", standing.site.id.0);
            self.enter(KeeperState::Doubtful, reason, now, out);
        }
        if broken && let Some(since) = self.timeline.unseen_until(sample.at) {
            let known = self.standing.as_ref().is_some_and(|s| s.verified && s.doubt_since.is_none());
            if known {
                let reason = "fixes are back and agree with the site".to_owned();
                out.push(KeeperAction::Restamp { from: since.plus_ms(super::GAP_MS), to: sample.at, reason });
            }
        }
    }

    fn standing_turn(&mut self, sample: &Sample, broken: bool) -> Turn {
        let distrust = self.distrusted(sample.at);
        let threshold_m = self.limits.move_threshold_m;
        let (Some(standing), Some(evidence)) = (&mut self.standing, &mut self.evidence) else { return Turn::Stay };
        let mut anchor = standing.anchor_in(evidence.plane());
        let away_m = sample.distance_m(anchor);
        if away_m <= threshold_m && evidence.plane() != standing.anchor.plane() {
            // Back near the site: everything goes on in the anchor's own plane.
            let (old, new) = (*evidence.plane(), *standing.anchor.plane());
            evidence.set_plane(new);
            standing.replant(&old, &new);
            anchor = standing.anchor_in(&new);
        }
        let Some(sample) = evidence.newest().copied() else { return Turn::Stay };
        let speechless = evidence.speechless(sample.at);
        standing.heard_since_found &= !broken;
        let ground = Ground {
            anchor,
            threshold_m,
            quality: standing.quality(),
            noise_mps: self.noise.p50_mps().unwrap_or(0.0),
            distrust,
        };
        if away_m <= INSIDE_SHARE * threshold_m {
            standing.outing = None;
        } else {
            let before = evidence.unbroken().nth(1);
            let outing = standing.outing.get_or_insert_with(|| Outing::at(&sample, before));
            if broken {
                outing.broken(&sample);
            }
            outing.push(&sample, evidence, &self.noise, &ground);
        }
        if let Some(turn) = standing.checked(&sample, anchor, threshold_m) {
            self.unsure_until = self.unsure_until.max(sample.at.plus_ms(1));
            return turn;
        }
        let swift_mps = sample.speed_mps.filter(|mps| DOUBT_MPS.max(3.0 * self.noise.p95_mps()) <= *mps);
        standing.swift_samples = if swift_mps.is_some() { standing.swift_samples + 1 } else { 0 };
        if away_m <= threshold_m {
            return standing.inside(&sample, away_m, broken, self.limits);
        }
        standing.slow_to_calm = None;
        standing.agree_s = 0.0;
        standing.agree_distinct = 0;
        standing.calm_samples = 0;
        if standing.doubt_since.is_none() || (broken && self.arrival.may_be_elsewhere(&sample)) {
            self.arrival.begin(evidence, 0);
        } else {
            self.arrival.push(evidence, &self.noise);
        }
        let Some(outing) = &standing.outing else { return Turn::Stay };
        if let Some(reason) = outing.proof(evidence, &ground) {
            return Turn::Leave(reason);
        }
        match outing.elsewhere(evidence, &ground) {
            // It was heard without a break since it was found, no speed explains the way, and it has been seen
            // elsewhere for longer than here: what was wrong is where it was found.
            Some(reason) if standing.heard_since_found && standing.anchor.weight_s() < YOUNG_S && !speechless => {
                Turn::Correct(reason)
            }
            Some(reason) => {
                // Nothing showed the way, so where it was meanwhile is not sure either; nor is a site that has been
                // seen for less long than the place that it is left for.
                self.unsure_until = self.unsure_until.max(sample.at.plus_ms(1));
                let young = standing.verified && standing.anchor.weight_s() < YOUNG_S;
                standing.unsure_from = young.then_some(standing.found_from);
                Turn::Leave(reason)
            }
            None if standing.doubt_since.is_none() => Turn::Doubt(format!(
                "a fix lies {away_m:.0} m from the anchor of site {}, beyond {threshold_m:.0} m",
                standing.site.id.0
            )),
            None => Turn::Stay,
        }
    }

    fn verify(&mut self, now: &Moment, out: &mut Vec<KeeperAction>) {
        let from = self.unverified_from().unwrap_or(self.started);
        let retold_from = self.undecided_from().unwrap_or(self.started);
        let Some(standing) = &mut self.standing else { return };
        standing.verified = true;
        standing.doubt_since = None;
        let (id, whereabouts) = (standing.site.id, standing.whereabouts());
        self.unsure_until = now.mono;
        let reason = format!("site {} agrees with the fixes since the start", id.0);
        // A stretch that nobody watched is told by the site too, and each stamp in it says the age of the fix.
        self.tell(from, whereabouts);
        out.push(KeeperAction::Verified { site: id, reason: reason.clone() });
        out.push(KeeperAction::Restamp { from: retold_from, to: now.mono, reason: reason.clone() });
        self.enter(KeeperState::Anchored, reason, now, out);
    }

    fn doubt(&mut self, sample: &Sample, reason: String, now: &Moment, out: &mut Vec<KeeperAction>) {
        let Some(standing) = &mut self.standing else { return };
        standing.doubt_since = Some(sample.at);
        standing.block.clear();
        if standing.verified {
            out.push(KeeperAction::DoubtBegan { site: standing.site.id, reason: reason.clone() });
        }
        self.enter(KeeperState::Doubtful, reason, now, out);
    }

    fn calm(&mut self, reason: String, now: &Moment, out: &mut Vec<KeeperAction>) {
        let Some(standing) = &mut self.standing else { return };
        let Some(since) = standing.doubt_since.take() else { return };
        standing.calm_samples = 0;
        standing.slow_to_calm = None;
        // A doubt that began with the first fix after a gap goes back to the gap.
        let since_gap = self.timeline.unseen_until(since).map(|last| last.plus_ms(super::GAP_MS));
        let (id, verified, whereabouts) = (standing.site.id, standing.verified, standing.whereabouts());
        self.arrival.clear();
        self.tell(since, whereabouts);
        if verified {
            out.push(KeeperAction::DoubtEnded { site: id, reason: reason.clone() });
            let from = since_gap.unwrap_or(since);
            out.push(KeeperAction::Restamp { from, to: now.mono, reason: reason.clone() });
            self.enter(KeeperState::Anchored, reason, now, out);
        }
    }

    /// The site was found at a wrong place: it keeps its number, and what was told of it is told anew.
    fn correct(&mut self, reason: &str, now: &Moment, out: &mut Vec<KeeperAction>) {
        let (Some(standing), Some(evidence)) = (&mut self.standing, &self.evidence) else { return };
        let mut maker = BlockMaker::default();
        let mut blocks = Vec::new();
        for sample in evidence.unbroken().take_while(|s| now.mono.since_ms(s.at) <= CORRECT_MS) {
            blocks.extend(maker.push(sample, BLOCK_S));
        }
        if blocks.is_empty() {
            return;
        }
        let before = standing.anchor.position();
        standing.anchor = Anchor::from_blocks(*evidence.plane(), &blocks, standing.anchor.sigma_m());
        standing.home = standing.anchor.position();
        standing.publish(now.mono);
        standing.outing = None;
        standing.doubt_since = None;
        standing.calm_samples = 0;
        standing.block.clear();
        standing.recent.clear();
        standing.creep.clear();
        let from = standing.found_from;
        let moved_m = before.distance_m(standing.site.position);
        let (site, whereabouts) = (standing.site.clone(), standing.whereabouts());
        let reason = format!("{reason}, and no speed explains the way: the site was found {moved_m:.0} m off");
        self.arrival.clear();
        self.tell(from, whereabouts);
        self.places_mut().doubt_lines(site.id);
        out.push(KeeperAction::DoubtEnded { site: site.id, reason: reason.clone() });
        self.enter(KeeperState::Anchored, reason.clone(), now, out);
        out.push(KeeperAction::Hopped { site, moved_m, lines_unconfirmed: true, reason: reason.clone() });
        out.push(KeeperAction::Restamp { from, to: now.mono, reason });
        out.push(KeeperAction::Keep);
    }

    pub(super) fn leave(&mut self, sample: &Sample, reason: String, now: &Moment, out: &mut Vec<KeeperAction>) {
        let (unverified_from, retold_from) = (self.unverified_from(), self.undecided_from());
        let Some(standing) = self.standing.take() else { return };
        let from = unverified_from.unwrap_or(standing.outing.as_ref().map_or(sample.at, |outing| outing.since));
        let announced = self.announced(now);
        let distance_m = standing.site.position.distance_m(sample.position);
        let mut site = standing.site;
        let at = Self::utc_of(from, now);
        site.left = Some(at);
        let arrived = standing.undated.then_some(standing.found_from);
        self.left_undated = (standing.undated || !now.utc_trust.is_trusted()).then_some((arrived, from));
        let history = Arc::make_mut(&mut self.history);
        if Self::HISTORY_KEPT <= history.len() {
            history.remove(0);
        }
        history.push(site.clone());
        if let Some(unsure_from) = standing.unsure_from {
            let (position, radius95_m) = (Some(site.position), site.radius95_m);
            self.tell(unsure_from, Whereabouts::Doubtful { site: Some(site.id), position, radius95_m });
        }
        self.retell(from, standing.verified);
        self.adrift = Some(Adrift::default());
        let position = sample.position;
        let mut trail = Trail::begin(site.id, site.position);
        trail.push(position, standing.verified);
        self.trail = Arc::new(trail);
        self.enter(KeeperState::Underway, reason.clone(), now, out);
        if standing.verified {
            out.push(KeeperAction::Left { site, at, announced, position, reason: reason.clone() });
        } else {
            out.push(KeeperAction::MovedWhileOff { site, announced, position, distance_m, reason: reason.clone() });
        }
        let from = retold_from.unwrap_or(from);
        let from = standing.unsure_from.map_or(from, |unsure_from| unsure_from.min(from));
        out.push(KeeperAction::Restamp { from, to: now.mono, reason });
        out.push(KeeperAction::Keep);
        self.track(sample, now, out);
    }

    /// Tells the past from `from` on again, with the live positions that were measured in it.
    fn retell(&mut self, from: Mono, known_before: bool) {
        let Some(evidence) = &self.evidence else { return };
        let mut samples: Vec<Sample> = evidence.newest_first().take_while(|s| from <= s.at).copied().collect();
        samples.reverse();
        let timeline = Arc::make_mut(&mut self.timeline);
        if !known_before {
            timeline.tell(from, Whereabouts::Unknown);
        }
        let mut measured = from;
        let mut unsure_until = self.unsure_until;
        for sample in samples {
            // An excursion that was on when the trailer left must not become a certain place afterwards.
            if LEAVE_JUMP_M < sample.jump_mps {
                unsure_until = unsure_until.max(sample.at.plus_ms(JUMP_UNSURE_MS));
            }
            if sample.fresh {
                measured = sample.at;
            }
            let (position, radius95_m) = (sample.position, live_radius95_m(sample.sigma_m));
            let whereabouts = if sample.at < unsure_until {
                Whereabouts::Doubtful { site: None, position: Some(position), radius95_m }
            } else {
                Whereabouts::Underway { position, radius95_m, measured }
            };
            timeline.tell(sample.at, whereabouts);
        }
        self.unsure_until = unsure_until;
    }

    /// Good and calm: the sample feeds the anchor and the noise.
    fn refine(&mut self, sample: &Sample, now: &Moment, out: &mut Vec<KeeperAction>) {
        let distrust = self.distrusted(sample.at);
        let Some(standing) = &mut self.standing else { return };
        let away_m = sample.distance_m(standing.anchor.east_north_m());
        if self.limits.move_threshold_m < away_m || distrust {
            return;
        }
        if let Some(trip) = standing.ended_trip(sample.at, self.limits.settle_s) {
            self.after_trip(trip, now, out);
            return;
        }
        if standing.trip.is_some() {
            return;
        }
        if let Some(mps) = sample.speed_mps
            && away_m < self.limits.move_threshold_m / 2.0
        {
            self.noise.learn(mps);
        }
        standing.block_fresh += u32::from(sample.fresh);
        let Some(block) = standing.block.push(sample, BLOCK_S) else { return };
        // Until a hop the first anchor is the one that is known better and better.
        let unmoved = standing.is_unmoved();
        standing.anchor.push(&block, sample.sigma_m);
        if unmoved {
            standing.home = standing.anchor.position();
        }
        // A block of frozen digits is no new observation: it says nothing of a hop.
        if 2 <= std::mem::take(&mut standing.block_fresh) {
            if standing.recent.len() == RECENT_BLOCKS {
                standing.recent.pop_front();
            }
            standing.recent.push_back(block);
        }
        if self.hop_unseen(now, out) {
            return;
        }
        let Some(standing) = &mut self.standing else { return };
        if standing.refined(now.mono) {
            standing.publish(now.mono);
            let (site, whereabouts) = (standing.site.clone(), standing.whereabouts());
            self.tell(now.mono, whereabouts);
            out.push(KeeperAction::SiteRefined { site });
        }
    }
}

impl Standing {
    fn inside(&mut self, sample: &Sample, away_m: f64, broken: bool, limits: KeeperLimits) -> Turn {
        let threshold_m = limits.move_threshold_m;
        if !self.verified && AGREE_SHARE * threshold_m < away_m {
            self.agree_s = 0.0;
            self.agree_distinct = 0;
        } else if !self.verified {
            self.agree_s += sample.seconds;
            self.agree_distinct +=
                u32::from(sample.fresh && sample.good && sample.speed_mps.is_some_and(|mps| 0.0 < mps));
            let patience = (limits.settle_s / KeeperLimits::default().settle_s).clamp(1.0 / 6.0, 1.0);
            // Under a bad sky an excursion towards the site lasts as long as a good one needs to convince.
            let alive_s = AGREE_ALIVE_S * patience * self.quality().powi(2);
            let alive = AGREE_DISTINCT <= self.agree_distinct && alive_s <= self.agree_s;
            if alive || AGREE_FROZEN_S * patience <= self.agree_s {
                return Turn::Verify;
            }
        }
        if self.verified && self.doubt_since.is_none() {
            if broken {
                self.slow_to_calm = Some("fixes are back and agree with the site");
                self.calm_samples = 0;
                return Turn::Doubt("no fix came for a while, and the first one alone proves nothing".to_owned());
            }
            if 2 <= self.swift_samples {
                self.slow_to_calm = Some("fixes lie at the site, and the speed is that of a standing trailer again");
                self.calm_samples = 0;
                let mps = sample.speed_mps.unwrap_or(0.0);
                return Turn::Doubt(format!(
                    "the GPS receiver tells a speed of {mps:.1} m/s, though its positions lie at the site"
                ));
            }
        }
        if self.doubt_since.is_some() {
            self.calm_samples = if 0 < self.swift_samples { 0 } else { self.calm_samples + 1 };
            let near = away_m <= CALM_SHARE * threshold_m && self.slow_to_calm.is_none() && self.swift_samples == 0;
            if near || CALM_SAMPLES <= self.calm_samples {
                if let Some(said) = self.slow_to_calm {
                    return Turn::Calm(said.to_owned());
                }
                return Turn::Calm(format!("fixes lie {away_m:.0} m from the anchor again, and nothing showed motion"));
            }
        }
        Turn::Stay
    }
}
