//! One line: fixed order of fields, and a hash over its own bytes, so that checking needs no JSON library and no rule
//! for a canonical form. `hash` is the SHA-256 of the line up to `,"hash":"`, closed with `}`.

use super::Entry;
use aws_lc_rs::digest::{SHA256, digest};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Format version of a line.
const VERSION: u32 = 1;
/// `prev` of the very first line.
pub const ZERO: &str = "0000000000000000000000000000000000000000000000000000000000000000";
/// What stands between the hashed part of a line and its hash.
const BEFORE_HASH: &[u8] = b",\"hash\":\"";
/// What closes a line behind its hash.
const AFTER_HASH: &[u8] = b"\"}";

/// One line as read back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Format version, 1.
    pub v: u32,
    /// Number, counted from 1 without gaps.
    pub n: u64,
    /// When, RFC 3339, UTC, three decimals, by the host's clock.
    pub at: String,
    /// User number of who did it.
    pub uid: Option<u32>,
    /// Process number of who did it.
    pub pid: Option<i32>,
    /// Name of who did it.
    pub by: String,
    /// What was done.
    pub act: String,
    /// To what.
    pub on: BTreeMap<String, String>,
    /// `done`, or why not.
    pub outcome: String,
    /// Hash of the line before.
    pub prev: String,
    /// Hash of this line.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub hash: String,
}

/// What is wrong with a line by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineFault {
    /// It does not end as a line does, or is no JSON of ours.
    NoLine,
    /// Its bytes are not those that its hash was made of.
    Altered,
}

/// The bytes of the next line, with its closing line feed, and its hash.
pub(super) fn write(entry: &Entry, n: u64, prev: &str) -> Result<(Vec<u8>, String), serde_json::Error> {
    let line = Line {
        v: VERSION,
        n,
        at: entry.at.to_rfc3339(),
        uid: entry.who.uid,
        pid: entry.who.pid,
        by: entry.who.name.clone(),
        act: entry.act.clone(),
        on: entry.on.clone(),
        outcome: entry.outcome.clone(),
        prev: prev.to_owned(),
        hash: String::new(),
    };
    let mut bytes = serde_json::to_vec(&line)?;
    let hash = hex(digest(&SHA256, &bytes).as_ref());
    bytes.pop();
    bytes.extend_from_slice(BEFORE_HASH);
    bytes.extend_from_slice(hash.as_bytes());
    bytes.extend_from_slice(AFTER_HASH);
    bytes.push(b'\n');
    Ok((bytes, hash))
}

/// Reads a line (without its line feed) and checks it against its own hash.
pub(super) fn read(bytes: &[u8]) -> Result<Line, LineFault> {
    let line: Line = serde_json::from_slice(bytes).map_err(|_| LineFault::NoLine)?;
    let tail = BEFORE_HASH.len() + line.hash.len() + AFTER_HASH.len();
    let hashed = bytes.len().checked_sub(tail).map(|at| [&bytes[..at], b"}"].concat()).ok_or(LineFault::NoLine)?;
    let right = hex(digest(&SHA256, &hashed).as_ref());
    if line.v == VERSION && right == line.hash && bytes.ends_with(AFTER_HASH) {
        Ok(line)
    } else {
        Err(LineFault::Altered)
    }
}

/// Lower-case hexadecimal digits.
pub(super) fn hex(bytes: &[u8]) -> String {
    let digit = |value: u8| char::from_digit(u32::from(value), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
}
