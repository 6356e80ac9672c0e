//! Which urgent thing is told next. One that fails alone must hold up no other, and after an outage of whoever is told
//! the newest comes first: an hour-old hit helps nobody while a fresh one waits behind it.
//!
//! There are two lanes, one try at a time in each. In the first lane what came is tried in its order. What failed twice
//! there is doubted: the next one is tried. If that is taken, the trouble lies in the first, which is set aside: the
//! second lane tries it at growing pauses. If the next fails too, the trouble lies with whoever is told: everything
//! waits, and is tried at growing pauses, mostly by its newest. Decision 98.

use crate::moment::{Mono, Utc};
use std::collections::BTreeMap;

/// Failures after which the next thing is tried (our own choice: one may be chance).
pub const FAILS_BEFORE_NEXT: u32 = 2;
/// Refusals (HTTP 4xx) after which a thing that was set aside is given up (our own choice).
pub const REFUSED_MAX: u32 = 5;
/// First pause after a failure, ms; it doubles (our own choice).
pub const PAUSE_MS: u64 = 1_000;
/// Longest pause of what was set aside, ms (our own choice).
pub const ASIDE_PAUSE_MS_MAX: u64 = 300_000;
/// Longest pause while nothing is taken, ms (our own choice: a dispatcher who is back waits no longer for the newest).
pub const AWAY_PAUSE_MS_MAX: u64 = 60_000;
/// From so many waiting things on the newest comes first (our own choice: 15 s of telling at 120 a minute).
const CROWD: usize = 30;
/// So often others were taken after a thing had failed, then it is set aside, whoever else failed (our own choice).
const STRIKES_MAX: u32 = 2;
/// While nothing is taken one probe in so many tries another than the newest, which may be what is wrong (our own).
const OTHER_PROBE: u32 = 3;

/// One thing to tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Thing {
    /// True: the receiver raised it; false: it is an event.
    pub raised: bool,
    /// Its number in its table.
    pub no: i64,
    /// Id of its event.
    pub id: String,
    /// Hits and alarms go before test alerts and the ends of things.
    pub urgent: bool,
    /// When it happened, as far as it is known; the newest is judged by it.
    pub happened: Utc,
    /// Age of the store when it came, ms.
    pub came_ms: i64,
    /// Tries that failed.
    pub tries: u32,
    /// Of them, refusals.
    pub refused: u32,
    /// It fails alone and is tried beside the others.
    pub aside: bool,
}

/// Names a thing that waits. Later ones are higher.
pub type Ticket = u64;

/// Which of the two lanes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// What came, in its order.
    Main,
    /// What was set aside.
    Aside,
}

/// How a try ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It was taken.
    Taken,
    /// There is nothing to tell any more; it says nothing of whoever is told.
    Gone,
    /// Nobody was reached; the thing itself can't be the reason.
    Away,
    /// Something failed: the thing, or whoever is told.
    Failed,
    /// The same, and it took as long as a try may take.
    Slow,
    /// It was answered that this will never be taken.
    Refused,
}

/// What has become so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Effect {
    /// It was told.
    Told(Thing),
    /// It failed; it is tried again.
    NotYet(Thing),
    /// It fails alone; it is tried beside the others from now on.
    SetAside(Thing),
    /// It is tried no more.
    GivenUp(Thing),
    /// Nothing is taken any more.
    Away,
    /// Something was taken again; so many wait.
    Back(usize),
}

#[derive(Debug)]
struct Waiting {
    thing: Thing,
    /// Failures since something else was taken last.
    fails: u32,
    /// How often something else was taken after it had failed.
    strikes: u32,
    next_at: Mono,
    busy: bool,
}

/// All that waits, and what was found out about whoever is told.
#[derive(Debug, Default)]
pub struct Telling {
    waiting: BTreeMap<Ticket, Waiting>,
    last: Ticket,
    /// Before this the first lane tries nothing.
    main_at: Mono,
    /// What is tried once more before it is doubted.
    again: Option<Ticket>,
    /// Failures in a row that nobody's thing was the reason of.
    fruitless: u32,
    /// Nobody was reached at the last try.
    unreached: bool,
    /// It was said that nothing is taken.
    away: bool,
    /// What waited through an outage is being told: the newest first.
    catching_up: bool,
}

