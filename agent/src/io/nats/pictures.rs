//! Pictures in a `JetStream` object store: one bucket for each trailer, one object for each file, called by the SHA-256
//! of its bytes.
//!
//! The layout is that of the object stores of NATS (architecture decision ADR-20 of its project), so that any client
//! reads it: the parts of an object lie in order under one subject, and a description of the whole under another. Two
//! things are our own. The parts of an object lie under a name that follows from the file, so that a trailer whose
//! connection broke asks how many are there and goes on. And who took a picture over puts the mark of a deleted object
//! in its place and says in it what became of it: the receipt, for as long as the bucket keeps it.

use super::super::access::Access;
use super::super::http::images::{ImageAnswer, ImagePart};
use super::super::target::{OwnFault, TargetError, name_of};
use super::super::tls::TlsTime;
use super::{RECEIPTS_UNREAD_MAX, Rights, STREAM_KEEP, connect};
use crate::config::{Proof, Receiver, StreamMaker};
use async_nats::Subscriber;
use async_nats::header::{HeaderMap, NATS_MESSAGE_ID};
use async_nats::jetstream::context::{PublishError, PublishErrorKind};
use async_nats::jetstream::object_store::{Config, ObjectInfo, ObjectOptions};
use async_nats::jetstream::stream::{LastRawMessageErrorKind, StorageType, Stream};
use async_nats::jetstream::{Context, ContextBuilder, ErrorCode as Code};
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE;
use futures_util::{FutureExt as _, StreamExt as _, TryStreamExt as _};
use pintle_core::forward::answer::NoAnswer;
use pintle_core::images::Address;
use pintle_core::images::send::PART_BYTES;
use pintle_core::wire::images::{PictureReceipt, PictureReceipts, PictureResult};
use std::collections::HashMap;

/// Under this name the mark of an object that was taken over says what became of it.
pub const RECEIPT: &str = "pintle-receipt";
/// Under this name it says why, where it was refused.
pub const PROBLEM: &str = "pintle-problem";
/// The problem of an object whose bytes are not those that its name promises: it is sent anew.
pub const PROBLEM_DIGEST: &str = "image-digest";
/// Header with which the description of an object takes the place of the one before. Source: ADR-20.
const ROLLUP: (&str, &str) = ("Nats-Rollup", "sub");

/// The bucket of a trailer's pictures. Names of buckets have no dots.
#[must_use]
pub fn bucket(prefix: &str, trailer: &str) -> String {
    format!("{}_pictures_{trailer}", prefix.replace('.', "_"))
}

/// The stream behind a bucket. Source: ADR-20.
#[must_use]
pub fn stream_of(bucket: &str) -> String {
    format!("OBJ_{bucket}")
}

/// The subject on which a trailer hears what became of its pictures.
#[must_use]
pub fn receipt_subject(prefix: &str, trailer: &str) -> String {
    format!("{prefix}.picture.{trailer}")
}

/// The subject of the parts that are called `nuid`. Source: ADR-20.
#[must_use]
pub fn parts_subject(bucket: &str, nuid: &str) -> String {
    format!("$O.{bucket}.C.{nuid}")
}

/// The subject of the description of an object. Source: ADR-20: the name in base64 for addresses.
#[must_use]
pub fn object_subject(bucket: &str, name: &str) -> String {
    format!("$O.{bucket}.M.{}", BASE64_URL_SAFE.encode(name))
}

/// The subject of all descriptions.
#[must_use]
pub fn all_objects(bucket: &str) -> String {
    format!("$O.{bucket}.M.>")
}

/// A digest as object stores write it. Source: ADR-20.
#[must_use]
pub fn digest_text(address: &Address) -> String {
    format!("SHA-256={}", BASE64_URL_SAFE.encode(address.0))
}

/// Makes the bucket if it is not there. A full one refuses what is new.
///
/// # Errors
/// [`NoAnswer::NoStream`]
pub async fn make(context: &Context, bucket: &str, replicas: usize) -> Result<(), NoAnswer> {
    if context.get_stream(stream_of(bucket)).await.is_ok() {
        return Ok(());
    }
    let config = Config {
        bucket: bucket.to_owned(),
        max_age: STREAM_KEEP,
        storage: StorageType::File,
        num_replicas: replicas,
        ..Config::default()
    };
    context.create_object_store(config).await.map(drop).map_err(|_| NoAnswer::NoStream)
}

