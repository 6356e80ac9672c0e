//! Outages of the way to the receiver: when, how long, where. A break that follows within seconds belongs to the one
//! before. Bounded in number and age.

use super::rung::Rung;
use crate::moment::{Mono, Utc};
use std::collections::VecDeque;

/// How long an outage is remembered, ms (30 days).
pub const KEPT_MS: i64 = 30 * 86_400_000;
/// How many are remembered (our own limit: sixteen a day for 30 days).
pub const KEPT_MAX: usize = 500;
/// A break that follows the end of another within this belongs to it, ms (our own limit).
pub const JOINED_MS: u64 = 10_000;

/// One outage that is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outage {
    /// When it began, by the host's clock.
    pub began: Utc,
    /// How long it lasted, ms.
    pub length_ms: u64,
    /// Where the way was broken for the longest part of it.
    pub rung: Rung,
}

/// The outage that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Open {
    since: (Mono, Utc),
    at_rung: (Rung, Mono),
    spent_ms: [u64; Rung::ALL.len()],
    ended: Option<Mono>,
}

impl Open {
    fn spend(&mut self, now: Mono) {
        let (rung, since) = self.at_rung;
        self.spent_ms[rung.number()] += now.since_ms(since);
        self.at_rung = (rung, now);
    }

    fn closed(&self, end: Mono) -> Outage {
        let longest = Rung::ALL.into_iter().max_by_key(|rung| self.spent_ms[rung.number()]);
        Outage {
            began: self.since.1,
            length_ms: end.since_ms(self.since.0),
            rung: longest.filter(|rung| 0 < self.spent_ms[rung.number()]).unwrap_or(self.at_rung.0),
        }
    }
}

/// All outages of the last 30 days.
#[derive(Clone, Debug, Default)]
pub struct Outages {
    over: VecDeque<Outage>,
    open: Option<Open>,
}

/// Sums over a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sum {
    /// How many.
    pub count: u64,
    /// Their length in all, ms.
    pub total_ms: u64,
    /// The longest, ms.
    pub longest_ms: u64,
}

impl Outages {
    /// Takes up what an earlier process remembered.
    pub fn resume(&mut self, outages: impl IntoIterator<Item = Outage>) {
        self.over.extend(outages);
        self.trim();
    }

    /// Says at which rung the way is broken at `now`, or that it is not. Answers the outage that is over by that.
    pub fn is_at(&mut self, rung: Rung, now: (Mono, Utc)) -> Option<Outage> {
        let over = self.close_if_over(now.0);
        if rung.broken() {
            let open = self.open.get_or_insert(Open {
                since: now,
                at_rung: (rung, now.0),
                spent_ms: [0; Rung::ALL.len()],
                ended: None,
            });
            if open.ended.take().is_some() {
                open.at_rung = (rung, now.0);
            }
            open.spend(now.0);
            open.at_rung.0 = rung;
        } else if let Some(open) = &mut self.open
            && open.ended.is_none()
        {
            open.spend(now.0);
            open.ended = Some(now.0);
        }
        over
    }

    fn close_if_over(&mut self, now: Mono) -> Option<Outage> {
        let open = self.open?;
        let end = open.ended.filter(|end| JOINED_MS <= now.since_ms(*end))?;
        self.open = None;
        let outage = open.closed(end);
        self.over.push_back(outage);
        self.trim();
        Some(outage)
    }

    fn trim(&mut self) {
        let over = self.over.len().saturating_sub(KEPT_MAX);
        self.over.drain(..over);
    }

    /// Since when the way is broken, if it is.
    #[must_use]
    pub fn since(&self) -> Option<(Mono, Utc)> {
        self.open.filter(|open| open.ended.is_none()).map(|open| open.since)
    }

    /// Those that are over and began within 30 days before `now`, oldest first.
    pub fn recent(&self, now: Utc) -> impl Iterator<Item = &Outage> {
        self.over.iter().filter(move |outage| now.since_ms(outage.began) <= KEPT_MS)
    }

    /// Sums of those that began within `span_ms` before `now`, the one that goes on among them.
    #[must_use]
    pub fn sum(&self, span_ms: i64, now: (Mono, Utc)) -> Sum {
        let open = self.open.map(|open| open.closed(open.ended.unwrap_or(now.0)));
        let within = self.over.iter().chain(open.iter()).filter(|one| now.1.since_ms(one.began) <= span_ms);
        within.fold(Sum::default(), |sum, one| Sum {
            count: sum.count + 1,
            total_ms: sum.total_ms.saturating_add(one.length_ms),
            longest_ms: sum.longest_ms.max(one.length_ms),
        })
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn at(ms: u64) -> (Mono, Utc) {
        (Mono(ms), Utc(1_795_608_000_000 + i64::try_from(ms).unwrap()))
    }

    #[test]
    fn an_outage_has_its_start_its_length_and_the_rung_that_lasted() {
        let mut outages = Outages::default();
        assert_eq!(outages.is_at(Rung::Up, at(0)), None);
        outages.is_at(Rung::NoCarrier, at(1000));
        outages.is_at(Rung::NoAddress, at(3000));
        outages.is_at(Rung::NoAddress, at(9000));
        assert_eq!(outages.since(), Some(at(1000)));
        outages.is_at(Rung::Up, at(10_000));
        assert_eq!(outages.since(), None);
        let over = outages.is_at(Rung::Up, at(20_000)).unwrap();
        assert_eq!(over, Outage { began: at(1000).1, length_ms: 9000, rung: Rung::NoAddress });
        assert_eq!(outages.sum(86_400_000, at(20_000)), Sum { count: 1, total_ms: 9000, longest_ms: 9000 });
    }

    #[test]
    fn breaks_within_seconds_are_one_outage() {
        let mut outages = Outages::default();
        for n in 0..10 {
            outages.is_at(Rung::NoCarrier, at(n * 4000));
            outages.is_at(Rung::Up, at(n * 4000 + 2000));
        }
        let over = outages.is_at(Rung::Up, at(60_000)).unwrap();
        assert_eq!(over, Outage { began: at(0).1, length_ms: 38_000, rung: Rung::NoCarrier });
    }

    #[test]
    fn memory_is_bounded_in_number_and_age() {
        let mut outages = Outages::default();
        for n in 0..2000 {
            outages.is_at(Rung::NoCarrier, at(n * 60_000));
            outages.is_at(Rung::Up, at(n * 60_000 + 1000));
        }
        let now = at(2000 * 60_000);
        assert_eq!(outages.recent(now.1).count(), KEPT_MAX);
        assert_eq!(outages.recent(now.1.plus_ms(KEPT_MS)).count(), 0, "30 days");
    }
}
