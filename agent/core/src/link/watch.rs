//! The watcher of the link: takes in what happens, names the first broken rung, counts breaks and outages, and says
//! when to probe. What it says is a hint when to try sooner, never a reason not to try.

use super::LinkView;
use super::evidence::{Ask, Attempt, Ended, Facts, Gateway, Probe, Tcp};
use super::flaps::Flaps;
use super::judge::{Doubt, Evidence};
use super::outages::{self, Outage, Outages};
use super::probing::{Budget, HANGS_MS, Probing};
use super::progress::Progress;
use super::rung::{Finding, Rung};
use crate::moment::{Moment, Mono, Utc};
use crate::queue::Lane;

/// A link that was broken counts as up once it has been whole for this long, ms, while it is unsteady.
const UNSTEADY_HOLD_MS: u64 = 5000;

/// The kernel's fault may be older than its telling by this, ms: events are put together for 100 ms, and a busy
/// computer comes late (our own limit).
const TOLD_LATE_MS: u64 = 2000;
/// A next hop that is silent, or may be, is knocked at this often, ms: the kernel asks it three times within that, once
/// a second, and its answer is seen at once. It costs some forty bytes a second that never leave the cable (source: RFC
/// 826; our own limit).
const KNOCK_MS: u64 = 3000;
/// While nobody knows yet whether it is the next hop that says nothing, it is knocked at this often, ms: as soon as the
/// kernel doubts it, it asks.
const KNOCK_IN_DOUBT_MS: u64 = 1000;
/// The kernel counts such times in ticks of its clock, ms, and rounds them (source: proc(5), `sysconf(_SC_CLK_TCK)`,
/// 100).
const CLOCK_TICK_MS: u64 = 20;
/// A request that is on its way for so long fills whatever is narrow, ms (our own limit).
const BESIDE_MS: u64 = 300;

/// What happened.
#[derive(Clone, Debug)]
pub enum LinkEvent {
    /// The kernel's facts, read anew.
    Facts(Facts),
    /// A request of a lane began.
    Began(Lane),
    /// A request of a lane ended.
    Attempt(Lane, Attempt),
    /// A probe ended.
    Probe(Probe),
    /// Time went by.
    Tick,
}

/// What to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkAction {
    /// Begin a probe.
    Probe(Ask),
    /// The finding has changed.
    Found(Finding),
    /// An outage is over.
    Over(Outage),
    /// Send something to the next hop itself, so that the kernel asks whether it is back.
    Knock,
}

/// What is shown of the link.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Shown {
    /// The first broken rung; `None` before the first look.
    pub finding: Option<Finding>,
    /// Since when it is this one.
    pub since: Option<(Mono, Utc)>,
    /// Present name of the interface, if it is there.
    pub interface: Option<String>,
    /// It breaks so often that its being up means little.
    pub unsteady: bool,
    /// Breaks since the start.
    pub breaks: u64,
    /// Round trip as last seen, ms.
    pub rtt_ms: Option<u64>,
    /// Bytes a second of the last large sends.
    pub bytes_per_s: Option<u64>,
    /// Bytes that probes have cost today.
    pub probe_bytes: u64,
}

/// The machine.
#[derive(Clone, Debug, Default)]
pub struct LinkWatch {
    facts: Option<Facts>,
    evidence: Evidence,
    gateway_failed_at: Option<Mono>,
    /// When the kernel's facts were last read.
    looked: Option<Mono>,
    /// Since when the kernel sees nothing wrong.
    whole_for_the_kernel: Option<Mono>,
    /// When the next hop, which had failed, was last back.
    gateway_back: Option<Mono>,
    /// When the silent next hop was last knocked at.
    knocked: Option<Mono>,
    probing: Probing,
    flaps: Flaps,
    outages: Outages,
    finding: Option<Finding>,
    since: Option<(Mono, Utc)>,
    /// The running request of each lane.
    open_since: [Option<Mono>; 2],
    whole_since: Option<Mono>,
    progress: Progress,
}

