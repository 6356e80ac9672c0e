//! The site keeper against its bars, by the example of the core that knows them.

use crate::{Bar, Bench, Part, Section, median};
use anyhow::Context;
use pintle_core::moment::Utc;
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::position::recording::Recording;
use pintle_core::sim::sentences::sentence;
use std::hint::black_box;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Sentences a second from bytes to a site, on one core.
const SENTENCES_MIN: f64 = 2_000_000.0;

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
    let all_held = Bar {
        what: format!("site keeper: bars held, {nights} nights and {tows} tows a sky, each recorded log"),
        must_be: "all",
        measured: format!("{held} of {all}"),
        held: output.status.success() && held == all,
    };
    let bars = vec![all_held, speed()];
    Ok(Section { part: Part::Position, bars, text, began: String::new() })
}

/// An hour of a standing receiver at 1 Hz with the usual set of sentences, as `cargo bench -p pintle-core` takes it.
fn hour() -> (String, f64) {
    let (mut text, mut count) = (String::new(), 0.0);
    for second in 0..3600_u32 {
        let time = format!("10{:02}{:02}.00", second / 60, second % 60);
        let (north, east) = (second * 7919 % 31, second * 6007 % 23);
        let place = format!("4430.60{north:02},N,03000.00{east:02},W");
        let mut bodies = vec![
            format!("GNRMC,{time},A,{place},0.04,,251126,,,A"),
            "GNVTG,,T,,M,0.04,N,0.07,K,A".to_owned(),
            format!("GNGGA,{time},{place},1,11,0.8,3.0,M,20.0,M,,"),
            "GNGSA,A,3,02,05,07,09,13,15,,,,,,,1.5,0.8,1.2".to_owned(),
            format!("GNGLL,{place},{time},A,A"),
        ];
        bodies.extend((1..=3).map(|n| format!("GPGSV,3,{n},12,02,45,120,41,05,12,300,33,07,66,210,44,09,30,080,39")));
        for body in bodies {
            text += &sentence(&body);
            count += 1.0;
        }
    }
    (text, count)
}

/// From bytes to a site on one core, the median of 31 runs.
fn speed() -> Bar {
    let (text, count) = hour();
    let runs = (0..31).map(|_| {
        let began = Instant::now();
        let mut recording = Recording::new(KeeperLimits::default(), Utc(1_795_600_000_000));
        recording.on_bytes(black_box(text.as_bytes()), &mut |_, action| {
            black_box(action);
        });
        black_box(recording.keeper().site().is_some());
        count / began.elapsed().as_secs_f64()
    });
    let sentences = median(runs.collect());
    Bar {
        what: "from bytes to a site, one core: sentences a second".to_owned(),
        must_be: "≥ 2,000,000",
        measured: format!("{sentences:.0}"),
        held: SENTENCES_MIN <= sentences,
    }
}
