//! MQTT 5 at `QoS` 1: each event is one message, kept by the broker for the session of the agency's consumer until that
//! has stored it and sent its receipt. Images are not carried: most brokers keep sessions in memory.
//!
//! Topics: `<prefix>/event/<trailer>/<what>` for events, `<prefix>/receipt/<trailer>` for receipts.

use super::access::Access;
use super::http::why_of;
use super::names::{NAMES_WAIT, Resolver, answered};
use super::target::{Handed, Handover, OwnFault, Target, TargetError, name_of};
use crate::config::Broker;
use pintle_core::forward::answer::{Ack, NoAnswer};
use pintle_core::wire::event::{HEADER_ACCEPTED_UP_TO, HEADER_GENERATION, HEADER_SENT_AT};
use pintle_core::wire::receipt::{ReceiptMessage, SaidLater};
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, MqttOptions, Packet, PubAckReason,
    PublishNotice, PublishOptions, PublishProperties, PublishResult, QoS, SubscribeReasonCode, TlsConfiguration,
    Transport,
};
use std::io::ErrorKind;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::task::AbortOnDropHandle;

/// Probes on a silent connection, s (our own choice: as for HTTPS).
const KEEP_ALIVE_S: u16 = 30;
/// Pause before a broken connection is made anew (our own choice; the forwarder's back-off decides when to publish).
const RECONNECT: Duration = Duration::from_millis(500);
/// Messages with receipts that may lie unread while events are handed over; what comes beyond is dropped, and costs a
/// repeat. As many as events may be on their way: a busy receiver answers them one by one (our own limit).
const RECEIPTS_UNREAD_MAX: usize = 512;
/// The largest packet that we take, bytes: a message with a thousand receipts that each say a problem is 300 kB, an
/// event 40 kB at most. The client's own limit of 10 kB would end the connection at 160 receipts, again and again.
const PACKET_BYTES_MAX: u32 = 1 << 20;
/// Messages that may wait for the event loop; more than a batch has.
const WAITING_MAX: usize = 1024;
/// Bytes of a message apart from the event itself: topic, properties (our own estimate, generous).
const OVERHEAD_BYTES: usize = 1024;

/// Where the broker is.
#[derive(Clone, Debug)]
pub struct Place {
    /// Host.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Whether it speaks TLS.
    pub tls: bool,
}

/// The topic of an event that is called `word`.
#[must_use]
pub fn event_topic(prefix: &str, trailer: &str, word: &str) -> String {
    format!("{prefix}/event/{trailer}/{word}")
}

/// The topic on which a trailer hears its receipts.
#[must_use]
pub fn receipt_topic(prefix: &str, trailer: &str) -> String {
    format!("{prefix}/receipt/{trailer}")
}

/// What both ends set alike. The user is called like `user`, its password is the token.
///
/// # Errors
/// [`TargetError`] if a file can't be used.
pub fn options(
    place: &Place,
    client: &str,
    user: &str,
    access: &Access,
) -> Result<(MqttOptions, Reached), TargetError> {
    let host = place.host.trim_matches(['[', ']']);
    let mut options = MqttOptions::new(client, (host, place.port));
    options.set_keep_alive(KEEP_ALIVE_S).set_connect_timeout(access.answer_wait);
    options.set_max_packet_size(Some(PACKET_BYTES_MAX));
    let reached = Reached { host: host.to_owned(), at: Arc::default() };
    let (resolver, wait) = (Resolver::default(), NAMES_WAIT.min(access.answer_wait / 4));
    let (port, noted) = (place.port, reached.clone());
    options.set_socket_connector(move |_, network| {
        let (resolver, noted) = (resolver.clone(), noted.clone());
        async move {
            let mut failed = std::io::Error::new(ErrorKind::NotFound, "the name does not resolve");
            for address in resolver.ask_or_remember(&noted.host, wait).await {
                let at = SocketAddr::new(address, port).to_string();
                match rumqttc::default_socket_connect(at, network.clone()).await {
                    Ok(stream) => {
                        *noted.at.lock().unwrap_or_else(PoisonError::into_inner) = Some(address);
                        return Ok(stream);
                    }
                    Err(error) => failed = error,
                }
            }
            Err(failed)
        }
    });
    if let Some(password) = access.token().map_err(TargetError::Own)? {
        options.set_credentials(user, password);
    }
    if place.tls {
        let tls = access.tls().map_err(TargetError::Own)?;
        options.set_transport(Transport::Tls(TlsConfiguration::Rustls(tls.into())));
    }
    Ok((options, reached))
}

