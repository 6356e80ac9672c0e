//! Watches the computer itself: load, memory, temperature, time since its start.

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::io::meters::Meters;
use pintle_core::host::HostView;
use pintle_core::moment::UtcTrust;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// How often the meters are read (our own choice: heat and memory change in minutes).
const READ_EVERY: Duration = Duration::from_secs(10);

/// What the host watcher needs.
pub struct HostSetup {
    /// Where the figures go.
    pub view: watch::Sender<HostView>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
pub async fn run(setup: HostSetup, stop: CancellationToken) {
    let mut meters = Meters::new();
    let mut ticks = tokio::time::interval(READ_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        setup.view.send_replace(meters.read(&clock::moment(UtcTrust::Unset)));
        setup.heartbeat.turn();
    }
}
