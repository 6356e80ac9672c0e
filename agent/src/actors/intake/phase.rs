//! What one connection is doing, shared by its task, its stream and the list of connections.

use crate::clock;
use pintle_core::moment::Mono;
use pintle_core::seats::{KeepsPlace, Seat, gives_way};
use std::sync::atomic::{AtomicU8, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio_util::sync::CancellationToken;

/// A connection that has carried a request may stay quiet this long, ms (our own limit: an engine on a quiet road
/// keeps its connection, a forgotten one goes).
const QUIET_MS_MAX: u64 = 60_000;
/// A connection that has carried a request gives way to a new one only after this long without another; one that has
/// carried none yet sooner (our own: a local client sends its head within a few ms).
const KEEPS: KeepsPlace = KeepsPlace { newcomer_ms: 100, quiet_ms: 1000 };

/// Where a connection comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Door {
    /// The unix socket: a part of the connections is kept for it.
    Socket,
    /// The loopback port.
    Port,
}

/// What it is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Phase {
    /// Between requests.
    Quiet,
    /// Bytes of a head have come, the head is not complete.
    Head,
    /// A request is being handled.
    Busy,
}

/// One connection.
pub(super) struct Connection {
    pub(super) door: Door,
    /// Cancelled when it has to give way to another.
    pub(super) give_way: CancellationToken,
    phase: AtomicU8,
    /// Start of the present phase.
    since: AtomicU64,
    requests: AtomicU64,
}

impl Connection {
    fn new(door: Door) -> Self {
        Self {
            door,
            give_way: CancellationToken::new(),
            phase: AtomicU8::new(Phase::Quiet as u8),
            since: AtomicU64::new(clock::mono().0),
            requests: AtomicU64::new(0),
        }
    }

    pub(super) fn phase(&self) -> Phase {
        match self.phase.load(Ordering::Relaxed) {
            0 => Phase::Quiet,
            1 => Phase::Head,
            _ => Phase::Busy,
        }
    }

    pub(super) fn since(&self) -> Mono {
        Mono(self.since.load(Ordering::Relaxed))
    }

    /// Bytes came in: the first ones between two requests begin a head.
    pub(super) fn bytes_came(&self) {
        if self.phase() == Phase::Quiet {
            self.enter(Phase::Head);
        }
    }

    /// A complete head was handed to the handler. The body's deadline counts from where the head's began.
    pub(super) fn request_began(&self) {
        self.phase.store(Phase::Busy as u8, Ordering::Relaxed);
        self.requests.fetch_add(1, Ordering::Relaxed);
    }

    /// The handler has answered.
    pub(super) fn request_ended(&self) {
        self.enter(Phase::Quiet);
    }

    fn enter(&self, phase: Phase) {
        self.since.store(clock::mono().0, Ordering::Relaxed);
        self.phase.store(phase as u8, Ordering::Relaxed);
    }

    fn is_newcomer(&self) -> bool {
        self.requests.load(Ordering::Relaxed) == 0
    }

    /// When its time is up, unless its phase changes before. `request_wait_ms` is the limit of one request,
    /// `busy_ms_max`
    /// the longest that a handler may take.
    pub(super) fn deadline(&self, request_wait_ms: u64, busy_ms_max: u64) -> Mono {
        self.since().plus_ms(match self.phase() {
            Phase::Quiet if !self.is_newcomer() => QUIET_MS_MAX,
            Phase::Quiet | Phase::Head => request_wait_ms,
            Phase::Busy => busy_ms_max,
        })
    }
}

/// All open connections.
#[derive(Default)]
pub(super) struct Connections {
    open: Mutex<Vec<Arc<Connection>>>,
    /// Bytes of bodies that are being collected, all connections together.
    pub(super) body_bytes: AtomicUsize,
}

impl Connections {
    pub(super) fn enter(&self, door: Door) -> Arc<Connection> {
        let connection = Arc::new(Connection::new(door));
        self.lock().push(Arc::clone(&connection));
        connection
    }

    pub(super) fn leave(&self, connection: &Arc<Connection>) {
        self.lock().retain(|open| !Arc::ptr_eq(open, connection));
    }

    /// True if another connection may come in through `door`. At the limit the one of the same door that has kept its
    /// place longest without a request is told to give way: never one that is being handled, and those that have
    /// never carried a request first.
    pub(super) fn room_for(&self, door: Door, max: usize) -> bool {
        let open = self.lock();
        let staying = || open.iter().filter(|c| !c.give_way.is_cancelled());
        let count = match door {
            Door::Socket => staying().count(),
            Door::Port => staying().filter(|c| c.door == Door::Port).count(),
        };
        if count < max {
            return true;
        }
        let asked: Vec<&Arc<Connection>> = staying().filter(|c| door == Door::Socket || c.door == door).collect();
        let seat = |c: &&Arc<Connection>| Seat {
            since: c.since(),
            newcomer: c.is_newcomer(),
            busy: c.phase() == Phase::Busy,
            crowd: 0,
        };
        let seats: Vec<Seat> = asked.iter().map(seat).collect();
        let goes = gives_way(&seats, clock::mono(), KEEPS).and_then(|at| asked.get(at));
        if let Some(goes) = goes {
            goes.give_way.cancel();
        }
        goes.is_some()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Arc<Connection>>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aged(connections: &Connections, door: Door, age_ms: u64) -> Arc<Connection> {
        let connection = connections.enter(door);
        connection.since.store(clock::mono().minus_ms(age_ms).0, Ordering::Relaxed);
        connection
    }

    #[test]
    fn at_the_limit_the_oldest_that_never_asked_gives_way() {
        let connections = Connections::default();
        let engine = aged(&connections, Door::Port, 50_000);
        engine.requests.store(9, Ordering::Relaxed);
        let slow = aged(&connections, Door::Port, 9_000);
        let slower = aged(&connections, Door::Port, 9_900);
        assert!(connections.room_for(Door::Port, 4));
        assert!(!slower.give_way.is_cancelled());
        assert!(connections.room_for(Door::Port, 3));
        assert!(slower.give_way.is_cancelled() && !slow.give_way.is_cancelled() && !engine.give_way.is_cancelled());
    }

    #[test]
    fn nobody_gives_way_while_handled_or_just_come() {
        let connections = Connections::default();
        aged(&connections, Door::Port, 9_000).request_began();
        aged(&connections, Door::Port, 5);
        assert!(!connections.room_for(Door::Port, 2));
    }

    #[test]
    fn the_port_never_takes_the_places_of_the_socket() {
        let connections = Connections::default();
        let engine = aged(&connections, Door::Socket, 9_000);
        aged(&connections, Door::Port, 5);
        assert!(!connections.room_for(Door::Port, 1));
        assert!(!engine.give_way.is_cancelled());
        assert!(connections.room_for(Door::Socket, 3));
    }

    #[test]
    fn a_dribbled_head_does_not_move_its_deadline() {
        let connections = Connections::default();
        let slow = connections.enter(Door::Port);
        slow.bytes_came();
        let deadline = slow.deadline(10_000, 30_000);
        slow.bytes_came();
        assert_eq!(slow.deadline(10_000, 30_000), deadline);
    }
}
