//! The drain by a courier's stick: signed both ways, taken once, and nothing is trusted that the keys don't prove.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/drain.rs"]
mod drain;
#[path = "support/late.rs"]
mod late;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use drain::{Drain, until};
use pintle::config::Receiver as Target;
use pintle::io::signed::Signer;
use receiver::outcome;
use std::path::{Path, PathBuf};

/// A new queue opens with one ledger event.
const OPENING: u64 = 1;

/// An agency with its data, a stick, and the keys of its trailers.
struct Agency {
    folder: tempfile::TempDir,
}

impl Agency {
    fn new() -> Self {
        let agency = Self { folder: tempfile::tempdir().unwrap() };
        std::fs::create_dir(agency.stick()).unwrap();
        let made = outcome(&["receive", "--data", &agency.path("data"), "--courier-init", &agency.path("stick")]);
        assert_eq!(made.code, 0, "{}", made.err);
        std::fs::write(agency.at("agency.pub"), made.out).unwrap();
        agency
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn path(&self, name: &str) -> String {
        self.at(name).display().to_string()
    }

    fn stick(&self) -> PathBuf {
        self.at("stick")
    }

    /// The configuration of a trailer, whose key becomes known to the agency if `known`.
    fn target(&self, name: &str, known: bool) -> Target {
        let state_dir = self.at(&format!("state-{name}"));
        if known {
            let key = Signer::ready(&state_dir.join("courier.key")).unwrap().public();
            let keys = std::fs::read_to_string(self.at("keys")).unwrap_or_default();
            std::fs::write(self.at("keys"), format!("{keys}{name} {key}\n")).unwrap();
        }
        let mut target = drain::target(&format!("file://{}", self.path("stick")));
        target.broker.state_dir = state_dir;
        target.broker.credentials_file = Some(self.at("agency.pub"));
        target.broker.receipt_wait_s = 86_400;
        target.broker.gather_s = 0;
        target
    }

    fn import(&self) -> receiver::Outcome {
        let (data, stick, keys) = (self.path("data"), self.path("stick"), self.path("keys"));
        if !Path::new(&keys).exists() {
            std::fs::write(&keys, "").unwrap();
        }
        outcome(&["receive", "--data", &data, "--import", &stick, "--courier-keys", &keys])
    }

    fn reads(&self) -> i64 {
        let connection = rusqlite::Connection::open(self.at("data/receiver.db")).unwrap();
        connection.query_row("SELECT count(*) FROM reads", [], |row| row.get(0)).unwrap()
    }

    fn batches(&self, name: &str) -> Vec<PathBuf> {
        pintle::io::courier::files(&self.stick().join("pintle").join(name).join("out"))
    }
}

#[test]
fn a_folder_that_is_no_stick_is_told_apart_from_a_spoilt_one() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data").display().to_string();
    let at = folder.path().display().to_string();
    let told = outcome(&["receive", "--data", &data, "--import", &at, "--courier-keys", "/dev/null"]);
    assert!(told.err.contains("is no courier's stick: it is not mounted there, or was never made one"), "{}", told.err);
    assert!(told.err.contains("--courier-init STICK"), "{}", told.err);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing was made for it");
}

#[tokio::test]
async fn events_go_by_stick_and_are_delivered_when_their_receipts_come_back() {
    let agency = Agency::new();
    let target = agency.target("heron-3", true);
    let trailer = Drain::start("heron-3", &agency.at("queue"), target.clone());
    trailer.put(1..=300, false).await;
    trailer.put(1001..=1002, true).await;
    trailer.until_view("on the stick", |view| view.handed_over == 302 + OPENING).await;
    assert_eq!(trailer.figures().await.counts.delivered, 0);
    // After a restart what lies on the stick is not written a second time.
    let written = agency.batches("heron-3").len();
    trailer.stop().await;
    let trailer = Drain::start("heron-3", &agency.at("queue"), target);
    trailer.until_view("on the stick", |view| view.handed_over == 302 + OPENING).await;
    assert_eq!(agency.batches("heron-3").len(), written);

    let told = agency.import();
    assert_eq!(told.code, 0, "{}", told.err);
    assert!(told.out.contains("stored 303 events, 0 were here already, 0 refused"), "{}", told.out);
    assert_eq!((agency.reads(), agency.batches("heron-3").len()), (302, 0));
    trailer.until_delivered(302 + OPENING).await;
    let report = outcome(&["receive", "--report", "--data", &agency.path("data")]);
    assert_eq!(report.code, 0, "{}", report.out);
    trailer.stop().await;
}

