//! Pictures of reads: fetched, looked at, made small, sealed, written and synced before the read is accepted. The
//! engine's own file is left alone.

use super::batch::Taken;
use super::{Shared, request};
use crate::config;
use crate::io::beneath::{Beneath, BeneathError};
use crate::io::thumbnail::thumbnail;
use crate::store::blobs::{Blobs, address_of};
use crate::store::{NewImage, StoreError};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use pintle_core::images::{ImageIn, Source, look, path_parts};
use pintle_core::wire::images::PictureBody;
use pintle_core::wire::problem::{Fault, Problem};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;

/// Requests whose pictures are worked on at one time (our own: each holds one picture and its thumbnail in memory).
const JOBS_MAX: usize = 2;

/// What the work on pictures needs.
pub(super) struct Images {
    limits: config::Images,
    blobs: Arc<Blobs>,
    jobs: Semaphore,
}

/// Why the pictures of a request are not kept.
enum Refused {
    Faults(Vec<Fault>),
    Store(StoreError),
}

impl Images {
    pub(super) fn new(limits: config::Images, blobs: Arc<Blobs>) -> Self {
        Self { limits, blobs, jobs: Semaphore::new(JOBS_MAX) }
    }
}

/// Keeps the pictures of all `reads` that have some: afterwards they are on the disk, and the reads name them.
pub(super) async fn keep(shared: &Shared, reads: &mut [Taken]) -> Result<(), Box<Problem>> {
    let wanted: Vec<(usize, Option<u64>, Vec<ImageIn>)> = reads
        .iter_mut()
        .enumerate()
        .filter(|(_, taken)| !taken.images.is_empty())
        .map(|(at, taken)| (at, taken.line, std::mem::take(&mut taken.images)))
        .collect();
    if wanted.is_empty() {
        return Ok(());
    }
    // It is never closed, so the only other end is that the turn does not come in time.
    let turn = tokio::time::timeout(Duration::from_millis(shared.limits.request_wait_ms), shared.images.jobs.acquire());
    let Ok(_turn) = turn.await else {
        let detail = "too many pictures are worked on at once; nothing was accepted. Send it again after Retry-After";
        return Err(Problem::new("busy", 503, "The intake is busy", detail));
    };
    let (limits, blobs) = (shared.images.limits.clone(), Arc::clone(&shared.images.blobs));
    let kept = tokio::task::spawn_blocking(move || keep_all(&limits, &blobs, wanted)).await;
    let kept = match kept {
        Ok(Ok(kept)) => kept,
        Ok(Err(Refused::Faults(faults))) => {
            return Err(Problem::new("invalid-image", 422, "A picture can't be kept", "").with_faults(faults));
        }
        Ok(Err(Refused::Store(problem))) => return Err(request::not_stored(shared, &problem)),
        Err(_) => {
            shared.tally(|view| view.panics += 1);
            let detail =
                "this is a fault of the agent, not of the sender; nothing was accepted. Keep the read and report it";
            return Err(Problem::new("internal", 500, "The intake failed on this request", detail));
        }
    };
    for (at, told, images) in kept {
        reads[at].read.add_images(&told);
        reads[at].kept = images;
    }
    Ok(())
}

type Kept = Vec<(usize, Vec<u8>, Vec<NewImage>)>;

fn keep_all(
    limits: &config::Images,
    blobs: &Arc<Blobs>,
    wanted: Vec<(usize, Option<u64>, Vec<ImageIn>)>,
) -> Result<Kept, Refused> {
    let mut folder = None;
    let (mut kept, mut faults) = (Vec::new(), Vec::new());
    for (at, line, images) in wanted {
        let (mut bodies, mut new, mut left) = (Vec::new(), Vec::new(), limits.read_bytes_max);
        for (number, image) in images.into_iter().enumerate() {
            match keep_one(limits, blobs, &mut folder, image, &mut left) {
                Ok((body, files)) => {
                    bodies.push(body);
                    new.extend(files);
                }
                Err(One::Store(problem)) => return Err(Refused::Store(problem)),
                Err(One::Fault(what)) => {
                    let field = format!("images[{number}]");
                    let detail =
                        format!("{field} {what}. Nothing was accepted; the read can be sent without its pictures");
                    faults.push(Fault { line, field: Some(field), nearest: None, detail });
                }
            }
        }
        // Text and whole numbers only, so that this cannot fail.
        kept.push((at, serde_json::to_vec(&bodies).unwrap_or_default(), new));
    }
    if !faults.is_empty() {
        return Err(Refused::Faults(faults));
    }
    blobs.sync().map_err(Refused::Store)?;
    Ok(kept)
}

