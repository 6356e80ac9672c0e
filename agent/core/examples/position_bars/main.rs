//! Holds the site keeper against its bars: nights, tows, hops and starts under four simulated skies, and every recorded
//! log of a real receiver in the folder that `--logs` or `PINTLE_LOGS` names.
//!
//! `cargo run --release -p pintle-core --example position_bars -- [--nights N] [--tows N] [--others N] [--from SEED]
//! [--sky SKY] [--logs FOLDER] [--tell]
//! [--story SEED]`: by default 1,000 nights of 12 h, 1,000 tows and 200 of each hop and
//! start a sky, seeds from 1,000,000 on, which no test uses. `--tell` prints each odd trial;
//! `--story SEED` tells what the keeper did on one tow. Two threads; every trial has its own
//! seed, so that the figures don't depend on them. Prints Markdown; `docs/BENCHMARKS.md` takes it in by
//! `cargo run --release --example figures -- --only position --write`. Ends with 1 if a bar is not held.

mod logs;
mod nights;
mod tows;

use pintle_core::position::keeper::KeeperLimits;
use pintle_core::sim::sky::Sky;
use pintle_core::sim::trials::tow_told;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// One figure beside what it must reach.
struct Bar {
    what: String,
    must_be: String,
    measured: String,
    held: bool,
}

/// What is asked for, and what came out.
struct Run {
    nights: u64,
    tows: u64,
    others: u64,
    from: u64,
    tell: bool,
    bars: Vec<Bar>,
    /// Figures of the simulation, as plain text.
    text: String,
    /// Tables of the recorded logs, as Markdown.
    tables: String,
}

impl Run {
    fn line(&mut self, text: std::fmt::Arguments<'_>) -> std::io::Result<()> {
        let mut out = std::io::stderr().lock();
        writeln!(out, "{text}")?;
        out.flush()?;
        self.text.write_fmt(text).map_err(std::io::Error::other)?;
        self.text.push('\n');
        Ok(())
    }

    fn bar(&mut self, what: String, must_be: &str, measured: String, held: bool) {
        self.bars.push(Bar { what, must_be: must_be.to_owned(), measured, held });
    }
}

/// Runs `trial` for every seed on two threads, in the order of the seeds.
fn all<T: Send>(from: u64, count: u64, trial: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let trial = |seed: u64| trial(seed + from);
    let half = count / 2;
    std::thread::scope(|scope| {
        let first = scope.spawn(|| (0..half).map(&trial).collect::<Vec<T>>());
        let mut second: Vec<T> = (half..count).map(&trial).collect();
        let mut results = first.join().unwrap_or_default();
        results.append(&mut second);
        results
    })
}

/// Nearest rank; not a number without values.
fn quantile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_unstable_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index into a short list"
    )]
    let at = ((values.len() as f64 * share).ceil() as usize).saturating_sub(1);
    values[at.min(values.len() - 1)]
}

#[expect(clippy::cast_precision_loss, reason = "counts of trials are small")]
fn percent(count: usize, of: usize) -> f64 {
    100.0 * count as f64 / of.max(1) as f64
}

fn main() -> std::io::Result<ExitCode> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let after = |flag: &str| args.iter().position(|arg| arg == flag).and_then(|at| args.get(at + 1));
    let number = |flag: &str, default: u64| after(flag).and_then(|text| text.parse().ok()).unwrap_or(default);
    let has = |flag: &str| args.iter().any(|arg| arg == flag);
    let mut run = Run {
        nights: number("--nights", 1000),
        tows: number("--tows", 1000),
        others: number("--others", 200),
        from: number("--from", 1_000_000),
        tell: has("--tell"),
        bars: Vec::new(),
        text: String::new(),
        tables: String::new(),
    };
    let limits = KeeperLimits::default();
    if let Some(seed) = after("--story").and_then(|text| text.parse().ok()) {
        for sky in Sky::ALL.into_iter().filter(|sky| after("--sky").is_none_or(|word| word == sky.word())) {
            let outcome = tow_told(sky, limits, seed, &mut |line| drop(writeln!(std::io::stdout().lock(), "{line}")));
            writeln!(std::io::stdout().lock(), "{}: {outcome:?}", sky.word())?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    for sky in Sky::ALL.into_iter().filter(|sky| after("--sky").is_none_or(|word| word == sky.word())) {
        if 0 < run.nights {
            nights::measure(&mut run, sky, limits)?;
        }
        if 0 < run.tows {
            tows::measure(&mut run, sky, limits)?;
        }
        if 0 < run.others {
            tows::hops_and_starts(&mut run, sky, limits)?;
        }
        if sky == Sky::Canyon {
            // A stress case: it is reported and has no bars.
            run.bars.retain(|bar| !bar.what.starts_with(sky.word()));
        }
    }
    let folder = after("--logs").map(PathBuf::from).or_else(|| std::env::var_os("PINTLE_LOGS").map(PathBuf::from));
    if let Some(folder) = folder {
        logs::measure(&mut run, &folder)?;
    }
    let mut out = std::io::stdout().lock();
    out.write_all(section(&run, &args.join(" "))?.as_bytes())?;
    out.flush()?;
    Ok(if run.bars.iter().all(|bar| bar.held) { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// What was measured, as Markdown.
fn section(run: &Run, args: &str) -> std::io::Result<String> {
    let held = run.bars.iter().filter(|bar| bar.held).count();
    let mut text = format!(
        "{held} of {} bars held; `position_bars -- {args}`.\n\nSimulated skies are those of \
         `agent/core/src/sim/sky.rs`; `canyon` is a stress case without bars. Seeds from {} on; no test uses them. \
         Seconds of\na notice are observed seconds (with a fix), counted from the true crossing of the threshold. A \
         bar that is not held stays in the table.\n\n### Bars of the site keeper\n\n| what | bar | measured | held \
         |\n| --- | --- | --- | --- |\n",
        run.bars.len(),
        run.from,
    );
    for bar in &run.bars {
        let held = if bar.held { "yes" } else { "**no**" };
        writeln!(text, "| {} | {} | {} | {held} |", bar.what, bar.must_be, bar.measured)
            .map_err(std::io::Error::other)?;
    }
    text += "\n### Figures of the simulation\n\n```text\n";
    text += &run.text;
    text += "```\n";
    text += &run.tables;
    Ok(text)
}
