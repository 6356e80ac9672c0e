//! The way as a plain local map in one SVG file: no ground map, no request, no script.

use super::{Track, TrackSite, parts};
use pintle_core::geo::{LatLon, LocalPlane};
use pintle_core::health::wording;
use pintle_core::ids::printable;
use std::collections::BTreeSet;
use std::fmt::Write;

/// The drawing, px.
const WIDE: f64 = 800.0;
const TALL: f64 = 600.0;
/// Room at the rim for marks and labels, px.
const RIM: f64 = 60.0;
/// The list under the map: height of a line, px.
const LINE: f64 = 26.0;
/// Sites that are numbered and listed; more would cover each other.
const SITES_MAX: usize = 30;
/// Never closer than so many metres across: closer, the noise of a receiver looks like a way.
const ACROSS_MIN_M: f64 = 60.0;

const STYLE: &str = "svg{color-scheme:light dark;--paper:#fcfdfb;--ink:#0e191b;--soft:#394645;--tint:#eaf1eb;--edge:#65736f}\
@media (prefers-color-scheme:dark){svg{--paper:#0b1214;--ink:#e7ece6;--soft:#b3beb9;--tint:#131d1f;--edge:#85938f}}\
text{font:17px system-ui,'Noto Sans','Liberation Sans',sans-serif;fill:var(--ink)}\
.h{paint-order:stroke;stroke:var(--tint);stroke-width:5px;stroke-linejoin:round}\
.t{font:700 24px Charter,'Noto Serif','DejaVu Serif',serif}.b{font-weight:700}.q{fill:var(--soft)}\
.w{fill:none;stroke:var(--ink);stroke-width:2;stroke-linejoin:round}.f{fill:var(--edge);fill-opacity:.55}\
.r{fill:var(--ink);fill-opacity:.18;stroke:var(--ink);stroke-width:1.5}.p{fill:var(--paper);stroke:var(--ink)}";

struct Ground {
    plane: LocalPlane,
    px_per_m: f64,
    middle: (f64, f64),
}

impl Ground {
    fn fit(track: &Track) -> Option<Self> {
        let first = track.fixes.first().map(|fix| fix.position).or_else(|| track.sites.first().map(|s| s.position))?;
        let plane = LocalPlane::new(first);
        let (mut west, mut east, mut south, mut north) =
            (f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY);
        let mut hold = |(x, y): (f64, f64), around_m: f64| {
            (west, east) = (west.min(x - around_m), east.max(x + around_m));
            (south, north) = (south.min(y - around_m), north.max(y + around_m));
        };
        track.fixes.iter().for_each(|fix| hold(plane.to_plane(fix.position), 0.0));
        track.sites.iter().for_each(|site| hold(plane.to_plane(site.position), site.radius95_m));
        if let Some((position, radius95_m)) = track.estimate {
            hold(plane.to_plane(position), radius95_m);
        }
        let (wide, tall) = ((east - west).max(ACROSS_MIN_M), (north - south).max(ACROSS_MIN_M));
        let px_per_m = ((WIDE - 2.0 * RIM) / wide).min((TALL - 2.0 * RIM) / tall);
        Some(Self { plane, px_per_m, middle: (f64::midpoint(west, east), f64::midpoint(south, north)) })
    }

    fn px(&self, at: LatLon) -> (f64, f64) {
        let (east_m, north_m) = self.plane.to_plane(at);
        let x = WIDE / 2.0 + (east_m - self.middle.0) * self.px_per_m;
        let y = TALL / 2.0 - (north_m - self.middle.1) * self.px_per_m;
        (x, y)
    }

    /// 1, 2 or 5 times a power of ten, 70 to 175 px long.
    fn bar_m(&self) -> f64 {
        let mut bar_m = 1.0;
        for step in [2.0, 2.5, 2.0].iter().cycle().take(60) {
            if 70.0 <= bar_m * self.px_per_m {
                break;
            }
            bar_m *= step;
        }
        bar_m
    }
}

