//! The receiver's database with few and with many reads in it.

use crate::queue::{bar, numbers, run};
use crate::{Bench, Part, Section, thousands};

/// Why two bars can't be held. The figures of SQLite alone were measured by hand, once, on 26 November 2026.
const ANYWHERE: &str = "\
The receiver itself looks ids up as they come, newest first, which holds the bar. A read that lies anywhere is looked \
up by a person only (an export, a view),
some 12 µs each. That ratio can't be 1.3 with SQLite: the way through 10,000,000 rows is two levels of the tree \
longer, and its pages lie in no cache of the
processor, while 10,000 rows lie there whole. A table of ids alone, without anything of ours, took 7.2 and 14 µs here \
(ratio 1.9, measured by hand), and no less with more cache
or with mapped memory.
";

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let said = run(bench, "receiver_speed", &[bench.received.to_string()])?;
    let many = thousands(bench.received);
    let mut bars = Vec::new();
    for (label, what) in [
        ("storing 200 new reads, synced, µs (median)", "our receiver, storing 200 reads"),
        ("200 repeats of the newest, µs (median)", "our receiver, look-up of 200 ids (repeats of the newest)"),
        ("look-up of any read by id, µs (median)", "our receiver, look-up of any read by its id"),
        ("look-up of any read by number, µs (median)", "our receiver, look-up of any read by its number"),
    ] {
        let [few_us, many_us] = numbers(&said, label)?;
        let ratio = many_us / few_us;
        bars.push(bar(&format!("{what}, with {many} : with 10,000"), "≤ 1.3", format!("{ratio:.2}"), ratio <= 1.3));
    }
    let text = format!("What writes what came by HTTP, without HTTP (`receiver_speed`). {ANYWHERE}\n```\n{said}```\n");
    Ok(Section { part: Part::Receiver, bars, text, began: String::new() })
}
