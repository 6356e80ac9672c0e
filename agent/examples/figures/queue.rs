//! The queue alone, with little and with much waiting; the drain into our own receiver; bytes on a link.

use crate::{Bar, Bench, Part, Section, thousands};
use anyhow::Context;
use std::process::Command;

/// What a bar compares.
fn bar(what: &str, must_be: &'static str, measured: String, held: bool) -> Bar {
    Bar { what: what.to_owned(), must_be, measured, held }
}

/// The number behind `label` in each case of `queue_speed`, in their order.
fn numbers(said: &str, label: &str) -> anyhow::Result<[f64; 2]> {
    let mut found = said.lines().filter_map(|line| {
        let rest = line.trim_start().strip_prefix(label)?;
        rest.split_whitespace().find_map(|word| word.parse::<f64>().ok())
    });
    let both = found.next().zip(found.next());
    both.map(|(few, many)| [few, many]).with_context(|| format!("no two figures of {label:?} in:\n{said}"))
}

fn run(bench: &Bench, example: &str, argument: &str) -> anyhow::Result<String> {
    let program = bench.program.with_file_name("examples").join(example);
    let output =
        Command::new(&program).arg(argument).current_dir(&bench.scratch).env("TMPDIR", &bench.scratch).output()?;
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    anyhow::ensure!(output.status.success(), "{example}: {said}{}", String::from_utf8_lossy(&output.stderr));
    Ok(said)
}

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let queue = run(bench, "queue_speed", &bench.waiting.to_string())?;
    let drain = run(bench, "drain_speed", &bench.drained.to_string())?;
    let link = Command::new(env!("CARGO"))
        .args(["test", "--release", "--quiet", "--package", "pintle", "--test", "thin_link", "an_ordinary", "--"])
        .arg("--nocapture")
        .current_dir(&bench.root)
        .output()?;
    let link_said = String::from_utf8_lossy(&link.stderr).into_owned();
    let each = link_said.split("both ways: ").nth(1).and_then(|rest| rest.split_whitespace().next()?.parse().ok());
    let each: u64 = each.with_context(|| format!("no figure of bytes in:\n{link_said}"))?;
    let ratio = |label: &str| numbers(&queue, label).map(|[few, many]| (few, many));
    let (few, many) = ratio("accepted reads/s, 8 callers, 100 a call")?;
    let (lease_few, lease_many) = ratio("lease of 100, µs (median)")?;
    let [_, start_ms] = numbers(&queue, "start to first accepted read, ms")?;
    let [_, disk] = numbers(&queue, "disk per waiting read, bytes")?;
    let [_, memory_kb] = numbers(&queue, "resident memory of this process, kB")?;
    let a_second: f64 = word_before(&drain, "a second")?;
    let hit_ms: f64 = drain
        .split("p99 ")
        .nth(1)
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .with_context(|| format!("no hits in:\n{drain}"))?;
    let waiting = thousands(bench.waiting);
    let bars = vec![
        bar(
            &format!("accepting with 10,000 waiting : with {waiting} (8 callers, 100 a call)"),
            "≤ 1.3",
            format!("{:.2}", few / many),
            few / many <= 1.3,
        ),
        bar(
            &format!("lease of 100 with {waiting} waiting : with 10,000"),
            "≤ 1.3",
            format!("{:.2}", lease_many / lease_few),
            lease_many / lease_few <= 1.3,
        ),
        bar(
            &format!("start to first accepted read with {waiting} waiting"),
            "≤ 1 s",
            format!("{start_ms:.0} ms"),
            start_ms <= 1000.0,
        ),
        bar("disk for a waiting read of 1 kB", "≤ 1.6 kB", format!("{disk:.0} bytes"), disk <= 1600.0),
        bar(
            &format!("resident memory with {waiting} waiting"),
            "≤ 64 MiB",
            format!("{:.0} MiB", memory_kb / 1024.0),
            memory_kb <= 65_536.0,
        ),
        bar(
            &format!("drain of {} reads to our receiver on loopback", thousands(bench.drained)),
            "≥ 30,000 reads/s",
            format!("{a_second:.0} reads/s"),
            30_000.0 <= a_second,
        ),
        bar("a hit meanwhile, capture to receipt, p99", "≤ 100 ms", format!("{hit_ms:.0} ms"), hit_ms <= 100.0),
        bar("bytes of an ordinary read on the interface, batches of 100", "≤ 90", format!("{each}"), each <= 90),
    ];
    let text = format!(
        "The store by its handle, reads of 1,000 bytes (`queue_speed`); all in one process, reads \
         of\n200 bytes (`drain_speed`); bytes counted by a relay before the receiver, TLS and receipts among \
         them\n(`tests/thin_link.rs`).\n\n```\n{queue}{drain}```\n"
    );
    Ok(Section { part: Part::Queue, title: "Queue and drain", bars, text, load_average: String::new() })
}

/// The number in front of `words`.
fn word_before(said: &str, words: &str) -> anyhow::Result<f64> {
    let before = said.split(words).next().unwrap_or_default();
    let word = before.split_whitespace().next_back().and_then(|word| word.parse().ok());
    word.with_context(|| format!("no figure before {words:?} in:\n{said}"))
}
