//! The queue alone, with little and with much waiting; the drain into our own receiver; bytes on a link.

use crate::machine;
use crate::{Bar, Bench, Part, Section, median, thousands};
use anyhow::Context;
use std::process::Command;

/// What a bar compares.
pub(crate) fn bar(what: &str, must_be: &'static str, measured: String, held: bool) -> Bar {
    Bar { what: what.to_owned(), must_be, measured, held }
}

/// The number behind `label` in both cases of an example that measures a small and a large one, in their order.
pub(crate) fn numbers(said: &str, label: &str) -> anyhow::Result<[f64; 2]> {
    let mut found = said.lines().filter_map(|line| {
        let rest = line.trim_start().strip_prefix(label)?;
        rest.split_whitespace().find_map(|word| word.parse::<f64>().ok())
    });
    let both = found.next().zip(found.next());
    both.map(|(few, many)| [few, many]).with_context(|| format!("no two figures of {label:?} in:\n{said}"))
}

pub(crate) fn run(bench: &Bench, example: &str, arguments: &[String]) -> anyhow::Result<String> {
    let program = bench.program.with_file_name("examples").join(example);
    let output =
        Command::new(&program).args(arguments).current_dir(&bench.scratch).env("TMPDIR", &bench.scratch).output()?;
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    anyhow::ensure!(output.status.success(), "{example}: {said}{}", String::from_utf8_lossy(&output.stderr));
    Ok(said)
}

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let mut arguments = vec![bench.waiting.to_string(), bench.read_bytes.to_string()];
    let mut place = "the disk above".to_owned();
    if let Some(folder) = &bench.queue_in {
        place = machine::file_system(folder)?;
        arguments.push(folder.display().to_string());
    }
    let said = run(bench, "queue_speed", &arguments)?;
    let [few, many] = numbers(&said, "by turns, accepted reads/s")?;
    let [lease_few, lease_many] = numbers(&said, "lease of 100, µs (median)")?;
    let [_, start_ms] = numbers(&said, "start to first accepted read, ms")?;
    let disk = said.split("of 1,000 bytes").nth(1).and_then(|rest| rest.split_whitespace().next()?.parse::<f64>().ok());
    let disk = disk.with_context(|| format!("no disk in:\n{said}"))?;
    let [_, memory_kb] = numbers(&said, "resident memory of this process, kB")?;
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
    ];
    let text = format!(
        "The store by its handle, reads of {} bytes (`queue_speed`), once and, where it says so, by turns, on \
         {place}.\n\n```\n{said}```\n",
        thousands(bench.read_bytes)
    );
    Ok(Section { part: Part::Queue, bars, text, began: String::new() })
}

pub(crate) fn drain(bench: &Bench) -> anyhow::Result<Section> {
    const ROUNDS: usize = 3;
    let (mut rates, mut hits_ms, mut cpu_us, mut said) = (Vec::new(), Vec::new(), Vec::new(), String::new());
    for _ in 0..ROUNDS {
        let told = run(bench, "drain_speed", &[bench.drained.to_string()])?;
        rates.push(word_before(&told, "a second")?);
        cpu_us.push(word_before(&told, "µs of processor")?);
        let hit_ms = told.split("p99 ").nth(1).and_then(|rest| rest.split_whitespace().next()?.parse::<f64>().ok());
        hits_ms.push(hit_ms.with_context(|| format!("no hits in:\n{told}"))?);
        said += &told;
    }
    let (rate, hit_ms, cpu_us) = (median(rates), median(hits_ms), median(cpu_us));
    let bars = vec![
        bar(
            &format!("drain of {} reads to our receiver on loopback", thousands(bench.drained)),
            "≥ 30,000 reads/s",
            format!("{rate:.0} reads/s"),
            30_000.0 <= rate,
        ),
        bar(
            "a hit accepted meanwhile, acceptance to receipt, p99",
            "≤ 100 ms",
            format!("{hit_ms:.0} ms"),
            hit_ms <= 100.0,
        ),
    ];
    let text = format!(
        "Store, forwarder and receiver of the program in one process (`drain_speed`), reads of 200 bytes, all of \
         the disk. Medians of {ROUNDS} runs.\nBoth ends together take {cpu_us:.1} µs of processor a read, so that two \
         cores could drain at most {:.0} reads/s if nothing else ran on them.\n\n```\n{said}```\n",
        2e6 / cpu_us
    );
    Ok(Section { part: Part::Drain, bars, text, began: String::new() })
}

pub(crate) fn bytes(bench: &Bench) -> anyhow::Result<Section> {
    let output = Command::new(env!("CARGO"))
        .args(["test", "--release", "--quiet", "--package", "pintle", "--test", "thin_link", "bytes_on_the_interface"])
        .args(["--", "--nocapture", "--test-threads=1"])
        .current_dir(&bench.root)
        .output()?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let each = |word: &str| -> anyhow::Result<u64> {
        let found = said.split(word).nth(1).and_then(|rest| rest.split_whitespace().next()?.parse().ok());
        found.with_context(|| format!("no figure behind {word:?} in:\n{said}"))
    };
    let (plain, sealed) = (each("batches of 100, both ways: ")?, each("batches of 100, sealed, both ways: ")?);
    let what = "bytes of an ordinary read on the interface, both ways, batches of 100";
    let bars = vec![
        bar(&format!("{what}, plain"), "≤ 90", format!("{plain}"), plain <= 90),
        bar(&format!("{what}, sealed"), "≤ 160", format!("{sealed}"), sealed <= 160),
    ];
    let text =
        "Counted by a relay before the receiver, TLS and receipts among them (`tests/thin_link.rs`).\n".to_owned();
    Ok(Section { part: Part::Bytes, bars, text, began: String::new() })
}

/// The number in front of `words`.
fn word_before(said: &str, words: &str) -> anyhow::Result<f64> {
    let before = said.split(words).next().unwrap_or_default();
    let word = before.split_whitespace().next_back().and_then(|word| word.parse().ok());
    word.with_context(|| format!("no figure before {words:?} in:\n{said}"))
}
