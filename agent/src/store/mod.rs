//! The queue on disk. One thread owns the one SQLite connection; everybody else holds a [`StoreHandle`] and asks.
//!
//! Promise: what `accept` answered is on the disk (WAL, `synchronous=FULL`, group commit) and has a sequence without
//! gaps.

mod answers;
mod aside;
pub mod blobs;
mod blocks;
mod books;
mod carve;
mod db;
mod disk;
mod handle;
mod held;
mod holds;
mod images;
mod lease;
mod open;
mod owed;
mod picture_ledger;
mod profiles;
mod refused;
mod retire;
mod room;
mod salvage;
mod schema;
pub mod seal;
mod sealed;
mod stamps;
mod thread;

pub use handle::{Arrivals, COMMANDS_MAX, Dropped, StoreHandle};
pub use held::HeldPart;
pub use images::{DueImage, ImageCounts, ImageFate, NewImage};
pub use open::{check_disk, open, open_sealed};
pub use thread::{limits, shortest_limits};

use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::Utc;
use pintle_core::queue::blocks::{Leaf, SALT_BYTES};
use pintle_core::queue::holds::HoldsView;
use pintle_core::queue::{EventKind, Lane, LedgerCounts, PictureCounts};
use pintle_core::wire::stamp::{Captured, captured_at_corrected};
use serde::Serialize;

/// Key of the value that says which requests from afar were heard. Like all that others keep here it comes over from a
/// damaged file; an old request must not become new by that.
pub const ASKED_KEY: &str = "asked";

/// One event handed to the queue.
#[derive(Clone)]
pub struct NewEvent {
    /// Duplicate key together with the trailer's source.
    pub id: EventId,
    /// What it tells.
    pub kind: EventKind,
    /// Which road it takes.
    pub lane: Lane,
    /// Which camera, for reads.
    pub camera: Option<CameraId>,
    /// Capture time of a read, else when it happened, by the host's clock.
    pub happened_at: Utc,
    /// JSON: `data.read` of a read, the whole `data` of any other kind. Never changes.
    pub body: Vec<u8>,
    /// JSON of the first stamp, reads only: what stands in the event beside `read`.
    pub stamp: Option<Vec<u8>>,
    /// True for reads with a hit (own age limits).
    pub hit: bool,
    /// True if the stamp is not certain and may be replaced by a later decision.
    pub stamp_open: bool,
    /// Files that belong to it, reads only; synced before it is handed in.
    pub images: Vec<NewImage>,
}

impl NewEvent {
    /// An event of our own, with a new id: no camera, no stamp, no pictures. `happened_at` by the host's clock.
    #[must_use]
    pub fn own(kind: EventKind, lane: Lane, happened_at: Utc, body: &impl Serialize) -> Self {
        Self {
            id: StoreHandle::new_event_id(),
            kind,
            lane,
            camera: None,
            happened_at,
            // Bodies of our own are texts, flags and finite numbers, which always become JSON.
            body: serde_json::to_vec(body).unwrap_or_default(),
            stamp: None,
            hit: false,
            stamp_open: false,
            images: Vec::new(),
        }
    }
}

/// What became of a handed-in event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accepted {
    /// Durable now, under this sequence.
    New {
        /// Its sequence.
        sequence: u64,
    },
    /// The same id with the same body was accepted before.
    Repeat {
        /// The sequence it got then; 0 if only its key is still known.
        sequence: u64,
    },
    /// The same id with another body was accepted before: refused.
    OtherBody,
}

/// One event on its way out.
#[derive(Clone)]
pub struct Leased {
    /// Its number in this generation.
    pub sequence: u64,
    /// Under which generation and number it goes out, if it was accepted in an earlier file.
    pub origin: Option<(EventId, u64)>,
    /// Duplicate key.
    pub id: EventId,
    /// What it tells.
    pub kind: EventKind,
    /// Which road.
    pub lane: Lane,
    /// Which camera.
    pub camera: Option<CameraId>,
    /// Capture time, or when it happened.
    pub happened_at: Utc,
    /// When it was accepted, by the host's clock.
    pub accepted_at: Utc,
    /// JSON as handed in; of a sealed read the object that stands for it.
    pub body: Vec<u8>,
    /// True for a read that only the agency can open.
    pub sealed: bool,
    /// JSON of the newest stamp, reads only.
    pub stamp: Option<Vec<u8>>,
    /// True for reads with a hit.
    pub hit: bool,
    /// When it was sent first, by the host's clock; true time, as far as it is known, if the stamp corrects the capture
    /// time. With `salt` and `stamp` it fixes the bytes of the event: they are the same each time.
    pub sent_at: Utc,
    /// Its random bytes.
    pub salt: [u8; SALT_BYTES],
    /// JSON array of the files that belong to it; `None` if there are none.
    pub images: Option<Vec<u8>>,
}

impl Leased {
    /// The corrected capture time where the stamp tells one; else the capture time, or when it happened.
    #[must_use]
    pub fn captured(&self) -> Captured {
        let corrected = self.stamp.as_deref().and_then(captured_at_corrected);
        Captured { at: corrected.unwrap_or(self.happened_at), corrected: corrected.is_some() }
    }
}

/// What the receiver said of one leased event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Settled {
    /// Stored there, or known there already.
    Delivered,
    /// The same, with the leaf of the bytes that were sent: counts in its block.
    Proven(Leaf),
    /// Refused there; set aside with this answer (at most 500 characters, no plate).
    Refused(String),
    /// With a broker or on the courier's stick: not offered again until it is settled otherwise. Not durable: a restart
    /// releases it.
    HandedOver,
    /// Not delivered: wait for another try.
    Released,
    /// The same, and not a byte of it has left this host: its bytes need not be the same next time.
    Unsent,
}

