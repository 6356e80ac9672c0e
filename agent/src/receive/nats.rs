//! Takes events from a `JetStream`, stores them, sends the receipts, and only then tells the stream that they are done.
//! If it dies in between, the events come again and are answered "duplicate".

mod pictures;

use super::broker::{Came, stored};
use super::http::Service;
use crate::clock;
use crate::io::access::Access;
use crate::io::nats::{all_events, connect, receipt_subject, stream_config};
use crate::io::target::{OwnFault, TargetError};
use async_nats::jetstream::consumer::pull::Config as ConsumerConfig;
use async_nats::jetstream::consumer::{AckPolicy, PullConsumer};
use async_nats::jetstream::{self, AckKind, Message};
use futures_util::StreamExt as _;
use pictures::Buckets;
use pintle_core::forward::answer::NoAnswer;
use pintle_core::wire::event::{HEADER_ACCEPTED_UP_TO, HEADER_GENERATION, HEADER_SENT_AT};
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// Name under which all our consumers share the work, so that a second receiver on another machine can help.
pub const CONSUMER: &str = "pintle-receive";
/// Messages taken at once (our own choice: one commit, some 0.5 MB).
const TAKEN_MAX: usize = 500;
/// A turn without messages ends after this, so that a stop is heard.
const TURN: Duration = Duration::from_secs(1);
/// A turn in which nothing comes and whose end does not come either is over after this: the server that was to end it
/// is gone (our own choice).
const SILENCE_MAX: Duration = Duration::from_secs(3);
/// What is not acknowledged within this comes again (our own choice: long past a stall of a disk).
const ACK_WAIT: Duration = Duration::from_mins(1);
/// Messages that may be out unacknowledged, over all receivers on this stream (our own limit).
const PENDING_MAX: i64 = 20_000;
/// Pause after the cluster has refused a right, which a person gives (our own choice).
const RIGHT_PAUSE: Duration = Duration::from_secs(15);
/// Pause after the cluster or the database failed (our own choice).
const PAUSE: Duration = Duration::from_millis(500);

/// Where and as what to listen.
#[derive(Clone, Debug)]
pub struct NatsSetup {
    /// `host:port` of the servers.
    pub servers: Vec<String>,
    /// Whether they speak TLS.
    pub tls: bool,
    /// Files for the door.
    pub access: Access,
    /// First part of the subjects.
    pub prefix: String,
    /// Name of the stream.
    pub stream: String,
    /// Makes the stream with this many replicas if it is not there.
    pub make_stream: Option<usize>,
}

/// Runs until `stop`. Whatever fails is tried again.
pub async fn run(setup: NatsSetup, service: Arc<Service>, stop: CancellationToken) {
    let mut failing = false;
    while !stop.is_cancelled() {
        let turn = tokio::select! {
            () = stop.cancelled() => return,
            ended = serve(&setup, &service, &mut failing, &stop) => ended,
        };
        let pause = if matches!(turn, Err(TargetError::NoRight(_))) { RIGHT_PAUSE } else { PAUSE };
        if let Err(error) = turn
            && !std::mem::replace(&mut failing, true)
        {
            match error {
                TargetError::NoAnswer(why) => warn!(?why, "no events from NATS; it is tried again"),
                TargetError::NoRight(fault) | TargetError::Own(fault) => {
                    warn!(%fault, advice = fault.advice(), "no events from NATS");
                }
            }
        }
        drop(tokio::time::timeout(pause, stop.cancelled()).await);
    }
}

