//! Signed files and the keys that sign them: `Ed25519` (RFC 8032), one key for each trailer and one for the agency.

use aws_lc_rs::signature::{ED25519, Ed25519KeyPair, KeyPair as _, UnparsedPublicKey};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

/// First word of every signed file; part of what is signed, so that no signature fits a file of another kind.
const MAGIC: &str = "pintle-courier-1";
/// First word of a request from afar.
pub const ASKED_MAGIC: &str = "pintle-asked-1";
/// Longest signed file, bytes (our own limit: a batch has 8 MiB at most, and its envelope).
pub const FILE_BYTES_MAX: u64 = 20 << 20;
/// Length of an Ed25519 public key, bytes. Source: RFC 8032 section 5.1.5.
const KEY_BYTES: usize = 32;

/// Why a signed file or a key can't be used. Holds nothing of the content.
#[derive(Debug, thiserror::Error)]
pub enum SignedError {
    /// The file system.
    #[error("{path}: {source}")]
    File {
        /// Which file.
        path: String,
        /// What the system said.
        source: io::Error,
    },
    /// It is no file of this kind, or cut off.
    #[error("{path} is no signed file, or is cut off")]
    Form {
        /// Which file.
        path: String,
    },
    /// The signature does not fit the key.
    #[error("{path}: the signature does not fit: it was changed, cut off, or signed by somebody else")]
    Signature {
        /// Which file.
        path: String,
    },
    /// No key of ours.
    #[error("{path} holds no key")]
    Key {
        /// Which file.
        path: String,
    },
}

fn file_error(path: &Path) -> impl FnOnce(io::Error) -> SignedError + '_ {
    |source| SignedError::File { path: path.display().to_string(), source }
}

/// A key that signs.
pub struct Signer(Ed25519KeyPair);

impl Signer {
    /// Reads the key in `path`, or makes one there, for the owner's eyes only (mode 0600), synced before it is used.
    ///
    /// # Errors
    /// [`SignedError`]
    pub fn ready(path: &Path) -> Result<Self, SignedError> {
        let bad = || SignedError::Key { path: path.display().to_string() };
        match std::fs::read(path) {
            Ok(bytes) => return Ed25519KeyPair::from_pkcs8(&bytes).map(Self).map_err(|_| bad()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(file_error(path)(error)),
        }
        let made = Ed25519KeyPair::generate_pkcs8(&aws_lc_rs::rand::SystemRandom::new()).map_err(|_| bad())?;
        let folder = path.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(file_error(folder))?;
        let opened = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
        let mut file = match opened {
            // The other lane was quicker.
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Self::ready(path),
            other => other.map_err(file_error(path))?,
        };
        file.write_all(made.as_ref()).and_then(|()| file.sync_all()).map_err(file_error(path))?;
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(file_error(folder))?;
        Ed25519KeyPair::from_pkcs8(made.as_ref()).map(Self).map_err(|_| bad())
    }

    /// The public key as people pass it on: `ed25519:<base64>`.
    #[must_use]
    pub fn public(&self) -> String {
        PublicKey::from(self).shown()
    }

    /// The content with its signature before it.
    #[must_use]
    pub fn sign(&self, content: &[u8]) -> Vec<u8> {
        self.sign_as(MAGIC, content)
    }

    /// The same for a thing of another kind, which `magic` names.
    #[must_use]
    pub fn sign_as(&self, magic: &str, content: &[u8]) -> Vec<u8> {
        let signature = self.0.sign(&[magic.as_bytes(), b"\n", content].concat());
        let head = format!("{magic} {}\n", BASE64_STANDARD.encode(signature.as_ref()));
        [head.as_bytes(), content].concat()
    }
}

/// Somebody's public key.
#[derive(Clone, PartialEq, Eq)]
pub struct PublicKey([u8; KEY_BYTES]);

impl PublicKey {
    /// Reads `ed25519:<base64>`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let bytes = BASE64_STANDARD.decode(text.trim().strip_prefix("ed25519:")?).ok()?;
        bytes.try_into().ok().map(Self)
    }

    /// As people pass it on, see [`Self::parse`].
    #[must_use]
    pub fn shown(&self) -> String {
        format!("ed25519:{}", BASE64_STANDARD.encode(self.0))
    }

