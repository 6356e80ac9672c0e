//! Outages of the way to the receiver: when, how long, where. A break that follows within seconds belongs to the one
//! before. Bounded in number; what nobody can date yet is dated as soon as somebody knows the time.

use super::rung::Rung;
use crate::moment::{Moment, Mono, Utc};
use std::collections::VecDeque;

/// How long an outage is shown, ms (30 days).
pub const KEPT_MS: i64 = 30 * 86_400_000;
/// How many are remembered (our own limit: sixteen a day for 30 days).
pub const KEPT_MAX: usize = 500;
/// A break that follows the end of another within this belongs to it, ms (our own limit).
pub const JOINED_MS: u64 = 10_000;
/// After a restart within the same boot an outage goes on if it was last seen no longer ago, ms (our own limit: what
/// happened in a longer pause nobody knows).
pub const UNWATCHED_MS_MAX: u64 = 3_600_000;
/// After a restart nothing is proven at first. Nothing is concluded from that for so long, ms: twice the longest probe.
const PROVEN_WITHIN_MS: u64 = 120_000;
/// An outage that began so long after now by a trusted clock was dated by a false one, ms (our own limit: clocks are
/// set by less than that while they are trusted).
const AHEAD_MS: i64 = 600_000;

/// One outage that is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outage {
    /// When it began.
    pub began: Utc,
    /// How long it lasted, ms.
    pub length_ms: u64,
    /// Where the way was broken for the longest part of it.
    pub rung: Rung,
}

/// One that is over, and that nobody could date yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Undated {
    /// When it began; `None`: before this boot.
    pub began: Option<Mono>,
    /// How long it lasted, ms.
    pub length_ms: u64,
    /// Where the way was broken for the longest part of it.
    pub rung: Rung,
}

impl Undated {
    /// The same with its date, if `now` is right. One of an earlier boot was over when this one began.
    fn dated(self, (mono, utc): (Mono, Utc)) -> Outage {
        let ago_ms = self.began.map_or(mono.0.saturating_add(self.length_ms), |began| mono.since_ms(began));
        Outage { began: before(utc, ago_ms), length_ms: self.length_ms, rung: self.rung }
    }
}

/// The outage that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Open {
    /// When it began.
    pub began: Mono,
    /// The same by a trusted clock, if there was one since.
    pub date: Option<Utc>,
    /// Where the way is broken, and when that was last seen.
    pub at_rung: (Rung, Mono),
    /// How long it was broken where, by the rungs' numbers, ms.
    pub spent_ms: [u64; Rung::ALL.len()],
    ended: Option<Mono>,
    /// Taken over from an earlier process at this instant; nobody has proven anything since.
    resumed: Option<Mono>,
}

impl Open {
    /// One that began at `began` and was seen last at `at_rung`, as an earlier process kept it.
    #[must_use]
    pub fn kept((began, date): (Mono, Option<Utc>), at_rung: (Rung, Mono), spent_ms: [u64; Rung::ALL.len()]) -> Self {
        Self { began, date, at_rung, spent_ms, ended: None, resumed: None }
    }

    fn spend(&mut self, now: Mono) {
        let (rung, since) = self.at_rung;
        self.spent_ms[rung.number()] += now.since_ms(since);
        self.at_rung = (rung, now);
    }

    /// Its end as far as it is known.
    fn end(&self, now: Mono) -> Mono {
        self.ended.unwrap_or(if self.resumed.is_some() { self.at_rung.1 } else { now })
    }

    fn closed(&self, end: Mono) -> Undated {
        let longest = Rung::ALL.into_iter().max_by_key(|rung| self.spent_ms[rung.number()]);
        Undated {
            began: Some(self.began),
            length_ms: end.since_ms(self.began),
            rung: longest.filter(|rung| 0 < self.spent_ms[rung.number()]).unwrap_or(self.at_rung.0),
        }
    }
}

/// What is kept over a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// Those that are over, oldest first.
    pub over: Vec<Outage>,
    /// Those that are over and have no date yet.
    pub undated: Vec<Undated>,
    /// The one that goes on.
    pub open: Option<Open>,
}

