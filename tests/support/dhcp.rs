//! Who gives addresses on the router (dnsmasq), and who asks for them on the trailer: the real client that
//! `docs/OPERATIONS.md` installs, systemd-networkd with the file that we ship, with a bus of its own.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use super::netns::{MAC, ROUTER, Rig};
use super::trailer::PATIENCE;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

const NETWORKD: &str = "/usr/lib/systemd/systemd-networkd";

/// Whether both can run here; says so if not.
pub(crate) fn can_run() -> bool {
    let programs = [NETWORKD, "/usr/bin/networkctl", "/usr/bin/dbus-daemon", "/usr/bin/nsenter", "/usr/sbin/dnsmasq"];
    let missing: Vec<_> = programs.iter().filter(|program| !Path::new(program).exists()).collect();
    if !missing.is_empty() {
        assert!(!std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all"), "PINTLE_RIGS=all needs {missing:?}");
        drop(writeln!(std::io::stderr(), "not run: needs {missing:?} (systemd, dbus-daemon, dnsmasq-base)"));
    }
    missing.is_empty()
}

/// A child that ends with its owner.
pub(crate) struct Kept(Child);

impl Drop for Kept {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Gives addresses of IPv4 out on the tether's cable, or advertises a prefix of IPv6 there.
pub(crate) fn serve(rig: &Rig, v6: bool) -> Kept {
    let at = |file: &str| rig.trailer.folder().join(file);
    let log = std::fs::File::options().create(true).append(true).open(at("dnsmasq.log")).unwrap();
    let mut command = Command::new("ip");
    command.args(["netns", "exec", &rig.router_ns, "/usr/sbin/dnsmasq", "--keep-in-foreground", "--log-facility=-"]);
    command.args(["--conf-file=/dev/null", "--port=0", "--interface=near0", "--bind-interfaces", "--user=root"]);
    command.args(["--pid-file", &format!("--dhcp-leasefile={}", at("leases").display())]);
    if v6 {
        command.args(["--enable-ra", "--dhcp-range=::,constructor:near0,ra-only"]);
    } else {
        command.args(["--dhcp-range=192.0.2.50,192.0.2.60,255.255.255.0,120", &format!("--dhcp-option=3,{ROUTER}")]);
    }
    let child = command.stdin(Stdio::null()).stdout(log.try_clone().unwrap()).stderr(log).spawn().unwrap();
    Kept(child)
}

/// The trailer's client, which takes the tether only once it is told to.
pub(crate) struct Client {
    networkd: Kept,
    bus_pid: PathBuf,
}

impl Client {
    /// Starts it. Its /run is its own; its /sys is read-only, so that it waits for no device manager.
    pub(crate) fn start(rig: &Rig) -> Self {
        let bus_pid = rig.trailer.folder().join("bus.pid");
        let script = format!(
            "set -e; mount -t tmpfs tmpfs /run; cd /run; mkdir -p dbus systemd/network systemd/netif/links \
             systemd/netif/leases; chown -R systemd-network:systemd-network systemd/netif; mount -o \
             remount,bind,ro /sys; dbus-daemon --system --nofork --nopidfile & echo $! > {}; while ! [ -S \
             dbus/system_bus_socket ]; do sleep 0.05; done; exec {NETWORKD}",
            bus_pid.display()
        );
        let log = std::fs::File::options().create(true).append(true).open(rig.trailer.folder().join("networkd.log"));
        let log = log.unwrap();
        let mut command = Command::new("ip");
        command.args(["netns", "exec", &rig.trailer_ns, "unshare", "--mount", "sh", "-c", &script]);
        command.stdin(Stdio::null()).stdout(log.try_clone().unwrap()).stderr(log);
        let client = Self { networkd: Kept(command.spawn().unwrap()), bus_pid };
        // It can be asked as soon as its name is on the bus, which is later than its list of interfaces.
        client.until(rig, "networkctl reload 2>/dev/null");
        client
    }

    /// How a program is started where this client lives.
    pub(crate) fn beside(&self) -> Vec<String> {
        let pid = self.networkd.0.id().to_string();
        ["nsenter", "--target", &pid, "--mount", "--net"].map(str::to_owned).to_vec()
    }

    fn until(&self, rig: &Rig, line: &str) {
        let began = Instant::now();
        let beside = self.beside();
        while !Command::new(&beside[0]).args(&beside[1..]).args(["sh", "-c", line]).status().unwrap().success() {
            let said = || std::fs::read_to_string(rig.trailer.folder().join("networkd.log")).unwrap_or_default();
            assert!(began.elapsed() < PATIENCE, "{line}: {}", said());
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
    }

    /// From now on the tether is its own, by the file that we ship. Waits until it has an address and a way out.
    pub(crate) fn take_over(&self, rig: &Rig) {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("../systemd/70-pintle-tether.network");
        let shipped = std::fs::read_to_string(shipped).unwrap();
        let (before, driver) = shipped.split_once("\nDriver=").unwrap();
        // A cable between two namespaces has no driver of a USB device.
        let ours = format!("{before}\nMACAddress={MAC}\n{}", driver.split_once('\n').unwrap().1);
        let file = rig.trailer.folder().join("tether.network");
        std::fs::write(&file, ours).unwrap();
        self.until(
            rig,
            &format!("cp {} /run/systemd/network/70-pintle-tether.network && networkctl reload", file.display()),
        );
        self.until(rig, "ip addr show usb0 | grep -q 'inet 192.0.2.5' && ip route | grep -q '^default .*proto dhcp'");
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        let pid = std::fs::read_to_string(&self.bus_pid).unwrap_or_default().trim().parse();
        if let Ok(pid) = pid {
            // It may have ended with its last client.
            nix::sys::signal::kill(nix::unistd::Pid::from_raw(pid), nix::sys::signal::Signal::SIGKILL).ok();
        }
    }
}
