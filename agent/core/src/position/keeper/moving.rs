//! Not at a site: on the road, at a halt, settling, arriving.

use super::arrival::JUMP_MPS;
use super::evidence::{Sample, seconds};
use super::standing::Standing;
use super::{Anchor, GAP_MS, KeeperAction, KeeperState, SiteKeeper};
use crate::geo::LatLon;
use crate::ids::SiteId;
use crate::moment::{Moment, Mono};
use crate::position::Site;
use crate::position::anchor::live_radius95_m;
use crate::position::places::RETURN_M;
use crate::position::timeline::Whereabouts;
use std::sync::Arc;

/// A halt shorter than this is not told, ms; our own choice.
const HALT_TOLD_MS: u64 = 15_000;
/// Track points of an unannounced move: one for each so many metres, but not more and not less often than every so many
/// ms; our own choice. The lower bound holds where no speed is known.
const TRACK_M: f64 = 100.0;
const TRACK_MS_MIN: u64 = 5_000;
const TRACK_MS_MAX: u64 = 20_000;
/// The same while the link is not up: nobody reads them now, ms.
const TRACK_UNLINKED_MS: u64 = 30_000;
/// Track points at a halt, ms.
const TRACK_HALTED_MS: u64 = 60_000;
/// Track points of an announced move, ms.
const TRACK_ANNOUNCED_MS: u64 = 30_000;
/// The way so far is kept for the next start so often, ms; our own choice: one small write a minute while it moves.
const TRAIL_KEPT_MS: u64 = 60_000;

/// After a step that the way before does not explain live positions are told as not sure for so long, ms. Source: in
/// the error model excursions last 28 s in the mean under a poor sky.
pub(super) const JUMP_UNSURE_MS: u64 = 120_000;

/// It left a site and has not arrived.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Adrift {
    last_point: Option<Mono>,
    trail_kept: Option<Mono>,
    /// It was not seen for a while since the last point of the way.
    unseen: bool,
}

impl SiteKeeper {
    pub(super) fn moving_step(&mut self, sample: &Sample, broken: bool, now: &Moment, out: &mut Vec<KeeperAction>) {
        let was_halted = self.arrival.halted_since;
        let halt_place = self.arrival.centre().map(|(place, _)| place);
        let Some(evidence) = &self.evidence else { return };
        let plane_before = *evidence.plane();
        if self.state == KeeperState::Searching && was_halted.is_none() {
            // Nothing says that it moves: the first fix opens a halt, and motion will end it.
            self.arrival.begin(evidence, 0);
        } else if broken && self.arrival.may_be_elsewhere(sample) {
            self.arrival.begin(evidence, 0);
        } else {
            self.arrival.push(evidence, &self.noise);
        }
        if let (Some(from), None, Some((east_m, north_m))) = (was_halted, self.arrival.halted_since, halt_place)
            && HALT_TOLD_MS <= sample.at.since_ms(from)
            && self.adrift.is_some()
        {
            let position = plane_before.to_geo(east_m, north_m);
            out.push(KeeperAction::Halted { from, to: sample.at, position });
        }
        let jump_mps = self.evidence.as_ref().and_then(|e| e.newest()).map_or(0.0, |newest| newest.jump_mps);
        if JUMP_MPS < jump_mps {
            self.unsure_until = self.unsure_until.max(sample.at.plus_ms(JUMP_UNSURE_MS));
        }
        self.moving_state(now, out);
        let radius95_m = live_radius95_m(sample.sigma_m);
        let position = sample.position;
        let whereabouts = if sample.at < self.unsure_until {
            Whereabouts::Doubtful { site: None, position: Some(position), radius95_m }
        } else {
            Whereabouts::Underway { position, radius95_m, measured: self.fresh_at }
        };
        self.tell(sample.at, whereabouts);
        let Some(evidence) = &self.evidence else { return };
        if let Some((anchor, since)) = self.arrival.settled(evidence) {
            self.found(anchor, since, now, out);
        } else if self.adrift.is_some() {
            self.trail_step(sample, (broken, jump_mps <= JUMP_MPS), out);
            self.track(sample, now, out);
        }
    }

    fn moving_state(&mut self, now: &Moment, out: &mut Vec<KeeperAction>) {
        let halted_s = self.arrival.observed_s();
        match (self.state, self.arrival.halted_since) {
            (KeeperState::Settling, None) => {
                self.enter(KeeperState::Underway, "it moves: speed and position agree".to_owned(), now, out);
            }
            (KeeperState::Searching, _) => {
                let (state, reason) = if self.adrift.is_some() {
                    (KeeperState::Underway, "fixes are back")
                } else {
                    (KeeperState::Settling, "first fix: averaging")
                };
                self.enter(state, reason.to_owned(), now, out);
            }
            (KeeperState::Underway | KeeperState::Doubtful | KeeperState::Anchored, Some(_))
                if self.limits.settle_s.min(10.0) / 2.0 <= halted_s =>
            {
                self.enter(KeeperState::Settling, "it has come to a halt: averaging".to_owned(), now, out);
            }
            _ => {}
        }
    }