/// Where the last connection went. For each one the name is asked for anew, within 5 s and with one question at a time;
/// where nobody answers, the address counts at which the broker answered last (source: fault 63).
#[derive(Clone, Debug)]
pub struct Reached {
    host: String,
    at: Arc<Mutex<Option<IpAddr>>>,
}

impl Reached {
    /// The broker answered there, over TLS if it speaks TLS.
    pub fn answered(&self) {
        if let Some(at) = *self.at.lock().unwrap_or_else(PoisonError::into_inner) {
            answered(&self.host, at);
        }
    }
}

/// What a failed connection points at.
#[must_use]
pub fn why(error: &ConnectionError) -> NoAnswer {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized | ConnectReturnCode::Banned,
        ) => NoAnswer::NotLetIn,
        ConnectionError::ConnectionRefused(_) => NoAnswer::Refused,
        ConnectionError::Io(error) if error.kind() == ErrorKind::NotFound => NoAnswer::Name,
        ConnectionError::Timeout(_) => NoAnswer::ConnectTimeout,
        other => why_of(other).map_or(NoAnswer::Broken, |(why, _)| why),
    }
}

/// How the connection is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Not yet.
    Connecting,
    /// Connected, and listening for receipts; the largest packet that the broker takes, bytes.
    Up(usize),
    /// Tried again in the background.
    Down(NoAnswer),
}

/// One lane's connection to the broker.
pub struct Mqtt {
    client: AsyncClient,
    state: watch::Receiver<State>,
    receipts: mpsc::Receiver<SaidLater>,
    prefix: String,
    message_keep_s: u32,
    answer_wait: Duration,
    _running: AbortOnDropHandle<()>,
}

impl Mqtt {
    /// Connects, and listens for receipts.
    ///
    /// # Errors
    /// [`TargetError`]
    pub async fn open(
        place: &Place,
        access: &Access,
        broker: &Broker,
        source: &str,
        name: &str,
    ) -> Result<Self, TargetError> {
        let trailer = name_of(source);
        let (mut options, reached) = options(place, &format!("pintle-{trailer}-{name}"), trailer, access)?;
        options.set_clean_start(true);
        let built = AsyncClient::builder(options).capacity(WAITING_MAX).try_build();
        let (client, events) = built.map_err(|error| {
            TargetError::Own(OwnFault::new(format!("the MQTT client can't be set up: {error}"), "check receiver.url"))
        })?;
        let (state_in, mut state) = watch::channel(State::Connecting);
        let (receipts_in, receipts) = mpsc::channel(RECEIPTS_UNREAD_MAX);
        let listening = Listening {
            client: client.clone(),
            topic: receipt_topic(&broker.subject, trailer),
            source: source.to_owned(),
            state: state_in,
            reached,
            receipts: receipts_in,
        };
        let running = AbortOnDropHandle::new(tokio::spawn(listening.run(events)));
        let first = tokio::time::timeout(access.answer_wait, state.wait_for(|state| *state != State::Connecting)).await;
        match first.map(|state| state.map(|state| *state)) {
            Ok(Ok(State::Up(_))) => {}
            Ok(Ok(State::Down(why))) => return Err(TargetError::NoAnswer(why)),
            _ => return Err(TargetError::NoAnswer(NoAnswer::ConnectTimeout)),
        }
        Ok(Self {
            client,
            state,
            receipts,
            prefix: broker.subject.clone(),
            message_keep_s: u32::try_from(broker.message_keep_s).unwrap_or(u32::MAX),
            answer_wait: access.answer_wait,
            _running: running,
        })
    }

    /// Waits for one acknowledgement until `deadline`, or until the connection is gone.
    async fn acknowledged(&self, notice: PublishNotice, deadline: Instant) -> Ack {
        let mut state = self.state.clone();
        tokio::select! {
            biased;
            told = notice.wait_async() => match told {
                // An acknowledgement may say that the broker has not taken it.
                Ok(PublishResult::Qos1(ack)) => match ack.reason {
                    PubAckReason::Success => Ack::Taken,
                    // Nobody has a session there, so the broker has thrown it away.
                    PubAckReason::NoMatchingSubscribers => Ack::Not(NoAnswer::NoStream),
                    PubAckReason::NotAuthorized => Ack::Not(NoAnswer::NoRight),
                    _ => Ack::Not(NoAnswer::BrokerFull),
                },
                // Nothing goes out at another level, and what broke off is not known to be there.
                Ok(_) | Err(_) => Ack::Not(NoAnswer::Broken),
            },
            _ = state.wait_for(|state| matches!(state, State::Down(_))) => Ack::Not(NoAnswer::Broken),
            () = tokio::time::sleep_until(deadline) => Ack::Not(NoAnswer::AnswerTimeout),
        }
    }
}

