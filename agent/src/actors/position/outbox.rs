//! What the position actor has for the store, written in order beside its main loop.

use super::places::{Answer, TowAnswer};
use super::time::CLOCK_KEY;
use super::{MEMORY_KEY, RATE_KEY, SEEN_KEY, memory_form};
use crate::actors::messages::{PlaceProblem, PlaceRow};
use crate::clock;
use crate::store::{LaterStamp, NewEvent, OpenStamp, StoreError, StoreHandle};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::position::PositionView;
use pintle_core::position::keeper::{KeeperAction, SiteKeeper};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::read::stamp::{StampBasis, StampState, stamp};
use pintle_core::wire::notice::NoticeBody;
use pintle_core::wire::site::SiteBody;
use pintle_core::wire::stamp::{ClockBody, StampBody};
use pintle_core::wire::track::TrackBody;
use serde::Serialize;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// Jobs that may wait for the store (our own limit: over an hour of a tow with a disk that takes nothing).
const JOBS_MAX: usize = 2048;
/// While fewer than this have room, track points and refinements are left out: what follows them tells the same.
const ROOM_FOR_ALARMS: usize = 512;
/// Pause after a write that failed, ms.
const RETRY_MS: u64 = 1000;
/// A stretch whose stamps change is taken this much wider, ms: the engine's capture times and ours may differ by a
/// frame.
const MARGIN_MS: i64 = 1000;
/// A capture time that is off by no more than this is not told anew, ms: the second of a GPS receiver comes up to a
/// second late (our own limit).
pub(super) const REDATED_MS: i64 = 1000;
/// Stamps written in one transaction: reads wait meanwhile (our own limit).
const RESTAMPED_AT_ONCE: usize = 500;

/// One thing to write.
pub(super) enum Job {
    Event(NewEvent),
    /// Reads captured between two instants get the stamp that this view gives them.
    Restamp {
        from: Mono,
        to: Mono,
        view: Arc<PositionView>,
    },
    /// Reads accepted after a sequence and captured since an instant get the capture time that is known now. The place
    /// of those up to another sequence stays: an earlier process has told it.
    Redate {
        after: u64,
        placed_up_to: u64,
        from: Mono,
        view: Arc<PositionView>,
    },
    /// The keeper's memory; whoever waits for it is answered when it is durable.
    Keep {
        memory: Vec<u8>,
        then: Option<(Answer, Vec<PlaceRow>)>,
    },
    /// The speed of the GPS receiver's line, for the next start.
    Rate(u32),
    /// When the trailer was seen at its site last.
    Seen(Vec<u8>),
    /// What is remembered of the clock.
    KeepClock(Vec<u8>),
    Answer(Answer, Vec<PlaceRow>),
    /// All that was put before it is durable: the announcement of a tow and the notice of it.
    TowAnswer(TowAnswer, Arc<PositionView>),
}

impl Job {
    pub(super) fn keep(keeper: &SiteKeeper) -> Self {
        Self::Keep { memory: memory_form::to_bytes(&keeper.memory()), then: None }
    }

    pub(super) fn keep_and_answer(keeper: &SiteKeeper, answer: Answer, rows: Vec<PlaceRow>) -> Self {
        Self::Keep { memory: memory_form::to_bytes(&keeper.memory()), then: Some((answer, rows)) }
    }

    /// Somebody waits for it and is told at once if it fails.
    fn is_awaited(&self) -> bool {
        matches!(self, Self::Keep { then: Some(_), .. })
    }

    fn may_be_left_out(&self) -> bool {
        matches!(self, Self::Event(event) if event.kind == EventKind::Track)
    }
}

/// The actor's end.
pub(super) struct Outbox {
    jobs: mpsc::Sender<Job>,
}

impl Outbox {
    pub(super) fn new() -> (Self, mpsc::Receiver<Job>) {
        let (jobs, waiting) = mpsc::channel(JOBS_MAX);
        (Self { jobs }, waiting)
    }

    pub(super) fn put(&self, job: Job) {
        if job.may_be_left_out() && self.jobs.capacity() < ROOM_FOR_ALARMS {
            return;
        }
        if self.jobs.try_send(job).is_err() {
            tracing::error!("the store takes nothing and {JOBS_MAX} jobs of the position wait; one was dropped");
        }
    }

