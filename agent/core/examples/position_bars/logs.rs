//! Every recorded log in a folder against its bars. The first letter of a name is its class: a stands, b moves, c is
//! damaged or short, w is on the water.

use crate::{Run, percent, quantile};
use flate2::read::GzDecoder;
use pintle_core::geo::LatLon;
use pintle_core::position::Fix;
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::recorded::{damaged, estimates, fixes, limits, middle, play, standing_ways};
use pintle_core::sim::stays::{judge, speaks};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Read as _;
use std::path::Path;

/// Its end is a walk, so that it is no standing log.
const ENDS_IN_A_WALK: &str = "a-forest-phone-3";
/// The hour that others are spliced into.
const HOST: &str = "a-park-hour3";
/// These two of class c stand long enough for one right site.
const SETTLES: [&str; 2] = ["c-sim33-host-stamped", "c-quectel-l76k-dual"];
/// Where the car of two recordings stood for three hours, as published with them.
const PARKED: (f64, f64) = (37.528_927, -122.266_272);

type Logs = BTreeMap<String, Vec<u8>>;

pub(crate) fn measure(run: &mut Run, folder: &Path) -> std::io::Result<()> {
    let logs = read(folder)?;
    let broken = |_| std::io::Error::other("a string takes everything");
    standing(run, &logs).map_err(broken)?;
    radius(run, &logs).map_err(broken)?;
    moving(run, &logs).map_err(broken)?;
    odd(run, &logs).map_err(broken)
}

fn read(folder: &Path) -> std::io::Result<Logs> {
    let mut logs = BTreeMap::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let is_log = ["a-", "b-", "c-", "w-"].iter().any(|class| name.starts_with(class));
        let ends_in = |ending: &str| path.extension().is_some_and(|extension| extension == ending);
        if !is_log || ends_in("json") {
            continue;
        }
        #[expect(clippy::disallowed_methods, reason = "a tool beside the core, not the core")]
        let mut bytes = std::fs::read(&path)?;
        if ends_in("gz") {
            let mut unpacked = Vec::new();
            GzDecoder::new(&bytes[..]).read_to_end(&mut unpacked)?;
            bytes = unpacked;
        }
        logs.insert(name, bytes);
    }
    Ok(logs)
}

fn of_class<'a>(logs: &'a Logs, class: &'a str) -> impl Iterator<Item = (&'a String, &'a Vec<u8>)> {
    logs.iter().filter(move |(name, _)| name.starts_with(class))
}

fn span_s(fixes: &[Fix]) -> u64 {
    fixes.first().zip(fixes.last()).map_or(0, |(first, last)| last.at.since_ms(first.at) / 1000)
}

