//! `pintle hold`: keeps reads past their age limit for a case, as the running agent does it. It asks over the control
//! socket and opens no database.

use super::ask::{Way, own_name};
use crate::clock;
use crate::exit::Exit;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::span::seconds;
use pintle_core::wire::hold::HoldBody;
use serde_json::{Value, json};
use std::io::{self, Write};

/// Arguments of `pintle hold`.
#[derive(Debug, clap::Args)]
pub struct HoldArgs {
    #[command(subcommand)]
    verb: HoldVerb,
    #[command(flatten)]
    way: Way,
}

#[derive(Debug, clap::Subcommand)]
enum HoldVerb {
    /// Keep the reads of a camera or a place, captured within a window, until the hold ends. It opens and shows
    /// nothing.
    Add {
        /// Reads of this camera.
        #[arg(long, value_name = "NAME")]
        camera: Option<String>,
        /// Reads of this site, by the number that `pintle place list --json` shows.
        #[arg(long, value_name = "NUMBER")]
        place: Option<u64>,
        /// Captured from here on: 2026-11-25T12:00:00Z, or how long ago: 2h, 3d.
        #[arg(long, value_name = "TIME")]
        from: String,
        /// Captured up to here; it may lie ahead. Without it up to now.
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
        /// For which case: a number, no plate; the audit tells it.
        #[arg(long, value_name = "TEXT")]
        case: String,
        /// How long it holds, at most 365d: 90d, 12h.
        #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
        for_s: u64,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Show all holds, with their cases.
    List,
    /// Let a hold end this long from now on.
    Renew {
        /// Its number, as `list` shows it.
        number: u64,
        /// How long it holds from now on, at most 365d.
        #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
        for_s: u64,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// End a hold now: what is past its age limit goes with the next clean-up, within minutes.
    End {
        /// Its number, as `list` shows it.
        number: u64,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused.
pub fn hold(args: &HoldArgs, out: &mut dyn Write) -> Exit {
    let request = request(&args.verb, clock::utc());
    args.way.ask::<Vec<HoldBody>>(&request, "/holds", out, |rows, result, out| as_text(rows, result, out))
}

fn request(verb: &HoldVerb, now: Utc) -> Value {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    match verb {
        HoldVerb::Add { camera, place, from, to, case, for_s, by } => {
            let to = to.as_deref().map_or_else(|| now.to_rfc3339(), |to| time(to, now));
            json!({
                "do": "hold.add",
                "by": name(by),
                "args": {
                    "camera": camera, "place": place, "from": time(from, now), "to": to, "case": case, "for_s": for_s,
                },
            })
        }
        HoldVerb::List => json!({ "do": "hold.list" }),
        HoldVerb::Renew { number, for_s, by } => {
            json!({ "do": "hold.renew", "by": name(by), "args": { "hold": number, "for_s": for_s } })
        }
        HoldVerb::End { number, by } => json!({ "do": "hold.end", "by": name(by), "args": { "hold": number } }),
    }
}

/// How long ago is turned into a time; the agent judges everything else.
fn time(text: &str, now: Utc) -> String {
    let ago = seconds(text).ok().and_then(|s| i64::try_from(s).ok()?.checked_mul(1000));
    ago.map_or_else(|| text.to_owned(), |ms| now.plus_ms(-ms).to_rfc3339())
}

fn as_text(rows: &[HoldBody], result: &Value, out: &mut dyn Write) -> io::Result<()> {
    if let Some(number) = result.get("hold").and_then(Value::as_u64) {
        let state = if rows.iter().any(|row| row.hold == number) { "holds" } else { "has ended" };
        writeln!(out, "Hold {number} {state}.")?;
    }
    for row in rows {
        let camera = row.camera.as_ref().map(|camera| format!("camera {camera}"));
        let place = row.place.map(|place| format!("site {place}"));
        let what: Vec<String> = camera.into_iter().chain(place).collect();
        let what = if what.is_empty() { "everything".to_owned() } else { what.join(" at ") };
        writeln!(out, "{}  {}, captured {} to {}", row.hold, printable(&what, 80), row.from, row.to)?;
        let ends = row.ends.as_deref().unwrap_or("unknown");
        writeln!(out, "    case {}; by {}; ends {ends}", printable(&row.case, 200), printable(&row.by, 80))?;
    }
    if rows.is_empty() {
        writeln!(out, "Nothing is held.")?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_given_as_people_say_them() {
        let now = Utc(1_800_000_000_000);
        assert_eq!(time("2h", now), now.plus_ms(-7_200_000).to_rfc3339());
        assert_eq!(time("2026-11-25T12:00:00Z", now), "2026-11-25T12:00:00Z");
        assert_eq!(time("yesterday", now), "yesterday", "the agent says what is wrong with it");
    }
}
