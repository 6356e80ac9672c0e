//! Sealed pictures: each under a key of its own, which stands wrapped at the beginning of the file, so that it goes
//! with the file and nothing has to be remembered. Layout: `PNTLPIC1`, number of agencies (1 byte), for each its
//! fingerprint (8 bytes) and the wrapped key (80 bytes), then ciphertext and tag under the nonce zero. All in front is
//! bound.

use super::aead::{self, KEY_BYTES};
use super::key_file::{PrivateKey, PublicKey};
use super::keyring::short;
use super::wrap;
use aws_lc_rs::aead::{Aad, Nonce};
use std::sync::{Arc, PoisonError, RwLock};

const MAGIC: &[u8; 8] = b"PNTLPIC1";
/// What is bound to the wrapped key of a picture.
const BOUND: &[u8] = b"pintle picture 1";
const WRAP_BYTES: usize = 80;

/// Seals pictures for the agencies whose keys it shares with the keyring.
#[derive(Clone, Default)]
pub struct Pictures {
    pub(super) keys: Arc<RwLock<Vec<PublicKey>>>,
}

impl Pictures {
    /// The sealed file of a picture; `None` if there is nobody to seal it for, or a key is refused.
    #[must_use]
    pub fn seal(&self, picture: &[u8]) -> Option<Vec<u8>> {
        let keys = self.keys.read().unwrap_or_else(PoisonError::into_inner);
        if keys.is_empty() {
            return None;
        }
        let key = aead::random::<KEY_BYTES>()?;
        let mut out = MAGIC.to_vec();
        out.push(u8::try_from(keys.len()).ok()?);
        for one in keys.iter() {
            out.extend_from_slice(&short(&one.fingerprint()));
            out.extend_from_slice(&wrap::wrap_for(&one.bytes, BOUND, &key[..])?);
        }
        let mut sealed = picture.to_vec();
        let nonce = Nonce::assume_unique_for_key([0; 12]);
        aead::ready(&key)?.seal_in_place_append_tag(nonce, Aad::from(&out), &mut sealed).ok()?;
        out.extend_from_slice(&sealed);
        Some(out)
    }
}

/// Whether a file is a sealed picture.
#[must_use]
pub fn is_sealed_picture(file: &[u8]) -> bool {
    file.starts_with(MAGIC)
}

/// The picture in a sealed file; `None` if it is for others, or altered.
#[must_use]
pub fn open_picture(key: &PrivateKey, file: &[u8]) -> Option<Vec<u8>> {
    let count = usize::from(*file.strip_prefix(MAGIC)?.first()?);
    let (head, sealed) = file.split_at_checked(MAGIC.len() + 1 + count * (8 + WRAP_BYTES))?;
    let mine = short(&key.public.fingerprint());
    let wrapped = head[MAGIC.len() + 1..].chunks_exact(8 + WRAP_BYTES).find(|one| one[..8] == mine)?;
    let bytes = wrap::unwrap_with(&key.secret, BOUND, &wrapped[8..])?;
    let bytes: &[u8; KEY_BYTES] = bytes.as_slice().try_into().ok()?;
    let mut sealed = sealed.to_vec();
    let nonce = Nonce::assume_unique_for_key([0; 12]);
    aead::ready(bytes)?.open_in_place(nonce, Aad::from(head), &mut sealed).ok().map(|picture| picture.to_vec())
}
