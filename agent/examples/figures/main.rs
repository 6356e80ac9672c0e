//! Measures what the product promises and writes `docs/BENCHMARKS.md`:
//!
//! `cargo run --release --example figures -- [--kills N] [--logs FOLDER] [--only PART]… [--write]`
//!
//! With `--only` it prints what it measured and leaves the file alone, unless `--write` says otherwise. Ends with 1 if
//! a bar is not met; the file says so too. Nothing else should run on the machine; the load average stands beside each
//! part.

mod agent;
mod answer;
mod far;
mod idle;
mod intake;
mod kill;
mod machine;
mod page;
mod peers;
mod position;
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
    /// How many nights of 12 h the site keeper lives through under each simulated sky.
    #[arg(long, default_value_t = 10_000)]
    nights: u64,
    /// How many tows, and how many of each hop and start.
    #[arg(long, default_value_t = 1000)]
    tows: u64,
    /// Recorded logs of GPS receivers, each with its `.facts.json`. Default: the folder in `PINTLE_LOGS`, if it is set.
    #[arg(long)]
    logs: Option<PathBuf>,
    /// How many reads wait in the larger case of the queue.
    #[arg(long, default_value_t = 10_000_000)]
    waiting: u64,
    /// How many bytes each of them has; a read of 1,000 takes 1.4 kB of disk.
    #[arg(long, default_value_t = 1000)]
    read_bytes: u64,
    /// Where the queue is measured; default: in the target folder.
    #[arg(long)]
    queue_in: Option<PathBuf>,
    /// How many reads the receiver has in the larger case; each takes about 1 kB of disk.
    #[arg(long, default_value_t = 10_000_000)]
    received: u64,
    /// How many reads are drained.
    #[arg(long, default_value_t = 1_000_000)]
    drained: u64,
    /// How many reads wait behind the hits on the long way.
    #[arg(long, default_value_t = 200_000)]
    backlog: u64,
    /// Measure this part only, print it, and leave the file alone. May stand several times.
    #[arg(long)]
    only: Vec<Part>,
    /// Let what is measured with `--only` take its place in the file.
    #[arg(long)]
    write: bool,
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
    /// Hits over a backlog on a long way that loses packets.
    Far,
    /// Memory and processor of an idle agent.
    Idle,
    /// Time to READY.
    Start,
    /// The page, its server, and the survey of many trailers.
    Page,
    /// The site keeper against its bars: simulated skies, and the recorded logs.
    Position,
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
    nights: u64,
    tows: u64,
    waiting: u64,
    read_bytes: u64,
    queue_in: Option<PathBuf>,
    received: u64,
    drained: u64,
    backlog: u64,
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
    bars: Vec<Bar>,
    /// Markdown.
    text: String,
    /// When, on which commit and under which load.
    began: String,
}

