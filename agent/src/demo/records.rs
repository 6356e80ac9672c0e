//! The receiver's database, read from outside: what really arrived. Its views are described in `docs/RECEIVER.md`.

use anyhow::Context;
use pintle_core::geo::LatLon;
use pintle_core::moment::{Mono, Utc};
use pintle_core::sim::judge::Received;
use rusqlite::{Connection, OpenFlags};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Ways to damage the records on purpose, so that a judge that finds nothing is found out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Spoil {
    /// Put the last read back to where the trailer stood first.
    Stamp,
    /// Take one read away.
    Drop,
    /// Store one read under a second id.
    Double,
    /// Call the place line of the last read confirmed, which it was at the first site only.
    Line,
    /// Call all that was read on the way unknown.
    Way,
}

impl Spoil {
    /// What was done, for the story.
    pub(super) fn told(self) -> &'static str {
        match self {
            Self::Stamp => "the last read got the position of the first",
            Self::Drop => "one read was taken away",
            Self::Double => "one read was stored a second time under another id",
            Self::Line => "the last read shows the line of the first site as confirmed",
            Self::Way => "what was read on the way is called unknown",
        }
    }

    fn sql(self) -> &'static str {
        match self {
            Self::Stamp => {
                "UPDATE stamp SET spot = 'site', state = 'certain', site = 1,
                   lat = (SELECT lat FROM reads WHERE lat IS NOT NULL ORDER BY time LIMIT 1),
                   lon = (SELECT lon FROM reads WHERE lat IS NOT NULL ORDER BY time LIMIT 1)
                 WHERE read_id = (SELECT id FROM reads ORDER BY time DESC LIMIT 1)"
            }
            Self::Line => {
                "UPDATE stamp SET line_state = 'confirmed'
                 WHERE read_id = (SELECT id FROM reads WHERE spot = 'site' AND state = 'certain' AND site = 2
                   ORDER BY time DESC LIMIT 1)"
            }
            Self::Way => "UPDATE stamp SET spot = 'unknown', state = 'none' WHERE spot = 'underway'",
            Self::Drop => "DELETE FROM event WHERE id = (SELECT id FROM reads ORDER BY time DESC LIMIT 1)",
            Self::Double => {
                "INSERT INTO event (trailer, id, type, generation, sequence, time, hit, received_at, content_hash, data)
                 SELECT trailer, '00000000-0000-4000-8000-000000000000', type, generation, sequence, time, hit,
                   received_at, content_hash, data
                 FROM event WHERE id = (SELECT id FROM reads ORDER BY time DESC LIMIT 1)"
            }
        }
    }
}

/// The receiver's database.
pub(super) struct Records {
    file: PathBuf,
    connection: Connection,
}

impl Records {
    /// Opens the database in `folder` for reading.
    ///
    /// # Errors
    /// If it is not there.
    pub(super) fn open(folder: &Path) -> anyhow::Result<Self> {
        let file = folder.join("receiver.db");
        let connection = Connection::open_with_flags(&file, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .with_context(|| format!("the receiver's database {} can't be opened", file.display()))?;
        connection.busy_timeout(std::time::Duration::from_secs(5))?;
        Ok(Self { file, connection })
    }

    /// All read events with their newest stamp; times are ms since `began`.
    pub(super) fn reads(&self, began: (Mono, Utc)) -> anyhow::Result<Vec<Received>> {
        let sql = "SELECT id, received_at, spot, state, site, lat, lon, line_state FROM reads";
        let mut statement = self.connection.prepare_cached(sql)?;
        let rows = statement.query_map([], |row| {
            let lat_lon = row.get::<_, Option<f64>>(5)?.zip(row.get::<_, Option<f64>>(6)?);
            let received_at: i64 = row.get(1)?;
            Ok(Received {
                id: row.get(0)?,
                at_ms: u64::try_from(received_at - began.1.0).unwrap_or(0),
                spot: row.get::<_, Option<String>>(2)?.unwrap_or_default(),
                state: row.get::<_, Option<String>>(3)?.unwrap_or_default(),
                site: row.get::<_, Option<i64>>(4)?.and_then(|site| u64::try_from(site).ok()),
                position: lat_lon.and_then(|(lat, lon)| LatLon::new(lat, lon)),
                line_state: row.get::<_, Option<String>>(7)?.unwrap_or_default(),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// All numbers that are there or explained by the ledger, and the highest that the trailer has spoken of. The
    /// demo makes one
    /// generation; a second one would be a fault of its own.
    pub(super) fn sequences(&self) -> anyhow::Result<(BTreeSet<u64>, u64)> {
        let generations: i64 = self.connection.query_row("SELECT count(*) FROM generations", [], |row| row.get(0))?;
        anyhow::ensure!(generations <= 1, "the receiver knows {generations} generations; the demo makes one");
        let up_to: Option<i64> =
            self.connection.query_row("SELECT max(accepted_up_to) FROM generations", [], |row| row.get(0))?;
        let mut numbers = BTreeSet::new();
        let mut statement = self
            .connection
            .prepare_cached("SELECT sequence, sequence FROM numbers UNION ALL SELECT first, last FROM explanations")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let (first, last): (i64, i64) = (row.get(0)?, row.get(1)?);
            numbers.extend((first..=last).filter_map(|number| u64::try_from(number).ok()));
        }
        Ok((numbers, up_to.and_then(|number| u64::try_from(number).ok()).unwrap_or(0)))
    }

    /// The sites that stamps name, with the mean of their stamped positions.
    pub(super) fn sites(&self) -> anyhow::Result<Vec<Value>> {
        let mut statement = self.connection.prepare_cached(
            "SELECT site, avg(lat), avg(lon), count(*) FROM reads WHERE spot = 'site' AND state = 'certain'
             GROUP BY site ORDER BY site",
        )?;
        let rows = statement.query_map([], |row| {
            let (site, lat, lon, reads): (i64, f64, f64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
            Ok(json!({"site": site, "lat": lat, "lon": lon, "reads": reads}))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Damages the records on purpose.
    pub(super) fn spoil(&self, spoil: Spoil) -> anyhow::Result<()> {
        let writer = Connection::open(&self.file)?;
        writer.busy_timeout(std::time::Duration::from_secs(5))?;
        let changed = writer.execute(spoil.sql(), [])?;
        anyhow::ensure!(0 < changed, "there was nothing to spoil");
        Ok(())
    }
}
