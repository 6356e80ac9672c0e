//! Asks many sources at once, each within its time and its size, so that slow, dead and endless ones cost nobody else.

use super::SurveyError;
use super::sources::{PLACES, Source};
use crate::clock;
use pintle_core::health::wording;
use pintle_core::moment::Utc;
use pintle_core::survey::Heard;
use pintle_core::wire::told::{FLEET_FORMAT, NotTold, Told};
use reqwest::header::{self, HeaderValue};
use reqwest::{Certificate, StatusCode, redirect, retry};
use serde::Deserialize;
use serde_json::value::RawValue;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

/// A health file has at most 64 kB (our own limit for what the agent writes); this is room for a later version.
const BYTES_MAX: usize = 512 * 1024;
/// How many are asked at once. Dead ones wait, so there are many; descriptors and memory bound them
/// (400 × 512 kB = 200 MB at the very worst).
const AT_ONCE: usize = 400;
/// A receiver's list has at most this many bytes: 5,000 states of 6 kB. Lists are read one at a time.
const LIST_BYTES_MAX: usize = 32 << 20;
/// What the address of a receiver's list ends with.
const LIST_PATH: &str = "/v1/fleet";

/// How long things may take.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    /// One source.
    pub(super) each: Duration,
}

impl Limits {
    pub(super) fn for_wait(each: Duration) -> Self {
        Self { each }
    }
}

/// The way to pages.
pub(super) struct Reach {
    client: reqwest::Client,
    token: Option<HeaderValue>,
    limits: Limits,
    lists: Semaphore,
}

impl Reach {
    /// # Errors
    /// [`SurveyError`] if a named file can't be used.
    pub(super) fn new(ca: Option<&Path>, token: Option<&Path>, limits: Limits) -> Result<Self, SurveyError> {
        let mut builder = reqwest::Client::builder()
            .user_agent(concat!("pintle/", env!("CARGO_PKG_VERSION")))
            // A page that sends elsewhere is not the page that was asked for; a proxy of the environment would see all.
            .redirect(redirect::Policy::none())
            .retry(retry::never())
            .no_proxy()
            .referer(false)
            .http1_only()
            .pool_max_idle_per_host(0)
            .connect_timeout(limits.each)
            .timeout(limits.each);
        if let Some(path) = ca {
            let authorities = Certificate::from_pem_bundle(&read_named("--ca-file", path)?).unwrap_or_default();
            if authorities.is_empty() {
                let path = path.display().to_string();
                return Err(SurveyError::Content { what: "--ca-file", path, why: "no certificate in PEM" });
            }
            builder = builder.tls_certs_only(authorities);
        }
        let token = token.map(bearer).transpose()?;
        let client = builder.build().map_err(|error| SurveyError::Client(error.to_string()))?;
        Ok(Self { client, token, limits, lists: Semaphore::new(1) })
    }
}

fn read_named(what: &'static str, path: &Path) -> Result<Vec<u8>, SurveyError> {
    std::fs::read(path).map_err(|source| SurveyError::File { what, path: path.display().to_string(), source })
}

fn bearer(path: &Path) -> Result<HeaderValue, SurveyError> {
    let what = "--token-file";
    let bytes = read_named(what, path)?;
    let token = bytes.trim_ascii();
    let wrong = |why| SurveyError::Content { what, path: path.display().to_string(), why };
    if token.is_empty() || !token.iter().all(u8::is_ascii_graphic) {
        return Err(wrong("no token (one word of printable ASCII)"));
    }
    let mut value = HeaderValue::from_bytes(&[b"Bearer ", token].concat()).map_err(|_| wrong("no token"))?;
    value.set_sensitive(true);
    Ok(value)
}

