//! One request: what is asked, the body within its limits, the reads into the queue, and the answer.

use super::answer::{self, Answer};
use super::batch::{self, Form, Taken};
use super::images;
use super::phase::{Connection, Door};
use super::{STORE_WAIT_MS, Shared};
use crate::clock;
use crate::store::{Accepted, LaterStamp, NewEvent, StoreError, StoreHandle};
use http_body_util::BodyExt;
use hyper::body::{Body, Incoming};
use hyper::header::{ALLOW, CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE, HOST, HeaderMap, HeaderValue};
use hyper::service::Service;
use hyper::{Method, Request};
use pintle_core::moment::Moment;
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::read::Read;
use pintle_core::read::limits::capture_far_s;
use pintle_core::read::stamp::{Stamp, StampBasis, StampSpot, StampState, stamp};
use pintle_core::wire::problem::{AcceptedRead, Fault, Problem};
use pintle_core::wire::stamp::StampBody;
use std::convert::Infallible;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Bodies being collected may hold this much memory together, bytes (our own: with them and with pictures that are
/// worked on the agent stays below the 128 MB of fault 27; 64 MiB came to 123).
const BODY_BYTES_TOGETHER_MAX: usize = 32 << 20;

/// The handler of one connection.
pub(super) struct Handler {
    pub(super) shared: Arc<Shared>,
    pub(super) connection: Arc<Connection>,
}

impl Service<Request<Incoming>> for Handler {
    type Response = Answer;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Answer, Infallible>> + Send>>;

    fn call(&self, request: Request<Incoming>) -> Self::Future {
        let (shared, connection) = (Arc::clone(&self.shared), Arc::clone(&self.connection));
        connection.request_began();
        Box::pin(async move {
            let answer = answered(&shared, &connection, request).await;
            connection.request_ended();
            Ok(answer)
        })
    }
}

async fn answered(shared: &Shared, connection: &Connection, request: Request<Incoming>) -> Answer {
    if connection.door == Door::Port && !is_local_host(request.headers()) {
        return shared.refuse(&wrong_host(), true);
    }
    match (request.uri().path(), request.method()) {
        ("/v1/reads", &Method::POST) => match take(shared, connection, request).await {
            Ok(accepted) => {
                shared.count_acceptance();
                answer::accepted(accepted)
            }
            Err(refusal) => shared.refuse(&refusal.problem, refusal.unread),
        },
        ("/v1/reads", _) => wrong_method(shared, "POST"),
        ("/v1/health", &Method::GET | &Method::HEAD) => answer::up(),
        ("/v1/health", _) => wrong_method(shared, "GET, HEAD"),
        _ => {
            let detail = "reads go to POST /v1/reads; nothing else is here but GET /v1/health";
            shared.refuse(&Problem::new("no-such-path", 404, "There is nothing at this path", detail), true)
        }
    }
}

/// 405 with what is allowed instead.
fn wrong_method(shared: &Shared, allowed: &'static str) -> Answer {
    let detail = format!("send {allowed}; reads go to POST /v1/reads");
    let problem = Problem::new("wrong-method", 405, "This method is not allowed here", detail);
    let mut answer = shared.refuse(&problem, true);
    answer.headers_mut().insert(ALLOW, HeaderValue::from_static(allowed));
    answer
}

/// A problem, and whether it leaves a part of the body unread.
struct Refusal {
    problem: Box<Problem>,
    unread: bool,
}

impl From<Box<Problem>> for Refusal {
    fn from(problem: Box<Problem>) -> Self {
        Self { problem, unread: false }
    }
}

fn unread(problem: Box<Problem>) -> Refusal {
    Refusal { problem, unread: true }
}

async fn take(
    shared: &Shared,
    connection: &Connection,
    request: Request<Incoming>,
) -> Result<Vec<AcceptedRead>, Refusal> {
    let form = form_of(request.headers()).map_err(unread)?;
    let body = collected(shared, connection, request).await?;
    let mut reads = batch::guarded(shared, &body, form)?;
    drop(body);
    images::keep(shared, &mut reads).await?;
    Ok(accept(shared, &reads).await?)
}

/// A browser that was led here by a name of somebody's own ("DNS rebinding") shows that name; an engine on this
/// computer says localhost or an address. Two names are none (source: RFC 9112 section 3.2).
fn is_local_host(headers: &HeaderMap) -> bool {
    let mut hosts = headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else { return false };
    let Ok(host) = host.to_str() else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if !port.is_empty() && port.bytes().all(|c| c.is_ascii_digit()) => name,
        _ => host,
    };
    let name = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    name.eq_ignore_ascii_case("localhost") || name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn wrong_host() -> Box<Problem> {
    Problem::new(
        "wrong-host",
        421,
        "This is not the host that was meant",
        "the Host field must be localhost or a loopback address; use the address of intake.listen, or the unix socket",
    )
}

fn form_of(headers: &HeaderMap) -> Result<Form, Box<Problem>> {
    let refused = |detail: &str| Problem::new("unsupported-media-type", 415, "This kind of body is not taken", detail);
    if headers.contains_key(CONTENT_ENCODING) {
        return Err(refused("the body is encoded; send it plain, without Content-Encoding"));
    }
    let media_type = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    match media_type.split(';').next().unwrap_or_default().trim().to_ascii_lowercase().as_str() {
        "application/json" => Ok(Form::One),
        "application/x-ndjson" => Ok(Form::Lines),
        _ => Err(refused(
            "send Content-Type: application/json with one read, or application/x-ndjson with one read a line",
        )),
    }
}

/// The body, if it is complete in time and small enough. Memory grows with what has come, not with what is announced.
async fn collected(shared: &Shared, connection: &Connection, request: Request<Incoming>) -> Result<Vec<u8>, Refusal> {
    let max = usize::try_from(shared.limits.body_bytes_max).unwrap_or(usize::MAX);
    let announced = request.headers().get(CONTENT_LENGTH).and_then(|len| len.to_str().ok()?.parse::<u64>().ok());
    if announced.is_some_and(|len| shared.limits.body_bytes_max < len) {
        return Err(unread(too_large(max)));
    }
    let mut held = Held { shared, bytes: 0 };
    let until = connection.since().plus_ms(shared.limits.request_wait_ms);
    let left = Duration::from_millis(until.since_ms(clock::mono()));
    let collecting = async {
        let mut body = request.into_body();
        let mut bytes =
            Vec::with_capacity(body.size_hint().upper().map_or(0, |len| usize::try_from(len).unwrap_or(0)).min(65_536));
        while let Some(frame) = body.frame().await {
            let Ok(frame) = frame else {
                let detail = "the connection or its framing broke in the middle of the body; send the request again";
                return Err(unread(Problem::new("body-broken", 400, "The body is incomplete", detail)));
            };
            let Ok(data) = frame.into_data() else { continue };
            if max < bytes.len() + data.len() {
                return Err(unread(too_large(max)));
            }
            held.take(data.len())?;
            bytes.extend_from_slice(&data);
        }
        Ok(bytes)
    };
    let too_slow = || unread(too_slow(shared.limits.request_wait_ms));
    tokio::time::timeout(left, collecting).await.map_err(|_| too_slow())?
}

/// Counts the bytes of one body among all that are being collected.
struct Held<'s> {
    shared: &'s Shared,
    bytes: usize,
}

