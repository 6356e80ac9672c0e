//! What both lanes tell of themselves, joined to the one view that others read, and the log lines of its changes.

use pintle_core::forward::backoff::Roll;
use pintle_core::forward::door::Door;
use pintle_core::forward::lane::{LaneState, Recovery};
use pintle_core::forward::relay::{First, HadHits, RelayView};
use pintle_core::forward::{ForwardView, TestAlert};
use pintle_core::ids::EventId;
use pintle_core::images::send::ImagesView;
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::queue::Lane;
use std::sync::{Mutex, PoisonError};
use tokio::sync::{Notify, watch};
use tracing::{info, warn};

/// Newest hits whose latency is kept (as the view says).
const LATENCIES_MAX: usize = 256;
/// A lane logs at most one change of its trouble in this time, ms, so that no receiver can fill the journal.
const LOG_EVERY_MS: u64 = 60_000;

/// A hit that got a receipt, and how long after its capture, ms.
pub(super) type Hit = (EventId, Option<u64>);

/// What a lane has to tell.
pub(super) enum Told {
    /// A try begins.
    Trying,
    /// A try is over.
    Answered {
        /// What was wrong, if anything.
        trouble: Option<String>,
        /// True if the receiver took or refused at least one event.
        receipt: bool,
        /// How many it took.
        delivered: u64,
        /// How many it refused.
        refused: u64,
        /// The hits among them, and from capture to receipt, ms.
        hits: Vec<Hit>,
        /// The newest test alert among them.
        test: Option<TestAlert>,
    },
    /// Nothing waits in this lane.
    Idle,
    /// The other lane got through, and this one has stopped failing for that.
    Recovered,
    /// The store could not answer.
    StoreFailed(String),
}

/// Shared by both lanes.
pub(super) struct Board {
    view: watch::Sender<ForwardView>,
    shown: Mutex<Shown>,
    door: Mutex<Door>,
    urgent_recovered: Notify,
    bulk_recovered: Notify,
    delivered: Notify,
    first_changed: Notify,
}

#[derive(Default)]
struct Shown {
    urgent: LaneShown,
    bulk: LaneShown,
    last_receipt: Option<(Mono, Utc)>,
    last_try: Option<(Mono, Utc)>,
    delivered: u64,
    refused: u64,
    hit_latency_ms: Vec<u64>,
    test: Option<TestAlert>,
    images: ImagesView,
    /// Since when the urgent lane's request has been on its way.
    asked_at: Option<Mono>,
    first: First,
    relay: Option<RelayView>,
    had: HadHits,
    /// The newest end of an outage, as each lane found it.
    recoveries: [Option<Recovery>; 2],
}

#[derive(Default)]
struct LaneShown {
    trouble: Option<String>,
    failing_since: Option<(Mono, Utc)>,
    failures: u32,
    next_try: Option<Mono>,
    handed_over: u64,
    logged: Option<(Mono, bool)>,
}

/// A lane's name in logs.
pub(super) fn name(lane: Lane) -> &'static str {
    match lane {
        Lane::Urgent => "urgent",
        Lane::Bulk => "bulk",
    }
}

impl Board {
    /// `retry_ms_max` is the longest pause between tries; `last_test` got through before this start.
    pub(super) fn new(view: watch::Sender<ForwardView>, retry_ms_max: u64, last_test: Option<TestAlert>) -> Self {
        view.send_replace(ForwardView { configured: true, last_test, ..ForwardView::default() });
        Self {
            view,
            shown: Mutex::new(Shown { test: last_test, ..Shown::default() }),
            door: Mutex::new(Door::new(retry_ms_max)),
            urgent_recovered: Notify::new(),
            bulk_recovered: Notify::new(),
            delivered: Notify::new(),
            first_changed: Notify::new(),
        }
    }

    /// Says that `lane` got through again.
    pub(super) fn recovered(&self, lane: Lane, recovery: Recovery) {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.recoveries[lane as usize] = Some(recovery);
        drop(shown);
        match lane {
            Lane::Urgent => self.urgent_recovered.notify_one(),
            Lane::Bulk => self.bulk_recovered.notify_one(),
        }
    }

