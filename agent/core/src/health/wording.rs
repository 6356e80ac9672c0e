//! Times, ages, amounts and lists in people's words. Times are UTC and say so where they stand alone.

use super::{Life, Need, Observations, Word};
use crate::geo::LatLon;
use crate::ids::printable;
use crate::moment::{Utc, civil_from_days};

const DAY_MS: i64 = 86_400_000;
const DAYS: [&str; 7] = ["Thu", "Fri", "Sat", "Sun", "Mon", "Tue", "Wed"];
const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// How urgent a need is, in people's words: "now" for `act`, "soon" for all that can wait. One pair, on the page, in
/// notes, on the terminal and in the survey; `act` and `look` are the words of files.
#[must_use]
pub fn when(urgency: &str) -> &'static str {
    if urgency == Word::Act.word() { "now" } else { "soon" }
}

/// "14:32" if it is on the same day as `now`, else with the day: "Thu 7 May 09:12", or with the year when that differs.
#[must_use]
pub fn clock(at: Utc, now: Utc) -> String {
    let same_day = at.0.div_euclid(DAY_MS) == now.0.div_euclid(DAY_MS);
    let (hour, minute, _) = time_of_day(at);
    if same_day { format!("{hour:02}:{minute:02}") } else { format!("{} {hour:02}:{minute:02}", day(at, now)) }
}

/// "14:32:10".
#[must_use]
pub fn clock_seconds(at: Utc) -> String {
    let (hour, minute, second) = time_of_day(at);
    format!("{hour:02}:{minute:02}:{second:02}")
}

/// "Thu 7 May", with the year when it is another one than that of `now`.
#[must_use]
pub fn day(at: Utc, now: Utc) -> String {
    let days = at.0.div_euclid(DAY_MS);
    let (year, month, day) = civil_from_days(days);
    let weekday = pick(&DAYS, days.rem_euclid(7));
    let month = pick(&MONTHS, month - 1);
    let this_year = civil_from_days(now.0.div_euclid(DAY_MS)).0;
    if year == this_year { format!("{weekday} {day} {month}") } else { format!("{weekday} {day} {month} {year}") }
}

