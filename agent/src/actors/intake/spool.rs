//! The spool folder: reads as files, for engines that can't speak over a socket. A file is taken once it was renamed to
//! `*.json`, and deleted only after its reads are durable. Contract: `docs/INTAKE.md`, "The spool folder".
//!
//! The kernel's word about a new name is a hint to look sooner; what was overlooked (a full queue of events, names from
//! before the start) is found by the slow look at the whole folder.

use super::batch::{self, Form, Taken};
use super::refused::{Age, Refused};
use super::{STORE_WAIT_MS, Shared, images, request};
use crate::clock;
use crate::config;
use crate::io::beneath::{AsItWas, Beneath, BeneathError, Found};
use aws_lc_rs::hmac;
use nix::sys::inotify::{AddWatchFlags, InitFlags, Inotify};
use pintle_core::cameras::SpoolView;
use pintle_core::moment::Mono;
use pintle_core::wire::problem::Problem;
use serde::de::IgnoredAny;
use std::collections::hash_map::Entry;
use std::collections::{BTreeSet, HashMap, HashSet};
use std::ffi::{OsStr, OsString};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::io::unix::AsyncFd;
use tokio_util::sync::CancellationToken;
use tracing::warn;

/// Where refused files go, below the spool folder.
const REFUSED: &str = "refused";
/// Longest name of a file, bytes (our own limit).
const NAME_BYTES_MAX: usize = 128;
/// Files and bytes that are accepted together (our own: one commit of the queue, and a bound for memory).
const FILES_TOGETHER: usize = 200;
/// See [`FILES_TOGETHER`].
const BYTES_TOGETHER: usize = 8 << 20;
/// A folder that can't be opened, and a queue that takes nothing, are tried again after this (our own).
const AGAIN_AFTER: Duration = Duration::from_secs(1);
/// The whole folder is looked at this often at most, s (our own); with a short patience more often.
const SCAN_EVERY_S: u64 = 30;

/// What the spool needs beside what all of the intake shares.
#[derive(Clone, Debug)]
pub(super) struct SpoolSetup {
    pub(super) spool: config::Spool,
    /// Refused files are kept as they came (`queue.seal = "none"`), or only their hash and the reason are.
    pub(super) plaintext: bool,
    /// How long they are kept, s.
    pub(super) keep_s: u64,
}

/// Runs until `stop`.
pub(super) async fn run(shared: &Arc<Shared>, setup: SpoolSetup, stop: &CancellationToken) {
    loop {
        let open = async {
            let why = match Spool::open(shared, &setup).await {
                Ok(mut spool) => because(&spool.serve().await),
                Err(why) => why,
            };
            shared.spool(SpoolView::Failing(why));
            tokio::time::sleep(AGAIN_AFTER).await;
        };
        tokio::select! {
            () = open => {}
            () = stop.cancelled() => return,
        }
    }
}

/// Why the folder can't be used, in people's words.
fn because(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "the folder of spool.path is not there".to_owned(),
        io::ErrorKind::PermissionDenied => "the agent may not read and write in the folder of spool.path".to_owned(),
        io::ErrorKind::NotADirectory => "spool.path, or refused in it, is no folder".to_owned(),
        io::ErrorKind::ReadOnlyFilesystem => "the folder of spool.path lies on a disk that takes no writes".to_owned(),
        io::ErrorKind::StorageFull => "the disk of the spool folder is full".to_owned(),
        _ => format!("the folder of spool.path gives an error: {error}"),
    }
}

/// How old the queue is, by which all that was refused ages.
async fn age(shared: &Shared) -> Option<Age> {
    let figures = tokio::time::timeout(Duration::from_millis(STORE_WAIT_MS), shared.store.figures());
    let figures = figures.await.ok()?.ok()?;
    Some(Age { generation: figures.generation, lived_ms: figures.lived_ms?, at: clock::mono() })
}

/// The open folder.
struct Spool<'s> {
    shared: &'s Arc<Shared>,
    setup: &'s SpoolSetup,
    folders: Arc<Folders>,
    inotify: Inotify,
    ready: AsyncFd<OwnedFd>,
    /// Files that are not taken yet: since when we see them as they are, and how that is.
    waiting: HashMap<OsString, (Mono, State)>,
    /// Unreadable files were told in the log and are there still.
    unreadable_told: bool,
}

