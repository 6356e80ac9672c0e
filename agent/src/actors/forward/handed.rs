//! What was handed to a broker or a courier and waits there for its receipt.

use pintle_core::forward::answer::{Item, later};
use pintle_core::ids::EventId;
use pintle_core::moment::{Mono, Utc};
use pintle_core::queue::blocks::Leaf;
use pintle_core::wire::receipt::Receipt;
use pintle_core::wire::stamp::Captured;
use std::collections::{HashMap, VecDeque};

/// One event that is out.
pub(super) struct Out {
    /// Its id.
    pub(super) id: EventId,
    /// Its number.
    pub(super) sequence: u64,
    /// When a hit happened, for its latency; `None`: no hit.
    pub(super) hit_at: Option<Captured>,
    /// When a test alert was made; `None`: it is none.
    pub(super) test_at: Option<Utc>,
    /// Leaf of the bytes that are out.
    pub(super) leaf: Leaf,
    since: Mono,
    /// As accepted; `None` where so many may be out that their bodies would fill the memory.
    body: Option<Vec<u8>>,
}

/// All that is out in one lane.
#[derive(Default)]
pub(super) struct HandedOver {
    out: HashMap<EventId, Out>,
    /// In the order of handing over; entries without their twin in `out` are over.
    order: VecDeque<(Mono, EventId)>,
    /// How often each event that still has no receipt was taken back for lack of one.
    taken_back: HashMap<EventId, u32>,
}

/// Beyond this many no bodies are kept (our own limit: 20 MB of ordinary reads).
const BODIES_MAX: usize = 20_000;
/// Beyond this many the counts of taking back begin anew (our own limit: some 10 MB). It costs only a repeat that the
/// broker drops.
const TAKEN_BACK_MAX: usize = 200_000;

impl HandedOver {
    pub(super) fn len(&self) -> usize {
        self.out.len()
    }

    pub(super) fn put(
        &mut self,
        id: EventId,
        sequence: u64,
        (hit_at, test_at): (Option<Captured>, Option<Utc>),
        (body, leaf): (&[u8], Leaf),
        since: Mono,
    ) {
        let body = (self.out.len() < BODIES_MAX).then(|| body.to_vec());
        self.out.insert(id, Out { id, sequence, hit_at, test_at, leaf, since, body });
        self.order.push_back((since, id));
    }

    /// What receipts end, each event at most once. Receipts of others, repeats and unknown words end nothing.
    pub(super) fn take(&mut self, receipts: &[Receipt]) -> Vec<(Out, Item)> {
        let mut ended = Vec::new();
        for receipt in receipts {
            let Some(id) = EventId::parse(&receipt.id) else { continue };
            let Some(out) = self.out.get(&id) else { continue };
            let Some(item) = later(receipt, out.body.as_deref()) else { continue };
            ended.extend(self.out.remove(&id).map(|out| (out, item)));
            self.taken_back.remove(&id);
        }
        self.tidy();
        ended
    }

    /// What has been out for `wait_ms` without a receipt, and since when the first of it.
    pub(super) fn overdue(&mut self, wait_ms: u64, now: Mono) -> Option<(Mono, Vec<u64>)> {
        let mut first = None;
        let mut sequences = Vec::new();
        while let Some((since, id)) = self.order.front().copied() {
            if self.out.get(&id).is_some_and(|out| out.since == since) {
                if now.since_ms(since) < wait_ms {
                    break;
                }
                first.get_or_insert(since);
                sequences.extend(self.out.remove(&id).map(|out| out.sequence));
                if self.taken_back.len() < TAKEN_BACK_MAX {
                    *self.taken_back.entry(id).or_default() += 1;
                } else {
                    self.taken_back.clear();
                }
            }
            self.order.pop_front();
        }
        first.map(|since| (since, sequences))
    }

    /// How often this event was taken back for lack of a receipt.
    pub(super) fn taken_back(&self, id: &EventId) -> u32 {
        self.taken_back.get(id).copied().unwrap_or(0)
    }

    /// When the first one is overdue.
    pub(super) fn overdue_at(&self, wait_ms: u64) -> Option<Mono> {
        self.order.front().map(|(since, _)| since.plus_ms(wait_ms))
    }

    /// Forgets the entries that are over once they are the most.
    fn tidy(&mut self) {
        if 2 * self.out.len() + 64 < self.order.len() {
            let out = &self.out;
            self.order.retain(|(since, id)| out.get(id).is_some_and(|out| out.since == *since));
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::wire::receipt::ReceiptResult;

    fn receipt(n: u8, result: ReceiptResult) -> Receipt {
        Receipt { id: EventId([n; 16]).to_string(), result, late_s: None, problem: None }
    }

    fn three() -> HandedOver {
        let mut handed = HandedOver::default();
        for n in 1..=3 {
            handed.put(EventId([n; 16]), u64::from(n), (None, None), (b"{}", [0; 32]), Mono(u64::from(n)));
        }
        handed
    }

    #[test]
    fn receipts_count_once_in_any_order_and_foreign_ones_for_nothing() {
        let mut handed = three();
        let stored = ReceiptResult::Stored;
        let given = [receipt(3, stored), receipt(9, stored), receipt(1, stored), receipt(3, stored)];
        let ended: Vec<u64> = handed.take(&given).iter().map(|(out, _)| out.sequence).collect();
        assert_eq!(ended, [3, 1]);
        assert!(handed.take(&given).is_empty(), "late repeats end nothing");
        assert!(handed.take(&[receipt(2, ReceiptResult::Unknown)]).is_empty());
        assert_eq!(handed.len(), 1);
    }

    #[test]
    fn what_gets_no_receipt_is_taken_back_after_its_time() {
        let mut handed = three();
        handed.take(&[receipt(1, ReceiptResult::Stored)]);
        assert!(handed.overdue(100, Mono(101)).is_none());
        assert_eq!(handed.overdue(100, Mono(102)).unwrap(), (Mono(2), vec![2]));
        assert_eq!(handed.overdue_at(100), Some(Mono(103)));
        // Handed over again, its new time counts.
        handed.put(EventId([2; 16]), 2, (None, None), (b"{}", [0; 32]), Mono(102));
        assert_eq!(handed.overdue(100, Mono(103)).unwrap().1, [3]);
        assert_eq!(handed.len(), 1);
        // Each taking back counts until the receipt comes.
        let of = |n: u8| EventId([n; 16]);
        assert_eq!([1, 2, 3].map(|n| handed.taken_back(&of(n))), [0, 1, 1]);
        assert_eq!(handed.overdue(100, Mono(202)).unwrap().1, [2]);
        assert_eq!(handed.taken_back(&of(2)), 2);
        handed.put(of(2), 2, (None, None), (b"{}", [0; 32]), Mono(203));
        handed.take(&[receipt(2, ReceiptResult::Duplicate)]);
        assert_eq!(handed.taken_back(&of(2)), 0);
    }

    #[test]
    fn a_million_receipts_of_others_cost_no_memory() {
        let mut handed = HandedOver::default();
        for n in 0..100_000_u64 {
            let mut id = [0; 16];
            id[..8].copy_from_slice(&n.to_be_bytes());
            handed.put(EventId(id), n, (None, None), (b"", [0; 32]), Mono(n));
            handed.take(&[Receipt {
                id: EventId(id).to_string(),
                result: ReceiptResult::Stored,
                late_s: None,
                problem: None,
            }]);
            handed.take(&[receipt(255, ReceiptResult::Stored)]);
        }
        assert_eq!(handed.len(), 0);
        assert!(handed.order.len() < 100, "{}", handed.order.len());
    }
}
