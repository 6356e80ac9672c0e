//! In which order waiting events go. Urgent: the newest first, since an old alert helps less. Bulk: of five events four
//! are fresh and one is from the backlog while both wait, so that live reads stay young and the backlog still falls.
//!
//! Costs grow with the number of *runs* of settled sequences, not with the backlog.

use super::Lane;
use super::ranges::RangeSet;
use crate::moment::Mono;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// An event is fresh for this long after its acceptance, ms. Our own choice: live reads must be at the agency within
/// 30 s on a thin link, so what is older than a minute has missed that anyway and joins the backlog.
/// What was accepted before this start of the agent is backlog.
pub const FRESH_MS: u64 = 60_000;

/// A lease that nobody has settled for this long is taken back, ms: whoever held it has died. Common practice, no
/// source; longer than any request may take.
pub const LEASE_MS_MAX: u64 = 900_000;

/// Of [`SHARE_OF`] bulk events this many are fresh while both wait (design: 80/20).
const SHARE_FRESH: u8 = 4;
const SHARE_OF: u8 = 5;

/// How long one mark of [`Order`] stands for, ms.
const MARK_MS: u64 = 1000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Lease {
    lane: Lane,
    since: Mono,
    /// True once a broker or the courier's stick has it: then only its holder takes it back.
    handed: bool,
    /// True if it was delivered before and goes once more.
    again: bool,
}

/// Who waits, who is on the way, who is next. Holds sequences only.
#[derive(Clone, Debug, Default)]
pub struct Order {
    accepted: u64,
    /// Urgent events that wait and are not leased.
    urgent: BTreeSet<u64>,
    /// Every sequence up to `accepted` that the bulk lane can't take: settled, gone, urgent or leased.
    taken: RangeSet,
    leased: BTreeMap<u64, Lease>,
    /// Of the leased ones those without a receipt, by lane (see [`at`]): what goes once more is not among them.
    on_way: [BTreeSet<u64>; 2],
    /// Delivered events that the receiver asks for once more; they go with the backlog.
    again: BTreeSet<u64>,
    /// The first sequence accepted in each second of the last minute.
    marks: VecDeque<(Mono, u64)>,
    turn: u8,
}

impl Order {
    /// From what the store knows at its start: the highest sequence, which are settled or gone, and which urgent ones
    /// wait.
    #[must_use]
    pub fn new(accepted: u64, settled_or_gone: RangeSet, urgent_waiting: BTreeSet<u64>) -> Self {
        let mut taken = settled_or_gone;
        for sequence in &urgent_waiting {
            taken.insert(*sequence);
        }
        Self { accepted, urgent: urgent_waiting, taken, ..Self::default() }
    }

    /// Event `sequence` was accepted.
    pub fn arrived(&mut self, sequence: u64, lane: Lane, now: Mono) {
        self.accepted = self.accepted.max(sequence);
        match lane {
            Lane::Urgent => {
                self.urgent.insert(sequence);
                self.taken.insert(sequence);
            }
            Lane::Bulk => {
                if self.marks.back().is_none_or(|(at, _)| at.plus_ms(MARK_MS) <= now) {
                    self.marks.push_back((now, sequence));
                }
            }
        }
        self.forget_marks(now);
    }

    /// Leases the next event of a lane; `None` if none waits.
    pub fn take(&mut self, lane: Lane, now: Mono) -> Option<u64> {
        let sequence = match lane {
            Lane::Urgent => self.urgent.pop_last()?,
            Lane::Bulk => self.next_bulk(now)?,
        };
        let again = self.again.remove(&sequence);
        self.taken.insert(sequence);
        self.lease(sequence, Lease { lane, since: now, handed: false, again });
        Some(sequence)
    }

    /// A settled event is to be sent once more. False if it waits or is on its way anyway.
    pub fn ask_again(&mut self, sequence: u64) -> bool {
        self.taken.contains(sequence)
            && !self.urgent.contains(&sequence)
            && !self.leased.contains_key(&sequence)
            && self.again.insert(sequence)
    }

