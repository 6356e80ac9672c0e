//! What one group of requests does to the database, in one transaction.

use super::account::UNREADABLE;
use super::beside::Beside;
use super::blocks::compare;
use super::check::{Event, Incoming, Refusal};
use super::content::StampRow;
use super::images;
use super::ledger::Entry;
use super::lived::LivedClock;
use super::past::{Past, Seen, number_went};
use super::retain::{Keep, Purged, Retainer};
use super::store::{Batch, Stored};
use aws_lc_rs::digest;
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::blocks::Leaf;
use pintle_core::wire::receipt::{Receipt, ReceiptResult};
use rusqlite::{Connection, OptionalExtension, Result, Transaction, TransactionBehavior, params};
use std::collections::HashMap;
use std::path::Path;

/// Other contents that are kept under one id; further ones are counted only (our own limit).
const CONTENTS_KEPT: i64 = 8;
/// What a sender is told when a known id comes with another content.
pub const OTHER_CONTENT: &str =
    "this id is known with another content; both are kept apart here for a person to look at";

/// The connection, and the numbers of what it has seen lately. After a failure it must be thrown away.
pub struct Writing {
    connection: Connection,
    retainer: Retainer,
    past: Option<Past>,
    trailers: HashMap<String, i64>,
    generations: HashMap<(i64, String), i64>,
}

/// Names kept in memory; beyond this the table is asked again (our own limit).
const NAMES_MAX: usize = 10_000;

impl Writing {
    /// Around an open database, whose age `lived` tells.
    #[must_use]
    pub fn new(connection: Connection, lived: LivedClock) -> Self {
        Self {
            connection,
            retainer: Retainer::new(lived),
            past: None,
            trailers: HashMap::new(),
            generations: HashMap::new(),
        }
    }

    /// The connection, for what is done with the log.
    #[must_use]
    pub fn connection(&self) -> &Connection {
        &self.connection
    }

    /// Only the connection stays.
    pub(super) fn into_connection(self) -> Connection {
        self.connection
    }

    /// Lets go what has reached its age limit, a slice of it, in one transaction. Once nothing is left, what the
    /// database has left behind of it is wiped.
    ///
    /// # Errors
    /// What the database says: nothing of it is done.
    pub(super) fn purge(
        &mut self,
        (folder, beside): (&Path, &mut Beside),
        keep: &Keep,
        now: &Moment,
    ) -> Result<Purged> {
        let open = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let purged = self.retainer.pass(&open, keep, now)?;
        open.commit()?;
        beside.log_is_there()?;
        if let Err(error) = images::drop_unnamed(folder, &self.connection, &purged.pictures) {
            tracing::warn!(%error, "pictures of reads that went could not be deleted; the next start does it");
        }
        if purged.is_empty() {
            beside.wipe(&self.connection)?;
            return Ok(purged);
        }
        self.past = None;
        beside.rows_went();
        Ok(purged)
    }

    /// Does other work in one transaction and commits it.
    ///
    /// # Errors
    /// What the database says: nothing of it is done.
    pub fn work<T>(&mut self, work: impl FnOnce(&Transaction<'_>) -> Result<T>) -> Result<T> {
        let open = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let found = work(&open)?;
        open.commit()?;
        Ok(found)
    }

    /// Stores requests in one transaction and commits it. The receipts are in the order of requests and events.
    ///
    /// # Errors
    /// What the database says: nothing is stored, or it is not known whether it is.
    pub fn group(&mut self, batches: &[&Batch]) -> Result<Vec<Stored>> {
        if NAMES_MAX < self.trailers.len() + self.generations.len() {
            self.trailers.clear();
            self.generations.clear();
        }
        let work = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let past = match self.past.take() {
            Some(past) => past,
            None => Past::open(&work)?,
        };
        let mut names =
            Names { work: &work, past: &past, trailers: &mut self.trailers, generations: &mut self.generations };
        let receipts = batches.iter().map(|batch| store(&mut names, batch)).collect::<Result<_>>()?;
        work.commit()?;
        self.past = Some(past);
        Ok(receipts)
    }
}

/// An open transaction with the numbers of trailers and generations.
struct Names<'a> {
    work: &'a Connection,
    past: &'a Past,
    trailers: &'a mut HashMap<String, i64>,
    generations: &'a mut HashMap<(i64, String), i64>,
}

