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
mod tests;
