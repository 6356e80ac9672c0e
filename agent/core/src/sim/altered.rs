//! Recorded lines as another receiver, or the same one with other settings, would have sent them: bytes in, bytes out,
//! every sentence with a right checksum again. What is right for the recording is right for all of them.

use super::sentences::sentence;

/// Something that a receiver or its settings do otherwise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Only sentences of these kinds, such as `RMC`.
    Only(&'static [&'static str]),
    /// No sentences of these kinds.
    Without(&'static [&'static str]),
    /// Another talker, two letters, such as `GL`.
    Talker(&'static str),
    /// NMEA 0183 before version 2.3: RMC, GLL and VTG have no mode at their end.
    NoMode,
    /// Minutes of arc with so many decimals, rounded: four are 0.19 m, three 1.9 m, two 18.5 m.
    Decimals(usize),
    /// RMC without a date, no ZDA.
    NoDate,
    /// RMC and VTG without speed and course.
    NoSpeed,
    /// Whole seconds whose time of day is a multiple of this only: five are 0.2 Hz.
    EverySeconds(u32),
    /// So many seconds are cut out after every so many that are left.
    Gaps {
        /// Seconds that are left.
        left_s: u32,
        /// Seconds that are cut out.
        out_s: u32,
    },
}

/// The recording with `changes` made one after the other. Lines that are no sentences stay as they are, sentences whose
/// checksum is wrong too.
#[must_use]
pub fn altered(bytes: &[u8], changes: &[Change]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len());
    let mut clock = Clock::default();
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        let Some(mut fields) = fields(line) else {
            out.extend_from_slice(line);
            continue;
        };
        clock.look(&fields);
        if changes.iter().all(|change| change.make(&mut fields, clock)) {
            out.extend_from_slice(sentence(&fields.join(",")).as_bytes());
        }
    }
    out
}

/// The fields of a line that is one whole sentence with a right checksum, or without one.
fn fields(line: &[u8]) -> Option<Vec<String>> {
    let line = std::str::from_utf8(line).ok()?.trim();
    let body = line.strip_prefix('$')?;
    let (body, given) = body.split_once('*').map_or((body, None), |(body, sum)| (body, Some(sum)));
    let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
    let right = given.is_none_or(|given| u8::from_str_radix(given, 16) == Ok(sum));
    let plain = body.bytes().all(|byte| (0x20..0x7f).contains(&byte) && byte != b'$');
    let word = body.split(',').next()?;
    (right && plain && word.len() == 5).then(|| body.split(',').map(str::to_owned).collect())
}

/// The time of day of the epoch at hand, and the seconds since the first.
#[derive(Clone, Copy, Debug, Default)]
struct Clock {
    first_s: Option<u32>,
    time_s: u32,
    whole: bool,
}

impl Clock {
    fn look(&mut self, fields: &[String]) {
        let at = match kind(fields) {
            "RMC" | "GGA" | "GNS" => 1,
            "GLL" => 5,
            _ => return,
        };
        let Some(text) = fields.get(at) else { return };
        let part = |from: usize| text.get(from..from + 2)?.parse::<u32>().ok();
        let (Some(hour), Some(minute), Some(second)) = (part(0), part(2), part(4)) else { return };
        self.time_s = hour * 3600 + minute * 60 + second;
        self.whole = text.get(6..).is_none_or(|rest| rest.bytes().all(|byte| byte == b'.' || byte == b'0'));
        self.first_s.get_or_insert(self.time_s);
    }

    fn since_first_s(self) -> u32 {
        (self.time_s + 86_400 - self.first_s.unwrap_or(self.time_s)) % 86_400
    }
}

fn kind(fields: &[String]) -> &str {
    fields.first().and_then(|word| word.get(2..)).unwrap_or_default()
}

/// Where the latitude stands; the longitude is two fields on.
fn latitude_at(kind: &str) -> Option<usize> {
    match kind {
        "RMC" => Some(3),
        "GGA" | "GNS" => Some(2),
        "GLL" => Some(1),
        _ => None,
    }
}

impl Change {
    /// Changes the fields of one sentence; `false` if it is left out.
    fn make(self, fields: &mut Vec<String>, clock: Clock) -> bool {
        let kind = kind(fields).to_owned();
        match self {
            Self::Only(kinds) => return kinds.contains(&kind.as_str()),
            Self::Without(kinds) => return !kinds.contains(&kind.as_str()),
            Self::Talker(talker) => {
                if let Some(word) = fields.first_mut().filter(|word| word.starts_with('G')) {
                    word.replace_range(..2, talker);
                }
            }
            Self::NoMode => match kind.as_str() {
                "RMC" => fields.truncate(12),
                "GLL" => fields.truncate(7),
                "VTG" => fields.truncate(9),
                _ => {}
            },
            Self::Decimals(decimals) => {
                if let Some(at) = latitude_at(&kind) {
                    for at in [at, at + 2] {
                        if let Some(field) = fields.get_mut(at) {
                            round(field, decimals);
                        }
                    }
                }
            }
            Self::NoDate => {
                if kind == "ZDA" {
                    return false;
                }
                if kind == "RMC"
                    && let Some(date) = fields.get_mut(9)
                {
                    date.clear();
                }
            }
            Self::NoSpeed => {
                let (from, to) = match kind.as_str() {
                    "RMC" => (7, 9),
                    "VTG" => (1, 9),
                    _ => return true,
                };
                for field in fields.iter_mut().take(to).skip(from).filter(|field| field.parse::<f64>().is_ok()) {
                    field.clear();
                }
            }
            Self::EverySeconds(every_s) => return clock.whole && clock.time_s.is_multiple_of(every_s.max(1)),
            Self::Gaps { left_s, out_s } => return clock.since_first_s() % (left_s + out_s).max(1) < left_s,
        }
        true
    }
}

