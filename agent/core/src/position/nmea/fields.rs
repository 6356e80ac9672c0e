//! The fields of one sentence. A field that is empty or can't be read is missing; it never costs another field.

/// How many fields are kept: GSA, the longest sentence that is read, has 18 (from memory).
pub const FIELDS_MAX: usize = 20;

/// The fields of one sentence, at most [`FIELDS_MAX`]; more are ignored.
#[derive(Clone, Copy, Debug)]
pub struct Fields<'a> {
    fields: [&'a [u8]; FIELDS_MAX],
    len: usize,
}

impl<'a> Fields<'a> {
    /// Splits a body (a comma, a field, a comma, a field …).
    #[must_use]
    pub(super) fn split(body: &'a [u8]) -> Self {
        let mut fields: [&[u8]; FIELDS_MAX] = [b""; FIELDS_MAX];
        let mut len = 0;
        for field in body.split(|c| *c == b',').skip(1).take(FIELDS_MAX) {
            fields[len] = field;
            len += 1;
        }
        Self { fields, len }
    }

    /// How many fields there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.len
    }

    /// True if there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Field `number`, counted from 1; empty if the sentence has fewer.
    #[must_use]
    pub fn text(&self, number: usize) -> &'a [u8] {
        number.checked_sub(1).and_then(|at| self.fields.get(at)).copied().unwrap_or(b"")
    }

    /// The one letter of field `number`; `None` if it is empty or longer.
    #[must_use]
    pub fn letter(&self, number: usize) -> Option<u8> {
        match self.text(number) {
            [letter] => Some(*letter),
            _ => None,
        }
    }

    /// A decimal number without exponent.
    #[must_use]
    pub fn number(&self, number: usize) -> Option<f64> {
        Decimal::read(self.text(number)).map(Decimal::value)
    }

    /// A whole number without sign.
    #[must_use]
    pub fn whole(&self, number: usize) -> Option<u32> {
        whole(self.text(number))
    }

    /// `hhmmss` with or without decimals → ms of the day, 0 to 86 400 999 (23:59:60 is a legal time).
    #[must_use]
    pub fn time_of_day_ms(&self, number: usize) -> Option<u32> {
        let (digits, decimals) = split_point(self.text(number));
        let [h1, h2, m1, m2, s1, s2] = *digits else { return None };
        let two = |a: u8, b: u8| digit(a).zip(digit(b)).map(|(a, b)| a * 10 + b);
        let (hour, minute, second) = (two(h1, h2)?, two(m1, m2)?, two(s1, s2)?);
        let leap = second == 60 && hour == 23 && minute == 59;
        if 23 < hour || 59 < minute || (59 < second && !leap) {
            return None;
        }
        let mut ms = 0;
        let mut weight = 100;
        for decimal in decimals {
            ms += digit(*decimal)? * weight;
            weight /= 10;
        }
        Some(((hour * 60 + minute) * 60 + second) * 1000 + ms)
    }

    /// Four fields from `number` on: latitude `ddmm.mm`, `N` or `S`, longitude `dddmm.mm`, `E` or `W`.
    #[must_use]
    pub fn position(&self, number: usize) -> Coordinates {
        let (lat, lon) = (self.text(number), self.text(number + 2));
        if lat.is_empty() && lon.is_empty() {
            return Coordinates::Empty;
        }
        let sign = |field: usize, plus: u8, minus: u8| match self.letter(field) {
            Some(letter) if letter == plus => Some(1.0),
            Some(letter) if letter == minus => Some(-1.0),
            _ => None,
        };
        let (Some((lat_deg, lat_places)), Some((lon_deg, lon_places))) = (degrees(lat), degrees(lon)) else {
            return Coordinates::Unreadable;
        };
        let (Some(lat_sign), Some(lon_sign)) = (sign(number + 1, b'N', b'S'), sign(number + 3, b'E', b'W')) else {
            return Coordinates::NoHemisphere;
        };
        Coordinates::At { lat_deg: lat_sign * lat_deg, lon_deg: lon_sign * lon_deg, places: lat_places.min(lon_places) }
    }
}

/// What four position fields say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Coordinates {
    /// Nothing.
    Empty,
    /// Something that is no latitude or no longitude.
    Unreadable,
    /// Numbers without a hemisphere: which of four places is meant is not known.
    NoHemisphere,
    /// A position, degrees, with the count of decimal places of its minutes (the lesser of both).
    At {
        /// Latitude, degrees, north positive.
        lat_deg: f64,
        /// Longitude, degrees, east positive.
        lon_deg: f64,
        /// Decimal places of the minutes.
        places: usize,
    },
}

/// `dddmm.mmm` → degrees, 0 to 180, and the decimal places. At least the two digits of the minutes must be there.
fn degrees(text: &[u8]) -> Option<(f64, usize)> {
    let (digits, decimals) = split_point(text);
    let at = digits.len().checked_sub(2)?;
    let whole_deg = if at == 0 { 0 } else { whole(&digits[..at])? };
    let minutes = Decimal::read(&text[at..])?.value();
    // 60.0 exactly is what some receivers print when they round 59.99999 up.
    if !text[at].is_ascii_digit() || 60.0 < minutes || 180 < whole_deg {
        return None;
    }
    Some((f64::from(whole_deg) + minutes / 60.0, decimals.len()))
}

