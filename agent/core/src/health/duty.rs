//! What people have said of the trailer's duty: that reading is paused until some time, and which needs somebody has in
//! hand. Nothing here stops a read: one that comes off duty is taken in, kept and sent as any other.

use super::{Need, Word};
use crate::moment::{Moment, Mono, Utc};

/// Longest time off duty, s: two weeks (our own limit: a trailer that stands longer is taken out of service).
pub const OFF_S_MAX: u64 = 14 * 86_400;
/// Longest time for which a need can be acknowledged, s: a day (our own limit: each shift says it anew).
pub const ACK_S_MAX: u64 = 86_400;
/// How long a need stays acknowledged if nobody says otherwise, s: a shift (common practice, no source).
pub const ACK_S: u64 = 12 * 3600;

/// A span that somebody has begun. Its end is kept on both clocks: within a process the boot-time clock decides, so
/// that a clock that is set neither ends it early nor makes it last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// Who said so.
    pub by: String,
    /// When, by the host's clock.
    pub from: Utc,
    /// When it ends by itself, by the host's clock.
    pub until: Utc,
    /// The same by the boot-time clock.
    pub ends: Mono,
}

impl Span {
    /// A span of `for_s` that begins now.
    #[must_use]
    pub fn begin(by: &str, for_s: u64, now: &Moment) -> Self {
        let ms = for_s.saturating_mul(1000);
        let until = now.utc.plus_ms(i64::try_from(ms).unwrap_or(i64::MAX));
        Self { by: by.to_owned(), from: now.utc, until, ends: now.mono.plus_ms(ms) }
    }

    /// The span as it goes on in a new process. A clock that was set meanwhile can't make what is left of it longer
    /// than the whole.
    #[must_use]
    pub fn resumed(by: String, from: Utc, until: Utc, now: &Moment) -> Self {
        let whole_ms = until.since_ms(from).max(0);
        let left_ms = until.since_ms(now.utc).clamp(0, whole_ms);
        Self { by, from, until, ends: now.mono.plus_ms(u64::try_from(left_ms).unwrap_or(0)) }
    }

    /// Whether it lasts still.
    #[must_use]
    pub fn lasts(&self, now: Mono) -> bool {
        now < self.ends
    }
}

/// Reading is paused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OffDuty {
    /// By whom, and until when.
    pub span: Span,
    /// Why; one line, never empty.
    pub reason: String,
}

/// Somebody has a need in hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ack {
    /// Rule of the need.
    pub code: String,
    /// What it asked for then; one that asks for something else is another.
    pub what: String,
    /// How urgent it was then; one that is more urgent is another.
    pub urgency: Word,
    /// Since when it had been so.
    pub since: Option<Utc>,
    /// By whom, and until when.
    pub span: Span,
}

impl Ack {
    /// Whether it is this need that was acknowledged: the same thing, no more urgent, and not gone and come again.
    #[must_use]
    pub fn is_of(&self, need: &Need) -> bool {
        let again = need.since.is_some_and(|since| self.span.from.max(self.since.unwrap_or(Utc(i64::MIN))) < since);
        self.code == need.code && self.what == need.what && need.urgency <= self.urgency && !again
    }
}

/// All that people have said.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DutyBook {
    /// Reading is paused; `None` while the trailer is on duty.
    pub off: Option<OffDuty>,
    /// When it came back on duty in this process.
    pub back: Option<Mono>,
    /// Needs that somebody has in hand, one for each rule.
    pub acks: Vec<Ack>,
}

impl DutyBook {
    /// Acknowledgements that are kept (our own limit: more than there are rules).
    pub const ACKS_MAX: usize = 64;

    /// Off duty from now on; a later word replaces the earlier one.
    pub fn go_off(&mut self, by: &str, for_s: u64, reason: &str, now: &Moment) {
        self.off = Some(OffDuty { span: Span::begin(by, for_s, now), reason: reason.to_owned() });
    }

