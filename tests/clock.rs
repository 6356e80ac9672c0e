//! Time: the rows 13, 14 and 15 of our catalogue of faults, named after it. The clock is injected here, so that hours
//! and wrong centuries take no time.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::{Queue, Seal};
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust, civil_from_days};
use pintle_core::position::clock_steps::ClockSteps;
use pintle_core::position::fix::date::{DateReference, RELEASED};
use pintle_core::position::fix::{BytesToEpochs, Epoch};
use pintle_core::position::host_clock::{HostClock, LEAP_UNKNOWN_MS};
use pintle_core::position::keeper::{KeeperLimits, SiteKeeper};
use pintle_core::position::receiver_watch::ReceiverWatch;
use pintle_core::position::{KeeperState, PositionView, ReceiverState};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::read::stamp::{Stamp, StampBasis, stamp};
use pintle_core::wire::clock::ClockMemory;
use pintle_core::wire::notice::NoticeBody;
use std::collections::BTreeSet;

/// True UTC at the boot, 2026-11-25T12:00:00Z.
const BOOT: i64 = 1_795_608_000_000;
const DAY_MS: i64 = 86_400_000;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 60 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 2 * 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

/// The position actor's decisions on a clock of our own.
struct Trailer {
    /// Host UTC less true UTC, ms.
    host_off_ms: i64,
    line: BytesToEpochs,
    host: HostClock,
    keeper: SiteKeeper,
    watch: ReceiverWatch,
    epochs: Vec<Epoch>,
}

impl Trailer {
    fn start(host_off_ms: i64) -> Self {
        let now = Moment { mono: Mono(0), utc: Utc(BOOT + host_off_ms), utc_trust: UtcTrust::Unset };
        let mut watch = ReceiverWatch::new(ReceiverState::NotFitted, Mono(0));
        watch.on_open(Mono(0));
        let mut trailer = Self {
            host_off_ms,
            line: BytesToEpochs::new(DateReference::live(RELEASED, now.utc)),
            host: HostClock::default(),
            keeper: SiteKeeper::new(KeeperLimits::default(), None, &now),
            watch,
            epochs: Vec::new(),
        };
        trailer.host.observe(&now);
        trailer
    }

    fn now(&self, ms: u64) -> Moment {
        let utc = Utc(BOOT + i64::try_from(ms).unwrap() + self.host_off_ms);
        Moment { mono: Mono(ms), utc, utc_trust: self.host.trust(Mono(ms)) }
    }

    /// What the receiver says at `ms`, a third of a second late: its date off by `days`, with a fix or without.
    fn hear(&mut self, ms: u64, days: i64, fix: bool) {
        let now = self.now(ms);
        self.host.observe(&now);
        self.line.assembler_mut().judge_dates_by(DateReference::live(RELEASED, now.utc));
        let utc = BOOT + i64::try_from(ms).unwrap() - 330 + days * DAY_MS;
        let (year, month, day) = civil_from_days(utc.div_euclid(DAY_MS));
        let of_day = utc.rem_euclid(DAY_MS);
        let (h, m, s, cs) = (of_day / 3_600_000, of_day / 60_000 % 60, of_day / 1000 % 60, of_day % 1000 / 10);
        let status = if fix { 'A' } else { 'V' };
        let place = if fix { "4430.6000,N,03000.0000,W" } else { ",,," };
        let text = format!(
            "GPRMC,{h:02}{m:02}{s:02}.{cs:02},{status},{place},0.02,,{day:02}{month:02}{:02},,,{}",
            year % 100,
            if fix { 'A' } else { 'N' }
        );
        let sum = text.bytes().fold(0, |sum, c| sum ^ c);
        self.line.on_bytes(format!("${text}*{sum:02X}\r\n").as_bytes(), now.mono, &mut self.epochs);
        self.watch.on_bytes(1, now.mono);
        self.line.assembler_mut().end(&mut self.epochs);
        for epoch in self.epochs.drain(..) {
            self.watch.on_epoch(epoch.outcome.err(), now.mono);
            match &epoch.outcome {
                Ok(fix) => {
                    self.host.on_fix(fix, &now);
                    self.keeper.on_fix(fix, &now, &mut Vec::new());
                }
                Err(_) => self.host.on_no_fix(now.mono),
            }
        }
        self.keeper.on_tick(&now, &mut Vec::new());
    }

