//! One lane: how much to ask for, when, and what to settle after an answer. Each lane has its own pauses, so that the
//! urgent one is never behind the other.

use super::answer::{Item, Pause, Verdict, Whose};
use super::backoff::{Roll, half_or_more, knock_ms, most_of, pause_ms};
use super::wording;
use crate::moment::Mono;
use crate::queue::Lane;
use crate::wire::receipt::Resend;
use std::collections::{BTreeMap, VecDeque};

/// First step of the back-off, ms (our own limit: two tries within a second after a hiccup).
pub const BASE_MS: u64 = 500;
/// Shortest pause where a person has to act first (a certificate, a token, an address), ms (issue: a recovery is seen
/// within 5 s; one second is left for the try itself).
pub const LONG_MS_MIN: u64 = 4_000;
/// There the pause grows with the outage: it is this part of it, so that the end is seen within a third of what it
/// lasted (our own choice; see decision 0082).
pub const LONG_PART: u64 = 3;
/// From so long an outage on nobody is about to mend it in this minute: the pause is as long as the outage has lasted,
/// ms. So a trailer that is refused for an hour sends at most 20 requests in it, as row 28 of the fault catalogue wants
/// (our own choice; see decision 0078).
pub const LONG_SLOW_FROM_MS: u64 = 25_000;
/// Up to this, ms (source: fault 56: 5 to 15 minutes).
pub const LONG_MS_MAX: u64 = 900_000;
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
    /// Set if this progress ended a row of failures.
    pub recovered: Option<Recovery>,
    /// What the receiver asks for again.
    pub resend: Vec<Resend>,
    /// Signed requests of people at the agency, base64, not checked yet.
    pub asked: Vec<String>,
}

/// The end of a row of failures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recovery {
    /// When.
    pub at: Mono,
    /// Since when tries had been failing.
    pub failing_since: Mono,
    /// Whose outage it was.
    pub whose: Whose,
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
    failed_at: Option<Mono>,
    /// Since when a person has had to act, with no other kind of failure between.
    long_since: Option<Mono>,
    /// Failures of the other lane that count for this one's next.
    joined: u32,
    /// The last try failed for the receiver as a whole, or the way to it, and not for single events.
    shut_out: bool,
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
            failed_at: None,
            long_since: None,
            joined: 0,
            shut_out: false,
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

    /// Whether the last try failed for the receiver as a whole, or for the way to it.
    #[must_use]
    pub fn is_shut_out(&self) -> bool {
        self.shut_out
    }

    /// The other lane has knocked so often in vain: if this one begins to fail now, it goes on from there.
    pub fn join(&mut self, failures: u32) {
        if self.failures == 0 {
            self.joined = failures;
        }
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
        self.calm();
        true
    }

    /// No try fails any more.
    fn calm(&mut self) {
        self.failures = 0;
        self.joined = 0;
        (self.failing_since, self.long_since) = (None, None);
        self.shut_out = false;
        self.whose = Whose::Unknown;
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

    /// The clock by which certificates are judged was put right: whatever was waited for, the next try may go well.
    pub fn clock_mended(&mut self) {
        if 0 < self.failures && self.whose != Whose::Receivers {
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

    /// The other lane got through, so the receiver is there: a longer back-off is cut short, and what stood back
    /// meanwhile comes in spread like all others of the fleet. Old news (this lane has failed since) changes nothing.
    pub fn other_lane_recovered(&mut self, recovery: Recovery, now: Mono, roll: Roll) {
        if self.failed_at.is_some_and(|failed| recovery.at < failed) {
            return;
        }
        let until = match self.waiting {
            Some((_, Wait::Firm | Wait::Spread)) => return,
            Some((until, Wait::BackOff)) => Some(until),
            None => None,
        };
        if self.whose == Whose::Unknown {
            self.whose = recovery.whose;
        }
        let since = self.failing_since.map_or(recovery.failing_since, |since| since.min(recovery.failing_since));
        let spread = self.spread(since, now, roll);
        self.waiting = match (spread, until) {
            (Some((later, _)), Some(until)) if until <= later => Some((until, Wait::BackOff)),
            (spread, _) => spread,
        };
        if self.unanswered.is_none() {
            self.calm();
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
            (self.failing_since, self.long_since) = (None, None);
            self.shut_out = false;
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
                self.shut_out = false;
                let recovered = if progress { self.succeeded(now, roll) } else { None };
                Step { settle, trouble: Some(trouble), progress, recovered, ..Step::default() }
            }
            Verdict::Closed { trouble, pause, whose, too_slow } => {
                if too_slow {
                    self.events = (self.events / 2).max(1);
                    self.bytes = (self.bytes / 2).max(BYTES_MIN);
                }
                self.failed(pause, whose, now, roll);
                self.shut_out = true;
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
        self.shut_out = false;
        let recovered = if progress { self.succeeded(now, roll) } else { None };
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
        self.failures = self.failures.max(std::mem::take(&mut self.joined)).saturating_add(1);
        self.failing_since.get_or_insert(now);
        self.failed_at = Some(now);
        // An outage of the link before it is no part of a refusal.
        self.long_since = (pause == Pause::Long).then(|| self.long_since.unwrap_or(now));
        if whose != Whose::Unknown {
            self.whose = whose;
        }
        let cap = self.limits.retry_ms_max;
        self.waiting = Some(match pause {
            Pause::BackOff => (now.plus_ms(knock_ms(self.failures, BASE_MS, cap, roll)), Wait::BackOff),
            Pause::Long => {
                let lasted_ms = self.long_since.map_or(0, |since| now.since_ms(since));
                let pause_ms = if lasted_ms < LONG_SLOW_FROM_MS {
                    half_or_more((lasted_ms / LONG_PART).max(LONG_MS_MIN).min(cap), roll)
                } else {
                    most_of(lasted_ms.min(LONG_MS_MAX), roll)
                };
                (now.plus_ms(pause_ms), Wait::Firm)
            }
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

    /// Ends a row of failures; answers which, if there was one.
    fn succeeded(&mut self, now: Mono, roll: Roll) -> Option<Recovery> {
        if self.unanswered.is_some() {
            self.waiting = None;
            return None;
        }
        let failing_since = self.failing_since.filter(|_| 0 < self.failures);
        let recovery = failing_since.map(|failing_since| Recovery { at: now, failing_since, whose: self.whose });
        self.waiting = recovery.and_then(|recovery| self.spread(recovery.failing_since, now, roll));
        self.calm();
        recovery
    }

    /// How long to hold back after an outage: nothing after one of our own, else a random time up to the length of the
    /// outage or the lane's spread, whichever is shorter (a hiccup of two seconds needs no minute to spread).
    fn spread(&self, failing_since: Mono, now: Mono, roll: Roll) -> Option<(Mono, Wait)> {
        if self.whose != Whose::Receivers {
            return None;
        }
        let most = if self.lane == Lane::Urgent { SPREAD_URGENT_MS } else { SPREAD_MS };
        Some((now.plus_ms(roll.up_to(most.min(now.since_ms(failing_since)))), Wait::Spread))
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
mod fleet_tests;
#[cfg(test)]
mod tests;