    /// On duty again. Answers whether it was off.
    pub fn come_back(&mut self, now: &Moment) -> bool {
        let was_off = self.off.take().is_some();
        if was_off {
            self.back = Some(now.mono);
        }
        was_off
    }

    /// Takes up an acknowledgement; a later one of the same rule replaces the earlier one.
    pub fn acknowledge(&mut self, ack: Ack) {
        self.acks.retain(|other| other.code != ack.code);
        self.acks.push(ack);
        let over = self.acks.len().saturating_sub(Self::ACKS_MAX);
        self.acks.drain(..over);
    }

    /// Takes one back. Answers whether there was one.
    pub fn take_back(&mut self, code: &str) -> bool {
        let before = self.acks.len();
        self.acks.retain(|ack| ack.code != code);
        self.acks.len() < before
    }

    /// Lets go what is over by `now`. Answers what ended: off duty, and how many acknowledgements.
    pub fn expire(&mut self, now: &Moment) -> (Option<OffDuty>, usize) {
        let over = self.off.take_if(|off| !off.span.lasts(now.mono));
        if over.is_some() {
            self.back = Some(now.mono);
        }
        let before = self.acks.len();
        self.acks.retain(|ack| ack.span.lasts(now.mono));
        (over, before - self.acks.len())
    }

    /// Since when the trailer is on duty without a break, by the boot-time clock: a camera is quiet from then on at the
    /// earliest. `None`: it is off duty.
    #[must_use]
    pub fn on_since(&self) -> Option<Mono> {
        if self.off.is_some() { None } else { Some(self.back.unwrap_or(Mono(0))) }
    }

    /// Marks what somebody has in hand. Such a need stays in sight, stands behind the others, and asks for nobody now.
    pub(super) fn mark(&self, needs: &mut [Need]) {
        for need in needs {
            if let Some(ack) = self.acks.iter().find(|ack| ack.is_of(need)) {
                need.ack = Some(Acknowledged { span: ack.span.clone(), urgency: need.urgency });
                need.urgency = Word::Look;
            }
        }
    }
}