impl Names<'_> {
    fn trailer(&mut self, source: &str) -> Result<i64> {
        if let Some(no) = self.trailers.get(source) {
            return Ok(*no);
        }
        self.work
            .prepare_cached("INSERT INTO trailer (source) VALUES (?1) ON CONFLICT DO NOTHING")?
            .execute([source])?;
        let no = self
            .work
            .prepare_cached("SELECT no FROM trailer WHERE source = ?1")?
            .query_row([source], |row| row.get(0))?;
        self.trailers.insert(source.to_owned(), no);
        Ok(no)
    }

    fn generation(&mut self, trailer: i64, generation: &str, now: Utc) -> Result<i64> {
        let key = (trailer, generation.to_owned());
        if let Some(no) = self.generations.get(&key) {
            return Ok(*no);
        }
        self.work
            .prepare_cached(
                "INSERT INTO generation (trailer, generation, accepted_up_to, first_heard, last_heard)
                 VALUES (?1, ?2, 0, ?3, ?3) ON CONFLICT DO NOTHING",
            )?
            .execute(params![trailer, generation, now.0])?;
        let no = self
            .work
            .prepare_cached("SELECT no FROM generation WHERE trailer = ?1 AND generation = ?2")?
            .query_row(params![trailer, generation], |row| row.get(0))?;
        self.generations.insert(key, no);
        Ok(no)
    }

    fn count(&self, generation: i64, duplicates: i64, refused: i64, conflicts: i64) -> Result<()> {
        self.work
            .prepare_cached(
                "UPDATE generation SET duplicates = duplicates + ?2, refused = refused + ?3, conflicts = conflicts + ?4
                 WHERE no = ?1",
            )?
            .execute([generation, duplicates, refused, conflicts])?;
        Ok(())
    }
}

/// A number for the database; those past its range were refused before.
fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

fn store(names: &mut Names<'_>, batch: &Batch) -> Result<Stored> {
    let trailer = names.trailer(&batch.source)?;
    let generation = names.generation(trailer, &batch.generation, batch.received_at)?;
    let known: i64 = names
        .work
        .prepare_cached("SELECT accepted_up_to FROM generation WHERE no = ?1")?
        .query_row([generation], |row| row.get(0))?;
    names
        .work
        .prepare_cached(
            "UPDATE generation SET accepted_up_to = max(accepted_up_to, ?2), last_heard = ?3 WHERE no = ?1",
        )?
        .execute([generation, if batch.relayed { known } else { signed(batch.accepted_up_to) }, batch.received_at.0])?;
    let (mut receipts, mut resend) = (Vec::with_capacity(batch.events.len()), Vec::new());
    for incoming in &batch.events {
        match incoming {
            Incoming::Good(event) => {
                let receipt = take(names, trailer, event, batch.relayed, batch.received_at)?;
                let again = receipt.result == ReceiptResult::Duplicate;
                receipts.push(receipt);
                // Also when it comes again: the answer to the first may have been lost.
                if let Some(digest) = event.digest.as_ref().filter(|_| !batch.relayed) {
                    let generation = names.generation(trailer, &digest.generation, batch.received_at)?;
                    resend.extend(compare(names.work, generation, digest, again, batch.received_at)?);
                }
            }
            Incoming::State(came) => receipts.push(super::fleet::keep(names.work, trailer, came, batch.received_at)?),
            Incoming::Bad(refusal) => {
                names.count(generation, 0, 1, 0)?;
                // Without an id there is nothing that a receipt could name.
                if let Some(id) = &refusal.id {
                    refuse(names.work, trailer, id, refusal, batch.received_at)?;
                    receipts.push(receipt(id, ReceiptResult::Refused, Some(refusal.problem.clone())));
                }
            }
        }
    }
    Ok(Stored { receipts, resend, known_up_to: u64::try_from(known).unwrap_or(0) })
}

pub(super) fn receipt(id: &str, result: ReceiptResult, problem: Option<String>) -> Receipt {
    Receipt { id: id.to_owned(), result, late_s: None, problem }
}

