//! `pintle check`: would this trailer start, and is everything there that its configuration names?

mod inspect;
mod seal;

use crate::cli::CONFIG_PATH;
use crate::config::{self, ConfigError};
use crate::exit::Exit;
use serde::Serialize;
use std::io::{self, Write};
use std::path::PathBuf;

/// Arguments of `pintle check`.
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// The configuration.
    #[arg(long, value_name = "FILE", default_value = CONFIG_PATH)]
    config: PathBuf,
    /// Check the text of the configuration only; open nothing that it names.
    #[arg(long)]
    only_file: bool,
    /// One JSON object instead of text.
    #[arg(long)]
    json: bool,
}

impl CheckArgs {
    /// A whole check, told as text.
    pub(super) fn of(config: PathBuf) -> Self {
        Self { config, only_file: false, json: false }
    }
}

/// How a finding is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Verdict {
    /// As it must be.
    Right,
    /// Worth a look; the trailer starts, and what is missing may still come: a device that is not plugged in, a
    /// credential that is there only within the unit.
    Look,
    /// Must be mended: the agent can't start, or something that the configuration names can't be used as it is.
    Wrong,
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(super) struct Finding {
    /// The key, or the part of the computer.
    pub(super) about: String,
    /// Right, look or wrong.
    pub(super) verdict: Verdict,
    /// What was found, one sentence without its full stop.
    pub(super) found: String,
    /// What to do; empty if nothing.
    #[serde(rename = "do", skip_serializing_if = "String::is_empty")]
    pub(super) advice: String,
}

impl Finding {
    pub(super) fn right(about: &str, found: impl Into<String>) -> Self {
        Self { about: about.to_owned(), verdict: Verdict::Right, found: found.into(), advice: String::new() }
    }

    pub(super) fn look(about: &str, found: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { about: about.to_owned(), verdict: Verdict::Look, found: found.into(), advice: advice.into() }
    }

    pub(super) fn wrong(about: &str, found: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { about: about.to_owned(), verdict: Verdict::Wrong, found: found.into(), advice: advice.into() }
    }
}

#[derive(Serialize)]
struct Report<'a> {
    config: String,
    ready: bool,
    findings: &'a [Finding],
}

/// Checks and tells. Ends with 0 only if nothing is wrong, with 78 if the configuration is, with 2 if something that it
/// names is.
pub fn check(args: &CheckArgs, out: &mut dyn Write) -> Exit {
    let (findings, exit) = match config::read(&args.config) {
        Err(error) => (of_config(&error), Exit::Config),
        Ok(config) => {
            let mut findings = vec![Finding::right("configuration", "every key is known and within its range")];
            if !args.only_file {
                inspect::everything(&config, &mut findings);
            }
            let wrong = findings.iter().any(|finding| finding.verdict == Verdict::Wrong);
            (findings, if wrong { Exit::Act } else { Exit::Good })
        }
    };
    let report = Report { config: args.config.display().to_string(), ready: exit == Exit::Good, findings: &findings };
    let written = if args.json { as_json(&report, out) } else { as_text(&report, args.only_file, out) };
    match written {
        Ok(()) => exit,
        // The reader of a pipe that has seen enough is no fault of the trailer, but nobody may take it for a success.
        Err(_) => Exit::Act,
    }
}

fn of_config(error: &ConfigError) -> Vec<Finding> {
    match error {
        ConfigError::Unreadable { .. } => vec![Finding::wrong("configuration", error.to_string(), error.advice())],
        ConfigError::Mistakes { mistakes, .. } => mistakes
            .iter()
            .map(|mistake| {
                let place = mistake.line.map_or_else(|| "missing: ".to_owned(), |line| format!("line {line}: "));
                Finding::wrong("configuration", format!("{place}{}", mistake.what), mistake.advice.clone())
            })
            .collect(),
    }
}

fn as_json(report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer(&mut *out, report)?;
    writeln!(out)?;
    out.flush()
}

fn as_text(report: &Report<'_>, only_file: bool, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "Checking {}", report.config)?;
    for finding in report.findings {
        let word = match finding.verdict {
            Verdict::Right => "right",
            Verdict::Look => "look ",
            Verdict::Wrong => "WRONG",
        };
        writeln!(out, "  {word}  {}: {}", finding.about, finding.found)?;
        if !finding.advice.is_empty() {
            writeln!(out, "         {}", finding.advice)?;
        }
    }
    let wrong = report.findings.iter().filter(|finding| finding.verdict == Verdict::Wrong).count();
    match (wrong, only_file) {
        (0, true) => writeln!(out, "The configuration is right; nothing that it names was opened.")?,
        (0, false) => writeln!(out, "This trailer can start.")?,
        (1, _) => writeln!(out, "Not ready: 1 thing must be mended.")?,
        (n, _) => writeln!(out, "Not ready: {n} things must be mended.")?,
    }
    out.flush()
}
