//! AES-256-GCM under a content key.

use aws_lc_rs::aead::{AES_256_GCM, Aad, LessSafeKey, Nonce, UnboundKey};
use aws_lc_rs::digest::{SHA256, digest};
use pintle_core::seal::{Body, Clear, KEY_ID_BYTES, KeyId, nonce, pack, unpack};
use zeroize::Zeroizing;

/// Bytes of a content key.
pub(super) const KEY_BYTES: usize = 32;

/// The bytes of a key; wiped when they are let go.
pub(super) type KeyBytes = Zeroizing<[u8; KEY_BYTES]>;

/// Fresh random bytes.
pub(super) fn random<const N: usize>() -> Option<Zeroizing<[u8; N]>> {
    let mut bytes = Zeroizing::new([0; N]);
    aws_lc_rs::rand::fill(&mut bytes[..]).ok()?;
    Some(bytes)
}

/// The name of a key.
pub(super) fn id_of(key: &[u8; KEY_BYTES]) -> KeyId {
    let mut id = [0; KEY_ID_BYTES];
    id.copy_from_slice(&digest(&SHA256, key).as_ref()[..KEY_ID_BYTES]);
    KeyId(id)
}

/// A key ready for use; its own copy of the bytes is wiped by the library when it goes.
pub(super) fn ready(key: &[u8; KEY_BYTES]) -> Option<LessSafeKey> {
    UnboundKey::new(&AES_256_GCM, key).ok().map(LessSafeKey::new)
}

/// Header, ciphertext and tag of a read.
pub(super) fn seal(key: &LessSafeKey, id: KeyId, counter: u32, clear: &Clear, read: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = pack(read, &clear.id.to_string(), clear.camera.as_str());
    let nonce = Nonce::assume_unique_for_key(nonce(counter));
    key.seal_in_place_append_tag(nonce, Aad::from(bound(id, counter, clear)), &mut bytes).ok()?;
    Some([&Body::header(id, counter)[..], &bytes].concat())
}

/// The read in a sealed body. `clear` is as bound: with the numbers under which it was sealed.
pub(super) fn open(key: &LessSafeKey, body: &Body<'_>, clear: &Clear) -> Option<Vec<u8>> {
    let nonce = Nonce::assume_unique_for_key(nonce(body.counter));
    let mut bytes = body.sealed.to_vec();
    let packed = key.open_in_place(nonce, Aad::from(bound(body.key, body.counter, clear)), &mut bytes).ok()?;
    unpack(packed, &clear.id.to_string(), clear.camera.as_str())
}

/// The clear fields and the header: nothing in front of the ciphertext can be changed either.
fn bound(id: KeyId, counter: u32, clear: &Clear) -> Vec<u8> {
    let mut bound = clear.associated_data();
    bound.extend_from_slice(&Body::header(id, counter));
    bound
}
