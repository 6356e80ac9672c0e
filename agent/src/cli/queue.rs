//! `pintle queue`: events that the receiver refused. It asks the running agent and opens no database.

use super::ask::Agent;
use super::refusal::refused;
use crate::exit::Exit;
use pintle_core::wire::queue::RefusedBody;
use serde::Deserialize as _;
use serde_json::{Value, json};
use std::io::{self, Write};

/// Arguments of `pintle queue`.
#[derive(Debug, clap::Args)]
pub struct QueueArgs {
    #[command(subcommand)]
    verb: QueueVerb,
    #[command(flatten)]
    agent: Agent,
    /// Who asks; without it your user name is taken.
    #[arg(long, value_name = "NAME", global = true)]
    by: Option<String>,
    /// One JSON object instead of text.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum QueueVerb {
    /// Show what the receiver refused, with its answer; plates only with --reveal, which the audit tells.
    List {
        /// Show the plates as well. It is written into the audit who saw them.
        #[arg(long)]
        reveal: bool,
    },
    /// Send a refused event once more, under a new number.
    Retry {
        /// Its number, as `list` shows it.
        #[arg(required_unless_present = "all")]
        number: Option<u64>,
        /// All that were refused, at most 500 at a time.
        #[arg(long, conflicts_with = "number")]
        all: bool,
    },
    /// Let a refused event go for good; the receiver is told by the ledger.
    Drop {
        /// Its number, as `list` shows it.
        number: u64,
        /// Why; the audit and the ledger tell it. No plate.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused, with 1 if `list` shows
/// something.
pub fn queue(args: &QueueArgs, out: &mut dyn Write) -> Exit {
    let request = request(args);
    let answer = match args.agent.answer(&request) {
        Ok(answer) => answer,
        Err(exit) => return exit,
    };
    let Some(result) = answer.get("result") else {
        if !args.json {
            refused(answer, &request);
            return Exit::Act;
        }
        return if writeln!(out, "{answer}").and_then(|()| out.flush()).is_ok() { Exit::Act } else { Exit::Stale };
    };
    let rows = result.get("refused").map(Vec::<RefusedBody>::deserialize).and_then(Result::ok).unwrap_or_default();
    let written = if args.json { writeln!(out, "{result}") } else { as_text(&args.verb, result, &rows, out) };
    match (written.and_then(|()| out.flush()), rows.is_empty()) {
        (Err(_), _) => Exit::Stale,
        (Ok(()), true) => Exit::Good,
        (Ok(()), false) => Exit::Look,
    }
}

fn request(args: &QueueArgs) -> Value {
    let by = args.by.clone().unwrap_or_else(|| crate::audit::Who::caller(None).name);
    match &args.verb {
        QueueVerb::List { reveal: false } => json!({ "do": "queue.list" }),
        QueueVerb::List { reveal: true } => json!({ "do": "queue.list", "by": by, "args": { "reveal": true } }),
        QueueVerb::Retry { number, .. } => json!({ "do": "queue.retry", "by": by, "args": { "sequence": number } }),
        QueueVerb::Drop { number, why } => {
            json!({ "do": "queue.drop", "by": by, "args": { "sequence": number, "why": why } })
        }
    }
}

fn as_text(verb: &QueueVerb, result: &Value, rows: &[RefusedBody], out: &mut dyn Write) -> io::Result<()> {
    match verb {
        QueueVerb::List { .. } if rows.is_empty() => {
            writeln!(out, "The receiver has refused nothing that is still here.")
        }
        QueueVerb::List { .. } => {
            for row in rows {
                let camera = row.camera.as_ref().map(|camera| format!(", camera {camera}")).unwrap_or_default();
                let hit = if row.hit { ", HIT" } else { "" };
                writeln!(out, "{}  {}{camera}{hit}, {}", row.sequence, row.kind, row.happened_at)?;
                writeln!(out, "    the receiver said: {}", row.answer)?;
                if let Some(plate) = &row.plate {
                    writeln!(out, "    plate: {plate}")?;
                }
            }
            Ok(())
        }
        QueueVerb::Retry { .. } => writeln!(out, "{} queued once more.", result["queued"]),
        QueueVerb::Drop { number, .. } => writeln!(out, "{number} is dropped; the ledger tells the receiver."),
    }
}
