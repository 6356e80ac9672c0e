//! What the GPS receiver and a time server say of the host's clock. We watch that clock and never set it.
//!
//! Out of both comes a [`TrueTime`]: UTC tied to the boot-time clock, which no step of the host's UTC can touch. It
//! dates reads that were captured while the clock was wrong, and says how far the clock may be trusted.

use super::Fix;
use crate::moment::{ClockEras, Moment, Mono, Utc, UtcTrust};

/// The host's clock agrees with another source if they differ by no more than this, ms: a serial line brings a fix up
/// to a second late (our own limit; source of the two seconds: fault 19 of our catalogue, sources that disagree).
pub const AGREES_MS: i64 = 2_000;

/// A comparison counts for so long, ms (design: the last minutes).
pub const COMPARED_MS: u64 = 600_000;

/// A time server's last word counts for so long, ms: twice the longest pause of systemd-timesyncd between two questions
/// (2,048 s; source: timesyncd.conf(5), `PollIntervalMaxSec`).
pub const NETWORK_KEPT_MS: u64 = 2 * 2_048_000;

/// A receiver that had no fix for so long before its first one has started cold, ms: reading the orbits alone takes 18
/// to 36 s (from memory). It may not know the leap seconds.
pub const COLD_MS: u64 = 20_000;

/// After a cold start the receiver's whole seconds prove nothing for so long, ms: the leap seconds are sent every 12.5
/// minutes (source: IS-GPS-200, the navigation message of 25 pages of 30 s; from memory).
pub const LEAP_UNKNOWN_MS: u64 = 900_000;

/// How far UTC is off at most while the leap seconds are unknown, ms: 18 s since 2017 (IERS Bulletin C 52).
const LEAP_ERROR_MS: u64 = 18_000;

/// Error of the time that a serial line brings: its sentences come up to a second after their instant (our own limit).
const GPS_ERROR_MS: u64 = 1_000;

/// Error of a time server's time over a cellular link: half of a slow answer (our own limit).
const NETWORK_ERROR_MS: u64 = 1_000;

/// A clock that runs free is off by this much more every so many ms: 100 millionths, the crystal of a small computer in
/// heat and frost (common practice, no source).
const DRIFT_MS_PER: u64 = 10_000;

/// Comparisons that the median is taken over: an odd one can't move it.
const SAMPLES: usize = 5;
/// So many are needed to believe the receiver against the host's clock.
const SAMPLES_ALONE: usize = 3;

/// UTC at an instant of the boot-time clock, by a source that is not the host's own clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TrueTime {
    /// When it was compared last.
    pub at: Mono,
    /// UTC then.
    pub utc: Utc,
    /// `Gps` or `Network`.
    pub source: UtcTrust,
    /// False while a GPS receiver that started cold may not know the leap seconds and nothing else agrees with it.
    pub proven: bool,
    /// How far the comparisons scatter, ms.
    pub jitter_ms: u64,
}

impl TrueTime {
    /// UTC at any instant of this boot.
    #[must_use]
    pub fn utc_at(&self, mono: Mono) -> Utc {
        self.utc.plus_ms(as_ms(mono.since_ms(self.at)) - as_ms(self.at.since_ms(mono)))
    }

    /// How far [`Self::utc_at`] may be off, ms; grows with the distance from the last comparison.
    #[must_use]
    pub fn error_ms(&self, mono: Mono) -> u64 {
        let base_ms = if self.source == UtcTrust::Network { NETWORK_ERROR_MS } else { GPS_ERROR_MS };
        let leap_ms = if self.proven { 0 } else { LEAP_ERROR_MS };
        let apart_ms = mono.since_ms(self.at).max(self.at.since_ms(mono));
        base_ms + leap_ms + self.jitter_ms + apart_ms / DRIFT_MS_PER
    }

    /// Trust in [`Self::utc_at`].
    #[must_use]
    pub fn trust(&self, mono: Mono) -> UtcTrust {
        let apart_ms = mono.since_ms(self.at).max(self.at.since_ms(mono));
        let kept_ms = if self.source == UtcTrust::Network { NETWORK_KEPT_MS } else { COMPARED_MS };
        match (self.proven, apart_ms <= kept_ms) {
            (false, _) => UtcTrust::Unset,
            (true, true) => self.source,
            (true, false) => UtcTrust::Holdover,
        }
    }

