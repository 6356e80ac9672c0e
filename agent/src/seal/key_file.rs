//! Key files: an agency's pair, each half a short text of its own kind, so that the wrong file is told at once.

use super::hex;
use aws_lc_rs::agreement::{self, X25519};
use aws_lc_rs::digest::{SHA256, digest};
use aws_lc_rs::hmac;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle_core::ids::printable;
use rustls::crypto::aws_lc_rs::hpke::DH_KEM_X25519_HKDF_SHA256_AES_256;
use rustls::crypto::hpke::Hpke as _;
use std::io::Read as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// First line of a public key's file.
const PUBLIC: &str = "pintle seal key 1 public";
/// First line of a private key's file.
const PRIVATE: &str = "pintle seal key 1 private";
/// Longest name of a key, characters.
const NAME_CHARS_MAX: usize = 60;
/// Longest key file, bytes (our own limit: ours have 200).
const FILE_BYTES_MAX: u64 = 4096;
/// Shortest secret for a disk key, bytes.
const DISK_BYTES_MIN: usize = 32;

/// Why a key file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum KeyFileError {
    /// The system refused.
    #[error("the key file {path} can't be read: {source}", path = path.display())]
    System {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Another kind of file.
    #[error("{path} is {found}, but {wanted} is needed here", path = path.display())]
    WrongKind {
        /// Which.
        path: PathBuf,
        /// What it is.
        found: &'static str,
        /// What should be there.
        wanted: &'static str,
        /// What to do.
        advice: &'static str,
    },
    /// A private key that others may read.
    #[error("others than its owner may read the private key {path}", path = path.display())]
    ReadByOthers {
        /// Which.
        path: PathBuf,
    },
    /// Of the right kind, but not whole.
    #[error("the key in {path} is not right: {what}", path = path.display())]
    Damaged {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        what: &'static str,
    },
}

impl KeyFileError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::System { .. } => "look at the path and its rights",
            Self::WrongKind { advice, .. } => advice,
            Self::ReadByOthers { .. } => "take that right away (`chmod go= FILE`), and think of who may have copied it",
            Self::Damaged { .. } => {
                "copy the file again from where it was made; `pintle key show FILE` must print its name"
            }
        }
    }
}

/// What a trailer seals for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PublicKey {
    /// What people call it.
    pub name: String,
    /// X25519, 32 bytes.
    pub bytes: [u8; 32],
}

/// What opens. No `Debug`: it holds a secret.
pub struct PrivateKey {
    /// Its other half.
    pub public: PublicKey,
    /// X25519, 32 bytes.
    pub secret: Zeroizing<Vec<u8>>,
}

impl PublicKey {
    /// The first 8 bytes of its SHA-256: names it in files and events.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        hex(&digest(&SHA256, &self.bytes).as_ref()[..8])
    }
}

/// Makes a pair: the text of the private file and that of the public one. `None` if the system gives no random bytes.
#[must_use]
pub fn make(name: &str) -> Option<(Zeroizing<String>, String)> {
    let (public, secret) = DH_KEM_X25519_HKDF_SHA256_AES_256.generate_key_pair().ok()?;
    let name = printable(name.trim(), NAME_CHARS_MAX);
    let public = BASE64.encode(&public.0);
    let secret = Zeroizing::new(BASE64.encode(secret.secret_bytes()));
    let private = Zeroizing::new(format!("{PRIVATE}\nname {name}\nsecret {}\npublic {public}\n", *secret));
    Some((private, format!("{PUBLIC}\nname {name}\npublic {public}\n")))
}

/// Reads a public key.
///
/// # Errors
/// [`KeyFileError`]
pub fn read_public(path: &Path) -> Result<PublicKey, KeyFileError> {
    let bytes = read(path)?;
    let advice = "name the file with the ending .pub that `pintle key new` wrote beside the private key";
    let text = of_kind(path, &bytes, PUBLIC, "a public seal key", advice)?;
    let public = public_in(path, text)?;
    // A point that gives no secret would let everybody open what is sealed for it.
    if super::wrap_for(&public.bytes, b"", b"trial").is_none() {
        return Err(KeyFileError::Damaged { path: path.to_owned(), what: "nothing can be sealed for this key" });
    }
    Ok(public)
}

