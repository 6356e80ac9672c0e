//! From the start of the program to READY: the queue is open and the intake takes reads.

use crate::agent::Agent;
use crate::{Bar, Bench, Part, Section, median};

const READY_MS_MAX: f64 = 5000.0;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let mut agent = Agent::new(bench, "")?;
    let mut took_ms = Vec::new();
    for _ in 0..5 {
        took_ms.push(agent.start()?);
        agent.stop()?;
    }
    let middle_ms = median(took_ms.clone());
    let all: Vec<String> = took_ms.iter().map(|ms| format!("{ms:.0}")).collect();
    let text = format!("Five starts on an empty queue, ms: {}.\n", all.join(", "));
    let bars = vec![Bar {
        what: "start to READY, median of five".to_owned(),
        must_be: "< 5 s (our own)",
        measured: format!("{middle_ms:.0} ms"),
        held: middle_ms < READY_MS_MAX,
    }];
    Ok(Section { part: Part::Start, bars, text, began: String::new() })
}
