//! The age of what is stored, by a clock that a wrong date can't push: `lived` counts the milliseconds that the store
//! has lived. It follows the boot-time clock while the agent runs and over restarts within one boot. The time spent
//! switched off is added once a trusted UTC has held for ten minutes. A step of the wall clock moves it not at all.

use crate::moment::{ClockEras, Moment, Mono, Utc, UtcTrust};

/// UTC must be trusted, without a step, for this long before the time spent switched off is believed, ms. Common
/// practice, no source: longer than the first minutes of a GPS receiver or a time server after power-on.
pub const TRUST_MS_MIN: u64 = 600_000;

/// The time spent switched off is believed up to this, ms: 36 months, the longest limit that there is.
pub const OFF_MS_MAX: i64 = 36 * 31 * 86_400_000;

/// What is written down to go on from after a restart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LivedMark {
    /// The boot during which it was written.
    pub boot: [u8; 16],
    /// The boot-time clock then.
    pub mono: Mono,
    /// The store's age then, ms.
    pub lived_ms: i64,
    /// The last pair of a trusted UTC and the store's age at it, ms.
    pub reference: Option<(Utc, i64)>,
    /// True if the host was off since that pair, and that time is not yet added.
    pub off_pending: bool,
}

/// The running clock.
#[derive(Clone, Debug)]
pub struct Lived {
    boot: [u8; 16],
    base_ms: i64,
    since: Mono,
    eras: ClockEras,
    trusted_since: Option<Mono>,
    reference: Option<(Utc, i64)>,
    off_pending: bool,
}

impl Lived {
    /// Goes on from `mark`. `at_least_ms`: the age at which the newest stored event was born, for a mark that a crash
    /// left behind.
    #[must_use]
    pub fn resume(mark: Option<&LivedMark>, at_least_ms: i64, boot: [u8; 16], now: &Moment) -> Self {
        let same_boot = mark.filter(|m| m.boot == boot && m.mono <= now.mono);
        let base_ms = match (mark, same_boot) {
            (_, Some(m)) => m.lived_ms.saturating_add(as_ms(now.mono.since_ms(m.mono))),
            (Some(m), None) => m.lived_ms.max(at_least_ms),
            (None, None) => at_least_ms.max(0),
        };
        let mut lived = Self {
            boot,
            base_ms,
            since: now.mono,
            eras: ClockEras::default(),
            trusted_since: None,
            reference: mark.and_then(|m| m.reference),
            off_pending: mark.is_some_and(|m| m.off_pending || same_boot.is_none()),
        };
        lived.observe(now);
        lived
    }

    /// Tells the current reading of both clocks.
    pub fn observe(&mut self, now: &Moment) {
        let stepped = self.eras.observe(now).is_some();
        let good = matches!(now.utc_trust, UtcTrust::Gps | UtcTrust::Network);
        if stepped || !good {
            self.trusted_since = good.then_some(now.mono);
            return;
        }
        let since = *self.trusted_since.get_or_insert(now.mono);
        if now.mono.since_ms(since) < TRUST_MS_MIN {
            return;
        }
        if self.off_pending
            && let Some((utc, lived_ms)) = self.reference
        {
            let missing_ms = now.utc.since_ms(utc).saturating_sub(self.at(now.mono).saturating_sub(lived_ms));
            self.base_ms = self.base_ms.saturating_add(missing_ms.clamp(0, OFF_MS_MAX));
        }
        self.off_pending = false;
        self.reference = Some((now.utc, self.at(now.mono)));
    }

    /// The store's age at an instant, ms.
    #[must_use]
    pub fn at(&self, mono: Mono) -> i64 {
        if self.since <= mono {
            self.base_ms.saturating_add(as_ms(mono.since_ms(self.since)))
        } else {
            self.base_ms.saturating_sub(as_ms(self.since.since_ms(mono)))
        }
    }

    /// The store's age at the moment that the host's clock showed `happened_at`, ms. Where the clock never showed it
    /// during this boot, the date is believed only while UTC is trusted; else the event counts as born now. Never
    /// later than now.
    #[must_use]
    pub fn born(&self, happened_at: Utc, now: &Moment) -> i64 {
        let lived_ms = self.at(now.mono);
        match self.eras.mono_of(happened_at, now.mono) {
            Some((mono, _)) => self.at(mono).min(lived_ms),
            None if now.utc_trust.is_trusted() => {
                lived_ms.saturating_sub(now.utc.since_ms(happened_at).clamp(0, OFF_MS_MAX))
            }
            None => lived_ms,
        }
    }

    /// What to write down.
    #[must_use]
    pub fn mark(&self, now: Mono) -> LivedMark {
        LivedMark {
            boot: self.boot,
            mono: now,
            lived_ms: self.at(now),
            reference: self.reference,
            off_pending: self.off_pending,
        }
    }
}

impl LivedMark {
    /// Length of its written form.
    pub const LEN: usize = 50;

