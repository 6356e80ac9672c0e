//! The forwarder against receivers that lie, stall and break off: what has no receipt is never taken for delivered, and
//! nothing that goes wrong with one event or one lane holds up another.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/authority.rs"]
mod authority;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod real;
#[path = "support/schemas.rs"]
mod schemas;
#[path = "support/scripted.rs"]
mod scripted;

use authority::Authority;
use pintle::actors::forward::{ForwardSetup, run};
use pintle::actors::heartbeat::Heartbeat;
use pintle::config::{Broker, Proof, Queue, Receiver, Seal};
use pintle::store::{NewEvent, QueueFigures, StoreHandle, open};
use pintle::{clock, io::http::content_digest};
use pintle_core::forward::ForwardView;
use pintle_core::ids::{CameraId, EventId, TrailerId};
use pintle_core::link::evidence::Traffic;
use pintle_core::link::usage::{Saving, Standing};
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::{Utc, UtcTrust};
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use rcgen::{CertificateParams, KeyPair};
use rustls::ServerConfig;
use scripted::{Answer, Request, Scripted};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tokio::sync::{broadcast, watch};
use tokio::task::JoinHandle;
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 60 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 2 * 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};
/// A new queue opens with one ledger event.
const OPENING: u64 = 1;
const PLATE: &str = "QX773Z";

/// A trailer with a queue and a forwarder, and nothing else.
struct Trailer {
    store: StoreHandle,
    view: watch::Receiver<ForwardView>,
    link: watch::Sender<LinkView>,
    report: watch::Sender<LinkReport>,
    stop: CancellationToken,
    traffic: broadcast::Receiver<Traffic>,
    running: JoinHandle<()>,
    folder: TempDir,
}

impl Trailer {
    fn start(receiver: Receiver) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path(), &LIMITS, clock::moment(UtcTrust::Network)).unwrap();
        Self::start_on(folder, store, Some(receiver))
    }

    fn start_on(folder: TempDir, store: StoreHandle, receiver: Option<Receiver>) -> Self {
        let (view_in, view) = watch::channel(ForwardView::default());
        let (link, link_out) = watch::channel(LinkView::NotFitted);
        let report = watch::Sender::new(LinkReport::default());
        let stop = CancellationToken::new();
        let (traffic_in, traffic) = broadcast::channel(64);
        // Somebody vouches for the host's clock: without that nobody says how long a hit took.
        let known = PositionView { utc_trust: UtcTrust::Network, ..PositionView::default() };
        let setup = ForwardSetup {
            asked: watch::Sender::default(),
            trailer: TrailerId::new("heron-3").unwrap(),
            receiver,
            relay: None,
            images_mb_day: 100,
            store: store.clone(),
            link: link_out,
            link_report: report.subscribe(),
            traffic: traffic_in,
            position: watch::Sender::new(Arc::new(known)).subscribe(),
            view: view_in,
            heartbeat: Heartbeat::default(),
        };
        let running = tokio::spawn(run(setup, stop.clone()));
        Self { store, view, link, report, stop, traffic, running, folder }
    }

    async fn put(&self, numbers: impl IntoIterator<Item = u32>, hit: bool) {
        self.put_ahead(numbers, hit, 0).await;
    }

    /// The engine's clock is `ahead_ms` ahead of the host's.
    async fn put_ahead(&self, numbers: impl IntoIterator<Item = u32>, hit: bool, ahead_ms: i64) {
        let now = clock::moment(UtcTrust::Network);
        let at = now.utc.plus_ms(ahead_ms);
        let stamp = r#"{"stamp_revision":1,"clock":{"trust":"gps"},
            "place":{"spot":"unknown","state":"none","line":"x","line_state":"missing"}}"#;
        let event = |number: u32| {
            let mut id = [0; 16];
            id[..4].copy_from_slice(&number.to_be_bytes());
            NewEvent {
                id: EventId(id),
                kind: EventKind::Read,
                lane: if hit { Lane::Urgent } else { Lane::Bulk },
                camera: Some(CameraId::new("north").unwrap()),
                happened_at: at,
                body: body(&EventId(id), at, hit),
                stamp: Some(stamp.as_bytes().to_vec()),
                hit,
                stamp_open: false,
                images: Vec::new(),
            }
        };
        self.store.accept(numbers.into_iter().map(event).collect(), now).await.unwrap();
    }

    async fn figures(&self) -> QueueFigures {
        self.store.figures().await.unwrap()
    }

    /// Waits until `delivered` events have their receipts.
    async fn until_delivered(&self, delivered: u64) {
        until("delivered", || async { delivered <= self.figures().await.counts.delivered }).await;
    }

    /// Waits until the view tells a trouble with `words` in it.
    async fn until_trouble(&self, words: &str) {
        until(words, || async { self.view.borrow().trouble.as_ref().is_some_and(|text| text.contains(words)) }).await;
    }
}

