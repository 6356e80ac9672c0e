//! `health.txt`: a note as a good colleague leaves it, 80 columns.

use super::ready::ready_note;
use super::times::Times;
use pintle_core::ids::printable;
use pintle_core::wire::health::{HealthBody, LineBody, SectionBody};
use std::fmt::Write;

/// Widest line, characters.
const COLUMNS: usize = 80;
/// Rows are indented by four; labels take seventeen, or as much as the longest of their section.
const LABEL: usize = 17;
/// Longest label that is not cut.
const LABEL_MAX: usize = 30;
/// How many changes are told.
const CHANGES_SHOWN: usize = 10;

/// The note.
#[must_use]
pub fn text(body: &HealthBody) -> String {
    let times = Times::of(body);
    let mut note = Note::default();
    note.line(&format!("{}: {}", body.trailer.label, body.word.to_uppercase()));
    note.wrapped("", "", &body.sentence);
    note.line(&format!("Written {}. Good until {}.", times.written_long(), times.until()));
    note.wrapped("", "", "If it is later than that now, this is stale: it tells how things were, not how they are.");
    if let Some(off) = &body.off_duty {
        let until = times.say(Some(&off.until));
        note.wrapped("", "", &format!("Off duty until {until}, said by {}: {}", off.by, off.reason));
    }
    if let Some(ready) = body.ready.as_ref().filter(|ready| ready.fresh) {
        note.blank();
        ready_note(&mut note, ready);
    }
    needs(&mut note, body, &times);
    for section in &body.sections {
        section_note(&mut note, section, body, &times);
    }
    note.blank();
    let started = times.say(Some(&body.process.started));
    note.wrapped(
        "",
        "",
        &format!(
            "Snapshot {} of Pintle {}, {}, started {started}. Times are {}. No plate is in it.",
            body.generation,
            body.process.version,
            body.life,
            times.sentence(),
        ),
    );
    note.finish()
}

fn needs(note: &mut Note, body: &HealthBody, times: &Times) {
    note.blank();
    if body.needs.is_empty() {
        note.line("NEEDS: none");
        return;
    }
    note.line("NEEDS");
    for (at, need) in body.needs.iter().enumerate() {
        let mark = format!("{:>2}. {:<5} ", at + 1, pintle_core::health::wording::when(&need.urgency));
        let what = pintle_core::health::wording::capital(&need.what);
        note.wrapped(&mark, "          ", &format!("{what} (section {}).", need.section));
        note.wrapped("          ", "          ", &need.why);
        note.wrapped("          Do: ", "              ", &need.how);
        if let Some(ack) = &need.acknowledged {
            let (at, until) = (times.say(Some(&ack.at)), times.say(Some(&ack.until)));
            note.wrapped("          ", "          ", &format!("{} has it in hand since {at}, until {until}.", ack.by));
        }
        let since = times.say(need.since.as_ref());
        let by = times.say(need.by.as_ref());
        let since = if since.is_empty() { String::new() } else { format!("Since {since}. ") };
        let by = if by.is_empty() { String::new() } else { format!("By {by}.") };
        note.wrapped("          ", "          ", format!("{since}{by}").trim_end());
    }
}

fn section_note(note: &mut Note, section: &SectionBody, body: &HealthBody, times: &Times) {
    // What can be done is on the page; a note does nothing.
    if section.key == "do" {
        return;
    }
    if section.state == "not fitted" {
        note.blank();
        note.line(&format!("{:>2}  {}: not fitted", section.no, section.title));
        return;
    }
    note.blank();
    let mark = if section.state == "fine" { String::new() } else { format!(" [{}]", section.state) };
    note.line(&format!("{:>2}  {}{mark}", section.no, section.title));
    note.wrapped("    ", "    ", &section.sentence);
    let longest = section.rows.iter().map(|row| row.label.chars().count()).max().unwrap_or(0);
    let width = longest.clamp(LABEL, LABEL_MAX);
    match section.key.as_str() {
        "lines" => body.place_lines.iter().for_each(|line| place_line(note, line, width)),
        "reads" => ledger(note, body),
        "changes" => changes(note, body, times),
        _ => {}
    }
    for row in &section.rows {
        let note_after = if row.note.is_empty() { String::new() } else { format!("; {}", row.note) };
        note.row(&row.label, width, &format!("{}{note_after}", row.value));
    }
}

fn place_line(note: &mut Note, line: &LineBody, width: usize) {
    let mut told = match (line.road.is_empty(), line.cross_street.is_empty()) {
        (true, _) => "no place line".to_owned(),
        (false, true) => line.road.clone(),
        (false, false) => format!("{} at {}", line.road, line.cross_street),
    };
    if !line.direction.is_empty() {
        told = format!("{told}, {}", line.direction);
    }
    let by = if line.by.is_empty() { String::new() } else { format!("; {}", line.by) };
    note.row(&line.label, width, &format!("{}: {told}{by}", line.state));
}

fn ledger(note: &mut Note, body: &HealthBody) {
    let Some(ledger) = &body.ledger else { return };
    let accounts = [
        ("Taken in", ledger.accepted_up_to),
        ("Delivered", ledger.delivered),
        ("Waiting", ledger.waiting),
        ("Expired by age", ledger.expired),
        ("Evicted for space", ledger.evicted),
        ("Refused by the receiver", ledger.refused),
    ];
    for (account, n) in accounts {
        note.line(&format!("    {account:<24}{:>16}", pintle_core::health::wording::count(n)));
    }
    note.line(&format!("    {}", "-".repeat(40)));
    note.line(&format!("    {:<24}{:>16}", "Not accounted for", ledger.not_accounted));
}

fn changes(note: &mut Note, body: &HealthBody, times: &Times) {
    for change in body.changes.iter().rev().take(CHANGES_SHOWN) {
        note.row(&times.say(Some(&change.at)), LABEL, &change.text);
    }
}

/// A note that is being written, 80 columns wide.
#[derive(Default)]
pub(super) struct Note(String);

impl Note {
    /// What has been written.
    pub(super) fn finish(self) -> String {
        self.0
    }

    pub(super) fn line(&mut self, text: &str) {
        // A note may be made from a file that anybody wrote, and lands on a terminal.
        let cut = printable(text.trim_end(), COLUMNS);
        // Writing into a string can't fail.
        let _infallible = writeln!(self.0, "{cut}");
    }

    pub(super) fn blank(&mut self) {
        self.0.push('\n');
    }

    /// A label and a value that goes on below itself.
    fn row(&mut self, label: &str, width: usize, value: &str) {
        let label: String = label.chars().take(width).collect();
        let first = format!("    {label:<width$} ");
        self.wrapped(&first, &" ".repeat(width + 5), value);
    }

    /// Breaks between words at the last column; a word that is longer than a line is broken anywhere.
    pub(super) fn wrapped(&mut self, first: &str, rest: &str, text: &str) {
        if text.is_empty() {
            return;
        }
        let mut line = first.to_owned();
        let mut empty = true;
        for word in text.split_whitespace() {
            let mut word: Vec<char> = word.chars().collect();
            let length = line.chars().count();
            if !empty && COLUMNS < length + 1 + word.len() {
                self.line(&line);
                rest.clone_into(&mut line);
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            while COLUMNS < line.chars().count() + word.len() {
                let room = COLUMNS - line.chars().count();
                line.extend(word.drain(..room));
                self.line(&line);
                rest.clone_into(&mut line);
            }
            line.extend(word);
            empty = false;
        }
        self.line(&line);
    }
}
