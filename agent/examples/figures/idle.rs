//! Memory and processor of an agent that has nothing to do but to listen to its GPS receiver.

use crate::agent::Agent;
use crate::{Bar, Bench, Part, Section};
use anyhow::Context;
use pintle::clock;
use pintle::demo::feed::Line;
use pintle_core::geo::LatLon;
use pintle_core::sim::track::{Leg, Track};
use std::thread::sleep;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

const WARM_UP: Duration = Duration::from_secs(10);
const LOOK: Duration = Duration::from_secs(30);
const RESIDENT_MIB_MAX: f64 = 40.0;
const CORE_PERCENT_MAX: f64 = 1.0;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let link = bench.scratch.join("gps0");
    let line = Line::open(&link)?;
    // It stands all the time: the tow would begin in a day.
    let track = Track {
        start: LatLon::new(44.5102, -38.1987).context("no position")?,
        tow_at_ms: 86_400_000,
        legs: vec![Leg { azimuth_deg: 62.0, length_m: 100.0 }],
        speed_mps: 16.0,
        accel_mps2: 3.0,
    };
    let stop = CancellationToken::new();
    let speaking = {
        let stop = stop.clone();
        std::thread::spawn(move || line.speak(&track, 1, 1, clock::mono(), &stop))
    };
    let mut agent = Agent::new(bench, &format!("[gps]\ndevice = \"{}\"\n", link.display()))?;
    agent.start()?;
    sleep(WARM_UP);
    let before = agent.process()?;
    sleep(LOOK);
    let after = agent.process()?;
    let busy_ns = u32::try_from(after.on_cpu_ns - before.on_cpu_ns).context("too busy to be idle")?;
    let core_percent = f64::from(busy_ns) / 1e9 / LOOK.as_secs_f64() * 100.0;
    agent.stop()?;
    stop.cancel();
    speaking.join().map_err(|_| anyhow::anyhow!("the simulated GPS receiver broke off"))??;
    let text = format!(
        "`pintle run` with a GPS receiver at 1 Hz on a pseudo-terminal, health files every 5 s, no reads. After 10 s, over 30 s: \
         {:.1} MiB resident\n(of it {:.1} MiB its own, at most {:.1} MiB so far), {core_percent:.2} % of one core, {} threads.\n",
        after.resident_mib, after.anonymous_mib, after.resident_most_mib, after.threads
    );
    let bars = vec![
        Bar {
            what: "idle agent, resident memory".to_owned(),
            must_be: "< 40 MiB",
            measured: format!("{:.1} MiB", after.resident_mib),
            held: after.resident_mib < RESIDENT_MIB_MAX,
        },
        Bar {
            what: "idle agent, share of one core".to_owned(),
            must_be: "< 1 %",
            measured: format!("{core_percent:.2} %"),
            held: core_percent < CORE_PERCENT_MAX,
        },
    ];
    Ok(Section { part: Part::Idle, bars, text, began: String::new() })
}
