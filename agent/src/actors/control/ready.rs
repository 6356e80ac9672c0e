//! The verbs of the walk-round: what is missing before a technician may leave, and the ticks.

use super::{ANSWER_WAIT, ControlSetup};
use crate::actors::messages::TickRequest;
use crate::clock;
use pintle_core::cameras::IntakeView;
use pintle_core::forward::ForwardView;
use pintle_core::health::Facts;
use pintle_core::health::ready::{ReadySeen, TestAlert, Tick, TickBook, ready};
use pintle_core::link::LinkView;
use pintle_core::wire::problem::Problem;
use pintle_core::wire::ready::ReadyBody;
use serde_json::{Value, json};
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};

/// What everybody has published that says whether a technician may leave, and the way to the owner of the ticks.
#[derive(Clone, Debug)]
pub struct ReadyDesk {
    /// What does not change.
    pub facts: Facts,
    /// From the intake.
    pub intake: watch::Receiver<IntakeView>,
    /// From the forwarder.
    pub forward: watch::Receiver<ForwardView>,
    /// From the link watcher.
    pub link: watch::Receiver<LinkView>,
    /// What people ticked.
    pub ticks: watch::Receiver<Arc<TickBook>>,
    /// The way to the owner of the ticks; a new one after each of its restarts.
    pub owner: watch::Receiver<mpsc::Sender<TickRequest>>,
}

/// Nothing is known, and nobody keeps ticks.
impl Default for ReadyDesk {
    fn default() -> Self {
        Self {
            facts: Facts::default(),
            intake: watch::channel(IntakeView::default()).1,
            forward: watch::channel(ForwardView::default()).1,
            link: watch::channel(LinkView::default()).1,
            ticks: watch::channel(Arc::default()).1,
            owner: watch::channel(mpsc::channel(1).0).1,
        }
    }
}

/// The answer as it is now.
pub(super) fn answer(setup: &ControlSetup) -> Value {
    let desk = &setup.ready;
    let position = Arc::clone(&setup.position.borrow());
    let (intake, forward) = (desk.intake.borrow().clone(), desk.forward.borrow().clone());
    let (link, ticks) = (desk.link.borrow().clone(), Arc::clone(&desk.ticks.borrow()));
    let seen = ReadySeen {
        now: clock::moment(position.utc_trust),
        stopped: false,
        facts: &desk.facts,
        position: &position,
        intake: &intake,
        forward: &forward,
        link: &link,
        ticks: &ticks,
        test_alert: forward.last_test.map(|test| TestAlert { sent: test.made, answered: Some(test.received) }),
    };
    json!(ReadyBody::from(&ready(&seen)))
}

/// Sets or takes back a tick, and tells what holds then.
pub(super) async fn tick(setup: &ControlSetup, tick: Tick, undo: bool, by: String) -> Result<Value, Box<Problem>> {
    let (back, answered) = oneshot::channel();
    let owner = setup.ready.owner.borrow().clone();
    let asked = async {
        owner.send(TickRequest { tick, undo, by, answer: back }).await.ok()?;
        answered.await.ok()
    };
    match tokio::time::timeout(ANSWER_WAIT, asked).await {
        Ok(Some(Ok(()))) => Ok(answer(setup)),
        Ok(Some(Err(problem))) => Err(Problem::new("refused", 409, "That can't be ticked now", problem.detail)),
        Ok(None) | Err(_) => Err(Problem::new(
            "no-answer",
            503,
            "The part that keeps the ticks does not answer",
            "it is being started again; try again in a few seconds",
        )),
    }
}
