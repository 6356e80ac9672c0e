//! Recorded lines that this repository carries (`tests/data`), through the core and through `pintle replay`.

#![expect(clippy::unwrap_used, reason = "tests")]

use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::fix::{BytesToEpochs, Refusal};
use serde_json::Value;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

fn data(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data")).join(name)
}

/// Checksums right, wrong, missing; affirmed RMC, GGA, GLL (both from an independent reference); fixes used; refusals.
type Expected<'a> = ([u64; 3], [u64; 3], u64, &'a [(Refusal, u64)]);

fn check(name: &str, (checksums, affirmed, used, refused): Expected<'_>) {
    let bytes = std::fs::read(data(name)).unwrap();
    let mut line = BytesToEpochs::new(DateReference::around(Utc::parse_rfc3339("2015-01-01T00:00:00Z").unwrap()));
    let mut epochs = Vec::new();
    line.on_bytes(&bytes, Mono(0), &mut epochs);
    line.on_end(Mono(0), &mut epochs);
    let counts = line.reader().counts();
    assert_eq!([counts.valid, counts.wrong, counts.missing], checksums, "{name}: checksums");
    let counts = line.assembler().counts();
    assert_eq!([counts.affirmed_rmc, counts.affirmed_gga, counts.affirmed_gll], affirmed, "{name}: affirmed");
    assert_eq!(counts.used, used, "{name}: used");
    let told: Vec<_> =
        Refusal::ALL.into_iter().map(|why| (why, counts.refused(why))).filter(|(_, count)| 0 < *count).collect();
    assert_eq!(told, refused, "{name}: refused");
}

#[test]
fn recorded_lines_give_the_counts_of_an_independent_reference() {
    use Refusal::{Backward, QualityZero, StatusVoid};
    check("after-the-rollover.log", ([93, 20, 11], [1, 2, 2], 2, &[(StatusVoid, 16), (QualityZero, 2)]));
    check("clock-steps-back.log", ([144, 0, 0], [13, 13, 13], 11, &[(StatusVoid, 4), (Backward, 4)]));
    check("cold-start.log", ([56, 0, 3], [4, 4, 0], 4, &[(StatusVoid, 7)]));
    check("dates-without-a-reading.log", ([3, 0, 0], [2, 0, 0], 2, &[(StatusVoid, 1)]));
    check("gga-checksums-wrong.log", ([46, 23, 0], [23, 0, 0], 23, &[]));
    check("gga-per-constellation.log", ([367, 0, 0], [59, 118, 0], 59, &[]));
    check("no-fix.log", ([151, 0, 0], [0, 0, 0], 0, &[(StatusVoid, 12)]));
    check("standing-3min.log", ([1558, 0, 0], [187, 187, 187], 186, &[(StatusVoid, 37), (Backward, 1)]));
}

fn replay(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pintle")).arg("replay").args(args).output().unwrap()
}

