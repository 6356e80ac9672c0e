//! The receiver's database: its tables, the views that people and other programs read, and how it is opened.
//!
//! The tables and views are described for their readers in `docs/RECEIVER.md`.

use crate::durable::{self, Tuning};
use rusqlite::{Connection, OpenFlags};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Name of the database in the data folder.
pub const FILE_NAME: &str = "receiver.db";

/// Marks the file as ours (`PRAGMA application_id`): "PRCV".
const APPLICATION_ID: i32 = 0x5052_4356;

/// One migration for each version; the database's `user_version` counts how many were made.
const MIGRATIONS: [&str; 11] = [
    include_str!("schema_v1.sql"),
    include_str!("schema_v2.sql"),
    include_str!("schema_v3.sql"),
    include_str!("schema_v4.sql"),
    include_str!("schema_v5.sql"),
    include_str!("schema_v6.sql"),
    include_str!("schema_v7.sql"),
    include_str!("schema_v8.sql"),
    include_str!("schema_v9.sql"),
    include_str!("schema_v10.sql"),
    include_str!("schema_v11.sql"),
];

/// How long one statement waits for another process's lock, ms (our own limit: well under the answer deadline).
pub(super) const BUSY_MS: u64 = 5_000;

/// What the connection differs in from that of the trailer's queue.
const TUNING: Tuning = Tuning { busy_ms: BUSY_MS, cache_kib: 32_768, log_bytes_max: 64 << 20 };

/// Why the receiver's database can't be used. No text of it holds anything from an event.
#[derive(Debug, thiserror::Error)]
pub enum DatabaseError {
    /// The disk is full.
    #[error("no space left for {path}")]
    DiskFull {
        /// Which file.
        path: PathBuf,
    },
    /// The disk failed, the folder is read-only or missing, or another process holds the file too long.
    #[error("{path} can't be written or read: {detail}")]
    Disk {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// The file is not ours, is newer than this program, or is damaged.
    #[error("{path} can't be used: {detail}")]
    Unusable {
        /// Which file.
        path: PathBuf,
        /// Why.
        detail: String,
    },
    /// There is no database yet.
    #[error("there is no {path}")]
    Missing {
        /// Which file.
        path: PathBuf,
    },
    /// The thread that writes has ended.
    #[error("the receiver is stopping")]
    Stopped,
}

impl DatabaseError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::DiskFull { .. } => "free space on that disk; trailers keep their events and send them again",
            Self::Disk { .. } => "look at the folder's permissions, the disk and its mount",
            Self::Unusable { .. } => "keep the file for salvage, move it out of the folder and start again",
            Self::Missing { .. } => "name the folder that `pintle receive --data` writes to",
            Self::Stopped => "send again after it has started",
        }
    }

    /// Sorts what the database library said.
    #[must_use]
    pub fn from_sqlite(path: &Path, error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let path = path.to_owned();
        match error.sqlite_error_code() {
            Some(Code::DiskFull) => Self::DiskFull { path },
            Some(Code::NotADatabase | Code::DatabaseCorrupt) => {
                Self::Unusable { path, detail: "the file is damaged or no database".to_owned() }
            }
            // The code's own text only: the message of a constraint could quote a value one day.
            Some(code) => Self::Disk { path, detail: format!("{code:?}") },
            None => Self::Disk { path, detail: "the database library refused the request".to_owned() },
        }
    }
}

/// Opens the database for writing, makes or migrates it if needed. Its log is written back by the receiver's own thread
/// and nowhere else.
///
/// # Errors
/// [`DatabaseError`] if it can't be used with full durability.
pub fn open_writer(folder: &Path) -> Result<Connection, DatabaseError> {
    let path = folder.join(FILE_NAME);
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&path, &error);
    if let Some(detail) = durable::too_old() {
        return Err(DatabaseError::Unusable { path, detail });
    }
    let mut connection = Connection::open(&path).map_err(told)?;
    // A receipt is a promise; without these settings it would not survive a power cut.
    if let Some(detail) = durable::set_up(&connection, TUNING).map_err(told)? {
        return Err(DatabaseError::Unusable { path, detail });
    }
    migrate(&mut connection, &path)?;
    Ok(connection)
}

/// Opens the database for reading beside a running receiver.
///
/// # Errors
/// [`DatabaseError`] if there is none or it can't be read.
pub fn open_reader(folder: &Path) -> Result<Connection, DatabaseError> {
    let path = folder.join(FILE_NAME);
    if !path.exists() {
        return Err(DatabaseError::Missing { path });
    }
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&path, &error);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(&path, flags).map_err(told)?;
    connection.busy_timeout(Duration::from_millis(BUSY_MS)).map_err(told)?;
    let (_, version) = identity(&connection).map_err(told)?;
    if version != MIGRATIONS.len() {
        let detail = format!("its format is {version}, this program reads {}", MIGRATIONS.len());
        return Err(DatabaseError::Unusable { path, detail });
    }
    Ok(connection)
}

fn identity(connection: &Connection) -> rusqlite::Result<(i32, usize)> {
    let id = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    let version: u32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    Ok((id, usize::try_from(version).unwrap_or(usize::MAX)))
}

fn migrate(connection: &mut Connection, path: &Path) -> Result<(), DatabaseError> {
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(path, &error);
    let unusable = |detail: String| DatabaseError::Unusable { path: path.to_owned(), detail };
    let work = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).map_err(told)?;
    let (id, version) = identity(&work).map_err(told)?;
    let tables: i64 = work.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(told)?;
    if id != APPLICATION_ID && 0 < tables {
        return Err(unusable("it is the database of another program".to_owned()));
    }
    let Some(open) = MIGRATIONS.get(version..) else {
        return Err(unusable(format!("its format is {version}, this program knows {} and older", MIGRATIONS.len())));
    };
    if open.is_empty() {
        return Ok(());
    }
    for step in open {
        work.execute_batch(step).map_err(told)?;
    }
    work.execute_batch(&format!(
        "PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {};",
        MIGRATIONS.len()
    ))
    .map_err(told)?;
    work.commit().map_err(told)
}
