//! Keeps one part running: a part that panics, fails or stalls is started again with growing pauses, counted and shown.

use crate::actors::heartbeat::Heartbeat;
use crate::clock;
use pintle_core::health::{LifecycleView, Stumble};
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tracing::Instrument as _;

/// How patient the supervision is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// First pause before a part is started again, ms.
    pub pause_ms: u64,
    /// Longest pause, ms.
    pub pause_ms_max: u64,
    /// After running this long a part's earlier failures no longer lengthen the pause, ms.
    pub good_ms: u64,
    /// A part that finishes no round for this long has stalled, ms.
    pub stall_ms: u64,
    /// How often the heartbeat is looked at, ms.
    pub look_ms: u64,
}

impl Pace {
    /// The pace of a trailer (our own choice): short enough at first that nobody misses the part, and a part that is
    /// mended works within a minute. Every part turns its heartbeat at least once in 30 s; four times that is a stall.
    pub const USUAL: Self =
        Self { pause_ms: 500, pause_ms_max: 60_000, good_ms: 600_000, stall_ms: 120_000, look_ms: 5_000 };

    /// The pause after that many failures in a row, ms.
    fn pause_after(&self, failures: u32) -> u64 {
        let doubled = 1_u64.checked_shl(failures.saturating_sub(1)).unwrap_or(u64::MAX);
        self.pause_ms.saturating_mul(doubled).min(self.pause_ms_max)
    }
}

/// Where failures are shown.
#[derive(Clone, Debug)]
pub struct Board {
    view: Arc<watch::Sender<LifecycleView>>,
    pace: Pace,
}

impl Board {
    /// A board that publishes through `view`, for parts that are supervised at this pace.
    #[must_use]
    pub fn new(view: watch::Sender<LifecycleView>, pace: Pace) -> Self {
        Self { view: Arc::new(view), pace }
    }

    /// Says why only intake and store run; `None`: all do.
    pub fn safe_mode(&self, why: Option<String>) {
        self.view.send_modify(|view| view.safe_mode = why);
    }

    /// Says how often the whole agent has crashed within the last 10 min, this start among them.
    pub fn crashed(&self, times: usize) {
        self.view.send_modify(|view| {
            view.stumbles.push(Stumble {
                actor: "agent".to_owned(),
                restarts: u64::try_from(times).unwrap_or(u64::MAX),
                reason: "the whole agent ended without being told to, and was started again".to_owned(),
                at: clock::utc(),
                running: true,
            });
        });
    }

    fn failed(&self, name: &str, reason: &str) {
        self.view.send_modify(|view| {
            let at = clock::utc();
            match view.stumbles.iter_mut().find(|one| one.actor == name) {
                Some(one) => {
                    one.restarts += 1;
                    reason.clone_into(&mut one.reason);
                    one.at = at;
                    one.running = false;
                }
                None => view.stumbles.push(Stumble {
                    actor: name.to_owned(),
                    restarts: 1,
                    reason: reason.to_owned(),
                    at,
                    running: false,
                }),
            }
            view.stumbles.sort_by_key(|one| (one.running, std::cmp::Reverse(one.restarts)));
        });
    }

    fn runs(&self, name: &str) {
        self.view.send_if_modified(|view| {
            let found = view.stumbles.iter_mut().find(|one| one.actor == name && !one.running);
            found.map(|one| one.running = true).is_some()
        });
    }
}

/// Runs the part `name` until `stop`. `start` builds it anew for every start; its error is one sentence with what to
/// do.
pub async fn keep_running<F, R>(
    name: &'static str,
    board: Board,
    heartbeat: Heartbeat,
    stop: CancellationToken,
    mut start: F,
) where
    F: FnMut(CancellationToken) -> R,
    R: Future<Output = Result<(), String>> + Send + 'static,
{
    let mut failures = 0;
    loop {
        let began = clock::mono();
        let span = tracing::info_span!("part", name);
        let part = tokio::spawn(start(stop.child_token()).instrument(span));
        let mut part = EndWithUs(part);
        // A part that failed before counts as running once it has stayed up for a moment.
        let reason = tokio::select! {
            ended = &mut part.0 => match ended {
                Ok(Ok(())) => "it ended by itself".to_owned(),
                Ok(Err(reason)) => reason,
                Err(error) if error.is_panic() => "it panicked; this is a fault of the program".to_owned(),
                Err(_) => "it was broken off".to_owned(),
            },
            () = stalled(&heartbeat, board.pace, || board.runs(name)) => {
                format!("it finished no round for {} s", board.pace.stall_ms / 1000)
            }
        };
        if stop.is_cancelled() {
            return;
        }
        part.0.abort();
        failures = if board.pace.good_ms <= clock::mono().since_ms(began) { 1 } else { failures + 1 };
        let pause = board.pace.pause_after(failures);
        board.failed(name, &reason);
        tracing::error!(part = name, reason, failures, pause_ms = pause, "a part ended and is started again");
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(Duration::from_millis(pause)) => {}
        }
    }
}

