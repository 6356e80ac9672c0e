//! Two clocks that must never be mixed: [`Mono`], which only goes forward, and [`Utc`], which somebody may set.
//!
//! Every interval, age, deadline and order is taken from [`Mono`]. [`Utc`] is for people and for the agency, and
//! carries a
//! [`UtcTrust`] that says where it comes from.

use std::collections::VecDeque;

/// Milliseconds on the host's boot-time clock (it counts suspend, no one can set it). Comparable only within one boot.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mono(pub u64);

impl Mono {
    /// This instant plus `ms` milliseconds; stays at the end of time instead of wrapping.
    #[must_use]
    pub fn plus_ms(self, ms: u64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// This instant less `ms` milliseconds; stays at zero instead of wrapping.
    #[must_use]
    pub fn minus_ms(self, ms: u64) -> Self {
        Self(self.0.saturating_sub(ms))
    }

    /// Milliseconds from `earlier` to this instant; zero if `earlier` is later.
    #[must_use]
    pub fn since_ms(self, earlier: Self) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}

/// Milliseconds since 1970-01-01T00:00:00Z without leap seconds, as the host or a GPS receiver says it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Utc(pub i64);

impl Utc {
    /// 1970-01-01T00:00:00Z, the first instant that a read may have been captured at: a computer without a battery for
    /// its clock begins there, and its reads are dated anew as soon as the time is known (row 13 of the fault matrix).
    pub const EPOCH: Self = Self(0);
    /// 2101-01-01T00:00:00Z, the first instant after the last year that a read may have been captured in.
    pub const YEAR_2101: Self = Self(4_133_980_800_000);

    /// The UTC day, in days since 1970-01-01.
    #[must_use]
    pub fn day(self) -> i64 {
        self.0.div_euclid(86_400_000)
    }

    /// Whether it is a day that something may have been kept of: of 1970 to 2100. Everything else is damage.
    #[must_use]
    pub fn may_be_day(day: i64) -> bool {
        (Self::EPOCH.day()..Self::YEAR_2101.day()).contains(&day)
    }

