//! A read as the recognition engine hands it in (contract: `docs/INTAKE.md`, `docs/schema/read-in.v1.json`), format
//! version 1.

use super::problem::Fault;
use super::tree::{self, Tree};
use crate::ids::{CameraId, EventId};
use crate::images::{IMAGES_MAX, ImageIn, Media, Role, Source};
use crate::moment::Utc;
use crate::nearest::nearest;
use crate::read::limits::{
    EXTRA_BYTES_MAX, HIT_ENTRY_CHARS_MAX, HIT_LIST_CHARS_MAX, JURISDICTION_CODE_CHARS_MAX, JURISDICTION_LIST_CHARS_MAX,
    LANE_MAX, PLATE_BRIGHTNESS_MAX, PLATE_WIDTH_PX_MAX, check_plate, is_code, is_plain_text,
};
use crate::read::{Heading, Hit, Jurisdiction, PlateState, Read};
use serde::Serialize;

/// Every field of a read, in the order in which an accepted body has them (`images` and `extra` stay outside).
pub const FIELDS: [&str; 14] = [
    "id",
    "camera",
    "captured_at",
    "plate",
    "plate_state",
    "jurisdiction",
    "confidence",
    "heading",
    "lane",
    "hit",
    "plate_width_px",
    "plate_brightness",
    "images",
    "extra",
];

/// Room for a read as engines send it (our own, measured: 200 to 400 bytes), so that writing one allocates once.
const BODY_BYTES_USUAL: usize = 448;
const JURISDICTION_FIELDS: [&str; 2] = ["code", "list"];
const HIT_FIELDS: [&str; 3] = ["list", "list_time", "entry"];
const IMAGE_FIELDS: [&str; 4] = ["role", "path", "data", "media_type"];
/// Paths of the fields of one picture, for faults.
const IMAGE_PATHS: [&str; IMAGES_MAX] = ["images[0]", "images[1]", "images[2]", "images[3]"];
const ROLES: [(&str, Role); 2] = [("plate", Role::Plate), ("overview", Role::Overview)];
const MEDIA: [(&str, Media); 3] = [("image/jpeg", Media::Jpeg), ("image/png", Media::Png), ("image/webp", Media::Webp)];
const PLATE_STATES: [(&str, PlateState); 3] =
    [("read", PlateState::Read), ("partial", PlateState::Partial), ("unread", PlateState::Unread)];
const HEADINGS: [(&str, Heading); 3] =
    [("approaching", Heading::Approaching), ("receding", Heading::Receding), ("unknown", Heading::Unknown)];

/// A read that passed every check but may not have an id yet.
pub struct ReadIn {
    id: Option<EventId>,
    camera: CameraId,
    captured_at: Utc,
    plate: Option<String>,
    plate_state: PlateState,
    jurisdiction: Option<Jurisdiction>,
    confidence: Option<f64>,
    heading: Heading,
    lane: Option<u8>,
    hit: Option<Hit>,
    plate_width_px: Option<u32>,
    plate_brightness: Option<f64>,
    images: Vec<ImageIn>,
}

impl std::fmt::Debug for ReadIn {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ReadIn").field("id", &self.id).field("camera", &self.camera).finish_non_exhaustive()
    }
}

/// Why a body is no read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// Not JSON, or not one object (400).
    Malformed(Fault),
    /// An object with wrong fields (422); all of them, in the order of [`FIELDS`], unknown ones first.
    Invalid(Vec<Fault>),
}

/// Reads one JSON object. `cameras` are the configured ones.
///
/// # Errors
/// [`Refusal`], with a text for each fault that repeats no value.
pub fn parse(bytes: &[u8], cameras: &[CameraId]) -> Result<ReadIn, Refusal> {
    let tree = tree::parse(bytes).map_err(|e| Refusal::Malformed(fault(None, e.to_string())))?;
    let Tree::Object(fields) = tree else {
        return Err(Refusal::Malformed(fault(
            None,
            "this is JSON, but no object; send one object, or one object a line as application/x-ndjson",
        )));
    };
    let mut checked = Checked { fields: Fields { path: "", fields: &fields }, faults: Vec::new() };
    checked.known(&FIELDS);
    let read = checked.read(cameras);
    match read {
        Some(read) if checked.faults.is_empty() => Ok(read),
        _ => Err(Refusal::Invalid(checked.faults)),
    }
}

impl ReadIn {
    /// The pictures that came with it, taken out. They are no part of the derived id: whoever knows them adds them to
    /// the read with [`Read::add_images`].
    #[must_use]
    pub fn take_images(&mut self) -> Vec<ImageIn> {
        std::mem::take(&mut self.images)
    }

