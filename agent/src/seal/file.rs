//! The file of wrapped keys, `seal.keys`. New keys are appended and synced before they seal anything; when keys are
//! destroyed, it is written anew without them and the old bytes are overwritten.
//!
//! A record: length (4 bytes, big-endian), content, the first 4 bytes of the content's SHA-256.

use aws_lc_rs::digest::{SHA256, digest};
use pintle_core::seal::KeyId;
use std::fs::{File, OpenOptions};
use std::io::{self, Seek as _, SeekFrom, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// Longest record, bytes (our own limit: eight agencies need 800).
const RECORD_BYTES_MAX: usize = 16 << 10;

/// A wrapped content key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Record {
    pub(super) id: KeyId,
    pub(super) hit: bool,
    pub(super) camera: String,
    /// When it was made, by the store's clock, ms.
    pub(super) from: i64,
    /// The generation in which it was made.
    pub(super) generation: [u8; 16],
    /// The sequence that it sealed first.
    pub(super) first: u64,
    /// The highest that it can have sealed; `None` while it is in use.
    pub(super) last: Option<u64>,
    /// For whom (fingerprint; zeros for this disk), and the wrapped key.
    pub(super) wraps: Vec<([u8; 8], Vec<u8>)>,
}

pub(super) struct KeyFile {
    path: PathBuf,
    file: File,
}

impl KeyFile {
    /// Opens or makes the file. Answers what is in it, and how many records could not be read; a torn end is cut off.
    pub(super) fn open(path: &Path) -> io::Result<(Self, Vec<Record>, u64)> {
        let bytes = match std::fs::read(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            read => read?,
        };
        let (records, damaged, whole) = parse(&bytes);
        let file = private().create(true).append(true).open(path)?;
        let keys = Self { path: path.to_owned(), file };
        if whole < bytes.len() {
            // What is damaged in front of it stays: somebody may still read it.
            keys.file.set_len(u64::try_from(whole).unwrap_or(u64::MAX))?;
            keys.file.sync_all()?;
        } else if bytes.is_empty() {
            keys.sync_folder()?;
        }
        Ok((keys, records, damaged))
    }

    /// Adds a key; it is on the disk when this returns.
    pub(super) fn append(&mut self, record: &Record) -> io::Result<()> {
        let before = self.file.metadata()?.len();
        let written = self.file.write_all(&framed(&key_bytes(record))).and_then(|()| self.file.sync_data());
        if written.is_err() {
            // A half record must not stand in front of the next; if it can't be cut now, the next start does it.
            drop(self.file.set_len(before));
        }
        written
    }

    /// Notes how far a key was used. Not synced: without the note the whole queue counts as possible.
    pub(super) fn close_key(&mut self, id: KeyId, last: u64) -> io::Result<()> {
        self.file.write_all(&framed(&[b"C", &id.0[..], &last.to_be_bytes()].concat()))
    }

    /// Replaces the content, and overwrites the bytes of the earlier file where they lie. On flash that reaches the
    /// logical block only; the keys are wrapped, so what is left opens nothing without the agency's private key.
    pub(super) fn rewrite(&mut self, records: &[Record]) -> io::Result<()> {
        let folder = self.path.parent().unwrap_or(Path::new("."));
        let mut beside = tempfile::Builder::new().prefix(".new-").tempfile_in(folder)?;
        let mut bytes = Vec::new();
        for record in records {
            bytes.extend_from_slice(&framed(&key_bytes(record)));
            if let Some(last) = record.last {
                bytes.extend_from_slice(&framed(&[b"C", &record.id.0[..], &last.to_be_bytes()].concat()));
            }
        }
        beside.write_all(&bytes)?;
        beside.as_file().sync_all()?;
        let mut old = private().write(true).open(&self.path)?;
        beside.persist(&self.path).map_err(|error| error.error)?;
        self.sync_folder()?;
        self.file = private().append(true).open(&self.path)?;
        let mut left = old.metadata()?.len();
        old.seek(SeekFrom::Start(0))?;
        while 0 < left {
            let some = left.min(64 << 10);
            old.write_all(&vec![0; usize::try_from(some).unwrap_or(0)])?;
            left -= some;
        }
        old.sync_all()
    }

