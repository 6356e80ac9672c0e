//! Stories of a trailer, told fix by fix.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use crate::ids::CameraId;
use crate::moment::UtcTrust;
use crate::position::places::{LineProblem, LineState, PlaceLine, site_for_lines};
use crate::read::stamp::{Stamp, StampBasis, StampSpot, StampState, stamp};
use crate::sim::random::Random;

const T0: i64 = 1_800_000_000_000;

/// A keeper with a trailer that is towed by hand.
#[derive(Clone)]
pub(super) struct Story {
    pub keeper: SiteKeeper,
    pub limits: KeeperLimits,
    pub now_ms: u64,
    pub place: LatLon,
    pub out: Vec<KeeperAction>,
    random: Random,
    pub noise_m: f64,
    pub step_ms: u64,
    pub speaks: bool,
    /// Both clocks of the host.
    pub moment: fn(u64) -> Moment,
}

impl Story {
    pub(super) fn new(settle_s: f64) -> Self {
        let limits = KeeperLimits { settle_s, ..KeeperLimits::default() };
        let now_ms = 1_000;
        Self {
            keeper: SiteKeeper::new(limits, None, &moment(now_ms)),
            limits,
            now_ms,
            place: LatLon::new(44.51, -30.0).unwrap(),
            out: Vec::new(),
            random: Random::new(5),
            noise_m: 1.5,
            step_ms: 1000,
            speaks: true,
            moment,
        }
    }

    /// One fix at the present place, `off_m` metres east of it.
    pub(super) fn fix(&mut self, speed_mps: f64, off_m: f64) {
        self.now_ms += self.step_ms;
        let now = (self.moment)(self.now_ms);
        let east_m = off_m + self.noise_m * self.random.normal();
        let north_m = self.noise_m * self.random.normal();
        let position = LocalPlane::new(self.place).to_geo(east_m, north_m);
        let speed_mps = self.speaks.then(|| speed_mps + 0.05 * self.random.unit());
        let fix = Fix {
            at: now.mono,
            utc: Some(now.utc),
            position,
            speed_mps,
            hdop: Some(1.0),
            satellites: Some(9),
            sigma_m: None,
        };
        self.keeper.on_fix(&fix, &now, &mut self.out);
        self.keeper.on_tick(&now, &mut self.out);
    }

    pub(super) fn stand(&mut self, for_s: u64) {
        self.stand_off(for_s, 0.0);
    }

    pub(super) fn stand_off(&mut self, for_s: u64, off_m: f64) {
        for _ in 0..for_s * 1000 / self.step_ms {
            self.fix(0.0, off_m);
        }
    }

    pub(super) fn drive(&mut self, for_s: u64, mps: f64) {
        for _ in 0..for_s * 1000 / self.step_ms {
            self.place = self.place.moved(90.0, mps * seconds(self.step_ms));
            self.fix(mps.abs(), 0.0);
        }
    }

    pub(super) fn restart(&mut self) {
        self.restart_after(0, true);
    }

    /// The agent is down for a while. In another boot nobody knows when the trailer was seen.
    pub(super) fn restart_after(&mut self, down_s: u64, same_boot: bool) {
        let mut memory = self.keeper.memory();
        memory.seen = memory.seen.filter(|_| same_boot);
        self.silence(down_s);
        self.keeper = SiteKeeper::new(self.limits, Some(memory), &moment(self.now_ms));
    }

    /// No fix comes.
    pub(super) fn silence(&mut self, for_s: u64) {
        for _ in 0..for_s {
            self.now_ms += 1000;
            self.keeper.on_tick(&moment(self.now_ms), &mut self.out);
        }
    }

    /// The stamp of a read captured at `at_ms`, as it is told now.
    pub(super) fn stamp(&self, at_ms: u64) -> Stamp {
        stamp_at(&self.keeper, at_ms, self.now_ms)
    }

    pub(super) fn count(&self, want: impl Fn(&KeeperAction) -> bool) -> usize {
        self.out.iter().filter(|action| want(action)).count()
    }
}

