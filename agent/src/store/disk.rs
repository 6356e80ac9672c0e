//! The folder of the queue: its lock, its space, and what the system says of a failure.

use super::StoreError;
use super::seal::Sealer;
use crate::clock;
use nix::fcntl::{Flock, FlockArg};
use nix::sys::statvfs::statvfs;
use pintle_core::moment::{Mono, Utc};
use pintle_core::queue::retention::Profiles;
use std::fs::{File, OpenOptions, Permissions};
use std::io::Write;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// How long one reading of the free space is believed, ms.
const SPACE_MS: u64 = 1000;

/// And for how many bytes of reads, since a second is long: a small disk was filled by 24,000 of them within it.
const SPACE_BYTES: u64 = 1 << 20;

/// Who seals, shared by all openings of the file.
pub(super) type SharedSealer = Arc<Mutex<Box<dyn Sealer>>>;

/// The state folder, locked for this process.
pub(super) struct Folder {
    dir: PathBuf,
    space: Option<(Mono, Space)>,
    taken_since: u64,
    sealer: Option<SharedSealer>,
    profiles: Profiles,
    /// How long a start may take over from a file set aside, ms.
    pub(super) salvage_ms: u64,
    _lock: Flock<File>,
}

/// Space on the disk of the folder, bytes.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Space {
    /// What we may still use.
    pub(super) free: u64,
    /// Size of the file system.
    pub(super) size: u64,
}

