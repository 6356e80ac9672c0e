//! Carries out what people at the agency ask of this trailer by way of the receipts: signed, allowed by the owner, each
//! once, written down, answered with a notice.

use super::heartbeat::Heartbeat;
use crate::audit::{self, Entry, Who};
use crate::clock;
use crate::config;
use crate::io::signed::{ASKED_MAGIC, PublicKey};
use crate::store::{NewEvent, StoreError, StoreHandle};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use pintle_core::afar::{BYTES_MAX, Refusal, Request, Wanted, judge};
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::notice::NoticeBody;
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// Where the highest number heard lies in the store.
const HEARD_KEY: &str = "asked";
/// What waits for a clock that can be trusted is looked at again so often (our own choice).
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// Requests of one answer that are looked at (our own limit; the receiver sends fewer).
const ASKED_MAX: usize = 16;
/// Requests with a wrong signature that are written into the audit, each hour (our own limit: a false receiver must not
/// be able to fill the disk).
const FORGED_TOLD_AN_HOUR: u32 = 20;
const HOUR_MS: u64 = 3_600_000;
/// The agent answers itself within this.
const OWN_WAIT: Duration = Duration::from_secs(10);

/// What the actor is given.
#[derive(Clone)]
pub struct AskedSetup {
    /// `[asked]`; `None`: nothing is heard.
    pub asked: Option<config::Asked>,
    /// This trailer.
    pub trailer: TrailerId,
    /// Its cameras.
    pub cameras: Vec<CameraId>,
    /// The own control socket: what a person could do there is done there.
    pub control: PathBuf,
    /// For the numbers, the answers and what is sent once more.
    pub store: StoreHandle,
    /// How far the clock is trusted.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// Where each act is written down.
    pub audit: audit::Log,
    /// The newest requests that came with receipts, not checked yet.
    pub came: watch::Receiver<Vec<String>>,
    /// Told when the state of health is wanted now.
    pub health_wanted: Arc<Notify>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Runs until `stop`.
///
/// # Errors
/// [`StoreError`] if the numbers of before can't be fetched: then nothing may be carried out.
pub async fn run(mut setup: AskedSetup, stop: CancellationToken) -> Result<(), StoreError> {
    let kept = setup.store.kept(HEARD_KEY).await?;
    let heard = kept.and_then(|bytes| String::from_utf8(bytes).ok()?.parse().ok()).unwrap_or(0);
    let mut ears = Ears { heard, forged_since: Mono(0), forged_told: 0 };
    loop {
        tokio::select! {
            () = stop.cancelled() => return Ok(()),
            changed = setup.came.changed() => if changed.is_err() {
                stop.cancelled().await;
                return Ok(());
            },
            () = tokio::time::sleep(LOOK_EVERY) => {}
        }
        setup.heartbeat.turn();
        let Some(asked) = setup.asked.clone() else { continue };
        let came: Vec<String> = setup.came.borrow_and_update().iter().take(ASKED_MAX).cloned().collect();
        if came.is_empty() {
            continue;
        }
        let key = match PublicKey::read(&asked.key_file) {
            Ok(key) => key,
            Err(error) => {
                warn!(%error, "asked.key_file can't be used: nothing from afar is carried out");
                continue;
            }
        };
        for one in &came {
            ears.hear(one, &asked, &key, &setup).await;
            setup.heartbeat.turn();
        }
    }
}

struct Ears {
    heard: u64,
    forged_since: Mono,
    forged_told: u32,
}

impl Ears {
    async fn hear(&mut self, one: &str, asked: &config::Asked, key: &PublicKey, setup: &AskedSetup) {
        let now = clock::moment(setup.position.borrow().utc_trust);
        let bytes = (one.len() <= 2 * BYTES_MAX).then(|| BASE64_STANDARD.decode(one).ok()).flatten();
        let Some(content) = bytes.and_then(|bytes| key.opened(ASKED_MAGIC, &bytes)) else {
            return self.forged(setup, now.mono).await;
        };
        match judge(&content, &setup.trailer, &setup.cameras, &asked.allowed, self.heard, &now) {
            Ok(request) => {
                // Heard before it is done: after a loss of power it is not done a second time.
                if let Err(error) = self.heard(request.number, setup).await {
                    return warn!(%error, "a request from afar waits: its number can't be kept");
                }
                let outcome = carry_out(&request, setup, &now).await;
                answer(&request, &outcome, setup, &now).await;
            }
            Err((Some(number), refusal)) if refusal.is_final() => {
                if let Err(error) = self.heard(number, setup).await {
                    return warn!(%error, "a request from afar waits: its number can't be kept");
                }
                refused(number, &refusal, setup, &now).await;
            }
            Err((number, refusal)) => tracing::debug!(number, %refusal, "a request from afar is passed over"),
        }
    }

