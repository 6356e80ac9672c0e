//! A survey as text, JSON, comma-separated values, and as one page.

mod map;
mod page;

pub use page::html;

use super::ShowError;
use pintle_core::geo::LatLon;
use pintle_core::health::wording;
use pintle_core::moment::Utc;
use pintle_core::survey::{Standing, Trailer, Trip, headline, pack};
use pintle_core::wire::csv;
use serde_json::{Value, json};
use std::fmt::Write;

/// Format of the JSON form.
pub const FORMAT: &str = "pintle.survey.v1";

/// How the order of the trip was found; stands at every showing of it.
pub const TRIP_SAYS: &str = "Straight lines, not roads; nearest neighbour, then two-opt.";
/// Stands under every trip.
pub const CAUTION: &str =
    "Before work at the roadside, on a mast or on batteries: local rules and licensed practice decide.";

/// What is shown.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// Worst first.
    pub trailers: &'a [Trailer],
    /// The trip, whose stops are indices into `on_trip`.
    pub trip: &'a Trip,
    /// Indices into `trailers`.
    pub on_trip: &'a [usize],
    /// Where the trip begins and ends.
    pub from: Option<LatLon>,
    /// When it was read.
    pub now: Utc,
    /// How long that took, ms.
    pub took_ms: u64,
    /// For how long it may be believed, s.
    pub good_for_s: u64,
}

impl<'a> View<'a> {
    fn count(&self, standing: Standing) -> usize {
        self.trailers.iter().filter(|trailer| trailer.standing == standing).count()
    }

    fn of(&self, standing: Standing) -> impl Iterator<Item = &'a Trailer> {
        self.trailers.iter().filter(move |trailer| trailer.standing == standing)
    }

    /// The trailers of the trip in its order, with the leg before each.
    fn stops(&self) -> Vec<(&'a Trailer, Option<f64>)> {
        let trailer = |index: usize| self.on_trip.get(index).and_then(|&at| self.trailers.get(at));
        self.trip.stops.iter().filter_map(|stop| Some((trailer(stop.index)?, stop.leg_m))).collect()
    }

    /// Who needs a visit but is not on the trip, because nobody knows where it is.
    fn nowhere(&self) -> Vec<String> {
        let lost = |trailer: &&Trailer| trailer.standing != Standing::Fine && trailer.drive && trailer.at.is_none();
        self.trailers.iter().filter(lost).map(|trailer| trailer.label.clone()).collect()
    }

    fn valid_until(&self) -> Utc {
        self.now.plus_ms(i64::try_from(self.good_for_s).unwrap_or(i64::MAX / 2000) * 1000)
    }

    fn read_when(&self) -> String {
        let tenths = self.took_ms / 100;
        format!(
            "Read {}, {} UTC, in {}.{} s. Good until {} UTC.",
            wording::day(self.now, self.now),
            wording::clock_seconds(self.now),
            tenths / 10,
            tenths % 10,
            wording::clock_seconds(self.valid_until())
        )
    }

    fn since(&self, trailer: &Trailer) -> String {
        trailer.since.map_or_else(|| "unknown".to_owned(), |at| wording::clock(at, self.now))
    }

    fn by(&self, trailer: &Trailer) -> String {
        match trailer.by {
            Some(by) => wording::clock(by, self.now),
            None => wording::when(trailer.standing.word()).to_owned(),
        }
    }
}

fn age(trailer: &Trailer) -> String {
    trailer.age_ms.map_or_else(|| "unknown".to_owned(), wording::span)
}

fn bring(trailer: &Trailer) -> String {
    match (trailer.drive, trailer.bring.is_empty()) {
        (false, _) => "nothing; nobody needs to drive for it".to_owned(),
        (true, true) => "nothing special".to_owned(),
        (true, false) => trailer.bring.join(", "),
    }
}

fn more(trailer: &Trailer) -> String {
    match trailer.more {
        0 => String::new(),
        1 => " One more need.".to_owned(),
        n => format!(" {n} more needs."),
    }
}

fn group_title(standing: Standing) -> &'static str {
    match standing {
        Standing::Act => "Act: somebody is needed now",
        Standing::Stale => "Stale: not heard, state unknown",
        Standing::Look => "Look: somebody is needed soon",
        Standing::Fine => "Fine",
    }
}

fn km(m: f64) -> String {
    format!("{:.1} km", m / 1000.0)
}

fn number(trailers: usize) -> String {
    wording::amount(u64::try_from(trailers).unwrap_or(u64::MAX), "trailer")
}

/// The worst of all: `act`, `stale`, `look` or `fine`; `stale` if there is none.
fn worst(view: &View<'_>) -> Standing {
    view.trailers.first().map_or(Standing::Stale, |trailer| trailer.standing)
}

