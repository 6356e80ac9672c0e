//! The real agent lives through one fault of the way after the other, as chance has it; and the recovery ladder pulls
//! the real lever. Both between network namespaces.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support"]
mod support {
    pub(crate) mod dhcp;
    pub(crate) mod frames;
    pub(crate) mod netns;
    pub(crate) mod trailer;
}

use pintle::clock;
use pintle_core::link::ladder::LadderMemory;
use pintle_core::moment::Mono;
use pintle_core::wire::ladder::KeptLadder;
use std::fmt::Write as _;
use std::io::Write as _;
use std::net::IpAddr;
use std::os::fd::OwnedFd;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use support::dhcp;
use support::frames::Random;
use support::netns::{KERNEL_BAR, MAC, NAME, Names, RECEIVER, RECOVERY_BAR, ROUTER, RUNG_BAR, Rig, allowed};
use support::trailer::PINTLE;

fn tell(words: &str) {
    drop(writeln!(std::io::stderr(), "{words}"));
}

/// What can happen to the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    Unplugged,
    CableOut,
    SwitchedOff,
    NoAddress,
    NoRoute,
    OtherRoute,
    GatewaySilent,
    NamesSilent,
    NamesUnknown,
    NamesLate,
    PortalByName,
    PortalByPage,
    Blocked,
    ReceiverCutOff,
    ReceiverGone,
    OtherName,
    NotYetValid,
    Refused,
    Hangs,
    LargeLost,
    Slow,
}

impl Fault {
    const ALL: [Self; 21] = [
        Self::Unplugged,
        Self::CableOut,
        Self::SwitchedOff,
        Self::NoAddress,
        Self::NoRoute,
        Self::OtherRoute,
        Self::GatewaySilent,
        Self::NamesSilent,
        Self::NamesUnknown,
        Self::NamesLate,
        Self::PortalByName,
        Self::PortalByPage,
        Self::Blocked,
        Self::ReceiverCutOff,
        Self::ReceiverGone,
        Self::OtherName,
        Self::NotYetValid,
        Self::Refused,
        Self::Hangs,
        Self::LargeLost,
        Self::Slow,
    ];