    fn sync_folder(&self) -> io::Result<()> {
        File::open(self.path.parent().unwrap_or(Path::new(".")))?.sync_all()
    }
}

fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.mode(0o600);
    options
}

fn check(content: &[u8]) -> [u8; 4] {
    let mut check = [0; 4];
    check.copy_from_slice(&digest(&SHA256, content).as_ref()[..4]);
    check
}

fn framed(content: &[u8]) -> Vec<u8> {
    let length = u32::try_from(content.len()).unwrap_or(0).to_be_bytes();
    [&length[..], content, &check(content)].concat()
}

fn key_bytes(record: &Record) -> Vec<u8> {
    let mut out = vec![b'K'];
    out.extend_from_slice(&record.id.0);
    out.push(u8::from(record.hit));
    out.push(u8::try_from(record.camera.len()).unwrap_or(0));
    out.extend_from_slice(record.camera.as_bytes());
    out.extend_from_slice(&record.from.to_be_bytes());
    out.extend_from_slice(&record.generation);
    out.extend_from_slice(&record.first.to_be_bytes());
    for (to, wrapped) in &record.wraps {
        out.extend_from_slice(to);
        out.push(u8::try_from(wrapped.len()).unwrap_or(0));
        out.extend_from_slice(wrapped);
    }
    out
}

/// The record that begins with `rest`: its content, and how long it is as a whole.
fn one(rest: &[u8]) -> Option<(&[u8], usize)> {
    let length = rest.first_chunk().map(|length| u32::from_be_bytes(*length) as usize)?;
    if length == 0 || RECORD_BYTES_MAX < length {
        return None;
    }
    let (content, sum) = (rest.get(4..4 + length)?, rest.get(4 + length..8 + length)?);
    (check(content) == sum).then_some((content, 8 + length))
}

/// All records, how many places were damaged, and up to where the file is whole: what follows is a torn end. Behind a
/// damaged place the next record whose checksum fits is looked for, wherever it begins: it may be a length that is
/// damaged.
fn parse(bytes: &[u8]) -> (Vec<Record>, u64, usize) {
    let (mut records, mut damaged, mut at) = (Vec::<Record>::new(), 0, 0);
    while at < bytes.len() {
        let Some((content, length)) = one(&bytes[at..]) else {
            let next = (at + 1..bytes.len()).find(|next| one(&bytes[*next..]).is_some());
            // A whole record with a wrong checksum at the end is no torn one: it was synced.
            let length = bytes[at..].first_chunk().map(|length| u32::from_be_bytes(*length) as usize);
            let ends = length.is_some_and(|length| at.saturating_add(length).saturating_add(8) == bytes.len());
            match next {
                Some(next) => at = next,
                None if ends => at = bytes.len(),
                None => return (records, damaged, at),
            }
            damaged += 1;
            continue;
        };
        at += length;
        match content.split_first() {
            Some((b'K', content)) => match key(content) {
                Some(record) => records.push(record),
                None => damaged += 1,
            },
            Some((b'C', content)) if content.len() == 16 => {
                let record = records.iter_mut().rev().find(|record| record.id.0 == content[..8]);
                if let (Some(record), Some(last)) = (record, content.last_chunk()) {
                    record.last = Some(u64::from_be_bytes(*last));
                }
            }
            _ => damaged += 1,
        }
    }
    (records, damaged, at)
}

