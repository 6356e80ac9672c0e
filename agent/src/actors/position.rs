//! Owns the GPS receiver's line and the site keeper: bytes in, the position view out.
//!
//! A receiver that is not there, silent or without a fix is a state with a reason, never an error, and is tried again
//! for ever. Events, memory and later stamps go to the store by way of `outbox`, so that a slow disk holds up no fix.

mod feed;
mod outbox;
mod places;
mod time;

use crate::actors::heartbeat::Heartbeat;
use crate::actors::messages::{PlaceRequest, PositionRequest, TowRequest};
use crate::clock;
use crate::config;
use crate::io::serial::Port;
use crate::io::timesync;
use crate::store::{StoreError, StoreHandle};
use feed::Feed;
use outbox::{Job, Outbox, REDATED_MS};
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::inputs::{InputsView, UnsafeMoving};
use pintle_core::link::LinkView;
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::position::fix::date::{DateReference, RELEASED};
use pintle_core::position::fix::{BytesToEpochs, Epoch, Refusal};
use pintle_core::position::host_clock::{HostClock, TrueTime};
use pintle_core::position::keeper::{KeeperAction, KeeperLimits, KeeperMemory, SiteKeeper};
use pintle_core::position::rate_hunt::RateHunt;
use pintle_core::position::receiver_watch::ReceiverWatch;
use pintle_core::position::{PlaceNotices, PositionView, ReceiverState};
use pintle_core::wire::keeper as memory_form;
use pintle_core::wire::notice::NoticeBody;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use time::Times;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// Where the keeper's memory lies in the store.
const MEMORY_KEY: &str = "keeper";
/// Where it lies when the trailer was seen at its site last.
const SEEN_KEY: &str = "keeper-seen";
/// That is kept so often, ms: after a kill reads of no more than this are less sure than they were (our own limit).
const SEEN_KEPT_MS: u64 = 60_000;
/// Where the speed of the receiver's line lies in the store.
const RATE_KEY: &str = "gps-rate";
/// The word of a time server is looked for so often, ms.
const NETWORK_LOOK_MS: u64 = 10_000;
/// The actor looks around at least this often, ms.
const TICK_MS: u64 = 1000;
/// If it could not look around for so long, what lies in the input is too old to be a position of now, ms. Source: a
/// fix older than 3 s is old (our own limit).
const STALLED_MS: u64 = 3000;
/// Pauses between two tries to open the device, ms: soon at first, then every 5 s for ever.
const RETRY_MS: [u64; 5] = [250, 500, 1000, 2000, 5000];

/// What the actor needs.
pub struct PositionSetup {
    /// The GPS receiver; `None`: not fitted.
    pub gps: Option<config::Gps>,
    /// Limits of the site keeper.
    pub position: config::Position,
    /// The cameras that place lines are for.
    pub cameras: Vec<CameraId>,
    /// Who this trailer is, for the log.
    pub trailer: TrailerId,
    /// Where events and memory go.
    pub store: StoreHandle,
    /// What people ask of the place table and say of tows.
    pub requests: mpsc::Receiver<PositionRequest>,
    /// Whether track points can go out now.
    pub link: watch::Receiver<LinkView>,
    /// The switches that say whether the trailer may be moved.
    pub inputs: watch::Receiver<InputsView>,
    /// The kernel's id of this boot; empty if it can't be read.
    pub boot_id: String,
    /// Touched by the host whenever a time server has set its clock; see [`timesync::MARKER`].
    pub time_marker: PathBuf,
    /// What everybody else reads.
    pub view: watch::Sender<Arc<PositionView>>,
    /// Turned after each round of work.
    pub heartbeat: Heartbeat,
}

/// Why the actor could not go on.
#[derive(Debug, thiserror::Error)]
pub enum PositionError {
    /// The memory of before the restart could not be fetched.
    #[error("the site keeper's memory can't be fetched: {0}")]
    Store(#[from] StoreError),
}

impl PositionError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Store(error) => error.advice(),
        }
    }
}

