#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use proptest::prelude::*;

const LIMITS: Limits = Limits { events_max: 500, bytes_max: 1 << 20, answer_wait_ms: 30_000, retry_ms_max: 120_000 };
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
        assert!(step.recovered.is_some() && step.progress);
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
    for (kind, cap) in [(Lane::Bulk, ASKED_MS_MAX + SPREAD_MS), (Lane::Urgent, ASKED_URGENT_MS_MAX + SPREAD_URGENT_MS)]
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
    let recovery = Recovery { at: Mono(10), failing_since: Mono(0), whose: Whose::Unknown };
    lane.other_lane_recovered(recovery, Mono(10), Roll(0));
    assert!(lane.ask(Mono(10)).is_ok());
    assert_eq!((lane.failures(), lane.failing_since()), (0, None), "the receiver is there");
    // News from before the last failure changes nothing.
    lane.apply(&[1], closed(Pause::BackOff, Whose::Unknown), 1, Mono(20), MOST);
    lane.other_lane_recovered(recovery, Mono(21), Roll(0));
    assert!(lane.ask(Mono(21)).is_err());
}

#[test]
fn lane_that_stood_back_during_an_outage_of_the_receiver_spreads_like_one_that_failed() {
    let mut lane = bulk();
    let recovery = Recovery { at: Mono(600_000), failing_since: Mono(0), whose: Whose::Receivers };
    lane.other_lane_recovered(recovery, Mono(600_001), MOST);
    assert_eq!(lane.ask(Mono(600_001)), Err(Mono(600_001 + SPREAD_MS)));
    let mut lane = bulk();
    lane.other_lane_recovered(Recovery { whose: Whose::Ours, ..recovery }, Mono(600_001), MOST);
    assert!(lane.ask(Mono(600_001)).is_ok(), "after an outage of our own nothing waits");
}

#[test]
fn where_a_person_has_to_act_the_end_is_seen_within_a_third_of_the_outage_and_a_fleet_does_not_hammer() {
    let mut lane = bulk();
    let (mut now, mut tries, mut longest) = (Mono(0), 0, Vec::new());
    while now.0 < 600_000 {
        tries += 1;
        lane.apply(&[1], closed(Pause::Long, Whose::Unknown), 1, now, MOST);
        let until = lane.ask(now).unwrap_err();
        longest.push((now.0, until.since_ms(now)));
        lane.link_up();
        assert_eq!(lane.ask(now), Err(until), "good news of the link changes nothing");
        now = until;
    }
    let most = |at: u64| if at < LONG_SLOW_FROM_MS { (at / LONG_PART).max(LONG_MS_MIN) } else { at };
    assert!(longest.iter().all(|(at, pause)| *pause <= most(*at)), "{longest:?}");
    assert!(tries <= 30, "{tries} in ten minutes");
    let mut random = crate::sim::random::Random::new(7);
    let tries = |random: &mut crate::sim::random::Random| {
        let (mut lane, mut now, mut tries) = (LaneState::new(Lane::Bulk, FLEET), Mono(0), 0);
        while now.0 < 600_000 {
            tries += 1;
            lane.apply(&[1], closed(Pause::Long, Whose::Unknown), 1, now, Roll(random.bits()));
            now = lane.ask(now).unwrap_err();
        }
        tries
    };
    let all: Vec<u64> = (0..1000).map(|_| tries(&mut random)).collect();
    assert!(all.iter().all(|tries| *tries <= 30), "each of a thousand that are refused for ten minutes: {all:?}");
}

#[test]
fn row_28_per_item_errors_an_hour_of_403_costs_each_of_a_thousand_trailers_at_most_twenty_requests() {
    let mut random = crate::sim::random::Random::new(28);
    for trailer in 0..1000 {
        let (mut lane, mut now, mut requests) = (LaneState::new(Lane::Bulk, FLEET), Mono(0), 0);
        let mut longest = 0;
        while now.0 < 3_600_000 {
            requests += 1;
            lane.apply(&[1], closed(Pause::Long, Whose::Unknown), 1, now, Roll(random.bits()));
            let next = lane.ask(now).unwrap_err();
            longest = next.since_ms(now).max(longest);
            now = next;
        }
        assert!(requests <= 20, "trailer {trailer} sent {requests} requests in the hour");
        assert!(longest <= LONG_MS_MAX, "and the end is seen within a quarter of an hour: {longest} ms");
    }
}

/// As by default.
const FLEET: Limits = Limits { retry_ms_max: 60_000, ..LIMITS };

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
