#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use pintle_core::health::zone::{Zone, ZoneChange};
use pintle_core::health::{Memory, snapshot};
use pintle_core::ids::SiteId;
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::KeeperState;
use pintle_core::position::places::{LineOrigin, PlaceLine, SiteLines};
use pintle_core::sim::scene::Scene;
use std::sync::Arc;

/// The scene a minute later, so that what must last before it is told has lasted.
fn body(mut scene: Scene) -> HealthBody {
    let mut memory = Memory::default();
    let _first = snapshot(&scene.observations(), &mut memory);
    scene.pass(60_000);
    go_on(&mut scene);
    HealthBody::new(&scene.observations(), &snapshot(&scene.observations(), &mut memory), 118)
}

/// Fixes, reads and receipts have gone on meanwhile, where they had not stopped.
fn go_on(scene: &mut Scene) {
    let now = scene.now;
    let later = |(mono, utc): (Mono, Utc)| (mono.plus_ms(60_000), utc.plus_ms(60_000));
    if let Some(fix) = &mut scene.position.last_fix {
        fix.at = fix.at.plus_ms(60_000);
    }
    scene.position.clock_offset = scene.position.clock_offset.map(|(offset_ms, _)| (offset_ms, now.mono));
    scene.intake.cameras.iter_mut().for_each(|camera| camera.last_read = camera.last_read.map(later));
    if scene.forward.failing_since.is_none() {
        scene.forward.last_receipt = scene.forward.last_receipt.map(later);
        if let Ok(queue) = &mut scene.queue {
            queue.oldest_waiting = queue.oldest_waiting.map(|at| at.plus_ms(60_000));
        }
    }
}

fn scenes() -> Vec<(&'static str, Scene)> {
    vec![
        ("standing", Scene::standing()),
        ("after-tow", Scene::after_tow()),
        ("underway", Scene::underway()),
        ("cut-off", Scene::cut_off()),
        ("empty", Scene::empty()),
    ]
}

fn all_files(body: &HealthBody) -> Vec<Rendered> {
    let public = public_files(body).unwrap().into_iter().map(|(name, text)| match name {
        "index.html" => ("cover.html", text),
        other => (other, text),
    });
    health_files(body).unwrap().into_iter().chain(public).collect()
}

#[test]
fn note_and_metrics_of_each_scene_read_as_agreed() {
    for (name, scene) in scenes() {
        let body = body(scene);
        insta::assert_snapshot!(format!("{name}.txt"), text(&body));
        if name == "after-tow" {
            insta::assert_snapshot!("after-tow.prom", metrics::metrics(&body));
            insta::assert_snapshot!("after-tow.geojson", geojson::sites(&body).unwrap());
            insta::assert_snapshot!("after-tow.public", public::text(&body));
        }
    }
}

#[test]
fn no_line_of_the_note_is_wider_than_a_terminal() {
    for (name, mut scene) in scenes() {
        scene.forward.trouble = Some("x".repeat(300));
        for line in text(&body(scene)).lines() {
            assert!(line.chars().count() <= 80, "{name}: {line}");
        }
    }
}

#[test]
fn all_files_of_one_snapshot_carry_its_number_and_its_times() {
    let body = body(Scene::cut_off());
    for (name, text) in all_files(&body) {
        assert!(text.contains("118") || name == "cover.html", "{name} does not say which snapshot it is of");
        let times = ["14:33:10", "1778596390"]; // written: as people read it, and as seconds since 1970
        assert!(times.iter().any(|time| text.contains(time)), "{name} does not say when it was written");
        let until = ["14:35:10", "1778596510"];
        assert!(until.iter().any(|time| text.contains(time)), "{name} does not say until when it is good");
    }
}

