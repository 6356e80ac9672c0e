//! When to probe. Real sends are the probe; these are for when nothing is sent, or nothing gets through. All of them
//! together stay below a megabyte a day.

use super::evidence::{Ask, Probe};
use super::judge::Doubt;
use crate::moment::Mono;

/// While the way is broken, one probe in this time for the first two minutes, ms (issue: one TCP SYN per 5 s).
pub const EVERY_MS: u64 = 5000;
/// How long that pace is kept, ms.
pub const QUICK_FOR_MS: u64 = 120_000;
/// Then slower, up to this, ms.
pub const EVERY_MS_MAX: u64 = 60_000;
/// While all is well and nothing was sent for this long, one probe, ms: with name and connection about 720 bytes, so
/// 0.8 MB a day at most.
pub const IDLE_MS: u64 = 75_000;
/// No two probes begin within this, ms, whatever the kernel tells.
pub const APART_MS: u64 = 1000;
/// A request that hangs for this long makes us look, ms.
pub const HANGS_MS: u64 = 4000;
/// What all probes of a day may cost, bytes.
pub const COST_MAX: u64 = 1_000_000;
/// Once so much is spent, only one probe in [`SPARING_MS`] is made, bytes.
const SPARING_FROM: u64 = 800_000;
/// See [`SPARING_FROM`], ms.
const SPARING_MS: u64 = 300_000;
/// More than the dearest probe can cost, bytes.
const COST_OF_ONE_MAX: u64 = 20_000;
/// So much more than is spent is written down, bytes: a process that falls before it writes again has spent no more
/// than is known. Written anew when half of it is used.
const WRITTEN_AHEAD: u64 = 2 * COST_OF_ONE_MAX;
/// Names are asked anew after this, ms.
const NAMES_KEPT_MS: u64 = 300_000;
/// Sizes and strangers are asked this long after the last time, ms; doubling up to the next limit.
const DEAR_MS: u64 = 8000;
/// See [`DEAR_MS`].
const DEAR_MS_MAX: u64 = 1_800_000;

/// While large packets are lost and the first two minutes are over, one is tried this often, ms: at 7,300 bytes that is
/// 0.7 MB a day. A request that is larger than a packet shows it sooner.
const LARGE_EVERY_MS: u64 = 900_000;

/// Decides when the next probe begins and what it asks.
#[derive(Clone, Copy, Debug, Default)]
pub struct Probing {
    running: Option<Mono>,
    last: Option<Mono>,
    wanted: bool,
    broken_since: Option<Mono>,
    names_at: Option<Mono>,
    dear_at: Option<Mono>,
    dear_ms: u64,
    large_at: Option<Mono>,
    spent: u64,
    day_ends: Mono,
    made: u64,
    written: u64,
}

/// What is kept of the budget.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Budget {
    /// Bytes spent of it.
    pub spent: u64,
    /// When the day ends that it is for.
    pub day_ends: Mono,
}

impl Probing {
    /// Something happened that makes the way worth a look.
    pub fn want(&mut self) {
        self.wanted = true;
    }

    /// The way has broken, or is whole again.
    pub fn broken(&mut self, broken: bool, now: Mono) {
        if broken {
            self.broken_since.get_or_insert(now);
        } else {
            self.broken_since = None;
        }
    }

    /// No doubt is left: the next one is looked into at once.
    pub fn settled(&mut self) {
        self.dear_ms = 0;
        self.dear_at = None;
    }

    /// What was seen has to be seen once more before it is told: that look may be as dear, and at once.
    pub fn look_again(&mut self) {
        self.dear_at = None;
        self.wanted = true;
    }

    /// Takes up the budget of an earlier process, with the end of its day on the clock of this boot.
    pub fn resume(&mut self, budget: Budget) {
        self.spent = budget.spent;
        self.day_ends = budget.day_ends;
    }

    /// Whether the budget has to be written down before much more is spent.
    #[must_use]
    pub fn to_be_kept(&self) -> bool {
        self.written < self.spent.saturating_add(COST_OF_ONE_MAX)
    }

    /// The budget as it has to be written down now: somewhat ahead of what is spent, or exact for an orderly end.
    pub fn keep(&mut self, exact: bool, now: Mono) -> Budget {
        self.new_day(now);
        self.written = self.spent.saturating_add(if exact { 0 } else { WRITTEN_AHEAD });
        Budget { spent: self.written, day_ends: self.day_ends }
    }

