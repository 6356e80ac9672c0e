//! The agent pulls the lever: the real program with a tree like the kernel's below /sys, a scripted lever and a
//! scripted receiver. The five minutes before the first step are real; the tests begin them in the memory of an
//! earlier process of this boot, as it would stand there after a kill.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod scripted;
#[path = "support/trailer.rs"]
mod trailer;

use pintle::clock;
use pintle_core::link::ladder::{LadderMemory, Step, Taken};
use pintle_core::link::rung::Rung;
use pintle_core::moment::Mono;
use pintle_core::wire::ladder::KeptLadder;
use scripted::Scripted;
use serde_json::Value;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Instant;
use trailer::{PATIENCE, Trailer};

const DONE: &str = "{\"step\":\"cycle\",\"outcome\":\"done\"}\n";
const SIX_MIN_MS: u64 = 360_000;

/// A lever that notes each word and does what the test wants; `None` answers nothing and keeps the connection.
struct Lever(Arc<Mutex<Vec<String>>>);

impl Lever {
    fn listen(path: &Path, does: impl Fn(&str) -> Option<&'static str> + Send + 'static) -> Self {
        let (listener, words) = (UnixListener::bind(path).unwrap(), Arc::new(Mutex::new(Vec::new())));
        let heard = Arc::clone(&words);
        std::thread::spawn(move || {
            let mut held = Vec::new();
            for stream in listener.incoming() {
                let mut stream = BufReader::new(stream.unwrap());
                let mut word = String::new();
                stream.read_line(&mut word).unwrap();
                heard.lock().unwrap().push(word.trim_end().to_owned());
                match does(word.trim_end()) {
                    // Whoever asked may have been killed meanwhile.
                    Some(answer) => drop(stream.get_mut().write_all(answer.as_bytes())),
                    None => held.push(stream),
                }
            }
        });
        Self(words)
    }

    fn words(&self) -> Vec<String> {
        self.0.lock().unwrap().clone()
    }

    fn wait_words(&self, count: usize) -> Vec<String> {
        let began = Instant::now();
        while self.words().len() < count {
            assert!(began.elapsed() < PATIENCE, "the lever heard {:?}", self.words());
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        self.words()
    }
}

fn plugged(trailer: &Trailer) -> PathBuf {
    trailer.folder().join("sys/class/net/usb0")
}

/// Puts the cable in or takes it out.
fn carrier(usb0: &Path, there: bool) {
    std::fs::write(usb0.join("carrier"), if there { "1" } else { "0" }).unwrap();
}

/// A trailer whose tether has no carrier.
fn trailer(receiver: Option<&Scripted>, more: &str) -> Trailer {
    let trailer = Trailer::new("");
    let usb0 = plugged(&trailer);
    std::fs::create_dir_all(usb0.join("statistics")).unwrap();
    for (file, text) in [("flags", "0x1003"), ("ifindex", "2"), ("operstate", "unknown")] {
        std::fs::write(usb0.join(file), text).unwrap();
    }
    carrier(&usb0, false);
    let receiver = receiver.map_or_else(String::new, |one| format!("[receiver]\nurl = \"{}\"\n", one.url()));
    configure(&trailer, &receiver, more);
    trailer
}

/// Writes the configuration: `first` before the tether's tables, `more` to the ladder's.
fn configure(trailer: &Trailer, first: &str, more: &str) {
    let at = trailer.folder().display();
    trailer.configure(
        "",
        &format!(
            "{first}[link]\ninterface = \"usb0\"\nsysfs_dir = \"{at}/sys/class/net\"\n[ladder]\nsocket = \
             \"{at}/lever.sock\"\n{more}"
        ),
    );
}

fn boot() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap().trim().to_owned()
}

/// What an earlier process left: the link broken for six minutes, and these steps taken so many minutes ago.
fn left_behind(trailer: &Trailer, steps: &[(Step, u64)]) {
    left_behind_since(trailer, steps, SIX_MIN_MS);
}

