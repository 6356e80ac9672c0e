//! Load on the intake with a real store on a real disk: clients that keep their connection post one read after the
//! other and wait for each 202. Prints durable reads a second and how long an answer took.
//!
//! `cargo run --release --example intake_load -- [seconds] [clients] [reads in one request] [commit_wait_ms] [folder]`

use anyhow::{Context, ensure};
use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::intake::{self, IntakeSetup};
use pintle::{clock, config, store};
use pintle_core::cameras::IntakeView;
use pintle_core::ids::CameraId;
use pintle_core::moment::{Utc, UtcTrust};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let mut number = |default: usize| args.next().map_or(Ok(default), |arg| arg.parse());
    let (seconds, clients, batch, commit_wait_ms) = (number(5)?, number(8)?, number(1)?, number(0)?);
    let folder = tempfile::tempdir_in(args.next().map_or_else(|| PathBuf::from("target"), PathBuf::from))?;
    let socket = folder.path().join("intake.sock");
    let setup = setup(folder.path(), &socket, batch, commit_wait_ms as u64)?;
    let (store, stop) = (setup.store.clone(), CancellationToken::new());
    let mut view = setup.view.subscribe();
    let agent = std::thread::spawn({
        let stop = stop.clone();
        move || -> anyhow::Result<()> { Ok(runtime()?.block_on(intake::run(setup, stop))?) }
    });
    let mut took_us = runtime()?.block_on(async {
        view.wait_for(|view| view.open).await?;
        post_all(&socket, seconds, clients, batch).await
    })?;
    stop.cancel();
    agent.join().map_err(|_| anyhow::anyhow!("the intake panicked"))??;
    let accepted = runtime()?.block_on(store.figures())?.counts.accepted;
    took_us.sort_unstable();
    let reads = took_us.len() * batch;
    // The first event of a generation is its opening.
    ensure!(accepted == reads as u64 + 1, "{reads} reads were answered 202, {accepted} events are in the queue");
    let at = |share: usize| took_us[(took_us.len() - 1) * share / 1000] / 1000;
    writeln!(
        std::io::stdout().lock(),
        "{clients} clients, {batch} reads a request, commit_wait_ms {commit_wait_ms}: \
         {} durable reads/s; answer p50 {} ms, p99 {} ms, p99.9 {} ms, max {} ms",
        reads / seconds,
        at(500),
        at(990),
        at(999),
        at(1000)
    )?;
    Ok(())
}

fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_current_thread().enable_all().build()
}

fn setup(folder: &Path, socket: &Path, batch: usize, commit_wait_ms: u64) -> anyhow::Result<IntakeSetup> {
    let day = 86_400;
    let queue = config::Queue {
        seal: config::Seal::None,
        commit_wait_ms,
        waiting_keep_s: day,
        hit_waiting_keep_s: day,
        delivered_keep_s: day,
        hit_delivered_keep_s: day,
        disk_free_min_mib: 64,
    };
    Ok(IntakeSetup {
        intake: config::Intake {
            socket: Some(socket.to_owned()),
            listen: None,
            body_bytes_max: 4 << 20,
            batch_reads_max: u32::try_from(batch)?,
            connections_max: 64,
            request_wait_ms: 10_000,
        },
        cameras: vec![config::Camera { id: CameraId::new("north")?, label: "North".to_owned() }],
        store: store::open(&folder.join("state"), &queue, clock::moment(UtcTrust::Unset))?,
        position: watch::channel(Arc::default()).1,
        view: watch::channel(IntakeView::default()).0,
        heartbeat: Heartbeat::default(),
    })
}

/// Posts from all clients at once; answers how long each request took, microseconds.
async fn post_all(socket: &Path, seconds: usize, clients: usize, batch: usize) -> anyhow::Result<Vec<u64>> {
    let until = Instant::now() + Duration::from_secs(seconds as u64);
    let counter = Arc::new(AtomicI64::new(1_795_600_000_000));
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..clients {
        let (socket, counter) = (socket.to_owned(), Arc::clone(&counter));
        tasks.spawn(async move {
            let mut stream = UnixStream::connect(socket).await?;
            let mut took_us = Vec::new();
            while Instant::now() < until {
                let body: String = (0..batch).map(|_| read(counter.fetch_add(1, Ordering::Relaxed))).collect();
                let began = Instant::now();
                post(&mut stream, &body).await?;
                took_us.push(u64::try_from(began.elapsed().as_micros())?);
            }
            anyhow::Ok(took_us)
        });
    }
    let mut all = Vec::new();
    while let Some(took_us) = tasks.join_next().await {
        all.extend(took_us??);
    }
    Ok(all)
}

fn read(ms: i64) -> String {
    let captured_at = Utc(ms).to_rfc3339();
    let plate = ms % 1_000_000;
    format!(
        concat!(
            r#"{{"camera":"north","captured_at":"{}","plate":"Q{:06}","plate_state":"read","#,
            r#""jurisdiction":{{"code":"ZZ","list":"iso-3166-1"}},"confidence":0.93,"heading":"approaching","#,
            r#""lane":1,"plate_width_px":131}}"#
        ),
        captured_at, plate
    ) + "\n"
}

async fn post(stream: &mut UnixStream, body: &str) -> anyhow::Result<()> {
    let head = "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/x-ndjson\r\ncontent-length:";
    stream.write_all(format!("{head} {}\r\n\r\n{body}", body.len()).as_bytes()).await?;
    let mut answer = Vec::with_capacity(4096);
    loop {
        ensure!(0 < stream.read_buf(&mut answer).await?, "the intake closed the connection");
        let text = std::str::from_utf8(&answer)?;
        let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
        ensure!(head.starts_with("HTTP/1.1 202"), "{text}");
        let len = head.split("content-length: ").nth(1).and_then(|rest| rest.lines().next()).context("no length")?;
        if len.parse::<usize>()? <= body.len() {
            return Ok(());
        }
    }
}
