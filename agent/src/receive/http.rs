//! One request: who asks, whether it is what the contract says, and what is answered. No answer quotes an event.

mod images;
mod people;

use super::account::{Account, Summary};
use super::asks;
use super::check::{BodyError, Incoming, check_body, is_source, is_uuid};
use super::places::Places;
use super::schema::DatabaseError;
use super::store::{Batch, ReceiverStore, Stored};
use super::stream::{LISTENERS_MAX, STREAM_PATH};
use super::tokens::Tokens;
use crate::clock;
use crate::io::gzip::{self, GzipError};
use aws_lc_rs::{constant_time, digest};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use http_body_util::{BodyExt, Full};
use hyper::body::{Body, Bytes};
use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Method, Request, Response, StatusCode};
use people::{needs_token, not_for_trailers};
use pintle_core::moment::Utc;
use pintle_core::wire::event::{
    BATCH_CONTENT_TYPE, HEADER_ACCEPTED_UP_TO, HEADER_CONTENT_DIGEST, HEADER_GENERATION, HEADER_IDEMPOTENCY_KEY,
    HEADER_KNOWN_UP_TO, HEADER_RELAYED, HEADER_SENT_AT, HEADER_SOURCE,
};
use pintle_core::wire::images::IMAGES_PATH;
use pintle_core::wire::problem::{MEDIA_TYPE, Problem};
use pintle_core::wire::receipt::{ReceiptBody, unquoted};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Where trailers send their batches.
pub const EVENTS_PATH: &str = "/v1/events";
/// Where the account is read.
pub const COMPLETENESS_PATH: &str = "/v1/completeness";
/// Where the counts are read.
pub const SUMMARY_PATH: &str = "/v1/summary";

pub use people::{FLEET_PATH, METRICS_PATH, SURVEY_PAGE, SURVEY_PATH};

/// What binds every request. All of it is our own choice.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Largest body, bytes.
    pub body_bytes_max: usize,
    /// Bytes of all bodies that are in memory at one time.
    pub bodies_bytes_max: usize,
    /// A body must be complete within this.
    pub body_wait: Duration,
    /// Longest silence within a body.
    pub body_silence: Duration,
    /// A request's head must be complete within this; also how long an idle connection is kept.
    pub head_wait: Duration,
    /// The handshake of TLS must be done within this.
    pub handshake_wait: Duration,
    /// Longest time without progress while an answer is written.
    pub write_wait: Duration,
    /// Connections at one time.
    pub connections_max: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            body_bytes_max: 16 << 20,
            bodies_bytes_max: 128 << 20,
            // 16 MiB over a bad tether of 3 Mbit/s; larger batches don't suit a worse one.
            body_wait: Duration::from_mins(1),
            body_silence: Duration::from_secs(15),
            head_wait: Duration::from_secs(30),
            handshake_wait: Duration::from_secs(10),
            write_wait: Duration::from_secs(30),
            connections_max: 256,
        }
    }
}

/// What all requests share.
pub struct Service {
    store: ReceiverStore,
    folder: PathBuf,
    /// SHA-256 of the bearer token, so that comparing takes the same time for every guess.
    token: Option<[u8; 32]>,
    /// Tokens that are bound to one source each.
    tokens: Option<Tokens>,
    limits: Limits,
    /// Body memory that is left, KiB.
    budget: Arc<Semaphore>,
    /// One account is made at a time: it reads the whole index.
    accounts: Semaphore,
    /// Free places for listeners of the stream.
    listeners: Arc<Semaphore>,
    places: Arc<Places>,
    /// Requests refused since the start, by the kind of the problem.
    refusals: Mutex<BTreeMap<&'static str, u64>>,
    /// Held while a part of a picture is written.
    images: tokio::sync::Mutex<()>,
}

/// In whose name a client may send.
enum Names {
    /// Anybody's: there is nothing that binds it.
    All,
    /// Nobody's; it reads the account.
    Reader,
    /// These sources, as a token or certificate says. It may be none: whoever shows that is no person for it.
    Only(Vec<String>),
}

impl Names {
    fn allow(&self, source: &str) -> bool {
        match self {
            Self::All => true,
            Self::Reader => false,
            Self::Only(names) => names.iter().any(|name| name == source),
        }
    }

