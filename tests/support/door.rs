//! An intake with a real store behind it in a folder of its own, and a client that shows answers byte by byte.

use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::intake::{self, IntakeError, IntakeSetup};
use pintle::config;
use pintle::store::{self, Leased, StoreHandle};
use pintle_core::cameras::IntakeView;
use pintle_core::ids::CameraId;
use pintle_core::moment::Moment;
use pintle_core::moment::UtcTrust;
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use serde_json::Value;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, UnixStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// One good read of the simulated engine; the plate is invented.
pub const READ: &str =
    r#"{"camera":"north","captured_at":"2026-11-25T12:00:00.250Z","plate":"QTZ 481","plate_state":"read"}"#;

/// A running intake.
pub struct Door {
    pub folder: tempfile::TempDir,
    pub store: StoreHandle,
    pub view: watch::Receiver<IntakeView>,
    pub position: watch::Sender<Arc<PositionView>>,
    pub heartbeat: Heartbeat,
    pub stop: CancellationToken,
    pub task: JoinHandle<Result<(), IntakeError>>,
    pub address: SocketAddr,
    pub socket: PathBuf,
}

/// One answer.
#[derive(Debug)]
pub struct Reply {
    pub status: u16,
    pub head: String,
    pub body: Value,
}

impl Door {
    pub async fn open() -> Self {
        Self::open_with(|_, _| {}).await
    }

    pub async fn open_with(adjust: impl FnOnce(&mut config::Intake, &mut config::Queue)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("state");
        Self::open_in(folder, &state, adjust).await
    }

    /// Keeps the queue in `state` and the socket in `folder`.
    pub async fn open_in(
        folder: tempfile::TempDir,
        state: &Path,
        adjust: impl FnOnce(&mut config::Intake, &mut config::Queue),
    ) -> Self {
        let socket = folder.path().join("intake.sock");
        let mut limits = config::Intake {
            socket: Some(socket.clone()),
            listen: Some("127.0.0.1:0".parse().unwrap()),
            body_bytes_max: 4 << 20,
            batch_reads_max: 1000,
            connections_max: 64,
            request_wait_ms: 10_000,
        };
        let images = config::Images {
            folder: Some(folder.path().join("pictures")),
            image_bytes_max: 1 << 20,
            read_bytes_max: 2 << 20,
            thumbnail_px: 120,
            budget_mb_day: 100,
        };
        let mut queue = config::Queue {
            seal: config::Seal::None,
            commit_wait_ms: 0,
            waiting_keep_s: 2_592_000,
            hit_waiting_keep_s: 2_592_000,
            delivered_keep_s: 86_400,
            hit_delivered_keep_s: 86_400,
            disk_free_min_mib: 1,
            ..config::Queue::PLAIN
        };
        adjust(&mut limits, &mut queue);
        let store = store::open(state, &queue, pintle::clock::moment(UtcTrust::Unset)).unwrap();
        let camera = |id: &str| config::Camera { id: CameraId::new(id).unwrap(), label: id.to_uppercase() };
        let (view_out, mut view) = watch::channel(IntakeView::default());
        let (position, position_in) = watch::channel(Arc::new(PositionView::default()));
        let (stop, heartbeat) = (CancellationToken::new(), Heartbeat::default());
        let setup = IntakeSetup {
            intake: limits,
            images,
            spool: None,
            ids_needed: false,
            cameras: vec![camera("north"), camera("south")],
            store: store.clone(),
            position: position_in,
            view: view_out,
            heartbeat: heartbeat.clone(),
        };
        let task = tokio::spawn(intake::run(setup, stop.clone()));
        let address = view.wait_for(|view| view.open).await.unwrap().address.unwrap();
        Self { folder, store, view, position, heartbeat, stop, task, address, socket }
    }

    pub async fn connect(&self) -> TcpStream {
        TcpStream::connect(self.address).await.unwrap()
    }

    /// Sends `bytes` on a connection of its own and reads one answer.
    pub async fn send(&self, bytes: &[u8]) -> Reply {
        let mut stream = self.connect().await;
        stream.write_all(bytes).await.unwrap();
        reply(&mut stream).await
    }

    pub async fn post(&self, media_type: &str, body: &str) -> Reply {
        self.send(&request(media_type, body)).await
    }

    pub async fn post_read(&self, body: &str) -> Reply {
        self.post("application/json", body).await
    }

    pub async fn post_by_socket(&self, body: &str) -> Reply {
        let mut stream = UnixStream::connect(&self.socket).await.unwrap();
        stream.write_all(&request("application/json", body)).await.unwrap();
        reply(&mut stream).await
    }

    /// All reads that wait in a lane, by sequence.
    pub async fn waiting(&self, lane: Lane) -> Vec<Leased> {
        let mut waiting = self.store.lease(lane, 100_000, usize::MAX >> 1, Moment::default()).await.unwrap();
        waiting.retain(|event| event.kind == EventKind::Read);
        waiting.sort_by_key(|event| event.sequence);
        waiting
    }

    /// The newest view that fits, within five seconds.
    pub async fn view_when(&mut self, fits: impl FnMut(&IntakeView) -> bool) -> IntakeView {
        let seen = tokio::time::timeout(Duration::from_secs(20), self.view.wait_for(fits));
        seen.await.expect("the view never came to this").unwrap().clone()
    }
}

/// One POST of a body as bytes.
pub fn request(media_type: &str, body: &str) -> Vec<u8> {
    format!(
        "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: {media_type}\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

/// Reads one answer with its body; a closed connection is status 0.
pub async fn reply(stream: &mut (impl AsyncRead + AsyncWrite + Unpin)) -> Reply {
    let read = async {
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            match stream.read_u8().await {
                Ok(byte) => head.push(byte),
                Err(_) => return Reply { status: 0, head: String::new(), body: Value::Null },
            }
        }
        let head = String::from_utf8(head).unwrap().to_ascii_lowercase();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        let len = head.split("content-length: ").nth(1).map_or(0, |rest| rest.lines().next().unwrap().parse().unwrap());
        let mut body = vec![0; len];
        stream.read_exact(&mut body).await.unwrap();
        Reply { status, head, body: serde_json::from_slice(&body).unwrap_or(Value::Null) }
    };
    tokio::time::timeout(Duration::from_mins(1), read).await.expect("no answer within a minute")
}
