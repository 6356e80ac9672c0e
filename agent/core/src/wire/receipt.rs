//! What a receiver answers to a batch: one receipt for each event. An id without a receipt is not delivered.

use serde::{Deserialize, Serialize};

/// Answer to one batch, with status 200 and `application/json`. Fields that this version does not know are ignored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiptBody {
    /// The `Idempotency-Key` of the request, without its quotes.
    pub batch: String,
    /// One for each event, in any order.
    pub receipts: Vec<Receipt>,
    /// What the receiver wants again: it lost these.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub resend: Vec<Resend>,
    /// What people at the agency ask of the trailer: signed requests, base64.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub asked: Vec<String>,
}

impl ReceiptBody {
    /// Reads an answer; `None` if it holds no receipts.
    #[must_use]
    pub fn parse(answer: &[u8]) -> Option<Self> {
        serde_json::from_slice(answer).ok()
    }
}

/// Receipts that come by themselves: through a broker, or in a courier's file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiptMessage {
    /// `source` of the trailer that they are for.
    pub source: String,
    /// In any order, of any of its batches.
    pub receipts: Vec<Receipt>,
    /// What the receiver wants again: it lost these.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub resend: Vec<Resend>,
}

impl ReceiptMessage {
    /// What a message says to `source`; nothing if it is for another trailer or can't be read.
    #[must_use]
    pub fn for_source(source: &str, message: &[u8]) -> SaidLater {
        let read: Option<Self> = serde_json::from_slice(message).ok();
        let read = read.filter(|read| read.source == source);
        read.map(|read| SaidLater { receipts: read.receipts, resend: read.resend }).unwrap_or_default()
    }
}

/// What a receiver says by itself, through a broker or in a courier's file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SaidLater {
    /// For events of any batch.
    pub receipts: Vec<Receipt>,
    /// What it wants again.
    pub resend: Vec<Resend>,
}

impl SaidLater {
    /// Whether it says nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.receipts.is_empty() && self.resend.is_empty()
    }

    /// Takes in what `more` says.
    pub fn extend(&mut self, more: Self) {
        self.receipts.extend(more.receipts);
        self.resend.extend(more.resend);
    }
}

/// What became of one event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// `id` of the event.
    pub id: String,
    /// What the receiver did with it.
    pub result: ReceiptResult,
    /// Of a hit that came late: how long after its capture it was sent, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_s: Option<i64>,
    /// Why, if it was refused or put off. Holds no plate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<String>,
}

/// What a receiver did with one event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ReceiptResult {
    /// Durable there, seen for the first time.
    Stored,
    /// Durable there since an earlier request.
    Duplicate,
    /// Never to be taken; don't send it again.
    Refused,
    /// Not taken this time; send it again.
    Later,
    /// A word that this version does not know: counts as no receipt.
    #[serde(other)]
    Unknown,
}

/// A span of sequences that the receiver asks for once more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Resend {
    /// Generation of the queue.
    pub generation: String,
    /// First sequence.
    pub from: u64,
    /// Last sequence, itself included.
    pub to: u64,
}

/// An idempotency key as the header wants it: an RFC 8941 string.
#[must_use]
pub fn quoted(key: &str) -> String {
    format!("\"{key}\"")
}

/// Reads [`quoted`]; `None` if it is not 1 to 64 of `A-Z a-z 0-9 -` in double quotes (our own narrowing of RFC 8941:
/// the keys are UUIDs).
#[must_use]
pub fn unquoted(header: &str) -> Option<&str> {
    let key = header.strip_prefix('"')?.strip_suffix('"')?;
    ((1..=64).contains(&key.len()) && key.bytes().all(|c| c.is_ascii_alphanumeric() || c == b'-')).then_some(key)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn the_contract_example_is_read() {
        let text = r#"{"batch":"k","receipts":[{"id":"a","result":"stored"},{"id":"b","result":"refused","problem":"p"},
            {"id":"c","result":"sideways"}],"resend":[{"generation":"g","from":1,"to":9}],"new_field":1}"#;
        let body: ReceiptBody = serde_json::from_str(text).unwrap();
        let results: Vec<ReceiptResult> = body.receipts.iter().map(|receipt| receipt.result).collect();
        assert_eq!(results, [ReceiptResult::Stored, ReceiptResult::Refused, ReceiptResult::Unknown]);
        assert_eq!(body.resend, [Resend { generation: "g".into(), from: 1, to: 9 }]);
    }

    #[test]
    fn receipts_for_another_trailer_and_half_ones_are_none() {
        let text = r#"{"source":"urn:pintle:trailer:heron-3","receipts":[{"id":"a","result":"stored"}]}"#;
        let of = |source: &str, text: &str| ReceiptMessage::for_source(source, text.as_bytes()).receipts.len();
        assert_eq!(of("urn:pintle:trailer:heron-3", text), 1);
        assert_eq!(of("urn:pintle:trailer:heron-4", text), 0);
        for half in 0..text.len() {
            assert_eq!(of("urn:pintle:trailer:heron-3", &text[..half]), 0);
        }
    }

    #[test]
    fn keys_are_written_in_quotes_and_read_back() {
        assert_eq!(unquoted(&quoted("017f22e2-79b0")), Some("017f22e2-79b0"));
        for bad in ["", "\"", "\"\"", "abc", "\"a b\"", "\"a\\\"\"", &quoted(&"a".repeat(65))] {
            assert_eq!(unquoted(bad), None, "{bad}");
        }
    }
}