fn key(content: &[u8]) -> Option<Record> {
    let mut rest = content;
    let mut take = |n: usize| {
        let (head, tail) = rest.split_at_checked(n)?;
        rest = tail;
        Some(head)
    };
    let id = KeyId(take(8)?.try_into().ok()?);
    let hit = take(1)? == [1];
    let length = usize::from(take(1)?[0]);
    let camera = std::str::from_utf8(take(length)?).ok()?.to_owned();
    let from = i64::from_be_bytes(take(8)?.try_into().ok()?);
    let generation = take(16)?.try_into().ok()?;
    let first = u64::from_be_bytes(take(8)?.try_into().ok()?);
    let mut wraps = Vec::new();
    while let Some(to) = take(8) {
        let length = usize::from(take(1)?[0]);
        wraps.push((to.try_into().ok()?, take(length)?.to_vec()));
    }
    Some(Record { id, hit, camera, from, generation, first, last: None, wraps })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn record(n: u8) -> Record {
        Record {
            id: KeyId([n; 8]),
            hit: n.is_multiple_of(2),
            camera: "north".to_owned(),
            from: i64::from(n) * 1000,
            generation: [7; 16],
            first: u64::from(n) * 10,
            last: (n == 1).then_some(15),
            wraps: vec![([n; 8], vec![n; 80]), ([0; 8], vec![1; 60])],
        }
    }

    #[test]
    fn keys_are_read_as_written_and_a_torn_end_costs_only_itself() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("seal.keys");
        let (mut keys, none, _) = KeyFile::open(&path).unwrap();
        assert_eq!(none, []);
        for n in 1..=3 {
            keys.append(&record(n)).unwrap();
        }
        keys.close_key(KeyId([1; 8]), 15).unwrap();
        let whole = std::fs::read(&path).unwrap();
        let all = vec![record(1), record(2), record(3)];
        assert_eq!(KeyFile::open(&path).unwrap().1, all);
        let second_ends = whole.len() - framed(&key_bytes(&record(3))).len() - 25;
        for cut in second_ends..second_ends + 40 {
            std::fs::write(&path, &whole[..cut]).unwrap();
            let (mut keys, there, damaged) = KeyFile::open(&path).unwrap();
            assert_eq!((there.len(), damaged), (2, 0), "{cut}");
            keys.append(&record(4)).unwrap();
            assert_eq!(KeyFile::open(&path).unwrap().1.len(), 3, "what comes after the tear is found: {cut}");
        }
        // One bit of any byte, those of a length among them, costs the record in which it lies and no other.
        for at in 0..whole.len() {
            let mut spoilt = whole.clone();
            spoilt[at] ^= 1;
            std::fs::write(&path, &spoilt).unwrap();
            let (_, there, damaged) = KeyFile::open(&path).unwrap();
            // The last record is the note of how far a key was used; a wrong length there is a torn end.
            let note = whole.len() - 25;
            assert_eq!(there.len(), if at < note { 2 } else { 3 }, "{at}");
            assert!(if at < note { damaged == 1 } else { damaged <= 1 }, "{at}: {damaged}");
            assert!(there.iter().all(|one| all.iter().any(|whole| (one.id, &one.wraps) == (whole.id, &whole.wraps))));
            let after = std::fs::read(&path).unwrap();
            assert!(after.len() == spoilt.len() || note <= at, "what is damaged is left as it lies: {at}");
        }
    }

    #[test]
    fn a_destroyed_key_is_gone_from_the_new_file_and_overwritten_in_the_old_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("seal.keys");
        let (mut keys, _, _) = KeyFile::open(&path).unwrap();
        keys.append(&record(1)).unwrap();
        keys.append(&record(2)).unwrap();
        // A second name keeps the old file's bytes in sight.
        std::fs::hard_link(&path, folder.path().join("old")).unwrap();
        keys.rewrite(&[record(2)]).unwrap();
        let has =
            |name: &str| std::fs::read(folder.path().join(name)).unwrap().windows(80).any(|bytes| bytes == [1; 80]);
        assert!(!has("seal.keys") && !has("old"));
        assert_eq!(KeyFile::open(&path).unwrap().1, [record(2)]);
    }
}
