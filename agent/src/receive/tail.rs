//! What people are told at once, in the order in which it came: hits, alarms, test alerts, and what this receiver
//! raised by itself. Read from the database behind a cursor, so that nothing is kept twice and nobody's slowness costs
//! memory.

use super::schema::{DatabaseError, FILE_NAME, open_reader};
use pintle_core::moment::Utc;
use pintle_core::wire::event::{DATA_CONTENT_TYPE, SPEC_VERSION};
use rusqlite::{Connection, Result, params};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::path::Path;

/// Events looked at in one go (our own limit: a few ms).
const SCANNED_MAX: i64 = 5_000;

/// How far somebody has been told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cursor {
    /// Number of the last event that was looked at.
    pub event: i64,
    /// Number of the last raised thing.
    pub raised: i64,
}

impl Cursor {
    /// As in `Last-Event-ID`: two numbers and a hyphen.
    #[must_use]
    pub fn to_text(self) -> String {
        format!("{}-{}", self.event, self.raised)
    }

    /// The same back; `None` if it is none of ours.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let number = |text: &str| {
            let digits = !text.is_empty() && text.len() <= 18 && text.bytes().all(|c| c.is_ascii_digit());
            digits.then(|| text.parse().ok()).flatten()
        };
        let (event, raised) = text.trim().split_once('-')?;
        Some(Self { event: number(event)?, raised: number(raised)? })
    }
}

/// One thing to tell. It has no `Debug`: the event may hold a plate.
pub struct Thing {
    /// Where to go on after it.
    pub cursor: Cursor,
    /// Id of the event.
    pub id: String,
    /// Its type.
    pub event_type: String,
    /// Which trailer it is about.
    pub trailer: String,
    /// The event, `CloudEvents` 1.0 in JSON, one line.
    pub json: String,
}

#[derive(Serialize)]
struct Envelope<'a> {
    specversion: &'static str,
    id: &'a str,
    source: &'a str,
    r#type: &'a str,
    time: &'a str,
    datacontenttype: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    subject: Option<&'a str>,
    /// An extension attribute of ours.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    relayed: bool,
    /// How long after its capture, or after it happened, it was sent, s; absent if it was not late.
    #[serde(skip_serializing_if = "Option::is_none")]
    late: Option<i64>,
    data: &'a RawValue,
}

/// Source of what a receiver raises.
pub const OWN_SOURCE: &str = "urn:pintle:receiver";
/// Type of what a receiver raises.
pub const RAISED_TYPE: &str = "pintle.raised.v1";

#[derive(Serialize)]
struct RaisedData<'a> {
    kind: &'a str,
    urgent: bool,
    trailer: &'a str,
    at: &'a str,
    text: &'a str,
}

#[derive(Deserialize)]
struct NoticeSeen {
    urgent: bool,
    test: bool,
}

/// A reader of urgent things.
pub struct Tail {
    connection: Connection,
}

impl Tail {
    /// Opens the database in `folder` for reading.
    ///
    /// # Errors
    /// [`DatabaseError`]
    pub fn open(folder: &Path) -> std::result::Result<Self, DatabaseError> {
        Ok(Self { connection: open_reader(folder)? })
    }

    /// The end of what is there now.
    ///
    /// # Errors
    /// [`DatabaseError`]
    pub fn end(&self) -> std::result::Result<Cursor, DatabaseError> {
        let max = |table: &str| -> Result<i64> {
            let text = format!("SELECT coalesce(max(no), 0) FROM {table}");
            self.connection.query_row(&text, [], |row| row.get(0))
        };
        let both = || Ok(Cursor { event: max("event")?, raised: max("raised")? });
        both().map_err(|error| told(&error))
    }

    /// Where `name` was told up to, if it ever was.
    ///
    /// # Errors
    /// [`DatabaseError`]
    pub fn told_up_to(&self, name: &str) -> std::result::Result<Option<Cursor>, DatabaseError> {
        use rusqlite::OptionalExtension as _;
        self.connection
            .query_row("SELECT event, raised FROM told_up_to WHERE name = ?1", [name], |row| {
                Ok(Cursor { event: row.get(0)?, raised: row.get(1)? })
            })
            .optional()
            .map_err(|error| told(&error))
    }

    /// What comes after `cursor`, and where to go on if nothing of it is urgent. A cursor beyond the end, as after the
    /// database was exchanged, goes on from the end.
    ///
    /// # Errors
    /// [`DatabaseError`]
    pub fn after(&self, cursor: Cursor) -> std::result::Result<(Vec<Thing>, Cursor), DatabaseError> {
        let end = self.end()?;
        let cursor = Cursor { event: cursor.event.min(end.event), raised: cursor.raised.min(end.raised) };
        let upto = Cursor { event: end.event.min(cursor.event + SCANNED_MAX), raised: end.raised };
        if upto == cursor {
            return Ok((Vec::new(), cursor));
        }
        let both = || -> Result<Vec<Thing>> {
            let mut things = self.events(cursor, upto.event)?;
            things.extend(self.raised(Cursor { event: upto.event, ..cursor }, upto.raised)?);
            Ok(things)
        };
        Ok((both().map_err(|error| told(&error))?, upto))
    }

