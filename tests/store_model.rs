//! The queue against a reference that is a list: whatever is asked in whatever order, both say the same.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::EventId;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use proptest::prelude::*;
use std::path::Path;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 100,
    hit_waiting_keep_s: 200,
    delivered_keep_s: 10,
    hit_delivered_keep_s: 20,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

#[derive(Clone, Debug)]
enum Ask {
    /// Hands in reads: (id, body, hit). Ids are few, so that repeats and other bodies come up.
    Accept(Vec<(u8, bool, bool)>),
    /// Leases at most so many of a lane and settles them: 0 delivered, 1 refused, 2 released, 3 left on the way.
    Send(bool, usize, Vec<u8>),
    /// Time goes on by so many seconds and what is due goes.
    Retire(u16),
    /// Closes the store and opens it again.
    Restart,
}

fn asks() -> impl Strategy<Value = Vec<Ask>> {
    let ask = prop_oneof![
        4 => prop::collection::vec((0_u8..60, prop::bool::weighted(0.1), prop::bool::weighted(0.2)), 1..12)
            .prop_map(Ask::Accept),
        4 => (any::<bool>(), 1_usize..10, prop::collection::vec(0_u8..4, 10)).prop_map(|(u, n, o)| Ask::Send(u, n, o)),
        2 => (0_u16..60).prop_map(Ask::Retire),
        1 => Just(Ask::Restart),
    ];
    prop::collection::vec(ask, 1..40)
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Waiting,
    Leased,
    Delivered,
    Refused,
    Expired,
}

/// One accepted event as the reference sees it. `read` is `None` for ledger events, which the store makes itself.
#[derive(Clone, Debug)]
struct Known {
    read: Option<(u8, bool)>,
    hit: bool,
    born_s: u64,
    state: State,
    deleted: bool,
}

/// The ten-line reference: event n is `list[n - 1]`.
#[derive(Default)]
struct Reference(Vec<Known>);

impl Reference {
    fn add(&mut self, read: Option<(u8, bool)>, hit: bool, born_s: u64) -> u64 {
        self.0.push(Known { read, hit, born_s, state: State::Waiting, deleted: false });
        self.0.len() as u64
    }

    fn accept(&mut self, (id, odd, hit): (u8, bool, bool), now_s: u64) -> Accepted {
        match self.0.iter().position(|known| known.read.is_some_and(|(known_id, _)| known_id == id)) {
            None => Accepted::New { sequence: self.add(Some((id, odd)), hit, now_s) },
            Some(at) if self.0[at].read != Some((id, odd)) => Accepted::OtherBody,
            Some(at) => Accepted::Repeat { sequence: if self.0[at].deleted { 0 } else { at as u64 + 1 } },
        }
    }

    /// Deletes what is due; answers how many, and whether ordinary events or hits expired.
    fn retire(&mut self, now_s: u64) -> (u64, bool, bool) {
        let (mut went, mut other, mut hits) = (0, false, false);
        for known in &mut self.0 {
            let keep_s = match (known.state, known.hit) {
                (State::Delivered, false) => 10,
                (State::Delivered, true) => 20,
                (State::Waiting, _) if known.read.is_none() => u64::MAX,
                (State::Waiting | State::Refused, false) => 100,
                (State::Waiting | State::Refused, true) => 200,
                (State::Leased | State::Expired, _) => u64::MAX,
            };
            if !known.deleted && keep_s < now_s - known.born_s {
                (went, known.deleted) = (went + 1, true);
                if known.state == State::Waiting {
                    known.state = State::Expired;
                    (other, hits) = (other || !known.hit, hits || known.hit);
                }
            }
        }
        (went, other, hits)
    }
}

fn moment(now_s: u64) -> Moment {
    Moment {
        mono: Mono(now_s * 1000),
        utc: Utc(1_800_000_000_000 + now_s.cast_signed() * 1000),
        utc_trust: UtcTrust::Gps,
    }
}

