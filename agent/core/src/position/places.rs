//! Places and their place lines: what an officer reads first in an alert, and whether a person has said that it is
//! right here.

use crate::geo::{LatLon, compass_word};
use crate::ids::{CameraId, SiteId, printable};
use crate::moment::Utc;
use std::collections::{BTreeMap, VecDeque};

/// Road, cross street and direction of travel of one camera at one place, as a person wrote them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlaceLine {
    /// The road that the camera looks at, for example "Quernstone Road".
    pub road: String,
    /// The nearest cross street; empty if none was given.
    pub cross_street: String,
    /// Direction of travel of the vehicles that it reads, for example "northbound"; empty if none was given.
    pub direction: String,
    /// Who wrote or confirmed it last, and when.
    pub by: String,
    /// When that was.
    pub at: Utc,
}

/// Which line somebody means who does not stand there: what was right at one site is wrong at the next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineMeant {
    /// For which site.
    pub site: SiteId,
    /// The line as one sentence, as [`PlaceLine::text`] writes it.
    pub line: String,
}

impl PlaceLine {
    /// Longest line as one sentence, characters: three texts and what stands between them.
    pub const CHARS_MAX: usize = 3 * PlaceTable::TEXT_MAX + " at , ".len();

    /// The line as one sentence: "Quernstone Road at Brackwater Lane, northbound".
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = self.road.clone();
        if !self.cross_street.is_empty() {
            text = format!("{text} at {}", self.cross_street);
        }
        if self.direction.is_empty() { text } else { format!("{text}, {}", self.direction) }
    }
}

/// How far a place line may be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineState {
    /// A person has said so at this site.
    Confirmed,
    /// It belongs to an earlier site, or the trailer has moved since.
    Unconfirmed,
    /// There is none.
    Missing,
}

impl LineState {
    /// The word used in events and files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Confirmed => "confirmed",
            Self::Unconfirmed => "unconfirmed",
            Self::Missing => "missing",
        }
    }
}

/// Where the lines of a site come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LineOrigin {
    /// A person wrote or confirmed them here.
    #[default]
    Here,
    /// Taken along from the site before: they were true there.
    Carried {
        /// From which site.
        from: SiteId,
    },
    /// The trailer came back to the place of an earlier site: its lines are offered again.
    Returned {
        /// From which site.
        from: SiteId,
    },
}

/// The place lines of one site.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteLines {
    /// Where the lines are (or were) true: the anchor at the time that a person wrote or confirmed one, else that of
    /// the
    /// site that they come from.
    pub position: LatLon,
    /// Where they come from.
    pub origin: LineOrigin,
    /// One line per camera, with its state at this site.
    pub lines: BTreeMap<CameraId, (PlaceLine, LineState)>,
}

/// Who said what of a place line, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineChange {
    /// Which site.
    pub site: SiteId,
    /// Which camera.
    pub camera: CameraId,
    /// The line, as one sentence.
    pub text: String,
    /// `written` or `confirmed`.
    pub what: String,
    /// Who.
    pub by: String,
    /// When.
    pub at: Utc,
}

/// Why a change was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineProblem {
    /// A line without a road says nothing.
    #[error("a place line needs a road")]
    NoRoad,
    /// Too long, or with control characters.
    #[error("{what} is longer than {max} characters or has characters that can't be shown")]
    Unfit {
        /// Which part.
        what: &'static str,
        /// How many characters are allowed.
        max: usize,
    },
    /// Nobody said so.
    #[error("a place line needs the name of the person who says so")]
    Nobody,
    /// Nothing to confirm.
    #[error("there is no unconfirmed line to confirm{}", .camera.as_ref().map(|c| format!(" for {}", c.as_str())).unwrap_or_default())]
    NothingToConfirm {
        /// For which camera; `None`: for any.
        camera: Option<CameraId>,
    },
    /// Not at a site.
    #[error("the trailer stands at no site now, and a place line belongs to one")]
    NoSite,
    /// It may have been moved.
    #[error("whether the trailer still stands at its site is not sure now")]
    NotSure,
    /// Somebody means the line of another site.
    #[error("the trailer stands at site {} now, and this was meant for site {}", .now.0, .meant.0)]
    OtherSite {
        /// Where it stands.
        now: SiteId,
        /// What was meant.
        meant: SiteId,
    },
    /// Somebody means another line.
    #[error("the place line of {} reads otherwise now than the one that was meant", .camera.as_str())]
    OtherLine {
        /// Of which camera.
        camera: CameraId,
    },
}