pub(super) fn stamp_at(keeper: &SiteKeeper, at_ms: u64, now_ms: u64) -> Stamp {
    let mut view = PositionView::default();
    keeper.fill(&mut view);
    view.eras.observe(&moment(0));
    let camera = CameraId::new("east").unwrap();
    stamp(&camera, moment(at_ms).utc, 1, &StampBasis { view: &view, now: &moment(now_ms) })
}

/// A clock that began in 1970, and that nobody trusts.
fn untrusted(mono_ms: u64) -> Moment {
    Moment { mono: Mono(mono_ms), utc: Utc(i64::try_from(mono_ms).unwrap()), utc_trust: UtcTrust::Unset }
}

pub(super) fn moment(mono_ms: u64) -> Moment {
    Moment { mono: Mono(mono_ms), utc: Utc(T0 + i64::try_from(mono_ms).unwrap()), utc_trust: UtcTrust::Gps }
}

fn found(action: &KeeperAction) -> bool {
    matches!(action, KeeperAction::SiteFound { .. })
}

fn left(action: &KeeperAction) -> bool {
    matches!(action, KeeperAction::Left { .. })
}

#[test]
fn a_short_settle_time_finds_leaves_and_finds_again_within_a_minute() {
    for step_ms in [200, 1000] {
        let mut story = Story::new(6.0);
        story.step_ms = step_ms;
        story.stand(15);
        assert_eq!(story.count(found), 1, "{step_ms}");
        story.drive(7, 17.0);
        assert_eq!(story.count(left), 1, "left within 7 s at 17 m/s, steps of {step_ms} ms");
        story.drive(11, 17.0);
        assert_eq!(story.keeper.state(), KeeperState::Underway);
        story.stand(13);
        assert_eq!(story.count(found), 2, "{step_ms}: {:?}", story.keeper.reason());
        assert!(story.keeper.site().unwrap().position.distance_m(story.place) < 5.0);
    }
}

#[test]
fn reads_are_told_the_road_between_two_sites_and_the_site_once_it_is_found() {
    let mut story = Story::new(60.0);
    story.stand(100);
    let parked_ms = story.now_ms;
    story.drive(30, 15.0);
    let halted_ms = story.now_ms;
    story.stand(100);
    let timeline = story.keeper.timeline();
    let site_at = |ms: u64| match timeline.at(Mono(ms)) {
        Whereabouts::AtSite { site, .. } => site.0,
        _ => 0,
    };
    assert_eq!((site_at(parked_ms), site_at(parked_ms + 10_000), site_at(halted_ms + 8_000)), (1, 0, 2));
    for second in 3..29 {
        let at = Mono(parked_ms + second * 1000);
        assert!(matches!(timeline.at(at), Whereabouts::Underway { .. }), "{second}: {:?}", timeline.at(at));
    }
}

#[test]
fn a_jump_that_no_speed_explains_is_a_doubt_and_not_a_leaving() {
    let mut story = Story::new(60.0);
    story.stand(300);
    story.stand_off(57, 120.0);
    assert_eq!(story.keeper.state(), KeeperState::Doubtful);
    story.stand(30);
    assert_eq!(story.count(left), 0);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::DoubtBegan { .. })), 1);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::DoubtEnded { .. })), 1);
}

#[test]
fn after_a_start_the_site_is_kept_if_the_fixes_agree() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.restart();
    assert!(!story.keeper.standing.as_ref().unwrap().verified);
    story.stand(20);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::Verified { .. })), 1);
    assert_eq!(story.count(found), 1);
}

#[test]
fn a_trailer_that_was_moved_while_off_says_so_and_never_gives_the_old_site_as_certain() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.restart();
    story.place = story.place.moved(0.0, 3000.0);
    let started_ms = story.now_ms;
    story.stand(200);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::MovedWhileOff { announced: false, .. })), 1);
    assert_eq!(story.count(found), 2);
    for ms in (started_ms..story.now_ms).step_by(500) {
        let told = story.keeper.timeline().at(Mono(ms));
        assert!(!matches!(told, Whereabouts::AtSite { site: SiteId(1), .. }), "{ms}: {told:?}");
    }
}

