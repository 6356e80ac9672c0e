//! The intake: where the recognition engine hands in its reads, over HTTP/1.1 on a unix socket and on a loopback port.
//! Contract: `docs/INTAKE.md`.
//!
//! Promise: 202 is answered only after the reads are on the disk. A read is stamped here, once, by its capture time;
//! what is decided later about its place replaces the stamp and never the read.

mod answer;
mod batch;
mod images;
mod listen;
mod phase;
mod refused;
mod request;
mod serve;
mod spool;
mod stream;

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use crate::store::{StoreError, StoreHandle};
use aws_lc_rs::hmac;
use listen::Listens;
use phase::{Connection, Connections, Door};
use pintle_core::cameras::{CameraView, IntakeView, Refusal, SpoolView};
use pintle_core::ids::CameraId;
use pintle_core::moment::Mono;
use pintle_core::position::PositionView;
use pintle_core::wire::problem::{Problem, TYPE_PREFIX};
use pintle_core::wire::read_in;
use spool::SpoolSetup;
use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, UnixStream};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::{info, warn};

/// The store may take this long for one commit, ms; then the engine is told to come again (our own: longer than any
/// sync of a healthy disk, shorter than the patience of an engine).
const STORE_WAIT_MS: u64 = 10_000;
/// Of the connections this many are kept for the unix socket, but at most half (our own: the engine needs one or two).
const KEPT_FOR_SOCKET: usize = 8;
/// Pause after a failed accept, ms (source: fault 30, descriptors run out).
const ACCEPT_PAUSE_MS: u64 = 100;
/// How soon a full house looks again whether somebody can give way, ms (our own).
const FULL_HOUSE_PAUSE_MS: u64 = 25;
/// The view is published at most once in this time, ms (source: design, health files are written every few seconds).
const PUBLISH_EVERY_MS: u64 = 1000;
/// The intake asks itself over its own door this often, ms (source: fault 30; the watchdog depends on it).
const PROBE_EVERY_MS: u64 = 2000;
/// While it refuses everything it asks the queue this often whether that is over, ms (our own).
const TROUBLE_LOOK_EVERY_MS: u64 = 1000;
/// Refusals are logged at most once in this time, ms (our own: a peer must not fill the disk).
const LOG_REFUSALS_EVERY_MS: u64 = 60_000;
/// The queue may take this long with what the intake remembers, ms; then it is tried again (our own: shorter than the
/// patience of the watchdog by far).
const REMEMBER_WAIT_MS: u64 = 1000;
/// Where the queue keeps how many ids were used twice.
const CONFLICTS: &str = "intake.conflicts";
/// At the stop requests under way have this long to be finished, ms (our own).
const STOP_WAIT_MS: u64 = 3000;

/// What the intake needs.
pub struct IntakeSetup {
    /// Doors and limits.
    pub intake: config::Intake,
    /// Limits of pictures.
    pub images: config::Images,
    /// The folder of reads as files, with the settings of the queue that it keeps to; `None`: none.
    pub spool: Option<(config::Spool, config::Queue)>,
    /// True where reads are sealed: then each must bring an id of its own.
    pub ids_needed: bool,
    /// The configured cameras.
    pub cameras: Vec<config::Camera>,
    /// The queue.
    pub store: StoreHandle,
    /// Where the trailer is and was.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// What the intake tells of itself; `open` turns true once it listens.
    pub view: watch::Sender<IntakeView>,
    /// Turns with every request of its own that the intake has answered.
    pub heartbeat: Heartbeat,
}

/// Why the intake can't start.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// The unix socket can't be made.
    #[error("the intake's socket {path} can't be made")]
    Socket {
        /// `intake.socket`
        path: String,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// Something that is no socket stands in its place.
    #[error("{path} is to be the intake's socket, but a file that is no socket stands there")]
    NoSocket {
        /// `intake.socket`
        path: String,
    },
    /// Another process answers there.
    #[error("another process is listening on {path}")]
    InUse {
        /// `intake.socket`
        path: String,
    },
    /// The port can't be had.
    #[error("the intake can't listen on {address}")]
    Port {
        /// `intake.listen`
        address: SocketAddr,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// An address that others can reach.
    #[error("{address} is no loopback address")]
    NotLoopback {
        /// `intake.listen`
        address: SocketAddr,
    },
    /// The queue gave no key for ids.
    #[error("the queue has no key for ids")]
    Store(#[from] StoreError),
}

impl IntakeError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Socket { .. } => "look whether the folder of intake.socket exists and belongs to the agent's user",
            Self::NoSocket { .. } => "move that file away, or give intake.socket another path",
            Self::InUse { .. } => "stop the other agent, or give intake.socket another path",
            Self::Port { .. } => "look which program uses that port, or give intake.listen another one",
            Self::NotLoopback { .. } => {
                "give intake.listen an address like 127.0.0.1:7400; reads come from this computer only"
            }
            Self::Store(problem) => problem.advice(),
        }
    }
}

