//! How long an event is kept, and what may never go without a receipt.

use super::{EventKind, Lane};
use crate::geo::LatLon;

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

/// Places with limits of their own that a trailer knows at most (our own limit).
pub const PROFILES_MAX: usize = 8;

/// Limits of reads that were captured within a circle: another law holds there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Profile {
    /// What marks its reads in the store, see [`profile_code`].
    pub code: i64,
    /// Middle of the circle.
    pub middle: LatLon,
    /// Its radius, m.
    pub radius_m: f64,
    /// The limits there.
    pub limits: Limits,
}

/// All profiles; the first that holds a position counts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Profiles(pub [Option<Profile>; PROFILES_MAX]);

impl Profiles {
    /// No profile.
    pub const NONE: Self = Self([None; PROFILES_MAX]);

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.iter().next().is_none()
    }

    /// All of them, in their order.
    pub fn iter(&self) -> impl Iterator<Item = &Profile> {
        self.0.iter().flatten()
    }

    /// The profile that holds a position.
    #[must_use]
    pub fn at(&self, position: LatLon) -> Option<&Profile> {
        self.iter().find(|profile| profile.middle.distance_m(position) <= profile.radius_m)
    }

    /// The limits of reads marked with `code`; `base` for those of no profile, or of one that is not configured any
    /// more.
    #[must_use]
    pub fn limits(&self, code: i64, base: &Limits) -> Limits {
        self.iter().find(|profile| profile.code == code).map_or(*base, |profile| profile.limits)
    }

    /// Of each limit the shortest that holds anywhere.
    #[must_use]
    pub fn shortest(&self, base: &Limits) -> Limits {
        self.iter().fold(*base, |least, profile| Limits {
            waiting_ms: least.waiting_ms.min(profile.limits.waiting_ms),
            hit_waiting_ms: least.hit_waiting_ms.min(profile.limits.hit_waiting_ms),
            delivered_ms: least.delivered_ms.min(profile.limits.delivered_ms),
            hit_delivered_ms: least.hit_delivered_ms.min(profile.limits.hit_delivered_ms),
            dedupe_ms: least.dedupe_ms,
        })
    }
}

/// The number that stands for a profile's name in the store: 2 and up, the same after every start. Source: FNV-1a, 32
/// bits, from memory.
#[must_use]
pub fn profile_code(name: &str) -> i64 {
    let hash = name.bytes().fold(0x811c_9dc5_u32, |hash, byte| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193));
    i64::from(hash) + 2
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

    /// Whether what has so long left of its limit is told. Source: design, "48 h before waiting reads expire a need
    /// says so"; half the limit where that is shorter.
    #[must_use]
    pub fn is_near(keep_ms: u64, left_ms: i64) -> bool {
        left_ms <= i64::try_from(warn_ms(keep_ms)).unwrap_or(i64::MAX)
    }

    /// Whether it is told as urgent: in the last quarter of that.
    #[must_use]
    pub fn is_urgent(keep_ms: u64, left_ms: i64) -> bool {
        left_ms <= i64::try_from(warn_ms(keep_ms) / 4).unwrap_or(i64::MAX)
    }

    /// Whether an event of this age has reached its limit.
    #[must_use]
    pub fn is_due(&self, kind: EventKind, lane: Lane, hit: bool, account: Account, age_ms: i64) -> bool {
        self.keep_ms(kind, lane, hit, account).is_some_and(|keep| u64::try_from(age_ms).is_ok_and(|age| keep < age))
    }
}

fn warn_ms(keep_ms: u64) -> u64 {
    (48 * 3_600_000).min(keep_ms / 2)
}

fn never_expires(kind: EventKind, lane: Lane) -> bool {
    matches!(kind, EventKind::Ledger | EventKind::Digest) || (kind == EventKind::Notice && lane == Lane::Urgent)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const LIMITS: Limits =
        Limits { waiting_ms: 30, hit_waiting_ms: 40, delivered_ms: 10, hit_delivered_ms: 20, dedupe_ms: 50 };

    #[test]
    fn the_first_profile_that_holds_the_position_gives_the_limits() {
        let position = |lat, lon| LatLon::new(lat, lon).unwrap();
        let profile = |name, lat, radius_m, waiting_ms| Profile {
            code: profile_code(name),
            middle: position(lat, -30.0),
            radius_m,
            limits: Limits { waiting_ms, ..LIMITS },
        };
        let mut profiles = Profiles::NONE;
        assert!(profiles.is_empty());
        profiles.0[0] = Some(profile("north", 44.5, 1000.0, 3));
        profiles.0[1] = Some(profile("county", 44.5, 50_000.0, 300));
        let found = |lat, lon| profiles.at(position(lat, lon)).map(|profile| profile.limits.waiting_ms);
        assert_eq!([found(44.5, -30.0), found(44.6, -30.0), found(46.0, -30.0)], [Some(3), Some(300), None]);
        assert_eq!(profiles.limits(profile_code("county"), &LIMITS).waiting_ms, 300);
        assert_eq!(profiles.limits(profile_code("gone"), &LIMITS), LIMITS);
        assert_eq!(profiles.shortest(&LIMITS).waiting_ms, 3);
        assert!(["north", "county", "a", ""].iter().all(|name| 2 <= profile_code(name)));
    }

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
    fn what_goes_within_two_days_or_half_its_limit_is_told_and_urgent_in_the_last_quarter() {
        const HOUR: i64 = 3_600_000;
        let month = 30 * 86_400_000;
        for (keep_ms, left_ms, near, urgent) in [
            (month, 49 * HOUR, false, false),
            (month, 48 * HOUR, true, false),
            (month, 12 * HOUR, true, true),
            (180_000, 90_001, false, false),
            (180_000, 90_000, true, false),
            (180_000, 22_500, true, true),
            (180_000, -5, true, true),
        ] {
            let told = (Limits::is_near(keep_ms, left_ms), Limits::is_urgent(keep_ms, left_ms));
            assert_eq!(told, (near, urgent), "{keep_ms} {left_ms}");
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
