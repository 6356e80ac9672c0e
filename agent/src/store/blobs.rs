//! Files of pictures beside the queue's database: each under the SHA-256 of its own bytes, written beside, synced,
//! renamed, and the folder synced before any read that names it is accepted.
//!
//! A file may be deleted only if no row names it and nobody is about to make one: whoever keeps a file holds a [`Pin`]
//! until its row is written, and a file that is to be swept is marked first, then looked for in the database, and taken
//! away only if nobody pinned it in between.

use super::StoreError;
use super::seal::PictureSealer;
use crate::durable::grown::Grown;
use nix::sys::statvfs::statvfs;
use pintle_core::images::Address;
use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Name of the folder beside the database.
const FOLDER: &str = "images";
/// How the name of a file begins that is not whole yet.
const BESIDE: &str = ".new-";

/// The folder of picture files.
pub struct Blobs {
    dir: PathBuf,
    /// Seals pictures; `None` if they stay as they are.
    sealer: Option<PictureSealer>,
    disk_free_min: u64,
    marks: Mutex<Marks>,
    missing: AtomicU64,
}

#[derive(Debug, Default)]
struct Marks {
    /// Files that somebody is about to name in a row, and how many are.
    pinned: HashMap<Address, usize>,
    /// Files that a sweep may take away unless somebody pins them first.
    doomed: HashSet<Address>,
}

/// Keeps a file from being swept until it is dropped.
#[derive(Debug)]
pub struct Pin {
    blobs: Arc<Blobs>,
    address: Address,
}

impl Drop for Pin {
    fn drop(&mut self) {
        let mut marks = self.blobs.marks();
        if let Some(count) = marks.pinned.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                marks.pinned.remove(&self.address);
            }
        }
    }
}

impl std::fmt::Debug for Blobs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Blobs").field("dir", &self.dir).finish_non_exhaustive()
    }
}

