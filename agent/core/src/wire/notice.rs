//! `data` of `pintle.notice.v1`: something about the trailer that a person should know. Urgent ones are alarms.

use super::stamp::rounded;
use crate::geo::{LatLon, compass_word};
use crate::health::wording::{list, span};
use crate::inputs::UnsafeMove;
use crate::moment::{Moment, Utc};
use crate::position::Fix;
use crate::position::clock_steps::ClockStep;
use crate::position::keeper::{GAP_MS, KeeperAction, TOW_CAUTION};
use crate::position::places::{coordinates, length_words};
use serde::{Deserialize, Serialize};

/// One notice.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoticeBody {
    /// What it is about, a fixed word: `left`, `moved-while-off`, `found`, `found-again`, `hop`, `tow-begun`,
    /// `tow-extended`, `tow-ended`, `unsafe-move`, `unsafe-move-over`, `clock-step`, `undated-reads`, `link-step`,
    /// `link-step-failed`, `test` ….
    pub kind: String,
    /// True if somebody should look now: an alarm.
    pub urgent: bool,
    /// True if a person asked for it to test the way.
    pub test: bool,
    /// When it happened, by the host's clock, RFC 3339.
    pub at: String,
    /// What happened, one or two sentences ready to show; no plate.
    pub text: String,
    /// What to do, one sentence; empty if nothing.
    #[serde(default, rename = "do", skip_serializing_if = "String::is_empty")]
    pub advice: String,
    /// Latitude of where it is about, WGS 84 degrees, 7 decimals.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lat: Option<f64>,
    /// Longitude of where it is about, WGS 84 degrees, 7 decimals.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lon: Option<f64>,
    /// Number of the site that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// Number of the request from afar that it answers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<u64>,
}

impl NoticeBody {
    /// A notice without a place.
    #[must_use]
    pub fn new(kind: &str, urgent: bool, at: Utc, text: String, advice: &str) -> Self {
        Self {
            kind: kind.to_owned(),
            urgent,
            test: false,
            at: at.to_rfc3339(),
            text,
            advice: advice.to_owned(),
            lat: None,
            lon: None,
            site: None,
            asked: None,
        }
    }

    /// The host's clock was set. `off_ms`: host UTC less true UTC after it, if known.
    #[must_use]
    pub fn of_clock_step(step: &ClockStep, off_ms: Option<i64>, now: &Moment) -> Self {
        let (way, size) = (if step.size_ms < 0 { "back" } else { "forward" }, step.size_ms.unsigned_abs());
        let times = if step.steps == 1 { String::new() } else { format!(" by {} steps in a minute", step.steps) };
        let seconds = |ms: u64| format!("{}.{} s", ms / 1000, ms % 1000 / 100);
        let size = if size < 120_000 { seconds(size) } else { format!("{} ({})", span(size), seconds(size)) };
        let right = off_ms.map_or_else(
            || "Whether it is right now nobody has said yet.".to_owned(),
            |off_ms| format!("It is {} from true time now.", seconds(off_ms.unsigned_abs())),
        );
        let shows = step.shows.to_rfc3339();
        let text = format!(
            "The computer's clock was set {way}{times} by {size} and shows {shows}. {right} The order and the numbers of \
             reads don't depend on it."
        );
        Self::new("clock-step", false, now.utc, text, "")
    }

    /// Reads of an earlier boot whose clock nobody confirmed.
    #[must_use]
    pub fn of_undated_boot(now: &Moment) -> Self {
        let text =
            "Before the computer was started, nobody had confirmed its clock from one start to the next. When the \
                    reads of that time were taken can't be known any more; their stamps say so (clock trust \"unset\")."
                .to_owned();
        let advice = "let no one rely on the time of these reads; see to the clock's battery and the GPS antenna";
        Self::new("undated-reads", false, now.utc, text, advice)
    }

    /// The trailer moves with a switch that forbids it, or that is over. `fix`: the newest.
    #[must_use]
    pub fn of_unsafe_move(news: &UnsafeMove, fix: Option<&Fix>, now: &Moment) -> Self {
        let position = fix.map(|fix| fix.position);
        let notice = match news {
            UnsafeMove::Began(forbids) => {
                let at = fix.map_or_else(String::new, |fix| match seen_ago(now.mono.since_ms(fix.at)) {
                    Some(ago) => format!("; it was last seen {ago} at {}", coordinates(fix.position)),
                    None => format!(", at {}", coordinates(fix.position)),
                });
                let text = format!("The trailer is moving, and {}{at}.", list(forbids));
                let advice = format!("stop it where it is safe; before it goes on: {}", TOW_CAUTION.join(" "));
                Self::new("unsafe-move", true, now.utc, text, &advice)
            }
            UnsafeMove::Over => {
                let text = "The trailer stands, or its switches say that it may be moved.".to_owned();
                Self::new("unsafe-move-over", false, now.utc, text, "")
            }
        };
        match position {
            Some(position) => notice.about(position, None),
            None => notice,
        }
    }

