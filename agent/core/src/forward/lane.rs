//! One lane: how much to ask for, when, and what to settle after an answer. Each lane has its own pauses, so that the
//! urgent one is never behind the other.

use super::answer::{Item, Pause, Verdict, Whose};
use super::backoff::{Roll, pause_ms};
use super::wording;
use crate::moment::Mono;
use crate::queue::Lane;
use crate::wire::receipt::Resend;
use std::collections::{BTreeMap, VecDeque};

/// First step of the back-off, ms (our own limit: two tries within a second after a hiccup).
pub const BASE_MS: u64 = 500;
/// First step where a person has to act first, ms (our own limit).
pub const BASE_LONG_MS: u64 = 30_000;
/// An event that the receiver put off alone rests for this long, ms, while others go on (our own limit).
pub const PUT_OFF_MS: u64 = 60_000;
/// The same in the urgent lane, ms.
pub const PUT_OFF_URGENT_MS: u64 = 5_000;
/// Longest pause after a single event was refused by a bare status, ms (our own limit): short, since the next event
/// may be
/// a good one, and long enough that a receiver that refuses everything gets no flood.
pub const ALONE_MS_MAX: u64 = 5_000;
/// So many events may rest; more of them, and the lane itself pauses (our own limit).
pub const PUT_OFF_MAX: usize = 1000;
/// `Retry-After` is honoured up to this, ms: an hour for bulk (our own limit, against a receiver's slip).
pub const ASKED_MS_MAX: u64 = 3_600_000;
/// The same in the urgent lane, ms: a hit does not wait longer than this on a promise.
pub const ASKED_URGENT_MS_MAX: u64 = 60_000;
/// After an outage of the receiver bulk waits a random time up to this, ms (design: lanes).
pub const SPREAD_MS: u64 = 60_000;
/// The same in the urgent lane, ms (design: lanes).
pub const SPREAD_URGENT_MS: u64 = 5_000;
/// First batch of a lane, events (our own limit); it doubles with every quick success.
pub const EVENTS_FIRST: usize = 64;
/// First batch of a lane, bytes (our own limit): about 8 s at 256 kbit/s.
pub const BYTES_FIRST: usize = 256 * 1024;
/// No batch is planned smaller than this, bytes (our own limit): one ordinary event always fits.
pub const BYTES_MIN: usize = 4 * 1024;
/// Events in one urgent batch: small, so that the newest hit is never behind a long request (our own limit).
pub const EVENTS_URGENT_MAX: usize = 20;

/// With more urgent events than this waiting, the urgent lane leaves half of the link to the other (design: lanes).
pub const URGENT_ALONE_MAX: u64 = 100;

/// What the configuration allows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Events in one request, at least 1.
    pub events_max: usize,
    /// Bytes in one request.
    pub bytes_max: usize,
    /// A whole request may take this long, ms.
    pub answer_wait_ms: u64,
    /// Longest pause of the back-off, ms.
    pub retry_ms_max: u64,
}

/// How much to lease next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ask {
    /// Events at most.
    pub events_max: usize,
    /// Bytes at most.
    pub bytes_max: usize,
}

/// What to write down of one event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It has its receipt.
    Delivered,
    /// It stays out of the queue's offer until its receipt comes.
    HandedOver,
    /// Set it aside with this text.
    Refused(String),
    /// It waits for another try.
    Released,
}

/// What follows from an answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Step {
    /// What to write down, by sequence. Events that rest are not in it: [`LaneState::rested`] gives them back later.
    pub settle: Vec<(u64, Outcome)>,
    /// What was wrong, with what to do; `None` if all is well.
    pub trouble: Option<String>,
    /// True if the receiver took or refused at least one event: it is there and it is the right one.
    pub progress: bool,
    /// True if this progress ended a row of failures.
    pub recovered: bool,
    /// What the receiver asks for again.
    pub resend: Vec<Resend>,
    /// Signed requests of people at the agency, base64, not checked yet.
    pub asked: Vec<String>,
}

