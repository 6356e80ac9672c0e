//! Sends the newest state of the trailer to the receiver, beside the queue and behind it: at a change and every few
//! minutes. What could not be sent is replaced by what is newer; nothing piles up. Decision 35.

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use crate::io::target::{self, Address, AnyTarget, Handed, Handover, Target as _, TargetError, Written};
use crate::io::tls::TlsTime;
use crate::store::StoreHandle;
use pintle_core::forward::answer::Ack;
use pintle_core::ids::TrailerId;
use pintle_core::link::LinkView;
use pintle_core::position::PositionView;
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::stamp::{Captured, UtcNow};
use pintle_core::wire::upstream::{self, Pace};
use serde::Deserialize;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio_util::sync::CancellationToken;
use tracing::info;

/// How often it is looked whether something is due.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// So long it stands back while urgent events wait, ms (our own choice: then the survey matters again).
const STAND_BACK_MS: u64 = 60_000;
/// A receiver that refuses it, because it is older than this program, is asked again after this, ms (our own choice).
const REFUSED_MS: u64 = 3_600_000;
/// Longest answer, bytes.
const ANSWER_BYTES: usize = 64 * 1024;

/// What the sender of states needs.
pub struct UpstreamSetup {
    /// Which trailer this is.
    pub trailer: TrailerId,
    /// Where to send.
    pub receiver: Option<config::Receiver>,
    /// `health.upstream_s`; 0: nothing is sent.
    pub every_s: u32,
    /// For the numbers that go beside each sending.
    pub store: StoreHandle,
    /// What is known of true time: certificates are judged by it where the host's clock can't be right.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// A hint that there is no link.
    pub link: watch::Receiver<LinkView>,
    /// The newest state.
    pub health: watch::Receiver<Option<Arc<HealthBody>>>,
    /// Woken when somebody asks for the state before its time.
    pub wanted: Arc<Notify>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// For how long a state that goes up may be believed, s: one that is lost on its way must not make a trailer stale.
#[must_use]
pub fn valid_s(every_s: u32) -> u32 {
    every_s.saturating_mul(2).saturating_add(60)
}

/// Runs until `stop`. Without a receiver, with a courier's stick, or switched off, it does nothing: a stick would carry
/// states that are days old.
pub async fn run(setup: UpstreamSetup, stop: CancellationToken) {
    let courier = |receiver: &config::Receiver| matches!(target::address(&receiver.url), Ok(Address::Courier { .. }));
    let receiver = setup.receiver.clone().filter(|receiver| 0 < setup.every_s && !courier(receiver));
    let mut pace = Pace::new(u64::from(setup.every_s) * 1000);
    let mut sender = receiver.map(|receiver| {
        let time = TlsTime::following(setup.position.clone());
        Sender { receiver, time, client: None, told: false }
    });
    let mut waiting_since = None;
    loop {
        let asked = tokio::select! {
            () = stop.cancelled() => return,
            () = setup.wanted.notified() => true,
            () = tokio::time::sleep(LOOK_EVERY) => false,
        };
        setup.heartbeat.turn();
        let (Some(sender), Some(body)) = (&mut sender, setup.health.borrow().clone()) else { continue };
        let now_ms = clock::mono().0;
        let gist = upstream::gist(&body);
        let gone = matches!(*setup.link.borrow(), LinkView::Absent { .. } | LinkView::Down { .. });
        if gone || !(asked || pace.is_due(&gist, now_ms)) {
            continue;
        }
        let Ok(figures) = setup.store.figures().await else { continue };
        let waits_ms = now_ms.saturating_sub(*waiting_since.get_or_insert(now_ms));
        if 0 < figures.waiting_urgent && waits_ms < STAND_BACK_MS {
            continue;
        }
        waiting_since = None;
        let brief = upstream::brief(&body, valid_s(setup.every_s));
        let source = setup.trailer.source();
        let sending = sender.send(&source, &brief, (&figures.generation, figures.counts.accepted));
        let mut sending = std::pin::pin!(sending);
        let sent = loop {
            tokio::select! {
                () = stop.cancelled() => return,
                sent = &mut sending => break sent,
                () = tokio::time::sleep(LOOK_EVERY) => setup.heartbeat.turn(),
            }
        };
        let now_ms = clock::mono().0;
        match sent {
            Sent::Yes => pace.went(gist, now_ms),
            Sent::No => pace.failed(0, now_ms),
            Sent::Refused => pace.failed(REFUSED_MS, now_ms),
        }
    }
}

enum Sent {
    Yes,
    No,
    Refused,
}

struct Sender {
    receiver: config::Receiver,
    time: TlsTime,
    /// Kept between two states for HTTPS, whose next handshake is shorter then; a broker's connection is not.
    client: Option<AnyTarget>,
    told: bool,
}

/// What of an answer matters here.
#[derive(Deserialize)]
struct Answered {
    receipts: Vec<Receipt>,
}

#[derive(Deserialize)]
struct Receipt {
    result: String,
}

impl Sender {
    async fn send(&mut self, source: &str, brief: &HealthBody, (generation, up_to): (&str, u64)) -> Sent {
        let id = StoreHandle::new_event_id();
        let Ok(json) = upstream::encode(source, id, brief) else { return Sent::No };
        let captured = Captured { at: clock::utc(), corrected: false };
        let written = Written { id, sequence: 0, word: upstream::WORD, captured, json, taken_back: 0 };
        let handed = self.hand_over(source, generation, up_to, written);
        let handed = handed.await;
        let sent = match &handed {
            Ok(Handed::Acks(acks, _)) => {
                if acks.iter().all(|ack| matches!(ack, Ack::Taken)) {
                    Sent::Yes
                } else {
                    Sent::No
                }
            }
            Ok(Handed::Answer(answer)) => match (answer.view().status, self.receiver.proof) {
                (200..=299, config::Proof::Status | config::Proof::Ack) => Sent::Yes,
                (200, config::Proof::Receipts) => judged(answer.view().body),
                _ => Sent::No,
            },
            Err(_) => Sent::No,
        };
        match (&sent, self.told) {
            (Sent::Refused, false) => {
                info!("the receiver takes no states of the trailer; an older one does not know them");
                self.told = true;
            }
            (Sent::Yes, true) => self.told = false,
            _ => {}
        }
        sent
    }

    async fn hand_over(
        &mut self,
        source: &str,
        generation: &str,
        accepted_up_to: u64,
        event: Written,
    ) -> Result<Handed, TargetError> {
        let mut target = match self.client.take() {
            Some(target) => target,
            None => AnyTarget::open_named(&self.receiver, source, upstream::WORD, &self.time).await?,
        };
        let key = StoreHandle::new_event_id().to_string();
        let utc = clock::utc();
        let handed = target
            .hand_over(&Handover {
                key: &key,
                source,
                generation,
                accepted_up_to,
                relayed: false,
                sent_at: UtcNow { host: utc, best: utc },
                events: &[event],
                answer_bytes_max: ANSWER_BYTES,
            })
            .await;
        if handed.is_ok() && matches!(target, AnyTarget::Https(_)) {
            self.client = Some(target);
        }
        handed
    }
}

fn judged(answer: &[u8]) -> Sent {
    let answered: Option<Answered> = serde_json::from_slice(answer).ok();
    match answered.as_ref().and_then(|answered| answered.receipts.first()).map(|receipt| receipt.result.as_str()) {
        Some("stored" | "duplicate") => Sent::Yes,
        Some("refused") => Sent::Refused,
        _ => Sent::No,
    }
}
