//! From evidence to a finding. For each stretch of the way the newest word counts: a success proves everything before
//! it, a failure holds until something newer gets through. The kernel's facts are always the newest.

use super::evidence::{Attempt, Ended, Facts, Gateway, Names, Probe, Tcp, Way};
use super::looks::{About, Looks};
use super::pace::Pace;
use super::rung::{Finding, Rung};
use crate::forward::answer::NoAnswer;
use crate::moment::{Mono, UtcTrust};

/// A round trip longer than this is slow, ms (our own limit: a satellite hop with a busy modem stays below).
pub const SLOW_RTT_MS: u64 = 2500;
/// Fewer bytes a second than this from a large send are slow (64 kbit/s, the pace of a plan that is used up; common
/// practice, no source).
pub const SLOW_BYTES_PER_S: u64 = 8000;
/// A send smaller than this tells nothing of the pace, bytes.
pub const PACE_BYTES_MIN: u64 = 32_000;
/// A request of so many bytes does not fit into a packet or two, bytes: its receipt proves that large packets pass
/// (1,500 on any Ethernet; source: IEEE 802.3).
const LARGE_BYTES_MIN: u64 = 3000;
/// So long after the kernel last believed in the next hop it has to have found out whether that is still there, ms. It
/// asks from the next packet on, which leaves within a second while something is in doubt: at once or, without
/// `systemd/70-pintle-sysctl.conf`, 5 s later; then three times, a second apart. A busy computer comes late (source:
/// Linux Documentation/networking/ip-sysctl.rst, `delay_first_probe_time`, `ucast_solicit`, `retrans_time_ms`).
const GATEWAY_WAIT_MS: u64 = 12_000;
/// Longer than this nothing is held back, ms: without that file the kernel believes in a neighbour for 45 s at most
/// (the same source, `base_reachable_time_ms`, times 1.5).
const HELD_MS_MAX: u64 = 60_000;
/// The next hop has proved itself once it was heard of so long after the silence began, ms (our own limit: on a busy
/// computer a question leaves some hundred milliseconds after it was decided on, and an answer to something earlier may
/// come in between).
const HEARD_AFTER_MS: u64 = 1000;
/// The pace is judged by sends of the last so many ms.
const PACE_KEPT_MS: u64 = 300_000;

/// Stretches of the way beyond the interface, nearest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Stretch {
    Gateway,
    Names,
    Tcp,
    Tls,
    Receiver,
}

const STRETCHES: usize = 5;

/// What was learned of the way, newest word for each stretch.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    good: [Option<Mono>; STRETCHES],
    bad: [Option<Bad>; STRETCHES],
    /// A certificate was wrong or something stalled: whose fault it is has to be found out.
    doubt: Option<(Mono, Doubt)>,
    /// What a probe saw and a second one has to confirm.
    looks: Looks,
    /// When more than fits into a packet last got through.
    large_good: Option<Mono>,
    rtt_ms: Option<(Mono, u64)>,
    last_rtt_ms: Option<u64>,
    pace: Option<(Mono, u64)>,
    /// The same from rows of smaller requests.
    row: Pace,
    /// When the kernel last believed in the next hop.
    believed: Option<Mono>,
}

/// The newest failure of a stretch.
#[derive(Clone, Debug)]
struct Bad {
    /// When the first of an unbroken row of the same failures began.
    first: Mono,
    /// When the newest was seen.
    at: Mono,
    finding: Finding,
    /// Nothing came back: it may have been the next hop that said nothing.
    silence: bool,
}

/// What has to be found out by a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// Connections time out or break: is it the size, the receiver, or the way?
    Stall,
    /// Large packets were lost: do they pass again?
    Large,
    /// The certificate is not the receiver's: is it a stranger's?
    Stranger,
}

impl Evidence {
    /// When anything last got through to the receiver's host.
    #[must_use]
    pub fn last_good(&self) -> Option<Mono> {
        self.good[Stretch::Tcp as usize..].iter().flatten().max().copied()
    }

