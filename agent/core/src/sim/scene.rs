//! Scenes of an invented trailer, for tests and pictures of health files: all that health is made from, at one instant.

use crate::cameras::{CameraView, IntakeView};
use crate::forward::ForwardView;
use crate::geo::LatLon;
use crate::health::duty::DutyBook;
use crate::health::ready::{TestAlert, TickBook};
use crate::health::{Facts, Life, LifecycleView, Observations, QueueView};
use crate::host::HostView;
use crate::ids::{CameraId, SiteId};
use crate::inputs::InputsView;
use crate::link::{LinkReport, LinkView};
use crate::moment::{Moment, Mono, Utc, UtcTrust};
use crate::position::places::{LineOrigin, LineState, PlaceLine, PlaceTable, SiteLine, SiteLines};
use crate::position::trail::Trail;
use crate::position::{Fix, KeeperState, PositionView, ReceiverState, Site};
use crate::queue::LedgerCounts;
use std::sync::Arc;

const DAY_MS: u64 = 86_400_000;

/// All that one snapshot is made from.
#[derive(Clone, Debug)]
pub struct Scene {
    /// The instant.
    pub now: Moment,
    /// Where the agent is between start and end.
    pub life: Life,
    /// What does not change.
    pub facts: Facts,
    /// Position.
    pub position: PositionView,
    /// Intake.
    pub intake: IntakeView,
    /// Forwarder.
    pub forward: ForwardView,
    /// Link.
    pub link: LinkView,
    /// All that the link watcher knows.
    pub link_report: LinkReport,
    /// Host.
    pub host: HostView,
    /// Switches.
    pub inputs: InputsView,
    /// Queue, or why it gives no figures.
    pub queue: Result<QueueView, String>,
    /// Lifecycle.
    pub lifecycle: LifecycleView,
    /// What people ticked.
    pub ticks: TickBook,
    /// Whether it is off duty, and what somebody has in hand.
    pub duty: DutyBook,
    /// The newest test alert.
    pub test_alert: Option<TestAlert>,
}

