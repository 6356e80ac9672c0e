//! Reads the switches of mast, axle lock and stabilisers: small files, of the kernel's or of the owner's.

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use pintle_core::inputs::{BYTES_MAX, InputState, InputsView, judge};
use std::io::Read as _;
use std::os::unix::fs::{FileTypeExt as _, OpenOptionsExt as _};
use std::path::Path;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// How often they are read (our own choice: an alarm within seconds).
const READ_EVERY: Duration = Duration::from_secs(1);

/// What the watcher of switches needs.
pub struct InputsSetup {
    /// `[[input]]`
    pub inputs: Vec<config::Input>,
    /// Where their state goes.
    pub view: watch::Sender<InputsView>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
pub async fn run(setup: InputsSetup, stop: CancellationToken) {
    let mut ticks = tokio::time::interval(READ_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        let inputs = setup.inputs.clone();
        // A file of a slow bus must not hold up the intake.
        let read = tokio::task::spawn_blocking(move || {
            inputs.into_iter().map(|input| (input.kind, state(&input.path, &input.safe))).collect::<Vec<_>>()
        });
        let Ok(states) = read.await else { continue };
        let now = clock::utc();
        setup.view.send_if_modified(|view| {
            let before = view.clone();
            for (kind, state) in states {
                view.hear(kind, state, now);
            }
            *view != before
        });
        setup.heartbeat.turn();
    }
}

fn state(path: &Path, safe: &str) -> InputState {
    let unknown = |why: String| InputState::Unknown(why);
    let metadata = match std::fs::metadata(path) {
        Ok(metadata) => metadata,
        Err(error) => return unknown(format!("{} can't be read: {error}", path.display())),
    };
    // A pipe would be waited for.
    if metadata.is_dir() || metadata.file_type().is_fifo() || metadata.file_type().is_socket() {
        return unknown(format!("{} is no file", path.display()));
    }
    let mut bytes = Vec::new();
    let limit = u64::try_from(BYTES_MAX + 1).unwrap_or(u64::MAX);
    let opened = std::fs::File::options().read(true).custom_flags(nix::libc::O_NONBLOCK).open(path);
    match opened.and_then(|file| file.take(limit).read_to_end(&mut bytes)) {
        Ok(_) => judge(&bytes, safe),
        Err(error) => unknown(format!("{} can't be read: {error}", path.display())),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn file_of_a_switch_is_read_and_what_is_no_file_is_unknown() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("mast");
        std::fs::write(&file, "1\n").unwrap();
        assert_eq!(state(&file, "1"), InputState::Safe);
        assert_eq!(state(&file, "0"), InputState::Unsafe);
        for odd in [folder.path().to_owned(), folder.path().join("gone")] {
            assert!(matches!(state(&odd, "1"), InputState::Unknown(_)), "{}", odd.display());
        }
        let pipe = folder.path().join("pipe");
        nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRUSR).unwrap();
        assert!(matches!(state(&pipe, "1"), InputState::Unknown(_)));
    }
}
