//! The store's thread: takes commands, gathers those that write into one transaction, answers after its sync.

use super::answers::{Done, apply, refuse, tell};
use super::aside::{HEARD_OF_MORE, WENT_BACKWARDS, delete_old, go_on, note};
use super::db::Db;
use super::disk::{Folder, meaning};
use super::handle::{Answer, Arrivals, Command};
use super::room::bytes_of;
use super::salvage::Salvage;
use super::{Accepted, NewEvent, QueueFigures, StoreError};
use crate::clock;
use crate::config;
use pintle_core::moment::{Moment, Mono};
use pintle_core::queue::order::Order;
use pintle_core::queue::retention::{Limits, Room};
use pintle_core::queue::{EventKind, Lane};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// At most this many events go into one commit: more brings no speed (source: durability measurements, 1,000 rows a
/// commit are as fast as 256) and makes everybody wait.
const GROUP_EVENTS_MAX: usize = 2000;

/// At most about this many bytes go into one commit.
const GROUP_BYTES_MAX: usize = 8 << 20;

/// Commands taken out of the channel at once.
const TAKEN_MAX: usize = 1024;

/// How often an idle store looks after itself.
const IDLE: Duration = Duration::from_secs(5);

/// A store that made no commit for this long makes one, to notice a file system that turned read-only (source: fault
/// 76) and to write down its age, ms.
const PROBE_MS: u64 = 60_000;

/// How far the file has got is noted beside it after so many events (our own choice: two syncs in a thousand).
const NOTE_EVERY: u64 = 1000;

const DAY_MS: i64 = 86_400_000;

/// Between two slices of a salvage others have this many times as long as one took (our own).
const SALVAGE_PAUSE: u32 = 3;

/// A slice that failed is tried again after this (our own).
const SALVAGE_RETRY: Duration = Duration::from_secs(5);

/// A file that could not be opened is tried again after this, ms.
const REOPEN_MS: u64 = 500;

pub(super) struct Worker {
    pub(super) folder: Folder,
    pub(super) limits: config::Queue,
    pub(super) arrived: Arc<Arrivals>,
    /// `None` after a failure, until the file is open again.
    pub(super) db: Option<Db>,
    /// What the store knew when it lost the file.
    pub(super) blobs: Arc<super::blobs::Blobs>,
    pub(super) last_order: Option<Order>,
    pub(super) figures: QueueFigures,
    pub(super) trouble: Option<StoreError>,
    pub(super) tried: Mono,
    pub(super) committed: Mono,
    pub(super) commits: u64,
    /// Commits since the log was last cut.
    pub(super) log_grew: bool,
    /// Reads were let go since the log was last cut: what they were may still stand in it.
    pub(super) log_holds_gone: bool,
    /// What the note beside the file says.
    pub(super) noted_up_to: u64,
    /// The newest moment that a command told.
    pub(super) now: Moment,
    /// It was told that a receiver knows numbers that were not given out.
    pub(super) told_backwards: bool,
    /// How many holds the note beside the file tells.
    pub(super) noted_holds: Option<u64>,
    /// What is left to do with a file set aside, while it is under way.
    pub(super) rest: Option<Salvage>,
    /// When a slice of it is done next.
    pub(super) rest_at: Instant,
}

