//! What is said over the control socket: one JSON object a line, `{"do", "by", "args"}`, answered by one line that is
//! either `{"result": …}` or a [`Problem`].
//!
//! A client tells them apart by `status`, which only a problem has.

use super::problem::{Fault, Problem};
use super::tree::{self, Tree};
use crate::health::duty::{ACK_S, ACK_S_MAX, OFF_S_MAX};
use crate::health::ready::Tick;
use crate::ids::{CameraId, SiteId, printable};
use crate::moment::Utc;
use crate::nearest::nearest;
use crate::position::keeper::TOW_S_MAX;
use crate::position::places::{LineMeant, PlaceLine};
use crate::queue::holds::{HOLD_S_MAX, HoldAsked, HoldChange};
use serde::{Deserialize, Serialize};

/// Longest line, bytes, its end included (our own limit: the longest request of ours has under 2 kB).
pub const LINE_BYTES_MAX: usize = 16_384;
/// Longest road or cross street, characters.
pub const ROAD_CHARS_MAX: usize = 160;
/// Longest direction of travel, characters (our own limit).
pub const DIRECTION_CHARS_MAX: usize = 60;
/// Longest reason for dropping an event, characters (our own limit).
pub const WHY_CHARS_MAX: usize = 160;
/// Longest reason of a tow, characters (our own limit).
pub const REASON_CHARS_MAX: usize = 160;
/// Longest name of a need, characters (our own limit: the longest rule has 16).
pub const NEED_CHARS_MAX: usize = 40;
/// Longest name of the person who asks, characters (our own limit).
pub const BY_CHARS_MAX: usize = 80;
/// Longest case text of a hold, characters (our own limit).
pub const CASE_CHARS_MAX: usize = 200;

/// All verbs that are answered; everything else is refused.
pub const VERBS: [&str; 25] = [
    "place.list",
    "place.set",
    "place.confirm",
    "tow.begin",
    "tow.end",
    "tow.status",
    "status",
    "ready.status",
    "ready.tick",
    "queue.list",
    "queue.retry",
    "queue.drop",
    "key.rotate",
    "hold.list",
    "hold.add",
    "hold.renew",
    "hold.end",
    "hold.anew",
    "test.alert",
    "test.status",
    "duty.status",
    "duty.off",
    "duty.on",
    "need.list",
    "need.ack",
];

/// Verbs that want a name.
const CHANGES: [&str; 15] = [
    "place.set",
    "place.confirm",
    "tow.begin",
    "tow.end",
    "queue.retry",
    "queue.drop",
    "key.rotate",
    "hold.add",
    "hold.renew",
    "hold.end",
    "hold.anew",
    "test.alert",
    "duty.off",
    "duty.on",
    "need.ack",
];

/// What is asked, by whom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ask {
    /// Name of the person, as they gave it; empty where nothing is changed and none was given.
    pub by: String,
    /// What to do.
    pub verb: Verb,
}

