//! Pictures that a damaged file still owed: their reads were delivered, their turn had not come. Their rows don't come
//! over, since only reads that wait do; that they never go is told to the receiver and counted.

use super::aside::RUNS_MAX;
use super::books::number;
use super::db::Db;
use super::salvage::carried;
use pintle_core::ids::EventId;
use pintle_core::moment::Moment;
use pintle_core::queue::Never;
use pintle_core::queue::ranges::RangeSet;
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange, VERSION};
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};

/// What the file owed, as far as it can be read.
#[derive(Default)]
pub(super) struct Owed {
    /// Files that don't go any more.
    pub(super) files: u64,
    /// Of those, the ones whose reads are known.
    pub(super) named: u64,
    /// Numbers of these reads, by their generation.
    reads: BTreeMap<EventId, RangeSet>,
}

/// Looks for them in the old file. `generation`: of its own numbers, if they are to be named. `taken`: files of reads
/// that came over.
pub(super) fn owed(old: &Connection, generation: Option<EventId>, taken: u64) -> Owed {
    let mut due = BTreeSet::new();
    // By the table and by its index: a bad page of one is seldom a bad page of the other.
    for way in ["NOT INDEXED", "INDEXED BY images_due"] {
        let sql = format!("SELECT sequence, part FROM images {way} WHERE state = 1");
        let Ok(mut rows) = old.prepare(&sql) else { continue };
        let Ok(rows) = rows.query_map([], |row| Ok((number(row, 0)?, number(row, 1)?))) else { continue };
        due.extend(rows.map_while(Result::ok));
    }
    let mut owed = Owed { files: due.len() as u64, ..Owed::default() };
    // What the sums say beyond it was due too, or belonged to a read that could not be read.
    let sums = "SELECT kept - sent - expired - evicted - refused - not_carried - lost FROM picture_ledger";
    if let Ok(waiting) = old.query_row(sums, [], |row| number(row, 0)) {
        owed.files = owed.files.max(waiting.saturating_sub(taken));
    }
    for (sequence, _) in due {
        let origin = carried(old, sequence).ok().flatten();
        let Some((generation, number)) = origin.or(generation.map(|generation| (generation, sequence))) else {
            continue;
        };
        owed.reads.entry(generation).or_default().insert(number);
        owed.named += 1;
    }
    owed
}

impl Owed {
    /// What the entry that closes the file says of it.
    pub(super) fn told(&self) -> String {
        match (self.files, self.files - self.named) {
            (0, _) => String::new(),
            (files, 0) => format!("; pictures not sent: {files}"),
            (files, unnamed) => format!("; pictures not sent: {files}, of {unnamed} the reads are not known"),
        }
    }
}

impl Db {
    /// Counts and tells them, inside the running transaction; behind the entry that closes their generation.
    pub(super) fn tell_owed(&mut self, owed: &Owed, now: &Moment) -> rusqlite::Result<()> {
        self.images.books.counts.kept += owed.files;
        *self.images.books.counts.of_mut(Never::Lost) += owed.files;
        for (generation, reads) in &owed.reads {
            let runs: Vec<_> = reads.runs().map(|(from, to)| SequenceRange { from, to }).collect();
            for ranges in runs.chunks(RUNS_MAX) {
                let body = LedgerBody {
                    v: VERSION,
                    what: LedgerWhat::PicturesLost,
                    generation: generation.to_string(),
                    ranges: ranges.to_vec(),
                    unreadable: Vec::new(),
                    count: ranges.iter().map(|run| run.to - run.from + 1).sum(),
                    class: None,
                    captured_from: None,
                    captured_to: None,
                    accepted_up_to: self.closed_up_to(*generation)?.max(reads.last()),
                    reason: "pictures of these reads were still to be sent when the queue's file was damaged"
                        .to_owned(),
                };
                self.put_ledger(&body, now)?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::super::schema::migrate;
    use super::*;
    use rusqlite::config::DbConfig;
    use std::os::unix::fs::FileExt as _;

    #[test]
    fn what_a_file_owed_is_known_by_the_table_by_its_index_or_by_the_sums_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("queue.db");
        let conn = Connection::open(&path).unwrap();
        migrate(&conn).unwrap();
        // Of twelve files two were sent, one was refused; three belong to reads that wait, and come over with them.
        for (part, state) in (0_i64..).zip([1, 1, 1, 1, 1, 1, 2, 2, 3, 0, 0, 0]) {
            let row = (1 + part / 3, part, [7; 32], state);
            conn.execute("INSERT INTO images VALUES (?, ?, ?, 1000, 2, ?)", row).unwrap();
        }
        conn.execute("UPDATE picture_ledger SET kept = 12, sent = 2, refused = 1", []).unwrap();
        let root = |name: &str| -> u64 {
            conn.query_row("SELECT rootpage FROM sqlite_schema WHERE name = ?", [name], |row| row.get::<_, u32>(0))
                .unwrap()
                .into()
        };
        let roots = [root("images"), root("images_due"), root("picture_ledger")];
        conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false).unwrap();
        conn.close().unwrap();
        let generation = EventId([9; 16]);
        let look = |generation| {
            let owed = owed(&Connection::open(&path).unwrap(), generation, 3);
            (owed.files, owed.named, owed.reads.get(&EventId([9; 16])).map(RangeSet::len), owed.told())
        };
        let all = (6, 6, Some(2), "; pictures not sent: 6".to_owned());
        assert_eq!(look(Some(generation)), all);
        let unnamed = (6, 0, None, "; pictures not sent: 6, of 6 the reads are not known".to_owned());
        assert_eq!(look(None), unnamed, "numbers that were given twice are not named");
        let spoil = |root: u64| {
            let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
            file.write_all_at(&[0xa5; 4096], (root - 1) * 4096).unwrap();
        };
        spoil(roots[0]);
        assert_eq!(look(Some(generation)), all, "by the index");
        spoil(roots[1]);
        assert_eq!(look(Some(generation)), unnamed, "by the sums");
        spoil(roots[2]);
        assert_eq!(look(Some(generation)), (0, 0, None, String::new()));
    }
}
