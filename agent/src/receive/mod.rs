//! `pintle receive`: the agency's end. It takes batches of events, keeps each event once, answers with receipts after
//! the commit, and proves what is here, what the trailer's ledger explains and what is missing.
//!
//! A process of its own: it shares the wire types with the agent, and neither its store nor its actors.

pub mod account;
pub mod asks;
mod beside;
pub mod blocks;
pub mod broker;
pub mod check;
pub mod content;
pub mod courier;
pub mod export;
pub mod fleet;
mod held;
pub mod hold;
pub mod http;
mod images;
pub mod ledger;
pub mod lived;
pub mod metrics;
pub mod mqtt;
pub mod nats;
mod past;
mod places;
pub mod report;
pub mod retain;
pub mod schema;
pub mod sealed;
pub mod server;
pub mod settle;
pub mod store;
pub mod stream;
pub mod tail;
pub mod tell;
pub mod timed;
pub mod tls;
pub mod tokens;
pub mod untold;
pub mod watching;
pub mod write;

use crate::clock;
use crate::exit::Exit;
use crate::io::access::Access;
use crate::io::mqtt::Place;
use crate::io::target::{Address, address};
use crate::io::tls::TlsTime;
use crate::seal::{Opener, read_private};
use account::Account;
use http::Limits;
use mqtt::MqttSetup;
use nats::NatsSetup;
use report::Report;
use retain::Keep;
use server::{ReceiveError, Receiver, ReceiverSetup};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tell::{TellSetup, Teller, Whom};
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
    #[command(flatten)]
    brokers: BrokerArgs,
    #[command(flatten)]
    people: PeopleArgs,
    /// Make this folder (the mounted stick) a courier's stick, print the public key that trailers need, and end.
    #[arg(long, value_name = "FOLDER")]
    courier_init: Option<PathBuf>,
    /// Take what trailers wrote on the courier's stick mounted here, write the receipts on it, and end: 0 all was
    /// taken, 1 something was left on it.
    #[arg(long, value_name = "FOLDER", requires = "courier_keys")]
    import: Option<PathBuf>,
    /// The trailers' public keys, lines `<trailer> ed25519:<base64>`, as `pintle courier key` prints them.
    #[arg(long, value_name = "FILE")]
    courier_keys: Option<PathBuf>,
    /// Write the address that trailers send to into this file once it listens.
    #[arg(long, value_name = "FILE")]
    pub announce: Option<PathBuf>,
    /// Private key of the agency (made by `pintle key new`): sealed reads are opened with it and stored in clear. May
    /// be given several times.
    #[arg(long, value_name = "FILE")]
    pub key: Vec<PathBuf>,
    #[command(flatten)]
    keep: KeepArgs,
    /// Print the account of the folder and end: 0 complete, 1 numbers are missing, 2 something is raised, 3 unreadable.
    #[arg(long, conflicts_with_all = ["tls_cert", "tls_key", "client_ca", "token_file", "tokens", "announce"])]
    pub report: bool,
    /// Print the account as JSON.
    #[arg(long, requires = "report")]
    pub json: bool,
}

/// How long reads stay.
#[derive(Clone, Debug, clap::Args)]
struct KeepArgs {
    /// Age limit of ordinary reads from their capture, 3m to 1096d, like 90d; without it nothing is let go.
    #[arg(long, value_name = "TIME", value_parser = age_limit)]
    keep: Option<u64>,
    /// Age limit of hits, if another.
    #[arg(long, value_name = "TIME", requires = "keep", value_parser = age_limit)]
    hit_keep: Option<u64>,
    /// How long ids of reads that went are remembered as keyed hashes, to know repeats.
    #[arg(long, value_name = "TIME", default_value = "30d", value_parser = pintle_core::span::seconds)]
    dedupe_keep: u64,
}

impl KeepArgs {
    fn limits(&self) -> Option<Keep> {
        let other_s = self.keep?;
        let ms = |s: u64| s.saturating_mul(1000);
        let hit_ms = ms(self.hit_keep.unwrap_or(other_s));
        Some(Keep { other_ms: ms(other_s), hit_ms, dedupe_ms: ms(self.dedupe_keep) })
    }
}

