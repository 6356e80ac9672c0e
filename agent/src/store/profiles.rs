//! Reads of places with age limits of their own: marked when they come, found by their mark when they are due.

use super::books::number;
use super::db::Db;
use pintle_core::geo::LatLon;
use pintle_core::moment::{Moment, Utc};
use pintle_core::queue::Lane;
use pintle_core::queue::retention::{Limits, Profiles};
use rusqlite::{Connection, params};
use serde::Deserialize;
use std::collections::BTreeSet;

/// The mark of an event that came late.
pub(super) const LATE: i64 = 1;
/// Rows looked at in one call for the one that is due first (our own limit, some milliseconds). Where so many stand
/// before it that never expire, the next call goes on behind them.
const LOOKED_AT_MAX: usize = 1000;

/// The same of events that came late, which are told from delivered ones without a look at the file.
const LATE_MAX: usize = 5_000;

#[derive(Deserialize)]
struct StampSeen {
    place: PlaceSeen,
}

#[derive(Deserialize)]
struct PlaceSeen {
    lat: Option<f64>,
    lon: Option<f64>,
}

/// The marks that the file has beside those of the configuration: reads of a profile that is not configured any more
/// stay marked.
pub(super) fn codes(conn: &Connection, profiles: &Profiles) -> BTreeSet<i64> {
    let mut codes: BTreeSet<i64> = profiles.iter().map(|profile| profile.code).collect();
    let mut after = LATE;
    // One step in the index for each mark.
    while let Ok(Some(code)) =
        conn.query_row("SELECT min(late) FROM events WHERE late <> 0 AND ?1 < late", [after], |row| {
            row.get::<_, Option<i64>>(0)
        })
    {
        codes.insert(code);
        after = code;
    }
    codes
}

impl Db {
    /// The mark of the profile that a stamp's position lies in.
    pub(super) fn profile_of(&self, stamp: Option<&[u8]>) -> Option<i64> {
        if self.profiles.is_empty() {
            return None;
        }
        let seen: StampSeen = serde_json::from_slice(stamp?).ok()?;
        let position = LatLon::new(seen.place.lat?, seen.place.lon?)?;
        self.profiles.at(position).map(|profile| profile.code)
    }

    /// When the first waiting read reaches its limit, as the clock stands now, and whether that is urgent; `None` if no
    /// limit is near. Those on their way are waiting too.
    pub(super) fn first_expiry(&mut self, limits: &Limits, now: &Moment) -> rusqlite::Result<Option<(Utc, bool)>> {
        let lived_ms = self.books.lived.at(now.mono);
        let mut first: Option<(i64, bool)> = None;
        let mut found = |keep_ms: u64, born: i64| {
            let left_ms = i64::try_from(keep_ms).unwrap_or(i64::MAX).saturating_sub(lived_ms.saturating_sub(born));
            if Limits::is_near(keep_ms, left_ms) && first.is_none_or(|(least, _)| left_ms < least) {
                first = Some((left_ms, Limits::is_urgent(keep_ms, left_ms)));
            }
        };
        let mut looked_up_to = self.books.never_up_to;
        for (lane, after) in [Lane::Bulk, Lane::Urgent].into_iter().zip(&mut looked_up_to) {
            for sequence in self.books.order.without_receipt_after(lane, *after).take(LOOKED_AT_MAX) {
                if let Some(aged) = self.aged(sequence)?
                    && let Some(keep_ms) = self.keep_ms(&aged, limits)
                {
                    found(keep_ms, aged.born);
                    break;
                }
                *after = sequence;
            }
        }
        self.books.never_up_to = looked_up_to;
        for code in self.codes.iter().copied().chain([LATE]) {
            for hit in [false, true] {
                let mut rows = self.conn.prepare_cached(
                    "SELECT sequence FROM events WHERE late = ?1 AND late <> 0 AND hit = ?2 ORDER BY born LIMIT ?3",
                )?;
                let mut rows = rows.query(params![code, hit, i64::try_from(LATE_MAX).unwrap_or(i64::MAX)])?;
                while let Some(row) = rows.next()? {
                    let sequence = number(row, 0)?;
                    if !self.books.done.contains(sequence)
                        && let Some(aged) = self.aged(sequence)?
                        && let Some(keep_ms) = self.keep_ms(&aged, limits)
                    {
                        found(keep_ms, aged.born);
                        break;
                    }
                }
            }
        }
        Ok(first.map(|(left_ms, urgent)| (now.utc.plus_ms(left_ms), urgent)))
    }
}
