//! `kill -9` at random moments: runs the test and repeats what it says.

use crate::{Bar, Bench, Part, Section};
use anyhow::Context;
use std::process::Command;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let output = Command::new(env!("CARGO"))
        .args(["test", "--release", "--quiet", "--package", "pintle", "--test", "kill", "--", "--nocapture"])
        .env("PINTLE_KILLS", bench.kills.to_string())
        .current_dir(&bench.root)
        .output()?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout);
    let figures = said.lines().find_map(|line| line.split("kill figures: ").nth(1));
    let figures = figures.with_context(|| format!("the test told no figures:\n{said}"))?;
    let held = output.status.success();
    let text = format!(
        "`PINTLE_KILLS={} cargo test --release --test kill -- --nocapture`: the agent is killed under load, the receiver now and \
         then; judged by\nthe receiver's database alone. {figures}\n",
        bench.kills
    );
    let bars = vec![Bar {
        what: format!("`kill -9` at {} random moments: lost or doubled", bench.kills),
        must_be: "0",
        measured: if held { "0".to_owned() } else { "not 0, see below".to_owned() },
        held,
    }];
    Ok(Section { part: Part::Kill, title: "Kill", bars, text, load_average: String::new() })
}
