//! Ethernet frames between the namespaces of `netns.rs`: a stretch of the way that takes time and loses packets, and an
//! ear on an interface. The kernel's own delay (netem) is not everywhere; a packet socket is.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use super::netns::within;
use nix::ifaddrs::getifaddrs;
use nix::sys::socket::{AddressFamily, SockFlag, SockProtocol, SockType, SockaddrLike as _};
use nix::sys::socket::{bind, setsockopt, socket, sockopt};
use std::net::UdpSocket;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Longest frame that fits on the cable: a packet of 1,500 bytes and its head. Source: IEEE 802.3.
const FRAME_BYTES_MAX: usize = 1514;
/// So long a thread listens before it looks whether it shall end.
const LISTEN: Duration = Duration::from_millis(100);
const IPV4: u16 = 0x0800;
const IPV6: u16 = 0x86dd;
const TCP: u8 = 6;
const UDP: u8 = 17;

/// A socket on all frames of one interface. It never hears what it sent itself.
fn frames_of(namespace: &str, interface: &str) -> UdpSocket {
    let interface = interface.to_owned();
    within(namespace, move || {
        let fd = socket(AddressFamily::Packet, SockType::Raw, SockFlag::SOCK_CLOEXEC, SockProtocol::EthAll).unwrap();
        let mut addresses = getifaddrs().unwrap().filter(|one| one.interface_name == interface);
        let address = addresses.find_map(|one| one.address.filter(|at| at.family() == Some(AddressFamily::Packet)));
        bind(std::os::fd::AsRawFd::as_raw_fd(&fd), address.unwrap().as_link_addr().unwrap()).unwrap();
        // A busy computer must lose nothing of its own accord.
        setsockopt(&fd, sockopt::RcvBufForce, &(8 << 20)).unwrap();
        // Of the standard library's sockets this one reads, writes and waits for a while; its address is never asked.
        let socket = UdpSocket::from(fd);
        socket.set_read_timeout(Some(LISTEN)).unwrap();
        socket
    })
}

/// How a stretch of the way is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Weather {
    /// Every frame takes so long in each direction.
    pub(crate) each_way: Duration,
    /// Of so many packets of a million one way is lost.
    pub(crate) lost_ppm: u64,
    /// Which of them.
    pub(crate) seed: u64,
}

/// What the relay saw in one direction.
#[derive(Debug, Default)]
pub(crate) struct Counts {
    /// Packets that came, lost ones among them.
    pub(crate) packets: AtomicU64,
    /// Lost on purpose.
    pub(crate) lost: AtomicU64,
    /// Longer than the cable carries: put together by a computer that left the cutting to its card.
    pub(crate) too_long: AtomicU64,
    /// With a checksum that is wrong: left to a card that is not there.
    pub(crate) wrong_sum: AtomicU64,
    /// Checksums that were right.
    pub(crate) right_sum: AtomicU64,
    /// Bytes of the largest frame.
    pub(crate) longest: AtomicU64,
    /// Frames that could not be sent on.
    pub(crate) stuck: AtomicU64,
}

/// Carries frames between two interfaces of a namespace, both ways.
pub(crate) struct Relay {
    /// From the first to the second, and back.
    pub(crate) counts: [Arc<Counts>; 2],
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Relay {
    /// Begins; both interfaces should be switched on only then.
    pub(crate) fn start(namespace: &str, between: [&str; 2], weather: Weather) -> Self {
        let sockets = between.map(|interface| frames_of(namespace, interface));
        let stop = Arc::new(AtomicBool::new(false));
        let (counts, mut threads) = ([Arc::default(), Arc::default()], Vec::new());
        for (way, one) in sockets.iter().enumerate() {
            let (from, to) = (one.try_clone().unwrap(), sockets[1 - way].try_clone().unwrap());
            let (count, stop): (Arc<Counts>, _) = (Arc::clone(&counts[way]), Arc::clone(&stop));
            let (later, due) = mpsc::channel::<(Instant, Vec<u8>)>();
            let sent = Arc::clone(&count);
            threads.push(std::thread::spawn(move || {
                let mut random = Random(weather.seed ^ (way as u64) << 63);
                let mut frame = vec![0; 1 << 16];
                while !stop.load(Ordering::SeqCst) {
                    let Ok(len) = from.recv(&mut frame) else { continue };
                    if !count.loses(&frame[..len], weather.lost_ppm, &mut random) {
                        drop(later.send((Instant::now() + weather.each_way, frame[..len].to_vec())));
                    }
                }
            }));
            threads.push(std::thread::spawn(move || {
                for (at, frame) in due {
                    std::thread::sleep(at.saturating_duration_since(Instant::now()));
                    if to.send(&frame).is_err() {
                        sent.stuck.fetch_add(1, Ordering::SeqCst);
                    }
                }
            }));
        }
        Self { counts, stop, threads }
    }

    /// Sum over both directions.
    pub(crate) fn both(&self, of: impl Fn(&Counts) -> &AtomicU64) -> u64 {
        self.counts.iter().map(|counts| of(counts).load(Ordering::SeqCst)).sum()
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        for thread in self.threads.drain(..) {
            drop(thread.join());
        }
    }
}

impl Counts {
    /// Counts one frame; answers whether it is lost. Who is where on the cable (ARP) is never lost: a radio has no such
    /// question.
    fn loses(&self, frame: &[u8], lost_ppm: u64, random: &mut Random) -> bool {
        let add = |to: &AtomicU64| to.fetch_add(1, Ordering::SeqCst);
        if !matches!(kind(frame), Some(IPV4 | IPV6)) {
            return false;
        }
        add(&self.packets);
        self.longest.fetch_max(frame.len() as u64, Ordering::SeqCst);
        if FRAME_BYTES_MAX < frame.len() {
            add(&self.too_long);
        }
        match sums_right(frame) {
            Some(true) => drop(add(&self.right_sum)),
            Some(false) => drop(add(&self.wrong_sum)),
            None => {}
        }
        let lost = random.next() % 1_000_000 < lost_ppm;
        if lost {
            add(&self.lost);
        }
        lost
    }
}

/// `SplitMix64`: a row of numbers that a seed repeats. Source: Steele, Lea and Flood 2014, figure 15.
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// Hears every frame of an interface until it is dropped.
pub(crate) struct Ear {
    heard: Arc<Mutex<Vec<Vec<u8>>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Ear {
    pub(crate) fn listen(namespace: &str, interface: &str) -> Self {
        let socket = frames_of(namespace, interface);
        let (heard, stop) = (Arc::<Mutex<Vec<Vec<u8>>>>::default(), Arc::new(AtomicBool::new(false)));
        let (hears, ends) = (Arc::clone(&heard), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            let mut frame = vec![0; 1 << 16];
            while !ends.load(Ordering::SeqCst) {
                if let Ok(len) = socket.recv(&mut frame) {
                    hears.lock().unwrap().push(frame[..len].to_vec());
                }
            }
        });
        Self { heard, stop, thread: Some(thread) }
    }