impl Folder {
    /// Makes the folder if need be and locks it. The lock is on a file of its own: closing any descriptor of a database
    /// file would drop SQLite's own locks on it (source: fault 36). The kernel frees it when the process dies.
    pub(super) fn lock(dir: &Path) -> Result<Self, StoreError> {
        let fail = |what: &str, error: std::io::Error| StoreError::Disk {
            detail: format!("{what} {}: {error}", dir.display()),
        };
        std::fs::create_dir_all(dir).map_err(|error| fail("can't make the folder", error))?;
        let file = private(OpenOptions::new().create(true).truncate(false).read(true).write(true))
            .open(dir.join("queue.lock"))
            .map_err(|error| fail("can't open queue.lock in", error))?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(lock) => Ok(Self {
                dir: dir.to_owned(),
                space: None,
                taken_since: 0,
                sealer: None,
                profiles: Profiles::NONE,
                salvage_ms: super::aside::SALVAGE_MS,
                _lock: lock,
            }),
            Err((_, nix::errno::Errno::EWOULDBLOCK)) => Err(StoreError::InUse { path: dir.display().to_string() }),
            Err((_, errno)) => Err(fail("can't lock queue.lock in", errno.into())),
        }
    }

    /// From now on reads are sealed by it.
    pub(super) fn seal_with(&mut self, sealer: Option<Box<dyn Sealer>>) {
        self.sealer = sealer.map(|sealer| Arc::new(Mutex::new(sealer)));
    }

    /// Places with age limits of their own.
    pub(super) fn know_profiles(&mut self, profiles: &Profiles) {
        self.profiles = *profiles;
    }

    /// The same.
    pub(super) fn profiles(&self) -> Profiles {
        self.profiles
    }

    /// Who seals.
    pub(super) fn sealer(&self) -> Option<SharedSealer> {
        self.sealer.clone()
    }

    /// The database.
    pub(super) fn db(&self) -> PathBuf {
        self.dir.join("queue.db")
    }

    /// Its write-ahead log.
    pub(super) fn wal(&self) -> PathBuf {
        self.dir.join("queue.db-wal")
    }

    /// Makes an empty database file that only our own user can read, unless there is one; SQLite gives its log the
    /// same rights. One that was brought here by a copy loses the rights of others. The folder is synced, so that the
    /// name survives a power cut.
    pub(super) fn make_db(&self) -> std::io::Result<()> {
        if self.db().exists() {
            return self.make_private();
        }
        private(OpenOptions::new().create_new(true).write(true)).open(self.db())?.sync_all()?;
        self.sync()
    }

    /// Takes the rights of group and others from the files that hold reads. By name, never by a descriptor: closing one
    /// would drop SQLite's locks.
    fn make_private(&self) -> std::io::Result<()> {
        for end in ["", "-wal", "-shm"] {
            let path = self.dir.join(format!("queue.db{end}"));
            match std::fs::metadata(&path) {
                Ok(meta) if meta.permissions().mode() & 0o077 != 0 => {
                    std::fs::set_permissions(&path, Permissions::from_mode(0o600))?;
                    tracing::warn!(file = %path.display(), "others could read the queue; they can't any more");
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Syncs the folder itself.
    pub(super) fn sync(&self) -> std::io::Result<()> {
        File::open(&self.dir)?.sync_all()
    }

    /// The folder.
    pub(super) fn path(&self) -> &Path {
        &self.dir
    }

    /// A name under which the database can be set aside.
    pub(super) fn free_name(&self, utc: Utc) -> std::io::Result<String> {
        let free = |name: &String| !self.dir.join(name).exists();
        (0..1000)
            .map(|n: u32| format!("queue-damaged-{}-{n}.db", utc.0.max(0)))
            .find(free)
            .ok_or_else(|| std::io::ErrorKind::AlreadyExists.into())
    }

    /// Renames the database and its log to that name, the database last, so that a new one can begin. Never overwrites,
    /// and ends what a killed run began.
    pub(super) fn set_aside(&self, name: &str) -> std::io::Result<()> {
        if self.dir.join(name).exists() {
            return Ok(());
        }
        for end in ["-wal", "-shm", ""] {
            match std::fs::rename(self.dir.join(format!("queue.db{end}")), self.dir.join(format!("{name}{end}"))) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
        }
        self.sync()
    }

    /// Notes that a file is being set aside, and why: a start that is killed before its rows came over is followed by
    /// one that goes on.
    pub(super) fn note_aside(&self, name: &str, keep: bool, detail: &str) -> std::io::Result<()> {
        self.write_beside("queue.aside", &format!("{name}\n{}\n{}\n", u8::from(keep), detail.replace('\n', " ")))
    }

    /// What an earlier start noted so: name, whether its numbers are kept, why.
    pub(super) fn noted_aside(&self) -> Option<(String, bool, String)> {
        let text = std::fs::read_to_string(self.dir.join("queue.aside")).ok()?;
        let mut lines = text.lines();
        let name = lines.next().filter(|name| name.starts_with("queue-damaged-") && !name.contains('/'))?;
        Some((name.to_owned(), lines.next()? == "1", lines.next()?.to_owned()))
    }

    /// The new file has taken over what it could.
    pub(super) fn forget_aside(&self) -> std::io::Result<()> {
        self.remove(&self.dir.join("queue.aside"))
    }

    /// Notes that the file was seen to be damaged, for the next start.
    pub(super) fn mark_damaged(&self, detail: &str) -> std::io::Result<()> {
        let mut file = private(OpenOptions::new().create(true).truncate(true).write(true)).open(self.damage_mark())?;
        file.write_all(detail.as_bytes())?;
        file.sync_all()?;
        self.sync()
    }

    /// What the last start noted of a damage.
    pub(super) fn marked_damage(&self) -> Option<String> {
        std::fs::read_to_string(self.damage_mark()).ok()
    }

    /// The damage is dealt with.
    pub(super) fn unmark_damaged(&self) -> std::io::Result<()> {
        self.remove(&self.damage_mark())
    }

    fn remove(&self, path: &Path) -> std::io::Result<()> {
        match std::fs::remove_file(path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
            _ => self.sync(),
        }
    }

    fn damage_mark(&self) -> PathBuf {
        self.dir.join("queue.damaged")
    }

    /// Deletes a file set aside. False if that was not possible.
    pub(super) fn delete_aside(&self, name: &str) -> bool {
        let gone = |end| match std::fs::remove_file(self.dir.join(format!("{name}{end}"))) {
            Ok(()) => true,
            Err(error) => error.kind() == std::io::ErrorKind::NotFound,
        };
        ["-wal", "-shm", ""].map(gone) == [true; 3]
    }

    /// The generation that the last opened file had, kept beside it to know it by when the file is lost.
    pub(super) fn noted_generation(&self) -> Option<String> {
        let text = self.noted()?;
        pintle_core::ids::EventId::parse(text.lines().next()?.trim()).map(|id| id.to_string())
    }

    /// How many sequences that file had given out at least; 0 if the note does not say it.
    pub(super) fn noted_up_to(&self) -> u64 {
        self.noted().and_then(|text| text.lines().nth(1)?.trim().parse().ok()).unwrap_or(0)
    }

    /// How many holds that file had; `None` if the note does not say it.
    pub(super) fn noted_holds(&self) -> Option<u64> {
        self.noted()?.lines().nth(2)?.trim().parse().ok()
    }

    fn noted(&self) -> Option<String> {
        std::fs::read_to_string(self.dir.join("queue.generation")).ok()
    }

    /// Writes the note. `up_to`: sequences that are given out for good; `holds`: how many the file has.
    pub(super) fn note_generation(&self, generation: &str, up_to: u64, holds: u64) -> std::io::Result<()> {
        self.write_beside("queue.generation", &format!("{generation}\n{up_to}\n{holds}\n"))
    }

    /// Writes a small file: beside, synced, renamed, folder synced.
    fn write_beside(&self, name: &str, text: &str) -> std::io::Result<()> {
        let beside = self.dir.join(format!("{name}.new"));
        // What lies there is left by a killed run, or is a link that somebody laid; neither is written through.
        match std::fs::remove_file(&beside) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut file = private(OpenOptions::new().create_new(true).write(true)).open(&beside)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        std::fs::rename(&beside, self.dir.join(name))?;
        self.sync()
    }

    /// So many bytes are going to be written.
    pub(super) fn will_take(&mut self, bytes: u64) {
        self.taken_since = self.taken_since.saturating_add(bytes);
    }

    /// Free space, at most a second and a megabyte old.
    pub(super) fn space(&mut self) -> Space {
        let now = clock::mono();
        if let Some((at, space)) = self.space
            && now.since_ms(at) < SPACE_MS
            && self.taken_since < SPACE_BYTES
        {
            return space;
        }
        let space = statvfs(&self.dir).map_or(Space::default(), |s| Space {
            free: s.blocks_available().saturating_mul(s.fragment_size()),
            size: s.blocks().saturating_mul(s.fragment_size()),
        });
        (self.space, self.taken_since) = (Some((now, space)), 0);
        space
    }

    /// Asks for the free space anew the next time.
    pub(super) fn forget_space(&mut self) {
        self.space = None;
    }

    fn ballast(&self) -> PathBuf {
        self.dir.join("queue.ballast")
    }

    /// Makes the ballast if there is room for it `bytes` over and above `spare` bytes; answers whether it is there.
    pub(super) fn keep_ballast(&mut self, bytes: u64, spare: u64) -> bool {
        let there = self.ballast().metadata().is_ok_and(|meta| meta.len() == bytes);
        if bytes == 0 || there {
            return there;
        }
        if self.space().free < bytes.saturating_mul(2).saturating_add(spare) {
            return false;
        }
        let made =
            private(OpenOptions::new().create(true).truncate(true).write(true)).open(self.ballast()).and_then(|file| {
                let length = i64::try_from(bytes).unwrap_or(i64::MAX);
                nix::fcntl::posix_fallocate(&file, 0, length).map_err(std::io::Error::from)?;
                file.sync_all()
            });
        if made.is_err() {
            self.drop_ballast();
        }
        self.forget_space();
        made.is_ok()
    }

    /// Lets the ballast go; answers whether there was one.
    pub(super) fn drop_ballast(&mut self) -> bool {
        self.forget_space();
        std::fs::remove_file(self.ballast()).is_ok()
    }

    /// Bytes of database and log on the disk.
    pub(super) fn bytes(&self) -> u64 {
        [self.db(), self.wal()].iter().filter_map(|path| path.metadata().ok()).map(|meta| meta.len()).sum()
    }
}

/// The host's boot id; all zero where the system does not tell it.
pub(super) fn boot_id() -> [u8; 16] {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
        .ok()
        .and_then(|text| pintle_core::ids::EventId::parse(text.trim()))
        .map_or([0; 16], |id| id.0)
}

/// What a failed call means for the one who asked. Our statements bind all values, so no text of SQLite holds one.
pub(super) fn meaning(error: &rusqlite::Error, path: &Path) -> StoreError {
    use rusqlite::ErrorCode as Code;
    match error.sqlite_error_code() {
        Some(Code::DiskFull) => StoreError::DiskFull,
        Some(Code::DatabaseCorrupt | Code::NotADatabase) => {
            StoreError::Damaged { path: path.display().to_string(), detail: error.to_string() }
        }
        Some(Code::DatabaseBusy | Code::DatabaseLocked) => {
            StoreError::Disk { detail: format!("another program keeps {} locked", path.display()) }
        }
        _ => {
            // The extended code says which call failed: 1034 is a sync, 778 a write, 266 a read (source: sqlite3.h).
            let code = error.sqlite_error().map_or(0, |error| error.extended_code);
            StoreError::Disk { detail: format!("{error} (SQLite code {code})") }
        }
    }
}

fn private(options: &mut OpenOptions) -> &mut OpenOptions {
    options.mode(0o600)
}
