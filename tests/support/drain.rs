//! A trailer's queue and forwarder alone, in this process, for tests of the ways to the agency.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::actors::forward::{ForwardSetup, run};
use pintle::actors::heartbeat::Heartbeat;
use pintle::clock;
use pintle::config::{Broker, Proof, Queue, Receiver, Seal};
use pintle::seal;
use pintle::store::{NewEvent, QueueFigures, StoreHandle, limits, open, open_sealed};
use pintle_core::forward::ForwardView;
use pintle_core::ids::{CameraId, EventId, TrailerId};
use pintle_core::link::LinkView;
use pintle_core::moment::UtcTrust;
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 60 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 2 * 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

/// How long a test waits for what must come; only a failing test waits so long.
pub(crate) const PATIENCE: Duration = Duration::from_mins(2);

/// One trailer.
pub(crate) struct Drain {
    pub(crate) store: StoreHandle,
    pub(crate) view: watch::Receiver<ForwardView>,
    _link: watch::Sender<LinkView>,
    stop: CancellationToken,
    running: JoinHandle<()>,
}

impl Drain {
    /// A trailer called `name` whose queue is in `folder`.
    pub(crate) fn start(name: &str, folder: &Path, receiver: Receiver) -> Self {
        let store = open(folder, &LIMITS, clock::moment(UtcTrust::Network)).unwrap();
        Self::with(name, store, receiver)
    }

    /// The same, and it seals reads to these public keys.
    pub(crate) fn start_sealed(name: &str, folder: &Path, receiver: Receiver, keys: Vec<PathBuf>) -> Self {
        let source = TrailerId::new(name).unwrap().source();
        let ring = seal::Keyring::open(folder, &source, &limits(&LIMITS), seal::Seal::Receiver(keys)).unwrap();
        let now = clock::moment(UtcTrust::Network);
        Self::with(name, open_sealed(folder, &LIMITS, Some(Box::new(ring)), now).unwrap(), receiver)
    }

    fn with(name: &str, store: StoreHandle, receiver: Receiver) -> Self {
        let (view_in, view) = watch::channel(ForwardView::default());
        let (link, link_out) = watch::channel(LinkView::NotFitted);
        let stop = CancellationToken::new();
        // Somebody vouches for the host's clock: without that nobody says how long a hit took.
        let known = PositionView { utc_trust: UtcTrust::Network, ..PositionView::default() };
        let setup = ForwardSetup {
            asked: watch::Sender::default(),
            trailer: TrailerId::new(name).unwrap(),
            receiver: Some(receiver),
            relay: None,
            images_mb_day: 100,
            store: store.clone(),
            link: link_out,
            link_report: watch::Sender::default().subscribe(),
            traffic: tokio::sync::broadcast::Sender::new(64),
            position: watch::Sender::new(Arc::new(known)).subscribe(),
            view: view_in,
            heartbeat: Heartbeat::default(),
        };
        let running = tokio::spawn(run(setup, stop.clone()));
        Self { store, view, _link: link, stop, running }
    }

    /// Accepts reads with these numbers.
    pub(crate) async fn put(&self, numbers: impl IntoIterator<Item = u32>, hit: bool) {
        let now = clock::moment(UtcTrust::Network);
        let stamp = r#"{"stamp_revision":1,"clock":{"trust":"gps"},
            "place":{"spot":"unknown","state":"none","line":"x","line_state":"missing"}}"#;
        let event = |number: u32| {
            let mut id = [0; 16];
            id[..4].copy_from_slice(&number.to_be_bytes());
            let more =
                if hit { r#","hit":{"list":"demo","list_time":"2026-11-25T00:00:00Z","entry":"E1"}"# } else { "" };
            let body = format!(
                r#"{{"id":"{}","camera":"north","captured_at":"{}","plate":"QX{number}","plate_state":"read"{more}}}"#,
                EventId(id),
                now.utc.to_rfc3339(),
            );
            NewEvent {
                id: EventId(id),
                kind: EventKind::Read,
                lane: if hit { Lane::Urgent } else { Lane::Bulk },
                camera: Some(CameraId::new("north").unwrap()),
                happened_at: now.utc,
                body: body.into_bytes(),
                stamp: Some(stamp.as_bytes().to_vec()),
                hit,
                stamp_open: false,
                images: Vec::new(),
            }
        };
        self.store.accept(numbers.into_iter().map(event).collect(), now).await.unwrap();
    }

    pub(crate) async fn figures(&self) -> QueueFigures {
        self.store.figures().await.unwrap()
    }

    /// Waits until nothing waits and at least `delivered` events have their receipts: the queue tells of its blocks in
    /// events of its own, so that there may be a few more.
    pub(crate) async fn until_delivered(&self, delivered: u64) {
        let began = Instant::now();
        loop {
            let counts = self.figures().await.counts;
            if delivered <= counts.delivered && counts.waiting == 0 {
                assert_eq!((counts.delivered, counts.refused), (counts.accepted, 0), "{counts:?}");
                return;
            }
            let view = self.view.borrow().clone();
            assert!(began.elapsed() < PATIENCE, "waited for {delivered}: {counts:?} {view:?}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Waits until the view is as `wanted` says.
    pub(crate) async fn until_view(&self, what: &str, wanted: impl Fn(&ForwardView) -> bool) {
        until(what, || async { wanted(&self.view.borrow()) }).await;
    }

    /// Stops forwarder and queue in order.
    pub(crate) async fn stop(self) {
        self.stop.cancel();
        self.running.await.unwrap();
        self.store.close().await.unwrap();
    }
}

pub(crate) async fn until<F: Future<Output = bool>>(what: &str, is_so: impl Fn() -> F) {
    let began = Instant::now();
    while !is_so().await {
        assert!(began.elapsed() < PATIENCE, "waited for: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// A receiver at `url` with quick limits for tests.
pub(crate) fn target(url: &str) -> Receiver {
    Receiver {
        url: url.to_owned(),
        proof: Proof::Receipts,
        ca_file: None,
        token_file: None,
        client_cert_file: None,
        client_key_file: None,
        batch_reads_max: 200,
        batch_bytes_max: 1 << 20,
        answer_wait_ms: 5000,
        retry_ms_max: 1000,
        broker: Broker { receipt_wait_s: 30, ..Broker::default() },
    }
}
