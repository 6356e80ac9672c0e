//! Lengths and points of time as people write them.

use crate::moment::Utc;

/// Days, hours, minutes and seconds in this order, each at most once, in s: `90d`, `12h`, `2h30m`.
///
/// # Errors
/// What to write instead.
pub fn seconds(text: &str) -> Result<u64, String> {
    let wrong = || "write it like 90d, 12h or 2h30m".to_owned();
    let units = [('d', 86_400), ('h', 3600), ('m', 60), ('s', 1)];
    let (mut total_s, mut number, mut next) = (0_u64, String::new(), 0);
    for c in text.trim().chars() {
        if c.is_ascii_digit() {
            number.push(c);
            continue;
        }
        let at = units.iter().position(|(unit, _)| *unit == c).filter(|at| next <= *at).ok_or_else(wrong)?;
        let count: u64 = std::mem::take(&mut number).parse().map_err(|_| wrong())?;
        total_s = count.checked_mul(units[at].1).and_then(|s| s.checked_add(total_s)).ok_or_else(wrong)?;
        next = at + 1;
    }
    // A number without a unit could be days as well as hours.
    if number.is_empty() && 0 < total_s { Ok(total_s) } else { Err(wrong()) }
}

/// The same, up to `max_s`; `advice` tells what to do instead of asking for more.
///
/// # Errors
/// What to write instead.
pub fn seconds_up_to(text: &str, max_s: u64, advice: &str) -> Result<u64, String> {
    let s = seconds(text)?;
    if s <= max_s { Ok(s) } else { Err(format!("{} is the most; {advice}", written(max_s))) }
}

/// A point of time: RFC 3339 with its offset, or how long before `now`: `2026-11-25T12:00:00Z`, `6h`, `3d`.
///
/// # Errors
/// What to write instead.
pub fn when(text: &str, now: Utc) -> Result<Utc, String> {
    let ago_ms = seconds(text).ok().and_then(|s| i64::try_from(s).ok()?.checked_mul(1000));
    let found = ago_ms.map(|ms| now.plus_ms(-ms)).or_else(|| Utc::parse_rfc3339(text.trim()));
    let found = found.filter(|found| Utc(0) <= *found);
    found.ok_or_else(|| {
        "write a time with offset, like 2026-11-25T12:00:00Z, or how long ago it was, like 6h".to_owned()
    })
}

/// As people write it: whole days from two on, else whole hours, minutes or seconds.
#[must_use]
pub fn written(s: u64) -> String {
    let units = [('d', 86_400), ('h', 3600), ('m', 60)];
    let whole = |(unit, unit_s): &(char, u64)| s.is_multiple_of(*unit_s) && (*unit != 'd' || 2 <= s / unit_s) && 0 < s;
    match units.iter().find(|unit| whole(unit)) {
        Some((unit, unit_s)) => format!("{}{unit}", s / unit_s),
        None => format!("{s}s"),
    }
}

#[cfg(test)]
mod tests {
    use super::{seconds, seconds_up_to, when, written};
    use crate::moment::Utc;

    #[test]
    fn points_of_time_are_given_as_people_say_them() {
        let now = Utc(1_800_000_000_000);
        assert_eq!(when("2h", now), Ok(now.plus_ms(-7_200_000)));
        assert_eq!(when(" 2026-11-25T12:00:00+02:00 ", now).ok(), Utc::parse_rfc3339("2026-11-25T10:00:00Z"));
        for text in ["yesterday", "", "2026-11-25", "2026-11-25T12:00:00", "99999d", "106751991168d"] {
            assert!(when(text, now).is_err(), "{text}");
        }
    }

    #[test]
    fn length_over_its_limit_is_refused_with_the_limit_and_what_to_do() {
        let up_to = |text: &str, max_s| seconds_up_to(text, max_s, "say it again then");
        for (text, max_s) in [("12h", 43_200), ("48h", 1_209_600), ("14d", 1_209_600), ("24h", 86_400), ("1d", 86_400)]
        {
            assert!(up_to(text, max_s).is_ok(), "{text}");
        }
        for (text, max_s, most) in [
            ("12h1s", 43_200, "12h"),
            ("13h", 43_200, "12h"),
            ("14d1s", 1_209_600, "14d"),
            ("337h", 1_209_600, "14d"),
            ("25h", 86_400, "24h"),
        ] {
            assert_eq!(up_to(text, max_s), Err(format!("{most} is the most; say it again then")), "{text}");
        }
        assert!(up_to("5", 86_400).is_err_and(|why| why.starts_with("write it like")));
        assert_eq!([86_400, 90, 5400, 172_800, 45].map(written), ["24h", "90s", "90m", "2d", "45s"]);
    }

    #[test]
    fn lengths_are_read_as_people_write_them() {
        for (text, s) in [("90d", 7_776_000), ("12h", 43_200), ("2h30m", 9000), ("1d2h", 93_600), (" 45s ", 45)] {
            assert_eq!(seconds(text), Ok(s), "{text}");
        }
        for text in ["", "d", "0d", "-1d", "1y", "5", "99999999999999999999d", "2h1d", "1h1h", "213503982334602d"] {
            assert!(seconds(text).is_err(), "{text}");
        }
    }
}
