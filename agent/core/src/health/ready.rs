//! *May I leave?* One answer after a move: what is proven at this site, and what only a person can see.
//!
//! The trailer is ready only if all parts hold. What is missing is told in the order in which a technician would do it.
//! What Pintle can't see is ticked by a person; a tick belongs to one stay at one site and goes with it.

use super::{Facts, wording};
use crate::cameras::{CameraView, IntakeView};
use crate::forward::ForwardView;
use crate::ids::{SiteId, printable};
use crate::link::LinkView;
use crate::moment::{Moment, Mono, Utc};
use crate::position::places::LineState;
use crate::position::{KeeperState, PositionView, Site};
use std::collections::BTreeMap;

/// The answer stands first on the page for so long after an arrival, ms (our own choice: a shift).
const FRESH_MS: u64 = 12 * 3_600_000;

/// Something that only a person can see.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Tick {
    /// The mast is up and pinned.
    Mast,
    /// The stabilisers stand on firm ground.
    Stabilisers,
    /// Hitch, wheel and cabinet locks are on.
    Locks,
    /// Cones, reflectors and signs are set.
    Markers,
    /// No overhead line is near the mast.
    Overhead,
}

impl Tick {
    /// All of them, in the order in which a person walks round the trailer.
    pub const ALL: [Self; 5] = [Self::Overhead, Self::Stabilisers, Self::Mast, Self::Locks, Self::Markers];

    /// The word used in commands and files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Mast => "mast",
            Self::Stabilisers => "stabilisers",
            Self::Locks => "locks",
            Self::Markers => "markers",
            Self::Overhead => "overhead",
        }
    }

    /// The tick of that word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|tick| tick.word() == word)
    }

    /// What is ticked, as a person says it.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Mast => "Mast pinned",
            Self::Stabilisers => "Stabilisers down",
            Self::Locks => "Locks on",
            Self::Markers => "Markers set",
            Self::Overhead => "Overhead lines clear",
        }
    }
}

/// Said beside the ticks wherever they stand.
pub const TICK_CAUTION: &str = "Local rules and licensed practice decide.";

/// Who ticked something, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ticked {
    /// Who says so.
    pub by: String,
    /// When.
    pub at: Utc,
}

/// The ticks of one stay at one site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TickBook {
    /// Which site; `None` before the first tick and after a move.
    pub site: Option<SiteId>,
    /// What was ticked there.
    pub ticks: BTreeMap<Tick, Ticked>,
}

impl TickBook {
    /// Longest name of a person, characters; our own limit.
    pub const BY_MAX: usize = 80;

    /// Sets or takes back a tick at `site`. Those of another site go.
    pub fn set(&mut self, site: SiteId, tick: Tick, ticked: Option<Ticked>) {
        if self.site != Some(site) {
            *self = Self { site: Some(site), ..Self::default() };
        }
        match ticked {
            Some(ticked) => drop(self.ticks.insert(tick, ticked)),
            None => drop(self.ticks.remove(&tick)),
        }
    }

    /// Clears the book when the trailer has left, or stands at another site. Tells whether it did.
    pub fn follow(&mut self, position: &PositionView) -> bool {
        let elsewhere = position.site.as_ref().is_some_and(|site| self.site.is_some_and(|own| own != site.id));
        let gone = self.site.is_some() && (position.adrift.is_some() || elsewhere);
        if gone {
            *self = Self::default();
        }
        gone
    }

    /// The tick at `site`, if it was set there.
    #[must_use]
    pub fn at(&self, site: SiteId, tick: Tick) -> Option<&Ticked> {
        self.ticks.get(&tick).filter(|_| self.site == Some(site))
    }
}

/// A test alert that was sent through the whole way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TestAlert {
    /// When it was sent.
    pub sent: Utc,
    /// When the receiver's answer came; `None`: not yet.
    pub answered: Option<Utc>,
}

/// All that the answer is made from.
#[derive(Clone, Copy, Debug)]
pub struct ReadySeen<'a> {
    /// Now.
    pub now: Moment,
    /// The agent ends, and nothing is taken in any more.
    pub stopped: bool,
    /// What does not change.
    pub facts: &'a Facts,
    /// Where it is.
    pub position: &'a PositionView,
    /// What the cameras did.
    pub intake: &'a IntakeView,
    /// What got through.
    pub forward: &'a ForwardView,
    /// The tether.
    pub link: &'a LinkView,
    /// What people ticked.
    pub ticks: &'a TickBook,
    /// The newest test alert.
    pub test_alert: Option<TestAlert>,
}