/// Writes the description of an object, in place of the one before.
///
/// # Errors
/// [`PublishError`]: it is not known to be there.
pub async fn describe(context: &Context, info: &ObjectInfo) -> Result<(), PublishError> {
    // Text and numbers only, so that this cannot fail.
    let body = serde_json::to_vec(info).unwrap_or_default();
    let mut headers = HeaderMap::new();
    headers.insert(ROLLUP.0, ROLLUP.1);
    let subject = object_subject(&info.bucket, &info.name);
    context.publish_with_headers(subject, headers, body.into()).await?.await.map(drop)
}

/// What the bucket has of a file.
enum There {
    /// Nothing of this trial.
    Nothing { trial: u32 },
    /// It is described as whole.
    Whole,
    /// Who took it over said so.
    Said(PictureReceipt),
}

/// The trailer's side: a connection of its own.
pub struct Pictures {
    context: Context,
    stream: Stream<()>,
    rights: Rights,
    receipts: Subscriber,
    source: String,
    bucket: String,
    proven: bool,
    /// Of the file that is being sent: which trial.
    trials: HashMap<Address, u32>,
}

/// Trials that are remembered (our own limit; a forgotten one costs a question).
const TRIALS_MAX: usize = 1024;

impl Pictures {
    /// Connects, listens for receipts, and makes the bucket if that is the trailer's part.
    ///
    /// # Errors
    /// [`TargetError`]
    pub async fn open(
        servers: &[String],
        tls: bool,
        (receiver, time): (&Receiver, &TlsTime),
        source: &str,
    ) -> Result<Self, TargetError> {
        let (access, broker, trailer) = (Access::of(receiver, time), &receiver.broker, name_of(source));
        let (client, rights) = connect(servers, tls, trailer, &access, RECEIPTS_UNREAD_MAX).await?;
        let context =
            ContextBuilder::new().timeout(access.answer_wait).ack_timeout(access.answer_wait).build(client.clone());
        let bucket = bucket(&broker.subject, trailer);
        if broker.stream_maker == StreamMaker::Trailer {
            let replicas = if servers.len() < 3 { 1 } else { 3 };
            make(&context, &bucket, replicas).await.map_err(TargetError::NoAnswer)?;
        }
        let stream = context.get_stream_no_info(stream_of(&bucket)).await.map_err(|_| {
            let what = format!("no bucket can be called {bucket}");
            TargetError::Own(OwnFault::new(what, "give receiver.subject and trailer.id plain names"))
        })?;
        let receipts = client.subscribe(receipt_subject(&broker.subject, trailer)).await;
        let receipts = receipts.map_err(|_| TargetError::NoAnswer(NoAnswer::Broken))?;
        let proven = receiver.proof == Proof::Receipts;
        Ok(Self {
            context,
            stream,
            rights,
            receipts,
            source: source.to_owned(),
            bucket,
            proven,
            trials: HashMap::new(),
        })
    }

    /// What became of pictures. Cancel safe.
    pub async fn receipts(&mut self) -> Vec<PictureReceipt> {
        let Some(first) = self.receipts.next().await else { return std::future::pending().await };
        let mut found = PictureReceipts::for_source(&self.source, &first.payload);
        for _ in 0..RECEIPTS_UNREAD_MAX {
            let Some(Some(more)) = self.receipts.next().now_or_never() else { break };
            found.extend(PictureReceipts::for_source(&self.source, &more.payload));
        }
        found
    }

    /// What the cluster refuses, if it does.
    #[must_use]
    pub fn refused(&self) -> Option<OwnFault> {
        self.rights.refused(|_| true)
    }

    /// How much of a file is there.
    ///
    /// # Errors
    /// [`NoAnswer`]
    pub async fn state(&mut self, address: Address, bytes: u64) -> Result<ImageAnswer, NoAnswer> {
        let rights = self.rights.clone();
        unless_refused(&rights, self.state_of(address, bytes)).await
    }