fn take(names: &mut Names<'_>, trailer: i64, event: &Event, relayed: bool, now: Utc) -> Result<Receipt> {
    let generation = names.generation(trailer, &event.generation, now)?;
    match names.past.seen(names.work, trailer, event)? {
        Seen::New => {}
        Seen::Same => {
            names.count(generation, 1, 0, 0)?;
            if !relayed {
                number_went(names.work, generation, signed(event.sequence), event.leaf.map(|(_, leaf)| leaf))?;
            }
            return Ok(receipt(&event.id, ReceiptResult::Duplicate, None));
        }
        Seen::OtherContent => {
            conflict(names, trailer, generation, event, ("content", &event.content_hash, &event.data), now)?;
            return Ok(receipt(&event.id, ReceiptResult::Refused, Some(OTHER_CONTENT.to_owned())));
        }
    }
    let (salt, leaf) = event.leaf.unzip();
    let late_s = event.late_s();
    let inserted = names
        .work
        .prepare_cached(
            "INSERT INTO event (trailer, id, type, generation, sequence, time, hit, received_at, content_hash, data,
               salt, leaf, relayed, late_s)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14) ON CONFLICT (trailer, id) DO NOTHING",
        )?
        .execute(params![
            trailer,
            event.id,
            event.kind.event_type(),
            generation,
            signed(event.sequence),
            event.time,
            event.hit,
            now.0,
            event.content_hash,
            event.data,
            salt,
            leaf,
            relayed,
            late_s
        ])?;
    if inserted == 1 {
        let no = names.work.last_insert_rowid();
        images::announce(names.work, trailer, no, &event.images)?;
        if let Some(entry) = event.ledger.as_ref().filter(|_| !relayed) {
            explain(names, trailer, no, entry, now)?;
        }
        if let Some(stamp) = &event.stamp {
            keep_stamp(names, trailer, generation, event, stamp, now)?;
        }
        let late_s = late_s.filter(|_| event.hit);
        return Ok(Receipt { late_s, ..receipt(&event.id, ReceiptResult::Stored, None) });
    }
    repeat(names, trailer, generation, event, relayed, now)
}

/// An event whose id is known.
fn repeat(
    names: &mut Names<'_>,
    trailer: i64,
    generation: i64,
    event: &Event,
    relayed: bool,
    now: Utc,
) -> Result<Receipt> {
    let known: (i64, i64, i64, [u8; 32], Option<Leaf>, bool) = names
        .work
        .prepare_cached(
            "SELECT no, generation, sequence, content_hash, leaf, relayed FROM event WHERE trailer = ?1 AND id = ?2",
        )?
        .query_row(params![trailer, event.id], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
        })?;
    let (no, first_generation, first_sequence, content_hash, leaf, was_relayed) = known;
    if content_hash != event.content_hash {
        conflict(names, trailer, generation, event, ("content", &event.content_hash, &event.data), now)?;
        return Ok(receipt(&event.id, ReceiptResult::Refused, Some(OTHER_CONTENT.to_owned())));
    }
    names.count(generation, 1, 0, 0)?;
    if !relayed && was_relayed {
        // This receiver has become the trailer's first one: from now on the event counts here.
        names.work.prepare_cached("UPDATE event SET relayed = 0 WHERE no = ?1")?.execute([no])?;
        if let Some(entry) = &event.ledger {
            explain(names, trailer, no, entry, now)?;
        }
    }
    let (salt, sent_leaf) = event.leaf.unzip();
    if (first_generation, first_sequence) != (generation, signed(event.sequence)) {
        names
            .work
            .prepare_cached(
                "INSERT INTO renumbered (generation, sequence, event, leaf) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT DO NOTHING",
            )?
            .execute(params![generation, signed(event.sequence), no, sent_leaf])?;
    } else if leaf.is_none() && sent_leaf.is_some() {
        // It came before its sender kept blocks; what its bytes are is known from now on.
        names
            .work
            .prepare_cached("UPDATE event SET salt = ?2, leaf = ?3 WHERE no = ?1")?
            .execute(params![no, salt, sent_leaf])?;
    }
    // The read is known, but its stamp may be a later one: it waited for its receipt while the stamp was replaced.
    if let Some(stamp) = &event.stamp {
        keep_stamp(names, trailer, generation, event, stamp, now)?;
    }
    Ok(receipt(&event.id, ReceiptResult::Duplicate, None))
}

/// What the stamp says, for comparing and for keeping apart.
fn stamp_text(stamp: &StampRow) -> String {
    let told = serde_json::json!({
        "read_id": stamp.read_id, "stamp_revision": stamp.revision, "place": stamp.place, "clock": stamp.clock,
    });
    told.to_string()
}