async fn until<F: Future<Output = bool>>(what: &str, is_so: impl Fn() -> F) {
    let began = Instant::now();
    while !is_so().await {
        assert!(began.elapsed() < Duration::from_secs(10), "waited 10 s for: {what}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

fn receiver(url: &str) -> Receiver {
    Receiver {
        url: url.to_owned(),
        proof: Proof::Receipts,
        ca_file: None,
        token_file: None,
        client_cert_file: None,
        client_key_file: None,
        batch_reads_max: 100,
        batch_bytes_max: 1 << 20,
        broker: Broker::default(),
        answer_wait_ms: 400,
        retry_ms_max: 40,
    }
}

fn body(id: &EventId, at: Utc, hit: bool) -> Vec<u8> {
    let at = at.to_rfc3339();
    let hit =
        if hit { format!(r#","hit":{{"list":"demo list","list_time":"{at}","entry":"E-12"}}"#) } else { String::new() };
    format!(
        r#"{{"id":"{id}","camera":"north","captured_at":"{at}","plate":"{PLATE}","plate_state":"read",
            "heading":"unknown"{hit}}}"#
    )
    .into_bytes()
}

/// The number that a test gave the read of an event (the first digits of its id); `None` for other kinds.
fn number(event: &Value) -> Option<u64> {
    event["data"].get("read")?;
    u64::from_str_radix(event["id"].as_str()?.get(..8)?, 16).ok()
}

/// How often each read was sent.
fn sent(requests: &[Request]) -> BTreeMap<u64, usize> {
    let mut sent = BTreeMap::new();
    for event in requests.iter().flat_map(Request::events) {
        if let Some(number) = number(&event) {
            *sent.entry(number).or_default() += 1;
        }
    }
    sent
}

#[tokio::test]
async fn when_the_plan_is_used_up_hits_go_and_reads_wait_until_it_begins_anew() {
    let server = Scripted::start(|_, request| request.stored()).await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.until_delivered(OPENING).await;
    let saves = |saving| {
        let data = Some(Standing { saving, ..Standing::default() });
        trailer.report.send_replace(LinkReport { data, ..LinkReport::default() });
    };
    saves(Saving::UrgentOnly);
    trailer.put(1..=3, false).await;
    trailer.put([4], true).await;
    trailer.until_delivered(OPENING + 1).await;
    // The bulk lane looks at once when something arrives; it has had its chance by now.
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(sent(&server.requests()), BTreeMap::from([(4, 1)]));
    assert_eq!(trailer.figures().await.counts.waiting, 3, "kept, not dropped");
    saves(Saving::NoImages);
    trailer.until_delivered(OPENING + 4).await;
}

#[tokio::test]
async fn a_batch_goes_out_as_the_contract_says() {
    let server = Scripted::start(|_, request| request.stored()).await;
    let folder = tempfile::tempdir().unwrap();
    let token_file = folder.path().join("token");
    std::fs::write(&token_file, "abc123\n").unwrap();
    let trailer = Trailer::start(Receiver { token_file: Some(token_file), ..receiver(&server.url()) });
    trailer.put(1..=3, false).await;
    trailer.put([4], true).await;
    trailer.until_delivered(OPENING + 4).await;
    let generation = trailer.figures().await.generation;
    let mut sequences = BTreeSet::new();
    for request in server.requests() {
        schemas::check_batch(&request.body);
        let header = |name: &str| request.headers.get(name).map(String::as_str).unwrap_or_default().to_owned();
        assert_eq!(header("content-type"), "application/cloudevents-batch+json");
        assert_eq!(header("authorization"), "Bearer abc123");
        assert_eq!(header("content-digest"), content_digest(&request.bytes));
        assert_eq!(header("pintle-source"), "urn:pintle:trailer:heron-3");
        assert_eq!(header("pintle-generation"), generation);
        assert!(EventId::parse(&request.key()).is_some() && header("idempotency-key").starts_with('"'));
        let up_to: u64 = header("pintle-accepted-up-to").parse().unwrap();
        for event in request.events() {
            assert_eq!(event["source"], "urn:pintle:trailer:heron-3");
            assert_eq!(event["generation"], Value::String(generation.clone()));
            let sequence: u64 = event["sequence"].as_str().unwrap().parse().unwrap();
            assert!(sequence <= up_to);
            sequences.insert(sequence);
            if let Some(number) = number(&event) {
                assert_eq!(event["data"].get("caution").is_some(), number == 4);
                assert_eq!(event["data"]["read"]["plate"], PLATE);
            }
        }
    }
    assert_eq!(sequences.into_iter().collect::<Vec<_>>(), [1, 2, 3, 4, 5], "without a gap");
    until("the view", || async { trailer.view.borrow().delivered == OPENING + 4 }).await;
    let view = trailer.view.borrow().clone();
    assert!(view.configured && view.trouble.is_none() && view.last_receipt.is_some());
    assert_eq!(view.hit_latency_ms.len(), 1);
    assert!(view.hit_latency_ms[0] < 5000);
}

#[tokio::test]
async fn a_hit_of_an_engine_whose_clock_is_ahead_is_counted_as_one_of_which_nobody_knows_how_long_it_took() {
    let server = Scripted::start(|_, request| request.stored()).await;
    let mut trailer = Trailer::start(receiver(&server.url()));
    trailer.put_ahead([1], true, 90_000).await;
    trailer.until_delivered(OPENING + 1).await;
    trailer.put_ahead([2], true, 300).await;
    trailer.until_delivered(OPENING + 2).await;
    let mut told = Vec::new();
    while told.len() < 2 {
        if let Traffic::Hits(took_ms) = trailer.traffic.recv().await.unwrap() {
            told.extend(took_ms);
        }
    }
    assert_eq!(told[0], None, "not quick: unknown");
    assert!(told[1].is_some_and(|ms| ms < 5000), "{told:?}");
    until("the view", || async { trailer.view.borrow().delivered == OPENING + 2 }).await;
    assert_eq!(trailer.view.borrow().hit_latency_ms.len(), 1);
}

#[tokio::test]
async fn fault_53_nothing_but_receipts_delivers_and_every_other_answer_says_what_to_do() {
    let elsewhere = Scripted::start(|_, request| request.stored()).await;
    let moved = format!("location: {}", elsewhere.url());
    let cases: Vec<(&str, Answer)> = vec![
        ("with a web page", Answer::new(200, "text/html", "<html>Welcome to the network</html>")),
        ("receipts for another batch", Answer::new(200, "application/json", r#"{"batch":"x","receipts":[]}"#)),
        ("without receipts", Answer::new(200, "application/json", "{}")),
        ("no clear receipt for", Answer::new(200, "application/json", "EMPTY")),
        ("success without receipts", Answer::new(204, "text/plain", "")),
        ("a redirect, which is never followed", Answer::new(307, "text/plain", "").with(&moved)),
        ("answered 500", Answer::new(500, "text/plain", "oops")),
        ("receiver.token_file", Answer::new(401, "text/plain", "")),
        ("the path of receiver.url", Answer::new(404, "text/html", "<html>")),
        ("sign the cellular device in", Answer::new(511, "text/html", "<html>")),
        ("the connection broke", Answer::Close),
        ("no whole answer in time", Answer::Hang),
        ("no whole answer in time", Answer::Drip),
        ("does not speak HTTP", Answer::Raw("220 mail.example ready\r\n\r\n")),
        ("the connection broke", Answer::Raw("HTTP/1.1 200 x\r\ncontent-length: 90\r\n\r\n{\"batch\":")),
    ];
    let check = |words: &'static str, answer: Answer| async move {
        let mended = Arc::new(AtomicBool::new(false));
        let good = mended.clone();
        let server = Scripted::start(move |_, request| match &answer {
            _ if good.load(Ordering::Relaxed) => request.stored(),
            Answer::Whole(_, _, body) if body == "EMPTY" => request.receipts(|_| None),
            answer => answer.clone(),
        })
        .await;
        let trailer = Trailer::start(receiver(&server.url()));
        trailer.put(1..=5, false).await;
        trailer.until_trouble(words).await;
        let counts = trailer.figures().await.counts;
        assert_eq!((counts.delivered, counts.refused, counts.waiting), (0, 0, OPENING + 5), "{words}");
        let view = trailer.view.borrow().clone();
        let trouble = view.trouble.unwrap();
        assert!(trouble.contains(':') && !trouble.contains(PLATE), "{trouble}");
        assert!(view.failing_since.is_some() && 0 < view.failures_in_a_row);
        mended.store(true, Ordering::Relaxed);
        trailer.until_delivered(OPENING + 5).await;
        until("no trouble", || async { trailer.view.borrow().trouble.is_none() }).await;
        assert_eq!(trailer.view.borrow().failures_in_a_row, 0);
    };
    let mut all = tokio::task::JoinSet::new();
    for (words, answer) in cases {
        all.spawn(check(words, answer));
    }
    while let Some(done) = all.join_next().await {
        done.unwrap();
    }
    assert_eq!(elsewhere.connections(), 0, "the redirect was not followed");
}

#[test]
fn proxies_from_the_environment_are_ignored() {
    // Nobody listens on the discard port: through such a proxy nothing would be delivered.
    let proxy = "http://127.0.0.1:9";
    let run = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_batch_goes_out_as_the_contract_says"])
        .envs(
            ["http_proxy", "HTTP_PROXY", "https_proxy", "HTTPS_PROXY", "all_proxy", "ALL_PROXY"]
                .map(|name| (name, proxy)),
        )
        .env_remove("no_proxy")
        .env_remove("NO_PROXY")
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success() && text.contains("1 passed"), "{text}");
}

#[tokio::test]
async fn a_wish_to_wait_is_honoured() {
    let server = Scripted::start(|number, request| {
        if number == 0 { Answer::new(429, "text/plain", "").with("retry-after: 1") } else { request.stored() }
    })
    .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.until_delivered(OPENING).await;
    let requests = server.requests();
    let waited = requests[1].at - requests[0].at;
    // One second as asked, at most as much again to spread, and time for a busy machine.
    assert!(Duration::from_millis(999) <= waited && waited < Duration::from_secs(4), "{waited:?}");
}

#[tokio::test]
async fn a_refused_read_is_set_aside_and_blocks_no_other() {
    let server = Scripted::start(|_, request| {
        request.receipts(|event| Some(if number(event) == Some(3) { "refused" } else { "stored" }))
    })
    .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=6, false).await;
    trailer.until_delivered(OPENING + 5).await;
    until("refused", || async { trailer.figures().await.counts.refused == 1 }).await;
    trailer.put([7], false).await;
    until("all accounted", || async { trailer.figures().await.counts.waiting == 0 }).await;
    assert_eq!(sent(&server.requests())[&3], 1, "what is refused is not sent again");
    assert_eq!(trailer.figures().await.counts.not_accounted(), 0);
    assert_eq!(trailer.view.borrow().refused, 1);
}

#[tokio::test]
async fn a_read_that_is_put_off_goes_out_again_while_others_go_on() {
    let server = Scripted::start(|number_of_request, request| {
        request.receipts(|event| match number(event) {
            Some(3) if number_of_request < 3 => Some("later"),
            Some(4) if number_of_request < 3 => None,
            _ => Some("stored"),
        })
    })
    .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=6, false).await;
    trailer.until_delivered(OPENING + 6).await;
    let sent = sent(&server.requests());
    assert!(1 < sent[&3] && 1 < sent[&4] && sent[&5] == 1, "{sent:?}");
}

#[tokio::test]
async fn a_lost_acknowledgement_costs_a_repeat_and_no_read() {
    let server = Scripted::start(
        |number, request| {
            if number < 2 { Answer::Close } else { request.receipts(|_| Some("duplicate")) }
        },
    )
    .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=4, false).await;
    trailer.until_delivered(OPENING + 4).await;
    let requests = server.requests();
    let keys: BTreeSet<String> = requests.iter().map(Request::key).collect();
    assert_eq!(keys.len(), requests.len(), "every request has a name of its own");
    assert_eq!(sent(&requests).len(), 4);
}

