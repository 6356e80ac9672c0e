//! The third lane: pictures, on a connection of their own, after their reads. It stops while reads wait, while the link
//! or the receiver is in trouble, and when the day's data is used up; reads never wait for it. What somebody between
//! the trailer and the agency has is not sent until its receipt comes; without one it is asked for again.

use super::board::Board;
use super::{LOOK_EVERY, roll, saving};
use crate::clock;
use crate::config;
use crate::io::http::images::{ImageAnswer, ImagePart};
use crate::io::pictures::PictureWay;
use crate::io::tls::TlsTime;
use crate::store::{DueImage, ImageFate, StoreError, StoreHandle};
use pintle_core::forward::answer::NoAnswer;
use pintle_core::forward::backoff::pause_ms;
use pintle_core::images::Address;
use pintle_core::images::put_off::{PutOff, Why};
use pintle_core::images::send::{
    Budget, ImagesView, PART_BYTES, READS_WAITING_MAX, REQUEST_BYTES, is_thin, order_under,
};
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::queue::Never;
use pintle_core::wire::images::{PictureReceipt, PictureResult};
use std::collections::HashMap;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use super::super::heartbeat::Heartbeat;

/// Under this key the store keeps what was used of the day's data.
const BUDGET_KEY: &str = "images.budget";
/// First pause after a failure, ms; it doubles up to `receiver.retry_ms_max`.
const RETRY_MS: u64 = 1000;
/// So many may be handed over without a receipt; then the lane waits for receipts (our own limit: at 200 kB each it is
/// 50 MB at a consumer that is away).
const HANDED_MAX: usize = 256;
/// What waits is counted this often, ms: it is a scan of the rows that are due.
const COUNT_EVERY_MS: u64 = 5000;
/// Pause while reads go first.
const READS_FIRST: Duration = Duration::from_millis(500);
/// An answer that makes no sense is borne so often for one picture in a row.
const ODD_MAX: u32 = 5;

pub(super) struct ImageLane {
    pub(super) receiver: config::Receiver,
    pub(super) budget_mb_day: u64,
    pub(super) source: String,
    pub(super) store: StoreHandle,
    pub(super) board: Arc<Board>,
    pub(super) link: watch::Receiver<LinkView>,
    pub(super) link_report: watch::Receiver<LinkReport>,
    pub(super) time: TlsTime,
    pub(super) position: watch::Receiver<Arc<PositionView>>,
    pub(super) heartbeat: Heartbeat,
}

/// Where the way carries no pictures: tells it of those whose turn has come, soon of the first and then a few times an
/// hour, so that nobody waits for them at the agency.
pub(super) struct NoImages {
    pub(super) store: StoreHandle,
    pub(super) position: watch::Receiver<Arc<PositionView>>,
    pub(super) heartbeat: Heartbeat,
}

/// Why pictures wait where the broker refuses a right; which one is said beside it.
const NO_RIGHT: &str = "the broker refuses a right that pictures need";
/// After it was told that pictures are not carried, the next time is not before this, ms (our own limit: six ledger
/// events an hour).
const NOT_CARRIED_EVERY_MS: u64 = 600_000;

impl NoImages {
    pub(super) async fn run(self, stop: CancellationToken) {
        let mut next = 0;
        while tokio::time::timeout(LOOK_EVERY, stop.cancelled()).await.is_err() {
            self.heartbeat.turn();
            let now = clock::mono().0;
            if now < next {
                continue;
            }
            let moment = clock::moment(self.position.borrow().utc_trust);
            match self.store.images_not_carried(moment).await {
                Ok(0) => {}
                // More than one slice waits: the rest follows at once.
                Ok(told) => next = if told < 1000 { now.saturating_add(NOT_CARRIED_EVERY_MS) } else { now },
                Err(StoreError::Stopped) => return,
                Err(_) => {}
            }
        }
    }
}

