//! In which order pictures are sent, and how much of the data of a day they may use.

use super::Role;
use crate::link::usage::Saving;
use crate::moment::Utc;

/// Below this rate a link is thin: thumbnails go before pictures, bit/s (our own limit: a picture of 200 kB takes
/// longer than a second and a half there).
pub const THIN_BIT_S: u64 = 1_000_000;
/// Bytes that a request costs beside its body: heads, TLS records and their acknowledgements (our own estimate).
pub const REQUEST_BYTES: u64 = 1500;
/// A picture is sent in parts of at most this, bytes: after a break only one part goes again, and a read waits behind
/// one part only (our own limit: a second on a link of 1 Mbit/s).
pub const PART_BYTES: u64 = 131_072;
/// Pictures rest while more reads than this wait for their turn (our own limit: two requests of the usual size).
pub const READS_WAITING_MAX: u64 = 400;

/// How many ranks there are.
pub const RANKS: u8 = 8;

/// The rank under which a picture is kept: hits before others, plates before overviews.
#[must_use]
pub fn rank(hit: bool, role: Role, thumbnail: bool) -> u8 {
    u8::from(!hit) * 4 + u8::from(role == Role::Overview) * 2 + u8::from(thumbnail)
}

/// Ranks in the order of sending. On a thin link the small ones of a class go before the large ones.
#[must_use]
pub fn order(thin: bool) -> [u8; RANKS as usize] {
    if thin { [1, 0, 3, 2, 5, 7, 4, 6] } else { [0, 1, 2, 3, 4, 5, 6, 7] }
}

/// Ranks that may go, in the order of sending, under what is saved because of the data plan.
#[must_use]
pub fn order_under(thin: bool, saving: Saving) -> Vec<u8> {
    match saving {
        Saving::None => order(thin).to_vec(),
        // Thumbnails have the odd ranks.
        Saving::Thumbnails => order(true).into_iter().filter(|rank| rank % 2 == 1).collect(),
        Saving::NoImages | Saving::UrgentOnly => Vec::new(),
    }
}

/// Whether the link is thin, by the last part that was sent. Unknown counts as thin.
#[must_use]
pub fn is_thin(bytes: u64, took_ms: u64) -> bool {
    bytes.saturating_mul(8000) / took_ms.max(1) < THIN_BIT_S
}

/// What pictures have used of a day's data. A day that has begun does not begin again: a clock that is set back brings
/// no second budget.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Budget {
    day: i64,
    used: u64,
}

impl Budget {
    /// As it was written down with [`Self::to_bytes`]; anything else counts as nothing used.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Self {
        let number = |at: usize| bytes.get(at..at + 8).and_then(|part| part.try_into().ok());
        match (number(0), number(8)) {
            (Some(day), Some(used)) => Self { day: i64::from_be_bytes(day), used: u64::from_be_bytes(used) },
            _ => Self::default(),
        }
    }

    /// For keeping over a restart.
    #[must_use]
    pub fn to_bytes(self) -> Vec<u8> {
        [self.day.to_be_bytes(), self.used.to_be_bytes()].concat()
    }

    /// Bytes that are left of `day_bytes_max` today (UTC days).
    #[must_use]
    pub fn left(&mut self, now: Utc, day_bytes_max: u64) -> u64 {
        let day = now.0.div_euclid(86_400_000);
        if self.day < day {
            *self = Self { day, used: 0 };
        }
        day_bytes_max.saturating_sub(self.used)
    }

    /// Counts `bytes` as used.
    pub fn spend(&mut self, bytes: u64) {
        self.used = self.used.saturating_add(bytes);
    }
}

/// What the forwarder tells of pictures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ImagesView {
    /// Pictures whose read was delivered and that wait for their turn, thumbnails among them.
    pub due: u64,
    /// Sent since the start.
    pub sent: u64,
    /// True while today's budget is used up.
    pub budget_spent: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_picture_of_a_hits_plate_is_first_and_thin_links_get_thumbnails_first() {
        let all = [
            (true, Role::Plate, false),
            (true, Role::Plate, true),
            (true, Role::Overview, false),
            (true, Role::Overview, true),
            (false, Role::Plate, false),
            (false, Role::Plate, true),
            (false, Role::Overview, false),
            (false, Role::Overview, true),
        ];
        let of = |wanted: u8| all.into_iter().find(|(hit, role, small)| rank(*hit, *role, *small) == wanted);
        assert_eq!(of(order(false)[0]), Some((true, Role::Plate, false)));
        assert_eq!(order(true).map(of).map(|found| found.is_some_and(|(hit, ..)| hit))[..4], [true; 4]);
        assert_eq!(of(order(true)[0]), Some((true, Role::Plate, true)));
        let ordinary = order(true).map(of).map(|found| found.is_some_and(|(.., small)| small));
        assert_eq!(ordinary[4..], [true, true, false, false]);
        let mut sorted = order(true);
        sorted.sort_unstable();
        assert_eq!(sorted, order(false), "each rank once");
    }

    #[test]
    fn a_plan_that_nears_its_end_leaves_thumbnails_and_then_nothing() {
        assert_eq!(order_under(false, Saving::None), order(false));
        let small = order_under(false, Saving::Thumbnails);
        let thumbnails = [rank(true, Role::Plate, true), rank(true, Role::Overview, true)];
        assert_eq!(small[..2], thumbnails, "those of hits first");
        assert_eq!(small.len(), 4);
        assert!(order_under(true, Saving::NoImages).is_empty() && order_under(true, Saving::UrgentOnly).is_empty());
    }

    #[test]
    fn a_budget_lasts_a_day_and_a_clock_set_back_brings_no_second_one() {
        let day = |n: i64| Utc(n * 86_400_000 + 5);
        let mut budget = Budget::default();
        assert_eq!(budget.left(day(20_000), 1000), 1000);
        budget.spend(600);
        budget.spend(600);
        assert_eq!(budget.left(day(20_000), 1000), 0);
        let mut budget = Budget::from_bytes(&budget.to_bytes());
        assert_eq!(budget.left(day(19_999), 1000), 0, "neither a restart nor a clock set back");
        assert_eq!(budget.left(day(20_001), 1000), 1000);
        assert_eq!(Budget::from_bytes(b"?"), Budget::default());
    }

    #[test]
    fn a_link_is_thin_by_what_it_carried() {
        assert!(is_thin(131_072, 10_000));
        assert!(!is_thin(131_072, 100));
        assert!(!is_thin(131_072, 0));
    }
}
