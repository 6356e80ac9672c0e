//! The kernel's own words on addresses, routes and neighbours. Its events only say that something has changed; what
//! holds is then asked anew as a whole, so that a lost event costs nothing.

use netlink_packet_core::{NLM_F_DUMP, NLM_F_REQUEST, NetlinkHeader, NetlinkMessage, NetlinkPayload};
use netlink_packet_route::address::{AddressAttribute, AddressHeaderFlags, AddressMessage};
use netlink_packet_route::neighbour::{NeighbourAddress, NeighbourAttribute, NeighbourMessage, NeighbourState};
use netlink_packet_route::route::{RouteAddress, RouteAttribute, RouteHeader, RouteMessage, RouteType};
use netlink_packet_route::{AddressFamily, RouteNetlinkMessage};
use netlink_sys::protocols::NETLINK_ROUTE;
use netlink_sys::{Socket, SocketAddr};
use nix::libc;
use pintle_core::link::evidence::{Facts, Gateway, Way};
use std::io;
use std::net::IpAddr;
use std::path::Path;
use tokio::io::unix::AsyncFd;

/// `RTMGRP_LINK`, `RTMGRP_NEIGH`, `RTMGRP_IPV4_IFADDR`, `RTMGRP_IPV4_ROUTE`, `RTMGRP_IPV6_IFADDR`,
/// `RTMGRP_IPV6_ROUTE`. Source: Linux `include/uapi/linux/rtnetlink.h`.
const GROUPS: u32 = 0x1 | 0x4 | 0x10 | 0x40 | 0x100 | 0x400;
/// An event message is at most this long, bytes; what is longer is cut, and nobody reads it.
const EVENT_BYTES: usize = 8192;
/// The kernel fills at most this much into one part of an answer, bytes. Source: Linux `net/netlink/af_netlink.c`.
const PART_BYTES: usize = 32 * 1024;
/// Parts of one answer (our own limit: some 10,000 routes; a trailer has ten).
const PARTS_MAX: usize = 64;
/// Addresses of the receiver whose route is asked for.
const WAYS_MAX: usize = 8;
/// Ticks a second of the kernel's ages. Source: Linux `USER_HZ`, 100 on all its common platforms.
const TICK_MS: u64 = 10;

/// Tells that something has changed.
pub struct Events(AsyncFd<Socket>);