/// How the work on one picture ended.
enum End {
    /// The receiver has it.
    Sent,
    /// Somebody between has it.
    Handed,
    /// It will never go.
    Never(Never, &'static str),
    /// Not now, the others may.
    Skip(Why),
    /// Not now, and the others neither.
    Pause(&'static str),
    /// Reads, budget or link come first; it goes on where it was.
    Yield,
}

struct State {
    way: Option<PictureWay>,
    budget: Budget,
    thin: bool,
    failures: u32,
    odd: u32,
    counted: u64,
    put_off: PutOff,
    /// Handed over, and until when a receipt is waited for, ms.
    handed: HashMap<Address, u64>,
    view: ImagesView,
    told: Option<&'static str>,
}

impl ImageLane {
    pub(super) async fn run(self, stop: CancellationToken) {
        let kept = self.store.kept(BUDGET_KEY).await.ok().flatten().unwrap_or_default();
        let mut state = State {
            way: None,
            budget: Budget::from_bytes(&kept),
            thin: true,
            failures: 0,
            odd: 0,
            counted: 0,
            put_off: PutOff::default(),
            handed: HashMap::new(),
            view: ImagesView::default(),
            told: None,
        };
        loop {
            let pause = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                pause = self.turn(&mut state) => match pause {
                    Ok(pause) => pause,
                    Err(StoreError::Stopped) => return,
                    Err(_) => LOOK_EVERY,
                },
            };
            self.heartbeat.turn();
            self.board.images(state.view);
            let said = tokio::select! {
                () = stop.cancelled() => return,
                said = receipts_of(&mut state.way) => said,
                () = tokio::time::sleep(pause.min(LOOK_EVERY)) => continue,
                () = self.board.delivered(), if state.failures == 0 => continue,
            };
            if matches!(self.said_later(&mut state, &said).await, Err(StoreError::Stopped)) {
                return;
            }
        }
    }

    /// Takes receipts for what was handed over. What is not written down is asked for again once its time is over.
    async fn said_later(&self, state: &mut State, said: &[PictureReceipt]) -> Result<(), StoreError> {
        for receipt in said {
            let Some(address) = Address::parse(&receipt.sha256).filter(|it| state.handed.contains_key(it)) else {
                continue;
            };
            match receipt.result {
                PictureResult::Stored => {
                    self.store.image_fate(address, ImageFate::Sent, self.now()).await?;
                    state.handed.remove(&address);
                    state.view.sent += 1;
                }
                // It is asked now, and says what to do: damaged on its way, or never.
                PictureResult::Refused => drop(state.handed.remove(&address)),
                PictureResult::Unknown => {}
            }
        }
        Ok(())
    }

    /// Sends one picture, or says how long to wait.
    async fn turn(&self, state: &mut State) -> Result<Duration, StoreError> {
        let now = clock::mono().0;
        if COUNT_EVERY_MS <= now.saturating_sub(state.counted) {
            state.counted = now;
            state.view.due = self.store.image_counts().await?.due;
        }
        state.put_off.sweep(Mono(now));
        state.handed.retain(|_, until| now < *until);
        if HANDED_MAX <= state.handed.len() || self.budget_mb_day == 0 {
            return Ok(LOOK_EVERY);
        }
        let skip = state.put_off.waiting(Mono(now)).chain(state.handed.keys().copied()).collect();
        let ranks = state.put_off.open_ranks(order_under(state.thin, saving(&self.link_report)), Mono(now));
        if ranks.is_empty() {
            return Ok(LOOK_EVERY);
        }
        let Some(due) = self.store.due_image(ranks, skip).await? else { return Ok(LOOK_EVERY) };
        if !self.may_send(state).await? {
            return Ok(if state.view.budget_spent { LOOK_EVERY } else { READS_FIRST });
        }
        let end = self.send(state, due).await?;
        if !matches!(end, End::Pause(_)) {
            state.failures = 0;
            state.told = None;
        }
        match end {
            End::Sent => {
                state.odd = 0;
                state.put_off.settled(&due.address);
                self.store.image_fate(due.address, ImageFate::Sent, self.now()).await?;
                state.view.sent += 1;
            }
            End::Handed => {
                state.odd = 0;
                let wait_ms = self.receiver.broker.receipt_wait_s.saturating_mul(1000);
                state.handed.insert(due.address, clock::mono().0.saturating_add(wait_ms));
            }
            End::Never(never, why) => {
                state.odd = 0;
                state.put_off.settled(&due.address);
                self.never(due, never, why).await?;
            }
            End::Skip(why) => {
                state.odd = 0;
                if state.put_off.put_off(due.address, due.rank, why, Mono(now)) {
                    let why = "the receiver has given a receipt for its read, and does not know that read any more";
                    self.never(due, Never::Refused, why).await?;
                } else {
                    info!(sequence = due.sequence, "a picture is put off: the receiver does not take it now");
                }
            }
            End::Pause(why) => {
                state.failures = state.failures.saturating_add(1);
                if state.told.replace(why) != Some(why) {
                    info!(why, "pictures wait");
                }
                let ms = RETRY_MS + pause_ms(state.failures, RETRY_MS, self.receiver.retry_ms_max, roll());
                return Ok(Duration::from_millis(ms));
            }
            End::Yield => {}
        }
        Ok(Duration::ZERO)
    }

    async fn never(&self, due: DueImage, never: Never, why: &'static str) -> Result<(), StoreError> {
        warn!(sequence = due.sequence, why, "a picture will not be sent");
        self.store.image_fate(due.address, ImageFate::Never(never), self.now()).await.map(|_| ())
    }

    fn now(&self) -> Moment {
        clock::moment(self.position.borrow().utc_trust)
    }

    /// Whether nothing comes before pictures now.
    async fn may_send(&self, state: &mut State) -> Result<bool, StoreError> {
        let left = state.budget.left(clock::utc(), self.budget_mb_day.saturating_mul(1_000_000));
        state.view.budget_spent = left < PART_BYTES.min(self.budget_mb_day.saturating_mul(1_000_000));
        let link_is_gone = matches!(*self.link.borrow(), LinkView::Absent { .. } | LinkView::Down { .. });
        if state.view.budget_spent || link_is_gone || self.board.in_trouble() {
            return Ok(false);
        }
        Ok(self.store.figures().await?.counts.waiting <= READS_WAITING_MAX)
    }

    async fn send(&self, state: &mut State, due: DueImage) -> Result<End, StoreError> {
        let mut way = match state.way.take() {
            Some(way) => way,
            None => match PictureWay::open(&self.receiver, &self.source, &self.time).await {
                Ok(way) => way,
                Err(NoAnswer::OwnFile) => return Ok(End::Pause("our own certificate or token file can't be used")),
                Err(NoAnswer::NoRight) => return Ok(End::Pause(NO_RIGHT)),
                Err(NoAnswer::NoStream) => return Ok(End::Pause("there is no bucket for pictures")),
                Err(_) => return Ok(End::Pause("the receiver does not answer")),
            },
        };
        let mut answer = way.state(&self.source, due.address, due.bytes).await;
        self.spend(state, 0).await?;
        let end = loop {
            let offset = match judged(&answer, due) {
                Ok(offset) => offset,
                Err(End::Yield) => {
                    state.odd += 1;
                    break if state.odd < ODD_MAX { End::Yield } else { End::Skip(Why::Other) };
                }
                Err(end) => break end,
            };
            if !self.may_send(state).await? {
                break End::Yield;
            }
            let bytes = match self.part(due.address, offset).await {
                Ok(bytes) if !bytes.is_empty() => bytes,
                Ok(_) => break End::Never(Never::Lost, "its file is shorter than it was"),
                Err(error) if error.kind() == io::ErrorKind::NotFound => {
                    break End::Never(Never::Lost, "its file is gone");
                }
                Err(_) => break End::Pause("its file can't be read"),
            };
            let (len, began) = (bytes.len() as u64, clock::mono());
            let part = ImagePart { address: due.address, first: offset, all: due.bytes, bytes };
            answer = way.put(&self.source, part).await;
            self.heartbeat.turn();
            self.spend(state, len).await?;
            if matches!(&answer, Ok(said) if said.status < 300) {
                state.thin = is_thin(len, clock::mono().since_ms(began));
            }
        };
        if matches!(end, End::Pause(NO_RIGHT))
            && state.told != Some(NO_RIGHT)
            && let Some(fault) = way.refused()
        {
            warn!(%fault, advice = fault.advice(), "pictures wait");
        }
        if !matches!(end, End::Pause(_)) {
            // After trouble the files that the way was made of are read anew.
            state.way = Some(way);
        }
        Ok(end)
    }

    async fn part(&self, address: Address, offset: u64) -> io::Result<Vec<u8>> {
        let blobs = Arc::clone(self.store.blobs());
        tokio::task::spawn_blocking(move || blobs.part(&address, offset, PART_BYTES)).await.map_err(io::Error::other)?
    }

    /// Counts data before it matters whether it arrived: the plan's meter does the same.
    async fn spend(&self, state: &mut State, bytes: u64) -> Result<(), StoreError> {
        state.budget.spend(bytes + REQUEST_BYTES);
        self.store.keep(BUDGET_KEY, state.budget.to_bytes()).await
    }
}

/// Where to go on, or how it ends. [`End::Yield`] stands for an answer that makes no sense.
fn judged(answer: &Result<ImageAnswer, NoAnswer>, due: DueImage) -> Result<u64, End> {
    match answer {
        Err(NoAnswer::OwnFile) => Err(End::Pause("our own token file can't be used")),
        Err(NoAnswer::NoRight) => Err(End::Pause(NO_RIGHT)),
        Err(_) => Err(End::Pause("the receiver does not answer")),
        Ok(said) => match (said.status, said.offset) {
            (200..=299, _) if said.handed => Err(End::Handed),
            (200..=299, _) if said.complete => Err(End::Sent),
            (200..=299 | 409 | 422, Some(offset)) if offset < due.bytes => {
                if said.status == 422 {
                    Err(End::Yield)
                } else {
                    Ok(offset)
                }
            }
            (404, _) if said.unknown => Err(End::Skip(Why::Unknown)),
            // Somebody else may stand at its door, or it takes no pictures at all.
            (404 | 405 | 409 | 501, _) => Err(End::Skip(Why::Other)),
            (413 | 415, _) => Err(End::Never(Never::Refused, "the receiver does not take it")),
            (200..=299 | 400 | 422, _) => Err(End::Yield),
            (401 | 403, _) => Err(End::Pause("the receiver does not let this trailer in")),
            _ => Err(End::Pause("the receiver can't take pictures now")),
        },
    }
}

/// Waits for ever while there is no way.
async fn receipts_of(way: &mut Option<PictureWay>) -> Vec<PictureReceipt> {
    match way {
        Some(way) => way.receipts().await,
        None => std::future::pending().await,
    }
}
