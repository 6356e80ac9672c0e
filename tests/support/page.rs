//! The real page server over files of an invented trailer, and a browser's words to it.
#![allow(dead_code, reason = "each test takes what it needs")]

use pintle::{clock, show};
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

const PINTLE: &str = env!("CARGO_BIN_EXE_pintle");
/// What `pintle page` becomes.
const PINTLE_PAGE: &str = env!("CARGO_BIN_EXE_pintle-page");

pub(crate) struct Page {
    child: Child,
    pub(crate) address: String,
    base: PathBuf,
    /// Goes with the page; a trailer's own folder does not.
    _own: Option<tempfile::TempDir>,
    pub(crate) pin: String,
    pub(crate) cookie: String,
    more: Vec<String>,
}

impl Page {
    pub(crate) fn start(scene: Scene) -> Self {
        Self::start_with(scene, &[])
    }

    pub(crate) fn start_with(scene: Scene, more: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let pin = set_pin(&folder.path().join("state"));
        Self::start_in(folder, scene, pin, more)
    }

    pub(crate) fn start_without_pin(scene: Scene) -> Self {
        Self::start_in(tempfile::tempdir().unwrap(), scene, String::new(), &[])
    }

    fn start_in(folder: tempfile::TempDir, scene: Scene, pin: String, more: &[&str]) -> Self {
        for name in ["health", "public"] {
            std::fs::create_dir(folder.path().join(name)).unwrap();
        }
        write(folder.path(), scene, 0);
        let more: Vec<String> = more.iter().map(|one| (*one).to_owned()).collect();
        let (child, address) = spawn(folder.path(), "127.0.0.1:0", &more);
        Self { child, address, base: folder.path().to_owned(), _own: Some(folder), pin, cookie: String::new(), more }
    }

    /// The page of an agent that runs: over its runtime folder, with its control socket.
    pub(crate) fn beside(runtime_dir: &Path) -> Self {
        let pin = set_pin(&runtime_dir.join("state"));
        let (child, address) = spawn(runtime_dir, "127.0.0.1:0", &[]);
        let (base, cookie) = (runtime_dir.to_owned(), String::new());
        Self { child, address, base, _own: None, pin, cookie, more: Vec::new() }
    }

    pub(crate) fn restart(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
        (self.child, self.address) = spawn(&self.base, "127.0.0.1:0", &self.more);
    }

    pub(crate) fn health(&self) -> PathBuf {
        self.base.join("health")
    }

    pub(crate) fn public(&self) -> PathBuf {
        self.base.join("public")
    }

    pub(crate) fn state(&self) -> PathBuf {
        self.base.join("state")
    }

    /// What it has said on stderr.
    pub(crate) fn log(&self) -> String {
        std::fs::read_to_string(self.base.join("page.log")).unwrap()
    }

    pub(crate) fn write(&self, scene: Scene) {
        write(&self.base, scene, 0);
    }

    /// Files that were written so many seconds ago; less than none: in the future.
    pub(crate) fn write_aged(&self, scene: Scene, ago_s: i64) {
        write(&self.base, scene, ago_s);
    }

    /// The same as the agent does it: each file replaced as a whole.
    pub(crate) fn replace(&self, scene: Scene) {
        let body = snapshot_of(scene, 0);
        let folder = pintle::io::files::Folder::ready(self.health(), 0o755, 0o644, None).unwrap();
        for (name, text) in show::health_files(&body).unwrap() {
            folder.replace(name, text.as_bytes()).unwrap();
        }
    }

    /// Opens the page as T. Wray; later requests bring its cookie.
    pub(crate) fn open(&mut self) {
        self.cookie.clear();
        let answer = self.post("/open", &format!("who=T.+Wray&pin={}", self.pin), "");
        let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect("no cookie came");
        cookie.split(';').next().unwrap().clone_into(&mut self.cookie);
    }

    /// What each form of the open page must bring back.
    pub(crate) fn csrf(&self) -> String {
        let shown = self.get("/");
        let (_, after) = shown.split_once("name=\"csrf\" value=\"").expect("no form on the page");
        after.split('"').next().unwrap().to_owned()
    }

    pub(crate) fn token(&self, purpose: &str) -> String {
        let run = Command::new(PINTLE).args(["page", "token", purpose, "--state"]).arg(self.state()).output().unwrap();
        String::from_utf8(run.stdout).unwrap().trim().to_owned()
    }

    /// An agent that says yes to everything; what it is asked comes out here.
    pub(crate) fn fake_agent(&self) -> mpsc::Receiver<String> {
        let socket = UnixListener::bind(self.base.join("control.sock")).unwrap();
        let (asked, seen) = mpsc::channel();
        std::thread::spawn(move || {
            for stream in socket.incoming() {
                let Ok(mut stream) = stream else { return };
                let mut line = String::new();
                if BufReader::new(stream.try_clone().unwrap()).read_line(&mut line).is_err() || line.is_empty() {
                    continue;
                }
                drop(stream.write_all(b"{\"result\":{}}\n"));
                if asked.send(line.trim().to_owned()).is_err() {
                    return;
                }
            }
        });
        seen
    }

    /// Sends `head` as it stands and gives back the whole answer.
    pub(crate) fn say(&self, head: &str) -> String {
        talk(TcpStream::connect(&self.address).unwrap(), head).unwrap()
    }

