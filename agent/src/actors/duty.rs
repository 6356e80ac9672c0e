//! Keeps what people said of the trailer's duty and of its needs: durable before the answer, told to the receiver, and
//! over by itself at its end.

use super::heartbeat::Heartbeat;
use super::messages::{DutyRequest, DutyWord, PlaceProblem};
use crate::clock;
use crate::store::{NewEvent, StoreError, StoreHandle};
use pintle_core::health::duty::DutyBook;
use pintle_core::moment::Moment;
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::duty::{book_from_bytes, book_to_bytes};
use pintle_core::wire::notice::NoticeBody;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// Where it lies in the store.
const KEY: &str = "duty";
/// Whether something is over is looked at so often; the heartbeat turns with it (our own choice).
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// What the keeper of duty needs.
pub struct DutySetup {
    /// Where it is kept, and where notices go.
    pub store: StoreHandle,
    /// How far the clock is trusted.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// What people say.
    pub requests: mpsc::Receiver<DutyRequest>,
    /// What everybody else reads.
    pub view: watch::Sender<Arc<DutyBook>>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
///
/// # Errors
/// [`StoreError`] if what was said before can't be fetched.
pub async fn run(mut setup: DutySetup, stop: CancellationToken) -> Result<(), StoreError> {
    let now = clock::moment(setup.position.borrow().utc_trust);
    let kept = setup.store.kept(KEY).await?;
    let mut book = kept.and_then(|bytes| book_from_bytes(&bytes, &now)).unwrap_or_default();
    setup.view.send_replace(Arc::new(book.clone()));
    loop {
        let request = tokio::select! {
            () = stop.cancelled() => return Ok(()),
            request = setup.requests.recv() => request,
            () = tokio::time::sleep(LOOK_EVERY) => None,
        };
        let now = clock::moment(setup.position.borrow().utc_trust);
        expire(&setup, &mut book, &now).await;
        if let Some(DutyRequest { word, by, answer }) = request {
            let done = apply(&setup, &book, word, &by, &now).await;
            if let Ok(changed) = &done {
                book = DutyBook::clone(changed);
                setup.view.send_replace(Arc::clone(changed));
            }
            // Whoever asked may have gone.
            drop(answer.send(done));
        }
        setup.heartbeat.turn();
    }
}

async fn expire(setup: &DutySetup, book: &mut DutyBook, now: &Moment) {
    let (back, acks) = book.expire(now);
    if back.is_none() && acks == 0 {
        return;
    }
    setup.view.send_replace(Arc::new(book.clone()));
    // Without the disk it is over in memory, and once more after a restart: the times tell.
    if let Err(error) = setup.store.keep(KEY, book_to_bytes(book)).await {
        tracing::warn!(%error, "what is over is not on the disk yet");
    }
    if back.is_some() {
        tracing::info!("off duty is over: reads are expected again");
        tell(setup, "duty-on", "On duty again: the time off duty is over.".to_owned(), now).await;
    }
}

/// The book with what was said, once it is durable.
async fn apply(
    setup: &DutySetup,
    book: &DutyBook,
    word: DutyWord,
    by: &str,
    now: &Moment,
) -> Result<Arc<DutyBook>, PlaceProblem> {
    let mut changed = book.clone();
    let notice = match word {
        DutyWord::Off { for_s, reason } => {
            changed.go_off(by, for_s, &reason, now);
            let until = changed.off.as_ref().map_or_else(String::new, |off| off.span.until.to_rfc3339());
            Some(("duty-off", format!("Off duty until {until}, said by {by}: {reason}.")))
        }
        DutyWord::On => {
            if !changed.come_back(now) {
                return Err(PlaceProblem { detail: "the trailer is on duty already; nothing was changed".to_owned() });
            }
            Some(("duty-on", format!("On duty again, said by {by}.")))
        }
        DutyWord::Ack(ack) => {
            changed.acknowledge(ack);
            None
        }
        DutyWord::TakeBack { code } => {
            if !changed.take_back(&code) {
                return Err(PlaceProblem { detail: "nobody has said that this need is in hand".to_owned() });
            }
            None
        }
    };
    let kept = setup.store.keep(KEY, book_to_bytes(&changed)).await;
    kept.map_err(|error| PlaceProblem { detail: format!("{error}; {}", error.advice()) })?;
    if let Some((kind, text)) = notice {
        tell(setup, kind, text, now).await;
    }
    Ok(Arc::new(changed))
}

/// The agency knows from its own record why no read came meanwhile.
async fn tell(setup: &DutySetup, kind: &str, text: String, now: &Moment) {
    let notice = NoticeBody::new(kind, false, now.utc, text, "");
    let event = NewEvent::own(EventKind::Notice, Lane::Bulk, now.utc, &notice);
    if let Err(error) = setup.store.accept(vec![event], *now).await {
        tracing::warn!(%error, "the notice about the trailer's duty can't be kept");
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::store;
    use pintle_core::health::Word;
    use pintle_core::health::duty::{Ack, Span};
    use pintle_core::moment::UtcTrust;
    use tokio::sync::oneshot;

    const QUEUE: &str = "[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\n";

    struct Rig {
        owner: mpsc::Sender<DutyRequest>,
        book: watch::Receiver<Arc<DutyBook>>,
        stop: CancellationToken,
        running: tokio::task::JoinHandle<Result<(), StoreError>>,
        _position: watch::Sender<Arc<PositionView>>,
    }

    impl Rig {
        fn start(store: &StoreHandle) -> Self {
            let (owner, requests) = mpsc::channel(1);
            let (position, seen) = watch::channel(Arc::default());
            let (view, book) = watch::channel(Arc::default());
            let stop = CancellationToken::new();
            let setup =
                DutySetup { store: store.clone(), position: seen, requests, view, heartbeat: Heartbeat::default() };
            let running = tokio::spawn(run(setup, stop.clone()));
            Self { owner, book, stop, running, _position: position }
        }

        async fn say(&self, word: DutyWord) -> Result<Arc<DutyBook>, PlaceProblem> {
            let (answer, answered) = oneshot::channel();
            self.owner.send(DutyRequest { word, by: "T. Wray".to_owned(), answer }).await.unwrap();
            answered.await.unwrap()
        }

        async fn end(self) {
            self.stop.cancel();
            self.running.await.unwrap().unwrap();
        }
    }

    fn off(for_s: u64) -> DutyWord {
        DutyWord::Off { for_s, reason: "road works".to_owned() }
    }

    #[tokio::test]
    async fn off_duty_and_what_is_in_hand_outlive_a_restart_end_by_themselves_and_are_told_to_the_receiver() {
        let folder = tempfile::tempdir().unwrap();
        let config = crate::config::parse(QUEUE).unwrap();
        let now = clock::moment(UtcTrust::Unset);
        let store = store::open(folder.path(), &config.queue, now).unwrap();
        let rig = Rig::start(&store);
        rig.say(off(3600)).await.unwrap();
        let ack = Ack {
            code: "lines.missing".to_owned(),
            what: "write the place line of North".to_owned(),
            urgency: Word::Act,
            since: None,
            span: Span::begin("T. Wray", 3600, &now),
        };
        rig.say(DutyWord::Ack(ack)).await.unwrap();
        rig.end().await;

        let mut rig = Rig::start(&store);
        let book = rig.book.wait_for(|book| book.off.is_some()).await.unwrap().clone();
        assert_eq!((book.off.as_ref().unwrap().reason.as_str(), book.acks.len()), ("road works", 1));
        rig.say(off(1)).await.unwrap();
        let book = rig.book.wait_for(|book| book.off.is_none()).await.unwrap().clone();
        assert!(book.back.is_some() && book.acks.len() == 1, "only what is over ended");
        assert!(rig.say(DutyWord::On).await.unwrap_err().detail.contains("on duty already"));
        assert!(rig.say(DutyWord::TakeBack { code: "x".to_owned() }).await.is_err());
        assert!(rig.say(DutyWord::TakeBack { code: "lines.missing".to_owned() }).await.unwrap().acks.is_empty());
        rig.end().await;
        // A queue opens with one event of its own; each ending was told before the next request was answered.
        assert_eq!(
            store.figures().await.unwrap().counts.accepted,
            4,
            "the opening, off, off with another end, on again"
        );
    }
}
