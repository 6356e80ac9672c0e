//! Deleting what has reached its age limit, a slice at a time.

use super::books::{number, signed};
use super::db::Db;
use super::picture_ledger::Gone;
use super::profiles::LATE;
use super::schema::DELIVERED;
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::retention::{Account, Limits, Room, SLICE_ROWS};
use pintle_core::queue::{EventKind, Lane, Never};
use pintle_core::wire::ledger::LedgerWhat;
use rusqlite::{OptionalExtension, params};

/// Rows of `settled` looked at in one call: a full round over a day's reads takes a few calls.
const SWEPT_ROWS: usize = 20_000;

/// Bytes of pictures that go in one call on a full disk (our own limit).
const PICTURES_SLICE: u64 = 32 << 20;

/// An event whose time has come.
struct Due {
    sequence: u64,
    account: Account,
    hit: bool,
    happened_at: Utc,
    /// True if it goes for want of room and not for its age.
    evicted: bool,
}

/// What decides the age of a stored event.
pub(super) struct Aged {
    kind: EventKind,
    lane: Lane,
    hit: bool,
    /// See `events.late`.
    apart: i64,
    pub(super) born: i64,
    happened_at: Utc,
}

impl Db {
    /// Deletes at most [`SLICE_ROWS`] events inside the running transaction; answers how many.
    pub(super) fn retire(&mut self, limits: &Limits, room: Room, now: &Moment) -> rusqlite::Result<u64> {
        self.books.lived.observe(now);
        let lived_ms = self.books.lived.at(now.mono);
        self.expire_holds(lived_ms)?;
        let mut due = Vec::new();
        self.settled_due(limits, lived_ms, &mut due)?;
        self.late_due(limits, lived_ms, &mut due)?;
        for lane in [Lane::Bulk, Lane::Urgent] {
            self.waiting_due(lane, limits, lived_ms, &mut due)?;
        }
        let freed = if Room::Little <= room { self.gain_room(room, &mut due)? } else { 0 };
        for event in &due {
            self.delete(event, lived_ms)?;
        }
        self.write_gone(&due.iter().map(|event| event.sequence).collect())?;
        self.tell_gone(&due, now)?;
        self.tell_pictures(now)?;
        self.forget_past(limits, lived_ms)?;
        self.stamps.forget_unused(&self.conn)?;
        self.sums_changed |= !due.is_empty();
        self.tell_blocks(now)?;
        self.tell_open_blocks(limits, now)?;
        Ok(due.len() as u64 + u64::from(0 < freed))
    }

    fn settled_due(&mut self, limits: &Limits, lived_ms: i64, due: &mut Vec<Due>) -> rusqlite::Result<()> {
        // The mark stands in the wide table, which is asked only if there are any.
        let mut rows = self.conn.prepare_cached(if self.codes.is_empty() {
            "SELECT sequence, result, hit, born, 0 FROM settled WHERE sequence > ? AND result IN (1, 2) \
             ORDER BY sequence LIMIT ?"
        } else {
            "SELECT sequence, result, hit, born, coalesce((SELECT late FROM events e WHERE e.sequence = s.sequence), 0) \
             FROM settled s WHERE sequence > ? AND result IN (1, 2) ORDER BY sequence LIMIT ?"
        })?;
        let mut rows = rows.query(params![signed(self.books.swept), signed(SWEPT_ROWS as u64)])?;
        let mut looked_at = 0;
        while due.len() < SLICE_ROWS
            && let Some(row) = rows.next()?
        {
            looked_at += 1;
            let sequence = number(row, 0)?;
            self.books.swept = sequence;
            let account = if row.get::<_, i64>(1)? == DELIVERED { Account::Delivered } else { Account::Refused };
            let (hit, born): (bool, i64) = (row.get(2)?, row.get(3)?);
            let own = self.profiles.limits(row.get(4)?, limits);
            // The kind makes no difference once an event is settled.
            if own.is_due(EventKind::Read, Lane::Bulk, hit, account, lived_ms.saturating_sub(born)) {
                let keep = self.keeps(sequence)?;
                if self.holds.settled.count(keep) {
                    continue;
                }
                due.push(Due { sequence, account, hit, happened_at: Utc(0), evicted: false });
            }
        }
        if due.len() < SLICE_ROWS && looked_at < SWEPT_ROWS {
            self.books.swept = 0;
            self.holds.settled.end();
        }
        Ok(())
    }

