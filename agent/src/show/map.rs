//! The local map: the site, former sites, the last move, and a loupe that shows the 95 % radius to scale. No ground
//! map is
//! fetched; the picture is drawn from our own figures alone.

use pintle_core::geo::{LatLon, LocalPlane};
use pintle_core::health::wording;
use pintle_core::wire::health::{MoveBody, PlaceFigures};
use std::fmt::Write;

/// A drawing and the sentence that says what it shows. Both are empty if nothing is known to draw.
#[derive(Default)]
pub(super) struct Map {
    pub(super) sentence: String,
    pub(super) svg: String,
}

/// How many former sites are drawn, so that their numbers stay apart.
const FORMER_DRAWN: usize = 6;
/// Where sites are drawn; the loupe stands to the right of it. Viewbox 320 by 250 (design of the look, section 8).
const LEFT: f64 = 24.0;
const RIGHT: f64 = 150.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 212.0;
/// Middle of the loupe and radius of its ring, which stands for `move_threshold_m`.
const LOUPE: (f64, f64) = (244.0, 150.0);
const RING: f64 = 58.0;

struct Point {
    number: String,
    east_m: f64,
    north_m: f64,
}

struct Scale {
    px_per_m: f64,
    middle: (f64, f64),
}

impl Scale {
    /// Fits all points into the frame.
    fn fit(points: &[(f64, f64)]) -> Self {
        let ends = |value: &dyn Fn(&(f64, f64)) -> f64| {
            points.iter().map(value).fold((0.0_f64, 0.0_f64), |(low, high), v| (low.min(v), high.max(v)))
        };
        let ((west, east), (south, north)) = (ends(&|p| p.0), ends(&|p| p.1));
        // Never closer than a kilometre across: a lone site needs a scale that people know.
        let (wide, tall) = ((east - west).max(1000.0), (north - south).max(1000.0));
        let px_per_m = ((RIGHT - LEFT) / wide).min((BOTTOM - TOP) / tall);
        Self { px_per_m, middle: (f64::midpoint(west, east), f64::midpoint(south, north)) }
    }

    fn place(&self, east_m: f64, north_m: f64) -> (f64, f64) {
        let x = f64::midpoint(LEFT, RIGHT) + (east_m - self.middle.0) * self.px_per_m;
        let y = f64::midpoint(TOP, BOTTOM) - (north_m - self.middle.1) * self.px_per_m;
        (x, y)
    }