#[test]
fn health_json_fits_its_schema_in_every_scene() {
    let schema: serde_json::Value = serde_json::from_str(include_str!("../../../docs/schema/health.v1.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let mut settling = Scene::underway();
    settling.position.state = KeeperState::Settling;
    settling.position.estimate = settling.position.last_fix.map(|fix| (fix.position, 12.34));
    assert_eq!(body(settling.clone()).place.estimate.map(|estimate| estimate.radius95_m), Some(12.3));
    for (name, scene) in scenes().into_iter().chain([("settling", settling)]) {
        let value = serde_json::to_value(body(scene)).unwrap();
        let faults: Vec<String> =
            validator.iter_errors(&value).map(|e| format!("{name} {}: {e}", e.instance_path())).collect();
        assert_eq!(faults, Vec::<String>::new());
        let mut other = value.clone();
        other["plate"] = "AB12".into();
        assert!(!validator.is_valid(&other), "an unknown field is not ours");
    }
}

#[test]
fn health_json_is_read_back_as_it_was_written() {
    for (_, scene) in scenes() {
        let body = body(scene);
        assert_eq!(serde_json::from_str::<HealthBody>(&pretty(&body).unwrap()).unwrap(), body);
    }
}

/// Checks that tags are nested and closed; enough to find a template that forgets one.
fn assert_nested(name: &str, page: &str) {
    const VOID: [&str; 4] = ["meta", "link", "br", "input"];
    let mut open: Vec<&str> = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        let end = rest[at..].find('>').unwrap() + at;
        let tag = &rest[at + 1..end];
        rest = &rest[end + 1..];
        if tag.starts_with('!') {
            continue;
        }
        let word = tag.trim_start_matches('/').split([' ', '/', '\n']).next().unwrap();
        if tag.starts_with('/') {
            assert_eq!(
                open.pop(),
                Some(word),
                "{name}: </{word}> closes nothing; before: {}",
                &rest[..rest.len().min(80)]
            );
        } else if !tag.ends_with('/') && !VOID.contains(&word) {
            open.push(word);
            if word == "script" || word == "style" {
                rest = &rest[rest.find(&format!("</{word}")).unwrap()..];
            }
        }
    }
    assert_eq!(open, Vec::<&str>::new(), "{name}");
}

#[test]
fn pages_are_nested_small_and_ask_nobody_for_anything() {
    for (name, scene) in scenes() {
        let body = body(scene);
        for page in [page(&body).unwrap(), html::cover(&body).unwrap()] {
            assert_nested(name, &page);
            assert!(page.len() < 120_000, "{name}: {} bytes", page.len());
            for outside in ["src=", "url(", "http://", "https://", "@import"] {
                let found = page.replace("http://www.w3.org/2000/svg", "").contains(outside);
                assert!(!found, "{name} asks outside by {outside}");
            }
            assert!(!page.contains(" style=\""), "{name}: a strict policy forbids style attributes");
            assert_eq!(page.matches("<h1").count(), 1, "{name}");
        }
    }
}

#[test]
fn a_place_line_can_be_written_on_the_page_only_where_it_would_be_taken() {
    let doing = Doing { csrf: "c".to_owned(), who: "T. Wray".to_owned(), told: None };
    let opened = |scene: Scene| open_page(&body(scene), &doing, &[]).unwrap();
    let (write, confirm) = ("name=\"deed\" value=\"write\"", "name=\"deed\" value=\"confirm\"");
    let arrived = opened(Scene::after_tow());
    assert_eq!((arrived.matches(write).count(), arrived.matches(confirm).count()), (3, 2));
    assert_eq!(arrived.matches("Was, before this site:").count(), 2);
    assert!(!arrived.contains("Place lines can&#39;t be written now"), "{arrived}");
    let mut started = Scene::standing();
    started.position.verified_since_start = false;
    started.position.state = KeeperState::Doubtful;
    let mut doubted = Scene::standing();
    doubted.position.state = KeeperState::Doubtful;
    for (scene, why) in [
        (started, "no fix since the start has agreed with the site where the trailer stood. What to do: wait until"),
        (doubted, "it is being checked whether the trailer leaves its site. What to do: wait until that is decided"),
        (Scene::underway(), "the trailer stands at no site now, and a place line belongs to one. What to do: wait"),
    ] {
        let page = opened(scene);
        assert_eq!((page.matches(write).count(), page.matches(confirm).count()), (0, 0), "{why}");
        assert_eq!(page.matches("Place lines can&#39;t be written now: ").count(), 1, "{why}");
        assert!(page.contains(why), "{why}");
    }
}

#[test]
fn a_line_that_nobody_confirmed_says_on_the_page_when_it_was_true() {
    let said = |origin: LineOrigin| {
        let mut scene = Scene::after_tow();
        for held in Arc::make_mut(&mut scene.position.places).sites.values_mut().flat_map(SiteLines::values_mut) {
            held.origin = origin;
        }
        let body = body(scene);
        assert_eq!(body.place_lines[0].origin.as_deref(), Some(origin.word()));
        let page = page(&body).unwrap();
        [
            "Was, before this site:",
            "Was, when the trailer stood at this place before:",
            "Was, before the trailer was moved at this site:",
        ]
        .map(|text| page.matches(text).count())
    };
    assert_eq!(said(LineOrigin::Carried { from: SiteId(12) }), [2, 0, 0]);
    assert_eq!(said(LineOrigin::Returned { from: SiteId(12) }), [0, 2, 0]);
    assert_eq!(said(LineOrigin::Here), [0, 0, 2]);
}

#[test]
fn what_people_wrote_stays_text_on_every_file() {
    let mut scene = Scene::after_tow();
    let hostile = "<script>alert(1)</script>\u{202e}\"&\u{7}\u{1b}[31m\n";
    for lines in Arc::make_mut(&mut scene.position.places).sites.values_mut() {
        for held in lines.values_mut() {
            let (text, at) = (|| hostile.to_owned(), held.line.at);
            held.line = PlaceLine { road: text(), cross_street: text(), direction: text(), by: text(), at };
        }
    }
    scene.facts.label = hostile.to_owned();
    for camera in &mut scene.intake.cameras {
        camera.label = hostile.to_owned();
    }
    scene.position.reason = hostile.to_owned();
    scene.forward.trouble = Some(hostile.to_owned());
    let body = body(scene);
    for (name, text) in all_files(&body) {
        let left = text.chars().find(|c| (c.is_control() && *c != '\n') || ('\u{202a}'..='\u{202e}').contains(c));
        assert_eq!(left, None, "{name} lets a control or direction character through");
        if name.contains("html") {
            assert!(!text.contains("<script>alert"), "{name} lets markup through");
            assert_nested(name, &text);
        }
        for line in text.lines().filter(|_| name == "notices.ndjson") {
            serde_json::from_str::<serde_json::Value>(line).unwrap();
        }
    }
}

#[test]
fn text_of_four_kilobytes_is_cut_where_it_is_shown() {
    let mut scene = Scene::standing();
    for held in Arc::make_mut(&mut scene.position.places).sites.values_mut().flat_map(SiteLines::values_mut) {
        held.line.road = "\u{1f698}".repeat(4096);
    }
    let body = body(scene);
    assert_eq!(body.place_lines[0].road.chars().count(), 161, "160 characters and the sign that it was cut");
    assert!(page(&body).unwrap().len() < 120_000);
}

#[test]
fn page_carries_the_time_left_and_turns_stale_when_none_is_left() {
    let page = page(&body(Scene::standing())).unwrap();
    assert!(page.contains(":root{--good-for:120s}"));
    assert!(remaining(&page, Some(17)).contains(":root{--good-for:17s}"));
    assert!(!remaining(&page, Some(17)).contains("<body class=\"is-stale\""));
    assert!(remaining(&page, None).contains("<body class=\"is-stale\" data-written="));
    assert_eq!(remaining("not ours", None), "not ours");
}

#[test]
fn public_files_tell_word_label_and_times_and_nothing_else() {
    let body = body(Scene::after_tow());
    for (name, text) in public_files(&body).unwrap() {
        for secret in ["Quernstone", "Tallow", "44.5", "38.1", "Camera", "heron-3", "usb0", "site 13"] {
            assert!(!text.contains(secret), "public/{name} tells {secret}");
        }
        assert!(text.contains("Heron 3") && text.to_lowercase().contains("act"), "public/{name}");
    }
}

#[test]
fn every_metric_is_declared_once_and_has_a_number() {
    let text = metrics::metrics(&body(Scene::cut_off()));
    let mut declared = std::collections::BTreeSet::new();
    for line in text.lines() {
        if let Some(declaration) = line.strip_prefix("# TYPE ") {
            let name = declaration.split(' ').next().unwrap();
            assert!(declared.insert(name.to_owned()), "{name} is declared twice");
        } else if !line.starts_with('#') {
            let (name, rest) = line.split_once('{').unwrap();
            assert!(declared.contains(name), "{name} is not declared");
            rest.rsplit_once("} ").unwrap().1.parse::<f64>().unwrap();
        }
    }
    assert!(declared.contains("pintle_ledger_not_accounted") && declared.contains("pintle_link_up"));
}

/// Not a check: writes the files of all scenes below the folder that `PINTLE_PICTURES` names, to be looked at.
#[test]
fn scenes_can_be_written_to_be_looked_at() {
    let Some(folder) = std::env::var_os("PINTLE_PICTURES") else { return };
    for (name, scene) in scenes() {
        let folder = std::path::Path::new(&folder).join(name);
        std::fs::create_dir_all(&folder).unwrap();
        for (file, text) in all_files(&body(scene)) {
            std::fs::write(folder.join(file), text).unwrap();
        }
    }
}

/// Chicago in May: five hours behind UTC, and no change near.
fn in_chicago(mut scene: Scene) -> Scene {
    let change = |from: &str, hours: i32, short: &str| ZoneChange {
        from: Utc::parse_rfc3339(from).unwrap(),
        offset_s: hours * 3600,
        short: short.to_owned(),
    };
    let changes = vec![change("2025-11-02T07:00:00Z", -6, "CST"), change("2026-03-08T08:00:00Z", -5, "CDT")];
    scene.facts.zone = Zone { name: "America/Chicago".to_owned(), changes };
    scene
}

#[test]
fn people_read_local_times_with_utc_beside_the_writing_and_machines_read_utc() {
    let shown = body(in_chicago(Scene::after_tow()));
    for text in [text(&shown), page(&shown).unwrap()] {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains("Tue 12 May, 09:33:10 CDT (14:33:10 UTC)"), "{text}");
        assert!(text.contains("local times of America/Chicago (CDT, UTC-05:00)"), "{text}");
        assert!(text.contains("since 09:25"), "the site's arrival in section 1: {text}");
    }
    let stored = (shown.written.as_str(), shown.place.site.as_ref().unwrap().arrived.ends_with('Z'));
    assert_eq!(stored, ("2026-05-12T14:33:10.000Z", true));
    let told = text(&body(Scene::after_tow()));
    assert!(told.split_whitespace().collect::<Vec<_>>().join(" ").contains("Times are UTC; no zone is configured."));
}
