//! Nights and tows under a simulated sky, with a judge that knows the truth. One seed makes a whole trial.

use super::random::Random;
use super::sky::{Habit, Sky, SkyReceiver, Truth};
use crate::geo::{LatLon, LocalPlane};
use crate::ids::{CameraId, SiteId};
use crate::moment::{ClockEras, Moment, Mono, Utc, UtcTrust};
use crate::position::keeper::{KeeperAction, KeeperLimits, KeeperMemory, SiteKeeper};
use crate::position::{Fix, KeeperState, PositionView};
use crate::read::stamp::{Stamp, StampBasis, StampSpot, StampState, stamp};

/// 2027-01-15, any trusted date.
const T0_MS: i64 = 1_800_000_000_000;
/// A stamp that is certain and farther off than this is a wrong one, metres (the bar of the issue).
const WRONG_M: f64 = 100.0;

/// A trailer in the open sea with a keeper, a receiver and a judge.
struct Stage {
    plane: LocalPlane,
    keeper: SiteKeeper,
    receiver: SkyReceiver,
    now_s: u32,
    /// Seconds with a fix so far.
    observed_s: u32,
    /// Second of the last fix.
    heard_s: u32,
    out: Vec<KeeperAction>,
}

impl Stage {
    fn new(sky: Sky, habit: Habit, limits: KeeperLimits, seed: u64) -> Self {
        let plane = LocalPlane::new(LatLon::new(44.5, -30.0).unwrap_or_else(|| unreachable!()));
        Self {
            plane,
            keeper: SiteKeeper::new(limits, None, &moment(1)),
            receiver: SkyReceiver::new(sky, habit, seed),
            now_s: 1,
            observed_s: 0,
            heard_s: 0,
            out: Vec::new(),
        }
    }

    /// One second. `agent`: whether the agent runs (and the receiver has power).
    fn step(&mut self, truth: &Truth, agent: bool) {
        self.now_s += 1;
        self.out.clear();
        let heard = self.receiver.step(truth, agent);
        let now = moment(self.now_s);
        self.observed_s += u32::from(heard.is_some());
        if let Some(heard) = heard {
            self.heard_s = self.now_s;
            let fix = Fix {
                at: now.mono,
                utc: Some(now.utc),
                position: self.plane.to_geo(heard.east_m, heard.north_m),
                speed_mps: heard.speed_mps,
                hdop: Some(heard.hdop),
                satellites: Some(heard.satellites),
                sigma_m: None,
            };
            self.keeper.on_fix(&fix, &now, &mut self.out);
        } else if agent {
            self.keeper.on_tick(&now, &mut self.out);
        }
    }

    fn place(&self, position: LatLon) -> (f64, f64) {
        self.plane.to_plane(position)
    }
}

fn moment(now_s: u32) -> Moment {
    let ms = u64::from(now_s) * 1000;
    Moment { mono: Mono(ms), utc: Utc(T0_MS + i64::from(now_s) * 1000), utc_trust: UtcTrust::Gps }
}

/// What one night brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Night {
    /// Times that the keeper said that the trailer had left, though it stood.
    pub false_moves: u32,
    /// Notices of a hop that was none.
    pub false_hops: u32,
    /// Hops without a notice that were none (the anchor started anew).
    pub false_reanchors: u32,
    /// Seconds in doubt.
    pub doubt_s: u32,
    /// Error of the anchor, and its radius, at 30 s, 10 min, 1 h and at the end, metres.
    pub anchor: [Option<(f64, f64)>; 4],
    /// The first site was found so many seconds after the first fix.
    pub settled_s: Option<u32>,
    /// Why the last false move was believed, with its second; for finding out why.
    pub false_example: Option<String>,
}

/// Ages at which a night looks at the anchor, s; the last is the end of the night.
pub const NIGHT_AGES_S: [u32; 3] = [30, 600, 3600];

