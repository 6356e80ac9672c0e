//! Rows 17, 18 and 19 of the matrix of faults, and the faults behind them, from the bytes of a GPS receiver to stamps.
//! A trailer's own way from bytes to a stamp, with time as a parameter.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle_core::geo::LatLon;
use pintle_core::ids::CameraId;
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::position::fix::BytesToEpochs;
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::keeper::{KeeperAction, KeeperLimits, SiteKeeper};
use pintle_core::position::receiver_watch::ReceiverWatch;
use pintle_core::position::{PositionView, ReceiverState};
use pintle_core::read::stamp::{Stamp, StampBasis, StampSpot, StampState, stamp};
use pintle_core::sim::random::Random;
use pintle_core::sim::sentences::sentence;

const START: Utc = Utc(1_795_600_000_000);

/// What the receiver says in one second.
#[derive(Clone, Copy)]
struct Said {
    position: LatLon,
    speed_mps: f64,
    /// Signal strength of its first satellite, which lives while the position may hold.
    snr_db: u32,
}

struct Trailer {
    line: BytesToEpochs,
    keeper: SiteKeeper,
    watch: ReceiverWatch,
    view: PositionView,
    now: Moment,
    camera: CameraId,
    alarms: Vec<KeeperAction>,
    sites: Vec<LatLon>,
}

impl Trailer {
    fn new() -> Self {
        let now = Moment { mono: Mono(0), utc: START, utc_trust: UtcTrust::Gps };
        let mut watch = ReceiverWatch::new(ReceiverState::NotFitted, now.mono);
        watch.on_open(now.mono);
        let mut view = PositionView::default();
        view.eras.observe(&now);
        Self {
            line: BytesToEpochs::new(DateReference::around(START)),
            keeper: SiteKeeper::new(KeeperLimits::default(), None, &now),
            watch,
            view,
            now,
            camera: CameraId::new("cam-1").unwrap(),
            alarms: Vec::new(),
            sites: Vec::new(),
        }
    }

    /// One second passes; answers the stamp of a read that is captured at its end.
    fn second(&mut self, said: &Said) -> Stamp {
        self.now.mono = self.now.mono.plus_ms(1000);
        self.now.utc = self.now.utc.plus_ms(1000);
        let bytes = epoch(said, self.now.utc);
        let mut epochs = Vec::new();
        self.line.on_bytes(bytes.as_bytes(), self.now.mono, &mut epochs);
        self.line.on_end(self.now.mono, &mut epochs);
        self.watch.on_bytes(1, self.now.mono);
        let mut out = Vec::new();
        for epoch in &epochs {
            self.watch.on_epoch(epoch.outcome.err(), self.now.mono);
            if let Ok(fix) = &epoch.outcome {
                self.keeper.on_fix(fix, &self.now, &mut out);
            }
        }
        self.keeper.on_tick(&self.now, &mut out);
        self.keeper.fill(&mut self.view);
        for action in out {
            match action {
                KeeperAction::Left { .. } | KeeperAction::MovedWhileOff { .. } => self.alarms.push(action),
                KeeperAction::SiteFound { site, .. } => self.sites.push(site.position),
                _ => {}
            }
        }
        self.stamp_of(self.now.utc)
    }

    fn stamp_of(&self, captured: Utc) -> Stamp {
        stamp(&self.camera, captured, 1, &StampBasis { view: &self.view, now: &self.now })
    }

    /// Stands for so long with the wander of a receiver beside a road.
    fn stand(&mut self, place: LatLon, seconds: u32, wander: &mut Wander) {
        for _ in 0..seconds {
            let said = wander.around(place);
            self.second(&said);
        }
    }
}

