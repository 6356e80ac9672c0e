//! `pintle survey` as a lead with many trailers uses it: the real binary against folders and against pages that are
//! good, slow, dead, endless and hostile.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::clock;
use pintle_core::geo::LatLon;
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::random::Random;
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

fn body(mut scene: Scene, label: &str, ago_ms: i64) -> HealthBody {
    scene.now.utc = clock::utc().plus_ms(-ago_ms);
    let told = snapshot(&scene.observations(), &mut Memory::default());
    let mut body = HealthBody::new(&scene.observations(), &told, 1);
    label.clone_into(&mut body.trailer.label);
    body.trailer.id = label.to_lowercase().replace(' ', "-");
    body
}

/// Moves a trailer to a place in an open sea.
fn at(mut body: HealthBody, place: LatLon) -> HealthBody {
    if let Some(site) = &mut body.place.site {
        (site.lat, site.lon) = (place.lat_deg(), place.lon_deg());
    }
    body
}

fn write(folder: &Path, name: &str, body: &HealthBody) {
    let folder = folder.join(name);
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("health.json"), serde_json::to_vec(body).unwrap()).unwrap();
}

fn survey(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pintle")).arg("survey").args(args).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn as_json(args: &[&str]) -> (i32, Value) {
    let output = survey(&[args, &["--json"]].concat());
    (output.status.code().unwrap(), serde_json::from_slice(&output.stdout).unwrap())
}

fn words(survey: &Value) -> Vec<(String, String)> {
    let word =
        |trailer: &Value| (trailer["word"].as_str().unwrap().to_owned(), trailer["label"].as_str().unwrap().to_owned());
    survey["trailers"].as_array().unwrap().iter().map(word).collect()
}

/// A fleet of six in a folder: one of each state, and two that can't be read.
fn fleet() -> tempfile::TempDir {
    let all = tempfile::tempdir().unwrap();
    write(all.path(), "heron-1", &body(Scene::standing(), "Heron 1", 1000));
    write(all.path(), "heron-2", &body(Scene::after_tow(), "Heron 2", 1000));
    write(all.path(), "heron-3", &body(Scene::standing(), "Heron 3", 9_600_000));
    write(all.path(), "heron-4", &body(Scene::cut_off(), "Heron 4", 1000));
    let mut newer = body(Scene::standing(), "Heron 5", 1000);
    "pintle.health.v9".clone_into(&mut newer.format);
    write(all.path(), "heron-5", &newer);
    std::fs::create_dir(all.path().join("heron-6")).unwrap();
    all
}

#[test]
fn folder_of_trailers_is_told_worst_first_with_reason_age_and_what_to_bring() {
    let all = fleet();
    let (code, survey) = as_json(&[all.path().to_str().unwrap()]);
    let words = words(&survey);
    assert_eq!(words.iter().map(|(word, _)| word.as_str()).filter(|word| *word == "stale").count(), 3, "{words:?}");
    let act: Vec<&str> = words.iter().filter(|(word, _)| word == "act").map(|(_, label)| label.as_str()).collect();
    assert_eq!(act, ["Heron 4", "Heron 2"], "the older trouble first");
    assert!(words[..2].iter().all(|(word, _)| word == "act"), "{words:?}");
    assert_eq!(words.last().unwrap(), &("fine".to_owned(), "Heron 1".to_owned()));
    assert_eq!(code, 2, "somebody is needed");
    let of = |label: &str| survey["trailers"].as_array().unwrap().iter().find(|t| t["label"] == label).unwrap();
    assert!(of("Heron 3")["why"].as_str().unwrap().starts_with("Silent for 2 h 40 min"));
    assert!(of("Heron 3")["bring"].as_array().unwrap().contains(&Value::from("laptop")));
    let unreadable = survey["trailers"].as_array().unwrap().iter().filter(|t| t["id"] == "").collect::<Vec<_>>();
    assert!(unreadable.iter().any(|t| t["why"].as_str().unwrap().contains("it comes from a newer Pintle")));
    assert!(unreadable.iter().any(|t| t["why"] == "There is no health file."));
}

