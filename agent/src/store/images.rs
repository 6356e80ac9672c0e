//! Rows of pictures: which file belongs to which read, and what became of it. The files are in [`super::blobs`].

use super::blobs::Pin;
use super::books::{number, signed};
use super::db::Db;
use super::handle::Answer;
use super::picture_ledger::{Gone, PictureBooks, state_of};
use super::{NewEvent, StoreError, StoreHandle};
use pintle_core::images::{Address, Role, send};
use pintle_core::moment::Moment;
use pintle_core::queue::{Never, PictureCounts};
use pintle_core::wire::images::{ImageBody, PICTURE, THUMBNAIL};
use rusqlite::{Connection, params};
use std::collections::HashSet;
use std::sync::Arc;

/// What stands in `images.state`: its read is not delivered yet.
pub(super) const WITH_ITS_READ: i64 = 0;
/// Its read was delivered; it waits for its turn.
pub(super) const DUE: i64 = 1;
/// The receiver has it.
pub(super) const SENT: i64 = 2;
/// The receiver will not take it. Beyond it stand other reasons why a file never goes, see `super::picture_ledger`.
pub(super) const REFUSED: i64 = 3;

/// One file that goes with a new read. Its pin keeps it from being swept until the row is written.
#[derive(Clone, Debug)]
pub struct NewImage {
    /// What it shows.
    pub role: Role,
    /// True if the trailer made it of another one.
    pub thumbnail: bool,
    /// Its file.
    pub address: Address,
    /// Its bytes as stored.
    pub bytes: u64,
    /// Media type of the picture in it.
    pub media_type: &'static str,
    /// See [`super::blobs::Blobs::keep`].
    pub pin: Arc<Pin>,
}

/// One file whose turn it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueImage {
    /// The read it belongs to.
    pub sequence: u64,
    /// Its file.
    pub address: Address,
    /// Its bytes.
    pub bytes: u64,
    /// See [`send::rank`].
    pub rank: u8,
}

/// What became of a file at the receiver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ImageFate {
    /// It is there, whole.
    Sent,
    /// It will never go.
    Never(Never),
}

/// Counts of picture rows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ImageCounts {
    /// Files that rows name, each once.
    pub files: u64,
    /// Rows whose turn has come.
    pub due: u64,
    /// Rows that were not sent and still may be, counted one by one: [`PictureCounts::waiting`] must say the same.
    pub waiting: u64,
    /// The account.
    pub account: PictureCounts,
}

/// What the open file's pictures are known for.
pub(super) struct Known {
    /// Whether any read has pictures.
    pub(super) any: bool,
    /// Files whose rows the running transaction deleted.
    pub(super) dropped: Vec<Address>,
    /// The account of all files.
    pub(super) books: PictureBooks,
}

/// Changes.
#[derive(Clone, Copy)]
pub(super) enum Write {
    /// What became of a file, for all reads that name it.
    Fate { address: Address, fate: ImageFate, now: Moment },
    /// Frees about so many bytes of files that the receiver has, oldest first; with `waiting` also of those of ordinary
    /// reads that it does not have.
    Free { bytes: u64, waiting: bool, now: Moment },
    /// The way carries none: a slice of those whose turn has come is told so.
    NotCarried { now: Moment },
}

/// Looks.
pub(super) enum Look {
    Due { ranks: Vec<u8>, skip: Vec<Address>, answer: Answer<Option<DueImage>> },
    Unnamed { addresses: Vec<Address>, answer: Answer<Vec<Address>> },
    Named { after: Option<Address>, limit: usize, answer: Answer<Vec<Address>> },
    Counts { answer: Answer<ImageCounts> },
}

impl Look {
    pub(super) fn refuse(self, error: &StoreError) {
        match self {
            Self::Due { answer, .. } => drop(answer.send(Err(error.clone()))),
            Self::Unnamed { answer, .. } | Self::Named { answer, .. } => drop(answer.send(Err(error.clone()))),
            Self::Counts { answer } => drop(answer.send(Err(error.clone()))),
        }
    }
}

