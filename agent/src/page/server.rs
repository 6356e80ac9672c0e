//! The HTTP end of the page: few connections, short waits, small bodies.

use super::files::{self, Answer, Body, Long};
use super::form;
use super::gate::{Asked, Gate, cookie_of};
use super::guests::Guests;
use futures_util::stream::try_unfold;
use http_body_util::combinators::UnsyncBoxBody;
use http_body_util::{BodyExt as _, Full, Limited, StreamBody};
use hyper::body::{Bytes, Frame, Incoming};
use hyper::header::{
    ALLOW, AUTHORIZATION, CACHE_CONTROL, CONTENT_LENGTH, CONTENT_SECURITY_POLICY, CONTENT_TYPE, COOKIE, HOST,
    HeaderMap, HeaderName, HeaderValue, ORIGIN, REFERRER_POLICY,
};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_rustls::TlsAcceptor;

/// Open connections; a browser takes six, and few people look at one trailer (our own limit).
const CONNECTIONS_MAX: usize = 32;
/// A request's head must be complete within this.
const HEAD_WAIT: Duration = Duration::from_secs(5);
/// A connection lives no longer than this; a page that is looked at makes a new one.
const CONNECTION_WAIT: Duration = Duration::from_mins(1);
/// Pause after a failed accept, so that a lack of files does not become a busy loop.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);
/// Longest form, bytes (our own limit: three texts of 160 characters and their coding).
const FORM_BYTES_MAX: usize = 16 * 1024;

/// What all connections share.
pub(super) struct Served {
    pub(super) gate: Arc<Gate>,
    /// The address that is listened on: the page answers to it and to names of this computer.
    pub(super) address: IpAddr,
    pub(super) tls: Option<TlsAcceptor>,
}

/// Serves for ever.
pub(super) async fn serve(listener: TcpListener, served: Served) {
    let (served, slots) = (Arc::new(served), Arc::new(Semaphore::new(CONNECTIONS_MAX)));
    let guests = Arc::new(Guests::default());
    loop {
        // The semaphore is never closed.
        let Ok(slot) = Arc::clone(&slots).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, peer)) => {
                let Some(guest) = guests.admit(peer.ip()) else { continue };
                let served = Arc::clone(&served);
                tokio::spawn(async move {
                    // Errors here are peers that hung up or spoke no HTTP, or were cut off: their trouble, not ours.
                    let talk = async {
                        match &served.tls {
                            Some(tls) => {
                                // Who says nothing gives its place back as soon as one who speaks no TLS.
                                let greeted = tokio::time::timeout(HEAD_WAIT, tls.accept(stream)).await;
                                if let Ok(Ok(stream)) = greeted {
                                    connection(stream, &served, peer.ip()).await;
                                }
                            }
                            None => connection(stream, &served, peer.ip()).await,
                        }
                    };
                    drop(tokio::time::timeout(CONNECTION_WAIT, talk).await);
                    drop((slot, guest));
                });
            }
            Err(_) => tokio::time::sleep(ACCEPT_PAUSE).await,
        }
    }
}

async fn connection(stream: impl AsyncRead + AsyncWrite + Unpin, served: &Arc<Served>, source: IpAddr) {
    let answer = service_fn(|request| {
        let served = Arc::clone(served);
        async move { Ok::<_, Infallible>(answer(request, &served, source).await) }
    });
    let talk = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WAIT)
        .max_headers(64)
        .max_buf_size(16 * 1024)
        .serve_connection(TokioIo::new(stream), answer);
    drop(talk.await);
}

/// What is sent: in one piece, or while it is read.
type Sent = UnsyncBoxBody<Bytes, std::io::Error>;

async fn answer(request: Request<Incoming>, served: &Served, source: IpAddr) -> Response<Sent> {
    let gate = &served.gate;
    let (head, body) = request.into_parts();
    let mut hosts = head.headers.get_all(HOST).iter();
    // Two names are none (source: RFC 9112 section 3.2).
    let host = hosts.next().filter(|_| hosts.next().is_none()).and_then(|host| host.to_str().ok());
    let Some(host) = host.filter(|host| is_here(host, served.address)) else {
        return response(gate, files::told(421, "Ask for this page by the name of this computer: localhost.\n"));
    };
    let text = |name: HeaderName| head.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
    // Source: WHATWG HTML, section 4.10.21.3: what a form sends that says nothing else.
    let plain = text(CONTENT_TYPE).split(';').next().unwrap_or_default().trim();
    if head.method == Method::POST && !plain.eq_ignore_ascii_case("application/x-www-form-urlencoded") {
        return response(gate, files::told(415, "Send this as a plain form: application/x-www-form-urlencoded.\n"));
    }
    let form = if head.method == Method::POST {
        let limited = Limited::new(body, FORM_BYTES_MAX);
        match tokio::time::timeout(HEAD_WAIT, limited.collect()).await {
            Ok(Ok(body)) => form::fields(&body.to_bytes()),
            _ => return response(gate, files::told(413, "The form is too long or came too slowly.\n")),
        }
    } else {
        Vec::new()
    };
    let asked = Asked {
        path: head.uri.path().to_owned(),
        source,
        cookie: cookie_of(text(COOKIE)).to_owned(),
        bearer: text(AUTHORIZATION).strip_prefix("Bearer ").unwrap_or_default().trim().to_owned(),
        same_origin: is_same_origin(&head.headers, host),
        by_person: head.method == Method::POST
            || !head.headers.contains_key("sec-fetch-mode")
            || head.headers.get("sec-fetch-user").is_some_and(|user| user == "?1"),
        method: head.method,
        form,
    };
    response(gate, Arc::clone(gate).answer(asked).await)
}

