//! What people have still to be told, in the database: numbers and ids, never a content.

use super::tail::Cursor;
use pintle_core::moment::Utc;
use pintle_core::receive::telling::Thing;
use rusqlite::{Connection, Result, Row, Transaction, params};

/// Name under which the cursor and what waits are kept.
pub const NAME: &str = "on-urgent";

/// Keeps what came at the age `lived_ms` of the store, and how far the tables were looked through.
///
/// # Errors
/// What the database says: nothing of it is kept.
pub fn add(work: &Connection, found: Vec<Thing>, upto: Cursor, lived_ms: i64) -> Result<Vec<Thing>> {
    work.prepare_cached(
        "INSERT INTO told_up_to (name, event, raised) VALUES (?1, ?2, ?3)
         ON CONFLICT (name) DO UPDATE SET event = excluded.event, raised = excluded.raised",
    )?
    .execute(params![NAME, upto.event, upto.raised])?;
    // A number that is given again is another thing than the one that had it.
    let mut insert = work.prepare_cached(
        "INSERT OR REPLACE INTO untold (name, raised, no, id, urgent, happened, came)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?;
    let mut kept = Vec::with_capacity(found.len());
    for thing in found {
        insert.execute(params![NAME, thing.raised, thing.no, thing.id, thing.urgent, thing.happened.0, lived_ms])?;
        kept.push(Thing { came_ms: lived_ms, ..thing });
    }
    Ok(kept)
}

/// All that waits, in the order in which it came.
///
/// # Errors
/// What the database says.
pub fn all(work: &Transaction<'_>) -> Result<Vec<Thing>> {
    let mut rows = work.prepare_cached(
        "SELECT raised, no, id, urgent, happened, came, tries, refused, aside FROM untold WHERE name = ?1
         ORDER BY came, raised, no",
    )?;
    let row = |row: &Row<'_>| {
        Ok(Thing {
            raised: row.get(0)?,
            no: row.get(1)?,
            id: row.get(2)?,
            urgent: row.get(3)?,
            happened: Utc(row.get(4)?),
            came_ms: row.get(5)?,
            tries: row.get(6)?,
            refused: row.get(7)?,
            aside: row.get(8)?,
        })
    };
    rows.query_map([NAME], row)?.collect()
}

/// Keeps how a thing fared.
///
/// # Errors
/// What the database says.
pub fn keep(work: &Connection, thing: &Thing) -> Result<()> {
    work.prepare_cached(
        "UPDATE untold SET tries = ?4, refused = ?5, aside = ?6 WHERE name = ?1 AND raised = ?2 AND no = ?3",
    )?
    .execute(params![NAME, thing.raised, thing.no, thing.tries, thing.refused, thing.aside])?;
    Ok(())
}

/// It was told, or is given up.
///
/// # Errors
/// What the database says.
pub fn forget(work: &Connection, raised: bool, no: i64) -> Result<()> {
    work.prepare_cached("DELETE FROM untold WHERE name = ?1 AND raised = ?2 AND no = ?3")?
        .execute(params![NAME, raised, no])?;
    Ok(())
}
