//! The survey as one page: who is how, worst first, the trip, the map, and the fine ones. No request leaves it.

use super::{CAUTION, TRIP_SAYS, View, age, bring, group_title, km, map, more, number, worst};
use crate::show::ShowError;
use askama::Template;
use pintle_core::health::wording;
use pintle_core::survey::{Standing, Trailer, headline, pack};

struct Tally {
    word: &'static str,
    title: String,
    n: usize,
    /// At most so many sheets are drawn; the number tells the rest.
    sheets: usize,
}

struct Row {
    label: String,
    why: String,
    how: String,
    since: String,
    by: String,
    bring: String,
    age: String,
}

struct Group {
    word: &'static str,
    title: &'static str,
    rows: Vec<Row>,
}

struct TripRow {
    no: usize,
    label: String,
    bring: String,
    leg: String,
}

struct FineRow {
    label: String,
    age: String,
}

#[derive(Template)]
#[template(path = "survey.html")]
struct SurveyPage {
    word: &'static str,
    title: String,
    trailers: String,
    sentence: String,
    read: String,
    clock: String,
    day: String,
    written: String,
    valid_until: String,
    good_for_s: u64,
    tallies: Vec<Tally>,
    groups: Vec<Group>,
    fine: Vec<FineRow>,
    stops: Vec<TripRow>,
    home: String,
    total: String,
    pack: String,
    nowhere: String,
    trip_says: &'static str,
    caution: &'static str,
    map: map::Map,
    version: &'static str,
}

/// Sheets that are drawn for one state (our own limit: what a phone shows in a few rows).
const SHEETS_MAX: usize = 60;

/// One self-contained page.
///
/// # Errors
/// [`ShowError::Page`].
pub fn html(view: &View<'_>) -> Result<String, ShowError> {
    let row = |trailer: &Trailer| Row {
        label: trailer.label.clone(),
        why: format!("{}{}", trailer.why, more(trailer)),
        how: trailer.how.clone(),
        since: view.since(trailer),
        by: view.by(trailer),
        bring: wording::capital(&bring(trailer)),
        age: age(trailer),
    };
    let groups = [Standing::Act, Standing::Stale, Standing::Look].into_iter().map(|standing| Group {
        word: standing.word(),
        title: group_title(standing),
        rows: view.of(standing).map(row).collect(),
    });
    let stops = view.stops();
    let page = SurveyPage {
        word: match worst(view) {
            Standing::Act => "act",
            Standing::Fine => "fine",
            // The sign of a survey that can't hear somebody is a look at it, not a survey that is itself stale.
            Standing::Stale | Standing::Look => "look",
        },
        title: match worst(view) {
            Standing::Act => "Act",
            Standing::Fine => "Fine",
            Standing::Stale | Standing::Look => "Look",
        }
        .to_owned(),
        trailers: number(view.trailers.len()),
        sentence: headline(view.trailers),
        read: view.read_when(),
        clock: wording::clock(view.now, view.now),
        day: wording::day(view.now, view.now),
        written: view.now.to_rfc3339(),
        valid_until: view.valid_until().to_rfc3339(),
        good_for_s: view.good_for_s,
        tallies: Standing::ALL
            .into_iter()
            .map(|standing| Tally {
                word: standing.word(),
                title: wording::capital(standing.word()),
                n: view.count(standing),
                sheets: view.count(standing).min(SHEETS_MAX),
            })
            .collect(),
        groups: groups.filter(|group| !group.rows.is_empty()).collect(),
        fine: view
            .of(Standing::Fine)
            .map(|trailer| FineRow { label: trailer.label.clone(), age: age(trailer) })
            .collect(),
        stops: stops
            .iter()
            .enumerate()
            .map(|(at, (trailer, leg_m))| TripRow {
                no: at + 1,
                label: trailer.label.clone(),
                bring: bring(trailer),
                leg: leg_m.map_or_else(|| "begin".to_owned(), km),
            })
            .collect(),
        home: view.trip.home_m.map_or_else(String::new, km),
        total: km(view.trip.total_m),
        pack: wording::sentence(&pack(stops.iter().map(|(trailer, _)| *trailer)).join(", ")),
        nowhere: wording::list(&view.nowhere()),
        trip_says: TRIP_SAYS,
        caution: CAUTION,
        map: map::map(view),
        version: env!("CARGO_PKG_VERSION"),
    };
    Ok(page.render()?)
}