    /// Whether it goes on the urgent lane: alarms, and what takes an alarm back or prevents one.
    #[must_use]
    pub fn hurries(&self) -> bool {
        self.urgent || self.kind == "found-again" || self.kind == "unsafe-move-over" || self.kind.starts_with("tow-")
    }

    fn about(mut self, position: LatLon, site: Option<u64>) -> Self {
        self.lat = Some(rounded(position.lat_deg(), 7));
        self.lon = Some(rounded(position.lon_deg(), 7));
        self.site = site;
        self
    }

    /// The notice that an action of the site keeper is worth, if any. Leaving and waking up elsewhere are urgent unless
    /// announced.
    #[must_use]
    pub fn of_keeper(action: &KeeperAction, now: &Moment) -> Option<Self> {
        const ASK: &str = "call whoever is near; if the move is yours, say so to the people who got this";
        let notice = match action {
            KeeperAction::Left { site, at, announced, position, reason } => {
                let word = if *announced { "as announced" } else { "and nobody announced it" };
                let text = format!("The trailer has left site {} {word}: {reason}.", site.id.0);
                let advice = if *announced { "" } else { ASK };
                Self::new("left", !announced, *at, text, advice).about(*position, Some(site.id.0))
            }
            KeeperAction::MovedWhileOff { site, announced, position, distance_m, .. } => {
                let word = compass_word(site.position.azimuth_deg(*position));
                let text = format!(
                    "The trailer was moved while it was off: it is now {} {word} of site {}, at {}.",
                    length_words(*distance_m),
                    site.id.0,
                    coordinates(*position)
                );
                let advice = if *announced { "" } else { ASK };
                Self::new("moved-while-off", !announced, now.utc, text, advice).about(*position, Some(site.id.0))
            }
            KeeperAction::SiteFound { site, unannounced: true, .. } => {
                let text = format!(
                    "Found again: after a move that nobody had announced the trailer stands at site {}, {}.",
                    site.id.0,
                    coordinates(site.position)
                );
                let advice = "see to the trailer; then confirm or write the place lines";
                Self::new("found-again", false, site.arrived, text, advice).about(site.position, Some(site.id.0))
            }
            KeeperAction::SiteFound { site, returned_to, .. } => {
                let text = match returned_to {
                    Some(former) => {
                        format!("The trailer stands again at the place of site {} (now site {}).", former.0, site.id.0)
                    }
                    None => format!("The trailer stands at a new site {}, {}.", site.id.0, coordinates(site.position)),
                };
                let advice = "confirm or write the place lines";
                Self::new("found", false, site.arrived, text, advice).about(site.position, Some(site.id.0))
            }
            KeeperAction::Hopped { site, moved_m, lines_unconfirmed: true, reason } => {
                let text = format!("The trailer moved by {moved_m:.0} m at site {}: {reason}.", site.id.0);
                Self::new("hop", false, now.utc, text, "confirm or write the place lines")
                    .about(site.position, Some(site.id.0))
            }
            KeeperAction::TowBegun { tow, extended } => {
                let (kind, word) = if *extended { ("tow-extended", "extended") } else { ("tow-begun", "announced") };
                let why = if tow.reason.is_empty() { String::new() } else { format!(" ({})", tow.reason) };
                let text = format!("{} has {word} a tow until {}{why}.", tow.by, tow.until.to_rfc3339());
                Self::new(kind, false, now.utc, text, "")
            }
            KeeperAction::TowEnded { tow, reason, adrift, position, seen } => {
                let text = if *adrift {
                    let at = match (position, seen.and_then(|seen| seen_ago(now.mono.since_ms(seen)))) {
                        (None, _) => "is at an unknown place".to_owned(),
                        (Some(position), None) => format!("is {}", coordinates(*position)),
                        (Some(position), Some(ago)) => format!("was last seen {ago} at {}", coordinates(*position)),
                    };
                    format!(
                        "The tow that {} announced is over ({reason}), and the trailer has not arrived: it {at}.",
                        tow.by
                    )
                } else {
                    format!("The tow that {} announced is over: {reason}.", tow.by)
                };
                let notice = Self::new("tow-ended", *adrift, now.utc, text, if *adrift { ASK } else { "" });
                match position {
                    Some(position) => notice.about(*position, None),
                    None => notice,
                }
            }
            _ => return None,
        };
        Some(notice)
    }
}

