//! `pintle tow`: announces a planned move to the running agent, ends it, and tells of it.

use super::ask::{Way, own_name};
use crate::exit::Exit;
use pintle_core::health::wording;
use pintle_core::ids::printable;
use pintle_core::position::keeper::TOW_S_MAX;
use pintle_core::span::seconds_up_to;
use pintle_core::wire::control::TowStatusBody;
use serde_json::{Value, json};
use std::io::{self, Write};

/// Arguments of `pintle tow`.
#[derive(Debug, clap::Args)]
pub struct TowArgs {
    #[command(subcommand)]
    verb: TowVerb,
    #[command(flatten)]
    way: Way,
}

#[derive(Debug, clap::Subcommand)]
enum TowVerb {
    /// Announce a move before it begins: leaving is then told, but is no alarm. It ends at arrival.
    Begin {
        /// For how long, at most 12 h: 3h, 90m, 2h30m.
        #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
        for_s: u64,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        /// Why.
        #[arg(long, value_name = "TEXT", default_value = "")]
        reason: String,
        /// Give the announced move a new end, counted from now.
        #[arg(long)]
        extend: bool,
    },
    /// End the announcement. While the trailer is under way that is an alarm.
    End {
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Tell whether a move is announced, by whom and until when.
    Status,
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused.
pub fn tow(args: &TowArgs, out: &mut dyn Write) -> Exit {
    args.way.ask::<TowStatusBody>(&request(&args.verb), "", out, |body, _, out| as_text(body, out))
}

fn request(verb: &TowVerb) -> Value {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    match verb {
        TowVerb::Begin { for_s, by, reason, extend } => json!({
            "do": "tow.begin",
            "by": name(by),
            "args": { "for_s": for_s, "reason": reason, "extend": extend },
        }),
        TowVerb::End { by } => json!({ "do": "tow.end", "by": name(by) }),
        TowVerb::Status => json!({ "do": "tow.status" }),
    }
}

/// Up to what the agent takes, s.
fn seconds(text: &str) -> Result<u64, String> {
    seconds_up_to(text, TOW_S_MAX, "extend it on the way with --extend")
}

fn as_text(body: &TowStatusBody, out: &mut dyn Write) -> io::Result<()> {
    let shown = |text: &Option<String>| printable(text.as_deref().unwrap_or(""), 200);
    if body.announced {
        let left = body.left_s.map_or_else(String::new, |s| format!(" ({} left)", wording::span(s * 1000)));
        writeln!(out, "A tow is announced by {} until {}{left}.", shown(&body.by), shown(&body.until))?;
        if body.reason.is_some() {
            writeln!(out, "    {}", shown(&body.reason))?;
        }
    } else {
        writeln!(out, "No tow is announced.")?;
    }
    if body.adrift_since.is_some() {
        let since = shown(&body.adrift_since);
        writeln!(out, "The trailer left its site at {since} and has not arrived.")?;
    }
    for line in &body.caution {
        writeln!(out, "  [ ] {}", printable(line, 200))?;
    }
    Ok(())
}