    /// This instant plus `ms` milliseconds (may be negative).
    #[must_use]
    pub fn plus_ms(self, ms: i64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// Milliseconds from `earlier` to this instant; negative if `earlier` is later.
    #[must_use]
    pub fn since_ms(self, earlier: Self) -> i64 {
        self.0.saturating_sub(earlier.0)
    }

    /// RFC 3339 in UTC with three decimals and `Z`, for example `2026-11-25T12:00:00.000Z`. Years are proleptic
    /// Gregorian.
    #[must_use]
    pub fn to_rfc3339(self) -> String {
        let (days, ms_of_day) = (self.0.div_euclid(86_400_000), self.0.rem_euclid(86_400_000));
        let (year, month, day) = civil_from_days(days);
        let s = ms_of_day / 1000;
        if !(0..=9999).contains(&year) {
            let (h, min, s, ms) = (s / 3600, s / 60 % 60, s % 60, ms_of_day % 1000);
            return format!("{year:04}-{month:02}-{day:02}T{h:02}:{min:02}:{s:02}.{ms:03}Z");
        }
        // Every read brings several of these, and the formatter took a tenth of its handling.
        let mut text = *b"0000-00-00T00:00:00.000Z";
        let parts = [
            (0..4, year),
            (5..7, month),
            (8..10, day),
            (11..13, s / 3600),
            (14..16, s / 60 % 60),
            (17..19, s % 60),
            (20..23, ms_of_day % 1000),
        ];
        for (place, mut value) in parts {
            for digit in text[place].iter_mut().rev() {
                *digit = b'0' + u8::try_from(value % 10).unwrap_or(0);
                value /= 10;
            }
        }
        String::from_utf8_lossy(&text).into_owned()
    }

    /// From a calendar date and a time of day; `None` where there is no such day or time. 23:59:60 is taken as the
    /// next second.
    #[must_use]
    pub fn from_civil(year: i32, month: u32, day: u32, ms_of_day: u32) -> Option<Self> {
        let days = days_from_civil(year, month, day)?;
        (ms_of_day < 86_401_000).then(|| Self(days * 86_400_000 + i64::from(ms_of_day)))
    }

    /// Reads RFC 3339 with an offset (`Z` or `+hh:mm`); digits past the milliseconds are cut. `None` if it is not that.
    #[must_use]
    pub fn parse_rfc3339(text: &str) -> Option<Self> {
        parse_rfc3339(text.as_bytes())
    }
}

/// Days since 1970-01-01 of a civil date, `None` if the date does not exist.
/// Source: H. Hinnant, "chrono-Compatible Low-Level Date Algorithms", `days_from_civil` (public domain).
#[must_use]
pub fn days_from_civil(year: i32, month: u32, day: u32) -> Option<i64> {
    if !(1..=12).contains(&month) || day < 1 || days_in_month(year, month) < day {
        return None;
    }
    let y = i64::from(year) - i64::from(month <= 2);
    let era = y.div_euclid(400);
    let yoe = y.rem_euclid(400);
    let m = i64::from(month);
    let doy = (153 * (if 2 < m { m - 3 } else { m + 9 }) + 2) / 5 + i64::from(day) - 1;
    let doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    Some(era * 146_097 + doe - 719_468)
}

/// Civil date (year, month, day) of a day count since 1970-01-01. Source as [`days_from_civil`].
#[must_use]
pub fn civil_from_days(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + i64::from(month <= 2), month, doy - (153 * mp + 2) / 5 + 1)
}

fn days_in_month(year: i32, month: u32) -> u32 {
    match month {
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

fn parse_rfc3339(b: &[u8]) -> Option<Utc> {
    let number = |from: usize, len: usize| -> Option<u32> {
        b.get(from..from + len)?.iter().try_fold(0_u32, |n, c| c.is_ascii_digit().then(|| n * 10 + u32::from(c - b'0')))
    };
    let is = |at: usize, any: &[u8]| b.get(at).is_some_and(|c| any.contains(c));
    if !(is(4, b"-") && is(7, b"-") && is(10, b"Tt ") && is(13, b":") && is(16, b":")) {
        return None;
    }
    let (hour, minute, second) = (number(11, 2)?, number(14, 2)?, number(17, 2)?);
    if 23 < hour || 59 < minute || 60 < second {
        return None;
    }
    let mut at = 19;
    let mut ms = 0;
    if is(at, b".") {
        let digits = b[at + 1..].iter().take_while(|c| c.is_ascii_digit()).count();
        if digits == 0 {
            return None;
        }
        for place in 0..3 {
            ms = ms * 10 + if place < digits { u32::from(b[at + 1 + place] - b'0') } else { 0 };
        }
        at += 1 + digits;
    }
    let offset_min = if is(at, b"Zz") {
        at += 1;
        0
    } else if is(at, b"+-") && is(at + 3, b":") {
        let (h, m) = (number(at + 1, 2)?, number(at + 4, 2)?);
        if 23 < h || 59 < m {
            return None;
        }
        let size = i64::from(h * 60 + m);
        let sign = if b[at] == b'-' { -1 } else { 1 };
        at += 6;
        sign * size
    } else {
        return None;
    };
    if at != b.len() {
        return None;
    }
    let year = i32::try_from(number(0, 4)?).ok()?;
    let local = Utc::from_civil(year, number(5, 2)?, number(8, 2)?, ((hour * 60 + minute) * 60 + second) * 1000 + ms)?;
    Some(local.plus_ms(-offset_min * 60_000))
}

/// Where the host's UTC comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum UtcTrust {
    /// Agrees with the GPS receiver's date and time within the last minutes.
    Gps,
    /// The host says that a time server has set it.
    Network,
    /// Was trusted before; the error grows with the time since.
    Holdover,
    /// Nobody has ever confirmed it since the host started.
    #[default]
    Unset,
}

impl UtcTrust {
    /// The word used in stamps and health files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Gps => "gps",
            Self::Network => "network",
            Self::Holdover => "holdover",
            Self::Unset => "unset",
        }
    }