impl Telling {
    /// Goes on with what waited when the program ended: the newest first.
    #[must_use]
    pub fn resume(things: Vec<Thing>) -> Self {
        let mut telling = Self { catching_up: !things.is_empty(), ..Self::default() };
        for thing in things {
            telling.push(thing, Mono(0));
        }
        telling
    }

    /// How many wait.
    #[must_use]
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    /// True if nothing waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Something came.
    pub fn push(&mut self, thing: Thing, now: Mono) {
        self.last += 1;
        if !self.waiting.values().any(|w| !w.thing.aside) {
            // What failed before has gone; nothing says that this one would fail.
            self.main_at = now;
        }
        self.waiting.insert(self.last, Waiting { thing, fails: 0, strikes: 0, next_at: now, busy: false });
        // Only one thing failed so far: this one shows at once where the trouble lies.
        if !self.unreached && self.failing() == 1 && self.again.is_none() {
            self.main_at = self.main_at.min(now);
        }
    }

    /// What a lane tries now, if anything; its end is told by [`Self::ended`].
    pub fn next(&mut self, lane: Lane, now: Mono) -> Option<(Ticket, Thing)> {
        let ticket = match lane {
            Lane::Main => self.next_of_main(now)?,
            Lane::Aside => self.next_aside(now)?,
        };
        let waiting = self.waiting.get_mut(&ticket)?;
        waiting.busy = true;
        Some((ticket, waiting.thing.clone()))
    }

    fn next_of_main(&mut self, now: Mono) -> Option<Ticket> {
        let mine = || self.waiting.iter().filter(|(_, w)| !w.thing.aside);
        if mine().next().is_none() {
            self.catching_up = false;
            return None;
        }
        if now < self.main_at || mine().any(|(_, w)| w.busy) {
            return None;
        }
        if let Some(again) = self.again.take().filter(|ticket| self.waiting.contains_key(ticket)) {
            return Some(again);
        }
        let newest = |(ticket, w): &(&Ticket, &Waiting)| (w.thing.urgent, w.thing.happened, **ticket);
        let newest_first = self.catching_up || CROWD < mine().count();
        let mut untried = mine().filter(|(_, w)| w.fails == 0);
        let chosen = match self.failing() {
            _ if self.unreached => mine().max_by_key(newest),
            0 | 1 if newest_first => untried.max_by_key(newest).or_else(|| mine().next()),
            0 | 1 => untried.next().or_else(|| mine().next()),
            _ if self.fruitless % OTHER_PROBE == OTHER_PROBE - 1 => {
                mine().max_by_key(|(ticket, w)| (std::cmp::Reverse(w.fails), newest(&(*ticket, *w))))
            }
            _ => mine().max_by_key(newest),
        };
        chosen.map(|(ticket, _)| *ticket)
    }

    fn next_aside(&self, now: Mono) -> Option<Ticket> {
        let aside = || self.waiting.iter().filter(|(_, w)| w.thing.aside);
        // While nothing is taken it would tell nothing of the thing itself.
        if self.away || aside().any(|(_, w)| w.busy) {
            return None;
        }
        let due = aside().filter(|(_, w)| w.next_at <= now);
        due.min_by_key(|(ticket, w)| (w.next_at, **ticket)).map(|(ticket, _)| *ticket)
    }

    /// How many of the first lane have failed since something was taken.
    fn failing(&self) -> usize {
        self.waiting.values().filter(|w| !w.thing.aside && 0 < w.fails).count()
    }

