//! A trailer, its carrier's router and the receiver in three network namespaces, joined by cables of the kernel. All
//! rules sit on the router, as they do on the road. Needs root, `ip`, `nft` and `tc`; everything is gone at the end,
//! also after a panic, and what a killed run left behind goes at the next start.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use super::frames::{Relay, Weather};
use super::trailer::Trailer;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, TcpListener, UdpSocket};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// The bars hold on an idle machine; `PINTLE_STRICT=1` asserts them as they are. The usual run shares two processors
/// with the whole suite, so it allows this many times as much.
pub(crate) const LOADED_FACTOR: f64 = 10.0;
/// Bar for what the kernel tells (issue: within 2 s).
pub(crate) const KERNEL_BAR: Duration = Duration::from_secs(2);
/// Bar for every other rung (issue: within 20 s).
pub(crate) const RUNG_BAR: Duration = Duration::from_secs(20);
/// Bar for seeing that all is well again (issue: within 5 s).
pub(crate) const RECOVERY_BAR: Duration = Duration::from_secs(5);
/// Address of the tether on its cable.
pub(crate) const MAC: &str = "02:00:5e:10:00:01";
/// The router, as the trailer sees it; it is the name server, too.
pub(crate) const ROUTER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
/// The receiver.
pub(crate) const RECEIVER: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 2);
/// Somebody else who answers when the internet does.
pub(crate) const OTHER: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 9);
/// Where the receiver listens.
pub(crate) const PORT: u16 = 8443;
/// Its name.
pub(crate) const NAME: &str = "receiver.example";
const READS: &str = "SELECT count(*) FROM event WHERE type = 'pintle.read.v1'";
const PREFIX: &str = "pintle-ns";

/// What a bar is on this run.
pub(crate) fn allowed(bar: Duration) -> Duration {
    let strict = std::env::var("PINTLE_STRICT").is_ok_and(|strict| strict == "1");
    if strict { bar } else { bar.mul_f64(LOADED_FACTOR) }
}

/// Prints the figures of one rung.
pub(crate) fn told(rung: &str, named: Duration, mended: Duration) {
    let (named, mended) = (named.as_millis(), mended.as_millis());
    drop(writeln!(std::io::stderr(), "{rung}: named after {named} ms, seen whole after {mended} ms"));
}

/// How the name server behaves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Names {
    /// Tells what it knows.
    Honest,
    /// Says that there is no such name, whatever it is asked.
    Nobody,
    /// Says nothing.
    Silent,
    /// Answers after so long.
    Slow(Duration),
    /// Gives this address for every name.
    Lies(Ipv4Addr),
}

/// The name server's state.
pub(crate) struct NameServer {
    pub(crate) mode: Names,
    pub(crate) v4: Option<Ipv4Addr>,
    pub(crate) v6: Option<Ipv6Addr>,
    /// Questions so far.
    pub(crate) asked: u64,
}

/// Runs `ip`, `tc`, `nft`, …; panics with what it said if it failed.
pub(crate) fn must(line: &str) {
    let output = Command::new("sh").args(["-c", line]).output().unwrap();
    assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
}

fn may(line: &str) -> bool {
    let mut command = Command::new("sh");
    command.args(["-c", line]).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.status().is_ok_and(|status| status.success())
}

/// Runs `what` in a thread of its own inside a network namespace, and waits for its answer. Sockets stay there.
pub(crate) fn within<T: Send + 'static>(namespace: &str, what: impl FnOnce() -> T + Send + 'static) -> T {
    let file = File::open(format!("/run/netns/{namespace}")).unwrap();
    let thread = std::thread::spawn(move || {
        nix::sched::setns(&file, nix::sched::CloneFlags::CLONE_NEWNET).unwrap();
        what()
    });
    thread.join().unwrap()
}

/// Takes away what runs of the past left: namespaces that bear the number of a process that is no more.
fn sweep() {
    let Ok(output) = Command::new("ip").args(["netns", "list"]).output() else { return };
    for name in String::from_utf8_lossy(&output.stdout).lines().filter_map(|line| line.split_whitespace().next()) {
        let pid = name.strip_prefix(PREFIX).and_then(|rest| rest.split('-').nth(1));
        if pid.is_some_and(|pid| !Path::new("/proc").join(pid).exists()) {
            remove(name);
        }
    }
}

