//! The states of all trailers that send here: kept (the newest of each), listed, judged as a survey, and raised when a
//! trailer falls silent or needs somebody.

use super::retain::{get, put};
use super::schema::{DatabaseError, FILE_NAME, open_reader};
use super::write::receipt;
use crate::clock;
use crate::show::ShowError;
use crate::show::survey::{View, html, json};
use pintle_core::geo::LatLon;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::survey::{Heard, Standing, Trailer, judge, trip, worst_first};
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::receipt::{Receipt, ReceiptResult};
use pintle_core::wire::told::{FLEET_FORMAT, Told};
use pintle_core::wire::upstream::{Came, no_word};
use rusqlite::{Connection, OptionalExtension as _, Result, Row, params};
use serde::Serialize;
use serde_json::value::RawValue;
use std::path::Path;

/// How long a page of the survey may be believed, s (our own choice: trailers tell every few minutes).
const GOOD_FOR_S: u64 = 120;
/// Raised things that are kept (our own limit: years of a fleet that works).
const RAISED_KEPT: i64 = 10_000;

/// Keeps a state unless a newer one of the same run of that computer is here.
pub(super) fn keep(work: &Connection, trailer: i64, came: &Came, now: Utc) -> Result<Receipt> {
    let known: Option<(String, String, i64)> = work
        .prepare_cached("SELECT id, boot_id, boot_clock_ms FROM state WHERE trailer = ?1")?
        .query_row([trailer], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .optional()?;
    let process = &came.body.process;
    let clock_ms = i64::try_from(process.boot_clock_ms).unwrap_or(i64::MAX);
    let older = |(id, boot, at): &(String, String, i64)| {
        *id == came.id || (!boot.is_empty() && *boot == process.boot_id && clock_ms <= *at)
    };
    if known.as_ref().is_some_and(older) {
        return Ok(receipt(&came.id, ReceiptResult::Duplicate, None));
    }
    work.prepare_cached(
        "INSERT INTO state (trailer, id, received_at, boot_id, boot_clock_ms, data) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT (trailer) DO UPDATE SET id = excluded.id, received_at = excluded.received_at, lived = NULL,
           boot_id = excluded.boot_id, boot_clock_ms = excluded.boot_clock_ms, data = excluded.data",
    )?
    .execute(params![trailer, came.id, now.0, process.boot_id, clock_ms, came.data])?;
    Ok(receipt(&came.id, ReceiptResult::Stored, None))
}

/// What was raised.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Raised {
    /// About which trailer.
    pub source: String,
    /// `silent`, `heard-again`, `act` or `act-over`.
    pub kind: &'static str,
}

/// Silence, by the age of the store: how long the host's clock says that it was makes no difference.
#[derive(Clone, Copy, Debug)]
pub struct Silence {
    /// After so long without a word a trailer is called silent, ms.
    pub after_ms: i64,
    /// Age of the store when this receiver began to listen, ms.
    pub started_ms: i64,
}

/// What a trailer said last.
struct Last {
    trailer: i64,
    source: String,
    /// `None`: it came since the last look.
    lived_ms: Option<i64>,
    data: String,
    raised: String,
}

/// To be called once when this receiver begins to listen: while none did, nobody could be heard, so the time since one
/// listened last counts for no trailer's silence.
///
/// # Errors
/// What the database says.
pub fn begin(work: &Connection, lived_ms: i64) -> Result<()> {
    let listened: Option<Vec<u8>> = get(work, LISTENED)?;
    let listened = listened.and_then(|bytes| bytes.try_into().ok()).map(i64::from_be_bytes);
    skip(work, listened.map_or(0, |listened_ms| lived_ms.saturating_sub(listened_ms)), lived_ms)?;
    listened_at(work, lived_ms)
}

