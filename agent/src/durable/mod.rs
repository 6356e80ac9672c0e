//! What makes the word "stored" true, for the trailer's queue and the receiver's database alike: how a connection is
//! set up, when the log is written back and who sees the answer, and the look at the disk past the kernel's memory.
//! Decisions 4, 77 and 120.
//!
//! Closing any descriptor of a database takes away the locks that the process holds on it, SQLite's too. What is
//! opened here of a database (not of its log) is closed only while the process has no connection to it.

pub(crate) mod grown;
pub(crate) mod verify;

use grown::Grown;
use nix::fcntl::{PosixFadviseAdvice, posix_fadvise};
use rusqlite::Connection;
use rusqlite::config::DbConfig;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;
use verify::{OnDisk, pages_that_differ};

/// The oldest SQLite that is safe with a write-ahead log (source: fault 35, the WAL-reset bug of 3.7.0 to 3.51.2).
const SQLITE_MIN: i32 = 3_051_003;

/// What the two databases differ in.
#[derive(Clone, Copy)]
pub(crate) struct Tuning {
    /// How long a statement waits for another program that holds a lock on the file, ms.
    pub(crate) busy_ms: u64,
    /// Page cache of SQLite, KiB.
    pub(crate) cache_kib: i64,
    /// After a checkpoint the log file is cut to this, bytes.
    pub(crate) log_bytes_max: i64,
}

/// Why this SQLite can't be used; `None` if it can.
pub(crate) fn too_old() -> Option<String> {
    (rusqlite::version_number() < SQLITE_MIN)
        .then(|| format!("SQLite {} is too old, 3.51.3 is needed", rusqlite::version()))
}

/// Settings of a connection that writes. Answers what is wrong if one did not take.
pub(crate) fn set_up(conn: &Connection, tuning: Tuning) -> rusqlite::Result<Option<String>> {
    conn.busy_timeout(Duration::from_millis(tuning.busy_ms))?;
    conn.set_prepared_statement_cache_capacity(64);
    // The log is written back only where we see the answer. SQLite does it once more when a connection closes; after
    // a failed sync the second one succeeds with the data gone, and the log that still had it is deleted (source:
    // fault 41, and our own test on a disk that does so: one accepted read was lost).
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    let mode: String = conn.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
    if !mode.eq_ignore_ascii_case("wal") {
        return Ok(Some(format!("its journal mode is {mode}, not WAL")));
    }
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "secure_delete", "ON")?;
    conn.pragma_update(None, "wal_autocheckpoint", 0)?;
    conn.pragma_update(None, "journal_size_limit", tuning.log_bytes_max)?;
    conn.pragma_update(None, "cache_size", -tuning.cache_kib)?;
    conn.pragma_update(None, "temp_store", "MEMORY")?;
    conn.pragma_update(None, "trusted_schema", "OFF")?;
    conn.pragma_update(None, "cell_size_check", "ON")?;
    // Read back, since a misspelt pragma is silently ignored (source: fault 33). 2 is FULL.
    let synchronous: i64 = conn.pragma_query_value(None, "synchronous", |row| row.get(0))?;
    Ok((synchronous != 2).then(|| format!("synchronous reads back as {synchronous}, not FULL")))
}

/// Why it is not known that the disk has what the log has.
pub(crate) enum Unproven<E> {
    /// The database could not be opened.
    Open(E),
    /// The log could not be written back.
    Sql(rusqlite::Error),
    /// Database or log can't be read.
    ReadBack(std::io::Error),
    /// Another connection reads and keeps a part of the log from being written back.
    KeptOpen,
    /// The disk said that so many pages were written, and they were not.
    NotWritten(u64),
}

/// A database and its log as the disk has them. Dropping it closes a descriptor of the database.
pub(crate) struct Look {
    path: PathBuf,
    db: OnDisk,
}

impl Look {
    /// For the database at `path`, which is there.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn open(path: &Path) -> std::io::Result<Self> {
        Ok(Self { path: path.to_owned(), db: OnDisk::open(path)? })
    }

    /// Writes the log back and proves that the database has on the disk what the log has; only then may the log begin
    /// anew. What the kernel holds in memory is not believed. Only while this process has no connection that writes.
    /// `after_failure`: what a reader keeps from being written back is no excuse.
    ///
    /// # Errors
    /// [`Unproven`]: nothing may be written; the log is as it was.
    pub(crate) fn prove<E>(
        &mut self,
        after_failure: bool,
        connect: impl FnOnce() -> Result<Connection, E>,
    ) -> Result<(), Unproven<E>> {
        self.distrust_caches();
        let conn = connect().map_err(Unproven::Open)?;
        let kept_by_a_reader = conn
            .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| Ok(row.get::<_, i64>(2)? < row.get::<_, i64>(1)?))
            .map_err(Unproven::Sql)?;
        drop(conn);
        if kept_by_a_reader && after_failure {
            return Err(Unproven::KeptOpen);
        }
        self.distrust_caches();
        match pages_that_differ(&mut self.db, &log_of(&self.path)) {
            Err(error) => Err(Unproven::ReadBack(error)),
            Ok(differ @ 1..) if !kept_by_a_reader => Err(Unproven::NotWritten(differ)),
            Ok(_) => Ok(()),
        }
    }

    /// Asks the kernel to forget what it holds in memory of the files, so that the next look reads what the disk has.
    /// A failure changes nothing that we could mend.
    fn distrust_caches(&self) {
        self.db.forget();
        if let Ok(log) = File::open(log_of(&self.path)) {
            forget(&log);
        }
    }
}

