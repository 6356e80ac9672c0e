//! Composes the health files: judges what everybody has published, renders it, and replaces the files.
//!
//! A judgement is made every second and costs nothing; files are written when it says something new, and every
//! `health.every_s` in any case, so that they never go stale while the agent lives.

mod gasp;
mod history;

use super::heartbeat::Heartbeat;
use crate::audit;
use crate::clock;
use crate::config;
use crate::io::files::{FilesError, Folder};
use crate::show::{self, Rendered};
use crate::store::{QueueFigures, StoreHandle};
use gasp::LastGasp;
use history::History;
use pintle_core::cameras::IntakeView;
use pintle_core::forward::ForwardView;
use pintle_core::health::duty::DutyBook;
use pintle_core::health::ready::{TestAlert, TickBook};
use pintle_core::health::{Facts, Life, LifecycleView, Memory, Need, Observations, QueueView, Snapshot, snapshot};
use pintle_core::host::HostView;
use pintle_core::inputs::InputsView;
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::wire::health::{ChangeBody, HealthBody};
use serde::Deserialize;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

/// How often everything is judged (design: an unannounced move is an alarm within seconds).
const JUDGE_EVERY: Duration = Duration::from_secs(1);
/// How long the store may take to give its figures before health says that it doesn't answer (our own limit).
const STORE_WAIT: Duration = Duration::from_secs(5);
/// After this the agent is no longer starting, whatever has not reported yet.
const START_MS: u64 = 10_000;
/// How often the last state is copied to what survives power loss. Source: design, section 4.
const COPY_EVERY_MS: u64 = 15 * 60_000;

/// What the health composer needs.
pub struct HealthSetup {
    /// `[trailer]`
    pub trailer: config::Trailer,
    /// `[health]`
    pub health: config::Health,
    /// What does not change; see [`facts`].
    pub facts: Facts,
    /// For the figures of the queue.
    pub store: StoreHandle,
    /// From the position actor.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// From the intake.
    pub intake: watch::Receiver<IntakeView>,
    /// From the forwarder.
    pub forward: watch::Receiver<ForwardView>,
    /// From the link watcher.
    pub link: watch::Receiver<LinkView>,
    /// All that the link watcher knows.
    pub link_report: watch::Receiver<LinkReport>,
    /// From the host watcher.
    pub host: watch::Receiver<HostView>,
    /// From the switches of the trailer.
    pub inputs: watch::Receiver<InputsView>,
    /// From the lifecycle.
    pub lifecycle: watch::Receiver<LifecycleView>,
    /// What people ticked.
    pub ticks: watch::Receiver<Arc<TickBook>>,
    /// What people said of duty and needs.
    pub duty: watch::Receiver<Arc<DutyBook>>,
    /// Where the newest state goes for the receiver.
    pub upstream: watch::Sender<Option<Arc<HealthBody>>>,
    /// Whether the audit can be written.
    pub audit: audit::Log,
    /// Turned after each judgement whose files, if any were due, have been written.
    pub heartbeat: Heartbeat,
}

/// Why the composer could not begin.
#[derive(Debug, thiserror::Error)]
pub enum HealthError {
    /// A folder is not to be had.
    #[error("health files can't be kept: {0}")]
    Files(#[from] FilesError),
}

impl HealthError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Files(error) => error.advice(),
        }
    }
}

/// The facts of one configuration. `started` is when this process started.
#[must_use]
pub fn facts(config: &config::Config, started: Moment) -> Facts {
    let boot_id = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    Facts {
        trailer: config.trailer.id.as_str().to_owned(),
        label: config.trailer.label.clone(),
        zone: config.trailer.zone.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        boot_id: boot_id.trim().to_owned(),
        started,
        valid_s: config.health.valid_s,
        gps_fitted: config.gps.is_some(),
        move_threshold_m: config.position.move_threshold_m,
        receiver_fitted: config.receiver.is_some(),
        receiver_proven: config.receiver.as_ref().is_some_and(|receiver| receiver.proof == config::Proof::Receipts),
        seal_none: config.queue.seal == config::Seal::None,
        waiting_keep_s: config.queue.waiting_keep_s,
        disk_free_min_mib: config.queue.disk_free_min_mib,
        disk_warn_percent: config.queue.disk_warn_percent,
    }
}

/// Runs until `stop`, then writes a last snapshot that says "stopped".
///
/// # Errors
/// [`HealthError`] if a folder can't be made ready; a file that can't be written later is told in the log and tried
/// again.
pub async fn run(setup: HealthSetup, stop: CancellationToken) -> Result<(), HealthError> {
    let mut composer = Composer::ready(setup)?;
    composer.round(Life::Starting).await;
    let mut ticks = tokio::time::interval(JUDGE_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => break,
            _ = ticks.tick() => {}
        }
        let life = composer.life();
        composer.round(life).await;
    }
    composer.round(Life::Stopped).await;
    Ok(())
}

