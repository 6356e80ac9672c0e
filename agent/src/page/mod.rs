//! `pintle page`: shows the health folder in a browser, and does what a person at the trailer does. A process of its
//! own: it reads those files, speaks to the control socket, and has no way to the queue.
//!
//! It is a program of its own too, `pintle-page`; `handover` is how `pintle page` becomes that.
//!
//! `gate` (who sees what) stands before `files` (what is shown) and `deeds` (what can be done); `pin`, `tries`,
//! `sessions` and `tokens` are its keys; `server` is the HTTP end.

mod deeds;
mod files;
mod form;
mod gate;
mod guests;
mod handover;
mod pin;
mod server;
mod sessions;
mod state;
mod tls;
mod tokens;
mod tries;

use crate::clock;
use crate::exit::Exit;
use gate::{Gate, Places};
use pin::Pin;
use pintle_core::ids::printable;
use state::StateError;
use std::io::{IsTerminal as _, Write};
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokens::Purpose;
use tokio::net::{TcpListener, TcpSocket};
use tokio::signal::unix::{SignalKind, signal};
use tokio_rustls::TlsAcceptor;

/// What is said before the PIN if the owner says nothing. Source: the elements of CJIS AC-8, in our own words.
const NOTICE: &str = "This is a restricted system. Its use is recorded and misuse can be punished. Going on means that \
                      you consent.";
/// Longest notice, characters (our own limit: a phone's screen).
const NOTICE_CHARS_MAX: usize = 1200;

/// Show the health files as a page in a browser, and let a person do what is due.
#[derive(Clone, Debug, clap::Args)]
pub struct PageArgs {
    #[command(subcommand)]
    command: Option<PageCommand>,
    /// The agent's health folder.
    #[arg(long, value_name = "DIR", default_value = "/run/pintle/health")]
    health: PathBuf,
    /// The folder that anybody may see; without it `public` beside the health folder.
    #[arg(long, value_name = "DIR")]
    public: Option<PathBuf>,
    /// The agent's control socket; without it `control.sock` beside the health folder.
    #[arg(long, value_name = "PATH")]
    control: Option<PathBuf>,
    /// The page's own folder: PIN, wrong tries, certificate, tokens.
    #[arg(long, value_name = "DIR", default_value = "/var/lib/pintle-page", global = true)]
    state: PathBuf,
    /// Address to listen on. Off loopback it needs --tether, and speaks TLS. Port 0 takes a free one and tells it.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7480")]
    listen: SocketAddr,
    /// Interface of the hotspot, on which the page is never shown; "none" if there is none.
    #[arg(long, value_name = "INTERFACE")]
    tether: Option<String>,
    /// Speak TLS on loopback too.
    #[arg(long)]
    tls: bool,
    /// Certificate to show instead of the page's own, PEM.
    #[arg(long, value_name = "FILE", requires = "tls_key", global = true)]
    tls_cert: Option<PathBuf>,
    /// Its key, PEM.
    #[arg(long, value_name = "FILE", requires = "tls_cert", global = true)]
    tls_key: Option<PathBuf>,
    /// Text file with what is said before the PIN.
    #[arg(long, value_name = "FILE")]
    notice: Option<PathBuf>,
}

#[derive(Clone, Debug, clap::Subcommand)]
enum PageCommand {
    /// Set a new PIN of 8 digits and show it once. It ends all open pages.
    Pin {
        /// Also ask for a code of an authenticator program.
        #[arg(long)]
        second: bool,
        /// Print it even if that is no terminal: whoever reads the pipe or the log then has it.
        #[arg(long)]
        anywhere: bool,
    },
    /// Make a token for a machine and show it once. It replaces the one before.
    Token {
        /// For what.
        purpose: Purpose,
    },
}