    /// UTC less Mono, ms: the same however often it was compared.
    #[must_use]
    pub fn base_ms(&self) -> i64 {
        self.utc.0.saturating_sub(as_ms(self.at.0))
    }
}

/// The host's clock, compared with dated fixes and with what the host says of a time server.
#[derive(Clone, Debug, Default)]
pub struct HostClock {
    eras: ClockEras,
    /// GPS UTC less Mono of the last fixes, ms, oldest first.
    samples: Vec<i64>,
    sampled: Mono,
    offset: Option<(i64, Mono)>,
    unfixed_since: Option<Mono>,
    cold_since: Option<Mono>,
    true_time: Option<TrueTime>,
    network: Option<Mono>,
}

impl HostClock {
    /// A clock of which an earlier process of this boot has seen these steps.
    #[must_use]
    pub fn resume(eras: ClockEras) -> Self {
        Self { eras, ..Self::default() }
    }

    /// Host UTC less true UTC now, ms; `None` if no source has told true time.
    #[must_use]
    pub fn offset_ms(&self, now: &Moment) -> Option<i64> {
        self.true_time.map(|told| now.utc.since_ms(told.utc_at(now.mono)))
    }

    /// Looks at both clocks of the host. Returns the size of a step of its UTC in ms, if there was one: the comparison
    /// and the word of the time server are void then. What the sources told of true time stays.
    pub fn observe(&mut self, now: &Moment) -> Option<i64> {
        let step = self.eras.observe(now);
        if step.is_some() {
            (self.offset, self.network) = (None, None);
        }
        step
    }

    /// The host says that a time server set its clock when that clock showed `at`. A word from before the last step is
    /// not believed.
    pub fn on_network(&mut self, at: Utc, now: &Moment) {
        let age_ms = now.utc.since_ms(at);
        self.network = u64::try_from(age_ms.saturating_add(AGREES_MS))
            .ok()
            .filter(|age_ms| *age_ms <= NETWORK_KEPT_MS)
            .map(|_| now.mono.minus_ms(u64::try_from(age_ms).unwrap_or(0)))
            .filter(|then| self.eras.stepped() <= then.plus_ms(2000));
        let gps_is_fresh = self.true_time.is_some_and(|told| {
            told.source == UtcTrust::Gps && told.proven && now.mono.since_ms(told.at) <= COMPARED_MS
        });
        if let Some(then) = self.network
            && !gps_is_fresh
        {
            let age_ms = as_ms(now.mono.since_ms(then));
            let utc = now.utc.plus_ms(-age_ms);
            self.true_time = Some(TrueTime { at: then, utc, source: UtcTrust::Network, proven: true, jitter_ms: 0 });
        }
    }

    /// The receiver told an epoch without a fix.
    pub fn on_no_fix(&mut self, now: Mono) {
        self.unfixed_since.get_or_insert(now);
    }

    /// Compares with a fix that has just come, if it is dated.
    pub fn on_fix(&mut self, fix: &Fix, now: &Moment) {
        if let Some(since) = self.unfixed_since.take()
            && COLD_MS <= now.mono.since_ms(since)
        {
            self.cold_since = Some(now.mono);
            self.samples.clear();
        }
        let Some(utc) = fix.utc else { return };
        if COMPARED_MS < now.mono.since_ms(self.sampled) || self.samples.len() == SAMPLES {
            let keep_from = if COMPARED_MS < now.mono.since_ms(self.sampled) { self.samples.len() } else { 1 };
            self.samples.drain(..keep_from);
        }
        self.sampled = now.mono;
        self.samples.push(utc.0.saturating_sub(as_ms(fix.at.0)));
        let base_ms = median(&self.samples);
        let scatter: Vec<i64> = self.samples.iter().map(|sample| (sample - base_ms).abs()).collect();
        let jitter_ms = median(&scatter).unsigned_abs();
        let offset_ms = now.utc.0.saturating_sub(as_ms(now.mono.0)).saturating_sub(base_ms);
        self.offset = Some((offset_ms, now.mono));
        let host_agrees = offset_ms.abs() <= AGREES_MS;
        if !host_agrees && self.samples.len() < SAMPLES_ALONE {
            return;
        }
        let learned = self.cold_since.is_none_or(|since| LEAP_UNKNOWN_MS <= now.mono.since_ms(since));
        let known_agrees =
            self.true_time.is_some_and(|told| told.proven && (base_ms - told.base_ms()).abs() <= AGREES_MS);
        if learned {
            self.cold_since = None;
        }
        let proven = learned || host_agrees || known_agrees;
        // While its leap seconds are unknown, a receiver does not overrule what a better source has told.
        if !proven && self.true_time.is_some_and(|told| told.proven) {
            return;
        }
        let utc = Utc(base_ms.saturating_add(as_ms(fix.at.0)));
        self.true_time = Some(TrueTime { at: fix.at, utc, source: UtcTrust::Gps, proven, jitter_ms });
    }

