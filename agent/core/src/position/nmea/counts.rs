//! What came over the line, counted by talker and type in a bounded table that never allocates after its making.

/// What a sentence is, as far as its address tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Label {
    /// Talker of two characters, or `P` for a proprietary sentence.
    talker: [u8; 2],
    /// Type of three characters, or `P` and up to three more of a proprietary sentence.
    kind: [u8; 4],
}

impl Label {
    /// Reads the address at the head of `text` (a candidate without its first character). An address is `P` and two or
    /// more of `A-Z0-9`, or two of `A-Z0-9` and three capital letters, and a comma, a star or the end follows it.
    /// Returns the label and the length of the address.
    #[must_use]
    pub fn read(text: &[u8]) -> Option<(Self, usize)> {
        let is_name = |c: &u8| c.is_ascii_uppercase() || c.is_ascii_digit();
        let len = text.iter().take_while(|c| is_name(c)).count();
        if !matches!(text.get(len), None | Some(b',' | b'*')) {
            return None;
        }
        if text.first() == Some(&b'P') && 3 <= len {
            let mut kind = [0; 4];
            kind[..len.min(4)].copy_from_slice(&text[..len.min(4)]);
            return Some((Self { talker: [b'P', 0], kind }, len));
        }
        if len != 5 || !text[2..5].iter().all(u8::is_ascii_uppercase) {
            return None;
        }
        Some((Self { talker: [text[0], text[1]], kind: [text[2], text[3], text[4], 0] }, len))
    }

    /// The talker: two characters, or `P`.
    #[must_use]
    pub fn talker(&self) -> &str {
        as_text(&self.talker)
    }

    /// The type: three characters, or `P` and up to three more.
    #[must_use]
    pub fn kind(&self) -> &str {
        as_text(&self.kind)
    }

    fn key(self) -> u64 {
        let mut bytes = [0; 8];
        bytes[..2].copy_from_slice(&self.talker);
        bytes[2..6].copy_from_slice(&self.kind);
        u64::from_le_bytes(bytes)
    }
}

fn as_text(bytes: &[u8]) -> &str {
    let len = bytes.iter().position(|c| *c == 0).unwrap_or(bytes.len());
    std::str::from_utf8(&bytes[..len]).unwrap_or("")
}

/// Slots of the table, a power of two. Three quarters are used at most; the shared logs hold under 100 labels in all.
const SLOTS: usize = 512;
const LABELS_MAX: usize = SLOTS / 4 * 3;

/// Sentences by label. Noise could invent labels without end, so what does not fit is counted together.
#[derive(Clone, Debug)]
pub struct ByLabel {
    slots: Vec<Option<(Label, u64)>>,
    used: usize,
    others: u64,
}

impl Default for ByLabel {
    fn default() -> Self {
        Self { slots: vec![None; SLOTS], used: 0, others: 0 }
    }
}

impl ByLabel {
    /// One more sentence of `label`.
    pub fn add(&mut self, label: Label) {
        // Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4; from memory) on the nine highest bits.
        let mut at = usize::try_from(label.key().wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 55).unwrap_or(0);
        loop {
            match &mut self.slots[at] {
                Some((held, count)) if *held == label => {
                    *count += 1;
                    return;
                }
                Some(_) => at = (at + 1) % SLOTS,
                slot if self.used < LABELS_MAX => {
                    *slot = Some((label, 1));
                    self.used += 1;
                    return;
                }
                None => {
                    self.others += 1;
                    return;
                }
            }
        }
    }

    /// Every label seen, with its count, in no order.
    pub fn iter(&self) -> impl Iterator<Item = (Label, u64)> + '_ {
        self.slots.iter().flatten().copied()
    }

    /// Sentences whose label found no room in the table.
    #[must_use]
    pub fn others(&self) -> u64 {
        self.others
    }
}

/// Counts of one line since the start.
#[derive(Clone, Debug, Default)]
pub struct Counts {
    /// Bytes of any kind.
    pub bytes: u64,
    /// Candidates with an address: what is called a sentence everywhere.
    pub sentences: u64,
    /// Candidates without one.
    pub no_address: u64,
    /// Sentences whose checksum is there and right.
    pub valid: u64,
    /// Sentences whose checksum is there and wrong.
    pub wrong: u64,
    /// Sentences without a complete checksum, the cut-off too long ones included.
    pub missing: u64,
    /// Sentences longer than the [`LIMIT`](super::LIMIT) of our buffer: cut, nothing taken from them.
    pub too_long: u64,
    /// Sentences over the 80 characters (without CR LF) that NMEA 0183 allows (from memory). They are read.
    pub over_80: u64,
    /// Characters of the longest sentence read, from its first character to its checksum.
    pub longest: usize,
    /// Sentences by talker and type, whatever their checksum.
    pub by_label: ByLabel,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_told_from_noise() {
        let names =
            |text: &str| Label::read(text.as_bytes()).map(|(l, _)| (l.talker().to_owned(), l.kind().to_owned()));
        let pair = |a: &str, b: &str| Some((a.to_owned(), b.to_owned()));
        assert_eq!(names("GPRMC,1"), pair("GP", "RMC"));
        assert_eq!(names("04XDR*00"), pair("04", "XDR"));
        assert_eq!(names("PLCJE8FC8,"), pair("P", "PLCJ"));
        assert_eq!(names("PQX"), pair("P", "PQX"));
        assert_eq!(names("PQ,"), None);
        assert_eq!(names("GPRM1,"), None);
        assert_eq!(names("GPRMCX,"), None);
        assert_eq!(names("GPRMC 1"), None);
        assert_eq!(names(""), None);
    }

    #[test]
    fn invented_labels_do_not_grow_the_table() {
        let mut table = ByLabel::default();
        let mut sent = 0;
        for a in b'A'..=b'Z' {
            for b in b'A'..=b'Z' {
                let text = [b'G', b'P', a, b, b'X', b','];
                table.add(Label::read(&text).map_or_else(|| unreachable!(), |(label, _)| label));
                sent += 1;
            }
        }
        assert_eq!(table.iter().count(), LABELS_MAX);
        assert_eq!(table.iter().map(|(_, count)| count).sum::<u64>() + table.others(), sent);
    }
}
