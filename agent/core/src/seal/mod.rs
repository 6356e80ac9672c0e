//! Sealed reads: what is bound, how the bytes lie, and how long a key is used. The cryptography itself is a shell.
//! Decision 22.

mod body;
mod pack;

pub use body::{Body, BodyError, KEY_ID_BYTES, KeyId, NONCES_MAX, TAG_BYTES, is_sealed, nonce, renumbered};
pub use pack::{pack, unpack};

use crate::ids::{CameraId, EventId};
use crate::moment::Utc;
use crate::queue::retention::Limits;

/// One hour, ms.
const HOUR_MS: i64 = 3_600_000;
/// A key is used for this part of the shortest age limit (issue: 1/20), and for an hour at most.
const SPANS_PER_LIMIT: u64 = 20;
/// What the associated data begins with, so that it can be mistaken for nothing else.
const DOMAIN: &[u8] = b"pintle.read.sealed.v1";

/// What stands beside a sealed read in clear. All of it is bound: change one, and the read can't be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clear {
    /// `source` of the trailer.
    pub source: String,
    /// Generation of the queue that first took the read.
    pub generation: EventId,
    /// Its number there.
    pub sequence: u64,
    /// Its id.
    pub id: EventId,
    /// Class: true for a hit.
    pub hit: bool,
    /// Which camera.
    pub camera: CameraId,
    /// Capture time cut to the hour.
    pub hour: Utc,
}

impl Clear {
    /// The associated data: every field with its length before it, so that no two sets of fields give the same bytes.
    #[must_use]
    pub fn associated_data(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(160);
        let (sequence, hour) = (self.sequence.to_be_bytes(), self.hour.0.to_be_bytes());
        let fields: [&[u8]; 8] = [
            DOMAIN,
            self.source.as_bytes(),
            &self.generation.0,
            &sequence,
            &self.id.0,
            class(self.hit).as_bytes(),
            self.camera.as_str().as_bytes(),
            &hour,
        ];
        for field in fields {
            out.extend_from_slice(&u32::try_from(field.len()).unwrap_or(u32::MAX).to_be_bytes());
            out.extend_from_slice(field);
        }
        out
    }
}

/// Word for a class.
#[must_use]
pub fn class(hit: bool) -> &'static str {
    if hit { "hit" } else { "other" }
}

/// A time cut to its hour.
#[must_use]
pub fn hour(at: Utc) -> Utc {
    Utc(at.0.div_euclid(HOUR_MS) * HOUR_MS)
}

/// How long one key is used, ms: a twentieth of the shortest age limit, at most an hour, at least a second.
#[must_use]
pub fn span_ms(limits: &Limits) -> i64 {
    let shortest = limits.waiting_ms.min(limits.hit_waiting_ms).min(limits.delivered_ms).min(limits.hit_delivered_ms);
    i64::try_from(shortest / SPANS_PER_LIMIT).unwrap_or(HOUR_MS).clamp(1000, HOUR_MS)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn clear() -> Clear {
        Clear {
            source: "urn:pintle:trailer:heron-3".to_owned(),
            generation: EventId([1; 16]),
            sequence: 7,
            id: EventId([2; 16]),
            hit: false,
            camera: CameraId::new("north").unwrap(),
            hour: hour(Utc(1_800_000_123_456)),
        }
    }

    #[test]
    fn each_clear_field_changes_what_is_bound() {
        let all = [
            clear(),
            Clear { source: "urn:pintle:trailer:heron-4".to_owned(), ..clear() },
            Clear { generation: EventId([9; 16]), ..clear() },
            Clear { sequence: 8, ..clear() },
            Clear { id: EventId([3; 16]), ..clear() },
            Clear { hit: true, ..clear() },
            Clear { camera: CameraId::new("south").unwrap(), ..clear() },
            Clear { hour: Utc(clear().hour.0 + HOUR_MS), ..clear() },
        ];
        let bound: std::collections::BTreeSet<Vec<u8>> = all.iter().map(Clear::associated_data).collect();
        assert_eq!(bound.len(), all.len());
    }

    #[test]
    fn a_key_lives_a_twentieth_of_the_shortest_limit_and_an_hour_at_most() {
        let limits = |ms| Limits {
            waiting_ms: 30 * 86_400_000,
            hit_waiting_ms: ms,
            delivered_ms: ms,
            hit_delivered_ms: ms,
            dedupe_ms: ms,
        };
        assert_eq!(span_ms(&limits(180_000)), 9000);
        assert_eq!(span_ms(&limits(86_400_000)), HOUR_MS);
        assert_eq!(hour(Utc(-1)), Utc(-HOUR_MS), "before 1970 too");
    }
}
