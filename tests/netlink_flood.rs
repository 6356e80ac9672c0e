//! Ten thousand events of the kernel within seconds: what holds in the end is known, and the computer hardly notices.
//! The events are real ones, made in a network namespace of the test's own.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::actors::link::NEWS_APART_MS;
use pintle::config::{Link, Pick};
use pintle::io::netif::Finder;
use pintle::io::netlink::{Asker, Events};
use pintle_core::link::evidence::{Facts, Way};
use std::fmt::Write as _;
use std::fs::File;
use std::io::Write as _;
use std::net::IpAddr;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_mins(2);
/// Addresses that come and go. Each makes four events: the address, its route in the local table, and both again.
const COME_AND_GO: u32 = 3000;
/// Issue.
const EVENTS_MIN: usize = 10_000;
/// Issue, ms. It holds for the optimised program: `PINTLE_STRICT=1 cargo test --release -p pintle --test netlink_flood
/// -- --nocapture`.
const CPU_MS: u64 = 50;
/// The usual run is not optimised, and allows so many times as much.
const DEBUG_FACTOR: u64 = 10;

/// What this thread has had of the processor so far, ns. Source: Linux Documentation/scheduler/sched-stats.rst.
fn cpu_ns() -> u64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    text.split_whitespace().next().and_then(|number| number.parse().ok()).unwrap_or(0)
}

