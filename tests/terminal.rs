//! `pintle status` and `pintle survey` at a terminal: colour there and nowhere else, and `--watch`.
#![expect(clippy::unwrap_used, reason = "tests")]

use nix::pty::openpty;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use pintle::clock;
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};

const PINTLE: &str = env!("CARGO_BIN_EXE_pintle");

/// Replaces `health.json` as the agent does, in one step.
fn write(folder: &Path, mut scene: Scene) {
    scene.now.utc = clock::utc();
    scene.facts.valid_s = 600;
    let told = snapshot(&scene.observations(), &mut Memory::default());
    let body = HealthBody::new(&scene.observations(), &told, 1);
    std::fs::write(folder.join("new"), serde_json::to_vec(&body).unwrap()).unwrap();
    std::fs::rename(folder.join("new"), folder.join("health.json")).unwrap();
}

/// What `pintle ARGS` says on a terminal of its own, to its end.
fn on_a_terminal(args: &[&str], no_color: Option<&str>) -> String {
    let pair = openpty(None, None).unwrap();
    let mut command = Command::new(PINTLE);
    command.args(args).stdin(Stdio::null()).stdout(File::from(pair.slave)).env_remove("NO_COLOR");
    command.envs(no_color.map(|value| ("NO_COLOR", value)));
    let mut child = command.spawn().unwrap();
    // Holds the far end too; else the reader would never see the end.
    drop(command);
    let mut said = Vec::new();
    // A terminal whose last writer is gone ends with EIO.
    drop(File::from(pair.master).read_to_end(&mut said));
    child.wait().unwrap();
    String::from_utf8(said).unwrap()
}

#[test]
fn first_line_is_coloured_on_a_terminal_and_nowhere_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap();
    for (scene, set, word) in [(Scene::standing(), "1", "FINE"), (Scene::after_tow(), "1;97;45", "ACT")] {
        write(folder.path(), scene);
        let painted = on_a_terminal(&["status", path], None);
        assert!(painted.starts_with(&format!("\u{1b}[{set}mHeron 3: {word}\u{1b}[0m")), "{painted:?}");
        assert_eq!(painted.matches('\u{1b}').count(), 2, "one line is coloured, the rest is text");
        for plain in [on_a_terminal(&["status", path], Some("1")), on_a_terminal(&["status", path, "--json"], None)] {
            assert!(!plain.contains('\u{1b}'), "{plain:?}");
        }
        let piped = Command::new(PINTLE).args(["status", path]).output().unwrap();
        let piped = String::from_utf8(piped.stdout).unwrap();
        assert!(piped.starts_with(&format!("Heron 3: {word}\n")) && !piped.contains('\u{1b}'), "{piped:?}");
        assert!(!on_a_terminal(&["survey", path], None).contains('\u{1b}'), "a survey is plain everywhere");
    }
}

/// A command that goes on until it is stopped, line by line.
fn watching(args: &[&str]) -> (Child, impl FnMut() -> String + use<>) {
    let mut child = Command::new(PINTLE).args(args).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    (child, move || lines.next().expect("it goes on").unwrap())
}

#[test]
fn watch_tells_each_new_state_until_it_is_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap();
    write(folder.path(), Scene::standing());
    let (mut child, mut line) = watching(&["status", path, "--watch", "1", "--json"]);
    assert!(line().contains("\"word\":\"fine\""));
    write(folder.path(), Scene::after_tow());
    // Each look is one line; the state of before may be told once more.
    assert!((0..60).any(|_| line().contains("\"word\":\"act\"")), "the new state is never told");
    std::fs::remove_file(folder.path().join("health.json")).unwrap();
    assert!((0..60).any(|_| line().contains("no health file")), "and that there is none any more");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn survey_watches_too_and_ends_with_its_word_when_it_is_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let all = folder.path().join("all/heron-3");
    std::fs::create_dir_all(&all).unwrap();
    write(&all, Scene::standing());
    let out = folder.path().join("survey.csv");
    let args =
        ["survey", all.parent().unwrap().to_str().unwrap(), "--watch", "2", "--csv", "--out", out.to_str().unwrap()];
    let mut child = Command::new(PINTLE).args(args).spawn().unwrap();
    let began = std::time::Instant::now();
    let until = |word: &str| {
        while !std::fs::read_to_string(&out).unwrap_or_default().contains(word) {
            assert!(began.elapsed().as_secs() < 120, "{word} is never told");
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
    };
    until("\"fine\"");
    write(&all, Scene::after_tow());
    until("\"act\"");
    // Only while it pauses it listens for the end; twice is surely within a pause.
    let ended = loop {
        kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(200));
        if let Some(ended) = child.try_wait().unwrap() {
            break ended;
        }
        assert!(began.elapsed().as_secs() < 120, "it never ends");
    };
    assert_eq!(ended.code(), Some(2), "the word of the last survey");
}
