//! A whole trailer for tests: the real program on a configuration and folders of its own, with our own ear for what it
//! tells systemd.
#![allow(dead_code, reason = "each test uses a part of the trailer")]
#![expect(clippy::unwrap_used, reason = "tests")]

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::{UnixDatagram, UnixStream};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

/// The program under test.
pub(crate) const PINTLE: &str = env!("CARGO_BIN_EXE_pintle");

/// How long a test waits for what must come; only a failing test waits so long.
pub(crate) const PATIENCE: Duration = Duration::from_mins(1);

/// One trailer; dropping it kills the agent and takes its folders away.
pub(crate) struct Trailer {
    folder: tempfile::TempDir,
    notify: UnixDatagram,
    agent: Option<Child>,
    environment: Vec<(String, String)>,
    namespace: Option<String>,
    user: Option<u32>,
}

impl Trailer {
    /// A trailer with one camera "north", a unix socket, no GPS receiver and no receiver. `more` is added to the
    /// configuration, with whole tables.
    pub(crate) fn new(more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let notify = UnixDatagram::bind(folder.path().join("notify.sock")).unwrap();
        notify.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let trailer = Self { folder, notify, agent: None, environment: Vec::new(), namespace: None, user: None };
        trailer.configure("", more);
        trailer
    }

    /// Writes the configuration anew, so that how full the disk of this host is decides nothing: `own` goes below
    /// `[trailer]`, `more` to the end.
    pub(crate) fn configure(&self, own: &str, more: &str) {
        let at = self.folder.path().display();
        let health = if more.contains("[health]") { "" } else { "[health]\nevery_s = 1\nvalid_s = 10\n" };
        let text = format!(
            "[trailer]\nid = \"heron-3\"\nlabel = \"Heron 3\"\nstate_dir = \"{at}/state\"\nruntime_dir = \
             \"{at}/run\"\n{own}\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\ndisk_free_min_mib = \
             1\ndisk_act_percent = 100\n{health}{more}\n"
        );
        std::fs::write(self.config(), text).unwrap();
    }

    /// Sets an environment variable for later starts.
    pub(crate) fn environment(&mut self, name: &str, value: &str) {
        self.environment.push((name.to_owned(), value.to_owned()));
    }

    /// Later starts run in this network namespace.
    pub(crate) fn in_namespace(&mut self, name: &str) {
        self.namespace = Some(name.to_owned());
    }

    /// Later starts run as this user, from a copy of the program that everybody may run. Needs root, who ignores modes.
    pub(crate) fn as_user(&mut self, uid: u32) {
        let own = |path: &Path| nix::unistd::chown(path, Some(uid.into()), Some(uid.into())).unwrap();
        let mode = |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
        let program = self.folder.path().join("program");
        std::fs::copy(PINTLE, &program).unwrap();
        mode(&program, 0o755);
        mode(self.folder.path(), 0o755);
        own(self.folder.path());
        own(&self.folder.path().join("notify.sock"));
        self.user = Some(uid);
    }

    /// The folder that holds all of it.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Its configuration file.
    pub(crate) fn config(&self) -> PathBuf {
        self.folder.path().join("pintle.toml")
    }

    /// `trailer.state_dir`
    pub(crate) fn state_dir(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// `trailer.runtime_dir`
    pub(crate) fn runtime_dir(&self) -> PathBuf {
        self.folder.path().join("run")
    }

    /// Starts the agent and waits until it says that it is ready.
    pub(crate) fn start(&mut self) {
        self.spawn();
        self.wait_told("READY=1");
    }

    /// Starts the agent and waits for nothing.
    pub(crate) fn spawn(&mut self) {
        // What an earlier agent said is not the new one's word.
        while self.told().is_some() {}
        let log = File::options().create(true).append(true).open(self.folder.path().join("run.log")).unwrap();
        let mut command = match &self.namespace {
            None if self.user.is_some() => Command::new(self.folder.path().join("program")),
            None => Command::new(PINTLE),
            // `ip` becomes the program that it starts: the number of the process is the agent's.
            Some(name) => {
                let mut command = Command::new("ip");
                command.args(["netns", "exec", name, PINTLE]);
                command
            }
        };
        command
            .args(["run", "--config"])
            .arg(self.config())
            .env("NOTIFY_SOCKET", self.folder.path().join("notify.sock"))
            .env_remove("WATCHDOG_USEC")
            .env_remove("WATCHDOG_PID")
            .envs(self.environment.iter().map(|(name, value)| (name, value)))
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log);
        if let Some(uid) = self.user {
            command.uid(uid).gid(uid);
        }
        // A test that starts a program at this moment holds a fresh copy open for writing until its own has begun.
        self.agent = Some(loop {
            match command.spawn() {
                Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => std::thread::yield_now(),
                agent => break agent.unwrap(),
            }
        });
    }

