//! Whether the date of a GPS receiver may be believed. It never costs the position.
//!
//! The legacy GPS message gives the week modulo 1,024 (US Naval Observatory, GPS Week Number Rollover), so a receiver
//! with old firmware tells dates that are a multiple of 7,168 days too early. A cold receiver tells dates of January
//! 1980 before it knows better.

use crate::moment::{Utc, days_from_civil};

/// 1,024 weeks, days.
pub const ROLLOVER_DAYS: i64 = 7168;

/// No date of a running trailer lies before this one: 1 November 2026, raised with each release.
pub const RELEASED: Utc = Utc(1_793_491_200_000);

/// What a date is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DateReference {
    not_before_day: i64,
    now_day: i64,
    /// Whether a date of the last century may be mended by two rollovers.
    twice: bool,
}

impl DateReference {
    /// On a trailer: no date can lie before `built`, the day this program was made, and the best guess at now is the
    /// later of that day and the host's clock (which may stand at 1970).
    #[must_use]
    pub fn live(built: Utc, host: Utc) -> Self {
        let (built_day, host_day) = (day_of(built), day_of(host));
        // A day of slack, for builds and clocks around midnight.
        Self { not_before_day: built_day - 1, now_day: built_day.max(host_day), twice: true }
    }

    /// For a record of the past that was made around `now`: dates within half a rollover of it are believed.
    #[must_use]
    pub fn around(now: Utc) -> Self {
        let now_day = day_of(now);
        Self { not_before_day: now_day - ROLLOVER_DAYS / 2, now_day, twice: false }
    }

    /// Judges a calendar date; `year` with two digits or four.
    ///
    /// Two-digit years 80 to 99 can only be 1980 to 1999, which no receiver can mean by now (common practice, no
    /// source). On a trailer such a date is two rollovers too early if it is plausible then; the dates that cold
    /// receivers tell (January 1980, 22 August 1999) are not. In a record of the past it is no date yet.
    #[must_use]
    pub fn judge(&self, year: u32, month: u32, day: u32) -> DateVerdict {
        let year = match year {
            0..=79 => year + 2000,
            80..=99 => year + 1900,
            _ => year,
        };
        let Some(mut date) = i32::try_from(year).ok().and_then(|year| days_from_civil(year, month, day)) else {
            return DateVerdict::Impossible;
        };
        if (1980..2000).contains(&year) {
            let day = date + 2 * ROLLOVER_DAYS;
            let plausible = self.not_before_day <= day && day <= self.now_day + ROLLOVER_DAYS / 2;
            return if self.twice && plausible {
                DateVerdict::Mended { day, rollovers: 2 }
            } else {
                DateVerdict::NotYet
            };
        }
        let mut rollovers = 0;
        while date < self.not_before_day && rollovers < 3 {
            date += ROLLOVER_DAYS;
            rollovers += 1;
        }
        if date < self.not_before_day || self.now_day + ROLLOVER_DAYS / 2 < date {
            return DateVerdict::Impossible;
        }
        if rollovers == 0 { DateVerdict::Good { day: date } } else { DateVerdict::Mended { day: date, rollovers } }
    }
}

fn day_of(utc: Utc) -> i64 {
    utc.0.div_euclid(86_400_000)
}

/// What became of a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DateVerdict {
    /// Believed, days since 1970-01-01.
    Good {
        /// Days since 1970-01-01.
        day: i64,
    },
    /// It was some rollovers too early and has been put right.
    Mended {
        /// Days since 1970-01-01, after the mending.
        day: i64,
        /// How many times 1,024 weeks were added.
        rollovers: u32,
    },
    /// A date of before 2000: the receiver does not know it yet.
    NotYet,
    /// No calendar date, or one that can't be: too far from now.
    Impossible,
    /// The epoch brought none.
    Missing,
}

impl DateVerdict {
    /// The day to use, days since 1970-01-01.
    #[must_use]
    pub fn day(self) -> Option<i64> {
        match self {
            Self::Good { day } | Self::Mended { day, .. } => Some(day),
            Self::NotYet | Self::Impossible | Self::Missing => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Utc {
        Utc::parse_rfc3339(&format!("{text}T12:00:00Z")).unwrap_or(Utc(0))
    }

    fn day(text: &str) -> i64 {
        day_of(utc(text))
    }

    #[test]
    fn a_slip_of_1024_weeks_is_mended_and_told() {
        // Worked example: 2007-04-11 + 7168 days = 2026-11-25 (computed from the published GPS week count).
        let live = DateReference::live(utc("2026-11-01"), utc("2026-11-25"));
        assert_eq!(live.judge(7, 4, 11), DateVerdict::Mended { day: day("2026-11-25"), rollovers: 1 });
        assert_eq!(live.judge(26, 11, 25), DateVerdict::Good { day: day("2026-11-25") });
        assert_eq!(live.judge(2026, 11, 25), DateVerdict::Good { day: day("2026-11-25") });
        let clock_lost = DateReference::live(utc("2026-11-01"), Utc(0));
        assert_eq!(clock_lost.judge(28, 2, 29), DateVerdict::Good { day: day("2028-02-29") });
        assert_eq!(clock_lost.judge(7, 4, 11), DateVerdict::Mended { day: day("2026-11-25"), rollovers: 1 });
    }

    #[test]
    fn the_day_of_the_release_is_what_its_comment_says() {
        assert_eq!(RELEASED.to_rfc3339(), "2026-11-01T00:00:00.000Z");
    }

    #[test]
    fn a_date_of_the_last_century_is_no_date_yet() {
        let live = DateReference::live(utc("2026-11-01"), utc("2026-11-25"));
        assert_eq!(live.judge(80, 1, 5), DateVerdict::NotYet);
        assert_eq!(live.judge(99, 8, 22), DateVerdict::NotYet);
        assert_eq!(live.judge(1980, 1, 6), DateVerdict::NotYet);
    }

    #[test]
    fn a_slip_of_2048_weeks_is_mended_on_a_trailer_only() {
        // 1987-08-28 + 14,336 days = 2026-11-27.
        let live = DateReference::live(utc("2026-11-01"), Utc(0));
        assert_eq!(live.judge(87, 8, 28), DateVerdict::Mended { day: day("2026-11-27"), rollovers: 2 });
        assert_eq!(live.judge(87, 7, 1), DateVerdict::NotYet, "before the release");
        let around = DateReference::around(utc("2026-11-25"));
        assert_eq!(around.judge(87, 8, 28), DateVerdict::NotYet);
    }

    #[test]
    fn a_date_that_cannot_be_is_told_apart() {
        let live = DateReference::live(utc("2026-11-01"), utc("2026-11-25"));
        assert_eq!(live.judge(26, 2, 29), DateVerdict::Impossible);
        assert_eq!(live.judge(26, 13, 1), DateVerdict::Impossible);
        assert_eq!(live.judge(19, 6, 1), DateVerdict::Impossible, "its mended day would be in 2039");
        assert_eq!(live.judge(60, 1, 1), DateVerdict::Impossible);
        assert_eq!(live.judge(1899, 1, 1), DateVerdict::Impossible);
        assert_eq!(live.judge(4_000_000_000, 1, 1), DateVerdict::Impossible);
    }

    #[test]
    fn a_record_of_the_past_is_judged_around_its_own_time() {
        let around = DateReference::around(utc("2012-06-30"));
        assert_eq!(around.judge(12, 6, 30), DateVerdict::Good { day: day("2012-06-30") });
        assert_eq!(around.judge(4, 1, 1), DateVerdict::Good { day: day("2004-01-01") });
    }
}