impl Target for Mqtt {
    async fn hand_over(&mut self, handover: &Handover<'_>) -> Result<Handed, TargetError> {
        let packet_bytes_max = match *self.state.borrow() {
            State::Up(bytes) => bytes,
            State::Down(why) => return Err(TargetError::NoAnswer(why)),
            State::Connecting => return Err(TargetError::NoAnswer(NoAnswer::ConnectTimeout)),
        };
        let deadline = Instant::now() + self.answer_wait;
        let trailer = name_of(handover.source);
        let mut sent = Vec::with_capacity(handover.events.len());
        for event in handover.events {
            if packet_bytes_max.saturating_sub(OVERHEAD_BYTES) < event.json.len() {
                sent.push(Err(Ack::TooLarge));
                continue;
            }
            let mut user_properties = vec![
                (HEADER_GENERATION.to_owned(), handover.generation.to_owned()),
                (HEADER_ACCEPTED_UP_TO.to_owned(), handover.accepted_up_to.to_string()),
            ];
            user_properties.extend(handover.sent_at_if_late(event).map(|at| (HEADER_SENT_AT.to_owned(), at)));
            let properties = PublishProperties {
                message_expiry_interval: Some(self.message_keep_s),
                content_type: Some("application/cloudevents+json".to_owned()),
                user_properties,
                ..PublishProperties::default()
            };
            let topic = event_topic(&self.prefix, trailer, event.word);
            let options = PublishOptions::at_least_once().properties(properties);
            let publishing = self.client.publish_tracked(topic, event.json.clone(), options);
            sent.push(match tokio::time::timeout_at(deadline, publishing).await {
                Ok(Ok(notice)) => Ok(notice),
                Ok(Err(_)) => Err(Ack::Not(NoAnswer::Broken)),
                Err(_) => Err(Ack::Not(NoAnswer::AnswerTimeout)),
            });
        }
        let mut acks = Vec::with_capacity(sent.len());
        for one in sent {
            acks.push(match one {
                Ok(notice) => self.acknowledged(notice, deadline).await,
                Err(ack) => ack,
            });
        }
        Ok(Handed::Acks(acks, None))
    }

    async fn receipts(&mut self) -> SaidLater {
        let Some(mut found) = self.receipts.recv().await else {
            return std::future::pending().await;
        };
        while let Ok(more) = self.receipts.try_recv() {
            found.extend(more);
        }
        found
    }
}

/// The task that keeps the connection.
struct Listening {
    client: AsyncClient,
    topic: String,
    source: String,
    state: watch::Sender<State>,
    reached: Reached,
    receipts: mpsc::Sender<SaidLater>,
}

impl Listening {
    async fn run(self, mut events: EventLoop) {
        let mut packet_bytes_max = usize::MAX;
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::ConnAck(ack))) => {
                    self.reached.answered();
                    let max = ack.properties.and_then(|properties| properties.max_packet_size);
                    packet_bytes_max = max.and_then(|max| usize::try_from(max).ok()).unwrap_or(usize::MAX);
                    // The session is new, so nothing is subscribed. Not awaited: only this loop empties the channel.
                    drop(self.client.try_subscribe(self.topic.as_str(), QoS::AtLeastOnce));
                }
                // From now on no receipt can pass unheard, unless the broker does not let us listen.
                Ok(Event::Incoming(Packet::SubAck(ack))) => {
                    let heard = ack.return_codes.iter().all(|code| matches!(code, SubscribeReasonCode::Success(_)));
                    let state = if heard { State::Up(packet_bytes_max) } else { State::Down(NoAnswer::NoRight) };
                    self.state.send_replace(state);
                }
                Ok(Event::Incoming(Packet::Publish(message))) => {
                    let found = ReceiptMessage::for_source(&self.source, &message.payload);
                    if !found.is_empty() {
                        // What has no room costs a repeat.
                        drop(self.receipts.try_send(found));
                    }
                }
                Ok(_) => {}
                Err(error) => {
                    tracing::debug!(%error, "MQTT");
                    self.state.send_replace(State::Down(why(&error)));
                    tokio::time::sleep(RECONNECT).await;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trailer_has_topics_of_its_own() {
        assert_eq!(event_topic("pintle", "heron-3", "notice"), "pintle/event/heron-3/notice");
        assert_eq!(receipt_topic("pintle", "heron-3"), "pintle/receipt/heron-3");
    }
}
