//! The page's own folder: small files that only the page's user can read, replaced as a whole.

use serde::Serialize;
use serde::de::DeserializeOwned;
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

/// Longer than this is no file of ours.
const BYTES_MAX: u64 = 1 << 20;

/// Why something of the page can't be kept or fetched.
#[derive(Debug, thiserror::Error)]
pub(super) enum StateError {
    #[error("can't use {path}: {source}", path = path.display())]
    File { path: PathBuf, source: io::Error },
    #[error("{path} is not as this program writes it", path = path.display())]
    Damaged { path: PathBuf },
    #[error("the PIN can't be hashed")]
    Hash,
    #[error("a certificate can't be made: {0}")]
    Certificate(String),
}

impl StateError {
    pub(super) fn advice(&self) -> &'static str {
        match self {
            Self::File { .. } => {
                "run it as the page's user (sudo -u pintle-page pintle page pin …), and give it a folder with --state"
            }
            Self::Damaged { .. } => "move that file away; a new PIN is set by `pintle page pin`",
            Self::Hash | Self::Certificate(_) => "look at the memory and the entropy of this computer",
        }
    }
}

/// Makes the folder if it is not there.
pub(super) fn ready(folder: &Path) -> Result<(), StateError> {
    let made = std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder);
    made.map_err(|source| StateError::File { path: folder.to_owned(), source })
}

/// The bytes of a file; `None` if there is none.
pub(super) fn read(folder: &Path, name: &str) -> Result<Option<Vec<u8>>, StateError> {
    let path = folder.join(name);
    let mut bytes = Vec::new();
    match File::open(&path).and_then(|file| file.take(BYTES_MAX).read_to_end(&mut bytes)) {
        Ok(_) => Ok(Some(bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(StateError::File { path, source }),
    }
}

/// Writes beside, syncs, replaces.
pub(super) fn write(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), StateError> {
    ready(folder)?;
    let (path, beside) = (folder.join(name), folder.join(format!(".{name}.new")));
    let written = || -> io::Result<()> {
        let mut file = OpenOptions::new().create(true).write(true).truncate(true).mode(0o600).open(&beside)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&beside, &path)?;
        File::open(folder)?.sync_all()
    };
    written().map_err(|source| StateError::File { path, source })
}

pub(super) fn read_json<T: DeserializeOwned>(folder: &Path, name: &str) -> Result<Option<T>, StateError> {
    let Some(bytes) = read(folder, name)? else { return Ok(None) };
    serde_json::from_slice(&bytes).map(Some).map_err(|_| StateError::Damaged { path: folder.join(name) })
}

pub(super) fn write_json(folder: &Path, name: &str, value: &impl Serialize) -> Result<(), StateError> {
    let bytes = serde_json::to_vec_pretty(value).map_err(|_| StateError::Damaged { path: folder.join(name) })?;
    write(folder, name, &bytes)
}
