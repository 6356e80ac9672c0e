//! Is what a file grew by really on the disk?
//!
//! A disk that is thinner than it says answers the write that crosses its end with "done" and drops the rest of it, and
//! the sync behind it succeeds: nothing has failed yet. (Measured: a loop device on a full file system took 409,600
//! bytes, answered "done" to the write and to the flush, and had 229,376 of them. Only the next write to fresh blocks is
//! refused.) Blocks that were written once are there, so only growth is looked at: its last page, without which no
//! write of it was cut short unless a later one failed, and some more where it is long. The page is read from the disk,
//! past the kernel's memory, and compared with what the kernel has.
//!
//! Closing any descriptor of a database takes away the locks that the process holds on it: a [`Grown`] is opened before
//! the connection, so that a failure to open it closes nothing under it, and dropped only after it.

use super::verify::OnDisk;
use std::fs::File;
use std::io::ErrorKind;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

/// Bytes compared at each place: the page of our databases.
const PAGE: usize = 4096;
/// Growth longer than this is looked at in further places too, bytes (our own limit: what a disk takes in one write).
const LONG: u64 = 256 * 1024;
/// In so many parts; at the end of each there is a place.
const PARTS: u64 = 4;

/// A file, and how far it was seen to be on the disk.
pub(crate) struct Grown {
    disk: OnDisk,
    kernel: File,
    seen: u64,
}

impl Grown {
    /// What the file has now counts as seen. Where the disk can't be read past the kernel's memory, all does.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn open(path: &Path) -> std::io::Result<Self> {
        let disk = OnDisk::with_room(path, 2 * PAGE)?;
        let kernel = File::open(path)?;
        let seen = kernel.metadata()?.len();
        Ok(Self { disk, kernel, seen })
    }

    /// Nothing of the file counts as seen.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn whole(path: &Path) -> std::io::Result<Self> {
        Ok(Self { seen: 0, ..Self::open(path)? })
    }

    /// What the file has now counts as seen.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn see_all(&mut self) -> std::io::Result<()> {
        self.seen = self.kernel.metadata()?.len();
        Ok(())
    }

    /// Looks at what it grew by since it was last seen. False if the disk has not got it.
    ///
    /// # Errors
    /// What the system said.
    pub(crate) fn is_there(&mut self) -> std::io::Result<bool> {
        if !self.disk.direct {
            return Ok(true);
        }
        let len = self.kernel.metadata()?.len();
        for at in places(self.seen, len) {
            let (mut on_disk, mut known) = ([0; PAGE], [0; PAGE]);
            let bytes = usize::try_from(len - at).unwrap_or(PAGE).min(PAGE);
            self.kernel.read_exact_at(&mut known[..bytes], at)?;
            match self.disk.read_anew(at, &mut on_disk[..bytes]) {
                Ok(()) if on_disk == known => {}
                Ok(()) => return Ok(false),
                Err(error) if error.kind() == ErrorKind::UnexpectedEof => return Ok(false),
                Err(error) => return Err(error),
            }
        }
        self.seen = len;
        Ok(true)
    }
}

/// Where a file is looked at that grew from `seen` to `len` bytes; nowhere if it did not.
fn places(seen: u64, len: u64) -> impl Iterator<Item = u64> {
    let grown = len.saturating_sub(seen);
    let parts = match grown {
        0 => 0,
        1..=LONG => 1,
        _ => PARTS,
    };
    (1..=parts).map(move |part| (seen + grown / parts * part + grown % parts).saturating_sub(PAGE as u64))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::io::Write as _;

    #[test]
    fn growth_is_looked_at_up_to_its_last_byte_and_nowhere_else() {
        assert_eq!(places(5000, 5000).count(), 0);
        assert_eq!(places(9000, 5000).count(), 0, "it was cut");
        assert_eq!(places(0, 100).collect::<Vec<_>>(), [0]);
        assert_eq!(places(4096, 8216).collect::<Vec<_>>(), [8216 - 4096]);
        let long: Vec<u64> = places(1_000_001, 5_000_000).collect();
        assert_eq!((long.len(), long[3]), (4, 5_000_000 - 4096));
        assert!(long.windows(2).all(|two| two[0] < two[1]) && 1_900_000 < long[0], "{long:?}");
    }

    #[test]
    fn file_that_is_on_the_disk_is_seen_there_however_it_grows_and_is_cut() {
        let dir = tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).unwrap();
        let path = dir.path().join("a");
        let mut file = File::create(&path).unwrap();
        let mut grown = Grown::open(&path).unwrap();
        for bytes in [1, 4095, 1, 10_000, 900_000, 3] {
            file.write_all(&vec![7; bytes]).unwrap();
            file.sync_all().unwrap();
            assert!(grown.is_there().unwrap(), "{bytes} more");
        }
        file.set_len(4120).unwrap();
        assert!(grown.is_there().unwrap());
        assert!(grown.seen == 4120 || !grown.disk.direct, "what comes behind it is looked at again");
    }
}
