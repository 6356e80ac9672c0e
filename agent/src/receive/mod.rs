//! `pintle receive`: the agency's end. It takes batches of events, keeps each event once, answers with receipts after
//! the commit, and proves what is here, what the trailer's ledger explains and what is missing.
//!
//! A process of its own: it shares the wire types with the agent, and neither its store nor its actors.

pub mod account;
pub mod check;
pub mod content;
pub mod http;
pub mod ledger;
pub mod report;
pub mod schema;
pub mod server;
pub mod store;
pub mod timed;
pub mod tls;
pub mod tokens;
pub mod write;

use crate::clock;
use crate::exit::Exit;
use account::Account;
use http::Limits;
use report::Report;
use server::{ReceiveError, Receiver, ReceiverSetup};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use tokens::Tokens;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// Take events from trailers, answer with receipts, and prove that none is missing.
#[derive(Clone, Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct ReceiveArgs {
    #[command(subcommand)]
    command: Option<ReceiveCommand>,
    /// Address and port to listen on; port 0 takes a free one. Off this host a certificate is needed.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:7410")]
    pub listen: SocketAddr,
    /// Folder of the receiver's database.
    #[arg(long, value_name = "FOLDER", required = true)]
    pub data: Option<PathBuf>,
    /// Certificate chain, PEM.
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    pub tls_cert: Option<PathBuf>,
    /// Private key of the certificate, PEM.
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    pub tls_key: Option<PathBuf>,
    /// Authorities (PEM) of the trailers' certificates: every client must show one, and may send only in the name that
    /// its URI `urn:pintle:trailer:<id>` gives.
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    pub client_ca: Option<PathBuf>,
    /// File with one token for all trailers; beside --tokens it reads the account and sends nothing.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// File with one token for each trailer, which can send in its own name only; see `pintle receive token`.
    #[arg(long, value_name = "FILE")]
    pub tokens: Option<PathBuf>,
    /// Write the address that trailers send to into this file once it listens.
    #[arg(long, value_name = "FILE")]
    pub announce: Option<PathBuf>,
    /// Print the account of the folder and end: 0 complete, 1 numbers are missing, 2 something is raised, 3 unreadable.
    #[arg(long, conflicts_with_all = ["tls_cert", "tls_key", "client_ca", "token_file", "tokens", "announce"])]
    pub report: bool,
    /// Print the account as JSON.
    #[arg(long, requires = "report")]
    pub json: bool,
}

/// What else the receiver's people do.
#[derive(Clone, Debug, clap::Subcommand)]
enum ReceiveCommand {
    /// Make a token for one trailer: prints the token, which goes to the trailer, and its line for the file of
    /// --tokens.
    Token {
        /// Name of the trailer (`trailer.id`).
        trailer: String,
    },
}

/// Runs the command.
#[must_use]
pub fn receive(args: &ReceiveArgs) -> Exit {
    match (&args.command, &args.data) {
        (Some(ReceiveCommand::Token { trailer }), _) => make_token(trailer),
        (None, Some(data)) if args.report => print_report(data, args.json),
        (None, Some(data)) => serve(args, data),
        // The command line demands one of them.
        (None, None) => Exit::Usage,
    }
}

fn make_token(trailer: &str) -> Exit {
    let Some((token, line)) = tokens::new_token(trailer) else {
        complain(&"that is no name of a trailer", "use its trailer.id: a-z, 0-9 and -");
        return Exit::Usage;
    };
    let mut out = std::io::stdout().lock();
    let written = writeln!(out, "for the trailer's receiver.token_file, shown only now:\n{token}").and_then(|()| {
        writeln!(out, "for the receiver's file of --tokens:\n{line}")?;
        out.flush()
    });
    if written.is_ok() { Exit::Good } else { Exit::Stale }
}

fn serve(args: &ReceiveArgs, data: &Path) -> Exit {
    match run(args, data) {
        Ok(()) => Exit::Good,
        Err(error) => {
            complain(&error, error.advice());
            if matches!(error, ReceiveError::PlainOffLoopback(_)) { Exit::Usage } else { Exit::Config }
        }
    }
}

fn complain(error: &dyn std::fmt::Display, advice: &str) {
    // Nobody is left to tell if stderr is gone.
    drop(writeln!(std::io::stderr().lock(), "pintle receive: {error}\n  what to do: {advice}"));
}

fn print_report(folder: &Path, json: bool) -> Exit {
    let account = match Account::read(folder, clock::utc()) {
        Ok(account) => account,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Stale;
        }
    };
    let text =
        if json { serde_json::to_string(&account).map(|text| text + "\n") } else { Ok(Report(&account).to_string()) };
    let written = text.map_err(std::io::Error::other).and_then(|text| {
        let mut out = std::io::stdout().lock();
        out.write_all(text.as_bytes())?;
        out.flush()
    });
    if let Err(error) = written {
        complain(&format!("the account can't be written: {error}"), "look at where the output goes");
        return Exit::Stale;
    }
    match (account.complete, account.is_raised()) {
        (true, _) => Exit::Good,
        (false, false) => Exit::Look,
        (false, true) => Exit::Act,
    }
}

fn run(args: &ReceiveArgs, data: &Path) -> Result<(), ReceiveError> {
    // Whoever runs the receiver inside another program has set up logging; then that stays.
    drop(tracing_subscriber::fmt().with_writer(std::io::stderr).with_ansi(false).without_time().try_init());
    let token = args.token_file.as_deref().map(tls::token).transpose()?;
    let tls = args.tls_cert.as_deref().zip(args.tls_key.as_deref());
    let tls = tls.map(|(cert, key)| tls::server_config(cert, key, args.client_ca.as_deref())).transpose()?;
    let tokens = args.tokens.as_deref().map(Tokens::open).transpose()?;
    let setup =
        ReceiverSetup { listen: args.listen, folder: data.to_owned(), tls, token, tokens, limits: Limits::default() };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(4) // parsing, hashing and accounts; the host has few cores
        .build()
        .map_err(ReceiveError::Start)?;
    runtime.block_on(async {
        let stop = CancellationToken::new();
        let mut terminate = signal(SignalKind::terminate()).map_err(ReceiveError::Start)?;
        let mut interrupt = signal(SignalKind::interrupt()).map_err(ReceiveError::Start)?;
        let receiver = Receiver::bind(setup).await?;
        announce(&receiver.url(), args.announce.as_deref())?;
        let serving = receiver.serve(stop.clone());
        let stopping = async {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            stop.cancel();
        };
        tokio::join!(serving, stopping);
        Ok(())
    })
}

/// Tells where trailers send to, on stdout and in a file that is whole as soon as it is there.
fn announce(url: &str, file: Option<&Path>) -> Result<(), ReceiveError> {
    // Whoever started this may have closed stdout; the file and the port tell the same.
    drop(writeln!(std::io::stdout().lock(), "receiving on {url}"));
    let Some(file) = file else { return Ok(()) };
    let told = |error: std::io::Error| ReceiveError::File {
        what: "the announcement",
        path: file.to_owned(),
        detail: error.to_string(),
    };
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut new = tempfile::NamedTempFile::new_in(folder).map_err(told)?;
    writeln!(new, "{url}").map_err(told)?;
    new.persist(file).map_err(|error| told(error.error))?;
    Ok(())
}
