//! `index.html`: the page of a trailer, one file without requests that opens from anywhere, and the cover in `public/`.
//!
//! It goes stale by itself: a CSS animation as long as the time left covers the word, without a script. Who opens the
//! file
//! later has a small script that compares its times with the clock; the page server writes the time left anew.

use super::map::{self, Map};
use super::outages::{self, Month};
use super::plot::{self, Day};
use super::times::Times;
use super::{ShowError, public};
use askama::Template;
use pintle_core::health::wording;
use pintle_core::position::KeeperState;
use pintle_core::position::places::LineProblem;
use pintle_core::wire::health::{HealthBody, LineBody, NeedBody, RowBody, SectionBody};
use pintle_core::wire::history::HistoryRow;
use pintle_core::wire::ready::{PartBody, ReadyBody};

/// What the page server adds for the person who opened the page.
#[derive(Clone, Debug)]
pub struct Doing {
    /// Brought back by each form.
    pub csrf: String,
    /// Who opened it.
    pub who: String,
    /// What the last deed was answered.
    pub told: Option<Told>,
}

/// What a deed was answered.
#[derive(Clone, Debug)]
pub struct Told {
    /// Done or not.
    pub done: bool,
    /// A sentence.
    pub text: String,
    /// Key of the section that it stands in; empty: above everything.
    pub at: &'static str,
}

/// What stands below the cover while the page is shut.
#[derive(Debug, Template)]
#[template(path = "gate.html")]
pub struct Gate<'a> {
    /// The owner's words.
    pub notice: &'a str,
    /// What was wrong with the last try; may be empty.
    pub wrong: &'a str,
    /// The name that came with that try.
    pub who: &'a str,
    /// Whether there is a PIN at all.
    pub pin_set: bool,
    /// Whether a code is asked for too.
    pub second: bool,
}

struct TickView<'a> {
    code: &'a str,
    what: &'a str,
    ticked: bool,
}

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
    code: String,
    /// Who has it in hand, and until when; empty if nobody has.
    hand: String,
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
    camera: &'a str,
    label: &'a str,
    state: &'a str,
    state_word: String,
    road: &'a str,
    cross_street: &'a str,
    direction: &'a str,
    by: &'a str,
    at: String,
    was: &'static str,
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
    lines_wait: String,
    ledger: Vec<(&'static str, String)>,
    map: Map,
    changes: Vec<ChangeView<'a>>,
    ready: Option<ReadyView<'a>>,
    ticks: Vec<TickView<'a>>,
    tow: Option<String>,
    off: Option<String>,
    day: Day,
    outages: Month,
    doing: Option<&'a Doing>,
    generation: u64,
    version: &'a str,
    /// What its times are.
    times: String,
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
    render(body, None, &[])
}

/// The page with what a person may do, and the figures of the last day from the history.
///
/// # Errors
/// [`ShowError::Page`].
pub fn open_page(body: &HealthBody, doing: &Doing, history: &[HistoryRow]) -> Result<String, ShowError> {
    render(body, Some(doing), history)
}

/// The form for the PIN.
///
/// # Errors
/// [`ShowError::Page`].
pub fn gate(gate: &Gate<'_>) -> Result<String, ShowError> {
    Ok(gate.render()?)
}

fn render(body: &HealthBody, doing: Option<&Doing>, history: &[HistoryRow]) -> Result<String, ShowError> {
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
        lines_wait: lines_wait(body),
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
        ticks: ticks(body),
        tow: body.place.tow.as_ref().map(|tow| {
            let until = times.say(Some(&tow.until));
            format!("A tow is announced by {} until {until}.", tow.by)
        }),
        off: body.off_duty.as_ref().map(|off| {
            let (from, until) = (times.say(Some(&off.from)), times.say(Some(&off.until)));
            format!("Off duty since {from} until {until}, said by {}: {}.", off.by, off.reason.trim_end_matches('.'))
        }),
        outages: outages::month(body, &times),
        day: plot::day(history, times.written),
        doing,
        generation: body.generation,
        version: &body.process.version,
        times: times.sentence(),
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

/// A page whose times lie in the future: by its own clock it is of no age, so it is shown as stale, with the reason.
#[must_use]
pub fn clock_fault(page: &str) -> String {
    let page = remaining(page, None);
    let open = "<span id=\"strip\">";
    let Some((before, after)) = page.split_once(open) else { return page };
    let after = after.split_once("</span>").map_or(after, |(_, after)| after);
    format!("{before}{open}Clock fault: this says that it was written in the future.</span>{after}")
}

/// What a person ticks on the walk round the trailer; nothing where no site is known.
fn ticks(body: &HealthBody) -> Vec<TickView<'_>> {
    let ready = body.ready.as_ref().filter(|ready| ready.site.is_some());
    let parts = ready.map_or(&[][..], |ready| &ready.parts).iter().filter(|part| part.by_person);
    parts.map(|part| TickView { code: &part.code, what: &part.what, ticked: part.holds }).collect()
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
        clock: times.clock(),
        written: body.written.clone(),
        written_short: times.written_short(),
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
        when: if by.is_empty() { wording::when(&need.urgency).to_owned() } else { format!("by {by}") },
        what: wording::capital(&need.what),
        why: need.why.clone(),
        how: need.how.clone(),
        since: times.say(need.since.as_ref()),
        code: need.code.clone(),
        hand: need.acknowledged.as_ref().map_or_else(String::new, |ack| {
            format!(
                "{} has it in hand since {}, until {}.",
                ack.by,
                times.say(Some(&ack.at)),
                times.say(Some(&ack.until))
            )
        }),
    }
}

/// First on the page after an arrival.
fn ready_view<'a>(ready: &'a ReadyBody, body: &'a HealthBody) -> ReadyView<'a> {
    // Who looks needs one line, not "can't be seen" and "look" for each of five.
    let by_eye = "Look yourself, then tick it in section 11.";
    let part = |part: &'a PartBody| PartView {
        section: part.section,
        href: body.sections.iter().find(|section| section.no == part.section).map_or("leaves", |section| &section.key),
        what: &part.what,
        seen: if part.by_person { by_eye } else { &part.seen },
        how: if part.by_person { "" } else { &part.how },
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
        camera: &line.camera,
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
        was: match line.origin.as_deref() {
            Some("here") => "Was, before the trailer was moved at this site:",
            Some("returned") => "Was, when the trailer stood at this place before:",
            _ => "Was, before this site:",
        },
    }
}

/// What a person who wants to write a place line must wait for; empty if nothing. A form that would be refused is not
/// offered: what was typed into it would be lost.
fn lines_wait(body: &HealthBody) -> String {
    let place = &body.place;
    let state = if place.state == KeeperState::Anchored.word() { KeeperState::Anchored } else { KeeperState::Doubtful };
    match LineProblem::of_site(place.site.is_some(), place.verified, state) {
        Some(problem) if !body.place_lines.is_empty() => {
            format!("Place lines can't be written now: {problem}. What to do: {}.", problem.advice())
        }
        _ => String::new(),
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
