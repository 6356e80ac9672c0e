//! Durable intake: the real agent, clients over its unix socket, each read answered after the commit and its sync; and
//! in the same run, turn by turn, other programs that take messages durably.

use crate::agent::{Agent, Receiver};
use crate::load::{Answers, cpu_s, post_all};
use crate::peers::{self, Peer};
use crate::{Bar, Bench, Part, Section, median, thousands};
use anyhow::ensure;
use std::fmt::Write as _;
use std::time::Duration;

/// How long each case runs in each round.
const RUN: Duration = Duration::from_secs(2);
const ROUNDS: usize = 5;

/// A case of our own: clients, reads a request, whether it is delivered meanwhile.
struct Case {
    name: &'static str,
    clients: usize,
    batch: usize,
    delivered: bool,
}

const CASES: [Case; 5] = [
    Case { name: "64 clients, one read a request", clients: 64, batch: 1, delivered: false },
    Case { name: "8 clients, one read a request", clients: 8, batch: 1, delivered: false },
    Case { name: "8 clients, NDJSON with 100 reads a request", clients: 8, batch: 100, delivered: false },
    Case { name: "1 client, one read a request", clients: 1, batch: 1, delivered: false },
    Case {
        name: "8 clients, one read a request, delivered meanwhile to a receiver on this machine",
        clients: 8,
        batch: 1,
        delivered: true,
    },
];

/// What one line of the table is made of.
#[derive(Default)]
struct Line {
    rates: Vec<f64>,
    p50_ms: Vec<f64>,
    p99_ms: Vec<f64>,
    client_share: Vec<f64>,
    server_us: Vec<f64>,
}

impl Line {
    fn take(&mut self, answers: &Answers, (client_s, server_s): (f64, f64)) {
        self.rates.push(answers.rate());
        self.p50_ms.push(answers.at_ms(500));
        self.p99_ms.push(answers.at_ms(990));
        self.client_share.push(100.0 * client_s / (client_s + server_s));
        let reads = f64::from(u32::try_from(answers.reads.max(1)).unwrap_or(u32::MAX));
        self.server_us.push(server_s * 1e6 / reads);
    }

    fn rate(&self) -> f64 {
        median(self.rates.clone())
    }

