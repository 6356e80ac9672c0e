//! Answers and wear at the pace of a trailer: few reads a second, each answered after its own sync, on a disk that
//! nobody else writes to, so that what is written to it can be counted.

use crate::agent::Agent;
use crate::load::{Answers, read};
use crate::{Bar, Bench, Part, Section, median};
use anyhow::{Context, ensure};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

const RUN: Duration = Duration::from_secs(8);
/// Brings some ten thousand reads: the log is written back after 2,000 pages.
const WARM_UP: Duration = Duration::from_secs(2);
/// More than are ever waiting for their answer at once.
const CONNECTIONS: usize = 8;
const ROUNDS: usize = 5;
const P99_MS_MAX: f64 = 15.0;
/// Source: 18 kB and 15 kB are what is to be reached; 42.7 kB and 12.8 kB were measured for SQLite alone at 5 rows a
/// second with one commit each and one a second.
const WRITTEN_KB_MAX: f64 = 18.0;
const WRITTEN_WAITING_KB_MAX: f64 = 15.0;

/// A file system of its own in an image, on a loop device that counts what is written to it.
struct Disk {
    image: PathBuf,
    mount: tempfile::TempDir,
    counter: PathBuf,
}

impl Disk {
    /// `None` where it can't be mounted: that needs root.
    fn mount(bench: &Bench) -> anyhow::Result<Option<Self>> {
        // In memory, if there is room: then only what is counted counts, and no neighbour on the disk slows it down.
        let memory = Path::new("/dev/shm");
        let folder = if memory.is_dir() { memory } else { &bench.scratch };
        let mount = tempfile::tempdir_in(&bench.scratch)?;
        let image = tempfile::Builder::new().prefix("pintle-figures-").tempfile_in(folder)?;
        image.as_file().set_len(1 << 30)?;
        let image = image.into_temp_path().keep()?;
        let mut disk = Self { image, mount, counter: PathBuf::new() };
        let done = |command: &mut Command| command.output().is_ok_and(|output| output.status.success());
        let made = done(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&disk.image))
            && done(Command::new("mount").args(["-o", "loop"]).arg(&disk.image).arg(disk.mount.path()));
        if !made {
            return Ok(None);
        }
        let mounts = std::fs::read_to_string("/proc/self/mounts")?;
        let at = disk.mount.path().display().to_string();
        let device = mounts.lines().find_map(|line| {
            let mut fields = line.split(' ');
            let device = fields.next()?.strip_prefix("/dev/")?;
            (fields.next()? == at).then(|| device.to_owned())
        });
        disk.counter = Path::new("/sys/block").join(device.context("it is not mounted")?).join("stat");
        Ok(Some(disk))
    }

    /// Written so far, bytes.
    ///
    /// Source: the kernel's documentation of the block layer's `stat`: field 7 counts sectors written, of 512 bytes.
    fn written(&self) -> anyhow::Result<u64> {
        ensure!(Command::new("sync").arg("-f").arg(self.mount.path()).status()?.success(), "sync failed");
        let text = std::fs::read_to_string(&self.counter)?;
        let sectors: u64 = text.split_whitespace().nth(6).context("no count")?.parse()?;
        Ok(sectors * 512)
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg(self.mount.path()).output());
        drop(std::fs::remove_file(&self.image));
    }
}

/// What one case comes to.
struct Case {
    p50_ms: f64,
    p99_ms: f64,
    worst_ms: f64,
    /// kB a read.
    written: f64,
}

fn number(count: u64) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

/// One read every `every`, whether or not the ones before are answered, over connections that are kept.
async fn pace(socket: &Path, every: Duration) -> anyhow::Result<Answers> {
    let mut streams = Vec::new();
    for _ in 0..CONNECTIONS {
        streams.push(Arc::new(tokio::sync::Mutex::new(tokio::net::UnixStream::connect(socket).await?)));
    }
    let (began, mut asking, mut n) = (Instant::now(), tokio::task::JoinSet::new(), 0_i64);
    let mut ticks = tokio::time::interval(every);
    for stream in streams.iter().cycle() {
        ticks.tick().await;
        if RUN <= began.elapsed() {
            break;
        }
        let (stream, body, asked) = (Arc::clone(stream), read(1_795_700_000_000 + n), Instant::now());
        asking.spawn(async move {
            crate::load::post(&mut *stream.lock().await, &body).await?;
            anyhow::Ok(u64::try_from(asked.elapsed().as_micros())?)
        });
        n += 1;
    }
    let mut took_us = Vec::new();
    while let Some(done) = asking.join_next().await {
        took_us.push(done??);
    }
    Ok(Answers::new(1, began.elapsed(), took_us))
}

/// A library whose syncs take 20 ms longer, as on a worn card; `None` where there is no compiler for it.
fn slow_syncs(bench: &Bench) -> anyhow::Result<Option<PathBuf>> {
    let (source, library) = (bench.scratch.join("slow.c"), bench.scratch.join("slow.so"));
    let text = "#include <unistd.h>\n#include <sys/syscall.h>\n\
                int fsync(int fd) { usleep(20000); return syscall(SYS_fsync, fd); }\n\
                int fdatasync(int fd) { usleep(20000); return syscall(SYS_fdatasync, fd); }\n";
    std::fs::write(&source, text)?;
    let built = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&source).output();
    Ok(built.is_ok_and(|output| output.status.success()).then_some(library))
}

