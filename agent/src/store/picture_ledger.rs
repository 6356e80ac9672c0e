//! The account of picture files: what became of each that was accepted with a read. Sums stand beside the rows, as
//! those of events do; a file that never goes although the receiver has its read is told in a ledger event.

use super::books::{number, signed};
use super::db::Db;
use super::images::{DUE, REFUSED, SENT, WITH_ITS_READ};
use pintle_core::moment::Moment;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{Never, PictureCounts};
use pintle_core::wire::ledger::LedgerWhat;
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

/// `images.state`: the way to the receiver carries no pictures.
const NOT_CARRIED: i64 = 4;
/// `images.state`: the file was gone or cut on this trailer.
const LOST: i64 = 5;
/// Rows that one call tells as not carried (our own limit: a millisecond of the store).
const NOT_CARRIED_SLICE: u64 = 1000;

/// What is known of the account, and what of it is still to be told in the running transaction.
#[derive(Default)]
pub(super) struct PictureBooks {
    pub(super) counts: PictureCounts,
    untold: BTreeMap<Never, RangeSet>,
}

/// The state of a row whose file never goes.
pub(super) fn state_of(never: Never) -> i64 {
    match never {
        Never::NotCarried => NOT_CARRIED,
        Never::Lost => LOST,
        Never::Expired | Never::Evicted | Never::Refused => REFUSED,
    }
}

/// What becomes of the files of a read that goes.
#[derive(Clone, Copy)]
pub(super) enum Gone {
    /// Those that were not sent never will be; told if the receiver knows of them.
    Never { why: Never, told: bool },
    /// The read is queued anew, and its files with it.
    Anew,
}

impl PictureBooks {
    pub(super) fn read(conn: &Connection) -> rusqlite::Result<Self> {
        let counts = conn.query_row(
            "SELECT kept, sent, expired, evicted, refused, not_carried, lost FROM picture_ledger",
            [],
            |row| {
                Ok(PictureCounts {
                    kept: number(row, 0)?,
                    sent: number(row, 1)?,
                    expired: number(row, 2)?,
                    evicted: number(row, 3)?,
                    refused: number(row, 4)?,
                    not_carried: number(row, 5)?,
                    lost: number(row, 6)?,
                })
            },
        )?;
        Ok(Self { counts, untold: BTreeMap::new() })
    }

    /// Writes the sums into the running transaction.
    pub(super) fn write(&self, conn: &Connection) -> rusqlite::Result<()> {
        let PictureCounts { kept, sent, expired, evicted, refused, not_carried, lost } = self.counts;
        conn.prepare_cached(
            "UPDATE picture_ledger SET kept = ?1, sent = ?2, expired = ?3, evicted = ?4, refused = ?5, not_carried = ?6, \
             lost = ?7 WHERE (kept, sent, expired, evicted, refused, not_carried, lost) <> (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            signed(kept),
            signed(sent),
            signed(expired),
            signed(evicted),
            signed(refused),
            signed(not_carried),
            signed(lost)
        ])?;
        Ok(())
    }

    /// A file of this read never goes.
    pub(super) fn never(&mut self, sequence: u64, why: Never, told: bool) {
        *self.counts.of_mut(why) += 1;
        if told {
            self.untold.entry(why).or_default().insert(sequence);
        }
    }

    /// A file of a read went, or its row did.
    pub(super) fn gone(&mut self, sequence: u64, state: i64, became: Gone) {
        match (state, became) {
            (WITH_ITS_READ | DUE, Gone::Never { why, told }) => self.never(sequence, why, told),
            (WITH_ITS_READ | DUE, Gone::Anew) => self.counts.kept = self.counts.kept.saturating_sub(1),
            (SENT, Gone::Anew) => {
                self.counts.kept = self.counts.kept.saturating_sub(1);
                self.counts.sent = self.counts.sent.saturating_sub(1);
            }
            _ => {}
        }
    }
}

impl Db {
    /// Writes the sums of events and of pictures into the running transaction.
    pub(super) fn write_sums(&self, now: &Moment) -> rusqlite::Result<()> {
        self.books.write(&self.conn, now)?;
        self.images.books.write(&self.conn)
    }

    /// Queues the ledger events about files that never go.
    pub(super) fn tell_pictures(&mut self, now: &Moment) -> rusqlite::Result<()> {
        for (why, reads) in std::mem::take(&mut self.images.books.untold) {
            let (what, reason) = match why {
                Never::Expired => (
                    LedgerWhat::PicturesExpired,
                    "pictures of these reads went at the age limit before their turn came",
                ),
                Never::Evicted => (LedgerWhat::PicturesEvicted, "the disk was full; pictures went before reads"),
                Never::Refused => (LedgerWhat::PicturesRefused, "the receiver does not take pictures of these reads"),
                Never::NotCarried => (
                    LedgerWhat::PicturesNotCarried,
                    "the way to this receiver carries no pictures; they stay until their age limit",
                ),
                Never::Lost => (LedgerWhat::PicturesLost, "files of pictures were gone or cut on the trailer's disk"),
            };
            self.tell_ledger(what, &reads, None, reason, now)?;
            self.sums_changed = true;
        }
        Ok(())
    }

    /// What waits for its turn will not go: the way carries no pictures. A slice at a time; answers how many.
    pub(super) fn not_carried(&mut self) -> rusqlite::Result<u64> {
        if !self.images.any {
            return Ok(0);
        }
        let mut found = self.conn.prepare_cached("SELECT sequence, part FROM images WHERE state = 1 LIMIT ?")?;
        let rows = found.query_map([signed(NOT_CARRIED_SLICE)], |row| Ok((number(row, 0)?, number(row, 1)?)))?;
        let rows: Vec<(u64, u64)> = rows.collect::<rusqlite::Result<_>>()?;
        drop(found);
        for (sequence, part) in &rows {
            self.conn.prepare_cached("UPDATE images SET state = ? WHERE sequence = ? AND part = ?")?.execute([
                NOT_CARRIED,
                signed(*sequence),
                signed(*part),
            ])?;
            self.images.books.never(*sequence, Never::NotCarried, true);
        }
        self.sums_changed |= !rows.is_empty();
        Ok(rows.len() as u64)
    }
}
