//! The recovery ladder's memory over restarts, and what it tells people. No plate.

use super::notice::NoticeBody;
use crate::link::ladder::{LadderMemory, Pulled, Step, Taken};
use crate::link::rung::{Finding, Rung};
use crate::link::words::told;
use crate::moment::{Moment, Mono, Utc};
use serde::{Deserialize, Serialize};

/// Name and version of the format.
pub const FORMAT: &str = "pintle.ladder.v1";
/// A finding of an earlier process holds if that process saw it this short a time ago, ms: the memory is written each
/// minute while the link is broken (our own limit).
const FRESH_MS: u64 = 120_000;

/// The kept memory.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptLadder {
    /// [`FORMAT`].
    pub format: String,
    /// The kernel's id of the boot in which it was written.
    pub boot: String,
    /// When it was written, ms since that boot.
    pub seen: u64,
    /// Since when the link was broken so that steps could help, ms since that boot.
    #[serde(default)]
    pub broken_since: Option<u64>,
    /// Which step comes next.
    #[serde(default)]
    pub step_index: usize,
    /// How often all steps were gone through.
    #[serde(default)]
    pub rounds: u32,
    /// Steps that were taken, oldest first.
    #[serde(default)]
    pub steps: Vec<KeptStep>,
}

/// One step.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptStep {
    /// The lever's word.
    pub step: String,
    /// Against which rung.
    pub rung: String,
    /// When, ms since 1970.
    pub at: i64,
    /// Whether the clock was known to be right then; absent: no.
    #[serde(default, skip_serializing_if = "is_default")]
    pub dated: bool,
    /// When, ms since the boot in which this file was written; absent: in an earlier one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mono: Option<u64>,
    /// How old it surely was at that boot, ms; absent: 0.
    #[serde(default, skip_serializing_if = "is_default")]
    pub aged_ms: u64,
    /// Whether it helped; absent: not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub helped: Option<bool>,
}

fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

impl KeptLadder {
    /// What has to be kept now.
    #[must_use]
    pub fn of(memory: &LadderMemory, boot: &str, now: Mono) -> Self {
        let steps = memory.taken.iter().map(|one| KeptStep {
            step: one.step.word().to_owned(),
            rung: one.rung.word().to_owned(),
            at: one.at.0,
            dated: one.dated,
            mono: one.mono.map(|mono| mono.0),
            aged_ms: one.aged_ms,
            helped: one.helped,
        });
        Self {
            format: FORMAT.to_owned(),
            boot: boot.to_owned(),
            seen: now.0,
            broken_since: memory.broken_since.map(|mono| mono.0),
            step_index: memory.step_index,
            rounds: memory.rounds,
            steps: steps.collect(),
        }
    }

    /// Reads it; what can't be read is as if it had never been kept. The lever has its own memory.
    #[must_use]
    pub fn parse(text: &[u8]) -> Self {
        let kept: Option<Self> = serde_json::from_slice(text).ok();
        kept.filter(|kept| kept.format == FORMAT).unwrap_or_default()
    }

    /// What a process of this boot goes on from.
    #[must_use]
    pub fn memory(&self, boot: &str, now: Mono) -> LadderMemory {
        let same_boot = self.boot == boot;
        // What this file knows of an age at its writing is the least that is true in the next life of the computer.
        let aged_ms = |one: &KeptStep| match one.mono {
            _ if same_boot => one.aged_ms,
            Some(mono) => self.seen.saturating_sub(mono),
            None => one.aged_ms.saturating_add(self.seen),
        };
        let taken = self.steps.iter().filter_map(|one| {
            Some(Taken {
                step: Step::of_word(&one.step)?,
                rung: Rung::of_word(&one.rung)?,
                at: Utc(one.at),
                dated: one.dated,
                helped: one.helped,
                mono: one.mono.map(Mono).filter(|_| same_boot),
                aged_ms: aged_ms(one),
            })
        });
        let fresh = same_boot && now.since_ms(Mono(self.seen)) <= FRESH_MS;
        LadderMemory {
            taken: taken.collect(),
            broken_since: self.broken_since.map(Mono).filter(|_| fresh),
            step_index: self.step_index,
            rounds: self.rounds,
        }
    }
}

impl NoticeBody {
    /// What a step of the ladder was, against what, and whether it helped.
    #[must_use]
    pub fn of_step(taken: &Taken, now: &Moment) -> Self {
        let short = told(&Finding::bare(taken.rung), "").short.to_lowercase();
        let after = taken.age_ms(now.mono) / 1000;
        let outcome = match (taken.helped, taken.mono) {
            (None, _) => "Whether it helps is not known yet.".to_owned(),
            (Some(true), Some(_)) => format!("It helped: the way was whole {after} s later."),
            (Some(true), None) => format!("It helped: the way was whole {after} s after the start."),
            (Some(false), _) => format!("It did not help within {after} s."),
        };
        let text =
            format!("At {} the agent {}, because of \"{short}\". {outcome}", taken.at.to_rfc3339(), taken.step.told());
        Self::new("link-step", false, now.utc, text, "")
    }

