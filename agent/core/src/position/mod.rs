//! From the bytes of a GPS receiver to "where does the trailer stand, and since when".
//!
//! `nmea` (bytes to checked sentences) → `fix` (one epoch to a fix, or the reason for none) → `keeper` (the states)
//! → `timeline`
//! (where the trailer was at any instant of the past hours) and `places` (what an officer reads first).

pub mod anchor;
pub mod certificate_time;
pub mod clock_feed;
pub mod clock_steps;
pub mod fix;
pub mod host_clock;
pub mod keeper;
pub mod nmea;
pub mod places;
pub mod rate_hunt;
pub mod receiver_watch;
pub mod recording;
pub mod timeline;
pub mod trail;

use crate::geo::LatLon;
use crate::ids::SiteId;
use crate::moment::{ClockEras, Moment, Mono, Utc, UtcTrust};
use clock_feed::ClockFeed;
use host_clock::TrueTime;
use keeper::Tow;
use places::PlaceTable;
use std::collections::VecDeque;
use std::sync::Arc;
use timeline::Timeline;
use trail::Trail;

/// One epoch of the GPS receiver that passed the quality gate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fix {
    /// When its last byte arrived.
    pub at: Mono,
    /// UTC by the receiver; `None` if it sent no date or an implausible one (a wrong date never costs the position).
    pub utc: Option<Utc>,
    /// Where it says the antenna is.
    pub position: LatLon,
    /// Doppler speed over ground, m/s; `None` if the receiver sends none.
    pub speed_mps: Option<f64>,
    /// Horizontal dilution of precision; `None` if unknown (0.0 and 99.9 count as unknown).
    pub hdop: Option<f64>,
    /// Satellites used; `None` if unknown.
    pub satellites: Option<u8>,
    /// The receiver's own standard deviation (GST), the greater of latitude's and longitude's, metres; most send
    /// none. It
    /// may widen an error, never narrow it.
    pub sigma_m: Option<f64>,
}

/// What the site keeper believes (design: position).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum KeeperState {
    /// No usable fix.
    #[default]
    Searching,
    /// Standing, averaging, no site yet.
    Settling,
    /// Standing at a site.
    Anchored,
    /// Leaving is being tested.
    Doubtful,
    /// On the road.
    Underway,
}

impl KeeperState {
    /// The word used in files and on the page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Searching => "searching",
            Self::Settling => "settling",
            Self::Anchored => "anchored",
            Self::Doubtful => "doubtful",
            Self::Underway => "underway",
        }
    }
}

/// One stay at one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Its number in this store.
    pub id: SiteId,
    /// The anchor: the best estimate of where the trailer stands.
    pub position: LatLon,
    /// 95 % radius of that estimate, metres, from the effective sample count.
    pub radius95_m: f64,
    /// When the trailer arrived, by the host's clock.
    pub arrived: Utc,
    /// When it left; `None` while it stands.
    pub left: Option<Utc>,
    /// How the site was found, one sentence.
    pub found_by: String,
}

/// What is known of the GPS receiver itself, apart from any position.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum ReceiverState {
    /// The configuration names no device.
    #[default]
    NotFitted,
    /// The device can't be opened or went away; the text says which and what to do.
    Absent(String),
    /// Open, but no byte has come for a while.
    Silent,
    /// Bytes come, but no sentence with a right checksum (wrong speed, binary, noise).
    NoSentences,
    /// Sentences come, but none with a usable fix; the text says why.
    NoFix(String),
    /// Fixes come.
    Fixing,
}

/// An announced tow and its end by the boot-time clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TowView {
    /// What was announced.
    pub tow: Tow,
    /// When it ends by itself.
    pub ends: Mono,
}

/// A notice about the trailer's place, as it was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlaceNotice {
    /// Rising by one; a reader that remembers the last one misses none of the kept ones.
    pub number: u64,
    /// When it happened.
    pub at: Utc,
    /// What it is about, a fixed word.
    pub kind: String,
    /// True if it is an alarm.
    pub urgent: bool,
    /// What happened, ready to show.
    pub text: String,
}

/// The last notices, oldest first, bounded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PlaceNotices {
    last: u64,
    kept: VecDeque<PlaceNotice>,
}

impl PlaceNotices {
    /// How many are kept (our own limit: health looks every second, and a second brings a handful at most).
    pub const KEPT: usize = 32;

    /// Takes up the next one and numbers it.
    pub fn push(&mut self, at: Utc, kind: &str, urgent: bool, text: &str) {
        self.last += 1;
        if self.kept.len() == Self::KEPT {
            self.kept.pop_front();
        }
        let (kind, text) = (kind.to_owned(), text.to_owned());
        self.kept.push_back(PlaceNotice { number: self.last, at, kind, urgent, text });
    }