    /// Reads the file at `path` whose first word is a public key.
    ///
    /// # Errors
    /// [`SignedError`]
    pub fn read(path: &Path) -> Result<Self, SignedError> {
        let text = std::fs::read_to_string(path).map_err(file_error(path))?;
        let bad = || SignedError::Key { path: path.display().to_string() };
        text.split_whitespace().find_map(Self::parse).ok_or_else(bad)
    }

    /// The content of a signed thing of the kind `magic`, if it is signed by this key.
    #[must_use]
    pub fn opened(&self, magic: &str, bytes: &[u8]) -> Option<Vec<u8>> {
        let end = bytes.iter().take(200).position(|byte| *byte == b'\n')?;
        let head = std::str::from_utf8(bytes.get(..end)?).ok()?.strip_prefix(magic)?;
        let signature = BASE64_STANDARD.decode(head.trim()).ok()?;
        let content = bytes.get(end + 1..)?;
        let signed = [magic.as_bytes(), b"\n", content].concat();
        UnparsedPublicKey::new(&ED25519, &self.0).verify(&signed, &signature).ok()?;
        Some(content.to_vec())
    }

    /// The content of the signed file at `path`, if it is signed by this key.
    ///
    /// # Errors
    /// [`SignedError`]
    pub fn open(&self, path: &Path) -> Result<Vec<u8>, SignedError> {
        let mut bytes = Vec::new();
        let file = File::open(path).map_err(file_error(path))?;
        file.take(FILE_BYTES_MAX).read_to_end(&mut bytes).map_err(file_error(path))?;
        let shown = || path.display().to_string();
        let end = bytes.iter().take(200).position(|byte| *byte == b'\n');
        let end = end.ok_or_else(|| SignedError::Form { path: shown() })?;
        let head = std::str::from_utf8(&bytes[..end]).ok().and_then(|head| head.strip_prefix(MAGIC));
        let signature = head.and_then(|head| BASE64_STANDARD.decode(head.trim()).ok());
        let signature = signature.ok_or_else(|| SignedError::Form { path: shown() })?;
        let content = bytes.split_off(end + 1);
        let signed = [MAGIC.as_bytes(), b"\n", &content].concat();
        UnparsedPublicKey::new(&ED25519, &self.0)
            .verify(&signed, &signature)
            .map_err(|_| SignedError::Signature { path: shown() })?;
        Ok(content)
    }
}

impl From<&Signer> for PublicKey {
    fn from(signer: &Signer) -> Self {
        let mut bytes = [0; KEY_BYTES];
        bytes.copy_from_slice(signer.0.public_key().as_ref());
        Self(bytes)
    }
}

/// Writes beside, syncs, renames, syncs the folder: after a pulled stick the file is whole or not there.
///
/// # Errors
/// What the system said; what was begun is taken away if that is still possible.
pub fn write_whole(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    std::fs::create_dir_all(folder)?;
    // No temporary name of a library: FAT knows no hidden files and no long random names that differ by case.
    let beside = folder.join(format!("{name}.new"));
    let written = (|| {
        let mut file = File::create(&beside)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&beside, folder.join(name))?;
        File::open(folder)?.sync_all()
    })();
    if written.is_err() {
        drop(std::fs::remove_file(&beside));
    }
    written
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    #[test]
    fn a_key_is_made_once_for_its_owner_alone_and_every_change_of_a_file_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let key = folder.path().join("state/courier.key");
        let signer = Signer::ready(&key).unwrap();
        assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(Signer::ready(&key).unwrap().public(), signer.public());
        let public = PublicKey::parse(&signer.public()).unwrap();
        let path = folder.path().join("file");
        let good = signer.sign(b"content\nof two lines");
        std::fs::write(&path, &good).unwrap();
        assert_eq!(public.open(&path).unwrap(), b"content\nof two lines");
        for at in 0..good.len() {
            let mut changed = good.clone();
            changed[at] ^= 1;
            std::fs::write(&path, &changed).unwrap();
            assert!(public.open(&path).is_err(), "byte {at} changed");
            std::fs::write(&path, &good[..at]).unwrap();
            assert!(public.open(&path).is_err(), "cut off at {at}");
        }
        std::fs::write(&path, &good).unwrap();
        let other = Signer::ready(&folder.path().join("other")).unwrap();
        assert!(matches!(PublicKey::from(&other).open(&path), Err(SignedError::Signature { .. })));
    }
}