impl Blobs {
    /// Makes the folder if need be, and takes away what a killed run left half written.
    pub(super) fn open(
        state_dir: &Path,
        disk_free_min_mib: u64,
        sealer: Option<PictureSealer>,
    ) -> Result<Arc<Self>, StoreError> {
        let dir = state_dir.join(FOLDER);
        let made = || -> io::Result<()> {
            match DirBuilder::new().mode(0o700).create(&dir) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                other => {
                    other?;
                    File::open(state_dir)?.sync_all()?;
                }
            }
            for entry in std::fs::read_dir(&dir)? {
                let entry = entry?;
                if entry.file_name().as_encoded_bytes().starts_with(BESIDE.as_bytes()) {
                    std::fs::remove_file(entry.path())?;
                }
            }
            Ok(())
        };
        made().map_err(|error| disk(&format!("the folder {}", dir.display()), &error))?;
        let disk_free_min = disk_free_min_mib.saturating_mul(1 << 20);
        Ok(Arc::new(Self { dir, sealer, disk_free_min, marks: Mutex::default(), missing: AtomicU64::new(0) }))
    }

    /// What is stored of a picture, and addressed by its own SHA-256. With `queue.seal = "none"` it is the picture
    /// itself.
    ///
    /// # Errors
    /// [`StoreError::Seal`] if pictures can't be sealed here: it must not be kept.
    pub fn sealed<'p>(&self, picture: &'p [u8]) -> Result<Cow<'p, [u8]>, StoreError> {
        let Some(sealer) = &self.sealer else { return Ok(Cow::Borrowed(picture)) };
        let detail = "pictures can only be sealed for an agency (queue.seal = \"receiver\")";
        sealer(picture).map(Cow::Owned).ok_or_else(|| StoreError::Seal { detail: detail.to_owned() })
    }

    /// Writes `stored` under its address and syncs it; call [`Self::sync`] before the row is made. The same bytes are
    /// kept once.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] or [`StoreError::Disk`]: nothing is kept.
    pub fn keep(self: &Arc<Self>, stored: &[u8]) -> Result<(Address, Pin), StoreError> {
        let address = address_of(stored);
        let pin = self.pin(address);
        let path = self.path(&address);
        if !std::fs::symlink_metadata(&path).is_ok_and(|meta| meta.is_file() && meta.len() == stored.len() as u64) {
            if self.is_short_of_space(stored.len() as u64) {
                return Err(StoreError::DiskFull);
            }
            self.write(&path, stored).map_err(|error| disk("a picture", &error))?;
        }
        Ok((address, pin))
    }

    fn write(&self, path: &Path, stored: &[u8]) -> io::Result<()> {
        // Never left behind: it goes with its handle unless it was renamed.
        let mut beside = tempfile::Builder::new().prefix(BESIDE).tempfile_in(&self.dir)?;
        let mut grown = Grown::open(beside.path())?;
        beside.write_all(stored)?;
        beside.as_file().sync_all()?;
        if !grown.is_there()? {
            return Err(io::Error::other("the disk said that it had written it, and has not got it"));
        }
        beside.persist(path).map_err(|error| error.error)?;
        Ok(())
    }

    /// Syncs the folder, so that the names of all files kept so far survive a loss of power.
    ///
    /// # Errors
    /// [`StoreError::Disk`]: no row may be made.
    pub fn sync(&self) -> Result<(), StoreError> {
        File::open(&self.dir).and_then(|dir| dir.sync_all()).map_err(|error| disk("the folder of pictures", &error))
    }

    /// A part of a file: at most `bytes_max` from `offset` on.
    ///
    /// # Errors
    /// What the system says; `NotFound` if there is no such file.
    pub fn part(&self, address: &Address, offset: u64, bytes_max: u64) -> io::Result<Vec<u8>> {
        let mut file = File::open(self.path(address))?;
        file.seek(SeekFrom::Start(offset))?;
        let mut part = Vec::new();
        file.take(bytes_max).read_to_end(&mut part)?;
        Ok(part)
    }

    /// Whether the file is there.
    #[must_use]
    pub fn has(&self, address: &Address) -> bool {
        self.path(address).exists()
    }

    /// Addresses of all files that are there now.
    ///
    /// # Errors
    /// What the system says.
    pub fn list(&self) -> io::Result<Vec<Address>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(&self.dir)? {
            found.extend(entry?.file_name().to_str().and_then(Address::parse));
        }
        Ok(found)
    }

    /// Marks files for a sweep; answers those that nobody has pinned. Ask the database for them next.
    #[must_use]
    pub fn doom(&self, found: Vec<Address>) -> Vec<Address> {
        let mut marks = self.marks();
        let free: Vec<Address> = found.into_iter().filter(|address| !marks.pinned.contains_key(address)).collect();
        marks.doomed.extend(&free);
        free
    }

    /// Takes away the files among `unnamed` that are still doomed, and ends the sweep; answers how many went.
    ///
    /// # Errors
    /// What the system says.
    pub fn sweep(&self, unnamed: &[Address]) -> io::Result<u64> {
        let mut marks = self.marks();
        let gone: Vec<Address> = unnamed.iter().filter(|address| marks.doomed.contains(address)).copied().collect();
        let swept = self.unlink(&gone);
        marks.doomed.clear();
        swept
    }

    /// Takes away files that no row names any more, but for pinned ones, which a sweep gets later.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn drop_files(&self, unnamed: &[Address]) -> io::Result<u64> {
        let marks = self.marks();
        let gone: Vec<Address> =
            unnamed.iter().filter(|address| !marks.pinned.contains_key(address)).copied().collect();
        self.unlink(&gone)
    }

    /// Under the lock of the marks, so that nobody finds a file that is about to go.
    fn unlink(&self, addresses: &[Address]) -> io::Result<u64> {
        let mut gone = 0;
        for address in addresses {
            match std::fs::remove_file(self.path(address)) {
                Ok(()) => gone += 1,
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                Err(error) => return Err(error),
            }
        }
        if 0 < gone {
            File::open(&self.dir)?.sync_all()?;
        }
        Ok(gone)
    }

    /// Notes how many files are missing that reads name; the figures of the queue tell it.
    pub fn note_missing(&self, files: u64) {
        self.missing.store(files, Ordering::Relaxed);
    }

    /// See [`Self::note_missing`].
    #[must_use]
    pub fn missing(&self) -> u64 {
        self.missing.load(Ordering::Relaxed)
    }

    fn pin(self: &Arc<Self>, address: Address) -> Pin {
        let mut marks = self.marks();
        *marks.pinned.entry(address).or_default() += 1;
        marks.doomed.remove(&address);
        Pin { blobs: Arc::clone(self), address }
    }

    fn path(&self, address: &Address) -> PathBuf {
        self.dir.join(address.to_string())
    }

    fn marks(&self) -> MutexGuard<'_, Marks> {
        self.marks.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A system that does not tell its space is taken at its word when it says "full".
    fn is_short_of_space(&self, more: u64) -> bool {
        statvfs(&self.dir).is_ok_and(|disk| {
            disk.blocks_available().saturating_mul(disk.fragment_size()) < self.disk_free_min.saturating_add(more)
        })
    }

    /// Where the pictures are, for `pintle check`.
    #[must_use]
    pub fn folder(state_dir: &Path) -> PathBuf {
        state_dir.join(FOLDER)
    }

    /// Proves that the folder takes a file.
    ///
    /// # Errors
    /// What the system says.
    pub fn probe(dir: &Path) -> io::Result<()> {
        let path = dir.join(format!("{BESIDE}probe"));
        let file = OpenOptions::new().create(true).truncate(true).write(true).mode(0o600).open(&path)?;
        file.sync_all()?;
        std::fs::remove_file(path)
    }
}

