//! What the link watcher keeps over restarts: data used, outages, and how long hits took. No plate.

use crate::link::latency::{self, Latency};
use crate::link::outages::Outage;
use crate::link::rung::Rung;
use crate::link::usage::{self, Counters, Usage};
use crate::moment::Utc;
use serde::{Deserialize, Serialize};

/// Name and version of the format.
pub const FORMAT: &str = "pintle.link.v1";

/// The kept memory.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptLink {
    /// [`FORMAT`].
    pub format: String,
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
    /// Hits of each UTC day: the day, and for each bin that is not empty its number and count.
    #[serde(default)]
    pub hits: Vec<(i64, Vec<(usize, u32)>)>,
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

impl KeptLink {
    /// What has to be kept now.
    #[must_use]
    pub fn of<'a>(usage: &Usage, outages: impl Iterator<Item = &'a Outage>, hits: &Latency) -> Self {
        let (counters, days, undated) = usage.kept();
        let bins = |day: &latency::Day| {
            let filled = day.bins.iter().copied().enumerate().filter(|(_, count)| 0 < *count);
            (day.day, filled.collect())
        };
        Self {
            format: FORMAT.to_owned(),
            counters: counters.map(|one| KeptCounters { boot: one.boot.clone(), index: one.index, bytes: one.bytes }),
            days: days.iter().map(|one| (one.day, one.bytes)).collect(),
            undated,
            outages: outages.map(|one| (one.began.0, one.length_ms, one.rung.word().to_owned())).collect(),
            hits: hits.kept().iter().map(bins).collect(),
        }
    }

    /// Reads it; what can't be read is as if it had never been kept.
    #[must_use]
    pub fn parse(text: &[u8]) -> Self {
        let kept: Option<Self> = serde_json::from_slice(text).ok();
        kept.filter(|kept| kept.format == FORMAT).unwrap_or_default()
    }

    /// The account of the data used.
    #[must_use]
    pub fn usage(&self) -> Usage {
        let last = self.counters.as_ref();
        let last = last.map(|one| Counters { boot: one.boot.clone(), index: one.index, bytes: one.bytes });
        Usage::resume(last, self.days.iter().map(|(day, bytes)| usage::Day { day: *day, bytes: *bytes }), self.undated)
    }

    /// The outages that are over.
    pub fn outages(&self) -> impl Iterator<Item = Outage> {
        self.outages.iter().filter_map(|(began, length_ms, rung)| {
            Some(Outage { began: Utc(*began), length_ms: *length_ms, rung: Rung::of_word(rung)? })
        })
    }

    /// How long hits took.
    #[must_use]
    pub fn latency(&self) -> Latency {
        Latency::resume(self.hits.iter().map(|(day, filled)| {
            let mut bins = vec![0; latency::BINS];
            for (bin, count) in filled {
                if let Some(place) = bins.get_mut(*bin) {
                    *place = *count;
                }
            }
            latency::Day { day: *day, bins }
        }))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back_and_what_is_damaged_is_as_if_never_kept() {
        let now = Utc(1_795_608_000_000);
        let mut usage = Usage::default();
        usage.count(Counters { boot: "b".to_owned(), index: 2, bytes: 100 }, Some(now));
        usage.count(Counters { boot: "b".to_owned(), index: 2, bytes: 900 }, Some(now));
        let mut hits = Latency::default();
        (0..500).for_each(|n| hits.took(n * 20, now));
        let outage = Outage { began: now, length_ms: 4000, rung: Rung::NoCarrier };
        let kept = KeptLink::of(&usage, [&outage].into_iter(), &hits);
        let again = KeptLink::parse(&serde_json::to_vec(&kept).unwrap());
        assert_eq!(again, kept);
        assert_eq!(again.usage(), usage);
        assert_eq!(again.latency(), hits);
        assert_eq!(again.outages().collect::<Vec<_>>(), [outage]);
        for bad in ["", "{}", "[]", r#"{"format":"pintle.link.v9"}"#, r#"{"format":"pintle.link.v1","days":7}"#] {
            assert_eq!(KeptLink::parse(bad.as_bytes()), KeptLink::default(), "{bad}");
        }
    }
}
