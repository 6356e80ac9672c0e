//! `pintle page`: shows the health folder in a browser of the same computer. A process of its own: it reads those
//! files and
//! nothing else, and has no way to the queue.

mod files;
mod server;

use crate::exit::Exit;
use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};

/// Show the health files as a page in a browser of this computer.
#[derive(Clone, Debug, clap::Args)]
pub struct PageArgs {
    /// The agent's health folder.
    #[arg(long, value_name = "DIR", default_value = "/run/pintle/health")]
    health: PathBuf,
    /// Address to listen on; only loopback. Port 0 takes a free one and tells it.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7480")]
    listen: SocketAddr,
}

/// Why the page can't be served.
#[derive(Debug, thiserror::Error)]
enum PageError {
    #[error("{0} is not a loopback address, and the page has no lock yet")]
    OffLoopback(SocketAddr),
    #[error("can't listen on {address}: {source}")]
    Listen { address: SocketAddr, source: std::io::Error },
    #[error("the page server can't start: {0}")]
    Start(#[from] std::io::Error),
}

impl PageError {
    fn advice(&self) -> &'static str {
        match self {
            Self::OffLoopback(_) => "listen on 127.0.0.1 or [::1], and reach it through an SSH tunnel",
            Self::Listen { .. } => "is another page running? take another port with --listen, or port 0 for a free one",
            Self::Start(_) => "look at the limits of the page's user (open files, processes)",
        }
    }
}

/// Serves until it is told to stop.
pub fn page(args: &PageArgs, out: &mut dyn Write) -> Exit {
    match run(args, out) {
        Ok(()) => Exit::Good,
        Err(error) => {
            // Nobody is left to tell if stderr is gone.
            drop(writeln!(std::io::stderr().lock(), "pintle page: {error}\n  what to do: {}", error.advice()));
            if matches!(error, PageError::OffLoopback(_)) { Exit::Usage } else { Exit::Config }
        }
    }
}

fn run(args: &PageArgs, out: &mut dyn Write) -> Result<(), PageError> {
    if !args.listen.ip().is_loopback() {
        return Err(PageError::OffLoopback(args.listen));
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(2).build()?;
    runtime.block_on(async {
        let listen = |source| PageError::Listen { address: args.listen, source };
        let listener = TcpListener::bind(args.listen).await.map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        // Whoever started this may have closed stdout; the port tells the same.
        drop(writeln!(out, "page on http://{address}/").and_then(|()| out.flush()));
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        // A page that is half sent when the server stops is loaded again by its reader; there is nothing to finish.
        tokio::select! {
            () = server::serve(listener, args.health.clone()) => {}
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        Ok(())
    })
}
