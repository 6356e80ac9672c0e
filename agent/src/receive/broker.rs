//! What comes through a broker, one event a message, brought into the form that requests have.

use super::check::{Incoming, Refusal, check_one, is_source, is_uuid};
use super::schema::DatabaseError;
use super::store::{Batch, ReceiverStore};
use pintle_core::moment::Utc;
use pintle_core::wire::receipt::{Receipt, ReceiptMessage, ReceiptResult, Resend};
use std::collections::BTreeMap;

/// Receipts in one message (our own limit: some 50 kB, well under what brokers carry).
const RECEIPTS_MAX: usize = 500;

/// One message.
pub struct Came<'a> {
    /// The trailer that the subject or topic names.
    pub trailer: &'a str,
    /// As the message says.
    pub generation: &'a str,
    /// As the message says, decimal.
    pub accepted_up_to: &'a str,
    /// As the message says; empty where it says nothing, because it is not late.
    pub sent_at: &'a str,
    /// The event.
    pub event: &'a [u8],
}

/// Stores all, and gives the receipts by trailer once everything is durable. A message without a trailer's name, a
/// generation or an id can't have a receipt; it is dropped, and counted where a number can be.
///
/// # Errors
/// [`DatabaseError`]: some of it is not known to be stored, so nothing may be called done.
pub async fn stored(
    store: &ReceiverStore,
    came: &[Came<'_>],
    received_at: Utc,
) -> Result<Vec<ReceiptMessage>, DatabaseError> {
    let mut batches: BTreeMap<(String, String), Batch> = BTreeMap::new();
    let mut receipts: BTreeMap<String, Vec<Receipt>> = BTreeMap::new();
    let mut resend: BTreeMap<String, Vec<Resend>> = BTreeMap::new();
    for message in came {
        let source = format!("urn:pintle:trailer:{}", message.trailer);
        if !is_source(&source) {
            continue;
        }
        let up_to = message.accepted_up_to.parse().ok().filter(|number| i64::try_from(*number).is_ok());
        let mut incoming = check_one(&source, message.event);
        if let Incoming::Good(event) = &mut incoming {
            event.came_by_a_store(Utc::parse_rfc3339(message.sent_at), received_at);
        }
        let Some(up_to) = up_to.filter(|_| is_uuid(message.generation)) else {
            if let Some(id) = id_of(&incoming) {
                let problem = "the message names no generation and no accepted-up-to".to_owned();
                receipts.entry(source).or_default().push(Receipt {
                    id,
                    result: ReceiptResult::Refused,
                    late_s: None,
                    problem: Some(problem),
                });
            }
            continue;
        };
        let batch = batches.entry((source.clone(), message.generation.to_owned())).or_insert_with(|| Batch {
            source,
            generation: message.generation.to_owned(),
            accepted_up_to: 0,
            relayed: false,
            received_at,
            events: Vec::new(),
        });
        batch.accepted_up_to = batch.accepted_up_to.max(up_to);
        batch.events.push(incoming);
    }
    for ((source, _), batch) in batches {
        let stored = store.store(batch).await?;
        resend.entry(source.clone()).or_default().extend(stored.resend);
        receipts.entry(source).or_default().extend(stored.receipts);
    }
    let message = |(source, receipts): (String, Vec<Receipt>)| {
        let asked = resend.remove(&source).unwrap_or_default();
        let said = |receipts: &[Receipt], resend: &[Resend]| ReceiptMessage {
            source: source.clone(),
            receipts: receipts.to_vec(),
            resend: resend.to_vec(),
        };
        let mut parts: Vec<ReceiptMessage> = receipts.chunks(RECEIPTS_MAX).map(|part| said(part, &[])).collect();
        parts.extend(asked.chunks(RECEIPTS_MAX).map(|part| said(&[], part)));
        parts
    };
    Ok(receipts.into_iter().flat_map(message).collect())
}

fn id_of(incoming: &Incoming) -> Option<String> {
    match incoming {
        Incoming::Good(event) => Some(event.id.clone()),
        Incoming::State(came) => Some(came.id.clone()),
        Incoming::Bad(Refusal { id, .. }) => id.clone(),
    }
}