impl Worker {
    pub(super) fn serve(mut self, mut commands: mpsc::Receiver<Command>, timer: &tokio::runtime::Runtime) {
        let mut taken = Vec::with_capacity(TAKEN_MAX);
        let mut held = Held::default();
        let mut closers = Vec::new();
        let mut looked_after = clock::mono();
        loop {
            let company = held.until;
            let salvages = self.db.as_ref().is_some_and(|db| db.books.rest);
            let mut until = company.unwrap_or_else(|| Instant::now() + IDLE);
            if salvages {
                until = until.min(self.rest_at);
            }
            let got = timer
                .block_on(async { tokio::time::timeout_at(until, commands.recv_many(&mut taken, TAKEN_MAX)).await });
            let ended = got == Ok(0);
            let (mut writes, mut looks) = (Vec::new(), Vec::new());
            for command in taken.drain(..) {
                match command {
                    Command::Close { answer } => {
                        commands.close();
                        closers.push(answer);
                    }
                    Command::Accept { events, now, answer } if self.may_wait(&events) && closers.is_empty() => {
                        held.push(events, now, answer, self.limits.commit_wait_ms);
                    }
                    Command::Accept { .. }
                    | Command::Settle { .. }
                    | Command::UrgentCopies { .. }
                    | Command::Resend { .. }
                    | Command::Retry { .. }
                    | Command::Drop { .. }
                    | Command::Restamp { .. }
                    | Command::Keep { .. }
                    | Command::Images { .. }
                    | Command::Hold { .. }
                    | Command::Retire { .. } => writes.push(command),
                    Command::Lease { lane, .. } if self.has_waiting(lane) => writes.push(command),
                    _ => looks.push(command),
                }
            }
            if ended || !writes.is_empty() || !closers.is_empty() || held.is_due() {
                let mut all = held.take();
                all.append(&mut writes);
                self.write_all(all);
            }
            for command in looks {
                self.look(command);
            }
            if ended {
                let closed = self.close();
                for answer in closers {
                    tell(answer, closed.clone());
                }
                return;
            }
            if salvages && self.rest_at <= Instant::now() && closers.is_empty() {
                self.salvage();
            }
            // Idle means that nothing is written: whoever only looks often must not keep it from looking after itself.
            let quiet_ms = clock::mono().since_ms(self.committed.max(looked_after));
            let nobody_came = got.is_err() && company.is_none() && !salvages;
            if nobody_came || IDLE.as_millis() <= u128::from(quiet_ms) {
                looked_after = clock::mono();
                self.idle();
            }
        }
    }

    /// A lease writes (it fixes the bytes of what goes); one that finds nothing only looks.
    fn has_waiting(&self, lane: Lane) -> bool {
        self.db.as_ref().is_none_or(|db| db.books.order.has_waiting(lane))
    }

    fn may_wait(&self, events: &[NewEvent]) -> bool {
        0 < self.limits.commit_wait_ms && events.iter().all(|event| event.kind == EventKind::Read && !event.hit)
    }

    /// Writes commands in their order, as many to one commit as fit.
    fn write_all(&mut self, commands: Vec<Command>) {
        let mut group = Vec::new();
        let (mut events, mut bytes) = (0, 0);
        for command in commands {
            let Some(command) = self.within_space(command) else { continue };
            let (more_events, more_bytes) = weight(&command);
            if !group.is_empty() && (GROUP_EVENTS_MAX < events + more_events || GROUP_BYTES_MAX < bytes + more_bytes) {
                self.write(std::mem::take(&mut group));
                (events, bytes) = (0, 0);
            }
            (events, bytes) = (events + more_events, bytes + more_bytes);
            group.push(command);
        }
        if !group.is_empty() {
            self.write(group);
        }
    }

    /// One transaction. All of its commands are answered, with success only after the commit and its sync.
    pub(super) fn write(&mut self, group: Vec<Command>) {
        let room = if group.iter().any(|command| matches!(command, Command::Retire { .. })) {
            self.room()
        } else {
            Room::Enough
        };
        let Some(mut db) = self.take_db() else {
            let trouble = self.trouble.clone().unwrap_or(StoreError::Stopped);
            for command in group {
                refuse(command, &trouble);
            }
            return;
        };
        let mut group = group.into_iter();
        let mut done = Vec::with_capacity(group.len());
        let mut all_gone = false;
        let mut outcome = db.conn.execute_batch("BEGIN IMMEDIATE");
        while outcome.is_ok()
            && let Some(command) = group.next()
        {
            self.now = newest(self.now, &command);
            let limits = limits(&self.limits);
            let retires = matches!(command, Command::Retire { .. });
            outcome = apply(&mut db, command, (&limits, room), &mut done);
            if retires && outcome.is_ok() {
                all_gone = matches!(done.last(), Some(Done::Counted(_, 0)));
                self.log_holds_gone |= !all_gone;
                let keep_ms = limits.waiting_ms.max(limits.hit_waiting_ms);
                outcome = delete_old(&db, &self.folder, keep_ms, db.books.lived.at(self.now.mono));
            }
        }
        let now = self.now;
        let outcome = outcome
            .and_then(|()| if db.sums_changed { db.write_sums(&now) } else { Ok(()) })
            .and_then(|()| db.conn.execute_batch("COMMIT"))
            .and_then(|()| db.log_is_there());
        match outcome {
            Ok(()) => {
                self.committed(&mut db);
                self.drop_images(&mut db);
                if all_gone {
                    // Only now is it sure that no row needs them: a commit that fails brings its rows back.
                    self.figures.keys_destroyed += db.destroy_unused_keys(&now);
                }
                let log = if all_gone && self.log_holds_gone { self.forget(&mut db) } else { db.checkpoint_if_long() };
                for done in done {
                    done.tell();
                }
                match log {
                    Ok(()) => self.db = Some(db),
                    Err(error) => self.failed(db, meaning(&error, &self.folder.db())),
                }
            }
            Err(error) => {
                let error = meaning(&error, &self.folder.db());
                for done in &done {
                    done.release(&mut db.books.order);
                }
                self.failed(db, error.clone());
                for done in done {
                    done.refuse(&error);
                }
                for command in group {
                    refuse(command, &error);
                }
            }
        }
    }