    /// Whether it is a trailer that asks, which reads nothing of what people read.
    fn are_of_a_trailer(&self) -> bool {
        matches!(self, Self::Only(_))
    }
}

type Answer = Response<Full<Bytes>>;

/// Why an answer refuses: the kind of its problem.
#[derive(Clone, Copy)]
struct Reason(&'static str);

/// An answer that refuses, boxed because problems are large and rare.
type Refused = Box<Answer>;

impl Service {
    /// A service on an open store in `folder`; with a token or tokens every request must bring one.
    #[must_use]
    pub fn new(
        store: ReceiverStore,
        folder: PathBuf,
        (token, tokens): (Option<&str>, Option<Tokens>),
        limits: Limits,
    ) -> Self {
        let budget = Arc::new(Semaphore::new(limits.bodies_bytes_max / 1024));
        Self {
            store,
            folder,
            token: token.map(|token| sha256(token.as_bytes())),
            tokens,
            limits,
            budget,
            accounts: Semaphore::new(1),
            listeners: Arc::new(Semaphore::new(LISTENERS_MAX)),
            places: Places::new(limits.connections_max),
            refusals: Mutex::default(),
            images: tokio::sync::Mutex::default(),
        }
    }

    /// The store behind it.
    #[must_use]
    pub fn store(&self) -> &ReceiverStore {
        &self.store
    }

    /// The folder of the database.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Requests refused since the start, by reason.
    fn refused_by_reason(&self) -> Vec<(&'static str, u64)> {
        let refusals = self.refusals.lock().unwrap_or_else(PoisonError::into_inner);
        refusals.iter().map(|(reason, count)| (*reason, *count)).collect()
    }

    /// The places of its connections.
    pub(super) fn places(&self) -> Arc<Places> {
        Arc::clone(&self.places)
    }

    /// Whether a request brings what it must bring; without tokens every one does.
    pub(super) fn may_ask<B>(&self, request: &Request<B>, names: Option<&[String]>) -> bool {
        self.authorise(request.headers(), names).is_ok()
    }

    /// Waits until no other part of a picture is being written; the next one waits for what this gives.
    pub(super) async fn picture_turn(&self) -> tokio::sync::MutexGuard<'_, ()> {
        self.images.lock().await
    }

    /// Answers one request of a client whose certificate names the sources `names`; `None`: it showed none.
    pub async fn answer<B>(&self, request: Request<B>, names: Option<&[String]>) -> Answer
    where
        B: Body<Data = Bytes> + Unpin,
    {
        let answer = self.route(request, names).await;
        answer.unwrap_or_else(|refused| {
            if let Some(Reason(reason)) = refused.extensions().get() {
                *self.refusals.lock().unwrap_or_else(PoisonError::into_inner).entry(*reason).or_default() += 1;
            }
            *refused
        })
    }

    async fn route<B>(&self, request: Request<B>, names: Option<&[String]>) -> Result<Answer, Refused>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        let page = request.uri().path() == SURVEY_PAGE;
        let asked = |refused| if page { people::ask_for_password(refused) } else { refused };
        let allowed_names = self.authorise(request.headers(), names).map_err(asked)?;
        if images::address_in(request.uri().path()).is_some() && [Method::HEAD, Method::PUT].contains(request.method())
        {
            return self.image(request, &allowed_names).await;
        }
        let allowed = match request.uri().path() {
            EVENTS_PATH => Method::POST,
            COMPLETENESS_PATH | SUMMARY_PATH | FLEET_PATH | SURVEY_PATH | SURVEY_PAGE | METRICS_PATH => Method::GET,
            _ => {
                let detail = format!(
                    "There is {EVENTS_PATH}, {IMAGES_PATH}<digest> (HEAD, PUT), {COMPLETENESS_PATH}, {SUMMARY_PATH}, \
                     {FLEET_PATH} (for `pintle survey`), {SURVEY_PATH}, {SURVEY_PAGE}, {METRICS_PATH} and {STREAM_PATH}."
                );
                return Err(problem("not-found", StatusCode::NOT_FOUND, "No such path", detail));
            }
        };
        if *request.method() != allowed {
            let detail = format!("Use {allowed} for this path.");
            let mut refused = problem("method", StatusCode::METHOD_NOT_ALLOWED, "Wrong method", detail);
            let allow = if allowed == Method::POST { "POST" } else { "GET" };
            refused.headers_mut().insert(header::ALLOW, HeaderValue::from_static(allow));
            return Err(refused);
        }
        match request.uri().path() {
            EVENTS_PATH => self.events(request, &allowed_names).await,
            // What all trailers have sent is none of one trailer's business.
            _ if allowed_names.are_of_a_trailer() => Err(not_for_trailers()),
            FLEET_PATH | SURVEY_PATH | SURVEY_PAGE | METRICS_PATH if self.is_open(names) => Err(needs_token()),
            METRICS_PATH => self.metrics().await,
            path @ (FLEET_PATH | SURVEY_PATH | SURVEY_PAGE) => self.survey(path.to_owned()).await,
            COMPLETENESS_PATH => {
                self.reading(|folder| Account::read(&folder, clock::utc()).map(|account| json(&account))).await
            }
            _ => self.reading(|folder| Summary::read(&folder).map(|summary| json(&summary))).await,
        }
    }

    /// In whose name the request may speak.
    fn authorise(&self, headers: &HeaderMap, certificate: Option<&[String]>) -> Result<Names, Refused> {
        let mut names = match certificate {
            Some(names) => Names::Only(names.to_vec()),
            None => Names::All,
        };
        if self.token.is_none() && self.tokens.is_none() {
            return Ok(names);
        }
        let given = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let given =
            given.and_then(|value| value.split_once(' ')).and_then(|(scheme, value)| token_of(scheme, value.trim()));
        if let Some(given) = given {
            let given = given.as_str();
            let known = self
                .token
                .as_ref()
                .is_some_and(|token| constant_time::verify_slices_are_equal(&sha256(given.as_bytes()), token).is_ok());
            match &self.tokens {
                // Every trailer has this token too: a person is who shows no certificate, or one that names no trailer.
                None if known => {
                    let person = matches!(&names, Names::Only(named) if named.is_empty());
                    return Ok(if person { Names::Reader } else { names });
                }
                Some(_) if known => return Ok(Names::Reader),
                Some(tokens) => {
                    if let Some(source) = tokens.source_of(given) {
                        // Both a certificate and a token: only what both allow.
                        if names.allow(&source) {
                            names = Names::Only(vec![source]);
                        } else {
                            names = Names::Only(Vec::new());
                        }
                        return Ok(names);
                    }
                }
                None => {}
            }
        }
        let detail =
            "Send the token of this receiver as \"Authorization: Bearer ...\" (receiver.token_file on the trailer).";
        let mut refused = problem("token", StatusCode::UNAUTHORIZED, "Token missing or wrong", detail);
        refused.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        Err(refused)
    }

    /// Refuses, counts and raises a request in the name of another trailer.
    async fn own_name(&self, names: &Names, source: &str) -> Result<(), Refused> {
        if names.allow(source) {
            return Ok(());
        }
        let (owner, detail) = match names {
            Names::Reader => (
                "the token that reads accounts".to_owned(),
                "This token reads accounts. Send with the token of the trailer that Pintle-Source names.",
            ),
            Names::Only(own) => (
                if own.is_empty() { "a certificate without a trailer's name".to_owned() } else { own.join(" ") },
                "This token or certificate is another trailer's than Pintle-Source names. Nothing is stored, and it \
                 is raised here. Give each trailer its own.",
            ),
            Names::All => (String::new(), ""),
        };
        // What can't be counted is refused all the same.
        drop(self.store.misuse(owner, source.to_owned(), clock::utc()).await);
        Err(problem("token-source", StatusCode::FORBIDDEN, "Not this trailer's token", detail))
    }

    /// Reads the database beside the writer, one reader at a time.
    async fn reading<F>(&self, read: F) -> Result<Answer, Refused>
    where
        F: FnOnce(PathBuf) -> Result<Answer, DatabaseError> + Send + 'static,
    {
        let _turn = self.accounts.acquire().await;
        let folder = self.folder.clone();
        match tokio::task::spawn_blocking(move || read(folder)).await {
            Ok(answer) => answer.map_err(|error| database(&error)),
            Err(_) => Err(failed()),
        }
    }

    async fn events<B>(&self, request: Request<B>, names: &Names) -> Result<Answer, Refused>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        let (head, body) = request.into_parts();
        let told = Told::read(&head.headers)?;
        self.own_name(names, &told.source).await?;
        let received_at = clock::utc();
        let announced = body.size_hint().lower();
        if u64::try_from(self.limits.body_bytes_max).is_ok_and(|max| max < announced) {
            return Err(too_large(self.limits.body_bytes_max));
        }
        // The permits are held until the answer: checked events take about as much memory as their body.
        let (bytes, _held) = self.body(body).await?;
        let (source, digest) = (told.source.clone(), told.digest);
        let bytes_max = self.limits.body_bytes_max;
        let _unpacked = if told.packed { Some(self.room_to_unpack()?) } else { None };
        let packs = head.headers.get(header::ACCEPT_ENCODING).and_then(|value| value.to_str().ok());
        let packs = packs.is_some_and(|text| text.split(',').any(|coding| coding.trim() == "gzip"));
        // Hashing and parsing of a large body would hold up all other connections on this thread.
        let checked = tokio::task::spawn_blocking(move || {
            if sha256(&bytes) != digest {
                let detail =
                    "The body is not the one that Content-Digest names; it was damaged on its way. Send it again.";
                return Err(problem("digest", StatusCode::BAD_REQUEST, "Digest does not fit", detail));
            }
            if told.packed {
                let body = gzip::unpack(&bytes, bytes_max).map_err(|error| unpacked_badly(error, bytes_max))?;
                return check_body(&source, &body).map_err(|error| bad_body(&error));
            }
            check_body(&source, &bytes).map_err(|error| bad_body(&error))
        })
        .await;
        let mut events = checked.unwrap_or_else(|_| Err(failed()))?;
        for incoming in &mut events {
            if let Incoming::Good(event) = incoming {
                event.sent_at = told.sent_at;
            }
        }
        let batch = Batch {
            source: told.source,
            generation: told.generation,
            accepted_up_to: told.accepted_up_to,
            relayed: told.relayed,
            received_at,
            events,
        };
        let (source, answered) = (batch.source.clone(), asks::answered(&batch.events));
        let stored = self.store.store(batch).await.map_err(|error| database(&error))?;
        let Stored { receipts, resend, known_up_to } = stored;
        if !answered.is_empty() {
            asks::close(&self.folder, &source, &answered);
        }
        let asked = asks::waiting(&self.folder, &source, received_at);
        let mut answer = receipts_of(&ReceiptBody { batch: told.key, receipts, resend, asked }, packs);
        answer.headers_mut().insert(header::ACCEPT_ENCODING, HeaderValue::from_static("gzip"));
        answer.headers_mut().insert(HEADER_KNOWN_UP_TO, HeaderValue::from(known_up_to));
        Ok(answer)
    }

    /// What comes out of a packed body may be as large as any body; so much memory is set aside for it.
    fn room_to_unpack(&self) -> Result<OwnedSemaphorePermit, Refused> {
        let kib = u32::try_from(self.limits.body_bytes_max / 1024).unwrap_or(u32::MAX);
        Arc::clone(&self.budget).try_acquire_many_owned(kib).map_err(|_| {
            let detail = "Too many bodies are on their way at once. Send it again later.";
            busy("busy", "Receiver is busy", detail)
        })
    }

    async fn body<B>(&self, body: B) -> Result<(Bytes, Option<OwnedSemaphorePermit>), Refused>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        tokio::time::timeout(self.limits.body_wait, self.frames(body)).await.unwrap_or_else(|_| Err(late()))
    }

    async fn frames<B>(&self, mut body: B) -> Result<(Bytes, Option<OwnedSemaphorePermit>), Refused>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        let mut bytes = Vec::new();
        let mut held: Option<OwnedSemaphorePermit> = None;
        loop {
            let frame = tokio::time::timeout(self.limits.body_silence, body.frame()).await.map_err(|_| late())?;
            let Some(frame) = frame else { break };
            let Ok(frame) = frame else {
                let detail = "The body ended before its announced length, or its chunks are wrong. Send it again.";
                return Err(problem("body-cut", StatusCode::BAD_REQUEST, "Body cut off", detail));
            };
            let Ok(data) = frame.into_data() else { continue };
            if self.limits.body_bytes_max < bytes.len() + data.len() {
                return Err(too_large(self.limits.body_bytes_max));
            }
            let needed = (bytes.len() + data.len()).div_ceil(1024);
            let more = needed.saturating_sub(held.as_ref().map_or(0, OwnedSemaphorePermit::num_permits));
            let more = Arc::clone(&self.budget).try_acquire_many_owned(u32::try_from(more).unwrap_or(u32::MAX));
            match (more, &mut held) {
                (Ok(more), Some(held)) => held.merge(more),
                (Ok(more), none) => *none = Some(more),
                (Err(_), _) => {
                    let detail = "Too many bodies are on their way at once. Send it again later.";
                    return Err(busy("busy", "Receiver is busy", detail));
                }
            }
            bytes.extend_from_slice(&data);
        }
        Ok((Bytes::from(bytes), held))
    }
}

