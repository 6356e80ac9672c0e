//! Refusals as RFC 9457 (Problem Details for HTTP APIs), media type [`MEDIA_TYPE`]. A problem says what is wrong,
//! where,
//! and what to do; it never repeats a value that was sent, for that may be a plate.

use serde::{Deserialize, Serialize};

/// Media type of a problem (source: RFC 9457 section 3).
pub const MEDIA_TYPE: &str = "application/problem+json";

/// Prefix of every `type`.
pub const TYPE_PREFIX: &str = "urn:pintle:problem:";

/// One problem.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// `urn:pintle:problem:<kind>`: what a program compares.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind in a few words; always the same for one kind.
    pub title: String,
    /// HTTP status, also where no HTTP is spoken.
    pub status: u16,
    /// What is wrong here and what to do, whole sentences.
    pub detail: String,
    /// Path of the field, for example `hit.list_time`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<String>,
    /// The known name that was most likely meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nearest: Option<String>,
    /// Line of a newline-delimited body, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// All faults, if there are more than one; the first is also told above.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub problems: Vec<Fault>,
    /// Reads of the same request that are durable in spite of the problem.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<AcceptedRead>,
}

/// One fault among several.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fault {
    /// Line of a newline-delimited body, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Path of the field.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<String>,
    /// The known name that was most likely meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nearest: Option<String>,
    /// What is wrong and what to do.
    pub detail: String,
}

/// One accepted read, as answered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AcceptedRead {
    /// Its id: the one that was sent, or the derived one.
    pub id: String,
    /// Its number in the queue's generation; absent if only its key is still known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sequence: Option<u64>,
    /// True if the same read was accepted before.
    pub repeat: bool,
}

/// The answer 202: every read of the request is durable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AcceptedBody {
    /// One entry per read, in the order of the request.
    pub accepted: Vec<AcceptedRead>,
}

impl Problem {
    /// A problem of `kind` (without the prefix) that concerns no field. Boxed, since it travels as the error of
    /// results.
    #[must_use]
    pub fn new(kind: &str, status: u16, title: &str, detail: impl Into<String>) -> Box<Self> {
        Box::new(Self {
            kind: format!("{TYPE_PREFIX}{kind}"),
            title: title.to_owned(),
            status,
            detail: detail.into(),
            field: None,
            nearest: None,
            line: None,
            problems: Vec::new(),
            accepted: Vec::new(),
        })
    }

    /// The same with its faults: the first one is told in the main members, all are listed if there are several.
    #[must_use]
    pub fn with_faults(mut self: Box<Self>, faults: Vec<Fault>) -> Box<Self> {
        if let Some(first) = faults.first() {
            self.line = first.line;
            self.field.clone_from(&first.field);
            self.nearest.clone_from(&first.nearest);
            self.detail.clone_from(&first.detail);
        }
        if 1 < faults.len() {
            self.problems = faults;
        }
        self
    }
}
