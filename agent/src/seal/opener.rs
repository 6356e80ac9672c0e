//! The agency's end: opens sealed reads with its private keys.

use super::aead::{self, KEY_BYTES};
use super::key_file::PrivateKey;
use super::keyring::{as_bound, bound};
use super::wrap;
use aws_lc_rs::aead::LessSafeKey;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::Utc;
use pintle_core::seal::{Body, Clear, KeyId};
use serde::Deserialize;
use std::collections::HashMap;

/// Content keys kept at hand (our own limit: a thousand trailers with four keys each).
const KEPT_MAX: usize = 4096;

/// `sealed` of a read event.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct SealedRead {
    /// Format version, 1.
    pub v: u32,
    /// `hit` or `other`.
    pub class: String,
    /// Which camera.
    pub camera: String,
    /// Base64 of the sealed body.
    pub body: String,
    /// The content key, once for each agency.
    pub keys: Vec<Wrapped>,
}

/// One wrapped content key.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Wrapped {
    /// Fingerprint of the public key that it was wrapped for.
    pub to: String,
    /// Base64 of encapsulated key and ciphertext.
    pub wrap: String,
}

/// Why a sealed read was not opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// It is for other agencies.
    #[error("the read is not sealed for any key that this receiver has")]
    NotForUs,
    /// What stands beside it in clear, or the sealed bytes, are not those that were sealed.
    #[error("the sealed read does not open: its bytes or what stands beside it in clear were altered")]
    Altered,
    /// Not of a form that this program knows.
    #[error("the sealed read has a form that this receiver does not know")]
    Form,
}

/// Private keys, and content keys that they have opened.
pub struct Opener {
    keys: Vec<PrivateKey>,
    kept: HashMap<(String, KeyId), LessSafeKey>,
}

impl Opener {
    /// With these private keys.
    #[must_use]
    pub fn new(keys: Vec<PrivateKey>) -> Self {
        Self { keys, kept: HashMap::new() }
    }

    /// The read in `sealed` of an event with these fields. `time` is the event's, cut to the hour.
    ///
    /// # Errors
    /// [`OpenError`]
    pub fn open(
        &mut self,
        (source, id): (&str, EventId),
        (generation, sequence): (EventId, u64),
        time: Utc,
        sealed: &SealedRead,
    ) -> Result<Vec<u8>, OpenError> {
        let stored = BASE64.decode(&sealed.body).map_err(|_| OpenError::Form)?;
        let body = Body::parse(&stored).map_err(|_| OpenError::Form)?;
        let camera = CameraId::new(&sealed.camera).map_err(|_| OpenError::Form)?;
        let hit = match (sealed.v, sealed.class.as_str()) {
            (1, "hit") => true,
            (1, "other") => false,
            _ => return Err(OpenError::Form),
        };
        let clear = Clear { source: source.to_owned(), generation, sequence, id, hit, camera, hour: time };
        let slot = (source.to_owned(), body.key);
        if !self.kept.contains_key(&slot) {
            let key = self.content_key(&clear, body.key, &sealed.keys)?;
            if KEPT_MAX <= self.kept.len() {
                self.kept.clear();
            }
            self.kept.insert(slot.clone(), key);
        }
        let key = self.kept.get(&slot).ok_or(OpenError::NotForUs)?;
        aead::open(key, &body, &as_bound(&clear, &body)).ok_or(OpenError::Altered)
    }

    fn content_key(&self, clear: &Clear, id: KeyId, wrapped: &[Wrapped]) -> Result<LessSafeKey, OpenError> {
        let bound = bound(&clear.source, clear.hit, clear.camera.as_str(), id);
        let mine = wrapped.iter().find_map(|one| {
            let key = self.keys.iter().find(|key| key.public.fingerprint() == one.to)?;
            Some((key, BASE64.decode(&one.wrap).ok()?))
        });
        let (key, wrapped) = mine.ok_or(OpenError::NotForUs)?;
        let bytes = wrap::unwrap_with(&key.secret, &bound, &wrapped).ok_or(OpenError::Altered)?;
        let bytes: &[u8; KEY_BYTES] = bytes.as_slice().try_into().map_err(|_| OpenError::Form)?;
        if aead::id_of(bytes) != id {
            return Err(OpenError::Altered);
        }
        aead::ready(bytes).ok_or(OpenError::Form)
    }
}
