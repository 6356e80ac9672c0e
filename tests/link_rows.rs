//! Rows of the fault catalogue about the link, between network namespaces. What takes a day or a fleet there runs with
//! the pure machines instead.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support"]
mod support {
    pub(crate) mod dhcp;
    pub(crate) mod frames;
    pub(crate) mod netns;
    pub(crate) mod trailer;
}

use pintle_core::forward::answer::NoAnswer;
use pintle_core::link::evidence::{Attempt, Ended, Facts, Gateway, Interface, Names, Probe, Tcp};
use pintle_core::link::ladder::{Ladder, Pulled, Rules, Seen, Step, StepRule};
use pintle_core::link::watch::{LinkAction, LinkEvent, LinkWatch};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::Lane;
use std::io::Write as _;
use std::net::{IpAddr, Ipv6Addr};
use std::process::Command;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};
use support::frames::{Ear, is_v4, is_v6, parts, to_port};
use support::netns::{KERNEL_BAR, MAC, NAME, OTHER, PORT, RECEIVER, ROUTER, RUNG_BAR, Rig, allowed, hand_in, must};

/// Catalogue: delivery goes on within this once the way is whole.
const DELIVERY_BAR: Duration = Duration::from_mins(1);

fn tell(words: &str) {
    drop(writeln!(std::io::stderr(), "{words}"));
}

/// How many of a row's repetitions this run makes.
fn share(variable: &str, usual: u32) -> u32 {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

#[test]
fn row_34_iface_rename_route_loss() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    let renames = share("PINTLE_ROW_RENAMES", 12);
    let mut name = "usb0".to_owned();
    let mut slowest = Duration::ZERO;
    for number in 1..=renames {
        rig.findings();
        let new = format!("wwan{number}");
        rig.trailer_ip(&format!("link set {name} down"));
        rig.wait_rung("no-carrier", allowed(KERNEL_BAR));
        rig.trailer_ip(&format!("link set {name} name {new}"));
        rig.trailer_ip(&format!("link set {new} up"));
        rig.trailer_ip("route replace default via 192.0.2.1");
        let (seen, before) = rig.wait_rung("up", allowed(KERNEL_BAR));
        assert!(before.iter().all(|rung| rung == "no-route" || rung == "no-carrier"), "{before:?}");
        (name, slowest) = (new, slowest.max(seen));
    }
    tell(&format!("row 34: {renames} renames, each followed within {} ms", slowest.as_millis()));
    rig.trailer.wait_health(|health| health["link"]["interface"] == name.as_str());
    // A lost default route, and a bearer that is dead although everything looks well.
    rig.named(
        "no-route",
        KERNEL_BAR,
        |rig| rig.trailer_ip("route del default"),
        |rig| rig.trailer_ip("route add default via 192.0.2.1"),
    );
    let after_route = rig.wait_delivered(allowed(DELIVERY_BAR));
    rig.named("tcp-blocked", RUNG_BAR, |rig| rig.rule("over drop"), |rig| rig.no_rules());
    let after_bearer = rig.wait_delivered(allowed(DELIVERY_BAR));
    let (route, bearer) = (after_route.as_millis(), after_bearer.as_millis());
    tell(&format!("row 34: all delivered {route} ms after a lost route, {bearer} ms after a dead bearer"));
}

#[test]
fn row_34_iface_rename_route_loss_with_another_address_on_the_cable_each_time() {
    let Some(mut rig) = Rig::build("[link]\ninterface = \"usb0\"\n") else { return };
    rig.start();
    let times = share("PINTLE_ROW_RENAMES", 8);
    for number in 1..=times {
        rig.findings();
        rig.trailer_ip("link del usb0");
        rig.wait_rung("absent", allowed(KERNEL_BAR));
        rig.plug_in(&format!("02:00:5e:10:01:{number:02x}"));
        let (_, before) = rig.wait_rung("up", allowed(RUNG_BAR));
        let kernel = ["absent", "no-carrier", "no-address", "no-route"];
        assert!(before.iter().all(|rung| kernel.contains(&rung.as_str())), "{before:?}");
    }
    let delivered = rig.wait_delivered(allowed(DELIVERY_BAR));
    tell(&format!("row 34: {times} new devices, all delivered {} ms after the last", delivered.as_millis()));
}

