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

/// Where pictures go at a receiver, before their digest.
pub const IMAGES_PATH: &str = "/v1/images/";
/// Header: SHA-256 of the whole picture (RFC 9530).
pub const HEADER_REPR_DIGEST: &str = "repr-digest";
/// Header of an answer: how many bytes of the picture are there. The name is that of the IETF's draft on resumable
/// uploads (draft-ietf-httpbis-resumable-upload); the rest of that draft is not used.
pub const HEADER_OFFSET: &str = "upload-offset";
/// Header of an answer: `?1` if the picture is whole there, `?0` if not (RFC 8941 boolean).
pub const HEADER_COMPLETE: &str = "upload-complete";

/// Reads `bytes <first>-<last>/<all>` with `first <= last < all`. Source: RFC 9110 section 14.4.
#[must_use]
pub fn content_range(text: &str) -> Option<(u64, u64, u64)> {
    let (range, all) = text.strip_prefix("bytes ")?.split_once('/')?;
    let (first, last) = range.split_once('-')?;
    let number = |text: &str| text.bytes().all(|c| c.is_ascii_digit()).then(|| text.parse::<u64>().ok()).flatten();
    let (first, last, all) = (number(first)?, number(last)?, number(all)?);
    (first <= last && last < all).then_some((first, last, all))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_must_lie_within_the_whole() {
        assert_eq!(content_range("bytes 0-9/10"), Some((0, 9, 10)));
        for bad in ["bytes 0-10/10", "bytes 5-4/10", "bytes */10", "bytes 0-9/*", "0-9/10", "bytes +0-9/10", "bytes -/"]
        {
            assert_eq!(content_range(bad), None, "{bad}");
        }
    }
}
