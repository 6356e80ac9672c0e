//! Watches the way to the receiver: the kernel's events and files, the forwarder's own traffic, and a few probes go
//! into the core's machine; a finding with its figures comes out. It is a hint for the forwarder, never a reason not
//! to try.

mod addresses;
mod climb;

use super::heartbeat::Heartbeat;
use crate::clock;
use crate::config;
use crate::io::files::Folder;
use crate::io::names::{self, Resolver};
use crate::io::netif::Finder;
use crate::io::netlink::{Asker, Events};
use crate::io::probe::{self, Goal};
use crate::store::StoreHandle;
use addresses::Addresses;
use climb::Climber;
use pintle_core::link::evidence::{Ask, Facts, Probe, Traffic};
use pintle_core::link::ladder::Seen;
use pintle_core::link::latency::Latency;
use pintle_core::link::usage::Usage;
use pintle_core::link::watch::{LinkAction, LinkEvent, LinkWatch};
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::{Moment, Mono};
use pintle_core::position::PositionView;
use pintle_core::wire::link::KeptLink;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{broadcast, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tracing::{debug, info, warn};

/// How often everything is looked at even without news (our own choice: a few small files and five questions to the
/// kernel, under a millisecond).
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// After one piece of news the kernel's facts are not read again for this long: thousands of events cost ten readings a
/// second, and the last of them is never missed (our own limit).
pub const NEWS_APART_MS: u64 = 100;
/// What is kept over restarts is written this often (our own limit: a power cut costs five minutes of figures).
const KEEP_EVERY_MS: u64 = 300_000;
/// It is written at once when an outage begins, but no more often than this for that reason (our own limit: a link that
/// flutters must not wear out the disk).
const KEEP_BREAK_APART_MS: u64 = 60_000;
/// A probe that has not ended after this has been lost (each of its parts has a shorter bound).
const PROBE_WAIT: Duration = Duration::from_mins(1);
/// The file that is kept.
const KEPT_FILE: &str = "link.json";
/// The kernel's folder of interfaces; where another is configured, the kernel is not asked for more.
const SYSFS_DIR: &str = "/sys/class/net";

/// What the link watcher needs.
pub struct LinkSetup {
    /// `[link]`; `None`: only what hits take is counted.
    pub link: Option<config::Link>,
    /// `[ladder]`; `None`: nothing is done against a broken link.
    pub ladder: Option<config::Ladder>,
    /// For the notices of its steps.
    pub store: StoreHandle,
    /// Where probes go; `None`: nowhere.
    pub goal: Option<Goal>,
    /// Within this a hit should have its receipt, ms.
    pub hit_target_ms: u64,
    /// `trailer.state_dir`
    pub state_dir: PathBuf,
    /// What the forwarder tells of its traffic.
    pub traffic: broadcast::Receiver<Traffic>,
    /// For the trust in UTC.
    pub position: watch::Receiver<Arc<PositionView>>,
    /// Where the coarse state goes; told only when it changes.
    pub view: watch::Sender<LinkView>,
    /// Where everything goes, for people.
    pub report: watch::Sender<LinkReport>,
    /// Proof of progress.
    pub heartbeat: Heartbeat,
}

/// Where probes go for this receiver; `None` for a courier, or an address that can't be used.
#[must_use]
pub fn goal(receiver: Option<&config::Receiver>, link: Option<&config::Link>) -> Option<Goal> {
    use config::receiver::Address;
    let receiver = receiver?;
    let others = link.map_or_else(Vec::new, |link| link.others.clone());
    let of = |host: &str, port: u16, tls: bool, http: bool| {
        let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
        Some(Goal { host, port, tls, http, others: others.clone() })
    };
    match config::receiver::address(&receiver.url).ok()? {
        Address::Http => {
            let url = reqwest::Url::parse(&receiver.url).ok()?;
            let tls = url.scheme() == "https";
            of(url.host_str()?, url.port_or_known_default()?, tls, true)
        }
        Address::Nats { servers, .. } => {
            let (host, port) = servers.first()?.rsplit_once(':')?;
            of(host, port.parse().ok()?, false, false)
        }
        Address::Mqtt { host, port, .. } => of(&host, port, false, false),
        Address::Courier { .. } => None,
    }
}

/// Runs until `stop`.
pub async fn run(setup: LinkSetup, stop: CancellationToken) {
    let mut watcher = Watcher::new(setup).await;
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => break,
            _ = ticks.tick() => watcher.round(),
            changed = changed(watcher.events.as_ref()) => watcher.news(changed).await,
            told = watcher.setup.traffic.recv() => watcher.traffic(told),
            probed = probed(&mut watcher.running) => watcher.probed(probed),
        }
        watcher.setup.heartbeat.turn();
    }
    if let Some(writing) = watcher.writing.take() {
        // What is older must not come after it.
        drop(writing.await);
    }
    watcher.keep(true);
    if let Some(climber) = &mut watcher.climber {
        climber.stop(clock::mono());
    }
}

