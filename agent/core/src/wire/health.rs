//! `health.json`: one snapshot of a trailer with its figures. `docs/schema/health.v1.json` is its schema.
//!
//! What people wrote and what devices said is cleaned of control and direction-changing characters before it gets in
//! here, so that a terminal or a page can show it. No field holds a plate.

mod fill;

use super::duty::{AckBody, OffBody};
use super::health_link::LinkBody;
use super::ready::ReadyBody;
use crate::health::zone::{Zone, ZoneChange};
use crate::health::{Observations, Snapshot};
use crate::ids::printable;
use crate::moment::Utc;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Name and version of the format. A reader refuses to judge by any other.
pub const FORMAT: &str = "pintle.health.v1";

/// How many former sites are told (our own limit: what a map can show).
pub const FORMER_SITES_MAX: usize = 20;

/// What people wrote is cut to this many characters. Source: design of the look, section 9.
pub const PEOPLES_TEXT_MAX: usize = 160;

/// One snapshot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HealthBody {
    /// [`FORMAT`].
    pub format: String,
    /// Number of this snapshot since the start of the process; all files of one snapshot carry the same.
    pub generation: u64,
    /// Who.
    pub trailer: TrailerBody,
    /// `starting`, `running` or `stopped`.
    pub life: String,
    /// `fine`, `look` or `act`.
    pub word: String,
    /// One sentence with the next step.
    pub sentence: String,
    /// When it was written, RFC 3339.
    pub written: String,
    /// Until when it may be believed, RFC 3339.
    pub valid_until: String,
    /// Which run of the computer and of the program wrote it.
    pub process: ProcessBody,
    /// Reading is paused; absent while the trailer is on duty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off_duty: Option<OffBody>,
    /// What people must do, most urgent first; what somebody has in hand comes last.
    pub needs: Vec<NeedBody>,
    /// The parts of the trailer in words.
    pub sections: Vec<SectionBody>,
    /// Where it stands, in figures.
    pub place: PlaceFigures,
    /// What an alert calls each camera.
    pub place_lines: Vec<LineBody>,
    /// What became of every event; absent if the queue gives no figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ledger: Option<LedgerBody>,
    /// The way to the receiver.
    pub receiver: ReceiverBody,
    /// The tether.
    pub link: LinkBody,
    /// The cameras.
    pub cameras: Vec<CameraBody>,
    /// What the intake took and refused; absent in files of an older program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intake: Option<IntakeBody>,
    /// The switches of mast, axle lock and stabilisers; absent if none is configured.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub inputs: Vec<InputBody>,
    /// The computer.
    pub computer: ComputerBody,
    /// What changed lately, oldest first.
    pub changes: Vec<ChangeBody>,
    /// Whether a technician may leave; absent in files of an older program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ready: Option<ReadyBody>,
}

/// Who a trailer is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrailerBody {
    /// Its name in the configuration.
    pub id: String,
    /// As painted.
    pub label: String,
    /// The zone of its place; absent if none is configured. All times in the file are UTC all the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<ZoneBody>,
}

/// The zone of the place, with its changes around the time of writing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ZoneBody {
    /// IANA name.
    pub name: String,
    /// Rising by time; the first holds before it as well.
    pub changes: Vec<ZoneChangeBody>,
}

/// From this instant on another offset holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ZoneChangeBody {
    /// The instant, RFC 3339.
    pub from: String,
    /// Local time less UTC, s.
    pub offset_s: i32,
    /// What people call it then.
    pub short: String,
}

impl ZoneBody {
    fn of(zone: &Zone, now: Utc) -> Option<Self> {
        let change = |change: &ZoneChange| ZoneChangeBody {
            from: change.from.to_rfc3339(),
            offset_s: change.offset_s,
            short: printable(&change.short, 10),
        };
        let changes: Vec<ZoneChangeBody> = zone.around(now).changes.iter().map(change).collect();
        (!changes.is_empty()).then(|| Self { name: printable(&zone.name, 40), changes })
    }

    /// The zone for people's times. A change that can't be read is left out.
    #[must_use]
    pub fn zone(&self) -> Zone {
        let change = |change: &ZoneChangeBody| {
            // No clock on earth is farther than a day from UTC.
            let offset_s = Some(change.offset_s).filter(|offset_s| offset_s.unsigned_abs() < 86_400)?;
            let from = Utc::parse_rfc3339(&change.from)?;
            Some(ZoneChange { from, offset_s, short: printable(&change.short, 10) })
        };
        Zone { name: printable(&self.name, 40), changes: self.changes.iter().filter_map(change).collect() }
    }
}

