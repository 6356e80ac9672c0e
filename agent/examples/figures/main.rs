//! Measures what the product promises and writes `docs/BENCHMARKS.md`:
//!
//! `cargo run --release --example figures -- [--kills N] [--logs FOLDER] [--only PART]…`
//!
//! With `--only` it prints what it measured and leaves the file alone. Ends with 1 if a bar is not met; the file says
//! so too. Nothing else should run on the machine; the load average stands beside each part.

mod agent;
mod answer;
mod idle;
mod intake;
mod kill;
mod machine;
mod peers;
mod queue;
mod receiver;
mod replay;
mod start;

#[path = "../load/mod.rs"]
mod load;

use anyhow::Context;
use clap::{Parser, ValueEnum};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

/// Measures Pintle and writes `docs/BENCHMARKS.md`.
#[derive(Parser)]
struct Args {
    /// How often the kill test kills the agent.
    #[arg(long, default_value_t = 1000)]
    kills: u32,
    /// How often the power is cut while pictures are copied.
    #[arg(long, default_value_t = 200)]
    cuts: u32,
    /// Recorded logs of GPS receivers, each with its `.facts.json`. Default: the folder in `PINTLE_LOGS`, if it is set.
    #[arg(long)]
    logs: Option<PathBuf>,
    /// How many reads wait in the larger case of the queue; each takes 1.4 kB of disk.
    #[arg(long, default_value_t = 10_000_000)]
    waiting: u64,
    /// How many reads the receiver has in the larger case; each takes about 1 kB of disk.
    #[arg(long, default_value_t = 10_000_000)]
    received: u64,
    /// How many reads are drained.
    #[arg(long, default_value_t = 1_000_000)]
    drained: u64,
    /// Measure this part only, print it, and leave the file alone. May stand several times.
    #[arg(long)]
    only: Vec<Part>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Part {
    /// Durable intake.
    Intake,
    /// Answers and wear at a trailer's pace.
    Answer,
    /// The queue with much waiting.
    Queue,
    /// The drain into our own receiver, and hits meanwhile.
    Drain,
    /// Bytes on a link.
    Bytes,
    /// The receiver's database with many reads in it.
    Receiver,
    /// Memory and processor of an idle agent.
    Idle,
    /// Time to READY.
    Start,
    /// One hour of a log, and what the recorded logs give.
    Replay,
    /// `kill -9` at random moments.
    Kill,
}

/// What the parts measure with.
struct Bench {
    /// The program, built for release.
    program: PathBuf,
    /// The workspace.
    root: PathBuf,
    /// Scratch on the disk that is measured.
    scratch: PathBuf,
    logs: Option<PathBuf>,
    kills: u32,
    cuts: u32,
    waiting: u64,
    received: u64,
    drained: u64,
}

/// One figure beside what it must reach.
struct Bar {
    what: String,
    must_be: &'static str,
    measured: String,
    held: bool,
}

/// One part of the file.
struct Section {
    part: Part,
    title: &'static str,
    bars: Vec<Bar>,
    /// Markdown.
    text: String,
    load_average: String,
}

fn main() -> anyhow::Result<ExitCode> {
    let args = Args::parse();
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize()?;
    let built = Command::new(env!("CARGO"))
        .args(["build", "--release", "--quiet", "--package", "pintle", "--bins", "--examples"])
        .current_dir(&root)
        .status()?;
    anyhow::ensure!(built.success(), "the program could not be built");
    let examples = std::env::current_exe()?;
    let target = examples.parent().and_then(Path::parent).context("this example lies in no target folder")?;
    let scratch = tempfile::tempdir_in(target)?;
    let bench = Bench {
        program: target.join("pintle"),
        root: root.clone(),
        scratch: scratch.path().to_owned(),
        logs: args.logs.or_else(|| std::env::var_os("PINTLE_LOGS").map(PathBuf::from)),
        kills: args.kills,
        cuts: args.cuts,
        waiting: args.waiting,
        received: args.received,
        drained: args.drained,
    };
    let mut sections = Vec::new();
    for part in Part::value_variants() {
        if args.only.is_empty() || args.only.contains(part) {
            let load_average = machine::load_average();
            writeln!(std::io::stderr().lock(), "measuring: {part:?} (load average {load_average})")?;
            let mut section = match part {
                Part::Intake => intake::measure(&bench),
                Part::Answer => answer::measure(&bench),
                Part::Queue => queue::measure(&bench),
                Part::Drain => queue::drain(&bench),
                Part::Bytes => queue::bytes(&bench),
                Part::Receiver => receiver::measure(&bench),
                Part::Idle => idle::measure(&bench),
                Part::Start => start::measure(&bench),
                Part::Replay => replay::measure(&bench),
                Part::Kill => kill::measure(&bench),
            }
            .with_context(|| format!("{part:?} could not be measured"))?;
            section.load_average = load_average;
            sections.push(section);
        }
    }
    let text = document(&bench, &sections)?;
    if args.only.is_empty() {
        std::fs::write(root.join("docs/BENCHMARKS.md"), &text)?;
    }
    write!(std::io::stdout().lock(), "{text}")?;
    let held = sections.iter().flat_map(|section| &section.bars).all(|bar| bar.held);
    Ok(if held { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn document(bench: &Bench, sections: &[Section]) -> anyhow::Result<String> {
    let mut text = String::from(
        "# Benchmarks\n\nWritten by `cargo run --release --example figures`, never by hand; what it says is what it \
         measured, on the machine below. A part of it\ncan be measured again with the command beside it, which leaves \
         this file alone.\n\n",
    );
    text += &machine::table(bench)?;
    text += "\n## Bars\n\n| what | bar | measured | held | command |\n| --- | --- | --- | --- | --- |\n";
    for section in sections {
        let name = section.part.to_possible_value().context("every part has a name")?;
        for bar in &section.bars {
            let held = if bar.held { "yes" } else { "**no**" };
            writeln!(
                text,
                "| {} | {} | {} | {held} | `cargo run --release --example figures -- --only {}` |",
                bar.what,
                bar.must_be,
                bar.measured,
                name.get_name()
            )?;
        }
    }
    for section in sections {
        writeln!(text, "\n## {}\n\n{}", section.title, section.text.trim_end())?;
        writeln!(text, "\nLoad average when it began: {}.", section.load_average)?;
    }
    Ok(text)
}

/// The middle one; the upper of two.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// `12345` as `12,345`.
fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if 0 < at && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}
