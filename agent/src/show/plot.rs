//! Figures of the last day from the history, one line for each quarter of an hour: what was taken in, and whether the
//! link was up. Each has a sentence that says what it shows; without two lines of history there is none.

use pintle_core::health::wording;
use pintle_core::moment::Utc;
use pintle_core::wire::history::{EVERY_MS, HistoryRow};
use std::fmt::Write as _;

const DAY_MS: i64 = 86_400_000;
/// Where the day is drawn. Source: our look, viewbox 320 wide, text 13.
const LEFT: f64 = 4.0;
const WIDTH: f64 = 312.0;
const TOP: f64 = 18.0;
const FOOT: f64 = 92.0;

/// A drawing and the sentence above it; both empty if there is nothing to draw.
#[derive(Default)]
pub(super) struct Plot {
    pub(super) sentence: String,
    pub(super) svg: String,
}

/// Both figures of one day.
#[derive(Default)]
pub(super) struct Day {
    pub(super) taken: Plot,
    pub(super) link: Plot,
}

/// The figures of the 24 hours before `now`. Rows of another time, and steps that can't be, are left out.
pub(super) fn day(rows: &[HistoryRow], now: Utc) -> Day {
    let dated: Vec<(i64, &HistoryRow)> = rows
        .iter()
        .filter_map(|row| Some((now.since_ms(row.at()?), row)))
        .filter(|(ago_ms, _)| (0..=DAY_MS + every_ms()).contains(ago_ms))
        .collect();
    if dated.len() < 2 {
        return Day::default();
    }
    Day { taken: taken(&dated, now), link: link(&dated, now) }
}

fn every_ms() -> i64 {
    i64::try_from(EVERY_MS).unwrap_or(i64::MAX)
}

/// From the left edge, 24 hours ago, to the right one, now.
fn x(ago_ms: i64) -> f64 {
    // Quarters of a minute of one day fit into 32 bits.
    let quarters = i32::try_from(ago_ms / 15_000).unwrap_or(i32::MAX);
    (LEFT + WIDTH * (1.0 - f64::from(quarters) / 5760.0)).clamp(LEFT, LEFT + WIDTH)
}

fn taken(dated: &[(i64, &HistoryRow)], now: Utc) -> Plot {
    let counts: Vec<(i64, u64)> = dated
        .windows(2)
        .filter_map(|pair| {
            let ([before, ..], [after, ..]) = (pair[0].1.ledger?, pair[1].1.ledger?);
            // A new queue begins at nothing: that step tells nothing.
            Some((pair[1].0, after.checked_sub(before)?))
        })
        .collect();
    let all: u64 = counts.iter().map(|(_, n)| n).sum();
    let Some((at, most)) = counts.iter().max_by_key(|(_, n)| *n).copied() else { return Plot::default() };
    let when = wording::clock(now.plus_ms(-at), now);
    let sentence = if all == 0 {
        "In the last 24 hours nothing was taken in.".to_owned()
    } else {
        let quarter = wording::count(most);
        let all = wording::amount(all, "event");
        format!("In the last 24 hours {all} taken in; most, {quarter}, in the quarter of an hour to {when} UTC.")
    };
    let mut svg = open("f-taken", 112);
    let per_px = f64::from(u32::try_from(most.max(1)).unwrap_or(u32::MAX)) / (FOOT - TOP);
    let wide = WIDTH / 96.0 - 0.5;
    let mut bars = String::new();
    for (ago_ms, n) in &counts {
        let high = f64::from(u32::try_from(*n).unwrap_or(u32::MAX)) / per_px;
        // Writing into a string can't fail.
        let _infallible = write!(bars, "M{:.1},{FOOT}v-{high:.1}h{wide:.1}v{high:.1}z", x(*ago_ms) - wide);
    }
    let _infallible = write!(
        svg,
        "<path fill=\"var(--edge)\" d=\"{bars}\"/><path class=\"i1\" d=\"M{LEFT},{FOOT}h{WIDTH}\"/>\
         <text class=\"q\" x=\"{LEFT}\" y=\"12\">{} a quarter of an hour</text>",
        wording::count(most)
    );
    close(svg, 108, sentence)
}

