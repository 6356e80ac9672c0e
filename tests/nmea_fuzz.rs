//! Row 20 of the matrix of faults: a million damaged sentences. A binary of its own, since it measures the memory of
//! the whole process.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle_core::moment::{Mono, Utc};
use pintle_core::position::fix::BytesToEpochs;
use pintle_core::position::fix::date::DateReference;
use pintle_core::sim::random::Random;
use pintle_core::sim::sentences::sentence;

const SENTENCES: usize = 1_000_000;

/// Resident bytes of this process (proc(5), statm: pages).
#[expect(clippy::disallowed_methods, reason = "a test of the core's memory reads what the kernel says of it")]
fn resident() -> u64 {
    let text = std::fs::read_to_string("/proc/self/statm").unwrap();
    text.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 4096
}

/// A right sentence of second `second`, of a kind that a receiver sends; every fifth second has no fix, and every
/// seventh claims to be at 0, 0.
fn right(second: u32, kind: u32) -> String {
    let time = format!("{:02}{:02}{:02}.00", second / 3600 % 24, second / 60 % 60, second % 60);
    let place = if second.is_multiple_of(7) { "0000.0000,N,00000.0000,E" } else { "4430.6007,N,03000.0003,W" };
    let (status, quality) = if second.is_multiple_of(5) { ("V", "0") } else { ("A", "1") };
    sentence(&match kind {
        0 => format!("GNRMC,{time},{status},{place},0.04,,251126,,,A"),
        1 => format!("GNGGA,{time},{place},{quality},11,0.8,3.0,M,20.0,M,,"),
        2 => format!("GNGLL,{place},{time},{status},A"),
        3 => "GNGSA,A,3,02,05,07,09,13,15,,,,,,,1.5,0.8,1.2".to_owned(),
        4 => "GNVTG,,T,,M,0.04,N,0.07,K,A".to_owned(),
        5 => format!("GNGST,{time},1.0,,,,2.1,3.4,5.0"),
        _ => format!("GNZDA,{time},25,11,2026,00,00"),
    })
}

/// Damages a sentence as lines, buffers and memories do; half of the time the checksum is made right again.
fn damaged(mut bytes: Vec<u8>, random: &mut Random) -> Vec<u8> {
    for _ in 0..=random.below(3) {
        let len = u32::try_from(bytes.len()).unwrap().max(1);
        let at = (random.below(len) as usize).min(bytes.len().saturating_sub(1));
        match random.below(8) {
            0 if !bytes.is_empty() => bytes[at] = u8::try_from(random.below(256)).unwrap(),
            1 if !bytes.is_empty() => bytes[at] ^= 1 << random.below(8),
            2 if !bytes.is_empty() => drop(bytes.remove(at)),
            3 => bytes.insert(at, u8::try_from(random.below(256)).unwrap()),
            4 => bytes.truncate(at),
            5 => bytes.insert(at, b','),
            6 => {
                let digit = b'0' + u8::try_from(random.below(10)).unwrap();
                if let Some(byte) = bytes.get_mut(at).filter(|byte| byte.is_ascii_digit()) {
                    *byte = digit;
                }
            }
            _ => {
                let part = bytes[at..].to_vec();
                bytes.splice(at..at, part);
            }
        }
    }
    if random.chance(0.5) {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let body = text.trim_start_matches('$').split('*').next().unwrap_or_default().to_owned();
        return sentence(&body).into_bytes();
    }
    bytes
}

/// What a witness says, read independently and narrowly: its time of day in the form hhmmss.ss.
#[derive(Clone, Copy)]
struct Said {
    time_ms: u32,
    denies: bool,
    /// Some receivers send one GGA per constellation, of which one that affirms is enough.
    gga: bool,
}

