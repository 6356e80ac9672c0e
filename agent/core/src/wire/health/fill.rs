//! How the parts of `health.json` are filled from what was observed.

use super::{
    AckBody, CameraBody, ChangeBody, ComputerBody, EstimateBody, FORMER_SITES_MAX, FixBody, HoldsBody, InputBody,
    IntakeBody, LedgerBody, LineBody, MoveBody, NeedBody, PEOPLES_TEXT_MAX, PicturesBody, PlaceFigures, ReceiverBody,
    RelayBody, RowBody, SectionBody, SiteBody, TowFigures,
};
use crate::cameras::SpoolView;
use crate::geo::{LatLon, LocalPlane};
use crate::health::{Change, Observations, Section};
use crate::ids::printable;
use crate::moment::{Mono, Utc};
use crate::position::Site;
use crate::position::clock_feed::ClockFeed;
use crate::position::places::LineState;
use crate::position::trail::Trail;

impl From<&crate::health::Need> for NeedBody {
    fn from(need: &crate::health::Need) -> Self {
        Self {
            code: need.code.to_owned(),
            section: need.section,
            urgency: need.urgency.word().to_owned(),
            what: clean(&need.what),
            why: clean(&need.why),
            how: clean(&need.how),
            since: need.since.map(Utc::to_rfc3339),
            by: need.by.map(Utc::to_rfc3339),
            acknowledged: need.ack.as_ref().map(AckBody::from),
        }
    }
}

impl From<&Section> for SectionBody {
    fn from(section: &Section) -> Self {
        let row = |row: &crate::health::Row| RowBody {
            label: clean(&row.label),
            value: clean(&row.value),
            note: clean(&row.note),
        };
        Self {
            no: section.no,
            key: section.key.to_owned(),
            title: section.title.to_owned(),
            state: section.state.word().to_owned(),
            answer: clean(&section.answer),
            detail: clean(&section.detail),
            sentence: clean(&section.sentence),
            rows: section.rows.iter().map(row).collect(),
        }
    }
}

impl From<&Change> for ChangeBody {
    fn from(change: &Change) -> Self {
        Self { at: change.at.to_rfc3339(), code: change.code.clone(), urgent: change.urgent, text: clean(&change.text) }
    }
}

impl ChangeBody {
    /// The change as the core remembers it; `None` if its time is no time.
    #[must_use]
    pub fn to_change(&self) -> Option<Change> {
        let at = Utc::parse_rfc3339(&self.at)?;
        Some(Change { at, code: printable(&self.code, 40), urgent: self.urgent, text: clean(&self.text) })
    }
}

/// Sentences may quote devices and people; 500 characters hold the longest of ours.
fn clean(text: &str) -> String {
    printable(text, 500)
}

fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale
}

fn seconds(now: Mono, at: Mono) -> f64 {
    // Tenths of a second fit into 32 bits for thirteen years; an age beyond that is told as that.
    f64::from(u32::try_from(now.since_ms(at) / 100).unwrap_or(u32::MAX)) / 10.0
}

fn site(site: &Site, plane: Option<&LocalPlane>) -> SiteBody {
    let offset = plane.map(|plane| plane.to_plane(site.position));
    SiteBody {
        id: site.id.0,
        lat: rounded(site.position.lat_deg(), 7),
        lon: rounded(site.position.lon_deg(), 7),
        radius95_m: rounded(site.radius95_m, 1),
        arrived: site.arrived.to_rfc3339(),
        left: site.left.map(Utc::to_rfc3339),
        east_m: offset.map(|(east_m, _)| rounded(east_m, 0)),
        north_m: offset.map(|(_, north_m)| rounded(north_m, 0)),
    }
}

