//! The spool folder: reads as files, for engines that can't speak over a socket. A file is taken once it was renamed to
//! `*.json`, and deleted only after its reads are durable. Contract: `docs/INTAKE.md`, "The spool folder".
//!
//! The kernel's word about a new name is a hint to look sooner; what was overlooked (a full queue of events, names from
//! before the start) is found by the slow look at the whole folder.

use super::batch::{self, Form, Taken};
use super::{Shared, images, request};
use crate::clock;
use crate::config;
use crate::io::beneath::{Beneath, BeneathError, Found};
use aws_lc_rs::hmac;
use nix::sys::inotify::{AddWatchFlags, InitFlags, Inotify};
use pintle_core::moment::{Mono, UtcTrust};
use pintle_core::wire::problem::Problem;
use serde::de::IgnoredAny;
use std::collections::{BTreeSet, HashMap};
use std::ffi::{OsStr, OsString};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::unix::AsyncFd;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

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
/// What was refused is looked through for what has reached its age limit this often, ms (our own).
const PURGE_EVERY_MS: u64 = 600_000;

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
    let mut told = false;
    loop {
        match Spool::open(shared, &setup) {
            Ok(mut spool) => {
                told = false;
                info!("the spool folder is watched");
                tokio::select! {
                    error = spool.serve() => warn!(%error, "the spool folder can't be read any more; it is opened again"),
                    () = stop.cancelled() => return,
                }
            }
            Err(error) if !told => {
                told = true;
                warn!(%error, "the spool folder can't be opened; pintle check says which right is missing");
            }
            Err(_) => {}
        }
        tokio::select! {
            () = tokio::time::sleep(AGAIN_AFTER) => {}
            () = stop.cancelled() => return,
        }
    }
}

/// The open folder.
struct Spool<'s> {
    shared: &'s Arc<Shared>,
    setup: &'s SpoolSetup,
    folders: Arc<Folders>,
    inotify: Inotify,
    ready: AsyncFd<OwnedFd>,
    /// Files that are not whole yet: since when they are as they are, and how that is.
    waiting: HashMap<OsString, (Mono, usize, i64)>,
    purged: Option<Mono>,
}

struct Folders {
    spool: Beneath,
    refused: Beneath,
}

/// One file, as it was read.
struct File {
    name: OsString,
    bytes: Vec<u8>,
    modified_s: i64,
}

