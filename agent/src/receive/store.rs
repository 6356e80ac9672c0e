//! The one thread that writes the receiver's database. Requests that wait together are committed together, and each is
//! answered only after the commit.

use super::beside::Beside;
use super::check::Incoming;
use super::lived::LivedClock;
use super::metrics::Receipts;
use super::retain::{Keep, Purged};
use super::schema::{DatabaseError, FILE_NAME};
use super::sealed::open_all;
use super::write::Writing;
use crate::clock;
use crate::seal::Opener;
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::wire::receipt::{Receipt, ReceiptResult, Resend};
use rusqlite::{Transaction, params};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use tokio::sync::{mpsc, oneshot};

/// Requests that may wait for the thread (our own limit; the server's byte budget binds earlier).
const WAITING_MAX: usize = 256;
/// Events after which a group of requests is committed (our own limit: some 0.3 s of work).
const GROUP_EVENTS_MAX: usize = 10_000;

/// A database that could not be opened is tried again after this, ms (as the trailer's queue).
const REOPEN_MS: u64 = 500;

/// Names in which one owner's token was misused that are told apart; names are free, so further ones are only counted
/// (our own limit).
const MISUSED_NAMES_MAX: i64 = 20;
/// Stands for all further ones.
pub const MISUSED_FURTHER: &str = "further names";

/// One checked request.
pub struct Batch {
    /// Which trailer.
    pub source: String,
    /// Generation that the next number counts in.
    pub generation: String,
    /// Highest number that the trailer has given out, at most `i64::MAX`.
    pub accepted_up_to: u64,
    /// Copies of urgent events whose first receiver fails or is late: completeness is not judged by them.
    pub relayed: bool,
    /// When it came.
    pub received_at: Utc,
    /// Its events, in their order.
    pub events: Vec<Incoming>,
}

/// What a request is answered.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stored {
    /// In the order of its events.
    pub receipts: Vec<Receipt>,
    /// What is wanted again, since it is not here.
    pub resend: Vec<Resend>,
    /// The highest number of its generation that was known before it.
    pub known_up_to: u64,
}

struct Asked {
    batch: Batch,
    answer: oneshot::Sender<Result<Stored, DatabaseError>>,
}

