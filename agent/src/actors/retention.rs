//! Lets go what has reached its age limit: asks the store once a minute, and at once again while much is left.

use super::heartbeat::Heartbeat;
use crate::audit::{self, Entry, Who};
use crate::clock;
use crate::store::{StoreError, StoreHandle};
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::PositionView;
use pintle_core::queue::holds::HoldChange;
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

/// Purges are told to the audit at most this often, ms (our own).
const PURGES_TOLD_EVERY_MS: u64 = 3_600_000;

/// What the actor is given.
#[derive(Clone)]
pub struct RetentionSetup {
    /// The queue.
    pub store: StoreHandle,
    /// How far the clock is trusted: an untrusted one purges nothing.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// Where purges are written down.
    pub audit: audit::Log,
    /// Turned after each look.
    pub heartbeat: Heartbeat,
}

/// Runs until stopped. A store that can't do it now is asked again a minute later.
pub async fn run(setup: RetentionSetup, stop: CancellationToken) {
    let mut told = None;
    let mut purged = Purged::default();
    loop {
        let wait = match slice(&setup).await {
            Ok(0) => LOOK_EVERY,
            Ok(gone) => {
                purged.add(gone);
                BETWEEN_SLICES
            }
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
        if wait == LOOK_EVERY {
            purged.tell(&setup, false).await;
            tell_ended(&setup).await;
            let log = setup.audit.clone();
            drop(tokio::task::spawn_blocking(move || log.probe()).await);
        }
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.cancelled() => {
                purged.tell(&setup, true).await;
                return;
            }
        }
    }
}

/// What went since the audit was told last. The first purge after a quiet hour is told at once, those behind it
/// together: a trailer that lets a read go each minute would write half a million entries a year.
#[derive(Default)]
struct Purged {
    events: u64,
    from: Option<Utc>,
    to: Option<Utc>,
    told: Option<Mono>,
    /// Destroyed content keys that the audit knows of.
    keys_told: u64,
}

impl Purged {
    fn add(&mut self, gone: u64) {
        let now = clock::utc();
        self.events += gone;
        self.from.get_or_insert(now);
        self.to = Some(now);
    }

    async fn tell(&mut self, setup: &RetentionSetup, now_or_never: bool) {
        let now = clock::mono();
        let keys = setup.store.figures().await.map_or(self.keys_told, |figures| figures.keys_destroyed);
        let keys_destroyed = keys.saturating_sub(self.keys_told);
        if 0 < keys_destroyed {
            let utc = clock::utc();
            self.from.get_or_insert(utc);
            self.to = Some(utc);
        }
        let due = now_or_never || self.told.is_none_or(|at| PURGES_TOLD_EVERY_MS <= now.since_ms(at));
        let Some((from, to)) = self.from.zip(self.to).filter(|_| due) else { return };
        let entry = Entry::new(Who::agent(), "purge", "done")
            .with("events", self.events)
            .with("keys_destroyed", keys_destroyed)
            .with("from", from.to_rfc3339())
            .with("to", to.to_rfc3339());
        *self = Self { told: Some(now), keys_told: keys, ..Self::default() };
        if let Err(error) = setup.audit.write(entry).await {
            warn!(why = %error, "a purge is not in the audit yet");
        }
    }
}

/// Holds that ended by themselves are told in the audit, and forgotten only then.
async fn tell_ended(setup: &RetentionSetup) {
    let holds = setup.store.holds().await.unwrap_or_default();
    for (hold, _) in holds.iter().filter(|(hold, _)| hold.ended) {
        let entry = Entry::new(Who::agent(), "hold.expired", "done")
            .with("hold", hold.number)
            .with("case", &hold.asked.case)
            .with("by", &hold.asked.by);
        if let Err(error) = setup.audit.write(entry).await {
            warn!(why = %error, "the end of a hold is not in the audit yet");
            return;
        }
        let trust = setup.position.borrow().utc_trust;
        let forgotten = setup.store.hold(HoldChange::End { number: hold.number }, clock::moment(trust)).await;
        if let Err(error) = forgotten {
            warn!(why = %error, "a hold that ended is told once more");
        }
        info!(hold = hold.number, "a hold has ended");
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
