//! A read as the recognition engine gave it. It never changes after its acceptance; where and when it was is said by
//! its
//! [`stamp`], a record of its own.

pub mod limits;
pub mod stamp;

use crate::ids::{CameraId, EventId};
use crate::moment::Utc;

/// What the engine could make of the plate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlateState {
    /// All characters were read.
    Read,
    /// Some characters were read.
    Partial,
    /// A plate was seen and not read.
    Unread,
}

/// Which way the vehicle went, seen from the camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heading {
    /// Towards the camera.
    Approaching,
    /// Away from it.
    Receding,
    /// Not known.
    Unknown,
}

/// Who issued the plate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Jurisdiction {
    /// Code, 1 to 8 characters.
    pub code: String,
    /// Name of the code list, 1 to 32 characters.
    pub list: String,
}

/// The engine's match against a hot list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hit {
    /// Name of the list.
    pub list: String,
    /// When the list was made.
    pub list_time: Utc,
    /// The entry's own key in the list; may be empty.
    pub entry: String,
}

/// One plate read by one camera at one instant.
#[derive(Clone, PartialEq)]
pub struct Read {
    /// Given by the engine, or derived from the content by a keyed hash.
    pub id: EventId,
    /// Which camera.
    pub camera: CameraId,
    /// When, by the clock of the engine's computer (which is this one).
    pub captured_at: Utc,
    /// The characters; `None` if unread.
    pub plate: Option<String>,
    /// How much of it was read.
    pub plate_state: PlateState,
    /// Issuer, if the engine says.
    pub jurisdiction: Option<Jurisdiction>,
    /// 0 to 1.
    pub confidence: Option<f64>,
    /// Direction seen from the camera.
    pub heading: Heading,
    /// Lane number, 1 to 16.
    pub lane: Option<u8>,
    /// Set if it matched a hot list.
    pub hit: Option<Hit>,
    /// Width of the plate in the picture, pixels.
    pub plate_width_px: Option<u32>,
    /// Mean brightness of the plate, 0 to 255.
    pub plate_brightness: Option<f64>,
    /// The body as accepted, JSON: what goes out as `data.read` and what a repeat is compared with.
    pub body: Vec<u8>,
}

impl Read {
    /// Adds what was handed in with it to the body: `images` is a JSON array.
    pub fn add_images(&mut self, images: &[u8]) {
        if self.body.pop() == Some(b'}') {
            self.body.extend_from_slice(b",\"images\":");
            self.body.extend_from_slice(images);
            self.body.push(b'}');
        }
    }
}

impl std::fmt::Debug for Read {
    // A plate never gets into a log, so neither plate nor body is shown.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Read")
            .field("id", &self.id.to_string())
            .field("camera", &self.camera)
            .field("captured_at", &self.captured_at.to_rfc3339())
            .field("hit", &self.hit.is_some())
            .finish_non_exhaustive()
    }
}