#[test]
fn row_30_server_hang_drip_when_the_way_swallows_the_middle_of_a_body() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.flood(Duration::from_millis(200));
    rig.findings();
    let began = Instant::now();
    // The first bytes of what is sent next pass, the rest vanishes.
    rig.rule("over ip saddr 192.0.2.2 tcp dport 8443 quota over 9 kbytes drop");
    let fails = |rig: &Rig| rig.trailer.log().matches("delivery fails").count();
    while fails(&rig) == 0 {
        // Its deadline of ten seconds, and five.
        assert!(began.elapsed() < allowed(Duration::from_secs(15)), "{}", rig.trailer.log());
        std::thread::sleep(Duration::from_millis(50));
    }
    let gave_up = began.elapsed();
    // Others are reached, the receiver is not: no step of the ladder would help.
    let (_, before) = rig.wait_rung("receiver-silent", allowed(RUNG_BAR));
    assert!(before.is_empty(), "{before:?}");
    // Two hours by PINTLE_ROW_HANG_S=7200: it stays what it is, and nothing grows old on its way.
    let ear = Ear::listen(&rig.router_ns, "near0");
    let stays = Duration::from_secs(share("PINTLE_ROW_HANG_S", 12).into());
    std::thread::sleep(stays);
    assert_eq!(rig.findings(), Vec::<String>::new(), "still the same");
    let syn = |frame: &[u8]| {
        let (_, ends, bytes) = parts(frame)?;
        let new = to_port(frame)?.1 == PORT && bytes.get(13)? & 0x12 == 2;
        (new && ends.ends_with(&RECEIVER.octets())).then(|| u16::from_be_bytes([bytes[0], bytes[1]]))
    };
    let tries: std::collections::BTreeSet<u16> = ear.heard().iter().filter_map(|frame| syn(frame)).collect();
    // Each try has its deadline of ten seconds and five more, and a pause of five seconds at most behind it; the port
    // that each connection has of its own tells them apart.
    let least = usize::try_from(stays.as_secs() / 20).unwrap();
    tell(&format!("row 30: {} connections were tried in {} s of silence", tries.len(), stays.as_secs()));
    assert!(least <= tries.len(), "{} tries", tries.len());
    drop(ear);
    rig.no_rules();
    let delivered = rig.wait_delivered(allowed(DELIVERY_BAR));
    let (gave_up, delivered) = (gave_up.as_millis(), delivered.as_millis());
    tell(&format!("row 30: given up after {gave_up} ms, all delivered {delivered} ms after the cure"));
}

/// IPv6 as a carrier gives it, beside what is there; answers the receiver's address behind the carrier's translator.
/// Source: RFC 6052 section 2.1.
fn with_ipv6(rig: &Rig) -> Ipv6Addr {
    let (t, r, s) = (&rig.trailer_ns, &rig.router_ns, &rig.receiver_ns);
    must(&format!("ip netns exec {r} sh -c 'echo 1 > /proc/sys/net/ipv6/conf/all/forwarding'"));
    for (ns, address, device) in [
        (t, "2001:db8:1::2/64", "usb0"),
        (r, "2001:db8:1::1/64", "near0"),
        (r, "2001:db8:2::1/64", "far0"),
        (s, "2001:db8:2::2/64", "eth0"),
        (s, "64:ff9b::c633:6402/128", "lo"),
    ] {
        must(&format!("ip -n {ns} addr add {address} dev {device} nodad"));
    }
    must(&format!("ip -n {t} -6 route add default via 2001:db8:1::1"));
    must(&format!("ip -n {s} -6 route add default via 2001:db8:2::1"));
    must(&format!("ip -n {r} -6 route add 64:ff9b::/96 via 2001:db8:2::2"));
    "64:ff9b::c633:6402".parse().unwrap()
}

