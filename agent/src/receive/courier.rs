//! The agency's side of a courier's stick: makes it, takes what trailers wrote on it, and writes the receipts back.

use super::check::{Incoming, check_body, is_source};
use super::server::{ReceiveError, claim};
use super::store::{self, Batch, ReceiverStore, Stored};
use crate::clock;
use crate::io::courier::{KEY_NAME, files};
use crate::io::signed::{PublicKey, Signer, write_whole};
use crate::seal::Opener;
use pintle_core::moment::Utc;
use pintle_core::wire::courier::{BACK, CourierBatch, CourierReceipts, ENDING, FOLDER, MARKER, OUT, Stick};
use pintle_core::wire::receipt::ReceiptResult;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

/// What an import did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Imported {
    /// Batches taken.
    pub batches: u64,
    /// Events stored for the first time.
    pub stored: u64,
    /// Events that were here already.
    pub duplicates: u64,
    /// Events refused.
    pub refused: u64,
    /// Files left on the stick, each with the reason.
    pub left: Vec<String>,
}

fn bad(what: &'static str, path: &Path, detail: impl std::fmt::Display) -> ReceiveError {
    ReceiveError::File { what, path: path.to_owned(), detail: detail.to_string() }
}

/// Makes a folder a stick of this receiver; gives the receiver's public key, which trailers need.
///
/// # Errors
/// [`ReceiveError::File`]
pub fn init(data: &Path, folder: &Path) -> Result<String, ReceiveError> {
    let key = data.join(KEY_NAME);
    let signer = Signer::ready(&key).map_err(|error| bad("the receiver's key", &key, error))?;
    let known = PublicKey::from(&signer).open(&folder.join(MARKER)).is_ok();
    if !known {
        let stick = Stick { stick: uuid::Uuid::now_v7().to_string() };
        let content = serde_json::to_vec(&stick).map_err(|error| bad("the stick", folder, error))?;
        write_whole(folder, MARKER, &signer.sign(&content)).map_err(|error| bad("the stick", folder, error))?;
    }
    Ok(signer.public())
}

/// The trailers' public keys: lines `<trailer> ed25519:<base64>`.
///
/// # Errors
/// [`ReceiveError::File`] with the line that is wrong.
pub fn keys(path: &Path) -> Result<BTreeMap<String, PublicKey>, ReceiveError> {
    let text = std::fs::read_to_string(path).map_err(|error| bad("the trailers' keys", path, error))?;
    let mut keys = BTreeMap::new();
    for (number, line) in (1..).zip(text.lines()) {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let parts = line.split_once(char::is_whitespace);
        let named = parts.and_then(|(name, key)| {
            let source = format!("urn:pintle:trailer:{name}");
            is_source(&source).then_some(source).zip(PublicKey::parse(key))
        });
        let wrong = || bad("the trailers' keys", path, format!("line {number} is not \"<trailer> ed25519:<base64>\""));
        let (source, key) = named.ok_or_else(wrong)?;
        keys.insert(source, key);
    }
    Ok(keys)
}

