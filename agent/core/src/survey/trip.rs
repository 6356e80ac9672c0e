//! In which order to visit trailers: nearest neighbour, made shorter by two-opt. Source of both: D. S. Johnson,
//! L. A. `McGeoch`, "The traveling salesman problem: a case study in local optimization" (1997), from memory. Straight
//! lines on the sphere, no roads: it is an order to start from, and every showing of it says so.

use crate::geo::LatLon;

/// More stops than this are no day's work, and the time to improve their order grows with the square (our own limit).
pub(super) const STOPS_MAX: usize = 1000;
/// Rounds of improvement; each is one look at all pairs. 40 were enough in all trials with 1,000 stops.
const ROUNDS_MAX: usize = 60;

/// One stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    /// Which of the places that were given.
    pub index: usize,
    /// Straight line from the stop before, m; `None` at the first of a trip without a start.
    pub leg_m: Option<f64>,
}

/// An order of stops.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trip {
    /// In the order of driving.
    pub stops: Vec<Stop>,
    /// Straight line back to the start, m; `None` without a start.
    pub home_m: Option<f64>,
    /// Sum of all legs, m.
    pub total_m: f64,
}

/// Orders `places`. With `start` the trip begins and ends there, otherwise it begins at the first of `places` (the
/// worst) and ends anywhere. Places beyond the first 1,000 are left out.
#[must_use]
pub fn trip(places: &[LatLon], start: Option<LatLon>) -> Trip {
    let places = &places[..places.len().min(STOPS_MAX)];
    if places.is_empty() {
        return Trip::default();
    }
    // Node 0 is where the trip begins: the depot, or the first place.
    let nodes: Vec<LatLon> = start.into_iter().chain(places.iter().copied()).collect();
    let chords = Chords::new(&nodes);
    let closed = start.is_some();
    let mut order = nearest_neighbour(&chords);
    two_opt(&mut order, &chords, closed);
    let offset = usize::from(closed);
    let mut trip = Trip::default();
    for (at, &node) in order.iter().enumerate() {
        let leg_m = (0 < at).then(|| nodes[order[at - 1]].distance_m(nodes[node]));
        trip.total_m += leg_m.unwrap_or(0.0);
        if let Some(index) = node.checked_sub(offset) {
            trip.stops.push(Stop { index, leg_m });
        }
    }
    if closed && let Some(&last) = order.last() {
        let home_m = nodes[last].distance_m(nodes[0]);
        trip.home_m = Some(home_m);
        trip.total_m += home_m;
    }
    trip
}

/// Points on the unit sphere. Chords order distances as arcs do, and cost no geodesic for each of a million pairs; sums
/// of chords differ from sums of arcs by under 0.1 % up to 900 km (chord = 2 sin(arc / 2)).
struct Chords(Vec<[f64; 3]>);

impl Chords {
    fn new(nodes: &[LatLon]) -> Self {
        let point = |at: &LatLon| {
            let (sin_lat, cos_lat) = at.lat_deg().to_radians().sin_cos();
            let (sin_lon, cos_lon) = at.lon_deg().to_radians().sin_cos();
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat]
        };
        Self(nodes.iter().map(point).collect())
    }

    fn between(&self, a: usize, b: usize) -> f64 {
        let ([ax, ay, az], [bx, by, bz]) = (self.0[a], self.0[b]);
        ((ax - bx).powi(2) + (ay - by).powi(2) + (az - bz).powi(2)).sqrt()
    }
}

fn nearest_neighbour(chords: &Chords) -> Vec<usize> {
    let mut left: Vec<usize> = (1..chords.0.len()).collect();
    let mut order = vec![0];
    let mut here = 0;
    while let Some((at, _)) =
        left.iter().enumerate().min_by(|(_, a), (_, b)| chords.between(here, **a).total_cmp(&chords.between(here, **b)))
    {
        here = left.swap_remove(at);
        order.push(here);
    }
    order
}

