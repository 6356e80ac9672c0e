//! Trailer and receiver, both on real disks, with a bad link in between: whatever is lost, repeated, delayed or let go,
//! their blocks end equal, or the difference has a name.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::config::{Queue, Seal};
use pintle::proof;
use pintle::receive::account::{Account, GenerationAccount};
use pintle::receive::check::check_body;
use pintle::receive::store::{Batch, ReceiverStore, Stored};
use pintle::store::{Accepted, LaterStamp, Leased, NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::wire::event::{EventParts, batch, encode};
use pintle_core::wire::receipt::{ReceiptResult, Resend};
use proptest::prelude::*;
use std::path::Path;
use tempfile::TempDir;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30_000,
    hit_waiting_keep_s: 60_000,
    delivered_keep_s: 1000,
    hit_delivered_keep_s: 2000,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const T0: i64 = 1_800_000_000_000;

fn moment(now_s: u64) -> Moment {
    Moment { mono: Mono(now_s * 1000), utc: Utc(T0 + now_s.cast_signed() * 1000), utc_trust: UtcTrust::Gps }
}

fn stamp(revision: u32) -> Vec<u8> {
    format!(
        r#"{{"stamp_revision":{revision},"place":{{"lat":44.5,"lon":-30.0,"radius95_m":4.0,"site":{revision},
        "spot":"site","state":"certain","line":"Quernstone Road","line_state":"confirmed"}},"clock":{{"trust":"gps"}}}}"#
    )
    .into_bytes()
}

fn read(number: u32, now: Moment) -> NewEvent {
    let hit = number.is_multiple_of(50);
    let body = format!(
        r#"{{"camera":"north","captured_at":"2027-01-15T08:00:00Z","plate":"QX {number}","plate_state":"read"{}}}"#,
        if hit { r#","hit":{"list":"demo","entry":"E"}"# } else { "" }
    );
    NewEvent {
        id: EventId(u128::from(number + 1).to_be_bytes()),
        kind: EventKind::Read,
        lane: if hit { Lane::Urgent } else { Lane::Bulk },
        camera: CameraId::new("north").ok(),
        happened_at: now.utc,
        body: body.into_bytes(),
        stamp: Some(stamp(1)),
        hit,
        stamp_open: true,
        images: Vec::new(),
    }
}

/// What becomes of one request.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate {
    Through,
    /// It does not arrive.
    Lost,
    /// It arrives; the answer does not.
    AnswerLost,
    /// It does not arrive now, but later, after others.
    Late,
}

#[derive(Clone, Debug)]
enum Step {
    Accept(u32),
    Send(bool, usize, Fate),
    /// A later stamp for every so many-th read.
    Restamp(u32),
    /// The receiver loses every so many-th event that it has.
    Lose(i64, i64),
    /// Time goes on by so many seconds and what is due goes.
    Retire(u64),
    Restart,
    RestartReceiver,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let fate = prop_oneof![5 => Just(Fate::Through), 1 => Just(Fate::Lost), 1 => Just(Fate::AnswerLost),
        1 => Just(Fate::Late)];
    let step = prop_oneof![
        5 => (50_u32..400).prop_map(Step::Accept),
        12 => (prop::bool::weighted(0.2), 20_usize..400, fate).prop_map(|(u, n, f)| Step::Send(u, n, f)),
        1 => (7_u32..90).prop_map(Step::Restamp),
        1 => (3_i64..60, 0_i64..60).prop_map(|(n, at)| Step::Lose(n, at)),
        2 => (1_u64..700).prop_map(Step::Retire),
        1 => Just(Step::Restart),
        1 => Just(Step::RestartReceiver),
    ];
    prop::collection::vec(step, 15..60)
}

struct World {
    trailer: TempDir,
    agency: TempDir,
    store: StoreHandle,
    receiver: Option<(ReceiverStore, std::thread::JoinHandle<()>)>,
    now_s: u64,
    reads: u32,
    /// Requests that are still on their way.
    late: Vec<(Vec<u8>, String, u64)>,
    lost_some: bool,
    went: bool,
}

impl World {
    fn new() -> Self {
        let (trailer, agency) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let store = open(trailer.path(), &LIMITS, moment(1000)).unwrap();
        let receiver = Some(pintle::receive::store::start(agency.path(), None).unwrap());
        Self {
            trailer,
            agency,
            store,
            receiver,
            now_s: 1000,
            reads: 0,
            late: Vec::new(),
            lost_some: false,
            went: false,
        }
    }

    fn now(&self) -> Moment {
        moment(self.now_s)
    }

    fn agency(&self) -> &ReceiverStore {
        &self.receiver.as_ref().unwrap().0
    }

    async fn accept(&mut self, reads: u32) {
        let events = (self.reads..self.reads + reads).map(|n| read(n, self.now())).collect();
        self.reads += reads;
        let answers = self.store.accept(events, self.now()).await.unwrap();
        assert!(answers.iter().all(|answer| matches!(answer, Accepted::New { .. })));
    }

