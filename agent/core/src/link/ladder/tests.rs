use super::*;
use crate::moment::UtcTrust;
use crate::sim::random::Random;

const MIN: u64 = 60_000;
const HOUR: u64 = 60 * MIN;
const DAY: u64 = 24 * HOUR;

fn rules() -> Rules {
    Rules {
        steps: Step::ALL.map(|step| StepRule::usual(step, 10 * MIN)).to_vec(),
        first_after_ms: 5 * MIN,
        wait_ms: 10 * MIN,
        per_hour: 3,
        resets_per_day: 99,
        reboots_per_day: 99,
    }
}

fn only(step: Step) -> Rules {
    Rules { steps: vec![StepRule::usual(step, 10 * MIN)], ..rules() }
}

fn utc(ms: u64) -> Utc {
    Utc(1_795_608_000_000).plus_ms(i64::try_from(ms).unwrap_or(0))
}

fn at(ms: u64) -> Moment {
    Moment { mono: Mono(ms), utc: utc(ms), utc_trust: UtcTrust::Gps }
}

/// Looked at with the link broken since the beginning, nothing on its way.
fn seen(ms: u64, rung: Rung) -> Seen {
    Seen { now: at(ms), finding: (rung, Mono(0)), moving: false, writing: false, sure: true }
}

/// Runs `span_ms` with a finding for each minute; answers the steps with their times.
fn run(ladder: &mut Ladder, from_ms: u64, span_ms: u64, mut rung: impl FnMut(u64) -> Rung) -> Vec<(u64, Step)> {
    let (mut steps, mut since, mut before) = (Vec::new(), from_ms, None);
    let mut now = from_ms;
    while now < from_ms + span_ms {
        let is = rung(now);
        if before != Some(is) {
            (since, before) = (now, Some(is));
        }
        let seen = Seen { finding: (is, Mono(since)), ..seen(now, is) };
        if let (Some(step), _) = ladder.look(&seen) {
            steps.push((now, step));
            ladder.done(Pulled::Done);
        }
        now += 10_000;
    }
    steps
}

fn most_within(steps: &[(u64, Step)], span_ms: u64, which: impl Fn(Step) -> bool) -> usize {
    let times: Vec<u64> = steps.iter().filter(|(_, step)| which(*step)).map(|(at, _)| *at).collect();
    (0..times.len()).map(|n| times[n..].iter().filter(|at| **at < times[n] + span_ms).count()).max().unwrap_or(0)
}

#[test]
fn first_step_is_the_gentlest_five_minutes_after_the_finding() {
    let mut ladder = Ladder::new(Rules { first_after_ms: 1000, ..rules() });
    let steps = run(&mut ladder, 0, HOUR, |_| Rung::NoAddress);
    assert_eq!(steps[0], (5 * MIN, Step::Renew));
    assert_eq!(steps[1].1, Step::Cycle);
    assert_eq!(steps[1].0 - steps[0].0, 10 * MIN);
    assert_eq!(steps[2].1, Step::Usb);
}

#[test]
fn two_days_of_outage_see_at_most_twelve_resets_and_two_restarts_and_the_pauses_grow() {
    let mut ladder = Ladder::new(rules());
    let steps = run(&mut ladder, 0, 2 * DAY, |_| Rung::GatewaySilent);
    let count = |which: fn(Step) -> bool| steps.iter().filter(|(_, step)| which(*step)).count();
    assert!((3..=12).contains(&count(Step::is_reset)), "{steps:?}");
    assert!((1..=2).contains(&count(|step| step == Step::Reboot)), "{steps:?}");
    let first_reboot = steps.iter().find(|(_, step)| *step == Step::Reboot).map(|(at, _)| *at);
    assert!(first_reboot.is_some_and(|at| REBOOT_AFTER_MS <= at));
    let pauses: Vec<u64> = steps.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    assert!(pauses.iter().all(|pause| 10 * MIN <= *pause));
    assert!(pauses.last() > pauses.first());
}

#[test]
fn nothing_is_done_against_a_fault_beyond_the_link_or_while_something_moves() {
    for rung in Rung::ALL.into_iter().filter(|rung| !rung.ours() || *rung == Rung::Portal || *rung == Rung::LargeLost) {
        assert_eq!(run(&mut Ladder::new(rules()), 0, DAY, |_| rung), [], "{rung:?}");
    }
    let mut ladder = Ladder::new(rules());
    for minute in 0..600 {
        let seen = Seen { moving: true, ..seen(minute * MIN, Rung::NamesFail) };
        assert_eq!(ladder.look(&seen).0, None);
    }
}

