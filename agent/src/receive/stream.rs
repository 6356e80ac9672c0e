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
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
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

/// The answer; what it says comes from a task that ends with the listener, with `stop`, when the listener is slow, or
/// when the database is `closed` after a failure: then the listener comes again, and goes on where it was.
#[must_use]
pub fn answer(
    (folder, closed): (PathBuf, Arc<AtomicBool>),
    from: Option<Cursor>,
    permit: OwnedSemaphorePermit,
    stop: CancellationToken,
) -> Response<AnyBody> {
    let (sender, receiver) = mpsc::channel::<Bytes>(WAITING_MAX);
    tokio::spawn(async move {
        let _permit = permit;
        tokio::select! {
            () = stop.cancelled() => {}
            () = speak((folder, closed), from, &sender, SLOW) => {}
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

async fn speak(
    (folder, closed): (PathBuf, Arc<AtomicBool>),
    from: Option<Cursor>,
    sender: &mpsc::Sender<Bytes>,
    slow: Duration,
) {
    let mut state = Some((None::<Tail>, from));
    let mut silent = Duration::ZERO;
    if !send(sender, "retry: 2000\n: pintle receive\n\n".to_owned(), slow).await {
        return;
    }
    while !closed.load(Ordering::Relaxed) {
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
            if !send(sender, text, slow).await {
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
            if !send(sender, format!(": still here\nid: {}\n\n", upto.to_text()), slow).await {
                return;
            }
        }
    }
}

async fn send(sender: &mpsc::Sender<Bytes>, text: String, slow: Duration) -> bool {
    matches!(tokio::time::timeout(slow, sender.send(Bytes::from(text))).await, Ok(Ok(())))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::super::schema::open_writer;
    use super::*;

    const PATIENCE: Duration = Duration::from_mins(1);

    /// A database in which this many things were raised.
    fn raised(count: usize) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let work = open_writer(folder.path()).unwrap();
        work.execute("INSERT INTO trailer (no, source) VALUES (1, 'urn:pintle:trailer:heron-3')", []).unwrap();
        for n in 1..=count {
            work.execute(
                "INSERT INTO raised (trailer, id, at, kind, urgent, text) VALUES (1, ?1, 0, 'silent', 1, 'x')",
                [format!("id-{n}")],
            )
            .unwrap();
        }
        folder
    }

    /// A database that nothing has closed.
    fn open(folder: &tempfile::TempDir) -> (PathBuf, Arc<AtomicBool>) {
        (folder.path().to_owned(), Arc::default())
    }

    #[tokio::test]
    async fn listener_lets_go_of_a_database_that_failed_so_that_it_can_be_read_anew() {
        let (folder, closed) = (raised(1), Arc::<AtomicBool>::default());
        let (sender, mut told) = mpsc::channel(WAITING_MAX);
        let from = Some(Cursor { event: 0, raised: 0 });
        let failing = async {
            while numbers(&mut told) != [1] {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            closed.store(true, Ordering::Relaxed);
            std::future::pending::<()>().await;
        };
        let speaking = speak((folder.path().to_owned(), Arc::clone(&closed)), from, &sender, PATIENCE);
        let ended = tokio::time::timeout(PATIENCE, async {
            tokio::select! {
                () = speaking => {}
                () = failing => {}
            }
        });
        ended.await.unwrap();
    }

    /// The number of each thing, in the order in which they are taken.
    fn numbers(told: &mut mpsc::Receiver<Bytes>) -> Vec<usize> {
        let mut found = Vec::new();
        while let Ok(bytes) = told.try_recv() {
            let text = String::from_utf8(bytes.to_vec()).unwrap();
            if let Some((_, rest)) = text.split_once("\"id\":\"id-") {
                found.push(rest.split('"').next().unwrap().parse().unwrap());
            }
        }
        found
    }

    #[tokio::test]
    async fn listener_that_takes_nothing_is_given_up_and_goes_on_where_it_was_when_it_comes_again() {
        let folder = raised(40);
        let (sender, mut told) = mpsc::channel(WAITING_MAX);
        let from = Some(Cursor { event: 0, raised: 0 });
        let speaking = speak(open(&folder), from, &sender, Duration::from_millis(50));
        // Nothing is read: it ends by itself, and what waits for the listener is bounded.
        tokio::time::timeout(PATIENCE, speaking).await.unwrap();
        let first = numbers(&mut told);
        assert_eq!(first, (1..WAITING_MAX).collect::<Vec<_>>(), "the first line says how to come again");

        let (sender, mut told) = mpsc::channel(100);
        let from = Some(Cursor { event: 0, raised: i64::try_from(first.len()).unwrap() });
        let speaking = speak(open(&folder), from, &sender, PATIENCE);
        let mut rest = Vec::new();
        let listening = async {
            while rest.len() < 40 - first.len() {
                tokio::time::sleep(Duration::from_millis(10)).await;
                rest.extend(numbers(&mut told));
            }
        };
        tokio::select! {
            () = speaking => panic!("the stream ended"),
            done = tokio::time::timeout(PATIENCE, listening) => done.unwrap(),
        }
        assert_eq!(rest, (WAITING_MAX..=40).collect::<Vec<_>>(), "none missing, none twice");
    }

    #[tokio::test]
    async fn place_of_a_listener_that_went_away_is_free_again() {
        let folder = raised(0);
        let places = Arc::new(tokio::sync::Semaphore::new(1));
        let permit = Arc::clone(&places).try_acquire_owned().unwrap();
        let stop = CancellationToken::new();
        let heard = answer(open(&folder), None, permit, stop);
        assert_eq!((heard.status(), places.available_permits()), (StatusCode::OK, 0));
        drop(heard);
        let freed = tokio::time::timeout(PATIENCE, places.acquire()).await;
        assert!(freed.is_ok(), "its place is never free again");
    }
}
