//! What the agency asks a trailer for: the content of a signed request.

use super::receipt::Resend;
use serde::{Deserialize, Serialize};

/// Send the state of health now.
pub const WHAT_HEALTH: &str = "health";
/// Confirm a camera's place line.
pub const WHAT_CONFIRM: &str = "confirm-line";
/// Send a test alert through the real way.
pub const WHAT_TEST: &str = "test-alert";
/// Send a range of events once more.
pub const WHAT_RESEND: &str = "resend";

/// What even a request that can't be meant tells: which number to refuse, and who is asked.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct AskedHead {
    /// See [`AskedBody::number`].
    pub number: u64,
    /// See [`AskedBody::trailer`].
    pub trailer: String,
}

impl AskedHead {
    /// Reads it; `None` if it is none. Other fields don't matter.
    #[must_use]
    pub fn parse(content: &[u8]) -> Option<Self> {
        serde_json::from_slice(content).ok()
    }
}

/// One request.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AskedBody {
    /// Rises with every request to one trailer; each is carried out once.
    pub number: u64,
    /// `trailer.id` of the one that is asked.
    pub trailer: String,
    /// When it was made, RFC 3339.
    pub made_at: String,
    /// Until when it may be carried out, RFC 3339.
    pub until: String,
    /// Who asks.
    pub by: String,
    /// `health`, `confirm-line`, `test-alert` or `resend`.
    pub what: String,
    /// Which camera, for `confirm-line`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// Number of the site that it is meant for, as the health files show it, for `confirm-line`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// The place line as the health files show it, for `confirm-line`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// Which events, for `resend`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resend: Option<Resend>,
}

impl AskedBody {
    /// Reads it; `None` if it is none. A field that is not known makes it none: what is not understood is not done.
    #[must_use]
    pub fn parse(content: &[u8]) -> Option<Self> {
        serde_json::from_slice(content).ok()
    }

    /// As it is signed.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        // Texts and numbers always become JSON.
        serde_json::to_vec(self).unwrap_or_default()
    }
}
