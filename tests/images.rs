//! Pictures from the engine's hand to the disk: what is taken, what is refused with what advice, and that files and
//! rows stay together.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/door.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod door;
#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use door::Door;
use pictures::{jpeg, png};
use pintle::actors::images::{Swept, sweep};
use pintle::store::Settled;
use pintle::store::blobs::address_of;
use pintle_core::images::send::order;
use pintle_core::moment::UtcTrust;
use pintle_core::queue::Lane;
use serde_json::{Value, json};
use std::path::PathBuf;

fn read(number: u32, images: &Value) -> String {
    json!({
        "camera": "north", "captured_at": format!("2026-11-25T12:00:00.{number:03}Z"), "plate": "QTZ 481",
        "plate_state": "read", "images": images,
    })
    .to_string()
}

fn by_data(role: &str, bytes: &[u8]) -> Value {
    json!({"role": role, "data": BASE64_STANDARD.encode(bytes)})
}

fn folder(door: &Door) -> PathBuf {
    let folder = door.folder.path().join("pictures");
    std::fs::create_dir_all(folder.join("north")).unwrap();
    folder
}

/// Names of the files that are kept, sorted.
fn kept(door: &Door) -> Vec<String> {
    let mut names: Vec<String> = door.store.blobs().list().unwrap().iter().map(ToString::to_string).collect();
    names.sort();
    names
}

