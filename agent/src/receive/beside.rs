//! The receiver's database on its disk: opened with proof that the disk has what was answered, looked at as it grows,
//! folded into one file, wiped. All by the rules of the trailer's queue, see [`crate::durable`].

use super::schema::{BUSY_MS, DatabaseError, FILE_NAME, open_writer};
use crate::durable::{self, Files, Look, Unproven};
use crate::wipe::Wiper;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, Result};
use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The log is written back when it has this many pages (16 MiB; our own limit: batches are large here, and a longer
/// log writes each page of the database less often).
const CHECKPOINT_PAGES: i64 = 4000;

/// Our own descriptors of the database and its log. This process reads the database beside the connection that writes
/// (surveys, the stream), and closing one of these would take the locks of those readers away: they are made once and
/// kept until the thread ends.
pub(super) struct Beside {
    path: PathBuf,
    look: Look,
    files: Files,
    /// `None` until something went.
    wiper: Option<Wiper>,
    /// Something went since the log was last cut.
    unwiped: bool,
}

impl Beside {
    /// Makes the database if there is none, opens it, and folds in what the log of an earlier run has.
    pub(super) fn open(folder: &Path) -> std::result::Result<(Self, Connection), DatabaseError> {
        let path = folder.join(FILE_NAME);
        let told = |error: std::io::Error| disk(&path, &error.to_string());
        if !path.exists() {
            // Only this user may read plates; the name must survive a power cut.
            OpenOptions::new().create(true).append(true).mode(0o600).open(&path).map_err(told)?;
            File::open(folder).and_then(|folder| folder.sync_all()).map_err(told)?;
        }
        let mut look = Look::open(&path).map_err(told)?;
        if durable::has_log(&path) {
            prove(&mut look, folder, false)?;
        }
        let file = Files::before(&path);
        let connection = open_writer(folder)?;
        durable::cut(&connection).map_err(|error| DatabaseError::from_sqlite(&path, &error))?;
        let files = Files::open(&path, file);
        Ok((Self { path, look, files, wiper: None, unwiped: true }, connection))
    }

    /// Opens it after a failure: what the kernel holds in memory is not believed, and nothing is stored before the
    /// database is proven to have on the disk what the log has.
    pub(super) fn open_again(&mut self, folder: &Path) -> std::result::Result<Connection, DatabaseError> {
        prove(&mut self.look, folder, true)?;
        let connection = open_writer(folder)?;
        self.files.begin_anew(&self.path);
        if let Some(wiper) = &mut self.wiper {
            wiper.begin_anew();
        }
        self.unwiped = true;
        Ok(connection)
    }

    /// Whether what the log grew by with the last commit is on the disk; an error if it is not.
    pub(super) fn log_is_there(&mut self) -> Result<()> {
        self.files.log_is_there()
    }

    /// Writes the log back if it has become long. After an error the connection must be closed.
    pub(super) fn write_back_if_long(&mut self, connection: &Connection) -> Result<()> {
        let Self { files, wiper, .. } = self;
        files.write_back_if_long(connection, CHECKPOINT_PAGES, || look_at_moved(wiper.as_mut()))
    }

    /// Rows went with the last commit.
    pub(super) fn rows_went(&mut self) {
        self.unwiped = true;
        if let Some(wiper) = self.wiper() {
            wiper.rows_move();
        }
        look_at_moved(self.wiper.as_mut());
    }

    fn wiper(&mut self) -> Option<&mut Wiper> {
        if self.wiper.is_none() {
            match Wiper::open(&self.path) {
                Ok(wiper) => self.wiper = Some(wiper),
                Err(error) => tracing::warn!(%error, "what rows leave behind when they are moved can't be wiped"),
            }
        }
        self.wiper.as_mut()
    }

    /// Cuts the log and wipes, if something went; unless another program reads just now: then the next look does it.
    pub(super) fn wipe(&mut self, connection: &Connection) -> Result<()> {
        if !self.unwiped {
            return Ok(());
        }
        self.wiper();
        look_at_moved(self.wiper.as_mut());
        connection.busy_timeout(Duration::ZERO)?;
        let kept = self.files.fold(connection);
        connection.busy_timeout(Duration::from_millis(BUSY_MS))?;
        if kept? {
            return Ok(());
        }
        let Some(wiper) = self.wiper.as_mut() else {
            self.unwiped = false;
            return Ok(());
        };
        connection.execute_batch("BEGIN IMMEDIATE")?;
        let wiped = wiper.wipe();
        connection.execute_batch("ROLLBACK; PRAGMA shrink_memory")?;
        match wiped {
            Ok(_) => self.unwiped = wiper.is_behind(),
            Err(error) => tracing::warn!(%error, "what moved rows left behind is not wiped yet"),
        }
        Ok(())
    }

    /// Folds the log back into the database and closes it, so that a copy of the one file is whole. What stays in the
    /// log is not lost.
    pub(super) fn close(&mut self, connection: Connection) {
        look_at_moved(self.wiper.as_mut());
        match self.files.fold(&connection) {
            // The log has nothing now, so nothing is written back behind our back: SQLite only takes the file away.
            Ok(false) => drop(connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)),
            Ok(true) => tracing::warn!("another program reads: the log could not be folded into the database"),
            Err(error) => {
                tracing::warn!(error = ?error.sqlite_error_code(), "the log could not be folded into the database");
            }
        }
        drop(connection);
    }
}

fn prove(look: &mut Look, folder: &Path, after_failure: bool) -> std::result::Result<(), DatabaseError> {
    let path = folder.join(FILE_NAME);
    look.prove(after_failure, || open_writer(folder)).map_err(|unproven| match unproven {
        Unproven::Open(error) => error,
        Unproven::Sql(error) => DatabaseError::from_sqlite(&path, &error),
        Unproven::ReadBack(error) => disk(&path, &format!("it can't be read back: {error}")),
        Unproven::KeptOpen => disk(&path, "a reader keeps its log from being written back"),
        Unproven::NotWritten(pages) => {
            disk(&path, &format!("the disk said that {pages} pages were written, and they were not"))
        }
    })
}

fn disk(path: &Path, detail: &str) -> DatabaseError {
    DatabaseError::Disk { path: path.to_owned(), detail: detail.to_owned() }
}

/// Before the log may begin anew: which of its pages have copies of moved rows?
fn look_at_moved(wiper: Option<&mut Wiper>) {
    if let Some(Err(error)) = wiper.map(Wiper::look) {
        tracing::warn!(%error, "the log could not be looked at; the whole file is looked through instead");
    }
}
