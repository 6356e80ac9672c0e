//! How long an event is kept, and what may never go without a receipt.

use super::{EventKind, Lane};

/// At most this many rows are deleted in one transaction, so that a clean-up never holds up the intake
/// (source: fault 44).
pub const SLICE_ROWS: usize = 500;

/// Age limits in ms, counted from the capture (see [`super::lived`]).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Ordinary events without a receipt.
    pub waiting_ms: u64,
    /// Hits without a receipt.
    pub hit_waiting_ms: u64,
    /// Ordinary events with a receipt.
    pub delivered_ms: u64,
    /// Hits with a receipt.
    pub hit_delivered_ms: u64,
    /// How long the ids of reads that went are remembered.
    pub dedupe_ms: u64,
}

/// How much room the disk has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Room {
    /// Enough.
    #[default]
    Enough,
    /// Little: what was delivered goes before its time.
    Little,
    /// None for new reads, and waiting ones may go for them.
    Evict,
}

impl Room {
    /// Judges `free` of `size` bytes: little from `act_percent` in use on, none below `free_min` bytes; waiting reads
    /// go only if `may_evict`.
    #[must_use]
    pub fn of(free: u64, size: u64, act_percent: u64, free_min: u64, may_evict: bool) -> Self {
        if may_evict && free < free_min {
            return Self::Evict;
        }
        let used = size.saturating_sub(free);
        // 100 % means never.
        let little = act_percent < 100 && u128::from(size) * u128::from(act_percent) < u128::from(used) * 100;
        if little || free < free_min { Self::Little } else { Self::Enough }
    }
}

/// In which account an event stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Account {
    /// No receipt yet.
    Waiting,
    /// With a receipt.
    Delivered,
    /// Refused by the receiver and set aside.
    Refused,
}

impl Limits {
    /// The age limit of an event, ms; `None` if it never goes in this account. Alarms and ledger events never go
    /// without a receipt. What was refused is kept as long as what waits, so that a person can look at it.
    #[must_use]
    pub fn keep_ms(&self, kind: EventKind, lane: Lane, hit: bool, account: Account) -> Option<u64> {
        match (account, hit) {
            (Account::Waiting, _) if never_expires(kind, lane) => None,
            (Account::Waiting | Account::Refused, false) => Some(self.waiting_ms),
            (Account::Waiting | Account::Refused, true) => Some(self.hit_waiting_ms),
            (Account::Delivered, false) => Some(self.delivered_ms),
            (Account::Delivered, true) => Some(self.hit_delivered_ms),
        }
    }

    /// Whether an event of this age has reached its limit.
    #[must_use]
    pub fn is_due(&self, kind: EventKind, lane: Lane, hit: bool, account: Account, age_ms: i64) -> bool {
        self.keep_ms(kind, lane, hit, account).is_some_and(|keep| u64::try_from(age_ms).is_ok_and(|age| keep < age))
    }
}

fn never_expires(kind: EventKind, lane: Lane) -> bool {
    matches!(kind, EventKind::Ledger | EventKind::Digest) || (kind == EventKind::Notice && lane == Lane::Urgent)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits =
        Limits { waiting_ms: 30, hit_waiting_ms: 40, delivered_ms: 10, hit_delivered_ms: 20, dedupe_ms: 50 };

    #[test]
    fn a_disk_is_judged_by_what_is_free_of_it() {
        let table = [
            (11, 90, 0, Room::Enough),
            (10, 90, 0, Room::Enough),
            (9, 90, 0, Room::Little),
            (0, 100, 0, Room::Enough),
            (5, 100, 6, Room::Little),
            (6, 100, 6, Room::Enough),
        ];
        for (free, act, free_min, room) in table {
            assert_eq!(Room::of(free, 100, act, free_min, false), room, "{free} {act} {free_min}");
        }
        assert_eq!(Room::of(5, 100, 90, 6, true), Room::Evict);
        assert_eq!(Room::of(7, 100, 90, 6, true), Room::Little);
        assert_eq!(Room::of(0, 0, 90, 0, true), Room::Enough, "a disk that tells no size");
    }

    #[test]
    fn each_class_has_its_own_limit_waiting_and_delivered() {
        let read = |hit, account, age| LIMITS.is_due(EventKind::Read, Lane::Bulk, hit, account, age);
        let table = [
            (false, Account::Waiting, 30),
            (true, Account::Waiting, 40),
            (false, Account::Refused, 30),
            (false, Account::Delivered, 10),
            (true, Account::Delivered, 20),
        ];
        for (hit, account, limit) in table {
            assert!(!read(hit, account, limit), "{hit} {account:?} at its limit");
            assert!(read(hit, account, limit + 1), "{hit} {account:?} past its limit");
            assert!(!read(hit, account, -5), "{hit} {account:?} not yet born");
        }
    }

    #[test]
    fn alarms_and_ledger_events_never_go_without_a_receipt() {
        for (kind, lane) in [(EventKind::Ledger, Lane::Bulk), (EventKind::Notice, Lane::Urgent)] {
            assert!(!LIMITS.is_due(kind, lane, false, Account::Waiting, i64::MAX));
            assert!(LIMITS.is_due(kind, lane, false, Account::Delivered, i64::MAX));
        }
        assert!(LIMITS.is_due(EventKind::Notice, Lane::Bulk, false, Account::Waiting, i64::MAX));
    }
}