    /// Whether a date may be used to judge other dates by it.
    #[must_use]
    pub fn is_trusted(self) -> bool {
        self != Self::Unset
    }
}

/// One instant on both clocks of the host, and how far the second is trusted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moment {
    /// The boot-time clock.
    pub mono: Mono,
    /// The host's UTC at the same instant.
    pub utc: Utc,
    /// Where that UTC comes from.
    pub utc_trust: UtcTrust,
}

impl Moment {
    /// The UTC day to judge kept days by, in days since 1970-01-01: today where UTC is trusted; else the newest kept
    /// day, if that is later than what the clock shows. A clock that nobody has confirmed may begin at 1970 with each
    /// start, and what was kept is no older for that.
    #[must_use]
    pub fn day_known(&self, newest: Option<i64>) -> i64 {
        let shown = self.utc.day();
        newest.filter(|newest| !self.utc_trust.is_trusted() && shown < *newest).unwrap_or(shown)
    }
}

/// One stretch of time during which the host's UTC ran along with [`Mono`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockEra {
    /// First instant of the era.
    pub from: Mono,
    /// UTC less Mono during the era, ms.
    pub offset_ms: i64,
}

/// Remembers the steps of the host's clock, so that a capture time (UTC as the host had it then) leads to the right
/// [`Mono`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ClockEras {
    eras: VecDeque<ClockEra>,
    /// Taken over from an earlier process, which looked at the clock last at this instant; until the first look.
    looked: Option<Mono>,
    /// Between these two looks nobody watched, and the clock was stepped: nobody knows when.
    blind: Option<(Mono, Mono)>,
}

impl ClockEras {
    /// A step is a change of the offset by more than this, ms. Slower slewing moves the current era along (source:
    /// fault 18).
    pub const STEP_MS: i64 = 1000;
    /// A capture time so little ahead of now counts as now, ms: an engine may read the clock a moment later than we
    /// did, or round up to its next frame (our own limit).
    pub const AHEAD_MS: u64 = 2000;
    /// How many eras are kept (our own limit).
    pub const KEPT: usize = 64;

    /// What an earlier process of this boot saw, oldest first; it looked last at `looked`.
    #[must_use]
    pub fn resume(eras: impl Iterator<Item = ClockEra>, looked: Mono) -> Self {
        let eras: VecDeque<ClockEra> = eras.take(Self::KEPT).collect();
        let looked = (!eras.is_empty()).then_some(looked);
        Self { eras, looked, blind: None }
    }

    /// All that is remembered, oldest first.
    pub fn all(&self) -> impl Iterator<Item = &ClockEra> {
        self.eras.iter()
    }

    /// Tells the current reading of both clocks. Returns the size of a step in ms, if one was seen.
    pub fn observe(&mut self, now: &Moment) -> Option<i64> {
        let offset_ms = now.utc.0.saturating_sub(i64::try_from(now.mono.0).unwrap_or(i64::MAX));
        let looked = self.looked.take();
        match self.eras.back_mut() {
            Some(last) if (offset_ms - last.offset_ms).abs() <= Self::STEP_MS => {
                last.offset_ms = offset_ms;
                None
            }
            last => {
                let step = last.map(|last| offset_ms - last.offset_ms);
                let from = if step.is_none() { Mono(0) } else { now.mono };
                if self.eras.len() == Self::KEPT {
                    self.eras.pop_front();
                }
                self.eras.push_back(ClockEra { from, offset_ms });
                if let (Some(looked), Some(_)) = (looked, step) {
                    self.blind = Some((looked, now.mono));
                }
                step
            }
        }
    }

