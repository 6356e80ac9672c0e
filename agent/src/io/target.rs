//! Where events are handed to: one small trait, and the ways behind it. What an answer means is not decided here.

use super::access::Access;
use super::courier::Courier;
use super::http::{self, HttpError};
use super::mqtt::{Mqtt, Place};
use super::nats::Nats;
use super::tls::TlsTime;
use crate::config;
pub use crate::config::receiver::{Address, address};
use pintle_core::forward::answer::{Ack, NoAnswer};
use pintle_core::ids::EventId;
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::event;
use pintle_core::wire::read_out::LATE_AFTER_S;
use pintle_core::wire::receipt::SaidLater;
use pintle_core::wire::stamp::{Captured, UtcNow};
use std::fmt;

/// One event on its way, written down. It has no `Debug`: it holds the plate.
pub struct Written {
    /// Its id; with the source the duplicate key.
    pub id: EventId,
    /// Its number.
    pub sequence: u64,
    /// What it is called within subjects and topics.
    pub word: &'static str,
    /// When a read was captured, or when it happened.
    pub captured: Captured,
    /// The event as JSON.
    pub json: Vec<u8>,
    /// How often it was handed over without a receipt in time.
    pub taken_back: u32,
}

/// What is handed over at once.
pub struct Handover<'a> {
    /// Names this handing over.
    pub key: &'a str,
    /// The trailer's `CloudEvents` source.
    pub source: &'a str,
    /// Generation of the queue.
    pub generation: &'a str,
    /// Highest sequence given out in it.
    pub accepted_up_to: u64,
    /// These are copies of urgent events for a second receiver: said beside them, where the way can carry it (HTTPS).
    pub relayed: bool,
    /// Now.
    pub sent_at: UtcNow,
    /// The events, in the order of sending.
    pub events: &'a [Written],
    /// An answer longer than this is none of a receiver, bytes.
    pub answer_bytes_max: usize,
}

impl Handover<'_> {
    /// When it is sent, if this event is late then: it is told beside the event, whose bytes are fixed.
    #[must_use]
    pub fn sent_at_if_late(&self, event: &Written) -> Option<String> {
        let late_s = self.sent_at.since_ms(event.captured) / 1000;
        let told = matches!(event.word, "read" | "notice") && LATE_AFTER_S < late_s;
        told.then(|| self.sent_at.beside(event.captured).to_rfc3339())
    }
}

/// What came of it.
pub enum Handed {
    /// The receiver answered for itself.
    Answer(http::Answer),
    /// Somebody between took note of each event, in the order sent; and what it said of those that it did not take,
    /// where it said more than [`Ack`] does.
    Acks(Vec<Ack>, Option<OwnFault>),
}

/// Why nothing came of it.
#[derive(Debug)]
pub enum TargetError {
    /// The other end or the way to it.
    NoAnswer(NoAnswer),
    /// The broker refuses a right, said in words.
    NoRight(OwnFault),
    /// Our own configuration or a file that it names.
    Own(OwnFault),
}

/// A fault that a person mends, our own as a rule, in words for a technician. Holds no secret.
#[derive(Debug)]
pub struct OwnFault {
    what: String,
    advice: &'static str,
}

impl OwnFault {
    /// `what` failed, and what to do about it.
    #[must_use]
    pub fn new(what: impl Into<String>, advice: &'static str) -> Self {
        Self { what: what.into(), advice }
    }

    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        self.advice
    }
}

impl fmt::Display for OwnFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)
    }
}

impl From<HttpError> for TargetError {
    fn from(error: HttpError) -> Self {
        Self::Own(OwnFault::new(error.to_string(), error.advice()))
    }
}

/// A place that takes events. Dropping a future of it drops what it was doing: the events stay the queue's.
pub trait Target {
    /// Hands over, and waits for the answer at most as long as the configuration says.
    ///
    /// # Errors
    /// [`TargetError`] if there is no answer that could be judged.
    fn hand_over(&mut self, handover: &Handover<'_>) -> impl Future<Output = Result<Handed, TargetError>> + Send;

    /// The next receipts that come by themselves, for events that were handed over earlier, also foreign ones; and what
    /// the receiver asks for once more.
    /// Cancel safe. Waits for ever where receipts come with the answer only.
    fn receipts(&mut self) -> impl Future<Output = SaidLater> + Send;
}

/// What `source` is called within subjects and topics: the trailer's name.
#[must_use]
pub fn name_of(source: &str) -> &str {
    source.rsplit(':').next().unwrap_or_default()
}

/// What an event is called within subjects and topics.
#[must_use]
pub fn kind_word(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Read => "read",
        EventKind::Stamp => "stamp",
        EventKind::Site => "site",
        EventKind::Track => "track",
        EventKind::Notice => "notice",
        EventKind::Ledger => "ledger",
        EventKind::Digest => "digest",
    }
}