/// What all connections share.
struct Shared {
    limits: config::Intake,
    images: images::Images,
    cameras: Vec<CameraId>,
    store: StoreHandle,
    position: watch::Receiver<Arc<PositionView>>,
    ids: batch::Ids,
    prepare: batch::Prepare,
    set_aside: batch::SetAside,
    connections: Connections,
    view: Mutex<IntakeView>,
    changed: AtomicBool,
}

impl Shared {
    fn new(setup: &IntakeSetup, id_key: &[u8; 32]) -> Self {
        let view = IntakeView {
            cameras: setup
                .cameras
                .iter()
                .map(|c| CameraView { id: c.id.clone(), label: c.label.clone(), reads: 0, hits: 0, last_read: None })
                .collect(),
            ..IntakeView::default()
        };
        Self {
            limits: setup.intake.clone(),
            images: images::Images::new(setup.images.clone(), Arc::clone(setup.store.blobs())),
            cameras: setup.cameras.iter().map(|camera| camera.id.clone()).collect(),
            store: setup.store.clone(),
            position: setup.position.clone(),
            ids: batch::Ids { key: hmac::Key::new(hmac::HMAC_SHA256, id_key), needed: setup.ids_needed },
            prepare: batch::prepare,
            set_aside: batch::SetAside::default(),
            connections: Connections::default(),
            view: Mutex::new(view),
            changed: AtomicBool::new(true),
        }
    }

    fn tally(&self, change: impl FnOnce(&mut IntakeView)) {
        change(&mut self.view.lock().unwrap_or_else(PoisonError::into_inner));
        self.changed.store(true, Ordering::Relaxed);
    }

    fn seen(&self) -> IntakeView {
        self.view.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Tells why everything is refused, or that it isn't any more. Logs only the change.
    fn trouble(&self, trouble: Option<String>) {
        let mut view = self.view.lock().unwrap_or_else(PoisonError::into_inner);
        if view.trouble == trouble {
            return;
        }
        if let Some(trouble) = &trouble {
            warn!(trouble, "reads are refused");
        } else {
            info!("reads are taken again");
        }
        view.trouble = trouble;
        self.changed.store(true, Ordering::Relaxed);
    }

    /// Tells how the spool folder is. Logs only the change.
    fn spool(&self, now: SpoolView) {
        let mut view = self.view.lock().unwrap_or_else(PoisonError::into_inner);
        if view.spool == now {
            return;
        }
        match &now {
            SpoolView::Failing(why) => warn!(why, "the spool folder can't be used; pintle check says what is missing"),
            SpoolView::Watched => info!("the spool folder is watched"),
            // Told in the log where it is found, with what leads to the file.
            SpoolView::Unreadable { .. } | SpoolView::None => {}
        }
        view.spool = now;
        self.changed.store(true, Ordering::Relaxed);
    }

    fn count_acceptance(&self) {
        self.tally(|view| {
            view.accepted += 1;
            view.refusals.recent.count(true, clock::mono());
        });
    }

    /// Kind and title are our own words, and the field one of the contract's: never anything that was sent.
    fn count_refusal(&self, problem: &Problem) {
        let kind = problem.kind.trim_start_matches(TYPE_PREFIX).to_owned();
        let of = problem.field.as_deref().and_then(|path| path.split(['.', '[']).next()).unwrap_or_default();
        let field = read_in::FIELDS.into_iter().find(|known| *known == of);
        self.tally(|view| {
            view.refused += 1;
            *view.refusals.by_kind.entry(kind.clone()).or_default() += 1;
            let last = Refusal { kind, title: problem.title.clone(), field };
            // What is not the sender's fault has needs of its own, and says nothing of the engine.
            if problem.status < 500 {
                view.refusals.recent.count(false, clock::mono());
                view.refusals.last_of_engine = Some(last.clone());
            }
            view.refusals.last = Some(last);
        });
    }

    fn refuse(&self, problem: &Problem, unread: bool) -> answer::Answer {
        self.count_refusal(problem);
        answer::refused(problem, unread)
    }

    fn port_connections_max(&self) -> usize {
        let all = self.limits.connections_max as usize;
        if self.limits.socket.is_none() { all } else { all - KEPT_FOR_SOCKET.min(all / 2) }
    }
}

/// Runs until `stop`: then no new request is taken, and those under way are finished.
///
/// # Errors
/// [`IntakeError`] if a door can't be opened; later faults of the world are states in the view.
pub async fn run(setup: IntakeSetup, stop: CancellationToken) -> Result<(), IntakeError> {
    let id_key = setup.store.id_key().await?;
    serve_all(setup, stop, &id_key, batch::prepare).await
}

async fn serve_all(
    setup: IntakeSetup,
    stop: CancellationToken,
    id_key: &[u8; 32],
    prepare: batch::Prepare,
) -> Result<(), IntakeError> {
    let socket = match &setup.intake.socket {
        Some(path) => Some(listen::socket(path).await?),
        None => None,
    };
    let port = match setup.intake.listen {
        Some(address) => Some(listen::port(address).await?),
        None => None,
    };
    let address = port.as_ref().and_then(|port| port.local_addr().ok());
    let shared = Arc::new(Shared { prepare, ..Shared::new(&setup, id_key) });
    shared.tally(|view| {
        view.open = true;
        view.address = address;
    });
    setup.view.send_replace(shared.seen());
    info!(address = address.map(|a| a.to_string()), socket = socket.is_some(), "intake is open");
    let mut mind = Mind::new(&shared, &setup, address);
    let tasks = TaskTracker::new();
    let doors = async {
        let room = |door, max| Room { door, max, shared: &shared, tasks: &tasks, stop: &stop };
        let by_socket = async {
            if let Some(socket) = &socket {
                take_in(&socket.listener, room(Door::Socket, shared.limits.connections_max as usize)).await;
            }
        };
        let by_port = async {
            if let Some(port) = &port {
                take_in(port, room(Door::Port, shared.port_connections_max())).await;
            }
        };
        tokio::join!(by_socket, by_port)
    };
    let spool = async {
        let Some((spool, queue)) = setup.spool.clone() else { return std::future::pending().await };
        let plaintext = queue.seal == config::Seal::None;
        spool::run(&shared, SpoolSetup { spool, plaintext, keep_s: queue.waiting_keep_s }, &stop).await;
    };
    tokio::select! {
        () = spool => {}
        ((), ()) = doors, if socket.is_some() || port.is_some() => {}
        () = mind.mind() => {}
        () = stop.cancelled() => {}
    }
    drop((socket, port));
    tasks.close();
    if tokio::time::timeout(Duration::from_millis(STOP_WAIT_MS), tasks.wait()).await.is_err() {
        warn!(connections = tasks.len(), "connections were cut at the stop");
    }
    mind.remember().await;
    shared.tally(|view| view.open = false);
    setup.view.send_replace(shared.seen());
    Ok(())
}

/// Where connections of one door go.
struct Room<'r> {
    door: Door,
    max: usize,
    shared: &'r Arc<Shared>,
    tasks: &'r TaskTracker,
    stop: &'r CancellationToken,
}