/// How a file is that is not taken yet.
#[derive(Debug, PartialEq, Eq)]
enum State {
    /// It can be read.
    Seen(AsItWas),
    /// It can't be read.
    Unreadable(Unreadable),
}

/// A file that is there and can't be read. Its name is not in it: that is the engine's, and may be a plate.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Unreadable {
    /// What the system says.
    why: String,
    inode: u64,
    owner: u32,
    mode: u32,
}

struct Folders {
    spool: Beneath,
    refused: Mutex<Refused>,
}

impl Folders {
    fn refused(&self) -> MutexGuard<'_, Refused> {
        self.refused.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One file, as it was read.
struct File {
    name: OsString,
    bytes: Vec<u8>,
    seen: AsItWas,
}

/// What is to be done with a name.
enum Look {
    File(File),
    /// Not a file that is taken.
    Refuse(OsString, Box<Problem>),
    /// It can't be read, and nobody may judge it unread.
    Unreadable(OsString, Unreadable),
    /// It changes just now, or went.
    Later,
}

/// Why a file is not taken.
enum Not {
    /// It may be whole later.
    Yet,
    /// It is refused.
    Ever(Box<Problem>),
    /// The queue takes nothing now.
    Now,
}

impl<'s> Spool<'s> {
    async fn open(shared: &'s Arc<Shared>, setup: &'s SpoolSetup) -> Result<Self, String> {
        let Some(age) = age(shared).await else {
            return Err("the queue does not answer, so nothing could be taken".to_owned());
        };
        let path = setup.spool.path.clone();
        let opened = blocking(move || {
            let spool = Beneath::open(&path)?;
            let refused = Refused::open(spool.folder(REFUSED)?, age)?;
            Ok(Arc::new(Folders { spool, refused: Mutex::new(refused) }))
        });
        let folders = opened.await.map_err(|error| because(&error))?;
        Self::watch(shared, setup, folders).map_err(|error| because(&error))
    }

