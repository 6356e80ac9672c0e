//! Which open connection gives way when another one needs its place: at the trailer's intake and at the receiver.

use crate::moment::Mono;
use std::cmp::Reverse;

/// What is known of one open connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seat {
    /// When it came, or since when it has been quiet.
    pub since: Mono,
    /// It has carried no request yet that counts.
    pub newcomer: bool,
    /// A request of it is being handled: it keeps its place.
    pub busy: bool,
    /// Newcomers from the same address, it among them; 0 where addresses don't matter.
    pub crowd: usize,
}

/// How long a connection keeps its place whatever comes, ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeepsPlace {
    /// A newcomer, from its coming on.
    pub newcomer_ms: u64,
    /// Another one, after its last request.
    pub quiet_ms: u64,
}

/// Which of `seats` gives way: newcomers first, of the largest crowd, the oldest; then whoever has been quiet longest.
/// `None` if none may be asked to.
#[must_use]
pub fn gives_way(seats: &[Seat], now: Mono, keeps: KeepsPlace) -> Option<usize> {
    let may_go = |seat: &Seat| {
        let least_ms = if seat.newcomer { keeps.newcomer_ms } else { keeps.quiet_ms };
        !seat.busy && least_ms <= now.since_ms(seat.since)
    };
    let rank = |seat: &Seat| (!seat.newcomer, Reverse(if seat.newcomer { seat.crowd } else { 0 }), seat.since);
    seats.iter().enumerate().filter(|(_, seat)| may_go(seat)).min_by_key(|(_, seat)| rank(seat)).map(|(at, _)| at)
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEEPS: KeepsPlace = KeepsPlace { newcomer_ms: 0, quiet_ms: 5_000 };
    const NOW: Mono = Mono(100_000);

    fn seat(since: u64, newcomer: bool, busy: bool, crowd: usize) -> Seat {
        Seat { since: Mono(since), newcomer, busy, crowd }
    }

    #[test]
    fn the_oldest_newcomer_of_the_largest_crowd_goes_before_any_that_has_asked() {
        let seats = [
            seat(1_000, false, false, 0),
            seat(2_000, true, false, 1),
            seat(50_000, true, false, 200),
            seat(40_000, true, false, 200),
        ];
        assert_eq!(gives_way(&seats, NOW, KEEPS), Some(3));
        assert_eq!(gives_way(&seats[..2], NOW, KEEPS), Some(1));
        assert_eq!(gives_way(&seats[..1], NOW, KEEPS), Some(0));
    }

    #[test]
    fn nobody_goes_while_handled_or_just_quiet() {
        let seats = [seat(1_000, false, true, 0), seat(1_000, true, true, 9), seat(96_000, false, false, 0)];
        assert_eq!(gives_way(&seats, NOW, KEEPS), None);
        assert_eq!(gives_way(&[], NOW, KEEPS), None);
    }
}
