//! Drains a queue into our own receiver on this computer and prints how fast, and how long hits take meanwhile:
//! `cargo run --release --example drain_speed -- [READS] [READS_A_REQUEST]` (1,000,000 and 500).
//!
//! Forwarder, store and receiver are those of the program; the receiver runs in a thread of its own, with TLS off, on
//! the disk of a temporary folder. Reads are 300 bytes, as an engine hands them in.

use anyhow::{Context, ensure};
use pintle::actors::forward::{ForwardSetup, run};
use pintle::actors::heartbeat::Heartbeat;
use pintle::clock;
use pintle::config::{Broker, Proof, Queue, Receiver as Target};
use pintle::receive::http::Limits;
use pintle::receive::server::{Receiver, ReceiverSetup};
use pintle::store::{NewEvent, StoreHandle, open};
use pintle_core::forward::ForwardView;
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::link::LinkView;
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

fn now() -> Moment {
    clock::moment(UtcTrust::Network)
}

fn reads(count: u64, hit: bool) -> Vec<NewEvent> {
    let stamp = concat!(
        r#"{"stamp_revision":1,"place":{"lat":44.51,"lon":-30.19,"radius95_m":4.0,"site":1,"spot":"site","#,
        r#""state":"certain","line":"Quernstone Road at Brackwater Lane","line_state":"confirmed"},"#,
        r#""clock":{"trust":"gps","offset_ms":3}}"#
    );
    let one = |n: u64| {
        let (id, now) = (StoreHandle::new_event_id(), clock::utc());
        let more = if hit { r#","hit":{"list":"demo","list_time":"2026-11-25T00:00:00Z","entry":"E1"}"# } else { "" };
        let body = format!(
            concat!(
                r#"{{"id":"{}","camera":"north","captured_at":"{}","plate":"QX{}","plate_state":"read","#,
                r#""confidence":0.93,"heading":"approaching","lane":2{}}}"#
            ),
            id,
            now.to_rfc3339(),
            n,
            more
        );
        NewEvent {
            id,
            kind: EventKind::Read,
            lane: if hit { Lane::Urgent } else { Lane::Bulk },
            camera: CameraId::new("north").ok(),
            happened_at: now,
            body: body.into_bytes(),
            stamp: Some(stamp.as_bytes().to_vec()),
            hit,
            stamp_open: false,
            images: Vec::new(),
        }
    };
    (0..count).map(one).collect()
}

/// A receiver in a thread of its own; answers its address.
fn receiver(folder: PathBuf, stop: CancellationToken) -> anyhow::Result<String> {
    let (tell, told) = std::sync::mpsc::channel();
    std::thread::spawn(move || -> anyhow::Result<()> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(4).build()?;
        runtime.block_on(async {
            let listen = ([127, 0, 0, 1], 0).into();
            let limits = Limits::default();
            let receiver = Receiver::bind(ReceiverSetup {
                listen,
                folder,
                tls: None,
                token: None,
                tokens: None,
                opener: None,
                limits,
            })
            .await?;
            tell.send(receiver.url())?;
            receiver.serve(stop).await;
            Ok(())
        })
    });
    told.recv().context("the receiver did not start")
}

/// Time on a processor that this process has had, s (source: `proc_pid_stat(5)`, fields 14 and 15, ticks of 10 ms).
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let behind_name = text.rsplit(')').next().unwrap_or_default();
    let ticks = behind_name.split_whitespace().skip(11).take(2).filter_map(|ticks| ticks.parse::<u32>().ok());
    ticks.map(f64::from).sum::<f64>() / 100.0
}

fn main() -> anyhow::Result<()> {
    let count: u64 = std::env::args().nth(1).map_or(Ok(1_000_000), |n| n.parse()).context("READS must be a number")?;
    let batch_reads_max: u32 =
        std::env::args().nth(2).map_or(Ok(500), |n| n.parse()).context("READS_A_REQUEST must be a number")?;
    let folder = tempfile::tempdir_in(".")?;
    let stop = CancellationToken::new();
    let url = receiver(folder.path().join("agency"), stop.clone())?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut out = std::io::stdout().lock();
    runtime.block_on(async {
        let store = open(&folder.path().join("state"), &Queue::PLAIN, now())?;
        for first in (0..count).step_by(1000) {
            store.accept(reads(1000.min(count - first), false), now()).await?;
        }
        let (view, mut seen) = watch::channel(ForwardView::default());
        let (link, link_seen) = watch::channel(LinkView::NotFitted);
        let target = Target {
            url,
            proof: Proof::Receipts,
            ca_file: None,
            token_file: None,
            client_cert_file: None,
            client_key_file: None,
            batch_reads_max,
            batch_bytes_max: 4 << 20,
            answer_wait_ms: 30_000,
            retry_ms_max: 1000,
            broker: Broker::default(),
        };
        // Somebody vouches for the host's clock: without that nobody says how long a hit took.
        let known = PositionView { utc_trust: UtcTrust::Network, ..PositionView::default() };
        let setup = ForwardSetup {
            asked: watch::Sender::default(),
            trailer: TrailerId::new("heron-3").map_err(|error| anyhow::anyhow!("{error}"))?,
            receiver: Some(target),
            store: store.clone(),
            link: link_seen,
            link_report: watch::Sender::default().subscribe(),
            traffic: tokio::sync::broadcast::Sender::new(64),
            position: watch::Sender::new(Arc::new(known)).subscribe(),
            view,
            relay: None,
            images_mb_day: 0,
            heartbeat: Heartbeat::default(),
        };
        let (began, cpu_before) = (Instant::now(), cpu_s());
        let forwarding = tokio::spawn(run(setup, stop.clone()));
        let mut hits = 0;
        while store.figures().await?.counts.waiting != 0 {
            if hits < 200 {
                store.accept(reads(1, true), now()).await?;
                hits += 1;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        let (took, cpu) = (began.elapsed().as_secs_f64(), cpu_s() - cpu_before);
        drop(link);
        let mut latencies = seen.borrow_and_update().hit_latency_ms.clone();
        latencies.sort_unstable();
        let counts = store.figures().await?.counts;
        ensure!(counts.delivered == counts.accepted && counts.not_accounted() == 0, "{counts:?}");
        let delivered = u32::try_from(counts.delivered)?;
        let (rate, cpu_us) = (f64::from(delivered) / took, cpu * 1e6 / f64::from(delivered));
        writeln!(
            out,
            "drained {delivered} events in {took:.1} s: {rate:.0} a second, {cpu_us:.1} µs of processor each"
        )?;
        if let (Some(p50), Some(p99)) = (latencies.get(latencies.len() / 2), latencies.get(latencies.len() * 99 / 100))
        {
            writeln!(out, "hits meanwhile ({}): acceptance to receipt p50 {p50} ms, p99 {p99} ms", latencies.len())?;
        }
        stop.cancel();
        forwarding.await?;
        store.close().await?;
        anyhow::Ok(())
    })
}