    fn watch(shared: &'s Arc<Shared>, setup: &'s SpoolSetup, folders: Arc<Folders>) -> io::Result<Self> {
        let inotify = Inotify::init(InitFlags::IN_NONBLOCK | InitFlags::IN_CLOEXEC)?;
        let what = AddWatchFlags::IN_MOVED_TO | AddWatchFlags::IN_CLOSE_WRITE | AddWatchFlags::IN_ONLYDIR;
        inotify.add_watch(&setup.spool.path, what)?;
        #[expect(
            deprecated,
            reason = "its replacement is unsafe, which is forbidden here; an OwnedFd keeps its descriptor for as long as it lives"
        )]
        let ready = AsyncFd::new(inotify.as_fd().try_clone_to_owned()?)?;
        Ok(Self { shared, setup, folders, inotify, ready, waiting: HashMap::new(), unreadable_told: false })
    }

    /// Ends only when the folder can't be read.
    async fn serve(&mut self) -> io::Error {
        let every = Duration::from_secs(SCAN_EVERY_S.min(u64::from(self.setup.spool.patience_s).div_ceil(2)));
        let mut scan = tokio::time::interval(every);
        scan.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let done = tokio::select! {
                _ = scan.tick() => self.look_at_all().await,
                ready = self.ready.readable() => match ready {
                    Ok(mut ready) => {
                        ready.clear_ready();
                        self.told_by_kernel().await
                    }
                    Err(error) => Err(error),
                },
            };
            match done {
                // Only now: a folder that opens and lets nothing be taken away is of no use.
                Ok(()) => {
                    let view = self.view();
                    self.shared.spool(view);
                }
                Err(error) => return error,
            }
        }
    }

    async fn told_by_kernel(&mut self) -> io::Result<()> {
        let mut names = BTreeSet::new();
        loop {
            match self.inotify.read_events() {
                Ok(events) => {
                    if events.iter().any(|event| event.mask.contains(AddWatchFlags::IN_Q_OVERFLOW)) {
                        // Names were lost (source: fault 24).
                        return self.look_at_all().await;
                    }
                    if events.iter().any(|event| event.mask.contains(AddWatchFlags::IN_IGNORED)) {
                        return Err(io::ErrorKind::NotFound.into());
                    }
                    names.extend(events.into_iter().filter_map(|event| event.name).filter(|name| is_meant(name)));
                }
                Err(nix::errno::Errno::EAGAIN) => break,
                Err(errno) => return Err(errno.into()),
            }
            if FILES_TOGETHER <= names.len() {
                self.take(std::mem::take(&mut names).into_iter().collect(), true).await?;
            }
        }
        self.take(names.into_iter().collect(), true).await
    }

    async fn look_at_all(&mut self) -> io::Result<()> {
        let folders = Arc::clone(&self.folders);
        let found = blocking(move || folders.spool.list()).await?;
        let names: HashSet<OsString> =
            found.into_iter().map(|found| found.name).filter(|name| is_meant(name)).collect();
        self.waiting.retain(|name, _| names.contains(name));
        self.take(names.into_iter().collect(), false).await?;
        self.purge().await
    }

    /// Takes what can be taken of `names`. `told`: the kernel said that the name is new or its writer has closed it.
    async fn take(&mut self, names: Vec<OsString>, told: bool) -> io::Result<()> {
        let mut names = names.into_iter();
        loop {
            let (folders, max) = (Arc::clone(&self.folders), self.shared.limits.body_bytes_max);
            let mut rest = names.collect::<Vec<_>>();
            if rest.is_empty() {
                return Ok(());
            }
            let looked = blocking(move || {
                let (mut looks, mut bytes) = (Vec::new(), 0);
                while looks.len() < FILES_TOGETHER
                    && bytes < BYTES_TOGETHER
                    && let Some(name) = rest.pop()
                {
                    let look = look(&folders.spool, name, max);
                    if let Look::File(file) = &look {
                        bytes += file.bytes.len();
                    }
                    looks.push(look);
                }
                Ok((looks, rest))
            });
            let (looks, left) = looked.await?;
            names = left.into_iter();
            if !self.take_together(looks, told).await? {
                return Ok(());
            }
        }
    }

    /// False if the queue takes nothing now: all files stay where they are.
    async fn take_together(&mut self, looks: Vec<Look>, told: bool) -> io::Result<bool> {
        let (mut reads, mut files, mut refused) = (Vec::new(), Vec::new(), Vec::new());
        for look in looks {
            match look {
                Look::Later => {}
                Look::Refuse(name, problem) => refused.push((name, None, problem)),
                Look::Unreadable(name, unreadable) => {
                    self.unchanged_ms(name, State::Unreadable(unreadable));
                }
                Look::File(file) => match self.prepared(&file, told).await {
                    Ok(mut taken) => {
                        files.push((file.name, taken.len(), file.bytes));
                        reads.append(&mut taken);
                    }
                    Err(Not::Yet) => {}
                    Err(Not::Now) => return Ok(false),
                    Err(Not::Ever(problem)) => refused.push((file.name, Some(file.bytes), problem)),
                },
            }
        }
        let mut gone = Vec::new();
        if !reads.is_empty() {
            let Ok((outcomes, now)) = request::stored(self.shared, &reads).await else { return Ok(false) };
            let (mut reads, mut outcomes) = (reads.as_slice(), outcomes.as_slice());
            for (name, count, bytes) in files {
                let ((own, reads_left), (said, outcomes_left)) = (reads.split_at(count), outcomes.split_at(count));
                (reads, outcomes) = (reads_left, outcomes_left);
                match request::told(self.shared, own, said, &now) {
                    Ok(_) => {
                        self.shared.count_acceptance();
                        gone.push(name);
                    }
                    Err(problem) => refused.push((name, Some(bytes), problem)),
                }
            }
        }
        // Only now: while the queue takes nothing, a file that was seen for long enough stays so.
        for name in gone.iter().chain(refused.iter().map(|(name, ..)| name)) {
            self.waiting.remove(name);
        }
        let refused: Vec<_> = refused
            .into_iter()
            .map(|(name, bytes, problem)| {
                let hashed = bytes.as_deref().unwrap_or_else(|| name.as_encoded_bytes());
                (hash(self.shared, hashed), name, bytes.map(|bytes| bytes.len()), problem)
            })
            .collect();
        let (folders, plaintext) = (Arc::clone(&self.folders), self.setup.plaintext);
        let keep_s = self.setup.keep_s;
        let (dropped, new) = blocking(move || {
            for name in &gone {
                folders.spool.remove(name)?;
            }
            let mut aside = folders.refused();
            let (any, mut new) = (!refused.is_empty(), Vec::new());
            for (hash, name, bytes, problem) in refused {
                // What can't be moved away is found anew at each look, and is one refusal all the same.
                if aside.take(&folders.spool, (&hash, &name), bytes, &problem, plaintext)? {
                    new.push(problem);
                }
            }
            let dropped = if any { aside.purge(keep_s)? } else { 0 };
            drop(aside);
            if any || !gone.is_empty() {
                folders.spool.sync()?;
            }
            Ok((dropped, new))
        })
        .await?;
        for problem in &new {
            self.shared.count_refusal(problem);
        }
        self.count_dropped(dropped);
        Ok(true)
    }

    /// The reads of a file, with their pictures on the disk.
    async fn prepared(&mut self, file: &File, told: bool) -> Result<Vec<Taken>, Not> {
        let waited_ms = self.unchanged_ms(file.name.clone(), State::Seen(file.seen));
        let quiet = self.patience_ms() <= waited_ms;
        let form = match form_of(&file.bytes) {
            // Lines can end anywhere: only the writer's word, or its silence, says that no more come.
            Some(form) if told || quiet => form,
            None if quiet => {
                return Err(Not::Ever(refusal(
                    "half-written",
                    "The file is no whole JSON",
                    "it did not become whole within spool.patience_s; write under another name and rename to *.json at \
                     the end",
                )));
            }
            _ => return Err(Not::Yet),
        };
        let mut reads = batch::guarded(self.shared, &file.bytes, form).map_err(Not::Ever)?;
        match images::keep(self.shared, &mut reads).await {
            Ok(()) => Ok(reads),
            Err(problem) if problem.status == 503 => Err(Not::Now),
            Err(problem) => Err(Not::Ever(problem)),
        }
    }

    fn patience_ms(&self) -> u64 {
        u64::from(self.setup.spool.patience_s) * 1000
    }

    /// How long we have seen the file as it is, ms. Its own date says nothing of that: the clock may have been set
    /// since, and its writer still be at work.
    fn unchanged_ms(&mut self, name: OsString, state: State) -> u64 {
        let now = clock::mono();
        match self.waiting.entry(name) {
            Entry::Occupied(entry) if entry.get().1 == state => now.since_ms(entry.get().0),
            entry => {
                entry.insert_entry((now, state));
                0
            }
        }
    }

    /// What comes is taken, and what can't be read is told once it has been so for the patience: a writer may give it
    /// its rights at the end. Nothing is done to such a file.
    fn view(&mut self) -> SpoolView {
        let (now, patience_ms) = (clock::mono(), self.patience_ms());
        let (mut files, mut first) = (0, None::<&Unreadable>);
        for (since, state) in self.waiting.values() {
            if let State::Unreadable(unreadable) = state
                && patience_ms <= now.since_ms(*since)
            {
                files += 1;
                first = first.filter(|first| first.inode <= unreadable.inode).or(Some(unreadable));
            }
        }
        let Some(Unreadable { why, inode, owner, mode }) = first else {
            self.unreadable_told = false;
            return SpoolView::Watched;
        };
        if !self.unreadable_told {
            let mode = format!("{mode:04o}");
            warn!(
                files,
                why, inode, owner, mode, "a file in the spool folder can't be read and stays; find it by its inode"
            );
        }
        let view = SpoolView::Unreadable { files, why: why.clone() };
        self.unreadable_told = true;
        view
    }

    /// Lets go what was refused longer ago than waiting reads may be kept, by the queue's own age: no date is believed,
    /// and none is needed.
    async fn purge(&mut self) -> io::Result<()> {
        // While the queue does not answer nothing ages, as in the queue itself.
        let Some(age) = age(self.shared).await else { return Ok(()) };
        let (folders, keep_s) = (Arc::clone(&self.folders), self.setup.keep_s);
        let dropped = blocking(move || {
            let mut aside = folders.refused();
            if !aside.observe(age) {
                return Err(io::Error::other("the queue is another one; it is opened again"));
            }
            aside.purge(keep_s)
        });
        self.count_dropped(dropped.await?);
        Ok(())
    }

    fn count_dropped(&self, dropped: u64) {
        if 0 < dropped {
            self.shared.tally(|view| view.refused_dropped += dropped);
        }
    }
}