/// A carrier may change what it gives while the agent runs, and the receiver's address of before leads nowhere then.
#[test]
fn tether_that_changes_to_ipv6_only_and_back_is_never_called_without_a_way_out() {
    let Some(mut rig) = Rig::build("") else { return };
    let t = rig.trailer_ns.clone();
    let servers = format!("nameserver 2001:db8:1::1\nnameserver {ROUTER}\noptions timeout:1\n");
    std::fs::write(format!("/etc/netns/{t}/resolv.conf"), servers).unwrap();
    rig.certify(NAME, (2020, 2060));
    rig.start_receiver(IpAddr::V6(Ipv6Addr::UNSPECIFIED), &[]);
    rig.trailer.start();
    rig.engine(Duration::from_millis(400));
    rig.wait_rung("up", allowed(RUNG_BAR));
    rig.wait_delivered(allowed(DELIVERY_BAR));
    let translated = with_ipv6(&rig);
    let settle = |rig: &mut Rig, what: &str| {
        rig.wait_delivered(allowed(DELIVERY_BAR));
        // Long enough for several looks and for a probe; what was on its way broke off, and that is no fault of ours.
        std::thread::sleep(Duration::from_secs(8));
        let found = rig.findings();
        assert!(found.iter().all(|rung| rung != "no-route" && rung != "other-route"), "{what}: {found:?}");
        assert!(found.last().is_none_or(|rung| rung == "up"), "{what}: {found:?}");
        rig.wait_delivered(allowed(DELIVERY_BAR));
    };
    (rig.names().v4, rig.names().v6) = (None, Some(translated));
    rig.findings();
    rig.trailer_ip("-4 addr flush dev usb0");
    settle(&mut rig, "to IPv6");
    rig.give_address();
    (rig.names().v4, rig.names().v6) = (Some(RECEIVER), None);
    rig.findings();
    rig.trailer_ip("-6 addr flush dev usb0 scope global");
    settle(&mut rig, "and back");
    // An address by number, of a kind that the network does not give: that is told, and no step is due.
    rig.trailer.kill();
    rig.trailer_ip("-6 addr add 2001:db8:1::2/64 dev usb0 nodad");
    rig.trailer_ip("-6 route replace default via 2001:db8:1::1");
    rig.trailer_ip("-4 addr flush dev usb0");
    let ca = rig.trailer.folder().join("ca.pem");
    let url = format!("[receiver]\nurl = \"https://{RECEIVER}:{PORT}/v1/events\"\nca_file = \"{}\"\n", ca.display());
    rig.trailer.configure("", &format!("{url}[link]\nmac = \"{MAC}\"\n[ladder]\nsteps = \"renew\"\n"));
    rig.findings();
    rig.trailer.start();
    rig.wait_rung("no-route", allowed(RUNG_BAR));
    let health = rig.trailer.wait_health(|health| health["link"]["rung"] == "no-route");
    let sentence = health["link"]["sentence"].as_str().unwrap();
    assert!(sentence.contains("the network gives IPv6 only, and the receiver's address is IPv4"), "{sentence}");
    assert!(health["link"]["ladder"]["next"].is_null(), "{:#}", health["link"]);
}