impl LinkWatch {
    /// Takes in one event; appends what follows.
    pub fn handle(&mut self, event: LinkEvent, now: &Moment, out: &mut Vec<LinkAction>) {
        match event {
            LinkEvent::Facts(facts) => self.facts_are(facts, now.mono),
            LinkEvent::Began(lane) => self.open_since[lane as usize] = Some(now.mono),
            LinkEvent::Attempt(lane, attempt) => {
                self.open_since[lane as usize] = None;
                self.evidence.attempt(&attempt, now.utc_trust);
                if !matches!(attempt.ended, Ended::Receipt | Ended::Status(_)) {
                    self.probing.want();
                }
            }
            LinkEvent::Probe(probe) => {
                self.probing.over(&probe);
                self.progress.probed(probe.cost, now.mono);
                let blocked = matches!(probe.tcp, Tcp::Refused | Tcp::Silent | Tcp::Unreachable);
                let hop_away = self.gateway_back.is_some_and(|at| probe.began < at);
                if !matches!(probe.tcp, Tcp::Connected(_))
                    && (hop_away || self.whole_for_the_kernel.is_none_or(|at| probe.began < at))
                {
                    // What failed while there was no carrier, no route or no next hop failed for that.
                    self.probing.want();
                    return self.judge(now, out);
                }
                let news = self.finding.as_ref().is_none_or(|finding| !explains(finding.rung, &probe));
                if blocked && probe.plain && (news || self.probing.may_look(now.mono)) {
                    if news {
                        self.probing.settled();
                    }
                    // A remembered name and one closed door: whether names still resolve and who stands in the way is
                    // looked into before anything is said.
                    self.evidence.glanced(&probe);
                    self.evidence.hangs(probe.at);
                    self.probing.want();
                } else {
                    self.evidence.probe(&probe);
                }
                match self.evidence.second_look() {
                    Some(true) => self.probing.look_again(),
                    Some(false) => self.probing.want(),
                    None => {}
                }
            }
            LinkEvent::Tick => {
                // Where what is sent goes slowly, a connection is made beside a request: does it wait, too?
                let beside = |open: &Option<Mono>| open.is_some_and(|since| BESIDE_MS <= now.mono.since_ms(since));
                if self.evidence.suspects_pace(now.mono) && self.open_since.iter().any(beside) {
                    self.probing.want();
                }
                for open in &mut self.open_since {
                    if open.is_some_and(|since| HANGS_MS <= now.mono.since_ms(since)) {
                        // Looked at once for each request that hangs; the pace after that is that of a broken way.
                        *open = None;
                        self.probing.want();
                        self.evidence.hangs(now.mono);
                    }
                }
            }
        }
        self.judge(now, out);
    }

    fn facts_are(&mut self, facts: Facts, now: Mono) {
        let gateway = |facts: &Facts| facts.interface.as_ref().map(|one| (one.index, one.gateway));
        let same =
            self.facts.as_ref().and_then(gateway).map(|(index, _)| index) == gateway(&facts).map(|(index, _)| index);
        let hop_was_back = self.gateway_back;
        match gateway(&facts) {
            Some((_, Gateway::Failed)) => self.evidence.kernel_fails(now),
            Some((_, Gateway::Answers)) => self.evidence.gateway_believed(now),
            _ => {}
        }
        match gateway(&facts) {
            Some((_, Gateway::Failed)) if same && self.gateway_failed_at.is_some() => {}
            Some((_, Gateway::Failed)) => self.gateway_failed_at = Some(now),
            // The kernel asks again after each new send; until somebody answers, it has failed.
            Some((_, Gateway::Unknown)) if same => {}
            _ => {
                if self.gateway_failed_at.take().is_some() {
                    self.evidence.silence_explained();
                    self.gateway_back = Some(now);
                }
            }
        }
        if let (Some(before), Some(interface)) =
            (self.facts.as_ref().and_then(|facts| facts.interface.as_ref()), facts.interface.as_ref())
            && self.progress.counted(before, interface, now)
        {
            // The kernel believes a neighbour heard when a connection sends something after an answer, however old the
            // answer is (source: Linux net/core/sock.c and net/ipv4/tcp_output.c, `sk_dst_pending_confirm`). So it
            // counts only if something came in between the same two looks, and as no newer than the earlier one: what
            // came in may have come right after it.
            if let Some(ago_ms) = interface.gateway_heard_ms
                && let Some(earlier) = self.looked
                && earlier <= now.minus_ms(ago_ms).plus_ms(CLOCK_TICK_MS)
            {
                self.evidence.gateway_heard(earlier);
            }
        }
        self.looked = Some(now);
        let whole = super::judge::by_kernel(&facts).is_none();
        if !whole {
            self.evidence.kernel_fails(now);
        }
        if !whole && self.whole_for_the_kernel.take().is_some() {
            self.evidence.explained_since(now.minus_ms(TOLD_LATE_MS));
        } else if whole && self.whole_for_the_kernel.is_none() {
            self.whole_for_the_kernel = Some(now);
            // What failed meanwhile failed for that: it begins anew.
            self.evidence.no_doubt();
            self.probing.settled();
        }
        // Counters change all the time, and a next hop that answers is doubted and believed again by the kernel every
        // few seconds; everything else is news.
        let plain = |facts: &Facts| {
            let mut plain = facts.clone();
            if let Some(interface) = &mut plain.interface {
                (interface.received, interface.sent, interface.gateway_heard_ms) = (None, None, None);
                interface.gateway = Gateway::Unknown;
            }
            plain
        };
        let news = hop_was_back != self.gateway_back
            || self.facts.as_ref().is_none_or(|before| plain(before) != plain(&facts));
        if news && whole {
            self.probing.want();
        }
        self.facts = Some(facts);
    }

