//! Recorded lines of real GPS receivers, told again in other ways: looped, spliced, restarted, damaged. Each way is
//! one that a receiver in the field could have taken, so that what is right for the recording is right for all of them.

use super::random::Random;
use super::sky::{Habit, Sky, SkyReceiver, Truth};
use crate::geo::{LatLon, LocalPlane};
use crate::moment::{Moment, Mono, Utc, UtcTrust};
use crate::position::fix::date::DateReference;
use crate::position::fix::{BytesToEpochs, step_ms};
use crate::position::keeper::{KeeperAction, KeeperLimits, KeeperMemory, SiteKeeper};
use crate::position::{Fix, KeeperState};

/// 2027-01-15, any trusted date: the keeper decides nothing by dates.
const T0_MS: i64 = 1_800_000_000_000;

/// Fixes of a recording at the receiver's own pace, from one second on. Dates play no part.
#[must_use]
pub fn fixes(bytes: &[u8]) -> Vec<Fix> {
    let around = Utc::from_civil(2024, 1, 1, 0).unwrap_or_default();
    let mut line = BytesToEpochs::new(DateReference::around(around));
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

/// The bytes without the sentences of one kind, such as `RMC`.
#[must_use]
pub fn without(bytes: &[u8], kind: &str) -> Vec<u8> {
    let lines = bytes.split_inclusive(|byte| *byte == b'\n');
    let has = |line: &[u8]| {
        let start = line.iter().position(|byte| *byte == b'$').map_or(line.len(), |at| at + 3);
        line.get(start..start + 3).is_some_and(|word| word == kind.as_bytes())
    };
    lines.filter(|line| !has(line)).flatten().copied().collect()
}

/// The clock that a recording is played by.
#[must_use]
pub fn moment(at: Mono) -> Moment {
    let utc = Utc(T0_MS + i64::try_from(at.0).unwrap_or(0));
    Moment { mono: at, utc, utc_trust: UtcTrust::Gps }
}

/// What a keeper made of some fixes.
#[derive(Clone, Debug, Default)]
pub struct Told {
    /// Times that it said that the trailer had left, with the reason.
    pub left: Vec<(Mono, String)>,
    /// Notices of a hop.
    pub hops: u32,
    /// Sites, with the instant they were found at.
    pub found: Vec<(Mono, LatLon)>,
    /// It said `anchored` at least once.
    pub anchored: bool,
    /// Fixes at which it was in doubt.
    pub doubt: u32,
    /// What it remembered at the end.
    pub memory: Option<KeeperMemory>,
}

/// Plays fixes, with the agent started anew every so many seconds.
#[must_use]
pub fn play(fixes: &[Fix], limits: KeeperLimits, restart_every_s: Option<u64>) -> Told {
    play_on(fixes, limits, restart_every_s, None)
}

/// As [`play`], from what a keeper remembered.
#[must_use]
pub fn play_on(
    fixes: &[Fix],
    limits: KeeperLimits,
    restart_every_s: Option<u64>,
    memory: Option<KeeperMemory>,
) -> Told {
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
        keeper.on_fix(fix, &moment(fix.at), &mut out);
        told.anchored |= keeper.state() == KeeperState::Anchored;
        told.doubt += u32::from(keeper.state() == KeeperState::Doubtful);
        for action in out.drain(..) {
            match action {
                KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } => {
                    told.left.push((fix.at, reason));
                }
                KeeperAction::Hopped { lines_unconfirmed: true, .. } => told.hops += 1,
                KeeperAction::SiteFound { site, .. } => told.found.push((fix.at, site.position)),
                _ => {}
            }
        }
    }
    told.memory = Some(keeper.memory());
    told
}

/// The settings with another move threshold.
#[must_use]
pub fn limits(move_threshold_m: f64) -> KeeperLimits {
    KeeperLimits { move_threshold_m, ..KeeperLimits::default() }
}

/// Median of the positions; `None` without any.
#[must_use]
pub fn middle(fixes: &[Fix]) -> Option<LatLon> {
    let median = |of: fn(&Fix) -> f64| {
        let mut values: Vec<f64> = fixes.iter().map(of).collect();
        values.sort_unstable_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    LatLon::new(median(|f| f.position.lat_deg())?, median(|f| f.position.lon_deg())?)
}

/// What a keeper that is started anew every 60 s of the recording knows at the age `age_ms`: how far its estimate is
/// from
/// `truth`, and its 95 % radius, both metres.
#[must_use]
pub fn estimates(fixes: &[Fix], truth: LatLon, age_ms: u64) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (fixes.first(), fixes.last()) else { return Vec::new() };
    let (mut start, mut told) = (first.at, Vec::new());
    while start.plus_ms(age_ms) <= last.at {
        let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(start));
        let mut out = Vec::new();
        for fix in fixes.iter().filter(|fix| start <= fix.at && fix.at <= start.plus_ms(age_ms)) {
            keeper.on_fix(fix, &moment(fix.at), &mut out);
        }
        told.extend(keeper.estimate().map(|(position, radius95_m)| (position.distance_m(truth), radius95_m)));
        start = start.plus_ms(60_000);
    }
    told
}

