//! Takes pictures over from the buckets of the trailers: each is checked against the digest that a read announced, put
//! beside the database, and marked in the bucket as taken over; the mark is its receipt, also told on a subject.
//! If it dies in between, the picture comes again and is found to be here.

use super::{CONSUMER, NatsSetup, PAUSE};
use crate::io::nats::pictures::{
    PROBLEM, PROBLEM_DIGEST, RECEIPT, all_objects, bucket, describe, digest_text, make, parts_subject, receipt_subject,
    stream_of,
};
use crate::receive::http::Service;
use crate::receive::images::{self, Added, Announced};
use async_nats::jetstream::consumer::pull::Config as ConsumerConfig;
use async_nats::jetstream::consumer::{AckPolicy, PullConsumer};
use async_nats::jetstream::object_store::ObjectInfo;
use async_nats::jetstream::stream::{LastRawMessageErrorKind, Stream};
use async_nats::jetstream::{self, AckKind, Context, Message};
use futures_util::StreamExt as _;
use pintle_core::images::Address;
use pintle_core::wire::images::{PictureReceipt, PictureReceipts, PictureResult};
use std::collections::HashSet;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinSet;
use tracing::{debug, info, warn};

/// A turn without pictures ends after this (our own choice: some ten requests a second for 100 trailers, and not much
/// longer than the cluster itself needs to go on after a server has died).
const TURN: Duration = Duration::from_secs(10);
/// A turn that does not end by itself is over then: the server that was to end it is gone, or refuses it.
const TURN_MAX: Duration = Duration::from_secs(12);
/// Pictures asked for at once (our own choice: they are taken one after the other).
const TAKEN_MAX: usize = 4;
/// What is not acknowledged within this comes again (our own choice: long past one megabyte on a slow disk). It is also
/// how long pictures rest whose acknowledgement died with a server.
const ACK_WAIT: Duration = Duration::from_secs(30);
/// A picture that no read here names yet, or that could not be fetched or written, comes again after a second, then
/// two and so on up to this (our own choice).
const LATER_MAX: Duration = Duration::from_secs(15);
/// After so many parts the cluster is told that a picture is still being worked on.
const PROGRESS_EVERY: u64 = 8;

/// The buckets that are listened to.
pub(super) struct Buckets {
    context: Context,
    client: async_nats::Client,
    setup: NatsSetup,
    service: Arc<Service>,
    known: HashSet<String>,
    tasks: JoinSet<()>,
}

impl Buckets {
    pub(super) fn new(client: &async_nats::Client, setup: &NatsSetup, service: &Arc<Service>) -> Self {
        Self {
            context: jetstream::new(client.clone()),
            client: client.clone(),
            setup: setup.clone(),
            service: Arc::clone(service),
            known: HashSet::new(),
            tasks: JoinSet::new(),
        }
    }

    /// Listens to the buckets of all trailers that ever sent here.
    pub(super) async fn of_the_past(&mut self) {
        let all = self.service.store().work(|work| {
            let mut rows = work.prepare("SELECT source FROM trailer")?;
            let rows = rows.query_map([], |row| row.get::<_, String>(0))?;
            rows.collect::<rusqlite::Result<Vec<String>>>()
        });
        for source in all.await.unwrap_or_default() {
            self.of(crate::io::target::name_of(&source), false).await;
        }
    }

