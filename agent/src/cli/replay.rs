//! `pintle replay`: recorded lines of a GPS receiver through the real core, at full speed.

use crate::exit::Exit;
use crate::show;
use crate::show::track::{Track, TrackSite};
use flate2::read::MultiGzDecoder;
use pintle_core::geo::LatLon;
use pintle_core::health::wording;
use pintle_core::moment::{Moment, Utc};
use pintle_core::position::fix::Refusal;
use pintle_core::position::keeper::{KeeperAction, KeeperLimits};
use pintle_core::position::recording::{DateSurvey, Recording};
use pintle_core::position::{KeeperState, Site};
use serde_json::{Map, Value, json};
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};

/// How much of a file is read at a time, bytes.
const CHUNK: usize = 64 * 1024;

/// Arguments of `pintle replay`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Several files are parts of one recording, in the order given. A recording has no arrival times: \
    time is that of its own fixes, with the dates judged around --now."
)]
pub struct ReplayArgs {
    /// Recorded NMEA 0183, plain or packed with gzip.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// One JSON object a line: an event each, and a summary at the end.
    #[arg(long)]
    json: bool,
    /// Write a plain local map as SVG (fixes, path, sites with their 95 % radius); - is standard output.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write path and sites as GeoJSON; - is standard output.
    #[arg(long, value_name = "FILE")]
    geojson: Option<PathBuf>,
    /// When the recording was made, to judge its dates by: a date (2026-11-25) or an RFC 3339 time. Default: the newest
    /// plausible date in it.
    #[arg(long, value_name = "DATE", value_parser = date)]
    now: Option<Utc>,
    /// How long the trailer must stand before a site is found, s, 5 to 3600.
    #[arg(long, value_name = "N", default_value_t = 120, value_parser = clap::value_parser!(u32).range(5..=3600))]
    settle_s: u32,
    /// Farther than this from the anchor is another site, m, 25 to 500.
    #[arg(long, value_name = "N", default_value_t = 50.0, value_parser = threshold)]
    move_threshold_m: f64,
}

fn date(text: &str) -> Result<Utc, String> {
    Utc::parse_rfc3339(text)
        .or_else(|| Utc::parse_rfc3339(&format!("{text}T12:00:00Z")))
        .ok_or_else(|| "write it as 2026-11-25 or 2026-11-25T12:00:00Z".to_owned())
}

fn threshold(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|value| (25.0..=500.0).contains(value)).ok_or_else(|| "it must be 25 to 500 m".to_owned())
}