    fn view(&self, ms: u64) -> PositionView {
        let mut view = PositionView::default();
        self.keeper.fill(&mut view);
        view.clock_offset = self.host.offset();
        view.utc_trust = self.host.trust(Mono(ms));
        view.clock_error_ms = self.host.error_ms(Mono(ms));
        view.true_time = self.host.true_time();
        view.dates_mended = self.line.assembler().counts().dates_mended;
        view.eras = self.host.eras().clone();
        view
    }

    fn stamp(&self, captured_at: Utc, revision: u32, ms: u64) -> Stamp {
        let (view, now) = (self.view(ms), self.now(ms));
        stamp(&north(), captured_at, revision, &StampBasis { view: &view, now: &now })
    }
}

fn north() -> CameraId {
    CameraId::new("north").unwrap()
}

/// Milliseconds that the capture time of `stamp` is off, for a read that was captured at `true_ms` after the boot.
fn off_ms(stamp: &Stamp, captured_at: Utc, true_ms: u64) -> i64 {
    stamp.clock.corrected.unwrap_or(captured_at).since_ms(Utc(BOOT + i64::try_from(true_ms).unwrap()))
}

#[test]
fn row_13_boot_1970_then_gps() {
    // Row 13: start at 1970 and 1980, fix after 180 s; all early reads dated again within 2 s of the truth.
    for start in ["1970-01-01T00:00:05Z", "1980-01-06T00:00:00Z"] {
        for stepped_at_s in [None, Some(200)] {
            let began = Utc::parse_rfc3339(start).unwrap();
            let mut trailer = Trailer::start(began.0 - BOOT);
            let mut reads = Vec::new();
            let mut dated_at_s = None;
            for s in 1..=300_u64 {
                let ms = s * 1000;
                if stepped_at_s == Some(s) {
                    trailer.host_off_ms = 40;
                }
                // A cold receiver tells 1980 until it knows better.
                trailer.hear(ms, if s < 180 { -17_125 } else { 0 }, 180 <= s);
                let captured_at = trailer.now(ms).utc;
                let first = trailer.stamp(captured_at, 1, ms);
                if s < 180 {
                    assert_eq!((first.clock.trust, first.clock.corrected), (UtcTrust::Unset, None), "{start} {s} s");
                }
                reads.push((captured_at, ms));
                if trailer.host.true_time().is_some() {
                    dated_at_s.get_or_insert(s);
                }
            }
            assert!(dated_at_s.unwrap() <= 183, "three fixes are enough: {dated_at_s:?}");
            for (captured_at, true_ms) in &reads {
                let later = trailer.stamp(*captured_at, 2, 300_000);
                let off = off_ms(&later, *captured_at, *true_ms);
                assert!(off.abs() <= 2000, "{start}: {off} ms off at {true_ms}");
                let error = i64::try_from(later.clock.error_ms.unwrap()).unwrap();
                assert!(off.abs() <= error, "the error that is told covers it: {off} in {error}");
            }
            let wrong = reads.iter().filter(|(at, _)| trailer.stamp(*at, 2, 300_000).clock.corrected.is_some()).count();
            assert_eq!(wrong, if stepped_at_s.is_some() { 199 } else { 300 }, "{start}");
            // It started cold, so its whole seconds are proven by a quarter of an hour only, or by a clock that agrees.
            let trust = trailer.stamp(reads[9].0, 2, 300_000).clock.trust;
            assert_eq!(trust, if stepped_at_s.is_some() { UtcTrust::Gps } else { UtcTrust::Unset });
            for s in 301..=180 + LEAP_UNKNOWN_MS / 1000 {
                trailer.hear(s * 1000, 0, true);
            }
            let last = 180_000 + LEAP_UNKNOWN_MS;
            assert_eq!(trailer.host.true_time().unwrap().trust(Mono(last)), UtcTrust::Gps);
        }
    }
}