    async fn heard(&mut self, number: u64, setup: &AskedSetup) -> Result<(), StoreError> {
        setup.store.keep(HEARD_KEY, number.to_string().into_bytes()).await?;
        self.heard = number;
        Ok(())
    }

    async fn forged(&mut self, setup: &AskedSetup, now: Mono) {
        if HOUR_MS <= now.since_ms(self.forged_since) {
            (self.forged_since, self.forged_told) = (now, 0);
        }
        if self.forged_told < FORGED_TOLD_AN_HOUR {
            self.forged_told += 1;
            warn!("a request from afar is not signed with the agency's key; nothing was done");
            written(setup, Entry::new(Who::agent(), "asked", "forged")).await;
        }
    }
}

/// Does it; answers what became of it, one sentence.
async fn carry_out(request: &Request, setup: &AskedSetup, now: &Moment) -> Result<String, String> {
    match &request.wanted {
        Wanted::Health => {
            setup.health_wanted.notify_one();
            Ok("the state of health goes out".to_owned())
        }
        Wanted::TestAlert => {
            let text = format!("Test alert, asked for from afar by {}. Nothing has happened.", request.by);
            let mut notice = NoticeBody::new("test", true, now.utc, text, "");
            notice.test = true;
            accept(&notice, Lane::Urgent, setup, now).await.map_err(|error| error.to_string())?;
            Ok("a test alert goes out".to_owned())
        }
        Wanted::Resend(range) => {
            let again = setup.store.resend(vec![range.clone()], *now).await.map_err(|error| error.to_string())?;
            Ok(format!("{again} events go out once more"))
        }
        Wanted::ConfirmLine(camera) => {
            let by = format!("{} (from afar)", request.by);
            let line = json!({"do": "place.confirm", "by": by, "args": {"camera": camera.as_str()}}).to_string();
            let socket = setup.control.clone();
            let asked = tokio::task::spawn_blocking(move || crate::io::control::ask(&socket, &line, OWN_WAIT)).await;
            let answer = match asked {
                Ok(Ok(answer)) => answer,
                Ok(Err(error)) => return Err(error.to_string()),
                Err(_) => return Err("the agent did not answer itself".to_owned()),
            };
            let answer: serde_json::Value = serde_json::from_slice(&answer).unwrap_or_default();
            match answer["detail"].as_str().or(answer["title"].as_str()) {
                Some(why) => Err(why.to_owned()),
                None if answer.get("result").is_some() => {
                    Ok(format!("the place line of {} is confirmed", camera.as_str()))
                }
                None => Err("the agent did not answer itself".to_owned()),
            }
        }
    }
}

async fn answer(request: &Request, outcome: &Result<String, String>, setup: &AskedSetup, now: &Moment) {
    let kind = match &request.wanted {
        Wanted::Health => "asked.health",
        Wanted::ConfirmLine(_) => "asked.confirm-line",
        Wanted::TestAlert => "asked.test-alert",
        Wanted::Resend(_) => "asked.resend",
    };
    let word = if outcome.is_ok() { "done" } else { "failed" };
    let who = Who { uid: None, pid: None, name: request.by.clone() };
    written(setup, Entry::new(who, kind, word).with("number", request.number)).await;
    let text = match outcome {
        Ok(text) => format!("Request {} from afar by {}: {text}.", request.number, request.by),
        Err(why) => format!("Request {} from afar by {} failed: {why}.", request.number, request.by),
    };
    info!(number = request.number, kind, word, "a request from afar");
    told(request.number, text, setup, now).await;
}

async fn refused(number: u64, refusal: &Refusal, setup: &AskedSetup, now: &Moment) {
    written(setup, Entry::new(Who::agent(), "asked", "refused").with("number", number).with("why", refusal)).await;
    told(number, format!("Request {number} from afar was refused: {refusal}."), setup, now).await;
}

async fn told(number: u64, text: String, setup: &AskedSetup, now: &Moment) {
    let mut notice = NoticeBody::new("asked", false, now.utc, text, "");
    notice.asked = Some(number);
    if let Err(error) = accept(&notice, Lane::Bulk, setup, now).await {
        warn!(%error, "the answer to a request from afar can't be kept");
    }
}

async fn accept(notice: &NoticeBody, lane: Lane, setup: &AskedSetup, now: &Moment) -> Result<(), StoreError> {
    let event = NewEvent::own(EventKind::Notice, lane, now.utc, notice);
    setup.store.accept(vec![event], *now).await.map(drop)
}

async fn written(setup: &AskedSetup, entry: Entry) {
    if let Err(error) = setup.audit.write(entry).await {
        warn!(%error, "the audit can't be written");
    }
}