/// Waits for ever without a source.
async fn changed(events: Option<&Events>) -> std::io::Result<()> {
    match events {
        Some(events) => events.changed().await,
        None => std::future::pending().await,
    }
}

type Probed = Option<(Probe, Vec<IpAddr>)>;

/// Waits for the running probe, for ever if there is none.
async fn probed(running: &mut Option<JoinHandle<Probed>>) -> Probed {
    match running {
        Some(task) => {
            let ended = task.await.ok().flatten();
            *running = None;
            ended
        }
        None => std::future::pending().await,
    }
}

struct Watcher {
    setup: LinkSetup,
    core: LinkWatch,
    usage: Usage,
    hits: Latency,
    finder: Finder,
    asker: Option<Asker>,
    asker_failed: bool,
    events: Option<Events>,
    read_at: Option<Mono>,
    resolver: Resolver,
    addresses: Addresses,
    running: Option<JoinHandle<Probed>>,
    boot: String,
    kept: Option<Folder>,
    kept_at: Option<Mono>,
    /// The outage whose beginning is written down, and when that was done.
    break_kept: Option<(Mono, Mono)>,
    writing: Option<JoinHandle<()>>,
    climber: Option<Climber>,
    out: Vec<LinkAction>,
}

impl Watcher {
    async fn new(setup: LinkSetup) -> Self {
        let folder = setup.state_dir.join("link");
        let kept = tokio::task::spawn_blocking(move || {
            let folder = Folder::ready(folder, 0o750, 0o640, None).ok()?;
            let text = std::fs::read(folder.path().join(KEPT_FILE)).unwrap_or_default();
            let steps = Climber::kept(&folder);
            Some((folder, (KeptLink::parse(&text), steps)))
        });
        let (kept, memory) = kept.await.ok().flatten().unzip();
        let (memory, steps) = memory.unwrap_or_default();
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default().trim().to_owned();
        let climber = setup.ladder.as_ref().filter(|_| setup.link.is_some());
        let climber =
            climber.map(|ladder| Climber::new(ladder, setup.store.clone(), kept.clone(), boot.clone(), &steps));
        let mut core = LinkWatch::default();
        let now = clock::mono();
        core.resume(memory.outages(), memory.is_of(&boot, now), memory.probes(&boot, now), now);
        let real = setup.link.as_ref().is_some_and(|link| link.sysfs_dir == Path::new(SYSFS_DIR));
        let events = if real { Events::listen().ok() } else { None };
        if real && events.is_none() {
            warn!("the kernel tells no events; the link is looked at every second");
        }
        Self {
            core,
            usage: memory.usage(),
            hits: memory.latency(),
            finder: Finder::default(),
            asker: real.then(Asker::default),
            asker_failed: false,
            events,
            read_at: None,
            resolver: Resolver::default(),
            addresses: Addresses::default(),
            running: None,
            boot,
            kept,
            kept_at: None,
            break_kept: None,
            writing: None,
            climber,
            out: Vec::new(),
            setup,
        }
    }

    fn now(&self) -> Moment {
        clock::moment(self.setup.position.borrow().utc_trust)
    }

    /// Now with the best UTC that anybody knows, for figures with a date.
    fn dated(&self, now: &Moment) -> Moment {
        self.setup.position.borrow().dated(now)
    }

