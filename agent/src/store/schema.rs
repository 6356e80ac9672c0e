//! The shape of the queue file, by numbered steps. Each step and its number are one transaction, so a power cut leaves
//! the file at one step or the next.

use rusqlite::Connection;

/// `application_id` of our files: "PNTL".
pub(super) const APPLICATION_ID: i64 = 0x504e_544c;

/// Step n brings a file from version n to n + 1.
///
/// `events`: a row is written once; only its stamp may be replaced. What became of it stands in `settled`, a narrow
/// table, so that a receipt does not write the read a second time. Its row is made before the event is first sent, and
/// fixes the event's bytes: when that was, its salt and its stamp. `blocks`: what was told of blocks of events
/// (decision 0015); `again` marks those that the receiver found different. `gone`: runs of sequences whose rows were
/// deleted.
/// `stamps`: reads of one camera share most stamps, so `events.stamp` is a number in this table; a stamp is shared
/// within a span of sequences only, so it can go with the last of them.
/// `events.late`: 0, 1 for an event that was accepted long after it happened, or the code of the profile whose limits
/// hold: those are due before or after their neighbours.
/// `events.images`: the files of a read as its event announces them; `images`: one row for each (see `super::images`).
/// `picture_ledger`: sums of what became of files of pictures, as `ledger` has those of events.
/// `carried`: places of events that came over from a damaged file, and under which numbers they go out; its rows stay,
/// since they tell nothing but numbers and only a damage writes any.
/// `past`: keyed hashes of the ids of deleted reads. An accepted event writes one page of `events` and one of
/// `events_id` (time-ordered ids fall into the newest page); the other indexes hold the few rows that need them.
const STEPS: [&str; 7] = [
    "
CREATE TABLE events (
  sequence INTEGER PRIMARY KEY,
  id BLOB NOT NULL,
  kind INTEGER NOT NULL,
  urgent INTEGER NOT NULL,
  hit INTEGER NOT NULL,
  stamp_open INTEGER NOT NULL,
  late INTEGER NOT NULL,
  camera TEXT,
  happened_at INTEGER NOT NULL,
  accepted_at INTEGER NOT NULL,
  born INTEGER NOT NULL,
  revision INTEGER NOT NULL,
  stamp INTEGER,
  body BLOB NOT NULL
) STRICT;
CREATE TABLE stamps (number INTEGER PRIMARY KEY, span INTEGER NOT NULL, stamp BLOB NOT NULL) STRICT;
CREATE UNIQUE INDEX events_id ON events (id);
CREATE INDEX events_urgent ON events (sequence) WHERE urgent = 1;
CREATE INDEX events_late ON events (born) WHERE late = 1;
CREATE TABLE settled (
  sequence INTEGER PRIMARY KEY,
  result INTEGER NOT NULL,
  hit INTEGER NOT NULL,
  born INTEGER NOT NULL,
  answer TEXT
) STRICT;
CREATE TABLE gone (first INTEGER PRIMARY KEY, last INTEGER NOT NULL) STRICT;
CREATE TABLE past (
  number INTEGER PRIMARY KEY,
  key BLOB NOT NULL UNIQUE,
  tag BLOB NOT NULL,
  gone_at INTEGER NOT NULL
) STRICT;
CREATE TABLE ledger (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  delivered INTEGER NOT NULL,
  expired INTEGER NOT NULL,
  evicted INTEGER NOT NULL,
  refused INTEGER NOT NULL,
  lived BLOB
) STRICT;
INSERT INTO ledger VALUES (1, 0, 0, 0, 0, NULL);
CREATE TABLE kept (key TEXT PRIMARY KEY, value BLOB NOT NULL) STRICT, WITHOUT ROWID;
",
    "
ALTER TABLE settled ADD COLUMN sent_at INTEGER;
ALTER TABLE settled ADD COLUMN salt BLOB;
ALTER TABLE settled ADD COLUMN stamp INTEGER;
ALTER TABLE settled ADD COLUMN leaf BLOB;
CREATE TABLE blocks (
  first INTEGER PRIMARY KEY,
  last INTEGER NOT NULL,
  count INTEGER NOT NULL,
  root BLOB NOT NULL,
  without TEXT NOT NULL,
  rounds INTEGER NOT NULL,
  again INTEGER NOT NULL
) STRICT;
",
    "
CREATE INDEX settled_refused ON settled (sequence) WHERE result = 2;
",
    "
ALTER TABLE events ADD COLUMN images BLOB;
CREATE TABLE images (
  sequence INTEGER NOT NULL,
  part INTEGER NOT NULL,
  address BLOB NOT NULL,
  bytes INTEGER NOT NULL,
  rank INTEGER NOT NULL,
  state INTEGER NOT NULL,
  PRIMARY KEY (sequence, part)
) STRICT, WITHOUT ROWID;
CREATE INDEX images_address ON images (address);
CREATE INDEX images_due ON images (rank, sequence) WHERE state = 1;
",
    "
DROP INDEX events_late;
CREATE INDEX events_apart ON events (late, hit, born) WHERE late <> 0;
",
    "
CREATE TABLE carried (sequence INTEGER PRIMARY KEY, generation BLOB NOT NULL, number INTEGER NOT NULL) STRICT;
",
    "
CREATE TABLE picture_ledger (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  kept INTEGER NOT NULL,
  sent INTEGER NOT NULL,
  expired INTEGER NOT NULL,
  evicted INTEGER NOT NULL,
  refused INTEGER NOT NULL,
  not_carried INTEGER NOT NULL,
  lost INTEGER NOT NULL
) STRICT;
INSERT INTO picture_ledger SELECT 1, count(*), count(*) FILTER (WHERE state = 2), 0, 0,
  count(*) FILTER (WHERE state = 3), 0, 0 FROM images;
",
];

