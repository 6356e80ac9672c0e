//! The site keeper on recordings of real GPS receivers: standing ones must never look like a move, radii must be
//! honest, odd ones must bring neither site nor leaving.
//!
//! The folder of recordings is named by `PINTLE_LOGS`; it is no part of this repository.
#![expect(clippy::unwrap_used, reason = "tests")]

use flate2::read::GzDecoder;
use pintle_core::geo::{LatLon, LocalPlane};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::fix::{BytesToEpochs, step_ms};
use pintle_core::position::keeper::{KeeperAction, KeeperLimits, KeeperMemory, SiteKeeper};
use pintle_core::position::{Fix, KeeperState};
use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::PathBuf;

fn folder() -> Option<PathBuf> {
    let folder = std::env::var_os("PINTLE_LOGS").map(PathBuf::from);
    if folder.is_none() {
        assert!(std::env::var_os("PINTLE_RIGS").is_none_or(|rigs| rigs != "all"), "PINTLE_RIGS=all needs PINTLE_LOGS");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs PINTLE_LOGS, the folder of recorded GPS lines\n"),
        ));
    }
    folder
}

/// Fixes of all recordings whose names begin with `class`, at the receiver's own pace, from one second on.
fn logs(class: &str) -> Option<BTreeMap<String, Vec<Fix>>> {
    let folder = folder()?;
    let mut logs = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if !name.starts_with(class) || name.ends_with(".facts.json") || name == "README.md" {
            continue;
        }
        let bytes = std::fs::read(&path).unwrap();
        let bytes = if path.extension().is_some_and(|end| end == "gz") {
            let mut unpacked = Vec::new();
            GzDecoder::new(&bytes[..]).read_to_end(&mut unpacked).unwrap();
            unpacked
        } else {
            bytes
        };
        logs.insert(name, fixes(&bytes));
    }
    assert!(!logs.is_empty(), "PINTLE_LOGS holds no recording of class {class}");
    Some(logs)
}

fn fixes(bytes: &[u8]) -> Vec<Fix> {
    let mut line = BytesToEpochs::new(DateReference::around(Utc::parse_rfc3339("2024-01-01T00:00:00Z").unwrap()));
    let mut epochs = Vec::new();
    line.on_bytes(bytes, Mono(0), &mut epochs);
    line.on_end(Mono(0), &mut epochs);
    let (mut at_ms, mut last) = (1000_u64, None);
    let mut fixes = Vec::new();
    for epoch in epochs {
        let Ok(fix) = epoch.outcome else { continue };
        if let (Some(last), Some(now)) = (last, epoch.time_of_day_ms) {
            at_ms += u64::try_from(step_ms(last, now)).unwrap_or(0);
        }
        last = epoch.time_of_day_ms.or(last);
        fixes.push(Fix { at: Mono(at_ms), utc: None, ..fix });
    }
    fixes
}

fn moment(at: Mono) -> Moment {
    let utc = Utc(1_800_000_000_000 + i64::try_from(at.0).unwrap());
    Moment { mono: at, utc, utc_trust: UtcTrust::Gps }
}

/// What a keeper made of some fixes.
#[derive(Default)]
struct Told {
    moves: u32,
    hops: u32,
    found: Vec<(u64, LatLon)>,
    left: Vec<(u64, String)>,
    anchored: bool,
    doubt: u32,
    memory: Option<KeeperMemory>,
}

fn play(fixes: &[Fix], limits: KeeperLimits, restart_every_s: Option<u64>) -> Told {
    play_on(fixes, limits, restart_every_s, None)
}

/// As [`play`], from what a keeper remembered.
fn play_on(fixes: &[Fix], limits: KeeperLimits, restart_every_s: Option<u64>, memory: Option<KeeperMemory>) -> Told {
    let mut told = Told::default();
    let Some(first) = fixes.first() else { return told };
    let mut keeper = SiteKeeper::new(limits, memory, &moment(first.at));
    let mut started = first.at;
    let mut out = Vec::new();
    for fix in fixes {
        if restart_every_s.is_some_and(|every_s| every_s * 1000 <= fix.at.since_ms(started)) {
            keeper = SiteKeeper::new(limits, Some(keeper.memory()), &moment(fix.at));
            started = fix.at;
        }
        let now = moment(fix.at);
        keeper.on_fix(fix, &now, &mut out);
        told.anchored |= keeper.state() == KeeperState::Anchored;
        told.doubt += u32::from(keeper.state() == KeeperState::Doubtful);
        for action in out.drain(..) {
            match action {
                KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } => {
                    told.moves += 1;
                    told.left.push((fix.at.0 / 1000, reason));
                }
                KeeperAction::Hopped { lines_unconfirmed: true, .. } => told.hops += 1,
                KeeperAction::SiteFound { site, .. } => told.found.push((fix.at.0 / 1000, site.position)),
                _ => {}
            }
        }
    }
    told.memory = Some(keeper.memory());
    told
}

