//! Answers people's commands over the control socket. Only the verbs of [`control::VERBS`] are answered; each request
//! is written down with the user that the kernel names.

mod duty;
mod hold;
mod queue;
mod ready;
mod test_alert;

pub use duty::DutyDesk;
pub use ready::ReadyDesk;

use super::heartbeat::Heartbeat;
use super::messages::{PlaceProblem, PlaceRequest, PlaceRow, PositionRequest, TowRequest};
use crate::audit::{self, AuditError, Entry, Who};
use crate::clock;
use crate::config;
use crate::io::control::{Caller, ControlSocket, ControlSocketError, NoLine};
use crate::store::StoreHandle;
use pintle_core::forward::ForwardView;
use pintle_core::health::LifecycleView;
use pintle_core::ids::{CameraId, TrailerId, printable};
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::PositionView;
use pintle_core::position::keeper::TOW_CAUTION;
use pintle_core::queue::holds::HoldChange;
use pintle_core::wire::control::{self, Ask, LINE_BYTES_MAX, LineChangeBody, PlaceRowBody, TowStatusBody, Verb};
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::sync::{Arc, Mutex, PoisonError};
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
/// Changes of place lines that are told with the list (our own limit: a screen; 500 are kept).
const HISTORY_TOLD: usize = 20;
/// Pause after the system refused a connection, for example for want of file numbers.
const REFUSED_WAIT: Duration = Duration::from_millis(100);
/// The heartbeat turns at least this often, also when nobody calls.
const IDLE_TURN: Duration = Duration::from_secs(5);

/// Requests that were not understood and are written into the audit, each hour (our own limit: a caller must not be
/// able to fill the disk); further ones are counted in the next.
const REFUSALS_AN_HOUR: u32 = 20;
/// One hour, ms.
const HOUR_MS: u64 = 3_600_000;

