//! Where and when a read was: a small record beside the read, replaceable by a later one. It holds places, never
//! plates.

use crate::geo::LatLon;
use crate::ids::{CameraId, SiteId};
use crate::moment::{Moment, Mono, Utc, UtcTrust};
use crate::position::PositionView;
use crate::position::host_clock::AGREES_MS;
use crate::position::places::{LineState, coordinates};
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
    /// When the read was captured, and how sure that is.
    pub clock: StampClock,
}

/// How right a capture time is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StampClock {
    /// Host UTC less GPS UTC at the capture time, ms; `None` if no GPS receiver has told the time.
    pub offset_ms: Option<i64>,
    /// The true capture time, where the host's clock was off by more than [`AGREES_MS`] when it said the other one.
    pub corrected: Option<Utc>,
    /// Trust in the capture time: in the corrected one if there is one, else in what the host's clock said.
    pub trust: UtcTrust,
    /// How far that time may be off, ms; `None` if nobody can tell.
    pub error_ms: Option<u64>,
}

/// What a stamp is made from: the position actor's view, and the host's clock.
#[derive(Clone, Copy, Debug)]
pub struct StampBasis<'a> {
    /// What the position actor published last.
    pub view: &'a PositionView,
    /// Now.
    pub now: &'a Moment,
}

/// A fix older than this at the capture time makes the stamp of a standing trailer doubtful, and it says so, ms
/// (design).
const SITE_FIX_AGE_MS_MAX: u64 = 10_000;
/// The same underway, where a trailer at 40 m/s (faster than any tow) goes 100 m meanwhile, ms.
const LIVE_FIX_AGE_MS_MAX: u64 = 2_500;

/// The stamp of a read captured by `camera` at `captured_at` (the host's UTC as the engine saw it).
///
/// An instant that the host's clock showed twice, or never, is no certain instant: the stamp is `Doubtful`, or
/// `None` if it lies outside the kept past.
#[must_use]
pub fn stamp(camera: &CameraId, captured_at: Utc, revision: u32, basis: &StampBasis<'_>) -> Stamp {
    let view = basis.view;
    let instant = view.eras.mono_of(captured_at, basis.now.mono);
    let sure_of_time = instant.is_some_and(|(_, only)| only);
    let whereabouts = instant.map_or(Whereabouts::Unknown, |(mono, _)| view.timeline.at(mono));
    let newest = view.last_fix.map(|fix| fix.at);
    let fix_age_ms = instant.and_then(|(mono, _)| view.timeline.fix_age_ms(mono, newest));
    let fresh = |age_ms: Option<u64>, max_ms: u64| age_ms.is_some_and(|age_ms| age_ms <= max_ms);
    let certain = |sure: bool| if sure { StampState::Certain } else { StampState::Doubtful };
    let (state, spot, position, radius95_m, fix_age_ms) = match whereabouts {
        Whereabouts::Unknown => (StampState::None, StampSpot::Unknown, None, None, None),
        Whereabouts::AtSite { site, position, radius95_m, verified } => {
            let sure = verified && sure_of_time && fresh(fix_age_ms, SITE_FIX_AGE_MS_MAX);
            (certain(sure), StampSpot::Site(site), Some(position), Some(radius95_m), fix_age_ms)
        }
        Whereabouts::Doubtful { site, position, radius95_m } => {
            let spot = site.map_or(StampSpot::Unknown, StampSpot::Site);
            (StampState::Doubtful, spot, position, Some(radius95_m), fix_age_ms)
        }
        Whereabouts::Underway { position, radius95_m, measured } => {
            let age_ms = instant.map(|(mono, _)| mono.since_ms(measured));
            let sure = sure_of_time && fresh(age_ms, LIVE_FIX_AGE_MS_MAX);
            (certain(sure), StampSpot::Underway, Some(position), Some(radius95_m), age_ms)
        }
    };
    let (line, line_state) = sentence(camera, view, whereabouts, fix_age_ms, instant.map(|(_, only)| only));
    Stamp {
        revision,
        state,
        spot,
        position,
        radius95_m,
        fix_age_ms,
        line,
        line_state,
        clock: clock(captured_at, instant, basis),
    }
}

/// The capture time, held against true time. An instant that the host's clock showed twice is not corrected: nobody
/// knows which of the two is meant.
fn clock(captured_at: Utc, instant: Option<(Mono, bool)>, basis: &StampBasis<'_>) -> StampClock {
    let view = basis.view;
    let as_it_is = StampClock {
        offset_ms: view.clock_offset.map(|(offset_ms, _)| offset_ms),
        corrected: None,
        trust: basis.now.utc_trust,
        error_ms: view.clock_error_ms.filter(|_| basis.now.utc_trust.is_trusted()),
    };
    let (Some((mono, true)), Some(told)) = (instant, view.true_time) else { return as_it_is };
    let true_utc = told.utc_at(mono);
    let offset_ms = captured_at.since_ms(true_utc);
    let off_by_ms = offset_ms.unsigned_abs();
    let by_gps = Some(offset_ms).filter(|_| told.source == UtcTrust::Gps);
    let off = AGREES_MS.unsigned_abs() < off_by_ms;
    StampClock {
        offset_ms: by_gps,
        corrected: off.then_some(true_utc),
        trust: told.trust(mono),
        error_ms: Some(told.error_ms(mono) + if off { 0 } else { off_by_ms }),
    }
}

