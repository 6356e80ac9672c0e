//! Pictures through the object store of a real NATS `JetStream`: taken over whole and of the right digest, once, over a
//! server and an agent that are killed in the middle.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/nats.rs"]
mod nats;
#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use async_nats::jetstream::{self, Context};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use nats::{Cluster, PASSWORDS, RIGHTS, rig};
use pictures::{jpeg, png};
use pintle::config::{Broker, Proof, StreamMaker};
use pintle::io::http::images::{ImageAnswer, ImagePart};
use pintle::io::nats::pictures::{PROBLEM, PROBLEM_DIGEST, Pictures, RECEIPT, describe, parts_subject};
use pintle::io::tls::TlsTime;
use pintle::store::blobs::address_of;
use pintle_core::images::Address;
use pintle_core::images::send::PART_BYTES;
use pintle_core::wire::images::PictureResult;
use receiver::Receiver;
use serde_json::json;
use std::time::{Duration, Instant};
use trailer::Trailer;

const BUCKET: &str = "pintle_pictures_heron-3";
const HERE: &str = "SELECT count(*) FROM images WHERE received_at IS NOT NULL";

fn hand_in(trailer: &Trailer, number: u32, images: &[(&str, &[u8])]) {
    let images: Vec<_> =
        images.iter().map(|(role, bytes)| json!({"role": role, "data": BASE64_STANDARD.encode(bytes)})).collect();
    let read = json!({
        "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": format!("QTZ {number}"),
        "plate_state": "read", "images": images,
    });
    let (status, answer) = trailer.post("application/json", &read.to_string());
    assert_eq!(status, 202, "{answer}");
}

