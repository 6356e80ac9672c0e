//! What goes wrong where a survey reads: shares that hang, files that never end, halves, other versions, wrong clocks,
//! and text that wants to be more than text.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/hanging.rs"]
mod hanging;

use hanging::Hanging;
use pintle::clock;
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn body(mut scene: Scene, label: &str, ago_ms: i64) -> HealthBody {
    scene.now.utc = clock::utc().plus_ms(-ago_ms);
    let told = snapshot(&scene.observations(), &mut Memory::default());
    let mut body = HealthBody::new(&scene.observations(), &told, 1);
    label.clone_into(&mut body.trailer.label);
    body.trailer.id = label.to_lowercase().replace(' ', "-");
    body
}

fn write(folder: &Path, name: &str, text: &str) {
    let folder = folder.join(name);
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("health.json"), text).unwrap();
}

fn text_of(body: &HealthBody) -> String {
    serde_json::to_string(body).unwrap()
}

fn pintle(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pintle")).args(args).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn trailers(folder: &Path) -> Vec<Value> {
    let output = pintle(&["survey", folder.to_str().unwrap(), "--json", "--wait", "10"]);
    let survey: Value = serde_json::from_slice(&output.stdout).unwrap();
    survey["trailers"].as_array().unwrap().clone()
}

fn of<'a>(trailers: &'a [Value], source: &str) -> &'a Value {
    let found = |trailer: &&Value| trailer["source"].as_str().unwrap().ends_with(source);
    trailers.iter().find(found).unwrap_or_else(|| panic!("{source} is missing: {trailers:?}"))
}

#[test]
fn share_that_hangs_is_told_and_holds_up_neither_the_survey_nor_the_other_trailers() {
    let all = tempfile::tempdir().unwrap();
    for n in 0..120 {
        let mut body = body(Scene::standing(), &format!("Heron {n}"), 0);
        body.valid_until = clock::utc().plus_ms(3_600_000).to_rfc3339();
        write(all.path(), &format!("heron-{n}"), &text_of(&body));
    }
    // More than the threads that a runtime has by itself would be held.
    let files: Vec<String> =
        (0..100).map(|n| all.path().join(format!("heron-{n}/health.json")).display().to_string()).collect();
    let Some(hanging) = Hanging::over(&files) else { return };

    let output = pintle(&["survey", all.path().to_str().unwrap(), "--json", "--wait", "5"]);
    let survey: Value = serde_json::from_slice(&output.stdout).unwrap();
    let words: Vec<&str> = survey["trailers"].as_array().unwrap().iter().map(|t| t["word"].as_str().unwrap()).collect();
    let count = |word: &str| words.iter().filter(|of| **of == word).count();
    assert_eq!((words.len(), count("stale"), count("fine")), (120, 100, 20));
    let silent = |t: &&Value| t["why"].as_str().unwrap().starts_with("It did not answer within 5 s");
    assert_eq!(survey["trailers"].as_array().unwrap().iter().filter(silent).count(), 100);
    let took_ms = survey["took_ms"].as_u64().unwrap();
    assert!(took_ms < 40_000, "as long as the share hung: {took_ms} ms");

    let status = pintle(&["status", &files[0], "--json"]);
    let said = told(&status);
    assert!(status.status.code() == Some(3) && said.contains("did not answer within"), "{said}");
    drop(hanging);
    assert_eq!(pintle(&["status", &files[1]]).status.code(), Some(0), "the share is back");
}

