//! Hits and alarms as they come, as server-sent events (HTML Living Standard, section 9.2): `id` is where to go on, so
//! a listener that was cut off sends it back as `Last-Event-ID` and misses nothing.

use super::tail::{Cursor, Tail};
use http_body_util::combinators::UnsyncBoxBody;
use http_body_util::{BodyExt as _, StreamBody};
use hyper::body::{Bytes, Frame};
use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Response, StatusCode};
use std::convert::Infallible;
use std::path::PathBuf;
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio_util::sync::CancellationToken;

/// Where it is heard.
pub const STREAM_PATH: &str = "/v1/stream";
/// Listeners at one time (our own limit; each reads the database twice a second).
pub const LISTENERS_MAX: usize = 16;
/// How often it is looked whether something came (our own choice: a hit is told within half a second of its commit).
pub const LOOK_EVERY: Duration = Duration::from_millis(500);
/// Things that wait for a listener; it is not read further meanwhile (our own limit).
const WAITING_MAX: usize = 16;
/// A listener that takes nothing for this long is dropped; it comes again with its last id (our own choice).
const SLOW: Duration = Duration::from_secs(30);
/// A line of comment so often keeps gateways from forgetting a silent connection (common practice: under 30 s).
const ALIVE_EVERY: Duration = Duration::from_secs(15);

/// A body of any kind.
pub type AnyBody = UnsyncBoxBody<Bytes, Infallible>;

/// Where a listener wants to go on.
#[must_use]
pub fn wanted(headers: &HeaderMap) -> Option<Cursor> {
    headers.get("last-event-id").and_then(|value| value.to_str().ok()).and_then(Cursor::parse)
}

/// The answer; what it says comes from a task that ends with the listener, with `stop`, or when the listener is slow.
#[must_use]
pub fn answer(
    folder: PathBuf,
    from: Option<Cursor>,
    permit: OwnedSemaphorePermit,
    stop: CancellationToken,
) -> Response<AnyBody> {
    let (sender, receiver) = mpsc::channel::<Bytes>(WAITING_MAX);
    tokio::spawn(async move {
        let _permit = permit;
        tokio::select! {
            () = stop.cancelled() => {}
            () = speak(folder, from, &sender) => {}
        }
    });
    let stream = futures_util::stream::unfold(receiver, |mut receiver| async move {
        let bytes = receiver.recv().await?;
        Some((Ok::<_, Infallible>(Frame::data(bytes)), receiver))
    });
    let mut answer = Response::new(StreamBody::new(stream).boxed_unsync());
    *answer.status_mut() = StatusCode::OK;
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

async fn speak(folder: PathBuf, from: Option<Cursor>, sender: &mpsc::Sender<Bytes>) {
    let mut state = Some((None::<Tail>, from));
    let mut silent = Duration::ZERO;
    if !send(sender, "retry: 2000\n: pintle receive\n\n".to_owned()).await {
        return;
    }
    loop {
        let (tail, cursor) = state.take().unwrap_or_default();
        let folder = folder.clone();
        let looked = tokio::task::spawn_blocking(move || {
            let tail = match tail {
                Some(tail) => tail,
                None => Tail::open(&folder)?,
            };
            let cursor = match cursor {
                Some(cursor) => cursor,
                None => tail.end()?,
            };
            let (things, upto) = tail.after(cursor)?;
            Ok::<_, super::schema::DatabaseError>((tail, cursor, things, upto))
        });
        // A database that can't be read now ends the stream: the listener comes again, and goes on where it was.
        let Ok(Ok((tail, before, things, upto))) = looked.await else { return };
        for thing in things {
            let text = format!("id: {}\nevent: {}\ndata: {}\n\n", thing.cursor.to_text(), thing.event_type, thing.json);
            if !send(sender, text).await {
                return;
            }
            silent = Duration::ZERO;
        }
        state = Some((Some(tail), Some(upto)));
        if upto != before {
            continue;
        }
        tokio::select! {
            () = sender.closed() => return,
            () = tokio::time::sleep(LOOK_EVERY) => {}
        }
        silent += LOOK_EVERY;
        if ALIVE_EVERY <= silent {
            silent = Duration::ZERO;
            if !send(sender, format!(": still here\nid: {}\n\n", upto.to_text())).await {
                return;
            }
        }
    }
}

async fn send(sender: &mpsc::Sender<Bytes>, text: String) -> bool {
    matches!(tokio::time::timeout(SLOW, sender.send(Bytes::from(text))).await, Ok(Ok(())))
}
