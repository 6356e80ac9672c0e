//! The outages of the last 30 days that are over: a drawing, the sentence beside it, and the newest ones by name.

use super::plot::{self, Plot};
use super::times::Times;
use pintle_core::health::wording;
use pintle_core::moment::Utc;
use pintle_core::wire::health::HealthBody;
use std::fmt::Write as _;

const DAY_MS: i64 = 86_400_000;
const MONTH_MS: i64 = 30 * DAY_MS;
/// Named one by one, newest first (our own choice: a phone's half screen).
const NAMED: usize = 6;
/// Where the month is drawn. Source: our look, viewbox 320 wide, text 13.
const LEFT: f64 = 4.0;
const WIDTH: f64 = 312.0;
const FOOT: f64 = 62.0;
const HIGH: f64 = 42.0;
/// An outage of a second must still be seen, px.
const LEAST: f64 = 2.0;

/// One outage in words.
pub(super) struct OutageView {
    /// When it began, RFC 3339.
    pub(super) at: String,
    pub(super) when: String,
    pub(super) what: String,
}

/// The month.
#[derive(Default)]
pub(super) struct Month {
    pub(super) plot: Plot,
    pub(super) named: Vec<OutageView>,
}

/// What the snapshot knows of the 30 days before it was written. Outages whose time can't be read, is in the future or
/// longer ago are left out; without any there is nothing.
pub(super) fn month(body: &HealthBody, times: &Times) -> Month {
    let known: Vec<(Utc, u64, String)> = body
        .link
        .outages
        .iter()
        .filter_map(|one| Some((Utc::parse_rfc3339(&one.began)?, one.length_s, one.rung.replace('-', " "))))
        .filter(|(began, ..)| (0..=MONTH_MS).contains(&times.written.since_ms(*began)))
        .collect();
    let Some((began, longest_s, rung)) = known.iter().max_by_key(|(_, length_s, _)| *length_s) else {
        return Month::default();
    };
    let count = body.link.outages_month.count.max(u64::try_from(known.len()).unwrap_or(u64::MAX));
    let total_s = body.link.outages_month.total_s.max(known.iter().map(|(_, length_s, _)| *length_s).sum());
    let fewer = u64::try_from(known.len()).is_ok_and(|shown| shown < count);
    let shown = if fewer { format!(" The newest {} are drawn.", known.len()) } else { String::new() };
    let of_these = if fewer { "of these " } else { "" };
    let longest = if known.len() == 1 { "It lasted".to_owned() } else { format!("The longest {of_these}lasted") };
    let sentence = format!(
        "In the last 30 days {}, {} in all.{shown} {longest} {}, from {} on: {rung}.",
        wording::amount(count, "outage"),
        span(total_s),
        span(*longest_s),
        times.zone.clock(*began, times.written),
    );
    let named = known.iter().rev().take(NAMED).map(|(began, length_s, rung)| OutageView {
        at: began.to_rfc3339(),
        when: times.zone.clock(*began, times.written),
        what: format!("{}, {rung}", span(*length_s)),
    });
    Month { named: named.collect(), plot: Plot { sentence, svg: draw(&known, *longest_s, times.written) } }
}