    /// All frames so far.
    pub(crate) fn heard(&self) -> Vec<Vec<u8>> {
        self.heard.lock().unwrap().clone()
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        drop(self.thread.take().map(JoinHandle::join));
    }
}

/// What a frame carries (its `EtherType`).
fn kind(frame: &[u8]) -> Option<u16> {
    Some(u16::from_be_bytes([*frame.get(12)?, *frame.get(13)?]))
}

/// Whether a frame carries IPv4.
pub(crate) fn is_v4(frame: &[u8]) -> bool {
    kind(frame) == Some(IPV4)
}

/// Whether a frame carries IPv6.
pub(crate) fn is_v6(frame: &[u8]) -> bool {
    kind(frame) == Some(IPV6)
}

/// The packet's parts: protocol, both addresses one after the other, what it carries. Fragments have none.
/// Source: RFC 791 section 3.1, RFC 8200 section 3.
pub(crate) fn parts(frame: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let packet = frame.get(14..)?;
    if is_v4(frame) {
        let head = usize::from(packet.first()? & 15) * 4;
        let total = usize::from(u16::from_be_bytes([*packet.get(2)?, *packet.get(3)?]));
        let fragment = u16::from_be_bytes([*packet.get(6)?, *packet.get(7)?]) & 0x3fff;
        return (fragment == 0).then_some((*packet.get(9)?, packet.get(12..20)?, packet.get(head..total)?));
    }
    let total = 40 + usize::from(u16::from_be_bytes([*packet.get(4)?, *packet.get(5)?]));
    is_v6(frame).then_some((*packet.get(6)?, packet.get(8..40)?, packet.get(40..total)?))
}

/// The destination port and what goes there, of a TCP segment or UDP datagram.
pub(crate) fn to_port(frame: &[u8]) -> Option<(u8, u16, &[u8])> {
    let (protocol, _, bytes) = parts(frame)?;
    let port = u16::from_be_bytes([*bytes.get(2)?, *bytes.get(3)?]);
    let head = if protocol == TCP { usize::from(bytes.get(12)? >> 4) * 4 } else { 8 };
    matches!(protocol, TCP | UDP).then_some((protocol, port, bytes.get(head..)?))
}

/// Whether the checksums of a packet are right; `None` if it has none that are looked at.
/// Source: RFC 1071; RFC 9293 section 3.1 and RFC 768 for what they cover.
fn sums_right(frame: &[u8]) -> Option<bool> {
    let (protocol, addresses, bytes) = parts(frame)?;
    let head = if is_v4(frame) { frame.get(14..14 + usize::from(frame[14] & 15) * 4)? } else { &[] };
    let none = protocol == UDP && bytes.get(6..8)? == [0, 0];
    if !matches!(protocol, TCP | UDP) || none {
        return None;
    }
    let length = u32::try_from(bytes.len()).ok()?;
    let sum = folded(sum(addresses) + sum(bytes) + u64::from(protocol) + u64::from(length));
    Some(sum == 0xffff && (head.is_empty() || folded(self::sum(head)) == 0xffff))
}

fn sum(bytes: &[u8]) -> u64 {
    let words = bytes.chunks(2).map(|two| u16::from_be_bytes([two[0], two.get(1).copied().unwrap_or(0)]));
    words.map(u64::from).sum()
}

fn folded(mut sum: u64) -> u64 {
    while 0xffff < sum {
        sum = (sum & 0xffff) + (sum >> 16);
    }
    sum
}