    /// Events that were accepted long after they happened, and those with limits of their own: they are due before
    /// their neighbours.
    fn late_due(&self, limits: &Limits, lived_ms: i64, due: &mut Vec<Due>) -> rusqlite::Result<()> {
        // Those that a hold keeps must not stand in the way of the others.
        let looked_at = if self.holds.holds.is_empty() { SLICE_ROWS } else { SWEPT_ROWS };
        for code in self.codes.iter().copied().chain([LATE]) {
            let own = self.profiles.limits(code, limits);
            for (hit, keep_ms) in [(false, own.waiting_ms), (true, own.hit_waiting_ms)] {
                let mut rows = self.conn.prepare_cached(
                    "SELECT sequence FROM events WHERE late = ?1 AND late <> 0 AND hit = ?2 AND born < ?3 \
                     AND sequence NOT IN (SELECT sequence FROM settled WHERE result <> 0) ORDER BY born LIMIT ?4",
                )?;
                let born = lived_ms.saturating_sub(i64::try_from(keep_ms).unwrap_or(i64::MAX));
                let rows = rows.query_map(params![code, hit, born, signed(looked_at as u64)], |row| number(row, 0))?;
                for sequence in rows {
                    let sequence = sequence?;
                    if self.is_in_a_request(sequence) {
                        continue;
                    }
                    if SLICE_ROWS <= due.len() {
                        return Ok(());
                    }
                    if let Some(aged) = self.aged(sequence)?
                        && self.is_due(&aged, limits, lived_ms)
                        && self.may_go(sequence)?
                    {
                        due.push(Due::waiting(sequence, &aged));
                    }
                }
            }
        }
        Ok(())
    }

    /// How long a waiting event is kept, ms; `None` if it never goes.
    pub(super) fn keep_ms(&self, aged: &Aged, limits: &Limits) -> Option<u64> {
        self.profiles.limits(aged.apart, limits).keep_ms(aged.kind, aged.lane, aged.hit, Account::Waiting)
    }

    fn is_due(&self, aged: &Aged, limits: &Limits, lived_ms: i64) -> bool {
        let age_ms = lived_ms.saturating_sub(aged.born);
        self.profiles.limits(aged.apart, limits).is_due(aged.kind, aged.lane, aged.hit, Account::Waiting, age_ms)
    }

    /// What is in a request right now is settled or waits again within minutes. What lies with a broker or on the
    /// courier's stick may lie there for weeks: its age limit goes on.
    fn is_in_a_request(&self, sequence: u64) -> bool {
        self.books.order.is_leased(sequence) && !self.books.order.is_handed_over(sequence)
    }

    /// Events that wait, oldest first, up to the first ordinary one whose time has not come: all behind it are younger.
    /// Those that a hold keeps are passed by, a part of them at a time.
    fn waiting_due(&mut self, lane: Lane, limits: &Limits, lived_ms: i64, due: &mut Vec<Due>) -> rusqlite::Result<()> {
        let mut known: RangeSet = due.iter().map(|event| event.sequence).collect();
        let mut walk = if lane == Lane::Urgent { self.holds.urgent } else { self.holds.bulk };
        let (begun_at, mut passed, mut whole) = (walk.at, 0, true);
        for sequence in self.books.order.without_receipt_after(lane, begun_at) {
            if SLICE_ROWS <= due.len() || SWEPT_ROWS <= passed {
                whole = false;
                break;
            }
            if self.is_in_a_request(sequence) {
                continue;
            }
            let Some(aged) = self.aged(sequence)? else { continue };
            if self.is_due(&aged, limits, lived_ms) {
                if walk.count(self.keeps(sequence)?) {
                    walk.at = sequence;
                    passed += 1;
                } else if known.insert(sequence) {
                    due.push(Due::waiting(sequence, &aged));
                }
            } else if LATE < aged.apart {
                // It has a limit of its own, and says nothing of those behind it.
                walk.at = sequence;
                passed += 1;
            } else if aged.kind == EventKind::Read && aged.hit == (lane == Lane::Urgent) {
                break;
            }
        }
        if whole {
            walk.end();
        }
        *(if lane == Lane::Urgent { &mut self.holds.urgent } else { &mut self.holds.bulk }) = walk;
        Ok(())
    }