/// Which run wrote the snapshot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProcessBody {
    /// The kernel's id of this boot; empty if unknown.
    pub boot_id: String,
    /// When the process started, RFC 3339.
    pub started: String,
    /// The boot-time clock when the snapshot was written, ms. Comparable only within one boot.
    pub boot_clock_ms: u64,
    /// Version of the program.
    pub version: String,
}

/// Something that a person must do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeedBody {
    /// Name of the rule.
    pub code: String,
    /// Number of the section that tells more.
    pub section: u8,
    /// `look` or `act`.
    pub urgency: String,
    /// The next step.
    pub what: String,
    /// Why.
    pub why: String,
    /// How.
    #[serde(rename = "do")]
    pub how: String,
    /// Since when, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<String>,
    /// By when, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Who has it in hand; absent if nobody has said so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acknowledged: Option<AckBody>,
}

/// One section in words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SectionBody {
    /// 1 to 12.
    pub no: u8,
    /// Short name.
    pub key: String,
    /// Title.
    pub title: String,
    /// `fine`, `look`, `act`, `unknown` or `not fitted`.
    pub state: String,
    /// The answer in a few words.
    pub answer: String,
    /// More.
    pub detail: String,
    /// A sentence to read aloud.
    pub sentence: String,
    /// The figures in words.
    pub rows: Vec<RowBody>,
}

/// A figure in words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RowBody {
    /// What is told.
    pub label: String,
    /// The value.
    pub value: String,
    /// What puts it in its place.
    pub note: String,
}

/// Where the trailer is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlaceFigures {
    /// `searching`, `settling`, `anchored`, `doubtful`, `underway` or `not fitted`.
    pub state: String,
    /// Whether a fix since the start has agreed.
    pub verified: bool,
    /// Farther than this counts as moved, m.
    pub move_threshold_m: f64,
    /// The current site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<SiteBody>,
    /// What is known of the place while it settles; absent once a site is found, and on the move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub estimate: Option<EstimateBody>,
    /// The newest good fix.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fix: Option<FixBody>,
    /// Since when it has left a site and not arrived, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adrift_since: Option<String>,
    /// The announced tow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tow: Option<TowFigures>,
    /// Former sites, oldest first.
    pub former_sites: Vec<SiteBody>,
    /// The way of the last move, or of the one that goes on; absent if none was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_move: Option<MoveBody>,
}

/// The way from one site to the next, thinned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MoveBody {
    /// Number of the site that was left.
    pub from: u64,
    /// Number of the site that was reached; absent on the way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<u64>,
    /// Metres along what was seen.
    pub seen_m: f64,
    /// Whether a stretch of the way was not seen.
    pub gaps: bool,
    /// The stretches that were seen, each a list of longitude and latitude, WGS 84 degrees, as in `GeoJSON`.
    pub parts: Vec<Vec<[f64; 2]>>,
}

/// An announced tow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TowFigures {
    /// Who announced or extended it.
    pub by: String,
    /// Why; may be empty.
    pub reason: String,
    /// When that was, RFC 3339.
    pub announced: String,
    /// When it ends by itself, RFC 3339.
    pub until: String,
    /// How long that is from the writing on, s.
    pub left_s: u64,
}

/// One stay at one place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SiteBody {
    /// Its number.
    pub id: u64,
    /// Latitude, WGS 84 degrees.
    pub lat: f64,
    /// Longitude, WGS 84 degrees.
    pub lon: f64,
    /// 95 % radius, m.
    pub radius95_m: f64,
    /// When it arrived, RFC 3339.
    pub arrived: String,
    /// When it left, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<String>,
    /// Metres east of the current position; absent if that is unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub east_m: Option<f64>,
    /// Metres north of the current position.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub north_m: Option<f64>,
}

/// A provisional place, with less and less doubt about it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EstimateBody {
    /// Latitude, WGS 84 degrees.
    pub lat: f64,
    /// Longitude, WGS 84 degrees.
    pub lon: f64,
    /// 95 % radius, m.
    pub radius95_m: f64,
}

