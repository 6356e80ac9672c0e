//! *May I leave?* as it is told in `health.json` and over the control socket, and the ticks as they are stored.

use crate::health::ready::{Part, Ready, Tick, TickBook, Ticked};
use crate::ids::{SiteId, printable};
use crate::moment::Utc;
use serde::{Deserialize, Serialize};

/// Version of the stored form of the ticks.
pub const TICKS_FORMAT: u32 = 1;

/// The answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadyBody {
    /// True only if all parts hold.
    pub ready: bool,
    /// The answer in one sentence.
    pub sentence: String,
    /// Number of the site; absent if none is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// When it arrived there, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrived: Option<String>,
    /// Whether the arrival is so short ago that this stands first on the page.
    pub fresh: bool,
    /// What must hold, in the order in which it is done.
    pub parts: Vec<PartBody>,
}

/// One thing that must hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartBody {
    /// `position`, `lines`, `reads`, `link`, `test_alert`, or the word of a tick.
    pub code: String,
    /// What must hold.
    pub what: String,
    /// Whether it does.
    pub holds: bool,
    /// What is seen, one sentence.
    pub seen: String,
    /// What to do; absent if it holds.
    #[serde(rename = "do", default, skip_serializing_if = "String::is_empty")]
    pub how: String,
    /// Number of the section that tells more.
    pub section: u8,
    /// True if Pintle can't see it and a person ticks it.
    pub by_person: bool,
}

impl From<&Ready> for ReadyBody {
    fn from(ready: &Ready) -> Self {
        Self {
            ready: ready.is_ready(),
            sentence: ready.sentence(),
            site: ready.site.map(|site| site.0),
            arrived: ready.arrived.map(Utc::to_rfc3339),
            fresh: ready.fresh,
            parts: ready.parts.iter().map(PartBody::from).collect(),
        }
    }
}

impl From<&Part> for PartBody {
    fn from(part: &Part) -> Self {
        Self {
            code: part.code.to_owned(),
            what: part.what.to_owned(),
            holds: part.holds,
            seen: printable(&part.seen, 500),
            how: part.how.clone(),
            section: part.section,
            by_person: part.by_person,
        }
    }
}

#[derive(Serialize, Deserialize)]
struct BookBody {
    format: u32,
    site: Option<u64>,
    ticks: Vec<TickRow>,
}

#[derive(Serialize, Deserialize)]
struct TickRow {
    tick: String,
    by: String,
    at_ms: i64,
}

/// The ticks as bytes to store.
#[must_use]
pub fn ticks_to_bytes(book: &TickBook) -> Vec<u8> {
    let row = |(tick, ticked): (&Tick, &Ticked)| TickRow {
        tick: tick.word().to_owned(),
        by: ticked.by.clone(),
        at_ms: ticked.at.0,
    };
    let body = BookBody {
        format: TICKS_FORMAT,
        site: book.site.map(|site| site.0),
        ticks: book.ticks.iter().map(row).collect(),
    };
    // Plain structs of numbers and texts always serialise.
    serde_json::to_vec(&body).unwrap_or_default()
}

/// The ticks from stored bytes; `None` if they are not of this form: then people look once more.
#[must_use]
pub fn ticks_from_bytes(bytes: &[u8]) -> Option<TickBook> {
    let body: BookBody = serde_json::from_slice(bytes).ok()?;
    if body.format != TICKS_FORMAT {
        return None;
    }
    let mut book = TickBook { site: body.site.map(SiteId), ..TickBook::default() };
    for row in body.ticks {
        let ticked = Ticked { by: printable(&row.by, TickBook::BY_MAX), at: Utc(row.at_ms) };
        book.ticks.insert(Tick::of_word(&row.tick)?, ticked);
    }
    Some(book)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stored_ticks_come_back_and_what_is_of_another_form_does_not() {
        let mut book = TickBook::default();
        book.set(SiteId(13), Tick::Mast, Some(Ticked { by: "T. Wray".to_owned(), at: Utc(17) }));
        let bytes = ticks_to_bytes(&book);
        assert_eq!(ticks_from_bytes(&bytes), Some(book));
        let text = String::from_utf8_lossy(&bytes).into_owned();
        assert_eq!(ticks_from_bytes(&bytes[1..]), None);
        assert_eq!(ticks_from_bytes(text.replace("\"format\":1", "\"format\":2").as_bytes()), None);
        assert_eq!(ticks_from_bytes(text.replace("\"mast\"", "\"wings\"").as_bytes()), None);
    }
}