/// What to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verb {
    /// `place.list`
    PlaceList,
    /// `place.set`
    PlaceSet {
        /// Which camera.
        camera: CameraId,
        /// Road.
        road: String,
        /// Cross street; may be empty.
        cross_street: String,
        /// Direction of travel; may be empty.
        direction: String,
    },
    /// `place.confirm`
    PlaceConfirm {
        /// Which camera; `None`: all that have a line.
        camera: Option<CameraId>,
        /// Only if the camera has this line at this site; `None`: whatever it is, since whoever says so stands there.
        meant: Option<LineMeant>,
    },
    /// `tow.begin`
    TowBegin {
        /// For how long, s.
        for_s: u64,
        /// True to give an announced tow a new end.
        extend: bool,
        /// Why; may be empty.
        reason: String,
    },
    /// `tow.end`
    TowEnd,
    /// `tow.status`
    TowStatus,
    /// `status`
    Status,
    /// `ready.status`
    ReadyStatus,
    /// `ready.tick`
    ReadyTick {
        /// What was looked at.
        tick: Tick,
        /// True to take it back.
        undo: bool,
    },
    /// `queue.list`
    QueueList {
        /// Whether to show the plates.
        reveal: bool,
    },
    /// `queue.retry`
    QueueRetry {
        /// Which event; `None`: all that were set aside.
        sequence: Option<u64>,
    },
    /// `queue.drop`
    QueueDrop {
        /// Which event.
        sequence: u64,
        /// Why.
        why: String,
    },
    /// `key.rotate`
    KeyRotate,
    /// `test.alert`
    TestAlert,
    /// `test.status`
    TestStatus,
    /// `hold.list`
    HoldList,
    /// `duty.status`
    DutyStatus,
    /// `duty.off`
    DutyOff {
        /// For how long, s.
        for_s: u64,
        /// Why; never empty.
        reason: String,
    },
    /// `duty.on`
    DutyOn,
    /// `need.list`
    NeedList,
    /// `need.ack`
    NeedAck {
        /// Rule of the need.
        need: String,
        /// For how long, s.
        for_s: u64,
        /// True to take it back.
        undo: bool,
    },
    /// `hold.add`, `hold.renew`, `hold.end`, `hold.anew`
    Hold(HoldChange),
}

impl Verb {
    /// The word for it.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::PlaceList => "place.list",
            Self::PlaceSet { .. } => "place.set",
            Self::PlaceConfirm { .. } => "place.confirm",
            Self::TowBegin { .. } => "tow.begin",
            Self::TowEnd => "tow.end",
            Self::TowStatus => "tow.status",
            Self::Status => "status",
            Self::ReadyStatus => "ready.status",
            Self::ReadyTick { .. } => "ready.tick",
            Self::QueueList { .. } => "queue.list",
            Self::QueueRetry { .. } => "queue.retry",
            Self::QueueDrop { .. } => "queue.drop",
            Self::KeyRotate => "key.rotate",
            Self::TestAlert => "test.alert",
            Self::TestStatus => "test.status",
            Self::DutyStatus => "duty.status",
            Self::DutyOff { .. } => "duty.off",
            Self::DutyOn => "duty.on",
            Self::NeedList => "need.list",
            Self::NeedAck { .. } => "need.ack",
            Self::HoldList => "hold.list",
            Self::Hold(HoldChange::Add(_)) => "hold.add",
            Self::Hold(HoldChange::Renew { .. }) => "hold.renew",
            Self::Hold(HoldChange::End { .. }) => "hold.end",
            Self::Hold(HoldChange::Anew) => "hold.anew",
        }
    }
}

/// One camera's line, as answered by the place verbs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlaceRowBody {
    /// Which camera.
    pub camera: String,
    /// Number of the site; absent if the trailer stands at none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// Road; absent if there is no line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub road: Option<String>,
    /// Cross street.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cross_street: Option<String>,
    /// Direction of travel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<String>,
    /// Who wrote or confirmed it last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// `confirmed`, `unconfirmed` or `missing`.
    pub state: String,
    /// What alerts of this camera say now.
    pub sentence: String,
    /// What is missing from the line; absent if nothing.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub advice: String,
}

/// Who said what of a place line, as answered by `place.list`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineChangeBody {
    /// Number of the site.
    pub site: u64,
    /// Which camera.
    pub camera: String,
    /// The line as it was then.
    pub text: String,
    /// `written` or `confirmed`.
    pub what: String,
    /// Who.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
}

/// The tow, as answered by the tow verbs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TowStatusBody {
    /// True while a tow is announced.
    pub announced: bool,
    /// Who announced or extended it last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Why; absent if nothing was said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// When that was, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// When it ends by itself, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// How long that is from now on, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_s: Option<u64>,
    /// Since when the trailer has left a site and not arrived, RFC 3339; absent if it has not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adrift_since: Option<String>,
    /// State of the site keeper.
    pub state: String,
    /// What people must see to before a trailer moves; told when a tow is announced.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub caution: Vec<String>,
}