    /// Listens to the bucket of a trailer; with `make_it`, and if that is this program's part, it makes the bucket
    /// first. What fails is tried again with the trailer's next events.
    pub(super) async fn of(&mut self, trailer: &str, make_it: bool) {
        if self.known.contains(trailer) {
            return;
        }
        let bucket = bucket(&self.setup.prefix, trailer);
        if let Some(replicas) = self.setup.make_stream.filter(|_| make_it)
            && make(&self.context, &bucket, replicas).await.is_err()
        {
            debug!(bucket, "the bucket can't be made");
            return;
        }
        let Ok(stream) = self.context.get_stream(stream_of(&bucket)).await else { return };
        let config = ConsumerConfig {
            durable_name: Some(CONSUMER.to_owned()),
            filter_subject: all_objects(&bucket),
            ack_policy: AckPolicy::Explicit,
            ack_wait: ACK_WAIT,
            ..ConsumerConfig::default()
        };
        let Ok(consumer) = stream.get_or_create_consumer::<ConsumerConfig>(CONSUMER, config).await else { return };
        self.known.insert(trailer.to_owned());
        let work = Bucket {
            context: self.context.clone(),
            client: self.client.clone(),
            stream,
            name: bucket,
            subject: receipt_subject(&self.setup.prefix, trailer),
            source: format!("urn:pintle:trailer:{trailer}"),
            service: Arc::clone(&self.service),
        };
        self.tasks.spawn(work.run(consumer));
    }
}

/// One trailer's bucket.
struct Bucket {
    context: Context,
    client: async_nats::Client,
    stream: Stream,
    name: String,
    subject: String,
    source: String,
    service: Arc<Service>,
}

/// What becomes of a description.
enum Done {
    /// Nothing is left to do.
    Over,
    /// It comes again.
    Later,
    /// It is in the agency's hands, or never will be.
    Receipt(PictureReceipt),
}

impl Bucket {
    /// Until it is dropped.
    async fn run(self, consumer: PullConsumer) {
        loop {
            let mut batch = match consumer.batch().max_messages(TAKEN_MAX).expires(TURN).messages().await {
                Ok(batch) => batch,
                Err(error) => {
                    debug!(%error, "no pictures");
                    tokio::time::sleep(PAUSE).await;
                    continue;
                }
            };
            while let Ok(Some(message)) = tokio::time::timeout(TURN_MAX, batch.next()).await {
                match message {
                    Ok(message) => self.one(&message).await,
                    Err(error) => {
                        debug!(%error, "a turn of pictures broke off");
                        tokio::time::sleep(PAUSE).await;
                        break;
                    }
                }
            }
        }
    }

    async fn one(&self, message: &Message) {
        let info = serde_json::from_slice::<ObjectInfo>(&message.payload);
        let done = match &info {
            Ok(info) => self.take_over(info, message).await,
            Err(_) => Done::Over,
        };
        let over = match (done, info) {
            (Done::Receipt(receipt), Ok(info)) => self.receipt(&receipt, info).await,
            (Done::Over, _) => true,
            _ => false,
        };
        let tries = message.info().map_or(1, |info| info.delivered.clamp(1, 5));
        let later = Duration::from_millis(500 << tries).min(LATER_MAX);
        let ack = if over { AckKind::Ack } else { AckKind::Nak(Some(later)) };
        if message.ack_with(ack).await.is_err() {
            debug!("an acknowledgement was not sent; its picture comes again");
        }
    }

    async fn take_over(&self, info: &ObjectInfo, message: &Message) -> Done {
        // A mark of our own, or an object that is no picture of a trailer.
        let Some(address) = Address::parse(&info.name).filter(|_| !info.deleted) else { return Done::Over };
        let source = self.source.clone();
        let known = self.service.store().work(move |work| images::announced(work, &source, address)).await;
        let Ok(known) = known else { return Done::Later };
        // Its read goes before it, so another receiver on this stream has that read, or it has gone already.
        let Some(known) = known else { return Done::Later };
        if info.digest.as_deref() != Some(&digest_text(&address)) || info.size as u64 != known.bytes {
            warn!(bucket = self.name, "a picture is not described as its read announced it");
            return Done::Receipt(said(address, PictureResult::Refused, Some(PROBLEM_DIGEST)));
        }
        let fetched = self.fetch(info, address, known, message).await;
        // Its read may have gone meanwhile.
        if !matches!(self.service.is_wanted(address, known).await, Ok(true)) {
            return Done::Later;
        }
        match fetched {
            Ok(true) => {
                if self.service.mark(address, known).await.is_err() {
                    return Done::Later;
                }
                Done::Receipt(said(address, PictureResult::Stored, None))
            }
            Ok(false) => {
                info!(bucket = self.name, "a picture did not fit its digest; the trailer sends it again");
                Done::Receipt(said(address, PictureResult::Refused, Some(PROBLEM_DIGEST)))
            }
            Err(()) => Done::Later,
        }
    }