struct Composer {
    setup: HealthSetup,
    public: Folder,
    health: Folder,
    kept: Folder,
    memory: Memory,
    /// Absent only while it is written.
    history: Option<History>,
    gasp: LastGasp,
    generation: u64,
    began: Mono,
    started: bool,
    written: Option<(Mono, Vec<String>)>,
    copied: Option<(Mono, String)>,
    failing: bool,
}

impl Composer {
    fn ready(setup: HealthSetup) -> Result<Self, HealthError> {
        let group = setup.health.group.as_deref();
        let runtime_dir = &setup.trailer.runtime_dir;
        let public = Folder::ready(runtime_dir.join("public"), 0o755, 0o644, None)?;
        let health = Folder::ready(runtime_dir.join("health"), 0o750, 0o640, group)?;
        let kept = Folder::ready(setup.trailer.state_dir.join("health"), 0o750, 0o640, group)?;
        let mut memory = Memory::default();
        memory.resume(earlier_changes(&kept));
        let (gasp, earlier) = LastGasp::ready(kept.path());
        memory.resume(earlier);
        let history = History::resume(&kept);
        let began = clock::mono();
        Ok(Self {
            setup,
            public,
            health,
            kept,
            memory,
            history: Some(history),
            gasp,
            generation: 0,
            began,
            started: false,
            written: None,
            copied: None,
            failing: false,
        })
    }

    /// Starting lasts until intake is open and the position actor has published once.
    fn life(&mut self) -> Life {
        let reported = self.setup.intake.borrow().open && self.setup.position.borrow().since.is_some();
        // In safe mode nothing else will report, and the files say so.
        if self.setup.lifecycle.borrow().safe_mode.is_some() {
            return Life::Running;
        }
        self.started |= reported || START_MS <= clock::mono().since_ms(self.began);
        if self.started { Life::Running } else { Life::Starting }
    }

    async fn round(&mut self, life: Life) {
        let queue = self.queue().await;
        let position = self.setup.position.borrow().clone();
        let intake = self.setup.intake.borrow().clone();
        let forward = self.setup.forward.borrow().clone();
        let link = self.setup.link.borrow().clone();
        let link_report = self.setup.link_report.borrow().clone();
        let host = *self.setup.host.borrow();
        let inputs = self.setup.inputs.borrow().clone();
        let mut lifecycle = self.setup.lifecycle.borrow().clone();
        lifecycle.audit_trouble = self.setup.audit.trouble();
        let (ticks, duty) = (self.setup.ticks.borrow().clone(), self.setup.duty.borrow().clone());
        let now = clock::moment(position.utc_trust);
        let seen = Observations {
            now,
            life,
            facts: &self.setup.facts,
            position: &position,
            intake: &intake,
            forward: &forward,
            link: &link,
            link_report: &link_report,
            host: &host,
            inputs: &inputs,
            queue: queue.as_ref().map_err(String::as_str),
            lifecycle: &lifecycle,
            ticks: &ticks,
            duty: &duty,
            test_alert: forward.last_test.map(|test| TestAlert { sent: test.made, answered: Some(test.received) }),
        };
        let snapshot = snapshot(&seen, &mut self.memory);
        let gist = gist(&snapshot, life, &duty);
        let every_ms = u64::from(self.setup.health.every_s) * 1000;
        // A tick that comes a little early must not make the files wait for a whole further second.
        let due_ms = every_ms.saturating_sub(500);
        let due = self.written.as_ref().is_none_or(|(at, told)| due_ms <= now.mono.since_ms(*at) || *told != gist);
        if due {
            let body = HealthBody::new(&seen, &snapshot, self.generation + 1);
            match self.write(&body, now.mono).await {
                Ok(()) => {
                    self.generation += 1;
                    self.written = Some((now.mono, gist));
                    self.setup.upstream.send_replace(Some(Arc::new(body.clone())));
                    let due = |history: &History| history.is_due(now.mono, now.utc);
                    if life == Life::Running && self.history.as_ref().is_some_and(due) {
                        self.add_to_history(body, now.mono).await;
                    }
                    if self.failing {
                        info!("health files are written again");
                        let gasp = self.gasp.clone();
                        drop(tokio::task::spawn_blocking(move || gasp.take_back()).await);
                    }
                    self.failing = false;
                }
                Err(why) => {
                    if !self.failing {
                        error!(why, "health files can't be written");
                        let gasp = self.gasp.clone();
                        drop(tokio::task::spawn_blocking(move || gasp.say(&body, &why)).await);
                    }
                    self.failing = true;
                    return; // no turn of the heartbeat: the watchdog counts files, not rounds
                }
            }
        }
        self.setup.heartbeat.turn();
    }