fn forget(file: &File) {
    let _advice = posix_fadvise(file, 0, 0, PosixFadviseAdvice::POSIX_FADV_DONTNEED);
}

/// The log beside a database.
pub(crate) fn log_of(path: &Path) -> PathBuf {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    log.into()
}

/// Whether the log has something, as after a kill or a failure of the process before.
pub(crate) fn has_log(path: &Path) -> bool {
    log_of(path).metadata().is_ok_and(|log| 0 < log.len())
}

/// Our own descriptors of an open database and its log, to see that they grow on the disk and not only in memory.
/// They are dropped after the connection.
pub(crate) struct Files {
    file: Option<Grown>,
    log: Option<Grown>,
}

impl Files {
    /// The database, before a connection to it is opened; what is missing is told in the log.
    pub(crate) fn before(path: &Path) -> Option<Grown> {
        let opened = Grown::open(path);
        if let Err(error) = &opened {
            tracing::warn!(%error, "what a database grows by can't be looked at on the disk until the next opening");
        }
        opened.ok()
    }

    /// `file` of [`Self::before`], and the log that the connection opened since.
    pub(crate) fn open(path: &Path, file: Option<Grown>) -> Self {
        Self { file, log: Self::before(&log_of(path)) }
    }

    /// The same files under a new connection: what they have now counts as seen. It closes no descriptor of the
    /// database.
    pub(crate) fn begin_anew(&mut self, path: &Path) {
        if let Some(Err(error)) = self.file.as_mut().map(Grown::see_all) {
            tracing::warn!(%error, "how long the database is can't be told");
        }
        self.log = Self::before(&log_of(path));
    }

    /// Whether what the log grew by with the last commit is on the disk; an error if it is not.
    pub(crate) fn log_is_there(&mut self) -> rusqlite::Result<()> {
        on_disk(self.log.as_mut())
    }

    /// Writes the log back if it has `pages_max` pages or more, after `before`. An error here must close the
    /// connection: SQLite's own automatic checkpoint would swallow it and try again, until a disk that lies says yes
    /// (see
    /// [`verify`]).
    pub(crate) fn write_back_if_long(
        &mut self,
        conn: &Connection,
        pages_max: i64,
        before: impl FnOnce(),
    ) -> rusqlite::Result<()> {
        let pages: i64 = conn.prepare_cached("PRAGMA wal_checkpoint(NOOP)")?.query_row([], |row| row.get(1))?;
        if pages_max <= pages {
            before();
            conn.prepare_cached("PRAGMA wal_checkpoint(PASSIVE)")?.query_row([], |_| Ok(()))?;
            on_disk(self.file.as_mut())?;
        }
        Ok(())
    }

    /// Writes the log back and cuts it; waits for readers as long as the connection's patience says. True if one of
    /// them kept a part of the log all the same.
    pub(crate) fn fold(&mut self, conn: &Connection) -> rusqlite::Result<bool> {
        // To cut the log is to let go of what it has: what was written back is looked at before.
        let kept = conn.query_row("PRAGMA wal_checkpoint(FULL)", [], |row| row.get::<_, i64>(0))? != 0;
        on_disk(self.file.as_mut())?;
        if kept || cut(conn)? {
            return Ok(true);
        }
        on_disk(self.log.as_mut())?;
        Ok(false)
    }
}

/// An error like that of a failed sync if the disk has not got what the file grew by.
fn on_disk(grown: Option<&mut Grown>) -> rusqlite::Result<()> {
    let Some(grown) = grown else { return Ok(()) };
    let detail = match grown.is_there() {
        Ok(true) => return Ok(()),
        Ok(false) => "the disk said that it had written the database, and has not got it".to_owned(),
        Err(error) => format!("what the database grew by can't be read back: {error}"),
    };
    let failed_sync = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_IOERR_FSYNC);
    Err(rusqlite::Error::SqliteFailure(failed_sync, Some(detail)))
}

/// Writes the log back and cuts it. True if a reader kept a part of it.
pub(crate) fn cut(conn: &Connection) -> rusqlite::Result<bool> {
    conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0)).map(|busy| busy != 0)
}
