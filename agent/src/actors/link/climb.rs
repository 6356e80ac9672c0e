//! Pulls the lever when the ladder says so: notes the step, asks for it beside the watcher, tells what came of it.

use crate::clock;
use crate::config;
use crate::io::files::Folder;
use crate::io::lever::{self, Answered};
use crate::store::{NewEvent, StoreHandle};
use futures_util::FutureExt as _;
use pintle_core::link::LadderShown;
use pintle_core::link::ladder::{Ladder, Pulled, Seen, Step, WRITES_WAIT_MS};
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::ladder::KeptLadder;
use pintle_core::wire::notice::NoticeBody;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::task::JoinHandle;
use tracing::{info, warn};

/// The file that is kept.
const KEPT_FILE: &str = "ladder.json";
/// While the link is broken the memory is written this often, ms: a new process goes on from it if it is this fresh.
const KEEP_EVERY_MS: u64 = 60_000;
/// How often it is looked whether reads are still being written (our own choice: a commit takes milliseconds).
const WRITES_LOOK: Duration = Duration::from_millis(5);
/// A notice that the store does not take is tried again so often, once a second (our own limit).
const NOTICE_TRIES: u32 = 600;

/// The ladder with its lever.
pub(super) struct Climber {
    ladder: Ladder,
    socket: PathBuf,
    store: StoreHandle,
    folder: Option<Folder>,
    /// Number of the newest memory that was written: an older one never replaces it.
    written: Arc<Mutex<u64>>,
    memories: u64,
    boot: String,
    running: Option<(Step, JoinHandle<Answered>)>,
    trouble: Option<[String; 2]>,
    kept_at: Mono,
}

impl Climber {
    /// Goes on from what `text`, the kept file, says.
    pub(super) fn new(
        ladder: &config::Ladder,
        store: StoreHandle,
        folder: Option<Folder>,
        boot: String,
        text: &[u8],
    ) -> Self {
        let now = clock::mono();
        let mut climbing = Ladder::new(ladder.rules.clone());
        climbing.resume(KeptLadder::parse(text).memory(&boot, now));
        Self {
            ladder: climbing,
            socket: ladder.socket.clone(),
            store,
            folder,
            written: Arc::default(),
            memories: 0,
            boot,
            running: None,
            trouble: None,
            kept_at: now,
        }
    }

    /// The file that [`Self::new`] goes on from, in the folder of the link's memory.
    pub(super) fn kept(folder: &Folder) -> Vec<u8> {
        std::fs::read(folder.path().join(KEPT_FILE)).unwrap_or_default()
    }

    /// Once a second: what has ended, what has become clear, what is due.
    pub(super) fn look(&mut self, seen: &Seen, now: &Moment) {
        self.ended(now);
        let (step, told) = self.ladder.look(seen);
        for taken in &told {
            info!(step = taken.step.word(), helped = taken.helped, "a step of the recovery ladder");
            self.notice(&NoticeBody::of_step(taken, now), now);
        }
        if let Some(step) = step {
            self.pull(step, seen, now);
        } else if !told.is_empty()
            || (self.ladder.memory().broken_since.is_some() && KEEP_EVERY_MS <= now.mono.since_ms(self.kept_at))
        {
            self.keep(now.mono);
        }
    }

    /// The step is noted durably before the lever hears of it: a loss of power in between counts a step that was not
    /// taken, never the other way round.
    fn pull(&mut self, step: Step, seen: &Seen, now: &Moment) {
        let rung = seen.finding.0.word();
        info!(step = step.word(), link.rung = rung, "the recovery ladder asks the lever for a step");
        let (note, socket, store) = (self.note(now.mono), self.socket.clone(), self.store.clone());
        let task = tokio::spawn(async move {
            if let Err(why) = tokio::task::spawn_blocking(note).await.unwrap_or_else(|error| Err(error.to_string())) {
                let why = format!("the step can't be noted in the state folder: {why}");
                return Answered::NotDone([why, "free space on the data disk, or look at its rights".to_owned()]);
            }
            // Noting it took a moment: reads that came meanwhile are waited for, too.
            unwritten(&store).await;
            lever::pull(&socket, step, lever::ANSWER_WAIT).await
        });
        self.running = Some((step, task));
    }

