//! The recovery ladder: what may be done against a broken link, in which order, how often, and when not.
//!
//! Limits are common practice without a source unless said otherwise; the lever keeps its own beside them, durably.

use super::rung::Rung;
use crate::moment::{Mono, Utc};
use std::collections::VecDeque;

/// The verbs that the lever knows, gentlest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Step {
    /// Ask for a new address.
    Renew,
    /// Switch the interface off and on.
    Cycle,
    /// Take the USB device's permission away and give it back: as if it were plugged in anew.
    Usb,
    /// The owner's own command.
    Command,
    /// Start the computer again.
    Reboot,
}

impl Step {
    /// All of them, gentlest first.
    pub const ALL: [Self; 5] = [Self::Renew, Self::Cycle, Self::Usb, Self::Command, Self::Reboot];

    /// The word that the lever is told, and that stands in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Renew => "renew",
            Self::Cycle => "cycle",
            Self::Usb => "usb",
            Self::Command => "command",
            Self::Reboot => "reboot",
        }
    }

    /// The step with that word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|step| step.word() == word)
    }

    /// What was done, for people.
    #[must_use]
    pub fn told(self) -> &'static str {
        match self {
            Self::Renew => "asked for a new address",
            Self::Cycle => "switched the tether's interface off and on",
            Self::Usb => "plugged the cellular device in anew, by software",
            Self::Command => "ran the owner's command",
            Self::Reboot => "started the computer again",
        }
    }

    /// True if it makes the cellular device begin anew.
    #[must_use]
    pub fn is_reset(self) -> bool {
        matches!(self, Self::Cycle | Self::Usb | Self::Command)
    }

    /// Whether it can help against a link that is broken there.
    #[must_use]
    pub fn helps(self, rung: Rung) -> bool {
        match rung {
            // Nothing is there, or nothing but a cable and a person can help.
            Rung::Absent => matches!(self, Self::Command | Self::Reboot),
            // A restart of the host does not change what the device is set to.
            Rung::ChargingOnly => matches!(self, Self::Usb | Self::Command),
            Rung::NoCarrier => matches!(self, Self::Cycle | Self::Usb | Self::Command | Self::Reboot),
            Rung::NoAddress | Rung::NoRoute | Rung::GatewaySilent | Rung::NamesFail | Rung::TcpBlocked => true,
            // What lies beyond the link, or wants a decision: no reset changes it.
            Rung::OtherRoute
            | Rung::Portal
            | Rung::ClockWrong
            | Rung::TlsFails
            | Rung::LargeLost
            | Rung::ReceiverSilent
            | Rung::ReceiverRefuses
            | Rung::Slow
            | Rung::Unproven
            | Rung::Up => false,
        }
    }
}

/// What the owner allows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rules {
    /// The steps, in the order in which they are tried.
    pub steps: Vec<Step>,
    /// From the finding to the first step, ms; at least five minutes.
    pub first_after_ms: u64,
    /// From one step to the next, ms; doubled after each round of all steps, up to four hours.
    pub wait_ms: u64,
    /// Steps of any kind in an hour.
    pub per_hour: usize,
    /// Resets (cycle, usb, command) in a day.
    pub resets_per_day: usize,
    /// Restarts of the computer in a day; 0: never.
    pub reboots_per_day: usize,
}

/// The first step comes no sooner than this after the finding, ms (issue: 5 min).
pub const FIRST_AFTER_MS_MIN: u64 = 300_000;
/// At most so many resets in a day, whatever is configured (issue).
pub const RESETS_PER_DAY_MAX: usize = 6;
/// At most so many restarts of the computer in a day, whatever is configured (issue).
pub const REBOOTS_PER_DAY_MAX: usize = 1;
/// A restart of the computer only after the link was broken for this long, ms (catalogue of faults, 69: twelve hours).
pub const REBOOT_AFTER_MS: u64 = 12 * 3_600_000;
/// The pause between steps grows no longer than this, ms.
const WAIT_MS_MAX: u64 = 4 * 3_600_000;
/// A step that is followed by a whole link within this has helped, ms.
const HELPED_WITHIN_MS: u64 = 300_000;
/// Steps that are remembered.
const KEPT_MAX: usize = 200;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// One step that was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Taken {
    /// Which.
    pub step: Step,
    /// Against what.
    pub rung: Rung,
    /// When, by the host's clock.
    pub at: Utc,
    /// Whether the link was whole soon after; `None`: not known yet.
    pub helped: Option<bool>,
    /// When, in this life of the computer; `None`: in an earlier one.
    mono: Option<Mono>,
}

/// What the ladder sees.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// Now.
    pub now: (Mono, Utc),
    /// The finding, and since when it is this one.
    pub finding: (Rung, Mono),
    /// Something is on its way.
    pub moving: bool,
}

/// The ladder.
#[derive(Clone, Debug)]
pub struct Ladder {
    rules: Rules,
    taken: VecDeque<Taken>,
    broken_since: Option<Mono>,
    rung_index: usize,
    rounds: u32,
    running: bool,
    last: Option<Mono>,
}

impl Ladder {
    /// A ladder under those rules, cut to the limits that no configuration may exceed.
    #[must_use]
    pub fn new(rules: Rules) -> Self {
        let rules = Rules {
            first_after_ms: rules.first_after_ms.max(FIRST_AFTER_MS_MIN),
            resets_per_day: rules.resets_per_day.min(RESETS_PER_DAY_MAX),
            reboots_per_day: rules.reboots_per_day.min(REBOOTS_PER_DAY_MAX),
            ..rules
        };
        Self { rules, taken: VecDeque::new(), broken_since: None, rung_index: 0, rounds: 0, running: false, last: None }
    }