    /// Length of the scale bar: 1, 2 or 5 times a power of ten, 30 to 75 px long.
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

pub(super) fn map(place: &PlaceFigures) -> Map {
    if place.site.is_none() && place.fix.is_none() {
        return Map::default();
    }
    let former: Vec<Point> = place
        .former_sites
        .iter()
        .skip(place.former_sites.len().saturating_sub(FORMER_DRAWN))
        .filter_map(|site| Some(Point { number: site.id.to_string(), east_m: site.east_m?, north_m: site.north_m? }))
        .collect();
    let parts = place.last_move.as_ref().map_or_else(Vec::new, |last| parts(place, last));
    let all: Vec<(f64, f64)> =
        former.iter().map(|one| (one.east_m, one.north_m)).chain(parts.iter().flatten().copied()).collect();
    let scale = Scale::fit(&all);
    let mut svg = Svg(String::new());
    svg.add("<svg class=\"plot map\" viewBox=\"0 0 320 250\" role=\"img\" aria-labelledby=\"f-map\">\n");
    svg.ground(&scale);
    let here = scale.place(0.0, 0.0);
    if !parts.is_empty() {
        svg.path(&parts, &scale);
    } else if let Some(last) = former.last() {
        svg.way(scale.place(last.east_m, last.north_m), here);
    }
    for point in &former {
        svg.square(scale.place(point.east_m, point.north_m), &point.number);
    }
    if let Some(site) = &place.site {
        svg.loupe(here, site.radius95_m, place.move_threshold_m);
    }
    svg.ring(here, &place.site.as_ref().map_or_else(|| "live".to_owned(), |site| site.id.to_string()));
    svg.frame(&scale);
    svg.add("</svg>");
    Map { sentence: sentence(place, former.last()), svg: svg.0 }
}

fn sentence(place: &PlaceFigures, last: Option<&Point>) -> String {
    let loupe = "Enlarged in the circle: beyond the dashed ring it counts as moved.";
    let way = |last: &Point| wording::distance(last.east_m.hypot(last.north_m));
    let along = along(place.last_move.as_ref());
    match (&place.site, last) {
        (Some(site), Some(last)) => format!(
            "The last move, from site {} to site {}: {} in a straight line{along}. {loupe}",
            last.number,
            site.id,
            way(last)
        ),
        (Some(site), None) => format!("Site {} and its 95 % radius. {loupe}", site.id),
        (None, Some(last)) => {
            format!("Where it is now: {} from site {} in a straight line{along}.", way(last), last.number)
        }
        (None, None) => "Where it is now.".to_owned(),
    }
}

/// The stretches of the way that were seen, metres east and north of where it is now.
fn parts(place: &PlaceFigures, last: &MoveBody) -> Vec<Vec<(f64, f64)>> {
    let here =
        place.site.as_ref().map(|site| (site.lat, site.lon)).or(place.fix.as_ref().map(|fix| (fix.lat, fix.lon)));
    let Some(plane) = here.and_then(|(lat, lon)| LatLon::new(lat, lon)).map(LocalPlane::new) else { return Vec::new() };
    let metres = |[lon, lat]: &[f64; 2]| LatLon::new(*lat, *lon).map(|at| plane.to_plane(at));
    let mut parts: Vec<Vec<(f64, f64)>> =
        last.parts.iter().map(|part| part.iter().filter_map(metres).collect()).collect();
    parts.retain(|part| 1 < part.len());
    parts
}

/// How long the way was, where it was seen.
fn along(last: Option<&MoveBody>) -> String {
    match last.filter(|last| !last.parts.is_empty()) {
        None => String::new(),
        Some(last) if last.gaps => {
            format!("; {} of the way was seen, and where it breaks off nobody saw it", wording::distance(last.seen_m))
        }
        Some(last) => format!(", {} along the way", wording::distance(last.seen_m)),
    }
}

struct Svg(String);

impl Svg {
    fn add(&mut self, text: &str) {
        self.0.push_str(text);
    }

    fn put(&mut self, what: std::fmt::Arguments<'_>) {
        // Writing into a string can't fail.
        let _infallible = self.0.write_fmt(what);
        self.0.push('\n');
    }

    fn ground(&mut self, scale: &Scale) {
        self.add("<rect class=\"ft\" x=\".5\" y=\".5\" width=\"319\" height=\"249\" stroke=\"var(--ink)\"/>\n");
        let step = scale.bar_m() * scale.px_per_m;
        let (mut lines, mut x, mut y) = (String::new(), step, step);
        while x < 319.0 {
            let _infallible = write!(lines, "M{x:.1},1V249");
            x += step;
        }
        while y < 249.0 {
            let _infallible = write!(lines, "M1,{y:.1}H319");
            y += step;
        }
        self.put(format_args!("<path d=\"{lines}\" stroke=\"var(--paper)\" stroke-width=\"1.5\"/>"));
    }

    fn way(&mut self, (x0, y0): (f64, f64), (x1, y1): (f64, f64)) {
        let turn_deg = (y1 - y0).atan2(x1 - x0).to_degrees();
        self.put(format_args!("<path class=\"i\" stroke-dasharray=\"7 4\" d=\"M{x0:.1},{y0:.1} {x1:.1},{y1:.1}\"/>"));
        self.arrow((f64::midpoint(x0, x1), f64::midpoint(y0, y1)), turn_deg);
    }

