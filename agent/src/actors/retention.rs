//! Lets go what has reached its age limit: asks the store once a minute, and at once again while much is left.

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::store::{StoreError, StoreHandle};
use pintle_core::position::PositionView;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// Time between two looks. The shortest limit is 180 s, so a read outlives its limit by a third of it at most (our
/// own).
const LOOK_EVERY: Duration = Duration::from_mins(1);

/// Pause between two slices of one look, so that the intake's commits go in between (our own).
const BETWEEN_SLICES: Duration = Duration::from_millis(50);

/// What the actor is given.
#[derive(Clone)]
pub struct RetentionSetup {
    /// The queue.
    pub store: StoreHandle,
    /// How far the clock is trusted: an untrusted one purges nothing.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// Turned after each look.
    pub heartbeat: Heartbeat,
}

/// Runs until stopped. A store that can't do it now is asked again a minute later.
pub async fn run(setup: RetentionSetup, stop: CancellationToken) {
    let mut told = None;
    loop {
        let wait = match slice(&setup).await {
            Ok(0) => LOOK_EVERY,
            Ok(_) => BETWEEN_SLICES,
            Err(error) => {
                let text = error.to_string();
                if told.as_ref() != Some(&text) {
                    warn!(why = %error, advice = error.advice(), "nothing could be let go");
                    told = Some(text);
                }
                LOOK_EVERY
            }
        };
        setup.heartbeat.turn();
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.cancelled() => return,
        }
    }
}

async fn slice(setup: &RetentionSetup) -> Result<u64, StoreError> {
    let trust = setup.position.borrow().utc_trust;
    let gone = setup.store.retire(clock::moment(trust)).await?;
    if 0 < gone {
        info!(retention.gone = gone, "events have reached their age limit");
    }
    Ok(gone)
}
