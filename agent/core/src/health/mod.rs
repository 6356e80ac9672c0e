//! From observations to one word, the needs behind it, and sentences that can be read aloud.
//!
//! `needs` holds the rules (documented as a table in `docs/HEALTH.md`), `sections` tells each part of the trailer in
//! people's words, `memory` remembers since when something has been so, `wording` writes times and numbers.

pub mod duty;
mod freshness;
mod link;
mod memory;
mod needs;
pub mod ready;
mod sections;
pub mod visit;
pub mod wording;
pub mod zone;

pub use freshness::Freshness;
pub use memory::{Change, Memory};
pub use sections::link_in_short as link_word;

use crate::cameras::IntakeView;
use crate::forward::ForwardView;
use crate::host::HostView;
use crate::inputs::InputsView;
use crate::link::{LinkReport, LinkView};
use crate::moment::{Moment, Utc};
use crate::position::PositionView;
use crate::queue::holds::HoldsView;
use crate::queue::{LedgerCounts, PictureCounts};
use duty::{Acknowledged, DutyBook};
use ready::{Ready, ReadySeen, TestAlert, TickBook};
use zone::Zone;

/// The one word about a trailer, in rising order of urgency. A reader adds "stale".
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Word {
    /// Nothing needs anybody.
    #[default]
    Fine,
    /// Something wants a look soon.
    Look,
    /// Somebody is needed now.
    Act,
}

impl Word {
    /// The word as it is written in files: `fine`, `look` or `act`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Fine => "fine",
            Self::Look => "look",
            Self::Act => "act",
        }
    }

    /// What may be said to anybody, without telling what it is about. Source: docs of our look, the cover.
    #[must_use]
    pub fn fixed_sentence(self) -> &'static str {
        match self {
            Self::Fine => "Nothing needs you.",
            Self::Look => "Something wants a look soon.",
            Self::Act => "Somebody is needed now.",
        }
    }
}

/// Where the agent is between its start and its end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Life {
    /// Not everything has reported yet.
    #[default]
    Starting,
    /// At work.
    Running,
    /// Ended on purpose; nothing is watched or taken in.
    Stopped,
}

impl Life {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Starting => "starting",
            Self::Running => "running",
            Self::Stopped => "stopped",
        }
    }
}

/// What does not change while the agent runs.
#[expect(clippy::struct_excessive_bools, reason = "independent facts of a configuration, not a state")]
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// `trailer.id`.
    pub trailer: String,
    /// The trailer's label as painted.
    pub label: String,
    /// The zone of the place, for people's times.
    pub zone: Zone,
    /// Version of this program.
    pub version: String,
    /// The kernel's id of this boot; empty if it can't be read.
    pub boot_id: String,
    /// When this process started.
    pub started: Moment,
    /// How long a written state may be believed, s.
    pub valid_s: u32,
    /// Whether a GPS receiver is configured.
    pub gps_fitted: bool,
    /// Farther than this from the anchor counts as moved, m.
    pub move_threshold_m: f64,
    /// Whether a receiver is configured.
    pub receiver_fitted: bool,
    /// Whether that receiver gives a receipt for each event; false: it only answers "received something".
    pub receiver_proven: bool,
    /// Whether waiting reads lie on the disk in clear.
    pub seal_none: bool,
    /// Age limit of ordinary reads without a receipt, s.
    pub waiting_keep_s: u64,
    /// Free space below which new reads are refused, MiB.
    pub disk_free_min_mib: u64,
    /// `queue.disk_warn_percent`
    pub disk_warn_percent: u64,
}

/// The queue as health sees it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct QueueView {
    /// The generation's id.
    pub generation: String,
    /// Its ledger.
    pub counts: LedgerCounts,
    /// Urgent events among the waiting.
    pub waiting_urgent: u64,
    /// When the oldest waiting event was accepted.
    pub oldest_waiting: Option<Utc>,
    /// Bytes of database and log on disk.
    pub bytes_on_disk: u64,
    /// Free bytes on that disk.
    pub disk_free_bytes: u64,
    /// Size of that disk, bytes.
    pub disk_bytes: u64,
    /// Files of pictures that accepted reads name and that are not there.
    pub images_missing: u64,
    /// What became of the files of pictures.
    pub pictures: PictureCounts,
    /// When the first waiting read reaches its age limit, if that is near, and whether it is urgent.
    pub first_expiry: Option<(Utc, bool)>,
    /// What is held for cases.
    pub holds: HoldsView,
    /// How long the queue has lived by its own clock, ms; `None` while its file is not open.
    pub lived_ms: Option<i64>,
    /// Why nothing can be taken now, with what to do.
    pub trouble: Option<String>,
}

/// One actor that did not run through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stumble {
    /// Name of the actor, for example "position".
    pub actor: String,
    /// How often it was started again since the start of the agent.
    pub restarts: u64,
    /// Why it ended the last time; one sentence, no plate.
    pub reason: String,
    /// When that was.
    pub at: Utc,
    /// Whether it runs again.
    pub running: bool,
}