/// All outages of the last 30 days.
#[derive(Clone, Debug, Default)]
pub struct Outages {
    over: VecDeque<Outage>,
    undated: VecDeque<Undated>,
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
    /// Takes up what an earlier process kept. Within the same boot an outage that went on then may go on; after another
    /// boot it lasted, as far as anybody knows, until it was last seen.
    pub fn resume(&mut self, kept: Kept, same_boot: bool, now: Mono) {
        self.over.extend(kept.over);
        self.undated
            .extend(kept.undated.into_iter().map(|one| if same_boot { one } else { Undated { began: None, ..one } }));
        if let Some(open) = kept.open {
            let (_, seen) = open.at_rung;
            if same_boot && seen <= now && now.since_ms(seen) <= UNWATCHED_MS_MAX {
                self.open = Some(Open { resumed: Some(now), ..open });
            } else {
                let over = open.closed(seen);
                match open.date {
                    Some(began) => self.over.push_back(Outage { began, length_ms: over.length_ms, rung: over.rung }),
                    None => self.undated.push_back(Undated { began: over.began.filter(|_| same_boot), ..over }),
                }
            }
        }
        self.trim();
    }

    /// What has to be kept.
    #[must_use]
    pub fn kept(&self) -> Kept {
        Kept {
            over: self.over.iter().copied().collect(),
            undated: self.undated.iter().copied().collect(),
            open: self.open,
        }
    }

    /// Somebody vouches for UTC: what has no date gets one, and what a false clock dated into the future goes.
    pub fn known(&mut self, now: (Mono, Utc)) {
        if let Some(open) = &mut self.open {
            open.date = Some(before(now.1, now.0.since_ms(open.began)));
        }
        self.over.retain(|one| now.1.since_ms(one.began) >= -AHEAD_MS);
        if !self.undated.is_empty() {
            self.over.extend(self.undated.drain(..).map(|one| one.dated(now)));
            self.over.make_contiguous().sort_by_key(|one| one.began);
        }
        self.trim();
    }

