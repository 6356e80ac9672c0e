//! What a trailer remembers of requests from afar, so that each is carried out once. It is kept in two places; the
//! larger of both counts holds.

use super::VALID_MS_MAX;
use crate::moment::Utc;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// First line of the form.
const HEAD: &str = "pintle-heard-1";
/// Stands for every key: an earlier version did not say whose number it kept.
const ANY_KEY: &str = "*";

/// The highest number heard of each key, and since when they are counted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    since: Utc,
    highest: BTreeMap<String, u64>,
}

impl Heard {
    /// Nothing was heard since then.
    #[must_use]
    pub fn began(since: Utc) -> Self {
        Self { since, highest: BTreeMap::new() }
    }

    /// Since when numbers are counted: what was made before may have been carried out.
    #[must_use]
    pub fn since(&self) -> Utc {
        self.since
    }

    /// The same, begun now if it claims to have begun later than any request could wait: a clock was wrong that day,
    /// and all requests would be refused until then.
    #[must_use]
    pub fn mended(&self, now: Utc) -> Self {
        let since = if VALID_MS_MAX < self.since.since_ms(now) { now } else { self.since };
        Self { since, ..self.clone() }
    }

    /// The highest number heard of a key; 0 if none was. Each key has its own: whoever had an old key may have used up
    /// its numbers, and must not be able to shut out the new one.
    #[must_use]
    pub fn highest(&self, key: &str) -> u64 {
        let of = |key| self.highest.get(key).copied().unwrap_or(0);
        of(key).max(of(ANY_KEY))
    }

    /// The same with this number of a key (a name without spaces) heard.
    #[must_use]
    pub fn with(&self, key: &str, number: u64) -> Self {
        let mut heard = self.clone();
        let highest = heard.highest.entry(key.to_owned()).or_default();
        *highest = number.max(*highest);
        heard
    }

    /// What both know together.
    #[must_use]
    pub fn together(self, other: &Self) -> Self {
        let all = other.highest.iter().fold(self, |heard, (key, number)| heard.with(key, *number));
        Self { since: all.since.max(other.since), ..all }
    }

    /// As it is kept: lines, the last one a sum over the others.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut text = format!("{HEAD}\nsince {}\n", self.since.0);
        for (key, number) in &self.highest {
            // Writing to memory can't fail.
            let _ok = writeln!(text, "{key} {number}");
        }
        let sum = sum(text.as_bytes());
        let _ok = writeln!(text, "sum {sum:016x}");
        text.into_bytes()
    }

    /// Reads [`Self::to_bytes`], or the bare number of an earlier version; `None` if it is damaged.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(bytes).ok()?;
        if let Ok(number) = text.parse() {
            return Some(Self::began(Utc(0)).with(ANY_KEY, number));
        }
        let (lines, told) = text.strip_suffix('\n')?.rsplit_once('\n')?;
        let whole = bytes.get(..=lines.len())?;
        if told.strip_prefix("sum ").and_then(|hex| u64::from_str_radix(hex, 16).ok()) != Some(sum(whole)) {
            return None;
        }
        let mut lines = lines.lines();
        if lines.next() != Some(HEAD) {
            return None;
        }
        let since = Utc(lines.next()?.strip_prefix("since ")?.parse().ok()?);
        let highest = lines.map(|line| {
            let (key, number) = line.split_once(' ')?;
            Some((key.to_owned(), number.parse().ok()?))
        });
        Some(Self { since, highest: highest.collect::<Option<_>>()? })
    }
}

/// FNV-1a, 64 bit, against accidents of the disk and nothing else. Source: RFC 9923, offset basis and prime.
fn sum(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const OLD: &str = "ed25519:AAAA";
    const NEW: &str = "ed25519:BBBB";

    #[test]
    fn the_larger_of_both_counts_holds_and_the_later_beginning() {
        let one = Heard::began(Utc(5)).with(OLD, 9).with(NEW, 2);
        let other = Heard::began(Utc(8)).with(OLD, 7).with(NEW, 3);
        let both = one.clone().together(&other);
        assert_eq!((both.highest(OLD), both.highest(NEW), both.since()), (9, 3, Utc(8)));
        assert_eq!(other.together(&one), both);
        assert_eq!(both.with(OLD, 4), both, "a count never falls");
    }

    #[test]
    fn a_count_that_began_in_a_far_future_begins_now_and_keeps_its_numbers() {
        let heard = Heard::began(Utc(VALID_MS_MAX + 101)).with(OLD, 9);
        let mended = heard.mended(Utc(100));
        assert_eq!((mended.since(), mended.highest(OLD)), (Utc(100), 9));
        // A clock that goes back by less than that must not make old requests new.
        assert_eq!(heard.mended(Utc(101)), heard);
    }

    #[test]
    fn a_new_key_begins_at_nothing_and_an_old_one_goes_on_where_it_was() {
        let heard = Heard::began(Utc(5)).with(OLD, u64::MAX);
        assert_eq!((heard.highest(NEW), heard.with(NEW, 4).highest(NEW)), (0, 4));
        assert_eq!(heard.with(NEW, 4).highest(OLD), u64::MAX);
    }

    #[test]
    fn what_was_kept_is_read_back_and_every_damage_is_found() {
        let heard = Heard::began(Utc(1_795_608_000_000)).with(OLD, 1_795_608_000_123).with(NEW, 7);
        let good = heard.to_bytes();
        assert_eq!(Heard::from_bytes(&good), Some(heard));
        for at in 0..good.len() {
            assert_eq!(Heard::from_bytes(&good[..at]), None, "cut off at {at}");
            for bit in 0..8 {
                let mut changed = good.clone();
                changed[at] ^= 1 << bit;
                let read = Heard::from_bytes(&changed);
                // A letter of the sum may be written large; it says the same.
                assert!(read.is_none() || changed.eq_ignore_ascii_case(&good), "bit {bit} of byte {at} changed");
            }
        }
        assert_eq!(Heard::from_bytes(&[good.as_slice(), b"x"].concat()), None);
        assert_eq!(Heard::from_bytes(b""), None);
        assert_eq!(Heard::from_bytes(&[0; 200]), None);
    }

    #[test]
    fn the_bare_number_of_an_earlier_version_counts_for_every_key() {
        let heard = Heard::from_bytes(b"1795608000123").unwrap();
        assert_eq!(
            (heard.highest(OLD), heard.highest(NEW), heard.since()),
            (1_795_608_000_123, 1_795_608_000_123, Utc(0))
        );
        assert_eq!(Heard::from_bytes(&heard.to_bytes()), Some(heard));
    }
}