    /// The way as it was seen, one stroke for each stretch, and one arrow in the middle of all.
    fn path(&mut self, parts: &[Vec<(f64, f64)>], scale: &Scale) {
        let px: Vec<Vec<(f64, f64)>> = parts
            .iter()
            .map(|part| part.iter().map(|&(east_m, north_m)| scale.place(east_m, north_m)).collect())
            .collect();
        let mut strokes = String::new();
        for part in &px {
            for (nth, (x, y)) in part.iter().enumerate() {
                let _infallible = write!(strokes, "{}{x:.1},{y:.1}", if nth == 0 { "M" } else { " " });
            }
        }
        self.put(format_args!(
            "<path class=\"i\" stroke-dasharray=\"7 4\" stroke-linejoin=\"round\" d=\"{strokes}\"/>"
        ));
        let steps: Vec<((f64, f64), (f64, f64))> =
            px.iter().flat_map(|part| part.iter().copied().zip(part.iter().skip(1).copied())).collect();
        let long = |((x0, y0), (x1, y1)): &((f64, f64), (f64, f64))| (x1 - x0).hypot(y1 - y0);
        let (all_px, mut gone_px) = (steps.iter().map(long).sum::<f64>(), 0.0);
        for step in &steps {
            gone_px += long(step);
            if all_px / 2.0 <= gone_px && 0.0 < all_px {
                let ((x0, y0), (x1, y1)) = *step;
                let turn_deg = (y1 - y0).atan2(x1 - x0).to_degrees();
                return self.arrow((f64::midpoint(x0, x1), f64::midpoint(y0, y1)), turn_deg);
            }
        }
    }

    fn arrow(&mut self, (x, y): (f64, f64), turn_deg: f64) {
        self.put(format_args!(
            "<path class=\"fi\" transform=\"translate({x:.1} {y:.1}) rotate({turn_deg:.0})\" d=\"M-6-6 8 0-6 6z\"/>"
        ));
    }

    fn square(&mut self, (x, y): (f64, f64), number: &str) {
        let (left, top) = (x - 5.0, y - 5.0);
        self.put(format_args!(
            "<path class=\"fp\" d=\"M{left:.1},{top:.1}h10v10h-10z\" stroke=\"var(--ink)\" stroke-width=\"1.75\"/>"
        ));
        let (x, y) = (x + 9.0, y + 5.0);
        self.put(format_args!("<text class=\"halo\" paint-order=\"stroke\" x=\"{x:.1}\" y=\"{y:.1}\">{number}</text>"));
    }

    fn ring(&mut self, (x, y): (f64, f64), number: &str) {
        self.put(format_args!(
            "<g transform=\"translate({x:.1} {y:.1})\"><circle r=\"6.5\" class=\"fp\" stroke=\"var(--ink)\" \
             stroke-width=\"2.5\"/><path d=\"M0-11V11M-4-11h8\" stroke=\"var(--ink)\" stroke-width=\"2.5\"/></g>"
        ));
        let (x, y) = (x - 11.0, y - 8.0);
        self.put(format_args!(
            "<text class=\"b halo\" paint-order=\"stroke\" x=\"{x:.1}\" y=\"{y:.1}\" \
             text-anchor=\"end\">{number}</text>"
        ));
    }

    fn loupe(&mut self, (x, y): (f64, f64), radius95_m: f64, threshold_m: f64) {
        let (cx, cy) = LOUPE;
        let rim = RING + 8.0;
        // Two lines from the site touch the rim above and below, as a loupe is drawn.
        let (dx, dy) = (cx - x, cy - y);
        let away = dx.hypot(dy).max(1.0);
        let (ux, uy) = (-dy / away * rim, dx / away * rim);
        self.put(format_args!(
            "<path class=\"i1\" d=\"M{:.1},{:.1}L{x:.1},{y:.1}L{:.1},{:.1}\"/>",
            cx + ux,
            cy + uy,
            cx - ux,
            cy - uy
        ));
        self.put(format_args!(
            "<circle class=\"fp\" cx=\"{cx}\" cy=\"{cy}\" r=\"{rim}\" stroke=\"var(--ink)\" stroke-width=\"1.5\"/>"
        ));
        let radius = (radius95_m / threshold_m.max(1.0) * RING).clamp(2.0, RING);
        self.put(format_args!("<circle cx=\"{cx}\" cy=\"{cy}\" r=\"{RING}\" class=\"i1 dash\"/>"));
        self.put(format_args!(
            "<circle cx=\"{cx}\" cy=\"{cy}\" r=\"{radius:.1}\" fill=\"var(--ink)\" fill-opacity=\".22\" \
             stroke=\"var(--ink)\" stroke-width=\"1.5\"/>"
        ));
        let (left, right, top, bottom) = (cx - 13.0, cx + 13.0, cy - 13.0, cy + 13.0);
        self.put(format_args!(
            "<path class=\"i1\" d=\"M{left},{cy}h7M{right},{cy}h-7M{cx},{top}v7M{cx},{bottom}v-7\"/>"
        ));
        let (below, above) = (cy + 36.0, cy - 38.0);
        self.put(format_args!(
            "<text x=\"{cx}\" y=\"{below}\" text-anchor=\"middle\">radius {}</text>\
             <text x=\"{cx}\" y=\"{above}\" text-anchor=\"middle\">{}</text>",
            wording::distance(radius95_m),
            wording::distance(threshold_m)
        ));
    }

