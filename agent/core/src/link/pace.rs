//! How fast the way takes what is sent, judged by requests of any size: one after the other without a pause, as they
//! are while a backlog drains. What looks slow is believed once two connections that are made meanwhile, one after the
//! other, wait, too: where one does not, though the request beside it goes on, it is the receiver that takes its time.
//! A request that was under way while
//! something failed says nothing: it waited for that.

use super::evidence::{Attempt, Ended};
use super::judge::SLOW_BYTES_PER_S;
use crate::moment::Mono;

/// A request that follows within this belongs to the same row, ms (our own limit).
const ROW_GAP_MS: u64 = 300;
/// So long a row must be before it says something, ms (our own limit: short enough for a finding within 20 s).
const ROW_MS_MIN: u64 = 6000;
/// A row with fewer bytes says nothing (our own limit: a link of 16 kbit/s takes them in the time of the shortest row).
const ROW_BYTES_MIN: u64 = 12_000;
/// A request smaller than this proves no pace: buffers on the way swallow it (our own limit).
const PROOF_BYTES_MIN: u64 = 4000;
/// Of a row, at least this part must be left once the round trips are taken off; else it says nothing of the pace.
const LEFT_PART_MIN: u64 = 4;
/// Round trips that a request waits for beside its bytes: its own, and one for the window to open.
const TRIPS: u64 = 2;
/// A connection that takes so much longer than the quickest of late waited behind what is sent, ms; and so much longer
/// than a quick one the request beside it has to last, if that shall say anything (our own limit).
const QUEUED_MS: u64 = 300;
/// So many connections have to wait before the way is called slow: one alone may have lost its first packet, or may
/// have begun before a fault was over (our own limit).
const WAITED_MIN: u8 = 2;
/// A suspicion that no probe confirmed within this is forgotten, ms.
const SUSPECT_MS: u64 = 15_000;
/// The receiver, once it has shown that it is the slow one, is believed to be for this long, ms.
const RECEIVERS_MS: u64 = 120_000;
/// What was measured counts for this long, ms.
const KEPT_MS: u64 = 300_000;
/// The quickest connection is a measure for this long, ms: while a backlog drains there is none that did not wait.
const QUICKEST_KEPT_MS: u64 = 3_600_000;

/// A row of requests, one right after the other.
#[derive(Clone, Copy, Debug)]
struct Row {
    began: Mono,
    until: Mono,
    bytes: u64,
    requests: u64,
}

/// What is known of the pace.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pace {
    row: Option<Row>,
    /// The quickest connection of late, ms, and when.
    quickest: Option<(Mono, u64)>,
    /// A row was slow.
    suspect: Option<Suspect>,
    /// Slow, and confirmed.
    slow: Option<(Mono, u64)>,
    /// A connection was quick: when it began, and when it stood.
    free: Option<(Mono, Mono)>,
    /// The receiver took its time while the way was free.
    receivers: Option<Mono>,
    /// When something was last seen to fail.
    failed: Option<Mono>,
}

/// A row that was slow, and who has confirmed it.
#[derive(Clone, Copy, Debug)]
struct Suspect {
    at: Mono,
    pace: u64,
    waited: u8,
}

impl Pace {
    /// A request ended.
    pub fn attempt(&mut self, attempt: &Attempt) {
        if attempt.ended != Ended::Receipt || self.failed.is_some_and(|failed| attempt.began <= failed) {
            self.row = None;
            return;
        }
        let (at, took_ms) = (attempt.at, attempt.at.since_ms(attempt.began).max(1));
        // Beside a request that is about to end a connection finds the way free, however slow that is.
        if let Some((began, stood)) = self.free.take()
            && attempt.began <= began
            && stood.plus_ms(QUEUED_MS) <= at
        {
            (self.suspect, self.receivers) = (None, Some(at));
        }
        // The whole time of a request, waiting included, is no less than what its bytes took.
        if PROOF_BYTES_MIN <= attempt.bytes && 2 * SLOW_BYTES_PER_S <= attempt.bytes.saturating_mul(1000) / took_ms {
            (self.slow, self.suspect, self.row) = (None, None, None);
            return;
        }
        let same = self.row.filter(|row| attempt.began.since_ms(row.until) <= ROW_GAP_MS);
        let before = same.unwrap_or(Row { began: attempt.began, until: at, bytes: 0, requests: 0 });
        let row = Row { until: at, bytes: before.bytes + attempt.bytes, requests: before.requests + 1, ..before };
        let whole_ms = at.since_ms(row.began);
        self.row = Some(row);
        if whole_ms < ROW_MS_MIN || row.bytes < ROW_BYTES_MIN {
            return;
        }
        self.row = None;
        let trip_ms = self.quickest.map_or(0, |(_, ms)| ms);
        let left_ms = whole_ms.saturating_sub(row.requests.saturating_mul(TRIPS * trip_ms));
        if left_ms * LEFT_PART_MIN < whole_ms {
            return;
        }
        let pace = row.bytes.saturating_mul(1000) / left_ms;
        if SLOW_BYTES_PER_S <= pace {
            (self.slow, self.suspect) = (None, None);
        } else if self.slow.is_some() {
            self.slow = Some((at, pace));
        } else if self.receivers.is_none_or(|since| RECEIVERS_MS <= at.since_ms(since)) {
            let waited = self.suspect.map_or(0, |suspect| suspect.waited);
            self.suspect = Some(Suspect { at, pace, waited });
        }
    }

