//! NATS `JetStream`: each event is one message under its own id, kept by a stream until the agency's consumer has
//! stored it and sent its receipt.
//!
//! Subjects: `<prefix>.event.<trailer>.<what>` for events, `<prefix>.receipt.<trailer>` for receipts, so that the
//! cluster's owner can allow each trailer its own and nothing else.

pub mod pictures;
mod rights;
mod way;

pub use rights::Rights;

use super::access::Access;
use super::http::why_of;
use super::target::{Handed, Handover, OwnFault, Target, TargetError, name_of};
use crate::config::{Broker, StreamMaker};
use async_nats::connection::State;
use async_nats::header::{HeaderMap, NATS_MESSAGE_ID};
use async_nats::jetstream::context::{PublishAckFuture, PublishError, PublishErrorKind};
use async_nats::jetstream::stream::{Config as StreamConfig, DiscardPolicy, RetentionPolicy, StorageType};
use async_nats::jetstream::{Context, ContextBuilder, ErrorCode};
use async_nats::{ConnectErrorKind, ConnectOptions, Subscriber};
use futures_util::{FutureExt as _, StreamExt as _};
use pintle_core::forward::answer::{Ack, NoAnswer};
use pintle_core::ids::EventId;
use pintle_core::wire::event::{HEADER_ACCEPTED_UP_TO, HEADER_GENERATION, HEADER_SENT_AT};
use pintle_core::wire::receipt::{ReceiptMessage, SaidLater};
use std::time::Duration;
use tokio::time::Instant;
use way::Way;

/// How often a wait for acknowledgements looks whether the connection still stands (our own choice).
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// Messages with receipts that may lie unread; what comes beyond is dropped, and costs a repeat (our own limit).
pub const RECEIPTS_UNREAD_MAX: usize = 64;
/// Messages that may wait for their acknowledgement: more than one batch has.
const INFLIGHT_MAX: usize = 4096;
/// A refused right is heard within this after the answer that it came before (our own choice: two tasks of one
/// process).
const REFUSAL_MIN: Duration = Duration::from_millis(50);
/// The making of a connection, during which names may be asked for too, is no measure of a round trip beyond this.
const REFUSAL_MAX: Duration = Duration::from_secs(1);
/// A lost connection is tried again after this, doubled each time up to the second (our own choice).
const RECONNECT_FIRST: Duration = Duration::from_millis(100);
const RECONNECT_MAX: Duration = Duration::from_secs(5);
/// A message stays this long at most, s: the default age limit of waiting reads on the trailer (design).
const STREAM_KEEP: Duration = Duration::from_hours(30 * 24);
/// Repeats within this are dropped by the server. Source: NATS documentation, default of `duplicate_window`.
const DUPLICATE_WINDOW: Duration = Duration::from_mins(2);

/// The subject of an event that is called `word`.
#[must_use]
pub fn event_subject(prefix: &str, trailer: &str, word: &str) -> String {
    format!("{prefix}.event.{trailer}.{word}")
}

/// The subject of all events of all trailers.
#[must_use]
pub fn all_events(prefix: &str) -> String {
    format!("{prefix}.event.>")
}

/// The subject on which a trailer hears its receipts.
#[must_use]
pub fn receipt_subject(prefix: &str, trailer: &str) -> String {
    format!("{prefix}.receipt.{trailer}")
}

/// The stream as it must be: a message goes as soon as it is acknowledged by the consumer, so plates do not pile up in
/// the broker; when it is full it refuses what is new instead of dropping what nobody has read.
#[must_use]
pub fn stream_config(stream: &str, prefix: &str, replicas: usize) -> StreamConfig {
    StreamConfig {
        name: stream.to_owned(),
        subjects: vec![all_events(prefix)],
        retention: RetentionPolicy::WorkQueue,
        discard: DiscardPolicy::New,
        storage: StorageType::File,
        num_replicas: replicas,
        max_age: STREAM_KEEP,
        duplicate_window: DUPLICATE_WINDOW,
        ..StreamConfig::default()
    }
}

