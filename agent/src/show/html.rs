//! `index.html`: the page of a trailer, one file without requests that opens from anywhere, and the cover in `public/`.
//!
//! It goes stale by itself: a CSS animation as long as the time left covers the word, without a script. Who opens the
//! file
//! later has a small script that compares its times with the clock; the page server writes the time left anew.

use super::map::{self, Map};
use super::times::Times;
use super::{ShowError, public};
use askama::Template;
use pintle_core::health::wording;
use pintle_core::wire::health::{HealthBody, LineBody, NeedBody, RowBody, SectionBody};
use pintle_core::wire::ready::{PartBody, ReadyBody};

/// How many changes the page tells.
const CHANGES_SHOWN: usize = 12;

struct Sign {
    label: String,
    word: String,
    title: String,
    sentence: String,
    clock: String,
    written: String,
    written_short: String,
    written_long: String,
    valid_until: String,
    until: String,
    good_for_s: i64,
}

struct NeedView {
    urgency: String,
    section: u8,
    href: String,
    when: String,
    what: String,
    why: String,
    how: String,
    since: String,
}

struct Leaf<'a> {
    no: u8,
    key: &'a str,
    title: &'a str,
    subject: &'a str,
    answers: bool,
    fitted: bool,
    marked: bool,
    mark: &'static str,
    mark_word: &'static str,
    answer: &'a str,
    detail: &'a str,
    sentence: &'a str,
    rows: &'a [RowBody],
}

struct Card<'a> {
    label: &'a str,
    state: &'a str,
    state_word: String,
    road: &'a str,
    cross_street: &'a str,
    direction: &'a str,
    by: &'a str,
    at: String,
}

struct PartView<'a> {
    section: u8,
    href: &'a str,
    what: &'a str,
    seen: &'a str,
    how: &'a str,
}

struct ReadyView<'a> {
    title: &'static str,
    sentence: &'a str,
    missing: Vec<PartView<'a>>,
    holding: String,
}

struct ChangeView<'a> {
    at: &'a str,
    when: String,
    text: &'a str,
}

#[derive(Template)]
#[template(path = "page.html")]
struct Page<'a> {
    sign: Sign,
    needs: Vec<NeedView>,
    needs_say: String,
    leaves: Vec<Leaf<'a>>,
    cards: Vec<Card<'a>>,
    ledger: Vec<(&'static str, String)>,
    map: Map,
    changes: Vec<ChangeView<'a>>,
    ready: Option<ReadyView<'a>>,
    generation: u64,
    version: &'a str,
}

#[derive(Template)]
#[template(path = "cover.html")]
struct Cover {
    sign: Sign,
}

/// The page.
///
/// # Errors
/// [`ShowError::Page`].
pub fn page(body: &HealthBody) -> Result<String, ShowError> {
    let times = Times::of(body);
    let page = Page {
        sign: sign(body, &times, body.sentence.clone()),
        needs: body.needs.iter().map(|need| need_view(need, body, &times)).collect(),
        needs_say: match body.needs.len() {
            0 if body.life == "running" => "None.".to_owned(),
            0 => "Not known yet.".to_owned(),
            1 => "One thing.".to_owned(),
            n => format!("{} things, in this order.", number_word(n)),
        },
        leaves: body.sections.iter().map(leaf).collect(),
        cards: body.place_lines.iter().map(|line| card(line, &times)).collect(),
        ledger: ledger(body),
        map: map::map(&body.place),
        changes: body
            .changes
            .iter()
            .rev()
            .take(CHANGES_SHOWN)
            .map(|change| ChangeView { at: &change.at, when: times.say(Some(&change.at)), text: &change.text })
            .collect(),
        ready: body.ready.as_ref().filter(|ready| ready.fresh).map(|ready| ready_view(ready, body)),
        generation: body.generation,
        version: &body.process.version,
    };
    Ok(page.render()?)
}

/// The cover: word, label and times, with a sentence that is fixed for each word.
///
/// # Errors
/// [`ShowError::Page`].
pub(super) fn cover(body: &HealthBody) -> Result<String, ShowError> {
    let sentence = public::fixed_sentence(&body.word).to_owned();
    Ok(Cover { sign: sign(body, &Times::of(body), sentence) }.render()?)
}

/// A page with the time left written anew: `Some(seconds)` until it goes stale, or `None` if it is stale already.
#[must_use]
pub fn remaining(page: &str, left_s: Option<u64>) -> String {
    let rule = ":root{--good-for:";
    let Some((before, after)) = page.rsplit_once(rule) else { return page.to_owned() };
    let after = after.trim_start_matches(|c: char| c.is_ascii_digit() || c == '-');
    let page = format!("{before}{rule}{}{after}", left_s.unwrap_or(0));
    if left_s.is_some() { page } else { page.replacen("<body ", "<body class=\"is-stale\" ", 1) }
}

