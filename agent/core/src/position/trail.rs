//! The way of the last move, thinned to what a small map can show.

use crate::geo::LatLon;
use crate::ids::SiteId;

/// Points that are kept at most. Our own limit: on the map of the page, 126 px wide, more would fall on each other.
pub const POINTS_MAX: usize = 64;
/// Points nearer than this to the one before tell nothing new, metres. Our own choice: half the default threshold.
const STEP_M: f64 = 25.0;

/// One point of the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrailPoint {
    /// Where.
    pub position: LatLon,
    /// Whether the way from the point before was seen; false: nobody knows how it got here.
    pub joined: bool,
}

/// The way from one site to the next; empty before the first move.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trail {
    /// The site that was left; `None`: no move was seen yet.
    pub from: Option<SiteId>,
    /// The site that was reached; `None` on the way.
    pub to: Option<SiteId>,
    points: Vec<TrailPoint>,
    step_m: f64,
}

impl Trail {
    /// A way that begins where `site` stood.
    #[must_use]
    pub fn begin(site: SiteId, position: LatLon) -> Self {
        Self { from: Some(site), to: None, points: vec![TrailPoint { position, joined: false }], step_m: STEP_M }
    }

    /// A way that was kept over a restart. More points than [`POINTS_MAX`] are thinned.
    #[must_use]
    pub fn restored(from: Option<SiteId>, to: Option<SiteId>, points: Vec<TrailPoint>) -> Self {
        // With the step of its length the way goes on as it was drawn.
        let length_m = length_m(&points);
        let mut step_m = STEP_M;
        while 2.0 * step_m * f64::from(u32::try_from(POINTS_MAX / 2).unwrap_or(1)) < length_m {
            step_m *= 2.0;
        }
        let mut trail = Self { from, to, points, step_m };
        while POINTS_MAX < trail.points.len() {
            trail.thin();
        }
        trail
    }

    /// Takes a position in, if it is far enough from the last one. `joined`: the way to it was seen. Answers whether a
    /// point was added.
    pub fn push(&mut self, position: LatLon, joined: bool) -> bool {
        let far = self.is_far(position);
        if far {
            self.add(position, joined);
        }
        far
    }

    /// Whether a position is far enough from the last point to be one.
    #[must_use]
    pub fn is_far(&self, position: LatLon) -> bool {
        self.from.is_some() && self.points.last().is_none_or(|last| self.step_m <= last.position.distance_m(position))
    }

    /// The way ends where `site` was found. `joined`: the way to it was seen.
    pub fn end(&mut self, site: SiteId, position: LatLon, joined: bool) {
        if self.from.is_some() && self.to.is_none() {
            self.add(position, joined);
            self.to = Some(site);
        }
    }

    /// All points, oldest first.
    #[must_use]
    pub fn points(&self) -> &[TrailPoint] {
        &self.points
    }

    /// The stretches that were seen, each of two points at least.
    #[must_use]
    pub fn parts(&self) -> Vec<Vec<LatLon>> {
        let mut parts: Vec<Vec<LatLon>> = Vec::new();
        for point in &self.points {
            match parts.last_mut().filter(|_| point.joined) {
                Some(part) => part.push(point.position),
                None => parts.push(vec![point.position]),
            }
        }
        parts.retain(|part| 1 < part.len());
        parts
    }

    /// Whether a stretch of the way was not seen.
    #[must_use]
    pub fn has_gaps(&self) -> bool {
        self.points.iter().skip(1).any(|point| !point.joined)
    }

    /// Metres along what was seen; a little short, because bends within a step are cut.
    #[must_use]
    pub fn seen_m(&self) -> f64 {
        length_m(&self.points)
    }

    fn add(&mut self, position: LatLon, joined: bool) {
        self.points.push(TrailPoint { position, joined });
        while POINTS_MAX < self.points.len() {
            self.thin();
        }
    }

    /// Leaves out every other point, but neither end.
    fn thin(&mut self) {
        self.step_m *= 2.0;
        let all = std::mem::take(&mut self.points);
        let last = all.len().saturating_sub(1);
        let mut unseen = false;
        for (nth, point) in all.into_iter().enumerate() {
            if nth % 2 == 0 || nth == last {
                self.points.push(TrailPoint { joined: point.joined && !unseen, ..point });
                unseen = false;
            } else {
                unseen = !point.joined;
            }
        }
    }
}

fn length_m(points: &[TrailPoint]) -> f64 {
    points
        .windows(2)
        .map(|pair| match pair {
            [a, b] if b.joined => a.position.distance_m(b.position),
            _ => 0.0,
        })
        .sum()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn start() -> LatLon {
        LatLon::new(44.51, -38.2).unwrap()
    }

    #[test]
    fn a_way_of_any_length_has_both_ends_and_no_more_than_so_many_points() {
        for metres in [0_u32, 30, 400, 4200, 90_000, 3_000_000] {
            let mut trail = Trail::begin(SiteId(12), start());
            let steps = metres / 10;
            for step in 1..=steps {
                trail.push(start().moved(60.0, f64::from(step) * 10.0), true);
            }
            let end = start().moved(60.0, f64::from(metres));
            trail.end(SiteId(13), end, true);
            let points = trail.points();
            assert!(points.len() <= POINTS_MAX, "{metres} m: {}", points.len());
            assert_eq!((points[0].position, points.last().unwrap().position), (start(), end));
            assert!(4200 < metres || (trail.seen_m() - f64::from(metres)).abs() < 1.0, "{metres}: {}", trail.seen_m());
            assert!(metres < 4200 || POINTS_MAX / 3 < points.len(), "{metres} m: {}", points.len());
            assert_eq!((trail.from, trail.to, trail.has_gaps()), (Some(SiteId(12)), Some(SiteId(13)), false));
        }
    }

    #[test]
    fn what_was_not_seen_is_a_gap_that_no_thinning_closes() {
        let mut trail = Trail::begin(SiteId(1), start());
        // Who pushes keeps in mind that the way was not seen until a point is taken.
        let mut unseen = false;
        for step in 1..=300_u32 {
            unseen |= step == 151;
            if trail.push(start().moved(60.0, f64::from(step) * 30.0), !unseen) {
                unseen = false;
            }
        }
        assert!(trail.points().len() <= POINTS_MAX && trail.has_gaps());
        assert_eq!(trail.parts().len(), 2);
        assert!(trail.seen_m() < 9000.0 - 30.0);
    }

    #[test]
    fn without_a_move_there_is_no_way_and_one_that_has_ended_takes_no_more() {
        let mut none = Trail::default();
        assert!(!none.push(start(), true));
        none.end(SiteId(1), start(), true);
        assert_eq!(none, Trail::default());
        let mut trail = Trail::begin(SiteId(1), start());
        trail.end(SiteId(2), start().moved(90.0, 500.0), false);
        let ended = trail.clone();
        trail.end(SiteId(3), start(), true);
        assert_eq!(trail, ended);
        let kept = Trail::restored(trail.from, trail.to, trail.points().to_vec());
        assert_eq!(kept, trail);
    }
}