#[test]
fn a_step_that_runs_is_waited_for_and_its_help_is_told_once() {
    let mut ladder = Ladder::new(rules());
    assert_eq!(ladder.look(&seen(5 * MIN, Rung::NoAddress)).0, Some(Step::Renew));
    assert_eq!(ladder.look(&seen(60 * MIN, Rung::NoAddress)).0, None, "the lever has not answered");
    ladder.done(Pulled::Done);
    let mut ladder = Ladder::new(rules());
    assert_eq!(ladder.look(&seen(5 * MIN, Rung::NoAddress)).0, Some(Step::Renew));
    ladder.done(Pulled::Done);
    let told = ladder.look(&seen(6 * MIN, Rung::Up)).1;
    assert_eq!(told.iter().map(|one| one.helped).collect::<Vec<_>>(), [Some(true)]);
    assert_eq!(ladder.look(&seen(7 * MIN, Rung::Up)).1, []);
}

/// Six resets of an earlier life, an hour apart from `first` on; the last hour of that life is known.
fn six_resets(first: Utc, dated: bool) -> LadderMemory {
    let taken = (0..6).map(|n: u8| Taken {
        step: Step::Usb,
        rung: Rung::NamesFail,
        at: first.plus_ms(i64::from(n) * 3_600_000),
        dated,
        helped: Some(false),
        mono: None,
        aged_ms: HOUR * u64::from(5 - n),
    });
    LadderMemory { taken: taken.collect(), ..LadderMemory::default() }
}

/// What may still be done in a life that began `lived_ms` ago, after what an earlier one left.
fn resets_left(memory: LadderMemory, lived_ms: u64, utc: Utc, utc_trust: UtcTrust) -> usize {
    let mut ladder = Ladder::new(only(Step::Usb));
    ladder.resume(memory);
    ladder.left(&Moment { mono: Mono(lived_ms), utc, utc_trust }).resets
}

#[test]
fn clock_that_is_set_forward_over_a_restart_frees_no_step() {
    // Without a battery: the steps were noted in 1970, and the next life learns the true time.
    let wrong = || six_resets(Utc(0), false);
    for trust in [UtcTrust::Unset, UtcTrust::Network, UtcTrust::Gps] {
        assert_eq!(resets_left(wrong(), 12 * HOUR, utc(0), trust), 0, "{trust:?}");
    }
    // Nor if the clock was right then and is wrong now.
    assert_eq!(resets_left(six_resets(utc(0), true), HOUR, utc(90 * DAY), UtcTrust::Unset), 0);
    // Each goes once the lives that are known have lasted a day.
    assert_eq!(resets_left(wrong(), 19 * HOUR, utc(0), UtcTrust::Gps), 1);
    assert_eq!(resets_left(wrong(), DAY, utc(0), UtcTrust::Unset), 6);
}

#[test]
fn clock_that_was_right_both_times_tells_the_age_of_an_earlier_lifes_step() {
    let right = || six_resets(utc(0), true);
    assert_eq!(resets_left(right(), MIN, utc(23 * HOUR), UtcTrust::Gps), 0);
    assert_eq!(resets_left(right(), MIN, utc(26 * HOUR), UtcTrust::Network), 3);
    assert_eq!(resets_left(right(), MIN, utc(40 * DAY), UtcTrust::Holdover), 6);
}

#[test]
fn steps_of_an_earlier_life_count_even_under_a_clock_that_was_set_back() {
    for dated in [false, true] {
        let mut ladder = Ladder::new(only(Step::Usb));
        ladder.resume(six_resets(utc(90 * DAY), dated));
        assert_eq!(run(&mut ladder, 0, 18 * HOUR, |_| Rung::NamesFail), [], "{dated}");
        // And they do not count for ever.
        assert_ne!(run(&mut ladder, 18 * HOUR, DAY, |_| Rung::NamesFail), [], "{dated}");
    }
}

#[test]
fn each_step_has_a_wait_and_limits_of_its_own() {
    let steps = vec![
        StepRule { step: Step::Renew, wait_ms: 5 * MIN, per_hour: 1, per_day: 3 },
        StepRule { step: Step::Command, wait_ms: 20 * MIN, per_hour: 2, per_day: 2 },
    ];
    let mut ladder = Ladder::new(Rules { steps, per_hour: 6, ..rules() });
    let steps = run(&mut ladder, 0, 2 * DAY, |_| Rung::NamesFail);
    assert_eq!(steps[..2], [(5 * MIN, Step::Renew), (10 * MIN, Step::Command)], "a new address shows soon");
    // Both were gone through once, so the pause after the second is doubled; the hour has no room for `renew` before.
    assert_eq!(steps[2].1, Step::Command);
    assert_eq!(steps[2].0 - steps[1].0, 40 * MIN);
    for (step, per_hour, per_day) in [(Step::Renew, 1, 3), (Step::Command, 2, 2)] {
        assert!(most_within(&steps, HOUR, |one| one == step) <= per_hour, "{steps:?}");
        assert_eq!(most_within(&steps, DAY, |one| one == step), per_day, "{steps:?}");
    }
}

