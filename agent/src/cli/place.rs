//! `pintle place`: place lines, as the running agent knows them. It asks over the control socket and opens nothing
//! else.

use crate::cli::{CONFIG_PATH, complain};
use crate::config;
use crate::exit::Exit;
use crate::io::control;
use pintle_core::wire::control::PlaceRowBody;
use pintle_core::wire::problem::Problem;
use serde::Deserialize as _;
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// Arguments of `pintle place`.
#[derive(Debug, clap::Args)]
pub struct PlaceArgs {
    #[command(subcommand)]
    verb: PlaceVerb,
    /// The configuration that the agent runs on; it names the control socket.
    #[arg(long, value_name = "FILE", default_value = CONFIG_PATH, global = true)]
    config: PathBuf,
    /// The control socket itself; then no configuration is read.
    #[arg(long, value_name = "PATH", global = true)]
    socket: Option<PathBuf>,
    /// One JSON object instead of text.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum PlaceVerb {
    /// Show the place line of each camera, and whether a person has confirmed it here.
    List,
    /// Write the place line of a camera for where the trailer stands now; that confirms it too.
    Set {
        /// Name of the camera.
        camera: String,
        /// The road that it looks at.
        #[arg(long)]
        road: String,
        /// The nearest cross street.
        #[arg(long, default_value = "")]
        cross_street: String,
        /// Direction of travel of the vehicles that it reads, for example northbound.
        #[arg(long, default_value = "")]
        direction: String,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Say that the line of a camera, or of all, is right where the trailer stands now.
    Confirm {
        /// Name of the camera; without it all lines are confirmed.
        camera: Option<String>,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused.
pub fn place(args: &PlaceArgs, out: &mut dyn Write) -> Exit {
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
    let answer = match control::ask(&socket, &request(&args.verb).to_string(), WAIT) {
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
    let (written, exit) = match answer.pointer("/result/places").map(Vec::<PlaceRowBody>::deserialize) {
        Some(Ok(rows)) if !args.json => (as_text(&rows, out), Exit::Good),
        Some(Ok(_)) => (as_json(&answer, out), Exit::Good),
        _ => {
            if args.json {
                (as_json(&answer, out), Exit::Act)
            } else {
                refused(answer);
                (Ok(()), Exit::Act)
            }
        }
    };
    if written.is_err() { Exit::Act } else { exit }
}

fn request(verb: &PlaceVerb) -> Value {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    match verb {
        PlaceVerb::List => json!({ "do": "place.list" }),
        PlaceVerb::Set { camera, road, cross_street, direction, by } => json!({
            "do": "place.set",
            "by": name(by),
            "args": { "camera": camera, "road": road, "cross_street": cross_street, "direction": direction },
        }),
        PlaceVerb::Confirm { camera, by } => {
            json!({ "do": "place.confirm", "by": name(by), "args": { "camera": camera } })
        }
    }
}

/// The caller's account; the agent writes the kernel's word for it into the audit as well.
fn own_name() -> String {
    let uid = nix::unistd::getuid();
    nix::unistd::User::from_uid(uid).ok().flatten().map_or_else(|| format!("user {uid}"), |user| user.name)
}

fn refused(answer: Value) {
    let Ok(problem) = serde_json::from_value::<Problem>(answer) else {
        complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
        return;
    };
    if problem.problems.is_empty() {
        complain(&problem.title, &problem.detail);
    } else {
        let all: Vec<&str> = problem.problems.iter().map(|fault| fault.detail.as_str()).collect();
        complain(&problem.title, &all.join("\n              "));
    }
}

fn as_json(answer: &Value, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", answer.get("result").unwrap_or(answer))?;
    out.flush()
}

fn as_text(rows: &[PlaceRowBody], out: &mut dyn Write) -> io::Result<()> {
    for row in rows {
        writeln!(out, "{} ({}): {}", row.camera, row.state, row.sentence)?;
        if let (Some(by), Some(at)) = (&row.by, &row.at) {
            writeln!(out, "    by {by}, {at}")?;
        }
        if !row.advice.is_empty() {
            writeln!(out, "    {}", row.advice)?;
        }
    }
    if rows.is_empty() {
        writeln!(out, "No camera has a place line yet.")?;
    }
    out.flush()
}