/// One fix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FixBody {
    /// Latitude, WGS 84 degrees.
    pub lat: f64,
    /// Longitude, WGS 84 degrees.
    pub lon: f64,
    /// Age when the snapshot was written, s.
    pub age_s: f64,
    /// Satellites used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub satellites: Option<u8>,
    /// Horizontal dilution of precision.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hdop: Option<f64>,
}

/// What an alert calls one camera.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineBody {
    /// Which camera.
    pub camera: String,
    /// Its label.
    pub label: String,
    /// `confirmed`, `unconfirmed` or `missing`.
    pub state: String,
    /// Road; empty if there is no line.
    pub road: String,
    /// Cross street; may be empty.
    pub cross_street: String,
    /// Direction of travel; may be empty.
    pub direction: String,
    /// Who wrote or confirmed it; may be empty.
    pub by: String,
    /// When, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// `here`: it was said at this site; `carried`: it was true elsewhere; `returned`: it was said at an earlier stay
    /// at this place. Absent without a line, and in files of an older program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// A sum that closes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LedgerBody {
    /// Generation of the queue.
    pub queue_generation: String,
    /// Accepted; also the highest sequence.
    pub accepted_up_to: u64,
    /// With a receipt.
    pub delivered: u64,
    /// Without one yet.
    pub waiting: u64,
    /// Gone at their age limit.
    pub expired: u64,
    /// Gone for space.
    pub evicted: u64,
    /// Refused by the receiver.
    pub refused: u64,
    /// In none of these accounts; anything but zero is a fault.
    pub not_accounted: i64,
    /// Urgent ones among the waiting.
    pub waiting_urgent: u64,
    /// When the oldest waiting one was accepted, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oldest_waiting: Option<String>,
    /// What is held for cases; left out if nothing is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds: Option<HoldsBody>,
    /// What became of the files of pictures; left out if there never were any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pictures: Option<PicturesBody>,
    /// Bytes of the queue on disk.
    pub bytes_on_disk: u64,
    /// Free bytes on that disk.
    pub disk_free_bytes: u64,
    /// Size of that disk, bytes.
    pub disk_bytes: u64,
}

/// Files of pictures by account; `kept` is the sum of the others.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PicturesBody {
    /// Ever accepted with a read of this queue.
    pub kept: u64,
    /// At the receiver.
    pub sent: u64,
    /// May still go.
    pub waiting: u64,
    /// Gone at their age limit.
    pub expired: u64,
    /// Gone for space.
    pub evicted: u64,
    /// Not taken by the receiver.
    pub refused: u64,
    /// The way carries none.
    pub not_carried: u64,
    /// Gone or cut on this disk.
    pub lost: u64,
}

/// Holds, without what they are about.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HoldsBody {
    /// How many hold.
    pub count: u64,
    /// When the next one ends, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_end: Option<String>,
    /// Reads past their age limit that they keep.
    pub kept: u64,
    /// Of those, reads outside all windows whose content key opens reads within.
    pub over_kept: u64,
}

/// The way to the receiver.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReceiverBody {
    /// Whether one is configured.
    pub fitted: bool,
    /// Whether it gives a receipt for each event.
    pub proven: bool,
    /// When the last receipt came, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_receipt: Option<String>,
    /// Since when tries have failed, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub failing_since: Option<String>,
    /// Tries that failed in a row.
    pub failures_in_a_row: u32,
    /// Events that a broker or the courier's stick has and that have no receipt yet; left out if there are none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub handed_over: Option<u64>,
    /// Capture to receipt of the newest hits, ms.
    pub hit_latency_ms: Vec<u64>,
    /// The second receiver, for urgent events; left out if none is configured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relay: Option<RelayBody>,
}

/// The second receiver.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RelayBody {
    /// The first one fails or is late just now: urgent events go to the second as they come.
    pub active: bool,
    /// Events that it has taken since the start.
    pub relayed: u64,
    /// Events that it has refused since the start.
    pub refused: u64,
    /// Hits that it had before the first receiver, since the start: their time ends with its receipt.
    #[serde(default)]
    pub hits_first: u64,
    /// When its last receipt came, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_receipt: Option<String>,
    /// Since when tries have failed, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failing_since: Option<String>,
}

/// One camera.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CameraBody {
    /// Its name.
    pub id: String,
    /// Its label.
    pub label: String,
    /// Reads since the start.
    pub reads: u64,
    /// Hits among them.
    pub hits: u64,
    /// When the last one was accepted, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_read: Option<String>,
}

