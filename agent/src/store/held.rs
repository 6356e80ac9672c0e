//! How many reads each hold keeps now, and which sites reads here name. The whole file may be gone through for it, so
//! that is done a part at a time: what must be written never waits for more than one part.

use super::db::Db;
use super::holds::site_of;
use pintle_core::moment::Utc;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Events looked at in one part (our own limit: some 2 MB of reads, a few milliseconds of the one writer's time).
const EVENTS_A_PART: u64 = 2000;

/// A part of the count.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HeldPart {
    /// For each hold, by number, how many reads of this part it keeps.
    pub reads: BTreeMap<u64, u64>,
    /// Where the next part begins; `None` after the last.
    pub next: Option<u64>,
}

impl Db {
    /// Counts what each hold keeps among the events after sequence `after`.
    pub(super) fn count_held(&self, after: u64) -> rusqlite::Result<HeldPart> {
        let active: Vec<_> = self.holds.holds.active().collect();
        let mut part = HeldPart { reads: active.iter().map(|hold| (hold.number, 0)).collect(), next: None };
        if active.is_empty() {
            return Ok(part);
        }
        // Reads of one camera share most stamps.
        let mut sites: HashMap<i64, Option<u64>> = HashMap::new();
        let mut rows = self.conn.prepare_cached(
            "SELECT sequence, kind, camera, happened_at, stamp FROM events WHERE sequence > ?1 \
             ORDER BY sequence LIMIT ?2",
        )?;
        let mut rows = rows.query([super::books::signed(after), super::books::signed(EVENTS_A_PART)])?;
        let (mut looked_at, mut last) = (0, after);
        while let Some(row) = rows.next()? {
            looked_at += 1;
            last = u64::try_from(row.get::<_, i64>(0)?).unwrap_or(u64::MAX);
            if row.get::<_, i64>(1)? != 0 {
                continue;
            }
            let (camera, captured): (Option<String>, i64) = (row.get(2)?, row.get(3)?);
            let stamp: Option<i64> = row.get(4)?;
            let mut site = None;
            for hold in &active {
                if hold.asked.site.is_some() && site.is_none() {
                    site = Some(match stamp {
                        Some(number) => *match sites.entry(number) {
                            std::collections::hash_map::Entry::Occupied(known) => known.into_mut(),
                            std::collections::hash_map::Entry::Vacant(place) => {
                                place.insert(self.site_of_stamp(number)?)
                            }
                        },
                        None => None,
                    });
                }
                if hold.asked.covers(camera.as_deref(), site.flatten(), Utc(captured)) {
                    *part.reads.entry(hold.number).or_default() += 1;
                }
            }
        }
        part.next = (looked_at == EVENTS_A_PART).then_some(last);
        Ok(part)
    }

    fn site_of_stamp(&self, number: i64) -> rusqlite::Result<Option<u64>> {
        let mut stamp = self.conn.prepare_cached("SELECT stamp FROM stamps WHERE number = ?1")?;
        let stamp: Vec<u8> = stamp.query_row([number], |row| row.get(0))?;
        Ok(site_of(&stamp))
    }

    /// All sites that stamps of kept reads name.
    pub(super) fn sites(&self) -> rusqlite::Result<BTreeSet<u64>> {
        let mut stamps = self.conn.prepare_cached("SELECT stamp FROM stamps")?;
        let mut stamps = stamps.query([])?;
        let mut sites = BTreeSet::new();
        while let Some(row) = stamps.next()? {
            sites.extend(site_of(row.get_ref(0)?.as_blob()?));
        }
        Ok(sites)
    }
}
