//! Room on the disk: what is refused for want of it, and what goes for it.

use super::answers::tell;
use super::db::Db;
use super::handle::Command;
use super::thread::Worker;
use super::{NewEvent, StoreError};
use crate::config;
use pintle_core::queue::EventKind;
use pintle_core::queue::retention::Room;

/// What a row takes beside its body, in file and log, bytes (measured: 1,404 bytes a read of 1 kB).
const ROW_BYTES: usize = 512;
/// Slices of 500 events that go before a read is refused for want of room (our own limit: some 0.1 s of work).
const SLICES_FOR_ROOM: u32 = 16;

/// What events take, in file and log, bytes.
pub(super) fn bytes_of(events: &[NewEvent]) -> usize {
    events.iter().map(|event| event.body.len() + ROW_BYTES).sum()
}

impl Worker {
    /// Refuses reads while the disk has less free space than its owner wants; what the trailer itself has to tell, and
    /// receipts, may use the rest.
    pub(super) fn within_space(&mut self, command: Command) -> Option<Command> {
        let Command::Accept { events, now, answer } = command else { return Some(command) };
        let brings_reads = events.iter().any(|event| event.kind == EventKind::Read);
        self.folder.will_take(u64::try_from(bytes_of(&events)).unwrap_or(u64::MAX));
        if self.db.is_none() {
            // What is free inside a file that is closed is not known: without it the disk looks fuller than it is, and
            // the reason why the file is closed would be hidden behind "full".
            self.db = self.take_db();
            if self.db.is_none() {
                return Some(Command::Accept { events, now, answer });
            }
        }
        if brings_reads && self.is_short_of_space() && self.limits.when_full == config::WhenFull::Evict {
            self.make_room();
        }
        if brings_reads && self.is_short_of_space() {
            tell(answer, Err(StoreError::DiskFull));
            return None;
        }
        Some(Command::Accept { events, now, answer })
    }

    pub(super) fn is_short_of_space(&mut self) -> bool {
        let wanted = self.wanted_bytes();
        let mut free = self.folder.space().free;
        if free < wanted.saturating_mul(2) {
            // Near the edge a second is long.
            self.folder.forget_space();
            free = self.folder.space().free;
        }
        free < wanted && free.saturating_add(self.db.as_ref().map_or(0, Db::spare_bytes)) < wanted
    }

    pub(super) fn wanted_bytes(&self) -> u64 {
        self.limits.disk_free_min_mib.saturating_mul(1 << 20)
    }

    /// How much room the disk has; what is free inside the file counts as free.
    pub(super) fn room(&mut self) -> Room {
        let space = self.folder.space();
        let free = space.free.saturating_add(self.db.as_ref().map_or(0, Db::spare_bytes));
        let may_evict = self.limits.when_full == config::WhenFull::Evict;
        Room::of(free, space.size, self.limits.disk_act_percent, self.wanted_bytes(), may_evict)
    }

    /// Before reads are refused for want of room, what may go for them goes.
    fn make_room(&mut self) {
        let now = self.now;
        for _ in 0..SLICES_FOR_ROOM {
            let (answer, _) = tokio::sync::oneshot::channel();
            self.write(vec![Command::Retire { now, answer }]);
            if !self.is_short_of_space() {
                return;
            }
        }
    }
}