/// Takes everything from the stick in `folder` into the database in `data`. A batch leaves the stick only after its
/// receipts are on it; what can't be trusted stays there. `opener` opens sealed reads; without it they are stored as
/// they came.
///
/// # Errors
/// [`ReceiveError`] if the stick is not ours or the database can't be used.
pub async fn import(
    data: &Path,
    folder: &Path,
    keys: &BTreeMap<String, PublicKey>,
    opener: Option<Opener>,
) -> Result<Imported, ReceiveError> {
    let marker = folder.join(MARKER);
    if matches!(marker.try_exists(), Ok(false)) {
        return Err(ReceiveError::NoStick(folder.to_owned()));
    }
    let key = data.join(KEY_NAME);
    let signer = Signer::ready(&key).map_err(|error| bad("the receiver's key", &key, error))?;
    let content = PublicKey::from(&signer).open(&marker).map_err(|error| bad("the stick", &marker, error))?;
    let Stick { stick } = serde_json::from_slice(&content).map_err(|error| bad("the stick", &marker, error))?;
    let lock = claim(data)?;
    let (store, thread) = store::start(data, opener)?;
    let mut done = Imported::default();
    let mut trailers: Vec<PathBuf> =
        std::fs::read_dir(folder.join(FOLDER)).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    trailers.sort();
    for trailer in trailers {
        let name = trailer.file_name().and_then(|name| name.to_str()).unwrap_or_default().to_lowercase();
        let source = format!("urn:pintle:trailer:{name}");
        let batches = files(&trailer.join(OUT));
        let Some(key) = keys.get(&source).filter(|_| !batches.is_empty()) else {
            for batch in batches {
                done.left.push(format!("{}: no key is known for a trailer of this name", batch.display()));
            }
            continue;
        };
        let (mut receipts, mut resend) = (Vec::new(), Vec::new());
        let mut taken = Vec::new();
        for path in batches {
            match one(&store, &path, key, &stick, &source).await? {
                Ok(more) => {
                    receipts.extend(more.receipts);
                    resend.extend(more.resend);
                    taken.push(path);
                }
                Err(why) => done.left.push(why),
            }
        }
        if taken.is_empty() {
            continue;
        }
        done.batches += u64::try_from(taken.len()).unwrap_or(u64::MAX);
        for receipt in &receipts {
            match receipt.result {
                ReceiptResult::Stored => done.stored += 1,
                ReceiptResult::Duplicate => done.duplicates += 1,
                _ => done.refused += 1,
            }
        }
        answer(&signer, &trailer, &CourierReceipts { stick: stick.clone(), source, receipts, resend }, &taken)?;
    }
    drop(store);
    drop(tokio::task::spawn_blocking(move || thread.join()).await);
    drop(lock);
    Ok(done)
}

/// One batch; the inner error says why it stays on the stick.
async fn one(
    store: &ReceiverStore,
    path: &Path,
    key: &PublicKey,
    stick: &str,
    source: &str,
) -> Result<Result<Stored, String>, ReceiveError> {
    let shown = path.display();
    let content = match key.open(path) {
        Ok(content) => content,
        Err(error) => return Ok(Err(error.to_string())),
    };
    let batch: CourierBatch = match serde_json::from_slice(&content) {
        Ok(batch) => batch,
        Err(error) => {
            return Ok(Err(format!("{shown} is no batch (line {}, column {})", error.line(), error.column())));
        }
    };
    if batch.stick != stick || batch.source != source {
        return Ok(Err(format!("{shown} was written for another stick, or is another trailer's")));
    }
    let events: Vec<&[u8]> = batch.events.iter().map(|event| event.get().as_bytes()).collect();
    let mut events = match check_body(source, &pintle_core::wire::event::batch(&events)) {
        Ok(events) => events,
        Err(error) => return Ok(Err(format!("{shown}: {error}"))),
    };
    let (told, received_at) = (batch.sent_at.as_deref().and_then(Utc::parse_rfc3339), clock::utc());
    for incoming in &mut events {
        if let Incoming::Good(event) = incoming {
            event.came_by_a_store(told, received_at);
        }
    }
    let accepted_up_to = batch.accepted_up_to.min(i64::MAX.unsigned_abs());
    let batch = Batch {
        source: batch.source,
        generation: batch.generation,
        accepted_up_to,
        relayed: false,
        received_at,
        events,
    };
    Ok(Ok(store.store(batch).await?))
}

/// Writes the receipts and takes the batches away. Older receipts go: the stick has been at the trailer since.
fn answer(signer: &Signer, trailer: &Path, receipts: &CourierReceipts, taken: &[PathBuf]) -> Result<(), ReceiveError> {
    let back = trailer.join(BACK);
    let failed = |error: std::io::Error| bad("the stick", trailer, error);
    let older = files(&back);
    let content = serde_json::to_vec(receipts).map_err(|error| bad("the stick", trailer, error))?;
    let name = format!("{}.{ENDING}", uuid::Uuid::now_v7());
    write_whole(&back, &name, &signer.sign(&content)).map_err(failed)?;
    for path in older.iter().chain(taken) {
        std::fs::remove_file(path).map_err(failed)?;
    }
    File::open(trailer.join(OUT)).and_then(|folder| folder.sync_all()).map_err(failed)
}