/// Takes a time in which nobody could be heard out of all silence.
///
/// # Errors
/// What the database says.
pub fn skip(work: &Connection, off_ms: i64, lived_ms: i64) -> Result<()> {
    work.execute("UPDATE state SET lived = min(lived + max(?1, 0), ?2)", [off_ms, lived_ms])?;
    Ok(())
}

/// Writes down that somebody listens.
///
/// # Errors
/// What the database says.
pub fn listened_at(work: &Connection, lived_ms: i64) -> Result<()> {
    put(work, LISTENED, &lived_ms.to_be_bytes())
}

const LISTENED: &str = "listened";

/// Raises what has become so since the last call: a trailer silent for too long, one that needs somebody now, and the
/// ends of both. `lived_ms` is the age of the store now; `now` is only written down. After a start a trailer has a
/// third of the time of silence to be heard, and one that was silent before stays so until it is heard.
///
/// # Errors
/// What the database says.
pub fn raise(work: &Connection, (lived_ms, now): (i64, Utc), silence: Silence) -> Result<Vec<Raised>> {
    let mut rows = work.prepare_cached(
        "SELECT s.trailer, t.source, s.lived, s.data, s.raised FROM state s JOIN trailer t ON t.no = s.trailer",
    )?;
    let row = |row: &Row<'_>| {
        let (trailer, source, lived_ms) = (row.get(0)?, row.get(1)?, row.get(2)?);
        Ok(Last { trailer, source, lived_ms, data: row.get(3)?, raised: row.get(4)? })
    };
    let rows: Vec<Last> = rows.query_map([], row)?.collect::<Result<_>>()?;
    let settled_in = silence.after_ms / 3 <= lived_ms.saturating_sub(silence.started_ms);
    let mut raised = Vec::new();
    for last in rows {
        if last.lived_ms.is_none() {
            work.prepare_cached("UPDATE state SET lived = ?2 WHERE trailer = ?1")?.execute([last.trailer, lived_ms])?;
        }
        let Ok(Told::Health(body)) = Told::parse(last.data.as_bytes()) else { continue };
        let quiet_ms = last.lived_ms.map_or(0, |heard_ms| lived_ms.saturating_sub(heard_ms));
        let was_silent = last.raised == "silent" && last.lived_ms.is_some();
        let is = match (was_silent || (settled_in && silence.after_ms < quiet_ms), body.word.as_str()) {
            (true, _) => "silent",
            (false, "act") => "act",
            _ => "",
        };
        if is == last.raised {
            continue;
        }
        for (kind, urgent, text) in sentences(&last.raised, is, &body, now.plus_ms(-quiet_ms), now) {
            work.prepare_cached(
                "INSERT INTO raised (trailer, id, at, kind, urgent, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![
                last.trailer,
                uuid::Uuid::now_v7().to_string(),
                now.0,
                kind,
                urgent,
                text
            ])?;
            raised.push(Raised { source: last.source.clone(), kind });
        }
        work.prepare_cached("UPDATE state SET raised = ?2 WHERE trailer = ?1")?.execute(params![last.trailer, is])?;
    }
    if !raised.is_empty() {
        work.execute("DELETE FROM raised WHERE no <= (SELECT max(no) FROM raised) - ?1", [RAISED_KEPT])?;
    }
    Ok(raised)
}

/// What is told when a trailer goes from one to the other.
fn sentences(was: &str, is: &str, body: &HealthBody, at: Utc, now: Utc) -> Vec<(&'static str, bool, String)> {
    let label = printable(&body.trailer.label, 60);
    let mut told = Vec::new();
    if was == "silent" {
        told.push(("heard-again", false, format!("{label} is heard again.")));
    }
    if was == "act" && is.is_empty() {
        told.push(("act-over", false, format!("{label} needs nobody at once any more.")));
    }
    match is {
        "silent" => told.push(("silent", true, no_word(&label, at, now))),
        "act" => {
            let need = body.needs.first().map_or(body.sentence.as_str(), |need| need.what.as_str());
            told.push(("act", true, format!("{label} needs somebody: {}", printable(need, 200))));
        }
        _ => {}
    }
    told
}