    /// Waits until the other lane than `lane` got through again.
    pub(super) async fn other_recovered(&self, lane: Lane) {
        match lane {
            Lane::Urgent => self.bulk_recovered.notified().await,
            Lane::Bulk => self.urgent_recovered.notified().await,
        }
    }

    /// Takes the end of an outage that the other lane than `state`'s found into account.
    pub(super) fn follow_the_other(&self, lane: Lane, state: &mut LaneState, now: Mono, roll: Roll) {
        let other = match lane {
            Lane::Urgent => Lane::Bulk,
            Lane::Bulk => Lane::Urgent,
        };
        let recovery = self.shown.lock().unwrap_or_else(PoisonError::into_inner).recoveries[other as usize];
        if let Some(recovery) = recovery {
            state.other_lane_recovered(recovery, now, roll);
        }
    }

    /// Whether `lane` leaves the knocking at a receiver that is away to the other.
    pub(super) fn stands_back(&self, lane: Lane, now: Mono) -> bool {
        self.door.lock().unwrap_or_else(PoisonError::into_inner).stands_back(lane, now)
    }

    /// Tries in a row that have failed the other lane.
    pub(super) fn failures_of_other(&self, lane: Lane) -> u32 {
        self.door.lock().unwrap_or_else(PoisonError::into_inner).failures_of_other(lane)
    }

    /// Publishes how pictures go.
    pub(super) fn images(&self, images: ImagesView) {
        let changed = {
            let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
            std::mem::replace(&mut shown.images, images) != images
        };
        if changed {
            self.view.send_modify(|view| view.images = images);
        }
    }

    /// Waits until events were delivered: pictures may follow them.
    pub(super) async fn delivered(&self) {
        self.delivered.notified().await;
    }

    /// The newest test alert that got its receipt.
    pub(super) fn last_test(&self) -> Option<TestAlert> {
        self.shown.lock().unwrap_or_else(PoisonError::into_inner).test
    }

    /// How the first receiver is doing.
    pub(super) fn first(&self) -> First {
        self.shown.lock().unwrap_or_else(PoisonError::into_inner).first
    }

    /// Waits until the first receiver is doing otherwise.
    pub(super) async fn first_changed(&self) {
        self.first_changed.notified().await;
    }

    /// Publishes how the second receiver is doing.
    pub(super) fn relay(&self, relay: &RelayView) {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if shown.relay.as_ref() != Some(relay) {
            shown.relay = Some(relay.clone());
            self.view.send_modify(|view| view.relay = Some(relay.clone()));
        }
    }

    /// Hits that the second receiver has; answers the times of those that it had before the first.
    pub(super) fn relayed(&self, hits: Vec<Hit>) -> Vec<Option<u64>> {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        let took_ms = shown.hits(hits);
        if !took_ms.is_empty() {
            self.view.send_modify(|view| view.hit_latency_ms.clone_from(&shown.hit_latency_ms));
        }
        took_ms
    }

    /// Whether a lane fails just now.
    pub(super) fn in_trouble(&self) -> bool {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.urgent.trouble.is_some() || shown.bulk.trouble.is_some()
    }

