use super::super::evidence::{Interface, Names, Tcp, Way};
use super::super::rung::Rung;
use super::*;
use crate::forward::answer::NoAnswer;
use crate::moment::UtcTrust;
use crate::queue::Lane;

struct Bench {
    watch: LinkWatch,
    now_ms: u64,
    trust: UtcTrust,
    received: u64,
    out: Vec<LinkAction>,
}

fn whole() -> Facts {
    Facts {
        looked_for: "usb0".to_owned(),
        interface: Some(Interface {
            name: "usb0".to_owned(),
            index: Some(2),
            on: true,
            carrier: true,
            v4: true,
            default_route: true,
            gateway: Gateway::NotThere,
            ..Interface::default()
        }),
        ..Facts::default()
    }
}

fn with(change: impl FnOnce(&mut Interface)) -> Facts {
    let mut facts = whole();
    if let Some(interface) = &mut facts.interface {
        change(interface);
    }
    facts
}

impl Bench {
    fn new() -> Self {
        let bench = Self { watch: LinkWatch::default(), now_ms: 0, trust: UtcTrust::Gps, received: 0, out: Vec::new() };
        bench.facts(whole())
    }

    fn now(&self) -> Moment {
        Moment {
            mono: Mono(self.now_ms),
            utc: Utc(1_795_608_000_000).plus_ms(i64::try_from(self.now_ms).unwrap_or(0)),
            utc_trust: self.trust,
        }
    }

    fn event(mut self, event: LinkEvent) -> Self {
        self.now_ms += 100;
        let now = self.now();
        self.out.clear();
        self.watch.handle(event, &now, &mut self.out);
        self
    }

    /// Something comes in before each look.
    fn facts(mut self, mut facts: Facts) -> Self {
        if let Some(interface) = &mut facts.interface {
            self.received += 100;
            interface.received = Some(self.received);
        }
        self.event(LinkEvent::Facts(facts))
    }

    fn probe(self, change: impl FnOnce(&mut Probe)) -> Self {
        let mut probe = Probe {
            began: Mono(self.now_ms),
            at: Mono(self.now_ms + 100),
            names: Names::Found,
            tcp: Tcp::Connected(40),
            ..Probe::default()
        };
        change(&mut probe);
        self.event(LinkEvent::Probe(probe))
    }

    /// Two looks, one after the other.
    fn twice(self, change: impl Fn(&mut Probe)) -> Self {
        self.probe(&change).probe(&change)
    }

    fn ended(self, ended: Ended) -> Self {
        let (began, at) = (Mono(self.now_ms), Mono(self.now_ms + 100));
        self.event(LinkEvent::Attempt(Lane::Urgent, Attempt { began, at, bytes: 900, ended }))
    }

    fn rung(&self) -> Rung {
        self.watch.finding().map_or(Rung::Unproven, |(finding, _)| finding.rung)
    }
}

#[test]
fn each_fact_of_the_kernel_is_its_own_rung_and_the_first_broken_one_is_the_finding() {
    let rung = |facts: Facts| Bench::new().ended(Ended::Receipt).facts(facts).rung();
    let gone = |device| Facts { interface: None, device_without_interface: device, ..whole() };
    assert_eq!(rung(gone(false)), Rung::Absent);
    assert_eq!(rung(gone(true)), Rung::ChargingOnly);
    assert_eq!(rung(with(|one| one.on = false)), Rung::NoCarrier);
    assert_eq!(rung(with(|one| (one.carrier, one.v4) = (false, false))), Rung::NoCarrier);
    assert_eq!(rung(with(|one| (one.v4, one.default_route) = (false, false))), Rung::NoAddress);
    assert_eq!(rung(with(|one| (one.v4, one.v6) = (false, true))), Rung::Up, "v6 alone is an address");
    assert_eq!(rung(with(|one| one.default_route = false)), Rung::NoRoute);
    assert_eq!(rung(with(|one| one.outdone_by = Some("eth0".to_owned()))), Rung::OtherRoute);
    assert_eq!(rung(Facts { way: Way::Other("eth0".to_owned()), ..whole() }), Rung::OtherRoute);
    let on_link = with(|one| one.default_route = false);
    assert_eq!(rung(Facts { way: Way::Ours, ..on_link }), Rung::Up, "a receiver on the cable needs no default route");
}

#[test]
fn gateway_is_silent_only_after_a_send_and_until_something_gets_through() {
    let failed = || with(|one| one.gateway = Gateway::Failed);
    let bench = Bench::new().ended(Ended::Receipt).facts(failed());
    assert_eq!(bench.rung(), Rung::GatewaySilent);
    let bench = bench.ended(Ended::Receipt);
    assert_eq!(bench.rung(), Rung::Up, "a receipt is worth more than a table");
    assert_eq!(bench.facts(failed()).rung(), Rung::Up, "an old word of the table is no news");
}