/// A night of `hours` in which the trailer stands.
#[must_use]
pub fn night(sky: Sky, limits: KeeperLimits, hours: u32, seed: u64) -> Night {
    let mut random = Random::new(seed ^ 0x6e69_6768_7400);
    let habit = Habit { static_hold: random.chance(0.3), speechless: false };
    let mut stage = Stage::new(sky, habit, limits, seed);
    let mut night = Night::default();
    let truth = Truth::default();
    let end_s = hours * 3600;
    for second in 1..=end_s {
        stage.step(&truth, true);
        for action in &stage.out {
            match action {
                KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } => {
                    night.false_moves += 1;
                    night.false_example = Some(format!("second {second}: {reason}"));
                }
                KeeperAction::Hopped { lines_unconfirmed: true, .. } => night.false_hops += 1,
                KeeperAction::Hopped { .. } => night.false_reanchors += 1,
                KeeperAction::SiteFound { .. } if night.settled_s.is_none() => night.settled_s = Some(second),
                _ => {}
            }
        }
        night.doubt_s += u32::from(stage.keeper.state() == KeeperState::Doubtful);
        let age = NIGHT_AGES_S.iter().position(|age| *age == second);
        let age = if second == end_s { Some(3) } else { age };
        if let Some(age) = age
            && let Some((position, radius95_m)) = stage.keeper.estimate()
        {
            let (east_m, north_m) = stage.place(position);
            night.anchor[age] = Some((east_m.hypot(north_m), radius95_m));
        }
    }
    night
}

/// Kinds of tows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TowKind {
    /// Everything runs.
    Ordinary,
    /// The receiver freezes when slow.
    StaticHold,
    /// Everything is off during the tow.
    PowerOff,
    /// The receiver sends no speed.
    Speechless,
}

/// What one tow brought.
#[derive(Clone, Debug, PartialEq)]
pub struct TowOutcome {
    /// Its kind.
    pub kind: TowKind,
    /// Cruising speed, m/s.
    pub cruise_mps: f64,
    /// Length, metres.
    pub length_m: f64,
    /// The move was noticed at all.
    pub found: bool,
    /// Observed seconds (with a fix) from crossing the threshold (from power-on, if it was off) to the notice.
    pub notice_s: Option<f64>,
    /// Why the keeper believed it.
    pub notice_reason: String,
    /// Way from the crossing to the notice, metres.
    pub notice_m: Option<f64>,
    /// Seconds from the last halt to the new site.
    pub arrival_s: Option<f64>,
    /// The last site lies so far from the truth, metres.
    pub site_off_m: Option<f64>,
    /// Sites that hold over 45 s of true motion.
    pub sites_on_the_way: u32,
    /// Stamps that were certain and over 100 m wrong when given.
    pub wrong_live: u32,
    /// The same after all corrections.
    pub wrong_corrected: u32,
    /// Stamps for reads captured over 10 s after the last fix that said nothing of it, live or after correction.
    pub stale_silent: u32,
    /// The last stamp over 100 m wrong gave this site; for finding out why.
    pub wrong_example: Option<String>,
}

impl TowOutcome {
    /// Whether the notice kept the bar of the issue: 10 s or 60 m after the crossing from 1.5 m/s, 10 s or 100 m
    /// below, 15 s or 150 m without speed.
    #[must_use]
    pub fn in_time(&self) -> bool {
        let (s, m) = match self.kind {
            TowKind::Speechless => (15.0, 150.0),
            _ if self.cruise_mps < 1.5 => (10.0, 100.0),
            _ => (10.0, 60.0),
        };
        self.notice_s.is_some_and(|late| late <= s) || self.notice_m.is_some_and(|way| way <= m)
    }
}