#[tokio::test]
async fn row_14_clock_step_matrix() {
    // Row 14: steps of 1 s to 1 day, both ways, every minute for 2 h: sequence strictly rising, none lost, none
    // doubled, no timer late by more than two periods.
    let dir = tempfile::tempdir().unwrap();
    let mut trailer = Trailer::start(0);
    let store = open(dir.path(), &LIMITS, trailer.now(0)).unwrap();
    let sizes = [1_000, 1_500, 10_000, 60_000, 3_600_000, DAY_MS];
    let (mut last, mut sent, mut got) = (1, BTreeSet::new(), BTreeSet::new());
    let mut wrong = 0;
    for s in 1..=7200_u64 {
        let ms = s * 1000;
        if s % 60 == 0 {
            let size = sizes[usize::try_from(s / 60).unwrap() % sizes.len()];
            trailer.host_off_ms += if s / 60 % 2 == 0 { size } else { -size };
        }
        trailer.hear(ms, 0, true);
        let now = trailer.now(ms);
        let first = trailer.stamp(now.utc, 1, ms);
        wrong += u32::from(first.clock.corrected.is_some() && 2000 < off_ms(&first, now.utc, ms).abs());
        let id = EventId(u128::from(s).to_be_bytes());
        sent.insert(id);
        let event = read(id, now.utc);
        let Accepted::New { sequence } = store.accept(vec![event.clone()], now).await.unwrap()[0] else {
            panic!("read {s} is new")
        };
        assert!(last < sequence, "{sequence} after {last}, second {s}");
        last = sequence;
        if s % 100 == 7 {
            let again = store.accept(vec![event], now).await.unwrap();
            assert!(matches!(again[0], Accepted::Repeat { sequence: same } if same == sequence), "{again:?}");
        }
        if s % 600 == 0 {
            store.retire(now).await.unwrap();
            deliver(&store, now, &mut got).await;
        }
        // The only timers of position: both run on the boot-time clock.
        assert_eq!(*trailer.watch.state(), ReceiverState::Fixing, "second {s}");
        if s == 300 {
            assert_eq!(trailer.keeper.state(), KeeperState::Anchored, "settle_s is 120");
        }
    }
    deliver(&store, trailer.now(7_200_000), &mut got).await;
    assert_eq!(wrong, 0, "a corrected time is right");
    assert_eq!(trailer.keeper.state(), KeeperState::Anchored);
    let reads: BTreeSet<EventId> = got.iter().filter(|(_, kind)| *kind == 0).map(|(id, _)| *id).collect();
    assert_eq!(reads, sent, "7,200 reads, each once");
    let counts = store.figures().await.unwrap().counts;
    assert_eq!((counts.not_accounted(), counts.expired, counts.waiting), (0, 0, 0), "{counts:?}");
    // The receiver falls silent: told within two looks of its five seconds, whatever the clock does meanwhile.
    for s in 7201..=7206_u64 {
        trailer.host_off_ms -= DAY_MS;
        let now = trailer.now(s * 1000);
        trailer.host.observe(&now);
        trailer.watch.on_tick(now.mono);
    }
    assert_eq!(*trailer.watch.state(), ReceiverState::Silent);
}

#[test]
fn steps_of_the_clock_are_told_with_size_and_direction_and_no_more_than_once_a_minute() {
    let mut trailer = Trailer::start(0);
    let mut steps = ClockSteps::default();
    let mut told = Vec::new();
    for s in 1..=600_u64 {
        trailer.host_off_ms += match s {
            100 => -DAY_MS,
            300..=359 => 5000,
            _ => 0,
        };
        let now = trailer.now(s * 1000);
        let step_ms = trailer.host.observe(&now);
        trailer.hear(s * 1000, 0, true);
        let step = steps.look(step_ms, &now);
        told.extend(step.map(|step| NoticeBody::of_clock_step(&step, trailer.host.offset_ms(&now), &now).text));
    }
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(told[0].starts_with("The computer's clock was set back by 24 h (86400.0 s) and shows 2026-11-24T12:01:40"));
    assert!(told[0].contains("It is 86399.6 s from true time now."), "{}", told[0]);
    assert!(told[1].starts_with("The computer's clock was set forward by 5.0 s"), "{}", told[1]);
    assert!(told[2].starts_with("The computer's clock was set forward by 59 steps in a minute by 4 min (295.0 s)"));
}

