//! Bytes of a serial line → sentences whose checksum is right; everything else is counted and dropped.
//!
//! What is a sentence (our definitions, held against an independent reference on recorded logs by `tests/logs.rs`): the
//! stream breaks at every byte outside 0x20-0x7E. In what is left, a candidate starts at every `$` and at a `!` that
//! five
//! capital letters and a comma follow; it runs to the next start or break, and spaces at its end do not count. It is a
//! sentence if it has an address ([`Label::read`]). Its checksum is the text after its first `*`: exactly two
//! hexadecimal digits that equal the XOR of all bytes between start and star.
//!
//! How the stream was cut into reads makes no difference, and in the steady state nothing is allocated: a sentence that
//! lies whole in the caller's buffer is read there, and only the cut ones are copied into a buffer of fixed size.
//!
//! Time, date and position are read by [`fields`], quality and speed by the `nmea` crate ([`by_crate`]): the crate
//! gives up a whole sentence for one field that it can't read (a date such as `2208-1`, seconds `60`, a status `S`),
//! and that may cost a quality but never a position. See decision 8.

pub mod by_crate;
mod counts;
pub mod fields;

pub use counts::{ByLabel, Counts, Label};

use fields::Fields;

/// Longest candidate that is read, characters. NMEA 0183 allows 80 (from memory); the longest in our logs has 203.
pub const LIMIT: usize = 512;

/// The types that position needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Recommended minimum: time, status, position, speed, date.
    Rmc,
    /// Fix data: time, position, quality, satellites, HDOP.
    Gga,
    /// Position and time.
    Gll,
    /// Fix data of several constellations.
    Gns,
    /// Course and speed over ground.
    Vtg,
    /// Satellites used, and dilutions of precision.
    Gsa,
    /// Error statistics.
    Gst,
    /// Time and date.
    Zda,
    /// Anything else.
    Other,
}

impl Kind {
    fn of(label: Label) -> Self {
        match label.kind() {
            "RMC" => Self::Rmc,
            "GGA" => Self::Gga,
            "GLL" => Self::Gll,
            "GNS" => Self::Gns,
            "VTG" => Self::Vtg,
            "GSA" => Self::Gsa,
            "GST" => Self::Gst,
            "ZDA" => Self::Zda,
            _ => Self::Other,
        }
    }
}

/// One sentence whose checksum is right.
#[derive(Clone, Copy, Debug)]
pub struct Sentence<'a> {
    /// Who talks, and of what.
    pub label: Label,
    /// The type, if it is one that position needs.
    pub kind: Kind,
    /// From its first character to the last of its checksum.
    text: &'a [u8],
    /// From the first comma to before the star.
    body: &'a [u8],
}

impl<'a> Sentence<'a> {
    /// All of it, from its first character to the last of its checksum.
    #[must_use]
    pub fn text(&self) -> &'a [u8] {
        self.text
    }

    /// What stands between its address and its star.
    #[must_use]
    pub fn body(&self) -> &'a [u8] {
        self.body
    }

    /// Its fields; the first after the address is number 1.
    #[must_use]
    pub fn fields(&self) -> Fields<'a> {
        Fields::split(self.body)
    }
}

/// A `!` may start a sentence, but that is only known six characters later.
#[derive(Clone, Copy, Debug, Default)]
struct Bang {
    letters: [u8; 5],
    count: usize,
}

/// Bytes in, checked sentences out.
#[derive(Clone, Debug)]
pub struct Reader {
    counts: Counts,
    /// The candidate that the last bytes left unfinished, at most [`LIMIT`] bytes of it; empty if there is none.
    carry: Vec<u8>,
    /// Its true length.
    carry_len: usize,
    /// Set while a `!` waits for its letters.
    bang: Option<Bang>,
}

impl Default for Reader {
    fn default() -> Self {
        Self { counts: Counts::default(), carry: Vec::with_capacity(LIMIT), carry_len: 0, bang: None }
    }
}

impl Reader {
    /// What has come so far.
    #[must_use]
    pub fn counts(&self) -> &Counts {
        &self.counts
    }

