//! Wrapping content keys: for an agency by HPKE (RFC 9180, base mode, DHKEM(X25519, HKDF-SHA256), HKDF-SHA256,
//! AES-256-GCM), for this disk by AES-256-GCM under a key from a file.

use super::aead::{KEY_BYTES, KeyBytes, random};
use aws_lc_rs::aead::{AES_256_GCM, Aad, LessSafeKey, Nonce, UnboundKey};
use rustls::crypto::aws_lc_rs::hpke::DH_KEM_X25519_HKDF_SHA256_AES_256;
use rustls::crypto::hpke::{EncapsulatedSecret, Hpke as _, HpkePrivateKey, HpkePublicKey};
use zeroize::Zeroizing;

/// `info` of HPKE: what the wrapped key is for.
pub const HPKE_INFO: &[u8] = b"pintle content key 1";
/// Length of an encapsulated X25519 key.
const ENC_BYTES: usize = 32;
/// Length of the nonce of a disk wrap. It is random: 2^32 wraps under one key are far away (NIST SP 800-38D).
const NONCE_BYTES: usize = 12;

/// A content key for an agency: encapsulated key, then ciphertext. `bound` is associated data. `None` if the public
/// key is no good.
#[must_use]
pub fn wrap_for(public: &[u8], bound: &[u8], key: &[u8]) -> Option<Vec<u8>> {
    let public = HpkePublicKey(public.to_vec());
    let (enc, sealed) = DH_KEM_X25519_HKDF_SHA256_AES_256.seal(HPKE_INFO, bound, key, &public).ok()?;
    Some([enc.0, sealed].concat())
}

/// The content key in `wrapped`. `None` if it is for somebody else, or altered.
#[must_use]
pub fn unwrap_with(secret: &[u8], bound: &[u8], wrapped: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
    let (enc, sealed) = wrapped.split_at_checked(ENC_BYTES)?;
    let (enc, secret) = (EncapsulatedSecret(enc.to_vec()), HpkePrivateKey::from(secret.to_vec()));
    let key = DH_KEM_X25519_HKDF_SHA256_AES_256.open(&enc, HPKE_INFO, bound, sealed, &secret).ok()?;
    Some(Zeroizing::new(key))
}

/// A content key for this disk.
pub(super) fn wrap_for_disk(disk_key: &[u8; KEY_BYTES], bound: &[u8], key: &[u8; KEY_BYTES]) -> Option<Vec<u8>> {
    let nonce = random::<NONCE_BYTES>()?;
    let mut bytes = key.to_vec();
    let with = LessSafeKey::new(UnboundKey::new(&AES_256_GCM, disk_key).ok()?);
    with.seal_in_place_append_tag(Nonce::assume_unique_for_key(*nonce), Aad::from(bound), &mut bytes).ok()?;
    Some([&nonce[..], &bytes].concat())
}

/// The content key in a disk wrap.
pub(super) fn unwrap_from_disk(disk_key: &[u8; KEY_BYTES], bound: &[u8], wrapped: &[u8]) -> Option<KeyBytes> {
    let (nonce, sealed) = wrapped.split_at_checked(NONCE_BYTES)?;
    let with = LessSafeKey::new(UnboundKey::new(&AES_256_GCM, disk_key).ok()?);
    let nonce = Nonce::try_assume_unique_for_key(nonce).ok()?;
    let mut bytes = Zeroizing::new(sealed.to_vec());
    let key = with.open_in_place(nonce, Aad::from(bound), &mut bytes).ok()?;
    let mut out = Zeroizing::new([0; KEY_BYTES]);
    if key.len() != KEY_BYTES {
        return None;
    }
    out.copy_from_slice(key);
    Some(out)
}
