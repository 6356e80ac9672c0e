//! A bounded memory of where the trailer was, so that a read is stamped by the instant it was captured at and not by
//! its arrival.

use crate::geo::LatLon;
use crate::ids::SiteId;
use crate::moment::Mono;
use std::collections::VecDeque;

/// What is known of the trailer's whereabouts at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Whereabouts {
    /// Nothing: before the first fix, before the kept past, or no fix for too long.
    Unknown,
    /// Standing at a site.
    AtSite {
        /// Which.
        site: SiteId,
        /// The anchor as known when this was last told.
        position: LatLon,
        /// Its 95 % radius, metres.
        radius95_m: f64,
        /// False until a fix since the start of the agent has agreed.
        verified: bool,
    },
    /// Perhaps leaving `site`; decided later.
    Doubtful {
        /// The site in doubt, if there is one.
        site: Option<SiteId>,
        /// Newest position, live.
        position: Option<LatLon>,
        /// 95 % radius of that position, metres.
        radius95_m: f64,
    },
    /// Not at a site: on the road, or standing but not yet settled.
    Underway {
        /// The live position nearest in time.
        position: LatLon,
        /// Its 95 % radius, metres.
        radius95_m: f64,
        /// When that position was measured.
        measured: Mono,
    },
}

/// One stretch of the past; it lasts until the next one begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// First instant.
    pub from: Mono,
    /// What was so from then on.
    pub whereabouts: Whereabouts,
}

/// Segments in rising order of time, at most [`Timeline::KEPT`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timeline {
    segments: VecDeque<Segment>,
    /// Stretches without a fix, oldest first: last fix before, first fix after.
    gaps: VecDeque<(Mono, Mono)>,
}

impl Timeline {
    /// How many segments are kept: over an hour of driving at one position a second and years of standing (our own
    /// limit).
    pub const KEPT: usize = 4096;
    /// How many stretches without a fix are kept (our own limit).
    pub const GAPS_KEPT: usize = 256;

    /// Tells what is so from `from` on. Replaces what was told of that instant or later (a decision made afterwards).
    pub fn tell(&mut self, from: Mono, whereabouts: Whereabouts) {
        while self.segments.back().is_some_and(|last| from <= last.from) {
            self.segments.pop_back();
        }
        if self.segments.back().is_some_and(|last| last.whereabouts == whereabouts) {
            return;
        }
        if self.segments.len() == Self::KEPT {
            self.segments.pop_front();
        }
        self.segments.push_back(Segment { from, whereabouts });
    }

    /// Remembers that no fix came after `last` until `next`.
    pub fn unseen(&mut self, last: Mono, next: Mono) {
        if self.gaps.len() == Self::GAPS_KEPT {
            self.gaps.pop_front();
        }
        self.gaps.push_back((last, next));
    }

    /// The last fix before a gap that ended at `next`.
    #[must_use]
    pub fn unseen_until(&self, next: Mono) -> Option<Mono> {
        self.gaps.back().filter(|gap| gap.1 == next).map(|gap| gap.0)
    }

    /// Age of the newest fix at `instant`, ms, given the newest fix of all; under the length of a gap it is told as 0.
    #[must_use]
    pub fn fix_age_ms(&self, instant: Mono, newest: Mono) -> u64 {
        if newest <= instant {
            return instant.since_ms(newest);
        }
        let inside = self.gaps.iter().rev().find(|(last, next)| *last < instant && instant < *next);
        inside.map_or(0, |(last, _)| instant.since_ms(*last))
    }

    /// What was so at `instant`.
    #[must_use]
    pub fn at(&self, instant: Mono) -> Whereabouts {
        let after = self.segments.partition_point(|segment| segment.from <= instant);
        match after.checked_sub(1).and_then(|at| self.segments.get(at)) {
            Some(segment) => segment.whereabouts,
            None => Whereabouts::Unknown,
        }
    }

    /// The segments, oldest first.
    pub fn segments(&self) -> impl Iterator<Item = &Segment> {
        self.segments.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_instant_gets_what_was_told_of_it_last() {
        let here = LatLon::new(1.0, 2.0).unwrap_or_else(|| unreachable!());
        let road = |measured| Whereabouts::Underway { position: here, radius95_m: 9.0, measured };
        let mut timeline = Timeline::default();
        assert_eq!(timeline.at(Mono(5)), Whereabouts::Unknown);
        timeline.tell(Mono(10), road(Mono(10)));
        timeline.tell(Mono(20), Whereabouts::Unknown);
        assert_eq!(timeline.at(Mono(9)), Whereabouts::Unknown);
        assert_eq!(timeline.at(Mono(19)), road(Mono(10)));
        timeline.tell(Mono(15), road(Mono(15)));
        assert_eq!(timeline.at(Mono(25)), road(Mono(15)), "the later decision replaces what was told of 20");
    }
}