#[tokio::test]
async fn what_the_agency_lost_after_its_receipts_comes_again_with_a_later_stick() {
    let agency = Agency::new();
    let trailer = Drain::start("heron-3", &agency.at("queue"), agency.target("heron-3", true));
    trailer.put(1..=998, false).await;
    trailer.until_view("on the stick", |view| view.handed_over == 998 + OPENING).await;
    assert_eq!(agency.import().code, 0);
    trailer.until_delivered(998 + OPENING).await;
    let connection = rusqlite::Connection::open(agency.at("data/receiver.db")).unwrap();
    let lost = connection.execute("DELETE FROM event WHERE no % 100 = 7", []).unwrap();
    drop(connection);
    // With the thousandth event a block is full: the digest of it goes with the next stick, and the answer to that asks
    // for what is not there.
    trailer.put(999..=999, false).await;
    for round in ["the read", "the digest", "what was lost"] {
        until(round, || async { !agency.batches("heron-3").is_empty() }).await;
        // All that belongs to this round is on the stick, since nothing else is ready to go.
        until("at rest", || async {
            let counts = trailer.figures().await.counts;
            trailer.view.borrow().handed_over == counts.waiting || round == "what was lost"
        })
        .await;
        let told = agency.import();
        assert_eq!(told.code, 0, "{}", told.err);
    }
    until("all of it", || async {
        if !agency.batches("heron-3").is_empty() {
            agency.import();
        }
        agency.reads() == 999
    })
    .await;
    assert!(5 < lost, "{lost}");
    trailer.stop().await;
}

#[tokio::test]
async fn without_a_stick_of_the_agency_events_wait_and_a_pulled_one_leaves_no_half_file() {
    let agency = Agency::new();
    let away = agency.at("away");
    std::fs::rename(agency.stick(), &away).unwrap();
    // Another folder stands in its place, as a stick of somebody else does.
    std::fs::create_dir(agency.stick()).unwrap();
    let other = tempfile::tempdir().unwrap();
    let foreign = Signer::ready(&other.path().join("key")).unwrap().sign(br#"{"stick":"x"}"#);
    std::fs::write(agency.stick().join("pintle-courier.txt"), foreign).unwrap();
    let trailer = Drain::start("heron-3", &agency.at("queue"), agency.target("heron-3", true));
    trailer.put(1..=20, false).await;
    trailer.until_view("told", |view| view.trouble.as_deref().is_some_and(|text| text.contains("stick"))).await;
    assert!(!agency.stick().join("pintle").exists(), "no plate goes on a stick of somebody else");
    std::fs::remove_dir_all(agency.stick()).unwrap();
    std::fs::rename(&away, agency.stick()).unwrap();
    trailer.until_view("on the stick", |view| view.handed_over == 20 + OPENING).await;
    let out = agency.stick().join("pintle/heron-3/out");
    let names: Vec<_> = std::fs::read_dir(out).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert!(names.iter().all(|name| !name.to_str().unwrap().contains(".new")), "{names:?}");
    trailer.stop().await;
}

#[tokio::test]
async fn forged_cut_off_and_unknown_files_stay_on_the_stick_with_a_reason_and_nothing_of_them_is_stored() {
    let agency = Agency::new();
    for (name, known) in [("heron-3", true), ("heron-4", false), ("heron-5", true), ("heron-6", true)] {
        let target = agency.target(name, known);
        let trailer = Drain::start(name, &agency.at(&format!("queue-{name}")), target);
        trailer.put(1..=10, false).await;
        trailer.until_view("on the stick", |view| view.handed_over == 10 + OPENING).await;
        trailer.stop().await;
    }
    // heron-5's file is changed, heron-6's cut off, and one of heron-3's lies in heron-5's place.
    for path in agency.batches("heron-5") {
        let text = std::fs::read_to_string(&path).unwrap().replace("QX1\"", "QX9\"");
        std::fs::write(&path, text).unwrap();
    }
    for path in agency.batches("heron-6") {
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() - 40]).unwrap();
    }
    let stolen = agency.batches("heron-3")[0].clone();
    std::fs::copy(&stolen, agency.stick().join("pintle/heron-5/out/0.txt")).unwrap();
    let told = agency.import();
    assert_eq!(told.code, 1, "{}", told.err);
    assert_eq!(agency.reads(), 10, "heron-3's alone: {}", told.err);
    for reason in ["no key is known", "the signature does not fit"] {
        assert!(told.err.contains(reason), "{}", told.err);
    }
    assert!(!told.err.contains("QX"), "no plate is told");
    for name in ["heron-4", "heron-5", "heron-6"] {
        assert!(!agency.batches(name).is_empty(), "{name}");
    }
}

