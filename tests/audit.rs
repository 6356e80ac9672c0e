//! The audit: whole after every kind of end, and no change to it goes unseen.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use pintle::audit::{Entry, Log, Who, lines, verify};
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use trailer::Trailer;

fn who(name: &str) -> Who {
    Who { uid: Some(1000), pid: Some(7), name: name.to_owned() }
}

fn entry(number: u64) -> Entry {
    Entry::new(who("T. Wray"), "hold.add", "done").with("camera", "north").with("number", number)
}

fn written(folder: &Path, count: u64) -> Log {
    let log = Log::at(folder.to_owned());
    for number in 1..=count {
        assert_eq!(log.append(entry(number)).unwrap(), number);
    }
    log
}

#[test]
fn an_entry_says_who_did_what_when_and_with_what_outcome() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path().join("audit");
    written(&folder, 1);
    let text = fs::read_to_string(folder.join("audit.ndjson")).unwrap();
    let line: serde_json::Value = serde_json::from_str(text.trim()).unwrap();
    let at = line["at"].as_str().unwrap();
    assert_eq!((at.len(), at.ends_with('Z')), ("2026-11-25T12:00:00.000Z".len(), true), "milliseconds, UTC");
    assert_eq!((line["uid"].as_u64(), line["by"].as_str()), (Some(1000), Some("T. Wray")));
    assert_eq!((line["act"].as_str(), line["outcome"].as_str()), (Some("hold.add"), Some("done")));
    assert_eq!(line["on"]["camera"], "north");
    let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&folder) & 0o077, mode(&folder.join("audit.ndjson"))), (0, 0o600));
}

#[test]
fn every_single_altered_byte_is_found() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 4);
    let file = folder.path().join("audit.ndjson");
    let good = fs::read(&file).unwrap();
    assert_eq!(verify(folder.path()).unwrap().faults, []);
    let last_line = good.len() - good[..good.len() - 1].rsplit(|b| *b == b'\n').next().unwrap().len() - 1;
    for at in (0..last_line).step_by(7) {
        let mut bad = good.clone();
        bad[at] ^= 1;
        fs::write(&file, &bad).unwrap();
        assert_ne!(verify(folder.path()).unwrap().faults, [], "byte {at} was altered");
    }
}

#[test]
fn entries_that_are_taken_out_put_in_or_swapped_are_found_by_their_line() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), 5);
    let file = folder.path().join("audit.ndjson");
    let good = fs::read_to_string(&file).unwrap();
    let split: Vec<&str> = good.lines().collect();
    let joined = |order: &[usize]| order.iter().flat_map(|at| [split[*at], "\n"]).collect::<String>();
    for (order, line) in [(&[0, 1, 3, 4][..], 3), (&[0, 1, 1, 2, 3, 4], 3), (&[0, 2, 1, 3, 4], 2)] {
        fs::write(&file, joined(order)).unwrap();
        let verdict = verify(&file).unwrap();
        assert_eq!(verdict.faults.first().map(|fault| fault.line), Some(line), "{order:?}");
    }
    // The end can be cut off unseen by the chain alone; the hash of the last entry, noted elsewhere, shows it.
    fs::write(&file, joined(&[0, 1, 2])).unwrap();
    assert_eq!(verify(&file).unwrap().faults, []);
    let head = lines(&file).unwrap().last().unwrap().hash.clone();
    assert_ne!(head, "");
    fs::write(&file, joined(&[0, 1])).unwrap();
    assert!(lines(&file).unwrap().iter().all(|line| line.hash != head));
}

#[test]
fn a_line_that_a_power_cut_has_torn_is_recognised_told_and_costs_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("audit.ndjson");
    written(folder.path(), 3);
    let good = fs::read(&file).unwrap();
    let second_ends = good.iter().enumerate().filter(|(_, b)| **b == b'\n').nth(1).unwrap().0 + 1;
    for cut in (second_ends..good.len()).step_by(13) {
        fs::write(&file, &good[..cut]).unwrap();
        let log = Log::at(folder.path().to_owned());
        let number = log.append(entry(9)).unwrap();
        let verdict = verify(folder.path()).unwrap();
        assert_eq!(verdict.faults, [], "cut at {cut}");
        assert_eq!(verdict.torn, u64::from(second_ends < cut && cut < good.len() - 1), "cut at {cut}");
        let acts: Vec<String> = lines(folder.path()).unwrap().into_iter().map(|line| line.act).collect();
        assert_eq!(acts.iter().filter(|act| *act == "audit.torn").count() as u64, verdict.torn);
        assert_eq!(number, verdict.last.unwrap().0);
    }
}