fn wait(what: &str, trailer: &Trailer, mut done: impl FnMut() -> bool) {
    let began = Instant::now();
    while !done() {
        assert!(began.elapsed() < drain::PATIENCE, "{what} never came:\n{}", trailer.log());
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Every file that the receiver calls received is there, under its digest.
fn whole(receiver: &Receiver) -> i64 {
    let database = receiver.database();
    let mut rows = database.prepare("SELECT DISTINCT sha256 FROM images WHERE received_at IS NOT NULL").unwrap();
    let names: Vec<String> = rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    for name in &names {
        let bytes = std::fs::read(receiver.folder().join("images").join(name)).unwrap();
        assert_eq!(address_of(&bytes).to_string(), *name);
    }
    i64::try_from(names.len()).unwrap()
}

fn configured(cluster: &Cluster) -> String {
    let url = cluster.url();
    format!(
        "[receiver]\nurl = \"{url}\"\nretry_ms_max = 1000\nanswer_wait_ms = 3000\nreceipt_wait_s = 5\n[images]\nbudget_mb_day = 100\n"
    )
}

#[test]
fn pictures_are_taken_over_whole_although_the_server_and_the_agent_are_killed_in_the_middle() {
    if !rig() {
        return;
    }
    // With the documented rights and no others.
    let mut cluster = Cluster::start(1, RIGHTS);
    let folder = tempfile::tempdir().unwrap();
    let token = |(name, password): (&str, &str)| {
        std::fs::write(folder.path().join(name), password).unwrap();
        folder.path().join(name).display().to_string()
    };
    let [of_trailer, of_receiver] = PASSWORDS.map(token);
    let args = ["--nats", &cluster.url(), "--nats-make-stream", "1", "--broker-token", &of_receiver];
    let receiver = Receiver::start(&args);
    let token_file = format!("[receiver]\ntoken_file = \"{of_trailer}\"\n");
    let mut trailer = Trailer::new(&configured(&cluster).replace("[receiver]\n", &token_file));
    trailer.start();
    // Larger than several parts, so that a break falls in the middle of some.
    for number in 0..6 {
        hand_in(&trailer, number, &[("overview", &png(400, 400, number)), ("plate", &jpeg(200, 60, number))]);
    }
    wait("the first picture", &trailer, || 0 < receiver.count(HERE));
    cluster.kill(0);
    hand_in(&trailer, 9, &[("overview", &png(300, 300, 9))]);
    cluster.start_node(0);
    trailer.kill();
    trailer.start();
    let (reads, all) = ("SELECT count(*) FROM reads", "SELECT count(*) FROM images");
    wait("all pictures", &trailer, || receiver.count(reads) == 7 && receiver.count(HERE) == receiver.count(all));
    assert!(13 <= receiver.count(all), "thirteen pictures, and thumbnails of the large ones");
    assert_eq!(whole(&receiver), receiver.count("SELECT count(DISTINCT sha256) FROM images"));
    wait("every receipt", &trailer, || !trailer.health().to_string().contains("Pictures waiting"));
    let report = receiver.report(&["--json"]);
    assert_eq!(report.code, 0, "{}", report.out);
}

/// What the trailer's side needs, on a server of its own.
struct Side {
    pictures: Pictures,
    context: Context,
}

impl Side {
    async fn open(cluster: &Cluster, proof: Proof) -> Self {
        let url = cluster.url();
        let mut target = drain::target(&url);
        target.proof = proof;
        target.broker = Broker { stream_maker: StreamMaker::Trailer, ..Broker::default() };
        let servers = [url.trim_start_matches("nats://").to_owned()];
        let receiver = (&target, &TlsTime::of_host());
        let Ok(pictures) = Pictures::open(&servers, false, receiver, receiver::SOURCE).await else {
            panic!("the bucket can be opened")
        };
        Self { pictures, context: jetstream::new(async_nats::connect(url).await.unwrap()) }
    }

    async fn put(&mut self, bytes: &[u8], address: Address, part: usize) -> ImageAnswer {
        let size = usize::try_from(PART_BYTES).unwrap();
        let first = part * size;
        let piece = bytes[first..bytes.len().min(first + size)].to_vec();
        let part = ImagePart { address, first: first as u64, all: bytes.len() as u64, bytes: piece };
        self.pictures.put(part).await.unwrap()
    }

    /// Messages with parts of this trial.
    async fn parts(&self, address: Address, trial: u32) -> u64 {
        let subject = parts_subject(BUCKET, &format!("{address}-{trial}"));
        let stream = self.context.get_stream(format!("OBJ_{BUCKET}")).await.unwrap();
        let info = stream.info_with_subjects(subject).await.unwrap();
        futures_util::TryStreamExt::try_fold(info, 0, |sum, (_, count)| async move { Ok(sum + count as u64) })
            .await
            .unwrap()
    }

    /// The mark that somebody who took the object over leaves.
    async fn mark(&self, address: Address, result: PictureResult, problem: Option<&str>) {
        let store = self.context.get_object_store(BUCKET).await.unwrap();
        let mut info = store.info(address.to_string()).await.unwrap();
        (info.deleted, info.chunks, info.size) = (true, 0, 0);
        info.metadata.insert(RECEIPT.to_owned(), result.word().to_owned());
        info.metadata.extend(problem.map(|problem| (PROBLEM.to_owned(), problem.to_owned())));
        describe(&self.context, &info).await.unwrap();
    }
}

fn at(offset: u64) -> ImageAnswer {
    ImageAnswer { status: 200, offset: Some(offset), complete: false, unknown: false, handed: false }
}

const HANDED: ImageAnswer = ImageAnswer { status: 200, offset: None, complete: true, unknown: false, handed: true };

#[tokio::test]
async fn a_broken_picture_goes_on_where_it_was_and_one_that_is_there_is_not_sent_again() {
    if !rig() {
        return;
    }
    let mut cluster = Cluster::start(1, "");
    let bytes: Vec<u8> = (0..300_000_u32).map(|n| n.to_le_bytes()[0] ^ n.to_le_bytes()[1]).collect();
    let (address, len) = (address_of(&bytes), bytes.len() as u64);
    let mut side = Side::open(&cluster, Proof::Receipts).await;
    assert_eq!(side.pictures.state(address, len).await.unwrap(), at(0));
    assert_eq!(side.put(&bytes, address, 0).await, at(PART_BYTES));
    // Its acknowledgement was lost, and it comes once more: the server drops it.
    assert_eq!(side.put(&bytes, address, 0).await, at(PART_BYTES));
    cluster.kill(0);
    cluster.start_node(0);
    let mut side = Side::open(&cluster, Proof::Receipts).await;
    assert_eq!(side.pictures.state(address, len).await.unwrap(), at(PART_BYTES), "what the server has synced counts");
    assert_eq!(side.put(&bytes, address, 1).await, at(2 * PART_BYTES));
    assert_eq!(side.put(&bytes, address, 2).await, HANDED);
    assert_eq!(side.parts(address, 0).await, 3);
    for _ in 0..3 {
        assert_eq!(side.pictures.state(address, len).await.unwrap(), HANDED, "there, and not sent again");
    }
    assert_eq!(side.parts(address, 0).await, 3);
    // Any client of object stores reads it, and finds its digest right.
    let store = side.context.get_object_store(BUCKET).await.unwrap();
    let mut object = store.get(address.to_string()).await.unwrap();
    let mut read = Vec::new();
    tokio::io::AsyncReadExt::read_to_end(&mut object, &mut read).await.unwrap();
    assert_eq!(address_of(&read), address);
    // Damaged on its way: it begins anew, apart from what is there.
    side.mark(address, PictureResult::Refused, Some(PROBLEM_DIGEST)).await;
    assert_eq!(side.pictures.state(address, len).await.unwrap(), at(0));
    for part in 0..3 {
        side.put(&bytes, address, part).await;
    }
    assert_eq!((side.parts(address, 0).await, side.parts(address, 1).await), (3, 3));
    // Taken over: for good.
    side.mark(address, PictureResult::Stored, None).await;
    let stored = side.pictures.state(address, len).await.unwrap();
    assert_eq!((stored.complete, stored.handed), (true, false));
    let mut again = Side::open(&cluster, Proof::Receipts).await;
    assert_eq!(again.pictures.state(address, len).await.unwrap(), stored, "also for an agent that restarted");
    // With proof by acknowledgement whole in the bucket is enough.
    let small = address_of(b"small");
    let mut proven = Side::open(&cluster, Proof::Ack).await;
    assert_eq!(proven.pictures.state(small, 5).await.unwrap(), at(0));
    let said = proven.put(b"small", small, 0).await;
    assert_eq!((said.complete, said.handed), (true, false));
}

#[tokio::test]
async fn without_a_bucket_a_picture_is_put_off_and_nothing_fails() {
    if !rig() {
        return;
    }
    let cluster = Cluster::start(1, "");
    let target = drain::target(&cluster.url());
    let servers = [cluster.url().trim_start_matches("nats://").to_owned()];
    let receiver = (&target, &TlsTime::of_host());
    let Ok(mut pictures) = Pictures::open(&servers, false, receiver, receiver::SOURCE).await else {
        panic!("the server is there")
    };
    assert_eq!(pictures.state(address_of(b"x"), 1).await.unwrap().status, 404);
}

#[tokio::test]
async fn a_picture_whose_bytes_are_another_one_is_refused_and_comes_again() {
    if !rig() {
        return;
    }
    let cluster = Cluster::start(1, "");
    let picture = png(200, 200, 4);
    let (address, len) = (address_of(&picture), picture.len());
    assert!(len < usize::try_from(PART_BYTES).unwrap());
    // Somebody damaged it in the bucket: it is described right and is something else.
    let mut side = Side::open(&cluster, Proof::Receipts).await;
    assert_eq!(side.pictures.state(address, len as u64).await.unwrap(), at(0));
    assert_eq!(side.put(&vec![b'x'; len], address, 0).await, HANDED);
    let receiver = Receiver::start(&["--nats", &cluster.url(), "--nats-make-stream", "1"]);
    let cluster_of = configured(&cluster);
    tokio::task::spawn_blocking(move || {
        let mut trailer = Trailer::new(&cluster_of);
        trailer.start();
        hand_in(&trailer, 1, &[("overview", &picture)]);
        wait("the right one", &trailer, || receiver.count(HERE) == 1);
        assert_eq!(
            (whole(&receiver), receiver.count("SELECT count(*) FROM images")),
            (1, 1),
            "too small for a thumbnail"
        );
        wait("every receipt", &trailer, || !trailer.health().to_string().contains("Pictures waiting"));
    })
    .await
    .unwrap();
    assert_eq!(side.parts(address, 0).await, 0, "what was refused is gone");
    assert_eq!(side.parts(address, 1).await, 0, "and what was taken over too");
}