    /// What the agent has to call it.
    fn rung(self) -> &'static str {
        match self {
            Self::Unplugged => "absent",
            Self::CableOut | Self::SwitchedOff => "no-carrier",
            Self::NoAddress => "no-address",
            Self::NoRoute => "no-route",
            Self::OtherRoute => "other-route",
            Self::GatewaySilent => "gateway-silent",
            Self::NamesSilent | Self::NamesUnknown | Self::NamesLate => "names-fail",
            Self::PortalByName | Self::PortalByPage => "portal",
            Self::Blocked => "tcp-blocked",
            Self::ReceiverCutOff | Self::ReceiverGone | Self::Hangs => "receiver-silent",
            Self::LargeLost => "large-lost",
            Self::Slow => "slow",
            Self::OtherName => "tls-fails",
            // Nobody has set this trailer's clock.
            Self::NotYetValid => "clock-wrong",
            Self::Refused => "receiver-refuses",
        }
    }

    fn by_kernel(self) -> bool {
        matches!(
            self,
            Self::Unplugged | Self::CableOut | Self::SwitchedOff | Self::NoAddress | Self::NoRoute | Self::OtherRoute
        )
    }

    fn harm(self, rig: &mut Rig) {
        match self {
            Self::Unplugged => rig.trailer_ip("link del usb0"),
            Self::CableOut => rig.router("ip link set near0 down"),
            Self::SwitchedOff => rig.trailer_ip("link set usb0 down"),
            Self::NoAddress => rig.trailer_ip("addr flush dev usb0 scope global"),
            Self::NoRoute => rig.trailer_ip("route del default"),
            Self::OtherRoute => {
                rig.trailer_ip("route replace default via 192.0.2.1 dev usb0 metric 100");
                rig.trailer_ip("route del default metric 0");
                rig.trailer_ip("route add default via 203.0.113.1 dev lan0 metric 10");
            }
            Self::GatewaySilent => rig.gateway_silent(true),
            Self::NamesSilent | Self::NamesUnknown | Self::NamesLate => {
                rig.names().mode = match self {
                    Self::NamesSilent => Names::Silent,
                    Self::NamesUnknown => Names::Nobody,
                    _ => Names::Slow(Duration::from_secs(30)),
                };
                rig.rule("over drop");
            }
            Self::PortalByName => {
                rig.names().mode = Names::Lies(ROUTER);
                rig.rule("over meta l4proto tcp reject with tcp reset");
            }
            Self::PortalByPage => {
                rig.router("nft 'add table ip n; add chain ip n pre { type nat hook prerouting priority -100; }'");
                rig.router("nft 'add rule ip n pre tcp dport 80 redirect'");
                rig.rule("over drop");
            }
            Self::Blocked => rig.rule("over drop"),
            Self::ReceiverCutOff => rig.rule(&format!("over ip daddr {RECEIVER} drop")),
            Self::ReceiverGone => rig.stop_receiver(),
            Self::OtherName | Self::NotYetValid => {
                let (name, from) = if self == Self::OtherName { ("somebody.example", 2020) } else { (NAME, 2050) };
                rig.certify(name, (from, 2060));
                rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
            }
            Self::Refused => {
                let token = rig.trailer.folder().join("token");
                std::fs::write(&token, "a-token-of-which-the-trailer-knows-nothing-at-all").unwrap();
                rig.start_receiver(IpAddr::V4(RECEIVER), &["--token-file", &token.display().to_string()]);
            }
            Self::Hangs => rig.receiver_hangs(true),
            Self::LargeLost => {
                rig.rule("from icmp type destination-unreachable drop");
                rig.router("ip link set far0 mtu 1280");
                rig.flood(Duration::from_secs(1));
            }
            Self::Slow => {
                rig.pace(Some("32kbit"));
                rig.flood(Duration::from_millis(500));
            }
        }
    }

    fn cure(self, rig: &mut Rig) {
        match self {
            Self::Unplugged => rig.plug_in(MAC),
            Self::CableOut => {
                rig.router("ip link set near0 up");
                rig.give_address();
            }
            Self::SwitchedOff => {
                rig.trailer_ip("link set usb0 up");
                rig.give_address();
            }
            Self::NoAddress | Self::NoRoute => rig.give_address(),
            Self::OtherRoute => {
                rig.trailer_ip("route del default dev lan0");
                rig.trailer_ip("route del default dev usb0");
                rig.give_address();
            }
            Self::GatewaySilent => rig.gateway_silent(false),
            Self::NamesSilent | Self::NamesUnknown | Self::NamesLate | Self::PortalByName => {
                rig.names().mode = Names::Honest;
                rig.no_rules();
            }
            Self::PortalByPage => {
                rig.router("nft 'delete table ip n'");
                rig.no_rules();
            }
            Self::Blocked | Self::ReceiverCutOff => rig.no_rules(),
            Self::ReceiverGone | Self::Refused => rig.start_receiver(IpAddr::V4(RECEIVER), &[]),
            Self::OtherName | Self::NotYetValid => {
                rig.certify(NAME, (2020, 2060));
                rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
            }
            Self::Hangs => rig.receiver_hangs(false),
            Self::LargeLost => {
                rig.ebb();
                rig.router("ip link set far0 mtu 1500");
                rig.no_rules();
            }
            Self::Slow => {
                rig.ebb();
                rig.pace(None);
            }
        }
    }

    /// Whether that may be said between harm and cure: the fault itself, and how things are while nothing is wrong. A
    /// receiver that starts anew is really away meanwhile.
    fn may_say(self, rung: &str) -> bool {
        let anew = matches!(self, Self::OtherName | Self::NotYetValid | Self::Refused);
        rung == self.rung() || rung == "up" || (anew && rung == "receiver-silent")
    }

    /// Whether that may be said after the cure until the way is seen whole: what comes back, comes back piece by piece.
    fn may_say_later(self, rung: &str) -> bool {
        let kernel = ["absent", "no-carrier", "no-address", "no-route", "unproven"];
        self.may_say(rung) || (self.by_kernel() && kernel.contains(&rung))
    }
}

/// A fault, how long it took until it was named, and until its end was seen.
type Took = (Fault, Duration, Duration);

