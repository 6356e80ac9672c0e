//! Blocks of events: closes a block once nothing in it waits, tells its count and root, and sends once more what the
//! receiver says it has not got (decision 0015).

use super::books::{number, signed};
use super::db::Db;
use crate::proof;
use pintle_core::moment::Moment;
use pintle_core::queue::EventKind;
use pintle_core::queue::blocks::{HASH_BYTES, Leaf, block_of, first_of, last_of, to_hex};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::retention::Limits;
use pintle_core::wire::digest::{BlockBody, DigestBody, VERSION};
use pintle_core::wire::ledger::{LedgerWhat, SequenceRange};
use pintle_core::wire::receipt::Resend;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::{BTreeMap, BTreeSet};

/// A block is sent again at most so many times because the receiver found it different (our own limit): a receiver
/// whose root never fits must not cost the link for ever. The difference stays named on both sides.
const ROUNDS_MAX: u64 = 5;

/// At most so many events are on the list to go once more (our own limit); a receiver that wants more asks again.
const AGAIN_MAX: usize = 20_000;

/// Blocks that are not full are told in part after this at the latest, ms (our own limit: well within a day, so that
/// what the receiver lost can still be sent again).
const PART_MS_MAX: i64 = 6 * 3_600_000;

/// What is known by heart of the blocks.
#[derive(Default)]
pub(super) struct Blocks {
    /// Numbers of full blocks that were told, plus one (a set of sequences begins at 1).
    closed: RangeSet,
    /// Blocks in which something was settled or deleted since the last look.
    touched: BTreeSet<u64>,
    /// Blocks that the receiver found different and whose events go once more.
    again: BTreeSet<u64>,
    /// How often each block was asked for since the start, for those that were never told.
    asked: BTreeMap<u64, u64>,
    /// The store's age at which open blocks were last told in part, ms.
    parts_at: Option<i64>,
}

impl Blocks {
    pub(super) fn read(conn: &Connection) -> rusqlite::Result<Self> {
        let mut blocks = Self::default();
        let mut rows = conn.prepare("SELECT first, last, again FROM blocks")?;
        let mut rows = rows.query([])?;
        while let Some(row) = rows.next()? {
            let block = block_of(number(row, 0)?);
            if number(row, 1)? == last_of(block) {
                blocks.closed.insert(block + 1);
            }
            if row.get(2)? {
                // What was asked for before the start is forgotten; the receiver compares anew and asks again.
                blocks.again.insert(block);
                blocks.touched.insert(block);
            }
        }
        Ok(blocks)
    }

    /// Something of this event's block has changed.
    pub(super) fn touch(&mut self, sequence: u64) {
        self.touched.insert(block_of(sequence));
    }

    /// Whether the root of the event's block is still to be made.
    pub(super) fn is_open(&self, sequence: u64) -> bool {
        !self.closed.contains(block_of(sequence) + 1)
    }
}

/// A block as it stands in the file.
struct Told {
    body: BlockBody,
    root: [u8; HASH_BYTES],
}

impl Db {
    /// Closes the blocks that have just become complete and tells those whose second sending is over. Inside the
    /// running transaction.
    pub(super) fn tell_blocks(&mut self, now: &Moment) -> rusqlite::Result<()> {
        let touched = std::mem::take(&mut self.books.blocks.touched);
        let mut told = Vec::new();
        for block in touched {
            let (first, last) = (first_of(block), last_of(block));
            let sent_again = self.books.blocks.again.contains(&block) && !self.books.order.is_again_within(first, last);
            if sent_again {
                self.conn.prepare_cached("UPDATE blocks SET again = 0 WHERE first = ?")?.execute([signed(first)])?;
                self.books.blocks.again.remove(&block);
            }
            if self.books.blocks.closed.contains(block + 1) {
                if sent_again {
                    told.extend(self.told_block(block)?);
                }
            } else if self.books.done.run_of(first).is_some_and(|(_, end)| last <= end) {
                let full = self.block(first, last)?;
                self.write_block(&full)?;
                // Its root stands; the leaves of what went already have done their work.
                self.conn
                    .prepare_cached("DELETE FROM settled WHERE sequence BETWEEN ? AND ? AND result = 3")?
                    .execute([signed(first), signed(last)])?;
                self.books.blocks.closed.insert(block + 1);
                told.push(full.body);
            } else if sent_again {
                let part = self.block(first, last.min(self.books.accepted))?;
                self.write_block(&part)?;
                told.push(part.body);
            }
        }
        self.put_digest(told, now)
    }

