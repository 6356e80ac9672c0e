//! Root's file: who may ask, and what each word does.

use crate::limits::{Limits, REBOOTS_PER_DAY_MAX, RENEWS_PER_DAY_MAX, RESETS_PER_DAY_MAX, STEPS_PER_HOUR_MAX};
use crate::step::Step;
use nix::unistd::User;
use serde::Deserialize;
use std::io::Read as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

/// A longer file is none of ours, bytes.
const FILE_BYTES_MAX: u64 = 64 * 1024;

/// The longest pause between off and on, ms.
pub const OFF_MS_MAX: u64 = 30_000;
/// The longest that a program of the file's may be given, s.
pub const PROGRAM_WAIT_S_MAX: u64 = 120;

/// What stands in the file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// The user that may ask, by name.
    pub user: String,
    /// Words that are heard.
    pub steps: Vec<Step>,
    /// The interface by its name.
    #[serde(default)]
    pub interface: Option<String>,
    /// The interface by its hardware address.
    #[serde(default)]
    pub mac: Option<String>,
    /// The interface by the USB port that its device is plugged into, as `1-1.2`.
    #[serde(default)]
    pub usb_port: Option<String>,
    /// What `renew` runs; `{interface}` becomes the interface's name.
    #[serde(default = "renew")]
    pub renew: Vec<String>,
    /// What `command` runs.
    #[serde(default)]
    pub command: Vec<String>,
    /// What `reboot` runs.
    #[serde(default = "reboot")]
    pub reboot: Vec<String>,
    /// The tool that switches interfaces.
    #[serde(default = "ip")]
    pub ip: PathBuf,
    /// Where the kernel tells of devices.
    #[serde(default = "sysfs_dir")]
    pub sysfs_dir: PathBuf,
    /// Where the limits are kept.
    #[serde(default = "state_dir")]
    pub state_dir: PathBuf,
    /// Touched by a time service when it has set the clock; gone after a restart of the computer.
    #[serde(default = "clock_mark")]
    pub clock_mark: PathBuf,
    /// Between off and on, ms.
    #[serde(default = "off_ms")]
    pub off_ms: u64,
    /// The longest that a program may take, s.
    #[serde(default = "program_wait_s")]
    pub program_wait_s: u64,
    /// Steps of any kind in an hour.
    #[serde(default = "steps_per_hour")]
    pub steps_per_hour: u32,
    /// New addresses in a day.
    #[serde(default = "renews_per_day")]
    pub renews_per_day: u32,
    /// Resets in a day.
    #[serde(default = "resets_per_day")]
    pub resets_per_day: u32,
    /// Restarts of the computer in a day.
    #[serde(default)]
    pub reboots_per_day: u32,
}

/// Not `networkctl renew`: that asks for nothing as long as the client believes that it has its address, and an address
/// that somebody took away stays away (seen with systemd 252, `tests/link_lives.rs`).
fn renew() -> Vec<String> {
    ["/usr/bin/networkctl", "reconfigure", "{interface}"].map(str::to_owned).to_vec()
}

fn reboot() -> Vec<String> {
    ["/usr/bin/systemctl", "reboot"].map(str::to_owned).to_vec()
}

fn ip() -> PathBuf {
    "/usr/sbin/ip".into()
}

fn sysfs_dir() -> PathBuf {
    "/sys".into()
}

fn state_dir() -> PathBuf {
    "/var/lib/pintle-lever".into()
}

/// Source: systemd-timesyncd.service(8).
fn clock_mark() -> PathBuf {
    "/run/systemd/timesync/synchronized".into()
}

fn off_ms() -> u64 {
    2000
}

fn program_wait_s() -> u64 {
    30
}

fn steps_per_hour() -> u32 {
    4
}

fn renews_per_day() -> u32 {
    12
}

fn resets_per_day() -> u32 {
    RESETS_PER_DAY_MAX
}