    pub(super) fn aged(&self, sequence: u64) -> rusqlite::Result<Option<Aged>> {
        self.conn
            .prepare_cached("SELECT kind, urgent, hit, born, happened_at, late FROM events WHERE sequence = ?")?
            .query_row([signed(sequence)], |row| {
                Ok(Aged {
                    kind: EventKind::from_code(row.get(0)?).unwrap_or(EventKind::Ledger),
                    lane: if row.get(1)? { Lane::Urgent } else { Lane::Bulk },
                    hit: row.get(2)?,
                    born: row.get(3)?,
                    happened_at: Utc(row.get(4)?),
                    apart: row.get(5)?,
                })
            })
            .optional()
    }

    fn delete(&mut self, event: &Due, lived_ms: i64) -> rusqlite::Result<()> {
        self.rows_move();
        self.remember(event.sequence, lived_ms)?;
        let why = match (event.account, event.evicted) {
            (Account::Refused, _) => Never::Refused,
            (_, true) => Never::Evicted,
            (_, false) => Never::Expired,
        };
        // Of a read without a receipt the receiver knows no pictures; what is told of the read tells of them too.
        let told = event.account == Account::Delivered;
        self.images_go(event.sequence, Gone::Never { why, told })?;
        self.conn.prepare_cached("DELETE FROM events WHERE sequence = ?")?.execute([signed(event.sequence)])?;
        if event.account == Account::Delivered && self.books.blocks.is_open(event.sequence) {
            // The salt goes with the event; what is left says nothing of it.
            self.conn
                .prepare_cached(
                    "UPDATE settled SET result = 3, salt = NULL, stamp = NULL, answer = NULL WHERE sequence = ?",
                )?
                .execute([signed(event.sequence)])?;
        } else {
            self.conn.prepare_cached("DELETE FROM settled WHERE sequence = ?")?.execute([signed(event.sequence)])?;
        }
        if event.evicted && event.account == Account::Waiting {
            self.books.evicted += 1;
        } else if event.account == Account::Waiting {
            self.books.expired += 1;
        } else {
            self.books.settled -= 1;
        }
        self.books.order.settle(event.sequence);
        self.books.sent.remove(event.sequence);
        self.books.done.insert(event.sequence);
        self.books.blocks.touch(event.sequence);
        self.books.gone.insert(event.sequence);
        Ok(())
    }

    /// Keeps the keyed hash of a read's id and body, so that it is known when it is handed in again.
    pub(super) fn remember(&mut self, sequence: u64, lived_ms: i64) -> rusqlite::Result<()> {
        let read = self
            .conn
            .prepare_cached("SELECT id, body FROM events WHERE sequence = ? AND kind = 0")?
            .query_row([signed(sequence)], |row| Ok((EventId(row.get(0)?), row.get::<_, Vec<u8>>(1)?)))
            .optional()?;
        if let Some((id, body)) = read {
            self.conn
                .prepare_cached("INSERT OR REPLACE INTO past (key, tag, gone_at) VALUES (?, ?, ?)")?
                .execute(params![self.books.past_key(&id), self.books.body_tag(&body), lived_ms])?;
            self.books.past = true;
        }
        Ok(())
    }

    /// Writes the runs that the deleted sequences now belong to, in place of the shorter ones.
    pub(super) fn write_gone(&self, deleted: &RangeSet) -> rusqlite::Result<()> {
        let mut written = RangeSet::default();
        for (sequence, _) in deleted.runs() {
            if written.contains(sequence) {
                continue;
            }
            if let Some((first, last)) = self.books.gone.run_of(sequence) {
                self.conn
                    .prepare_cached("DELETE FROM gone WHERE first BETWEEN ? AND ?")?
                    .execute([signed(first), signed(last)])?;
                self.conn
                    .prepare_cached("INSERT INTO gone (first, last) VALUES (?, ?)")?
                    .execute([signed(first), signed(last)])?;
                written.insert_run(first, last);
            }
        }
        Ok(())
    }