impl LineProblem {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoRoad => "write the road that the camera looks at",
            Self::Unfit { .. } => "write it shorter, in plain letters",
            Self::Nobody => "say who you are",
            Self::NothingToConfirm { .. } => "write the line with `pintle place set`",
            Self::NoSite => "wait until a site is found; it takes the settle time after the halt",
            Self::NotSure => "wait until the position is sure, then look at the site and the line, and ask anew",
            Self::OtherSite { .. } => "find out where it stands now before you ask anew",
            Self::OtherLine { .. } => "read the line as it is now, and ask anew if it is right",
        }
    }
}

/// All place lines, by site.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlaceTable {
    /// Lines by site; the newest site is the last.
    pub sites: BTreeMap<SiteId, SiteLines>,
    /// Changes by people, oldest first, bounded.
    pub changes: VecDeque<LineChange>,
}

impl PlaceTable {
    /// Longest road, cross street, direction or name of a person, characters; our own limit.
    pub const TEXT_MAX: usize = 160;
    /// Sites whose lines are kept; our own limit.
    pub const SITES_KEPT: usize = 200;
    /// Changes that are kept; our own limit.
    pub const CHANGES_KEPT: usize = 500;

    /// Line and state of `camera` at `site`.
    #[must_use]
    pub fn line(&self, site: SiteId, camera: &CameraId) -> (Option<&PlaceLine>, LineState) {
        match self.sites.get(&site).and_then(|site| site.lines.get(camera)) {
            Some((line, state)) => (Some(line), *state),
            None => (None, LineState::Missing),
        }
    }

    /// Offers a new site the lines of the place it came back to, else those of the site before it. All of them are
    /// unconfirmed.
    pub fn offer(&mut self, site: SiteId, position: LatLon, returned_to: Option<SiteId>, before: Option<SiteId>) {
        let with_lines = |id: Option<SiteId>| {
            id.and_then(|id| self.sites.get(&id).map(|lines| (id, lines))).filter(|(_, lines)| !lines.lines.is_empty())
        };
        let (origin, from) = match (with_lines(returned_to), with_lines(before)) {
            (Some((from, lines)), _) => (LineOrigin::Returned { from }, Some(lines)),
            (None, Some((from, lines))) => (LineOrigin::Carried { from }, Some(lines)),
            (None, None) => (LineOrigin::Here, None),
        };
        let offered = SiteLines {
            position: from.map_or(position, |lines| lines.position),
            origin,
            lines: from.map(|lines| lines.lines.clone()).unwrap_or_default(),
        };
        self.sites.insert(site, offered);
        self.doubt_lines(site);
        while Self::SITES_KEPT < self.sites.len() {
            self.sites.pop_first();
        }
    }

    /// All lines of `site` lose their confirmation.
    pub fn doubt_lines(&mut self, site: SiteId) {
        if let Some(lines) = self.sites.get_mut(&site) {
            for (_, state) in lines.lines.values_mut() {
                *state = LineState::Unconfirmed;
            }
        }
    }

