//! What a read may hold: every limit once, with its reason, and the grammar of a plate.

use crate::moment::{Moment, Utc};

/// Longest plate, characters. Source: our own limit, about twice the longest plate in use (ten characters with
/// separators, from memory).
pub const PLATE_CHARS_MAX: usize = 16;
/// Highest lane number (our own limit).
pub const LANE_MAX: u8 = 16;
/// Longest jurisdiction code, characters (our own limit; code lists of the trade use two or three).
pub const JURISDICTION_CODE_CHARS_MAX: usize = 8;
/// Longest name of a code list, characters (our own limit).
pub const JURISDICTION_LIST_CHARS_MAX: usize = 32;
/// Longest name of a hot list, characters (our own limit).
pub const HIT_LIST_CHARS_MAX: usize = 64;
/// Longest key of an entry in a hot list, characters (our own limit).
pub const HIT_ENTRY_CHARS_MAX: usize = 64;
/// Widest plate in a picture, pixels (our own limit: no camera of the trade has a wider picture).
pub const PLATE_WIDTH_PX_MAX: u32 = 65_535;
/// Brightest plate: the scale of eight-bit pictures.
pub const PLATE_BRIGHTNESS_MAX: f64 = 255.0;
/// Largest `extra`, bytes of compact JSON (source: design, "Read in").
pub const EXTRA_BYTES_MAX: usize = 2048;
/// A capture time farther than this from a trusted clock is marked, ms (source: design, "Read in").
pub const CAPTURE_FAR_MS: i64 = 600_000;

/// Decimal digits of scripts other than Latin that plates are written in (Unicode category Nd): Arabic-Indic,
/// extended Arabic-Indic, Devanagari, Bengali, Thai, Lao, Myanmar, Khmer.
const DIGITS: [(char, char); 8] = [
    ('\u{0660}', '\u{0669}'),
    ('\u{06f0}', '\u{06f9}'),
    ('\u{0966}', '\u{096f}'),
    ('\u{09e6}', '\u{09ef}'),
    ('\u{0e50}', '\u{0e59}'),
    ('\u{0ed0}', '\u{0ed9}'),
    ('\u{1040}', '\u{1049}'),
    ('\u{17e0}', '\u{17e9}'),
];

/// What is wrong with a plate. The text never repeats the plate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlateProblem {
    /// No character at all.
    #[error("is empty; send null and plate_state \"unread\" when nothing was read")]
    Empty,
    /// More than [`PLATE_CHARS_MAX`].
    #[error("has more than {PLATE_CHARS_MAX} characters; send the characters of one plate only")]
    TooLong,
    /// A character that stands on no plate.
    #[error(
        "has a character that stands on no plate at place {at}; use letters and digits of any script, and one space, \
         '-', '.' or '\u{b7}' between them"
    )]
    Character {
        /// Which one, counted from 1.
        at: usize,
    },
    /// A separator at an end or beside another one.
    #[error("has a separator at place {at} that stands between no two characters; leave it out")]
    Separator {
        /// Which one, counted from 1.
        at: usize,
    },
    /// `?` in a plate of which all is said to be read.
    #[error("has '?' for an unread character at place {at}, but plate_state is \"read\"; send \"partial\"")]
    Unread {
        /// Which one, counted from 1.
        at: usize,
    },
}

/// Checks the characters of a plate: 1 to [`PLATE_CHARS_MAX`] letters and digits of any script, with single separators
/// (space, `-`, `.`, middle dot) between them, and `?` for each unread character if `partial`. Control characters,
/// direction marks, markup and whatever begins a formula in a spreadsheet fall outside it by construction.
///
/// # Errors
/// [`PlateProblem`]
pub fn check_plate(plate: &str, partial: bool) -> Result<(), PlateProblem> {
    if plate.is_empty() {
        return Err(PlateProblem::Empty);
    }
    if PLATE_CHARS_MAX < plate.chars().take(PLATE_CHARS_MAX + 1).count() {
        return Err(PlateProblem::TooLong);
    }
    let mut after_separator = true;
    for (at, c) in plate.chars().enumerate() {
        let at = at + 1;
        match c {
            ' ' | '-' | '.' | '\u{b7}' => {
                if after_separator {
                    return Err(PlateProblem::Separator { at });
                }
                after_separator = true;
                continue;
            }
            '?' if partial => {}
            '?' => return Err(PlateProblem::Unread { at }),
            c if is_plate_letter(c) => {}
            _ => return Err(PlateProblem::Character { at }),
        }
        after_separator = false;
    }
    if after_separator { Err(PlateProblem::Separator { at: plate.chars().count() }) } else { Ok(()) }
}

