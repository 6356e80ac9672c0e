//! Recordings as other receivers and other settings would have sent them, through the same way as `pintle replay`: what
//! the keeper makes of them may not hang on the words that a receiver happens to choose.
//!
//! The folder of recordings is named by `PINTLE_LOGS`; it is no part of this repository.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/recordings.rs"]
mod recordings;

use pintle_core::geo::LatLon;
use pintle_core::moment::{Moment, Mono, Utc};
use pintle_core::position::keeper::{KeeperAction, KeeperLimits};
use pintle_core::position::recording::Recording;
use pintle_core::position::{Fix, KeeperState};
use pintle_core::sim::altered::{Change, altered};
use pintle_core::sim::random::Random;
use pintle_core::sim::sentences::sentence;
use pintle_core::sim::{recorded, stays};
use recordings::recordings;

/// What was told of a recording, in seconds of its own clock.
#[derive(Debug, Default)]
struct Told {
    left: Vec<(u64, String)>,
    found: Vec<(u64, LatLon)>,
    fixes: u64,
    state: Option<KeeperState>,
}

fn replay(bytes: &[u8], limits: KeeperLimits) -> Told {
    let mut recording = Recording::new(limits, Utc::from_civil(2024, 6, 1, 0).unwrap());
    let mut told = Told::default();
    let mut sink = |at: &Moment, action: &KeeperAction| match action {
        KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } => {
            told.left.push((at.mono.0 / 1000, reason.clone()));
        }
        KeeperAction::SiteFound { site, .. } => told.found.push((at.mono.0 / 1000, site.position)),
        _ => {}
    };
    recording.on_bytes(bytes, &mut sink);
    recording.on_end(&mut sink);
    told.fixes = recording.line().assembler().counts().used;
    told.state = Some(recording.keeper().state());
    told
}

/// Other talkers, other sets of sentences, older forms, coarser digits, other rates, gaps.
const WAYS: [(&str, &[Change]); 15] = [
    ("talker GL, no GSA, GST, GSV", &[Change::Talker("GL"), Change::Without(&["GSA", "GST", "GSV"])]),
    ("talker GA, 4 decimals", &[Change::Talker("GA"), Change::Decimals(4)]),
    ("talker GB, no mode", &[Change::Talker("GB"), Change::NoMode]),
    ("talker GQ, no date", &[Change::Talker("GQ"), Change::NoDate]),
    ("GGA only", &[Change::Only(&["GGA"])]),
    ("RMC only", &[Change::Only(&["RMC"])]),
    ("GLL and VTG only", &[Change::Only(&["GLL", "VTG"])]),
    ("GGA and VTG only", &[Change::Only(&["GGA", "VTG"])]),
    ("3 decimals", &[Change::Decimals(3)]),
    ("2 decimals", &[Change::Decimals(2)]),
    ("no speed", &[Change::NoSpeed]),
    ("0.2 Hz", &[Change::EverySeconds(5)]),
    ("0.2 Hz, RMC only, no mode", &[Change::EverySeconds(5), Change::Only(&["RMC"]), Change::NoMode]),
    ("gaps of 2 min", &[Change::Gaps { left_s: 180, out_s: 120 }]),
    ("gaps of 7 min", &[Change::Gaps { left_s: 400, out_s: 420 }]),
];

fn limits(move_threshold_m: f64) -> KeeperLimits {
    KeeperLimits { move_threshold_m, ..KeeperLimits::default() }
}