/// What the server knows a message by: the event's id, so that a repeat on a broken connection is dropped there. An
/// event whose receipt did not come has a name of its own each further time: the receipt may be lost although the
/// consumer has stored the event, and a repeat that the server drops would never be answered.
#[must_use]
pub fn message_id(id: EventId, taken_back: u32) -> String {
    if taken_back == 0 { id.to_string() } else { format!("{id}.{taken_back}") }
}

/// Connects to the first server that answers; later the client finds the others by itself. Of each subscription
/// `unread_max` messages may lie unread; what comes beyond is dropped. What the server refuses later is heard by the
/// rights. The token is shown as a token, and as the password of the user called `name`, so that the cluster's owner
/// can give each user rights of its own; answers come to `_INBOX.<name>.>`, which nobody else need hear.
///
/// # Errors
/// [`TargetError`]
pub async fn connect(
    servers: &[String],
    tls: bool,
    name: &str,
    access: &Access,
    unread_max: usize,
) -> Result<(async_nats::Client, Rights), TargetError> {
    let (rights_in, rights) = Rights::new();
    let mut options = ConnectOptions::new()
        .name(name)
        .custom_inbox_prefix(format!("_INBOX.{name}"))
        .connection_timeout(access.answer_wait)
        .subscription_capacity(unread_max)
        .max_reconnects(None)
        .reconnect_delay_callback(|tries| {
            let doublings = u32::try_from(tries.saturating_sub(1).min(16)).unwrap_or(16);
            RECONNECT_FIRST.saturating_mul(1 << doublings).min(RECONNECT_MAX)
        })
        // The client logs by itself what it meets; the forwarder tells troubles in its own words.
        .event_callback(move |event| {
            tracing::debug!(%event, "NATS");
            if let async_nats::Event::ServerError(said) = &event {
                rights::heard(&rights_in, said);
            }
            std::future::ready(())
        });
    if let Some(credentials) = access.credentials().map_err(TargetError::Own)? {
        options = options.credentials(&credentials).map_err(|_| {
            let what = "receiver.credentials_file holds no NATS credentials";
            TargetError::Own(OwnFault::new(what, "put the file there that the cluster's owner gave, whole"))
        })?;
    }
    if let Some(token) = access.token().map_err(TargetError::Own)? {
        options = options.user_and_password(name.to_owned(), token.clone()).token(token);
    }
    let deadline = Instant::now() + access.answer_wait;
    let Some(way) = Way::to(servers, access.answer_wait).await else {
        return Err(TargetError::NoAnswer(NoAnswer::Name));
    };
    if tls {
        let config = access.tls_by_name(way.names()).map_err(TargetError::Own)?;
        options = options.require_tls(true).tls_client_config(config);
    }
    let addresses = way.servers(if tls { "tls" } else { "nats" });
    let connecting = way.guard(options).connect(addresses);
    match tokio::time::timeout_at(deadline, connecting).await {
        Err(_) => Err(TargetError::NoAnswer(NoAnswer::ConnectTimeout)),
        Ok(Ok(client)) => {
            way.answered();
            Ok((client, rights))
        }
        Ok(Err(error)) => Err(TargetError::NoAnswer(match (error.kind(), why_of(&error)) {
            (ConnectErrorKind::Dns, _) => NoAnswer::Name,
            (ConnectErrorKind::Authentication | ConnectErrorKind::AuthorizationViolation, _) => NoAnswer::NotLetIn,
            (_, Some((why, _))) => why,
            (ConnectErrorKind::TimedOut, None) => NoAnswer::ConnectTimeout,
            (ConnectErrorKind::Tls, None) => NoAnswer::Tls,
            (_, None) => NoAnswer::Unreachable,
        })),
    }
}

/// One lane's connection to the cluster.
pub struct Nats {
    client: async_nats::Client,
    rights: Rights,
    /// What was refused when the connection was made has been heard by now.
    rights_are_known: bool,
    stream: Context,
    receipts: Subscriber,
    source: String,
    prefix: String,
    answer_wait: Duration,
}

