//! Holds what the receiver has against what the simulator knows. It uses nothing that the agent says of itself.

use super::track::{Phase, Track};
use crate::geo::LatLon;
use std::collections::{BTreeMap, BTreeSet};

/// One read that the agent answered with "accepted".
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// Its id.
    pub id: String,
    /// Capture time, ms of the script.
    pub at_ms: u64,
    /// Whether it was a hit.
    pub hit: bool,
}

/// One read event in the receiver's database, with the newest stamp that the receiver has.
#[derive(Clone, Debug, PartialEq)]
pub struct Received {
    /// Its id.
    pub id: String,
    /// When the receiver stored it, ms of the script.
    pub at_ms: u64,
    /// `site`, `underway` or `unknown`.
    pub spot: String,
    /// `certain`, `doubtful` or `none`.
    pub state: String,
    /// Site number, if the spot is a site.
    pub site: Option<u64>,
    /// Stamped position.
    pub position: Option<LatLon>,
    /// `confirmed`, `unconfirmed` or `missing`.
    pub line_state: String,
}

/// What the judge found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verdict {
    /// Reads answered "accepted".
    pub reads_taken: usize,
    /// Of these, how many the receiver has.
    pub reads_received: usize,
    /// Rows beyond the first for one id, and rows of reads that nobody took.
    pub duplicates_visible: usize,
    /// Numbers up to the highest known one that the receiver has not got.
    pub sequences_missing: u64,
    /// Stamped at a site where the trailer was not, or at a wrong live position, or with a person's line out of its
    /// place.
    pub reads_with_wrong_site: usize,
    /// Reads captured on the way that are stamped `underway`.
    pub reads_underway: usize,
    /// Capture to receipt of hits captured outside the outage, 95th percentile, nearest rank, ms.
    pub alert_latency_ms_p95: Option<u64>,
    /// Why it failed, one sentence each, without plates.
    pub faults: Vec<String>,
}

impl Verdict {
    /// Nothing lost, doubled or wrongly stamped.
    #[must_use]
    pub fn is_good(&self) -> bool {
        self.faults.is_empty()
    }
}

/// How far a certain stamp may lie from the truth, metres: the default move threshold. The script's receiver errs by
/// under 10 m
/// and a capture time by under 100 ms, so that more is a fault of the agent.
pub const WRONG_FROM_M: f64 = 50.0;

/// Judges. `sequences` are those of all events that the receiver has or that a ledger event explains, `up_to` the
/// highest number
/// that any batch spoke of; `outage_ms` is the span of the script in which the link was cut.
#[must_use]
pub fn judge(
    track: &Track,
    taken: &[Taken],
    received: &[Received],
    sequences: &BTreeSet<u64>,
    up_to: u64,
    outage_ms: (u64, u64),
) -> Verdict {
    let mut by_id: BTreeMap<&str, Vec<&Received>> = BTreeMap::new();
    for row in received {
        by_id.entry(&row.id).or_default().push(row);
    }
    let mut verdict = Verdict { reads_taken: taken.len(), ..Verdict::default() };
    let mut latencies_ms = Vec::new();
    for read in taken {
        let Some(rows) = by_id.remove(read.id.as_str()) else {
            verdict.faults.push(format!("read {} was accepted and is not at the receiver", read.id));
            continue;
        };
        verdict.reads_received += 1;
        if 1 < rows.len() {
            verdict.duplicates_visible += rows.len() - 1;
            verdict.faults.push(format!("read {} is at the receiver {} times", read.id, rows.len()));
        }
        for row in rows {
            if row.spot == "underway" && track.at(read.at_ms).phase == Phase::Towed {
                verdict.reads_underway += 1;
            }
            if let Some(fault) = wrong_stamp(track, read, row) {
                verdict.reads_with_wrong_site += 1;
                verdict.faults.push(fault);
            }
            let cut = outage_ms.0 <= read.at_ms && read.at_ms < outage_ms.1;
            if read.hit && !cut {
                latencies_ms.push(row.at_ms.saturating_sub(read.at_ms));
            }
        }
    }
    for (id, rows) in by_id {
        verdict.duplicates_visible += rows.len();
        verdict.faults.push(format!("event {id} at the receiver is no read that was accepted"));
    }
    verdict.sequences_missing = (1..=up_to).filter(|number| !sequences.contains(number)).map(|_| 1).sum();
    if 0 < verdict.sequences_missing {
        verdict.faults.push(format!("{} numbers up to {up_to} are missing", verdict.sequences_missing));
    }
    latencies_ms.sort_unstable();
    let rank = (latencies_ms.len() * 95).div_ceil(100).saturating_sub(1);
    verdict.alert_latency_ms_p95 = latencies_ms.get(rank).copied();
    verdict
}

