//! Files of pictures in the receiver's folder: parts as they come, and the whole file under its digest once that fits.

use crate::durable::grown::Grown;
use aws_lc_rs::digest;
use pintle_core::images::Address;
use pintle_core::moment::Utc;
use pintle_core::wire::images::ImageBody;
use rusqlite::{Connection, OptionalExtension, Result, params};
use std::ffi::OsStr;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Files that one read may announce (our own limit: each picture and its thumbnail).
pub(super) const ANNOUNCED_MAX: usize = 2 * pintle_core::images::IMAGES_MAX;
/// Largest file that is taken, bytes (our own limit, above what a trailer may keep).
pub(super) const BYTES_MAX: u64 = 64 << 20;
/// Ending of a file that is not whole.
const PART: &str = ".part-";

/// What a trailer announced of one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Announced {
    /// Number of the trailer.
    pub(super) trailer: i64,
    /// Bytes of the file.
    pub(super) bytes: u64,
    /// Whether it is here.
    pub(super) received: bool,
}

/// Writes down what a new read announces.
pub(super) fn announce(work: &Connection, trailer: i64, event: i64, images: &[ImageBody]) -> Result<()> {
    for (part, image) in images.iter().enumerate() {
        let Some(address) = Address::parse(&image.sha256) else { continue };
        work.prepare_cached(
            "INSERT INTO image (event, part, trailer, role, kind, address, bytes, media_type, received_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8,
               (SELECT max(received_at) FROM image WHERE address = ?6 AND trailer = ?3))",
        )?
        .execute(params![
            event,
            i64::try_from(part).unwrap_or(i64::MAX),
            trailer,
            image.role,
            image.kind,
            address.0,
            i64::try_from(image.bytes).unwrap_or(i64::MAX),
            image.media_type
        ])?;
    }
    Ok(())
}

/// What `source` announced under an address; `None` if it did not.
pub(super) fn announced(work: &Connection, source: &str, address: Address) -> Result<Option<Announced>> {
    work.prepare_cached(
        "SELECT i.trailer, i.bytes, i.received_at IS NOT NULL FROM image i JOIN trailer t ON t.no = i.trailer
         WHERE i.address = ?1 AND t.source = ?2 ORDER BY 3 DESC LIMIT 1",
    )?
    .query_row(params![address.0, source], |row| {
        let bytes: i64 = row.get(1)?;
        Ok(Announced { trailer: row.get(0)?, bytes: u64::try_from(bytes).unwrap_or(0), received: row.get(2)? })
    })
    .optional()
}

/// The file is whole and on the disk, for all reads of the trailer that name it.
pub(super) fn received(work: &Connection, trailer: i64, address: Address, now: Utc) -> Result<()> {
    work.prepare_cached(
        "UPDATE image SET received_at = ?3 WHERE address = ?1 AND trailer = ?2 AND received_at IS NULL",
    )?
    .execute(params![address.0, trailer, now.0])?;
    Ok(())
}

/// Makes the folder for this user alone.
pub(super) fn folder(data: &Path) -> io::Result<PathBuf> {
    let folder = data.join("images");
    match DirBuilder::new().mode(0o700).create(&folder) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(error),
        _ => Ok(folder),
    }
}

/// Takes away files that no read names any more, whole ones and parts.
pub(super) fn sweep(data: &Path, work: &Connection) -> io::Result<u64> {
    let folder = folder(data)?;
    let mut swept = 0;
    for entry in std::fs::read_dir(&folder)? {
        let entry = entry?;
        let Some(address) = address_of(&entry.file_name()) else { continue };
        let named: bool = work
            .query_row("SELECT EXISTS (SELECT 1 FROM image WHERE address = ?1)", [address.0], |row| row.get(0))
            .map_err(io::Error::other)?;
        if !named {
            std::fs::remove_file(entry.path())?;
            swept += 1;
        }
    }
    File::open(&folder)?.sync_all()?;
    Ok(swept)
}