    fn new_day(&mut self, now: Mono) {
        if self.day_ends <= now {
            self.day_ends = now.plus_ms(86_400_000);
            self.spent = 0;
        }
    }

    /// Bytes spent today (a day of its own, that goes on over restarts).
    #[must_use]
    pub fn spent(&self) -> u64 {
        self.spent
    }

    /// Probes since the start.
    #[must_use]
    pub fn made(&self) -> u64 {
        self.made
    }

    /// When the next probe is due; `None` while one runs. `last_good` is when anything last got through.
    #[must_use]
    pub fn due(&self, last_good: Option<Mono>) -> Option<Mono> {
        if self.running.is_some() {
            return None;
        }
        let last = self.last.unwrap_or(Mono(0));
        let apart = if self.last.is_none() { Mono(0) } else { last.plus_ms(APART_MS) };
        let due = match self.broken_since {
            _ if self.last.is_none() || self.wanted => apart,
            Some(since) => {
                let down_ms = last.since_ms(since);
                // 5 s for two minutes; then the pause grows with the outage, up to a minute.
                let every = if down_ms < QUICK_FOR_MS { EVERY_MS } else { (down_ms / 10).clamp(10_000, EVERY_MS_MAX) };
                last.plus_ms(every)
            }
            None => last.max(last_good.unwrap_or(last)).plus_ms(IDLE_MS),
        };
        Some(if COST_MAX <= self.spent.saturating_add(COST_OF_ONE_MAX) {
            due.max(self.day_ends)
        } else if SPARING_FROM <= self.spent {
            due.max(last.plus_ms(SPARING_MS)).min(self.day_ends.max(due))
        } else {
            due
        })
    }

    /// Whether a probe that begins now may ask about sizes and strangers.
    #[must_use]
    pub fn may_look(&self, now: Mono) -> bool {
        self.dear_at.is_none_or(|at| self.dear_ms <= now.since_ms(at))
    }

    /// Begins one, if it is due; says what it shall find out.
    pub fn begin(&mut self, doubt: Option<Doubt>, fails: bool, last_good: Option<Mono>, now: Mono) -> Option<Ask> {
        let quick = self.broken_since.is_some_and(|since| now.since_ms(since) < QUICK_FOR_MS);
        self.new_day(now);
        if self.due(last_good).is_none_or(|due| now < due) {
            return None;
        }
        let dear = (doubt.is_some() || fails) && self.may_look(now);
        if dear {
            self.dear_at = Some(now);
            self.dear_ms = (self.dear_ms * 2).clamp(DEAR_MS, DEAR_MS_MAX);
        }
        // Nothing but a large packet shows that large ones pass again.
        let waited = self.large_at.is_none_or(|at| LARGE_EVERY_MS <= now.since_ms(at));
        let large_alone = doubt == Some(Doubt::Large) && !dear && (quick || waited);
        if large_alone {
            self.large_at = Some(now);
        }
        let names_anew = fails || doubt.is_some() || self.names_at.is_none_or(|at| NAMES_KEPT_MS <= now.since_ms(at));
        if names_anew {
            self.names_at = Some(now);
        }
        self.running = Some(now);
        self.last = Some(now);
        self.wanted = false;
        self.made = self.made.saturating_add(1);
        let sizes = (dear && matches!(doubt, Some(Doubt::Stall | Doubt::Large))) || large_alone;
        Some(Ask { strangers: dear, sizes, large_alone, names_anew })
    }

    /// One is over.
    pub fn over(&mut self, probe: &Probe) {
        self.running = None;
        self.spent = self.spent.saturating_add(probe.cost);
    }

