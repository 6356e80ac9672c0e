//! The second receiver, for urgent events only: when it is tried, and which of them it has got. The first one gets them
//! all the same, later; whether everything arrived is judged there alone.

use super::answer::Verdict;
use super::backoff::Roll;
use super::lane::{Ask, LaneState, Limits, Outcome};
use crate::ids::EventId;
use crate::moment::{Mono, Utc};
use crate::queue::Lane;
use crate::queue::ranges::RangeSet;
use std::collections::{HashSet, VecDeque};

/// So many runs of numbers are remembered as relayed; beyond that the oldest are forgotten (our own limit: 100 kB).
/// What is forgotten and still waits goes a second time, which the second receiver knows by its id.
const RUNS_MAX: usize = 4096;

/// So many hits are remembered that one of the two has had (our own limit: 300 kB). One that is forgotten before the
/// other has it, too, counts a second time.
const HITS_MAX: usize = 4096;

/// How the first receiver is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct First {
    /// Its last try, of any lane, failed and nothing has got through since.
    pub fails: bool,
    /// Since when a request with urgent events has been on its way to it.
    pub asked_at: Option<Mono>,
}

/// What is published of the second receiver.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RelayView {
    /// The first receiver fails or is late just now: urgent events go to the second as they come.
    pub active: bool,
    /// Events that the second receiver has taken since the start.
    pub relayed: u64,
    /// Events that it has refused since the start; the first one is still asked.
    pub refused: u64,
    /// Hits that it had before the first receiver, since the start: their time ends with its receipt.
    pub hits_first: u64,
    /// When its last receipt came.
    pub last_receipt: Option<(Mono, Utc)>,
    /// Since when tries have been failing.
    pub failing_since: Option<(Mono, Utc)>,
    /// Why the last try failed, one sentence with what to do; `None` if it succeeded or none was made. Never holds a
    /// plate.
    pub trouble: Option<String>,
}

/// What came of one try.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Relayed {
    /// Events that the second receiver took.
    pub taken: u64,
    /// Their numbers.
    pub taken_numbers: Vec<u64>,
    /// Events that it will never take.
    pub refused: u64,
    /// What was wrong, with what to do.
    pub trouble: Option<String>,
}

/// The machine.
#[derive(Clone, Debug)]
pub struct Relay {
    after_ms: u64,
    lane: LaneState,
    /// What has been taken or refused.
    over: RangeSet,
    /// What the second receiver put off alone.
    resting: RangeSet,
    generation: String,
    not_before: Mono,
}

impl Relay {
    /// Tried once the first receiver has failed, or has owed an answer for `after_ms`.
    #[must_use]
    pub fn new(after_ms: u64, limits: Limits) -> Self {
        Self {
            after_ms,
            lane: LaneState::new(Lane::Urgent, limits),
            over: RangeSet::default(),
            resting: RangeSet::default(),
            generation: String::new(),
            not_before: Mono(0),
        }
    }

    /// From when on urgent events go to the second receiver; `None`: the first one is well as far as anybody knows.
    #[must_use]
    pub fn due(&self, first: First) -> Option<Mono> {
        let due = if first.fails { Mono(0) } else { first.asked_at?.plus_ms(self.after_ms) };
        Some(due.max(self.not_before))
    }

    /// How much to take to the second receiver at `now`.
    ///
    /// # Errors
    /// The instant before which it is left alone.
    pub fn ask(&self, now: Mono) -> Result<Ask, Mono> {
        self.lane.ask(now)
    }

    /// Numbers of this `generation` that need not go (again) now.
    pub fn skips(&mut self, generation: &str, now: Mono) -> RangeSet {
        if self.generation != generation {
            // Another file with numbers of its own.
            generation.clone_into(&mut self.generation);
            self.over = RangeSet::default();
            self.resting = RangeSet::default();
        }
        for sequence in self.lane.rested(now) {
            self.resting.remove(sequence);
        }
        let mut skips = self.over.clone();
        for (first, last) in self.resting.runs() {
            skips.insert_run(first, last);
        }
        skips
    }

    /// Since when tries have been failing.
    #[must_use]
    pub fn failing_since(&self) -> Option<Mono> {
        self.lane.failing_since()
    }

    /// Our own link has come up: a pause that it caused is over, and the first receiver, which failed for the link as
    /// well, has its time again.
    pub fn link_up(&mut self, now: Mono) {
        self.lane.link_up();
        self.not_before = now.plus_ms(self.after_ms);
    }

    /// What follows from the `verdict` on the events `sent` (their sequences), whose request took `took_ms`. What it
    /// asks for once more, or asks the trailer to do, is the first receiver's business and passed over.
    pub fn apply(&mut self, sent: &[u64], verdict: Verdict, took_ms: u64, now: Mono, roll: Roll) -> Relayed {
        let step = self.lane.apply(sent, verdict, took_ms, now, roll);
        let mut relayed = Relayed { trouble: step.trouble, ..Relayed::default() };
        let mut told = RangeSet::default();
        for (sequence, outcome) in step.settle {
            told.insert(sequence);
            match outcome {
                Outcome::Delivered => {
                    relayed.taken += 1;
                    relayed.taken_numbers.push(sequence);
                }
                Outcome::Refused(_) => relayed.refused += 1,
                Outcome::HandedOver | Outcome::Released => continue,
            }
            self.over.insert(sequence);
        }
        for sequence in sent.iter().filter(|sequence| !told.contains(**sequence)) {
            self.resting.insert(*sequence);
        }
        let runs = self.over.runs().count();
        if RUNS_MAX < runs {
            let mut newer = RangeSet::default();
            for (first, last) in self.over.runs().skip(runs / 2) {
                newer.insert_run(first, last);
            }
            self.over = newer;
        }
        relayed
    }
}

