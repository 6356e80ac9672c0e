//! A receiver that does as it is told: answers, lies, stalls or breaks off, over plain TCP or TLS.

use serde_json::{Value, json};
use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

/// One request as it came.
#[derive(Clone)]
pub(crate) struct Request {
    /// By lower-case name.
    pub(crate) headers: HashMap<String, String>,
    /// The raw body.
    pub(crate) bytes: Vec<u8>,
    /// The body as JSON.
    pub(crate) body: Value,
    /// When it was complete.
    pub(crate) at: Instant,
}

impl Request {
    /// The events of the batch.
    pub(crate) fn events(&self) -> Vec<Value> {
        self.body.as_array().cloned().unwrap_or_default()
    }

    /// True if there is a hit in the batch.
    pub(crate) fn has_hit(&self) -> bool {
        self.events().iter().any(|event| event["data"].get("caution").is_some())
    }

    /// The idempotency key without its quotes.
    pub(crate) fn key(&self) -> String {
        self.headers["idempotency-key"].trim_matches('"').to_owned()
    }

    /// Receipts for this batch with a word for each event.
    pub(crate) fn receipts(&self, word: impl Fn(&Value) -> Option<&'static str>) -> Answer {
        let receipts: Vec<Value> = self
            .events()
            .iter()
            .filter_map(|event| {
                word(event).map(|word| json!({"id": event["id"], "result": word, "problem": "so told"}))
            })
            .collect();
        Answer::new(200, "application/json", json!({"batch": self.key(), "receipts": receipts}).to_string())
    }

    /// "stored" for all.
    pub(crate) fn stored(&self) -> Answer {
        self.receipts(|_| Some("stored"))
    }
}

/// What to answer.
#[derive(Clone)]
pub(crate) enum Answer {
    /// A whole answer: status, header lines, body.
    Whole(u16, String, String),
    /// Nothing; the connection is closed.
    Close,
    /// Nothing; the connection stays open.
    Hang,
    /// The head of an answer, then a byte every 20 ms for ever.
    Drip,
    /// These bytes.
    Raw(&'static str),
}

impl Answer {
    /// A whole answer with a content type.
    pub(crate) fn new(status: u16, content_type: &str, body: impl Into<String>) -> Self {
        Self::Whole(status, format!("content-type: {content_type}\r\n"), body.into())
    }

    /// The same with one more header line.
    pub(crate) fn with(self, line: &str) -> Self {
        match self {
            Self::Whole(status, headers, body) => Self::Whole(status, format!("{headers}{line}\r\n"), body),
            other => other,
        }
    }
}

type Script = dyn Fn(usize, &Request) -> Answer + Send + Sync;

/// A running scripted receiver.
pub(crate) struct Scripted {
    /// Where it listens.
    pub(crate) address: SocketAddr,
    requests: Arc<Mutex<Vec<Request>>>,
    connections: Arc<Mutex<usize>>,
}

impl Scripted {
    /// Starts one on loopback. The script gets the number of the request, from 0, and the request.
    pub(crate) async fn start(script: impl Fn(usize, &Request) -> Answer + Send + Sync + 'static) -> Self {
        Self::start_with(None, script).await
    }

    /// The same behind TLS.
    pub(crate) async fn start_with(
        tls: Option<TlsAcceptor>,
        script: impl Fn(usize, &Request) -> Answer + Send + Sync + 'static,
    ) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).await.expect("a free port");
        let address = listener.local_addr().expect("an address");
        let requests = Arc::new(Mutex::new(Vec::new()));
        let connections = Arc::new(Mutex::new(0));
        let script: Arc<Script> = Arc::new(script);
        let (seen, counted) = (requests.clone(), connections.clone());
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                *counted.lock().expect("a count") += 1;
                let (tls, script, seen) = (tls.clone(), script.clone(), seen.clone());
                tokio::spawn(async move {
                    match tls {
                        None => serve(stream, &script, &seen).await,
                        Some(tls) => {
                            if let Ok(stream) = tls.accept(stream).await {
                                serve(stream, &script, &seen).await;
                            }
                        }
                    }
                });
            }
        });
        Self { address, requests, connections }
    }

    /// `http://127.0.0.1:port/v1/events`
    pub(crate) fn url(&self) -> String {
        format!("http://{}/v1/events", self.address)
    }

    /// All requests so far.
    pub(crate) fn requests(&self) -> Vec<Request> {
        self.requests.lock().expect("requests").clone()
    }

    /// Connections so far.
    pub(crate) fn connections(&self) -> usize {
        *self.connections.lock().expect("a count")
    }
}

async fn serve<S: AsyncRead + AsyncWrite + Unpin>(mut stream: S, script: &Arc<Script>, seen: &Mutex<Vec<Request>>) {
    let mut buffer = Vec::new();
    while let Some(request) = read_request(&mut stream, &mut buffer).await {
        let number = {
            let mut seen = seen.lock().expect("requests");
            seen.push(request.clone());
            seen.len() - 1
        };
        let written = match script(number, &request) {
            Answer::Whole(status, headers, body) => {
                let head = format!("HTTP/1.1 {status} x\r\n{headers}content-length: {}\r\n\r\n", body.len());
                stream.write_all(format!("{head}{body}").as_bytes()).await
            }
            Answer::Raw(bytes) => {
                let _sent = stream.write_all(bytes.as_bytes()).await;
                return;
            }
            Answer::Close => return,
            Answer::Hang => std::future::pending().await,
            Answer::Drip => {
                let mut written = stream.write_all(b"HTTP/1.1 200 x\r\ncontent-length: 100000\r\n\r\n").await;
                while written.is_ok() {
                    tokio::time::sleep(Duration::from_millis(20)).await;
                    written = stream.write_all(b" ").await;
                }
                written
            }
        };
        if written.is_err() || stream.flush().await.is_err() {
            return;
        }
    }
}

async fn read_request<S: AsyncRead + Unpin>(stream: &mut S, buffer: &mut Vec<u8>) -> Option<Request> {
    loop {
        if let Some(end) = buffer.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&buffer[..end]).into_owned();
            let headers: HashMap<String, String> = head
                .lines()
                .skip(1)
                .filter_map(|line| line.split_once(':'))
                .map(|(name, value)| (name.to_ascii_lowercase(), value.trim().to_owned()))
                .collect();
            let length: usize = headers.get("content-length").and_then(|text| text.parse().ok()).unwrap_or(0);
            if end + 4 + length <= buffer.len() {
                let bytes = buffer[end + 4..end + 4 + length].to_vec();
                buffer.drain(..end + 4 + length);
                let body = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
                return Some(Request { headers, bytes, body, at: Instant::now() });
            }
        }
        if stream.read_buf(buffer).await.ok()? == 0 {
            return None;
        }
    }
}