/// RMC, GGA and GSV of one second.
fn epoch(said: &Said, utc: Utc) -> String {
    let ms = utc.0.rem_euclid(86_400_000);
    let time = format!("{:02}{:02}{:02}.00", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60);
    let part = |deg: f64, width: usize, letters: [&str; 2]| {
        let minutes = (deg.abs().fract() * 60.0).min(59.999_99);
        format!("{:0width$.0}{minutes:08.5},{}", deg.abs().trunc(), letters[usize::from(deg < 0.0)])
    };
    let place =
        format!("{},{}", part(said.position.lat_deg(), 2, ["N", "S"]), part(said.position.lon_deg(), 3, ["E", "W"]));
    let knots = said.speed_mps * 3600.0 / 1852.0;
    [
        format!("GPRMC,{time},A,{place},{knots:.2},90.0,251126,,,A"),
        format!("GPGGA,{time},{place},1,09,1.1,12.0,M,40.0,M,,"),
        format!("GPGSV,1,1,01,02,45,120,{:02}", said.snr_db),
    ]
    .iter()
    .map(|body| sentence(body))
    .collect()
}

/// First-order Gauss-Markov wander per axis.
struct Wander {
    random: Random,
    east_m: f64,
    north_m: f64,
    sigma_m: f64,
    keep: f64,
    doppler_mps: f64,
}

impl Wander {
    fn new(seed: u64, sigma_m: f64, correlation_s: f64, doppler_mps: f64) -> Self {
        let keep = (-1.0 / correlation_s).exp();
        Self { random: Random::new(seed), east_m: 0.0, north_m: 0.0, sigma_m, keep, doppler_mps }
    }

    fn around(&mut self, place: LatLon) -> Said {
        let kick = self.sigma_m * (1.0 - self.keep * self.keep).sqrt();
        self.east_m = self.keep * self.east_m + kick * self.random.normal();
        self.north_m = self.keep * self.north_m + kick * self.random.normal();
        let position = place.moved(90.0, self.east_m).moved(0.0, self.north_m);
        let speed_mps = self.doppler_mps * self.random.normal().hypot(self.random.normal());
        Said { position, speed_mps, snr_db: 30 + self.random.below(12) }
    }
}

fn place() -> LatLon {
    LatLon::new(44.5, -38.2).unwrap()
}

#[test]
fn row_17_gps_freeze_valid() {
    // Bit for bit frozen, satellite data too, while it reports 12 m/s.
    let mut trailer = Trailer::new();
    trailer.stand(place(), 400, &mut Wander::new(1, 5.0, 200.0, 0.1));
    assert_eq!(trailer.sites.len(), 1);
    let frozen = Said { position: trailer.sites[0], speed_mps: 12.0, snr_db: 41 };
    let mut unproven_after = None;
    for second in 0..3600 {
        let stamp = trailer.second(&frozen);
        let told = matches!(trailer.watch.state(), ReceiverState::NoFix(why) if why.contains("stands still"));
        if told && stamp.state != StampState::Certain {
            unproven_after.get_or_insert(second);
        } else {
            assert_eq!(unproven_after, None, "believed again after {second} s");
        }
    }
    assert!(unproven_after.is_some_and(|second| second <= 120), "unproven after {unproven_after:?} s");
}

#[test]
fn row_17_gps_freeze_valid_honest_static_hold_for_a_day_raises_nothing() {
    let mut trailer = Trailer::new();
    let mut wander = Wander::new(2, 5.0, 200.0, 0.1);
    trailer.stand(place(), 400, &mut wander);
    let held = trailer.sites[0];
    let mut without_fix = 0;
    for _ in 0..86_400 {
        let living = wander.around(held);
        let stamp = trailer.second(&Said { position: held, speed_mps: 0.0, snr_db: living.snr_db });
        without_fix += u32::from(*trailer.watch.state() != ReceiverState::Fixing);
        assert_eq!(stamp.state, StampState::Certain);
    }
    assert_eq!((trailer.alarms.len(), trailer.sites.len(), without_fix), (0, 1, 0));
}

/// No read may be stamped as certain at a place that is over 100 m from the truth, live or by the last word.
fn wrong_certain(trailer: &Trailer, truth: &[(Utc, LatLon)], live: &[Stamp]) -> usize {
    let wrong = |stamp: &Stamp, true_place: LatLon| {
        stamp.state == StampState::Certain && stamp.position.is_some_and(|at| 100.0 < at.distance_m(true_place))
    };
    let by_last_word = truth.iter().filter(|(utc, place)| wrong(&trailer.stamp_of(*utc), *place)).count();
    by_last_word + truth.iter().zip(live).filter(|((_, place), stamp)| wrong(stamp, *place)).count()
}

