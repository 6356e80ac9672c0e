//! Drains ready-made batches into a receiver on this computer's disk and prints how fast it took them.
//!
//! `cargo run --release --example receive_load -- [EVENTS] [LANES] [EVENTS_PER_BATCH]`

use anyhow::{Context as _, Result, ensure};
use aws_lc_rs::digest;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle::receive::http::Limits;
use pintle::receive::server::{Receiver, ReceiverSetup};
use pintle_core::ids::EventId;
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::event::{EventParts, batch, encode};
use std::io::Write as _;
use std::time::Instant;
use tokio_util::sync::CancellationToken;

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const GENERATION: &str = "0190a000-0000-7000-8000-00000000000a";
const STAMP: &str = r#"{"stamp_revision":1,"place":{"lat":44.51,"lon":-38.19,"radius95_m":4.0,"site":1,"spot":"site",
    "state":"certain","line":"Quernstone Road, towards Brackwater Lane","line_state":"confirmed"},
    "clock":{"trust":"gps","offset_ms":3}}"#;

fn event(number: u64) -> Result<Vec<u8>> {
    // Time-ordered ids and bodies of about 1 kB, as a trailer has them.
    let id = u128::from(1_795_608_000_000 + number) << 80 | u128::from(number.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let filler = "x".repeat(800);
    let body = format!(
        r#"{{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QX{number}","plate_state":"read","extra":"{filler}"}}"#
    );
    Ok(encode(&EventParts {
        source: SOURCE,
        generation: GENERATION,
        sequence: number,
        id: EventId(id.to_be_bytes()),
        kind: EventKind::Read,
        happened_at: Utc(1_795_608_000_000),
        sent_at: Utc(1_795_608_001_000),
        salt: Some(&[7; 16]),
        body: body.as_bytes(),
        stamp: Some(STAMP.as_bytes()),
        hit: false,
        sealed: false,
        images: None,
    })?)
}

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1).map(|argument| argument.parse::<u64>());
    let mut next = |default| arguments.next().transpose().map(|given| given.unwrap_or(default));
    let (events, lanes, per_batch) = (next(60_000)?, next(2)?, next(500)?);
    let folder = tempfile::tempdir_in(".").context("no folder here")?;
    let (tell, told) = std::sync::mpsc::channel();
    let stop = CancellationToken::new();
    let stopped = stop.clone();
    let path = folder.path().to_owned();
    let serving = std::thread::spawn(move || -> Result<()> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(4).build()?;
        runtime.block_on(async {
            let setup = ReceiverSetup {
                listen: ([127, 0, 0, 1], 0).into(),
                folder: path,
                tls: None,
                token: None,
                tokens: None,
                opener: None,
                limits: Limits::default(),
            };
            let receiver = Receiver::bind(setup).await?;
            tell.send(receiver.url())?;
            receiver.serve(stopped).await;
            Ok(())
        })
    });
    let url = told.recv().context("the receiver did not start")?;
    let mut bodies: Vec<Vec<Vec<u8>>> = vec![Vec::new(); usize::try_from(lanes)?];
    for (at, first) in (1..=events).step_by(usize::try_from(per_batch)?).enumerate() {
        let encoded: Vec<Vec<u8>> = (first..(first + per_batch).min(events + 1)).map(event).collect::<Result<_>>()?;
        let lane = at % bodies.len();
        bodies[lane].push(batch(&encoded));
    }
    let bytes: usize = bodies.iter().flatten().map(Vec::len).sum();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut out = std::io::stdout().lock();
    for what in ["stored", "duplicate"] {
        let began = Instant::now();
        runtime.block_on(async {
            let client = reqwest::Client::builder().no_proxy().build()?;
            let mut sending = tokio::task::JoinSet::new();
            for bodies in bodies.clone() {
                let (client, url) = (client.clone(), url.clone());
                sending.spawn(async move {
                    for body in bodies {
                        let answer = post(&client, &url, body, events).await?;
                        ensure!(answer.contains(what) && !answer.contains("refused"), "not {what}: {answer:.200}");
                    }
                    Ok(())
                });
            }
            while let Some(done) = sending.join_next().await {
                done??;
            }
            anyhow::Ok(())
        })?;
        let s = began.elapsed().as_secs_f64();
        let rate = f64::from(u32::try_from(events)?) / s;
        writeln!(
            out,
            "{events} events ({bytes} bytes), {lanes} lanes, batches of {per_batch}: {what} in {s:.2} s, {rate:.0} events/s"
        )?;
    }
    stop.cancel();
    let ended = serving.join();
    ensure!(ended.is_ok_and(|ended| ended.is_ok()), "the receiver failed");
    let size = std::fs::metadata(folder.path().join("receiver.db"))?.len();
    writeln!(out, "database: {} bytes an event", size / events)?;
    let began = Instant::now();
    let account = pintle::receive::account::Account::read(folder.path(), Utc(0))?;
    ensure!(account.complete, "numbers are missing");
    writeln!(out, "account of all numbers: {:.0} ms", began.elapsed().as_secs_f64() * 1e3)?;
    Ok(())
}

async fn post(client: &reqwest::Client, url: &str, body: Vec<u8>, up_to: u64) -> Result<String> {
    let digest = BASE64.encode(digest::digest(&digest::SHA256, &body).as_ref());
    let answer = client
        .post(url)
        .header("content-type", "application/cloudevents-batch+json")
        .header("idempotency-key", "\"0190a000-0000-7000-8000-0000000000ff\"")
        .header("content-digest", format!("sha-256=:{digest}:"))
        .header("pintle-source", SOURCE)
        .header("pintle-generation", GENERATION)
        .header("pintle-accepted-up-to", up_to.to_string())
        .body(body)
        .send()
        .await?;
    let status = answer.status();
    let text = answer.text().await?;
    ensure!(status.is_success(), "{status}: {text:.200}");
    Ok(text)
}