fn remove(name: &str) {
    may(&format!("ip netns del {name}; rm -rf /etc/netns/{name}; rmdir /etc/netns"));
}

/// The three namespaces and who lives in them.
pub(crate) struct Rig {
    pub(crate) trailer_ns: String,
    pub(crate) router_ns: String,
    pub(crate) receiver_ns: String,
    pub(crate) trailer: Trailer,
    relay_ns: String,
    relay: Option<Relay>,
    names: Arc<Mutex<NameServer>>,
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
    receiver: Option<Child>,
    /// PEM of the authority, and what signs in its name.
    authority: Option<(String, rcgen::Issuer<'static, rcgen::KeyPair>)>,
    /// Number of reads that were taken by the agent.
    pub(crate) taken: Arc<AtomicU64>,
    /// Whether more reads come in than usual; see [`Self::flood`].
    flooding: Arc<AtomicBool>,
    seen: usize,
}

/// Namespaces that go even if the building of the rig panics.
struct Built(Vec<String>);

impl Drop for Built {
    fn drop(&mut self) {
        for name in &self.0 {
            remove(name);
        }
    }
}

impl Rig {
    /// Builds it; `None`, with a word to the reader, where that can't be done. `more` goes into the agent's
    /// configuration, with whole tables.
    pub(crate) fn build(more: &str) -> Option<Self> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        sweep();
        let number = NUMBER.fetch_add(1, Ordering::SeqCst);
        let of = |what: &str| format!("{PREFIX}-{}-{number}-{what}", std::process::id());
        let (t, r, s) = (of("trailer"), of("router"), of("receiver"));
        let tools = may("nft --version && tc -V && ip netns list && ethtool --version");
        if !tools || !may(&format!("ip netns add {t}")) {
            let all = std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all");
            assert!(!all, "PINTLE_RIGS=all, and there are no network namespaces (root, iproute2, nftables, ethtool)");
            drop(writeln!(std::io::stderr(), "not run: needs network namespaces (root, iproute2, nftables, ethtool)"));
            return None;
        }
        let built = Built(vec![t.clone(), r.clone(), s.clone()]);
        must(&format!("ip netns add {r} && ip netns add {s} && mkdir -p /etc/netns/{t}"));
        std::fs::write(format!("/etc/netns/{t}/resolv.conf"), format!("nameserver {ROUTER}\n")).unwrap();
        for name in [&t, &r, &s] {
            must(&format!("ip -n {name} link set lo up"));
        }
        must(&format!("ip -n {s} link add eth0 type veth peer name far0 netns {r}"));
        must(&format!("ip -n {s} addr add {RECEIVER}/24 dev eth0 && ip -n {s} addr add {OTHER}/24 dev eth0"));
        must(&format!("ip -n {s} link set eth0 up && ip -n {r} link set far0 up"));
        must(&format!("ip -n {s} route add default via 198.51.100.1 && ip -n {r} addr add 198.51.100.1/24 dev far0"));
        must(&format!("ip netns exec {r} sh -c 'echo 1 > /proc/sys/net/ipv4/ip_forward'"));
        let chain =
            |name: &str, hook: &str| format!("add chain inet f {name} {{ type filter hook {hook} priority 0; }}");
        must(&format!(
            "ip netns exec {r} nft 'add table inet f; {}; {}; {}'",
            chain("over", "forward"),
            chain("to", "input"),
            chain("from", "output")
        ));
        let mut trailer = Trailer::new("");
        trailer.in_namespace(&t);
        let (names, stop) = (
            Arc::new(Mutex::new(NameServer { mode: Names::Honest, v4: Some(RECEIVER), v6: None, asked: 0 })),
            Arc::new(AtomicBool::new(false)),
        );
        let mut rig = Self {
            trailer_ns: t,
            router_ns: r,
            receiver_ns: s,
            relay_ns: of("relay"),
            relay: None,
            trailer,
            names,
            stop,
            threads: Vec::new(),
            receiver: None,
            authority: None,
            taken: Arc::default(),
            flooding: Arc::default(),
            seen: 0,
        };
        // From here on the rig itself takes them away.
        std::mem::forget(built);
        rig.plug_in(MAC);
        rig.serve_names();
        rig.serve_other();
        rig.configure(more);
        Some(rig)
    }