    /// A try has ended.
    pub fn ended(&mut self, ticket: Ticket, outcome: Outcome, now: Mono) -> Vec<Effect> {
        let Some(waiting) = self.waiting.get_mut(&ticket) else { return Vec::new() };
        waiting.busy = false;
        let aside = waiting.thing.aside;
        if matches!(outcome, Outcome::Taken | Outcome::Gone) {
            let told = self.waiting.remove(&ticket).map(|waiting| Effect::Told(waiting.thing));
            let mut effects: Vec<Effect> = told.into_iter().collect();
            if !aside && outcome == Outcome::Taken {
                self.taken(now, &mut effects);
            }
            return effects;
        }
        waiting.thing.tries = waiting.thing.tries.saturating_add(1);
        waiting.thing.refused += u32::from(outcome == Outcome::Refused);
        let mut effects = Vec::new();
        if waiting.thing.tries == 1 {
            effects.push(Effect::NotYet(waiting.thing.clone()));
        }
        if aside {
            waiting.next_at = now.plus_ms(pause_ms(waiting.thing.tries, ASIDE_PAUSE_MS_MAX));
            if REFUSED_MAX <= waiting.thing.refused {
                effects.extend(self.waiting.remove(&ticket).map(|waiting| Effect::GivenUp(waiting.thing)));
            }
            return effects;
        }
        self.unreached = outcome == Outcome::Away;
        waiting.fails += match outcome {
            Outcome::Away => 0,
            Outcome::Slow => FAILS_BEFORE_NEXT,
            _ => 1,
        };
        if (1..FAILS_BEFORE_NEXT).contains(&waiting.fails) && self.fruitless == 0 {
            self.again = Some(ticket);
            self.main_at = now.plus_ms(PAUSE_MS);
            return effects;
        }
        let failing = self.failing();
        let others = self.waiting.values().any(|w| !w.thing.aside && w.fails == 0);
        if failing == 1 && others && !self.unreached {
            // The next one shows whether the trouble lies in this one.
            self.fruitless += 1;
            self.main_at = now;
            return effects;
        }
        self.fruitless += 1;
        self.main_at = now.plus_ms(pause_ms(self.fruitless, AWAY_PAUSE_MS_MAX));
        if (self.unreached || 1 < failing) && !self.away {
            self.away = true;
            effects.push(Effect::Away);
        }
        effects
    }

    /// Something of the first lane was taken: what failed before it is judged.
    fn taken(&mut self, now: Mono, effects: &mut Vec<Effect>) {
        let alone = self.failing() == 1;
        for waiting in self.waiting.values_mut().filter(|w| !w.thing.aside && 0 < w.fails) {
            waiting.strikes += 1;
            let doubted = alone && FAILS_BEFORE_NEXT <= waiting.fails;
            waiting.fails = 0;
            if !alone {
                // Who takes nothing at all refuses nothing of its own.
                waiting.thing.refused = 0;
            }
            if doubted || STRIKES_MAX <= waiting.strikes {
                waiting.thing.aside = true;
                waiting.next_at = now.plus_ms(pause_ms(waiting.thing.tries, ASIDE_PAUSE_MS_MAX));
                effects.push(Effect::SetAside(waiting.thing.clone()));
            }
        }
        (self.fruitless, self.unreached, self.again, self.main_at) = (0, false, None, now);
        if std::mem::take(&mut self.away) {
            self.catching_up = true;
            effects.push(Effect::Back(self.waiting.len()));
        }
    }

    /// A thing that still waits.
    #[must_use]
    pub fn thing(&self, ticket: Ticket) -> Option<&Thing> {
        self.waiting.get(&ticket).map(|waiting| &waiting.thing)
    }

    /// A try broke off without an end: the thing may be tried again.
    pub fn broke_off(&mut self, ticket: Ticket) {
        if let Some(waiting) = self.waiting.get_mut(&ticket) {
            waiting.busy = false;
        }
    }

    /// Gives up what came `give_up_ms` ago and longer, but for what is being tried just now or was not tried though
    /// others are taken, and beyond `waiting_max` the oldest; at most `count_max` in one call.
    pub fn give_up(&mut self, lived_ms: i64, give_up_ms: i64, waiting_max: usize, count_max: usize) -> Vec<Thing> {
        let mut over = self.waiting.len().saturating_sub(waiting_max);
        let mut given_up = Vec::new();
        self.waiting.retain(|_, waiting| {
            let late =
                give_up_ms <= lived_ms.saturating_sub(waiting.thing.came_ms) && (self.away || 0 < waiting.thing.tries);
            let goes = (late || 0 < over) && !waiting.busy && given_up.len() < count_max;
            if goes {
                over = over.saturating_sub(1);
                given_up.push(waiting.thing.clone());
            }
            !goes
        });
        given_up
    }
}