/// The true way of a tow, second by second.
fn script(random: &mut Random, length_m: f64, cruise_mps: f64) -> Vec<Truth> {
    let mut way = Vec::new();
    let mut heading = random.between(0.0, std::f64::consts::TAU);
    let mut speed_mps = 0.0_f64;
    let (mut done_m, mut truth) = (0.0, Truth::default());
    let mut light_in_m = random.exponential(1500.0);
    let mut fuel_in_m = if random.chance(0.5) { random.between(0.1, 1.0) * length_m } else { f64::INFINITY };
    let mut halt_s = 0.0;
    while done_m < length_m {
        if 0.0 < halt_s {
            halt_s -= 1.0;
            (truth.east_mps, truth.north_mps) = (0.0, 0.0);
            way.push(truth);
            continue;
        }
        let stop_in_m = light_in_m.min(fuel_in_m).min(length_m - done_m);
        // Braking at 1 m/s².
        let wanted_mps = cruise_mps.min((2.0 * stop_in_m.max(0.05)).sqrt());
        speed_mps += (wanted_mps - speed_mps).clamp(-2.0, 1.0);
        speed_mps = speed_mps.max(0.2);
        heading += 0.03 * random.normal();
        let step_m = speed_mps.min(stop_in_m.max(0.05));
        (truth.east_mps, truth.north_mps) = (step_m * heading.sin(), step_m * heading.cos());
        truth.east_m += truth.east_mps;
        truth.north_m += truth.north_mps;
        done_m += step_m;
        light_in_m -= step_m;
        fuel_in_m -= step_m;
        way.push(truth);
        if light_in_m <= 0.1 {
            light_in_m = 100.0 + random.exponential(1500.0);
            if 400.0 < length_m {
                halt_s = random.between(15.0, 90.0);
                speed_mps = 0.0;
            }
        }
        if fuel_in_m <= 0.1 {
            fuel_in_m = f64::INFINITY;
            if 5000.0 < length_m {
                halt_s = random.between(180.0, 900.0);
                speed_mps = 0.0;
            }
        }
    }
    way
}

/// Reads and their newest stamps.
struct Reads {
    camera: CameraId,
    eras: ClockEras,
    view: PositionView,
    taken: Vec<TakenRead>,
}

struct TakenRead {
    captured_s: u32,
    /// Seconds since the last fix when it was captured.
    fix_age_s: u32,
    truth: Truth,
    stamp: Stamp,
}

impl TakenRead {
    /// Its last fix is over 10 s old, and neither age nor words nor state say so.
    fn is_silent(&self) -> bool {
        let told =
            self.stamp.fix_age_ms.is_none_or(|age_ms| 10_000 < age_ms) && self.stamp.state != StampState::Certain;
        let words = ["last position fix", "not verified since boot", "no fix since", "no usable fix", "fix is known"];
        10 < self.fix_age_s && !(told && words.iter().any(|words| self.stamp.line.contains(words)))
    }
}

impl Reads {
    fn new() -> Self {
        let mut eras = ClockEras::default();
        eras.observe(&moment(0));
        let camera = CameraId::new("east").unwrap_or_else(|_| unreachable!());
        Self { camera, eras, view: PositionView::default(), taken: Vec::new() }
    }

    fn give(&mut self, captured_s: u32, stage: &Stage) -> Stamp {
        stage.keeper.fill(&mut self.view);
        self.view.eras.clone_from(&self.eras);
        let now = moment(stage.now_s);
        stamp(&self.camera, moment(captured_s).utc, 1, &StampBasis { view: &self.view, now: &now })
    }

    /// Takes a read now. Whether its stamp is wrong, and whether it is silent about an old fix.
    fn take(&mut self, truth: Truth, stage: &Stage) -> (bool, bool) {
        let stamp = self.give(stage.now_s, stage);
        let wrong = is_wrong(&stamp, &truth, stage);
        let fix_age_s = stage.now_s - stage.heard_s;
        let read = TakenRead { captured_s: stage.now_s, fix_age_s, truth, stamp };
        let silent = read.is_silent();
        self.taken.push(read);
        (wrong, silent)
    }

