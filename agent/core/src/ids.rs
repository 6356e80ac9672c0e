//! Names of things. Each is checked when it is made, so that later rooms need not.

use std::fmt;

/// Why a name was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is no {what}: use 1 to {max} of a-z, 0-9 and -, beginning and ending with a letter or digit")]
pub struct BadName {
    /// What the name was to be, for example "camera name".
    pub what: &'static str,
    /// What was given, cut to 40 characters, control characters replaced.
    pub given: String,
    /// Longest name allowed.
    pub max: usize,
}

fn checked(text: &str, what: &'static str, max: usize) -> Result<String, BadName> {
    let edge = |c: Option<u8>| c.is_some_and(|c| c.is_ascii_lowercase() || c.is_ascii_digit());
    let bytes = text.as_bytes();
    let good = edge(bytes.first().copied())
        && edge(bytes.last().copied())
        && bytes.len() <= max
        && bytes.iter().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || *c == b'-');
    if good { Ok(text.to_owned()) } else { Err(BadName { what, given: printable(text, 40), max }) }
}

/// `text` cut to `max` characters, for use in messages. Replaced is what a reader can't see and what changes how the
/// rest is shown: controls, line and paragraph separators, marks of direction, invisible characters and tags. Source
/// of the code points: Unicode, general categories Zl, Zp and most of Cf; the joiners U+200C and U+200D stay, since
/// names in several scripts need them.
#[must_use]
pub fn printable(text: &str, max: usize) -> String {
    let bad = |c: char| {
        c.is_control()
            || matches!(
                c,
                '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
                    | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}'
            )
    };
    let mut out: String = text.chars().take(max).map(|c| if bad(c) { '\u{fffd}' } else { c }).collect();
    if max < text.chars().count() {
        out.push('\u{2026}');
    }
    out
}

/// Name of one installation, 1 to 40 of `a-z0-9-`, `trailer.id` in the configuration.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TrailerId(String);

impl TrailerId {
    /// # Errors
    /// [`BadName`] if it is empty, too long or has other characters.
    pub fn new(text: &str) -> Result<Self, BadName> {
        checked(text, "trailer name", 40).map(Self)
    }

    /// The name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The `CloudEvents` source of everything that this trailer sends: `urn:pintle:trailer:<id>`.
    #[must_use]
    pub fn source(&self) -> String {
        format!("urn:pintle:trailer:{}", self.0)
    }
}

/// Name of one camera on its trailer, 1 to 32 of `a-z0-9-`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CameraId(String);

impl CameraId {
    /// # Errors
    /// [`BadName`] if it is empty, too long or has other characters.
    pub fn new(text: &str) -> Result<Self, BadName> {
        checked(text, "camera name", 32).map(Self)
    }

    /// The name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Number of a site, counted from 1 for each store; never used again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SiteId(pub u64);

/// 128 bits of an RFC 9562 UUID: the id of a read or of any other event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EventId(pub [u8; 16]);

impl EventId {
    /// Reads the 8-4-4-4-12 form, either case. `None` if it is not that.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let b = text.as_bytes();
        if b.len() != 36 {
            return None;
        }
        let (mut out, mut digits) = ([0_u8; 16], 0);
        for (at, c) in b.iter().enumerate() {
            if matches!(at, 8 | 13 | 18 | 23) {
                if *c != b'-' {
                    return None;
                }
                continue;
            }
            let digit = u8::try_from(char::from(*c).to_digit(16)?).ok()?;
            out[digits / 2] = out[digits / 2] << 4 | digit;
            digits += 1;
        }
        Some(Self(out))
    }
}

impl fmt::Display for TrailerId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for CameraId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for SiteId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "site {}", self.0)
    }
}

impl fmt::Display for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Each read's id is written at intake: byte by byte through the formatter would cost a tenth of that.
        let digit = |value: u8| if value < 10 { b'0' + value } else { b'a' + value - 10 };
        let (mut text, mut at) = ([b'-'; 36], 0);
        for (nth, byte) in self.0.iter().enumerate() {
            if matches!(nth, 4 | 6 | 8 | 10) {
                at += 1;
            }
            text[at] = digit(byte >> 4);
            text[at + 1] = digit(byte & 0x0f);
            at += 2;
        }
        f.write_str(std::str::from_utf8(&text).map_err(|_| fmt::Error)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_short_lower_case_words() {
        assert!(CameraId::new("north-2").is_ok());
        for bad in ["", "-a", "a-", "North", "a b", "a/../b", &"a".repeat(33), "a\n"] {
            assert!(CameraId::new(bad).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn what_cannot_be_seen_or_turns_the_text_is_replaced_and_names_of_all_scripts_stay() {
        for bad in
            "\u{0}\u{1b}\u{7f}\u{9b}\u{ad}\u{61c}\u{200b}\u{200f}\u{2028}\u{202e}\u{2066}\u{feff}\u{e0041}".chars()
        {
            assert_eq!(printable(&format!("a{bad}b"), 9), "a\u{fffd}b", "{:04x}", u32::from(bad));
        }
        for good in ["Quernstone Road", "Каменная", "شارع", "می\u{200c}خواهم", "道 5", "é–ß'\"<&>"]
        {
            assert_eq!(printable(good, 40), good);
        }
        assert_eq!(printable("abcd", 3), "abc\u{2026}");
    }

    #[test]
    fn event_ids_are_written_as_they_are_read() {
        // Value: RFC 9562 appendix A.6, the example of version 7.
        let text = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";
        assert_eq!(EventId::parse(text).map(|id| id.to_string()).as_deref(), Some(text));
        for bad in [
            "",
            "017f22e2-79b0-7cc3-98c4-dc0c0c07398",
            "017f22e2x79b0-7cc3-98c4-dc0c0c07398f",
            "017f22e2-79b0-7cc3-98c4-dc0c0c07398g",
        ] {
            assert_eq!(EventId::parse(bad), None);
        }
    }
}
