//! How fast a recorded log goes through the core, and what the recorded logs of real GPS receivers give.

use crate::{Bar, Bench, Part, Section, median};
use anyhow::{Context, ensure};
use pintle_core::geo::LatLon;
use pintle_core::moment::Utc;
use pintle_core::sim::sentences::SimReceiver;
use pintle_core::sim::track::{Leg, Track};
use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

const HOUR_S_MAX: f64 = 0.5;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let simulated = bench.scratch.join("hour.nmea");
    std::fs::write(&simulated, hour()?)?;
    let mut hours = vec![("one hour at 1 Hz, simulated (RMC, GGA, GSA)".to_owned(), simulated)];
    if let Some(logs) = &bench.logs {
        hours.push((
            "one hour of a real receiver, `a-park-hour3.nmea.gz`".to_owned(),
            logs.join("a-park-hour3.nmea.gz"),
        ));
    }
    let mut text = String::from("| log | sentences | median of five, s | runs, s |\n| --- | --- | --- | --- |\n");
    let mut bars = Vec::new();
    for (name, file) in hours {
        let (mut took_s, mut sentences) = (Vec::new(), 0);
        for _ in 0..5 {
            let began = Instant::now();
            let summary = replay(bench, &file)?;
            took_s.push(began.elapsed().as_secs_f64());
            sentences = summary["sentences"].as_u64().context("no count of sentences")?;
        }
        let runs: Vec<String> = took_s.iter().map(|s| format!("{s:.3}")).collect();
        let middle_s = median(took_s);
        writeln!(text, "| {name} | {sentences} | {middle_s:.3} | {} |", runs.join(", "))?;
        bars.push(Bar {
            what: format!("replay, {name}"),
            must_be: "< 0.5 s",
            measured: format!("{middle_s:.3} s"),
            held: middle_s < HOUR_S_MAX,
        });
    }
    if let Some(logs) = &bench.logs {
        text += &recorded(bench, logs)?;
    }
    Ok(Section { part: Part::Replay, bars, text, began: String::new() })
}

/// What `pintle replay` makes of every recorded log.
fn recorded(bench: &Bench, logs: &Path) -> anyhow::Result<String> {
    let ending = |path: &PathBuf| path.extension().is_some_and(|ending| ending == "json" || ending == "md");
    let mut files: Vec<PathBuf> = std::fs::read_dir(logs)?.flatten().map(|entry| entry.path()).collect();
    files.retain(|path| path.is_file() && !ending(path));
    files.sort();
    let mut text = format!(
        "\n{} recorded logs of real GPS receivers, each through `pintle replay --json`, with the defaults (50 m, \
         120 s):\n\n\
         | log | sentences | bad checksums | no checksum | fixes used | fixes refused | sites | moves | state at the \
         end |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n",
        files.len()
    );
    for file in files {
        let summary = replay(bench, &file)?;
        let refused: u64 =
            summary["fixes_refused"].as_object().map_or(0, |reasons| reasons.values().filter_map(Value::as_u64).sum());
        writeln!(
            text,
            "| {} | {} | {} | {} | {} | {refused} | {} | {} | {} |",
            file.file_name().unwrap_or_default().to_string_lossy(),
            summary["sentences"],
            summary["bad_checksums"],
            summary["no_checksum"],
            summary["fixes_used"],
            summary["sites"].as_array().map_or(0, Vec::len),
            summary["moves"],
            summary["state"].as_str().unwrap_or("unknown"),
        )?;
    }
    Ok(text)
}

fn replay(bench: &Bench, file: &Path) -> anyhow::Result<Value> {
    let output = Command::new(&bench.program).args(["replay", "--json"]).arg(file).output()?;
    ensure!(output.status.success(), "{}: {}", file.display(), String::from_utf8_lossy(&output.stderr));
    let told = String::from_utf8(output.stdout)?;
    let last: Value = serde_json::from_str(told.lines().last().context("no summary")?)?;
    Ok(last["summary"].clone())
}

/// One hour of a standing receiver.
fn hour() -> anyhow::Result<String> {
    let track = Track {
        start: LatLon::new(44.5102, -38.1987).context("no position")?,
        tow_at_ms: 86_400_000,
        legs: vec![Leg { azimuth_deg: 62.0, length_m: 100.0 }],
        speed_mps: 16.0,
        accel_mps2: 3.0,
    };
    let mut receiver = SimReceiver::new(1, 2.5);
    let began = Utc(1_795_600_000_000);
    Ok((0..3600_u64)
        .map(|s| receiver.epoch(&track.at(s * 1000), began.plus_ms(i64::try_from(s).unwrap_or(0) * 1000), 1.0))
        .collect())
}