    /// What the next probe has to find out.
    #[must_use]
    pub fn doubt(&self) -> Option<Doubt> {
        if self.large_lost() {
            return Some(Doubt::Large);
        }
        self.doubt.map(|(_, doubt)| doubt)
    }

    /// Round trip as last seen, ms.
    #[must_use]
    pub fn rtt_ms(&self) -> Option<u64> {
        self.rtt_ms.map(|(_, ms)| ms)
    }

    /// Bytes a second as last seen from a large send.
    #[must_use]
    pub fn bytes_per_s(&self) -> Option<u64> {
        self.pace.map(|(_, pace)| pace).or(self.row.last())
    }

    fn passes(&mut self, up_to: Stretch, at: Mono) {
        for good in &mut self.good[..=up_to as usize] {
            *good = (*good).max(Some(at));
        }
    }

    fn fails(&mut self, stretch: Stretch, at: Mono, finding: Finding) {
        self.row.failed(at);
        self.bad[stretch as usize] = Some(Bad { first: at, at, finding, silence: false });
    }

    fn silent(&mut self, stretch: Stretch, began: Mono, at: Mono, finding: Finding) {
        self.row.failed(at);
        let good = self.good[stretch as usize];
        let before = self.bad[stretch as usize].as_ref().filter(|bad| bad.silence && later(good, bad.at));
        let first = before.map_or(began, |bad| bad.first);
        self.bad[stretch as usize] = Some(Bad { first, at, finding, silence: true });
    }

    /// The next hop proved that it is there.
    pub fn gateway_heard(&mut self, at: Mono) {
        self.passes(Stretch::Gateway, at);
    }

    /// The kernel believes at `at` that the next hop is there. That proves nothing; what it does not doubt it does not
    /// ask.
    pub fn gateway_believed(&mut self, at: Mono) {
        self.believed = Some(at);
    }

    /// The kernel, or its table of neighbours, sees a fault at `at`.
    pub fn kernel_fails(&mut self, at: Mono) {
        self.row.failed(at);
    }

    /// When the next hop, or anything behind it, was last heard of.
    #[must_use]
    pub fn gateway_good(&self) -> Option<Mono> {
        self.good[Stretch::Gateway as usize]
    }

    /// The next hop, which had failed, is back: what was silent behind it meanwhile may have been silent for that
    /// alone.
    pub fn silence_explained(&mut self) {
        self.looks.forget();
        for bad in &mut self.bad {
            bad.take_if(|bad| bad.silence);
        }
    }

    /// The kernel sees a fault: what failed from `since` on, a moment before it was told, failed for that.
    pub fn explained_since(&mut self, since: Mono) {
        self.looks.forget();
        for bad in &mut self.bad[..=Stretch::Tcp as usize] {
            bad.take_if(|bad| since <= bad.first);
        }
    }

    /// Whatever was in doubt is explained.
    pub fn no_doubt(&mut self) {
        self.doubt = None;
    }

    /// A request has no answer after seconds: the next probe looks at more than the connection.
    pub fn hangs(&mut self, at: Mono) {
        self.doubt.get_or_insert((at, Doubt::Stall));
    }

    /// Whether a probe saw something that has to be seen a second time before it is named, and whether that may be at
    /// once.
    #[must_use]
    pub fn second_look(&self) -> Option<bool> {
        self.looks.waits().then(|| self.looks.at_once())
    }

    /// A connection alone did not come about: a first look, if the next one says the same.
    pub fn glanced(&mut self, probe: &Probe) {
        if let Some((finding, _)) = self.closed(probe).filter(|_| !self.stranger_stands()) {
            self.row.failed(probe.at);
            self.looks.agree((About::Way, finding.rung), (probe.began, probe.at));
        }
    }