#[test]
fn row_36_ipv6_only_dns64() {
    // No address by number in the configuration, so none may be on the cable that the name server did not give.
    let Some(mut rig) = Rig::build(&format!("[link]\nmac = \"{MAC}\"\n")) else { return };
    let translated = with_ipv6(&rig);
    rig.trailer_ip("-4 addr flush dev usb0");
    let t = rig.trailer_ns.clone();
    std::fs::write(format!("/etc/netns/{t}/resolv.conf"), "nameserver 2001:db8:1::1\n").unwrap();
    (rig.names().v4, rig.names().v6) = (None, None);
    rig.names().v6 = Some(translated);
    rig.certify(NAME, (2020, 2060));
    rig.start_receiver(IpAddr::V6(Ipv6Addr::UNSPECIFIED), &[]);
    let ear = Ear::listen(&rig.router_ns, "near0");
    rig.trailer.start();
    rig.engine(Duration::from_millis(400));
    rig.wait_rung("up", allowed(RUNG_BAR));
    while rig.taken.load(Ordering::SeqCst) < 5 {
        std::thread::sleep(Duration::from_millis(20));
    }
    let alone = rig.wait_delivered(allowed(DELIVERY_BAR));
    let frames = ear.heard();
    drop(ear);
    let over = |of: fn(&[u8]) -> bool| frames.iter().filter(|frame| of(frame)).count();
    let (v4, v6) = (over(is_v4), over(is_v6));
    let sent: Vec<_> = frames.iter().filter_map(|frame| Some((parts(frame)?.1, to_port(frame)?))).collect();
    let to_receiver = sent.iter().filter(|(ends, (.., port, _))| *port == PORT && ends.ends_with(&translated.octets()));
    let asked = sent.iter().filter(|(_, (protocol, port, _))| (*protocol, *port) == (17, 53)).count();
    // The first record of TLS names whom it is for. Source: RFC 6066 section 3, RFC 8446 section 5.1.
    let hellos: Vec<_> = sent.iter().filter(|(_, (.., bytes))| bytes.starts_with(&[0x16, 3])).collect();
    let holds = |bytes: &[u8], text: &str| bytes.windows(text.len()).any(|part| part == text.as_bytes());
    let named = hellos.iter().filter(|(_, (_, port, bytes))| *port == PORT && holds(bytes, NAME)).count();
    let to_receiver = to_receiver.count();
    let literal = sent.iter().filter(|(_, (.., bytes))| holds(bytes, &RECEIVER.to_string())).count();
    tell(&format!(
        "row 36: on the cable {v4} packets of IPv4, {v6} of IPv6, {to_receiver} of them to {translated}; {asked} \
         questions for names, {named} handshakes for {NAME}; IPv4 literals: {literal}"
    ));
    assert_eq!((v4, literal), (0, 0), "no IPv4 and no literal of it");
    assert!(0 < to_receiver && 0 < asked && 0 < named, "by name, over the translator");
    // Now an IPv4 address that looks well and leads into a black hole; all connections are made anew.
    rig.findings();
    let ear = Ear::listen(&rig.router_ns, "near0");
    rig.rule("over meta nfproto ipv4 drop");
    rig.give_address();
    rig.names().v4 = Some(RECEIVER);
    // While IPv6 refuses, the other address is tried, too, and swallows what it gets.
    rig.stop_receiver();
    let (began, before) = (Instant::now(), rig.taken.load(Ordering::SeqCst));
    let dead = || {
        let frames = ear.heard();
        let v4: Vec<_> = frames.iter().filter(|frame| is_v4(frame)).filter_map(|frame| parts(frame)).collect();
        let ours = v4.iter().filter(|(_, ends, _)| ends[..4] == [192, 0, 2, 2] && ends[4..] != ROUTER.octets());
        let known = ours.clone().all(|(_, ends, _)| ends[4..] == RECEIVER.octets());
        (ours.count(), known)
    };
    while dead().0 == 0 || rig.taken.load(Ordering::SeqCst) < before + 5 {
        assert!(began.elapsed() < support::trailer::PATIENCE, "nobody tried IPv4:\n{}", rig.trailer.log());
        std::thread::sleep(Duration::from_millis(50));
    }
    rig.start_receiver(IpAddr::V6(Ipv6Addr::UNSPECIFIED), &[]);
    let beside = rig.wait_delivered(allowed(DELIVERY_BAR));
    let (alone, beside) = (alone.as_millis(), beside.as_millis());
    let (dead, known) = dead();
    assert!(known, "only what the name server gave");
    tell(&format!("row 36: {dead} packets went into the dead IPv4, all to the address that the name server gave"));
    tell(&format!("row 36: delivered after {alone} ms over IPv6 alone, {beside} ms with a dead IPv4 beside it"));
    assert!(rig.findings().iter().all(|rung| rung == "up" || rung == "receiver-silent"), "the way is whole");
    let asked = rig.names().asked;
    assert!(0 < asked, "by name, never by number: {ROUTER} was asked");
    if !support::dhcp::can_run() {
        return;
    }
    // Everything that leads out is gone, until a router says again who it is (RFC 4861).
    rig.no_rules();
    rig.trailer_ip("addr flush dev usb0 scope global");
    rig.wait_rung("no-address", allowed(KERNEL_BAR));
    let _router = support::dhcp::serve(&rig, true);
    let (seen, between) = rig.wait_rung("up", support::trailer::PATIENCE);
    tell(&format!("row 36: an advertisement brings address and route: whole {} ms after the start", seen.as_millis()));
    assert!(between.iter().all(|rung| rung == "no-route" || rung == "unproven"), "{between:?}");
    rig.wait_delivered(allowed(DELIVERY_BAR));
}

/// What the kernel has counted on the tether, both ways, bytes.
fn counted(rig: &Rig) -> u64 {
    let of = |what: &str| {
        let file = format!("/sys/class/net/usb0/statistics/{what}_bytes");
        let output = Command::new("ip").args(["netns", "exec", &rig.trailer_ns, "cat", &file]).output().unwrap();
        String::from_utf8(output.stdout).unwrap().trim().parse::<u64>().unwrap()
    };
    of("rx") + of("tx")
}