    /// A slice of what is still to come over from a file set aside, and then a pause, so that others have most of the
    /// time.
    fn salvage(&mut self) {
        let begun = Instant::now();
        let now = self.now;
        let Some(mut db) = self.take_db() else {
            self.rest_at = begun + SALVAGE_RETRY;
            return;
        };
        let salvage = match self.rest.take() {
            Some(salvage) => Ok(Some(salvage)),
            None => Salvage::resume(&mut db, &self.folder),
        };
        let outcome = salvage.and_then(|salvage| {
            let Some(mut salvage) = salvage else { return Ok(None) };
            db.conn.execute_batch("BEGIN IMMEDIATE")?;
            go_on(&mut db, &mut salvage, &now)?;
            db.write_sums(&now)?;
            db.conn.execute_batch("COMMIT")?;
            db.log_is_there()?;
            Ok(Some(salvage))
        });
        match outcome {
            Ok(None) => {
                db.books.rest = false;
                self.db = Some(db);
            }
            Ok(Some(salvage)) => {
                self.committed(&mut db);
                if salvage.is_done() {
                    tracing::info!(file = salvage.name(), "all that could be read of a file set aside has come over");
                } else {
                    self.rest = Some(salvage);
                }
                match db.checkpoint_if_long() {
                    Ok(()) => self.db = Some(db),
                    Err(error) => self.failed(db, meaning(&error, &self.folder.db())),
                }
                let took = begun.elapsed();
                self.rest_at = Instant::now() + took * SALVAGE_PAUSE;
            }
            Err(error) => {
                // What it knew may be ahead of the file now; it is read anew.
                self.failed(db, meaning(&error, &self.folder.db()));
                self.rest_at = Instant::now() + SALVAGE_RETRY;
            }
        }
    }

    /// Takes away the files of reads that went with the last commit. What can't be taken away now is an orphan, and the
    /// next sweep takes it.
    fn drop_images(&self, db: &mut Db) {
        if db.images.dropped.is_empty() {
            return;
        }
        let gone = db.unnamed_since().map(|unnamed| self.blobs.drop_files(&unnamed));
        if !matches!(gone, Ok(Ok(_))) {
            tracing::warn!("pictures of reads that went could not be deleted yet; the next sweep does it");
        }
    }

    fn committed(&mut self, db: &mut Db) {
        self.commits += 1;
        self.committed = clock::mono();
        self.log_grew = true;
        self.trouble = None;
        db.sums_changed = false;
        if self.noted_up_to.saturating_add(NOTE_EVERY) <= db.books.accepted
            || self.noted_holds != Some(db.holds.holds.kept())
        {
            self.note(db);
        }
        if std::mem::take(&mut db.brought_urgent) {
            self.arrived.urgent.notify_one();
            self.arrived.relay.notify_one();
        }
        if std::mem::take(&mut db.brought_bulk) {
            self.arrived.bulk.notify_one();
        }
    }

