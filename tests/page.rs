//! `pintle page` as a browser, a curious person and a foreign page see it: the real binary on a free loopback port.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/page.rs"]
mod support;

use pintle_core::sim::scene::Scene;
use std::process::Command;
use support::{Page, set_pin};

#[test]
fn browser_gets_the_page_of_now_with_a_strict_policy() {
    let mut page = Page::start(Scene::standing());
    page.open();
    let answer = page.get("/").to_lowercase();
    assert!(answer.starts_with("http/1.1 200"), "{answer}");
    assert!(answer.contains("content-security-policy: default-src 'none'; style-src 'sha256-"));
    assert!(answer.contains("frame-ancestors 'none'") && answer.contains("x-frame-options: deny"));
    assert!(answer.contains("cache-control: no-store") && !answer.contains("unsafe-inline"));
    assert!(answer.contains(">fine</h1>") && !answer.contains("<body class=\"is-stale\""));
    page.write(Scene::after_tow());
    assert!(page.get("/").contains(">Act</h1>"), "the next load shows the next state");
}

/// The text without its UTC stamps (`2026-01-02T03:04:05.678Z`).
fn without_stamps(text: &str) -> String {
    let is_stamp = |part: &str| {
        let shape = "0000-00-00T00:00:00.000Z";
        part.len() == shape.len()
            && part
                .bytes()
                .zip(shape.bytes())
                .all(|(byte, like)| byte == like || (like == b'0' && byte.is_ascii_digit()))
    };
    text.split('"').filter(|part| !is_stamp(part)).collect::<Vec<_>>().join("\"")
}

#[test]
fn without_a_session_every_path_gives_what_public_holds_and_no_more() {
    let page = Page::start(Scene::after_tow());
    std::fs::write(page.health().join("secret"), "hidden away").unwrap();
    let secrets = ["Quernstone", "Tallow", "44.5", "38.1", "camera-1", "heron-3", "usb0", "site 13", "hidden away"];
    for path in ["/status.txt", "/status.json"] {
        let file = std::fs::read_to_string(page.public().join(&path[1..])).unwrap();
        assert_eq!(page.get(path).split_once("\r\n\r\n").unwrap().1, file, "{path} is not byte for byte the file");
    }
    for path in ["/", "/index.html"] {
        let body = page.get(path).split_once("\r\n\r\n").unwrap().1.to_owned();
        let file = std::fs::read_to_string(page.public().join("index.html")).unwrap();
        let (before, gate) = body.split_once("<form class=\"gate\"").unwrap();
        let (gate, after) = gate.split_once("</form>").unwrap();
        assert!(gate.contains("This is a restricted system"), "{gate}");
        let rule = ":root{--good-for:";
        let without_time = |text: &str| {
            let (before, after) = text.split_once(rule).unwrap();
            format!("{before}{rule}{}", after.trim_start_matches(|c: char| c.is_ascii_digit()))
        };
        let rest = format!("{before}{}", after.trim_start());
        assert_eq!(without_time(&rest).replace('\n', ""), without_time(&file).replace('\n', ""), "{path}");
    }
    let others = [
        "/health.json",
        "/health.txt",
        "/metrics.prom",
        "/sites.geojson",
        "/notices.ndjson",
        "/history.ndjson",
        "/secret",
        "/../health.json",
        "/%2e%2e/health/health.json",
        "//health.json",
        "/./health.json",
        "/health/",
        "/public/index.html",
        "/do",
        "/open",
        "/leave",
        "/index.html/../health.json",
        "/status.json/..",
        "/.",
        "/*",
    ];
    for method in ["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH"] {
        for path in others.iter().chain(&["/status.txt", "/"]) {
            let answer = page.ask(method, path, &page.address);
            // The stamps to the millisecond are public, and one of a second 44.5 would read as the latitude.
            let told = without_stamps(&answer);
            for secret in secrets {
                assert!(!told.contains(secret), "{method} {path} tells {secret}: {answer}");
            }
            let status: u16 = answer.split(' ').nth(1).unwrap().parse().unwrap();
            let public = matches!(*path, "/" | "/status.txt") && matches!(method, "GET" | "HEAD");
            assert_eq!(status == 200, public, "{method} {path}: {answer}");
        }
    }
}

