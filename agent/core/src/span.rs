//! Lengths of time as people write them.

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

#[cfg(test)]
mod tests {
    use super::seconds;

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