    /// Those after `number`, oldest first.
    pub fn after(&self, number: u64) -> impl Iterator<Item = &PlaceNotice> {
        self.kept.iter().filter(move |notice| number < notice.number)
    }
}

/// What the position actor publishes after every change and every fix.
#[derive(Clone, Debug, Default)]
pub struct PositionView {
    /// State of the keeper.
    pub state: KeeperState,
    /// Since when.
    pub since: Option<(Mono, Utc)>,
    /// Why: the sentence of the last decision.
    pub reason: String,
    /// The current site; while `Doubtful` the one in doubt; `None` while underway or before the first.
    pub site: Option<Site>,
    /// Since when it has left a site and not arrived, also at a halt on the way; `None` if it has not.
    pub adrift: Option<Utc>,
    /// The announced tow, if any.
    pub tow: Option<TowView>,
    /// What was told of it lately.
    pub notices: Arc<PlaceNotices>,
    /// False until the first good fix after the start agreed with the stored site.
    pub verified_since_start: bool,
    /// What is known of the place while it settles and no site is found: a provisional centre and its 95 % radius,
    /// metres. No stamp is made of it.
    pub estimate: Option<(LatLon, f64)>,
    /// The newest good fix.
    pub last_fix: Option<Fix>,
    /// The GPS receiver's state.
    pub receiver: ReceiverState,
    /// Speed that its line is set to now, bit/s, as the system says; `None` while it is not open.
    pub gps_rate: Option<u32>,
    /// Speed of its line that was found by trying, bit/s; `None` if it is configured or not found.
    pub gps_rate_found: Option<u32>,
    /// True once every usual speed was tried in vain.
    pub gps_rates_in_vain: bool,
    /// Since when the receiver has been in that state.
    pub receiver_since: Option<(Mono, Utc)>,
    /// Host UTC less GPS UTC, ms, and when it was seen; `None` if no dated fix has come.
    pub clock_offset: Option<(i64, Mono)>,
    /// How far the host's UTC is trusted now.
    pub utc_trust: UtcTrust,
    /// How far the host's UTC may be off, ms; `None` if nobody can tell.
    pub clock_error_ms: Option<u64>,
    /// UTC by the best source, tied to the boot-time clock; `None` if no source has told it.
    pub true_time: Option<TrueTime>,
    /// A time server has set the host's clock lately, and nothing has stepped it since.
    pub host_set_by_network: bool,
    /// The feed for chrony.
    pub clock_feed: ClockFeed,
    /// Dates of the receiver that were whole rollovers too early and were put right, since the start.
    pub dates_mended: u64,
    /// Sentences with a right checksum since the start.
    pub sentences: u64,
    /// Sentences with a wrong or no checksum since the start.
    pub sentences_refused: u64,
    /// Fixes used and refused since the start.
    pub fixes_used: u64,
    /// Epochs refused since the start.
    pub fixes_refused: u64,
    /// Where the trailer was at any instant of the kept past.
    pub timeline: Arc<Timeline>,
    /// Place lines of all known places.
    pub places: Arc<PlaceTable>,
    /// Steps of the host's clock.
    pub eras: ClockEras,
    /// Former sites, newest last, bounded.
    pub history: Arc<Vec<Site>>,
    /// The way of the last move, or of the one that goes on.
    pub trail: Arc<Trail>,
}

impl PositionView {
    /// `now` with the best UTC that is known: the host's where it is trusted, else true time by a source that is, else
    /// the host's as it is.
    #[must_use]
    pub fn dated(&self, now: &Moment) -> Moment {
        let told = self.true_time.map(|told| (told.utc_at(now.mono), told.trust(now.mono)));
        match told {
            Some((utc, utc_trust)) if !now.utc_trust.is_trusted() && utc_trust.is_trusted() => {
                Moment { utc, utc_trust, ..*now }
            }
            _ => *now,
        }
    }

    /// UTC by the best that is known: the host's, where that is trusted; else by whatever source has told true time.
    #[must_use]
    pub fn best_utc(&self, now: &Moment) -> Utc {
        let told = self.true_time.filter(|_| !now.utc_trust.is_trusted());
        told.map_or(now.utc, |told| told.utc_at(now.mono))
    }

    /// True while it has left a site and not arrived, halts included.
    #[must_use]
    pub fn is_away(&self) -> bool {
        self.state == KeeperState::Underway || self.adrift.is_some()
    }

    /// The site that was kept over the start, while no fix has agreed with it or ruled it out.
    #[must_use]
    pub fn unverified_site(&self) -> Option<&Site> {
        self.site.as_ref().filter(|_| !self.verified_since_start)
    }

    /// True while it moves, as far as anybody can tell: away and not at a halt.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.is_away() && self.state != KeeperState::Settling
    }
}