enum One {
    Fault(String),
    Store(StoreError),
}

impl From<StoreError> for One {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

fn keep_one(
    limits: &config::Images,
    blobs: &Arc<Blobs>,
    folder: &mut Option<Beneath>,
    image: ImageIn,
    left: &mut u64,
) -> Result<(PictureBody, Vec<NewImage>), One> {
    let fault = |what: &str| One::Fault(what.to_owned());
    let max = limits.image_bytes_max.min(*left);
    let too_large = || {
        One::Fault(format!(
            "is larger than {max} bytes, what is left of images.image_bytes_max = {} and images.read_bytes_max = {}; \
             send a smaller picture",
            limits.image_bytes_max, limits.read_bytes_max
        ))
    };
    let picture = match image.source {
        Source::Data(text) => {
            if max < text.len() as u64 / 4 * 3 {
                return Err(too_large());
            }
            BASE64_STANDARD
                .decode(text)
                .map_err(|_| fault("is no base64 in its field data (RFC 4648, with padding)"))?
        }
        Source::Path(path) => from_folder(limits, folder, &path, max).map_err(|error| match error {
            FromFolder::TooLarge => too_large(),
            FromFolder::Fault(what) => One::Fault(what),
        })?,
    };
    if max < picture.len() as u64 {
        return Err(too_large());
    }
    *left -= picture.len() as u64;
    let seen = look(&picture).map_err(|error| One::Fault(error.to_string()))?;
    if image.media.is_some_and(|said| said != seen.media) {
        return Err(One::Fault(
            pintle_core::images::ImageFault::OtherMedia { found: seen.media.media_type() }.to_string(),
        ));
    }
    let body = PictureBody {
        role: image.role.word().to_owned(),
        sha256: address_of(&picture).to_string(),
        bytes: picture.len() as u64,
        media_type: seen.media.media_type().to_owned(),
    };
    let small = thumbnail(&picture, seen, limits.thumbnail_px).filter(|small| small.len() < picture.len());
    let mut files = Vec::new();
    let parts = [(Some(picture), false, seen.media.media_type()), (small, true, "image/jpeg")];
    for (bytes, thumbnail, media_type) in parts {
        let Some(bytes) = bytes else { continue };
        let stored = blobs
            .sealed(&bytes)
            .map_err(|error| One::Fault(format!("can't be kept: {error}; send the read without it")))?;
        let (address, pin) = blobs.keep(&stored)?;
        let bytes = stored.len() as u64;
        files.push(NewImage { role: image.role, thumbnail, address, bytes, media_type, pin: Arc::new(pin) });
    }
    Ok((body, files))
}

enum FromFolder {
    TooLarge,
    Fault(String),
}

fn from_folder(
    limits: &config::Images,
    folder: &mut Option<Beneath>,
    path: &str,
    max: u64,
) -> Result<Vec<u8>, FromFolder> {
    let fault = |what: &str| FromFolder::Fault(what.to_owned());
    let Some(configured) = &limits.folder else {
        return Err(fault("names a file, and images.folder is not configured; send the picture in data as base64"));
    };
    let below = below(configured, path);
    let Some(parts) = below.and_then(path_parts) else {
        return Err(fault(
            "has a path that does not lie below images.folder; send plain names below it, without \"..\" and links",
        ));
    };
    let folder = match folder {
        Some(folder) => folder,
        none => none.insert(
            Beneath::open(configured)
                .map_err(|error| FromFolder::Fault(format!("can't be read, since images.folder can't: {error}")))?,
        ),
    };
    folder.read(&parts, max).map_err(|error| match error {
        BeneathError::TooLarge { .. } => FromFolder::TooLarge,
        other => FromFolder::Fault(format!("names a file below images.folder that {other}")),
    })
}

/// The path below the folder; one that begins with / must begin with the folder.
fn below<'p>(folder: &Path, path: &'p str) -> Option<&'p str> {
    if path.starts_with('/') { path.strip_prefix(folder.to_str()?)?.strip_prefix('/') } else { Some(path) }
}
