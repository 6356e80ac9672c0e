//! Rights that a cluster refuses. The server says so beside the answers, and whatever needed the right is never
//! answered: to whom does not listen for it, a missing right is a server that does not answer.

use crate::io::target::OwnFault;
use async_nats::ServerError;
use pintle_core::ids::printable;
use std::collections::BTreeSet;
use tokio::sync::watch;

/// Where all rights stand that a trailer and a consumer need.
const ADVICE: &str = "ask the cluster's owner for that right; docs/nats-server.conf lists all that are needed";
/// Refusals that are remembered of one connection (our own limit).
const REFUSED_MAX: usize = 32;

/// What the server has refused on one connection, in words.
#[derive(Clone, Debug)]
pub struct Rights {
    refused: watch::Receiver<BTreeSet<String>>,
    /// Keeps the channel open.
    _in: watch::Sender<BTreeSet<String>>,
}

impl Rights {
    /// Nothing is refused so far; the sender is for `heard`.
    #[must_use]
    pub fn new() -> (watch::Sender<BTreeSet<String>>, Self) {
        let (refused_in, refused) = watch::channel(BTreeSet::new());
        (refused_in.clone(), Self { refused, _in: refused_in })
    }

    /// What was refused, if anything was: the first by name that `counts`.
    #[must_use]
    pub fn refused(&self, counts: impl Fn(&str) -> bool) -> Option<OwnFault> {
        let refused = self.refused.borrow();
        let first = refused.iter().find(|right| counts(right))?;
        Some(OwnFault::new(format!("the NATS cluster refuses the right to {first}"), ADVICE))
    }

    /// Waits until something is refused that `counts`. Cancel safe.
    pub async fn lacking(&self, counts: impl Fn(&str) -> bool) {
        let mut refused = self.refused.clone();
        if refused.wait_for(|refused| refused.iter().any(|right| counts(right))).await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}

/// Takes in what the server said. True if it is a refusal that was not known.
pub(super) fn heard(rights: &watch::Sender<BTreeSet<String>>, said: &ServerError) -> bool {
    let ServerError::Other(text) = said else { return false };
    let Some(right) = right_of(text) else { return false };
    rights.send_if_modified(|refused| refused.len() < REFUSED_MAX && refused.insert(right))
}

/// The right that a refusal speaks of. Source: what nats-server 2.15 says, tried out: `Permissions Violation for
/// Publish to "a.b"` and `Permissions Violation for Subscription to "a.b"`, the latter perhaps with a queue behind it.
fn right_of(text: &str) -> Option<String> {
    let (_, what) = text.split_once("ermissions Violation for ")?;
    let mut parts = what.split('"');
    let verb = if parts.next()?.starts_with("Subscription") { "subscribe to" } else { "publish on" };
    Some(format!("{verb} {}", printable(parts.next()?, 200)))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn what_a_server_refuses_is_told_with_its_subject_and_once() {
        let (rights_in, rights) = Rights::new();
        let said = |text: &str| heard(&rights_in, &ServerError::Other(text.to_owned()));
        assert!(rights.refused(|_| true).is_none());
        assert!(!said("maximum connections exceeded") && !heard(&rights_in, &ServerError::AuthorizationViolation));
        assert!(said(r#"Permissions Violation for Publish to "pintle.event.heron-3.read""#));
        assert!(!said(r#"Permissions Violation for Publish to "pintle.event.heron-3.read""#), "once");
        assert!(said(r#"Permissions Violation for Subscription to "pintle.receipt.heron-3" using queue "q""#));
        let told = rights.refused(|_| true).unwrap();
        assert_eq!(told.to_string(), "the NATS cluster refuses the right to publish on pintle.event.heron-3.read");
        assert!(told.advice().contains("docs/nats-server.conf"));
        let told = rights.refused(|right| right.contains("receipt")).unwrap().to_string();
        assert_eq!(told, "the NATS cluster refuses the right to subscribe to pintle.receipt.heron-3");
        for number in 0..100 {
            said(&format!("Permissions Violation for Publish to \"{number}\""));
        }
        assert_eq!(rights.refused.borrow().len(), REFUSED_MAX);
    }
}
