//! One probe of the way to the receiver: name, connection, and, where something is in doubt, whose fault it is. It
//! sends no event and no name of the trailer, follows nothing, and ends within a bound whatever the other end does.

use super::names::Resolver;
use crate::clock;
use nix::sys::socket::setsockopt;
use nix::sys::socket::sockopt::TcpMaxSeg;
use pintle_core::link::evidence::{Ask, Names, Probe, Tcp};
use std::io;
use std::net::{IpAddr, SocketAddr, SocketAddrV6, UdpSocket};
use std::pin::pin;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpSocket, TcpStream};
use tokio::task::JoinSet;

/// How long a name may take (our own limit: the resolver's first try and half of its second).
const NAMES_WAIT: Duration = Duration::from_secs(5);
/// How long a connection may take: first packet, and the two that follow it after one and three seconds. Two looks one
/// after the other fit into the 20 s in which a rung has to be named.
const CONNECT_WAIT: Duration = Duration::from_secs(4);
/// Others are asked once the receiver has been silent for this long (our own limit: a lost first packet has been sent
/// again by then).
const OTHERS_AFTER: Duration = Duration::from_millis(1500);
/// Nobody listens there, and whoever gets it throws it away. Source: RFC 863.
const DISCARD_PORT: u16 = 9;
/// How long the first bytes of an answer may take.
const ANSWER_WAIT: Duration = Duration::from_secs(3);
/// Bytes of the large first packet: more than fits into one on any Ethernet (1500), so its first segment is full.
const LARGE_BYTES: usize = 1700;
/// Segments of a small packet, bytes of payload. Source: RFC 9293, the default of 536.
const SMALL_SEGMENT: u32 = 536;
/// An answer of a web server is read up to this, bytes.
const WEB_BYTES: usize = 2048;
/// What a name costs, bytes: question and answer for both kinds of address.
const NAME_COST: u64 = 400;
/// What a connection costs, bytes: seven packets with their headers.
const CONNECT_COST: u64 = 420;

/// Where to probe.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Goal {
    /// Name or number.
    pub host: String,
    /// Port.
    pub port: u16,
    /// It speaks TLS from the first byte.
    pub tls: bool,
    /// It speaks HTTP, so a large first packet has an answer.
    pub http: bool,
    /// Other addresses that answer when the internet does, `host:port`.
    pub others: Vec<(String, u16)>,
}

/// Probes once. `known` are the receiver's addresses as last found; the new ones come back.
pub async fn probe(goal: &Goal, ask: Ask, known: &[IpAddr], resolver: &Resolver) -> (Probe, Vec<IpAddr>) {
    let mut addresses = known.to_vec();
    let names = ask.names_anew || addresses.is_empty();
    if names {
        // A probe begins when its question leaves: what was heard before says nothing about it.
        resolver.ready(NAMES_WAIT).await;
    }
    let mut probe = Probe { began: clock::mono(), plain: !ask.strangers, ..Probe::default() };
    if names {
        let (names, found) = resolver.ask(&goal.host, NAMES_WAIT).await;
        probe.names = names;
        if names != Names::NotAsked {
            probe.cost += NAME_COST;
        }
        if !found.is_empty() {
            addresses = found;
        }
    }
    let named = matches!(probe.names, Names::Found | Names::NotAsked);
    if named && ask.strangers && goal.host.parse::<IpAddr>().is_err() {
        probe.names_lie = names_lie(resolver, &addresses, &mut probe.cost).await;
    }
    if named {
        let (portal, reached) = look(goal, &addresses, ask.strangers, resolver, &mut probe.cost).await;
        (probe.portal, probe.tcp, probe.others_answer) = (portal, reached.tcp, reached.others_answer);
        let through = matches!(probe.tcp, Tcp::Connected(_));
        if through && ask.sizes && goal.http {
            let large = answers(goal, &addresses, false, &mut probe.cost).await;
            probe.large_passes = Some(large);
            if !large && !ask.large_alone {
                probe.small_passes = Some(answers(goal, &addresses, true, &mut probe.cost).await);
            }
        }
    }
    probe.at = clock::mono();
    (probe, addresses)
}