/// Runs until `stop`.
///
/// # Errors
/// [`PositionError`], only at the start.
pub async fn run(setup: PositionSetup, stop: CancellationToken) -> Result<(), PositionError> {
    let memory = restore(&setup.store, &setup.boot_id).await?;
    let times = Times::restore(&setup.store, &setup.boot_id).await?;
    let rate = setup.store.kept(RATE_KEY).await?.and_then(|bytes| String::from_utf8(bytes).ok()?.parse().ok());
    let (outbox, jobs) = Outbox::new();
    // An earlier life of this actor in this process has placed what was accepted in it.
    let lived = setup.view.borrow().since.is_some();
    let placed_up_to = if lived { times.accepted_at_start } else { setup.store.accepted_at_open() };
    let writer = outbox::write(setup.store.clone(), placed_up_to, setup.view.subscribe(), jobs, stop.clone());
    let actor = Actor::new(setup, memory, rate, outbox, times);
    tokio::join!(writer, actor.run(stop));
    Ok(())
}

/// The memory of before the restart; one that can't be read is told and left.
async fn restore(store: &StoreHandle, boot_id: &str) -> Result<Option<KeeperMemory>, PositionError> {
    let Some(bytes) = store.kept(MEMORY_KEY).await? else { return Ok(None) };
    let seen = store.kept(SEEN_KEY).await?.and_then(|bytes| memory_form::seen_from_bytes(&bytes, boot_id));
    match memory_form::from_bytes(&bytes) {
        Ok(memory) => Ok(Some(KeeperMemory { seen, ..memory })),
        Err(error) => {
            tracing::error!(%error, "{}", error.advice());
            Ok(None)
        }
    }
}

/// What ended a wait.
enum Wake {
    Stop,
    Read(io::Result<usize>),
    Request(PositionRequest),
    Tick,
}

struct Actor {
    gps: Option<config::Gps>,
    rate: RateHunt,
    cameras: Vec<CameraId>,
    requests: mpsc::Receiver<PositionRequest>,
    link: watch::Receiver<LinkView>,
    inputs: watch::Receiver<InputsView>,
    unsafe_moving: UnsafeMoving,
    notices: PlaceNotices,
    requests_open: bool,
    view: watch::Sender<Arc<PositionView>>,
    heartbeat: Heartbeat,
    outbox: Outbox,
    port: Option<Port>,
    buffer: Vec<u8>,
    open_at: Mono,
    tries: usize,
    line: BytesToEpochs,
    receiver: ReceiverWatch,
    host: HostClock,
    feed: Feed,
    network_at: Option<Mono>,
    time_marker: PathBuf,
    times: Times,
    stepped: bool,
    dated_by: Option<TrueTime>,
    keeper: SiteKeeper,
    boot_id: String,
    /// When [`SEEN_KEY`] was kept last.
    seen_kept: Mono,
    epochs: Vec<Epoch>,
    actions: Vec<KeeperAction>,
    looked_at: Mono,
    published_at: Mono,
    changed: bool,
}