/// An event that the receiver refused. It has no `Debug`: the body holds the plate.
#[derive(Clone)]
pub struct RefusedEvent {
    /// Its number.
    pub sequence: u64,
    /// Its id.
    pub id: EventId,
    /// What it tells.
    pub kind: EventKind,
    /// Which camera.
    pub camera: Option<CameraId>,
    /// True for reads with a hit.
    pub hit: bool,
    /// Capture time, or when it happened.
    pub happened_at: Utc,
    /// JSON as handed in.
    pub body: Vec<u8>,
    /// What the receiver said.
    pub answer: String,
}

/// A read whose capture time lies in a span that was decided only later, so that its stamp may have to be replaced.
/// Certain
/// stamps are among them: in the first seconds of a tow a read is stamped with the old site before anything is noticed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenStamp {
    /// Sequence of the read.
    pub sequence: u64,
    /// Id of the read.
    pub read_id: EventId,
    /// Which camera.
    pub camera: CameraId,
    /// Capture time as the engine gave it.
    pub captured_at: Utc,
    /// JSON of its newest stamp: compare before you replace it.
    pub stamp: Vec<u8>,
}

/// A later stamp. It replaces the stamp of a waiting read, and is queued as a stamp event of its own once the read
/// was sent.
#[derive(Clone)]
pub struct LaterStamp {
    /// Sequence of the read.
    pub sequence: u64,
    /// Id for the stamp event, should one be needed.
    pub event_id: EventId,
    /// Its revision.
    pub revision: u32,
    /// JSON of the stamp.
    pub stamp: Vec<u8>,
    /// True if a still later stamp may come.
    pub open: bool,
}

/// Figures of the queue.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct QueueFigures {
    /// The generation's id, RFC 9562 form.
    pub generation: String,
    /// The ledger of this generation.
    pub counts: LedgerCounts,
    /// Waiting urgent events among them.
    pub waiting_urgent: u64,
    /// When the oldest waiting event was accepted.
    pub oldest_waiting: Option<Utc>,
    /// Bytes of database and log on disk.
    pub bytes_on_disk: u64,
    /// Free bytes on that disk.
    pub disk_free_bytes: u64,
    /// Size of that disk, bytes.
    pub disk_bytes: u64,
    /// Why the store can't take anything now, with what to do; `None` if it can.
    pub trouble: Option<String>,
    /// Files of pictures that reads name and that the last sweep did not find.
    pub images_missing: u64,
    /// What became of the files of pictures.
    pub pictures: PictureCounts,
    /// When the first waiting read reaches its age limit, if that is near, and whether it is urgent.
    pub first_expiry: Option<(Utc, bool)>,
    /// What is held for cases.
    pub holds: HoldsView,
    /// How long the queue has lived by its own clock, ms; `None` while its file is not open.
    pub lived_ms: Option<i64>,
    /// Content keys destroyed since the start.
    pub keys_destroyed: u64,
    /// Commits made since the start: proof of progress for the watchdog.
    pub commits: u64,
}

/// Why the store could not do what was asked.
#[derive(Clone, Debug, thiserror::Error)]
pub enum StoreError {
    /// Less free space than `queue.disk_free_min_mib`, or the disk said "full".
    #[error("no space left for the queue")]
    DiskFull,
    /// The disk failed or the file system is read-only; nothing was accepted.
    #[error("the disk of the queue failed: {detail}")]
    Disk {
        /// What the system said.
        detail: String,
    },
    /// The file is damaged. The store sets it aside and begins a new one.
    #[error("the queue file {path} is damaged: {detail}")]
    Damaged {
        /// Which file.
        path: String,
        /// What the database said.
        detail: String,
    },
    /// The file is no queue of ours, or is newer than this program.
    #[error("the queue file {path} can't be used: {detail}")]
    Unusable {
        /// Which file.
        path: String,
        /// Why.
        detail: String,
    },
    /// `queue.disk = "own"`, and the state folder lies on the system's disk.
    #[error("{path} is on the system's own disk: the data disk is not mounted there, and queue.disk is \"own\"")]
    NotMounted {
        /// Which folder.
        path: String,
    },
    /// Another agent holds this state folder.
    #[error("another agent is running on {path}")]
    InUse {
        /// Which folder.
        path: String,
    },
    /// Sealing is not as it should be.
    #[error("reads can't be sealed: {detail}")]
    Seal {
        /// Why.
        detail: String,
    },
    /// The store's thread has ended.
    #[error("the store has stopped")]
    Stopped,
}

impl StoreError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::DiskFull => "free space on the data disk; until then new reads are refused and the engine is told",
            Self::Disk { .. } => "look at the disk and its mount; reads are taken again as soon as a write succeeds",
            Self::Damaged { .. } => {
                "it is set aside and what waits in it is taken over into a new one; have the data disk checked"
            }
            Self::Unusable { .. } => "keep the file for salvage, move it out of the state folder and start again",
            Self::NotMounted { .. } => {
                "mount the data disk (its line in /etc/fstab, its cable), or set queue.disk = \"any\" if it has none; until \
                 then nothing is taken and the engine keeps its reads"
            }
            Self::InUse { .. } => "stop the other agent first; two on one queue would damage it",
            Self::Seal { .. } => "look at queue.seal and its key files; `pintle check` tells more",
            Self::Stopped => "the agent is stopping; try again after it has started",
        }
    }
}