async fn serve(
    setup: &NatsSetup,
    service: &Arc<Service>,
    failing: &mut bool,
    stop: &CancellationToken,
) -> Result<(), TargetError> {
    let (client, rights) = connect(&setup.servers, setup.tls, CONSUMER, &setup.access, 2 * TAKEN_MAX).await?;
    let consumer = tokio::select! {
        biased;
        made = consumer(&client, setup) => made,
        // What is refused is never answered.
        () = rights.lacking(|_| true) => Err(TargetError::NoAnswer(NoAnswer::NoRight)),
    };
    let consumer = match (consumer, rights.refused(|_| true)) {
        (Err(_), Some(fault)) => return Err(TargetError::NoRight(fault)),
        (made, _) => made?,
    };
    info!(stream = %setup.stream, "taking events from NATS");
    let (mut told, mut turns) = (false, 0_u64);
    let mut buckets = Buckets::new(&client, setup, service);
    buckets.of_the_past().await;
    while !stop.is_cancelled() {
        // Without receipts, or without its acknowledgements, taking more would only send it round.
        if let Some(fault) = rights.refused(|right| !of_pictures(right)) {
            return Err(TargetError::NoRight(fault));
        }
        if let Some(fault) = rights.refused(of_pictures)
            && !std::mem::replace(&mut told, true)
        {
            warn!(%fault, advice = fault.advice(), "some pictures stay in the cluster");
        }
        if 0 < turns {
            *failing = false;
        }
        turns += 1;
        let broken = |_| TargetError::NoAnswer(NoAnswer::Broken);
        let mut batch = match consumer.batch().max_messages(TAKEN_MAX).expires(TURN).messages().await {
            Ok(batch) => batch,
            Err(error) => {
                tracing::debug!(%error, "no batch");
                tokio::time::sleep(PAUSE).await;
                continue;
            }
        };
        let mut messages = Vec::new();
        loop {
            let next = tokio::select! {
                biased;
                next = tokio::time::timeout(SILENCE_MAX, batch.next()) => next,
                // The right to ask for messages may be what is refused: then this turn has no end.
                () = rights.lacking(|right| !of_pictures(right)) => break,
            };
            let Ok(Some(message)) = next else { break };
            match message {
                Ok(message) => messages.push(message),
                // The rest of the turn failed; what has come is taken all the same.
                Err(error) => {
                    tracing::debug!(%error, "a turn broke off");
                    tokio::time::sleep(PAUSE).await;
                    break;
                }
            }
        }
        if messages.is_empty() {
            continue;
        }
        let came: Vec<Came<'_>> = messages.iter().map(|message| came(&setup.prefix, message)).collect();
        let Ok(answers) = stored(service.store(), &came, clock::utc()).await else {
            for message in &messages {
                // Best effort: without it the message comes again after ACK_WAIT.
                drop(message.ack_with(AckKind::Nak(Some(ACK_WAIT / 10))).await);
            }
            tokio::time::sleep(PAUSE).await;
            continue;
        };
        for answer in answers {
            let trailer = crate::io::target::name_of(&answer.source).to_owned();
            // Before the receipt, since pictures follow it.
            buckets.of(&trailer, true).await;
            let payload = serde_json::to_vec(&answer).unwrap_or_default();
            client.publish(receipt_subject(&setup.prefix, &trailer), payload.into()).await.map_err(broken)?;
        }
        client.flush().await.map_err(|_| TargetError::NoAnswer(NoAnswer::Broken))?;
        for message in &messages {
            if message.ack().await.is_err() {
                tracing::debug!("an acknowledgement was not sent; its event comes again");
            }
        }
    }
    Ok(())
}

async fn consumer(client: &async_nats::Client, setup: &NatsSetup) -> Result<PullConsumer, TargetError> {
    let context = jetstream::new(client.clone());
    let no_stream = || TargetError::NoAnswer(NoAnswer::NoStream);
    let stream = match setup.make_stream {
        Some(replicas) => {
            let config = stream_config(&setup.stream, &setup.prefix, replicas);
            context.get_or_create_stream(config).await.map_err(|error| {
                TargetError::Own(OwnFault::new(
                    format!("the stream {} can't be made: {error}", setup.stream),
                    "check the rights of these credentials, and that so many servers run",
                ))
            })?
        }
        None => context.get_stream(&setup.stream).await.map_err(|_| no_stream())?,
    };
    let config = ConsumerConfig {
        durable_name: Some(CONSUMER.to_owned()),
        filter_subject: all_events(&setup.prefix),
        ack_policy: AckPolicy::Explicit,
        ack_wait: ACK_WAIT,
        max_ack_pending: PENDING_MAX,
        ..ConsumerConfig::default()
    };
    stream.get_or_create_consumer(CONSUMER, config).await.map_err(|_| no_stream())
}

/// Whether a right that was refused is one that pictures alone need.
fn of_pictures(right: &str) -> bool {
    [" $O.", ".OBJ_", ".picture."].iter().any(|part| right.contains(part))
}

/// The trailer is the one that the subject names: the cluster lets each publish on its own only.
fn came<'a>(prefix: &str, message: &'a Message) -> Came<'a> {
    let rest = message.subject.strip_prefix(prefix).and_then(|rest| rest.strip_prefix(".event."));
    let header = |name: &str| {
        message.headers.as_ref().and_then(|headers| headers.get(name)).map(async_nats::HeaderValue::as_str)
    };
    Came {
        trailer: rest.and_then(|rest| rest.split('.').next()).unwrap_or_default(),
        generation: header(HEADER_GENERATION).unwrap_or_default(),
        accepted_up_to: header(HEADER_ACCEPTED_UP_TO).unwrap_or_default(),
        sent_at: header(HEADER_SENT_AT).unwrap_or_default(),
        event: &message.payload,
    }
}
