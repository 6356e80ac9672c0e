//! The tether and everything behind it up to the receiver: how far a packet gets, what was done against it, what it
//! costs, and how long hits take.
//!
//! `evidence` (what is known, and from where) → `judge` (the first broken rung) → `watch` (damping, outages, when to
//! probe); `ladder` says what may be done; `usage` counts data, `latency` counts hits; `words` tells people.

pub mod evidence;
pub mod flaps;
pub mod judge;
pub mod ladder;
pub mod latency;
pub mod looks;
pub mod outages;
pub mod pace;
pub mod probing;
pub mod progress;
pub mod rung;
pub mod usage;
pub mod watch;
pub mod words;

use crate::moment::Utc;
use ladder::Step;

/// What the link watcher publishes for the forwarder: coarse, and told only when it changes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum LinkView {
    /// The configuration names no interface.
    #[default]
    NotFitted,
    /// No such interface.
    Absent {
        /// Name or rule that was looked for.
        looked_for: String,
    },
    /// There, but our own link is broken somewhere up to the internet.
    Down {
        /// Its present name.
        interface: String,
        /// Where, in a few words.
        why: String,
    },
    /// Up; whether packets get through to the receiver is said by the report and by the last receipt.
    Up {
        /// Its present name.
        interface: String,
    },
}

/// All that the link watcher knows, for people.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LinkReport {
    /// The finding with its figures.
    pub shown: watch::Shown,
    /// Outages of the last 24 hours.
    pub day: outages::Sum,
    /// Outages of the last 30 days.
    pub month: outages::Sum,
    /// The newest outages that are over, newest last, at most [`Self::OUTAGES_MAX`].
    pub recent: Vec<outages::Outage>,
    /// Data used; `None` if no interface is watched.
    pub data: Option<usage::Standing>,
    /// The contract with the carrier.
    pub plan: Option<usage::Plan>,
    /// Hits of today, capture to receipt.
    pub hits_today: latency::Percentiles,
    /// Hits of the last 30 days.
    pub hits_month: latency::Percentiles,
    /// The newest hits, over several days where a day has few.
    pub hits_recent: latency::Recent,
    /// Within this a hit should have its receipt, ms.
    pub hits_target_ms: u64,
    /// The recovery ladder; `None`: nothing is done by itself.
    pub ladder: Option<LadderShown>,
}

impl LinkReport {
    /// Outages shown one by one.
    pub const OUTAGES_MAX: usize = 20;
}

/// What is shown of the recovery ladder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LadderShown {
    /// Steps in the last 24 hours.
    pub day: usize,
    /// What may still be done.
    pub left: ladder::Left,
    /// The step that comes next, and when at the soonest by the host's clock; `None`: nothing is broken that a step
    /// could help, or nothing more is allowed now.
    pub next: Option<(Step, Utc)>,
    /// The step that runs now.
    pub running: Option<Step>,
    /// The last step.
    pub last: Option<ladder::Taken>,
    /// Why the last step could not be taken, with what to do.
    pub trouble: Option<[String; 2]>,
}
