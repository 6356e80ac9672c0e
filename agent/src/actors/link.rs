//! Watches the tether's interface. First reading: the kernel's own words, looked at every second; what gets through is
//! said by the receipts.

use super::heartbeat::Heartbeat;
use crate::config;
use crate::io::netif;
use pintle_core::link::LinkView;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// How often the interface is looked at (our own choice: three small files a second cost nothing).
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// What the link watcher needs.
pub struct LinkSetup {
    /// `[link]`; `None`: not fitted.
    pub link: Option<config::Link>,
    /// Where the state goes; told only when it changes.
    pub view: watch::Sender<LinkView>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
pub async fn run(setup: LinkSetup, stop: CancellationToken) {
    let Some(link) = setup.link else {
        setup.view.send_replace(LinkView::NotFitted);
        stop.cancelled().await;
        return;
    };
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        let seen = netif::read(&link.sysfs_dir, &link.interface);
        setup.view.send_if_modified(|view| {
            let changed = *view != seen;
            if changed {
                match &seen {
                    LinkView::Up { interface } => info!(link.interface = %interface, "the link is up"),
                    other => warn!(link.state = pintle_core::health::link_word(other), "the link changed"),
                }
                view.clone_from(&seen);
            }
            changed
        });
        setup.heartbeat.turn();
    }
}