#[tokio::test]
async fn a_hit_is_never_behind_a_bulk_request_that_hangs() {
    let server = Scripted::start(|_, request| if request.has_hit() { request.stored() } else { Answer::Hang }).await;
    let trailer = Trailer::start(Receiver { answer_wait_ms: 8000, ..receiver(&server.url()) });
    trailer.put(1..=50, false).await;
    until("bulk hangs", || async { !server.requests().is_empty() }).await;
    let began = Instant::now();
    trailer.put([99], true).await;
    trailer.until_delivered(1).await;
    assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
    assert_eq!(trailer.figures().await.counts.waiting, OPENING + 50);
}

#[tokio::test]
async fn one_read_that_the_receiver_chokes_on_is_found_and_set_aside() {
    let server = Scripted::start(|_, request| {
        let bad = request.events().iter().any(|event| number(event) == Some(13));
        if bad { Answer::new(400, "text/plain", "bad") } else { request.stored() }
    })
    .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=40, false).await;
    trailer.until_delivered(OPENING + 39).await;
    until("set aside", || async { trailer.figures().await.counts.refused == 1 }).await;
    until("nothing waits", || async { trailer.figures().await.counts.waiting == 0 }).await;
}

#[tokio::test]
async fn a_receiver_that_refuses_everything_costs_no_read() {
    let server = Scripted::start(|_, _| Answer::new(422, "text/plain", "no")).await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=10, false).await;
    until("many tries", || async { 20 < server.requests().len() }).await;
    let counts = trailer.figures().await.counts;
    assert_eq!((counts.refused, counts.delivered, counts.waiting), (0, 0, OPENING + 10));
}

