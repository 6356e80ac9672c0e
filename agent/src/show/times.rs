//! The times of a snapshot in people's words.

use pintle_core::health::wording;
use pintle_core::moment::Utc;
use pintle_core::wire::health::HealthBody;

/// When a snapshot was written and until when it may be believed. A time that can't be read is the year 1970, which
/// every
/// reader finds stale.
pub(super) struct Times {
    pub(super) written: Utc,
    pub(super) valid_until: Utc,
}

impl Times {
    pub(super) fn of(body: &HealthBody) -> Self {
        Self { written: body.written_at().unwrap_or_default(), valid_until: body.valid_until_at().unwrap_or_default() }
    }

    /// "Thu 21 May, 10:21:07 UTC".
    pub(super) fn written_long(&self) -> String {
        format!("{}, {} UTC", wording::day(self.written, self.written), wording::clock_seconds(self.written))
    }

    /// "10:23:07", with the day if it is another one.
    pub(super) fn until(&self) -> String {
        let seconds = wording::clock_seconds(self.valid_until);
        if self.same_day() { seconds } else { format!("{}, {seconds}", wording::day(self.valid_until, self.written)) }
    }

    /// An RFC 3339 time of the snapshot as people say it; empty if it is none.
    pub(super) fn say(&self, time: Option<&String>) -> String {
        let at = time.and_then(|time| Utc::parse_rfc3339(time));
        at.map_or_else(String::new, |at| wording::clock(at, self.written))
    }

    fn same_day(&self) -> bool {
        wording::day(self.written, self.written) == wording::day(self.valid_until, self.written)
    }
}