/// `fixes` again, `pause_ms` after `after`, moved from around `from` to around `to`.
#[must_use]
pub fn shifted(fixes: &[Fix], after: Mono, pause_ms: u64, from: LatLon, to: LatLon) -> Vec<Fix> {
    let Some(first) = fixes.first() else { return Vec::new() };
    let (from, to) = (LocalPlane::new(from), LocalPlane::new(to));
    let again = |fix: &Fix| {
        let (east_m, north_m) = from.to_plane(fix.position);
        let at = after.plus_ms(pause_ms + fix.at.since_ms(first.at));
        Fix { at, position: to.to_geo(east_m, north_m), ..*fix }
    };
    fixes.iter().map(again).collect()
}

/// The recording six times in a row.
#[must_use]
pub fn looped(fixes: &[Fix]) -> Vec<Fix> {
    let Some(here) = middle(fixes) else { return Vec::new() };
    let mut looped: Vec<Fix> = Vec::new();
    for _ in 0..6 {
        let after = looped.last().map_or(Mono(0), |fix| fix.at);
        looped.extend(shifted(fixes, after, 1000, here, here));
    }
    looped
}

/// The recording in the middle of `host`, at the host's place.
#[must_use]
pub fn spliced(fixes: &[Fix], host: &[Fix]) -> Vec<Fix> {
    let (Some(here), Some(there)) = (middle(fixes), middle(host)) else { return host.to_vec() };
    let (before, after) = host.split_at(host.len() / 2);
    let mut spliced = before.to_vec();
    for (part, from) in [(fixes, here), (after, there)] {
        let end = spliced.last().map_or(Mono(0), |fix| fix.at);
        spliced.extend(shifted(part, end, 1000, from, there));
    }
    spliced
}

/// Every `n`th fix.
#[must_use]
pub fn thinned(fixes: &[Fix], n: usize) -> Vec<Fix> {
    fixes.iter().step_by(n.max(1)).copied().collect()
}

/// Fixes with white noise of `sigma_m` per axis and the speed that its steps would show at a tenth.
#[must_use]
pub fn noisy(fixes: &[Fix], sigma_m: f64, seed: u64) -> Vec<Fix> {
    let mut random = Random::new(seed);
    let mut of = |fix: &Fix| {
        let plane = LocalPlane::new(fix.position);
        let position = plane.to_geo(sigma_m * random.normal(), sigma_m * random.normal());
        let more_mps = 0.1 * sigma_m * random.normal().hypot(random.normal());
        Fix { position, speed_mps: fix.speed_mps.map(|mps| mps.hypot(more_mps)), ..*fix }
    };
    fixes.iter().map(&mut of).collect()
}

/// The recording with every way from its middle `factor` times as long, and the speed with it: a worse antenna.
#[must_use]
pub fn scattered(fixes: &[Fix], factor: f64) -> Vec<Fix> {
    let Some(here) = middle(fixes) else { return Vec::new() };
    let plane = LocalPlane::new(here);
    let wider = |fix: &Fix| {
        let (east_m, north_m) = plane.to_plane(fix.position);
        let position = plane.to_geo(factor * east_m, factor * north_m);
        Fix { position, speed_mps: fix.speed_mps.map(|mps| factor * mps), ..*fix }
    };
    fixes.iter().map(wider).collect()
}

/// Fixes with the wander of a simulated sky on top, without its outages and its speed noise.
#[must_use]
pub fn wandering(fixes: &[Fix], sky: Sky, seed: u64) -> Vec<Fix> {
    let mut receiver = SkyReceiver::new(sky, Habit::default(), seed);
    let mut error = None;
    let mut last: Option<Mono> = None;
    let mut all = Vec::new();
    for fix in fixes {
        let steps = last.map_or(1, |last| fix.at.since_ms(last) / 1000).clamp(u64::from(last.is_none()), 600);
        for _ in 0..steps {
            error = receiver.step(&Truth::default(), true).or(error);
        }
        if 0 < steps {
            last = Some(fix.at);
        }
        let (east_m, north_m) = error.map_or((0.0, 0.0), |heard| (heard.east_m, heard.north_m));
        let position = LocalPlane::new(fix.position).to_geo(east_m, north_m);
        all.push(Fix { position, ..*fix });
    }
    all
}

/// The recording backwards.
#[must_use]
pub fn reversed(fixes: &[Fix]) -> Vec<Fix> {
    let Some(last) = fixes.last() else { return Vec::new() };
    fixes.iter().rev().map(|fix| Fix { at: Mono(1000).plus_ms(last.at.since_ms(fix.at)), ..*fix }).collect()
}

