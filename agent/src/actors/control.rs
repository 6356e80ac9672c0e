//! Answers people's commands over the control socket. Only the verbs of [`control::VERBS`] are answered; each request
//! is written down with the user that the kernel names.

use super::heartbeat::Heartbeat;
use super::messages::{PlaceProblem, PlaceRequest, PlaceRow};
use crate::config;
use crate::io::control::{Caller, ControlSocket, ControlSocketError, NoLine};
use crate::store::StoreHandle;
use pintle_core::health::LifecycleView;
use pintle_core::ids::{CameraId, TrailerId, printable};
use pintle_core::position::PositionView;
use pintle_core::wire::control::{self, Ask, LINE_BYTES_MAX, PlaceRowBody, Verb};
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Callers at a time (our own limit: a page server and a few people).
const CALLERS_MAX: usize = 8;
/// A whole line must come within this (our own limit; the callers are on the same computer).
const LINE_WAIT: Duration = Duration::from_secs(5);
/// The part that owns the answer must give it within this (our own limit: it only looks into memory and one commit).
const ANSWER_WAIT: Duration = Duration::from_secs(5);
/// Lines of one connection (our own limit; a page server opens a new one).
const LINES_MAX: usize = 256;
/// Pause after the system refused a connection, for example for want of file numbers.
const REFUSED_WAIT: Duration = Duration::from_millis(100);
/// The heartbeat turns at least this often, also when nobody calls.
const IDLE_TURN: Duration = Duration::from_secs(5);

/// Everything that the control actor needs.
#[derive(Clone)]
pub struct ControlSetup {
    /// `[control]`
    pub control: config::Control,
    /// `trailer.id`
    pub trailer: TrailerId,
    /// The configured cameras.
    pub cameras: Vec<CameraId>,
    /// The way to the owner of the place table; a new one after each of its restarts.
    pub places: watch::Receiver<mpsc::Sender<PlaceRequest>>,
    /// Where the trailer is.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// What was restarted.
    pub lifecycle: watch::Receiver<LifecycleView>,
    /// For the figures of the queue.
    pub store: StoreHandle,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Why the control actor ended.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// No socket.
    #[error(transparent)]
    Socket(#[from] ControlSocketError),
}

impl ControlError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Socket(error) => error.advice(),
        }
    }
}

/// Listens and answers until told to stop.
///
/// # Errors
/// [`ControlError`] if there can be no socket.
pub async fn run(setup: ControlSetup, stop: CancellationToken) -> Result<(), ControlError> {
    let socket = ControlSocket::listen(&setup.control.socket, setup.control.group.as_deref())?;
    let setup = Arc::new(setup);
    let mut callers = JoinSet::new();
    loop {
        setup.heartbeat.turn();
        tokio::select! {
            () = stop.cancelled() => return Ok(()),
            Some(ended) = callers.join_next(), if !callers.is_empty() => {
                if ended.is_err_and(|error| error.is_panic()) {
                    tracing::error!("answering a command panicked; the caller got no answer");
                }
            }
            accepted = socket.accept(), if callers.len() < CALLERS_MAX => match accepted {
                Ok(caller) => {
                    callers.spawn(serve(Arc::clone(&setup), caller));
                }
                Err(_) => tokio::time::sleep(REFUSED_WAIT).await,
            },
            () = tokio::time::sleep(IDLE_TURN) => {}
        }
    }
}

/// Answers the lines of one caller, one after another.
async fn serve(setup: Arc<ControlSetup>, mut caller: Caller) {
    for _ in 0..LINES_MAX {
        let line = match tokio::time::timeout(LINE_WAIT, caller.line(LINE_BYTES_MAX)).await {
            Ok(Ok(line)) => line,
            Ok(Err(NoLine::TooLong)) => {
                let detail = format!("a line has at most {LINE_BYTES_MAX} bytes; send one JSON object a line");
                return farewell(&mut caller, &Problem::new("too-long", 413, "The request is too long", detail)).await;
            }
            Ok(Err(NoLine::End | NoLine::System(_))) => return,
            Err(_) => {
                let detail = format!("no whole line came within {} s; connect again", LINE_WAIT.as_secs());
                return farewell(&mut caller, &Problem::new("too-slow", 408, "The request took too long", detail))
                    .await;
            }
        };
        let answer = match control::parse(&line, &setup.cameras) {
            Ok(ask) => {
                let answered = answer(&setup, &ask).await;
                audit(&caller, &ask, answered.as_ref().err().map(|problem| &**problem));
                answered.map_or_else(|problem| json!(problem), |result| json!({ "result": result }))
            }
            Err(problem) => {
                let kind = problem.kind.as_str();
                let (uid, pid) = (caller.uid, caller.pid);
                tracing::info!(target: "audit", uid, pid, kind, "command refused");
                json!(problem)
            }
        };
        let sent = tokio::time::timeout(LINE_WAIT, caller.answer(answer.to_string().into_bytes())).await;
        if !matches!(sent, Ok(Ok(()))) {
            return;
        }
    }
}

