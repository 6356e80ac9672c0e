//! The zone of the place, from the zone database that is built into the program: the table of its changes.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use pintle_core::health::zone::{Zone, ZoneChange};
use pintle_core::moment::Utc;

/// The table begins here, seconds since 1970: the first of January 2020 (our own limit: nothing that is shown is
/// older).
const FROM_S: i64 = 1_577_836_800;
/// It has so many changes at most: two a year for forty years (our own limit).
const CHANGES_MAX: usize = 80;

/// The zone of that IANA name; `None` if there is none.
#[must_use]
pub(super) fn zone(name: &str) -> Option<Zone> {
    let zone = TimeZone::get(name).ok()?;
    let from = Timestamp::from_second(FROM_S).ok()?;
    let now = zone.to_offset_info(from);
    let first =
        ZoneChange { from: Utc(FROM_S * 1000), offset_s: now.offset().seconds(), short: now.abbreviation().to_owned() };
    let later = zone.following(from).take(CHANGES_MAX).map(|change| ZoneChange {
        from: Utc(change.timestamp().as_millisecond()),
        offset_s: change.offset().seconds(),
        short: change.abbreviation().to_owned(),
    });
    Some(Zone { name: name.to_owned(), changes: std::iter::once(first).chain(later).collect() })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn at(text: &str) -> Utc {
        Utc::parse_rfc3339(text).unwrap()
    }

    /// Fault 22: both change-over nights in two zones. Source of the instants: IANA zone database, files europe and
    /// northamerica.
    #[test]
    fn fault_22_both_nights_of_the_change_are_told_right_in_two_zones() {
        let nights = [
            ("Europe/Berlin", "2026-03-29T01:00:00Z", "01:59:59 CET", "03:00:00 CEST"),
            ("Europe/Berlin", "2026-10-25T01:00:00Z", "02:59:59 CEST", "02:00:00 CET"),
            ("America/Chicago", "2026-03-08T08:00:00Z", "01:59:59 CST", "03:00:00 CDT"),
            ("America/Chicago", "2026-11-01T07:00:00Z", "01:59:59 CDT", "01:00:00 CST"),
        ];
        for (name, change, before, after) in nights {
            let zone = zone(name).unwrap();
            let told = |at: Utc| format!("{} {}", zone.clock_seconds(at), zone.short(at));
            assert_eq!([told(at(change).plus_ms(-1000)), told(at(change))], [before, after], "{name} {change}");
        }
    }

    #[test]
    fn what_is_no_zone_is_none_and_utc_is_one() {
        assert_eq!((zone("Sea/Nowhere"), zone("")), (None, None));
        assert_eq!(zone("UTC").unwrap().short(at("2026-05-21T00:00:00Z")), "UTC");
    }
}