#[test]
fn coming_back_to_a_place_offers_its_lines() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.drive(60, 15.0);
    story.stand(100);
    story.drive(60, -15.0);
    story.stand(100);
    let returned: Vec<_> = story
        .out
        .iter()
        .filter_map(|a| match a {
            KeeperAction::SiteFound { returned_to, .. } => Some(*returned_to),
            _ => None,
        })
        .collect();
    assert_eq!(returned, [None, None, Some(SiteId(1))]);
}

fn write(story: &mut Story, name: &str, road: &str) -> SiteId {
    let line = PlaceLine {
        road: road.to_owned(),
        cross_street: String::new(),
        direction: "northbound".to_owned(),
        by: "technician 7".to_owned(),
        at: Utc(0),
    };
    let (site, position) = story.keeper.site().map(|site| (site.id, site.position)).unwrap();
    story.keeper.places_mut().set(site, position, &camera(name), line).unwrap();
    site
}

fn camera(name: &str) -> CameraId {
    CameraId::new(name).unwrap()
}

/// What an officer reads now, after the coordinates.
fn sentence(story: &Story, name: &str) -> String {
    let site = story.keeper.site().unwrap();
    let (text, _) = story.keeper.places().sentence(site.id, site.position, &camera(name));
    text.split_once("; ").map_or(text.clone(), |(_, after)| after.to_owned())
}

#[test]
fn a_return_offers_the_lines_that_were_written_there_though_another_stay_was_nearer() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.drive(60, 15.0);
    story.stand(100);
    // Back, 15 m short of the first stay, which has no lines.
    story.drive(59, -15.0);
    story.stand(100);
    assert_eq!(write(&mut story, "east", "Quernstone Road"), SiteId(3));
    story.drive(59, 15.0);
    story.stand(100);
    assert_eq!(write(&mut story, "east", "Tallow Row"), SiteId(4));
    story.drive(60, -15.0);
    story.stand(100);
    assert_eq!(story.keeper.site().unwrap().id, SiteId(5));
    assert_eq!(
        sentence(&story, "east"),
        "back at the place of \"Quernstone Road, northbound\", direction not confirmed"
    );
    let told = story.out.iter().rev().find_map(|action| match action {
        KeeperAction::SiteFound { returned_to, .. } => Some(*returned_to),
        _ => None,
    });
    assert_eq!(told, Some(Some(SiteId(3))), "the notice names the same stay as the lines");
}

fn lines_go_to(story: &Story) -> Result<SiteId, LineProblem> {
    let mut view = PositionView::default();
    story.keeper.fill(&mut view);
    site_for_lines(&view).map(|(site, _)| site)
}

#[test]
fn a_line_is_taken_at_no_site_that_is_doubted_or_was_not_seen_since_the_start() {
    let mut story = Story::new(60.0);
    story.stand(30);
    assert_eq!(lines_go_to(&story), Err(LineProblem::NoSite));
    story.stand(270);
    assert_eq!(lines_go_to(&story), Ok(SiteId(1)));
    write(&mut story, "east", "Quernstone Road");
    story.stand_off(3, 120.0);
    assert_eq!(story.keeper.state(), KeeperState::Doubtful);
    assert_eq!(lines_go_to(&story), Err(LineProblem::InDoubt));
    story.stand(30);
    assert_eq!(lines_go_to(&story), Ok(SiteId(1)));
    story.restart();
    assert_eq!(lines_go_to(&story), Err(LineProblem::NotVerified), "before the first fix");
    // It was moved while it was off.
    story.place = story.place.moved(0.0, 3000.0);
    let mut waits = Vec::new();
    for _ in 0..300 {
        story.fix(0.0, 0.0);
        if let Err(problem) = lines_go_to(&story)
            && waits.last() != Some(&problem)
        {
            waits.push(problem);
        }
    }
    assert_eq!(waits, [LineProblem::NotVerified, LineProblem::NoSite]);
    assert_eq!(lines_go_to(&story), Ok(SiteId(2)));
    assert_eq!(sentence(&story, "east"), "moved 3.0 km north of Quernstone Road, direction not confirmed");
}

