//! Makes requests of leased events, and makes the next one while a request is on its way.

use crate::io::target::{Written, kind_word};
use crate::proof;
use crate::store::{Leased, Settled, StoreError, StoreHandle};
use pintle_core::forward::answer::Sent;
use pintle_core::forward::lane::Ask;
use pintle_core::moment::Moment;
use pintle_core::queue::Lane;
use pintle_core::queue::blocks::Leaf;
use pintle_core::wire::event::{self, EventParts};
use tracing::error;

/// After so many events others on this thread get a turn: some 0.5 ms of work, and a hit may be waiting.
const YIELD_EVERY: usize = 64;

/// A batch ready to go.
pub(super) struct Batch {
    pub(super) key: String,
    pub(super) generation: String,
    pub(super) accepted_up_to: u64,
    /// Urgent events without a receipt, and others.
    pub(super) waiting: (u64, u64),
    pub(super) written: Vec<Written>,
    /// Their leaves, in the same order.
    pub(super) leaves: Vec<Leaf>,
    pub(super) events: Vec<Leased>,
}

impl Batch {
    /// Its events as the answer is judged by them.
    pub(super) fn sent(&self) -> Vec<Sent<'_>> {
        self.events.iter().map(|event| Sent { sequence: event.sequence, id: event.id, body: &event.body }).collect()
    }

    /// Their numbers, in the same order.
    pub(super) fn sequences(&self) -> Vec<u64> {
        self.events.iter().map(|event| event.sequence).collect()
    }

    /// What to write down of its events if it is not sent after all.
    pub(super) fn unsent(self) -> impl Iterator<Item = (u64, Settled)> {
        self.events.into_iter().map(|event| (event.sequence, Settled::Unsent))
    }
}

/// Leased events as a request, and what to write down at once: events that can't be written are set aside, those that
/// do not fit wait for the next.
pub(super) struct Made {
    /// `None` if nothing is left to be sent.
    pub(super) batch: Option<Batch>,
    pub(super) aside: Vec<(u64, Settled)>,
}

/// How requests of a lane are made.
#[derive(Clone)]
pub(super) struct Maker {
    pub(super) store: StoreHandle,
    pub(super) source: String,
    pub(super) bytes_max: usize,
}

impl Maker {
    /// Writes leased events down as one request.
    ///
    /// # Errors
    /// What the store says, with what to write down of the events once it can.
    pub(super) async fn make(&self, leased: Vec<Leased>) -> Result<Made, (StoreError, Vec<(u64, Settled)>)> {
        // Asked after the lease, so that every leased sequence is within it.
        let figures = match self.store.figures().await {
            Ok(figures) => figures,
            Err(error) => {
                return Err((error, leased.iter().map(|event| (event.sequence, Settled::Unsent)).collect()));
            }
        };
        let (mut events, mut written, mut bytes, mut aside) = (Vec::new(), Vec::new(), 2, Vec::new());
        let mut leaves = Vec::new();
        let mut full = false;
        for (at, event) in leased.into_iter().enumerate() {
            if at % YIELD_EVERY == YIELD_EVERY - 1 {
                tokio::task::yield_now().await;
            }
            if full {
                aside.push((event.sequence, Settled::Unsent));
                continue;
            }
            let origin = event.origin.map(|(generation, number)| (generation.to_string(), number));
            match event::encode(&self.parts(&event, &figures.generation, origin.as_ref())) {
                // One event alone always goes, whatever its size: the receiver says if it is too large.
                Ok(json) if events.is_empty() || bytes + json.len() < self.bytes_max => {
                    bytes += json.len() + 1;
                    leaves.push(proof::leaf(&event.salt, &json));
                    let (id, sequence, kind) = (event.id, event.sequence, event.kind);
                    let captured = event.captured();
                    written.push(Written { id, sequence, word: kind_word(kind), captured, json, taken_back: 0 });
                    events.push(event);
                }
                Ok(_) => {
                    full = true;
                    aside.push((event.sequence, Settled::Unsent));
                }
                Err(error) => {
                    error!(%error, advice = error.advice(), "an event can't be sent");
                    aside.push((event.sequence, Settled::Refused(format!("not sent: {error}"))));
                }
            }
        }
        let batch = (!events.is_empty()).then(|| Batch {
            key: StoreHandle::new_event_id().to_string(),
            generation: figures.generation,
            accepted_up_to: figures.counts.accepted,
            waiting: (figures.waiting_urgent, figures.counts.waiting.saturating_sub(figures.waiting_urgent)),
            written,
            leaves,
            events,
        });
        Ok(Made { batch, aside })
    }

    /// An event that was accepted in an earlier file goes out under its own numbers, `origin`.
    fn parts<'a>(
        &'a self,
        event: &'a Leased,
        generation: &'a str,
        origin: Option<&'a (String, u64)>,
    ) -> EventParts<'a> {
        let (generation, sequence) = origin.map_or((generation, event.sequence), |(own, number)| (own, *number));
        EventParts {
            source: &self.source,
            generation,
            sequence,
            id: event.id,
            kind: event.kind,
            happened_at: event.happened_at,
            sent_at: event.sent_at,
            salt: Some(&event.salt),
            body: &event.body,
            stamp: event.stamp.as_deref(),
            hit: event.hit,
            images: event.images.as_deref(),
            sealed: event.sealed,
        }
    }

    /// What is done while a request is on its way: the outcomes of the one before are written down, and the next one is
    /// made if there is an `ask` for it. Both go to the store together, so that one sync serves them.
    pub(super) async fn meanwhile(self, outcomes: Vec<(u64, Settled)>, ask: Option<Ask>, now: Moment) -> Meanwhile {
        let count = outcomes.len();
        let settling = async { if count == 0 { Ok(()) } else { self.store.settle(outcomes, now).await } };
        let leasing = async {
            match ask {
                Some(ask) => self.store.lease(Lane::Bulk, ask.events_max, ask.bytes_max, now).await,
                None => Ok(Vec::new()),
            }
        };
        let (settled, leased) = tokio::join!(settling, leasing);
        let mut did = Meanwhile { settled: settled.map(|()| count), made: Made { batch: None, aside: Vec::new() } };
        // What the store could not do now shows at the next turn, which asks it again.
        match leased {
            Ok(leased) if !leased.is_empty() => match self.make(leased).await {
                Ok(made) => did.made = made,
                Err((_, aside)) => did.made.aside = aside,
            },
            _ => {}
        }
        did
    }
}

/// What came of the work beside a request.
pub(super) struct Meanwhile {
    /// How many of the outcomes are written down.
    pub(super) settled: Result<usize, StoreError>,
    /// The next request.
    pub(super) made: Made,
}
