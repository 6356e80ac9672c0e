//! `pintle place`: place lines, as the running agent knows them. It asks over the control socket and opens nothing
//! else.

use super::ask::{Way, own_name};
use crate::exit::Exit;
use pintle_core::ids::printable;
use pintle_core::wire::control::{LineChangeBody, PlaceRowBody};
use serde::Deserialize as _;
use serde_json::{Value, json};
use std::io::{self, Write};

/// Arguments of `pintle place`.
#[derive(Debug, clap::Args)]
pub struct PlaceArgs {
    #[command(subcommand)]
    verb: PlaceVerb,
    #[command(flatten)]
    way: Way,
}

#[derive(Debug, clap::Subcommand)]
enum PlaceVerb {
    /// Show the place line of each camera, and whether a person has confirmed it here.
    List,
    /// Write the place line of a camera for where the trailer stands now; that confirms it too.
    Set {
        /// Name of the camera.
        camera: String,
        /// The road that it looks at.
        #[arg(long)]
        road: String,
        /// The nearest cross street.
        #[arg(long, default_value = "")]
        cross_street: String,
        /// Direction of travel of the vehicles that it reads, for example northbound.
        #[arg(long, default_value = "")]
        direction: String,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Say that the line of a camera, or of all, is right where the trailer stands now.
    Confirm {
        /// Name of the camera; without it all lines are confirmed.
        camera: Option<String>,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused.
pub fn place(args: &PlaceArgs, out: &mut dyn Write) -> Exit {
    args.way.ask::<Vec<PlaceRowBody>>(&request(&args.verb), "/places", out, |rows, result, out| {
        as_text(rows, out)?;
        match result.get("history").map(Vec::<LineChangeBody>::deserialize) {
            Some(Ok(history)) => history_as_text(&history, out),
            _ => Ok(()),
        }
    })
}

fn request(verb: &PlaceVerb) -> Value {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    match verb {
        PlaceVerb::List => json!({ "do": "place.list" }),
        PlaceVerb::Set { camera, road, cross_street, direction, by } => json!({
            "do": "place.set",
            "by": name(by),
            "args": { "camera": camera, "road": road, "cross_street": cross_street, "direction": direction },
        }),
        PlaceVerb::Confirm { camera, by } => {
            json!({ "do": "place.confirm", "by": name(by), "args": { "camera": camera } })
        }
    }
}

fn as_text(rows: &[PlaceRowBody], out: &mut dyn Write) -> io::Result<()> {
    for row in rows {
        // Whoever reads "confirmed" beside "may be on the move" must see where it was confirmed.
        let site = row.site.map_or_else(String::new, |id| format!(" at site {id}"));
        writeln!(out, "{} ({}{site}): {}", row.camera, row.state, row.sentence)?;
        if let (Some(by), Some(at)) = (&row.by, &row.at) {
            writeln!(out, "    by {by}, {at}")?;
        }
        if !row.advice.is_empty() {
            writeln!(out, "    {}", row.advice)?;
        }
    }
    if rows.is_empty() {
        writeln!(out, "No camera has a place line yet.")?;
    }
    Ok(())
}

fn history_as_text(history: &[LineChangeBody], out: &mut dyn Write) -> io::Result<()> {
    if history.is_empty() {
        return Ok(());
    }
    writeln!(out, "Who said what, newest first:")?;
    for change in history.iter().rev() {
        let (by, text) = (printable(&change.by, 160), printable(&change.text, 500));
        writeln!(out, "    {}  site {}  {}: {text}; {} by {by}", change.at, change.site, change.camera, change.what)?;
    }
    Ok(())
}