    /// Writes the agent's configuration anew.
    pub(crate) fn configure(&self, more: &str) {
        let ca = self.at("ca.pem");
        let link = format!("[link]\nmac = \"{MAC}\"\nothers = \"{OTHER}:443\"\n");
        let link = if more.contains("[link]") { "" } else { &link };
        let text = format!(
            "[receiver]\nurl = \"https://{NAME}:{PORT}/v1/events\"\nca_file = \"{ca}\"\nanswer_wait_ms = \
             10000\nretry_ms_max = 5000\n{link}{more}"
        );
        self.trailer.configure("", &text);
    }

    fn at(&self, file: &str) -> String {
        self.trailer.folder().join(file).display().to_string()
    }

    /// The tether, as plugged in: a new cable with an address, a route, and the kernel's settings that we ship.
    pub(crate) fn plug_in(&self, mac: &str) {
        let (t, r) = (&self.trailer_ns, &self.router_ns);
        must(&format!("ip -n {t} link add usb0 address {mac} type veth peer name near0 netns {r}"));
        must(&format!("ip -n {r} addr add {ROUTER}/24 dev near0 && ip -n {r} link set near0 up"));
        let neigh = "/proc/sys/net/ipv4/neigh/usb0";
        // Source: systemd/70-pintle-sysctl.conf. A namespace has no "default" of its own for these. Before anything is
        // sent: a neighbour that is known already keeps the times that it was met with.
        must(&format!(
            "ip netns exec {t} sh -c 'echo 5000 > {neigh}/base_reachable_time_ms; echo 1 > \
             {neigh}/delay_first_probe_time'"
        ));
        must(&format!("ip -n {t} link set usb0 up"));
        self.give_address();
    }

    /// Address and default route, as a DHCP client would set them.
    pub(crate) fn give_address(&self) {
        let t = &self.trailer_ns;
        must(&format!("ip -n {t} addr replace 192.0.2.2/24 dev usb0 && ip -n {t} route replace default via {ROUTER}"));
    }

    /// `ip` in the trailer's namespace.
    pub(crate) fn trailer_ip(&self, line: &str) {
        must(&format!("ip -n {} {line}", self.trailer_ns));
    }

    /// The pace of the way up behind the router, as on the radio: the hop to the router itself stays quick.
    pub(crate) fn pace(&self, rate: Option<&str>) {
        let r = &self.router_ns;
        match rate {
            Some(rate) => must(&format!("tc -n {r} qdisc add dev far0 root tbf rate {rate} burst 2kb latency 2500ms")),
            None => must(&format!("tc -n {r} qdisc del dev far0 root")),
        }
    }

    /// From now on a relay carries every frame between the router and the receiver. Both ends leave nothing to their
    /// cards, since there are none: packets are cut and summed up by whoever sends them.
    pub(crate) fn far_away(&mut self, weather: Weather) -> &Relay {
        let (r, s, between) = (&self.router_ns, &self.receiver_ns, &self.relay_ns);
        must(&format!("ip netns add {between} && ip -n {s} link del eth0"));
        must(&format!("ip -n {s} link add eth0 type veth peer name out netns {between}"));
        must(&format!("ip -n {r} link add far0 type veth peer name in netns {between}"));
        for end in ["in", "out"] {
            let quiet = format!("echo 1 > /proc/sys/net/ipv6/conf/{end}/disable_ipv6");
            must(&format!("ip netns exec {between} sh -c '{quiet}'"));
        }
        for (namespace, end) in [(s, "eth0"), (r, "far0"), (between, "in"), (between, "out")] {
            must(&format!("ip netns exec {namespace} ethtool -K {end} tx off sg off tso off gso off gro off"));
        }
        let relay = Relay::start(between, ["in", "out"], weather);
        must(&format!("ip -n {between} link set in up && ip -n {between} link set out up"));
        must(&format!("ip -n {s} addr add {RECEIVER}/24 dev eth0 && ip -n {s} addr add {OTHER}/24 dev eth0"));
        must(&format!("ip -n {s} link set eth0 up && ip -n {r} link set far0 up"));
        must(&format!("ip -n {r} addr add 198.51.100.1/24 dev far0 && ip -n {s} route add default via 198.51.100.1"));
        self.relay.insert(relay)
    }