/// What is to be done with a name.
enum Look {
    File(File),
    /// Not a file that is taken.
    Refuse(OsString, Box<Problem>),
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
    fn open(shared: &'s Arc<Shared>, setup: &'s SpoolSetup) -> io::Result<Self> {
        let spool = Beneath::open(&setup.spool.path)?;
        let refused = spool.folder(REFUSED)?;
        let inotify = Inotify::init(InitFlags::IN_NONBLOCK | InitFlags::IN_CLOEXEC)?;
        let what = AddWatchFlags::IN_MOVED_TO | AddWatchFlags::IN_CLOSE_WRITE | AddWatchFlags::IN_ONLYDIR;
        inotify.add_watch(&setup.spool.path, what)?;
        #[expect(
            deprecated,
            reason = "its replacement is unsafe, which is forbidden here; an OwnedFd keeps its descriptor for as long as it lives"
        )]
        let ready = AsyncFd::new(inotify.as_fd().try_clone_to_owned()?)?;
        let folders = Arc::new(Folders { spool, refused });
        Ok(Self { shared, setup, folders, inotify, ready, waiting: HashMap::new(), purged: None })
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
            if let Err(error) = done {
                return error;
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
        let names: Vec<OsString> = found.into_iter().map(|found| found.name).filter(|name| is_meant(name)).collect();
        self.waiting.retain(|name, _| names.contains(name));
        self.take(names, false).await?;
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
                Look::File(file) => match self.prepared(&file, told).await {
                    Ok(mut taken) => {
                        self.waiting.remove(&file.name);
                        files.push((file.name, taken.len(), file.bytes));
                        reads.append(&mut taken);
                    }
                    Err(Not::Yet) => {}
                    Err(Not::Now) => return Ok(false),
                    Err(Not::Ever(problem)) => {
                        self.waiting.remove(&file.name);
                        refused.push((file.name, Some(file.bytes), problem));
                    }
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
                    Ok(_) => gone.push(name),
                    Err(problem) => refused.push((name, Some(bytes), problem)),
                }
            }
        }
        for (.., problem) in &refused {
            self.shared.count_refusal(problem);
        }
        let refused: Vec<_> = refused
            .into_iter()
            .map(|(name, bytes, problem)| {
                let hashed = bytes.as_deref().unwrap_or_else(|| name.as_encoded_bytes());
                (hash(self.shared, hashed), name, bytes.map(|bytes| bytes.len()), problem)
            })
            .collect();
        let (folders, plaintext) = (Arc::clone(&self.folders), self.setup.plaintext);
        blocking(move || {
            for name in &gone {
                folders.spool.remove(name)?;
            }
            for (hash, name, bytes, problem) in &refused {
                set_aside(&folders, hash, name, *bytes, problem, plaintext)?;
            }
            if gone.is_empty() && refused.is_empty() { Ok(()) } else { folders.spool.sync() }
        })
        .await?;
        Ok(true)
    }

    /// The reads of a file, with their pictures on the disk.
    async fn prepared(&mut self, file: &File, told: bool) -> Result<Vec<Taken>, Not> {
        let form = match form_of(&file.bytes) {
            // Lines can end anywhere: only the writer's word, or its silence, says that no more come.
            Some(form) if told || self.is_quiet(file) => form,
            None if self.is_quiet(file) => {
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

    /// Whether the file has been as it is for the whole patience, as we saw it or as its own time says.
    fn is_quiet(&mut self, file: &File) -> bool {
        let now = clock::mono();
        let age_s = (clock::utc().0 / 1000).saturating_sub(file.modified_s);
        if i64::from(self.setup.spool.patience_s) < age_s {
            return true;
        }
        let state = (file.bytes.len(), file.modified_s);
        let known = self.waiting.entry(file.name.clone()).or_insert((now, state.0, state.1));
        if (known.1, known.2) != state {
            *known = (now, state.0, state.1);
        }
        u64::from(self.setup.spool.patience_s) * 1000 <= now.since_ms(known.0)
    }

    /// Lets go what was refused longer ago than waiting reads may be kept. A clock that nobody trusts purges nothing.
    async fn purge(&mut self) -> io::Result<()> {
        let now = clock::mono();
        if self.purged.is_some_and(|at| now.since_ms(at) < PURGE_EVERY_MS)
            || self.shared.position.borrow().utc_trust == UtcTrust::Unset
        {
            return Ok(());
        }
        self.purged = Some(now);
        let (folders, keep_s) = (Arc::clone(&self.folders), self.setup.keep_s);
        blocking(move || {
            let before = clock::utc().0 / 1000 - i64::try_from(keep_s).unwrap_or(i64::MAX);
            for found in folders.refused.list()? {
                if found.modified_s < before && !found.folder {
                    folders.refused.remove(&found.name)?;
                }
            }
            folders.refused.sync()
        })
        .await
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
    let Some(Found { plain, modified_s, .. }) = spool.look(&name) else { return Look::Later };
    if !is_plain(&name) {
        let detail =
            format!("the name must be 1 to {NAME_BYTES_MAX} of A-Z, a-z, 0-9, '.', '_' and '-', and end in .json");
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
    match spool.read(&[text], bytes_max) {
        Ok(bytes) => Look::File(File { name, bytes, modified_s }),
        Err(BeneathError::NotPlain | BeneathError::HardLink) => Look::Refuse(name, not_plain()),
        Err(BeneathError::TooLarge { max }) => {
            let detail = format!("at most {max} bytes are taken in one file (intake.body_bytes_max); write several");
            Look::Refuse(name, refusal("body-too-large", "The file is too large", &detail))
        }
        // It went, it changes, or the system has a bad moment: the next look sees.
        Err(BeneathError::Missing | BeneathError::Changing | BeneathError::System(_)) => Look::Later,
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

/// Writes the reason, then moves the file away; without plaintext it is deleted. A folder stays where it is.
fn set_aside(
    folders: &Folders,
    hash: &str,
    name: &OsStr,
    bytes: Option<usize>,
    problem: &Problem,
    plaintext: bool,
) -> io::Result<()> {
    let Some(found) = folders.spool.look(name) else { return Ok(()) };
    let reason = serde_json::json!({
        "hash": hash, "bytes": bytes, "at": clock::utc().to_rfc3339(), "problem": problem,
    });
    let reason_name = format!("{hash}.reason.json");
    match folders.refused.create(&reason_name, format!("{reason:#}\n").as_bytes()) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
        _ => {}
    }
    if found.folder {
        return Ok(());
    }
    if plaintext {
        folders.spool.rename(name, &folders.refused, &format!("{hash}.json"))?;
    } else {
        folders.spool.remove(name)?;
    }
    folders.refused.sync()
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