    /// The earliest and the latest UTC that the host's clock showed between `from` and `to`, over all its steps; `None`
    /// if it was never looked at.
    #[must_use]
    pub fn utc_span(&self, from: Mono, to: Mono) -> Option<(Utc, Utc)> {
        let mut span: Option<(Utc, Utc)> = None;
        let mut until = to;
        for era in self.eras.iter().rev() {
            let first = era.from.max(from);
            if first <= until {
                let shown = |mono: Mono| Utc(i64::try_from(mono.0).unwrap_or(i64::MAX).saturating_add(era.offset_ms));
                let (low, high) = span.unwrap_or((shown(first), shown(until)));
                span = Some((low.min(shown(first)), high.max(shown(until))));
            }
            until = until.min(era.from);
        }
        span
    }

    /// UTC less Mono now, ms; `None` if the clock was never looked at.
    #[must_use]
    pub fn offset_ms(&self) -> Option<i64> {
        self.eras.back().map(|era| era.offset_ms)
    }

    /// When the clock was last stepped; zero if it never was.
    #[must_use]
    pub fn stepped(&self) -> Mono {
        self.eras.back().map_or(Mono(0), |era| era.from)
    }

    /// The newest instant not after `now` at which the host's clock showed `utc`, and whether that is the only one.
    /// What lies up to [`Self::AHEAD_MS`] ahead counts as now. `None` if the clock never showed it (before the boot,
    /// or in the future).
    #[must_use]
    pub fn mono_of(&self, utc: Utc, now: Mono) -> Option<(Mono, bool)> {
        let mut found: Option<Mono> = None;
        let mut until = now.plus_ms(Self::AHEAD_MS);
        for era in self.eras.iter().rev() {
            if let Ok(mono) = u64::try_from(utc.0.saturating_sub(era.offset_ms)).map(Mono)
                && era.from <= mono
                && mono <= until
            {
                if let Some(first) = found {
                    return Some((first, false));
                }
                found = Some(mono.min(now));
            }
            until = era.from;
        }
        let unwatched = |mono: Mono| self.blind.is_some_and(|(from, to)| from < mono && mono < to);
        found.map(|mono| (mono, !unwatched(mono)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_utc_of_a_stretch_covers_every_step_of_the_clock_in_it() {
        let mut eras = ClockEras::default();
        assert_eq!(eras.utc_span(Mono(0), Mono(9)), None);
        let at = |mono, utc| Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Unset };
        eras.observe(&at(1000, 1000));
        eras.observe(&at(5000, 905_000));
        assert_eq!(eras.utc_span(Mono(2000), Mono(3000)), Some((Utc(2000), Utc(3000))));
        assert_eq!(eras.utc_span(Mono(2000), Mono(6000)), Some((Utc(2000), Utc(906_000))));
        assert_eq!(eras.utc_span(Mono(5500), Mono(6000)), Some((Utc(905_500), Utc(906_000))));
    }

    #[test]
    fn rfc3339_is_written_and_read_back() {
        // Values: RFC 3339 section 5.8 examples.
        let given = [
            ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
            ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
            ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
            ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00.000Z"),
        ];
        for (text, want) in given {
            assert_eq!(Utc::parse_rfc3339(text).map(Utc::to_rfc3339).as_deref(), Some(want), "{text}");
        }
        for bad in [
            "",
            "2026-02-30T00:00:00Z",
            "2026-01-01T00:00:00",
            "2026-01-01T24:00:00Z",
            "2026-01-01T00:00:00.Z",
            "2026-01-01T00:00:00Zx",
        ] {
            assert_eq!(Utc::parse_rfc3339(bad), None, "{bad}");
        }
    }

    #[test]
    fn years_are_written_with_four_digits_as_long_as_they_have_no_more() {
        // Source: `date -u -d @-62167219200`, `@253402300799` and the second after (GNU coreutils).
        for (ms, want) in [
            (-62_167_219_200_000, "0000-01-01T00:00:00.000Z"),
            (253_402_300_799_999, "9999-12-31T23:59:59.999Z"),
            (253_402_300_800_000, "10000-01-01T00:00:00.000Z"),
        ] {
            assert_eq!(Utc(ms).to_rfc3339(), want);
        }
    }

    #[test]
    fn gps_week_zero_and_its_rollover_fall_on_the_published_days() {
        // US Naval Observatory, "GPS Week Number Rollover": week 0 began 6 January 1980, week 1024 on 22 August 1999.
        assert_eq!(days_from_civil(1999, 8, 22).zip(days_from_civil(1980, 1, 6)).map(|(b, a)| b - a), Some(7168));
    }

    #[test]
    fn capture_time_before_a_clock_step_leads_to_the_instant_before_it() {
        let mut eras = ClockEras::default();
        let at = |mono: u64, utc: i64| Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Unset };
        assert_eq!(eras.observe(&at(10_000, 1_010_000)), None);
        assert_eq!(eras.observe(&at(20_000, 5_020_000)), Some(4_000_000));
        assert_eq!(eras.mono_of(Utc(1_012_000), Mono(30_000)), Some((Mono(12_000), true)));
        assert_eq!(eras.mono_of(Utc(5_025_000), Mono(30_000)), Some((Mono(25_000), true)));
        assert_eq!(eras.mono_of(Utc(5_035_000), Mono(30_000)), None, "the future was never shown");
    }

    #[test]
    fn a_capture_time_a_moment_ahead_counts_as_now_and_one_farther_ahead_is_unknown() {
        let mut eras = ClockEras::default();
        let now = Moment { mono: Mono(10_000), utc: Utc(1_010_000), utc_trust: UtcTrust::Unset };
        eras.observe(&now);
        for ahead_ms in [0, 1, 40, 2000] {
            assert_eq!(eras.mono_of(now.utc.plus_ms(ahead_ms), now.mono), Some((now.mono, true)), "{ahead_ms} ms");
        }
        assert_eq!(eras.mono_of(now.utc.plus_ms(2001), now.mono), None);
        // Just stepped back: what lies ahead was shown before too, but the newest instant counts, and it is told.
        eras.observe(&Moment { mono: Mono(11_000), utc: Utc(1_005_000), utc_trust: UtcTrust::Unset });
        assert_eq!(eras.mono_of(Utc(1_005_300), Mono(11_000)), Some((Mono(11_000), false)));
    }

    #[test]
    fn what_an_earlier_process_saw_counts_and_a_step_that_nobody_watched_makes_its_time_unsure() {
        let at = |mono: u64, utc: i64| Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Unset };
        let mut before = ClockEras::default();
        before.observe(&at(0, 1_000_000));
        before.observe(&at(60_000, 5_060_000)); // stepped forward by 4,000 s
        let mut unstepped = ClockEras::resume(before.all().copied(), Mono(100_000));
        assert_eq!(unstepped.observe(&at(200_000, 5_200_000)), None);
        assert_eq!(unstepped.mono_of(Utc(1_030_000), Mono(200_000)), Some((Mono(30_000), true)));
        assert_eq!(unstepped.mono_of(Utc(5_150_000), Mono(200_000)), Some((Mono(150_000), true)));
        let mut stepped = ClockEras::resume(before.all().copied(), Mono(100_000));
        assert_eq!(stepped.observe(&at(200_000, 9_200_000)), Some(4_000_000));
        assert_eq!(stepped.mono_of(Utc(5_090_000), Mono(300_000)), Some((Mono(90_000), true)));
        assert_eq!(stepped.mono_of(Utc(5_150_000), Mono(300_000)), Some((Mono(150_000), false)), "perhaps it was not");
        assert_eq!(stepped.mono_of(Utc(9_250_000), Mono(300_000)), Some((Mono(250_000), true)));
    }

    #[test]
    fn capture_time_shown_twice_is_said_to_be_unsure() {
        let mut eras = ClockEras::default();
        let at = |mono: u64, utc: i64| Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Unset };
        eras.observe(&at(0, 1_000_000));
        eras.observe(&at(60_000, 1_010_000)); // stepped back 50 s
        assert_eq!(eras.mono_of(Utc(1_020_000), Mono(90_000)), Some((Mono(70_000), false)));
    }
}