pub(super) fn place(seen: &Observations<'_>) -> PlaceFigures {
    let position = seen.position;
    let here: Option<LatLon> =
        position.site.as_ref().map(|site| site.position).or(position.last_fix.map(|fix| fix.position));
    let plane = here.map(LocalPlane::new);
    let current = position.site.as_ref().map(|site| site.id);
    let former: Vec<&Site> = position.history.iter().filter(|site| Some(site.id) != current).collect();
    PlaceFigures {
        state: if seen.facts.gps_fitted { position.state.word() } else { "not fitted" }.to_owned(),
        verified: position.verified_since_start,
        move_threshold_m: seen.facts.move_threshold_m,
        site: position.site.as_ref().map(|current| site(current, plane.as_ref())),
        estimate: position.estimate.map(|(centre, radius95_m)| EstimateBody {
            lat: rounded(centre.lat_deg(), 7),
            lon: rounded(centre.lon_deg(), 7),
            radius95_m: rounded(radius95_m, 1),
        }),
        fix: position.last_fix.map(|fix| FixBody {
            lat: rounded(fix.position.lat_deg(), 7),
            lon: rounded(fix.position.lon_deg(), 7),
            age_s: seconds(seen.now.mono, fix.at),
            satellites: fix.satellites,
            hdop: fix.hdop,
        }),
        adrift_since: position.adrift.map(Utc::to_rfc3339),
        tow: position.tow.as_ref().map(|view| TowFigures {
            by: printable(&view.tow.by, 40),
            reason: printable(&view.tow.reason, PEOPLES_TEXT_MAX),
            announced: view.tow.announced.to_rfc3339(),
            until: view.tow.until.to_rfc3339(),
            left_s: view.ends.since_ms(seen.now.mono) / 1000,
        }),
        former_sites: former
            .iter()
            .skip(former.len().saturating_sub(FORMER_SITES_MAX))
            .map(|former| site(former, plane.as_ref()))
            .collect(),
        last_move: last_move(&position.trail),
    }
}

fn last_move(trail: &Trail) -> Option<MoveBody> {
    // Five decimals are about a metre, and more is nothing but noise.
    let point = |at: LatLon| [rounded(at.lon_deg(), 5), rounded(at.lat_deg(), 5)];
    Some(MoveBody {
        from: trail.from?.0,
        to: trail.to.map(|to| to.0),
        seen_m: rounded(trail.seen_m(), 0),
        gaps: trail.has_gaps(),
        parts: trail.parts().into_iter().map(|part| part.into_iter().map(point).collect()).collect(),
    })
}

pub(super) fn place_lines(seen: &Observations<'_>) -> Vec<LineBody> {
    let site = seen.position.site.as_ref().map(|site| site.id);
    let cut = |text: &str| printable(text, PEOPLES_TEXT_MAX);
    let line = |camera: &crate::cameras::CameraView| {
        let held = site.and_then(|site| seen.position.places.held(site, &camera.id));
        let (line, state) = (held.map(|held| &held.line), held.map_or(LineState::Missing, |held| held.state));
        LineBody {
            camera: camera.id.as_str().to_owned(),
            label: printable(&camera.label, 40),
            state: state.word().to_owned(),
            road: line.map_or_else(String::new, |line| cut(&line.road)),
            cross_street: line.map_or_else(String::new, |line| cut(&line.cross_street)),
            direction: line.map_or_else(String::new, |line| cut(&line.direction)),
            by: line.map_or_else(String::new, |line| printable(&line.by, 60)),
            at: line.map(|line| line.at.to_rfc3339()),
            origin: held.map(|held| held.origin.word().to_owned()),
        }
    };
    seen.intake.cameras.iter().map(line).collect()
}

pub(super) fn ledger(seen: &Observations<'_>) -> Option<LedgerBody> {
    let queue = seen.queue.ok()?;
    Some(LedgerBody {
        queue_generation: queue.generation.clone(),
        accepted_up_to: queue.counts.accepted,
        delivered: queue.counts.delivered,
        waiting: queue.counts.waiting,
        expired: queue.counts.expired,
        evicted: queue.counts.evicted,
        refused: queue.counts.refused,
        not_accounted: i64::try_from(queue.counts.not_accounted()).unwrap_or(i64::MAX),
        waiting_urgent: queue.waiting_urgent,
        oldest_waiting: queue.oldest_waiting.map(Utc::to_rfc3339),
        holds: (0 < queue.holds.count).then(|| HoldsBody {
            count: queue.holds.count,
            next_end: queue.holds.next_end.map(Utc::to_rfc3339),
            kept: queue.holds.kept,
            over_kept: queue.holds.over_kept,
        }),
        pictures: (0 < queue.pictures.kept).then(|| PicturesBody {
            kept: queue.pictures.kept,
            sent: queue.pictures.sent,
            waiting: queue.pictures.waiting(),
            expired: queue.pictures.expired,
            evicted: queue.pictures.evicted,
            refused: queue.pictures.refused,
            not_carried: queue.pictures.not_carried,
            lost: queue.pictures.lost,
        }),
        bytes_on_disk: queue.bytes_on_disk,
        disk_free_bytes: queue.disk_free_bytes,
        disk_bytes: queue.disk_bytes,
    })
}

