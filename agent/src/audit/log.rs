//! Appending: one line, one sync, under a lock that other programs of ours take too (a receiver and its export).

use super::line::{self, ZERO, hex};
use super::{AuditError, Entry, Who};
use crate::clock;
use aws_lc_rs::{digest, hmac};
use nix::fcntl::{Flock, FlockArg};
use pintle_core::moment::{Mono, Utc};
use std::collections::VecDeque;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The file that is being written.
pub(super) const CURRENT: &str = "audit.ndjson";
/// How the name of a closed file begins; the number of its first line follows.
pub(super) const CLOSED: &str = "audit-";
/// A file longer than this is closed and a new one begun, bytes (our own: some 10,000 entries). Closed files are never
/// deleted by the program: at the pace of a trailer a year has a few of them.
pub const FILE_BYTES_MAX: u64 = 4 << 20;
/// Entries that wait in memory while the file can't be written (our own limit; further ones are counted).
const WAITING_MAX: usize = 256;
/// How often the folder is proven to be writable, ms. Source: people are told within an hour (CJIS AU-5); half of it.
const PROBE_EVERY_MS: u64 = 30 * 60_000;
/// The end of the file is read in one piece of this many bytes; a line has at most some 6 kB.
const TAIL_BYTES: u64 = 64 << 10;

/// A way to the audit of one folder; cheap to clone.
#[derive(Clone)]
pub struct Log {
    inner: Arc<Inner>,
}

struct Inner {
    folder: PathBuf,
    file_bytes_max: u64,
    state: Mutex<State>,
    trouble: Mutex<Option<(Utc, String)>>,
}

#[derive(Default)]
struct State {
    head: Option<Head>,
    waiting: VecDeque<Entry>,
    left_out: u64,
    probed: Option<Mono>,
}

/// The last line, and the file as we left it.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Head {
    n: u64,
    hash: String,
    inode: u64,
    bytes: u64,
    first: u64,
}

impl Log {
    /// The audit in `folder`, which is made when the first entry is written.
    #[must_use]
    pub fn at(folder: PathBuf) -> Self {
        Self::with_file_bytes(folder, FILE_BYTES_MAX)
    }

    /// The same with files of another length.
    #[must_use]
    pub fn with_file_bytes(folder: PathBuf, file_bytes_max: u64) -> Self {
        let (state, trouble) = (Mutex::default(), Mutex::default());
        Self { inner: Arc::new(Inner { folder, file_bytes_max, state, trouble }) }
    }

