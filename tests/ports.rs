//! Who can be reached from where: every listening socket of agent, page and receiver, as the kernel lists them, and a
//! port scan from the hotspot's side. Fault 99.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use std::collections::BTreeSet;
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use trailer::{PATIENCE, PINTLE, Trailer};

/// Runs `ip`; panics with what it said if it failed.
fn must(line: &str) {
    let output = Command::new("sh").args(["-c", line]).output().unwrap();
    assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
}

/// Runs `what` in a thread of its own inside a network namespace, and waits for its answer.
fn within<T: Send + 'static>(namespace: &str, what: impl FnOnce() -> T + Send + 'static) -> T {
    let file = std::fs::File::open(format!("/run/netns/{namespace}")).unwrap();
    let thread = std::thread::spawn(move || {
        nix::sched::setns(&file, nix::sched::CloneFlags::CLONE_NEWNET).unwrap();
        what()
    });
    thread.join().unwrap()
}

/// A program that goes when it is dropped.
struct Running(Child);

impl Running {
    /// Starts `pintle ARGS`, in a network namespace if one is named, and gives it with the first line that it says.
    fn start(namespace: Option<&str>, args: &[&str]) -> (Self, String) {
        let mut command = match namespace {
            None => Command::new(PINTLE),
            Some(name) => {
                let mut command = Command::new("ip");
                command.args(["netns", "exec", name, PINTLE]);
                command
            }
        };
        let mut child = command.args(args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        (Self(child), line)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// An address as `/proc/net/tcp` writes it: words of 32 bits in the order of this computer, then the port.
fn address_of(text: &str) -> SocketAddr {
    let (ip, port) = text.split_once(':').unwrap();
    let words =
        ip.as_bytes().chunks(8).map(|word| u32::from_str_radix(std::str::from_utf8(word).unwrap(), 16).unwrap());
    let bytes: Vec<u8> = words.flat_map(u32::to_ne_bytes).collect();
    let ip = match <[u8; 4]>::try_from(bytes.as_slice()) {
        Ok(v4) => IpAddr::V4(Ipv4Addr::from(v4)),
        Err(_) => IpAddr::V6(Ipv6Addr::from(<[u8; 16]>::try_from(bytes.as_slice()).unwrap())),
    };
    SocketAddr::new(ip, u16::from_str_radix(port, 16).unwrap())
}

/// All addresses at which a process can be reached: TCP sockets that listen, and UDP sockets that hear everybody.
/// Source: proc(5), `/proc/net/tcp`: state 0A is LISTEN, 07 is unconnected.
fn listening(pid: u32) -> BTreeSet<SocketAddr> {
    let links = std::fs::read_dir(format!("/proc/{pid}/fd")).unwrap();
    let sockets: BTreeSet<String> = links
        .filter_map(|link| std::fs::read_link(link.ok()?.path()).ok())
        .filter_map(|to| Some(to.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned()))
        .collect();
    let mut found = BTreeSet::new();
    for (table, state) in [("tcp", "0A"), ("tcp6", "0A"), ("udp", "07"), ("udp6", "07")] {
        let text = std::fs::read_to_string(format!("/proc/{pid}/net/{table}")).unwrap_or_default();
        for row in text.lines().skip(1) {
            let fields: Vec<&str> = row.split_whitespace().collect();
            if fields[3] == state && sockets.contains(fields[9]) {
                found.insert(address_of(fields[1]));
            }
        }
    }
    found
}

fn folders(base: &Path) -> [String; 2] {
    for name in ["health", "public"] {
        std::fs::create_dir_all(base.join(name)).unwrap();
    }
    ["health", "page-state"].map(|name| base.join(name).display().to_string())
}

#[test]
fn fault_99_agent_page_and_receiver_listen_on_loopback_and_nowhere_else() {
    let mut trailer = Trailer::new("");
    trailer.start();
    assert_eq!(listening(trailer.pid()), BTreeSet::new(), "with no address configured: sockets in its own folder only");
    trailer.stop();
    trailer.configure("", "[intake]\nlisten = \"127.0.0.1:0\"\n");
    trailer.start();
    let agent = listening(trailer.pid());
    assert!(agent.len() == 1 && agent.iter().all(|address| address.ip().is_loopback()), "{agent:?}");

    let [health, state] = folders(trailer.folder());
    let (page, line) =
        Running::start(None, &["page", "--listen", "127.0.0.1:0", "--health", &health, "--state", &state]);
    let of_page = listening(page.0.id());
    let told: SocketAddr = line.trim().split_once("://").unwrap().1.trim_end_matches('/').parse().unwrap();
    assert_eq!(of_page, BTreeSet::from([told]));

    let (data, announced) = (trailer.folder().join("data"), trailer.folder().join("announced"));
    let args = ["receive", "--listen", "127.0.0.1:0", "--data", data.to_str().unwrap(), "--announce"];
    let (receiver, _) = Running::start(None, &[&args[..], &[announced.to_str().unwrap()]].concat());
    let of_receiver = listening(receiver.0.id());
    assert!(of_receiver.len() == 1 && of_receiver.iter().all(|address| address.ip().is_loopback()), "{of_receiver:?}");
}

/// A trailer's network and its two neighbours: the hotspot on `usb0`, the trailer's own network on `lan0`.
struct Net {
    trailer: String,
    hotspot: String,
    yard: String,
}

const ON_TETHER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
const ON_LAN: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 2);

impl Net {
    fn build() -> Option<Self> {
        let name = |what: &str| format!("pintle-ns-{}-90-{what}", std::process::id());
        let net = Self { trailer: name("t"), hotspot: name("h"), yard: name("y") };
        let add = Command::new("ip").args(["netns", "add", &net.trailer]).output();
        if !add.is_ok_and(|done| done.status.success()) {
            assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "root and iproute2 are missing");
            writeln!(std::io::stderr().lock(), "not run: needs network namespaces (root, iproute2)").unwrap();
            return None;
        }
        let Self { trailer: t, hotspot: h, yard: y } = &net;
        must(&format!("ip netns add {h} && ip netns add {y}"));
        for ns in [t, h, y] {
            must(&format!("ip -n {ns} link set lo up"));
        }
        for (dev, ns, own, other) in [("usb0", h, ON_TETHER, "192.0.2.1"), ("lan0", y, ON_LAN, "203.0.113.9")] {
            must(&format!("ip -n {t} link add {dev} type veth peer name eth0 netns {ns}"));
            must(&format!("ip -n {t} addr add {own}/24 dev {dev} && ip -n {t} link set {dev} up"));
            must(&format!("ip -n {ns} addr add {other}/24 dev eth0 && ip -n {ns} link set eth0 up"));
        }
        // Whoever has the hotspot may send anything to the trailer, also for its other addresses.
        must(&format!("ip -n {h} route add 203.0.113.0/24 via {ON_TETHER}"));
        Some(net)
    }
}

impl Drop for Net {
    fn drop(&mut self) {
        for name in [&self.trailer, &self.hotspot, &self.yard] {
            drop(Command::new("ip").args(["netns", "del", name]).status());
        }
    }
}

/// The ports at `ip` that take a connection from `namespace`.
fn open_ports(namespace: &str, ip: Ipv4Addr, ports: Vec<u16>) -> Vec<u16> {
    within(namespace, move || {
        let wait = Duration::from_millis(300);
        ports.into_iter().filter(|port| TcpStream::connect_timeout(&(ip, *port).into(), wait).is_ok()).collect()
    })
}

#[test]
fn fault_99_port_scan_from_the_hotspot_finds_nothing_and_the_page_is_shown_on_the_named_address_only() {
    let Some(net) = Net::build() else { return };
    let mut trailer = Trailer::new("[intake]\nlisten = \"127.0.0.1:7400\"\n");
    trailer.in_namespace(&net.trailer);
    trailer.start();
    let [health, state] = folders(trailer.folder());
    let data = trailer.folder().join("data");
    let data = data.to_str().unwrap();
    let page = ["page", "--health", &health, "--state", &state];
    // All at the addresses that they take by themselves.
    let (first, _) = Running::start(Some(&net.trailer), &page);
    let (receiver, _) = Running::start(Some(&net.trailer), &["receive", "--data", data]);
    let all: Vec<SocketAddr> = [trailer.pid(), first.0.id(), receiver.0.id()].into_iter().flat_map(listening).collect();
    assert!(3 <= all.len() && all.iter().all(|address| address.ip().is_loopback()), "{all:?}");
    let mut ports: Vec<u16> = (1..=1024).chain(7000..=9000).collect();
    ports.extend(all.iter().map(SocketAddr::port));
    for ip in [ON_TETHER, ON_LAN] {
        assert_eq!(open_ports(&net.hotspot, ip, ports.clone()), Vec::<u16>::new(), "{ip} from the hotspot");
        assert_eq!(open_ports(&net.yard, ip, ports.clone()), Vec::<u16>::new(), "{ip} from the trailer's own network");
    }
    drop(first);

    let listen = format!("{ON_LAN}:7480");
    let (second, line) =
        Running::start(Some(&net.trailer), &[&page[..], &["--listen", &listen, "--tether", "usb0"]].concat());
    assert!(line.contains(&format!("https://{listen}/")), "off loopback it speaks TLS: {line}");
    assert_eq!(listening(second.0.id()), BTreeSet::from([listen.parse().unwrap()]));
    let began = Instant::now();
    while open_ports(&net.yard, ON_LAN, vec![7480]).is_empty() {
        assert!(began.elapsed() < PATIENCE, "the trailer's own network does not reach the page");
    }
    for ip in [ON_TETHER, ON_LAN] {
        let found = open_ports(&net.hotspot, ip, vec![7480]);
        assert_eq!(
            found,
            Vec::<u16>::new(),
            "{ip}: the hotspot reaches the page over the address of another interface"
        );
    }
    let on_tether = format!("{ON_TETHER}:7480");
    let refused = Command::new("ip")
        .args(["netns", "exec", &net.trailer, PINTLE])
        .args(page)
        .args(["--listen", &on_tether, "--tether", "usb0"])
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(64));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("is an address of usb0, the hotspot's interface"));
}
