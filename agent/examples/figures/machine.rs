//! What was measured on.

use crate::{Bench, median};
use anyhow::Context;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// Of 1, 5 and 15 minutes, as the kernel tells it.
pub(crate) fn load_average() -> String {
    let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').take(3).collect::<Vec<_>>().join(" ")
}

fn said(bench: &Bench, program: &str, args: &[&str]) -> anyhow::Result<String> {
    let output = Command::new(program).args(args).current_dir(&bench.root).output()?;
    Ok(String::from_utf8(output.stdout)?.trim().to_owned())
}

/// What is measured; what is in the file already is no change.
pub(crate) fn commit(bench: &Bench) -> anyhow::Result<String> {
    let changed = said(bench, "git", &["status", "--porcelain", "--", ".", ":!docs/BENCHMARKS.md"])?;
    let commit = said(bench, "git", &["rev-parse", "--short=12", "HEAD"])?;
    Ok(if changed.is_empty() { commit } else { format!("{commit}, with changes that are not committed") })
}

/// How this run stands beside the other work of the machine: its nice value, if it is not the usual 0.
///
/// Source: `proc_pid_stat(5)`, field 19.
pub(crate) fn priority() -> String {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let nice = text.rsplit(')').next().and_then(|rest| rest.split_whitespace().nth(16));
    match nice {
        None | Some("0") => String::new(),
        Some(nice) => format!("; the measured programs ran at nice {nice}, the others at 0"),
    }
}

/// The machine and the commit as a table.
pub(crate) fn table(bench: &Bench) -> anyhow::Result<String> {
    let cpu = std::fs::read_to_string("/proc/cpuinfo")?;
    let cpu = cpu.lines().find_map(|line| line.strip_prefix("model name")?.split(": ").nth(1)).unwrap_or("unknown");
    let memory = std::fs::read_to_string("/proc/meminfo")?;
    let memory_kib: u64 =
        memory.split_whitespace().nth(1).context("no size of the memory")?.parse().context("no size of the memory")?;
    let (sync_ms, sync_p99_ms) = sync_ms(&bench.scratch)?;
    let rows = [
        ("date", pintle::clock::utc().to_rfc3339()),
        ("commit", commit(bench)?),
        ("processor", format!("{cpu}, {} cores", std::thread::available_parallelism()?)),
        ("memory", format!("{} MiB", memory_kib / 1024)),
        ("kernel", std::fs::read_to_string("/proc/sys/kernel/osrelease")?.trim().to_owned()),
        ("disk", file_system(&bench.scratch)?),
        ("one write of 4 KiB with fdatasync", format!("median {sync_ms:.2} ms, p99 {sync_p99_ms:.2} ms")),
        ("compiler", said(bench, "rustc", &["--version"])?),
        ("load average at the end", load_average()),
    ];
    let mut text = String::from("| | |\n| --- | --- |\n");
    for (name, value) in rows {
        writeln!(text, "| {name} | {value} |")?;
    }
    Ok(text)
}

/// Type and device of the file system that holds `folder`: the longest mount point above it.
pub(crate) fn file_system(folder: &Path) -> anyhow::Result<String> {
    let mounts = std::fs::read_to_string("/proc/self/mounts")?;
    let fields = mounts.lines().map(|line| line.split(' ').collect::<Vec<_>>());
    let above = fields.filter(|fields| 3 < fields.len() && folder.starts_with(fields[1]));
    let nearest = above.max_by_key(|fields| fields[1].len()).context("no mount above the scratch folder")?;
    Ok(format!("{} on {} ({})", nearest[2], nearest[0], nearest[3]))
}

/// What one durable write costs on this disk without any database, ms: the floor under a 202.
fn sync_ms(folder: &Path) -> anyhow::Result<(f64, f64)> {
    let mut file = tempfile::tempfile_in(folder)?;
    let mut took_ms = Vec::new();
    for _ in 0..300 {
        let began = Instant::now();
        file.write_all(&[7; 4096])?;
        file.sync_data()?;
        took_ms.push(began.elapsed().as_secs_f64() * 1e3);
    }
    took_ms.sort_by(f64::total_cmp);
    Ok((median(took_ms.clone()), took_ms[took_ms.len() * 99 / 100]))
}
