//! The times of a snapshot in people's words: local time of the place if its zone is known, with UTC beside it where
//! it was written.

use pintle_core::health::wording;
use pintle_core::health::zone::Zone;
use pintle_core::moment::Utc;
use pintle_core::wire::health::HealthBody;

/// When a snapshot was written and until when it may be believed. A time that can't be read is the year 1970, which
/// every reader finds stale.
pub(super) struct Times {
    pub(super) written: Utc,
    pub(super) valid_until: Utc,
    pub(super) zone: Zone,
}

impl Times {
    pub(super) fn of(body: &HealthBody) -> Self {
        Self {
            written: body.written_at().unwrap_or_default(),
            valid_until: body.valid_until_at().unwrap_or_default(),
            zone: body.trailer.zone.as_ref().map(pintle_core::wire::health::ZoneBody::zone).unwrap_or_default(),
        }
    }

    /// "10:21".
    pub(super) fn clock(&self) -> String {
        self.zone.clock(self.written, self.written)
    }

    /// "Thu 21 May 10:21".
    pub(super) fn written_short(&self) -> String {
        format!("{} {}", self.zone.day(self.written, self.written), self.clock())
    }

    /// "Thu 21 May, 10:21:07 UTC"; with a zone "Thu 21 May, 12:21:07 CEST (10:21:07 UTC)".
    pub(super) fn written_long(&self) -> String {
        let (day, local) = (self.zone.day(self.written, self.written), self.zone.clock_seconds(self.written));
        let utc = if self.zone.is_utc(self.written) {
            String::new()
        } else {
            format!(" ({} UTC)", wording::clock_seconds(self.written))
        };
        format!("{day}, {local} {}{utc}", self.zone.short(self.written))
    }

    /// "10:23:07", with the day if it is another one, and the name of the local clock if it is another one.
    pub(super) fn until(&self) -> String {
        let seconds = self.zone.clock_seconds(self.valid_until);
        let (short, other) = (self.zone.short(self.valid_until), self.zone.short(self.written));
        let seconds = if short == other { seconds } else { format!("{seconds} {short}") };
        let day = self.zone.day(self.valid_until, self.written);
        if day == self.zone.day(self.written, self.written) { seconds } else { format!("{day}, {seconds}") }
    }

    /// An RFC 3339 time of the snapshot as people say it; empty if it is none.
    pub(super) fn say(&self, time: Option<&String>) -> String {
        let at = time.and_then(|time| Utc::parse_rfc3339(time));
        at.map_or_else(String::new, |at| self.zone.clock(at, self.written))
    }

    /// What the times are: "local times of Europe/Berlin (CEST, UTC+02:00)".
    pub(super) fn sentence(&self) -> String {
        self.zone.sentence(self.written)
    }
}
