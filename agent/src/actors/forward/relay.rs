//! The task of the second receiver: while the first one fails or is late, urgent events go there as they come, as
//! copies. Nothing of them is settled by it: the first receiver gets them all the same.

use super::batch::{Batch, Maker};
use super::board::Board;
use super::outcome::{alive, captured, latency_ms, reply_of};
use super::{ANSWER_BYTES, LOOK_EVERY, RECEIPT_BYTES, STORE_PAUSE, roll};
use crate::actors::heartbeat::Heartbeat;
use crate::clock;
use crate::config::UrgentRelay;
use crate::io::http::Client;
use crate::io::target::{Handed, Handover, Target as _, TargetError};
use crate::io::tls::TlsTime;
use crate::store::{StoreError, StoreHandle};
use pintle_core::forward::answer::{Pause, Proof, Verdict, judge};
use pintle_core::forward::lane::Limits;
use pintle_core::forward::relay::{Relay, RelayView};
use pintle_core::link::LinkView;
use pintle_core::link::evidence::Traffic;
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::wire::stamp::UtcNow;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{broadcast, watch};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// Urgent events in one request, as in the urgent lane.
const EVENTS_MAX: usize = pintle_core::forward::lane::EVENTS_URGENT_MAX;

/// What the task needs.
pub(super) struct RelayLane {
    pub(super) relay: UrgentRelay,
    /// `receiver.retry_ms_max`
    pub(super) retry_ms_max: u64,
    /// `receiver.batch_bytes_max`
    pub(super) bytes_max: usize,
    pub(super) source: String,
    pub(super) store: StoreHandle,
    pub(super) board: Arc<Board>,
    pub(super) link: watch::Receiver<LinkView>,
    pub(super) position: watch::Receiver<Arc<PositionView>>,
    /// By which certificates are judged.
    pub(super) time: TlsTime,
    pub(super) heartbeat: Heartbeat,
    /// Where the times of hits are counted.
    pub(super) traffic: broadcast::Sender<Traffic>,
}

/// What changes from turn to turn.
struct State {
    core: Relay,
    client: Option<Client>,
    view: RelayView,
    link_watched: bool,
}

/// Why the task waits.
enum Wait {
    /// Until then, or for news.
    Until(Mono),
    /// For news: the first receiver is well, or nothing is left to relay.
    News,
}

