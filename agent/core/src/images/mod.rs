//! Pictures that come with reads: what a file must be to be kept, judged by its own bytes and never by its name; and
//! the order, pace and budget of their sending.

pub mod put_off;
pub mod send;
mod sniff;

use std::fmt;

pub use sniff::look;

/// Pictures that one read may bring (our own limit: plate and overview of two exposures).
pub const IMAGES_MAX: usize = 4;
/// Pixels of a picture (our own limit: twice the 12 megapixels of the largest cameras of the trade that we know of,
/// from memory). Decoded it takes 72 MB; what claims more is a decompression bomb or a fault.
pub const PIXELS_MAX: u64 = 24_000_000;
/// Longest path of a picture, bytes (our own limit).
pub const PATH_BYTES_MAX: usize = 512;

/// SHA-256 of the bytes that are stored: the name of a file, and of a picture at the receiver.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Address(pub [u8; 32]);

impl Address {
    /// Reads 64 hexadecimal digits in lower case, the one form that there is.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        if text.len() != 64 {
            return None;
        }
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks(2)) {
            let [high, low] = [*pair.first()?, *pair.get(1)?].map(|digit| match digit {
                b'0'..=b'9' => Some(digit - b'0'),
                b'a'..=b'f' => Some(digit - b'a' + 10),
                _ => None,
            });
            *byte = high? << 4 | low?;
        }
        Some(Self(bytes))
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// What a picture shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The plate.
    Plate,
    /// The vehicle and what is around it.
    Overview,
}

impl Role {
    /// The word in reads and events.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Plate => "plate",
            Self::Overview => "overview",
        }
    }
}

/// Kind of a picture file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Media {
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
    /// WebP; kept and sent, but no thumbnail is made of it.
    Webp,
}

impl Media {
    /// All kinds.
    pub const ALL: [Self; 3] = [Self::Jpeg, Self::Png, Self::Webp];

    /// Its media type.
    #[must_use]
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::Webp => "image/webp",
        }
    }

    /// The kind of a media type.
    #[must_use]
    pub fn of(media_type: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|media| media.media_type() == media_type)
    }
}

/// Where the engine says that a picture is. It has no `Debug`: a path may hold a plate.
#[derive(Clone, PartialEq, Eq)]
pub enum Source {
    /// A file below the configured folder.
    Path(String),
    /// The bytes as base64.
    Data(String),
}

/// One picture as the engine names it.
#[derive(Clone, PartialEq, Eq)]
pub struct ImageIn {
    /// What it shows.
    pub role: Role,
    /// Where it is.
    pub source: Source,
    /// What the engine says that it is.
    pub media: Option<Media>,
}

impl fmt::Debug for ImageIn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ImageIn").field("role", &self.role).field("media", &self.media).finish_non_exhaustive()
    }
}

/// A picture as its first bytes describe it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Kind of file.
    pub media: Media,
    /// Width, pixels, 1 or more.
    pub width: u32,
    /// Height, pixels, 1 or more.
    pub height: u32,
}

/// Why bytes are no picture that is kept. No text repeats a name or a byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ImageFault {
    /// Nothing there.
    #[error("is empty (0 bytes); write the picture wholly before you hand in the read")]
    Empty,
    /// No kind that is kept.
    #[error("is neither JPEG, PNG nor WebP by its first bytes; send one of these")]
    Unknown,
    /// Another kind than was said.
    #[error("is {found} by its bytes, not what media_type says; mend or leave out media_type")]
    OtherMedia {
        /// What it is.
        found: &'static str,
    },
    /// It ends before its end.
    #[error("is cut off before its end; write the picture wholly before you hand in the read")]
    Cut,
    /// Damaged where its size should be.
    #[error("has no width and height where its kind has them; look at the program that writes it")]
    NoSize,
    /// A bomb.
    #[error("claims {width} x {height} pixels; at most {PIXELS_MAX} are taken. Send a smaller picture")]
    TooManyPixels {
        /// Claimed width.
        width: u32,
        /// Claimed height.
        height: u32,
    },
}

/// The parts of a picture's path below the configured folder, or `None` if it is none: nothing but plain names, so
/// that no name leads out of it, whatever is in the folder (source: fault 97).
#[must_use]
pub fn path_parts(path: &str) -> Option<Vec<&str>> {
    if path.is_empty() || PATH_BYTES_MAX < path.len() {
        return None;
    }
    let parts: Vec<&str> = path.split('/').collect();
    let plain = |part: &&str| {
        !part.is_empty() && part.len() <= 255 && *part != "." && *part != ".." && !part.chars().any(char::is_control)
    };
    parts.iter().all(plain).then_some(parts)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_64_digits_and_nothing_else() {
        let address = Address([0xa5; 32]);
        assert_eq!(Address::parse(&address.to_string()), Some(address));
        for bad in [String::new(), "A5".repeat(32), "a5".repeat(31), "g5".repeat(32), "é".repeat(32)] {
            assert_eq!(Address::parse(&bad), None, "{bad}");
        }
    }

    #[test]
    fn only_plain_names_are_parts_of_a_path() {
        assert_eq!(path_parts("a/b c/d.jpg").unwrap(), ["a", "b c", "d.jpg"]);
        for bad in ["", "/etc/x", "a//b", "a/../b", "..", "./a", "a/", "a\0b", "a\nb"] {
            assert_eq!(path_parts(bad), None, "{bad:?}");
        }
        assert_eq!(path_parts(&"a".repeat(513)), None);
        assert_eq!(path_parts(&"a".repeat(256)), None);
    }
}
