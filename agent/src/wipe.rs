//! Wipes what SQLite leaves behind in the unused part of pages when it moves rows (see [`pintle_core::queue::page`]).
//! Decision 28.
//!
//! Closing any descriptor of a database takes away the locks that the process holds on it, SQLite's too. So a
//! [`Wiper`] is opened after the connection, and dropped only after it.

use pintle_core::queue::page::{PAGES_MAX, is_soiled, unused};
use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{self, BufReader, ErrorKind, Read as _};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

/// Header of the log and of each page in it. Source: the SQLite file format, section 4.
const LOG_HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
/// Pages looked at in one call after a start, since a killed process took with it what it knew (our own limit: 8 MiB).
const SCANNED_PAGES: u32 = 2048;

/// Knows the pages of one database in which something is left.
pub struct Wiper {
    db: File,
    log: PathBuf,
    page_bytes: usize,
    /// Rows went or changed their length since the log was last looked at.
    moved: bool,
    soiled: BTreeSet<u32>,
    /// The next page of the look through the whole file; `None`: it is through.
    scan: Option<u32>,
}

impl Wiper {
    /// For the database at `path` and its log. Open it after the connection, and drop it later.
    ///
    /// # Errors
    /// What the system said, or that it is no database.
    pub fn open(path: &Path) -> io::Result<Self> {
        let db = OpenOptions::new().read(true).write(true).open(path)?;
        let mut bytes = [0; 2];
        db.read_exact_at(&mut bytes, 16)?;
        // 1 stands for 65,536.
        let page_bytes = match u16::from_be_bytes(bytes) {
            1 => 65_536,
            bytes if 512 <= bytes && bytes.is_power_of_two() => usize::from(bytes),
            _ => return Err(ErrorKind::InvalidData.into()),
        };
        let mut log = path.as_os_str().to_owned();
        log.push("-wal");
        Ok(Self { db, log: log.into(), page_bytes, moved: true, soiled: BTreeSet::new(), scan: Some(2) })
    }

    /// After a failure: what is known is not believed, and the whole file is looked through again.
    pub fn begin_anew(&mut self) {
        (self.moved, self.scan) = (true, Some(2));
        self.soiled.clear();
    }

    /// Rows go or change their length: the log is worth a look.
    pub fn rows_move(&mut self) {
        self.moved = true;
    }

    /// Notes the pages of the log in which something is left. Call it before each checkpoint.
    ///
    /// # Errors
    /// What the system said; then the whole file is looked through again.
    pub fn look(&mut self) -> io::Result<()> {
        if !std::mem::take(&mut self.moved) {
            return Ok(());
        }
        let looked = self.look_at_log();
        if looked.is_err() {
            self.scan = Some(2);
        }
        looked
    }

    fn look_at_log(&mut self) -> io::Result<()> {
        let mut log = match File::open(&self.log) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
            opened => BufReader::with_capacity(1 << 18, opened?),
        };
        let mut header = [0; LOG_HEADER];
        if !whole(log.read_exact(&mut header))? {
            return Ok(());
        }
        let mut frame = vec![0; FRAME_HEADER + self.page_bytes];
        // Frames of an earlier round of the log have other salts. A frame that was never committed costs a look.
        while whole(log.read_exact(&mut frame))? && frame[8..16] == header[16..24] {
            let number = u32::from_be_bytes([frame[0], frame[1], frame[2], frame[3]]);
            if 1 < number && is_soiled(&frame[FRAME_HEADER..]) {
                self.soiled.insert(number);
            }
        }
        Ok(())
    }

    /// Wipes the noted pages, and looks through a further part of the file after a start. Only while a transaction of
    /// ours keeps others from writing and the log is empty: then the file is what SQLite reads. Answers how many pages
    /// were wiped; if any, SQLite must forget its copies of them.
    ///
    /// # Errors
    /// What the system said: the pages stay noted.
    pub fn wipe(&mut self) -> io::Result<u64> {
        if std::fs::metadata(&self.log).is_ok_and(|log| 0 < log.len()) {
            return Ok(0);
        }
        let page_bytes = self.page_bytes as u64;
        let pages = u32::try_from(self.db.metadata()?.len() / page_bytes).unwrap_or(u32::MAX);
        if PAGES_MAX <= pages {
            return Ok(0);
        }
        if let Some(from) = self.scan {
            let to = from.saturating_add(SCANNED_PAGES).min(pages.saturating_add(1));
            self.soiled.extend(from..to);
            self.scan = (to <= pages).then_some(to);
        }
        let mut page = vec![0; self.page_bytes];
        let mut wiped = 0;
        for number in &self.soiled {
            let at = u64::from(number - 1) * page_bytes;
            if pages < *number {
                continue;
            }
            self.db.read_exact_at(&mut page, at)?;
            if !is_soiled(&page) {
                continue;
            }
            if let Some(range) = unused(&page) {
                let begin = at + range.start as u64;
                // Only bytes that mean nothing to SQLite are written: a torn write costs nothing.
                self.db.write_all_at(&vec![0; range.len()], begin)?;
                wiped += 1;
            }
        }
        if 0 < wiped {
            self.db.sync_data()?;
        }
        self.soiled.clear();
        Ok(wiped)
    }

    /// Whether pages are still to be looked at.
    #[must_use]
    pub fn is_behind(&self) -> bool {
        self.scan.is_some() || !self.soiled.is_empty()
    }
}

/// False if the file ended before.
fn whole(read: io::Result<()>) -> io::Result<bool> {
    match read {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}