    async fn state_of(&mut self, address: Address, bytes: u64) -> Result<ImageAnswer, NoAnswer> {
        let trial = match self.there(address, bytes).await {
            Ok(There::Nothing { trial }) => trial,
            Ok(There::Whole) => return Ok(self.handed()),
            Ok(There::Said(receipt)) => return Ok(answer_of(&receipt)),
            Err(NoAnswer::NoStream) => return Ok(status(404)),
            Err(why) => return Err(why),
        };
        if TRIALS_MAX <= self.trials.len() {
            self.trials.clear();
        }
        self.trials.insert(address, trial);
        let subject = parts_subject(&self.bucket, &nuid(address, trial));
        let counting = async { self.stream.info_with_subjects(&subject).await?.try_collect::<Vec<_>>().await };
        let counted = counting.await.map_err(|_| NoAnswer::AnswerTimeout)?;
        let parts: u64 = counted.iter().filter(|(name, _)| *name == subject).map(|(_, count)| *count as u64).sum();
        let offset = parts.saturating_mul(PART_BYTES);
        if bytes <= offset {
            return self.finish(address, bytes).await;
        }
        Ok(ImageAnswer { offset: Some(offset), ..status(200) })
    }

    /// Sends one part; the last one makes the object whole.
    ///
    /// # Errors
    /// [`NoAnswer`]
    pub async fn put(&mut self, part: ImagePart) -> Result<ImageAnswer, NoAnswer> {
        let rights = self.rights.clone();
        unless_refused(&rights, self.put_part(part)).await
    }

    async fn put_part(&mut self, part: ImagePart) -> Result<ImageAnswer, NoAnswer> {
        let name = nuid(part.address, self.trial(part.address));
        let upto = part.first + part.bytes.len() as u64;
        let mut headers = HeaderMap::new();
        // A part whose acknowledgement was lost is dropped by the server when it comes again.
        headers.insert(NATS_MESSAGE_ID, format!("{name}.{}", part.first).as_str());
        let publishing =
            self.context.publish_with_headers(parts_subject(&self.bucket, &name), headers, part.bytes.into());
        let sent = async { publishing.await?.await };
        if let Err(error) = sent.await {
            return refused(&error);
        }
        if part.all <= upto {
            return self.finish(part.address, part.all).await;
        }
        Ok(ImageAnswer { offset: Some(upto), ..status(200) })
    }

    async fn finish(&self, address: Address, bytes: u64) -> Result<ImageAnswer, NoAnswer> {
        let size = |bytes: u64| usize::try_from(bytes).unwrap_or(usize::MAX);
        let info = ObjectInfo {
            name: address.to_string(),
            description: None,
            metadata: HashMap::new(),
            headers: None,
            options: Some(ObjectOptions { link: None, max_chunk_size: Some(size(PART_BYTES)) }),
            bucket: self.bucket.clone(),
            nuid: nuid(address, self.trial(address)),
            size: size(bytes),
            chunks: size(bytes.div_ceil(PART_BYTES)),
            modified: None,
            digest: Some(digest_text(&address)),
            deleted: false,
        };
        match describe(&self.context, &info).await {
            Ok(()) => Ok(self.handed()),
            Err(error) => refused(&error),
        }
    }

    fn trial(&self, address: Address) -> u32 {
        self.trials.get(&address).copied().unwrap_or(0)
    }

    /// Whole in the bucket: with proof by receipts that is not there yet.
    fn handed(&self) -> ImageAnswer {
        ImageAnswer { complete: true, handed: self.proven, ..status(200) }
    }

