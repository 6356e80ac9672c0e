//! After a failed sync: does the database on the disk really have what the log has?
//!
//! A disk that ran out of room below the file system answers a sync with an error a few times and then with success,
//! and the data are gone (source: fault 41; our own test has seen it at the fifth try). So the pages of the log are
//! compared with those of the database, both read from the disk, before the log may ever be used again from its start.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Layout of the log. Source: the SQLite file format, section 4, "The Write-Ahead Log".
const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
const MAGIC: u32 = 0x377f_0682;

/// Compares the newest committed frame of each page with the database; only while no connection is open. Answers how
/// many pages differ.
pub(super) fn pages_that_differ(db: &Path, log: &Path) -> std::io::Result<u64> {
    let (page_size, newest) = match File::open(log) {
        Ok(file) => newest_frames(&mut BufReader::with_capacity(1 << 20, file))?,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(0),
        Err(error) => return Err(error),
    };
    let (db, log) = (File::open(db)?, File::open(log)?);
    let (mut in_log, mut in_db) = (vec![0; page_size], vec![0; page_size]);
    let mut differ = 0;
    for (page, at) in newest {
        log.read_exact_at(&mut in_log, at)?;
        let place = u64::from(page - 1) * page_size as u64;
        match db.read_exact_at(&mut in_db, place) {
            Ok(()) => differ += u64::from(in_log != in_db),
            Err(error) if error.kind() == ErrorKind::UnexpectedEof => differ += 1,
            Err(error) => return Err(error),
        }
    }
    Ok(differ)
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
        assert_eq!(pages_that_differ(&db, &log).unwrap(), 0, "no log, nothing to compare");
        let conn = Connection::open(&db).unwrap();
        conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
        conn.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE t (x); INSERT INTO t VALUES (randomblob(9000));")
            .unwrap();
        drop(conn);
        // Pages 1 and 2 and the two that the long value needs beside its own; page 1 was written before the log began.
        let before = pages_that_differ(&db, &log).unwrap();
        assert_eq!(before, 4);
        let conn = Connection::open(&db).unwrap();
        conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
        conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).unwrap();
        drop(conn);
        assert_eq!(pages_that_differ(&db, &log).unwrap(), 0);
        let file = std::fs::OpenOptions::new().write(true).open(&db).unwrap();
        file.write_all_at(b"?", 4096 + 100).unwrap();
        assert_eq!(pages_that_differ(&db, &log).unwrap(), 1);
        file.set_len(3 * 4096).unwrap();
        assert_eq!(pages_that_differ(&db, &log).unwrap(), 2);
    }
}