    /// All that the agent has written to its log.
    pub(crate) fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("run.log")).unwrap_or_default()
    }

    /// Process number of the agent.
    pub(crate) fn pid(&self) -> u32 {
        self.agent.as_ref().unwrap().id()
    }

    /// kill -9, if it runs.
    pub(crate) fn put_down(&mut self) {
        if let Some(mut agent) = self.agent.take() {
            drop(agent.kill());
            drop(agent.wait());
        }
    }

    /// The next message to systemd, if one comes within 50 ms.
    pub(crate) fn told(&self) -> Option<String> {
        let mut bytes = [0; 4096];
        let len = self.notify.recv(&mut bytes).ok()?;
        Some(String::from_utf8_lossy(&bytes[..len]).into_owned())
    }

    /// Waits for a message to systemd that holds `what`; answers the whole message.
    pub(crate) fn wait_told(&mut self, what: &str) -> String {
        let began = Instant::now();
        loop {
            if let Some(told) = self.told().filter(|told| told.contains(what)) {
                return told;
            }
            let ended = self.agent.as_mut().and_then(|agent| agent.try_wait().unwrap());
            assert!(ended.is_none(), "the agent ended with {ended:?}:\n{}", self.log());
            assert!(began.elapsed() < PATIENCE, "the agent never said {what}:\n{}", self.log());
        }
    }

    /// Sends SIGTERM and waits for the end.
    pub(crate) fn stop(&mut self) -> ExitStatus {
        self.signal(Signal::SIGTERM);
        self.wait_ended()
    }

    /// kill -9, and nothing else.
    pub(crate) fn kill(&mut self) {
        self.signal(Signal::SIGKILL);
        self.wait_ended();
    }

    /// Sends a signal.
    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.pid()).unwrap()), signal).unwrap();
    }

    /// Waits until the agent ends.
    pub(crate) fn wait_ended(&mut self) -> ExitStatus {
        let mut agent = self.agent.take().unwrap();
        let began = Instant::now();
        loop {
            if let Some(status) = agent.try_wait().unwrap() {
                return status;
            }
            assert!(began.elapsed() < PATIENCE, "the agent does not end:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Sends a POST with `body` to the intake's unix socket; answers status and body.
    pub(crate) fn post(&self, media_type: &str, body: &str) -> (u16, String) {
        let mut stream = UnixStream::connect(self.runtime_dir().join("intake.sock")).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let head = format!(
            "POST /v1/reads HTTP/1.1\r\nHost: localhost\r\nContent-Type: {media_type}\r\nContent-Length: \
             {}\r\nConnection: close\r\n\r\n",
            body.len()
        );
        stream.write_all(format!("{head}{body}").as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let status = answer.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
        let body = answer.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default();
        (status, body)
    }

    /// Hands in one read with the plate `plate` of the camera "north", captured now; answers the status.
    pub(crate) fn read(&self, plate: &str) -> u16 {
        let now = pintle::clock::utc().to_rfc3339();
        let body = format!(
            r#"{{"camera":"north","captured_at":"{now}","plate":"{plate}","plate_state":"read","confidence":0.9}}"#
        );
        self.post("application/json", &body).0
    }

    /// A connection to the control socket. "Ready" means that reads are taken; the socket comes a moment later.
    fn control(&self) -> UnixStream {
        let (socket, began) = (self.runtime_dir().join("control.sock"), Instant::now());
        loop {
            match UnixStream::connect(&socket) {
                Ok(stream) => return stream,
                Err(error) => assert!(began.elapsed() < PATIENCE, "no control socket: {error}"),
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Says one line to the control socket; answers the line that comes back.
    pub(crate) fn ask(&self, line: &str) -> Value {
        let mut stream = self.control();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream.write_all(format!("{line}\n").as_bytes()).unwrap();
        let mut answer = String::new();
        BufReader::new(stream).read_line(&mut answer).unwrap();
        serde_json::from_str(&answer).unwrap()
    }

    /// Runs another command of the program on this trailer's configuration.
    pub(crate) fn command(&self, args: &[&str]) -> Output {
        Command::new(PINTLE).args(args).arg("--config").arg(self.config()).output().unwrap()
    }

    /// `health.json` as it stands now.
    pub(crate) fn health(&self) -> Value {
        let bytes = std::fs::read(self.runtime_dir().join("health/health.json")).unwrap_or_default();
        serde_json::from_slice(&bytes).unwrap_or(Value::Null)
    }

    /// Waits until `health.json` is as `wanted` says.
    pub(crate) fn wait_health(&self, wanted: impl Fn(&Value) -> bool) -> Value {
        let began = Instant::now();
        loop {
            let health = self.health();
            if wanted(&health) {
                return health;
            }
            assert!(began.elapsed() < PATIENCE, "health never came to it: {health:#}\n{}", self.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Trailer {
    fn drop(&mut self) {
        self.put_down();
    }
}