/// Every line of `--json` output; the last is the summary.
fn told(output: &Output) -> Vec<Value> {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = std::str::from_utf8(&output.stdout).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn replay_tells_each_event_and_a_summary_as_json() {
    let file = data("standing-3min.log");
    let lines = told(&replay(&["--json", file.to_str().unwrap()]));
    assert_eq!(lines[0]["event"], "site_found");
    assert_eq!(lines[0]["utc"], "2019-03-12T10:53:54.408Z");
    let summary = &lines.last().unwrap()["summary"];
    assert_eq!(
        (&summary["sentences"], &summary["bad_checksums"], &summary["no_checksum"]),
        (&1558.into(), &0.into(), &0.into())
    );
    assert_eq!((&summary["fixes_used"], &summary["moves"]), (&186.into(), &0.into()));
    assert_eq!(summary["fixes_refused"], serde_json::json!({ "backward": 1, "status_void": 37 }));
    let site = &summary["sites"][0];
    assert_eq!(
        (&site["state"], &site["arrived"], &site["left"]),
        (&"anchored".into(), &"2019-03-12T10:51:53.710Z".into(), &Value::Null)
    );
    // Geometric median of the recording by the independent reference, and its own scatter of 2.6 m.
    assert!((site["lat"].as_f64().unwrap() - 50.840_19).abs() < 5e-5, "{site}");
    assert!(0.0 < site["radius95_m"].as_f64().unwrap(), "{site}");
    assert_eq!(summary["sites"].as_array().unwrap().len(), 1);
}

#[test]
fn a_packed_recording_is_the_same_recording() {
    let folder = tempfile::tempdir().unwrap();
    let packed = folder.path().join("recording");
    let mut encoder = GzEncoder::new(std::fs::File::create(&packed).unwrap(), Compression::fast());
    encoder.write_all(&std::fs::read(data("standing-3min.log")).unwrap()).unwrap();
    encoder.finish().unwrap();
    let plain = replay(&["--json", data("standing-3min.log").to_str().unwrap()]);
    assert_eq!(told(&replay(&["--json", packed.to_str().unwrap()])), told(&plain));
}

#[test]
fn dates_are_judged_around_now_and_cost_no_position() {
    let file = data("dates-without-a-reading.log");
    let lines = told(&replay(&["--json", "--now", "2019-04-07", file.to_str().unwrap()]));
    let summary = &lines.last().unwrap()["summary"];
    assert_eq!((&summary["fixes_used"], &summary["dates_refused"]), (&2.into(), &2.into()));
    // A recording of 2019-03-12 that is said to be 1,024 weeks (7168 days) younger.
    let file = data("standing-3min.log");
    let lines = told(&replay(&["--json", "--now", "2038-10-26", file.to_str().unwrap()]));
    let summary = &lines.last().unwrap()["summary"];
    assert_eq!(summary["sites"][0]["arrived"], "2038-10-26T10:51:53.710Z");
    assert_eq!(summary["dates_mended"], 187);
}

#[test]
fn a_file_that_cannot_be_replayed_is_told_with_what_to_do() {
    let check = |args: &[&str], code: i32, words: &str| {
        let output = replay(args);
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{text}");
        assert!(text.contains(words), "{text}");
    };
    check(&["/nowhere/recording.log"], 2, "/nowhere/recording.log can't be read: No such file");
    check(&["/nowhere/recording.log"], 2, "see that it is there");
    check(&[data("README.md").to_str().unwrap()], 2, "there is no NMEA sentence in ");
    check(&[], 64, "FILE");
    check(&["--settle-s", "4", "x"], 64, "5..=3600");
    check(&["--move-threshold-m", "nan", "x"], 64, "it must be 25 to 500 m");
    check(&["--now", "25.11.2026", "x"], 64, "write it as 2026-11-25");
}

#[test]
fn an_hour_at_one_fix_a_second_replays_in_under_half_a_second() {
    let mut text = String::new();
    let mut put = |sentence: String| {
        let sum = sentence.bytes().fold(0, |sum, c| sum ^ c);
        write!(text, "${sentence}*{sum:02X}\r\n").unwrap();
    };
    for second in 0..3600 {
        let time = format!("10{:02}{:02}.00", second / 60, second % 60);
        let wobble = second * 7919 % 13;
        put(format!("GNRMC,{time},A,4430.6{wobble:03},N,03000.0{wobble:03},W,0.04,,251126,,,A"));
        put("GNVTG,,T,,M,0.04,N,0.07,K,A".to_owned());
        put(format!("GNGGA,{time},4430.6{wobble:03},N,03000.0{wobble:03},W,1,11,0.8,3.0,M,20.0,M,,"));
        put("GNGSA,A,3,02,05,07,09,13,15,,,,,,,1.5,0.8,1.2".to_owned());
        for number in 1..=3 {
            put(format!("GPGSV,3,{number},12,02,45,120,41,05,12,300,33,07,66,210,44,09,30,080,39"));
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("hour.log");
    std::fs::write(&file, text).unwrap();
    // The fastest of three: what else the machine does is none of our business.
    let fastest = (0..3)
        .map(|_| {
            let start = Instant::now();
            let lines = told(&replay(&["--json", file.to_str().unwrap()]));
            assert_eq!(lines.last().unwrap()["summary"]["fixes_used"], 3600);
            start.elapsed()
        })
        .min()
        .unwrap();
    eprintln!("an hour at 1 Hz replayed in {} ms", fastest.as_millis());
    assert!(fastest < Duration::from_millis(500), "{fastest:?}");
}

#[test]
fn maps_of_a_recording_hold_its_sites_and_nothing_else_goes_to_standard_output() {
    let log = data("standing-3min.log");
    let log = log.to_str().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let map = folder.path().join("map.svg");
    let plain = replay(&[log, "--json"]);
    let site = told(&plain).last().unwrap()["summary"]["sites"][0].clone();
    let output = replay(&[log, "--svg", map.to_str().unwrap(), "--geojson", "-"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let geojson: Value = serde_json::from_slice(&output.stdout).unwrap();
    let point = geojson["features"].as_array().unwrap().iter().find(|f| f["id"] == "site-1").unwrap();
    for (at, name) in [(1, "lat"), (0, "lon")] {
        let apart = point["geometry"]["coordinates"][at].as_f64().unwrap() - site[name].as_f64().unwrap();
        assert!(apart.abs() < 1e-6, "{name}");
    }
    let map = std::fs::read_to_string(map).unwrap();
    assert!(map.starts_with("<svg") && map.contains("Site 1</tspan>"), "{map}");
    let both = replay(&[log, "--svg", "-", "--json"]);
    assert_eq!(both.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&both.stderr).contains("only one of"), "{both:?}");
    let nowhere = replay(&[log, "--svg", "/nowhere/map.svg"]);
    assert!(String::from_utf8_lossy(&nowhere.stderr).contains("/nowhere/map.svg can't be written"), "{nowhere:?}");
}
