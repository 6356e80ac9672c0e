//! Nights in which the trailer stands.

use crate::{Run, all, percent, quantile};
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::sky::Sky;
use pintle_core::sim::trials::{Night, night};

/// Ages at which the anchor is looked at.
const AGES: [&str; 4] = ["30 s", "10 min", "1 h", "12 h"];

pub(crate) fn measure(run: &mut Run, sky: Sky, limits: KeeperLimits) -> std::io::Result<()> {
    let count = run.nights;
    let nights: Vec<Night> = all(run.from, count, |seed| night(sky, limits, 12, seed));
    let sum = |of: fn(&Night) -> u32| nights.iter().map(of).sum::<u32>();
    let mut doubt: Vec<f64> = nights.iter().map(|n| f64::from(n.doubt_s)).collect();
    let doubt_s = doubt.iter().sum::<f64>() / f64::from(u32::try_from(doubt.len()).unwrap_or(1).max(1));
    let moves = sum(|n| n.false_moves);
    run.line(format_args!(
        "{}, {count} nights of 12 h at {} m: {moves} false moves, false hop notices {}, anchors started anew {}, \
         doubt mean {doubt_s:.1} s p95 {:.0} s",
        sky.word(),
        limits.move_threshold_m,
        sum(|n| n.false_hops),
        sum(|n| n.false_reanchors),
        quantile(&mut doubt, 0.95),
    ))?;
    // Fewer nights than 10,000 are not held to a share of the bar: chance would decide.
    let moves_max = if sky == Sky::Poor { 4 } else { 1 };
    let what = format!("{}: false moves in {count} nights of 12 h", sky.word());
    run.bar(what, &format!("≤ {moves_max} in 10,000"), moves.to_string(), moves <= moves_max);
    if sky == Sky::Road {
        let what = format!("{}: time in doubt a night, mean", sky.word());
        run.bar(what, "≤ 60 s", format!("{doubt_s:.0} s"), doubt_s <= 60.0);
    }
    if run.tell {
        for (seed, night) in (run.from..).zip(&nights) {
            if let Some(why) = &night.false_example {
                run.line(format_args!("    night {seed}: {why}"))?;
            }
        }
    }
    for (at, age) in AGES.iter().enumerate() {
        let anchors: Vec<(f64, f64)> = nights.iter().filter_map(|n| n.anchor[at]).collect();
        let inside = anchors.iter().filter(|(error_m, radius95_m)| error_m <= radius95_m).count();
        let covered = percent(inside, anchors.len());
        let mut errors: Vec<f64> = anchors.iter().map(|a| a.0).collect();
        let mut radii: Vec<f64> = anchors.iter().map(|a| a.1).collect();
        let (p95_m, radius_m) = (quantile(&mut errors, 0.95), quantile(&mut radii, 0.5));
        let times = radius_m / p95_m;
        run.line(format_args!(
            "  {age:>6}: error p95 {p95_m:5.1} m, radius p50 {radius_m:5.1} m (x {times:.2}), covered {covered:.1} %"
        ))?;
        if sky == Sky::Road {
            let what = format!("{}: truth within the radius after {age}", sky.word());
            let held = (93.0..=99.0).contains(&covered);
            run.bar(what, "93 to 99 %", format!("{covered:.1} %"), held);
            let what = format!("{}: median radius after {age}, against the error's p95", sky.word());
            run.bar(what, "≤ 1.3 ×", format!("{times:.2} × ({radius_m:.1} m)"), times <= 1.3);
        }
    }
    Ok(())
}