    /// The leader is asked, since another server may lag behind what was acknowledged.
    async fn there(&self, address: Address, bytes: u64) -> Result<There, NoAnswer> {
        let subject = object_subject(&self.bucket, &address.to_string());
        let found = match self.stream.get_last_raw_message_by_subject(&subject).await {
            Ok(found) => found,
            Err(error) => {
                return match error.kind() {
                    LastRawMessageErrorKind::NoMessageFound => Ok(There::Nothing { trial: 0 }),
                    LastRawMessageErrorKind::JetStream(error) if error.error_code() == Code::STREAM_NOT_FOUND => {
                        Err(NoAnswer::NoStream)
                    }
                    LastRawMessageErrorKind::JetStream(_) => Err(NoAnswer::BrokerFull),
                    _ => Err(NoAnswer::AnswerTimeout),
                };
            }
        };
        let Ok(info) = serde_json::from_slice::<ObjectInfo>(&found.payload) else {
            return Ok(There::Nothing { trial: 0 });
        };
        let next = There::Nothing { trial: trial_of(&info.nuid).map_or(0, |trial| trial.saturating_add(1)) };
        if !info.deleted {
            let fits = info.digest.as_deref() == Some(&digest_text(&address)) && info.size as u64 == bytes;
            return Ok(if fits { There::Whole } else { next });
        }
        let problem = info.metadata.get(PROBLEM).cloned();
        Ok(match info.metadata.get(RECEIPT).map(|word| PictureResult::parse(word)) {
            Some(PictureResult::Stored) => There::Said(said(address, PictureResult::Stored, problem)),
            Some(PictureResult::Refused) if problem.as_deref() != Some(PROBLEM_DIGEST) => {
                There::Said(said(address, PictureResult::Refused, problem))
            }
            _ => next,
        })
    }
}

/// What is refused is never answered, so nobody waits for that.
async fn unless_refused<T>(rights: &Rights, work: impl Future<Output = Result<T, NoAnswer>>) -> Result<T, NoAnswer> {
    tokio::select! {
        biased;
        () = rights.lacking(|_| true) => Err(NoAnswer::NoRight),
        done = work => done,
    }
}

/// What the parts of a file are called at one trial.
fn nuid(address: Address, trial: u32) -> String {
    format!("{address}-{trial}")
}

fn trial_of(nuid: &str) -> Option<u32> {
    nuid.rsplit_once('-')?.1.parse().ok()
}

fn said(address: Address, result: PictureResult, problem: Option<String>) -> PictureReceipt {
    PictureReceipt { sha256: address.to_string(), result, problem }
}

fn status(status: u16) -> ImageAnswer {
    ImageAnswer { status, offset: None, complete: false, unknown: false, handed: false }
}

/// What a receipt means, as an answer over HTTP would say it.
fn answer_of(receipt: &PictureReceipt) -> ImageAnswer {
    match receipt.result {
        PictureResult::Stored => ImageAnswer { complete: true, ..status(200) },
        PictureResult::Refused => status(413),
        PictureResult::Unknown => status(503),
    }
}

fn refused(error: &PublishError) -> Result<ImageAnswer, NoAnswer> {
    match error.kind() {
        PublishErrorKind::MaxPayloadExceeded => Ok(status(413)),
        PublishErrorKind::StreamNotFound => Ok(status(404)),
        PublishErrorKind::TimedOut | PublishErrorKind::MaxAckPending => Err(NoAnswer::AnswerTimeout),
        PublishErrorKind::BrokenPipe => Err(NoAnswer::Broken),
        // Full, or not ours to write to: it is tried again.
        _ => Ok(status(503)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trailer_has_a_bucket_of_its_own_under_the_names_of_object_stores() {
        assert_eq!(bucket("pintle", "heron-3"), "pintle_pictures_heron-3");
        assert_eq!(bucket("a.b", "heron-3"), "a_b_pictures_heron-3");
        assert_eq!(stream_of("x"), "OBJ_x");
        assert_eq!(object_subject("x", "name?"), "$O.x.M.bmFtZT8=");
        assert_eq!(parts_subject("x", &nuid(Address([0xab; 32]), 2)), format!("$O.x.C.{}-2", "ab".repeat(32)));
        assert_eq!(receipt_subject("pintle", "heron-3"), "pintle.picture.heron-3");
    }

    #[test]
    fn a_trial_is_read_back_from_the_name_of_its_parts() {
        assert_eq!(trial_of(&nuid(Address([7; 32]), 12)), Some(12));
        assert_eq!(trial_of("made-by-another-client"), None);
        assert_eq!(trial_of(""), None);
    }
}