fn is_plate_letter(c: char) -> bool {
    c.is_alphabetic() || c.is_ascii_digit() || DIGITS.iter().any(|(first, last)| (*first..=*last).contains(&c))
}

/// True for text of 1 to `max` characters without control or direction-changing characters. For names that people
/// read.
#[must_use]
pub fn is_plain_text(text: &str, max: usize) -> bool {
    let count = text.chars().take(max + 1).count();
    1 <= count && count <= max && crate::ids::printable(text, max) == text && text.trim() == text
}

/// True for 1 to `max` of ASCII letters, digits, `.`, `-`, `_` and `:`. For codes that machines compare.
#[must_use]
pub fn is_code(text: &str, max: usize) -> bool {
    !text.is_empty()
        && text.len() <= max
        && text.bytes().all(|c| c.is_ascii_alphanumeric() || matches!(c, b'.' | b'-' | b'_' | b':'))
}

/// Seconds from the capture time to `now`, if `now` is trusted and the two are farther apart than [`CAPTURE_FAR_MS`];
/// negative when the capture time lies in the future. A clock that nobody has confirmed marks nothing.
#[must_use]
pub fn capture_far_s(captured_at: Utc, now: &Moment) -> Option<i64> {
    let gap_ms = now.utc.since_ms(captured_at);
    (now.utc_trust.is_trusted() && CAPTURE_FAR_MS < gap_ms.saturating_abs()).then_some(gap_ms / 1000)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{Mono, UtcTrust};

    #[test]
    fn plates_of_any_script_are_taken() {
        for good in
            ["7", "QTZ 481", "B-XY 12", "12·345", "ЖК 77", "گ ۱۲", "กข ๑๒", "粤B 123", "ÅÄÖ.9", "0123456789ABCDEF"]
        {
            assert_eq!(check_plate(good, false), Ok(()), "{good}");
        }
        assert_eq!(check_plate("Q?Z-??", true), Ok(()));
    }

    #[test]
    fn what_stands_on_no_plate_is_refused_by_its_place() {
        use PlateProblem::{Character, Empty, Separator, TooLong, Unread};
        for (bad, want) in [
            ("", Empty),
            ("0123456789ABCDEFG", TooLong),
            (&*"A".repeat(10_000), TooLong),
            ("AB\0C", Character { at: 3 }),
            ("A\u{202e}B", Character { at: 2 }),
            ("A\u{200d}B", Character { at: 2 }),
            ("<b>", Character { at: 1 }),
            ("=1+1", Character { at: 1 }),
            ("@A", Character { at: 1 }),
            ("A\tB", Character { at: 2 }),
            ("A½", Character { at: 2 }),
            ("-AB", Separator { at: 1 }),
            ("AB ", Separator { at: 3 }),
            ("A  B", Separator { at: 3 }),
            ("A?", Unread { at: 2 }),
        ] {
            assert_eq!(check_plate(bad, false), Err(want), "{bad:.20}");
        }
    }

    #[test]
    fn only_a_trusted_clock_marks_a_far_capture_time() {
        let now = |utc_trust| Moment { mono: Mono(0), utc: Utc(10_000_000), utc_trust };
        assert_eq!(capture_far_s(Utc(9_400_000), &now(UtcTrust::Gps)), None);
        assert_eq!(capture_far_s(Utc(9_399_000), &now(UtcTrust::Gps)), Some(601));
        assert_eq!(capture_far_s(Utc(11_000_000), &now(UtcTrust::Network)), Some(-1000));
        assert_eq!(capture_far_s(Utc(0), &now(UtcTrust::Unset)), None);
    }

    #[test]
    fn names_for_people_hold_no_control_characters() {
        assert!(is_plain_text("Brackwater stolen, north", 64));
        for bad in ["", " a", "a\n", "a\u{202e}b", &*"a".repeat(65)] {
            assert!(!is_plain_text(bad, 64), "{bad:?}");
        }
    }
}
