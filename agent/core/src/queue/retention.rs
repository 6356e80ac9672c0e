//! How long an event is kept, and what may never go without a receipt.

use super::{EventKind, Lane};

/// At most this many rows are deleted in one transaction, so that a clean-up never holds up the intake
/// (source: fault 44).
pub const SLICE_ROWS: usize = 500;

/// Ids of reads that went are remembered for this long, ms: 30 days, as long as an engine may keep a read to hand it in
/// again. Common practice, no source.
pub const DEDUPE_KEEP_MS: i64 = 30 * 86_400_000;

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

    const LIMITS: Limits = Limits { waiting_ms: 30, hit_waiting_ms: 40, delivered_ms: 10, hit_delivered_ms: 20 };

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
