//! Opens files below a folder and nowhere else: one name after the other, from the descriptor of the folder on, and
//! never through a link. Whoever changes names meanwhile can make an opening fail, but can't lead it out (source:
//! fault 97).

use nix::fcntl::{AtFlags, OFlag, openat};
use nix::sys::stat::{FileStat, Mode, SFlag, fstat, fstatat};
use nix::unistd::{UnlinkatFlags, unlinkat};
use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStringExt;
use std::path::Path;

/// Why a file is not taken. No text repeats its name.
#[derive(Debug, thiserror::Error)]
pub enum BeneathError {
    /// Not there.
    #[error("is not there")]
    Missing,
    /// A link, a folder, a pipe, a socket or a device.
    #[error("is no plain file, or is reached through a link")]
    NotPlain,
    /// It has other names.
    #[error("has a second name (a hard link)")]
    HardLink,
    /// Too large.
    #[error("is larger than {max} bytes")]
    TooLarge {
        /// The limit.
        max: u64,
    },
    /// It changed while it was read.
    #[error("changed while it was read; write it wholly, then hand it in")]
    Changing,
    /// The system said no.
    #[error("can't be read: {0}")]
    System(io::Error),
}

impl From<nix::errno::Errno> for BeneathError {
    fn from(errno: nix::errno::Errno) -> Self {
        use nix::errno::Errno;
        match errno {
            Errno::ENOENT => Self::Missing,
            Errno::ELOOP | Errno::ENOTDIR | Errno::ENXIO | Errno::EISDIR => Self::NotPlain,
            other => Self::System(other.into()),
        }
    }
}

/// A folder by its descriptor: a later change of its own name changes nothing.
#[derive(Debug)]
pub struct Beneath {
    dir: OwnedFd,
}

/// By what a later look knows whether a file is still as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AsItWas {
    /// Its size, bytes.
    pub bytes: u64,
    /// Seconds and nanoseconds of its last change, by whatever clock: only good for a comparison.
    pub modified: (i64, i64),
    /// Its number in the file system: another file under the same name has another one.
    pub inode: u64,
}

impl AsItWas {
    fn of(stat: &FileStat) -> Self {
        Self {
            bytes: u64::try_from(stat.st_size).unwrap_or(0),
            modified: (stat.st_mtime, stat.st_mtime_nsec),
            inode: stat.st_ino,
        }
    }
}

/// One entry of a folder.
#[derive(Debug)]
pub struct Found {
    /// Its name.
    pub name: OsString,
    /// True for a plain file with one name.
    pub plain: bool,
    /// True for a folder.
    pub folder: bool,
    /// Its size, bytes.
    pub bytes: u64,
    /// Number of its owner.
    pub owner: u32,
    /// Its rights, the lowest twelve bits of its mode.
    pub mode: u32,
    /// Its number in the file system.
    pub inode: u64,
}

impl Beneath {
    /// Opens the folder. Links in its own path are the configuration's business and are followed.
    ///
    /// # Errors
    /// What the system says.
    pub fn open(folder: &Path) -> io::Result<Self> {
        let flags = OFlag::O_DIRECTORY | OFlag::O_RDONLY | OFlag::O_CLOEXEC;
        Ok(Self { dir: nix::fcntl::open(folder, flags, Mode::empty())? })
    }

    /// Reads a whole plain file below the folder.
    ///
    /// # Errors
    /// [`BeneathError`].
    pub fn read(&self, parts: &[&str], bytes_max: u64) -> Result<Vec<u8>, BeneathError> {
        self.read_seen(parts, bytes_max).map(|(bytes, _)| bytes)
    }