    fn restamp(&mut self, stage: &Stage) {
        for action in &stage.out {
            if let KeeperAction::Restamp { from, to, .. } = action {
                let from_at = self.taken.partition_point(|read| u64::from(read.captured_s) * 1000 < from.0);
                for i in from_at..self.taken.len() {
                    let captured_s = self.taken[i].captured_s;
                    if to.0 < u64::from(captured_s) * 1000 {
                        break;
                    }
                    self.taken[i].stamp = self.give(captured_s, stage);
                }
            }
        }
    }
}

fn is_wrong(stamp: &Stamp, truth: &Truth, stage: &Stage) -> bool {
    stamp.state == StampState::Certain
        && stamp.position.is_none_or(|position| {
            let (east_m, north_m) = stage.place(position);
            WRONG_M < (east_m - truth.east_m).hypot(north_m - truth.north_m)
        })
}

/// Draws one tow.
#[must_use]
pub fn tow(sky: Sky, limits: KeeperLimits, seed: u64) -> TowOutcome {
    tow_told(sky, limits, seed, &mut |_| {})
}

/// As [`tow`]; `tell` gets a line for each action of the keeper, with the truth beside it.
pub fn tow_told(sky: Sky, limits: KeeperLimits, seed: u64, tell: &mut dyn FnMut(String)) -> TowOutcome {
    let mut random = Random::new(seed ^ 0x746f_7700);
    let kind = match random.unit() {
        p if p < 0.57 => TowKind::Ordinary,
        p if p < 0.72 => TowKind::StaticHold,
        p if p < 0.88 => TowKind::PowerOff,
        _ => TowKind::Speechless,
    };
    let length_m = 60.0 * (random.unit() * (100_000.0_f64 / 60.0).ln()).exp();
    // At most about an hour and a half of driving.
    let slowest_mps = (length_m / 5400.0).max(0.5);
    let cruise_mps = slowest_mps * (random.unit() * (30.0 / slowest_mps).ln()).exp();
    let way = script(&mut random, length_m, cruise_mps);
    let habit = Habit { static_hold: kind == TowKind::StaticHold, speechless: kind == TowKind::Speechless };
    let before_s = 900 + random.below(1800);
    let stage = Stage::new(sky, habit, limits, seed);
    run_tow(stage, limits, kind, &way, (before_s, length_m, cruise_mps), tell)
}

struct Judge {
    outcome: TowOutcome,
    /// Observed seconds and way at the crossing.
    crossed_at: Option<(u32, f64)>,
    way_m: f64,
    motion_s: Vec<bool>,
    sites: Vec<(SiteId, u32, u32)>,
    halted_at: u32,
}

impl Judge {
    fn look(&mut self, stage: &Stage, truth: &Truth, threshold_m: f64) {
        self.motion_s.push(0.3 < truth.speed_mps());
        self.way_m += truth.speed_mps();
        if self.crossed_at.is_none() && threshold_m < truth.east_m.hypot(truth.north_m) {
            self.crossed_at = Some((stage.observed_s, self.way_m));
        }
        for action in &stage.out {
            match action {
                KeeperAction::Left { .. } | KeeperAction::MovedWhileOff { .. } if !self.outcome.found => {
                    self.outcome.found = true;
                    let (at_s, at_m) = self.crossed_at.unwrap_or((stage.observed_s, self.way_m));
                    self.outcome.notice_s = Some(f64::from(stage.observed_s - at_s));
                    if let KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } = action {
                        self.outcome.notice_reason.clone_from(reason);
                    }
                    self.outcome.notice_m = Some(self.way_m - at_m);
                }
                KeeperAction::SiteFound { site, .. } => {
                    let arrived_s = u32::try_from((site.arrived.0 - T0_MS) / 1000).unwrap_or(0);
                    self.sites.push((site.id, arrived_s, stage.now_s));
                }
                _ => {}
            }
        }
    }
}

