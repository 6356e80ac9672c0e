//! The HTTP end of the page: few connections, short waits, read-only.

use super::files::{self, Answer};
use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{ALLOW, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HOST, HeaderValue, REFERRER_POLICY};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

/// Open connections; a browser takes six, and few people look at one trailer (our own limit).
const CONNECTIONS_MAX: usize = 32;
/// A request's head must be complete within this.
const HEAD_WAIT: Duration = Duration::from_secs(5);
/// A connection lives no longer than this; a page that is looked at makes a new one.
const CONNECTION_WAIT: Duration = Duration::from_mins(1);
/// Pause after a failed accept, so that a lack of files does not become a busy loop.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Serves for ever.
pub(super) async fn serve(listener: TcpListener, folder: PathBuf) {
    let (folder, slots) = (Arc::new(folder), Arc::new(Semaphore::new(CONNECTIONS_MAX)));
    loop {
        // The semaphore is never closed.
        let Ok(slot) = Arc::clone(&slots).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let folder = Arc::clone(&folder);
                tokio::spawn(async move {
                    // Errors here are peers that hung up or spoke no HTTP, or were cut off: their trouble, not ours.
                    drop(tokio::time::timeout(CONNECTION_WAIT, connection(stream, folder)).await);
                    drop(slot);
                });
            }
            Err(_) => tokio::time::sleep(ACCEPT_PAUSE).await,
        }
    }
}

async fn connection(stream: TcpStream, folder: Arc<PathBuf>) {
    let answer = service_fn(move |request| {
        let folder = Arc::clone(&folder);
        async move { Ok::<_, Infallible>(answer(&request, folder).await) }
    });
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WAIT)
        .max_headers(64)
        .max_buf_size(16 * 1024)
        .serve_connection(TokioIo::new(stream), answer);
    drop(served.await);
}

async fn answer<B>(request: &Request<B>, folder: Arc<PathBuf>) -> Response<Full<Bytes>> {
    let asked = request.uri().path().to_owned();
    let mut hosts = request.headers().get_all(HOST).iter();
    // Two names are none (source: RFC 9112 section 3.2).
    let host = hosts.next().filter(|_| hosts.next().is_none());
    let told = if !is_here(host) {
        files::told(421, "Ask for this page by the name of this computer: localhost.\n")
    } else if matches!(*request.method(), Method::GET | Method::HEAD) {
        let read = tokio::task::spawn_blocking(move || files::answer(&folder, &asked));
        read.await.unwrap_or_else(|_| files::told(500, "The page can't be shown. Load it again.\n"))
    } else {
        files::told(405, "This page is for reading only.\n")
    };
    response(told)
}

/// A name in a far DNS may point at loopback; only our own names are answered, so that no foreign page can read ours.
fn is_here(host: Option<&HeaderValue>) -> bool {
    let Some(host) = host.and_then(|host| host.to_str().ok()) else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|c| c.is_ascii_digit()) => name,
        _ => host,
    };
    let name = name.trim_start_matches('[').trim_end_matches(']');
    name.eq_ignore_ascii_case("localhost") || name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn response(answer: Answer) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(answer.body)));
    *response.status_mut() = StatusCode::from_u16(answer.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let headers = response.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(answer.media_type));
    // The policy is made of ASCII only; if it could not be sent, the strictest one is.
    let strictest = HeaderValue::from_static("default-src 'none'");
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_str(&answer.policy).unwrap_or(strictest));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert("x-content-type-options", HeaderValue::from_static("nosniff"));
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    if answer.status == 405 {
        headers.insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_computer_are_answered() {
        let here = |host: &'static str| is_here(Some(&HeaderValue::from_static(host)));
        for good in ["localhost", "LOCALHOST:7480", "127.0.0.1:80", "[::1]:7480", "[::1]"] {
            assert!(here(good), "{good}");
        }
        for bad in ["example.org", "localhost.example.org", "10.0.0.1", "127.0.0.1.example.org:80", ""] {
            assert!(!here(bad), "{bad}");
        }
        assert!(!is_here(None));
    }
}
