//! Every rung of the way to the receiver, made true in network namespaces and named by the real agent.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support"]
mod support {
    pub(crate) mod frames;
    pub(crate) mod netns;
    pub(crate) mod trailer;
}

use std::net::IpAddr;
use std::time::Duration;
use support::netns::{KERNEL_BAR, MAC, NAME, Names, RECEIVER, ROUTER, RUNG_BAR, Rig};

#[test]
fn what_the_kernel_tells_is_named_within_two_seconds() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    let down = |rig: &mut Rig| rig.router("ip link set near0 down");
    rig.named("no-carrier", KERNEL_BAR, down, |rig| {
        rig.router("ip link set near0 up");
        rig.give_address();
    });
    rig.named(
        "no-address",
        KERNEL_BAR,
        |rig| rig.trailer_ip("addr flush dev usb0 scope global"),
        |rig| rig.give_address(),
    );
    let no_route = |rig: &mut Rig| rig.trailer_ip("route del default");
    rig.named("no-route", KERNEL_BAR, no_route, |rig| rig.give_address());
    rig.trailer_ip("link add lan0 type veth peer name lan1");
    rig.trailer_ip("addr add 203.0.113.2/24 dev lan0");
    rig.trailer_ip("link set lan1 up");
    rig.trailer_ip("link set lan0 up");
    rig.trailer_ip("route replace default via 192.0.2.1 dev usb0 metric 100");
    rig.trailer_ip("route del default metric 0");
    rig.named(
        "other-route",
        KERNEL_BAR,
        |rig| rig.trailer_ip("route add default via 203.0.113.1 dev lan0 metric 10"),
        |rig| rig.trailer_ip("route del default dev lan0"),
    );
    rig.named("absent", KERNEL_BAR, |rig| rig.trailer_ip("link del usb0"), |rig| rig.plug_in(MAC));
}

#[test]
fn silent_gateway_is_named_with_the_settings_that_we_ship() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.named("gateway-silent", RUNG_BAR, |rig| rig.gateway_silent(true), |rig| rig.gateway_silent(false));
}

#[test]
fn names_that_do_not_resolve_are_named_be_it_silence_or_a_wrong_answer() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    for mode in [Names::Silent, Names::Nobody] {
        // A connection that stands needs no name, so what stands is cut.
        let cut = |rig: &mut Rig| {
            rig.names().mode = mode.clone();
            rig.rule("over drop");
        };
        rig.named("names-fail", RUNG_BAR, cut, |rig| {
            rig.names().mode = Names::Honest;
            rig.no_rules();
        });
    }
}

#[test]
fn portal_is_named_by_names_that_lie_and_by_a_page_from_a_stranger() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.serve_portal();
    let lies = |rig: &mut Rig| {
        rig.names().mode = Names::Lies(ROUTER);
        rig.rule("over meta l4proto tcp reject with tcp reset");
    };
    rig.named("portal", RUNG_BAR, lies, |rig| {
        rig.names().mode = Names::Honest;
        rig.no_rules();
    });
    let page = |rig: &mut Rig| {
        rig.router("nft 'add table ip n; add chain ip n pre { type nat hook prerouting priority -100; }'");
        rig.router("nft 'add rule ip n pre tcp dport 80 redirect'");
        rig.rule("over drop");
    };
    rig.named("portal", RUNG_BAR, page, |rig| {
        rig.router("nft 'delete table ip n'");
        rig.no_rules();
    });
}

#[test]
fn blocked_connections_are_told_from_a_receiver_that_is_silent_while_the_internet_is_fine() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.named("tcp-blocked", RUNG_BAR, |rig| rig.rule("over drop"), |rig| rig.no_rules());
    let silent = |rig: &mut Rig| rig.rule(&format!("over ip daddr {RECEIVER} drop"));
    rig.named("receiver-silent", RUNG_BAR, silent, |rig| rig.no_rules());
    rig.named("receiver-silent", RUNG_BAR, Rig::stop_receiver, |rig| rig.start_receiver(IpAddr::V4(RECEIVER), &[]));
}

#[test]
fn certificate_for_another_name_is_told_from_a_clock_that_is_wrong() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    let shows = |name: &'static str, years| {
        move |rig: &mut Rig| {
            rig.certify(name, years);
            rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
        }
    };
    // Nobody has set this trailer's clock: no GPS receiver, no time service.
    rig.named("tls-fails", RUNG_BAR, shows("somebody.example", (2020, 2060)), shows(NAME, (2020, 2060)));
    rig.named("clock-wrong", RUNG_BAR, shows(NAME, (2050, 2060)), shows(NAME, (2020, 2060)));
}

#[test]
fn receiver_that_refuses_is_named() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    let token = rig.trailer.folder().join("token");
    std::fs::write(&token, "a-token-of-which-the-trailer-knows-nothing-at-all").unwrap();
    let token = token.display().to_string();
    rig.named(
        "receiver-refuses",
        RUNG_BAR,
        |rig| rig.start_receiver(IpAddr::V4(RECEIVER), &["--token-file", &token]),
        |rig| rig.start_receiver(IpAddr::V4(RECEIVER), &[]),
    );
}

#[test]
fn large_packets_that_vanish_are_named() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.flood(Duration::from_secs(2));
    // A narrow stretch behind the router's far side, whose word about it does not come back.
    let narrow = |rig: &mut Rig| {
        rig.rule("from icmp type destination-unreachable drop");
        rig.router("ip link set far0 mtu 1280");
    };
    rig.named("large-lost", RUNG_BAR, narrow, |rig| {
        rig.router("ip link set far0 mtu 1500");
        rig.no_rules();
    });
}

#[test]
fn way_that_lets_everything_through_but_slowly_is_named() {
    let Some(mut rig) = Rig::build("") else { return };
    rig.start();
    rig.flood(Duration::from_millis(500));
    rig.named("slow", RUNG_BAR, |rig| rig.pace(Some("32kbit")), |rig| rig.pace(None));
}