    /// One was given up without a report (the task that made it ended).
    pub fn lost(&mut self) {
        self.running = None;
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// Runs probes for `span_ms` while broken or not; each takes `took_ms` and costs `cost`.
    fn run(broken: bool, span_ms: u64, took_ms: u64, cost: u64) -> (Vec<u64>, u64) {
        let mut probing = Probing::default();
        probing.broken(broken, Mono(0));
        let (mut begun, mut now) = (Vec::new(), 0);
        let mut spent = 0;
        while now < span_ms {
            if probing.begin(None, broken, None, Mono(now)).is_some() {
                begun.push(now);
                now += took_ms;
                spent += cost;
                probing.over(&Probe { at: Mono(now), cost, ..Probe::default() });
            }
            now += 100;
        }
        (begun, spent)
    }

    #[test]
    fn one_probe_in_five_seconds_for_two_minutes_then_slower_up_to_a_minute() {
        let (begun, _) = run(true, 1_800_000, 0, 700);
        let within = |from: u64, to: u64| begun.iter().filter(|at| (from..to).contains(*at)).count();
        assert!((23..=25).contains(&within(0, 120_000)), "{}", within(0, 120_000));
        assert!(within(120_000, 240_000) <= 12);
        let last = &begun[begun.len() - 2..];
        assert_eq!(last[1] - last[0], EVERY_MS_MAX);
    }

    #[test]
    fn a_day_of_probes_costs_less_than_a_megabyte_broken_or_not() {
        for (broken, cost) in [(true, 1100), (false, 720), (true, 15_000)] {
            let (_, spent) = run(broken, 86_000_000, 4000, cost);
            assert!(spent <= COST_MAX, "{broken}: {spent}");
        }
    }

    #[test]
    fn news_start_one_at_once_and_a_storm_of_news_one_a_second() {
        let mut probing = Probing::default();
        assert!(probing.begin(None, false, None, Mono(5000)).is_some());
        probing.over(&Probe::default());
        assert_eq!(probing.due(Some(Mono(5000))), Some(Mono(5000 + IDLE_MS)));
        let mut begun = 0;
        for ms in 0..10_000 {
            probing.want();
            if probing.begin(None, false, Some(Mono(5000)), Mono(5000 + ms)).is_some() {
                begun += 1;
                probing.over(&Probe::default());
            }
        }
        assert_eq!(begun, 9);
    }

    #[test]
    fn names_are_asked_anew_when_something_fails_and_dear_questions_grow_rare() {
        let mut probing = Probing::default();
        probing.broken(true, Mono(0));
        let mut sized = Vec::new();
        let mut now = 0;
        while now < 3_600_000 {
            if let Some(ask) = probing.begin(Some(Doubt::Stall), true, None, Mono(now)) {
                assert!(ask.names_anew);
                if ask.sizes {
                    sized.push(now);
                }
                probing.over(&Probe::default());
            }
            now += 1000;
        }
        assert!(sized.len() < 12, "{sized:?}");
        assert!(sized[1] <= 10_000, "{sized:?}");
        probing.settled();
        assert!(probing.begin(Some(Doubt::Stall), true, None, Mono(now + 60_000)).unwrap().sizes);
    }

    #[test]
    fn a_process_that_falls_again_and_again_spends_no_more_than_the_budget() {
        let (mut kept, mut now, mut spent) = (None::<Budget>, 0, 0);
        // It falls a minute after each start, for more than a day; every look is as dear as can be.
        while now < 86_000_000 {
            let mut probing = Probing::default();
            if let Some(budget) = kept {
                probing.resume(budget);
            }
            probing.broken(true, Mono(now));
            for _ in 0..60 {
                if probing.to_be_kept() {
                    kept = Some(probing.keep(false, Mono(now)));
                }
                if probing.begin(Some(Doubt::Stall), true, None, Mono(now)).is_some() {
                    spent += 15_000;
                    probing.over(&Probe { cost: 15_000, ..Probe::default() });
                }
                now += 1000;
            }
        }
        assert!((400_000..=COST_MAX).contains(&spent), "{spent}");
        // The next day has its own.
        let mut probing = Probing::default();
        probing.resume(kept.unwrap());
        assert!(probing.begin(None, true, None, Mono(now)).is_none());
        assert!(probing.begin(None, true, None, Mono(86_400_000)).is_some());
        assert_eq!(probing.spent(), 0);
    }

    #[test]
    fn an_orderly_end_keeps_what_was_spent_and_no_more() {
        let mut probing = Probing::default();
        assert!(probing.to_be_kept(), "at the start");
        assert_eq!(probing.keep(false, Mono(5)), Budget { spent: 40_000, day_ends: Mono(86_400_005) });
        probing.over(&Probe { cost: 19_000, ..Probe::default() });
        assert!(!probing.to_be_kept());
        probing.over(&Probe { cost: 2000, ..Probe::default() });
        assert!(probing.to_be_kept(), "less than the dearest probe is left");
        assert_eq!(probing.keep(true, Mono(9)), Budget { spent: 21_000, day_ends: Mono(86_400_005) });
    }
}