/// Reads one line.
///
/// # Errors
/// A [`Problem`] that says what is wrong, where, and what to do.
pub fn parse(line: &[u8], cameras: &[CameraId]) -> Result<Ask, Box<Problem>> {
    let malformed = |detail: String| Problem::new("malformed", 400, "The request can't be read", detail);
    let Tree::Object(fields) = tree::parse(line).map_err(|error| malformed(error.to_string()))? else {
        return Err(malformed("this is no JSON object; send {\"do\": …, \"by\": …, \"args\": {…}}".to_owned()));
    };
    let mut faults = Faults::default();
    faults.check_names(&fields, "", &["do", "by", "args"]);
    let word = faults.text(&fields, "do", 32, true).unwrap_or_default();
    let Some(known) = VERBS.into_iter().find(|verb| *verb == word) else {
        if word.is_empty() {
            return Err(faults.problem());
        }
        let near = nearest(&word, VERBS);
        let hint =
            near.map_or_else(|| format!("there are {}", VERBS.join(", ")), |near| format!("did you mean {near}?"));
        let mut problem =
            Problem::new("unknown-verb", 404, "There is no such verb", format!("nothing is done by this name; {hint}"));
        problem.field = Some("do".to_owned());
        problem.nearest = near.map(str::to_owned);
        return Err(problem);
    };
    // Who wants to see plates gives a name as well.
    let reveals = known == "queue.list"
        && matches!(field(&fields, "args"), Some(Tree::Object(args)) if field(args, "reveal").is_some());
    let changes = reveals || CHANGES.contains(&known);
    let by = faults.text(&fields, "by", BY_CHARS_MAX, changes).unwrap_or_default();
    let none = Vec::new();
    let args = match field(&fields, "args") {
        Some(Tree::Object(args)) => args,
        None | Some(Tree::Null) => &none,
        Some(_) => {
            faults.add("args", None, "`args` is no object; send {} if there are none");
            &none
        }
    };
    faults.prefix = "args.";
    let verb = match known {
        "place.set" => {
            faults.check_names(args, "args.", &["camera", "road", "cross_street", "direction"]);
            let camera = faults.camera(args, cameras, true);
            let road = faults.text(args, "road", ROAD_CHARS_MAX, true);
            let cross_street = faults.text(args, "cross_street", ROAD_CHARS_MAX, false).unwrap_or_default();
            let direction = faults.text(args, "direction", DIRECTION_CHARS_MAX, false).unwrap_or_default();
            camera.zip(road).map(|(camera, road)| Verb::PlaceSet { camera, road, cross_street, direction })
        }
        "place.confirm" => Some(place_confirm(&mut faults, args, cameras)),
        "queue.list" => {
            faults.check_names(args, "args.", &["reveal"]);
            Some(Verb::QueueList { reveal: faults.flag(args, "reveal") })
        }
        "queue.retry" => {
            faults.check_names(args, "args.", &["sequence"]);
            Some(Verb::QueueRetry { sequence: faults.sequence(args, false) })
        }
        "queue.drop" => {
            faults.check_names(args, "args.", &["sequence", "why"]);
            let sequence = faults.sequence(args, true);
            sequence
                .zip(faults.text(args, "why", WHY_CHARS_MAX, true))
                .map(|(sequence, why)| Verb::QueueDrop { sequence, why })
        }
        "ready.tick" => {
            faults.check_names(args, "args.", &["tick", "undo"]);
            let tick = faults.tick(args);
            let undo = faults.flag(args, "undo");
            tick.map(|tick| Verb::ReadyTick { tick, undo })
        }
        "tow.begin" => {
            faults.check_names(args, "args.", &["for_s", "extend", "reason"]);
            let for_s = faults.whole(args, "for_s", TOW_S_MAX);
            let extend = faults.flag(args, "extend");
            let reason = faults.text(args, "reason", REASON_CHARS_MAX, false).unwrap_or_default();
            for_s.map(|for_s| Verb::TowBegin { for_s, extend, reason })
        }
        "duty.off" => duty_off(&mut faults, args),
        "need.ack" => need_ack(&mut faults, args),
        "hold.add" | "hold.renew" | "hold.end" | "hold.anew" => hold_verb(known, &mut faults, args, cameras, &by),
        other => {
            faults.check_names(args, "args.", &[]);
            Some(match other {
                "status" => Verb::Status,
                "tow.end" => Verb::TowEnd,
                "tow.status" => Verb::TowStatus,
                "ready.status" => Verb::ReadyStatus,
                "key.rotate" => Verb::KeyRotate,
                "test.alert" => Verb::TestAlert,
                "test.status" => Verb::TestStatus,
                "duty.status" => Verb::DutyStatus,
                "duty.on" => Verb::DutyOn,
                "need.list" => Verb::NeedList,
                "hold.list" => Verb::HoldList,
                _ => Verb::PlaceList,
            })
        }
    };
    match verb {
        Some(verb) if faults.list.is_empty() => Ok(Ask { by, verb }),
        _ => Err(faults.problem()),
    }
}

