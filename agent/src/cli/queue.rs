//! `pintle queue`: events that the receiver refused. It asks the running agent and opens no database.

use crate::cli::{CONFIG_PATH, complain};
use crate::config;
use crate::exit::Exit;
use crate::io::control;
use pintle_core::wire::problem::Problem;
use pintle_core::wire::queue::RefusedBody;
use serde::Deserialize as _;
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// Arguments of `pintle queue`.
#[derive(Debug, clap::Args)]
pub struct QueueArgs {
    #[command(subcommand)]
    verb: QueueVerb,
    /// The configuration that the agent runs on; it names the control socket.
    #[arg(long, value_name = "FILE", default_value = CONFIG_PATH, global = true)]
    config: PathBuf,
    /// The control socket itself; then no configuration is read.
    #[arg(long, value_name = "PATH", global = true)]
    socket: Option<PathBuf>,
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
    let socket = match &args.socket {
        Some(socket) => socket.clone(),
        None => match config::read(&args.config) {
            Ok(config) => config.control.socket,
            Err(error) => {
                complain(&error, error.advice());
                return Exit::Config;
            }
        },
    };
    let answer = match control::ask(&socket, &request(args).to_string(), WAIT) {
        Ok(answer) => answer,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::NoAgent;
        }
    };
    let Ok(answer) = serde_json::from_slice::<Value>(&answer) else {
        complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
        return Exit::NoAgent;
    };
    let Some(result) = answer.get("result") else {
        if !args.json {
            return refused(answer);
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

fn refused(answer: Value) -> Exit {
    match serde_json::from_value::<Problem>(answer) {
        Ok(problem) if problem.problems.is_empty() => complain(&problem.title, &problem.detail),
        Ok(problem) => {
            let all: Vec<&str> = problem.problems.iter().map(|fault| fault.detail.as_str()).collect();
            complain(&problem.title, &all.join("\n              "));
        }
        Err(_) => {
            complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
        }
    }
    Exit::Act
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