#[test]
fn closed_door_is_looked_into_before_it_is_named() {
    let bench = Bench::new().probe(|_| {}).ended(Ended::Receipt);
    let plain = |probe: &mut Probe| (probe.names, probe.tcp, probe.plain) = (Names::NotAsked, Tcp::Silent, true);
    let mut bench = bench.probe(plain);
    assert_eq!(bench.rung(), Rung::Up, "nothing is said yet");
    bench.now_ms += 1000;
    let bench = bench.event(LinkEvent::Tick);
    let asked = bench.out.iter().find_map(|action| if let LinkAction::Probe(ask) = action { Some(*ask) } else { None });
    assert!(asked.is_some_and(|ask| ask.names_anew && ask.strangers), "{:?}", bench.out);
    let bench = bench.probe(|probe| (probe.portal, probe.tcp) = (Some(true), Tcp::Silent));
    assert_eq!(bench.rung(), Rung::Portal);
    // What was looked into a short while ago may be named at once.
    assert_eq!(bench.probe(plain).rung(), Rung::Portal);
}

#[test]
fn silence_from_afar_is_told_once_the_next_hop_has_proved_that_it_is_there_or_had_its_time() {
    let unknown = || with(|one| one.gateway = Gateway::Unknown);
    let silent =
        |bench: Bench| bench.ended(Ended::NoAnswer(NoAnswer::ConnectTimeout)).twice(|probe| probe.tcp = Tcp::Silent);
    let mut bench = silent(Bench::new().ended(Ended::Receipt).facts(unknown()));
    assert_eq!(bench.rung(), Rung::Up, "nobody knows yet");
    bench.now_ms += 1000;
    let heard = || with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(0)));
    let mut bench = bench.facts(heard());
    assert_eq!(bench.rung(), Rung::Up, "it may have been heard before the silence began, as the look before was");
    bench.now_ms += 1000;
    assert_eq!(bench.facts(heard()).rung(), Rung::TcpBlocked);
    // The kernel believes in it because something was sent, and nothing comes in: that proves nothing, and it does not
    // ask as long as it believes.
    let believed = || with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(5000)));
    let mut bench = silent(Bench::new().ended(Ended::Receipt).facts(unknown()));
    for _ in 0..20 {
        bench.now_ms += 1000;
        bench = bench.facts(believed());
        assert_eq!(bench.rung(), Rung::Up);
    }
    assert_eq!(bench.facts(with(|one| one.gateway = Gateway::Failed)).rung(), Rung::GatewaySilent);
    let bench = silent(Bench::new().ended(Ended::Receipt).facts(unknown()));
    assert_eq!(bench.facts(with(|one| one.gateway = Gateway::Failed)).rung(), Rung::GatewaySilent);
    let mut bench = silent(Bench::new().ended(Ended::Receipt).facts(unknown()));
    bench.now_ms += 17_000;
    assert_eq!(bench.event(LinkEvent::Tick).rung(), Rung::TcpBlocked, "a kernel that says nothing");
    let mut bench = silent(Bench::new().ended(Ended::Receipt).facts(believed()));
    bench.now_ms += 61_000;
    assert_eq!(bench.facts(believed()).rung(), Rung::TcpBlocked, "a kernel that believes for ever");
}

#[test]
fn failure_from_just_before_the_kernel_told_of_its_fault_is_forgotten_with_it() {
    // The route was gone already when the probe asked; the kernel's word came a moment later.
    let gone = |probe: &mut Probe| (probe.tcp, probe.others_answer) = (Tcp::Refused, Some(false));
    let bench = Bench::new().ended(Ended::Receipt).twice(gone).facts(with(|one| one.default_route = false));
    assert_eq!(bench.rung(), Rung::NoRoute);
    assert_eq!(bench.facts(whole()).rung(), Rung::Up);
    // What was broken long before is broken still.
    let mut bench = Bench::new().ended(Ended::Receipt).twice(gone);
    assert_eq!(bench.rung(), Rung::TcpBlocked);
    bench.now_ms += 5000;
    let bench = bench.facts(with(|one| one.default_route = false)).facts(whole());
    assert_eq!(bench.rung(), Rung::TcpBlocked);
}