#[tokio::test]
async fn a_hit_that_is_late_on_the_stick_or_lay_on_it_is_marked_with_its_age_by_the_import() {
    let agency = Agency::new();
    for name in ["heron-3", "heron-4"] {
        late::sent_long_ago(&agency.at(name)).await;
        let trailer = Drain::start(name, &agency.at(name), agency.target(name, true));
        trailer.until_view("on the stick", |view| view.handed_over == 1 + OPENING).await;
        trailer.stop().await;
    }
    let content = |path: &Path| -> serde_json::Value {
        let bytes = std::fs::read(path).unwrap();
        serde_json::from_slice(bytes.splitn(2, |byte| *byte == b'\n').nth(1).unwrap()).unwrap()
    };
    let batches = agency.batches("heron-3");
    let told = batches.iter().map(|path| content(path)).find(|batch| batch.get("sent_at").is_some()).unwrap();
    let hit = told["events"].as_array().unwrap().iter().find(|event| event["type"] == "pintle.read.v1").unwrap();
    assert_eq!(hit["data"].get("late_s"), None, "beside the bytes, which are those of the first sending");
    // The other one's hit was fresh when it was written, and the stick was away for two hours.
    let signer = Signer::ready(&agency.at("state-heron-4").join("courier.key")).unwrap();
    for path in agency.batches("heron-4") {
        let mut batch = content(&path);
        batch.as_object_mut().unwrap().remove("sent_at");
        std::fs::write(&path, signer.sign(batch.to_string().as_bytes())).unwrap();
    }
    let told = agency.import();
    assert_eq!(told.code, 0, "{}", told.err);
    let connection = rusqlite::Connection::open(agency.at("data/receiver.db")).unwrap();
    let mut rows = connection.prepare("SELECT late_s FROM reads WHERE hit").unwrap();
    let marks: Vec<i64> = rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    assert!(marks.len() == 2 && marks.iter().all(|s| (late::AGO_S..late::AGO_S + 600).contains(s)), "{marks:?}");
}

#[tokio::test]
async fn reads_gather_for_one_file_and_a_hit_does_not_wait_for_them() {
    let agency = Agency::new();
    let mut target = agency.target("heron-3", true);
    target.broker.gather_s = 3600;
    let trailer = Drain::start("heron-3", &agency.at("queue"), target.clone());
    trailer.until_view("the opening is on the stick", |view| view.handed_over == OPENING).await;
    for read in 1..=5 {
        trailer.put([read], false).await;
    }
    trailer.put([1001], true).await;
    trailer.until_view("the hit is on the stick", |view| view.handed_over == 1 + OPENING).await;
    tokio::time::sleep(std::time::Duration::from_secs(2)).await;
    assert_eq!(agency.batches("heron-3").len(), 2, "the opening and the hit; the reads still gather");
    trailer.stop().await;
    // What gathered goes together, here after a start with a shorter wait.
    target.broker.gather_s = 1;
    let trailer = Drain::start("heron-3", &agency.at("queue"), target);
    trailer.until_view("all is on the stick", |view| view.handed_over == 6 + OPENING).await;
    assert_eq!(agency.batches("heron-3").len(), 3);
    trailer.stop().await;
}

