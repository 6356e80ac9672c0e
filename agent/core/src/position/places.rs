//! Places and their place lines: what an officer reads first in an alert, and whether a person has said that it is
//! right here.

use crate::geo::{LatLon, compass_word};
use crate::ids::{CameraId, SiteId, printable};
use crate::moment::Utc;
use crate::position::{KeeperState, PositionView};
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

/// A stay nearer than this to a former one is at the same place, metres (design).
pub const RETURN_M: f64 = 50.0;

/// Where a line comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LineOrigin {
    /// A person wrote or confirmed it at this site.
    #[default]
    Here,
    /// Taken along from the site before: it was true elsewhere.
    Carried {
        /// The site where a person said so last.
        from: SiteId,
    },
    /// The trailer came back to the place where it was true, and it is offered again.
    Returned {
        /// The site where a person said so last.
        from: SiteId,
    },
}

impl LineOrigin {
    /// The word used in health files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Here => "here",
            Self::Carried { .. } => "carried",
            Self::Returned { .. } => "returned",
        }
    }

    /// The site where a person said so last, of a line that `site` holds.
    fn said_at(self, site: SiteId) -> SiteId {
        match self {
            Self::Here => site,
            Self::Carried { from } | Self::Returned { from } => from,
        }
    }
}

/// The line of one camera at one site.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteLine {
    /// What a person wrote.
    pub line: PlaceLine,
    /// How far it may be believed at this site.
    pub state: LineState,
    /// Where it comes from.
    pub origin: LineOrigin,
    /// Where it is (or was) true: the anchor at the time at which a person wrote or confirmed it.
    pub position: LatLon,
}

impl SiteLine {
    /// Whether it was true at the place of `position`, near the former site that holds it. What is confirmed holds for
    /// the whole stay, however the anchor was refined; what only lay there without anybody's word was true elsewhere.
    fn is_of_place(&self, position: LatLon) -> bool {
        self.state == LineState::Confirmed || self.position.distance_m(position) <= RETURN_M
    }
}

/// The place lines of one site.
pub type SiteLines = BTreeMap<CameraId, SiteLine>;

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
    /// It may have been moved while it was off, and a line would go to the site where it stood before.
    #[error("no fix since the start has agreed with the site where the trailer stood")]
    NotVerified,
    /// It may be leaving the site.
    #[error("it is being checked whether the trailer leaves its site")]
    InDoubt,
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
            Self::NotVerified => {
                "wait until fixes agree with it or another site is found, which takes minutes under an open sky; \
                 without fixes see to the GPS receiver first"
            }
            Self::InDoubt => "wait until that is decided; it takes minutes",
            Self::OtherSite { .. } => "find out where it stands now before you ask anew",
            Self::OtherLine { .. } => "read the line as it is now, and ask anew if it is right",
        }
    }

    /// Why no line may be written or confirmed now; `None` if it may. A line belongs to the place that people see, and
    /// only a site that fixes of this start agree with is that place.
    #[must_use]
    pub fn of_site(found: bool, verified: bool, state: KeeperState) -> Option<Self> {
        match (found, verified, state) {
            (false, ..) => Some(Self::NoSite),
            (true, false, _) => Some(Self::NotVerified),
            (true, true, KeeperState::Anchored) => None,
            (true, true, _) => Some(Self::InDoubt),
        }
    }
}

