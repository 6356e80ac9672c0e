//! Off duty and acknowledged needs: as they are answered, as health tells them, and as they lie in the store.

use super::health::NeedBody;
use crate::health::Word;
use crate::health::duty::{Ack, Acknowledged, DutyBook, OffDuty, Span};
use crate::ids::printable;
use crate::moment::{Moment, Mono, Utc};
use serde::{Deserialize, Serialize};

/// Version of the stored form.
const STORED_FORMAT: u32 = 1;
/// Longest text that is told of what a person wrote, characters.
const TEXT_MAX: usize = 160;

/// Whether the trailer is off duty, as answered by the duty verbs and in `health.json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OffBody {
    /// Who said so.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When that was, RFC 3339.
    pub from: String,
    /// When it ends by itself, RFC 3339.
    pub until: String,
    /// How long that is from the writing on, s.
    pub left_s: u64,
}

impl OffBody {
    /// What is told of it at `now`.
    #[must_use]
    pub fn of(off: &OffDuty, now: Mono) -> Self {
        Self {
            by: printable(&off.span.by, 80),
            reason: printable(&off.reason, TEXT_MAX),
            from: off.span.from.to_rfc3339(),
            until: off.span.until.to_rfc3339(),
            left_s: off.span.ends.since_ms(now) / 1000,
        }
    }
}

/// The answer of the duty verbs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DutyBody {
    /// True while the trailer is on duty.
    pub on_duty: bool,
    /// Why not; absent on duty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off: Option<OffBody>,
}

/// The answer of the need verbs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeedsBody {
    /// What people must do, most urgent first.
    pub needs: Vec<NeedBody>,
}

/// Who has a need in hand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AckBody {
    /// Who said so.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// Until when that holds, RFC 3339.
    pub until: String,
    /// `look` or `act`: how urgent the need would be without.
    pub urgency: String,
}

impl From<&Acknowledged> for AckBody {
    fn from(ack: &Acknowledged) -> Self {
        Self {
            by: printable(&ack.span.by, 80),
            at: ack.span.from.to_rfc3339(),
            until: ack.span.until.to_rfc3339(),
            urgency: ack.urgency.word().to_owned(),
        }
    }
}

/// The acknowledgement of a need as health told it, from now on.
#[must_use]
pub fn ack_of(need: &NeedBody, by: &str, for_s: u64, now: &Moment) -> Ack {
    let urgency = need.acknowledged.as_ref().map_or(&need.urgency, |ack| &ack.urgency);
    Ack {
        code: need.code.clone(),
        what: need.what.clone(),
        urgency: if urgency == Word::Act.word() { Word::Act } else { Word::Look },
        since: need.since.as_deref().and_then(Utc::parse_rfc3339),
        span: Span::begin(by, for_s, now),
    }
}

#[derive(Serialize, Deserialize)]
struct BookRow {
    format: u32,
    off: Option<OffRow>,
    acks: Vec<AckRow>,
}

#[derive(Serialize, Deserialize)]
struct SpanRow {
    by: String,
    from_ms: i64,
    until_ms: i64,
}

#[derive(Serialize, Deserialize)]
struct OffRow {
    span: SpanRow,
    reason: String,
}

#[derive(Serialize, Deserialize)]
struct AckRow {
    code: String,
    what: String,
    urgent: bool,
    since_ms: Option<i64>,
    span: SpanRow,
}

fn span_row(span: &Span) -> SpanRow {
    SpanRow { by: span.by.clone(), from_ms: span.from.0, until_ms: span.until.0 }
}

/// The book as bytes to store.
#[must_use]
pub fn book_to_bytes(book: &DutyBook) -> Vec<u8> {
    let ack = |ack: &Ack| AckRow {
        code: ack.code.clone(),
        what: ack.what.clone(),
        urgent: ack.urgency == Word::Act,
        since_ms: ack.since.map(|since| since.0),
        span: span_row(&ack.span),
    };
    let row = BookRow {
        format: STORED_FORMAT,
        off: book.off.as_ref().map(|off| OffRow { span: span_row(&off.span), reason: off.reason.clone() }),
        acks: book.acks.iter().map(ack).collect(),
    };
    // Plain structs of numbers and texts always serialise.
    serde_json::to_vec(&row).unwrap_or_default()
}

/// The book from stored bytes, as it goes on at `now`; `None` if they are not of this form: then the trailer is on duty
/// and nothing is acknowledged, which is the louder of the two.
#[must_use]
pub fn book_from_bytes(bytes: &[u8], now: &Moment) -> Option<DutyBook> {
    let row: BookRow = serde_json::from_slice(bytes).ok()?;
    if row.format != STORED_FORMAT {
        return None;
    }
    let span = |row: SpanRow| Span::resumed(printable(&row.by, 80), Utc(row.from_ms), Utc(row.until_ms), now);
    let ack = |row: AckRow| Ack {
        code: row.code,
        what: row.what,
        urgency: if row.urgent { Word::Act } else { Word::Look },
        since: row.since_ms.map(Utc),
        span: span(row.span),
    };
    let off = row.off.map(|off| OffDuty { span: span(off.span), reason: printable(&off.reason, TEXT_MAX) });
    Some(DutyBook { off, back: None, acks: row.acks.into_iter().take(DutyBook::ACKS_MAX).map(ack).collect() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::scene::Scene;

    #[test]
    fn stored_book_comes_back_and_what_is_of_another_form_means_on_duty() {
        let now = Scene::standing().now;
        let mut book = DutyBook::default();
        book.go_off("T. Wray", 3600, "road works", &now);
        book.acknowledge(Ack {
            code: "lines.missing".to_owned(),
            what: "write the place line of North".to_owned(),
            urgency: Word::Act,
            since: Some(now.utc),
            span: Span::begin("T. Wray", 60, &now),
        });
        let bytes = book_to_bytes(&book);
        assert_eq!(book_from_bytes(&bytes, &now), Some(book));
        assert_eq!(book_from_bytes(&bytes[1..], &now), None);
        let newer = String::from_utf8_lossy(&bytes).replace("\"format\":1", "\"format\":2");
        assert_eq!(book_from_bytes(newer.as_bytes(), &now), None);
    }
}