impl Actor {
    fn new(
        setup: PositionSetup,
        memory: Option<KeeperMemory>,
        rate: Option<u32>,
        outbox: Outbox,
        times: Times,
    ) -> Self {
        let now = clock::moment(HostClock::default().trust(Mono(0)));
        let limits = KeeperLimits {
            move_threshold_m: setup.position.move_threshold_m,
            settle_s: f64::from(setup.position.settle_s),
        };
        let receiver = match &setup.gps {
            None => ReceiverState::NotFitted,
            Some(gps) => ReceiverState::Absent(format!("{} is not open yet", gps.device.display())),
        };
        tracing::info!(trailer = %setup.trailer.as_str(), restored = memory.is_some(), "the site keeper starts");
        let notices = setup.view.borrow().notices.as_ref().clone();
        let feed = Feed::new(setup.gps.as_ref().and_then(|gps| gps.chrony_sock.as_deref()));
        Self {
            rate: RateHunt::new(setup.gps.as_ref().and_then(|gps| gps.baud), rate),
            gps: setup.gps,
            cameras: setup.cameras,
            requests: setup.requests,
            link: setup.link,
            inputs: setup.inputs,
            unsafe_moving: UnsafeMoving::default(),
            // Numbers go on over a restart of this actor.
            notices,
            requests_open: true,
            view: setup.view,
            heartbeat: setup.heartbeat,
            outbox,
            port: None,
            buffer: vec![0; 4096],
            open_at: now.mono,
            tries: 0,
            line: BytesToEpochs::new(DateReference::live(RELEASED, now.utc)),
            receiver: ReceiverWatch::new(receiver, now.mono),
            host: HostClock::resume(times.eras()),
            feed,
            network_at: None,
            time_marker: setup.time_marker,
            times,
            stepped: false,
            dated_by: None,
            keeper: SiteKeeper::new(limits, memory, &now),
            boot_id: setup.boot_id,
            seen_kept: now.mono,
            epochs: Vec::new(),
            actions: Vec::new(),
            looked_at: now.mono,
            published_at: now.mono,
            changed: true,
        }
    }

    async fn run(mut self, stop: CancellationToken) {
        self.look_around();
        self.place_the_first_reads();
        loop {
            let wake = self.wait(&stop).await;
            // Whatever woke it first: the input is old all the same.
            let stalled = STALLED_MS < clock::mono().since_ms(self.looked_at);
            if stalled {
                self.catch_up();
            }
            match wake {
                Wake::Stop => break,
                Wake::Read(_) if stalled => {}
                Wake::Read(read) => self.on_read(read),
                Wake::Request(PositionRequest::Place(request)) => self.on_request(request),
                Wake::Request(PositionRequest::Tow(request)) => self.on_tow(request),
                Wake::Tick => {}
            }
            self.look_around();
            self.heartbeat.turn();
        }
        self.outbox.put(Job::keep(&self.keeper));
        let now = self.now();
        self.keep_seen(now.mono);
        if let Some(memory) = self.times.due(&self.host, &now, true) {
            self.outbox.put(Job::KeepClock(memory));
        }
    }

    /// Reads that were accepted before anything was published, and those of safe mode, have no place. As long as the
    /// kept site is not verified it is told of them as that.
    fn place_the_first_reads(&mut self) {
        let Some(from) = self.keeper.undecided_from() else { return };
        let (to, view) = (clock::mono(), Arc::clone(&self.view.borrow()));
        self.outbox.put(Job::Restamp { from, to, view });
    }

    /// Keeps when the trailer was seen at its site last, for the next start in this boot.
    fn keep_seen(&mut self, now: Mono) {
        self.seen_kept = now;
        if let Some(seen) = self.keeper.seen_at_site().filter(|_| !self.boot_id.is_empty()) {
            self.outbox.put(Job::Seen(memory_form::seen_to_bytes(&seen, &self.boot_id)));
        }
    }