#[test]
fn file_of_a_gigabyte_a_pipe_and_a_device_are_told_and_not_read() {
    let all = tempfile::tempdir().unwrap();
    for name in ["large", "pipe", "endless"] {
        std::fs::create_dir(all.path().join(name)).unwrap();
    }
    std::fs::File::create(all.path().join("large/health.json")).unwrap().set_len(1 << 30).unwrap();
    nix::unistd::mkfifo(&all.path().join("pipe/health.json"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    std::os::unix::fs::symlink("/dev/zero", all.path().join("endless/health.json")).unwrap();
    write(all.path(), "good", &text_of(&body(Scene::standing(), "Heron 1", 0)));
    let trailers = trailers(all.path());
    assert!(of(&trailers, "large")["why"].as_str().unwrap().contains("more than 512 kB"), "{trailers:?}");
    for name in ["pipe", "endless"] {
        assert!(of(&trailers, name)["why"].as_str().unwrap().contains("can't be read"), "{trailers:?}");
    }
    assert_eq!(of(&trailers, "good")["word"], "fine");
}

#[test]
fn fault_92_half_a_file_is_stale_in_a_survey_and_never_believed() {
    let all = tempfile::tempdir().unwrap();
    let whole = text_of(&body(Scene::standing(), "Heron 1", 0));
    for part in 0..8 {
        write(all.path(), &format!("part-{part}"), &whole[..whole.len() * part / 8]);
    }
    let trailers = trailers(all.path());
    assert_eq!(trailers.len(), 8);
    for trailer in &trailers {
        assert_eq!(trailer["word"], "stale", "{trailer}");
        assert!(trailer["why"].as_str().unwrap().contains("can't be judged"), "{trailer}");
        assert!(!trailer["do"].as_str().unwrap().is_empty(), "{trailer}");
    }
}

#[test]
fn fault_93_and_94_a_survey_takes_neither_the_past_nor_the_future_nor_no_time_for_fine() {
    let all = tempfile::tempdir().unwrap();
    let (hour, day) = (3_600_000, 86_400_000);
    for (name, ago_ms) in [("old", hour), ("older", 62 * hour), ("ahead", -hour), ("far", -365 * day)] {
        write(all.path(), name, &text_of(&body(Scene::standing(), name, ago_ms)));
    }
    let mut timeless = body(Scene::standing(), "timeless", 0);
    "soon".clone_into(&mut timeless.valid_until);
    write(all.path(), "timeless", &text_of(&timeless));
    let trailers = trailers(all.path());
    let why = |name: &str| {
        let trailer = of(&trailers, name);
        assert_eq!(trailer["word"], "stale", "{trailer}");
        trailer["why"].as_str().unwrap().to_owned()
    };
    assert!(why("/old").starts_with("Silent for 60 min") && why("/older").starts_with("Silent for "), "{trailers:?}");
    assert!(why("/ahead").starts_with("Clock fault") && why("/far").starts_with("Clock fault"), "{trailers:?}");
    assert!(why("/timeless").starts_with("Its times can't be read"), "{trailers:?}");
    assert_eq!(of(&trailers, "/ahead")["age_s"], Value::Null);
}

#[test]
fn states_of_an_older_and_a_newer_pintle_are_told_apart_and_say_what_to_do() {
    let all = tempfile::tempdir().unwrap();
    for (name, format) in [("older", "pintle.health.v0"), ("newer", "pintle.health.v9"), ("foreign", "other.v1")] {
        let mut body = body(Scene::standing(), name, 0);
        format.clone_into(&mut body.format);
        write(all.path(), name, &text_of(&body));
    }
    // A field that a later version of the same format may add is no reason to be deaf.
    let mut more: Value = serde_json::from_str(&text_of(&body(Scene::standing(), "more", 0))).unwrap();
    more["a_later_field"] = 7.into();
    write(all.path(), "more", &more.to_string());
    let trailers = trailers(all.path());
    for (name, want) in [("/older", "an older Pintle"), ("/newer", "a newer Pintle"), ("/foreign", "no format of ours")]
    {
        let trailer = of(&trailers, name);
        assert_eq!(trailer["word"], "stale");
        assert!(trailer["why"].as_str().unwrap().contains(want), "{trailer}");
    }
    assert!(of(&trailers, "/older")["do"].as_str().unwrap().contains("same version"), "{trailers:?}");
}

#[test]
fn fault_98_what_people_painted_is_text_in_every_shape_of_the_survey() {
    let hostile = [
        "=1+1",
        " =HYPERLINK(\"http://x.example\")",
        "+1",
        "-1",
        "@SUM(A1)",
        "\t=1",
        "\u{feff}=1",
        "\u{ff1d}1",
        "<script>alert(1)</script>",
        "\"><svg onload=alert(1)>",
        "\u{1b}]0;title\u{7}\u{1b}[2J",
        "a\r\nforged: line",
        "\u{202e}gnp.exe\u{2066}",
    ];
    let all = tempfile::tempdir().unwrap();
    for (n, text) in hostile.iter().enumerate() {
        let mut body = body(Scene::after_tow(), text, if n % 2 == 0 { 0 } else { 9_000_000 });
        body.trailer.id = format!("{text}{n}");
        (*text).clone_into(&mut body.sentence);
        for need in &mut body.needs {
            for part in [&mut need.what, &mut need.why, &mut need.how, &mut need.code] {
                (*text).clone_into(part);
            }
        }
        write(all.path(), &format!("t{n}"), &text_of(&body));
    }
    let folder = all.path().to_str().unwrap();
    let control = |c: char| {
        (c.is_control() && c != '\n' && c != '\r')
            || ('\u{202a}'..='\u{202e}').contains(&c)
            || ('\u{2066}'..='\u{2069}').contains(&c)
    };

    let text = told(&pintle(&["survey", folder]));
    assert!(!text.contains(control) && !text.contains('\r'), "{text:?}");
    assert!(text.lines().all(|line| line.chars().count() <= 80 && !line.starts_with("forged")), "{text}");

    let csv = told(&pintle(&["survey", folder, "--csv"]));
    assert!(!csv.contains(control), "{csv:?}");
    let lines: Vec<&str> = csv.split("\r\n").filter(|line| !line.is_empty()).collect();
    assert_eq!(lines.len(), hostile.len() + 1, "one line each, and the head: {csv}");
    for quoted in csv.split(['"']).skip(1).step_by(2) {
        let first = quoted.trim_start_matches([' ', '\u{a0}', '\u{feff}', '\u{fffd}']).chars().next();
        assert!(!matches!(first, Some('=' | '+' | '-' | '@' | '\u{ff1d}')), "a formula: {quoted}");
    }

    let html = told(&pintle(&["survey", folder, "--html"]));
    assert!(!html.contains("<script>alert") && !html.contains("<svg onload") && !html.contains(control));
    assert!(html.contains("alert(1)"), "it is shown, as text");

    let json = told(&pintle(&["survey", folder, "--json"]));
    let survey: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(survey["trailers"].as_array().unwrap().len(), hostile.len());
    assert!(!json.contains(control), "{json:?}");
}