/// Issue: data used survives restarts and counters that begin anew.
#[test]
fn data_used_goes_on_over_a_new_process_and_a_new_interface_whose_counters_begin_at_zero() {
    let Some(mut rig) = Rig::build(&format!(
        "[link]\nmac = \"{MAC}\"\nothers = \"{OTHER}:443\"\nplan_gib = 0.1\n[health]\nevery_s = 1\n"
    )) else {
        return;
    };
    rig.certify(NAME, (2020, 2060));
    rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
    let socket = rig.trailer.runtime_dir().join("intake.sock");
    // What the agent has seen used, once the cable is quiet: its probes are all that goes over it.
    let settled = |rig: &Rig, known: u64| {
        let used = |health: &serde_json::Value| health["link"]["data"]["used_bytes"].as_u64().unwrap_or(0);
        let (began, mut last) = (Instant::now(), (0, 0));
        loop {
            let health = rig.trailer.wait_health(|health| health["link"]["data"]["used_bytes"].is_u64());
            let now = (counted(rig), used(&health));
            if last == now && known < now.1 {
                return now;
            }
            assert!(began.elapsed() < support::trailer::PATIENCE, "{known}, {last:?}, {now:?}: {:#}", health["link"]);
            last = now;
            std::thread::sleep(Duration::from_millis(2500));
        }
    };
    let send = |rig: &mut Rig, reads: u64| {
        for _ in 0..reads {
            assert!(hand_in(&socket, ""));
        }
        rig.taken.fetch_add(reads, Ordering::SeqCst);
        rig.wait_delivered(allowed(DELIVERY_BAR));
    };
    let before = counted(&rig);
    rig.trailer.start();
    rig.wait_rung("up", allowed(RUNG_BAR));
    send(&mut rig, 100);
    let (kernel, first) = settled(&rig, 0);
    assert!(kernel - before - 2000 <= first && first <= kernel, "{before}, {kernel}, {first}");
    // A new process, then one that had no time to write anything down, on the same interface.
    assert!(rig.trailer.stop().success());
    rig.trailer.start();
    rig.wait_rung("up", allowed(RUNG_BAR));
    send(&mut rig, 100);
    let (kernel, second) = settled(&rig, first);
    let missed = kernel - before - second.min(kernel - before);
    assert!(first < second && missed <= 2000, "{before}, {kernel}, {second}");
    rig.trailer.kill();
    rig.trailer.start();
    rig.wait_rung("up", allowed(RUNG_BAR));
    let (kernel, killed) = settled(&rig, second);
    let missed = kernel - before - killed.min(kernel - before);
    assert!(second < killed && missed <= 2000, "{before}, {kernel}, {killed}");
    // Unplugged and plugged in: the counters begin anew, what was used does not.
    rig.trailer_ip("link del usb0");
    rig.wait_rung("absent", allowed(KERNEL_BAR));
    rig.plug_in(MAC);
    rig.wait_rung("up", allowed(RUNG_BAR));
    send(&mut rig, 100);
    let (anew, third) = settled(&rig, killed);
    assert!(anew < kernel, "the kernel's counters did begin anew: {anew}, {kernel}");
    let missed = (killed + anew).abs_diff(third);
    assert!(missed <= 2000, "{killed} before and {anew} since are {third}");
    tell(&format!("data used: {first}, {second}, {killed}, {third} bytes; missed on the new interface: {missed}"));
}

/// Watcher and ladder together, ten times a second for as long as is asked, on what `world` tells at each instant.
struct Life {
    watch: LinkWatch,
    ladder: Ladder,
    steps: Vec<(u64, Step)>,
    now_ms: u64,
    /// Whether reads are being written at that instant.
    writes: fn(u64) -> bool,
    /// Steps that were asked for while they were.
    during_writes: u32,
}

impl Life {
    fn new() -> Self {
        let rules = Rules {
            steps: Step::ALL.map(|step| StepRule::usual(step, 600_000)).to_vec(),
            first_after_ms: 300_000,
            wait_ms: 600_000,
            per_hour: 3,
            resets_per_day: 6,
            reboots_per_day: 1,
        };
        let (watch, ladder) = (LinkWatch::default(), Ladder::new(rules));
        // A poor card: written for 13 s of every 14, hardly ever not when something is due.
        let writes = |now_ms: u64| now_ms / 1000 % 14 != 13;
        Self { watch, ladder, steps: Vec::new(), now_ms: 0, writes, during_writes: 0 }
    }

