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

/// What became of one picture that was handed to somebody between the trailer and the agency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PictureReceipt {
    /// Its name, 64 hexadecimal digits.
    pub sha256: String,
    /// What the receiver did with it.
    pub result: PictureResult,
    /// Why, if it was refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<String>,
}

/// What a receiver did with a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PictureResult {
    /// It is there, whole, under its digest, and synced.
    Stored,
    /// It is not, and will not be taken as it is.
    Refused,
    /// A word of a later version: it says nothing.
    #[serde(other)]
    Unknown,
}

impl PictureResult {
    /// In a word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Stored => "stored",
            Self::Refused => "refused",
            Self::Unknown => "unknown",
        }
    }

    /// Reads [`Self::word`].
    #[must_use]
    pub fn parse(word: &str) -> Self {
        [Self::Stored, Self::Refused].into_iter().find(|result| result.word() == word).unwrap_or(Self::Unknown)
    }
}

/// Receipts for pictures, as they come by themselves.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PictureReceipts {
    /// `source` of the trailer that they are for.
    pub source: String,
    /// In any order.
    pub pictures: Vec<PictureReceipt>,
}

impl PictureReceipts {
    /// What a message says to `source`; nothing if it is for another trailer or can't be read.
    #[must_use]
    pub fn for_source(source: &str, message: &[u8]) -> Vec<PictureReceipt> {
        let read: Option<Self> = serde_json::from_slice(message).ok();
        read.filter(|read| read.source == source).map(|read| read.pictures).unwrap_or_default()
    }
}

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
    fn receipts_of_pictures_count_for_their_own_trailer_and_in_known_words_only() {
        let message = |source: &str, word: &str| {
            format!(r#"{{"source":"urn:pintle:trailer:{source}","pictures":[{{"sha256":"ab","result":"{word}"}}]}}"#)
        };
        let said = |text: &str| PictureReceipts::for_source("urn:pintle:trailer:heron-3", text.as_bytes());
        assert_eq!(said(&message("heron-3", "stored"))[0].result, PictureResult::Stored);
        assert_eq!(said(&message("heron-3", "framed"))[0].result, PictureResult::Unknown);
        assert!(said(&message("heron-4", "stored")).is_empty());
        assert!(said("[1, 2").is_empty());
        for result in [PictureResult::Stored, PictureResult::Refused] {
            assert_eq!(PictureResult::parse(result.word()), result);
        }
    }

    #[test]
    fn a_range_must_lie_within_the_whole() {
        assert_eq!(content_range("bytes 0-9/10"), Some((0, 9, 10)));
        for bad in ["bytes 0-10/10", "bytes 5-4/10", "bytes */10", "bytes 0-9/*", "0-9/10", "bytes +0-9/10", "bytes -/"]
        {
            assert_eq!(content_range(bad), None, "{bad}");
        }
    }
}