    /// Writes beside the file how far it has got: a file that has less at the next start is an older copy.
    fn note(&mut self, db: &Db) {
        self.noted_up_to = db.books.accepted;
        self.noted_holds = Some(db.holds.holds.kept());
        if let Err(error) = note(db, &self.folder) {
            tracing::warn!(%error, "how far the queue has got could not be noted");
        }
    }

    /// The receiver has heard of numbers that this file has not given out: it is an older copy of itself, as after a
    /// restored image. Its next numbers would be given twice, so the process ends and the next start begins a new
    /// generation, which remembers why. Once a day at most: a receiver that errs must not keep the trailer from its
    /// work.
    fn went_backwards(&mut self, known: u64) -> Result<(), StoreError> {
        let Some(db) = self.take_db() else { return Err(self.trouble.clone().unwrap_or(StoreError::Stopped)) };
        let lived_ms = db.books.lived.at(self.now.mono);
        let last = db.kept(WENT_BACKWARDS).map(|at| at.map(|at| at.try_into().map_or(lived_ms, i64::from_be_bytes)));
        let accepted = db.books.accepted;
        if known <= accepted {
            self.db = Some(db);
            return Ok(());
        }
        match last {
            Ok(Some(at)) if lived_ms < at.saturating_add(DAY_MS) => {
                self.db = Some(db);
                if !std::mem::replace(&mut self.told_backwards, true) {
                    tracing::error!(
                        known,
                        accepted,
                        "a receiver knows numbers that were not given out, within a day of the last time; have its \
                         database looked at. It is left so, and told once"
                    );
                }
            }
            Ok(_) => {
                let detail = format!("{HEARD_OF_MORE} {known}, and this file has given out {accepted} only");
                self.failed(db, StoreError::Damaged { path: self.folder.db().display().to_string(), detail });
            }
            Err(error) => self.failed(db, meaning(&error, &self.folder.db())),
        }
        Ok(())
    }

    /// After a failed transaction nothing of it counts, and what we hold in memory of the file is not believed. "Full"
    /// is an honest answer given before anything was written for good; any other failure closes the file as well,
    /// since a sync that failed once succeeds the next time with the data gone (source: fault 41).
    fn failed(&mut self, db: Db, error: StoreError) {
        if let StoreError::Damaged { detail, .. } = &error
            && self.folder.mark_damaged(detail).is_ok()
        {
            // The numbers of the new file are others, and callers hold numbers of this one: only a new process starts
            // clean. It sets the file aside and goes on within seconds (design: a broken invariant ends the process).
            tracing::error!(error = %error, "the queue's file is damaged; ending, the next start sets it aside");
            std::process::abort();
        }
        let full = matches!(error, StoreError::DiskFull);
        if full && self.folder.drop_ballast() {
            tracing::warn!("the disk is full; the ballast was let go, so that deleting has room to work in");
        }
        if self.trouble.is_none() {
            tracing::error!(error = %error, advice = error.advice(), "the queue could not be written");
        }
        self.trouble = Some(error);
        self.last_order = Some(db.books.order.clone());
        if full && (db.conn.is_autocommit() || db.conn.execute_batch("ROLLBACK").is_ok()) {
            // Bound first, dropped last: see `Beside`.
            let Db { beside, conn, .. } = db;
            let books = super::books::Books::read(&conn, &self.now);
            if let (Ok(books), Ok(holds)) = (books, super::holds::KnownHolds::read(&conn)) {
                self.adopt(Db::with((conn, beside), books, holds, &self.folder));
            }
        }
        self.tried = Mono(0);
    }

    fn adopt(&mut self, mut db: Db) {
        if let Some(order) = self.last_order.take() {
            db.books.order.adopt_leases(&order);
        }
        self.db = Some(db);
    }

    /// The open file; opens it again after a failure.
    pub(super) fn take_db(&mut self) -> Option<Db> {
        if self.db.is_none() {
            let now = clock::mono();
            if now.since_ms(self.tried) < REOPEN_MS {
                return None;
            }
            self.tried = now;
            match Db::open(&self.folder, &self.now, true) {
                Ok(db) => {
                    tracing::info!("the queue's file is open again");
                    self.adopt(db);
                }
                Err(error) => self.trouble = Some(error),
            }
        }
        self.db.take()
    }