#[tokio::test]
async fn receipts_that_are_forged_or_for_another_trailer_deliver_nothing() {
    let agency = Agency::new();
    let trailer = Drain::start("heron-3", &agency.at("queue"), agency.target("heron-3", true));
    trailer.put(1..=10, false).await;
    trailer.until_view("on the stick", |view| view.handed_over == 10 + OPENING).await;
    let told = agency.import();
    assert_eq!(told.code, 0, "{}", told.err);
    let back = agency.stick().join("pintle/heron-3/back");
    let good = pintle::io::courier::files(&back)[0].clone();
    let bytes = std::fs::read(&good).unwrap();
    trailer.until_delivered(10 + OPENING).await;
    // The same receipts once more, half of them, and forged ones: they end nothing that is out.
    trailer.put(11..=15, false).await;
    trailer.until_view("on the stick", |view| view.handed_over == 5).await;
    std::fs::write(back.join("1.txt"), &bytes).unwrap();
    std::fs::write(back.join("2.txt"), &bytes[..bytes.len() / 2]).unwrap();
    let forger = Signer::ready(&agency.at("forger")).unwrap();
    let content = bytes.splitn(2, |byte| *byte == b'\n').nth(1).unwrap();
    std::fs::write(back.join("3.txt"), forger.sign(content)).unwrap();
    tokio::time::sleep(std::time::Duration::from_secs(5)).await;
    assert_eq!(trailer.figures().await.counts.delivered, 10 + OPENING);
    agency.import();
    until("delivered", || async { trailer.figures().await.counts.delivered == 15 + OPENING }).await;
    trailer.stop().await;
}

#[tokio::test]
async fn sealed_reads_on_a_stick_are_opened_by_the_import_that_has_the_key() {
    let agency = Agency::new();
    let (private, public) = (agency.at("county.key"), agency.at("county.pub"));
    let made = outcome(&["key", "new", &agency.path("county"), "--name", "County"]);
    assert!(made.code == 0 && private.exists(), "{}{}", made.out, made.err);
    let target = agency.target("heron-3", true);
    std::fs::create_dir(agency.at("queue")).unwrap();
    let trailer = Drain::start_sealed("heron-3", &agency.at("queue"), target, vec![public]);
    trailer.put(1..=20, false).await;
    trailer.until_view("on the stick", |view| view.handed_over == 20 + OPENING).await;
    let on_stick: Vec<u8> = agency.batches("heron-3").iter().flat_map(|path| std::fs::read(path).unwrap()).collect();
    assert!(!String::from_utf8_lossy(&on_stick).contains("QX17"), "the stick shows no plate");

    let (data, stick, keys) = (agency.path("data"), agency.path("stick"), agency.path("keys"));
    let import =
        |key: &str| outcome(&["receive", "--data", &data, "--import", &stick, "--courier-keys", &keys, "--key", key]);
    let wrong = import(&agency.path("county.pub"));
    assert!(wrong.code == 78 && wrong.err.contains("county.pub"), "{} {}", wrong.code, wrong.err);
    assert!(!agency.batches("heron-3").is_empty(), "nothing was taken with a wrong key");
    let told = import(&private.display().to_string());
    assert!(told.code == 0 && told.out.contains("stored 21 events"), "{}{}", told.out, told.err);
    let connection = rusqlite::Connection::open(agency.at("data/receiver.db")).unwrap();
    let plain: i64 = connection
        .query_row("SELECT count(*) FROM reads WHERE data LIKE '%\"plate\":\"QX17\"%'", [], |row| row.get(0))
        .unwrap();
    assert_eq!(plain, 1);
    trailer.until_delivered(20 + OPENING).await;
    trailer.stop().await;
}