    /// Whether `finding` may be told: it stands already, or was seen before by a look that was over when this one
    /// began. Answers since when it has been seen.
    fn seen_twice(&mut self, stretch: Stretch, finding: &Finding, probe: &Probe) -> Option<Mono> {
        let (good, bad) = (self.good[stretch as usize], self.bad[stretch as usize].as_ref());
        let sized = finding.rung == Rung::LargeLost && self.large_lost();
        if sized || bad.is_some_and(|bad| bad.finding.rung == finding.rung && later(good, bad.at)) {
            self.looks.forget();
            return Some(probe.began);
        }
        let about = if stretch == Stretch::Tcp { About::Way } else { About::Size };
        let since = self.looks.agree((about, finding.rung), (probe.began, probe.at));
        if since.is_some() {
            self.looks.forget();
        } else {
            self.doubt.get_or_insert((probe.at, Doubt::Stall));
        }
        since
    }

    /// What a connection that did not come about says, and whether somebody refused it.
    fn closed(&self, probe: &Probe) -> Option<(Finding, bool)> {
        let refused = match probe.tcp {
            Tcp::NotTried | Tcp::Connected(_) => return None,
            // What got through after its last packet is newer than its silence.
            Tcp::Silent if self.good[Stretch::Tcp as usize].is_some_and(|good| last_packet(probe) < good) => {
                return None;
            }
            Tcp::Silent | Tcp::Unreachable => false,
            Tcp::Refused => true,
        };
        let detail = if refused { "it refuses the connection" } else { "it does not answer" };
        let finding = match probe.others_answer {
            Some(true) => Finding::new(Rung::ReceiverSilent, detail),
            Some(false) => Finding::new(Rung::TcpBlocked, "no connection to anybody"),
            // A refusal comes from somebody; who is silent may be far or near.
            None if refused => Finding::new(Rung::ReceiverSilent, detail),
            None => Finding::new(Rung::TcpBlocked, UNKNOWN_WHOSE),
        };
        Some((finding, refused))
    }

    /// Whether something is broken, and it is too early to say whether the next hop is.
    #[must_use]
    pub fn held(&self, facts: &Facts, now: Mono) -> bool {
        let failing = |(good, bad): (&Option<Mono>, &Option<Bad>)| {
            bad.as_ref().is_some_and(|bad| later(*good, bad.at) && self.is_held(bad, facts, now))
        };
        by_kernel(facts).is_none() && self.good.iter().zip(&self.bad).any(failing)
    }

    /// Silence from farther away is told once the next hop has proved that it is there, or had the time to fail.
    fn is_held(&self, bad: &Bad, facts: &Facts, now: Mono) -> bool {
        let neighbours = facts.interface.as_ref().is_some_and(|one| one.gateway != Gateway::NotThere);
        let heard = self.good[Stretch::Gateway as usize].is_some_and(|at| bad.first.plus_ms(HEARD_AFTER_MS) < at);
        let undecided = now.since_ms(bad.first.max(self.believed.unwrap_or(bad.first))) < GATEWAY_WAIT_MS;
        bad.silence && neighbours && !heard && undecided && now.since_ms(bad.first) < HELD_MS_MAX
    }

    /// Whether what is sent goes slowly, and a connection beside a request would tell whose fault that is.
    #[must_use]
    pub fn suspects_pace(&self, now: Mono) -> bool {
        self.row.asks(now)
    }

    /// Takes in how a request ended.
    pub fn attempt(&mut self, attempt: &Attempt, trust: UtcTrust) {
        let at = attempt.at;
        self.row.attempt(attempt);
        match attempt.ended {
            Ended::Receipt => {
                self.passes(Stretch::Receiver, at);
                if LARGE_BYTES_MIN <= attempt.bytes {
                    self.large_good = Some(at);
                    self.doubt = None;
                    self.looks.forget();
                } else if !self.large_lost() {
                    // What fits into one packet says nothing of large ones.
                    self.looks.connected();
                    self.doubt.take_if(|_| !self.looks.waits());
                }
                let took_ms = at.since_ms(attempt.began).max(1);
                if PACE_BYTES_MIN <= attempt.bytes {
                    let pace = attempt.bytes.saturating_mul(1000) / took_ms;
                    // Half the old, half the new: one send behind another lane's is no measure.
                    let smooth = self.pace.map_or(pace, |(_, old)| old.midpoint(pace));
                    self.pace = Some((at, smooth));
                }
            }
            Ended::Status(status) => {
                self.passes(Stretch::Tls, at);
                self.doubt = None;
                self.looks.forget();
                self.fails(Stretch::Receiver, at, Finding::new(Rung::ReceiverRefuses, format!("it answered {status}")));
            }
            Ended::NoAnswer(why) => self.no_answer(why, at, trust),
        }
    }

