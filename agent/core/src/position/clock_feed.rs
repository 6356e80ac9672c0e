//! The time of the GPS receiver for chrony, the time service that sets the host's clock: one sample for each dated fix.
//! We never set that clock ourselves.

use super::Fix;
use super::host_clock::HostClock;
use crate::moment::{Moment, Mono, Utc};

/// Marks a sample of chrony's SOCK protocol. Source: chrony's `refclock_sock.c`, `SOCK_MAGIC`; chrony.conf(5), refclock
/// SOCK, points there.
pub const SOCK_MAGIC: i32 = 0x534f_434b;

/// Length of a sample, bytes. Source: `struct sock_sample` of `refclock_sock.c` with a `timeval` of two times 64 bits,
/// as every 64-bit Linux has it.
pub const SOCK_SAMPLE_BYTES: usize = 40;

/// One comparison of the host's clock with the GPS receiver's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockSample {
    /// What the host's clock showed when the fix was complete.
    pub host: Utc,
    /// GPS UTC less host UTC at that instant, ms. It holds the delay of the serial line, up to a second: whoever
    /// configures chrony tells it (`offset`).
    pub offset_ms: i64,
}

/// Why a fix gives no sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoSample {
    /// No date, or one that cannot be.
    Undated,
    /// Its time is another one than that of the fixes around it.
    Odd,
    /// Too few fixes so far to believe the receiver against the host's clock, or its leap seconds may be missing after
    /// a cold start.
    Unproven,
}

impl NoSample {
    /// In words, for health.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Undated => "the GPS receiver tells no plausible date",
            Self::Odd => "the GPS receiver's time jumps",
            Self::Unproven => "the GPS receiver has just started; its leap seconds take up to a quarter of an hour",
        }
    }
}

impl ClockSample {
    /// The sample that a fix gives; `host` has just heard it.
    ///
    /// # Errors
    /// [`NoSample`] says why it gives none.
    pub fn of_fix(host: &HostClock, fix: &Fix, now: &Moment) -> Result<Self, NoSample> {
        let utc = fix.utc.ok_or(NoSample::Undated)?;
        if !host.follows(fix) {
            return Err(if host.is_proven_by_gps(now.mono) { NoSample::Odd } else { NoSample::Unproven });
        }
        let age_ms = i64::try_from(now.mono.since_ms(fix.at)).unwrap_or(i64::MAX);
        let shown = now.utc.plus_ms(-age_ms);
        Ok(Self { host: shown, offset_ms: utc.since_ms(shown) })
    }

    /// As chrony reads it from its socket, in the byte order of this machine: `timeval` (seconds, microseconds), offset
    /// in seconds as a double, pulse, leap, padding, magic. Source: as [`SOCK_SAMPLE_BYTES`].
    #[must_use]
    pub fn to_sock_bytes(self) -> [u8; SOCK_SAMPLE_BYTES] {
        let seconds = self.host.0.div_euclid(1000);
        let micros = self.host.0.rem_euclid(1000) * 1000;
        let mut bytes = [0; SOCK_SAMPLE_BYTES];
        bytes[..8].copy_from_slice(&seconds.to_ne_bytes());
        bytes[8..16].copy_from_slice(&micros.to_ne_bytes());
        bytes[16..24].copy_from_slice(&thousandth(self.offset_ms).to_ne_bytes());
        // Pulse, leap and padding stay zero: whole times, and a receiver does not announce leap seconds in time.
        bytes[36..].copy_from_slice(&SOCK_MAGIC.to_ne_bytes());
        bytes
    }
}

/// A thousandth of `ms`; beyond 2^53 ms (285,000 years) the last digits are lost, which no clock shows.
#[expect(clippy::cast_precision_loss, reason = "no clock shows the lost digits")]
fn thousandth(ms: i64) -> f64 {
    ms as f64 / 1000.0
}

/// How the feed for chrony stands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum ClockFeed {
    /// `gps.chrony_sock` is not configured.
    #[default]
    NotFitted,
    /// There is nothing to give yet, or not now; why.
    Waiting(&'static str),
    /// Samples are taken; when the last one was.
    Given(Mono),
    /// Samples are sent and nobody takes them; why, and what to do.
    Unheard(String),
}

impl ClockFeed {
    /// The word in files.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::NotFitted => "not fitted",
            Self::Waiting(_) => "waiting",
            Self::Given(_) => "given",
            Self::Unheard(_) => "unheard",
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::geo::LatLon;
    use crate::moment::UtcTrust;

    const T: i64 = 1_795_608_000_000;

    fn fix(at: u64, utc: Option<i64>) -> Fix {
        Fix {
            at: Mono(at),
            utc: utc.map(Utc),
            position: LatLon::new(44.51, -30.0).unwrap(),
            speed_mps: None,
            hdop: None,
            satellites: None,
            sigma_m: None,
        }
    }

    fn hear(host: &mut HostClock, mono: u64, host_ms: i64, gps_utc: Option<i64>) -> Result<ClockSample, NoSample> {
        let utc = Utc(T + i64::try_from(mono).unwrap() + host_ms);
        let now = Moment { mono: Mono(mono), utc, utc_trust: UtcTrust::Unset };
        host.observe(&now);
        let fix = fix(mono - 10, gps_utc);
        host.on_fix(&fix, &now);
        ClockSample::of_fix(host, &fix, &now)
    }

    #[test]
    fn a_sample_has_the_form_that_chrony_reads() {
        let bytes = ClockSample { host: Utc(T + 250), offset_ms: -1500 }.to_sock_bytes();
        assert_eq!(i64::from_ne_bytes(bytes[..8].try_into().unwrap()), T / 1000);
        assert_eq!(i64::from_ne_bytes(bytes[8..16].try_into().unwrap()), 250_000);
        assert_eq!(f64::from_ne_bytes(bytes[16..24].try_into().unwrap()).to_bits(), (-1.5_f64).to_bits());
        assert_eq!(bytes[24..36], [0; 12]);
        assert_eq!(i32::from_ne_bytes(bytes[36..].try_into().unwrap()), SOCK_MAGIC);
    }

    #[test]
    fn only_a_dated_fix_that_agrees_with_those_around_it_gives_a_sample() {
        let mut host = HostClock::default();
        assert_eq!(hear(&mut host, 1000, -40_000, None), Err(NoSample::Undated));
        let gps = |mono: i64| Some(T + mono - 300);
        // Forty seconds off: two fixes alone could both be wrong.
        assert_eq!(hear(&mut host, 2000, -40_000, gps(2000)), Err(NoSample::Unproven));
        assert_eq!(hear(&mut host, 3000, -40_000, gps(3000)), Err(NoSample::Unproven));
        let sample = hear(&mut host, 4000, -40_000, gps(4000)).unwrap();
        // The fix was complete 10 ms before it was looked at.
        assert_eq!(sample, ClockSample { host: Utc(T + 3990 - 40_000), offset_ms: 39_710 });
        assert_eq!(hear(&mut host, 5000, -40_000, gps(9_005_000)), Err(NoSample::Odd));
        assert!(hear(&mut host, 6000, -40_000, gps(6000)).is_ok());
    }

    #[test]
    fn after_a_cold_start_nothing_is_given_until_the_leap_seconds_are_known() {
        let mut host = HostClock::default();
        host.on_no_fix(Mono(1000));
        let mut given_s = None;
        for s in 60..1200_u64 {
            if hear(&mut host, s * 1000, -40_000, Some(T + i64::try_from(s * 1000).unwrap())).is_ok() {
                given_s.get_or_insert(s);
            }
        }
        assert_eq!(given_s, Some(60 + 900));
    }
}
