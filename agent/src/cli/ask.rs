//! How a command asks the running agent: over the control socket, and nothing else.

use super::refusal::refused;
use super::{complain, usual};
use crate::exit::Exit;
use crate::io::control::{self, AskError};
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::io::{self, Write};
use std::path::PathBuf;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// Which agent is asked.
#[derive(Clone, Debug, Default, clap::Args)]
pub(super) struct Agent {
    /// The configuration that the agent runs on; it names the control socket. Without it /etc/pintle/pintle.toml, and
    /// the usual socket for those who may not read that.
    #[arg(long, value_name = "FILE", global = true)]
    config: Option<PathBuf>,
    /// The control socket itself; then no configuration is read.
    #[arg(long, value_name = "PATH", global = true)]
    socket: Option<PathBuf>,
}

impl Agent {
    /// The agent of this configuration or behind this socket.
    pub(super) fn of(config: Option<PathBuf>, socket: Option<PathBuf>) -> Self {
        Self { config, socket }
    }

    /// The answer as it came. What went wrong is said on stderr and is the exit code: 78 for the configuration, 69 if
    /// no agent answers.
    pub(super) fn answer(&self, request: &Value) -> Result<Value, Exit> {
        let (socket, doubt) = match &self.socket {
            Some(socket) => (socket.clone(), String::new()),
            None => match usual::find(self.config.as_deref()) {
                Ok(found) => (found.socket(), found.doubt("--socket PATH")),
                Err(error) => {
                    complain(&error, error.advice());
                    return Err(Exit::Config);
                }
            },
        };
        let answer = control::ask(&socket, &request.to_string(), WAIT).map_err(|error| {
            let doubt = if matches!(error, AskError::NoAgent { .. }) { doubt } else { String::new() };
            complain(&error, &format!("{}{doubt}", error.advice()));
            Exit::NoAgent
        })?;
        serde_json::from_slice(&answer).map_err(|_| {
            complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
            Exit::NoAgent
        })
    }

    /// The result. A refusal is said on stderr, and is 2.
    pub(super) fn result(&self, request: &Value) -> Result<Value, Exit> {
        let mut answer = self.answer(request)?;
        if let Some(result) = answer.get_mut("result") {
            return Ok(result.take());
        }
        refused(answer, request);
        Err(Exit::Act)
    }
}

/// Which agent is asked, and how the answer is shown.
#[derive(Debug, clap::Args)]
pub(super) struct Way {
    #[command(flatten)]
    agent: Agent,
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
        let answer = match self.agent.answer(request) {
            Ok(answer) => answer,
            Err(exit) => return exit,
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
                refused(answer, request);
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

fn as_json(answer: &Value, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{answer}")?;
    out.flush()
}