impl Held<'_> {
    fn take(&mut self, bytes: usize) -> Result<(), Refusal> {
        let together = self.shared.connections.body_bytes.fetch_add(bytes, Ordering::Relaxed) + bytes;
        self.bytes += bytes;
        let one_fits = usize::try_from(self.shared.limits.body_bytes_max).unwrap_or(usize::MAX);
        if BODY_BYTES_TOGETHER_MAX.max(one_fits) < together {
            let detail =
                "too many bodies are on their way at once; nothing was accepted. Send it again after Retry-After";
            return Err(unread(Problem::new("busy", 503, "The intake is busy", detail)));
        }
        Ok(())
    }
}

impl Drop for Held<'_> {
    fn drop(&mut self) {
        self.shared.connections.body_bytes.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

fn too_large(max: usize) -> Box<Problem> {
    Problem::new(
        "body-too-large",
        413,
        "The body is too large",
        format!("at most {max} bytes are taken in one request (intake.body_bytes_max); send fewer reads at once"),
    )
}

/// The answer to a head or a body that dribbles.
pub(super) fn too_slow(request_wait_ms: u64) -> Box<Problem> {
    Problem::new(
        "too-slow",
        408,
        "The request came too slowly",
        format!("it must be complete within {request_wait_ms} ms (intake.request_wait_ms); send it again in one go"),
    )
}

/// Stamps the reads, makes them durable and says what became of each.
async fn accept(shared: &Shared, reads: &[Taken]) -> Result<Vec<AcceptedRead>, Box<Problem>> {
    let (outcomes, now) = stored(shared, reads).await?;
    told(shared, reads, &outcomes, &now)
}

/// Stamps the reads and makes them durable; answers what became of each, in their order, and when.
pub(super) async fn stored(shared: &Shared, reads: &[Taken]) -> Result<(Vec<Accepted>, Moment), Box<Problem>> {
    let view = Arc::clone(&shared.position.borrow());
    let now = clock::moment(view.utc_trust);
    let stamps: Vec<Stamp> = reads.iter().map(|taken| first_stamp(&taken.read, &view, &now)).collect();
    let events = reads.iter().zip(&stamps).map(|(taken, stamp)| event(taken, stamp, &now)).collect();
    let waited = tokio::time::timeout(Duration::from_millis(STORE_WAIT_MS), shared.store.accept(events, now)).await;
    let outcomes = match waited {
        Ok(Ok(outcomes)) => outcomes,
        Ok(Err(problem)) => return Err(not_stored(shared, &problem)),
        Err(_) => {
            let detail = format!("the queue has not answered within {STORE_WAIT_MS} ms");
            return Err(not_stored(shared, &StoreError::Disk { detail }));
        }
    };
    shared.trouble(None);
    let newer = Arc::clone(&shared.position.borrow());
    if !Arc::ptr_eq(&newer, &view) {
        follow_up(&shared.store, reads, &stamps, &outcomes, &newer, now).await;
    }
    Ok((outcomes, now))
}

fn first_stamp(read: &Read, view: &PositionView, now: &Moment) -> Stamp {
    stamp(&read.camera, read.captured_at, 1, &StampBasis { view, now })
}

fn event(taken: &Taken, stamp: &Stamp, now: &Moment) -> NewEvent {
    let read = &taken.read;
    let mut body = StampBody::from(stamp);
    body.clock.capture_far_s = capture_far_s(read.captured_at, now);
    NewEvent {
        id: read.id,
        kind: EventKind::Read,
        lane: if read.hit.is_some() { Lane::Urgent } else { Lane::Bulk },
        camera: Some(read.camera.clone()),
        happened_at: read.captured_at,
        body: read.body.clone(),
        stamp: Some(stamp_json(&body)),
        hit: read.hit.is_some(),
        stamp_open: stamp.state != StampState::Certain && body.clock.capture_far_s.is_none(),
        images: taken.kept.clone(),
    }
}

fn stamp_json(body: &StampBody) -> Vec<u8> {
    // Only text and finite numbers, so that this cannot fail.
    serde_json::to_vec(body).unwrap_or_default()
}

pub(super) fn not_stored(shared: &Shared, problem: &StoreError) -> Box<Problem> {
    let text = format!("{problem}; {}", problem.advice());
    shared.trouble(Some(text.clone()));
    Problem::new(
        "not-stored",
        503,
        "The queue can't take reads now",
        format!("{text}. Nothing was accepted: keep the reads and send them again after Retry-After"),
    )
}

/// A decision about the place that was published while these reads were on their way to the disk did not find them
/// there. They get the stamp that it would have given them.
async fn follow_up(
    store: &StoreHandle,
    reads: &[Taken],
    stamps: &[Stamp],
    outcomes: &[Accepted],
    newer: &PositionView,
    now: Moment,
) {
    let tells_the_same = |a: &Stamp, b: &Stamp| {
        (a.spot, a.state, a.line_state, &a.line) == (b.spot, b.state, b.line_state, &b.line)
            || (a.spot == StampSpot::Underway && b.spot == StampSpot::Underway)
    };
    let mut later = Vec::new();
    for ((Taken { read, .. }, first), outcome) in reads.iter().zip(stamps).zip(outcomes) {
        let Accepted::New { sequence } = *outcome else { continue };
        let basis = StampBasis { view: newer, now: &now };
        let second = stamp(&read.camera, read.captured_at, 2, &basis);
        if tells_the_same(first, &second) {
            continue;
        }
        let mut body = StampBody::from(&second);
        body.clock.capture_far_s = capture_far_s(read.captured_at, &now);
        later.push(LaterStamp {
            sequence,
            event_id: StoreHandle::new_event_id(),
            revision: 2,
            stamp: stamp_json(&body),
            open: second.state != StampState::Certain,
        });
    }
    if !later.is_empty()
        && let Err(problem) = store.restamp(later, now).await
    {
        tracing::warn!(%problem, "a later stamp could not be written; the reads keep their first one");
    }
}

/// Counts the reads and makes the answer. A read whose id was used before for another one is refused; the others of its
/// request are durable all the same and are told.
pub(super) fn told(
    shared: &Shared,
    reads: &[Taken],
    outcomes: &[Accepted],
    now: &Moment,
) -> Result<Vec<AcceptedRead>, Box<Problem>> {
    let (mut accepted, mut faults) = (Vec::with_capacity(reads.len()), Vec::new());
    for (Taken { line, read, .. }, outcome) in reads.iter().zip(outcomes) {
        let (sequence, repeat) = match outcome {
            Accepted::New { sequence } => (*sequence, false),
            Accepted::Repeat { sequence } => (*sequence, true),
            Accepted::OtherBody => {
                faults.push(Fault {
                    line: *line,
                    field: Some("id".to_owned()),
                    nearest: None,
                    detail: format!(
                        "the id {} was used before for a read with another content; this one was not accepted. Give each \
                         read an id of its own, and send a repeat unchanged",
                        read.id
                    ),
                });
                continue;
            }
        };
        accepted.push(AcceptedRead { id: read.id.to_string(), sequence: (0 < sequence).then_some(sequence), repeat });
    }
    shared.tally(|view| {
        view.id_conflicts += faults.len() as u64;
        for (Taken { read, .. }, outcome) in reads.iter().zip(outcomes) {
            if let (Accepted::New { .. }, Some(camera)) =
                (outcome, view.cameras.iter_mut().find(|camera| camera.id == read.camera))
            {
                camera.reads += 1;
                camera.hits += u64::from(read.hit.is_some());
                camera.last_read = Some((now.mono, now.utc));
            }
        }
    });
    if faults.is_empty() {
        return Ok(accepted);
    }
    let mut problem = Problem::new("id-reused", 422, "An id was used for two different reads", "").with_faults(faults);
    problem.accepted = accepted;
    Err(problem)
}