    fn no_answer(&mut self, why: NoAnswer, at: Mono, trust: UtcTrust) {
        self.row.failed(at);
        let certificate = |detail: &str| Finding::new(Rung::TlsFails, detail);
        match why {
            // What failed on the way is looked at by a probe, which can tell the stretches apart.
            NoAnswer::Name
            | NoAnswer::Unreachable
            | NoAnswer::Refused
            | NoAnswer::ConnectTimeout
            | NoAnswer::AnswerTimeout
            | NoAnswer::Broken => self.doubt = Some((at, Doubt::Stall)),
            NoAnswer::CertificateExpired | NoAnswer::CertificateNotYetValid => {
                self.passes(Stretch::Tcp, at);
                let (early, known) = (why == NoAnswer::CertificateNotYetValid, trust != UtcTrust::Unset);
                let finding = match (known, early) {
                    (true, false) => certificate("the receiver's certificate has expired"),
                    (true, true) => certificate("the receiver's certificate is not valid yet"),
                    (false, _) => Finding::new(
                        Rung::ClockWrong,
                        if early { "the trailer's clock is too early" } else { "the trailer's clock may be too late" },
                    ),
                };
                self.fails(Stretch::Tls, at, finding);
            }
            NoAnswer::CertificateName | NoAnswer::CertificateAuthority => {
                self.passes(Stretch::Tcp, at);
                let detail = if why == NoAnswer::CertificateName {
                    "the certificate is for another name"
                } else {
                    "the certificate is signed by nobody trusted here"
                };
                self.fails(Stretch::Tls, at, certificate(detail));
                self.doubt = Some((at, Doubt::Stranger));
            }
            NoAnswer::Tls => {
                self.passes(Stretch::Tcp, at);
                self.fails(Stretch::Tls, at, certificate("what answers speaks no TLS"));
                self.doubt = Some((at, Doubt::Stranger));
            }
            NoAnswer::ClientCertificate => {
                self.passes(Stretch::Tls, at);
                let detail = "it does not take the trailer's certificate";
                self.fails(Stretch::Receiver, at, Finding::new(Rung::ReceiverRefuses, detail));
            }
            NoAnswer::NotHttp => {
                self.passes(Stretch::Tls, at);
                let detail = "what answers is no receiver";
                self.fails(Stretch::Receiver, at, Finding::new(Rung::ReceiverRefuses, detail));
            }
            NoAnswer::NotLetIn | NoAnswer::NoRight => {
                self.passes(Stretch::Tls, at);
                let detail = "it does not let the trailer in";
                self.fails(Stretch::Receiver, at, Finding::new(Rung::ReceiverRefuses, detail));
            }
            NoAnswer::NoStream | NoAnswer::BrokerFull => {
                self.passes(Stretch::Tls, at);
                let detail = "the broker has no room for what is sent";
                self.fails(Stretch::Receiver, at, Finding::new(Rung::ReceiverRefuses, detail));
            }
            // Say nothing of the way.
            NoAnswer::OwnFile | NoAnswer::NoFolder | NoAnswer::FolderFull | NoAnswer::FolderBroken => {}
        }
    }

    /// Whether large packets were found lost, and no large one has got through since. What fits into one packet gets
    /// through meanwhile.
    #[must_use]
    pub fn large_lost(&self) -> bool {
        let bad = self.bad[Stretch::Tls as usize].as_ref();
        bad.is_some_and(|bad| bad.finding.rung == Rung::LargeLost && later(self.large_good, bad.at))
    }