/// Why the file can't be used. The texts name the file, the place in it and what to do.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// It can't be read.
    #[error(
        "{path} can't be read: {source}; write it as docs/OPERATIONS.md says, or stop pintle-lever.socket",
        path = path.display()
    )]
    Read {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// Others may write it, so what it says is not root's word.
    #[error(
        "{path} may be written by others, or does not belong to the user who runs this; chown it to root and chmod it 0644",
        path = path.display()
    )]
    Open {
        /// Which.
        path: PathBuf,
    },
    /// It is no TOML of this shape.
    #[error("{path}: {why}", path = path.display())]
    Form {
        /// Which.
        path: PathBuf,
        /// What the reader says, with the line.
        why: String,
    },
    /// Values that can't be meant so.
    #[error("{path}: {}", .mistakes.join("; "), path = path.display())]
    Values {
        /// Which.
        path: PathBuf,
        /// All of them, each a sentence.
        mistakes: Vec<String>,
    },
}

impl Config {
    /// Reads and checks the file.
    ///
    /// # Errors
    /// [`ConfigError`]
    pub fn read(path: &Path) -> Result<Self, ConfigError> {
        let failed = |source| ConfigError::Read { path: path.to_owned(), source };
        let file = std::fs::File::open(path).map_err(failed)?;
        let known = file.metadata().map_err(failed)?;
        if known.uid() != nix::unistd::geteuid().as_raw() || known.mode() & 0o022 != 0 {
            return Err(ConfigError::Open { path: path.to_owned() });
        }
        let mut text = String::new();
        file.take(FILE_BYTES_MAX).read_to_string(&mut text).map_err(failed)?;
        let config: Self = toml::from_str(&text)
            .map_err(|error| ConfigError::Form { path: path.to_owned(), why: error.to_string() })?;
        let mistakes = config.mistakes();
        if mistakes.is_empty() { Ok(config) } else { Err(ConfigError::Values { path: path.to_owned(), mistakes }) }
    }

    /// The number of the user who may ask.
    #[must_use]
    pub fn uid(&self) -> Option<u32> {
        User::from_name(&self.user).ok().flatten().map(|user| user.uid.as_raw())
    }

    /// The limits that the file sets.
    #[must_use]
    pub fn limits(&self) -> Limits {
        Limits {
            steps_per_hour: self.steps_per_hour,
            renews_per_day: self.renews_per_day,
            resets_per_day: self.resets_per_day,
            reboots_per_day: self.reboots_per_day,
        }
    }

    fn mistakes(&self) -> Vec<String> {
        let mut found = Vec::new();
        let mut say = |wrong: bool, text: &str| {
            if wrong {
                found.push(text.to_owned());
            }
        };
        say(
            self.uid().is_none(),
            "user: there is no such user; make it (systemd/pintle.sysusers.conf) or name another",
        );
        say(self.steps.is_empty(), "steps is empty; name what may be done, or stop pintle-lever.socket");
        let named = [&self.interface, &self.mac, &self.usb_port].into_iter().flatten().count();
        let wanted = self.steps.iter().any(|step| matches!(step, Step::Renew | Step::Cycle | Step::Usb));
        say(wanted && named != 1, "name the link by exactly one of interface, mac and usb_port");
        say(self.interface.as_deref().is_some_and(|name| !is_interface(name)), "interface is no name of an interface");
        say(self.mac.as_deref().is_some_and(|mac| !is_mac(mac)), "mac must be six pairs such as 02:00:00:00:00:01");
        say(self.usb_port.as_deref().is_some_and(|port| !is_usb_port(port)), "usb_port must look like 1-1.2");
        for (step, program) in
            [(Step::Renew, &self.renew), (Step::Command, &self.command), (Step::Reboot, &self.reboot)]
        {
            let wrong = self.steps.contains(&step) && !program.first().is_some_and(|path| path.starts_with('/'));
            say(wrong, &format!("{} must begin with the full path of a program", step.word()));
        }
        say(
            [&self.ip, &self.sysfs_dir, &self.state_dir, &self.clock_mark].into_iter().any(|path| !path.is_absolute()),
            "paths begin with /",
        );
        say(!(100..=OFF_MS_MAX).contains(&self.off_ms), &format!("off_ms must be 100 to {OFF_MS_MAX} ms"));
        say(
            !(1..=PROGRAM_WAIT_S_MAX).contains(&self.program_wait_s),
            &format!("program_wait_s must be 1 to {PROGRAM_WAIT_S_MAX} s"),
        );
        say(
            !(1..=STEPS_PER_HOUR_MAX).contains(&self.steps_per_hour),
            &format!("steps_per_hour must be 1 to {STEPS_PER_HOUR_MAX}"),
        );
        say(
            !(1..=RENEWS_PER_DAY_MAX).contains(&self.renews_per_day),
            &format!("renews_per_day must be 1 to {RENEWS_PER_DAY_MAX}"),
        );
        say(RESETS_PER_DAY_MAX < self.resets_per_day, &format!("resets_per_day must be 0 to {RESETS_PER_DAY_MAX}"));
        say(REBOOTS_PER_DAY_MAX < self.reboots_per_day, &format!("reboots_per_day must be 0 or {REBOOTS_PER_DAY_MAX}"));
        found
    }
}

