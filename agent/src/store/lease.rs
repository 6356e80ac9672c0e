//! What is on its way: events are leased with their bytes fixed, and settled by what became of them.

use super::books::{number, signed};
use super::db::Db;
use super::schema::{DELIVERED, REFUSED};
use super::{Leased, Settled};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::blocks::SALT_BYTES;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::ledger::LedgerWhat;
use pintle_core::wire::stamp::captured_at_corrected;
use rusqlite::{OptionalExtension, params};

/// An event with what was fixed when it was sent first. `+ 0`: without it SQLite's planner looks at the value and,
/// since there are partial indexes, plans anew each time that another one comes, which takes ten times as long as the
/// look-up.
pub(super) const LEASED: &str = "SELECT e.sequence, e.id, e.kind, e.urgent, e.camera, e.happened_at, e.accepted_at, e.body, \
     (SELECT stamp FROM stamps WHERE number = coalesce(s.stamp, e.stamp)), e.hit, s.sent_at, s.salt, \
     s.sequence, e.stamp, e.born, e.images FROM events e LEFT JOIN settled s ON s.sequence = e.sequence \
     WHERE e.sequence = ?1 + 0";

/// What became of an event that was taken to be sent.
enum Next {
    Ready(Box<Leased>),
    /// It does not fit beside the others.
    TooLarge,
    /// Its row is not in the file.
    Missing,
}

impl Db {
    /// Takes the next events of a lane and fixes the bytes of those that were never sent, inside the running
    /// transaction. After an error nothing is on its way.
    pub(super) fn lease(
        &mut self,
        lane: Lane,
        events_max: usize,
        bytes_max: usize,
        now: &Moment,
    ) -> rusqlite::Result<Vec<Leased>> {
        let (mut leased, mut bytes): (Vec<Leased>, _) = (Vec::new(), 0_usize);
        while leased.len() < events_max {
            let Some(sequence) = self.books.order.take(lane, now.mono) else { break };
            let event = match self.prepare(sequence, bytes_max.saturating_sub(bytes), leased.is_empty(), now) {
                Ok(event) => event,
                Err(error) => {
                    for sequence in leased.iter().map(|event| event.sequence).chain([sequence]) {
                        self.books.order.release(sequence);
                    }
                    return Err(error);
                }
            };
            match event {
                Next::Ready(event) => {
                    bytes = bytes.saturating_add(event.body.len() + event.stamp.as_ref().map_or(0, Vec::len));
                    leased.push(*event);
                }
                // The file has lost a row. It is told in the figures, and nobody is offered it again.
                Next::Missing => {
                    self.books.missing_rows += 1;
                    self.books.order.settle(sequence);
                }
                Next::TooLarge => {
                    self.books.order.release(sequence);
                    break;
                }
            }
        }
        for event in &mut leased {
            self.dress(event);
        }
        // The receiver gets them in the order of their acceptance, save that the newest alert comes first.
        if lane == Lane::Bulk {
            leased.sort_by_key(|event| event.sequence);
        }
        Ok(leased)
    }

    /// The newest urgent events without a receipt that are not in `skip`, on their way or not, with their bytes fixed.
    /// They stay where they are: whoever looks settles nothing.
    pub(super) fn urgent_copies(
        &mut self,
        skip: &RangeSet,
        events_max: usize,
        bytes_max: usize,
        now: &Moment,
    ) -> rusqlite::Result<Vec<Leased>> {
        let wanted = self.books.order.urgent_newest_first().filter(|sequence| !skip.contains(*sequence));
        let wanted: Vec<u64> = wanted.take(events_max).collect();
        let (mut copies, mut bytes): (Vec<Leased>, _) = (Vec::new(), 0_usize);
        for sequence in wanted {
            match self.prepare(sequence, bytes_max.saturating_sub(bytes), copies.is_empty(), now)? {
                Next::Ready(mut event) => {
                    bytes = bytes.saturating_add(event.body.len() + event.stamp.as_ref().map_or(0, Vec::len));
                    // Whatever becomes of a try of the lane, these bytes have been given away.
                    self.books.fixed_by_lease.remove(sequence);
                    self.dress(&mut event);
                    copies.push(*event);
                }
                // The lane that leases it finds that out, too, and tells it.
                Next::Missing => {}
                Next::TooLarge => break,
            }
        }
        Ok(copies)
    }