#[tokio::test]
async fn a_batch_that_is_too_large_for_the_receiver_gets_smaller() {
    let server =
        Scripted::start(
            |_, request| {
                if 3000 < request.bytes.len() { Answer::new(413, "text/plain", "") } else { request.stored() }
            },
        )
        .await;
    let trailer = Trailer::start(receiver(&server.url()));
    trailer.put(1..=60, false).await;
    trailer.until_delivered(OPENING + 60).await;
    assert_eq!(trailer.figures().await.counts.refused, 0);
}

#[tokio::test]
async fn no_request_is_larger_than_configured() {
    let server = Scripted::start(|_, request| request.stored()).await;
    let trailer = Trailer::start(Receiver { batch_bytes_max: 5000, batch_reads_max: 7, ..receiver(&server.url()) });
    trailer.put(1..=60, false).await;
    trailer.until_delivered(OPENING + 60).await;
    for request in server.requests() {
        assert!(request.bytes.len() <= 5000 && request.events().len() <= 7, "{}", request.bytes.len());
    }
}

#[tokio::test]
async fn stopping_drops_the_running_request_and_the_events_go_out_after_the_next_start() {
    let server = Scripted::start(|_, _| Answer::Hang).await;
    let trailer = Trailer::start(Receiver { answer_wait_ms: 60_000, ..receiver(&server.url()) });
    trailer.put(1..=3, false).await;
    until("a request", || async { !server.requests().is_empty() }).await;
    let began = Instant::now();
    trailer.stop.cancel();
    trailer.running.await.unwrap();
    assert!(began.elapsed() < Duration::from_secs(1));
    trailer.store.close().await.unwrap();
    let good = Scripted::start(|_, request| request.stored()).await;
    let store = open(trailer.folder.path(), &LIMITS, clock::moment(UtcTrust::Network)).unwrap();
    let again = Trailer::start_on(trailer.folder, store, Some(receiver(&good.url())));
    again.until_delivered(OPENING + 3).await;
}

