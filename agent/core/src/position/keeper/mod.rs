//! The site keeper: fixes in, decisions out. It knows five states (searching, settling, anchored, doubtful, underway)
//! and
//! gives a reason for every change of them.
//!
//! Doubt is cheap: one fix beyond the threshold is enough, and reads are stamped doubtful from there on. Leaving is
//! dear:
//! it needs proof (see `leaving`). What is decided later is told of the past too, so that reads get a right stamp.

mod arrival;
mod creep;
mod evidence;
mod hops;
mod leaving;
pub mod memory;
mod moving;
pub mod noise;
mod standing;
mod tow;

use super::anchor::{Anchor, live_radius95_m};
use super::host_clock::TrueTime;
use super::places::PlaceTable;
use super::timeline::{Segment, Timeline, Whereabouts};
use super::trail::Trail;
use super::{Fix, KeeperState, PositionView, Site};
use crate::geo::{LatLon, LocalPlane};
use crate::ids::SiteId;
use crate::moment::{Moment, Mono, Utc};
use arrival::Arrival;
use evidence::{Evidence, Sample, seconds};
pub use memory::{KeeperAction, KeeperMemory, KeptSite, SeenAtSite};
use moving::Adrift;
use noise::StandingNoise;
use standing::Standing;
use std::sync::Arc;
use tow::Announcement;
pub use tow::{TOW_CAUTION, TOW_S_MAX, Tow, TowProblem};

/// A pause longer than this between two fixes is a gap: evidence starts anew, and stamps say the age of the fix, ms.
/// Source: the issue's own bound for stamps.
pub const GAP_MS: u64 = 10_000;
/// Fixes that come faster than this are looked at for doubt, and averaged no further, ms (receivers with 5 and 10 Hz).
const SAMPLE_MS: u64 = 700;
/// After an acquisition nothing is decided without Doppler for so long, ms. Source: 23 real acquisitions; at 60 s one
/// was
/// still over 25 m off, at 90 s none.
const DISTRUST_MS: u64 = 60_000;
/// A live position away from any site is told as not sure for so long after an acquisition, ms. Source: in the error
/// model wrong starts last 30 s in the mean, so that one in 22,000 lasts longer than this.
const UNSURE_MS: u64 = 300_000;
/// A quality once told holds for so long, ms (some receivers send GGA in one second of five).
const QUALITY_HOLDS_MS: u64 = 30_000;
/// HDOP that is assumed when the receiver sends none: between those of the fair and the poor sky.
const HDOP_UNKNOWN: f64 = 1.5;
/// Standard deviation per axis for an HDOP of 1, metres. Source: fitted to real logs by a first probe.
const SIGMA_PER_HDOP_M: f64 = 4.4;
/// Standing away and underway without a fix for this long is "searching", ms; our own choice.
const LOST_MS: u64 = 30_000;

/// Of the time before the start so much is told anew, ms (our own limit).
const RETOLD_MS: u64 = 3_600_000;

/// Minutes of arc with two decimals: the coarsest digits in use, metres of latitude.
const GRID_M: f64 = 18.52;
/// Standard deviation of a rounding error in steps: 1/sqrt(12), exact.
const GRID_SIGMA: f64 = 0.288_675_134_594_812_9;

/// How coarse the digits of a position are, metres: 18.5 if both angles are whole hundredths of a minute, else 0.
/// Chance makes one position of finer digits in 10,000 look like that.
fn grid_m(position: LatLon) -> f64 {
    let whole = |degrees: f64| {
        let hundredths = degrees * 6000.0;
        (hundredths - hundredths.round()).abs() < 1e-6
    };
    if whole(position.lat_deg()) && whole(position.lon_deg()) { GRID_M } else { 0.0 }
}

/// Settings of the keeper.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeeperLimits {
    /// Farther than this from the anchor is another site, metres, 25 to 500.
    pub move_threshold_m: f64,
    /// So long it must stand in good observed seconds before a site is found, s, 5 to 3600.
    pub settle_s: f64,
}