#[test]
fn question_that_was_asked_while_the_next_hop_was_away_says_nothing_once_it_is_back() {
    let silent = |began| move |probe: &mut Probe| (probe.began, probe.names) = (began, Names::Silent);
    let there = || with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(0)));
    let bench = Bench::new().ended(Ended::Receipt).facts(with(|one| one.gateway = Gateway::Failed));
    let asked = Mono(bench.now_ms);
    let bench = bench.facts(there());
    assert_eq!(bench.rung(), Rung::Up);
    let bench = bench.probe(|probe| {
        silent(asked)(probe);
        probe.tcp = Tcp::NotTried;
    });
    assert_eq!(bench.rung(), Rung::Up, "the hop was away when it was asked");
    let now = Mono(bench.now_ms);
    let bench = bench.facts(there()).probe(|probe| {
        silent(now)(probe);
        probe.tcp = Tcp::NotTried;
    });
    let mut bench = bench.facts(there());
    assert_eq!(bench.rung(), Rung::Up, "what was heard just then may be older than the question");
    for rung in [Rung::Up, Rung::NamesFail] {
        bench.now_ms += 1000;
        bench = bench.facts(there());
        assert_eq!(
            bench.rung(),
            rung,
            "it is there once it was heard between two looks that are newer than the question"
        );
    }
}

#[test]
fn next_hop_that_is_heard_of_again_explains_the_silence_before_the_kernels_table_does() {
    let silent = |probe: &mut Probe| (probe.names, probe.tcp) = (Names::Silent, Tcp::NotTried);
    let bench = Bench::new().ended(Ended::Receipt).facts(with(|one| one.gateway = Gateway::Unknown)).probe(silent);
    let bench = bench.facts(with(|one| one.gateway = Gateway::Failed));
    assert_eq!(bench.rung(), Rung::GatewaySilent);
    // Its word comes with facts in which the table still has it as given up, then asked anew.
    let bench = bench.facts(with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Unknown, Some(0))));
    assert_eq!(bench.rung(), Rung::Up);
}

#[test]
fn silence_that_a_receipt_outlived_is_old() {
    let mut bench = Bench::new().ended(Ended::Receipt);
    let began = Mono(bench.now_ms);
    bench.now_ms += 4500;
    let bench = bench.ended(Ended::Receipt);
    let silent = |began| move |probe: &mut Probe| (probe.began, probe.tcp) = (began, Tcp::Silent);
    let mut bench = bench.probe(|probe| {
        silent(began)(probe);
        probe.others_answer = Some(false);
    });
    assert_eq!(bench.rung(), Rung::Up, "its last packet left before the receipt came");
    for rung in [Rung::Up, Rung::TcpBlocked] {
        bench.now_ms += 10_000;
        let began = Mono(bench.now_ms - 5000);
        bench = bench.probe(|probe| {
            silent(began)(probe);
            probe.others_answer = Some(false);
        });
        assert_eq!(bench.rung(), rung, "it is told once it was seen twice");
    }
}

#[test]
fn next_hop_that_failed_has_failed_until_it_answers_however_often_it_is_asked() {
    let bench = Bench::new().ended(Ended::Receipt).facts(with(|one| one.gateway = Gateway::Failed));
    let bench = bench.facts(with(|one| one.gateway = Gateway::Unknown));
    assert_eq!(bench.rung(), Rung::GatewaySilent);
    let bench = bench.facts(with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(0))));
    assert_eq!(bench.rung(), Rung::Up);
}

#[test]
fn probe_tells_names_portals_blocks_and_a_silent_receiver_apart() {
    let rung = |change: fn(&mut Probe)| {
        Bench::new().ended(Ended::Receipt).ended(Ended::NoAnswer(NoAnswer::ConnectTimeout)).twice(change).rung()
    };
    assert_eq!(rung(|probe| probe.names = Names::Silent), Rung::NamesFail);
    assert_eq!(rung(|probe| probe.names = Names::NotFound), Rung::NamesFail);
    assert_eq!(rung(|probe| probe.names_lie = Some(true)), Rung::Portal);
    assert_eq!(rung(|probe| probe.portal = Some(true)), Rung::Portal);
    assert_eq!(rung(|probe| (probe.tcp, probe.others_answer) = (Tcp::Silent, Some(false))), Rung::TcpBlocked);
    assert_eq!(rung(|probe| probe.tcp = Tcp::Silent), Rung::TcpBlocked);
    assert_eq!(rung(|probe| (probe.tcp, probe.others_answer) = (Tcp::Silent, Some(true))), Rung::ReceiverSilent);
    assert_eq!(rung(|probe| probe.tcp = Tcp::Refused), Rung::ReceiverSilent);
    assert_eq!(rung(|probe| (probe.large_passes, probe.small_passes) = (Some(false), Some(true))), Rung::LargeLost);
    assert_eq!(
        rung(|probe| (probe.large_passes, probe.small_passes) = (Some(false), Some(false))),
        Rung::ReceiverSilent
    );
    assert_eq!(rung(|_| {}), Rung::Up);
}