#[test]
fn files_are_closed_and_never_deleted_and_the_chain_runs_through_them() {
    let folder = tempfile::tempdir().unwrap();
    let log = Log::with_file_bytes(folder.path().to_owned(), 4000);
    for number in 1..=100 {
        assert_eq!(log.append(entry(number)).unwrap(), number);
    }
    let again = Log::with_file_bytes(folder.path().to_owned(), 4000);
    assert_eq!(again.append(entry(101)).unwrap(), 101);
    let closed = fs::read_dir(folder.path()).unwrap().flatten();
    let closed = closed.filter(|file| file.file_name().to_string_lossy().starts_with("audit-")).count();
    assert!(5 < closed, "{closed}");
    let verdict = verify(folder.path()).unwrap();
    assert_eq!((verdict.entries, verdict.faults.len(), verdict.begins_later), (101, 0, false));
    let one = verify(&folder.path().join("audit.ndjson")).unwrap();
    assert!(one.begins_later && one.faults.is_empty(), "a single file is checked as far as it goes");
}

#[test]
fn two_programs_that_write_at_once_make_one_chain() {
    let folder = tempfile::tempdir().unwrap();
    std::thread::scope(|scope| {
        for part in 0..4 {
            let log = Log::at(folder.path().to_owned());
            scope.spawn(move || (0..20).for_each(|number| assert!(log.append(entry(part * 100 + number)).is_ok())));
        }
    });
    let verdict = verify(folder.path()).unwrap();
    assert_eq!((verdict.entries, verdict.faults), (80, Vec::new()));
}

#[test]
fn what_cannot_be_written_waits_and_is_written_later_in_its_order() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("audit");
    fs::write(&path, "in the way").unwrap();
    let log = Log::at(path.clone());
    assert!(log.append(entry(1)).is_err());
    assert!(log.append(entry(2)).is_err());
    assert!(log.trouble().unwrap().1.contains("audit"), "people are told");
    fs::remove_file(&path).unwrap();
    log.probe().unwrap();
    assert_eq!(log.trouble(), None);
    let numbers: Vec<String> = lines(&path).unwrap().iter().map(|line| line.on["number"].clone()).collect();
    assert_eq!(numbers, ["1", "2"]);
}

#[test]
fn an_audit_that_was_shortened_while_the_program_runs_is_told_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let log = written(folder.path(), 5);
    let file = folder.path().join("audit.ndjson");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.lines().take(2).flat_map(|line| [line, "\n"]).collect::<String>()).unwrap();
    log.append(entry(6)).unwrap();
    let told = lines(folder.path()).unwrap().into_iter().find(|line| line.act == "audit.shortened").unwrap();
    assert_eq!(told.on["was"], "5");
}

#[test]
fn a_query_for_a_plate_is_written_as_a_hash_that_only_tells_equal_from_different() {
    let folder = tempfile::tempdir().unwrap();
    let log = Log::at(folder.path().to_owned());
    let tag = log.query_tag("QXW 917J").unwrap();
    assert_eq!(tag, log.query_tag("qxw-917j").unwrap(), "spaces, dashes and case make no difference");
    assert_ne!(tag, log.query_tag("QXW 918J").unwrap());
    let elsewhere = tempfile::tempdir().unwrap();
    assert_ne!(tag, Log::at(elsewhere.path().to_owned()).query_tag("QXW 917J").unwrap());
}