    /// `tcp` is what a connection to the receiver brings, and `others` one to anybody else; a request goes out every
    /// minute. `gateway` is what the kernel knows of the next hop, which answers no echo.
    fn live(mut self, span_ms: u64, tcp: Tcp, others: bool, gateway: Gateway) -> Self {
        let until = self.now_ms + span_ms;
        let mut out = Vec::new();
        let mut probing: Option<Mono> = None;
        while self.now_ms < until {
            let now = Moment {
                mono: Mono(self.now_ms),
                utc: Utc(1_795_608_000_000).plus_ms(i64::try_from(self.now_ms).unwrap()),
                utc_trust: UtcTrust::Gps,
            };
            let well = matches!(tcp, Tcp::Connected(_));
            let interface = Interface {
                name: "usb0".to_owned(),
                index: Some(2),
                on: true,
                carrier: true,
                v4: true,
                default_route: true,
                gateway,
                gateway_heard_ms: Some(500),
                // An answer of the next hop each second.
                received: Some(self.now_ms / 1000 * 60),
                ..Interface::default()
            };
            let facts = Facts { looked_for: "usb0".to_owned(), interface: Some(interface), ..Facts::default() };
            self.watch.handle(LinkEvent::Facts(facts), &now, &mut out);
            if let Some(began) = probing.filter(|began| 5000 <= now.mono.since_ms(*began)) {
                probing = None;
                let probe = Probe {
                    began,
                    at: now.mono,
                    names: Names::Found,
                    names_lie: Some(false),
                    tcp,
                    others_answer: Some(others),
                    cost: 2000,
                    ..Probe::default()
                };
                self.watch.handle(LinkEvent::Probe(probe), &now, &mut out);
            }
            if self.now_ms.is_multiple_of(60_000) {
                let ended = if well { Ended::Receipt } else { Ended::NoAnswer(NoAnswer::ConnectTimeout) };
                let attempt = Attempt { began: now.mono.minus_ms(900), at: now.mono, bytes: 900, ended };
                self.watch.handle(LinkEvent::Attempt(Lane::Bulk, attempt), &now, &mut out);
            }
            self.watch.handle(LinkEvent::Tick, &now, &mut out);
            for action in out.drain(..) {
                if let LinkAction::Probe(_) = action {
                    probing = Some(now.mono);
                }
            }
            if let Some((finding, since)) = self.watch.finding() {
                let seen = Seen {
                    now,
                    finding: (finding.rung, since),
                    moving: self.watch.moving(now.mono),
                    writing: (self.writes)(self.now_ms),
                    sure: self.watch.sure(),
                };
                if let (Some(step), _) = self.ladder.look(&seen) {
                    self.during_writes += u32::from(seen.writing);
                    self.steps.push((self.now_ms, step));
                    self.ladder.done(Pulled::Done);
                }
            }
            self.now_ms += 1000;
        }
        self
    }

    fn resets(&self) -> usize {
        self.steps.iter().filter(|(_, step)| step.is_reset()).count()
    }
}

#[test]
fn row_35_icmp_filtered_no_action() {
    const DAY_MS: u64 = 86_400_000;
    // No echo is ever sent, so a router that answers none changes nothing: the next hop is known to be there by itself.
    let filtered = Life::new().live(DAY_MS, Tcp::Connected(40), true, Gateway::Answers);
    assert_eq!(filtered.steps, [], "24 h with ICMP filtered");
    let outage = Life::new().live(60_000, Tcp::Connected(40), true, Gateway::Answers).live(
        2 * DAY_MS,
        Tcp::Silent,
        false,
        Gateway::Answers,
    );
    let reboots = outage.steps.iter().filter(|(_, step)| *step == Step::Reboot).count();
    assert!((1..=12).contains(&outage.resets()) && reboots <= 2, "48 h of a true outage: {:?}", outage.steps);
    assert_eq!(outage.during_writes, 0, "none while the intake writes: {:?}", outage.steps);
    let server = Life::new().live(DAY_MS, Tcp::Silent, true, Gateway::Answers);
    assert_eq!(server.steps, [], "the receiver alone is away");
    let (resets, reboots) = (outage.resets(), reboots);
    tell(&format!(
        "row 35: 0 steps in 24 h of filtered ICMP, {resets} resets and {reboots} restarts in 48 h of outage, none while \
         the intake wrote"
    ));
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.findings();
    for chain in ["over", "to", "from"] {
        rig.rule(&format!("{chain} meta l4proto {{ icmp, icmpv6 }} drop"));
    }
    std::thread::sleep(Duration::from_secs(share("PINTLE_ROW_ICMP_S", 15).into()));
    assert!(rig.findings().is_empty(), "ICMP is missed by nobody:\n{}", rig.trailer.log());
    rig.wait_delivered(allowed(DELIVERY_BAR));
}
