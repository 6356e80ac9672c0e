//! What the store asks of whoever seals reads. The store knows no cryptography: it only says under which numbers a read
//! is taken, and when nothing under a key is left.

use pintle_core::seal::{Clear, KeyId};
use std::sync::Arc;

/// Why a read can't be sealed or a key not destroyed.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct SealError(pub String);

/// How a stored read goes out.
pub enum Outgoing {
    /// As JSON in clear: it was sealed for this disk only.
    Plain(Vec<u8>),
    /// As a JSON object that only the agency can open.
    Sealed(Vec<u8>),
    /// Its key is gone, or the bytes are damaged.
    Lost(String),
}

/// What rows a key may have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyUse {
    /// Which key.
    pub key: KeyId,
    /// Class of its reads.
    pub hit: bool,
    /// Camera of its reads.
    pub camera: String,
    /// The lowest sequence that it can have sealed.
    pub first: u64,
    /// The highest.
    pub last: u64,
}

/// The stored form of a picture; `None` if it can't be sealed here.
pub type PictureSealer = Arc<dyn Fn(&[u8]) -> Option<Vec<u8>> + Send + Sync>;

/// Seals reads on their way into the file.
pub trait Sealer: Send {
    /// `source` of the trailer, which is bound to every read.
    fn source(&self) -> &str;

    /// Who seals pictures; `None` if they stay as they are.
    fn pictures(&self) -> Option<PictureSealer>;

    /// Whether reads are sealed from now on. False where only earlier ones are still to be sent.
    fn seals(&self) -> bool;

    /// Seals a read that was born at `born` on the store's clock, now at `lived`, both ms. The key's wrapped form is on
    /// the disk when this returns.
    ///
    /// # Errors
    /// [`SealError`]: the read must not be taken.
    fn seal(&mut self, clear: &Clear, read: &[u8], born: i64, lived: i64) -> Result<Vec<u8>, SealError>;

    /// A sealed read got another number: its key is needed for as long as that row is there.
    fn moved(&mut self, stored: &[u8], sequence: u64);

    /// Whether `stored` holds `read`; `None` if nobody here can tell any more.
    fn same(&mut self, clear: &Clear, stored: &[u8], read: &[u8]) -> Option<bool>;

    /// How it goes out.
    fn outgoing(&mut self, clear: &Clear, stored: &[u8]) -> Outgoing;

    /// Keys that may be done with at `lived`, a few at a time; `sequence` is the highest given in `generation`.
    fn ripe(&mut self, lived: i64, generation: &[u8; 16], sequence: u64) -> Vec<KeyUse>;

    /// What rows a key may have, of those numbered up to `sequence` in `generation`; `None` if it is not known here.
    fn used(&self, key: KeyId, generation: &[u8; 16], sequence: u64) -> Option<KeyUse>;

    /// Destroys keys, here and on the disk.
    ///
    /// # Errors
    /// [`SealError`]: they are tried again.
    fn destroy(&mut self, keys: &[KeyId]) -> Result<(), SealError>;

    /// Reads the key files anew; from now on new content keys are used.
    ///
    /// # Errors
    /// [`SealError`] if a file is not right: then all stays as it was.
    fn rotate(&mut self) -> Result<(), SealError>;
}
