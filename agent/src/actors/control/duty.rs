//! The verbs of duty and needs: reading is paused until some time, and somebody has a need in hand.

use super::{ANSWER_WAIT, ControlSetup};
use crate::actors::messages::{DutyRequest, DutyWord};
use crate::clock;
use pintle_core::health::duty::DutyBook;
use pintle_core::nearest::nearest;
use pintle_core::wire::control::Verb;
use pintle_core::wire::duty::{AckBody, DutyBody, NeedsBody, OffBody, ack_of};
use pintle_core::wire::health::{HealthBody, NeedBody};
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};

/// What is known of duty and needs, and the way to its owner.
#[derive(Clone, Debug)]
pub struct DutyDesk {
    /// What people said.
    pub book: watch::Receiver<Arc<DutyBook>>,
    /// The newest state that health told: its needs can be acknowledged.
    pub state: watch::Receiver<Option<Arc<HealthBody>>>,
    /// The way to the owner; a new one after each of its restarts.
    pub owner: watch::Receiver<mpsc::Sender<DutyRequest>>,
}

/// Nothing is known, and nobody keeps anything.
impl Default for DutyDesk {
    fn default() -> Self {
        Self {
            book: watch::channel(Arc::default()).1,
            state: watch::channel(None).1,
            owner: watch::channel(mpsc::channel(1).0).1,
        }
    }
}

pub(super) async fn answer(setup: &ControlSetup, verb: &Verb, by: &str) -> Result<Value, Box<Problem>> {
    let book = Arc::clone(&setup.duty.book.borrow());
    match verb {
        Verb::DutyOff { for_s, reason } => {
            let off = DutyWord::Off { for_s: *for_s, reason: reason.clone() };
            Ok(duty_body(&*said(setup, off, by).await?))
        }
        Verb::DutyOn => Ok(duty_body(&*said(setup, DutyWord::On, by).await?)),
        Verb::NeedList => Ok(json!(NeedsBody { needs: needs(setup, &book)? })),
        Verb::NeedAck { need, for_s, undo } => {
            let all = needs(setup, &book)?;
            let Some(known) = all.iter().find(|one| one.code == *need) else { return Err(none(need, &all)) };
            let word = if *undo {
                DutyWord::TakeBack { code: known.code.clone() }
            } else {
                let now = clock::moment(setup.position.borrow().utc_trust);
                DutyWord::Ack(ack_of(known, by, *for_s, &now))
            };
            let book = said(setup, word, by).await?;
            Ok(json!(NeedsBody { needs: needs(setup, &book)? }))
        }
        _ => Ok(duty_body(&book)),
    }
}

fn duty_body(book: &DutyBook) -> Value {
    let off = book.off.as_ref().map(|off| OffBody::of(off, clock::mono()));
    json!(DutyBody { on_duty: off.is_none(), off })
}

/// The needs as health told them last, with what has been said of them since.
fn needs(setup: &ControlSetup, book: &DutyBook) -> Result<Vec<NeedBody>, Box<Problem>> {
    let Some(state) = setup.duty.state.borrow().clone() else {
        let detail = "the agent has not judged the trailer yet; try again in a few seconds";
        return Err(Problem::new("no-answer", 503, "The needs are not known yet", detail));
    };
    let mut needs = state.needs.clone();
    for need in &mut needs {
        let ack = book.acks.iter().find(|ack| ack.code == need.code && ack.what == need.what);
        let urgency = need.acknowledged.take().map_or_else(|| need.urgency.clone(), |told| told.urgency);
        need.acknowledged = ack.map(|ack| AckBody {
            by: ack.span.by.clone(),
            at: ack.span.from.to_rfc3339(),
            until: ack.span.until.to_rfc3339(),
            urgency,
        });
    }
    Ok(needs)
}

async fn said(setup: &ControlSetup, word: DutyWord, by: &str) -> Result<Arc<DutyBook>, Box<Problem>> {
    let (answer, answered) = oneshot::channel();
    let owner = setup.duty.owner.borrow().clone();
    let asked = async {
        owner.send(DutyRequest { word, by: by.to_owned(), answer }).await.ok()?;
        answered.await.ok()
    };
    match tokio::time::timeout(ANSWER_WAIT, asked).await {
        Ok(Some(Ok(book))) => Ok(book),
        Ok(Some(Err(problem))) => Err(Problem::new("refused", 409, "That can't be done now", problem.detail)),
        Ok(None) | Err(_) => Err(Problem::new(
            "no-answer",
            503,
            "The part that keeps duty and needs does not answer",
            "it is being started again; try again in a few seconds",
        )),
    }
}

fn none(need: &str, all: &[NeedBody]) -> Box<Problem> {
    let codes: Vec<&str> = all.iter().map(|one| one.code.as_str()).collect();
    let near = nearest(need, codes.iter().copied());
    let hint = match (near, codes.as_slice()) {
        (Some(near), _) => format!("did you mean {near}?"),
        (None, []) => "nothing is needed now".to_owned(),
        (None, _) => format!("there are {}", codes.join(", ")),
    };
    let mut problem = Problem::new(
        "no-such-need",
        404,
        "There is no such need now",
        format!("nothing of that name is needed; {hint}"),
    );
    problem.field = Some("args.need".to_owned());
    problem.nearest = near.map(str::to_owned);
    problem
}
