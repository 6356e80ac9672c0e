//! Where a recorded receiver stood and when it crossed the threshold, by definitions that know nothing of the keeper,
//! and what the keeper said of it.
//!
//! A *stay*: the centred median of the speed over 21 s is below 0.45 m/s and the position moves by less than 0.8 m/s
//! over the centred 30 s, holes up to 10 s closed, with fixes in half of its seconds, for the settle time of observed
//! time. Runs whose medians lie within the threshold, with nothing farther between them, are one. A *crossing*: beyond
//! the threshold from the stay's median for 10 s on end. Source: the definitions that the project's bars use.

use super::recorded::{Told, middle};
use crate::geo::LatLon;
use crate::moment::Mono;
use crate::position::Fix;
use crate::position::keeper::{GAP_MS, KeeperLimits};

/// Half of the window of the speed, ms.
const SPEED_HALF_MS: u64 = 10_500;
/// Speed below which it stands, m/s.
const SPEED_MPS: f64 = 0.45;
/// Half of the window of the position, ms.
const RATE_HALF_MS: u64 = 15_000;
/// Rate of the position below which it stands, m/s.
const RATE_MPS: f64 = 0.8;
/// Holes up to this are closed, ms.
const HOLE_MS: u64 = 10_000;
/// A crossing lasts so long, ms.
const CROSSED_MS: u64 = 10_000;
/// Runs of the settle time times this and its inverse are judged neither way.
const UNSURE_SHARE: f64 = 0.25;

/// One stay.
#[derive(Clone, Debug, PartialEq)]
pub struct Stay {
    /// First instant.
    pub from: Mono,
    /// Last instant.
    pub to: Mono,
    /// Median of its positions.
    pub middle: LatLon,
    /// Observed seconds.
    pub observed_s: f64,
    /// Long enough that there must be a site; else there may be one.
    pub sure: bool,
    /// Index of the first fix after it.
    end: usize,
}

/// How late a leaving was told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leaving {
    /// Observed seconds after the crossing; negative before.
    pub late_s: f64,
    /// Way since the crossing, metres.
    pub way_m: f64,
    /// Mean speed in the ten seconds after the crossing, m/s; `None` if the receiver sends none.
    pub speed_mps: Option<f64>,
}

impl Leaving {
    /// The bar: 10 s or 60 m from 1.5 m/s, 10 s or 100 m below, 15 s or 150 m without speed.
    #[must_use]
    pub fn in_time(&self) -> bool {
        let (s, m) = match self.speed_mps {
            None => (15.0, 150.0),
            Some(mps) if mps < 1.5 => (10.0, 100.0),
            Some(_) => (10.0, 60.0),
        };
        self.late_s <= s || self.way_m <= m
    }
}

/// What was judged of one recording.
#[derive(Clone, Debug, Default)]
pub struct Verdict {
    /// Stays that must be a site.
    pub stays: usize,
    /// Stays of about the settle time, judged neither way.
    pub unsure: usize,
    /// Sites told.
    pub sites: usize,
    /// Leavings that followed a crossing.
    pub leavings: Vec<Leaving>,
    /// Observed seconds from the beginning of a stay to its site.
    pub arrivals_s: Vec<f64>,
    /// What was wrong, a sentence each.
    pub faults: Vec<String>,
}

fn seconds(ms: u64) -> f64 {
    f64::from(u32::try_from(ms).unwrap_or(u32::MAX)) / 1000.0
}

/// Observed seconds between two instants: gaps are none.
fn observed_s(fixes: &[Fix], from: Mono, to: Mono) -> f64 {
    let inside = |pair: &&[Fix]| from <= pair[0].at && pair[1].at <= to && pair[1].at.since_ms(pair[0].at) <= GAP_MS;
    fixes.windows(2).filter(inside).map(|pair| seconds(pair[1].at.since_ms(pair[0].at))).sum()
}

/// Whether the receiver says its speed in most of its fixes.
#[must_use]
pub fn speaks(fixes: &[Fix]) -> bool {
    fixes.len() < 2 * fixes.iter().filter(|fix| fix.speed_mps.is_some()).count()
}

/// For each fix whether it stands.
fn standing(fixes: &[Fix]) -> Vec<bool> {
    let speaks = speaks(fixes);
    let mut stands = Vec::with_capacity(fixes.len());
    for fix in fixes {
        let window = |half_ms: u64| {
            let from = fixes.partition_point(|f| f.at < fix.at.minus_ms(half_ms));
            let to = fixes.partition_point(|f| f.at <= fix.at.plus_ms(half_ms));
            &fixes[from..to]
        };
        let mut speeds: Vec<f64> = window(SPEED_HALF_MS).iter().filter_map(|f| f.speed_mps).collect();
        speeds.sort_unstable_by(f64::total_cmp);
        let slow = speeds.get(speeds.len() / 2).map_or(!speaks, |mps| *mps < SPEED_MPS);
        let wide = window(RATE_HALF_MS);
        let still = wide.first().zip(wide.last()).is_some_and(|(first, last)| {
            let span_s = seconds(last.at.since_ms(first.at));
            span_s <= 0.0 || first.position.distance_m(last.position) < RATE_MPS * span_s
        });
        stands.push(slow && still);
    }
    stands
}