#[test]
fn a_small_hop_doubts_no_line_that_was_just_written_beside_one_of_another_site() {
    let mut story = Story::new(60.0);
    story.stand(100);
    write(&mut story, "east", "Quernstone Road");
    write(&mut story, "west", "Quernstone Road");
    story.drive(60, 15.0);
    story.stand(300);
    let site = write(&mut story, "east", "Tallow Row");
    story.out.clear();
    story.drive(10, 1.8);
    story.stand(200);
    assert_eq!(story.count(|action| matches!(action, KeeperAction::Hopped { .. })), 1, "{:?}", story.out);
    assert_eq!(story.count(|action| matches!(action, KeeperAction::Hopped { lines_unconfirmed: true, .. })), 0);
    assert_eq!(story.keeper.places().line(site, &camera("east")).1, LineState::Confirmed);
    assert_eq!(sentence(&story, "west"), "moved 920 m east of Quernstone Road, direction not confirmed");
}

#[test]
fn an_announced_move_silences_the_urgency_and_ends_at_arrival() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.keeper.tow_begin("technician 7", "", 3600, &moment(story.now_ms), &mut Vec::new()).unwrap();
    story.restart();
    story.stand(20);
    story.drive(60, 15.0);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::Left { announced: true, .. })), 1);
    story.stand(100);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::TowEnded { adrift: false, .. })), 1);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::SiteFound { unannounced: true, .. })), 0);
    assert!(story.keeper.tow().is_none());
}

#[test]
fn an_unannounced_move_leaves_a_track_and_a_halt_is_no_site() {
    let mut story = Story::new(60.0);
    story.stand(100);
    story.drive(60, 15.0);
    story.stand(40);
    story.drive(60, 15.0);
    let points = story.count(|a| matches!(a, KeeperAction::TrackPoint { .. }));
    // 100 m at 15 m/s are seven fixes; one a minute at the halt.
    assert!((14..=20).contains(&points), "{points}");
    assert_eq!(story.count(found), 1);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::Halted { .. })), 1);
}

#[test]
fn the_way_of_a_move_is_kept_from_site_to_site_and_what_a_restart_missed_is_a_gap() {
    let mut story = Story::new(60.0);
    story.stand(100);
    let home = story.place;
    story.drive(60, 15.0);
    story.restart();
    story.place = story.place.moved(90.0, 700.0);
    story.drive(60, 15.0);
    story.stand(120);
    let trail = &story.keeper.memory().trail;
    assert_eq!((trail.from, trail.to), (Some(SiteId(1)), Some(SiteId(2))));
    let (first, last) = (trail.points()[0].position, trail.points().last().unwrap().position);
    assert!(first.distance_m(home) < 5.0 && last.distance_m(story.place) < 5.0);
    assert_eq!((trail.parts().len(), trail.has_gaps()), (2, true));
    assert!((trail.seen_m() - 1800.0).abs() < 120.0, "{}", trail.seen_m());
    assert!(trail.points().len() <= crate::position::trail::POINTS_MAX);
    story.stand(300);
    assert_eq!(&story.keeper.memory().trail, trail, "standing adds nothing");
}

#[test]
fn a_hop_below_the_threshold_keeps_the_site_moves_the_anchor_and_doubts_the_lines() {
    let mut story = Story::new(60.0);
    story.stand(300);
    story.drive(20, 1.8);
    story.stand(200);
    assert_eq!((story.count(found), story.count(left)), (1, 0));
    let hops = story.count(|a| matches!(a, KeeperAction::Hopped { lines_unconfirmed: true, .. }));
    assert_eq!(hops, 1, "{:?}", story.out.last());
    assert!(story.keeper.site().unwrap().position.distance_m(story.place) < 5.0);
}

#[test]
fn a_receiver_without_speed_shows_its_leaving_by_twelve_seconds_of_smooth_motion() {
    let mut story = Story::new(60.0);
    story.speaks = false;
    story.stand(300);
    story.drive(16, 10.0);
    assert_eq!(story.count(left), 1);
}