    fn frame(&mut self, scale: &Scale) {
        let bar_m = scale.bar_m();
        let end = 12.0 + bar_m * scale.px_per_m;
        let label = if bar_m < 1000.0 { format!("{bar_m:.0} m") } else { format!("{:.0} km", bar_m / 1000.0) };
        self.put(format_args!(
            "<path class=\"i\" d=\"M12,232v5H{end:.1}v-5\"/>\
             <text class=\"halo\" paint-order=\"stroke\" x=\"{:.1}\" y=\"238\">{label}</text>",
            end + 6.0
        ));
        self.add("<path class=\"fi\" d=\"M300,14l6,18l-6-4.5l-6,4.5z\"/>");
        self.add("<text class=\"b halo\" paint-order=\"stroke\" x=\"300\" y=\"47\" text-anchor=\"middle\">N</text>\n");
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health::HealthBody;

    fn place(scene: &Scene) -> PlaceFigures {
        let told = snapshot(&scene.observations(), &mut Memory::default());
        HealthBody::new(&scene.observations(), &told, 1).place
    }

    /// The corners of all strokes of the way, px.
    fn strokes(svg: &str) -> Vec<Vec<(f64, f64)>> {
        let Some((_, after)) = svg.split_once("stroke-linejoin=\"round\" d=\"") else { return Vec::new() };
        let corner = |text: &str| text.split_once(',').map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()));
        let strokes = after.split('"').next().unwrap().split('M').filter(|stroke| !stroke.is_empty());
        strokes.map(|stroke| stroke.split(' ').filter_map(corner).collect()).collect()
    }

    #[test]
    fn the_way_of_the_last_move_leads_along_its_bends_from_the_old_site_to_the_new_one() {
        let mut place = place(&Scene::after_tow());
        let drawn = map(&place);
        let way = strokes(&drawn.svg);
        assert_eq!((way.len(), way[0].len()), (1, 10), "{}", drawn.svg);
        for (x, y) in way.concat() {
            assert!((LEFT..=RIGHT).contains(&x) && (TOP..=BOTTOM).contains(&y), "{x}, {y} lies outside the frame");
        }
        let ring = format!("translate({:.1} {:.1})", way[0][9].0, way[0][9].1);
        assert!(drawn.svg.contains(&ring), "it ends at the trailer: {}", drawn.svg);
        assert_eq!(drawn.svg.matches("M-6-6 8 0-6 6z").count(), 1, "one arrow");
        assert!(drawn.sentence.contains("4.2 km in a straight line, 4.9 km along the way"), "{}", drawn.sentence);
        let last = place.last_move.as_mut().unwrap();
        let rest = last.parts[0].split_off(5);
        last.parts.push(rest);
        last.gaps = true;
        let broken = map(&place);
        assert_eq!(strokes(&broken.svg).len(), 2, "what nobody saw is not drawn");
        assert!(broken.sentence.contains("where it breaks off nobody saw it"), "{}", broken.sentence);
    }

    #[test]
    fn where_no_way_was_seen_none_is_drawn() {
        let mut place = place(&Scene::after_tow());
        place.last_move = None;
        let straight = map(&place);
        assert!(strokes(&straight.svg).is_empty() && straight.svg.contains("stroke-dasharray=\"7 4\" d=\"M"));
        assert!(!straight.sentence.contains("along"), "{}", straight.sentence);
        place.former_sites.clear();
        let alone = map(&place);
        assert!(!alone.svg.contains("M-6-6 8 0-6 6z") && alone.sentence.starts_with("Site 13 and its"));
        // A file of a foreign hand must not break the page.
        place.last_move =
            Some(MoveBody { from: 1, to: None, seen_m: 0.0, gaps: false, parts: vec![vec![[900.0, 99.0]]] });
        assert_eq!(map(&place).svg, alone.svg);
    }
}
