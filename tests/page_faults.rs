//! The page server while what it reads from is ill: a share that hangs, a pipe in the place of a file; and
//! its second key.
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

/// The code of an authenticator program now. Source: RFC 6238, RFC 4226 section 5.3, RFC 4648 section 6.
fn code_now(secret: &str) -> String {
    let bits = secret.bytes().flat_map(|letter| {
        let value = if letter.is_ascii_digit() { letter - b'2' + 26 } else { letter - b'A' };
        (0..5).rev().map(move |bit| (value >> bit) & 1)
    });
    let bits: Vec<u8> = bits.collect();
    let key: Vec<u8> = bits.chunks_exact(8).map(|byte| byte.iter().fold(0, |value, bit| (value << 1) | bit)).collect();
    let now_s = pintle::clock::utc().0 / 1000;
    let key = aws_lc_rs::hmac::Key::new(aws_lc_rs::hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, &key);
    let tag = aws_lc_rs::hmac::sign(&key, &(now_s / 30).to_be_bytes());
    let tag = tag.as_ref();
    let at = usize::from(tag[19] & 15);
    let word = u32::from_be_bytes(tag[at..at + 4].try_into().unwrap()) & 0x7fff_ffff;
    format!("{:06}", word % 1_000_000)
}

#[test]
fn second_factor_is_asked_for_with_the_owners_words_and_its_code_opens_once() {
    let notice = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(notice.path(), "Property of the town.\n<b>All</b> use is recorded.\n").unwrap();
    let page = Page::start_with(Scene::after_tow(), &["--notice", notice.path().to_str().unwrap()]);
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_pintle"))
        .args(["page", "pin", "--anywhere", "--second", "--state"])
        .arg(page.state())
        .output()
        .unwrap();
    let shown = String::from_utf8(run.stdout).unwrap();
    let pin = shown.lines().next().unwrap().rsplit_once(": ").unwrap().1.replace(' ', "");
    let secret = shown.split_once("secret=").unwrap().1.split('&').next().unwrap().to_owned();

    let cover = page.get("/");
    assert!(cover.contains("Property of the town. &#60;b&#62;All&#60;/b&#62; use is recorded."), "{cover}");
    assert!(cover.contains("name=\"code\""), "{cover}");
    let open = |pin: &str, code: &str| page.post("/open", &format!("who=T.+Wray&pin={pin}&code={code}"), "");
    let without = open(&pin, "");
    assert!(without.starts_with("HTTP/1.1 403") && without.contains("That PIN or code is not right."), "{without}");
    let code = code_now(&secret);
    assert_eq!(status(&open("00000000", &code)), 403, "the code alone opens nothing");
    assert!(open(&pin, &code).contains("set-cookie: pintle="));
    assert_eq!(status(&open(&pin, &code)), 403, "nobody uses a code again");
}

/// It can't open the queue, whatever goes wrong in it: what could is no part of it.
#[test]
fn program_of_the_page_holds_no_database_and_no_client_of_a_broker() {
    let holds = |program: &str, text: &str| {
        let found = std::process::Command::new("grep").args(["-q", "-a", "-F", text, program]).status().unwrap();
        found.success()
    };
    for text in ["sqlite_master", "INSERT INTO", "$JS.API"] {
        let [all, page] =
            [env!("CARGO_BIN_EXE_pintle"), env!("CARGO_BIN_EXE_pintle-page")].map(|program| holds(program, text));
        assert!(all, "the search itself must be able to find {text}");
        assert!(!page, "pintle-page holds {text}");
    }
}