fn ip(arguments: &str) -> String {
    let done = Command::new("ip").args(arguments.split(' ')).output().unwrap();
    assert!(done.status.success(), "ip {arguments}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

/// A folder as the kernel would show this interface.
fn sysfs(folder: &Path, index: &str) {
    let usb0 = folder.join("usb0");
    std::fs::create_dir_all(usb0.join("statistics")).unwrap();
    for (file, text) in [("flags", "0x1003"), ("ifindex", index), ("operstate", "up"), ("carrier", "1")] {
        std::fs::write(usb0.join(file), text).unwrap();
    }
}

/// Addresses that come and go in so many parts, and in the end one that stays, with a way out.
fn scripts(parts: u32) -> Vec<String> {
    let part = |part: u32| {
        let mut text = String::new();
        for n in part * COME_AND_GO / parts..(part + 1) * COME_AND_GO / parts {
            let address = format!("10.{}.{}.1/32 dev usb0", n / 250, n % 250);
            writeln!(text, "addr add {address}\naddr del {address}").unwrap();
        }
        text
    };
    let mut all: Vec<String> = (0..parts).map(part).collect();
    all.push("addr add 192.0.2.7/24 dev usb0\nroute add default via 192.0.2.1 dev usb0\n".to_owned());
    all
}

/// Carries the scripts out, with a pause after each, in the namespace of the thread that calls.
fn carry_out(folder: &Path, scripts: Vec<String>, pause: Duration) -> std::thread::JoinHandle<()> {
    let batch = folder.join("batch");
    // A thread is in the namespace of the one that made it.
    std::thread::spawn(move || {
        for script in scripts {
            std::fs::write(&batch, script).unwrap();
            assert!(Command::new("ip").arg("-batch").arg(&batch).status().unwrap().success());
            std::thread::sleep(pause);
        }
    })
}

struct Told {
    facts: Facts,
    readings: u64,
    took: Duration,
    cpu: Duration,
    events: usize,
}

/// As the link watcher does: a change is waited for, a burst is waited out, and then everything is asked anew.
async fn watch(folder: &Path, (parts, pause): (u32, Duration)) -> Told {
    let seen = folder.join(format!("events-{parts}"));
    let link = Link { sysfs_dir: folder.join("net"), ..Link::of(Pick::Name("usb0".to_owned())) };
    let (mut finder, mut asker) = (Finder::default(), Asker::default());
    // Somebody else with a large buffer counts what the kernel really tells.
    let mut monitor = Command::new("ip")
        .args(["-rcvbuf", "100000000", "-o", "monitor", "address", "route"])
        .stdout(File::create(&seen).unwrap())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = || std::fs::read_to_string(&seen).unwrap_or_default().lines().count();
    let began = Instant::now();
    while lines() == 0 {
        assert!(began.elapsed() < PATIENCE, "nothing is told");
        ip("addr add 10.255.0.1/32 dev usb0");
        ip("addr del 10.255.0.1/32 dev usb0");
        std::thread::sleep(Duration::from_millis(50));
    }
    let events = Events::listen().unwrap();
    let change = carry_out(folder, scripts(parts), pause);
    let (began, cpu_began) = (Instant::now(), cpu_ns());
    let (mut readings, mut facts) = (0, Facts::default());
    let whole = |facts: &Facts| facts.interface.as_ref().is_some_and(|one| one.default_route && one.v4);
    // Without an event nothing is asked: that the last one is not missed is what has to be shown.
    while !whole(&facts) {
        assert!(began.elapsed() < PATIENCE, "what holds in the end is not known: {facts:?}");
        if tokio::time::timeout(PATIENCE, events.changed()).await.is_err() {
            continue;
        }
        tokio::time::sleep(Duration::from_millis(NEWS_APART_MS)).await;
        facts = finder.read(&link);
        asker.fill(&mut facts, &[IpAddr::from([198, 51, 100, 2])], &link.sysfs_dir).unwrap();
        readings += 1;
    }
    // What the kernel has kept of the flood is taken, too.
    while tokio::time::timeout(Duration::from_millis(NEWS_APART_MS), events.changed()).await.is_ok() {}
    let (took, cpu) = (began.elapsed(), Duration::from_nanos(cpu_ns() - cpu_began));
    change.join().unwrap();
    let counted = Instant::now();
    while lines() < EVENTS_MIN && counted.elapsed() < PATIENCE {
        std::thread::sleep(Duration::from_millis(50));
    }
    monitor.kill().unwrap();
    monitor.wait().unwrap();
    ip("addr del 192.0.2.7/24 dev usb0");
    Told { facts, readings, took, cpu, events: lines() }
}

/// At once, and over some seconds.
const FLOODS: [(u32, Duration); 2] = [(1, Duration::ZERO), (40, Duration::from_millis(50))];

#[test]
fn ten_thousand_events_of_the_kernel_lose_no_state_and_cost_little() {
    let root = nix::unistd::geteuid().is_root();
    if !root || Command::new("ip").arg("-V").stdout(Stdio::null()).status().is_err() {
        assert!(!std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all"), "PINTLE_RIGS=all: root and ip");
        drop(writeln!(std::io::stderr(), "not run: needs root and ip"));
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    // The namespace is the thread's, and goes with it; what it starts lives in it, too.
    let told = std::thread::spawn(move || {
        nix::sched::unshare(nix::sched::CloneFlags::CLONE_NEWNET).unwrap();
        ip("link add usb0 type veth peer name far0");
        ip("link set usb0 up");
        ip("link set far0 up");
        let shown = ip("-o link show usb0");
        sysfs(&path.join("net"), shown.split(':').next().unwrap());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        FLOODS.map(|flood| runtime.block_on(watch(&path, flood)))
    });
    for told in told.join().unwrap() {
        let line = format!(
            "{} events in {} ms: {} readings, {}.{:03} ms of the processor",
            told.events,
            told.took.as_millis(),
            told.readings,
            told.cpu.as_micros() / 1000,
            told.cpu.as_micros() % 1000
        );
        drop(writeln!(std::io::stderr(), "{line}"));
        let interface = told.facts.interface.unwrap();
        assert!(interface.v4 && interface.default_route && told.facts.way == Way::Ours, "{interface:?}");
        assert!(EVENTS_MIN <= told.events, "{line}");
        let most = u64::try_from(told.took.as_millis()).unwrap() / NEWS_APART_MS + 1;
        assert!(told.readings <= most, "{line}");
        let strict = std::env::var("PINTLE_STRICT").is_ok_and(|strict| strict == "1");
        let factor = if strict { 1 } else { DEBUG_FACTOR };
        assert!(told.cpu <= Duration::from_millis(CPU_MS * factor), "{line}");
    }
}
