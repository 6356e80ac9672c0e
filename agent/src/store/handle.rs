//! Typed calls to the store's thread. Every call is an enqueued command with a way back for the answer; a full
//! channel makes the
//! caller wait, which is how back-pressure reaches the intake.

use super::blobs::Blobs;
use super::held::HeldPart;
use super::images;
use super::{Accepted, LaterStamp, Leased, NewEvent, OpenStamp, QueueFigures, RefusedEvent, Settled, StoreError};
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::holds::{Hold, HoldChange};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::receipt::Resend;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::{Notify, mpsc, oneshot};

/// How many commands may wait for the store's thread (our own limit: four full group commits of 1,000).
pub const COMMANDS_MAX: usize = 4096;

pub(super) type Answer<T> = oneshot::Sender<Result<T, StoreError>>;

/// What the store's thread is asked to do.
pub(super) enum Command {
    Accept { events: Vec<NewEvent>, now: Moment, answer: Answer<Vec<Accepted>> },
    Lease { lane: Lane, events_max: usize, bytes_max: usize, now: Moment, answer: Answer<Vec<Leased>> },
    UrgentCopies { skip: RangeSet, events_max: usize, bytes_max: usize, now: Moment, answer: Answer<Vec<Leased>> },
    Resend { asked: Vec<Resend>, now: Moment, answer: Answer<u64> },
    ReleaseLane { lane: Lane, answer: Answer<()> },
    Settle { outcomes: Vec<(u64, Settled)>, now: Moment, answer: Answer<()> },
    Refused { answer: Answer<Vec<RefusedEvent>> },
    Retry { sequence: Option<u64>, now: Moment, answer: Answer<u64> },
    Drop { sequence: u64, why: String, now: Moment, answer: Answer<u64> },
    OpenStamps { captured_from: Utc, captured_to: Utc, answer: Answer<Vec<OpenStamp>> },
    Restamp { stamps: Vec<LaterStamp>, now: Moment, answer: Answer<u64> },
    Keep { key: &'static str, value: Vec<u8>, answer: Answer<()> },
    Kept { key: &'static str, answer: Answer<Option<Vec<u8>>> },
    Retire { now: Moment, answer: Answer<u64> },
    Hold { change: HoldChange, now: Moment, answer: Answer<u64> },
    Holds { answer: Answer<Vec<(Hold, u64)>> },
    Held { after: u64, answer: Answer<HeldPart> },
    Sites { answer: Answer<BTreeSet<u64>> },
    Images { write: images::Write, answer: Answer<u64> },
    LookAtImages(images::Look),
    Figures { answer: Answer<QueueFigures> },
    IdKey { answer: Answer<[u8; 32]> },
    WentBackwards { known: u64, answer: Answer<()> },
    RotateKeys { answer: Answer<()> },
    Close { answer: Answer<()> },
}

/// What became of a refused event that a person drops.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dropped {
    /// It is gone.
    Gone,
    /// There is none of that number.
    Unknown,
    /// A hold keeps it.
    Held,
}

/// A way to the store's thread; cheap to clone.
#[derive(Clone)]
pub struct StoreHandle {
    pub(super) commands: mpsc::Sender<Command>,
    pub(super) arrived: Arc<Arrivals>,
    pub(super) blobs: Arc<Blobs>,
    pub(super) accepted_at_open: u64,
    pub(super) writing: Arc<AtomicUsize>,
}

/// Counts those who wait for reads to become durable, for as long as it lives.
struct Writing(Arc<AtomicUsize>);

impl Writing {
    fn begin(count: &Arc<AtomicUsize>) -> Self {
        count.fetch_add(1, Ordering::SeqCst);
        Self(Arc::clone(count))
    }
}

impl Drop for Writing {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Wake-ups for the forwarder: something new waits in a lane.
#[derive(Debug, Default)]
pub struct Arrivals {
    /// Signalled after a commit that brought an urgent event.
    pub urgent: Notify,
    /// The same, for the second receiver.
    pub relay: Notify,
    /// Signalled after a commit that brought any other event.
    pub bulk: Notify,
}

impl StoreHandle {
    /// The highest sequence that had been given out when this process opened the queue: what came later came in its
    /// life, whoever asks how late.
    #[must_use]
    pub fn accepted_at_open(&self) -> u64 {
        self.accepted_at_open
    }

    /// Wake-ups for the forwarder.
    #[must_use]
    pub fn arrivals(&self) -> &Arrivals {
        &self.arrived
    }