/// Other work on the database, in a transaction of its own.
type Job = Box<dyn FnOnce(Result<&Transaction<'_>, DatabaseError>) -> rusqlite::Result<Done> + Send>;

/// Tells whoever asked, once the work is on the disk. Dropped uncalled, it tells that it is not.
type Done = Box<dyn FnOnce() + Send>;

enum Ask {
    Store(Asked),
    Job(Job),
    Purge(Keep, Moment, oneshot::Sender<Result<Purged, DatabaseError>>),
}

/// Hands requests to the writing thread. Clones share it; the thread ends when the last one is gone.
#[derive(Clone)]
pub struct ReceiverStore {
    asked: mpsc::Sender<Ask>,
    lived: LivedClock,
    receipts: Arc<Receipts>,
    closed: Arc<AtomicBool>,
}

impl ReceiverStore {
    /// True while the database is closed after a failure. Who keeps it open for reading lets go of it then: only
    /// without readers is its log read anew from the disk.
    #[must_use]
    pub fn closed(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.closed)
    }

    /// Stores a request and gives its answer once it is durable.
    ///
    /// # Errors
    /// [`DatabaseError`]: nothing can be said to be stored.
    pub async fn store(&self, batch: Batch) -> Result<Stored, DatabaseError> {
        let (answer, receipts) = oneshot::channel();
        self.asked.send(Ask::Store(Asked { batch, answer })).await.map_err(|_| DatabaseError::Stopped)?;
        let stored = receipts.await.map_err(|_| DatabaseError::Stopped)??;
        for receipt in &stored.receipts {
            let count = match receipt.result {
                ReceiptResult::Stored => &self.receipts.stored,
                ReceiptResult::Duplicate => &self.receipts.duplicate,
                _ => &self.receipts.refused,
            };
            count.fetch_add(1, Ordering::Relaxed);
        }
        Ok(stored)
    }

    /// What its receipts said since the start.
    #[must_use]
    pub fn receipts(&self) -> &Receipts {
        &self.receipts
    }

    /// Does `work` in a transaction of its own between the requests, and gives what it found.
    ///
    /// # Errors
    /// [`DatabaseError`]: nothing of it is done.
    pub async fn work<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, DatabaseError> {
        let (answer, answered) = oneshot::channel();
        let job: Job = Box::new(move |open| {
            let found = open.map(work);
            let told = match found {
                Err(error) => Err(error),
                Ok(found) => Ok(found?),
            };
            // Who asked may have gone.
            Ok(Box::new(move || drop(answer.send(told))))
        });
        self.asked.send(Ask::Job(job)).await.map_err(|_| DatabaseError::Stopped)?;
        let failed = || DatabaseError::Disk { path: FILE_NAME.into(), detail: "it refused the work".to_owned() };
        answered.await.map_err(|_| failed())?
    }

    /// As [`Self::work`], with the age of the store at `now`, ms, which is written down if `keep`.
    ///
    /// # Errors
    /// [`DatabaseError`]: nothing of it is done.
    pub async fn aged_work<T: Send + 'static>(
        &self,
        (now, keep): (Moment, bool),
        work: impl FnOnce(&Transaction<'_>, i64) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, DatabaseError> {
        let lived = self.lived.clone();
        self.work(move |open| {
            let lived_ms = if keep { lived.keep(open, &now) } else { lived.at(open, &now) };
            work(open, lived_ms?)
        })
        .await
    }

    /// The age of the store.
    #[must_use]
    pub fn lived(&self) -> &LivedClock {
        &self.lived
    }

    /// Lets go a slice of what has reached its age limit.
    ///
    /// # Errors
    /// [`DatabaseError`]: nothing of it is done.
    pub async fn purge(&self, keep: Keep, now: Moment) -> Result<Purged, DatabaseError> {
        let (answer, purged) = oneshot::channel();
        self.asked.send(Ask::Purge(keep, now, answer)).await.map_err(|_| DatabaseError::Stopped)?;
        purged.await.map_err(|_| DatabaseError::Stopped)?
    }

    /// Counts that somebody whose token or certificate is `owner`'s spoke in the name of `source`.
    ///
    /// # Errors
    /// [`DatabaseError`]: it is not counted.
    pub async fn misuse(&self, owner: String, source: String, now: Utc) -> Result<(), DatabaseError> {
        let first = self
            .work(move |work| {
                let known = "SELECT EXISTS (SELECT 1 FROM misuse WHERE owner = ?1 AND source = ?2)";
                let known: bool = work.query_row(known, params![owner, source], |row| row.get(0))?;
                let names: i64 =
                    work.query_row("SELECT count(*) FROM misuse WHERE owner = ?1", [&owner], |row| row.get(0))?;
                let source = if known || names < MISUSED_NAMES_MAX { source } else { MISUSED_FURTHER.to_owned() };
                work.execute(
                    "INSERT INTO misuse (owner, source, times, first_at, last_at) VALUES (?1, ?2, 1, ?3, ?3)
                     ON CONFLICT DO UPDATE SET times = times + 1, last_at = excluded.last_at",
                    params![owner, source, now.0],
                )?;
                let times: i64 = work.query_row(
                    "SELECT times FROM misuse WHERE owner = ?1 AND source = ?2",
                    params![owner, source],
                    |row| row.get(0),
                )?;
                Ok((times == 1).then_some((owner, source)))
            })
            .await?;
        if let Some((owner, source)) = first {
            tracing::warn!(%owner, %source, "a token or certificate was used in the name of another trailer");
        }
        Ok(())
    }
}

