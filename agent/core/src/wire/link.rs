//! What the link watcher keeps over restarts: data used, outages, how long hits took, and what probes cost. No plate.

use crate::link::latency::{self, Latency, Tally};
use crate::link::outages::{self, Outage, Outages, Undated};
use crate::link::probing::Budget;
use crate::link::rung::Rung;
use crate::link::usage::{self, Counters, Usage};
use crate::moment::{Mono, Utc};
use serde::{Deserialize, Serialize};

/// Name and version of the format. Fields that were added later are left out of older files.
pub const FORMAT: &str = "pintle.link.v1";

/// The kept memory.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptLink {
    /// [`FORMAT`].
    pub format: String,
    /// The kernel's id of the boot that all `_mono_ms` belong to.
    #[serde(default)]
    pub boot: String,
    /// When it was written, on the clock of that boot, ms.
    #[serde(default)]
    pub at_mono_ms: u64,
    /// The interface's counters as last seen.
    #[serde(default)]
    pub counters: Option<KeptCounters>,
    /// Bytes of each UTC day: days since 1970-01-01, bytes.
    #[serde(default)]
    pub days: Vec<(i64, u64)>,
    /// Bytes that have no day yet.
    #[serde(default)]
    pub undated: u64,
    /// Outages that are over: when they began, ms since 1970; length, ms; rung.
    #[serde(default)]
    pub outages: Vec<(i64, u64, String)>,
    /// Outages that are over and have no date yet: when they began, on the clock of the boot, ms, or nothing if before
    /// it; length, ms; rung.
    #[serde(default)]
    pub outages_undated: Vec<(Option<u64>, u64, String)>,
    /// The outage that went on.
    #[serde(default)]
    pub open: Option<KeptOpen>,
    /// Hits of each UTC day: the day, and for each bin that is not empty its number and count.
    #[serde(default)]
    pub hits: Vec<(i64, Vec<(usize, u32)>)>,
    /// Hits of each UTC day that took nobody knows how long: the day, and how many.
    #[serde(default)]
    pub hits_unsure: Vec<(i64, u32)>,
    /// Hits that have no day yet: for each bin that is not empty its number and count.
    #[serde(default)]
    pub hits_undated: Vec<(usize, u32)>,
    /// Hits that have no day yet, and took nobody knows how long.
    #[serde(default)]
    pub hits_undated_unsure: u32,
    /// What probes may still cost today.
    #[serde(default)]
    pub probes: Option<KeptProbes>,
}

/// See [`Counters`].
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptCounters {
    /// The kernel's id of the boot.
    pub boot: String,
    /// Number of the interface.
    pub index: u32,
    /// Bytes, both ways.
    pub bytes: u64,
}

/// See [`outages::Open`].
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptOpen {
    /// When it began, on the clock of the boot, ms.
    pub began_mono_ms: u64,
    /// The same, ms since 1970, if somebody knew the time since.
    pub began: Option<i64>,
    /// When it was last seen, on the clock of the boot, ms.
    pub seen_mono_ms: u64,
    /// Where the way was broken then.
    pub rung: String,
    /// How long it was broken where, ms.
    pub spent: Vec<(String, u64)>,
}

/// See [`Budget`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptProbes {
    /// Bytes; a little more than were spent, if the process ended without a word.
    pub spent: u64,
    /// When their day ends, on the clock of the boot, ms.
    pub day_ends_mono_ms: u64,
}

fn filled(bins: &[u32]) -> Vec<(usize, u32)> {
    bins.iter().copied().enumerate().filter(|(_, count)| 0 < *count).collect()
}

fn tally(filled: &[(usize, u32)], unsure: u32) -> Tally {
    let mut tally = Tally { unsure, ..Tally::default() };
    for (bin, count) in filled {
        if let Some(place) = tally.bins.get_mut(*bin) {
            *place = *count;
        }
    }
    tally
}