    /// An urgent event that waits is urgent no more: it goes with the others.
    pub fn demote(&mut self, sequence: u64) {
        if self.urgent.remove(&sequence) {
            self.taken.remove(sequence);
        }
    }

    /// How many settled events are to be sent once more, on their way or not.
    #[must_use]
    pub fn again_left(&self) -> usize {
        self.again.len() + self.leased.values().filter(|lease| lease.again).count()
    }

    /// Whether a settled event of `first..=last` is still to be sent once more.
    #[must_use]
    pub fn is_again_within(&self, first: u64, last: u64) -> bool {
        self.again.range(first..=last).next().is_some() || self.leased.range(first..=last).any(|(_, lease)| lease.again)
    }

    /// Whether anything waits in this lane that is not on its way.
    #[must_use]
    pub fn has_waiting(&self, lane: Lane) -> bool {
        match lane {
            Lane::Urgent => !self.urgent.is_empty(),
            Lane::Bulk => !self.again.is_empty() || self.taken.gap_from(1) <= self.accepted,
        }
    }

    /// The event is delivered, refused, expired or evicted: it never waits again.
    pub fn settle(&mut self, sequence: u64) {
        self.end_lease(sequence);
        self.urgent.remove(&sequence);
        self.again.remove(&sequence);
        self.taken.insert(sequence);
    }

    /// A leased event is with a broker or on the courier's stick, and waits there for its receipt, however long.
    pub fn hand_over(&mut self, sequence: u64) {
        if let Some(lease) = self.leased.get_mut(&sequence) {
            lease.handed = true;
        }
    }

    /// A leased event waits again. False if it was not leased.
    pub fn release(&mut self, sequence: u64) -> bool {
        let Some(lease) = self.end_lease(sequence) else {
            return false;
        };
        match lease.lane {
            _ if lease.again => self.again.insert(sequence),
            Lane::Urgent => self.urgent.insert(sequence),
            Lane::Bulk => self.taken.remove(sequence),
        };
        true
    }

    /// Takes back all leases of one lane, for a forwarder that has just started: whoever held them is gone. Answers how
    /// many.
    pub fn release_lane(&mut self, lane: Lane) -> usize {
        let held: Vec<u64> = self.leased.iter().filter(|(_, l)| l.lane == lane).map(|(n, _)| *n).collect();
        for sequence in &held {
            self.release(*sequence);
        }
        held.len()
    }

    /// Takes back the leases that are older than [`LEASE_MS_MAX`]; answers how many.
    pub fn release_forgotten(&mut self, now: Mono) -> usize {
        let old: Vec<u64> = self
            .leased
            .iter()
            .filter(|(_, l)| !l.handed && LEASE_MS_MAX < now.since_ms(l.since))
            .map(|(n, _)| *n)
            .collect();
        for sequence in &old {
            self.release(*sequence);
        }
        old.len()
    }

    /// Takes over the leases of `earlier`, which knew the same events, as far as they still wait here. For the store
    /// after it read its file anew.
    pub fn adopt_leases(&mut self, earlier: &Self) {
        self.again = earlier.again.iter().copied().filter(|sequence| self.taken.contains(*sequence)).collect();
        for (sequence, lease) in &earlier.leased {
            let waits = match lease.lane {
                _ if lease.again => self.taken.contains(*sequence),
                Lane::Urgent => self.urgent.remove(sequence),
                Lane::Bulk => *sequence <= self.accepted && !self.taken.contains(*sequence),
            };
            if waits {
                self.taken.insert(*sequence);
                self.lease(*sequence, *lease);
            }
        }
        self.marks.clone_from(&earlier.marks);
    }

    /// Whether the event is on its way.
    #[must_use]
    pub fn is_leased(&self, sequence: u64) -> bool {
        self.leased.contains_key(&sequence)
    }

    /// Whether the event, which has no receipt, is with a broker or on the courier's stick: its age limit goes on.
    #[must_use]
    pub fn is_handed_over(&self, sequence: u64) -> bool {
        self.leased.get(&sequence).is_some_and(|lease| lease.handed && !lease.again)
    }

