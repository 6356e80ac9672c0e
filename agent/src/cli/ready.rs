//! `pintle ready`: may I leave? What is missing, in order, and the ticks of the walk round the trailer.

use super::ask::{Way, own_name};
use crate::exit::Exit;
use crate::show;
use pintle_core::health::ready::Tick;
use pintle_core::wire::ready::ReadyBody;
use serde_json::{Value, json};
use std::io::Write;

/// Arguments of `pintle ready`.
#[derive(Debug, clap::Args)]
pub struct ReadyArgs {
    /// You have looked at it: overhead, stabilisers, mast, locks or markers.
    #[arg(long, value_name = "NAME", value_parser = tick)]
    tick: Option<Tick>,
    /// Take a tick back.
    #[arg(long, value_name = "NAME", value_parser = tick, conflicts_with = "tick")]
    untick: Option<Tick>,
    /// Who says so; without it your user name is taken.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    #[command(flatten)]
    way: Way,
}

fn tick(text: &str) -> Result<Tick, String> {
    Tick::of_word(text).ok_or_else(|| format!("there are {}", Tick::ALL.map(Tick::word).join(", ")))
}

/// Asks the agent and shows its answer. Ends with 0 if the trailer is ready, with 1 if something is missing, with 69 if
/// no agent runs, with 2 if it refused.
pub fn ready(args: &ReadyArgs, out: &mut dyn Write) -> Exit {
    let by = || args.by.clone().unwrap_or_else(own_name);
    let request = match (args.tick, args.untick) {
        (Some(tick), _) => json!({ "do": "ready.tick", "by": by(), "args": { "tick": tick.word() } }),
        (None, Some(tick)) => json!({ "do": "ready.tick", "by": by(), "args": { "tick": tick.word(), "undo": true } }),
        (None, None) => json!({ "do": "ready.status" }),
    };
    let mut all_holds = false;
    let asked = args.way.ask_and_see::<ReadyBody>(
        &request,
        out,
        |body| all_holds = body.ready,
        |body, _: &Value, out| out.write_all(show::ready_text(body).as_bytes()),
    );
    if asked == Exit::Good && !all_holds { Exit::Look } else { asked }
}