#[test]
fn a_slow_walk_is_found_by_four_means() {
    let mut story = Story::new(60.0);
    story.stand(300);
    story.drive(110, 0.9);
    assert_eq!(story.count(left), 1);
}

#[test]
fn a_silent_receiver_leaves_the_site_standing_and_its_return_is_told() {
    let mut story = Story::new(60.0);
    story.stand(300);
    story.now_ms += 120_000;
    story.stand(3);
    // The first fixes after a gap prove nothing: a receiver may replay the last position that it knew.
    assert_eq!(story.keeper.state(), KeeperState::Doubtful);
    story.stand(5);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    assert_eq!(story.count(left), 0);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::Restamp { reason, .. } if reason.contains("back"))), 1);
}

#[test]
fn a_speed_that_no_standing_receiver_tells_is_doubt_though_the_positions_hang() {
    let mut story = Story::new(60.0);
    story.stand(300);
    for _ in 0..3 {
        story.fix(6.0, 0.0);
    }
    assert_eq!(story.keeper.state(), KeeperState::Doubtful);
    assert!(story.keeper.reason().contains("tells a speed of 6.0 m/s"), "{}", story.keeper.reason());
    story.stand(6);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    assert_eq!(story.count(left), 0);
}

#[test]
fn a_start_80_m_away_is_not_verified_by_one_stray_run_of_fixes_near_the_site() {
    let mut story = Story::new(60.0);
    story.stand(600);
    story.restart();
    // Twenty seconds 45 m away (an excursion towards the site), then where it truly stands.
    story.stand_off(20, 45.0);
    assert_eq!(story.count(|action| matches!(action, KeeperAction::Verified { .. })), 0);
    story.stand_off(420, 80.0);
    assert_eq!(story.count(|action| matches!(action, KeeperAction::Verified { .. })), 0);
    assert_eq!(story.count(|action| matches!(action, KeeperAction::MovedWhileOff { .. })), 1);
}

#[test]
fn a_start_where_fixes_lie_between_same_and_elsewhere_is_decided_by_the_middle_of_minutes() {
    for (off_m, moved) in [(30.0, 0), (48.0, 1)] {
        let mut story = Story::new(60.0);
        story.stand(600);
        story.restart();
        story.stand_off(200, off_m);
        assert_eq!(story.count(|action| matches!(action, KeeperAction::Verified { .. })), 0, "{off_m}");
        story.stand_off(220, off_m);
        assert_eq!(story.count(|action| matches!(action, KeeperAction::MovedWhileOff { .. })), moved, "{off_m}");
        assert_eq!(story.count(|action| matches!(action, KeeperAction::Verified { .. })), 1 - moved, "{off_m}");
    }
}

#[test]
fn a_site_found_in_an_excursion_is_corrected_and_told_anew_and_not_left() {
    let mut story = Story::new(60.0);
    story.stand_off(65, 120.0);
    assert_eq!(story.count(found), 1);
    let found_ms = story.now_ms;
    story.stand(420);
    assert_eq!((story.count(left), story.count(found)), (0, 1), "{}", story.keeper.reason());
    assert!(story.keeper.site().unwrap().position.distance_m(story.place) < 5.0);
    let corrected = |action: &KeeperAction| matches!(action, KeeperAction::Hopped { lines_unconfirmed: true, .. });
    assert_eq!(story.count(corrected), 1);
    let told = story.count(|action| {
        matches!(action, KeeperAction::Restamp { from, to, .. } if from.0 < found_ms && found_ms + 60_000 < to.0)
    });
    assert_eq!(told, 1, "reads since the arrival get the right place");
    let Whereabouts::AtSite { position, .. } = story.keeper.timeline().at(Mono(found_ms)) else {
        unreachable!("it stood at a site")
    };
    assert!(position.distance_m(story.place) < 5.0);
}

#[test]
fn the_same_after_a_silence_is_a_move_since_nobody_saw_the_way() {
    let mut story = Story::new(60.0);
    story.stand(65);
    story.now_ms += 600_000;
    story.stand_off(480, 120.0);
    assert_eq!(story.count(left), 1, "{}", story.keeper.reason());
}

