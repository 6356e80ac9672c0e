//! The only file that reads clocks.

use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use std::time::{SystemTime, UNIX_EPOCH};

/// Milliseconds on the boot-time clock (counts suspend; nobody can set it).
#[must_use]
pub fn mono() -> Mono {
    let time = nix::time::clock_gettime(nix::time::ClockId::CLOCK_BOOTTIME);
    Mono(time.map_or(0, |t| {
        let s = u64::try_from(t.tv_sec()).unwrap_or(0);
        s * 1000 + u64::try_from(t.tv_nsec()).unwrap_or(0) / 1_000_000
    }))
}

/// The host's UTC.
#[must_use]
pub fn utc() -> Utc {
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => Utc(i64::try_from(since.as_millis()).unwrap_or(i64::MAX)),
        Err(before) => Utc(-i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX)),
    }
}

/// Both clocks at once; the trust is what the caller knows of it.
#[must_use]
pub fn moment(utc_trust: UtcTrust) -> Moment {
    Moment { mono: mono(), utc: utc(), utc_trust }
}