#[tokio::test]
async fn a_forwarder_that_died_with_events_in_its_hands_is_followed_by_one_that_sends_them() {
    let server = Scripted::start(|number, request| if number == 0 { Answer::Hang } else { request.stored() }).await;
    let trailer = Trailer::start(Receiver { answer_wait_ms: 60_000, ..receiver(&server.url()) });
    until("a request", || async { !server.requests().is_empty() }).await;
    trailer.running.abort();
    let again = Trailer::start_on(trailer.folder, trailer.store, Some(receiver(&server.url())));
    again.until_delivered(OPENING).await;
}

#[tokio::test]
async fn our_own_receiver_gets_every_event_once_and_calls_it_complete() {
    let real = real::Receiver::start(&[]);
    let url = format!("http://{}/v1/events", real.address());
    let trailer = Trailer::start(Receiver { answer_wait_ms: 10_000, ..receiver(&url) });
    trailer.put(1..=300, false).await;
    trailer.put(301..=320, true).await;
    trailer.until_delivered(OPENING + 320).await;
    let counts = trailer.figures().await.counts;
    assert_eq!((counts.waiting, counts.refused), (0, 0));
    assert_eq!(real.count("SELECT count(*) FROM events"), i64::try_from(OPENING).unwrap() + 320);
    let report = real.get("/v1/completeness").json();
    let text = report.to_string();
    assert!(text.contains(&trailer.figures().await.generation) && !text.contains(PLATE), "{report:#}");
    assert_eq!(report["complete"], true, "{report:#}");
    assert_eq!(report["generations"][0]["here"]["count"], OPENING + 320, "{report:#}");
    assert_eq!(report["generations"][0]["duplicates"], 0, "{report:#}");
}