impl KeptLink {
    /// What has to be kept at `now`, an instant of the boot with the kernel's id `boot`.
    #[must_use]
    pub fn of((boot, now): (&str, Mono), usage: &Usage, outages: &Outages, hits: &Latency, probes: Budget) -> Self {
        let (counters, days, undated) = usage.kept();
        let (hits, hits_undated) = hits.kept();
        let outages = outages.kept();
        let open = |open: outages::Open| KeptOpen {
            began_mono_ms: open.began.0,
            began: open.date.map(|date| date.0),
            seen_mono_ms: open.at_rung.1.0,
            rung: open.at_rung.0.word().to_owned(),
            spent: Rung::ALL
                .into_iter()
                .zip(open.spent_ms)
                .filter(|(_, ms)| 0 < *ms)
                .map(|(rung, ms)| (rung.word().to_owned(), ms))
                .collect(),
        };
        Self {
            format: FORMAT.to_owned(),
            boot: boot.to_owned(),
            at_mono_ms: now.0,
            counters: counters.map(|one| KeptCounters { boot: one.boot.clone(), index: one.index, bytes: one.bytes }),
            days: days.iter().map(|one| (one.day, one.bytes)).collect(),
            undated,
            outages: outages.over.iter().map(|one| (one.began.0, one.length_ms, one.rung.word().to_owned())).collect(),
            outages_undated: outages
                .undated
                .iter()
                .map(|one| (one.began.map(|began| began.0), one.length_ms, one.rung.word().to_owned()))
                .collect(),
            open: outages.open.map(open),
            hits: hits.iter().map(|day| (day.day, filled(&day.hits.bins))).collect(),
            hits_unsure: hits.iter().filter(|day| 0 < day.hits.unsure).map(|day| (day.day, day.hits.unsure)).collect(),
            hits_undated: filled(&hits_undated.bins),
            hits_undated_unsure: hits_undated.unsure,
            probes: Some(KeptProbes { spent: probes.spent, day_ends_mono_ms: probes.day_ends.0 }),
        }
    }

    /// Reads it; what can't be read is as if it had never been kept.
    #[must_use]
    pub fn parse(text: &[u8]) -> Self {
        let kept: Option<Self> = serde_json::from_slice(text).ok();
        kept.filter(|kept| kept.format == FORMAT).unwrap_or_default()
    }

    /// Whether it was written in the boot with the kernel's id `boot`, before `now`.
    #[must_use]
    pub fn is_of(&self, boot: &str, now: Mono) -> bool {
        !boot.is_empty() && self.boot == boot && self.at_mono_ms <= now.0
    }

    /// The account of the data used.
    #[must_use]
    pub fn usage(&self) -> Usage {
        let last = self.counters.as_ref();
        let last = last.map(|one| Counters { boot: one.boot.clone(), index: one.index, bytes: one.bytes });
        Usage::resume(last, self.days.iter().map(|(day, bytes)| usage::Day { day: *day, bytes: *bytes }), self.undated)
    }

    /// The outages; those at a rung that is unknown here are left out.
    #[must_use]
    pub fn outages(&self) -> outages::Kept {
        let over = self.outages.iter().filter_map(|(began, length_ms, rung)| {
            Some(Outage { began: Utc(*began), length_ms: *length_ms, rung: Rung::of_word(rung)? })
        });
        let undated = self.outages_undated.iter().filter_map(|(began, length_ms, rung)| {
            Some(Undated { began: began.map(Mono), length_ms: *length_ms, rung: Rung::of_word(rung)? })
        });
        let open = self.open.as_ref().and_then(|open| {
            let mut spent_ms = [0; Rung::ALL.len()];
            for (rung, ms) in &open.spent {
                if let Some(rung) = Rung::of_word(rung) {
                    spent_ms[rung.number()] = *ms;
                }
            }
            let at_rung = (Rung::of_word(&open.rung)?, Mono(open.seen_mono_ms));
            Some(outages::Open::kept((Mono(open.began_mono_ms), open.began.map(Utc)), at_rung, spent_ms))
        });
        outages::Kept { over: over.collect(), undated: undated.collect(), open }
    }

    /// How long hits took.
    #[must_use]
    pub fn latency(&self) -> Latency {
        let unsure = |day: i64| self.hits_unsure.iter().find(|(of, _)| *of == day).map_or(0, |(_, count)| *count);
        let mut days: Vec<latency::Day> = Vec::with_capacity(self.hits.len());
        for (day, filled) in &self.hits {
            days.push(latency::Day { day: *day, hits: tally(filled, unsure(*day)) });
        }
        Latency::resume(days, tally(&self.hits_undated, self.hits_undated_unsure))
    }

    /// What probes may still cost, at `now` on the clock of the boot `boot`. What is left of their day goes on; time
    /// between two boots is not counted. `None`: nothing was kept.
    #[must_use]
    pub fn probes(&self, boot: &str, now: Mono) -> Option<Budget> {
        let kept = self.probes?;
        let left_ms = kept.day_ends_mono_ms.saturating_sub(self.at_mono_ms).min(DAY_MS);
        let day_ends =
            if self.is_of(boot, now) { Mono(kept.day_ends_mono_ms).min(now.plus_ms(DAY_MS)) } else { Mono(left_ms) };
        Some(Budget { spent: kept.spent, day_ends })
    }
}

