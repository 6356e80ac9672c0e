//! The way to the servers of a cluster while names fail: for each connection they are asked for anew, within 5 s and
//! with one question at a time, and where nobody answers the address counts that was found last (source: fault 63).
//! Whoever is there must have the certificate for the name.

use super::super::names::{NAMES_WAIT, Resolver, answered};
use async_nats::{ConnectOptions, ReconnectToServer, Server};
use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// What is configured, and where it was found.
pub(super) struct Way {
    servers: Vec<String>,
    resolver: Resolver,
    wait: Duration,
    found: Vec<Found>,
}

struct Found {
    host: String,
    port: u16,
    addresses: Vec<IpAddr>,
}

impl Way {
    /// Asks for the names of `servers` (`host:port`); `None` if there are only names and nothing is known of any.
    pub(super) async fn to(servers: &[String], answer_wait: Duration) -> Option<Self> {
        let (resolver, wait) = (Resolver::default(), NAMES_WAIT.min(answer_wait / 4));
        let mut found = Vec::new();
        let mut numbers = false;
        for server in servers {
            // One silence is enough to know that nobody answers.
            let wait = if found.iter().all(|it: &Found| it.addresses.is_empty()) { wait } else { wait / 4 };
            match server.rsplit_once(':').and_then(|(host, port)| Some((host, port.parse().ok()?))) {
                Some((host, port)) if host.trim_matches(['[', ']']).parse::<IpAddr>().is_err() => {
                    let addresses = resolver.ask_or_remember(host, wait).await;
                    found.push(Found { host: host.to_owned(), port, addresses });
                }
                _ => numbers = true,
            }
        }
        let known = numbers || found.iter().any(|it| !it.addresses.is_empty());
        known.then(|| Self { servers: servers.to_vec(), resolver, wait, found })
    }

    /// Which name a certificate must be for at which address.
    pub(super) fn names(&self) -> BTreeMap<IpAddr, String> {
        let all = self.found.iter().flat_map(|it| it.addresses.iter().map(|address| (*address, it.host.clone())));
        all.collect()
    }

    /// As the client wants them: what is configured, and the addresses behind the names.
    pub(super) fn servers(&self, scheme: &str) -> Vec<String> {
        let addresses = self
            .found
            .iter()
            .flat_map(|it| it.addresses.iter().map(|address| SocketAddr::new(*address, it.port).to_string()));
        self.servers.iter().cloned().chain(addresses).map(|server| format!("{scheme}://{server}")).collect()
    }

    /// Lets the client use an address while no name is answered. Where names are answered it chooses for itself.
    pub(super) fn guard(&self, options: ConnectOptions) -> ConnectOptions {
        let Some(host) = self.found.first().map(|it| it.host.clone()) else { return options };
        let (resolver, wait) = (self.resolver.clone(), self.wait);
        // The first time the names were asked for just now.
        let just_asked = Arc::new(AtomicBool::new(true));
        options.reconnect_to_server_callback(move |servers, _| {
            let (resolver, host, just_asked) = (resolver.clone(), host.clone(), Arc::clone(&just_asked));
            async move {
                let wait = if just_asked.swap(false, Ordering::Relaxed) { wait / 4 } else { wait };
                let (_, found) = resolver.ask(&host, wait).await;
                if found.is_empty() { nearest_number(&servers) } else { None }
            }
        })
    }

    /// The cluster answered: where its names were found counts while they are not found.
    pub(super) fn answered(&self) {
        for it in &self.found {
            if let Some(address) = it.addresses.first() {
                answered(&it.host, *address);
            }
        }
    }
}

/// Of the servers that are known by their address the one that failed least.
fn nearest_number(servers: &[Server]) -> Option<ReconnectToServer> {
    let is_number = |server: &&Server| server.addr.host().trim_matches(['[', ']']).parse::<IpAddr>().is_ok();
    let nearest = servers.iter().filter(is_number).min_by_key(|server| server.failed_attempts)?;
    Some(ReconnectToServer { addr: nearest.addr.clone(), delay: None })
}