/// Takes connections in by one door for ever. A full house keeps the next one waiting until another gives way.
async fn take_in(listener: &impl Listens, room: Room<'_>) {
    let mut failing = false;
    loop {
        let stream = match listener.next().await {
            Ok(stream) => stream,
            Err(source) => {
                if !failing {
                    warn!(%source, "the intake can't take connections in; it goes on trying");
                }
                failing = true;
                tokio::time::sleep(Duration::from_millis(ACCEPT_PAUSE_MS)).await;
                continue;
            }
        };
        failing = false;
        while !room.shared.connections.room_for(room.door, room.max) {
            tokio::time::sleep(Duration::from_millis(FULL_HOUSE_PAUSE_MS)).await;
        }
        let connection = room.shared.connections.enter(room.door);
        let inside = Inside { shared: Arc::clone(room.shared), connection: Arc::clone(&connection) };
        let (shared, stop) = (Arc::clone(room.shared), room.stop.clone());
        room.tasks.spawn(async move {
            let _inside = inside;
            serve::serve(stream, connection, shared, stop).await;
        });
    }
}

/// A connection's entry in the list, which goes however its task ends.
struct Inside {
    shared: Arc<Shared>,
    connection: Arc<Connection>,
}

impl Drop for Inside {
    fn drop(&mut self) {
        self.shared.connections.leave(&self.connection);
        if std::thread::panicking() {
            self.shared.tally(|view| view.panics += 1);
        }
    }
}

/// Publishes the view, asks itself over its own door, looks whether a trouble is over, and remembers what must outlive
/// a restart.
struct Mind<'m> {
    shared: &'m Shared,
    view: &'m watch::Sender<IntakeView>,
    heartbeat: &'m Heartbeat,
    address: Option<SocketAddr>,
    conflicts: Conflicts,
}

/// Ids that were used twice: what is known of them from before the start, and what is written down.
#[derive(Default)]
struct Conflicts {
    restored: bool,
    dated: u64,
    kept: u64,
}