fn age_limit(text: &str) -> Result<u64, String> {
    let s = pintle_core::span::seconds(text)?;
    let fits = retain::KEEP_S.contains(&s);
    if fits { Ok(s) } else { Err("an age limit is 3m to 1096d (36 months)".to_owned()) }
}

/// Who is told of what is urgent.
#[derive(Clone, Debug, clap::Args)]
struct PeopleArgs {
    /// Tell each hit, alarm and silent trailer to this webhook (https://…), or to this program: a whole path and its
    /// fixed arguments, the event on its standard input. What can't be told is tried again, see --on-urgent-for.
    #[arg(long, value_name = "URL|COMMAND", value_parser = Whom::parse)]
    on_urgent: Option<Whom>,
    /// File with the bearer token for the webhook.
    #[arg(long, value_name = "FILE", requires = "on_urgent")]
    on_urgent_token_file: Option<PathBuf>,
    /// Authorities (PEM) for the webhook instead of the system's.
    #[arg(long, value_name = "FILE", requires = "on_urgent")]
    on_urgent_ca: Option<PathBuf>,
    /// After so long one thing is given up and the next one told, for example 24h; who was told what, and what was
    /// given up, is in the audit. (Our own default: whoever was not there for a day is told by the survey.)
    #[arg(long, value_name = "TIME", default_value = "24h", requires = "on_urgent", value_parser = pintle_core::span::seconds)]
    on_urgent_for: u64,
    /// After so many seconds without a word a trailer is called silent, and that is raised.
    #[arg(long, value_name = "SECONDS", default_value_t = 900, value_parser = clap::value_parser!(u64).range(1..=604_800))]
    silent_s: u64,
}

impl PeopleArgs {
    fn teller(&self, folder: &Path, service: &http::Service) -> Result<Option<Teller>, ReceiveError> {
        let Some(whom) = self.on_urgent.clone() else { return Ok(None) };
        let token = self.on_urgent_token_file.as_deref().map(tls::token).transpose()?;
        let (ca, folder, store) = (self.on_urgent_ca.clone(), folder.to_owned(), service.store().clone());
        let give_up_ms = self.on_urgent_for.saturating_mul(1000);
        Teller::new(TellSetup { whom, token, ca, folder, store, give_up_ms }).map(Some)
    }
}

/// From where events come beside the listening address.
#[derive(Clone, Debug, clap::Args)]
struct BrokerArgs {
    /// Take events from this NATS cluster too: tls://HOST:PORT,HOST:PORT, or nats:// on this computer.
    #[arg(long, value_name = "URL")]
    nats: Option<String>,
    /// Name of the stream.
    #[arg(long, value_name = "NAME", default_value = "PINTLE", requires = "nats")]
    nats_stream: String,
    /// Make the stream with this many replicas if it is not there.
    #[arg(long, value_name = "REPLICAS", requires = "nats", value_parser = clap::value_parser!(u8).range(1..=5))]
    nats_make_stream: Option<u8>,
    /// Take events from this MQTT 5 broker too: mqtts://HOST:PORT, or mqtt:// on this computer.
    #[arg(long, value_name = "URL")]
    mqtt: Option<String>,
    /// First part of subjects and topics.
    #[arg(long, value_name = "NAME", default_value = "pintle")]
    subject: String,
    /// Authority (PEM) that signed the broker's certificate.
    #[arg(long, value_name = "FILE")]
    broker_ca: Option<PathBuf>,
    /// Certificate (PEM) to show to the broker.
    #[arg(long, value_name = "FILE", requires = "broker_key")]
    broker_cert: Option<PathBuf>,
    /// Its key (PEM).
    #[arg(long, value_name = "FILE", requires = "broker_cert")]
    broker_key: Option<PathBuf>,
    /// NATS credentials.
    #[arg(long, value_name = "FILE")]
    broker_credentials: Option<PathBuf>,
    /// Token (NATS) or password (MQTT) for the broker.
    #[arg(long, value_name = "FILE")]
    broker_token: Option<PathBuf>,
}

impl BrokerArgs {
    fn nats(&self) -> Result<Option<NatsSetup>, ReceiveError> {
        let Some(url) = &self.nats else { return Ok(None) };
        match address(url) {
            Ok(Address::Nats { servers, tls }) => Ok(Some(NatsSetup {
                servers,
                tls,
                access: self.access(),
                prefix: self.subject.clone(),
                stream: self.nats_stream.clone(),
                make_stream: self.nats_make_stream.map(usize::from),
            })),
            Ok(_) => Err(ReceiveError::Broker("--nats names no NATS servers")),
            Err((what, _)) => Err(ReceiveError::Broker(what)),
        }
    }

