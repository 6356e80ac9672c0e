//! The monotonic clock of a recording: a file has no arrival times, so they are taken from the epochs themselves.
//!
//! Rules: a fix advances the clock to its own distance from the fix before, by dates if both have one, else by the time
//! of day the short way round. Between two fixes the clock follows epochs without a fix only in steps of up to
//! [`STEP_MS_MAX`], because a cold receiver tells any time at all; the next fix then puts it right. It never goes
//! back. A
//! repeated or backward epoch does not move it.

use super::{Epoch, Refusal, step_ms};
use crate::moment::{Moment, Mono, Utc, UtcTrust};

/// A step between two epochs without a fix is believed up to so much, ms (our own limit: receivers report at least
/// every
/// 10 s).
pub const STEP_MS_MAX: i64 = 10_000;

/// A gap between two fixes by their dates is believed up to so much, ms: 400 days (our own limit).
const GAP_MS_MAX: i64 = 400 * 86_400_000;

/// The clock of one recording.
#[derive(Clone, Copy, Debug)]
pub struct LogClock {
    now: Mono,
    utc_at_start: Utc,
    dated: bool,
    last_fix: Option<(u32, Option<Utc>, Mono)>,
    last_ms: Option<u32>,
}

impl LogClock {
    /// Starts at zero; until the first dated fix UTC is told as `utc`.
    #[must_use]
    pub fn new(utc: Utc) -> Self {
        Self { now: Mono(0), utc_at_start: utc, dated: false, last_fix: None, last_ms: None }
    }

    /// Now, as far as the recording tells. UTC is that of the newest dated fix, carried on by the monotonic clock.
    #[must_use]
    pub fn moment(&self) -> Moment {
        let elapsed_ms = i64::try_from(self.now.0).unwrap_or(i64::MAX);
        let utc_trust = if self.dated { UtcTrust::Gps } else { UtcTrust::Unset };
        Moment { mono: self.now, utc: self.utc_at_start.plus_ms(elapsed_ms), utc_trust }
    }

    /// Advances to `epoch`, and gives it (and its fix) the time of this clock.
    pub fn follow(&mut self, epoch: &mut Epoch) {
        let time_ms = epoch.time_of_day_ms;
        let order_refused = matches!(epoch.outcome, Err(Refusal::Repeated | Refusal::Backward));
        if let (Some(time_ms), false) = (time_ms, order_refused) {
            if let Ok(fix) = &epoch.outcome {
                self.follow_fix(time_ms, fix.utc);
            } else {
                let step = self.last_ms.map_or(0, |last_ms| step_ms(last_ms, time_ms));
                if (1..=STEP_MS_MAX).contains(&step) {
                    self.advance_to(self.now.plus_ms(step.unsigned_abs()));
                }
            }
            self.last_ms = Some(time_ms);
        }
        epoch.at = self.now;
        if let Ok(fix) = &mut epoch.outcome {
            fix.at = self.now;
        }
    }

    fn follow_fix(&mut self, time_ms: u32, utc: Option<Utc>) {
        if let Some((last_ms, last_utc, last_at)) = self.last_fix {
            let by_date = utc.zip(last_utc).map(|(utc, last)| utc.since_ms(last));
            let gap_ms = by_date.filter(|gap| (1..=GAP_MS_MAX).contains(gap)).unwrap_or(step_ms(last_ms, time_ms));
            self.advance_to(last_at.plus_ms(u64::try_from(gap_ms).unwrap_or(0)));
        }
        self.last_fix = Some((time_ms, utc, self.now));
        if let Some(utc) = utc {
            self.utc_at_start = utc.plus_ms(-i64::try_from(self.now.0).unwrap_or(0));
            self.dated = true;
        }
    }

    fn advance_to(&mut self, then: Mono) {
        self.now = self.now.max(then);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::LatLon;
    use crate::position::Fix;
    use crate::position::fix::date::DateVerdict;

    fn epoch(time: (u32, u32, u32), day: Option<i64>, good: bool) -> Epoch {
        let time_of_day_ms = Some(((time.0 * 60 + time.1) * 60 + time.2) * 1000);
        let date = day.map_or(DateVerdict::Missing, |day| DateVerdict::Good { day });
        let mut epoch = Epoch { at: Mono(0), time_of_day_ms, date, outcome: Err(Refusal::StatusVoid) };
        if good {
            let position = LatLon::new(44.51, -30.0).unwrap_or_else(|| unreachable!());
            epoch.outcome = Ok(Fix {
                at: Mono(0),
                utc: epoch.utc(),
                position,
                speed_mps: None,
                hdop: None,
                satellites: None,
                sigma_m: None,
            });
        }
        epoch
    }

    fn times(epochs: &[Epoch]) -> Vec<u64> {
        let mut clock = LogClock::new(Utc(0));
        epochs
            .iter()
            .map(|epoch| {
                let mut epoch = *epoch;
                clock.follow(&mut epoch);
                epoch.at.0 / 1000
            })
            .collect()
    }

    #[test]
    fn a_cold_start_does_not_bend_the_time_between_two_fixes() {
        let epochs = [
            epoch((13, 16, 0), None, true),
            epoch((23, 59, 42), None, false),
            epoch((23, 59, 43), None, false),
            epoch((0, 0, 20), None, false),
            epoch((13, 20, 0), None, true),
            epoch((13, 20, 1), None, true),
        ];
        assert_eq!(times(&epochs), [0, 0, 1, 1, 240, 241]);
    }

    #[test]
    fn midnight_is_a_second_like_any_other_and_days_are_told_by_dates() {
        let epochs = [
            epoch((23, 59, 59), Some(20_000), true),
            epoch((0, 0, 0), Some(20_001), true),
            epoch((0, 0, 1), None, true),
            epoch((0, 0, 2), Some(20_001), true),
            epoch((0, 0, 2), Some(20_003), true),
        ];
        assert_eq!(times(&epochs), [0, 1, 2, 3, 3 + 2 * 86_400]);
    }

    #[test]
    fn time_never_goes_back() {
        let epochs = [epoch((12, 0, 5), None, true), epoch((12, 0, 1), None, true), epoch((12, 0, 2), None, true)];
        assert_eq!(times(&epochs), [0, 0, 1]);
    }
}