impl<'m> Mind<'m> {
    fn new(shared: &'m Shared, setup: &'m IntakeSetup, address: Option<SocketAddr>) -> Self {
        let (view, heartbeat) = (&setup.view, &setup.heartbeat);
        Self { shared, view, heartbeat, address, conflicts: Conflicts::default() }
    }

    async fn mind(&mut self) {
        let mut published = tokio::time::interval(Duration::from_millis(PUBLISH_EVERY_MS));
        published.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let (mut probed, mut looked, mut logged) = (Mono(0), Mono(0), None::<Mono>);
        let mut refused = 0;
        loop {
            published.tick().await;
            self.remember().await;
            if self.shared.changed.swap(false, Ordering::Relaxed) {
                self.view.send_replace(self.shared.seen());
            }
            let now = clock::mono();
            if PROBE_EVERY_MS <= now.since_ms(probed) {
                probed = now;
                self.probe().await;
            }
            let seen = self.shared.seen();
            if seen.trouble.is_some() && TROUBLE_LOOK_EVERY_MS <= now.since_ms(looked) {
                looked = now;
                let figures = tokio::time::timeout(Duration::from_millis(STORE_WAIT_MS), self.shared.store.figures());
                if let Ok(Ok(figures)) = figures.await
                    && figures.trouble.is_none()
                {
                    self.shared.trouble(None);
                }
            }
            // The first one at once; then the rest of each minute in one line.
            if refused < seen.refused && logged.is_none_or(|at| LOG_REFUSALS_EVERY_MS <= now.since_ms(at)) {
                let last = seen.refusals.last.unwrap_or_default();
                let (kind, field) = (last.kind, last.field.unwrap_or_default());
                warn!(refused = seen.refused - refused, kind, field, "requests were refused");
                (refused, logged) = (seen.refused, Some(now));
            }
        }
    }

    /// Takes up what an earlier process knew of ids that were used twice, and writes down what is new of it. Tried
    /// again at the next turn: no read waits for it.
    async fn remember(&mut self) {
        let wait = Duration::from_millis(REMEMBER_WAIT_MS);
        let store = &self.shared.store;
        if !self.conflicts.restored {
            let Ok(Ok(kept)) = tokio::time::timeout(wait, store.kept(CONFLICTS)).await else { return };
            let (count, at_ms) = kept.as_deref().and_then(conflicts_of).unwrap_or_default();
            self.conflicts = Conflicts { restored: true, dated: count, kept: count };
            if 0 < count {
                self.shared.tally(|view| {
                    view.id_conflicts += count;
                    view.last_conflict_ms = Some(at_ms);
                });
            }
        }
        let count = self.shared.seen().id_conflicts;
        if count != self.conflicts.dated {
            let figures = tokio::time::timeout(wait, store.figures()).await;
            let Some(lived_ms) = figures.ok().and_then(Result::ok).and_then(|figures| figures.lived_ms) else { return };
            self.shared.tally(|view| view.last_conflict_ms = Some(lived_ms));
            self.conflicts.dated = count;
        }
        let at_ms = self.shared.seen().last_conflict_ms.unwrap_or(0);
        if self.conflicts.dated != self.conflicts.kept {
            let value = [self.conflicts.dated.to_be_bytes(), at_ms.to_be_bytes()].concat();
            if let Ok(Ok(())) = tokio::time::timeout(wait, store.keep(CONFLICTS, value)).await {
                self.conflicts.kept = self.conflicts.dated;
            }
        }
    }

    /// A request of its own; the heartbeat turns only if it is answered.
    async fn probe(&self) {
        let asked = async {
            match (&self.shared.limits.socket, self.address) {
                (Some(path), _) => ask(UnixStream::connect(path).await?).await,
                (None, Some(address)) => ask(TcpStream::connect(address).await?).await,
                (None, None) => Ok(()),
            }
        };
        if let Ok(Ok(())) = tokio::time::timeout(Duration::from_millis(PROBE_EVERY_MS), asked).await {
            self.heartbeat.turn();
        }
    }
}

/// Count, and the queue's age at the last one, ms.
fn conflicts_of(kept: &[u8]) -> Option<(u64, i64)> {
    let (count, at_ms) = kept.split_first_chunk::<8>()?;
    Some((u64::from_be_bytes(*count), i64::from_be_bytes(at_ms.try_into().ok()?)))
}

async fn ask(mut stream: impl AsyncRead + AsyncWrite + Unpin) -> io::Result<()> {
    stream.write_all(b"GET /v1/health HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n").await?;
    let mut answer = [0; 12];
    stream.read_exact(&mut answer).await?;
    if &answer == b"HTTP/1.1 200" { Ok(()) } else { Err(io::ErrorKind::InvalidData.into()) }
}

#[cfg(test)]
mod tests;
