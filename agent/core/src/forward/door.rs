//! Both lanes before a closed door: while the receiver is away only one of them knocks, so that a receiver with a fleet
//! before it hears from each trailer once and not twice.
//!
//! The lane with urgent events knocks as long as it has any; the other stands back and follows once the door is open.
//! A lane that gets through while the other does not shows that the door is open and the other lane's own events are to
//! blame: then neither waits for the other.

use super::lane::LaneState;
use crate::moment::Mono;
use crate::queue::Lane;

/// A lane that stands back knocks by itself all the same once so many of the longest pauses have gone by: it may be the
/// other lane's events that are to blame, and not the receiver (our own choice: every five minutes by default).
pub const STAND_BACK_PAUSES: u64 = 5;

/// What one lane knows of the door.
#[derive(Clone, Copy, Debug, Default)]
struct Knocker {
    /// Since when the whole receiver has been failing it.
    shut_since: Option<Mono>,
    /// Tries that failed in a row.
    failures: u32,
    /// A request is on its way.
    knocking: bool,
    /// When its last try began.
    knocked_at: Option<Mono>,
    /// When it last got through.
    through_at: Option<Mono>,
}

/// The door.
#[derive(Clone, Copy, Debug)]
pub struct Door {
    lanes: [Knocker; 2],
    stand_back_ms: u64,
}

impl Door {
    /// An open door; `retry_ms_max` is the longest pause between tries.
    #[must_use]
    pub fn new(retry_ms_max: u64) -> Self {
        Self { lanes: [Knocker::default(); 2], stand_back_ms: retry_ms_max.saturating_mul(STAND_BACK_PAUSES) }
    }

    /// A request of `lane` begins.
    pub fn knocks(&mut self, lane: Lane, now: Mono) {
        let knocker = &mut self.lanes[lane as usize];
        knocker.knocking = true;
        knocker.knocked_at = Some(now);
    }

    /// A request of `lane` has ended, or nothing waits in it: how the lane is now. `through`: the receiver took or
    /// refused something.
    pub fn ended(&mut self, lane: Lane, state: &LaneState, through: bool, now: Mono) {
        let knocker = &mut self.lanes[lane as usize];
        knocker.knocking = false;
        knocker.failures = state.failures();
        if through {
            knocker.through_at = Some(now);
        }
        if state.is_shut_out() {
            knocker.shut_since.get_or_insert(now);
        } else {
            knocker.shut_since = None;
        }
    }

    /// Whether `lane` leaves the knocking to the other at `now`. Urgent events never do.
    #[must_use]
    pub fn stands_back(&self, lane: Lane, now: Mono) -> bool {
        if lane == Lane::Urgent {
            return false;
        }
        let (own, other) = (self.lanes[Lane::Bulk as usize], self.lanes[Lane::Urgent as usize]);
        // A first request of the other lane counts as its knocking only while this one stands before a shut door, too.
        let since = other.shut_since.or(other.knocked_at.filter(|_| other.knocking && own.shut_since.is_some()));
        let Some(since) = since else { return false };
        if own.through_at.is_some_and(|at| since <= at) {
            return false;
        }
        let alone_since = own.knocked_at.map_or(since, |at| at.max(since));
        now.since_ms(alone_since) < self.stand_back_ms
    }

    /// Tries in a row that have failed the other lane: a lane that begins to knock goes on from there.
    #[must_use]
    pub fn failures_of_other(&self, lane: Lane) -> u32 {
        let other = match lane {
            Lane::Urgent => Lane::Bulk,
            Lane::Bulk => Lane::Urgent,
        };
        let other = self.lanes[other as usize];
        if other.shut_since.is_some() { other.failures } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::super::answer::{Item, Pause, Verdict, Whose};
    use super::super::backoff::Roll;
    use super::super::lane::Limits;
    use super::*;

    const LIMITS: Limits = Limits { events_max: 9, bytes_max: 1 << 20, answer_wait_ms: 30_000, retry_ms_max: 60_000 };

    struct Lanes {
        door: Door,
        urgent: LaneState,
        bulk: LaneState,
    }

    impl Lanes {
        fn new() -> Self {
            let lane = |lane| LaneState::new(lane, LIMITS);
            Self { door: Door::new(60_000), urgent: lane(Lane::Urgent), bulk: lane(Lane::Bulk) }
        }

        /// One request of `lane` that begins at `at` and takes 10 ms.
        fn tries(&mut self, lane: Lane, through: bool, at: u64) {
            self.door.knocks(lane, Mono(at));
            let verdict = if through {
                let items = vec![Item::Delivered];
                Verdict::Items { items, trouble: None, resend: Vec::new(), asked: Vec::new(), asked_ms: None }
            } else {
                let trouble = "away: wait".to_owned();
                Verdict::Closed { trouble, pause: Pause::BackOff, whose: Whose::Receivers, too_slow: false }
            };
            let state = if lane == Lane::Urgent { &mut self.urgent } else { &mut self.bulk };
            state.join(self.door.failures_of_other(lane));
            let done = Mono(at + 10);
            state.apply(&[1], verdict, 10, done, Roll(u64::MAX));
            self.door.ended(lane, state, through, done);
        }

        fn back(&self, at: u64) -> bool {
            self.door.stands_back(Lane::Bulk, Mono(at))
        }
    }

    #[test]
    fn ordinary_reads_stand_back_while_a_hit_knocks_and_follow_it_in() {
        let mut lanes = Lanes::new();
        lanes.tries(Lane::Bulk, false, 0);
        assert!(!lanes.back(1000), "nobody else knocks");
        lanes.tries(Lane::Bulk, false, 1000);
        lanes.door.knocks(Lane::Urgent, Mono(2000));
        assert!(lanes.back(2001), "whose request is on its way may open the door");
        lanes.tries(Lane::Urgent, false, 2000);
        assert_eq!(lanes.urgent.failures(), 3, "it goes on from the pauses of the other");
        assert!(lanes.back(3000));
        assert!(!lanes.door.stands_back(Lane::Urgent, Mono(3000)), "urgent events never stand back");
        lanes.tries(Lane::Urgent, true, 4000);
        assert!(!lanes.back(4010));
    }

    #[test]
    fn hit_that_nobody_takes_holds_the_others_up_for_five_pauses_once_and_never_again() {
        let mut lanes = Lanes::new();
        lanes.tries(Lane::Urgent, false, 0);
        assert!(lanes.back(300_000) && !lanes.back(300_010));
        lanes.tries(Lane::Bulk, true, 300_010);
        for n in 0..20 {
            lanes.tries(Lane::Urgent, false, 301_000 + n * 60_000);
            assert!(!lanes.back(301_020 + n * 60_000), "it is that hit, not the door");
            lanes.tries(Lane::Bulk, true, 302_000 + n * 60_000);
        }
    }

    #[test]
    fn lane_that_has_nothing_left_holds_nobody_up() {
        let mut lanes = Lanes::new();
        lanes.tries(Lane::Urgent, false, 0);
        lanes.tries(Lane::Bulk, false, 0);
        assert!(lanes.back(100));
        assert!(lanes.urgent.nothing_waits());
        lanes.door.ended(Lane::Urgent, &lanes.urgent, false, Mono(200));
        assert!(!lanes.back(200));
    }

    #[test]
    fn in_quiet_times_a_running_hit_holds_no_read_up() {
        let mut lanes = Lanes::new();
        lanes.tries(Lane::Bulk, true, 0);
        lanes.door.knocks(Lane::Urgent, Mono(100));
        assert!(!lanes.back(101));
    }
}