/// Why a recording could not be replayed.
#[derive(Debug, thiserror::Error)]
enum ReplayError {
    #[error("{} can't be read: {source}", path.display())]
    Read { path: PathBuf, source: io::Error },
    #[error("the answer can't be written: {0}")]
    Write(#[from] io::Error),
    #[error("{} can't be written: {source}", path.display())]
    Map { path: PathBuf, source: io::Error },
    #[error("only one of --svg, --geojson and --json can go to standard output")]
    OneOutput,
    #[error("the map can't be made: {0}")]
    Show(#[from] show::ShowError),
    #[error("there is no NMEA sentence in {}", path.display())]
    Nothing { path: PathBuf },
}

impl ReplayError {
    fn advice(&self) -> &'static str {
        match self {
            Self::Read { .. } => "see that it is there, that you may read it, and that it is complete",
            Self::Write(_) => "see that the place where the output goes has room",
            Self::Map { .. } => "name a file in a folder where you may write",
            Self::OneOutput => "name a file for the others",
            Self::Show(error) => error.advice(),
            Self::Nothing { .. } => "replay reads what a GPS receiver sends: lines that begin with $ or !",
        }
    }
}

/// Replays and tells. Ends with 0, or with 2 if a file can't be read or none holds a sentence.
pub fn replay(args: &ReplayArgs, out: &mut dyn Write) -> Exit {
    match run(args, &mut io::BufWriter::new(out)) {
        Ok(()) => Exit::Good,
        // The reader of a pipe has seen enough.
        Err(ReplayError::Write(error)) if error.kind() == io::ErrorKind::BrokenPipe => Exit::Good,
        Err(error) => {
            // If stderr is gone, the exit code still tells.
            drop(writeln!(io::stderr().lock(), "pintle replay: {error}; {}", error.advice()));
            Exit::Act
        }
    }
}

fn run(args: &ReplayArgs, out: &mut impl Write) -> Result<(), ReplayError> {
    let now = if let Some(now) = args.now {
        now
    } else {
        let mut survey = DateSurvey::new(crate::clock::utc());
        read_all(&args.files, |bytes| {
            survey.feed(bytes);
            Ok(())
        })?;
        survey.newest().unwrap_or_else(crate::clock::utc)
    };
    let dash = Path::new("-");
    let to_stdout = [args.svg.as_deref() == Some(dash), args.geojson.as_deref() == Some(dash)];
    if 1 < to_stdout.iter().chain(&[args.json]).filter(|is| **is).count() {
        return Err(ReplayError::OneOutput);
    }
    let quiet = to_stdout.contains(&true);
    let limits = KeeperLimits { move_threshold_m: args.move_threshold_m, settle_s: f64::from(args.settle_s) };
    let mut recording = Recording::new(limits, now);
    if args.svg.is_some() || args.geojson.is_some() {
        recording.keep_track();
    }
    let mut told = Told::default();
    read_all(&args.files, |bytes| {
        recording.on_bytes(bytes, &mut |at, action| told.event(at, action));
        if quiet {
            told.forget();
        } else {
            told.write(args.json, recording.is_dated(), out)?;
        }
        Ok(())
    })?;
    recording.on_end(&mut |at, action| told.event(at, action));
    if quiet {
        told.forget();
    } else {
        told.write(args.json, recording.is_dated(), out)?;
    }
    let summary = summary(&recording, told.moves, &told.found);
    maps(args, &recording, out)?;
    if quiet {
        // The map is all that goes to standard output.
    } else if args.json {
        writeln!(out, "{}", json!({ "summary": summary }))?;
    } else {
        write_summary(&summary, recording.line().reader().counts().bytes, out)?;
    }
    out.flush()?;
    match args.files.last() {
        Some(path) if recording.line().reader().counts().sentences == 0 => {
            Err(ReplayError::Nothing { path: path.clone() })
        }
        _ => Ok(()),
    }
}

/// Writes the maps that were asked for.
fn maps(args: &ReplayArgs, recording: &Recording, out: &mut impl Write) -> Result<(), ReplayError> {
    if args.svg.is_none() && args.geojson.is_none() {
        return Ok(());
    }
    let track = track(args, recording);
    let mut put = |path: &Path, text: String| {
        if path == Path::new("-") {
            return out.write_all(text.as_bytes()).map_err(ReplayError::Write);
        }
        std::fs::write(path, text).map_err(|source| ReplayError::Map { path: path.to_owned(), source })
    };
    if let Some(path) = &args.svg {
        put(path, show::track::svg(&track))?;
    }
    if let Some(path) = &args.geojson {
        put(path, show::track::geojson(&track)?)?;
    }
    Ok(())
}

fn track(args: &ReplayArgs, recording: &Recording) -> Track {
    let names: Vec<String> = args
        .files
        .iter()
        .map(|path| path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()))
        .collect();
    let keeper = recording.keeper();
    let mut view = pintle_core::position::PositionView::default();
    keeper.fill(&mut view);
    let in_words = |utc: Utc| {
        // The year is told, since a map may be looked at much later.
        format!("{} {} UTC", wording::day(utc, Utc(0)), wording::clock_seconds(utc))
    };
    let dated = |utc: Utc| if recording.is_dated() { in_words(utc) } else { "at an unknown time".to_owned() };
    let sites = view.history.iter().chain(keeper.site()).map(|site| TrackSite {
        id: site.id.0,
        position: site.position,
        radius95_m: site.radius95_m,
        arrived: dated(site.arrived),
        left: site.left.map(dated),
    });
    let epochs = recording.line().assembler().counts();
    Track {
        title: names.join(" + "),
        fixes: recording.track().to_vec(),
        refused: Refusal::ALL.iter().map(|why| epochs.refused(*why)).sum(),
        sites: sites.collect(),
        estimate: keeper.estimate(),
    }
}

/// Hands the bytes of all files to `sink`, unpacked, with a line end after each file.
fn read_all(files: &[PathBuf], mut sink: impl FnMut(&[u8]) -> Result<(), ReplayError>) -> Result<(), ReplayError> {
    let mut buffer = vec![0; CHUNK];
    for path in files {
        let failed = |source| ReplayError::Read { path: path.clone(), source };
        let mut file = open(path).map_err(failed)?;
        loop {
            match file.read(&mut buffer) {
                Ok(0) => break,
                Ok(len) => sink(&buffer[..len])?,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(failed(error)),
            }
        }
        sink(b"\n")?;
    }
    Ok(())
}

/// Opens a recording; one that begins like gzip (RFC 1952: 1f 8b) is unpacked, whatever its name.
fn open(path: &Path) -> io::Result<Box<dyn Read>> {
    let mut file = BufReader::new(File::open(path)?);
    let packed = io::BufRead::fill_buf(&mut file)?.starts_with(&[0x1F, 0x8B]);
    Ok(if packed { Box::new(MultiGzDecoder::new(file)) } else { Box::new(file) })
}

