//! Sealing: content keys that live in memory only, wrapped for the agency (HPKE, RFC 9180) or for this disk. Decision
//! 22 tells why it is so; what is bound and how the bytes lie is in `pintle_core::seal`.

mod aead;
mod file;
mod key_file;
mod keyring;
mod opener;
mod picture;
mod wrap;

pub use key_file::{KeyFileError, PrivateKey, PublicKey, disk_key, make, read_private, read_public};
pub use keyring::{Keyring, KeyringError, Seal, count_of_keys};
pub use opener::{OpenError, Opener, SealedRead, Wrapped};
pub use picture::{Pictures, is_sealed_picture, open_picture};
pub use wrap::{HPKE_INFO, unwrap_with, wrap_for};

/// Lower-case hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    let digit = |value: u8| char::from_digit(u32::from(value), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
}
