//! The verbs of holds: what is kept past its age limit for a case.

use super::ControlSetup;
use crate::clock;
use crate::store::StoreError;
use pintle_core::moment::Utc;
use pintle_core::queue::holds::{HOLDS_MAX, Hold, HoldChange};
use pintle_core::wire::control::Verb;
use pintle_core::wire::hold::HoldBody;
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};

pub(super) async fn answer(setup: &ControlSetup, verb: &Verb) -> Result<Value, Box<Problem>> {
    let changed = match verb {
        Verb::Hold(change) => Some(changed(setup, change).await?),
        _ => None,
    };
    let holds = setup.store.holds().await.map_err(|error| no_queue(&error))?;
    let now = clock::utc();
    let rows: Vec<HoldBody> =
        holds.iter().filter(|(hold, _)| !hold.ended).map(|(hold, left_ms)| body(hold, *left_ms, now)).collect();
    Ok(match changed {
        Some(number) => json!({ "hold": number, "holds": rows }),
        None => json!({ "holds": rows }),
    })
}

async fn changed(setup: &ControlSetup, change: &HoldChange) -> Result<u64, Box<Problem>> {
    let now = clock::moment(setup.position.borrow().utc_trust);
    let number = setup.store.hold(change.clone(), now).await.map_err(|error| no_queue(&error))?;
    number.ok_or_else(|| match change {
        HoldChange::Add(_) => {
            let detail = format!("there are {HOLDS_MAX} holds; end those that no case needs any more");
            Problem::new("too-many-holds", 409, "There are too many holds", detail)
        }
        HoldChange::Renew { number, .. } | HoldChange::End { number } => {
            let detail = format!("there is no hold with the number {number}; `pintle hold list` shows them");
            Problem::new("no-such-hold", 404, "There is no such hold", detail)
        }
    })
}

fn body(hold: &Hold, left_ms: u64, now: Utc) -> HoldBody {
    let ends = now.plus_ms(i64::try_from(left_ms).unwrap_or(i64::MAX));
    HoldBody { ends: Some(ends.to_rfc3339()), ..HoldBody::from(hold) }
}

fn no_queue(error: &StoreError) -> Box<Problem> {
    Problem::new("queue", 503, "The queue can't do that now", format!("{error}; {}", error.advice()))
}