fn limits(move_threshold_m: f64) -> KeeperLimits {
    KeeperLimits { move_threshold_m, ..KeeperLimits::default() }
}

/// `fixes` again `pause_ms` after `after`, moved by the plane from `from` to `to`.
fn shifted(fixes: &[Fix], after: Mono, pause_ms: u64, from: LatLon, to: LatLon) -> Vec<Fix> {
    let Some(first) = fixes.first() else { return Vec::new() };
    let (from, to) = (LocalPlane::new(from), LocalPlane::new(to));
    fixes
        .iter()
        .map(|fix| {
            let (east_m, north_m) = from.to_plane(fix.position);
            let at = after.plus_ms(pause_ms + fix.at.since_ms(first.at));
            Fix { at, position: to.to_geo(east_m, north_m), ..*fix }
        })
        .collect()
}

fn middle(fixes: &[Fix]) -> LatLon {
    let median = |of: fn(&Fix) -> f64| {
        let mut values: Vec<f64> = fixes.iter().map(of).collect();
        values.sort_unstable_by(f64::total_cmp);
        values[values.len() / 2]
    };
    LatLon::new(median(|f| f.position.lat_deg()), median(|f| f.position.lon_deg())).unwrap()
}

#[test]
fn no_standing_receiver_ever_looks_like_a_move() {
    let Some(logs) = logs("a-") else { return };
    let park = logs["a-park-hour3.nmea.gz"].clone();
    let half = park.len() / 2;
    let mut wrong = Vec::new();
    for (name, fixes) in &logs {
        if name == "a-forest-phone-3.nmea" || fixes.is_empty() {
            continue; // its end is a walk
        }
        let here = middle(fixes);
        let last = fixes.last().unwrap().at;
        let span_s = last.since_ms(fixes[0].at) / 1000;
        let mut looped = Vec::new();
        for _ in 0..6 {
            let after = looped.last().map_or(Mono(0), |fix: &Fix| fix.at);
            looped.extend(shifted(fixes, after, 1000, here, here));
        }
        let there = middle(&park);
        let mut spliced = park[..half].to_vec();
        spliced.extend(shifted(fixes, park[half - 1].at, 1000, here, there));
        let after = spliced.last().unwrap().at;
        spliced.extend(shifted(&park[half..], after, 1000, there, there));
        for threshold_m in [50.0, 25.0] {
            let once = play(fixes, limits(threshold_m), None);
            if span_s < 120 && once.anchored {
                wrong.push(format!("{name}: anchored within {span_s} s"));
            }
            let memory = once.memory.clone();
            let ways = [
                ("again after its own end, restarted", play_on(fixes, limits(threshold_m), Some(30), memory.clone())),
                ("again after its own end", play_on(fixes, limits(threshold_m), None, memory)),
                ("once", once),
                ("restarted", play(fixes, limits(threshold_m), Some(30))),
                ("looped", play(&looped, limits(threshold_m), None)),
                ("looped and restarted", play(&looped, limits(threshold_m), Some(30))),
                ("spliced", play(&spliced, limits(threshold_m), None)),
            ];
            for (way, told) in ways {
                eprintln!(
                    "{name} {threshold_m} m {way}: found {:?}, moves {}, hops {}, doubt {} s",
                    told.found.iter().map(|(at, _)| at).collect::<Vec<_>>(),
                    told.moves,
                    told.hops,
                    told.doubt
                );
                if 0 < told.moves {
                    wrong.push(format!("{name} {threshold_m} m {way}: {:?}", told.left));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn the_radius_holds_what_it_promises() {
    let Some(mut all) = logs("a-") else { return };
    let long = ["a-park-hour3.nmea.gz", "a-slow-converge-20min.nmea", "a-ubx-mixed-11min.log"];
    all.retain(|name, _| long.contains(&name.as_str()));
    let mut boat = logs("b-boat-out-and-back").unwrap().into_values().next().unwrap();
    boat.retain(|fix| fix.at.0 < 4_300_000); // its first berth
    all.insert("berth".to_owned(), boat);
    let mut drive = logs("b-drive-then-park").unwrap().into_values().next().unwrap();
    let parked = drive.len() - 2040;
    drive.drain(..parked);
    all.insert("parked".to_owned(), drive);
    for age_s in [30, 120, 300, 600] {
        let (mut covered, mut count, mut errors, mut radii) = (0_u32, 0_u32, Vec::new(), Vec::new());
        for (name, fixes) in &all {
            // Published: the place where the car of both recordings stood for three hours.
            let truth = if name == "a-park-hour3.nmea.gz" || name == "parked" {
                LatLon::new(37.528_927, -122.266_272).unwrap()
            } else {
                middle(fixes)
            };
            let (mut log_covered, mut log_count) = (0_u32, 0_u32);
            let last = fixes.last().unwrap().at;
            let mut start = fixes[0].at;
            while start.plus_ms(age_s * 1000) <= last {
                let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(start));
                let mut out = Vec::new();
                for fix in fixes.iter().filter(|f| start <= f.at && f.at <= start.plus_ms(age_s * 1000)) {
                    keeper.on_fix(fix, &moment(fix.at), &mut out);
                }
                if let Some((position, radius95_m)) = keeper.estimate() {
                    let error_m = position.distance_m(truth);
                    log_covered += u32::from(error_m <= radius95_m);
                    log_count += 1;
                    errors.push(error_m);
                    radii.push(radius95_m);
                }
                start = start.plus_ms(60_000);
            }
            if 0 < log_count {
                let share = f64::from(log_covered) / f64::from(log_count);
                eprintln!("age {age_s} s {name}: {log_covered} of {log_count}");
                assert!(0.8 <= share, "{name} at {age_s} s: covered {share}");
            }
            covered += log_covered;
            count += log_count;
        }
        errors.sort_unstable_by(f64::total_cmp);
        radii.sort_unstable_by(f64::total_cmp);
        let (p95_m, radius_m) = (errors[errors.len() * 95 / 100], radii[radii.len() / 2]);
        let share = f64::from(covered) / f64::from(count);
        eprintln!("age {age_s} s: covered {share:.3} of {count}, error p95 {p95_m:.1} m, radius p50 {radius_m:.1} m");
        let (share_min, ratio_max) = match age_s {
            0..300 => (0.90, 1.6),
            300 => (0.95, 1.6),
            _ => (0.95, 2.5),
        };
        assert!(share_min <= share, "{age_s} s: {share}");
        assert!(radius_m <= ratio_max * p95_m, "{age_s} s: {radius_m} m against {p95_m} m");
    }
}

#[test]
fn odd_lines_bring_neither_site_nor_leaving() {
    let Some(logs) = logs("c-") else { return };
    for (name, fixes) in &logs {
        let told = play(fixes, KeeperLimits::default(), None);
        assert_eq!(told.moves, 0, "{name}: {:?}", told.left);
        // These two stand long enough for one right site.
        let sites_max = usize::from(name == "c-sim33-host-stamped.txt" || name == "c-quectel-l76k-dual.log");
        assert!(told.found.len() <= sites_max, "{name}: {:?}", told.found);
    }
}

/// Seconds from the crossing of 50 m (for ten seconds on end) to the leaving that was told; negative: before.
fn late_s(fixes: &[Fix], site: LatLon, found_s: u64, left_s: u64) -> f64 {
    let away: Vec<(u64, bool)> = fixes
        .iter()
        .filter(|fix| found_s * 1000 < fix.at.0)
        .map(|fix| (fix.at.0, 50.0 < fix.position.distance_m(site)))
        .collect();
    let crossed = (0..away.len()).find(|i| {
        away[*i].1 && away[*i..].iter().take_while(|(at, _)| at - away[*i].0 <= 10_000).all(|(_, beyond)| *beyond)
    });
    let crossed_s = f64::from(u32::try_from(away[crossed.unwrap()].0).unwrap()) / 1000.0;
    f64::from(u32::try_from(left_s).unwrap()) - crossed_s
}

#[test]
fn moving_receivers_are_followed() {
    let Some(logs) = logs("b-") else { return };
    // Sites and leavings by what is published of the recordings; 10 s late at most where the receiver sends speed,
    // else 15.
    let stays: [(&str, usize, f64); 5] = [
        ("b-anchorage-swing.nmea", 1, 16.0), // a boat that drifts 35 m at a speed of 0.00 before it goes
        ("b-boat-out-and-back.nmea.gz", 2, 20.0), // it goes at 0.9 m/s: 100 m are allowed
        ("b-city-drive-f9k.nmea.gz", 1, 10.0),
        ("b-city-drive-reference.gga", 1, 15.0),
        ("b-drive-then-park.nmea.gz", 1, 10.0),
    ];
    for (name, fixes) in &logs {
        let told = play(fixes, KeeperLimits::default(), None);
        let (sites, late_s_max) =
            stays.iter().find(|(stay, ..)| stay == name).map_or((0, 0.0), |(_, sites, late_s)| (*sites, *late_s));
        assert_eq!(told.found.len(), sites, "{name}: {:?}", told.found);
        for ((found_s, site), (left_s, reason)) in told.found.iter().zip(&told.left) {
            let late_s = late_s(fixes, *site, *found_s, *left_s);
            eprintln!("{name}: left {late_s:.1} s after the crossing: {reason}");
            assert!(late_s <= late_s_max, "{name}: {late_s} s late");
        }
    }
    let parked = play(&logs["b-drive-then-park.nmea.gz"], KeeperLimits::default(), None).found[0].1;
    assert!(parked.distance_m(LatLon::new(37.528_927, -122.266_272).unwrap()) < 40.0, "{parked:?}");
    let berths = play(&logs["b-boat-out-and-back.nmea.gz"], KeeperLimits::default(), None).found;
    assert!(berths[0].1.distance_m(berths[1].1) < 10.0, "the same berth twice: {berths:?}");
}