    fn found(&mut self, anchor: Anchor, since: Mono, now: &Moment, out: &mut Vec<KeeperAction>) {
        let id = SiteId(self.next_site);
        self.next_site += 1;
        let position = anchor.position();
        let stays = self.history.iter().rev().map(|site| (site.id, site.position.distance_m(position)));
        let stays: Vec<(SiteId, f64)> = stays.filter(|(_, away_m)| *away_m <= RETURN_M).collect();
        let former: Vec<SiteId> = stays.iter().map(|(id, _)| *id).collect();
        // The newest stay of which people said something is the one to name; else the nearest.
        let written = former.iter().copied().find(|id| self.places.has_lines_of(*id, position));
        let nearest = || stays.iter().min_by(|a, b| a.1.total_cmp(&b.1)).map(|(id, _)| *id);
        let returned_to = written.or_else(nearest);
        let halted_s = seconds(now.mono.since_ms(since));
        let found_by = match returned_to {
            Some(former) => format!("stood for {halted_s:.0} s, back at the place of site {}", former.0),
            None => format!("stood for {halted_s:.0} s"),
        };
        let site = Site {
            id,
            position,
            radius95_m: anchor.radius95_m(),
            arrived: Self::utc_of(since, now),
            left: None,
            found_by: found_by.clone(),
        };
        let before = self.history.last().map(|site| site.id);
        self.places_mut().offer(id, position, &former, before);
        let mut standing = Standing::new(site.clone(), anchor, now.mono);
        standing.found_from = since;
        standing.undated = !now.utc_trust.is_trusted();
        self.tell(since, standing.whereabouts());
        self.standing = Some(standing);
        // Whoever settles has outlived the acquisition.
        self.unsure_until = since;
        self.arrival.clear();
        let adrift = self.adrift.take();
        let arrived = adrift.is_some();
        if let Some(adrift) = adrift {
            Arc::make_mut(&mut self.trail).end(id, position, !adrift.unseen);
        }
        let unannounced = arrived && !self.announced(now);
        self.enter(KeeperState::Anchored, found_by.clone(), now, out);
        out.push(KeeperAction::SiteFound { site, returned_to, unannounced, reason: found_by.clone() });
        out.push(KeeperAction::Restamp { from: since, to: now.mono, reason: found_by });
        if arrived {
            self.over(format!("arrived at site {}", id.0), out);
        }
        out.push(KeeperAction::Keep);
    }

    /// One more point of the way, which survives a restart but for its last minute.
    fn trail_step(&mut self, sample: &Sample, (broken, steady): (bool, bool), out: &mut Vec<KeeperAction>) {
        let Some(adrift) = &mut self.adrift else { return };
        adrift.unseen |= broken;
        // Looked at first, so that a halt copies nothing.
        if !sample.good || !steady || !self.trail.is_far(sample.position) {
            return;
        }
        Arc::make_mut(&mut self.trail).push(sample.position, !std::mem::take(&mut adrift.unseen));
        if adrift.trail_kept.is_none_or(|kept| TRAIL_KEPT_MS <= sample.at.since_ms(kept)) {
            adrift.trail_kept = Some(sample.at);
            out.push(KeeperAction::Keep);
        }
    }

    /// A track point, if one is due.
    pub(super) fn track(&mut self, sample: &Sample, now: &Moment, out: &mut Vec<KeeperAction>) {
        let announced = self.announced(now);
        let every_ms = match (announced, self.arrival.halted_since.is_some()) {
            (_, true) => TRACK_HALTED_MS,
            (true, false) => TRACK_ANNOUNCED_MS,
            (false, false) => self.track_every_ms(sample.speed_mps),
        };
        let Some(adrift) = &mut self.adrift else { return };
        if adrift.last_point.is_some_and(|last| sample.at.since_ms(last) < every_ms) {
            return;
        }
        adrift.last_point = Some(sample.at);
        let position: LatLon = sample.position;
        out.push(KeeperAction::TrackPoint {
            position,
            radius95_m: live_radius95_m(sample.sigma_m),
            speed_mps: sample.speed_mps,
            at: sample.at,
            announced,
        });
    }

    fn track_every_ms(&self, speed_mps: Option<f64>) -> u64 {
        if !self.link_up {
            return TRACK_UNLINKED_MS;
        }
        let every = speed_mps.map_or(TRACK_MS_MIN, |mps| {
            std::time::Duration::try_from_secs_f64(TRACK_M / mps.max(0.1))
                .map_or(TRACK_MS_MAX, |every| u64::try_from(every.as_millis()).unwrap_or(TRACK_MS_MAX))
        });
        every.clamp(TRACK_MS_MIN, TRACK_MS_MAX)
    }

    /// Says whether the link is up, as far as anybody knows: without it track points come less often.
    pub fn link_is(&mut self, up: bool) {
        self.link_up = up;
    }

    /// Whether stamps must say the age of the fix now.
    #[must_use]
    pub fn unseen(&self, now: Mono) -> bool {
        self.last_fix.is_none_or(|fix| GAP_MS < now.since_ms(fix.at))
    }

    /// Lines of the current site for people; see [`crate::position::places`].
    #[must_use]
    pub fn history(&self) -> &Arc<Vec<Site>> {
        &self.history
    }
}
