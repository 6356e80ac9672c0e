//! `[ladder]`: what the agent may have done against a broken link.

use super::Ladder;
use super::file::at;
use super::reader::Reader;
use pintle_core::link::ladder::{Rules, Step};
use toml::de::DeTable;

/// What holds without `ladder.steps`, as the table of keys says it.
const STEPS: [Step; 3] = [Step::Renew, Step::Cycle, Step::Usb];

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
    let size = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
    let rules = Rules {
        first_after_ms: ms(reader.whole(section, "first_after_s")),
        wait_ms: ms(reader.whole(section, "wait_s")),
        per_hour: size(reader.whole(section, "steps_per_hour")),
        resets_per_day: size(reader.whole(section, "resets_per_day")),
        reboots_per_day: size(reader.whole(section, "reboots_per_day")),
        steps,
    };
    if rules.steps.contains(&Step::Reboot) != (0 < rules.reboots_per_day) {
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
