//! Pictures on their way to the receiver: after their read, whole and of the right digest, over breaks, within a
//! budget, and never before reads.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "only the process is needed here")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use pictures::{jpeg, png};
use pintle::store::blobs::address_of;
use receiver::Receiver;
use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::{Duration, Instant};
use trailer::Trailer;

const PATIENCE: Duration = Duration::from_secs(30);

fn hand_in(trailer: &Trailer, number: u32, hit: bool, images: &[(&str, &[u8])]) {
    let images: Vec<Value> =
        images.iter().map(|(role, bytes)| json!({"role": role, "data": BASE64_STANDARD.encode(bytes)})).collect();
    let mut read = json!({
        "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": format!("QTZ {number}"),
        "plate_state": "read", "images": images,
    });
    if hit {
        read["hit"] = json!({"list": "Test list", "list_time": "2026-11-25T06:00:00Z"});
    }
    let (status, answer) = trailer.post("application/json", &read.to_string());
    assert_eq!(status, 202, "{answer}");
}

fn wait(what: &str, trailer: &Trailer, mut done: impl FnMut() -> bool) {
    let began = Instant::now();
    while !done() {
        assert!(began.elapsed() < PATIENCE, "{what} never came:\n{}", trailer.log());
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn at(receiver: &Receiver, budget_mb: u32) -> String {
    format!("[receiver]\nurl = \"{}\"\nretry_ms_max = 1000\n[images]\nbudget_mb_day = {budget_mb}\n", receiver.url)
}

/// Every announced file that the receiver's table calls received is there, under its digest.
fn whole(receiver: &Receiver) -> usize {
    let database = receiver.database();
    let mut rows = database.prepare("SELECT sha256 FROM images WHERE received_at IS NOT NULL").unwrap();
    let names: Vec<String> = rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    for name in &names {
        let bytes = std::fs::read(receiver.folder().join("images").join(name)).unwrap();
        assert_eq!(address_of(&bytes).to_string(), *name);
    }
    names.len()
}

#[test]
fn pictures_follow_their_reads_over_a_restart_of_both_ends_and_the_account_counts_them() {
    let mut receiver = Receiver::start_to_stay(&[]);
    let mut trailer = Trailer::new(&at(&receiver, 100));
    trailer.start();
    // Larger than one part, so that a break falls in the middle.
    let (large, plate) = (png(400, 400, 1), jpeg(200, 60, 2));
    assert!(3 * 131_072 < large.len(), "{}", large.len());
    hand_in(&trailer, 1, false, &[("overview", &large), ("plate", &plate)]);
    let some = "SELECT count(*) FROM images WHERE received_at IS NOT NULL";
    wait("the first picture", &trailer, || 0 < receiver.count(some));
    receiver.kill();
    hand_in(&trailer, 2, true, &[("plate", &plate), ("overview", &png(300, 300, 3))]);
    trailer.kill();
    trailer.start();
    receiver.start_again_at_the_same_address();
    let all = || receiver.count("SELECT count(*) FROM images");
    wait("all pictures", &trailer, || {
        let (all, here) = (all(), receiver.count(some));
        all == 6 && here == 6
    });
    assert_eq!(i64::try_from(whole(&receiver)).unwrap(), all());
    let account: Value = receiver.get("/v1/completeness").json();
    let images = &account["generations"][0]["images"];
    assert_eq!(images, &json!({"announced": all(), "received": all(), "never": 0, "missing": 0}));
    let report = receiver.report(&[]);
    assert!(report.out.contains("announced, 0 missing"), "{}", report.out);
    let hit: String = receiver.database().query_row("SELECT data FROM reads WHERE hit", [], |row| row.get(0)).unwrap();
    let hit: Value = serde_json::from_str(&hit).unwrap();
    assert_eq!((&hit["picture"], hit["images"].is_array()), (&Value::Null, true), "a hit with a picture says so");
}

#[test]
fn pictures_of_reads_that_the_receiver_has_let_go_hold_up_neither_those_of_hits_nor_younger_ones() {
    let receiver = Receiver::start(&[]);
    let mut trailer = Trailer::new(&at(&receiver, 0));
    trailer.start();
    // More than were put off before everything rested. Nothing is sent of them yet.
    let gone = 70;
    for number in 0..gone {
        hand_in(&trailer, number, false, &[("plate", &png(40, 20, number))]);
    }
    wait("the reads", &trailer, || receiver.count("SELECT count(*) FROM reads") == i64::from(gone));
    trailer.kill();
    let database = rusqlite::Connection::open(receiver.folder().join("receiver.db")).unwrap();
    database.busy_timeout(Duration::from_secs(30)).unwrap();
    // As after a purge: no read that is there names them.
    database.execute_batch("DELETE FROM image;").unwrap();
    trailer.configure("", &at(&receiver, 100));
    trailer.start();
    let put_off = || trailer.log().matches("a picture is put off").count();
    wait("what the receiver let go", &trailer, || gone as usize <= put_off());
    hand_in(&trailer, 900, true, &[("plate", &png(60, 20, 900))]);
    wait("the picture of a hit", &trailer, || {
        receiver.count(
            "SELECT count(*) FROM images i JOIN reads r ON r.id = i.read_id WHERE r.hit AND i.received_at IS NOT NULL",
        ) == 1
    });
    hand_in(&trailer, 901, false, &[("plate", &png(60, 20, 901))]);
    wait("a younger picture", &trailer, || whole(&receiver) == 2);
}

#[test]
fn the_budget_of_the_day_holds_pictures_back_over_restarts_and_never_a_read() {
    let receiver = Receiver::start(&[]);
    let mut trailer = Trailer::new(&at(&receiver, 1));
    trailer.start();
    for number in 0..4 {
        hand_in(&trailer, number, false, &[("overview", &png(400, 400, number))]);
    }
    let received = || receiver.count("SELECT count(*) FROM images WHERE received_at IS NOT NULL");
    wait("the reads", &trailer, || receiver.count("SELECT count(*) FROM reads") == 4);
    wait("what the budget lets through", &trailer, || 2 <= received());
    std::thread::sleep(Duration::from_millis(1500));
    let before = received();
    assert!(before < 8, "four pictures of half a megabyte are more than 1 MB: {before}");
    trailer.kill();
    trailer.start();
    hand_in(&trailer, 9, false, &[("plate", &png(300, 100, 9))]);
    wait("a read behind the budget", &trailer, || receiver.count("SELECT count(*) FROM reads") == 5);
    std::thread::sleep(Duration::from_secs(1));
    assert!(received() <= before + 1, "a restart brings no second budget");
}

/// One request on a connection of its own; answers status, `Upload-Offset` and the body.
fn ask(receiver: &Receiver, method: &str, name: &str, headers: &[(&str, String)], body: &[u8]) -> (u16, Option<u64>) {
    let mut stream = TcpStream::connect(receiver.address()).unwrap();
    let more: Vec<String> = headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
    let more = more.concat();
    let head = format!(
        "{method} /v1/images/{name} HTTP/1.1\r\nhost: x\r\nconnection: close\r\npintle-source: {}\r\n{more}content-length: \
         {}\r\n\r\n",
        receiver::SOURCE,
        body.len()
    );
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(body).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let answer = String::from_utf8_lossy(&answer).to_ascii_lowercase();
    let offset = answer.split("upload-offset: ").nth(1).and_then(|rest| rest.lines().next()?.parse().ok());
    (answer.split(' ').nth(1).unwrap().parse().unwrap(), offset)
}

fn digest(bytes: &[u8]) -> String {
    format!("sha-256=:{}:", BASE64_STANDARD.encode(address_of(bytes).0))
}

#[test]
fn the_receiver_takes_parts_in_order_announced_pictures_only_and_only_the_right_digest() {
    let receiver = Receiver::start(&[]);
    let picture = b"a picture of thirty-one bytes..";
    let name = address_of(picture).to_string();
    let part = |from: usize, to: usize, bytes: &[u8]| {
        [
            ("content-range", format!("bytes {from}-{}/{}", to - 1, picture.len())),
            ("content-digest", digest(bytes)),
            ("repr-digest", digest(picture)),
        ]
    };
    let put =
        |from: usize, to: usize| ask(&receiver, "PUT", &name, &part(from, to, &picture[from..to]), &picture[from..to]);
    assert_eq!(ask(&receiver, "HEAD", &name, &[], b"").0, 404, "nobody announced it");
    assert_eq!(put(0, 10).0, 404);
    assert_eq!(ask(&receiver, "HEAD", "..%2freceiver.db", &[], b"").0, 400);
    let mut event = receiver::Event::read(1);
    let list = format!(
        r#"[{{"role":"plate","kind":"picture","sha256":"{name}","bytes":{},"media_type":"image/jpeg"}}]"#,
        picture.len()
    );
    event.announced = Some(list);
    assert_eq!(receiver.post(&receiver::Batch::of(&[event])).json()["receipts"][0]["result"], "stored");
    assert_eq!(ask(&receiver, "HEAD", &name, &[], b""), (200, Some(0)));
    assert_eq!(put(0, 10), (200, Some(10)));
    assert_eq!(put(20, 31), (409, Some(10)), "a part that leaves a hole");
    assert_eq!(put(0, 10), (409, Some(10)), "a part that is here already");
    let damaged = ask(&receiver, "PUT", &name, &part(10, 20, b"other"), &picture[10..20]);
    assert_eq!(damaged.0, 400, "its own digest does not fit");
    let wrong: [(&str, String); 3] = [
        ("content-range", format!("bytes 10-30/{}", picture.len())),
        ("content-digest", digest(&[b'x'; 21])),
        ("repr-digest", digest(picture)),
    ];
    assert_eq!(ask(&receiver, "PUT", &name, &wrong, &[b'x'; 21]), (422, Some(0)), "all bytes, and another picture");
    assert_eq!((put(0, 20), put(20, 31)), ((200, Some(20)), (201, Some(31))));
    assert_eq!(put(0, 31), (200, Some(31)), "again is no fault");
    assert_eq!(whole(&receiver), 1);
    assert_eq!(std::fs::read_dir(receiver.folder().join("images")).unwrap().count(), 1, "no part is left");
}
