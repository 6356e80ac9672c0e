//! Receipts as they should not be: twice, out of order, half of them, of another trailer, a gigabyte of them.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod scripted;

use drain::{Drain, target, until};
use scripted::{Answer, Scripted};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

/// A new queue opens with one ledger event.
const OPENING: u64 = 1;

fn quick(url: &str) -> pintle::config::Receiver {
    let mut receiver = target(url);
    receiver.retry_ms_max = 100;
    receiver
}

#[tokio::test]
async fn receipts_twice_out_of_order_and_for_half_of_the_batch_deliver_what_they_name_and_no_more() {
    let server = Scripted::start(|at, request| {
        let mut events = request.events();
        if at < 4 {
            events.truncate(events.len().div_ceil(2));
        }
        events.reverse();
        let twice = events.iter().chain(&events).map(|event| json!({"id": event["id"], "result": "stored"}));
        let receipts: Vec<_> = twice.collect();
        let body = json!({"batch": request.key(), "receipts": receipts});
        Answer::new(200, "application/json", body.to_string())
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let drain = Drain::start("heron-3", folder.path(), quick(&server.url()));
    drain.put(1..=100, false).await;
    drain.until_delivered(OPENING + 100).await;
    let counts = drain.figures().await.counts;
    assert_eq!((counts.refused, counts.not_accounted()), (0, 0), "{counts:?}");
    assert_eq!(counts.delivered, counts.accepted, "each is counted once: {counts:?}");
    let requests = server.requests();
    let first = &requests[0].events()[0]["id"];
    let sent = requests.iter().flat_map(scripted::Request::events).filter(|event| event["id"] == *first).count();
    assert_eq!(sent, 1, "what has its receipt is not sent again");
    drain.stop().await;
}

#[tokio::test]
async fn receipts_of_another_trailer_or_of_another_batch_deliver_nothing() {
    let server = Scripted::start(|at, request| {
        let own: Vec<_> = request.events().iter().map(|event| json!({"id": event["id"], "result": "stored"})).collect();
        let foreign: Vec<_> = (0..own.len())
            .map(|n| json!({"id": format!("01890000-0000-7000-8000-{n:012x}"), "result": "stored"}))
            .collect();
        let body = match at {
            0..4 => json!({"batch": request.key(), "receipts": foreign}),
            4..8 => json!({"batch": "01890000-0000-7000-8000-000000000000", "receipts": own}),
            _ => return request.stored(),
        };
        Answer::new(200, "application/json", body.to_string())
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let drain = Drain::start("heron-3", folder.path(), quick(&server.url()));
    drain.put(1..=20, false).await;
    until("the seventh request", || async { 6 < server.requests().len() }).await;
    let so_far = drain.figures().await.counts;
    // The ninth request may be on its way by now; before it nothing has its receipt.
    assert!(so_far.delivered == 0 || 8 < server.requests().len(), "{so_far:?}");
    drain.until_delivered(OPENING + 20).await;
    assert_eq!(drain.figures().await.counts.refused, 0);
    drain.stop().await;
}

#[tokio::test]
async fn a_gigabyte_of_receipts_is_not_read_and_delivers_nothing() {
    let listener = TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    let (answers, most) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
    let (counted, written) = (Arc::clone(&answers), Arc::clone(&most));
    let server = tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let mut head = vec![0; 64 << 10];
            if stream.read(&mut head).await.unwrap_or(0) == 0 {
                continue;
            }
            let begin = "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: 1073741824\r\n\r\n\
                         {\"batch\":\"x\",\"receipts\":[";
            let mut bytes = 0;
            if stream.write_all(begin.as_bytes()).await.is_ok() {
                let some = br#"{"id":"01890000-0000-7000-8000-000000000000","result":"stored"},"#.repeat(1000);
                while bytes < 1 << 30 && stream.write_all(&some).await.is_ok() {
                    bytes += some.len() as u64;
                }
            }
            written.fetch_max(bytes, Ordering::Relaxed);
            counted.fetch_add(1, Ordering::Relaxed);
        }
    });
    let folder = tempfile::tempdir().unwrap();
    let drain = Drain::start("heron-3", folder.path(), quick(&format!("http://{address}/v1/events")));
    drain.put(1..=20, false).await;
    until("three answers", || async { 2 < answers.load(Ordering::Relaxed) }).await;
    // What the system holds between two sockets comes on top of the limit of an answer.
    let most = most.load(Ordering::Relaxed);
    assert!(most < 64 << 20, "{most} bytes of an answer were taken");
    let counts = drain.figures().await.counts;
    assert_eq!((counts.delivered, counts.waiting, counts.not_accounted()), (0, OPENING + 20, 0), "{counts:?}");
    drain.stop().await;
    server.abort();
}
