//! The recovery ladder: what may be done against a broken link, in which order, how often, and when not.
//!
//! Limits are common practice without a source unless said otherwise; the lever keeps its own beside them, durably.

use super::rung::Rung;
use crate::moment::{Moment, Mono, Utc};
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

    /// At most so often in a day, whatever is configured.
    #[must_use]
    pub fn per_day_max(self) -> usize {
        match self {
            Self::Renew => RENEWS_PER_DAY_MAX,
            Self::Cycle | Self::Usb | Self::Command => RESETS_PER_DAY_MAX,
            Self::Reboot => REBOOTS_PER_DAY_MAX,
        }
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

/// What the owner allows of one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StepRule {
    /// Which.
    pub step: Step,
    /// From this step to the next, whichever that is, ms; doubled after each round of all steps, up to four hours.
    pub wait_ms: u64,
    /// So often in an hour.
    pub per_hour: usize,
    /// So often in a day; never more than [`Step::per_day_max`].
    pub per_day: usize,
}

impl StepRule {
    /// What holds if the owner says nothing of it (common practice, no source): a new address costs nothing, resets
    /// share their six a day.
    #[must_use]
    pub fn usual(step: Step, wait_ms: u64) -> Self {
        let (per_hour, per_day) = match step {
            Step::Renew => (2, 12),
            Step::Cycle | Step::Usb | Step::Command => (2, RESETS_PER_DAY_MAX),
            Step::Reboot => (1, REBOOTS_PER_DAY_MAX),
        };
        Self { step, wait_ms, per_hour, per_day }
    }
}

/// What the owner allows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rules {
    /// The steps, in the order in which they are tried, each once.
    pub steps: Vec<StepRule>,
    /// From the finding to the first step, ms; at least five minutes.
    pub first_after_ms: u64,
    /// From one step to the next, ms, after a step that the owner has meanwhile taken out.
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
/// At most so many new addresses in a day, whatever is configured (common practice, no source).
pub const RENEWS_PER_DAY_MAX: usize = 24;
/// A step that is due waits no longer than this for reads that are being written, ms: a disk that hangs must not keep
/// the link broken (our own limit; a commit takes milliseconds, on a poor card seconds).
pub const WRITES_WAIT_MS: u64 = 60_000;
/// A restart of the computer only after the link was broken for this long, ms (catalogue of faults, 69: twelve hours).
pub const REBOOT_AFTER_MS: u64 = 12 * 3_600_000;
/// The pause between steps grows no longer than this, ms.
const WAIT_MS_MAX: u64 = 4 * 3_600_000;
/// A step that is followed by a whole link within this has helped, ms.
const HELPED_WITHIN_MS: u64 = 300_000;
/// Steps that are remembered.
const KEPT_MAX: usize = 200;
const HOUR_MS: u64 = 3_600_000;
const DAY_MS: u64 = 24 * HOUR_MS;

/// One step that was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Taken {
    /// Which.
    pub step: Step,
    /// Against what.
    pub rung: Rung,
    /// When, by the host's clock.
    pub at: Utc,
    /// Whether that clock was known to be right then.
    pub dated: bool,
    /// Whether the link was whole soon after; `None`: not known yet.
    pub helped: Option<bool>,
    /// When, in this life of the computer; `None`: in an earlier one.
    pub mono: Option<Mono>,
    /// How old it surely was when this life of the computer began, ms: what is known of the lives before. 0 if it was
    /// taken in this one.
    pub aged_ms: u64,
}

impl Taken {
    /// How long ago, ms, as far as this life of the computer can tell: a step of an earlier one is as old as this life.
    #[must_use]
    pub fn age_ms(&self, now: Mono) -> u64 {
        self.mono.map_or(now.0, |mono| now.since_ms(mono))
    }

    /// True if it is surely older than `span_ms`. In one life of the computer the clock that nobody sets decides. Of a
    /// step of an earlier life the host's clock tells the age only if it was known to be right both then and now; else
    /// the lives that are known since count, without the time between them.
    fn is_older(&self, span_ms: u64, now: &Moment) -> bool {
        let lived_ms = self.age_ms(now.mono).saturating_add(self.aged_ms);
        let dated = self.mono.is_none() && self.dated && now.utc_trust.is_trusted();
        span_ms <= lived_ms || (dated && u64::try_from(now.utc.since_ms(self.at)).is_ok_and(|ms| span_ms <= ms))
    }
}

