//! Few bytes and fresh reads over a thin link: the real forwarder, the real receiver, TLS between them, and a relay
//! that counts and throttles.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;

use drain::{Drain, PATIENCE, target, until};
use pintle::clock;
use pintle::receive::http::Limits;
use pintle::receive::schema::open_reader;
use pintle::receive::server::{Receiver, ReceiverSetup};
use pintle::seal::{self, Opener};
use pintle::store::{NewEvent, StoreHandle};
use pintle_core::ids::CameraId;
use pintle_core::moment::UtcTrust;
use pintle_core::queue::{EventKind, Lane};
use std::fs::Permissions;
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

/// A relay of so many bytes a second each way, which counts what it carries.
struct Relay {
    address: SocketAddr,
    carried: Arc<AtomicU64>,
}

impl Relay {
    async fn start(to: SocketAddr, bytes_a_s: u64) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let carried = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&carried);
        // Both connections of the trailer share the link, as they do on a tether.
        let lanes = [Arc::new(tokio::sync::Mutex::new(())), Arc::new(tokio::sync::Mutex::new(()))];
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let far = TcpStream::connect(to).await.unwrap();
                let (near_in, near_out) = near.into_split();
                let (far_in, far_out) = far.into_split();
                tokio::spawn(carry(near_in, far_out, bytes_a_s, Arc::clone(&count), Arc::clone(&lanes[0])));
                tokio::spawn(carry(far_in, near_out, bytes_a_s, Arc::clone(&count), Arc::clone(&lanes[1])));
            }
        });
        Self { address, carried }
    }

    fn carried(&self) -> u64 {
        self.carried.load(Ordering::Relaxed)
    }
}

async fn carry(
    mut from: tokio::net::tcp::OwnedReadHalf,
    mut to: tokio::net::tcp::OwnedWriteHalf,
    bytes_a_s: u64,
    count: Arc<AtomicU64>,
    lane: Arc<tokio::sync::Mutex<()>>,
) {
    let mut chunk = [0; 1400];
    while let Ok(len @ 1..) = from.read(&mut chunk).await {
        count.fetch_add(len as u64, Ordering::Relaxed);
        let turn = lane.lock().await;
        tokio::time::sleep(Duration::from_micros(len as u64 * 1_000_000 / bytes_a_s)).await;
        drop(turn);
        if to.write_all(&chunk[..len]).await.is_err() {
            return;
        }
    }
}

/// A receiver with TLS in `folder`, and the certificate that it shows.
async fn receiver(folder: &Path, opener: Option<Opener>, stop: CancellationToken) -> (SocketAddr, String) {
    let own = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let key = rustls::pki_types::PrivateKeyDer::try_from(own.signing_key.serialize_der()).unwrap();
    let tls = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![own.cert.der().clone()], key)
        .unwrap();
    let setup = ReceiverSetup {
        listen: ([127, 0, 0, 1], 0).into(),
        folder: folder.to_owned(),
        tls: Some(Arc::new(tls)),
        token: None,
        tokens: None,
        opener,
        limits: Limits::default(),
    };
    let receiver = Receiver::bind(setup).await.unwrap();
    let url = receiver.url();
    let address = url.strip_prefix("https://").unwrap().split('/').next().unwrap().parse().unwrap();
    tokio::spawn(receiver.serve(stop));
    (address, own.cert.pem())
}

