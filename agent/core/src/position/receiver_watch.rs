//! The state of the GPS receiver as a device, apart from any position: not there, silent, talking noise, without a
//! fix, or fixing. Bytes, sentences and fixes are watched apart, so that a person is told which of them is missing.

use super::ReceiverState;
use super::fix::Refusal;
use crate::moment::Mono;

/// Nothing of a kind for so long, and that kind is missing, ms. Receivers report at least once a second; a handheld
/// that sends position every fifth second must still count as fixing (our own limit).
pub const MISSING_MS: u64 = 5_000;

/// A silent device is closed and opened again after so long, ms: a read that never wakes is cured by that.
pub const REOPEN_MS: u64 = 15_000;

/// And then again after so long, ms, doubled each time up to [`REOPEN_MS_MAX`]: opening may restart a receiver.
pub const REOPEN_MS_MAX: u64 = 240_000;

/// Watches one receiver.
#[derive(Clone, Debug)]
pub struct ReceiverWatch {
    state: ReceiverState,
    since: Mono,
    opened: Option<Mono>,
    byte: Option<Mono>,
    sentence: Option<Mono>,
    fix: Option<Mono>,
    refusal: Option<Refusal>,
    reopen_ms: u64,
}

impl ReceiverWatch {
    /// A device that is not open yet.
    #[must_use]
    pub fn new(state: ReceiverState, now: Mono) -> Self {
        Self {
            state,
            since: now,
            opened: None,
            byte: None,
            sentence: None,
            fix: None,
            refusal: None,
            reopen_ms: REOPEN_MS,
        }
    }

    /// What is known now.
    #[must_use]
    pub fn state(&self) -> &ReceiverState {
        &self.state
    }

    /// Since when.
    #[must_use]
    pub fn since(&self) -> Mono {
        self.since
    }

    /// The device can't be opened or has gone; `text` says which and what to do.
    pub fn on_absent(&mut self, text: String, now: Mono) {
        self.opened = None;
        self.enter(ReceiverState::Absent(text), now);
    }

    /// The device was opened.
    pub fn on_open(&mut self, now: Mono) {
        self.opened = Some(now);
        (self.byte, self.sentence, self.fix, self.refusal) = (None, None, None, None);
        self.enter(ReceiverState::Silent, now);
    }

    /// Bytes came, and `sentences` with a right checksum among them.
    pub fn on_bytes(&mut self, sentences: u64, now: Mono) {
        self.byte = Some(now);
        self.reopen_ms = REOPEN_MS;
        if 0 < sentences {
            self.sentence = Some(now);
        }
        self.on_tick(now);
    }

    /// An epoch was decided.
    pub fn on_epoch(&mut self, refusal: Option<Refusal>, now: Mono) {
        match refusal {
            None => self.fix = Some(now),
            Some(why) => self.refusal = Some(why),
        }
        self.on_tick(now);
    }

    /// Time passes.
    pub fn on_tick(&mut self, now: Mono) {
        let Some(opened) = self.opened else { return };
        let recent = |seen: Option<Mono>| seen.is_some_and(|at| now.since_ms(at) < MISSING_MS);
        // After the opening each kind gets its time before it counts as missing.
        let young = now.since_ms(opened) < MISSING_MS;
        let state = if recent(self.fix) {
            ReceiverState::Fixing
        } else if recent(self.sentence) && !(young && self.refusal.is_none()) {
            ReceiverState::NoFix(self.no_fix_reason())
        } else if recent(self.byte) && !young {
            ReceiverState::NoSentences
        } else if young {
            return;
        } else {
            ReceiverState::Silent
        };
        self.enter(state, now);
    }

    /// True if a silent device should be closed and opened again now.
    #[must_use]
    pub fn wants_reopening(&mut self, now: Mono) -> bool {
        let Some(opened) = self.opened else { return false };
        let quiet_since = self.byte.unwrap_or(opened).max(opened);
        if now.since_ms(quiet_since) < self.reopen_ms {
            return false;
        }
        self.reopen_ms = (self.reopen_ms * 2).min(REOPEN_MS_MAX);
        true
    }

    /// True while no byte has come for [`MISSING_MS`] from an open device: the moment to look whether its path leads to
    /// another one by now.
    #[must_use]
    pub fn is_quiet(&self, now: Mono) -> bool {
        self.opened.is_some_and(|opened| MISSING_MS <= now.since_ms(self.byte.unwrap_or(opened).max(opened)))
    }

    fn no_fix_reason(&self) -> String {
        match self.refusal {
            Some(why) => why.reason().to_owned(),
            None => "it sends no sentence with a position; switch on RMC and GGA in its settings".to_owned(),
        }
    }

    fn enter(&mut self, state: ReceiverState, now: Mono) {
        if self.state != state {
            self.state = state;
            self.since = now;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn opened() -> ReceiverWatch {
        let mut watch = ReceiverWatch::new(ReceiverState::Absent("not opened yet".to_owned()), Mono(0));
        watch.on_open(Mono(0));
        watch
    }

    #[test]
    fn no_bytes_and_bytes_without_sentences_are_told_apart() {
        let mut watch = opened();
        watch.on_tick(Mono(MISSING_MS));
        assert_eq!(*watch.state(), ReceiverState::Silent);
        watch.on_bytes(0, Mono(6000));
        assert_eq!(*watch.state(), ReceiverState::NoSentences);
        assert_eq!(watch.since(), Mono(6000));
        watch.on_tick(Mono(6000 + MISSING_MS));
        assert_eq!(*watch.state(), ReceiverState::Silent);
    }

    #[test]
    fn sentences_without_a_fix_say_why() {
        let mut watch = opened();
        watch.on_bytes(3, Mono(1000));
        watch.on_epoch(Some(Refusal::StatusVoid), Mono(1000));
        assert_eq!(*watch.state(), ReceiverState::NoFix(Refusal::StatusVoid.reason().to_owned()));
        watch.on_epoch(None, Mono(2000));
        assert_eq!(*watch.state(), ReceiverState::Fixing);
        watch.on_bytes(1, Mono(6999));
        assert_eq!(*watch.state(), ReceiverState::Fixing);
        watch.on_bytes(1, Mono(7000));
        assert_eq!(*watch.state(), ReceiverState::NoFix(Refusal::StatusVoid.reason().to_owned()));
    }

    #[test]
    fn a_silent_device_is_reopened_less_and_less_often() {
        let mut watch = opened();
        assert!(!watch.wants_reopening(Mono(REOPEN_MS - 1)));
        assert!(watch.wants_reopening(Mono(REOPEN_MS)));
        watch.on_open(Mono(REOPEN_MS));
        assert!(!watch.wants_reopening(Mono(REOPEN_MS * 3 - 1)));
        assert!(watch.wants_reopening(Mono(REOPEN_MS * 3)));
        watch.on_absent("gone".to_owned(), Mono(REOPEN_MS * 4));
        assert!(!watch.wants_reopening(Mono(REOPEN_MS * 40)), "what is not open can't be reopened");
    }
}
