//! Whether a transfer progresses, judged by what the interface counts: no step of the ladder cuts off what gets on,
//! however slowly.

use super::evidence::Interface;
use crate::moment::Mono;
use std::collections::VecDeque;

/// Looks of the last so many ms count.
const SPAN_MS: u64 = 10_000;
/// So many bytes that came in are progress, bytes (our own limit: two answers of a name server and what neighbours say
/// to everybody stay below).
const RECEIVED_MIN: u64 = 2048;
/// So many bytes that were sent are progress if something comes back for them, bytes (our own limit: of connections
/// that nobody answers less is sent).
const SENT_MIN: u64 = 8000;
/// What comes back for that at least, bytes: some acknowledgements of 52 (source: RFC 9293, RFC 7323).
const ACKNOWLEDGED_MIN: u64 = 300;
/// A request that brings no receipt for so long does not progress, whatever moves, ms (our own limit: the agent gives
/// one up much sooner).
const MOST_MS: u64 = 900_000;

/// What was counted between two looks.
#[derive(Clone, Copy, Debug)]
struct Look {
    at: Mono,
    received: u64,
    sent: u64,
}

/// The looks of late.
#[derive(Clone, Debug, Default)]
pub struct Progress {
    looks: VecDeque<Look>,
    probes: VecDeque<(Mono, u64)>,
}

impl Progress {
    /// The interface was looked at, and before that it was `before`. Answers whether something has come in.
    pub fn counted(&mut self, before: &Interface, now: &Interface, at: Mono) -> bool {
        if before.index != now.index {
            self.looks.clear();
            return false;
        }
        let grown = |before: Option<u64>, now: Option<u64>| now?.checked_sub(before?);
        let Some(received) = grown(before.received, now.received) else { return false };
        let sent = grown(before.sent, now.sent).unwrap_or(0);
        self.looks.push_back(Look { at, received, sent });
        while self.looks.front().is_some_and(|look| SPAN_MS < at.since_ms(look.at)) {
            self.looks.pop_front();
        }
        0 < received
    }

    /// One of our own probes is over; it is no transfer. `cost` in bytes, both ways.
    pub fn probed(&mut self, cost: u64, at: Mono) {
        self.probes.push_back((at, cost));
        while self.probes.front().is_some_and(|(ended, _)| SPAN_MS < at.since_ms(*ended)) {
            self.probes.pop_front();
        }
    }

    /// Whether a transfer progresses at `now`; `since` is when the way was last found as it is.
    #[must_use]
    pub fn moves(&self, since: Option<Mono>, now: Mono) -> bool {
        if since.is_some_and(|since| MOST_MS < now.since_ms(since)) {
            return false;
        }
        let looks = self.looks.iter().filter(|look| now.since_ms(look.at) <= SPAN_MS);
        let (received, sent) =
            looks.fold((0, 0), |(received, sent), look| (received + look.received, sent + look.sent));
        let own: u64 = self.probes.iter().filter(|(at, _)| now.since_ms(*at) <= SPAN_MS).map(|(_, cost)| cost).sum();
        let (received, sent) = (received.saturating_sub(own), sent.saturating_sub(own));
        RECEIVED_MIN <= received || (SENT_MIN <= sent && ACKNOWLEDGED_MIN <= received)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A minute in which `received` and `sent` bytes are counted each second, and a probe of `probe` bytes, of which
    /// half come in, ends every five seconds.
    fn minute((received, sent): (u64, u64), probe: u64) -> (Progress, Mono) {
        let (mut progress, mut before) = (
            Progress::default(),
            Interface { received: Some(0), sent: Some(0), index: Some(2), ..Interface::default() },
        );
        for second in 1..=60 {
            let at = Mono(second * 1000);
            let mut now = before.clone();
            (now.received, now.sent) = (before.received.map(|all| all + received), before.sent.map(|all| all + sent));
            if second % 5 == 0 {
                progress.probed(probe, at);
                (now.received, now.sent) =
                    (now.received.map(|all| all + probe / 2), now.sent.map(|all| all + probe / 2));
            }
            progress.counted(&before, &now, at);
            before = now;
        }
        (progress, Mono(60_000))
    }

    #[test]
    fn slow_upload_progresses_though_nothing_but_acknowledgements_comes_in() {
        // 16 kbit/s: two kilobytes a second, and an acknowledgement for each second packet.
        let (progress, now) = minute((52, 2000), 0);
        assert!(progress.moves(Some(Mono(0)), now));
        assert!(!progress.moves(Some(Mono(0)), Mono(MOST_MS + 1)), "not for ever");
        assert!(!progress.moves(None, now.plus_ms(SPAN_MS + 1)), "and not once it stops");
    }

    #[test]
    fn own_probes_neighbours_and_connections_that_nobody_answers_are_no_progress() {
        for (each_second, probe) in [((0, 0), 7000), ((0, 0), 1500), ((60, 60), 1500), ((0, 700), 0), ((0, 3000), 0)] {
            let (progress, now) = minute(each_second, probe);
            assert!(!progress.moves(Some(Mono(0)), now), "{each_second:?} {probe}");
        }
    }

    #[test]
    fn what_comes_in_is_progress_and_another_interface_begins_anew() {
        let (mut progress, now) = minute((600, 20), 1500);
        assert!(progress.moves(Some(Mono(0)), now));
        let (old, new) =
            (Interface { index: Some(2), received: Some(9000), ..Interface::default() }, Interface::default());
        assert!(!progress.counted(&old, &Interface { index: Some(3), ..new }, now));
        assert!(!progress.moves(Some(Mono(0)), now));
    }
}
