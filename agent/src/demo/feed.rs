//! The simulated GPS receiver: writes sentences to the far end of a real pseudo-terminal, ten bytes a millisecond at
//! most as a
//! serial line would.

use anyhow::Context;
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use pintle_core::sim::sentences::SimReceiver;
use pintle_core::sim::track::Track;
use std::io::Write;
use std::path::{Path, PathBuf};
use tokio_util::sync::CancellationToken;

/// Both ends of a pseudo-terminal in raw mode; the agent opens `link`, which points to the slave.
pub struct Line {
    master: PtyMaster,
    link: PathBuf,
}

impl Line {
    /// Opens a pseudo-terminal and lays the symbolic link `link` to its slave.
    ///
    /// # Errors
    /// If the system has no pseudo-terminal left, or the link can't be made.
    pub fn open(link: &Path) -> anyhow::Result<Self> {
        let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY).context("no pseudo-terminal can be opened")?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let slave = ptsname_r(&master)?;
        let mut settings = tcgetattr(&master)?;
        cfmakeraw(&mut settings);
        tcsetattr(&master, SetArg::TCSANOW, &settings)?;
        std::os::unix::fs::symlink(&slave, link).with_context(|| format!("no link at {}", link.display()))?;
        Ok(Self { master, link: link.to_owned() })
    }

    /// What the agent opens.
    #[must_use]
    pub fn link(&self) -> &Path {
        &self.link
    }

    /// Speaks `per_s` epochs a second along `track`, until stopped. `began` is the instant of script time zero.
    ///
    /// # Errors
    /// If the pseudo-terminal takes no more.
    pub fn speak(
        mut self,
        track: &Track,
        seed: u64,
        per_s: u64,
        began: pintle_core::moment::Mono,
        stop: &CancellationToken,
    ) -> std::io::Result<()> {
        let mut receiver = SimReceiver::new(seed, 1.2);
        let step_ms = 1000 / per_s.max(1);
        let step_s = std::time::Duration::from_millis(step_ms).as_secs_f64();
        for epoch in 0.. {
            let due_ms = epoch * step_ms;
            let past_ms = crate::clock::mono().since_ms(began);
            if past_ms < due_ms {
                std::thread::sleep(std::time::Duration::from_millis(due_ms - past_ms));
            }
            if stop.is_cancelled() {
                break;
            }
            let now_ms = crate::clock::mono().since_ms(began);
            let text = receiver.epoch(&track.at(now_ms), crate::clock::utc(), step_s);
            self.master.write_all(text.as_bytes())?;
        }
        Ok(())
    }
}