    /// Something on the way, or a look at it, failed at `at`: what was under way then waited for that.
    pub fn failed(&mut self, at: Mono) {
        self.failed = self.failed.max(Some(at));
        (self.row, self.suspect, self.free) = (None, None, None);
    }

    /// Whether a connection now would tell whose fault it is.
    #[must_use]
    pub fn asks(&self, now: Mono) -> bool {
        self.suspect.is_some_and(|suspect| now.since_ms(suspect.at) < SUSPECT_MS)
    }

    /// A probe that began at `began` connected within `ms`.
    pub fn connected(&mut self, began: Mono, ms: u64) {
        let known = self.quickest.filter(|(at, _)| began.since_ms(*at) < QUICKEST_KEPT_MS);
        let quickest = known.map_or(ms, |(_, least)| least);
        if let Some(suspect) = &mut self.suspect
            && suspect.at <= began
            && began.since_ms(suspect.at) < SUSPECT_MS
        {
            if ms < quickest + QUEUED_MS {
                self.free = Some((began, began.plus_ms(ms)));
            } else {
                suspect.waited += 1;
                if WAITED_MIN <= suspect.waited {
                    (self.slow, self.receivers) = (Some((began, suspect.pace)), None);
                    self.suspect = None;
                }
            }
        }
        if ms <= quickest {
            self.quickest = Some((began, ms));
        }
    }

    /// Bytes a second when the way was last found slow, until it is quick again.
    #[must_use]
    pub fn last(&self) -> Option<u64> {
        self.slow.map(|(_, pace)| pace)
    }