/// SHA-256 of bytes.
#[must_use]
pub fn address_of(bytes: &[u8]) -> Address {
    let mut address = [0; 32];
    address.copy_from_slice(aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, bytes).as_ref());
    Address(address)
}

fn disk(what: &str, error: &io::Error) -> StoreError {
    if matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) {
        return StoreError::DiskFull;
    }
    StoreError::Disk { detail: format!("{what} can't be written: {error}") }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn blobs() -> (tempfile::TempDir, Arc<Blobs>) {
        let folder = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(folder.path(), 1, None).unwrap();
        (folder, blobs)
    }

    #[test]
    fn the_same_bytes_are_kept_once_and_half_written_files_go_at_the_start() {
        let (folder, blobs) = blobs();
        let (address, _pin) = blobs.keep(b"one").unwrap();
        let (again, _pin) = blobs.keep(b"one").unwrap();
        assert_eq!((address, blobs.list().unwrap().len()), (again, 1));
        std::fs::write(folder.path().join("images/.new-killed"), b"half").unwrap();
        let blobs = Blobs::open(folder.path(), 1, None).unwrap();
        assert_eq!(std::fs::read_dir(folder.path().join("images")).unwrap().count(), 1);
        assert_eq!(blobs.part(&address, 1, 9).unwrap(), b"ne");
    }

    #[test]
    fn a_file_of_the_wrong_length_is_written_anew() {
        let (_folder, blobs) = blobs();
        let (address, _pin) = blobs.keep(b"whole").unwrap();
        std::fs::write(blobs.path(&address), b"wh").unwrap();
        drop(blobs.keep(b"whole").unwrap());
        assert_eq!(blobs.part(&address, 0, 99).unwrap(), b"whole");
    }

    #[test]
    fn a_sweep_takes_no_file_that_somebody_is_about_to_name() {
        let (_folder, blobs) = blobs();
        let (held, pin) = blobs.keep(b"held").unwrap();
        let (left, _) = blobs.keep(b"left").unwrap();
        let (late, _) = blobs.keep(b"late").unwrap();
        let mut doomed = blobs.doom(blobs.list().unwrap());
        doomed.sort_unstable();
        let mut wanted = [left, late];
        wanted.sort_unstable();
        assert_eq!(doomed, wanted, "the pinned one is not even asked for");
        // A read with the same picture comes between the look into the database and the deletion.
        let again = blobs.keep(b"late").unwrap();
        assert_eq!(blobs.sweep(&doomed).unwrap(), 1);
        assert!(blobs.has(&held) && blobs.has(&late) && !blobs.has(&left));
        drop((pin, again));
        assert_eq!(blobs.drop_files(&[held, late]).unwrap(), 2);
    }
}
