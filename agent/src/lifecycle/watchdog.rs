//! Tells systemd how it goes, and feeds its watchdog only while the work itself goes on.

use crate::actors::heartbeat::Heartbeat;
use crate::store::StoreHandle;
use sd_notify::NotifyState;
use std::time::Duration;

/// The queue must give its figures within this (our own limit; a sync of a slow card takes a second).
const STORE_WAIT: Duration = Duration::from_secs(5);
/// Without a word from systemd the watch looks this often, for the log alone.
const LOOK: Duration = Duration::from_secs(30);

/// Tells systemd something; without systemd nothing happens.
pub fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "systemd did not take the message");
    }
}

/// What must make progress for the watchdog to be fed.
#[derive(Debug)]
pub struct Watched {
    name: &'static str,
    heartbeat: Heartbeat,
    seen: u64,
}

impl Watched {
    /// Watches `heartbeat` under `name`.
    #[must_use]
    pub fn new(name: &'static str, heartbeat: &Heartbeat) -> Self {
        Self { name, seen: heartbeat.turns(), heartbeat: heartbeat.clone() }
    }

    fn has_moved(&mut self) -> bool {
        let turns = self.heartbeat.turns();
        let moved = turns != self.seen;
        self.seen = turns;
        moved
    }
}

/// Feeds the watchdog for ever, at half of its time, from the progress of `watched` and of the queue.
pub async fn feed(mut watched: Vec<Watched>, store: StoreHandle) {
    let every = sd_notify::watchdog_enabled().map_or(LOOK, |limit| limit / 2);
    let mut hungry = false;
    loop {
        tokio::time::sleep(every).await;
        let mut still: Vec<&str> =
            watched.iter_mut().filter_map(|one| (!one.has_moved()).then_some(one.name)).collect();
        // A store in trouble answers with its trouble and is alive; only silence is a stall.
        if tokio::time::timeout(STORE_WAIT.min(every), store.figures()).await.is_err() {
            still.push("queue");
        }
        if still.is_empty() {
            tell(&[NotifyState::Watchdog]);
        } else if !hungry {
            tracing::error!(stalled = still.join(", "), "no progress: the watchdog is not fed");
        }
        hungry = !still.is_empty();
    }
}
