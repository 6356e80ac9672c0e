//! Tows, hops below the threshold, and starts at another place.

use crate::{Run, all, percent, quantile};
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::sky::Sky;
use pintle_core::sim::trials::{BootOutcome, HopOutcome, TowKind, TowOutcome, boot, hop, tow};

type Member = fn(&TowOutcome) -> bool;

pub(crate) fn measure(run: &mut Run, sky: Sky, limits: KeeperLimits) -> std::io::Result<()> {
    let count = run.tows;
    let tows: Vec<TowOutcome> = all(run.from, count, |seed| tow(sky, limits, seed));
    let missed = tows.iter().filter(|t| !t.found).count();
    let sum = |of: fn(&TowOutcome) -> u32| tows.iter().map(of).sum::<u32>();
    let mut arrivals: Vec<f64> =
        tows.iter().filter(|t| t.kind != TowKind::PowerOff).filter_map(|t| t.arrival_s).collect();
    let mut off: Vec<f64> = tows.iter().filter_map(|t| t.site_off_m).collect();
    let arrival_s = quantile(&mut arrivals, 0.95);
    let (sites, live, corrected) = (sum(|t| t.sites_on_the_way), sum(|t| t.wrong_live), sum(|t| t.wrong_corrected));
    let silent = sum(|t| t.stale_silent);
    run.line(format_args!(
        "{}, {count} tows: {missed} missed, sites on the way {sites}, stamps wrong live {live} corrected {corrected}, \
         stamps with an old fix that don't say so {silent}, arrival p50 {:.0} p95 {arrival_s:.0} s (none: {}), site \
         off p95 {:.1} m",
        sky.word(),
        quantile(&mut arrivals, 0.5),
        tows.iter().filter(|t| t.arrival_s.is_none()).count(),
        quantile(&mut off, 0.95),
    ))?;
    let what = |text: &str| format!("{}, {count} tows: {text}", sky.word());
    run.bar(what("missed"), "0", missed.to_string(), missed == 0);
    let held = u64::from(sites) * 1000 <= 5 * count;
    run.bar(what("sites that hold over 45 s of true motion"), "≤ 5 in 1,000", sites.to_string(), held);
    run.bar(what("certain stamps over 100 m wrong when given"), "0", live.to_string(), live == 0);
    run.bar(what("the same after correction"), "0", corrected.to_string(), corrected == 0);
    run.bar(what("stamps with a fix over 10 s old that don't say so"), "0", silent.to_string(), silent == 0);
    if sky != Sky::Poor {
        let bar_s = limits.settle_s + 15.0;
        let held = arrival_s <= bar_s;
        run.bar(what("arrival, p95"), &format!("≤ {bar_s:.0} s"), format!("{arrival_s:.0} s"), held);
    }
    let groups: [(&str, bool, Member); 5] = [
        ("from 1.5 m/s", true, |t| speaks(t) && 1.5 <= t.cruise_mps),
        ("slower", true, |t| speaks(t) && t.cruise_mps < 1.5),
        ("no speed sent", true, |t| t.kind == TowKind::Speechless),
        ("static hold", false, |t| t.kind == TowKind::StaticHold),
        ("power off", false, |t| t.kind == TowKind::PowerOff),
    ];
    for (name, judged, member) in groups {
        let group: Vec<&TowOutcome> = tows.iter().filter(|t| member(t)).collect();
        let mut late: Vec<f64> = group.iter().filter_map(|t| t.notice_s).collect();
        let mut way: Vec<f64> = group.iter().filter_map(|t| t.notice_m).collect();
        let in_time = group.iter().filter(|t| t.in_time()).count();
        let share = percent(in_time, group.len());
        if judged {
            let text = format!("leaving told in time, {name} ({} tows)", group.len());
            run.bar(what(&text), "≥ 99 %", format!("{share:.2} %"), 99.0 <= share);
        }
        run.line(format_args!(
            "  {name:>13}: {} tows, notice p50 {:.0} s p95 {:.0} s p99 {:.0} s, way p95 {:.0} m p99 {:.0} m, out of \
             time {}",
            group.len(),
            quantile(&mut late, 0.5),
            quantile(&mut late, 0.95),
            quantile(&mut late, 0.99),
            quantile(&mut way, 0.95),
            quantile(&mut way, 0.99),
            group.len() - in_time,
        ))?;
    }
    if run.tell {
        for (seed, t) in (run.from..).zip(&tows) {
            let odd = !t.found || 0 < t.sites_on_the_way || 0 < t.wrong_live + t.wrong_corrected + t.stale_silent;
            if odd || (!t.in_time() && t.kind != TowKind::PowerOff) {
                run.line(format_args!("    {seed}: {t:?}"))?;
            }
        }
    }
    Ok(())
}

