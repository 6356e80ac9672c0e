//! What a finding is called, and what a person at the roadside can do about it.

use super::rung::{Finding, Rung};

/// A finding for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// Name of the rule.
    pub code: &'static str,
    /// Two or three words.
    pub short: &'static str,
    /// One sentence in the present tense.
    pub sentence: String,
    /// The next step.
    pub what: &'static str,
    /// How.
    pub how: &'static str,
}

/// The words for a finding; `interface` is the present name of the tether's interface.
#[must_use]
#[expect(clippy::too_many_lines, reason = "one table: a row for each rung")]
pub fn told(finding: &Finding, interface: &str) -> Told {
    let detail = finding.detail.as_str();
    let with = |text: &str| {
        if detail.is_empty() { format!("{text}.") } else { format!("{text}: {detail}.") }
    };
    let (code, short, sentence, what, how) = match finding.rung {
        Rung::Absent => (
            "link.absent",
            "Absent",
            format!("There is no cellular device: {detail} is not there."),
            "plug in the tether",
            "Look at the cellular device: is it on, is its cable in at both ends? Try another cable.",
        ),
        Rung::ChargingOnly => (
            "link.charging",
            "Charging only",
            "The device is charging only; it gives no network.".to_owned(),
            "choose USB tethering on the device",
            "The device is charging only; choose USB tethering on it. If it forgets that, set it in its developer options.",
        ),
        Rung::NoCarrier => (
            "link.down",
            "No carrier",
            format!("The tether {interface} is there, but {detail}."),
            "bring the tether up",
            "Look at the cellular device: is it on, does its screen say that tethering is on? Pull the cable and put it back.",
        ),
        Rung::NoAddress => (
            "link.address",
            "No address",
            format!("The tether {interface} is up, but got no address from the device."),
            "get an address for the tether",
            "Switch tethering off and on at the device. If it lasts: is a DHCP client configured for this interface?",
        ),
        Rung::NoRoute if !detail.is_empty() => (
            "link.route",
            "No way there",
            with(&format!("The tether {interface} has a way out, but none to the receiver")),
            "let the receiver be reached over this network",
            "Write the receiver's name in receiver.url, not its number. If a name stands there, ask the agency for an address of that kind.",
        ),
        Rung::NoRoute => (
            "link.route",
            "No way out",
            format!("The tether {interface} has an address, but no default route."),
            "get a default route for the tether",
            "Switch tethering off and on at the device. If it lasts: does the network configuration ignore routes of this interface?",
        ),
        Rung::OtherRoute => (
            "link.route",
            "Another way out",
            format!("Traffic to the receiver leaves by {detail}, not by the tether {interface}."),
            "make the tether the way out",
            "Give the tether's default route the lowest metric, or take the default route of the other interface away.",
        ),
        Rung::GatewaySilent => (
            "link.gateway",
            "Device silent",
            "The cellular device does not answer: the cable carries, but nobody is at its other end.".to_owned(),
            "start the cellular device again",
            "Switch the device off and on. Pull the cable and put it back.",
        ),
        Rung::NamesFail => (
            "link.names",
            "Names fail",
            with("Names don't resolve"),
            "get the name server to answer",
            "Has the device a signal and data left? If others resolve, check the host in receiver.url.",
        ),
        Rung::Portal => (
            "link.portal",
            "Sign-in page",
            with("A stranger answers in the receiver's place, most likely the network's sign-in page"),
            "sign the network in",
            "Open any page over the device with a phone or laptop: sign in, or renew the plan. Resets don't help.",
        ),
        Rung::TcpBlocked => (
            "link.blocked",
            "No connection",
            with("Names resolve, but no connection comes about"),
            "find out who blocks connections",
            "Has the device data left, and is its plan active? Name other addresses in link.others, then it shows whose fault it is.",
        ),
        Rung::ClockWrong => (
            "link.clock",
            "Clock wrong",
            with("No secure connection comes about, because the trailer's clock is not to be trusted"),
            "set the trailer's clock",
            "The GPS receiver sets it after its first fix: look at section 1. Without one, set it by hand.",
        ),
        Rung::TlsFails => (
            "link.tls",
            "Not secure",
            with("No secure connection to the receiver comes about"),
            "have the receiver's certificate put right",
            "Tell the agency what is said here. If a network's sign-in page may be in the way, sign it in first.",
        ),
        Rung::LargeLost => (
            "link.large",
            "Large packets lost",
            "Small packets pass and large ones don't: somebody on the way drops what is over its size and does not say so."
                .to_owned(),
            "make packets smaller",
            "Install systemd/70-pintle-sysctl.conf (it lets smaller packets be tried), or set an MTU of 1280 for the tether.",
        ),
        Rung::ReceiverSilent => (
            "link.receiver",
            "Receiver silent",
            with("The internet answers, the receiver does not"),
            "ask the receiver's keeper",
            "The trailer's link is well; resets don't help. It is tried again by itself.",
        ),
        Rung::ReceiverRefuses => (
            "link.refused",
            "Receiver refuses",
            with("The receiver is there and takes nothing"),
            "ask the receiver's keeper",
            "Section 3 says what it answered and what to do. The trailer's link is well.",
        ),
        Rung::Slow => (
            "link.slow",
            "Slow",
            with("Everything gets through, but slowly"),
            "look for a better signal",
            "Move the device or its antenna; look whether the plan's fast part is used up.",
        ),
        Rung::Unproven => (
            "link.unproven",
            "Not tried yet",
            "The tether's interface is up; nothing was sent over it yet.".to_owned(),
            "wait",
            "It is tried by itself.",
        ),
        Rung::Up => ("link.up", "Up", "The tether is up and the receiver answers.".to_owned(), "", ""),
    };
    Told { code, short, sentence, what, how }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_broken_rung_says_what_a_person_can_do() {
        for rung in Rung::ALL {
            let told = told(&Finding::new(rung, "detail"), "usb0");
            let bare = super::told(&Finding::bare(rung), "usb0");
            assert!(bare.sentence.ends_with('.') && bare.sentence.len() < 200, "{}", bare.sentence);
            assert_eq!(rung.broken(), rung.broken() && !told.what.is_empty() && 20 < told.how.len(), "{rung:?}");
            assert!(told.sentence.ends_with('.') && told.sentence.len() < 200, "{}", told.sentence);
            assert_eq!(Rung::of_word(rung.word()), Some(rung));
        }
        let handbook = include_str!("../../../../docs/OPERATIONS.md");
        for rung in Rung::ALL {
            assert!(handbook.contains(&format!("\n| `{}` | ", rung.word())), "{rung:?} is not in the table of rungs");
        }
        let charging = told(&Finding::bare(Rung::ChargingOnly), "");
        assert!(charging.how.starts_with("The device is charging only; choose USB tethering on it."));
    }
}
