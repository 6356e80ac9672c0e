//! What became of pictures that never went: counted on the trailer, told to the receiver, and its account closes.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/door.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod door;
#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use door::Door;
use pictures::png;
use pintle::store::{ImageFate, Settled};
use pintle_core::images::send::order;
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane, Never};
use pintle_core::wire::ledger::{LedgerBody, LedgerWhat, SequenceRange};
use receiver::{Batch, Event, GENERATION, Receiver};
use serde_json::{Value, json};

async fn reads_with_pictures(door: &Door, numbers: std::ops::RangeInclusive<u32>) {
    for number in numbers {
        let data = BASE64_STANDARD.encode(png(60, 20, number));
        let read = json!({
            "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": format!("QTZ {number}"),
            "plate_state": "read", "images": [{"role": "plate", "data": data}],
        });
        assert_eq!(door.post_read(&read.to_string()).await.status, 202);
    }
}

/// The receiver has taken these reads.
async fn deliver(door: &Door, reads: &[u64], now: Moment) {
    door.store.settle(reads.iter().map(|read| (*read, Settled::Delivered)).collect(), now).await.unwrap();
}

/// Takes what the ledger tells of pictures out of the queue, as delivered: word and reads.
async fn told(door: &Door, now: Moment) -> Vec<(LedgerWhat, Vec<SequenceRange>)> {
    let mut found = Vec::new();
    for lane in [Lane::Urgent, Lane::Bulk] {
        let leased = door.store.lease(lane, 100_000, usize::MAX >> 1, now).await.unwrap();
        let (ledger, rest): (Vec<_>, Vec<_>) = leased.into_iter().partition(|event| event.kind == EventKind::Ledger);
        for event in &ledger {
            let body: LedgerBody = serde_json::from_slice(&event.body).unwrap();
            if format!("{:?}", body.what).starts_with("Pictures") {
                assert_eq!(body.count, body.ranges.iter().map(|run| run.to - run.from + 1).sum::<u64>());
                found.push((body.what, body.ranges));
            }
        }
        let done = ledger.iter().map(|event| (event.sequence, Settled::Delivered));
        door.store
            .settle(done.chain(rest.iter().map(|it| (it.sequence, Settled::Released))).collect(), now)
            .await
            .unwrap();
    }
    found
}

/// Each file is in one account, and the rows say the same as the sums.
async fn closes(door: &Door) -> pintle_core::queue::PictureCounts {
    let counts = door.store.image_counts().await.unwrap();
    assert_eq!(counts.account.waiting(), counts.waiting, "{counts:?}");
    let figures = door.store.figures().await.unwrap();
    assert_eq!((figures.pictures, figures.counts.not_accounted()), (counts.account, 0));
    counts.account
}

fn run(from: u64, to: u64) -> Vec<SequenceRange> {
    vec![SequenceRange { from, to }]
}

#[tokio::test]
async fn a_picture_that_reached_its_age_limit_before_its_turn_is_told_and_counted_and_its_read_stays_delivered() {
    let door = Door::open_with(|_, queue| queue.delivered_keep_s = 180).await;
    let mut now = pintle::clock::moment(UtcTrust::Gps);
    reads_with_pictures(&door, 1..=3).await;
    let reads: Vec<u64> = door.waiting(Lane::Bulk).await.iter().map(|read| read.sequence).collect();
    let each = closes(&door).await.kept / 3;
    deliver(&door, &reads[..2], now).await;
    let due = door.store.due_image(order(false).to_vec(), Vec::new()).await.unwrap().unwrap();
    assert_eq!(due.sequence, reads[0]);
    door.store.image_fate(due.address, ImageFate::Sent, now).await.unwrap();
    assert!(told(&door, now).await.is_empty(), "nothing went yet");
    (now.mono, now.utc) = (now.mono.plus_ms(600_000), now.utc.plus_ms(600_000));
    assert_eq!(door.store.retire(now).await.unwrap(), 2);
    let account = closes(&door).await;
    assert_eq!((account.sent, account.expired, account.waiting()), (1, 2 * each - 1, each));
    let first = if each == 1 { reads[1] } else { reads[0] };
    assert_eq!(told(&door, now).await, [(LedgerWhat::PicturesExpired, run(first, reads[1]))]);
    let counts = door.store.figures().await.unwrap().counts;
    assert_eq!((counts.expired, counts.not_accounted()), (0, 0), "no read went without its receipt");
}

#[tokio::test]
async fn pictures_of_a_read_that_expired_waiting_are_counted_and_told_with_their_read_alone() {
    let door = Door::open_with(|_, queue| queue.waiting_keep_s = 180).await;
    let mut now = pintle::clock::moment(UtcTrust::Gps);
    reads_with_pictures(&door, 1..=2).await;
    (now.mono, now.utc) = (now.mono.plus_ms(600_000), now.utc.plus_ms(600_000));
    assert_eq!(door.store.retire(now).await.unwrap(), 2);
    let account = closes(&door).await;
    assert_eq!((account.expired, account.waiting()), (account.kept, 0));
    assert!(told(&door, now).await.is_empty(), "the receiver never heard of them");
    assert_eq!(door.store.figures().await.unwrap().counts.expired, 2);
}

