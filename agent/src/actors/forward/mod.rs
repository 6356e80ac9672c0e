//! Sends what waits to the receiver. Two tasks, one for each lane, each with its own connection, so that a hit is never
//! behind a long request; what an answer means is decided in `pintle_core::forward`.

mod batch;
mod board;
mod handed;
mod images;
mod outcome;
mod relay;

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use crate::io::pictures::are_carried;
use crate::io::target::{AnyTarget, Handed, Handover, Target, TargetError};
use crate::io::tls::TlsTime;
use crate::store::{Leased, Settled, StoreError, StoreHandle};
use batch::{Batch, Maker};
use board::{Board, Told};
use handed::HandedOver;
use outcome::{alive, captured, ended, is_test, keep_test, last_test, latency_ms, reply_of};
use pintle_core::afar::bounded;
use pintle_core::forward::answer::{Item, Pause, Proof, Reply, Verdict, judge};
use pintle_core::forward::backoff::Roll;
use pintle_core::forward::lane::{Ask, LaneState, Limits, Outcome, Step};
use pintle_core::forward::relay::RelayView;
use pintle_core::forward::{ForwardView, TestAlert};
use pintle_core::ids::TrailerId;
use pintle_core::link::evidence::{Attempt, Traffic};
use pintle_core::link::latency::Captured;
use pintle_core::link::usage::Saving;
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::queue::Lane;
use pintle_core::wire::receipt::{Receipt, Resend, SaidLater};
use pintle_core::wire::stamp::UtcNow;
use std::collections::HashMap;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{broadcast, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::{Instrument, error, info, info_span};

/// A lane looks at the queue at least this often, even if nobody woke it, and so shows that it lives.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// Pause after the store could not answer.
const STORE_PAUSE: Duration = Duration::from_secs(1);
/// Bytes of an answer apart from its receipts (our own limit).
const ANSWER_BYTES: usize = 64 * 1024;
/// Bytes of one receipt with its problem (our own limit: an id, a word, and 2 kB of reason).
const RECEIPT_BYTES: usize = 2304;

/// Where a request takes longer than this, ms, the next one is not made before its answer is there: a read that comes
/// in meanwhile would have to wait for both. It gains nothing there anyway, since the way is what takes the time (our
/// own limit).
const AHEAD_MS_MAX: u64 = 500;

/// What the forwarder needs.
pub struct ForwardSetup {
    /// Which trailer this is.
    pub trailer: TrailerId,
    /// Where to send; `None`: everything waits.
    pub receiver: Option<config::Receiver>,
    /// The second receiver for urgent events; `None`: none.
    pub relay: Option<config::UrgentRelay>,
    /// Data that pictures may use in a UTC day, megabytes; 0: none are sent.
    pub images_mb_day: u64,
    /// The queue.
    pub store: StoreHandle,
    /// The link watcher's hint.
    pub link: watch::Receiver<LinkView>,
    /// The link watcher's account of the data plan: what is to be saved.
    pub link_report: watch::Receiver<LinkReport>,
    /// Where the forwarder tells the link watcher how its requests end.
    pub traffic: broadcast::Sender<Traffic>,
    /// How far the host's UTC is trusted: the store takes ages from it.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// Where requests of people at the agency go, as they came with the newest receipts.
    pub asked: watch::Sender<Vec<String>>,
    /// Where the forwarder tells how it goes.
    pub view: watch::Sender<ForwardView>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`; a running request is dropped then, and its events go out again after the next start. It ends
/// early only if the store has stopped.
pub async fn run(setup: ForwardSetup, stop: CancellationToken) {
    let ForwardSetup {
        trailer,
        receiver,
        relay,
        images_mb_day,
        store,
        link,
        link_report,
        traffic,
        position,
        asked,
        view,
        heartbeat,
    } = setup;
    let Some(receiver) = receiver else {
        view.send_replace(ForwardView::default());
        while tokio::time::timeout(LOOK_EVERY, stop.cancelled()).await.is_err() {
            heartbeat.turn();
        }
        return;
    };
    let board = Arc::new(Board::new(view, receiver.retry_ms_max, last_test(&store).await));
    let mut lanes = JoinSet::new();
    for lane in [Lane::Urgent, Lane::Bulk] {
        let task = LaneTask {
            lane,
            state: LaneState::new(lane, limits(&receiver)),
            receiver: receiver.clone(),
            source: trailer.source(),
            target: None,
            store: store.clone(),
            board: board.clone(),
            link: link.clone(),
            link_report: link_report.clone(),
            traffic: traffic.clone(),
            position: position.clone(),
            asked: asked.clone(),
            time: TlsTime::following(position.clone()),
            judged_by_ms: 0,
            link_watched: true,
            heartbeat: heartbeat.clone(),
            unsettled: Vec::new(),
            ahead: None,
            gathers_until: None,
            quick: false,
            handed: HandedOver::default(),
        };
        let span = info_span!("forward", lane = board::name(lane));
        lanes.spawn(task.run(stop.clone()).instrument(span));
    }
    if let Some(relay) = relay {
        board.relay(&RelayView::default());
        let lane = relay::RelayLane {
            relay,
            retry_ms_max: receiver.retry_ms_max,
            bytes_max: usize::try_from(receiver.batch_bytes_max).unwrap_or(usize::MAX),
            source: trailer.source(),
            store: store.clone(),
            board: board.clone(),
            link: link.clone(),
            position: position.clone(),
            time: TlsTime::following(position.clone()),
            heartbeat: heartbeat.clone(),
            traffic: traffic.clone(),
        };
        lanes.spawn(lane.run(stop.clone()).instrument(info_span!("forward", lane = "relay")));
    }
    if are_carried(&receiver.url) {
        let lane = images::ImageLane {
            receiver: receiver.clone(),
            budget_mb_day: images_mb_day,
            source: trailer.source(),
            store: store.clone(),
            board: board.clone(),
            link: link.clone(),
            link_report,
            time: TlsTime::following(position.clone()),
            position,
            heartbeat: heartbeat.clone(),
        };
        lanes.spawn(lane.run(stop.clone()).instrument(info_span!("forward", lane = "images")));
    } else {
        let none = images::NoImages { store: store.clone(), position, heartbeat: heartbeat.clone() };
        lanes.spawn(none.run(stop.clone()).instrument(info_span!("forward", lane = "images")));
    }
    while let Some(ended) = lanes.join_next().await {
        if let Err(failure) = ended
            && failure.is_panic()
        {
            // The lifecycle restarts the actor as a whole; the other lane is dropped with the set.
            error!("a lane of the forwarder panicked");
            std::panic::resume_unwind(failure.into_panic());
        }
    }
}

/// What the data plan leaves.
fn saving(report: &watch::Receiver<LinkReport>) -> Saving {
    report.borrow().data.map_or(Saving::None, |data| data.saving)
}

fn limits(receiver: &config::Receiver) -> Limits {
    let size = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
    Limits {
        events_max: size(u64::from(receiver.batch_reads_max)),
        bytes_max: size(receiver.batch_bytes_max),
        answer_wait_ms: receiver.answer_wait_ms,
        retry_ms_max: receiver.retry_ms_max,
    }
}

fn proof_of(receiver: &config::Receiver) -> Proof {
    match receiver.proof {
        config::Proof::Receipts => Proof::Receipts,
        config::Proof::Status | config::Proof::Ack => Proof::Status,
    }
}

fn roll() -> Roll {
    Roll(rand::random())
}

/// One lane with its connection.
struct LaneTask {
    lane: Lane,
    state: LaneState,
    receiver: config::Receiver,
    source: String,
    target: Option<AnyTarget>,
    store: StoreHandle,
    board: Arc<Board>,
    link: watch::Receiver<LinkView>,
    link_report: watch::Receiver<LinkReport>,
    traffic: broadcast::Sender<Traffic>,
    position: watch::Receiver<Arc<PositionView>>,
    asked: watch::Sender<Vec<String>>,
    /// The clock by which certificates are judged.
    time: TlsTime,
    /// How far it was from the host's at the last request, ms.
    judged_by_ms: i64,
    link_watched: bool,
    heartbeat: Heartbeat,
    /// Outcomes that are not written down yet: they are while the next request is on its way. Where the store could
    /// not, nothing more is leased until it could.
    unsettled: Vec<(u64, Settled)>,
    /// The next request, made while the one before was on its way.
    ahead: Option<Batch>,
    /// What comes meanwhile gathers for one batch; full batches don't wait.
    gathers_until: Option<Mono>,
    /// The last request was answered soon.
    quick: bool,
    /// What a broker or courier has and nobody has given a receipt for.
    handed: HandedOver,
}

/// The lane's task ends: it was asked to, or the store has stopped.
struct Stopped;

impl LaneTask {
    async fn run(mut self, stop: CancellationToken) {
        // An earlier run of this actor may have ended with events in its hands.
        if let Err(error) = self.store.release_lane(self.lane).await
            && self.store_failed(&error).await.is_err()
        {
            return;
        }
        loop {
            match self.turn(&stop).await {
                Ok(()) => self.heartbeat.turn(),
                Err(Stopped) => return,
            }
        }
    }

    /// One round: release what has rested, then wait, or send one batch.
    async fn turn(&mut self, stop: &CancellationToken) -> Result<(), Stopped> {
        let now = clock::mono();
        let rested = self.state.rested(now).into_iter().map(|sequence| (sequence, Settled::Released));
        if let Some(batch) = self.ahead.take() {
            self.unsettled.extend(rested);
            return self.send(batch, stop).await;
        }
        let rested = rested.collect();
        self.settle(rested).await?;
        self.take_back_overdue(now).await?;
        if !self.unsettled.is_empty() {
            return Ok(());
        }
        if self.lane == Lane::Bulk && saving(&self.link_report) == Saving::UrgentOnly {
            return self.wait(None, false, stop).await;
        }
        if self.handed_max() <= self.handed.len() {
            return self.wait(None, false, stop).await;
        }
        if self.board.stands_back(self.lane, now) {
            return self.wait(None, false, stop).await;
        }
        if let Some(until) = self.gathers_until.filter(|until| now < *until) {
            return self.wait(Some(until), false, stop).await;
        }
        let ask = match self.state.ask(now) {
            Ok(ask) => ask,
            Err(until) => return self.wait(Some(until), false, stop).await,
        };
        let leased = match self.store.lease(self.lane, ask.events_max, ask.bytes_max, self.now()).await {
            Ok(leased) => leased,
            Err(error) => return self.store_failed(&error).await,
        };
        if leased.is_empty() {
            if self.state.nothing_waits() {
                self.tell(Told::Idle);
            }
            let overdue = self.handed.overdue_at(self.receipt_wait_ms());
            let until = [self.state.rest_ends(), overdue].into_iter().flatten().min();
            return self.wait(until, true, stop).await;
        }
        let Some(batch) = self.batch(leased).await? else { return Ok(()) };
        self.send(batch, stop).await
    }

    /// Waits until `until`, or for a reason to look sooner.
    async fn wait(&mut self, until: Option<Mono>, idle: bool, stop: &CancellationToken) -> Result<(), Stopped> {
        let left = until.map_or(LOOK_EVERY, |until| Duration::from_millis(until.since_ms(clock::mono())));
        let arrived = match self.lane {
            Lane::Urgent => &self.store.arrivals().urgent,
            Lane::Bulk => &self.store.arrivals().bulk,
        };
        tokio::select! {
            biased;
            () = stop.cancelled() => Err(Stopped),
            changed = self.link.changed(), if self.link_watched => {
                self.link_watched = changed.is_ok();
                self.link_changed();
                Ok(())
            }
            () = self.time.jumped(self.judged_by_ms) => {
                self.judged_by_ms = self.time.offset_ms();
                self.state.clock_mended();
                Ok(())
            }
            () = self.board.other_recovered(self.lane) => {
                self.board.follow_the_other(self.lane, &mut self.state, clock::mono(), roll());
                self.tell(Told::Recovered);
                Ok(())
            }
            () = arrived.notified(), if idle => Ok(()),
            said = receipts_of(&mut self.target) => self.said_later(said).await,
            () = tokio::time::sleep(left.min(LOOK_EVERY)) => Ok(()),
        }
    }

    /// The link watcher's word is a hint when to try sooner, never a reason not to try.
    fn link_changed(&mut self) {
        let view = self.link.borrow_and_update().clone();
        match view {
            LinkView::Up { .. } => self.state.link_up(),
            LinkView::Absent { .. } | LinkView::Down { .. } => self.state.link_down(),
            LinkView::NotFitted => {}
        }
    }

    /// Writes the leased events down as one request.
    async fn batch(&mut self, leased: Vec<Leased>) -> Result<Option<Batch>, Stopped> {
        match self.maker().make(leased).await {
            Ok(mut made) => {
                self.settle(made.aside).await?;
                for written in made.batch.iter_mut().flat_map(|batch| &mut batch.written) {
                    written.taken_back = self.handed.taken_back(&written.id);
                }
                Ok(made.batch)
            }
            Err((error, released)) => {
                self.settle(released).await?;
                self.store_failed(&error).await?;
                Ok(None)
            }
        }
    }

    fn maker(&self) -> Maker {
        let bytes_max = usize::try_from(self.receiver.batch_bytes_max).unwrap_or(usize::MAX);
        Maker { store: self.store.clone(), source: self.source.clone(), bytes_max }
    }

    /// How much to lease for the next request while `batch` is on its way; `None`: it is made after the answer. Urgent
    /// events are never leased ahead, since the newest goes first.
    fn ask_ahead(&self, batch: &Batch) -> Option<Ask> {
        let calm = self.lane == Lane::Bulk && self.quick && self.state.failures() == 0;
        let ask = self.state.ask(clock::mono()).ok().filter(|_| calm)?;
        // Less than a whole batch would only take reads away from the one that fills up meanwhile.
        let whole = batch.events.len().saturating_add(ask.events_max);
        let answers = matches!(self.target, Some(AnyTarget::Https(_)));
        (answers && u64::try_from(whole).is_ok_and(|whole| whole <= batch.waiting.1)).then_some(ask)
    }

    async fn send(&mut self, batch: Batch, stop: &CancellationToken) -> Result<(), Stopped> {
        let began = clock::mono();
        self.tell(Told::Trying);
        self.hint(Traffic::Began(self.lane));
        let meanwhile = self.maker().meanwhile(self.unsettled.clone(), self.ask_ahead(&batch), self.now());
        let (replied, did) = tokio::select! {
            biased;
            () = stop.cancelled() => return Err(Stopped),
            both = async { tokio::join!(self.request(&batch), meanwhile) } => both,
        };
        let (replied, answered) = replied;
        let written_down = match did.settled {
            Ok(count) => {
                self.unsettled.drain(..count);
                true
            }
            Err(error) => {
                self.store_failed(&error).await?;
                false
            }
        };
        self.unsettled.extend(did.made.aside);
        let ahead = did.made.batch;
        let (reply, own) = reply_of(&replied);
        let now = self.now();
        let known = match &replied {
            Ok(Handed::Answer(answer)) => answer.known_up_to(),
            _ => None,
        };
        let verdict = judge(&batch.key, &batch.sent(), &reply, proof_of(&self.receiver), now.utc);
        if matches!(verdict, Verdict::Closed { pause: Pause::Long, .. }) {
            // A person has to act, perhaps on a certificate file: the next try reads the files again.
            self.target = None;
        }
        let took_ms = answered.since_ms(began);
        self.state.join(self.board.failures_of_other(self.lane));
        let mut step = self.state.apply(&batch.sequences(), verdict, took_ms, now.mono, roll());
        let ended = ended(&replied, step.progress);
        // Packed, if it was: the plain length would show a thin link three times as wide as it is.
        let bytes = match &replied {
            Ok(Handed::Answer(answer)) => answer.sent_bytes(),
            _ => batch.written.iter().map(|event| event.json.len() as u64).sum(),
        };
        self.hint(Traffic::Ended(self.lane, Attempt { began, at: answered, bytes, ended }));
        if let Some(fault) = own {
            step.trouble = Some(format!("{fault}: {}", fault.advice()));
        }
        if !step.progress && matches!(*self.link.borrow(), LinkView::Absent { .. } | LinkView::Down { .. }) {
            self.state.link_down();
        }
        let never_left = match reply {
            Reply::None(why) => why.nothing_left(),
            Reply::Http(_) | Reply::Acks(_) => false,
        };
        self.state.share_link(batch.waiting.0, batch.waiting.1, took_ms, now.mono);
        // Only a receiver that gave receipts for this very batch is believed.
        let known = known.filter(|known| step.progress && batch.accepted_up_to < *known);
        let resend = std::mem::take(&mut step.resend);
        if step.progress {
            let asked = bounded(std::mem::take(&mut step.asked));
            self.asked.send_if_modified(|before| {
                let news = *before != asked;
                *before = asked;
                news
            });
        }
        if self.lane == Lane::Bulk && 0 < self.receiver.broker.gather_s {
            // With more waiting than went, the stick was away or reads come fast: the next batch is full anyhow.
            // What is out without a receipt counts as waiting, too.
            let out = batch.events.len().saturating_add(self.handed.len());
            let all = u64::try_from(out).is_ok_and(|out| batch.waiting.1 <= out);
            let until = now.mono.plus_ms(self.receiver.broker.gather_s.saturating_mul(1000));
            self.gathers_until = (step.progress && all).then_some(until);
        }
        self.quick = step.progress && took_ms <= AHEAD_MS_MAX;
        let smooth = written_down && step.progress && step.trouble.is_none() && resend.is_empty() && known.is_none();
        match ahead {
            // Its outcomes are written down while the next is on its way.
            Some(next) if smooth && self.state.ask(now.mono).is_ok() => self.ahead = Some(next),
            // The order of sending is kept: what was put off goes before it.
            other => self.unsettled.extend(other.into_iter().flat_map(Batch::unsent)),
        }
        self.conclude(&batch, step, never_left).await?;
        if let Some(known) = known {
            // The other lane may have told a higher number meanwhile: the store compares with its own.
            if let Err(error) = self.store.went_backwards(known).await {
                return self.store_failed(&error).await;
            }
        }
        self.resend(resend).await
    }

    /// The receiver says that it has not got what it gave receipts for: it goes once more, as far as it is still kept.
    async fn resend(&mut self, asked: Vec<Resend>) -> Result<(), Stopped> {
        if asked.is_empty() {
            return Ok(());
        }
        match self.store.resend(asked, self.now()).await {
            Ok(0) => Ok(()),
            Ok(events) => {
                info!(events, "the receiver asks for events once more");
                Ok(())
            }
            Err(error) => self.store_failed(&error).await,
        }
    }

    /// Opens the target if there is none, and hands over; answers when it was done too. Shows life while it waits: the
    /// deadline of the request bounds that.
    async fn request(&mut self, batch: &Batch) -> (Result<Handed, TargetError>, Mono) {
        let sent_at = self.utc();
        let Self { target, receiver, source, lane, heartbeat, time, .. } = self;
        self.judged_by_ms = time.offset_ms();
        let handing = async {
            let target = match target {
                Some(target) => target,
                none => none.insert(AnyTarget::open(receiver, source, *lane, time).await?),
            };
            target
                .hand_over(&Handover {
                    key: &batch.key,
                    source,
                    generation: &batch.generation,
                    accepted_up_to: batch.accepted_up_to,
                    relayed: false,
                    sent_at,
                    events: &batch.written,
                    answer_bytes_max: ANSWER_BYTES + RECEIPT_BYTES * batch.events.len(),
                })
                .await
        };
        let reply = alive(heartbeat, pin!(handing)).await;
        (reply, clock::mono())
    }

    async fn conclude(&mut self, batch: &Batch, step: Step, never_left: bool) -> Result<(), Stopped> {
        let now = self.now();
        let (mut hits, mut test) = (Vec::new(), None);
        let (mut delivered, mut refused) = (0, 0);
        let mut outcomes = Vec::with_capacity(step.settle.len());
        let places: HashMap<u64, usize> =
            batch.events.iter().enumerate().map(|(at, event)| (event.sequence, at)).collect();
        for (sequence, outcome) in step.settle {
            let sent = places.get(&sequence).map(|at| (&batch.events[*at], batch.leaves[*at]));
            let hit_at = sent.and_then(|(event, _)| captured(event));
            outcomes.push((
                sequence,
                match outcome {
                    Outcome::Delivered => {
                        delivered += 1;
                        let took_ms = |at: &Captured| latency_ms(at, &self.position);
                        hits.extend(sent.zip(hit_at).map(|((event, _), at)| (event.id, took_ms(&at))));
                        let alert = sent.filter(|(event, _)| is_test(event)).map(|(event, _)| event.happened_at);
                        let alert = alert.map(|made| TestAlert { sequence, made, received: now.utc });
                        test = TestAlert::later(test, alert);
                        sent.map_or(Settled::Delivered, |(_, leaf)| Settled::Proven(leaf))
                    }
                    Outcome::HandedOver => {
                        if let Some((event, leaf)) = sent {
                            let test_at = is_test(event).then_some(event.happened_at);
                            self.handed.put(event.id, sequence, (hit_at, test_at), (&event.body, leaf), now.mono);
                        }
                        Settled::HandedOver
                    }
                    Outcome::Refused(text) => {
                        refused += 1;
                        Settled::Refused(text)
                    }
                    Outcome::Released if never_left => Settled::Unsent,
                    Outcome::Released => Settled::Released,
                },
            ));
        }
        if self.ahead.is_some() {
            self.unsettled.extend(outcomes);
        } else {
            self.settle(outcomes).await?;
        }
        if let Some(recovery) = step.recovered {
            self.board.recovered(self.lane, recovery);
        }
        let receipt = 0 < delivered + refused;
        if test.is_some() {
            keep_test(&self.store, TestAlert::later(self.board.last_test(), test)).await;
        }
        self.tell(Told::Answered { trouble: step.trouble, receipt, delivered, refused, hits, test });
        Ok(())
    }

    fn receipt_wait_ms(&self) -> u64 {
        self.receiver.broker.receipt_wait_s.saturating_mul(1000)
    }

    fn handed_max(&self) -> usize {
        usize::try_from(self.receiver.broker.handed_max).unwrap_or(usize::MAX)
    }

    /// Receipts that came by themselves.
    /// What came by itself. Both lanes hear the same, and each knows its own events; what is asked for once more goes
    /// with the backlog, so one lane takes it down.
    async fn said_later(&mut self, said: SaidLater) -> Result<(), Stopped> {
        self.receipts_came(&said.receipts).await?;
        if self.lane == Lane::Bulk { self.resend(said.resend).await } else { Ok(()) }
    }

    async fn receipts_came(&mut self, receipts: &[Receipt]) -> Result<(), Stopped> {
        let now = self.now();
        let (mut delivered, mut refused, mut hits, mut test) = (0, 0, Vec::new(), None);
        let mut outcomes = Vec::new();
        for (out, item) in self.handed.take(receipts) {
            let settled = match item {
                Item::Delivered => {
                    delivered += 1;
                    hits.extend(out.hit_at.map(|at| (out.id, latency_ms(&at, &self.position))));
                    let made = out.test_at;
                    let alert = made.map(|made| TestAlert { sequence: out.sequence, made, received: now.utc });
                    test = TestAlert::later(test, alert);
                    Settled::Proven(out.leaf)
                }
                Item::Refused(text) => {
                    refused += 1;
                    Settled::Refused(text)
                }
                Item::HandedOver | Item::Again | Item::PutOff => Settled::Released,
            };
            outcomes.push((out.sequence, settled));
        }
        if outcomes.is_empty() {
            return Ok(());
        }
        self.settle(outcomes).await?;
        self.state.receipts_came();
        if test.is_some() {
            keep_test(&self.store, TestAlert::later(self.board.last_test(), test)).await;
        }
        self.tell(Told::Answered { trouble: None, receipt: true, delivered, refused, hits, test });
        Ok(())
    }

    /// What got no receipt in its time is handed over again.
    async fn take_back_overdue(&mut self, now: Mono) -> Result<(), Stopped> {
        if let Some(target) = &mut self.target {
            // What has come already counts before anything is called overdue.
            let come = tokio::time::timeout(Duration::ZERO, target.receipts()).await.unwrap_or_default();
            self.said_later(come).await?;
        }
        let Some((since, sequences)) = self.handed.overdue(self.receipt_wait_ms(), now) else { return Ok(()) };
        let count = u64::try_from(sequences.len()).unwrap_or(u64::MAX);
        self.settle(sequences.into_iter().map(|sequence| (sequence, Settled::Released)).collect()).await?;
        let trouble = Some(self.state.no_receipts(count, self.receiver.broker.receipt_wait_s, since));
        let hits = Vec::new();
        self.tell(Told::Answered { trouble, receipt: false, delivered: 0, refused: 0, hits, test: None });
        Ok(())
    }

    async fn settle(&mut self, outcomes: Vec<(u64, Settled)>) -> Result<(), Stopped> {
        self.unsettled.extend(outcomes);
        if self.unsettled.is_empty() {
            return Ok(());
        }
        match self.store.settle(self.unsettled.clone(), self.now()).await {
            Ok(()) => {
                self.unsettled.clear();
                Ok(())
            }
            Err(error) => self.store_failed(&error).await,
        }
    }

    async fn store_failed(&mut self, error: &StoreError) -> Result<(), Stopped> {
        if matches!(error, StoreError::Stopped) {
            return Err(Stopped);
        }
        self.tell(Told::StoreFailed(format!("{error}: {}", error.advice())));
        tokio::time::sleep(STORE_PAUSE).await;
        Ok(())
    }

    fn now(&self) -> Moment {
        clock::moment(self.position.borrow().utc_trust)
    }

    fn utc(&self) -> UtcNow {
        let position = self.position.borrow();
        let now = clock::moment(position.utc_trust);
        UtcNow { host: now.utc, best: position.best_utc(&now) }
    }

    /// The link watcher may not be there; then nobody misses the hint.
    fn hint(&self, traffic: Traffic) {
        drop(self.traffic.send(traffic));
    }

    fn tell(&self, told: Told) {
        let hits = self.board.tell(self.lane, told, &self.state, self.handed.len(), &self.now());
        if !hits.is_empty() {
            self.hint(Traffic::Hits(hits));
        }
    }
}

/// Waits for ever while there is no target.
async fn receipts_of(target: &mut Option<AnyTarget>) -> SaidLater {
    match target {
        Some(target) => target.receipts().await,
        None => std::future::pending().await,
    }
}
