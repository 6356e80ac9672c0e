//! Asking the running agent over its control socket, for the commands that do nothing else.

use crate::cli::complain;
use crate::config;
use crate::exit::Exit;
use crate::io::control;
use pintle_core::wire::problem::Problem;
use serde_json::Value;
use std::path::Path;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// Asks; answers the result. What went wrong is said on stderr and is the exit code: 78 no configuration, 69 no agent,
/// 2 refused.
pub(crate) fn ask(config: &Path, request: &Value) -> Result<Value, Exit> {
    let config = config::read(config).map_err(|error| {
        complain(&error, error.advice());
        Exit::Config
    })?;
    let answer = control::ask(&config.control.socket, &request.to_string(), WAIT).map_err(|error| {
        complain(&error, error.advice());
        Exit::NoAgent
    })?;
    let unreadable = || {
        complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
        Exit::NoAgent
    };
    let mut answer: Value = serde_json::from_slice(&answer).map_err(|_| unreadable())?;
    if let Some(result) = answer.get_mut("result") {
        return Ok(result.take());
    }
    let problem: Problem = serde_json::from_value(answer).map_err(|_| unreadable())?;
    let all: Vec<&str> = problem.problems.iter().map(|fault| fault.detail.as_str()).collect();
    let detail = if all.is_empty() { problem.detail.clone() } else { all.join("\n              ") };
    complain(&problem.title, &detail);
    Err(Exit::Act)
}

/// The caller's account, for `by`; the agent writes the kernel's word for it into the audit as well.
pub(crate) fn own_name() -> String {
    crate::audit::Who::caller(None).name
}
