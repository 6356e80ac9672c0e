//! The command line: one room for each command. A command writes its answer to stdout, what went wrong to stderr, and
//! ends with an [`Exit`].

use crate::exit::Exit;
use clap::{Parser, Subcommand};
use std::io::Write as _;

mod ask;
pub mod audit;
pub mod bundle;
pub mod check;
pub mod courier;
pub mod duty;
pub mod hold;
pub mod key;
pub mod place;
pub mod queue;
pub mod ready;
mod refusal;
pub mod replay;
pub mod run;
pub mod setup;
pub mod status;
mod test_alert;
pub mod tow;
mod usual;

/// Where the configuration is looked for without `--config`.
pub const CONFIG_PATH: &str = "/etc/pintle/pintle.toml";

/// On-trailer supervisor for roadside plate-reading trailers.
#[derive(Debug, Parser)]
#[command(name = "pintle", version, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 good, 1 look, 2 act or not done, 3 stale, 64 usage, 69 no agent, 78 configuration."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the agent until it is told to stop.
    Run(run::RunArgs),
    /// Say what is right and wrong with the configuration and everything that it names.
    Check(check::CheckArgs),
    /// Make or show a key pair for sealed reads, or have the agent read its key files anew.
    Key(key::KeyArgs),
    /// Show, write or confirm the place lines of the cameras.
    Place(place::PlaceArgs),
    /// Show what the receiver refused, send it once more, or let it go.
    Queue(queue::QueueArgs),
    /// Check or show the audit: who did what, when.
    Audit(audit::AuditArgs),
    /// Show what an agency needs to take this trailer's events from a courier's stick.
    Courier(courier::CourierArgs),
    /// Keep reads past their age limit for a case, renew or end that.
    Hold(hold::HoldArgs),
    /// Announce a planned move, end it, or tell of it.
    Tow(tow::TowArgs),
    /// Take the trailer off duty for a time, back on, or tell of it.
    Duty(duty::DutyArgs),
    /// Tell what the trailer needs, or say that you have one of it in hand.
    Need(duty::NeedArgs),
    /// Say whether a technician may leave, what is missing, and tick what only a person can see.
    Ready(ready::ReadyArgs),
    /// Run a simulated trailer on this computer and judge it.
    Demo(crate::demo::DemoArgs),
    /// Replay recorded lines of a GPS receiver, and tell which sites are found in them.
    Replay(replay::ReplayArgs),
    /// Say in one word, and why, how a trailer is.
    Status(status::StatusArgs),
    /// Pack health, history, configuration and log into one file for a technician.
    Bundle(bundle::BundleArgs),
    /// Write man pages and completions of shells.
    Setup(setup::SetupArgs),
    /// Show the health files as a page in a browser of this computer.
    Page(crate::page::PageArgs),
    /// Show how many trailers are, worst first, and in which order to visit them.
    Survey(crate::survey::SurveyArgs),
    /// Take events from trailers, answer with receipts, and prove that none is missing.
    Receive(Box<crate::receive::ReceiveArgs>),
}

/// Runs the command that the process was called with.
#[must_use]
pub fn main() -> Exit {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return told(&error),
    };
    // Not locked: a long command would keep its own log lines waiting for ever.
    let mut out = std::io::stdout();
    match cli.command {
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::check(&args, &mut out),
        Command::Courier(args) => courier::courier(&args, &mut out),
        Command::Place(args) => place::place(&args, &mut out),
        Command::Queue(args) => queue::queue(&args, &mut out),
        Command::Audit(args) => audit::audit(&args, &mut out),
        Command::Hold(args) => hold::hold(&args, &mut out),
        Command::Tow(args) => tow::tow(&args, &mut out),
        Command::Duty(args) => duty::duty(&args, &mut out),
        Command::Need(args) => duty::need(&args, &mut out),
        Command::Ready(args) => ready::ready(&args, &mut out),
        Command::Key(args) => key::key(&args, &mut out),
        Command::Demo(args) => crate::demo::demo(args),
        Command::Replay(args) => replay::replay(&args, &mut out),
        Command::Status(args) => status::status(&args, &mut out),
        Command::Bundle(args) => bundle::bundle(&args, &mut out),
        Command::Setup(args) => setup::setup(&args, &mut out),
        Command::Page(args) => crate::page::page(&args, &mut out),
        Command::Survey(args) => crate::survey::survey(&args, &mut out),
        Command::Receive(args) => crate::receive::receive(&args),
    }
}

/// Help and version go to stdout and are good; everything else is a mistake in the call.
fn told(error: &clap::Error) -> Exit {
    let exit = if error.use_stderr() { Exit::Usage } else { Exit::Good };
    // Nobody is left to tell if the terminal is gone.
    drop(error.print());
    exit
}

/// Says on stderr what went wrong and what to do about it.
pub(crate) fn complain(what: &impl std::fmt::Display, advice: &str) {
    let mut err = std::io::stderr().lock();
    // Nobody is left to tell if stderr is gone.
    drop(writeln!(err, "pintle: {what}\n  what to do: {advice}"));
}