fn main() -> anyhow::Result<ExitCode> {
    let args = Args::parse();
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize()?;
    // Only some parts run other examples; the rest need not wait until those are built.
    let alone = |part: &Part| matches!(part, Part::Far | Part::Idle | Part::Start | Part::Page);
    let examples = (args.only.is_empty() || !args.only.iter().all(alone)).then_some("--examples");
    let built = Command::new(env!("CARGO"))
        .args(["build", "--release", "--quiet", "--package", "pintle", "--bins"])
        .args(examples)
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
        nights: args.nights,
        tows: args.tows,
        waiting: args.waiting,
        read_bytes: args.read_bytes,
        queue_in: args.queue_in,
        received: args.received,
        drained: args.drained,
        backlog: args.backlog,
    };
    let writes = args.only.is_empty() || args.write;
    let file = root.join("docs/BENCHMARKS.md");
    let mut sections = Vec::new();
    for part in Part::value_variants() {
        if args.only.is_empty() || args.only.contains(part) {
            let began = format!(
                "Measured at {} on commit {}; load average when it began: {}{}.",
                pintle::clock::utc().to_rfc3339(),
                machine::commit(&bench)?,
                machine::load_average(),
                machine::priority()
            );
            writeln!(std::io::stderr().lock(), "{part:?}: {began}")?;
            let measured = match part {
                Part::Intake => intake::measure(&bench),
                Part::Answer => answer::measure(&bench),
                Part::Queue => queue::measure(&bench),
                Part::Drain => queue::drain(&bench),
                Part::Bytes => queue::bytes(&bench),
                Part::Receiver => receiver::measure(&bench),
                Part::Far => far::measure(&bench),
                Part::Idle => idle::measure(&bench),
                Part::Start => start::measure(&bench),
                Part::Page => page::measure(&bench),
                Part::Position => position::measure(&bench),
                Part::Replay => replay::measure(&bench),
                Part::Kill => kill::measure(&bench),
            };
            // What can't be measured says so in its place and costs no other part its figures.
            let mut section = measured.unwrap_or_else(|error| {
                let failed = Bar {
                    what: format!("{part:?}"),
                    must_be: "measured",
                    measured: "failed, see below".to_owned(),
                    held: false,
                };
                Section {
                    part: *part,
                    bars: vec![failed],
                    text: format!("Could not be measured: {error}.\n"),
                    began: String::new(),
                }
            });
            section.began = began;
            sections.push(section);
            if writes {
                // Another run may have put its parts there meanwhile.
                let before = std::fs::read_to_string(&file).unwrap_or_default();
                std::fs::write(&file, document(&bench, &sections, &before)?)?;
            }
        }
    }
    write!(std::io::stdout().lock(), "{}", document(&bench, &sections, "")?)?;
    let held = sections.iter().flat_map(|section| &section.bars).all(|bar| bar.held);
    Ok(if held { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

impl Part {
    fn title(self) -> &'static str {
        match self {
            Self::Intake => "Durable intake",
            Self::Answer => "Answers and wear at a trailer's pace",
            Self::Queue => "Queue",
            Self::Drain => "Drain",
            Self::Bytes => "Bytes on a link",
            Self::Receiver => "Our receiver",
            Self::Far => "Hits on a long way",
            Self::Idle => "Idle agent",
            Self::Start => "Start",
            Self::Page => "Page and survey",
            Self::Position => "Site keeper",
            Self::Replay => "Replay",
            Self::Kill => "Kills and power cuts",
        }
    }

    /// The command that measures it alone.
    fn command(self) -> String {
        let name = self.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned());
        format!("`cargo run --release --example figures -- --only {name}`")
    }
}

/// The file. What was not measured now stays as `before` has it.
fn document(bench: &Bench, sections: &[Section], before: &str) -> anyhow::Result<String> {
    let mut text = String::from(
        "# Benchmarks\n\nWritten by `cargo run --release --example figures`, never by hand; what it says is what it \
         measured, on the machine below. A part of it\ncan be measured again with the command beside it, which leaves \
         this file alone; with `--write` it takes that part's place here.\n\n",
    );
    text += &machine::table(bench)?;
    text += "\n## Bars\n\n| what | bar | measured | held | command |\n| --- | --- | --- | --- | --- |\n";
    let mut rest = String::new();
    for part in Part::value_variants() {
        let (command, title) = (part.command(), part.title());
        let Some(section) = sections.iter().find(|section| section.part == *part) else {
            let of_it = before.lines().filter(|line| line.ends_with(&format!("{command} |")));
            text.extend(of_it.map(|line| format!("{line}\n")));
            let head = format!("\n## {title}\n");
            if let Some(at) = before.find(&head) {
                let body = &before[at + head.len()..];
                writeln!(rest, "{head}{}", body[..body.find("\n## ").unwrap_or(body.len())].trim_end())?;
            }
            continue;
        };
        for bar in &section.bars {
            let held = if bar.held { "yes" } else { "**no**" };
            writeln!(text, "| {} | {} | {} | {held} | {command} |", bar.what, bar.must_be, bar.measured)?;
        }
        writeln!(rest, "\n## {title}\n\n{}\n\n{}", section.text.trim_end(), section.began)?;
    }
    Ok(text + &rest)
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
