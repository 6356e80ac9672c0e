//! Off duty and needs in hand, by the command line and the page, on the whole agent: what is said is told, written down
//! and survives a kill; no read is dropped.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use serde_json::Value;
use trailer::Trailer;

fn said(trailer: &Trailer, args: &[&str]) -> String {
    let run = trailer.command(args);
    assert!(run.status.success(), "{args:?}: {}", String::from_utf8_lossy(&run.stderr));
    String::from_utf8(run.stdout).unwrap()
}

fn refused(trailer: &Trailer, args: &[&str], why: &str) {
    let run = trailer.command(args);
    let told = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(run.status.code() == Some(64) && told.contains(why), "{args:?}: {told}");
}

fn acknowledged(health: &Value, code: &str) -> Value {
    let needs = health["needs"].as_array().cloned().unwrap_or_default();
    needs.into_iter().find(|need| need["code"] == code).map_or(Value::Null, |need| need["acknowledged"].clone())
}

/// The agent knows its own judgement a moment after it has written it.
fn wait_listed(trailer: &Trailer, code: &str) {
    let began = std::time::Instant::now();
    loop {
        let run = trailer.command(&["need", "list"]);
        let told = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
        if told.contains(code) {
            return;
        }
        assert!(began.elapsed() < trailer::PATIENCE, "{code} is never listed: {told}");
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
}

#[test]
fn off_duty_is_told_and_written_down_outlives_a_kill_and_drops_no_read() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let words = ["duty", "off", "--for", "6h", "--reason", "road works", "--by", "T. Wray"];
    assert!(said(&trailer, &words).starts_with("Off duty until "));
    let health = trailer.wait_health(|health| health["off_duty"]["by"] == "T. Wray");
    assert!(health["sentence"].as_str().unwrap().starts_with("Off duty until "), "{}", health["sentence"]);
    let accepted = health["ledger"]["accepted_up_to"].as_u64().unwrap();
    assert_eq!(trailer.read("QRN481"), 202, "a read off duty is taken in as any other");
    trailer.wait_health(|health| health["ledger"]["accepted_up_to"].as_u64() > Some(accepted));
    let note = std::fs::read_to_string(trailer.runtime_dir().join("health/health.txt")).unwrap();
    assert!(note.contains("said by T. Wray: road works"), "{note}");

    trailer.kill();
    trailer.start();
    trailer.wait_health(|health| health["off_duty"]["reason"] == "road works");
    assert!(said(&trailer, &["duty", "status"]).contains("left), said by T. Wray"));
    assert_eq!(said(&trailer, &["duty", "on", "--by", "A. Vane"]), "The trailer is on duty.\n");
    trailer.wait_health(|health| health["off_duty"].is_null());
    let again = trailer.command(&["duty", "on"]);
    assert!(String::from_utf8_lossy(&again.stderr).contains("on duty already"));
    for time in ["48h", "14d"] {
        assert!(
            said(&trailer, &["duty", "off", "--for", time, "--reason", "road works"]).starts_with("Off duty until ")
        );
    }
    refused(
        &trailer,
        &["duty", "off", "--for", "337h", "--reason", "x"],
        "14d is the most; say it again before it ends",
    );
    refused(&trailer, &["tow", "begin", "--for", "13h"], "12h is the most; extend it on the way with --extend");
    let audit = std::fs::read_to_string(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
    let off = audit.lines().find(|line| line.contains("\"duty.off\"")).unwrap();
    assert!(off.contains("T. Wray") && off.contains("road works") && off.contains("21600"), "{off}");
    assert!(audit.lines().any(|line| line.contains("\"duty.on\"") && line.contains("A. Vane")), "{audit}");
}

#[test]
fn a_need_in_hand_is_marked_with_who_and_can_be_taken_back() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.wait_health(|health| health["needs"].as_array().is_some_and(|needs| !needs.is_empty()));
    wait_listed(&trailer, "receiver.none");
    said(&trailer, &["need", "ack", "receiver.none", "--for", "2h", "--by", "T. Wray"]);
    let health = trailer.wait_health(|health| acknowledged(health, "receiver.none")["by"] == "T. Wray");
    assert_eq!(health["word"], "look", "somebody has it in hand, and it is not done");
    assert!(said(&trailer, &["need", "list"]).contains("T. Wray has it in hand until "));
    assert!(said(&trailer, &["need", "list"]).contains("soon  receiver.none"));
    said(&trailer, &["need", "ack", "receiver.none", "--for", "24h", "--by", "T. Wray"]);
    let over = ["need", "ack", "receiver.none", "--for", "25h"];
    refused(&trailer, &over, "24h is the most; say it again when it comes back");
    said(&trailer, &["need", "ack", "receiver.none", "--undo", "--by", "T. Wray"]);
    trailer.wait_health(|health| acknowledged(health, "receiver.none").is_null());
    let wrong = trailer.command(&["need", "ack", "receiver.nine"]);
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("did you mean receiver.none?"));
    let audit = std::fs::read_to_string(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
    assert!(audit.lines().any(|line| line.contains("\"need.ack\"") && line.contains("receiver.none")), "{audit}");
}
