//! Nights, tows, hops and starts under four simulated skies, as a table.
//!
//! `cargo run --release --example nights -- [NIGHTS] [TOWS] [SKY]` (default 1,000 nights of 12 h and 1,000 tows, all
//! skies). Two threads; every trial has its own seed, so the figures don't depend on them.

use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::sky::Sky;
use pintle_core::sim::trials::{BootOutcome, HopOutcome, Night, TowKind, TowOutcome, boot, hop, night, tow};
use std::io::Write;

/// Runs `trial` for every seed on two threads, in the order of the seeds.
fn all<T: Send>(count: u64, trial: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let half = count / 2;
    std::thread::scope(|scope| {
        let first = scope.spawn(|| (0..half).map(&trial).collect::<Vec<T>>());
        let mut second: Vec<T> = (half..count).map(&trial).collect();
        let mut results = first.join().unwrap_or_default();
        results.append(&mut second);
        results
    })
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_unstable_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index into a short list"
    )]
    let at = ((values.len() as f64 * share).ceil() as usize).saturating_sub(1);
    values[at.min(values.len() - 1)]
}

#[expect(clippy::cast_precision_loss, reason = "counts of trials are small")]
fn share(count: usize, of: usize) -> f64 {
    count as f64 / of.max(1) as f64
}

fn nights(out: &mut impl Write, sky: Sky, limits: KeeperLimits, count: u64) -> std::io::Result<()> {
    let nights: Vec<Night> = all(count, |seed| night(sky, limits, 12, seed));
    let sum = |of: fn(&Night) -> u32| nights.iter().map(of).sum::<u32>();
    let mut doubt: Vec<f64> = nights.iter().map(|n| f64::from(n.doubt_s)).collect();
    let bad = nights.iter().filter(|n| 0 < n.false_moves).count();
    writeln!(
        out,
        "{} at {} m, {count} nights of 12 h: {bad} with a false move ({} moves), false hop notices {}, anchors started \
         anew {}, doubt mean {:.1} s p95 {:.0} s",
        sky.word(),
        limits.move_threshold_m,
        sum(|n| n.false_moves),
        sum(|n| n.false_hops),
        sum(|n| n.false_reanchors),
        doubt.iter().sum::<f64>() / f64::from(u32::try_from(doubt.len()).unwrap_or(1)),
        quantile(&mut doubt, 0.95),
    )?;
    for (at, age) in ["30 s", "10 min", "1 h", "12 h"].iter().enumerate() {
        let anchors: Vec<(f64, f64)> = nights.iter().filter_map(|n| n.anchor[at]).collect();
        let covered = anchors.iter().filter(|(error_m, radius95_m)| error_m <= radius95_m).count();
        let mut errors: Vec<f64> = anchors.iter().map(|a| a.0).collect();
        let mut radii: Vec<f64> = anchors.iter().map(|a| a.1).collect();
        let (p95_m, radius_m) = (quantile(&mut errors, 0.95), quantile(&mut radii, 0.5));
        writeln!(
            out,
            "  {age:>6}: error p95 {p95_m:5.1} m, radius p50 {radius_m:5.1} m (x {:.2}), covered {:.1} %",
            radius_m / p95_m,
            100.0 * share(covered, anchors.len())
        )?;
    }
    out.flush()
}

type Member = fn(&TowOutcome) -> bool;