fn standing(run: &mut Run, logs: &Logs) -> std::fmt::Result {
    run.tables += "\n### Recorded logs that stand\n\nEach as it is, restarted every 30 s, six times in a row, spliced \
                   into an hour of another receiver, and again after its own\nend; and damaged: one fix of 3 and of \
                   5, without RMC, GGA, VTG or GSA, with 2 m of noise, with the wander of an open sky on\ntop, \
                   backwards, five times as fast.\n\n| log | fixes | seconds | false moves at 50 m | at 25 m | \
                   damaged: at 50 m | at 25 m | anchored before the settle time | held |\n| --- | --- | --- | --- | \
                   --- | --- | \
                   --- | --- | --- |\n";
    let host = logs.iter().find(|(name, _)| name.starts_with(HOST)).map_or_else(Vec::new, |(_, bytes)| fixes(bytes));
    let (mut count, mut all_whole, mut all_damaged, mut early) = (0, [0, 0], [0, 0], 0);
    let mut told = Vec::new();
    for (name, bytes) in of_class(logs, "a-").filter(|(name, _)| !name.starts_with(ENDS_IN_A_WALK)) {
        let fixes = fixes(bytes);
        let (mut whole, mut broken) = ([0, 0], [0, 0]);
        let mut anchored = false;
        for (at, threshold_m) in [50.0, 25.0].into_iter().enumerate() {
            for (way, story) in standing_ways(&fixes, &host, limits(threshold_m)) {
                whole[at] += story.left.len();
                anchored |= way == "once" && story.anchored;
                told.extend(story.left.iter().map(|(_, why)| format!("{name}, {threshold_m} m, {way}: {why}")));
            }
            for (way, fixes) in damaged(bytes) {
                let story = play(&fixes, limits(threshold_m), None);
                broken[at] += story.left.len();
                told.extend(story.left.iter().map(|(_, why)| format!("{name}, {threshold_m} m, {way}: {why}")));
            }
        }
        let hasty = anchored && span_s(&fixes) < 120;
        count += 1;
        early += usize::from(hasty);
        for at in 0..2 {
            all_whole[at] += whole[at];
            all_damaged[at] += broken[at];
        }
        let held = if whole == [0, 0] && broken == [0, 0] && !hasty { "yes" } else { "**no**" };
        writeln!(
            run.tables,
            "| {name} | {} | {} | {} | {} | {} | {} | {} | {held} |",
            fixes.len(),
            span_s(&fixes),
            whole[0],
            whole[1],
            broken[0],
            broken[1],
            if hasty { "yes" } else { "no" },
        )?;
    }
    if !told.is_empty() {
        writeln!(run.tables, "\nFalse moves:\n")?;
        for line in told {
            writeln!(run.tables, "- {line}")?;
        }
    }
    for (at, threshold_m) in [50, 25].into_iter().enumerate() {
        let (whole, broken) = (all_whole[at], all_damaged[at]);
        let what = format!("{count} standing logs, seven ways: false moves at {threshold_m} m");
        run.bar(what, "0", whole.to_string(), whole == 0);
        let what = format!("{count} standing logs, damaged in ten ways: false moves at {threshold_m} m");
        run.bar(what, "0", broken.to_string(), broken == 0);
    }
    run.bar(
        "standing logs shorter than the settle time that claim a site".to_owned(),
        "0",
        early.to_string(),
        early == 0,
    );
    Ok(())
}

/// Long standing stretches, each with its long reference.
fn references(logs: &Logs) -> Vec<(String, Vec<Fix>, LatLon)> {
    let mut all = Vec::new();
    let parked = LatLon::new(PARKED.0, PARKED.1);
    for name in [HOST, "a-slow-converge-20min", "a-ubx-mixed-11min", "b-boat-out-and-back", "b-drive-then-park"] {
        let Some((_, bytes)) = logs.iter().find(|(log, _)| log.starts_with(name)) else { continue };
        let mut fixes = fixes(bytes);
        match name {
            "b-boat-out-and-back" => fixes.retain(|fix| fix.at.0 < 4_300_000), // its first berth
            "b-drive-then-park" => drop(fixes.drain(..fixes.len().saturating_sub(2040))), // its last 34 min
            _ => {}
        }
        let published = parked.filter(|_| name == HOST || name == "b-drive-then-park");
        if let Some(truth) = published.or(middle(&fixes)) {
            all.push((name.to_owned(), fixes, truth));
        }
    }
    all
}

/// All restarts at one age.
#[derive(Default)]
struct AtAge {
    inside: usize,
    count: usize,
    /// Share of the worst log, %.
    least: f64,
    errors_m: Vec<f64>,
    radii_m: Vec<f64>,
}

fn radius(run: &mut Run, logs: &Logs) -> std::fmt::Result {
    let references = references(logs);
    run.tables += "\n### Radius in recorded logs\n\nRestarts every 60 s inside long stretches, against the long \
                   reference.\n\n| log | seconds |";
    let ages_s = [30_u64, 120, 300, 600];
    for age_s in ages_s {
        write!(run.tables, " inside the radius after {age_s} s |")?;
    }
    run.tables += "\n| --- | --- | --- | --- | --- | --- |\n";
    let mut all: [AtAge; 4] = std::array::from_fn(|_| AtAge { least: 100.0, ..AtAge::default() });
    for (name, fixes, truth) in &references {
        write!(run.tables, "| {name} | {} |", span_s(fixes))?;
        for (age_s, sums) in ages_s.iter().zip(&mut all) {
            let (mut inside, mut count) = (0, 0);
            for (error_m, radius95_m) in estimates(fixes, *truth, age_s * 1000) {
                inside += usize::from(error_m <= radius95_m);
                count += 1;
                sums.errors_m.push(error_m);
                sums.radii_m.push(radius95_m);
            }
            write!(run.tables, " {inside} of {count} |")?;
            sums.inside += inside;
            sums.count += count;
            if 0 < count {
                sums.least = sums.least.min(percent(inside, count));
            }
        }
        run.tables.push('\n');
    }
    for (age_s, AtAge { inside, count, least, errors_m, radii_m }) in ages_s.iter().zip(&mut all) {
        let (share_min, times_max) = match age_s {
            0..300 => (90.0, 1.6),
            300 => (95.0, 1.6),
            _ => (95.0, 2.5),
        };
        let (share, times) = (percent(*inside, *count), quantile(radii_m, 0.5) / quantile(errors_m, 0.95));
        let what = format!("long logs, {count} restarts: truth within the radius after {age_s} s");
        run.bar(what, &format!("≥ {share_min} %"), format!("{share:.1} %"), share_min <= share);
        let what = format!("long logs: the same in the worst log after {age_s} s");
        run.bar(what, "≥ 80 %", format!("{least:.1} %"), 80.0 <= *least);
        let what = format!("long logs: median radius after {age_s} s against the error's p95");
        run.bar(what, &format!("≤ {times_max} ×"), format!("{times:.2} ×"), times <= times_max);
    }
    Ok(())
}

