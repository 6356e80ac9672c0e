//! Does the five things.

use crate::config::{Config, OFF_MS_MAX, PROGRAM_WAIT_S_MAX, is_interface, is_usb_port};
use crate::off::{self, Thing};
use crate::step::Step;
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use std::fs;
use std::io;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A caller that says nothing, or takes no answer, is left (our own choice).
pub const WORD_WAIT: Duration = Duration::from_millis(WORD_MS);
const WORD_MS: u64 = 5000;
/// How often what was switched off is tried to be switched on again (our own choice).
const ON_TRIES: u64 = 5;
/// Between two of these tries, ms.
const ON_PAUSE_MS: u64 = 500;
/// The longest that the tool which switches interfaces may take for one of them, s, whatever `program_wait_s` says (our
/// own choice: it takes milliseconds, with a slow driver seconds; a driver that goes on behind it is not interrupted).
pub const IP_WAIT_S_MAX: u64 = 15;
/// A program that was stopped is waited for no longer than this: within the kernel nothing can be stopped.
const STOPPED_MS: u64 = 2000;

/// The longest that switching on may take with all its tries, ms.
const ON_MS_MAX: u64 = ON_TRIES * (IP_WAIT_S_MAX * 1000 + STOPPED_MS + ON_PAUSE_MS);
/// From off to on, ms.
const CYCLE_MS_MAX: u64 = IP_WAIT_S_MAX * 1000 + STOPPED_MS + OFF_MS_MAX + ON_MS_MAX;
/// One program of the file's, ms.
const PROGRAM_MS_MAX: u64 = PROGRAM_WAIT_S_MAX * 1000 + STOPPED_MS;
/// The longest that a call may take, ms: the word, what an earlier lever left switched off, the step, and the answer.
/// The unit's `RuntimeMaxSec` lies above it.
pub const CALL_MS_MAX: u64 =
    2 * WORD_MS + ON_MS_MAX + if CYCLE_MS_MAX < PROGRAM_MS_MAX { PROGRAM_MS_MAX } else { CYCLE_MS_MAX };
/// The longest that `pintle-lever --on` may take, ms. The unit's `TimeoutStopSec` lies above it.
pub const MEND_MS_MAX: u64 = ON_MS_MAX;
/// How often a running program is looked at (our own choice).
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Why a step failed.
#[derive(Debug, thiserror::Error)]
pub enum ActError {
    /// No interface is there that the file describes.
    #[error("there is no interface as the lever's file describes it")]
    NoInterface,
    /// No USB device is at that port.
    #[error("no USB device is plugged in at port {0}")]
    NoDevice(String),
    /// The interface is on no USB device.
    #[error("the interface is on no USB device")]
    NotUsb,
    /// A program could not be started.
    #[error("{program} can't be started: {source}")]
    Start {
        /// Which.
        program: String,
        /// What the system says.
        source: io::Error,
    },
    /// A program ended with an error.
    #[error("{program} ended with {how}")]
    Ended {
        /// Which.
        program: String,
        /// Its exit status.
        how: String,
    },
    /// A program took too long and was stopped.
    #[error("{program} took longer than {wait_s} s and was stopped")]
    TooLong {
        /// Which.
        program: String,
        /// How long it was given.
        wait_s: u64,
    },
    /// A file of the kernel can't be written.
    #[error("{path} can't be written: {source}", path = path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

impl ActError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoInterface => {
                "look with `ip -brief link` whether the tether is there, and name it in /etc/pintle/lever.toml"
            }
            Self::NoDevice(_) => {
                "look whether the device is plugged in, and into which port, with `ls /sys/bus/usb/devices`"
            }
            Self::NotUsb => "take usb out of steps in /etc/pintle/lever.toml, or name a USB port there",
            Self::Start { .. } => "put the full path of a program that root can start into /etc/pintle/lever.toml",
            Self::Ended { .. } | Self::TooLong { .. } => {
                "run the program by hand as root and read what it says; its words are in the journal"
            }
            Self::Write { .. } => {
                "look at the journal of pintle-lever, and whether the unit's sandbox lets it write there"
            }
        }
    }
}

/// Does `step` as the file says, in the life of the computer that is named `boot`. Blocks until it is done.
///
/// # Errors
/// [`ActError`]
pub fn act(step: Step, config: &Config, boot: &str) -> Result<(), ActError> {
    match step {
        Step::Renew => {
            let interface = interface(config)?;
            let program: Vec<String> =
                config.renew.iter().map(|part| part.replace("{interface}", &interface)).collect();
            run(&program, config.program_wait_s)
        }
        Step::Cycle => off_and_on(config, boot, &Thing::Interface(interface(config)?)),
        Step::Usb => off_and_on(config, boot, &Thing::UsbPort(usb_port(config)?)),
        Step::Command => run(&config.command, config.program_wait_s),
        Step::Reboot => {
            // What was noted is synced; what others hold is given its chance.
            nix::unistd::sync();
            run(&config.reboot, config.program_wait_s)
        }
    }
}

/// The present name of the interface.
///
/// # Errors
/// [`ActError::NoInterface`]
pub fn interface(config: &Config) -> Result<String, ActError> {
    let folder = config.sysfs_dir.join("class/net");
    let fits = |name: &str| {
        let path = folder.join(name);
        if let Some(wanted) = &config.interface {
            return wanted == name;
        }
        if let Some(mac) = &config.mac {
            let has = fs::read_to_string(path.join("address")).unwrap_or_default();
            return has.trim().eq_ignore_ascii_case(mac);
        }
        config.usb_port.as_ref().is_some_and(|port| usb_port_of(&path).as_ref() == Some(port))
    };
    let mut names: Vec<String> = fs::read_dir(&folder)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| is_interface(name) && fits(name))
        .collect();
    names.sort();
    names.into_iter().next().ok_or(ActError::NoInterface)
}