#[test]
fn row_18_gps_spoof_jump() {
    for jump_s in [1, 600] {
        let mut trailer = Trailer::new();
        let mut wander = Wander::new(3, 5.0, 200.0, 0.1);
        trailer.stand(place(), 900, &mut wander);
        let far = place().moved(30.0, 400_000.0);
        let (mut truth, mut live) = (Vec::new(), Vec::new());
        for second in 0..jump_s + 900 {
            let said = wander.around(if second < jump_s { far } else { place() });
            live.push(trailer.second(&said));
            truth.push((trailer.now.utc, place()));
        }
        assert_eq!(wrong_certain(&trailer, &truth, &live), 0, "jump of {jump_s} s");
        assert_eq!((trailer.alarms.len(), trailer.sites.len()), (0, 1), "jump of {jump_s} s");
        let last = live.last().unwrap();
        assert_eq!((last.state, last.spot), (StampState::Certain, live[0].spot), "it stands again where it stood");
    }
}

#[test]
fn row_18_gps_spoof_jump_true_move_at_40_mps_is_a_new_site_within_ten_minutes_of_arrival() {
    let mut trailer = Trailer::new();
    let mut wander = Wander::new(4, 5.0, 200.0, 0.1);
    trailer.stand(place(), 900, &mut wander);
    let (mut at, mut speed_mps): (LatLon, f64) = (place(), 0.0);
    let (mut truth, mut live) = (Vec::new(), Vec::new());
    let mut found_after = None;
    for second in 0..600 + 600 {
        // Off with 1.5 m/s2, ten minutes at up to 40 m/s, and a halt with 3 m/s2.
        speed_mps = if second < 586 { (speed_mps + 1.5).min(40.0) } else { (speed_mps - 3.0).max(0.0) };
        at = at.moved(60.0, speed_mps);
        let mut said = wander.around(at);
        said.speed_mps = (speed_mps + said.speed_mps).abs();
        live.push(trailer.second(&said));
        truth.push((trailer.now.utc, at));
        if trailer.sites.len() == 2 && found_after.is_none() {
            found_after = Some(second - 600);
        }
    }
    assert!(found_after.is_some_and(|s| (0..=600).contains(&s)), "found {found_after:?} s after the arrival");
    assert!(trailer.sites[1].distance_m(at) < 40.0);
    assert_eq!(trailer.alarms.len(), 1);
    assert_eq!(wrong_certain(&trailer, &truth, &live), 0);
}

#[test]
fn row_19_gps_jitter_24h() {
    for (seed, correlation_s) in [(5, 1.0), (6, 60.0), (7, 300.0)] {
        let mut trailer = Trailer::new();
        let mut wander = Wander::new(seed, 8.0, correlation_s, 0.14);
        let mut outlier: Option<(f64, u32)> = None;
        let mut spots = std::collections::BTreeSet::new();
        for _ in 0..86_400 {
            let mut said = wander.around(place());
            outlier = match outlier {
                Some((azimuth_deg, left_s)) if 1 < left_s => Some((azimuth_deg, left_s - 1)),
                // About 200 outliers a day, of 1 to 10 s.
                None if wander.random.chance(1.0 / 400.0) => {
                    Some((wander.random.between(0.0, 360.0), 1 + wander.random.below(10)))
                }
                Some(_) | None => None,
            };
            if let Some((azimuth_deg, _)) = outlier {
                said.position = said.position.moved(azimuth_deg, 60.0);
            }
            if let StampSpot::Site(site) = trailer.second(&said).spot {
                spots.insert(site);
            }
        }
        assert_eq!((trailer.alarms.len(), spots.len()), (0, 1), "correlation {correlation_s} s: {:?}", trailer.alarms);
    }
}