    /// Commands that only look.
    fn look(&mut self, command: Command) {
        if let Command::Figures { answer } = command {
            let figures = self.figures();
            tell(answer, Ok(figures));
            return;
        }
        if let Command::WentBackwards { known, answer } = command {
            let done = self.went_backwards(known);
            tell(answer, done);
            return;
        }
        let Some(mut db) = self.take_db() else {
            refuse(command, &self.trouble.clone().unwrap_or(StoreError::Stopped));
            return;
        };
        let path = self.folder.db();
        let now = self.now;
        let mut failure = None;
        let mut said = |error: rusqlite::Error| {
            let error = meaning(&error, &path);
            failure = Some(error.clone());
            error
        };
        match command {
            Command::Lease { answer, .. } => tell(answer, Ok(Vec::new())),
            Command::ReleaseLane { lane, answer } => {
                db.books.order.release_lane(lane);
                tell(answer, Ok(()));
            }
            Command::OpenStamps { captured_from, captured_to, answer } => {
                tell(answer, db.open_stamps(captured_from, captured_to, &now).map_err(&mut said));
            }
            Command::Refused { answer } => tell(answer, db.refused().map_err(&mut said)),
            Command::Kept { key, answer } => tell(answer, db.kept(key).map_err(&mut said)),
            Command::IdKey { answer } => tell(answer, Ok(db.books.id_key)),
            Command::LookAtImages(look) => db.look_images(look, &mut said),
            Command::RotateKeys { answer } => tell(answer, db.rotate_keys()),
            Command::Holds { answer } => tell(answer, Ok(db.list_holds(&now))),
            Command::Held { after, answer } => tell(answer, db.count_held(after).map_err(&mut said)),
            Command::Sites { answer } => tell(answer, db.sites().map_err(&mut said)),
            other => refuse(other, &StoreError::Stopped),
        }
        match failure {
            None => self.db = Some(db),
            Some(error) => self.failed(db, error),
        }
    }

    fn figures(&mut self) -> QueueFigures {
        let space = self.folder.space();
        let short = self.is_short_of_space();
        if let Some(db) = &mut self.db {
            self.figures.generation.clone_from(&db.books.generation);
            self.figures.counts = db.books.counts();
            self.figures.pictures = db.images.books.counts;
            self.figures.waiting_urgent = db.books.order.urgent_waiting();
            self.figures.first_expiry = db.first_expiry(&limits(&self.limits), &self.now).unwrap_or(None);
            self.figures.holds = db.holds_view(&self.now);
            self.figures.oldest_waiting = db.oldest_waiting().unwrap_or(None);
        }
        self.figures.lived_ms = self.db.as_ref().map(|db| db.books.lived.at(clock::mono()));
        let missing_rows = self.db.as_ref().map_or(0, |db| db.books.missing_rows);
        let told = |error: &StoreError| format!("{error}: {}", error.advice());
        self.figures.trouble = match &self.trouble {
            Some(error) => Some(told(error)),
            None if short => Some(told(&StoreError::DiskFull)),
            None if 0 < missing_rows => Some(format!(
                "the queue's file has lost {missing_rows} rows that were accepted: keep a copy of the file and replace the disk"
            )),
            None => None,
        };
        self.figures.bytes_on_disk = self.folder.bytes();
        self.figures.disk_free_bytes = space.free;
        self.figures.disk_bytes = space.size;
        self.figures.images_missing = self.blobs.missing();
        self.figures.commits = self.commits;
        self.figures.clone()
    }

    /// What an idle store does: tries a lost file again, proves that the disk still takes writes, cuts the log.
    fn idle(&mut self) {
        let Some(mut db) = self.take_db() else { return };
        if 0 < db.books.order.release_forgotten(self.now.mono) {
            self.arrived.urgent.notify_one();
            self.arrived.relay.notify_one();
            self.arrived.bulk.notify_one();
        }
        let probe = self.trouble.is_some() || PROBE_MS <= clock::mono().since_ms(self.committed);
        db.sums_changed |= probe;
        self.db = Some(db);
        if probe {
            self.write(Vec::new());
        }
        if self.log_grew {
            self.cut_log(Db::checkpoint_at_once);
        }
        self.folder.keep_ballast(self.limits.ballast_mib.saturating_mul(1 << 20), self.wanted_bytes());
    }