    /// Like [`Self::read`]; answers also how the file was when exactly these bytes were in it.
    ///
    /// # Errors
    /// [`BeneathError`].
    pub fn read_seen(&self, parts: &[&str], bytes_max: u64) -> Result<(Vec<u8>, AsItWas), BeneathError> {
        let Some((name, folders)) = parts.split_last() else { return Err(BeneathError::NotPlain) };
        let mut below: Option<OwnedFd> = None;
        for folder in folders {
            let from = below.as_ref().map_or_else(|| self.dir.as_fd(), AsFd::as_fd);
            let flags = OFlag::O_DIRECTORY | OFlag::O_NOFOLLOW | OFlag::O_RDONLY | OFlag::O_CLOEXEC;
            below = Some(openat(from, *folder, flags, Mode::empty())?);
        }
        let from = below.as_ref().map_or_else(|| self.dir.as_fd(), AsFd::as_fd);
        // A pipe must not hold up the opening.
        let flags = OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK | OFlag::O_NOCTTY | OFlag::O_RDONLY | OFlag::O_CLOEXEC;
        let file = File::from(openat(from, *name, flags, Mode::empty())?);
        let before = fstat(&file)?;
        if kind(&before) != SFlag::S_IFREG {
            return Err(BeneathError::NotPlain);
        }
        if before.st_nlink != 1 {
            return Err(BeneathError::HardLink);
        }
        let mut bytes = Vec::new();
        (&file).take(bytes_max.saturating_add(1)).read_to_end(&mut bytes).map_err(BeneathError::System)?;
        if bytes_max < bytes.len() as u64 {
            return Err(BeneathError::TooLarge { max: bytes_max });
        }
        let after = fstat(&file)?;
        let seen = AsItWas::of(&after);
        if AsItWas::of(&before) != seen || seen.bytes != bytes.len() as u64 {
            return Err(BeneathError::Changing);
        }
        Ok((bytes, seen))
    }

    /// All entries of the folder itself, without `.` and `..`.
    ///
    /// # Errors
    /// What the system says.
    pub fn list(&self) -> io::Result<Vec<Found>> {
        let again = openat(&self.dir, ".", OFlag::O_DIRECTORY | OFlag::O_RDONLY | OFlag::O_CLOEXEC, Mode::empty())?;
        let mut dir = nix::dir::Dir::from_fd(again)?;
        let mut found = Vec::new();
        for entry in dir.iter() {
            let name = OsString::from_vec(entry?.file_name().to_bytes().to_vec());
            if name != "." && name != ".." {
                // An entry that went meanwhile is no fault.
                found.extend(self.look(&name));
            }
        }
        Ok(found)
    }

    /// What an entry of the folder is; `None` if it is not there.
    #[must_use]
    pub fn look(&self, name: &std::ffi::OsStr) -> Option<Found> {
        let stat = fstatat(&self.dir, name, AtFlags::AT_SYMLINK_NOFOLLOW).ok()?;
        Some(Found {
            name: name.to_owned(),
            plain: kind(&stat) == SFlag::S_IFREG && stat.st_nlink == 1,
            folder: kind(&stat) == SFlag::S_IFDIR,
            bytes: u64::try_from(stat.st_size).unwrap_or(0),
            owner: stat.st_uid,
            mode: stat.st_mode & 0o7777,
            inode: stat.st_ino,
        })
    }

    /// Takes an entry of the folder away; a link itself, never what it points to.
    ///
    /// # Errors
    /// What the system says, but for an entry that is not there.
    pub fn remove(&self, name: &std::ffi::OsStr) -> io::Result<()> {
        match unlinkat(&self.dir, name, UnlinkatFlags::NoRemoveDir) {
            Ok(()) | Err(nix::errno::Errno::ENOENT) => Ok(()),
            Err(errno) => Err(errno.into()),
        }
    }

    /// Moves an entry into another folder under a new name.
    ///
    /// # Errors
    /// What the system says.
    pub fn rename(&self, name: &std::ffi::OsStr, into: &Self, new: &str) -> io::Result<()> {
        nix::fcntl::renameat(&self.dir, name, &into.dir, new).map_err(io::Error::from)
    }

