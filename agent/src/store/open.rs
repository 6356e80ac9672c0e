//! Opening the store: lock, file, thread.

use super::aside::open_or_replace;
use super::blobs::Blobs;
use super::disk::Folder;
use super::handle::{Arrivals, COMMANDS_MAX};
use super::seal::Sealer;
use super::thread::Worker;
use super::{QueueFigures, StoreError, StoreHandle};
use crate::clock;
use crate::config;
use pintle_core::moment::{Moment, Mono};
use std::os::unix::fs::MetadataExt as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;
use tokio::sync::mpsc;

/// Looks whether the state folder is on the disk where it belongs, before anything is made there. A data disk that was
/// not mounted leaves an empty folder on the system's disk: a queue made in it would fill that disk, and vanish behind
/// the mount later (source: fault 81).
///
/// # Errors
/// [`StoreError::NotMounted`] if `queue.disk` says "own" and it is not; [`StoreError::Disk`] if it can't be told.
pub fn check_disk(state_dir: &Path, limits: &config::Queue) -> Result<(), StoreError> {
    if !limits.own_disk {
        return Ok(());
    }
    let device = |path: &Path| {
        std::fs::metadata(path).map(|meta| meta.dev()).map_err(|error| StoreError::Disk {
            detail: format!("which disk {} is on can't be told: {error}", path.display()),
        })
    };
    if device(state_dir)? == device(Path::new("/"))? {
        return Err(StoreError::NotMounted { path: state_dir.display().to_string() });
    }
    Ok(())
}

/// Opens the queue in `state_dir` (made if need be) and starts its thread. The thread ends after
/// [`StoreHandle::close`] or when the last handle is dropped.
///
/// # Errors
/// [`StoreError::InUse`] if another agent holds the folder, [`StoreError::Unusable`] if the file is not ours or too
/// new,
/// [`StoreError::Disk`] or [`StoreError::DiskFull`] if the disk does not let us.
pub fn open(state_dir: &Path, limits: &config::Queue, now: Moment) -> Result<StoreHandle, StoreError> {
    open_sealed(state_dir, limits, None, now)
}

/// [`open`] with somebody who seals reads on their way in.
///
/// # Errors
/// The same.
pub fn open_sealed(
    state_dir: &Path,
    limits: &config::Queue,
    sealer: Option<Box<dyn Sealer>>,
    now: Moment,
) -> Result<StoreHandle, StoreError> {
    check_disk(state_dir, limits)?;
    let mut folder = Folder::lock(state_dir)?;
    let pictures = sealer.as_ref().and_then(|sealer| sealer.pictures());
    folder.seal_with(sealer);
    folder.know_profiles(&limits.profiles);
    let blobs = Blobs::open(state_dir, limits.disk_free_min_mib, pictures)?;
    let db = open_or_replace(&folder, &now)?;
    let accepted_at_open = db.accepted();
    let timer = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(|error| StoreError::Disk { detail: format!("can't start the store's timer: {error}") })?;
    let (sender, commands) = mpsc::channel(COMMANDS_MAX);
    let arrived = Arc::new(Arrivals::default());
    let (noted_up_to, noted_holds) = (folder.noted_up_to(), folder.noted_holds());
    let worker = Worker {
        folder,
        limits: *limits,
        arrived: Arc::clone(&arrived),
        blobs: Arc::clone(&blobs),
        db: Some(db),
        last_order: None,
        figures: QueueFigures::default(),
        trouble: None,
        tried: Mono(0),
        committed: clock::mono(),
        commits: 0,
        noted_up_to,
        log_grew: true,
        log_holds_gone: true,
        now,
        told_backwards: false,
        noted_holds,
        rest: None,
        rest_at: tokio::time::Instant::now(),
    };
    std::thread::Builder::new()
        .name("store".to_owned())
        .spawn(move || {
            // A broken invariant of the store must not be lived with: the process ends and is started again.
            if catch_unwind(AssertUnwindSafe(|| worker.serve(commands, &timer))).is_err() {
                std::process::abort();
            }
        })
        .map_err(|error| StoreError::Disk { detail: format!("can't start the store's thread: {error}") })?;
    Ok(StoreHandle { commands: sender, arrived, blobs, accepted_at_open, writing: Arc::default() })
}
