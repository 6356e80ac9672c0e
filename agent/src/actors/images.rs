//! Keeps files and rows of pictures together: sweeps files that no read names (a power cut between the copy and the
//! acceptance leaves one), and counts reads whose file is missing, at the start and each hour.

use super::heartbeat::Heartbeat;
use crate::store::{StoreError, StoreHandle};
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

/// Time between two sweeps (our own: an orphan lives an hour at most, and a listing of 100,000 files costs a second).
const SWEEP_EVERY: Duration = Duration::from_hours(1);
/// A sweep that failed is tried again after this (our own).
const AGAIN_AFTER: Duration = Duration::from_mins(1);
/// Life is shown this often while nothing is to be done.
const TURN_EVERY: Duration = Duration::from_secs(5);
/// Addresses asked of the store at once (our own: a millisecond of its thread).
const CHUNK: usize = 500;

/// What the actor is given.
#[derive(Clone)]
pub struct ImagesSetup {
    /// The queue with its picture files.
    pub store: StoreHandle,
    /// Turned while it lives.
    pub heartbeat: Heartbeat,
}

/// What a sweep found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Swept {
    /// Files that no read named; they are gone.
    pub orphans: u64,
    /// Files that reads name and that are not there.
    pub missing: u64,
}

/// Why a sweep could not be finished.
#[derive(Debug, thiserror::Error)]
pub enum SweepError {
    /// The queue did not answer.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The folder of pictures.
    #[error("the folder of pictures: {0}")]
    Folder(#[from] io::Error),
}

impl SweepError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Store(error) => error.advice(),
            Self::Folder(_) => "look at the disk of trailer.state_dir and who owns its folder images",
        }
    }
}

/// Runs until stopped.
pub async fn run(setup: ImagesSetup, stop: CancellationToken) {
    loop {
        let mut left = match sweep(&setup.store).await {
            Ok(Swept { orphans, missing }) => {
                if 0 < orphans + missing {
                    info!(orphans, missing, "pictures were swept");
                }
                SWEEP_EVERY
            }
            Err(error) => {
                warn!(why = %error, advice = error.advice(), "pictures could not be swept");
                AGAIN_AFTER
            }
        };
        while !left.is_zero() {
            setup.heartbeat.turn();
            let pause = left.min(TURN_EVERY);
            tokio::select! {
                () = tokio::time::sleep(pause) => left -= pause,
                () = stop.cancelled() => return,
            }
        }
    }
}

/// One sweep.
///
/// # Errors
/// [`SweepError`]: the rest is left for the next one.
pub async fn sweep(store: &StoreHandle) -> Result<Swept, SweepError> {
    let blobs = Arc::clone(store.blobs());
    let found = blocking(move || blobs.list()).await?;
    let doomed = store.blobs().doom(found);
    let mut unnamed = Vec::new();
    for chunk in doomed.chunks(CHUNK) {
        unnamed.extend(store.unnamed_images(chunk.to_vec()).await?);
    }
    let blobs = Arc::clone(store.blobs());
    let orphans = blocking(move || blobs.sweep(&unnamed)).await?;
    let (mut missing, mut after) = (0, None);
    loop {
        let named = store.named_images(after, CHUNK).await?;
        let Some(last) = named.last() else { break };
        after = Some(*last);
        let blobs = Arc::clone(store.blobs());
        let gone = blocking(move || Ok(named.into_iter().filter(|address| !blobs.has(address)).collect())).await?;
        let gone: Vec<_> = gone;
        // A read that went meanwhile took its file along.
        let unnamed = store.unnamed_images(gone.clone()).await?.len();
        missing += gone.len().saturating_sub(unnamed) as u64;
    }
    store.blobs().note_missing(missing);
    Ok(Swept { orphans, missing })
}

async fn blocking<T: Send + 'static>(work: impl FnOnce() -> io::Result<T> + Send + 'static) -> io::Result<T> {
    tokio::task::spawn_blocking(work).await.map_err(io::Error::other)?
}
