//! The local time of the place, for people's eyes only: everything stored and sent stays UTC. Pure: the changes of the
//! zone come from outside as a table.

use super::wording;
use crate::moment::Utc;

/// From this instant on another offset holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneChange {
    /// The instant.
    pub from: Utc,
    /// Local time less UTC, s.
    pub offset_s: i32,
    /// What people call it then: "CET", "CEST".
    pub short: String,
}

/// The zone of the place. Without a name and changes it is UTC.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Zone {
    /// Its IANA name; empty if none is configured.
    pub name: String,
    /// Rising by time; the first holds before it as well.
    pub changes: Vec<ZoneChange>,
}

impl Zone {
    fn at(&self, at: Utc) -> Option<&ZoneChange> {
        self.changes.iter().rev().find(|change| change.from <= at).or(self.changes.first())
    }

    /// What the local clock is called at that instant: "CEST", or "UTC" if no zone is configured.
    #[must_use]
    pub fn short(&self, at: Utc) -> &str {
        self.at(at).map_or("UTC", |change| &change.short)
    }

    /// Whether the local clock shows UTC at that instant.
    #[must_use]
    pub fn is_utc(&self, at: Utc) -> bool {
        self.at(at).is_none_or(|change| change.offset_s == 0)
    }

    /// The instant whose UTC reads as the local clock does at `at`: for the makers of words, never to be stored.
    #[must_use]
    pub fn shifted(&self, at: Utc) -> Utc {
        at.plus_ms(self.at(at).map_or(0, |change| i64::from(change.offset_s) * 1000))
    }

    /// "14:32", with the day if it is another one than that of `now`, and with the name of the local clock if that is
    /// another one: in the night in which an hour comes twice no time has two meanings.
    #[must_use]
    pub fn clock(&self, at: Utc, now: Utc) -> String {
        let told = wording::clock(self.shifted(at), self.shifted(now));
        if self.short(at) == self.short(now) { told } else { format!("{told} {}", self.short(at)) }
    }

    /// "14:32:10".
    #[must_use]
    pub fn clock_seconds(&self, at: Utc) -> String {
        wording::clock_seconds(self.shifted(at))
    }

    /// "Thu 21 May", with the year if it is another one than that of `now`.
    #[must_use]
    pub fn day(&self, at: Utc, now: Utc) -> String {
        wording::day(self.shifted(at), self.shifted(now))
    }

    /// What the times of a page or a note are: "local times of Europe/Berlin (CEST, UTC+02:00)".
    #[must_use]
    pub fn sentence(&self, now: Utc) -> String {
        let Some(change) = self.at(now) else { return "UTC; no zone is configured".to_owned() };
        let (sign, minutes) = (if change.offset_s < 0 { '-' } else { '+' }, change.offset_s.unsigned_abs() / 60);
        let (hours, minutes) = (minutes / 60, minutes % 60);
        format!("local times of {} ({}, UTC{sign}{hours:02}:{minutes:02})", self.name, change.short)
    }

    /// The part of it that a state of `now` needs: a good year back, and what comes within two days.
    #[must_use]
    pub fn around(&self, now: Utc) -> Self {
        const DAY_MS: i64 = 86_400_000;
        let (first, last) = (now.plus_ms(-400 * DAY_MS), now.plus_ms(2 * DAY_MS));
        let begin = self.changes.iter().rposition(|change| change.from <= first).unwrap_or(0);
        let near = self.changes.iter().skip(begin).take_while(|change| change.from <= last);
        let mut changes: Vec<ZoneChange> = near.cloned().collect();
        if changes.is_empty() {
            changes = self.changes.first().cloned().into_iter().collect();
        }
        Self { name: self.name.clone(), changes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An invented zone: one hour ahead, two from 29 March 01:00 UTC, one again from 25 October 01:00 UTC.
    fn zone() -> Zone {
        let change =
            |at: Utc, hours: i32, short: &str| ZoneChange { from: at, offset_s: hours * 3600, short: short.to_owned() };
        Zone {
            name: "Sea/Brackwater".to_owned(),
            changes: vec![
                change(at("2025-10-26T01:00:00Z"), 1, "BT"),
                change(at("2026-03-29T01:00:00Z"), 2, "BST"),
                change(at("2026-10-25T01:00:00Z"), 1, "BT"),
            ],
        }
    }

    fn at(text: &str) -> Utc {
        Utc::parse_rfc3339(text).unwrap_or_default()
    }

    #[test]
    fn in_the_night_of_the_doubled_hour_no_time_has_two_meanings() {
        let zone = zone();
        let (first, second) = (at("2026-10-25T00:30:00Z"), at("2026-10-25T01:30:00Z"));
        assert_eq!(
            (zone.clock(second, second), zone.clock(first, second)),
            ("02:30".to_owned(), "02:30 BST".to_owned())
        );
        assert_eq!(zone.clock(first, first), "02:30");
    }

    #[test]
    fn in_the_night_of_the_missing_hour_the_clock_jumps_and_nothing_is_lost() {
        let zone = zone();
        let (before, after) = (at("2026-03-29T00:59:59Z"), at("2026-03-29T01:00:00Z"));
        assert_eq!([zone.clock_seconds(before), zone.clock_seconds(after)], ["01:59:59", "03:00:00"]);
        assert_eq!(zone.clock(before, after), "01:59 BT");
        assert_eq!(zone.sentence(after), "local times of Sea/Brackwater (BST, UTC+02:00)");
    }

    #[test]
    fn without_a_zone_times_are_utc_and_say_so() {
        let (zone, now) = (Zone::default(), at("2026-05-21T23:30:00Z"));
        assert_eq!((zone.clock(now, now), zone.short(now), zone.is_utc(now)), ("23:30".to_owned(), "UTC", true));
        assert_eq!(zone.sentence(now), "UTC; no zone is configured");
    }

    #[test]
    fn local_day_decides_what_is_another_day() {
        let (zone, now) = (zone(), at("2026-05-21T22:30:00Z"));
        assert_eq!(zone.clock(at("2026-05-21T21:30:00Z"), now), "Thu 21 May 23:30");
        assert_eq!(zone.clock(at("2026-05-21T22:10:00Z"), now), "00:10");
    }

    #[test]
    fn what_a_state_carries_of_its_zone_tells_the_same_times() {
        let (zone, now) = (zone(), at("2026-10-24T12:00:00Z"));
        let near = zone.around(now);
        for text in ["2026-05-01T00:00:00Z", "2026-10-24T12:00:00Z", "2026-10-25T03:00:00Z"] {
            assert_eq!(near.clock(at(text), now), zone.clock(at(text), now), "{text}");
        }
        assert_eq!(zone.around(at("2020-01-01T00:00:00Z")).changes.len(), 1);
        assert_eq!(Zone::default().around(now), Zone::default());
    }
}