/// One life: a rig of its own, in which one fault follows upon the other. Answers how long it took to name each, and to
/// see that it is over, and what was called by a wrong name.
fn live(faults: &[(Fault, Duration)]) -> Option<(Vec<Took>, Vec<String>)> {
    let mut rig = Rig::build("")?;
    rig.serve_portal();
    rig.trailer_ip("link add lan0 type veth peer name lan1");
    rig.trailer_ip("addr add 203.0.113.2/24 dev lan0");
    rig.trailer_ip("link set lan1 up");
    rig.trailer_ip("link set lan0 up");
    // What a probe brought explains a wrong name.
    rig.trailer.environment("PINTLE_LOG", "info,pintle::actors::link=debug");
    rig.start();
    let (mut took, mut misnamed) = (Vec::new(), Vec::new());
    // The usual run lets the way be whole for a while between two faults. Where one comes within the second in which
    // the other ends, a probe may still be under way: that is what the long runs are for.
    let apart = if std::env::var_os("PINTLE_RANDOM_RUNS").is_some() { Duration::ZERO } else { Duration::from_secs(2) };
    for (number, (fault, holds)) in faults.iter().enumerate() {
        std::thread::sleep(apart);
        let at = format!("{fault:?}, the {}th of {:?}", number + 1, faults.iter().map(|one| one.0).collect::<Vec<_>>());
        rig.findings();
        let said = rig.trailer.log().len();
        fault.harm(&mut rig);
        let bar = if fault.by_kernel() { KERNEL_BAR } else { RUNG_BAR };
        let (named, before) = rig.wait_rung(fault.rung(), allowed(bar));
        let mut wrong: Vec<_> = before.into_iter().filter(|rung| !fault.may_say(rung)).collect();
        // It stays for a while, and is called nothing else meanwhile.
        std::thread::sleep(*holds);
        let then = rig.findings();
        let is_up = then.last().is_some_and(|rung| rung == "up");
        wrong.extend(then.into_iter().filter(|rung| rung != fault.rung()));
        fault.cure(&mut rig);
        let (mended, between) =
            if is_up { (Duration::ZERO, Vec::new()) } else { rig.wait_rung("up", allowed(RECOVERY_BAR)) };
        wrong.extend(between.into_iter().filter(|rung| !fault.may_say_later(rung)));
        if !wrong.is_empty() {
            let log = rig.trailer.log();
            misnamed
                .push(format!("{at} was called {wrong:?}:\n{}", log.get(said.saturating_sub(2000)..).unwrap_or("")));
        }
        took.push((*fault, named, mended));
    }
    rig.wait_delivered(allowed(Duration::from_mins(1)));
    Some((took, misnamed))
}