fn moving(run: &mut Run, logs: &Logs) -> std::fmt::Result {
    run.tables += "\n### Recorded logs that move\n\nStays and crossings by the definitions of \
                   `agent/core/src/sim/stays.rs`, which know nothing of the keeper. A leaving before the crossing has \
                   a\nnegative time.\n\n| log | fixes | speed sent | stays | of about the settle time | sites | left, \
                   s after the crossing (m of way) | arrived, observed s | faults |\n| --- | --- | --- | --- | --- | \
                   --- | --- | --- | --- |\n";
    let (mut count, mut bad, mut leavings, mut in_time) = (0, 0, 0, 0);
    for (name, bytes) in of_class(logs, "b-").chain(of_class(logs, "w-")) {
        let fixes = fixes(bytes);
        let limits = KeeperLimits::default();
        let verdict = judge(&fixes, &play(&fixes, limits, None), limits);
        let left: Vec<String> =
            verdict.leavings.iter().map(|leaving| format!("{:.0} ({:.0})", leaving.late_s, leaving.way_m)).collect();
        let arrived: Vec<String> = verdict.arrivals_s.iter().map(|s| format!("{s:.0}")).collect();
        writeln!(
            run.tables,
            "| {name} | {} | {} | {} | {} | {} | {} | {} | {} |",
            fixes.len(),
            if speaks(&fixes) { "yes" } else { "no" },
            verdict.stays,
            verdict.unsure,
            verdict.sites,
            left.join(", "),
            arrived.join(", "),
            if verdict.faults.is_empty() { "none".to_owned() } else { verdict.faults.join("; ") },
        )?;
        // On the water an anchor is no brake: those are told and not judged.
        if name.starts_with("b-") {
            count += 1;
            bad += usize::from(!verdict.faults.is_empty());
            leavings += verdict.leavings.len();
            in_time += verdict.leavings.iter().filter(|leaving| leaving.in_time()).count();
        }
    }
    run.bar(format!("{count} moving logs: logs with a fault"), "0", bad.to_string(), bad == 0);
    let share = percent(in_time, leavings);
    run.bar(format!("moving logs: {leavings} leavings told in time"), "≥ 99 %", format!("{share:.0} %"), 99.0 <= share);
    Ok(())
}

fn odd(run: &mut Run, logs: &Logs) -> std::fmt::Result {
    run.tables += "\n### Damaged and short recorded logs\n\n| log | fixes | sites | moves | held |\n| --- | --- | --- | \
                   --- | --- |\n";
    let (mut count, mut bad) = (0, 0);
    for (name, bytes) in of_class(logs, "c-") {
        let fixes = fixes(bytes);
        let story = play(&fixes, KeeperLimits::default(), None);
        let sites_max = usize::from(SETTLES.iter().any(|settles| name.starts_with(settles)));
        let held = story.found.len() <= sites_max && story.left.is_empty();
        count += 1;
        bad += usize::from(!held);
        let held = if held { "yes" } else { "**no**" };
        writeln!(run.tables, "| {name} | {} | {} | {} | {held} |", fixes.len(), story.found.len(), story.left.len())?;
    }
    let what = format!("{count} damaged or short logs: with a site or a move that is none");
    run.bar(what, "0", bad.to_string(), bad == 0);
    Ok(())
}