pub(super) fn receiver(seen: &Observations<'_>) -> ReceiverBody {
    let forward = seen.forward;
    ReceiverBody {
        fitted: seen.facts.receiver_fitted,
        proven: seen.facts.receiver_proven,
        last_receipt: forward.last_receipt.map(|(_, utc)| utc.to_rfc3339()),
        failing_since: forward.failing_since.map(|(_, utc)| utc.to_rfc3339()),
        failures_in_a_row: forward.failures_in_a_row,
        handed_over: Some(forward.handed_over).filter(|count| 0 < *count),
        hit_latency_ms: forward.hit_latency_ms.clone(),
        relay: forward.relay.as_ref().map(|relay| RelayBody {
            active: relay.active,
            relayed: relay.relayed,
            hits_first: relay.hits_first,
            refused: relay.refused,
            last_receipt: relay.last_receipt.map(|(_, utc)| utc.to_rfc3339()),
            failing_since: relay.failing_since.map(|(_, utc)| utc.to_rfc3339()),
        }),
    }
}

pub(super) fn cameras(seen: &Observations<'_>) -> Vec<CameraBody> {
    let camera = |camera: &crate::cameras::CameraView| CameraBody {
        id: camera.id.as_str().to_owned(),
        label: printable(&camera.label, 40),
        reads: camera.reads,
        hits: camera.hits,
        last_read: camera.last_read.map(|(_, utc)| utc.to_rfc3339()),
    };
    seen.intake.cameras.iter().map(camera).collect()
}

pub(super) fn intake(seen: &Observations<'_>) -> IntakeBody {
    let intake = seen.intake;
    let spool = match intake.spool {
        SpoolView::None => None,
        SpoolView::Watched => Some("watched"),
        SpoolView::Unreadable { .. } | SpoolView::Failing(_) => Some("failing"),
    };
    IntakeBody {
        accepted: intake.accepted,
        refused: intake.refusals.by_kind.clone(),
        id_conflicts: intake.id_conflicts,
        spool: spool.map(str::to_owned),
        refused_dropped: intake.refused_dropped,
    }
}

pub(super) fn inputs(seen: &Observations<'_>) -> Vec<InputBody> {
    let input = |input: &crate::inputs::Input| InputBody {
        kind: input.kind.word().to_owned(),
        state: input.state.word().to_owned(),
        text: clean(&input.words()),
        since: input.since.to_rfc3339(),
    };
    seen.inputs.inputs.iter().map(input).collect()
}

pub(super) fn computer(seen: &Observations<'_>) -> ComputerBody {
    let host = seen.host;
    ComputerBody {
        clock_trust: seen.position.utc_trust.word().to_owned(),
        clock_offset_ms: seen.position.clock_offset.map(|(offset_ms, _)| offset_ms),
        clock_error_ms: seen.position.clock_error_ms,
        clock_jitter_ms: seen.position.true_time.map(|told| told.jitter_ms),
        clock_feed: Some(&seen.position.clock_feed)
            .filter(|feed| **feed != ClockFeed::NotFitted)
            .map(|feed| feed.word().to_owned()),
        load1: host.load1.map(|load| rounded(load, 2)),
        memory_bytes: host.memory_bytes,
        memory_free_bytes: host.memory_free_bytes,
        own_bytes: host.own_bytes,
        temperature_c: host.temperature_c.map(|c| rounded(c, 1)),
        uptime_s: host.uptime_s,
    }
}
