//! Asks for names without ever being held up: the system's resolver works in a thread of its own, one question at a
//! time, and whoever asks waits only so long.
//!
//! A question that the name server left open goes on for ten seconds and more in the system's resolver. Meanwhile the
//! name server may have come back: a new question waits for its turn first, so that it never gets the old one's silence
//! for an answer.

use pintle_core::link::evidence::Names;
use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{Semaphore, oneshot};

/// Addresses of one name that are used (our own limit).
const ADDRESSES_MAX: usize = 8;

/// How long a name may take (source: fault 63 of the catalogue).
pub(super) const NAMES_WAIT: Duration = Duration::from_secs(5);
/// Names that are remembered (our own limit: a trailer has one receiver).
const NAMES_MAX: usize = 16;

/// A client is built anew after troubles, and each lane has its own; what is known of the receiver outlives them.
static LAST_GOOD: Mutex<BTreeMap<String, IpAddr>> = Mutex::new(BTreeMap::new());

/// Remembers that `host` answered from this address, over TLS if it speaks TLS.
pub fn answered(host: &str, address: IpAddr) {
    let mut known = LAST_GOOD.lock().unwrap_or_else(PoisonError::into_inner);
    if known.get(host) == Some(&address) {
        return;
    }
    if NAMES_MAX <= known.len() && !known.contains_key(host) {
        known.clear();
    }
    known.insert(host.to_owned(), address);
}

/// Where `host` answered last.
#[must_use]
pub fn last_good(host: &str) -> Option<IpAddr> {
    LAST_GOOD.lock().unwrap_or_else(PoisonError::into_inner).get(host).copied()
}

/// One thread's worth of asking.
#[derive(Clone, Debug)]
pub struct Resolver {
    turn: Arc<Semaphore>,
}

impl Default for Resolver {
    fn default() -> Self {
        Self { turn: Arc::new(Semaphore::new(1)) }
    }
}

impl Resolver {
    /// Asks for `host`; waits at most `wait` for an answer, and before that at most as long for an earlier question to
    /// end. If that does not, none is put: the name server is silent then.
    pub async fn ask(&self, host: &str, wait: Duration) -> (Names, Vec<IpAddr>) {
        if let Ok(address) = host.parse() {
            return (Names::NotAsked, vec![address]);
        }
        let host = host.to_owned();
        self.look_up(move || (host.as_str(), 0).to_socket_addrs().map(Iterator::collect), wait).await
    }

    /// The addresses of `host`; where the name server says nothing, or that there is no such name, the one at which it
    /// answered last. Who is there is proven by the certificate, never by the address. None if nothing is known.
    pub(super) async fn ask_or_remember(&self, host: &str, wait: Duration) -> Vec<IpAddr> {
        let (_, mut found) = self.ask(host, wait).await;
        if found.is_empty() {
            found.extend(last_good(host));
        }
        found
    }

    /// Waits until no earlier question is open, at most `wait`: what is asked then is asked now.
    pub async fn ready(&self, wait: Duration) {
        drop(tokio::time::timeout(wait, self.turn.acquire()).await);
    }

    async fn look_up(
        &self,
        question: impl FnOnce() -> std::io::Result<Vec<SocketAddr>> + Send + 'static,
        wait: Duration,
    ) -> (Names, Vec<IpAddr>) {
        let turn = tokio::time::timeout(wait, Arc::clone(&self.turn).acquire_owned()).await;
        let Ok(Ok(turn)) = turn else { return (Names::Silent, Vec::new()) };
        let (answer, answered) = oneshot::channel();
        let thread = std::thread::Builder::new().name("names".to_owned()).spawn(move || {
            let told = question();
            drop(turn);
            // Whoever asked may have given up.
            drop(answer.send(told));
        });
        if thread.is_err() {
            return (Names::NotAsked, Vec::new());
        }
        match tokio::time::timeout(wait, answered).await {
            Ok(Ok(Ok(found))) => {
                let mut addresses: Vec<IpAddr> = found.iter().map(SocketAddr::ip).collect();
                addresses.dedup();
                addresses.truncate(ADDRESSES_MAX);
                (if addresses.is_empty() { Names::NotFound } else { Names::Found }, addresses)
            }
            // Source of the words: glibc and musl, `EAI_AGAIN`: "Temporary failure in name resolution", "Try again".
            Ok(Ok(Err(error))) => {
                let text = error.to_string();
                let later = text.contains("emporary") || text.contains("ry again");
                (if later { Names::Silent } else { Names::NotFound }, Vec::new())
            }
            Ok(Err(_)) | Err(_) => (Names::Silent, Vec::new()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Instant;

    #[tokio::test]
    async fn name_server_that_answers_after_30_s_holds_up_nobody_and_takes_one_thread() {
        let resolver = Resolver::default();
        let (hold, held) = std::sync::mpsc::channel::<()>();
        let began = Instant::now();
        let question = move || {
            // Ends with an error when the test lets go.
            held.recv_timeout(Duration::from_secs(30)).ok();
            Ok(Vec::new())
        };
        assert_eq!(resolver.look_up(question, Duration::from_millis(50)).await.0, Names::Silent);
        for _ in 0..100 {
            let never = || -> std::io::Result<Vec<SocketAddr>> { unreachable!("no second thread") };
            assert_eq!(resolver.look_up(never, Duration::from_millis(5)).await.0, Names::Silent);
        }
        assert!(began.elapsed() < Duration::from_secs(25), "nobody waited for the name server");
        // The name server is back and answers the old question at last: the next one waits for its turn and is put.
        let letting_go = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(200));
            drop(hold);
        });
        let address = SocketAddr::from(([192, 0, 2, 7], 0));
        let found = resolver.look_up(move || Ok(vec![address]), Duration::from_secs(30)).await;
        assert_eq!(found, (Names::Found, vec![address.ip()]));
        assert!(letting_go.join().is_ok());
    }

    #[tokio::test]
    async fn number_is_not_asked_for() {
        let (names, addresses) = Resolver::default().ask("2001:db8::7", Duration::from_secs(1)).await;
        assert_eq!((names, addresses), (Names::NotAsked, vec!["2001:db8::7".parse().unwrap_or(IpAddr::from([0; 4]))]));
    }
}
