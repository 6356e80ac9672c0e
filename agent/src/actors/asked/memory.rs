//! The numbers heard, in two places: in the queue, and in a file of the state folder beside it. A queue that is lost or
//! damaged, or a file that is, must not make an old request new.

use crate::io::files::{FilesError, Folder};
use crate::store::{ASKED_KEY, StoreError, StoreHandle};
use pintle_core::afar::Heard;
use pintle_core::moment::{Moment, Mono, Utc};
use std::fs::File;
use std::path::{Path, PathBuf};
use tracing::{error, warn};

/// Folder in the state folder, for our user alone.
const FOLDER: &str = "asked";
const NAME: &str = "heard";

/// Why a number can't be kept.
#[derive(Debug, thiserror::Error)]
pub(super) enum KeepError {
    /// In the file.
    #[error(transparent)]
    File(#[from] FilesError),
    /// In the queue.
    #[error(transparent)]
    Queue(#[from] StoreError),
    /// When the count began is not known yet, or the agent is stopping.
    #[error("the count has not begun yet")]
    NotBegun,
}

/// What was heard, and where that is kept.
pub(super) struct Memory {
    state_dir: PathBuf,
    store: StoreHandle,
    started: Mono,
    heard: Option<Heard>,
    /// Whether both places hold it.
    in_both: bool,
}

impl Memory {
    /// What both places say together. `started`: when this process began.
    ///
    /// # Errors
    /// [`StoreError`] if the queue does not answer.
    pub(super) async fn fetch(state_dir: &Path, store: &StoreHandle, started: Mono) -> Result<Self, StoreError> {
        let path = state_dir.join(FOLDER).join(NAME);
        let in_queue = store.kept(ASKED_KEY).await?;
        let read = tokio::task::spawn_blocking({
            let path = path.clone();
            move || std::fs::read(path)
        });
        let in_file = match read.await {
            Ok(Ok(bytes)) => Some(bytes),
            Ok(Err(error)) if error.kind() == std::io::ErrorKind::NotFound => None,
            Ok(Err(error)) => {
                error!(%error, file = %path.display(), "the numbers of requests from afar can't be read there");
                None
            }
            Err(_) => None,
        };
        let known = |bytes: &Option<Vec<u8>>, place: &str| {
            let heard = bytes.as_deref().map(Heard::from_bytes);
            if heard == Some(None) {
                error!(place, "the numbers of requests from afar are damaged there");
            }
            heard.flatten()
        };
        let heard = match (known(&in_queue, "queue"), known(&in_file, "file")) {
            (Some(queue), Some(file)) => Some(queue.together(&file)),
            (one, other) => one.or(other),
        };
        let bytes = heard.as_ref().map(Heard::to_bytes);
        let in_both = bytes.is_some() && bytes == in_queue && bytes == in_file;
        Ok(Self { state_dir: state_dir.to_owned(), store: store.clone(), started, heard, in_both })
    }

    /// The highest number heard of a key.
    pub(super) fn highest(&self, key: &str) -> u64 {
        self.heard.as_ref().map_or(0, |heard| heard.highest(key))
    }

    /// Since when numbers are counted; `None` until a clock that is trusted has said when that was.
    pub(super) fn since(&self) -> Option<Utc> {
        self.heard.as_ref().map(Heard::since)
    }

    /// Begins a count where there is none, as soon as it can be said when it began: at the start of this process,
    /// since nothing is carried out by a clock that nobody trusts. Puts back what one of both places has lost.
    pub(super) async fn settle(&mut self, now: &Moment) {
        let heard = match &self.heard {
            Some(heard) => {
                let mended = if now.utc_trust.is_trusted() { heard.mended(now.utc) } else { heard.clone() };
                if self.in_both && mended == *heard {
                    return;
                }
                mended
            }
            None if now.utc_trust.is_trusted() => {
                let age_ms = i64::try_from(now.mono.since_ms(self.started)).unwrap_or(i64::MAX);
                Heard::began(now.utc.plus_ms(age_ms.saturating_neg()))
            }
            None => return,
        };
        if let Err(error) = self.keep(heard).await {
            warn!(%error, "the numbers of requests from afar can't be kept in both places");
        }
    }

    /// A number is heard for good once this has answered.
    ///
    /// # Errors
    /// [`KeepError`]: then what it stands for must not be done.
    pub(super) async fn hear(&mut self, key: &str, number: u64) -> Result<(), KeepError> {
        let heard = self.heard.as_ref().ok_or(KeepError::NotBegun)?.with(key, number);
        self.keep(heard).await
    }

    async fn keep(&mut self, heard: Heard) -> Result<(), KeepError> {
        self.in_both = false;
        let (state_dir, bytes) = (self.state_dir.clone(), heard.to_bytes());
        let in_file = bytes.clone();
        let written = tokio::task::spawn_blocking(move || write(&state_dir, &in_file));
        written.await.map_err(|_| KeepError::NotBegun)??;
        self.store.keep(ASKED_KEY, bytes).await?;
        (self.heard, self.in_both) = (Some(heard), true);
        Ok(())
    }
}

fn write(state_dir: &Path, bytes: &[u8]) -> Result<(), FilesError> {
    let folder = Folder::ready(state_dir.join(FOLDER), 0o700, 0o600, None)?;
    folder.replace(NAME, bytes)?;
    // The folder itself may be new.
    let synced = File::open(state_dir).and_then(|folder| folder.sync_all());
    synced.map_err(|source| FilesError::Folder { path: state_dir.to_owned(), source })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::clock;
    use crate::config;
    use crate::store::open;
    use pintle_core::moment::UtcTrust;

    const KEY: &str = "ed25519:AAAA";
    const T: i64 = 1_795_608_000_000;

    fn queue(folder: &Path) -> StoreHandle {
        let limits = config::Queue { disk_free_min_mib: 0, ..config::Queue::PLAIN };
        open(folder, &limits, clock::moment(UtcTrust::Network)).unwrap()
    }

    fn at(utc: i64, trust: UtcTrust) -> Moment {
        Moment { mono: clock::mono(), utc: Utc(utc), utc_trust: trust }
    }

    async fn heard(folder: &Path, number: u64) {
        let store = queue(folder);
        let mut memory = Memory::fetch(folder, &store, clock::mono()).await.unwrap();
        memory.settle(&at(T, UtcTrust::Gps)).await;
        memory.hear(KEY, number).await.unwrap();
        store.close().await.unwrap();
    }

    /// The number and the beginning that are remembered at a later start.
    async fn remembered(folder: &Path) -> (u64, Option<Utc>) {
        let store = queue(folder);
        let mut memory = Memory::fetch(folder, &store, clock::mono()).await.unwrap();
        memory.settle(&at(T + 3_600_000, UtcTrust::Gps)).await;
        store.close().await.unwrap();
        (memory.highest(KEY), memory.since())
    }

    fn lose_queue(folder: &Path) {
        for name in ["queue.db", "queue.db-wal", "queue.db-shm"] {
            drop(std::fs::remove_file(folder.join(name)));
        }
        assert!(!folder.join("queue.db").exists());
    }

    #[tokio::test]
    async fn a_number_outlives_the_loss_of_either_place_and_is_put_back_into_it() {
        for lost in ["file", "queue", "damaged file"] {
            let folder = tempfile::tempdir().unwrap();
            heard(folder.path(), 7).await;
            let file = folder.path().join("asked/heard");
            match lost {
                "file" => std::fs::remove_file(&file).unwrap(),
                "queue" => lose_queue(folder.path()),
                _ => std::fs::write(&file, [0; 200]).unwrap(),
            }
            let (number, since) = remembered(folder.path()).await;
            assert!(number == 7 && since.is_some_and(|since| since <= Utc(T)), "{lost} lost: {number}, {since:?}");
            // It is whole again: now the other one may go.
            if lost == "queue" {
                std::fs::remove_file(&file).unwrap();
            } else {
                lose_queue(folder.path());
            }
            assert_eq!(remembered(folder.path()).await, (number, since), "after both, one after the other");
        }
    }

    #[tokio::test]
    async fn the_larger_count_holds_where_one_place_went_back() {
        let folder = tempfile::tempdir().unwrap();
        heard(folder.path(), 7).await;
        let file = folder.path().join("asked/heard");
        let older = std::fs::read(&file).unwrap();
        heard(folder.path(), 9).await;
        std::fs::write(&file, older).unwrap();
        assert_eq!(remembered(folder.path()).await.0, 9);
    }

    #[tokio::test]
    async fn with_both_lost_the_count_begins_anew_once_the_clock_is_trusted() {
        let folder = tempfile::tempdir().unwrap();
        heard(folder.path(), 7).await;
        lose_queue(folder.path());
        std::fs::remove_dir_all(folder.path().join("asked")).unwrap();
        let store = queue(folder.path());
        let mut memory = Memory::fetch(folder.path(), &store, clock::mono()).await.unwrap();
        memory.settle(&at(0, UtcTrust::Unset)).await;
        assert_eq!(memory.since(), None, "no clock has said when");
        assert!(matches!(memory.hear(KEY, 8).await, Err(KeepError::NotBegun)));
        memory.started = Mono(5);
        let now = Moment { mono: Mono(60_005), ..at(T, UtcTrust::Gps) };
        memory.settle(&now).await;
        assert_eq!((memory.since(), memory.highest(KEY)), (Some(Utc(T - 60_000)), 0));
        store.close().await.unwrap();
        // A later start does not move it.
        assert_eq!(remembered(folder.path()).await, (0, Some(Utc(T - 60_000))));
    }

    #[tokio::test]
    async fn what_can_not_be_kept_in_both_places_is_not_heard() {
        let folder = tempfile::tempdir().unwrap();
        heard(folder.path(), 7).await;
        let store = queue(folder.path());
        let mut memory = Memory::fetch(folder.path(), &store, clock::mono()).await.unwrap();
        memory.settle(&at(T, UtcTrust::Gps)).await;
        let asked = folder.path().join("asked");
        std::fs::remove_dir_all(&asked).unwrap();
        std::fs::write(&asked, "no folder").unwrap();
        assert!(matches!(memory.hear(KEY, 8).await, Err(KeepError::File(_))));
        assert_eq!(memory.highest(KEY), 7);
        std::fs::remove_file(&asked).unwrap();
        memory.hear(KEY, 8).await.unwrap();
        assert_eq!(memory.highest(KEY), 8);
        store.close().await.unwrap();
        assert!(matches!(memory.hear(KEY, 9).await, Err(KeepError::Queue(_))));
        assert_eq!(memory.highest(KEY), 8);
    }
}