#[test]
fn a_hop_that_flickers_around_the_threshold_is_told_within_minutes() {
    let mut story = Story::new(60.0);
    story.stand(700);
    story.out.clear();
    story.stand_off(500, 50.0);
    let told = |action: &KeeperAction| matches!(action, KeeperAction::Hopped { lines_unconfirmed: true, .. });
    assert_eq!((story.count(told), story.count(left)), (1, 0), "{:?}", story.out);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    let away_m = story.keeper.estimate().unwrap().0.distance_m(story.place.moved(90.0, 50.0));
    assert!(away_m < 5.0, "{away_m} m");
}

#[test]
fn reads_that_no_fix_saw_after_a_start_stay_unsure_though_the_site_is_verified() {
    for (down_s, same_boot) in [(0, true), (30, true), (0, false), (30, false)] {
        let mut story = Story::new(60.0);
        story.stand(100);
        let seen_ms = story.now_ms;
        story.restart_after(down_s, same_boot);
        // The antenna is off; it may be towed around and put back meanwhile.
        story.silence(120);
        let fixed_ms = story.now_ms + 1000;
        story.stand(100);
        assert_eq!(story.count(|a| matches!(a, KeeperAction::Verified { .. })), 1);
        for at_ms in (seen_ms + 1000..fixed_ms).step_by(1000) {
            let stamp = story.stamp(at_ms);
            // A tow begins with a standstill: within 10 s of a fix it has not gone far.
            let seen_lately = same_boot && at_ms <= seen_ms + GAP_MS;
            assert_eq!(stamp.state == StampState::Certain, seen_lately, "{same_boot}, {at_ms}: {stamp:?}");
        }
        let told = story.stamp(fixed_ms - 1000).line;
        let end =
            if same_boot { " before the read" } else { "; no position fix is known from shortly before the read" };
        assert!(told.ends_with(end), "{told}");
        assert_eq!(story.stamp(fixed_ms).state, StampState::Certain);
    }
}

#[test]
fn a_restart_in_the_same_boot_forgets_neither_where_the_trailer_was_seen_nor_what_nobody_saw() {
    let mut story = Story::new(60.0);
    story.stand(200);
    let (parked_ms, seen_ms) = (80_000, story.now_ms);
    story.restart_after(30, true);
    let known = |story: &Story, at_ms: u64| {
        let stamp = story.stamp(at_ms);
        (stamp.state, stamp.spot == StampSpot::Site(SiteId(1)), stamp.fix_age_ms)
    };
    let down_ms = seen_ms + 20_000;
    assert_eq!(known(&story, parked_ms), (StampState::Certain, true, Some(0)), "it was seen then");
    assert_eq!(known(&story, down_ms), (StampState::Doubtful, true, Some(20_000)));
    let told = story.stamp(down_ms).line;
    assert!(told.contains("not verified since boot; last position fix 20 s before the read"), "{told}");
    // Twice in a row, before anything is verified.
    story.restart_after(5, true);
    assert_eq!(known(&story, down_ms), (StampState::Doubtful, true, Some(20_000)));
    story.stand(100);
    assert_eq!(story.keeper.state(), KeeperState::Anchored);
    let told = |a: &KeeperAction| matches!(a, KeeperAction::Restamp { from, .. } if from.0 == seen_ms);
    assert_eq!(story.count(told), 1, "reads of that stretch get a later stamp");
    assert_eq!(known(&story, down_ms), (StampState::Doubtful, true, Some(20_000)), "a silence that is bridged");
    assert!(!story.stamp(down_ms).line.contains("not verified"));
    assert_eq!(known(&story, parked_ms), (StampState::Certain, true, Some(0)));
    // Without a pause in which a tow could hide the stretch is as sure as any.
    story.restart_after(3, true);
    story.stand(100);
    assert_eq!(known(&story, story.now_ms - 101_000), (StampState::Certain, true, Some(2000)));
}