    async fn arrives(&self, body: &[u8], generation: &str, accepted_up_to: u64) -> Stored {
        let events = check_body(SOURCE, body).unwrap();
        let generation = generation.to_owned();
        let received_at = self.now().utc;
        let batch =
            Batch { source: SOURCE.to_owned(), generation, accepted_up_to, relayed: false, received_at, events };
        self.agency().store(batch).await.unwrap()
    }

    /// Leases and sends one request; answers how many events went.
    async fn send(&mut self, lane: Lane, most: usize, fate: Fate) -> usize {
        let leased = self.store.lease(lane, most, usize::MAX, self.now()).await.unwrap();
        if leased.is_empty() {
            return 0;
        }
        let figures = self.store.figures().await.unwrap();
        let written: Vec<Vec<u8>> = leased.iter().map(|event| written(event, &figures.generation)).collect();
        let body = batch(&written);
        let up_to = figures.counts.accepted;
        let stored = match fate {
            Fate::Through => Some(self.arrives(&body, &figures.generation, up_to).await),
            Fate::AnswerLost => {
                self.arrives(&body, &figures.generation, up_to).await;
                None
            }
            Fate::Lost => None,
            Fate::Late => {
                self.late.push((body, figures.generation, up_to));
                None
            }
        };
        let outcomes = leased.iter().zip(&written).map(|(event, json)| {
            let Some(stored) = &stored else { return (event.sequence, Settled::Released) };
            let receipt = stored.receipts.iter().find(|receipt| receipt.id == event.id.to_string()).unwrap();
            assert!(matches!(receipt.result, ReceiptResult::Stored | ReceiptResult::Duplicate), "{receipt:?}");
            (event.sequence, Settled::Proven(proof::leaf(&event.salt, json)))
        });
        self.store.settle(outcomes.collect(), self.now()).await.unwrap();
        self.resend(stored.map(|stored| stored.resend).unwrap_or_default()).await;
        leased.len()
    }

    async fn resend(&self, asked: Vec<Resend>) {
        if !asked.is_empty() {
            self.store.resend(asked, self.now()).await.unwrap();
        }
    }

    async fn retire(&mut self, seconds: u64) {
        self.now_s += seconds;
        while 0 < self.store.retire(self.now()).await.unwrap() {
            self.went = true;
        }
    }

    async fn step(&mut self, step: Step) {
        match step {
            Step::Accept(reads) => self.accept(reads).await,
            Step::Send(urgent, most, fate) => {
                self.send(if urgent { Lane::Urgent } else { Lane::Bulk }, most, fate).await;
            }
            Step::Restamp(every) => {
                let open = self.store.open_stamps(Utc(T0), Utc(T0 + (1 << 50))).await.unwrap();
                let later = open.iter().step_by(usize::try_from(every).unwrap()).map(|read| {
                    let revision = if read.stamp == stamp(1) { 2 } else { 3 };
                    let (sequence, event_id) = (read.sequence, StoreHandle::new_event_id());
                    LaterStamp { sequence, event_id, revision, stamp: stamp(revision), open: true }
                });
                self.store.restamp(later.collect(), self.now()).await.unwrap();
            }
            Step::Lose(every, at) => {
                let sql = "DELETE FROM event WHERE no % ?1 = ?2 % ?1";
                let lost = self.agency().work(move |work| work.execute(sql, [every, at])).await.unwrap();
                self.lost_some |= 0 < lost;
            }
            Step::Retire(seconds) => self.retire(seconds).await,
            Step::Restart => {
                self.store.close().await.unwrap();
                self.store = open(self.trailer.path(), &LIMITS, self.now()).unwrap();
            }
            Step::RestartReceiver => {
                let (store, thread) = self.receiver.take().unwrap();
                drop(store);
                thread.join().unwrap();
                self.receiver = Some(pintle::receive::store::start(self.agency.path(), None).unwrap());
            }
        }
    }

    /// The link holds, and everything goes until nothing more has to.
    async fn calm(&mut self) {
        for (body, generation, up_to) in std::mem::take(&mut self.late) {
            self.arrives(&body, &generation, up_to).await;
        }
        let mut quiet = 0;
        for _ in 0..60 {
            let mut sent = 0;
            for lane in [Lane::Urgent, Lane::Bulk] {
                while let more @ 1.. = self.send(lane, 1000, Fate::Through).await {
                    sent += more;
                }
            }
            quiet = if sent == 0 { quiet + 1 } else { 0 };
            if quiet == 2 {
                return;
            }
            if sent == 0 {
                // Open blocks are told now and then: due after a quarter of the time that delivered events are kept.
                self.retire(251).await;
            }
        }
        panic!("they never come to rest");
    }

    fn account(&self) -> GenerationAccount {
        let mut account = Account::read(self.agency.path(), Utc(T0)).unwrap();
        assert_eq!(account.generations.len(), 1);
        account.generations.remove(0)
    }
}

fn written(event: &Leased, generation: &str) -> Vec<u8> {
    encode(&EventParts {
        source: SOURCE,
        generation,
        sequence: event.sequence,
        id: event.id,
        kind: event.kind,
        happened_at: event.happened_at,
        sent_at: event.sent_at,
        salt: Some(&event.salt),
        body: &event.body,
        stamp: event.stamp.as_deref(),
        hit: event.hit,
        sealed: false,
        images: event.images.as_deref(),
    })
    .unwrap()
}