/// Why the lane waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wait {
    /// Back-off after a failure, which good news may cut short.
    BackOff,
    /// The receiver asked for it, or a person has to act: good news of the link changes nothing.
    Firm,
    /// After an outage of the receiver, so that not all trailers come at once.
    Spread,
}

/// State of one lane.
#[derive(Clone, Debug)]
pub struct LaneState {
    lane: Lane,
    limits: Limits,
    events: usize,
    bytes: usize,
    failures: u32,
    failing_since: Option<Mono>,
    whose: Whose,
    waiting: Option<(Mono, Wait)>,
    resting: VecDeque<(Mono, u64)>,
    /// Events refused alone by a bare status, and how many events had been taken by then.
    suspects: BTreeMap<u64, u64>,
    taken: u64,
    /// What to tell while what was handed over gets no receipts: a broker that takes more is no sign that this is over.
    unanswered: Option<String>,
}

impl LaneState {
    /// A lane that has not tried yet.
    #[must_use]
    pub fn new(lane: Lane, limits: Limits) -> Self {
        let events_max = match lane {
            Lane::Urgent => limits.events_max.min(EVENTS_URGENT_MAX),
            Lane::Bulk => limits.events_max,
        };
        let limits = Limits { events_max: events_max.max(1), bytes_max: limits.bytes_max.max(BYTES_MIN), ..limits };
        Self {
            lane,
            limits,
            events: limits.events_max.min(EVENTS_FIRST),
            bytes: limits.bytes_max.min(BYTES_FIRST),
            failures: 0,
            failing_since: None,
            whose: Whose::Unknown,
            waiting: None,
            resting: VecDeque::new(),
            suspects: BTreeMap::new(),
            taken: 0,
            unanswered: None,
        }
    }

    /// How much to lease at `now`.
    ///
    /// # Errors
    /// The instant before which nothing may be sent.
    pub fn ask(&self, now: Mono) -> Result<Ask, Mono> {
        match self.waiting {
            Some((until, _)) if now < until => Err(until),
            _ => Ok(Ask { events_max: self.events, bytes_max: self.bytes }),
        }
    }

    /// Tries that failed in a row.
    #[must_use]
    pub fn failures(&self) -> u32 {
        self.failures
    }

    /// Since when tries have been failing.
    #[must_use]
    pub fn failing_since(&self) -> Option<Mono> {
        self.failing_since
    }

    /// When the lane may send again, if it waits at `now`.
    #[must_use]
    pub fn waits_until(&self, now: Mono) -> Option<Mono> {
        self.ask(now).err()
    }

    /// When the first resting event has rested enough.
    #[must_use]
    pub fn rest_ends(&self) -> Option<Mono> {
        self.resting.iter().map(|(until, _)| *until).min()
    }

    /// Sequences that have rested enough: to be released.
    pub fn rested(&mut self, now: Mono) -> Vec<u64> {
        let (done, still): (VecDeque<_>, VecDeque<_>) = self.resting.drain(..).partition(|(until, _)| *until <= now);
        self.resting = still;
        done.into_iter().map(|(_, sequence)| sequence).collect()
    }

    /// The queue had nothing for this lane: unless events rest, there is nothing left that fails. Answers whether so.
    pub fn nothing_waits(&mut self) -> bool {
        if !self.resting.is_empty() || self.unanswered.is_some() {
            return false;
        }
        self.failures = 0;
        self.failing_since = None;
        self.whose = Whose::Unknown;
        true
    }

    /// The link watcher says that our own link is down: the failures around it are not the receiver's.
    pub fn link_down(&mut self) {
        if 0 < self.failures {
            self.whose = Whose::Ours;
        }
    }

    /// The link watcher says that our own link has come up: a back-off ends at once, unless it was the receiver itself
    /// that failed.
    pub fn link_up(&mut self) {
        if self.whose != Whose::Receivers && matches!(self.waiting, Some((_, Wait::BackOff))) {
            self.waiting = None;
        }
    }