/// Sends one byte to the next hop itself: before it can leave, the kernel has to ask who that is. What it says is read
/// from its table.
pub fn knock(hop: IpAddr, interface: u32) {
    let (own, to) = match hop {
        IpAddr::V4(hop) => (IpAddr::from([0; 4]), SocketAddr::from((hop, DISCARD_PORT))),
        IpAddr::V6(hop) => {
            let to = SocketAddrV6::new(hop, DISCARD_PORT, 0, interface);
            (IpAddr::from([0; 16]), SocketAddr::V6(to))
        }
    };
    let sent = UdpSocket::bind((own, 0)).and_then(|socket| {
        socket.set_nonblocking(true)?;
        socket.send_to(&[0], to)
    });
    // A hop that can't be asked now is asked again in three seconds.
    drop(sent);
}

/// Whether somebody answers for everybody: a name that can't exist gets the very address that the receiver's got. Some
/// carriers lead every name that nobody knows to a page of their own; where the receiver's name leads elsewhere, that
/// is in nobody's way. Source: RFC 6761 section 6.4, `.invalid`.
async fn names_lie(resolver: &Resolver, receiver: &[IpAddr], cost: &mut u64) -> Option<bool> {
    *cost += NAME_COST;
    let name = format!("no-{:016x}.invalid", rand::random::<u64>());
    match resolver.ask(&name, ANSWER_WAIT).await {
        (Names::Found, nobodys) => Some(nobodys.iter().any(|address| receiver.contains(address))),
        (Names::NotFound, _) => Some(false),
        (Names::Silent | Names::NotAsked, _) => None,
    }
}

/// What came of trying to reach the receiver.
#[derive(Default)]
struct Reached {
    tcp: Tcp,
    others_answer: Option<bool>,
}

/// Tries to reach the receiver, and looks for a stranger at the same time if that is asked: one who shows himself ends
/// it.
async fn look(
    goal: &Goal,
    addresses: &[IpAddr],
    strangers: bool,
    resolver: &Resolver,
    cost: &mut u64,
) -> (Option<bool>, Reached) {
    if !strangers {
        return (None, reach(goal, addresses, resolver, cost).await);
    }
    let mut portal_cost = 0;
    let looked = {
        let mut stranger = pin!(portal(goal, addresses, &mut portal_cost));
        let mut reaching = pin!(reach(goal, addresses, resolver, cost));
        tokio::select! {
            found = &mut stranger => match found {
                Some(true) => (found, Reached::default()),
                _ => (found, reaching.await),
            },
            reached = &mut reaching => (stranger.await, reached),
        }
    };
    *cost += portal_cost;
    looked
}

/// A connection to the receiver, and to others while it does not come about: they are asked before it is given up, so
/// that both together take little longer than one.
async fn reach(goal: &Goal, addresses: &[IpAddr], resolver: &Resolver, cost: &mut u64) -> Reached {
    let mut others_cost = 0;
    let reached = {
        let mut connecting = pin!(connect_any(addresses, goal.port, cost));
        let soon = tokio::time::timeout(OTHERS_AFTER, &mut connecting).await;
        match soon {
            Ok(tcp @ Tcp::Connected(_)) => Reached { tcp, others_answer: None },
            _ if goal.others.is_empty() => {
                let tcp = match soon {
                    Ok(tcp) => tcp,
                    Err(_) => connecting.await,
                };
                Reached { tcp, others_answer: None }
            }
            Ok(tcp) => Reached { tcp, others_answer: others_answer(goal, resolver, &mut others_cost).await },
            Err(_) => {
                let (tcp, answer) = tokio::join!(connecting, others_answer(goal, resolver, &mut others_cost));
                Reached { tcp, others_answer: answer.filter(|_| !matches!(tcp, Tcp::Connected(_))) }
            }
        }
    };
    *cost += others_cost;
    reached
}

/// The first connection that stands, to any of the addresses, all tried at once: one kind of address may be dead.
async fn connect_any(addresses: &[IpAddr], port: u16, cost: &mut u64) -> Tcp {
    let began = clock::mono();
    let mut tries = JoinSet::new();
    for address in addresses.iter().take(4) {
        *cost += CONNECT_COST;
        let to = SocketAddr::new(*address, port);
        tries.spawn(async move { tokio::time::timeout(CONNECT_WAIT, TcpStream::connect(to)).await });
    }
    let mut worst = Tcp::NotTried;
    while let Some(tried) = tries.join_next().await {
        worst = match tried {
            Ok(Ok(Ok(_))) => return Tcp::Connected(clock::mono().since_ms(began)),
            Ok(Ok(Err(error))) if error.kind() == io::ErrorKind::ConnectionRefused => Tcp::Refused,
            // Who was silent may be far away; who can't be reached at all is told only if nobody was silent.
            Ok(Ok(Err(_))) if matches!(worst, Tcp::NotTried) => Tcp::Unreachable,
            Ok(Err(_)) if worst != Tcp::Refused => Tcp::Silent,
            _ => worst,
        };
    }
    worst
}