#[test]
fn without_a_pin_nobody_gets_in_and_the_cover_says_how_one_is_set() {
    let page = Page::start_without_pin(Scene::after_tow());
    let answer = page.get("/");
    assert!(answer.contains("pintle page pin sets one") && !answer.contains("name=\"pin\""), "{answer}");
    let told = page.post("/open", "who=T.+Wray&pin=00000000", "");
    assert!(told.starts_with("HTTP/1.1 200") && !told.contains("set-cookie"), "{told}");
}

#[test]
fn right_pin_opens_for_a_named_person_and_the_cookie_is_of_this_page_alone() {
    let mut page = Page::start(Scene::after_tow());
    assert!(page.post("/open", &format!("pin={}", page.pin), "").contains("Your name is missing"));
    let wrong = page.post("/open", "who=T.+Wray&pin=1234567x", "");
    assert!(wrong.starts_with("HTTP/1.1 403") && wrong.contains("That PIN is not right"), "{wrong}");
    let answer = page.post("/open", &format!("who=T.+Wray&pin={}", page.pin), "").to_lowercase();
    assert!(answer.starts_with("http/1.1 303") && answer.contains("location: /\r\n"), "{answer}");
    let cookie = answer.lines().find(|line| line.starts_with("set-cookie: ")).unwrap();
    assert!(cookie.contains("; path=/; httponly; samesite=strict; max-age=43200"), "{cookie}");
    page.open();
    let shown = page.get("/");
    assert!(shown.contains("Open for T. Wray") && shown.contains("Not ready to leave"), "{shown}");
    assert!(page.get("/health.json").contains("pintle.health.v1"));
    let csrf = page.csrf();
    assert!(page.post("/leave", &format!("csrf={csrf}"), "").starts_with("HTTP/1.1 303"));
    assert!(page.get("/").contains("class=\"gate\""), "a page that was shut is shut");
}

#[test]
fn new_pin_shuts_all_open_pages_and_the_old_one_opens_none() {
    let mut page = Page::start(Scene::standing());
    page.open();
    let new = set_pin(&page.state());
    let old = std::mem::replace(&mut page.pin, new);
    assert!(page.get("/").contains("class=\"gate\""));
    assert!(page.post("/open", &format!("who=x&pin={old}"), "").starts_with("HTTP/1.1 403"));
    page.open();
    assert!(!page.get("/").contains("class=\"gate\""));
}

/// A thousand wrong PINs from one source: five are compared, the rest wait; the open page stays open, also when the
/// server starts again in between the count stays.
#[test]
fn fault_99_thousand_wrong_pins_of_one_source_open_nothing_and_shut_no_open_page() {
    let mut page = Page::start(Scene::standing());
    page.open();
    let mut seen = (0, 0);
    for n in 0..1000 {
        let answer = page.post("/open", &format!("who=x&pin={n:08}"), "");
        match answer.split(' ').nth(1).unwrap() {
            "403" => seen.0 += 1,
            "429" => seen.1 += 1,
            other => panic!("{other}: {answer}"),
        }
    }
    assert!(seen.0 <= 8 && seen.0 + seen.1 == 1000, "{seen:?}");
    assert!(page.get("/").contains("Open for T. Wray"), "the open page is not touched");
    page.restart();
    let answer = page.post("/open", &format!("who=x&pin={}", page.pin), "");
    assert!(answer.starts_with("HTTP/1.1 429") && answer.to_lowercase().contains("retry-after: "), "{answer}");
}

#[test]
fn fault_99_thousand_wrong_pins_of_many_sources_wait_too_and_a_known_source_still_opens() {
    let mut page = Page::start(Scene::standing());
    page.open();
    let mut compared = 0;
    for n in 0..1000_u32 {
        let from = format!("127.0.{}.{}", 1 + n / 200, 1 + n % 200);
        let answer = page.post_from(&from, "/open", &format!("who=x&pin={n:08}"));
        compared += u32::from(answer.starts_with("HTTP/1.1 403"));
    }
    assert!((30..200).contains(&compared), "{compared} were compared");
    let answer = page.post("/open", &format!("who=x&pin={}", page.pin), "");
    assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
    assert!(page.get("/").contains("Open for T. Wray"));
}

