//! What holds for every way that a trailer and a receiver may go.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::tests::{moment, stamp_at};
use super::*;
use crate::moment::UtcTrust;
use crate::position::fix::BytesToEpochs;
use crate::position::fix::date::DateReference;
use crate::read::stamp::StampState;
use crate::sim::random::Random;
use proptest::prelude::*;

/// A stretch of a made-up life.
#[derive(Clone, Debug)]
enum Leg {
    Stand(u32),
    Drive {
        for_s: u32,
        mps: f64,
        azimuth_deg: f64,
    },
    Silence(u32),
    Jump {
        away_m: f64,
        azimuth_deg: f64,
    },
    Restart {
        down_s: u32,
        same_boot: bool,
    },
    /// A tow that no fix sees, there, and perhaps back again.
    Unseen {
        half_s: u32,
        azimuth_deg: f64,
        back: bool,
    },
    /// Few satellites or a bad HDOP.
    Weak(u32),
}

fn leg() -> impl Strategy<Value = Leg> {
    prop_oneof![
        (1..200_u32).prop_map(Leg::Stand),
        (1..60_u32, 0.3..30.0, 0.0..360.0).prop_map(|(for_s, mps, azimuth_deg)| Leg::Drive { for_s, mps, azimuth_deg }),
        (1..120_u32).prop_map(Leg::Silence),
        (1.0..500.0, 0.0..360.0).prop_map(|(away_m, azimuth_deg)| Leg::Jump { away_m, azimuth_deg }),
        restart(),
        (1..60_u32).prop_map(Leg::Weak),
    ]
}

fn restart() -> impl Strategy<Value = Leg> {
    (prop_oneof![Just(0), 1..60_u32], any::<bool>()).prop_map(|(down_s, same_boot)| Leg::Restart { down_s, same_boot })
}

/// What nobody sees of a trailer, which may come back to where it stood.
fn unseen_leg() -> impl Strategy<Value = Leg> {
    let trip = || {
        let trip = (5..90_u32, 0.0..360.0, any::<bool>());
        trip.prop_map(|(half_s, azimuth_deg, back)| Leg::Unseen { half_s, azimuth_deg, back })
    };
    prop_oneof![
        (1..150_u32).prop_map(Leg::Stand),
        (1..60_u32).prop_map(Leg::Silence),
        restart(),
        restart(),
        trip(),
        trip()
    ]
}

struct Life {
    keeper: SiteKeeper,
    limits: KeeperLimits,
    random: Random,
    now_ms: u64,
    place: LatLon,
    speaks: bool,
    fixes: Vec<Mono>,
    /// Where it was at each second.
    truth: Vec<(Mono, LatLon)>,
    out: Vec<KeeperAction>,
}

impl Life {
    fn new(settle_s: f64, speaks: bool, seed: u64) -> Self {
        let limits = KeeperLimits { settle_s, ..KeeperLimits::default() };
        let keeper = SiteKeeper::new(limits, None, &moment(1000));
        let place = LatLon::new(44.51, -30.0).unwrap();
        let random = Random::new(seed);
        Self {
            keeper,
            limits,
            random,
            now_ms: 1000,
            place,
            speaks,
            fixes: Vec::new(),
            truth: Vec::new(),
            out: Vec::new(),
        }
    }

    fn fix(&mut self, mps: f64, satellites: u8) {
        self.now_ms += 1000;
        let now = moment(self.now_ms);
        self.truth.push((now.mono, self.place));
        let (east_m, north_m) = (1.5 * self.random.normal(), 1.5 * self.random.normal());
        let position = LocalPlane::new(self.place).to_geo(east_m, north_m);
        let speed_mps = self.speaks.then(|| mps + 0.05 * self.random.unit());
        let (hdop, satellites) = (Some(1.0), Some(satellites));
        let fix = Fix { at: now.mono, utc: Some(now.utc), position, speed_mps, hdop, satellites, sigma_m: None };
        self.fixes.push(now.mono);
        self.keeper.on_fix(&fix, &now, &mut self.out);
    }

    /// A second without a fix.
    fn unseen(&mut self) {
        self.now_ms += 1000;
        self.truth.push((Mono(self.now_ms), self.place));
        self.keeper.on_tick(&moment(self.now_ms), &mut self.out);
    }