    /// Takes the next bytes of the line and hands every sentence with a right checksum that they complete to `sink`.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut impl FnMut(&Sentence<'_>)) {
        self.counts.bytes += u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        let mut at = 0;
        while at < bytes.len() {
            if 0 < self.carry_len {
                self.push(bytes[at], sink);
                at += 1;
                continue;
            }
            let Some(start) = bytes[at..].iter().position(|c| matches!(c, b'$' | b'!')).map(|from| at + from) else {
                return;
            };
            match whole(&bytes[start..]) {
                Whole::No => at = start + 1,
                Whole::Candidate(len) => {
                    judge(&mut self.counts, &bytes[start..start + len], len, sink);
                    at = start + len;
                }
                Whole::Unfinished => {
                    for byte in &bytes[start..] {
                        self.push(*byte, sink);
                    }
                    return;
                }
            }
        }
    }

    /// The line has ended (end of a file, device gone): what is unfinished is judged as it stands.
    pub fn finish(&mut self, sink: &mut impl FnMut(&Sentence<'_>)) {
        self.end(self.carry_len, sink);
        self.carry_len = 0;
        self.bang = None;
    }

    /// The slow path: one byte, with all state kept between the calls.
    fn push(&mut self, byte: u8, sink: &mut impl FnMut(&Sentence<'_>)) {
        if let Some(mut bang) = self.bang.take() {
            if bang.count < 5 && byte.is_ascii_uppercase() {
                bang.letters[bang.count] = byte;
                bang.count += 1;
                self.keep(byte);
                self.bang = Some(bang);
                return;
            }
            if bang.count == 5 && byte == b',' {
                self.end(self.carry_len - 6, sink);
                self.start(b'!');
                for letter in bang.letters {
                    self.keep(letter);
                }
                self.keep(byte);
                return;
            }
            if self.carry_len == bang.count + 1 && self.carry.first() == Some(&b'!') {
                // It stood alone and is no start: nothing is open.
                self.carry_len = 0;
            }
        }
        match byte {
            b'$' => {
                self.end(self.carry_len, sink);
                self.start(byte);
            }
            b'!' => {
                if self.carry_len == 0 {
                    self.start(byte);
                } else {
                    self.keep(byte);
                }
                self.bang = Some(Bang::default());
            }
            0x20..=0x7E if 0 < self.carry_len => self.keep(byte),
            0x20..=0x7E => {}
            _ => {
                self.end(self.carry_len, sink);
                self.carry_len = 0;
            }
        }
    }

    fn start(&mut self, byte: u8) {
        self.carry.clear();
        self.carry.push(byte);
        self.carry_len = 1;
    }

    fn keep(&mut self, byte: u8) {
        if self.carry.len() < LIMIT {
            self.carry.push(byte);
        }
        self.carry_len += 1;
    }

    fn end(&mut self, len: usize, sink: &mut impl FnMut(&Sentence<'_>)) {
        if 0 < len && !(len == self.carry_len && self.is_bare_bang()) {
            judge(&mut self.counts, &self.carry[..len.min(self.carry.len())], len, sink);
        }
    }

    /// True while all that is open is a `!` of which it is not known yet whether it starts anything.
    fn is_bare_bang(&self) -> bool {
        self.bang.is_some_and(|bang| self.carry_len == bang.count + 1)
    }
}

enum Whole {
    /// Its first byte starts nothing.
    No,
    /// A candidate of this length, and what follows it shows that it is complete.
    Candidate(usize),
    /// The bytes end before that is known.
    Unfinished,
}

/// Looks at `bytes`, which begin with `$` or `!`.
fn whole(bytes: &[u8]) -> Whole {
    if bytes[0] == b'!' {
        match bang_starts(bytes) {
            Some(true) => {}
            Some(false) => return Whole::No,
            None => return Whole::Unfinished,
        }
    }
    let mut at = 1;
    while at < bytes.len() {
        match bytes[at] {
            b'!' => match bang_starts(&bytes[at..]) {
                Some(true) => return Whole::Candidate(at),
                Some(false) => at += 1,
                None => return Whole::Unfinished,
            },
            b'$' | 0..=0x1F | 0x7F.. => return Whole::Candidate(at),
            _ => at += 1,
        }
    }
    Whole::Unfinished
}

/// Whether the `!` at the head of `bytes` starts a candidate; `None` if the bytes end before that is known.
fn bang_starts(bytes: &[u8]) -> Option<bool> {
    let letters = bytes.iter().skip(1).take(5).take_while(|c| c.is_ascii_uppercase()).count();
    match bytes.get(letters + 1) {
        None => None,
        Some(b',') if letters == 5 => Some(true),
        Some(_) => Some(false),
    }
}

/// Counts a complete candidate and hands it on if its checksum is right. `len` is its true length; `candidate` holds at
/// most [`LIMIT`] bytes of it.
fn judge(counts: &mut Counts, candidate: &[u8], len: usize, sink: &mut impl FnMut(&Sentence<'_>)) {
    let too_long = LIMIT < len;
    let spaces = candidate.iter().rev().take_while(|c| **c == b' ').count();
    let candidate = &candidate[..candidate.len().min(LIMIT) - if too_long { 0 } else { spaces }];
    let Some(text) = candidate.get(1..) else {
        counts.no_address += 1;
        return;
    };
    let Some((label, address_len)) = Label::read(text) else {
        counts.no_address += 1;
        return;
    };
    counts.sentences += 1;
    counts.by_label.add(label);
    if too_long {
        counts.too_long += 1;
        counts.over_80 += 1;
        counts.missing += 1;
        return;
    }
    counts.over_80 += u64::from(80 < candidate.len());
    counts.longest = counts.longest.max(candidate.len());
    let mut sum = 0;
    let mut star = None;
    for (at, byte) in text.iter().enumerate() {
        if *byte == b'*' {
            star = Some(at);
            break;
        }
        sum ^= byte;
    }
    let Some(star) = star else {
        counts.missing += 1;
        return;
    };
    let digits = match text[star + 1..] {
        [high, low] => fields::hex(high).zip(fields::hex(low)),
        _ => None,
    };
    match digits {
        Some((high, low)) if high << 4 | low == sum => {
            counts.valid += 1;
            sink(&Sentence { label, kind: Kind::of(label), text: candidate, body: &text[address_len..star] });
        }
        Some(_) => counts.wrong += 1,
        None => counts.missing += 1,
    }
}

#[cfg(test)]
mod tests;