    /// The relay of [`Self::far_away`].
    pub(crate) fn relay(&self) -> &Relay {
        self.relay.as_ref().unwrap()
    }

    /// Puts a rule into one of the router's chains `over`, `to` and `from`.
    pub(crate) fn rule(&self, rule: &str) {
        must(&format!("ip netns exec {} nft 'add rule inet f {rule}'", self.router_ns));
    }

    /// Takes all rules of the router away.
    pub(crate) fn no_rules(&self) {
        must(&format!("ip netns exec {} nft flush table inet f", self.router_ns));
    }

    /// The next hop takes nothing and answers nothing, not even who it is; the cable stays as it is.
    pub(crate) fn gateway_silent(&self, silent: bool) {
        if !silent {
            return self.router("nft delete table netdev s");
        }
        let chain = |name: &str, hook: &str| {
            format!("add chain netdev s {name} {{ type filter hook {hook} device near0 priority 0; policy drop; }}")
        };
        self.router(&format!("nft 'add table netdev s; {}; {}'", chain("in", "ingress"), chain("out", "egress")));
    }

    /// Runs `line` in a shell in the router's namespace.
    pub(crate) fn router(&self, line: &str) {
        must(&format!("ip netns exec {} {line}", self.router_ns));
    }

    /// The name server.
    pub(crate) fn names(&self) -> MutexGuard<'_, NameServer> {
        self.names.lock().unwrap()
    }

    fn serve_names(&mut self) {
        let socket = within(&self.router_ns, || UdpSocket::bind((Ipv6Addr::UNSPECIFIED, 53)).unwrap());
        socket.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let (names, stop) = (self.names.clone(), self.stop.clone());
        self.threads.push(std::thread::spawn(move || {
            let mut waiting: Vec<(Instant, std::net::SocketAddr, Vec<u8>)> = Vec::new();
            let mut question = [0; 512];
            while !stop.load(Ordering::SeqCst) {
                if let Ok((len, from)) = socket.recv_from(&mut question) {
                    let mut names = names.lock().unwrap();
                    names.asked += 1;
                    let late = if let Names::Slow(late) = names.mode { late } else { Duration::ZERO };
                    if let Some(answer) = answer(&names, &question[..len]) {
                        waiting.push((Instant::now() + late, from, answer));
                    }
                }
                waiting.retain(|(at, to, answer)| {
                    let due = *at <= Instant::now();
                    if due {
                        drop(socket.send_to(answer, to));
                    }
                    !due
                });
            }
        }));
    }

    fn serve_other(&mut self) {
        let listener = within(&self.receiver_ns, || TcpListener::bind((OTHER, 443)).unwrap());
        self.serve_web(listener, String::new());
    }

    /// Somebody who says `page` to every connection and closes it.
    fn serve_web(&mut self, listener: TcpListener, page: String) {
        listener.set_nonblocking(true).unwrap();
        let stop = self.stop.clone();
        self.threads.push(std::thread::spawn(move || {
            while !stop.load(Ordering::SeqCst) {
                match listener.accept() {
                    Ok((mut stream, _)) if !page.is_empty() => {
                        drop(stream.set_read_timeout(Some(Duration::from_millis(500))));
                        let mut request = [0; 2048];
                        drop(stream.read(&mut request));
                        drop(stream.write_all(page.as_bytes()));
                    }
                    Ok(_) => {}
                    Err(_) => std::thread::sleep(Duration::from_millis(20)),
                }
            }
        }));
    }

    /// A page on the router that sends every visitor to its sign-in.
    pub(crate) fn serve_portal(&mut self) {
        let listener = within(&self.router_ns, || TcpListener::bind((Ipv4Addr::UNSPECIFIED, 80)).unwrap());
        let page = "HTTP/1.1 302 Found\r\nLocation: http://sign-in.example/\r\nContent-Length: 0\r\n\r\n";
        self.serve_web(listener, page.to_owned());
    }

    /// Writes a certificate for `name` that is valid for these years, of an authority that the trailer trusts.
    pub(crate) fn certify(&mut self, name: &str, years: (i32, i32)) {
        let mut params = rcgen::CertificateParams::new(vec![name.to_owned()]).unwrap();
        params.not_before = rcgen::date_time_ymd(years.0, 1, 1);
        params.not_after = rcgen::date_time_ymd(years.1, 1, 1);
        let key = rcgen::KeyPair::generate().unwrap();
        let (authority, issuer) = self.authority.get_or_insert_with(|| {
            let mut params = rcgen::CertificateParams::new(Vec::new()).unwrap();
            params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
            let key = rcgen::KeyPair::generate().unwrap();
            let own = params.self_signed(&key).unwrap();
            (own.pem(), rcgen::Issuer::new(params, key))
        });
        let (authority, certificate) = (authority.clone(), params.signed_by(&key, issuer).unwrap());
        std::fs::write(self.at("ca.pem"), authority).unwrap();
        std::fs::write(self.at("receiver.pem"), certificate.pem()).unwrap();
        std::fs::write(self.at("receiver.key"), key.serialize_pem()).unwrap();
    }

    /// Starts the real receiver with the certificate that lies there.
    pub(crate) fn start_receiver(&mut self, listen: IpAddr, more: &[&str]) {
        self.stop_receiver();
        let announced = self.at("announced");
        drop(std::fs::remove_file(&announced));
        let log = File::options().create(true).append(true).open(self.at("receiver.log")).unwrap();
        let child = Command::new("ip")
            .args(["netns", "exec", &self.receiver_ns, super::trailer::PINTLE, "receive"])
            .args(["--listen", &std::net::SocketAddr::new(listen, PORT).to_string(), "--data", &self.at("received")])
            .args(["--tls-cert", &self.at("receiver.pem"), "--tls-key", &self.at("receiver.key")])
            .args(["--announce", &announced])
            .args(more)
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap();
        self.receiver = Some(child);
        let began = Instant::now();
        while !Path::new(&announced).exists() {
            let said = || std::fs::read_to_string(self.at("receiver.log")).unwrap_or_default();
            assert!(began.elapsed() < super::trailer::PATIENCE, "the receiver did not start: {}", said());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// kill -9.
    pub(crate) fn stop_receiver(&mut self) {
        if let Some(mut child) = self.receiver.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }

    /// Receiver and agent run, reads come in, and the way is up.
    pub(crate) fn start(&mut self) {
        self.certify(NAME, (2020, 2060));
        self.start_receiver(IpAddr::V4(RECEIVER), &[]);
        self.trailer.start();
        self.engine(Duration::from_millis(400));
        self.wait_rung("up", Duration::from_mins(2));
    }

    /// One read every so often from now on.
    pub(crate) fn engine(&mut self, every: Duration) {
        let (stop, taken) = (self.stop.clone(), self.taken.clone());
        let socket = self.trailer.runtime_dir().join("intake.sock");
        self.threads.push(std::thread::spawn(move || {
            while !stop.load(Ordering::SeqCst) {
                if hand_in(&socket, "") {
                    taken.fetch_add(1, Ordering::SeqCst);
                }
                std::thread::sleep(every);
            }
        }));
    }

    /// The receiver's process stops where it is: the kernel still takes connections for it, and nobody answers.
    pub(crate) fn receiver_hangs(&self, hangs: bool) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.receiver.as_ref().unwrap().id()).unwrap());
        let signal = if hangs { nix::sys::signal::Signal::SIGSTOP } else { nix::sys::signal::Signal::SIGCONT };
        nix::sys::signal::kill(pid, signal).unwrap();
    }

    /// No more reads than usual from now on.
    pub(crate) fn ebb(&mut self) {
        std::mem::take(&mut self.flooding).store(false, Ordering::SeqCst);
    }

    /// Many reads at a time, so that requests are larger than a packet, until [`Self::ebb`] or until the rig goes.
    pub(crate) fn flood(&mut self, every: Duration) {
        let (stop, taken, flooding) = (self.stop.clone(), self.taken.clone(), self.flooding.clone());
        flooding.store(true, Ordering::SeqCst);
        let socket = self.trailer.runtime_dir().join("intake.sock");
        self.threads.push(std::thread::spawn(move || {
            while flooding.load(Ordering::SeqCst) && !stop.load(Ordering::SeqCst) {
                let body: String = (0..60).map(|_| random_read("") + "\n").collect();
                if post(&socket, "application/x-ndjson", &body) {
                    taken.fetch_add(60, Ordering::SeqCst);
                }
                std::thread::sleep(every);
            }
        }));
    }

    /// Findings that the agent has logged since the last call.
    pub(crate) fn findings(&mut self) -> Vec<String> {
        let log = self.trailer.log();
        let all: Vec<String> = log
            .lines()
            .filter_map(|line| line.split("link.rung=\"").nth(1)?.split('"').next().map(str::to_owned))
            .collect();
        // The end of an outage names its rung, too, and so does a step of the ladder; they are no findings.
        let tells = ["an outage is over", "asks the lever for a step"];
        let over = log.lines().filter(|line| tells.iter().any(|told| line.contains(told))).count();
        let found: Vec<String> = log
            .lines()
            .filter(|line| line.contains("the way to the receiver"))
            .filter_map(|line| line.split("link.rung=\"").nth(1)?.split('"').next().map(str::to_owned))
            .collect();
        assert_eq!(all.len(), found.len() + over);
        let new = found[self.seen.min(found.len())..].to_vec();
        self.seen = found.len();
        new
    }

    /// Waits until the agent finds `rung`; answers after how long, and what it found before.
    pub(crate) fn wait_rung(&mut self, rung: &str, most: Duration) -> (Duration, Vec<String>) {
        let began = Instant::now();
        let mut before = Vec::new();
        loop {
            for found in self.findings() {
                if found == rung {
                    return (began.elapsed(), before);
                }
                before.push(found);
            }
            assert!(
                began.elapsed() < most,
                "{rung} was not found within {most:?}, but {before:?}:\n{}",
                self.trailer.log()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Breaks the way with `harm`, asserts that it is called `rung` within `bar` and nothing else before, mends it with
    /// `cure`, and asserts that this is seen in time.
    pub(crate) fn named(
        &mut self,
        rung: &str,
        bar: Duration,
        harm: impl FnOnce(&mut Self),
        cure: impl FnOnce(&mut Self),
    ) {
        self.findings();
        harm(self);
        let (named, before) = self.wait_rung(rung, allowed(bar));
        // A receiver that starts anew with another face is really away meanwhile.
        let anew = matches!(rung, "tls-fails" | "clock-wrong" | "receiver-refuses");
        let true_too = |found: &str| found == "up" || (anew && found == "receiver-silent");
        let wrong: Vec<_> = before.iter().filter(|found| !true_too(found)).collect();
        assert!(wrong.is_empty(), "{rung} was first called {wrong:?}:\n{}", self.trailer.log());
        // The usual run has no time for outages of minutes.
        let lasts = std::env::var("PINTLE_OUTAGE_S").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
        std::thread::sleep(Duration::from_secs(lasts));
        // Its details may change; its word may not.
        let then: Vec<_> = self.findings().into_iter().filter(|found| found != rung).collect();
        assert!(then.is_empty(), "{rung} was then called {then:?}:\n{}", self.trailer.log());
        cure(self);
        let (mended, _) = self.wait_rung("up", allowed(RECOVERY_BAR));
        told(rung, named, mended);
    }

    /// Reads that the receiver has.
    pub(crate) fn received(&self) -> u64 {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        let database = rusqlite::Connection::open_with_flags(self.at("received/receiver.db"), flags).unwrap();
        database.query_row(READS, [], |row| row.get::<_, i64>(0)).map_or(0, i64::cast_unsigned)
    }

    /// Waits until all reads that were taken by now are with the receiver; answers how long that took.
    pub(crate) fn wait_delivered(&self, most: Duration) -> Duration {
        let (began, wanted) = (Instant::now(), self.taken.load(Ordering::SeqCst));
        while self.received() < wanted {
            let waits = wanted - self.received().min(wanted);
            assert!(
                began.elapsed() < most,
                "{waits} reads were not delivered within {most:?}:\n{}",
                self.trailer.log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
        began.elapsed()
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        for thread in self.threads.drain(..) {
            drop(thread.join());
        }
        // A namespace lives as long as a process in it.
        self.trailer.put_down();
        self.stop_receiver();
        self.relay = None;
        for name in [&self.trailer_ns, &self.router_ns, &self.receiver_ns, &self.relay_ns] {
            remove(name);
        }
    }
}

/// Hands one read in; answers whether it was taken. `more` goes into the read, with a comma before it.
pub(crate) fn hand_in(socket: &Path, more: &str) -> bool {
    post(socket, "application/json", &random_read(more))
}

/// A read of its own.
pub(crate) fn random_read(more: &str) -> String {
    let now = pintle::clock::utc().to_rfc3339();
    let (plate, confidence) = (rand::random_range(0..1_000_000), f64::from(rand::random_range(700_u16..1000)) / 1000.0);
    format!(
        r#"{{"camera":"north","captured_at":"{now}","plate":"QX{plate}","plate_state":"read","confidence":{confidence}{more}}}"#
    )
}

/// Posts `body` to the intake; answers whether it was taken.
pub(crate) fn post(socket: &Path, media_type: &str, body: &str) -> bool {
    let Ok(mut stream) = UnixStream::connect(socket) else { return false };
    drop(stream.set_read_timeout(Some(super::trailer::PATIENCE)));
    let head = format!(
        "POST /v1/reads HTTP/1.1\r\nHost: localhost\r\nContent-Type: {media_type}\r\nContent-Length: \
         {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    drop(stream.write_all(format!("{head}{body}").as_bytes()));
    let mut answer = String::new();
    drop(stream.read_to_string(&mut answer));
    answer.starts_with("HTTP/1.1 202")
}

/// An answer of the name server. Source: RFC 1035 section 4.1, RFC 3596 for AAAA.
fn answer(names: &NameServer, question: &[u8]) -> Option<Vec<u8>> {
    let mut at = 12;
    let mut labels = Vec::new();
    while let Some(len) = question.get(at).map(|len| usize::from(*len)).filter(|len| *len != 0) {
        labels.push(String::from_utf8_lossy(question.get(at + 1..at + 1 + len)?).to_lowercase());
        at += 1 + len;
    }
    let kind = question.get(at + 2).copied()?;
    let asked = question.get(12..at + 5)?;
    let known = labels.join(".") == NAME;
    let data: Option<Vec<u8>> = match (&names.mode, kind) {
        (Names::Silent, _) => return None,
        (Names::Lies(address), 1) => Some(address.octets().to_vec()),
        (Names::Honest | Names::Slow(_), 1) if known => names.v4.map(|v4| v4.octets().to_vec()),
        (Names::Honest | Names::Slow(_), 28) if known => names.v6.map(|v6| v6.octets().to_vec()),
        _ => None,
    };
    let exists = known && names.mode != Names::Nobody || matches!(names.mode, Names::Lies(_));
    let mut bytes = question.get(..2)?.to_vec();
    bytes.extend([0x81, if exists { 0x80 } else { 0x83 }, 0, 1, 0, u8::from(data.is_some()), 0, 0, 0, 0]);
    bytes.extend(asked);
    if let Some(data) = data {
        bytes.extend([0xc0, 12, 0, kind, 0, 1, 0, 0, 0, 5, 0, u8::try_from(data.len()).unwrap()]);
        bytes.extend(data);
    }
    Some(bytes)
}
