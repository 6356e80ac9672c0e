//! Which speed the GPS receiver's line has, found by trying: bytes that are no sentences mean another one.

use crate::moment::Mono;

/// Speeds that are tried, in this order, bit/s: 4800 is the one of NMEA 0183 (source: the standard's section on the
/// electrical interface, from memory), the others are what receivers are delivered with (common practice, no source).
pub const RATES: [u32; 6] = [9_600, 4_800, 38_400, 115_200, 57_600, 19_200];

/// A speed is given up after so long with bytes and without a sentence, ms: receivers report at least once a second,
/// and the first line may be cut.
pub const TRIED_MS: u64 = 2_500;

/// And after so many bytes: a single disturbed one tells nothing (our own limit).
pub const TRIED_BYTES: usize = 40;

/// A speed that was right is left only after so long with nothing but noise, ms: the receiver was replaced or set anew.
pub const DOUBTED_MS: u64 = 20_000;

/// Finds the speed of one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RateHunt {
    configured: Option<u32>,
    rate: u32,
    proven: bool,
    noise: Option<(Mono, usize)>,
    given_up: usize,
}

impl RateHunt {
    /// `configured` is kept whatever comes; without it, the one `known` from before is tried first.
    #[must_use]
    pub fn new(configured: Option<u32>, known: Option<u32>) -> Self {
        let known = known.filter(|rate| RATES.contains(rate));
        Self { configured, rate: configured.or(known).unwrap_or(RATES[0]), proven: false, noise: None, given_up: 0 }
    }

    /// The speed to open the line with now, bit/s.
    #[must_use]
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// The speed at which sentences came, bit/s; `None` while none has.
    #[must_use]
    pub fn found(&self) -> Option<u32> {
        self.proven.then_some(self.rate)
    }

    /// True once every speed was tried in vain.
    #[must_use]
    pub fn in_vain(&self) -> bool {
        self.configured.is_none() && RATES.len() <= self.given_up
    }

    /// The line was opened anew.
    pub fn on_open(&mut self) {
        self.noise = None;
    }

    /// So many bytes came, with so many sentences among them. Answers the next speed to try, if it is time to.
    pub fn on_bytes(&mut self, bytes: usize, sentences: u64, now: Mono) -> Option<u32> {
        if 0 < sentences {
            (self.proven, self.noise, self.given_up) = (true, None, 0);
            return None;
        }
        let (since, before) = self.noise.unwrap_or((now, 0));
        let seen = before.saturating_add(bytes);
        self.noise = Some((since, seen));
        let patience_ms = if self.proven { DOUBTED_MS } else { TRIED_MS };
        if self.configured.is_some() || seen < TRIED_BYTES || now.since_ms(since) < patience_ms {
            return None;
        }
        let at = RATES.iter().position(|rate| *rate == self.rate).map_or(0, |at| (at + 1) % RATES.len());
        (self.rate, self.proven, self.noise) = (RATES[at], false, None);
        self.given_up = self.given_up.saturating_add(1);
        Some(self.rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lets a receiver talk at `true_rate` for `seconds`; answers the speeds that were opened, the first one included.
    fn talk(hunt: &mut RateHunt, true_rate: u32, from_s: u64, seconds: u64) -> Vec<u32> {
        let mut opened = vec![hunt.rate()];
        for tenth in 0..seconds * 10 {
            let sentences = u64::from(hunt.rate() == true_rate);
            let now = Mono(from_s * 1000 + tenth * 100);
            if let Some(rate) = hunt.on_bytes(48, sentences, now) {
                hunt.on_open();
                opened.push(rate);
            }
        }
        opened
    }

    #[test]
    fn every_usual_speed_is_found_within_sixteen_seconds_and_kept() {
        for rate in RATES {
            let mut hunt = RateHunt::new(None, None);
            let opened = talk(&mut hunt, rate, 0, 16);
            assert_eq!((opened.last(), hunt.found(), hunt.in_vain()), (Some(&rate), Some(rate), false));
            assert_eq!(talk(&mut hunt, rate, 16, 600), [rate], "it stays");
            // The next start begins with it.
            assert_eq!(talk(&mut RateHunt::new(None, Some(rate)), rate, 0, 10), [rate]);
        }
    }

    #[test]
    fn a_configured_speed_is_never_left_and_a_strange_memory_is_none() {
        let mut hunt = RateHunt::new(Some(38_400), Some(9_600));
        assert_eq!(talk(&mut hunt, 4_800, 0, 100), [38_400]);
        assert!(!hunt.in_vain());
        assert_eq!(RateHunt::new(None, Some(12_345)).rate(), RATES[0]);
    }

    #[test]
    fn silence_and_single_bytes_start_no_hunt() {
        let mut hunt = RateHunt::new(None, None);
        for second in 0..30 {
            assert_eq!(hunt.on_bytes(1, 0, Mono(second * 1000)), None);
        }
        assert_eq!(hunt.rate(), RATES[0]);
    }

    #[test]
    fn a_speed_that_was_right_survives_noise_of_seconds_but_not_another_receiver() {
        let mut hunt = RateHunt::new(None, None);
        talk(&mut hunt, 9_600, 0, 5);
        assert_eq!(talk(&mut hunt, 0, 5, 15), [9_600], "noise of 15 s");
        talk(&mut hunt, 9_600, 20, 1);
        let opened = talk(&mut hunt, 4_800, 21, 30);
        assert_eq!((opened, hunt.found()), (vec![9_600, 4_800], Some(4_800)));
    }

    #[test]
    fn a_binary_receiver_is_told_once_all_were_tried_and_is_tried_on_for_ever() {
        let mut hunt = RateHunt::new(None, None);
        let opened = talk(&mut hunt, 0, 0, 60);
        assert!(hunt.in_vain() && hunt.found().is_none());
        assert_eq!(opened[..7], [9_600, 4_800, 38_400, 115_200, 57_600, 19_200, 9_600]);
        assert_eq!(talk(&mut hunt, 38_400, 60, 16).last(), Some(&38_400));
        assert!(!hunt.in_vain());
    }
}