#[test]
fn of_a_long_time_that_nobody_watched_only_the_last_hour_is_told_anew() {
    for off_m in [0.0, 3000.0] {
        let mut story = Story::new(60.0);
        story.stand(200);
        let seen_ms = story.now_ms;
        story.restart_after(86_400, true);
        let started_ms = story.now_ms;
        assert_eq!(story.keeper.unverified_from(), Some(Mono(seen_ms)));
        story.place = story.place.moved(0.0, off_m);
        story.stand(300);
        let told =
            |a: &KeeperAction| matches!(a, KeeperAction::Restamp { from, .. } if from.0 == started_ms - 3_600_000);
        assert_eq!(story.count(told), 1, "{off_m} m: {:?}", story.keeper.reason());
        assert_eq!(story.keeper.undecided_from(), None);
    }
}

#[test]
fn a_site_that_does_not_verify_is_not_told_of_the_stretch_that_nobody_watched() {
    let mut story = Story::new(60.0);
    story.stand(200);
    let seen_ms = story.now_ms;
    story.restart_after(600, true);
    story.place = story.place.moved(0.0, 3000.0);
    story.stand(300);
    assert_eq!(story.count(|a| matches!(a, KeeperAction::MovedWhileOff { .. })), 1);
    let stamp = story.stamp(seen_ms + 300_000);
    assert_eq!((stamp.state, stamp.position), (StampState::None, None), "{stamp:?}");
    assert_eq!(story.stamp(seen_ms).spot, StampSpot::Unknown);
    assert_eq!(story.stamp(seen_ms - 1000).spot, StampSpot::Site(SiteId(1)), "it was seen there");
}

#[test]
fn what_was_seen_ends_with_a_doubt_and_begins_anew_after_a_gap() {
    let mut story = Story::new(60.0);
    assert_eq!(story.keeper.memory().seen, None);
    story.stand(200);
    let seen = story.keeper.memory().seen.unwrap();
    assert_eq!((seen.site, seen.until.0), (SiteId(1), story.now_ms));
    assert!(seen.from.0 < 10_000, "since it arrived: {seen:?}");
    story.silence(100);
    assert_eq!(story.keeper.memory().seen, Some(seen), "a silence adds nothing");
    story.stand(3);
    assert_eq!(story.keeper.memory().seen, None, "the first fixes after a gap are in doubt");
    story.stand(100);
    let again = story.keeper.memory().seen.unwrap();
    assert!(seen.until.0 + 100_000 < again.from.0 && again.until.0 == story.now_ms, "{again:?}");
    story.drive(20, 15.0);
    assert_eq!(story.keeper.memory().seen, None);
}

#[test]
fn an_arrival_and_a_leaving_that_a_wrong_clock_dated_are_dated_anew_once_time_is_known() {
    let mut story = Story::new(60.0);
    story.moment = untrusted;
    story.stand(100);
    assert!(story.keeper.site().unwrap().arrived.0 < 1_000_000, "1970");
    let told =
        |proven| TrueTime { at: Mono(500_000), utc: moment(500_000).utc, source: UtcTrust::Gps, proven, jitter_ms: 0 };
    story.out.clear();
    story.keeper.date_anew(&told(false), &mut story.out);
    assert_eq!(story.out, [], "leap seconds may be unknown yet");
    let mut away = story.clone();
    story.keeper.date_anew(&told(true), &mut story.out);
    let site = story.keeper.site().unwrap().clone();
    assert!((site.arrived.since_ms(moment(2_000).utc)).abs() <= 1000, "{site:?}");
    assert_eq!(story.out, [KeeperAction::SiteRefined { site: site.clone() }, KeeperAction::Keep]);
    assert_eq!(story.keeper.memory().kept.unwrap().site, site);
    story.out.clear();
    story.keeper.date_anew(&TrueTime { utc: Utc(0), ..told(true) }, &mut story.out);
    assert_eq!((story.out.len(), story.keeper.site().unwrap().arrived), (0, site.arrived), "once");
    let left_ms = away.now_ms;
    away.drive(30, 15.0);
    away.keeper.date_anew(&told(true), &mut away.out);
    let left = away.keeper.history()[0].clone();
    assert_eq!(left.arrived, site.arrived);
    assert!((left.left.unwrap().since_ms(moment(left_ms).utc)).abs() <= 5000, "{left:?}");
}