fn pick(words: &[&'static str], at: i64) -> &'static str {
    usize::try_from(at).ok().and_then(|at| words.get(at)).copied().unwrap_or("?")
}

fn time_of_day(at: Utc) -> (i64, i64, i64) {
    let s = at.0.rem_euclid(DAY_MS) / 1000;
    (s / 3600, s / 60 % 60, s % 60)
}

/// "2 s", "7 min", "2 h 40 min", "5 d 5 h": two units at most, cut, never rounded up.
#[must_use]
pub fn span(ms: u64) -> String {
    let s = ms / 1000;
    match s {
        0..=119 => format!("{s} s"),
        120..=7199 => format!("{} min", s / 60),
        7200..=172_799 => two(s / 3600, "h", s / 60 % 60, "min"),
        _ => two(s / 86_400, "d", s / 3600 % 24, "h"),
    }
}

fn two(large: u64, large_unit: &str, small: u64, small_unit: &str) -> String {
    if small == 0 { format!("{large} {large_unit}") } else { format!("{large} {large_unit} {small} {small_unit}") }
}

/// Thousands with a comma: "1,284,907".
#[must_use]
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (at, digit) in digits.chars().enumerate() {
        if 0 < at && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// "3 reads", "1 read", "no reads": the noun is given in the singular and takes an s.
#[must_use]
pub fn amount(n: u64, noun: &str) -> String {
    match n {
        0 => format!("no {noun}s"),
        1 => format!("1 {noun}"),
        _ => format!("{} {noun}s", count(n)),
    }
}

/// Bytes in decimal units with the digits that a person can use: "480 GB", "13.2 GB", "812 MB".
#[must_use]
pub fn bytes(n: u64) -> String {
    let units = [(1_000_000_000_000, "TB"), (1_000_000_000, "GB"), (1_000_000, "MB"), (1000, "kB")];
    match units.into_iter().find(|(size, _)| *size <= n) {
        Some((size, unit)) if 100 * size <= n => format!("{} {unit}", n / size),
        Some((size, unit)) => format!("{}.{} {unit}", n / size, n % size * 10 / size),
        None => format!("{n} B"),
    }
}

/// "Camera 1", "Camera 1 and Camera 2", "Camera 1, Camera 2 and Camera 3".
#[must_use]
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [many @ .., last] => format!("{} and {last}", many.join(", ")),
    }
}

/// "44.51020° N, 38.19870° W".
#[must_use]
pub fn position(at: LatLon) -> String {
    let side =
        |value: f64, plus: char, minus: char| format!("{:.5}° {}", value.abs(), if value < 0.0 { minus } else { plus });
    format!("{}, {}", side(at.lat_deg(), 'N', 'S'), side(at.lon_deg(), 'E', 'W'))
}

/// "0.4 m", "12 m", "4.2 km".
#[must_use]
pub fn distance(m: f64) -> String {
    match m {
        m if m < 9.95 => format!("{m:.1} m"),
        m if m < 1000.0 => format!("{m:.0} m"),
        m => format!("{:.1} km", m / 1000.0),
    }
}

/// `text` beginning with a capital letter.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// `text` ending with exactly one full stop.
#[must_use]
pub fn sentence(text: &str) -> String {
    format!("{}.", capital(text.trim().trim_end_matches('.')))
}

/// The sentence in the sign: the next step, or that there is none.
pub(super) fn headline(seen: &Observations<'_>, needs: &[Need]) -> String {
    match seen.life {
        Life::Starting => "Starting. What is not known yet says so.".to_owned(),
        Life::Stopped => {
            let (at, zone) = (seen.when(seen.now.utc), seen.facts.zone.short(seen.now.utc));
            format!("Stopped at {at} {zone}. No read is taken in.")
        }
        Life::Running => format!("{}{}", off_duty(seen), next_step(needs)),
    }
}

/// "Off duty until 18:00. "; nothing on duty.
fn off_duty(seen: &Observations<'_>) -> String {
    let off = seen.duty.off.as_ref();
    off.map_or_else(String::new, |off| format!("Off duty until {}. ", seen.when(off.span.until)))
}

fn next_step(needs: &[Need]) -> String {
    let step = |need: &Need| match &need.ack {
        None => sentence(&need.what),
        Some(ack) => format!("{} has it in hand: {}", printable(&ack.span.by, 40), sentence(&need.what)),
    };
    match needs {
        [] => Word::Fine.fixed_sentence().to_owned(),
        [only] => step(only),
        [first, rest @ ..] => {
            let more =
                if rest.len() == 1 { "one more thing".to_owned() } else { format!("{} more things", rest.len()) };
            format!("{} Then {more}.", step(first))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_name_the_day_only_when_it_is_another() {
        let at = |text| Utc::parse_rfc3339(text).unwrap_or_default();
        let now = at("2026-05-21T10:21:07Z");
        assert_eq!(clock(at("2026-05-21T09:05:59Z"), now), "09:05");
        assert_eq!(clock(at("2026-05-07T09:12:00Z"), now), "Thu 7 May 09:12");
        assert_eq!(clock(at("2025-12-31T23:59:00Z"), now), "Wed 31 Dec 2025 23:59");
        assert_eq!(clock_seconds(now), "10:21:07");
    }

    #[test]
    fn spans_counts_and_sizes_are_cut_and_never_rounded_up() {
        let spans =
            [(999, "0 s"), (119_999, "119 s"), (120_000, "2 min"), (9_600_000, "2 h 40 min"), (7_200_000, "2 h")];
        for (ms, want) in spans {
            assert_eq!(span(ms), want);
        }
        assert_eq!(span(450_000_000), "5 d 5 h");
        assert_eq!([0, 999, 1000, 1_284_907].map(count), ["0", "999", "1,000", "1,284,907"]);
        assert_eq!([999, 13_290_000_000, 480_999_999_999].map(bytes), ["999 B", "13.2 GB", "480 GB"]);
        assert_eq!([0, 1, 2].map(|n| amount(n, "read")), ["no reads", "1 read", "2 reads"]);
    }

    #[test]
    fn lists_are_spoken_and_sentences_end_once() {
        let names = ["A", "B", "C"].map(str::to_owned);
        assert_eq!([list(&names[..1]), list(&names[..2]), list(&names)], ["A", "A and B", "A, B and C"]);
        assert_eq!(sentence("look at it."), "Look at it.");
    }
}