    /// Only waits; every branch is cancel safe.
    async fn wait(&mut self, stop: &CancellationToken) -> Wake {
        let now = self.now().mono;
        let due = [self.line.assembler().deadline(), self.reopen_due()].into_iter().flatten().min();
        let wait_ms = due.map_or(TICK_MS, |due| due.since_ms(now).clamp(1, TICK_MS));
        let Self { port, buffer, requests, requests_open, .. } = self;
        let read = async {
            match port {
                Some(port) => port.read(buffer).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            () = stop.cancelled() => Wake::Stop,
            request = requests.recv(), if *requests_open => request.map_or_else(
                || {
                    *requests_open = false;
                    Wake::Tick
                },
                Wake::Request,
            ),
            read = read => Wake::Read(read),
            () = tokio::time::sleep(Duration::from_millis(wait_ms)) => Wake::Tick,
        }
    }

    fn now(&self) -> Moment {
        clock::moment(self.host.trust(clock::mono()))
    }

    fn reopen_due(&self) -> Option<Mono> {
        (self.gps.is_some() && self.port.is_none()).then_some(self.open_at)
    }

    fn on_read(&mut self, read: io::Result<usize>) {
        match read {
            Ok(len) if 0 < len => {
                let now = self.now();
                let before = self.line.reader().counts().valid;
                self.line.on_bytes(&self.buffer[..len], now.mono, &mut self.epochs);
                let sentences = self.line.reader().counts().valid - before;
                self.receiver.on_bytes(sentences, now.mono);
                self.hunt(len, sentences, now.mono);
            }
            Ok(_) => self.lost("it has gone"),
            Err(error) => self.lost(&error.to_string()),
        }
    }

    /// Bytes that are no sentences mean another speed of the line.
    fn hunt(&mut self, bytes: usize, sentences: u64, now: Mono) {
        let before = self.rate.found();
        let next = self.rate.on_bytes(bytes, sentences, now);
        if let (Some(rate), Some(port)) = (next, &mut self.port) {
            tracing::info!(rate, "no sentences from the GPS receiver: another speed is tried");
            if let Err(error) = port.set_rate(rate) {
                return self.lost(&error.to_string());
            }
        }
        let hunted = self.gps.as_ref().is_some_and(|gps| gps.baud.is_none());
        if let Some(found) = self.rate.found().filter(|found| hunted && before != Some(*found)) {
            tracing::info!(rate = found, "the speed of the GPS receiver's line");
            self.outbox.put(Job::Rate(found));
        }
    }

    /// The device has gone: closed first, so that its name becomes free, then tried again by the same path.
    fn lost(&mut self, detail: &str) {
        self.port = None;
        let now = self.now().mono;
        self.line.on_end(now, &mut self.epochs);
        (self.tries, self.open_at) = (0, now.plus_ms(RETRY_MS[0]));
        if let Some(gps) = &self.gps {
            let text =
                format!("{} was lost ({detail}); look at the cable and plug of the GPS receiver", gps.device.display());
            tracing::warn!("GPS receiver: {text}");
            self.receiver.on_absent(text, now);
        }
    }

    /// The process stood still for a while: what lies in the input is old.
    fn catch_up(&mut self) {
        tracing::warn!("the position actor stood still for over {STALLED_MS} ms; old sentences are thrown away");
        if let Some(port) = &self.port {
            port.drain();
        }
        self.line.on_end(self.looked_at, &mut self.epochs);
        self.epochs.clear();
    }

    /// Everything that is due at this moment, and the news of it.
    fn look_around(&mut self) {
        let now = self.now();
        self.looked_at = now.mono;
        self.look_at_clock(&now);
        if self.network_at.is_none_or(|at| NETWORK_LOOK_MS <= now.mono.since_ms(at)) {
            self.network_at = Some(now.mono);
            if let Some(set) = timesync::last_set(&self.time_marker) {
                self.host.on_network(set, &now);
            }
        }
        // Whoever watches no link sends as if it were up.
        self.keeper.link_is(matches!(*self.link.borrow(), LinkView::NotFitted | LinkView::Up { .. }));
        self.line.assembler_mut().judge_dates_by(DateReference::live(RELEASED, now.utc));
        self.line.assembler_mut().end_if_quiet(now.mono, &mut self.epochs);
        for epoch in self.epochs.drain(..) {
            self.receiver.on_epoch(epoch.outcome.err(), now.mono);
            match &epoch.outcome {
                Ok(fix) => {
                    self.host.on_fix(fix, &now);
                    self.feed.on_fix(&self.host, fix, &now);
                    self.keeper.on_fix(fix, &now, &mut self.actions);
                }
                Err(Refusal::StatusVoid | Refusal::QualityZero) => self.host.on_no_fix(now.mono),
                Err(_) => {}
            }
            self.changed = true;
        }
        self.keeper.on_tick(&now, &mut self.actions);
        if let Some(told) = self.host.true_time() {
            self.keeper.date_anew(&told, &mut self.actions);
        }
        self.feed.on_tick(&now);
        self.tend_port(now.mono);
        let before = self.view.borrow().receiver.clone();
        self.receiver.on_tick(now.mono);
        if before != *self.receiver.state() {
            tracing::info!("GPS receiver: {:?}", self.receiver.state());
            self.changed = true;
        }
        let news = self.changed || !self.actions.is_empty();
        if news || TICK_MS <= now.mono.since_ms(self.published_at) {
            let view = self.tell(&now);
            self.changed = false;
            self.redate(&view);
        }
        self.watch_switches(&now);
        if let Some(memory) = self.times.due(&self.host, &now, false) {
            self.outbox.put(Job::KeepClock(memory));
        }
        if SEEN_KEPT_MS <= now.mono.since_ms(self.seen_kept) {
            self.keep_seen(now.mono);
        }
    }

    /// Takes up a step of the host's clock, and tells it.
    fn look_at_clock(&mut self, now: &Moment) {
        let step_ms = self.host.observe(now);
        if let Some(step_ms) = step_ms {
            tracing::warn!(step_ms, "the host's clock was set");
            self.stepped = true;
            self.changed = true;
        }
        for notice in self.times.look(step_ms, &self.host, now) {
            self.notify(&notice, now);
        }
    }

    /// Moving with the mast up, an axle lock in or stabilisers down is an alarm of its own.
    fn watch_switches(&mut self, now: &Moment) {
        let view = self.view.borrow().clone();
        let news = self.unsafe_moving.look(view.is_moving(), view.is_away(), &self.inputs.borrow(), now.mono);
        if let Some(news) = news {
            self.notify(&NoticeBody::of_unsafe_move(&news, view.last_fix.as_ref(), now), now);
        }
    }

    /// Tells people at the trailer and at the receiver.
    fn notify(&mut self, notice: &NoticeBody, now: &Moment) {
        self.notices.push(now.utc, &notice.kind, notice.urgent, &notice.text);
        self.outbox.notice(notice, now);
        self.changed = true;
    }

    /// Publishes, and puts all that the keeper asked for into the outbox.
    fn tell(&mut self, now: &Moment) -> Arc<PositionView> {
        for notice in self.actions.iter().filter_map(|action| NoticeBody::of_keeper(action, now)) {
            let at = Utc::parse_rfc3339(&notice.at).unwrap_or(now.utc);
            self.notices.push(at, &notice.kind, notice.urgent, &notice.text);
        }
        let view = self.publish(now);
        self.outbox.put_actions(&self.actions, now, &view, &self.keeper);
        self.actions.clear();
        view
    }

    /// Reads that a wrong clock has dated get a later stamp: all of this boot once true time is known, or known
    /// better; those of the last moments after a step of the clock.
    fn redate(&mut self, view: &Arc<PositionView>) {
        let stepped = std::mem::take(&mut self.stepped);
        let from = match (self.dated_by, view.true_time) {
            (_, None) => return,
            // Nothing was dated wrongly yet.
            (None, told) if view.utc_trust.is_trusted() && view.eras.stepped() == Mono(0) => {
                self.dated_by = told;
                return;
            }
            (None, Some(_)) => Mono(0),
            (Some(before), Some(told)) => {
                let better = told.proven && !before.proven;
                if better || REDATED_MS < (told.base_ms() - before.base_ms()).abs() {
                    Mono(0)
                } else if stepped {
                    view.eras.stepped().minus_ms(2 * TICK_MS)
                } else {
                    return;
                }
            }
        };
        self.dated_by = view.true_time;
        let (after, placed_up_to) = (self.times.accepted_before(), self.times.accepted_at_start);
        self.outbox.put(Job::Redate { after, placed_up_to, from, view: Arc::clone(view) });
    }

    /// Opens the device if it is due, and leaves one that is silent or was replaced.
    fn tend_port(&mut self, now: Mono) {
        let Some(gps) = &self.gps else { return };
        let path: &Path = &gps.device;
        if let Some(port) = &self.port {
            let replaced = self.receiver.is_quiet(now) && port.is_elsewhere(path);
            if !replaced && !self.receiver.wants_reopening(now) {
                return;
            }
            tracing::info!(replaced, "the GPS receiver is silent: closed, to be opened again");
            self.port = None;
            self.open_at = now;
        }
        if now < self.open_at {
            return;
        }
        match Port::open(path, self.rate.rate()) {
            Ok(port) => {
                self.port = Some(port);
                self.tries = 0;
                self.rate.on_open();
                self.receiver.on_open(now);
            }
            Err(error) => {
                self.receiver.on_absent(format!("{error}; {}", error.advice()), now);
                self.open_at = now.plus_ms(RETRY_MS[self.tries.min(RETRY_MS.len() - 1)]);
                self.tries += 1;
            }
        }
    }

    fn publish(&mut self, now: &Moment) -> Arc<PositionView> {
        self.published_at = now.mono;
        let mut view = PositionView::default();
        self.keeper.fill(&mut view);
        view.notices = Arc::new(self.notices.clone());
        view.receiver = self.receiver.state().clone();
        let hunted = self.gps.as_ref().is_some_and(|gps| gps.baud.is_none());
        view.gps_rate = self.port.as_ref().and_then(Port::rate);
        view.gps_rate_found = self.rate.found().filter(|_| hunted);
        view.gps_rates_in_vain = self.rate.in_vain();
        let age_ms = i64::try_from(now.mono.since_ms(self.receiver.since())).unwrap_or(i64::MAX);
        view.receiver_since = Some((self.receiver.since(), now.utc.plus_ms(-age_ms)));
        view.clock_offset = self.host.offset();
        view.utc_trust = self.host.trust(now.mono);
        view.clock_error_ms = self.host.error_ms(now.mono);
        view.true_time = self.host.true_time();
        view.host_set_by_network = self.host.is_set_by_network(now.mono);
        view.clock_feed = self.feed.state().clone();
        let counts = self.line.reader().counts();
        view.sentences = counts.valid;
        view.sentences_refused = counts.wrong + counts.missing;
        let epochs = self.line.assembler().counts();
        view.fixes_used = epochs.used;
        view.dates_mended = epochs.dates_mended;
        view.fixes_refused = epochs.refused_in_all();
        view.eras = self.host.eras().clone();
        let view = Arc::new(view);
        self.view.send_replace(Arc::clone(&view));
        view
    }

    fn on_request(&mut self, request: PlaceRequest) {
        let now = self.now();
        // Else an instant of this very millisecond could lie beyond what is known of the clock.
        self.look_at_clock(&now);
        let (answer, result) = places::change(request, &mut self.keeper, &self.cameras, &now);
        match result {
            Ok(changed) => {
                let view = self.publish(&now);
                let rows = places::rows(&self.keeper, &view, &self.cameras, &now);
                let job =
                    if changed { Job::keep_and_answer(&self.keeper, answer, rows) } else { Job::Answer(answer, rows) };
                self.outbox.put(job);
            }
            // Whoever asked may have gone.
            Err(problem) => drop(answer.send(Err(problem))),
        }
    }

    fn on_tow(&mut self, request: TowRequest) {
        let now = self.now();
        self.look_at_clock(&now);
        let (answer, result) = places::tow(request, &mut self.keeper, &now, &mut self.actions);
        match result {
            // In this order, so that the announcement is durable and on its way before anybody is told so.
            Ok(()) => {
                let view = self.tell(&now);
                self.outbox.put(Job::TowAnswer(answer, view));
            }
            // Whoever asked may have gone.
            Err(problem) => drop(answer.send(Err(problem))),
        }
    }
}