/// Opens the database in `folder` and starts the thread.
///
/// # Errors
/// [`DatabaseError`] if the database can't be used.
pub fn start(folder: &Path, opener: Option<Opener>) -> Result<(ReceiverStore, JoinHandle<()>), DatabaseError> {
    let (beside, connection) = Beside::open(folder)?;
    // Orphans cost space and nothing else.
    if let Err(error) = super::images::sweep(folder, &connection) {
        tracing::warn!(%error, "pictures that no read names could not be swept");
    }
    let (asked, requests) = mpsc::channel(WAITING_MAX);
    let (lived, closed) = (LivedClock::default(), Arc::<AtomicBool>::default());
    let writer = Writer {
        folder: folder.to_owned(),
        opener,
        open: Some(Writing::new(connection, lived.clone())),
        beside,
        trouble: None,
        tried: Mono(0),
        requests,
        lived: lived.clone(),
        closed: Arc::clone(&closed),
        failing: false,
    };
    let thread =
        std::thread::Builder::new().name("receiver-store".to_owned()).spawn(move || writer.run()).map_err(|error| {
            DatabaseError::Disk { path: folder.join(FILE_NAME), detail: format!("no thread for it: {error}") }
        })?;
    Ok((ReceiverStore { asked, lived, receipts: Arc::default(), closed }, thread))
}

struct Writer {
    folder: PathBuf,
    /// Opens sealed reads before they are stored.
    opener: Option<Opener>,
    /// `None` after a failure: what the connection and its caches hold can't be trusted then, so it is opened anew.
    open: Option<Writing>,
    /// Behind the connection, so that it is dropped after it.
    beside: Beside,
    /// Why it is not open.
    trouble: Option<DatabaseError>,
    /// When it was last tried to open it.
    tried: Mono,
    requests: mpsc::Receiver<Ask>,
    lived: LivedClock,
    /// See [`ReceiverStore::closed`].
    closed: Arc<AtomicBool>,
    /// Whether the last group failed: only a change of this is logged.
    failing: bool,
}

impl Writer {
    fn run(mut self) {
        let mut waiting = Vec::new();
        while 0 < self.requests.blocking_recv_many(&mut waiting, WAITING_MAX) {
            let mut waiting: VecDeque<Ask> = waiting.drain(..).collect();
            while !waiting.is_empty() {
                let mut events = 0;
                let mut group = Vec::new();
                while let Some(ask) = waiting.pop_front() {
                    match ask {
                        Ask::Store(asked) => {
                            events += asked.batch.events.len();
                            group.push(asked);
                        }
                        Ask::Job(job) => {
                            self.answer(std::mem::take(&mut group));
                            self.job(job);
                        }
                        Ask::Purge(keep, now, answer) => {
                            self.answer(std::mem::take(&mut group));
                            drop(answer.send(self.purge(&keep, &now)));
                        }
                    }
                    if GROUP_EVENTS_MAX <= events {
                        break;
                    }
                }
                self.answer(group);
                self.write_back();
            }
        }
        if let Some(writing) = self.open.take() {
            self.beside.close(writing.into_connection());
        }
    }

    /// The open database; opens it again after a failure.
    fn take(&mut self) -> Result<Writing, DatabaseError> {
        if let Some(writing) = self.open.take() {
            return Ok(writing);
        }
        let now = clock::mono();
        if let Some(trouble) = self.trouble.as_ref().filter(|_| now.since_ms(self.tried) < REOPEN_MS) {
            return Err(self.same(trouble));
        }
        self.tried = now;
        match self.beside.open_again(&self.folder) {
            Ok(connection) => {
                self.trouble = None;
                self.closed.store(false, Ordering::Relaxed);
                Ok(Writing::new(connection, self.lived.clone()))
            }
            Err(error) => {
                self.trouble = Some(self.same(&error));
                Err(error)
            }
        }
    }

    /// Does `work` on the database; whatever fails closes it.
    fn with<T>(
        &mut self,
        work: impl FnOnce(&mut Writing, &mut Beside) -> rusqlite::Result<T>,
    ) -> Result<T, DatabaseError> {
        let mut writing = self.take()?;
        match work(&mut writing, &mut self.beside) {
            Ok(done) => {
                self.open = Some(writing);
                Ok(done)
            }
            Err(error) => {
                let error = DatabaseError::from_sqlite(&self.folder.join(FILE_NAME), &error);
                self.failed(writing, &error);
                Err(error)
            }
        }
    }

