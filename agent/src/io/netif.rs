//! The tether's interface as the kernel tells it below `/sys`: which one it is, and whether it carries.

use crate::config::{Link, Pick};
use pintle_core::ids::printable;
use pintle_core::link::evidence::{Facts, Gateway, Interface};
use std::path::{Path, PathBuf};

/// `IFF_UP`, the first bit of an interface's flags. Source: Linux `include/uapi/linux/if.h`.
const SWITCHED_ON: u32 = 1;
/// Entries looked at in one folder of the kernel's (our own limit: no trailer has more interfaces).
const ENTRIES_MAX: usize = 256;

/// Finds the tether again and again, whatever its name is today.
#[derive(Debug, Default)]
pub struct Finder {
    /// Where on the USB bus it was seen last: a device that comes back without an interface is charging only.
    port: Option<String>,
}

impl Finder {
    /// Reads what the kernel's files tell of the tether. Addresses and routes are not among them: an interface that
    /// carries counts as having both until somebody who asks the kernel says otherwise.
    pub fn read(&mut self, link: &Link) -> Facts {
        let looked_for = printable(&looked_for(&link.pick), 40);
        let Some(name) = find(&link.sysfs_dir, &link.pick) else {
            let device = self.device(link);
            return Facts { looked_for, device_without_interface: device, ..Facts::default() };
        };
        let folder = link.sysfs_dir.join(&name);
        if let Some(port) = port_of(&folder) {
            self.port = Some(port);
        }
        Facts { looked_for, interface: Some(interface(&folder, &name)), ..Facts::default() }
    }

    /// Whether the tether's USB device is on the bus although no interface of it is there.
    fn device(&self, link: &Link) -> bool {
        let port = match &link.pick {
            Pick::UsbPort(port) => Some(port),
            _ => self.port.as_ref(),
        };
        let Some((port, root)) = port.zip(link.sysfs_dir.parent().and_then(Path::parent)) else { return false };
        plain(port) && root.join("bus/usb/devices").join(port).is_dir()
    }
}

fn looked_for(pick: &Pick) -> String {
    match pick {
        Pick::Name(name) => name.clone(),
        Pick::UsbPort(port) => format!("the device at USB port {port}"),
        Pick::Mac(mac) => format!("the interface {mac}"),
        Pick::Driver(driver) => format!("an interface of the driver {driver}"),
    }
}

/// A name is one folder below, never a way out of it.
fn plain(name: &str) -> bool {
    !name.is_empty() && name.len() <= 64 && !name.contains('/') && !name.starts_with('.')
}

/// The present name of the tether's interface.
fn find(sysfs_dir: &Path, pick: &Pick) -> Option<String> {
    if let Pick::Name(name) = pick {
        return (plain(name) && sysfs_dir.join(name).is_dir()).then(|| name.clone());
    }
    let entries = std::fs::read_dir(sysfs_dir).ok()?.take(ENTRIES_MAX);
    let mut names: Vec<String> = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok()).collect();
    names.sort();
    names.into_iter().find(|name| is_it(&sysfs_dir.join(name), pick))
}

fn is_it(folder: &Path, pick: &Pick) -> bool {
    match pick {
        Pick::Name(_) => false,
        Pick::UsbPort(port) => port_of(folder).as_ref() == Some(port),
        Pick::Mac(mac) => tell(folder, "address").is_some_and(|address| address.eq_ignore_ascii_case(mac)),
        Pick::Driver(driver) => {
            let target = std::fs::canonicalize(folder.join("device/driver")).ok();
            target.as_deref().and_then(Path::file_name).is_some_and(|name| name == driver.as_str())
        }
    }
}

/// The port of the USB device that an interface belongs to: the folder of a USB function is called `PORT:1.0`, that of
/// its device `PORT`. Source: Linux Documentation/ABI/stable/sysfs-bus-usb.
fn port_of(folder: &Path) -> Option<String> {
    let device: PathBuf = std::fs::canonicalize(folder.join("device")).ok()?;
    let function = device.file_name()?.to_str()?;
    function.split_once(':').map(|(port, _)| port.to_owned())
}

fn tell(folder: &Path, name: &str) -> Option<String> {
    std::fs::read_to_string(folder.join(name)).ok().map(|text| text.trim().to_owned())
}