/// A part never outlives its supervisor.
struct EndWithUs(JoinHandle<Result<(), String>>);

impl Drop for EndWithUs {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// Ends when the heartbeat has not turned for the time of a stall; says `alive` after each turn that it sees.
async fn stalled(heartbeat: &Heartbeat, pace: Pace, alive: impl Fn()) {
    let (mut seen, mut since) = (heartbeat.turns(), clock::mono());
    loop {
        tokio::time::sleep(Duration::from_millis(pace.look_ms)).await;
        let (turns, now) = (heartbeat.turns(), clock::mono());
        if turns != seen {
            (seen, since) = (turns, now);
            alive();
        } else if pace.stall_ms <= now.since_ms(since) {
            return;
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};

    /// A thousand times as fast as usual, but for the stall.
    const FAST: Pace = Pace { pause_ms: 1, pause_ms_max: 60, good_ms: 600_000, stall_ms: 200, look_ms: 5 };

    #[test]
    fn pauses_double_and_stay_under_their_bound() {
        let pauses: Vec<u64> =
            [1, 2, 3, 7, 8, 9, 70, u32::MAX].into_iter().map(|failures| Pace::USUAL.pause_after(failures)).collect();
        assert_eq!(pauses, [500, 1000, 2000, 32_000, 60_000, 60_000, 60_000, 60_000]);
    }

    /// Runs a part whose starts behave as `behave` says by their number, until the board shows what is waited for.
    async fn run_until<R>(behave: fn(u32, Heartbeat) -> R, shown: fn(&Stumble) -> bool) -> (u32, Stumble)
    where
        R: Future<Output = Result<(), String>> + Send + 'static,
    {
        let (sender, mut view) = watch::channel(LifecycleView::default());
        let starts = Arc::new(AtomicU32::new(0));
        let (counted, heartbeat) = (Arc::clone(&starts), Heartbeat::default());
        let beat = heartbeat.clone();
        let start = move |_| behave(counted.fetch_add(1, Ordering::Relaxed), beat.clone());
        let kept =
            tokio::spawn(keep_running("probe", Board::new(sender, FAST), heartbeat, CancellationToken::new(), start));
        let waited = view.wait_for(|view| view.stumbles.first().is_some_and(shown));
        let seen = tokio::time::timeout(Duration::from_secs(10), waited).await.unwrap().unwrap().stumbles[0].clone();
        kept.abort();
        (starts.load(Ordering::Relaxed), seen)
    }

    async fn beats(beat: Heartbeat) -> Result<(), String> {
        loop {
            beat.turn();
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    }

    #[tokio::test]
    async fn a_part_that_panics_once_is_started_again_counted_and_shown() {
        let behave = |number, beat| async move {
            assert!(number != 0, "the first start panics");
            beats(beat).await
        };
        let (starts, stumble) = run_until(behave, |one| one.running).await;
        assert_eq!(starts, 2);
        assert_eq!((stumble.actor.as_str(), stumble.restarts), ("probe", 1));
        assert_eq!(stumble.reason, "it panicked; this is a fault of the program");
    }

    #[tokio::test]
    async fn a_part_that_fails_is_tried_again_and_again() {
        let (starts, stumble) = run_until(|_, _| async { Err("no device".to_owned()) }, |one| one.restarts == 5).await;
        assert_eq!((starts, stumble.running), (5, false));
        assert_eq!(stumble.reason, "no device");
    }

    #[tokio::test]
    async fn a_part_that_stalls_is_broken_off_and_started_again() {
        let behave =
            |number, beat| async move { if number == 0 { std::future::pending().await } else { beats(beat).await } };
        let (starts, stumble) = run_until(behave, |one| one.running).await;
        assert_eq!(starts, 2);
        assert!(stumble.reason.starts_with("it finished no round for"), "{}", stumble.reason);
    }

    #[tokio::test]
    async fn a_part_that_is_told_to_stop_is_not_started_again() {
        let (sender, view) = watch::channel(LifecycleView::default());
        let stop = CancellationToken::new();
        let part = |stop: CancellationToken| async move {
            stop.cancelled().await;
            Ok(())
        };
        let board = Board::new(sender, FAST);
        let kept = tokio::spawn(keep_running("probe", board, Heartbeat::default(), stop.clone(), part));
        tokio::time::sleep(Duration::from_millis(20)).await;
        stop.cancel();
        tokio::time::timeout(Duration::from_secs(1), kept).await.unwrap().unwrap();
        assert!(view.borrow().stumbles.is_empty());
    }
}
