//! The receiver's addresses as they are known here, and whether they still mean anything.

use pintle_core::link::evidence::{Facts, Way};
use std::net::IpAddr;

/// What kinds of address the tether has, and which interface it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Kind {
    index: Option<u32>,
    v4: bool,
    v6: bool,
}

/// The receiver's addresses, and whether they belong to the network of now: a name that was found over IPv4 says
/// nothing once the carrier gives IPv6 alone.
#[derive(Debug, Default)]
pub(super) struct Addresses {
    found: Vec<IpAddr>,
    kind: Option<Kind>,
    /// On this kind of network they were found, or asked for in vain.
    of: Option<Kind>,
    /// On this kind of network the running probe began.
    asked: Option<Kind>,
    forgotten: bool,
}

impl Addresses {
    /// A probe begins; answers what is known for it.
    pub(super) fn ask(&mut self) -> Vec<IpAddr> {
        self.asked = self.kind;
        self.found.clone()
    }

    /// A probe has found these; none: it found nothing.
    pub(super) fn found(&mut self, found: Vec<IpAddr>) {
        self.found = found;
        if !self.found.is_empty() {
            (self.of, self.forgotten) = (self.asked, false);
        }
    }

    /// These, and where the receiver answered last, however its address was found.
    pub(super) fn with(&self, last_good: Option<IpAddr>) -> Vec<IpAddr> {
        let mut all = self.found.clone();
        if let Some(good) = last_good.filter(|good| !self.forgotten && !all.contains(good)) {
            all.push(good);
        }
        all
    }

    /// Whether none of them can be reached over a tether that has a way out, and its network has changed since they
    /// were found: then they are forgotten, once for each change.
    pub(super) fn are_of_another_network(&mut self, facts: &Facts) -> bool {
        let Some(interface) = &facts.interface else { return false };
        let kind = Kind { index: interface.index, v4: interface.v4, v6: interface.v6 };
        self.kind = Some(kind);
        if !interface.default_route || !matches!(facts.way, Way::None | Way::Other(_)) {
            return false;
        }
        if self.of != self.kind {
            (self.of, self.forgotten) = (self.kind, true);
            self.found.clear();
        }
        self.forgotten
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::link::evidence::Interface;

    fn facts(v4: bool, way: Way) -> Facts {
        let interface = Interface { index: Some(2), v4, v6: !v4, default_route: true, ..Interface::default() };
        Facts { interface: Some(interface), way, ..Facts::default() }
    }

    #[test]
    fn addresses_of_another_kind_of_network_are_forgotten_once_and_asked_for_anew() {
        let (old, new) = (IpAddr::from([198, 51, 100, 2]), IpAddr::from([0x64, 0xff9b, 0, 0, 0, 0, 0xc633, 0x6402]));
        let mut addresses = Addresses::default();
        assert!(!addresses.are_of_another_network(&facts(true, Way::Unknown)));
        assert!(addresses.ask().is_empty());
        addresses.found(vec![old]);
        assert!(!addresses.are_of_another_network(&facts(true, Way::Ours)));
        // The same network without a way there: that is a finding.
        assert!(!addresses.are_of_another_network(&facts(true, Way::None)));
        assert_eq!(addresses.with(Some(old)), [old]);
        // The carrier gives IPv6 alone: neither they nor where the receiver answered last says anything, nor what a
        // probe of before the change brings.
        assert_eq!(addresses.ask(), [old]);
        assert!(addresses.are_of_another_network(&facts(false, Way::None)));
        assert!(addresses.are_of_another_network(&facts(false, Way::None)), "until a probe has asked");
        assert!(addresses.with(Some(old)).is_empty());
        addresses.found(vec![old]);
        assert!(addresses.are_of_another_network(&facts(false, Way::None)));
        assert!(addresses.ask().is_empty());
        addresses.found(vec![new]);
        assert_eq!(addresses.with(Some(old)), [new, old]);
        assert!(!addresses.are_of_another_network(&facts(false, Way::Ours)));
        // Asked anew and still no way: it is told.
        assert!(addresses.are_of_another_network(&facts(true, Way::None)));
        addresses.ask();
        addresses.found(vec![new]);
        assert!(!addresses.are_of_another_network(&facts(true, Way::None)));
        // Without a default route the kernel has said it all.
        let mut lost = facts(false, Way::None);
        lost.interface.iter_mut().for_each(|one| one.default_route = false);
        assert!(!addresses.are_of_another_network(&lost));
    }
}