    /// Whether a stranger was seen on the way, and nothing has got through since.
    fn stranger_stands(&self) -> bool {
        let names = Stretch::Names as usize;
        self.bad[names].as_ref().is_some_and(|bad| bad.finding.rung == Rung::Portal && later(self.good[names], bad.at))
    }

    /// Takes in what a probe brought.
    pub fn probe(&mut self, probe: &Probe) {
        let at = probe.at;
        let stranger = probe.names_lie == Some(true) || probe.portal == Some(true);
        if probe.plain && !matches!(probe.tcp, Tcp::Connected(_)) && self.stranger_stands() {
            // Whoever does not look for the stranger can't say that he has gone.
            return;
        }
        match probe.names {
            // A name that a stranger answers is not found.
            Names::NotAsked => {}
            Names::Found if stranger => {}
            // A name may come from a memory on this computer: it proves nothing of the next hop.
            Names::Found => self.good[Stretch::Names as usize] = Some(at),
            Names::NotFound => {
                self.looks.other();
                self.passes(Stretch::Gateway, at);
                self.fails(Stretch::Names, at, Finding::new(Rung::NamesFail, NO_SUCH_NAME));
                return;
            }
            // The question went out when the probe began: an answer to another one after that was not seen by it.
            Names::Silent if self.good[Stretch::Names as usize].is_some_and(|good| probe.began < good) => return,
            Names::Silent => {
                self.looks.other();
                let finding = Finding::new(Rung::NamesFail, "the name server does not answer");
                self.silent(Stretch::Names, probe.began, at, finding);
                return;
            }
        }
        if stranger {
            self.looks.forget();
            self.passes(Stretch::Gateway, at);
            let detail = if probe.names_lie == Some(true) { "names lie" } else { "a web page comes from a stranger" };
            self.fails(Stretch::Names, at, Finding::new(Rung::Portal, detail));
            self.doubt = None;
            return;
        }
        if let Tcp::Connected(ms) = probe.tcp {
            self.passes(Stretch::Tcp, at);
            // The better of two: a lost first packet is sent again after one and after three seconds.
            let better = self.last_rtt_ms.map_or(ms, |last| last.min(ms));
            self.last_rtt_ms = Some(ms);
            self.rtt_ms = Some((at, better));
            self.row.connected(probe.began, ms);
            self.connected(probe);
        } else if let Some((finding, refused)) = self.closed(probe) {
            self.row.failed(at);
            if probe.others_answer == Some(true) || refused {
                self.passes(Stretch::Names, at);
            }
            let Some(since) = self.seen_twice(Stretch::Tcp, &finding, probe) else { return };
            if finding.rung == Rung::TcpBlocked && !refused {
                self.silent(Stretch::Tcp, since, at, finding);
            } else {
                self.fails(Stretch::Tcp, at, finding);
            }
        }
    }

    /// A connection stands. If requests stalled, it is the size or the receiver; if they did not, all is well.
    fn connected(&mut self, probe: &Probe) {
        let sized = match (self.doubt, probe.large_passes, probe.small_passes) {
            (Some((_, Doubt::Stall)), Some(false), Some(true)) => Finding::bare(Rung::LargeLost),
            // Only the large one was tried.
            (_, Some(false), None) if self.large_lost() => Finding::bare(Rung::LargeLost),
            (Some((_, Doubt::Stall)), Some(false), Some(false)) => {
                Finding::new(Rung::ReceiverSilent, "it takes connections and never answers")
            }
            (_, Some(true), _) => {
                // A name and a size that pass: what stalled before is over, or comes later than the first answer.
                let sized = self.bad[Stretch::Tls as usize]
                    .as_ref()
                    .is_some_and(|bad| matches!(bad.finding.rung, Rung::LargeLost | Rung::ReceiverSilent));
                if sized {
                    self.bad[Stretch::Tls as usize] = None;
                }
                if let Some((_, Doubt::Stall)) = self.doubt {
                    self.doubt = None;
                }
                return self.looks.forget();
            }
            // A connection that stands says nothing against a size that was seen to fail.
            _ if probe.large_passes.is_none() => return self.looks.connected(),
            _ => return self.looks.other(),
        };
        if self.seen_twice(Stretch::Tls, &sized, probe).is_some() {
            self.fails(Stretch::Tls, probe.at, sized);
        }
    }