/// Why the page can't be served.
#[derive(Debug, thiserror::Error)]
enum PageError {
    #[error("{0} is every address of this computer, that of the hotspot too")]
    Everywhere(SocketAddr),
    #[error("{0} is not a loopback address, and nobody has said which interface is the hotspot's")]
    NoTether(SocketAddr),
    #[error("{address} is an address of {tether}, the hotspot's interface")]
    Tether { address: SocketAddr, tether: String },
    #[error("a PIN is shown at a terminal only, and this output is none: a file or a log would keep it")]
    NoTerminal,
    #[error("can't listen on {address}: {source}")]
    Listen { address: SocketAddr, source: std::io::Error },
    #[error("the notice {path} can't be read: {source}", path = path.display())]
    Notice { path: PathBuf, source: std::io::Error },
    #[error(transparent)]
    State(#[from] StateError),
    #[error("the page server can't start: {0}")]
    Start(#[from] std::io::Error),
}

impl PageError {
    fn advice(&self) -> &'static str {
        match self {
            Self::Everywhere(_) => "name one address of the trailer's own network, or 127.0.0.1",
            Self::NoTether(_) => {
                "name it with --tether INTERFACE (or none), or listen on 127.0.0.1 or [::1] and use an SSH tunnel"
            }
            Self::Tether { .. } => "listen on an address of the trailer's own network, or on 127.0.0.1",
            Self::NoTerminal => "run it at a terminal (ssh -t from afar), or say --anywhere if you know where it goes",
            Self::Listen { .. } => "is another page running? take another port with --listen, or port 0 for a free one",
            Self::Notice { .. } => "name a text file that the page's user may read, or leave --notice out",
            Self::State(error) => error.advice(),
            Self::Start(_) => "look at the limits of the page's user (open files, processes)",
        }
    }

    fn exit(&self) -> Exit {
        match self {
            Self::Everywhere(_) | Self::NoTether(_) | Self::Tether { .. } | Self::NoTerminal => Exit::Usage,
            _ => Exit::Config,
        }
    }
}

/// `pintle-page` on its own command line.
#[derive(Debug, clap::Parser)]
#[command(name = "pintle-page", version, about = "Show the health files of a trailer as a page in a browser")]
#[command(max_term_width = 100, after_help = "Exit codes: 0 good, 64 usage, 78 configuration.")]
struct Alone {
    #[command(flatten)]
    args: PageArgs,
}

/// The whole of `pintle-page`.
#[must_use]
pub fn main() -> Exit {
    match <Alone as clap::Parser>::try_parse() {
        Ok(alone) => serve(&alone.args, &mut std::io::stdout()),
        Err(error) => {
            // Nobody is left to tell if the terminal is gone.
            drop(error.print());
            if error.use_stderr() { Exit::Usage } else { Exit::Good }
        }
    }
}

/// `pintle page`: becomes `pintle-page` if that lies beside this program, else serves by itself.
pub fn page(args: &PageArgs, out: &mut dyn Write) -> Exit {
    if args.command.is_none() {
        let why = handover::hand_over();
        tell(&format!("{why}; so this program serves the page, with twice the memory\n  what to do: {}", why.advice()));
    }
    serve(args, out)
}

/// A line for the journal: who came in, who did not, and what is wrong with the page's own folder.
fn tell(line: &str) {
    // Nobody is left to tell if stderr is gone.
    drop(writeln!(std::io::stderr().lock(), "pintle page: {line}"));
}

/// Serves until it is told to stop, or does what the command says.
fn serve(args: &PageArgs, out: &mut dyn Write) -> Exit {
    let done = match &args.command {
        None => run(args, out),
        Some(PageCommand::Pin { second, anywhere }) => {
            if *anywhere || std::io::stdout().is_terminal() {
                set_pin(args, *second, out)
            } else {
                Err(PageError::NoTerminal)
            }
        }
        Some(PageCommand::Token { purpose }) => token(args, *purpose, out),
    };
    match done {
        Ok(()) => Exit::Good,
        Err(error) => {
            tell(&format!("{error}\n  what to do: {}", error.advice()));
            error.exit()
        }
    }
}

fn set_pin(args: &PageArgs, second: bool, out: &mut dyn Write) -> Result<(), PageError> {
    let shown = Pin::make(&args.state, second, clock::utc())?;
    let (cert, _) = tls::files(&args.state, given(args), args.listen.ip())?;
    let fingerprint = tls::fingerprint(&cert)?;
    let (first, last) = shown.pin.split_at(4);
    writeln!(out, "PIN of this trailer's page, shown once: {first} {last}\nOpen pages are shut by it.\n")?;
    if let Some(secret) = shown.second {
        writeln!(
            out,
            "Second factor, for an authenticator program, shown once:\n  {secret}\n  \
             otpauth://totp/Pintle?secret={secret}&issuer=Pintle\n"
        )?;
    }
    writeln!(out, "Certificate of the page, SHA-256; compare it with what the browser shows:\n  {fingerprint}")?;
    Ok(out.flush()?)
}

fn token(args: &PageArgs, purpose: Purpose, out: &mut dyn Write) -> Result<(), PageError> {
    let token = tokens::make(&args.state, purpose)?;
    writeln!(out, "{token}")?;
    Ok(out.flush()?)
}

fn given(args: &PageArgs) -> Option<(PathBuf, PathBuf)> {
    args.tls_cert.clone().zip(args.tls_key.clone())
}

fn run(args: &PageArgs, out: &mut dyn Write) -> Result<(), PageError> {
    let address = allowed(args.listen, args.tether.as_deref())?;
    let tls = args.tls || args.tls_cert.is_some() || !address.ip().is_loopback();
    let acceptor = if tls {
        let (cert, key) = tls::files(&args.state, given(args), address.ip())?;
        Some(TlsAcceptor::from(tls::config(&cert, &key)?))
    } else {
        None
    };
    let beside = |name: &str| args.health.parent().unwrap_or(Path::new("/")).join(name);
    let places = Places {
        public: args.public.clone().unwrap_or_else(|| beside("public")),
        control: args.control.clone().unwrap_or_else(|| beside("control.sock")),
        health: args.health.clone(),
        state: args.state.clone(),
        notice: notice(args.notice.as_deref())?,
        tls,
    };
    // Three may hang at a share, the rest are for a PIN and deeds; each costs memory.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(6).build()?;
    let served = runtime.block_on(async {
        let listen = |source| PageError::Listen { address, source };
        let listener = bind(address).map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        let scheme = if tls { "https" } else { "http" };
        // Whoever started this may have closed stdout; the port tells the same.
        drop(writeln!(out, "page on {scheme}://{address}/").and_then(|()| out.flush()));
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let served = server::Served { gate: Arc::new(Gate::new(places)), address: address.ip(), tls: acceptor };
        // A page that is half sent when the server stops is loaded again by its reader; there is nothing to finish.
        tokio::select! {
            () = server::serve(listener, served) => {}
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        Ok(())
    });
    // A thread that hangs at a share must not keep the process from ending.
    runtime.shutdown_timeout(Duration::from_millis(500));
    served
}

/// Connections that wait to be taken (our own limit: few people look at one trailer).
const BACKLOG: u32 = 64;

/// Off loopback the listener is tied to the interface that has the address: else the system would also take what comes
/// for it by another interface, the hotspot's among them. Source: RFC 1122 section 3.3.4.2, the weak host model.
fn bind(address: SocketAddr) -> std::io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    socket.set_reuseaddr(true)?;
    if !address.ip().to_canonical().is_loopback() {
        let ip = address.ip().to_canonical();
        let own = nix::ifaddrs::getifaddrs()?.find(|one| ip_of(one) == Some(ip));
        let own = own.ok_or_else(|| std::io::Error::from(std::io::ErrorKind::AddrNotAvailable))?;
        socket.bind_device(Some(own.interface_name.as_bytes()))?;
    }
    socket.bind(address)?;
    socket.listen(BACKLOG)
}

/// Loopback, or one address that is not the hotspot's.
fn allowed(address: SocketAddr, tether: Option<&str>) -> Result<SocketAddr, PageError> {
    let ip = address.ip().to_canonical();
    if ip.is_loopback() {
        return Ok(address);
    }
    if ip.is_unspecified() {
        return Err(PageError::Everywhere(address));
    }
    let tether = tether.ok_or(PageError::NoTether(address))?;
    let addresses = nix::ifaddrs::getifaddrs().map_err(|error| PageError::Start(error.into()))?;
    let mut of_tether = addresses.filter(|one| one.interface_name == tether).filter_map(|one| ip_of(&one));
    if of_tether.any(|own| own == ip) {
        return Err(PageError::Tether { address, tether: printable(tether, 15) });
    }
    Ok(address)
}

fn ip_of(one: &nix::ifaddrs::InterfaceAddress) -> Option<IpAddr> {
    let address = one.address.as_ref()?;
    let v4 = address.as_sockaddr_in().map(|v4| IpAddr::V4(v4.ip()));
    v4.or_else(|| address.as_sockaddr_in6().map(|v6| IpAddr::V6(v6.ip())))
}

fn notice(path: Option<&Path>) -> Result<String, PageError> {
    let Some(path) = path else { return Ok(NOTICE.to_owned()) };
    let text = std::fs::read_to_string(path);
    let text = text.map_err(|source| PageError::Notice { path: path.to_owned(), source })?;
    let words: Vec<&str> = text.split_whitespace().collect();
    Ok(printable(&words.join(" "), NOTICE_CHARS_MAX))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn the_page_is_never_on_every_address_nor_on_the_hotspots_side() {
        let told = |address: &str, tether: Option<&str>| allowed(address.parse().unwrap(), tether);
        assert!(told("127.0.0.1:0", None).is_ok() && told("[::1]:0", None).is_ok());
        for everywhere in ["0.0.0.0:0", "[::]:0", "[::ffff:0.0.0.0]:0"] {
            assert!(matches!(told(everywhere, Some("none")), Err(PageError::Everywhere(_))), "{everywhere}");
        }
        assert!(matches!(told("192.0.2.7:0", None), Err(PageError::NoTether(_))));
        assert!(told("192.0.2.7:0", Some("none")).is_ok());
        let addresses = nix::ifaddrs::getifaddrs().unwrap();
        let own = addresses.filter_map(|one| Some((ip_of(&one)?, one.interface_name)));
        for (ip, interface) in own.filter(|(ip, _)| !ip.is_loopback()) {
            let refused = allowed(SocketAddr::new(ip, 0), Some(&interface));
            assert!(matches!(refused, Err(PageError::Tether { .. })), "{ip} on {interface}");
        }
    }
}