    fn events(&self, cursor: Cursor, upto: i64) -> Result<Vec<Thing>> {
        let mut rows = self.connection.prepare_cached(
            "SELECT e.no, t.source, e.id, e.type, e.time, e.hit, e.data, e.relayed, e.late_s FROM event e
             JOIN trailer t ON t.no = e.trailer
             WHERE ?1 < e.no AND e.no <= ?2 AND (e.hit = 1 OR e.type = 'pintle.notice.v1') ORDER BY e.no",
        )?;
        let mut found = rows.query(params![cursor.event, upto])?;
        let mut things = Vec::new();
        while let Some(row) = found.next()? {
            let (source, id, event_type): (String, String, String) = (row.get(1)?, row.get(2)?, row.get(3)?);
            let (time, hit, data): (String, bool, String) = (row.get(4)?, row.get(5)?, row.get(6)?);
            let notice = || serde_json::from_str::<NoticeSeen>(&data).is_ok_and(|notice| notice.urgent || notice.test);
            if !hit && !notice() {
                continue;
            }
            let cursor = Cursor { event: row.get(0)?, raised: cursor.raised };
            let about = About { relayed: row.get(7)?, late: row.get(8)?, ..About::default() };
            let Some(json) = envelope(&source, &id, &event_type, &time, about, &data) else { continue };
            things.push(Thing { cursor, id, event_type, trailer: source, json });
        }
        Ok(things)
    }

    fn raised(&self, cursor: Cursor, upto: i64) -> Result<Vec<Thing>> {
        let mut rows = self.connection.prepare_cached(
            "SELECT r.no, t.source, r.id, r.at, r.kind, r.urgent, r.text FROM raised r JOIN trailer t ON t.no = r.trailer
             WHERE ?1 < r.no AND r.no <= ?2 ORDER BY r.no",
        )?;
        let mut found = rows.query(params![cursor.raised, upto])?;
        let mut things = Vec::new();
        while let Some(row) = found.next()? {
            let (trailer, id, kind): (String, String, String) = (row.get(1)?, row.get(2)?, row.get(4)?);
            let (at, urgent, text): (i64, bool, String) = (row.get(3)?, row.get(5)?, row.get(6)?);
            let at = Utc(at).to_rfc3339();
            let data = RaisedData { kind: &kind, urgent, trailer: &trailer, at: &at, text: &text };
            let Ok(data) = serde_json::to_string(&data) else { continue };
            let cursor = Cursor { event: cursor.event, raised: row.get(0)? };
            let about = About { subject: Some(&trailer), ..About::default() };
            let Some(json) = envelope(OWN_SOURCE, &id, RAISED_TYPE, &at, about, &data) else { continue };
            things.push(Thing { cursor, id, event_type: RAISED_TYPE.to_owned(), trailer, json });
        }
        Ok(things)
    }
}

fn told(error: &rusqlite::Error) -> DatabaseError {
    DatabaseError::from_sqlite(Path::new(FILE_NAME), error)
}

/// What is said beside an event.
#[derive(Clone, Copy, Default)]
struct About<'a> {
    subject: Option<&'a str>,
    relayed: bool,
    late: Option<i64>,
}

/// One line: JSON has no raw line ends within strings, and a sender's own between its parts are taken out.
fn envelope(source: &str, id: &str, event_type: &str, time: &str, about: About<'_>, data: &str) -> Option<String> {
    let data: &RawValue = serde_json::from_str(data).ok()?;
    let envelope = Envelope {
        specversion: SPEC_VERSION,
        id,
        source,
        r#type: event_type,
        time,
        datacontenttype: DATA_CONTENT_TYPE,
        subject: about.subject,
        relayed: about.relayed,
        late: about.late,
        data,
    };
    let text = serde_json::to_string(&envelope).ok()?;
    Some(text.replace(['\r', '\n'], " "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cursor_is_read_as_it_was_written_and_nothing_else_is() {
        let cursor = Cursor { event: 17, raised: 4 };
        assert_eq!(Cursor::parse(&cursor.to_text()), Some(cursor));
        for bad in ["", "17", "-", "17-", "-4", "a-b", "1--2", "99999999999999999999-1", "+1-2"] {
            assert_eq!(Cursor::parse(bad), None, "{bad}");
        }
    }
}
