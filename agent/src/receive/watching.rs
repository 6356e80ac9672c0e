//! Watches over the trailers that send here: raises silence and need, and the ends of both.

use super::fleet::raise;
use super::store::ReceiverStore;
use crate::clock;
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use tracing::warn;

/// How often it is looked (our own choice: silence is told in minutes).
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// Runs until `stop`. `silent_s`: after so long without a word a trailer is called silent.
pub async fn run(store: ReceiverStore, silent_s: u64, stop: CancellationToken) {
    let started = clock::utc();
    let silent_ms = i64::try_from(silent_s.saturating_mul(1000)).unwrap_or(i64::MAX);
    let look_every = LOOK_EVERY.min(Duration::from_secs(silent_s.max(1)));
    let mut failing = false;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(look_every) => {}
        }
        let now = clock::utc();
        match store.work(move |work| raise(work, now, silent_ms, started)).await {
            Ok(0) => failing = false,
            Ok(raised) => {
                failing = false;
                warn!(raised, "raised: trailers are silent or need somebody, or no longer; see the survey");
            }
            Err(error) => {
                if !failing {
                    warn!(%error, advice = error.advice(), "trailers can't be watched over");
                }
                failing = true;
            }
        }
    }
}
