//! The page and the survey in a real Chromium: eight states and two surveys, a phone and a desk, by day and by night;
//! axe-core and the HTML checker find nothing. The rig: Chromium, Node with what `tests/browser/package.json` names,
//! Java. `PINTLE_PICTURES` names a folder where the pictures stay.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/page.rs"]
mod support;

use pintle_core::health::duty::{ACK_S, Ack, Span};
use pintle_core::health::{Memory, snapshot};
use pintle_core::link::LinkView;
use pintle_core::link::outages::{Outage, Sum};
use pintle_core::link::rung::{Finding, Rung};
use pintle_core::sim::scene::Scene;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use support::{Page, rig};

/// A phone's first screen, CSS pixels. Source: the page's own bar.
const FIRST_SCREEN_PX: f64 = 600.0;
/// A desk's, CSS pixels; the height that `tests/browser/look.mjs` takes.
const DESK_PX: f64 = 900.0;

fn tools() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/browser")
}

fn run(program: &str, args: &[&str]) -> Option<Output> {
    Command::new(program).args(args).output().ok()
}

fn works(program: &str, args: &[&str]) -> bool {
    run(program, args).is_some_and(|run| run.status.success())
}

fn good_for_an_hour(mut scene: Scene) -> Scene {
    scene.facts.valid_s = 3600;
    scene
}

/// Off duty, and somebody has in hand what it needs.
fn in_hand() -> Scene {
    let mut scene = Scene::after_tow();
    let now = scene.now;
    for need in snapshot(&scene.observations(), &mut Memory::default()).needs {
        scene.duty.acknowledge(Ack {
            code: need.code.to_owned(),
            what: need.what,
            urgency: need.urgency,
            since: need.since,
            span: Span::begin("T. Wray", ACK_S, &now),
        });
    }
    scene.link_report.shown.finding = Some(Finding::bare(Rung::Up));
    scene.link_report.day = Sum { count: 1, total_ms: 4000, longest_ms: 4000 };
    scene.link_report.month = Sum { count: 3, total_ms: 2_499_000, longest_ms: 2_400_000 };
    scene.link_report.recent =
        [(500, 2_400_000, Rung::NoCarrier), (30, 95_000, Rung::NamesFail), (2, 4000, Rung::Slow)]
            .map(|(hours, length_ms, rung)| Outage { began: now.utc.plus_ms(-hours * 3_600_000), length_ms, rung })
            .to_vec();
    scene.duty.go_off("T. Wray", 6 * 3600, "road works", &now);
    scene
}

fn body(answer: &str) -> String {
    answer.split_once("\r\n\r\n").unwrap().1.to_owned()
}

/// All states as files, each as the server sends it.
fn write_states(folder: &Path) {
    let look = || {
        let mut scene = Scene::standing();
        scene.link = LinkView::Down { interface: "usb0".to_owned(), why: "no carrier".to_owned() };
        scene.facts.receiver_fitted = false;
        scene
    };
    let states: Vec<(&str, Scene, i64)> = vec![
        ("fine", Scene::standing(), 0),
        ("look", look(), 0),
        ("act", Scene::underway(), 0),
        ("after-tow", Scene::after_tow(), 0),
        ("stale", Scene::after_tow(), 9 * 3600),
        ("empty", Scene::empty(), 0),
        ("in-hand", in_hand(), 0),
    ];
    let mut page = Page::start(Scene::standing());
    let _agent = page.fake_agent();
    page.open();
    for (name, scene, ago_s) in states {
        page.write_aged(good_for_an_hour(scene), ago_s);
        if name == "in-hand" {
            // The answer to a deed stands in the section where more of its kind is to be done.
            page.post("/do", &format!("csrf={}&deed=untick&tick=mast", page.csrf()), "");
        }
        std::fs::write(folder.join(format!("{name}.html")), body(&page.get("/"))).unwrap();
    }
    survey(folder, "survey", &[("Heron 1", Scene::standing()), ("Heron 2", Scene::after_tow()), ("Heron 3", look())]);
    survey(folder, "survey-fine", &[("Heron 1", Scene::standing()), ("Heron 4", Scene::standing())]);
    page.cookie.clear();
    page.write(good_for_an_hour(look()));
    std::fs::write(folder.join("before-pin.html"), body(&page.get("/"))).unwrap();
}

/// The survey's page of these trailers, and of one that has not been heard for long where somebody is needed.
fn survey(folder: &Path, name: &str, trailers: &[(&str, Scene)]) {
    let fleet = tempfile::tempdir().unwrap();
    let silent = if name == "survey" { vec![("Heron 9", Scene::standing(), 9_600_000)] } else { Vec::new() };
    let all = trailers.iter().map(|(label, scene)| (*label, scene.clone(), 1000)).chain(silent);
    for (label, mut scene, ago_ms) in all {
        scene.now.utc = pintle::clock::utc().plus_ms(-ago_ms);
        label.clone_into(&mut scene.facts.label);
        scene.facts.trailer = label.to_lowercase().replace(' ', "-");
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let body = pintle_core::wire::health::HealthBody::new(&scene.observations(), &told, 1);
        let at = fleet.path().join(&body.trailer.id);
        std::fs::create_dir(&at).unwrap();
        std::fs::write(at.join("health.json"), serde_json::to_vec(&body).unwrap()).unwrap();
    }
    let out = folder.join(format!("{name}.html"));
    let program = env!("CARGO_BIN_EXE_pintle");
    let args = ["survey", fleet.path().to_str().unwrap(), "--html", "--out", out.to_str().unwrap()];
    let made = run(program, &args).unwrap();
    assert!(out.is_file(), "{}", String::from_utf8_lossy(&made.stderr));
    // The picture is taken later than the survey may be believed on a busy machine.
    let text = std::fs::read_to_string(&out).unwrap();
    std::fs::write(&out, later(&text)).unwrap();
}