    /// Writes the line of `camera` at `site`, whose anchor is at `position`. It is confirmed by that.
    ///
    /// # Errors
    /// [`LineProblem`] if a text is missing or unfit.
    pub fn set(
        &mut self,
        site: SiteId,
        position: LatLon,
        camera: &CameraId,
        line: PlaceLine,
    ) -> Result<(), LineProblem> {
        for (what, text) in [
            ("the road", &line.road),
            ("the cross street", &line.cross_street),
            ("the direction", &line.direction),
            ("the name", &line.by),
        ] {
            if Self::TEXT_MAX < text.chars().count() || printable(text, Self::TEXT_MAX) != *text {
                return Err(LineProblem::Unfit { what, max: Self::TEXT_MAX });
            }
        }
        if line.road.trim().is_empty() {
            return Err(LineProblem::NoRoad);
        }
        if line.by.trim().is_empty() {
            return Err(LineProblem::Nobody);
        }
        self.changed(site, camera, &line, "written");
        let lines = self.sites.entry(site).or_insert_with(|| SiteLines {
            position,
            origin: LineOrigin::Here,
            lines: BTreeMap::new(),
        });
        let others_true =
            lines.lines.iter().all(|(other, (_, state))| other == camera || *state == LineState::Confirmed);
        if others_true {
            (lines.position, lines.origin) = (position, LineOrigin::Here);
        }
        lines.lines.insert(camera.clone(), (line, LineState::Confirmed));
        Ok(())
    }

    /// Whether the line of `camera` at `site` is the one that somebody means who does not stand there.
    ///
    /// # Errors
    /// [`LineProblem::OtherSite`], [`LineProblem::OtherLine`]; [`LineProblem::NothingToConfirm`] if there is no line.
    pub fn fits(&self, site: SiteId, camera: &CameraId, meant: &LineMeant) -> Result<(), LineProblem> {
        if meant.site != site {
            return Err(LineProblem::OtherSite { now: site, meant: meant.site });
        }
        match self.line(site, camera).0 {
            None => Err(LineProblem::NothingToConfirm { camera: Some(camera.clone()) }),
            Some(line) if line.text() != meant.line => Err(LineProblem::OtherLine { camera: camera.clone() }),
            Some(_) => Ok(()),
        }
    }

    /// Says that the unconfirmed line of `camera` (of all cameras if `None`) is right at `site`.
    ///
    /// # Errors
    /// [`LineProblem`] if there is none, or no name was given.
    pub fn confirm(
        &mut self,
        site: SiteId,
        position: LatLon,
        camera: Option<&CameraId>,
        by: &str,
        at: Utc,
    ) -> Result<usize, LineProblem> {
        if by.trim().is_empty() {
            return Err(LineProblem::Nobody);
        }
        let by = printable(by, Self::TEXT_MAX);
        let mut confirmed = Vec::new();
        if let Some(lines) = self.sites.get_mut(&site) {
            for (name, (line, state)) in &mut lines.lines {
                if camera.is_none_or(|camera| camera == name) && *state == LineState::Unconfirmed {
                    *state = LineState::Confirmed;
                    line.by.clone_from(&by);
                    line.at = at;
                    confirmed.push((name.clone(), line.clone()));
                }
            }
            if lines.lines.values().all(|(_, state)| *state == LineState::Confirmed) {
                (lines.position, lines.origin) = (position, LineOrigin::Here);
            }
        }
        if confirmed.is_empty() {
            return Err(LineProblem::NothingToConfirm { camera: camera.cloned() });
        }
        for (camera, line) in &confirmed {
            self.changed(site, camera, line, "confirmed");
        }
        Ok(confirmed.len())
    }

    fn changed(&mut self, site: SiteId, camera: &CameraId, line: &PlaceLine, what: &str) {
        if self.changes.len() == Self::CHANGES_KEPT {
            self.changes.pop_front();
        }
        self.changes.push_back(LineChange {
            site,
            camera: camera.clone(),
            text: line.text(),
            what: what.to_owned(),
            by: line.by.clone(),
            at: line.at,
        });
    }

