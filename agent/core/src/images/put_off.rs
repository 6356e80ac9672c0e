//! Pictures that the receiver does not take now. Each class of them waits for itself, so that pictures of reads which
//! the receiver has let go hold up neither those of hits nor the younger ones behind them.

use super::Address;
use super::send::RANKS;
use crate::moment::Mono;
use std::collections::HashMap;

/// A picture that is not taken now is tried again after this, ms (our own).
pub const AGAIN_MS: u64 = 600_000;
/// So many of one rank are put off at a time; then the rank rests, since the receiver seems to take none (our own).
pub const OTHERS_MAX: usize = 64;
/// The same where the receiver itself says of each that no read names it: the next one may be named. A look costs 1.5
/// kB of data (our own).
pub const UNKNOWN_MAX: usize = 1024;
/// A picture of which the receiver says so often that no read names it will not be taken (our own).
pub const UNKNOWN_TIMES: u32 = 3;
/// And over so long at least, ms (our own: a receiver that is being restored has its reads again by then, or asks for
/// them).
pub const UNKNOWN_MS: u64 = 2 * AGAIN_MS;

/// Why a picture is put off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// The receiver itself says that it has no read which names this picture, though it has given the receipt for it:
    /// it has let the read go.
    Unknown,
    /// Somebody says "not here", "not so" or "not now" in other words.
    Other,
}

struct Entry {
    rank: u8,
    until: Mono,
    why: Why,
    /// How often in a row the receiver said "unknown", and when first.
    unknown: (u32, Mono),
}

/// What is put off, and how it was answered before.
#[derive(Default)]
pub struct PutOff {
    entries: HashMap<Address, Entry>,
}

impl PutOff {
    /// Puts a picture off. True if it will not be taken: then it is forgotten here, and whoever asks must tell so.
    #[must_use]
    pub fn put_off(&mut self, address: Address, rank: u8, why: Why, now: Mono) -> bool {
        let until = Mono(now.0.saturating_add(AGAIN_MS));
        let entry = self.entries.entry(address).or_insert(Entry { rank, until, why, unknown: (0, now) });
        (entry.rank, entry.until, entry.why) = (rank, until, why);
        match why {
            Why::Other => entry.unknown = (0, now),
            Why::Unknown if entry.unknown.0 == 0 => entry.unknown = (1, now),
            Why::Unknown => entry.unknown.0 = entry.unknown.0.saturating_add(1),
        }
        let (times, first) = entry.unknown;
        let never = UNKNOWN_TIMES <= times && UNKNOWN_MS <= now.since_ms(first);
        if never {
            self.entries.remove(&address);
        }
        never
    }

    /// A picture went, or never will.
    pub fn settled(&mut self, address: &Address) {
        self.entries.remove(address);
    }

    /// Forgets what was not asked for since its time came: it is not there any more.
    pub fn sweep(&mut self, now: Mono) {
        self.entries.retain(|_, entry| now.0 <= entry.until.0.saturating_add(AGAIN_MS));
    }

    /// Which pictures are not to be asked for now.
    pub fn waiting(&self, now: Mono) -> impl Iterator<Item = Address> {
        self.entries.iter().filter(move |(_, entry)| now < entry.until).map(|(address, _)| *address)
    }

    /// Of `ranks` those that don't rest, in their order.
    #[must_use]
    pub fn open_ranks(&self, mut ranks: Vec<u8>, now: Mono) -> Vec<u8> {
        let (mut unknown, mut others) = ([0_usize; RANKS as usize], [0_usize; RANKS as usize]);
        for entry in self.entries.values().filter(|entry| now < entry.until) {
            let counts = if entry.why == Why::Unknown { &mut unknown } else { &mut others };
            if let Some(count) = counts.get_mut(usize::from(entry.rank)) {
                *count += 1;
            }
        }
        let at = |counts: &[usize], rank: u8| counts.get(usize::from(rank)).copied().unwrap_or(0);
        ranks.retain(|rank| at(&unknown, *rank) < UNKNOWN_MAX && at(&others, *rank) < OTHERS_MAX);
        ranks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(number: usize) -> Address {
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&(number as u64).to_be_bytes());
        Address(bytes)
    }