    /// Once a second: the facts anew, and whatever is due.
    fn round(&mut self) {
        if let Some(facts) = self.facts() {
            self.handle(LinkEvent::Facts(facts));
        }
        self.climb();
        self.handle(LinkEvent::Tick);
        self.keep(false);
    }

    /// What the recovery ladder sees.
    fn seen(&self, now: &Moment) -> Option<Seen> {
        let (finding, since) = self.core.finding()?;
        Some(Seen {
            now: *now,
            finding: (finding.rung, since),
            moving: self.core.moving(now.mono),
            writing: self.setup.store.is_writing(),
            sure: self.core.sure(),
        })
    }

    fn climb(&mut self) {
        let now = self.now();
        let Some(seen) = self.seen(&now) else { return };
        if let Some(climber) = &mut self.climber {
            climber.look(&seen, &now);
        }
    }

    /// The kernel tells of a change. A burst of them is waited out for a moment.
    async fn news(&mut self, changed: std::io::Result<()>) {
        if let Err(error) = changed {
            warn!(%error, "the kernel tells no more events; the link is looked at every second");
            self.events = None;
            return;
        }
        let since_ms = self.read_at.map_or(NEWS_APART_MS, |at| clock::mono().since_ms(at));
        tokio::time::sleep(Duration::from_millis(NEWS_APART_MS.saturating_sub(since_ms))).await;
        if let Some(facts) = self.facts() {
            self.handle(LinkEvent::Facts(facts));
        }
    }

    /// Reads the facts. Small files of the kernel's memory and its immediate answers: nothing here waits.
    fn facts(&mut self) -> Option<Facts> {
        let link = self.setup.link.as_ref()?;
        self.read_at = Some(clock::mono());
        let mut facts = self.finder.read(link);
        if let Some(asker) = &mut self.asker {
            let good = self.setup.goal.as_ref().and_then(|goal| names::last_good(&goal.host));
            let mut filled = asker.fill(&mut facts, &self.addresses.with(good), &link.sysfs_dir);
            if filled.is_ok() && self.addresses.are_of_another_network(&facts) {
                // The name is asked for anew; until then nobody knows what the way is.
                filled = asker.fill(&mut facts, &[], &link.sysfs_dir);
            }
            if let Err(error) = &filled
                && !self.asker_failed
            {
                warn!(%error, "the kernel does not tell addresses and routes");
            }
            self.asker_failed = filled.is_err();
        }
        if self.asker.is_some() && facts.interface.as_ref().is_some_and(|interface| interface.index.is_none()) {
            // It vanished while it was looked at: half a look would say that it is whole.
            return None;
        }
        if let Some(counters) = facts.interface.as_ref().and_then(|interface| interface.counters(&self.boot)) {
            let now = self.dated(&self.now());
            self.usage.count(counters, now.utc_trust.is_trusted().then_some(now.utc));
        }
        Some(facts)
    }

    fn traffic(&mut self, told: Result<Traffic, broadcast::error::RecvError>) {
        match told {
            Ok(Traffic::Began(lane)) => self.handle(LinkEvent::Began(lane)),
            Ok(Traffic::Ended(lane, attempt)) => {
                debug!(?lane, ?attempt, "a request is over");
                self.handle(LinkEvent::Attempt(lane, attempt));
            }
            Ok(Traffic::Hits(took_ms)) => {
                let now = self.dated(&self.now());
                for ms in took_ms {
                    self.hits.took(ms, &now);
                }
            }
            // What was missed was a hint; the next one is newer.
            Err(_) => {}
        }
    }

    fn probed(&mut self, probed: Probed) {
        match probed {
            Some((probe, addresses)) => {
                self.addresses.found(addresses);
                debug!(?probe, "a probe is over");
                self.handle(LinkEvent::Probe(probe));
            }
            None => self.core.probe_lost(),
        }
    }

