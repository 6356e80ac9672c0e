//! What a file says that may be a trailer's state: the whole of it, the public word, or nothing that we can judge. One
//! reader for all who read health files.

use super::health::{FORMAT, HealthBody};
use crate::ids::printable;
use crate::moment::Utc;
use serde::Deserialize;
use serde_json::Value;

/// Format of `public/status.json`.
pub const PUBLIC_FORMAT: &str = "pintle.public.v1";

/// Format of a receiver's list of the states of all its trailers.
pub const FLEET_FORMAT: &str = "pintle.fleet.v1";

/// What was told.
#[derive(Clone, Debug)]
pub enum Told {
    /// The whole state.
    Health(Box<HealthBody>),
    /// Word, label and times only.
    Public(Public),
}

/// Word, label and times.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Public {
    /// As painted.
    pub label: String,
    /// `fine`, `look` or `act`.
    pub word: String,
    /// When it was written, RFC 3339.
    pub written: String,
    /// Until when it may be believed, RFC 3339.
    pub valid_until: String,
}

/// Why nothing can be judged.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTold {
    /// It is no health file.
    #[error("it is not a health file: {detail}")]
    NotOurs {
        /// What does not fit; quotes nothing of the file.
        detail: String,
    },
    /// It is one of another version.
    #[error("it has the format {found}, and this program reads {FORMAT}: it comes from {age} Pintle")]
    OtherVersion {
        /// Its format.
        found: String,
        /// "a newer" or "an older".
        age: &'static str,
    },
}

impl NotTold {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NotOurs { .. } => "name health.json, or the folder that it lies in",
            Self::OtherVersion { .. } => "read it with the same version of pintle as the one that wrote it",
        }
    }
}

impl Told {
    /// Understands the bytes of a file.
    ///
    /// # Errors
    /// [`NotTold`].
    pub fn parse(bytes: &[u8]) -> Result<Self, NotTold> {
        // The position in the file is enough; a parser's message may quote the file, and the file may be anybody's.
        let not_ours = |error: &serde_json::Error| NotTold::NotOurs {
            detail: format!("line {}, column {} does not fit", error.line(), error.column()),
        };
        let value: Value = serde_json::from_slice(bytes).map_err(|error| not_ours(&error))?;
        let format = value.get("format").and_then(Value::as_str).unwrap_or_default().to_owned();
        match format.as_str() {
            FORMAT => match serde_json::from_value(value) {
                Ok(body) => Ok(Self::Health(Box::new(body))),
                Err(error) => Err(NotTold::NotOurs { detail: printable(&error.to_string(), 120) }),
            },
            PUBLIC_FORMAT => serde_json::from_value(value).map(Self::Public).map_err(|error| not_ours(&error)),
            other => Err(match version(other) {
                Some(found) => NotTold::OtherVersion {
                    found: printable(other, 40),
                    age: if version(FORMAT) < Some(found) { "a newer" } else { "an older" },
                },
                None => NotTold::NotOurs { detail: "it names no format of ours".to_owned() },
            }),
        }
    }

    /// `fine`, `look` or `act`, as it was written.
    #[must_use]
    pub fn word(&self) -> &str {
        match self {
            Self::Health(body) => &body.word,
            Self::Public(public) => &public.word,
        }
    }

    /// The trailer's label, cleaned for a terminal.
    #[must_use]
    pub fn label(&self) -> String {
        match self {
            Self::Health(body) => printable(&body.trailer.label, 60),
            Self::Public(public) => printable(&public.label, 60),
        }
    }

    /// When it was written and until when it may be believed; `None` if one is no time.
    #[must_use]
    pub fn times(&self) -> Option<(Utc, Utc)> {
        match self {
            Self::Health(body) => body.written_at().zip(body.valid_until_at()),
            Self::Public(public) => Utc::parse_rfc3339(&public.written).zip(Utc::parse_rfc3339(&public.valid_until)),
        }
    }
}

/// The version number of a health format.
fn version(format: &str) -> Option<u32> {
    format.strip_prefix("pintle.health.v")?.parse().ok()
}
