//! The bytes of a sealed body.
//!
//! Version 1: `1`, id of the content key (8 bytes), counter (4 bytes, big-endian), then ciphertext with its tag of 16
//! bytes. Version 2 stands around a version 1 whose event was taken over into another queue: `2`, generation (16 bytes)
//! and sequence (8 bytes, big-endian) under which it was sealed. No JSON begins with either byte.

use crate::ids::EventId;

/// Length of a key's id.
pub const KEY_ID_BYTES: usize = 8;
/// Length of the tag of AES-GCM.
pub const TAG_BYTES: usize = 16;
/// A key seals at most so many. Source: NIST SP 800-38D section 8.3, 2^32 invocations; the counter has 32 bits.
pub const NONCES_MAX: u64 = 1 << 32;

const HEADER_BYTES: usize = 1 + KEY_ID_BYTES + 4;
const OUTER_BYTES: usize = 1 + 16 + 8;

/// Name of a content key: the first bytes of its SHA-256, so that equal keys have equal names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyId(pub [u8; KEY_ID_BYTES]);

/// A sealed body, taken apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Body<'a> {
    /// Under which key.
    pub key: KeyId,
    /// Under which counter.
    pub counter: u32,
    /// Ciphertext and tag.
    pub sealed: &'a [u8],
    /// Generation and sequence that are bound, if they are not the event's own.
    pub bound_to: Option<(EventId, u64)>,
}

/// Not a sealed body of ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("this is no sealed read of a version that this program knows")]
pub struct BodyError;

/// Whether stored bytes are a sealed body: plain ones are JSON.
#[must_use]
pub fn is_sealed(stored: &[u8]) -> bool {
    matches!(stored.first(), Some(1 | 2))
}

/// The 96 bits of a counter. A key is never used twice, so the counter alone makes it unique.
#[must_use]
pub fn nonce(counter: u32) -> [u8; 12] {
    let mut nonce = [0; 12];
    nonce[8..].copy_from_slice(&counter.to_be_bytes());
    nonce
}

impl<'a> Body<'a> {
    /// The bytes in front of the ciphertext of version 1.
    #[must_use]
    pub fn header(key: KeyId, counter: u32) -> [u8; HEADER_BYTES] {
        let mut out = [1; HEADER_BYTES];
        out[1..=KEY_ID_BYTES].copy_from_slice(&key.0);
        out[1 + KEY_ID_BYTES..].copy_from_slice(&counter.to_be_bytes());
        out
    }

    /// Takes stored bytes apart.
    ///
    /// # Errors
    /// [`BodyError`] if they are not a sealed body.
    pub fn parse(stored: &'a [u8]) -> Result<Self, BodyError> {
        let (bound_to, inner) = match stored.first() {
            Some(2) if OUTER_BYTES < stored.len() => {
                let generation = stored[1..17].try_into().map_err(|_| BodyError)?;
                let sequence = stored[17..OUTER_BYTES].try_into().map_err(|_| BodyError)?;
                (Some((EventId(generation), u64::from_be_bytes(sequence))), &stored[OUTER_BYTES..])
            }
            _ => (None, stored),
        };
        if inner.first() != Some(&1) || inner.len() < HEADER_BYTES + TAG_BYTES {
            return Err(BodyError);
        }
        let key = inner[1..=KEY_ID_BYTES].try_into().map_err(|_| BodyError)?;
        let counter = inner[1 + KEY_ID_BYTES..HEADER_BYTES].try_into().map_err(|_| BodyError)?;
        let counter = u32::from_be_bytes(counter);
        Ok(Self { key: KeyId(key), counter, sealed: &inner[HEADER_BYTES..], bound_to })
    }
}

/// What is stored when a sealed event gets another number: the first numbers under which it was sealed stay with it.
#[must_use]
pub fn renumbered(stored: &[u8], generation: EventId, sequence: u64) -> Vec<u8> {
    if stored.first() != Some(&1) {
        return stored.to_vec();
    }
    [&[2], &generation.0[..], &sequence.to_be_bytes(), stored].concat()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_body_is_read_as_it_was_written_and_keeps_its_first_numbers() {
        let body = [&Body::header(KeyId([9; 8]), 513)[..], &[7; 40]].concat();
        let parsed = Body::parse(&body).unwrap();
        assert_eq!((parsed.key, parsed.counter, parsed.sealed), (KeyId([9; 8]), 513, &[7; 40][..]));
        let moved = renumbered(&body, EventId([3; 16]), 99);
        let again = renumbered(&moved, EventId([4; 16]), 100);
        assert_eq!(moved, again, "only the first move counts");
        let parsed = Body::parse(&moved).unwrap();
        assert_eq!((parsed.bound_to, parsed.counter), (Some((EventId([3; 16]), 99)), 513));
        assert!(is_sealed(&body) && is_sealed(&moved) && !is_sealed(b"{}"));
    }

    #[test]
    fn what_is_too_short_or_of_another_version_is_refused() {
        let body = [&Body::header(KeyId([9; 8]), 1)[..], &[7; 16]].concat();
        for cut in 0..body.len() {
            assert_eq!(Body::parse(&body[..cut]), Err(BodyError), "{cut}");
        }
        assert_eq!(Body::parse(b"{\"plate\":1}aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"), Err(BodyError));
        assert_eq!(Body::parse(&[2; 60]), Err(BodyError));
    }
}