    /// Where it is.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.inner.folder
    }

    /// Writes an entry and syncs it; answers its number. Blocks for as long as the disk takes. What can't be written
    /// waits in memory and goes first the next time.
    ///
    /// # Errors
    /// [`AuditError`]: then an act that shows, exports or changes something must not be answered as done.
    pub fn append(&self, entry: Entry) -> Result<u64, AuditError> {
        let mut state = self.inner.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.waiting.len() < WAITING_MAX {
            state.waiting.push_back(entry);
        } else {
            state.left_out += 1;
        }
        let written = self.write_waiting(&mut state);
        self.note(&written);
        written
    }

    /// [`Self::append`] for tasks that may not block.
    ///
    /// # Errors
    /// The same.
    pub async fn write(&self, entry: Entry) -> Result<u64, AuditError> {
        let log = self.clone();
        tokio::task::spawn_blocking(move || log.append(entry)).await.unwrap_or(Err(AuditError::BrokenOff))
    }

    /// Tries what waits again, and every half hour whether the folder can still be written. Call it once a minute.
    ///
    /// # Errors
    /// [`AuditError`] if it can't.
    pub fn probe(&self) -> Result<(), AuditError> {
        let now = clock::mono();
        let mut state = self.inner.state.lock().unwrap_or_else(PoisonError::into_inner);
        let due = state.probed.is_none_or(|at| PROBE_EVERY_MS <= now.since_ms(at));
        if !due && state.waiting.is_empty() && self.trouble().is_none() {
            return Ok(());
        }
        let written = self.write_waiting(&mut state).and_then(|_| self.inner.prove());
        if written.is_ok() {
            state.probed = Some(now);
        }
        self.note(&written);
        written
    }

    /// Since when and why nothing can be written; `None` if it can.
    #[must_use]
    pub fn trouble(&self) -> Option<(Utc, String)> {
        self.inner.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What is written in place of a plate that somebody asked for: a hash under a key of this folder, so that two
    /// queries for one plate can be told to be that, and none can be read.
    ///
    /// # Errors
    /// [`AuditError`] if there is no key and none can be made.
    pub fn query_tag(&self, plate: &str) -> Result<String, AuditError> {
        let path = self.inner.folder.join("audit.key");
        let fail = |source| AuditError::File { doing: "written", path: path.clone(), source };
        let lock = self.inner.lock().map_err(fail)?;
        let mut key = std::fs::read(&path).unwrap_or_default();
        if key.len() != 32 {
            key = vec![0; 32];
            aws_lc_rs::rand::fill(&mut key).map_err(|_| fail(io::ErrorKind::Other.into()))?;
            self.inner.new_file("audit.key", &key).map_err(fail)?;
        }
        drop(lock);
        let plain: String = plate.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase).collect();
        let tag = hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, &key), plain.as_bytes());
        Ok(hex(&tag.as_ref()[..16]))
    }

    fn note<T>(&self, written: &Result<T, AuditError>) {
        let mut trouble = self.inner.trouble.lock().unwrap_or_else(PoisonError::into_inner);
        match written {
            Ok(_) => {
                if trouble.take().is_some() {
                    tracing::info!("the audit is written again");
                }
            }
            Err(error) => {
                if trouble.is_none() {
                    tracing::error!(%error, advice = error.advice(), "the audit can't be written");
                    *trouble = Some((clock::utc(), error.to_string()));
                }
            }
        }
    }

    /// Writes all that waits; answers the number of the last.
    fn write_waiting(&self, state: &mut State) -> Result<u64, AuditError> {
        let inner = &self.inner;
        let path = inner.folder.join(CURRENT);
        let fail = |source| AuditError::File { doing: "written", path: path.clone(), source };
        if state.waiting.is_empty() {
            return Ok(state.head.as_ref().map_or(0, |head| head.n));
        }
        let lock = inner.lock().map_err(fail)?;
        let mut head = inner.head(state.head.take(), &mut state.waiting).map_err(fail)?;
        if 0 < state.left_out {
            let entry = Entry::new(Who::agent(), "audit.left_out", "lost").with("entries", state.left_out);
            state.waiting.push_back(entry);
        }
        if inner.file_bytes_max <= head.bytes {
            inner.close_file(&mut head).map_err(fail)?;
        }
        let mut file = private().create(true).append(true).open(&path).map_err(fail)?;
        let (mut bytes, mut hash, mut n) = (Vec::new(), head.hash.clone(), head.n);
        for entry in &state.waiting {
            n += 1;
            let (more, its_hash) = line::write(entry, n, &hash)?;
            bytes.extend_from_slice(&more);
            hash = its_hash;
        }
        file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(fail)?;
        if head.bytes == 0 {
            inner.sync_folder().map_err(fail)?;
        }
        let there = file.metadata().map_err(fail)?;
        state.head = Some(Head { n, hash, inode: there.ino(), bytes: there.len(), first: head.first });
        state.waiting.clear();
        state.left_out = 0;
        drop(lock);
        Ok(n)
    }
}

fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.mode(0o600);
    options
}

impl Inner {
    fn lock(&self) -> io::Result<Flock<File>> {
        if !self.folder.exists() {
            DirBuilder::new().recursive(true).mode(0o700).create(&self.folder)?;
            // A folder whose name is lost takes its entries along.
            if let Some(parent) = self.folder.parent() {
                File::open(parent)?.sync_all()?;
            }
        }
        let file = private().create(true).append(true).open(self.folder.join("audit.lock"))?;
        Flock::lock(file, FlockArg::LockExclusive).map_err(|(_, errno)| errno.into())
    }

    fn sync_folder(&self) -> io::Result<()> {
        File::open(&self.folder)?.sync_all()
    }

    fn new_file(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let mut beside = tempfile::NamedTempFile::new_in(&self.folder)?;
        beside.write_all(bytes)?;
        beside.as_file().sync_all()?;
        beside.persist(self.folder.join(name)).map_err(|error| error.error)?;
        self.sync_folder()
    }

    /// Proves that the folder takes files: writes a small one beside and takes it away.
    fn prove(&self) -> Result<(), AuditError> {
        let proven = self.lock().and_then(|_lock| {
            let mut beside = tempfile::NamedTempFile::new_in(&self.folder)?;
            beside.write_all(&[0; 512])?;
            beside.as_file().sync_all()
        });
        proven.map_err(|source| AuditError::File { doing: "written", path: self.folder.clone(), source })
    }

