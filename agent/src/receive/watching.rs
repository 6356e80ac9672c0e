//! Watches over the trailers that send here: raises silence and need, and the ends of both.

use super::fleet::{Silence, begin, listened_at, raise, skip};
use super::schema::DatabaseError;
use super::store::ReceiverStore;
use crate::clock;
use pintle_core::moment::{Moment, Mono, UtcTrust};
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use tracing::warn;

pub use super::fleet::Raised;

/// How often it is looked (our own choice: silence is told in minutes).
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// How often it is written down that somebody listens, ms (our own choice: each time costs a write of the disk).
const KEPT_EVERY_MS: u64 = 60_000;
/// Between two looks so much time counts at most, ms: a host that slept longer heard nobody (our own choice).
const HEARD_MS_MAX: u64 = 60_000;
/// So many trailers of one look are named in the log; the rest is counted (our own limit).
const NAMED_MAX: usize = 50;

/// The watch: what it knows from one look to the next.
pub struct Watch {
    store: ReceiverStore,
    after_ms: i64,
    started_ms: Option<i64>,
    /// The last look, and the age of the store then.
    last: Option<(Mono, i64)>,
    kept_at: Option<Mono>,
}

impl Watch {
    /// `silent_s`: after so long without a word a trailer is called silent.
    #[must_use]
    pub fn new(store: ReceiverStore, silent_s: u64) -> Self {
        let after_ms = i64::try_from(silent_s.saturating_mul(1000)).unwrap_or(i64::MAX);
        Self { store, after_ms, started_ms: None, last: None, kept_at: None }
    }

    /// One look: raises what has become so. Steps of the host's clock make no difference, and time in which this
    /// receiver did not run counts for nobody's silence.
    ///
    /// # Errors
    /// [`DatabaseError`]: nothing is raised; the next look does it.
    pub async fn look(&mut self, now: Moment) -> Result<Vec<Raised>, DatabaseError> {
        let (began, last, after_ms) = (self.started_ms, self.last, self.after_ms);
        let keep = self.kept_at.is_none_or(|at| KEPT_EVERY_MS <= now.mono.since_ms(at));
        let looked = self.store.aged_work((now, keep), move |work, lived_ms| {
            let mut started_ms = began.unwrap_or(lived_ms);
            if let Some((mono, then_ms)) = last {
                // The store ages in one go by the time that the host was switched off.
                let heard_ms = i64::try_from(now.mono.since_ms(mono).min(HEARD_MS_MAX)).unwrap_or(0);
                let off_ms = lived_ms.saturating_sub(then_ms).saturating_sub(heard_ms);
                if 0 < off_ms {
                    skip(work, off_ms, lived_ms)?;
                    started_ms = started_ms.saturating_add(off_ms);
                }
            } else {
                begin(work, lived_ms)?;
            }
            if keep {
                listened_at(work, lived_ms)?;
            }
            let raised = raise(work, (lived_ms, now.utc), Silence { after_ms, started_ms })?;
            Ok((raised, started_ms, lived_ms))
        });
        let (raised, started_ms, lived_ms) = looked.await?;
        self.started_ms = Some(started_ms);
        self.last = Some((now.mono, lived_ms));
        if keep {
            self.kept_at = Some(now.mono);
        }
        Ok(raised)
    }
}

/// Runs until `stop`.
pub async fn run(store: ReceiverStore, silent_s: u64, stop: CancellationToken) {
    let look_every = LOOK_EVERY.min(Duration::from_secs(silent_s.max(1)));
    let mut watch = Watch::new(store, silent_s);
    let mut failing = false;
    loop {
        match watch.look(clock::moment(UtcTrust::Network)).await {
            Ok(raised) => {
                failing = false;
                tell(&raised);
            }
            Err(error) => {
                if !std::mem::replace(&mut failing, true) {
                    warn!(%error, advice = error.advice(), "trailers can't be watched over");
                }
            }
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(look_every) => {}
        }
    }
}

fn tell(raised: &[Raised]) {
    for raised in raised.iter().take(NAMED_MAX) {
        warn!(trailer = raised.source, kind = raised.kind, "raised");
    }
    if NAMED_MAX < raised.len() {
        warn!(more = raised.len() - NAMED_MAX, "raised of further trailers; see the survey");
    }
}