/// A browser says where a form comes from, newer ones by a header that no page can write. Source: W3C Fetch Metadata;
/// RFC 6454 section 7.
fn is_same_origin(headers: &HeaderMap, host: &str) -> bool {
    match headers.get("sec-fetch-site") {
        Some(site) => site == "same-origin",
        None => headers.get(ORIGIN).is_none_or(|origin| {
            let origin = origin.to_str().unwrap_or_default();
            let name = origin.strip_prefix("https://").or_else(|| origin.strip_prefix("http://"));
            name.is_some_and(|name| name.eq_ignore_ascii_case(host))
        }),
    }
}

/// A name in a far DNS may point here; only our own names are answered, so that no foreign page can read ours.
fn is_here(host: &str, address: IpAddr) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|c| c.is_ascii_digit()) => name,
        _ => host,
    };
    let name = name.trim_start_matches('[').trim_end_matches(']');
    name.eq_ignore_ascii_case("localhost")
        || name.parse::<IpAddr>().is_ok_and(|ip| ip == address || (address.is_loopback() && ip.is_loopback()))
}

fn response(gate: &Arc<Gate>, answer: Answer) -> Response<Sent> {
    let (body, length) = match answer.body {
        Body::Whole(bytes) => (Full::new(Bytes::from(bytes)).map_err(|never| match never {}).boxed_unsync(), None),
        Body::Long(long) => {
            let length = long.left;
            (pieces(Arc::clone(gate), long), Some(length))
        }
    };
    let mut response = Response::new(body);
    *response.status_mut() = StatusCode::from_u16(answer.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let headers = response.headers_mut();
    if let Some(length) = length {
        headers.insert(CONTENT_LENGTH, HeaderValue::from(length));
    }
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(answer.media_type));
    // The policy is made of ASCII only; if it could not be sent, the strictest one is.
    let strictest = HeaderValue::from_static("default-src 'none'");
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_str(&answer.policy).unwrap_or(strictest));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // Forms of this page must be able to say where they come from, and nobody else needs to know.
    headers.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.insert("x-content-type-options", HeaderValue::from_static("nosniff"));
    headers.insert("x-frame-options", HeaderValue::from_static("DENY"));
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    if answer.status == 405 {
        headers.insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
    }
    for (name, value) in answer.more {
        if let Ok(value) = HeaderValue::from_str(&value) {
            headers.insert(name, value);
        }
    }
    response
}

/// A file piece by piece: the next one is read when the last one was taken. One that hangs ends the connection.
fn pieces(gate: Arc<Gate>, long: Long) -> Sent {
    let stream = try_unfold(long, move |long| {
        let gate = Arc::clone(&gate);
        async move {
            let read = gate.reading(move |_| long.piece()).await;
            let read = read.unwrap_or_else(|| Err(std::io::ErrorKind::TimedOut.into()))?;
            Ok(read.map(|(bytes, rest)| (Frame::data(Bytes::from(bytes)), rest)))
        }
    });
    StreamBody::new(stream).boxed_unsync()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_computer_and_its_own_address_are_answered() {
        let (loopback, lan): (IpAddr, IpAddr) = ("127.0.0.1".parse().unwrap(), "192.0.2.7".parse().unwrap());
        for host in ["localhost", "LOCALHOST:7480", "127.0.0.1:7480", "[::1]:7480", "[::1]", "127.0.0.9"] {
            assert!(is_here(host, loopback), "{host}");
        }
        for host in ["", "trailer.example", "192.0.2.7", "localhost.example", "127.0.0.1.example"] {
            assert!(!is_here(host, loopback), "{host}");
        }
        assert!(is_here("192.0.2.7:7480", lan) && !is_here("192.0.2.8", lan) && !is_here("127.0.0.1", lan));
    }

    #[test]
    fn a_form_of_another_page_is_known_by_what_the_browser_says() {
        let says = |pairs: &[(&'static str, &'static str)]| {
            let mut headers = HeaderMap::new();
            for (name, value) in pairs {
                headers.insert(*name, HeaderValue::from_static(value));
            }
            is_same_origin(&headers, "127.0.0.1:7480")
        };
        assert!(says(&[]) && says(&[("sec-fetch-site", "same-origin"), ("origin", "null")]));
        assert!(says(&[("origin", "https://127.0.0.1:7480")]));
        assert!(!says(&[("sec-fetch-site", "cross-site")]) && !says(&[("sec-fetch-site", "same-site")]));
        assert!(!says(&[("origin", "https://evil.example")]) && !says(&[("origin", "null")]));
    }
}
