//! What the link watcher keeps over restarts: an outage that goes on, hits without a sure time, what probes have cost.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::link::{LinkSetup, run};
use pintle::clock;
use pintle::config::{Link, Pick, Queue, Seal};
use pintle::store::{StoreHandle, open};
use pintle_core::link::evidence::Traffic;
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::UtcTrust;
use pintle_core::position::PositionView;
use pintle_core::wire::link::KeptLink;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tokio::sync::{broadcast, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// How long a test waits for what must come; only a failing test waits so long.
const PATIENCE: Duration = Duration::from_mins(2);

struct Rig {
    folder: TempDir,
    store: StoreHandle,
}

struct Running {
    report: watch::Receiver<LinkReport>,
    traffic: broadcast::Sender<Traffic>,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Rig {
    /// A trailer whose interface is there.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let limits = Queue { seal: Seal::None, disk_free_min_mib: 0, ..Queue::PLAIN };
        let store = open(&folder.path().join("queue"), &limits, clock::moment(UtcTrust::Network)).unwrap();
        let rig = Self { folder, store };
        std::fs::create_dir_all(rig.interface().join("statistics")).unwrap();
        let files = [("flags", "0x1003"), ("ifindex", "7"), ("statistics/rx_bytes", "0"), ("statistics/tx_bytes", "0")];
        for (file, text) in files {
            std::fs::write(rig.interface().join(file), text).unwrap();
        }
        rig
    }

    fn interface(&self) -> std::path::PathBuf {
        self.folder.path().join("net/usb0")
    }

    fn carrier(&self, word: &str) {
        std::fs::write(self.interface().join("carrier"), word).unwrap();
    }

    fn file(&self) -> std::path::PathBuf {
        self.folder.path().join("link/link.json")
    }

    fn kept(&self) -> KeptLink {
        KeptLink::parse(&std::fs::read(self.file()).unwrap_or_default())
    }

    fn start(&self) -> Running {
        let (report_in, report) = watch::channel(LinkReport::default());
        let (traffic, traffic_out) = broadcast::channel(64);
        let known = PositionView { utc_trust: UtcTrust::Network, ..PositionView::default() };
        let stop = CancellationToken::new();
        let setup = LinkSetup {
            link: Some(Link { sysfs_dir: self.folder.path().join("net"), ..Link::of(Pick::Name("usb0".to_owned())) }),
            ladder: None,
            store: self.store.clone(),
            goal: None,
            hit_target_ms: 12_000,
            state_dir: self.folder.path().to_owned(),
            traffic: traffic_out,
            position: watch::Sender::new(Arc::new(known)).subscribe(),
            view: watch::Sender::new(LinkView::NotFitted),
            report: report_in,
            heartbeat: Heartbeat::default(),
        };
        let task = tokio::spawn(run(setup, stop.clone()));
        Running { report, traffic, stop, task }
    }
}

impl Running {
    async fn until(&self, what: &str, is_so: impl Fn(&LinkReport) -> bool) -> LinkReport {
        until(what, || is_so(&self.report.borrow())).await;
        self.report.borrow().clone()
    }

    /// As in a power cut: nothing more is written.
    async fn fall(self) {
        self.task.abort();
        drop(self.task.await);
    }

    async fn end(self) {
        self.stop.cancel();
        self.task.await.unwrap();
    }
}

async fn until(what: &str, is_so: impl Fn() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < PATIENCE, "waited for: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// The file as the kernel's next boot would find it.
fn as_of_another_boot(file: &Path) {
    let kept = KeptLink::parse(&std::fs::read(file).unwrap());
    let kept = KeptLink { boot: "another".to_owned(), ..kept };
    std::fs::write(file, serde_json::to_vec(&kept).unwrap()).unwrap();
}

#[tokio::test]
async fn an_outage_survives_falls_restarts_and_boots() {
    let rig = Rig::new();
    rig.carrier("0");
    let running = rig.start();
    until("the outage is written down as soon as it begins", || rig.kept().open.is_some()).await;
    let began = rig.kept().open.unwrap();
    running.fall().await;

    tokio::time::sleep(Duration::from_millis(1200)).await;
    let running = rig.start();
    let report = running.until("the outage goes on", |report| 1200 < report.month.total_ms).await;
    assert_eq!(report.month.count, 1, "the same one");
    running.end().await;
    let open = rig.kept().open.unwrap();
    assert_eq!((open.began_mono_ms, open.rung.as_str()), (began.began_mono_ms, "no-carrier"));
    assert!(began.seen_mono_ms + 1200 <= open.seen_mono_ms, "{open:?} after {began:?}");

    as_of_another_boot(&rig.file());
    rig.carrier("1");
    let running = rig.start();
    let report = running.until("a look", |report| report.shown.finding.is_some()).await;
    let length_ms = open.seen_mono_ms - open.began_mono_ms;
    assert_eq!((report.month.count, report.month.total_ms), (1, length_ms), "as far as it was seen");
    assert_eq!(report.recent.iter().map(|one| one.began.0).collect::<Vec<_>>(), [open.began.unwrap()]);
    running.end().await;
    let kept = rig.kept();
    assert_eq!((kept.open, kept.outages.len()), (None, 1));
    assert_eq!(kept.outages[0].1, length_ms);
}

#[tokio::test]
async fn hits_without_a_sure_time_are_counted_beside_the_others_over_a_restart() {
    let rig = Rig::new();
    rig.carrier("1");
    let running = rig.start();
    running.traffic.send(Traffic::Hits(vec![Some(400), None, Some(900)])).unwrap();
    let counted = |report: &LinkReport| (report.hits_today.count, report.hits_today.unsure) == (2, 1);
    running.until("counted", counted).await;
    running.end().await;
    let running = rig.start();
    let report = running.until("kept", counted).await;
    assert_eq!((report.hits_recent.count, report.hits_recent.late), (2, 0));
    running.end().await;
}

#[tokio::test]
async fn what_probes_may_cost_is_written_down_before_it_is_spent() {
    let rig = Rig::new();
    rig.carrier("1");
    for fall in 1..=3 {
        let running = rig.start();
        let spent = |file: &KeptLink| file.probes.map_or(0, |probes| probes.spent);
        until("written at the start", || fall * 40_000 <= spent(&rig.kept())).await;
        running.fall().await;
    }
    let running = rig.start();
    let report = running.until("a look", |report| report.shown.finding.is_some()).await;
    assert_eq!(report.shown.probe_bytes, 120_000, "what a process may have spent that ended without a word");
    running.end().await;
    assert_eq!(rig.kept().probes.unwrap().spent, 120_000);
}