#[test]
fn text_fits_80_columns_and_a_spreadsheet_gets_no_formula() {
    let all = fleet();
    write(all.path(), "heron-7", &body(Scene::standing(), "=HYPERLINK(\"x\")\u{1b}[2J", 1000));
    let folder = all.path().to_str().unwrap();
    let text = told(&survey(&[folder]));
    for part in
        ["ACT: SOMEBODY IS NEEDED NOW", "STALE: NOT HEARD", "FINE", "Straight lines, not roads", "licensed practice"]
    {
        assert!(text.contains(part), "{part} is missing in:\n{text}");
    }
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
        assert!(!line.chars().any(char::is_control), "{line:?}");
    }
    let csv = told(&survey(&[folder, "--csv"]));
    assert!(csv.contains("\"'=HYPERLINK(\"\"x\"\")"), "{csv}");
    assert_eq!(csv.lines().next().unwrap().split(',').count(), 14);
}

#[test]
fn page_is_one_file_that_asks_for_nothing_and_escapes_what_people_painted() {
    let all = fleet();
    write(all.path(), "heron-7", &body(Scene::after_tow(), "<script>x</script>", 1000));
    let page = all.path().join("page.html");
    let output = survey(&[all.path().to_str().unwrap(), "--html", "--out", page.to_str().unwrap()]);
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0), "{output:?}");
    let html = std::fs::read_to_string(page).unwrap();
    // To be looked at.
    if let Some(folder) = std::env::var_os("PINTLE_PICTURES") {
        std::fs::write(Path::new(&folder).join("survey.html"), &html).unwrap();
    }
    assert!(!html.contains("<script>x") && html.contains("&#60;script&#62;x"));
    for outside in ["src=", "@import", "url(http", "<link rel=\"stylesheet\""] {
        assert!(!html.contains(outside), "{outside}");
    }
    assert!(html.contains("Worst first") && html.contains("<svg class=\"plot map\""));
    // Not one file in the folder but the new page; nothing is left half written.
    let odd = std::fs::read_dir(all.path()).unwrap().flatten().filter(|e| e.path().is_file()).count();
    assert_eq!(odd, 1);
}

#[test]
fn mistakes_in_the_call_say_what_to_do() {
    for (args, want) in [
        (&["--token-file", "/nowhere/token", "/tmp"][..], "check that it is there"),
        (&["--from", "95,0", "/tmp"][..], "latitude and longitude"),
        (&[][..], "required"),
        (&["--list", "/nowhere/list"][..], "can't be read"),
    ] {
        let output = survey(args);
        let err = String::from_utf8(output.stderr.clone()).unwrap();
        assert!(output.status.code() == Some(64) && err.contains(want), "{args:?}: {err}");
    }
}

/// How a page behaves.
#[derive(Clone, Copy, PartialEq)]
enum Manner {
    Good,
    Slow,
    Mute,
    Endless,
    Drip,
    Elsewhere,
    Closed,
}

/// Serves every trailer from one port by its path: the number in the path tells the manner.
fn pages(bodies: Vec<(Manner, Vec<u8>)>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let bodies = std::sync::Arc::new(bodies);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let bodies = std::sync::Arc::clone(&bodies);
            let served = std::thread::Builder::new().stack_size(128 * 1024).spawn(move || serve(stream, &bodies));
            assert!(served.is_ok(), "a thread for each connection");
        }
    });
    format!("http://{address}")
}