fn speaks(tow: &TowOutcome) -> bool {
    matches!(tow.kind, TowKind::Ordinary | TowKind::StaticHold)
}

pub(crate) fn hops_and_starts(run: &mut Run, sky: Sky, limits: KeeperLimits) -> std::io::Result<()> {
    let count = run.others;
    for length_m in [20.0, 25.0, 35.0, 45.0, 55.0, 60.0, 70.0] {
        let hops: Vec<HopOutcome> = all(run.from, count, |seed| hop(sky, limits, length_m, seed));
        let of = |member: fn(&HopOutcome) -> bool| percent(hops.iter().filter(|h| member(h)).count(), hops.len());
        let (told, covered) = (of(|h| h.told), of(|h| h.covered));
        run.line(format_args!(
            "{} hop of {length_m} m: told {told:.1} %, as a move {:.1} %, within the radius an hour later {covered:.1} \
             %",
            sky.word(),
            of(|h| h.moved),
        ))?;
        if 50.0 < length_m {
            let silent = hops.iter().filter(|h| !h.told).count();
            let what = format!("{}: hops of {length_m} m told neither as a move nor by a notice ({count})", sky.word());
            run.bar(what, "0", silent.to_string(), silent == 0);
            if run.tell {
                for (seed, odd) in (run.from..).zip(&hops).filter(|(_, hop)| !hop.told) {
                    run.line(format_args!("    {seed}: {odd:?}"))?;
                }
            }
        } else if sky == Sky::Road {
            let what = format!("{}: truth within the radius an hour after a hop of {length_m} m", sky.word());
            run.bar(what, "≥ 90 %", format!("{covered:.1} %"), 90.0 <= covered);
        }
    }
    for away_m in [0.0, 60.0, 80.0, 120.0, 300.0, 2000.0] {
        let boots: Vec<BootOutcome> = all(run.from, count, |seed| boot(sky, limits, away_m, seed));
        let wrong = boots.iter().filter(|b| !b.right && b.decided_s.is_some()).count();
        let undecided = boots.iter().filter(|b| b.decided_s.is_none()).count();
        let mut decided: Vec<f64> = boots.iter().filter_map(|b| b.decided_s).collect();
        let p95_s = quantile(&mut decided, 0.95);
        run.line(format_args!(
            "{} start {away_m} m away: wrong {wrong}, undecided {undecided} of {count}, decided p50 {:.0} p95 \
             {p95_s:.0} s",
            sky.word(),
            quantile(&mut decided, 0.5),
        ))?;
        if run.tell {
            for (seed, odd) in (run.from..).zip(&boots).filter(|(_, boot)| !boot.right) {
                run.line(format_args!("    {seed}: {odd:?}"))?;
            }
        }
        let what = format!("{}: {count} starts {away_m} m away, wrong or never decided", sky.word());
        run.bar(what, "0", (wrong + undecided).to_string(), wrong + undecided == 0);
        let bar_s = if 1000.0 < away_m { 120.0 } else { 420.0 };
        let what = format!("{}: decided after the first fix of a start {away_m} m away, p95", sky.word());
        run.bar(what, &format!("≤ {bar_s:.0} s"), format!("{p95_s:.0} s"), p95_s <= bar_s);
    }
    Ok(())
}