impl Scene {
    /// Heron 3 has stood for five days; all three place lines are confirmed, reads get through.
    #[must_use]
    pub fn standing() -> Self {
        let utc = Utc::from_civil(2026, 5, 12, 52_330_000).unwrap_or_default();
        let now = Moment { mono: Mono(9 * DAY_MS), utc, utc_trust: UtcTrust::Gps };
        let ago = |ms: u64| (Mono(now.mono.0 - ms), utc.plus_ms(-i64::try_from(ms).unwrap_or(0)));
        let arrived = ago(5 * DAY_MS + 5 * 3_600_000 + 1_200_000);
        let site = site(12, 44.51020, -38.19870, 3.1, arrived.1);
        let earlier = site_left(11, 44.49130, -38.22510, arrived.1);
        let cameras = cameras(&ago);
        let roads = [
            ("Quernstone Road", "Brackwater Lane", "northbound"),
            ("Quernstone Road", "Brackwater Lane", "southbound"),
            ("Brackwater Lane", "Quernstone Road", "eastbound"),
        ];
        let lines = cameras.iter().zip(roads).map(|(camera, (road, cross_street, direction))| {
            let line = PlaceLine {
                road: road.to_owned(),
                cross_street: cross_street.to_owned(),
                direction: direction.to_owned(),
                by: "T. Wray".to_owned(),
                at: arrived.1.plus_ms(1_140_000),
            };
            let (state, origin) = (LineState::Confirmed, LineOrigin::Here);
            (camera.id.clone(), SiteLine { line, state, origin, position: site.position })
        });
        let lines = lines.collect();
        Self {
            now,
            life: Life::Running,
            facts: facts(ago(8 * DAY_MS)),
            position: PositionView {
                state: KeeperState::Anchored,
                since: Some(arrived),
                reason: String::new(),
                last_fix: Some(Fix {
                    at: ago(2000).0,
                    utc: Some(ago(2000).1),
                    position: site.position.moved(70.0, 2.0),
                    speed_mps: Some(0.0),
                    hdop: Some(0.8),
                    satellites: Some(14),
                    sigma_m: None,
                }),
                verified_since_start: true,
                receiver: ReceiverState::Fixing,
                receiver_since: Some(ago(8 * DAY_MS)),
                clock_offset: Some((5, ago(2000).0)),
                utc_trust: UtcTrust::Gps,
                sentences: 4_147_200,
                fixes_used: 691_180,
                fixes_refused: 20,
                places: Arc::new(PlaceTable { sites: [(SiteId(12), lines)].into(), ..PlaceTable::default() }),
                history: Arc::new(vec![earlier]),
                site: Some(site),
                ..PositionView::default()
            },
            intake: IntakeView { cameras, open: true, ..IntakeView::default() },
            forward: ForwardView {
                configured: true,
                last_receipt: Some(ago(4000)),
                last_try: Some(ago(4200)),
                delivered: 123_700,
                hit_latency_ms: vec![900, 1400, 1200, 3100, 1000, 1100],
                ..ForwardView::default()
            },
            link: LinkView::Up { interface: "usb0".to_owned() },
            link_report: LinkReport::default(),
            inputs: InputsView::default(),
            host: HostView {
                measured: Some(ago(3000)),
                load1: Some(0.62),
                cpus: Some(4),
                memory_bytes: Some(8_000_000_000),
                memory_free_bytes: Some(5_210_000_000),
                own_bytes: Some(31_000_000),
                temperature_c: Some(52.0),
                uptime_s: Some(9 * DAY_MS / 1000),
            },
            queue: Ok(QueueView {
                generation: "0190c0de-0000-7000-8000-000000000001".to_owned(),
                counts: LedgerCounts {
                    accepted: 1_284_907,
                    waiting: 2,
                    delivered: 1_284_905,
                    ..LedgerCounts::default()
                },
                oldest_waiting: Some(ago(3000).1),
                bytes_on_disk: 61_000_000,
                disk_free_bytes: 297_000_000_000,
                disk_bytes: 480_000_000_000,
                ..QueueView::default()
            }),
            lifecycle: LifecycleView::default(),
            ticks: TickBook::default(),
            duty: DutyBook::default(),
            test_alert: None,
        }
    }

    /// It has been towed: a new site for seven minutes, two place lines of the last one unconfirmed and one written.
    #[must_use]
    pub fn after_tow() -> Self {
        let mut scene = Self::standing();
        let (mono, utc) = scene.ago(420_000);
        if let Some(mut left) = scene.position.site.take() {
            left.left = Some(utc.plus_ms(-2_580_000));
            Arc::make_mut(&mut scene.position.history).push(left);
        }
        let here = site(13, 44.53270, -38.15630, 6.2, utc);
        if let Some(fix) = &mut scene.position.last_fix {
            fix.position = here.position.moved(200.0, 1.0);
        }
        let places = Arc::make_mut(&mut scene.position.places);
        if let Some(mut lines) = places.sites.get(&SiteId(12)).cloned() {
            for (camera, held) in &mut lines {
                if camera.as_str() == "camera-3" {
                    held.position = here.position;
                    held.line = PlaceLine {
                        road: "Tallow Row".to_owned(),
                        cross_street: "Osterholt Way".to_owned(),
                        at: utc.plus_ms(300_000),
                        ..held.line.clone()
                    };
                } else {
                    held.state = LineState::Unconfirmed;
                    held.origin = LineOrigin::Carried { from: SiteId(12) };
                }
            }
            places.sites.insert(SiteId(13), lines);
        }
        scene.position.trail = Arc::new(way_of_the_tow(&here));
        scene.position.site = Some(here);
        scene.position.since = Some((mono, utc));
        scene
    }