/// The stays of a recording, by the definition above.
#[must_use]
pub fn stays(fixes: &[Fix], limits: KeeperLimits) -> Vec<Stay> {
    let stands = standing(fixes);
    // Runs of standing fixes with short holes, as ranges of indices.
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for (at, _) in stands.iter().enumerate().filter(|(_, stands)| **stands) {
        match runs.last_mut() {
            Some((_, end)) if fixes[at].at.since_ms(fixes[*end - 1].at) <= HOLE_MS => *end = at + 1,
            _ => runs.push((at, at + 1)),
        }
    }
    runs.retain(|(from, end)| 5 <= end - from);
    let mut joined: Vec<(usize, usize)> = Vec::new();
    for (from, end) in runs {
        if let Some((first, last_end)) = joined.last_mut()
            && let (Some(before), Some(here)) = (middle(&fixes[*first..*last_end]), middle(&fixes[from..end]))
            && before.distance_m(here) <= limits.move_threshold_m
            && fixes[*last_end..from].iter().all(|f| f.position.distance_m(before) <= limits.move_threshold_m)
        {
            *last_end = end;
        } else {
            joined.push((from, end));
        }
    }
    let mut stays = Vec::new();
    for (first, end) in joined {
        let run = &fixes[first..end];
        let (Some(middle), Some(newest)) = (middle(run), run.last()) else { continue };
        let (from, to) = (run[0].at, newest.at);
        let observed_s = observed_s(run, from, to);
        if observed_s < limits.settle_s * (1.0 - UNSURE_SHARE) {
            continue;
        }
        let mut seen = run.iter().map(|fix| fix.at.0 / 1000).collect::<Vec<_>>();
        seen.dedup();
        let dense = seconds(to.since_ms(from)) <= 2000.0 * seconds(u64::try_from(seen.len()).unwrap_or(0));
        let sure = dense && limits.settle_s * (1.0 + UNSURE_SHARE) <= observed_s;
        stays.push(Stay { from, to, middle, observed_s, sure, end });
    }
    stays
}

/// When the receiver crossed the threshold after `stay`.
#[must_use]
pub fn crossing(fixes: &[Fix], stay: &Stay, threshold_m: f64) -> Option<Mono> {
    let beyond = |fix: &Fix| threshold_m < fix.position.distance_m(stay.middle);
    let after = fixes.partition_point(|fix| fix.at <= stay.from);
    let mut since: Option<Mono> = None;
    for fix in &fixes[after..] {
        if !beyond(fix) {
            since = None;
            continue;
        }
        let began = *since.get_or_insert(fix.at);
        if stay.to < fix.at && CROSSED_MS <= fix.at.since_ms(began) {
            return Some(began);
        }
    }
    None
}

/// Holds what a keeper told of a moving recording against its stays and crossings.
#[must_use]
pub fn judge(fixes: &[Fix], told: &Told, limits: KeeperLimits) -> Verdict {
    /// A site must lie so near to the stay's median, metres (the bar).
    const SITE_M: f64 = 40.0;
    /// The site must be told so long after the settle time, observed seconds (the bar).
    const ARRIVAL_S: f64 = 90.0;
    let stays = stays(fixes, limits);
    let mut verdict = Verdict { sites: told.found.len(), ..Verdict::default() };
    let mut claimed = vec![false; told.found.len()];
    for (at, stay) in stays.iter().enumerate() {
        verdict.stays += usize::from(stay.sure);
        verdict.unsure += usize::from(!stay.sure);
        let next = stays.get(at + 1).map_or(Mono(u64::MAX), |next| next.from);
        let until = crossing(fixes, stay, limits.move_threshold_m).unwrap_or(next).max(stay.to);
        let (from_s, until_s) = (stay.from.0 / 1000, until.0 / 1000);
        let mut own = Vec::new();
        for (i, (found, position)) in told.found.iter().enumerate() {
            if stay.from <= *found && *found <= until {
                claimed[i] = true;
                own.push((*found, *position));
            }
        }
        match own.as_slice() {
            [] if stay.sure => {
                verdict.faults.push(format!("no site for the stay from {from_s} to {until_s} s"));
            }
            [(found, position), more @ ..] => {
                let off_m = position.distance_m(stay.middle);
                if SITE_M < off_m {
                    verdict.faults.push(format!("the site of the stay from {from_s} s lies {off_m:.0} m off"));
                }
                if !more.is_empty() {
                    verdict.faults.push(format!("{} sites for the stay from {from_s} s", more.len() + 1));
                }
                let arrival_s = observed_s(fixes, stay.from, *found);
                if stay.sure && limits.settle_s + ARRIVAL_S < arrival_s {
                    verdict.faults.push(format!("the site of the stay from {from_s} s came after {arrival_s:.0} s"));
                }
                verdict.arrivals_s.push(arrival_s);
                leaving(fixes, told, stay, *found, limits, &mut verdict);
            }
            [] => {}
        }
    }
    for (found, _) in told.found.iter().zip(&claimed).filter(|(_, claimed)| !**claimed).map(|(found, _)| found) {
        verdict.faults.push(format!("a site at {} s where it drove on", found.0 / 1000));
    }
    verdict
}

