//! Load on the intake with a real store on a real disk: clients that keep their connection post one read after the
//! other and wait for each 202. Prints durable reads a second and how long an answer took.
//!
//! `cargo run --release --example intake_load -- [seconds] [clients] [reads in one request] [commit_wait_ms] [folder]`

#[path = "load/mod.rs"]
#[allow(dead_code, reason = "the figures use all of it")]
mod load;

use anyhow::ensure;
use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::intake::{self, IntakeSetup};
use pintle::{clock, config, store};
use pintle_core::cameras::IntakeView;
use pintle_core::ids::CameraId;
use pintle_core::moment::UtcTrust;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
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
    let answers = runtime()?.block_on(async {
        view.wait_for(|view| view.open).await?;
        load::post_all(&socket, Duration::from_secs(seconds as u64), clients, batch).await
    })?;
    stop.cancel();
    agent.join().map_err(|_| anyhow::anyhow!("the intake panicked"))??;
    let accepted = runtime()?.block_on(store.figures())?.counts.accepted;
    // The first event of a generation is its opening.
    ensure!(
        accepted == answers.reads + 1,
        "{} reads were answered 202, {accepted} events are in the queue",
        answers.reads
    );
    writeln!(
        std::io::stdout().lock(),
        "{clients} clients, {batch} reads a request, commit_wait_ms {commit_wait_ms}: {answers}"
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
        ..config::Queue::PLAIN
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
        images: config::Images {
            folder: None,
            image_bytes_max: 1 << 20,
            read_bytes_max: 2 << 20,
            thumbnail_px: 0,
            budget_mb_day: 0,
        },
        spool: None,
        ids_needed: false,
        cameras: vec![config::Camera { id: CameraId::new("north")?, label: "North".to_owned() }],
        store: store::open(&folder.join("state"), &queue, clock::moment(UtcTrust::Unset))?,
        position: watch::channel(Arc::default()).1,
        view: watch::channel(IntakeView::default()).0,
        heartbeat: Heartbeat::default(),
    })
}