    /// So many urgent events wait, and so many others, after a request that took `took_ms`: a flood of them must not
    /// shut the others out, so the urgent lane then leaves the link alone for as long as it had it.
    pub fn share_link(&mut self, urgent_waiting: u64, others_waiting: u64, took_ms: u64, now: Mono) {
        if self.lane == Lane::Urgent
            && URGENT_ALONE_MAX < urgent_waiting
            && 0 < others_waiting
            && self.waiting.is_none()
        {
            self.waiting = Some((now.plus_ms(took_ms), Wait::Firm));
        }
    }

    /// The other lane got through, so the receiver is there: a longer back-off is cut short.
    pub fn other_lane_recovered(&mut self, now: Mono, roll: Roll) {
        if let Some((until, Wait::BackOff)) = self.waiting {
            self.waiting = self.spread(now, roll).filter(|(sooner, _)| *sooner < until);
        }
    }

    /// What was handed over has been waiting since `since` for receipts that should have come. Answers what to tell.
    pub fn no_receipts(&mut self, count: u64, wait_s: u64, since: Mono) -> String {
        self.failures = self.failures.saturating_add(1);
        self.failing_since.get_or_insert(since);
        self.unanswered.insert(wording::unanswered(count, wait_s)).clone()
    }

    /// A receipt came by itself: whoever gives them is there.
    pub fn receipts_came(&mut self) {
        if self.unanswered.take().is_some() {
            self.failures = 0;
            self.failing_since = None;
        }
    }

    /// What follows from the `verdict` on the events `sent` (their sequences), whose request took `took_ms`.
    pub fn apply(&mut self, sent: &[u64], verdict: Verdict, took_ms: u64, now: Mono, roll: Roll) -> Step {
        let step = self.follow(sent, verdict, took_ms, now, roll);
        Step { trouble: step.trouble.or_else(|| self.unanswered.clone()), ..step }
    }

    fn follow(&mut self, sent: &[u64], verdict: Verdict, took_ms: u64, now: Mono, roll: Roll) -> Step {
        match verdict {
            Verdict::Items { items, trouble, resend, asked, asked_ms } => {
                self.items(sent, items, Reported { trouble, resend, asked, asked_ms }, took_ms, now, roll)
            }
            Verdict::Smaller { trouble, alone, too_large } => {
                self.failing_since.get_or_insert(now);
                let settle = match *sent {
                    [] => Vec::new(),
                    [sequence] => self.alone(sequence, alone, now, roll),
                    _ => {
                        self.events = sent.len().div_ceil(2);
                        if too_large {
                            self.bytes = (self.bytes / 2).max(BYTES_MIN);
                        }
                        release(sent)
                    }
                };
                let progress = settle.iter().any(|(_, outcome)| matches!(outcome, Outcome::Refused(_)));
                let recovered = progress && self.succeeded(now, roll);
                Step { settle, trouble: Some(trouble), progress, recovered, ..Step::default() }
            }
            Verdict::Closed { trouble, pause, whose, too_slow } => {
                if too_slow {
                    self.events = (self.events / 2).max(1);
                    self.bytes = (self.bytes / 2).max(BYTES_MIN);
                }
                self.failed(pause, whose, now, roll);
                Step { settle: release(sent), trouble: Some(trouble), ..Step::default() }
            }
        }
    }

