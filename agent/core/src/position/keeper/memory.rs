//! What the keeper keeps over a restart, and what it asks its actor to do.

use super::noise::NoiseMemory;
use super::tow::Tow;
use crate::geo::LatLon;
use crate::ids::SiteId;
use crate::moment::{Mono, Utc};
use crate::position::anchor::AnchorMemory;
use crate::position::places::PlaceTable;
use crate::position::trail::Trail;
use crate::position::{KeeperState, Site};

/// The site that the trailer stood at when the memory was written.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptSite {
    /// The site.
    pub site: Site,
    /// Its anchor before the first hop: what hops away from it farther than the threshold is another site.
    pub home: LatLon,
    /// The estimate behind its position.
    pub anchor: AnchorMemory,
}

/// A stretch in which the trailer was seen at its site without a gap and without a doubt. The boot-time clock dates it,
/// so it holds for a keeper of the same boot alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SeenAtSite {
    /// Which site.
    pub site: SiteId,
    /// First instant.
    pub from: Mono,
    /// The last fix.
    pub until: Mono,
}

/// Everything that must survive a restart.
#[derive(Clone, Debug, PartialEq)]
pub struct KeeperMemory {
    /// Number of the next site.
    pub next_site: SiteId,
    /// The site that the trailer stood at; `None` before the first and underway.
    pub kept: Option<KeptSite>,
    /// True if it had left a site unannounced and not arrived yet: the alarm goes on after a restart.
    pub adrift: bool,
    /// The announced move, if any.
    pub tow: Option<Tow>,
    /// Former sites, oldest first, at most [`super::SiteKeeper::HISTORY_KEPT`].
    pub history: Vec<Site>,
    /// Place lines of all known places.
    pub places: PlaceTable,
    /// The receiver's own standing noise.
    pub noise: NoiseMemory,
    /// The way of the last move.
    pub trail: Trail,
    /// When the trailer was seen at the kept site last; `None` in another boot, and if nobody remembers.
    pub seen: Option<SeenAtSite>,
}

impl Default for KeeperMemory {
    fn default() -> Self {
        Self {
            next_site: SiteId(1),
            kept: None,
            adrift: false,
            tow: None,
            history: Vec::new(),
            places: PlaceTable::default(),
            noise: NoiseMemory { p50_mps: 0.0, p95_mps: 0.2 },
            trail: Trail::default(),
            seen: None,
        }
    }
}

/// What the actor has to do or to tell. Every decision comes with its reason, one sentence.
#[derive(Clone, Debug, PartialEq)]
pub enum KeeperAction {
    /// The state changed.
    State {
        /// Before.
        from: KeeperState,
        /// Now.
        to: KeeperState,
        /// Why.
        reason: String,
    },
    /// The trailer has stood long enough: a new site.
    SiteFound {
        /// The site.
        site: Site,
        /// The former site at the same place whose lines are offered again.
        returned_to: Option<SiteId>,
        /// True if it ends a move that nobody had announced, or whose announcement was over.
        unannounced: bool,
        /// Why.
        reason: String,
    },
    /// The anchor of the current site is known better, or followed a hop; the actor may send the site again.
    SiteRefined {
        /// The site.
        site: Site,
    },
    /// The trailer was moved by less than the threshold: the same site, but its lines are unconfirmed from 25 m on.
    Hopped {
        /// The site.
        site: Site,
        /// How far the anchor moved, metres.
        moved_m: f64,
        /// Whether the place lines lost their confirmation (a notice is due).
        lines_unconfirmed: bool,
        /// Why.
        reason: String,
    },
    /// The trailer has left its site. Unannounced: an alarm.
    Left {
        /// The site as left.
        site: Site,
        /// When it was last seen well inside, by the host's clock.
        at: Utc,
        /// True if a move was announced.
        announced: bool,
        /// Where it is now.
        position: LatLon,
        /// Why.
        reason: String,
    },
    /// After the start the trailer is somewhere else than it was when the memory was written. Unannounced: an alarm.
    MovedWhileOff {
        /// The site that it stood at.
        site: Site,
        /// True if a move was announced.
        announced: bool,
        /// Where it is now.
        position: LatLon,
        /// How far that is from the site, metres.
        distance_m: f64,
        /// Why.
        reason: String,
    },
    /// The stored site agrees with what the GPS receiver says since the start.
    Verified {
        /// The site.
        site: SiteId,
        /// Why.
        reason: String,
    },
    /// Leaving is being tested.
    DoubtBegan {
        /// The site in doubt.
        site: SiteId,
        /// Why.
        reason: String,
    },
    /// It still stands.
    DoubtEnded {
        /// The site.
        site: SiteId,
        /// Why.
        reason: String,
    },
    /// A halt on the way that did not last long enough for a site.
    Halted {
        /// Since when.
        from: Mono,
        /// Until when.
        to: Mono,
        /// Where.
        position: LatLon,
    },
    /// Where it is on its way; due after a leaving, at intervals.
    TrackPoint {
        /// Where.
        position: LatLon,
        /// 95 % radius, metres.
        radius95_m: f64,
        /// Doppler speed, if known.
        speed_mps: Option<f64>,
        /// When it was measured.
        at: Mono,
        /// True if a move was announced.
        announced: bool,
    },
    /// What the timeline says of this stretch has been decided otherwise: reads captured in it get a later stamp.
    Restamp {
        /// First instant.
        from: Mono,
        /// Last instant.
        to: Mono,
        /// Why.
        reason: String,
    },
    /// A person announced a move, or gave the announced one a new end.
    TowBegun {
        /// Which.
        tow: Tow,
        /// True if it was announced before.
        extended: bool,
    },
    /// The announced move is over (arrived, ended by a person, or run out).
    TowEnded {
        /// Which.
        tow: Tow,
        /// Why.
        reason: String,
        /// True if the trailer has left its site and not arrived: an alarm.
        adrift: bool,
        /// Where it was seen last, if that is known.
        position: Option<LatLon>,
        /// When the newest fix came.
        seen: Option<Mono>,
    },
    /// [`super::SiteKeeper::memory`] changed in a way that must survive a restart: keep it now.
    Keep,
}