/// The same page, good for an hour more.
fn later(page: &str) -> String {
    let (before, after) = page.split_once("data-until=\"").unwrap();
    let (until, after) = after.split_once('"').unwrap();
    let until = pintle_core::moment::Utc::parse_rfc3339(until).unwrap().plus_ms(3_600_000).to_rfc3339();
    pintle::show::remaining(&format!("{before}data-until=\"{until}\"{after}"), Some(3600))
}

#[test]
fn each_state_shows_word_step_and_age_on_the_first_screen_and_nothing_is_found_against_it() {
    let modules = tools().join("node_modules");
    let chromium =
        ["/usr/bin/chromium", "/usr/bin/chromium-browser"].into_iter().find(|name| works(name, &["--version"]));
    let there = modules.join("playwright-core").is_dir() && modules.join("axe-core").is_dir();
    if !rig("chromium", chromium.is_some())
        || !rig("node and tests/browser/node_modules", works("node", &["--version"]) && there)
    {
        return;
    }
    let kept = std::env::var_os("PINTLE_PICTURES").map(PathBuf::from);
    let folder = tempfile::tempdir().unwrap();
    let folder = kept.as_deref().unwrap_or(folder.path());
    std::fs::create_dir_all(folder).unwrap();
    write_states(folder);
    let script = tools().join("look.mjs");
    let looked = run("node", &[script.to_str().unwrap(), chromium.unwrap(), folder.to_str().unwrap()]).unwrap();
    let told = String::from_utf8_lossy(&looked.stdout).into_owned();
    let found: Vec<Value> =
        serde_json::from_str(&told).unwrap_or_else(|_| panic!("{told}\n{}", String::from_utf8_lossy(&looked.stderr)));
    let looks: Vec<&Value> = found.iter().filter(|one| one["script"] == true).collect();
    assert_eq!(looks.len(), 10 * 2 * 2, "eight states and two surveys, two sizes, two colours");
    let said = std::fs::read_to_string(folder.join("in-hand.html")).unwrap();
    for deed in [
        "T. Wray has it in hand since",
        "Not in hand any more",
        "On duty again",
        "Send a test alert",
        "30 days 3 outages",
    ] {
        assert!(said.contains(deed), "the deeds of people are among what is looked at: {deed}");
    }
    for one in &looks {
        let what = format!("{} {} {}", one["name"], one["size"], one["colorScheme"]);
        assert_eq!(one["violations"], serde_json::json!([]), "{what}");
        assert_eq!(one["asked"], serde_json::json!([]), "{what}: a page asks nobody for anything");
        assert_eq!(one["over"], serde_json::json!([]), "{what}: blocks lie on each other");
        assert_eq!(one["wide"], 0, "{what}: nothing is wider than the screen");
        let stale = one["name"] == "stale";
        assert_eq!(one["strip"].as_str().unwrap().starts_with("Stale: from"), stale, "{what}");
        let word = one["word"]["text"].as_str().unwrap().to_lowercase();
        let wanted = match one["name"].as_str().unwrap() {
            "fine" | "survey-fine" => "fine",
            "stale" => "stale",
            "look" | "empty" | "in-hand" | "before-pin" => "look",
            _ => "act",
        };
        assert!(word.ends_with(wanted), "{what}: {word}");
        for part in ["word", "step", "age"].into_iter().filter(|part| !stale || *part != "age") {
            let bottom = one[part]["bottom"].as_f64().unwrap_or(f64::INFINITY);
            let limit = if one["size"] == "desk" { DESK_PX } else { FIRST_SCREEN_PX };
            assert!(bottom <= limit, "{what}: {part} ends at {bottom} px");
            assert_ne!(one[part]["text"], "", "{what}: {part}");
        }
    }
    let still: Vec<&Value> = found.iter().filter(|one| one["script"] == false).collect();
    assert_eq!(still.len(), 2);
    for one in still {
        assert!(one["hidden"] == "hidden" && one["word"] == true && one["strip"] == true, "without a script: {one}");
    }
    let bare = found.iter().find(|one| one["styles"] == false).unwrap()["text"].as_str().unwrap().to_owned();
    assert!(bare.contains("Heron 3: Act") && bare.contains("Good until") && !bare.contains("Stale"), "{bare}");
}

#[test]
fn html_checker_finds_no_error_in_any_state() {
    let jar = ["build/dist/vnu.jar", "vnu.jar"].map(|name| tools().join("node_modules/vnu-jar").join(name));
    let jar = jar.into_iter().find(|jar| jar.is_file());
    if !rig("java", works("java", &["-version"])) || !rig("tests/browser/node_modules/vnu-jar", jar.is_some()) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    write_states(folder.path());
    let (jar, folder) = (jar.unwrap(), folder.path());
    let args =
        ["-Xmx256m", "-jar", jar.to_str().unwrap(), "--errors-only", "--format", "json", folder.to_str().unwrap()];
    let checked = run("java", &args).unwrap();
    let told: Value = serde_json::from_slice(&checked.stderr)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&checked.stderr)));
    assert_eq!(told["messages"], serde_json::json!([]));
}
