//! Switches on the trailer that say whether it may be moved: mast, axle lock, stabilisers. What can't be read is
//! unknown, and never an alarm by itself.

use crate::ids::printable;
use crate::moment::{Mono, Utc};

/// What a switch watches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum InputKind {
    /// The mast: down and locked, or up.
    Mast,
    /// The axle lock: out, or in.
    AxleLock,
    /// The stabilisers: up, or down.
    Stabilisers,
}

impl InputKind {
    /// All of them, in the order in which a crew sees to them.
    pub const ALL: [Self; 3] = [Self::Mast, Self::AxleLock, Self::Stabilisers];

    /// The word in the configuration and in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Mast => "mast",
            Self::AxleLock => "axle_lock",
            Self::Stabilisers => "stabilisers",
        }
    }

    /// What people call it.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Mast => "Mast",
            Self::AxleLock => "Axle lock",
            Self::Stabilisers => "Stabilisers",
        }
    }

    /// How it stands, in words: safe to move, or not.
    #[must_use]
    pub fn words(self, safe: bool) -> &'static str {
        match (self, safe) {
            (Self::Mast, true) | (Self::Stabilisers, false) => "down",
            (Self::Mast, false) | (Self::Stabilisers, true) => "up",
            (Self::AxleLock, true) => "out",
            (Self::AxleLock, false) => "in",
        }
    }
}

/// How a switch stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum InputState {
    /// As it must be for moving.
    Safe,
    /// Not so.
    Unsafe,
    /// Nobody can tell; why.
    Unknown(String),
}

impl InputState {
    /// The word in files.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Safe => "safe",
            Self::Unsafe => "unsafe",
            Self::Unknown(_) => "unknown",
        }
    }
}

/// Longest text that a switch may say, bytes: a word (our own limit).
pub const BYTES_MAX: usize = 64;

/// What the bytes of a switch's file mean. `safe` is the text that says "safe to move".
#[must_use]
pub fn judge(bytes: &[u8], safe: &str) -> InputState {
    let unknown = |why: &str| InputState::Unknown(why.to_owned());
    if BYTES_MAX < bytes.len() {
        return unknown("its file holds more than one word");
    }
    match std::str::from_utf8(bytes).map(str::trim) {
        Ok("") => unknown("its file is empty"),
        Ok(text) if text.eq_ignore_ascii_case(safe.trim()) => InputState::Safe,
        Ok(text) if text.chars().any(char::is_whitespace) => unknown("its file holds more than one word"),
        Ok(_) => InputState::Unsafe,
        Err(_) => unknown("its file holds no text"),
    }
}

/// One switch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Input {
    /// What it watches.
    pub kind: InputKind,
    /// How it stands.
    pub state: InputState,
    /// Since when, by the host's clock.
    pub since: Utc,
}

/// All switches that are configured.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InputsView {
    /// In the order of the configuration.
    pub inputs: Vec<Input>,
}

impl InputsView {
    /// Takes up how one switch stands; a change has its time.
    pub fn hear(&mut self, kind: InputKind, state: InputState, now: Utc) {
        match self.inputs.iter_mut().find(|input| input.kind == kind) {
            Some(input) if input.state == state => {}
            Some(input) => *input = Input { kind, state, since: now },
            None => self.inputs.push(Input { kind, state, since: now }),
        }
    }

    /// What forbids moving, in words: "the mast is up".
    #[must_use]
    pub fn forbids(&self) -> Vec<String> {
        let told = |input: &&Input| input.state == InputState::Unsafe;
        let verb = |kind: InputKind| if kind == InputKind::Stabilisers { "are" } else { "is" };
        let say = |input: &Input| {
            let label = input.kind.label().to_lowercase();
            format!("the {label} {} {}", verb(input.kind), input.kind.words(false))
        };
        self.inputs.iter().filter(told).map(say).collect()
    }
}

/// An alarm is over after all has been well for so long, ms: a switch that bounces on the road is one alarm (our own
/// limit).
pub const UNSAFE_OVER_MS: u64 = 60_000;

/// News of a trailer that moves with a switch that forbids it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum UnsafeMove {
    /// It moves; what forbids it, in words.
    Began(Vec<String>),
    /// It stands, or all is as it must be.
    Over,
}

/// Watches for moving with the mast up, the axle lock in or the stabilisers down: one alarm for each switch, until all
/// has been well for a minute.
#[derive(Clone, Debug, Default)]
pub struct UnsafeMoving {
    told: Vec<InputKind>,
    well_since: Option<Mono>,
}