/// The token of an `Authorization` header. A browser can send none, so it may also be the password of the scheme
/// `Basic`, under any name.
fn token_of(scheme: &str, value: &str) -> Option<String> {
    if scheme.eq_ignore_ascii_case("bearer") {
        return Some(value.to_owned());
    }
    let pair = scheme.eq_ignore_ascii_case("basic").then(|| BASE64.decode(value).ok()).flatten()?;
    let pair = String::from_utf8(pair).ok()?;
    pair.split_once(':').map(|(_, token)| token.to_owned())
}

/// What the headers of a batch tell.
struct Told {
    key: String,
    source: String,
    generation: String,
    accepted_up_to: u64,
    relayed: bool,
    sent_at: Option<Utc>,
    digest: [u8; 32],
    packed: bool,
}

impl Told {
    fn read(headers: &HeaderMap) -> Result<Self, Refused> {
        let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok()).map(str::trim);
        let bad = |name: &str, wanted: &str| {
            let detail = format!("The header {name} is missing or wrong: {wanted}.");
            problem("header", StatusCode::BAD_REQUEST, "Header missing or wrong", detail)
        };
        let media_type = text("content-type").unwrap_or_default();
        let media_type = media_type.split(';').next().unwrap_or_default().trim();
        let packed = text("content-encoding").map(|coding| coding == "gzip");
        if !media_type.eq_ignore_ascii_case(BATCH_CONTENT_TYPE) || packed == Some(false) {
            let detail = format!("Send {BATCH_CONTENT_TYPE} without a content encoding, or in gzip.");
            return Err(problem("media-type", StatusCode::UNSUPPORTED_MEDIA_TYPE, "Wrong media type", detail));
        }
        let key = text(HEADER_IDEMPOTENCY_KEY)
            .and_then(unquoted)
            .ok_or_else(|| bad("Idempotency-Key", "a UUID in double quotes names the batch"))?;
        let digest = text(HEADER_CONTENT_DIGEST)
            .and_then(sha256_of_digest)
            .ok_or_else(|| bad("Content-Digest", "sha-256=:<base64 of the body's SHA-256>: (RFC 9530)"))?;
        let source = text(HEADER_SOURCE)
            .filter(|source| is_source(source))
            .ok_or_else(|| bad("Pintle-Source", "urn:pintle:trailer:<id of the trailer>"))?;
        let generation = text(HEADER_GENERATION)
            .filter(|generation| is_uuid(generation))
            .ok_or_else(|| bad("Pintle-Generation", "the UUID of the trailer's queue in lower case"))?;
        let accepted_up_to = text(HEADER_ACCEPTED_UP_TO)
            .filter(|number| number.bytes().all(|c| c.is_ascii_digit()))
            .and_then(|number| number.parse().ok())
            .filter(|number| i64::try_from(*number).is_ok())
            .ok_or_else(|| bad("Pintle-Accepted-Up-To", "the highest number given out, decimal"))?;
        let relayed = text(HEADER_RELAYED);
        if relayed.is_some_and(|relayed| relayed != "true") {
            return Err(bad("Pintle-Relayed", "true, or leave it out"));
        }
        Ok(Self {
            key: key.to_owned(),
            source: source.to_owned(),
            generation: generation.to_owned(),
            accepted_up_to,
            relayed: relayed.is_some(),
            // It only adds to what is known: a time that is none refuses nothing.
            sent_at: text(HEADER_SENT_AT).and_then(Utc::parse_rfc3339),
            digest,
            packed: packed == Some(true),
        })
    }
}

