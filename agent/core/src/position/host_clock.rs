//! What the GPS receiver's time says of the host's clock. We watch that clock and never set it.

use super::Fix;
use crate::moment::{ClockEras, Moment, Mono, UtcTrust};

/// The host's clock agrees with the receiver if they differ by no more than this, ms: a serial line brings a fix up
/// to a second late (our own limit).
pub const AGREES_MS: i64 = 2_000;

/// A comparison counts for so long, ms (design: the last minutes).
pub const COMPARED_MS: u64 = 600_000;

/// The host's clock, compared with dated fixes.
#[derive(Clone, Debug, Default)]
pub struct HostClock {
    eras: ClockEras,
    offset: Option<(i64, Mono)>,
    agreed: Option<Mono>,
}

impl HostClock {
    /// Looks at both clocks of the host. Returns the size of a step of its UTC in ms, if there was one: what was known
    /// of it before is void then.
    pub fn observe(&mut self, now: &Moment) -> Option<i64> {
        let step = self.eras.observe(now);
        if step.is_some() {
            (self.offset, self.agreed) = (None, None);
        }
        step
    }

    /// Compares with a fix that has just come, if it is dated.
    pub fn on_fix(&mut self, fix: &Fix, now: &Moment) {
        let Some(utc) = fix.utc else { return };
        let age_ms = i64::try_from(now.mono.since_ms(fix.at)).unwrap_or(i64::MAX);
        let offset_ms = now.utc.plus_ms(-age_ms).since_ms(utc);
        self.offset = Some((offset_ms, now.mono));
        self.agreed = if offset_ms.abs() <= AGREES_MS { Some(now.mono) } else { None };
    }

    /// Host UTC less GPS UTC, ms, and when that was seen.
    #[must_use]
    pub fn offset(&self) -> Option<(i64, Mono)> {
        self.offset
    }

    /// How far the host's UTC is trusted.
    #[must_use]
    pub fn trust(&self, now: Mono) -> UtcTrust {
        match self.agreed {
            Some(at) if now.since_ms(at) <= COMPARED_MS => UtcTrust::Gps,
            Some(_) => UtcTrust::Holdover,
            None => UtcTrust::Unset,
        }
    }

    /// The steps of the host's clock.
    #[must_use]
    pub fn eras(&self) -> &ClockEras {
        &self.eras
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::LatLon;
    use crate::moment::Utc;

    fn fix(at: u64, utc: Option<i64>) -> Fix {
        Fix {
            at: Mono(at),
            utc: utc.map(Utc),
            position: LatLon::new(44.51, -30.0).unwrap_or_else(|| unreachable!()),
            speed_mps: None,
            hdop: None,
            satellites: None,
            sigma_m: None,
        }
    }

    fn at(mono: u64, utc: i64) -> Moment {
        Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Unset }
    }

    #[test]
    fn the_clock_is_trusted_while_dated_fixes_agree() {
        let mut clock = HostClock::default();
        clock.observe(&at(0, 1_000_000));
        assert_eq!(clock.trust(Mono(0)), UtcTrust::Unset);
        clock.on_fix(&fix(900, None), &at(1000, 1_001_000));
        assert_eq!(clock.trust(Mono(1000)), UtcTrust::Unset);
        clock.on_fix(&fix(900, Some(1_000_400)), &at(1000, 1_001_000));
        assert_eq!(clock.offset(), Some((500, Mono(1000))), "the fix was 100 ms old");
        assert_eq!(clock.trust(Mono(1000)), UtcTrust::Gps);
        assert_eq!(clock.trust(Mono(1001 + COMPARED_MS)), UtcTrust::Holdover);
        clock.on_fix(&fix(2000, Some(5_000_000)), &at(2000, 1_002_000));
        assert_eq!(clock.trust(Mono(2000)), UtcTrust::Unset);
    }

    #[test]
    fn a_step_of_the_clock_voids_what_was_known_of_it() {
        let mut clock = HostClock::default();
        clock.observe(&at(0, 1_000_000));
        clock.on_fix(&fix(1000, Some(1_001_000)), &at(1000, 1_001_000));
        assert_eq!(clock.observe(&at(2000, 9_002_000)), Some(8_000_000));
        assert_eq!((clock.offset(), clock.trust(Mono(2000))), (None, UtcTrust::Unset));
    }
}