    /// Everything that the keeper's actions ask for. `view` was published after them.
    pub(super) fn put_actions(
        &self,
        actions: &[KeeperAction],
        now: &Moment,
        view: &Arc<PositionView>,
        keeper: &SiteKeeper,
    ) {
        let mut keep = false;
        for action in actions {
            if let Some(notice) = NoticeBody::of_keeper(action, now) {
                self.notice(&notice, now);
            }
            match action {
                KeeperAction::State { from, to, reason } => {
                    tracing::info!("site keeper: {} after {}: {reason}", to.word(), from.word());
                }
                KeeperAction::SiteFound { site, returned_to, reason, .. } => {
                    let body = SiteBody::new(site, "found", *returned_to, reason);
                    self.event(EventKind::Site, Lane::Bulk, now.utc, &body);
                }
                KeeperAction::SiteRefined { site } => {
                    let body = SiteBody::new(site, "refined", None, "the anchor is known better");
                    self.event(EventKind::Site, Lane::Bulk, now.utc, &body);
                }
                KeeperAction::Hopped { site, reason, .. } => {
                    self.event(EventKind::Site, Lane::Bulk, now.utc, &SiteBody::new(site, "refined", None, reason));
                }
                KeeperAction::Left { site, reason, .. } | KeeperAction::MovedWhileOff { site, reason, .. } => {
                    self.event(EventKind::Site, Lane::Bulk, now.utc, &SiteBody::new(site, "left", None, reason));
                }
                KeeperAction::TrackPoint { position, radius95_m, speed_mps, at, announced } => {
                    let back_ms = i64::try_from(now.mono.since_ms(*at)).unwrap_or(0);
                    let utc = now.utc.plus_ms(-back_ms);
                    let body = TrackBody::new(*position, *radius95_m, *speed_mps, utc, *announced);
                    // Whoever looks for a stolen trailer needs the points at once.
                    let lane = if *announced { Lane::Bulk } else { Lane::Urgent };
                    self.event(EventKind::Track, lane, utc, &body);
                }
                KeeperAction::Restamp { from, to, reason } => {
                    tracing::info!("later stamps are due: {reason}");
                    self.put(Job::Restamp { from: *from, to: *to, view: Arc::clone(view) });
                }
                KeeperAction::Keep => keep = true,
                KeeperAction::Verified { .. }
                | KeeperAction::DoubtBegan { .. }
                | KeeperAction::DoubtEnded { .. }
                | KeeperAction::Halted { .. }
                | KeeperAction::TowBegun { .. }
                | KeeperAction::TowEnded { .. } => {}
            }
        }
        if keep {
            self.put(Job::keep(keeper));
        }
    }

    /// A notice, urgent or not.
    pub(super) fn notice(&self, notice: &NoticeBody, now: &Moment) {
        let lane = if notice.hurries() { Lane::Urgent } else { Lane::Bulk };
        self.event(EventKind::Notice, lane, now.utc, notice);
    }

    fn event(&self, kind: EventKind, lane: Lane, happened_at: Utc, body: &impl Serialize) {
        self.put(Job::Event(NewEvent::own(kind, lane, happened_at, body)));
    }
}

/// Writes jobs in their order until the actor's end is dropped. A write that fails is tried again until it succeeds, or
/// until `stop`. Reads up to the sequence `placed_up_to` were accepted under an earlier keeper: a place that it told
/// stays.
pub(super) async fn write(
    store: StoreHandle,
    placed_up_to: u64,
    published: watch::Receiver<Arc<PositionView>>,
    mut jobs: mpsc::Receiver<Job>,
    stop: CancellationToken,
) {
    // Why something was given up that nobody waited for; only at the end of the store, or at a stop.
    let mut given_up: Option<StoreError> = None;
    while let Some(job) = jobs.recv().await {
        let mut told = false;
        let result = loop {
            let trust = published.borrow().utc_trust;
            let Err(error) = write_one(&store, &job, placed_up_to, trust).await else { break Ok(()) };
            let over = matches!(error, StoreError::Stopped) || stop.is_cancelled() || job.is_awaited();
            if !told {
                tracing::error!(%error, "the position can't be written; {}", error.advice());
                told = true;
            }
            if over {
                break Err(error);
            }
            tokio::time::sleep(Duration::from_millis(RETRY_MS)).await;
        };
        if let Job::TowAnswer(answer, view) = job {
            let answered = match &given_up {
                None => Ok(view),
                Some(error) => Err(not_kept(error)),
            };
            // Whoever asked may have gone.
            drop(answer.send(answered));
        } else if let Job::Keep { then: Some((answer, rows)), .. } | Job::Answer(answer, rows) = job {
            let answered = match result {
                Ok(()) => Ok(rows),
                Err(error) => Err(not_kept(&error)),
            };
            // Whoever asked may have gone.
            drop(answer.send(answered));
        } else if let Err(error) = result {
            given_up = Some(error);
        }
    }
}

