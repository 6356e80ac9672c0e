//! Pictures in events and in accepted reads. The files themselves go by other ways (`docs/RECEIVER.md`, "Pictures").

use serde::{Deserialize, Serialize};

/// `kind` of a picture as the engine handed it in.
pub const PICTURE: &str = "picture";
/// `kind` of the small picture that the trailer made of it.
pub const THUMBNAIL: &str = "thumbnail";

/// One picture of an accepted read: part of what a repeat is compared with, and of what a read says of itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PictureBody {
    /// `plate` or `overview`.
    pub role: String,
    /// SHA-256 of the picture as it was handed in, 64 hexadecimal digits.
    pub sha256: String,
    /// Its bytes.
    pub bytes: u64,
    /// Its media type, by its own bytes.
    pub media_type: String,
}

/// One file that belongs to a read, as the event announces it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImageBody {
    /// `plate` or `overview`.
    pub role: String,
    /// [`PICTURE`] or [`THUMBNAIL`].
    pub kind: String,
    /// SHA-256 of the bytes that are sent: the file's name at the receiver, 64 hexadecimal digits.
    pub sha256: String,
    /// How many bytes are sent.
    pub bytes: u64,
    /// Media type of the picture in it.
    pub media_type: String,
}
