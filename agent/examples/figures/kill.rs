//! `kill -9` at random moments, and power cuts in the middle of copying pictures: runs the tests and repeats what they
//! say.

use crate::{Bar, Bench, Part, Section, thousands};
use std::fmt::Write as _;
use std::process::Command;

/// One test that tells its figures in a line of its own.
struct Trial {
    what: &'static str,
    test: &'static str,
    name: &'static str,
    variable: &'static str,
    word: &'static str,
    times: u32,
    judged: &'static str,
}

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let trials = [
        Trial {
            what: "random moments of `kill -9`",
            test: "kill",
            name: "row_01_kill9_random",
            variable: "PINTLE_KILLS",
            word: "kill figures: ",
            times: bench.kills,
            judged: "the agent is killed under load, the receiver now and then; judged by\nthe receiver's database alone",
        },
        Trial {
            what: "power cuts (copies of the disk) while pictures are copied",
            test: "images_kill",
            name: "power_cuts",
            variable: "PINTLE_IMAGE_CUTS",
            word: "image cut figures: ",
            times: bench.cuts,
            judged: "the disk under a halted agent is copied, mounted and judged by what had been\nanswered before",
        },
    ];
    let (mut bars, mut text) = (Vec::new(), String::new());
    for trial in trials {
        let Trial { what, test, name, variable, word, times, judged } = trial;
        let output = Command::new(env!("CARGO"))
            .args(["test", "--release", "--quiet", "--package", "pintle", "--test", test, name, "--", "--nocapture"])
            .env(variable, times.to_string())
            .current_dir(&bench.root)
            .output()?;
        let said = String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout);
        if said.contains("not run: ") {
            writeln!(text, "{what}: not run, the rig is missing (root, mkfs.ext4, loop mounts).\n")?;
            continue;
        }
        let figures = said.lines().find_map(|line| line.split(word).nth(1));
        // A name that no test bears runs none, and none fails.
        let held = output.status.success() && figures.is_some();
        // A trial that fails tells why, in its own words, and costs the other none of its figures.
        let failed: Vec<&str> = said.lines().skip_while(|line| !line.contains("panicked at")).take(2).collect();
        let failed = failed.join(" ");
        let figures = figures.unwrap_or(&failed);
        writeln!(text, "`{variable}={times} cargo test --release --test {test} {name}`: {judged}. {figures}\n")?;
        bars.push(Bar {
            what: format!("{} {what}: lost or doubled", thousands(times.into())),
            must_be: "0",
            measured: if held { "0".to_owned() } else { "not 0, see below".to_owned() },
            held,
        });
    }
    Ok(Section { part: Part::Kill, bars, text, began: String::new() })
}