/// Hits that one of the two receivers has had: the time of each ends with the first receipt, whose ever that is.
#[derive(Clone, Debug, Default)]
pub struct HadHits {
    known: HashSet<EventId>,
    order: VecDeque<EventId>,
}

impl HadHits {
    /// A receipt for this hit came: true if it is the first.
    pub fn first(&mut self, hit: EventId) -> bool {
        if !self.known.insert(hit) {
            return false;
        }
        self.order.push_back(hit);
        if HITS_MAX < self.order.len()
            && let Some(oldest) = self.order.pop_front()
        {
            self.known.remove(&oldest);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::super::answer::{Item, Pause, Whose};
    use super::*;

    const LIMITS: Limits = Limits { events_max: 20, bytes_max: 1 << 20, answer_wait_ms: 10_000, retry_ms_max: 60_000 };
    const QUEUE: &str = "a";

    fn relay() -> Relay {
        Relay::new(3000, LIMITS)
    }

    fn items(items: Vec<Item>) -> Verdict {
        Verdict::Items { items, trouble: None, resend: Vec::new(), asked: Vec::new(), asked_ms: None }
    }

    fn closed() -> Verdict {
        Verdict::Closed {
            trouble: "away: wait".to_owned(),
            pause: Pause::BackOff,
            whose: Whose::Receivers,
            too_slow: false,
        }
    }

    #[test]
    fn it_is_due_at_once_when_the_first_fails_and_after_its_time_when_the_first_is_silent() {
        let mut relay = relay();
        assert_eq!(relay.due(First::default()), None);
        let first = First { fails: false, asked_at: Some(Mono(5000)) };
        assert_eq!(relay.due(first), Some(Mono(8000)));
        assert_eq!(relay.due(First { fails: true, ..first }), Some(Mono(0)));
        relay.link_up(Mono(20_000));
        assert_eq!(relay.due(First { fails: true, ..first }), Some(Mono(23_000)), "the first has its time first");
    }

    #[test]
    fn what_is_taken_or_refused_goes_once_and_what_is_put_off_rests() {
        let mut relay = relay();
        assert!(relay.skips(QUEUE, Mono(0)).is_empty());
        let answer = items(vec![Item::Delivered, Item::Refused("no".to_owned()), Item::PutOff, Item::Again]);
        let told = relay.apply(&[9, 8, 7, 6], answer, 10, Mono(100), Roll(0));
        assert_eq!((told.taken, told.refused), (1, 1));
        let skips = |relay: &mut Relay, at| {
            let skips = relay.skips(QUEUE, Mono(at));
            [9, 8, 7, 6].map(|sequence| skips.contains(sequence))
        };
        assert_eq!(skips(&mut relay, 200), [true, true, true, false]);
        assert_eq!(skips(&mut relay, 60_200), [true, true, false, false], "it has rested");
        assert!(relay.skips("another queue", Mono(60_300)).is_empty());
    }

    #[test]
    fn a_second_receiver_that_fails_is_left_alone_longer_and_longer_and_nothing_is_forgotten() {
        let mut relay = relay();
        let (mut now, mut tries) = (Mono(0), 0);
        while now.0 < 600_000 {
            if let Err(until) = relay.ask(now) {
                now = until;
                continue;
            }
            tries += 1;
            let told = relay.apply(&[3], closed(), 10, now, Roll(u64::MAX / 2));
            assert_eq!((told.taken, told.trouble.as_deref()), (0, Some("away: wait")));
        }
        assert!(tries <= 30, "{tries}");
        assert!(!relay.skips(QUEUE, now).contains(3));
        assert!(relay.failing_since().is_some());
        relay.apply(&[3], items(vec![Item::Delivered]), 10, now, Roll(0));
        assert!(relay.skips(QUEUE, now).contains(3) && relay.failing_since().is_none());
    }

    #[test]
    fn a_hit_counts_with_its_first_receipt_and_the_memory_of_that_is_bounded() {
        let mut had = HadHits::default();
        let id = |n: usize| EventId((n as u128).to_be_bytes());
        assert!(had.first(id(1)) && had.first(id(2)));
        assert!(!had.first(id(1)) && !had.first(id(2)) && !had.first(id(1)), "whoever has it next");
        (10..10 + 2 * HITS_MAX).for_each(|n| assert!(had.first(id(n))));
        assert_eq!((had.known.len(), had.order.len()), (HITS_MAX, HITS_MAX));
    }

    #[test]
    fn memory_of_what_went_is_bounded() {
        let mut relay = relay();
        for n in 0..3 * RUNS_MAX as u64 {
            relay.apply(&[2 * n + 1], items(vec![Item::Delivered]), 10, Mono(n), Roll(0));
        }
        let skips = relay.skips("", Mono(0));
        assert!(skips.runs().count() <= RUNS_MAX && skips.contains(6 * RUNS_MAX as u64 - 1));
    }
}
