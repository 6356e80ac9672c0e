//! `pintle duty` and `pintle need`: what people say of the trailer's duty, and which needs they have in hand.

use super::ask::{Way, own_name};
use crate::exit::Exit;
use pintle_core::health::duty::{ACK_S_MAX, OFF_S_MAX};
use pintle_core::health::wording;
use pintle_core::ids::printable;
use pintle_core::span::seconds_up_to;
use pintle_core::wire::duty::{DutyBody, NeedsBody};
use serde_json::{Value, json};
use std::io::{self, Write};

/// Arguments of `pintle duty`.
#[derive(Debug, clap::Args)]
pub struct DutyArgs {
    #[command(subcommand)]
    verb: DutyVerb,
    #[command(flatten)]
    way: Way,
}

#[derive(Debug, clap::Subcommand)]
enum DutyVerb {
    /// Reading is paused: nobody is asked to look at quiet cameras until it ends. Reads that come are kept and sent.
    Off {
        /// For how long, at most 14 days: 6h, 90m, 48h, 14d.
        #[arg(long = "for", value_name = "TIME", value_parser = off_seconds)]
        for_s: u64,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Reading goes on.
    On {
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Tell whether the trailer is off duty, by whom and until when.
    Status,
}

/// Arguments of `pintle need`.
#[derive(Debug, clap::Args)]
pub struct NeedArgs {
    #[command(subcommand)]
    verb: NeedVerb,
    #[command(flatten)]
    way: Way,
}

#[derive(Debug, clap::Subcommand)]
enum NeedVerb {
    /// Tell what the trailer needs, with the name of each need.
    List,
    /// Say that you have a need in hand. It comes back when it changes, and at the end of its time.
    Ack {
        /// Name of the need, as `pintle need list` tells it.
        need: String,
        /// For how long, at most 24 h; 12 h without it.
        #[arg(long = "for", value_name = "TIME", value_parser = ack_seconds)]
        for_s: Option<u64>,
        /// Take it back.
        #[arg(long, conflicts_with = "for_s")]
        undo: bool,
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

fn off_seconds(text: &str) -> Result<u64, String> {
    seconds_up_to(text, OFF_S_MAX, "say it again before it ends")
}

fn ack_seconds(text: &str) -> Result<u64, String> {
    seconds_up_to(text, ACK_S_MAX, "say it again when it comes back")
}

/// Asks the agent and shows its answer. Ends with 69 if no agent runs, with 2 if it refused.
pub fn duty(args: &DutyArgs, out: &mut dyn Write) -> Exit {
    let name = |by: &Option<String>| by.clone().unwrap_or_else(own_name);
    let request = match &args.verb {
        DutyVerb::Off { for_s, reason, by } => {
            json!({ "do": "duty.off", "by": name(by), "args": { "for_s": for_s, "reason": reason } })
        }
        DutyVerb::On { by } => json!({ "do": "duty.on", "by": name(by) }),
        DutyVerb::Status => json!({ "do": "duty.status" }),
    };
    args.way.ask::<DutyBody>(&request, "", out, |body, _: &Value, out| duty_text(body, out))
}

/// The same for needs.
pub fn need(args: &NeedArgs, out: &mut dyn Write) -> Exit {
    let request = match &args.verb {
        NeedVerb::List => json!({ "do": "need.list" }),
        NeedVerb::Ack { need, for_s, undo, by } => json!({
            "do": "need.ack",
            "by": by.clone().unwrap_or_else(own_name),
            "args": { "need": need, "for_s": for_s, "undo": undo },
        }),
    };
    args.way.ask::<NeedsBody>(&request, "", out, |body, _: &Value, out| needs_text(body, out))
}

fn duty_text(body: &DutyBody, out: &mut dyn Write) -> io::Result<()> {
    match &body.off {
        None => writeln!(out, "The trailer is on duty."),
        Some(off) => {
            let left = wording::span(off.left_s.saturating_mul(1000));
            let (by, until) = (printable(&off.by, 80), printable(&off.until, 40));
            writeln!(out, "Off duty until {until} ({left} left), said by {by}:")?;
            writeln!(out, "    {}", printable(&off.reason, 200))?;
            writeln!(out, "Reads that come all the same are kept and sent.")
        }
    }
}

fn needs_text(body: &NeedsBody, out: &mut dyn Write) -> io::Result<()> {
    if body.needs.is_empty() {
        return writeln!(out, "Nothing is needed.");
    }
    for need in &body.needs {
        let what = wording::capital(&printable(&need.what, 200));
        writeln!(out, "{:<4}  {:<18} {what}", wording::when(&need.urgency), printable(&need.code, 40))?;
        if let Some(ack) = &need.acknowledged {
            let (by, until) = (printable(&ack.by, 80), printable(&ack.until, 40));
            writeln!(out, "{:25}{by} has it in hand until {until}", "")?;
        }
    }
    Ok(())
}