fn run_tow(
    mut stage: Stage,
    limits: KeeperLimits,
    kind: TowKind,
    way: &[Truth],
    (before_s, length_m, cruise_mps): (u32, f64, f64),
    tell: &mut dyn FnMut(String),
) -> TowOutcome {
    const AFTER_S: u32 = 1200;
    let mut reads = Reads::new();
    let outcome = TowOutcome {
        kind,
        cruise_mps,
        length_m,
        found: false,
        notice_s: None,
        notice_reason: String::new(),
        notice_m: None,
        arrival_s: None,
        site_off_m: None,
        sites_on_the_way: 0,
        wrong_live: 0,
        wrong_corrected: 0,
        stale_silent: 0,
        wrong_example: None,
    };
    let mut judge =
        Judge { outcome, crossed_at: None, way_m: 0.0, motion_s: vec![false; 2], sites: Vec::new(), halted_at: 0 };
    let off = kind == TowKind::PowerOff;
    let way_s = u32::try_from(way.len()).unwrap_or(u32::MAX);
    for second in 0..before_s + way_s + AFTER_S {
        let under_way = second.checked_sub(before_s).filter(|at| *at < way_s);
        let truth = match under_way {
            Some(at) => way[usize::try_from(at).unwrap_or(0)],
            None if second < before_s => Truth::default(),
            None => Truth { east_mps: 0.0, north_mps: 0.0, ..way.last().copied().unwrap_or_default() },
        };
        let agent = !(off && under_way.is_some());
        if off && second == before_s + way_s {
            // Power is back: another boot, with what was kept.
            let memory = KeeperMemory { seen: None, ..stage.keeper.memory() };
            stage.keeper = SiteKeeper::new(limits, Some(memory), &moment(stage.now_s));
            judge.crossed_at = Some((stage.observed_s, judge.way_m));
        }
        stage.step(&truth, agent);
        for action in stage.out.iter().filter(|action| !matches!(action, KeeperAction::TrackPoint { .. })) {
            let speed_mps = truth.speed_mps();
            tell(format!(
                "{} s, truth {:.0} E {:.0} N {speed_mps:.1} m/s: {action:?}",
                stage.now_s, truth.east_m, truth.north_m
            ));
        }
        judge.look(&stage, &truth, limits.move_threshold_m);
        reads.restamp(&stage);
        let asked = agent && second % 5 == 0 && limits.settle_s * 2.0 < f64::from(second);
        if asked {
            let (wrong, silent) = reads.take(truth, &stage);
            judge.outcome.stale_silent += u32::from(silent);
            if wrong {
                judge.outcome.wrong_live += 1;
                let (state, reason) = (stage.keeper.state().word(), stage.keeper.reason());
                judge.outcome.wrong_example = Some(format!("live, second {second}: {state} ({reason})"));
            }
        }
        if under_way.is_some() {
            judge.halted_at = stage.now_s;
        }
    }
    finish(judge, &reads, &stage, way.last().copied().unwrap_or_default())
}

fn finish(mut judge: Judge, reads: &Reads, stage: &Stage, end: Truth) -> TowOutcome {
    let moving = |from: u32, to: u32| {
        let range = usize::try_from(from).unwrap_or(0)..=usize::try_from(to).unwrap_or(0);
        judge.motion_s.get(range).map_or(0, |seconds| seconds.iter().filter(|moves| **moves).count())
    };
    let on_the_way = judge.sites.iter().filter(|(_, arrived_s, found_s)| 45 < moving(*arrived_s, *found_s)).count();
    judge.outcome.sites_on_the_way = u32::try_from(on_the_way).unwrap_or(u32::MAX);
    if judge.outcome.found
        && let Some(site) = stage.keeper.site()
        && let Some((_, _, found_s)) = judge.sites.iter().find(|(id, ..)| *id == site.id)
    {
        judge.outcome.arrival_s = Some(f64::from(*found_s) - f64::from(judge.halted_at));
        let (east_m, north_m) = stage.place(site.position);
        judge.outcome.site_off_m = Some((east_m - end.east_m).hypot(north_m - end.north_m));
    }
    for read in &reads.taken {
        let TakenRead { captured_s: at_s, truth, stamp, .. } = read;
        judge.outcome.stale_silent += u32::from(read.is_silent());
        if is_wrong(stamp, truth, stage) {
            judge.outcome.wrong_corrected += 1;
            let spot = match stamp.spot {
                StampSpot::Site(site) => format!("site {}", site.0),
                StampSpot::Underway => "underway".to_owned(),
                StampSpot::Unknown => "unknown".to_owned(),
            };
            judge.outcome.wrong_example = Some(format!("second {at_s}: {spot}, speed {:.1}", truth.speed_mps()));
        }
    }
    judge.outcome
}