/// Tells why nothing more is read. The caller may be gone, then nobody misses it.
async fn farewell(caller: &mut Caller, problem: &Problem) {
    let sent = tokio::time::timeout(LINE_WAIT, caller.answer(json!(problem).to_string().into_bytes())).await;
    if !matches!(sent, Ok(Ok(()))) {
        tracing::debug!("a caller of the control socket left before its answer");
    }
}

/// Who did what. What a person wrote into a line is not repeated: only names that are bound to a grammar.
fn audit(caller: &Caller, ask: &Ask, problem: Option<&Problem>) {
    let camera = match &ask.verb {
        Verb::PlaceSet { camera, .. } | Verb::PlaceConfirm { camera: Some(camera) } => camera.as_str(),
        Verb::PlaceConfirm { camera: None } => "all",
        Verb::PlaceList | Verb::Status => "",
    };
    let outcome = problem.map_or("done", |problem| problem.kind.as_str());
    let by = printable(&ask.by, control::BY_CHARS_MAX);
    let (uid, pid, verb) = (caller.uid, caller.pid, ask.verb.word());
    tracing::info!(target: "audit", uid, pid, verb, by, camera, outcome, "command");
}

async fn answer(setup: &ControlSetup, ask: &Ask) -> Result<Value, Box<Problem>> {
    let by = ask.by.clone();
    let rows = match &ask.verb {
        Verb::Status => return Ok(status(setup).await),
        Verb::PlaceList => places(setup, |answer| PlaceRequest::List { answer }).await?,
        Verb::PlaceSet { camera, road, cross_street, direction } => {
            let (camera, road) = (camera.clone(), road.clone());
            let (cross_street, direction) = (cross_street.clone(), direction.clone());
            places(setup, |answer| PlaceRequest::Set { camera, road, cross_street, direction, by, answer }).await?
        }
        Verb::PlaceConfirm { camera } => {
            let camera = camera.clone();
            places(setup, |answer| PlaceRequest::Confirm { camera, by, answer }).await?
        }
    };
    Ok(json!({ "places": rows.iter().map(row_body).collect::<Vec<_>>() }))
}

type PlaceAnswer = Result<Vec<PlaceRow>, PlaceProblem>;

async fn places(
    setup: &ControlSetup,
    request: impl FnOnce(oneshot::Sender<PlaceAnswer>) -> PlaceRequest,
) -> Result<Vec<PlaceRow>, Box<Problem>> {
    let (answer, answered) = oneshot::channel();
    let owner = setup.places.borrow().clone();
    let asked = async {
        owner.send(request(answer)).await.ok()?;
        answered.await.ok()
    };
    match tokio::time::timeout(ANSWER_WAIT, asked).await {
        Ok(Some(Ok(rows))) => Ok(rows),
        Ok(Some(Err(problem))) => Err(Problem::new("refused", 409, "That can't be done now", problem.detail)),
        Ok(None) | Err(_) => Err(Problem::new(
            "no-answer",
            503,
            "The part that keeps the places does not answer",
            "it is being started again; try again in a few seconds",
        )),
    }
}

fn row_body(row: &PlaceRow) -> PlaceRowBody {
    let line = row.line.as_ref();
    PlaceRowBody {
        camera: row.camera.as_str().to_owned(),
        site: row.site.map(|site| site.0),
        road: line.map(|line| line.road.clone()),
        cross_street: line.map(|line| line.cross_street.clone()),
        direction: line.map(|line| line.direction.clone()),
        by: line.map(|line| line.by.clone()),
        at: line.map(|line| line.at.to_rfc3339()),
        state: row.state.word().to_owned(),
        sentence: row.sentence.clone(),
        advice: row.advice.clone(),
    }
}

async fn status(setup: &ControlSetup) -> Value {
    let position = Arc::clone(&setup.position.borrow());
    let lifecycle = setup.lifecycle.borrow().clone();
    let restarts: Vec<Value> = lifecycle
        .stumbles
        .iter()
        .map(|one| json!({ "part": one.actor, "restarts": one.restarts, "reason": one.reason, "running": one.running }))
        .collect();
    let queue = match tokio::time::timeout(ANSWER_WAIT, setup.store.figures()).await {
        Ok(Ok(figures)) => json!({
            "generation": figures.generation,
            "accepted": figures.counts.accepted,
            "waiting": figures.counts.waiting,
            "delivered": figures.counts.delivered,
            "trouble": figures.trouble,
        }),
        Ok(Err(error)) => json!({ "trouble": format!("{error}; {}", error.advice()) }),
        Err(_) => json!({ "trouble": format!("the queue did not answer within {} s", ANSWER_WAIT.as_secs()) }),
    };
    json!({
        "trailer": setup.trailer.as_str(),
        "version": env!("CARGO_PKG_VERSION"),
        "pid": std::process::id(),
        "position": {
            "state": position.state.word(),
            "reason": position.reason,
            "site": position.site.as_ref().map(|site| site.id.0),
        },
        "queue": queue,
        "restarts": restarts,
    })
}
