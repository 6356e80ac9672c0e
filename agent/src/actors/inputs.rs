//! Reads the switches of mast, axle lock and stabilisers: small files, of the kernel's or of the owner's. Each is read
//! for itself, so that one that hangs holds up no other.

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use pintle_core::inputs::{BYTES_MAX, InputKind, InputState, InputsView, judge};
use pintle_core::moment::Mono;
use std::io::Read as _;
use std::os::unix::fs::{FileTypeExt as _, OpenOptionsExt as _};
use std::path::Path;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// How often they are read (our own choice: an alarm within seconds).
const READ_EVERY: Duration = Duration::from_secs(1);
/// A round waits no longer than this for the slowest file (our own limit).
const READ_WAIT: Duration = Duration::from_millis(500);
/// How often a round looks whether the files have answered.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// A file that has not answered for so long is unknown, ms (our own limit: a pin answers within a millisecond).
const HUNG_MS: u64 = 3000;

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
    watch_over(setup, stop, |input| state(&input.path, &input.safe)).await;
}

/// One switch, and the reading of its file that has not ended.
struct Switch {
    input: config::Input,
    reading: Option<(JoinHandle<InputState>, Mono)>,
}

async fn watch_over<R>(setup: InputsSetup, stop: CancellationToken, read: R)
where
    R: Fn(&config::Input) -> InputState + Clone + Send + 'static,
{
    let mut switches: Vec<Switch> =
        setup.inputs.iter().map(|input| Switch { input: input.clone(), reading: None }).collect();
    let mut ticks = tokio::time::interval(READ_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        for switch in switches.iter_mut().filter(|switch| switch.reading.is_none()) {
            let (input, read) = (switch.input.clone(), read.clone());
            switch.reading = Some((tokio::task::spawn_blocking(move || read(&input)), clock::mono()));
        }
        let open = |switch: &Switch| switch.reading.as_ref().is_some_and(|(reading, _)| !reading.is_finished());
        let all_answer = async {
            while switches.iter().any(open) {
                tokio::time::sleep(LOOK_EVERY).await;
            }
        };
        // Who does not answer in time is looked at below and by the next round.
        if tokio::time::timeout(READ_WAIT, all_answer).await.is_err() {
            tracing::debug!("a switch has not answered yet");
        }
        let mut states = Vec::new();
        for switch in &mut switches {
            states.extend(answer(switch).await);
        }
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

/// What a switch says; `None` while it may still answer.
async fn answer(switch: &mut Switch) -> Option<(InputKind, InputState)> {
    let (reading, began) = switch.reading.take()?;
    let path = switch.input.path.display();
    let state = if reading.is_finished() {
        // A reading that broke off tells nothing.
        reading.await.unwrap_or_else(|_| InputState::Unknown(format!("{path} can't be read")))
    } else {
        let hangs = HUNG_MS <= clock::mono().since_ms(began);
        switch.reading = Some((reading, began));
        if !hangs {
            return None;
        }
        InputState::Unknown(format!("{path} does not answer; look at the device or program behind it"))
    };
    Some((switch.input.kind, state))
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
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::sync::{Arc, Mutex, mpsc};

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

    #[tokio::test]
    async fn a_file_that_hangs_is_told_and_holds_up_no_other() {
        let input = |kind| config::Input { kind, path: "/x".into(), safe: "1".to_owned() };
        let view = watch::Sender::default();
        let mut seen = view.subscribe();
        let (stop, heartbeat) = (CancellationToken::new(), Heartbeat::default());
        let inputs = vec![input(InputKind::Mast), input(InputKind::AxleLock)];
        let setup = InputsSetup { inputs, view, heartbeat: heartbeat.clone() };
        let (release, hang) = mpsc::channel::<()>();
        let (hang, lock_out) = (Arc::new(Mutex::new(hang)), Arc::new(AtomicBool::new(true)));
        let lock = Arc::clone(&lock_out);
        let task = tokio::spawn(watch_over(setup, stop.clone(), move |input| match input.kind {
            InputKind::Mast => {
                // Hangs until the other end is dropped.
                assert!(hang.lock().unwrap().recv().is_err());
                InputState::Safe
            }
            _ if lock.load(Ordering::Relaxed) => InputState::Safe,
            _ => InputState::Unsafe,
        }));
        let patience = Duration::from_mins(1);
        let says = |view: &InputsView, kind, state: &InputState| {
            view.inputs.iter().any(|input| input.kind == kind && input.state == *state)
        };
        let axle = InputKind::AxleLock;
        tokio::time::timeout(patience, seen.wait_for(|view| says(view, axle, &InputState::Safe)))
            .await
            .unwrap()
            .unwrap();
        let hung = InputState::Unknown("/x does not answer; look at the device or program behind it".to_owned());
        let told = |view: &InputsView| says(view, InputKind::Mast, &hung);
        tokio::time::timeout(patience, seen.wait_for(told)).await.unwrap().unwrap();
        lock_out.store(false, Ordering::Relaxed);
        let forbids = |view: &InputsView| says(view, axle, &InputState::Unsafe);
        tokio::time::timeout(patience, seen.wait_for(forbids)).await.unwrap().unwrap();
        assert!(0 < heartbeat.turns(), "the watcher itself goes on");
        drop(release);
        let back = |view: &InputsView| says(view, InputKind::Mast, &InputState::Safe);
        tokio::time::timeout(patience, seen.wait_for(back)).await.unwrap().unwrap();
        stop.cancel();
        task.await.unwrap();
    }
}