/// Who has a need in hand, and how urgent it would be without.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acknowledged {
    /// By whom, and until when.
    pub span: Span,
    /// The urgency of the rule.
    pub urgency: Word,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::{Memory, Snapshot, snapshot};
    use crate::sim::scene::Scene;

    const HOUR_MS: u64 = 3_600_000;

    fn judged(scene: &Scene) -> Snapshot {
        snapshot(&scene.observations(), &mut Memory::default())
    }

    fn acknowledge_first(scene: &mut Scene) {
        let need = judged(scene).needs.remove(0);
        scene.duty.acknowledge(Ack {
            code: need.code.to_owned(),
            what: need.what,
            urgency: need.urgency,
            since: need.since,
            span: Span::begin("T. Wray", ACK_S, &scene.now),
        });
    }

    #[test]
    fn acknowledged_need_stays_in_sight_asks_for_nobody_now_and_is_never_fine() {
        let mut scene = Scene::after_tow();
        assert_eq!(judged(&scene).word, Word::Act);
        acknowledge_first(&mut scene);
        let told = judged(&scene);
        assert_eq!((told.word, told.needs.len()), (Word::Look, 1), "somebody has it in hand, and it is not done");
        let ack = told.needs[0].ack.as_ref().map(|ack| (ack.span.by.as_str(), ack.urgency));
        assert_eq!(ack, Some(("T. Wray", Word::Act)));
        assert!(told.sentence.starts_with("T. Wray has it in hand"), "{}", told.sentence);
    }

    #[test]
    fn acknowledged_need_comes_back_when_it_changes_when_it_returns_and_after_its_time() {
        let changed = {
            let mut scene = Scene::after_tow();
            acknowledge_first(&mut scene);
            scene.intake.cameras[0].label = "North".to_owned();
            scene
        };
        let returned = {
            let mut scene = Scene::after_tow();
            acknowledge_first(&mut scene);
            scene.pass(HOUR_MS);
            let utc = scene.now.utc;
            scene.position.site.iter_mut().for_each(|site| site.arrived = utc);
            scene
        };
        let over = {
            let mut scene = Scene::after_tow();
            acknowledge_first(&mut scene);
            scene.pass(ACK_S * 1000);
            let now = scene.now;
            assert_eq!(scene.duty.expire(&now), (None, 1));
            scene
        };
        for (why, scene) in [("changed", changed), ("returned", returned), ("over", over)] {
            let told = judged(&scene);
            assert_eq!((told.word, &told.needs[0].ack), (Word::Act, &None), "{why}");
        }
    }

    #[test]
    fn more_urgent_need_of_the_same_rule_is_not_the_acknowledged_one() {
        let mut scene = Scene::cut_off();
        let mut memory = Memory::default();
        let _first = snapshot(&scene.observations(), &mut memory);
        let mut need = judged(&Scene::after_tow()).needs.remove(0);
        need.urgency = Word::Look;
        scene.duty.acknowledge(Ack {
            code: need.code.to_owned(),
            what: need.what.clone(),
            urgency: Word::Look,
            since: need.since,
            span: Span::begin("T. Wray", ACK_S, &scene.now),
        });
        assert!(scene.duty.acks[0].is_of(&need));
        need.urgency = Word::Act;
        assert!(!scene.duty.acks[0].is_of(&need));
    }

    #[test]
    fn off_duty_a_quiet_camera_asks_for_nobody_and_afterwards_has_its_time_again() {
        let mut scene = Scene::standing();
        scene.intake.cameras[0].last_read = Some(scene.ago(20 * HOUR_MS));
        assert_eq!(judged(&scene).needs[0].code, "camera.silent");
        let now = scene.now;
        scene.duty.go_off("T. Wray", 6 * 3600, "road works", &now);
        let told = judged(&scene);
        assert_eq!((told.word, told.needs.len()), (Word::Fine, 0));
        assert_eq!(told.sentence, "Off duty until 20:32. Nothing needs you.");
        scene.pass(6 * HOUR_MS);
        let now = scene.now;
        assert!(scene.duty.expire(&now).0.is_some(), "it ends by itself");
        assert_eq!(judged(&scene).needs, [], "a camera that has just come back has had no time to read");
        scene.pass(15 * 60_000);
        assert_eq!(judged(&scene).needs[0].code, "camera.silent");
    }

    #[test]
    fn off_duty_silences_nothing_but_what_is_expected_of_reading() {
        for mut scene in [Scene::after_tow(), Scene::underway()] {
            let before = judged(&scene);
            let now = scene.now;
            scene.duty.go_off("T. Wray", 3600, "road works", &now);
            let told = judged(&scene);
            assert_eq!((told.word, &told.needs), (before.word, &before.needs));
            assert!(told.sentence.starts_with("Off duty until "), "{}", told.sentence);
        }
    }

    #[test]
    fn span_lasts_by_the_boot_time_clock_and_a_set_clock_never_makes_it_longer() {
        let now = Scene::standing().now;
        let span = Span::begin("T. Wray", 3600, &now);
        assert!(span.lasts(now.mono.plus_ms(HOUR_MS - 1)) && !span.lasts(now.mono.plus_ms(HOUR_MS)));
        let resumed = |later_ms: i64| {
            let then = Moment { mono: Mono(1000), utc: now.utc.plus_ms(later_ms), utc_trust: now.utc_trust };
            Span::resumed("T. Wray".to_owned(), span.from, span.until, &then).ends.since_ms(then.mono)
        };
        assert_eq!([resumed(600_000), resumed(-86_400_000), resumed(86_400_000)], [3_000_000, HOUR_MS, 0]);
    }
}