    /// Now and then tells blocks that are not full, so that a quiet trailer's events are compared while they are kept.
    pub(super) fn tell_open_blocks(&mut self, limits: &Limits, now: &Moment) -> rusqlite::Result<()> {
        let lived_ms = self.books.lived.at(now.mono);
        let every_ms = i64::try_from(limits.delivered_ms.min(limits.hit_delivered_ms) / 4).unwrap_or(i64::MAX);
        if self.books.blocks.parts_at.is_some_and(|at| lived_ms < at.saturating_add(every_ms.min(PART_MS_MAX))) {
            return Ok(());
        }
        self.books.blocks.parts_at = Some(lived_ms);
        let accepted = self.books.accepted;
        let mut told = Vec::new();
        for block in 0..=block_of(accepted) {
            if accepted < first_of(block) || self.books.blocks.closed.contains(block + 1) {
                continue;
            }
            let (first, last) = (first_of(block), last_of(block).min(accepted));
            if !self.has_news(first, last)? {
                continue;
            }
            let part = self.block(first, last)?;
            self.write_block(&part)?;
            told.push(part.body);
            if PARTS_MAX <= told.len() {
                break;
            }
        }
        self.put_digest(told, now)
    }

    /// Puts delivered events of this generation on the list to go once more, as far as they are still kept. What went
    /// at its age limit after its receipt can't: the ledger tells it.
    pub(super) fn resend(&mut self, asked: &[Resend], now: &Moment) -> rusqlite::Result<u64> {
        let (mut listed, mut purged) = (0, RangeSet::default());
        let mut rounds: BTreeMap<u64, bool> = BTreeMap::new();
        for wish in asked {
            if wish.generation != self.books.generation {
                continue;
            }
            let (from, to) = (wish.from.max(1), wish.to.min(self.books.accepted));
            if to < from {
                continue;
            }
            for block in block_of(from)..=block_of(to) {
                if AGAIN_MAX <= self.books.order.again_left() {
                    break;
                }
                let (first, last) = (first_of(block).max(from), last_of(block).min(to));
                let allowed = match rounds.get(&block) {
                    Some(allowed) => *allowed,
                    None => *rounds.entry(block).or_insert(self.next_round(block)?),
                };
                if !allowed {
                    continue;
                }
                let mut kept = RangeSet::default();
                let mut rows = self
                    .conn
                    .prepare_cached("SELECT sequence FROM settled WHERE sequence BETWEEN ? AND ? AND result = 1")?;
                let mut rows = rows.query([signed(first), signed(last)])?;
                while let Some(row) = rows.next()? {
                    let sequence = number(row, 0)?;
                    kept.insert(sequence);
                    listed += u64::from(self.books.order.ask_again(sequence));
                }
                self.books.blocks.again.insert(block);
                self.books.blocks.touched.insert(block);
                self.conn
                    .prepare_cached("UPDATE blocks SET again = 1 WHERE first = ?")?
                    .execute([signed(first_of(block))])?;
                for (f, l) in self.gone_after_receipt(block, first, last)?.without(&kept).runs() {
                    purged.insert_run(f, l);
                }
            }
        }
        if !purged.is_empty() {
            let reason = "the receiver asked for them after they had gone at their age limit, with its receipt";
            self.tell_ledger(LedgerWhat::Purged, &purged, None, reason, now)?;
        }
        if 0 < listed {
            self.brought_bulk = true;
        }
        self.tell_blocks(now)?;
        Ok(listed)
    }

    /// An event came back that was settled before: sent once more, or gone at its age limit meanwhile.
    pub(super) fn settled_again(&mut self, sequence: u64, leaf: Option<&Leaf>) -> rusqlite::Result<()> {
        self.books.order.settle(sequence);
        self.books.blocks.touch(sequence);
        if let Some(leaf) = leaf
            && !self.books.carried.contains(sequence)
        {
            // An event of before there were leaves gets its own now.
            self.conn
                .prepare_cached("UPDATE settled SET leaf = ? WHERE sequence = ? AND result = 1 AND leaf IS NULL")?
                .execute(params![leaf, signed(sequence)])?;
        }
        Ok(())
    }

    /// Sequences of a block that were delivered and have gone since.
    fn gone_after_receipt(&self, block: u64, first: u64, last: u64) -> rusqlite::Result<RangeSet> {
        let mut delivered = RangeSet::default();
        if let Some(body) = self.told_block(block)? {
            let mut without = RangeSet::default();
            for run in &body.not {
                without.insert_run(run.from, run.to);
            }
            delivered = without.gaps(first, last.min(body.last));
        }
        let mut rows =
            self.conn.prepare_cached("SELECT sequence FROM settled WHERE sequence BETWEEN ? AND ? AND result = 3")?;
        let mut rows = rows.query([signed(first), signed(last)])?;
        while let Some(row) = rows.next()? {
            delivered.insert(number(row, 0)?);
        }
        Ok(delivered.without(&self.books.gone.gaps(first, last)))
    }