/// What the keeper has told and is not written yet.
#[derive(Default)]
struct Told {
    waiting: Vec<(Moment, KeeperAction)>,
    moves: u64,
    found: Vec<(u64, u64)>,
}

impl Told {
    fn event(&mut self, at: &Moment, action: &KeeperAction) {
        match action {
            KeeperAction::Left { .. } | KeeperAction::MovedWhileOff { .. } => self.moves += 1,
            KeeperAction::SiteFound { site, .. } => self.found.push((site.id.0, at.mono.0)),
            _ => {}
        }
        self.waiting.push((*at, action.clone()));
    }

    fn forget(&mut self) {
        self.waiting.clear();
    }

    fn write(&mut self, json: bool, dated: bool, out: &mut impl Write) -> Result<(), ReplayError> {
        for (at, action) in self.waiting.drain(..) {
            let Some((event, text, mut fields)) = describe(&action) else { continue };
            let utc = dated.then(|| at.utc.to_rfc3339());
            let elapsed_ms = at.mono.0;
            if json {
                fields.insert("event".to_owned(), json!(event));
                fields.insert("utc".to_owned(), json!(utc));
                fields.insert("elapsed_s".to_owned(), json!(seconds(elapsed_ms)));
                writeln!(out, "{}", Value::Object(fields))?;
            } else {
                let when = utc.unwrap_or_else(|| format!("+{:>6} s", elapsed_ms / 1000));
                writeln!(out, "{when}  {text}")?;
            }
        }
        Ok(())
    }
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds of a recording are exact in a double for 285,000 years")]
fn seconds(ms: u64) -> f64 {
    ms as f64 / 1000.0
}

/// The word, the line for people and the fields of an event; `None` for what is no event of a site.
fn describe(action: &KeeperAction) -> Option<(&'static str, String, Map<String, Value>)> {
    let mut fields = Map::new();
    let mut put = |name: &str, value: Value| {
        fields.insert(name.to_owned(), value);
    };
    let (event, text) = match action {
        KeeperAction::SiteFound { site, returned_to, reason, .. } => {
            put_site(&mut put, site);
            put("returned_to", json!(returned_to.map(|id| id.0)));
            put("reason", json!(reason));
            let back = returned_to.map_or(String::new(), |id| format!(", the place of site {}", id.0));
            ("site_found", format!("site {} found{back}: {}; {reason}", site.id.0, place_of(site)))
        }
        KeeperAction::Hopped { site, moved_m, lines_unconfirmed, reason } => {
            put_site(&mut put, site);
            put("moved_m", json!(moved_m));
            put("lines_unconfirmed", json!(lines_unconfirmed));
            put("reason", json!(reason));
            ("hopped", format!("site {} moved by {moved_m:.0} m: {}; {reason}", site.id.0, place_of(site)))
        }
        KeeperAction::Left { site, at, announced, position, reason } => {
            put_site(&mut put, site);
            put("left_at", json!(at.to_rfc3339()));
            put("announced", json!(announced));
            put_position(&mut put, *position);
            put("reason", json!(reason));
            ("left", format!("site {} left; {reason}", site.id.0))
        }
        KeeperAction::DoubtBegan { site, reason } => {
            put("site", json!(site.0));
            put("reason", json!(reason));
            ("doubt_began", format!("site {} in doubt; {reason}", site.0))
        }
        KeeperAction::DoubtEnded { site, reason } => {
            put("site", json!(site.0));
            put("reason", json!(reason));
            ("doubt_ended", format!("site {} stands; {reason}", site.0))
        }
        KeeperAction::MovedWhileOff { site, announced, position, distance_m, reason } => {
            put_site(&mut put, site);
            put("announced", json!(announced));
            put("distance_m", json!(distance_m));
            put_position(&mut put, *position);
            put("reason", json!(reason));
            ("moved_while_off", format!("site {} was left while off; {reason}", site.id.0))
        }
        _ => return None,
    };
    Some((event, text, fields))
}

fn put_site(put: &mut impl FnMut(&str, Value), site: &Site) {
    put("site", json!(site.id.0));
    put_position(put, site.position);
    put("radius95_m", json!(site.radius95_m));
}

fn put_position(put: &mut impl FnMut(&str, Value), position: LatLon) {
    put("lat", json!(position.lat_deg()));
    put("lon", json!(position.lon_deg()));
}

fn place_of(site: &Site) -> String {
    place(site.position.lat_deg(), site.position.lon_deg(), site.radius95_m)
}

fn place(lat_deg: f64, lon_deg: f64, radius95_m: f64) -> String {
    let north = if lat_deg < 0.0 { 'S' } else { 'N' };
    let east = if lon_deg < 0.0 { 'W' } else { 'E' };
    format!("{:.6} {north} {:.6} {east}, 95 % within {:.0} m", lat_deg.abs(), lon_deg.abs(), radius95_m.ceil())
}

/// The summary by the contract of `--json`.
fn summary(recording: &Recording, moves: u64, found: &[(u64, u64)]) -> Value {
    let counts = recording.line().reader().counts();
    let epochs = recording.line().assembler().counts();
    let refused: Map<String, Value> = Refusal::ALL
        .iter()
        .filter(|why| 0 < epochs.refused(**why))
        .map(|why| (why.word().to_owned(), json!(epochs.refused(*why))))
        .collect();
    let keeper = recording.keeper();
    let mut view = pintle_core::position::PositionView::default();
    keeper.fill(&mut view);
    let dated = |utc: Utc| recording.is_dated().then(|| utc.to_rfc3339());
    let of_site = |site: &Site, state: &str| {
        let found_s = found.iter().find(|(id, _)| *id == site.id.0).map(|(_, ms)| seconds(*ms));
        json!({
            "id": site.id.0,
            "lat": site.position.lat_deg(),
            "lon": site.position.lon_deg(),
            "radius95_m": site.radius95_m,
            "state": state,
            "arrived": dated(site.arrived),
            "left": site.left.and_then(dated),
            "found_s": found_s,
        })
    };
    let mut sites: Vec<Value> = view.history.iter().map(|site| of_site(site, "left")).collect();
    sites.extend(keeper.site().map(|site| {
        let state = if keeper.state() == KeeperState::Doubtful { "doubtful" } else { "anchored" };
        of_site(site, state)
    }));
    let estimate = keeper.estimate().map(|(position, radius95_m)| {
        json!({ "lat": position.lat_deg(), "lon": position.lon_deg(), "radius95_m": radius95_m })
    });
    json!({
        "sentences": counts.sentences,
        "bad_checksums": counts.wrong,
        "no_checksum": counts.missing,
        "too_long": counts.too_long,
        "no_address": counts.no_address,
        "fixes_used": epochs.used,
        "fixes_refused": refused,
        "dates_mended": epochs.dates_mended,
        "dates_refused": epochs.dates_refused,
        "elapsed_s": seconds(recording.moment().mono.0),
        "state": keeper.state().word(),
        "position": estimate,
        "sites": sites,
        "moves": moves,
    })
}

fn write_summary(summary: &Value, bytes: u64, out: &mut impl Write) -> io::Result<()> {
    let number = |name: &str| summary[name].as_u64().unwrap_or(0);
    writeln!(out)?;
    writeln!(
        out,
        "{} sentences in {bytes} bytes; {} with a wrong checksum, {} without one",
        number("sentences"),
        number("bad_checksums"),
        number("no_checksum")
    )?;
    let refused = summary["fixes_refused"].as_object();
    let reasons: Vec<String> =
        refused.into_iter().flatten().map(|(why, count)| format!("{} {count}", why.replace('_', " "))).collect();
    let reasons = if reasons.is_empty() { "none".to_owned() } else { reasons.join(", ") };
    writeln!(out, "{} fixes used; refused: {reasons}", number("fixes_used"))?;
    if 0 < number("dates_mended") {
        writeln!(out, "{} dates were 1,024 weeks (or a multiple) too early and were mended", number("dates_mended"))?;
    }
    if 0 < number("dates_refused") {
        writeln!(out, "{} dates could not be believed; their positions were used", number("dates_refused"))?;
    }
    for site in summary["sites"].as_array().into_iter().flatten() {
        let text = |name: &str| site[name].as_str().unwrap_or("time unknown").to_owned();
        let figure = |name: &str| site[name].as_f64().unwrap_or(0.0);
        let until = if site["state"] == "left" { format!(", left {}", text("left")) } else { String::new() };
        writeln!(
            out,
            "site {}: {}, {}, arrived {}{until}",
            site["id"],
            place(figure("lat"), figure("lon"), figure("radius95_m")),
            site["state"].as_str().unwrap_or(""),
            text("arrived"),
        )?;
    }
    let moves = match number("moves") {
        1 => "1 move".to_owned(),
        count => format!("{count} moves"),
    };
    write!(out, "{moves}; at the end: {}", summary["state"].as_str().unwrap_or(""))?;
    let here = &summary["position"];
    if let (Some(lat_deg), Some(lon_deg), Some(radius95_m)) =
        (here["lat"].as_f64(), here["lon"].as_f64(), here["radius95_m"].as_f64())
    {
        write!(out, " at {}", place(lat_deg, lon_deg, radius95_m))?;
    }
    writeln!(out)
}