/// What an officer reads first. Only a confirmed line at a site that fixes agree with is told as if true; what is not
/// sure about it follows in the same sentence.
fn sentence(
    camera: &CameraId,
    view: &PositionView,
    whereabouts: Whereabouts,
    fix_age_ms: Option<u64>,
    sure_of_time: Option<bool>,
) -> (String, LineState) {
    let (mut text, mut state) = match whereabouts {
        Whereabouts::Unknown => {
            let why = match (sure_of_time, view.last_fix) {
                (None, _) => "the capture time is not one that this computer's clock has shown",
                (Some(_), None) => "no fix since the start when this was read",
                (Some(_), Some(_)) => "no usable fix when this was read",
            };
            return (format!("Position unknown; {why}"), LineState::Missing);
        }
        Whereabouts::AtSite { site, position, verified: true, .. } => view.places.sentence(site, position, camera),
        Whereabouts::AtSite { site, position, verified: false, .. } => {
            let at = coordinates(position);
            let text = match view.places.line(site, camera) {
                (Some(line), LineState::Confirmed) => {
                    format!("Last known place {at} ({}), not verified since boot", line.text())
                }
                _ => format!("Last known place {at}, not verified since boot"),
            };
            (text, LineState::Unconfirmed)
        }
        Whereabouts::Doubtful { site, position, .. } => {
            let at = position.map_or_else(|| "Position unknown".to_owned(), coordinates);
            let text = match site {
                Some(_) => format!("{at}; the trailer may be on the move, place and direction not confirmed"),
                None => format!("{at}; position not sure yet, direction not confirmed"),
            };
            (text, LineState::Unconfirmed)
        }
        Whereabouts::Underway { position, .. } => {
            (format!("{}; the trailer was not at a site", coordinates(position)), LineState::Unconfirmed)
        }
    };
    match (whereabouts, fix_age_ms) {
        (_, Some(age_ms)) if SITE_FIX_AGE_MS_MAX < age_ms => {
            text = format!("{text}; last position fix {} before the read", age_words(age_ms));
            state = weaker(state);
        }
        (Whereabouts::AtSite { verified: true, .. }, None) => {
            text.push_str("; no position fix is known from shortly before the read");
            state = weaker(state);
        }
        _ => {}
    }
    if sure_of_time == Some(false) {
        text.push_str("; capture time not sure");
        state = weaker(state);
    }
    (text, state)
}

/// What is qualified is no longer confirmed.
fn weaker(state: LineState) -> LineState {
    if state == LineState::Confirmed { LineState::Unconfirmed } else { state }
}