/// What stands in `settled.result`: on its way, or sent without an answer.
pub(super) const SENT: i64 = 0;
/// What stands in `settled.result`.
pub(super) const DELIVERED: i64 = 1;
/// What stands in `settled.result`.
pub(super) const REFUSED: i64 = 2;
/// What stands in `settled.result`: delivered and gone at its age limit; its leaf waits for the root of its block.
pub(super) const LEAF_ONLY: i64 = 3;

/// Why a file can't be brought to this version.
#[derive(Debug)]
pub(super) enum SchemaError {
    /// Another program's file.
    Foreign,
    /// Written by a newer Pintle.
    Newer {
        /// Its version.
        version: i64,
    },
    /// The database said no.
    Sql(rusqlite::Error),
}

impl From<rusqlite::Error> for SchemaError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sql(error)
    }
}

/// Brings the file to this program's version. True if it was empty before.
pub(super) fn migrate(conn: &Connection) -> Result<bool, SchemaError> {
    let read = |pragma| conn.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let (version, application) = (read("user_version")?, read("application_id")?);
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    let fresh = version == 0 && tables == 0;
    if !fresh && application != APPLICATION_ID {
        return Err(SchemaError::Foreign);
    }
    let known = i64::try_from(STEPS.len()).unwrap_or(i64::MAX);
    if known < version {
        return Err(SchemaError::Newer { version });
    }
    for (step, sql) in (0_i64..).zip(STEPS).skip_while(|(step, _)| *step < version) {
        conn.execute_batch(&format!(
            "BEGIN IMMEDIATE; {sql} PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {}; COMMIT;",
            step + 1
        ))?;
    }
    Ok(fresh)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_migrated_once_and_a_newer_or_foreign_one_is_refused() {
        let conn = Connection::open_in_memory().unwrap();
        assert!(migrate(&conn).unwrap());
        assert!(!migrate(&conn).unwrap());
        conn.pragma_update(None, "user_version", 99).unwrap();
        assert!(matches!(migrate(&conn), Err(SchemaError::Newer { version: 99 })));
        let other = Connection::open_in_memory().unwrap();
        other.execute_batch("CREATE TABLE theirs (x)").unwrap();
        assert!(matches!(migrate(&other), Err(SchemaError::Foreign)));
    }

    #[test]
    fn fault_45_an_upgrade_cut_by_power_at_any_instant_goes_on_at_the_next_start() {
        use rusqlite::config::DbConfig;
        let dir = tempfile::tempdir().unwrap();
        let (db, log) = (dir.path().join("a.db"), dir.path().join("a.db-wal"));
        let open = |path: &std::path::Path| {
            let conn = Connection::open(path).unwrap();
            conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
            conn.execute_batch("PRAGMA journal_mode = WAL; PRAGMA wal_autocheckpoint = 0;").unwrap();
            conn
        };
        // A file of the first version with reads in it.
        let conn = open(&db);
        conn.execute_batch(&format!(
            "BEGIN; {} PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = 1; COMMIT;",
            STEPS[0]
        ))
        .unwrap();
        for n in 1..=300_i64 {
            conn.execute(
                "INSERT INTO events VALUES (?1, ?2, 0, 0, 0, 0, ?1 % 2, 'north', 0, 0, ?1, 1, NULL, x'7b7d')",
                rusqlite::params![n, n.to_be_bytes()],
            )
            .unwrap();
        }
        conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
        let before = std::fs::read(&db).unwrap();
        migrate(&conn).unwrap();
        drop(conn);
        // What the disk has of the log when the power goes: any part of it, in the middle of a page too.
        let whole = std::fs::read(&log).unwrap();
        let known = i64::try_from(STEPS.len()).unwrap();
        let mut seen = std::collections::BTreeSet::new();
        for cut in (0..=100).map(|nth| whole.len() * nth / 100) {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("a.db");
            std::fs::write(&path, &before).unwrap();
            std::fs::write(dir.path().join("a.db-wal"), &whole[..cut]).unwrap();
            let conn = open(&path);
            let version: i64 = conn.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
            seen.insert(version);
            assert!(!migrate(&conn).unwrap(), "cut after {cut} bytes");
            let version: i64 = conn.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
            let rows: i64 =
                conn.query_row("SELECT count(*) FROM events WHERE images IS NULL", [], |r| r.get(0)).unwrap();
            let verdict: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
            assert_eq!((version, rows, verdict.as_str()), (known, 300, "ok"), "cut after {cut} bytes");
        }
        assert_eq!(seen, (1..=known).collect(), "the cuts met each step");
    }

    #[test]
    fn the_statement_of_a_lease_is_planned_once() {
        let conn = Connection::open_in_memory().unwrap();
        migrate(&conn).unwrap();
        let mut statement = conn.prepare(super::super::lease::LEASED).unwrap();
        for sequence in 1..=10 {
            assert!(!statement.exists([sequence]).unwrap());
        }
        assert_eq!(statement.get_status(rusqlite::StatementStatus::RePrepare), 0);
        let plan: Vec<String> = conn
            .prepare(&format!("EXPLAIN QUERY PLAN {}", super::super::lease::LEASED))
            .unwrap()
            .query_map([1], |row| row.get("detail"))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap();
        assert!(plan.iter().all(|step| step.starts_with("SEARCH") || step.starts_with("CORRELATED")), "{plan:?}");
    }

    #[test]
    fn ordinary_reads_are_found_and_kept_without_a_scan() {
        // The bar "enqueue and lease do not grow with the backlog" rests on these plans.
        let conn = Connection::open_in_memory().unwrap();
        migrate(&conn).unwrap();
        let table = [
            ("SELECT body FROM events WHERE sequence = 1", "USING INTEGER PRIMARY KEY (rowid=?)"),
            ("SELECT sequence FROM events WHERE id = x'00'", "USING COVERING INDEX events_id (id=?)"),
            ("SELECT max(sequence) FROM events", "SEARCH events"),
            ("SELECT sequence FROM events WHERE urgent = 1", "USING COVERING INDEX events_urgent"),
            (
                "SELECT sequence FROM events WHERE late = 1 AND late <> 0 AND hit = 0 AND born < 5 ORDER BY born LIMIT 9",
                "USING COVERING INDEX events_apart (late=? AND hit=? AND born<?)",
            ),
            ("SELECT tag FROM past WHERE key = x'00'", "(key=?)"),
            ("SELECT 1 FROM images WHERE address = x'00'", "INDEX images_address (address=?)"),
            ("SELECT part FROM images WHERE state = 1 AND rank = 2 ORDER BY sequence", "INDEX images_due (rank=?)"),
        ];
        for (sql, want) in table {
            let plan: String =
                conn.query_row(&format!("EXPLAIN QUERY PLAN {sql}"), [], |row| row.get("detail")).unwrap();
            assert!(plan.contains(want), "{sql}: {plan}");
        }
    }
}
