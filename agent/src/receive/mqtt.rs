//! Takes events from an MQTT 5 broker, stores them, sends the receipts, and only then acknowledges. The broker keeps
//! our session, so nothing is missed while we are away.

use super::broker::{Came, stored};
use super::http::Service;
use crate::clock;
use crate::io::access::Access;
use crate::io::mqtt::{Place, Reached, options, receipt_topic, why};
use crate::io::target::{OwnFault, TargetError, name_of};
use pintle_core::forward::answer::NoAnswer;
use pintle_core::wire::event::{HEADER_ACCEPTED_UP_TO, HEADER_GENERATION, HEADER_SENT_AT};
use rumqttc::{
    AckMode, AsyncClient, BrokerSessionResumePolicy, Event, EventLoop, Packet, Publish, PublishOptions, QoS,
    SubscribeReasonCode,
};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;
use tracing::{info, warn};

/// Our name at the broker; its session goes with it, so only one receiver may use it.
pub const CLIENT: &str = "pintle-receive";
/// The broker keeps our session this long while we are away, s (our own choice: a week, as long as the messages).
const SESSION_KEEP_S: u32 = 7 * 86_400;
/// Messages that may be out unacknowledged.
const UNACKNOWLEDGED_MAX: u16 = 1000;
/// Room for them, and for those that come again after a reconnection.
const WAITING_MAX: usize = 4000;
/// Messages stored in one commit at most.
const TAKEN_MAX: usize = 500;
/// Pause after the broker or the database failed (our own choice).
const PAUSE: Duration = Duration::from_millis(500);

/// Where and as what to listen.
#[derive(Clone, Debug)]
pub struct MqttSetup {
    /// The broker.
    pub place: Place,
    /// Files for the door.
    pub access: Access,
    /// First part of the topics.
    pub prefix: String,
}

/// Runs until `stop`. Whatever fails is tried again.
pub async fn run(setup: MqttSetup, service: Arc<Service>, stop: CancellationToken) {
    let mut failing = false;
    while !stop.is_cancelled() {
        let error = tokio::select! {
            () = stop.cancelled() => return,
            error = serve(&setup, &service, &mut failing) => error,
        };
        if !std::mem::replace(&mut failing, true) {
            match error {
                TargetError::NoAnswer(why) => warn!(?why, "no events from MQTT; it is tried again"),
                TargetError::NoRight(fault) | TargetError::Own(fault) => {
                    warn!(%fault, advice = fault.advice(), "no events from MQTT");
                }
            }
        }
        tokio::time::sleep(PAUSE).await;
    }
}

/// Ends with what went wrong. A new connection gets all that was not acknowledged again.
async fn serve(setup: &MqttSetup, service: &Service, failing: &mut bool) -> TargetError {
    let (mut options, reached) = match options(&setup.place, CLIENT, CLIENT, &setup.access) {
        Ok(options) => options,
        Err(error) => return error,
    };
    options
        .set_clean_start(false)
        .set_session_expiry_interval(Some(SESSION_KEEP_S))
        .set_broker_session_resume_policy(BrokerSessionResumePolicy::AllowBrokerOnly)
        .set_receive_maximum(Some(UNACKNOWLEDGED_MAX))
        .set_ack_mode(AckMode::Manual);
    let (client, events) = match AsyncClient::builder(options).capacity(WAITING_MAX).try_build() {
        Ok(built) => built,
        Err(error) => return TargetError::Own(OwnFault::new(error.to_string(), "check the address of --mqtt")),
    };
    let (came_in, mut came) = mpsc::channel(WAITING_MAX);
    let (ended_in, mut ended) = oneshot::channel();
    let topic = format!("{}/event/+/+", setup.prefix);
    let _polling =
        AbortOnDropHandle::new(tokio::spawn(poll((events, reached), client.clone(), topic, came_in, ended_in)));
    let mut messages: Vec<Publish> = Vec::new();
    loop {
        tokio::select! {
            biased;
            why = &mut ended => return TargetError::NoAnswer(why.unwrap_or(NoAnswer::Broken)),
            count = came.recv_many(&mut messages, TAKEN_MAX) => if count == 0 {
                return TargetError::NoAnswer(NoAnswer::Broken);
            },
        }
        if std::mem::take(failing) {
            info!("taking events from MQTT again");
        }
        if take(setup, service, &client, &messages).await.is_err() {
            return TargetError::NoAnswer(NoAnswer::Broken);
        }
        messages.clear();
    }
}

/// Stores the messages, answers, acknowledges.
async fn take(setup: &MqttSetup, service: &Service, client: &AsyncClient, messages: &[Publish]) -> Result<(), ()> {
    let came: Vec<Came<'_>> = messages.iter().map(|message| parts(&setup.prefix, message)).collect();
    let answers = stored(service.store(), &came, clock::utc()).await.map_err(|_| ())?;
    for answer in answers {
        let topic = receipt_topic(&setup.prefix, name_of(&answer.source));
        let payload = serde_json::to_vec(&answer).unwrap_or_default();
        // A session that the broker resumed for a new process lets us publish at QoS 0 only; a lost receipt costs a
        // repeat.
        client.publish(topic, payload, PublishOptions::at_most_once()).await.map_err(|_| ())?;
    }
    for message in messages {
        client.ack(message).await.map_err(|_| ())?;
    }
    Ok(())
}

async fn poll(
    (mut events, reached): (EventLoop, Reached),
    client: AsyncClient,
    topic: String,
    came: mpsc::Sender<Publish>,
    ended: oneshot::Sender<NoAnswer>,
) {
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                reached.answered();
                // Not awaited: only this loop empties the channel.
                drop(client.try_subscribe(topic.as_str(), QoS::AtLeastOnce));
            }
            Ok(Event::Incoming(Packet::SubAck(ack))) => {
                if !ack.return_codes.iter().all(|code| matches!(code, SubscribeReasonCode::Success(_))) {
                    ended.send(NoAnswer::NoRight).ok();
                    return;
                }
                info!("connected to the MQTT broker");
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                // Without room the connection is made anew, and the broker sends it again.
                if came.try_send(message).is_err() {
                    ended.send(NoAnswer::Broken).ok();
                    return;
                }
            }
            Ok(_) => {}
            Err(error) => {
                tracing::debug!(%error, "MQTT");
                ended.send(why(&error)).ok();
                return;
            }
        }
    }
}

/// The trailer is the one that the topic names: the broker lets each publish on its own only.
fn parts<'a>(prefix: &str, message: &'a Publish) -> Came<'a> {
    let topic = std::str::from_utf8(&message.topic).unwrap_or_default();
    let rest = topic.strip_prefix(prefix).and_then(|rest| rest.strip_prefix("/event/"));
    let property = |name: &str| {
        let properties = message.properties.as_ref()?;
        properties.user_properties.iter().find(|(own, _)| own == name).map(|(_, value)| value.as_str())
    };
    Came {
        trailer: rest.and_then(|rest| rest.split('/').next()).unwrap_or_default(),
        generation: property(HEADER_GENERATION).unwrap_or_default(),
        accepted_up_to: property(HEADER_ACCEPTED_UP_TO).unwrap_or_default(),
        sent_at: property(HEADER_SENT_AT).unwrap_or_default(),
        event: &message.payload,
    }
}
