//! What people and their programs ask the receiver: the survey of its trailers, and the stream of hits and alarms.

use super::{Answer, Refused, Service, answer_of, busy, problem};
use crate::clock;
use crate::receive::fleet;
use crate::receive::metrics;
use crate::receive::stream::{self, AnyBody, STREAM_PATH, wanted};
use http_body_util::BodyExt;
use hyper::body::{Body, Bytes};
use hyper::header::{self, HeaderValue};
use hyper::{Method, Request, Response, StatusCode};
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// The newest state of every trailer: what `pintle survey` reads.
pub const FLEET_PATH: &str = "/v1/fleet";
/// The survey as JSON.
pub const SURVEY_PATH: &str = "/v1/survey";
/// Figures of the receiver itself, in the text format of Prometheus.
pub const METRICS_PATH: &str = "/v1/metrics";
/// The survey as one page.
pub const SURVEY_PAGE: &str = "/survey";

impl Service {
    /// As [`Service::answer`], and the stream, whose answer has no end but `stop`.
    pub async fn answer_or_stream<B>(
        &self,
        request: Request<B>,
        names: Option<&[String]>,
        stop: CancellationToken,
    ) -> Response<AnyBody>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        if request.uri().path() != STREAM_PATH {
            return self.answer(request, names).await.map(BodyExt::boxed_unsync);
        }
        match self.listener(&request, names) {
            Ok(permit) => {
                let database = (self.folder.clone(), self.store.closed());
                stream::answer(database, wanted(request.headers()), permit, stop)
            }
            Err(refused) => refused.map(BodyExt::boxed_unsync),
        }
    }

    fn listener<B>(
        &self,
        request: &Request<B>,
        names: Option<&[String]>,
    ) -> Result<tokio::sync::OwnedSemaphorePermit, Refused> {
        if self.is_open(names) {
            return Err(needs_token());
        }
        let names = self.authorise(request.headers(), names)?;
        if names.are_of_a_trailer() {
            return Err(not_for_trailers());
        }
        if *request.method() != Method::GET {
            let mut refused =
                problem("method", StatusCode::METHOD_NOT_ALLOWED, "Wrong method", "Use GET for this path.");
            refused.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET"));
            return Err(refused);
        }
        Arc::clone(&self.listeners).try_acquire_owned().map_err(|_| {
            busy("listeners", "Too many listeners", "All places for listeners are taken. Come again later.")
        })
    }

    /// Whether anybody who reaches the port would be answered: a page in a browser of this computer could be that.
    pub(super) fn is_open(&self, names: Option<&[String]>) -> bool {
        self.token.is_none() && self.tokens.is_none() && names.is_none()
    }

    /// How the receiver itself is.
    pub(super) async fn metrics(&self) -> Result<Answer, Refused> {
        let process = metrics::Process {
            events: self.store.receipts().read(),
            refused: self.refused_by_reason(),
            places: self.places.figures(),
            lived_ms: self.store.lived().known_at(clock::mono()),
        };
        self.reading(move |folder| {
            let text = metrics::text(&folder, &process)?;
            Ok(answer_of(StatusCode::OK, "text/plain; version=0.0.4", text.into()))
        })
        .await
    }

    /// The list, the survey, or its page.
    pub(super) async fn survey(&self, path: String) -> Result<Answer, Refused> {
        self.reading(move |folder| {
            let now = clock::utc();
            Ok(match path.as_str() {
                FLEET_PATH => answer_of(StatusCode::OK, "application/json", fleet::list(&folder, now)?),
                SURVEY_PATH => {
                    answer_of(StatusCode::OK, "application/json", fleet::survey(&folder, now, false)?.into())
                }
                _ => page(fleet::survey(&folder, now, true)?),
            })
        })
        .await
    }
}

/// The page is one file that asks for nothing; the policy holds it to that.
fn page(text: String) -> Answer {
    let mut answer = answer_of(StatusCode::OK, "text/html; charset=utf-8", text.into());
    for (name, value) in [
        (
            "content-security-policy",
            "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; connect-src 'self'; \
             frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
        ),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
    ] {
        answer.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    answer
}

/// A browser asks its user for a password only if this scheme is offered.
pub(super) fn ask_for_password(mut refused: Refused) -> Refused {
    let schemes = HeaderValue::from_static("Bearer, Basic realm=\"pintle receive\"");
    refused.headers_mut().insert(header::WWW_AUTHENTICATE, schemes);
    refused
}

pub(super) fn needs_token() -> Refused {
    let detail = "Start the receiver with --token-file; the survey and the stream are not shown to everybody.";
    problem("token-needed", StatusCode::FORBIDDEN, "No token is set", detail)
}

pub(super) fn not_for_trailers() -> Refused {
    let detail = "Accounts, surveys and the stream are read with the receiver's own token (--token-file), not with a \
                  trailer's token or certificate.";
    problem("token-account", StatusCode::FORBIDDEN, "Not for a trailer", detail)
}