#[test]
fn each_deed_reaches_the_agent_once_with_who_did_it_and_is_answered_on_the_page() {
    let mut page = Page::start(Scene::after_tow());
    let agent = page.fake_agent();
    page.open();
    let csrf = page.csrf();
    for (form, want) in [
        ("deed=tick&tick=mast", r#"{"args":{"tick":"mast","undo":false},"by":"T. Wray","do":"ready.tick"}"#),
        ("deed=confirm&camera=camera-1", r#"{"args":{"camera":"camera-1"},"by":"T. Wray","do":"place.confirm"}"#),
        (
            "deed=write&camera=camera-2&road=Brackwater+Lane&cross_street=&direction=eastbound",
            concat!(
                r#"{"args":{"camera":"camera-2","cross_street":"","direction":"eastbound","road":"Brackwater Lane"},"#,
                r#""by":"T. Wray","do":"place.set"}"#
            ),
        ),
        (
            "deed=tow&hours=3&reason=to+the+yard",
            r#"{"args":{"extend":false,"for_s":10800.0,"reason":"to the yard"},"by":"T. Wray","do":"tow.begin"}"#,
        ),
        ("deed=tow_end", r#"{"args":{},"by":"T. Wray","do":"tow.end"}"#),
    ] {
        let answer = page.post("/do", &format!("csrf={csrf}&{form}"), "");
        assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
        assert_eq!(agent.recv_timeout(std::time::Duration::from_mins(1)).unwrap(), want);
        let shown = page.get("/");
        assert!(shown.contains("role=\"status\"") && shown.contains("By T. Wray."), "{form}: {shown}");
        assert!(!page.get("/").contains("role=\"status\""), "it is told once");
    }
    assert!(agent.try_recv().is_err());
}

#[test]
fn forms_without_the_pages_own_word_or_from_another_page_do_nothing() {
    let mut page = Page::start(Scene::after_tow());
    let agent = page.fake_agent();
    page.open();
    let csrf = page.csrf();
    let foreign = [
        format!("csrf={csrf}&deed=queue.drop"),
        "csrf=x&deed=tick&tick=mast".to_owned(),
        "deed=tick&tick=mast".to_owned(),
    ];
    for form in &foreign {
        page.post("/do", form, "");
    }
    // Who sees an old page in a second tab, or comes back with the browser's button, is told that nothing was done.
    for (path, form) in [("/do", foreign[1].as_str()), ("/do", foreign[2].as_str()), ("/leave", "csrf=x")] {
        assert!(page.post(path, form, "").starts_with("HTTP/1.1 303"), "{form}");
        let shown = page.get("/");
        assert!(shown.contains("told wrong\" role=\"status\">Not done. This page was old; try again.</p>"), "{shown}");
        assert!(!page.get("/").contains("This page was old"), "it is told once");
    }
    let form = format!("csrf={csrf}&deed=tick&tick=mast");
    for header in ["Sec-Fetch-Site: cross-site\r\n", "Origin: https://evil.example\r\n", "Origin: null\r\n"] {
        assert!(page.post("/do", &form, header).starts_with("HTTP/1.1 403"), "{header}");
    }
    let long = page.post("/do", &format!("csrf={csrf}&deed=write&road={}", "r".repeat(17_000)), "");
    assert!(long.starts_with("HTTP/1.1 413"), "{long}");
    page.cookie.clear();
    let shut = page.post("/do", &form, "");
    assert!(shut.starts_with("HTTP/1.1 403") && shut.contains("Not done. The page had shut by itself"), "{shut}");
    assert!(agent.try_recv().is_err(), "nothing reached the agent");
}

#[test]
fn without_an_agent_a_deed_is_answered_by_what_to_do() {
    let mut page = Page::start(Scene::after_tow());
    page.open();
    page.post("/do", &format!("csrf={}&deed=tow_end", page.csrf()), "");
    assert!(page.get("/").contains("Not done: no agent is running"));
}

#[test]
fn machines_get_one_file_by_their_token_and_nothing_else() {
    let page = Page::start(Scene::standing());
    let token = page.token("metrics");
    let ask = |path: &str, token: &str| {
        let address = &page.address;
        page.say(&format!(
            "GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\r\n"
        ))
    };
    assert!(ask("/metrics.prom", &token).contains("pintle_ledger_not_accounted"));
    for (path, token) in [("/health.json", token.as_str()), ("/metrics.prom", "x"), ("/metrics.prom", "")] {
        assert!(ask(path, token).starts_with("HTTP/1.1 401"), "{path}");
    }
    let survey = page.token("survey");
    assert!(ask("/health.json", &survey).contains("pintle.health.v1"));
}

/// Faults 93 and 94: a file past its time, and one from the future, are both shown as such, and offer no deeds.
#[test]
fn fault_93_and_94_old_files_and_files_of_the_future_are_stale_and_offer_nothing_to_do() {
    let mut page = Page::start(Scene::standing());
    page.open();
    for (ago_s, told) in
        [(200, "Stale: from"), (86_400, "Stale: from"), (-3600, "Clock fault"), (-86_400, "Clock fault")]
    {
        page.write_aged(Scene::standing(), ago_s);
        let shown = page.get("/");
        assert!(shown.contains("<body class=\"is-stale\""), "{ago_s}");
        assert!(shown.contains(&format!("id=\"strip\">{told}")), "{ago_s}");
        assert!(!shown.contains("action=\"do\""), "{ago_s}: a stale page offers no deeds");
    }
    page.write_aged(Scene::standing(), 0);
    let text = std::fs::read_to_string(page.health().join("index.html")).unwrap();
    std::fs::write(page.health().join("index.html"), text.replacen("data-until=\"", "data-until=\"soon ", 1)).unwrap();
    std::fs::remove_file(page.health().join("health.json")).unwrap();
    assert!(page.get("/").contains("<body class=\"is-stale\""), "a time that can't be read is never fresh");
}

#[test]
fn health_files_of_an_older_program_get_deeds_and_those_of_a_newer_one_are_shown_as_they_are() {
    let mut page = Page::start(Scene::after_tow());
    page.open();
    let path = page.health().join("health.json");
    let mut body: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    body.as_object_mut().unwrap().remove("ready");
    std::fs::write(&path, body.to_string()).unwrap();
    let shown = page.get("/");
    assert!(shown.contains("action=\"do\"") && !shown.contains("Not ready to leave"));
    for newer in ["pintle.health.v2", "", "x"] {
        body["format"] = newer.into();
        std::fs::write(&path, body.to_string()).unwrap();
        let shown = page.get("/");
        assert!(shown.contains(">Act</h1>") && !shown.contains("action=\"do\""), "{newer}");
    }
    for broken in ["", "{", "[]", "null"] {
        std::fs::write(&path, broken).unwrap();
        assert!(page.get("/").starts_with("HTTP/1.1 200"), "{broken}");
    }
}

#[test]
fn page_of_another_name_that_points_here_learns_nothing() {
    let page = Page::start(Scene::standing());
    let answer = page.ask("GET", "/status.json", "trailer.example");
    assert!(answer.starts_with("HTTP/1.1 421") && !answer.contains("Heron 3"), "{answer}");
}

#[test]
fn missing_files_are_told_with_what_to_do() {
    let mut page = Page::start(Scene::standing());
    std::fs::remove_file(page.public().join("index.html")).unwrap();
    let answer = page.get("/");
    assert!(answer.starts_with("HTTP/1.1 503") && answer.contains("Is the agent running"), "{answer}");
    page.write(Scene::standing());
    page.open();
    for name in ["index.html", "health.json"] {
        std::fs::remove_file(page.health().join(name)).unwrap();
    }
    assert!(page.get("/").starts_with("HTTP/1.1 503"));
}

#[test]
fn page_listens_on_no_address_that_nobody_has_thought_about() {
    for (args, told) in [
        (&["--listen", "0.0.0.0:0"][..], "every address of this computer"),
        (&["--listen", "[::]:0", "--tether", "none"], "every address of this computer"),
        (&["--listen", "192.0.2.7:0"], "nobody has said which interface is the hotspot's"),
    ] {
        let run = Command::new(env!("CARGO_BIN_EXE_pintle")).arg("page").args(args).output().unwrap();
        assert_eq!(run.status.code(), Some(64), "{args:?}");
        let stderr = String::from_utf8(run.stderr).unwrap();
        assert!(stderr.contains(told) && stderr.contains("what to do"), "{stderr}");
    }
}

/// The page's own certificate, and a page server that stays small while it does all that costs memory. A build for
/// tests has larger code, whose pages count as resident: all of it is held to 24 MiB here, and what is its own to
/// what the release build needs to stay below 15 MiB in all (decision 0092, `docs/BENCHMARKS.md`).
#[test]
fn page_speaks_tls_with_its_own_certificate_and_its_memory_stays_small() {
    let page = Page::start_with(Scene::after_tow(), &["--tls"]);
    let history = "{\"at\":\"2026-11-26T00:00:00Z\",\"word\":\"fine\"}\n".repeat(60_000);
    std::fs::write(page.health().join("history.ndjson"), &history).unwrap();
    for n in 0..5 {
        // Nobody answers plain words on a TLS port.
        assert_ne!(page.try_say(&format!("GET /{n} HTTP/1.1\r\nHost: localhost\r\n\r\n")).get(..8), Some("HTTP/1.1"));
    }
    if !support::curl() {
        return;
    }
    let url = format!("https://{}/", page.address);
    let cert = page.state().join("certificate.pem");
    let curl = |args: &[&str]| {
        let run = Command::new("curl").args(["-sS", "--max-time", "60"]).args(args).arg(&url).output().unwrap();
        String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned()
    };
    assert!(curl(&["--cacert", cert.to_str().unwrap()]).contains("class=\"gate\""));
    assert!(!curl(&[]).contains("class=\"gate\""), "a certificate of our own is trusted by nobody unasked");
    let jar = page.state().join("jar");
    let sent = |form: &str, path: &str| {
        let jar = jar.to_str().unwrap();
        curl(&["--cacert", cert.to_str().unwrap(), "-b", jar, "-c", jar, "-d", form, &format!("{url}{path}")])
    };
    sent("who=x&pin=00000000", "open");
    let after_one_kib = page.memory_kib("RssAnon");
    sent(&format!("who=T.+Wray&pin={}", page.pin), "open");
    let jar_text = std::fs::read_to_string(&jar).unwrap();
    assert!(jar_text.contains("#HttpOnly_127.0.0.1") && jar_text.contains("TRUE"), "the cookie goes over TLS only");
    let with = |path: &str| {
        let run = Command::new("curl")
            .args(["-sS", "--max-time", "60", "--cacert", cert.to_str().unwrap(), "-b", jar.to_str().unwrap()])
            .arg(format!("{url}{path}"))
            .output()
            .unwrap();
        String::from_utf8(run.stdout).unwrap()
    };
    for _ in 0..8 {
        assert!(with("").contains("Open for T. Wray"));
        assert!(with("history.ndjson") == history, "all of a long history comes over TLS");
        sent("who=x&pin=00000001", "open");
    }
    let (own_kib, peak_kib) = (page.memory_kib("RssAnon"), page.memory_kib("VmHWM"));
    println_stderr(&format!("page server: {after_one_kib}, then {own_kib} KiB its own, peak resident {peak_kib} KiB"));
    assert!(
        after_one_kib.max(own_kib) < 4 * 1024,
        "the memory of a comparison went back: {after_one_kib}, {own_kib} KiB"
    );
    assert!(peak_kib < 24 * 1024, "{peak_kib} KiB");
}

/// The command that people type becomes the small program in the same process; without it the page is served all the
/// same, and what is missing is told.
#[test]
fn pintle_page_becomes_the_small_program_and_serves_by_itself_where_there_is_none() {
    use std::io::{BufRead as _, Read as _};
    // The same file under another path, on the same file system: a copy that is run at once may be "busy".
    let here = env!("CARGO_BIN_EXE_pintle");
    let folder = tempfile::tempdir_in(std::path::Path::new(here).parent().unwrap()).unwrap();
    let alone = folder.path().join("pintle");
    std::fs::hard_link(here, &alone).or_else(|_| std::fs::copy(here, &alone).map(drop)).unwrap();
    for (program, small) in [(std::path::Path::new(env!("CARGO_BIN_EXE_pintle")), true), (&alone, false)] {
        let mut child = Command::new(program)
            .args(["page", "--listen", "127.0.0.1:0", "--state"])
            .arg(folder.path().join("state"))
            .arg("--health")
            .arg(folder.path().join("health"))
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        std::io::BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let exe = std::fs::read_link(format!("/proc/{}/exe", child.id()));
        child.kill().unwrap();
        child.wait().unwrap();
        let mut told = String::new();
        child.stderr.take().unwrap().read_to_string(&mut told).unwrap();
        assert!(line.starts_with("page on http://127.0.0.1:"), "{line}{told}");
        assert_eq!(exe.unwrap().file_name().unwrap() == "pintle-page", small, "{told}");
        assert_eq!(told.contains("so this program serves the page, with twice the memory"), !small, "{told}");
        assert_eq!(told.contains("what to do: install pintle-page beside pintle"), !small, "{told}");
    }
}

#[test]
fn journal_has_who_came_in_and_who_guessed_and_never_a_pin() {
    let mut page = Page::start(Scene::standing());
    page.post("/open", "who=nobody&pin=12344321", "");
    page.open();
    page.post("/open", "who=a%1b%0aopened+by+all&pin=12344321", "");
    std::fs::write(page.state().join("pin.json"), "{").unwrap();
    (0..5).for_each(|_| drop(page.get("/")));
    let log = page.log();
    assert!(log.contains("wrong PIN from 127.0.0.1\n") && log.contains("opened by T. Wray from 127.0.0.1\n"), "{log}");
    assert!(!log.contains("12344321") && !log.contains(&page.pin), "no PIN, not even a wrong one");
    assert_eq!(log.matches("the page stays shut").count(), 1, "once and not for each who asks: {log}");
    assert!(!log.contains('\u{1b}') && log.lines().all(|line| !line.starts_with("opened")), "{log}");
}

fn println_stderr(text: &str) {
    use std::io::Write as _;
    writeln!(std::io::stderr().lock(), "{text}").unwrap();
}

/// A writer that replaces the files all the time: each answer is one whole snapshot, never half of one or parts of two.
#[test]
fn fault_92_reader_of_the_page_never_sees_half_a_file() {
    use std::sync::atomic::{AtomicBool, Ordering};
    let mut page = Page::start(Scene::standing());
    page.open();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut tow = false;
            while !done.load(Ordering::Relaxed) {
                tow = !tow;
                page.replace(if tow { Scene::after_tow() } else { Scene::standing() });
            }
        });
        let mut words = std::collections::BTreeSet::new();
        for _ in 0..150 {
            let answer = page.get("/health.json");
            let body: serde_json::Value = serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap();
            let (word, site) = (body["word"].as_str().unwrap().to_owned(), body["place"]["site"]["id"].as_u64());
            assert_eq!(site, Some(if word == "fine" { 12 } else { 13 }), "one snapshot and not two");
            words.insert(word);
            let shown = page.get("/");
            assert!(shown.ends_with("</html>\n") || shown.ends_with("</html>"), "half a page");
        }
        done.store(true, Ordering::Relaxed);
        assert_eq!(words.len(), 2, "the files were replaced meanwhile: {words:?}");
    });
}

