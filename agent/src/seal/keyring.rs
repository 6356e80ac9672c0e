//! The trailer's end: makes content keys, seals under them, wraps them, and destroys them when nothing is left that
//! they opened.

use super::aead::{self, KeyBytes};
use super::file::{KeyFile, Record};
use super::key_file::{self, KeyFileError, PublicKey};
use super::picture::Pictures;
use super::wrap;
use crate::config;
use crate::store::seal::{KeyUse, Outgoing, PictureSealer, SealError, Sealer};
use aws_lc_rs::aead::LessSafeKey;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle_core::queue::retention::Limits;
use pintle_core::seal::{Body, Clear, KeyId, NONCES_MAX, class, span_ms};
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};

/// Name of the file of wrapped keys in the state folder.
const FILE: &str = "seal.keys";
/// A read that is older than this many spans when it comes does not get a key of its own span: an engine that hands in
/// old reads could otherwise have a key made for each.
const SPANS_BACK: i64 = 2;
/// Opened keys kept at hand for sending, with a seal for this disk (our own limit).
const OPENED_MAX: usize = 256;
/// Keys looked at in one clean-up (our own limit: each asks the database once).
const RIPE_MAX: usize = 32;

/// How reads are sealed, with the files that say so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Seal {
    /// For these agencies, by their public keys.
    Receiver(Vec<PathBuf>),
    /// For this disk, by the key in this file.
    Disk(PathBuf),
    /// Not any more: what was sealed before is still sent.
    NoMore,
}

impl Seal {
    /// As the configuration has it; `None` if nothing is sealed and never was in `folder`.
    #[must_use]
    pub fn of(seal: config::Seal, files: &config::SealFiles, folder: &Path) -> Option<Self> {
        match (seal, &files.disk_key) {
            (config::Seal::Receiver, _) => Some(Self::Receiver(files.keys.clone())),
            (config::Seal::Disk, Some(key)) => Some(Self::Disk(key.clone())),
            (config::Seal::None | config::Seal::Disk, _) => folder.join(FILE).exists().then_some(Self::NoMore),
        }
    }
}

/// Why the keyring can't be opened.
#[derive(Debug, thiserror::Error)]
pub enum KeyringError {
    /// A key file is not right.
    #[error(transparent)]
    KeyFile(#[from] KeyFileError),
    /// The file of wrapped keys can't be used.
    #[error("the file of wrapped keys {path} can't be used: {source}", path = path.display())]
    Wrapped {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl KeyringError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::KeyFile(error) => error.advice(),
            Self::Wrapped { .. } => {
                "look at the rights and the disk of the state folder; never delete this file: what waits could not be opened"
            }
        }
    }
}

/// Who can open.
enum For {
    Agencies(Vec<PublicKey>),
    Nobody,
    Disk(KeyBytes),
}

/// A content key in use.
struct Content {
    id: KeyId,
    key: LessSafeKey,
    counter: u64,
    /// The highest sequence that it sealed.
    last: u64,
}

/// Class, camera, span; the flag is set for the key of reads that came late.
type Slot = (bool, String, i64, bool);

/// Content keys of one trailer.
pub struct Keyring {
    seal: Seal,
    opens: For,
    source: String,
    span_ms: i64,
    shortest_ms: i64,
    in_use: HashMap<Slot, Content>,
    known: BTreeMap<KeyId, Record>,
    file: KeyFile,
    opened: HashMap<KeyId, LessSafeKey>,
    looked: Option<KeyId>,
    pictures: Pictures,
    damaged: u64,
}

