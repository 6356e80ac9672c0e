//! Events that the receiver refused: shown, sent again under a new number, or let go, as a person decides.

use super::books::{number, signed};
use super::db::Db;
use super::picture_ledger::Gone;
use super::schema::REFUSED;
use super::{Accepted, NewEvent, RefusedEvent};
use pintle_core::ids::{CameraId, EventId, printable};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::queue::{EventKind, Never};
use pintle_core::wire::ledger::LedgerWhat;
use rusqlite::{OptionalExtension, params};

/// Refused events that are shown or retried at once (our own limit: more than a person reads).
const SHOWN_MAX: u64 = 500;

/// Longest reason in the ledger, characters.
const WHY_CHARS_MAX: usize = 200;

impl Db {
    /// What was set aside, oldest first.
    pub(super) fn refused(&self) -> rusqlite::Result<Vec<RefusedEvent>> {
        let mut rows = self.conn.prepare_cached(
            "SELECT e.sequence, e.id, e.kind, e.camera, e.hit, e.happened_at, e.body, s.answer \
             FROM settled s JOIN events e ON e.sequence = s.sequence WHERE s.result = 2 ORDER BY s.sequence LIMIT ?",
        )?;
        let rows = rows.query_map([signed(SHOWN_MAX)], |row| {
            Ok(RefusedEvent {
                sequence: number(row, 0)?,
                id: EventId(row.get(1)?),
                kind: EventKind::from_code(row.get(2)?).unwrap_or(EventKind::Notice),
                camera: row.get::<_, Option<String>>(3)?.and_then(|name| CameraId::new(&name).ok()),
                hit: row.get(4)?,
                happened_at: Utc(row.get(5)?),
                body: row.get(6)?,
                answer: row.get::<_, Option<String>>(7)?.unwrap_or_default(),
            })
        })?;
        rows.collect()
    }

    /// Takes refused events out and queues them anew: the same id under a new number, since the old one is told as
    /// refused. Answers how many.
    pub(super) fn retry(&mut self, sequence: Option<u64>, now: &Moment) -> rusqlite::Result<u64> {
        let sequences: Vec<u64> = match sequence {
            Some(sequence) => vec![sequence],
            None => self.refused()?.iter().map(|event| event.sequence).collect(),
        };
        let mut queued = 0;
        for sequence in sequences {
            let Some(event) = self.refused_event(sequence)? else { continue };
            let images = super::images::announced(&self.conn, sequence);
            self.take_out(sequence, Gone::Anew)?;
            if let Accepted::New { sequence: new } = self.put(&event, now)? {
                self.adopt_images(new, event.hit, images)?;
            }
            queued += 1;
        }
        Ok(queued)
    }

    /// Lets a refused event go for good, and tells it in the ledger. 0 if there is none of that number, 2 if a hold
    /// keeps it.
    pub(super) fn drop_refused(&mut self, sequence: u64, why: &str, now: &Moment) -> rusqlite::Result<u64> {
        if self.refused_event(sequence)?.is_none() {
            return Ok(0);
        }
        if !self.may_go(sequence)? {
            return Ok(2);
        }
        self.remember(sequence, self.books.lived.at(now.mono))?;
        self.take_out(sequence, Gone::Never { why: Never::Refused, told: false })?;
        let reason = printable(&format!("refused by the receiver, then dropped on the trailer: {why}"), WHY_CHARS_MAX);
        self.tell_ledger(LedgerWhat::Dropped, &[sequence].into_iter().collect(), None, &reason, now)?;
        Ok(1)
    }

    fn refused_event(&self, sequence: u64) -> rusqlite::Result<Option<NewEvent>> {
        self.conn
            .prepare_cached(
                "SELECT e.id, e.kind, e.urgent, e.camera, e.happened_at, e.body, e.hit, e.stamp_open, \
                 (SELECT stamp FROM stamps WHERE number = e.stamp) FROM events e \
                 JOIN settled s ON s.sequence = e.sequence WHERE e.sequence = ? AND s.result = ?",
            )?
            .query_row(params![signed(sequence), REFUSED], |row| {
                let event = super::aside::taken_row(row)?;
                // It goes under another number; a sealed body stays bound to this one.
                let generation = EventId::parse(&self.books.generation);
                Ok(NewEvent { body: super::aside::keep_numbers(event.body, generation, sequence), ..event })
            })
            .optional()
    }

    /// Deletes a refused event's rows; its number stays counted as refused.
    fn take_out(&mut self, sequence: u64, pictures: Gone) -> rusqlite::Result<()> {
        self.rows_move();
        self.images_go(sequence, pictures)?;
        self.conn.prepare_cached("DELETE FROM events WHERE sequence = ?")?.execute([signed(sequence)])?;
        self.conn.prepare_cached("DELETE FROM settled WHERE sequence = ?")?.execute([signed(sequence)])?;
        self.books.settled -= 1;
        self.books.gone.insert(sequence);
        self.sums_changed = true;
        let mut gone = RangeSet::default();
        gone.insert(sequence);
        self.write_gone(&gone)
    }
}