#[test]
fn true_rung_is_never_named_wrongly_whatever_fault_follows_upon_which() {
    const LIVES: usize = 4;
    let number = |variable: &str| std::env::var(variable).ok().and_then(|text| text.parse::<u64>().ok());
    let runs = usize::try_from(number("PINTLE_RANDOM_RUNS").unwrap_or(12)).unwrap().div_ceil(LIVES);
    let seed = number("PINTLE_SEED").unwrap_or_else(rand::random);
    tell(&format!("PINTLE_SEED={seed} PINTLE_RANDOM_RUNS={} repeats this", runs * LIVES));
    // Some of them alone, by their names, to look closer at one. Beside the whole suite "slow" may take minutes until it
    // is named, so that the usual run leaves it to `link_rungs`.
    let named = std::env::var("PINTLE_FAULTS").unwrap_or_default();
    let usual = std::env::var_os("PINTLE_RANDOM_RUNS").is_none();
    let chosen = |fault: &&Fault| {
        if named.is_empty() {
            **fault != Fault::Slow || !usual
        } else {
            named.split(',').any(|name| name == format!("{fault:?}"))
        }
    };
    let among: Vec<Fault> = Fault::ALL.iter().filter(chosen).copied().collect();
    let lives = (0..LIVES).map(|life| {
        let mut random = Random(seed.wrapping_add(life as u64));
        let mut pick = |of: usize| usize::try_from(random.next() % of as u64).unwrap();
        let mut fault = || (among[pick(among.len())], Duration::from_millis(pick(1500) as u64));
        let faults: Vec<_> = (0..runs).map(|_| fault()).collect();
        std::thread::spawn(move || live(&faults))
    });
    // All of them begin before one is waited for; all end before one that failed is told of, so that each cleans up.
    let ended: Vec<_> = lives.collect::<Vec<_>>().into_iter().map(std::thread::JoinHandle::join).collect();
    let (mut took, mut misnamed) = (Vec::new(), Vec::new());
    for life in ended {
        match life {
            Ok(Some((some, wrong))) => {
                took.extend(some);
                misnamed.extend(wrong);
            }
            Ok(None) => return,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
    for fault in among {
        let of = |what: fn(&Took) -> Duration| {
            let all = took.iter().filter(|one| one.0 == fault).map(what);
            (all.clone().count(), all.max().unwrap_or_default().as_millis())
        };
        let ((times, named), (_, mended)) = (of(|one| one.1), of(|one| one.2));
        tell(&format!("{fault:?}: {times} times, named within {named} ms, seen whole within {mended} ms"));
    }
    tell(&format!("{} random runs: {} of them named rightly", took.len(), took.len() - misnamed.len()));
    assert!(misnamed.is_empty(), "{}", misnamed.join("\n\n"));
    assert_eq!(took.len(), runs * LIVES);
}

/// The lever's program, beside the agent's. The whole workspace's tests have built it; a run of this package alone may
/// not have.
fn lever_program() -> PathBuf {
    let program = Path::new(PINTLE).with_file_name("pintle-lever");
    if !program.exists() {
        let mut build = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
        build.args(["build", "--quiet", "--package", "pintle-lever", "--bin", "pintle-lever"]);
        if PINTLE.contains("/release/") {
            build.arg("--release");
        }
        assert!(build.status().unwrap().success(), "build pintle-lever first");
    }
    program
}

/// Listens as `pintle-lever.socket` does: a lever of its own for each connection, as root on the trailer, where its
/// DHCP client lives.
fn lever_listens(
    rig: &Rig,
    client: &dhcp::Client,
    config: &Path,
    stop: Arc<AtomicBool>,
) -> std::thread::JoinHandle<()> {
    let listener = UnixListener::bind(rig.trailer.folder().join("lever.sock")).unwrap();
    listener.set_nonblocking(true).unwrap();
    let (program, config, beside) = (lever_program(), config.to_owned(), client.beside());
    std::thread::spawn(move || {
        while !stop.load(Ordering::SeqCst) {
            let Ok((caller, _)) = listener.accept() else {
                std::thread::sleep(Duration::from_millis(20));
                continue;
            };
            caller.set_nonblocking(false).unwrap();
            let caller = OwnedFd::from(caller);
            let mut lever = Command::new(&beside[0]);
            lever.args(&beside[1..]).arg(&program).arg("--config").arg(&config);
            lever.stdin(caller.try_clone().unwrap()).stdout(caller).stderr(Stdio::null());
            assert!(lever.status().unwrap().success());
        }
    })
}

/// What an earlier process of this boot left: the link broken for six minutes, and no step taken.
fn broken_for_six_minutes(rig: &Rig) {
    let now = clock::mono();
    let memory = LadderMemory { broken_since: Some(Mono(now.0.saturating_sub(360_000))), ..LadderMemory::default() };
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap().trim().to_owned();
    let folder = rig.trailer.state_dir().join("link");
    std::fs::create_dir_all(&folder).unwrap();
    let bytes = serde_json::to_vec(&KeptLadder::of(&memory, &boot, now)).unwrap();
    std::fs::write(folder.join("ladder.json"), bytes).unwrap();
}

/// How often the interface got its carrier, as the kernel counts it.
fn carriers(rig: &Rig) -> u32 {
    let output = Command::new("ip")
        .args(["netns", "exec", &rig.trailer_ns, "cat", "/sys/class/net/usb0/carrier_up_count"])
        .output()
        .unwrap();
    String::from_utf8(output.stdout).unwrap().trim().parse().unwrap()
}

#[test]
fn ladder_pulls_the_real_lever_the_kernel_counts_the_steps_and_the_levers_limits_hold() {
    if !dhcp::can_run() {
        return;
    }
    let Some(mut rig) = Rig::build("") else { return };
    let client = dhcp::Client::start(&rig);
    let at = |file: &str| rig.trailer.folder().join(file);
    let text = |file: &str| at(file).display().to_string();
    rig.configure(&format!("[ladder]\nsteps = \"renew, cycle\"\nsocket = \"{}\"\n", text("lever.sock")));
    // Root's file: it allows one reset a day, whatever the agent believes.
    let ip = ["/usr/sbin/ip", "/sbin/ip", "/usr/bin/ip", "/bin/ip"].into_iter().find(|ip| Path::new(ip).exists());
    let (ip, user) = (ip.unwrap(), nix::unistd::User::from_uid(nix::unistd::geteuid()).unwrap().unwrap().name);
    let mut file = format!("user = \"{user}\"\nsteps = [\"renew\", \"cycle\"]\nmac = \"{MAC}\"\noff_ms = 300\n");
    // What `renew` runs is the lever's own default.
    writeln!(file, "ip = \"{ip}\"").unwrap();
    writeln!(file, "state_dir = \"{}\"\nresets_per_day = 1", text("lever-state")).unwrap();
    std::fs::write(at("lever.toml"), file).unwrap();
    std::fs::set_permissions(at("lever.toml"), std::fs::Permissions::from_mode(0o644)).unwrap();
    let (steps, config) = (at("lever-state/steps.ndjson"), at("lever.toml"));
    let noted = |word: &str| std::fs::read_to_string(&steps).unwrap_or_default().matches(word).count();
    let stop = Arc::new(AtomicBool::new(false));
    let listening = lever_listens(&rig, &client, &config, stop.clone());
    rig.certify(NAME, (2020, 2060));
    rig.start_receiver(IpAddr::V4(RECEIVER), &[]);

    // Somebody switched the interface off: it is switched off and on, and has its carrier again.
    rig.trailer_ip("link set usb0 down");
    let before = carriers(&rig);
    broken_for_six_minutes(&rig);
    rig.trailer.start();
    rig.wait_rung("no-carrier", allowed(KERNEL_BAR));
    // Address and route went with the interface; nobody asks for them again until the ladder does.
    rig.wait_rung("no-route", allowed(RUNG_BAR));
    assert_eq!((carriers(&rig), noted("\"cycle\"")), (before + 1, 1), "done once, and noted by the lever");
    rig.give_address();
    rig.engine(Duration::from_millis(400));
    rig.wait_rung("up", allowed(RUNG_BAR));
    let health = rig.trailer.wait_health(|health| health["link"]["ladder"]["last"]["helped"] == true);
    assert_eq!(health["link"]["ladder"]["last"]["step"], "cycle", "{:#}", health["link"]["ladder"]);

    // Now a real DHCP client has the tether. Its address and route get lost, which it does not see: a new address is
    // asked for, and brings both.
    rig.trailer.kill();
    let served = rig.trailer.folder().join("dnsmasq.log");
    let _server = dhcp::serve(&rig, false);
    client.take_over(&rig);
    let given = || std::fs::read_to_string(&served).unwrap_or_default().matches("DHCPACK").count();
    let before_step = given();
    rig.trailer_ip("addr flush dev usb0 scope global");
    broken_for_six_minutes(&rig);
    rig.findings();
    rig.trailer.start();
    rig.wait_rung("no-address", allowed(KERNEL_BAR));
    rig.wait_rung("up", allowed(RUNG_BAR));
    let health = rig.trailer.wait_health(|health| health["link"]["ladder"]["last"]["helped"] == true);
    assert_eq!(health["link"]["ladder"]["last"]["step"], "renew", "{:#}", health["link"]["ladder"]);
    assert_eq!((noted("\"cycle\""), noted("\"renew\"")), (1, 1));
    assert!(before_step < given(), "the server gave an address anew: {}", std::fs::read_to_string(&served).unwrap());
    let switched = carriers(&rig);
    rig.wait_delivered(allowed(Duration::from_mins(1)));

    // The cable is out, and the agent has forgotten what it did today. The lever has not.
    rig.trailer.kill();
    rig.router("ip link set near0 down");
    broken_for_six_minutes(&rig);
    rig.trailer.start();
    let health = rig.trailer.wait_health(|health| health["link"]["ladder"]["trouble"].is_string());
    let trouble = health["link"]["ladder"]["trouble"].as_str().unwrap();
    assert!(trouble.contains("1 resets were made within a day, which is the limit"), "{trouble}");
    assert_eq!((carriers(&rig), noted("\"cycle\""), noted("\"renew\"")), (switched, 1, 1), "nothing more was done");
    stop.store(true, Ordering::SeqCst);
    listening.join().unwrap();
}