#[derive(Serialize)]
struct Fleet<'a> {
    format: &'static str,
    written: String,
    trailers: Vec<Listed<'a>>,
}

#[derive(Serialize)]
struct Listed<'a> {
    source: &'a str,
    received_at: Option<String>,
    health: Option<&'a RawValue>,
}

/// Source, and when what state came, if one did.
type Known = (String, Option<(Utc, String)>);

/// Every trailer that has ever sent here, with its newest state.
fn states(folder: &Path) -> std::result::Result<Vec<Known>, DatabaseError> {
    let connection = open_reader(folder)?;
    let read = || -> Result<Vec<_>> {
        let mut rows = connection.prepare(
            "SELECT t.source, s.received_at, s.data FROM trailer t LEFT JOIN state s ON s.trailer = t.no ORDER BY t.source",
        )?;
        let row = |row: &Row<'_>| {
            let at: Option<i64> = row.get(1)?;
            let data: Option<String> = row.get(2)?;
            Ok((row.get(0)?, at.map(Utc).zip(data)))
        };
        rows.query_map([], row)?.collect()
    };
    read().map_err(|error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error))
}

/// The list that `pintle survey` reads.
///
/// # Errors
/// [`DatabaseError`]
pub fn list(folder: &Path, now: Utc) -> std::result::Result<Vec<u8>, DatabaseError> {
    let states = states(folder)?;
    let trailers = states
        .iter()
        .map(|(source, state)| Listed {
            source,
            received_at: state.as_ref().map(|(at, _)| at.to_rfc3339()),
            health: state.as_ref().and_then(|(_, data)| serde_json::from_str(data).ok()),
        })
        .collect();
    let fleet = Fleet { format: FLEET_FORMAT, written: now.to_rfc3339(), trailers };
    serde_json::to_vec(&fleet).map_err(|error| unusable(folder, &error))
}

fn unusable(folder: &Path, error: &dyn std::fmt::Display) -> DatabaseError {
    DatabaseError::Unusable { path: folder.join(FILE_NAME), detail: format!("the survey can't be shown: {error}") }
}

/// The survey of all trailers that send here, as JSON or as one page.
///
/// # Errors
/// [`DatabaseError`]
pub fn survey(folder: &Path, now: Utc, page: bool) -> std::result::Result<String, DatabaseError> {
    let began = clock::mono();
    let judged = states(folder)?.into_iter().map(|(source, state)| {
        let name = source.rsplit(':').next().unwrap_or_default().to_owned();
        let told = match state.map(|(_, data)| Told::parse(data.as_bytes())) {
            Some(Ok(told)) => Ok(told),
            Some(Err(error)) => Err((format!("Its state can't be judged: {error}."), error.advice().to_owned())),
            None => Err((
                "It has sent events here, and never its state.".to_owned(),
                "Set health.upstream_s there, or ask its page with `pintle survey`.".to_owned(),
            )),
        };
        judge(Heard { source: name, told, their_now: None }, now)
    });
    let mut trailers: Vec<Trailer> = judged.collect();
    worst_first(&mut trailers);
    let visits = |trailer: &Trailer| trailer.standing != Standing::Fine && trailer.drive;
    let (on_trip, places): (Vec<usize>, Vec<LatLon>) =
        trailers.iter().enumerate().filter(|(_, t)| visits(t)).filter_map(|(at, t)| Some((at, t.at?))).unzip();
    let trip = trip(&places, None);
    let took_ms = clock::mono().since_ms(began);
    let view =
        View { trailers: &trailers, trip: &trip, on_trip: &on_trip, from: None, now, took_ms, good_for_s: GOOD_FOR_S };
    let shown: std::result::Result<String, ShowError> = if page { html(&view) } else { json(&view) };
    shown.map_err(|error| unusable(folder, &error))
}
