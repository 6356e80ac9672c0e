//! The spool folder of the whole agent: files are taken when they are renamed, never half, never twice, and nothing
//! that is planted there leads elsewhere.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use nix::sys::signal::Signal;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use trailer::Trailer;

const PATIENCE: Duration = Duration::from_mins(1);

struct Spooled {
    trailer: Trailer,
    spool: PathBuf,
}

impl Spooled {
    fn new() -> Self {
        Self::patient(2)
    }

    fn patient(patience_s: u32) -> Self {
        let trailer = Trailer::new("");
        let spool = trailer.folder().join("spool");
        fs::create_dir(&spool).unwrap();
        trailer.configure("", &format!("[spool]\npath = \"{}\"\npatience_s = {patience_s}\n", spool.display()));
        Self { trailer, spool }
    }

    /// As a good engine does it: written under another name, then renamed.
    fn hand_in(&self, name: &str, text: &str) {
        let beside = self.spool.join(format!("{name}.part"));
        fs::write(&beside, text).unwrap();
        fs::rename(beside, self.spool.join(name)).unwrap();
    }

    /// Names that stand in the folder now, without the one of what was refused.
    fn left(&self) -> Vec<String> {
        let names = fs::read_dir(&self.spool).unwrap().map(|entry| entry.unwrap().file_name().display().to_string());
        names.filter(|name| name != "refused").collect()
    }

    fn refused(&self) -> Vec<Value> {
        let entries = fs::read_dir(self.spool.join("refused")).into_iter().flatten().flatten();
        let reasons = entries.filter(|entry| entry.file_name().to_string_lossy().ends_with(".reason.json"));
        // One that is being written is none yet.
        reasons.filter_map(|entry| serde_json::from_slice(&fs::read(entry.path()).ok()?).ok()).collect()
    }

