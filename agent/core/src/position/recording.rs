//! A recorded line through the same reader, assembler and keeper that a trailer runs, with time taken from the
//! recording.

use super::KeeperState;
use super::fix::date::{DateReference, DateVerdict};
use super::fix::log_clock::LogClock;
use super::fix::{BytesToEpochs, Epoch};
use super::keeper::{KeeperAction, KeeperLimits, SiteKeeper};
use super::nmea::{Kind, Reader, Sentence};
use crate::geo::LatLon;
use crate::moment::{Moment, Mono, Utc, days_from_civil};

/// A first look at a recording: its newest plausible date, by which all its dates are judged.
#[derive(Clone, Debug)]
pub struct DateSurvey {
    reader: Reader,
    seen: Seen,
}

#[derive(Clone, Copy, Debug)]
struct Seen {
    /// Days since 1970; later ones are not plausible.
    latest: i64,
    /// Newest day of RMC with a fix, and of ZDA.
    newest: Option<i64>,
    /// The same of RMC without a fix: a receiver that has none may tell any date.
    unproven: Option<i64>,
}

impl DateSurvey {
    /// Dates after `latest` (now, by the clock of whoever looks) are not plausible.
    #[must_use]
    pub fn new(latest: Utc) -> Self {
        // A day of slack, for a recording that was made around midnight.
        let latest = latest.0.div_euclid(86_400_000) + 1;
        Self { reader: Reader::default(), seen: Seen { latest, newest: None, unproven: None } }
    }

    /// The next bytes of the recording.
    pub fn feed(&mut self, bytes: &[u8]) {
        let seen = &mut self.seen;
        self.reader.feed(bytes, &mut |sentence| seen.look(sentence));
    }

    /// Noon of the newest date that was told with a fix (RMC) or by ZDA, else of the newest without a fix; `None`
    /// if there was none.
    #[must_use]
    pub fn newest(&self) -> Option<Utc> {
        self.seen.newest.or(self.seen.unproven).map(|day| Utc(day * 86_400_000 + 43_200_000))
    }
}

impl Seen {
    fn look(&mut self, sentence: &Sentence<'_>) {
        let fields = sentence.fields();
        let date = match sentence.kind {
            Kind::Rmc if fields.text(9).len() == 6 => {
                fields.whole(9).map(|ddmmyy| (ddmmyy % 100, ddmmyy / 100 % 100, ddmmyy / 10_000))
            }
            Kind::Zda => fields.whole(4).zip(fields.whole(3).zip(fields.whole(2))).map(|(year, (m, d))| (year, m, d)),
            _ => None,
        };
        let Some((year, month, day)) = date else { return };
        let year = match year {
            0..=79 => year + 2000,
            2000..=2099 => year,
            _ => return,
        };
        let day = i32::try_from(year).ok().and_then(|year| days_from_civil(year, month, day));
        if let Some(day) = day.filter(|day| *day <= self.latest) {
            let proven = sentence.kind == Kind::Zda || fields.text(2) == b"A";
            let newest = if proven { &mut self.newest } else { &mut self.unproven };
            *newest = (*newest).max(Some(day));
        }
    }
}

/// One recording on its way through the core.
#[derive(Clone, Debug)]
pub struct Recording {
    line: BytesToEpochs,
    clock: LogClock,
    keeper: SiteKeeper,
    dated: bool,
    epochs: Vec<Epoch>,
    actions: Vec<KeeperAction>,
    track: Option<Vec<TrackFix>>,
}

/// One used fix of a recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackFix {
    /// When, on the recording's own clock.
    pub at: Mono,
    /// Where it says the antenna was.
    pub position: LatLon,
    /// What the keeper believed after it.
    pub state: KeeperState,
}

impl Recording {
    /// A keeper that remembers nothing; dates are judged around `now`, the time that the recording was made.
    #[must_use]
    pub fn new(limits: KeeperLimits, now: Utc) -> Self {
        let clock = LogClock::new(now);
        Self {
            line: BytesToEpochs::new(DateReference::around(now)),
            clock,
            keeper: SiteKeeper::new(limits, None, &clock.moment()),
            dated: false,
            epochs: Vec::new(),
            actions: Vec::new(),
            track: None,
        }
    }

    /// From now on every used fix is kept for a map: 40 bytes each.
    pub fn keep_track(&mut self) {
        self.track.get_or_insert_default();
    }

    /// The used fixes since [`Self::keep_track`], oldest first.
    #[must_use]
    pub fn track(&self) -> &[TrackFix] {
        self.track.as_deref().unwrap_or_default()
    }

    /// The next bytes; whatever the keeper decides goes to `sink` with its time.
    pub fn on_bytes(&mut self, bytes: &[u8], sink: &mut impl FnMut(&Moment, &KeeperAction)) {
        self.line.on_bytes(bytes, self.clock.moment().mono, &mut self.epochs);
        self.decide(sink);
    }

