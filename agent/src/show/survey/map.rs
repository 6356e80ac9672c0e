//! Where all are: plain sheets for the fine ones, marks for the others, the trip as a line. Drawn from the trailers'
//! own figures alone; no ground map is fetched.

use super::{View, put};
use pintle_core::geo::{LatLon, LocalPlane};
use pintle_core::health::wording;
use pintle_core::survey::Standing;

/// A drawing and the sentence that says what it shows. Both are empty if nothing is known to draw.
#[derive(Default)]
pub(super) struct Map {
    pub(super) sentence: String,
    pub(super) svg: String,
}

const WIDE: f64 = 320.0;
const TALL: f64 = 340.0;
/// Room for marks and labels at the rim, px.
const RIM: f64 = 28.0;
/// More labels than this cover each other; the table names the rest (our own limit).
const LABELS_MAX: usize = 24;

/// Room of a label of 16 characters, px (measured in a browser, rounded up).
const LABEL_WIDE: f64 = 110.0;
/// Height of a line of labels, px.
const LABEL_TALL: f64 = 13.0;

struct Ground {
    plane: LocalPlane,
    px_per_m: f64,
    middle: (f64, f64),
}

impl Ground {
    fn fit(places: &[LatLon]) -> Option<Self> {
        let plane = LocalPlane::new(*places.first()?);
        let (mut west, mut east, mut south, mut north) =
            (f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY);
        for (x, y) in places.iter().map(|place| plane.to_plane(*place)) {
            (west, east) = (west.min(x), east.max(x));
            (south, north) = (south.min(y), north.max(y));
        }
        // Never closer than a kilometre across: a lone trailer needs a scale that people know.
        let (wide, tall) = ((east - west).max(1000.0), (north - south).max(1000.0));
        let px_per_m = ((WIDE - 2.0 * RIM) / wide).min((TALL - 2.0 * RIM - 20.0) / tall);
        Some(Self { plane, px_per_m, middle: (f64::midpoint(west, east), f64::midpoint(south, north)) })
    }

    fn px(&self, place: LatLon) -> (f64, f64) {
        let (east_m, north_m) = self.plane.to_plane(place);
        let x = WIDE / 2.0 + (east_m - self.middle.0) * self.px_per_m;
        let y = TALL / 2.0 - (north_m - self.middle.1) * self.px_per_m;
        (x, y)
    }

    /// 1, 2 or 5 times a power of ten, at least 30 px long.
    fn bar_m(&self) -> f64 {
        let mut bar_m = 1.0;
        for step in [2.0, 2.5, 2.0].iter().cycle().take(60) {
            if 30.0 <= bar_m * self.px_per_m {
                break;
            }
            bar_m *= step;
        }
        bar_m
    }
}

pub(super) fn map(view: &View<'_>) -> Map {
    let mut places: Vec<LatLon> = view.trailers.iter().filter_map(|trailer| trailer.at).collect();
    places.extend(view.from);
    let Some(ground) = Ground::fit(&places) else { return Map::default() };
    let mut svg = String::new();
    svg.push_str("<svg class=\"plot map\" viewBox=\"0 0 320 340\" role=\"img\" aria-labelledby=\"f-map\">\n");
    lines(&mut svg, &ground);
    way(&mut svg, view, &ground);
    for trailer in view.trailers.iter().filter(|trailer| trailer.standing == Standing::Fine) {
        let Some((x, y)) = trailer.at.map(|at| ground.px(at)) else { continue };
        put(
            &mut svg,
            format_args!("<path class=\"fp\" d=\"M{:.1},{:.1}h6v7h-6z\" stroke=\"var(--ink)\"/>\n", x - 3.0, y - 3.5),
        );
    }
    marks(&mut svg, view, &ground);
    frame(&mut svg, &ground);
    svg.push_str("</svg>");
    Map { sentence: sentence(view, places.len()), svg }
}

fn sentence(view: &View<'_>, _places: usize) -> String {
    let unknown = view.trailers.iter().filter(|trailer| trailer.at.is_none()).count();
    let drawn = view.trailers.len() - unknown;
    let trip = if view.trip.stops.len() < 2 { "" } else { " The line is the trip." };
    let lost = match unknown {
        0 => String::new(),
        1 => " The place of one is not known.".to_owned(),
        n => format!(" The places of {n} are not known."),
    };
    let drawn = wording::amount(u64::try_from(drawn).unwrap_or(u64::MAX), "trailer");
    format!("{}, where each was last heard. Plain sheets are fine.{trip}{lost}", wording::capital(&drawn))
}

fn lines(svg: &mut String, ground: &Ground) {
    svg.push_str("<rect class=\"ft\" x=\".5\" y=\".5\" width=\"319\" height=\"339\" stroke=\"var(--ink)\"/>\n");
    let step = ground.bar_m() * ground.px_per_m;
    let (mut path, mut x, mut y) = (String::new(), step, step);
    while x < WIDE - 1.0 {
        put(&mut path, format_args!("M{x:.1},1V339"));
        x += step;
    }
    while y < TALL - 1.0 {
        put(&mut path, format_args!("M1,{y:.1}H319"));
        y += step;
    }
    put(svg, format_args!("<path d=\"{path}\" stroke=\"var(--paper)\" stroke-width=\"1.5\"/>\n"));
}