#[tokio::test]
async fn without_a_receiver_everything_waits() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &LIMITS, clock::moment(UtcTrust::Network)).unwrap();
    let trailer = Trailer::start_on(folder, store, None);
    trailer.put([1], true).await;
    assert!(!trailer.view.borrow().configured);
    assert_eq!(trailer.figures().await.counts.waiting, OPENING + 1);
    trailer.stop.cancel();
    trailer.running.await.unwrap();
}

#[tokio::test]
async fn the_link_coming_up_ends_the_pause() {
    let server = Scripted::start(|_, _| Answer::Close).await;
    let trailer = Trailer::start(Receiver { retry_ms_max: 600_000, ..receiver(&server.url()) });
    let began = Instant::now();
    for tries in 1..=10 {
        until("another try", || async { tries <= trailer.view.borrow().failures_in_a_row }).await;
        trailer.link.send_replace(LinkView::Down { interface: "usb0".into(), why: "no carrier".into() });
        trailer.link.send_replace(LinkView::Up { interface: "usb0".into() });
    }
    // By the back-off alone ten tries take four minutes on average.
    assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
}

#[tokio::test]
async fn a_missing_token_file_is_named_and_counts_as_soon_as_it_is_there() {
    let server = Scripted::start(|_, request| request.stored()).await;
    let folder = tempfile::tempdir().unwrap();
    let token_file = folder.path().join("receiver-token");
    let trailer = Trailer::start(Receiver { token_file: Some(token_file.clone()), ..receiver(&server.url()) });
    trailer.until_trouble("receiver.token_file").await;
    assert!(trailer.view.borrow().trouble.as_ref().unwrap().contains("receiver-token"));
    std::fs::write(&token_file, "later").unwrap();
    trailer.until_delivered(OPENING).await;
}

#[tokio::test]
async fn fault_62_only_a_certificate_that_fits_gets_a_read() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, stranger) = (Authority::new(), Authority::new());
    let ca_file = folder.path().join("authority.pem");
    std::fs::write(&ca_file, ours.pem()).unwrap();
    for (acceptor, words) in [
        (ours.server("localhost", 2020, 2022), "has expired by this trailer's clock"),
        (ours.server("localhost", 2090, 2095), "is not valid yet by this trailer's clock"),
        (ours.server("reads.example", 2020, 2095), "is for another name"),
        (stranger.server("localhost", 2020, 2095), "signed by nobody trusted here"),
    ] {
        let server = Scripted::start_with(Some(acceptor), |_, request| request.stored()).await;
        let url = format!("https://localhost:{}/v1/events", server.address.port());
        let trailer = Trailer::start(Receiver { ca_file: Some(ca_file.clone()), ..receiver(&url) });
        trailer.until_trouble(words).await;
        assert!(server.requests().is_empty(), "{words}: a request came through");
    }
    let server = Scripted::start_with(Some(ours.server("localhost", 2020, 2095)), |_, request| request.stored()).await;
    let url = format!("https://localhost:{}/v1/events", server.address.port());
    let trailer = Trailer::start(Receiver { ca_file: Some(ca_file), ..receiver(&url) });
    trailer.until_delivered(OPENING).await;
    // Without the authority's file the host's own list counts, and our invented authority is not in it.
    let trailer = Trailer::start(receiver(&url));
    trailer.until_trouble("signed by nobody trusted here").await;
}

/// A server that talks only to those who bring a certificate of `clients`.
fn server_for_clients(server: &Authority, clients: &Authority) -> TlsAcceptor {
    let key = KeyPair::generate().unwrap();
    let certificate = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    let certificate = certificate.signed_by(&key, &server.issuer).unwrap();
    let mut roots = rustls::RootCertStore::empty();
    roots.add(clients.issuer.der().clone()).unwrap();
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let verifier = rustls::server::WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider.clone());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_client_cert_verifier(verifier.build().unwrap())
        .with_single_cert(vec![certificate.der().clone()], key.into())
        .unwrap();
    TlsAcceptor::from(Arc::new(config))
}