/// Everything that the control actor needs.
#[derive(Clone)]
pub struct ControlSetup {
    /// `[control]`
    pub control: config::Control,
    /// `trailer.id`
    pub trailer: TrailerId,
    /// The configured cameras.
    pub cameras: Vec<CameraId>,
    /// The way to the owner of the place table and of the tow; a new one after each of its restarts.
    pub places: watch::Receiver<mpsc::Sender<PositionRequest>>,
    /// Where the trailer is.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// What got through.
    pub forward: watch::Receiver<ForwardView>,
    /// What was restarted.
    pub lifecycle: watch::Receiver<LifecycleView>,
    /// For the figures of the queue.
    pub store: StoreHandle,
    /// Where each act is written down before it is answered.
    pub audit: audit::Log,
    /// What says whether a technician may leave.
    pub ready: ReadyDesk,
    /// Whether the trailer is off duty, and which needs somebody has in hand.
    pub duty: DutyDesk,
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
    // Whether acts can be audited must be known before the first one, not when somebody else has looked.
    let log = setup.audit.clone();
    drop(tokio::task::spawn_blocking(move || log.probe()).await);
    let setup = Arc::new(Serving { setup, refusals: Mutex::default() });
    let mut callers = JoinSet::new();
    loop {
        setup.setup.heartbeat.turn();
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

/// What all callers share.
struct Serving {
    setup: ControlSetup,
    refusals: Mutex<Refusals>,
}

/// Requests that were not understood, in the running hour.
#[derive(Default)]
struct Refusals {
    since: Mono,
    told: u32,
    untold: u64,
}

impl Refusals {
    /// Whether this one is to be written down; then with how many before it were not.
    fn one_more(&mut self, now: Mono) -> Option<u64> {
        if HOUR_MS <= now.since_ms(self.since) {
            (self.since, self.told) = (now, 0);
        }
        if self.told < REFUSALS_AN_HOUR {
            self.told += 1;
            return Some(std::mem::take(&mut self.untold));
        }
        self.untold += 1;
        None
    }
}

/// Answers the lines of one caller, one after another.
async fn serve(serving: Arc<Serving>, mut caller: Caller) {
    let setup = &serving.setup;
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
                let answered = match audit_is_ready(setup, &caller, &ask).await {
                    Ok(()) => answer(setup, &ask).await,
                    Err(problem) => Err(problem),
                };
                let audited = audit(setup, &caller, &ask, &answered).await;
                match (answered, audited) {
                    (Err(problem), _) | (Ok(_), Err(problem)) => json!(problem),
                    (Ok(result), Ok(())) => json!({ "result": result }),
                }
            }
            Err(problem) => {
                let kind = problem.kind.as_str();
                let (uid, pid) = (caller.uid, caller.pid);
                tracing::info!(target: "audit", uid, pid, kind, "command refused");
                let told = serving.refusals.lock().unwrap_or_else(PoisonError::into_inner).one_more(clock::mono());
                if let Some(untold) = told {
                    let who = Who { uid: Some(uid), pid, name: String::new() };
                    let entry = Entry::new(who, "command", kind).with("untold_before", untold);
                    if let Err(error) = setup.audit.write(entry).await {
                        tracing::debug!(%error, "a refusal is not in the audit yet");
                    }
                }
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

/// Whether an act of this kind is written into the audit: all but those that only look at what anybody here may see.
fn is_audited(verb: &Verb) -> bool {
    !matches!(
        verb,
        Verb::PlaceList
            | Verb::Status
            | Verb::TowStatus
            | Verb::ReadyStatus
            | Verb::TestStatus
            | Verb::HoldList
            | Verb::DutyStatus
            | Verb::NeedList
            | Verb::QueueList { reveal: false }
    )
}

/// Whether reads may go for good by it: that it was begun is written down first.
fn ends_keeping(verb: &Verb) -> bool {
    matches!(verb, Verb::QueueDrop { .. } | Verb::Hold(HoldChange::End { .. }))
}

fn who(caller: &Caller, ask: &Ask) -> Who {
    Who { uid: Some(caller.uid), pid: caller.pid, name: printable(&ask.by, control::BY_CHARS_MAX) }
}

/// What must be audited is not done while the audit can't be written.
async fn audit_is_ready(setup: &ControlSetup, caller: &Caller, ask: &Ask) -> Result<(), Box<Problem>> {
    if ends_keeping(&ask.verb) {
        // Power may go between the act and its entry, and then nobody could say who let go of evidence.
        let entry = on_what(Entry::new(who(caller, ask), ask.verb.word(), "begun"), &ask.verb, None);
        let detail = |error: AuditError| not_audited(&format!("{error}; nothing was done. {}", error.advice()));
        return setup.audit.write(entry).await.map(drop).map_err(detail);
    }
    if !is_audited(&ask.verb) || setup.audit.trouble().is_none() {
        return Ok(());
    }
    let log = setup.audit.clone();
    let tried = tokio::task::spawn_blocking(move || log.probe()).await;
    match tried {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(not_audited(&format!("{error}; nothing was done. {}", error.advice()))),
        Err(_) => Err(not_audited("the agent is stopping; nothing was done")),
    }
}

fn not_audited(detail: &str) -> Box<Problem> {
    Problem::new("not-audited", 503, "The audit can't be written", detail)
}

/// Who did what. What a person wrote into a line is not repeated: only names that are bound to a grammar. On an error
/// the act was done and is not yet written down.
async fn audit(
    setup: &ControlSetup,
    caller: &Caller,
    ask: &Ask,
    answered: &Result<Value, Box<Problem>>,
) -> Result<(), Box<Problem>> {
    let problem = answered.as_ref().err();
    let camera = match &ask.verb {
        Verb::PlaceSet { camera, .. } | Verb::PlaceConfirm { camera: Some(camera), .. } => camera.as_str(),
        Verb::PlaceConfirm { camera: None, .. } => "all",
        _ => "",
    };
    // Kinds are URNs of ours; their last word is enough here.
    let outcome = problem.map_or("done", |problem| problem.kind.rsplit(':').next().unwrap_or("refused"));
    let by = printable(&ask.by, control::BY_CHARS_MAX);
    let (uid, pid, verb) = (caller.uid, caller.pid, ask.verb.word());
    tracing::info!(target: "audit", uid, pid, verb, by, camera, outcome, "command");
    if !is_audited(&ask.verb) {
        return Ok(());
    }
    let mut entry = Entry::new(who(caller, ask), verb, outcome);
    if !camera.is_empty() {
        entry = entry.with("camera", camera);
    }
    setup.audit.write(on_what(entry, &ask.verb, answered.as_ref().ok())).await.map(|_| ()).map_err(|error| {
        not_audited(&format!("{error}. It was done all the same; the entry is kept in memory and written later"))
    })
}

/// The entry with what the act was done to.
fn on_what(entry: Entry, verb: &Verb, result: Option<&Value>) -> Entry {
    match verb {
        Verb::ReadyTick { tick, undo } => entry.with("tick", tick.word()).with("undo", undo),
        Verb::DutyOff { for_s, reason } => entry.with("for_s", for_s).with("reason", reason),
        Verb::NeedAck { need, for_s, undo } => entry.with("need", need).with("for_s", for_s).with("undo", undo),
        Verb::PlaceConfirm { meant: Some(meant), .. } => entry.with("site", meant.site.0),
        Verb::QueueList { reveal } => entry.with("reveal", reveal),
        Verb::QueueRetry { sequence: Some(sequence) } => entry.with("sequence", sequence),
        Verb::QueueDrop { sequence, why } => entry.with("sequence", sequence).with("why", why),
        Verb::Hold(change) => held(entry, change, result),
        _ => entry,
    }
}

/// A hold is told with its case: without it nobody could say later why reads were kept.
fn held(entry: Entry, change: &HoldChange, result: Option<&Value>) -> Entry {
    match change {
        HoldChange::Add(asked) => {
            let number = result.and_then(|result| result["hold"].as_u64()).unwrap_or(0);
            let camera = asked.camera.as_ref().map_or("any", CameraId::as_str);
            let place = asked.site.map_or_else(|| "any".to_owned(), |site| site.to_string());
            entry
                .with("hold", number)
                .with("camera", camera)
                .with("place", place)
                .with("from", asked.from.to_rfc3339())
                .with("to", asked.to.to_rfc3339())
                .with("case", &asked.case)
                .with("for_s", asked.for_s)
        }
        HoldChange::Renew { number, for_s, .. } => entry.with("hold", number).with("for_s", for_s),
        HoldChange::End { number } => entry.with("hold", number),
        HoldChange::Anew => entry,
    }
}

async fn answer(setup: &ControlSetup, ask: &Ask) -> Result<Value, Box<Problem>> {
    let by = ask.by.clone();
    let rows = match &ask.verb {
        Verb::Status => return Ok(status(setup).await),
        Verb::ReadyStatus => return Ok(ready::answer(setup)),
        Verb::ReadyTick { tick, undo } => return ready::tick(setup, *tick, *undo, by).await,
        Verb::QueueList { .. } | Verb::QueueRetry { .. } | Verb::QueueDrop { .. } => {
            return queue::answer(setup, &ask.verb).await;
        }
        Verb::DutyStatus | Verb::DutyOff { .. } | Verb::DutyOn | Verb::NeedList | Verb::NeedAck { .. } => {
            return duty::answer(setup, &ask.verb, &by).await;
        }
        Verb::HoldList | Verb::Hold(_) => return hold::answer(setup, &ask.verb).await,
        Verb::TestAlert => return test_alert::send(setup, by).await,
        Verb::TestStatus => return Ok(test_alert::status(setup)),
        Verb::KeyRotate => {
            return match setup.store.rotate_keys().await {
                Ok(()) => Ok(json!({ "rotated": true })),
                Err(error) => {
                    Err(Problem::new("refused", 409, "That can't be done now", format!("{error}; {}", error.advice())))
                }
            };
        }
        Verb::TowStatus => return Ok(json!(tow_body(&setup.position.borrow(), false))),
        Verb::TowBegin { for_s, extend, reason } => {
            let (for_s, extend, reason) = (*for_s, *extend, reason.clone());
            let begin = |answer| PositionRequest::Tow(TowRequest::Begin { for_s, extend, reason, by, answer });
            return Ok(json!(tow_body(&*asked(setup, begin).await?, true)));
        }
        Verb::TowEnd => {
            let end = |answer| PositionRequest::Tow(TowRequest::End { by, answer });
            return Ok(json!(tow_body(&*asked(setup, end).await?, false)));
        }
        Verb::PlaceList => {
            let rows = places(setup, |answer| PlaceRequest::List { answer }).await?;
            let history = history(&setup.position.borrow());
            return Ok(json!({ "places": rows.iter().map(row_body).collect::<Vec<_>>(), "history": history }));
        }
        Verb::PlaceSet { camera, road, cross_street, direction } => {
            let (camera, road) = (camera.clone(), road.clone());
            let (cross_street, direction) = (cross_street.clone(), direction.clone());
            places(setup, |answer| PlaceRequest::Set { camera, road, cross_street, direction, by, answer }).await?
        }
        Verb::PlaceConfirm { camera, meant } => {
            let (camera, meant) = (camera.clone(), meant.clone());
            places(setup, |answer| PlaceRequest::Confirm { camera, meant, by, answer }).await?
        }
    };
    Ok(json!({ "places": rows.iter().map(row_body).collect::<Vec<_>>() }))
}

async fn places(
    setup: &ControlSetup,
    request: impl FnOnce(oneshot::Sender<Result<Vec<PlaceRow>, PlaceProblem>>) -> PlaceRequest,
) -> Result<Vec<PlaceRow>, Box<Problem>> {
    asked(setup, |answer| PositionRequest::Place(request(answer))).await
}

async fn asked<T>(
    setup: &ControlSetup,
    request: impl FnOnce(oneshot::Sender<Result<T, PlaceProblem>>) -> PositionRequest,
) -> Result<T, Box<Problem>> {
    let (answer, answered) = oneshot::channel();
    let owner = setup.places.borrow().clone();
    let asked = async {
        owner.send(request(answer)).await.ok()?;
        answered.await.ok()
    };
    match tokio::time::timeout(ANSWER_WAIT, asked).await {
        Ok(Some(Ok(told))) => Ok(told),
        Ok(Some(Err(problem))) => Err(Problem::new("refused", 409, "That can't be done now", problem.detail)),
        Ok(None) | Err(_) => Err(Problem::new(
            "no-answer",
            503,
            "The part that keeps places and tows does not answer",
            "it is being started again; try again in a few seconds",
        )),
    }
}

/// Who said what of place lines lately, oldest first.
fn history(position: &PositionView) -> Vec<LineChangeBody> {
    let changes = &position.places.changes;
    let body = |change: &pintle_core::position::places::LineChange| LineChangeBody {
        site: change.site.0,
        camera: change.camera.as_str().to_owned(),
        text: change.text.clone(),
        what: change.what.clone(),
        by: change.by.clone(),
        at: change.at.to_rfc3339(),
    };
    changes.iter().skip(changes.len().saturating_sub(HISTORY_TOLD)).map(body).collect()
}

fn tow_body(position: &PositionView, caution: bool) -> TowStatusBody {
    let tow = position.tow.as_ref();
    TowStatusBody {
        announced: tow.is_some(),
        by: tow.map(|view| view.tow.by.clone()),
        reason: tow.map(|view| view.tow.reason.clone()).filter(|reason| !reason.is_empty()),
        at: tow.map(|view| view.tow.announced.to_rfc3339()),
        until: tow.map(|view| view.tow.until.to_rfc3339()),
        left_s: tow.map(|view| view.ends.since_ms(clock::mono()) / 1000),
        adrift_since: position.adrift.map(Utc::to_rfc3339),
        state: position.state.word().to_owned(),
        caution: TOW_CAUTION.iter().filter(|_| caution).map(|line| (*line).to_owned()).collect(),
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
            "adrift_since": position.adrift.map(Utc::to_rfc3339),
        },
        "tow": tow_body(&position, false),
        "queue": queue,
        "restarts": restarts,
    })
}