/// Takes away those of the files that no read names any more: what came of one in part is as old as the read that
/// announced it, and each trailer has a part of its own. Each file is given with the number of its trailer.
pub(super) fn drop_unnamed(data: &Path, work: &Connection, files: &[(Address, i64)]) -> io::Result<()> {
    if files.is_empty() {
        return Ok(());
    }
    let folder = folder(data)?;
    for (address, trailer) in files {
        let (by_this, by_any): (bool, bool) = work
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM image WHERE address = ?1 AND trailer = ?2),
                   EXISTS (SELECT 1 FROM image WHERE address = ?1)",
                params![address.0, trailer],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .map_err(io::Error::other)?;
        if !by_this {
            remove(&part_path(&folder, *address, *trailer))?;
        }
        if !by_any {
            remove(&folder.join(address.to_string()))?;
        }
    }
    File::open(&folder)?.sync_all()
}

fn remove(path: &Path) -> io::Result<()> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Whether a read of the trailer still names a picture. If none does, what was written of it meanwhile is taken away.
pub(super) fn is_wanted(data: &Path, work: &Connection, trailer: i64, address: Address) -> Result<bool> {
    let named: bool = work
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM image WHERE address = ?1 AND trailer = ?2)")?
        .query_row(params![address.0, trailer], |row| row.get(0))?;
    if !named && let Err(error) = drop_unnamed(data, work, &[(address, trailer)]) {
        tracing::warn!(%error, "a picture whose read went could not be deleted; the next start does it");
    }
    Ok(named)
}

/// The address in a file's name, of a whole file or a part.
fn address_of(name: &OsStr) -> Option<Address> {
    let (address, rest) = name.to_str()?.split_at_checked(64)?;
    Address::parse(address).filter(|_| rest.is_empty() || rest.starts_with(PART))
}

/// How many bytes of a file are here; all of them only if the file is whole and its digest was found to fit. Of a part
/// that was killed before that look, the last byte comes again and brings the look about.
pub(super) fn offset(folder: &Path, address: Address, announced: Announced) -> u64 {
    if folder.join(address.to_string()).exists() {
        return announced.bytes;
    }
    let part = std::fs::metadata(part_path(folder, address, announced.trailer)).map_or(0, |meta| meta.len());
    part.min(announced.bytes.saturating_sub(1))
}

/// What adding a part came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Added {
    /// More is to come from this offset on.
    Upto(u64),
    /// It is whole, and synced.
    Whole,
    /// All bytes are there and their digest is another one; they are thrown away.
    OtherDigest,
}

/// Writes a part at `offset`, which must be [`offset`]. The last part makes the file whole, if its digest fits.
pub(super) fn add(folder: &Path, address: Address, announced: Announced, at: u64, bytes: &[u8]) -> io::Result<Added> {
    let whole = folder.join(address.to_string());
    if whole.exists() {
        return Ok(Added::Whole);
    }
    let path = part_path(folder, address, announced.trailer);
    let mut file = OpenOptions::new().create(true).truncate(false).read(true).write(true).mode(0o600).open(&path)?;
    file.set_len(at)?;
    file.seek(SeekFrom::Start(at))?;
    file.write_all(bytes)?;
    let upto = at + bytes.len() as u64;
    if upto < announced.bytes {
        return Ok(Added::Upto(upto));
    }
    file.seek(SeekFrom::Start(0))?;
    let mut hasher = digest::Context::new(&digest::SHA256);
    let mut piece = vec![0; 64 << 10];
    loop {
        let len = file.read(&mut piece)?;
        if len == 0 {
            break;
        }
        hasher.update(&piece[..len]);
    }
    if hasher.finish().as_ref() != address.0 {
        std::fs::remove_file(&path)?;
        return Ok(Added::OtherDigest);
    }
    file.sync_all()?;
    // What was answered "here" is forgotten by the trailer (decision 77).
    if !Grown::whole(&path)?.is_there()? {
        std::fs::remove_file(&path)?;
        return Err(io::Error::other("the disk said that it had written it, and has not got it"));
    }
    std::fs::rename(&path, &whole)?;
    File::open(folder)?.sync_all()?;
    Ok(Added::Whole)
}

/// Two trailers that send the same picture don't write into each other's part.
fn part_path(folder: &Path, address: Address, trailer: i64) -> PathBuf {
    folder.join(format!("{address}{PART}{trailer}"))
}