#[tokio::test]
async fn a_receiver_that_wants_to_know_the_trailer_gets_its_certificate() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, stranger) = (Authority::new(), Authority::new());
    let file = |name: &str, text: String| {
        std::fs::write(folder.path().join(name), text).unwrap();
        Some(folder.path().join(name))
    };
    let ca_file = file("authority.pem", ours.pem());
    let of_trailer = |authority: &Authority, name: &str| {
        let key = KeyPair::generate().unwrap();
        let certificate = CertificateParams::new(vec!["heron-3".to_owned()]).unwrap();
        let certificate = certificate.signed_by(&key, &authority.issuer).unwrap();
        (file(&format!("{name}.pem"), certificate.pem()), file(&format!("{name}.key"), key.serialize_pem()))
    };
    let (cert, key) = of_trailer(&ours, "trailer");
    let (strange_cert, strange_key) = of_trailer(&stranger, "stranger");
    let server = Scripted::start_with(Some(server_for_clients(&ours, &ours)), |_, request| request.stored()).await;
    let url = format!("https://localhost:{}/v1/events", server.address.port());
    let with = |client_cert_file, client_key_file| Receiver {
        ca_file: ca_file.clone(),
        client_cert_file,
        client_key_file,
        ..receiver(&url)
    };
    for (bad, words) in [
        (with(None, None), "does not take this trailer's certificate"),
        (with(strange_cert.clone(), strange_key), "does not take this trailer's certificate"),
        (with(cert.clone(), strange_cert), "receiver.client_key_file"),
    ] {
        let trailer = Trailer::start(bad);
        trailer.put([1], true).await;
        trailer.until_trouble(words).await;
        assert!(server.requests().is_empty(), "{words}: a read came through");
    }
    let trailer = Trailer::start(with(cert, key));
    trailer.put([1], true).await;
    trailer.until_delivered(OPENING + 1).await;
    assert_eq!(sent(&server.requests()), BTreeMap::from([(1, 1)]));
}

#[tokio::test]
async fn with_proof_by_status_a_plain_success_delivers_over_tls_only() {
    let folder = tempfile::tempdir().unwrap();
    let ours = Authority::new();
    let ca_file = folder.path().join("authority.pem");
    std::fs::write(&ca_file, ours.pem()).unwrap();
    let server =
        Scripted::start_with(Some(ours.server("localhost", 2020, 2095)), |_, _| Answer::new(202, "text/plain", ""))
            .await;
    let url = format!("https://localhost:{}/v1/events", server.address.port());
    let trailer = Trailer::start(Receiver { ca_file: Some(ca_file), proof: Proof::Status, ..receiver(&url) });
    trailer.put([1], false).await;
    trailer.until_delivered(OPENING + 1).await;
    let plain = Scripted::start(|_, _| Answer::new(202, "text/plain", "")).await;
    let trailer = Trailer::start(Receiver { proof: Proof::Status, ..receiver(&plain.url()) });
    trailer.until_trouble("needs an https address").await;
    assert_eq!(plain.connections(), 0);
}

#[tokio::test]
async fn row_32_fleet_stampede_30_one_lane_knocks_and_the_other_follows() {
    let away = Arc::new(AtomicBool::new(true));
    let shut = away.clone();
    let server = Scripted::start(move |_, request| {
        if shut.load(Ordering::SeqCst) { Answer::new(503, "text/plain", "away") } else { request.stored() }
    })
    .await;
    // While ordinary reads wait alone, they knock.
    let trailer = Trailer::start(Receiver { retry_ms_max: 2000, ..receiver(&server.url()) });
    trailer.put(1..=50, false).await;
    until("it has failed twice", || async { 2 <= server.requests().len() }).await;
    trailer.put([60], true).await;
    until("the hit has knocked", || async { server.requests().iter().any(Request::has_hit) }).await;
    let before = server.requests().len();
    until("four more knocks", || async { before + 4 <= server.requests().len() }).await;
    // The others may look for themselves once in five longest pauses, ten seconds.
    let others = server.requests()[before..].iter().filter(|request| !request.has_hit()).count();
    assert!(others <= 1, "{others} of four knocks were of the lane that should stand back");
    away.store(false, Ordering::SeqCst);
    trailer.until_delivered(OPENING + 51).await;
    trailer.stop.cancel();
    trailer.running.await.unwrap();
}