    /// Whether the event waits in this lane and is not on its way.
    #[must_use]
    pub fn waits(&self, sequence: u64, lane: Lane) -> bool {
        match lane {
            Lane::Urgent => self.urgent.contains(&sequence),
            Lane::Bulk => 0 < sequence && sequence <= self.accepted && !self.taken.contains(sequence),
        }
    }

    /// Urgent events without a receipt, leased or not, the newest first.
    pub fn urgent_newest_first(&self) -> impl Iterator<Item = u64> + '_ {
        let mut leased = self.on_way[at(Lane::Urgent)].iter().rev().copied().peekable();
        let mut waiting = self.urgent.iter().rev().copied().peekable();
        std::iter::from_fn(move || match (leased.peek(), waiting.peek()) {
            (Some(one), Some(other)) if one < other => waiting.next(),
            (Some(_), _) => leased.next(),
            (None, _) => waiting.next(),
        })
    }

    /// Urgent events without a receipt, leased or not.
    #[must_use]
    pub fn urgent_waiting(&self) -> u64 {
        (self.urgent.len() + self.on_way[at(Lane::Urgent)].len()) as u64
    }

    /// The lowest sequence without a receipt, leased or not.
    #[must_use]
    pub fn oldest_waiting(&self) -> Option<u64> {
        let bulk = Some(self.taken.gap_from(1)).filter(|n| *n <= self.accepted);
        let urgent = self.urgent.first().copied();
        let leased = self.on_way.iter().filter_map(|lane| lane.first().copied()).min();
        [bulk, urgent, leased].into_iter().flatten().min()
    }

    /// Waiting events of a lane that are not on their way, lowest sequence first.
    pub fn waiting(&self, lane: Lane) -> impl Iterator<Item = u64> + '_ {
        self.waiting_after(lane, 0)
    }

    fn waiting_after(&self, lane: Lane, after: u64) -> impl Iterator<Item = u64> + '_ {
        let mut at = after;
        std::iter::from_fn(move || {
            at = match lane {
                Lane::Urgent => *self.urgent.range(at + 1..).next()?,
                Lane::Bulk => Some(self.taken.gap_from(at + 1)).filter(|n| *n <= self.accepted)?,
            };
            Some(at)
        })
    }

    /// Events of a lane without a receipt, on their way or not, lowest sequence first.
    pub fn without_receipt(&self, lane: Lane) -> impl Iterator<Item = u64> + '_ {
        self.without_receipt_after(lane, 0)
    }

    /// The same from behind a sequence.
    pub fn without_receipt_after(&self, lane: Lane, after: u64) -> impl Iterator<Item = u64> + '_ {
        let mut on_way = self.on_way[at(lane)].range(after.saturating_add(1)..).copied().peekable();
        let mut waiting = self.waiting_after(lane, after).peekable();
        std::iter::from_fn(move || match (on_way.peek(), waiting.peek()) {
            (Some(one), Some(other)) if other < one => waiting.next(),
            (Some(_), _) => on_way.next(),
            (None, _) => waiting.next(),
        })
    }

    fn lease(&mut self, sequence: u64, lease: Lease) {
        if !lease.again {
            self.on_way[at(lease.lane)].insert(sequence);
        }
        self.leased.insert(sequence, lease);
    }

    fn end_lease(&mut self, sequence: u64) -> Option<Lease> {
        let lease = self.leased.remove(&sequence)?;
        self.on_way[at(lease.lane)].remove(&sequence);
        Some(lease)
    }

    fn next_bulk(&mut self, now: Mono) -> Option<u64> {
        self.forget_marks(now);
        let fresh_from = self.marks.front().map_or(self.accepted + 1, |(_, sequence)| *sequence);
        let fresh = Some(self.taken.gap_from(fresh_from)).filter(|n| *n <= self.accepted);
        let again = self.again.first().copied();
        let backlog = again.or_else(|| Some(self.taken.gap_from(1)).filter(|n| *n < fresh_from));
        match (fresh, backlog) {
            (Some(fresh), Some(backlog)) => {
                let next = if self.turn < SHARE_FRESH { fresh } else { backlog };
                self.turn = (self.turn + 1) % SHARE_OF;
                Some(next)
            }
            (only, None) | (None, only) => only,
        }
    }

    fn forget_marks(&mut self, now: Mono) {
        while self.marks.front().is_some_and(|(at, _)| FRESH_MS < now.since_ms(*at)) {
            self.marks.pop_front();
        }
    }
}

