//! Keeps what people ticked on their walk round the trailer: durable before the answer, and gone with a move.

use super::heartbeat::Heartbeat;
use super::messages::{PlaceProblem, TickRequest};
use crate::clock;
use crate::store::{StoreError, StoreHandle};
use pintle_core::health::ready::{TickBook, Ticked};
use pintle_core::position::{KeeperState, PositionView};
use pintle_core::wire::ready::{ticks_from_bytes, ticks_to_bytes};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// Where the ticks lie in the store.
const KEY: &str = "ticks";
/// The heartbeat turns at least this often.
const IDLE_TURN: Duration = Duration::from_secs(5);

/// What the keeper of ticks needs.
pub struct ReadySetup {
    /// Where they are kept.
    pub store: StoreHandle,
    /// Where the trailer is: ticks go with a move.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// What people tick.
    pub requests: mpsc::Receiver<TickRequest>,
    /// What everybody else reads.
    pub view: watch::Sender<Arc<TickBook>>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
///
/// # Errors
/// [`StoreError`] if what was ticked before can't be fetched.
pub async fn run(mut setup: ReadySetup, stop: CancellationToken) -> Result<(), StoreError> {
    let mut book = setup.store.kept(KEY).await?.and_then(|bytes| ticks_from_bytes(&bytes)).unwrap_or_default();
    setup.view.send_replace(Arc::new(book.clone()));
    loop {
        let request = tokio::select! {
            () = stop.cancelled() => return Ok(()),
            request = setup.requests.recv() => request,
            changed = setup.position.changed() => {
                if changed.is_err() {
                    return Ok(());
                }
                None
            }
            () = tokio::time::sleep(IDLE_TURN) => None,
        };
        let position = Arc::clone(&setup.position.borrow());
        if book.follow(&position) {
            tracing::info!("the trailer has moved: what was ticked at the last site is cleared");
            setup.view.send_replace(Arc::new(book.clone()));
            // Without the disk it is cleared in memory, and once more after a restart: the site tells.
            if let Err(error) = setup.store.keep(KEY, ticks_to_bytes(&book)).await {
                tracing::warn!(%error, "the cleared ticks are not on the disk yet");
            }
        }
        if let Some(request) = request {
            let (done, answer) = apply(&setup, &book, &position, request).await;
            if let Ok(changed) = &done {
                book.clone_from(changed);
                setup.view.send_replace(Arc::new(book.clone()));
            }
            // Whoever asked may have gone.
            drop(answer.send(done.map(drop)));
        }
        setup.heartbeat.turn();
    }
}

type Answer = tokio::sync::oneshot::Sender<Result<(), PlaceProblem>>;

/// The book with the tick, once it is durable.
async fn apply(
    setup: &ReadySetup,
    book: &TickBook,
    position: &PositionView,
    request: TickRequest,
) -> (Result<TickBook, PlaceProblem>, Answer) {
    let TickRequest { tick, undo, by, answer } = request;
    let here = position.site.as_ref().filter(|_| position.state == KeeperState::Anchored && position.adrift.is_none());
    let Some(site) = here else {
        let detail = "a tick belongs to a site, and the trailer stands at none; wait until it is found".to_owned();
        return (Err(PlaceProblem { detail }), answer);
    };
    let mut changed = book.clone();
    changed.set(site.id, tick, (!undo).then(|| Ticked { by, at: clock::utc() }));
    match setup.store.keep(KEY, ticks_to_bytes(&changed)).await {
        Ok(()) => (Ok(changed), answer),
        Err(error) => (Err(PlaceProblem { detail: format!("{error}; {}", error.advice()) }), answer),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::store;
    use pintle_core::health::ready::Tick;
    use pintle_core::moment::UtcTrust;
    use pintle_core::sim::scene::Scene;
    use tokio::sync::oneshot;

    const QUEUE: &str = "[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\n";

    struct Rig {
        owner: mpsc::Sender<TickRequest>,
        position: watch::Sender<Arc<PositionView>>,
        ticks: watch::Receiver<Arc<TickBook>>,
        stop: CancellationToken,
        running: tokio::task::JoinHandle<Result<(), StoreError>>,
    }

    impl Rig {
        fn start(store: &StoreHandle, position: PositionView) -> Self {
            let (owner, requests) = mpsc::channel(1);
            let (position, seen) = watch::channel(Arc::new(position));
            let (view, ticks) = watch::channel(Arc::default());
            let stop = CancellationToken::new();
            let setup =
                ReadySetup { store: store.clone(), position: seen, requests, view, heartbeat: Heartbeat::default() };
            let running = tokio::spawn(run(setup, stop.clone()));
            Self { owner, position, ticks, stop, running }
        }

        async fn tick(&self, tick: Tick) -> Result<(), PlaceProblem> {
            let (answer, answered) = oneshot::channel();
            self.owner.send(TickRequest { tick, undo: false, by: "T. Wray".to_owned(), answer }).await.unwrap();
            answered.await.unwrap()
        }

        async fn end(self) {
            self.stop.cancel();
            self.running.await.unwrap().unwrap();
        }
    }

    #[tokio::test]
    async fn ticks_outlive_a_restart_and_are_cleared_for_good_by_a_move() {
        let folder = tempfile::tempdir().unwrap();
        let config = crate::config::parse(QUEUE).unwrap();
        let now = clock::moment(UtcTrust::Unset);
        let store = store::open(folder.path(), &config.queue, now).unwrap();
        let standing = Scene::standing().position;
        let rig = Rig::start(&store, standing.clone());
        rig.tick(Tick::Mast).await.unwrap();
        rig.tick(Tick::Locks).await.unwrap();
        rig.end().await;

        let mut rig = Rig::start(&store, standing.clone());
        let book = rig.ticks.wait_for(|book| !book.ticks.is_empty()).await.unwrap().clone();
        assert_eq!(book.ticks.keys().collect::<Vec<_>>(), [&Tick::Mast, &Tick::Locks]);
        assert_eq!(book.ticks[&Tick::Mast].by, "T. Wray");
        rig.position.send_replace(Arc::new(Scene::underway().position));
        rig.position.send_modify(|position| Arc::make_mut(position).adrift = Some(clock::utc()));
        rig.ticks.wait_for(|book| book.ticks.is_empty()).await.unwrap();
        let refused = rig.tick(Tick::Mast).await.unwrap_err();
        assert!(refused.detail.contains("stands at none"), "{refused}");
        rig.end().await;

        let rig = Rig::start(&store, standing);
        rig.tick(Tick::Overhead).await.unwrap();
        assert_eq!(rig.ticks.borrow().ticks.len(), 1, "what a move cleared does not come back");
        rig.end().await;
    }
}
