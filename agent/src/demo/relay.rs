//! The simulated tether: a relay between the trailer and the receiver that can be cut and mended.

use std::net::SocketAddr;
use std::sync::Arc;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;

/// Passes bytes on while it is whole; while it is cut, open connections break and new ones are closed at once.
pub(super) struct Relay {
    address: SocketAddr,
    whole: watch::Sender<bool>,
}

impl Relay {
    /// Listens on a free loopback port and passes all on to `target`.
    pub(super) async fn start(target: SocketAddr) -> std::io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0)).await?;
        let address = listener.local_addr()?;
        let (whole, watched) = watch::channel(true);
        tokio::spawn(run(listener, target, watched));
        Ok(Self { address, whole })
    }

    /// Where the trailer connects to.
    pub(super) fn address(&self) -> SocketAddr {
        self.address
    }

    /// Cuts or mends the tether.
    pub(super) fn set_whole(&self, whole: bool) {
        self.whole.send_replace(whole);
    }
}

async fn run(listener: TcpListener, target: SocketAddr, watched: watch::Receiver<bool>) {
    let watched = Arc::new(watched);
    let mut connections = JoinSet::new();
    loop {
        while connections.try_join_next().is_some() {}
        let Ok((near, _)) = listener.accept().await else { return };
        if !*watched.borrow() {
            continue;
        }
        let mut cut = (*watched).clone();
        connections.spawn(async move {
            let mut near = near;
            let Ok(mut far) = TcpStream::connect(target).await else { return };
            tokio::select! {
                _ = copy_bidirectional(&mut near, &mut far) => {}
                _ = cut.wait_for(|whole| !whole) => {}
            }
        });
    }
}
