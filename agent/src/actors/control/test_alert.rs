//! A marked test alert through the real way: accepted, queued and sent as an alarm is.

use super::ControlSetup;
use crate::clock;
use crate::store::{Accepted, NewEvent};
use pintle_core::moment::Utc;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::notice::NoticeBody;
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};

/// Accepts one; the answer names its number in the queue. It is durable then, and goes before everything that waits.
pub(super) async fn send(setup: &ControlSetup, by: String) -> Result<Value, Box<Problem>> {
    let now = clock::moment(setup.position.borrow().utc_trust);
    let text = format!("Test alert, asked for by {by}. Nothing has happened.");
    let advice = "say to whoever is at the trailer that it came";
    let notice = NoticeBody { test: true, ..NoticeBody::new("test", true, now.utc, text, advice) };
    let event = NewEvent::own(EventKind::Notice, Lane::Urgent, now.utc, &notice);
    match setup.store.accept(vec![event], now).await {
        Ok(accepted) => Ok(json!({
            "sequence": match accepted.first() {
                Some(Accepted::New { sequence } | Accepted::Repeat { sequence }) => *sequence,
                _ => 0,
            },
            "made": now.utc.to_rfc3339(),
        })),
        Err(error) => {
            Err(Problem::new("refused", 409, "That can't be done now", format!("{error}; {}", error.advice())))
        }
    }
}

/// The newest test alert that got its receipt.
pub(super) fn status(setup: &ControlSetup) -> Value {
    let last = setup.forward.borrow().last_test;
    let told = |at: Utc| at.to_rfc3339();
    json!({ "last": last.map(|test| json!({
        "sequence": test.sequence,
        "made": told(test.made),
        "received": told(test.received),
        "took_ms": test.received.since_ms(test.made).max(0),
    })) })
}
