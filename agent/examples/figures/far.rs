//! Hits on a long way that loses packets, while a backlog drains: runs the test between network namespaces and repeats
//! what it says.

use crate::{Bar, Bench, Part, Section, thousands};
use std::process::Command;

/// Issue: capture to receipt of 99 of 100 hits, ms.
const HITS_MS: u64 = 3000;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let name = "hits_on_a_long_way_that_loses_packets_overtake_a_backlog_that_drains";
    let backlog = bench.backlog.to_string();
    let output = Command::new(env!("CARGO"))
        .args(["test", "--release", "--quiet", "--package", "pintle", "--test", "link_far", name, "--", "--nocapture"])
        .envs([("PINTLE_FAR_BACKLOG", backlog.as_str()), ("PINTLE_STRICT", "1")])
        .current_dir(&bench.root)
        .output()?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout);
    anyhow::ensure!(!said.contains("not run: "), "the rig is missing (root, iproute2, nftables, ethtool)");
    let figures = said.lines().find(|line| line.contains(" hits at 300 ms and 3 % loss"));
    let Some(figures) = figures else {
        let failed: Vec<&str> = said.lines().skip_while(|line| !line.contains("panicked at")).take(2).collect();
        anyhow::bail!("the test told nothing: {}", failed.join(" "));
    };
    let p99 = figures.split("p99 ").nth(1).and_then(|rest| rest.split(' ').next()).and_then(|ms| ms.parse().ok());
    let p99: u64 = p99.ok_or_else(|| anyhow::anyhow!("no p99 in: {figures}"))?;
    let text = format!(
        "The real agent and the real receiver in network namespaces, 150 ms each way and three of a hundred packets lost \
         (a relay of frames, seed 7);\na hit each 1.5 s until all of the backlog is there \
         (`PINTLE_FAR_BACKLOG={backlog} cargo test --release --test link_far hits`). {figures}.\n"
    );
    let bar = Bar {
        what: format!(
            "hits at 300 ms and 3 % loss over a backlog of {}: capture to receipt p99",
            thousands(bench.backlog)
        ),
        must_be: "under 3,000 ms",
        measured: format!("{} ms", thousands(p99)),
        held: output.status.success() && p99 < HITS_MS,
    };
    Ok(Section { part: Part::Far, bars: vec![bar], text, began: String::new() })
}