    fn items(
        &mut self,
        sent: &[u64],
        items: Vec<Item>,
        reported: Reported,
        took_ms: u64,
        now: Mono,
        roll: Roll,
    ) -> Step {
        let mut settle = Vec::with_capacity(sent.len());
        let mut put_off = Vec::new();
        for (sequence, item) in sent.iter().copied().zip(items) {
            match item {
                Item::Delivered => settle.push((sequence, Outcome::Delivered)),
                Item::HandedOver => settle.push((sequence, Outcome::HandedOver)),
                Item::Refused(text) => settle.push((sequence, Outcome::Refused(text))),
                Item::Again => settle.push((sequence, Outcome::Released)),
                Item::PutOff => put_off.push(sequence),
            }
        }
        let progress = settle.iter().any(|(_, outcome)| *outcome != Outcome::Released);
        let recovered = progress && self.succeeded(now, roll);
        if progress {
            self.taken = self.taken.saturating_add(u64::try_from(settle.len()).unwrap_or(u64::MAX));
            for (sequence, _) in &settle {
                self.suspects.remove(sequence);
            }
            self.resize(sent.len(), took_ms);
        }
        if PUT_OFF_MAX < self.resting.len() + put_off.len() || (!progress && !put_off.is_empty()) {
            self.failed(reported.asked_ms.map_or(Pause::BackOff, Pause::Asked), Whose::Receivers, now, roll);
            settle.extend(release(&put_off));
        } else {
            for sequence in put_off {
                self.rest(sequence, now);
            }
            if let Some(asked_ms) = reported.asked_ms.filter(|ms| 0 < *ms) {
                self.waiting = Some((now.plus_ms(self.asked(asked_ms, roll)), Wait::Firm));
            }
        }
        Step { settle, trouble: reported.trouble, progress, recovered, resend: reported.resend, asked: reported.asked }
    }

    /// A single event that a bare status refuses is set aside only if the receiver has taken others since it was
    /// refused
    /// first: else it may be the address that is wrong, and every read would be thrown away one by one.
    fn alone(&mut self, sequence: u64, text: String, now: Mono, roll: Roll) -> Vec<(u64, Outcome)> {
        let taken = self.taken;
        let before = *self.suspects.entry(sequence).or_insert(taken);
        if before < taken {
            self.suspects.remove(&sequence);
            return vec![(sequence, Outcome::Refused(text))];
        }
        self.failed(Pause::BackOff, Whose::Unknown, now, roll);
        let cap = self.limits.retry_ms_max.min(ALONE_MS_MAX);
        self.waiting = Some((now.plus_ms(pause_ms(self.failures, BASE_MS, cap, roll)), Wait::BackOff));
        if PUT_OFF_MAX <= self.resting.len() || PUT_OFF_MAX < self.suspects.len() {
            self.suspects.remove(&sequence);
            return vec![(sequence, Outcome::Released)];
        }
        self.rest(sequence, now);
        Vec::new()
    }

    fn rest(&mut self, sequence: u64, now: Mono) {
        let rest_ms = if self.lane == Lane::Urgent { PUT_OFF_URGENT_MS } else { PUT_OFF_MS };
        self.resting.push_back((now.plus_ms(rest_ms.min(self.limits.retry_ms_max)), sequence));
    }

    fn failed(&mut self, pause: Pause, whose: Whose, now: Mono, roll: Roll) {
        self.failures = self.failures.saturating_add(1);
        self.failing_since.get_or_insert(now);
        if whose != Whose::Unknown {
            self.whose = whose;
        }
        let cap = self.limits.retry_ms_max;
        self.waiting = Some(match pause {
            Pause::BackOff => (now.plus_ms(pause_ms(self.failures, BASE_MS, cap, roll)), Wait::BackOff),
            Pause::Long => (now.plus_ms(pause_ms(self.failures, BASE_LONG_MS, cap, roll)), Wait::Firm),
            Pause::Asked(ms) => (now.plus_ms(self.asked(ms, roll)), Wait::Firm),
        });
    }

    /// What the receiver asked for, capped, and a random part of the spread on top, so that not all come back at once.
    fn asked(&self, asked_ms: u64, roll: Roll) -> u64 {
        let (cap, spread) = match self.lane {
            Lane::Urgent => (ASKED_URGENT_MS_MAX, SPREAD_URGENT_MS),
            Lane::Bulk => (ASKED_MS_MAX, SPREAD_MS),
        };
        let asked_ms = asked_ms.min(cap);
        asked_ms + roll.up_to(spread.min(asked_ms))
    }

    /// Ends a row of failures; answers whether there was one.
    fn succeeded(&mut self, now: Mono, roll: Roll) -> bool {
        let recovered = 0 < self.failures;
        if self.unanswered.is_some() {
            self.waiting = None;
            return false;
        }
        self.waiting = if recovered { self.spread(now, roll) } else { None };
        self.failures = 0;
        self.failing_since = None;
        self.whose = Whose::Unknown;
        recovered
    }