    /// After a failure nothing that is held in memory of the database is believed. "Full" is an honest answer, given
    /// before anything was written for good; any other failure closes the connection too, since a sync that failed
    /// once succeeds the next time with the data gone (source: fault 41).
    fn failed(&mut self, writing: Writing, error: &DatabaseError) {
        let connection = writing.into_connection();
        if matches!(error, DatabaseError::DiskFull { .. })
            && (connection.is_autocommit() || connection.execute_batch("ROLLBACK").is_ok())
        {
            self.open = Some(Writing::new(connection, self.lived.clone()));
            return;
        }
        drop(connection);
        self.closed.store(true, Ordering::Relaxed);
        self.trouble = Some(self.same(error));
        self.tried = Mono(0);
    }

    /// Writes the log back once it is long. What is in it is answered and safe; if it fails, the next request is
    /// told.
    fn write_back(&mut self) {
        if self.open.is_some()
            && let Err(error) = self.with(|writing, beside| beside.write_back_if_long(writing.connection()))
        {
            tracing::warn!(error = %error, advice = error.advice(), "the log could not be written back");
        }
    }

    fn purge(&mut self, keep: &Keep, now: &Moment) -> Result<Purged, DatabaseError> {
        let folder = self.folder.clone();
        self.with(|writing, beside| writing.purge((&folder, beside), keep, now))
    }

    fn job(&mut self, job: Job) {
        let writing = match self.take() {
            Ok(writing) => writing,
            Err(error) => {
                if let Ok(done) = job(Err(error)) {
                    done();
                }
                return;
            }
        };
        self.open = Some(writing);
        let done = self.with(|writing, beside| {
            let done = writing.work(|work| job(Ok(work)))?;
            beside.log_is_there()?;
            Ok(done)
        });
        match done {
            Ok(done) => done(),
            Err(error) => tracing::warn!(%error, advice = error.advice(), "work on the database failed"),
        }
    }

    fn answer(&mut self, mut group: Vec<Asked>) {
        if group.is_empty() {
            return;
        }
        if let Some(opener) = &mut self.opener {
            for asked in &mut group {
                open_all(opener, &asked.batch.source, &mut asked.batch.events);
            }
        }
        let batches: Vec<&Batch> = group.iter().map(|asked| &asked.batch).collect();
        match self.commit(&batches) {
            Ok(receipts) => {
                if std::mem::take(&mut self.failing) {
                    tracing::info!("events are stored again");
                }
                for (asked, receipts) in group.into_iter().zip(receipts) {
                    // Who asked may have hung up; the events are stored all the same.
                    drop(asked.answer.send(Ok(receipts)));
                }
            }
            Err(error) => {
                if !std::mem::replace(&mut self.failing, true) {
                    tracing::warn!(error = %error, advice = error.advice(), "nothing of a group of requests was stored");
                }
                for asked in group {
                    drop(asked.answer.send(Err(self.same(&error))));
                }
            }
        }
    }

    fn commit(&mut self, batches: &[&Batch]) -> Result<Vec<Stored>, DatabaseError> {
        self.with(|writing, beside| {
            let receipts = writing.group(batches)?;
            // Before an answer: a disk that is thinner than it says drops a part of what it takes (decision 77).
            beside.log_is_there()?;
            Ok(receipts)
        })
    }

    /// The same trouble for each request of a group.
    fn same(&self, error: &DatabaseError) -> DatabaseError {
        let path = self.folder.join(FILE_NAME);
        match error {
            DatabaseError::DiskFull { .. } => DatabaseError::DiskFull { path },
            DatabaseError::Unusable { detail, .. } => DatabaseError::Unusable { path, detail: detail.clone() },
            DatabaseError::Disk { detail, .. } => DatabaseError::Disk { path, detail: detail.clone() },
            DatabaseError::Missing { .. } => DatabaseError::Missing { path },
            DatabaseError::Stopped => DatabaseError::Stopped,
        }
    }
}