fn split_point(text: &[u8]) -> (&[u8], &[u8]) {
    match text.iter().position(|c| *c == b'.') {
        Some(at) => (&text[..at], &text[at + 1..]),
        None => (text, b""),
    }
}

fn digit(c: u8) -> Option<u32> {
    c.is_ascii_digit().then(|| u32::from(c - b'0'))
}

pub(super) fn hex(c: u8) -> Option<u8> {
    match c {
        b'0'..=b'9' => Some(c - b'0'),
        b'a'..=b'f' => Some(c - b'a' + 10),
        b'A'..=b'F' => Some(c - b'A' + 10),
        _ => None,
    }
}

/// At most nine digits, so that it can't overflow.
fn whole(text: &[u8]) -> Option<u32> {
    if text.is_empty() || 9 < text.len() {
        return None;
    }
    text.iter().try_fold(0, |sum, c| Some(sum * 10 + digit(*c)?))
}

/// A decimal as digits and places, so that it is rounded to binary once.
#[derive(Clone, Copy)]
struct Decimal {
    negative: bool,
    digits: u64,
    places: usize,
}

impl Decimal {
    /// Fifteen digits are all that a double holds (IEEE 754); what is beyond is dropped after the point and refused
    /// before it.
    const DIGITS_MAX: usize = 15;

    fn read(text: &[u8]) -> Option<Self> {
        let (negative, text) = match text {
            [b'-', rest @ ..] => (true, rest),
            [b'+', rest @ ..] => (false, rest),
            _ => (false, text),
        };
        let (before, after) = split_point(text);
        if before.is_empty() && after.is_empty() || Self::DIGITS_MAX < before.len() {
            return None;
        }
        let mut digits = 0;
        for c in before {
            digits = digits * 10 + u64::from(digit(*c)?);
        }
        let mut places = 0;
        for c in after {
            let value = u64::from(digit(*c)?);
            if before.len() + places < Self::DIGITS_MAX {
                digits = digits * 10 + value;
                places += 1;
            }
        }
        Some(Self { negative, digits, places })
    }

    #[expect(clippy::cast_precision_loss, reason = "fifteen digits are exact in a double")]
    fn value(self) -> f64 {
        const TENS: [f64; 16] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
        let size = self.digits as f64 / TENS[self.places];
        if self.negative { -size } else { size }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_cannot_be_read_is_missing_and_costs_no_other() {
        let fields = Fields::split(b",1.5,,x,-0.25,7,1e3,.5,+2.,-,999999999999999999,0.1234567890123456789");
        assert_eq!(fields.number(1), Some(1.5));
        assert_eq!(fields.number(2), None);
        assert_eq!(fields.number(3), None);
        assert_eq!(fields.number(4), Some(-0.25));
        assert_eq!(fields.whole(5), Some(7));
        assert_eq!(fields.number(6), None);
        assert_eq!(fields.number(7), Some(0.5));
        assert_eq!(fields.number(8), Some(2.0));
        assert_eq!(fields.number(9), None);
        assert_eq!(fields.number(10), None);
        assert_eq!(fields.number(11), Some(0.123_456_789_012_34));
        assert_eq!(fields.text(12), b"");
        assert_eq!(fields.len(), 11);
    }

    #[test]
    fn times_of_day_are_checked_and_the_leap_second_is_legal() {
        let ms = |text: &str| Fields::split(format!(",{text}").as_bytes()).time_of_day_ms(1);
        assert_eq!(ms("000000"), Some(0));
        assert_eq!(ms("123519.487"), Some(45_319_487));
        assert_eq!(ms("123519.4879"), Some(45_319_487));
        assert_eq!(ms("123519."), Some(45_319_000));
        assert_eq!(ms("235960.5"), Some(86_400_500));
        for bad in ["", "12351", "1235199", "240000", "126000", "123560", "12351x", "123519.x", "-23519"] {
            assert_eq!(ms(bad), None, "{bad}");
        }
    }

    #[test]
    fn positions_need_numbers_in_range_and_both_hemispheres() {
        let at = |text: &str| Fields::split(format!(",{text}").as_bytes()).position(1);
        assert_eq!(at("4430.6,S,03007.5,W"), Coordinates::At { lat_deg: -44.51, lon_deg: -30.125, places: 1 });
        assert_eq!(at("30.6,N,7.5,E"), Coordinates::Unreadable, "one digit of minutes is no minutes");
        assert_eq!(at(",,,"), Coordinates::Empty);
        assert_eq!(at(""), Coordinates::Empty);
        assert_eq!(at("4430.6,,03007.5,W"), Coordinates::NoHemisphere);
        assert_eq!(at("4430.6,N,03007.5,X"), Coordinates::NoHemisphere);
        assert_eq!(at("4460.1,N,03007.5,W"), Coordinates::Unreadable);
        assert_eq!(at("-4430.6,N,03007.5,W"), Coordinates::Unreadable);
        assert_eq!(at("44-30.6,N,03007.5,W"), Coordinates::Unreadable);
        assert_eq!(at("4430.6,N,,W"), Coordinates::Unreadable);
    }
}
