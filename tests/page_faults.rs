//! The page server while what it reads from is ill: a share that hangs, a pipe in the place of a file.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/hanging.rs"]
mod hanging;
#[path = "support/page.rs"]
mod support;

use hanging::Hanging;
use pintle_core::sim::scene::Scene;
use std::time::{Duration, Instant};
use support::Page;

/// Only a failing test waits so long.
const PATIENCE: Duration = Duration::from_mins(1);

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).unwrap().parse().unwrap()
}

#[test]
fn share_that_hangs_leaves_a_page_that_still_answers_and_turns_stale_at_its_time() {
    let mut page = Page::start(Scene::after_tow());
    page.open();
    // Good for some time more, so that both are seen: what was read last, and the same past its time.
    let mut scene = Scene::after_tow();
    scene.facts.valid_s = 15;
    page.write(scene);
    assert!(page.get("/").contains("action=\"do\""), "a fresh page offers deeds");
    let cookie = std::mem::take(&mut page.cookie);
    assert_eq!(status(&page.get("/")), 200, "the cover is read too");
    page.cookie.clone_from(&cookie);

    let names = ["health.json", "index.html", "health.txt", "metrics.prom"];
    let mut files: Vec<String> = names.iter().map(|name| page.health().join(name).display().to_string()).collect();
    files.extend(["index.html", "status.json"].map(|name| page.public().join(name).display().to_string()));
    let Some(hanging) = Hanging::over(&files) else { return };

    let began = Instant::now();
    let shown = page.get("/");
    assert_eq!(status(&shown), 200, "{shown}");
    assert!(shown.contains("Not ready to leave") && !shown.contains("action=\"do\""), "as it was read last: {shown}");
    let told = page.get("/health.json");
    assert!(status(&told) == 503 && told.contains("does not answer"), "{told}");
    page.cookie.clear();
    let cover = page.get("/");
    assert!(status(&cover) == 200 && cover.contains("class=\"gate\""), "the cover stays: {cover}");
    // More than may wait at once, and a wrong PIN beside them: nobody is shut out for good.
    std::thread::scope(|scope| {
        for _ in 0..8 {
            scope.spawn(|| assert_eq!(status(&page.get("/status.json")), 503));
        }
    });
    let wrong = page.post("/open", "who=x&pin=00000000", "");
    assert!(wrong.contains("That PIN is not right"), "{wrong}");
    page.cookie = cookie;
    while !page.get("/").contains("<body class=\"is-stale\"") {
        assert!(began.elapsed() < PATIENCE, "it never turned stale");
        std::thread::sleep(Duration::from_millis(500));
    }
    drop(hanging);
    page.write(Scene::standing());
    while !page.get("/").contains(">Fine</h1>") {
        assert!(began.elapsed() < 3 * PATIENCE, "the share is back, and the page is not");
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn pipe_a_folder_and_a_file_without_end_in_the_place_of_a_health_file_hold_nobody_up() {
    let mut page = Page::start(Scene::standing());
    page.open();
    let health = page.health();
    let path = |name: &str| health.join(name);
    for name in ["health.json", "health.txt", "metrics.prom", "index.html"] {
        std::fs::remove_file(path(name)).unwrap();
    }
    nix::unistd::mkfifo(&path("health.json"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    std::fs::create_dir(path("health.txt")).unwrap();
    std::os::unix::fs::symlink("/dev/zero", path("metrics.prom")).unwrap();
    for asked in ["/", "/health.json", "/health.txt", "/metrics.prom"] {
        let told = page.get(asked);
        assert!(status(&told) == 503 && told.contains("There are no health files to show"), "{asked}: {told}");
    }
}