/// An age in words: "45 s", "12 min", "3 h".
fn age_words(age_ms: u64) -> String {
    match age_ms / 1000 {
        s @ 0..120 => format!("{s} s"),
        s @ 120..7200 => format!("{} min", s / 60),
        s => format!("{} h", s / 3600),
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;
    use crate::position::Fix;
    use crate::position::places::{PlaceLine, PlaceTable};
    use crate::position::timeline::Timeline;
    use std::sync::Arc;

    const T0: i64 = 1_800_000_000_000;

    fn here() -> LatLon {
        LatLon::new(44.51, -30.0).unwrap()
    }

    fn moment(mono_ms: u64) -> Moment {
        Moment { mono: Mono(mono_ms), utc: Utc(T0 + i64::try_from(mono_ms).unwrap()), utc_trust: UtcTrust::Gps }
    }

    fn view(whereabouts: Whereabouts, fix_at: u64) -> PositionView {
        let mut timeline = Timeline::default();
        timeline.tell(Mono(0), whereabouts);
        let mut places = PlaceTable::default();
        let line = PlaceLine {
            road: "Quernstone Road".to_owned(),
            cross_street: "Brackwater Lane".to_owned(),
            direction: "northbound".to_owned(),
            by: "technician 7".to_owned(),
            at: Utc(0),
        };
        places.set(SiteId(1), here(), &east(), line).unwrap();
        let fix = Fix {
            at: Mono(fix_at),
            utc: None,
            position: here(),
            speed_mps: None,
            hdop: None,
            satellites: None,
            sigma_m: None,
        };
        let mut view = PositionView {
            timeline: Arc::new(timeline),
            places: Arc::new(places),
            last_fix: Some(fix),
            ..PositionView::default()
        };
        view.eras.observe(&moment(0));
        view
    }

    fn east() -> CameraId {
        CameraId::new("east").unwrap()
    }

    fn at_site(verified: bool) -> Whereabouts {
        Whereabouts::AtSite { site: SiteId(1), position: here(), radius95_m: 5.0, verified }
    }

    fn check(whereabouts: Whereabouts, fix_at: u64, read_at: u64, want: (StampState, &str, LineState)) {
        let view = view(whereabouts, fix_at);
        let now = moment(read_at + 100);
        let stamp = stamp(&east(), moment(read_at).utc, 1, &StampBasis { view: &view, now: &now });
        assert_eq!((stamp.state, stamp.line.as_str(), stamp.line_state), want);
    }

    #[test]
    fn officers_read_a_sentence_that_says_what_is_sure() {
        let unconfirmed = LineState::Unconfirmed;
        let line = "Quernstone Road at Brackwater Lane, northbound";
        check(at_site(true), 59_000, 60_000, (StampState::Certain, line, LineState::Confirmed));
        let old = format!("{line}; last position fix 45 s before the read");
        check(at_site(true), 15_000, 60_000, (StampState::Doubtful, &old, unconfirmed));
        let boot = format!("Last known place 44.51000, -30.00000 ({line}), not verified since boot");
        check(at_site(false), 59_000, 60_000, (StampState::Doubtful, &boot, unconfirmed));
        let leaving = "44.51000, -30.00000; the trailer may be on the move, place and direction not confirmed";
        let doubtful = Whereabouts::Doubtful { site: Some(SiteId(1)), position: Some(here()), radius95_m: 9.0 };
        check(doubtful, 59_000, 60_000, (StampState::Doubtful, leaving, unconfirmed));
        let road = "44.51000, -30.00000; the trailer was not at a site";
        let underway = Whereabouts::Underway { position: here(), radius95_m: 9.0, measured: Mono(59_000) };
        check(underway, 59_000, 60_000, (StampState::Certain, road, unconfirmed));
        check(underway, 59_000, 62_000, (StampState::Doubtful, road, unconfirmed));
        let none = "Position unknown; no usable fix when this was read";
        check(Whereabouts::Unknown, 59_000, 60_000, (StampState::None, none, LineState::Missing));
    }

    #[test]
    fn officers_read_what_is_missing_what_has_moved_and_what_no_fix_has_told_yet() {
        let unconfirmed = LineState::Unconfirmed;
        let there = here().moved(45.0, 4200.0);
        let moved = Whereabouts::AtSite { site: SiteId(2), position: there, radius95_m: 5.0, verified: true };
        let read = |view: &PositionView, camera: &CameraId| {
            let stamp = stamp(camera, moment(60_000).utc, 1, &StampBasis { view, now: &moment(60_100) });
            (stamp.state, stamp.line, stamp.line_state)
        };
        let mut after = view(moved, 59_000);
        Arc::make_mut(&mut after.places).offer(SiteId(2), there, &[], Some(SiteId(1)));
        let at = coordinates(there);
        let told = format!("{at}; moved 4.2 km north-east of Quernstone Road, direction not confirmed");
        assert_eq!(read(&after, &east()), (StampState::Certain, told, unconfirmed));
        let west = CameraId::new("west").unwrap();
        let told = format!("{at}; no place line written");
        assert_eq!(read(&after, &west), (StampState::Certain, told, LineState::Missing));
        // Neither ahead of the clock nor before the boot has it shown such a time; a fix is not what is missing.
        let standing = view(at_site(true), 59_000);
        for captured_at in [moment(65_100).utc, moment(0).utc.plus_ms(-5000)] {
            let stamp = stamp(&east(), captured_at, 1, &StampBasis { view: &standing, now: &moment(60_100) });
            let told = "Position unknown; the capture time is not one that this computer's clock has shown";
            assert_eq!((stamp.state, stamp.line.as_str()), (StampState::None, told));
        }
        let mut fixless = view(Whereabouts::Unknown, 59_000);
        fixless.last_fix = None;
        let told = "Position unknown; no fix since the start when this was read".to_owned();
        assert_eq!(read(&fixless, &east()), (StampState::None, told, LineState::Missing));
        // A trailer that has stood somewhere before the start says so, fix or not.
        let mut unverified = view(at_site(false), 59_000);
        unverified.last_fix = None;
        let told =
            "Last known place 44.51000, -30.00000 (Quernstone Road at Brackwater Lane, northbound), not verified \
                    since boot"
                .to_owned();
        assert_eq!(read(&unverified, &east()), (StampState::Doubtful, told, unconfirmed));
        let walking_in = Whereabouts::Doubtful { site: None, position: Some(here()), radius95_m: 30.0 };
        let told = "44.51000, -30.00000; position not sure yet, direction not confirmed".to_owned();
        assert_eq!(read(&view(walking_in, 59_000), &east()), (StampState::Doubtful, told, unconfirmed));
    }

    #[test]
    fn a_read_inside_a_past_gap_says_the_age_that_the_fix_had_then() {
        let mut view = view(at_site(true), 300_000);
        Arc::make_mut(&mut view.timeline).unseen(Some(Mono(100_000)), Mono(200_000));
        let now = moment(301_000);
        let stamp = stamp(&east(), moment(150_000).utc, 1, &StampBasis { view: &view, now: &now });
        assert_eq!(stamp.fix_age_ms, Some(50_000));
        assert!(stamp.line.ends_with("; last position fix 50 s before the read"), "{}", stamp.line);
    }
}