    fn write(&self, text: &mut String, name: &str) -> std::fmt::Result {
        let runs: Vec<String> = self.rates.iter().map(|rate| format!("{rate:.0}")).collect();
        let [p50, p99, share, us] = [&self.p50_ms, &self.p99_ms, &self.client_share, &self.server_us]
            .map(|values| if values.is_empty() { f64::NAN } else { median(values.clone()) });
        let number =
            |value: f64, unit: &str| if value.is_nan() { "–".to_owned() } else { format!("{value:.1}{unit}") };
        writeln!(
            text,
            "| {name} | {:.0} | {} | {} | {} | {} | {} |",
            self.rate(),
            number(p50, ""),
            number(p99, ""),
            number(us, ""),
            number(share, " %"),
            runs.join(", "),
        )
    }
}

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let mut ours: [Line; CASES.len()] = Default::default();
    let (mut alone, mut stream_64, mut stream_512, mut syslog) =
        (Line::default(), Line::default(), Line::default(), Line::default());
    let mut kept = 0;
    for _ in 0..ROUNDS {
        for (case, line) in CASES.iter().zip(&mut ours) {
            kept += run(bench, case, line)?;
        }
        let (rate, cpu_us) = peers::sqlite(&bench.scratch, RUN)?;
        alone.rates.push(rate);
        alone.server_us.push(cpu_us);
        let peers = [
            (peers::jetstream(&bench.scratch, RUN, 64)?, &mut stream_64),
            (peers::jetstream(&bench.scratch, RUN, 512)?, &mut stream_512),
            (peers::rsyslog(&bench.scratch, RUN)?, &mut syslog),
        ];
        for (peer, line) in peers {
            if let Some(Peer { answers, cpu_s }) = peer {
                line.take(&answers, cpu_s);
            }
        }
    }
    let mut text = format!(
        "The agent as `pintle run` starts it, with its defaults (`commit_wait_ms = 0`, SQLite in WAL with \
         `synchronous=FULL`), without GPS receiver, on the\ndisk above. Clients keep their connection and wait for \
         each 202 before the next request; clients and agent share the machine. {ROUNDS} rounds,\neach case {} s in \
         each, one after the other, peers among them; medians of the rounds. After each case its queue held every \
         read that was\nanswered 202 ({} in all). Peers get the same reads as bytes; their servers sync before they \
         acknowledge. SQLite alone: one connection, 800 rows\na commit, an index over time-ordered ids.\n\n\
         | case | reads/s | p50 ms | p99 ms | server, µs of processor a read | client's share of it | rates of the \
         rounds |\n| --- | --- | --- | --- | --- | --- | --- |\n",
        RUN.as_secs(),
        thousands(kept),
    );
    for (case, line) in CASES.iter().zip(&ours) {
        line.write(&mut text, case.name)?;
    }
    let peers = [
        ("JetStream (nats-server, `sync_interval: always`), 64 on their way", &stream_64),
        ("the same, 512 on their way", &stream_512),
        ("rsyslog, disk queue, synced, RELP, 128 on their way (loses the last one at a power cut)", &syslog),
        ("SQLite alone", &alone),
    ];
    let mut best = 0.0_f64;
    for (name, line) in peers {
        if line.rates.is_empty() {
            writeln!(text, "| {name} | not run: not installed | – | – | – | – | – |")?;
        } else {
            line.write(&mut text, name)?;
        }
    }
    for line in [&stream_64, &stream_512, &syslog] {
        best = best.max(if line.rates.is_empty() { 0.0 } else { line.rate() });
    }
    let [many, few, lines, ..] = &ours;
    let times = |line: &Line| if best == 0.0 { "no peer".to_owned() } else { format!("{:.1} ×", line.rate() / best) };
    let bars = vec![
        rate_bar("durable intake, 64 keep-alive clients", "≥ 40,000 reads/s", many, 40_000.0),
        rate_bar("durable intake, 8 keep-alive clients", "≥ 20,000 reads/s", few, 20_000.0),
        Bar {
            what: "the 64 clients against the best peer of the same run".to_owned(),
            must_be: "≥ 5 ×",
            measured: times(many),
            held: 0.0 < best && 5.0 * best <= many.rate(),
        },
        rate_bar("durable intake, NDJSON batches of 100, 8 clients", "≥ 100,000 reads/s", lines, 100_000.0),
        Bar {
            what: "the same against SQLite alone in the same run".to_owned(),
            must_be: "≥ 0.5 ×",
            measured: format!("{:.2} ×", lines.rate() / alone.rate()),
            held: 0.5 * alone.rate() <= lines.rate(),
        },
    ];
    Ok(Section { part: Part::Intake, bars, text, began: String::new() })
}

fn rate_bar(what: &str, must_be: &'static str, line: &Line, min: f64) -> Bar {
    let measured = format!("{:.0} reads/s", line.rate());
    Bar { what: what.to_owned(), must_be, measured, held: min <= line.rate() }
}

/// One round of one case on a fresh agent; answers how many reads its queue holds, which are all that were answered.
fn run(bench: &Bench, case: &Case, line: &mut Line) -> anyhow::Result<u64> {
    let receiver = case.delivered.then(|| Receiver::start(bench)).transpose()?;
    let target = receiver.as_ref().map_or_else(String::new, |to| format!("[receiver]\nurl = \"{}\"\n", to.url));
    // One more connection than the default takes with 64 clients: the figures' own look at the end.
    let mut agent = Agent::new(bench, &format!("[intake]\nconnections_max = 80\n{target}"))?;
    agent.start()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let own = std::process::id();
    let before = (cpu_s(own), agent.process()?.on_cpu_ns);
    let answers = runtime.block_on(post_all(&agent.socket(), RUN, case.clients, case.batch))?;
    let server_ns = u32::try_from((agent.process()?.on_cpu_ns - before.1) / 1000)?;
    line.take(&answers, (cpu_s(own) - before.0, f64::from(server_ns) / 1e6));
    agent.stop()?;
    let kept: i64 = rusqlite::Connection::open(agent.queue())?.query_row(
        "SELECT count(*) FROM events WHERE camera IS NOT NULL",
        [],
        |row| row.get(0),
    )?;
    ensure!(u64::try_from(kept)? == answers.reads, "{} reads were answered 202, {kept} are kept", answers.reads);
    Ok(answers.reads)
}
