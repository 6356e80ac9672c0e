//! A courier's stick: batches as signed files in a folder that is there when the stick is mounted; receipts come back
//! on its next visit, signed by the agency.

use super::signed::{PublicKey, SignedError, Signer, write_whole};
use super::target::{Handed, Handover, OwnFault, Target, TargetError, name_of};
use crate::config::Broker;
use pintle_core::forward::answer::{Ack, NoAnswer};
use pintle_core::ids::EventId;
use pintle_core::wire::courier::{BACK, CourierBatch, CourierReceipts, ENDING, FOLDER, MARKER, OUT, Stick};
use pintle_core::wire::receipt::SaidLater;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::collections::HashSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::Instant;

/// How often the stick is looked at for receipts (our own choice).
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// Receipts taken in at one look (our own limit, some 40 MB): a stick may hold any number.
const RECEIPTS_MAX: usize = 200_000;
/// Files opened at one look, whatever they hold (our own limit).
const FILES_MAX: usize = 256;

/// Name of the trailer's key in its state folder.
pub const KEY_NAME: &str = "courier.key";

/// The stick as one lane sees it.
pub struct Courier {
    desk: Arc<Desk>,
    /// Which stick was looked through, and the events that it holds already.
    known: Option<(String, HashSet<EventId>)>,
    /// Files of receipts that were read.
    read: HashSet<PathBuf>,
    /// The look that goes on beside everything else.
    looking: Option<JoinHandle<Look>>,
    /// When to look for receipts next: reads that arrive all the time must not put that off.
    look_at: Instant,
}

/// What a look has brought.
struct Look {
    /// Files that were read by now.
    read: HashSet<PathBuf>,
    found: SaidLater,
    /// There may be more.
    more: bool,
}

struct Desk {
    folder: PathBuf,
    source: String,
    signer: Signer,
    agency: PublicKey,
}

#[derive(Deserialize)]
struct Named {
    id: String,
}

impl Courier {
    /// Reads the keys; the stick need not be there.
    ///
    /// # Errors
    /// [`TargetError::Own`] if a key can't be used.
    pub fn open(folder: PathBuf, broker: &Broker, source: &str) -> Result<Self, TargetError> {
        let own = |what: String, advice| TargetError::Own(OwnFault::new(what, advice));
        let Some(agency) = &broker.credentials_file else {
            return Err(own(
                "receiver.credentials_file is missing".to_owned(),
                "write the public key that `pintle receive --courier-init` prints into a file, and name it there",
            ));
        };
        let agency = PublicKey::read(agency)
            .map_err(|error| own(error.to_string(), "it must hold the agency's key: ed25519: and 44 signs"))?;
        let signer = Signer::ready(&broker.state_dir.join(KEY_NAME))
            .map_err(|error| own(error.to_string(), "look at the state folder and its disk"))?;
        let desk = Arc::new(Desk { folder, source: source.to_owned(), signer, agency });
        Ok(Self { desk, known: None, read: HashSet::new(), looking: None, look_at: Instant::now() })
    }
}

impl Desk {
    /// The stick that is plugged in, if it is one of the agency's.
    fn stick(&self) -> Option<String> {
        let marker = self.agency.open(&self.folder.join(MARKER)).ok()?;
        serde_json::from_slice(&marker).ok().map(|stick: Stick| stick.stick)
    }

    fn own(&self, below: &str) -> PathBuf {
        self.folder.join(FOLDER).join(name_of(&self.source)).join(below)
    }

    /// The events that the stick holds already: after a restart nothing is written twice.
    fn on_stick(&self, stick: &str) -> HashSet<EventId> {
        let own = PublicKey::from(&self.signer);
        let read = |path: PathBuf| {
            let batch: CourierBatch = serde_json::from_slice(&own.open(&path).ok()?).ok()?;
            (batch.stick == stick).then_some(batch.events)
        };
        let id = |event: Box<RawValue>| {
            serde_json::from_str(event.get()).ok().and_then(|named: Named| EventId::parse(&named.id))
        };
        files(&self.own(OUT)).into_iter().filter_map(read).flatten().filter_map(id).collect()
    }