/// Turns round each part of the way that is shorter the other way round, until none is left.
fn two_opt(order: &mut [usize], chords: &Chords, closed: bool) {
    // Rounding must not be taken for a gain, or two orders of equal length would take turns.
    const GAIN_MIN: f64 = 1e-12;
    let n = order.len();
    for _ in 0..ROUNDS_MAX {
        let mut better = false;
        for from in 1..n {
            for to in from..n {
                let (before, first, last) = (order[from - 1], order[from], order[to]);
                let after = match order.get(to + 1) {
                    Some(&after) => Some(after),
                    None => closed.then_some(order[0]),
                };
                let tail = |node: usize| after.map_or(0.0, |after| chords.between(node, after));
                let now = chords.between(before, first) + tail(last);
                let turned = chords.between(before, last) + tail(first);
                if turned + GAIN_MIN < now {
                    order[from..=to].reverse();
                    better = true;
                }
            }
        }
        if !better {
            return;
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::sim::random::Random;

    fn places(seed: u64, n: usize) -> Vec<LatLon> {
        let mut random = Random::new(seed);
        // Some 60 km of open sea.
        (0..n).map(|_| LatLon::new(44.0 + 0.5 * random.unit(), -38.5 + 0.7 * random.unit()).unwrap()).collect()
    }

    /// The shortest order there is, by trying all.
    fn shortest_m(places: &[LatLon], start: Option<LatLon>) -> f64 {
        fn try_all(here: LatLon, left: &mut Vec<LatLon>, home: Option<LatLon>) -> f64 {
            if left.is_empty() {
                return home.map_or(0.0, |home| here.distance_m(home));
            }
            let mut best = f64::INFINITY;
            for at in 0..left.len() {
                let next = left.remove(at);
                best = best.min(here.distance_m(next) + try_all(next, left, home));
                left.insert(at, next);
            }
            best
        }
        match start {
            Some(start) => try_all(start, &mut places.to_vec(), Some(start)),
            None => try_all(places[0], &mut places[1..].to_vec(), None),
        }
    }

    #[test]
    fn every_place_is_visited_once_and_the_legs_add_up() {
        for (n, start) in [(1, None), (2, None), (40, None), (40, LatLon::new(44.2, -38.2))] {
            let places = places(7, n);
            let trip = trip(&places, start);
            let mut seen: Vec<usize> = trip.stops.iter().map(|stop| stop.index).collect();
            seen.sort_unstable();
            assert_eq!(seen, (0..n).collect::<Vec<_>>());
            let legs: f64 = trip.stops.iter().filter_map(|stop| stop.leg_m).sum::<f64>() + trip.home_m.unwrap_or(0.0);
            assert!((legs - trip.total_m).abs() < 1e-6);
            assert_eq!(trip.home_m.is_some(), start.is_some());
        }
    }

    #[test]
    fn trip_without_a_start_begins_at_the_worst_trailer() {
        assert_eq!(trip(&places(3, 12), None).stops[0], Stop { index: 0, leg_m: None });
    }

    #[test]
    fn order_of_seven_is_close_to_the_shortest_of_all() {
        let (mut equal, mut worst) = (0, 1.0_f64);
        for seed in 0..60 {
            let places = places(seed, 7);
            let start = (seed % 2 == 0).then(|| LatLon::new(44.25, -38.15).unwrap());
            let ratio = trip(&places, start).total_m / shortest_m(&places, start);
            assert!(0.9999 < ratio, "shorter than the shortest: {ratio}");
            worst = worst.max(ratio);
            equal += usize::from(ratio < 1.0001);
        }
        // Two-opt is a local search: it finds the best of seven nearly always, and is never far off.
        assert!(40 <= equal && worst < 1.25, "{equal} of 60 are the shortest, the worst is {worst} times that");
    }

    #[test]
    fn points_on_a_circle_are_visited_round_the_circle() {
        // Known answer: the shortest closed way through points on a convex curve is the curve's order.
        let middle = LatLon::new(44.3, -38.2).unwrap();
        let ring: Vec<LatLon> =
            [3, 8, 1, 6, 11, 4, 9, 2, 7, 12, 5, 10].map(|hour| middle.moved(30.0 * f64::from(hour), 20_000.0)).to_vec();
        let start = middle.moved(0.0 + 15.0, 20_000.0);
        let hours = [3, 8, 1, 6, 11, 4, 9, 2, 7, 12, 5, 10];
        let order: Vec<i32> = trip(&ring, Some(start)).stops.iter().map(|stop| hours[stop.index]).collect();
        let (up, down) = ((1..=12).collect::<Vec<_>>(), (1..=12).rev().collect::<Vec<_>>());
        assert!(order == up || order == down, "{order:?}");
    }

    #[test]
    fn thousand_stops_are_ordered_across_the_date_line_and_more_are_left_out() {
        let mut random = Random::new(5);
        let across: Vec<LatLon> = (0..1200)
            .map(|_| {
                let lon = 179.5 + random.unit();
                LatLon::new(-17.0 + random.unit(), if 180.0 < lon { lon - 360.0 } else { lon }).unwrap()
            })
            .collect();
        let trip = trip(&across, None);
        assert_eq!(trip.stops.len(), STOPS_MAX);
        // Nobody crosses half the world: the square is 110 km wide, and 1,000 points in it take some 0.75 sqrt(n A).
        assert!(trip.total_m < 0.95 * (1000.0_f64 * 110e3 * 106e3).sqrt(), "{}", trip.total_m);
    }
}