    /// The last line. What we knew holds if the file is as we left it; else its end is read. Tells in front of what
    /// waits what is not right there: a line that a power cut has torn, or one that this process wrote and that is
    /// gone.
    fn head(&self, known: Option<Head>, waiting: &mut VecDeque<Entry>) -> io::Result<Head> {
        let path = self.folder.join(CURRENT);
        let there = match path.metadata() {
            Ok(there) => Some((there.ino(), there.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error),
        };
        if let Some(head) = known.clone().filter(|head| Some((head.inode, head.bytes)) == there) {
            return Ok(head);
        }
        let mut found = Head { n: 0, hash: ZERO.to_owned(), inode: 0, bytes: 0, first: 1 };
        let (mut torn, mut spoilt) = (None, false);
        let newest_closed = closed_files(&self.folder)?.pop();
        if let Some((_, closed)) = newest_closed {
            let end = End::of(&closed)?;
            spoilt |= !end.take_into(&mut found);
            found.first = found.n + 1;
        }
        if let Some((inode, bytes)) = there.filter(|(_, bytes)| 0 < *bytes) {
            let end = End::of(&path)?;
            spoilt |= !end.take_into(&mut found);
            if let Some(first) = first_line(&path)? {
                found.first = first;
            }
            if end.unended || !end.torn.is_empty() {
                let mut file = private().append(true).open(&path)?;
                file.write_all(b"\n")?;
            }
            if !end.torn.is_empty() {
                // Nobody was answered on a line that was not synced whole. It stays, and the next one tells of it.
                let hash = hex(digest::digest(&digest::SHA256, &end.torn).as_ref());
                torn = Some(
                    Entry::new(Who::agent(), "audit.torn", "told").with("bytes", end.torn.len()).with("sha256", hash),
                );
            }
            (found.inode, found.bytes) = (inode, bytes);
        }
        if let Some(known) = known.filter(|known| found.n < known.n) {
            let told =
                Entry::new(Who::agent(), "audit.shortened", "told").with("was", known.n).with("hash", known.hash);
            waiting.push_front(told);
        }
        if spoilt {
            waiting.push_front(Entry::new(Who::agent(), "audit.spoilt", "told"));
        }
        if let Some(torn) = torn {
            waiting.push_front(torn);
        }
        Ok(found)
    }

    /// Closes the current file under the number of its first line.
    fn close_file(&self, head: &mut Head) -> io::Result<()> {
        let name = format!("{CLOSED}{:010}.ndjson", head.first);
        std::fs::rename(self.folder.join(CURRENT), self.folder.join(name))?;
        self.sync_folder()?;
        head.bytes = 0;
        head.first = head.n + 1;
        Ok(())
    }
}

/// Closed files by the number of their first line, rising.
pub(super) fn closed_files(folder: &Path) -> io::Result<Vec<(u64, PathBuf)>> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let number = name.to_str().and_then(|name| name.strip_prefix(CLOSED)?.strip_suffix(".ndjson")?.parse().ok());
        if let Some(number) = number {
            files.push((number, entry.path()));
        }
    }
    files.sort();
    Ok(files)
}

/// The number of the first line of a file.
fn first_line(path: &Path) -> io::Result<Option<u64>> {
    let mut start = Vec::new();
    File::open(path)?.take(TAIL_BYTES).read_to_end(&mut start)?;
    let first = start.split(|byte| *byte == b'\n').find_map(|text| line::read(text).ok());
    Ok(first.map(|line| line.n))
}

/// The end of a file: its last whole line, and what follows it without a line feed.
struct End {
    last: Option<line::Line>,
    torn: Vec<u8>,
    unended: bool,
    empty: bool,
}

impl End {
    fn of(path: &Path) -> io::Result<Self> {
        let mut file = File::open(path)?;
        let bytes = file.metadata()?.len();
        file.seek(SeekFrom::Start(bytes.saturating_sub(TAIL_BYTES)))?;
        let mut tail = Vec::new();
        file.read_to_end(&mut tail)?;
        let whole = tail.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        let torn = tail.split_off(whole);
        if let Ok(last) = line::read(&torn) {
            // Only its line feed is missing.
            return Ok(Self { last: Some(last), torn: Vec::new(), unended: true, empty: false });
        }
        let mut lines = tail.split(|byte| *byte == b'\n').rev().filter(|line| !line.is_empty());
        let newest = lines.next();
        let last =
            newest.and_then(|text| line::read(text).ok()).or_else(|| lines.find_map(|text| line::read(text).ok()));
        Ok(Self { last, torn, unended: false, empty: newest.is_none() })
    }

    /// False if there are lines and none of them can be read.
    fn take_into(&self, head: &mut Head) -> bool {
        if let Some(last) = &self.last {
            head.n = last.n;
            head.hash.clone_from(&last.hash);
        }
        self.last.is_some() || self.empty
    }
}