    fn judge(&mut self, now: &Moment, out: &mut Vec<LinkAction>) {
        let Some(facts) = &self.facts else { return };
        if self
            .gateway_failed_at
            .is_some_and(|at| self.evidence.gateway_good() > Some(at) && self.gateway_back < Some(at))
        {
            // Heard of before the kernel's table tells that it is back.
            self.evidence.silence_explained();
            self.gateway_back = Some(now.mono);
        }
        let finding = self.evidence.finding(facts, self.gateway_failed_at, now.mono);
        let (broken, at) = (finding.rung.broken(), (now.mono, now.utc));
        let was_broken = self.finding.as_ref().is_some_and(|before| before.rung.broken());
        if broken {
            self.whole_since = None;
            if !was_broken && self.finding.is_some() {
                self.flaps.broke(now.mono);
            }
        } else {
            self.whole_since.get_or_insert(now.mono);
        }
        if let Some(outage) = self.outages.is_at(finding.rung, at) {
            out.push(LinkAction::Over(outage));
        }
        let held = self.evidence.held(facts, now.mono);
        let doubted = held || (!broken && self.evidence.doubt() == Some(Doubt::Stall));
        let broken = broken || self.evidence.second_look().is_some() || held;
        self.probing.broken(broken, now.mono);
        // What is doubted now is not what was looked into while something else was broken.
        if (!broken && self.evidence.doubt().is_none()) || (was_broken && !finding.rung.broken()) {
            self.probing.settled();
        }
        let rung = finding.rung;
        if self.finding.as_ref() != Some(&finding) {
            if self.finding.as_ref().is_none_or(|before| before.rung != rung) {
                self.since = Some(at);
                if rung == Rung::LargeLost && was_broken {
                    // What stood in front of it is over; whether this is, too, shows a large packet and nothing else.
                    self.probing.look_again();
                }
            }
            self.finding = Some(finding.clone());
            out.push(LinkAction::Found(finding));
        }
        // Whether it is the next hop that says nothing: the kernel finds out only if something is sent to it.
        let knocks = match rung {
            Rung::GatewaySilent => Some(KNOCK_MS),
            _ => doubted.then_some(KNOCK_IN_DOUBT_MS),
        };
        if knocks.is_some_and(|every| self.knocked.is_none_or(|at| every <= now.mono.since_ms(at))) {
            self.knocked = Some(now.mono);
            out.push(LinkAction::Knock);
        }
        let last_good = self.evidence.last_good();
        if !rung.by_kernel()
            && let Some(ask) = self.probing.begin(self.evidence.doubt(), broken, last_good, now.mono)
        {
            out.push(LinkAction::Probe(ask));
        }
    }

    /// The task that made a probe ended without a report.
    pub fn probe_lost(&mut self) {
        self.probing.lost();
    }