    fn handle(&mut self, event: LinkEvent) {
        let now = self.now();
        let mut out = std::mem::take(&mut self.out);
        self.core.handle(event, &now, &mut out);
        for action in out.drain(..) {
            match action {
                LinkAction::Probe(ask) => self.begin(ask),
                LinkAction::Knock => {
                    if let Some((hop, interface)) = self.asker.as_ref().and_then(Asker::hop) {
                        probe::knock(hop, interface);
                    }
                }
                LinkAction::Found(finding) => {
                    let (rung, detail) = (finding.rung.word(), finding.detail);
                    if finding.rung.broken() {
                        warn!(link.rung = rung, detail, "the way to the receiver is broken");
                    } else {
                        info!(link.rung = rung, detail, "the way to the receiver");
                    }
                }
                LinkAction::Over(outage) => {
                    info!(link.rung = outage.rung.word(), length_ms = outage.length_ms, "an outage is over");
                }
            }
        }
        self.out = out;
        let dated = self.dated(&now);
        if dated.utc_trust.is_trusted() {
            self.core.known((dated.mono, dated.utc));
        }
        self.hits.known(&dated);
        self.publish(&now, &dated);
    }

    fn begin(&mut self, ask: Ask) {
        let Some(goal) = self.setup.goal.clone() else {
            self.core.probe_lost();
            return;
        };
        let (known, resolver) = (self.addresses.ask(), self.resolver.clone());
        self.running = Some(tokio::spawn(async move {
            tokio::time::timeout(PROBE_WAIT, probe::probe(&goal, ask, &known, &resolver)).await.ok()
        }));
    }

    fn publish(&mut self, now: &Moment, dated: &Moment) {
        let seen = self.core.view(now.mono);
        self.setup.view.send_if_modified(|view| {
            let changed = *view != seen;
            view.clone_from(&seen);
            changed
        });
        let plan = self.setup.link.as_ref().and_then(|link| link.plan);
        let outages = self.core.outages();
        let recent: Vec<_> = outages.recent(dated).copied().collect();
        let report = LinkReport {
            day: outages.sum(86_400_000, dated),
            month: outages.sum(30 * 86_400_000, dated),
            recent: recent[recent.len().saturating_sub(LinkReport::OUTAGES_MAX)..].to_vec(),
            data: self.setup.link.as_ref().map(|_| self.usage.standing(plan, dated)),
            plan,
            hits_today: self.hits.percentiles(1, dated),
            hits_month: self.hits.percentiles(30, dated),
            hits_recent: self.hits.recent(self.setup.hit_target_ms, dated),
            hits_target_ms: self.setup.hit_target_ms,
            ladder: self.climber.as_ref().map(|climber| climber.shown(self.seen(now).as_ref(), now)),
            shown: self.core.shown(now.mono),
        };
        self.setup.report.send_replace(report);
    }

    /// Writes down what is kept, beside the runtime unless it is the end.
    fn keep(&mut self, last: bool) {
        let now = self.now();
        if !last && !self.keeping_due(now.mono) {
            return;
        }
        self.kept_at = Some(now.mono);
        if let Some(began) = self.core.outages().since() {
            self.break_kept = Some((began, now.mono));
        }
        let Some(folder) = self.kept.clone() else { return };
        let budget = self.core.probing().keep(last, now.mono);
        let kept = KeptLink::of((&self.boot, now.mono), &self.usage, self.core.outages(), &self.hits, budget);
        let write = move || {
            let bytes = serde_json::to_vec(&kept).unwrap_or_default();
            if let Err(error) = folder.replace(KEPT_FILE, &bytes) {
                warn!(%error, "the figures of the link can't be kept; it is tried again");
            }
        };
        if last {
            write();
        } else {
            self.writing = Some(tokio::task::spawn_blocking(write));
        }
    }

    /// Every few minutes; at the start, before probes have cost what is not written down; and when an outage begins.
    fn keeping_due(&mut self, now: Mono) -> bool {
        if self.writing.as_ref().is_some_and(|writing| !writing.is_finished()) {
            return false;
        }
        let began = self.core.outages().since().is_some_and(|began| {
            self.break_kept.is_none_or(|(of, at)| of != began && KEEP_BREAK_APART_MS <= now.since_ms(at))
        });
        began || self.core.probing().to_be_kept() || self.kept_at.is_none_or(|at| KEEP_EVERY_MS <= now.since_ms(at))
    }
}
