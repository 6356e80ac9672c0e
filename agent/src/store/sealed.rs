//! Sealed reads in the file: on their way in, on their way out, and the end of their keys.

use super::books::{number, signed};
use super::db::{ANSWER_CHARS_MAX, Db};
use super::disk::SharedSealer;
use super::seal::{KeyUse, Outgoing, SealError, Sealer};
use super::{Accepted, Leased, NewEvent, StoreError};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::EventKind;
use pintle_core::seal::{Clear, KeyId, hour, is_sealed};
use rusqlite::{OptionalExtension, params};
use std::sync::{MutexGuard, PoisonError};

/// Stands in place of what a receiver said of a sealed read: it may have opened it, and we could not take the plate
/// out.
const ANSWER_NOT_KEPT: &str = "refused; the reason is not kept, since it could name the plate of a sealed read";

impl Db {
    /// The sealed form of a read on its way in; `None` if it stays as it is.
    pub(super) fn seal(
        &self,
        event: &NewEvent,
        sequence: u64,
        born: i64,
        lived: i64,
    ) -> rusqlite::Result<Option<Vec<u8>>> {
        let Some(sealer) = &self.sealer else { return Ok(None) };
        if event.kind != EventKind::Read {
            return Ok(None);
        }
        if is_sealed(&event.body) {
            locked(sealer).moved(&event.body, sequence);
            return Ok(None);
        }
        let mut sealer = locked(sealer);
        if !sealer.seals() {
            return Ok(None);
        }
        let clear = event
            .camera
            .as_ref()
            .and_then(|camera| self.clear(&**sealer, sequence, event.id, event.hit, camera.clone(), event.happened_at));
        let clear =
            clear.ok_or_else(|| failed(SealError("the read has no camera or the queue no generation".into())))?;
        sealer.seal(&clear, &event.body, born, lived).map(Some).map_err(failed)
    }

    /// The answer to a read whose id is known. Without the content key nobody here can tell whether it is the same.
    pub(super) fn repeat_of_sealed(&self, event: &NewEvent) -> rusqlite::Result<Accepted> {
        let (sequence, stored, camera, hit, happened_at): (u64, Vec<u8>, Option<String>, bool, i64) = self
            .conn
            .prepare_cached("SELECT sequence, body, camera, hit, happened_at FROM events WHERE id = ?")?
            .query_row([event.id.0], |row| Ok((number(row, 0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))?;
        if !is_sealed(&stored) {
            let same = stored == event.body;
            return Ok(if same { Accepted::Repeat { sequence } } else { Accepted::OtherBody });
        }
        let same = self.sealer.as_ref().and_then(|sealer| {
            let mut sealer = locked(sealer);
            let camera = camera.and_then(|name| CameraId::new(&name).ok())?;
            let clear = self.clear(&**sealer, sequence, event.id, hit, camera, Utc(happened_at))?;
            sealer.same(&clear, &stored, &event.body)
        });
        Ok(if same == Some(false) { Accepted::OtherBody } else { Accepted::Repeat { sequence } })
    }

    /// Puts what goes out in place of a sealed body.
    pub(super) fn dress(&self, event: &mut Leased) {
        if event.kind != EventKind::Read || !is_sealed(&event.body) {
            return;
        }
        let outgoing = match (&self.sealer, &event.camera) {
            (Some(sealer), Some(camera)) => {
                let mut sealer = locked(sealer);
                let clear =
                    self.clear(&**sealer, event.sequence, event.id, event.hit, camera.clone(), event.happened_at);
                clear.map(|clear| sealer.outgoing(&clear, &event.body))
            }
            _ => None,
        };
        match outgoing.unwrap_or_else(|| Outgoing::Lost("nothing here knows its seal".to_owned())) {
            Outgoing::Plain(body) => event.body = body,
            Outgoing::Sealed(body) => (event.body, event.sealed) = (body, true),
            Outgoing::Lost(why) => {
                // An empty body can't be written as an event, so the forwarder sets it aside and people see it.
                tracing::error!(sequence = event.sequence, why, "a sealed read can't be sent");
                event.body.clear();
            }
        }
    }

    /// What is kept of a receiver's reason for refusing an event.
    pub(super) fn answer_to_keep(&self, sequence: u64, answer: &str) -> rusqlite::Result<String> {
        let stored: Option<Vec<u8>> = self
            .conn
            .prepare_cached("SELECT substr(body, 1, 1) FROM events WHERE sequence = ?")?
            .query_row([signed(sequence)], |row| row.get(0))
            .optional()?;
        let own = answer.starts_with("not sent: ");
        Ok(match stored {
            Some(stored) if is_sealed(&stored) && !own => ANSWER_NOT_KEPT.to_owned(),
            _ => pintle_core::ids::printable(answer, ANSWER_CHARS_MAX),
        })
    }

    /// Destroys keys under which no row is left. What can't be destroyed now is tried at the next clean-up.
    /// Answers how many went.
    pub(super) fn destroy_unused_keys(&self, now: &Moment) -> u64 {
        let (Some(sealer), Some(generation)) = (&self.sealer, EventId::parse(&self.books.generation)) else { return 0 };
        if self.books.rest {
            return 0; // reads that are still to come over may need any key
        }
        let mut sealer = locked(sealer);
        let ripe = sealer.ripe(self.books.lived.at(now.mono), &generation.0, self.books.accepted);
        let unused: Vec<KeyId> =
            ripe.iter().filter(|one| matches!(self.is_used(one), Ok(false))).map(|one| one.key).collect();
        if unused.is_empty() {
            return 0;
        }
        match sealer.destroy(&unused) {
            Ok(()) => {
                tracing::info!(keys = unused.len(), "content keys without reads were destroyed");
                unused.len() as u64
            }
            Err(error) => {
                tracing::warn!(%error, "content keys can't be destroyed; it is tried again");
                0
            }
        }
    }

    fn is_used(&self, key: &KeyUse) -> rusqlite::Result<bool> {
        self.conn
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM events WHERE sequence BETWEEN ?1 AND ?2 AND kind = 0 AND hit = ?3 \
                 AND camera = ?4 AND (substr(body, 2, 8) = ?5 OR substr(body, 27, 8) = ?5))",
            )?
            .query_row(params![signed(key.first), signed(key.last), key.hit, key.camera, key.key.0], |row| row.get(0))
    }

    /// Reads the key files for sealing anew.
    pub(super) fn rotate_keys(&self) -> Result<(), StoreError> {
        let Some(sealer) = &self.sealer else {
            return Err(StoreError::Seal { detail: "queue.seal is \"none\" here".to_owned() });
        };
        locked(sealer).rotate().map_err(|error| StoreError::Seal { detail: error.to_string() })
    }

    fn clear(
        &self,
        sealer: &dyn Sealer,
        sequence: u64,
        id: EventId,
        hit: bool,
        camera: CameraId,
        happened_at: Utc,
    ) -> Option<Clear> {
        let generation = EventId::parse(&self.books.generation)?;
        let source = sealer.source().to_owned();
        Some(Clear { source, generation, sequence, id, hit, camera, hour: hour(happened_at) })
    }
}

pub(super) fn locked(sealer: &SharedSealer) -> MutexGuard<'_, Box<dyn Sealer>> {
    sealer.lock().unwrap_or_else(PoisonError::into_inner)
}

fn failed(error: SealError) -> rusqlite::Error {
    rusqlite::Error::ToSqlConversionFailure(Box::new(error))
}
