//! `[ladder]`: what the agent may have done against a broken link.

use super::Ladder;
use super::file::at;
use super::reader::Reader;
use pintle_core::link::ladder::{Rules, Step, StepRule};
use std::ops::RangeInclusive;
use toml::de::DeTable;

/// What holds without `ladder.steps`, as the table of keys says it.
const STEPS: [Step; 3] = [Step::Renew, Step::Cycle, Step::Usb];

/// What a wait and a limit of an hour may be, as for all steps together.
const WAIT_S: RangeInclusive<u64> = 300..=14_400;
const PER_HOUR: RangeInclusive<u64> = 1..=6;

/// `None` without the table: then the agent only tells.
pub(super) fn section<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, linked: bool) -> Option<Ladder> {
    let section = reader.section(root, "ladder");
    section.table?;
    let mistake_at = |name: &str| at(root, "ladder", name);
    if !linked && root.get("link").is_none() {
        let advice = "write [link] with the interface of the tether, or take [ladder] out";
        reader.mistake(mistake_at("steps"), "ladder", "`[ladder]` stands without `[link]`: nothing is watched", advice);
    }
    let steps = match reader.text(section, "steps") {
        None => STEPS.to_vec(),
        Some((text, place)) => {
            let words = text.split(',').map(|word| Step::of_word(word.trim()));
            let mut steps: Vec<Step> = words.clone().flatten().collect();
            let twice = steps.iter().enumerate().any(|(n, step)| steps[..n].contains(step));
            if twice || words.clone().any(|step| step.is_none()) {
                let advice = "write some of renew, cycle, usb, command, reboot, each once, with commas between";
                reader.mistake(Some(place), "ladder.steps", "`ladder.steps` is no list of steps", advice);
            }
            steps.dedup();
            steps
        }
    };
    let ms = |s: u64| s.saturating_mul(1000);
    let wait_ms = ms(reader.whole(section, "wait_s"));
    let mut rule_of = |step: Step| {
        let usual = StepRule::usual(step, wait_ms);
        let Some((text, place)) = reader.text(section, step.word()) else { return usual };
        rule(usual, &text).unwrap_or_else(|| {
            let (key, days) = (format!("ladder.{}", step.word()), step.per_day_max());
            let advice = format!(
                "write parts of `900 s, 1 an hour, 1 a day` with commas between: a wait of {} to {} s, {} to {} an hour, \
                 1 to {days} a day",
                WAIT_S.start(),
                WAIT_S.end(),
                PER_HOUR.start(),
                PER_HOUR.end()
            );
            reader.mistake(Some(place), &key, format!("`{key}` are no limits of a step"), advice);
            usual
        })
    };
    // All of them are read: a mistake in one that is not in use yet is told, too.
    let all = Step::ALL.map(&mut rule_of);
    let rules = Rules {
        first_after_ms: ms(reader.whole(section, "first_after_s")),
        wait_ms,
        per_hour: size(reader.whole(section, "steps_per_hour")),
        resets_per_day: size(reader.whole(section, "resets_per_day")),
        reboots_per_day: size(reader.whole(section, "reboots_per_day")),
        steps: steps.iter().flat_map(|step| all.iter().filter(move |rule| rule.step == *step).copied()).collect(),
    };
    if steps.contains(&Step::Reboot) != (0 < rules.reboots_per_day) {
        reader.mistake(
            mistake_at("reboots_per_day").or_else(|| mistake_at("steps")),
            "ladder.reboots_per_day",
            "`ladder.steps` and `ladder.reboots_per_day` don't agree on restarts of the computer",
            "write `reboot` among the steps and `reboots_per_day = 1`, or neither",
        );
    }
    let socket = reader.path(section, "socket")?;
    Some(Ladder { socket, rules })
}

/// Reads a step's limits, each at most once; what is left out stays as in `usual`.
fn rule(usual: StepRule, text: &str) -> Option<StepRule> {
    let (mut wait, mut hour, mut day) = (None, None, None);
    for part in text.split(',').map(str::trim) {
        let (number, of_what) = part.split_once(' ')?;
        let number = number.parse::<u64>().ok()?;
        let (slot, fits) = match of_what.trim() {
            "s" => (&mut wait, WAIT_S.contains(&number)),
            "an hour" => (&mut hour, PER_HOUR.contains(&number)),
            "a day" => (&mut day, (1..=usual.step.per_day_max()).contains(&size(number))),
            _ => return None,
        };
        if !fits || slot.replace(number).is_some() {
            return None;
        }
    }
    Some(StepRule {
        wait_ms: wait.map_or(usual.wait_ms, |s| s * 1000),
        per_hour: hour.map_or(usual.per_hour, size),
        per_day: day.map_or(usual.per_day, size),
        ..usual
    })
}

fn size(number: u64) -> usize {
    usize::try_from(number).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_of_a_step_are_read_in_any_order_and_what_is_left_out_is_as_usual() {
        let usual = StepRule::usual(Step::Usb, 600_000);
        let read = |text| rule(usual, text).map(|rule| (rule.wait_ms, rule.per_hour, rule.per_day));
        assert_eq!(read("900 s, 1 an hour, 4 a day"), Some((900_000, 1, 4)));
        assert_eq!(read("4 a day,900 s"), Some((900_000, 2, 4)));
        assert_eq!(read("3 an hour"), Some((600_000, 3, 6)));
        for bad in [
            "900",
            "900s",
            "900 min",
            "s",
            "299 s",
            "14401 s",
            "0 an hour",
            "7 an hour",
            "0 a day",
            "7 a day",
            "-1 a day",
            "1 a day, 2 a day",
            "900 s,",
            "900 s 1 an hour",
            "1 hour",
        ] {
            assert_eq!(read(bad), None, "{bad}");
        }
        assert_eq!(rule(StepRule::usual(Step::Renew, 1), "24 a day").map(|rule| rule.per_day), Some(24));
        assert_eq!(rule(StepRule::usual(Step::Reboot, 1), "2 a day"), None);
    }

    #[test]
    fn what_holds_without_the_keys_is_what_the_table_of_keys_says() {
        for step in Step::ALL {
            let usual = StepRule::usual(step, 600_000);
            let bare = StepRule { per_hour: 0, per_day: 0, ..usual };
            let words = crate::config::keys::find("ladder", step.word()).map(|key| key.absent);
            let Some(crate::config::keys::Absent::Word(words)) = words else { panic!("{step:?} has no default") };
            assert_eq!(rule(bare, words), Some(usual));
        }
    }
}
