//! The announced move: begun, extended and ended by people, run out by itself, over at arrival. It silences the urgency
//! of leaving and nothing else.
//!
//! In one life it is judged by the boot-time clock, which nobody can set. After a restart that clock says nothing of
//! the time before; then UTC decides, but only once it is trusted, and one full span after the restart it is over in
//! any case (decision 0009).

use super::{KeeperAction, KeeperState, SiteKeeper};
use crate::ids::printable;
use crate::moment::{Moment, Mono, Utc};
use crate::position::TowView;

/// Longest announcement, s (design: 12 h).
pub const TOW_S_MAX: u64 = 12 * 3600;
/// Longest name of a person, and longest reason, characters (our own limits).
const BY_CHARS_MAX: usize = 80;
const REASON_CHARS_MAX: usize = 160;

/// What people must see to before a trailer moves. Source: common practice, no source.
pub const TOW_CAUTION: [&str; 4] = [
    "Mast down and locked, panels stowed, doors shut.",
    "Jacks and stabilisers up, axle lock out.",
    "Coupler locked, safety chains fitted, lamps working.",
    "Local rules and licensed practice decide; Pintle only reports.",
];

/// A planned move, announced beforehand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tow {
    /// Who announced or extended it.
    pub by: String,
    /// Why, as that person wrote it; may be empty.
    pub reason: String,
    /// When that was.
    pub announced: Utc,
    /// When it ends by itself.
    pub until: Utc,
    /// For how long it was announced, ms.
    pub span_ms: u64,
    /// Whether the clock that dated it was trusted.
    pub dated: bool,
}

/// An announcement in this life.
#[derive(Clone, Debug)]
pub(super) struct Announcement {
    pub(super) tow: Tow,
    /// Since when this life knows of it.
    known: Mono,
    ends: Mono,
    /// Of an earlier life: UTC has still to say how much of it is left.
    restored: bool,
}

impl Announcement {
    pub(super) fn restored(tow: Tow, now: &Moment) -> Self {
        let ends = now.mono.plus_ms(tow.span_ms.min(TOW_S_MAX * 1000));
        Self { tow, known: now.mono, ends, restored: true }
    }

    fn new(by: &str, reason: &str, for_s: u64, now: &Moment) -> Self {
        let span_ms = for_s * 1000;
        let tow = Tow {
            by: printable(by, BY_CHARS_MAX),
            reason: printable(reason, REASON_CHARS_MAX),
            announced: now.utc,
            until: later(now.utc, span_ms),
            span_ms,
            dated: now.utc_trust.is_trusted(),
        };
        Self { tow, known: now.mono, ends: now.mono.plus_ms(span_ms), restored: false }
    }

    /// Hears what a trusted clock says. True if the dates of the announcement changed.
    fn hear(&mut self, now: &Moment) -> bool {
        if !now.utc_trust.is_trusted() {
            return false;
        }
        if self.restored {
            self.restored = false;
            if self.tow.dated {
                let left_ms = u64::try_from(self.tow.until.since_ms(now.utc)).unwrap_or(0);
                self.ends = self.ends.min(now.mono.plus_ms(left_ms));
                return false;
            }
        }
        if self.tow.dated {
            return false;
        }
        // It was announced by a clock that nobody trusted; what is left of it is known all the same.
        let known_ms = i64::try_from(now.mono.since_ms(self.known)).unwrap_or(0);
        self.tow.announced = now.utc.plus_ms(-known_ms);
        self.tow.until = later(now.utc, self.ends.since_ms(now.mono));
        self.tow.dated = true;
        true
    }
}

fn later(utc: Utc, ms: u64) -> Utc {
    utc.plus_ms(i64::try_from(ms).unwrap_or(i64::MAX))
}

/// Why an announcement was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TowProblem {
    /// It moves already.
    #[error("the trailer is already under way, so the tow can't be announced beforehand")]
    Underway,
    /// Out of range.
    #[error("a tow is announced for 1 s to 12 h, and {asked_s} s were asked for")]
    TooLong {
        /// What was asked.
        asked_s: u64,
    },
    /// There is one.
    #[error("{by} has already announced a tow until {}", .until.to_rfc3339())]
    Announced {
        /// Who.
        by: String,
        /// Until when.
        until: Utc,
    },
    /// Nothing to end.
    #[error("no tow is announced")]
    NotAnnounced,
    /// Nothing to extend.
    #[error("no tow is announced that could be extended")]
    NothingToExtend,
    /// Nobody says so.
    #[error("a tow needs the name of the person who announces or ends it")]
    Nobody,
}