/// How long ago, where a position is too old to be told as one of now; the bound is that of stamps.
fn seen_ago(age_ms: u64) -> Option<String> {
    (GAP_MS < age_ms).then(|| format!("{} ago", span(age_ms)))
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;
    use crate::ids::SiteId;
    use crate::moment::Mono;
    use crate::position::Site;
    use crate::position::keeper::Tow;

    fn site() -> Site {
        Site {
            id: SiteId(4),
            position: LatLon::new(44.51, -30.0).unwrap(),
            radius95_m: 6.0,
            arrived: Utc(0),
            left: None,
            found_by: String::new(),
        }
    }

    #[test]
    fn waking_up_elsewhere_is_an_alarm_that_says_where() {
        let position = site().position.moved(90.0, 4200.0);
        let mut action = KeeperAction::MovedWhileOff {
            site: site(),
            announced: false,
            position,
            distance_m: 4200.0,
            reason: "far".to_owned(),
        };
        let notice = NoticeBody::of_keeper(&action, &Moment::default()).unwrap();
        assert!(notice.urgent);
        assert!(
            notice.text.starts_with("The trailer was moved while it was off: it is now 4.2 km east of site 4, at ")
        );
        if let KeeperAction::MovedWhileOff { announced, .. } = &mut action {
            *announced = true;
        }
        assert!(!NoticeBody::of_keeper(&action, &Moment::default()).unwrap().urgent);
    }

    #[test]
    fn a_tow_that_is_over_on_the_way_is_an_alarm_that_says_where_and_one_that_arrived_is_none() {
        let tow = Tow {
            by: "technician 7".to_owned(),
            reason: "to the yard".to_owned(),
            announced: Utc(0),
            until: Utc(3_600_000),
            span_ms: 3_600_000,
            dated: true,
        };
        let told = |action: &KeeperAction| NoticeBody::of_keeper(action, &Moment::default()).unwrap();
        let begun = told(&KeeperAction::TowBegun { tow: tow.clone(), extended: false });
        assert_eq!(begun.text, "technician 7 has announced a tow until 1970-01-01T01:00:00.000Z (to the yard).");
        assert_eq!((begun.urgent, begun.hurries()), (false, true));
        let ended = |adrift, reason: &str| {
            let (tow, reason, position) = (tow.clone(), reason.to_owned(), Some(site().position));
            told(&KeeperAction::TowEnded { tow, reason, adrift, position, seen: Some(Mono(0)) })
        };
        let out = ended(true, "the announced time has passed");
        assert_eq!(
            out.text,
            "The tow that technician 7 announced is over (the announced time has passed), and the trailer has not \
             arrived: it is 44.51000, -30.00000."
        );
        assert!(out.urgent && !out.advice.is_empty());
        let arrived = ended(false, "arrived at site 4");
        assert_eq!(arrived.text, "The tow that technician 7 announced is over: arrived at site 4.");
        assert!(!arrived.urgent);
    }

    #[test]
    fn a_step_of_the_clock_is_told_with_size_and_direction() {
        let step = ClockStep { size_ms: -3_723_400, steps: 1, shows: Utc(1_795_608_000_000) };
        let now = Moment::default();
        let told = NoticeBody::of_clock_step(&step, Some(-40), &now);
        assert_eq!(
            told.text,
            "The computer's clock was set back by 62 min (3723.4 s) and shows 2026-11-25T12:00:00.000Z. It is 0.0 s \
             from true time now. The order and the numbers of reads don't depend on it."
        );
        assert!(!told.urgent && !told.hurries());
        let step = ClockStep { size_ms: 2500, steps: 3, shows: Utc(0) };
        let told = NoticeBody::of_clock_step(&step, None, &now).text;
        assert!(told.starts_with("The computer's clock was set forward by 3 steps in a minute by 2.5 s"), "{told}");
        assert!(told.contains("nobody has said yet"), "{told}");
    }

    #[test]
    fn moving_with_the_mast_up_is_an_alarm_with_the_list_of_the_tow() {
        let news = UnsafeMove::Began(vec!["the mast is up".to_owned()]);
        let (at, position) = (Mono(1000), site().position);
        let quality = (None, None, None);
        let (utc, speed_mps, (hdop, satellites, sigma_m)) = (None, None, quality);
        let fix = Fix { at, utc, position, speed_mps, hdop, satellites, sigma_m };
        let told_at = |mono_ms: u64| {
            let now = Moment { mono: Mono(mono_ms), ..Moment::default() };
            NoticeBody::of_unsafe_move(&news, Some(&fix), &now)
        };
        let told = told_at(11_000);
        assert_eq!(told.text, "The trailer is moving, and the mast is up, at 44.51000, -30.00000.");
        let old = told_at(1_801_000).text;
        let wanted = "The trailer is moving, and the mast is up; it was last seen 30 min ago at 44.51000, -30.00000.";
        assert_eq!(old, wanted);
        assert!(told.urgent && told.advice.contains(TOW_CAUTION[0]), "{}", told.advice);
        let over = NoticeBody::of_unsafe_move(&UnsafeMove::Over, None, &Moment::default());
        assert!(!over.urgent && over.hurries());
    }

    #[test]
    fn a_small_hop_is_no_notice() {
        let action =
            KeeperAction::Hopped { site: site(), moved_m: 15.0, lines_unconfirmed: false, reason: String::new() };
        assert_eq!(NoticeBody::of_keeper(&action, &Moment::default()), None);
    }
}
