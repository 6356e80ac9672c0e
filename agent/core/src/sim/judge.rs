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

/// What was done to the trailer, ms of the script.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Deeds {
    /// From when to when the link was cut.
    pub outage_ms: (u64, u64),
    /// When a person confirmed the place lines, where the trailer stood then; `None`: nobody did.
    pub lines_at_ms: Option<u64>,
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
    /// Stamped at a site where the trailer was not, at a wrong live position, as something that it did not do, or with
    /// a person's line out of its place.
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
/// that any batch spoke of. A run that shows no read, or none on the way, proves nothing and is not good.
#[must_use]
pub fn judge(
    track: &Track,
    taken: &[Taken],
    received: &[Received],
    sequences: &BTreeSet<u64>,
    up_to: u64,
    deeds: Deeds,
) -> Verdict {
    let mut by_id: BTreeMap<&str, Vec<&Received>> = BTreeMap::new();
    for row in received {
        by_id.entry(&row.id).or_default().push(row);
    }
    let mut verdict = Verdict { reads_taken: taken.len(), ..Verdict::default() };
    let mut latencies_ms = Vec::new();
    let mut sites = BTreeMap::new();
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
            let fault = wrong_stamp(track, read, row)
                .or_else(|| wrong_line(track, read, row, deeds.lines_at_ms))
                .or_else(|| wrong_site(track, read, row, &mut sites));
            if let Some(fault) = fault {
                verdict.reads_with_wrong_site += 1;
                verdict.faults.push(fault);
            }
            let cut = deeds.outage_ms.0 <= read.at_ms && read.at_ms < deeds.outage_ms.1;
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
    if taken.is_empty() {
        verdict.faults.push("no read was accepted, so that nothing is shown".to_owned());
    } else if verdict.reads_underway == 0 {
        verdict.faults.push("no read that was captured on the way is stamped underway".to_owned());
    }
    latencies_ms.sort_unstable();
    let rank = (latencies_ms.len() * 95).div_ceil(100).saturating_sub(1);
    verdict.alert_latency_ms_p95 = latencies_ms.get(rank).copied();
    verdict
}

/// Says what is wrong with a stamp; doubt and "unknown" are honest and never wrong here.
fn wrong_stamp(track: &Track, read: &Taken, row: &Received) -> Option<String> {
    let (truth, told) = (track.at(read.at_ms), told(read));
    if row.state != "certain" {
        return None;
    }
    let Some(position) = row.position else {
        return Some(format!("{told} is stamped certain without a position"));
    };
    let off_m = position.distance_m(truth.position);
    if WRONG_FROM_M < off_m {
        return Some(format!("{told} is stamped {} {off_m:.0} m from where the trailer was", row.spot));
    }
    // Near either end of the way a leaving can't be known yet, and a halt is one only after a while.
    let on_the_way = WRONG_FROM_M < truth.way_m && WRONG_FROM_M < track.length_m() - truth.way_m;
    match row.spot.as_str() {
        "site" if on_the_way => Some(format!("{told} is stamped at a site, and the trailer was on the way")),
        "site" | "underway" => None,
        _ => Some(format!("{told} is stamped certain and neither at a site nor underway")),
    }
}

/// Says what is wrong with a person's line: it is true where it was confirmed, and nowhere else.
fn wrong_line(track: &Track, read: &Taken, row: &Received, lines_at_ms: Option<u64>) -> Option<String> {
    let told = told(read);
    if row.line_state != "confirmed" {
        return None;
    }
    if row.state != "certain" {
        return Some(format!("{told} shows a confirmed line with a doubtful stamp"));
    }
    let Some(lines_at_ms) = lines_at_ms else {
        return Some(format!("{told} shows a confirmed line, and nobody confirmed one"));
    };
    let off_m = track.at(lines_at_ms).position.distance_m(track.at(read.at_ms).position);
    (WRONG_FROM_M < off_m).then(|| format!("{told} shows a line that was confirmed {off_m:.0} m from there"))
}

/// Says whether one site is told for two places. `sites` holds where each was seen first.
fn wrong_site(track: &Track, read: &Taken, row: &Received, sites: &mut BTreeMap<u64, LatLon>) -> Option<String> {
    if (row.state.as_str(), row.spot.as_str()) != ("certain", "site") {
        return None;
    }
    let Some(site) = row.site else { return Some(format!("{} is stamped at a site without a number", told(read))) };
    let here = track.at(read.at_ms).position;
    // Twice: the trailer may have gone so far from either side of where the site was found.
    let off_m = sites.entry(site).or_insert(here).distance_m(here);
    (2.0 * WRONG_FROM_M < off_m)
        .then(|| format!("{} is stamped at site {site}, which is {off_m:.0} m away", told(read)))
}

