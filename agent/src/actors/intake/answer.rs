//! Answers: the ones that the handler gives, and the ones that go out where no handler was reached.

use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{CONNECTION, CONTENT_TYPE, HeaderValue, RETRY_AFTER};
use hyper::{Response, StatusCode};
use pintle_core::wire::problem::{AcceptedBody, AcceptedRead, MEDIA_TYPE, Problem};

pub(super) type Answer = Response<Full<Bytes>>;

/// When a refused read may be tried again, s (our own: space comes back in minutes, a busy second in a second).
pub(super) const RETRY_AFTER_S: u16 = 5;

/// 202 with what became of each read.
pub(super) fn accepted(accepted: Vec<AcceptedRead>) -> Answer {
    json(StatusCode::ACCEPTED, "application/json", serde_json::to_vec(&AcceptedBody { accepted }))
}

/// 200 of the self-probe: it says nothing but that requests are being answered.
pub(super) fn up() -> Answer {
    json(StatusCode::OK, "application/json", Ok(br#"{"status":"up"}"#.to_vec()))
}

/// A refusal. One that leaves a body unread ends the connection.
pub(super) fn refused(problem: &Problem, unread: bool) -> Answer {
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut answer = json(status, MEDIA_TYPE, serde_json::to_vec(problem));
    if status == StatusCode::SERVICE_UNAVAILABLE {
        answer.headers_mut().insert(RETRY_AFTER, HeaderValue::from(RETRY_AFTER_S));
    }
    if unread {
        answer.headers_mut().insert(CONNECTION, HeaderValue::from_static("close"));
    }
    answer
}

fn json(status: StatusCode, media_type: &'static str, body: serde_json::Result<Vec<u8>>) -> Answer {
    // All bodies are made of text and numbers, so that writing them cannot fail.
    let mut answer = Response::new(Full::new(Bytes::from(body.unwrap_or_default())));
    *answer.status_mut() = status;
    answer.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(media_type));
    answer
}

/// The same refusal as bytes of HTTP/1.1, for a connection that never got to a handler.
pub(super) fn raw(problem: &Problem) -> Vec<u8> {
    let body = serde_json::to_string(problem).unwrap_or_default();
    let reason = StatusCode::from_u16(problem.status).ok().and_then(|s| s.canonical_reason()).unwrap_or("Refused");
    let retry = if problem.status == 503 { format!("retry-after: {RETRY_AFTER_S}\r\n") } else { String::new() };
    format!(
        "HTTP/1.1 {} {reason}\r\ncontent-type: {MEDIA_TYPE}\r\ncontent-length: {}\r\n{retry}connection: close\r\n\r\n{body}",
        problem.status,
        body.len()
    )
    .into_bytes()
}