    fn accepted(&self) -> u64 {
        self.trailer.ask(r#"{"do":"status"}"#)["result"]["queue"]["accepted"].as_u64().unwrap_or(0)
    }

    fn wait(&self, what: &str, mut done: impl FnMut(&Self) -> bool) {
        let began = Instant::now();
        while !done(self) {
            assert!(began.elapsed() < PATIENCE, "{what}: {} left\n{}", self.left().len(), self.trailer.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

fn read(number: u32) -> String {
    json!({
        "id": uuid::Uuid::from_u128(u128::from(number) + 1).to_string(), "camera": "north",
        "captured_at": "2026-11-25T12:00:00Z", "plate": format!("S {number}"), "plate_state": "read",
    })
    .to_string()
}

/// Plates of all reads in the queue, from its database alone.
fn plates(trailer: &Trailer) -> Vec<String> {
    let database = rusqlite::Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    let mut rows = database.prepare("SELECT CAST(body AS TEXT) FROM events WHERE kind = 0").unwrap();
    let bodies = rows.query_map([], |row| row.get::<_, String>(0)).unwrap();
    let plate = |body: String| serde_json::from_str::<Value>(&body).unwrap()["plate"].as_str().unwrap().to_owned();
    bodies.map(|body| plate(body.unwrap())).collect()
}

#[test]
fn row_25_half_written_spool() {
    // Row 25: 10,000 files, of them 500 whose writer pauses in the middle and 100 that stay cut off; 50,000 events.
    let mut spooled = Spooled::new();
    spooled.trailer.start();
    spooled.trailer.signal(Signal::SIGSTOP);
    let whole = |number: u32| spooled.hand_in(&format!("{number}.json"), &read(number));
    (0..9_400).for_each(whole);
    // More events than the kernel keeps for a reader that does not read (16,384).
    let (a, b) = (spooled.spool.join("burst.a"), spooled.spool.join("burst.b"));
    fs::write(&a, "").unwrap();
    for _ in 0..20_300 {
        fs::rename(&a, &b).unwrap();
        fs::rename(&b, &a).unwrap();
    }
    fs::remove_file(&a).unwrap();
    spooled.trailer.signal(Signal::SIGCONT);
    let in_place = |number: u32| {
        let mut file = fs::File::create(spooled.spool.join(format!("{number}.json"))).unwrap();
        file.write_all(&read(number).as_bytes()[..40]).unwrap();
        file
    };
    let paused: Vec<(u32, fs::File)> = (9_400..9_900).map(|number| (number, in_place(number))).collect();
    (9_900..10_000).for_each(|number| drop(in_place(number)));
    std::thread::sleep(Duration::from_millis(700));
    for (number, mut file) in paused {
        file.write_all(&read(number).as_bytes()[40..]).unwrap();
    }
    spooled.wait("all files", |spooled| spooled.left().is_empty());
    assert_eq!(spooled.trailer.stop().code(), Some(0), "{}", spooled.trailer.log());
    let plates = plates(&spooled.trailer);
    let once: HashSet<&String> = plates.iter().collect();
    assert_eq!((plates.len(), once.len()), (9_900, 9_900), "each whole file is one read, once");
    let refused = spooled.refused();
    assert!(refused.iter().all(|reason| reason["problem"]["type"] == "urn:pintle:problem:half-written"), "{refused:?}");
    // The cut files begin alike, so some of them have the same bytes; each is kept under the hash of its bytes.
    assert!(!refused.is_empty());
}

#[test]
fn fault_23_half_written_file_picked_up() {
    let mut spooled = Spooled::patient(5);
    spooled.trailer.start();
    let path = spooled.spool.join("slow.json");
    let lines = format!("{}\n{}\n", read(1), read(2));
    let mut file = fs::File::create(&path).unwrap();
    // It pauses at the end of a line, where what is there is whole by itself.
    file.write_all(&lines.as_bytes()[..=read(1).len()]).unwrap();
    file.sync_all().unwrap();
    std::thread::sleep(Duration::from_millis(1200));
    assert!(path.exists(), "its writer has not closed it");
    file.write_all(&lines.as_bytes()[read(1).len() + 1..]).unwrap();
    drop(file);
    spooled.wait("the slow file", |spooled| spooled.left().is_empty());
    fs::write(spooled.spool.join("dead.json"), &read(3)[..50]).unwrap();
    spooled.wait("the dead writer's file", |spooled| !spooled.refused().is_empty() && spooled.left().is_empty());
    spooled.hand_in("bad.json", &read(4).replace("north", "elsewhere"));
    spooled.wait("the bad file", |spooled| spooled.refused().len() == 2 && spooled.left().is_empty());
    let kept = fs::read_dir(spooled.spool.join("refused")).unwrap().count();
    assert_eq!(kept, 4, "with seal = \"none\" each refused file is kept beside its reason");
    let text = serde_json::to_string(&spooled.refused()).unwrap();
    assert!(text.contains("camera is none of this trailer's") && !text.contains("S 4"), "{text}");
    // The same file again is the same read: an engine that died before it deleted its own copy does no harm.
    spooled.hand_in("again.json", &lines);
    spooled.wait("the repeat", |spooled| spooled.left().is_empty());
    assert_eq!(spooled.trailer.stop().code(), Some(0));
    let mut plates = plates(&spooled.trailer);
    plates.sort();
    assert_eq!(plates, ["S 1", "S 2"]);
}

#[test]
fn a_date_of_long_ago_makes_no_file_quiet_whose_writer_is_still_at_work() {
    // What a step of the clock from 1970 to now looks like: the file was written a moment ago, and its date is old.
    let mut spooled = Spooled::patient(10);
    let begun = |name: &str, text: &str| {
        let mut file = fs::File::create(spooled.spool.join(name)).unwrap();
        file.write_all(text.as_bytes()).unwrap();
        file.set_modified(std::time::UNIX_EPOCH + Duration::from_mins(1)).unwrap();
        file
    };
    let one = format!("{}\n", read(1));
    let mut lines = begun("lines.json", &one);
    let mut half = begun("half.json", &read(2)[..40]);
    spooled.trailer.start();
    // From here on the kernel tells of names.
    spooled.wait("the watch", |spooled| spooled.trailer.log().contains("the spool folder is watched"));
    spooled.hand_in("whole.json", &read(3));
    spooled.wait("a file that was renamed", |spooled| spooled.left().len() == 2);
    std::thread::sleep(Duration::from_millis(1500));
    assert_eq!((spooled.left().len(), spooled.refused().len()), (2, 0), "{}", spooled.trailer.log());
    lines.write_all(read(4).as_bytes()).unwrap();
    half.write_all(&read(2).as_bytes()[40..]).unwrap();
    drop((lines, half));
    spooled.wait("files that were closed", |spooled| spooled.left().is_empty());
    // What nobody tells of is taken once it has been seen unchanged for the patience, whatever its date says.
    assert_eq!(spooled.trailer.stop().code(), Some(0), "{}", spooled.trailer.log());
    let now = std::time::SystemTime::now();
    for (name, number, date) in [("old", 5, std::time::UNIX_EPOCH), ("ahead", 6, now + Duration::from_hours(24_000))] {
        let mut file = fs::File::create(spooled.spool.join(format!("{name}.json"))).unwrap();
        file.write_all(read(number).as_bytes()).unwrap();
        file.set_modified(date).unwrap();
    }
    spooled.trailer.start();
    spooled.wait("files that nobody touches", |spooled| spooled.left().is_empty());
    assert_eq!(spooled.trailer.stop().code(), Some(0), "{}", spooled.trailer.log());
    let mut plates = plates(&spooled.trailer);
    plates.sort();
    assert_eq!(
        (plates, spooled.refused().len()),
        (["S 1", "S 2", "S 3", "S 4", "S 5", "S 6"].map(str::to_owned).into(), 0)
    );
}

#[test]
fn a_file_that_the_agent_may_not_read_stays_is_told_after_the_patience_and_is_taken_once_it_may() {
    if !nix::unistd::geteuid().is_root() {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "needs root, to become another user");
        drop(std::io::stderr().write_fmt(format_args!("not run: needs root, to become another user\n")));
        return;
    }
    let mut spooled = Spooled::patient(2);
    // 65534 is "nobody" (from memory); it needs no entry in the password file.
    spooled.trailer.as_user(65534);
    nix::unistd::chown(&spooled.spool, Some(65534.into()), Some(65534.into())).unwrap();
    spooled.trailer.start();
    let private = |name: &str, number: u32| {
        let beside = spooled.spool.join("x.part");
        fs::write(&beside, read(number)).unwrap();
        fs::set_permissions(&beside, fs::Permissions::from_mode(0o600)).unwrap();
        fs::rename(beside, spooled.spool.join(name)).unwrap();
    };
    private("QX-1.json", 1);
    private("QX-2.json", 2);
    spooled.hand_in("good.json", &read(3));
    spooled.wait("the good file", |spooled| spooled.left().len() == 2);
    let health = spooled.trailer.wait_health(|health| health["intake"]["spool"] == "failing");
    let rows = health["sections"][2]["rows"].as_array().unwrap().clone();
    let row = rows.iter().find(|row| row["label"] == "Spool folder").unwrap();
    assert_eq!(row["value"], "2 files can't be read");
    assert_eq!(row["note"], "Permission denied; what can't be read stays there, all else is taken");
    let health = spooled.trailer.wait_health(|health| need(health, "intake.spool").is_some());
    let told = need(&health, "intake.spool").unwrap();
    assert_eq!(
        (told["urgency"].as_str(), told["what"].as_str().unwrap()),
        (Some("act"), "let the agent read the files in its spool folder")
    );
    assert_eq!(told["why"], "2 files there are not taken, since the agent can't read them: Permission denied.");
    let log = spooled.trailer.log();
    assert_eq!(log.matches("can't be read and stays").count(), 1, "told once, not at each look: {log}");
    assert!(log.contains("mode=\"0600\"") && log.contains("owner=0"), "{log}");
    // A file's name is the engine's, and may be a plate (decision 20).
    assert!(!log.contains("QX-") && !health.to_string().contains("QX-"), "{log}");
    assert_eq!((spooled.left().len(), spooled.refused().len()), (2, 0), "nothing is deleted or moved away");
    for name in spooled.left() {
        fs::set_permissions(spooled.spool.join(name), fs::Permissions::from_mode(0o644)).unwrap();
    }
    spooled.wait("the files that may be read now", |spooled| spooled.left().is_empty());
    let health = spooled.trailer.wait_health(|health| health["intake"]["spool"] == "watched");
    assert_eq!(health["intake"]["refused"], json!({}));
    assert_eq!(spooled.trailer.stop().code(), Some(0), "{}", spooled.trailer.log());
    assert_eq!(plates(&spooled.trailer).len(), 3);
}

#[test]
fn fault_24_watch_events_lost() {
    let mut spooled = Spooled::new();
    // Files from before the start bring no event at all.
    (0..300).for_each(|number| spooled.hand_in(&format!("early-{number}.json"), &read(number)));
    spooled.trailer.start();
    spooled.wait("files from before the start", |spooled| spooled.left().is_empty());
    spooled.trailer.kill();
    (300..400).for_each(|number| spooled.hand_in(&format!("{number}.json"), &read(number)));
    spooled.trailer.start();
    spooled.wait("files from between two starts", |spooled| spooled.left().is_empty());
    assert_eq!(spooled.accepted(), 401, "each once, and the event that opens the queue");
}

#[test]
fn fault_97_path_traversal_and_links_in_spool_names() {
    let mut spooled = Spooled::new();
    let outside = spooled.trailer.folder().join("outside");
    fs::create_dir(&outside).unwrap();
    fs::write(outside.join("secret.json"), read(1)).unwrap();
    let plant = |name: &str| spooled.spool.join(name);
    std::os::unix::fs::symlink(outside.join("secret.json"), plant("link.json")).unwrap();
    std::os::unix::fs::symlink(&outside, plant("folder-link.json")).unwrap();
    fs::hard_link(outside.join("secret.json"), plant("hard.json")).unwrap();
    nix::unistd::mkfifo(&plant("pipe.json"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    fs::create_dir(plant("folder.json")).unwrap();
    spooled.hand_in("%2e%2e%2fup.json", &read(2));
    spooled.hand_in(&format!("{}.json", "n".repeat(200)), &read(3));
    spooled.hand_in("new\nline.json", &read(4));
    // What is refused must not be led elsewhere either.
    std::os::unix::fs::symlink(&outside, plant("refused")).unwrap();
    spooled.trailer.start();
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 1, "nothing is written through the link");
    fs::remove_file(plant("refused")).unwrap();
    spooled.hand_in("good.json", &read(5));
    spooled.wait("the good file", |spooled| spooled.left() == ["folder.json"]);
    spooled.wait("a reason for each", |spooled| spooled.refused().len() == 8);
    assert_eq!(fs::read_to_string(outside.join("secret.json")).unwrap(), read(1), "what a link points to is untouched");
    let kinds: Vec<String> =
        spooled.refused().iter().map(|reason| reason["problem"]["type"].as_str().unwrap().to_owned()).collect();
    let count = |kind: &str| kinds.iter().filter(|found| found.ends_with(kind)).count();
    assert_eq!((count(":spool-entry"), count(":spool-name")), (5, 3), "{kinds:?}");
    // The folder is swapped for another one while the agent runs: it keeps to the one that it opened, or opens anew.
    let moved = spooled.trailer.folder().join("moved");
    fs::rename(&spooled.spool, &moved).unwrap();
    std::os::unix::fs::symlink(&outside, &spooled.spool).unwrap();
    std::thread::sleep(Duration::from_millis(300));
    assert!(fs::read_to_string(outside.join("secret.json")).is_ok(), "{}", spooled.trailer.log());
    assert_eq!(spooled.trailer.stop().code(), Some(0));
    assert_eq!(plates(&spooled.trailer), ["S 5"]);
    assert!(name_is_nowhere(&spooled.trailer.log()), "{}", spooled.trailer.log());
}

fn name_is_nowhere(log: &str) -> bool {
    !["secret", "%2e", "nnnnnn"].iter().any(|name| log.contains(name))
}

#[test]
fn a_spool_folder_that_is_not_there_is_told_and_taken_into_use_when_it_comes() {
    let mut spooled = Spooled::new();
    fs::remove_dir(&spooled.spool).unwrap();
    spooled.trailer.start();
    let health = spooled.trailer.wait_health(|health| health["intake"]["spool"] == "failing");
    let rows = health["sections"][2]["rows"].as_array().unwrap().clone();
    let row = rows.iter().find(|row| row["label"] == "Spool folder").unwrap();
    assert_eq!(row["note"], "the folder of spool.path is not there");
    assert!(!Path::new(&spooled.spool).exists(), "the agent makes no folder in places that are not its own");
    fs::create_dir(&spooled.spool).unwrap();
    spooled.hand_in("late.json", &read(1));
    spooled.wait("the late folder", |spooled| spooled.left().is_empty());
    spooled.trailer.wait_health(|health| health["intake"]["spool"] == "watched");
    let log = spooled.trailer.log();
    assert_eq!(log.matches("the spool folder can't be used").count(), 1, "told once, not each second: {log}");
}

fn need(health: &Value, code: &str) -> Option<Value> {
    health["needs"].as_array().into_iter().flatten().find(|need| need["code"] == code).cloned()
}

#[test]
fn an_engine_whose_reads_are_all_refused_or_numbered_twice_is_told_counted_and_not_forgotten_by_a_restart() {
    let mut spooled = Spooled::new();
    spooled.trailer.start();
    (0..6).for_each(|n| spooled.hand_in(&format!("{n}.json"), &read(n).replace("\"north\"", "\"nort\"")));
    let health = spooled.trailer.wait_health(|health| health["intake"]["refused"]["invalid-read"] == 6);
    let told = need(&health, "intake.refusing").unwrap();
    assert_eq!((told["urgency"].as_str(), &health["intake"]["accepted"]), (Some("act"), &Value::from(0)));
    let why = told["why"].as_str().unwrap();
    assert!(why.starts_with("6 of the last 6 requests, of 15 min, were refused."), "{why}");
    assert!(why.ends_with("A read breaks the contract (invalid-read), about its field camera."), "{why}");
    let metrics = fs::read_to_string(spooled.trailer.runtime_dir().join("health/metrics.prom")).unwrap();
    let sample = |name: &str, labels: &str| {
        let lines = metrics.lines().filter(|line| line.starts_with(name) && line.contains(labels));
        lines.filter_map(|line| line.rsplit(' ').next()).map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(sample("pintle_intake_refused_total{", "reason=\"invalid-read\""), ["6"], "{metrics}");
    assert_eq!(sample("pintle_intake_accepted_total{", ""), ["0"], "{metrics}");
    spooled.wait("a word in the log", |spooled| spooled.trailer.log().contains("requests were refused"));
    let log = spooled.trailer.log();
    assert!(log.matches("requests were refused").count() == 1 && !log.contains("nort\""), "{log}");

    spooled.hand_in("one.json", &read(7));
    spooled.wait("the good file", |spooled| spooled.left().is_empty());
    spooled.hand_in("two.json", &read(7).replace("S 7", "S 8"));
    let health = spooled.trailer.wait_health(|health| need(health, "intake.conflicts").is_some());
    assert_eq!((&health["intake"]["id_conflicts"], &health["intake"]["accepted"]), (&Value::from(1), &Value::from(1)));
    let before = health["process"]["started"].clone();
    spooled.trailer.kill();
    spooled.trailer.start();
    let health = spooled
        .trailer
        .wait_health(|health| health["process"]["started"] != before && need(health, "intake.conflicts").is_some());
    assert_eq!(health["intake"]["id_conflicts"], 1);
    assert_eq!(need(&health, "intake.refusing"), None, "what was refused before the start is no news");
    let reasons = spooled.refused();
    assert!(reasons.len() == 7 && reasons.iter().all(|reason| reason["lived_ms"].is_i64()), "{reasons:?}");
}
