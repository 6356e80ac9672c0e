//! The keeper's memory as it is stored, JSON, and its way back. What can't be read back is refused whole: a keeper that
//! starts from nothing finds its site again in minutes, one that starts from half a memory may be wrong for hours.

use crate::geo::LatLon;
use crate::ids::{CameraId, SiteId};
use crate::moment::{Mono, Utc};
use crate::position::Site;
use crate::position::anchor::AnchorMemory;
use crate::position::keeper::memory::{KeeperMemory, KeptSite, SeenAtSite};
use crate::position::keeper::noise::NoiseMemory;
use crate::position::keeper::{TOW_S_MAX, Tow};
use crate::position::places::{
    LineChange, LineOrigin, LineState, PlaceLine, PlaceTable, RETURN_M, SiteLine, SiteLines,
};
use crate::position::trail::{Trail, TrailPoint};
use serde::{Deserialize, Serialize};

/// Version of this form.
pub const FORMAT: u32 = 1;

/// Why a stored memory was not taken.
#[derive(Debug, thiserror::Error)]
pub enum KeeperMemoryError {
    /// Not JSON of this form.
    #[error("the stored state of the site keeper can't be read")]
    Unreadable(#[source] serde_json::Error),
    /// Written by another version.
    #[error("the stored state of the site keeper has format {found}, and this program reads {FORMAT}")]
    OtherFormat {
        /// Its format.
        found: u32,
    },
    /// A value outside its range.
    #[error("the stored state of the site keeper has a {what} outside its range")]
    OutOfRange {
        /// Which value.
        what: &'static str,
    },
}

impl KeeperMemoryError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        "the keeper starts from nothing and finds the site again; write the place lines again"
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct MemoryBody {
    format: u32,
    next_site: u64,
    kept: Option<KeptBody>,
    adrift: bool,
    tow: Option<TowBody>,
    history: Vec<SiteRow>,
    places: Vec<LinesBody>,
    changes: Vec<ChangeBody>,
    noise_p50_mps: f64,
    noise_p95_mps: f64,
    /// Absent in memories of an older program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    trail: Option<TrailBody>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TrailBody {
    from: u64,
    to: Option<u64>,
    /// Each with whether the way to it was seen.
    points: Vec<(Point, bool)>,
}

#[derive(Clone, Copy, Serialize, Deserialize)]
struct Point(f64, f64);

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SiteRow {
    site: u64,
    at: Point,
    radius95_m: f64,
    arrived_ms: i64,
    left_ms: Option<i64>,
    found_by: String,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptBody {
    site: SiteRow,
    home: Point,
    anchor: Point,
    weight_s: f64,
    variance_east_m2: f64,
    variance_north_m2: f64,
    expected_sigma_m: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TowBody {
    by: String,
    announced_ms: i64,
    until_ms: i64,
    #[serde(default)]
    reason: String,
    #[serde(default)]
    dated: bool,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LinesBody {
    site: u64,
    /// Where the lines are (or were) true, and from which site they come, but for those that say it themselves. An
    /// older program has one of each for all lines.
    at: Point,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    carried_from: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    returned_from: Option<u64>,
    lines: Vec<LineBody>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LineBody {
    camera: String,
    road: String,
    cross_street: String,
    direction: String,
    by: String,
    at_ms: i64,
    confirmed: bool,
    /// What is otherwise than for the first line of the site. Absent in memories of an older program, which can read a
    /// memory without it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    own: Option<OwnBody>,
}

/// Where one line is (or was) true, and from which site it comes; from none: it was said at this one.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OwnBody {
    at: Point,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    carried_from: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    returned_from: Option<u64>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ChangeBody {
    site: u64,
    camera: String,
    text: String,
    what: String,
    by: String,
    at_ms: i64,
}

/// The memory as bytes to store.
#[must_use]
pub fn to_bytes(memory: &KeeperMemory) -> Vec<u8> {
    let body = MemoryBody {
        format: FORMAT,
        next_site: memory.next_site.0,
        kept: memory.kept.as_ref().map(|kept| KeptBody {
            site: row(&kept.site),
            home: point(kept.home),
            anchor: point(kept.anchor.position),
            weight_s: kept.anchor.weight_s,
            variance_east_m2: kept.anchor.variance_m2.0,
            variance_north_m2: kept.anchor.variance_m2.1,
            expected_sigma_m: kept.anchor.expected_sigma_m,
        }),
        adrift: memory.adrift,
        tow: memory.tow.as_ref().map(|tow| TowBody {
            by: tow.by.clone(),
            announced_ms: tow.announced.0,
            until_ms: tow.until.0,
            reason: tow.reason.clone(),
            dated: tow.dated,
        }),
        history: memory.history.iter().map(row).collect(),
        places: memory.places.sites.iter().filter_map(|(site, lines)| lines_body(*site, lines)).collect(),
        changes: memory.places.changes.iter().map(change_body).collect(),
        noise_p50_mps: memory.noise.p50_mps,
        noise_p95_mps: memory.noise.p95_mps,
        trail: trail_body(&memory.trail),
    };
    // Plain structs of numbers and texts always serialise.
    serde_json::to_vec(&body).unwrap_or_default()
}

/// The memory from stored bytes.
///
/// # Errors
/// [`KeeperMemoryError`] if the bytes are not of this form and version, or a value is outside its range.
pub fn from_bytes(bytes: &[u8]) -> Result<KeeperMemory, KeeperMemoryError> {
    let body: MemoryBody = serde_json::from_slice(bytes).map_err(KeeperMemoryError::Unreadable)?;
    if body.format != FORMAT {
        return Err(KeeperMemoryError::OtherFormat { found: body.format });
    }
    let kept = body.kept.map(kept_from).transpose()?;
    let history = body.history.into_iter().map(site_from).collect::<Result<Vec<_>, _>>()?;
    let mut places = PlaceTable::default();
    let stood = |id: SiteId| kept.iter().map(|kept| &kept.site).chain(&history).find(|site| site.id == id);
    for lines in body.places.into_iter().filter(|lines| !lines.lines.is_empty()) {
        let site = SiteId(lines.site);
        let lines = lines_from(lines, stood(site).map(|site| site.position))?;
        places.sites.insert(site, lines);
    }
    for change in body.changes {
        places.changes.push_back(LineChange {
            site: SiteId(change.site),
            camera: camera(&change.camera)?,
            text: change.text,
            what: change.what,
            by: change.by,
            at: Utc(change.at_ms),
        });
    }
    Ok(KeeperMemory {
        next_site: SiteId(body.next_site),
        kept,
        adrift: body.adrift,
        tow: body.tow.map(tow_from),
        history,
        places,
        noise: NoiseMemory {
            p50_mps: number(body.noise_p50_mps, "noise")?,
            p95_mps: number(body.noise_p95_mps, "noise")?,
        },
        trail: body.trail.map(trail_from).transpose()?.unwrap_or_default(),
        seen: None,
    })
}

/// When the trailer was seen at its site, with the boot that this is true in. Stored apart from the rest: it changes
/// every minute, and a program that does not know it can go on without.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SeenBody {
    boot_id: String,
    site: u64,
    from_ms: u64,
    until_ms: u64,
}

/// What was seen in the boot `boot_id`, as bytes to store.
#[must_use]
pub fn seen_to_bytes(seen: &SeenAtSite, boot_id: &str) -> Vec<u8> {
    let (from_ms, until_ms) = (seen.from.0, seen.until.0);
    let body = SeenBody { boot_id: boot_id.to_owned(), site: seen.site.0, from_ms, until_ms };
    // Plain numbers and a text always serialise.
    serde_json::to_vec(&body).unwrap_or_default()
}

/// What was seen in the boot `boot_id`; `None` if that is of another boot, or can't be read: then only reads of the
/// past minutes have no place.
#[must_use]
pub fn seen_from_bytes(bytes: &[u8], boot_id: &str) -> Option<SeenAtSite> {
    let body: SeenBody = serde_json::from_slice(bytes).ok()?;
    let same = !boot_id.is_empty() && body.boot_id == boot_id;
    same.then_some(SeenAtSite { site: SiteId(body.site), from: Mono(body.from_ms), until: Mono(body.until_ms) })
}

fn trail_body(trail: &Trail) -> Option<TrailBody> {
    let points = trail.points().iter().map(|one| (point(one.position), one.joined)).collect();
    Some(TrailBody { from: trail.from?.0, to: trail.to.map(|to| to.0), points })
}

fn trail_from(body: TrailBody) -> Result<Trail, KeeperMemoryError> {
    let point = |(at, joined)| Ok(TrailPoint { position: position(at)?, joined });
    let points = body.points.into_iter().map(point).collect::<Result<Vec<_>, _>>()?;
    Ok(Trail::restored(Some(SiteId(body.from)), body.to.map(SiteId), points))
}

fn tow_from(tow: TowBody) -> Tow {
    let (announced, until) = (Utc(tow.announced_ms), Utc(tow.until_ms));
    let span_ms = u64::try_from(until.since_ms(announced)).unwrap_or(0).min(TOW_S_MAX * 1000);
    Tow { by: tow.by, reason: tow.reason, announced, until, span_ms, dated: tow.dated }
}

fn point(position: LatLon) -> Point {
    Point(position.lat_deg(), position.lon_deg())
}

fn position(point: Point) -> Result<LatLon, KeeperMemoryError> {
    LatLon::new(point.0, point.1).ok_or(KeeperMemoryError::OutOfRange { what: "position" })
}

fn number(value: f64, what: &'static str) -> Result<f64, KeeperMemoryError> {
    if (0.0..1e9).contains(&value) { Ok(value) } else { Err(KeeperMemoryError::OutOfRange { what }) }
}

fn camera(name: &str) -> Result<CameraId, KeeperMemoryError> {
    CameraId::new(name).map_err(|_| KeeperMemoryError::OutOfRange { what: "camera name" })
}

fn row(site: &Site) -> SiteRow {
    SiteRow {
        site: site.id.0,
        at: point(site.position),
        radius95_m: site.radius95_m,
        arrived_ms: site.arrived.0,
        left_ms: site.left.map(|left| left.0),
        found_by: site.found_by.clone(),
    }
}

fn site_from(row: SiteRow) -> Result<Site, KeeperMemoryError> {
    Ok(Site {
        id: SiteId(row.site),
        position: position(row.at)?,
        radius95_m: number(row.radius95_m, "radius")?,
        arrived: Utc(row.arrived_ms),
        left: row.left_ms.map(Utc),
        found_by: row.found_by,
    })
}

fn kept_from(kept: KeptBody) -> Result<KeptSite, KeeperMemoryError> {
    Ok(KeptSite {
        site: site_from(kept.site)?,
        home: position(kept.home)?,
        anchor: AnchorMemory {
            position: position(kept.anchor)?,
            weight_s: number(kept.weight_s, "weight")?,
            variance_m2: (number(kept.variance_east_m2, "variance")?, number(kept.variance_north_m2, "variance")?),
            expected_sigma_m: number(kept.expected_sigma_m, "deviation")?,
        },
    })
}

/// `None` if the site has no line.
fn lines_body(site: SiteId, lines: &SiteLines) -> Option<LinesBody> {
    let first = lines.values().next()?;
    let (carried_from, returned_from) = origin_body(first.origin);
    let one = |(camera, held): (&CameraId, &SiteLine)| LineBody {
        camera: camera.as_str().to_owned(),
        road: held.line.road.clone(),
        cross_street: held.line.cross_street.clone(),
        direction: held.line.direction.clone(),
        by: held.line.by.clone(),
        at_ms: held.line.at.0,
        confirmed: held.state == LineState::Confirmed,
        own: ((held.position, held.origin) != (first.position, first.origin)).then(|| {
            let (carried_from, returned_from) = origin_body(held.origin);
            OwnBody { at: point(held.position), carried_from, returned_from }
        }),
    };
    let lines = lines.iter().map(one).collect();
    Some(LinesBody { site: site.0, at: point(first.position), carried_from, returned_from, lines })
}

/// From which site a line was carried, and to the place of which it came back.
fn origin_body(origin: LineOrigin) -> (Option<u64>, Option<u64>) {
    match origin {
        LineOrigin::Here => (None, None),
        LineOrigin::Carried { from } => (Some(from.0), None),
        LineOrigin::Returned { from } => (None, Some(from.0)),
    }
}

fn origin_from(carried_from: Option<u64>, returned_from: Option<u64>) -> LineOrigin {
    match (carried_from, returned_from) {
        (Some(from), _) => LineOrigin::Carried { from: SiteId(from) },
        (None, Some(from)) => LineOrigin::Returned { from: SiteId(from) },
        (None, None) => LineOrigin::Here,
    }
}

/// The lines of a site whose anchor is at `stood`, if that is remembered.
fn lines_from(body: LinesBody, stood: Option<LatLon>) -> Result<SiteLines, KeeperMemoryError> {
    let common = (position(body.at)?, origin_from(body.carried_from, body.returned_from));
    let mut lines = SiteLines::new();
    for line in body.lines {
        let state = if line.confirmed { LineState::Confirmed } else { LineState::Unconfirmed };
        let (position, origin) = match line.own {
            Some(own) => (position(own.at)?, origin_from(own.carried_from, own.returned_from)),
            None => mended(common, state, stood),
        };
        let text = PlaceLine {
            road: line.road,
            cross_street: line.cross_street,
            direction: line.direction,
            by: line.by,
            at: Utc(line.at_ms),
        };
        lines.insert(camera(&line.camera)?, SiteLine { line: text, state, origin, position });
    }
    Ok(lines)
}

/// An older program had one position and one origin for all lines of a site. What was confirmed there was true there
/// all the same; and a line that only lay at the former site was told as one of its place.
fn mended(common: (LatLon, LineOrigin), state: LineState, stood: Option<LatLon>) -> (LatLon, LineOrigin) {
    let (at, origin) = common;
    // A confirmed line holds for the whole stay, so that a true return may be a little farther than the rule.
    let elsewhere = stood.is_some_and(|stood| 2.0 * RETURN_M < at.distance_m(stood));
    match origin {
        LineOrigin::Here => common,
        _ if state == LineState::Confirmed => (stood.unwrap_or(at), LineOrigin::Here),
        LineOrigin::Returned { from } if elsewhere => (at, LineOrigin::Carried { from }),
        LineOrigin::Carried { .. } | LineOrigin::Returned { .. } => common,
    }
}

fn change_body(change: &LineChange) -> ChangeBody {
    ChangeBody {
        site: change.site.0,
        camera: change.camera.as_str().to_owned(),
        text: change.text.clone(),
        what: change.what.clone(),
        by: change.by.clone(),
        at_ms: change.at.0,
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    fn memory() -> KeeperMemory {
        let here = LatLon::new(44.51, -30.0).unwrap();
        let site = Site {
            id: SiteId(2),
            position: here,
            radius95_m: 7.5,
            arrived: Utc(5),
            left: None,
            found_by: "stood for 120 s".to_owned(),
        };
        let mut places = PlaceTable::default();
        let line = PlaceLine {
            road: "Quernstone Road".to_owned(),
            cross_street: String::new(),
            direction: "northbound".to_owned(),
            by: "technician 7".to_owned(),
            at: Utc(9),
        };
        places.set(SiteId(1), here, &CameraId::new("east").unwrap(), line).unwrap();
        places.offer(SiteId(2), here, &[SiteId(1)], None);
        let mut trail = Trail::begin(SiteId(1), LatLon::new(44.5, -30.0).unwrap());
        trail.push(LatLon::new(44.505, -30.0).unwrap(), false);
        trail.end(SiteId(2), here, true);
        KeeperMemory {
            next_site: SiteId(3),
            kept: Some(KeptSite {
                site: site.clone(),
                home: here,
                anchor: AnchorMemory {
                    position: here,
                    weight_s: 120.0,
                    variance_m2: (1.0, 2.0),
                    expected_sigma_m: 4.4,
                },
            }),
            adrift: false,
            tow: Some(Tow {
                by: "technician 7".to_owned(),
                reason: "to the yard".to_owned(),
                announced: Utc(1),
                until: Utc(2),
                span_ms: 1,
                dated: true,
            }),
            history: vec![Site { id: SiteId(1), left: Some(Utc(4)), ..site }],
            places,
            noise: NoiseMemory { p50_mps: 0.05, p95_mps: 0.2 },
            trail,
            seen: None,
        }
    }

    #[test]
    fn what_was_seen_holds_in_its_own_boot_alone() {
        let seen = SeenAtSite { site: SiteId(2), from: Mono(1000), until: Mono(2000) };
        let bytes = seen_to_bytes(&seen, "boot 1");
        assert_eq!(seen_from_bytes(&bytes, "boot 1"), Some(seen));
        assert_eq!(seen_from_bytes(&bytes, "boot 2"), None);
        assert_eq!(seen_from_bytes(&seen_to_bytes(&seen, ""), ""), None, "a boot without a name is no boot");
        assert_eq!(seen_from_bytes(&bytes[1..], "boot 1"), None);
    }

    #[test]
    fn a_stored_memory_comes_back_as_it_was() {
        assert_eq!(from_bytes(&to_bytes(&memory())).unwrap(), memory());
        let fresh = KeeperMemory::default();
        assert_eq!(from_bytes(&to_bytes(&fresh)).unwrap(), fresh, "nothing is kept of a way that was not seen");
    }

    #[test]
    fn lines_of_one_site_that_are_of_several_places_come_back_each_with_its_own() {
        let mut memory = memory();
        let there = memory.history[0].position.moved(90.0, 900.0);
        let places = &mut memory.places;
        let line = places.line(SiteId(1), &CameraId::new("east").unwrap()).0.unwrap().clone();
        places.set(SiteId(2), there, &CameraId::new("west").unwrap(), line.clone()).unwrap();
        places.set(SiteId(2), there, &CameraId::new("south").unwrap(), line).unwrap();
        places.offer(SiteId(3), there.moved(90.0, 900.0), &[], Some(SiteId(2)));
        assert_eq!(from_bytes(&to_bytes(&memory)).unwrap(), memory);
    }

    #[test]
    fn a_memory_of_an_older_program_is_read_and_its_lines_are_told_as_what_they_are() {
        // As that program wrote it: site 1 with a line of east and of west, site 2 with none rewritten but east's, site
        // 3 far from both, then back at site 2. West was never said there, and yet it was offered as returned.
        let row = |site: u64, lat: f64| {
            format!(
                r#"{{"site":{site},"at":[{lat},-30.0],"radius95_m":5.0,"arrived_ms":1,"left_ms":2,"found_by":"x"}}"#
            )
        };
        let line = |camera: &str, road: &str, confirmed: bool| {
            format!(
                r#"{{"camera":"{camera}","road":"{road}","cross_street":"","direction":"","by":"x","at_ms":1,
                    "confirmed":{confirmed}}}"#
            )
        };
        let lines = |site: u64, from: &str, lines: &[String]| {
            format!(r#"{{"site":{site},"at":[44.51,-30.0]{from},"lines":[{}]}}"#, lines.join(","))
        };
        let text = format!(
            r#"{{"format":1,"next_site":5,"kept":null,"adrift":true,"tow":null,"history":[{}],"places":[{}],
                "changes":[],"noise_p50_mps":0.05,"noise_p95_mps":0.2}}"#,
            [row(1, 44.51), row(2, 44.52), row(3, 44.54), row(4, 44.52)].join(","),
            [
                lines(1, "", &[line("east", "Quernstone Road", true), line("west", "Quernstone Road", true)]),
                lines(
                    2,
                    r#","carried_from":1"#,
                    &[line("east", "Tallow Row", true), line("west", "Quernstone Road", false)]
                ),
                lines(3, "", &[]),
                lines(4, r#","returned_from":2"#, &[line("west", "Quernstone Road", false)]),
            ]
            .join(",")
        );
        let places = from_bytes(text.as_bytes()).unwrap().places;
        let (east, west) = (CameraId::new("east").unwrap(), CameraId::new("west").unwrap());
        let (first, second) = (LatLon::new(44.51, -30.0).unwrap(), LatLon::new(44.52, -30.0).unwrap());
        let told = |site: u64, camera: &CameraId| {
            let held = places.held(SiteId(site), camera).unwrap();
            (held.position, held.origin, held.state)
        };
        assert_eq!(told(1, &east), (first, LineOrigin::Here, LineState::Confirmed));
        assert_eq!(told(2, &east), (second, LineOrigin::Here, LineState::Confirmed), "it was said at site 2");
        let carried = |from: u64| LineOrigin::Carried { from: SiteId(from) };
        assert_eq!(told(2, &west), (first, carried(1), LineState::Unconfirmed));
        assert_eq!(told(4, &west), (first, carried(2), LineState::Unconfirmed), "it never was of this place");
        assert_eq!(places.sites.len(), 3, "a site without lines says nothing");
    }

    #[test]
    fn a_memory_of_one_place_is_still_read_by_an_older_program() {
        let text = String::from_utf8(to_bytes(&memory())).unwrap();
        assert!(text.contains(r#""returned_from":1"#) && !text.contains("own"), "{text}");
    }

    #[test]
    fn a_memory_that_is_cut_of_another_version_or_out_of_range_is_refused() {
        let bytes = to_bytes(&memory());
        assert!(matches!(from_bytes(&bytes[..bytes.len() - 1]), Err(KeeperMemoryError::Unreadable(_))));
        let text = String::from_utf8(bytes).unwrap();
        let newer = text.replace("\"format\":1", "\"format\":9");
        assert!(matches!(from_bytes(newer.as_bytes()), Err(KeeperMemoryError::OtherFormat { found: 9 })));
        let off = text.replace("44.51", "144.51");
        assert!(matches!(from_bytes(off.as_bytes()), Err(KeeperMemoryError::OutOfRange { what: "position" })));
    }
}
