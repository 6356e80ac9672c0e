//! A fleet after an outage of its receiver: nobody comes in a crowd, nobody is left behind.

use super::super::door::Door;
use super::*;
use crate::sim::random::Random;

const LIMITS: Limits = Limits { events_max: 200, bytes_max: 1 << 20, answer_wait_ms: 30_000, retry_ms_max: 60_000 };
/// A request takes this long, ms.
const TOOK_MS: u64 = 300;
/// Requests of bulk that wait at each trailer.
const BULK: u32 = 20;

struct Fleet {
    /// First request of each trailer's lane after the one that found the receiver back, ms after its return; urgent and
    /// bulk.
    resumed: [Vec<u64>; 2],
    /// When the receiver was found back by each lane, ms after its return.
    found: [Vec<u64>; 2],
    /// When each trailer had nothing left, ms after the receiver's return.
    drained: Vec<u64>,
    /// Requests of each trailer during the outage.
    tries: Vec<u32>,
}

/// Lives through an outage of `outage_ms` with both lanes of each of `trailers`.
fn fleet(trailers: u64, outage_ms: u64) -> Fleet {
    let mut told = Fleet {
        resumed: [Vec::new(), Vec::new()],
        found: [Vec::new(), Vec::new()],
        drained: Vec::new(),
        tries: Vec::new(),
    };
    for seed in 0..trailers {
        let mut random = Random::new(seed);
        let mut lanes = [LaneState::new(Lane::Urgent, LIMITS), LaneState::new(Lane::Bulk, LIMITS)];
        let mut door = Door::new(LIMITS.retry_ms_max);
        let mut next = [random.bits() % 1000, random.bits() % 1000];
        let mut left = [2, BULK];
        let (mut found, mut resumed) = ([None; 2], [None; 2]);
        let mut tries = 0;
        while left.iter().any(|left| 0 < *left) {
            let which = usize::from(left[0] == 0 || (0 < left[1] && next[1] < next[0]));
            let lane = [Lane::Urgent, Lane::Bulk][which];
            let now = Mono(next[which]);
            if door.stands_back(lane, now) {
                // As the lane's task does: it looks again after a while, or when the other got through.
                next[which] = now.0 + 5000;
                continue;
            }
            if let Err(until) = lanes[which].ask(now) {
                next[which] = until.0;
                continue;
            }
            let roll = Roll(random.bits());
            door.knocks(lane, now);
            if now.0 < outage_ms {
                tries += 1;
                let verdict = Verdict::Closed {
                    trouble: "the receiver is away: wait".to_owned(),
                    pause: Pause::BackOff,
                    whose: Whose::Receivers,
                    too_slow: false,
                };
                lanes[which].join(door.failures_of_other(lane));
                lanes[which].apply(&[1], verdict, 10, now.plus_ms(10), roll);
                door.ended(lane, &lanes[which], false, now.plus_ms(10));
                next[which] = now.0 + 10;
                continue;
            }
            let at = now.0 - outage_ms;
            if found[which].is_some() {
                resumed[which].get_or_insert(at);
            }
            let verdict = Verdict::Items {
                items: vec![Item::Delivered],
                trouble: None,
                resend: Vec::new(),
                asked: Vec::new(),
                asked_ms: None,
            };
            let done = now.plus_ms(TOOK_MS);
            let step = lanes[which].apply(&[1], verdict, TOOK_MS, done, roll);
            door.ended(lane, &lanes[which], true, done);
            (next[which], left[which]) = (done.0, left[which] - 1);
            let other = 1 - which;
            if found == [None; 2]
                && let Some(recovery) = step.recovered
            {
                // The one that knocked found it; the other hears of it and comes in after its spread.
                found = [Some(at); 2];
                lanes[other].other_lane_recovered(recovery, done, Roll(random.bits()));
                next[other] = lanes[other].ask(done).err().map_or(done.0, |until| until.0);
            }
        }
        for (all, one) in told.found.iter_mut().zip(found).chain(told.resumed.iter_mut().zip(resumed)) {
            all.extend(one);
        }
        told.drained.push(next[0].max(next[1]) - outage_ms);
        told.tries.push(tries);
    }
    told
}

fn most(of: &[u64]) -> u64 {
    of.iter().copied().max().unwrap_or(0)
}

/// The most of them within one second.
fn busiest(of: &[u64]) -> usize {
    let count = |second: u64| of.iter().filter(|at| **at / 1000 == second).count();
    (0..=most(of) / 1000).map(count).max().unwrap_or(0)
}

/// Row 32: after ten minutes the busiest second sees at most 4 of 30, and all is delivered within 15 minutes.
#[test]
fn row_32_fleet_stampede_30() {
    let told = fleet(30, 600_000);
    assert_eq!(told.drained.len(), 30);
    assert!(most(&told.drained) <= 900_000, "{:?}", told.drained);
    let busiest = busiest(&told.resumed[1]);
    assert!(busiest <= 4, "{busiest} in one second");
    // Row: at most 30 requests of each during the outage.
    let tries = told.tries.iter().max().copied().unwrap_or(0);
    assert!(0 < tries && tries <= 30, "{:?}", told.tries);
}

/// Issue: 1,000 trailers after an outage of the receiver: bulk spread over 60 s, urgent over 5 s, none starving.
#[test]
fn row_32_fleet_stampede_30_with_a_thousand_trailers() {
    let told = fleet(1000, 600_000);
    for (lane, spread_ms) in [(0, SPREAD_URGENT_MS), (1, SPREAD_MS)] {
        let waits: Vec<u64> = told.resumed[lane]
            .iter()
            .zip(&told.found[lane])
            .map(|(resumed, found)| resumed - found - TOOK_MS)
            .collect();
        assert_eq!(waits.len(), 1000);
        assert!(most(&waits) <= spread_ms, "lane {lane}: {} ms", most(&waits));
        // Equally spread: each tenth of the span has its tenth of the fleet, give or take.
        for tenth in 0..10 {
            let within = |wait: &&u64| (tenth * spread_ms / 10..=(tenth + 1) * spread_ms / 10).contains(*wait);
            let count = waits.iter().filter(within).count();
            assert!((60..=150).contains(&count), "lane {lane}, tenth {tenth}: {count}");
        }
    }
    // The receiver is found back within the longest pause, and 1,000 trailers in it are some 17 a second; twice that
    // at most.
    assert!(most(&told.found[0]) <= 60_000 && most(&told.found[1]) <= 60_000 + SPREAD_MS);
    let busiest = busiest(&told.resumed[1]);
    assert!(busiest <= 40, "{busiest} in one second");
    assert!(most(&told.drained) <= 60_000 + SPREAD_MS + 60_000, "nobody starves: {} ms", most(&told.drained));
}