    /// Written form: boot, then mono, age, reference (two numbers and a flag) and the pending flag, big-endian.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; Self::LEN] {
        let mut out = [0; Self::LEN];
        let (utc, at) = self.reference.unwrap_or_default();
        out[..16].copy_from_slice(&self.boot);
        out[16..24].copy_from_slice(&self.mono.0.to_be_bytes());
        out[24..32].copy_from_slice(&self.lived_ms.to_be_bytes());
        out[32..40].copy_from_slice(&utc.0.to_be_bytes());
        out[40..48].copy_from_slice(&at.to_be_bytes());
        out[48] = u8::from(self.reference.is_some());
        out[49] = u8::from(self.off_pending);
        out
    }

    /// Reads the written form; `None` if it is not that.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let bytes: &[u8; Self::LEN] = bytes.try_into().ok()?;
        let number = |at: usize| bytes[at..at + 8].try_into().map(u64::from_be_bytes).ok();
        let signed = |at: usize| number(at).map(u64::cast_signed);
        Some(Self {
            boot: bytes[..16].try_into().ok()?,
            mono: Mono(number(16)?),
            lived_ms: signed(24)?,
            reference: (bytes[48] == 1).then_some((Utc(signed(32)?), signed(40)?)),
            off_pending: bytes[49] == 1,
        })
    }
}

fn as_ms(ms: u64) -> i64 {
    i64::try_from(ms).unwrap_or(i64::MAX)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const DAY: i64 = 86_400_000;
    const NOW: i64 = 1_800_000_000_000;
    const BOOT: [u8; 16] = [1; 16];
    const LATER_BOOT: [u8; 16] = [2; 16];

    fn at(mono: u64, utc: i64, utc_trust: UtcTrust) -> Moment {
        Moment { mono: Mono(mono), utc: Utc(utc), utc_trust }
    }

    #[test]
    fn a_step_of_the_wall_clock_ages_nothing() {
        let mut lived = Lived::resume(None, 0, BOOT, &at(1_000, NOW, UtcTrust::Network));
        let born = lived.born(Utc(NOW), &at(1_000, NOW, UtcTrust::Network));
        for step in [1, 2000] {
            let mono = 1_000 + 1_000_000 * u64::try_from(step).unwrap();
            lived.observe(&at(mono, NOW + step * DAY, UtcTrust::Network));
            lived.observe(&at(mono + TRUST_MS_MIN, NOW + step * DAY, UtcTrust::Network));
        }
        assert_eq!(lived.at(Mono(2_000_601_000)) - born, 2_000_600_000, "only the boot-time clock counts");
    }

    #[test]
    fn a_read_captured_before_a_step_and_taken_after_it_is_young() {
        let mut lived = Lived::resume(None, 0, BOOT, &at(1_000, NOW, UtcTrust::Network));
        lived.observe(&at(60_000, NOW + 59_000, UtcTrust::Network));
        let now = at(61_000, NOW + 2000 * DAY, UtcTrust::Network);
        lived.observe(&now);
        assert_eq!(lived.at(Mono(61_000)) - lived.born(Utc(NOW + 59_000), &now), 1_000);
    }

    #[test]
    fn a_restart_within_one_boot_loses_no_time() {
        let lived = Lived::resume(None, 0, BOOT, &at(0, NOW, UtcTrust::Unset));
        let mark = lived.mark(Mono(5_000));
        let again = Lived::resume(Some(&mark), 0, BOOT, &at(9_000, NOW, UtcTrust::Unset));
        assert_eq!(again.at(Mono(9_000)), 9_000);
    }

    #[test]
    fn time_switched_off_counts_once_utc_has_been_trusted_for_ten_minutes() {
        let mut lived = Lived::resume(None, 0, BOOT, &at(0, NOW, UtcTrust::Gps));
        lived.observe(&at(TRUST_MS_MIN, NOW + 600_000, UtcTrust::Gps));
        let mark = lived.mark(Mono(TRUST_MS_MIN));
        let on_again = NOW + 3 * DAY;
        let mut lived = Lived::resume(Some(&mark), 0, LATER_BOOT, &at(10_000, on_again, UtcTrust::Unset));
        assert_eq!(lived.at(Mono(10_000)), 600_000);
        // Cut once more before the ten minutes are over: what is pending stays pending.
        let mark = lived.mark(Mono(20_000));
        let mut again = Lived::resume(Some(&mark), 0, [3; 16], &at(5_000, on_again + 60_000, UtcTrust::Gps));
        for lived in [&mut lived, &mut again] {
            lived.observe(&at(30_000, on_again + 85_000, UtcTrust::Gps));
            lived.observe(&at(30_000 + TRUST_MS_MIN, on_again + 685_000, UtcTrust::Gps));
            assert_eq!(lived.at(Mono(30_000 + TRUST_MS_MIN)), 3 * DAY + 685_000);
        }
    }

    #[test]
    fn an_untrusted_date_ages_nothing() {
        let lived = Lived::resume(None, 50_000, BOOT, &at(1_000, 0, UtcTrust::Unset));
        let now = at(2_000, NOW, UtcTrust::Unset);
        assert_eq!(lived.born(Utc(NOW - 400 * DAY), &now), 51_000);
        let trusted = at(2_000, NOW, UtcTrust::Network);
        assert_eq!(lived.born(Utc(NOW - DAY), &trusted), 51_000 - DAY);
    }

    #[test]
    fn the_mark_is_read_as_it_was_written() {
        for reference in [None, Some((Utc(-5), 7))] {
            let mark = LivedMark { boot: BOOT, mono: Mono(9), lived_ms: -3, reference, off_pending: true };
            assert_eq!(LivedMark::from_bytes(&mark.to_bytes()), Some(mark));
        }
        assert_eq!(LivedMark::from_bytes(b"short"), None);
    }
}
