//! After a failed sync: does the database on the disk really have what the log has?
//!
//! A disk that ran out of room below the file system answers a sync with an error a few times and then with success,
//! and the data are gone (source: fault 41; our own test has seen it at the fifth try). So the pages of the log are
//! compared with those of the database, both read from the disk, before the log may ever be used again from its start.

use nix::fcntl::OFlag;
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::Path;

/// Layout of the log. Source: the SQLite file format, section 4, "The Write-Ahead Log".
const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
const MAGIC: u32 = 0x377f_0682;

/// Compares the newest committed frame of each page with the database; only while no connection writes. Answers how
/// many pages differ.
pub(crate) fn pages_that_differ(db: &mut OnDisk, log: &Path) -> std::io::Result<u64> {
    let mut log = match OnDisk::open(log) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(0),
        Err(error) => return Err(error),
    };
    let (page_size, newest) = newest_frames(&mut log)?;
    // What was read at an earlier look says nothing about now.
    db.held = (0, 0);
    let (mut in_log, mut in_db) = (vec![0; page_size], vec![0; page_size]);
    let mut differ = 0;
    for (page, at) in newest {
        log.at = at;
        log.read_exact(&mut in_log)?;
        db.at = u64::from(page - 1) * page_size as u64;
        match db.read_exact(&mut in_db) {
            Ok(()) => differ += u64::from(in_log != in_db),
            Err(error) if error.kind() == ErrorKind::UnexpectedEof => differ += 1,
            Err(error) => return Err(error),
        }
    }
    Ok(differ)
}

/// For each page in the log where its newest committed data begin in it.
pub(crate) fn newest_in(log: &Path) -> std::io::Result<BTreeMap<u32, u64>> {
    newest_frames(&mut OnDisk::open(log)?).map(|(_, newest)| newest)
}

/// A file as the disk has it. To ask the kernel to forget its copy is not enough: a page that is just being written
/// stays in memory, and reads back as if it were on the disk (our own test has seen it). Direct reads wait for the
/// writing, tell its failure and take nothing from memory.
pub(crate) struct OnDisk {
    file: File,
    /// False where the file system has no direct reads, so that the kernel's copy was read.
    pub(crate) direct: bool,
    /// Where the next read begins.
    at: u64,
    window: Vec<u8>,
    /// Where in `window` the aligned part begins.
    aligned: usize,
    /// Bytes read at once, a multiple of [`Self::ALIGN`].
    room: usize,
    /// What the aligned part holds: first byte of the file, and how many.
    held: (u64, usize),
}

impl OnDisk {
    /// Direct reads begin at multiples of this, in file and memory; source: `open(2)`, no block device has larger
    /// blocks.
    const ALIGN: usize = 4096;
    const WINDOW: usize = 256 * 1024;

    /// Opens it for reading.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn open(path: &Path) -> std::io::Result<Self> {
        Self::with_room(path, Self::WINDOW)
    }

    /// Asks the kernel to forget what it holds of it in memory.
    pub(super) fn forget(&self) {
        super::forget(&self.file);
    }

    /// Reads `room` bytes at once, a multiple of 4096.
    pub(crate) fn with_room(path: &Path, room: usize) -> std::io::Result<Self> {
        let direct = OpenOptions::new().read(true).custom_flags(OFlag::O_DIRECT.bits()).open(path);
        let (file, direct) = match direct {
            Ok(file) => (file, true),
            // A file system without direct reads, such as one in memory, has no other copy to be wrong about.
            Err(error) if error.raw_os_error() == Some(nix::errno::Errno::EINVAL as i32) => (File::open(path)?, false),
            Err(error) => return Err(error),
        };
        let window = vec![0; room + Self::ALIGN];
        let aligned = window.as_ptr().align_offset(Self::ALIGN);
        Ok(Self { file, direct, at: 0, window, aligned, room, held: (0, 0) })
    }

    /// Fills `buffer` from `at` on, with nothing of what was read before.
    pub(crate) fn read_anew(&mut self, at: u64, buffer: &mut [u8]) -> std::io::Result<()> {
        (self.at, self.held) = (at, (0, 0));
        self.read_exact(buffer)
    }
}

