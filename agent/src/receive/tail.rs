//! What people are told at once, in the order in which it came: hits, alarms, test alerts, and what this receiver
//! raised by itself. Read from the database behind a cursor, so that nothing is kept twice and nobody's slowness costs
//! memory.

use super::schema::{DatabaseError, FILE_NAME, open_reader};
use pintle_core::moment::Utc;
use pintle_core::wire::event::{DATA_CONTENT_TYPE, SPEC_VERSION};
use pintle_core::wire::raised::{RAISED_SCHEMA, RAISED_TYPE, RaisedBody};
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
    /// Its number: of a raised thing or of an event, as `raised` says.
    pub no: i64,
    /// Whether this receiver raised it.
    pub raised: bool,
    /// Whether somebody must act: not so a test alert or the end of a silence.
    pub urgent: bool,
    /// When it happened, by this host's clock: when it came, less what the trailer says that it was late.
    pub happened: Utc,
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
    dataschema: Option<&'static str>,
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

    /// One thing by its number, if it is still the one with that id.
    ///
    /// # Errors
    /// [`DatabaseError`]
    pub fn one(&self, raised: bool, no: i64, id: &str) -> std::result::Result<Option<Thing>, DatabaseError> {
        let found = if raised {
            self.raised(Cursor { event: 0, raised: no - 1 }, no)
        } else {
            self.events(Cursor { event: no - 1, raised: 0 }, no)
        };
        let found = found.map_err(|error| told(&error))?;
        Ok(found.into_iter().find(|thing| thing.id == id))
    }

    fn events(&self, cursor: Cursor, upto: i64) -> Result<Vec<Thing>> {
        let mut rows = self.connection.prepare_cached(
            "SELECT e.no, t.source, e.id, e.type, e.time, e.hit, e.data, e.relayed, e.late_s, e.received_at FROM event e
             JOIN trailer t ON t.no = e.trailer
             WHERE ?1 < e.no AND e.no <= ?2 AND (e.hit = 1 OR e.type = 'pintle.notice.v1') ORDER BY e.no",
        )?;
        let mut found = rows.query(params![cursor.event, upto])?;
        let mut things = Vec::new();
        while let Some(row) = found.next()? {
            let (source, id, event_type): (String, String, String) = (row.get(1)?, row.get(2)?, row.get(3)?);
            let (time, hit, data): (String, bool, String) = (row.get(4)?, row.get(5)?, row.get(6)?);
            let notice = || serde_json::from_str::<NoticeSeen>(&data).ok();
            let urgent = hit || notice().is_some_and(|notice| notice.urgent);
            if !urgent && !notice().is_some_and(|notice| notice.test) {
                continue;
            }
            let no = row.get(0)?;
            let cursor = Cursor { event: no, raised: cursor.raised };
            let about = About { relayed: row.get(7)?, late: row.get(8)?, ..About::default() };
            let late_ms = about.late.unwrap_or(0).saturating_mul(1000);
            let happened = Utc(row.get(9)?).plus_ms(late_ms.saturating_neg());
            let Some(json) = envelope(&source, &id, &event_type, &time, about, &data) else { continue };
            things.push(Thing { cursor, id, event_type, trailer: source, no, raised: false, urgent, happened, json });
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
            let (happened, urgent, text): (i64, bool, String) = (row.get(3)?, row.get(5)?, row.get(6)?);
            let happened = Utc(happened);
            let at = happened.to_rfc3339();
            let data = RaisedBody { kind, urgent, trailer: trailer.clone(), at: at.clone(), text };
            let Ok(data) = serde_json::to_string(&data) else { continue };
            let no = row.get(0)?;
            let cursor = Cursor { event: cursor.event, raised: no };
            let about = About { subject: Some(&trailer), schema: Some(RAISED_SCHEMA), ..About::default() };
            let Some(json) = envelope(OWN_SOURCE, &id, RAISED_TYPE, &at, about, &data) else { continue };
            let event_type = RAISED_TYPE.to_owned();
            things.push(Thing { cursor, id, event_type, trailer, no, raised: true, urgent, happened, json });
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
    schema: Option<&'static str>,
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
        dataschema: about.schema,
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