/// What the intake took and refused.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct IntakeBody {
    /// Requests, and files of the spool folder, accepted since the start.
    pub accepted: u64,
    /// The same refused, by the kind of the refusal.
    pub refused: BTreeMap<String, u64>,
    /// Reads refused in the life of the queue because their id was that of an earlier one.
    pub id_conflicts: u64,
    /// `watched`; `failing`, also if only some files can't be read; absent if no spool folder is configured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spool: Option<String>,
    /// Refused files that were let go before their time since the start.
    pub refused_dropped: u64,
}

/// A switch that says whether the trailer may be moved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputBody {
    /// `mast`, `axle_lock` or `stabilisers`.
    pub kind: String,
    /// `safe` to be moved, `unsafe` or `unknown`.
    pub state: String,
    /// How it stands, or why nobody can tell.
    pub text: String,
    /// Since when, RFC 3339.
    pub since: String,
}

/// The computer and its clock. What is not known is absent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComputerBody {
    /// `gps`, `network`, `holdover` or `unset`.
    pub clock_trust: String,
    /// Host UTC less GPS UTC, ms.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_offset_ms: Option<i64>,
    /// How far the host's UTC may be off, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_error_ms: Option<u64>,
    /// How far the comparisons with the source of time scatter, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_jitter_ms: Option<u64>,
    /// The feed for chrony: `waiting`, `given` or `unheard`; absent if it is not configured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_feed: Option<String>,
    /// Mean runnable tasks, one minute.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load1: Option<f64>,
    /// Memory, bytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub memory_bytes: Option<u64>,
    /// Memory that can be had, bytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub memory_free_bytes: Option<u64>,
    /// Memory of this program, bytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub own_bytes: Option<u64>,
    /// Hottest sensor, degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Seconds since the computer was started.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uptime_s: Option<u64>,
}

/// Something that became so, or stopped being so.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangeBody {
    /// When, RFC 3339.
    pub at: String,
    /// Rule or subject.
    pub code: String,
    /// Whether somebody was needed because of it.
    pub urgent: bool,
    /// One sentence.
    pub text: String,
}

impl HealthBody {
    /// The body of one snapshot. `generation` counts the snapshots of this process.
    #[must_use]
    pub fn new(seen: &Observations<'_>, snapshot: &Snapshot, generation: u64) -> Self {
        let (facts, now) = (seen.facts, seen.now);
        let valid_until = now.utc.plus_ms(i64::from(facts.valid_s) * 1000);
        Self {
            format: FORMAT.to_owned(),
            generation,
            trailer: TrailerBody {
                id: facts.trailer.clone(),
                label: printable(&facts.label, 60),
                zone: ZoneBody::of(&facts.zone, now.utc),
            },
            life: seen.life.word().to_owned(),
            word: snapshot.word.word().to_owned(),
            sentence: snapshot.sentence.clone(),
            written: now.utc.to_rfc3339(),
            valid_until: valid_until.to_rfc3339(),
            process: ProcessBody {
                boot_id: facts.boot_id.clone(),
                started: facts.started.utc.to_rfc3339(),
                boot_clock_ms: now.mono.0,
                version: facts.version.clone(),
            },
            off_duty: seen.duty.off.as_ref().map(|off| OffBody::of(off, now.mono)),
            needs: snapshot.needs.iter().map(NeedBody::from).collect(),
            sections: snapshot.sections.iter().map(SectionBody::from).collect(),
            place: fill::place(seen),
            place_lines: fill::place_lines(seen),
            ledger: fill::ledger(seen),
            receiver: fill::receiver(seen),
            link: super::health_link::link(seen),
            cameras: fill::cameras(seen),
            intake: Some(fill::intake(seen)),
            inputs: fill::inputs(seen),
            computer: fill::computer(seen),
            changes: snapshot.changes.iter().map(ChangeBody::from).collect(),
            ready: Some(ReadyBody::from(&snapshot.ready)),
        }
    }

    /// When it was written; `None` if that is no time.
    #[must_use]
    pub fn written_at(&self) -> Option<Utc> {
        Utc::parse_rfc3339(&self.written)
    }

    /// Until when it may be believed; `None` if that is no time.
    #[must_use]
    pub fn valid_until_at(&self) -> Option<Utc> {
        Utc::parse_rfc3339(&self.valid_until)
    }
}
