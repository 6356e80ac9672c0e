//! Recorded lines of real GPS receivers, read as the trailer reads them, against facts that an independent reference
//! made.
//!
//! The folder of recordings is named by `PINTLE_LOGS`; it is no part of this repository. A line of the reference is
//! reproduced or its difference stands in [`ON_PURPOSE`] with its reason; a difference that stands there but does not
//! occur fails as well.

#![expect(clippy::unwrap_used, reason = "tests")]

use flate2::read::MultiGzDecoder;
use pintle_core::geo::LatLon;
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::fix::{BytesToEpochs, Witness, step_ms};
use pintle_core::position::nmea::fields::Coordinates;
use pintle_core::position::nmea::{Counts, Kind, Reader, by_crate};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// How many recordings the folder has at least.
const LOGS_MIN: usize = 77;

/// Log, field, what the reference says, what we say, why.
const ON_PURPOSE: &[(&str, &str, &str, &str, &str)] = &[];

/// The folder, or the reason in the output why the test did not run.
fn folder() -> Option<PathBuf> {
    let folder = std::env::var_os("PINTLE_LOGS").map(PathBuf::from);
    if folder.is_none() {
        assert!(std::env::var_os("PINTLE_RIGS").is_none_or(|rigs| rigs != "all"), "PINTLE_RIGS=all needs PINTLE_LOGS");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs PINTLE_LOGS, the folder of recorded GPS lines with their facts\n"),
        ));
    }
    folder
}

#[test]
fn the_counts_of_real_recordings_are_those_of_an_independent_reference() {
    let Some(folder) = folder() else { return };
    let mut ran = 0;
    let mut wrong = Vec::new();
    let mut excused = vec![false; ON_PURPOSE.len()];
    for (name, bytes, theirs) in recordings(&folder) {
        for (field, ours) in facts(&bytes) {
            let theirs = field.split('/').fold(&theirs, |value, part| &value[part]);
            if agree(&field, theirs, &ours) {
                continue;
            }
            let texts = (theirs.to_string(), ours.to_string());
            let entry = ON_PURPOSE.iter().position(|(log, its_field, its_theirs, its_ours, _)| {
                *log == name && *its_field == field && (*its_theirs, *its_ours) == (&*texts.0, &*texts.1)
            });
            match entry {
                Some(at) => excused[at] = true,
                None => wrong.push(format!("{name} {field}: theirs {} ours {}", texts.0, texts.1)),
            }
        }
        ran += 1;
    }
    eprintln!("{ran} recordings of {}", folder.display());
    for (row, excused) in ON_PURPOSE.iter().zip(excused) {
        if !excused {
            wrong.push(format!("{} {}: listed as different on purpose, but it is not", row.0, row.1));
        }
    }
    assert!(wrong.is_empty(), "{} differences:\n{}", wrong.len(), wrong.join("\n"));
    assert!(LOGS_MIN <= ran, "only {ran} of {LOGS_MIN} recordings were there");
}

/// The `nmea` crate is a second opinion on every position that it can read. It may give up on more sentences than we
/// do,
/// never read another position.
#[test]
fn every_position_that_the_nmea_crate_reads_is_read_alike() {
    let Some(folder) = folder() else { return };
    let (mut alike, mut only_ours) = (0_u64, 0_u64);
    for (name, bytes, _) in recordings(&folder) {
        Reader::default().feed(&bytes, &mut |sentence| {
            let fields = sentence.fields();
            let witness = match sentence.kind {
                Kind::Rmc => Witness::of_rmc(&fields),
                Kind::Gga => Witness::of_gga(&fields),
                Kind::Gll => match Witness::of_gll(&fields) {
                    Some(witness) => witness,
                    None => return,
                },
                Kind::Gns => Witness::of_gns(&fields),
                _ => return,
            };
            let ours = match witness.coordinates {
                Coordinates::At { lat_deg, lon_deg, .. } => Some((lat_deg, lon_deg)),
                _ => None,
            };
            let body = std::str::from_utf8(sentence.body()).unwrap();
            let text = format!("{}{}{body}", sentence.label.talker(), sentence.label.kind());
            let sum = text.bytes().fold(0, |sum, c| sum ^ c);
            let theirs = match nmea::parse_str(&format!("${text}*{sum:02X}")) {
                Ok(nmea::ParseResult::RMC(rmc)) => rmc.lat.zip(rmc.lon),
                Ok(nmea::ParseResult::GGA(gga)) => gga.latitude.zip(gga.longitude),
                Ok(nmea::ParseResult::GLL(gll)) => gll.latitude.zip(gll.longitude),
                Ok(nmea::ParseResult::GNS(gns)) => gns.lat.zip(gns.lon),
                _ => None,
            };
            match (theirs, ours) {
                (Some(theirs), Some(ours)) => {
                    assert!((theirs.0 - ours.0).abs() < 1e-9 && (theirs.1 - ours.1).abs() < 1e-9, "{name}: {text}");
                    alike += 1;
                }
                (Some(_), None) => panic!("{name}: only the crate reads {text}"),
                (None, Some(_)) => only_ours += 1,
                (None, None) => {}
            }
        });
    }
    eprintln!("{alike} positions read alike, {only_ours} only by us");
    assert!(80_000 < alike, "the recordings hold over 80,000 positions, {alike} were read");
}