fn way(svg: &mut String, view: &View<'_>, ground: &Ground) {
    let mut places: Vec<LatLon> = view.from.into_iter().collect();
    places.extend(view.stops().iter().filter_map(|(trailer, _)| trailer.at));
    places.extend(view.from);
    if places.len() < 2 {
        return;
    }
    let mut path = String::from("M");
    for place in places {
        let (x, y) = ground.px(place);
        put(&mut path, format_args!("{x:.1},{y:.1} "));
    }
    put(svg, format_args!("<path class=\"i\" stroke-linejoin=\"round\" d=\"{}\"/>\n", path.trim_end()));
    if let Some((x, y)) = view.from.map(|from| ground.px(from)) {
        put(
            svg,
            format_args!(
                "<path class=\"fi\" d=\"M{:.1},{:.1}h12v12h-12z\"/><text class=\"b halo\" paint-order=\"stroke\" \
                 x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">start</text>\n",
                x - 6.0,
                y - 6.0,
                y + 20.0
            ),
        );
    }
}

fn marks(svg: &mut String, view: &View<'_>, ground: &Ground) {
    let stops = view.stops();
    let mut labels = 0;
    let mut taken: Vec<(&str, f64, f64)> = Vec::new();
    for trailer in view.trailers.iter().filter(|trailer| trailer.standing != Standing::Fine) {
        let Some((x, y)) = trailer.at.map(|at| ground.px(at)) else { continue };
        let word = trailer.standing.word();
        let colour = if trailer.standing == Standing::Stale { "--ink" } else { "--call" };
        put(
            svg,
            format_args!(
                "<path class=\"ft\" d=\"M{:.1},{:.1}h20v22h-20z\"/><use href=\"#m-{word}\" x=\"{:.1}\" y=\"{:.1}\" \
                 width=\"18\" height=\"20\" color=\"var({colour})\"/>\n",
                x - 10.0,
                y - 11.0,
                x - 9.0,
                y - 10.0
            ),
        );
        labels += 1;
        if LABELS_MAX < labels {
            continue;
        }
        let number = stops.iter().position(|(stop, _)| std::ptr::eq(*stop, trailer)).map(|at| at + 1);
        let number = number.map_or_else(String::new, |n| format!("<tspan font-weight=\"700\">{n}</tspan> "));
        let label: String = trailer.label.chars().take(16).collect();
        let (anchor, at) = if WIDE / 2.0 < x { ("end", x - 12.0) } else { ("start", x + 12.0) };
        let Some(y) = free_line(&taken, anchor, at, y) else { continue };
        taken.push((anchor, at, y));
        put(
            svg,
            format_args!(
                "<text class=\"halo\" paint-order=\"stroke\" x=\"{at:.1}\" y=\"{:.1}\" \
                 text-anchor=\"{anchor}\">{number}{}</text>\n",
                y + 4.0,
                escaped(&label)
            ),
        );
    }
}

/// The nearest height at which a label covers no other one: several trailers may stand in one yard. `None` if there is
/// none within a few lines; the table names it all the same.
fn free_line(taken: &[(&str, f64, f64)], anchor: &str, x: f64, y: f64) -> Option<f64> {
    let covers = |at: f64| {
        let near = |(side, other_x, other_y): &(&str, f64, f64)| {
            let apart = if *side == anchor { LABEL_WIDE } else { 2.0 * LABEL_WIDE };
            (other_x - x).abs() < apart && (other_y - at).abs() < LABEL_TALL
        };
        taken.iter().any(near)
    };
    let lines = [0.0, 1.0, -1.0, 2.0, -2.0, 3.0, -3.0];
    lines.into_iter().map(|line| y + line * LABEL_TALL).find(|at| (12.0..TALL - 12.0).contains(at) && !covers(*at))
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn frame(svg: &mut String, ground: &Ground) {
    let bar_m = ground.bar_m();
    let end = 12.0 + bar_m * ground.px_per_m;
    let label = if bar_m < 1000.0 { format!("{bar_m:.0} m") } else { format!("{:.0} km", bar_m / 1000.0) };
    put(
        svg,
        format_args!(
            "<path class=\"i\" d=\"M12,322v5H{end:.1}v-5\"/><text class=\"halo\" paint-order=\"stroke\" \
             x=\"{:.1}\" y=\"328\">{label}</text>\n",
            end + 6.0
        ),
    );
    svg.push_str("<path class=\"fi\" d=\"M300,14l6,18l-6-4.5l-6,4.5z\"/>");
    svg.push_str("<text class=\"b halo\" paint-order=\"stroke\" x=\"300\" y=\"47\" text-anchor=\"middle\">N</text>\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_of_trailers_in_one_yard_stand_below_each_other_and_an_eighth_is_left_to_the_table() {
        let mut taken = Vec::new();
        for _ in 0..9 {
            if let Some(y) = free_line(&taken, "end", 200.0, 100.0) {
                taken.push(("end", 200.0, y));
            }
        }
        assert_eq!(taken.len(), 7);
        for (at, (_, _, y)) in taken.iter().enumerate() {
            assert!(taken[..at].iter().all(|(_, _, other)| LABEL_TALL <= (other - y).abs()), "{taken:?}");
        }
        let far = free_line(&taken, "end", 60.0, 100.0);
        assert_eq!(far, Some(100.0), "another yard is not moved");
    }
}