    /// Somebody is moving it, and nobody has said so beforehand.
    #[must_use]
    pub fn underway() -> Self {
        let mut scene = Self::standing();
        let began = scene.ago(260_000);
        if let Some(mut left) = scene.position.site.take() {
            left.left = Some(began.1);
            let mut trail = Trail::begin(left.id, left.position);
            for (azimuth_deg, away_m) in [(75.0, 500.0), (60.0, 1200.0), (48.0, 1700.0), (40.0, 2300.0)] {
                trail.push(left.position.moved(azimuth_deg, away_m), true);
            }
            scene.position.trail = Arc::new(trail);
            if let Some(fix) = &mut scene.position.last_fix {
                fix.position = left.position.moved(40.0, 2300.0);
                fix.speed_mps = Some(11.0);
            }
            Arc::make_mut(&mut scene.position.history).push(left);
        }
        scene.position.state = KeeperState::Underway;
        scene.position.since = Some(began);
        scene.position.reason = String::from("two witnesses agree: 63 m from the anchor, 8 m/s by Doppler");
        scene
    }

    /// The receiver has not answered for 25 minutes while the link is down, and a hit waits.
    #[must_use]
    pub fn cut_off() -> Self {
        let mut scene = Self::standing();
        let since = scene.ago(1_500_000);
        scene.link = LinkView::Down { interface: "usb0".to_owned(), why: "no carrier".to_owned() };
        scene.forward.last_receipt = Some(since);
        scene.forward.failing_since = Some(since);
        scene.forward.failures_in_a_row = 31;
        scene.forward.trouble = Some("the receiver can't be reached; look at the link".to_owned());
        if let Ok(queue) = &mut scene.queue {
            queue.counts.waiting = 412;
            queue.counts.accepted = queue.counts.delivered + 412;
            queue.waiting_urgent = 1;
            queue.oldest_waiting = Some(since.1);
        }
        scene
    }

    /// Just started on an empty trailer: nothing has reported.
    #[must_use]
    pub fn empty() -> Self {
        let standing = Self::standing();
        let started = (standing.now.mono, standing.now.utc);
        Self {
            now: standing.now,
            life: Life::Starting,
            facts: Facts { receiver_fitted: false, ..facts(started) },
            position: PositionView::default(),
            intake: IntakeView::default(),
            forward: ForwardView::default(),
            link: LinkView::NotFitted,
            link_report: LinkReport::default(),
            host: HostView::default(),
            inputs: InputsView::default(),
            queue: Err("the store has not answered yet".to_owned()),
            lifecycle: LifecycleView::default(),
            ticks: TickBook::default(),
            duty: DutyBook::default(),
            test_alert: None,
        }
    }

    /// What health looks at.
    #[must_use]
    pub fn observations(&self) -> Observations<'_> {
        Observations {
            now: self.now,
            life: self.life,
            facts: &self.facts,
            position: &self.position,
            intake: &self.intake,
            forward: &self.forward,
            link: &self.link,
            link_report: &self.link_report,
            host: &self.host,
            inputs: &self.inputs,
            queue: self.queue.as_ref().map_err(String::as_str),
            lifecycle: &self.lifecycle,
            ticks: &self.ticks,
            duty: &self.duty,
            test_alert: self.test_alert,
        }
    }

    /// The same scene `ms` later by the wall clock: every time of day in it is moved, nothing else.
    pub fn shift(&mut self, ms: i64) {
        let later = |utc: &mut Utc| *utc = utc.plus_ms(ms);
        let both = |at: &mut Option<(Mono, Utc)>| *at = at.map(|(mono, utc)| (mono, utc.plus_ms(ms)));
        later(&mut self.now.utc);
        later(&mut self.facts.started.utc);
        let position = &mut self.position;
        both(&mut position.since);
        both(&mut position.receiver_since);
        for site in position.site.iter_mut().chain(Arc::make_mut(&mut position.history)) {
            later(&mut site.arrived);
            site.left.iter_mut().for_each(later);
        }
        position.adrift.iter_mut().for_each(later);
        position.last_fix.iter_mut().filter_map(|fix| fix.utc.as_mut()).for_each(later);
        let places = Arc::make_mut(&mut position.places);
        places.sites.values_mut().flat_map(SiteLines::values_mut).for_each(|held| later(&mut held.line.at));
        self.intake.cameras.iter_mut().for_each(|camera| both(&mut camera.last_read));
        both(&mut self.forward.last_receipt);
        both(&mut self.forward.last_try);
        both(&mut self.forward.failing_since);
        if let Ok(queue) = &mut self.queue {
            queue.oldest_waiting.iter_mut().for_each(later);
        }
        self.ticks.ticks.values_mut().for_each(|ticked| later(&mut ticked.at));
        self.link_report.recent.iter_mut().for_each(|outage| later(&mut outage.began));
        let spans = self.duty.acks.iter_mut().map(|ack| &mut ack.span);
        for span in spans.chain(self.duty.off.iter_mut().map(|off| &mut off.span)) {
            later(&mut span.from);
            later(&mut span.until);
        }
        if let Some(alert) = &mut self.test_alert {
            later(&mut alert.sent);
            alert.answered.iter_mut().for_each(later);
        }
    }

    /// The instant `ms` before now on both clocks.
    #[must_use]
    pub fn ago(&self, ms: u64) -> (Mono, Utc) {
        (self.now.mono.minus_ms(ms), self.now.utc.plus_ms(-i64::try_from(ms).unwrap_or(0)))
    }

    /// Lets `ms` pass on both clocks while nothing else happens.
    pub fn pass(&mut self, ms: u64) {
        self.now.mono = self.now.mono.plus_ms(ms);
        self.now.utc = self.now.utc.plus_ms(i64::try_from(ms).unwrap_or(0));
    }
}

