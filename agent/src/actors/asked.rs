//! Carries out what people at the agency ask of this trailer by way of the receipts: signed, allowed by the owner, each
//! once, written down before it is done, answered with a notice.

mod memory;
mod tally;

use super::heartbeat::Heartbeat;
use crate::audit::{self, AuditError, Entry, Who};
use crate::clock;
use crate::config;
use crate::io::signed::{ASKED_MAGIC, PublicKey};
use crate::store::{NewEvent, StoreError, StoreHandle};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use memory::Memory;
use pintle_core::afar::{CHARS_MAX, Here, Refusal, Request, Wanted, judge, number_of};
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::notice::NoticeBody;
use serde_json::json;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tally::Tally;
use tokio::sync::{Notify, watch};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// What waits for a clock that can be trusted is looked at again so often (our own choice).
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// The agent answers itself within this.
const OWN_WAIT: Duration = Duration::from_secs(10);
/// What is said where the audit can't take the line before an act.
const NOT_AUDITED: &str = "a request from afar waits: the audit can't be written, and nothing is done unwritten";

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
    /// The state folder: the numbers heard are kept in it, too, so that a lost queue makes no old request new.
    pub state_dir: PathBuf,
    /// When this process began: it has carried out nothing before.
    pub started: Mono,
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
    let Some(asked) = setup.asked.clone() else {
        stop.cancelled().await;
        return Ok(());
    };
    let memory = Memory::fetch(&setup.state_dir, &setup.store, setup.started).await?;
    let mut ears = Ears { memory, begun: BTreeSet::new(), tally: Tally::default(), looked: Vec::new(), no_key: false };
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
        let now = clock::moment(setup.position.borrow().utc_trust);
        ears.memory.settle(&now).await;
        let came = setup.came.borrow_and_update().clone();
        ears.look(came, &asked, &setup).await;
        for (what, count) in ears.tally.due(clock::mono()) {
            warn!(what, count, "requests from afar were passed over; nothing was done");
            let entry = Entry::new(Who::agent(), "asked", what).with("count", count);
            if let Err(error) = setup.audit.write(entry).await {
                tracing::debug!(%error, "a request that was passed over is not in the audit yet");
            }
        }
    }
}

struct Ears {
    memory: Memory,
    /// Numbers whose line of this sort stands in the audit, and whose count could not be kept yet.
    begun: BTreeSet<(u64, &'static str)>,
    tally: Tally,
    /// What was looked at last: what waits is looked at again, and counted once.
    looked: Vec<String>,
    no_key: bool,
}

impl Ears {
    async fn look(&mut self, came: Vec<String>, asked: &config::Asked, setup: &AskedSetup) {
        if came.is_empty() {
            return;
        }
        let key = match PublicKey::read(&asked.key_file) {
            Ok(key) => key,
            Err(error) => {
                if !std::mem::replace(&mut self.no_key, true) {
                    warn!(%error, "asked.key_file can't be used: nothing from afar is carried out");
                }
                return;
            }
        };
        self.no_key = false;
        let mut signed = Vec::new();
        for one in &came {
            let is_new = !self.looked.contains(one);
            match opened(one, &key) {
                Some(content) => signed.push((number_of(&content), content, is_new)),
                None if is_new => self.tally.add("forged"),
                None => {}
            }
        }
        self.looked = came;
        // A higher number shuts out the lower ones, whatever order the receiver sends them in.
        signed.sort();
        for (_, content, is_new) in signed {
            if !self.hear(&content, &key.shown(), is_new, asked, setup).await {
                return;
            }
            setup.heartbeat.turn();
        }
    }

    /// False if it has to wait, and what comes after it with it.
    async fn hear(
        &mut self,
        content: &[u8],
        key: &str,
        is_new: bool,
        asked: &config::Asked,
        setup: &AskedSetup,
    ) -> bool {
        let now = clock::moment(setup.position.borrow().utc_trust);
        let here = Here { trailer: &setup.trailer, cameras: &setup.cameras, allowed: &asked.allowed };
        match judge(content, &here, self.memory.highest(key), self.memory.since(), &now) {
            Ok(request) => {
                let who = Who { uid: None, pid: None, name: request.by.clone() };
                let line = (who, act(&request.wanted), "begun");
                if !self.begin(request.number, key, line, None, setup).await {
                    return false;
                }
                let outcome = carry_out(&request, setup, &now).await;
                answer(&request, outcome, setup, &now).await;
            }
            Err((Some(number), refusal)) if refusal.is_final() => {
                let line = (Who::agent(), "asked", "refused");
                if !self.begin(number, key, line, Some(&refusal), setup).await {
                    return false;
                }
                info!(number, %refusal, "a request from afar is refused");
                told(number, format!("Request {number} from afar was refused: {refusal}."), setup, &now).await;
            }
            Err((_, Refusal::OtherTrailer)) if is_new => self.tally.add("other-trailer"),
            Err((_, Refusal::Unreadable)) if is_new => self.tally.add("unreadable"),
            Err((number, refusal)) => tracing::debug!(number, %refusal, "a request from afar is passed over"),
        }
        true
    }

