//! What a receiver raises by itself, as it is told to people: `pintle.raised.v1`.

use serde::{Deserialize, Serialize};

/// Type of the event.
pub const RAISED_TYPE: &str = "pintle.raised.v1";
/// Its `dataschema`.
pub const RAISED_SCHEMA: &str = "urn:pintle:schema:raised.v1";
/// All kinds: a trailer fell silent, is heard again, needs somebody now, needs nobody any more.
pub const RAISED_KINDS: [&str; 4] = ["silent", "heard-again", "act", "act-over"];

/// The data of such an event. It holds no plate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RaisedBody {
    /// One of [`RAISED_KINDS`].
    pub kind: String,
    /// Whether somebody must act.
    pub urgent: bool,
    /// Which trailer it is about, `urn:pintle:trailer:<id>`.
    pub trailer: String,
    /// When it was raised, RFC 3339, by the receiver's clock.
    pub at: String,
    /// A sentence ready to show.
    pub text: String,
}