/// Each fix `n` times within its second, on the line to the next one: a receiver that sends faster. `n` is 1 to 20.
#[must_use]
pub fn faster(fixes: &[Fix], n: u32) -> Vec<Fix> {
    let n = n.clamp(1, 20);
    let mut all = Vec::new();
    for pair in fixes.windows(2) {
        let span_ms = pair[1].at.since_ms(pair[0].at);
        if 2000 < span_ms {
            all.push(pair[0]);
            continue;
        }
        let plane = LocalPlane::new(pair[0].position);
        let (east_m, north_m) = plane.to_plane(pair[1].position);
        for part in 0..n {
            let share = f64::from(part) / f64::from(n);
            let at = pair[0].at.plus_ms(span_ms * u64::from(part) / u64::from(n));
            let position = if part == 0 { pair[0].position } else { plane.to_geo(share * east_m, share * north_m) };
            all.push(Fix { at, position, ..pair[0] });
        }
    }
    all.extend(fixes.last());
    all
}

/// A recording of a standing receiver in every way that the bars name: name of the way, and what was told.
#[must_use]
pub fn standing_ways(fixes: &[Fix], host: &[Fix], limits: KeeperLimits) -> Vec<(&'static str, Told)> {
    let once = play(fixes, limits, None);
    let memory = once.memory.clone();
    let looped = looped(fixes);
    vec![
        ("again after its own end, restarted", play_on(fixes, limits, Some(30), memory.clone())),
        ("again after its own end", play_on(fixes, limits, None, memory)),
        ("once", once),
        ("restarted every 30 s", play(fixes, limits, Some(30))),
        ("six times", play(&looped, limits, None)),
        ("six times, restarted", play(&looped, limits, Some(30))),
        ("spliced into an hour", play(&spliced(fixes, host), limits, None)),
    ]
}

/// The same recording damaged in ways that a receiver or its settings bring: name of the damage, and its fixes.
#[must_use]
pub fn damaged(bytes: &[u8]) -> Vec<(String, Vec<Fix>)> {
    let whole = fixes(bytes);
    let mut ways = vec![
        ("one fix of 5".to_owned(), thinned(&whole, 5)),
        ("one fix of 3".to_owned(), thinned(&whole, 3)),
        ("2 m of noise".to_owned(), noisy(&whole, 2.0, 11)),
        ("the wander of an open sky on top".to_owned(), wandering(&whole, Sky::Open, 12)),
        ("backwards".to_owned(), reversed(&whole)),
        ("five times as fast".to_owned(), faster(&whole, 5)),
    ];
    for kind in ["RMC", "GGA", "VTG", "GSA"] {
        ways.push((format!("without {kind}"), fixes(&without(bytes, kind))));
    }
    ways
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINES: &[u8] = b"$GPGGA,1,2*00\r\nnoise $GPRMC,1*00\r\n$GPVTG,1*00\r\n$GP";

    #[test]
    fn sentences_of_one_kind_are_left_out() {
        assert_eq!(without(LINES, "RMC"), b"$GPGGA,1,2*00\r\n$GPVTG,1*00\r\n$GP");
        assert_eq!(without(LINES, "GGA"), b"noise $GPRMC,1*00\r\n$GPVTG,1*00\r\n$GP");
        assert_eq!(without(LINES, "GST"), LINES);
    }

    fn way() -> Vec<Fix> {
        let start = LatLon::new(44.5, -30.0).unwrap_or_else(|| unreachable!());
        let fix = |second: u32| Fix {
            at: Mono(u64::from(second) * 1000),
            utc: None,
            position: start.moved(90.0, f64::from(second)),
            speed_mps: Some(1.0),
            hdop: None,
            satellites: None,
            sigma_m: None,
        };
        (1..=100).map(fix).collect()
    }

    #[test]
    fn each_way_of_telling_keeps_the_order_of_time_and_the_place() {
        let way = way();
        let ways = [
            (thinned(&way, 5), 20),
            (noisy(&way, 2.0, 1), 100),
            (scattered(&way, 1.5), 100),
            (wandering(&way, Sky::Open, 1), 100),
            (reversed(&way), 100),
            (faster(&way, 5), 496),
            (looped(&way), 600),
            (spliced(&way, &way), 200),
        ];
        for (at, (told, count)) in ways.iter().enumerate() {
            assert_eq!(told.len(), *count, "way {at}");
            assert!(told.windows(2).all(|pair| pair[0].at < pair[1].at), "way {at}");
            let away_m = told.iter().map(|fix| fix.position.distance_m(way[50].position)).fold(0.0, f64::max);
            assert!(away_m < 90.0, "way {at}: {away_m}");
        }
        assert_eq!(reversed(&way)[0].position, way[99].position);
    }
}