#[test]
fn what_one_look_alone_saw_is_not_named_and_what_lies_between_two_looks_makes_the_first_old() {
    let blocked = |probe: &mut Probe| (probe.tcp, probe.others_answer) = (Tcp::Silent, Some(false));
    let away = |probe: &mut Probe| (probe.tcp, probe.others_answer) = (Tcp::Silent, Some(true));
    let bench = || Bench::new().ended(Ended::Receipt).ended(Ended::NoAnswer(NoAnswer::ConnectTimeout));
    assert_eq!(
        bench().probe(blocked).rung(),
        Rung::Up,
        "a name that was found before the change, a door closed after it"
    );
    assert_eq!(bench().probe(blocked).probe(away).rung(), Rung::Up);
    assert_eq!(bench().probe(blocked).probe(away).probe(away).rung(), Rung::ReceiverSilent);
    assert_eq!(bench().probe(blocked).ended(Ended::Receipt).probe(blocked).rung(), Rung::Up, "a receipt came between");
    assert_eq!(bench().probe(blocked).probe(|probe| probe.names = Names::Silent).rung(), Rung::NamesFail);
    // The second look is as thorough as the first, and begins at once.
    let mut bench = bench().probe(blocked);
    bench.now_ms += 1000;
    let bench = bench.event(LinkEvent::Tick);
    let asks = |action: &LinkAction| matches!(action, LinkAction::Probe(ask) if ask.strangers && ask.names_anew);
    assert!(bench.out.iter().any(asks), "{:?}", bench.out);
}

#[test]
fn large_packets_are_lost_until_a_large_one_passes_whatever_small_ones_do() {
    let sized = |large, small| move |probe: &mut Probe| (probe.large_passes, probe.small_passes) = (Some(large), small);
    let bench = Bench::new().ended(Ended::Receipt).ended(Ended::NoAnswer(NoAnswer::AnswerTimeout));
    let bench = bench.probe(sized(false, Some(true))).ended(Ended::Receipt).probe(sized(false, Some(true)));
    assert_eq!(bench.rung(), Rung::LargeLost, "a small receipt between two looks says nothing of large packets");
    let mut bench = bench.ended(Ended::Receipt).probe(|_| {});
    assert_eq!(bench.rung(), Rung::LargeLost, "small ones get through");
    // It is looked into at the pace of an outage, with one large packet at a time.
    bench.watch.probe_lost();
    bench.now_ms += 6000;
    let bench = bench.event(LinkEvent::Tick);
    let large = |action: &LinkAction| matches!(action, LinkAction::Probe(ask) if ask.sizes);
    assert!(bench.out.iter().any(large), "{:?}", bench.out);
    let bench = bench.probe(sized(false, None));
    assert_eq!(bench.rung(), Rung::LargeLost);
    assert_eq!(bench.probe(sized(true, None)).rung(), Rung::Up);
    let bench = Bench::new().ended(Ended::Receipt).ended(Ended::NoAnswer(NoAnswer::AnswerTimeout));
    let mut bench = bench.twice(sized(false, Some(true)));
    assert_eq!(bench.rung(), Rung::LargeLost);
    let large = Attempt { began: Mono(bench.now_ms), at: Mono(bench.now_ms + 50), bytes: 9000, ended: Ended::Receipt };
    bench.now_ms += 50;
    assert_eq!(bench.event(LinkEvent::Attempt(Lane::Bulk, large)).rung(), Rung::Up, "a large request got through");
}

#[test]
fn next_hop_counts_as_heard_only_if_something_came_in() {
    let silent = |probe: &mut Probe| (probe.names, probe.tcp) = (Names::Silent, Tcp::NotTried);
    let unknown = with(|one| one.gateway = Gateway::Unknown);
    let mut bench = Bench::new().ended(Ended::Receipt).facts(unknown).probe(silent);
    bench.now_ms += 2000;
    // A connection sent something again, and the kernel took an old answer for a new one.
    let mut believed = with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(0)));
    if let Some(interface) = &mut believed.interface {
        interface.received = Some(bench.received);
    }
    let bench = bench.event(LinkEvent::Facts(believed.clone()));
    assert_eq!(bench.rung(), Rung::Up, "nothing came in: it may be the next hop that says nothing");
    assert_eq!(bench.facts(believed).rung(), Rung::NamesFail, "now something did");
}