fn pause_ms(step: u32, max_ms: u64) -> u64 {
    (PAUSE_MS << step.saturating_sub(1).min(20)).min(max_ms)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn thing(no: i64) -> Thing {
        Thing {
            raised: false,
            no,
            id: format!("id-{no}"),
            urgent: true,
            happened: Utc(no * 1000),
            came_ms: no * 1000,
            tries: 0,
            refused: 0,
            aside: false,
        }
    }

    /// Whoever is told, by number of the thing and the time.
    struct Desk<'a> {
        telling: Telling,
        now: Mono,
        answers: &'a dyn Fn(i64, u64) -> Outcome,
        told: Vec<i64>,
        effects: Vec<Effect>,
    }

    impl<'a> Desk<'a> {
        fn new(things: std::ops::RangeInclusive<i64>, answers: &'a dyn Fn(i64, u64) -> Outcome) -> Self {
            let mut telling = Telling::default();
            things.for_each(|no| telling.push(thing(no), Mono(0)));
            Self { telling, now: Mono(0), answers, told: Vec::new(), effects: Vec::new() }
        }

        fn run_to(&mut self, ms: u64) {
            while self.now.0 < ms {
                for lane in [Lane::Main, Lane::Aside] {
                    let Some((ticket, thing)) = self.telling.next(lane, self.now) else { continue };
                    for effect in self.telling.ended(ticket, (self.answers)(thing.no, self.now.0), self.now) {
                        if let Effect::Told(thing) = &effect {
                            self.told.push(thing.no);
                        }
                        self.effects.push(effect);
                    }
                }
                self.now = self.now.plus_ms(500);
            }
        }

        fn aside(&self) -> Vec<i64> {
            let aside = |effect: &Effect| if let Effect::SetAside(thing) = effect { Some(thing.no) } else { None };
            self.effects.iter().filter_map(aside).collect()
        }
    }

    #[test]
    fn what_is_taken_is_told_in_its_order() {
        let mut desk = Desk::new(1..=5, &|_, _| Outcome::Taken);
        desk.run_to(10_000);
        assert_eq!(desk.told, [1, 2, 3, 4, 5]);
        assert!(desk.telling.is_empty());
    }

    #[test]
    fn one_thing_that_always_fails_holds_up_no_other_for_longer_than_its_two_tries() {
        for outcome in [Outcome::Failed, Outcome::Refused, Outcome::Slow] {
            let answers = move |no, _| if no == 1 { outcome } else { Outcome::Taken };
            let mut desk = Desk::new(1..=5, &answers);
            desk.run_to(5_000);
            assert_eq!((desk.told.as_slice(), desk.aside()), (&[2, 3, 4, 5][..], vec![1]), "{outcome:?}");
            assert!(!desk.effects.contains(&Effect::Away), "one event is no outage");
            desk.telling.push(thing(9), desk.now);
            desk.run_to(6_000);
            assert_eq!(desk.told.last(), Some(&9));
        }
    }

    #[test]
    fn what_was_set_aside_is_tried_at_growing_pauses_and_told_once_it_is_taken() {
        let tries = std::cell::RefCell::new(Vec::new());
        let answers = |no, now| {
            if no == 1 {
                tries.borrow_mut().push(now);
            }
            if no == 1 && now < 3_600_000 { Outcome::Failed } else { Outcome::Taken }
        };
        let mut desk = Desk::new(1..=2, &answers);
        desk.run_to(4_000_000);
        assert_eq!(desk.told, [2, 1]);
        let pauses: Vec<u64> = tries.borrow().windows(2).map(|two| two[1] - two[0]).collect();
        assert!(pauses.is_sorted() && *pauses.last().unwrap() <= ASIDE_PAUSE_MS_MAX + 500, "{pauses:?}");
        assert!(pauses.len() < 22, "{pauses:?}");
    }

    #[test]
    fn several_that_fail_are_all_set_aside_while_the_rest_is_told() {
        let answers = |no, _| if no % 2 == 1 { Outcome::Failed } else { Outcome::Taken };
        let mut desk = Desk::new(1..=20, &answers);
        desk.run_to(600_000);
        let mut told = desk.told.clone();
        told.sort_unstable();
        assert_eq!(told, (1..=10).map(|half| half * 2).collect::<Vec<_>>());
        assert!(desk.telling.waiting.values().filter(|w| !w.thing.aside).count() <= 1, "{:?}", desk.telling);
    }

    #[test]
    fn after_an_outage_the_newest_is_told_first_and_nothing_is_set_aside() {
        let answers = |_, now| if now < 600_000 { Outcome::Away } else { Outcome::Taken };
        let mut desk = Desk::new(1..=6, &answers);
        desk.run_to(700_000);
        assert_eq!((desk.told.as_slice(), desk.aside()), (&[6, 5, 4, 3, 2, 1][..], vec![]));
        let turns = desk.effects.iter().filter(|effect| matches!(effect, Effect::Away | Effect::Back(_)));
        assert_eq!(turns.count(), 2);
        // The longest pause while nobody is reached is a minute.
        assert!(desk.now.0 <= 700_500);
    }

    #[test]
    fn an_outage_that_looks_like_failing_things_sets_none_of_them_aside() {
        let answers = |_, now| if now < 600_000 { Outcome::Failed } else { Outcome::Taken };
        let mut desk = Desk::new(1..=6, &answers);
        desk.run_to(700_000);
        assert_eq!((desk.told.len(), desk.aside()), (6, vec![]));
        assert!(desk.told[1..].is_sorted_by(|a, b| a > b), "but for the probe the newest first: {:?}", desk.told);
        // A token that has ended is an outage too: nothing may be given up for its refusals.
        let refused = |_, now| if now < 3_600_000 { Outcome::Refused } else { Outcome::Taken };
        let mut desk = Desk::new(1..=6, &refused);
        desk.run_to(3_700_000);
        assert_eq!((desk.told.len(), desk.aside()), (6, vec![]));
    }

    #[test]
    fn a_hit_goes_before_a_test_alert_after_an_outage() {
        let answers = |_, now| if now < 60_000 { Outcome::Away } else { Outcome::Taken };
        let mut desk = Desk::new(1..=3, &answers);
        desk.telling.push(Thing { urgent: false, ..thing(4) }, Mono(0));
        desk.run_to(200_000);
        assert_eq!(desk.told, [3, 2, 1, 4]);
    }

    #[test]
    fn what_is_refused_five_times_while_others_are_taken_is_given_up() {
        let answers = |no, _| if no == 1 { Outcome::Refused } else { Outcome::Taken };
        let mut desk = Desk::new(1..=2, &answers);
        desk.run_to(60_000);
        let Some(Effect::GivenUp(thing)) = desk.effects.last() else { panic!("{:?}", desk.effects) };
        assert_eq!((thing.no, thing.refused), (1, REFUSED_MAX));
        assert!(desk.telling.is_empty());
    }

    #[test]
    fn a_fresh_thing_is_tried_at_once_while_one_alone_fails() {
        let answers = |no, _| if no == 1 { Outcome::Failed } else { Outcome::Taken };
        let mut desk = Desk::new(1..=1, &answers);
        desk.run_to(100_000);
        desk.telling.push(thing(2), desk.now);
        desk.run_to(100_500);
        assert_eq!((desk.told.as_slice(), desk.aside()), (&[2][..], vec![1]));
    }

    #[test]
    fn everything_has_the_same_time_from_its_coming_on_tried_or_not() {
        let answers = |_, _| Outcome::Away;
        let mut desk = Desk::new(1..=4, &answers);
        desk.run_to(10_000);
        let gone: Vec<i64> = desk.telling.give_up(62_500, 60_000, 9, 9).iter().map(|thing| thing.no).collect();
        assert_eq!(gone, [1, 2]);
        assert_eq!(desk.telling.give_up(62_500, 60_000, 1, 9).len(), 1, "beyond what may wait the oldest goes");
        assert_eq!(desk.telling.len(), 1);
    }

    #[test]
    fn what_waited_over_a_restart_is_told_newest_first() {
        let mut telling = Telling::resume(vec![thing(1), thing(2)]);
        assert_eq!(telling.next(Lane::Main, Mono(0)).unwrap().1.no, 2);
        assert_eq!(telling.next(Lane::Main, Mono(0)), None, "one at a time");
    }
}