/// A file that is not there tells nothing and is passed over.
fn interface(folder: &Path, name: &str) -> Interface {
    let number = |file: &str| tell(folder, file).and_then(|text| text.parse::<u64>().ok());
    let flags = tell(folder, "flags").and_then(|text| u32::from_str_radix(text.trim_start_matches("0x"), 16).ok());
    // Source of the words: Linux Documentation/networking/operstates.rst. Point-to-point devices stay "unknown".
    let without = tell(folder, "carrier").is_some_and(|text| text == "0")
        || tell(folder, "operstate")
            .is_some_and(|text| matches!(text.as_str(), "down" | "lowerlayerdown" | "notpresent"));
    Interface {
        name: printable(name, 40),
        index: number("ifindex").and_then(|index| u32::try_from(index).ok()),
        on: flags.is_none_or(|flags| flags & SWITCHED_ON != 0),
        carrier: !without,
        v4: true,
        v6: false,
        default_route: true,
        outdone_by: None,
        gateway: Gateway::NotThere,
        gateway_heard_ms: None,
        received: number("statistics/rx_bytes"),
        sent: number("statistics/tx_bytes"),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::link::judge::by_kernel;
    use pintle_core::link::rung::Rung;
    use pintle_core::link::usage::Usage;
    use pintle_core::moment::{Moment, Utc, UtcTrust};

    /// A tree like the kernel's below /sys, with a tethered phone at a USB port.
    struct Tree(tempfile::TempDir);

    impl Tree {
        fn new() -> Self {
            let tree = Self(tempfile::tempdir().unwrap());
            for folder in ["class/net", "bus/usb/devices", "bus/usb/drivers/rndis_host"] {
                std::fs::create_dir_all(tree.0.path().join(folder)).unwrap();
            }
            tree
        }

        fn device(&self, port: &str) -> PathBuf {
            let device = self.0.path().join("devices/usb1").join(port);
            std::fs::create_dir_all(&device).unwrap();
            let link = self.0.path().join("bus/usb/devices").join(port);
            if !link.exists() {
                std::os::unix::fs::symlink(&device, link).unwrap();
            }
            device
        }

        fn plug(&self, port: &str, name: &str, mac: &str) -> PathBuf {
            let function = self.device(port).join(format!("{port}:1.0"));
            let folder = function.join("net").join(name);
            std::fs::create_dir_all(folder.join("statistics")).unwrap();
            std::os::unix::fs::symlink(&function, folder.join("device")).unwrap();
            let driver = self.0.path().join("bus/usb/drivers/rndis_host");
            if !function.join("driver").exists() {
                std::os::unix::fs::symlink(driver, function.join("driver")).unwrap();
            }
            let files = [
                ("flags", "0x1003"),
                ("operstate", "unknown"),
                ("carrier", "1"),
                ("address", mac),
                ("ifindex", "7"),
                ("statistics/rx_bytes", "1200"),
                ("statistics/tx_bytes", "800"),
            ];
            for (file, text) in files {
                std::fs::write(folder.join(file), format!("{text}\n")).unwrap();
            }
            std::os::unix::fs::symlink(&folder, self.0.path().join("class/net").join(name)).unwrap();
            folder
        }

        fn unplug(&self, port: &str, name: &str) {
            std::fs::remove_file(self.0.path().join("class/net").join(name)).unwrap();
            std::fs::remove_file(self.0.path().join("bus/usb/devices").join(port)).unwrap();
            std::fs::remove_dir_all(self.0.path().join("devices/usb1").join(port)).unwrap();
        }

        fn link(&self, pick: Pick) -> Link {
            Link { sysfs_dir: self.0.path().join("class/net"), ..Link::of(pick) }
        }
    }

    fn rung(facts: &Facts) -> Option<Rung> {
        by_kernel(facts).map(|finding| finding.rung)
    }

    #[test]
    fn interface_is_on_carries_and_counts_as_the_kernel_says() {
        let tree = Tree::new();
        let link = tree.link(Pick::Name("usb0".to_owned()));
        let mut finder = Finder::default();
        assert_eq!(rung(&finder.read(&link)), Some(Rung::Absent));
        let folder = tree.plug("1-1.2", "usb0", "02:00:00:00:00:01");
        let facts = finder.read(&link);
        assert_eq!(rung(&facts), None);
        let interface = facts.interface.unwrap();
        assert_eq!((interface.index, interface.received, interface.sent), (Some(7), Some(1200), Some(800)));
        std::fs::write(folder.join("carrier"), "0\n").unwrap();
        assert_eq!(by_kernel(&finder.read(&link)).unwrap().detail, "no carrier");
        std::fs::write(folder.join("flags"), "0x1002\n").unwrap();
        assert_eq!(by_kernel(&finder.read(&link)).unwrap().detail, "switched off");
    }

    #[test]
    fn look_that_is_not_complete_counts_nothing() {
        let tree = Tree::new();
        let link = tree.link(Pick::Name("usb0".to_owned()));
        let folder = tree.plug("1-1.2", "usb0", "02:00:00:00:00:01");
        let mut finder = Finder::default();
        let now = Utc(1_795_608_000_000);
        let mut usage = Usage::default();
        let mut look = |usage: &mut Usage| {
            let counters = finder.read(&link).interface.unwrap().counters("boot");
            let complete = counters.is_some();
            if let Some(counters) = counters {
                usage.count(counters, Some(now));
            }
            complete
        };
        assert!(look(&mut usage));
        // The interface vanishes while it is looked at: some of its files are gone, or say nothing.
        for (file, text) in [("ifindex", ""), ("statistics/rx_bytes", "x\n"), ("statistics/tx_bytes", "")] {
            let whole = std::fs::read(folder.join(file)).unwrap();
            std::fs::write(folder.join(file), text).unwrap();
            assert!(!look(&mut usage), "{file}");
            std::fs::remove_file(folder.join(file)).unwrap();
            assert!(!look(&mut usage), "{file}");
            std::fs::write(folder.join(file), whole).unwrap();
            assert!(look(&mut usage), "{file}");
        }
        std::fs::write(folder.join("statistics/rx_bytes"), "1250\n").unwrap();
        assert!(look(&mut usage));
        let now = Moment { utc: now, utc_trust: UtcTrust::Gps, ..Moment::default() };
        assert_eq!(usage.standing(None, &now).used, 50, "and never the whole counter again");
    }

    #[test]
    fn device_that_is_plugged_in_anew_is_found_by_port_driver_or_mac_whatever_its_name_is() {
        let tree = Tree::new();
        let picks = [
            Pick::UsbPort("1-1.2".to_owned()),
            Pick::Driver("rndis_host".to_owned()),
            Pick::Mac("02:00:00:00:00:0A".to_owned()),
        ];
        let mut finders: Vec<(Link, Finder)> =
            picks.into_iter().map(|pick| (tree.link(pick), Finder::default())).collect();
        for n in 0..100 {
            let name = if n % 2 == 0 { format!("usb{n}") } else { format!("enx{n:012x}") };
            tree.plug("1-1.2", &name, "02:00:00:00:00:0a");
            for (link, finder) in &mut finders {
                let found = finder.read(link).interface.map(|interface| interface.name);
                assert_eq!(found.as_ref(), Some(&name), "{:?}", link.pick);
            }
            tree.unplug("1-1.2", &name);
            for (link, finder) in &mut finders {
                assert_eq!(rung(&finder.read(link)), Some(Rung::Absent), "{:?}", link.pick);
            }
        }
    }

    #[test]
    fn phone_that_only_charges_is_told_apart_from_one_that_is_not_there() {
        let tree = Tree::new();
        let by_port = tree.link(Pick::UsbPort("1-1.2".to_owned()));
        tree.device("1-1.2");
        let facts = Finder::default().read(&by_port);
        assert_eq!(rung(&facts), Some(Rung::ChargingOnly));
        let by_name = tree.link(Pick::Name("usb0".to_owned()));
        let mut finder = Finder::default();
        assert_eq!(rung(&finder.read(&by_name)), Some(Rung::Absent), "nobody knows which device it would be");
        tree.plug("1-1.2", "usb0", "02:00:00:00:00:01");
        assert_eq!(rung(&finder.read(&by_name)), None);
        tree.unplug("1-1.2", "usb0");
        assert_eq!(rung(&finder.read(&by_name)), Some(Rung::Absent));
        tree.device("1-1.2");
        assert_eq!(rung(&finder.read(&by_name)), Some(Rung::ChargingOnly), "it came back where it was, without one");
    }

    #[test]
    fn name_never_leads_out_of_the_folder() {
        let tree = Tree::new();
        for bad in ["..", "../net", "", "a/b", "."] {
            assert!(Finder::default().read(&tree.link(Pick::Name(bad.to_owned()))).interface.is_none(), "{bad}");
        }
    }
}
