//! The states of all trailers that send here: kept (the newest of each), listed, judged as a survey, and raised when a
//! trailer falls silent or needs somebody.

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
use rusqlite::{Connection, OptionalExtension as _, Result, params};
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
         ON CONFLICT (trailer) DO UPDATE SET id = excluded.id, received_at = excluded.received_at,
           boot_id = excluded.boot_id, boot_clock_ms = excluded.boot_clock_ms, data = excluded.data",
    )?
    .execute(params![trailer, came.id, now.0, process.boot_id, clock_ms, came.data])?;
    Ok(receipt(&came.id, ReceiptResult::Stored, None))
}

/// Raises what has become so since the last call: a trailer silent for longer than `silent_ms`, one that needs somebody
/// now, and the ends of both. Silence is counted from `started` at the earliest: while this receiver was off, nobody
/// could be heard. Answers how many were raised.
///
/// # Errors
/// What the database says.
pub fn raise(work: &Connection, now: Utc, silent_ms: i64, started: Utc) -> Result<u64> {
    let mut rows = work.prepare_cached("SELECT trailer, received_at, data, raised FROM state")?;
    let rows: Vec<(i64, i64, String, String)> =
        rows.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?.collect::<Result<_>>()?;
    let mut raised = 0;
    for (trailer, received_at, data, was) in rows {
        let Ok(Told::Health(body)) = Told::parse(data.as_bytes()) else { continue };
        let silent = silent_ms < now.since_ms(Utc(received_at.max(started.0)));
        let is = match (silent, body.word.as_str()) {
            (true, _) => "silent",
            (false, "act") => "act",
            _ => "",
        };
        if is == was {
            continue;
        }
        for (kind, urgent, text) in sentences(&was, is, &body, Utc(received_at), now) {
            work.prepare_cached(
                "INSERT INTO raised (trailer, id, at, kind, urgent, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![trailer, uuid::Uuid::now_v7().to_string(), now.0, kind, urgent, text])?;
            raised += 1;
        }
        work.prepare_cached("UPDATE state SET raised = ?2 WHERE trailer = ?1")?.execute(params![trailer, is])?;
    }
    if 0 < raised {
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
        let row = |row: &rusqlite::Row<'_>| {
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