#[test]
fn what_people_do_over_the_control_socket_is_in_the_audit_before_they_are_answered() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let folder = trailer.state_dir().join("audit");
    trailer.ask(r#"{"do":"place.set","by":"T. Wray","args":{"camera":"north","road":"Quernstone Road"}}"#);
    let written = lines(&folder).unwrap();
    let last = written.last().unwrap();
    assert_eq!((last.act.as_str(), last.by.as_str(), last.on["camera"].as_str()), ("place.set", "T. Wray", "north"));
    assert_eq!(last.uid, Some(nix::unistd::getuid().as_raw()), "the kernel's word, not the caller's");
    trailer.ask(r#"{"do":"status"}"#);
    for _ in 0..50 {
        trailer.ask(r#"{"do":"reboot","by":"x"}"#);
    }
    let refused = lines(&folder).unwrap().iter().filter(|line| line.act == "command").count();
    assert_eq!(refused, 20, "a caller can't fill the disk, and looking alone is no act");
    trailer.kill();
    trailer.start();
    // The socket of the killed agent lies there until the new one has bound its own.
    let socket = trailer.runtime_dir().join("control.sock");
    let began = std::time::Instant::now();
    while std::os::unix::net::UnixStream::connect(&socket).is_err() {
        assert!(began.elapsed() < trailer::PATIENCE, "no control socket");
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    trailer.ask(r#"{"do":"place.confirm","by":"T. Wray"}"#);
    assert_eq!(trailer.stop().code(), Some(0));
    let checked = trailer.command(&["audit", "verify"]);
    let text = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert_eq!((checked.status.code(), text.contains("whole; head ")), (Some(0), true), "{text}");
    let shown = trailer.command(&["audit", "list", "--act", "place."]);
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert_eq!(shown.lines().count(), 2, "{shown}");
}

#[test]
fn an_audit_that_has_not_begun_is_whole_and_one_that_is_not_there_or_not_readable_is_neither() {
    let trailer = Trailer::new("");
    let told = |args: &[&str]| {
        let done = trailer.command(&[&["audit"], args].concat());
        let text = [done.stdout, done.stderr].concat();
        (done.status.code(), String::from_utf8_lossy(&text).into_owned())
    };
    let fresh = told(&["verify"]);
    assert!(fresh.0 == Some(0) && fresh.1.starts_with("no entries yet\nwhole; head "), "{fresh:?}");
    assert_eq!(told(&["list"]), (Some(0), String::new()));
    fs::create_dir_all(trailer.state_dir().join("audit")).unwrap();
    assert_eq!(told(&["verify"]), fresh, "the folder comes before the first entry");
    let noted = told(&["verify", "--head", &"0".repeat(63)]);
    assert!(noted.0 == Some(2) && noted.1.contains("the hash that you gave is not there"), "{noted:?}");
    // A wrong path must not look like an audit that is whole, and what can't be read is not called altered.
    for path in [trailer.folder().join("nothing"), trailer.folder().to_owned()] {
        let wrong = told(&["verify", &path.display().to_string()]);
        assert!(wrong.0 == Some(3) && wrong.1.contains("there is no audit at"), "{wrong:?}");
    }
    fs::create_dir(trailer.state_dir().join("audit/audit.ndjson")).unwrap();
    let unreadable = told(&["verify"]);
    assert!(unreadable.0 == Some(3) && unreadable.1.contains("Is a directory"), "{unreadable:?}");
}

#[test]
fn while_the_audit_cannot_be_written_nothing_that_must_be_audited_is_done_and_health_says_act() {
    let mut trailer = Trailer::new("");
    fs::create_dir_all(trailer.state_dir()).unwrap();
    fs::write(trailer.state_dir().join("audit"), "in the way").unwrap();
    trailer.start();
    let set = r#"{"do":"place.set","by":"T. Wray","args":{"camera":"north","road":"Quernstone Road"}}"#;
    let answer = trailer.ask(set);
    assert_eq!(answer["status"], 503, "{answer}");
    let told = |health: &serde_json::Value| {
        let needs = health["needs"].as_array();
        needs.is_some_and(|needs| needs.iter().any(|need| need["code"] == "audit.trouble"))
    };
    trailer.wait_health(told);
    let again = trailer.ask(set);
    assert!(again["detail"].as_str().unwrap().contains("nothing was done"), "{again}");
    fs::remove_file(trailer.state_dir().join("audit")).unwrap();
    let answer = trailer.ask(set);
    assert_ne!(answer["status"], 503, "{answer}");
    let outcomes = lines(&trailer.state_dir().join("audit")).unwrap();
    assert_eq!(outcomes.last().unwrap().outcome, "refused", "a place line needs a site, and there is none here");
}
