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
    /// Where the look for unused stamps goes on, by number.
    looked_up_to: i64,
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

impl KnownStamps {
    /// Deletes stamps whose span has no event any more, looking at a slice of them at a time and beginning anew behind
    /// the last: a read that a hold keeps for a year keeps the stamps of its own span, and no others.
    pub(super) fn forget_unused(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        let slice: Vec<(i64, i64)> = conn
            .prepare_cached("SELECT number, span FROM stamps WHERE number > ? ORDER BY number LIMIT ?")?
            .query_map([self.looked_up_to, SLICE], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        let mut used: HashMap<i64, bool> = HashMap::new();
        for (number, span) in &slice {
            let is_used = if let Some(known) = used.get(span) {
                *known
            } else {
                let (first, size) = (span.saturating_mul(signed(SPAN)), signed(SPAN));
                let is_used = conn
                    .prepare_cached("SELECT EXISTS (SELECT 1 FROM events WHERE sequence >= ? AND sequence < ?)")?
                    .query_row([first, first.saturating_add(size)], |row| row.get(0))?;
                used.insert(*span, is_used);
                is_used
            };
            if !is_used {
                conn.prepare_cached("DELETE FROM stamps WHERE number = ?")?.execute([number])?;
            }
        }
        if used.get(&signed(self.span)) == Some(&false) {
            // The next read of this span must not name a stamp that is gone.
            self.numbers.clear();
        }
        let is_last = i64::try_from(slice.len()).is_ok_and(|seen| seen < SLICE);
        self.looked_up_to = if is_last { 0 } else { slice.last().map_or(0, |(number, _)| *number) };
        Ok(())
    }
}
