//! What the end of a request means to others: to the link watcher, and to whoever sent a test alert.

use super::LOOK_EVERY;
use crate::actors::heartbeat::Heartbeat;
use crate::io::target::{Handed, OwnFault, TargetError};
use crate::store::{Leased, StoreHandle};
use pintle_core::forward::TestAlert;
use pintle_core::forward::answer::{Ack, NoAnswer, Reply};
use pintle_core::link::evidence::Ended;
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::notice::NoticeBody;
use pintle_core::wire::stamp::{Captured, UtcNow};
use serde::{Deserialize, Serialize};
use std::pin::Pin;
use tracing::warn;

/// Where the last test alert that got its receipt lies in the store.
const TEST_KEY: &str = "test-alert";

/// The last test alert, as it is kept.
#[derive(Serialize, Deserialize)]
struct KeptTest {
    /// Numbers count within it: a test alert of another one would be taken for a later one.
    generation: String,
    sequence: u64,
    made: String,
    received: String,
}

/// The last test alert that got its receipt before this start, if the queue is still the same.
pub(super) async fn last_test(store: &StoreHandle) -> Option<TestAlert> {
    let kept: KeptTest = serde_json::from_slice(&store.kept(TEST_KEY).await.ok()??).ok()?;
    let generation = store.figures().await.ok()?.generation;
    let test = TestAlert {
        sequence: kept.sequence,
        made: Utc::parse_rfc3339(&kept.made)?,
        received: Utc::parse_rfc3339(&kept.received)?,
    };
    (kept.generation == generation).then_some(test)
}

/// Keeps it over restarts. Where that fails it is told as long as this process runs.
pub(super) async fn keep_test(store: &StoreHandle, test: Option<TestAlert>) {
    let (Ok(figures), Some(test)) = (store.figures().await, test) else { return };
    let kept = KeptTest {
        generation: figures.generation,
        sequence: test.sequence,
        made: test.made.to_rfc3339(),
        received: test.received.to_rfc3339(),
    };
    let bytes = serde_json::to_vec(&kept).unwrap_or_default();
    if let Err(error) = store.keep(TEST_KEY, bytes).await {
        warn!(%error, "the last test alert is not kept over a restart");
    }
}

/// Whether it is a test alert: nobody else makes a notice of that kind.
pub(super) fn is_test(event: &Leased) -> bool {
    event.kind == EventKind::Notice && serde_json::from_slice::<NoticeBody>(&event.body).is_ok_and(|notice| notice.test)
}

/// What came back of a request as the core judges it, and what is said of its fault beside that: of our own files that
/// kept it from leaving, or of the right that is lacking.
pub(super) fn reply_of(replied: &Result<Handed, TargetError>) -> (Reply<'_>, Option<&OwnFault>) {
    match replied {
        Ok(Handed::Answer(answer)) => (Reply::Http(answer.view()), None),
        Ok(Handed::Acks(acks, said)) => (Reply::Acks(acks), said.as_ref()),
        Err(TargetError::NoAnswer(why)) => (Reply::None(*why), None),
        Err(TargetError::NoRight(fault)) => (Reply::None(NoAnswer::NoRight), Some(fault)),
        Err(TargetError::Own(fault)) => (Reply::None(NoAnswer::OwnFile), Some(fault)),
    }
}

/// Waits for a request, which has a deadline of its own, and shows life meanwhile.
pub(super) async fn alive<T>(heartbeat: &Heartbeat, mut handing: Pin<&mut impl Future<Output = T>>) -> T {
    loop {
        match tokio::time::timeout(LOOK_EVERY, &mut handing).await {
            Ok(done) => return done,
            Err(_) => heartbeat.turn(),
        }
    }
}

/// How a request ended, as the link watcher sees it.
pub(super) fn ended(replied: &Result<Handed, TargetError>, progress: bool) -> Ended {
    match replied {
        _ if progress => Ended::Receipt,
        Ok(Handed::Answer(answer)) => Ended::Status(answer.view().status),
        Ok(Handed::Acks(acks, _)) => acks
            .iter()
            .find_map(|ack| if let Ack::Not(why) = ack { Some(Ended::NoAnswer(*why)) } else { None })
            .unwrap_or(Ended::Receipt),
        Err(TargetError::NoAnswer(why)) => Ended::NoAnswer(*why),
        Err(TargetError::NoRight(_)) => Ended::NoAnswer(NoAnswer::NoRight),
        Err(TargetError::Own(_)) => Ended::NoAnswer(NoAnswer::OwnFile),
    }
}

/// From the capture until `now`, ms.
pub(super) fn latency_ms(captured: Captured, now: UtcNow) -> u64 {
    u64::try_from(now.since_ms(captured)).unwrap_or(0)
}