/// The ways that there are.
pub enum AnyTarget {
    /// An HTTPS endpoint.
    Https(http::Client),
    /// A NATS cluster.
    Nats(Box<Nats>),
    /// An MQTT broker.
    Mqtt(Box<Mqtt>),
    /// A courier's stick.
    Courier(Box<Courier>),
}

impl AnyTarget {
    /// Opens the configured way for one lane of the trailer called `source`; certificates are judged by `time`.
    ///
    /// # Errors
    /// [`TargetError`]: a fault of the configuration or its files, or nobody there.
    pub async fn open(
        receiver: &config::Receiver,
        source: &str,
        lane: Lane,
        time: &TlsTime,
    ) -> Result<Self, TargetError> {
        let name = match lane {
            Lane::Urgent => "urgent",
            Lane::Bulk => "bulk",
        };
        Self::open_named(receiver, source, name, time).await
    }

    /// The same for a connection of another name; a broker keeps one connection of each name.
    ///
    /// # Errors
    /// The same.
    pub async fn open_named(
        receiver: &config::Receiver,
        source: &str,
        name: &'static str,
        time: &TlsTime,
    ) -> Result<Self, TargetError> {
        let address = address(&receiver.url).map_err(|(what, advice)| TargetError::Own(OwnFault::new(what, advice)))?;
        let access = Access::of(receiver, time);
        Ok(match address {
            Address::Nats { servers, tls } => {
                Self::Nats(Box::new(Nats::open(&servers, tls, &access, &receiver.broker, source).await?))
            }
            Address::Mqtt { host, port, tls } => {
                let place = Place { host, port, tls };
                Self::Mqtt(Box::new(Mqtt::open(&place, &access, &receiver.broker, source, name).await?))
            }
            Address::Courier { folder } => Self::Courier(Box::new(Courier::open(folder, &receiver.broker, source)?)),
            Address::Http => Self::Https(http::Client::open(receiver, time).await?),
        })
    }
}

impl Target for AnyTarget {
    async fn hand_over(&mut self, handover: &Handover<'_>) -> Result<Handed, TargetError> {
        match self {
            Self::Https(client) => client.hand_over(handover).await,
            Self::Nats(nats) => nats.hand_over(handover).await,
            Self::Mqtt(mqtt) => mqtt.hand_over(handover).await,
            Self::Courier(courier) => courier.hand_over(handover).await,
        }
    }

    async fn receipts(&mut self) -> SaidLater {
        match self {
            Self::Https(client) => client.receipts().await,
            Self::Nats(nats) => nats.receipts().await,
            Self::Mqtt(mqtt) => mqtt.receipts().await,
            Self::Courier(courier) => courier.receipts().await,
        }
    }
}

impl Target for http::Client {
    async fn hand_over(&mut self, handover: &Handover<'_>) -> Result<Handed, TargetError> {
        let written: Vec<&[u8]> = handover.events.iter().map(|event| event.json.as_slice()).collect();
        let posted = self
            .post(http::Post {
                key: handover.key,
                source: handover.source,
                generation: handover.generation,
                accepted_up_to: handover.accepted_up_to,
                relayed: handover.relayed,
                sent_at: handover.events.iter().find_map(|event| handover.sent_at_if_late(event)),
                body: event::batch(&written),
                answer_bytes_max: handover.answer_bytes_max,
            })
            .await;
        match posted {
            Ok(answer) => Ok(Handed::Answer(answer)),
            Err(http::PostError::NoAnswer(why)) => Err(TargetError::NoAnswer(why)),
            Err(http::PostError::Own(error)) => Err(error.into()),
        }
    }

    async fn receipts(&mut self) -> SaidLater {
        std::future::pending().await
    }
}
