//! What goes first after an outage of our own link, and test alerts through the whole way: the real agent, a real
//! receiver, and a tether whose carrier a test takes away.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[allow(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use receiver::Receiver;
use std::path::PathBuf;
use std::time::Instant;
use trailer::{PATIENCE, Trailer};

/// Reads that wait through the outage (issue: a backlog behind one hit).
const BACKLOG: usize = 10_000;

/// A tether whose interface is a folder.
fn tether(trailer: &Trailer) -> PathBuf {
    let usb0 = trailer.folder().join("sys/class/net/usb0");
    std::fs::create_dir_all(usb0.join("statistics")).unwrap();
    for (file, text) in [("flags", "0x1003"), ("ifindex", "2"), ("operstate", "up"), ("carrier", "1")] {
        std::fs::write(usb0.join(file), text).unwrap();
    }
    usb0
}

/// Hands in many reads at once.
fn hand_in(trailer: &Trailer, reads: usize) {
    let now = pintle::clock::utc().to_rfc3339();
    for first in (0..reads).step_by(1000) {
        let line = |number: usize| {
            format!(r#"{{"camera":"north","captured_at":"{now}","plate":"QX{number}","plate_state":"read"}}"#)
        };
        let lines: Vec<String> = (first..reads.min(first + 1000)).map(line).collect();
        let (status, answer) = trailer.post("application/x-ndjson", &lines.join("\n"));
        assert_eq!(status, 202, "{answer}");
    }
}

fn wait_for(what: &str, trailer: &Trailer, so: impl Fn() -> bool) {
    let began = Instant::now();
    while !so() {
        assert!(began.elapsed() < PATIENCE, "never: {what}\n{:#}\n{}", trailer.health()["receiver"], trailer.log());
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

#[test]
fn after_an_outage_of_our_own_link_the_first_packet_is_the_hit_and_not_one_of_ten_thousand_reads() {
    let mut receiver = Receiver::start_to_stay(&[]);
    let mut trailer = Trailer::new("");
    let usb0 = tether(&trailer);
    let sys = usb0.parent().unwrap().display().to_string();
    let link = format!("[link]\ninterface = \"usb0\"\nsysfs_dir = \"{sys}\"\n");
    trailer.configure("", &format!("[receiver]\nurl = \"{}\"\n{link}", receiver.url));
    trailer.start();
    wait_for("the way is known to be good", &trailer, || receiver.count("SELECT count(*) FROM event") != 0);
    std::fs::write(usb0.join("carrier"), "0").unwrap();
    receiver.kill();
    trailer.wait_health(|health| health["link"]["rung"] == "no-carrier");
    hand_in(&trailer, BACKLOG);
    // The ordinary lane has found out, and its pauses have begun to grow.
    trailer.wait_health(|health| health["receiver"]["failures_in_a_row"].as_u64() > Some(2));
    let now = pintle::clock::utc().to_rfc3339();
    let list = format!(r#"{{"list":"demo list","list_time":"{now}","entry":"E-12"}}"#);
    let hit =
        format!(r#"{{"camera":"north","captured_at":"{now}","plate":"QXHIT","plate_state":"read","hit":{list}}}"#);
    assert_eq!(trailer.post("application/json", &hit).0, 202);
    trailer.wait_health(|health| health["ledger"]["waiting_urgent"] == 1);
    let told = receiver.count("SELECT max(no) FROM event");
    receiver.start_again_at_the_same_address();
    std::fs::write(usb0.join("carrier"), "1").unwrap();
    wait_for("something arrives", &trailer, || told < receiver.count("SELECT max(no) FROM event"));
    let first = receiver.count(&format!("SELECT hit FROM event WHERE {told} < no ORDER BY no LIMIT 1"));
    assert_eq!(first, 1, "the first event after the outage is the hit");
    let reads = "SELECT count(*) FROM event WHERE type = 'pintle.read.v1'";
    let all = i64::try_from(BACKLOG).unwrap() + 1;
    wait_for("all of them arrive", &trailer, || receiver.count(reads) == all);
    trailer.stop();
    let report = receiver.report(&["--json"]);
    let account: serde_json::Value = serde_json::from_str(&report.out).unwrap();
    assert_eq!(account["complete"], true, "{account:#}");
}

#[test]
fn test_alert_says_when_the_receiver_had_it_or_that_it_has_not_and_the_last_one_outlives_a_restart() {
    let mut receiver = Receiver::start_to_stay(&[]);
    let mut trailer = Trailer::new(&format!("[receiver]\nurl = \"{}\"\nretry_ms_max = 1000\n", receiver.url));
    trailer.start();
    let alert = |trailer: &Trailer, wait: &str| {
        let run = trailer.command(&["status", "--test-alert", "--wait", wait]);
        (run.status.code(), String::from_utf8(run.stdout).unwrap(), String::from_utf8(run.stderr).unwrap())
    };
    let event = |text: &str| -> u64 {
        let number = text.split("(event ").nth(1).and_then(|rest| rest.split(')').next());
        number.and_then(|number| number.parse().ok()).unwrap_or_else(|| panic!("no number in {text}"))
    };
    let there = |receiver: &Receiver, sequence: u64| {
        let sql = format!("SELECT count(*) FROM event WHERE type = 'pintle.notice.v1' AND sequence = {sequence}");
        receiver.count(&sql)
    };
    let (code, out, err) = alert(&trailer, "60");
    assert!(out.starts_with("The receiver had the test alert 2") && out.contains(" s (event "), "{out}{err}");
    assert_eq!(code, Some(0), "{out}{err}");
    let first = event(&out);
    assert_eq!(there(&receiver, first), 1, "it really is there");
    let notice = receiver.rows("SELECT data FROM event WHERE type = 'pintle.notice.v1' ORDER BY no DESC LIMIT 1");
    let notice: serde_json::Value = serde_json::from_str(&notice[0]).unwrap();
    assert_eq!((&notice["test"], &notice["urgent"]), (&true.into(), &true.into()));

    receiver.kill();
    let (code, out, err) = alert(&trailer, "1");
    assert!(out.starts_with("No receipt for the test alert within 1 s"), "{out}{err}");
    assert!(out.contains("goes on being tried"), "{out}");
    assert_eq!(code, Some(1));
    let second = event(&out);
    assert!(first < second);
    receiver.start_again_at_the_same_address();
    let (code, out, err) = alert(&trailer, "60");
    assert_eq!(code, Some(0), "{out}{err}");
    let third = event(&out);
    assert!(second < third, "asked again, it tells of the new one: {out}");
    wait_for("the one in between arrives, too", &trailer, || there(&receiver, second) == 1);

    let shown = trailer.wait_health(|health| health["link"]["test_alert"]["sequence"] == third);
    let told = shown["link"]["test_alert"].clone();
    let status = trailer.command(&["status"]);
    let text = String::from_utf8(status.stdout).unwrap();
    assert!(text.starts_with("Heron 3: "), "the configuration names the folder of the health files: {text}");
    trailer.stop();
    receiver.kill();
    trailer.start();
    // The files of the last process are still there: the new one is asked itself.
    wait_for("it outlives a restart", &trailer, || {
        trailer.ask(r#"{"do":"test.status"}"#)["result"]["last"]["sequence"] == third
    });
    let health = trailer.wait_health(|health| health["link"]["test_alert"]["sequence"] == third);
    assert_eq!(health["link"]["test_alert"], told);
}