fn keep_stamp(
    names: &Names<'_>,
    trailer: i64,
    generation: i64,
    event: &Event,
    stamp: &StampRow,
    now: Utc,
) -> Result<()> {
    let (place, clock) = (&stamp.place, &stamp.clock);
    let (site, error_ms) = (place.site.map(signed), clock.error_ms.map(signed));
    let inserted = names
        .work
        .prepare_cached(
            "INSERT INTO stamp (trailer, read_id, revision, received_at, spot, state, site, lat, lon, radius95_m,
               fix_age_s, line, line_state, clock_trust, clock_offset_ms, capture_far_s,
               captured_at_corrected, clock_error_ms)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            trailer,
            stamp.read_id,
            stamp.revision,
            now.0,
            place.spot,
            place.state,
            site,
            place.lat,
            place.lon,
            place.radius95_m,
            place.fix_age_s,
            place.line,
            place.line_state,
            clock.trust,
            clock.offset_ms,
            clock.capture_far_s,
            clock.captured_at_corrected,
            error_ms
        ])?;
    if inserted == 1 {
        return Ok(());
    }
    let same: Option<i64> = names
        .work
        .prepare_cached(
            "SELECT 1 FROM stamp WHERE trailer = ?1 AND read_id = ?2 AND revision = ?3 AND spot = ?4 AND state = ?5
               AND site IS ?6 AND lat IS ?7 AND lon IS ?8 AND radius95_m IS ?9 AND fix_age_s IS ?10 AND line = ?11
               AND line_state = ?12 AND clock_trust = ?13 AND clock_offset_ms IS ?14
               AND capture_far_s IS ?15 AND captured_at_corrected IS ?16 AND clock_error_ms IS ?17",
        )?
        .query_row(
            params![
                trailer,
                stamp.read_id,
                stamp.revision,
                place.spot,
                place.state,
                site,
                place.lat,
                place.lon,
                place.radius95_m,
                place.fix_age_s,
                place.line,
                place.line_state,
                clock.trust,
                clock.offset_ms,
                clock.capture_far_s,
                clock.captured_at_corrected,
                error_ms
            ],
            |row| row.get(0),
        )
        .optional()?;
    if same.is_some() {
        return Ok(());
    }
    let text = stamp_text(stamp);
    let mut hash = [0; 32];
    hash.copy_from_slice(digest::digest(&digest::SHA256, text.as_bytes()).as_ref());
    conflict(names, trailer, generation, event, ("stamp", &hash, &text), now)
}

/// Keeps `(what, hash, data)` apart from what is known, and raises it.
fn conflict(
    names: &Names<'_>,
    trailer: i64,
    generation: i64,
    event: &Event,
    (what, hash, data): (&str, &[u8; 32], &str),
    now: Utc,
) -> Result<()> {
    names.count(generation, 0, 0, 1)?;
    names
        .work
        .prepare_cached(
            "INSERT INTO conflict (trailer, id, what, generation, sequence, received_at, content_hash, data)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8
             WHERE (SELECT count(*) FROM conflict WHERE trailer = ?1 AND id = ?2 AND what = ?3) < ?9
             ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            trailer,
            event.id,
            what,
            generation,
            signed(event.sequence),
            now.0,
            hash,
            data,
            CONTENTS_KEPT
        ])?;
    Ok(())
}

fn explain(names: &mut Names<'_>, trailer: i64, event: i64, entry: &Entry, now: Utc) -> Result<()> {
    let generation = names.generation(trailer, &entry.generation, now)?;
    let mut insert = names.work.prepare_cached(
        "INSERT INTO explained (generation, first, last, word, event) VALUES (?1, ?2, ?3, ?4, ?5)
         ON CONFLICT DO NOTHING",
    )?;
    let said = entry.word.into_iter().flat_map(|word| entry.runs.iter().map(move |run| (word, run)));
    for (word, run) in said.chain(entry.unreadable.iter().map(|run| (UNREADABLE, run))) {
        insert.execute(params![generation, signed(run.first), signed(run.last), word, event])?;
    }
    if let Some(word) = entry.pictures {
        let mut insert = names.work.prepare_cached(
            "INSERT INTO picture_gone (generation, first, last, word) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
        )?;
        for run in &entry.runs {
            insert.execute(params![generation, signed(run.first), signed(run.last), word])?;
        }
    }
    if let Some(last) = entry.closed {
        names
            .work
            .prepare_cached("UPDATE generation SET closed = 1, accepted_up_to = max(accepted_up_to, ?2) WHERE no = ?1")?
            .execute([generation, signed(last.unwrap_or(0))])?;
    }
    Ok(())
}

fn refuse(work: &Connection, trailer: i64, id: &str, refusal: &Refusal, now: Utc) -> Result<()> {
    let (generation, sequence) = refusal.number.as_ref().map(|(generation, n)| (generation, signed(*n))).unzip();
    work.prepare_cached(
        "INSERT INTO refusal (trailer, id, generation, sequence, problem, times, received_at)
         VALUES (?1, ?2, ?3, ?4, ?5, 1, ?6)
         ON CONFLICT (trailer, id) DO UPDATE SET times = times + 1, problem = excluded.problem,
           generation = excluded.generation, sequence = excluded.sequence, received_at = excluded.received_at",
    )?
    .execute(params![trailer, id, generation, sequence, refusal.problem, now.0])?;
    Ok(())
}