    /// Opens a folder in it, made for this user alone if it is not there. A link in its place is refused.
    ///
    /// # Errors
    /// What the system says.
    pub fn folder(&self, name: &str) -> io::Result<Self> {
        match nix::sys::stat::mkdirat(&self.dir, name, Mode::S_IRWXU) {
            Ok(()) | Err(nix::errno::Errno::EEXIST) => {}
            Err(errno) => return Err(errno.into()),
        }
        let flags = OFlag::O_DIRECTORY | OFlag::O_NOFOLLOW | OFlag::O_RDONLY | OFlag::O_CLOEXEC;
        Ok(Self { dir: openat(&self.dir, name, flags, Mode::empty())? })
    }

    /// Writes and syncs a new file in it.
    ///
    /// # Errors
    /// What the system says; `AlreadyExists` if there is anything of that name.
    pub fn create(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.written(name, bytes)?.sync_all()
    }

    /// Like [`Self::create`] without the sync: for many files at once, before one [`Self::sync_files`].
    ///
    /// # Errors
    /// As [`Self::create`].
    pub fn create_unsynced(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.written(name, bytes).map(drop)
    }

    fn written(&self, name: &str, bytes: &[u8]) -> io::Result<File> {
        let flags = OFlag::O_CREAT | OFlag::O_EXCL | OFlag::O_NOFOLLOW | OFlag::O_WRONLY | OFlag::O_CLOEXEC;
        let mut file = File::from(openat(&self.dir, name, flags, Mode::S_IRUSR | Mode::S_IWUSR)?);
        file.write_all(bytes)?;
        Ok(file)
    }

    /// Syncs all that was written to the file system of the folder.
    ///
    /// # Errors
    /// What the system says.
    pub fn sync_files(&self) -> io::Result<()> {
        nix::unistd::syncfs(&self.dir).map_err(io::Error::from)
    }

    /// Syncs the folder.
    ///
    /// # Errors
    /// What the system says.
    pub fn sync(&self) -> io::Result<()> {
        nix::unistd::fsync(&self.dir).map_err(io::Error::from)
    }
}

fn kind(stat: &FileStat) -> SFlag {
    SFlag::from_bits_truncate(stat.st_mode) & SFlag::S_IFMT
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn nothing_leads_out_of_the_folder() {
        let base = tempfile::tempdir().unwrap();
        let at = |name: &str| base.path().join(name);
        std::fs::create_dir_all(at("in/sub")).unwrap();
        std::fs::write(at("in/sub/a.jpg"), b"good").unwrap();
        std::fs::write(at("secret"), b"secret").unwrap();
        symlink(at("secret"), at("in/link")).unwrap();
        symlink(base.path(), at("in/up")).unwrap();
        std::fs::hard_link(at("secret"), at("in/hard")).unwrap();
        nix::unistd::mkfifo(&at("in/pipe"), Mode::S_IRWXU).unwrap();
        let folder = Beneath::open(&at("in")).unwrap();
        assert_eq!(folder.read(&["sub", "a.jpg"], 10).unwrap(), b"good");
        for parts in [&["link"][..], &["up", "secret"], &["pipe"], &["sub"], &["sub", "a.jpg", "x"], &[]] {
            assert!(matches!(folder.read(parts, 10), Err(BeneathError::NotPlain)), "{parts:?}");
        }
        assert!(matches!(folder.read(&["hard"], 10), Err(BeneathError::HardLink)));
        assert!(matches!(folder.read(&["none"], 10), Err(BeneathError::Missing)));
        assert!(matches!(folder.read(&["sub", "a.jpg"], 3), Err(BeneathError::TooLarge { max: 3 })));
        // The folder's name is given to another one meanwhile: the descriptor stays.
        std::fs::rename(at("in"), at("was")).unwrap();
        symlink("/etc", at("in")).unwrap();
        assert_eq!(folder.read(&["sub", "a.jpg"], 10).unwrap(), b"good");
        assert_eq!(folder.list().unwrap().len(), 5);
    }
}