/// 80 columns.
#[must_use]
pub fn text(view: &View<'_>) -> String {
    let mut out = super::text::Note::default();
    out.line(&format!("{}: {}", number(view.trailers.len()), worst(view).word().to_uppercase()));
    out.wrapped("", "", &headline(view.trailers));
    out.line(&view.read_when());
    for standing in [Standing::Act, Standing::Stale, Standing::Look] {
        if view.count(standing) == 0 {
            continue;
        }
        out.blank();
        out.line(&group_title(standing).to_uppercase());
        out.line(&format!("{:<24}{:<19}{:<17}{}", "TRAILER", "SINCE", "BY", "AGE"));
        for trailer in view.of(standing) {
            let label: String = trailer.label.chars().take(23).collect();
            let row = format!("{label:<24}{:<19}{:<17}{}", view.since(trailer), view.by(trailer), age(trailer));
            out.line(&row);
            out.wrapped("    ", "    ", &format!("{}{}", trailer.why, more(trailer)));
            if !trailer.how.is_empty() {
                out.wrapped("    Do: ", "        ", &trailer.how);
            }
            out.wrapped("    Bring: ", "        ", &bring(trailer));
        }
    }
    if 0 < view.count(Standing::Fine) {
        out.blank();
        out.line("FINE");
        let names: Vec<String> = view.of(Standing::Fine).map(|trailer| trailer.label.clone()).collect();
        out.wrapped("    ", "    ", &names.join(", "));
    }
    trip_text(&mut out, view);
    out.finish()
}

fn trip_text(out: &mut super::text::Note, view: &View<'_>) {
    let stops = view.stops();
    if !stops.is_empty() {
        out.blank();
        out.line(&format!("ONE TRIP FOR {}", stops.len()));
        out.wrapped("    ", "    ", TRIP_SAYS);
        for (at, (trailer, leg_m)) in stops.iter().enumerate() {
            let leg = leg_m.map_or_else(|| "begin".to_owned(), km);
            let label: String = trailer.label.chars().take(23).collect();
            let first = format!("{:>4}. {label:<24}{leg:>10}  ", at + 1);
            out.wrapped(&first, &" ".repeat(42), &bring(trailer));
        }
        if let Some(home_m) = view.trip.home_m {
            out.line(&format!("      {:<24}{:>10}", "back to the start", km(home_m)));
        }
        out.line(&format!("      {:<24}{:>10}", "in straight lines", km(view.trip.total_m)));
        out.wrapped("    Pack: ", "          ", &pack(stops.iter().map(|(trailer, _)| *trailer)).join(", "));
        out.wrapped("    ", "    ", CAUTION);
    }
    let nowhere = view.nowhere();
    if !nowhere.is_empty() {
        out.blank();
        out.wrapped("", "", &format!("Needs a visit, but its place is not known: {}.", wording::list(&nowhere)));
    }
}

/// For machines.
///
/// # Errors
/// [`ShowError::Json`].
pub fn json(view: &View<'_>) -> Result<String, ShowError> {
    let trailers: Vec<Value> = view.trailers.iter().map(trailer_json).collect();
    let stops: Vec<Value> = view
        .stops()
        .iter()
        .map(|(trailer, leg_m)| json!({"label": trailer.label, "id": trailer.id, "leg_m": leg_m.map(f64::round)}))
        .collect();
    super::pretty(&json!({
        "format": FORMAT,
        "word": worst(view).word(),
        "sentence": headline(view.trailers),
        "written": view.now.to_rfc3339(),
        "valid_until": view.valid_until().to_rfc3339(),
        "took_ms": view.took_ms,
        "trailers": trailers,
        "trip": {
            "how": TRIP_SAYS,
            "stops": stops,
            "home_m": view.trip.home_m.map(f64::round),
            "total_m": view.trip.total_m.round(),
            "pack": pack(view.stops().iter().map(|(trailer, _)| *trailer)),
            "place_unknown": view.nowhere(),
        },
    }))
}

fn trailer_json(trailer: &Trailer) -> Value {
    let time = |at: Option<Utc>| at.map(Utc::to_rfc3339);
    json!({
        "id": trailer.id,
        "label": trailer.label,
        "word": trailer.standing.word(),
        "why": trailer.why,
        "do": trailer.how,
        "more_needs": trailer.more,
        "since": time(trailer.since),
        "by": time(trailer.by),
        "drive": trailer.drive,
        "bring": trailer.bring,
        "lat": trailer.at.map(LatLon::lat_deg),
        "lon": trailer.at.map(LatLon::lon_deg),
        "age_s": trailer.age_ms.map(|ms| ms / 1000),
        "source": trailer.source,
    })
}

/// For a spreadsheet. Text is never a formula there.
#[must_use]
pub fn csv(view: &View<'_>) -> String {
    let head = [
        "word",
        "trailer",
        "id",
        "why",
        "do",
        "more_needs",
        "since",
        "by",
        "drive",
        "bring",
        "lat",
        "lon",
        "age_s",
        "source",
    ];
    let mut out = csv::line(&head.map(csv::text));
    for trailer in view.trailers {
        let time = |at: Option<Utc>| csv::text(&at.map(Utc::to_rfc3339).unwrap_or_default());
        let degrees = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.6}"));
        out.push_str(&csv::line(&[
            csv::text(trailer.standing.word()),
            csv::text(&trailer.label),
            csv::text(&trailer.id),
            csv::text(&trailer.why),
            csv::text(&trailer.how),
            trailer.more.to_string(),
            time(trailer.since),
            time(trailer.by),
            csv::text(if trailer.drive { "yes" } else { "no" }),
            csv::text(&trailer.bring.join("; ")),
            // Our own numbers, not anybody's text: a spreadsheet may take them for numbers.
            degrees(trailer.at.map(LatLon::lat_deg)),
            degrees(trailer.at.map(LatLon::lon_deg)),
            trailer.age_ms.map_or_else(String::new, |ms| (ms / 1000).to_string()),
            csv::text(&trailer.source),
        ]));
    }
    out
}

/// Writing into a string can't fail.
fn put(out: &mut String, what: std::fmt::Arguments<'_>) {
    let _infallible = out.write_fmt(what);
}
