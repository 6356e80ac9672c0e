//! Reads the sources and holds them to the layout: who may import whom, who may read a clock, how long a line may be.
//!
//! The table of layers stands in `docs/ARCHITECTURE.md`; this test is what keeps it true.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Rooms of `agent/src`, and the rooms of the same crate that each may import. Rooms that are not named here (the
/// root) may
/// import all, and nothing may import them.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("io", &["clock", "config"]),
    ("store", &["clock", "config", "durable", "proof", "wipe"]),
    ("actors", &["audit", "clock", "config", "store", "io", "proof", "show", "actors"]),
    ("audit", &["clock"]),
    ("seal", &["config", "store"]),
    ("show", &[]),
    ("config", &[]),
    ("page", &["clock", "show", "io", "exit"]),
    ("survey", &["clock", "show", "exit"]),
    ("receive", &["audit", "seal", "clock", "durable", "io", "exit", "proof", "show", "wipe"]),
    ("demo", &["clock", "exit"]),
    ("exit", &[]),
    ("clock", &[]),
    ("proof", &[]),
    ("wipe", &[]),
    ("durable", &[]),
];

/// Rooms of `actors` that every actor may import; an actor never imports another one.
const SHARED_BY_ACTORS: &[&str] = &["heartbeat", "messages"];

/// The whole outside world of the core. A crate added here needs a decision record.
const CORE_DEPENDENCIES: &[&str] = &["geographiclib-rs", "nmea", "serde", "serde_json", "thiserror"];

