//! Whether there is what a hold asks for, and how many reads each hold keeps now. It only reads, beside a running
//! receiver.

use super::retain::{HOUR_MS, Seen, rows};
use crate::clock;
use pintle_core::ids::CameraId;
use pintle_core::moment::Utc;
use pintle_core::queue::holds::{Hold, HoldAsked};
use rusqlite::{Connection, OptionalExtension, Result, params};
use std::collections::BTreeMap;

/// Reads are counted for so long at most, ms (our own limit: a person waits); then there are at least so many.
const COUNT_MS: u64 = 10_000;
/// Events looked at in one go (our own limit).
const ROWS: i64 = 1000;
/// Events that are looked at for names to tell, newest first (our own limit). That
/// the name is nowhere was looked up in all reads before, which takes minutes where there are millions.
const NAMES_FROM: i64 = 100_000;
/// Names that are told at most (our own limit: a line of a terminal).
const NAMES_MAX: usize = 20;

/// What of the hold is not here, and what there is instead; `None` if all of it is here. A camera or a site that no
/// read names is right only where the window reaches ahead: reads of it may come.
pub(super) fn unknown(work: &Connection, asked: &HoldAsked, now: Utc) -> Result<Option<String>> {
    let trailer: Option<i64> = match &asked.source {
        None => None,
        Some(source) => {
            let no =
                work.query_row("SELECT no FROM trailer WHERE source = ?1", [source], |row| row.get(0)).optional()?;
            if no.is_none() {
                let name = source.rsplit(':').next().unwrap_or_default();
                let there = work
                    .prepare("SELECT source FROM trailer ORDER BY source")?
                    .query_map([], |row| row.get::<_, String>(0))?
                    .collect::<Result<Vec<_>>>()?;
                let there = there.iter().filter_map(|source| source.rsplit(':').next()).map(str::to_owned);
                return Ok(Some(format!(
                    "no trailer {name} has sent anything here; {}",
                    named(&there.collect::<Vec<_>>())
                )));
            }
            no
        }
    };
    if now < asked.to {
        return Ok(None);
    }
    if let Some(camera) = asked.camera.as_ref().map(CameraId::as_str)
        && !work.query_row(
            &format!("SELECT EXISTS (SELECT 1 FROM event WHERE {OF_TRAILER} AND {CAMERA} = ?2)"),
            params![trailer, camera],
            |row| row.get(0),
        )?
    {
        let sql = format!(
            "SELECT DISTINCT name FROM (SELECT {CAMERA} AS name FROM event WHERE {OF_TRAILER} ORDER BY no DESC \
             LIMIT ?2) WHERE name IS NOT NULL ORDER BY name"
        );
        let there = work
            .prepare(&sql)?
            .query_map(params![trailer, NAMES_FROM], |row| row.get::<_, String>(0))?
            .collect::<Result<Vec<_>>>()?;
        return Ok(Some(format!("no read here is of a camera {camera}; {}", named(&there))));
    }
    if let (Some(site), Some(trailer)) = (asked.site.and_then(|site| i64::try_from(site).ok()), trailer) {
        let there = work
            .prepare("SELECT DISTINCT site FROM stamp WHERE trailer = ?1 AND site IS NOT NULL ORDER BY site DESC")?
            .query_map([trailer], |row| row.get::<_, i64>(0))?
            .collect::<Result<Vec<_>>>()?;
        if !there.contains(&site) {
            let there: Vec<String> = there.iter().map(i64::to_string).collect();
            return Ok(Some(format!("no read of that trailer here is of a site {site}; {}", named(&there))));
        }
    }
    Ok(None)
}

/// Reads of one trailer, or of all.
const OF_TRAILER: &str = "type = 'pintle.read.v1' AND (?1 IS NULL OR trailer = ?1)";
/// The camera of a read, sealed or not.
const CAMERA: &str = "coalesce(json_extract(data, '$.read.camera'), json_extract(data, '$.sealed.camera'))";

fn named(there: &[String]) -> String {
    match there.len() {
        0 => "there is none yet".to_owned(),
        n if NAMES_MAX < n => format!("there are {} and {} more", there[..NAMES_MAX].join(", "), n - NAMES_MAX),
        1 => format!("there is only {}", there.concat()),
        _ => format!("there are {}", there.join(", ")),
    }
}

/// How many reads each hold keeps now, by its number, and whether all events were looked at.
pub(super) fn count<'h>(
    work: &Connection,
    holds: impl Iterator<Item = &'h Hold>,
) -> Result<(BTreeMap<u64, u64>, bool)> {
    let holds: Vec<&Hold> = holds.collect();
    let mut reads: BTreeMap<u64, u64> = holds.iter().map(|hold| (hold.number, 0)).collect();
    if holds.is_empty() {
        return Ok((reads, true));
    }
    let (began, mut after) = (clock::mono(), 0);
    loop {
        let part = rows(work, after, i64::MAX, ROWS)?;
        let Some(last) = part.last() else { return Ok((reads, true)) };
        after = last.no();
        for event in part.iter().filter(|event| event.is_read()) {
            // Of a sealed read only the hour is known; what is surely outside need not be opened.
            let captured = event.captured_at();
            let near = |hold: &&&Hold| (hold.asked.from.plus_ms(-HOUR_MS)..=hold.asked.to).contains(&captured);
            let near: Vec<&&Hold> = holds.iter().filter(near).collect();
            if near.is_empty() {
                continue;
            }
            let seen = Seen::of(work, event)?;
            for hold in near.into_iter().filter(|hold| seen.fits(&hold.asked)) {
                *reads.entry(hold.number).or_default() += 1;
            }
        }
        if COUNT_MS <= clock::mono().since_ms(began) {
            return Ok((reads, false));
        }
    }
}