fn place_confirm(faults: &mut Faults, args: &Fields<'_>, cameras: &[CameraId]) -> Verb {
    faults.check_names(args, "args.", &["camera", "site", "line"]);
    let named = |name| field(args, name).is_some_and(|value| *value != Tree::Null);
    let from_afar = named("site") || named("line");
    let camera = faults.camera(args, cameras, from_afar);
    let meant = if from_afar { faults.line_meant(args) } else { None };
    Verb::PlaceConfirm { camera, meant }
}

fn duty_off(faults: &mut Faults, args: &Fields<'_>) -> Option<Verb> {
    faults.check_names(args, "args.", &["for_s", "reason"]);
    let (for_s, reason) = (faults.whole(args, "for_s", OFF_S_MAX), faults.text(args, "reason", REASON_CHARS_MAX, true));
    Some(Verb::DutyOff { for_s: for_s?, reason: reason? })
}

fn need_ack(faults: &mut Faults, args: &Fields<'_>) -> Option<Verb> {
    faults.check_names(args, "args.", &["need", "for_s", "undo"]);
    let undo = faults.flag(args, "undo");
    let given = field(args, "for_s").is_some_and(|value| *value != Tree::Null);
    let for_s = if given { faults.whole(args, "for_s", ACK_S_MAX) } else { Some(ACK_S) };
    let need = faults.text(args, "need", NEED_CHARS_MAX, true);
    Some(Verb::NeedAck { need: need?, for_s: for_s?, undo })
}

fn hold_verb(verb: &str, faults: &mut Faults, args: &Fields<'_>, cameras: &[CameraId], by: &str) -> Option<Verb> {
    let change = match verb {
        "hold.add" => HoldChange::Add(hold_asked(faults, args, cameras, by)?),
        "hold.renew" => {
            faults.check_names(args, "args.", &["hold", "for_s"]);
            let (number, for_s) = (faults.hold(args, "hold", true), faults.whole(args, "for_s", HOLD_S_MAX));
            HoldChange::Renew { number: number?, for_s: for_s?, by: by.to_owned() }
        }
        "hold.anew" => {
            faults.check_names(args, "args.", &[]);
            HoldChange::Anew
        }
        _ => {
            faults.check_names(args, "args.", &["hold"]);
            HoldChange::End { number: faults.hold(args, "hold", true)? }
        }
    };
    Some(Verb::Hold(change))
}