    /// Says at which rung the way is broken at `now`, or that it is not. Answers the outage that is over by that, its
    /// beginning by the host's clock.
    pub fn is_at(&mut self, rung: Rung, now: (Mono, Utc)) -> Option<Outage> {
        if let Some(open) = &mut self.open
            && let Some(resumed) = open.resumed
        {
            if rung == Rung::Unproven && now.0.since_ms(resumed) < PROVEN_WITHIN_MS {
                return None;
            }
            open.resumed = None;
            if !rung.broken() {
                // It ended while nobody looked: sure is that it lasted until it was last seen.
                open.ended = Some(open.at_rung.1);
            }
        }
        let over = self.close_if_over(now);
        if rung.broken() {
            let open = self.open.get_or_insert(Open {
                began: now.0,
                date: None,
                at_rung: (rung, now.0),
                spent_ms: [0; Rung::ALL.len()],
                ended: None,
                resumed: None,
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

    fn close_if_over(&mut self, now: (Mono, Utc)) -> Option<Outage> {
        let open = self.open?;
        let end = open.ended.filter(|end| JOINED_MS <= now.0.since_ms(*end))?;
        self.open = None;
        let outage = open.closed(end);
        self.undated.push_back(outage);
        self.trim();
        Some(outage.dated(now))
    }

    fn trim(&mut self) {
        let over = (self.over.len() + self.undated.len()).saturating_sub(KEPT_MAX);
        self.over.drain(..over.min(self.over.len()));
        let over = self.undated.len().saturating_sub(KEPT_MAX);
        self.undated.drain(..over);
    }

    /// Since when the way is broken, if it is.
    #[must_use]
    pub fn since(&self) -> Option<Mono> {
        self.open.filter(|open| open.ended.is_none()).map(|open| open.began)
    }

    /// The time to judge dates by: now where it is trusted, else the end of the newest outage, if that is later.
    fn judged_at(&self, now: &Moment) -> Utc {
        let newest = self.over.iter().map(|one| after(one.began, one.length_ms)).max();
        newest.filter(|_| !now.utc_trust.is_trusted()).map_or(now.utc, |newest| newest.max(now.utc))
    }

    /// Those that are over, have a date, and began within 30 days before `now`, oldest first.
    pub fn recent(&self, now: &Moment) -> impl Iterator<Item = &Outage> {
        let at = self.judged_at(now);
        self.over.iter().filter(move |outage| at.since_ms(outage.began) <= KEPT_MS)
    }

    /// Sums of those that began within `span_ms` before `now`, the one that goes on among them. One without a date
    /// counts unless it is sure that it is older.
    #[must_use]
    pub fn sum(&self, span_ms: i64, now: &Moment) -> Sum {
        let at = self.judged_at(now);
        let dated = self.over.iter().filter(|one| at.since_ms(one.began) <= span_ms).map(|one| one.length_ms);
        let open = self.open.map(|open| open.closed(open.end(now.mono)));
        let undated = self.undated.iter().copied().chain(open);
        let young = |one: &Undated| {
            one.began.is_none_or(|began| i64::try_from(now.mono.since_ms(began)).is_ok_and(|ms| ms <= span_ms))
        };
        dated.chain(undated.filter(young).map(|one| one.length_ms)).fold(Sum::default(), |sum, length_ms| Sum {
            count: sum.count + 1,
            total_ms: sum.total_ms.saturating_add(length_ms),
            longest_ms: sum.longest_ms.max(length_ms),
        })
    }
}

fn before(utc: Utc, ms: u64) -> Utc {
    utc.plus_ms(i64::try_from(ms).map_or(i64::MIN, |ms| -ms))
}

fn after(utc: Utc, ms: u64) -> Utc {
    utc.plus_ms(i64::try_from(ms).unwrap_or(i64::MAX))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::moment::UtcTrust;

    /// What the clock of these tests shows when the computer starts.
    const BOOT: i64 = 1_795_608_000_000;

    fn at(ms: u64) -> (Mono, Utc) {
        (Mono(ms), Utc(BOOT + i64::try_from(ms).unwrap()))
    }

    fn moment((mono, utc): (Mono, Utc), utc_trust: UtcTrust) -> Moment {
        Moment { mono, utc, utc_trust }
    }

    fn trusted(ms: u64) -> Moment {
        moment(at(ms), UtcTrust::Gps)
    }

    /// A new process that takes up what `before` kept.
    fn restarted(before: &Outages, same_boot: bool, now: Mono) -> Outages {
        let mut outages = Outages::default();
        outages.resume(before.kept(), same_boot, now);
        outages
    }

    #[test]
    fn an_outage_has_its_start_its_length_and_the_rung_that_lasted() {
        let mut outages = Outages::default();
        assert_eq!(outages.is_at(Rung::Up, at(0)), None);
        outages.is_at(Rung::NoCarrier, at(1000));
        outages.is_at(Rung::NoAddress, at(3000));
        outages.is_at(Rung::NoAddress, at(9000));
        assert_eq!(outages.since(), Some(Mono(1000)));
        outages.is_at(Rung::Up, at(10_000));
        assert_eq!(outages.since(), None);
        let over = outages.is_at(Rung::Up, at(20_000)).unwrap();
        assert_eq!(over, Outage { began: at(1000).1, length_ms: 9000, rung: Rung::NoAddress });
        let sum = Sum { count: 1, total_ms: 9000, longest_ms: 9000 };
        assert_eq!(outages.sum(86_400_000, &trusted(20_000)), sum);
        outages.known(at(20_000));
        assert_eq!(outages.recent(&trusted(20_000)).collect::<Vec<_>>(), [&over]);
        assert_eq!(outages.sum(86_400_000, &trusted(20_000)), sum, "counted once");
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
        let mut never_dated = Outages::default();
        for n in 0..2000 {
            for outages in [&mut outages, &mut never_dated] {
                outages.is_at(Rung::NoCarrier, at(n * 60_000));
                outages.is_at(Rung::Up, at(n * 60_000 + 1000));
            }
            outages.known(at(n * 60_000 + 1000));
        }
        let now = trusted(2000 * 60_000);
        assert_eq!(outages.recent(&now).count(), KEPT_MAX);
        assert_eq!(never_dated.kept().undated.len(), KEPT_MAX);
        let later = Moment { utc: now.utc.plus_ms(KEPT_MS), ..now };
        assert_eq!(outages.recent(&later).count(), 0, "30 days");
    }

    #[test]
    fn an_outage_goes_on_over_a_restart_and_nothing_is_concluded_before_something_is_proven() {
        let mut first = Outages::default();
        first.is_at(Rung::NamesFail, at(1000));
        first.is_at(Rung::NamesFail, at(400_000));
        let mut outages = restarted(&first, true, Mono(430_000));
        assert_eq!(outages.since(), Some(Mono(1000)));
        assert_eq!(outages.sum(86_400_000, &trusted(430_000)).total_ms, 399_000, "known until it was last seen");
        assert_eq!(outages.is_at(Rung::Unproven, at(431_000)), None);
        assert_eq!(outages.is_at(Rung::NamesFail, at(450_000)), None);
        assert_eq!(outages.since(), Some(Mono(1000)), "the same outage");
        outages.is_at(Rung::Up, at(500_000));
        let over = outages.is_at(Rung::Up, at(510_000)).unwrap();
        assert_eq!(over, Outage { began: at(1000).1, length_ms: 499_000, rung: Rung::NamesFail });
        assert_eq!(outages.sum(86_400_000, &trusted(520_000)).count, 1);
    }

    #[test]
    fn an_outage_that_ended_while_nobody_looked_lasted_until_it_was_last_seen() {
        let mut first = Outages::default();
        first.is_at(Rung::NoCarrier, at(1000));
        first.is_at(Rung::NoCarrier, at(61_000));
        let over = Outage { began: at(1000).1, length_ms: 60_000, rung: Rung::NoCarrier };
        let mut proven = restarted(&first, true, Mono(90_000));
        assert_eq!(proven.is_at(Rung::Up, at(91_000)), Some(over));
        // Where nothing is ever proven, the wait has an end.
        let mut never = restarted(&first, true, Mono(90_000));
        assert_eq!(never.is_at(Rung::Unproven, at(209_000)), None);
        assert_eq!(never.is_at(Rung::Unproven, at(210_000)), Some(over));
        // A pause of hours is no outage that anybody saw.
        let mut long = restarted(&first, true, Mono(61_001 + UNWATCHED_MS_MAX));
        long.is_at(Rung::NoCarrier, at(61_002 + UNWATCHED_MS_MAX));
        let sum = long.sum(86_400_000, &trusted(61_002 + UNWATCHED_MS_MAX));
        assert_eq!((sum.count, sum.longest_ms), (2, 60_000));
    }

    #[test]
    fn an_outage_that_a_power_cut_ended_is_counted_as_far_as_it_was_seen() {
        let mut first = Outages::default();
        first.is_at(Rung::TcpBlocked, at(1000));
        first.is_at(Rung::TcpBlocked, at(7_201_000));
        let without_date = restarted(&first, false, Mono(5000));
        first.known(at(7_201_000));
        let mut outages = restarted(&first, false, Mono(5000));
        assert_eq!(outages.since(), None);
        let over = Outage { began: at(1000).1, length_ms: 7_200_000, rung: Rung::TcpBlocked };
        // The computer starts again ten minutes after, its clock far behind at first.
        let unset = moment((Mono(5000), Utc(5000)), UtcTrust::Unset);
        assert_eq!(outages.recent(&unset).collect::<Vec<_>>(), [&over]);
        let now = (Mono(20_000), at(7_801_000).1);
        outages.known(now);
        assert_eq!(outages.sum(86_400_000, &moment(now, UtcTrust::Gps)).total_ms, 7_200_000);
        // Without a date it ended before this boot.
        let mut outages = without_date;
        assert_eq!(outages.sum(86_400_000, &unset).total_ms, 7_200_000);
        outages.known(now);
        let began: Vec<_> = outages.recent(&moment(now, UtcTrust::Gps)).map(|one| one.began).collect();
        assert_eq!(began, [now.1.plus_ms(-20_000 - 7_200_000)]);
    }

    #[test]
    fn the_beginning_is_as_long_ago_as_it_was_whatever_the_clock_showed_at_the_break() {
        for wrong in [Utc(0), Utc(BOOT + 400 * 86_400_000)] {
            let mut outages = Outages::default();
            outages.is_at(Rung::NoAddress, (Mono(10_000), wrong));
            outages.is_at(Rung::NoAddress, (Mono(60_000), wrong.plus_ms(50_000)));
            outages.known(at(70_000));
            outages.is_at(Rung::Up, at(70_000));
            let over = outages.is_at(Rung::Up, at(90_000)).unwrap();
            assert_eq!((over.began, over.length_ms), (at(10_000).1, 60_000));
            // The same where nobody knew the time at its end.
            let mut late = Outages::default();
            late.is_at(Rung::NoAddress, (Mono(10_000), wrong));
            late.is_at(Rung::Up, (Mono(70_000), wrong.plus_ms(60_000)));
            late.is_at(Rung::Up, (Mono(90_000), wrong.plus_ms(80_000)));
            assert_eq!(late.sum(86_400_000, &moment((Mono(95_000), wrong), UtcTrust::Unset)).count, 1);
            late.known(at(900_000));
            assert_eq!(late.recent(&trusted(900_000)).collect::<Vec<_>>(), [&over]);
        }
    }

    #[test]
    fn what_an_earlier_version_dated_into_the_future_goes_as_soon_as_the_time_is_known() {
        let outage = |began: i64| Outage { began: Utc(began), length_ms: 1000, rung: Rung::NoCarrier };
        let over = vec![outage(0), outage(BOOT), outage(BOOT + 400 * 86_400_000)];
        let mut outages = Outages::default();
        outages.resume(Kept { over, ..Kept::default() }, false, Mono(0));
        outages.known(at(60_000));
        assert_eq!(outages.recent(&trusted(60_000)).collect::<Vec<_>>(), [&outage(BOOT)]);
    }
}