/// Asks all; the answers stand in the order of the sources.
pub(super) async fn gather(sources: Vec<Source>, reach: Reach) -> Vec<Heard> {
    let (reach, slots) = (Arc::new(reach), Arc::new(Semaphore::new(AT_ONCE)));
    let mut tasks = JoinSet::new();
    for (at, source) in sources.into_iter().enumerate() {
        let (reach, slots) = (Arc::clone(&reach), Arc::clone(&slots));
        tasks.spawn(async move {
            // The semaphore is never closed.
            let _slot = slots.acquire_owned().await;
            (at, ask_any(source, &reach).await)
        });
    }
    let mut heard: Vec<(usize, Vec<Heard>)> = Vec::new();
    while let Some(done) = tasks.join_next().await {
        // A task that panicked is a fault of this program: loud in tests, one trailer less in the field would be
        // silent.
        match done {
            Ok(done) => heard.push(done),
            Err(error) => tracing::error!(%error, "one source could not be asked"),
        }
    }
    heard.sort_by_key(|(at, _)| *at);
    heard.into_iter().flat_map(|(_, heard)| heard).collect()
}

/// One trailer's word, or those of all trailers of a receiver.
async fn ask_any(source: Source, reach: &Reach) -> Vec<Heard> {
    match source {
        Source::Url(url) if url.path().ends_with(LIST_PATH) => {
            let shown = url.to_string();
            let _turn = reach.lists.acquire().await;
            let fetched = match tokio::time::timeout(reach.limits.each, fetch(&url, reach, LIST_BYTES_MAX)).await {
                Ok(fetched) => fetched,
                Err(_) => Err(silent(reach.limits.each)),
            };
            match fetched.and_then(|(bytes, date)| Ok((list(&shown, &bytes)?, date))) {
                Ok((heard, their_now)) => heard.into_iter().map(|heard| Heard { their_now, ..heard }).collect(),
                Err(why) => vec![Heard { source: shown, told: Err(why), their_now: None }],
            }
        }
        source => vec![ask(source, reach).await],
    }
}

#[derive(Deserialize)]
struct List<'a> {
    format: String,
    #[serde(borrow)]
    trailers: Vec<Listed<'a>>,
}

#[derive(Deserialize)]
struct Listed<'a> {
    source: String,
    #[serde(borrow)]
    health: Option<&'a RawValue>,
}

/// The trailers of a receiver's list. Its own clock judges ages, since it is the one that hands them out.
fn list(shown: &str, bytes: &[u8]) -> Result<Vec<Heard>, Why> {
    let wrong = || {
        let how = "Name the receiver's address with /v1/fleet at its end.".to_owned();
        ("What it sent is no list of trailers.".to_owned(), how)
    };
    let list: List<'_> = serde_json::from_slice(bytes).map_err(|_| wrong())?;
    if list.format != FLEET_FORMAT {
        return Err(wrong());
    }
    let heard = |listed: &Listed<'_>| Heard {
        source: format!("{shown}#{}", listed.source.rsplit(':').next().unwrap_or_default()),
        told: match listed.health {
            Some(health) => understand(health.get().as_bytes()),
            None => Err((
                "It has sent events there, and never its state.".to_owned(),
                "Set health.upstream_s there, or ask its page.".to_owned(),
            )),
        },
        their_now: None,
    };
    Ok(list.trailers.iter().map(heard).collect())
}

fn silent(each: Duration) -> Why {
    let why = format!("It did not answer within {} s.", each.as_secs());
    (why, "Is it switched on, and is its link up? Ask again; then somebody must go there.".to_owned())
}

async fn ask(source: Source, reach: &Reach) -> Heard {
    let shown = source.shown();
    let each = reach.limits.each;
    let silent = || silent(each);
    let (told, their_now) = match source {
        Source::Nothing { why, how, .. } => (Err((why, how)), None),
        Source::Files(path) => {
            let read = tokio::task::spawn_blocking(move || read_files(&path));
            match tokio::time::timeout(each, read).await {
                Ok(Ok(told)) => (told, None),
                Ok(Err(_)) | Err(_) => (Err(silent()), None),
            }
        }
        Source::Url(url) => match tokio::time::timeout(each, fetch(&url, reach, BYTES_MAX)).await {
            Ok(Ok((bytes, date))) => (understand(&bytes), date),
            Ok(Err(why)) => (Err(why), None),
            Err(_) => (Err(silent()), None),
        },
    };
    Heard { source: shown, told, their_now }
}

type Why = (String, String);