/// The announcement of a read's files, as its event will carry it; `None` if it has none.
pub(super) fn list(event: &NewEvent) -> Option<Vec<u8>> {
    if event.images.is_empty() {
        return None;
    }
    let bodies: Vec<ImageBody> = event
        .images
        .iter()
        .map(|image| ImageBody {
            role: image.role.word().to_owned(),
            kind: if image.thumbnail { THUMBNAIL } else { PICTURE }.to_owned(),
            sha256: image.address.to_string(),
            bytes: image.bytes,
            media_type: image.media_type.to_owned(),
        })
        .collect();
    // Text and whole numbers only, so that this cannot fail.
    serde_json::to_vec(&bodies).ok()
}

impl Db {
    /// Rows for the announced files of a read, inside the running transaction.
    pub(super) fn put_images(&mut self, sequence: u64, hit: bool, list: &[u8]) -> rusqlite::Result<()> {
        let bodies: Vec<ImageBody> = serde_json::from_slice(list).unwrap_or_default();
        for (part, body) in bodies.iter().enumerate() {
            let Some(address) = Address::parse(&body.sha256) else { continue };
            let role = if body.role == Role::Plate.word() { Role::Plate } else { Role::Overview };
            self.conn
                .prepare_cached(
                    "INSERT OR REPLACE INTO images (sequence, part, address, bytes, rank, state) VALUES (?, ?, ?, ?, ?, ?)",
                )?
                .execute(params![
                    signed(sequence),
                    signed(part as u64),
                    address.0,
                    signed(body.bytes),
                    send::rank(hit, role, body.kind == THUMBNAIL),
                    WITH_ITS_READ
                ])?;
            self.images.books.counts.kept += 1;
        }
        self.images.any = true;
        self.sums_changed = true;
        Ok(())
    }

    /// Gives a read under a new number the files that it was announced with.
    pub(super) fn adopt_images(&mut self, new: u64, hit: bool, list: Option<Vec<u8>>) -> rusqlite::Result<()> {
        if let Some(list) = list {
            self.conn
                .prepare_cached("UPDATE events SET images = ? WHERE sequence = ?")?
                .execute(params![list, signed(new)])?;
            self.put_images(new, hit, &list)?;
        }
        Ok(())
    }

    /// The read was delivered: its files may follow.
    pub(super) fn images_follow(&mut self, sequence: u64) -> rusqlite::Result<()> {
        if self.images.any {
            self.conn
                .prepare_cached("UPDATE images SET state = ? WHERE sequence = ? AND state = ?")?
                .execute(params![DUE, signed(sequence), WITH_ITS_READ])?;
        }
        Ok(())
    }

    /// The read goes: its rows too, and after the commit the files that no other read names.
    pub(super) fn images_go(&mut self, sequence: u64, became: Gone) -> rusqlite::Result<()> {
        if self.images.any {
            let mut rows =
                self.conn.prepare_cached("DELETE FROM images WHERE sequence = ? RETURNING address, state")?;
            let rows = rows.query_map([signed(sequence)], |row| Ok((Address(row.get(0)?), row.get(1)?)))?;
            for row in rows {
                let (address, state) = row?;
                self.images.books.gone(sequence, state, became);
                self.images.dropped.push(address);
                self.sums_changed = true;
            }
        }
        Ok(())
    }

