//! The main job end to end: the real binary, a simulated trailer, and a judge that must find what is spoilt on purpose.

use pintle_core::sim::traffic;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::thread;

const SECONDS: u64 = 50;

/// Runs the demo in `folder`; standard output must end with one line of JSON.
fn demo(folder: &Path, spoil: Option<&str>) -> (Output, Value) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle"));
    command.args(["demo", "--seconds", &SECONDS.to_string(), "--json", "--folder"]).arg(folder).stdin(Stdio::null());
    if let Some(spoil) = spoil {
        command.args(["--spoil", spoil]);
    }
    let output = command.output().expect("the demo starts");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let summary = text.lines().last().and_then(|line| serde_json::from_str::<Value>(line).ok());
    let story = String::from_utf8_lossy(&output.stderr).into_owned();
    let summary = summary.unwrap_or_else(|| panic!("no summary; the story was:\n{story}"));
    (output, summary["summary"].clone())
}

/// All at once: most of the time each of them waits.
#[test]
fn the_demo_loses_nothing_and_its_judge_finds_every_damage() {
    let folder = tempfile::tempdir().expect("a folder");
    let runs = [None, Some("drop,way"), Some("double,line"), Some("stamp")].map(|spoil| {
        let folder = folder.path().join(spoil.unwrap_or("good"));
        thread::spawn(move || demo(&folder, spoil))
    });
    let [good, dropped, doubled, stamped] = runs.map(|run| run.join().expect("a demo"));
    let done = folder.path().join("good");
    bundle_unpacked_in(&done);
    no_plate_outside_the_databases(&done);

    let (output, summary) = good;
    let story = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{summary}\n{story}");
    let number = |key: &str| summary[key].as_u64().unwrap_or_else(|| panic!("{key} is missing: {summary}"));
    assert!(100 < number("reads_taken"), "{summary}");
    assert_eq!(number("reads_taken"), number("reads_received"));
    for none in ["duplicates_visible", "sequences_missing", "reads_with_wrong_site"] {
        assert_eq!(number(none), 0, "{none}: {summary}");
    }
    assert!(0 < number("reads_underway"), "no read was stamped underway: {summary}");
    assert_eq!(summary["sites"].as_array().map(Vec::len), Some(2), "{summary}");
    assert!(number("alert_latency_ms_p95") < 12_000, "{summary}");
    assert_eq!(summary["word"], "act", "place lines ask to be confirmed after the tow: {summary}");
    for told in
        ["The link is cut", "The link is back", "tows the trailer away", "stamped \"underway\"", "Health says \"act\""]
    {
        assert!(story.contains(told), "the story does not tell: {told}\n{story}");
    }

    for (output, summary) in [&dropped, &doubled, &stamped] {
        assert_eq!(output.status.code(), Some(1), "{summary}");
        assert_eq!(summary["good"], false);
    }
    let dropped = &dropped.1;
    assert_eq!(dropped["reads_received"].as_u64().map(|n| n + 1), dropped["reads_taken"].as_u64(), "{dropped}");
    assert_eq!(doubled.1["duplicates_visible"], 1, "{}", doubled.1);
    assert_eq!(stamped.1["reads_with_wrong_site"], 1, "{}", stamped.1);
    // Two damages each: a line out of its place, and a tow that nobody can have noticed.
    let told = |summary: &Value, fault: &str| {
        summary["faults"].as_array().map_or(0, |faults| {
            faults.iter().filter(|told| told.as_str().is_some_and(|told| told.contains(fault))).count()
        })
    };
    assert_eq!(told(&doubled.1, "shows a line that was confirmed"), 1, "{}", doubled.1);
    assert_eq!((told(dropped, "stamped underway"), &dropped["reads_underway"]), (1, &Value::from(0)), "{dropped}");
    assert_eq!((&doubled.1["reads_with_wrong_site"], &dropped["reads_with_wrong_site"]), (&1.into(), &0.into()));
}

/// Packs what a technician sends home, and unpacks it beside the rest, where it is searched too.
fn bundle_unpacked_in(folder: &Path) {
    let packed = folder.join("bundle.tar.gz");
    let run = Command::new(env!("CARGO_BIN_EXE_pintle"))
        .args(["bundle", "--config"])
        .arg(folder.join("pintle.toml"))
        .arg("--log")
        .arg(folder.join("run.log"))
        .arg("--out")
        .arg(&packed)
        .output()
        .expect("pintle bundle starts");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let into = folder.join("bundle");
    let file = fs::File::open(&packed).expect("the bundle");
    tar::Archive::new(flate2::read::GzDecoder::new(file)).unpack(&into).expect("a whole bundle");
    fs::remove_file(packed).expect("the packed bundle");
}

/// Searches every file of a demo, but the two databases, for every plate that its cameras read.
fn no_plate_outside_the_databases(folder: &Path) {
    fn files(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
        for entry in fs::read_dir(folder).expect("a folder").flatten() {
            let kind = entry.file_type().expect("a kind");
            if kind.is_dir() {
                files(&entry.path(), found);
            } else if kind.is_file() && !entry.file_name().to_string_lossy().contains(".db") {
                found.push(entry.path());
            }
        }
    }
    let plates: Vec<String> =
        traffic::cars(1, 3, SECONDS * 1000, 5.0, 0.08).into_iter().filter_map(|car| car.plate).collect();
    let mut found = Vec::new();
    files(folder, &mut found);
    assert!(100 < plates.len() && 8 < found.len(), "{} plates, {} files", plates.len(), found.len());
    let queue = fs::read(folder.join("receiver/receiver.db")).expect("the receiver's database");
    let holds = |bytes: &[u8], plate: &String| bytes.windows(plate.len()).any(|part| part == plate.as_bytes());
    assert!(holds(&queue, &plates[0]), "the search itself must be able to find a plate");
    for file in found {
        let bytes = fs::read(&file).expect("a readable file");
        assert!(!plates.iter().any(|plate| holds(&bytes, plate)), "a plate stands in {}", file.display());
    }
}