    /// Brings a file here; false if its bytes are not those of its name. The leader is asked for each part, since
    /// another server may lag behind.
    async fn fetch(
        &self,
        info: &ObjectInfo,
        address: Address,
        known: Announced,
        message: &Message,
    ) -> Result<bool, ()> {
        let folder = images::folder(self.service.folder()).map_err(|error| disk(&error))?;
        if images::offset(&folder, address, known) == known.bytes {
            return Ok(true);
        }
        let subject = parts_subject(&self.name, &info.nuid);
        let (mut at, mut next, mut parts) = (0, 1, 0_u64);
        loop {
            let found = self.stream.raw_message_builder().sequence(next).next_by_subject(&subject).send().await;
            let part = match found {
                Ok(part) => part,
                Err(error) if matches!(error.kind(), LastRawMessageErrorKind::NoMessageFound) => return Ok(false),
                Err(error) => {
                    debug!(%error, "a part of a picture could not be fetched");
                    return Err(());
                }
            };
            next = part.sequence + 1;
            let (bytes, folder) = (part.payload, folder.clone());
            let upto = at + bytes.len() as u64;
            if known.bytes < upto || bytes.is_empty() {
                return Ok(false);
            }
            // One part is written at a time, also of those that come by HTTPS.
            let _turn = self.service.picture_turn().await;
            let writing = move || images::add(&folder, address, known, at, &bytes);
            match tokio::task::spawn_blocking(writing).await.map_err(|_| ())?.map_err(|error| disk(&error))? {
                Added::Upto(_) => at = upto,
                Added::Whole => return Ok(true),
                Added::OtherDigest => return Ok(false),
            }
            parts += 1;
            if parts % PROGRESS_EVERY == 0 {
                message.ack_with(AckKind::Progress).await.map_err(drop)?;
            }
        }
    }

    /// Marks the object as taken over, lets its parts go, and tells the trailer. True once the mark is there.
    async fn receipt(&self, receipt: &PictureReceipt, mut info: ObjectInfo) -> bool {
        let parts = parts_subject(&self.name, &info.nuid);
        (info.deleted, info.chunks, info.size) = (true, 0, 0);
        self.name.clone_into(&mut info.bucket);
        info.metadata.insert(RECEIPT.to_owned(), receipt.result.word().to_owned());
        if let Some(problem) = &receipt.problem {
            info.metadata.insert(PROBLEM.to_owned(), problem.clone());
        }
        if describe(&self.context, &info).await.is_err() {
            return false;
        }
        // What can't go now goes with the age limit of the bucket.
        if let Err(error) = self.stream.purge().filter(parts).await {
            debug!(%error, "parts of a picture stay in the bucket");
        }
        let message = PictureReceipts { source: self.source.clone(), pictures: vec![receipt.clone()] };
        let payload = serde_json::to_vec(&message).unwrap_or_default();
        if let Err(error) = self.client.publish(self.subject.clone(), payload.into()).await {
            debug!(%error, "a receipt was not told; the trailer finds it in the bucket");
        }
        true
    }
}

fn said(address: Address, result: PictureResult, problem: Option<&str>) -> PictureReceipt {
    PictureReceipt { sha256: address.to_string(), result, problem: problem.map(str::to_owned) }
}

fn disk(error: &std::io::Error) {
    warn!(%error, "a picture could not be written; it stays in its bucket");
}