fn link(dated: &[(i64, &HistoryRow)], now: Utc) -> Plot {
    let known: Vec<(i64, bool)> = dated
        .iter()
        .filter(|(_, row)| row.link != "not fitted")
        .map(|(ago_ms, row)| (*ago_ms, row.link == "up"))
        .collect();
    let (Some((first, _)), true) = (known.first().copied(), 2 <= known.len()) else { return Plot::default() };
    let down = known.iter().filter(|(_, up)| !up).count();
    let sentence = if down == 0 {
        let since = wording::clock(now.plus_ms(-first), now);
        format!("At each look since {since} UTC, four an hour, the link was up.")
    } else {
        format!("At {down} of {} looks of the last 24 hours, four an hour, the link was not up.", known.len())
    };
    let mut strokes = String::new();
    for pair in known.windows(2) {
        let ((from, up), (to, still)) = (pair[0], pair[1]);
        // Two looks far apart say nothing of the time between: the agent did not run.
        if up && still && from - to <= 2 * every_ms() {
            let _infallible = write!(strokes, "M{:.1},22H{:.1}", x(from), x(to));
        }
    }
    let mut svg = open("f-link", 48);
    let _infallible = write!(
        svg,
        "<path class=\"q1 dot\" d=\"M{LEFT},22h{WIDTH}\"/><path class=\"i\" stroke-width=\"4\" d=\"{strokes}\"/>"
    );
    close(svg, 44, sentence)
}

/// A drawing 320 wide whose name is the sentence beside it.
pub(super) fn open(label: &str, high: u32) -> String {
    format!("<svg class=\"plot\" viewBox=\"0 0 320 {high}\" role=\"img\" aria-labelledby=\"{label}\">\n")
}

fn close(mut svg: String, y: u32, sentence: String) -> Plot {
    let (middle, end) = (LEFT + WIDTH / 2.0, LEFT + WIDTH);
    let _infallible = write!(
        svg,
        "<text class=\"q\" x=\"{LEFT}\" y=\"{y}\">24 h ago</text>\
         <text class=\"q\" x=\"{middle}\" y=\"{y}\" text-anchor=\"middle\">12 h</text>\
         <text class=\"q\" x=\"{end}\" y=\"{y}\" text-anchor=\"end\">now</text>\n</svg>"
    );
    Plot { sentence, svg }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health::HealthBody;

    const NOW: Utc = Utc(1_795_608_000_000);

    /// `n` quarters of an hour up to now; so many events in each, and the link down in the named ones.
    fn rows(n: i64, each: u64, down: &[i64]) -> Vec<HistoryRow> {
        let scene = Scene::standing();
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let row = HistoryRow::of(&HealthBody::new(&scene.observations(), &told, 1));
        (0..n)
            .map(|at| HistoryRow {
                at: NOW.plus_ms((at - n + 1) * every_ms()).to_rfc3339(),
                ledger: Some([1000 + u64::try_from(at).unwrap() * each, 0, 0]),
                link: if down.contains(&at) { "down" } else { "up" }.to_owned(),
                ..row.clone()
            })
            .collect()
    }

    #[test]
    fn figures_say_in_a_sentence_what_they_show() {
        let day = day(&rows(97, 10, &[]), NOW);
        assert!(
            day.taken.sentence.starts_with("In the last 24 hours 960 events taken in; most, 10,"),
            "{}",
            day.taken.sentence
        );
        assert_eq!(day.taken.svg.matches(",92v-74.0h").count(), 96);
        assert!(day.link.sentence.ends_with("four an hour, the link was up."), "{}", day.link.sentence);
        assert_eq!(day.link.svg.matches(",22H").count(), 96);
    }

    #[test]
    fn a_break_of_the_link_is_a_gap_and_a_new_queue_is_no_negative_bar() {
        let mut rows = rows(97, 10, &[50, 51]);
        rows.iter_mut().skip(60).for_each(|row| row.ledger = Some([0, 0, 0]));
        let day = day(&rows, NOW);
        assert!(day.link.sentence.starts_with("At 2 of 97 looks"), "{}", day.link.sentence);
        assert_eq!(day.link.svg.matches(",22H").count(), 93, "three strokes are missing");
        assert!(day.taken.sentence.starts_with("In the last 24 hours 590 events"), "{}", day.taken.sentence);
        assert!(!day.taken.svg.contains("v--"), "{}", day.taken.svg);
    }

    #[test]
    fn without_a_history_of_this_day_nothing_is_drawn() {
        for rows in [rows(1, 10, &[]), Vec::new()] {
            let day = day(&rows, NOW);
            assert!(day.taken.svg.is_empty() && day.link.svg.is_empty());
        }
        let old = day(&rows(97, 10, &[]), NOW.plus_ms(3 * DAY_MS));
        assert!(old.taken.svg.is_empty(), "of another day");
        let future = day(&rows(97, 10, &[]), NOW.plus_ms(-3 * DAY_MS));
        assert!(future.link.svg.is_empty(), "a clock that was wrong");
    }
}
