use super::*;
use crate::sim::random::Random;

const MIN: u64 = 60_000;
const HOUR: u64 = 60 * MIN;
const DAY: u64 = 24 * HOUR;

fn rules() -> Rules {
    Rules {
        steps: Step::ALL.to_vec(),
        first_after_ms: 5 * MIN,
        wait_ms: 10 * MIN,
        per_hour: 3,
        resets_per_day: 99,
        reboots_per_day: 99,
    }
}

fn at(ms: u64) -> (Mono, Utc) {
    (Mono(ms), Utc(1_795_608_000_000).plus_ms(i64::try_from(ms).unwrap_or(0)))
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
        let seen = Seen { now: at(now), finding: (is, Mono(since)), moving: false, sure: true };
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
        let seen = Seen { now: at(minute * MIN), finding: (Rung::NamesFail, Mono(0)), moving: true, sure: true };
        assert_eq!(ladder.look(&seen).0, None);
    }
}

#[test]
fn a_step_that_runs_is_waited_for_and_its_help_is_told_once() {
    let mut ladder = Ladder::new(rules());
    let seen = |ms: u64, rung| Seen { now: at(ms), finding: (rung, Mono(0)), moving: false, sure: true };
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

#[test]
fn steps_of_an_earlier_life_count_even_under_a_clock_that_was_set_back() {
    let mut ladder = Ladder::new(Rules { steps: vec![Step::Usb], ..rules() });
    let earlier = |at: Utc| Taken { step: Step::Usb, rung: Rung::NamesFail, at, helped: Some(false), mono: None };
    let memory = |taken: Vec<Taken>| LadderMemory { taken, ..LadderMemory::default() };
    ladder.resume(memory((0..6).map(|n| earlier(at(n * HOUR).1)).collect()));
    assert_eq!(run(&mut ladder, 6 * HOUR, 17 * HOUR, |_| Rung::NamesFail), []);
    let mut back = Ladder::new(Rules { steps: vec![Step::Usb], ..rules() });
    back.resume(memory((0..6).map(|n| earlier(at(90 * DAY + n).1)).collect()));
    assert_eq!(run(&mut back, 0, DAY, |_| Rung::NamesFail), []);
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
    let seen = |ms: u64| Seen { now: at(ms), finding: (Rung::NoAddress, Mono(0)), moving: false, sure: true };
    assert_eq!(ladder.next(Rung::NoAddress, at(0)), None, "nothing was looked at yet");
    assert_eq!(ladder.look(&seen(0)).0, None);
    assert_eq!(ladder.next(Rung::NoAddress, at(0)), Some((Step::Renew, Mono(5 * MIN))));
    assert_eq!(ladder.look(&seen(5 * MIN)).0, Some(Step::Renew));
    ladder.done(Pulled::NotDone);
    assert_eq!((ladder.day(at(5 * MIN)), ladder.left(at(5 * MIN)).hour), (0, 3));
    assert_eq!(ladder.look(&seen(6 * MIN)), (None, vec![]));
    assert_eq!(ladder.look(&seen(15 * MIN)).0, Some(Step::Cycle));
    ladder.done(Pulled::Failed);
    assert_eq!(ladder.left(at(15 * MIN)), Left { hour: 2, resets: 5, reboots: 1 });
    assert_eq!(ladder.look(&seen(16 * MIN)), (None, vec![]), "that it did not help is known already");
}

#[test]
fn a_restart_of_the_computer_is_judged_by_the_life_after_it() {
    let reboot = Taken { step: Step::Reboot, rung: Rung::NamesFail, at: at(0).1, helped: None, mono: None };
    for (up_at, helped) in [(2 * MIN, true), (20 * MIN, false)] {
        let mut ladder = Ladder::new(rules());
        ladder.resume(LadderMemory { taken: vec![reboot], ..LadderMemory::default() });
        let seen = Seen { now: at(up_at), finding: (Rung::Up, Mono(up_at)), moving: false, sure: true };
        assert_eq!(ladder.look(&seen).1.iter().map(|one| one.helped).collect::<Vec<_>>(), [Some(helped)]);
    }
}

#[test]
fn nothing_is_done_while_nobody_can_tell_whose_fault_it_is() {
    let mut ladder = Ladder::new(rules());
    for minute in 0..24 * 60 {
        let seen = Seen { now: at(minute * MIN), finding: (Rung::TcpBlocked, Mono(0)), moving: false, sure: false };
        assert_eq!(ladder.look(&seen).0, None);
    }
}

/// Catalogue of faults, 68: next hops and networks that never answer an echo are no reason for anything, as long as
/// receipts come. A day of it, with the whole watcher.
#[test]
fn fault_68_a_day_without_any_echo_but_with_receipts_sees_no_step() {
    use crate::link::evidence::{Attempt, Ended, Facts, Gateway, Interface};
    use crate::link::watch::{LinkEvent, LinkWatch};
    use crate::moment::{Moment, UtcTrust};
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
        let (mono, utc) = at(second * 1000);
        let now = Moment { mono, utc, utc_trust: UtcTrust::Gps };
        watch.handle(LinkEvent::Facts(facts.clone()), &now, &mut out);
        if second % 300 == 0 {
            let began = Mono(mono.0.saturating_sub(400));
            let attempt = Attempt { began, at: mono, bytes: 900, ended: Ended::Receipt };
            watch.handle(LinkEvent::Attempt(Lane::Bulk, attempt), &now, &mut out);
        }
        watch.handle(LinkEvent::Tick, &now, &mut out);
        let (finding, since) =
            watch.finding().map_or((Rung::Unproven, Mono(0)), |(finding, since)| (finding.rung, since));
        let seen = Seen { now: (mono, utc), finding: (finding, since), moving: watch.moving(mono), sure: watch.sure() };
        assert_eq!(ladder.look(&seen).0, None, "{finding:?} at {second} s");
    }
    assert_eq!(watch.finding().map(|(finding, _)| finding.rung), Some(Rung::Up));
}