    fn live(&mut self, leg: &Leg) {
        match *leg {
            Leg::Stand(for_s) => (0..for_s).for_each(|_| self.fix(0.0, 9)),
            Leg::Weak(for_s) => (0..for_s).for_each(|_| self.fix(0.0, 3)),
            Leg::Drive { for_s, mps, azimuth_deg } => {
                for _ in 0..for_s {
                    self.place = self.place.moved(azimuth_deg, mps);
                    self.fix(mps, 9);
                }
            }
            Leg::Silence(for_s) => (0..for_s).for_each(|_| self.unseen()),
            Leg::Unseen { half_s, azimuth_deg, back } => {
                let turns = [azimuth_deg, azimuth_deg + 180.0];
                for azimuth_deg in turns.into_iter().take(if back { 2 } else { 1 }) {
                    for second in 0..half_s {
                        // From a standstill to a standstill, by 1 m/s each second, 20 m/s at most.
                        let mps = f64::from(second.min(half_s - 1 - second).min(20));
                        self.place = self.place.moved(azimuth_deg, mps);
                        self.unseen();
                    }
                }
            }
            Leg::Jump { away_m, azimuth_deg } => self.place = self.place.moved(azimuth_deg, away_m),
            Leg::Restart { down_s, same_boot } => {
                let mut memory = self.keeper.memory();
                memory.seen = memory.seen.filter(|_| same_boot);
                (0..down_s).for_each(|_| self.unseen());
                self.keeper = SiteKeeper::new(self.limits, Some(memory), &moment(self.now_ms));
            }
        }
    }

    fn sites(&self) -> Vec<(SiteId, LatLon)> {
        let found = |action: &KeeperAction| match action {
            KeeperAction::SiteFound { site, .. } => Some((site.id, site.position)),
            _ => None,
        };
        self.out.iter().filter_map(found).collect()
    }
}

fn is_found(action: &KeeperAction) -> bool {
    matches!(action, KeeperAction::SiteFound { .. })
}