#[test]
fn no_limit_of_a_step_exceeds_what_is_built_in() {
    for step in Step::ALL {
        let steps = vec![StepRule { step, wait_ms: MIN, per_hour: 1000, per_day: 1000 }];
        let mut ladder = Ladder::new(Rules { steps, per_hour: 1000, ..rules() });
        let mut most = 0;
        for minute in 0..2 * 24 * 60 {
            if ladder.look(&seen(minute * MIN, Rung::NamesFail)).0.is_some() {
                ladder.done(Pulled::Done);
            }
            most = most.max(ladder.day(&at(minute * MIN)));
            // So short a wait that the pauses do not grow into the limit.
            ladder.rounds = 0;
        }
        assert_eq!(most, step.per_day_max(), "{step:?}");
    }
}

/// Row 35: 0 during intake writes. A step waits for them, and not for ever.
#[test]
fn step_waits_for_reads_that_are_being_written_and_for_a_minute_at_most() {
    let mut ladder = Ladder::new(rules());
    let written = |ms: u64, writing: bool| Seen { writing, ..seen(ms, Rung::NoAddress) };
    assert_eq!(ladder.look(&written(5 * MIN, true)).0, None);
    assert_eq!(ladder.look(&written(5 * MIN + 1000, true)).0, None);
    assert_eq!(ladder.look(&written(5 * MIN + 2000, false)).0, Some(Step::Renew), "as soon as nothing is written");
    ladder.done(Pulled::Done);
    for second in 0..60 {
        assert_eq!(ladder.look(&written(20 * MIN + second * 1000, true)).0, None, "{second} s");
    }
    assert_eq!(ladder.look(&written(21 * MIN, true)).0, Some(Step::Cycle), "a disk that hangs holds no link broken");
}

/// Issue: 24 hours of random flapping in simulation keep every limit. Ten seeds of two days each.
#[test]
fn a_day_of_random_flapping_keeps_each_limit() {
    for seed in 0..10 {
        let mut random = Random::new(seed);
        let (mut rung, mut until) = (Rung::Up, 0);
        let mut ladder = Ladder::new(rules());
        let steps = run(&mut ladder, 0, 2 * DAY, |now| {
            if until <= now {
                let broken = [Rung::NoCarrier, Rung::NoAddress, Rung::GatewaySilent, Rung::NamesFail, Rung::Up];
                rung = broken[usize::try_from(random.bits() % 5).unwrap_or(0)];
                until = now + 10_000 + random.bits() % (40 * MIN);
            }
            rung
        });
        assert!(most_within(&steps, HOUR, |_| true) <= 3, "seed {seed}");
        assert!(most_within(&steps, DAY, Step::is_reset) <= RESETS_PER_DAY_MAX, "seed {seed}");
        assert!(most_within(&steps, DAY, |step| step == Step::Reboot) <= REBOOTS_PER_DAY_MAX, "seed {seed}");
        assert!(!steps.is_empty(), "seed {seed}");
    }
}

/// The agent is killed again and again while the link flutters: no new process has a new allowance.
#[test]
fn a_day_of_random_flapping_with_restarts_of_the_agent_keeps_each_limit() {
    for seed in 0..10 {
        let mut random = Random::new(100 + seed);
        let (mut rung, mut until, mut memory, mut steps) = (Rung::Up, 0, LadderMemory::default(), Vec::new());
        let mut now = 0;
        while now < 2 * DAY {
            let mut ladder = Ladder::new(rules());
            ladder.resume(memory);
            let life = MIN + random.bits() % (2 * HOUR);
            steps.extend(run(&mut ladder, now, life, |now| {
                if until <= now {
                    let broken = [Rung::NoCarrier, Rung::NoAddress, Rung::NamesFail, Rung::Unproven, Rung::Up];
                    rung = broken[usize::try_from(random.bits() % 5).unwrap_or(0)];
                    until = now + 10_000 + random.bits() % (40 * MIN);
                }
                rung
            }));
            memory = ladder.memory();
            now += life;
        }
        assert!(most_within(&steps, HOUR, |_| true) <= 3, "seed {seed}: {steps:?}");
        assert!(most_within(&steps, DAY, Step::is_reset) <= RESETS_PER_DAY_MAX, "seed {seed}");
        assert!(most_within(&steps, DAY, |step| step == Step::Reboot) <= REBOOTS_PER_DAY_MAX, "seed {seed}");
        assert!(steps.windows(2).all(|pair| 10 * MIN <= pair[1].0 - pair[0].0), "seed {seed}: {steps:?}");
        assert!(!steps.is_empty(), "seed {seed}");
    }
}