fn understand(bytes: &[u8]) -> Result<Told, Why> {
    let advice = |error: &NotTold| wording::sentence(error.advice());
    Told::parse(bytes).map_err(|error| (format!("What it sent can't be judged: {error}."), advice(&error)))
}

fn too_large() -> Why {
    (
        format!("It sends more than {} kB, so it is no health file.", BYTES_MAX / 1024),
        "Look at what stands at that address.".to_owned(),
    )
}

async fn fetch(url: &reqwest::Url, reach: &Reach, bytes_max: usize) -> Result<(Vec<u8>, Option<Utc>), Why> {
    let mut request = reach.client.get(url.clone()).header(header::ACCEPT, "application/json");
    if let Some(token) = &reach.token {
        request = request.header(header::AUTHORIZATION, token.clone());
    }
    let mut response = request.send().await.map_err(|error| no_answer(&error))?;
    let status = response.status();
    if !status.is_success() {
        return Err(refused(status));
    }
    let date = response.headers().get(header::DATE).and_then(|date| date.to_str().ok());
    let date = date.and_then(|date| pintle_core::forward::retry_after::parse_date(date, clock::utc()));
    let mut bytes = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(|error| no_answer(&error))? {
        if bytes_max < bytes.len() + chunk.len() {
            return Err(too_large());
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok((bytes, date))
}

fn no_answer(error: &reqwest::Error) -> Why {
    let (why, how) = if error.is_timeout() {
        ("It did not answer in time.", "Is it switched on, and is its link up?")
    } else if error.is_dns() {
        ("Its name is not known to this network.", "Is the name right, and does this computer reach a name server?")
    } else if error.is_connect() {
        (
            "There is no connection to it, or its certificate is not vouched for.",
            "Is it switched on? For a trailer's own certificate name it with --ca-file.",
        )
    } else {
        ("It broke off in the middle of its answer.", "Ask again.")
    };
    (why.to_owned(), how.to_owned())
}

fn refused(status: StatusCode) -> Why {
    let (why, how) = match status {
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => (
            "It does not let this survey in".to_owned(),
            "Use the token that the trailer was given, with --token-file.",
        ),
        StatusCode::NOT_FOUND => ("There is no health file at that address".to_owned(), "Name the trailer's page."),
        status if status.is_redirection() => {
            ("It sends elsewhere, and that is not followed".to_owned(), "Is a captive page in between?")
        }
        status if status.is_server_error() => {
            ("It can't show its health files now".to_owned(), "Is the agent running there?")
        }
        _ => ("It refused to answer".to_owned(), "Name the trailer's page."),
    };
    (format!("{why} (HTTP {}).", status.as_u16()), how.to_owned())
}

/// The first of the places where a trailer's state may lie.
fn read_files(path: &Path) -> Result<Told, Why> {
    if !path.is_dir() {
        return read(path).map_err(|error| unreadable(path, &error)).and_then(|bytes| understand(&bytes?));
    }
    let mut first = None;
    for place in PLACES {
        match read(&path.join(place)) {
            Ok(bytes) => return understand(&bytes?),
            Err(error) => {
                first.get_or_insert(error);
            }
        }
    }
    // The list of places is not empty, so there is a first error.
    Err(unreadable(path, &first.unwrap_or_else(|| std::io::ErrorKind::NotFound.into())))
}

fn unreadable(path: &Path, error: &std::io::Error) -> Why {
    let why = match error.kind() {
        std::io::ErrorKind::NotFound => "There is no health file.".to_owned(),
        std::io::ErrorKind::PermissionDenied => "The health file may not be read by this user.".to_owned(),
        _ => format!("The health file can't be read: {error}."),
    };
    (why, format!("Look into {}; the share may be gone.", path.display()))
}

fn read(path: &Path) -> std::io::Result<Result<Vec<u8>, Why>> {
    // A pipe or a device would be waited for.
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    let mut bytes = Vec::new();
    let limit = u64::try_from(BYTES_MAX).unwrap_or(u64::MAX);
    std::fs::File::open(path)?.take(limit + 1).read_to_end(&mut bytes)?;
    Ok(if BYTES_MAX < bytes.len() { Err(too_large()) } else { Ok(bytes) })
}
