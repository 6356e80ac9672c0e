//! What the store knows by heart of its file: built from it at the start, and built anew after any failure.

use super::blocks::Blocks;
use super::disk::boot_id;
use super::schema::{DELIVERED, LEAF_ONLY, REFUSED, SENT};
use aws_lc_rs::hmac;
use pintle_core::ids::EventId;
use pintle_core::moment::Moment;
use pintle_core::queue::lived::{Lived, LivedMark};
use pintle_core::queue::order::Order;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, LedgerCounts};
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeSet;

/// Keys of the table `kept` that are the store's own; no caller's key begins with a dot.
pub(super) const GENERATION: &str = ".generation";
pub(super) const ID_KEY: &str = ".id_key";

/// Rows are counted one by one at the start up to this many, to prove that they are as many as the books say; counting
/// more would hold up the start.
const COUNTED_ROWS_MAX: u64 = 200_000;

pub(super) struct Books {
    /// RFC 9562 form.
    pub(super) generation: String,
    pub(super) id_key: [u8; 32],
    hash_key: hmac::Key,
    /// The highest sequence ever given in this generation.
    pub(super) accepted: u64,
    /// Delivered and refused events that are still kept.
    pub(super) settled: u64,
    pub(super) delivered: u64,
    pub(super) expired: u64,
    pub(super) evicted: u64,
    pub(super) refused: u64,
    /// Sequences whose rows were deleted.
    pub(super) gone: RangeSet,
    /// Sequences that never wait again: delivered, refused or gone.
    pub(super) done: RangeSet,
    /// Places of events that go out under numbers of an earlier generation: they have no leaf in a block of this one.
    pub(super) carried: RangeSet,
    pub(super) blocks: Blocks,
    pub(super) order: Order,
    pub(super) lived: Lived,
    /// Events without a receipt that were sent: the receiver may have them.
    pub(super) sent: RangeSet,
    /// Of those, the ones whose bytes were fixed by a lease that is still out: only they can be known not to have left.
    pub(super) fixed_by_lease: RangeSet,
    /// The newest urgent track point: of those that wait only it is urgent, the older ones go with the backlog.
    pub(super) newest_track: Option<u64>,
    /// Whether the table `past` has rows.
    pub(super) past: bool,
    /// Of each lane (bulk, urgent) no event up to here that has no receipt can ever expire.
    pub(super) never_up_to: [u64; 2],
    /// Whether anything is left to come over from a file set aside: until then nothing that is not named here may be
    /// taken for an orphan, be it a picture or a key.
    pub(super) rest: bool,
    /// Where the sweep over `settled` goes on.
    pub(super) swept: u64,
    /// Rows that the books expect and the file does not have.
    pub(super) missing_rows: u64,
}