impl Events {
    /// Listens from now on.
    ///
    /// # Errors
    /// What the system says, for example where the kind of socket is forbidden.
    pub fn listen() -> io::Result<Self> {
        let mut socket = Socket::new(NETLINK_ROUTE)?;
        socket.bind(&SocketAddr::new(0, GROUPS))?;
        socket.set_non_blocking(true)?;
        #[expect(
            deprecated,
            reason = "its successor is unsafe to call; this socket owns its number for as long as it lives"
        )]
        let watched = AsyncFd::new(socket)?;
        Ok(Self(watched))
    }

    /// Waits for a change, and takes all that have come. Cancel safe.
    ///
    /// # Errors
    /// What the system says, apart from "too many came at once": that is a change, too.
    pub async fn changed(&self) -> io::Result<()> {
        loop {
            let mut ready = self.0.readable().await?;
            if 0 < self.drain()? {
                return Ok(());
            }
            ready.clear_ready();
        }
    }

    /// Takes all events that have come; answers how many.
    fn drain(&self) -> io::Result<u64> {
        let mut bytes = [0; EVENT_BYTES];
        let mut taken = 0;
        loop {
            match self.0.get_ref().recv(&mut &mut bytes[..], libc::MSG_DONTWAIT) {
                Ok(_) => taken += 1,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(taken),
                // The kernel had no room for all of them: what is lost is asked for anyway.
                Err(error) if error.raw_os_error() == Some(libc::ENOBUFS) => taken += 1,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}

/// Asks the kernel.
#[derive(Default)]
pub struct Asker {
    socket: Option<Socket>,
    number: u32,
    hop: Option<(IpAddr, u32)>,
}

/// A default route.
struct Default4or6 {
    v6: bool,
    index: u32,
    gateway: Option<IpAddr>,
    metric: u32,
}

/// A neighbour without an address was asked for three times, the first time two seconds ago, once the kernel counts so
/// many questions. Source: Linux Documentation/networking/ip-sysctl.rst and net/core/neighbour.c: it begins to count at
/// `ucast_solicit` (3) and asks once a second, `mcast_solicit` (3) times.
const UNANSWERED: u32 = 6;

/// A neighbour.
struct Neighbour {
    index: u32,
    address: IpAddr,
    state: NeighbourState,
    heard_ms: Option<u64>,
    questions: u32,
}

impl Asker {
    /// Fills what the kernel's files don't tell into `facts`: addresses, routes, the way to `receiver`, and its next
    /// hop. `sysfs_dir` gives other interfaces their names.
    ///
    /// # Errors
    /// What the system says; `facts` are as they were then.
    pub fn fill(&mut self, facts: &mut Facts, receiver: &[IpAddr], sysfs_dir: &Path) -> io::Result<()> {
        let Some(mut interface) = facts.interface.clone() else { return Ok(()) };
        let Some(index) = interface.index else { return Ok(()) };
        let filled = (|| {
            let addresses = self.addresses(index)?;
            let defaults = self.defaults()?;
            let (way, hop) = self.way(index, receiver, sysfs_dir)?;
            interface.v4 = addresses.iter().any(IpAddr::is_ipv4);
            interface.v6 = addresses.iter().any(IpAddr::is_ipv6);
            let ours = |v6: bool| defaults.iter().filter(move |one| one.index == index && one.v6 == v6);
            interface.default_route = defaults.iter().any(|one| one.index == index);
            // Where both kinds are there, IPv4 decides: it is the one that a second interface takes over.
            let v6 = ours(false).next().is_none();
            let best = ours(v6).map(|one| one.metric).min();
            let better = defaults.iter().filter(|one| one.v6 == v6 && one.index != index);
            let outdone = better.filter(|one| best.is_none_or(|best| one.metric < best)).min_by_key(|one| one.metric);
            interface.outdone_by = outdone.map(|one| name_of(sysfs_dir, one.index));
            let hop = hop.map(Some).or_else(|| {
                let first = ours(false).chain(ours(true)).min_by_key(|one| one.metric)?;
                Some(first.gateway)
            });
            self.hop = hop.flatten().map(|address| (address, index));
            (interface.gateway, interface.gateway_heard_ms) = match hop {
                Some(Some(address)) => self.neighbour(index, address)?,
                Some(None) => (Gateway::NotThere, None),
                None => (Gateway::Unknown, None),
            };
            facts.way = way;
            Ok(())
        })();
        if filled.is_ok() {
            facts.interface = Some(interface);
        } else {
            self.socket = None;
        }
        filled
    }

    /// The next hop as last asked for, and the number of its interface.
    #[must_use]
    pub fn hop(&self) -> Option<(IpAddr, u32)> {
        self.hop
    }

    /// Addresses that may be used beyond the cable.
    fn addresses(&mut self, index: u32) -> io::Result<Vec<IpAddr>> {
        let answers = self.ask(RouteNetlinkMessage::GetAddress(AddressMessage::default()), true)?;
        let usable = |message: AddressMessage| {
            if message.header.index != index || message.header.flags.contains(AddressHeaderFlags::Tentative) {
                return None;
            }
            let of = |local: bool| {
                message.attributes.iter().find_map(|attribute| match attribute {
                    AddressAttribute::Local(address) if local => Some(*address),
                    AddressAttribute::Address(address) if !local => Some(*address),
                    _ => None,
                })
            };
            of(true).or_else(|| of(false)).filter(beyond_the_cable)
        };
        Ok(answers
            .into_iter()
            .filter_map(|answer| match answer {
                RouteNetlinkMessage::NewAddress(message) => usable(message),
                _ => None,
            })
            .collect())
    }

    /// Default routes of the main table.
    fn defaults(&mut self) -> io::Result<Vec<Default4or6>> {
        let answers = self.ask(RouteNetlinkMessage::GetRoute(RouteMessage::default()), true)?;
        let mut defaults = Vec::new();
        for answer in answers {
            let RouteNetlinkMessage::NewRoute(message) = answer else { continue };
            let header = &message.header;
            let main = header.table == RouteHeader::RT_TABLE_MAIN;
            if header.destination_prefix_length != 0 || header.kind != RouteType::Unicast || !main {
                continue;
            }
            let v6 = header.address_family == AddressFamily::Inet6;
            let metric = message.attributes.iter().find_map(|attribute| match attribute {
                RouteAttribute::Priority(metric) => Some(*metric),
                _ => None,
            });
            for (index, gateway) in hops(&message) {
                defaults.push(Default4or6 { v6, index, gateway, metric: metric.unwrap_or(0) });
            }
        }
        Ok(defaults)
    }

    /// The way to the receiver, and its next hop over our interface.
    fn way(&mut self, index: u32, receiver: &[IpAddr], sysfs_dir: &Path) -> io::Result<(Way, Option<IpAddr>)> {
        let mut way = Way::Unknown;
        for address in receiver.iter().filter(|address| !address.is_loopback()).take(WAYS_MAX) {
            let mut message = RouteMessage::default();
            message.header.address_family = if address.is_ipv4() { AddressFamily::Inet } else { AddressFamily::Inet6 };
            message.header.destination_prefix_length = if address.is_ipv4() { 32 } else { 128 };
            message.attributes.push(RouteAttribute::Destination((*address).into()));
            match self.ask(RouteNetlinkMessage::GetRoute(message), false) {
                Ok(answers) => {
                    let route = answers.iter().find_map(|answer| match answer {
                        RouteNetlinkMessage::NewRoute(message) => hops(message).into_iter().next(),
                        _ => None,
                    });
                    match route {
                        Some((over, gateway)) if over == index => {
                            return Ok((Way::Ours, Some(gateway.unwrap_or(*address))));
                        }
                        Some((over, _)) => way = Way::Other(name_of(sysfs_dir, over)),
                        None => {}
                    }
                }
                Err(error) if no_way(&error) => {
                    if way == Way::Unknown {
                        way = Way::None;
                    }
                }
                Err(error) => return Err(error),
            }
        }
        Ok((way, None))
    }

    fn neighbour(&mut self, index: u32, address: IpAddr) -> io::Result<(Gateway, Option<u64>)> {
        let answers = self.ask(RouteNetlinkMessage::GetNeighbour(NeighbourMessage::default()), true)?;
        let entry = answers.into_iter().find_map(|answer| match answer {
            RouteNetlinkMessage::NewNeighbour(message) => {
                neighbour(&message).filter(|one| one.index == index && one.address == address)
            }
            _ => None,
        });
        // While something is sent all the time, a neighbour that was given up is asked for anew within a moment, and
        // so on for ever: whoever looks once a second may never see it given up.
        let in_vain = entry.as_ref().is_some_and(|one| UNANSWERED <= one.questions);
        Ok(match entry.as_ref().map(|one| (one.state, one.heard_ms)) {
            Some((NeighbourState::Failed, _)) => (Gateway::Failed, None),
            Some((NeighbourState::Incomplete, _)) if in_vain => (Gateway::Failed, None),
            Some((NeighbourState::Noarp | NeighbourState::Permanent, _)) => (Gateway::NotThere, None),
            Some((NeighbourState::Reachable, heard_ms)) => (Gateway::Answers, heard_ms),
            Some((NeighbourState::Stale | NeighbourState::Delay | NeighbourState::Probe, heard_ms)) => {
                (Gateway::Unknown, heard_ms)
            }
            _ => (Gateway::Unknown, None),
        })
    }

    /// Sends one request and reads the whole answer, which the kernel gives at once.
    fn ask(&mut self, message: RouteNetlinkMessage, dump: bool) -> io::Result<Vec<RouteNetlinkMessage>> {
        self.number = self.number.wrapping_add(1);
        if self.socket.is_none() {
            let mut socket = Socket::new(NETLINK_ROUTE)?;
            socket.bind_auto()?;
            socket.connect(&SocketAddr::new(0, 0))?;
            socket.set_non_blocking(true)?;
            self.socket = Some(socket);
        }
        let Some(socket) = &self.socket else { return Err(io::ErrorKind::NotConnected.into()) };
        let mut header = NetlinkHeader::default();
        header.flags = if dump { NLM_F_REQUEST | NLM_F_DUMP } else { NLM_F_REQUEST };
        header.sequence_number = self.number;
        let mut request = NetlinkMessage::new(header, NetlinkPayload::from(message));
        request.finalize();
        let mut bytes = vec![0; request.buffer_len()];
        request.serialize(&mut bytes);
        socket.send(&bytes, 0)?;
        let mut answers = Vec::new();
        let mut part = vec![0; PART_BYTES];
        for _ in 0..PARTS_MAX {
            let len = socket.recv(&mut &mut part[..], 0)?;
            let mut rest = &part[..len.min(PART_BYTES)];
            while let Some(length) = rest.first_chunk::<4>().map(|four| u32::from_ne_bytes(*four) as usize) {
                let Some(one) = rest.get(..length).filter(|_| 16 <= length) else { break };
                // Messages are padded to four bytes. Source: Linux `NLMSG_ALIGN`.
                rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
                let Ok(message) = NetlinkMessage::<RouteNetlinkMessage>::deserialize(one) else { continue };
                if message.header.sequence_number != self.number {
                    continue;
                }
                match message.payload {
                    NetlinkPayload::Done(_) => return Ok(answers),
                    NetlinkPayload::Error(error) => {
                        return match error.code {
                            Some(code) => Err(io::Error::from_raw_os_error(code.get().abs())),
                            None => Ok(answers),
                        };
                    }
                    NetlinkPayload::InnerMessage(inner) if dump => answers.push(inner),
                    NetlinkPayload::InnerMessage(inner) => return Ok(vec![inner]),
                    _ => {}
                }
            }
        }
        Err(io::Error::new(io::ErrorKind::InvalidData, "the kernel's answer has no end"))
    }
}

fn no_way(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::ENETUNREACH | libc::EHOSTUNREACH | libc::ENETDOWN | libc::EACCES))
}