    pub(super) fn write_images(&mut self, write: Write) -> rusqlite::Result<u64> {
        match write {
            Write::Fate { address, fate, now } => {
                let state = match fate {
                    ImageFate::Sent => SENT,
                    ImageFate::Never(why) => state_of(why),
                };
                let mut found = self
                    .conn
                    .prepare_cached("UPDATE images SET state = ? WHERE address = ? AND state = ? RETURNING sequence")?;
                let rows = found.query_map(params![state, address.0, DUE], |row| number(row, 0))?;
                let reads: Vec<u64> = rows.collect::<rusqlite::Result<_>>()?;
                drop(found);
                for read in &reads {
                    match fate {
                        ImageFate::Sent => self.images.books.counts.sent += 1,
                        ImageFate::Never(why) => self.images.books.never(*read, why, true),
                    }
                }
                self.sums_changed |= !reads.is_empty();
                self.tell_pictures(&now)?;
                Ok(reads.len() as u64)
            }
            Write::Free { bytes, waiting, now } => {
                let freed = self.free_images(bytes, waiting)?;
                self.tell_pictures(&now)?;
                Ok(freed)
            }
            Write::NotCarried { now } => {
                let told = self.not_carried()?;
                self.tell_pictures(&now)?;
                Ok(told)
            }
        }
    }

    /// The receiver's files first, oldest first; of the others those of hits never.
    pub(super) fn free_images(&mut self, bytes: u64, waiting: bool) -> rusqlite::Result<u64> {
        let mut freed = 0;
        let mut victims = Vec::new();
        for (condition, wanted) in [("state >= 2", true), ("state IN (0, 1) AND rank >= 4", waiting && self.images.any)]
        {
            if !wanted || bytes <= freed {
                continue;
            }
            let mut rows = self.conn.prepare(&format!(
                "SELECT sequence, part, address, bytes, state FROM images WHERE {condition} ORDER BY sequence"
            ))?;
            let mut rows = rows.query([])?;
            while freed < bytes
                && let Some(row) = rows.next()?
            {
                if !self.may_go(number(row, 0)?)? {
                    continue;
                }
                victims.push((number(row, 0)?, number(row, 1)?, Address(row.get(2)?), row.get(4)?));
                freed += number(row, 3)?;
            }
        }
        for (sequence, part, address, state) in victims {
            self.conn
                .prepare_cached("DELETE FROM images WHERE sequence = ? AND part = ?")?
                .execute([signed(sequence), signed(part)])?;
            // Also of a read that waits: its event announces them when it goes.
            self.images.books.gone(sequence, state, Gone::Never { why: Never::Evicted, told: true });
            self.images.dropped.push(address);
            self.sums_changed = true;
        }
        Ok(freed)
    }

    /// Of the files whose rows went in the last transaction those that no other row names.
    pub(super) fn unnamed_since(&mut self) -> rusqlite::Result<Vec<Address>> {
        let dropped = std::mem::take(&mut self.images.dropped);
        unnamed(&self.conn, &dropped)
    }

    pub(super) fn look_images(&self, look: Look, said: &mut dyn FnMut(rusqlite::Error) -> StoreError) {
        match look {
            Look::Due { ranks, skip, answer } => drop(answer.send(self.due(&ranks, &skip).map_err(said))),
            // A read that is still to come over may name any of them.
            Look::Unnamed { answer, .. } if self.books.rest => drop(answer.send(Ok(Vec::new()))),
            Look::Unnamed { addresses, answer } => drop(answer.send(unnamed(&self.conn, &addresses).map_err(said))),
            Look::Named { after, limit, answer } => drop(answer.send(self.named(after, limit).map_err(said))),
            Look::Counts { answer } => drop(answer.send(self.image_counts().map_err(said))),
        }
    }

    fn due(&self, ranks: &[u8], skip: &[Address]) -> rusqlite::Result<Option<DueImage>> {
        if !self.images.any {
            return Ok(None);
        }
        let skip: HashSet<&Address> = skip.iter().collect();
        let mut rows = self.conn.prepare_cached(
            "SELECT sequence, address, bytes, rank FROM images WHERE state = 1 AND rank = ? ORDER BY sequence",
        )?;
        for rank in ranks {
            let mut rows = rows.query([*rank])?;
            while let Some(row) = rows.next()? {
                let due = DueImage {
                    sequence: number(row, 0)?,
                    address: Address(row.get(1)?),
                    bytes: number(row, 2)?,
                    rank: row.get(3)?,
                };
                if !skip.contains(&due.address) {
                    return Ok(Some(due));
                }
            }
        }
        Ok(None)
    }

