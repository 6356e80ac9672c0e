//! What is known of events that were let go at their age limit: keyed hashes, by which they are known when they come
//! again, and nothing that leads back to them.

use super::check::Event;
use aws_lc_rs::hmac;
use pintle_core::ids::EventId;
use pintle_core::queue::blocks::{Leaf, block_of, first_of};
use rusqlite::{Connection, OptionalExtension, Result, params};

const SECRET: &str = "secret";

/// The key of the hashes, and whether there are any.
pub(super) struct Past {
    key: hmac::Key,
    pub(super) any: bool,
}

/// What the hashes say of an event that comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Seen {
    /// Never here.
    New,
    /// It was here, with the same content.
    Same,
    /// Its id was here with another content.
    OtherContent,
}

impl Past {
    /// The key of this database, made once.
    pub(super) fn open(work: &Connection) -> Result<Self> {
        let kept: Option<Vec<u8>> =
            work.query_row("SELECT value FROM kept WHERE key = ?1", [SECRET], |row| row.get(0)).optional()?;
        let secret = if let Some(secret) = kept {
            secret
        } else {
            let mut secret = [0; 32];
            assert!(aws_lc_rs::rand::fill(&mut secret).is_ok(), "the system must give random bytes");
            work.execute("INSERT INTO kept (key, value) VALUES (?1, ?2)", params![SECRET, secret])?;
            secret.to_vec()
        };
        let any = work.query_row("SELECT EXISTS (SELECT 1 FROM past)", [], |row| row.get(0))?;
        Ok(Self { key: hmac::Key::new(hmac::HMAC_SHA256, &secret), any })
    }

    /// The first six bytes stay as they are: in time-ordered ids they are a time, so that new hashes fall side by side.
    fn key_of(&self, trailer: i64, id: &str) -> [u8; 16] {
        let mut key = EventId::parse(id).unwrap_or(EventId([0; 16])).0;
        let mut named = trailer.to_be_bytes().to_vec();
        named.extend_from_slice(id.as_bytes());
        key[6..].copy_from_slice(&hmac::sign(&self.key, &named).as_ref()[..10]);
        key
    }

    fn tag_of(&self, content_hash: &[u8]) -> [u8; 8] {
        let mut tag = [0; 8];
        tag.copy_from_slice(&hmac::sign(&self.key, content_hash).as_ref()[..8]);
        tag
    }

    pub(super) fn seen(&self, work: &Connection, trailer: i64, event: &Event) -> Result<Seen> {
        if !self.any {
            return Ok(Seen::New);
        }
        let tag: Option<[u8; 8]> = work
            .prepare_cached("SELECT tag FROM past WHERE key = ?1")?
            .query_row([self.key_of(trailer, &event.id)], |row| row.get(0))
            .optional()?;
        Ok(match tag {
            None => Seen::New,
            Some(tag) if tag == self.tag_of(&event.content_hash) => Seen::Same,
            Some(_) => Seen::OtherContent,
        })
    }

    pub(super) fn remember(
        &self,
        work: &Connection,
        trailer: i64,
        (id, content_hash): (&str, &[u8]),
        lived_ms: i64,
    ) -> Result<()> {
        work.prepare_cached("INSERT OR REPLACE INTO past (key, tag, gone_at) VALUES (?1, ?2, ?3)")?
            .execute(params![self.key_of(trailer, id), self.tag_of(content_hash), lived_ms])?;
        Ok(())
    }
}

/// Writes down that an event was here under a number, and keeps its leaf until its block is proven.
pub(super) fn number_went(work: &Connection, generation: i64, sequence: i64, leaf: Option<Leaf>) -> Result<()> {
    let known: Option<i64> = work
        .prepare_cached(
            "SELECT first FROM gone WHERE generation = ?1 AND first <= ?2 AND ?2 <= last ORDER BY first DESC LIMIT 1",
        )?
        .query_row([generation, sequence], |row| row.get(0))
        .optional()?;
    if known.is_none() {
        join(work, generation, sequence)?;
    }
    let Some(leaf) = leaf else { return Ok(()) };
    let first = u64::try_from(sequence).map_or(1, |sequence| first_of(block_of(sequence)));
    let proven: bool = work
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM block WHERE generation = ?1 AND first = ?2 AND ?3 <= last \
             AND verdict = 'equal')",
        )?
        .query_row(params![generation, i64::try_from(first).unwrap_or(i64::MAX), sequence], |row| row.get(0))?;
    if !proven {
        work.prepare_cached(
            "INSERT INTO gone_leaf (generation, sequence, leaf) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
        )?
        .execute(params![generation, sequence, leaf])?;
    }
    Ok(())
}

/// Adds a number to the runs, joined with its neighbours.
fn join(work: &Connection, generation: i64, sequence: i64) -> Result<()> {
    let mut find =
        work.prepare_cached("SELECT first, last FROM gone WHERE generation = ?1 AND (last = ?2 OR first = ?3)")?;
    let mut rows = find.query([generation, sequence - 1, sequence + 1])?;
    let (mut first, mut last) = (sequence, sequence);
    while let Some(row) = rows.next()? {
        first = first.min(row.get(0)?);
        last = last.max(row.get(1)?);
    }
    work.prepare_cached("DELETE FROM gone WHERE generation = ?1 AND first BETWEEN ?2 AND ?3")?
        .execute([generation, first, last])?;
    work.prepare_cached("INSERT INTO gone (generation, first, last) VALUES (?1, ?2, ?3)")?
        .execute([generation, first, last])?;
    Ok(())
}
