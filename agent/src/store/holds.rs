//! Holds in the file: kept durably, and asked of each event whose time has come.

use super::books::signed;
use super::db::Db;
use super::sealed::locked;
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::holds::{Hold, HoldChange, Holds, HoldsView};
use pintle_core::queue::lived::{Lived, LivedMark};
use pintle_core::seal::{Body, KeyId};
use pintle_core::wire::hold::{from_kept, to_kept};
use rusqlite::{Connection, OptionalExtension, params};
use std::cell::RefCell;
use std::collections::HashMap;

/// Key in the table `kept`.
pub(super) const HOLDS: &str = ".holds";
/// Bytes of a sealed body in which the name of its key stands: both headers of version 2, and a tag.
const HEAD_BYTES: i64 = 64;
/// Keys remembered as holding or not (our own limit; forgotten as a whole beyond it).
const KEYS_MAX: usize = 10_000;

/// What a hold says to an event that is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Keep {
    /// Nothing: it goes.
    Goes,
    /// It lies in a window.
    Held,
    /// It lies in none, but its content key opens reads that do: as long as that key stays, what is left of it on the
    /// disk could be opened, so it stays openly and is counted.
    ForItsKey,
}

/// A walk over events that are due, done a part at a time, and what it found to be kept.
#[derive(Clone, Copy, Default)]
pub(super) struct Walk {
    /// Where it goes on.
    pub(super) at: u64,
    kept: [u64; 2],
    /// What the last whole walk found.
    whole: [u64; 2],
}

impl Walk {
    /// Counts one that is kept. True if it may not go.
    pub(super) fn count(&mut self, keep: Keep) -> bool {
        let [kept, over] = &mut self.kept;
        *kept += u64::from(keep != Keep::Goes);
        *over += u64::from(keep == Keep::ForItsKey);
        keep != Keep::Goes
    }

    /// The walk is through.
    pub(super) fn end(&mut self) {
        *self = Self { whole: self.kept, ..Self::default() };
    }
}

/// What is known of holds beside the books.
#[derive(Default)]
pub(super) struct KnownHolds {
    pub(super) holds: Holds,
    /// Over settled events, waiting bulk and waiting urgent ones.
    pub(super) settled: Walk,
    pub(super) bulk: Walk,
    pub(super) urgent: Walk,
    keys: RefCell<HashMap<KeyId, bool>>,
}

impl KnownHolds {
    pub(super) fn read(conn: &Connection) -> rusqlite::Result<Self> {
        let kept: Option<Vec<u8>> =
            conn.query_row("SELECT value FROM kept WHERE key = ?", [HOLDS], |row| row.get(0)).optional()?;
        let holds = from_kept(kept.as_deref());
        if holds.unreadable {
            tracing::error!(
                "holds were lost with a damaged part of the disk; nothing is let go until `pintle hold anew`"
            );
        }
        Ok(Self { holds, ..Self::default() })
    }
}

/// A read as a hold sees it.
struct Seen {
    camera: Option<String>,
    captured: Utc,
    stamp: Option<Vec<u8>>,
}

impl Seen {
    fn is_in(&self, holds: &Holds) -> bool {
        holds.covers(self.camera.as_deref(), self.captured, || site_of(self.stamp.as_deref()?))
    }
}

/// The site that a stamp names.
pub(super) fn site_of(stamp: &[u8]) -> Option<u64> {
    let stamp: serde_json::Value = serde_json::from_slice(stamp).ok()?;
    stamp.pointer("/place/site")?.as_u64()
}

impl Db {
    /// Whether a hold keeps an event whose time has come. Only reads are held.
    pub(super) fn keeps(&self, sequence: u64) -> rusqlite::Result<Keep> {
        let holds = &self.holds.holds;
        if holds.is_empty() {
            return Ok(Keep::Goes);
        }
        let seen = self
            .conn
            .prepare_cached(
                "SELECT camera, happened_at, (SELECT stamp FROM stamps WHERE number = events.stamp), \
                 substr(body, 1, ?2) FROM events WHERE sequence = ?1 AND kind = 0",
            )?
            .query_row(params![signed(sequence), HEAD_BYTES], |row| {
                let seen = Seen { camera: row.get(0)?, captured: Utc(row.get(1)?), stamp: row.get(2)? };
                Ok((seen, row.get::<_, Vec<u8>>(3)?))
            })
            .optional()?;
        let Some((seen, head)) = seen else { return Ok(Keep::Goes) };
        if seen.is_in(holds) {
            return Ok(Keep::Held);
        }
        let key = Body::parse(&head).ok().map(|body| body.key);
        Ok(match key {
            Some(key) if self.key_is_held(key)? => Keep::ForItsKey,
            _ => Keep::Goes,
        })
    }

