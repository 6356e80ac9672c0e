//! The site keeper against its bars, by the example of the core that knows them.

use crate::{Bar, Bench, Part, Section};
use anyhow::Context;
use std::process::{Command, Stdio};

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let (nights, tows) = (bench.nights.to_string(), bench.tows.to_string());
    let mut command = Command::new(env!("CARGO"));
    command.args(["run", "--release", "--quiet", "--package", "pintle-core", "--example", "position_bars", "--"]);
    command.args(["--nights", &nights, "--tows", &tows, "--others", &tows]).current_dir(&bench.root);
    if let Some(logs) = &bench.logs {
        command.env("PINTLE_LOGS", logs);
    }
    let output = command.stderr(Stdio::inherit()).output()?;
    let text = String::from_utf8(output.stdout).context("its figures are no text")?;
    // Its first words are "N of M bars held".
    let mut words = text.split(' ');
    let held: usize = words.next().and_then(|word| word.parse().ok()).context("it told no bars")?;
    let all: usize = words.nth(1).and_then(|word| word.parse().ok()).context("it told no bars")?;
    let bars = vec![Bar {
        what: format!("site keeper: bars held, {nights} nights and {tows} tows a sky, each recorded log"),
        must_be: "all",
        measured: format!("{held} of {all}"),
        held: output.status.success() && held == all,
    }];
    Ok(Section { part: Part::Position, bars, text, began: String::new() })
}
