//! Files that are never seen half written: write beside, sync, rename, sync the folder. Rename alone is not power-safe.

use nix::errno::Errno;
use nix::fcntl::{Flock, FlockArg};
use nix::unistd::{Gid, Group, chown};
use std::fs::{DirBuilder, File, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// How the name of a file begins that is not whole yet.
const BESIDE: &str = ".new-";

/// Why a file or folder could not be made.
#[derive(Debug, thiserror::Error)]
pub enum FilesError {
    /// The folder can't be made or has a wrong owner.
    #[error("the folder {path} can't be made ready")]
    Folder {
        /// Which.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// The file can't be written.
    #[error("the file {path} can't be written")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// Another process has the folder for itself.
    #[error("another agent writes its files into {path}")]
    Taken {
        /// Which.
        path: PathBuf,
    },
    /// There is no such group.
    #[error("there is no group \"{name}\"")]
    NoGroup {
        /// Which.
        name: String,
    },
}

impl FilesError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Folder { .. } => "give the agent's user the right to write there, or name another folder",
            Self::File { .. } => "look at the free space and the mount of that folder",
            Self::Taken { .. } => "stop the other agent, or give this one a trailer.runtime_dir of its own",
            Self::NoGroup { .. } => "make the group (systemd-sysusers does it) or leave the key out",
        }
    }
}

/// Name of the file by which a process has a folder for itself.
const CLAIM: &str = "agent.lock";

/// A folder that is one process's own until this is dropped, or the process ends however it does.
#[derive(Debug)]
pub struct Claim {
    _lock: Flock<File>,
}

impl Claim {
    /// Takes `folder`, which is there.
    ///
    /// # Errors
    /// [`FilesError::Taken`] if another process has it, else [`FilesError::Folder`].
    pub fn take(folder: &Path) -> Result<Self, FilesError> {
        let wrong = |source| FilesError::Folder { path: folder.to_owned(), source };
        let mut options = File::options();
        let file = options.write(true).create(true).truncate(false).mode(0o600).open(folder.join(CLAIM));
        match Flock::lock(file.map_err(wrong)?, FlockArg::LockExclusiveNonblock) {
            Ok(lock) => Ok(Self { _lock: lock }),
            Err((_, Errno::EWOULDBLOCK)) => Err(FilesError::Taken { path: folder.to_owned() }),
            Err((_, errno)) => Err(wrong(errno.into())),
        }
    }
}

/// A folder whose files are replaced one by one, each with the same rights.
#[derive(Clone, Debug)]
pub struct Folder {
    path: PathBuf,
    file_mode: u32,
    group: Option<Gid>,
}

impl Folder {
    /// Makes the folder (and those above it) with `mode`, its files with `file_mode`, both for `group` if one is named.
    ///
    /// # Errors
    /// [`FilesError::NoGroup`] or [`FilesError::Folder`].
    pub fn ready(path: PathBuf, mode: u32, file_mode: u32, group: Option<&str>) -> Result<Self, FilesError> {
        let group = match group {
            Some(name) => match Group::from_name(name) {
                Ok(Some(group)) => Some(group.gid),
                Ok(None) | Err(_) => return Err(FilesError::NoGroup { name: name.to_owned() }),
            },
            None => None,
        };
        let made = DirBuilder::new().recursive(true).mode(0o755).create(&path).and_then(|()| {
            // The umask does not count: who may read is said by the configuration.
            std::fs::set_permissions(&path, Permissions::from_mode(mode))?;
            owned_by(&path, group)
        });
        match made {
            Ok(()) => {
                sweep(&path);
                Ok(Self { path, file_mode, group })
            }
            Err(source) => Err(FilesError::Folder { path, source }),
        }
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Replaces the file `name` as a whole: a reader gets the old bytes or the new ones, never a mixture.
    ///
    /// # Errors
    /// [`FilesError::File`]; then the old file stands.
    pub fn replace(&self, name: &str, bytes: &[u8]) -> Result<(), FilesError> {
        let path = self.path.join(name);
        self.replace_at(&path, bytes).map_err(|source| FilesError::File { path, source })
    }

    /// Appends to the file `name` and syncs it. A power cut may leave a part of `bytes` there: readers judge the end.
    ///
    /// # Errors
    /// [`FilesError::File`]; then nobody knows how much of it is there.
    pub fn append(&self, name: &str, bytes: &[u8]) -> Result<(), FilesError> {
        let path = self.path.join(name);
        if !path.exists() {
            return self.replace(name, bytes);
        }
        let appended = File::options().append(true).open(&path).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        appended.map_err(|source| FilesError::File { path, source })
    }

    fn replace_at(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let mut beside = tempfile::Builder::new().prefix(BESIDE).tempfile_in(&self.path)?;
        beside.write_all(bytes)?;
        beside.as_file().set_permissions(Permissions::from_mode(self.file_mode))?;
        owned_by(beside.path(), self.group)?;
        beside.as_file().sync_all()?;
        beside.persist(path).map_err(|error| error.error)?;
        File::open(&self.path)?.sync_all()
    }
}

/// Takes away what a killed writer left beside. What can't be taken away costs a little space.
fn sweep(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_name().as_encoded_bytes().starts_with(BESIDE.as_bytes()) {
            drop(std::fs::remove_file(entry.path()));
        }
    }
}

fn owned_by(path: &Path, group: Option<Gid>) -> io::Result<()> {
    match group {
        Some(group) => chown(path, None, Some(group)).map_err(io::Error::from),
        None => Ok(()),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn mode(path: &Path) -> u32 {
        std::fs::metadata(path).unwrap().permissions().mode() & 0o777
    }

    #[test]
    fn folder_and_files_have_the_rights_that_were_asked_for() {
        let base = tempfile::tempdir().unwrap();
        let folder = Folder::ready(base.path().join("run/health"), 0o750, 0o640, None).unwrap();
        folder.replace("a.txt", b"one").unwrap();
        folder.replace("a.txt", b"two").unwrap();
        let file = folder.path().join("a.txt");
        assert_eq!((mode(folder.path()), mode(&file)), (0o750, 0o640));
        assert_eq!(std::fs::read(&file).unwrap(), b"two");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside");
    }

    #[test]
    fn what_a_killed_writer_left_beside_is_taken_away_and_nothing_else() {
        let base = tempfile::tempdir().unwrap();
        for name in [".new-aB3dE6", "health.json", ".newer"] {
            std::fs::write(base.path().join(name), "x").unwrap();
        }
        Folder::ready(base.path().to_owned(), 0o750, 0o640, None).unwrap();
        let mut left: Vec<_> = std::fs::read_dir(base.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        left.sort();
        assert_eq!(left, [".newer", "health.json"]);
    }

    #[test]
    fn unknown_group_is_named_with_what_to_do() {
        let base = tempfile::tempdir().unwrap();
        let error = Folder::ready(base.path().join("x"), 0o750, 0o640, Some("no-such-group-here")).unwrap_err();
        assert_eq!(error.to_string(), "there is no group \"no-such-group-here\"");
        assert!(error.advice().contains("systemd-sysusers"));
    }
}