/// Neither loopback nor an address that a host gives itself when nobody answers. Source: RFC 3927, RFC 4291.
fn beyond_the_cable(address: &IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => !v4.is_loopback() && !v4.is_link_local() && !v4.is_unspecified(),
        IpAddr::V6(v6) => !v6.is_loopback() && !v6.is_unicast_link_local() && !v6.is_unspecified(),
    }
}

/// Interfaces that a route leads over, each with its next hop.
fn hops(message: &RouteMessage) -> Vec<(u32, Option<IpAddr>)> {
    let address = |attributes: &[RouteAttribute]| {
        attributes.iter().find_map(|attribute| match attribute {
            RouteAttribute::Gateway(RouteAddress::Inet(v4)) => Some(IpAddr::V4(*v4)),
            RouteAttribute::Gateway(RouteAddress::Inet6(v6)) => Some(IpAddr::V6(*v6)),
            _ => None,
        })
    };
    let mut hops = Vec::new();
    for attribute in &message.attributes {
        match attribute {
            RouteAttribute::Oif(index) => hops.push((*index, address(&message.attributes))),
            RouteAttribute::MultiPath(next) => {
                hops.extend(next.iter().map(|hop| (hop.interface_index, address(&hop.attributes))));
            }
            _ => {}
        }
    }
    hops
}

