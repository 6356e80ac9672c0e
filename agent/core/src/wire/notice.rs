//! `data` of `pintle.notice.v1`: something about the trailer that a person should know. Urgent ones are alarms.

use super::stamp::rounded;
use crate::geo::{LatLon, compass_word};
use crate::moment::{Moment, Utc};
use crate::position::keeper::KeeperAction;
use crate::position::places::{coordinates, length_words};
use serde::{Deserialize, Serialize};

/// One notice.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoticeBody {
    /// What it is about, a fixed word: `left`, `moved-while-off`, `found`, `hop`, `tow-begun`, `tow-ended`, `test` ….
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
        }
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
            KeeperAction::TowEnded { tow, reason } => {
                let text = format!("The move that {} announced is over: {reason}.", tow.by);
                Self::new("tow-ended", false, now.utc, text, "")
            }
            _ => return None,
        };
        Some(notice)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;
    use crate::ids::SiteId;
    use crate::position::Site;

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
    fn a_small_hop_is_no_notice() {
        let action =
            KeeperAction::Hopped { site: site(), moved_m: 15.0, lines_unconfirmed: false, reason: String::new() };
        assert_eq!(NoticeBody::of_keeper(&action, &Moment::default()), None);
    }
}