impl Read for OnDisk {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let (first, len) = self.held;
        if self.at < first || first + len as u64 <= self.at {
            let first = self.at - self.at % Self::ALIGN as u64;
            let window = &mut self.window[self.aligned..self.aligned + self.room];
            self.held = (first, 0);
            self.held.1 = self.file.read_at(window, first)?;
        }
        let (first, len) = self.held;
        let skip = usize::try_from(self.at - first).unwrap_or(usize::MAX).min(len);
        let take = buffer.len().min(len - skip);
        buffer[..take].copy_from_slice(&self.window[self.aligned + skip..self.aligned + skip + take]);
        self.at += take as u64;
        Ok(take)
    }
}

/// Page size, and for each page where the data of its newest committed frame begin in the log.
fn newest_frames(log: &mut impl Read) -> std::io::Result<(usize, BTreeMap<u32, u64>)> {
    let mut header = [0; HEADER];
    if !fill(log, &mut header)? || number(&header, 0) & !1 != MAGIC {
        return Ok((0, BTreeMap::new()));
    }
    let big = number(&header, 0) & 1 == 1;
    let page_size = number(&header, 8) as usize;
    let mut sum = checksum(big, (0, 0), &header[..24]);
    if sum != (number(&header, 24), number(&header, 28)) || !(512..=65_536).contains(&page_size) {
        return Ok((0, BTreeMap::new()));
    }
    let (mut committed, mut running) = (BTreeMap::new(), BTreeMap::new());
    let mut frame = vec![0; FRAME_HEADER + page_size];
    let mut at = HEADER as u64;
    while fill(log, &mut frame)? {
        sum = checksum(big, checksum(big, sum, &frame[..8]), &frame[FRAME_HEADER..]);
        let page = number(&frame, 0);
        if frame[8..16] != header[16..24] || sum != (number(&frame, 16), number(&frame, 20)) || page == 0 {
            break;
        }
        running.insert(page, at + FRAME_HEADER as u64);
        if number(&frame, 4) != 0 {
            committed.append(&mut running);
        }
        at += frame.len() as u64;
    }
    Ok((page_size, committed))
}

/// False at the end of the log.
fn fill(log: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<bool> {
    match log.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

fn number(bytes: &[u8], at: usize) -> u32 {
    u32::from_be_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

fn checksum(big: bool, (mut a, mut b): (u32, u32), bytes: &[u8]) -> (u32, u32) {
    let word = |w: &[u8]| {
        let w = [w[0], w[1], w[2], w[3]];
        if big { u32::from_be_bytes(w) } else { u32::from_le_bytes(w) }
    };
    for pair in bytes.chunks_exact(8) {
        a = a.wrapping_add(word(&pair[..4])).wrapping_add(b);
        b = b.wrapping_add(word(&pair[4..])).wrapping_add(a);
    }
    (a, b)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use rusqlite::Connection;
    use rusqlite::config::DbConfig;

    #[test]
    fn pages_of_the_log_that_the_database_has_not_got_are_counted() {
        let dir = tempfile::tempdir().unwrap();
        let (db, log) = (dir.path().join("a.db"), dir.path().join("a.db-wal"));
        let differ = || pages_that_differ(&mut OnDisk::open(&db).unwrap(), &log).unwrap();
        File::create(&db).unwrap();
        assert_eq!(differ(), 0, "no log, nothing to compare");
        let conn = Connection::open(&db).unwrap();
        conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
        conn.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE t (x); INSERT INTO t VALUES (randomblob(9000));")
            .unwrap();
        drop(conn);
        // Pages 1 and 2 and the two that the long value needs beside its own; page 1 was written before the log began.
        let before = differ();
        assert_eq!(before, 4);
        let conn = Connection::open(&db).unwrap();
        conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
        conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).unwrap();
        drop(conn);
        assert_eq!(differ(), 0);
        let file = OpenOptions::new().write(true).open(&db).unwrap();
        file.write_all_at(b"?", 4096 + 100).unwrap();
        assert_eq!(differ(), 1);
        file.set_len(3 * 4096).unwrap();
        assert_eq!(differ(), 2);
    }
}
