//! Nights, tows, hops and starts under simulated skies: a small number of each, with the bars that the full run keeps
//! (`cargo run --release -p pintle-core --example position_bars`).
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::sky::Sky;
use pintle_core::sim::trials::{Night, TowKind, TowOutcome, boot, hop, night, tow};

/// Runs `trial` for each of `count` seeds on two threads.
fn all<T: Send>(count: u64, trial: impl Fn(u64) -> T + Sync) -> Vec<T> {
    std::thread::scope(|scope| {
        let first = scope.spawn(|| (0..count / 2).map(&trial).collect::<Vec<T>>());
        let second: Vec<T> = (count / 2..count).map(&trial).collect();
        first.join().unwrap().into_iter().chain(second).collect()
    })
}

fn share<T>(of: &[T], member: impl Fn(&T) -> bool) -> f64 {
    let count = |n: usize| f64::from(u32::try_from(n).unwrap());
    count(of.iter().filter(|item| member(item)).count()) / count(of.len())
}

fn check_nights(sky: Sky, count: u64, false_moves_max: u32, doubt_mean_s_max: f64) {
    let nights: Vec<Night> = all(count, |seed| night(sky, KeeperLimits::default(), 12, seed));
    let false_moves: u32 = nights.iter().map(|night| night.false_moves).sum();
    assert!(false_moves <= false_moves_max, "{}: {false_moves} false moves in {count} nights", sky.word());
    let doubt_s: f64 =
        nights.iter().map(|night| f64::from(night.doubt_s)).sum::<f64>() / f64::from(u32::try_from(count).unwrap());
    assert!(doubt_s <= doubt_mean_s_max, "{}: {doubt_s:.0} s in doubt a night", sky.word());
    for age in 0..4 {
        let anchors: Vec<(f64, f64)> = nights.iter().filter_map(|night| night.anchor[age]).collect();
        let covered = share(&anchors, |(error_m, radius95_m)| error_m <= radius95_m);
        if sky != Sky::Road {
            // No bar, but no lie either.
            assert!(0.90 <= covered, "{} at age {age}: {covered}", sky.word());
            continue;
        }
        assert!((0.93..=0.99).contains(&covered), "at age {age}: {covered}");
        let sorted = |of: fn(&(f64, f64)) -> f64| {
            let mut values: Vec<f64> = anchors.iter().map(of).collect();
            values.sort_unstable_by(f64::total_cmp);
            values
        };
        let (errors, radii) = (sorted(|a| a.0), sorted(|a| a.1));
        let (p95_m, radius_m) = (errors[errors.len() * 95 / 100], radii[radii.len() / 2]);
        assert!(radius_m <= 1.3 * p95_m, "at age {age}: {radius_m} m against {p95_m} m");
    }
}

#[test]
fn nights_in_the_open_and_beside_a_road_bring_no_false_move() {
    check_nights(Sky::Open, 500, 0, 60.0);
    check_nights(Sky::Road, 500, 0, 60.0);
}

#[test]
fn nights_under_a_poor_sky_bring_hardly_a_false_move() {
    // The full run allows 4 in 10,000, 0.2 in 500: two would come by chance in one run of fifty.
    check_nights(Sky::Poor, 500, 1, 400.0);
}

fn check_tows(sky: Sky, count: u64) {
    let limits = KeeperLimits::default();
    let tows: Vec<TowOutcome> = all(count, |seed| tow(sky, limits, seed));
    for (seed, tow) in tows.iter().enumerate() {
        assert!(tow.found, "{} {seed}: {tow:?}", sky.word());
        let wrong = (tow.wrong_live, tow.wrong_corrected, tow.stale_silent);
        assert_eq!(wrong, (0, 0, 0), "{} {seed}: {tow:?}", sky.word());
    }
    // The bar is 5 in 1,000: one in a hundred may come by chance.
    let sites: u32 = tows.iter().map(|tow| tow.sites_on_the_way).sum();
    assert!(sites <= 1, "{}: {sites} sites on the way", sky.word());
    let live: Vec<&TowOutcome> = tows.iter().filter(|tow| tow.kind != TowKind::PowerOff).collect();
    let in_time = share(&live, |tow| tow.in_time());
    assert!(0.99 <= in_time, "{}: {in_time} of the notices in time", sky.word());
    if sky != Sky::Poor {
        let arrived = share(&live, |tow| tow.arrival_s.is_some_and(|s| s <= limits.settle_s + 15.0));
        assert!(0.95 <= arrived, "{}: {arrived} of the arrivals in time", sky.word());
    }
}

#[test]
fn every_tow_is_noticed_in_time_and_no_read_on_it_is_stamped_with_a_wrong_place() {
    check_tows(Sky::Open, 100);
    check_tows(Sky::Road, 100);
    check_tows(Sky::Poor, 100);
}

#[test]
fn hops_are_told_and_the_anchor_follows() {
    let limits = KeeperLimits::default();
    let far = all(100, |seed| hop(Sky::Road, limits, 60.0, seed));
    assert!(far.iter().all(|hop| hop.moved), "a hop of 60 m is a move: {far:?}");
    let between = all(100, |seed| hop(Sky::Road, limits, 55.0, seed));
    assert!(between.iter().all(|hop| hop.told), "a hop of 55 m is never silent: {between:?}");
    for length_m in [20.0, 35.0, 45.0] {
        let near = all(100, |seed| hop(Sky::Road, limits, length_m, seed));
        assert!(length_m < 25.0 || 0.95 <= share(&near, |hop| hop.told), "{length_m} m: {near:?}");
        assert!(0.9 <= share(&near, |hop| hop.covered), "{length_m} m: {near:?}");
    }
    // From 25 to 50 m it is a notice, as far as the sky lets it be known; the last metres are open to both.
    let open = all(100, |seed| hop(Sky::Open, limits, 45.0, seed));
    assert!(share(&open, |hop| hop.moved) <= 0.2 && open.iter().all(|hop| hop.told), "{open:?}");
    let road = all(100, |seed| hop(Sky::Road, limits, 35.0, seed));
    assert!(share(&road, |hop| hop.moved) <= 0.05, "{road:?}");
}

#[test]
fn under_a_poor_sky_no_hop_of_55_m_is_silent_and_one_of_60_m_is_a_move() {
    let limits = KeeperLimits::default();
    let between = all(50, |seed| hop(Sky::Poor, limits, 55.0, seed));
    assert!(between.iter().all(|hop| hop.told), "{between:?}");
    let far = all(50, |seed| hop(Sky::Poor, limits, 60.0, seed));
    assert!(far.iter().all(|hop| hop.moved), "{far:?}");
}

#[test]
fn a_start_elsewhere_is_decided_and_rightly() {
    let limits = KeeperLimits::default();
    for away_m in [0.0, 60.0, 80.0, 120.0, 300.0, 2000.0] {
        let decided_s_max = if 1000.0 < away_m { 120.0 } else { 420.0 };
        let boots = all(100, |seed| boot(Sky::Road, limits, away_m, seed));
        assert!(boots.iter().all(|boot| boot.right), "{away_m} m: {boots:?}");
        let in_time = share(&boots, |boot| boot.decided_s.is_some_and(|s| s <= decided_s_max));
        assert!(0.95 <= in_time, "{away_m} m: {boots:?}");
    }
}