/// GSA, GST and VTG are read by the `nmea` crate: here our own fields are the second opinion, where they can be. A list
/// of satellites longer than the twelve places of the standard shifts the fields behind it; only the crate copes with
/// that.
#[test]
fn what_the_nmea_crate_reads_of_quality_and_speed_is_what_the_fields_say() {
    let Some(folder) = folder() else { return };
    let (mut gsa, mut longer, mut gst, mut vtg) = (0_u64, 0_u64, 0_u64, 0_u64);
    let near = |theirs: Option<f64>, ours: Option<f64>| match (theirs, ours) {
        (Some(theirs), Some(ours)) => (theirs - ours).abs() <= 1e-6 * ours.abs().max(1.0),
        (theirs, ours) => theirs == ours,
    };
    for (name, bytes, _) in recordings(&folder) {
        Reader::default().feed(&bytes, &mut |sentence| {
            let fields = sentence.fields();
            let text = || format!("{name}: {}", String::from_utf8_lossy(sentence.text()));
            match sentence.kind {
                Kind::Gsa if fields.len() <= 18 => {
                    let Some((count, hdop)) = by_crate::satellites_and_hdop(sentence) else { return };
                    let used = (3..=14).filter(|number| !fields.text(*number).is_empty()).count();
                    assert!(usize::from(count) == used && near(hdop, fields.number(16)), "{}", text());
                    gsa += 1;
                }
                Kind::Gsa => longer += u64::from(by_crate::satellites_and_hdop(sentence).is_some()),
                Kind::Gst => {
                    let ours = fields.number(6).zip(fields.number(7)).map(|(lat_m, lon_m)| lat_m.max(lon_m));
                    assert!(near(by_crate::sigma_m(sentence), ours), "{}", text());
                    gst += 1;
                }
                Kind::Vtg => {
                    assert!(near(by_crate::speed_knots(sentence), fields.number(5)), "{}", text());
                    vtg += 1;
                }
                _ => {}
            }
        });
    }
    eprintln!("alike: {gsa} GSA, {gst} GST, {vtg} VTG; {longer} GSA with a longer list are read by the crate only");
    assert!(40_000 < gsa && 100 < gst && 30_000 < vtg, "the recordings hold more of these");
}

/// Name, bytes and facts of every recording in `folder`, by name.
fn recordings(folder: &Path) -> impl Iterator<Item = (String, Vec<u8>, Value)> {
    let mut facts: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.to_string_lossy().ends_with(".facts.json"))
        .collect();
    facts.sort();
    facts.into_iter().map(|path| {
        let log = path.to_string_lossy().trim_end_matches(".facts.json").to_owned();
        let name = Path::new(&log).file_name().unwrap().to_string_lossy().into_owned();
        let bytes = std::fs::read(&log).unwrap_or_else(|_| {
            let mut bytes = Vec::new();
            MultiGzDecoder::new(std::fs::File::open(format!("{log}.gz")).unwrap()).read_to_end(&mut bytes).unwrap();
            bytes
        });
        (name, bytes, serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap())
    })
}