/// What must outlive a restart of the agent, so that a new process has no new allowance and does not wait anew.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LadderMemory {
    /// The steps that were taken, oldest first.
    pub taken: Vec<Taken>,
    /// Since when the link is broken so that steps could help, in this life of the computer.
    pub broken_since: Option<Mono>,
    /// Which step comes next.
    pub step_index: usize,
    /// How often all of them were gone through.
    pub rounds: u32,
}

/// How a step ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pulled {
    /// It was done, or nobody can say that it was not: it counts.
    Done,
    /// It was begun and failed: it counts, and did not help.
    Failed,
    /// Nothing was done: it counts for nothing.
    NotDone,
}

/// What may still be done today.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Left {
    /// Steps of any kind in this hour.
    pub hour: usize,
    /// Resets today.
    pub resets: usize,
    /// Restarts of the computer today.
    pub reboots: usize,
}

/// What the ladder sees.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// Now.
    pub now: Moment,
    /// The finding, and since when it is this one.
    pub finding: (Rung, Mono),
    /// Something is on its way.
    pub moving: bool,
    /// Reads are being written: a step waits for them, [`WRITES_WAIT_MS`] at most.
    pub writing: bool,
    /// False if nobody can tell whether the link is broken or what lies behind it: nothing is done then.
    pub sure: bool,
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
    /// The step that the pause follows.
    last_step: Option<Step>,
    /// Since when a step that is due waits for reads that are being written.
    held_since: Option<Mono>,
}

impl Ladder {
    /// A ladder under those rules, cut to the limits that no configuration may exceed.
    #[must_use]
    pub fn new(rules: Rules) -> Self {
        let cut = |rule: StepRule| StepRule { per_day: rule.per_day.min(rule.step.per_day_max()), ..rule };
        let rules = Rules {
            steps: rules.steps.into_iter().map(cut).collect(),
            first_after_ms: rules.first_after_ms.max(FIRST_AFTER_MS_MIN),
            resets_per_day: rules.resets_per_day.min(RESETS_PER_DAY_MAX),
            reboots_per_day: rules.reboots_per_day.min(REBOOTS_PER_DAY_MAX),
            ..rules
        };
        Self {
            rules,
            taken: VecDeque::new(),
            broken_since: None,
            rung_index: 0,
            rounds: 0,
            running: false,
            last: None,
            last_step: None,
            held_since: None,
        }
    }

    /// Takes up what an earlier process remembered: its steps count for the limits and for the pause after them.
    pub fn resume(&mut self, memory: LadderMemory) {
        let last = memory.taken.iter().filter_map(|one| Some((one.mono?, one.step))).max_by_key(|(mono, _)| *mono);
        (self.last, self.last_step) = last.unzip();
        self.taken.extend(memory.taken);
        self.broken_since = memory.broken_since;
        self.rung_index = memory.step_index.min(self.rules.steps.len().saturating_sub(1));
        self.rounds = memory.rounds;
        self.trim();
    }

    /// What must outlive a restart.
    #[must_use]
    pub fn memory(&self) -> LadderMemory {
        LadderMemory {
            taken: self.taken.iter().copied().collect(),
            broken_since: self.broken_since,
            step_index: self.rung_index,
            rounds: self.rounds,
        }
    }

    /// What may still be done.
    #[must_use]
    pub fn left(&self, now: &Moment) -> Left {
        Left {
            hour: self.rules.per_hour.saturating_sub(self.within(HOUR_MS, now, |_| true)),
            resets: self.rules.resets_per_day.saturating_sub(self.within(DAY_MS, now, Step::is_reset)),
            reboots: self.rules.reboots_per_day.saturating_sub(self.within(DAY_MS, now, |one| one == Step::Reboot)),
        }
    }

    /// Steps taken in the last 24 hours.
    #[must_use]
    pub fn day(&self, now: &Moment) -> usize {
        self.within(DAY_MS, now, |_| true)
    }

    /// The step that comes next if the link stays as it is, and when at the soonest; `None`: nothing is broken that a
    /// step could help, or nothing is allowed now.
    #[must_use]
    pub fn next(&self, rung: Rung, now: &Moment) -> Option<(Step, Mono)> {
        let broken_since = self.broken_since?;
        let first = broken_since.plus_ms(self.rules.first_after_ms);
        let at = self.last.map_or(first, |last| first.max(last.plus_ms(self.pause_ms())));
        let count = self.rules.steps.len();
        let order = (0..count).map(|n| self.rules.steps[(self.rung_index + n) % count]);
        let then = Moment { mono: at.max(now.mono), ..*now };
        order
            .into_iter()
            .find(|rule| rule.step.helps(rung) && self.allowed(rule, broken_since, &then))
            .map(|rule| (rule.step, at))
    }