/// The same, with the link broken for `broken_ms`.
fn left_behind_since(trailer: &Trailer, steps: &[(Step, u64)], broken_ms: u64) {
    let now = clock::mono();
    let taken = steps.iter().map(|(step, minutes)| Taken {
        step: *step,
        rung: Rung::NoCarrier,
        at: clock::utc().plus_ms(-i64::try_from(minutes * 60_000).unwrap()),
        dated: false,
        helped: Some(false),
        mono: Some(Mono(now.0.saturating_sub(minutes * 60_000))),
        aged_ms: 0,
    });
    let memory = LadderMemory {
        taken: taken.collect(),
        broken_since: Some(Mono(now.0.saturating_sub(broken_ms))),
        ..LadderMemory::default()
    };
    let folder = trailer.state_dir().join("link");
    std::fs::create_dir_all(&folder).unwrap();
    let bytes = serde_json::to_vec(&KeptLadder::of(&memory, &boot(), now)).unwrap();
    std::fs::write(folder.join("ladder.json"), bytes).unwrap();
}

fn notices(receiver: &Scripted) -> Vec<Value> {
    let events = receiver.requests().into_iter().flat_map(|request| request.events());
    events.filter(|event| event["type"] == "pintle.notice.v1").map(|event| event["data"].clone()).collect()
}