/// The map. Its size is bounded: fixes that fall on one spot are drawn once.
#[must_use]
pub fn svg(track: &Track) -> String {
    let listed = track.sites.len().min(SITES_MAX);
    let rows = 2 + 2 * listed + usize::from(listed < track.sites.len());
    let tall = TALL + 60.0 + LINE * f64::from(u32::try_from(rows).unwrap_or(u32::MAX));
    let mut out = Svg(String::new());
    out.put(format_args!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE} {tall}\" role=\"img\" \
         aria-labelledby=\"title says\">\n<title id=\"title\">{}</title>\n<desc id=\"says\">{}</desc>\n\
         <style>{STYLE}</style>\n<rect width=\"{WIDE}\" height=\"{tall}\" fill=\"var(--paper)\"/>\n",
        escaped(&track.title),
        escaped(&says(track)),
    ));
    out.put(format_args!("<rect width=\"{WIDE}\" height=\"{TALL}\" fill=\"var(--tint)\"/>\n"));
    if let Some(ground) = Ground::fit(track) {
        out.grid(&ground);
        out.fixes(track, &ground);
        out.path(track, &ground);
        for site in track.sites.iter().take(SITES_MAX) {
            out.radius(ground.px(site.position), site.radius95_m * ground.px_per_m);
        }
        if let (Some((position, radius95_m)), true) = (track.estimate, track.sites.is_empty()) {
            out.radius(ground.px(position), radius95_m * ground.px_per_m);
        }
        for site in track.sites.iter().take(SITES_MAX) {
            out.site(ground.px(site.position), site);
        }
        out.frame(&ground);
    } else {
        out.put(format_args!(
            "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">No fix was used, so there is nothing to draw.</text>\n",
            WIDE / 2.0,
            TALL / 2.0
        ));
    }
    out.list(track);
    out.put(format_args!("</svg>\n"));
    out.0
}

fn says(track: &Track) -> String {
    let sites = wording::amount(u64::try_from(track.sites.len()).unwrap_or(u64::MAX), "site");
    let used = wording::count(u64::try_from(track.fixes.len()).unwrap_or(u64::MAX));
    format!("{}; {used} fixes used, {} refused.", wording::capital(&sites), wording::count(track.refused))
}

struct Svg(String);

impl Svg {
    fn put(&mut self, what: std::fmt::Arguments<'_>) {
        // Writing into a string can't fail.
        let _infallible = self.0.write_fmt(what);
    }

    fn grid(&mut self, ground: &Ground) {
        let step = ground.bar_m() * ground.px_per_m;
        let (mut lines, mut x, mut y) = (String::new(), step, step);
        while x < WIDE {
            let _infallible = write!(lines, "M{x:.1},0V{TALL}");
            x += step;
        }
        while y < TALL {
            let _infallible = write!(lines, "M0,{y:.1}H{WIDE}");
            y += step;
        }
        self.put(format_args!("<path d=\"{lines}\" stroke=\"var(--paper)\" stroke-width=\"2\" fill=\"none\"/>\n"));
    }

    /// A dot for each spot of 2 px that a fix fell on: at most 120,000, in practice some thousands.
    fn fixes(&mut self, track: &Track, ground: &Ground) {
        #[expect(clippy::cast_possible_truncation, reason = "a place on the drawing, cut to whole pixels")]
        let spot = |at: LatLon| {
            let (x, y) = ground.px(at);
            ((x / 2.0).round() as i32, (y / 2.0).round() as i32)
        };
        let spots: BTreeSet<(i32, i32)> = track.fixes.iter().map(|fix| spot(fix.position)).collect();
        self.put(format_args!("<path class=\"f\" d=\""));
        for (x, y) in spots {
            self.put(format_args!("M{},{}h3v3h-3z", 2 * x - 1, 2 * y - 1));
        }
        self.put(format_args!("\"/>\n"));
    }