    /// Whether the engine gave an id.
    #[must_use]
    pub fn has_id(&self) -> bool {
        self.id.is_some()
    }

    /// The read with its id. Where the engine gave none, it is derived: `keyed_hash` of the body without an id gives
    /// the random-looking bits of a UUID version 8 whose first 48 bits are the capture time in ms, so that ids sort
    /// by time. The same body always gets the same id, and without the key nobody can guess a plate from one.
    #[must_use]
    pub fn into_read(self, keyed_hash: impl FnOnce(&[u8]) -> [u8; 32]) -> Read {
        let bare = self.body_without_id();
        let id = self.id.unwrap_or_else(|| derived_id(self.captured_at, &keyed_hash(&bare)));
        let mut body = Vec::with_capacity(bare.len() + r#""id":"","#.len() + 36);
        body.extend_from_slice(br#"{"id":""#);
        body.extend_from_slice(id.to_string().as_bytes());
        body.extend_from_slice(br#"","#);
        body.extend_from_slice(bare.strip_prefix(b"{").unwrap_or(&bare));
        Read {
            id,
            camera: self.camera,
            captured_at: self.captured_at,
            plate: self.plate,
            plate_state: self.plate_state,
            jurisdiction: self.jurisdiction,
            confidence: self.confidence,
            heading: self.heading,
            lane: self.lane,
            hit: self.hit,
            plate_width_px: self.plate_width_px,
            plate_brightness: self.plate_brightness,
            body,
        }
    }

    /// The body as accepted, but for its id, which stands first there: always the same bytes for the same content,
    /// whatever order, spacing or offset was sent.
    fn body_without_id(&self) -> Vec<u8> {
        let word = |table: &[(&'static str, PlateState)]| {
            table.iter().find(|(_, state)| *state == self.plate_state).map_or("unread", |(word, _)| word)
        };
        let heading = HEADINGS.iter().find(|(_, heading)| *heading == self.heading).map_or("unknown", |(word, _)| word);
        let body = Body {
            camera: self.camera.as_str(),
            captured_at: self.captured_at.to_rfc3339(),
            plate: self.plate.as_deref(),
            plate_state: word(&PLATE_STATES),
            jurisdiction: self.jurisdiction.as_ref().map(|j| JurisdictionBody { code: &j.code, list: &j.list }),
            confidence: self.confidence,
            heading,
            lane: self.lane,
            hit: self.hit.as_ref().map(|hit| HitBody {
                list: &hit.list,
                list_time: hit.list_time.to_rfc3339(),
                entry: &hit.entry,
            }),
            plate_width_px: self.plate_width_px,
            plate_brightness: self.plate_brightness,
        };
        let mut bytes = Vec::with_capacity(BODY_BYTES_USUAL);
        // Numbers are finite and all else is text, so that this cannot fail.
        serde_json::to_writer(&mut bytes, &body).unwrap_or_default();
        bytes
    }
}

/// UUID version 8 (RFC 9562 section 5.8): 48 bits of capture time in ms, then bits of the keyed hash.
#[must_use]
pub fn derived_id(captured_at: Utc, keyed_hash: &[u8; 32]) -> EventId {
    let mut bytes = [0_u8; 16];
    bytes.copy_from_slice(&keyed_hash[..16]);
    bytes[..6].copy_from_slice(&captured_at.0.to_be_bytes()[2..]);
    bytes[6] = 0x80 | bytes[6] & 0x0f;
    bytes[8] = 0x80 | bytes[8] & 0x3f;
    EventId(bytes)
}

#[derive(Serialize)]
struct Body<'a> {
    camera: &'a str,
    captured_at: String,
    plate: Option<&'a str>,
    plate_state: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    jurisdiction: Option<JurisdictionBody<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    confidence: Option<f64>,
    heading: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    lane: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hit: Option<HitBody<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    plate_width_px: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    plate_brightness: Option<f64>,
}

#[derive(Serialize)]
struct JurisdictionBody<'a> {
    code: &'a str,
    list: &'a str,
}

#[derive(Serialize)]
struct HitBody<'a> {
    list: &'a str,
    list_time: String,
    entry: &'a str,
}

/// The fields of one object and the path to it.
#[derive(Clone, Copy)]
struct Fields<'t> {
    path: &'static str,
    fields: &'t [(std::borrow::Cow<'t, str>, Tree<'t>)],
}

impl<'t> Fields<'t> {
    fn path_of(&self, name: &str) -> String {
        if self.path.is_empty() { name.to_owned() } else { format!("{}.{name}", self.path) }
    }