    fn named(&self, after: Option<Address>, limit: usize) -> rusqlite::Result<Vec<Address>> {
        let after: Vec<u8> = after.map_or_else(Vec::new, |address| address.0.to_vec());
        self.conn
            .prepare_cached("SELECT DISTINCT address FROM images WHERE address > ? ORDER BY address LIMIT ?")?
            .query_map(params![after, signed(limit as u64)], |row| row.get(0).map(Address))?
            .collect()
    }

    fn image_counts(&self) -> rusqlite::Result<ImageCounts> {
        if !self.images.any {
            return Ok(ImageCounts { account: self.images.books.counts, ..ImageCounts::default() });
        }
        let count = |sql| self.conn.query_row(sql, [], |row| number(row, 0));
        Ok(ImageCounts {
            files: count("SELECT count(DISTINCT address) FROM images")?,
            due: count("SELECT count(*) FROM images WHERE state = 1")?,
            waiting: count("SELECT count(*) FROM images WHERE state IN (0, 1)")?,
            account: self.images.books.counts,
        })
    }
}

/// The announcement of a read's files; nothing where the file is older than pictures, or damaged there.
pub(super) fn announced(conn: &Connection, sequence: u64) -> Option<Vec<u8>> {
    conn.query_row("SELECT images FROM events WHERE sequence = ?", [signed(sequence)], |row| row.get(0)).ok().flatten()
}

/// Whether there are any rows: reads without pictures pay nothing for them.
pub(super) fn any(conn: &Connection) -> rusqlite::Result<bool> {
    conn.query_row("SELECT EXISTS (SELECT 1 FROM images)", [], |row| row.get(0))
}

fn unnamed(conn: &Connection, addresses: &[Address]) -> rusqlite::Result<Vec<Address>> {
    let mut known = conn.prepare_cached("SELECT EXISTS (SELECT 1 FROM images WHERE address = ?)")?;
    let mut found = Vec::new();
    for address in addresses {
        if !known.query_row([address.0], |row| row.get::<_, bool>(0))? {
            found.push(*address);
        }
    }
    Ok(found)
}

impl StoreHandle {
    /// The file whose turn it is by `ranks`, but for those in `skip`; see [`send::order_under`].
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn due_image(&self, ranks: Vec<u8>, skip: Vec<Address>) -> Result<Option<DueImage>, StoreError> {
        self.look(|answer| Look::Due { ranks, skip, answer }).await
    }

    /// Writes down what became of a file, for all delivered reads that name it.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn image_fate(&self, address: Address, fate: ImageFate, now: Moment) -> Result<u64, StoreError> {
        self.change(Write::Fate { address, fate, now }).await
    }

    /// Tells that the way to the receiver carries no pictures, for a slice of those whose turn has come; answers how
    /// many files that were, 0 once none is left.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn images_not_carried(&self, now: Moment) -> Result<u64, StoreError> {
        self.change(Write::NotCarried { now }).await
    }

    /// Frees about `bytes` of picture files: those that the receiver has, oldest first, and with `waiting` also those
    /// of ordinary reads that it does not have; never one of a hit that waits. Answers how many bytes went.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn free_images(&self, bytes: u64, waiting: bool, now: Moment) -> Result<u64, StoreError> {
        self.change(Write::Free { bytes, waiting, now }).await
    }

    /// Those of `addresses` that no read names.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn unnamed_images(&self, addresses: Vec<Address>) -> Result<Vec<Address>, StoreError> {
        self.look(|answer| Look::Unnamed { addresses, answer }).await
    }

    /// Addresses that reads name, rising, behind `after`, at most `limit`.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn named_images(&self, after: Option<Address>, limit: usize) -> Result<Vec<Address>, StoreError> {
        self.look(|answer| Look::Named { after, limit, answer }).await
    }

    /// Counts of picture rows.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub async fn image_counts(&self) -> Result<ImageCounts, StoreError> {
        self.look(|answer| Look::Counts { answer }).await
    }
}