    /// Counts one more round of a block; false if it had too many.
    fn next_round(&mut self, block: u64) -> rusqlite::Result<bool> {
        let rounds: Option<i64> = self
            .conn
            .prepare_cached("UPDATE blocks SET rounds = rounds + 1 WHERE first = ? RETURNING rounds")?
            .query_row([signed(first_of(block))], |row| row.get(0))
            .optional()?;
        let rounds = if let Some(rounds) = rounds {
            u64::try_from(rounds).unwrap_or(u64::MAX)
        } else {
            let asked = self.books.blocks.asked.entry(block).or_default();
            *asked += 1;
            *asked
        };
        if rounds == ROUNDS_MAX + 1 {
            tracing::error!(
                block.first = first_of(block),
                "a block differs at the receiver after {ROUNDS_MAX} rounds; it is not sent again"
            );
        }
        Ok(rounds <= ROUNDS_MAX)
    }

    /// Counts and hashes what has a leaf.
    fn block(&self, first: u64, last: u64) -> rusqlite::Result<Told> {
        let mut leaves: Vec<(u64, Leaf)> = Vec::new();
        let mut rows = self.conn.prepare_cached(
            "SELECT sequence, leaf FROM settled WHERE sequence BETWEEN ? AND ? AND leaf IS NOT NULL ORDER BY sequence",
        )?;
        let mut rows = rows.query([signed(first), signed(last)])?;
        while let Some(row) = rows.next()? {
            leaves.push((number(row, 0)?, row.get(1)?));
        }
        let with: RangeSet = leaves.iter().map(|(sequence, _)| *sequence).collect();
        let root = proof::root(&self.books.generation, &leaves);
        let not = with.gaps(first, last).runs().map(|(from, to)| SequenceRange { from, to }).collect();
        Ok(Told { body: BlockBody { first, last, count: with.len(), root: to_hex(&root), not }, root })
    }

    /// Whether an event was delivered that was not in the block when it was told last. Digests are no news: else each
    /// of them would have to be told by the next.
    fn has_news(&self, first: u64, last: u64) -> rusqlite::Result<bool> {
        let told: Option<(u64, String)> = self
            .conn
            .prepare_cached("SELECT last, without FROM blocks WHERE first = ?")?
            .query_row([signed(first)], |row| Ok((number(row, 0)?, row.get(1)?)))
            .optional()?;
        let mut with = RangeSet::default();
        if let Some((told_last, without)) = told {
            let without: Vec<SequenceRange> = serde_json::from_str(&without).unwrap_or_default();
            let mut not = RangeSet::default();
            for run in without {
                not.insert_run(run.from, run.to);
            }
            with = not.gaps(first, told_last);
        }
        let mut rows = self.conn.prepare_cached(
            "SELECT s.sequence FROM settled s LEFT JOIN events e ON e.sequence = s.sequence \
             WHERE s.sequence BETWEEN ? AND ? AND s.leaf IS NOT NULL AND e.kind IS NOT ?",
        )?;
        let mut rows = rows.query(params![signed(first), signed(last), EventKind::Digest.code()])?;
        while let Some(row) = rows.next()? {
            if !with.contains(number(row, 0)?) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn write_block(&self, told: &Told) -> rusqlite::Result<()> {
        let without = serde_json::to_string(&told.body.not)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        self.conn
            .prepare_cached(
                "INSERT INTO blocks (first, last, count, root, without, rounds, again) VALUES (?, ?, ?, ?, ?, 0, 0) \
                 ON CONFLICT (first) DO UPDATE SET last = excluded.last, count = excluded.count, root = excluded.root, \
                 without = excluded.without, \
                 rounds = iif(last < excluded.last, 0, rounds)",
            )?
            .execute(params![
                signed(told.body.first),
                signed(told.body.last),
                signed(told.body.count),
                told.root,
                without
            ])?;
        Ok(())
    }

    /// A block as it was told last.
    fn told_block(&self, block: u64) -> rusqlite::Result<Option<BlockBody>> {
        let row = self
            .conn
            .prepare_cached("SELECT last, count, root, without FROM blocks WHERE first = ?")?
            .query_row([signed(first_of(block))], |row| {
                Ok((number(row, 0)?, number(row, 1)?, row.get::<_, Vec<u8>>(2)?, row.get::<_, String>(3)?))
            })
            .optional()?;
        Ok(row.map(|(last, count, root, without)| BlockBody {
            first: first_of(block),
            last,
            count,
            root: to_hex(&root),
            not: serde_json::from_str(&without).unwrap_or_default(),
        }))
    }

    fn put_digest(&mut self, blocks: Vec<BlockBody>, now: &Moment) -> rusqlite::Result<()> {
        let blocks: Vec<BlockBody> = blocks.into_iter().filter(|block| 0 < block.count).collect();
        if blocks.is_empty() {
            return Ok(());
        }
        let body = DigestBody { v: VERSION, generation: self.books.generation.clone(), blocks };
        let body = serde_json::to_vec(&body).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        self.put_own(EventKind::Digest, body, now)
    }
}

/// Blocks in one telling of open ones (our own limit).
const PARTS_MAX: usize = 100;