    /// The files of pictures.
    #[must_use]
    pub fn blobs(&self) -> &Arc<Blobs> {
        &self.blobs
    }

    /// Makes `events` durable in one commit, in their order. Answers only after the sync. All or nothing, but for
    /// repeats and
    /// other bodies, which are told one by one.
    ///
    /// # Errors
    /// Any [`StoreError`]: then none of them was accepted.
    pub async fn accept(&self, events: Vec<NewEvent>, now: Moment) -> Result<Vec<Accepted>, StoreError> {
        let reads = events.iter().any(|event| event.kind == EventKind::Read);
        let _writing = reads.then(|| Writing::begin(&self.writing));
        self.ask(|answer| Command::Accept { events, now, answer }).await
    }

    /// Whether anybody waits for reads to become durable at this moment.
    #[must_use]
    pub fn is_writing(&self) -> bool {
        0 < self.writing.load(Ordering::SeqCst)
    }

    /// The next waiting events of one lane (urgent: newest hit first; bulk: fresh and backlog 80/20), at most
    /// `events_max` and
    /// about `bytes_max`, marked as on their way until [`Self::settle`]d. That is not durable: a restart releases all.
    /// The bytes of each are fixed from now on, and durably so before this answers.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn lease(
        &self,
        lane: Lane,
        events_max: usize,
        bytes_max: usize,
        now: Moment,
    ) -> Result<Vec<Leased>, StoreError> {
        self.ask(|answer| Command::Lease { lane, events_max, bytes_max, now, answer }).await
    }

    /// The newest urgent events without a receipt whose numbers are not in `skip`, at most `events_max` and about
    /// `bytes_max`, whether they are on their way or not. They are copies for a second receiver: nothing of them is
    /// to be settled. Their bytes are fixed from now on, and durably so before this answers.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn urgent_copies(
        &self,
        skip: RangeSet,
        events_max: usize,
        bytes_max: usize,
        now: Moment,
    ) -> Result<Vec<Leased>, StoreError> {
        self.ask(|answer| Command::UrgentCopies { skip, events_max, bytes_max, now, answer }).await
    }

