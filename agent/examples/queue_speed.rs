//! Measures the queue on the disk under the folder given (or a temporary one):
//! `cargo run --release --example queue_speed -- [WAITING] [READ_BYTES] [FOLDER]`.
//!
//! Prints what accepting and leasing cost with 10,000 events waiting and with WAITING (1,000,000), side by side, and
//! how much disk, memory and start time the backlog takes. Reads have `READ_BYTES` bytes (1,000) and one of eleven
//! stamps of 330 bytes, as at 1 Hz of GPS, where the age of the fix is told in tenths of a second.

use anyhow::Context;
use pintle::clock;
use pintle::config::{Queue, Seal};
use pintle::store::{NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 30 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 86_400,
    disk_free_min_mib: 64,
    ..Queue::PLAIN
};

/// Filling ends when the disk has less than this, bytes.
const FREE_MIN: u64 = 5 << 30;

/// What waits in the small case.
const FEW: u64 = 10_000;

/// How often both cases are measured by turns.
const TURNS: usize = 5;

/// How long each accepting case runs.
const CASE: Duration = Duration::from_secs(3);

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let waiting: u64 = args.next().map_or(Ok(1_000_000), |n| n.parse()).context("WAITING must be a number")?;
    let read_bytes: usize = args.next().map_or(Ok(1000), |n| n.parse()).context("READ_BYTES must be a number")?;
    let folder = args.next().map(PathBuf::from);
    let temp = tempfile::tempdir()?;
    let folder = folder.unwrap_or_else(|| temp.path().to_owned());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut out = std::io::stdout().lock();
    let disk = runtime.block_on(disk_of_a_read(&folder.join("queue-speed-disk")))?;
    writeln!(out, "disk per waiting read of 1,000 bytes     {disk:>10}")?;
    let large = folder.join("queue-speed-large");
    for (dir, backlog) in [(&folder.join("queue-speed-small"), FEW), (&large, waiting)] {
        runtime.block_on(fill(dir, backlog, read_bytes))?;
        runtime.block_on(measure(dir, backlog, read_bytes, &mut out))?;
        if *dir != large {
            std::fs::remove_dir_all(dir)?;
        }
    }
    let [few, many] = runtime.block_on(by_turns(&folder.join("queue-speed-turn"), &large, read_bytes))?;
    writeln!(out, "by turns, medians of {TURNS}, 8 callers, 100 a call")?;
    writeln!(out, "  by turns, accepted reads/s            {few:>10.0}   with {FEW} waiting")?;
    writeln!(out, "  by turns, accepted reads/s            {many:>10.0}   with {waiting} and more waiting")?;
    std::fs::remove_dir_all(&large)?;
    Ok(())
}

/// What the disk gives changes from minute to minute, more than what waits: so both cases are measured in turns. The
/// small queue is a new one each time, since it would grow by hundreds of thousands.
async fn by_turns(small: &Path, large: &Path, read_bytes: usize) -> anyhow::Result<[f64; 2]> {
    let mut rates = [Vec::new(), Vec::new()];
    for _ in 0..TURNS {
        fill(small, FEW, read_bytes).await?;
        for (dir, rates) in [small, large].into_iter().zip(&mut rates) {
            let store = open(dir, &LIMITS, now())?;
            rates.push(accepting(&store, 8, 100, read_bytes).await?.0);
            store.close().await?;
        }
        std::fs::remove_dir_all(small)?;
    }
    Ok(rates.map(|mut rates| {
        rates.sort_by(f64::total_cmp);
        rates[TURNS / 2]
    }))
}

/// Bytes on the disk for each of 10,000 waiting reads of 1,000 bytes.
async fn disk_of_a_read(dir: &Path) -> anyhow::Result<u64> {
    let store = open(dir, &LIMITS, now())?;
    for _ in 0..10 {
        store.accept(reads(1000, 1000), now()).await?;
    }
    store.close().await?;
    let store = open(dir, &LIMITS, now())?;
    let bytes = store.figures().await?.bytes_on_disk;
    store.close().await?;
    std::fs::remove_dir_all(dir)?;
    Ok(bytes / 10_000)
}

async fn fill(dir: &Path, backlog: u64, read_bytes: usize) -> anyhow::Result<()> {
    let store = open(dir, &LIMITS, now())?;
    for thousand in 0..backlog / 1000 {
        store.accept(reads(1000, read_bytes), now()).await?;
        if thousand % 100 == 0 {
            let free = store.figures().await?.disk_free_bytes;
            anyhow::ensure!(FREE_MIN < free, "only {free} bytes are free on this disk: others may need them");
        }
    }
    store.close().await?;
    Ok(())
}