/// The place of a lane in [`Order`].
fn at(lane: Lane) -> usize {
    usize::from(lane == Lane::Urgent)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn accept(order: &mut Order, sequences: std::ops::RangeInclusive<u64>, lane: Lane, now: Mono) {
        for sequence in sequences {
            order.arrived(sequence, lane, now);
        }
    }

    fn take(order: &mut Order, lane: Lane, count: usize, now: Mono) -> Vec<u64> {
        (0..count).map_while(|_| order.take(lane, now)).collect()
    }

    #[test]
    fn newest_urgent_event_goes_first() {
        let mut order = Order::default();
        accept(&mut order, 1..=3, Lane::Urgent, Mono(0));
        assert_eq!(take(&mut order, Lane::Urgent, 9, Mono(1)), [3, 2, 1]);
        assert_eq!(order.urgent_waiting(), 3, "on the way is still waiting");
        assert!(order.release(2));
        assert_eq!(order.urgent_newest_first().collect::<Vec<_>>(), [3, 2, 1], "on the way or not");
        assert_eq!(take(&mut order, Lane::Bulk, 9, Mono(1)), Vec::<u64>::new());
    }

    #[test]
    fn of_five_bulk_events_four_are_fresh_and_one_is_backlog_while_both_wait() {
        let mut order = Order::new(100, RangeSet::default(), BTreeSet::new());
        accept(&mut order, 101..=120, Lane::Bulk, Mono(5_000));
        let first = take(&mut order, Lane::Bulk, 10, Mono(6_000));
        assert_eq!(first, [101, 102, 103, 104, 1, 105, 106, 107, 108, 2]);
        let rest = take(&mut order, Lane::Bulk, 200, Mono(6_000));
        assert_eq!(rest.len(), 110);
        assert_eq!(rest.last(), Some(&100), "the share that one does not need goes to the other");
    }

    #[test]
    fn fresh_events_become_backlog_after_a_minute() {
        let mut order = Order::new(2, RangeSet::default(), BTreeSet::new());
        accept(&mut order, 3..=4, Lane::Bulk, Mono(1_000));
        assert_eq!(take(&mut order, Lane::Bulk, 4, Mono(1_000 + FRESH_MS + 1)), [1, 2, 3, 4]);
    }

    #[test]
    fn what_was_handed_over_is_not_taken_back_for_its_age_but_by_a_new_forwarder() {
        let mut order = Order::default();
        accept(&mut order, 1..=2, Lane::Bulk, Mono(0));
        assert_eq!(take(&mut order, Lane::Bulk, 2, Mono(0)), [1, 2]);
        order.hand_over(1);
        assert_eq!(order.release_forgotten(Mono(LEASE_MS_MAX + 1)), 1);
        assert!(order.is_leased(1) && !order.is_leased(2));
        assert_eq!(order.oldest_waiting(), Some(1), "it has no receipt, so it counts as waiting");
        assert!(order.is_handed_over(1) && !order.is_handed_over(2));
        assert_eq!(order.without_receipt(Lane::Bulk).collect::<Vec<_>>(), [1, 2], "on its way or not");
        assert_eq!(order.without_receipt_after(Lane::Bulk, 1).collect::<Vec<_>>(), [2]);
        assert_eq!(order.without_receipt(Lane::Urgent).count(), 0);
        assert_eq!(order.release_lane(Lane::Bulk), 1);
        assert!(order.waits(1, Lane::Bulk));
    }

    #[test]
    fn released_events_wait_again_in_their_place() {
        let mut order = Order::new(5, RangeSet::default(), BTreeSet::from([3]));
        assert_eq!(take(&mut order, Lane::Bulk, 9, Mono(0)), [1, 2, 4, 5]);
        assert_eq!(order.oldest_waiting(), Some(1));
        order.settle(1);
        order.settle(4);
        assert!(order.release(5) && order.release(2) && !order.release(1));
        assert_eq!(order.waiting(Lane::Bulk).collect::<Vec<_>>(), [2, 5]);
        assert_eq!(order.waiting(Lane::Urgent).collect::<Vec<_>>(), [3]);
        assert_eq!(order.oldest_waiting(), Some(2));
    }

    #[test]
    fn a_lease_that_nobody_settles_is_taken_back() {
        let mut order = Order::new(2, RangeSet::default(), BTreeSet::new());
        order.take(Lane::Bulk, Mono(0)).unwrap();
        assert_eq!(order.release_forgotten(Mono(LEASE_MS_MAX)), 0);
        assert_eq!(order.release_forgotten(Mono(LEASE_MS_MAX + 1)), 1);
        assert_eq!(order.waiting(Lane::Bulk).collect::<Vec<_>>(), [1, 2]);
    }

    #[test]
    fn a_demoted_event_goes_with_the_others() {
        let mut order = Order::new(5, RangeSet::default(), BTreeSet::from([2, 4]));
        order.demote(2);
        order.demote(3);
        assert_eq!(take(&mut order, Lane::Urgent, 9, Mono(0)), [4]);
        order.demote(4); // on its way
        assert_eq!(take(&mut order, Lane::Bulk, 9, Mono(0)), [1, 2, 3, 5]);
    }

    #[test]
    fn what_the_receiver_asks_for_again_goes_with_the_backlog_and_waits_for_nobody() {
        let mut order = Order::new(4, [1, 2].into_iter().collect(), BTreeSet::from([4]));
        assert!(order.ask_again(1) && order.ask_again(2));
        assert!(!order.ask_again(1) && !order.ask_again(3) && !order.ask_again(4), "asked, or waiting anyway");
        assert_eq!(order.oldest_waiting(), Some(3), "what was delivered does not wait");
        assert_eq!(take(&mut order, Lane::Bulk, 1, Mono(0)), [1]);
        assert_eq!(order.oldest_waiting(), Some(3));
        assert!(order.release(1), "nobody took it: once more");
        assert_eq!(take(&mut order, Lane::Bulk, 9, Mono(0)), [1, 2, 3]);
        assert!(order.is_again_within(1, 2) && !order.has_waiting(Lane::Bulk));
        order.settle(1);
        let mut anew = Order::new(4, [1, 2].into_iter().collect(), BTreeSet::from([4]));
        anew.adopt_leases(&order);
        assert!(anew.is_leased(2) && anew.is_again_within(2, 2) && !anew.is_again_within(1, 1));
        assert!(anew.release(2) && anew.has_waiting(Lane::Bulk));
        anew.settle(2);
        assert_eq!((anew.again_left(), anew.has_waiting(Lane::Bulk)), (0, false), "3 is on its way");
    }

    #[test]
    fn a_forwarder_that_starts_again_finds_its_lane_free() {
        let mut order = Order::new(5, RangeSet::default(), BTreeSet::from([3]));
        take(&mut order, Lane::Bulk, 9, Mono(0));
        take(&mut order, Lane::Urgent, 9, Mono(0));
        assert_eq!(order.release_lane(Lane::Urgent), 1);
        assert_eq!(order.waiting(Lane::Urgent).collect::<Vec<_>>(), [3]);
        assert_eq!(order.waiting(Lane::Bulk).count(), 0);
        assert_eq!(order.release_lane(Lane::Bulk), 4);
    }

    #[test]
    fn leases_survive_a_fresh_look_at_the_file() {
        let mut old = Order::new(4, RangeSet::default(), BTreeSet::from([4]));
        take(&mut old, Lane::Bulk, 2, Mono(0));
        take(&mut old, Lane::Urgent, 1, Mono(0));
        let mut new = Order::new(5, [1].into_iter().collect(), BTreeSet::from([4]));
        new.adopt_leases(&old);
        assert!(new.is_leased(2) && new.is_leased(4) && !new.is_leased(1));
        assert_eq!(new.waiting(Lane::Bulk).collect::<Vec<_>>(), [3, 5]);
    }
}