async fn others_answer(goal: &Goal, resolver: &Resolver, cost: &mut u64) -> Option<bool> {
    let mut asked = false;
    for (host, port) in &goal.others {
        let (names, addresses) = resolver.ask(host, NAMES_WAIT).await;
        if names != Names::NotAsked {
            *cost += NAME_COST;
        }
        if addresses.is_empty() {
            continue;
        }
        asked = true;
        // A refusal is an answer, too.
        if matches!(connect_any(&addresses, *port, cost).await, Tcp::Connected(_) | Tcp::Refused) {
            return Some(true);
        }
    }
    asked.then_some(false)
}

/// Whether a web page comes from a stranger: one that sends the visitor to another host, or says itself that the
/// network wants a sign-in (status 511; source: RFC 6585 section 6).
async fn portal(goal: &Goal, addresses: &[IpAddr], cost: &mut u64) -> Option<bool> {
    let to = SocketAddr::new(*addresses.first()?, 80);
    *cost += CONNECT_COST + 1000;
    let request = format!("GET / HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", goal.host);
    let asked = async {
        let mut stream = TcpStream::connect(to).await.ok()?;
        stream.write_all(request.as_bytes()).await.ok()?;
        let mut answer = Vec::new();
        let mut some = stream.take(WEB_BYTES as u64);
        some.read_to_end(&mut answer).await.ok()?;
        Some(String::from_utf8_lossy(&answer).into_owned())
    };
    let answer = tokio::time::timeout(ANSWER_WAIT, asked).await.ok()??;
    is_portal(&answer, &goal.host)
}

fn is_portal(answer: &str, host: &str) -> Option<bool> {
    let status: u16 = answer.strip_prefix("HTTP/1.")?.get(2..5)?.parse().ok()?;
    if status == 511 {
        return Some(true);
    }
    if !(300..400).contains(&status) {
        return Some(false);
    }
    let location = answer.lines().find_map(|line| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("location").then(|| value.trim())
    })?;
    let rest = location.split_once("://").map_or("", |(_, rest)| rest);
    let elsewhere = rest.split(['/', '?', '#']).next().unwrap_or_default();
    let name = elsewhere.rsplit_once(':').map_or(elsewhere, |(name, _)| name);
    Some(!name.is_empty() && !name.eq_ignore_ascii_case(host))
}

/// Whether any byte, or an end of the connection, comes back to a large first packet, as it is or in small segments, at
/// the first address that takes a connection.
async fn answers(goal: &Goal, addresses: &[IpAddr], small: bool, cost: &mut u64) -> bool {
    for address in addresses.iter().take(2) {
        *cost += CONNECT_COST;
        let connecting = connect(SocketAddr::new(*address, goal.port), small);
        if let Ok(Ok(stream)) = tokio::time::timeout(CONNECT_WAIT, connecting).await {
            *cost += 4 * LARGE_BYTES as u64;
            return ask_large(stream, goal).await.is_ok();
        }
    }
    false
}

async fn connect(to: SocketAddr, small: bool) -> io::Result<TcpStream> {
    let socket = if to.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    if small {
        setsockopt(&socket, TcpMaxSeg, &SMALL_SEGMENT).map_err(io::Error::from)?;
    }
    socket.connect(to).await
}

async fn ask_large(mut stream: TcpStream, goal: &Goal) -> io::Result<()> {
    let mut byte = [0];
    let asked = async {
        stream.write_all(&large(goal)).await?;
        stream.read(&mut byte).await
    };
    // Nothing read and no error: the other end closed, so it has got what was sent.
    match tokio::time::timeout(ANSWER_WAIT, asked).await {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(error)) if error.kind() == io::ErrorKind::ConnectionReset => Ok(()),
        Ok(Err(error)) => Err(error),
        Err(_) => Err(io::ErrorKind::TimedOut.into()),
    }
}

