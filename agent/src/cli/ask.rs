//! How a command asks the running agent: over the control socket, and nothing else.

use super::{CONFIG_PATH, complain};
use crate::config;
use crate::exit::Exit;
use crate::io::control;
use pintle_core::wire::problem::Problem;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::io::{self, Write};
use std::path::PathBuf;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// Which agent is asked, and how the answer is shown.
#[derive(Debug, clap::Args)]
pub(super) struct Way {
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

impl Way {
    /// The same for the whole result; `see` is shown it whatever the form of the output.
    pub(super) fn ask_and_see<T: DeserializeOwned>(
        &self,
        request: &Value,
        out: &mut dyn Write,
        mut see: impl FnMut(&T),
        as_text: impl FnOnce(&T, &Value, &mut dyn Write) -> io::Result<()>,
    ) -> Exit {
        self.answered(request, "", out, &mut see, as_text)
    }

    /// Asks, and shows the part of the result that `pointer` names by `as_text`, or all of it as JSON. Ends with 69 if
    /// no agent runs, with 2 if it refused.
    pub(super) fn ask<T: DeserializeOwned>(
        &self,
        request: &Value,
        pointer: &str,
        out: &mut dyn Write,
        as_text: impl FnOnce(&T, &Value, &mut dyn Write) -> io::Result<()>,
    ) -> Exit {
        self.answered(request, pointer, out, &mut |_| {}, as_text)
    }

    fn answered<T: DeserializeOwned>(
        &self,
        request: &Value,
        pointer: &str,
        out: &mut dyn Write,
        see: &mut dyn FnMut(&T),
        as_text: impl FnOnce(&T, &Value, &mut dyn Write) -> io::Result<()>,
    ) -> Exit {
        let socket = match &self.socket {
            Some(socket) => socket.clone(),
            None => match config::read(&self.config) {
                Ok(config) => config.control.socket,
                Err(error) => {
                    complain(&error, error.advice());
                    return Exit::Config;
                }
            },
        };
        let answer = match control::ask(&socket, &request.to_string(), WAIT) {
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
        let result = answer.get("result").cloned().unwrap_or(Value::Null);
        let part = result.pointer(pointer).map(T::deserialize);
        if let Some(Ok(part)) = &part {
            see(part);
        }
        let (written, exit) = match part {
            Some(Ok(part)) if !self.json => (as_text(&part, &result, out).and_then(|()| out.flush()), Exit::Good),
            Some(Ok(_)) => (as_json(&result, out), Exit::Good),
            _ if self.json => (as_json(&answer, out), Exit::Act),
            _ => {
                refused(answer);
                (Ok(()), Exit::Act)
            }
        };
        if written.is_err() { Exit::Act } else { exit }
    }
}

/// The caller's account; the agent writes the kernel's word for it into the audit as well.
pub(super) fn own_name() -> String {
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
    writeln!(out, "{answer}")?;
    out.flush()
}