    /// Takes in how the running step ended, if it has.
    fn ended(&mut self, now: &Moment) {
        let Some((step, task)) = self.running.as_mut() else { return };
        let step = *step;
        let Some(answered) = task.now_or_never() else { return };
        self.running = None;
        let lost =
            || Answered::Silent(["the task that asked the lever is gone".to_owned(), "look at the log".to_owned()]);
        let (pulled, trouble) = match answered.unwrap_or_else(|_| lost()) {
            Answered::Done => (Pulled::Done, None),
            Answered::Failed(told) => (Pulled::Failed, Some(told)),
            Answered::NotDone(told) => (Pulled::NotDone, Some(told)),
            Answered::Silent(told) => (Pulled::Done, Some(told)),
        };
        let taken = self.ladder.done(pulled);
        if let (Some([why, advice]), Some(taken)) = (&trouble, taken) {
            let how = if pulled == Pulled::Failed { "failed" } else { "was not carried out" };
            warn!(step = step.word(), why, "a step of the recovery ladder {how}; {advice}");
            // Each step that was begun is a notice. Where nothing was done for the same reason again, health tells it.
            if pulled != Pulled::NotDone || self.trouble != trouble {
                self.notice(&NoticeBody::of_failed_step(step, (taken.rung, pulled), [why, advice], now), now);
            }
        }
        self.trouble = trouble;
        self.keep(now.mono);
    }

    /// What is shown of it.
    pub(super) fn shown(&self, seen: Option<&Seen>, now: &Moment) -> LadderShown {
        let next = seen.filter(|seen| seen.sure).and_then(|seen| self.ladder.next(seen.finding.0, now));
        let in_utc = |mono: Mono| -> Utc {
            now.utc.plus_ms(i64::try_from(mono.0).unwrap_or(i64::MAX).saturating_sub_unsigned(now.mono.0))
        };
        LadderShown {
            day: self.ladder.day(now),
            left: self.ladder.left(now),
            next: next.map(|(step, mono)| (step, in_utc(mono))),
            running: self.running.as_ref().map(|(step, _)| *step),
            last: self.ladder.taken().back().copied(),
            trouble: self.trouble.clone(),
        }
    }

    /// At the end: what is not written yet is. A step that runs goes on in the lever; it counts.
    pub(super) fn stop(&mut self, now: Mono) {
        let note = self.note(now);
        if let Err(error) = note() {
            warn!(error, "the memory of the recovery ladder can't be kept; the lever has its own");
        }
    }

    /// Writes the memory down beside the runtime.
    fn keep(&mut self, now: Mono) {
        let note = self.note(now);
        drop(tokio::task::spawn_blocking(move || {
            if let Err(error) = note() {
                warn!(error, "the memory of the recovery ladder can't be kept; the lever has its own");
            }
        }));
    }

    /// Writes the memory as it is now, unless a newer one stands there.
    fn note(&mut self, now: Mono) -> impl FnOnce() -> Result<(), String> + Send + use<> {
        self.kept_at = now;
        self.memories += 1;
        let (number, written, folder) = (self.memories, Arc::clone(&self.written), self.folder.clone());
        let kept = KeptLadder::of(&self.ladder.memory(), &self.boot, now);
        move || {
            let folder = folder.ok_or_else(|| "the folder can't be made".to_owned())?;
            let mut newest = written.lock().unwrap_or_else(PoisonError::into_inner);
            if *newest < number {
                let bytes = serde_json::to_vec(&kept).map_err(|error| error.to_string())?;
                folder.replace(KEPT_FILE, &bytes).map_err(|error| error.to_string())?;
                *newest = number;
            }
            Ok(())
        }
    }