fn neighbour(message: &NeighbourMessage) -> Option<Neighbour> {
    let mut address = None;
    let mut heard_ms = None;
    let mut questions = 0;
    for attribute in &message.attributes {
        match attribute {
            NeighbourAttribute::Destination(NeighbourAddress::Inet(v4)) => address = Some(IpAddr::V4(*v4)),
            NeighbourAttribute::Destination(NeighbourAddress::Inet6(v6)) => address = Some(IpAddr::V6(*v6)),
            NeighbourAttribute::CacheInfo(info) => heard_ms = Some(u64::from(info.confirmed) * TICK_MS),
            NeighbourAttribute::Probes(count) => questions = *count,
            _ => {}
        }
    }
    let (index, state) = (message.header.ifindex, message.header.state);
    Some(Neighbour { index, address: address?, state, heard_ms, questions })
}

/// The present name of another interface.
fn name_of(sysfs_dir: &Path, index: u32) -> String {
    let entries = std::fs::read_dir(sysfs_dir).into_iter().flatten().flatten();
    let found = entries.take(256).find(|entry| {
        let number = std::fs::read_to_string(entry.path().join("ifindex")).unwrap_or_default();
        number.trim().parse() == Ok(index)
    });
    let name = found.and_then(|entry| entry.file_name().into_string().ok());
    name.unwrap_or_else(|| format!("interface {index}"))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::config::{Link, Pick};
    use crate::io::netif::Finder;
    use std::net::Ipv4Addr;

    #[test]
    fn loopback_of_this_computer_is_there_and_leads_nowhere() {
        let mut asker = Asker::default();
        let link = Link::of(Pick::Name("lo".to_owned()));
        let mut facts = Finder::default().read(&link);
        if facts.interface.is_none() {
            return; // no /sys here
        }
        asker.fill(&mut facts, &[IpAddr::V4(Ipv4Addr::LOCALHOST)], &link.sysfs_dir).unwrap();
        let interface = facts.interface.unwrap();
        assert!(interface.on && !interface.v4 && !interface.v6 && !interface.default_route, "{interface:?}");
        assert_eq!(facts.way, Way::Unknown, "a receiver on this computer needs no way");
    }

    #[test]
    fn addresses_that_a_host_gives_itself_lead_nowhere() {
        for own in ["127.0.0.1", "169.254.7.7", "::1", "fe80::1", "0.0.0.0"] {
            assert!(!beyond_the_cable(&own.parse().unwrap()), "{own}");
        }
        for good in ["192.0.2.7", "10.0.0.2", "2001:db8::7", "fd00::7"] {
            assert!(beyond_the_cable(&good.parse().unwrap()), "{good}");
        }
    }
}