impl Nats {
    /// Connects, listens for receipts, and makes the stream if that is the trailer's part.
    ///
    /// # Errors
    /// [`TargetError`]
    pub async fn open(
        servers: &[String],
        tls: bool,
        access: &Access,
        broker: &Broker,
        source: &str,
    ) -> Result<Self, TargetError> {
        let trailer = name_of(source);
        let began = Instant::now();
        let (client, rights) = connect(servers, tls, trailer, access, RECEIPTS_UNREAD_MAX).await?;
        let round_trips = began.elapsed();
        let stream = ContextBuilder::new()
            .timeout(access.answer_wait)
            .ack_timeout(access.answer_wait)
            .max_ack_inflight(INFLIGHT_MAX)
            .build(client.clone());
        if broker.stream_maker == StreamMaker::Trailer {
            let replicas = if servers.len() < 3 { 1 } else { 3 };
            let config = stream_config(&broker.stream, &broker.subject, replicas);
            let made = tokio::time::timeout(access.answer_wait, stream.get_or_create_stream(config)).await;
            if !matches!(made, Ok(Ok(_))) {
                return Err(rights
                    .refused(|_| true)
                    .map_or(TargetError::NoAnswer(NoAnswer::NoStream), TargetError::NoRight));
            }
        }
        let listening = client.subscribe(receipt_subject(&broker.subject, trailer)).await;
        let receipts = listening.map_err(|_| TargetError::NoAnswer(NoAnswer::Broken))?;
        // A subscription is answered only if it is refused. What is handed over without one gets no receipt, so it is
        // given the time of an answer; what comes later yet is heard with the first acknowledgement.
        let answer = (round_trips + REFUSAL_MIN).min(REFUSAL_MAX);
        if tokio::time::timeout(answer, rights.lacking(|_| true)).await.is_ok()
            && let Some(fault) = rights.refused(|_| true)
        {
            return Err(TargetError::NoRight(fault));
        }
        Ok(Self {
            client,
            rights,
            rights_are_known: false,
            stream,
            receipts,
            source: source.to_owned(),
            prefix: broker.subject.clone(),
            answer_wait: access.answer_wait,
        })
    }

    fn connected(&self) -> bool {
        self.client.connection_state() == State::Connected
    }

    /// Waits for one acknowledgement until `deadline`, or until the connection is gone. Once a right is refused, what
    /// was sent beside that has a moment left to be acknowledged.
    async fn acknowledged(&self, ack: PublishAckFuture, deadline: &mut Instant) -> Ack {
        let mut ack = ack.into_future();
        let mut lacks = false;
        loop {
            let until = (*deadline).min(Instant::now() + LOOK_EVERY);
            let told = async {
                tokio::select! {
                    biased;
                    told = &mut ack => Some(told),
                    () = self.rights.lacking(|_| true), if !lacks => None,
                }
            };
            match tokio::time::timeout_at(until, told).await {
                Ok(Some(Ok(_))) => return Ack::Taken,
                Ok(Some(Err(error))) => return refused(&error),
                Ok(None) => {
                    lacks = true;
                    *deadline = (*deadline).min(Instant::now() + LOOK_EVERY);
                }
                Err(_) if *deadline <= Instant::now() => {
                    return Ack::Not(if lacks { NoAnswer::NoRight } else { NoAnswer::AnswerTimeout });
                }
                Err(_) if !self.connected() => return Ack::Not(NoAnswer::Broken),
                Err(_) => {}
            }
        }
    }
}