impl Keyring {
    /// Opens the keyring in the state folder.
    ///
    /// # Errors
    /// [`KeyringError`]
    pub fn open(folder: &Path, source: &str, limits: &Limits, seal: Seal) -> Result<Self, KeyringError> {
        let opens = load(&seal)?;
        let path = folder.join(FILE);
        let (file, records, damaged) = KeyFile::open(&path).map_err(|source| KeyringError::Wrapped { path, source })?;
        if 0 < damaged {
            tracing::error!(damaged, "some wrapped keys are damaged; their reads can't be opened by anybody");
        }
        let shortest =
            limits.waiting_ms.min(limits.hit_waiting_ms).min(limits.delivered_ms).min(limits.hit_delivered_ms);
        let ring = Self {
            seal,
            opens,
            source: source.to_owned(),
            span_ms: span_ms(limits),
            shortest_ms: i64::try_from(shortest).unwrap_or(i64::MAX),
            in_use: HashMap::new(),
            known: records.into_iter().map(|record| (record.id, record)).collect(),
            file,
            opened: HashMap::new(),
            looked: None,
            pictures: Pictures::default(),
            damaged,
        };
        ring.share_keys();
        Ok(ring)
    }

    /// Wrapped keys that could not be read at the start.
    #[must_use]
    pub fn damaged(&self) -> u64 {
        self.damaged
    }

    /// Whether the key of this disk lies on the disk that it is to protect.
    #[must_use]
    pub fn disk_key_is_beside(folder: &Path, seal: &Seal) -> bool {
        matches!(seal, Seal::Disk(path) if key_file::on_one_disk(path, folder))
    }

    /// Tells the sealer of pictures the keys.
    fn share_keys(&self) {
        let keys = if let For::Agencies(keys) = &self.opens { keys.clone() } else { Vec::new() };
        *self.pictures.keys.write().unwrap_or_else(PoisonError::into_inner) = keys;
    }

    /// The slot of a read, with a key in it.
    fn content(&mut self, clear: &Clear, born: i64, lived: i64) -> Result<Slot, SealError> {
        let (span, now) = (born.div_euclid(self.span_ms), lived.div_euclid(self.span_ms));
        let late = span < now - SPANS_BACK;
        let slot = (clear.hit, clear.camera.as_str().to_owned(), if late { now } else { span }, late);
        if self.in_use.get(&slot).is_some_and(|content| content.counter < NONCES_MAX) {
            return Ok(slot);
        }
        self.drop_old(now - SPANS_BACK);
        if let Some(full) = self.in_use.remove(&slot) {
            self.note_end(&full);
        }
        let fail = |what: &str| SealError(format!("no content key can be made: {what}"));
        let bytes: KeyBytes = aead::random().ok_or_else(|| fail("the system gives no random bytes"))?;
        let id = aead::id_of(&bytes);
        let bound = bound(&self.source, clear.hit, clear.camera.as_str(), id);
        let wraps = match &self.opens {
            For::Agencies(keys) => keys
                .iter()
                .map(|key| Some((short(&key.fingerprint()), wrap::wrap_for(&key.bytes, &bound, &bytes[..])?)))
                .collect::<Option<Vec<_>>>(),
            For::Nobody => None,
            For::Disk(key) => wrap::wrap_for_disk(key, &bound, &bytes).map(|wrapped| vec![([0; 8], wrapped)]),
        };
        let record = Record {
            id,
            hit: clear.hit,
            camera: clear.camera.as_str().to_owned(),
            from: lived,
            generation: clear.generation.0,
            first: clear.sequence,
            last: None,
            wraps: wraps.ok_or_else(|| fail("it can't be wrapped"))?,
        };
        self.file.append(&record).map_err(|error| fail(&format!("{FILE} can't be written: {error}")))?;
        let key = aead::ready(&bytes).ok_or_else(|| fail("it is refused"))?;
        self.known.insert(id, record);
        self.in_use.insert(slot.clone(), Content { id, key, counter: 0, last: clear.sequence });
        Ok(slot)
    }

    /// Forgets the keys of spans before `oldest`: from then on only the agency can open what they sealed.
    fn drop_old(&mut self, oldest: i64) {
        let old: Vec<Slot> = self.in_use.keys().filter(|(_, _, span, _)| *span < oldest).cloned().collect();
        for slot in old {
            if let Some(content) = self.in_use.remove(&slot) {
                self.note_end(&content);
            }
        }
    }

    fn note_end(&mut self, content: &Content) {
        if let Some(record) = self.known.get_mut(&content.id) {
            record.last = Some(content.last);
        }
        if let Err(error) = self.file.close_key(content.id, content.last) {
            tracing::debug!(%error, "the end of a content key is not noted; its clean-up looks at more rows");
        }
    }

