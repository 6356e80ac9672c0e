//! The main job end to end: the real binary, a simulated trailer, and a judge that must find what is spoilt on purpose.

use serde_json::Value;
use std::process::{Command, Output, Stdio};
use std::thread;

/// Runs the demo; standard output must end with one line of JSON.
fn demo(spoil: Option<&str>) -> (Output, Value) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle"));
    command.args(["demo", "--seconds", "50", "--json"]).stdin(Stdio::null());
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

/// All four at once: most of the time each of them waits.
#[test]
fn the_demo_loses_nothing_and_its_judge_finds_every_damage() {
    let runs = [None, Some("drop"), Some("double"), Some("stamp")].map(|spoil| thread::spawn(move || demo(spoil)));
    let [good, dropped, doubled, stamped] = runs.map(|run| run.join().expect("a demo"));

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
    for told in ["The link is cut", "The link is back", "tows the trailer away", "stamped \"underway\"", "Health says \"act\""] {
        assert!(story.contains(told), "the story does not tell: {told}\n{story}");
    }

    for ((output, summary), broken, value) in [
        (dropped, "reads_received", None),
        (doubled, "duplicates_visible", Some(1)),
        (stamped, "reads_with_wrong_site", Some(1)),
    ] {
        assert_eq!(output.status.code(), Some(1), "{broken}: {summary}");
        match value {
            Some(value) => assert_eq!(summary[broken].as_u64(), Some(value), "{summary}"),
            None => assert_ne!(summary[broken], summary["reads_taken"], "{summary}"),
        }
    }
}