/// Reads a private key. Nobody but its owner may be able to read the file.
///
/// # Errors
/// [`KeyFileError`]
pub fn read_private(path: &Path) -> Result<PrivateKey, KeyFileError> {
    let bytes = read(path)?;
    let advice =
        "name the file with the ending .key that `pintle key new` wrote; it belongs to the agency, never on a trailer";
    let text = of_kind(path, &bytes, PRIVATE, "a private seal key", advice)?;
    let damaged = |what| KeyFileError::Damaged { path: path.to_owned(), what };
    let public = public_in(path, text)?;
    let secret = field(text, "secret").and_then(|text| BASE64.decode(text).ok());
    let secret =
        Zeroizing::new(secret.filter(|bytes| bytes.len() == 32).ok_or_else(|| damaged("its secret is not whole"))?);
    let own =
        agreement::PrivateKey::from_private_key(&X25519, &secret).ok().and_then(|key| key.compute_public_key().ok());
    if path.metadata().is_ok_and(|meta| meta.mode() & 0o077 != 0) {
        return Err(KeyFileError::ReadByOthers { path: path.to_owned() });
    }
    if own.is_none_or(|own| own.as_ref() != public.bytes) {
        return Err(damaged("its two halves do not belong together"));
    }
    Ok(PrivateKey { public, secret })
}

/// The key of this disk, made from the bytes of a file (a systemd credential).
///
/// # Errors
/// [`KeyFileError`]
pub fn disk_key(path: &Path) -> Result<Zeroizing<[u8; 32]>, KeyFileError> {
    let bytes = read(path)?;
    let wanted = "a file of at least 32 random bytes";
    let advice = "make one with `systemd-creds encrypt` from 32 bytes of /dev/urandom, and name it by its place below \
                  /run/credentials";
    let found = kind(&bytes);
    if bytes.len() < DISK_BYTES_MIN || found != UNKNOWN {
        let found = if bytes.len() < DISK_BYTES_MIN { "too short" } else { found };
        return Err(KeyFileError::WrongKind { path: path.to_owned(), found, wanted, advice });
    }
    let mut key = Zeroizing::new([0; 32]);
    key.copy_from_slice(hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, &bytes), b"pintle disk key 1").as_ref());
    Ok(key)
}

/// Whether a file lies on the same device as a folder: then whoever takes the disk takes both.
#[must_use]
pub(super) fn on_one_disk(file: &Path, folder: &Path) -> bool {
    let device = |path: &Path| path.metadata().ok().map(|meta| meta.dev());
    device(file).is_some() && device(file) == device(folder)
}

fn read(path: &Path) -> Result<Zeroizing<Vec<u8>>, KeyFileError> {
    let fail = |source| KeyFileError::System { path: path.to_owned(), source };
    let mut bytes = Zeroizing::new(Vec::new());
    std::fs::File::open(path).map_err(fail)?.take(FILE_BYTES_MAX).read_to_end(&mut bytes).map_err(fail)?;
    Ok(bytes)
}

const UNKNOWN: &str = "no key file of any kind that is known here";

/// What a file is, by how it begins.
fn kind(bytes: &[u8]) -> &'static str {
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_start();
    let kinds = [
        (PUBLIC, "a public seal key"),
        (PRIVATE, "a private seal key"),
        ("pintle ", "another key file of Pintle"),
        ("-----BEGIN CERTIFICATE", "a certificate (PEM)"),
        ("-----BEGIN OPENSSH", "a key for SSH"),
        ("-----BEGIN PUBLIC KEY", "a public key in PEM"),
        ("-----BEGIN", "a private key in PEM, for TLS"),
        ("ssh-", "a public key for SSH"),
    ];
    kinds.iter().find(|(start, _)| text.starts_with(start)).map_or(UNKNOWN, |(_, what)| what)
}

fn of_kind<'b>(
    path: &Path,
    bytes: &'b [u8],
    first: &str,
    wanted: &'static str,
    advice: &'static str,
) -> Result<&'b str, KeyFileError> {
    let text = std::str::from_utf8(bytes).ok();
    let rest = text.and_then(|text| text.strip_prefix(first)).filter(|rest| rest.starts_with(['\n', '\r']));
    rest.ok_or_else(|| KeyFileError::WrongKind { path: path.to_owned(), found: kind(bytes), wanted, advice })
}

fn field<'t>(text: &'t str, name: &str) -> Option<&'t str> {
    text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' ')).map(str::trim)
}

fn public_in(path: &Path, text: &str) -> Result<PublicKey, KeyFileError> {
    let bytes = field(text, "public").and_then(|text| BASE64.decode(text).ok()).and_then(|bytes| bytes.try_into().ok());
    let what = "its public half is not 32 bytes in base64";
    let bytes = bytes.ok_or(KeyFileError::Damaged { path: path.to_owned(), what })?;
    Ok(PublicKey { name: printable(field(text, "name").unwrap_or(""), NAME_CHARS_MAX), bytes })
}
