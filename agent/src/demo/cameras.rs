//! The simulated recognition engine: posts one read after the other over the trailer's intake socket and notes what
//! was accepted.

use anyhow::Context;
use pintle_core::moment::{Mono, Utc};
use pintle_core::sim::judge::Taken;
use pintle_core::sim::traffic::Car;
use serde_json::json;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use tokio_util::sync::CancellationToken;

/// What the engine knows: the reads that were answered "accepted".
#[derive(Clone, Default)]
pub(super) struct Log(Arc<Mutex<Vec<Taken>>>);

impl Log {
    /// All so far.
    pub(super) fn taken(&self) -> Vec<Taken> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn add(&self, read: Taken) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push(read);
    }
}

/// Names and labels of the cameras of the demo.
pub(super) const CAMERAS: [(&str, &str); 3] =
    [("mast-left", "Mast left"), ("mast-right", "Mast right"), ("tail", "Tail")];

/// Posts `cars` when they are due; keeps a refused read and offers it again, as an engine would.
///
/// # Errors
/// If the client can't be built, or the intake refuses a read for what it says.
pub(super) async fn drive(
    socket: &Path,
    cars: Vec<Car>,
    began: (Mono, Utc),
    log: &Log,
    stop: &CancellationToken,
) -> anyhow::Result<()> {
    let client = reqwest::Client::builder()
        .unix_socket(socket.to_owned())
        .no_proxy()
        .timeout(std::time::Duration::from_secs(5))
        .build()
        .context("no HTTP client can be built")?;
    for (number, car) in cars.into_iter().enumerate() {
        let past_ms = crate::clock::mono().since_ms(began.0);
        let wait = std::time::Duration::from_millis(car.at_ms.saturating_sub(past_ms));
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.cancelled() => return Ok(()),
        }
        let (body, at_ms) = body(&car, number, began);
        while !stop.is_cancelled() {
            let request = client.post("http://trailer/v1/reads").header("content-type", "application/json");
            match request.body(body.clone()).send().await {
                Ok(answer) if answer.status().as_u16() == 202 => {
                    let told: serde_json::Value = serde_json::from_slice(&answer.bytes().await?)?;
                    let id = told.pointer("/accepted/0/id").and_then(serde_json::Value::as_str);
                    let id = id.context("the intake accepted a read and told no id")?.to_owned();
                    log.add(Taken { id, at_ms, hit: car.hit });
                    break;
                }
                Ok(answer) if answer.status().as_u16() != 503 => {
                    let status = answer.status();
                    let why = answer.text().await.unwrap_or_default();
                    anyhow::bail!("the intake refused a read of the demo with {status}: {why}");
                }
                Ok(_) | Err(_) => tokio::time::sleep(std::time::Duration::from_millis(200)).await,
            }
        }
    }
    Ok(())
}

/// The read as JSON, and its capture time in ms of the script.
fn body(car: &Car, number: usize, began: (Mono, Utc)) -> (String, u64) {
    // The engine needs a moment from the picture to the read: it posts 60 ms after the capture.
    let at_ms = crate::clock::mono().since_ms(began.0).saturating_sub(60);
    let captured_at = crate::clock::utc().plus_ms(-60);
    let id = uuid::Uuid::now_v7();
    let camera = CAMERAS.get(car.camera).map_or("tail", |camera| camera.0);
    let mut read = json!({
        "id": id.to_string(),
        "camera": camera,
        "captured_at": captured_at.to_rfc3339(),
        "plate": car.plate,
        "plate_state": if car.plate.is_some() { "read" } else { "unread" },
        "confidence": if car.plate.is_some() { 0.93 } else { 0.2 },
        "heading": if number.is_multiple_of(2) { "approaching" } else { "receding" },
    });
    if car.hit {
        let list_time = began.1.plus_ms(-3 * 3_600_000).to_rfc3339();
        read["hit"] = json!({"list": "demo-list", "list_time": list_time, "entry": format!("d-{number}")});
    }
    (read.to_string(), at_ms)
}