/// From site 12 along bends to `here`, as a tow goes.
fn way_of_the_tow(here: &Site) -> Trail {
    let bends = [
        (44.5148, -38.1975),
        (44.5151, -38.1905),
        (44.5192, -38.1880),
        (44.5221, -38.1795),
        (44.5262, -38.1740),
        (44.5290, -38.1748),
        (44.5305, -38.1660),
        (44.5298, -38.1602),
    ];
    let mut trail = LatLon::new(44.51020, -38.19870).map_or_else(Trail::default, |at| Trail::begin(SiteId(12), at));
    for at in bends.into_iter().filter_map(|(lat_deg, lon_deg)| LatLon::new(lat_deg, lon_deg)) {
        trail.push(at, true);
    }
    trail.end(here.id, here.position, true);
    trail
}

/// Three cameras that have read seconds ago.
fn cameras(ago: &dyn Fn(u64) -> (Mono, Utc)) -> Vec<CameraView> {
    (1..=3_u64)
        .filter_map(|n| {
            Some(CameraView {
                id: CameraId::new(&format!("camera-{n}")).ok()?,
                label: format!("Camera {n}"),
                reads: 41_200 + 17 * n,
                hits: 3 * n,
                last_read: Some(ago(4000 * n)),
            })
        })
        .collect()
}

fn facts(started: (Mono, Utc)) -> Facts {
    Facts {
        trailer: "heron-3".to_owned(),
        label: "Heron 3".to_owned(),
        zone: crate::health::zone::Zone::default(),
        version: "0.1.0".to_owned(),
        boot_id: "0190c0de-0000-4000-8000-000000000002".to_owned(),
        started: Moment { mono: started.0, utc: started.1, utc_trust: UtcTrust::Unset },
        valid_s: 120,
        gps_fitted: true,
        move_threshold_m: 50.0,
        receiver_fitted: true,
        receiver_proven: true,
        seal_none: true,
        waiting_keep_s: 30 * 86_400,
        disk_free_min_mib: 512,
        disk_warn_percent: 80,
    }
}

fn site(id: u64, lat_deg: f64, lon_deg: f64, radius95_m: f64, arrived: Utc) -> Site {
    let position = LatLon::new(lat_deg, lon_deg).unwrap_or_else(|| unreachable!("positions here are written by hand"));
    let found_by = "stood still for two minutes".to_owned();
    Site { id: SiteId(id), position, radius95_m, arrived, left: None, found_by }
}

fn site_left(id: u64, lat_deg: f64, lon_deg: f64, next_arrived: Utc) -> Site {
    let arrived = next_arrived.plus_ms(-14 * 86_400_000);
    Site { left: Some(next_arrived.plus_ms(-3_600_000)), ..site(id, lat_deg, lon_deg, 2.9, arrived) }
}
