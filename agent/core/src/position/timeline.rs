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
    /// Stretches without a fix, oldest first: last fix before if there was one in this boot, first fix after.
    gaps: VecDeque<(Option<Mono>, Mono)>,
    /// Up to here stretches without a fix were forgotten, so that nobody knows how old a fix was.
    forgotten_to: Mono,
    /// The last fix of an earlier keeper in this boot.
    seen_before: Option<Mono>,
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

    /// Remembers that no fix came after `last` until `next`; `None`: none had come before.
    pub fn unseen(&mut self, last: Option<Mono>, next: Mono) {
        if self.gaps.len() == Self::GAPS_KEPT
            && let Some((_, forgotten)) = self.gaps.pop_front()
        {
            self.forgotten_to = forgotten;
        }
        self.gaps.push_back((last, next));
    }

    /// An earlier keeper in this boot had its last fix then.
    pub fn seen_before(&mut self, last: Mono) {
        self.seen_before = Some(last);
    }

    /// The end of the newest stretch without a fix.
    #[must_use]
    pub fn unseen_last(&self) -> Option<Mono> {
        self.gaps.back().map(|gap| gap.1)
    }

    /// The last fix before a gap that ended at `next`.
    #[must_use]
    pub fn unseen_until(&self, next: Mono) -> Option<Mono> {
        self.gaps.back().filter(|gap| gap.1 == next).and_then(|gap| gap.0)
    }

    /// Age of the newest fix at `instant`, ms, given the newest fix since the start; under the length of a gap it is
    /// told as 0. `None`: no fix is known to have come before.
    #[must_use]
    pub fn fix_age_ms(&self, instant: Mono, newest: Option<Mono>) -> Option<u64> {
        let newest = newest.or(self.seen_before)?;
        if newest <= instant {
            return Some(instant.since_ms(newest));
        }
        if instant < self.forgotten_to {
            return None;
        }
        let inside = self.gaps.iter().rev().find(|gap| gap.0.is_none_or(|last| last < instant) && instant < gap.1);
        inside.map_or(Some(0), |(last, _)| last.map(|last| instant.since_ms(last)))
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
    #[must_use]
    pub fn segments(&self) -> impl DoubleEndedIterator<Item = &Segment> {
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

    #[test]
    fn the_age_of_a_fix_is_known_only_where_a_fix_is_known() {
        let mut timeline = Timeline::default();
        assert_eq!(timeline.fix_age_ms(Mono(5), None), None, "nothing has come");
        timeline.unseen(None, Mono(100));
        timeline.unseen(Some(Mono(200)), Mono(300));
        let age_ms = |timeline: &Timeline, at| timeline.fix_age_ms(Mono(at), Some(Mono(400)));
        assert_eq!(age_ms(&timeline, 50), None, "before the first fix");
        assert_eq!([150, 250, 350, 450].map(|at| age_ms(&timeline, at)), [Some(0), Some(50), Some(0), Some(50)]);
        for gap in 0..u64::try_from(Timeline::GAPS_KEPT).unwrap_or(0) - 1 {
            timeline.unseen(Some(Mono(1000 + gap)), Mono(1001 + gap));
        }
        assert_eq!(age_ms(&timeline, 50), None, "the first gap is forgotten, and with it that a fix was there");
        assert_eq!(age_ms(&timeline, 250), Some(50));
        timeline.seen_before(Mono(7));
        assert_eq!(timeline.fix_age_ms(Mono(19), None), Some(12), "an earlier keeper's fix counts until there is one");
    }
}
