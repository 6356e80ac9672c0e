//! State of a network interface as the kernel tells it below `/sys/class/net`.

use pintle_core::ids::printable;
use pintle_core::link::LinkView;
use std::path::Path;

/// `IFF_UP`, the first bit of an interface's flags. Source: Linux `include/uapi/linux/if.h`.
const SWITCHED_ON: u32 = 1;

/// Reads the state of `interface` below `sysfs_dir`. A file that is not there tells nothing and is passed over.
#[must_use]
pub fn read(sysfs_dir: &Path, interface: &str) -> LinkView {
    // A name is one folder below, never a way out of it. Source for 15: Linux IFNAMSIZ less the end mark.
    let plain =
        !interface.is_empty() && interface.len() <= 15 && !interface.contains('/') && !interface.starts_with('.');
    let folder = sysfs_dir.join(interface);
    let shown = printable(interface, 40);
    if !plain || !folder.is_dir() {
        return LinkView::Absent { looked_for: shown };
    }
    let tell = |name: &str| std::fs::read_to_string(folder.join(name)).ok().map(|text| text.trim().to_owned());
    let flags = tell("flags").and_then(|text| u32::from_str_radix(text.trim_start_matches("0x"), 16).ok());
    if flags.is_some_and(|flags| flags & SWITCHED_ON == 0) {
        return LinkView::Down { interface: shown, why: "switched off".to_owned() };
    }
    // Source of the words: Linux Documentation/networking/operstates.rst. Point-to-point devices stay "unknown".
    let without = tell("carrier").is_some_and(|text| text == "0")
        || tell("operstate").is_some_and(|text| matches!(text.as_str(), "down" | "lowerlayerdown" | "notpresent"));
    if without {
        return LinkView::Down { interface: shown, why: "no carrier".to_owned() };
    }
    LinkView::Up { interface: shown }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn interface_is_up_down_or_absent_as_the_kernel_says() {
        let base = tempfile::tempdir().unwrap();
        let folder = base.path().join("usb0");
        let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
        let usb0 = || "usb0".to_owned();
        assert_eq!(read(base.path(), "usb0"), LinkView::Absent { looked_for: usb0() });
        std::fs::create_dir(&folder).unwrap();
        write("flags", "0x1003\n");
        write("operstate", "unknown\n");
        write("carrier", "1\n");
        assert_eq!(read(base.path(), "usb0"), LinkView::Up { interface: usb0() });
        write("carrier", "0\n");
        assert_eq!(read(base.path(), "usb0"), LinkView::Down { interface: usb0(), why: "no carrier".to_owned() });
        write("flags", "0x1002\n");
        assert_eq!(read(base.path(), "usb0"), LinkView::Down { interface: usb0(), why: "switched off".to_owned() });
    }

    #[test]
    fn name_never_leads_out_of_the_folder() {
        let base = tempfile::tempdir().unwrap();
        std::fs::create_dir(base.path().join("net")).unwrap();
        for bad in ["..", "../net", "", "a/b", "."] {
            assert_eq!(read(&base.path().join("net"), bad), LinkView::Absent { looked_for: bad.to_owned() });
        }
    }

    #[test]
    fn loopback_of_this_computer_is_up() {
        let sysfs_dir = Path::new("/sys/class/net");
        if sysfs_dir.join("lo").is_dir() {
            assert_eq!(read(sysfs_dir, "lo"), LinkView::Up { interface: "lo".to_owned() });
        }
    }
}