/// The USB port that the interface's device is plugged into: the last folder on its way that is named as one.
fn usb_port_of(interface: &Path) -> Option<String> {
    let device = fs::canonicalize(interface.join("device")).ok()?;
    let parts = device.components().rev();
    parts.filter_map(|part| part.as_os_str().to_str()).find(|part| is_usb_port(part)).map(str::to_owned)
}

fn usb_port(config: &Config) -> Result<String, ActError> {
    match &config.usb_port {
        Some(port) => Ok(port.clone()),
        None => usb_port_of(&config.sysfs_dir.join("class/net").join(interface(config)?)).ok_or(ActError::NotUsb),
    }
}

/// Word is left of what is off before it is, and taken back once it is on: see [`switch_on`].
fn off_and_on(config: &Config, boot: &str, thing: &Thing) -> Result<(), ActError> {
    if let Thing::UsbPort(port) = thing
        && !is_there(config, thing)
    {
        return Err(ActError::NoDevice(port.clone()));
    }
    let noted = off::note(&config.state_dir, boot, thing);
    noted.map_err(|source| ActError::Write { path: off::path(&config.state_dir), source })?;
    let off = switch(config, thing, false);
    std::thread::sleep(Duration::from_millis(config.off_ms));
    // On again whatever happened before: a lever must never leave the link switched off.
    until_done(|| switch(config, thing, true))?;
    off::clear(&config.state_dir);
    off
}

/// Switches on what an earlier lever left off in this life of the computer, because it was stopped in between or
/// because no try worked. Nothing to do is no error.
///
/// # Errors
/// [`ActError`]: the next call tries again.
pub fn switch_on(config: &Config, boot: &str) -> Result<(), ActError> {
    if let Some(thing) = off::left(&config.state_dir, boot)
        && is_there(config, &thing)
    {
        until_done(|| switch(config, &thing, true))?;
    }
    off::clear(&config.state_dir);
    Ok(())
}

/// What was pulled out meanwhile comes back switched on.
fn is_there(config: &Config, thing: &Thing) -> bool {
    match thing {
        Thing::Interface(name) => config.sysfs_dir.join("class/net").join(name).exists(),
        Thing::UsbPort(port) => permission(config, port).is_file(),
    }
}

/// The kernel's file of a device's permission.
fn permission(config: &Config, port: &str) -> PathBuf {
    config.sysfs_dir.join("bus/usb/devices").join(port).join("authorized")
}

fn switch(config: &Config, thing: &Thing, on: bool) -> Result<(), ActError> {
    match thing {
        Thing::Interface(name) => {
            let ip = config.ip.display().to_string();
            let state = if on { "up" } else { "down" };
            let program = [&ip, "link", "set", "dev", name, state].map(str::to_owned);
            run(&program, config.program_wait_s.min(IP_WAIT_S_MAX))
        }
        Thing::UsbPort(port) => {
            let path = permission(config, port);
            let written = fs::OpenOptions::new().write(true).open(&path);
            written
                .and_then(|mut file| io::Write::write_all(&mut file, if on { b"1" } else { b"0" }))
                .map_err(|source| ActError::Write { path, source })
        }
    }
}

fn until_done(mut act: impl FnMut() -> Result<(), ActError>) -> Result<(), ActError> {
    let mut tries = 1;
    loop {
        match act() {
            Err(_) if tries < ON_TRIES => std::thread::sleep(Duration::from_millis(ON_PAUSE_MS)),
            ended => return ended,
        }
        tries += 1;
    }
}

/// Runs a program with nothing of the caller's: no input, no environment but a path, its words to our journal.
fn run(program: &[String], wait_s: u64) -> Result<(), ActError> {
    let Some((path, arguments)) = program.split_first() else {
        let source = io::Error::from(io::ErrorKind::NotFound);
        return Err(ActError::Start { program: "(nothing)".to_owned(), source });
    };
    let failed = |source| ActError::Start { program: path.clone(), source };
    let mut command = Command::new(path);
    command.args(arguments).env_clear().env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").current_dir("/");
    // Standard output is the caller's connection: it is not the program's.
    let to_journal = std::os::fd::AsFd::as_fd(&io::stderr()).try_clone_to_owned().map_err(failed)?;
    command.stdin(Stdio::null()).stdout(Stdio::from(to_journal)).process_group(0);
    let mut child = command.spawn().map_err(failed)?;
    let (began, wait) = (Instant::now(), Duration::from_secs(wait_s));
    loop {
        match child.try_wait().map_err(failed)? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(ActError::Ended { program: path.clone(), how: status.to_string() }),
            None if wait <= began.elapsed() => {
                // All that it has started goes too.
                let group = i32::try_from(child.id()).map(Pid::from_raw);
                let told = group.is_ok_and(|group| killpg(group, Signal::SIGKILL).is_ok());
                let stopped = Instant::now();
                while told
                    && child.try_wait().map_err(failed)?.is_none()
                    && stopped.elapsed() < Duration::from_millis(STOPPED_MS)
                {
                    std::thread::sleep(LOOK_EVERY);
                }
                return Err(ActError::TooLong { program: path.clone(), wait_s });
            }
            None => std::thread::sleep(LOOK_EVERY),
        }
    }
}