const DAY_MS: u64 = 86_400_000;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::moment::{Moment, UtcTrust};

    const NOW: Utc = Utc(1_795_608_000_000);

    #[test]
    fn what_is_kept_comes_back_and_what_is_damaged_is_as_if_never_kept() {
        let now = Moment { mono: Mono(90_000), utc: NOW, utc_trust: UtcTrust::Gps };
        let unset = Moment { utc_trust: UtcTrust::Unset, ..now };
        let mut usage = Usage::default();
        usage.count(Counters { boot: "b".to_owned(), index: 2, bytes: 100 }, Some(NOW));
        usage.count(Counters { boot: "b".to_owned(), index: 2, bytes: 900 }, Some(NOW));
        let mut hits = Latency::default();
        (0..500).for_each(|n| hits.took(Some(n * 20), &now));
        hits.took(None, &now);
        hits.took(Some(300), &unset);
        hits.took(None, &unset);
        let mut outages = Outages::default();
        let mut is_at = |rung, mono| outages.is_at(rung, (Mono(mono), Utc(0)));
        is_at(Rung::NoCarrier, 1000);
        is_at(Rung::Up, 5000);
        is_at(Rung::NoCarrier, 15_000);
        is_at(Rung::Up, 16_000);
        is_at(Rung::NamesFail, 60_000);
        is_at(Rung::TcpBlocked, 70_000);
        is_at(Rung::TcpBlocked, 90_000);
        let mut more = outages.clone();
        more.known((Mono(90_000), NOW));
        for outages in [&outages, &more] {
            let budget = Budget { spent: 7000, day_ends: Mono(80_000_000) };
            let kept = KeptLink::of(("b", now.mono), &usage, outages, &hits, budget);
            let again = KeptLink::parse(&serde_json::to_vec(&kept).unwrap());
            assert_eq!(again, kept);
            assert_eq!(again.usage(), usage);
            assert_eq!(again.latency(), hits);
            assert_eq!(again.outages(), outages.kept());
            assert!(again.outages().open.is_some());
            assert_eq!(again.probes("b", Mono(91_000)), Some(budget));
        }
        assert_eq!((outages.kept().undated.len(), more.kept().over.len()), (2, 2));
        for bad in ["", "{}", "[]", r#"{"format":"pintle.link.v9"}"#, r#"{"format":"pintle.link.v1","days":7}"#] {
            assert_eq!(KeptLink::parse(bad.as_bytes()), KeptLink::default(), "{bad}");
        }
    }

    #[test]
    fn a_file_of_an_earlier_version_is_read() {
        let old = r#"{"format":"pintle.link.v1","counters":{"boot":"b","index":2,"bytes":900},"days":[[20782,800]],
            "undated":5,"outages":[[1795608000000,4000,"no-carrier"]],"hits":[[20782,[[0,3],[40,2]]]]}"#;
        let kept = KeptLink::parse(old.as_bytes());
        let now = Moment { mono: Mono(1), utc: NOW, utc_trust: UtcTrust::Gps };
        assert_eq!(kept.usage().standing(None, &now).used, 805);
        assert_eq!(kept.outages().over, [Outage { began: NOW, length_ms: 4000, rung: Rung::NoCarrier }]);
        assert_eq!(kept.latency().percentiles(1, &now).count, 5);
        assert_eq!((kept.probes("b", Mono(1)), kept.outages().open), (None, None));
        assert!(!kept.is_of("", Mono(1)));
    }

    #[test]
    fn what_is_left_of_the_probes_day_goes_on_in_the_next_boot() {
        let probes = Some(KeptProbes { spent: 9000, day_ends_mono_ms: 90_000_000 });
        let kept = KeptLink { boot: "a".to_owned(), at_mono_ms: 80_000_000, probes, ..KeptLink::default() };
        let ends = |boot: &str, now| kept.probes(boot, Mono(now)).unwrap().day_ends;
        assert_eq!(ends("a", 80_000_500), Mono(90_000_000));
        assert_eq!(ends("b", 500), Mono(10_000_000));
        let damaged = KeptLink { probes: Some(KeptProbes { day_ends_mono_ms: u64::MAX, spent: 9000 }), ..kept.clone() };
        assert!(damaged.probes("a", Mono(80_000_500)).unwrap().day_ends <= Mono(166_400_500), "a day, and no more");
        assert!(damaged.probes("b", Mono(500)).unwrap().day_ends <= Mono(86_400_500));
    }
}