impl Default for KeeperLimits {
    fn default() -> Self {
        // Source: a first probe found these best (see docs).
        Self { move_threshold_m: 50.0, settle_s: 120.0 }
    }
}

/// Decides where the trailer stands and when it moves. Pure: time comes with every call.
#[derive(Clone, Debug)]
pub struct SiteKeeper {
    limits: KeeperLimits,
    state: KeeperState,
    since: (Mono, Utc),
    reason: String,
    started: Mono,
    /// When an earlier keeper of this boot saw the trailer at the site that is not verified yet.
    seen_before: Option<SeenAtSite>,
    next_site: u64,
    history: Arc<Vec<Site>>,
    places: Arc<PlaceTable>,
    timeline: Arc<Timeline>,
    standing: Option<Standing>,
    arrival: Arrival,
    evidence: Option<Evidence>,
    noise: StandingNoise,
    tow: Option<Announcement>,
    /// A clock that nobody trusted has dated the last leaving: when it arrived there, if that is dated wrongly too, and
    /// when it left.
    left_undated: Option<(Option<Mono>, Mono)>,
    adrift: Option<Adrift>,
    trail: Arc<Trail>,
    link_up: bool,
    last_fix: Option<Fix>,
    sampled: Option<Mono>,
    hdop: Option<(Mono, f64)>,
    distrust_until: Mono,
    /// Until then live positions away from a site are told as not sure.
    unsure_until: Mono,
    /// When the digits of the position last changed: frozen digits are no new measurement.
    fresh_at: Mono,
}

impl SiteKeeper {
    /// Former sites that are remembered; our own limit.
    pub const HISTORY_KEPT: usize = 200;

    /// A keeper with what was kept over the restart, or nothing.
    #[must_use]
    pub fn new(limits: KeeperLimits, restored: Option<KeeperMemory>, now: &Moment) -> Self {
        let memory = restored.unwrap_or_default();
        let mut timeline = Timeline::default();
        let standing = memory.kept.map(Standing::restored);
        let mut reason = "no usable fix since the start".to_owned();
        let known = |seen: &SeenAtSite| {
            let same = standing.as_ref().is_some_and(|standing| standing.site.id == seen.site);
            same && seen.from <= seen.until && seen.until <= now.mono
        };
        let seen_before = memory.seen.filter(known);
        if let Some(standing) = &standing {
            if let Some(seen) = seen_before {
                // What an earlier keeper was sure of stays sure; what nobody watched is not verified.
                timeline.tell(seen.from, standing.seen_whereabouts());
                timeline.seen_before(seen.until);
            }
            timeline.tell(seen_before.map_or(now.mono, |seen| seen.until), standing.whereabouts());
            reason = format!("no usable fix since the start; site {} is not verified", standing.site.id.0);
        }
        Self {
            limits,
            state: KeeperState::Searching,
            since: (now.mono, now.utc),
            reason,
            started: now.mono,
            seen_before,
            next_site: memory.next_site.0.max(1),
            history: Arc::new(memory.history),
            places: Arc::new(memory.places),
            timeline: Arc::new(timeline),
            standing,
            arrival: Arrival::new(limits.settle_s),
            evidence: None,
            noise: StandingNoise::restored(memory.noise),
            tow: memory.tow.map(|tow| Announcement::restored(tow, now)),
            left_undated: None,
            link_up: true,
            adrift: memory.adrift.then(Adrift::default),
            trail: Arc::new(memory.trail),
            last_fix: None,
            sampled: None,
            hdop: None,
            distrust_until: Mono(0),
            unsure_until: Mono(0),
            fresh_at: Mono(0),
        }
    }

