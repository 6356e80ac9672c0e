//! Where and when a read was: a small record beside the read, replaceable by a later one. It holds places, never
//! plates.

use crate::geo::LatLon;
use crate::ids::{CameraId, SiteId};
use crate::moment::{Moment, Utc, UtcTrust};
use crate::position::PositionView;
use crate::position::places::LineState;
use crate::position::timeline::Whereabouts;

/// How sure a stamp is of its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StampState {
    /// The trailer stood at this site, or was underway at this live position.
    Certain,
    /// A decision is pending (leaving is being tested, the start is not verified, the capture time is ambiguous).
    Doubtful,
    /// No place is known.
    None,
}

/// What the trailer was doing at the capture time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StampSpot {
    /// Standing at a site.
    Site(SiteId),
    /// Not at a site.
    Underway,
    /// Not known.
    Unknown,
}

/// The stamp of one read.
#[derive(Clone, Debug, PartialEq)]
pub struct Stamp {
    /// 1 for the first stamp of a read, rising.
    pub revision: u32,
    /// How sure it is.
    pub state: StampState,
    /// Where the trailer was.
    pub spot: StampSpot,
    /// The anchor, or the live position underway.
    pub position: Option<LatLon>,
    /// 95 % radius of the position, metres.
    pub radius95_m: Option<f64>,
    /// Age of the fix behind the position at the capture time, ms; `None` if there was none.
    pub fix_age_ms: Option<u64>,
    /// The sentence that an officer reads first, ready to show.
    pub line: String,
    /// Whether a person has confirmed that sentence.
    pub line_state: LineState,
    /// Host UTC less GPS UTC at the capture time, ms.
    pub clock_offset_ms: Option<i64>,
    /// Trust in the host's UTC at the capture time.
    pub utc_trust: UtcTrust,
}

/// What a stamp is made from: the position actor's view, and the host's clock.
#[derive(Clone, Copy, Debug)]
pub struct StampBasis<'a> {
    /// What the position actor published last.
    pub view: &'a PositionView,
    /// Now.
    pub now: &'a Moment,
}

/// The stamp of a read captured by `camera` at `captured_at` (the host's UTC as the engine saw it).
///
/// An instant that the host's clock showed twice, or never, is no certain instant: the stamp is `Doubtful`, or
/// `None` if it lies
/// outside the kept past.
#[must_use]
pub fn stamp(camera: &CameraId, captured_at: Utc, revision: u32, basis: &StampBasis<'_>) -> Stamp {
    let view = basis.view;
    let instant = view.eras.mono_of(captured_at, basis.now.mono);
    let sure_of_time = instant.is_some_and(|(_, only)| only);
    let whereabouts = instant.map_or(Whereabouts::Unknown, |(mono, _)| view.timeline.at(mono));
    let fix_age_ms = view.last_fix.zip(instant).map(|(fix, (mono, _))| mono.since_ms(fix.at));
    let (state, spot, position, radius95_m, fix_age_ms) = match whereabouts {
        Whereabouts::Unknown => (StampState::None, StampSpot::Unknown, None, None, None),
        Whereabouts::AtSite { site, position, radius95_m, verified } => {
            let state = if verified && sure_of_time { StampState::Certain } else { StampState::Doubtful };
            (state, StampSpot::Site(site), Some(position), Some(radius95_m), fix_age_ms)
        }
        Whereabouts::Doubtful { site, position, radius95_m } => {
            let spot = site.map_or(StampSpot::Unknown, StampSpot::Site);
            (StampState::Doubtful, spot, position, Some(radius95_m), fix_age_ms)
        }
        Whereabouts::Underway { position, radius95_m, measured } => {
            let state = if sure_of_time { StampState::Certain } else { StampState::Doubtful };
            let age_ms = instant.map(|(mono, _)| mono.since_ms(measured));
            (state, StampSpot::Underway, Some(position), Some(radius95_m), age_ms)
        }
    };
    let (line, line_state) = sentence(camera, spot, state, position, view);
    Stamp {
        revision,
        state,
        spot,
        position,
        radius95_m,
        fix_age_ms,
        line,
        line_state,
        clock_offset_ms: view.clock_offset.map(|(offset_ms, _)| offset_ms),
        utc_trust: basis.now.utc_trust,
    }
}

/// What an officer reads first. Only a confirmed line at a certain site is told as if true.
fn sentence(
    camera: &CameraId,
    spot: StampSpot,
    state: StampState,
    position: Option<LatLon>,
    view: &PositionView,
) -> (String, LineState) {
    let at =
        position.map_or_else(|| "Position unknown".to_owned(), |p| format!("{:.5}, {:.5}", p.lat_deg(), p.lon_deg()));
    match spot {
        StampSpot::Unknown => (format!("{at}; no usable fix when this was read"), LineState::Missing),
        StampSpot::Underway => (format!("{at}; the trailer was on the move"), LineState::Unconfirmed),
        StampSpot::Site(site) => {
            let (line, line_state) = view.places.line(site, camera);
            match (line, line_state, state) {
                (Some(line), LineState::Confirmed, StampState::Certain) => (line.text(), LineState::Confirmed),
                (_, _, StampState::Doubtful) => {
                    (format!("{at}; position not verified, direction not confirmed"), LineState::Unconfirmed)
                }
                (Some(_), _, _) => (format!("{at}; direction not confirmed"), LineState::Unconfirmed),
                (None, _, _) => (format!("{at}; no place line written"), LineState::Missing),
            }
        }
    }
}