    fn write(&self, batch: &CourierBatch, key: &str) -> Result<(), NoAnswer> {
        let content = serde_json::to_vec(batch).map_err(|_| NoAnswer::FolderBroken)?;
        let written = write_whole(&self.own(OUT), &format!("{key}.{ENDING}"), &self.signer.sign(&content));
        written.map_err(|error| match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge => {
                NoAnswer::FolderFull
            }
            io::ErrorKind::NotFound => NoAnswer::NoFolder,
            _ => NoAnswer::FolderBroken,
        })
    }

    /// Receipts on the stick that were not read before. What is not signed by the agency, or is for another trailer or
    /// stick, says nothing. Answers whether there may be more.
    fn receipts(&self, read: &mut HashSet<PathBuf>) -> (SaidLater, bool) {
        let Some(stick) = self.stick() else {
            read.clear();
            return (SaidLater::default(), false);
        };
        let (mut found, mut opened) = (SaidLater::default(), 0);
        for path in files(&self.own(BACK)) {
            // The rest is read at the next look.
            if RECEIPTS_MAX < found.receipts.len() || FILES_MAX <= opened {
                return (found, true);
            }
            if !read.insert(path.clone()) {
                continue;
            }
            opened += 1;
            let said: Result<Option<CourierReceipts>, SignedError> =
                self.agency.open(&path).map(|content| serde_json::from_slice(&content).ok());
            if let Ok(Some(said)) = said
                && said.source == self.source
                && said.stick == stick
            {
                found.extend(SaidLater { receipts: said.receipts, resend: said.resend });
            }
        }
        (found, false)
    }
}

/// The files of a folder with our ending, by name; none if it is not there.
#[must_use]
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let regular = entries.filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_file()));
    let mut paths: Vec<PathBuf> = regular
        .map(|entry| entry.path())
        // FAT may hand names back in upper case.
        .filter(|path| path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case(ENDING)))
        .collect();
    paths.sort();
    paths
}

impl Target for Courier {
    async fn hand_over(&mut self, handover: &Handover<'_>) -> Result<Handed, TargetError> {
        let desk = Arc::clone(&self.desk);
        let known = self.known.take();
        let (key, count) = (handover.key.to_owned(), handover.events.len());
        let ids: Vec<EventId> = handover.events.iter().map(|event| event.id).collect();
        let events: Vec<Result<Box<RawValue>, _>> =
            handover.events.iter().map(|event| serde_json::from_slice(&event.json)).collect();
        let (source, generation) = (handover.source.to_owned(), handover.generation.to_owned());
        let accepted_up_to = handover.accepted_up_to;
        let sent_at = handover.events.iter().find_map(|event| handover.sent_at_if_late(event));
        // A stick may take its time; nothing else waits for it meanwhile.
        let done = tokio::task::spawn_blocking(move || {
            let stick = desk.stick().ok_or(NoAnswer::NoFolder)?;
            let mut known = match known {
                Some((of, known)) if of == stick => known,
                _ => desk.on_stick(&stick),
            };
            let events: Vec<Box<RawValue>> = ids
                .iter()
                .zip(events)
                .filter(|(id, _)| !known.contains(id))
                .filter_map(|(_, event)| event.ok())
                .collect();
            if !events.is_empty() {
                let batch = CourierBatch { stick: stick.clone(), source, generation, accepted_up_to, sent_at, events };
                desk.write(&batch, &key)?;
            }
            known.extend(ids);
            Ok((stick, known))
        })
        .await;
        match done {
            Ok(Ok(known)) => {
                self.known = Some(known);
                Ok(Handed::Acks(vec![Ack::Taken; count], None))
            }
            Ok(Err(why)) => Err(TargetError::NoAnswer(why)),
            Err(_) => Err(TargetError::NoAnswer(NoAnswer::FolderBroken)),
        }
    }

    async fn receipts(&mut self) -> SaidLater {
        loop {
            // A stick may hang, and nothing else waits for it. Dropped meanwhile, the look goes on, and what it brings
            // is taken next time.
            if self.looking.is_none() {
                tokio::time::sleep_until(self.look_at).await;
                let (desk, mut read) = (Arc::clone(&self.desk), std::mem::take(&mut self.read));
                self.looking = Some(tokio::task::spawn_blocking(move || {
                    let (found, more) = desk.receipts(&mut read);
                    Look { read, found, more }
                }));
            }
            let Some(looking) = &mut self.looking else { continue };
            let looked = looking.await;
            self.looking = None;
            self.look_at = Instant::now() + LOOK_EVERY;
            let Ok(Look { read, found, more }) = looked else { continue };
            self.read = read;
            if more {
                self.look_at = Instant::now();
            }
            if !found.is_empty() {
                // What is answered is taken off the stick by the agency: should it come back here, it is written again.
                self.known = None;
                return found;
            }
        }
    }
}