/// What a hop below the threshold brought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HopOutcome {
    /// Length of the hop, metres.
    pub length_m: f64,
    /// It was told, by a notice or as a move.
    pub told: bool,
    /// The keeper took it for a move.
    pub moved: bool,
    /// An hour later the truth lies within the radius.
    pub covered: bool,
    /// Error of the anchor an hour later, metres.
    pub error_m: f64,
}

/// A hop of `length_m` after an hour of standing, looked at an hour later.
#[must_use]
pub fn hop(sky: Sky, limits: KeeperLimits, length_m: f64, seed: u64) -> HopOutcome {
    let mut random = Random::new(seed ^ 0x0068_6f70);
    let mut stage = Stage::new(sky, Habit::default(), limits, seed);
    let mps = random.between(0.6, 3.0);
    let way = script(&mut random, length_m, mps);
    let end = Truth { east_mps: 0.0, north_mps: 0.0, ..way.last().copied().unwrap_or_default() };
    let (mut told, mut moved) = (false, false);
    let standing = std::iter::repeat_n(Truth::default(), 3600);
    for (second, truth) in standing.chain(way).chain(std::iter::repeat_n(end, 3600)).enumerate() {
        stage.step(&truth, true);
        for action in stage.out.iter().filter(|_| 3600 <= second) {
            told |= matches!(action, KeeperAction::Hopped { lines_unconfirmed: true, .. });
            moved |= matches!(action, KeeperAction::Left { .. });
        }
    }
    let (error_m, radius95_m) = stage.keeper.estimate().map_or((f64::INFINITY, 0.0), |(position, radius95_m)| {
        let (east_m, north_m) = stage.place(position);
        ((east_m - end.east_m).hypot(north_m - end.north_m), radius95_m)
    });
    HopOutcome { length_m, told: told || moved, moved, covered: error_m <= radius95_m, error_m }
}

/// What a start at another place brought, `away_m` from where the memory was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BootOutcome {
    /// Seconds from the first fix to the decision.
    pub decided_s: Option<f64>,
    /// The decision was right.
    pub right: bool,
}

/// The agent starts `away_m` metres from the site in its memory (0: where it was), without motion.
#[must_use]
pub fn boot(sky: Sky, limits: KeeperLimits, away_m: f64, seed: u64) -> BootOutcome {
    let mut stage = Stage::new(sky, Habit::default(), limits, seed);
    for _ in 0..1800 {
        stage.step(&Truth::default(), true);
    }
    let memory = KeeperMemory { seen: None, ..stage.keeper.memory() };
    let truth = Truth { east_m: away_m, ..Truth::default() };
    for _ in 0..60 {
        stage.step(&truth, false);
    }
    stage.keeper = SiteKeeper::new(limits, Some(memory), &moment(stage.now_s));
    let mut first_s = None;
    for _ in 0..1800 {
        stage.step(&truth, true);
        let mut view = PositionView::default();
        stage.keeper.fill(&mut view);
        first_s = first_s.or(view.last_fix.map(|_| stage.now_s));
        let decided = stage.out.iter().find_map(|action| match action {
            KeeperAction::Verified { .. } => Some(false),
            KeeperAction::MovedWhileOff { .. } => Some(true),
            _ => None,
        });
        if let (Some(moved), Some(first_s)) = (decided, first_s) {
            let right = moved == (limits.move_threshold_m < away_m);
            return BootOutcome { decided_s: Some(f64::from(stage.now_s - first_s)), right };
        }
    }
    BootOutcome { decided_s: None, right: false }
}