    /// Opens a body with a key that is at hand; `None` if there is none.
    fn opened(&mut self, clear: &Clear, body: &Body<'_>) -> Option<Vec<u8>> {
        let clear = as_bound(clear, body);
        if let Some(content) = self.in_use.values().find(|content| content.id == body.key) {
            return aead::open(&content.key, body, &clear);
        }
        let For::Disk(disk_key) = &self.opens else { return None };
        if !self.opened.contains_key(&body.key) {
            let record = self.known.get(&body.key)?;
            let bound = bound(&self.source, record.hit, &record.camera, record.id);
            let (_, wrapped) = record.wraps.iter().find(|(to, _)| *to == [0; 8])?;
            let key = aead::ready(&*wrap::unwrap_from_disk(disk_key, &bound, wrapped)?)?;
            if OPENED_MAX <= self.opened.len() {
                self.opened.clear();
            }
            self.opened.insert(body.key, key);
        }
        aead::open(self.opened.get(&body.key)?, body, &clear)
    }
}

impl Sealer for Keyring {
    fn source(&self) -> &str {
        &self.source
    }

    fn pictures(&self) -> Option<PictureSealer> {
        let pictures = self.pictures.clone();
        self.seals().then(|| Arc::new(move |picture: &[u8]| pictures.seal(picture)) as PictureSealer)
    }

    fn seals(&self) -> bool {
        !matches!(self.opens, For::Nobody)
    }

    fn seal(&mut self, clear: &Clear, read: &[u8], born: i64, lived: i64) -> Result<Vec<u8>, SealError> {
        let slot = self.content(clear, born, lived)?;
        let fail = || SealError("the read can't be sealed".to_owned());
        let content = self.in_use.get_mut(&slot).ok_or_else(fail)?;
        let counter = next(&mut content.counter).ok_or_else(fail)?;
        content.last = content.last.max(clear.sequence);
        aead::seal(&content.key, content.id, counter, clear, read).ok_or_else(fail)
    }

    fn moved(&mut self, stored: &[u8], sequence: u64) {
        let Ok(body) = Body::parse(stored) else { return };
        let Some(record) = self.known.get_mut(&body.key) else { return };
        let Some(last) = record.last.map(|last| last.max(sequence)) else { return };
        record.last = Some(last);
        if let Err(error) = self.file.close_key(body.key, last) {
            tracing::warn!(%error, "the new number of a sealed read is not noted");
        }
    }

    fn same(&mut self, clear: &Clear, stored: &[u8], read: &[u8]) -> Option<bool> {
        let body = Body::parse(stored).ok()?;
        self.opened(clear, &body).map(|opened| opened == read)
    }