    /// A step of the ladder against a rung that could not be taken, failed, or of which nobody can say; `why` and what
    /// to do.
    #[must_use]
    pub fn of_failed_step(
        step: Step,
        (rung, pulled): (Rung, Pulled),
        [why, advice]: [&String; 2],
        now: &Moment,
    ) -> Self {
        let short = told(&Finding::bare(rung), "").short.to_lowercase();
        let step = format!("the step \"{}\" against \"{short}\"", step.word());
        let text = match pulled {
            Pulled::Done => format!("Of {step} it is not known whether it was carried out: {why}."),
            Pulled::Failed => format!("At {} {step} failed: {why}.", now.utc.to_rfc3339()),
            Pulled::NotDone => format!("T{} was not carried out: {why}.", &step[1..]),
        };
        Self::new("link-step-failed", false, now.utc, text, advice)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::moment::UtcTrust;

    fn taken(helped: Option<bool>) -> Taken {
        let at = Utc(1_795_608_000_000);
        let mono = Some(Mono(400_000));
        Taken { step: Step::Renew, rung: Rung::NoAddress, at, dated: true, helped, mono, aged_ms: 0 }
    }

    #[test]
    fn memory_comes_back_in_the_same_boot_and_as_history_in_another() {
        let memory = LadderMemory {
            taken: vec![taken(None), taken(Some(false))],
            broken_since: Some(Mono(100_000)),
            step_index: 2,
            rounds: 3,
        };
        let kept = KeptLadder::of(&memory, "a", Mono(500_000));
        let again = KeptLadder::parse(&serde_json::to_vec(&kept).unwrap());
        assert_eq!(again.memory("a", Mono(620_000)), memory);
        assert_eq!(again.memory("a", Mono(621_000)).broken_since, None, "nobody looked for two minutes");
        let other = again.memory("b", Mono(5000));
        assert_eq!((other.broken_since, other.taken.len(), other.taken[0].mono), (None, 2, None));
        for bad in ["", "{}", "[]", r#"{"format":"pintle.ladder.v9"}"#] {
            assert_eq!(KeptLadder::parse(bad.as_bytes()), KeptLadder::default(), "{bad}");
        }
    }

    #[test]
    fn age_of_a_step_is_carried_from_life_to_life_and_an_old_file_knows_no_clock() {
        let memory = LadderMemory { taken: vec![taken(Some(false))], ..LadderMemory::default() };
        let next = |memory: &LadderMemory, lived_ms: u64, boots: [&str; 2]| {
            let text = serde_json::to_vec(&KeptLadder::of(memory, boots[0], Mono(lived_ms))).unwrap();
            KeptLadder::parse(&text).memory(boots[1], Mono(5000))
        };
        let second = next(&memory, 1_000_000, ["a", "b"]);
        assert_eq!((second.taken[0].aged_ms, second.taken[0].mono, second.taken[0].dated), (600_000, None, true));
        let again = next(&second, 3_000_000, ["b", "b"]);
        assert_eq!(again, second, "the same life adds nothing twice");
        assert_eq!(next(&second, 3_000_000, ["b", "c"]).taken[0].aged_ms, 3_600_000);
        let old = br#"{"format":"pintle.ladder.v1","boot":"a","seen":500000,"steps":[
            {"step":"usb","rung":"no-carrier","at":1795608000000,"mono":400000,"helped":false}]}"#;
        let taken = KeptLadder::parse(old).memory("b", Mono(5000)).taken;
        assert_eq!(taken.iter().map(|one| (one.dated, one.aged_ms)).collect::<Vec<_>>(), [(false, 100_000)]);
    }

    #[test]
    fn notice_says_what_was_done_against_what_and_whether_it_helped() {
        let now = Moment { mono: Mono(440_000), utc: Utc(1_795_608_040_000), utc_trust: UtcTrust::Gps };
        let text = |helped| NoticeBody::of_step(&taken(helped), &now).text;
        assert!(text(Some(true)).contains("asked for a new address, because of \"no address\". It helped"));
        assert!(text(Some(true)).ends_with("whole 40 s later."), "{}", text(Some(true)));
        assert!(text(Some(false)).ends_with("It did not help within 40 s."));
        let words = ["nobody answers", "look"].map(str::to_owned);
        let failed = |how| NoticeBody::of_failed_step(Step::Usb, (Rung::NoCarrier, how), [&words[0], &words[1]], &now);
        let one = failed(Pulled::NotDone);
        assert_eq!((one.kind.as_str(), one.urgent, one.advice.as_str()), ("link-step-failed", false, "look"));
        assert_eq!(one.text, "The step \"usb\" against \"no carrier\" was not carried out: nobody answers.");
        assert!(
            failed(Pulled::Failed).text.ends_with("the step \"usb\" against \"no carrier\" failed: nobody answers.")
        );
        assert!(failed(Pulled::Done).text.contains("it is not known whether it was carried out"));
    }
}