/// Names that end in `.json` and don't begin with a dot; all others are somebody's work under way.
fn is_meant(name: &OsStr) -> bool {
    let name = name.as_encoded_bytes();
    name.ends_with(b".json") && !name.starts_with(b".")
}

/// Whether a name is one that we take: nothing in it can act as a path or as a command (source: fault 97).
fn is_plain(name: &OsStr) -> bool {
    let name = name.as_encoded_bytes();
    name.len() <= NAME_BYTES_MAX && name.iter().all(|c| c.is_ascii_alphanumeric() || b"._-".contains(c))
}

fn look(spool: &Beneath, name: OsString, bytes_max: u64) -> Look {
    let Some(Found { plain, owner, mode, inode, .. }) = spool.look(&name) else { return Look::Later };
    if !is_plain(&name) {
        let detail =
            format!("the name must be 6 to {NAME_BYTES_MAX} of A-Z, a-z, 0-9, '.', '_' and '-', and end in .json");
        return Look::Refuse(name, refusal("spool-name", "No name for a file of reads", &detail));
    }
    let not_plain = || {
        let detail = "links, second names of a file, folders and pipes are not taken; write a file and rename it";
        refusal("spool-entry", "No plain file", detail)
    };
    if !plain {
        return Look::Refuse(name, not_plain());
    }
    let Some(text) = name.to_str() else { return Look::Later };
    match spool.read_seen(&[text], bytes_max) {
        Ok((bytes, seen)) => Look::File(File { name, bytes, seen }),
        Err(BeneathError::NotPlain | BeneathError::HardLink) => Look::Refuse(name, not_plain()),
        Err(BeneathError::TooLarge { max }) => {
            let detail = format!("at most {max} bytes are taken in one file (intake.body_bytes_max); write several");
            Look::Refuse(name, refusal("body-too-large", "The file is too large", &detail))
        }
        // It went, or it changes: the next look sees.
        Err(BeneathError::Missing | BeneathError::Changing) => Look::Later,
        // A missing right, or a disk that fails just there.
        Err(BeneathError::System(error)) => {
            let text = error.to_string();
            let why = text.split(" (os error").next().unwrap_or_default().to_owned();
            Look::Unreadable(name, Unreadable { why, inode, owner, mode })
        }
    }
}

