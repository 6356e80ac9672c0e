//! Durable intake: the real agent, clients over its unix socket, each read answered after the commit and its sync.

use crate::agent::{Agent, Receiver};
use crate::load::{Answers, post_all};
use crate::{Bar, Bench, Part, Section, thousands};
use anyhow::ensure;
use std::fmt::Write as _;
use std::time::Duration;

const RUN: Duration = Duration::from_secs(5);
const RATE_MIN: f64 = 2000.0;
const P99_MS_MAX: f64 = 50.0;

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let mut text = String::from(
        "The agent as `pintle run` starts it, with its defaults (`commit_wait_ms = 0`, SQLite in WAL with \
         `synchronous=FULL`), without GPS receiver, on the\ndisk above. Clients keep their connection and wait for \
         each 202 before the next request; clients and agent share the machine. Each run takes 5 s;\nof three runs \
         the one with the middle rate is shown. After each case the queue holds every read that was answered 202.\n\n\
         | case | reads/s | p50 ms | p99 ms | p99.9 ms | max ms | rates of the runs |\n\
         | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    let main = case(bench, &mut text, "8 clients, one read a request", 8, 1, None)?;
    let receiver = Receiver::start(bench)?;
    case(bench, &mut text, "the same, while it is delivered to a receiver on this machine", 8, 1, Some(&receiver))?;
    drop(receiver);
    case(bench, &mut text, "1 client, one read a request", 1, 1, None)?;
    case(bench, &mut text, "64 clients, one read a request", 64, 1, None)?;
    case(bench, &mut text, "8 clients, NDJSON with 100 reads a request", 8, 100, None)?;
    let bars = vec![
        Bar {
            what: "durable intake, 8 keep-alive clients".to_owned(),
            must_be: "≥ 2,000 reads/s",
            measured: format!("{:.0} reads/s", main.rate()),
            held: RATE_MIN <= main.rate(),
        },
        Bar {
            what: "its answers, p99".to_owned(),
            must_be: "< 50 ms",
            measured: format!("{:.1} ms (p50 {:.1}, max {:.1})", main.at_ms(990), main.at_ms(500), main.at_ms(1000)),
            held: main.at_ms(990) < P99_MS_MAX,
        },
    ];
    Ok(Section { part: Part::Intake, title: "Durable intake", bars, text, load_average: String::new() })
}

fn case(
    bench: &Bench,
    text: &mut String,
    name: &str,
    clients: usize,
    batch: usize,
    receiver: Option<&Receiver>,
) -> anyhow::Result<Answers> {
    let receiver = receiver.map_or_else(String::new, |receiver| format!("[receiver]\nurl = \"{}\"\n", receiver.url));
    // One more connection than the default takes with 64 clients: the figures' own look at the end.
    let mut agent = Agent::new(bench, &format!("[intake]\nconnections_max = 80\n{receiver}"))?;
    agent.start()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut runs = Vec::new();
    let mut reads = 0;
    for _ in 0..3 {
        let answers = runtime.block_on(post_all(&agent.socket(), RUN, clients, batch))?;
        // Equal bodies of two runs would be repeats: each run begins at the same capture time.
        reads = reads.max(answers.reads);
        runs.push(answers);
    }
    let resident_mib = agent.process()?.resident_most_mib;
    agent.stop()?;
    let kept = rusqlite::Connection::open(agent.queue())?.query_row(
        "SELECT count(*) FROM events WHERE camera IS NOT NULL",
        [],
        |row| row.get::<_, i64>(0),
    )?;
    ensure!(u64::try_from(kept)? == reads, "{reads} reads were answered 202, {kept} are in the queue");
    let rates: Vec<String> = runs.iter().map(|run| format!("{:.0}", run.rate())).collect();
    runs.sort_by(|a, b| a.rate().total_cmp(&b.rate()));
    let middle = runs.swap_remove(1);
    writeln!(
        text,
        "| {name} | {:.0} | {:.1} | {:.1} | {:.1} | {:.1} | {}; {} reads kept, at most {resident_mib:.0} MiB resident |",
        middle.rate(),
        middle.at_ms(500),
        middle.at_ms(990),
        middle.at_ms(999),
        middle.at_ms(1000),
        rates.join(", "),
        thousands(reads),
    )?;
    Ok(middle)
}
