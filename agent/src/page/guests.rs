//! How many connections one source may hold: who holds all that there are would shut everybody else out, also the
//! person whose page is open.

use super::tries;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// Connections of one source at a time: two browsers with six each, and some (our own limit). It is half of all.
const OF_ONE_SOURCE_MAX: usize = 16;

/// Who is there now.
#[derive(Default)]
pub(super) struct Guests(Mutex<BTreeMap<String, usize>>);

/// One connection; its place is free again when it is dropped.
pub(super) struct Guest {
    source: String,
    all: Arc<Guests>,
}

impl Guests {
    /// A place for a connection from there, if that source has not enough already.
    pub(super) fn admit(self: &Arc<Self>, address: IpAddr) -> Option<Guest> {
        let source = tries::source(address);
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let own = all.entry(source.clone()).or_default();
        if OF_ONE_SOURCE_MAX <= *own {
            return None;
        }
        *own += 1;
        Some(Guest { source, all: Arc::clone(self) })
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let mut all = self.all.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = all.get_mut(&self.source) {
            *own -= 1;
            if *own == 0 {
                all.remove(&self.source);
            }
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn one_source_holds_half_of_all_places_and_leaves_nothing_behind() {
        let guests = Arc::new(Guests::default());
        let address = |n: u8| IpAddr::from([10, 0, 0, n]);
        let many: Vec<Guest> = (0..100).filter_map(|_| guests.admit(address(1))).collect();
        assert_eq!(many.len(), OF_ONE_SOURCE_MAX);
        let other = guests.admit(address(2)).unwrap();
        drop(many);
        assert!(guests.admit(address(1)).is_some(), "a place that is given back is free");
        drop(other);
        assert!(guests.0.lock().unwrap().is_empty());
    }
}