fn tows(out: &mut impl Write, sky: Sky, limits: KeeperLimits, count: u64) -> std::io::Result<()> {
    let tows: Vec<TowOutcome> = all(count, |seed| tow(sky, limits, seed));
    let missed = tows.iter().filter(|t| !t.found).count();
    let sum = |of: fn(&TowOutcome) -> u32| tows.iter().map(of).sum::<u32>();
    let mut arrivals: Vec<f64> =
        tows.iter().filter(|t| t.kind != TowKind::PowerOff).filter_map(|t| t.arrival_s).collect();
    let mut off: Vec<f64> = tows.iter().filter_map(|t| t.site_off_m).collect();
    writeln!(
        out,
        "{}, {count} tows: {missed} missed, sites on the way {}, stamps wrong live {} corrected {}, arrival p50 {:.0} \
         p95 {:.0} s (none: {}), site off p95 {:.1} m",
        sky.word(),
        sum(|t| t.sites_on_the_way),
        sum(|t| t.wrong_live),
        sum(|t| t.wrong_corrected),
        quantile(&mut arrivals, 0.5),
        quantile(&mut arrivals, 0.95),
        tows.iter().filter(|t| t.arrival_s.is_none()).count(),
        quantile(&mut off, 0.95),
    )?;
    let groups: [(&str, Member); 5] = [
        ("from 1.5 m/s", |t| t.kind == TowKind::Ordinary && 1.5 <= t.cruise_mps),
        ("slower", |t| t.kind == TowKind::Ordinary && t.cruise_mps < 1.5),
        ("static hold", |t| t.kind == TowKind::StaticHold),
        ("no speed", |t| t.kind == TowKind::Speechless),
        ("power off", |t| t.kind == TowKind::PowerOff),
    ];
    for (name, member) in groups {
        let group: Vec<&TowOutcome> = tows.iter().filter(|t| member(t)).collect();
        let mut late: Vec<f64> = group.iter().filter_map(|t| t.notice_s).collect();
        let mut way: Vec<f64> = group.iter().filter_map(|t| t.notice_m).collect();
        let out_of_time = group.iter().filter(|t| !t.in_time()).count();
        writeln!(
            out,
            "  {name:>12}: {} tows, notice p50 {:.0} s p95 {:.0} s p99 {:.0} s, way p95 {:.0} m, out of time {out_of_time}",
            group.len(),
            quantile(&mut late, 0.5),
            quantile(&mut late, 0.95),
            quantile(&mut late, 0.99),
            quantile(&mut way, 0.95),
        )?;
    }
    if std::env::var_os("TELL").is_some() {
        for (seed, t) in tows.iter().enumerate() {
            let odd = (t.kind != TowKind::PowerOff && t.arrival_s.is_none_or(|s| 140.0 < s))
                || !t.found
                || 0 < t.sites_on_the_way
                || 0 < t.wrong_live + t.wrong_corrected;
            if odd || (!t.in_time() && t.kind != TowKind::PowerOff) {
                writeln!(out, "    {seed}: {t:?}")?;
            }
        }
    }
    out.flush()
}

fn others(out: &mut impl Write, sky: Sky, limits: KeeperLimits, count: u64) -> std::io::Result<()> {
    for length_m in [20.0, 25.0, 35.0, 45.0, 55.0, 60.0, 70.0] {
        let hops: Vec<HopOutcome> = all(count, |seed| hop(sky, limits, length_m, seed));
        let n = hops.len();
        let of = |member: fn(&HopOutcome) -> bool| 100.0 * share(hops.iter().filter(|h| member(h)).count(), n);
        writeln!(
            out,
            "{} hop of {length_m} m: told {:.0} %, as a move {:.0} %, within the radius an hour later {:.0} %",
            sky.word(),
            of(|h| h.told),
            of(|h| h.moved),
            of(|h| h.covered)
        )?;
    }
    for away_m in [0.0, 80.0, 300.0, 2000.0] {
        let boots: Vec<BootOutcome> = all(count, |seed| boot(sky, limits, away_m, seed));
        let wrong = boots.iter().filter(|b| !b.right && b.decided_s.is_some()).count();
        let undecided = boots.iter().filter(|b| b.decided_s.is_none()).count();
        let mut decided: Vec<f64> = boots.iter().filter_map(|b| b.decided_s).collect();
        writeln!(
            out,
            "{} start {away_m} m away: wrong {wrong}, undecided {undecided} of {}, decided p50 {:.0} p95 {:.0} s",
            sky.word(),
            boots.len(),
            quantile(&mut decided, 0.5),
            quantile(&mut decided, 0.95)
        )?;
    }
    out.flush()
}

fn main() -> std::io::Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize| args.get(at).and_then(|text| text.parse::<u64>().ok()).unwrap_or(1000);
    let out = &mut std::io::stdout().lock();
    for sky in Sky::ALL {
        if args.get(2).is_some_and(|word| word != sky.word()) {
            continue;
        }
        let limits = KeeperLimits::default();
        if 0 < number(0) {
            nights(out, sky, limits, number(0))?;
        }
        if 0 < number(1) {
            tows(out, sky, limits, number(1))?;
            others(out, sky, limits, number(1).min(200))?;
        }
    }
    Ok(())
}