/// One thing that must hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// Stable name, for machines: `position`, `lines`, `reads`, `link`, `test_alert` or the word of a tick.
    pub code: &'static str,
    /// What must hold, in a few words.
    pub what: &'static str,
    /// Whether it does.
    pub holds: bool,
    /// What is seen, one sentence.
    pub seen: String,
    /// What to do while it does not hold; empty if it does.
    pub how: String,
    /// Number of the section that tells more.
    pub section: u8,
    /// True if Pintle can't see it.
    pub by_person: bool,
}

/// The answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ready {
    /// Where it stands; `None` if no site is known.
    pub site: Option<SiteId>,
    /// When it arrived there.
    pub arrived: Option<Utc>,
    /// Whether that is so short ago that the answer stands first on the page.
    pub fresh: bool,
    /// What must hold, in the order in which it is done.
    pub parts: Vec<Part>,
}

impl Ready {
    /// True only if all parts hold.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.site.is_some() && !self.parts.is_empty() && self.parts.iter().all(|part| part.holds)
    }

    /// What is missing, in order.
    pub fn missing(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| !part.holds)
    }

    /// What is in order.
    pub fn holding(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| part.holds)
    }

    /// "READY" or "NOT READY".
    #[must_use]
    pub fn word(&self) -> &'static str {
        if self.is_ready() { "READY" } else { "NOT READY" }
    }

    /// The answer in one sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let missing = self.missing().count();
        match (self.is_ready(), missing) {
            (true, _) => {
                format!("Everything that Pintle can see is in order, and you have seen to the rest. {TICK_CAUTION}")
            }
            (false, 0) => "Nothing is known yet.".to_owned(),
            (false, 1) => "One thing is missing.".to_owned(),
            (false, n) => format!("{n} things are missing, in this order."),
        }
    }
}

/// Judges whether a technician may leave.
#[must_use]
pub fn ready(seen: &ReadySeen<'_>) -> Ready {
    let position = seen.position;
    let site = position.site.as_ref().filter(|_| position.state == KeeperState::Anchored && position.adrift.is_none());
    let arrived = site.map(|site| since(seen, site));
    let mut parts = vec![place(seen, site), lines(seen, site), reads(seen, arrived), link(seen, arrived)];
    parts.push(test_alert(seen, site));
    parts.extend(Tick::ALL.into_iter().map(|tick| ticked(seen, site, tick)));
    Ready {
        site: site.map(|site| site.id),
        arrived: site.map(|site| site.arrived),
        // On the way and while settling the answer is awaited as well.
        fresh: match arrived {
            Some(arrived) => seen.now.mono.since_ms(arrived) < FRESH_MS,
            None => position.adrift.is_some() || position.state == KeeperState::Settling,
        },
        parts,
    }
}

/// When it arrived, by the boot-time clock. A clock that was set since then does not move it.
fn since(seen: &ReadySeen<'_>, site: &Site) -> Mono {
    let by_eras = seen.position.eras.mono_of(site.arrived, seen.now.mono).map(|(mono, _)| mono);
    let ago_ms = u64::try_from(seen.now.utc.since_ms(site.arrived)).unwrap_or(0);
    by_eras.unwrap_or_else(|| seen.now.mono.minus_ms(ago_ms))
}

fn part(code: &'static str, what: &'static str, section: u8, told: Result<String, [String; 2]>) -> Part {
    let (holds, seen, how) = match told {
        Ok(seen) => (true, seen, String::new()),
        Err([seen, how]) => (false, seen, how),
    };
    Part { code, what, holds, seen, how, section, by_person: false }
}

fn missing<T>(seen: impl Into<String>, how: &str) -> Result<T, [String; 2]> {
    Err([seen.into(), how.to_owned()])
}

fn place(seen: &ReadySeen<'_>, site: Option<&Site>) -> Part {
    let position = seen.position;
    let told = match (site, position.unverified_site()) {
        _ if !seen.facts.gps_fitted => missing(
            "No GPS receiver is fitted, so where it stands is not known.",
            "Look yourself; without a GPS receiver this never holds.",
        ),
        (_, Some(site)) => missing(
            format!("No fix since the start has agreed with {}.", site.id),
            "Wait for a fix; the antenna needs a free view of the sky.",
        ),
        (Some(site), None) => {
            Ok(format!("Found: {}, since {}.", site.id, seen.facts.zone.clock(site.arrived, seen.now.utc)))
        }
        (None, None) => missing(
            match position.state {
                KeeperState::Underway => "It is on the move.",
                KeeperState::Settling => "It stands, and its site is being measured.",
                KeeperState::Doubtful => "It may be leaving; that is being tested.",
                _ => "Where it stands is not known.",
            },
            "Let it stand still; a site is found within minutes.",
        ),
    };
    part("position", "Position found", 1, told)
}

fn named(cameras: &[&CameraView]) -> String {
    let names: Vec<String> = cameras.iter().map(|camera| printable(&camera.label, 40)).collect();
    wording::list(&names)
}