const LINE_COLUMNS_MAX: usize = 120;
/// A line that holds a sentence for people can't always be broken.
const TEXT_COLUMNS_MAX: usize = 150;
const FILE_LINES_MAX: usize = 800;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn sources(below: &str, ending: &str) -> Vec<(String, String)> {
    fn walk(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
        let Ok(entries) = fs::read_dir(folder) else { return };
        for entry in entries.flatten() {
            let path = entry.path();
            if path.is_dir() && !path.ends_with("target") {
                walk(&path, ending, found);
            } else if path.to_string_lossy().ends_with(ending) {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    walk(&root().join(below), ending, &mut found);
    found.sort();
    assert!(!found.is_empty(), "no {ending} file below {below}");
    let base = root().to_string_lossy().into_owned();
    let name = |path: &Path| path.to_string_lossy().replace(&base, "").trim_start_matches('/').to_owned();
    found.iter().map(|path| (name(path), fs::read_to_string(path).expect("a readable source"))).collect()
}

/// The part of a source before its unit tests.
fn without_tests(text: &str) -> &str {
    text.split("#[cfg(test)]").next().unwrap_or(text)
}

/// Rooms named after `crate::` in the code (comments are not code), each with the next word.
fn rooms_imported(text: &str) -> BTreeSet<(String, String)> {
    let mut rooms = BTreeSet::new();
    for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
        for part in line.split("crate::").skip(1) {
            let mut words = part.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|word| !word.is_empty());
            let room = words.next().unwrap_or_default().to_owned();
            rooms.insert((room, words.next().unwrap_or_default().to_owned()));
        }
    }
    rooms
}

#[test]
fn every_room_imports_only_what_its_layer_may() {
    let mut faults = Vec::new();
    for (name, text) in sources("agent/src", ".rs") {
        let inside = name.trim_start_matches("agent/src/");
        let room = inside.split('/').next().unwrap_or(inside).trim_end_matches(".rs");
        let Some((_, allowed)) = MAY_IMPORT.iter().find(|(of, _)| *of == room) else { continue };
        for (imported, inner) in rooms_imported(without_tests(&text)) {
            if imported == room && room != "actors" {
                continue;
            }
            if !allowed.contains(&imported.as_str()) {
                faults.push(format!("{name} imports crate::{imported}, which its layer may not"));
            }
            let own = inside.split('/').nth(1).unwrap_or_default().trim_end_matches(".rs");
            if room == "actors" && imported == "actors" && inner != own && !SHARED_BY_ACTORS.contains(&inner.as_str()) {
                faults.push(format!("{name} imports the actor {inner}"));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn only_the_clock_reads_clocks() {
    for (name, text) in sources("agent/src", ".rs") {
        if name.ends_with("src/clock.rs") {
            continue;
        }
        let mut text = without_tests(&text).replace("tokio::time::Instant::now", "");
        if text.contains("use tokio::time::Instant;") {
            // Deadlines on tokio's own clock belong to its timers.
            text = text.replace("Instant::now", "");
        }
        for banned in ["SystemTime::now", "Instant::now", "clock_gettime", "Timestamp::now", "Zoned::now"] {
            assert!(!text.contains(banned), "{name} calls {banned}: take the time from crate::clock");
        }
    }
}

#[test]
fn the_core_depends_on_nothing_that_touches_the_world() {
    let manifest = fs::read_to_string(root().join("agent/core/Cargo.toml")).expect("the manifest of the core");
    let table =
        manifest.split("[dependencies]").nth(1).and_then(|rest| rest.split("\n[").next()).expect("dependencies");
    let names = table.lines().filter(|line| line.contains('='));
    let found: Vec<&str> = names.map(|line| line.split(['.', ' ', '=']).next().unwrap_or("")).collect();
    assert_eq!(found, CORE_DEPENDENCIES, "the short list is the proof that the core is pure");
    for (name, text) in sources("agent/core/src", ".rs") {
        if !name.contains("/wire/") {
            assert!(!without_tests(&text).contains("serde"), "{name}: serde belongs into wire");
        }
        for banned in ["std::fs", "std::net", "std::thread", "std::env", "std::process", "tokio", "Instant::now"] {
            // An address is a value; only what opens a socket is I/O.
            let text = without_tests(&text).replace("std::net::SocketAddr", "");
            assert!(!text.contains(banned), "{name} names {banned}");
        }
    }
}

#[test]
fn lines_are_short_files_are_rooms_and_nothing_is_left_open() {
    // Put together so that this file does not find itself.
    let halves = [("TO", "DO"), ("FIX", "ME"), ("XX", "X:"), ("#[ign", "ore"), ("unimple", "mented!"), ("to", "do!(")];
    let open = halves.map(|(a, b)| format!("{a}{b}"));
    let mut faults = Vec::new();
    for below in ["agent", "tests"] {
        for (name, text) in sources(below, ".rs") {
            for (number, line) in text.lines().enumerate() {
                let columns_max = if line.contains('"') { TEXT_COLUMNS_MAX } else { LINE_COLUMNS_MAX };
                if columns_max < line.chars().count() {
                    faults.push(format!("{name}:{}: over {columns_max} columns", number + 1));
                }
                if open.iter().any(|word| line.contains(word)) {
                    faults.push(format!("{name}:{}: something is left open", number + 1));
                }
            }
            if FILE_LINES_MAX < text.lines().count() {
                faults.push(format!("{name}: over {FILE_LINES_MAX} lines; is this one room, or several?"));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_decision_has_its_own_number_and_says_how_it_stands() {
    let mut numbers = BTreeSet::new();
    for (name, text) in sources("docs/decisions", ".md") {
        let file = name.rsplit('/').next().unwrap_or_default();
        let number = file.get(..4).unwrap_or_default();
        assert!(number.len() == 4 && number.bytes().all(|c| c.is_ascii_digit()), "{name}: begins with four digits");
        assert!(numbers.insert(number.to_owned()), "{name}: {number} is taken");
        assert!(text.lines().any(|line| line.starts_with("Status: ")), "{name}: has no line \"Status: …\"");
    }
}

/// Paths that the table "Code map" names. A cell may name several; those without `agent/` lie beside the one before.
fn paths_of_the_map(text: &str) -> Vec<String> {
    let map = text.split("\n## ").find(|part| part.starts_with("Code map")).expect("a code map");
    let mut paths = Vec::new();
    for row in map.lines().filter(|line| line.starts_with("| `")) {
        let mut beside = String::new();
        for name in row.split(" | ").next().unwrap_or_default().split('`').skip(1).step_by(2) {
            if name.contains("src/") {
                beside = name.rsplit_once("src/").map_or_else(String::new, |(before, _)| format!("{before}src/"));
                paths.push(name.to_owned());
            } else {
                paths.push(format!("{beside}{name}"));
            }
        }
    }
    paths
}

#[test]
fn every_room_is_on_the_map_and_everything_on_the_map_is_there() {
    let text = fs::read_to_string(root().join("docs/ARCHITECTURE.md")).expect("docs/ARCHITECTURE.md");
    let named = paths_of_the_map(&text);
    for path in &named {
        let place = root().join(path);
        let is_there = if path.ends_with('/') { place.is_dir() } else { place.is_file() };
        assert!(is_there, "the map names {path}, which is not there (folders end with /)");
    }
    for below in ["agent/src", "agent/core/src"] {
        for entry in fs::read_dir(root().join(below)).expect("a folder of rooms").flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            let room = name.trim_end_matches(".rs");
            let starts = |path: &String| {
                let rest = path.strip_prefix(below).and_then(|rest| rest.strip_prefix('/'));
                rest.is_some_and(|rest| rest.split(['/', '.']).next() == Some(room))
            };
            assert!(
                room == "lib" || named.iter().any(starts),
                "{below}/{name} is not on the map of docs/ARCHITECTURE.md"
            );
        }
    }
}

#[test]
fn every_document_is_linked_from_the_readme_or_the_developers_guide() {
    let start = ["README.md", "DEVELOPERS.md"]
        .map(|file| fs::read_to_string(root().join(file)).unwrap_or_else(|_| panic!("{file} is missing")))
        .join("\n");
    for (name, _) in sources("docs", ".md") {
        let file = name.rsplit('/').next().unwrap_or_default();
        assert!(name.contains("/decisions/") || start.contains(file), "{name} is linked from nowhere");
    }
}

#[test]
fn every_test_named_after_a_fault_stands_in_the_table_and_every_name_of_the_table_is_a_test() {
    let is_named = |name: &str| {
        let rest = name.strip_prefix("fault_").or_else(|| name.strip_prefix("row_"));
        rest.is_some_and(|rest| rest.bytes().take_while(u8::is_ascii_digit).count() >= 2)
    };
    let mut tests = BTreeSet::new();
    for below in ["agent", "tests"] {
        for (_, text) in sources(below, ".rs") {
            let names = text.split("fn ").skip(1).filter_map(|rest| rest.split('(').next());
            tests.extend(names.filter(|name| is_named(name)).map(str::to_owned));
        }
    }
    let text = fs::read_to_string(root().join("docs/TESTING.md")).expect("docs/TESTING.md is read");
    let told: BTreeSet<String> = text.split('`').filter(|name| is_named(name)).map(str::to_owned).collect();
    assert!(20 < told.len(), "the table is there");
    let missing: Vec<_> = told.symmetric_difference(&tests).collect();
    assert!(missing.is_empty(), "in docs/TESTING.md or among the tests, but not in both: {missing:?}");
}