    /// The same where no answer is an answer.
    pub(crate) fn try_say(&self, head: &str) -> String {
        talk(TcpStream::connect(&self.address).unwrap(), head).unwrap_or_default()
    }

    pub(crate) fn ask(&self, method: &str, path: &str, host: &str) -> String {
        let cookie = if self.cookie.is_empty() { String::new() } else { format!("Cookie: {}\r\n", self.cookie) };
        self.say(&format!("{method} {path} HTTP/1.1\r\nHost: {host}\r\n{cookie}Connection: close\r\n\r\n"))
    }

    pub(crate) fn get(&self, path: &str) -> String {
        self.ask("GET", path, &self.address)
    }

    pub(crate) fn post(&self, path: &str, form: &str, headers: &str) -> String {
        self.say(&self.form(path, form, headers))
    }

    /// The same from another address of this computer.
    pub(crate) fn post_from(&self, from: &str, path: &str, form: &str) -> String {
        use nix::sys::socket::{AddressFamily, SockFlag, SockType, SockaddrIn, bind, connect, socket};
        use std::os::fd::AsRawFd as _;
        let address = |text: &str| match text.parse().unwrap() {
            SocketAddr::V4(v4) => SockaddrIn::from(v4),
            SocketAddr::V6(_) => unreachable!("only IPv4 has many loopback addresses"),
        };
        let fd = socket(AddressFamily::Inet, SockType::Stream, SockFlag::SOCK_CLOEXEC, None).unwrap();
        bind(fd.as_raw_fd(), &address(&format!("{from}:0"))).unwrap();
        connect(fd.as_raw_fd(), &address(&self.address)).unwrap();
        talk(TcpStream::from(fd), &self.form(path, form, "")).unwrap()
    }

    pub(crate) fn form(&self, path: &str, form: &str, headers: &str) -> String {
        let cookie = if self.cookie.is_empty() { String::new() } else { format!("Cookie: {}\r\n", self.cookie) };
        let (host, length) = (&self.address, form.len());
        format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\n{cookie}{headers}\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{form}"
        )
    }

    /// A figure of its memory, KiB: `RssAnon`, what is its own now; `VmHWM`, the most that was resident.
    pub(crate) fn memory_kib(&self, name: &str) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':')).unwrap();
        line.trim().trim_end_matches(" kB").trim().parse().unwrap()
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Sets a new PIN by the command that a person calls.
pub(crate) fn set_pin(state: &Path) -> String {
    let run = Command::new(PINTLE).args(["page", "pin", "--anywhere", "--state"]).arg(state).output().unwrap();
    let told = String::from_utf8(run.stdout).unwrap();
    assert!(told.contains("SHA-256"), "{told}{}", String::from_utf8_lossy(&run.stderr));
    let pin = told.lines().next().unwrap().rsplit_once(": ").unwrap().1;
    pin.replace(' ', "")
}

fn spawn(folder: &Path, listen: &str, more: &[String]) -> (Child, String) {
    let log = std::fs::File::options().create(true).append(true).open(folder.join("page.log")).unwrap();
    let mut child = Command::new(PINTLE_PAGE)
        .args(["--listen", listen, "--health"])
        .arg(folder.join("health"))
        .arg("--state")
        .arg(folder.join("state"))
        .args(more)
        .stdout(Stdio::piped())
        .stderr(log)
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let address = line.trim().split_once("://").unwrap().1.trim_end_matches('/').to_owned();
    (child, address)
}

fn talk(mut stream: TcpStream, words: &str) -> std::io::Result<String> {
    stream.set_read_timeout(Some(Duration::from_mins(1)))?;
    // A server that has heard enough answers before it has heard all.
    drop(stream.write_all(words.as_bytes()));
    let mut answer = Vec::new();
    let read = stream.read_to_end(&mut answer);
    if answer.is_empty() {
        read?;
    }
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

fn snapshot_of(mut scene: Scene, ago_s: i64) -> HealthBody {
    let shift_ms = clock::utc().plus_ms(-ago_s * 1000).since_ms(scene.now.utc);
    scene.shift(shift_ms);
    let mut memory = Memory::default();
    let _first = snapshot(&scene.observations(), &mut memory);
    let told = snapshot(&scene.observations(), &mut memory);
    HealthBody::new(&scene.observations(), &told, 1)
}

fn write(folder: &Path, scene: Scene, ago_s: i64) {
    let body = snapshot_of(scene, ago_s);
    for (name, text) in show::health_files(&body).unwrap() {
        std::fs::write(folder.join("health").join(name), text).unwrap();
    }
    for (name, text) in show::public_files(&body).unwrap() {
        std::fs::write(folder.join("public").join(name), text).unwrap();
    }
}

/// Whether there is a `curl`; without it a test says so, and fails where all rigs are demanded.
pub(crate) fn curl() -> bool {
    rig("curl", Command::new("curl").arg("--version").output().is_ok_and(|run| run.status.success()))
}

/// Says that a rig is missing; fails where all rigs are demanded.
pub(crate) fn rig(name: &str, there: bool) -> bool {
    if !there {
        assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "{name} is missing");
        writeln!(std::io::stderr().lock(), "not run: needs {name}").unwrap();
    }
    there
}