impl UnsafeMoving {
    /// Looks at both. `moves`: it is moving now; `away`: it has left and not arrived, a halt included.
    pub fn look(&mut self, moves: bool, away: bool, view: &InputsView, now: Mono) -> Option<UnsafeMove> {
        let wrong = view.inputs.iter().filter(|input| input.state == InputState::Unsafe).map(|input| input.kind);
        let wrong: Vec<InputKind> = wrong.collect();
        let untold: Vec<InputKind> = wrong.iter().copied().filter(|kind| !self.told.contains(kind)).collect();
        if moves && !untold.is_empty() {
            self.told.extend(untold);
            self.well_since = None;
            return Some(UnsafeMove::Began(view.forbids()));
        }
        if self.told.is_empty() || (away && !wrong.is_empty()) {
            self.well_since = None;
            return None;
        }
        let since = *self.well_since.get_or_insert(now);
        if now.since_ms(since) < UNSAFE_OVER_MS {
            return None;
        }
        *self = Self::default();
        Some(UnsafeMove::Over)
    }
}

impl Input {
    /// How it stands, for people.
    #[must_use]
    pub fn words(&self) -> String {
        match &self.state {
            InputState::Safe => self.kind.words(true).to_owned(),
            InputState::Unsafe => self.kind.words(false).to_owned(),
            InputState::Unknown(why) => format!("unknown: {}", printable(why, 120)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_word_is_safe_every_other_word_is_not_and_anything_else_is_unknown() {
        assert_eq!(judge(b"1\n", "1"), InputState::Safe);
        assert_eq!(judge(b" DOWN\n", "down"), InputState::Safe);
        assert_eq!(judge(b"0\n", "1"), InputState::Unsafe);
        for bytes in [&b""[..], b"\n", b"1 0", b"\xff\xfe", &[b'1'; 65]] {
            assert!(matches!(judge(bytes, "1"), InputState::Unknown(_)), "{bytes:?}");
        }
    }

    #[test]
    fn moving_with_a_wrong_switch_is_one_alarm_until_all_is_well_for_a_minute() {
        let (mut watch, mut view) = (UnsafeMoving::default(), InputsView::default());
        let hear = |view: &mut InputsView, kind, state| view.hear(kind, state, Utc(1));
        hear(&mut view, InputKind::Mast, InputState::Unsafe);
        assert_eq!(watch.look(false, false, &view, Mono(0)), None, "a trailer that stands has its mast up");
        let mast = UnsafeMove::Began(vec!["the mast is up".to_owned()]);
        assert_eq!(watch.look(true, true, &view, Mono(1000)), Some(mast));
        // A halt at a light, a bouncing switch: the same alarm.
        assert_eq!(watch.look(false, true, &view, Mono(200_000)), None);
        hear(&mut view, InputKind::Mast, InputState::Safe);
        assert_eq!(watch.look(true, true, &view, Mono(201_000)), None);
        hear(&mut view, InputKind::Mast, InputState::Unsafe);
        assert_eq!(watch.look(true, true, &view, Mono(202_000)), None);
        hear(&mut view, InputKind::AxleLock, InputState::Unsafe);
        let both = UnsafeMove::Began(vec!["the mast is up".to_owned(), "the axle lock is in".to_owned()]);
        assert_eq!(watch.look(true, true, &view, Mono(203_000)), Some(both));
        assert_eq!(watch.look(false, false, &view, Mono(300_000)), None);
        assert_eq!(watch.look(false, false, &view, Mono(300_000 + UNSAFE_OVER_MS)), Some(UnsafeMove::Over));
        assert_eq!(watch.look(false, false, &view, Mono(900_000)), None);
        assert!(watch.look(true, true, &view, Mono(901_000)).is_some(), "a new move is a new alarm");
    }

    #[test]
    fn what_forbids_moving_is_said_and_the_unknown_forbids_nothing() {
        let mut view = InputsView::default();
        view.hear(InputKind::Mast, InputState::Unsafe, Utc(1));
        view.hear(InputKind::AxleLock, InputState::Unknown("gone".to_owned()), Utc(1));
        view.hear(InputKind::Stabilisers, InputState::Unsafe, Utc(1));
        assert_eq!(view.forbids(), ["the mast is up", "the stabilisers are down"]);
        view.hear(InputKind::Mast, InputState::Unsafe, Utc(9));
        assert_eq!(view.inputs[0].since, Utc(1), "it has not changed");
        view.hear(InputKind::Mast, InputState::Safe, Utc(9));
        assert_eq!((view.inputs[0].since, view.inputs[0].words().as_str()), (Utc(9), "down"));
    }
}
