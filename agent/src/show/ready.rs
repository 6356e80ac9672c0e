//! *May I leave?* as a note of 80 columns.

use super::text::Note;
use pintle_core::wire::ready::ReadyBody;

/// The answer, what is missing in order, and what is in order.
#[must_use]
pub fn ready_text(ready: &ReadyBody) -> String {
    let mut note = Note::default();
    ready_note(&mut note, ready);
    note.finish()
}

pub(super) fn ready_note(note: &mut Note, ready: &ReadyBody) {
    let place = ready.site.map_or_else(String::new, |site| format!(" (site {site})"));
    note.line(&format!("MAY I LEAVE?{place}  {}", if ready.ready { "READY" } else { "NOT READY" }));
    note.wrapped("", "", &ready.sentence);
    for (at, part) in ready.parts.iter().filter(|part| !part.holds).enumerate() {
        note.wrapped(&format!("{:>2}. ", at + 1), "    ", &format!("{} [{}]: {}", part.what, part.code, part.seen));
        note.wrapped("    Do: ", "        ", &part.how);
    }
    for part in ready.parts.iter().filter(|part| part.holds) {
        note.wrapped(" ok ", "    ", &format!("{}: {}", part.what, part.seen));
    }
}
