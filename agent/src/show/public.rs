//! What anybody may read: the word, the label, and the two times.

use super::times::Times;
use pintle_core::health::Word;
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::told::PUBLIC_FORMAT;
use serde::Serialize;

/// `public/status.json`.
#[derive(Debug, Serialize)]
pub(super) struct Status<'a> {
    format: &'static str,
    generation: u64,
    label: &'a str,
    word: &'a str,
    written: &'a str,
    valid_until: &'a str,
}

pub(super) fn status(body: &HealthBody) -> Status<'_> {
    Status {
        format: PUBLIC_FORMAT,
        generation: body.generation,
        label: &body.trailer.label,
        word: &body.word,
        written: &body.written,
        valid_until: &body.valid_until,
    }
}

pub(super) fn text(body: &HealthBody) -> String {
    let times = Times::of(body);
    format!(
        "{}: {}\n{}\nWritten {}. Good until {}; later than that it is stale.\nSnapshot {}.\n",
        body.trailer.label,
        body.word.to_uppercase(),
        fixed_sentence(&body.word),
        times.written_long(),
        times.until(),
        body.generation
    )
}

/// The sentence that gives nothing away but the word.
pub(super) fn fixed_sentence(word: &str) -> &'static str {
    let words = [Word::Fine, Word::Look, Word::Act];
    words.into_iter().find(|known| known.word() == word).unwrap_or(Word::Look).fixed_sentence()
}