/// Each outage a bar: where it stands is when it began, its height how long it lasted beside the longest.
fn draw(known: &[(Utc, u64, String)], longest_s: u64, now: Utc) -> String {
    let mut bars = String::new();
    for (began, length_s, _) in known {
        let ago = seconds(u64::try_from(now.since_ms(*began) / 1000).unwrap_or(0));
        let x = (LEFT + WIDTH * (1.0 - ago / seconds(30 * 86_400))).clamp(LEFT, LEFT + WIDTH - LEAST);
        let wide = (WIDTH * seconds(*length_s) / seconds(30 * 86_400)).clamp(LEAST, LEFT + WIDTH - x);
        let high = (HIGH * seconds(*length_s) / seconds(longest_s).max(1.0)).max(LEAST);
        // Writing into a string can't fail.
        let _infallible = write!(bars, "M{x:.1},{FOOT}v-{high:.1}h{wide:.1}v{high:.1}z");
    }
    let (middle, end) = (LEFT + WIDTH / 2.0, LEFT + WIDTH);
    let mut svg = plot::open("f-outages", 82);
    let _infallible = write!(
        svg,
        "<path fill=\"var(--edge)\" d=\"{bars}\"/><path class=\"i1\" d=\"M{LEFT},{FOOT}h{WIDTH}\"/>\
         <text class=\"q\" x=\"{LEFT}\" y=\"12\">longest {}</text>\
         <text class=\"q\" x=\"{LEFT}\" y=\"78\">30 days ago</text>\
         <text class=\"q\" x=\"{middle}\" y=\"78\" text-anchor=\"middle\">15 days</text>\
         <text class=\"q\" x=\"{end}\" y=\"78\" text-anchor=\"end\">now</text>\n</svg>",
        span(longest_s)
    );
    svg
}

/// Seconds for a drawing; 136 years are the most that it can show.
fn seconds(s: u64) -> f64 {
    f64::from(u32::try_from(s).unwrap_or(u32::MAX))
}

fn span(s: u64) -> String {
    wording::span(s.saturating_mul(1000))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health_link::OutageBody;

    /// A trailer with outages that began so many hours ago, of so many seconds.
    fn body(outages: &[(i64, u64)]) -> HealthBody {
        let scene = Scene::standing();
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let mut body = HealthBody::new(&scene.observations(), &told, 1);
        let written = body.written_at().unwrap();
        body.link.outages = outages
            .iter()
            .map(|(hours, length_s)| OutageBody {
                began: written.plus_ms(-hours * 3_600_000).to_rfc3339(),
                length_s: *length_s,
                rung: "no-carrier".to_owned(),
            })
            .collect();
        body
    }

    fn told(body: &HealthBody) -> Month {
        month(body, &Times::of(body))
    }

    #[test]
    fn outages_of_a_month_are_drawn_named_newest_first_and_said_in_a_sentence() {
        let month = told(&body(&[(360, 2400), (5, 60)]));
        assert!(
            month.plot.sentence.starts_with("In the last 30 days 2 outages, 41 min in all. The longest lasted 40 min"),
            "{}",
            month.plot.sentence
        );
        assert!(month.plot.sentence.ends_with("on: no carrier."), "{}", month.plot.sentence);
        assert!(month.plot.svg.contains("M160.0,62v-42.0h2.0"), "15 days ago is the middle: {}", month.plot.svg);
        assert_eq!(month.plot.svg.matches(",62v-").count(), 2);
        assert_eq!(month.named.iter().map(|one| one.what.as_str()).collect::<Vec<_>>()[0], "60 s, no carrier");
    }

    #[test]
    fn more_outages_than_are_known_one_by_one_are_counted_and_it_is_said_which_are_drawn() {
        let mut body = body(&[(9, 30), (8, 30), (7, 30), (6, 30), (5, 30), (4, 30), (3, 30), (2, 90)]);
        (body.link.outages_month.count, body.link.outages_month.total_s) = (41, 7200);
        let month = told(&body);
        assert!(
            month.plot.sentence.starts_with(
                "In the last 30 days 41 outages, 2 h in all. The newest 8 are drawn. The longest of these lasted 90 s"
            ),
            "{}",
            month.plot.sentence
        );
        assert_eq!(month.named.len(), NAMED);
    }

    #[test]
    fn outages_of_another_time_or_without_a_time_are_left_out() {
        for outages in [&[][..], &[(-3, 60)], &[(31 * 24, 60)]] {
            let month = told(&body(outages));
            assert!(month.plot.svg.is_empty() && month.named.is_empty(), "{outages:?}");
        }
        let mut unread = body(&[(5, 60)]);
        unread.link.outages[0].began = "yesterday".to_owned();
        assert!(told(&unread).plot.svg.is_empty());
    }
}
