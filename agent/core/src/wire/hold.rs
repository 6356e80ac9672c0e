//! Holds as they are kept on the disk and shown to who may use the control socket.

use crate::ids::CameraId;
use crate::moment::Utc;
use crate::queue::holds::{Hold, HoldAsked, Holds};
use serde::{Deserialize, Serialize};

/// One hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HoldBody {
    /// Its number.
    pub hold: u64,
    /// At a receiver: reads of this trailer only, by its `source`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Reads of this camera only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// Reads of this site only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<u64>,
    /// Captured from here on, RFC 3339.
    pub from: String,
    /// Captured up to here, RFC 3339.
    pub to: String,
    /// For which case.
    pub case: String,
    /// Who made or renewed it last.
    pub by: String,
    /// When it was made, RFC 3339.
    pub made: String,
    /// For how long it was made or renewed last, s.
    pub for_s: u64,
    /// When it ends, RFC 3339: as it was told when it was made or renewed last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<String>,
    /// How long it still holds by the store's own clock, which decides, s; not kept on the disk.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_s: Option<u64>,
    /// How many reads it holds now; absent if that was not asked. Not kept on the disk.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reads: Option<u64>,
    /// True if the reads were too many to be counted in time: there are at least so many. Not kept on the disk.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reads_at_least: bool,
    /// The same by the store's age, ms.
    pub ends_ms: i64,
    /// True once it has ended and the audit has not told it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ended: bool,
}

impl From<&Hold> for HoldBody {
    fn from(hold: &Hold) -> Self {
        let asked = &hold.asked;
        Self {
            hold: hold.number,
            source: asked.source.clone(),
            camera: asked.camera.as_ref().map(|camera| camera.as_str().to_owned()),
            place: asked.site,
            from: asked.from.to_rfc3339(),
            to: asked.to.to_rfc3339(),
            case: asked.case.clone(),
            by: asked.by.clone(),
            made: hold.made_at.to_rfc3339(),
            for_s: asked.for_s,
            ends: hold.told_end.map(Utc::to_rfc3339),
            left_s: None,
            reads: None,
            reads_at_least: false,
            ends_ms: hold.ends_ms,
            ended: hold.ended,
        }
    }
}

impl HoldBody {
    /// The hold as people are shown it `now`, `left_ms` before its end by the store's own clock.
    #[must_use]
    pub fn shown(hold: &Hold, left_ms: u64, now: Utc) -> Self {
        let by_clock = || now.plus_ms(i64::try_from(left_ms).unwrap_or(i64::MAX));
        let ends = hold.told_end.unwrap_or_else(by_clock).to_rfc3339();
        Self { ends: Some(ends), left_s: Some(left_ms / 1000), ..Self::from(hold) }
    }

    /// The hold; `None` if a field makes no sense.
    #[must_use]
    pub fn to_hold(&self) -> Option<Hold> {
        let camera = self.camera.as_deref().map(CameraId::new).transpose().ok()?;
        let asked = HoldAsked {
            source: self.source.clone(),
            camera,
            site: self.place,
            from: Utc::parse_rfc3339(&self.from)?,
            to: Utc::parse_rfc3339(&self.to)?,
            case: self.case.clone(),
            by: self.by.clone(),
            for_s: self.for_s,
        };
        let made_at = Utc::parse_rfc3339(&self.made)?;
        let told_end = self.ends.as_deref().and_then(Utc::parse_rfc3339);
        Some(Hold { number: self.hold, asked, made_at, ends_ms: self.ends_ms, told_end, ended: self.ended })
    }
}

#[derive(Serialize, Deserialize)]
struct Kept {
    v: u32,
    last: u64,
    holds: Vec<HoldBody>,
    /// True while others were lost and it was not said that all are made anew.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    lost: bool,
}

/// The text that is kept.
#[must_use]
pub fn to_kept(holds: &Holds) -> Vec<u8> {
    let kept =
        Kept { v: 1, last: holds.last, holds: holds.list.iter().map(HoldBody::from).collect(), lost: holds.unreadable };
    serde_json::to_vec(&kept).unwrap_or_default()
}

/// Holds as they were kept. What can't be read holds everything: a hold must not be lost to a damaged byte.
#[must_use]
pub fn from_kept(bytes: Option<&[u8]>) -> Holds {
    let Some(bytes) = bytes else { return Holds::default() };
    let kept: Option<Kept> = serde_json::from_slice(bytes).ok();
    let list = kept.as_ref().filter(|kept| kept.v == 1).and_then(|kept| {
        let holds: Option<Vec<Hold>> = kept.holds.iter().map(HoldBody::to_hold).collect();
        holds
    });
    match (kept, list) {
        (Some(kept), Some(list)) => Holds { list, last: kept.last, unreadable: kept.lost },
        // No number is given twice, as far as that is known.
        (Some(kept), None) => Holds { last: kept.last, unreadable: true, ..Holds::default() },
        _ => Holds { unreadable: true, ..Holds::default() },
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::queue::holds::HoldChange;

    #[test]
    fn holds_come_back_as_they_were_kept_and_what_is_damaged_holds_all() {
        let mut holds = Holds::default();
        for (camera, site) in [(Some("north"), None), (None, Some(7))] {
            let asked = HoldAsked {
                source: site.map(|_| "urn:pintle:trailer:heron-3".to_owned()),
                camera: camera.map(|name| CameraId::new(name).unwrap()),
                site,
                from: Utc(1_800_000_000_000),
                to: Utc(1_800_000_600_000),
                case: "case \"17\"".to_owned(),
                by: "T. Wray".to_owned(),
                for_s: 86_400,
            };
            holds.change(&HoldChange::Add(asked), Utc(1_800_000_000_000), 5000);
        }
        holds.expire(86_405_000);
        let kept = to_kept(&holds);
        assert_eq!(from_kept(Some(&kept)), holds);
        assert_eq!(from_kept(None), Holds::default());
        let older = String::from_utf8(kept.clone()).unwrap().replace("\"ends\":", "\"unknown\":");
        let older = from_kept(Some(older.as_bytes()));
        assert!(!older.unreadable && older.list.iter().all(|hold| hold.told_end.is_none()), "{older:?}");
        let shown = HoldBody::shown(&older.list[1], 7000, Utc(1_800_000_000_000));
        assert_eq!((shown.ends.as_deref(), shown.left_s), (Some("2027-01-15T08:00:07.000Z"), Some(7)));
        let odd = String::from_utf8(kept.clone()).unwrap().replace("\"from\":\"2027", "\"from\":\"once");
        assert_eq!(from_kept(Some(odd.as_bytes())), Holds { last: 2, unreadable: true, ..Holds::default() });
        holds.unreadable = true;
        assert_eq!(from_kept(Some(&to_kept(&holds))), holds, "what was lost stays so");
        for cut in [0, 1, kept.len() / 2, kept.len() - 1] {
            assert!(from_kept(Some(&kept[..cut])).unreadable, "{cut}");
        }
    }
}