#[test]
fn early_reads_are_dated_also_after_a_restart_of_the_agent_in_the_same_boot() {
    // The clock stands at 2000 until it is set; the agent is restarted before and after that.
    let wrong_ms = Utc::EPOCH.0 - BOOT;
    let mut first = Trailer::start(wrong_ms);
    let mut reads = Vec::new();
    for s in 1..=60_u64 {
        first.hear(s * 1000, 0, false);
        reads.push((first.now(s * 1000).utc, s * 1000));
    }
    first.host_off_ms = 700;
    first.hear(61_000, 0, false);
    reads.push((first.now(61_000).utc, 61_000));
    let kept = |trailer: &Trailer, looked_ms: u64| ClockMemory {
        boot_id: "b".to_owned(),
        looked_ms,
        eras: trailer.host.eras().all().map(|era| (era.from.0, era.offset_ms)).collect(),
        ..ClockMemory::default()
    };
    let memory = ClockMemory::from_bytes(&kept(&first, 61_000).to_bytes()).unwrap();
    let mut second = Trailer::start(700);
    second.host = HostClock::resume(memory.eras());
    for s in 90..=100_u64 {
        second.hear(s * 1000, 0, true);
    }
    for (captured_at, true_ms) in reads {
        let later = second.stamp(captured_at, 2, 100_000);
        assert!(off_ms(&later, captured_at, true_ms).abs() <= 2000, "{true_ms}: {later:?}");
        assert_ne!(later.clock.trust, UtcTrust::Unset);
    }
    // Without the memory the wrong date leads nowhere.
    let mut other = Trailer::start(700);
    for s in 90..=100_u64 {
        other.hear(s * 1000, 0, true);
    }
    assert_eq!(other.stamp(Utc(BOOT + wrong_ms + 5000), 2, 100_000).clock.corrected, None);
}

async fn deliver(store: &StoreHandle, now: Moment, got: &mut BTreeSet<(EventId, u8)>) {
    for lane in [Lane::Urgent, Lane::Bulk] {
        loop {
            let leased = store.lease(lane, 200, 1 << 20, now).await.unwrap();
            if leased.is_empty() {
                break;
            }
            for event in &leased {
                assert!(got.insert((event.id, event.kind.code())), "leased twice");
            }
            let outcomes = leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect();
            store.settle(outcomes, now).await.unwrap();
        }
    }
}

fn read(id: EventId, captured_at: Utc) -> NewEvent {
    NewEvent {
        id,
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: Some(north()),
        happened_at: captured_at,
        body: format!("{{\"n\":\"{}\"}}", id.0[15]).into_bytes(),
        stamp: Some(b"{\"stamp_revision\":1}".to_vec()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

#[test]
fn row_15_gps_week_rollover() {
    // Row 15: dates 1,024 and 2,048 weeks too early, with the host's clock at 1970 and right: all reads right to the
    // day, and the mending is told.
    for weeks in [1024_i64, 2048] {
        for host_off_ms in [-BOOT, 0] {
            let mut trailer = Trailer::start(host_off_ms);
            let mut right = 0;
            for s in 1..=120_u64 {
                trailer.hear(s * 1000, -7 * weeks, true);
                let captured_at = trailer.now(s * 1000).utc;
                let stamp = trailer.stamp(captured_at, 1, s * 1000);
                right += u32::from(off_ms(&stamp, captured_at, s * 1000).abs() <= 2000);
            }
            // The host's wrong clock is corrected from the third fix on; the two reads before it by their later stamp.
            assert_eq!(right, if host_off_ms == 0 { 120 } else { 118 }, "{weeks} weeks, host {host_off_ms} ms");
            for s in 1..=120_u64 {
                let captured_at = Utc(BOOT + i64::try_from(s * 1000).unwrap() + host_off_ms);
                let later = trailer.stamp(captured_at, 2, 120_000);
                assert!(off_ms(&later, captured_at, s * 1000).abs() <= 2000, "{weeks} weeks, second {s}");
            }
            assert_eq!(trailer.view(120_000).dates_mended, 120);
        }
    }
}