fn told(read: &Taken) -> String {
    format!("read {} at {:.1} s", read.id, std::time::Duration::from_millis(read.at_ms).as_secs_f64())
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
            judge(&track, &[taken("a", 5_000), taken("b", 20_000)], &rows, &BTreeSet::from([1, 2]), 2, deeds());
        assert_eq!(verdict.faults, Vec::<String>::new());
        assert_eq!((verdict.reads_received, verdict.reads_underway, verdict.alert_latency_ms_p95), (2, 1, Some(4_000)));
    }

    fn deeds() -> Deeds {
        Deeds { outage_ms: (0, 0), lines_at_ms: Some(2_000) }
    }

    #[test]
    fn lost_doubled_and_wrongly_stamped_reads_are_each_found() {
        let track = track();
        let here = track.at(0).position;
        let all = BTreeSet::from([1]);
        let lost = judge(&track, &[taken("a", 5_000)], &[], &all, 1, deeds());
        assert_eq!((lost.reads_received, lost.is_good()), (0, false));
        let twice = [received("a", here, "site"), received("a", here, "site")];
        assert_eq!(judge(&track, &[taken("a", 5_000)], &twice, &all, 1, deeds()).duplicates_visible, 1);
        let foreign = [received("z", here, "site")];
        assert_eq!(judge(&track, &[], &foreign, &all, 1, deeds()).duplicates_visible, 1);
        let old_site = [received("a", here, "site")];
        assert_eq!(judge(&track, &[taken("a", 30_000)], &old_site, &all, 1, deeds()).reads_with_wrong_site, 1);
        let gap = judge(&track, &[], &[], &all, 3, deeds());
        assert_eq!((gap.sequences_missing, gap.is_good()), (2, false));
    }

    /// A story that is good but for what `change` does to its three reads: at the start, on the way, at the end.
    fn faults_after(deeds: Deeds, change: impl FnOnce(&mut [Received; 3])) -> Vec<String> {
        let (track, at_ms) = (track(), [5_000, 20_000, 60_000]);
        let mut rows =
            [("a", "site"), ("b", "underway"), ("c", "site")].map(|(id, spot)| received(id, track.start, spot));
        for (row, at_ms) in rows.iter_mut().zip(at_ms) {
            row.position = Some(track.at(at_ms).position);
        }
        (rows[0].line_state, rows[2].site) = ("confirmed".to_owned(), Some(2));
        change(&mut rows);
        let taken = [taken("a", at_ms[0]), taken("b", at_ms[1]), taken("c", at_ms[2])];
        judge(&track, &taken, &rows, &BTreeSet::from([1, 2, 3]), 3, deeds).faults
    }

    #[test]
    fn a_confirmed_line_is_true_where_it_was_confirmed_and_nowhere_else() {
        assert_eq!(faults_after(deeds(), |_| {}), [""; 0]);
        let elsewhere = faults_after(deeds(), |rows| rows[2].line_state = "confirmed".to_owned());
        assert_eq!(elsewhere, ["read c at 60.0 s shows a line that was confirmed 300 m from there"]);
        let on_the_way = faults_after(deeds(), |rows| rows[1].line_state = "confirmed".to_owned());
        assert!(on_the_way.len() == 1 && on_the_way[0].contains("shows a line that was confirmed"), "{on_the_way:?}");
        let doubtful = faults_after(deeds(), |rows| rows[0].state = "doubtful".to_owned());
        assert_eq!(doubtful, ["read a at 5.0 s shows a confirmed line with a doubtful stamp"]);
        let nobody = faults_after(Deeds { lines_at_ms: None, ..deeds() }, |_| {});
        assert_eq!(nobody, ["read a at 5.0 s shows a confirmed line, and nobody confirmed one"]);
    }

    #[test]
    fn what_a_stamp_says_the_trailer_did_is_judged_too() {
        let at_a_site = faults_after(deeds(), |rows| rows[1].spot = "site".to_owned());
        assert_eq!(at_a_site[0], "read b at 20.0 s is stamped at a site, and the trailer was on the way");
        let neither = faults_after(deeds(), |rows| rows[0].spot = "unknown".to_owned());
        assert_eq!(neither, ["read a at 5.0 s is stamped certain and neither at a site nor underway"]);
        let old_site = faults_after(deeds(), |rows| rows[2].site = Some(1));
        assert_eq!(old_site, ["read c at 60.0 s is stamped at site 1, which is 300 m away"]);
        let no_number = faults_after(deeds(), |rows| rows[0].site = None);
        assert_eq!(no_number, ["read a at 5.0 s is stamped at a site without a number"]);
    }

    #[test]
    fn a_run_that_shows_nothing_is_not_good() {
        let nothing = judge(&track(), &[], &[], &BTreeSet::new(), 0, deeds());
        assert_eq!(nothing.faults, ["no read was accepted, so that nothing is shown"]);
        let never_underway = faults_after(deeds(), |rows| {
            (rows[1].spot, rows[1].state) = ("unknown".to_owned(), "none".to_owned());
        });
        assert_eq!(never_underway, ["no read that was captured on the way is stamped underway"]);
    }
}