    /// Puts delivered events that the receiver asks for on the list to go once more; answers how many. Those that went
    /// at their age limit are told in the ledger.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn resend(&self, asked: Vec<Resend>, now: Moment) -> Result<u64, StoreError> {
        self.ask(|answer| Command::Resend { asked, now, answer }).await
    }

    /// Takes back every lease of one lane: the forwarder says so when it starts, since an earlier one may have ended
    /// with events in its hands.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn release_lane(&self, lane: Lane) -> Result<(), StoreError> {
        self.ask(|answer| Command::ReleaseLane { lane, answer }).await
    }

    /// Writes down what the receiver said of leased events, by sequence.
    ///
    /// # Errors
    /// Any [`StoreError`]: the events stay leased and are released by the store.
    pub async fn settle(&self, outcomes: Vec<(u64, Settled)>, now: Moment) -> Result<(), StoreError> {
        self.ask(|answer| Command::Settle { outcomes, now, answer }).await
    }

    /// What the receiver refused, oldest first, at most 500.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn refused(&self) -> Result<Vec<RefusedEvent>, StoreError> {
        self.ask(|answer| Command::Refused { answer }).await
    }

    /// Queues one refused event, or all of them, anew: same id, new number. Answers how many.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn retry(&self, sequence: Option<u64>, now: Moment) -> Result<u64, StoreError> {
        self.ask(|answer| Command::Retry { sequence, now, answer }).await
    }

    /// Lets a refused event go for good, with an entry in the ledger.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn drop_refused(&self, sequence: u64, why: String, now: Moment) -> Result<Dropped, StoreError> {
        let dropped = self.ask(|answer| Command::Drop { sequence, why, now, answer }).await?;
        Ok(match dropped {
            0 => Dropped::Unknown,
            1 => Dropped::Gone,
            _ => Dropped::Held,
        })
    }

    /// Makes, renews or ends a hold; its number, or `None` if there is none of that number or there are too many.
    ///
    /// # Errors
    /// Any [`StoreError`]: nothing has changed.
    pub async fn hold(&self, change: HoldChange, now: Moment) -> Result<Option<u64>, StoreError> {
        self.ask(|answer| Command::Hold { change, now, answer }).await.map(|number| Some(number).filter(|n| 0 < *n))
    }

    /// All holds by number, each with what is left of it, ms. Those that ended by themselves are among them until
    /// [`HoldChange::End`] takes them away.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn holds(&self) -> Result<Vec<(Hold, u64)>, StoreError> {
        self.ask(|answer| Command::Holds { answer }).await
    }

    /// How many reads each hold keeps among the events after sequence `after`, a part of the file at a time: ask for
    /// the next part until there is none.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn held(&self, after: u64) -> Result<HeldPart, StoreError> {
        self.ask(|answer| Command::Held { after, answer }).await
    }

    /// All sites that the stamps of kept reads name.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn sites(&self) -> Result<BTreeSet<u64>, StoreError> {
        self.ask(|answer| Command::Sites { answer }).await
    }

    /// All reads captured in the span that are still kept, sent or not, with their newest stamp; oldest first.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn open_stamps(&self, captured_from: Utc, captured_to: Utc) -> Result<Vec<OpenStamp>, StoreError> {
        self.ask(|answer| Command::OpenStamps { captured_from, captured_to, answer }).await
    }

    /// Replaces stamps of waiting reads; for reads that were sent, queues stamp events. Answers how many events were
    /// queued.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn restamp(&self, stamps: Vec<LaterStamp>, now: Moment) -> Result<u64, StoreError> {
        self.ask(|answer| Command::Restamp { stamps, now, answer }).await
    }

    /// Keeps a small value durably under a key (state of the site keeper, place lines).
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn keep(&self, key: &'static str, value: Vec<u8>) -> Result<(), StoreError> {
        self.ask(|answer| Command::Keep { key, value, answer }).await
    }

    /// What was kept last under a key.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn kept(&self, key: &'static str) -> Result<Option<Vec<u8>>, StoreError> {
        self.ask(|answer| Command::Kept { key, answer }).await
    }

    /// Deletes what has reached its age limit, a slice at a time, and queues ledger events for what went without a
    /// receipt.
    /// Answers how many rows went; call again soon if it was many.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn retire(&self, now: Moment) -> Result<u64, StoreError> {
        self.ask(|answer| Command::Retire { now, answer }).await
    }

    /// Figures for health and watchdog.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn figures(&self) -> Result<QueueFigures, StoreError> {
        self.ask(|answer| Command::Figures { answer }).await
    }

    /// The receiver has heard of sequence `known` of this generation. If this file has not given it out, it is an older
    /// copy: the process ends, and its next start sets the file aside and begins a new generation.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn went_backwards(&self, known: u64) -> Result<(), StoreError> {
        self.ask(|answer| Command::WentBackwards { known, answer }).await
    }

    /// The secret of this store by which ids are derived from reads that have none.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn id_key(&self) -> Result<[u8; 32], StoreError> {
        self.ask(|answer| Command::IdKey { answer }).await
    }

    /// Reads the key files for sealing anew, and uses new content keys from now on.
    ///
    /// # Errors
    /// [`StoreError::Seal`] if nothing is sealed here or a key file is not right.
    pub async fn rotate_keys(&self) -> Result<(), StoreError> {
        self.ask(|answer| Command::RotateKeys { answer }).await
    }

    /// Drains, checkpoints and ends the store's thread.
    ///
    /// # Errors
    /// Any [`StoreError`] of the last checkpoint.
    pub async fn close(&self) -> Result<(), StoreError> {
        self.ask(|answer| Command::Close { answer }).await
    }

    pub(super) async fn change(&self, write: images::Write) -> Result<u64, StoreError> {
        self.ask(|answer| Command::Images { write, answer }).await
    }

    pub(super) async fn look<T>(&self, look: impl FnOnce(Answer<T>) -> images::Look) -> Result<T, StoreError> {
        self.ask(|answer| Command::LookAtImages(look(answer))).await
    }

    async fn ask<T>(&self, command: impl FnOnce(Answer<T>) -> Command) -> Result<T, StoreError> {
        let (answer, answered) = oneshot::channel();
        self.commands.send(command(answer)).await.map_err(|_| StoreError::Stopped)?;
        answered.await.map_err(|_| StoreError::Stopped)?
    }

    /// A fresh id for an event that this program makes itself (RFC 9562 version 7: sorted by time).
    #[must_use]
    pub fn new_event_id() -> EventId {
        EventId(uuid::Uuid::now_v7().into_bytes())
    }
}
