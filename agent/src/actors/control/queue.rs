//! The verbs of the queue: what the receiver refused, and what a person makes of it.

use super::ControlSetup;
use crate::clock;
use crate::store::{Dropped, RefusedEvent, StoreError};
use pintle_core::queue::EventKind;
use pintle_core::wire::control::Verb;
use pintle_core::wire::problem::Problem;
use pintle_core::wire::queue::RefusedBody;
use serde_json::{Value, json};

/// Stands in place of a plate that this trailer can't read itself.
const SEALED: &str = "sealed: only the agency can open it";

pub(super) async fn answer(setup: &ControlSetup, verb: &Verb) -> Result<Value, Box<Problem>> {
    let now = clock::moment(setup.position.borrow().utc_trust);
    match verb {
        Verb::QueueList { reveal } => {
            let refused = setup.store.refused().await.map_err(|error| no_queue(&error))?;
            Ok(json!({ "refused": refused.iter().map(|event| body(event, *reveal)).collect::<Vec<_>>() }))
        }
        Verb::QueueRetry { sequence } => {
            let queued = setup.store.retry(*sequence, now).await.map_err(|error| no_queue(&error))?;
            match sequence {
                Some(sequence) if queued == 0 => Err(none(*sequence)),
                _ => Ok(json!({ "queued": queued })),
            }
        }
        Verb::QueueDrop { sequence, why } => {
            let dropped =
                setup.store.drop_refused(*sequence, why.clone(), now).await.map_err(|error| no_queue(&error))?;
            match dropped {
                Dropped::Gone => Ok(json!({ "dropped": 1 })),
                Dropped::Unknown => Err(none(*sequence)),
                Dropped::Held => Err(Problem::new(
                    "held",
                    409,
                    "A hold keeps that event",
                    "it stays until the hold ends; `pintle hold list` shows which",
                )),
            }
        }
        _ => Ok(Value::Null),
    }
}

fn body(event: &RefusedEvent, reveal: bool) -> RefusedBody {
    RefusedBody {
        sequence: event.sequence,
        id: event.id.to_string(),
        kind: event.kind.event_type().to_owned(),
        camera: event.camera.as_ref().map(|camera| camera.as_str().to_owned()),
        hit: event.hit,
        happened_at: event.happened_at.to_rfc3339(),
        answer: event.answer.clone(),
        plate: (reveal && event.kind == EventKind::Read).then(|| plate(&event.body)),
    }
}

fn plate(body: &[u8]) -> String {
    match serde_json::from_slice::<Value>(body) {
        Ok(read) if read.get("plate").is_some() => read["plate"].as_str().unwrap_or("unread").to_owned(),
        _ => SEALED.to_owned(),
    }
}

fn none(sequence: u64) -> Box<Problem> {
    let detail = format!("there is no refused event with the number {sequence}; `pintle queue list` shows them");
    Problem::new("no-such-event", 404, "There is no such event", detail)
}

fn no_queue(error: &StoreError) -> Box<Problem> {
    Problem::new("queue", 503, "The queue can't do that now", format!("{error}; {}", error.advice()))
}
