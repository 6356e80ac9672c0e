//! What the demo builds around the real binary: a folder, a configuration, a tether, and three child processes.

use super::cameras::CAMERAS;
use super::relay::Relay;
use anyhow::Context;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;
use tokio::process::{Child, Command};

/// The demo settles in this many seconds; a trailer on the road takes its time (`position.settle_s`, 120 s by default).
pub(super) const SETTLE_S: u32 = 6;

/// Everything that runs beside the demo. Dropping it ends the children.
pub(super) struct Rig {
    folder: PathBuf,
    /// The tether.
    pub(super) relay: Relay,
    /// Address of the page.
    pub(super) page: SocketAddr,
    /// What opens it.
    pub(super) pin: String,
    children: Vec<(&'static str, Child)>,
}

impl Rig {
    /// Builds the folder, starts receiver, agent and page, and waits until the agent takes reads.
    ///
    /// # Errors
    /// If a child can't be started or does not come up within 20 s; its own words stand in `<folder>/<name>.log`.
    pub(super) async fn start(folder: &Path, gps: &Path) -> anyhow::Result<Self> {
        let program = std::env::current_exe().context("the path of this program is not known")?;
        for name in ["state", "run", "receiver", "net/tether0"] {
            std::fs::create_dir_all(folder.join(name)).with_context(|| format!("no folder {name}"))?;
        }
        let (receiver, page) = (free_address().await?, free_address().await?);
        let relay = Relay::start(receiver).await?;
        let config = folder.join("pintle.toml");
        std::fs::write(&config, configuration(folder, gps, relay.address()))?;
        let mut rig = Self { folder: folder.to_owned(), relay, page, pin: String::new(), children: Vec::new() };
        rig.set_link(true)?;
        let data = folder.join("receiver");
        rig.spawn(&program, "receive", &["--listen", &receiver.to_string(), "--data", path(&data)?])?;
        rig.spawn(&program, "run", &["--config", path(&config)?])?;
        rig.wait_for(&rig.intake_socket()).await?;
        rig.wait_for(&rig.health_folder().join("index.html")).await?;
        let health = rig.health_folder();
        let own = folder.join("page");
        rig.pin = set_pin(&program, &own).await?;
        let args = ["--health", path(&health)?, "--state", path(&own)?, "--listen", &page.to_string()];
        rig.spawn(&program, "page", &args)?;
        Ok(rig)
    }

    /// Cuts or mends the tether, and lets the interface show it.
    pub(super) fn set_link(&self, up: bool) -> std::io::Result<()> {
        let interface = self.folder.join("net/tether0");
        std::fs::write(interface.join("operstate"), if up { "up\n" } else { "down\n" })?;
        std::fs::write(interface.join("carrier"), if up { "1\n" } else { "0\n" })?;
        self.relay.set_whole(up);
        Ok(())
    }

    /// Where the engine hands in its reads.
    /// The trailer's configuration.
    pub(super) fn config(&self) -> PathBuf {
        self.folder.join("pintle.toml")
    }

    pub(super) fn intake_socket(&self) -> PathBuf {
        self.folder.join("run/intake.sock")
    }

    /// Where commands reach the agent.
    pub(super) fn control_socket(&self) -> PathBuf {
        self.folder.join("run/control.sock")
    }

    /// The health folder.
    pub(super) fn health_folder(&self) -> PathBuf {
        self.folder.join("run/health")
    }

    /// The receiver's database folder.
    pub(super) fn receiver_folder(&self) -> PathBuf {
        self.folder.join("receiver")
    }

    /// Says which child has ended on its own, if one has.
    pub(super) fn dead_child(&mut self) -> Option<String> {
        let folder = &self.folder;
        self.children.iter_mut().find_map(|(name, child)| {
            let status = child.try_wait().ok().flatten()?;
            Some(format!("pintle {name} ended with {status}; see {}", folder.join(format!("{name}.log")).display()))
        })
    }