/// The SHA-256 in an RFC 9530 digest header, which may name several digests.
fn sha256_of_digest(header: &str) -> Option<[u8; 32]> {
    let named = header.split(',').find_map(|digest| digest.trim().strip_prefix("sha-256=:"))?;
    BASE64.decode(named.strip_suffix(':')?).ok()?.try_into().ok()
}

fn sha256(bytes: &[u8]) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(digest::digest(&digest::SHA256, bytes).as_ref());
    out
}

fn answer_of(status: StatusCode, media_type: &'static str, body: Vec<u8>) -> Answer {
    let mut answer = Response::new(Full::new(Bytes::from(body)));
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media_type));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

fn json(body: &impl Serialize) -> Answer {
    match serde_json::to_vec(body) {
        Ok(bytes) => answer_of(StatusCode::OK, "application/json", bytes),
        Err(_) => *failed(),
    }
}

/// Receipts repeat themselves a lot: in gzip they have a fifth of their size.
fn receipts_of(body: &ReceiptBody, packs: bool) -> Answer {
    match serde_json::to_vec(body) {
        Ok(bytes) if packs && gzip::BYTES_MIN <= bytes.len() => {
            let mut answer = answer_of(StatusCode::OK, "application/json", gzip::pack(&bytes));
            answer.headers_mut().insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            answer
        }
        Ok(bytes) => answer_of(StatusCode::OK, "application/json", bytes),
        Err(_) => *failed(),
    }
}

