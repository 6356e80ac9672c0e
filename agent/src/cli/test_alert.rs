//! `pintle status --test-alert`: a marked alert through the real way, and when the receiver had it.

use super::ask::{Agent, own_name};
use crate::clock;
use crate::exit::Exit;
use serde_json::{Value, json};
use std::io::Write;
use std::time::Duration;

/// How often it is asked whether the receipt has come (our own choice).
const ASK_EVERY: Duration = Duration::from_millis(250);

/// Sends one and waits at most `wait_s` for its receipt: good if it came, 1 if it did not come in time (it goes on
/// being tried), 2 if the agent refused, 69 if no agent runs.
pub(super) fn send(agent: &Agent, wait_s: u64, as_json: bool, out: &mut dyn Write) -> Exit {
    let made = match agent.result(&json!({ "do": "test.alert", "by": own_name() })) {
        Ok(result) => result,
        Err(exit) => return exit,
    };
    let Some(sequence) = made["sequence"].as_u64() else { return Exit::NoAgent };
    // Numbers begin anew with another file of the queue: an earlier alert's may be higher, its time is not.
    let made_at = made["made"].as_str().unwrap_or_default().to_owned();
    let began = clock::mono();
    loop {
        let last = match agent.result(&json!({ "do": "test.status" })) {
            Ok(result) => result["last"].clone(),
            Err(exit) => return exit,
        };
        let is_later = last["made"].as_str().is_some_and(|at| made_at.as_str() <= at);
        if is_later && last["sequence"].as_u64().is_some_and(|got| sequence <= got) {
            let took_ms = last["took_ms"].as_u64().unwrap_or(0);
            let text = format!(
                "The receiver had the test alert {} after {}.{:03} s (event {sequence}).",
                last["received"].as_str().unwrap_or_default(),
                took_ms / 1000,
                took_ms % 1000
            );
            return say(&last, &text, as_json, Exit::Good, out);
        }
        if wait_s * 1000 <= clock::mono().since_ms(began) {
            let text = format!(
                "No receipt for the test alert within {wait_s} s (event {sequence}). It is kept and goes on being tried; \
                 look at \"pintle status\"."
            );
            return say(&json!({ "sequence": sequence, "received": null }), &text, as_json, Exit::Look, out);
        }
        std::thread::sleep(ASK_EVERY);
    }
}

fn say(value: &Value, text: &str, as_json: bool, exit: Exit, out: &mut dyn Write) -> Exit {
    let written = if as_json { writeln!(out, "{value}") } else { writeln!(out, "{text}") };
    if written.and_then(|()| out.flush()).is_err() { Exit::Act } else { exit }
}
