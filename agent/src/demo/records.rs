//! The receiver's database, read from outside: what really arrived.

use anyhow::Context;
use pintle_core::geo::LatLon;
use pintle_core::moment::{Mono, Utc};
use pintle_core::sim::judge::Received;
use rusqlite::{Connection, OpenFlags};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;

/// Ways to damage the records on purpose, so that a judge that finds nothing is found out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Spoil {
    /// Put one read of the tow back to where the trailer stood first.
    Stamp,
    /// Take one read away.
    Drop,
    /// Store one read under a second id.
    Double,
}

impl Spoil {
    /// What was done, for the story.
    pub(super) fn told(self) -> &'static str {
        match self {
            Self::Stamp => "a read at the end of the tow got the first site's position",
            Self::Drop => "a read was taken away",
            Self::Double => "a read was stored a second time",
        }
    }
}

/// The receiver's database.
pub(super) struct Records {
    connection: Connection,
}