fn unpacked_badly(error: GzipError, bytes_max: usize) -> Refused {
    match error {
        GzipError::TooLarge(_) => too_large(bytes_max),
        GzipError::Broken => {
            let detail = "The body is no whole gzip stream, though its Content-Encoding says so. Send it again.";
            problem("encoding", StatusCode::BAD_REQUEST, "Body can't be unpacked", detail)
        }
    }
}

fn problem(kind: &'static str, status: StatusCode, title: &str, detail: impl Into<String>) -> Refused {
    let body = serde_json::to_vec(&Problem::new(kind, status.as_u16(), title, detail)).unwrap_or_default();
    let mut refused = Box::new(answer_of(status, MEDIA_TYPE, body));
    refused.extensions_mut().insert(Reason(kind));
    refused
}

fn busy(kind: &'static str, title: &str, detail: impl Into<String>) -> Refused {
    let mut refused = problem(kind, StatusCode::SERVICE_UNAVAILABLE, title, detail);
    // Seconds: long enough for a stall of a disk to pass, short for a hit that waits (our own choice).
    refused.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("5"));
    refused
}

fn failed() -> Refused {
    let detail =
        "The receiver failed on this request; nothing of it is stored. Send it again, and report it if it stays.";
    problem("failed", StatusCode::INTERNAL_SERVER_ERROR, "Receiver failed", detail)
}

fn late() -> Refused {
    let detail = "The body did not come in time. Send smaller batches over a slow link.";
    problem("body-late", StatusCode::REQUEST_TIMEOUT, "Body too slow", detail)
}

fn too_large(max: usize) -> Refused {
    let detail = format!("A batch may have {max} bytes. Send fewer events at a time.");
    problem("too-large", StatusCode::PAYLOAD_TOO_LARGE, "Body too large", detail)
}

fn bad_body(error: &BodyError) -> Refused {
    let detail = format!("{error}.");
    match error {
        BodyError::NoArray { .. } => problem("body", StatusCode::BAD_REQUEST, "Body is no batch", detail),
        BodyError::TooMany => problem("too-large", StatusCode::PAYLOAD_TOO_LARGE, "Too many events", detail),
    }
}

fn database(error: &DatabaseError) -> Refused {
    // The path of the database is the host's own business; the receiver's log names it.
    let told = match error {
        DatabaseError::DiskFull { .. } => "The disk of the receiver is full",
        DatabaseError::Stopped => "The receiver is stopping",
        _ => "The database of the receiver can't be used now",
    };
    busy(
        "store",
        "Nothing is stored",
        format!("{told}; nothing of this request is known to be stored: {}.", error.advice()),
    )
}