/// Source for 15: Linux IFNAMSIZ less the end mark.
pub(crate) fn is_interface(name: &str) -> bool {
    (1..=15).contains(&name.len())
        && !name.starts_with(['.', '-'])
        && name.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'/')
}

/// Bus, then the ports on the way. Source: Linux Documentation/ABI/stable/sysfs-bus-usb and `usb_alloc_dev`.
pub(crate) fn is_usb_port(port: &str) -> bool {
    let number = |part: &str| (1..=3).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
    port.split_once('-').is_some_and(|(bus, ports)| number(bus) && ports.split('.').all(number))
}

fn is_mac(mac: &str) -> bool {
    mac.split(':').count() == 6
        && mac.split(':').all(|pair| pair.len() == 2 && pair.bytes().all(|byte| byte.is_ascii_hexdigit()))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    fn read(text: &str, mode: u32) -> Result<Config, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lever.toml");
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        Config::read(&path).map_err(|error| error.to_string().replace(&path.display().to_string(), "FILE"))
    }

    const GOOD: &str = "user = \"root\"\nsteps = [\"renew\", \"cycle\", \"usb\"]\nusb_port = \"1-1.2\"\n";

    #[test]
    fn a_short_file_is_enough_and_restarts_are_off() {
        let config = read(GOOD, 0o644).unwrap();
        assert_eq!(config.uid(), Some(0));
        let limits = Limits { steps_per_hour: 4, renews_per_day: 12, resets_per_day: 6, reboots_per_day: 0 };
        assert_eq!(config.limits(), limits);
    }

    #[test]
    fn a_file_that_others_may_write_is_not_believed() {
        for mode in [0o666, 0o664, 0o646] {
            assert!(read(GOOD, mode).unwrap_err().contains("chmod it 0644"), "{mode:o}");
        }
    }

    #[test]
    fn every_mistake_is_told_at_once_with_what_to_do() {
        let wrong = "user = \"nobody-of-that-name\"\nsteps = [\"usb\", \"command\"]\ninterface = \"a/b\"\nmac = \"02:00\"\n\
                     off_ms = 1\nprogram_wait_s = 0\nresets_per_day = 7\nreboots_per_day = 2\nsteps_per_hour = 0\n\
                     renews_per_day = 25\nclock_mark = \"here\"\n";
        let told = read(wrong, 0o600).unwrap_err();
        for part in [
            "no such user",
            "exactly one of",
            "no name of an interface",
            "six pairs",
            "command must begin with the full path",
            "off_ms must be",
            "program_wait_s must be",
            "paths begin with /",
            "steps_per_hour must be",
            "renews_per_day must be 1 to 24",
            "resets_per_day must be 0 to 6",
            "reboots_per_day must be 0 or 1",
        ] {
            assert!(told.contains(part), "{part} is missing in: {told}");
        }
        assert!(read("user = \"root\"\nsteps = []\n", 0o600).unwrap_err().contains("steps is empty"));
        assert!(read("user = \"root\"\nsteps = [\"halt\"]\n", 0o600).unwrap_err().contains("unknown variant"));
        assert!(read("usr = 1\n", 0o600).unwrap_err().contains("unknown field"));
    }

    #[test]
    fn ports_and_names_have_their_grammar() {
        assert!(["1-1", "1-1.2", "12-3.4.10"].into_iter().all(is_usb_port));
        assert!(!["", "1", "1-", "-1", "1-1:1.0", "1-1/../2", "usb1", "1-1.", "1-1234"].into_iter().any(is_usb_port));
        assert!(["usb0", "enx0123456789ab", "wwan0.10"].into_iter().all(is_interface));
        assert!(!["", "..", ".a", "a/b", "-x", "a b", "sixteen-letters-"].into_iter().any(is_interface));
    }
}