    /// Bytes a second, if the way was found slow of late.
    #[must_use]
    pub fn slow(&self, now: Mono) -> Option<u64> {
        self.slow.filter(|(at, _)| now.since_ms(*at) <= KEPT_MS).map(|(_, pace)| pace)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How long a connection beside a request takes that goes on for so many ms.
    type Waits = fn(u64) -> u64;

    /// Everything that is sent goes into one queue: a connection waits until the request is out.
    const QUEUE: Waits = |left_ms| left_ms.max(5);

    /// Requests of `bytes` one after the other for `span_ms`, each taking `took_ms`; beside them a probe whenever one
    /// is asked for, as soon as a request is under way for a while, and once a second at most.
    fn drain(pace: &mut Pace, from_ms: u64, span_ms: u64, (bytes, took_ms, waits): (u64, u64, Waits)) -> u64 {
        let mut now = from_ms;
        while now < from_ms + span_ms {
            let (began, at) = (Mono(now), Mono(now + took_ms));
            let mut beside = began.plus_ms(300);
            while beside < at {
                let ms = waits(at.since_ms(beside));
                if pace.asks(beside) {
                    pace.connected(beside, ms);
                }
                beside = beside.plus_ms(ms.max(1000));
            }
            pace.attempt(&Attempt { began, at, bytes, ended: Ended::Receipt });
            now += took_ms + 20;
        }
        now
    }

    #[test]
    fn thin_way_is_slow_within_twenty_seconds_whatever_the_size_of_the_requests() {
        // 4,000 bytes a second, and the probe waits behind them.
        for bytes in [3000, 5000, 17_000] {
            let mut pace = Pace::default();
            pace.connected(Mono(0), 5);
            let now = drain(&mut pace, 1000, if bytes < 10_000 { 10_000 } else { 14_000 }, (bytes, bytes / 4, QUEUE));
            assert!(now <= 21_000, "{bytes}: {now}");
            assert!(pace.slow(Mono(now)).is_some_and(|pace| (3500..4500).contains(&pace)), "{bytes}: {pace:?}");
            // And whole again with the first request that is quick.
            drain(&mut pace, now, 100, (5000, 40, QUEUE));
            assert_eq!(pace.slow(Mono(now + 100)), None, "{bytes}");
        }
    }

    #[test]
    fn connection_beside_a_request_that_is_about_to_end_clears_nobody() {
        let mut pace = Pace::default();
        pace.connected(Mono(0), 5);
        let thin = |began, at| Attempt { began: Mono(began), at: Mono(at), bytes: 7800, ended: Ended::Receipt };
        for n in 0..3 {
            pace.attempt(&thin(1000 + n * 2210, 3200 + n * 2210));
        }
        assert!(pace.asks(Mono(7700)));
        pace.connected(Mono(8600), 1132);
        // The next probe begins at once, when the request is all but over.
        pace.connected(Mono(9740), 74);
        pace.attempt(&thin(7640, 9800));
        assert!(pace.asks(Mono(9810)), "{pace:?}");
        pace.connected(Mono(10_800), 1200);
        assert!(pace.slow(Mono(12_000)).is_some(), "{pace:?}");
    }

    #[test]
    fn receiver_that_takes_its_time_is_no_slow_way() {
        let mut pace = Pace::default();
        pace.connected(Mono(0), 40);
        let now = drain(&mut pace, 1000, 120_000, (5000, 3000, |_| 45));
        assert_eq!(pace.slow(Mono(now)), None);
    }

    #[test]
    fn long_way_that_loses_packets_is_not_slow_and_a_trickle_of_reads_says_nothing() {
        let mut pace = Pace::default();
        pace.connected(Mono(0), 300);
        // 5,000 bytes in 0.8 s, of which the round trips are 0.6 s; every probe waits for a second, since its first
        // packet was lost.
        let now = drain(&mut pace, 1000, 60_000, (5000, 800, |_| 1300));
        assert_eq!(pace.slow(Mono(now)), None);
        let mut now = now;
        for _ in 0..60 {
            now = drain(&mut pace, now + 1000, 1, (700, 500, |_| 1300));
        }
        assert_eq!(pace.slow(Mono(now)), None);
        assert!(!pace.asks(Mono(now)));
    }

    #[test]
    fn request_that_waited_for_a_fault_and_a_connection_that_did_are_no_slow_way() {
        let mut pace = Pace::default();
        pace.connected(Mono(0), 5);
        // Nothing gets through for twelve seconds. What hung meanwhile gets its receipt then, and a probe that began
        // before has waited for three seconds.
        pace.failed(Mono(9000));
        pace.attempt(&Attempt { began: Mono(1000), at: Mono(13_000), bytes: 17_000, ended: Ended::Receipt });
        assert!(!pace.asks(Mono(13_000)), "{pace:?}");
        pace.connected(Mono(10_000), 3000);
        assert_eq!(pace.slow(Mono(14_000)), None);
        // Nobody had seen that fault, and the next connection lost its first packet: one alone is not believed.
        let mut pace = Pace::default();
        pace.connected(Mono(0), 5);
        pace.attempt(&Attempt { began: Mono(1000), at: Mono(13_000), bytes: 17_000, ended: Ended::Receipt });
        assert!(pace.asks(Mono(13_000)));
        pace.connected(Mono(13_100), 1005);
        assert_eq!(pace.slow(Mono(15_000)), None);
        pace.connected(Mono(15_000), 6);
        pace.attempt(&Attempt { began: Mono(14_500), at: Mono(15_500), bytes: 700, ended: Ended::Receipt });
        assert_eq!(pace.slow(Mono(15_500)), None);
        assert!(!pace.asks(Mono(15_500)), "{pace:?}");
        // A suspicion does not outlive a failure.
        pace.attempt(&Attempt { began: Mono(150_000), at: Mono(160_000), bytes: 17_000, ended: Ended::Receipt });
        assert!(pace.asks(Mono(160_000)));
        pace.failed(Mono(161_000));
        assert!(!pace.asks(Mono(161_000)));
    }

    #[test]
    fn finding_ends_by_itself() {
        let mut pace = Pace::default();
        pace.connected(Mono(0), 5);
        let now = drain(&mut pace, 1000, 12_000, (5000, 1250, QUEUE));
        assert!(pace.slow(Mono(now)).is_some());
        assert_eq!(pace.slow(Mono(now + KEPT_MS + 10_000)), None);
    }
}
