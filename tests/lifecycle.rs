//! Start, stop, restart and crash of the whole agent, as systemd and a technician see them.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use nix::sys::signal::Signal;
use std::os::unix::net::UnixStream;
use std::time::{Duration, Instant};
use trailer::Trailer;

#[test]
fn ready_is_told_only_when_reads_are_taken() {
    let mut trailer = Trailer::new("");
    trailer.spawn();
    let told = trailer.wait_told("READY=1");
    assert!(told.contains("STATUS=Heron 3 takes reads"), "{told}");
    assert_eq!(trailer.read("KLM 4821"), 202, "the first read after READY is taken");
    trailer.wait_health(|health| health["ledger"]["accepted_up_to"].as_u64().is_some_and(|n| 1 <= n));
}

#[test]
fn sigterm_stops_in_order_and_loses_nothing() {
    let mut trailer = Trailer::new("");
    trailer.start();
    for n in 0..20 {
        assert_eq!(trailer.read(&format!("KLM 48{n:02}")), 202);
    }
    let waiting = trailer.ask(r#"{"do":"status"}"#)["result"]["queue"]["waiting"].as_u64().unwrap();
    assert!(20 <= waiting);
    let began = Instant::now();
    let status = trailer.stop();
    assert!(began.elapsed() < Duration::from_secs(10), "design: within 10 s");
    assert_eq!(status.code(), Some(0), "{}", trailer.log());
    let told: Vec<String> = std::iter::from_fn(|| trailer.told()).collect();
    assert!(told.iter().any(|told| told.contains("STOPPING=1")), "{told:?}");
    assert_eq!(trailer.health()["life"], "stopped");
    let left = trailer.health()["ledger"]["waiting"].as_u64();
    assert!(left.is_some_and(|left| waiting <= left), "the last file still says what waits: {left:?}");
    for socket in ["intake.sock", "control.sock"] {
        assert!(!trailer.runtime_dir().join(socket).exists(), "{socket} goes with the agent");
    }
    let log_bytes = std::fs::metadata(trailer.state_dir().join("queue.db-wal")).map_or(0, |meta| meta.len());
    assert_eq!(log_bytes, 0, "the queue was checkpointed");
    assert!(trailer.log().contains("lifecycle: stopped"), "{}", trailer.log());
    trailer.start();
    let after = trailer.ask(r#"{"do":"status"}"#)["result"]["queue"]["waiting"].as_u64().unwrap();
    assert!(waiting <= after, "{waiting} reads waited before the stop, {after} after it");
    assert!(!trailer.log().contains("KLM"), "no plate in the log");
}

#[test]
fn ctrl_c_is_a_stop_too() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.signal(Signal::SIGINT);
    assert_eq!(trailer.wait_ended().code(), Some(0), "{}", trailer.log());
}

#[test]
fn the_watchdog_is_fed_while_work_goes_on() {
    let mut trailer = Trailer::new("");
    // Half of it is longer than the slowest heartbeat of the three that feed it (2 s).
    trailer.environment("WATCHDOG_USEC", "5000000");
    trailer.start();
    let began = Instant::now();
    trailer.wait_told("WATCHDOG=1");
    trailer.wait_told("WATCHDOG=1");
    assert!(began.elapsed() < Duration::from_millis(7500), "twice within three halves: {:?}", began.elapsed());
    assert!(!trailer.log().contains("not fed"), "{}", trailer.log());
}

#[test]
fn a_second_agent_on_the_same_state_folder_is_refused() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let second = trailer.command(&["run"]);
    assert_eq!(second.status.code(), Some(2));
    let text = String::from_utf8(second.stderr).unwrap();
    assert!(text.contains("another agent is running on"), "{text}");
    assert!(text.contains("what to do: stop the other agent first"), "{text}");
    assert_eq!(trailer.read("KLM 4821"), 202, "the first one works on");
}