    /// A line of about 400 bytes each quarter of an hour, written beside the runtime: a disk that stalls must not stall
    /// the intake.
    async fn add_to_history(&mut self, body: HealthBody, now: Mono) {
        let Some(mut history) = self.history.take() else { return };
        let (kept, shown) = (self.kept.clone(), self.health.clone());
        let added = tokio::task::spawn_blocking(move || {
            let written = history.add(&body, now, &kept, &shown);
            (history, written)
        });
        match added.await {
            Ok((history, written)) => {
                self.history = Some(history);
                if let Err(error) = written {
                    warn!(error = %error, "the history can't be written; the next line tries again");
                }
            }
            Err(_) => self.history = Some(History::resume(&self.kept)),
        }
    }

    async fn queue(&self) -> Result<QueueView, String> {
        match tokio::time::timeout(STORE_WAIT, self.setup.store.figures()).await {
            Ok(Ok(figures)) => Ok(queue_view(figures)),
            Ok(Err(error)) => Err(format!("{error}; {}", error.advice())),
            Err(_) => Err(format!("the store has not answered for {} s", STORE_WAIT.as_secs())),
        }
    }

    /// Renders and replaces all files; the kept copies only when they are due.
    async fn write(&mut self, body: &HealthBody, now: Mono) -> Result<(), String> {
        let fault = |error: show::ShowError| format!("{error}: {:?}", std::error::Error::source(&error));
        let health = show::health_files(body).map_err(fault)?;
        let public = show::public_files(body).map_err(fault)?;
        let stopped = body.life == Life::Stopped.word();
        let keep = self
            .copied
            .as_ref()
            .is_none_or(|(at, word)| stopped || COPY_EVERY_MS <= now.since_ms(*at) || *word != body.word);
        let kept: Vec<Rendered> =
            if keep { health.iter().filter(|(name, _)| is_kept(name)).cloned().collect() } else { Vec::new() };
        let (public_folder, health_folder, kept_folder) = (self.public.clone(), self.health.clone(), self.kept.clone());
        let written = tokio::task::spawn_blocking(move || {
            // What survives power loss is the lesser good: a full data disk must not silence the health files.
            let all = |folder: &Folder, files: &[Rendered]| {
                files.iter().try_for_each(|(name, text)| folder.replace(name, text.as_bytes()))
            };
            all(&health_folder, &health)?;
            all(&public_folder, &public)?;
            Ok::<_, FilesError>(all(&kept_folder, &kept))
        });
        match written.await {
            Ok(Ok(Ok(()))) => {
                if keep {
                    self.copied = Some((now, body.word.clone()));
                }
                Ok(())
            }
            Ok(Ok(Err(error))) => {
                if self.copied.take().is_some() {
                    warn!(error = %error, "the last state can't be kept; it is tried again with each writing");
                }
                Ok(())
            }
            Ok(Err(error)) => Err(format!("{error}: {:?}; {}", std::error::Error::source(&error), error.advice())),
            Err(_) => Err("the writing was broken off".to_owned()),
        }
    }
}

/// The files that are copied to the state folder.
fn is_kept(name: &str) -> bool {
    matches!(name, "health.json" | "health.txt" | "notices.ndjson")
}

/// What makes a snapshot worth writing before its time: everything that is told without a figure.
fn gist(snapshot: &Snapshot, life: Life, duty: &DutyBook) -> Vec<String> {
    let hand = |need: &Need| need.ack.as_ref().map_or_else(String::new, |ack| ack.span.from.to_rfc3339());
    let needs = snapshot.needs.iter().map(|need| format!("{}{}{}", need.code, need.urgency.word(), hand(need)));
    let off = duty.off.iter().map(|off| off.span.until.to_rfc3339());
    let sections = snapshot.sections.iter().map(|section| format!("{}{}", section.state.word(), section.answer));
    let parts = snapshot.ready.parts.iter().map(|part| format!("{}{}", part.code, part.holds));
    let words = [life.word().to_owned(), snapshot.word.word().to_owned()];
    words.into_iter().chain(off).chain(needs).chain(sections).chain(parts).collect()
}

fn queue_view(figures: QueueFigures) -> QueueView {
    QueueView {
        generation: figures.generation,
        counts: figures.counts,
        waiting_urgent: figures.waiting_urgent,
        oldest_waiting: figures.oldest_waiting,
        bytes_on_disk: figures.bytes_on_disk,
        disk_free_bytes: figures.disk_free_bytes,
        disk_bytes: figures.disk_bytes,
        images_missing: figures.images_missing,
        pictures: figures.pictures,
        first_expiry: figures.first_expiry,
        holds: figures.holds,
        lived_ms: figures.lived_ms,
        trouble: figures.trouble,
    }
}

/// What an earlier process kept of its changes. A copy that can't be read costs the history, never the start.
fn earlier_changes(kept: &Folder) -> Vec<pintle_core::health::Change> {
    #[derive(Deserialize)]
    struct Kept {
        changes: Vec<ChangeBody>,
    }
    let text = std::fs::read(kept.path().join("health.json")).unwrap_or_default();
    let kept: Option<Kept> = serde_json::from_slice(&text).ok();
    kept.map_or_else(Vec::new, |kept| kept.changes.iter().filter_map(ChangeBody::to_change).collect())
}

#[cfg(test)]
mod tests;