    /// Takes what `lane` tells, and publishes; answers the times of the hits that nobody had before.
    pub(super) fn tell(
        &self,
        lane: Lane,
        told: Told,
        state: &LaneState,
        handed_over: usize,
        now: &Moment,
    ) -> Vec<Option<u64>> {
        let mut took_ms = Vec::new();
        let at = (now.mono, now.utc);
        // A poisoned lock means a panic in the few lines below; the figures are still the best there are.
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        let mut trouble_now = None;
        {
            let mut door = self.door.lock().unwrap_or_else(PoisonError::into_inner);
            match &told {
                Told::Trying => door.knocks(lane, now.mono),
                Told::Answered { receipt, .. } => door.ended(lane, state, *receipt, now.mono),
                Told::Idle | Told::Recovered => door.ended(lane, state, false, now.mono),
                Told::StoreFailed(_) => {}
            }
        }
        if lane == Lane::Urgent {
            shown.asked_at = matches!(told, Told::Trying).then_some(now.mono);
        }
        match told {
            Told::Trying => shown.last_try = Some(at),
            Told::Answered { trouble, receipt, delivered, refused, hits, test } => {
                if receipt {
                    shown.last_receipt = Some(at);
                }
                shown.delivered += delivered;
                if 0 < delivered {
                    self.delivered.notify_one();
                }
                shown.refused += refused;
                shown.test = TestAlert::later(shown.test, test);
                took_ms = shown.hits(hits);
                trouble_now = Some(trouble);
            }
            Told::Idle => trouble_now = Some(None),
            // What was wrong stands until this lane itself has got through: pictures wait for that.
            Told::Recovered => {}
            Told::StoreFailed(trouble) => trouble_now = Some(Some(trouble)),
        }
        let of_lane = match lane {
            Lane::Urgent => &mut shown.urgent,
            Lane::Bulk => &mut shown.bulk,
        };
        if let Some(trouble) = trouble_now {
            of_lane.trouble_is(trouble, now.mono);
        }
        of_lane.handed_over = u64::try_from(handed_over).unwrap_or(u64::MAX);
        of_lane.failures = state.failures();
        of_lane.next_try = state.waits_until(now.mono);
        of_lane.failing_since = state.failing_since().map(|since| {
            let ago_ms = i64::try_from(now.mono.since_ms(since)).unwrap_or(i64::MAX);
            (since, now.utc.plus_ms(-ago_ms))
        });
        let fails = shown.urgent.failing_since.is_some() || shown.bulk.failing_since.is_some();
        let first = First { fails, asked_at: shown.asked_at };
        if std::mem::replace(&mut shown.first, first) != first {
            self.first_changed.notify_one();
        }
        self.view.send_replace(shown.view());
        took_ms
    }
}

impl LaneShown {
    fn trouble_is(&mut self, trouble: Option<String>, now: Mono) {
        let bad = trouble.is_some();
        let quiet = self.logged.is_some_and(|(at, _)| now.since_ms(at) < LOG_EVERY_MS);
        let turned = self.logged.map_or(bad, |(_, was_bad)| was_bad != bad);
        let first = self.logged.is_none();
        if (turned || (bad && self.trouble != trouble)) && (first || !quiet) {
            if let Some(trouble) = &trouble {
                warn!(trouble, "delivery fails");
            } else {
                info!("delivery works again");
            }
            self.logged = Some((now, bad));
        }
        self.trouble = trouble;
    }
}

impl Shown {
    /// Keeps the times of those hits that no receiver had before, and answers them.
    fn hits(&mut self, hits: Vec<Hit>) -> Vec<Option<u64>> {
        let (had, two) = (&mut self.had, self.relay.is_some());
        let took_ms: Vec<Option<u64>> =
            hits.into_iter().filter(|(id, _)| !two || had.first(*id)).map(|(_, ms)| ms).collect();
        self.hit_latency_ms.extend(took_ms.iter().flatten());
        let over = self.hit_latency_ms.len().saturating_sub(LATENCIES_MAX);
        self.hit_latency_ms.drain(..over);
        took_ms
    }

    fn view(&self) -> ForwardView {
        let lanes = [&self.urgent, &self.bulk];
        ForwardView {
            configured: true,
            last_receipt: self.last_receipt,
            last_try: self.last_try,
            trouble: lanes.iter().find_map(|lane| lane.trouble.clone()),
            failing_since: lanes.iter().filter_map(|lane| lane.failing_since).min(),
            failures_in_a_row: lanes.iter().map(|lane| lane.failures).max().unwrap_or(0),
            next_try: lanes.iter().filter_map(|lane| lane.next_try).min(),
            delivered: self.delivered,
            refused: self.refused,
            handed_over: self.urgent.handed_over + self.bulk.handed_over,
            images: self.images,
            hit_latency_ms: self.hit_latency_ms.clone(),
            last_test: self.test,
            relay: self.relay.clone(),
        }
    }
}