    /// Before it is done it stands in the audit, and its number is heard for good: after a loss of power it is not done
    /// a second time. False if either can't be written: then it is not done.
    async fn begin(
        &mut self,
        number: u64,
        key: &str,
        (who, act, outcome): (Who, &str, &'static str),
        why: Option<&Refusal>,
        setup: &AskedSetup,
    ) -> bool {
        if !self.begun.contains(&(number, outcome)) {
            let entry = Entry::new(who, act, outcome).with("number", number);
            let entry = why.into_iter().fold(entry, |entry, why| entry.with("why", why));
            if let Err(error) = audited(entry, setup).await {
                warn!(%error, advice = error.advice(), number, "{NOT_AUDITED}");
                return false;
            }
            self.begun.insert((number, outcome));
        }
        if let Err(error) = self.memory.hear(key, number).await {
            warn!(%error, number, "a request from afar waits: its number can't be kept");
            return false;
        }
        self.begun.retain(|(begun, _)| *begun != number);
        true
    }
}

/// The content of one that is signed with this key.
fn opened(one: &str, key: &PublicKey) -> Option<Vec<u8>> {
    let bytes = (one.len() <= CHARS_MAX).then(|| BASE64_STANDARD.decode(one).ok()).flatten();
    bytes.and_then(|bytes| key.opened(ASKED_MAGIC, &bytes))
}

/// The line is on the disk, or this is an error. While the audit is in trouble no line is added to those that wait in
/// memory: each would be written later, as if something had been done.
async fn audited(entry: Entry, setup: &AskedSetup) -> Result<(), AuditError> {
    if setup.audit.trouble().is_some() {
        let log = setup.audit.clone();
        tokio::task::spawn_blocking(move || log.probe()).await.unwrap_or(Err(AuditError::BrokenOff))?;
    }
    setup.audit.write(entry).await.map(drop)
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
        Wanted::ConfirmLine(camera, meant) => {
            let by = format!("{} (from afar)", request.by);
            // Whether the trailer still stands there, and the line still reads so, is judged by whoever confirms it.
            let args = json!({"camera": camera.as_str(), "site": meant.site.0, "line": meant.line});
            let line = json!({"do": "place.confirm", "by": by, "args": args}).to_string();
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
                    Ok(format!("the place line of {} is confirmed for site {}", camera.as_str(), meant.site.0))
                }
                None => Err("the agent did not answer itself".to_owned()),
            }
        }
    }
}

/// The word for it in the audit.
fn act(wanted: &Wanted) -> &'static str {
    match wanted {
        Wanted::Health => "asked.health",
        Wanted::ConfirmLine(..) => "asked.confirm-line",
        Wanted::TestAlert => "asked.test-alert",
        Wanted::Resend(_) => "asked.resend",
    }
}

async fn answer(request: &Request, outcome: Result<String, String>, setup: &AskedSetup, now: &Moment) {
    let (number, kind) = (request.number, act(&request.wanted));
    let word = if outcome.is_ok() { "done" } else { "failed" };
    let who = Who { uid: None, pid: None, name: request.by.clone() };
    // That it was begun stands there already.
    let written = setup.audit.write(Entry::new(who, kind, word).with("number", number)).await;
    let unwritten = written.err().map_or("", |_| "; how it ended is not in the trailer's audit yet");
    let text = match outcome {
        Ok(text) => format!("Request {number} from afar by {}: {text}{unwritten}.", request.by),
        Err(why) => format!("Request {number} from afar by {} was not carried out: {why}{unwritten}.", request.by),
    };
    info!(number, kind, word, "a request from afar");
    told(number, text, setup, now).await;
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