fn hold_asked(faults: &mut Faults, args: &Fields<'_>, cameras: &[CameraId], by: &str) -> Option<HoldAsked> {
    faults.check_names(args, "args.", &["camera", "place", "from", "to", "case", "for_s"]);
    let camera = faults.camera(args, cameras, false);
    let site = faults.hold(args, "place", false);
    let named = |name| field(args, name).is_some_and(|value| *value != Tree::Null);
    if !named("camera") && !named("place") {
        faults.add("camera", None, "a hold needs `args.camera` or `args.place`; `place.list` shows both");
    }
    let (from, to) = (faults.time(args, "from"), faults.time(args, "to"));
    if let Some((from, to)) = from.zip(to)
        && to < from
    {
        faults.add("to", None, "`args.to` is before `args.from`; give the earlier time as `from`");
    }
    let case = faults.text(args, "case", CASE_CHARS_MAX, true);
    let for_s = faults.whole(args, "for_s", HOLD_S_MAX);
    let (from, to, case, for_s) = (from?, to?, case?, for_s?);
    Some(HoldAsked { source: None, camera, site, from, to, case, by: by.to_owned(), for_s })
}

type Fields<'a> = [(std::borrow::Cow<'a, str>, Tree<'a>)];

fn field<'t, 'a>(fields: &'t Fields<'a>, name: &str) -> Option<&'t Tree<'a>> {
    fields.iter().find(|(known, _)| known == name).map(|(_, value)| value)
}

/// All faults of one request.
#[derive(Default)]
struct Faults {
    list: Vec<Fault>,
    prefix: &'static str,
}

impl Faults {
    fn add(&mut self, name: &str, near: Option<&str>, detail: impl Into<String>) {
        let path = format!("{}{name}", self.prefix);
        self.list.push(Fault {
            line: None,
            field: Some(path),
            nearest: near.map(str::to_owned),
            detail: detail.into(),
        });
    }

    fn problem(self) -> Box<Problem> {
        Problem::new("invalid", 422, "The request is not right", "").with_faults(self.list)
    }

    fn check_names(&mut self, fields: &Fields<'_>, prefix: &str, known: &[&str]) {
        for (name, _) in fields {
            if known.contains(&&**name) {
                continue;
            }
            let near = nearest(name, known.iter().copied());
            let hint = match (near, known) {
                (Some(near), _) => format!("did you mean `{prefix}{near}`?"),
                (None, []) => "this verb takes none".to_owned(),
                (None, _) => format!("there are {}", known.join(", ")),
            };
            let shown = printable(name, 40);
            self.add(&shown, near, format!("there is no field `{prefix}{shown}`; {hint}"));
        }
    }

    fn text(&mut self, fields: &Fields<'_>, name: &str, chars_max: usize, needed: bool) -> Option<String> {
        let full = format!("{}{name}", self.prefix);
        let text = match field(fields, name) {
            None | Some(Tree::Null) => {
                if needed {
                    self.add(name, None, format!("`{full}` is missing; send a text of 1 to {chars_max} characters"));
                }
                return None;
            }
            Some(Tree::Text(text)) => text.trim(),
            Some(_) => {
                self.add(name, None, format!("`{full}` is no text; send it in \"quotes\""));
                return None;
            }
        };
        if needed && text.is_empty() {
            self.add(name, None, format!("`{full}` is empty; send a text of 1 to {chars_max} characters"));
        } else if chars_max < text.chars().count() {
            self.add(name, None, format!("`{full}` is too long; send at most {chars_max} characters"));
        } else if printable(text, chars_max) != text {
            self.add(name, None, format!("`{full}` holds characters that can't be printed; send plain text"));
        } else {
            return Some(text.to_owned());
        }
        None
    }

    /// A whole number of seconds, 1 to `max`.
    fn whole(&mut self, args: &Fields<'_>, name: &str, max: u64) -> Option<u64> {
        let full = format!("{}{name}", self.prefix);
        let found = match field(args, name) {
            Some(Tree::Number(number)) => (1..=max).contains(&whole_of(*number)).then(|| whole_of(*number)),
            _ => None,
        };
        if found.is_none() {
            self.add(name, None, format!("`{full}` must be a whole number of seconds, 1 to {max}"));
        }
        found
    }