    /// Host UTC less GPS UTC, ms, the median of the last comparisons, and when that was seen.
    #[must_use]
    pub fn offset(&self) -> Option<(i64, Mono)> {
        self.offset
    }

    /// True if true time was taken from this very fix, is proven, and the fix agrees with it.
    #[must_use]
    pub fn follows(&self, fix: &Fix) -> bool {
        self.true_time.zip(fix.utc).is_some_and(|(told, utc)| {
            let agrees = (utc.since_ms(told.utc_at(fix.at))).abs() <= AGREES_MS;
            told.at == fix.at && told.source == UtcTrust::Gps && told.proven && agrees
        })
    }

    /// True if the receiver's time has been proven and is of the last minutes.
    #[must_use]
    pub fn is_proven_by_gps(&self, now: Mono) -> bool {
        self.true_time.is_some_and(|told| told.trust(now) == UtcTrust::Gps)
    }

    /// True if a time server has set the host's clock while its word counts, and it was not stepped since.
    #[must_use]
    pub fn is_set_by_network(&self, now: Mono) -> bool {
        self.network.is_some_and(|then| now.since_ms(then) <= NETWORK_KEPT_MS)
    }

    /// UTC by the best source, if any has told it.
    #[must_use]
    pub fn true_time(&self) -> Option<TrueTime> {
        self.true_time
    }

    /// How far the host's UTC is trusted. Two sources that contradict each other prove nothing.
    #[must_use]
    pub fn trust(&self, now: Mono) -> UtcTrust {
        let by_network = self.is_set_by_network(now);
        let Some(told) = self.true_time else { return UtcTrust::Unset };
        let agrees = self.eras.offset_ms().is_some_and(|host_ms| (host_ms - told.base_ms()).abs() <= AGREES_MS);
        match told.trust(now) {
            _ if !agrees => UtcTrust::Unset,
            UtcTrust::Holdover if by_network => UtcTrust::Network,
            trust => trust,
        }
    }

    /// How far the host's UTC may be off, ms; `None` if nobody can tell.
    #[must_use]
    pub fn error_ms(&self, now: Mono) -> Option<u64> {
        let told = self.true_time?;
        let host_ms = self.eras.offset_ms()?;
        Some(told.error_ms(now) + (host_ms - told.base_ms()).unsigned_abs())
    }

    /// The steps of the host's clock.
    #[must_use]
    pub fn eras(&self) -> &ClockEras {
        &self.eras
    }
}

fn as_ms(ms: u64) -> i64 {
    i64::try_from(ms).unwrap_or(i64::MAX)
}