async fn measure(dir: &Path, backlog: u64, read_bytes: usize, out: &mut impl Write) -> anyhow::Result<()> {
    let begun = Instant::now();
    let store = open(dir, &LIMITS, now())?;
    store.accept(reads(1, read_bytes), now()).await?;
    let start_ms = begun.elapsed().as_secs_f64() * 1e3;
    let disk = store.figures().await?.bytes_on_disk;
    writeln!(out, "with {backlog} reads of {read_bytes} bytes waiting")?;
    writeln!(out, "  start to first accepted read, ms       {start_ms:>10.1}")?;
    writeln!(out, "  disk per waiting read, bytes           {:>10}", disk / backlog)?;
    for (callers, batch) in [(1, 1), (8, 1), (64, 1), (8, 100), (1, 1000)] {
        let (rate, p50, p99) = accepting(&store, callers, batch, read_bytes).await?;
        let case = format!("{callers} callers, {batch} a call");
        writeln!(out, "  accepted reads/s, {case:<20} {rate:>10.0}   p50 {p50:.2} ms, p99 {p99:.2} ms")?;
    }
    let (lease_us, settle_us) = leasing(&store).await?;
    writeln!(out, "  lease of 100, µs (median)              {lease_us:>10.0}")?;
    writeln!(out, "  settle of 100, µs (median, with sync)  {settle_us:>10.0}")?;
    writeln!(out, "  resident memory of this process, kB    {:>10}", resident_kb())?;
    let counts = store.figures().await?.counts;
    anyhow::ensure!(counts.not_accounted() == 0, "the ledger does not close: {counts:?}");
    store.close().await?;
    Ok(())
}

async fn accepting(
    store: &StoreHandle,
    callers: usize,
    batch: usize,
    read_bytes: usize,
) -> anyhow::Result<(f64, f64, f64)> {
    let begun = Instant::now();
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..callers {
        let store = store.clone();
        tasks.spawn(async move {
            let mut answers_ms = Vec::new();
            while begun.elapsed() < CASE {
                let asked = Instant::now();
                store.accept(reads(batch, read_bytes), now()).await?;
                answers_ms.push(asked.elapsed().as_secs_f64() * 1e3);
            }
            anyhow::Ok(answers_ms)
        });
    }
    let mut answers_ms = Vec::new();
    while let Some(done) = tasks.join_next().await {
        answers_ms.extend(done??);
    }
    let took_s = begun.elapsed().as_secs_f64();
    answers_ms.sort_by(f64::total_cmp);
    let calls = u32::try_from(answers_ms.len())?;
    let reads = f64::from(calls) * f64::from(u32::try_from(batch)?);
    Ok((reads / took_s, answers_ms[answers_ms.len() / 2], answers_ms[answers_ms.len() * 99 / 100]))
}

async fn leasing(store: &StoreHandle) -> anyhow::Result<(f64, f64)> {
    let (mut lease_us, mut settle_us) = (Vec::new(), Vec::new());
    for _ in 0..100 {
        let begun = Instant::now();
        let leased = store.lease(Lane::Bulk, 100, 1 << 20, now()).await?;
        lease_us.push(begun.elapsed().as_secs_f64() * 1e6);
        let begun = Instant::now();
        store.settle(leased.iter().map(|e| (e.sequence, Settled::Delivered)).collect(), now()).await?;
        settle_us.push(begun.elapsed().as_secs_f64() * 1e6);
    }
    lease_us.sort_by(f64::total_cmp);
    settle_us.sort_by(f64::total_cmp);
    Ok((lease_us[lease_us.len() / 2], settle_us[settle_us.len() / 2]))
}

fn now() -> Moment {
    clock::moment(UtcTrust::Network)
}

fn reads(count: usize, bytes: usize) -> Vec<NewEvent> {
    let camera = CameraId::new("north").ok();
    (0..count)
        .map(|n| {
            let id: EventId = StoreHandle::new_event_id();
            let mut body = format!("{{\"id\":\"{id}\",\"extra\":\"").into_bytes();
            body.resize(bytes - 2, b'x');
            body.extend_from_slice(b"\"}");
            let age = n % 11;
            let mut stamp = format!("{{\"stamp_revision\":1,\"place\":{{\"fix_age_s\":{age},\"line\":\"").into_bytes();
            stamp.resize(327, b'y');
            stamp.extend_from_slice(b"\"}}");
            NewEvent {
                id,
                kind: EventKind::Read,
                lane: Lane::Bulk,
                camera: camera.clone(),
                happened_at: clock::utc(),
                body,
                stamp: Some(stamp),
                hit: false,
                stamp_open: false,
                images: Vec::new(),
            }
        })
        .collect()
}

/// Resident memory by `/proc/self/status`, kB; 0 where the system does not tell it.
fn resident_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or(0)
}
