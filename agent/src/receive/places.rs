//! The places of connections: how many there are, whose they are, and who gives way when all are taken.
//!
//! A connection counts as known once a request of it was allowed, or its certificate names a trailer. Those who are not
//! known yet have half of all places for one address, and if all places are taken, they give way first: the oldest of
//! the address that has most of them. Many trailers may stand behind one address; the known ones don't count for it.

use crate::clock;
use pintle_core::moment::Mono;
use pintle_core::seats::{KeepsPlace, Seat, gives_way};
use std::net::IpAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;
use tokio_util::sync::CancellationToken;

/// A known connection gives way only after this long without a request, ms; one that isn't known at once (our own
/// choice: a trailer's next batch comes sooner than that while it has any).
const KEEPS: KeepsPlace = KeepsPlace { newcomer_ms: 0, quiet_ms: 5_000 };

/// How often it is looked whether somebody may be asked to give way (our own choice).
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// One connection's place.
pub(super) struct Place {
    peer: IpAddr,
    /// Cancelled when it has to give way to another.
    pub(super) give_way: CancellationToken,
    known: AtomicBool,
    busy: AtomicUsize,
    since: AtomicU64,
}

impl Place {
    /// A request was allowed, or the certificate names a trailer.
    pub(super) fn is_known(&self) {
        self.known.store(true, Ordering::Relaxed);
    }

    /// An answer without an end was begun: the connection keeps its place as long as it stands.
    pub(super) fn stays(&self) {
        self.busy.fetch_add(1, Ordering::Relaxed);
    }

    /// A request begins; it ends when what this gives is dropped.
    pub(super) fn request(self: &Arc<Self>) -> Busy {
        self.busy.fetch_add(1, Ordering::Relaxed);
        Busy(Arc::clone(self))
    }
}

/// While it lives, a request is being handled.
pub(super) struct Busy(Arc<Place>);

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.busy.fetch_sub(1, Ordering::Relaxed);
        self.0.since.store(clock::mono().0, Ordering::Relaxed);
    }
}

/// All places.
pub(super) struct Places {
    max: usize,
    open: Mutex<Vec<Arc<Place>>>,
    left: Notify,
    gave_way: AtomicU64,
}

/// Figures of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct PlaceFigures {
    pub(super) open: usize,
    pub(super) known: usize,
    pub(super) gave_way: u64,
}

impl Places {
    pub(super) fn new(max: usize) -> Arc<Self> {
        let (open, left) = (Mutex::default(), Notify::new());
        Arc::new(Self { max, open, left, gave_way: AtomicU64::new(0) })
    }

    /// Waits until there is a place for one more; if all are taken, somebody is told to give way. Cancel safe.
    pub(super) async fn room(&self) {
        loop {
            // Asked for before the look, so that nobody leaves unseen between look and wait.
            let left = self.left.notified();
            if self.has_room(None) {
                return;
            }
            // A known one that falls quiet wakes nobody.
            drop(tokio::time::timeout(LOOK_EVERY, left).await);
        }
    }

    /// Takes a place for a connection from `peer`. If that address has its share of unknown ones already, the oldest of
    /// them gives way.
    pub(super) fn enter(&self, peer: IpAddr) -> Arc<Place> {
        let peer = address_of(peer);
        self.has_room(Some(peer));
        let place = Arc::new(Place {
            peer,
            give_way: CancellationToken::new(),
            known: AtomicBool::new(false),
            busy: AtomicUsize::new(0),
            since: AtomicU64::new(clock::mono().0),
        });
        self.lock().push(Arc::clone(&place));
        place
    }

    pub(super) fn leave(&self, place: &Arc<Place>) {
        self.lock().retain(|open| !Arc::ptr_eq(open, place));
        self.left.notify_one();
    }

    pub(super) fn figures(&self) -> PlaceFigures {
        let open = self.lock();
        let known = open.iter().filter(|place| place.known.load(Ordering::Relaxed)).count();
        PlaceFigures { open: open.len(), known, gave_way: self.gave_way.load(Ordering::Relaxed) }
    }