    /// Takes up the steps that an earlier process took: they count for the limits.
    pub fn resume(&mut self, steps: impl IntoIterator<Item = (Step, Rung, Utc, Option<bool>)>) {
        let steps = steps.into_iter().map(|(step, rung, at, helped)| {
            // A step whose outcome nobody saw ended with the process: it did not help in time.
            Taken { step, rung, at, helped: helped.or(Some(false)), mono: None }
        });
        self.taken.extend(steps);
        self.trim();
    }

    /// The steps that are remembered, oldest first.
    #[must_use]
    pub fn taken(&self) -> &VecDeque<Taken> {
        &self.taken
    }

    /// What to do now, if anything. Whoever asks does it, and then says [`Self::done`]. Answers also the steps whose
    /// outcome has become clear.
    pub fn look(&mut self, seen: &Seen) -> (Option<Step>, Vec<Taken>) {
        let (now, (rung, since)) = (seen.now.0, seen.finding);
        let told = self.judge_outcomes(rung, now);
        // A fault beyond the link, or none: the ladder begins at its foot the next time, but what was done still
        // counts.
        if !Step::ALL.into_iter().any(|step| step.helps(rung)) {
            self.broken_since = None;
            self.rung_index = 0;
            // An hour of a whole link ends the growth of the pauses; a flutter does not.
            if !rung.broken() && self.last.is_none_or(|last| 3_600_000 <= now.since_ms(last)) {
                self.rounds = 0;
            }
            return (None, told);
        }
        let broken_since = *self.broken_since.get_or_insert(since);
        let waited = self.rules.first_after_ms <= now.since_ms(broken_since);
        let rested = self.last.is_none_or(|last| self.pause_ms() <= now.since_ms(last));
        if self.running || seen.moving || !waited || !rested {
            return (None, told);
        }
        for _ in 0..self.rules.steps.len() {
            let step = self.rules.steps[self.rung_index];
            self.rung_index += 1;
            if self.rung_index == self.rules.steps.len() {
                self.rung_index = 0;
                self.rounds = self.rounds.saturating_add(1);
            }
            if step.helps(rung) && self.allowed(step, broken_since, seen.now) {
                self.running = true;
                self.last = Some(now);
                self.taken.push_back(Taken { step, rung, at: seen.now.1, helped: None, mono: Some(now) });
                self.trim();
                return (Some(step), told);
            }
        }
        // Nothing is allowed now: look again after a pause, not at once.
        self.last = self.last.max(Some(now.minus_ms(self.pause_ms() / 2)));
        (None, told)
    }

    /// The lever has answered: the step was done, or refused or failed and so does not count as having been tried.
    pub fn done(&mut self, carried_out: bool) {
        self.running = false;
        if !carried_out && let Some(last) = self.taken.back_mut() {
            last.helped = Some(false);
        }
    }

    fn pause_ms(&self) -> u64 {
        self.rules.wait_ms.saturating_mul(1 << self.rounds.min(10)).min(WAIT_MS_MAX.max(self.rules.wait_ms))
    }

    /// Counted in both clocks, and the larger count holds: a clock that is set back or forward frees nothing.
    fn within(&self, span_ms: i64, now: (Mono, Utc), which: impl Fn(Step) -> bool) -> usize {
        let recent = |one: &&Taken| {
            let by_mono = one.mono.map(|mono| i64::try_from(now.0.since_ms(mono)).unwrap_or(i64::MAX) < span_ms);
            // An earlier life's step counts unless it is surely old; one "in the future" counts.
            by_mono.unwrap_or_else(|| now.1.since_ms(one.at) < span_ms)
        };
        self.taken.iter().filter(|one| which(one.step)).filter(recent).count()
    }

    fn allowed(&self, step: Step, broken_since: Mono, now: (Mono, Utc)) -> bool {
        if self.rules.per_hour <= self.within(HOUR_MS, now, |_| true) {
            return false;
        }
        if step.is_reset() {
            return self.within(DAY_MS, now, Step::is_reset) < self.rules.resets_per_day;
        }
        if step == Step::Reboot {
            let long = REBOOT_AFTER_MS <= now.0.since_ms(broken_since);
            return long && self.within(DAY_MS, now, |one| one == Step::Reboot) < self.rules.reboots_per_day;
        }
        true
    }

    fn judge_outcomes(&mut self, rung: Rung, now: Mono) -> Vec<Taken> {
        let mut told = Vec::new();
        for one in self.taken.iter_mut().filter(|one| one.helped.is_none()) {
            let age_ms = one.mono.map_or(u64::MAX, |mono| now.since_ms(mono));
            // An answer from the receiver, even a refusal, shows a whole link.
            if !rung.ours() && rung != Rung::Unproven {
                one.helped = Some(age_ms <= HELPED_WITHIN_MS);
            } else if HELPED_WITHIN_MS < age_ms {
                one.helped = Some(false);
            }
            if one.helped.is_some() {
                told.push(*one);
            }
        }
        told
    }

    fn trim(&mut self) {
        let over = self.taken.len().saturating_sub(KEPT_MAX);
        self.taken.drain(..over);
    }
}

#[cfg(test)]
mod tests;