#[test]
fn a_standing_receiver_stands_however_it_words_it() {
    let Some(logs) = recordings("a-") else { return };
    let mut wrong = Vec::new();
    for (name, bytes) in logs.iter().filter(|(name, _)| *name != "a-forest-phone-3.nmea") {
        let whole = recorded::fixes(bytes);
        let Some(middle) = recorded::middle(&whole) else { continue };
        for (way, changes) in WAYS {
            let bytes = altered(bytes, changes);
            // The least threshold that may be set.
            let told = replay(&bytes, limits(25.0));
            if !told.left.is_empty() || 1 < told.found.len() {
                wrong.push(format!("{name}, {way}: {told:?}"));
            }
            let span_s = whole.last().unwrap().at.since_ms(whole[0].at) / 1000;
            if span_s < 120 && told.state == Some(KeeperState::Anchored) {
                wrong.push(format!("{name}, {way}: anchored within {span_s} s"));
            }
            for (_, site) in &told.found {
                let off_m = site.distance_m(middle);
                if 40.0 < off_m {
                    wrong.push(format!("{name}, {way}: a site {off_m:.0} m off"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_moving_receiver_is_followed_however_it_words_it() {
    let Some(logs) = recordings("b-") else { return };
    let mut wrong = Vec::new();
    for (name, bytes) in &logs {
        let whole_fixes = recorded::fixes(bytes);
        let whole = recorded::play(&whole_fixes, limits(50.0), None);
        for (way, changes) in WAYS {
            // Gaps of minutes hide the leaving itself: there only the sites count.
            let hidden = way == "gaps of 7 min";
            let fixes = recorded::fixes(&altered(bytes, changes));
            let told = recorded::play(&fixes, limits(50.0), None);
            let silent = !stays::speaks(&fixes);
            for fault in stays::judge(&fixes, &told, limits(50.0)).faults {
                // The judge has no better eyes than the keeper: without speed a slow drift is a stay to it.
                // With digits of 18.5 m the drift of a boat at its berth looks like a way now and then.
                let blind = (silent && fault.starts_with("no site"))
                    || (way == "2 decimals" && fault.contains(" came after ") && name.starts_with("b-boat"));
                if !blind && !hidden {
                    wrong.push(format!("{name}, {way}: {fault}"));
                }
            }
            // A kind that it doesn't send, or sends with wrong checksums only, leaves nothing to look at.
            if fixes.len() < whole_fixes.len() / 10 {
                continue;
            }
            let known = |site: &LatLon| told.found.iter().any(|(_, found)| found.distance_m(*site) < 40.0);
            if !whole.found.iter().all(|(_, site)| known(site)) && way != "gaps of 7 min" {
                wrong.push(format!("{name}, {way}: sites {:?}, not {:?}", told.found, whole.found));
            }
            if told.left.len() < whole.left.len().min(told.found.len()) {
                wrong.push(format!("{name}, {way}: left {:?}, not {:?}", told.left, whole.left));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn standing_receivers_one_after_another_in_any_order_with_pauses_stand() {
    let Some(logs) = recordings("a-") else { return };
    let lives: Vec<(&String, Vec<Fix>)> = logs
        .iter()
        .filter(|(name, _)| *name != "a-forest-phone-3.nmea")
        .map(|(name, bytes)| (name, recorded::fixes(bytes)))
        .filter(|(_, fixes)| !fixes.is_empty())
        .collect();
    let place = LatLon::new(44.5, -30.0).unwrap();
    let mut random = Random::new(78);
    let mut wrong = Vec::new();
    for round in 0..20 {
        let mut all: Vec<Fix> = Vec::new();
        let mut order = Vec::new();
        // Six receivers, or one that is unplugged and plugged in again, with pauses of a second to ten minutes.
        for _ in 0..6 {
            let (name, fixes) = &lives[random.below(u32::try_from(lives.len()).unwrap()) as usize];
            order.push(*name);
            let pause_ms = if round % 2 == 0 { 1000 } else { u64::from(random.below(600_000)) + 1000 };
            let after = all.last().map_or(Mono(0), |fix| fix.at);
            // The first twenty minutes of the long ones.
            let part = fixes.iter().position(|fix| 1_200_000 < fix.at.0).unwrap_or(fixes.len());
            all.extend(recorded::shifted(&fixes[..part], after, pause_ms, recorded::middle(fixes).unwrap(), place));
        }
        for restart_s in [None, Some(45)] {
            let told = recorded::play(&all, limits(50.0), restart_s);
            if !told.left.is_empty() || 1 < told.found.len() {
                wrong.push(format!("{round}, restarts {restart_s:?}: {:?} {:?} of {order:?}", told.left, told.found));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn an_odd_line_stays_harmless_however_it_words_it() {
    let Some(logs) = recordings("c-") else { return };
    let mut wrong = Vec::new();
    for (name, bytes) in &logs {
        // These two stand long enough for one right site.
        let sites_max = usize::from(name == "c-sim33-host-stamped.txt" || name == "c-quectel-l76k-dual.log");
        for (way, changes) in WAYS {
            let told = replay(&altered(bytes, changes), limits(50.0));
            if !told.left.is_empty() || sites_max < told.found.len() {
                wrong.push(format!("{name}, {way}: {told:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// RMC of a receiver that stands, at a time of day.
fn rmc(time: &str, date: &str, second: u32) -> String {
    let wander = second % 7;
    sentence(&format!("GPRMC,{time}.00,A,4430.000{wander},N,03000.000{wander},W,0.0{wander},,{date},,,A"))
}

#[test]
fn a_leap_second_costs_one_fix_at_most_and_nothing_else() {
    // 2016-12-31T23:59:60Z, the newest leap second. Source: IERS Bulletin C 52.
    let time = |second: u32| format!("{:02}{:02}{:02}", second / 3600, second / 60 % 60, second % 60);
    let mut bytes = String::new();
    for second in 86_000..86_400 {
        bytes += &rmc(&time(second), "311216", second);
    }
    bytes += &rmc("235960", "311216", 3);
    for second in 0..400 {
        bytes += &rmc(&time(second), "010117", second);
    }
    let told = replay(bytes.as_bytes(), limits(25.0));
    assert_eq!((told.left.len(), told.found.len()), (0, 1), "{told:?}");
    assert!(800 <= told.fixes, "{} of 801 fixes", told.fixes);
    assert_eq!(told.state, Some(KeeperState::Anchored));
}

#[test]
fn odd_lines_one_after_another_in_any_order_stay_harmless() {
    let Some(logs) = recordings("c-") else { return };
    let names: Vec<&String> = logs.keys().collect();
    let mut random = Random::new(77);
    let mut wrong = Vec::new();
    for round in 0..4 {
        let mut order = names.clone();
        for at in (1..order.len()).rev() {
            order.swap(at, usize::try_from(random.bits()).unwrap_or(0) % (at + 1));
        }
        let bytes: Vec<u8> = order.iter().flat_map(|name| logs[*name].iter().copied().chain(*b"\n")).collect();
        let told = replay(&bytes, limits(50.0));
        // Two of them stand for the settle time by themselves.
        if 2 < told.found.len() {
            wrong.push(format!("{round}: {told:?} {order:?}"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