/// A scripted receiver on a thread of its own.
fn receiver() -> Scripted {
    let (tell, told) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async move {
            tell.send(Scripted::start(|_, request| request.stored()).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    told.recv().unwrap()
}

#[test]
fn step_mends_the_link_and_the_notice_says_that_it_helped_and_a_restart_gives_no_new_allowance() {
    let receiver = receiver();
    let mut trailer = trailer(Some(&receiver), "");
    left_behind(&trailer, &[]);
    let usb0 = plugged(&trailer);
    let lever = Lever::listen(&trailer.folder().join("lever.sock"), move |_| {
        carrier(&usb0, true);
        Some(DONE)
    });
    trailer.start();
    // A new address helps nothing that has no carrier: the first step that can help is taken.
    assert_eq!(lever.wait_words(1), ["cycle"]);
    assert_eq!(trailer.read("AB12345"), 202);
    let health = trailer.wait_health(|health| health["link"]["ladder"]["last"]["helped"] == true);
    let ladder = &health["link"]["ladder"];
    assert_eq!((&ladder["steps_day"], &ladder["resets_left"]), (&1.into(), &5.into()), "{ladder:#}");
    assert_eq!(ladder.get("next"), None, "nothing is broken: {ladder:#}");
    assert!(!needs_of(&health).contains(&"link.lever".to_owned()));
    let began = Instant::now();
    while !notices(&receiver).iter().any(|notice| notice["kind"] == "link-step") {
        assert!(began.elapsed() < PATIENCE, "no notice: {:?}\n{}", notices(&receiver), trailer.log());
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let told = notices(&receiver);
    let text = told.iter().find(|notice| notice["kind"] == "link-step").unwrap()["text"].as_str().unwrap().to_owned();
    assert!(text.contains("switched the tether's interface off and on") && text.contains("It helped"), "{text}");
    // kill -9, and the link breaks again.
    trailer.kill();
    carrier(&plugged(&trailer), false);
    trailer.start();
    let health = trailer.wait_health(|health| health["link"]["ladder"]["next"].is_string());
    let ladder = &health["link"]["ladder"];
    assert_eq!((&ladder["steps_day"], &ladder["resets_left"]), (&1.into(), &5.into()), "{ladder:#}");
    assert_eq!(lever.words().len(), 1, "neither five minutes nor the pause are over");
    let metrics = std::fs::read_to_string(trailer.runtime_dir().join("health/metrics.prom")).unwrap();
    for line in ["pintle_link_steps{trailer=\"heron-3\"} 1", "limit=\"resets\"} 5", "rung=\"no-carrier\"} 1"] {
        assert!(metrics.contains(line), "{line} is missing in\n{metrics}");
    }
}

#[test]
fn a_day_that_is_used_up_stays_used_up_whatever_is_restarted() {
    let mut trailer = trailer(None, "");
    let hours = [2, 4, 6, 8, 10, 12].map(|hours| (Step::Cycle, hours * 60));
    left_behind(&trailer, &hours);
    let lever = Lever::listen(&trailer.folder().join("lever.sock"), |_| Some(DONE));
    trailer.start();
    let first = trailer.wait_health(|health| health["link"]["ladder"]["resets_left"] == 0);
    let number = first["generation"].as_u64().unwrap();
    let health = trailer.wait_health(|health| number + 3 <= health["generation"].as_u64().unwrap_or(0));
    assert_eq!(health["link"]["rung"], "no-carrier");
    assert_eq!(health["link"]["ladder"].get("next"), None, "nothing is allowed: {:#}", health["link"]);
    assert_eq!(lever.words(), Vec::<String>::new());
}

#[test]
fn a_lever_that_is_not_there_is_a_need_and_costs_nothing() {
    let mut trailer = trailer(None, "steps = \"usb, cycle\"\n");
    left_behind(&trailer, &[]);
    trailer.start();
    let health = trailer.wait_health(|health| needs_of(health).contains(&"link.lever".to_owned()));
    let ladder = &health["link"]["ladder"];
    assert!(ladder["trouble"].as_str().unwrap().contains("no lever listens at"), "{ladder:#}");
    assert_eq!(
        (&ladder["steps_day"], &ladder["resets_left"]),
        (&0.into(), &6.into()),
        "what was not done is not counted"
    );
    assert_eq!(trailer.read("AB12345"), 202);
}

#[test]
fn a_lever_that_refuses_is_a_need_with_its_own_words() {
    let mut trailer = trailer(None, "");
    left_behind(&trailer, &[]);
    let refusal = "{\"step\":null,\"outcome\":\"refused\",\"why\":\"this user may not pull the lever\",\
                   \"advice\":\"name the agent's user in /etc/pintle/lever.toml\"}\n";
    let lever = Lever::listen(&trailer.folder().join("lever.sock"), move |_| Some(refusal));
    trailer.start();
    let health = trailer.wait_health(|health| needs_of(health).contains(&"link.lever".to_owned()));
    let need = health["needs"].as_array().unwrap().iter().find(|need| need["code"] == "link.lever").unwrap().clone();
    assert!(need.to_string().contains("this user may not pull the lever"), "{need:#}");
    assert!(need.to_string().contains("Name the agent's user"), "{need:#}");
    assert_eq!(lever.words(), ["cycle"], "it is not asked again and again");
}

#[test]
fn a_lever_that_never_answers_holds_nothing_up() {
    let mut trailer = trailer(None, "");
    left_behind(&trailer, &[]);
    let lever = Lever::listen(&trailer.folder().join("lever.sock"), |_| None);
    trailer.start();
    lever.wait_words(1);
    let health = trailer.wait_health(|health| health["link"]["ladder"]["running"] == "cycle");
    let number = health["generation"].as_u64().unwrap();
    // The watcher goes on: it sees the cable come in while the lever hangs.
    carrier(&plugged(&trailer), true);
    let health = trailer.wait_health(|health| health["link"]["rung"] != "no-carrier");
    assert!(number < health["generation"].as_u64().unwrap());
    assert_eq!(health["link"]["ladder"]["running"], "cycle");
    assert_eq!(trailer.read("AB12345"), 202);
    assert!(trailer.stop().success(), "{}", trailer.log());
    let kept = KeptLadder::parse(&std::fs::read(trailer.state_dir().join("link/ladder.json")).unwrap());
    assert_eq!(kept.steps.len(), 1, "what may have been done counts");
}

/// Row 35: 0 during intake writes. Here each read is written for two seconds, and the next one comes soon.
#[test]
fn row_35_icmp_filtered_no_action_while_a_read_is_being_written() {
    let mut trailer = trailer(None, "");
    configure(&trailer, "commit_wait_ms = 2000\n[health]\nevery_s = 1\nvalid_s = 10\n", "");
    // Its first step is due in fifteen seconds, when reads have long been coming.
    left_behind_since(&trailer, &[], 285_000);
    let heard = Arc::new(Mutex::new(None));
    let note = Arc::clone(&heard);
    let _lever = Lever::listen(&trailer.folder().join("lever.sock"), move |_| {
        *note.lock().unwrap() = Some(Instant::now());
        Some(DONE)
    });
    trailer.start();
    let (began, mut writes) = (Instant::now(), Vec::new());
    while heard.lock().unwrap().is_none() {
        // A minute at most for what is written when the step is due, and again for what comes while it is noted.
        assert!(began.elapsed() < 3 * PATIENCE, "{}", trailer.log());
        let sent = Instant::now();
        assert_eq!(trailer.read("AB12345"), 202);
        writes.push((sent, Instant::now()));
        std::thread::sleep(std::time::Duration::from_millis(150));
    }
    let heard = heard.lock().unwrap().unwrap();
    // On its way to the queue and back nothing is being written.
    let tolerance = std::time::Duration::from_millis(300);
    for (sent, answered) in &writes {
        let during = *sent + tolerance < heard && heard + tolerance < *answered;
        assert!(!during, "{:?} after it was sent", heard - *sent);
    }
    // Some go along with what the agent writes for itself; the others must have been on their way for long.
    let on_their_way: std::time::Duration = writes.iter().map(|(sent, answered)| *answered - *sent).sum();
    assert!(began.elapsed() / 3 < on_their_way, "{on_their_way:?} of {:?}", began.elapsed());
}

#[test]
fn phone_that_only_charges_is_told_so_in_words_and_named_again_once_it_tethers() {
    let mut trailer = Trailer::new("");
    let sys = trailer.folder().join("sys");
    // As Linux has it: the phone at port 1-1.2, with the function that tethers, or without.
    let device = sys.join("devices/platform/usb1/1-1.2");
    let function = device.join("1-1.2:1.0");
    for folder in ["class/net", "bus/usb/devices"] {
        std::fs::create_dir_all(sys.join(folder)).unwrap();
    }
    std::fs::create_dir_all(&device).unwrap();
    let link = |from: &Path, to: PathBuf| std::os::unix::fs::symlink(from, to).unwrap();
    link(&device, sys.join("bus/usb/devices/1-1.2"));
    let at = sys.join("class/net");
    let table = format!("[link]\nusb_port = \"1-1.2\"\nsysfs_dir = \"{}\"\n", at.display());
    trailer.configure("", &table);
    trailer.start();
    // The need with "choose USB tethering on it" comes once it has lasted; its words are held beside them.
    trailer.wait_health(|health| health["link"]["rung"] == "charging-only");
    for page in ["health.txt", "index.html"] {
        let text = std::fs::read_to_string(trailer.runtime_dir().join("health").join(page)).unwrap();
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            text.contains("The device is charging only; it gives no network."),
            "{page} says nothing of it: {text}"
        );
    }
    // Somebody chooses it; the name is one that nobody has configured.
    let folder = function.join("net/enx02005e100001");
    std::fs::create_dir_all(folder.join("statistics")).unwrap();
    for (file, text) in [("flags", "0x1003"), ("ifindex", "7"), ("operstate", "unknown"), ("carrier", "1")] {
        std::fs::write(folder.join(file), text).unwrap();
    }
    link(&function, folder.join("device"));
    link(&folder, at.join("enx02005e100001"));
    let health = trailer.wait_health(|health| health["link"]["rung"] != "charging-only");
    assert_eq!(health["link"]["interface"], "enx02005e100001", "{:#}", health["link"]);
    // It falls back to charging.
    std::fs::remove_file(at.join("enx02005e100001")).unwrap();
    std::fs::remove_dir_all(&function).unwrap();
    trailer.wait_health(|health| health["link"]["rung"] == "charging-only");
    // And it is pulled out.
    std::fs::remove_file(sys.join("bus/usb/devices/1-1.2")).unwrap();
    trailer.wait_health(|health| health["link"]["rung"] == "absent");
}

fn needs_of(health: &Value) -> Vec<String> {
    health["needs"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|need| Some(need["code"].as_str()?.to_owned()))
        .collect()
}