#[test]
fn silent_next_hop_is_knocked_at_every_few_seconds_and_what_it_costs_stays_on_the_cable() {
    let mut bench = Bench::new().ended(Ended::Receipt);
    let (mut knocks, began) = (0, bench.now_ms);
    while bench.now_ms < began + 600_000 {
        bench = bench.facts(with(|one| one.gateway = Gateway::Failed));
        bench.now_ms += 900;
        knocks += bench.out.iter().filter(|action| matches!(action, LinkAction::Knock)).count();
    }
    assert!((150..=200).contains(&knocks), "{knocks}");
    bench.watch.probe_lost();
    let bench = bench.facts(with(|one| (one.gateway, one.gateway_heard_ms) = (Gateway::Answers, Some(0))));
    assert!(bench.out.iter().any(|action| matches!(action, LinkAction::Probe(_))), "looked at once: {:?}", bench.out);
    assert!(!bench.out.contains(&LinkAction::Knock));
}

#[test]
fn wrong_certificate_is_told_apart_from_a_wrong_clock() {
    let early = Ended::NoAnswer(NoAnswer::CertificateNotYetValid);
    assert_eq!(Bench::new().ended(early).rung(), Rung::TlsFails);
    let mut bench = Bench::new();
    bench.trust = UtcTrust::Unset;
    let bench = bench.ended(early);
    assert_eq!(bench.rung(), Rung::ClockWrong);
    assert_eq!(bench.ended(Ended::Receipt).rung(), Rung::Up);
    assert_eq!(Bench::new().ended(Ended::NoAnswer(NoAnswer::CertificateName)).rung(), Rung::TlsFails);
    assert_eq!(Bench::new().ended(Ended::Status(302)).rung(), Rung::ReceiverRefuses, "a redirect is a finding");
    assert_eq!(Bench::new().ended(Ended::NoAnswer(NoAnswer::ClientCertificate)).rung(), Rung::ReceiverRefuses);
}

#[test]
fn news_of_the_kernel_start_a_probe_at_once_and_a_broken_interface_none() {
    let bench = Bench::new();
    assert!(matches!(bench.out[..], [LinkAction::Found(_), LinkAction::Probe(_)]), "{:?}", bench.out);
    let bench = bench.probe(|_| {}).facts(with(|one| one.carrier = false));
    assert!(!bench.out.iter().any(|action| matches!(action, LinkAction::Probe(_))));
    let mut bench = bench;
    bench.now_ms += 2000;
    let bench = bench.facts(whole());
    assert!(bench.out.iter().any(|action| matches!(action, LinkAction::Probe(_))), "{:?}", bench.out);
}

#[test]
fn request_that_hangs_is_looked_into_before_its_deadline() {
    let mut bench = Bench::new().probe(|_| {}).ended(Ended::Receipt).event(LinkEvent::Began(Lane::Urgent));
    bench.now_ms += HANGS_MS;
    let bench = bench.event(LinkEvent::Tick);
    assert!(bench.out.iter().any(|action| matches!(action, LinkAction::Probe(_))), "{:?}", bench.out);
}

#[test]
fn fluttering_link_is_told_as_unsteady_and_makes_the_forwarder_try_at_most_every_few_seconds() {
    let mut bench = Bench::new().ended(Ended::Receipt);
    let (mut ups, mut before) = (0, LinkView::default());
    for n in 0..600 {
        bench = bench.facts(with(|one| one.carrier = n % 2 == 0));
        bench.now_ms += 400;
        let view = bench.watch.view(Mono(bench.now_ms));
        if view != before && matches!(view, LinkView::Up { .. }) {
            ups += 1;
        }
        before = view;
    }
    assert!(ups <= 5, "{ups} times up in five minutes of flutter");
    let shown = bench.watch.shown(Mono(bench.now_ms));
    assert!(shown.unsteady);
    assert_eq!(shown.breaks, 300);
}

#[test]
fn slow_is_told_by_two_round_trips_or_by_the_pace_of_large_sends() {
    let bench = Bench::new().probe(|probe| probe.tcp = Tcp::Connected(3100));
    assert_eq!(bench.rung(), Rung::Slow);
    assert_eq!(bench.probe(|_| {}).rung(), Rung::Up);
    let slow = Attempt { began: Mono(0), at: Mono(20_000), bytes: 100_000, ended: Ended::Receipt };
    let mut bench = Bench::new();
    bench.now_ms = 20_000;
    assert_eq!(bench.event(LinkEvent::Attempt(Lane::Bulk, slow)).rung(), Rung::Slow);
}