/// How a file is to be read; `None` if it is no whole JSON.
fn form_of(bytes: &[u8]) -> Option<Form> {
    let whole = |text: &[u8]| serde_json::from_slice::<IgnoredAny>(text).is_ok();
    if whole(bytes) {
        return Some(Form::One);
    }
    let mut lines = bytes.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty()).peekable();
    lines.peek()?;
    lines.all(whole).then_some(Form::Lines)
}

fn refusal(kind: &str, title: &str, detail: &str) -> Box<Problem> {
    Problem::new(kind, 422, title, detail)
}

/// Keyed, so that nobody can guess a plate from it.
fn hash(shared: &Shared, bytes: &[u8]) -> String {
    let tag = hmac::sign(&shared.ids.key, bytes);
    tag.as_ref().iter().take(16).map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().concat()
}

async fn blocking<T: Send + 'static>(work: impl FnOnce() -> io::Result<T> + Send + 'static) -> io::Result<T> {
    tokio::task::spawn_blocking(work).await.map_err(io::Error::other)?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_of_a_json_text_is_never_whole_and_half_of_the_lines_is_known_as_lines() {
        let one = br#"{"camera":"north","plate":"QTZ 481"}"#;
        assert_eq!(form_of(one), Some(Form::One));
        for len in 0..one.len() {
            assert_eq!(form_of(&one[..len]), None, "{len}");
        }
        let pretty = b"{\n  \"camera\": \"north\"\n}\n";
        assert_eq!(form_of(pretty), Some(Form::One));
        let lines = [one.as_slice(), one.as_slice()].join(&b'\n');
        assert_eq!(form_of(&lines), Some(Form::Lines));
        assert_eq!(form_of(&lines[..lines.len() - 3]), None);
    }

    #[test]
    fn only_plain_names_are_taken_and_work_under_way_is_left_alone() {
        for name in ["a.json", "north-0001.v2_x.json"] {
            assert!(is_meant(OsStr::new(name)) && is_plain(OsStr::new(name)), "{name}");
        }
        for name in ["a b.json", "%2e%2e%2fa.json", "QTZ\n.json", "é.json", &format!("{}.json", "a".repeat(124))] {
            assert!(is_meant(OsStr::new(name)) && !is_plain(OsStr::new(name)), "{name}");
        }
        for name in [".a.json", "a.json.part", "a.tmp", "refused"] {
            assert!(!is_meant(OsStr::new(name)), "{name}");
        }
    }
}