    fn path(&mut self, track: &Track, ground: &Ground) {
        self.put(format_args!("<path class=\"w\" stroke-opacity=\".75\" d=\""));
        // Two pixels: finer steps can't be seen.
        for part in parts(&track.fixes, (2.0 / ground.px_per_m).max(3.0)) {
            for (n, at) in part.into_iter().enumerate() {
                let (x, y) = ground.px(at);
                self.put(format_args!("{}{x:.1},{y:.1}", if n == 0 { 'M' } else { ' ' }));
            }
        }
        self.put(format_args!("\"/>\n"));
    }

    fn radius(&mut self, (x, y): (f64, f64), radius: f64) {
        let radius = radius.max(2.0);
        self.put(format_args!("<circle class=\"r\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>\n"));
    }

    fn site(&mut self, (x, y): (f64, f64), site: &TrackSite) {
        self.put(format_args!(
            "<g transform=\"translate({x:.1} {y:.1})\"><circle r=\"8\" class=\"p\" stroke-width=\"3\"/>\
             <path d=\"M0-14V14M-5-14h10\" stroke=\"var(--ink)\" stroke-width=\"3\"/></g>\n"
        ));
        let (anchor, at) = if WIDE - 2.0 * RIM < x { ("end", x - 14.0) } else { ("start", x + 14.0) };
        self.put(format_args!(
            "<text class=\"b h\" x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{}</text>\n",
            y - 10.0,
            site.id
        ));
    }

    fn frame(&mut self, ground: &Ground) {
        let bar_m = ground.bar_m();
        let end = 24.0 + bar_m * ground.px_per_m;
        let label = if bar_m < 1000.0 { format!("{bar_m:.0} m") } else { format!("{:.0} km", bar_m / 1000.0) };
        self.put(format_args!(
            "<path class=\"w\" d=\"M24,{0}v8H{end:.1}v-8\"/><text class=\"h\" x=\"{1:.1}\" y=\"{2}\">{label}</text>\n",
            TALL - 32.0,
            end + 8.0,
            TALL - 22.0
        ));
        self.put(format_args!(
            "<path fill=\"var(--ink)\" d=\"M764,22l10,30l-10-8l-10,8z\"/>\
             <text class=\"b h\" x=\"764\" y=\"76\" text-anchor=\"middle\">N</text>\n"
        ));
    }

    fn list(&mut self, track: &Track) {
        let mut y = TALL + 36.0;
        self.put(format_args!(
            "<text class=\"t\" x=\"24\" y=\"{y}\">{}</text>\n",
            escaped(&printable(&track.title, 56))
        ));
        y += LINE;
        self.put(format_args!("<text class=\"q\" x=\"24\" y=\"{y}\">{}</text>\n", escaped(&says(track))));
        for site in track.sites.iter().take(SITES_MAX) {
            y += LINE;
            self.put(format_args!(
                "<text x=\"24\" y=\"{y}\"><tspan class=\"b\">Site {}</tspan> {}; 95 % within {}</text>\n",
                site.id,
                escaped(&wording::position(site.position)),
                wording::distance(site.radius95_m),
            ));
            y += LINE;
            let until = site.left.as_ref().map_or_else(|| "stands".to_owned(), |left| format!("left {left}"));
            self.put(format_args!(
                "<text class=\"q\" x=\"24\" y=\"{y}\">arrived {}; {}</text>\n",
                escaped(&site.arrived),
                escaped(&until)
            ));
        }
        if SITES_MAX < track.sites.len() {
            y += LINE;
            let more = track.sites.len() - SITES_MAX;
            self.put(format_args!(
                "<text class=\"q\" x=\"24\" y=\"{y}\">{more} sites more are in the text form.</text>\n"
            ));
        }
    }
}

fn escaped(text: &str) -> String {
    printable(text, 300).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