/// The peer may hang up at any time; that is what it is for.
fn serve(mut stream: TcpStream, bodies: &[(Manner, Vec<u8>)]) {
    let mut head = [0; 2048];
    let Ok(n) = stream.read(&mut head) else { return };
    let head = String::from_utf8_lossy(&head[..n]).into_owned();
    let number = head.split('/').nth(1).unwrap_or_default().parse::<usize>().unwrap_or_default();
    let (manner, body) = &bodies[number];
    let whole = |stream: &mut TcpStream| {
        let head = format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\nConnection: close\r\n\r\n", body.len());
        drop(stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body)));
    };
    match manner {
        Manner::Good => whole(&mut stream),
        Manner::Slow => {
            std::thread::sleep(Duration::from_millis(900));
            whole(&mut stream);
        }
        Manner::Mute => std::thread::sleep(Duration::from_secs(20)),
        Manner::Endless => {
            drop(stream.write_all(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"));
            // In large pieces, so that the bound is passed within the wait on a busy machine too.
            let chunk = [b"80000\r\n".to_vec(), vec![b' '; 0x80000], b"\r\n".to_vec()].concat();
            // 1 GB, if anybody takes it.
            for _ in 0..2048 {
                if stream.write_all(&chunk).is_err() {
                    return;
                }
            }
        }
        Manner::Drip => {
            drop(stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 60000\r\n\r\n"));
            for _ in 0..200 {
                if stream.write_all(b" ").is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(100));
            }
        }
        Manner::Elsewhere => {
            drop(stream.write_all(b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:1/\r\nContent-Length: 0\r\n\r\n"));
        }
        Manner::Closed => {}
    }
}

#[test]
fn thousand_trailers_are_told_within_ten_seconds_though_many_are_slow_dead_or_endless() {
    let mut random = Random::new(11);
    let manner = |n: usize| match n % 50 {
        1 | 2 => Manner::Slow,
        3 | 4 => Manner::Mute,
        5 => Manner::Endless,
        6 => Manner::Drip,
        7 => Manner::Elsewhere,
        8 => Manner::Closed,
        _ => Manner::Good,
    };
    let place = |random: &mut Random| LatLon::new(44.0 + random.unit(), -38.9 + random.unit()).unwrap();
    let bodies: Vec<(Manner, Vec<u8>)> = (0..1000)
        .map(|n| {
            let scene = if n % 50 == 9 { Scene::after_tow() } else { Scene::standing() };
            let body = at(body(scene, &format!("Heron {n}"), 1000), place(&mut random));
            (manner(n), serde_json::to_vec(&body).unwrap())
        })
        .collect();
    let address = pages(bodies);
    let list = tempfile::NamedTempFile::new().unwrap();
    let lines: Vec<String> = (0..1000).map(|n| format!("{address}/{n}/")).collect();
    std::fs::write(list.path(), format!("# a fleet\n\n{}\n", lines.join("\n"))).unwrap();

    let started = Instant::now();
    let (code, survey) = as_json(&["--list", list.path().to_str().unwrap(), "--wait", "3"]);
    let took = started.elapsed();

    assert!(took < Duration::from_secs(10), "took {took:?}");
    let words = words(&survey);
    let count = |word: &str| words.iter().filter(|(of, _)| of == word).count();
    // Of each fifty: two mute, one endless, one dripping, one elsewhere, one closed = six stale; one needs somebody.
    assert_eq!((words.len(), count("act"), count("stale"), count("fine")), (1000, 20, 120, 860));
    assert_eq!(code, 2);
    for (why, n) in
        [("did not answer", 60), ("sends more than 512 kB", 20), ("sends elsewhere, and that is not followed", 20)]
    {
        let told = survey["trailers"].as_array().unwrap();
        let found = told.iter().filter(|t| t["why"].as_str().unwrap().contains(why)).count();
        assert_eq!(found, n, "{why}");
    }
}

#[test]
fn trailers_that_need_a_visit_are_ordered_into_one_trip_from_the_start_and_back() {
    let all = tempfile::tempdir().unwrap();
    let start = LatLon::new(44.5, -38.2).unwrap();
    for (n, azimuth_deg) in [200.0, 20.0, 110.0, 290.0].into_iter().enumerate() {
        let body = at(body(Scene::standing(), &format!("Heron {n}"), 600_000), start.moved(azimuth_deg, 9000.0));
        write(all.path(), &format!("heron-{n}"), &body);
    }
    let (code, survey) = as_json(&[all.path().to_str().unwrap(), "--from", "44.5,-38.2"]);
    assert_eq!(code, 3, "all are silent");
    let trip = &survey["trip"];
    let order: Vec<&str> = trip["stops"].as_array().unwrap().iter().map(|s| s["label"].as_str().unwrap()).collect();
    let round = |order: &[&str]| {
        [["Heron 1", "Heron 2", "Heron 0", "Heron 3"]].iter().any(|ring| {
            let doubled = [ring.as_slice(), ring].concat();
            let back: Vec<&str> = doubled.iter().rev().copied().collect();
            doubled.windows(4).any(|w| w == order) || back.windows(4).any(|w| w == order)
        })
    };
    assert!(round(&order), "round the compass: {order:?}");
    // Out 9 km, three sides of a square with a diagonal of 18 km, and 9 km back; geodesics of 9 km are flat to 0.1 %.
    let want = 18_000.0 + 3.0 * 18_000.0 / 2.0_f64.sqrt();
    let total = trip["total_m"].as_f64().unwrap();
    assert!((total - want).abs() < 0.005 * want, "{total} instead of {want}");
}