    fn flag(&mut self, args: &Fields<'_>, name: &str) -> bool {
        let full = format!("{}{name}", self.prefix);
        match field(args, name) {
            None | Some(Tree::Null) => false,
            Some(Tree::Flag(flag)) => *flag,
            Some(_) => {
                self.add(name, None, format!("`{full}` is neither true nor false"));
                false
            }
        }
    }

    fn tick(&mut self, args: &Fields<'_>) -> Option<Tick> {
        let text = self.text(args, "tick", 200, true)?;
        let found = Tick::of_word(&text);
        if found.is_none() {
            let words = Tick::ALL.map(Tick::word);
            let near = nearest(&text, words);
            let hint =
                near.map_or_else(|| format!("there are {}", words.join(", ")), |near| format!("did you mean {near}?"));
            self.add("tick", near, format!("there is nothing of that name to tick; {hint}"));
        }
        found
    }

    fn sequence(&mut self, args: &Fields<'_>, needed: bool) -> Option<u64> {
        let wanted = "`args.sequence` is no number of an event; `queue.list` shows them";
        match field(args, "sequence") {
            None | Some(Tree::Null) => {
                if needed {
                    self.add("sequence", None, "`args.sequence` is missing; `queue.list` shows the numbers");
                }
                None
            }
            // Up to 2^53 a number of JSON is exact.
            Some(Tree::Number(number)) if (1.0..=9_007_199_254_740_992.0).contains(number) && number.fract() == 0.0 => {
                format!("{number:.0}").parse().ok()
            }
            Some(_) => {
                self.add("sequence", None, wanted);
                None
            }
        }
    }

    /// The number of a hold or a site.
    fn hold(&mut self, args: &Fields<'_>, name: &str, needed: bool) -> Option<u64> {
        let full = format!("{}{name}", self.prefix);
        let shown_by = if name == "hold" { "hold.list" } else { "place.list" };
        match field(args, name) {
            None | Some(Tree::Null) if !needed => None,
            Some(Tree::Number(number)) if 0 < whole_of(*number) => Some(whole_of(*number)),
            _ => {
                self.add(name, None, format!("`{full}` must be a number as `{shown_by}` shows it"));
                None
            }
        }
    }

    /// Which line is meant; site and line belong together.
    fn line_meant(&mut self, args: &Fields<'_>) -> Option<LineMeant> {
        let (site, line) = (self.hold(args, "site", true), self.text(args, "line", PlaceLine::CHARS_MAX, true));
        site.zip(line).map(|(site, line)| LineMeant { site: SiteId(site), line })
    }

    fn time(&mut self, args: &Fields<'_>, name: &str) -> Option<Utc> {
        let full = format!("{}{name}", self.prefix);
        let found = match field(args, name) {
            Some(Tree::Text(text)) => Utc::parse_rfc3339(text.trim()),
            _ => None,
        };
        if found.is_none() {
            self.add(name, None, format!("`{full}` must be a time with offset, like 2026-11-25T12:00:00Z"));
        }
        found
    }

    fn camera(&mut self, args: &Fields<'_>, cameras: &[CameraId], needed: bool) -> Option<CameraId> {
        // Longer than any camera name, so that a long one is told as unknown and not as too long.
        let text = self.text(args, "camera", 200, needed)?;
        let found = cameras.iter().find(|camera| camera.as_str() == text).cloned();
        if found.is_none() {
            let names: Vec<&str> = cameras.iter().map(CameraId::as_str).collect();
            let near = nearest(&text, names.iter().copied());
            let hint =
                near.map_or_else(|| format!("there are {}", names.join(", ")), |near| format!("did you mean {near}?"));
            self.add("camera", near, format!("there is no such camera; {hint}"));
        }
        found
    }
}

/// The whole number that `number` is; 0 if it is none.
fn whole_of(number: f64) -> u64 {
    let ms = std::time::Duration::try_from_secs_f64(number).unwrap_or_default();
    if ms.subsec_nanos() == 0 { ms.as_secs() } else { 0 }
}

#[cfg(test)]
mod tests;