    /// Takes the next fix. Fixes that go back in time are ignored.
    pub fn on_fix(&mut self, fix: &Fix, now: &Moment, out: &mut Vec<KeeperAction>) {
        let last = self.last_fix.map(|fix| fix.at);
        if last.is_some_and(|last| fix.at < last) {
            return;
        }
        let broken = last.is_none_or(|last| GAP_MS < fix.at.since_ms(last));
        if broken {
            self.acquired(fix.at, last);
        }
        self.last_fix = Some(*fix);
        let sample = self.sample(fix, broken);
        let often = !broken && self.sampled.is_some_and(|last| fix.at.since_ms(last) < SAMPLE_MS);
        if often && !self.beyond(&sample) {
            return;
        }
        self.sampled = Some(fix.at);
        if sample.fresh || broken {
            self.fresh_at = fix.at;
        }
        if let Some(evidence) = &mut self.evidence {
            evidence.push(sample, broken);
        }
        if self.standing.is_some() {
            self.standing_step(&sample, broken, now, out);
        } else {
            self.moving_step(&sample, broken, now, out);
        }
    }

    /// Looks at what happens by the mere passing of time.
    pub fn on_tick(&mut self, now: &Moment, out: &mut Vec<KeeperAction>) {
        self.expire_tow(now, out);
        let silent = self.last_fix.is_none_or(|fix| LOST_MS < now.mono.since_ms(fix.at));
        if silent && self.standing.is_none() && self.state != KeeperState::Searching {
            self.enter(KeeperState::Searching, "no usable fix for 30 s".to_owned(), now, out);
        }
    }