    fn field(&self, name: &str) -> Option<&'t Tree<'t>> {
        self.fields.iter().find(|(known, _)| known == name).map(|(_, value)| value)
    }

    /// The value of an optional field; `null` counts as absent.
    fn given(&self, name: &str) -> Option<&'t Tree<'t>> {
        self.field(name).filter(|value| !matches!(value, Tree::Null))
    }
}

struct Checked<'t> {
    fields: Fields<'t>,
    faults: Vec<Fault>,
}

fn fault(field: Option<String>, detail: impl Into<String>) -> Fault {
    Fault { line: None, field, nearest: None, detail: detail.into() }
}

/// A field's name may be repeated in an answer if it looks like a field's name: ASCII letters, `_` and `-` with a
/// lower-case letter among them. Anything else might be a plate in the wrong place.
fn may_be_repeated(name: &str) -> bool {
    name.len() <= 40
        && name.bytes().any(|c| c.is_ascii_lowercase())
        && name.bytes().all(|c| c.is_ascii_alphabetic() || c == b'_' || c == b'-')
}

impl Checked<'_> {
    fn wrong(&mut self, name: &str, what: impl AsRef<str>) {
        let path = self.fields.path_of(name);
        let detail = format!("{path} {}", what.as_ref());
        self.faults.push(fault(Some(path), detail));
    }

    /// Refuses fields that are none of `known`.
    fn known(&mut self, known: &[&'static str]) {
        for (name, _) in self.fields.fields {
            if known.contains(&name.as_ref()) {
                continue;
            }
            let meant = nearest(name, known.iter().copied()).map(|meant| self.fields.path_of(meant));
            let field = may_be_repeated(name).then(|| self.fields.path_of(name));
            let shown = field.as_ref().map_or_else(
                || "a field with a name that is not repeated here is unknown".to_owned(),
                |field| format!("the field \"{field}\" is unknown"),
            );
            let detail = match &meant {
                Some(meant) => format!("{shown}; did you mean \"{meant}\"?"),
                None => format!("{shown}; known fields are {}", known.join(", ")),
            };
            self.faults.push(Fault { line: None, field, nearest: meant, detail });
        }
    }

    fn read(&mut self, cameras: &[CameraId]) -> Option<ReadIn> {
        let id = self.id();
        let camera = self.camera(cameras);
        let captured_at = self.time("captured_at");
        let (plate, plate_state) = self.plate();
        let read = ReadIn {
            id,
            jurisdiction: self.jurisdiction(),
            confidence: self.number("confidence", 0.0, 1.0),
            heading: self.heading(),
            lane: self.whole("lane", 1, u32::from(LANE_MAX)).and_then(|lane| u8::try_from(lane).ok()),
            hit: self.hit(),
            plate_width_px: self.whole("plate_width_px", 1, PLATE_WIDTH_PX_MAX),
            plate_brightness: self.number("plate_brightness", 0.0, PLATE_BRIGHTNESS_MAX),
            plate,
            plate_state: plate_state?,
            camera: camera?,
            captured_at: captured_at?,
            images: self.images(),
        };
        self.extra();
        Some(read)
    }

    fn id(&mut self) -> Option<EventId> {
        let value = self.fields.given("id")?;
        let id = if let Tree::Text(text) = value { EventId::parse(text) } else { None };
        match id {
            Some(id) if id.0 != [0; 16] && id.0 != [0xff; 16] => return Some(id),
            Some(_) => self.wrong("id", "is the same for everybody; send a fresh UUID for each read, or leave it out"),
            None => self
                .wrong("id", "is no UUID; send the form 8-4-4-4-12 of hexadecimal digits (RFC 9562), or leave it out"),
        }
        None
    }

    fn camera(&mut self, cameras: &[CameraId]) -> Option<CameraId> {
        let known = || cameras.iter().map(CameraId::as_str).collect::<Vec<_>>().join(", ");
        match self.fields.given("camera") {
            Some(Tree::Text(text)) => {
                if let Some(camera) = cameras.iter().find(|camera| camera.as_str() == text) {
                    return Some(camera.clone());
                }
                let meant = nearest(text, cameras.iter().map(CameraId::as_str)).map(str::to_owned);
                let hint = meant.as_ref().map(|meant| format!(" (did you mean \"{meant}\"?)")).unwrap_or_default();
                let detail = format!(
                    "camera is none of this trailer's{hint}; configured are: {}. Send one of them, or add a [[camera]] to \
                     the configuration",
                    known()
                );
                self.faults.push(Fault { line: None, field: Some("camera".to_owned()), nearest: meant, detail });
            }
            Some(_) => self.wrong("camera", format!("must be text; configured are: {}", known())),
            None => self.wrong("camera", format!("is missing; send which camera it was, one of: {}", known())),
        }
        None
    }

    fn time(&mut self, name: &str) -> Option<Utc> {
        let form = "RFC 3339 with its offset, for example 2026-11-25T12:00:00.250Z";
        let utc = match self.fields.given(name) {
            Some(Tree::Text(text)) => Utc::parse_rfc3339(text),
            Some(_) => None,
            None => {
                self.wrong(name, format!("is missing; send {form}"));
                return None;
            }
        };
        match utc {
            None => self.wrong(name, format!("is no instant; send {form}")),
            Some(utc) if !(Utc::EPOCH..Utc::YEAR_2101).contains(&utc) => {
                let year: String = utc.to_rfc3339().chars().take(4).collect();
                self.wrong(
                    name,
                    format!("is in the year {year}; only 1970 to 2100 are taken. Look at the clock of the sender"),
                );
            }
            Some(utc) => return Some(utc),
        }
        None
    }

    fn plate(&mut self) -> (Option<String>, Option<PlateState>) {
        let state = self.one_of("plate_state", &PLATE_STATES);
        if state.is_none() && self.fields.given("plate_state").is_none() {
            self.wrong("plate_state", "is missing; send \"read\", \"partial\" or \"unread\"");
        }
        let plate = match self.fields.field("plate") {
            Some(Tree::Text(text)) => {
                if let Err(problem) = check_plate(text, state == Some(PlateState::Partial)) {
                    self.wrong("plate", problem.to_string());
                } else if state == Some(PlateState::Unread) {
                    self.wrong("plate", "must be null when plate_state is \"unread\"");
                }
                Some(text.clone().into_owned())
            }
            Some(Tree::Null) => {
                if matches!(state, Some(PlateState::Read | PlateState::Partial)) {
                    self.wrong("plate", "is null; send null only with plate_state \"unread\"");
                }
                None
            }
            Some(_) => {
                self.wrong("plate", "must be text, or null when plate_state is \"unread\"");
                None
            }
            None => {
                self.wrong("plate", "is missing; send the characters, or null when plate_state is \"unread\"");
                None
            }
        };
        (plate, state)
    }

    fn heading(&mut self) -> Heading {
        self.one_of("heading", &HEADINGS).unwrap_or(Heading::Unknown)
    }

    fn one_of<T: Copy>(&mut self, name: &str, words: &[(&'static str, T)]) -> Option<T> {
        let value = self.fields.given(name)?;
        let known = || words.iter().map(|(word, _)| format!("\"{word}\"")).collect::<Vec<_>>().join(", ");
        let Tree::Text(text) = value else {
            self.wrong(name, format!("must be text, one of {}", known()));
            return None;
        };
        if let Some((_, found)) = words.iter().find(|(word, _)| word == text) {
            return Some(*found);
        }
        let path = self.fields.path_of(name);
        let detail = format!("{path} must be one of {}", known());
        let meant = nearest(text, words.iter().map(|(word, _)| *word)).map(str::to_owned);
        self.faults.push(Fault { line: None, field: Some(path), nearest: meant, detail });
        None
    }

    fn number(&mut self, name: &str, min: f64, max: f64) -> Option<f64> {
        match self.fields.given(name)? {
            Tree::Number(number) if min <= *number && *number <= max => return Some(*number),
            Tree::Number(_) => self.wrong(name, format!("must lie between {min} and {max}")),
            _ => self.wrong(name, format!("must be a number between {min} and {max}")),
        }
        None
    }

    fn whole(&mut self, name: &str, min: u32, max: u32) -> Option<u32> {
        let wanted = format!("must be a whole number between {min} and {max}");
        match self.fields.given(name)? {
            Tree::Number(number) if f64::from(min) <= *number && *number <= f64::from(max) && number.fract() == 0.0 => {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked just above")]
                return Some(*number as u32);
            }
            _ => self.wrong(name, wanted),
        }
        None
    }

    /// Runs `check` on the fields of a nested object.
    fn nested<T>(
        &mut self,
        name: &'static str,
        known: &[&'static str],
        check: impl FnOnce(&mut Self) -> Option<T>,
    ) -> Option<T> {
        let value = self.fields.given(name)?;
        let Tree::Object(fields) = value else {
            self.wrong(name, format!("must be an object with {}", known.join(", ")));
            return None;
        };
        let outer = std::mem::replace(&mut self.fields, Fields { path: name, fields });
        self.known(known);
        let checked = check(self);
        self.fields = outer;
        checked
    }

    fn text(&mut self, name: &str, wanted: &str, good: impl FnOnce(&str) -> bool) -> Option<String> {
        match self.fields.given(name) {
            Some(Tree::Text(text)) if good(text) => return Some(text.clone().into_owned()),
            Some(_) => self.wrong(name, format!("must be {wanted}")),
            None => self.wrong(name, format!("is missing; it must be {wanted}")),
        }
        None
    }

    fn jurisdiction(&mut self) -> Option<Jurisdiction> {
        self.nested("jurisdiction", &JURISDICTION_FIELDS, |checked| {
            let code = checked.text("code", "1 to 8 of A-Z, a-z, 0-9, '.', '-', '_', ':'", |text| {
                is_code(text, JURISDICTION_CODE_CHARS_MAX)
            });
            let list = checked.text(
                "list",
                "the name of the code list, 1 to 32 of A-Z, a-z, 0-9, '.', '-', '_', ':'",
                |text| is_code(text, JURISDICTION_LIST_CHARS_MAX),
            );
            Some(Jurisdiction { code: code?, list: list? })
        })
    }

    fn hit(&mut self) -> Option<Hit> {
        self.nested("hit", &HIT_FIELDS, |checked| {
            let list = checked.text(
                "list",
                "the name of the hot list, 1 to 64 characters without control characters and outer blanks",
                |text| is_plain_text(text, HIT_LIST_CHARS_MAX),
            );
            let list_time = checked.time("list_time");
            let entry = match checked.fields.given("entry") {
                None => Some(String::new()),
                Some(_) => checked.text(
                    "entry",
                    "the entry's key, up to 64 characters without control characters and outer blanks",
                    |text| text.is_empty() || is_plain_text(text, HIT_ENTRY_CHARS_MAX),
                ),
            };
            Some(Hit { list: list?, list_time: list_time?, entry: entry? })
        })
    }

    fn images(&mut self) -> Vec<ImageIn> {
        let images = match self.fields.given("images") {
            None => return Vec::new(),
            Some(Tree::List(images)) if images.len() <= IMAGES_MAX => images,
            Some(_) => {
                self.wrong("images", format!("must be a list of at most {IMAGES_MAX} pictures"));
                return Vec::new();
            }
        };
        images.iter().zip(IMAGE_PATHS).filter_map(|(image, path)| self.image(image, path)).collect()
    }

    fn image(&mut self, image: &Tree<'_>, path: &'static str) -> Option<ImageIn> {
        let Tree::Object(fields) = image else {
            let detail = format!("{path} must be an object with role and either path or data");
            self.faults.push(fault(Some(path.to_owned()), detail));
            return None;
        };
        let mut checked = Checked { fields: Fields { path, fields }, faults: Vec::new() };
        checked.known(&IMAGE_FIELDS);
        let role = checked.one_of("role", &ROLES);
        if role.is_none() && checked.fields.given("role").is_none() {
            checked.wrong("role", "is missing; send \"plate\" or \"overview\"");
        }
        let media = checked.one_of("media_type", &MEDIA);
        let source = match (checked.fields.given("path"), checked.fields.given("data")) {
            (Some(Tree::Text(path)), None) => Some(Source::Path(path.clone().into_owned())),
            (None, Some(Tree::Text(data))) => Some(Source::Data(data.clone().into_owned())),
            (None, None) => {
                checked.wrong("path", "is missing; send the path of the file, or its bytes in data as base64");
                None
            }
            (Some(_), Some(_)) => {
                checked.wrong("path", "stands beside data; send one of them");
                None
            }
            (Some(_), None) => {
                checked.wrong("path", "must be text");
                None
            }
            (None, Some(_)) => {
                checked.wrong("data", "must be text, base64 of the picture");
                None
            }
        };
        self.faults.append(&mut checked.faults);
        Some(ImageIn { role: role?, source: source?, media })
    }

    /// `extra` is checked and dropped: no configuration key allows it yet.
    fn extra(&mut self) {
        match self.fields.given("extra") {
            Some(extra @ Tree::Object(_)) if EXTRA_BYTES_MAX < extra.compact_len() => {
                self.wrong("extra", format!("is larger than {EXTRA_BYTES_MAX} bytes; make it smaller or leave it out"));
            }
            None | Some(Tree::Object(_)) => {}
            Some(_) => self.wrong("extra", "must be an object"),
        }
    }
}

#[cfg(test)]
mod tests;