impl Target for Nats {
    async fn hand_over(&mut self, handover: &Handover<'_>) -> Result<Handed, TargetError> {
        if !self.connected() {
            // It is being tried again in the background; what is published now would only pile up.
            return Err(TargetError::NoAnswer(NoAnswer::Broken));
        }
        if let Some(fault) = self.rights.refused(|_| true) {
            return Err(TargetError::NoRight(fault));
        }
        let mut deadline = Instant::now() + self.answer_wait;
        let trailer = name_of(handover.source);
        let mut sent = Vec::with_capacity(handover.events.len());
        for event in handover.events {
            let mut headers = HeaderMap::new();
            headers.insert(NATS_MESSAGE_ID, message_id(event.id, event.taken_back).as_str());
            headers.insert("Content-Type", "application/cloudevents+json");
            headers.insert(HEADER_GENERATION, handover.generation);
            headers.insert(HEADER_ACCEPTED_UP_TO, handover.accepted_up_to.to_string().as_str());
            if let Some(sent_at) = handover.sent_at_if_late(event) {
                headers.insert(HEADER_SENT_AT, sent_at.as_str());
            }
            let subject = event_subject(&self.prefix, trailer, event.word);
            let publishing = self.stream.publish_with_headers(subject, headers, event.json.clone().into());
            sent.push(match tokio::time::timeout_at(deadline, publishing).await {
                Ok(Ok(ack)) => Ok(ack),
                Ok(Err(error)) => Err(refused(&error)),
                Err(_) => Err(Ack::Not(NoAnswer::AnswerTimeout)),
            });
        }
        let mut acks = Vec::with_capacity(sent.len());
        for one in sent {
            acks.push(match one {
                Ok(ack) => self.acknowledged(ack, &mut deadline).await,
                Err(ack) => ack,
            });
        }
        if !std::mem::replace(&mut self.rights_are_known, true) {
            // The server answered in order, so that a refused subscription was told before; it is heard at once.
            drop(tokio::time::timeout(REFUSAL_MIN, self.rights.lacking(|_| true)).await);
            if let Some(fault) = self.rights.refused(|right| right.contains(".receipt.")) {
                return Err(TargetError::NoRight(fault));
            }
        }
        Ok(Handed::Acks(acks, self.rights.refused(|_| true)))
    }

    async fn receipts(&mut self) -> SaidLater {
        let Some(first) = self.receipts.next().await else {
            // The connection was closed for good; the lane opens another one when it hands over next.
            return std::future::pending().await;
        };
        let mut found = ReceiptMessage::for_source(&self.source, &first.payload);
        for _ in 0..RECEIPTS_UNREAD_MAX {
            let Some(Some(more)) = self.receipts.next().now_or_never() else { break };
            found.extend(ReceiptMessage::for_source(&self.source, &more.payload));
        }
        found
    }
}

fn refused(error: &PublishError) -> Ack {
    let said = std::error::Error::source(error).and_then(|cause| cause.downcast_ref::<async_nats::jetstream::Error>());
    Ack::Not(match error.kind() {
        PublishErrorKind::MaxPayloadExceeded => return Ack::TooLarge,
        PublishErrorKind::StreamNotFound => NoAnswer::NoStream,
        PublishErrorKind::TimedOut | PublishErrorKind::MaxAckPending => NoAnswer::AnswerTimeout,
        PublishErrorKind::BrokenPipe => NoAnswer::Broken,
        _ => match said.map(async_nats::jetstream::Error::error_code) {
            Some(ErrorCode::STREAM_MESSAGE_EXCEEDS_MAXIMUM | ErrorCode::STREAM_HEADER_EXCEEDS_MAXIMUM) => {
                return Ack::TooLarge;
            }
            _ => NoAnswer::BrokerFull,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trailer_has_subjects_of_its_own() {
        assert_eq!(name_of("urn:pintle:trailer:heron-3"), "heron-3");
        assert_eq!(event_subject("pintle", "heron-3", "read"), "pintle.event.heron-3.read");
        assert_eq!(receipt_subject("pintle", "heron-3"), "pintle.receipt.heron-3");
    }

    #[test]
    fn a_full_stream_refuses_and_drops_nothing_unread() {
        let config = stream_config("PINTLE", "pintle", 3);
        assert_eq!((config.discard, config.retention), (DiscardPolicy::New, RetentionPolicy::WorkQueue));
        assert_eq!((config.num_replicas, config.storage), (3, StorageType::File));
    }
}