/// Everything that the definitions of the reference let us compare, by its path in the facts.
fn facts(bytes: &[u8]) -> Vec<(String, Value)> {
    let mut reader = Reader::default();
    let mut series: [Vec<(Witness, LatLon)>; 3] = Default::default();
    let mut dates: BTreeMap<String, u64> = BTreeMap::new();
    let mut sink = |sentence: &pintle_core::position::nmea::Sentence<'_>| {
        let fields = sentence.fields();
        let (at, witness) = match sentence.kind {
            Kind::Rmc => (0, Witness::of_rmc(&fields)),
            Kind::Gga => (1, Witness::of_gga(&fields)),
            Kind::Gll => match Witness::of_gll(&fields) {
                Some(witness) => (2, witness),
                None => return,
            },
            _ => return,
        };
        if at == 0 {
            let date = String::from_utf8_lossy(fields.text(9)).into_owned();
            if !date.is_empty() {
                *dates.entry(date).or_default() += 1;
            }
        }
        if let (true, Coordinates::At { lat_deg, lon_deg, .. }) = (witness.is_complete(), witness.coordinates) {
            series[at].push((witness, LatLon::new(lat_deg, lon_deg).unwrap()));
        }
    };
    for chunk in bytes.chunks(1021) {
        reader.feed(chunk, &mut sink);
    }
    reader.finish(&mut sink);
    let mut out = counted(reader.counts());
    let mut put = |field: &str, value: Value| out.push((field.to_owned(), value));
    for (name, fixes) in ["RMC", "GGA", "GLL"].iter().zip(&series) {
        put(&format!("valid_fixes/{name}"), json!(fixes.len()));
    }
    put("rmc_dates", json!(dates));
    let fixes = (0..3).rev().map(|at| &series[at]).max_by_key(|fixes| fixes.len()).unwrap();
    if let (Some(first), Some(last)) = (fixes.first(), fixes.last()) {
        put("first_position", json!([first.1.lat_deg(), first.1.lon_deg()]));
        put("final_position", json!([last.1.lat_deg(), last.1.lon_deg()]));
        put("net_displacement_m", json!(first.1.distance_m(last.1)));
        let steps_m = || fixes.windows(2).map(|pair| pair[0].1.distance_m(pair[1].1));
        put("path_length_m", json!(steps_m().sum::<f64>()));
        put("largest_step_m", json!(steps_m().fold(0.0, f64::max)));
        let steps_ms =
            || fixes.windows(2).filter_map(|pair| Some(step_ms(pair[0].0.time_of_day_ms?, pair[1].0.time_of_day_ms?)));
        put("epochs_repeated", json!(steps_ms().filter(|step| *step == 0).count()));
        put("epochs_backwards", json!(steps_ms().filter(|step| *step < 0).count()));
    }
    out.extend(assembled(bytes));
    out
}

/// The counts of the reader, in the words of the reference.
fn counted(counts: &Counts) -> Vec<(String, Value)> {
    let (mut by_type, mut by_talker) = (BTreeMap::new(), BTreeMap::new());
    for (label, count) in counts.by_label.iter() {
        *by_type.entry(label.kind().to_owned()).or_insert(0) += count;
        *by_talker.entry(label.talker().to_owned()).or_insert(0) += count;
    }
    [
        ("bytes", json!(counts.bytes)),
        ("sentences", json!(counts.sentences)),
        ("candidates_without_address", json!(counts.no_address)),
        ("checksum/valid", json!(counts.valid)),
        ("checksum/invalid", json!(counts.wrong)),
        ("checksum/none", json!(counts.missing)),
        ("by_type", json!(by_type)),
        ("by_talker", json!(by_talker)),
        ("longest_sentence", json!(counts.longest)),
        ("sentences_over_80", json!(counts.over_80)),
    ]
    .map(|(field, value)| (field.to_owned(), value))
    .to_vec()
}

/// The whole way to epochs must count the same affirmed sentences as the sentences read one by one.
fn assembled(bytes: &[u8]) -> Vec<(String, Value)> {
    let mut line = BytesToEpochs::new(DateReference::around(Utc(0)));
    let mut epochs = Vec::new();
    for chunk in bytes.chunks(4096) {
        line.on_bytes(chunk, Mono(0), &mut epochs);
    }
    line.on_end(Mono(0), &mut epochs);
    let counts = line.assembler().counts();
    assert_eq!(counts.used + counts.refused_in_all(), u64::try_from(epochs.len()).unwrap());
    [("RMC", counts.affirmed_rmc), ("GGA", counts.affirmed_gga), ("GLL", counts.affirmed_gll)]
        .map(|(name, count)| (format!("valid_fixes/{name}"), json!(count)))
        .to_vec()
}

/// Counts must be equal; positions to half of the last of the nine decimals that the reference prints; lengths to a
/// millimetre, and sums of lengths to half a millimetre (the last digit printed) for every thousand steps.
fn agree(field: &str, theirs: &Value, ours: &Value) -> bool {
    let near = |theirs: &Value, ours: &Value, bound: f64| {
        theirs.as_f64().zip(ours.as_f64()).is_some_and(|(theirs, ours)| (theirs - ours).abs() <= bound)
    };
    match field {
        "first_position" | "final_position" => (0..2).all(|at| near(&theirs[at], &ours[at], 6e-10)),
        "net_displacement_m" | "largest_step_m" | "path_length_m" => near(theirs, ours, 1e-3),
        _ if theirs.is_null() => ours == &json!(0) || ours == &Value::Object(Map::new()),
        _ => theirs == ours,
    }
}
