//! Gives chrony the GPS receiver's time. Whether anybody takes it is a state, never an error.

use crate::io::chrony::ChronySocket;
use pintle_core::moment::Moment;
use pintle_core::position::Fix;
use pintle_core::position::clock_feed::{ClockFeed, ClockSample};
use pintle_core::position::host_clock::HostClock;
use std::path::Path;

/// Nothing has been given for so long, and the feed waits again, ms (our own limit: a receiver without a fix).
const WAITING_MS: u64 = 10_000;

/// The feed, if one is configured.
pub(super) struct Feed {
    socket: Option<ChronySocket>,
    state: ClockFeed,
}

impl Feed {
    pub(super) fn new(path: Option<&Path>) -> Self {
        let state = if path.is_some() { ClockFeed::Waiting("no dated fix yet") } else { ClockFeed::NotFitted };
        Self { socket: path.map(ChronySocket::at), state }
    }

    pub(super) fn state(&self) -> &ClockFeed {
        &self.state
    }

    /// A fix has come, and `host` has heard it.
    pub(super) fn on_fix(&mut self, host: &HostClock, fix: &Fix, now: &Moment) {
        let Some(socket) = &mut self.socket else { return };
        let state = match ClockSample::of_fix(host, fix, now) {
            Err(why) => match &self.state {
                // One odd fix is no news.
                ClockFeed::Given(at) if now.mono.since_ms(*at) < WAITING_MS => return,
                _ => ClockFeed::Waiting(why.words()),
            },
            Ok(sample) => match socket.send(&sample.to_sock_bytes()) {
                Ok(()) => ClockFeed::Given(now.mono),
                Err(error) => ClockFeed::Unheard(format!("{error}; {}", error.advice())),
            },
        };
        if state.word() != self.state.word() {
            if let ClockFeed::Unheard(why) = &state {
                tracing::warn!("chrony takes no time from the GPS receiver: {why}");
            } else {
                tracing::info!(state = state.word(), "the time for chrony");
            }
        }
        self.state = state;
    }

    /// Time passes.
    pub(super) fn on_tick(&mut self, now: &Moment) {
        if let ClockFeed::Given(at) = self.state
            && WAITING_MS <= now.mono.since_ms(at)
        {
            self.state = ClockFeed::Waiting("no dated fix comes");
        }
    }
}