fn lines(seen: &ReadySeen<'_>, site: Option<&Site>) -> Part {
    let cameras = &seen.intake.cameras;
    let open: Vec<&CameraView> = cameras
        .iter()
        .filter(|camera| {
            site.is_none_or(|site| seen.position.places.line(site.id, &camera.id).1 != LineState::Confirmed)
        })
        .collect();
    let how =
        "Read each line at the roadside; then confirm or rewrite it in section 2 of the page, or by pintle place.";
    let told = match (site, cameras.len(), open.as_slice()) {
        (_, 0, _) => missing("The cameras are not known yet.", how),
        (None, ..) => missing("Place lines belong to a site, and none is found yet.", how),
        (Some(_), all, []) => Ok(format!("{all} of {all} confirmed here.")),
        (Some(_), _, open) => missing(format!("Not confirmed here: {}.", named(open)), how),
    };
    part("lines", "Place lines confirmed", 2, told)
}

fn reads(seen: &ReadySeen<'_>, arrived: Option<Mono>) -> Part {
    let cameras = &seen.intake.cameras;
    let silent: Vec<&CameraView> = cameras
        .iter()
        .filter(|camera| match (camera.last_read, arrived) {
            (Some((read, _)), Some(arrived)) => read < arrived,
            _ => true,
        })
        .collect();
    let how = "Wait for traffic, or drive past with a test plate; then look at that camera's aim and cable.";
    let told = match (arrived, cameras.len(), silent.as_slice()) {
        _ if seen.stopped => missing(
            "Pintle was stopped, so no read is taken in.",
            "Start it again at the terminal: systemctl start pintle.",
        ),
        (_, 0, _) => missing("The cameras are not known yet.", how),
        (None, ..) => missing("It has not arrived.", how),
        (Some(_), _, []) => Ok("Each camera has read since the arrival.".to_owned()),
        (Some(_), _, silent) => missing(format!("No read since the arrival: {}.", named(silent)), how),
    };
    part("reads", "A read from each camera", 6, told)
}

fn link(seen: &ReadySeen<'_>, arrived: Option<Mono>) -> Part {
    let receipt = seen.forward.last_receipt.filter(|(at, _)| arrived.is_some_and(|arrived| arrived <= *at));
    let told = match (seen.link, receipt) {
        _ if !seen.facts.receiver_fitted => {
            missing("No receiver is configured.", "Configure a receiver; without one nobody gets an alert.")
        }
        (LinkView::Absent { .. }, _) => missing("The tether's interface is not there.", "Plug in the hotspot."),
        (LinkView::Down { why, .. }, _) => {
            missing(format!("The tether is down: {}.", printable(why, 80)), "Switch the hotspot on, look at its cable.")
        }
        (LinkView::Up { .. } | LinkView::NotFitted, _) if seen.forward.failing_since.is_some() => {
            missing("The receiver does not answer.", "Look at the signal; then at the receiver (section 4).")
        }
        (_, Some((at, _))) => Ok(format!("Last receipt {} ago.", wording::span(seen.now.mono.since_ms(at)))),
        (_, None) => {
            missing("Nothing has got through since the arrival.", "Wait for the first read, or send a test alert.")
        }
    };
    part("link", "Link usable", 4, told)
}

fn test_alert(seen: &ReadySeen<'_>, site: Option<&Site>) -> Part {
    let here = |at: Utc| site.is_some_and(|site| site.arrived <= at);
    let told = match seen.test_alert {
        Some(TestAlert { answered: Some(at), .. }) if here(at) => {
            Ok(format!("Arrived at {}.", seen.facts.zone.clock_seconds(at)))
        }
        Some(TestAlert { sent, answered: None }) if here(sent) => missing(
            format!("Sent at {}, not answered yet.", seen.facts.zone.clock_seconds(sent)),
            "Wait; if it stays so, look at the link and the receiver.",
        ),
        _ => missing(
            "None was answered since the arrival.",
            "Send one in section 12 of the page, or by pintle status --test-alert.",
        ),
    };
    part("test_alert", "Test alert answered", 12, told)
}

fn ticked(seen: &ReadySeen<'_>, site: Option<&Site>, tick: Tick) -> Part {
    let told = match site.and_then(|site| seen.ticks.at(site.id, tick)) {
        Some(ticked) => {
            Ok(format!("Ticked by {}, {}.", printable(&ticked.by, 60), seen.facts.zone.clock(ticked.at, seen.now.utc)))
        }
        None => missing("Pintle can't see this.", "Look yourself, then tick it."),
    };
    Part { by_person: true, ..part(tick.word(), tick.label(), 11, told) }
}

#[cfg(test)]
#[path = "ready/tests.rs"]
mod tests;