    fn outgoing(&mut self, clear: &Clear, stored: &[u8]) -> Outgoing {
        let Ok(body) = Body::parse(stored) else { return Outgoing::Lost("the stored read is damaged".to_owned()) };
        let Some(record) = self.known.get(&body.key) else {
            return Outgoing::Lost("its content key is gone".to_owned());
        };
        if record.wraps.iter().any(|(to, _)| *to == [0; 8]) {
            return match self.opened(clear, &body) {
                Some(read) => Outgoing::Plain(read),
                None => Outgoing::Lost("it does not open with the key of this disk".to_owned()),
            };
        }
        // Only hexadecimal digits, base64 and names of a grammar: nothing in it needs an escape.
        let keys: Vec<String> = record
            .wraps
            .iter()
            .map(|(to, wrapped)| format!(r#"{{"to":"{}","wrap":"{}"}}"#, super::hex(to), BASE64.encode(wrapped)))
            .collect();
        let told = format!(
            r#"{{"v":1,"class":"{}","camera":"{}","body":"{}","keys":[{}]}}"#,
            class(clear.hit),
            clear.camera.as_str(),
            BASE64.encode(stored),
            keys.join(",")
        );
        Outgoing::Sealed(told.into_bytes())
    }

    fn ripe(&mut self, lived: i64, generation: &[u8; 16], sequence: u64) -> Vec<KeyUse> {
        self.drop_old(lived.div_euclid(self.span_ms) - SPANS_BACK);
        let in_use: Vec<KeyId> = self.in_use.values().map(|content| content.id).collect();
        let young = lived.saturating_sub(self.shortest_ms);
        let from = self.looked.map_or(std::ops::Bound::Unbounded, std::ops::Bound::Excluded);
        let ripe: Vec<KeyUse> = self
            .known
            .range((from, std::ops::Bound::Unbounded))
            .map(|(_, record)| record)
            .filter(|record| record.from < young && !in_use.contains(&record.id))
            .take(RIPE_MAX)
            .map(|record| used(record, generation, sequence))
            .collect();
        self.looked = if ripe.len() < RIPE_MAX { None } else { ripe.last().map(|one| one.key) };
        ripe
    }

    fn used(&self, key: KeyId, generation: &[u8; 16], sequence: u64) -> Option<KeyUse> {
        self.known.get(&key).map(|record| used(record, generation, sequence))
    }

    fn destroy(&mut self, keys: &[KeyId]) -> Result<(), SealError> {
        let left: Vec<Record> = self.known.values().filter(|record| !keys.contains(&record.id)).cloned().collect();
        self.file.rewrite(&left).map_err(|error| SealError(format!("{FILE} can't be written anew: {error}")))?;
        for key in keys {
            self.known.remove(key);
            self.opened.remove(key);
        }
        Ok(())
    }

    fn rotate(&mut self) -> Result<(), SealError> {
        self.opens = load(&self.seal).map_err(|error| SealError(format!("{error}; {}", error.advice())))?;
        self.drop_old(i64::MAX);
        self.share_keys();
        Ok(())
    }
}

fn used(record: &Record, generation: &[u8; 16], sequence: u64) -> KeyUse {
    // Rows that were taken over into another queue have other numbers there.
    let own = record.generation == *generation;
    KeyUse {
        key: record.id,
        hit: record.hit,
        camera: record.camera.clone(),
        first: if own { record.first } else { 1 },
        last: record.last.filter(|_| own).unwrap_or(sequence),
    }
}

fn load(seal: &Seal) -> Result<For, KeyFileError> {
    Ok(match seal {
        Seal::Receiver(files) => {
            For::Agencies(files.iter().map(|file| key_file::read_public(file)).collect::<Result<_, _>>()?)
        }
        Seal::NoMore => For::Nobody,
        Seal::Disk(file) => For::Disk(key_file::disk_key(file)?),
    })
}

/// The next counter; each number comes once in the life of a key.
fn next(counter: &mut u64) -> Option<u32> {
    let value = u32::try_from(*counter).ok()?;
    *counter += 1;
    Some(value)
}

pub(super) fn short(fingerprint: &str) -> [u8; 8] {
    let value = u64::from_str_radix(fingerprint, 16).unwrap_or(0);
    value.to_be_bytes()
}

/// What is bound to a wrapped key: whose, for which class and camera.
pub(super) fn bound(source: &str, hit: bool, camera: &str, id: KeyId) -> Vec<u8> {
    [source.as_bytes(), &[0], class(hit).as_bytes(), &[0], camera.as_bytes(), &[0], &id.0].concat()
}

/// The clear fields with the numbers under which the body was sealed.
pub(super) fn as_bound(clear: &Clear, body: &Body<'_>) -> Clear {
    let mut clear = clear.clone();
    if let Some((generation, sequence)) = body.bound_to {
        (clear.generation, clear.sequence) = (generation, sequence);
    }
    clear
}

/// How many wrapped keys lie in a state folder; for tests and diagnosis.
#[must_use]
pub fn count_of_keys(folder: &Path) -> usize {
    KeyFile::open(&folder.join(FILE)).map_or(0, |(_, records, _)| records.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_counter_of_a_key_gives_each_number_once_and_then_ends() {
        let mut counter = NONCES_MAX - 2;
        assert_eq!((next(&mut counter), next(&mut counter)), (Some(u32::MAX - 1), Some(u32::MAX)));
        assert_eq!((next(&mut counter), counter), (None, NONCES_MAX), "a new key is made then");
    }
}
