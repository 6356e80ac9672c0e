//! Reads `Retry-After` and the dates of HTTP.
//!
//! Source: RFC 9110, sections 5.6.7 (`HTTP-date`, of which all three forms must be read) and 10.2.3 (`Retry-After`).

use crate::moment::Utc;

/// How long the other end asks to wait, ms. A date is counted from `date` (the answer's own `Date`, so that a wrong
/// clock
/// on the trailer does no harm), else from `now`. `None` if it can't be read; zero if the date is past.
#[must_use]
pub fn wait_ms(retry_after: &str, date: Option<&str>, now: Utc) -> Option<u64> {
    let text = retry_after.trim();
    if !text.is_empty() && text.bytes().all(|c| c.is_ascii_digit()) {
        // More digits than fit is still "very long"; the caller caps it.
        return Some(text.parse::<u64>().unwrap_or(u64::MAX).saturating_mul(1000));
    }
    let until = parse_date(text, now)?;
    let from = date.and_then(|date| parse_date(date.trim(), now)).unwrap_or(now);
    Some(u64::try_from(until.since_ms(from)).unwrap_or(0))
}

/// Reads an HTTP-date; `now` decides the century of the two-digit form. `None` if it is not one.
#[must_use]
pub fn parse_date(text: &str, now: Utc) -> Option<Utc> {
    let words: Vec<&str> = text.split_ascii_whitespace().collect();
    match words.as_slice() {
        // Sun, 06 Nov 1994 08:49:37 GMT
        [day_name, day, month, year, time, "GMT"] if day_name.ends_with(',') => {
            civil(number(year, 4)?, month, number(day, 2)?, time)
        }
        // Sunday, 06-Nov-94 08:49:37 GMT
        [day_name, date, time, "GMT"] if day_name.ends_with(',') => {
            let mut parts = date.split('-');
            let (day, month, year) = (parts.next()?, parts.next()?, parts.next()?);
            let near = civil(century(number(year, 2)?, now), month, number(day, 2)?, time)?;
            parts.next().is_none().then_some(near)
        }
        // Sun Nov  6 08:49:37 1994
        [_, month, day, time, year] => civil(number(year, 4)?, month, number(day, day.len())?, time),
        _ => None,
    }
}

/// A two-digit year that would be more than 50 years ahead is in the past (RFC 9110, section 5.6.7).
fn century(two_digits: u32, now: Utc) -> u32 {
    let this_year: u32 = now.to_rfc3339().get(..4).and_then(|year| year.parse().ok()).unwrap_or(2000);
    let year = this_year / 100 * 100 + two_digits;
    if this_year + 50 < year { year - 100 } else { year }
}

fn civil(year: u32, month: &str, day: u32, time: &str) -> Option<Utc> {
    const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    let month = MONTHS.iter().position(|name| *name == month)?;
    let mut parts = time.split(':');
    let (hour, minute, second) = (number(parts.next()?, 2)?, number(parts.next()?, 2)?, number(parts.next()?, 2)?);
    if parts.next().is_some() || 23 < hour || 59 < minute || 60 < second {
        return None;
    }
    let month = u32::try_from(month).ok()? + 1;
    Utc::from_civil(i32::try_from(year).ok()?, month, day, ((hour * 60 + minute) * 60 + second) * 1000)
}

fn number(text: &str, digits: usize) -> Option<u32> {
    (text.len() == digits && digits <= 4 && text.bytes().all(|c| c.is_ascii_digit()))
        .then(|| text.parse().ok())
        .flatten()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NOW: Utc = Utc(1_800_000_000_000); // 2027-01-15T08:00:00Z

    #[test]
    fn all_three_forms_of_the_standard_are_the_same_instant() {
        // Values: RFC 9110 section 5.6.7.
        for text in ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"] {
            assert_eq!(
                parse_date(text, NOW).map(Utc::to_rfc3339).as_deref(),
                Some("1994-11-06T08:49:37.000Z"),
                "{text}"
            );
        }
    }

    #[test]
    fn seconds_and_dates_are_both_waits() {
        assert_eq!(wait_ms("120", None, NOW), Some(120_000));
        assert_eq!(wait_ms(" 0 ", None, NOW), Some(0));
        assert_eq!(wait_ms("99999999999999999999999", None, NOW), Some(u64::MAX));
        assert_eq!(wait_ms("Fri, 15 Jan 2027 08:02:00 GMT", None, NOW), Some(120_000));
        assert_eq!(wait_ms("Fri, 15 Jan 2027 07:00:00 GMT", None, NOW), Some(0));
        for bad in ["", "-1", "1.5", "soon", "Fri, 32 Jan 2027 08:00:00 GMT", "Fri, 15 Jan 2027 25:00:00 GMT"] {
            assert_eq!(wait_ms(bad, None, NOW), None, "{bad}");
        }
    }

    #[test]
    fn a_wrong_clock_on_the_trailer_does_not_change_the_wait() {
        let date = Some("Fri, 15 Jan 2027 08:00:00 GMT");
        for clock in [Utc(0), NOW, NOW.plus_ms(86_400_000_000)] {
            assert_eq!(wait_ms("Fri, 15 Jan 2027 08:00:30 GMT", date, clock), Some(30_000));
        }
    }

    proptest! {
        #[test]
        fn any_text_gets_an_answer(text in ".{0,60}", date in ".{0,60}") {
            let _unused = wait_ms(&text, Some(&date), NOW);
        }
    }
}