    /// Ends the children, the agent first, each with SIGTERM and 10 s of patience.
    pub(super) async fn stop(mut self) {
        self.children.sort_by_key(|(name, _)| *name != "run");
        for (_, child) in &mut self.children {
            if let Some(pid) = child.id().and_then(|id| i32::try_from(id).ok()) {
                // A child that is gone already needs no signal.
                nix::sys::signal::kill(nix::unistd::Pid::from_raw(pid), nix::sys::signal::Signal::SIGTERM).ok();
            }
            if tokio::time::timeout(Duration::from_secs(10), child.wait()).await.is_err() {
                drop(child.kill().await);
            }
        }
    }

    fn spawn(&mut self, program: &Path, name: &'static str, args: &[&str]) -> anyhow::Result<()> {
        let log = std::fs::File::create(self.folder.join(format!("{name}.log")))?;
        let child = Command::new(program)
            .arg(name)
            .args(args)
            .env_remove("NOTIFY_SOCKET")
            .env_remove("WATCHDOG_USEC")
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .kill_on_drop(true)
            .spawn()
            .with_context(|| format!("pintle {name} can't be started"))?;
        self.children.push((name, child));
        Ok(())
    }

    async fn wait_for(&mut self, file: &Path) -> anyhow::Result<()> {
        for _ in 0..400 {
            if file.exists() {
                return Ok(());
            }
            if let Some(why) = self.dead_child() {
                anyhow::bail!(why);
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        anyhow::bail!("{} did not appear within 20 s; see {}", file.display(), self.folder.join("run.log").display())
    }
}

fn path(path: &Path) -> anyhow::Result<&str> {
    path.to_str().with_context(|| format!("{} is no text that a command line can carry", path.display()))
}

/// A loopback port that was free a moment ago.
async fn free_address() -> std::io::Result<SocketAddr> {
    tokio::net::TcpListener::bind(("127.0.0.1", 0)).await?.local_addr()
}

/// The configuration of the simulated trailer; every key is explained in `config/pintle.toml`.
fn configuration(folder: &Path, gps: &Path, relay: SocketAddr) -> String {
    let inside = |name: &str| toml::Value::String(folder.join(name).to_string_lossy().into_owned());
    let gps = toml::Value::String(gps.to_string_lossy().into_owned());
    let mut text = format!(
        "[trailer]\nid = \"heron-3\"\nlabel = \"Heron 3\"\nstate_dir = {}\nruntime_dir = {}\n\n\
         [gps]\ndevice = {gps}\nbaud = 115200\n\n\
         [position]\nsettle_s = {SETTLE_S}\n\n\
         [intake]\nsocket = {}\n\n\
         [queue]\nseal = \"none\"\n\n\
         [receiver]\nurl = \"http://{relay}/v1/events\"\n\n\
         [link]\ninterface = \"tether0\"\nsysfs_dir = {}\n\n\
         [health]\nevery_s = 1\nvalid_s = 10\n\n\
         [control]\nsocket = {}\n",
        inside("state"),
        inside("run"),
        inside("run/intake.sock"),
        inside("net"),
        inside("run/control.sock"),
    );
    text.extend(CAMERAS.map(|(id, label)| format!("\n[[camera]]\nid = \"{id}\"\nlabel = \"{label}\"\n")));
    text
}

/// Sets a PIN for the page, as a person would at the terminal.
async fn set_pin(program: &Path, state: &Path) -> anyhow::Result<String> {
    let told = Command::new(program).args(["page", "pin", "--anywhere", "--state"]).arg(state).output().await;
    let told = told.context("no PIN for the page")?;
    let text = String::from_utf8_lossy(&told.stdout).into_owned();
    let pin = text.lines().next().and_then(|line| line.rsplit_once(": ")).map(|(_, pin)| pin.to_owned());
    pin.with_context(|| format!("no PIN for the page: {}", String::from_utf8_lossy(&told.stderr)))
}