impl RelayLane {
    pub(super) async fn run(mut self, stop: CancellationToken) {
        let limits = Limits {
            events_max: EVENTS_MAX,
            bytes_max: self.bytes_max,
            answer_wait_ms: self.relay.receiver.answer_wait_ms,
            retry_ms_max: self.retry_ms_max,
        };
        let core = Relay::new(self.relay.after_ms, limits);
        let mut state = State { core, client: None, view: RelayView::default(), link_watched: true };
        loop {
            let turn = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                turn = self.turn(&mut state) => turn,
            };
            self.heartbeat.turn();
            self.board.relay(&state.view);
            let left = match turn {
                Ok(Wait::Until(at)) => Duration::from_millis(at.since_ms(clock::mono())),
                Ok(Wait::News) => LOOK_EVERY,
                Err(StoreError::Stopped) => return,
                Err(_) => STORE_PAUSE,
            };
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                changed = self.link.changed(), if state.link_watched => {
                    state.link_watched = changed.is_ok();
                    if matches!(*self.link.borrow_and_update(), LinkView::Up { .. }) {
                        state.core.link_up(clock::mono());
                    }
                }
                () = self.board.first_changed() => {}
                () = self.store.arrivals().relay.notified() => {}
                () = tokio::time::sleep(left.min(LOOK_EVERY)) => {}
            }
        }
    }

    /// Relays one request's worth of events if it is due.
    async fn turn(&self, state: &mut State) -> Result<Wait, StoreError> {
        let now = clock::mono();
        let due = state.core.due(self.board.first());
        let active = due.is_some_and(|due| due <= now);
        if state.view.active != active {
            state.view.active = active;
            if active {
                info!("the first receiver fails or is late: urgent events go to the second one, too");
            } else {
                info!("urgent events go to the first receiver alone again");
            }
        }
        match due {
            None => return Ok(Wait::News),
            Some(due) if !active => return Ok(Wait::Until(due)),
            Some(_) => {}
        }
        let ask = match state.core.ask(now) {
            Ok(ask) => ask,
            Err(until) => return Ok(Wait::Until(until)),
        };
        let generation = self.store.figures().await?.generation;
        let skips = state.core.skips(&generation, now);
        let copies = self.store.urgent_copies(skips, ask.events_max, ask.bytes_max, self.now()).await?;
        if copies.is_empty() {
            return Ok(Wait::News);
        }
        let maker = Maker { store: self.store.clone(), source: self.source.clone(), bytes_max: self.bytes_max };
        // What does not fit goes with the next; what can't be written is told by the lane that settles it.
        let made = maker.make(copies).await.map_err(|(error, _)| error)?;
        match made.batch {
            Some(batch) if batch.generation == generation => {
                self.send(state, &batch).await;
                Ok(Wait::Until(clock::mono()))
            }
            Some(_) => Ok(Wait::Until(clock::mono())),
            None => Ok(Wait::News),
        }
    }

    async fn send(&self, state: &mut State, batch: &Batch) {
        let began = clock::mono();
        let replied = self.request(state, batch).await;
        let (reply, own) = reply_of(&replied);
        let now = self.now();
        let verdict = judge(&batch.key, &batch.sent(), &reply, Proof::Receipts, now.utc);
        if matches!(verdict, Verdict::Closed { pause: Pause::Long, .. }) {
            // A person has to act, perhaps on a certificate file: the next try reads the files again.
            state.client = None;
        }
        let mut relayed = state.core.apply(&batch.sequences(), verdict, now.mono.since_ms(began), now.mono, roll());
        if let Some(fault) = own {
            relayed.trouble = Some(format!("{fault}: {}", fault.advice()));
        }
        let is_hit = |number: u64| {
            let event = batch.events.iter().find(|event| event.sequence == number)?;
            captured(event).map(|captured| (event.id, latency_ms(&captured, &self.position)))
        };
        // The officer asks when the agency had it, whichever of its receivers that was.
        let hits = self.board.relayed(relayed.taken_numbers.iter().filter_map(|number| is_hit(*number)).collect());
        let view = &mut state.view;
        view.hits_first += hits.len() as u64;
        if !hits.is_empty() {
            drop(self.traffic.send(Traffic::Hits(hits)));
        }
        view.relayed += relayed.taken;
        view.refused += relayed.refused;
        if 0 < relayed.taken + relayed.refused {
            view.last_receipt = Some((now.mono, now.utc));
        }
        match (&view.trouble, &relayed.trouble) {
            (before, Some(trouble)) if before.as_ref() != Some(trouble) => {
                warn!(trouble, "urgent events do not get through to the second receiver");
            }
            (Some(_), None) => info!("urgent events get through to the second receiver again"),
            _ => {}
        }
        view.trouble = relayed.trouble;
        view.failing_since = state.core.failing_since().map(|since| {
            let ago_ms = i64::try_from(now.mono.since_ms(since)).unwrap_or(i64::MAX);
            (since, now.utc.plus_ms(-ago_ms))
        });
    }

    /// Opens the client if there is none, and sends; shows life while it waits, since the request has its own deadline.
    async fn request(&self, state: &mut State, batch: &Batch) -> Result<Handed, TargetError> {
        let sent_at = self.utc();
        let handing = async {
            let client = match &mut state.client {
                Some(client) => client,
                none => none.insert(Client::open_relay(&self.relay.receiver, &self.time).await?),
            };
            client
                .hand_over(&Handover {
                    key: &batch.key,
                    source: &self.source,
                    generation: &batch.generation,
                    accepted_up_to: batch.accepted_up_to,
                    relayed: true,
                    sent_at,
                    events: &batch.written,
                    answer_bytes_max: ANSWER_BYTES + RECEIPT_BYTES * batch.events.len(),
                })
                .await
        };
        alive(&self.heartbeat, pin!(handing)).await
    }

    fn now(&self) -> Moment {
        clock::moment(self.position.borrow().utc_trust)
    }

    fn utc(&self) -> UtcNow {
        let position = self.position.borrow();
        let now = clock::moment(position.utc_trust);
        UtcNow { host: now.utc, best: position.best_utc(&now) }
    }
}