impl TowProblem {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Underway => {
                "the alarm stands until it has arrived; tell the people who got it that the move is yours, and \
                 announce the next one before it begins"
            }
            Self::TooLong { .. } => "announce at most 12 h, and extend it with --extend before they have passed",
            Self::Announced { .. } => {
                "extend it with `pintle tow begin --extend`, or end it first with `pintle tow end`"
            }
            Self::NotAnnounced => "nothing is to be done",
            Self::NothingToExtend => "announce it without --extend",
            Self::Nobody => "say who you are",
        }
    }
}

impl SiteKeeper {
    /// The announced move, if any.
    #[must_use]
    pub fn tow(&self) -> Option<&Tow> {
        self.tow.as_ref().map(|announcement| &announcement.tow)
    }

    /// Announces a tow for `for_s` seconds.
    ///
    /// # Errors
    /// [`TowProblem`]: it moves already, one is announced, outside 1 s to 12 h, or nobody says so.
    pub fn tow_begin(
        &mut self,
        by: &str,
        reason: &str,
        for_s: u64,
        now: &Moment,
        out: &mut Vec<KeeperAction>,
    ) -> Result<Tow, TowProblem> {
        if let Some(tow) = self.tow() {
            return Err(TowProblem::Announced { by: tow.by.clone(), until: tow.until });
        }
        if self.adrift.is_some() || self.state == KeeperState::Underway {
            return Err(TowProblem::Underway);
        }
        self.announce(by, reason, for_s, false, now, out)
    }

    /// Gives the announced tow a new end, `for_s` seconds from now; also under way, as long as it is announced.
    ///
    /// # Errors
    /// [`TowProblem`]: none is announced, outside 1 s to 12 h, or nobody says so.
    pub fn tow_extend(
        &mut self,
        by: &str,
        reason: &str,
        for_s: u64,
        now: &Moment,
        out: &mut Vec<KeeperAction>,
    ) -> Result<Tow, TowProblem> {
        let before = self.tow().ok_or(TowProblem::NothingToExtend)?.reason.clone();
        let reason = if reason.trim().is_empty() { &before } else { reason };
        self.announce(by, reason, for_s, true, now, out)
    }

    fn announce(
        &mut self,
        by: &str,
        reason: &str,
        for_s: u64,
        extended: bool,
        now: &Moment,
        out: &mut Vec<KeeperAction>,
    ) -> Result<Tow, TowProblem> {
        if !(1..=TOW_S_MAX).contains(&for_s) {
            return Err(TowProblem::TooLong { asked_s: for_s });
        }
        if by.trim().is_empty() {
            return Err(TowProblem::Nobody);
        }
        let announcement = Announcement::new(by, reason, for_s, now);
        let tow = announcement.tow.clone();
        self.tow = Some(announcement);
        out.push(KeeperAction::TowBegun { tow: tow.clone(), extended });
        out.push(KeeperAction::Keep);
        Ok(tow)
    }

    /// Ends the announcement. Under way that is an alarm: nobody has announced what goes on.
    ///
    /// # Errors
    /// [`TowProblem::NotAnnounced`] if there is none, [`TowProblem::Nobody`] if nobody says so.
    pub fn tow_end(&mut self, by: &str, out: &mut Vec<KeeperAction>) -> Result<Tow, TowProblem> {
        if by.trim().is_empty() {
            return Err(TowProblem::Nobody);
        }
        let tow = self.tow().ok_or(TowProblem::NotAnnounced)?.clone();
        self.over(format!("{} ended it", printable(by, BY_CHARS_MAX)), out);
        out.push(KeeperAction::Keep);
        Ok(tow)
    }

    pub(super) fn expire_tow(&mut self, now: &Moment, out: &mut Vec<KeeperAction>) {
        let Some(announcement) = &mut self.tow else { return };
        if announcement.hear(now) {
            out.push(KeeperAction::Keep);
        }
        if announcement.ends <= now.mono {
            self.over("the announced time has passed".to_owned(), out);
            out.push(KeeperAction::Keep);
        }
    }

    /// The announcement is over, for that reason; at arrival the keeper is adrift no more.
    pub(super) fn over(&mut self, reason: String, out: &mut Vec<KeeperAction>) {
        let Some(announcement) = self.tow.take() else { return };
        let position = self.site().map(|site| site.position).or(self.last_fix.map(|fix| fix.position));
        let seen = self.last_fix.map(|fix| fix.at);
        let adrift = self.adrift.is_some();
        out.push(KeeperAction::TowEnded { tow: announcement.tow, reason, adrift, position, seen });
    }

    pub(super) fn announced(&self, now: &Moment) -> bool {
        self.tow.as_ref().is_some_and(|announcement| now.mono < announcement.ends)
    }

    /// When the announcement ends by itself.
    pub(super) fn tow_ends(&self) -> Option<Mono> {
        self.tow.as_ref().map(|announcement| announcement.ends)
    }

