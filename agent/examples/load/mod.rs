//! Clients that keep their connection to an intake's unix socket and hand in one request after the other.

use anyhow::{Context, ensure};
use pintle_core::moment::Utc;
use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;

/// How a load went.
pub(crate) struct Answers {
    /// Reads that were answered 202.
    pub(crate) reads: u64,
    /// From the first request to the last answer, s.
    pub(crate) took_s: f64,
    /// How long each answer took, µs, in rising order.
    took_us: Vec<u64>,
}

impl Answers {
    /// From how long each answer took, µs; each was for `batch` reads.
    pub(crate) fn new(batch: usize, took: Duration, mut took_us: Vec<u64>) -> Self {
        took_us.sort_unstable();
        Self { reads: (took_us.len() * batch) as u64, took_s: took.as_secs_f64(), took_us }
    }

    /// Durable reads a second.
    pub(crate) fn rate(&self) -> f64 {
        f64::from(u32::try_from(self.reads).unwrap_or(u32::MAX)) / self.took_s
    }

    /// How long the answer took within which `share` thousandths of all answers came, ms.
    pub(crate) fn at_ms(&self, share: usize) -> f64 {
        let us = self.took_us[(self.took_us.len() - 1) * share / 1000];
        f64::from(u32::try_from(us).unwrap_or(u32::MAX)) / 1e3
    }
}

impl fmt::Display for Answers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:.0} durable reads/s; answer p50 {:.1} ms, p99 {:.1} ms, p99.9 {:.1} ms, max {:.1} ms",
            self.rate(),
            self.at_ms(500),
            self.at_ms(990),
            self.at_ms(999),
            self.at_ms(1000)
        )
    }
}

/// Posts `batch` reads a request of the camera "north" from `clients` clients at once.
///
/// # Errors
/// If a connection breaks or any answer is not 202.
pub(crate) async fn post_all(socket: &Path, time: Duration, clients: usize, batch: usize) -> anyhow::Result<Answers> {
    let began = Instant::now();
    let counter = Arc::new(AtomicI64::new(1_795_600_000_000));
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..clients {
        let (socket, counter) = (socket.to_owned(), Arc::clone(&counter));
        tasks.spawn(async move {
            let mut stream = UnixStream::connect(socket).await?;
            let mut took_us = Vec::new();
            while began.elapsed() < time {
                let body: String = (0..batch).map(|_| read(counter.fetch_add(1, Ordering::Relaxed))).collect();
                let asked = Instant::now();
                post(&mut stream, &body).await?;
                took_us.push(u64::try_from(asked.elapsed().as_micros())?);
            }
            anyhow::Ok(took_us)
        });
    }
    let mut took_us = Vec::new();
    while let Some(done) = tasks.join_next().await {
        took_us.extend(done??);
    }
    Ok(Answers::new(batch, began.elapsed(), took_us))
}

/// Time on a processor that a process has had so far, its ended threads among it, s; 0 if there is none.
///
/// Source: `proc_pid_stat(5)`: user and system time are fields 14 and 15, in ticks of 10 ms.
pub(crate) fn cpu_s(process: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    let behind_name = text.rsplit(')').next().unwrap_or_default();
    let ticks = behind_name.split_whitespace().skip(11).take(2).filter_map(|ticks| ticks.parse::<u32>().ok());
    ticks.map(f64::from).sum::<f64>() / 100.0
}

/// An ordinary read as an engine hands it in, captured at `ms`.
pub(crate) fn read(ms: i64) -> String {
    let captured_at = Utc(ms).to_rfc3339();
    let plate = ms % 1_000_000;
    let first =
        format!(r#"{{"camera":"north","captured_at":"{captured_at}","plate":"Q{plate:06}","plate_state":"read","#);
    let rest =
        r#""jurisdiction":{"code":"ZZ","list":"iso-3166-1"},"confidence":0.93,"heading":"approaching","lane":1,"#;
    format!("{first}{rest}{}\n", r#""plate_width_px":131}"#)
}

/// Hands in one request and waits for its 202.
pub(crate) async fn post(stream: &mut UnixStream, body: &str) -> anyhow::Result<()> {
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