/// An ordinary read as an engine hands it in: what differs from one to the next is random, the rest is not.
fn read(camera: &str, live: bool) -> NewEvent {
    let now = clock::utc();
    let id = StoreHandle::new_event_id();
    let plate: String =
        (0..7).map(|_| char::from(b"ABCDEFGHJKLMNPRSTUVWXYZ23456789"[rand::random_range(0..31)])).collect();
    let confidence = f64::from(rand::random_range(700_u16..1000)) / 1000.0;
    let extra = if live { r#","extra":{"live":true}"# } else { "" };
    let body = format!(
        concat!(
            r#"{{"id":"{}","camera":"{}","captured_at":"{}","plate":"{}","plate_state":"read","#,
            r#""confidence":{},"heading":"approaching","lane":{}{}}}"#
        ),
        id,
        camera,
        now.to_rfc3339(),
        plate,
        confidence,
        rand::random_range(1_u8..3),
        extra,
    );
    let stamp = concat!(
        r#"{"stamp_revision":1,"place":{"lat":44.51,"lon":-30.19,"radius95_m":4.0,"site":1,"spot":"site","#,
        r#""state":"certain","line":"Quernstone Road at Brackwater Lane, northbound","line_state":"confirmed"},"#,
        r#""clock":{"trust":"gps","offset_ms":3}}"#
    );
    NewEvent {
        id,
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: CameraId::new(camera).ok(),
        happened_at: now,
        body: body.into_bytes(),
        stamp: Some(stamp.as_bytes().to_vec()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

async fn put(drain: &Drain, reads: usize, live: bool) {
    for first in (0..reads).step_by(500) {
        let camera = |n: usize| if n.is_multiple_of(2) { "north" } else { "south" };
        let events = (first..reads.min(first + 500)).map(|n| read(camera(n), live)).collect();
        drain.store.accept(events, clock::moment(UtcTrust::Network)).await.unwrap();
    }
}

struct World {
    folder: tempfile::TempDir,
    relay: Relay,
    stop: CancellationToken,
    target: pintle::config::Receiver,
}

impl World {
    async fn new(bytes_a_s: u64, batch: u32) -> Self {
        Self::with(tempfile::tempdir().unwrap(), None, bytes_a_s, batch).await
    }

    async fn with(folder: tempfile::TempDir, opener: Option<Opener>, bytes_a_s: u64, batch: u32) -> Self {
        let stop = CancellationToken::new();
        let (address, pem) = receiver(&folder.path().join("agency"), opener, stop.clone()).await;
        let relay = Relay::start(address, bytes_a_s).await;
        let ca = folder.path().join("ca.pem");
        std::fs::write(&ca, pem).unwrap();
        let mut target = target(&format!("https://localhost:{}/v1/events", relay.address.port()));
        target.ca_file = Some(ca);
        target.batch_reads_max = batch;
        target.answer_wait_ms = 30_000;
        Self { folder, relay, stop, target }
    }

    fn drain(&self) -> Drain {
        Drain::start("heron-3", &self.folder.path().join("state"), self.target.clone())
    }

    fn events_here(&self) -> u64 {
        let Ok(conn) = open_reader(&self.folder.path().join("agency")) else { return 0 };
        conn.query_row("SELECT count(*) FROM event", [], |row| row.get::<_, i64>(0)).unwrap().cast_unsigned()
    }
}

/// What an ordinary read costs on the interface in batches of 100, bytes: all that the relay carries.
async fn each_read(world: &World, drain: &Drain) -> u64 {
    const READS: u64 = 3000;
    put(drain, 100, false).await; // the handshake, and the first batch, before it is known that the receiver unpacks
    until("the first reads are there", || async { 101 <= world.events_here() }).await;
    let before = world.relay.carried();
    put(drain, usize::try_from(READS).unwrap(), false).await;
    let began = Instant::now();
    while drain.figures().await.counts.waiting != 0 {
        assert!(began.elapsed() < PATIENCE);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    (world.relay.carried() - before).div_ceil(READS)
}

#[tokio::test]
async fn an_ordinary_read_costs_at_most_90_bytes_on_the_interface_both_ways_with_tls_and_receipts() {
    let world = World::new(400_000, 100).await;
    let drain = world.drain();
    let each = each_read(&world, &drain).await;
    drop(writeln!(std::io::stderr(), "bytes a read, batches of 100, both ways: {each}"));
    assert!(each <= 90, "{each} bytes a read");
    world.stop.cancel();
    drain.stop().await;
}

#[tokio::test]
async fn a_sealed_read_costs_at_most_160_bytes_on_the_interface_both_ways_with_tls_and_receipts() {
    let folder = tempfile::tempdir().unwrap();
    let (private, public) = (folder.path().join("agency.key"), folder.path().join("agency.pub"));
    let (private_text, public_text) = seal::make("agency").unwrap();
    std::fs::write(&private, private_text.as_bytes()).unwrap();
    std::fs::set_permissions(&private, Permissions::from_mode(0o600)).unwrap();
    std::fs::write(&public, public_text).unwrap();
    let opener = Opener::new(vec![seal::read_private(&private).unwrap()]);
    let state = folder.path().join("state");
    std::fs::create_dir(&state).unwrap();
    let world = World::with(folder, Some(opener), 400_000, 100).await;
    let drain = Drain::start_sealed("heron-3", &state, world.target.clone(), vec![public]);
    let each = each_read(&world, &drain).await;
    drop(writeln!(std::io::stderr(), "bytes a read, batches of 100, sealed, both ways: {each}"));
    assert!(each <= 160, "{each} bytes a read");
    world.stop.cancel();
    drain.stop().await;
}

#[tokio::test]
async fn row_33_thin_link_backlog() {
    // 100,000 by PINTLE_THIN_READS, which takes some five minutes; a share of it in the usual run.
    let backlog: u64 = std::env::var("PINTLE_THIN_READS").ok().and_then(|text| text.parse().ok()).unwrap_or(2500);
    let world = World::new(256_000 / 8, 500).await;
    // The backlog is from before this start of the agent: then live reads and it share the link.
    let (store, limits) = (world.folder.path().join("state"), pintle::config::Queue::PLAIN);
    let early = pintle::store::open(&store, &limits, clock::moment(UtcTrust::Network)).unwrap();
    for _ in 0..backlog / 500 {
        let events = (0..500).map(|_| read("north", false)).collect();
        early.accept(events, clock::moment(UtcTrust::Network)).await.unwrap();
    }
    early.close().await.unwrap();
    let payload = u64::try_from(read("north", false).body.len()).unwrap();
    let drain = world.drain();
    let mut live = 0;
    let began = Instant::now();
    let mut waited = u64::MAX;
    while drain.figures().await.counts.waiting != 0 {
        put(&drain, 1, true).await;
        live += 1;
        tokio::time::sleep(Duration::from_secs(1)).await;
        if live % 600 == 0 {
            let waiting = drain.figures().await.counts.waiting;
            assert!(waiting < waited, "the backlog falls every 10 min");
            waited = waiting;
        }
        assert!(began.elapsed() < Duration::from_secs(backlog / 50 + 60), "it never ends");
    }
    let conn = open_reader(&world.folder.path().join("agency")).unwrap();
    let mut rows = conn
        .prepare("SELECT received_at, time FROM event WHERE type = 'pintle.read.v1' AND data LIKE '%\"live\":true%'")
        .unwrap();
    let ages = rows.query_map([], |row| {
        let captured = pintle_core::moment::Utc::parse_rfc3339(&row.get::<_, String>(1)?).unwrap();
        Ok(pintle_core::moment::Utc(row.get(0)?).since_ms(captured))
    });
    let mut ages: Vec<i64> = ages.unwrap().map(Result::unwrap).collect();
    ages.sort_unstable();
    assert_eq!(ages.len(), live, "every live read is there");
    let p95 = ages[ages.len() * 95 / 100];
    let carried = world.relay.carried();
    drop(writeln!(
        std::io::stderr(),
        "backlog {backlog}, live {live}: p95 of the age of live reads {p95} ms, {} bytes a read",
        carried.div_ceil(backlog + live as u64)
    ));
    assert!(p95 <= 30_000, "{p95} ms");
    assert!(carried * 10 <= payload * (backlog + live as u64) * 13, "{carried} bytes for {payload} a read");
    assert_eq!(drain.figures().await.counts.refused, 0);
    world.stop.cancel();
    drain.stop().await;
}