    /// Whether there is room, for all or for another unknown one of `peer`; if not, somebody is told to give way.
    fn has_room(&self, peer: Option<IpAddr>) -> bool {
        let open = self.lock();
        let staying: Vec<&Arc<Place>> = open.iter().filter(|place| !place.give_way.is_cancelled()).collect();
        let unknown = |place: &Place| !place.known.load(Ordering::Relaxed);
        let crowd = |of: IpAddr| staying.iter().filter(|place| place.peer == of && unknown(place)).count();
        let enough = match peer {
            Some(peer) => crowd(peer) < self.max.div_ceil(2),
            None => staying.len() < self.max,
        };
        if enough {
            return true;
        }
        let asked: Vec<&Arc<Place>> = staying
            .iter()
            .filter(|place| peer.is_none_or(|peer| place.peer == peer && unknown(place)))
            .copied()
            .collect();
        let seats: Vec<Seat> = asked
            .iter()
            .map(|place| Seat {
                since: Mono(place.since.load(Ordering::Relaxed)),
                newcomer: unknown(place),
                // What an unknown one asks for is refused in any case.
                busy: !unknown(place) && 0 < place.busy.load(Ordering::Relaxed),
                crowd: crowd(place.peer),
            })
            .collect();
        let goes = gives_way(&seats, clock::mono(), KEEPS);
        if let Some(goes) = goes.and_then(|at| asked.get(at)) {
            self.gave_way.fetch_add(1, Ordering::Relaxed);
            goes.give_way.cancel();
        }
        goes.is_some()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Arc<Place>>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whoever has an IPv6 address has the other 2^64 of its network too.
fn address_of(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(address) => IpAddr::V6((u128::from(address) & !u128::from(u64::MAX)).into()),
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1));
    const THERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 2));

    fn gone(places: &[Arc<Place>]) -> Vec<usize> {
        places.iter().enumerate().filter(|(_, place)| place.give_way.is_cancelled()).map(|(at, _)| at).collect()
    }

    #[tokio::test]
    async fn one_address_has_half_of_the_places_for_unknown_ones_and_known_ones_do_not_count() {
        let places = Places::new(8);
        let known: Vec<Arc<Place>> = (0..4).map(|_| places.enter(HERE)).collect();
        for place in &known {
            place.is_known();
        }
        let unknown: Vec<Arc<Place>> = (0..6).map(|_| places.enter(HERE)).collect();
        assert_eq!((gone(&known), gone(&unknown)), (vec![], vec![0, 1]), "the oldest of the unknown ones");
        assert_eq!(places.figures().gave_way, 2);
    }

    #[tokio::test]
    async fn when_all_places_are_taken_the_crowd_gives_way_and_a_stranger_elsewhere_stays() {
        let places = Places::new(6);
        let stranger = places.enter(THERE);
        let crowd: Vec<Arc<Place>> = (0..3).map(|_| places.enter(HERE)).collect();
        let known: Vec<Arc<Place>> = (0..2).map(|_| places.enter(THERE)).collect();
        for place in &known {
            place.is_known();
        }
        places.room().await;
        assert_eq!((gone(&crowd), stranger.give_way.is_cancelled(), gone(&known)), (vec![0], false, vec![]));
    }

    #[tokio::test]
    async fn where_all_are_handled_the_next_waits_until_one_leaves() {
        let places = Places::new(1);
        let place = places.enter(HERE);
        place.is_known();
        let busy = place.request();
        let waits = tokio::time::timeout(Duration::from_millis(20), places.room());
        assert!(waits.await.is_err());
        drop(busy);
        places.leave(&place);
        places.room().await;
    }

    #[test]
    fn addresses_of_one_ipv6_network_are_one() {
        let address = |text: &str| address_of(text.parse().expect("an address"));
        assert_eq!(address("2001:db8:0:1::5"), address("2001:db8:0:1:ffff::9"));
        assert_ne!(address("2001:db8:0:1::5"), address("2001:db8:0:2::5"));
        assert_eq!(address("::ffff:192.0.2.1"), HERE);
    }
}