    /// The finding at `now`. `gateway_failed_at` is when the kernel gave the next hop up, if it has.
    #[must_use]
    pub fn finding(&self, facts: &Facts, gateway_failed_at: Option<Mono>, now: Mono) -> Finding {
        if let Some(finding) = by_kernel(facts) {
            return finding;
        }
        if let Some(at) = gateway_failed_at
            && later(self.good[Stretch::Gateway as usize], at)
        {
            return Finding::bare(Rung::GatewaySilent);
        }
        for (good, bad) in self.good.iter().zip(&self.bad) {
            let Some(bad) = bad else { continue };
            let sized = bad.finding.rung == Rung::LargeLost;
            if if sized { self.large_lost() } else { later(*good, bad.at) && !self.is_held(bad, facts, now) } {
                return bad.finding.clone();
            }
        }
        if self.last_good().is_none() {
            return Finding::bare(Rung::Unproven);
        }
        let fresh = |at: Mono| now.since_ms(at) <= PACE_KEPT_MS;
        if let Some((_, ms)) = self.rtt_ms.filter(|(at, ms)| fresh(*at) && SLOW_RTT_MS < *ms) {
            return Finding::new(Rung::Slow, format!("round trip {} s", ms.div_ceil(1000)));
        }
        if let Some((_, pace)) = self.pace.filter(|(at, pace)| fresh(*at) && *pace < SLOW_BYTES_PER_S) {
            return Finding::new(Rung::Slow, format!("{} kbit/s", pace * 8 / 1000));
        }
        if self.row.slow(now).is_some() {
            // Its figure changes with every row and stands beside it; the finding does not.
            return Finding::new(Rung::Slow, format!("under {} kbit/s", SLOW_BYTES_PER_S * 8 / 1000));
        }
        Finding::bare(Rung::Up)
    }
}

/// The detail of a silence that can't be told from a silent receiver.
pub const UNKNOWN_WHOSE: &str = "no connection to the receiver; name other addresses to tell whose fault it is";
/// The detail of a name that does not exist.
pub const NO_SUCH_NAME: &str = "the name server knows no such name";

/// When the last packet of a connection that nobody answered left: the third, three seconds after the first. Source:
/// RFC 6298 section 2 (a second, doubled each time). It is given up a second later, and others are waited for up to one
/// and a half more (`io/probe.rs`).
fn last_packet(probe: &Probe) -> Mono {
    probe.began.max(probe.at.minus_ms(2500))
}

fn later(good: Option<Mono>, at: Mono) -> bool {
    good.is_none_or(|good| good < at)
}

/// What the kernel's facts alone say.
#[must_use]
pub fn by_kernel(facts: &Facts) -> Option<Finding> {
    let Some(interface) = &facts.interface else {
        let rung = if facts.device_without_interface { Rung::ChargingOnly } else { Rung::Absent };
        return Some(Finding::new(rung, facts.looked_for.clone()));
    };
    if !interface.on {
        return Some(Finding::new(Rung::NoCarrier, "switched off"));
    }
    if !interface.carrier {
        return Some(Finding::new(Rung::NoCarrier, "no carrier"));
    }
    if !interface.v4 && !interface.v6 {
        return Some(Finding::bare(Rung::NoAddress));
    }
    match &facts.way {
        Way::Ours => None,
        Way::Other(name) => Some(Finding::new(Rung::OtherRoute, name.clone())),
        Way::None => Some(Finding::bare(Rung::NoRoute)),
        Way::Unknown if !interface.default_route => Some(match &interface.outdone_by {
            Some(name) => Finding::new(Rung::OtherRoute, name.clone()),
            None => Finding::bare(Rung::NoRoute),
        }),
        Way::Unknown => interface.outdone_by.as_ref().map(|name| Finding::new(Rung::OtherRoute, name.clone())),
    }
}