/// `ddmm.mmmm` or `dddmm.mmmm` with so many decimals.
fn round(field: &mut String, decimals: usize) {
    let Some(point) = field.find('.').filter(|point| 3 < *point && decimals + point + 1 < field.len()) else { return };
    let (Ok(degrees), Ok(minutes)) = (field[..point - 2].parse::<u32>(), field[point - 2..].parse::<f64>()) else {
        return;
    };
    let width = decimals + 3;
    let mut text = format!("{minutes:0width$.decimals$}");
    let mut degrees = degrees;
    if text.starts_with("60") {
        degrees += 1;
        text = format!("{:0width$.decimals$}", 0.0);
    }
    let digits = point - 2;
    *field = format!("{degrees:0digits$}{text}");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(given: &str, changes: &[Change], expected: &[&str]) {
        let lines: Vec<u8> = given.lines().flat_map(|body| sentence(body).into_bytes()).collect();
        let expected: String = expected.iter().map(|body| sentence(body)).collect();
        assert_eq!(String::from_utf8_lossy(&altered(&lines, changes)), expected, "{changes:?}");
    }

    const RMC: &str = "GPRMC,120000.00,A,4430.12345,N,03000.98765,W,0.40,90.0,251126,,,A";
    const GGA: &str = "GPGGA,120000.00,4430.12345,N,03000.98765,W,1,9,1.1,3.0,M,20.0,M,,";

    #[test]
    fn each_change_is_what_it_says() {
        let both = format!("{RMC}\n{GGA}");
        check(&both, &[], &[RMC, GGA]);
        check(&both, &[Change::Only(&["GGA"])], &[GGA]);
        check(&both, &[Change::Without(&["GGA"])], &[RMC]);
        check(RMC, &[Change::Talker("GL")], &["GLRMC,120000.00,A,4430.12345,N,03000.98765,W,0.40,90.0,251126,,,A"]);
        check(RMC, &[Change::NoMode], &["GPRMC,120000.00,A,4430.12345,N,03000.98765,W,0.40,90.0,251126,,"]);
        check(GGA, &[Change::Decimals(2)], &["GPGGA,120000.00,4430.12,N,03000.99,W,1,9,1.1,3.0,M,20.0,M,,"]);
        check(RMC, &[Change::NoDate], &["GPRMC,120000.00,A,4430.12345,N,03000.98765,W,0.40,90.0,,,,A"]);
        check(RMC, &[Change::NoSpeed], &["GPRMC,120000.00,A,4430.12345,N,03000.98765,W,,,251126,,,A"]);
        check("GPVTG,54.7,T,34.4,M,5.5,N,10.2,K,A", &[Change::NoSpeed], &["GPVTG,,T,,M,,N,,K,A"]);
        check("GPVTG,54.7,T,34.4,M,5.5,N,10.2,K,A", &[Change::NoMode], &["GPVTG,54.7,T,34.4,M,5.5,N,10.2,K"]);
        let east = "GPGLL,0059.99996,N,17959.99996,E,120001.00,A,A";
        check(east, &[Change::Decimals(4)], &["GPGLL,0100.0000,N,18000.0000,E,120001.00,A,A"]);
        check(east, &[Change::EverySeconds(5)], &[]);
        check(&both, &[Change::EverySeconds(5)], &[RMC, GGA]);
    }

    #[test]
    fn gaps_are_cut_by_the_time_of_the_recording_and_what_is_no_sentence_stays() {
        let at = |second: u32| format!("GPGLL,4430.1,N,03000.9,W,12000{second},A,A");
        let all: Vec<String> = (0..10).map(at).collect();
        let expected: Vec<&str> = [0, 1, 2, 5, 6, 7].iter().map(|second| all[*second].as_str()).collect();
        check(&all.join("\n"), &[Change::Gaps { left_s: 3, out_s: 2 }], &expected);
        let noise = b"\x01\x02 noise\n$GPGLL,1*00\r\nGPRMC\n";
        assert_eq!(altered(noise, &[Change::Only(&["RMC"])]), noise);
    }
}