    /// Tells people, beside the watcher: a store that is busy holds nothing up.
    fn notice(&self, notice: &NoticeBody, now: &Moment) {
        let (store, now) = (self.store.clone(), *now);
        let event = NewEvent::own(EventKind::Notice, Lane::Bulk, now.utc, notice);
        drop(tokio::spawn(async move {
            for tries in 0..NOTICE_TRIES {
                match store.accept(vec![event.clone()], now).await {
                    Ok(_) => return,
                    Err(error) if tries == 0 => warn!(%error, "a notice of the recovery ladder waits for the store"),
                    Err(_) => {}
                }
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }));
    }
}

/// Waits until no read is being written, and no longer than the ladder itself would.
async fn unwritten(store: &StoreHandle) {
    let until = tokio::time::Instant::now() + Duration::from_millis(WRITES_WAIT_MS);
    while store.is_writing() && tokio::time::Instant::now() < until {
        tokio::time::sleep(WRITES_LOOK).await;
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::store;
    use pintle_core::ids::CameraId;
    use pintle_core::link::ladder::{Rules, StepRule};
    use pintle_core::link::rung::Rung;
    use pintle_core::moment::UtcTrust;
    use std::time::Instant;

    fn open(folder: &std::path::Path, more: &str) -> StoreHandle {
        let text = format!("[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[queue]\nseal = \"none\"\n{more}");
        let config = config::parse(&text).unwrap();
        store::open(folder, &config.queue, clock::moment(UtcTrust::Unset)).unwrap()
    }

    fn climber(store: &StoreHandle) -> Climber {
        let rules = Rules {
            steps: vec![StepRule::usual(Step::Usb, 600_000)],
            first_after_ms: 300_000,
            wait_ms: 600_000,
            per_hour: 3,
            resets_per_day: 6,
            reboots_per_day: 0,
        };
        let ladder = config::Ladder { socket: PathBuf::from("/nowhere"), rules };
        Climber::new(&ladder, store.clone(), None, "a".to_owned(), b"")
    }

    /// The ladder takes a step, `minute` minutes after the finding; it ends so.
    async fn step(climber: &mut Climber, minute: u64, answered: Answered) {
        let now = Moment { mono: Mono(minute * 60_000), utc: clock::utc(), utc_trust: UtcTrust::Gps };
        let seen = Seen { now, finding: (Rung::NoCarrier, Mono(0)), moving: false, writing: false, sure: true };
        assert_eq!(climber.ladder.look(&seen).0, Some(Step::Usb));
        let task = tokio::spawn(async { answered });
        while !task.is_finished() {
            tokio::task::yield_now().await;
        }
        climber.running = Some((Step::Usb, task));
        climber.ended(&now);
    }

    async fn notices(store: &StoreHandle, count: usize) -> Vec<String> {
        let now = clock::moment(UtcTrust::Unset);
        let mut told = Vec::new();
        let began = Instant::now();
        loop {
            let leased = store.lease(Lane::Bulk, 100, 1 << 20, now).await.unwrap();
            let notices = leased.iter().filter(|one| one.kind == EventKind::Notice);
            told.extend(notices.map(|one| String::from_utf8(one.body.clone()).unwrap()));
            // One more than awaited would have come by then.
            if count <= told.len() && Duration::from_millis(500) < began.elapsed() {
                return told;
            }
            assert!(began.elapsed() < Duration::from_mins(1), "{told:?}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    #[tokio::test]
    async fn every_step_that_was_begun_is_a_notice_and_only_the_same_refusal_is_told_once() {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path(), "");
        let mut climber = climber(&store);
        let told = || ["no device is there".to_owned(), "look at it".to_owned()];
        for (turn, answered) in (0..).zip([
            Answered::Failed(told()),
            Answered::Failed(told()),
            Answered::NotDone(told()),
            Answered::NotDone(["another reason".to_owned(), "look at it".to_owned()]),
            Answered::NotDone(["another reason".to_owned(), "look at it".to_owned()]),
            Answered::Silent(told()),
            Answered::Silent(told()),
        ]) {
            step(&mut climber, 5 + turn * 240, answered).await;
        }
        let notices = notices(&store, 5).await;
        let with = |text: &str| notices.iter().filter(|notice| notice.contains(text)).count();
        assert_eq!(notices.len(), 5, "{notices:?}");
        assert_eq!((with(" failed: no device"), with("was not carried out: another reason")), (2, 1), "{notices:?}");
        assert_eq!(with("it is not known whether it was carried out"), 2, "{notices:?}");
    }

    #[tokio::test]
    async fn reads_that_are_being_written_are_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path(), "commit_wait_ms = 500\n");
        assert!(!store.is_writing());
        let read = NewEvent {
            camera: Some(CameraId::new("north").unwrap()),
            stamp: Some(b"{}".to_vec()),
            ..NewEvent::own(EventKind::Read, Lane::Bulk, clock::utc(), &serde_json::json!({}))
        };
        let writer = store.clone();
        let writing = tokio::spawn(async move { writer.accept(vec![read], clock::moment(UtcTrust::Unset)).await });
        while !store.is_writing() {
            tokio::task::yield_now().await;
        }
        unwritten(&store).await;
        assert!(!store.is_writing());
        assert!(writing.await.unwrap().is_ok());
    }
}