    #[test]
    fn pictures_of_one_rank_that_are_not_taken_hold_up_no_other_rank() {
        let mut put_off = PutOff::default();
        let now = Mono(5_000);
        for number in 0..OTHERS_MAX {
            assert_eq!(put_off.open_ranks(vec![0, 4, 6], now), [0, 4, 6], "{number} are put off");
            assert!(!put_off.put_off(address(number), 4, Why::Other, now));
        }
        assert_eq!(put_off.open_ranks(vec![0, 4, 6], now), [0, 6], "the receiver takes none of these");
        assert_eq!(put_off.waiting(now).count(), OTHERS_MAX);
        let later = Mono(now.0 + AGAIN_MS);
        assert_eq!(put_off.open_ranks(vec![0, 4, 6], later), [0, 4, 6]);
        assert_eq!(put_off.waiting(later).count(), 0);
    }

    #[test]
    fn many_pictures_that_no_read_names_are_looked_at_before_their_rank_rests() {
        let mut put_off = PutOff::default();
        let now = Mono(5_000);
        for number in 0..UNKNOWN_MAX {
            assert_eq!(put_off.open_ranks(vec![4], now), [4], "a younger one comes after {number} that are unknown");
            assert!(!put_off.put_off(address(number), 4, Why::Unknown, now));
        }
        assert_eq!(put_off.open_ranks(vec![4, 5], now), [5]);
    }

    #[test]
    fn picture_is_given_up_after_three_times_unknown_over_twenty_minutes_and_not_before() {
        let mut put_off = PutOff::default();
        let at = |minutes: u64| Mono(60_000 * minutes);
        assert!(!put_off.put_off(address(1), 4, Why::Unknown, at(0)));
        assert!(!put_off.put_off(address(1), 4, Why::Unknown, at(10)));
        assert!(put_off.put_off(address(1), 4, Why::Unknown, at(20)));
        assert_eq!(put_off.waiting(at(20)).count(), 0, "it is forgotten");
        // Often, but not long enough.
        for minute in 0..20 {
            assert!(!put_off.put_off(address(2), 4, Why::Unknown, at(minute)), "after {minute} min");
        }
        assert!(put_off.put_off(address(2), 4, Why::Unknown, at(20)));
        // Another answer between begins the count anew: somebody else stood there.
        assert!(!put_off.put_off(address(3), 4, Why::Unknown, at(0)));
        assert!(!put_off.put_off(address(3), 4, Why::Other, at(10)));
        assert!(!put_off.put_off(address(3), 4, Why::Unknown, at(20)));
        assert!(!put_off.put_off(address(3), 4, Why::Unknown, at(30)));
        assert!(put_off.put_off(address(3), 4, Why::Unknown, at(40)));
        // Never by other words, however often.
        for round in 0..100 {
            assert!(!put_off.put_off(address(4), 4, Why::Other, at(10 * round)));
        }
    }

    #[test]
    fn what_went_or_is_not_asked_for_any_more_is_forgotten() {
        let mut put_off = PutOff::default();
        assert!(!put_off.put_off(address(1), 4, Why::Unknown, Mono(0)));
        assert!(!put_off.put_off(address(2), 4, Why::Unknown, Mono(0)));
        put_off.settled(&address(1));
        assert_eq!(put_off.waiting(Mono(1)).collect::<Vec<_>>(), [address(2)]);
        put_off.sweep(Mono(2 * AGAIN_MS));
        assert_eq!(put_off.entries.len(), 1, "its turn may still come");
        put_off.sweep(Mono(2 * AGAIN_MS + 1));
        assert_eq!(put_off.entries.len(), 0);
    }
}