    /// When [`Self::on_tick`] is due next; `None`: nothing waits.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Mono> {
        let lost = (self.standing.is_none() && self.state != KeeperState::Searching)
            .then(|| self.last_fix.map(|fix| fix.at.plus_ms(LOST_MS + 1)))
            .flatten();
        [self.tow_ends(), lost].into_iter().flatten().min()
    }

    /// What must survive a restart.
    #[must_use]
    pub fn memory(&self) -> KeeperMemory {
        KeeperMemory {
            next_site: SiteId(self.next_site),
            kept: self.standing.as_ref().map(Standing::kept),
            adrift: self.adrift.is_some(),
            tow: self.tow().cloned(),
            history: self.history.as_ref().clone(),
            places: self.places.as_ref().clone(),
            noise: self.noise.memory(),
            trail: self.trail.as_ref().clone(),
            seen: self.seen_at_site(),
        }
    }

    /// When the trailer was seen at its site last, without a gap or a doubt; `None` while that is not so. Until the
    /// site is verified after a start it is what the keeper before knew.
    #[must_use]
    pub fn seen_at_site(&self) -> Option<SeenAtSite> {
        let standing = self.standing.as_ref()?;
        if !standing.verified {
            return self.seen_before;
        }
        let same = |segment: &&Segment| match segment.whereabouts {
            Whereabouts::AtSite { site, position, verified: true, radius95_m } => {
                site == standing.site.id && position.distance_m(standing.site.position) <= radius95_m
            }
            _ => false,
        };
        let from = self.timeline.segments().rev().take_while(same).last()?.from;
        let from = self.timeline.unseen_last().map_or(from, |seen_again| from.max(seen_again));
        let until = self.last_fix?.at;
        (from <= until).then_some(SeenAtSite { site: standing.site.id, from, until })
    }

    /// Since when the site that was kept over the start is told without a check, until it is decided; `None` if there
    /// is none.
    #[must_use]
    pub fn unverified_from(&self) -> Option<Mono> {
        let unverified = self.standing.as_ref().is_some_and(|standing| !standing.verified);
        unverified.then(|| self.seen_before.map_or(self.started, |seen| seen.until))
    }

    /// Writes what the keeper knows into a view; what it does not know (the receiver, counts, clock) is left alone.
    pub fn fill(&self, view: &mut PositionView) {
        view.state = self.state;
        view.since = Some(self.since);
        view.reason.clone_from(&self.reason);
        view.site = self.standing.as_ref().map(|standing| standing.site.clone());
        view.verified_since_start = self.standing.as_ref().is_some_and(|standing| standing.verified);
        view.adrift = self.adrift.map(|_| self.history.last().and_then(|site| site.left).unwrap_or(self.since.1));
        view.tow = self.tow_view();
        view.estimate = (self.state == KeeperState::Settling).then(|| self.estimate()).flatten();
        view.last_fix = self.last_fix;
        view.timeline = Arc::clone(&self.timeline);
        view.places = Arc::clone(&self.places);
        view.history = Arc::clone(&self.history);
        view.trail = Arc::clone(&self.trail);
    }

    /// State of the keeper.
    #[must_use]
    pub fn state(&self) -> KeeperState {
        self.state
    }

    /// The sentence of the last decision.
    #[must_use]
    pub fn reason(&self) -> &str {
        &self.reason
    }

    /// The current site, or the one in doubt.
    #[must_use]
    pub fn site(&self) -> Option<&Site> {
        self.standing.as_ref().map(|standing| &standing.site)
    }

    /// Since when reads get a later stamp once the kept site is decided: of what nobody watched before the start only
    /// the last hour, since all reads of the span are looked through. `None` if nothing is to be decided.
    #[must_use]
    pub fn undecided_from(&self) -> Option<Mono> {
        self.unverified_from().map(|from| from.max(self.started.minus_ms(RETOLD_MS)))
    }

    /// The best estimate now with its 95 % radius, metres: the anchor, or what is provisional while it settles.
    #[must_use]
    pub fn estimate(&self) -> Option<(LatLon, f64)> {
        if let Some(standing) = &self.standing {
            return Some((standing.site.position, standing.site.radius95_m));
        }
        self.arrival.provisional().map(|anchor| (anchor.position(), anchor.radius95_m())).or_else(|| {
            let sample = self.evidence.as_ref()?.newest()?;
            Some((sample.position, live_radius95_m(sample.sigma_m)))
        })
    }

    /// Where the trailer was at any instant of the kept past.
    #[must_use]
    pub fn timeline(&self) -> &Arc<Timeline> {
        &self.timeline
    }

    /// The place lines; changed through this, and kept with [`Self::memory`].
    pub fn places_mut(&mut self) -> &mut PlaceTable {
        Arc::make_mut(&mut self.places)
    }

    /// The place lines.
    #[must_use]
    pub fn places(&self) -> &PlaceTable {
        &self.places
    }

    /// Dates anew what a clock that nobody trusted has dated, as soon as true time is known. Only once: over days the
    /// boot-time clock runs away from true time.
    pub fn date_anew(&mut self, told: &TrueTime, out: &mut Vec<KeeperAction>) {
        if !told.proven {
            return;
        }
        if let Some((arrived, left)) = self.left_undated.take()
            && let Some(site) = Arc::make_mut(&mut self.history).last_mut()
        {
            site.arrived = arrived.map_or(site.arrived, |at| told.utc_at(at));
            site.left = Some(told.utc_at(left));
            out.push(KeeperAction::Keep);
        }
        if let Some(standing) = self.standing.as_mut().filter(|standing| standing.undated) {
            standing.undated = false;
            standing.site.arrived = told.utc_at(standing.found_from);
            out.push(KeeperAction::SiteRefined { site: standing.site.clone() });
            out.push(KeeperAction::Keep);
        }
    }

    fn enter(&mut self, state: KeeperState, reason: String, now: &Moment, out: &mut Vec<KeeperAction>) {
        self.reason.clone_from(&reason);
        if self.state != state {
            out.push(KeeperAction::State { from: self.state, to: state, reason });
            self.state = state;
            self.since = (now.mono, now.utc);
        }
    }

    /// A first fix, or the first after a gap.
    fn acquired(&mut self, at: Mono, last: Option<Mono>) {
        // Before the first fix since the start nobody saw it either, but for what the keeper before saw.
        Arc::make_mut(&mut self.timeline).unseen(last.or(self.seen_before.map(|seen| seen.until)), at);
        self.unsure_until = at.plus_ms(UNSURE_MS);
        // At the very first start the settle time is the guard: distrust there only costs time.
        if last.is_some() || self.standing.is_some() {
            self.distrust_until = at.plus_ms(DISTRUST_MS);
        }
    }

    fn distrusted(&self, at: Mono) -> bool {
        at < self.distrust_until
    }

    fn sample(&mut self, fix: &Fix, broken: bool) -> Sample {
        if let Some(hdop) = fix.hdop {
            self.hdop = Some((fix.at, hdop));
        }
        let hdop = self.hdop.filter(|(at, _)| fix.at.since_ms(*at) <= QUALITY_HOLDS_MS).map(|(_, hdop)| hdop);
        let mut sigma_m = SIGMA_PER_HDOP_M * hdop.unwrap_or(HDOP_UNKNOWN).clamp(0.6, 10.0);
        if let Some(p50_mps) = self.noise.p50_mps() {
            // A weak signal shows in the Doppler noise too; over six real logs 2 m + 35 s x p50 fits the scatter better
            // than HDOP does, so both are heard. Source: the table of standing errors in docs.
            sigma_m = (sigma_m * (2.0 + 35.0 * p50_mps.min(0.5))).sqrt();
        }
        let grid_m = grid_m(fix.position);
        sigma_m = sigma_m.hypot(grid_m * GRID_SIGMA);
        // GST may be proud, so it widens and never narrows; it is told per axis as the greater of both.
        sigma_m = sigma_m.max(fix.sigma_m.unwrap_or(0.0).min(50.0));
        if self.distrusted(fix.at) {
            sigma_m *= 2.0;
        }
        let evidence = self.evidence.get_or_insert_with(|| {
            let near = self.standing.as_ref().map(|standing| *standing.anchor.plane());
            let plane = near.filter(|plane| plane.origin().distance_m(fix.position) < 3000.0);
            Evidence::new(plane.unwrap_or_else(|| LocalPlane::new(fix.position)))
        });
        if let Some(plane) = evidence.plane_wanted(fix.position) {
            let old = *evidence.plane();
            evidence.set_plane(plane);
            if let Some(standing) = &mut self.standing {
                standing.replant(&old, &plane);
            }
        }
        let (east_m, north_m) = evidence.plane().to_plane(fix.position);
        let seconds_since = self.sampled.filter(|_| !broken).map_or(0.0, |last| seconds(fix.at.since_ms(last)));
        Sample {
            at: fix.at,
            position: fix.position,
            east_m,
            north_m,
            speed_mps: fix.speed_mps,
            seconds: seconds_since,
            fresh: evidence.newest().is_none_or(|last| last.position != fix.position),
            // Three satellites or an HDOP over 5 walked in from 255 m in the logs; unknown is not bad.
            good: fix.satellites.is_none_or(|count| 4 <= count) && hdop.is_none_or(|hdop| hdop <= 5.0),
            early: self.distrusted(fix.at),
            sigma_m,
            grid_m,
            jump_mps: 0.0,
        }
    }

    /// Whether a fix that came too soon for the averages must be looked at for doubt all the same.
    fn beyond(&self, sample: &Sample) -> bool {
        let (Some(standing), Some(evidence)) = (&self.standing, &self.evidence) else { return false };
        self.state == KeeperState::Anchored
            && self.limits.move_threshold_m < sample.distance_m(standing.anchor_in(evidence.plane()))
    }

    fn tell(&mut self, from: Mono, whereabouts: Whereabouts) {
        Arc::make_mut(&mut self.timeline).tell(from, whereabouts);
    }

    fn utc_of(mono: Mono, now: &Moment) -> Utc {
        now.utc.plus_ms(-i64::try_from(now.mono.since_ms(mono)).unwrap_or(0))
    }
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;