/// The middle one, or the lower of the two; zero of none.
fn median(values: &[i64]) -> i64 {
    let mut sorted = [0_i64; SAMPLES];
    let sorted = &mut sorted[..values.len().min(SAMPLES)];
    for (slot, value) in sorted.iter_mut().zip(values) {
        *slot = *value;
    }
    sorted.sort_unstable();
    sorted.get(sorted.len().saturating_sub(1) / 2).copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::LatLon;

    const T: i64 = 1_795_608_000_000;

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

    /// Fixes every second from `from` to `to` s; the receiver's UTC is T plus the boot-time clock plus `gps_ms`.
    fn run(clock: &mut HostClock, seconds: std::ops::Range<u64>, host_ms: i64, gps_ms: i64) {
        for mono in seconds.map(|s| s * 1000) {
            let now = at(mono, T + as_ms(mono) + host_ms);
            clock.observe(&now);
            clock.on_fix(&fix(mono, Some(T + as_ms(mono) + gps_ms)), &now);
        }
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
    }

    #[test]
    fn one_odd_time_changes_nothing_and_a_lasting_one_costs_the_trust() {
        let mut clock = HostClock::default();
        run(&mut clock, 0..10, 0, 0);
        run(&mut clock, 10..11, 0, 4_000_000);
        assert_eq!((clock.offset(), clock.trust(Mono(10_000))), (Some((0, Mono(10_000))), UtcTrust::Gps));
        run(&mut clock, 11..14, 0, 4_000_000);
        assert_eq!(clock.trust(Mono(13_000)), UtcTrust::Unset);
        assert_eq!(clock.offset(), Some((-4_000_000, Mono(13_000))));
    }

    #[test]
    fn a_step_away_from_true_time_costs_the_trust_and_one_back_restores_it() {
        let mut clock = HostClock::default();
        run(&mut clock, 0..10, 0, 0);
        assert_eq!(clock.observe(&at(10_000, T + 8_010_000)), Some(8_000_000));
        assert_eq!((clock.offset(), clock.trust(Mono(10_000))), (None, UtcTrust::Unset));
        assert_eq!(clock.true_time().map(|told| told.utc_at(Mono(20_000))), Some(Utc(T + 20_000)));
        assert_eq!(clock.observe(&at(11_000, T + 11_000)), Some(-8_000_000));
        assert_eq!(clock.trust(Mono(11_000)), UtcTrust::Gps);
    }

    #[test]
    fn the_error_of_a_clock_that_runs_free_grows() {
        let mut clock = HostClock::default();
        run(&mut clock, 0..10, 300, 0);
        assert_eq!(clock.error_ms(Mono(9000)), Some(1300));
        let day = Mono(9000 + 86_400_000);
        assert_eq!((clock.trust(day), clock.error_ms(day)), (UtcTrust::Holdover, Some(1300 + 8640)));
    }

    #[test]
    fn a_time_server_is_believed_until_its_word_is_old_or_the_clock_was_stepped() {
        let mut clock = HostClock::default();
        clock.observe(&at(1000, T + 1000));
        clock.on_network(Utc(T - 5_000_000), &at(1000, T + 1000));
        assert_eq!(clock.trust(Mono(1000)), UtcTrust::Unset, "that was long ago");
        clock.on_network(Utc(T), &at(1000, T + 1000));
        assert_eq!(clock.trust(Mono(1000)), UtcTrust::Network);
        let later = Mono(2000 + NETWORK_KEPT_MS);
        assert_eq!(clock.trust(later), UtcTrust::Holdover);
        assert_eq!(clock.error_ms(later), Some(1000 + (2000 + NETWORK_KEPT_MS) / DRIFT_MS_PER));
        assert_eq!(clock.observe(&at(5000, T + 65_000)), Some(60_000));
        clock.on_network(Utc(T), &at(5000, T + 65_000));
        assert_eq!(clock.trust(Mono(5000)), UtcTrust::Unset, "the word is from before the step");
    }

    #[test]
    fn whole_seconds_after_a_cold_start_prove_nothing_for_a_quarter_of_an_hour() {
        // Fault 13: 3 s off until the leap seconds come, here after 12 min; the host's clock says nothing useful.
        let wrong_clock_ms = -T + 5_000;
        let mut clock = HostClock::default();
        clock.observe(&at(0, 5_000));
        clock.on_no_fix(Mono(0));
        run(&mut clock, 40..40 + 720, wrong_clock_ms, 3000);
        let told = clock.true_time().unwrap_or_else(|| unreachable!());
        assert_eq!((told.proven, told.trust(Mono(700_000)), told.base_ms() - T), (false, UtcTrust::Unset, 3000));
        assert!((3000..30_000).contains(&told.error_ms(Mono(700_000))), "the error owns up to it");
        run(&mut clock, 760..960, wrong_clock_ms, 0);
        let told = clock.true_time().unwrap_or_else(|| unreachable!());
        assert_eq!((told.proven, told.base_ms() - T, told.trust(Mono(960_000))), (true, 0, UtcTrust::Gps));
    }

    #[test]
    fn a_cold_receiver_that_agrees_with_another_source_is_believed_at_once_and_overrules_none() {
        let mut clock = HostClock::default();
        clock.observe(&at(0, T));
        clock.on_no_fix(Mono(0));
        run(&mut clock, 40..43, 400, 0);
        assert_eq!(clock.trust(Mono(42_000)), UtcTrust::Gps, "it agrees with the clock of the host");
        let mut clock = HostClock::default();
        clock.observe(&at(0, T));
        clock.on_network(Utc(T), &at(0, T));
        clock.on_no_fix(Mono(0));
        run(&mut clock, 40..100, 0, 15_000);
        assert_eq!(clock.trust(Mono(100_000)), UtcTrust::Network);
    }
}