    /// An event that was just taken, with its bytes fixed.
    fn prepare(&mut self, sequence: u64, bytes_max: usize, first: bool, now: &Moment) -> rusqlite::Result<Next> {
        let row = self
            .conn
            .prepare_cached(LEASED)?
            .query_row([signed(sequence)], |row| {
                let fixed: (Option<i64>, Option<[u8; SALT_BYTES]>) = (row.get(10)?, row.get(11)?);
                let known: Option<i64> = row.get(12)?;
                let rest: (Option<i64>, i64) = (row.get(13)?, row.get(14)?);
                Ok((leased_row(row)?, fixed, known.is_some(), rest))
            })
            .optional()?;
        let Some((mut event, fixed, known, (stamp, born))) = row else { return Ok(Next::Missing) };
        event.origin = self.origin(sequence)?;
        if !first && bytes_max < event.body.len() + event.stamp.as_ref().map_or(0, Vec::len) {
            return Ok(Next::TooLarge);
        }
        if let (Some(sent_at), Some(salt)) = fixed {
            self.books.fixed_by_lease.remove(sequence);
            (event.sent_at, event.salt) = (Utc(sent_at), salt);
            return Ok(Next::Ready(Box::new(event)));
        }
        let corrected = event.stamp.as_deref().and_then(captured_at_corrected);
        event.sent_at = match corrected {
            // A clock that is wrong still can't date the sending: what the queue has lived since the capture does.
            Some(captured) if !now.utc_trust.is_trusted() => {
                captured.plus_ms(self.books.lived.at(now.mono).saturating_sub(born).max(0))
            }
            _ => now.utc,
        };
        assert!(aws_lc_rs::rand::fill(&mut event.salt).is_ok(), "the system must give random bytes");
        let statement = if known {
            // Delivered before there were leaves, and asked for again.
            "UPDATE settled SET sent_at = ?2, salt = ?3, stamp = ?4 WHERE sequence = ?1 AND ?5 IS NOT ?6"
        } else {
            "INSERT INTO settled (sequence, result, hit, born, sent_at, salt, stamp) VALUES (?1, 0, ?5, ?6, ?2, ?3, ?4)"
        };
        self.conn.prepare_cached(statement)?.execute(params![
            signed(sequence),
            event.sent_at.0,
            event.salt,
            stamp,
            event.hit,
            born
        ])?;
        self.books.sent.insert(sequence);
        self.books.fixed_by_lease.insert(sequence);
        Ok(Next::Ready(Box::new(event)))
    }

    pub(super) fn settle(&mut self, outcomes: &[(u64, Settled)], now: &Moment) -> rusqlite::Result<()> {
        self.books.lived.observe(now);
        let mut refused = RangeSet::default();
        for (sequence, outcome) in outcomes {
            let fixed_now = self.books.fixed_by_lease.contains(*sequence);
            self.books.fixed_by_lease.remove(*sequence);
            let (result, answer, leaf) = match outcome {
                Settled::Released => {
                    self.books.order.release(*sequence);
                    continue;
                }
                Settled::HandedOver => {
                    self.books.order.hand_over(*sequence);
                    continue;
                }
                Settled::Unsent => {
                    self.books.order.release(*sequence);
                    // Bytes that were fixed earlier may have been sent then, whatever became of this try.
                    if fixed_now {
                        self.unfix(*sequence)?;
                    }
                    continue;
                }
                Settled::Delivered => (DELIVERED, None, None),
                Settled::Proven(_) if self.books.carried.contains(*sequence) => (DELIVERED, None, None),
                Settled::Proven(leaf) => (DELIVERED, None, Some(leaf)),
                Settled::Refused(answer) => (REFUSED, Some(self.answer_to_keep(*sequence, answer)?), None),
            };
            let settled = self
                .conn
                .prepare_cached(
                    "UPDATE settled SET result = ?, answer = ?, leaf = ? WHERE sequence = ? AND result = 0",
                )?
                .execute(params![result, answer, leaf, signed(*sequence)])?;
            if settled == 0 {
                // Settled before and sent once more, or gone at its age limit.
                self.settled_again(*sequence, leaf)?;
                continue;
            }
            self.books.settle(*sequence, result);
            if result == DELIVERED {
                self.images_follow(*sequence)?;
            }
            self.sums_changed = true;
            if result == REFUSED && self.kind_of(*sequence)? != Some(EventKind::Ledger) {
                refused.insert(*sequence);
            }
        }
        if !refused.is_empty() {
            self.tell_ledger(
                LedgerWhat::Refused,
                &refused,
                None,
                "the receiver refused them; set aside on the trailer",
                now,
            )?;
        }
        self.tell_blocks(now)
    }

    /// Nothing of the event has left this host: it may take a later stamp and tell its age anew.
    fn unfix(&mut self, sequence: u64) -> rusqlite::Result<()> {
        let unfixed = self
            .conn
            .prepare_cached("DELETE FROM settled WHERE sequence = ? AND result = 0")?
            .execute([signed(sequence)])?;
        if 0 < unfixed {
            self.books.sent.remove(sequence);
        }
        Ok(())
    }
}

fn leased_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Leased> {
    let code: u8 = row.get(2)?;
    let kind = EventKind::from_code(code).ok_or(rusqlite::Error::IntegralValueOutOfRange(2, i64::from(code)))?;
    Ok(Leased {
        sequence: number(row, 0)?,
        origin: None,
        id: EventId(row.get(1)?),
        kind,
        lane: if row.get(3)? { Lane::Urgent } else { Lane::Bulk },
        camera: row.get::<_, Option<String>>(4)?.and_then(|name| CameraId::new(&name).ok()),
        happened_at: Utc(row.get(5)?),
        accepted_at: Utc(row.get(6)?),
        body: row.get(7)?,
        sealed: false,
        stamp: row.get(8)?,
        hit: row.get(9)?,
        sent_at: Utc(0),
        salt: [0; SALT_BYTES],
        images: row.get(15)?,
    })
}