    /// Whether a read under this content key lies in a window.
    fn key_is_held(&self, key: KeyId) -> rusqlite::Result<bool> {
        if let Some(held) = self.holds.keys.borrow().get(&key) {
            return Ok(*held);
        }
        let generation = EventId::parse(&self.books.generation);
        let used = self.sealer.as_ref().zip(generation);
        let used = used.and_then(|(sealer, own)| locked(sealer).used(key, &own.0, self.books.accepted));
        let mut held = false;
        if let Some(used) = used {
            let mut rows = self.conn.prepare_cached(
                "SELECT happened_at, (SELECT stamp FROM stamps WHERE number = events.stamp) FROM events \
                 WHERE sequence BETWEEN ?1 AND ?2 AND kind = 0 AND hit = ?3 AND camera = ?4 \
                 AND (substr(body, 2, 8) = ?5 OR substr(body, 27, 8) = ?5)",
            )?;
            let mut rows =
                rows.query(params![signed(used.first), signed(used.last), used.hit, used.camera, used.key.0])?;
            while !held && let Some(row) = rows.next()? {
                let camera = Some(used.camera.clone());
                held = Seen { camera, captured: Utc(row.get(0)?), stamp: row.get(1)? }.is_in(&self.holds.holds);
            }
        }
        let mut keys = self.holds.keys.borrow_mut();
        if KEYS_MAX <= keys.len() {
            keys.clear();
        }
        keys.insert(key, held);
        Ok(held)
    }

    /// Makes a change inside the running transaction; the hold's number, 0 if there is none of that number or there are
    /// too many.
    pub(super) fn change_holds(&mut self, change: &HoldChange, now: &Moment) -> rusqlite::Result<u64> {
        self.books.lived.observe(now);
        let lived_ms = self.books.lived.at(now.mono);
        let Some(number) = self.holds.holds.change(change, now.utc, lived_ms) else { return Ok(0) };
        self.holds.keys.borrow_mut().clear();
        self.keep_holds()?;
        Ok(number)
    }

    /// Ends holds whose time is over, inside the running transaction.
    pub(super) fn expire_holds(&mut self, lived_ms: i64) -> rusqlite::Result<()> {
        if self.holds.holds.expire(lived_ms) {
            self.holds.keys.borrow_mut().clear();
            self.keep_holds()?;
        }
        Ok(())
    }

    fn keep_holds(&mut self) -> rusqlite::Result<()> {
        // The age by which holds end goes to the disk with them.
        self.sums_changed = true;
        self.keep(HOLDS, &to_kept(&self.holds.holds))
    }

    /// All holds, each with what is left of it, ms.
    pub(super) fn list_holds(&self, now: &Moment) -> Vec<(Hold, u64)> {
        let lived_ms = self.books.lived.at(now.mono);
        self.holds.holds.list.iter().map(|hold| (hold.clone(), hold.left_ms(lived_ms))).collect()
    }

    /// What health tells.
    pub(super) fn holds_view(&self, now: &Moment) -> HoldsView {
        let view = self.holds.holds.view(now.utc, self.books.lived.at(now.mono));
        let walks = [&self.holds.settled, &self.holds.bulk, &self.holds.urgent];
        let sum = |at: usize| walks.iter().map(|walk| walk.whole[at]).sum();
        if view.count == 0 && !view.unreadable { view } else { HoldsView { kept: sum(0), over_kept: sum(1), ..view } }
    }

    /// Takes the holds of an earlier file over; each holds as long as it would have there. `noted`: how many it had, by
    /// the note beside it.
    pub(super) fn adopt_holds(&mut self, old: &Connection, noted: Option<u64>) -> rusqlite::Result<()> {
        let kept =
            old.query_row("SELECT value FROM kept WHERE key = ?", [HOLDS], |row| row.get::<_, Vec<u8>>(0)).optional();
        let holds = match kept {
            Ok(kept) => from_kept(kept.as_deref()),
            // Holds that can't be read hold everything; a file that had none has none to lose.
            Err(_) => Holds { unreadable: noted != Some(0), ..Holds::default() },
        };
        if holds.unreadable || !holds.list.is_empty() || 0 < holds.last {
            self.holds.holds = holds;
            self.keep_holds()?;
        }
        Ok(())
    }

    /// The clock of the store as an earlier file tells it.
    pub(super) fn lived_of(old: &Connection, now: &Moment) -> Lived {
        let mark = old.query_row("SELECT lived FROM ledger", [], |row| row.get::<_, Option<Vec<u8>>>(0));
        let mark = mark.ok().flatten().and_then(|mark| LivedMark::from_bytes(&mark));
        let sql = "SELECT coalesce(max(born), 0) FROM events WHERE sequence = (SELECT max(sequence) FROM events)";
        let newest = old.query_row(sql, [], |row| row.get::<_, i64>(0));
        Lived::resume(mark.as_ref(), newest.unwrap_or(0), super::disk::boot_id(), now)
    }

    /// Whether the pictures of a read may go for want of room: those of held reads may not.
    pub(super) fn may_go(&self, sequence: u64) -> rusqlite::Result<bool> {
        Ok(self.keeps(sequence)? == Keep::Goes)
    }
}