    /// How long to hold back after an outage: nothing after one of our own, else a random time up to the length of the
    /// outage or the lane's spread, whichever is shorter (a hiccup of two seconds needs no minute to spread).
    fn spread(&self, now: Mono, roll: Roll) -> Option<(Mono, Wait)> {
        if self.whose != Whose::Receivers {
            return None;
        }
        let most = if self.lane == Lane::Urgent { SPREAD_URGENT_MS } else { SPREAD_MS };
        let outage_ms = self.failing_since.map_or(0, |since| now.since_ms(since));
        Some((now.plus_ms(roll.up_to(most.min(outage_ms))), Wait::Spread))
    }

    /// Grows after a quick request that used what it was allowed, shrinks after a slow one.
    fn resize(&mut self, sent: usize, took_ms: u64) {
        if self.limits.answer_wait_ms / 2 < took_ms {
            self.events = (self.events / 2).max(1);
            self.bytes = (self.bytes / 2).max(BYTES_MIN);
        } else if took_ms < self.limits.answer_wait_ms / 8 {
            if self.events <= sent {
                self.events = (self.events * 2).min(self.limits.events_max);
            }
            self.bytes = (self.bytes * 2).min(self.limits.bytes_max);
        }
    }
}

/// What a receiver said beside the receipts.
struct Reported {
    trouble: Option<String>,
    resend: Vec<Resend>,
    asked: Vec<String>,
    asked_ms: Option<u64>,
}

