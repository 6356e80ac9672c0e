//! Other programs that take messages durably, measured in the same run, and what SQLite does alone on the same disk.
//!
//! They get the reads that our own intake gets, as bytes. Each runs only while it is measured.

use crate::load::{Answers, cpu_s, read};
use anyhow::{Context, bail, ensure};
use pintle::store::StoreHandle;
use std::fmt::Write as _;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Rows of one commit when SQLite runs alone: as many as eight clients with a hundred reads each bring together.
const ROWS_A_COMMIT: usize = 800;
/// Messages on their way to rsyslog: what its own clients allow themselves (source: librelp, window of 128).
const RELP_WINDOW: usize = 128;

/// A server that is killed with the value.
struct Server {
    child: Child,
    _folder: tempfile::TempDir,
    port: u16,
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Server {
    async fn connect(&self) -> anyhow::Result<TcpStream> {
        let began = Instant::now();
        loop {
            match TcpStream::connect(("127.0.0.1", self.port)).await {
                Ok(stream) => return Ok(stream),
                Err(_) if began.elapsed() < Duration::from_secs(20) => {
                    tokio::time::sleep(Duration::from_millis(20)).await;
                }
                Err(error) => return Err(error).context("the peer does not listen"),
            }
        }
    }

    /// Time on a processor so far, s.
    fn cpu_s(&self) -> f64 {
        cpu_s(self.child.id())
    }
}

fn free_port() -> anyhow::Result<u16> {
    Ok(TcpListener::bind("127.0.0.1:0")?.local_addr()?.port())
}

/// What a peer's load comes to.
pub(crate) struct Peer {
    pub(crate) answers: Answers,
    /// Time on a processor of client and server, s.
    pub(crate) cpu_s: (f64, f64),
}

fn is_there(program: &str, argument: &str) -> bool {
    let said = Command::new(program).arg(argument).stdout(Stdio::null()).stderr(Stdio::null()).status();
    said.is_ok_and(|status| status.success())
}

/// `JetStream` of one nats-server, each message synced before it is acknowledged; `None` if it is not installed.
pub(crate) fn jetstream(scratch: &Path, time: Duration, in_flight: usize) -> anyhow::Result<Option<Peer>> {
    if !is_there("nats-server", "--version") {
        return Ok(None);
    }
    let (folder, port) = (tempfile::tempdir_in(scratch)?, free_port()?);
    let at = folder.path().join("config");
    let text = format!(
        "listen: \"127.0.0.1:{port}\"\njetstream {{ store_dir: \"{}\", sync_interval: always }}\n",
        folder.path().display()
    );
    std::fs::write(&at, text)?;
    let child = quiet(Command::new("nats-server").arg("-c").arg(&at))?;
    let server = Server { child, _folder: folder, port };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        drop(server.connect().await?);
        let client = async_nats::connect(format!("nats://127.0.0.1:{port}")).await?;
        let stream = async_nats::jetstream::new(client);
        let config = async_nats::jetstream::stream::Config {
            name: "reads".to_owned(),
            subjects: vec!["reads".to_owned()],
            storage: async_nats::jetstream::stream::StorageType::File,
            ..Default::default()
        };
        stream.create_stream(config).await?;
        let counter = Arc::new(AtomicI64::new(0));
        let (began, cpu_before) = (Instant::now(), (cpu_s(std::process::id()), server.cpu_s()));
        let mut tasks = tokio::task::JoinSet::new();
        for _ in 0..in_flight {
            let (stream, counter) = (stream.clone(), Arc::clone(&counter));
            tasks.spawn(async move {
                let mut took_us = Vec::new();
                while began.elapsed() < time {
                    let body = read(counter.fetch_add(1, Ordering::Relaxed));
                    let asked = Instant::now();
                    stream.publish("reads", body.into()).await?.await?;
                    took_us.push(u64::try_from(asked.elapsed().as_micros())?);
                }
                anyhow::Ok(took_us)
            });
        }
        let mut took_us = Vec::new();
        while let Some(done) = tasks.join_next().await {
            took_us.extend(done??);
        }
        let answers = Answers::new(1, began.elapsed(), took_us);
        let cpu_s = (cpu_s(std::process::id()) - cpu_before.0, server.cpu_s() - cpu_before.1);
        Ok(Some(Peer { answers, cpu_s }))
    })
}