fn not_kept(error: &StoreError) -> PlaceProblem {
    let detail = format!("it holds only until the next restart, because {error}; {}", error.advice());
    PlaceProblem { detail }
}

async fn write_one(store: &StoreHandle, job: &Job, placed_up_to: u64, trust: UtcTrust) -> Result<(), StoreError> {
    match job {
        Job::Event(event) => store.accept(vec![event.clone()], clock::moment(trust)).await.map(drop),
        Job::Restamp { from, to, view } => restamp(store, (*from, *to), (0, placed_up_to), view).await,
        Job::Redate { after, placed_up_to, from, view } => {
            restamp(store, (*from, clock::mono()), (*after, *placed_up_to), view).await
        }
        Job::KeepClock(memory) => store.keep(CLOCK_KEY, memory.clone()).await,
        Job::Keep { memory, .. } => store.keep(MEMORY_KEY, memory.clone()).await,
        Job::Seen(seen) => store.keep(SEEN_KEY, seen.clone()).await,
        Job::Rate(rate) => store.keep(RATE_KEY, rate.to_string().into_bytes()).await,
        Job::Answer(..) | Job::TowAnswer(..) => Ok(()),
    }
}

/// Gives the reads of a stretch that is decided now their later stamp, those accepted after the sequence `after`. The
/// place of those up to `placed_up_to` stays, if they have one.
async fn restamp(
    store: &StoreHandle,
    (from, to): (Mono, Mono),
    (after, placed_up_to): (u64, u64),
    view: &PositionView,
) -> Result<(), StoreError> {
    let Some((first, last)) = view.eras.utc_span(from, to) else { return Ok(()) };
    let now = clock::moment(view.utc_trust);
    let open = store.open_stamps(first.plus_ms(-MARGIN_MS), last.plus_ms(MARGIN_MS)).await?;
    let later = |open: &OpenStamp, view: &PositionView, now: &Moment| {
        later_stamp(open, open.sequence <= placed_up_to, view, now)
    };
    let mut later: Vec<LaterStamp> =
        open.iter().filter(|open| after < open.sequence).filter_map(|open| later(open, view, &now)).collect();
    while !later.is_empty() {
        let rest = later.split_off(later.len().min(RESTAMPED_AT_ONCE));
        let count = store.restamp(later, now).await?;
        tracing::info!(count, "reads got a later stamp");
        later = rest;
    }
    Ok(())
}

/// The stamp that `view` gives a read; `None` if it says the same as the one it has.
fn later_stamp(open: &OpenStamp, keeps_place: bool, view: &PositionView, now: &Moment) -> Option<LaterStamp> {
    let before: StampBody = serde_json::from_slice(&open.stamp).ok()?;
    let revision = before.stamp_revision.saturating_add(1);
    let stamp = stamp(&open.camera, open.captured_at, revision, &StampBasis { view, now });
    let mut body = StampBody::from(&stamp);
    body.clock.capture_far_s = before.clock.capture_far_s; // known only when the read was accepted
    // An earlier process may have told no place at all, as in safe mode.
    let keeps_place = keeps_place && (before.place.state != "none" || stamp.state == StampState::None);
    if keeps_place {
        body.place = before.place.clone();
    }
    if body.place == before.place && !tells_another_time(&body.clock, &before.clock) {
        return None;
    }
    Some(LaterStamp {
        sequence: open.sequence,
        event_id: StoreHandle::new_event_id(),
        revision,
        stamp: serde_json::to_vec(&body).ok()?,
        open: if keeps_place { body.place.state != "certain" } else { stamp.state != StampState::Certain },
    })
}

/// Whether a capture time is another one by more than [`REDATED_MS`], or a corrected one has become surer.
fn tells_another_time(now: &ClockBody, before: &ClockBody) -> bool {
    let told = |clock: &ClockBody| clock.captured_at_corrected.as_deref().and_then(Utc::parse_rfc3339);
    match (told(now), told(before)) {
        (None, None) => false,
        (Some(now_told), Some(before_told)) => {
            REDATED_MS < now_told.since_ms(before_told).abs() || now.trust != before.trust
        }
        _ => true,
    }
}