    fn cut_log(&mut self, cut: impl Fn(&mut Db) -> rusqlite::Result<bool>) {
        let Some(mut db) = self.db.take() else { return };
        match cut(&mut db) {
            Ok(kept) => {
                self.log_grew = kept;
                self.db = Some(db);
            }
            Err(error) => self.failed(db, meaning(&error, &self.folder.db())),
        }
    }

    /// Cuts the log after the last slice of a clean-up: the database overwrites what it deletes, but the log still has
    /// the pages as they were before, and a store that is never idle would keep them for hours. Another program that
    /// reads the queue just now delays it to the next look.
    fn forget(&mut self, db: &mut Db) -> rusqlite::Result<()> {
        self.log_holds_gone = db.checkpoint_at_once()?;
        Ok(())
    }

    /// The last commit, the last checkpoint. Lets go of the file and the lock.
    fn close(mut self) -> Result<(), StoreError> {
        let Some(mut db) = self.take_db() else { return Err(self.trouble.unwrap_or(StoreError::Stopped)) };
        db.sums_changed = true;
        self.db = Some(db);
        self.write(Vec::new());
        self.cut_log(Db::checkpoint);
        if let Some(db) = self.db.take() {
            self.note(&db);
            self.db = Some(db);
        }
        match (self.db.take(), self.trouble.take()) {
            (Some(db), None) => db.conn.close().map_err(|(_, error)| meaning(&error, &self.folder.db())),
            (_, trouble) => Err(trouble.unwrap_or(StoreError::Stopped)),
        }
    }
}

/// Ordinary reads that wait for company.
#[derive(Default)]
struct Held {
    commands: Vec<Command>,
    events: usize,
    until: Option<Instant>,
}

impl Held {
    fn push(&mut self, events: Vec<NewEvent>, now: Moment, answer: Answer<Vec<Accepted>>, wait_ms: u64) {
        self.until.get_or_insert_with(|| Instant::now() + Duration::from_millis(wait_ms));
        self.events += events.len();
        self.commands.push(Command::Accept { events, now, answer });
    }

    fn is_due(&self) -> bool {
        GROUP_EVENTS_MAX <= self.events || self.until.is_some_and(|until| until <= Instant::now())
    }

    fn take(&mut self) -> Vec<Command> {
        std::mem::take(self).commands
    }
}

/// Events and bytes of a command, for the size of a commit.
fn weight(command: &Command) -> (usize, usize) {
    match command {
        Command::Accept { events, .. } => (events.len(), bytes_of(events)),
        Command::Settle { outcomes, .. } => (outcomes.len(), 0),
        Command::Restamp { stamps, .. } => (stamps.len(), stamps.iter().map(|stamp| stamp.stamp.len()).sum()),
        _ => (1, 0),
    }
}

fn newest(known: Moment, command: &Command) -> Moment {
    match command {
        Command::Accept { now, .. }
        | Command::Settle { now, .. }
        | Command::Restamp { now, .. }
        | Command::Lease { now, .. }
        | Command::UrgentCopies { now, .. }
        | Command::Resend { now, .. }
        | Command::Retry { now, .. }
        | Command::Drop { now, .. }
        | Command::Hold { now, .. }
        | Command::Retire { now, .. }
            if known.mono <= now.mono =>
        {
            *now
        }
        _ => known,
    }
}

/// Of each age limit the shortest that holds at any place.
#[must_use]
pub fn shortest_limits(queue: &config::Queue) -> Limits {
    queue.profiles.shortest(&limits(queue))
}

/// The age limits of a configuration, where no profile holds.
#[must_use]
pub fn limits(limits: &config::Queue) -> Limits {
    Limits {
        waiting_ms: limits.waiting_keep_s.saturating_mul(1000),
        hit_waiting_ms: limits.hit_waiting_keep_s.saturating_mul(1000),
        delivered_ms: limits.delivered_keep_s.saturating_mul(1000),
        hit_delivered_ms: limits.hit_delivered_keep_s.saturating_mul(1000),
        dedupe_ms: limits.dedupe_keep_s.saturating_mul(1000),
    }
}