/// rsyslog with a queue on the disk, synced and its place noted after each message; taken in by RELP, which
/// acknowledges. `None` if it is not installed.
pub(crate) fn rsyslog(scratch: &Path, time: Duration) -> anyhow::Result<Option<Peer>> {
    if !is_there("rsyslogd", "-v") {
        return Ok(None);
    }
    let (folder, port, nobody) = (tempfile::tempdir_in(scratch)?, free_port()?, free_port()?);
    let at = folder.path().join("config");
    let spool = folder.path().display();
    let text = format!(
        "global(workDirectory=\"{spool}\")\nmodule(load=\"imrelp\")\n\
         main_queue(queue.type=\"disk\" queue.filename=\"q\" queue.spoolDirectory=\"{spool}\" \
         queue.syncqueuefiles=\"on\" queue.checkpointinterval=\"1\" queue.maxdiskspace=\"0\" queue.size=\"100000000\" \
         queue.timeoutenqueue=\"10000\")\n\
         input(type=\"imrelp\" port=\"{port}\" address=\"127.0.0.1\")\n\
         action(type=\"omfwd\" target=\"127.0.0.1\" port=\"{nobody}\" protocol=\"tcp\" action.resumeRetryCount=\"-1\")\n"
    );
    std::fs::write(&at, text)?;
    let mut command = Command::new("rsyslogd");
    let child = quiet(command.arg("-n").arg("-f").arg(&at).arg("-i").arg(folder.path().join("pid")))?;
    let server = Server { child, _folder: folder, port };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut relp = Relp { stream: server.connect().await?, buffer: Vec::new(), number: 0 };
        relp.send("open", "relp_version=0\nrelp_software=figures\ncommands=syslog").await?;
        relp.answers(1).await?;
        let (began, cpu_before) = (Instant::now(), (cpu_s(std::process::id()), server.cpu_s()));
        let (mut sent_at, mut took_us) = (std::collections::VecDeque::new(), Vec::new());
        let mut n = 0;
        while began.elapsed() < time {
            while sent_at.len() < RELP_WINDOW {
                let message = format!("<13>1 2026-11-25T12:00:00Z heron-3 engine - - - {}", read(n).trim_end());
                relp.send("syslog", &message).await?;
                sent_at.push_back(Instant::now());
                n += 1;
            }
            for _ in 0..relp.answers(0).await? {
                let sent: Instant = sent_at.pop_front().context("an answer to nothing")?;
                took_us.push(u64::try_from(sent.elapsed().as_micros())?);
            }
        }
        let answers = Answers::new(1, began.elapsed(), took_us);
        let cpu_s = (cpu_s(std::process::id()) - cpu_before.0, server.cpu_s() - cpu_before.1);
        Ok(Some(Peer { answers, cpu_s }))
    })
}

/// One connection of the reliable event logging protocol (source: the RELP specification, librelp's `doc/relp.html`).
struct Relp {
    stream: TcpStream,
    buffer: Vec<u8>,
    number: u32,
}

impl Relp {
    async fn send(&mut self, command: &str, data: &str) -> anyhow::Result<()> {
        self.number += 1;
        let mut frame = String::new();
        writeln!(frame, "{} {command} {} {data}", self.number, data.len())?;
        Ok(self.stream.write_all(frame.as_bytes()).await?)
    }

    /// Waits for at least one answer, and takes all that are there. `wanted`: this many, if it is not 0.
    async fn answers(&mut self, wanted: usize) -> anyhow::Result<usize> {
        let mut found = 0;
        loop {
            while let Some(len) = frame_len(&self.buffer)? {
                self.buffer.drain(..len);
                found += 1;
            }
            if wanted.max(1) <= found {
                return Ok(found);
            }
            ensure!(0 < self.stream.read_buf(&mut self.buffer).await?, "rsyslog closed the connection");
        }
    }
}

/// Length of the first frame if it is whole. Every one must be an answer that says 200.
fn frame_len(bytes: &[u8]) -> anyhow::Result<Option<usize>> {
    let mut parts = bytes.splitn(4, |c| *c == b' ');
    let (Some(number), Some(command), Some(len), Some(data)) = (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return Ok(None);
    };
    let data_len: usize = std::str::from_utf8(len)?.parse()?;
    if data.len() <= data_len {
        return Ok(None);
    }
    if command != b"rsp" || !data.starts_with(b"200") {
        bail!("rsyslog said: {}", String::from_utf8_lossy(data));
    }
    Ok(Some(number.len() + command.len() + len.len() + 3 + data_len + 1))
}

fn quiet(command: &mut Command) -> anyhow::Result<Child> {
    Ok(command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()?)
}

/// Rows that SQLite alone commits in a second: WAL, FULL, one connection, [`ROWS_A_COMMIT`] rows a commit with an
/// index over time-ordered ids, and the same bytes as our reads.
/// Answers rows a second, and µs of processor a row.
pub(crate) fn sqlite(scratch: &Path, time: Duration) -> anyhow::Result<(f64, f64)> {
    let folder = tempfile::tempdir_in(scratch)?;
    let conn = rusqlite::Connection::open(folder.path().join("alone.db"))?;
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.execute_batch(
        "CREATE TABLE reads (n INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, body BLOB NOT NULL) STRICT",
    )?;
    let body = read(0);
    let (began, cpu_before, mut rows) = (Instant::now(), cpu_s(std::process::id()), 0_u32);
    while began.elapsed() < time {
        conn.execute_batch("BEGIN IMMEDIATE")?;
        for _ in 0..ROWS_A_COMMIT {
            let id = StoreHandle::new_event_id();
            conn.prepare_cached("INSERT INTO reads (id, body) VALUES (?, ?)")?
                .execute(rusqlite::params![id.0, body.as_bytes()])?;
            rows += 1;
        }
        conn.execute_batch("COMMIT")?;
    }
    let cpu_us = (cpu_s(std::process::id()) - cpu_before) * 1e6;
    Ok((f64::from(rows) / began.elapsed().as_secs_f64(), cpu_us / f64::from(rows)))
}
