//! `pintle-lever`: the only part of Pintle that runs as root. Systemd starts it for each connection to its socket; it
//! reads one word, looks who asks, looks at its own limits, does the one thing that the word stands for, and answers
//! with one line of JSON. What is done with what stands in a file of root's; the caller chooses the word and nothing
//! else.
//!
//! `config` (root's file) → `caller` (who asks) → `limits` (pure: how often) → `ledger` (what was done, synced before
//! it is done) → `act` (does it; `off` keeps what is switched off meanwhile) → `answer`.

pub mod act;
pub mod answer;
pub mod caller;
pub mod config;
pub mod ledger;
pub mod limits;
pub mod off;
pub mod step;