#[tokio::test]
async fn pictures_that_went_for_space_or_were_refused_or_are_gone_or_are_not_carried_are_told_under_their_own_words() {
    let door = Door::open().await;
    let now = pintle::clock::moment(UtcTrust::Gps);
    reads_with_pictures(&door, 1..=4).await;
    let reads: Vec<u64> = door.waiting(Lane::Bulk).await.iter().map(|read| read.sequence).collect();
    let each = closes(&door).await.kept / 4;
    for (read, why, what) in
        [(reads[0], Never::Refused, LedgerWhat::PicturesRefused), (reads[1], Never::Lost, LedgerWhat::PicturesLost)]
    {
        deliver(&door, &[read], now).await;
        while let Some(due) = door.store.due_image(order(false).to_vec(), Vec::new()).await.unwrap() {
            assert_eq!(due.sequence, read);
            assert!(0 < door.store.image_fate(due.address, ImageFate::Never(why), now).await.unwrap());
        }
        let told = told(&door, now).await;
        assert!(!told.is_empty() && told.iter().all(|one| *one == (what, run(read, read))), "{told:?}");
    }
    deliver(&door, &[reads[2]], now).await;
    assert_eq!(door.store.images_not_carried(now).await.unwrap(), each);
    assert_eq!(door.store.images_not_carried(now).await.unwrap(), 0, "once");
    assert_eq!(told(&door, now).await, [(LedgerWhat::PicturesNotCarried, run(reads[2], reads[2]))]);
    // The fourth read still waits; its event will announce pictures that are gone.
    assert!(0 < door.store.free_images(u64::MAX, true, now).await.unwrap());
    assert_eq!(told(&door, now).await, [(LedgerWhat::PicturesEvicted, run(reads[3], reads[3]))]);
    let account = closes(&door).await;
    assert_eq!((account.refused, account.lost, account.not_carried, account.evicted), (each, each, each, each));
    assert_eq!(account.waiting(), 0);
    // What went later for space was told before, and is counted once.
    let counts = door.store.figures().await.unwrap();
    assert_eq!(counts.pictures.never(), account.kept);
}

#[tokio::test]
async fn the_account_of_pictures_survives_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let state = folder.path().join("state");
    let door = Door::open_in(folder, &state, |_, _| {}).await;
    reads_with_pictures(&door, 1..=2).await;
    let now = pintle::clock::moment(UtcTrust::Gps);
    let read = door.waiting(Lane::Bulk).await[0].sequence;
    deliver(&door, &[read], now).await;
    assert!(0 < door.store.images_not_carried(now).await.unwrap());
    let before = closes(&door).await;
    door.stop.cancel();
    door.task.await.unwrap().unwrap();
    door.store.close().await.unwrap();
    let door = Door::open_in(door.folder, &state, |_, _| {}).await;
    assert_eq!(closes(&door).await, before);
}

#[test]
fn the_receiver_closes_its_account_of_pictures_by_what_the_ledger_says_and_what_comes_later_counts_as_here() {
    let receiver = Receiver::start(&[]);
    let announced = |number: u64| {
        let mut event = Event::read(number);
        let list = json!([{"role": "plate", "kind": "picture", "sha256": format!("{number:064x}"), "bytes": 9,
            "media_type": "image/jpeg"}]);
        event.announced = Some(list.to_string());
        event
    };
    let images = || receiver.get("/v1/completeness").json()["generations"][0]["images"].clone();
    let post = |events: &[Event]| {
        let answer = receiver.post(&Batch::of(events)).json();
        assert!(answer["receipts"].as_array().unwrap().iter().all(|one| one["result"] == "stored"), "{answer}");
    };
    post(&[announced(1), announced(2), announced(3), announced(4)]);
    assert_eq!(images(), json!({"announced": 4, "received": 0, "never": 0, "missing": 4}));
    let entry = |sequence, what: &str, from: u64, to: u64| {
        Event::ledger(sequence, GENERATION, what, &json!({"ranges": [{"from": from, "to": to}]}))
    };
    post(&[entry(5, "pictures_not_carried", 1, 2), entry(6, "pictures_evicted", 4, 4)]);
    let by = json!({"evicted": 1, "not carried": 2});
    assert_eq!(images(), json!({"announced": 4, "received": 0, "never": 3, "never_by": by, "missing": 1}));
    let report = receiver.report(&[]);
    assert!(report.out.contains("pictures not carried"), "{}", report.out);
    let account: Value = receiver.get("/v1/completeness").json();
    assert_eq!(account["generations"][0]["explained"]["count"], 0, "no read is explained by it");
    // An entry about reads that are yet to come is refused, as one about events is.
    let answer: Value = receiver.post(&Batch::of(&[entry(7, "pictures_expired", 1, 900)])).json();
    assert_eq!(answer["receipts"][0]["result"], "refused");
}