/// Says what is wrong with a stamp; doubt and "unknown" are honest and never wrong here.
fn wrong_stamp(track: &Track, read: &Taken, row: &Received) -> Option<String> {
    let truth = track.at(read.at_ms);
    let told = format!("read {} at {:.1} s", read.id, std::time::Duration::from_millis(read.at_ms).as_secs_f64());
    if row.state != "certain" {
        return (row.line_state == "confirmed").then(|| format!("{told} shows a confirmed line with a doubtful stamp"));
    }
    let Some(position) = row.position else {
        return Some(format!("{told} is stamped certain without a position"));
    };
    let off_m = position.distance_m(truth.position);
    if WRONG_FROM_M < off_m {
        return Some(format!("{told} is stamped {} {off_m:.0} m from where the trailer was", row.spot));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::track::Leg;

    fn track() -> Track {
        let start = LatLon::new(44.5102, -38.1987).unwrap_or_else(|| unreachable!());
        let legs = vec![Leg { azimuth_deg: 60.0, length_m: 300.0 }];
        Track { start, tow_at_ms: 10_000, legs, speed_mps: 16.0, accel_mps2: 4.0 }
    }

    fn taken(id: &str, at_ms: u64) -> Taken {
        Taken { id: id.to_owned(), at_ms, hit: true }
    }

    fn received(id: &str, position: LatLon, spot: &str) -> Received {
        Received {
            id: id.to_owned(),
            at_ms: 9_000,
            spot: spot.to_owned(),
            state: "certain".to_owned(),
            site: Some(1),
            position: Some(position),
            line_state: "unconfirmed".to_owned(),
        }
    }

    #[test]
    fn a_true_story_is_found_good() {
        let track = track();
        let rows =
            [received("a", track.at(5_000).position, "site"), received("b", track.at(20_000).position, "underway")];
        let verdict =
            judge(&track, &[taken("a", 5_000), taken("b", 20_000)], &rows, &BTreeSet::from([1, 2]), 2, (0, 0));
        assert_eq!(verdict.faults, Vec::<String>::new());
        assert_eq!((verdict.reads_received, verdict.reads_underway, verdict.alert_latency_ms_p95), (2, 1, Some(4_000)));
    }

    #[test]
    fn lost_doubled_and_wrongly_stamped_reads_are_each_found() {
        let track = track();
        let here = track.at(0).position;
        let all = BTreeSet::from([1]);
        let lost = judge(&track, &[taken("a", 5_000)], &[], &all, 1, (0, 0));
        assert_eq!((lost.reads_received, lost.is_good()), (0, false));
        let twice = [received("a", here, "site"), received("a", here, "site")];
        assert_eq!(judge(&track, &[taken("a", 5_000)], &twice, &all, 1, (0, 0)).duplicates_visible, 1);
        let foreign = [received("z", here, "site")];
        assert_eq!(judge(&track, &[], &foreign, &all, 1, (0, 0)).duplicates_visible, 1);
        let old_site = [received("a", here, "site")];
        assert_eq!(judge(&track, &[taken("a", 30_000)], &old_site, &all, 1, (0, 0)).reads_with_wrong_site, 1);
        let gap = judge(&track, &[], &[], &all, 3, (0, 0));
        assert_eq!((gap.sequences_missing, gap.is_good()), (2, false));
    }
}
