#![expect(clippy::unwrap_used, reason = "tests")]

use super::batch::{Form, Taken};
use super::*;
use crate::store;
use pintle_core::moment::UtcTrust;

fn setup(folder: &std::path::Path) -> (IntakeSetup, watch::Receiver<IntakeView>) {
    let queue = config::Queue {
        seal: config::Seal::None,
        commit_wait_ms: 0,
        waiting_keep_s: 86_400,
        hit_waiting_keep_s: 86_400,
        delivered_keep_s: 86_400,
        hit_delivered_keep_s: 86_400,
        disk_free_min_mib: 1,
        ..config::Queue::PLAIN
    };
    let (view, seen) = watch::channel(IntakeView::default());
    let (_, position) = watch::channel(Arc::default());
    let setup = IntakeSetup {
        intake: config::Intake {
            socket: Some(folder.join("intake.sock")),
            listen: None,
            body_bytes_max: 65_536,
            batch_reads_max: 10,
            connections_max: 4,
            request_wait_ms: 5000,
        },
        images: config::Images {
            folder: None,
            image_bytes_max: 1 << 20,
            read_bytes_max: 2 << 20,
            thumbnail_px: 0,
            budget_mb_day: 0,
        },
        spool: None,
        ids_needed: false,
        cameras: vec![config::Camera { id: CameraId::new("north").unwrap(), label: "North".to_owned() }],
        store: store::open(&folder.join("state"), &queue, clock::moment(UtcTrust::Unset)).unwrap(),
        position,
        view,
        heartbeat: Heartbeat::default(),
    };
    (setup, seen)
}

/// Panics on a body that begins with `!`, as a fault of ours might on some body; all else is prepared as ever.
fn faulty(
    body: &[u8],
    form: Form,
    cameras: &[CameraId],
    max: usize,
    ids: &batch::Ids,
) -> Result<Vec<Taken>, Box<Problem>> {
    assert!(!body.starts_with(b"!"), "a fault on purpose");
    batch::prepare(body, form, cameras, max, ids)
}

async fn status(stream: &mut UnixStream, body: &str) -> String {
    let head = "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length:";
    stream.write_all(format!("{head} {}\r\n\r\n{body}", body.len()).as_bytes()).await.unwrap();
    let mut answer = vec![0; 4096];
    let len = stream.read(&mut answer).await.unwrap();
    String::from_utf8_lossy(&answer[9..len.min(12)]).into_owned()
}

#[tokio::test]
async fn a_panic_costs_one_request_and_its_body_is_not_tried_again() {
    let folder = tempfile::tempdir().unwrap();
    let (setup, mut seen) = setup(folder.path());
    let (path, stop) = (setup.intake.socket.clone().unwrap(), CancellationToken::new());
    let task = tokio::spawn({
        let stop = stop.clone();
        async move { serve_all(setup, stop, &[7; 32], faulty).await }
    });
    seen.wait_for(|view| view.open).await.unwrap();
    let good = r#"{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QTZ 481","plate_state":"read"}"#;
    let mut stream = UnixStream::connect(path).await.unwrap();
    assert_eq!(status(&mut stream, "!").await, "500");
    assert_eq!(status(&mut stream, good).await, "202", "the same connection goes on");
    assert_eq!(status(&mut stream, "!").await, "500");
    assert_eq!(status(&mut stream, "!!").await, "500");
    stop.cancel();
    task.await.unwrap().unwrap();
    assert_eq!(seen.borrow().panics, 2, "the body that was set aside was not tried again");
}

#[tokio::test]
async fn the_last_refusal_is_the_last_one_and_the_last_of_the_engine_is_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let (setup, _seen) = setup(folder.path());
    let shared = Shared::new(&setup, &[7; 32]);
    let lasts = || {
        let refusals = shared.seen().refusals;
        [refusals.last, refusals.last_of_engine].map(|last| last.map(|last| last.kind))
    };
    let [of_disk, of_engine] = [("not-stored", 503), ("invalid-read", 422)]
        .map(|(kind, status)| Problem::new(kind, status, "A title", "a detail"));
    let told = |kind: &str| Some(kind.to_owned());
    shared.count_refusal(&of_disk);
    assert_eq!(lasts(), [told("not-stored"), None]);
    shared.count_refusal(&of_engine);
    assert_eq!(lasts(), [told("invalid-read"), told("invalid-read")]);
    // As on a full disk an hour later: what is refused now is not what the engine got wrong then.
    shared.count_refusal(&of_disk);
    assert_eq!(lasts(), [told("not-stored"), told("invalid-read")]);
}

#[tokio::test]
async fn without_any_door_the_intake_waits_for_its_stop() {
    let folder = tempfile::tempdir().unwrap();
    let (mut setup, mut seen) = setup(folder.path());
    setup.intake.socket = None;
    let stop = CancellationToken::new();
    let task = tokio::spawn(run(setup, stop.clone()));
    seen.wait_for(|view| view.open).await.unwrap();
    stop.cancel();
    task.await.unwrap().unwrap();
}

/// A listening end without descriptors for a while: it fails `failures` times, then gives one stream, then nothing.
struct OutOfDescriptors {
    failures: u64,
    asked: std::sync::atomic::AtomicU64,
    stream: Mutex<Option<tokio::io::DuplexStream>>,
}

impl Listens for OutOfDescriptors {
    type Stream = tokio::io::DuplexStream;

    async fn next(&self) -> io::Result<Self::Stream> {
        if self.asked.fetch_add(1, Ordering::Relaxed) < self.failures {
            return Err(io::Error::from_raw_os_error(nix::errno::Errno::EMFILE as i32));
        }
        let stream = self.stream.lock().unwrap().take();
        match stream {
            Some(stream) => Ok(stream),
            None => std::future::pending().await,
        }
    }
}

#[tokio::test]
async fn fault_30_without_descriptors_it_pauses_and_goes_on_as_soon_as_there_are_some() {
    let folder = tempfile::tempdir().unwrap();
    let (setup, _seen) = setup(folder.path());
    let shared = Arc::new(Shared::new(&setup, &[7; 32]));
    let (mut client, stream) = tokio::io::duplex(4096);
    let listener = OutOfDescriptors { failures: 3, asked: 0.into(), stream: Mutex::new(Some(stream)) };
    let (tasks, stop) = (TaskTracker::new(), CancellationToken::new());
    let room = Room { door: Door::Socket, max: 4, shared: &shared, tasks: &tasks, stop: &stop };
    let begun = clock::mono();
    tokio::select! {
        () = take_in(&listener, room) => {}
        asked = ask(&mut client) => asked.unwrap(),
    }
    let took_ms = clock::mono().since_ms(begun);
    assert!((3 * ACCEPT_PAUSE_MS..20 * ACCEPT_PAUSE_MS).contains(&took_ms), "{took_ms}");
    assert_eq!(listener.asked.load(Ordering::Relaxed), 5, "three failures, one stream, and the wait for the next");
}