    fn mqtt(&self) -> Result<Option<MqttSetup>, ReceiveError> {
        let Some(url) = &self.mqtt else { return Ok(None) };
        match address(url) {
            Ok(Address::Mqtt { host, port, tls }) => Ok(Some(MqttSetup {
                place: Place { host, port, tls },
                access: self.access(),
                prefix: self.subject.clone(),
            })),
            Ok(_) => Err(ReceiveError::Broker("--mqtt names no MQTT broker")),
            Err((what, _)) => Err(ReceiveError::Broker(what)),
        }
    }

    fn access(&self) -> Access {
        Access {
            ca_file: self.broker_ca.clone(),
            client_cert_file: self.broker_cert.clone(),
            client_key_file: self.broker_key.clone(),
            token_file: self.broker_token.clone(),
            credentials_file: self.broker_credentials.clone(),
            answer_wait: BROKER_WAIT,
            time: TlsTime::of_host(),
        }
    }
}

/// A connection to a broker must stand within this (our own choice).
const BROKER_WAIT: Duration = Duration::from_secs(10);

/// What else the receiver's people do.
#[derive(Clone, Debug, clap::Subcommand)]
enum ReceiveCommand {
    /// Write reads for a case into a file, NDJSON or CSV. It is written into the audit (folder audit beside the
    /// database).
    Export(export::ExportArgs),
    /// Keep reads past their age limit for a case, renew or end that; also while a receiver runs on the folder.
    Hold(hold::HoldArgs),
    /// Ask a trailer for something with the next receipts.
    Ask(asks::AskArgs),
    /// Settle what is raised: somebody has looked at it. It stays in the record; what comes after it is raised anew.
    Settle(settle::SettleArgs),
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
        (Some(ReceiveCommand::Export(args)), _) => export_reads(args),
        (Some(ReceiveCommand::Hold(args)), _) => hold_reads(args),
        (Some(ReceiveCommand::Ask(args)), _) => ask_trailer(args),
        (Some(ReceiveCommand::Settle(args)), _) => settle_raised(args),
        (None, Some(data)) if args.report => print_report(data, args.json),
        (None, Some(data)) => match (&args.courier_init, &args.import) {
            (Some(folder), _) => courier_init(data, folder),
            (None, Some(folder)) => import(args, data, folder),
            (None, None) => serve(args, data),
        },
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

fn ask_trailer(args: &asks::AskArgs) -> Exit {
    match asks::ask(args, &mut std::io::stdout().lock()) {
        Ok(()) => Exit::Good,
        Err(error) => {
            complain(&error, error.advice());
            if matches!(error, asks::AskError::Asked(_)) { Exit::Usage } else { Exit::Act }
        }
    }
}

fn export_reads(args: &export::ExportArgs) -> Exit {
    match export::export(args) {
        Ok(done) => {
            // The file is there; whoever closed stdout can count its lines.
            drop(writeln!(std::io::stdout().lock(), "{} reads in {}", done.reads, args.out.display()));
            if 0 < done.sealed {
                complain(
                    &format!(
                        "NOT in the file: {} sealed reads of that camera and window (by the hour) that nobody opened here",
                        done.sealed
                    ),
                    "who has the agency's key opens them (docs/RECEIVER.md, Sealed reads); with --key the receiver opens those to come; \
                     --without-sealed says that this is known",
                );
            }
            if 0 < done.unreadable {
                complain(
                    &format!("NOT in the file: {} reads that can't be understood", done.unreadable),
                    "look at the database; whether they belong to the case can't be told",
                );
            }
            let known = done.is_whole() || (args.without_sealed && done.unreadable == 0);
            if known { Exit::Good } else { Exit::Look }
        }
        Err(error) => {
            complain(&error, error.advice());
            if matches!(error, export::ExportError::Asked(_)) { Exit::Usage } else { Exit::Act }
        }
    }
}

fn hold_reads(args: &hold::HoldArgs) -> Exit {
    match hold::hold(args, &mut std::io::stdout().lock()) {
        Ok(()) => Exit::Good,
        Err(error) => {
            complain(&error, error.advice());
            if matches!(error, hold::HoldError::Asked(_)) { Exit::Usage } else { Exit::Act }
        }
    }
}

fn settle_raised(args: &settle::SettleArgs) -> Exit {
    match settle::settle(args, &mut std::io::stdout().lock()) {
        Ok(()) => Exit::Good,
        Err(error) => {
            complain(&error, error.advice());
            if matches!(error, settle::SettleError::Asked(_)) { Exit::Usage } else { Exit::Act }
        }
    }
}

fn courier_init(data: &Path, folder: &Path) -> Exit {
    match courier::init(data, folder) {
        Ok(public) => {
            // Whoever closed stdout finds the key by calling it again.
            drop(writeln!(std::io::stdout().lock(), "{public}"));
            Exit::Good
        }
        Err(error) => {
            complain(&error, error.advice());
            Exit::Config
        }
    }
}

fn import(args: &ReceiveArgs, data: &Path, folder: &Path) -> Exit {
    let keys = args.courier_keys.as_deref();
    let imported = keys.map_or_else(|| Ok(std::collections::BTreeMap::new()), courier::keys).and_then(|keys| {
        let opener = opener(&args.key)?;
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(ReceiveError::Start)?;
        runtime.block_on(courier::import(data, folder, &keys, opener))
    });
    let done = match imported {
        Ok(done) => done,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Config;
        }
    };
    for left in &done.left {
        complain(left, "it stays on the stick: ask where it came from before you trust or delete it");
    }
    // Whoever closed stdout finds the same in the report.
    drop(writeln!(
        std::io::stdout().lock(),
        "taken: {} batches; stored {} events, {} were here already, {} refused; left on the stick: {} files",
        done.batches,
        done.stored,
        done.duplicates,
        done.refused,
        done.left.len()
    ));
    if done.left.is_empty() { Exit::Good } else { Exit::Look }
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
    let (nats, mqtt) = (args.brokers.nats()?, args.brokers.mqtt()?);
    let token = args.token_file.as_deref().map(tls::token).transpose()?;
    let tls = args.tls_cert.as_deref().zip(args.tls_key.as_deref());
    let tls = tls.map(|(cert, key)| tls::server_config(cert, key, args.client_ca.as_deref())).transpose()?;
    let tokens = args.tokens.as_deref().map(Tokens::open).transpose()?;
    let opener = opener(&args.key)?;
    let (listen, folder, limits) = (args.listen, data.to_owned(), Limits::default());
    let setup = ReceiverSetup { listen, folder, tls, token, tokens, opener, limits };
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
        let service = receiver.service();
        let (store, limits, until) = (service.store().clone(), args.keep.limits(), stop.clone());
        let teller = args.people.teller(data, &service)?;
        let from_brokers = async {
            let from_nats = async {
                if let Some(setup) = nats {
                    nats::run(setup, Arc::clone(&service), stop.clone()).await;
                }
            };
            let from_mqtt = async {
                if let Some(setup) = mqtt {
                    mqtt::run(setup, Arc::clone(&service), stop.clone()).await;
                }
            };
            let watching = watching::run(service.store().clone(), args.people.silent_s, stop.clone());
            let telling = async {
                if let Some(teller) = teller {
                    teller.run(stop.clone()).await;
                }
            };
            tokio::join!(from_nats, from_mqtt, watching, telling);
            drop(service);
        };
        let letting_go = async {
            if let Some(limits) = limits {
                retain::run(store, data.to_owned(), limits, until).await;
            } else {
                tracing::info!("no --keep is given: reads stay until somebody deletes them");
            }
        };
        let serving = receiver.serve(stop.clone());
        let stopping = async {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            stop.cancel();
        };
        tokio::join!(serving, stopping, from_brokers, letting_go);
        Ok(())
    })
}

/// Who opens sealed reads; `None` without a key.
fn opener(files: &[PathBuf]) -> Result<Option<Opener>, ReceiveError> {
    let keys = files.iter().map(|file| read_private(file)).collect::<Result<Vec<_>, _>>()?;
    Ok((!keys.is_empty()).then(|| Opener::new(keys)))
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