fn large(goal: &Goal) -> Vec<u8> {
    if goal.tls {
        // A TLS record that announces a handshake of that length and holds none: it is answered by an alert once the
        // whole of it is there. Source: RFC 8446 section 5.1.
        let length = u16::try_from(LARGE_BYTES).unwrap_or(u16::MAX).to_be_bytes();
        let mut bytes = vec![0x16, 3, 1, length[0], length[1]];
        bytes.resize(5 + LARGE_BYTES, 0);
        return bytes;
    }
    let padding = "0".repeat(LARGE_BYTES);
    format!("GET /no-such-page HTTP/1.1\r\nHost: {}\r\nX-Padding: {padding}\r\nConnection: close\r\n\r\n", goal.host)
        .into_bytes()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::net::Ipv4Addr;
    use tokio::net::TcpListener;

    fn goal(port: u16) -> Goal {
        Goal { host: "127.0.0.1".to_owned(), port, tls: false, http: true, others: Vec::new() }
    }

    const ALL: Ask = Ask { strangers: false, sizes: true, large_alone: false, names_anew: true };

    #[test]
    fn page_that_leads_elsewhere_is_a_strangers_and_one_that_leads_to_itself_is_not() {
        let page = |status: &str, location: &str| format!("HTTP/1.1 {status}\r\nLocation: {location}\r\n\r\n");
        let host = "reads.example";
        assert_eq!(is_portal(&page("302 Found", "http://sign-in.example/?x=1"), host), Some(true));
        assert_eq!(is_portal(&page("301 Moved", "https://reads.example/"), host), Some(false));
        assert_eq!(is_portal(&page("301 Moved", "https://READS.example:443/"), host), Some(false));
        assert_eq!(is_portal(&page("301 Moved", "/elsewhere"), host), Some(false));
        assert_eq!(is_portal("HTTP/1.1 511 Network Authentication Required\r\n\r\n", host), Some(true));
        assert_eq!(is_portal("HTTP/1.1 404 Not Found\r\n\r\n", host), Some(false));
        assert_eq!(is_portal("SSH-2.0-x", host), None);
        assert_eq!(is_portal("", host), None);
    }

    #[tokio::test]
    async fn server_that_takes_connections_and_never_answers_is_seen_as_that() {
        let server = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let port = server.local_addr().unwrap().port();
        let held = tokio::spawn(async move {
            let mut held = Vec::new();
            while let Ok((stream, _)) = server.accept().await {
                held.push(stream);
            }
        });
        let (probe, addresses) = probe(&goal(port), ALL, &[], &Resolver::default()).await;
        held.abort();
        assert!(matches!(probe.tcp, Tcp::Connected(_)), "{probe:?}");
        assert_eq!((probe.large_passes, probe.small_passes), (Some(false), Some(false)));
        assert_eq!(addresses, [IpAddr::V4(Ipv4Addr::LOCALHOST)]);
        assert!(probe.cost < 20_000, "{}", probe.cost);
    }

    #[tokio::test]
    async fn server_of_a_byte_at_a_time_answers_large_packets() {
        let server = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let port = server.local_addr().unwrap().port();
        let served = tokio::spawn(async move {
            while let Ok((mut stream, _)) = server.accept().await {
                tokio::spawn(async move {
                    let mut bytes = [0; 4096];
                    if matches!(stream.read(&mut bytes).await, Ok(len) if 0 < len) {
                        for byte in b"HTTP/1.1 404 Not Found\r\n\r\n" {
                            if stream.write_all(&[*byte]).await.is_err() {
                                return;
                            }
                            tokio::time::sleep(Duration::from_millis(20)).await;
                        }
                    }
                });
            }
        });
        let (probe, _) = probe(&goal(port), ALL, &[], &Resolver::default()).await;
        served.abort();
        assert_eq!((probe.large_passes, probe.small_passes), (Some(true), None));
    }

    #[tokio::test]
    async fn refusal_is_told_from_silence_and_others_are_asked_then() {
        let free = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let gone = free.local_addr().unwrap().port();
        drop(free);
        let there = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let port = there.local_addr().unwrap().port();
        let goal = Goal { others: vec![("127.0.0.1".to_owned(), port)], ..goal(gone) };
        let (probe, _) = probe(&goal, ALL, &[], &Resolver::default()).await;
        assert_eq!((probe.tcp, probe.others_answer), (Tcp::Refused, Some(true)));
    }
}
