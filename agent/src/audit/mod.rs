//! The audit: who did what, when, and with what outcome. Lines of JSON in a file that is only ever appended to, each
//! bound to the one before by its SHA-256, each on the disk before the act is answered. Decision 21.
//!
//! No plate is ever written here: a query for one is written as [`Log::query_tag`].

mod line;
mod log;
mod verify;

pub use line::{Line, LineFault, ZERO};
pub use log::{FILE_BYTES_MAX, Log};
pub use verify::{Fault, Verdict, is_there, lines, verify};

use crate::clock;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;

/// Longest text of a field, characters (our own limit: a case text has 200).
pub const TEXT_CHARS_MAX: usize = 240;
/// Most fields of one entry (our own limit).
pub const FIELDS_MAX: usize = 16;

/// Who did it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Who {
    /// User number that the kernel gave; `None` where no process of this computer asked.
    pub uid: Option<u32>,
    /// Process number likewise.
    pub pid: Option<i32>,
    /// Name as the person gave it, or the part of the program.
    pub name: String,
}

impl Who {
    /// This program by itself, for example a purge at an age limit.
    #[must_use]
    pub fn agent() -> Self {
        let pid = i32::try_from(std::process::id()).ok();
        Self { uid: Some(nix::unistd::getuid().as_raw()), pid, name: "pintle".to_owned() }
    }

    /// The user who runs this command, under the name that they gave, else that of their account.
    #[must_use]
    pub fn caller(name: Option<&str>) -> Self {
        let uid = nix::unistd::getuid();
        let account = || {
            let user = nix::unistd::User::from_uid(uid).ok().flatten();
            user.map_or_else(|| format!("user {uid}"), |user| user.name)
        };
        let name = name.map_or_else(account, str::to_owned);
        Self { uid: Some(uid.as_raw()), pid: i32::try_from(std::process::id()).ok(), name }
    }
}

/// One act.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    who: Who,
    act: String,
    on: BTreeMap<String, String>,
    outcome: String,
    /// When it was made, by the host's clock: one that has to wait is dated as the act.
    at: Utc,
}

impl Entry {
    /// `act` is one of our own words, for example `hold.add`; `outcome` is `done` or the kind of the problem.
    #[must_use]
    pub fn new(mut who: Who, act: &str, outcome: &str) -> Self {
        let cut = |text: &str| printable(text, TEXT_CHARS_MAX);
        who.name = cut(&who.name);
        Self { who, act: cut(act), on: BTreeMap::new(), outcome: cut(outcome), at: clock::utc() }
    }

    /// What it was done to: a name of ours and a value, which is cut and made printable. Never a plate.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl std::fmt::Display) -> Self {
        if self.on.len() < FIELDS_MAX {
            self.on.insert(printable(name, 40), printable(&value.to_string(), TEXT_CHARS_MAX));
        }
        self
    }
}

/// Why the audit can't be written or read.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The folder or a file in it can't be used.
    #[error("the audit can't be {doing} at {path}: {source}", path = path.display())]
    File {
        /// `written` or `read`.
        doing: &'static str,
        /// Where.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The entry can't be put into a line.
    #[error("an entry of the audit can't be put down as JSON: {0}")]
    Form(#[from] serde_json::Error),
    /// The writing was broken off by the end of the process.
    #[error("the audit's writing was broken off")]
    BrokenOff,
}

impl AuditError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::File { .. } => "look at the free space, the mount and the rights of that folder; it is tried again",
            Self::Form(_) => "this is a fault of the program, report it",
            Self::BrokenOff => "the agent is stopping; try again after it has started",
        }
    }
}