    /// What others are told of it.
    pub(super) fn tow_view(&self) -> Option<TowView> {
        self.tow.as_ref().map(|announcement| TowView { tow: announcement.tow.clone(), ends: announcement.ends })
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::super::tests::{Story, moment};
    use super::*;
    use crate::moment::UtcTrust;
    use crate::position::PositionView;
    use crate::wire::notice::NoticeBody;

    const BY: &str = "technician 7";

    /// `now` by a clock that is off by `off_ms`, and that nobody trusts.
    fn untrusted(mono_ms: u64, off_ms: i64) -> Moment {
        let now = moment(mono_ms);
        Moment { utc: now.utc.plus_ms(off_ms), utc_trust: UtcTrust::Unset, ..now }
    }

    fn ended(out: &[KeeperAction]) -> Vec<(bool, &str)> {
        let told = |action: &'_ KeeperAction| matches!(action, KeeperAction::TowEnded { .. });
        let parts = |action| match action {
            &KeeperAction::TowEnded { adrift, ref reason, .. } => (adrift, reason.as_str()),
            _ => (false, ""),
        };
        out.iter().filter(|action| told(action)).map(parts).collect()
    }

    fn adrift(story: &Story) -> bool {
        let mut view = PositionView::default();
        story.keeper.fill(&mut view);
        view.adrift.is_some()
    }

    #[test]
    fn an_announcement_is_told_and_kept_with_the_command_itself() {
        let mut story = Story::new(60.0);
        story.stand(100);
        let mut out = Vec::new();
        let tow = story.keeper.tow_begin(BY, "to the yard", 3600, &moment(story.now_ms), &mut out).unwrap();
        assert_eq!(out, [KeeperAction::TowBegun { tow: tow.clone(), extended: false }, KeeperAction::Keep]);
        assert_eq!(tow.until.since_ms(tow.announced), 3_600_000);
        assert_eq!(story.keeper.memory().tow, Some(tow));
    }

    #[test]
    fn a_clock_that_nobody_trusts_ends_no_announcement_after_a_restart() {
        let mut story = Story::new(60.0);
        story.stand(100);
        story.keeper.tow_begin(BY, "", 3600, &moment(story.now_ms), &mut Vec::new()).unwrap();
        story.restart();
        let mut out = Vec::new();
        for year in [-30, 30] {
            let wrong = untrusted(story.now_ms + 1000, year * 365 * 86_400_000);
            story.keeper.on_tick(&wrong, &mut out);
        }
        assert_eq!((ended(&out), story.keeper.tow().is_some()), (vec![], true));
        // At the latest it ends one full span after the restart.
        story.keeper.on_tick(&untrusted(story.now_ms + 3_599_000, 0), &mut out);
        assert_eq!(ended(&out), []);
        story.keeper.on_tick(&untrusted(story.now_ms + 3_600_000, 0), &mut out);
        assert_eq!(ended(&out), [(false, "the announced time has passed")]);
    }

    #[test]
    fn a_trusted_clock_says_after_a_restart_what_is_left() {
        let mut story = Story::new(60.0);
        story.stand(100);
        story.keeper.tow_begin(BY, "", 3600, &moment(story.now_ms), &mut Vec::new()).unwrap();
        story.now_ms += 1_800_000;
        story.restart();
        let mut out = Vec::new();
        story.keeper.on_tick(&moment(story.now_ms + 1_799_000), &mut out);
        assert_eq!(ended(&out), []);
        story.keeper.on_tick(&moment(story.now_ms + 1_800_000), &mut out);
        assert_eq!(ended(&out).len(), 1);
    }

    #[test]
    fn a_step_of_the_clock_neither_ends_nor_prolongs_an_announcement() {
        for off_ms in [-86_400_000, 86_400_000] {
            let mut story = Story::new(60.0);
            story.stand(100);
            let began = untrusted(story.now_ms, off_ms);
            story.keeper.tow_begin(BY, "", 600, &began, &mut Vec::new()).unwrap();
            let mut out = Vec::new();
            story.keeper.on_tick(&moment(story.now_ms + 60_000), &mut out);
            assert_eq!(ended(&out), [], "the clock was put right by {off_ms} ms");
            let tow = story.keeper.tow().unwrap();
            assert_eq!((tow.announced, tow.until), (moment(story.now_ms).utc, moment(story.now_ms + 600_000).utc));
            story.keeper.on_tick(&moment(story.now_ms + 600_000), &mut out);
            assert_eq!(ended(&out).len(), 1);
        }
    }

    #[test]
    fn a_tow_that_runs_out_or_is_ended_on_the_way_is_an_alarm_and_one_that_stands_is_none() {
        for by_hand in [false, true] {
            let mut story = Story::new(60.0);
            story.stand(100);
            let for_s = if by_hand { 3600 } else { 30 };
            story.keeper.tow_begin(BY, "", for_s, &moment(story.now_ms), &mut Vec::new()).unwrap();
            story.drive(40, 15.0);
            if by_hand {
                story.keeper.tow_end("technician 9", &mut story.out).unwrap();
            }
            let reason = if by_hand { "technician 9 ended it" } else { "the announced time has passed" };
            assert_eq!(ended(&story.out), [(true, reason)]);
            assert!(adrift(&story));
        }
        let mut story = Story::new(60.0);
        story.stand(100);
        story.keeper.tow_begin(BY, "", 30, &moment(story.now_ms), &mut Vec::new()).unwrap();
        story.stand(40);
        assert_eq!(ended(&story.out), [(false, "the announced time has passed")]);
    }

    #[test]
    fn a_tow_that_runs_out_without_a_receiver_tells_where_it_was_seen_last_and_how_long_ago() {
        let mut story = Story::new(60.0);
        story.stand(100);
        story.keeper.tow_begin(BY, "", 3600, &moment(story.now_ms), &mut Vec::new()).unwrap();
        story.drive(40, 15.0);
        let seen = story.place;
        story.out.clear();
        story.silence(3561);
        let told = |action: &KeeperAction| NoticeBody::of_keeper(action, &moment(story.now_ms));
        let notice = story.out.iter().filter_map(told).find(|notice| notice.kind == "tow-ended").unwrap();
        assert!(notice.urgent && notice.text.contains("it was last seen 59 min ago at 44.5"), "{}", notice.text);
        assert!((notice.lon.unwrap() - seen.lon_deg()).abs() < 1e-3);
    }

    #[test]
    fn a_halt_on_the_way_is_still_adrift_and_only_an_arrival_ends_it() {
        let mut story = Story::new(60.0);
        story.stand(100);
        assert!(!adrift(&story));
        story.drive(40, 15.0);
        story.stand(40);
        assert_eq!((story.keeper.state(), adrift(&story)), (KeeperState::Settling, true));
        story.restart();
        assert!(adrift(&story), "a restart does not forget it");
        story.stand(100);
        assert!(!adrift(&story));
        let again = |action: &KeeperAction| matches!(action, KeeperAction::SiteFound { unannounced: true, .. });
        assert_eq!(story.count(again), 1);
    }

    #[test]
    fn an_announcement_is_refused_under_way_twice_and_out_of_range_and_can_be_extended() {
        let mut story = Story::new(60.0);
        story.stand(100);
        let mut out = Vec::new();
        let mut now = moment(story.now_ms);
        let keeper = &mut story.keeper;
        assert_eq!(keeper.tow_extend(BY, "", 60, &now, &mut out), Err(TowProblem::NothingToExtend));
        for asked_s in [0, 43_201] {
            assert_eq!(keeper.tow_begin(BY, "", asked_s, &now, &mut out), Err(TowProblem::TooLong { asked_s }));
        }
        assert_eq!(keeper.tow_begin(" ", "", 60, &now, &mut out), Err(TowProblem::Nobody));
        assert_eq!(out, []);
        let first = keeper.tow_begin(BY, "to the yard", 60, &now, &mut out).unwrap();
        let refused = TowProblem::Announced { by: BY.to_owned(), until: first.until };
        assert_eq!(keeper.tow_begin("technician 9", "", 60, &now, &mut out), Err(refused));
        story.drive(30, 15.0);
        now = moment(story.now_ms);
        let longer = story.keeper.tow_extend("technician 9", "", 120, &now, &mut out).unwrap();
        assert_eq!((longer.reason.as_str(), longer.until), ("to the yard", now.utc.plus_ms(120_000)));
        story.drive(40, 15.0);
        assert_eq!(ended(&story.out), [], "the first end counts no more");
        story.keeper.tow_end(BY, &mut out).unwrap();
        now = moment(story.now_ms);
        assert_eq!(story.keeper.tow_begin(BY, "", 60, &now, &mut out), Err(TowProblem::Underway));
        assert_eq!(story.keeper.tow_end(BY, &mut out), Err(TowProblem::NotAnnounced));
    }

    #[test]
    fn track_points_come_by_distance_and_seldom_without_a_link() {
        let points = |mps: f64, link: bool| {
            let mut story = Story::new(60.0);
            story.stand(100);
            story.keeper.link_is(link);
            story.drive(120, mps);
            story.out.clear();
            story.drive(120, mps);
            story.count(|action| matches!(action, KeeperAction::TrackPoint { announced: false, .. }))
        };
        // 100 m at 10 m/s are 10 s; never more often than every 5 s, never less often than every 20 s.
        assert_eq!(points(10.0, true), 12);
        assert_eq!(points(30.0, true), 24);
        assert_eq!(points(3.0, true), 6);
        assert_eq!(points(10.0, false), 4);
    }
}