/// What stands in the receiver's table of blocks.
fn verdicts(agency: &Path) -> Vec<(u64, u64, String)> {
    let conn = pintle::receive::schema::open_reader(agency).unwrap();
    let mut rows = conn.prepare("SELECT first, last, verdict FROM block ORDER BY first").unwrap();
    let rows = rows.query_map([], |row| {
        Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, i64>(1)?.cast_unsigned(), row.get(2)?))
    });
    rows.unwrap().map(Result::unwrap).collect()
}

async fn run(steps: Vec<Step>) {
    let mut world = World::new();
    for step in steps {
        world.step(step).await;
    }
    world.calm().await;
    let account = world.account();
    let counts = world.store.figures().await.unwrap().counts;
    assert_eq!((counts.not_accounted(), counts.waiting), (0, 0), "{counts:?}");
    assert_eq!(account.up_to, counts.accepted);
    assert_eq!((account.conflicts, account.doubled.count, account.refused), (0, 0, 0), "same bytes each time");
    assert_eq!(account.blocks.asked, 0, "no question stays open");
    let verdicts = verdicts(world.agency.path());
    if world.lost_some {
        // What the receiver lost is back, or it is named: as let go on the trailer meanwhile, or as missing in a block
        // that was proven before it was lost, or in one that it lost something of again and again.
        for run in &account.missing.runs {
            for number in run.from..=run.to {
                let named = verdicts
                    .iter()
                    .any(|(first, last, verdict)| (*first..=*last).contains(&number) && verdict != "asked");
                assert!(named, "{number} is missing and nobody asked for it: {verdicts:?}");
            }
        }
        assert!(verdicts.iter().all(|(_, _, verdict)| verdict == "equal") || account.is_raised(), "{verdicts:?}");
    } else {
        assert_eq!(account.missing.count, 0);
        assert!(verdicts.iter().all(|(_, _, verdict)| verdict == "equal"), "{verdicts:?}");
    }
    // Every event is in a block that was compared, but for the last digests themselves.
    let compared: u64 = verdicts.iter().map(|(first, last, _)| last - first + 1).sum();
    assert!(counts.accepted <= compared + 3, "{compared} of {} compared", counts.accepted);
    world.store.close().await.unwrap();
}

/// A share of what `PINTLE_BLOCK_CASES` asks for on a desk.
fn cases() -> u32 {
    std::env::var("PINTLE_BLOCK_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(4)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, max_shrink_iters: 60,
        ..ProptestConfig::default() })]
    #[test]
    fn whatever_happens_on_the_way_blocks_end_equal_or_the_difference_has_a_name(steps in steps()) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(run(steps));
    }
}

#[tokio::test]
async fn fault_51_what_the_receiver_lost_after_its_receipt_is_found_by_the_root_and_sent_again() {
    let mut world = World::new();
    world.accept(2500).await;
    // Everything goes but the last event of the first block.
    while 0 < world.send(Lane::Urgent, 1000, Fate::Through).await {}
    world.send(Lane::Bulk, 970, Fate::Through).await;
    world.step(Step::Lose(50, 3)).await;
    assert!(world.lost_some);
    world.calm().await;
    let account = world.account();
    assert_eq!((account.missing.count, account.blocks.asked, account.blocks.differ.count), (0, 0, 0));
    assert!(account.blocks.equal >= 3, "{:?}", account.blocks);
    assert!(account.duplicates < 100, "only what was missing went again: {}", account.duplicates);
    assert!(!account.is_raised());
}

#[tokio::test]
async fn what_went_at_its_limit_before_it_was_asked_for_is_told_and_raised() {
    let mut world = World::new();
    world.accept(600).await;
    while 0 < world.send(Lane::Urgent, 1000, Fate::Through).await {}
    world.send(Lane::Bulk, 400, Fate::Through).await;
    // Before anything was compared the trailer lets go what was delivered, and then the receiver loses some of it.
    world.retire(2600).await;
    world.step(Step::Lose(10, 1)).await;
    world.calm().await;
    let account = world.account();
    let purged = account.explained_by.iter().find(|explained| explained.word == "purged").unwrap();
    assert!(0 < purged.numbers.count && account.is_raised());
    assert_eq!(account.missing.count, 0, "named, not missing");
}

#[tokio::test]
async fn other_bytes_under_the_same_number_are_found_and_stay_named() {
    let mut world = World::new();
    world.accept(100).await;
    while 0 < world.send(Lane::Urgent, 1000, Fate::Through).await {}
    while 0 < world.send(Lane::Bulk, 1000, Fate::Through).await {}
    let sql = "UPDATE event SET leaf = zeroblob(32) WHERE sequence = 17";
    world.agency().work(move |work| work.execute(sql, [])).await.unwrap();
    world.calm().await;
    let account = world.account();
    assert!(account.is_raised(), "{:?}", account.blocks);
    assert_eq!(account.blocks.differ.runs[0].from, 1);
    assert_eq!(verdicts(world.agency.path())[0].2, "differs");
}