    /// What went without a receipt, by reason and class.
    fn tell_gone(&mut self, due: &[Due], now: &Moment) -> rusqlite::Result<()> {
        let table = [
            (false, LedgerWhat::Expired, "they reached their age limit without a receipt"),
            (true, LedgerWhat::Evicted, "the disk was full, and when_full lets the oldest waiting go for new reads"),
        ];
        for (evicted, what, reason) in table {
            for (hit, class) in [(true, "hit"), (false, "other")] {
                let gone = || {
                    due.iter().filter(|event| {
                        event.account == Account::Waiting && event.evicted == evicted && event.hit == hit
                    })
                };
                let sequences: RangeSet = gone().map(|event| event.sequence).collect();
                let from = gone().map(|event| event.happened_at).min();
                let to = gone().map(|event| event.happened_at).max();
                if let Some((from, to)) = from.zip(to) {
                    self.tell_ledger(what, &sequences, Some((class, from, to)), reason, now)?;
                }
            }
        }
        Ok(())
    }

    /// What goes for want of room, one step at a time: pictures that the receiver has, reads that it has, pictures of
    /// ordinary reads that wait, and if so told the oldest waiting reads. Answers the bytes of pictures.
    fn gain_room(&mut self, room: Room, due: &mut Vec<Due>) -> rusqlite::Result<u64> {
        let freed = self.free_images(PICTURES_SLICE, false)?;
        if 0 < freed {
            return Ok(freed);
        }
        self.delivered_early(due)?;
        if !due.is_empty() {
            return Ok(0);
        }
        let freed = self.free_images(PICTURES_SLICE, true)?;
        if freed == 0 && room == Room::Evict {
            self.waiting_early(due)?;
        }
        Ok(freed)
    }

    /// What was delivered, oldest first, hits after all others: a full disk takes it before its time.
    fn delivered_early(&self, due: &mut Vec<Due>) -> rusqlite::Result<()> {
        let known: RangeSet = due.iter().map(|event| event.sequence).collect();
        for hit in [false, true] {
            if SLICE_ROWS <= due.len() {
                return Ok(());
            }
            let mut rows = self
                .conn
                .prepare_cached("SELECT sequence FROM settled WHERE result = 1 AND hit = ? ORDER BY sequence")?;
            let mut rows = rows.query([hit])?;
            while due.len() < SLICE_ROWS
                && let Some(row) = rows.next()?
            {
                let sequence = number(row, 0)?;
                if !known.contains(sequence) && self.may_go(sequence)? {
                    let account = Account::Delivered;
                    due.push(Due { sequence, account, hit, happened_at: Utc(0), evicted: true });
                }
            }
        }
        Ok(())
    }

    /// What waits and may go: ordinary events oldest first, then hits. Alarms, ledger and digests never go.
    fn waiting_early(&self, due: &mut Vec<Due>) -> rusqlite::Result<()> {
        for lane in [Lane::Bulk, Lane::Urgent] {
            for sequence in self.books.order.without_receipt(lane) {
                if SLICE_ROWS <= due.len() {
                    return Ok(());
                }
                if self.is_in_a_request(sequence) {
                    continue;
                }
                let Some(aged) = self.aged(sequence)? else { continue };
                if aged.kind == EventKind::Read && self.may_go(sequence)? {
                    due.push(Due { evicted: true, ..Due::waiting(sequence, &aged) });
                }
            }
            if !due.is_empty() {
                return Ok(());
            }
        }
        Ok(())
    }

    fn forget_past(&mut self, limits: &Limits, lived_ms: i64) -> rusqlite::Result<()> {
        if !self.books.past {
            return Ok(());
        }
        let forgotten = self
            .conn
            .prepare_cached(
                "DELETE FROM past WHERE number IN (SELECT number FROM past ORDER BY number LIMIT ?) AND gone_at < ?",
            )?
            .execute(params![
                signed(SLICE_ROWS as u64),
                lived_ms.saturating_sub(i64::try_from(limits.dedupe_ms).unwrap_or(i64::MAX))
            ])?;
        if 0 < forgotten {
            self.books.past = self.conn.query_row("SELECT EXISTS (SELECT 1 FROM past)", [], |row| row.get(0))?;
        }
        Ok(())
    }
}

impl Due {
    fn waiting(sequence: u64, aged: &Aged) -> Self {
        let (hit, happened_at) = (aged.hit, aged.happened_at);
        Self { sequence, account: Account::Waiting, hit, happened_at, evicted: false }
    }
}