fn leaving(fixes: &[Fix], told: &Told, stay: &Stay, found: Mono, limits: KeeperLimits, verdict: &mut Verdict) {
    let from_s = stay.from.0 / 1000;
    let left = told.left.iter().map(|(at, _)| *at).find(|at| found < *at);
    let Some(crossed) = crossing(fixes, stay, limits.move_threshold_m) else {
        if let Some(left) = left.filter(|left| *left <= stay.to) {
            verdict.faults.push(format!("left at {} s the stay from {from_s} s, which goes on", left.0 / 1000));
        }
        return;
    };
    let Some(left) = left else {
        verdict.faults.push(format!("the stay from {from_s} s was left and nothing was told"));
        return;
    };
    let mut way_m = 0.0;
    for pair in fixes.windows(2).filter(|pair| crossed <= pair[0].at && pair[1].at <= left) {
        way_m += pair[0].position.distance_m(pair[1].position);
    }
    let speeds: Vec<f64> = fixes
        .iter()
        .filter(|fix| crossed <= fix.at && fix.at <= crossed.plus_ms(CROSSED_MS))
        .filter_map(|fix| fix.speed_mps)
        .collect();
    let count = f64::from(u32::try_from(speeds.len()).unwrap_or(1).max(1));
    let speed_mps = (!speeds.is_empty()).then(|| speeds.iter().sum::<f64>() / count);
    let late_s = if crossed <= left { observed_s(fixes, crossed, left) } else { -observed_s(fixes, left, crossed) };
    let leaving = Leaving { late_s, way_m, speed_mps };
    if !leaving.in_time() {
        verdict.faults.push(format!("the stay from {from_s} s was left {late_s:.0} s and {way_m:.0} m ago when told"));
    }
    verdict.leavings.push(leaving);
}

#[cfg(test)]
mod tests {
    use super::super::recorded::play;
    use super::*;

    /// Stands for `stand_s`, drives 400 m at 10 m/s, stands for `again_s`.
    fn tour(stand_s: u32, again_s: u32) -> Vec<Fix> {
        let start = LatLon::new(44.5, -30.0).unwrap_or_else(|| unreachable!());
        let fix = |second: u32| {
            let driven_s = second.saturating_sub(stand_s).min(40);
            let moving = stand_s < second && second <= stand_s + 40;
            // Its digits move a little: frozen ones are one observation.
            let wander_m = f64::from(second % 7) * 0.2;
            Fix {
                at: Mono(u64::from(second) * 1000),
                utc: None,
                position: start.moved(90.0, f64::from(driven_s) * 10.0 + wander_m),
                speed_mps: Some(if moving { 10.0 } else { 0.05 }),
                hdop: Some(1.0),
                satellites: Some(9),
                sigma_m: None,
            }
        };
        (1..=stand_s + 40 + again_s).map(fix).collect()
    }

    #[test]
    fn two_stays_and_the_crossing_between_them_are_found() {
        let fixes = tour(300, 300);
        let limits = KeeperLimits::default();
        let stays = stays(&fixes, limits);
        assert_eq!(stays.iter().map(|stay| stay.sure).collect::<Vec<_>>(), [true, true]);
        assert_eq!(crossing(&fixes, &stays[0], 50.0).map(|at| at.0 / 1000), Some(305));
        assert_eq!(crossing(&fixes, &stays[1], 50.0), None);
        let verdict = judge(&fixes, &play(&fixes, limits, None), limits);
        assert_eq!((verdict.sites, verdict.faults), (2, Vec::<String>::new()));
        assert!(verdict.leavings[0].late_s <= 3.0, "{:?}", verdict.leavings);
    }

    #[test]
    fn what_a_keeper_missed_or_made_up_is_a_fault() {
        let limits = KeeperLimits::default();
        let fixes = tour(300, 300);
        let silent = judge(&fixes, &Told::default(), limits);
        assert_eq!(silent.faults.len(), 2, "{:?}", silent.faults);
        let mut told = play(&fixes, limits, None);
        told.left.clear();
        assert_eq!(judge(&fixes, &told, limits).faults.len(), 1);
        told.found.push((Mono(320_000), fixes[319].position));
        assert_eq!(judge(&fixes, &told, limits).faults.len(), 2);
        assert_eq!(judge(&tour(60, 60), &Told::default(), limits).stays, 0, "halts are no stays");
    }
}