#[test]
fn a_second_agent_with_a_state_folder_of_its_own_is_refused_the_same_runtime_folder() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let text = std::fs::read_to_string(trailer.config()).unwrap();
    let other = trailer.folder().join("other.toml");
    std::fs::write(&other, text.replace("/state\"", "/other-state\"")).unwrap();
    let second = std::process::Command::new(trailer::PINTLE).args(["run", "--config"]).arg(&other).output().unwrap();
    assert_eq!(second.status.code(), Some(2));
    let told = String::from_utf8(second.stderr).unwrap();
    assert!(told.contains("another agent writes its files into"), "{told}");
    assert!(
        told.contains("what to do: stop the other agent, or give this one a trailer.runtime_dir of its own"),
        "{told}"
    );
    assert_eq!(trailer.read("KLM 4821"), 202, "the first one works on");
    assert!(trailer.ask(r#"{"do":"status"}"#)["result"].is_object(), "with its own sockets");
    trailer.wait_health(|health| health["ledger"]["accepted_up_to"].as_u64().is_some_and(|n| 1 <= n));
}

#[test]
fn a_wrong_configuration_is_told_whole_and_ends_with_78() {
    let trailer = Trailer::new("");
    let text = std::fs::read_to_string(trailer.config()).unwrap();
    std::fs::write(trailer.config(), text.replace("seal = \"none\"\n", "").replace("label", "lable")).unwrap();
    let output = trailer.command(&["run"]);
    assert_eq!(output.status.code(), Some(78));
    let text = String::from_utf8(output.stderr).unwrap();
    assert!(text.contains("2 mistakes in the configuration"), "{text}");
    assert!(text.contains("line 3: [trailer] has no key `lable`; did you mean `label`?"), "{text}");
    assert!(text.contains("missing: `queue.seal`, how waiting reads are protected on the disk"), "{text}");
    assert!(text.contains("what to do: correct these lines"), "{text}");
    assert!(!trailer.state_dir().exists(), "nothing was made");
}

#[test]
fn crashes_in_a_row_lead_to_safe_mode_where_reads_are_still_kept() {
    let mut trailer = Trailer::new("");
    trailer.configure("crashes_max = 2", "");
    trailer.start();
    trailer.kill();
    trailer.start();
    let health = trailer.wait_health(|health| health["life"] == "running");
    assert!(health.to_string().contains("ended without being told to"), "one crash is shown: {health:#}");
    trailer.kill();

    trailer.spawn();
    let told = trailer.wait_told("READY=1");
    assert!(told.contains("STATUS=safe mode: 2 crashes within 10 min, so only intake and queue run"), "{told}");
    assert_eq!(trailer.read("KLM 4821"), 202, "reads are kept in safe mode");
    assert!(UnixStream::connect(trailer.runtime_dir().join("control.sock")).is_err(), "nothing else runs");
    let asks = |health: &serde_json::Value| health["needs"][0]["code"] == "agent.safe_mode";
    let health = trailer.wait_health(|health| asks(health) && health["ledger"]["accepted_up_to"] != 0);
    assert_eq!((&health["word"], &health["life"]), (&"act".into(), &"running".into()));
    assert!(health["sentence"].as_str().unwrap().starts_with("Find out why the agent keeps failing."), "{health:#}");
    for key in ["place", "lines", "link"] {
        let section = health["sections"].as_array().unwrap().iter().find(|section| section["key"] == key).unwrap();
        assert_eq!(section["answer"], "Not watched now", "what nobody watches is never fine: {section}");
    }
    let page = std::fs::read_to_string(trailer.runtime_dir().join("health/index.html")).unwrap();
    assert!(page.contains(">Act</h1>") && page.contains("Kept here, nothing is sent"), "{page}");
    assert_eq!(trailer.stop().code(), Some(0));

    trailer.spawn();
    let told = trailer.wait_told("READY=1");
    assert!(told.contains("takes reads"), "a stop on purpose ends safe mode: {told}");
}

#[test]
fn a_killed_agent_starts_again_over_what_it_left() {
    let mut trailer = Trailer::new("");
    trailer.start();
    assert_eq!(trailer.read("KLM 4821"), 202);
    trailer.kill();
    assert!(trailer.runtime_dir().join("intake.sock").exists(), "a killed agent leaves its sockets");
    trailer.start();
    assert_eq!(trailer.read("KLM 4822"), 202);
    let waiting = trailer.ask(r#"{"do":"status"}"#)["result"]["queue"]["waiting"].as_u64().unwrap();
    assert!(2 <= waiting, "{waiting}");
}
