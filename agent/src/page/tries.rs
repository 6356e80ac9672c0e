//! Wrong PINs: counted for each source and, more slowly, in all. They survive a restart. They make who guesses wait,
//! and never touch a page that is open already.

use pintle_core::moment::Utc;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::net::IpAddr;

/// Name of the file.
pub(super) const FILE: &str = "tries.json";
/// Wrong PINs of one source that cost nothing: people mistype (our own limit).
const SOURCE_FREE: u32 = 5;
/// First wait of a source, ms; each further wrong PIN doubles it, up to the longest (our own limits).
const SOURCE_WAIT_MS: i64 = 30_000;
const SOURCE_WAIT_MS_MAX: i64 = 3_600_000;
/// Wrong PINs of all sources that cost nothing, and the wait after that: it doubles with every tenth, up to the
/// longest, so that 10^8 PINs take over 90 years (our own limits).
const ALL_FREE: u32 = 30;
const ALL_WAIT_MS: i64 = 1000;
const ALL_WAIT_MS_MAX: i64 = 30_000;
/// After so long without a wrong PIN the count begins anew, ms.
const FORGET_MS: i64 = 24 * 3_600_000;
/// A source whose PIN was right within this time is not held up by the guessing of others, ms.
const KNOWN_MS: i64 = 30 * 24 * 3_600_000;
/// Sources that are remembered; the longest silent goes first (our own limit).
const SOURCES_MAX: usize = 512;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Count {
    failures: u32,
    last_ms: i64,
    #[serde(default)]
    right_ms: i64,
}

/// All counts.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Tries {
    sources: BTreeMap<String, Count>,
    all: Count,
    /// The last step of the second factor whose code was taken.
    pub(super) used_step: u64,
}

impl Tries {
    /// How long this source must wait before its next PIN is looked at, ms; 0: not at all.
    pub(super) fn wait_ms(&mut self, source: &str, now: Utc) -> i64 {
        let own = self.sources.get_mut(source).map_or(0, |count| {
            let over = count.failures.saturating_sub(SOURCE_FREE);
            let wait_ms = match over {
                0 if count.failures < SOURCE_FREE => 0,
                over => SOURCE_WAIT_MS.saturating_mul(1 << over.min(20)).min(SOURCE_WAIT_MS_MAX),
            };
            left(count, wait_ms, now)
        });
        let known = self
            .sources
            .get(source)
            .is_some_and(|count| 0 < count.right_ms && (0..KNOWN_MS).contains(&now.0.saturating_sub(count.right_ms)));
        if known {
            return own;
        }
        let wait_ms = match self.all.failures.checked_sub(ALL_FREE) {
            None => 0,
            Some(over) => ALL_WAIT_MS.saturating_mul(1 << (over / 10).min(20)).min(ALL_WAIT_MS_MAX),
        };
        own.max(left(&mut self.all, wait_ms, now))
    }

    /// A wrong PIN.
    pub(super) fn wrong(&mut self, source: &str, now: Utc) {
        if !self.sources.contains_key(source) && SOURCES_MAX <= self.sources.len() {
            let oldest = self.sources.iter().min_by_key(|(_, count)| count.last_ms.max(count.right_ms));
            if let Some(oldest) = oldest.map(|(source, _)| source.clone()) {
                self.sources.remove(&oldest);
            }
        }
        for count in [self.sources.entry(source.to_owned()).or_default(), &mut self.all] {
            if FORGET_MS < now.0.saturating_sub(count.last_ms) {
                count.failures = 0;
            }
            count.failures = count.failures.saturating_add(1);
            count.last_ms = now.0;
        }
    }

    /// A right one.
    pub(super) fn right(&mut self, source: &str, now: Utc) {
        let count = self.sources.entry(source.to_owned()).or_default();
        *count = Count { failures: 0, last_ms: 0, right_ms: now.0 };
    }
}

/// What is left of a wait. A clock that was set back does not lengthen it beyond itself.
fn left(count: &mut Count, wait_ms: i64, now: Utc) -> i64 {
    count.last_ms = count.last_ms.min(now.0);
    let since_ms = now.0.saturating_sub(count.last_ms);
    if FORGET_MS < since_ms { 0 } else { (wait_ms - since_ms).max(0) }
}

/// What counts as one source: an address, or the network of one in IPv6 (source: RFC 4291, an interface has a /64).
pub(super) fn source(address: IpAddr) -> String {
    match address.to_canonical() {
        IpAddr::V4(v4) => v4.to_string(),
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            format!("{a:x}:{b:x}:{c:x}:{d:x}::/64")
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const T0: Utc = Utc(1_795_608_000_000);

    /// Guesses as fast as it is let, from these sources in turn; answers how many PINs were looked at.
    fn guesses(tries: &mut Tries, sources: &[String], hours: i64) -> u32 {
        let (mut now, mut looked_at) = (T0, 0);
        while now.since_ms(T0) < hours * 3_600_000 {
            let waits: Vec<i64> = sources.iter().map(|source| tries.wait_ms(source, now)).collect();
            let (at, wait_ms) = waits.iter().enumerate().min_by_key(|(_, wait_ms)| **wait_ms).unwrap();
            now = now.plus_ms(*wait_ms);
            if tries.wait_ms(&sources[at], now) == 0 {
                tries.wrong(&sources[at], now);
                looked_at += 1;
            }
            now = now.plus_ms(10);
        }
        looked_at
    }

    #[test]
    fn one_who_guesses_gets_a_try_an_hour_and_many_together_two_a_minute() {
        let one = guesses(&mut Tries::default(), &["10.0.0.1".to_owned()], 24);
        assert!((25..45).contains(&one), "{one} in a day");
        let many: Vec<String> = (0..1000).map(|n| format!("10.0.{}.{}", n / 250, n % 250)).collect();
        let all = guesses(&mut Tries::default(), &many, 6);
        assert!((600..900).contains(&all), "{all} in six hours");
    }

    #[test]
    fn a_source_that_was_right_is_not_held_up_by_the_others() {
        let mut tries = Tries::default();
        tries.right("10.0.0.9", T0);
        (0..200).for_each(|n| tries.wrong(&format!("10.1.0.{n}"), T0));
        assert_eq!(tries.wait_ms("10.0.0.9", T0), 0);
        assert!(0 < tries.wait_ms("10.0.0.8", T0));
    }

    #[test]
    fn counts_come_back_from_the_file_are_bounded_and_forgotten_after_a_day() {
        let mut tries = Tries::default();
        (0..2000).for_each(|n| tries.wrong(&format!("s{n}"), T0.plus_ms(n)));
        assert!(tries.sources.len() <= SOURCES_MAX);
        (0..8).for_each(|_| tries.wrong("me", T0.plus_ms(3000)));
        let text = serde_json::to_string(&tries).unwrap();
        let mut back: Tries = serde_json::from_str(&text).unwrap();
        assert_eq!(back, tries);
        assert_eq!(back.wait_ms("me", T0.plus_ms(3000)), 240_000);
        assert_eq!(back.wait_ms("me", T0.plus_ms(-9_000_000)), 240_000, "a clock set back does not lengthen it");
        assert_eq!(tries.wait_ms("me", T0.plus_ms(FORGET_MS + 4000)), 0);
    }

    #[test]
    fn neighbours_in_one_network_of_ipv6_are_one_source() {
        assert_eq!(source("fd00::1:2:3:4".parse().unwrap()), source("fd00::9".parse().unwrap()));
        assert_eq!(source("::ffff:10.0.0.1".parse().unwrap()), "10.0.0.1");
    }
}