fn release(sequences: &[u64]) -> Vec<(u64, Outcome)> {
    sequences.iter().map(|sequence| (*sequence, Outcome::Released)).collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const LIMITS: Limits =
        Limits { events_max: 500, bytes_max: 1 << 20, answer_wait_ms: 30_000, retry_ms_max: 120_000 };
    const MOST: Roll = Roll(u64::MAX);

    fn bulk() -> LaneState {
        LaneState::new(Lane::Bulk, LIMITS)
    }

    fn closed(pause: Pause, whose: Whose) -> Verdict {
        Verdict::Closed { trouble: "t: do".into(), pause, whose, too_slow: false }
    }

    fn items(items: Vec<Item>) -> Verdict {
        Verdict::Items { items, trouble: None, resend: Vec::new(), asked: Vec::new(), asked_ms: None }
    }

    fn smaller() -> Verdict {
        Verdict::Smaller { trouble: "t: do".into(), alone: "400".into(), too_large: false }
    }

    #[test]
    fn a_flood_of_urgent_events_leaves_half_of_the_link_to_the_others() {
        let mut lane = LaneState::new(Lane::Urgent, LIMITS);
        let (mut busy, mut now) = (0, Mono(0));
        while now < Mono(60_000) {
            if let Err(until) = lane.ask(now) {
                now = until;
                continue;
            }
            lane.apply(&[1, 2], items(vec![Item::Delivered; 2]), 700, now.plus_ms(700), MOST);
            (busy, now) = (busy + 700, now.plus_ms(700));
            lane.share_link(URGENT_ALONE_MAX + 1, 5, 700, now);
        }
        assert!((29_000..=31_000).contains(&busy), "{busy} ms of a minute");
        for (urgent, others) in [(URGENT_ALONE_MAX, 5), (URGENT_ALONE_MAX + 1, 0)] {
            let mut lane = LaneState::new(Lane::Urgent, LIMITS);
            lane.share_link(urgent, others, 700, Mono(0));
            assert!(lane.ask(Mono(0)).is_ok(), "{urgent} {others}");
        }
        let mut other = bulk();
        other.share_link(1000, 1000, 700, Mono(0));
        assert!(other.ask(Mono(0)).is_ok());
    }

    #[test]
    fn fault_56_failures_lengthen_the_pause_up_to_its_cap() {
        let mut lane = bulk();
        let mut now = Mono(0);
        let mut pauses = Vec::new();
        for _ in 0..12 {
            lane.apply(&[1], closed(Pause::BackOff, Whose::Unknown), 1, now, MOST);
            let until = lane.ask(now).unwrap_err();
            pauses.push(until.since_ms(now));
            now = until;
        }
        assert_eq!(pauses[..4], [500, 1000, 2000, 4000]);
        assert_eq!(pauses[11], 120_000);
        assert_eq!(lane.failures(), 12);
        assert_eq!(lane.failing_since(), Some(Mono(0)));
    }

    #[test]
    fn fault_57_after_an_outage_of_the_receiver_each_lane_spreads_and_after_our_own_nothing_waits() {
        for (kind, whose, want_ms) in [
            (Lane::Bulk, Whose::Receivers, 60_000),
            (Lane::Urgent, Whose::Receivers, 5_000),
            (Lane::Bulk, Whose::Ours, 0),
            (Lane::Urgent, Whose::Ours, 0),
            (Lane::Bulk, Whose::Unknown, 0),
        ] {
            let mut lane = LaneState::new(kind, LIMITS);
            lane.apply(&[1], closed(Pause::BackOff, whose), 1, Mono(0), MOST);
            let back = Mono(600_000);
            let step = lane.apply(&[1], items(vec![Item::Delivered]), 1, back, MOST);
            assert!(step.recovered && step.progress);
            assert_eq!(lane.ask(back).err().map_or(0, |until| until.since_ms(back)), want_ms, "{kind:?} {whose:?}");
        }
    }

    #[test]
    fn a_short_outage_spreads_no_longer_than_it_lasted() {
        let mut lane = bulk();
        lane.apply(&[1], closed(Pause::BackOff, Whose::Receivers), 1, Mono(0), MOST);
        lane.apply(&[1], items(vec![Item::Delivered]), 1, Mono(2000), MOST);
        assert_eq!(lane.ask(Mono(2000)), Err(Mono(4000)));
    }

    #[test]
    fn the_link_coming_back_ends_a_pause_of_our_own_but_not_one_that_was_asked_for() {
        let mut lane = bulk();
        lane.apply(&[1], closed(Pause::BackOff, Whose::Unknown), 1, Mono(0), MOST);
        lane.link_down();
        lane.link_up();
        assert!(lane.ask(Mono(0)).is_ok());
        lane.apply(&[1], closed(Pause::Asked(10_000), Whose::Receivers), 1, Mono(0), MOST);
        lane.link_down();
        lane.link_up();
        assert_eq!(lane.ask(Mono(0)), Err(Mono(20_000)), "what was asked for, and as much again at most");
    }

    #[test]
    fn the_link_watcher_never_stops_a_try() {
        let mut lane = bulk();
        lane.link_down();
        assert!(lane.ask(Mono(0)).is_ok());
    }

    #[test]
    fn a_wish_to_wait_is_capped_and_lower_for_hits() {
        for (kind, cap) in
            [(Lane::Bulk, ASKED_MS_MAX + SPREAD_MS), (Lane::Urgent, ASKED_URGENT_MS_MAX + SPREAD_URGENT_MS)]
        {
            let mut lane = LaneState::new(kind, LIMITS);
            lane.apply(&[1], closed(Pause::Asked(u64::MAX), Whose::Receivers), 1, Mono(0), MOST);
            assert_eq!(lane.ask(Mono(0)), Err(Mono(cap)));
        }
    }

    #[test]
    fn the_other_lane_getting_through_cuts_a_long_back_off_short() {
        let mut lane = bulk();
        for _ in 0..9 {
            lane.apply(&[1], closed(Pause::BackOff, Whose::Unknown), 1, Mono(0), MOST);
        }
        assert_eq!(lane.ask(Mono(0)), Err(Mono(120_000)));
        lane.other_lane_recovered(Mono(10), Roll(0));
        assert!(lane.ask(Mono(10)).is_ok());
    }

    #[test]
    fn what_is_put_off_rests_while_others_go_on() {
        let mut lane = bulk();
        let verdict = items(vec![Item::Delivered, Item::PutOff, Item::Refused("no".into())]);
        let step = lane.apply(&[1, 2, 3], verdict, 1, Mono(0), MOST);
        assert_eq!(step.settle, [(1, Outcome::Delivered), (3, Outcome::Refused("no".into()))]);
        assert!(lane.ask(Mono(0)).is_ok());
        assert_eq!(lane.rested(Mono(PUT_OFF_MS - 1)), Vec::<u64>::new());
        assert_eq!(lane.rest_ends(), Some(Mono(PUT_OFF_MS)));
        assert_eq!(lane.rested(Mono(PUT_OFF_MS)), [2]);
    }

    #[test]
    fn a_batch_that_is_put_off_as_a_whole_makes_the_lane_wait() {
        let mut lane = bulk();
        let step = lane.apply(&[1, 2], items(vec![Item::PutOff, Item::PutOff]), 1, Mono(0), MOST);
        assert_eq!(step.settle, [(1, Outcome::Released), (2, Outcome::Released)]);
        assert!(lane.ask(Mono(0)).is_err());
    }

    /// A queue of `count` events in order, sent to a receiver that answers 400 to any batch with a bad one in it.
    /// Answers what was refused and how many requests it took until nothing but resting events was left.
    fn drain(count: u64, bad: &[u64], rounds: u32) -> (Vec<u64>, Vec<u64>, u32) {
        let mut lane = bulk();
        let (mut queue, mut refused): (Vec<u64>, Vec<u64>) = ((1..=count).collect(), Vec::new());
        let mut now = Mono(0);
        let mut requests = 0;
        for _ in 0..rounds {
            queue.extend(lane.rested(now));
            queue.sort_unstable();
            let Ok(ask) = lane.ask(now) else {
                now = lane.ask(now).unwrap_err();
                continue;
            };
            let sent: Vec<u64> = queue.drain(..ask.events_max.min(queue.len())).collect();
            if sent.is_empty() {
                let Some(end) = lane.rest_ends() else { break };
                now = end;
                continue;
            }
            requests += 1;
            let verdict = if sent.iter().any(|n| bad.contains(n)) {
                smaller()
            } else {
                items(sent.iter().map(|_| Item::Delivered).collect())
            };
            for (sequence, outcome) in lane.apply(&sent, verdict, 1, now, MOST).settle {
                match outcome {
                    Outcome::Delivered => {}
                    Outcome::Refused(_) => refused.push(sequence),
                    Outcome::HandedOver => unreachable!("nobody is between"),
                    Outcome::Released => queue.push(sequence),
                }
            }
        }
        queue.extend(lane.rested(Mono(u64::MAX)));
        (refused, queue, requests)
    }

    #[test]
    fn what_a_broker_has_is_progress_but_receipts_that_stay_away_are_a_failure_until_one_comes() {
        let mut lane = bulk();
        let step = lane.apply(&[1, 2], items(vec![Item::HandedOver, Item::HandedOver]), 1, Mono(10), MOST);
        assert!(step.progress);
        assert_eq!(step.settle, [(1, Outcome::HandedOver), (2, Outcome::HandedOver)]);
        assert_eq!(lane.failing_since(), None);
        assert!(lane.no_receipts(2, 180, Mono(10)).contains("2 events"));
        lane.apply(&[1, 2], items(vec![Item::HandedOver, Item::HandedOver]), 1, Mono(200_000), MOST);
        assert_eq!((lane.failing_since(), lane.failures()), (Some(Mono(10)), 1), "a broker's word does not end it");
        assert!(lane.ask(Mono(200_000)).is_ok(), "and it holds nothing up");
        lane.receipts_came();
        assert_eq!((lane.failing_since(), lane.failures()), (None, 0));
    }

    #[test]
    fn one_bad_event_is_found_by_halving_and_blocks_no_other() {
        let (refused, left, requests) = drain(1000, &[37], 500);
        assert_eq!((refused, left), (vec![37], vec![]));
        assert!(requests < 40, "{requests} requests");
        let (refused, left, _) = drain(300, &[1, 150, 151], 2000);
        assert_eq!((refused, left), (vec![1, 150, 151], vec![]));
        let (refused, left, _) = drain(300, &[300], 2000);
        assert_eq!((refused, left), (vec![], vec![300]), "set aside only after the receiver took another one");
    }

    #[test]
    fn a_receiver_that_refuses_everything_costs_no_event() {
        let everything: Vec<u64> = (1..=40).collect();
        let (refused, left, requests) = drain(40, &everything, 400);
        assert_eq!(refused, Vec::<u64>::new());
        assert_eq!(left.len(), 40);
        assert!(requests < 400);
    }

    #[test]
    fn quick_batches_grow_and_slow_ones_shrink() {
        let mut lane = bulk();
        let first = lane.ask(Mono(0)).unwrap();
        assert_eq!(first, Ask { events_max: EVENTS_FIRST, bytes_max: BYTES_FIRST });
        let sent: Vec<u64> = (0..64).collect();
        lane.apply(&sent, items(vec![Item::Delivered; 64]), 100, Mono(0), MOST);
        assert_eq!(lane.ask(Mono(0)).unwrap(), Ask { events_max: 128, bytes_max: BYTES_FIRST * 2 });
        lane.apply(&sent, items(vec![Item::Delivered; 64]), 20_000, Mono(0), MOST);
        assert_eq!(lane.ask(Mono(0)).unwrap(), first);
    }

    #[test]
    fn urgent_batches_stay_small() {
        let ask = LaneState::new(Lane::Urgent, LIMITS).ask(Mono(0)).unwrap();
        assert_eq!(ask.events_max, EVENTS_URGENT_MAX);
    }

    fn any_verdict() -> impl Strategy<Value = Verdict> {
        let item = prop_oneof![Just(Item::Delivered), Just(Item::Refused("no".into())), Just(Item::PutOff)];
        let pause = prop_oneof![Just(Pause::BackOff), Just(Pause::Long), any::<u64>().prop_map(Pause::Asked)];
        let whose = prop_oneof![Just(Whose::Unknown), Just(Whose::Receivers), Just(Whose::Ours)];
        prop_oneof![
            (prop::collection::vec(item, 30), any::<Option<u64>>()).prop_map(|(items, asked_ms)| Verdict::Items {
                items,
                trouble: None,
                resend: Vec::new(),
                asked: Vec::new(),
                asked_ms
            }),
            any::<bool>().prop_map(|too_large| Verdict::Smaller { trouble: "t".into(), alone: "a".into(), too_large }),
            (pause, whose, any::<bool>()).prop_map(|(pause, whose, too_slow)| Verdict::Closed {
                trouble: "t".into(),
                pause,
                whose,
                too_slow
            }),
        ]
    }

    proptest! {
        /// Whatever the receiver answers: each sent event is settled once or rests, the limits hold, and no wait is
        /// endless.
        #[test]
        fn no_event_is_ever_forgotten(
            steps in prop::collection::vec((any_verdict(), 1_usize..30, 0_u64..40_000, any::<u64>()), 1..60),
        ) {
            let mut lane = bulk();
            let mut now = Mono(0);
            let mut next = 1_u64;
            for (verdict, count, took_ms, roll) in steps {
                let released = lane.rested(now).len();
                let resting = lane.resting.len();
                let sent: Vec<u64> = (next..next + u64::try_from(count).unwrap()).collect();
                next += u64::try_from(count).unwrap();
                let step = lane.apply(&sent, verdict, took_ms, now, Roll(roll));
                prop_assert_eq!(step.settle.len() + lane.resting.len() - resting, sent.len(), "released {}", released);
                let wait = lane.ask(now).err().map_or(0, |until| until.since_ms(now));
                prop_assert!(wait <= ASKED_MS_MAX + SPREAD_MS);
                if let Ok(ask) = lane.ask(now.plus_ms(wait)) {
                    prop_assert!((1..=500).contains(&ask.events_max));
                    prop_assert!((BYTES_MIN..=1 << 20).contains(&ask.bytes_max));
                }
                prop_assert!(lane.resting.len() <= PUT_OFF_MAX);
                now = now.plus_ms(wait / 2 + 1);
            }
        }
    }
}