fn said(bytes: &[u8]) -> Option<Said> {
    let line = std::str::from_utf8(bytes).ok()?.strip_prefix('$')?.strip_suffix("\r\n")?;
    let (body, sum) = line.split_once('*')?;
    // NMEA 0183 allows printable ASCII only.
    if !body.bytes().all(|byte| (0x20..0x7f).contains(&byte)) {
        return None;
    }
    let found = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
    if sum.len() != 2 || u8::from_str_radix(sum, 16).ok()? != found {
        return None;
    }
    let fields: Vec<&str> = body.split(',').collect();
    let kind = body.get(2..5)?;
    let (time, denies) = match kind {
        "RMC" => (fields.get(1)?, *fields.get(2)? == "V"),
        "GGA" => (fields.get(1)?, *fields.get(6)? == "0"),
        "GLL" => (fields.get(5)?, *fields.get(6)? == "V"),
        _ => return None,
    };
    let plain = time.len() == 9 && time.as_bytes()[6] == b'.' && time.bytes().filter(u8::is_ascii_digit).count() == 8;
    let part = |range: std::ops::Range<usize>| time.get(range).and_then(|text| text.parse::<u32>().ok());
    let (h, m, s, hundredths) = plain.then(|| Some((part(0..2)?, part(2..4)?, part(4..6)?, part(7..9)?))).flatten()?;
    Some(Said { time_ms: ((h * 60 + m) * 60 + s) * 1000 + hundredths * 10, denies, gga: kind == "GGA" })
}

/// Witnesses in a row that share a time of day.
#[derive(Clone, Copy, Default)]
struct Run {
    time_ms: u32,
    denied: bool,
    gga_denied: bool,
    gga_affirmed: bool,
}

impl Run {
    fn says_no(self) -> bool {
        self.denied || (self.gga_denied && !self.gga_affirmed)
    }

    fn hear(&mut self, said: Said) {
        if self.time_ms != said.time_ms {
            *self = Self { time_ms: said.time_ms, ..Self::default() };
        }
        self.denied |= said.denies && !said.gga;
        self.gga_denied |= said.denies && said.gga;
        self.gga_affirmed |= !said.denies && said.gga;
    }
}

#[test]
fn row_20_nmea_fuzz_1e6() {
    let mut random = Random::new(20);
    let mut line = BytesToEpochs::new(DateReference::around(Utc(1_795_600_000_000)));
    let mut epochs = Vec::new();
    // The witnesses in a row that share a time of day, as this test reads them.
    let mut run = Run { time_ms: u32::MAX, ..Run::default() };
    let (mut fixes, mut denials, mut now) = (0_u32, 0_u32, Mono(0));
    let mut before = 0;
    for n in 0..SENTENCES {
        if n == SENTENCES / 20 {
            before = resident();
        }
        let n = u32::try_from(n).unwrap();
        let (second, kind) = (n / 7, n % 7);
        let right = right(second, kind).into_bytes();
        let bytes = if random.chance(0.7) { damaged(right, &mut random) } else { right };
        if kind == 0 {
            now = now.plus_ms(1000);
        }
        line.on_bytes(&bytes, now, &mut epochs);
        for epoch in epochs.drain(..) {
            let Ok(fix) = epoch.outcome else { continue };
            fixes += 1;
            assert!(fix.position.lat_deg() != 0.0 || fix.position.lon_deg() != 0.0, "0, 0 became a fix at {n}");
            let of_run = epoch.time_of_day_ms == Some(run.time_ms);
            assert!(!of_run || !run.says_no(), "no fix became a fix at {n}");
        }
        if let Some(said) = said(&bytes) {
            denials += u32::from(said.denies);
            run.hear(said);
        }
    }
    let grown = resident().saturating_sub(before);
    assert!(10_000 < fixes && 10_000 < denials, "{fixes} fixes and {denials} denials: the test tests something");
    assert!(grown <= 5 << 20, "grew by {grown} bytes");
    let counts = line.reader().counts();
    assert!(100_000 < counts.wrong && 100_000 < counts.valid);
}