/// Small numbers are written out.
fn number_word(n: usize) -> String {
    let words = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine"];
    words.get(n).map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

fn sign(body: &HealthBody, times: &Times, sentence: String) -> Sign {
    Sign {
        label: body.trailer.label.clone(),
        // Only these words are class names; another one is not ours.
        word: if matches!(body.word.as_str(), "fine" | "act") { body.word.clone() } else { "look".to_owned() },
        title: wording::capital(&body.word),
        sentence,
        clock: wording::clock(times.written, times.written),
        written: body.written.clone(),
        written_short: format!(
            "{} {}",
            wording::day(times.written, times.written),
            wording::clock(times.written, times.written)
        ),
        written_long: times.written_long(),
        valid_until: body.valid_until.clone(),
        until: times.until(),
        good_for_s: times.valid_until.since_ms(times.written).max(0) / 1000,
    }
}

fn need_view(need: &NeedBody, body: &HealthBody, times: &Times) -> NeedView {
    let section = body.sections.iter().find(|section| section.no == need.section);
    let by = times.say(need.by.as_ref());
    let urgent = need.urgency == "act";
    NeedView {
        urgency: if urgent { "act" } else { "look" }.to_owned(),
        section: need.section,
        href: section.map_or_else(|| "leaves".to_owned(), |section| section.key.clone()),
        when: match (by.is_empty(), urgent) {
            (false, _) => format!("by {by}"),
            (true, true) => "now".to_owned(),
            (true, false) => "soon".to_owned(),
        },
        what: wording::capital(&need.what),
        why: need.why.clone(),
        how: need.how.clone(),
        since: times.say(need.since.as_ref()),
    }
}

/// First on the page after an arrival.
fn ready_view<'a>(ready: &'a ReadyBody, body: &'a HealthBody) -> ReadyView<'a> {
    let part = |part: &'a PartBody| PartView {
        section: part.section,
        href: body.sections.iter().find(|section| section.no == part.section).map_or("leaves", |section| &section.key),
        what: &part.what,
        seen: &part.seen,
        how: &part.how,
    };
    let holding: Vec<String> = ready.parts.iter().filter(|part| part.holds).map(|part| part.what.clone()).collect();
    ReadyView {
        title: if ready.ready { "Ready to leave" } else { "Not ready to leave" },
        sentence: &ready.sentence,
        missing: ready.parts.iter().filter(|part| !part.holds).map(part).collect(),
        holding: holding.join(", "),
    }
}

fn leaf(section: &SectionBody) -> Leaf<'_> {
    let (mark, mark_word) = match section.state.as_str() {
        "look" => ("look", "look"),
        "act" => ("act", "act"),
        "unknown" => ("none", "unknown"),
        _ => ("", ""),
    };
    let fitted = section.state != "not fitted";
    Leaf {
        no: section.no,
        key: &section.key,
        title: &section.title,
        subject: match section.key.as_str() {
            "reads" => "Reads",
            "clock" => "Clock",
            _ => &section.title,
        },
        answers: fitted && section.key != "changes",
        fitted,
        marked: !mark.is_empty(),
        mark,
        mark_word,
        answer: &section.answer,
        detail: &section.detail,
        sentence: &section.sentence,
        rows: &section.rows,
    }
}

fn card<'a>(line: &'a LineBody, times: &Times) -> Card<'a> {
    Card {
        label: &line.label,
        state: match line.state.as_str() {
            "confirmed" => "confirmed",
            "unconfirmed" => "unconfirmed",
            _ => "missing",
        },
        state_word: wording::capital(&line.state),
        road: &line.road,
        cross_street: &line.cross_street,
        direction: &line.direction,
        by: &line.by,
        at: times.say(line.at.as_ref()),
    }
}

fn ledger(body: &HealthBody) -> Vec<(&'static str, String)> {
    let Some(ledger) = &body.ledger else { return Vec::new() };
    vec![
        ("Taken in", wording::count(ledger.accepted_up_to)),
        ("Delivered", wording::count(ledger.delivered)),
        ("Waiting", wording::count(ledger.waiting)),
        ("Expired by age", wording::count(ledger.expired)),
        ("Evicted for space", wording::count(ledger.evicted)),
        ("Refused by the receiver", wording::count(ledger.refused)),
        ("Not accounted for", ledger.not_accounted.to_string()),
    ]
}
