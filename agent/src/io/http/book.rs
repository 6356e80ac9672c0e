//! Where a name answered last. For each new connection the name is asked for anew, within 5 s and with one question at
//! a time; where the name server says nothing, or that there is no such name, the address counts at which the receiver
//! answered last. Who is there is proven by the certificate, never by the address.

use crate::io::names::{NAMES_WAIT, Resolver};
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

/// One client's way to addresses.
#[derive(Clone, Debug)]
pub(super) struct Book {
    resolver: Resolver,
    wait: Duration,
}

impl Book {
    /// For connections that must stand within `connect_wait`: half of it is left for the connection itself.
    pub(super) fn new(connect_wait: Duration) -> Self {
        Self { resolver: Resolver::default(), wait: NAMES_WAIT.min(connect_wait / 2) }
    }
}

impl Resolve for Book {
    fn resolve(&self, name: Name) -> Resolving {
        let (resolver, wait) = (self.resolver.clone(), self.wait);
        Box::pin(async move {
            let found = resolver.ask_or_remember(name.as_str(), wait).await;
            let addresses: Vec<SocketAddr> = found.into_iter().map(|it| SocketAddr::new(it, 0)).collect();
            if addresses.is_empty() {
                return Err(io::Error::other("the name does not resolve").into());
            }
            let addresses: Addrs = Box::new(addresses.into_iter());
            Ok(addresses)
        })
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::io::names::answered;
    use std::net::IpAddr;

    #[tokio::test]
    async fn fault_63_where_no_name_server_answers_the_address_counts_that_answered_last() {
        // Source: RFC 6761: no name below "invalid" ever resolves.
        let ask = |host: &str| Book::new(Duration::from_mins(2)).resolve(host.parse().unwrap());
        assert!(ask("receiver.invalid").await.is_err());
        answered("receiver.invalid", IpAddr::from([192, 0, 2, 7]));
        let found: Vec<SocketAddr> = ask("receiver.invalid").await.unwrap().collect();
        assert_eq!(found, [SocketAddr::from(([192, 0, 2, 7], 0))]);
        assert!(ask("another.invalid").await.is_err(), "it counts for its own name only");
        answered("receiver.invalid", IpAddr::from([192, 0, 2, 8]));
        let found: Vec<SocketAddr> = ask("receiver.invalid").await.unwrap().collect();
        assert_eq!(found, [SocketAddr::from(([192, 0, 2, 8], 0))], "the newest");
        // What the name server says comes first.
        answered("localhost", IpAddr::from([192, 0, 2, 9]));
        let found: Vec<SocketAddr> = ask("localhost").await.unwrap().collect();
        assert!(found.iter().all(|address| address.ip().is_loopback()), "{found:?}");
    }
}