    /// What an officer reads of `camera` while the trailer stands at `site` with its anchor at `position`, and how
    /// far it
    /// may be believed. An unconfirmed line never reads as if it were true: the coordinates come first.
    #[must_use]
    pub fn sentence(&self, site: SiteId, position: LatLon, camera: &CameraId) -> (String, LineState) {
        let at = coordinates(position);
        let Some(lines) = self.sites.get(&site) else {
            return (format!("{at}; no place line written"), LineState::Missing);
        };
        let text = match lines.lines.get(camera) {
            None => return (format!("{at}; no place line written"), LineState::Missing),
            Some((line, LineState::Confirmed)) => return (line.text(), LineState::Confirmed),
            Some((line, _)) => match lines.origin {
                LineOrigin::Returned { .. } => {
                    format!("{at}; back at the place of \"{}\", direction not confirmed", line.text())
                }
                LineOrigin::Carried { .. } | LineOrigin::Here => {
                    let moved_m = lines.position.distance_m(position);
                    let word = compass_word(lines.position.azimuth_deg(position));
                    format!("{at}; moved {} {word} of {}, direction not confirmed", length_words(moved_m), line.road)
                }
            },
        };
        (text, LineState::Unconfirmed)
    }

    /// What is missing from the line of `camera` at `site`, one sentence; empty if nothing.
    #[must_use]
    pub fn advice(&self, site: SiteId, camera: &CameraId) -> String {
        let (line, state) = self.line(site, camera);
        let camera = camera.as_str();
        let Some(line) = line else {
            return format!("no place line for {camera}: write road, cross street and direction");
        };
        let lacks = match (line.direction.is_empty(), line.cross_street.is_empty()) {
            (true, true) => "the direction of travel and a cross street or landmark",
            (true, false) => "the direction of travel",
            (false, true) => "a cross street or landmark",
            (false, false) => "",
        };
        match (state, lacks) {
            (LineState::Unconfirmed, "") => {
                format!("confirm or rewrite the line of {camera}: the trailer has moved since")
            }
            (LineState::Unconfirmed, lacks) => {
                format!("rewrite the line of {camera}: the trailer has moved since, and it lacks {lacks}")
            }
            (_, "") => String::new(),
            (_, lacks) => format!("the line of {camera} lacks {lacks}"),
        }
    }
}

/// Coordinates as people read them: degrees, five decimals (about a metre).
#[must_use]
pub fn coordinates(position: LatLon) -> String {
    format!("{:.5}, {:.5}", position.lat_deg(), position.lon_deg())
}