/// `$` and `*` with the checksum.
fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, c| sum ^ c))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn it_never_anchors_before_the_settle_time(
        legs in prop::collection::vec(leg(), 1..8), settle_s in 5.0..200.0, speaks: bool, seed: u64
    ) {
        let mut life = Life::new(settle_s, speaks, seed);
        for leg in legs {
            life.out.clear();
            life.live(&leg);
            let stood_s = seconds(life.now_ms - life.fixes.first().map_or(life.now_ms, |first| first.0));
            if life.out.iter().any(is_found) {
                prop_assert!(settle_s <= stood_s, "{settle_s} s asked for, {stood_s} s since the first fix");
            }
        }
    }

    #[test]
    fn weak_fixes_alone_never_make_a_site(
        satellites in 0..4_u8, for_s in 200..900_u32, speaks: bool, seed: u64
    ) {
        let mut life = Life::new(60.0, speaks, seed);
        (0..for_s).for_each(|_| life.fix(0.0, satellites));
        prop_assert!(!life.out.iter().any(is_found));
    }

    #[test]
    fn refused_epochs_never_make_a_site(status in "[VX ]", quality in "[0 ]", minutes in 0.0..59.0_f64) {
        let mut line = BytesToEpochs::new(DateReference::around(moment(0).utc));
        let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(0));
        let (mut epochs, mut out) = (Vec::new(), Vec::new());
        for second in 0..400_u32 {
            let at = Mono(u64::from(second) * 1000);
            let time = format!("00{:02}{:02}.00", second / 60, second % 60);
            let place = format!("44{minutes:07.4},N,03000.0003,W");
            let rmc = sentence(&format!("GPRMC,{time},{status},{place},0.04,,150127,,,N"));
            let gga = sentence(&format!("GPGGA,{time},{place},{quality},0,,,M,,M,,"));
            line.on_bytes((rmc + &gga).as_bytes(), at, &mut epochs);
            for epoch in epochs.drain(..) {
                if let Ok(fix) = epoch.outcome {
                    keeper.on_fix(&fix, &moment(at.0), &mut out);
                }
            }
        }
        prop_assert_eq!((keeper.state(), out), (KeeperState::Searching, vec![]));
    }

    #[test]
    fn the_timeline_never_overlaps_and_stamps_are_certain_only_near_a_fix(
        legs in prop::collection::vec(leg(), 1..8), speaks: bool, seed: u64,
        asked in prop::collection::vec(0.0..1.0, 40)
    ) {
        let mut life = Life::new(60.0, speaks, seed);
        let mut began = life.now_ms;
        for leg in legs {
            life.live(&leg);
            match leg {
                Leg::Restart { same_boot: false, .. } => began = life.now_ms,
                // What an earlier keeper of the boot was sure of before stays so.
                Leg::Restart { down_s, same_boot: true } => {
                    let restarted = life.now_ms - u64::from(down_s) * 1000;
                    began = life.keeper.memory().seen.map_or(life.now_ms, |seen| seen.from.0.min(restarted));
                }
                _ => {}
            }
            let from: Vec<Mono> = life.keeper.timeline().segments().map(|segment| segment.from).collect();
            prop_assert!(from.windows(2).all(|pair| pair[0] < pair[1]), "{from:?}");
        }
        for share in asked {
            let span = f64::from(u32::try_from(life.now_ms).unwrap());
            let into = std::time::Duration::from_secs_f64(share * span / 1000.0);
            let at = Mono(u64::try_from(into.as_millis()).unwrap());
            let given = stamp_at(&life.keeper, at.0, life.now_ms);
            if given.state == StampState::Certain {
                let last = life.fixes.iter().rev().find(|fix| **fix <= at);
                let age_ms = last.map(|last| at.since_ms(*last));
                prop_assert!(began <= at.0, "certain before the start at {began}: {given:?}");
                prop_assert!(age_ms.is_some_and(|age_ms| age_ms <= 10_000), "{age_ms:?} at {at:?}: {given:?}");
                prop_assert!(given.position.is_some() && given.radius95_m.is_some());
            }
        }
    }

    #[test]
    fn no_corrected_stamp_is_certain_of_a_wrong_place_or_far_from_a_fix_of_its_own_boot(
        legs in prop::collection::vec(unseen_leg(), 1..7), seed: u64
    ) {
        let mut life = Life::new(60.0, true, seed);
        life.live(&Leg::Stand(150));
        let mut boots = vec![0];
        for leg in &legs {
            life.live(leg);
            if matches!(leg, Leg::Restart { same_boot: false, .. }) {
                boots.push(life.now_ms);
            }
        }
        life.live(&Leg::Stand(450));
        for (at, place) in &life.truth {
            let given = stamp_at(&life.keeper, at.0, life.now_ms);
            if given.state != StampState::Certain {
                continue;
            }
            let off_m = given.position.unwrap().distance_m(*place);
            prop_assert!(off_m <= 100.0, "{off_m} m at {at:?}: {given:?}");
            let boot = boots.iter().rev().find(|began| **began <= at.0).copied().unwrap();
            let last = life.fixes.iter().rev().find(|fix| **fix <= *at && boot <= fix.0);
            let age_ms = last.map(|last| at.since_ms(*last));
            prop_assert!(age_ms.is_some_and(|age_ms| age_ms <= GAP_MS), "{age_ms:?} at {at:?}: {given:?}");
        }
    }

    #[test]
    fn a_restart_anywhere_gives_the_same_sites(at in 0.0..1.0_f64, azimuth_deg in 0.0..360.0, seed: u64) {
        let legs = [
            Leg::Stand(500),
            Leg::Drive { for_s: 40, mps: 12.0, azimuth_deg },
            Leg::Stand(500),
            Leg::Drive { for_s: 90, mps: 5.0, azimuth_deg: azimuth_deg + 70.0 },
            Leg::Stand(500),
        ];
        let live = |restart: Option<f64>| {
            let mut life = Life::new(60.0, true, seed);
            let (mut lived, all) = (0.0, 1630.0);
            for leg in &legs {
                let (count, second) = match leg {
                    Leg::Drive { for_s, mps, azimuth_deg } => {
                        (*for_s, Leg::Drive { for_s: 1, mps: *mps, azimuth_deg: *azimuth_deg })
                    }
                    Leg::Stand(for_s) => (*for_s, Leg::Stand(1)),
                    _ => (0, Leg::Silence(1)),
                };
                for _ in 0..count {
                    life.live(&second);
                    let before = lived / all;
                    lived += 1.0;
                    if restart.is_some_and(|at| before <= at && at < lived / all) {
                        life.live(&Leg::Restart { down_s: 0, same_boot: true });
                    }
                }
            }
            life.sites()
        };
        let (through, again) = (live(None), live(Some(at)));
        prop_assert_eq!(through.len(), 3);
        prop_assert_eq!(again.len(), 3, "{:?}", again);
        for (one, other) in through.iter().zip(&again) {
            prop_assert_eq!(one.0, other.0);
            prop_assert!(one.1.distance_m(other.1) < 5.0, "{:?} and {:?}", one, other);
        }
    }

    #[test]
    fn no_jump_of_time_stops_it(
        steps in prop::collection::vec((any::<u64>(), any::<i64>(), 0..4_u8, -90.0..90.0_f64, -180.0..180.0_f64), 1..60)
    ) {
        let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(0));
        let mut out = Vec::new();
        let mut mono = 0_u64;
        for (leap, utc, kind, lat_deg, lon_deg) in steps {
            mono = match kind {
                0 => mono.saturating_add(leap),
                1 => leap,
                _ => mono.saturating_add(1000),
            };
            let now = Moment { mono: Mono(mono), utc: Utc(utc), utc_trust: UtcTrust::Gps };
            let position = LatLon::new(lat_deg, lon_deg).unwrap();
            let fix = Fix {
                at: now.mono,
                utc: Some(now.utc),
                position,
                speed_mps: Some(0.1),
                hdop: None,
                satellites: None,
                sigma_m: None,
            };
            keeper.on_tick(&now, &mut out);
            keeper.on_fix(&fix, &now, &mut out);
            if kind == 3 {
                keeper = SiteKeeper::new(KeeperLimits::default(), Some(keeper.memory()), &now);
            }
        }
        let from: Vec<Mono> = keeper.timeline().segments().map(|segment| segment.from).collect();
        prop_assert!(from.windows(2).all(|pair| pair[0] < pair[1]));
    }
}