/// Catalogue of faults, 69: half a minute up, half a minute down, for six hours, is no reason to shake the device.
#[test]
fn fault_69_six_hours_of_fluttering_see_no_step() {
    let flutter = |now: u64| if (now / 30_000).is_multiple_of(2) { Rung::NoCarrier } else { Rung::Up };
    assert_eq!(run(&mut Ladder::new(rules()), 0, 6 * HOUR, flutter), []);
}

#[test]
fn a_step_that_was_not_done_counts_for_nothing_and_is_not_repeated_at_once() {
    let mut ladder = Ladder::new(rules());
    let seen = |ms: u64| seen(ms, Rung::NoAddress);
    assert_eq!(ladder.next(Rung::NoAddress, &at(0)), None, "nothing was looked at yet");
    assert_eq!(ladder.look(&seen(0)).0, None);
    assert_eq!(ladder.next(Rung::NoAddress, &at(0)), Some((Step::Renew, Mono(5 * MIN))));
    assert_eq!(ladder.look(&seen(5 * MIN)).0, Some(Step::Renew));
    ladder.done(Pulled::NotDone);
    assert_eq!((ladder.day(&at(5 * MIN)), ladder.left(&at(5 * MIN)).hour), (0, 3));
    assert_eq!(ladder.look(&seen(6 * MIN)), (None, vec![]));
    assert_eq!(ladder.look(&seen(15 * MIN)).0, Some(Step::Cycle));
    ladder.done(Pulled::Failed);
    assert_eq!(ladder.left(&at(15 * MIN)), Left { hour: 2, resets: 5, reboots: 1 });
    assert_eq!(ladder.look(&seen(16 * MIN)), (None, vec![]), "that it did not help is known already");
}

#[test]
fn a_restart_of_the_computer_is_judged_by_the_life_after_it() {
    let (step, rung) = (Step::Reboot, Rung::NamesFail);
    let reboot = Taken { step, rung, at: utc(0), dated: true, helped: None, mono: None, aged_ms: 0 };
    for (up_at, helped) in [(2 * MIN, true), (20 * MIN, false)] {
        let mut ladder = Ladder::new(rules());
        ladder.resume(LadderMemory { taken: vec![reboot], ..LadderMemory::default() });
        let seen = Seen { finding: (Rung::Up, Mono(up_at)), ..seen(up_at, Rung::Up) };
        assert_eq!(ladder.look(&seen).1.iter().map(|one| one.helped).collect::<Vec<_>>(), [Some(helped)]);
    }
}

#[test]
fn nothing_is_done_while_nobody_can_tell_whose_fault_it_is() {
    let mut ladder = Ladder::new(rules());
    for minute in 0..24 * 60 {
        let seen = Seen { sure: false, ..seen(minute * MIN, Rung::TcpBlocked) };
        assert_eq!(ladder.look(&seen).0, None);
    }
}

/// Catalogue of faults, 68: next hops and networks that never answer an echo are no reason for anything, as long as
/// receipts come. A day of it, with the whole watcher.
#[test]
fn fault_68_a_day_without_any_echo_but_with_receipts_sees_no_step() {
    use crate::link::evidence::{Attempt, Ended, Facts, Gateway, Interface};
    use crate::link::watch::{LinkEvent, LinkWatch};
    use crate::queue::Lane;

    let (mut watch, mut ladder, mut out) = (LinkWatch::default(), Ladder::new(rules()), Vec::new());
    let interface = Interface {
        name: "usb0".to_owned(),
        index: Some(2),
        on: true,
        carrier: true,
        v4: true,
        default_route: true,
        gateway: Gateway::Unknown,
        ..Interface::default()
    };
    let facts = Facts { looked_for: "usb0".to_owned(), interface: Some(interface), ..Facts::default() };
    for second in (0..24 * 3600).step_by(5) {
        let now = at(second * 1000);
        let mono = now.mono;
        watch.handle(LinkEvent::Facts(facts.clone()), &now, &mut out);
        if second % 300 == 0 {
            let began = Mono(mono.0.saturating_sub(400));
            let attempt = Attempt { began, at: mono, bytes: 900, ended: Ended::Receipt };
            watch.handle(LinkEvent::Attempt(Lane::Bulk, attempt), &now, &mut out);
        }
        watch.handle(LinkEvent::Tick, &now, &mut out);
        let (finding, since) =
            watch.finding().map_or((Rung::Unproven, Mono(0)), |(finding, since)| (finding.rung, since));
        let (moving, sure) = (watch.moving(mono), watch.sure());
        let seen = Seen { now, finding: (finding, since), moving, writing: false, sure };
        assert_eq!(ladder.look(&seen).0, None, "{finding:?} at {second} s");
    }
    assert_eq!(watch.finding().map(|(finding, _)| finding.rung), Some(Rung::Up));
}