/// A length in words: whole tens of metres below a kilometre, else kilometres with one decimal.
#[must_use]
pub fn length_words(length_m: f64) -> String {
    if length_m < 100.0 {
        format!("{length_m:.0} m")
    } else if length_m < 995.0 {
        format!("{:.0} m", (length_m / 10.0).round() * 10.0)
    } else {
        format!("{:.1} km", length_m / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    fn line(road: &str) -> PlaceLine {
        PlaceLine {
            road: road.to_owned(),
            cross_street: "Brackwater Lane".to_owned(),
            direction: "northbound".to_owned(),
            by: "technician 7".to_owned(),
            at: Utc(0),
        }
    }

    fn east() -> CameraId {
        CameraId::new("east").unwrap()
    }

    #[test]
    fn officers_read_the_line_only_where_a_person_confirmed_it() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let there = here.moved(45.0, 4200.0);
        let mut table = PlaceTable::default();
        table.offer(SiteId(1), here, None, None);
        let missing = table.sentence(SiteId(1), here, &east());
        assert_eq!(missing, ("44.51000, -30.00000; no place line written".to_owned(), LineState::Missing));

        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        let confirmed = table.sentence(SiteId(1), here, &east());
        assert_eq!(confirmed, ("Quernstone Road at Brackwater Lane, northbound".to_owned(), LineState::Confirmed));

        table.offer(SiteId(2), there, None, Some(SiteId(1)));
        let (text, state) = table.sentence(SiteId(2), there, &east());
        assert_eq!(state, LineState::Unconfirmed);
        assert!(text.ends_with("; moved 4.2 km north-east of Quernstone Road, direction not confirmed"), "{text}");

        table.offer(SiteId(3), here, Some(SiteId(1)), Some(SiteId(2)));
        let (text, state) = table.sentence(SiteId(3), here, &east());
        assert_eq!(state, LineState::Unconfirmed);
        assert_eq!(
            text,
            "44.51000, -30.00000; back at the place of \"Quernstone Road at Brackwater Lane, northbound\", direction \
             not confirmed"
        );
        assert_eq!(table.confirm(SiteId(3), here, None, "technician 7", Utc(5)), Ok(1));
        assert_eq!(table.sentence(SiteId(3), here, &east()).1, LineState::Confirmed);
        assert_eq!(table.changes.iter().map(|c| c.what.as_str()).collect::<Vec<_>>(), ["written", "confirmed"]);
    }

    #[test]
    fn line_that_is_meant_from_afar_fits_only_its_own_site_and_its_own_words() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(2), here.moved(45.0, 4200.0), None, Some(SiteId(1)));
        let meant = |site, text: &str| LineMeant { site: SiteId(site), line: text.to_owned() };
        let text = line("Quernstone Road").text();
        assert_eq!(table.fits(SiteId(2), &east(), &meant(2, &text)), Ok(()));
        // The words are the same at the site before: only the number tells which place was meant.
        let other = LineProblem::OtherSite { now: SiteId(2), meant: SiteId(1) };
        assert_eq!(table.fits(SiteId(2), &east(), &meant(1, &text)), Err(other));
        let other = LineProblem::OtherLine { camera: east() };
        assert_eq!(table.fits(SiteId(2), &east(), &meant(2, "Quernstone Road, northbound")), Err(other));
        let west = CameraId::new("west").unwrap();
        let none = LineProblem::NothingToConfirm { camera: Some(west.clone()) };
        assert_eq!(table.fits(SiteId(2), &west, &meant(2, &text)), Err(none));
    }

    #[test]
    fn a_line_of_two_moves_ago_is_still_told_from_where_it_was_true() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(2), here.moved(0.0, 1000.0), None, Some(SiteId(1)));
        let there = here.moved(0.0, 3000.0);
        table.offer(SiteId(3), there, None, Some(SiteId(2)));
        let (text, _) = table.sentence(SiteId(3), there, &east());
        assert!(text.contains("moved 3.0 km north of Quernstone Road"), "{text}");
    }

    #[test]
    fn what_a_line_lacks_is_told_while_it_is_confirmed_and_while_it_is_not() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        let bare = PlaceLine { direction: String::new(), ..line("Quernstone Road") };
        table.set(SiteId(1), here, &east(), bare).unwrap();
        assert_eq!(table.advice(SiteId(1), &east()), "the line of east lacks the direction of travel");
        table.offer(SiteId(2), here.moved(0.0, 900.0), None, Some(SiteId(1)));
        assert_eq!(
            table.advice(SiteId(2), &east()),
            "rewrite the line of east: the trailer has moved since, and it lacks the direction of travel"
        );
        let barest = PlaceLine { cross_street: String::new(), direction: String::new(), ..line("Quernstone Road") };
        table.set(SiteId(2), here, &east(), barest).unwrap();
        assert_eq!(
            table.advice(SiteId(2), &east()),
            "the line of east lacks the direction of travel and a cross street or landmark"
        );
        table.set(SiteId(2), here, &east(), line("Quernstone Road")).unwrap();
        assert_eq!(table.advice(SiteId(2), &east()), "");
        table.doubt_lines(SiteId(2));
        assert_eq!(
            table.advice(SiteId(2), &east()),
            "confirm or rewrite the line of east: the trailer has moved since"
        );
    }

    #[test]
    fn a_line_without_road_or_name_or_with_odd_characters_is_refused() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        let mut set = |line: PlaceLine| table.set(SiteId(1), here, &east(), line);
        assert_eq!(set(line(" ")), Err(LineProblem::NoRoad));
        assert_eq!(set(PlaceLine { by: String::new(), ..line("A") }), Err(LineProblem::Nobody));
        assert_eq!(set(line(&"x".repeat(161))), Err(LineProblem::Unfit { what: "the road", max: 160 }));
        assert_eq!(set(line("a\u{202e}b")), Err(LineProblem::Unfit { what: "the road", max: 160 }));
        assert_eq!(table.advice(SiteId(1), &east()), "no place line for east: write road, cross street and direction");
    }
}