/// The words of the page, once: what was told is told once.
fn told(page: &Page) -> String {
    let shown = page.get("/");
    shown.split_once("role=\"status\">").map_or_else(String::new, |(_, after)| {
        after.split("</p>").next().unwrap_or_default().split(" <a").next().unwrap_or_default().to_owned()
    })
}

#[test]
fn two_clicks_are_one_deed_and_one_who_has_seen_the_answer_may_do_it_again() {
    let mut page = Page::start(Scene::after_tow());
    let agent = page.fake_agent();
    page.open();
    let tow = format!("csrf={}&deed=tow&hours=3&reason=to+the+yard", page.csrf());
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| assert!(page.post("/do", &tow, "").starts_with("HTTP/1.1 303")));
        }
    });
    assert!(agent.recv_timeout(std::time::Duration::from_mins(1)).unwrap().contains("tow.begin"));
    assert!(agent.try_recv().is_err(), "the second and the third click did nothing");
    assert_eq!(told(&page), "The tow is announced: leaving is told, and is no alarm. By T. Wray.");
    page.post("/do", &tow, "");
    assert!(agent.try_recv().unwrap().contains("tow.begin"));
}

#[test]
fn deed_of_one_who_hangs_up_is_done_to_its_end_and_its_answer_waits_on_the_page() {
    use std::io::Write as _;
    let mut page = Page::start(Scene::after_tow());
    let agent = page.fake_agent();
    page.open();
    let form = format!("csrf={}&deed=tick&tick=mast", page.csrf());
    let mut stream = std::net::TcpStream::connect(&page.address).unwrap();
    stream.write_all(page.form("/do", &form, "").as_bytes()).unwrap();
    agent.recv_timeout(std::time::Duration::from_mins(1)).unwrap();
    drop(stream);
    let until = std::time::Instant::now() + std::time::Duration::from_mins(1);
    let mut seen = told(&page);
    while seen.is_empty() && std::time::Instant::now() < until {
        std::thread::sleep(std::time::Duration::from_millis(50));
        seen = told(&page);
    }
    assert_eq!(seen, "Mast pinned: ticked. By T. Wray.");
}