fn event((id, odd, hit): (u8, bool, bool), now: Moment) -> NewEvent {
    NewEvent {
        id: EventId([id; 16]),
        kind: EventKind::Read,
        lane: if hit { Lane::Urgent } else { Lane::Bulk },
        camera: None,
        happened_at: now.utc,
        body: format!("{id} {odd}").into_bytes(),
        stamp: None,
        hit,
        stamp_open: false,
        images: Vec::new(),
    }
}

async fn send(store: &StoreHandle, reference: &mut Reference, urgent: bool, most: usize, outcomes: &[u8], now_s: u64) {
    let lane = if urgent { Lane::Urgent } else { Lane::Bulk };
    let leased = store.lease(lane, most, usize::MAX, moment(now_s)).await.unwrap();
    let waits = |known: &Known| known.state == State::Waiting && known.hit == urgent;
    let waiting = reference.0.iter().filter(|known| waits(known)).count();
    assert_eq!(leased.len(), waiting.min(most));
    let mut settled = Vec::new();
    let mut refused_reads = false;
    for (event, outcome) in leased.iter().zip(outcomes) {
        let known = &mut reference.0[usize::try_from(event.sequence).unwrap() - 1];
        assert!(waits(known), "{known:?} was leased");
        let (state, said) = match outcome {
            0 => (State::Delivered, Some(Settled::Delivered)),
            1 => (State::Refused, Some(Settled::Refused("no".to_owned()))),
            2 => (State::Waiting, Some(Settled::Released)),
            _ => (State::Leased, None),
        };
        known.state = state;
        refused_reads |= state == State::Refused && known.read.is_some();
        settled.extend(said.map(|said| (event.sequence, said)));
    }
    store.settle(settled, moment(now_s)).await.unwrap();
    if refused_reads {
        reference.add(None, false, now_s);
    }
}

async fn run(dir: &Path, asks: Vec<Ask>) {
    let mut now_s = 1000;
    let mut store = open(dir, &LIMITS, moment(now_s)).unwrap();
    let mut reference = Reference::default();
    reference.add(None, false, now_s);
    for ask in asks {
        match ask {
            Ask::Accept(reads) => {
                let now = moment(now_s);
                let events = reads.iter().map(|read| event(*read, now)).collect();
                let want: Vec<Accepted> = reads.iter().map(|read| reference.accept(*read, now_s)).collect();
                assert_eq!(store.accept(events, now).await.unwrap(), want);
            }
            Ask::Send(urgent, most, outcomes) => send(&store, &mut reference, urgent, most, &outcomes, now_s).await,
            Ask::Retire(later_s) => {
                now_s += u64::from(later_s);
                let (went, other, hits) = reference.retire(now_s);
                assert_eq!(store.retire(moment(now_s)).await.unwrap(), went);
                for _ in 0..u8::from(other) + u8::from(hits) {
                    reference.add(None, false, now_s);
                }
            }
            Ask::Restart => {
                store.close().await.unwrap();
                store = open(dir, &LIMITS, moment(now_s)).unwrap();
                for known in reference.0.iter_mut().filter(|known| known.state == State::Leased) {
                    known.state = State::Waiting;
                }
            }
        }
        let counts = store.figures().await.unwrap().counts;
        let count = |state: &[State]| reference.0.iter().filter(|known| state.contains(&known.state)).count() as u64;
        assert_eq!(counts.accepted, reference.0.len() as u64);
        assert_eq!(counts.waiting, count(&[State::Waiting, State::Leased]));
        assert_eq!(counts.delivered, count(&[State::Delivered]));
        assert_eq!(counts.refused, count(&[State::Refused]));
        assert_eq!(counts.expired, count(&[State::Expired]));
        assert_eq!(counts.not_accounted(), 0);
    }
    store.close().await.unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn whatever_is_asked_the_queue_and_a_plain_list_say_the_same(asks in asks()) {
        let dir = tempfile::tempdir().unwrap();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(run(dir.path(), asks));
    }
}
