//! By which clock certificates are judged. TLS needs a date, and a computer without a battery for its clock starts in
//! 1970: without this, nothing would be sent until somebody sets that clock. Decision 70.
//!
//! It never switches a check off: it only chooses between two clocks, and where nothing better is known, the host's.

use super::PositionView;
use super::fix::date::RELEASED;
use crate::moment::{Moment, Utc};

/// True time and the host's clock must differ by more than this before the host's is passed over, ms: within a day
/// certificates hardly ever begin or end, and the host's clock is the one that its owner answers for (our own choice).
pub const APART_MS: i64 = 86_400_000;

/// UTC to judge certificates by.
///
/// The host's clock, but for two cases. It stands before the day of the release, which cannot be: then what the GPS
/// receiver or a time server told of true time counts, even while leap seconds are unknown (18 s more or less are
/// nothing to a certificate). Or it differs from *proven* true time by more than a day, and no time server has set it.
/// True time from before the release is no time at all.
#[must_use]
pub fn certificate_utc(view: &PositionView, now: &Moment) -> Utc {
    let Some(told) = view.true_time else { return now.utc };
    let best = told.utc_at(now.mono);
    if best < RELEASED {
        return now.utc;
    }
    let apart = APART_MS < best.since_ms(now.utc).abs();
    let impossible = now.utc < RELEASED;
    if impossible || (apart && told.proven && !view.host_set_by_network) { best } else { now.utc }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{Mono, UtcTrust};
    use crate::position::host_clock::TrueTime;

    const DAY_MS: i64 = 86_400_000;
    const TRUE: Utc = Utc(RELEASED.0 + 30 * DAY_MS);

    fn judged_at(host: Utc, proven: bool, set_by_network: bool, told: Utc) -> Utc {
        let true_time = TrueTime { at: Mono(5000), utc: told, source: UtcTrust::Gps, proven, jitter_ms: 0 };
        let view =
            PositionView { true_time: Some(true_time), host_set_by_network: set_by_network, ..PositionView::default() };
        certificate_utc(&view, &Moment { mono: Mono(8000), utc: host, utc_trust: UtcTrust::Unset })
    }

    #[test]
    fn a_clock_from_before_the_release_gives_way_to_the_receiver_even_without_leap_seconds() {
        for host in [Utc(0), Utc(315_964_800_000), Utc(RELEASED.0 - 1)] {
            for (proven, network) in [(true, false), (false, false), (false, true)] {
                assert_eq!(judged_at(host, proven, network, TRUE), TRUE.plus_ms(3000), "{host:?}");
            }
        }
    }

    #[test]
    fn a_possible_clock_gives_way_only_to_proven_time_that_is_a_day_away_and_no_time_server_denies_it() {
        let in_2069 = Utc(TRUE.0 + 43 * 365 * DAY_MS);
        assert_eq!(judged_at(in_2069, true, false, TRUE), TRUE.plus_ms(3000));
        assert_eq!(judged_at(in_2069, false, false, TRUE), in_2069);
        assert_eq!(judged_at(in_2069, true, true, TRUE), in_2069, "two sources agree against one");
        let an_hour_off = TRUE.plus_ms(3_600_000);
        assert_eq!(judged_at(an_hour_off, true, false, TRUE), an_hour_off);
    }

    #[test]
    fn what_is_sent_is_dated_by_the_host_while_it_is_trusted_and_else_by_whoever_knows() {
        let true_time = TrueTime { at: Mono(5000), utc: TRUE, source: UtcTrust::Gps, proven: true, jitter_ms: 0 };
        let view = PositionView { true_time: Some(true_time), ..PositionView::default() };
        let now = |utc_trust| Moment { mono: Mono(8000), utc: Utc(60_000), utc_trust };
        assert_eq!(view.best_utc(&now(UtcTrust::Unset)), TRUE.plus_ms(3000));
        assert_eq!(view.best_utc(&now(UtcTrust::Holdover)), Utc(60_000));
        assert_eq!(PositionView::default().best_utc(&now(UtcTrust::Unset)), Utc(60_000));
    }

    #[test]
    fn nothing_is_believed_that_lies_before_the_release_and_without_a_source_the_host_counts() {
        assert_eq!(judged_at(Utc(0), true, false, Utc(0)), Utc(0));
        let now = Moment { mono: Mono(8000), utc: Utc(5), utc_trust: UtcTrust::Unset };
        assert_eq!(certificate_utc(&PositionView::default(), &now), Utc(5));
    }
}