    /// When the machine wants a [`LinkEvent::Tick`] at the latest; `None`: nothing is due.
    #[must_use]
    pub fn deadline(&self) -> Option<Mono> {
        let hangs = self.open_since.into_iter().flatten().map(|since| since.plus_ms(HANGS_MS));
        let kernel = self.finding.as_ref().is_none_or(|finding| finding.rung.by_kernel());
        let probe = if kernel { None } else { self.probing.due(self.evidence.last_good()) };
        hangs.chain(probe).min()
    }

    /// The coarse state: is our own link up? The forwarder tries sooner when it comes up.
    #[must_use]
    pub fn view(&mut self, now: Mono) -> LinkView {
        let Some((facts, finding)) = self.facts.as_ref().zip(self.finding.as_ref()) else {
            return LinkView::NotFitted;
        };
        let Some(interface) = &facts.interface else {
            return LinkView::Absent { looked_for: facts.looked_for.clone() };
        };
        let down = |why: String| LinkView::Down { interface: interface.name.clone(), why };
        if finding.rung.ours() {
            let why = if finding.detail.is_empty() { finding.rung.word() } else { &finding.detail };
            return down(why.to_owned());
        }
        // Each "up" makes the forwarder try at once; a link that flutters must not make it hammer.
        let held = self.whole_since.is_some_and(|since| now.since_ms(since) < UNSTEADY_HOLD_MS);
        if held && self.flaps.unsteady(now) {
            return down("unsteady".to_owned());
        }
        LinkView::Up { interface: interface.name.clone() }
    }

    /// What is shown.
    #[must_use]
    pub fn shown(&mut self, now: Mono) -> Shown {
        Shown {
            finding: self.finding.clone(),
            since: self.since,
            interface: self.facts.as_ref().and_then(|facts| facts.interface.as_ref()).map(|one| one.name.clone()),
            unsteady: self.flaps.unsteady(now),
            breaks: self.flaps.count(),
            rtt_ms: self.evidence.rtt_ms(),
            bytes_per_s: self.evidence.bytes_per_s(),
            probe_bytes: self.probing.spent(),
        }
    }

    /// The finding as it stands, since when.
    #[must_use]
    pub fn finding(&self) -> Option<(&Finding, Mono)> {
        self.finding.as_ref().zip(self.since.map(|(mono, _)| mono))
    }

    /// False if nobody can tell whether it is the link that is broken or what lies behind it, or if it is known to be
    /// that.
    #[must_use]
    pub fn sure(&self) -> bool {
        self.finding.as_ref().is_some_and(|finding| !super::judge::beyond_us(finding))
    }

    /// Outages of the last 30 days.
    #[must_use]
    pub fn outages(&self) -> &Outages {
        &self.outages
    }

    /// Takes up what an earlier process kept; `budget` with the end of its day on the clock of this boot.
    pub fn resume(&mut self, outages: outages::Kept, same_boot: bool, budget: Option<Budget>, now: Mono) {
        self.outages.resume(outages, same_boot, now);
        if let Some(budget) = budget {
            self.probing.resume(budget);
        }
    }

    /// Somebody vouches for UTC.
    pub fn known(&mut self, now: (Mono, Utc)) {
        self.outages.known(now);
    }

    /// What is asked of probes.
    pub fn probing(&mut self) -> &mut Probing {
        &mut self.probing
    }

    /// Whether something is on its way now: a transfer progresses, or something got through within the last minute.
    #[must_use]
    pub fn moving(&self, now: Mono) -> bool {
        let got_through = self.evidence.last_good().is_some_and(|at| now.since_ms(at) < 60_000);
        got_through || self.progress.moves(self.since.map(|(mono, _)| mono), now)
    }
}

/// Whether a closed door is no news under this finding.
fn explains(rung: Rung, probe: &Probe) -> bool {
    let receivers = probe.others_answer == Some(true) || probe.tcp == Tcp::Refused;
    match rung {
        Rung::ReceiverSilent => receivers,
        Rung::TcpBlocked => !receivers,
        Rung::GatewaySilent | Rung::Portal => true,
        _ => false,
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod world_tests;