/// Who hangs up before the answer has guessed all the same.
#[test]
fn fault_99_guess_of_one_who_hangs_up_counts() {
    use std::io::Write as _;
    let page = Page::start(Scene::standing());
    let until = std::time::Instant::now() + std::time::Duration::from_mins(1);
    let counted = || page.log().matches("wrong PIN from").count();
    // Who hangs up before the whole of it was read is not compared, and need not count: so once more.
    while counted() < 5 {
        let before = counted();
        let mut stream = std::net::TcpStream::connect(&page.address).unwrap();
        stream.write_all(page.form("/open", &format!("who=x&pin=0000000{before}"), "").as_bytes()).unwrap();
        drop(stream);
        let answered = std::time::Instant::now() + std::time::Duration::from_secs(5);
        while counted() == before && std::time::Instant::now() < answered {
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        assert!(std::time::Instant::now() < until, "{}", page.log());
    }
    assert!(page.post("/open", &format!("who=x&pin={}", page.pin), "").starts_with("HTTP/1.1 429"));
}

#[test]
fn person_is_told_why_a_form_did_nothing_and_is_left_where_more_is_to_be_done() {
    let mut page = Page::start(Scene::after_tow());
    let _agent = page.fake_agent();
    let wrong = page.post("/open", "who=T.+%22Wray%22&pin=00000000", "");
    assert!(wrong.contains("value=\"T. &#34;Wray&#34;\""), "the name need not be written again: {wrong}");
    page.open();
    let csrf = page.csrf();
    for (deed, place) in [
        ("deed=tick&tick=mast", "/#walk"),
        ("deed=confirm&camera=camera-1", "/#lines"),
        ("deed=write&camera=camera-1&road=Brackwater+Lane", "/#lines"),
        ("deed=write&camera=camera-1&road=", "/"),
        ("deed=tow_end", "/"),
    ] {
        let answer = page.post("/do", &format!("csrf={csrf}&{deed}"), "").to_lowercase();
        assert!(answer.contains(&format!("location: {place}\r\n")), "{deed}: {answer}");
        let shown = page.get("/");
        let (before, _) = shown.split_once("role=\"status\"").unwrap_or_else(|| panic!("{deed} is not answered"));
        let stands = before.rsplit_once(" id=\"").map_or("", |(_, id)| id.split('"').next().unwrap_or_default());
        let top = !before.contains("id=\"h-ready\"");
        assert_eq!(format!("/{}{}", if top { "" } else { "#" }, if top { "" } else { stands }), place, "{deed}");
    }
    page.cookie = "pintle=of-a-page-that-has-ended".to_owned();
    let shut = page.post("/do", &format!("csrf={csrf}&deed=tick&tick=mast"), "");
    assert!(shut.starts_with("HTTP/1.1 403") && shut.contains("Not done. The page had shut by itself"), "{shut}");
    assert!(shut.contains("class=\"gate\"") && !shut.contains("Quernstone"), "{shut}");
    for path in ["/open", "/do", "/leave"] {
        assert!(page.get(path).starts_with("HTTP/1.1 303"), "who comes back to {path} means the page");
    }
}

#[test]
fn what_is_no_plain_form_is_refused_before_it_is_read() {
    let mut page = Page::start(Scene::after_tow());
    let agent = page.fake_agent();
    page.open();
    let body = format!("csrf={}&deed=tick&tick=mast", page.csrf());
    for kind in [
        "Content-Type: application/json\r\n",
        "Content-Type: text/plain\r\n",
        "Content-Type: multipart/form-data; boundary=x\r\n",
        "",
    ] {
        let (host, cookie, length) = (&page.address, &page.cookie, body.len());
        let answer = page.say(&format!(
            "POST /do HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n{kind}Content-Length: {length}\r\n\
             Connection: close\r\n\r\n{body}"
        ));
        assert!(answer.starts_with("HTTP/1.1 415") && answer.contains("plain form"), "{kind}: {answer}");
    }
    assert!(agent.try_recv().is_err());
}
