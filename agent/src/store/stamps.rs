//! Stamps are shared: while the trailer stands, the reads of a camera have a handful of different stamps, and a stamp
//! of 330 bytes in each row of 1,000 would cost a third of the disk and of the writing.

use super::books::signed;
use rusqlite::{Connection, params};
use std::collections::HashMap;

/// A stamp is shared by reads of the same so many sequences, so that it can be deleted when the last of them goes.
const SPAN: u64 = 10_000;

/// So many stamps of the current span are known by heart (our own limit, about 400 kB).
const KNOWN_MAX: usize = 1024;

/// At most so many stamps are looked at for deletion in one transaction.
const SLICE: i64 = 500;

/// The stamps of the newest span that were written since the file was opened.
#[derive(Default)]
pub(super) struct KnownStamps {
    span: u64,
    numbers: HashMap<Vec<u8>, i64>,
}

impl KnownStamps {
    /// The number of `stamp` for the event `sequence`; writes it if need be, inside the running transaction.
    pub(super) fn number(&mut self, conn: &Connection, sequence: u64, stamp: &[u8]) -> rusqlite::Result<i64> {
        let span = sequence / SPAN;
        if span != self.span || KNOWN_MAX <= self.numbers.len() {
            self.numbers.clear();
            self.span = span;
        }
        if let Some(number) = self.numbers.get(stamp) {
            return Ok(*number);
        }
        conn.prepare_cached("INSERT INTO stamps (span, stamp) VALUES (?, ?)")?.execute(params![signed(span), stamp])?;
        let number = conn.last_insert_rowid();
        self.numbers.insert(stamp.to_vec(), number);
        Ok(number)
    }
}

/// Deletes stamps, oldest first, whose span has no event any more.
pub(super) fn forget_unused(conn: &Connection) -> rusqlite::Result<()> {
    let lowest: Option<i64> =
        conn.prepare_cached("SELECT min(sequence) FROM events")?.query_row([], |row| row.get(0))?;
    let span = lowest.map_or(i64::MAX, |sequence| sequence / signed(SPAN));
    conn.prepare_cached(
        "DELETE FROM stamps WHERE number IN (SELECT number FROM stamps ORDER BY number LIMIT ?) AND span < ?",
    )?
    .execute([SLICE, span])?;
    Ok(())
}