impl Books {
    pub(super) fn read(conn: &Connection, now: &Moment) -> rusqlite::Result<Self> {
        let generation = String::from_utf8_lossy(&secret(conn, GENERATION, |b| {
            uuid::Builder::from_random_bytes(*b).into_uuid().to_string().into_bytes()
        })?)
        .into_owned();
        let mut id_key = [0; 32];
        let kept = secret::<32>(conn, ID_KEY, |b| b.to_vec())?;
        if kept.len() == id_key.len() {
            id_key.copy_from_slice(&kept);
        }
        let (delivered, expired, evicted, refused, mark) =
            conn.query_row("SELECT delivered, expired, evicted, refused, lived FROM ledger", [], |row| {
                Ok((
                    number(row, 0)?,
                    number(row, 1)?,
                    number(row, 2)?,
                    number(row, 3)?,
                    row.get::<_, Option<Vec<u8>>>(4)?,
                ))
            })?;
        let mut gone = RangeSet::default();
        let mut rows = conn.prepare("SELECT first, last FROM gone")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            gone.insert_run(number(row, 0)?, number(row, 1)?);
        }
        let (mut settled, mut sent) = (RangeSet::default(), RangeSet::default());
        let mut rows = conn.prepare("SELECT sequence, result FROM settled ORDER BY sequence")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            match row.get(1)? {
                SENT => sent.insert(number(row, 0)?),
                LEAF_ONLY => false,
                _ => settled.insert(number(row, 0)?),
            };
        }
        let mut urgent = BTreeSet::new();
        let mut newest_track: Option<u64> = None;
        let mut rows = conn.prepare("SELECT sequence, kind FROM events WHERE urgent = 1 ORDER BY sequence")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            let sequence = number(row, 0)?;
            urgent.insert(sequence);
            if row.get::<_, u8>(1)? == EventKind::Track.code()
                && let Some(older) = newest_track.replace(sequence)
            {
                urgent.remove(&older);
            }
        }
        urgent.retain(|sequence| !settled.contains(*sequence));
        let newest = conn
            .query_row("SELECT sequence, born FROM events ORDER BY sequence DESC LIMIT 1", [], |row| {
                Ok((number(row, 0)?, row.get::<_, i64>(1)?))
            })
            .optional()?;
        let accepted = newest.map_or(0, |(n, _)| n).max(gone.runs().last().map_or(0, |(_, last)| last));
        let in_file = accepted - gone.len();
        let missing_rows = if in_file <= COUNTED_ROWS_MAX {
            in_file.abs_diff(conn.query_row("SELECT count(*) FROM events", [], |row| number(row, 0))?)
        } else {
            0
        };
        let mark = mark.as_deref().and_then(LivedMark::from_bytes);
        let lived = Lived::resume(mark.as_ref(), newest.map_or(0, |(_, born)| born), boot_id(), now);
        let past = conn.query_row("SELECT EXISTS (SELECT 1 FROM past)", [], |row| row.get(0))?;
        let mut carried = RangeSet::default();
        let mut rows = conn.prepare("SELECT sequence FROM carried")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            carried.insert(number(row, 0)?);
        }
        let settled_rows = settled.len();
        for (first, last) in gone.runs() {
            settled.insert_run(first, last);
        }
        let done = settled.clone();
        Ok(Self {
            hash_key: hmac::Key::new(hmac::HMAC_SHA256, &id_key),
            generation,
            id_key,
            accepted,
            settled: settled_rows,
            delivered,
            expired,
            evicted,
            refused,
            order: Order::new(accepted, settled, urgent),
            gone,
            done,
            carried,
            blocks: Blocks::read(conn)?,
            lived,
            sent,
            fixed_by_lease: RangeSet::default(),
            newest_track,
            past,
            never_up_to: [0; 2],
            rest: has_rest(conn)?,
            swept: 0,
            missing_rows,
        })
    }

    /// The ledger. `waiting` is counted from the rows, the other accounts from the sums kept beside them, so that
    /// `not_accounted` is a real check.
    pub(super) fn counts(&self) -> LedgerCounts {
        LedgerCounts {
            accepted: self.accepted,
            waiting: self.accepted.saturating_sub(self.gone.len()).saturating_sub(self.settled),
            delivered: self.delivered,
            expired: self.expired,
            evicted: self.evicted,
            refused: self.refused,
        }
    }

    /// Writes the sums and the age into the running transaction.
    pub(super) fn write(&self, conn: &Connection, now: &Moment) -> rusqlite::Result<()> {
        conn.prepare_cached("UPDATE ledger SET delivered = ?, expired = ?, evicted = ?, refused = ?, lived = ?")?
            .execute(params![
                signed(self.delivered),
                signed(self.expired),
                signed(self.evicted),
                signed(self.refused),
                self.lived.mark(now.mono).to_bytes()
            ])?;
        Ok(())
    }

    /// The key of ids of an earlier file, so that a read without an id gets the same one again.
    pub(super) fn adopt_id_key(&mut self, key: [u8; 32]) {
        self.id_key = key;
        self.hash_key = hmac::Key::new(hmac::HMAC_SHA256, &key);
    }

    /// What is remembered of a read that goes: a key that leads back to no id, and a tag of its body. The first six
    /// bytes stay as they are, since in time-ordered ids they are a time; new ids then fall beside each other.
    pub(super) fn past_key(&self, id: &EventId) -> [u8; 16] {
        let mut key = id.0;
        key[6..].copy_from_slice(&hmac::sign(&self.hash_key, &id.0).as_ref()[..10]);
        key
    }

    /// Tells one body from another after it went.
    pub(super) fn body_tag(&self, body: &[u8]) -> [u8; 8] {
        let mut tag = [0; 8];
        tag.copy_from_slice(&hmac::sign(&self.hash_key, body).as_ref()[..8]);
        tag
    }

    /// What became of a settled event, as the file says it.
    pub(super) fn settle(&mut self, sequence: u64, result: i64) {
        match result {
            DELIVERED => self.delivered += 1,
            REFUSED => self.refused += 1,
            _ => unreachable!("no other result is written"),
        }
        self.settled += 1;
        self.sent.remove(sequence);
        self.done.insert(sequence);
        self.blocks.touch(sequence);
        self.order.settle(sequence);
    }
}

/// Whether anything is left to come over from a file set aside.
pub(super) fn has_rest(conn: &Connection) -> rusqlite::Result<bool> {
    let sql = "SELECT EXISTS (SELECT 1 FROM kept WHERE key >= '.rest.' AND key < '.rest/')";
    conn.query_row(sql, [], |row| row.get(0))
}

/// A column that holds a count or a sequence.
pub(super) fn number(row: &rusqlite::Row<'_>, at: usize) -> rusqlite::Result<u64> {
    let value: i64 = row.get(at)?;
    u64::try_from(value).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(at, value))
}

/// A count or sequence as SQLite keeps it. 2^63 is never reached: at 100,000 events a second it lasts 2.9 million
/// years.
pub(super) fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

/// A value that is made once from random bytes and then kept.
fn secret<const N: usize>(
    conn: &Connection,
    key: &str,
    make: impl Fn(&[u8; N]) -> Vec<u8>,
) -> rusqlite::Result<Vec<u8>> {
    if let Some(value) = conn.query_row("SELECT value FROM kept WHERE key = ?", [key], |row| row.get(0)).optional()? {
        return Ok(value);
    }
    let mut bytes = [0; N];
    assert!(aws_lc_rs::rand::fill(&mut bytes).is_ok(), "the system must give random bytes");
    let value = make(&bytes);
    conn.execute("INSERT INTO kept VALUES (?, ?)", params![key, value])?;
    Ok(value)
}
