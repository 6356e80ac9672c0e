//! From the start of the parts to their end: who runs on which thread, what is told to systemd, in which order all
//! stops.

pub mod crashes;
pub mod log;
pub mod supervise;
pub mod watchdog;

use crate::store::StoreHandle;
use sd_notify::NotifyState;
use std::future::Future;
use std::io;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::oneshot;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use watchdog::{Watched, feed, tell};

/// The intake finishes its requests within this (it cuts what takes longer itself).
const INTAKE_WAIT: Duration = Duration::from_millis(3500);
/// Every other step of a stop; three of them and the intake stay under 10 s together (design).
const STEP_WAIT: Duration = Duration::from_secs(2);

/// A "ready" that systemd did not take is said again after this.
const READY_AGAIN: Duration = Duration::from_millis(500);

/// A runtime of our kind: one thread, so that nothing of it can run beside itself.
///
/// # Errors
/// Whatever the system says.
pub fn runtime() -> io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_current_thread().enable_all().build()
}

/// The intake's own thread.
#[derive(Debug)]
pub struct IntakeThread {
    stop: CancellationToken,
    ended: oneshot::Receiver<()>,
    thread: JoinHandle<()>,
}

impl IntakeThread {
    /// Starts `part` on a runtime and thread of its own, where nothing that talks outward can hold it up.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn start<R>(part: impl FnOnce(CancellationToken) -> R + Send + 'static) -> io::Result<Self>
    where
        R: Future<Output = ()>,
    {
        let runtime = runtime()?;
        let stop = CancellationToken::new();
        let (ending, ended) = oneshot::channel();
        let until = stop.clone();
        let thread = std::thread::Builder::new().name("intake".to_owned()).spawn(move || {
            runtime.block_on(part(until));
            drop(ending);
        })?;
        Ok(Self { stop, ended, thread })
    }

    async fn end(self) {
        self.stop.cancel();
        // The other half is dropped when the thread is done, which is an answer too.
        if tokio::time::timeout(INTAKE_WAIT, self.ended).await.is_err() {
            tracing::error!("the intake did not stop in time");
        } else if self.thread.join().is_err() {
            tracing::error!("the intake's thread panicked");
        }
    }
}

/// Parts that stop together.
#[derive(Debug, Default)]
pub struct Parts {
    stop: CancellationToken,
    running: JoinSet<()>,
}

impl Parts {
    /// Adds a part; `part` gets the token that stops all of them.
    pub fn add<R>(&mut self, part: impl FnOnce(CancellationToken) -> R)
    where
        R: Future<Output = ()> + Send + 'static,
    {
        self.running.spawn(part(self.stop.clone()));
    }

    async fn end(mut self, what: &'static str) {
        self.stop.cancel();
        let all = async { while self.running.join_next().await.is_some() {} };
        if tokio::time::timeout(STEP_WAIT, all).await.is_err() {
            tracing::error!(what, parts = self.running.len(), "parts did not stop in time");
        }
    }
}

/// Everything that runs, in the order in which it stops.
#[derive(Debug)]
pub struct Running {
    /// Stops first: nothing new is taken in.
    pub intake: IntakeThread,
    /// Stop next: what they hold goes back to the queue.
    pub outward: Parts,
    /// Stops last, so that the last health file can say what is left in the queue.
    pub health: Parts,
}

/// SIGTERM and SIGINT, caught from its making on.
#[derive(Debug)]
pub struct StopSignals {
    term: Signal,
    int: Signal,
}

impl StopSignals {
    /// Catches both from now on.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn new() -> io::Result<Self> {
        Ok(Self { term: signal(SignalKind::terminate())?, int: signal(SignalKind::interrupt())? })
    }

    /// Waits for the first of them. Cancel safe.
    pub async fn told(&mut self) {
        tokio::select! {
            _ = self.term.recv() => {}
            _ = self.int.recv() => {}
        }
    }
}

/// Says "ready" once `open` is true, then feeds the watchdog for ever.
pub async fn watch_over(mut open: impl AsyncFnMut(), watched: Vec<Watched>, store: StoreHandle, status: String) {
    open().await;
    while !tell(&[NotifyState::Ready, NotifyState::Status(&status)]) {
        tokio::time::sleep(READY_AGAIN).await;
    }
    tracing::info!(status, "ready");
    feed(watched, store).await;
}

/// Stops everything in order, within 10 s whatever hangs. Returns whether the queue was closed in order.
pub async fn stop(running: Running, store: &StoreHandle) -> bool {
    tell(&[NotifyState::Stopping, NotifyState::Status("stopping")]);
    tracing::info!("stopping");
    running.intake.end().await;
    running.outward.end("outward").await;
    running.health.end("health").await;
    match tokio::time::timeout(STEP_WAIT, store.close()).await {
        Ok(Ok(())) => {
            tracing::info!("stopped");
            true
        }
        Ok(Err(error)) => {
            tracing::error!(%error, "the queue was not closed in order; nothing accepted is lost by that");
            false
        }
        Err(_) => {
            tracing::error!("the queue did not close in time; nothing accepted is lost by that");
            false
        }
    }
}
