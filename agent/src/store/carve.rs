//! Rows out of the leaf pages of a damaged database, without its trees: a bad page above them must cost its own rows
//! only, and SQLite finds nothing below it.
//!
//! Source: the SQLite file format, sections 1.6 (pages of trees), 2.1 (records) and 4 (the log). Deleted rows are
//! overwritten by `secure_delete`, so what stands in a page is a row that was in the table.

use std::collections::BTreeMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Our files have SQLite's default page size; a header that says otherwise is a damaged one.
const PAGE: usize = 4096;
const LEAF: u8 = 0x0d;
/// A row is never larger, bytes (our own limit: the body of a read has some kB).
const ROW_MAX: usize = 4 << 20;
const COLUMNS_MAX: usize = 32;

/// A value of a row. It has no `Debug`: it may be a plate.
#[derive(Clone, PartialEq)]
pub(super) enum Value {
    Null,
    Int(i64),
    Bytes(Vec<u8>),
}

impl Value {
    pub(super) fn int(&self) -> Option<i64> {
        if let Self::Int(value) = self { Some(*value) } else { None }
    }

    pub(super) fn bytes(&self) -> Option<&[u8]> {
        if let Self::Bytes(value) = self { Some(value) } else { None }
    }
}

/// A row: its number and its columns.
pub(super) type Row = (i64, Vec<Value>);

/// The pages of a database file as its log leaves them.
pub(super) struct Pages {
    db: File,
    log: Option<File>,
    in_log: BTreeMap<u32, u64>,
    /// How many there are.
    pub(super) count: u32,
}

impl Pages {
    pub(super) fn open(db: &Path, log: &Path) -> std::io::Result<Self> {
        let file = File::open(db)?;
        let in_log = crate::durable::verify::newest_in(log).unwrap_or_default();
        let in_file = u32::try_from(file.metadata()?.len().div_ceil(PAGE as u64)).unwrap_or(u32::MAX);
        let count = in_file.max(in_log.keys().next_back().copied().unwrap_or(0));
        Ok(Self { db: file, log: File::open(log).ok(), in_log, count })
    }

    fn page(&self, number: u32) -> Option<Vec<u8>> {
        let mut page = vec![0; PAGE];
        let read = match (self.in_log.get(&number), &self.log) {
            (Some(at), Some(log)) => log.read_exact_at(&mut page, *at),
            _ => self.db.read_exact_at(&mut page, u64::from(number.checked_sub(1)?) * PAGE as u64),
        };
        read.ok().map(|()| page)
    }

    /// The rows of one page; none if it is no leaf of a table, or damaged.
    pub(super) fn rows(&self, number: u32) -> Vec<Row> {
        let Some(page) = self.page(number) else { return Vec::new() };
        let head = if number == 1 { 100 } else { 0 };
        if page[head] != LEAF {
            return Vec::new();
        }
        let cells = usize::from(u16::from_be_bytes([page[head + 3], page[head + 4]]));
        (0..cells)
            .filter_map(|cell| {
                let at = head + 8 + 2 * cell;
                let at = u16::from_be_bytes([*page.get(at)?, *page.get(at + 1)?]);
                self.row(page.get(usize::from(at)..)?)
            })
            .collect()
    }

    fn row(&self, cell: &[u8]) -> Option<Row> {
        let mut at = 0;
        let length = usize::try_from(varint(cell, &mut at)?).ok().filter(|length| *length <= ROW_MAX)?;
        let number = varint(cell, &mut at)?;
        let cell = cell.get(at..)?;
        // Section 1.6: what of a long row stands in the page itself.
        let (most, least) = (PAGE - 35, (PAGE - 12) * 32 / 255 - 23);
        if length <= most {
            return Some((number, columns(cell.get(..length)?)?));
        }
        let wanted = least + (length - least) % (PAGE - 4);
        let here = if wanted <= most { wanted } else { least };
        let mut whole = cell.get(..here)?.to_vec();
        let mut next = u32::from_be_bytes(cell.get(here..here + 4)?.try_into().ok()?);
        while whole.len() < length {
            let page = self.page(next)?;
            next = u32::from_be_bytes(page[..4].try_into().ok()?);
            whole.extend_from_slice(&page[4..PAGE.min(4 + length - whole.len())]);
        }
        Some((number, columns(&whole)?))
    }
}