#[tokio::test]
async fn pictures_are_on_the_disk_when_the_read_is_answered_and_the_event_announces_them() {
    let door = Door::open().await;
    let (plate, overview) = (png(64, 20, 1), jpeg(320, 200, 2));
    let file = folder(&door).join("north/a.jpg");
    std::fs::write(&file, &overview).unwrap();
    let images = json!([by_data("plate", &plate), {"role": "overview", "path": "north/a.jpg"}]);
    let reply = door.post_read(&read(1, &images)).await;
    assert_eq!(reply.status, 202, "{}", reply.body);
    assert_eq!(std::fs::read(&file).unwrap(), overview, "the engine's file is left alone");
    let waiting = door.waiting(Lane::Bulk).await;
    let body: Value = serde_json::from_slice(&waiting[0].body).unwrap();
    let sha = address_of(&overview).to_string();
    assert_eq!(
        body["images"][1],
        json!({"role": "overview", "sha256": sha, "bytes": overview.len(), "media_type": "image/jpeg"})
    );
    let list: Value = serde_json::from_slice(waiting[0].images.as_ref().unwrap()).unwrap();
    let kinds: Vec<&str> = list.as_array().unwrap().iter().map(|file| file["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds.iter().filter(|kind| **kind == "picture").count(), 2, "{list}");
    assert!(kinds.contains(&"thumbnail"), "{list}");
    for file in list.as_array().unwrap() {
        let address = pintle_core::images::Address::parse(file["sha256"].as_str().unwrap()).unwrap();
        let bytes = door.store.blobs().part(&address, 0, u64::MAX).unwrap();
        assert_eq!((address_of(&bytes), bytes.len() as u64), (address, file["bytes"].as_u64().unwrap()));
    }
    assert_eq!(kept(&door).len(), kinds.len());
}

#[tokio::test]
async fn the_same_picture_is_kept_once_and_goes_with_the_last_read_that_names_it() {
    let door = Door::open_with(|_, queue| queue.delivered_keep_s = 180).await;
    let picture = png(40, 20, 7);
    let images = json!([by_data("plate", &picture)]);
    for number in [1, 2] {
        assert_eq!(door.post_read(&read(number, &images)).await.status, 202);
    }
    let again = door.post_read(&read(2, &images)).await;
    assert_eq!((again.status, &again.body["accepted"][0]["repeat"]), (202, &json!(true)));
    let other = door.post_read(&read(2, &json!([by_data("plate", &png(40, 20, 8))]))).await;
    assert_eq!(other.body["type"], "urn:pintle:problem:id-reused", "another picture is another content");
    let sha = address_of(&picture).to_string();
    assert!(kept(&door).contains(&sha));
    let counts = door.store.image_counts().await.unwrap();
    assert_eq!((counts.files, counts.due), (1, 0), "nothing is due before its read was delivered");
    let mut now = pintle::clock::moment(UtcTrust::Gps);
    let settled = door.waiting(Lane::Bulk).await.iter().map(|read| (read.sequence, Settled::Delivered)).collect();
    door.store.settle(settled, now).await.unwrap();
    assert_eq!(door.store.image_counts().await.unwrap().due, 2);
    now.mono = now.mono.plus_ms(600_000);
    now.utc = now.utc.plus_ms(600_000);
    assert_eq!(door.store.retire(now).await.unwrap(), 2);
    assert!(!kept(&door).contains(&sha), "it went with its reads");
}

#[tokio::test]
async fn what_is_no_picture_is_refused_with_what_to_do_and_nothing_is_accepted() {
    let door = Door::open().await;
    let base = folder(&door);
    let good = jpeg(64, 48, 1);
    std::fs::write(base.join("good.jpg"), &good).unwrap();
    std::fs::write(base.join("empty.jpg"), b"").unwrap();
    std::fs::write(base.join("large.jpg"), vec![0xff; (1 << 20) + 1]).unwrap();
    std::fs::write(door.folder.path().join("outside.jpg"), &good).unwrap();
    std::os::unix::fs::symlink(door.folder.path().join("outside.jpg"), base.join("link.jpg")).unwrap();
    std::fs::hard_link(door.folder.path().join("outside.jpg"), base.join("hard.jpg")).unwrap();
    nix::unistd::mkfifo(&base.join("pipe.jpg"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    let mut bomb = png(8, 8, 1);
    bomb[16..24].copy_from_slice(&[0, 1, 0, 0, 0, 1, 0, 0]);
    let path = |path: &str| json!({"role": "plate", "path": path});
    let absolute = base.join("good.jpg").display().to_string();
    for (image, told) in [
        (by_data("plate", b""), "is empty (0 bytes)"),
        (by_data("plate", b"GIF89a"), "neither JPEG, PNG nor WebP"),
        (by_data("plate", &good[..good.len() - 9]), "cut off"),
        (by_data("plate", &bomb), "claims 65536 x 65536 pixels"),
        (json!({"role": "plate", "data": "no base64!"}), "is no base64"),
        (
            json!({"role": "plate", "data": BASE64_STANDARD.encode(&good), "media_type": "image/png"}),
            "is image/jpeg by",
        ),
        (by_data("plate", &vec![0xff; (1 << 20) + 1]), "images.image_bytes_max"),
        (path("large.jpg"), "images.image_bytes_max"),
        (path("empty.jpg"), "is empty (0 bytes)"),
        (path("none.jpg"), "is not there"),
        (path("link.jpg"), "through a link"),
        (path("hard.jpg"), "second name"),
        (path("pipe.jpg"), "no plain file"),
        (path("north"), "no plain file"),
        (path("../outside.jpg"), "does not lie below images.folder"),
        (path("/etc/passwd"), "does not lie below images.folder"),
        (path("north/../good.jpg"), "does not lie below images.folder"),
    ] {
        let reply = door.post_read(&read(3, &json!([image]))).await;
        assert_eq!((reply.status, &reply.body["type"]), (422, &json!("urn:pintle:problem:invalid-image")), "{image}");
        let detail = reply.body["detail"].as_str().unwrap();
        assert!(detail.contains(told) && detail.contains("Nothing was accepted"), "{image}: {detail}");
        assert!(!detail.contains("jpg"), "no name is repeated: {detail}");
    }
    // One bad picture in a batch refuses all of it.
    let lines = format!("{}\n{}", read(4, &json!([by_data("plate", &good)])), read(5, &json!([path("none.jpg")])));
    let reply = door.post("application/x-ndjson", &lines).await;
    assert_eq!((reply.status, &reply.body["line"]), (422, &json!(2)));
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 0);
    let reply = door.post_read(&read(6, &json!([path(&absolute)]))).await;
    assert_eq!(reply.status, 202, "an absolute path below the folder is taken: {}", reply.body);
}

#[tokio::test]
async fn files_without_a_read_are_swept_and_reads_without_a_file_are_counted() {
    let door = Door::open().await;
    let picture = png(40, 20, 3);
    let reply = door.post_read(&read(1, &json!([by_data("plate", &picture)]))).await;
    assert_eq!(reply.status, 202);
    let images = door.folder.path().join("state/images");
    // As a power cut between the copy and the commit leaves it.
    let orphan = png(41, 20, 4);
    std::fs::write(images.join(address_of(&orphan).to_string()), &orphan).unwrap();
    std::fs::write(images.join("somebody-elses.txt"), b"").unwrap();
    assert_eq!(sweep(&door.store).await.unwrap(), Swept { orphans: 1, missing: 0 });
    assert!(images.join("somebody-elses.txt").exists(), "only files with an address are ours");
    std::fs::remove_file(images.join(address_of(&picture).to_string())).unwrap();
    assert_eq!(sweep(&door.store).await.unwrap(), Swept { orphans: 0, missing: 1 });
    assert_eq!(door.store.figures().await.unwrap().images_missing, 1);
}

#[tokio::test]
async fn on_a_full_disk_delivered_pictures_go_first_and_those_of_waiting_hits_never() {
    let door = Door::open_with(|_, _| {}).await;
    for number in 1..=3 {
        let reply = door.post_read(&read(number, &json!([by_data("plate", &png(60, 20, number))]))).await;
        assert_eq!(reply.status, 202);
    }
    let mut hit: Value = serde_json::from_str(&read(4, &json!([by_data("plate", &png(60, 20, 4))]))).unwrap();
    hit["hit"] = json!({"list": "Test list", "list_time": "2026-11-25T06:00:00Z"});
    assert_eq!(door.post_read(&hit.to_string()).await.status, 202);
    let first = door.waiting(Lane::Bulk).await[0].sequence;
    let now = pintle::clock::moment(UtcTrust::Gps);
    door.store.settle(vec![(first, Settled::Delivered)], now).await.unwrap();
    let due = door.store.due_image(order(true).to_vec(), Vec::new()).await.unwrap().unwrap();
    assert_eq!(due.sequence, first);
    door.store.image_fate(due.address, pintle::store::ImageFate::Sent, now).await.unwrap();
    let before = kept(&door).len();
    assert_eq!(door.store.free_images(1, false, now).await.unwrap(), due.bytes);
    assert_eq!(kept(&door).len(), before - 1);
    assert_eq!(door.store.free_images(1, false, now).await.unwrap(), 0, "nothing else was delivered with its picture");
    assert!(0 < door.store.free_images(u64::MAX, true, now).await.unwrap());
    let left = address_of(&png(60, 20, 4)).to_string();
    assert!(kept(&door).contains(&left), "the picture of a hit that waits stays");
    assert!(!kept(&door).contains(&address_of(&png(60, 20, 2)).to_string()));
    let counts = door.store.image_counts().await.unwrap();
    assert_eq!(counts.account.waiting(), counts.waiting, "the account closes: {counts:?}");
    assert_eq!((counts.account.sent, counts.account.evicted), (1, counts.account.kept - 1 - counts.waiting));
}
