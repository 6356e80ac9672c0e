//! The age of the receiver's store, by which age limits, silence and giving up are judged: a step of this host's clock
//! moves nothing. One for the whole process; what another process on the folder needs it resumes by itself.

use super::retain::{get, put};
use pintle_core::moment::{Moment, Mono};
use pintle_core::queue::lived::{Lived, LivedMark};
use rusqlite::{Connection, Result};
use std::sync::{Arc, Mutex, PoisonError};

const LIVED: &str = "lived";

/// The running clock, shared by all that need it.
#[derive(Clone, Default)]
pub struct LivedClock(Arc<Mutex<Option<Lived>>>);

impl LivedClock {
    /// The age now, ms; goes on from what is written down in the database.
    ///
    /// # Errors
    /// What the database says.
    pub fn at(&self, work: &Connection, now: &Moment) -> Result<i64> {
        self.with(work, now, |lived| lived.at(now.mono))
    }

    /// The age now, ms, which is written down, so that it goes on from there after a restart.
    ///
    /// # Errors
    /// What the database says.
    pub fn keep(&self, work: &Connection, now: &Moment) -> Result<i64> {
        let (lived_ms, mark) = self.with(work, now, |lived| (lived.at(now.mono), lived.mark(now.mono)))?;
        put(work, LIVED, &mark.to_bytes())?;
        Ok(lived_ms)
    }

    /// The age at an instant, ms; `None` before the first look at the database.
    #[must_use]
    pub fn known_at(&self, mono: Mono) -> Option<i64> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map(|lived| lived.at(mono))
    }

    fn with<T>(&self, work: &Connection, now: &Moment, read: impl FnOnce(&Lived) -> T) -> Result<T> {
        let mut lived = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let lived = match &mut *lived {
            Some(lived) => {
                lived.observe(now);
                lived
            }
            none => none.insert(resume(work, now)?),
        };
        Ok(read(lived))
    }
}

fn resume(work: &Connection, now: &Moment) -> Result<Lived> {
    let kept: Option<Vec<u8>> = get(work, LIVED)?;
    let mark = kept.as_deref().and_then(LivedMark::from_bytes);
    // After a crash no row may be younger than the store.
    let newest: i64 = work.query_row(
        "SELECT max((SELECT coalesce(max(lived), 0) FROM mark), (SELECT coalesce(max(lived), 0) FROM state),
                    (SELECT coalesce(max(came), 0) FROM untold))",
        [],
        |row| row.get(0),
    )?;
    Ok(Lived::resume(mark.as_ref(), newest, boot_id(), now))
}

/// The age of the store now, for a program beside a running receiver.
pub(super) fn lived_ms(work: &Connection, now: &Moment) -> Result<i64> {
    Ok(resume(work, now)?.at(now.mono))
}

fn boot_id() -> [u8; 16] {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    pintle_core::ids::EventId::parse(text.trim()).map_or([0; 16], |id| id.0)
}