fn varint(bytes: &[u8], at: &mut usize) -> Option<i64> {
    let mut value = 0_i64;
    for nth in 0..9 {
        let byte = *bytes.get(*at)?;
        *at += 1;
        if nth == 8 {
            return Some((value << 8) | i64::from(byte));
        }
        value = (value << 7) | i64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            break;
        }
    }
    Some(value)
}

/// The columns of a record; `None` if it is none, or has a number with a point (our tables have none).
fn columns(record: &[u8]) -> Option<Vec<Value>> {
    let mut at = 0;
    let head = usize::try_from(varint(record, &mut at)?).ok()?;
    let mut from = head;
    let mut values = Vec::new();
    while at < head {
        let code = varint(record.get(..head)?, &mut at)?;
        let bytes = match code {
            0 | 8 | 9 => 0,
            1..=4 => usize::try_from(code).ok()?,
            5 => 6,
            6 => 8,
            12.. => usize::try_from((code - 12) / 2).ok()?,
            _ => return None,
        };
        let raw = record.get(from..from.checked_add(bytes)?)?;
        from += bytes;
        values.push(match code {
            0 => Value::Null,
            8 | 9 => Value::Int(code - 8),
            1..=6 => {
                let sign = if raw.first()? & 0x80 == 0 { 0 } else { -1 };
                Value::Int(raw.iter().fold(sign, |value, byte| (value << 8) | i64::from(*byte)))
            }
            _ => Value::Bytes(raw.to_vec()),
        });
        if COLUMNS_MAX < values.len() {
            return None;
        }
    }
    // A record ends where its row ends; what does not is junk.
    (from == record.len()).then_some(values)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rusqlite::{Connection, params};

    #[test]
    fn rows_are_read_as_they_were_written_whatever_their_length_and_though_the_root_is_gone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.db");
        let conn = Connection::open(&path).unwrap();
        conn.execute_batch("CREATE TABLE t (n INTEGER PRIMARY KEY, a INTEGER, b BLOB, c TEXT) STRICT").unwrap();
        let lengths = [0, 1, 900, 4000, 4061, 4062, 5000, 9000, 20_000];
        let ints = [0, 1, -1, 127, -129, 1 << 20, -(1 << 30), 1 << 40, i64::MIN];
        for (n, length) in (1_i64..).zip(lengths.iter().cycle().take(90)) {
            let int = ints[usize::try_from(n).unwrap() % ints.len()];
            conn.execute("INSERT INTO t VALUES (?, ?, ?, NULL)", params![n, int, vec![7_u8; *length]]).unwrap();
        }
        let root: u64 = conn
            .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 't'", [], |row| row.get::<_, u32>(0))
            .unwrap()
            .into();
        drop(conn);
        let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
        file.write_all_at(&[0xa5; PAGE], (root - 1) * PAGE as u64).unwrap();
        file.write_all_at(&[0xa5; 100], 0).unwrap();
        let pages = Pages::open(&path, &dir.path().join("none")).unwrap();
        let rows: BTreeMap<i64, Vec<Value>> = (1..=pages.count).flat_map(|page| pages.rows(page)).collect();
        for (n, length) in (1_i64..).zip(lengths.iter().cycle().take(90)) {
            let row = &rows[&n];
            let int = ints[usize::try_from(n).unwrap() % ints.len()];
            assert!(row[0] == Value::Null && row[1] == Value::Int(int) && row[3] == Value::Null, "row {n}");
            assert!(row[2].bytes() == Some(&vec![7_u8; *length][..]), "row {n} of {length} bytes");
        }
    }

    proptest! {
        #[test]
        fn junk_is_no_row_and_no_panic(junk in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Some(values) = columns(&junk) {
                prop_assert!(values.len() <= COLUMNS_MAX);
            }
            let mut at = 0;
            let _value = varint(&junk, &mut at);
            prop_assert!(at <= 9);
        }
    }
}
