//! The real program, run as systemd would run it, with an ear for its READY.

use crate::Bench;
use anyhow::{Context, ensure};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// One trailer in a folder of its own; dropping it kills the agent and takes the folder away.
pub(crate) struct Agent {
    folder: tempfile::TempDir,
    /// `trailer.runtime_dir`: in memory, as systemd's is, where the system has such a place. On the disk whose bytes
    /// are counted the health files would be counted as bytes of reads.
    runtime: tempfile::TempDir,
    program: PathBuf,
    notify: UnixDatagram,
    child: Option<Child>,
    /// Loaded before the system's libraries.
    preload: Option<PathBuf>,
}

impl Agent {
    /// A trailer with one camera "north". Everything that `more` does not say is at its default.
    pub(crate) fn new(bench: &Bench, more: &str) -> anyhow::Result<Self> {
        Self::new_in(bench, &bench.scratch, more)
    }

    /// The same, its folder within another.
    pub(crate) fn new_in(bench: &Bench, within: &Path, more: &str) -> anyhow::Result<Self> {
        let folder = tempfile::tempdir_in(within)?;
        let notify = UnixDatagram::bind(folder.path().join("notify.sock"))?;
        notify.set_read_timeout(Some(Duration::from_secs(20)))?;
        let memory = Path::new("/dev/shm");
        let runtime = tempfile::tempdir_in(if memory.is_dir() { memory } else { within })?;
        let (at, run) = (folder.path().display(), runtime.path().display());
        let text = format!(
            "[trailer]\nid = \"heron-3\"\nstate_dir = \"{at}/state\"\nruntime_dir = \"{run}\"\n[[camera]]\nid = \
             \"north\"\n[queue]\nseal = \"none\"\n{more}\n"
        );
        std::fs::write(folder.path().join("pintle.toml"), text)?;
        Ok(Self { folder, runtime, program: bench.program.clone(), notify, child: None, preload: None })
    }

    /// From the next start on, functions of this library stand in front of the system's.
    pub(crate) fn preload(&mut self, library: &Path) {
        self.preload = Some(library.to_owned());
    }

    /// Starts it; answers how long it took until it said READY, ms.
    pub(crate) fn start(&mut self) -> anyhow::Result<f64> {
        let log = std::fs::File::create(self.folder.path().join("run.log"))?;
        let began = Instant::now();
        let mut command = Command::new(&self.program);
        if let Some(library) = &self.preload {
            command.env("LD_PRELOAD", library);
        }
        let child = command
            .args(["run", "--config"])
            .arg(self.folder.path().join("pintle.toml"))
            .env("NOTIFY_SOCKET", self.folder.path().join("notify.sock"))
            .env_remove("WATCHDOG_USEC")
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .spawn()?;
        self.child = Some(child);
        loop {
            let mut bytes = [0; 4096];
            let len = self.notify.recv(&mut bytes).with_context(|| format!("never ready:\n{}", self.log()))?;
            if String::from_utf8_lossy(&bytes[..len]).contains("READY=1") {
                return Ok(began.elapsed().as_secs_f64() * 1e3);
            }
        }
    }

    /// SIGTERM, and waits for a good end.
    pub(crate) fn stop(&mut self) -> anyhow::Result<()> {
        let mut child = self.child.take().context("it does not run")?;
        kill(Pid::from_raw(i32::try_from(child.id())?), Signal::SIGTERM)?;
        let status = child.wait()?;
        // The words of the end would be taken for those of the next start.
        self.notify.set_nonblocking(true)?;
        while self.notify.recv(&mut [0; 4096]).is_ok() {}
        self.notify.set_nonblocking(false)?;
        ensure!(status.success(), "the agent ended with {status}:\n{}", self.log());
        Ok(())
    }

    pub(crate) fn socket(&self) -> PathBuf {
        self.runtime.path().join("intake.sock")
    }

    pub(crate) fn queue(&self) -> PathBuf {
        self.folder.path().join("state/queue.db")
    }

    /// What `/proc` says about it.
    pub(crate) fn process(&self) -> anyhow::Result<Process> {
        Process::of(self.child.as_ref().context("it does not run")?.id())
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("run.log")).unwrap_or_default()
    }
}

impl Drop for Agent {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

/// A receiver beside it.
pub(crate) struct Receiver {
    child: Child,
    /// Where it takes events.
    pub(crate) url: String,
    _folder: tempfile::TempDir,
}

impl Receiver {
    pub(crate) fn start(bench: &Bench) -> anyhow::Result<Self> {
        let folder = tempfile::tempdir_in(&bench.scratch)?;
        let announce = folder.path().join("announced");
        let child = Command::new(&bench.program)
            .args(["receive", "--listen", "127.0.0.1:0", "--data"])
            .arg(folder.path().join("data"))
            .arg("--announce")
            .arg(&announce)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()?;
        let mut receiver = Self { child, url: String::new(), _folder: folder };
        let began = Instant::now();
        while receiver.url.is_empty() {
            ensure!(began.elapsed() < Duration::from_secs(20), "the receiver did not start");
            std::thread::sleep(Duration::from_millis(5));
            read_trimmed(&announce).unwrap_or_default().clone_into(&mut receiver.url);
        }
        Ok(receiver)
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Memory and processor time of a process.
pub(crate) struct Process {
    pub(crate) resident_mib: f64,
    pub(crate) resident_most_mib: f64,
    /// Of it not backed by a file.
    pub(crate) anonymous_mib: f64,
    /// Time on a processor since its start, all threads, ns.
    pub(crate) on_cpu_ns: u64,
    pub(crate) threads: usize,
}

impl Process {
    pub(crate) fn of(pid: u32) -> anyhow::Result<Self> {
        let status = std::fs::read_to_string(format!("/proc/{pid}/status"))?;
        let mib = |name: &str| -> anyhow::Result<f64> {
            let line = status.lines().find_map(|line| line.strip_prefix(name)).context("no such line")?;
            let kib: f64 = line.trim_start_matches(':').split_whitespace().next().context("no number")?.parse()?;
            Ok(kib / 1024.0)
        };
        let (mut on_cpu_ns, mut threads) = (0, 0);
        // source: proc_pid_schedstat of the kernel's documentation: time on the processor in ns comes first. The file
        // of the process itself holds its first thread only.
        for task in std::fs::read_dir(format!("/proc/{pid}/task"))? {
            let text = std::fs::read_to_string(task?.path().join("schedstat"))?;
            on_cpu_ns += text.split(' ').next().context("no number")?.parse::<u64>()?;
            threads += 1;
        }
        Ok(Self {
            resident_mib: mib("VmRSS")?,
            resident_most_mib: mib("VmHWM")?,
            anonymous_mib: mib("RssAnon")?,
            on_cpu_ns,
            threads,
        })
    }
}

fn read_trimmed(path: &Path) -> Option<String> {
    Some(std::fs::read_to_string(path).ok()?.trim().to_owned())
}
