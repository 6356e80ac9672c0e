//! `pintle hold`: keeps reads past their age limit for a case, as the running agent does it. It asks over the control
//! socket and opens no database.

use super::ask::{Way, own_name};
use super::complain;
use crate::clock;
use crate::exit::Exit;
use crate::show;
use pintle_core::moment::Utc;
use pintle_core::queue::holds::{HOLD_S_MAX, window};
use pintle_core::span::{seconds_up_to, when};
use pintle_core::wire::hold::HoldBody;
use serde_json::{Value, json};
use std::io::Write;

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
        #[arg(long, value_name = "TIME", value_parser = point)]
        from: Utc,
        /// Captured up to here; it may lie ahead. Without it up to now.
        #[arg(long, value_name = "TIME", value_parser = point)]
        to: Option<Utc>,
        /// For which case: a number, no plate; the audit tells it.
        #[arg(long, value_name = "TEXT")]
        case: String,
        /// How long it holds, at most 365d: 90d, 12h.
        #[arg(long = "for", value_name = "TIME", value_parser = length)]
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
        #[arg(long = "for", value_name = "TIME", value_parser = length)]
        for_s: u64,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Say that all holds are made anew, after they were lost with a damaged part of the disk: until then nothing is
    /// let go, and from then on what no hold of `list` keeps goes.
    Anew {
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
    let now = clock::utc();
    let request = match request(&args.verb, now) {
        Ok(request) => request,
        Err((what, advice)) => {
            complain(&what, advice);
            return Exit::Usage;
        }
    };
    args.way.ask::<Vec<HoldBody>>(&request, "/holds", out, |rows, result, out| {
        let changed = result.get("hold").and_then(Value::as_u64);
        let said = |flag: &str| result.get(flag).and_then(Value::as_bool).unwrap_or(false);
        if said("unreadable") {
            out.write_all(show::HOLDS_LOST.as_bytes())?;
        } else if said("anew") {
            out.write_all(show::HOLDS_ANEW.as_bytes())?;
        }
        out.write_all(show::hold_text(rows, changed, now).as_bytes())
    })
}

fn request(verb: &HoldVerb, now: Utc) -> Result<Value, (&'static str, &'static str)> {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    Ok(match verb {
        HoldVerb::Add { camera, place, from, to, case, for_s, by } => {
            let (from, to) = window(*from, *to, now)?;
            json!({
                "do": "hold.add",
                "by": name(by),
                "args": {
                    "camera": camera, "place": place, "from": from.to_rfc3339(), "to": to.to_rfc3339(), "case": case,
                    "for_s": for_s,
                },
            })
        }
        HoldVerb::List => json!({ "do": "hold.list" }),
        HoldVerb::Renew { number, for_s, by } => {
            json!({ "do": "hold.renew", "by": name(by), "args": { "hold": number, "for_s": for_s } })
        }
        HoldVerb::Anew { by } => json!({ "do": "hold.anew", "by": name(by), "args": {} }),
        HoldVerb::End { number, by } => json!({ "do": "hold.end", "by": name(by), "args": { "hold": number } }),
    })
}

fn point(text: &str) -> Result<Utc, String> {
    when(text, clock::utc())
}

fn length(text: &str) -> Result<u64, String> {
    seconds_up_to(text, HOLD_S_MAX, "renew it before it ends")
}