    /// The steps that are remembered, oldest first.
    #[must_use]
    pub fn taken(&self) -> &VecDeque<Taken> {
        &self.taken
    }

    /// What to do now, if anything. Whoever asks does it, and then says [`Self::done`]. Answers also the steps whose
    /// outcome has become clear.
    pub fn look(&mut self, seen: &Seen) -> (Option<Step>, Vec<Taken>) {
        let (now, (rung, since)) = (seen.now.mono, seen.finding);
        let told = self.judge_outcomes(rung, now);
        // Nothing is proved either way: what was found before neither holds nor is over.
        if rung == Rung::Unproven || (rung.broken() && !seen.sure) {
            return (None, told);
        }
        // A fault beyond the link, or none: the ladder begins at its foot the next time, but what was done still
        // counts.
        if !Step::ALL.into_iter().any(|step| step.helps(rung)) {
            (self.broken_since, self.held_since) = (None, None);
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
        if self.running || seen.moving || !waited || !rested || self.rules.steps.is_empty() {
            return (None, told);
        }
        if seen.writing && now.since_ms(*self.held_since.get_or_insert(now)) < WRITES_WAIT_MS {
            return (None, told);
        }
        self.held_since = None;
        for _ in 0..self.rules.steps.len() {
            let rule = self.rules.steps[self.rung_index];
            let step = rule.step;
            self.rung_index += 1;
            if self.rung_index == self.rules.steps.len() {
                self.rung_index = 0;
                self.rounds = self.rounds.saturating_add(1);
            }
            if step.helps(rung) && self.allowed(&rule, broken_since, &seen.now) {
                self.running = true;
                (self.last, self.last_step) = (Some(now), Some(step));
                let (at, dated) = (seen.now.utc, seen.now.utc_trust.is_trusted());
                self.taken.push_back(Taken { step, rung, at, dated, helped: None, mono: Some(now), aged_ms: 0 });
                self.trim();
                return (Some(step), told);
            }
        }
        // Nothing is allowed now: look again after a pause, not at once.
        self.last = self.last.max(Some(now.minus_ms(self.pause_ms() / 2)));
        (None, told)
    }

    /// The lever has answered, or will not. Answers the step as it is remembered then.
    pub fn done(&mut self, pulled: Pulled) -> Option<Taken> {
        self.running = false;
        match pulled {
            Pulled::Done => self.taken.back().copied(),
            Pulled::Failed => {
                let last = self.taken.back_mut()?;
                last.helped = Some(false);
                Some(*last)
            }
            Pulled::NotDone => self.taken.pop_back(),
        }
    }

    /// The pause after the last step: its own wait, longer after each round.
    fn pause_ms(&self) -> u64 {
        let own = self.rules.steps.iter().find(|rule| Some(rule.step) == self.last_step);
        let wait_ms = own.map_or(self.rules.wait_ms, |rule| rule.wait_ms);
        wait_ms.saturating_mul(1 << self.rounds.min(10)).min(WAIT_MS_MAX.max(wait_ms))
    }

    /// Steps that may lie within the last `span_ms`: all but those that are surely older.
    fn within(&self, span_ms: u64, now: &Moment, which: impl Fn(Step) -> bool) -> usize {
        self.taken.iter().filter(|one| which(one.step) && !one.is_older(span_ms, now)).count()
    }

    fn allowed(&self, rule: &StepRule, broken_since: Mono, now: &Moment) -> bool {
        let (step, left) = (rule.step, self.left(now));
        let own = |span_ms: u64| self.within(span_ms, now, |one| one == step);
        if left.hour == 0 || rule.per_hour <= own(HOUR_MS) || rule.per_day <= own(DAY_MS) {
            return false;
        }
        match step {
            Step::Renew => true,
            Step::Cycle | Step::Usb | Step::Command => 0 < left.resets,
            Step::Reboot => 0 < left.reboots && REBOOT_AFTER_MS <= now.mono.since_ms(broken_since),
        }
    }

    fn judge_outcomes(&mut self, rung: Rung, now: Mono) -> Vec<Taken> {
        let mut told = Vec::new();
        if self.running {
            return told;
        }
        for one in self.taken.iter_mut().filter(|one| one.helped.is_none()) {
            let age_ms = one.age_ms(now);
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
