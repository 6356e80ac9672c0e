//! The receiver's own health for its operator: figures in the text format of Prometheus. No plate, and no name but the
//! trailers' counts.

use super::places::PlaceFigures;
use super::schema::{DatabaseError, FILE_NAME, open_reader};
use nix::sys::statvfs::statvfs;
use rusqlite::{Result, Row};
use std::fmt::Display;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

/// Events by what their receipts say, since the start of the process.
#[derive(Debug, Default)]
pub struct Receipts {
    /// Stored.
    pub stored: AtomicU64,
    /// Known already.
    pub duplicate: AtomicU64,
    /// Refused.
    pub refused: AtomicU64,
}

/// What the process itself knows.
pub(super) struct Process {
    /// Events stored, known and refused since the start.
    pub(super) events: [u64; 3],
    /// Requests refused since the start, by reason.
    pub(super) refused: Vec<(&'static str, u64)>,
    pub(super) places: PlaceFigures,
    /// Age of the store now, ms.
    pub(super) lived_ms: Option<i64>,
}

impl Receipts {
    pub(super) fn read(&self) -> [u64; 3] {
        [&self.stored, &self.duplicate, &self.refused].map(|count| count.load(Ordering::Relaxed))
    }
}

/// What the database knows.
struct Kept {
    trailers: i64,
    silent: i64,
    act: i64,
    untold: i64,
    aside: i64,
    oldest_ms: Option<i64>,
}

/// The figures as text.
///
/// # Errors
/// [`DatabaseError`]
pub(super) fn text(folder: &Path, process: &Process) -> std::result::Result<String, DatabaseError> {
    let connection = open_reader(folder)?;
    let sql = "SELECT (SELECT count(*) FROM trailer), (SELECT count(*) FROM state WHERE raised = 'silent'),
        (SELECT count(*) FROM state WHERE raised = 'act'), (SELECT count(*) FROM untold),
        (SELECT count(*) FROM untold WHERE aside = 1), (SELECT min(came) FROM untold)";
    let row = |row: &Row<'_>| -> Result<Kept> {
        let (trailers, silent, act) = (row.get(0)?, row.get(1)?, row.get(2)?);
        Ok(Kept { trailers, silent, act, untold: row.get(3)?, aside: row.get(4)?, oldest_ms: row.get(5)? })
    };
    let kept = connection
        .query_row(sql, [], row)
        .map_err(|error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error))?;
    let [stored, duplicate, refused] = process.events;
    let events = [("stored", stored), ("duplicate", duplicate), ("refused", refused)];
    let oldest_s = kept.oldest_ms.zip(process.lived_ms).map_or(0, |(came, now)| now.saturating_sub(came).max(0) / 1000);
    let free = statvfs(folder).map(|disk| disk.blocks_available().saturating_mul(disk.fragment_size()));
    let parts = [
        counter("events_total", "Events by receipt since the start.", "result", &events),
        counter("requests_refused_total", "Refused requests since the start.", "reason", &process.refused),
        counter("connections_ended_total", "Connections that gave way.", "why", &[("place", process.places.gave_way)]),
        gauge("connections", "Open connections.", process.places.open),
        gauge("connections_known", "Of them, those that may ask.", process.places.known),
        gauge("trailers", "Trailers ever heard of.", kept.trailers),
        gauge("trailers_silent", "Trailers called silent.", kept.silent),
        gauge("trailers_act", "Trailers that need somebody now.", kept.act),
        gauge("untold", "Urgent things that nobody was told yet.", kept.untold),
        gauge("untold_aside", "Of them, those that fail alone.", kept.aside),
        gauge("untold_oldest_seconds", "Age of the oldest of them.", oldest_s),
        free.map(|free| gauge("disk_free_bytes", "Free on the disk of the database.", free)).unwrap_or_default(),
    ];
    Ok(parts.concat())
}

fn counter(name: &str, help: &str, label: &str, rows: &[(&str, u64)]) -> String {
    let head = format!("# HELP pintle_receiver_{name} {help}\n# TYPE pintle_receiver_{name} counter\n");
    let rows = rows.iter().map(|(value, count)| format!("pintle_receiver_{name}{{{label}=\"{value}\"}} {count}\n"));
    std::iter::once(head).chain(rows).collect()
}

fn gauge(name: &str, help: &str, value: impl Display) -> String {
    let name = format!("pintle_receiver_{name}");
    format!("# HELP {name} {help}\n# TYPE {name} gauge\n{name} {value}\n")
}