    /// The recording is at its end.
    pub fn on_end(&mut self, sink: &mut impl FnMut(&Moment, &KeeperAction)) {
        self.line.on_end(self.clock.moment().mono, &mut self.epochs);
        self.decide(sink);
    }

    fn decide(&mut self, sink: &mut impl FnMut(&Moment, &KeeperAction)) {
        let mut epochs = std::mem::take(&mut self.epochs);
        for epoch in &mut epochs {
            let before = self.clock.moment();
            self.clock.follow(epoch);
            let now = self.clock.moment();
            self.tick(&before, &now, sink);
            if let Ok(fix) = &epoch.outcome {
                self.dated |= !matches!(epoch.date, DateVerdict::Missing) && fix.utc.is_some();
                self.keeper.on_fix(fix, &now, &mut self.actions);
                if let Some(track) = &mut self.track {
                    track.push(TrackFix { at: now.mono, position: fix.position, state: self.keeper.state() });
                }
                self.tell(&now, sink);
            }
        }
        epochs.clear();
        self.epochs = epochs;
    }

    /// Everything that was due between two epochs happens at its own time.
    fn tick(&mut self, before: &Moment, now: &Moment, sink: &mut impl FnMut(&Moment, &KeeperAction)) {
        let mut last = before.mono;
        while let Some(due) = self.keeper.next_deadline().filter(|due| last < *due && *due < now.mono) {
            let back_ms = i64::try_from(now.mono.since_ms(due)).unwrap_or(0);
            let moment = Moment { mono: due, utc: now.utc.plus_ms(-back_ms), utc_trust: now.utc_trust };
            self.keeper.on_tick(&moment, &mut self.actions);
            self.tell(&moment, sink);
            last = due;
        }
    }

    fn tell(&mut self, now: &Moment, sink: &mut impl FnMut(&Moment, &KeeperAction)) {
        for action in self.actions.drain(..) {
            sink(now, &action);
        }
    }

    /// The reader and assembler, for their counts.
    #[must_use]
    pub fn line(&self) -> &BytesToEpochs {
        &self.line
    }

    /// The keeper, for its sites and state.
    #[must_use]
    pub fn keeper(&self) -> &SiteKeeper {
        &self.keeper
    }

    /// Now, as far as the recording tells.
    #[must_use]
    pub fn moment(&self) -> Moment {
        self.clock.moment()
    }

    /// True if at least one fix had a date that could be believed: else UTC means nothing.
    #[must_use]
    pub fn is_dated(&self) -> bool {
        self.dated
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seal(text: &str) -> String {
        format!("${text}*{:02X}\r\n", text.bytes().fold(0, |sum, c| sum ^ c))
    }

    #[test]
    fn dates_of_a_recording_are_judged_around_its_newest_plausible_one() {
        let mut survey = DateSurvey::new(Utc::parse_rfc3339("2026-11-25T00:00:00Z").unwrap_or(Utc(0)));
        for date in ["050180", "010112", "301231", "2208-1", "311299"] {
            survey.feed(seal(&format!("GPRMC,120001,A,4430.60,N,03007.50,W,0,0,{date},,,A")).as_bytes());
        }
        survey.feed(seal("GPRMC,120001,V,,,,,0,0,010720,,,N").as_bytes());
        assert_eq!(survey.newest().map(Utc::to_rfc3339).as_deref(), Some("2012-01-01T12:00:00.000Z"));
        survey.feed(seal("GPZDA,120001,02,01,2012,,").as_bytes());
        assert_eq!(survey.newest().map(Utc::to_rfc3339).as_deref(), Some("2012-01-02T12:00:00.000Z"));
    }

    #[test]
    fn a_trailer_that_stands_is_found_and_a_tow_is_seen() {
        let mut recording = Recording::new(KeeperLimits::default(), Utc::EPOCH);
        let mut found = 0;
        let mut left = 0;
        let mut minutes = 30.0;
        for second in 0..900_u32 {
            let speed_mps = if (300..400).contains(&second) { 15.0 } else { 0.0 };
            minutes += speed_mps / 1852.0;
            let knots = speed_mps * 3600.0 / 1852.0;
            let wobble = f64::from(second % 7) * 1e-4;
            let (m, s) = (second / 60, second % 60);
            let text = format!("GPRMC,10{m:02}{s:02},A,44{:07.4},N,03007.5000,W,{knots:.2},0,,,,A", minutes + wobble);
            recording.on_bytes(seal(&text).as_bytes(), &mut |_, action| match action {
                KeeperAction::SiteFound { .. } => found += 1,
                KeeperAction::Left { .. } => left += 1,
                _ => {}
            });
        }
        recording.on_end(&mut |_, _| {});
        assert_eq!((found, left), (2, 1));
        assert!(!recording.is_dated());
        assert_eq!(recording.moment().mono.0, 899_000);
    }
}
