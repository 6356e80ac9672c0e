//! `pintle queue`: what the receiver refused is visible, can be sent again and let go, and no plate is shown unasked.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::actors::control::{ControlSetup, DutyDesk, ReadyDesk, run};
use pintle::actors::heartbeat::Heartbeat;
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle};
use pintle::{audit, clock, config, store};
use pintle_core::health::LifecycleView;
use pintle_core::ids::{CameraId, EventId, TrailerId};
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::Output;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

const PLATE: &str = "QX 77-3";

fn now() -> Moment {
    clock::moment(UtcTrust::Network)
}

fn read(number: u8) -> NewEvent {
    let body = json!({"camera": "north", "captured_at": "2027-01-15T08:00:00Z", "plate": PLATE, "plate_state": "read"});
    NewEvent {
        id: EventId([number; 16]),
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: CameraId::new("north").ok(),
        happened_at: now().utc,
        body: body.to_string().into_bytes(),
        stamp: Some(b"{\"stamp_revision\":1}".to_vec()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

/// An agent's store and control socket, with reads 1 to 4 of which the receiver refused 2 and 3 (numbers 3 and 4).
struct Desk {
    folder: tempfile::TempDir,
    store: StoreHandle,
    stop: CancellationToken,
}

impl Desk {
    async fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("control.sock");
        let text = format!(
            "[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\n[control]\nsocket = \"{}\"\n",
            socket.display()
        );
        let config = config::parse(&text).unwrap();
        let store = store::open(&folder.path().join("state"), &config.queue, now()).unwrap();
        let accepted = store.accept((1..=4).map(read).collect(), now()).await.unwrap();
        assert!(accepted.iter().all(|answer| matches!(answer, Accepted::New { .. })));
        let leased = store.lease(Lane::Bulk, 100, 1 << 20, now()).await.unwrap();
        let outcome = |sequence| match sequence {
            3 | 4 => Settled::Refused(format!("the camera of {sequence} is not known here")),
            _ => Settled::Delivered,
        };
        store.settle(leased.iter().map(|e| (e.sequence, outcome(e.sequence))).collect(), now()).await.unwrap();
        let stop = CancellationToken::new();
        let setup = ControlSetup {
            control: config.control,
            trailer: TrailerId::new("heron-3").unwrap(),
            cameras: config.cameras.into_iter().map(|camera| camera.id).collect(),
            places: watch::channel(mpsc::channel(1).0).1,
            position: watch::Sender::default().subscribe(),
            forward: watch::Sender::default().subscribe(),
            lifecycle: watch::channel(LifecycleView::default()).1,
            store: store.clone(),
            audit: audit::Log::at(folder.path().join("audit")),
            ready: ReadyDesk::default(),
            duty: DutyDesk::default(),
            heartbeat: Heartbeat::default(),
        };
        let until = stop.clone();
        tokio::spawn(async move { run(setup, until).await.unwrap() });
        let desk = Self { folder, store, stop };
        while !desk.socket().exists() {
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
        desk
    }

    fn socket(&self) -> PathBuf {
        self.folder.path().join("control.sock")
    }

    async fn queue(&self, args: &[&str]) -> Output {
        let mut command = tokio::process::Command::new(env!("CARGO_BIN_EXE_pintle"));
        command.arg("queue").args(args).arg("--socket").arg(self.socket()).output().await.unwrap()
    }

    fn audit(&self) -> Vec<Value> {
        let text = std::fs::read_to_string(self.folder.path().join("audit/audit.ndjson")).unwrap_or_default();
        assert!(!text.contains(PLATE), "a plate in the audit");
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap() + &String::from_utf8(output.stderr.clone()).unwrap()
}

#[tokio::test]
async fn what_the_receiver_refused_is_shown_with_its_answer_and_plates_only_to_who_asks_and_is_written_down() {
    let desk = Desk::open().await;
    let list = desk.queue(&["list"]).await;
    assert_eq!(list.status.code(), Some(1), "something to look at");
    let shown = text(&list);
    assert!(shown.contains("3  pintle.read.v1, camera north"), "{shown}");
    assert!(shown.contains("the receiver said: the camera of 4 is not known here"), "{shown}");
    assert!(!shown.contains(PLATE), "{shown}");
    assert!(desk.audit().is_empty(), "looking without plates is nobody's business");
    let json = desk.queue(&["list", "--json"]).await;
    assert!(!text(&json).contains(PLATE) && text(&json).contains("\"sequence\":3"), "{}", text(&json));

    let revealed = desk.queue(&["list", "--reveal", "--by", "T. Wray"]).await;
    assert_eq!(text(&revealed).matches(&format!("plate: {PLATE}")).count(), 2, "{}", text(&revealed));
    let audit = desk.audit();
    assert_eq!(audit.len(), 1, "{audit:?}");
    let line = audit[0].to_string();
    assert!(line.contains("queue.list") && line.contains("T. Wray") && line.contains("done"), "{line}");
}

#[tokio::test]
async fn a_refused_event_is_sent_again_under_a_new_number_and_another_is_let_go_with_an_entry_in_the_ledger() {
    let desk = Desk::open().await;
    let none = desk.queue(&["retry", "2"]).await;
    assert_eq!(none.status.code(), Some(2));
    assert!(text(&none).contains("there is no refused event with the number 2"), "{}", text(&none));

    let retried = desk.queue(&["retry", "3", "--by", "T. Wray"]).await;
    assert_eq!((retried.status.code(), text(&retried).as_str()), (Some(0), "1 queued once more.\n"));
    let dropped = desk.queue(&["drop", "4", "--why", "a test read", "--by", "T. Wray"]).await;
    assert_eq!(dropped.status.code(), Some(0), "{}", text(&dropped));
    assert_eq!(desk.queue(&["list"]).await.status.code(), Some(0), "nothing is left");

    let leased = desk.store.lease(Lane::Bulk, 100, 1 << 20, now()).await.unwrap();
    let again = leased.iter().find(|event| event.kind == EventKind::Read).unwrap();
    assert_eq!((again.id, again.sequence), (EventId([2; 16]), 7), "the same id, a new number");
    assert_eq!(again.stamp.as_deref(), Some(b"{\"stamp_revision\":1}".as_slice()));
    let ledger: Vec<Value> = leased
        .iter()
        .filter(|event| event.kind == EventKind::Ledger)
        .map(|event| serde_json::from_slice(&event.body).unwrap())
        .collect();
    let entry = ledger.iter().find(|entry| entry["what"] == "dropped").unwrap();
    assert_eq!(entry["ranges"], json!([{"from": 4, "to": 4}]));
    assert_eq!(entry["reason"], "refused by the receiver, then dropped on the trailer: a test read");
    let figures = desk.store.figures().await.unwrap();
    assert_eq!((figures.counts.refused, figures.counts.not_accounted()), (2, 0), "{:?}", figures.counts);
    // Handed in once more by the engine, both are known.
    let known = desk.store.accept(vec![read(2), read(3)], now()).await.unwrap();
    assert_eq!(known, [Accepted::Repeat { sequence: 7 }, Accepted::Repeat { sequence: 0 }]);
    let acts: Vec<String> = desk.audit().iter().map(Value::to_string).collect();
    assert_eq!(acts.len(), 4, "{acts:?}");
    assert!(acts[0].contains("no-such-event") && acts[1].contains("queue.retry"), "{acts:?}");
    // What lets a read go is written down before it is done.
    for (act, outcome) in acts[2..].iter().zip(["begun", "done"]) {
        assert!(act.contains("queue.drop") && act.contains("a test read") && act.contains(outcome), "{acts:?}");
    }
}

#[tokio::test]
async fn without_an_agent_the_command_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let output = tokio::process::Command::new(env!("CARGO_BIN_EXE_pintle"))
        .args(["queue", "list", "--socket"])
        .arg(folder.path().join("none.sock"))
        .output()
        .await
        .unwrap();
    assert_eq!(output.status.code(), Some(69));
}
