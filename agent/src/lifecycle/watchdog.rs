//! Tells systemd how it goes, and feeds its watchdog only while the work itself goes on.

use crate::actors::heartbeat::Heartbeat;
use crate::store::StoreHandle;
use sd_notify::NotifyState;
use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// The queue must give its figures within this (our own limit; a sync of a slow card takes a second).
const STORE_WAIT: Duration = Duration::from_secs(5);
/// Without a word from systemd the watch looks this often, for the log alone.
const LOOK: Duration = Duration::from_secs(30);

/// Tells systemd something; without systemd nothing happens. Answers whether it is told.
///
/// It never waits: the agent must not stand still because somebody else does, and systemd takes only a few messages
/// before it reads them.
pub fn tell(states: &[NotifyState<'_>]) -> bool {
    let Some(socket) = std::env::var_os("NOTIFY_SOCKET") else { return true };
    let text: String = states.iter().map(|state| format!("{state}\n")).collect::<Vec<_>>().concat();
    match send(socket.as_bytes(), text.as_bytes()) {
        Ok(()) => true,
        Err(error) => {
            tracing::debug!(%error, "systemd did not take the message");
            false
        }
    }
}

fn send(socket: &[u8], text: &[u8]) -> io::Result<()> {
    let address = match socket.strip_prefix(b"@") {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(OsStr::from_bytes(socket))?,
    };
    let datagram = UnixDatagram::unbound()?;
    datagram.set_nonblocking(true)?;
    datagram.send_to_addr(text, &address)?;
    Ok(())
}

/// What must make progress for the watchdog to be fed.
#[derive(Debug)]
pub struct Watched {
    name: &'static str,
    heartbeat: Heartbeat,
    seen: u64,
}

impl Watched {
    /// Watches `heartbeat` under `name`.
    #[must_use]
    pub fn new(name: &'static str, heartbeat: &Heartbeat) -> Self {
        Self { name, seen: heartbeat.turns(), heartbeat: heartbeat.clone() }
    }

    fn has_moved(&mut self) -> bool {
        let turns = self.heartbeat.turns();
        let moved = turns != self.seen;
        self.seen = turns;
        moved
    }
}

/// Feeds the watchdog for ever, at half of its time, from the progress of `watched` and of the queue.
pub async fn feed(mut watched: Vec<Watched>, store: StoreHandle) {
    let every = sd_notify::watchdog_enabled().map_or(LOOK, |limit| limit / 2);
    let mut hungry = false;
    loop {
        tokio::time::sleep(every).await;
        // A store in trouble answers with its trouble and is alive; only silence is a stall.
        let queue_answers = tokio::time::timeout(STORE_WAIT.min(every), store.figures()).await.is_ok();
        let stalled = stalled(&mut watched, queue_answers);
        if stalled.is_empty() {
            tell(&[NotifyState::Watchdog]);
        } else if !hungry {
            tracing::error!(stalled = stalled.join(", "), "no progress: the watchdog is not fed");
        }
        hungry = !stalled.is_empty();
    }
}

/// Who has made no progress since the last time that this was asked.
fn stalled(watched: &mut [Watched], queue_answers: bool) -> Vec<&'static str> {
    let still = watched.iter_mut().filter_map(|one| (!one.has_moved()).then_some(one.name));
    still.chain((!queue_answers).then_some("queue")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_systemd_that_reads_nothing_does_not_hold_the_agent_up() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("notify");
        let deaf = UnixDatagram::bind(&path).expect("a socket");
        let name = path.as_os_str().as_bytes();
        let refused = (0..100_000).find_map(|_| send(name, b"WATCHDOG=1\n").err());
        assert_eq!(refused.map(|error| error.kind()), Some(io::ErrorKind::WouldBlock));
        drop(deaf);
    }

    #[test]
    fn only_progress_of_everybody_feeds_the_watchdog() {
        let (intake, health) = (Heartbeat::default(), Heartbeat::default());
        let mut watched = vec![Watched::new("intake", &intake), Watched::new("health", &health)];
        assert_eq!(stalled(&mut watched, true), ["intake", "health"], "nobody has done anything");
        intake.turn();
        assert_eq!(stalled(&mut watched, true), ["health"]);
        intake.turn();
        health.turn();
        assert_eq!(stalled(&mut watched, true), [""; 0]);
        assert_eq!(stalled(&mut watched, true), ["intake", "health"], "old progress does not count");
        intake.turn();
        health.turn();
        assert_eq!(stalled(&mut watched, false), ["queue"]);
    }
}