/// The site that people's lines go to now, and its anchor.
///
/// # Errors
/// [`LineProblem`] while there is no site, or it is not sure that the trailer stands there.
pub fn site_for_lines(view: &PositionView) -> Result<(SiteId, LatLon), LineProblem> {
    match LineProblem::of_site(view.site.is_some(), view.verified_since_start, view.state) {
        Some(problem) => Err(problem),
        None => view.site.as_ref().map(|site| (site.id, site.position)).ok_or(LineProblem::NoSite),
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
        self.held(site, camera).map_or((None, LineState::Missing), |held| (Some(&held.line), held.state))
    }

    /// What `site` holds of `camera`.
    #[must_use]
    pub fn held(&self, site: SiteId, camera: &CameraId) -> Option<&SiteLine> {
        self.sites.get(&site)?.get(camera)
    }

    /// Offers each camera at a new site its line of this very place, from the newest of the `former` stays here
    /// (newest first) that has one, else what it had at the site `before`. All of them are unconfirmed.
    pub fn offer(&mut self, site: SiteId, position: LatLon, former: &[SiteId], before: Option<SiteId>) {
        let held = |id: SiteId| self.sites.get(&id).into_iter().flatten().map(move |(camera, held)| (id, camera, held));
        let mut offered = SiteLines::new();
        for (id, camera, held) in before.into_iter().flat_map(held) {
            let origin = LineOrigin::Carried { from: held.origin.said_at(id) };
            let carried = SiteLine { state: LineState::Unconfirmed, origin, ..held.clone() };
            offered.insert(camera.clone(), carried);
        }
        // The oldest first, so that the newest stays.
        let of_place = former.iter().rev().copied().flat_map(held).filter(|(_, _, held)| held.is_of_place(position));
        for (id, camera, held) in of_place {
            let origin = LineOrigin::Returned { from: held.origin.said_at(id) };
            let returned = SiteLine { state: LineState::Unconfirmed, origin, ..held.clone() };
            offered.insert(camera.clone(), returned);
        }
        if !offered.is_empty() {
            self.sites.insert(site, offered);
            self.keep_newest();
        }
    }

    /// Whether a person wrote or confirmed a line at `site` that is one of the place of `position`.
    #[must_use]
    pub fn has_lines_of(&self, site: SiteId, position: LatLon) -> bool {
        let said = |held: &SiteLine| held.origin == LineOrigin::Here && held.is_of_place(position);
        self.sites.get(&site).is_some_and(|lines| lines.values().any(said))
    }

    /// All lines of `site` lose their confirmation, since the trailer was moved there or stands elsewhere than was
    /// thought. None of them is told as true of this place any more.
    pub fn doubt_lines(&mut self, site: SiteId) {
        for held in self.sites.get_mut(&site).into_iter().flat_map(SiteLines::values_mut) {
            held.state = LineState::Unconfirmed;
            if let LineOrigin::Returned { from } = held.origin {
                held.origin = LineOrigin::Carried { from };
            }
        }
    }

    /// The confirmed lines of `site` that were said at least `far_m` from `position` lose their confirmation.
    pub fn doubt_lines_far(&mut self, site: SiteId, position: LatLon, far_m: f64) {
        for held in self.sites.get_mut(&site).into_iter().flat_map(SiteLines::values_mut) {
            if far_m <= held.position.distance_m(position) {
                held.state = LineState::Unconfirmed;
            }
        }
    }

    /// How far from `position` the farthest of the confirmed lines of `site` was said, metres; `None` if none is
    /// confirmed.
    #[must_use]
    pub fn confirmed_away_m(&self, site: SiteId, position: LatLon) -> Option<f64> {
        let confirmed = self.sites.get(&site)?.values().filter(|held| held.state == LineState::Confirmed);
        confirmed.map(|held| held.position.distance_m(position)).max_by(f64::total_cmp)
    }

    fn keep_newest(&mut self) {
        while Self::SITES_KEPT < self.sites.len() {
            self.sites.pop_first();
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
        let held = SiteLine { line, state: LineState::Confirmed, origin: LineOrigin::Here, position };
        self.sites.entry(site).or_default().insert(camera.clone(), held);
        self.keep_newest();
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
        for (name, held) in self.sites.get_mut(&site).into_iter().flatten() {
            if camera.is_none_or(|camera| camera == name) && held.state == LineState::Unconfirmed {
                (held.state, held.origin, held.position) = (LineState::Confirmed, LineOrigin::Here, position);
                held.line.by.clone_from(&by);
                held.line.at = at;
                confirmed.push((name.clone(), held.line.clone()));
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
        let Some(SiteLine { line, state, origin, position: said_at }) = self.held(site, camera) else {
            return (format!("{at}; no place line written"), LineState::Missing);
        };
        let text = match (state, origin) {
            (LineState::Confirmed, _) => return (line.text(), LineState::Confirmed),
            (_, LineOrigin::Returned { .. }) => {
                format!("{at}; back at the place of \"{}\", direction not confirmed", line.text())
            }
            (_, LineOrigin::Carried { .. } | LineOrigin::Here) => {
                let moved_m = said_at.distance_m(position);
                let word = compass_word(said_at.azimuth_deg(position));
                format!("{at}; moved {} {word} of {}, direction not confirmed", length_words(moved_m), line.road)
            }
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
    use crate::position::Site;

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

    fn west() -> CameraId {
        CameraId::new("west").unwrap()
    }

    #[test]
    fn officers_read_the_line_only_where_a_person_confirmed_it() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let there = here.moved(45.0, 4200.0);
        let mut table = PlaceTable::default();
        table.offer(SiteId(1), here, &[], None);
        let missing = table.sentence(SiteId(1), here, &east());
        assert_eq!(missing, ("44.51000, -30.00000; no place line written".to_owned(), LineState::Missing));

        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        let confirmed = table.sentence(SiteId(1), here, &east());
        assert_eq!(confirmed, ("Quernstone Road at Brackwater Lane, northbound".to_owned(), LineState::Confirmed));

        table.offer(SiteId(2), there, &[], Some(SiteId(1)));
        let (text, state) = table.sentence(SiteId(2), there, &east());
        assert_eq!(state, LineState::Unconfirmed);
        assert!(text.ends_with("; moved 4.2 km north-east of Quernstone Road, direction not confirmed"), "{text}");

        table.offer(SiteId(3), here, &[SiteId(1)], Some(SiteId(2)));
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
        table.offer(SiteId(2), here.moved(45.0, 4200.0), &[], Some(SiteId(1)));
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
        table.offer(SiteId(2), here.moved(0.0, 1000.0), &[], Some(SiteId(1)));
        let there = here.moved(0.0, 3000.0);
        table.offer(SiteId(3), there, &[], Some(SiteId(2)));
        let (text, _) = table.sentence(SiteId(3), there, &east());
        assert!(text.contains("moved 3.0 km north of Quernstone Road"), "{text}");
    }

    #[test]
    fn a_line_that_was_only_carried_to_a_place_is_never_told_as_that_places_own() {
        let a = LatLon::new(44.51, -30.0).unwrap();
        let (b, c) = (a.moved(0.0, 1000.0), a.moved(0.0, 3000.0));
        let mut table = PlaceTable::default();
        table.set(SiteId(1), a, &east(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(2), b, &[], Some(SiteId(1)));
        table.offer(SiteId(3), c, &[], Some(SiteId(2)));
        table.offer(SiteId(4), b, &[SiteId(2)], Some(SiteId(3)));
        let (text, state) = table.sentence(SiteId(4), b, &east());
        assert_eq!(state, LineState::Unconfirmed);
        assert!(text.ends_with("; moved 1.0 km north of Quernstone Road, direction not confirmed"), "{text}");
    }

    #[test]
    fn of_two_cameras_each_line_is_told_from_where_it_was_true() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let (second, third) = (here.moved(0.0, 1000.0), here.moved(0.0, 3000.0));
        let mut table = PlaceTable::default();
        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        table.set(SiteId(1), here, &west(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(2), second, &[], Some(SiteId(1)));
        table.set(SiteId(2), second, &east(), line("Tallow Row")).unwrap();
        table.offer(SiteId(3), third, &[], Some(SiteId(2)));
        for (camera, told) in [(east(), "2.0 km north of Tallow Row"), (west(), "3.0 km north of Quernstone Road")] {
            let (text, state) = table.sentence(SiteId(3), third, &camera);
            assert_eq!(state, LineState::Unconfirmed);
            assert!(text.ends_with(&format!("; moved {told}, direction not confirmed")), "{text}");
        }
    }

    #[test]
    fn a_return_gives_each_camera_the_newest_line_of_that_place_and_carries_the_rest() {
        let a = LatLon::new(44.51, -30.0).unwrap();
        let (beside, b) = (a.moved(90.0, 20.0), a.moved(0.0, 1000.0));
        let mut table = PlaceTable::default();
        let cameras = [east(), west(), CameraId::new("south").unwrap()];
        let roads = |table: &PlaceTable, site: u64, position: LatLon| {
            cameras.clone().map(|camera| {
                let text = table.sentence(SiteId(site), position, &camera).0;
                text.split_once("; ").map_or(text.clone(), |(_, after)| after.to_owned())
            })
        };
        table.set(SiteId(1), a, &east(), line("Quernstone Road")).unwrap();
        table.set(SiteId(1), a, &west(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(2), b, &[], Some(SiteId(1)));
        table.set(SiteId(2), b, &cameras[2], line("Tallow Row")).unwrap();
        table.offer(SiteId(3), beside, &[SiteId(1)], Some(SiteId(2)));
        table.set(SiteId(3), beside, &west(), line("Osterholt Way")).unwrap();
        table.offer(SiteId(4), b, &[SiteId(2)], Some(SiteId(3)));
        assert_eq!(
            roads(&table, 4, b),
            [
                "moved 1.0 km north of Quernstone Road, direction not confirmed",
                "moved 1.0 km north of Osterholt Way, direction not confirmed",
                "back at the place of \"Tallow Row at Brackwater Lane, northbound\", direction not confirmed",
            ]
        );
        // Nobody confirmed anything at site 4. East was offered at site 3 and not confirmed: it is of site 1 still.
        table.offer(SiteId(5), a, &[SiteId(3), SiteId(1)], Some(SiteId(4)));
        assert_eq!(
            roads(&table, 5, a),
            [
                "back at the place of \"Quernstone Road at Brackwater Lane, northbound\", direction not confirmed",
                "back at the place of \"Osterholt Way at Brackwater Lane, northbound\", direction not confirmed",
                "moved 1.0 km south of Tallow Row, direction not confirmed",
            ]
        );
        let from = cameras.clone().map(|camera| table.held(SiteId(5), &camera).map(|held| held.origin));
        let returned = |from: u64| Some(LineOrigin::Returned { from: SiteId(from) });
        assert_eq!(from, [returned(1), returned(3), Some(LineOrigin::Carried { from: SiteId(2) })]);
        // What was said at a stay counts, and not what was offered there.
        let said = [1, 3, 4, 5].map(|site| table.has_lines_of(SiteId(site), a));
        assert_eq!(said, [true, true, false, false]);
        // One is confirmed: the others stay what they are.
        assert_eq!(table.confirm(SiteId(5), a, Some(&east()), "technician 7", Utc(5)), Ok(1));
        assert_eq!(roads(&table, 5, a)[0], "Quernstone Road at Brackwater Lane, northbound");
        assert_eq!(roads(&table, 5, a)[2], "moved 1.0 km south of Tallow Row, direction not confirmed");
    }

    #[test]
    fn a_place_that_was_returned_to_is_no_longer_told_as_such_after_a_hop() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        table.offer(SiteId(3), here, &[SiteId(1)], None);
        table.doubt_lines(SiteId(3));
        let (text, state) = table.sentence(SiteId(3), here.moved(90.0, 30.0), &east());
        assert_eq!(state, LineState::Unconfirmed);
        assert!(text.ends_with("; moved 30 m east of Quernstone Road, direction not confirmed"), "{text}");
    }

    #[test]
    fn a_hop_doubts_the_confirmed_lines_that_were_said_far_away_and_no_other() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let there = here.moved(90.0, 20.0);
        let mut table = PlaceTable::default();
        assert_eq!(table.confirmed_away_m(SiteId(1), here), None);
        table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
        table.set(SiteId(1), there, &west(), line("Tallow Row")).unwrap();
        let now = here.moved(90.0, 26.0);
        let away_m = table.confirmed_away_m(SiteId(1), now).unwrap();
        assert!((away_m - 26.0).abs() < 0.1, "{away_m}");
        table.doubt_lines_far(SiteId(1), now, 25.0);
        assert_eq!(table.line(SiteId(1), &east()).1, LineState::Unconfirmed);
        assert_eq!(table.line(SiteId(1), &west()).1, LineState::Confirmed);
        let away_m = table.confirmed_away_m(SiteId(1), now).unwrap();
        assert!((away_m - 6.0).abs() < 0.1, "only what is confirmed counts: {away_m}");
    }

    #[test]
    fn lines_are_taken_only_where_it_is_sure_that_the_trailer_stands() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let site = Site {
            id: SiteId(1),
            position: here,
            radius95_m: 5.0,
            arrived: Utc(0),
            left: None,
            found_by: String::new(),
        };
        let mut view = PositionView::default();
        for state in [KeeperState::Searching, KeeperState::Settling, KeeperState::Underway] {
            view.state = state;
            assert_eq!(site_for_lines(&view), Err(LineProblem::NoSite));
        }
        view.site = Some(site);
        for state in [KeeperState::Searching, KeeperState::Doubtful, KeeperState::Anchored] {
            view.state = state;
            assert_eq!(site_for_lines(&view), Err(LineProblem::NotVerified), "{state:?}");
        }
        view.verified_since_start = true;
        assert_eq!(site_for_lines(&view), Ok((SiteId(1), here)));
        view.state = KeeperState::Doubtful;
        assert_eq!(site_for_lines(&view), Err(LineProblem::InDoubt));
    }

    #[test]
    fn what_a_line_lacks_is_told_while_it_is_confirmed_and_while_it_is_not() {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let mut table = PlaceTable::default();
        let bare = PlaceLine { direction: String::new(), ..line("Quernstone Road") };
        table.set(SiteId(1), here, &east(), bare).unwrap();
        assert_eq!(table.advice(SiteId(1), &east()), "the line of east lacks the direction of travel");
        table.offer(SiteId(2), here.moved(0.0, 900.0), &[], Some(SiteId(1)));
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