/// What the lifecycle publishes for health.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LifecycleView {
    /// Actors that were started again, worst first.
    pub stumbles: Vec<Stumble>,
    /// Why only intake and store run; `None` if all do.
    pub safe_mode: Option<String>,
    /// Since when and why the audit can't be written.
    pub audit_trouble: Option<(Utc, String)>,
}

/// Everything that one snapshot is made from.
#[derive(Clone, Copy, Debug)]
pub struct Observations<'a> {
    /// Now.
    pub now: Moment,
    /// Where the agent is between start and end.
    pub life: Life,
    /// What does not change.
    pub facts: &'a Facts,
    /// From the position actor.
    pub position: &'a PositionView,
    /// From the intake.
    pub intake: &'a IntakeView,
    /// From the forwarder.
    pub forward: &'a ForwardView,
    /// From the link watcher.
    pub link: &'a LinkView,
    /// All that the link watcher knows.
    pub link_report: &'a LinkReport,
    /// From the host watcher.
    pub host: &'a HostView,
    /// From the switches of the trailer; empty if none is configured.
    pub inputs: &'a InputsView,
    /// From the store, or why it gave no figures.
    pub queue: Result<&'a QueueView, &'a str>,
    /// From the lifecycle.
    pub lifecycle: &'a LifecycleView,
    /// What people ticked on their walk round the trailer.
    pub ticks: &'a TickBook,
    /// Whether the trailer is off duty, and which needs somebody has in hand.
    pub duty: &'a DutyBook,
    /// The newest test alert.
    pub test_alert: Option<TestAlert>,
}

impl<'a> Observations<'a> {
    /// The part of them that says whether a technician may leave.
    #[must_use]
    pub fn ready_seen(&self) -> ReadySeen<'a> {
        ReadySeen {
            now: self.now,
            stopped: self.life == Life::Stopped,
            facts: self.facts,
            position: self.position,
            intake: self.intake,
            forward: self.forward,
            link: self.link,
            ticks: self.ticks,
            test_alert: self.test_alert,
        }
    }
}

/// Something that a person must do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Need {
    /// Stable name of the rule, for machines.
    pub code: &'static str,
    /// Number of the section that tells more.
    pub section: u8,
    /// [`Word::Look`] or [`Word::Act`].
    pub urgency: Word,
    /// The next step in a few words.
    pub what: String,
    /// Why, one sentence.
    pub why: String,
    /// How, one or two sentences.
    pub how: String,
    /// Since when, if known.
    pub since: Option<Utc>,
    /// By when it must be done; `None`: as soon as the urgency says.
    pub by: Option<Utc>,
    /// Who has it in hand; `None`: nobody has said so.
    pub ack: Option<Acknowledged>,
}

/// State of one section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SectionState {
    /// As the worst need in it; fine if there is none.
    Known(Word),
    /// There is a source, but it has not reported.
    Unknown,
    /// Not configured, or not part of this trailer.
    NotFitted,
}

impl SectionState {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Known(word) => word.word(),
            Self::Unknown => "unknown",
            Self::NotFitted => "not fitted",
        }
    }
}

/// A row of a section: label, value, and what puts the value in its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// What is told.
    pub label: String,
    /// The value with its unit, "not fitted" or "unknown".
    pub value: String,
    /// Age or reference; may be empty.
    pub note: String,
}

/// One numbered section. Numbers never move.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// 1 to 12.
    pub no: u8,
    /// Short name for machines and links.
    pub key: &'static str,
    /// Title.
    pub title: &'static str,
    /// State.
    pub state: SectionState,
    /// The answer in a few words, for the first screen.
    pub answer: String,
    /// One or two sentences under the answer.
    pub detail: String,
    /// One sentence in the present tense that could be read aloud.
    pub sentence: String,
    /// The figures.
    pub rows: Vec<Row>,
}

/// What is told of the trailer at one instant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// The one word.
    pub word: Word,
    /// One sentence with the next step.
    pub sentence: String,
    /// What people must do, most urgent first.
    pub needs: Vec<Need>,
    /// The sections, by number.
    pub sections: Vec<Section>,
    /// What changed lately, oldest first.
    pub changes: Vec<Change>,
    /// Whether a technician may leave.
    pub ready: Ready,
}

/// Judges one set of observations. `memory` carries over from one call to the next since when things have been so.
#[must_use]
pub fn snapshot(seen: &Observations<'_>, memory: &mut Memory) -> Snapshot {
    let needs = needs::needs(seen, memory);
    let worst = needs.iter().map(|need| need.urgency).max().unwrap_or_default();
    // A trailer that nobody can vouch for yet is never called fine.
    let word = if seen.life == Life::Running { worst } else { worst.max(Word::Look) };
    let ready = ready::ready(&seen.ready_seen());
    let sections = sections::sections(seen, &needs, &ready);
    memory.note(seen, word, &needs);
    Snapshot { word, sentence: wording::headline(seen, &needs), needs, sections, changes: memory.changes(), ready }
}

#[cfg(test)]
mod tests;