fn run(bench: &Bench, disk: &Disk, commit_wait_ms: u64, every: Duration, slow: Option<&Path>) -> anyhow::Result<Case> {
    let more = format!("commit_wait_ms = {commit_wait_ms}\ndisk_free_min_mib = 64\nballast_mib = 0\n");
    let mut agent = Agent::new_in(bench, disk.mount.path(), &more)?;
    if let Some(library) = slow {
        agent.preload(library);
    }
    agent.start()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    // While the log grows for the first time the file system has to note each growth; once it was written back it is
    // written over in place, and that is how it goes on for ever.
    let first = runtime.block_on(crate::load::post_all(&agent.socket(), WARM_UP, 8, 100))?;
    let before = disk.written()?;
    let answers = runtime.block_on(pace(&agent.socket(), every))?;
    let written = disk.written()? - before;
    agent.stop()?;
    let kept: i64 = rusqlite::Connection::open(agent.queue())?.query_row(
        "SELECT count(*) FROM events WHERE camera IS NOT NULL",
        [],
        |row| row.get(0),
    )?;
    let answered = first.reads + answers.reads;
    ensure!(u64::try_from(kept)? == answered, "{answered} reads were answered 202, {kept} are in the queue");
    let written = number(written / 1000) / number(answers.reads);
    Ok(Case { p50_ms: answers.at_ms(500), p99_ms: answers.at_ms(990), worst_ms: answers.at_ms(1000), written })
}

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let Some(disk) = Disk::mount(bench)? else {
        let text = "Not run: needs root, mkfs.ext4 and loop mounts.\n".to_owned();
        return Ok(Section { part: Part::Answer, bars: Vec::new(), text, began: String::new() });
    };
    let mut text = format!(
        "Reads come at their time, over eight connections, on an ext4 of its own in an image in memory (a \
         loop device counts what is written to it: log, \
         database and the file\nsystem's journal). {ROUNDS} runs of {} s; the read is the one of the durable intake. \
         After each run the queue held every read that was\nanswered 202.\n\n\
         | case | p50 ms | p99 ms | worst ms | kB written a read | runs: p99 ms | runs: kB |\n\
         | --- | --- | --- | --- | --- | --- | --- |\n",
        RUN.as_secs()
    );
    let slow = slow_syncs(bench)?;
    let cases = [
        ("20 reads/s, `commit_wait_ms = 0`", 0, 50, None),
        ("5 reads/s, `commit_wait_ms = 0`", 0, 200, None),
        ("5 reads/s, `commit_wait_ms = 600`", 600, 200, None),
        ("20 reads/s, `commit_wait_ms = 0`, each sync takes 20 ms longer", 0, 50, slow.as_deref()),
    ];
    let mut medians = Vec::new();
    for (at, (name, commit_wait_ms, every_ms, slow)) in cases.into_iter().enumerate() {
        if at == 3 && slow.is_none() {
            writeln!(text, "| {name} | not run: needs cc | – | – | – | – | – |")?;
            continue;
        }
        let mut runs = Vec::new();
        for _ in 0..ROUNDS {
            runs.push(run(bench, &disk, commit_wait_ms, Duration::from_millis(every_ms), slow)?);
        }
        let of = |value: fn(&Case) -> f64| runs.iter().map(value).collect::<Vec<f64>>();
        let all = |values: &[f64]| values.iter().map(|v| format!("{v:.1}")).collect::<Vec<_>>().join(", ");
        let (p99_ms, written) = (of(|run| run.p99_ms), of(|run| run.written));
        writeln!(
            text,
            "| {name} | {:.1} | {:.1} | {:.1} | {:.1} | {} | {} |",
            median(of(|run| run.p50_ms)),
            median(p99_ms.clone()),
            median(of(|run| run.worst_ms)),
            median(written.clone()),
            all(&p99_ms),
            all(&written),
        )?;
        medians.push((median(p99_ms), median(written)));
    }
    let [(p99_ms, written), _, (_, written_waiting), ..] = medians[..] else { anyhow::bail!("three cases at least") };
    let bars = vec![
        Bar {
            what: "answer at 20 reads/s, `commit_wait_ms` 0, p99".to_owned(),
            must_be: "≤ 15 ms",
            measured: format!("{p99_ms:.1} ms"),
            held: p99_ms <= P99_MS_MAX,
        },
        Bar {
            what: "written to the device for each of these reads".to_owned(),
            must_be: "about 18 kB",
            measured: format!("{written:.1} kB"),
            held: written.round() <= WRITTEN_KB_MAX,
        },
        Bar {
            what: "the same at 5 reads/s, `commit_wait_ms` 600".to_owned(),
            must_be: "≤ 15 kB",
            measured: format!("{written_waiting:.1} kB"),
            held: written_waiting <= WRITTEN_WAITING_KB_MAX,
        },
    ];
    Ok(Section { part: Part::Answer, bars, text, began: String::new() })
}
