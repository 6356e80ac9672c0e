//! The whole agent and a GPS receiver on a pseudo-terminal: leaving unannounced, a halt on the way, arriving, starting
//! elsewhere, and announced tows across a restart and a kill. The real program, a short settle time.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/scripted.rs"]
#[allow(dead_code, reason = "other tests make it lie")]
mod scripted;
#[path = "support/trailer.rs"]
mod trailer;

use nix::pty::openpty;
use nix::sys::signal::Signal;
use nix::unistd::ttyname;
use pintle::clock;
use scripted::{Request, Scripted};
use serde_json::Value;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use trailer::Trailer;

/// Metres that the antenna goes north in a second, and where it is.
struct Way {
    north_m: f64,
    mps: f64,
    stop: bool,
}

/// A GPS receiver that sends RMC and GGA once a second, from the open sea.
struct Receiver {
    way: Arc<Mutex<Way>>,
    path: PathBuf,
}

impl Receiver {
    fn plug_in() -> Self {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        let way = Arc::new(Mutex::new(Way { north_m: 0.0, mps: 0.0, stop: false }));
        let shared = Arc::clone(&way);
        std::thread::spawn(move || {
            let mut line = File::from(pair.master);
            let _held = pair.slave;
            for second in 0..u32::MAX {
                let (north_m, mps) = {
                    let mut way = shared.lock().unwrap();
                    if way.stop {
                        return;
                    }
                    way.north_m += way.mps;
                    (way.north_m, way.mps)
                };
                // A metre of wander and a living Doppler, as real receivers have.
                let wander_m = f64::from(second % 5) * 0.4;
                let text = epoch(north_m + wander_m, mps.abs() + 0.03 + f64::from(second % 3) * 0.02);
                if line.write_all(text.as_bytes()).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        Self { way, path }
    }

    fn drive(&self, mps: f64) {
        self.way.lock().unwrap().mps = mps;
    }

    /// Waits until the antenna is back where it was plugged in, and halts it there.
    fn stop_at_the_start(&self) {
        loop {
            let mut way = self.way.lock().unwrap();
            if way.north_m <= 0.0 {
                way.mps = 0.0;
                return;
            }
            drop(way);
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn carry(&self, north_m: f64) {
        self.way.lock().unwrap().north_m += north_m;
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.way.lock().unwrap().stop = true;
    }
}

fn epoch(north_m: f64, mps: f64) -> String {
    let now = clock::utc().to_rfc3339();
    let (date, time) = (&now[..10], now[11..22].replace(':', ""));
    let minutes = 30.0 + north_m / 1852.0;
    let (degrees, minutes) = (44.0 + (minutes / 60.0).floor(), minutes.rem_euclid(60.0));
    let place = format!("{degrees:02.0}{minutes:08.5},N,03000.00000,W");
    let knots = mps * 3600.0 / 1852.0;
    let day = format!("{}{}{}", &date[8..10], &date[5..7], &date[2..4]);
    let bodies = [
        format!("GPRMC,{time},A,{place},{knots:.2},0.0,{day},,,A"),
        format!("GPGGA,{time},{place},1,10,0.9,5.0,M,,M,,"),
    ];
    let mut text = String::new();
    for body in bodies {
        write!(text, "${body}*{:02X}\r\n", body.bytes().fold(0, |sum, c| sum ^ c)).unwrap();
    }
    text
}

fn trailer(receiver: &Receiver, settle_s: u32, more: &str) -> Trailer {
    let gps = format!("[gps]\ndevice = \"{}\"\n[position]\nsettle_s = {settle_s}\n{more}", receiver.path.display());
    let mut trailer = Trailer::new(&gps);
    trailer.start();
    trailer
}

fn state(health: &Value) -> &str {
    health["place"]["state"].as_str().unwrap_or_default()
}

fn site(health: &Value) -> u64 {
    health["place"]["site"]["id"].as_u64().unwrap_or_default()
}

fn need<'a>(health: &'a Value, code: &str) -> Option<&'a Value> {
    health["needs"].as_array()?.iter().find(|need| need["code"] == code)
}

fn urgency(health: &Value, code: &str) -> String {
    need(health, code).map(|need| need["urgency"].as_str().unwrap().to_owned()).unwrap_or_default()
}

fn changes(health: &Value, code: &str) -> usize {
    health["changes"].as_array().map_or(0, |all| all.iter().filter(|change| change["code"] == code).count())
}

fn tow(trailer: &Trailer, args: &[&str]) -> (Option<i32>, String) {
    let output = trailer.command(&[&["tow"], args].concat());
    let told = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output.status.code(), told)
}

/// Nearly all of the time is waiting for a GPS receiver that speaks once a second, so the stories are told side by
/// side, however few tests run at once.
#[test]
fn every_story_of_a_trailer_on_its_way_comes_out_as_told() {
    let stories: [(&str, fn()); 8] = [
        (
            "unannounced_leaving_is_an_alarm_through_a_halt_until_it_is_found_again",
            unannounced_leaving_is_an_alarm_through_a_halt_until_it_is_found_again,
        ),
        (
            "start_at_another_place_says_moved_while_off_and_in_an_announced_tow_without_urgency",
            start_at_another_place_says_moved_while_off_and_in_an_announced_tow_without_urgency,
        ),
        (
            "announced_tow_is_quiet_but_tracked_across_a_kill_and_one_that_is_ended_on_the_way_is_an_alarm",
            announced_tow_is_quiet_but_tracked_across_a_kill_and_one_that_is_ended_on_the_way_is_an_alarm,
        ),
        (
            "mast_that_is_up_on_the_way_is_an_urgent_need_with_the_caution",
            mast_that_is_up_on_the_way_is_an_urgent_need_with_the_caution,
        ),
        (
            "place_lines_of_any_kind_are_taken_as_they_are_or_refused_with_the_reason_and_never_break_a_file",
            place_lines_of_any_kind_are_taken_as_they_are_or_refused_with_the_reason_and_never_break_a_file,
        ),
        (
            "agent_that_stood_still_takes_no_old_bytes_for_fixes_of_now_though_requests_wait",
            agent_that_stood_still_takes_no_old_bytes_for_fixes_of_now_though_requests_wait,
        ),
        ("tow_that_runs_out_on_the_way_becomes_an_alarm", tow_that_runs_out_on_the_way_becomes_an_alarm),
        (
            "receiver_gets_alarm_track_later_stamps_and_found_again_and_a_return_offers_the_lines",
            receiver_gets_alarm_track_later_stamps_and_found_again_and_a_return_offers_the_lines,
        ),
    ];
    let told = stories.map(|(name, story)| {
        let thread = std::thread::Builder::new().name(name.to_owned());
        (name, thread.spawn(story).unwrap())
    });
    let failed: Vec<&str> = told.into_iter().filter_map(|(name, told)| told.join().err().map(|_| name)).collect();
    assert!(failed.is_empty(), "what was wrong is told above by each: {failed:?}");
}

fn unannounced_leaving_is_an_alarm_through_a_halt_until_it_is_found_again() {
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 12, "");
    trailer.wait_health(|health| state(health) == "anchored" && site(health) == 1);
    receiver.drive(12.0);
    let moving = trailer.wait_health(|health| state(health) == "underway");
    assert_eq!(urgency(&moving, "place.moving"), "act", "{moving:#}");
    assert_eq!(trailer.read("QX1UNDERWAY"), 202);
    std::thread::sleep(Duration::from_secs(4));
    // A red light: it stands, but has not arrived.
    receiver.drive(0.0);
    let halted = trailer.wait_health(|health| state(health) == "settling");
    assert_eq!(urgency(&halted, "place.moving"), "act", "the alarm lasts through a halt: {halted:#}");
    receiver.drive(12.0);
    trailer.wait_health(|health| state(health) == "underway");
    receiver.drive(0.0);
    let arrived = trailer.wait_health(|health| state(health) == "anchored" && site(health) == 2);
    assert_eq!(urgency(&arrived, "place.moving"), "");
    let told = trailer.wait_health(|health| changes(health, "left") == 1 && changes(health, "found-again") == 1);
    let left = told["changes"].as_array().unwrap().iter().find(|change| change["code"] == "left").unwrap();
    assert_eq!(left["urgent"], true);
    // What had no place of its own on the way is told later as it was, and nothing is lost.
    let ledger = &told["ledger"];
    assert_eq!(ledger["not_accounted"], 0);
    assert!(ledger["accepted_up_to"].as_u64().unwrap() >= 5, "read, notices, track points and sites: {ledger}");
}

fn start_at_another_place_says_moved_while_off_and_in_an_announced_tow_without_urgency() {
    let both = [false, true].map(|announced| {
        std::thread::spawn(move || {
            let receiver = Receiver::plug_in();
            let mut trailer = trailer(&receiver, 5, "");
            trailer.wait_health(|health| state(health) == "anchored" && site(health) == 1);
            if announced {
                let (code, told) = tow(&trailer, &["begin", "--for", "3h", "--by", "T. Wray"]);
                assert_eq!(code, Some(0), "{told}");
                assert!(told.contains("Mast down and locked") && told.contains("licensed practice decide"), "{told}");
            }
            assert!(trailer.stop().success());
            receiver.carry(5000.0);
            trailer.start();
            // Without a way that anybody saw, 120 s of fixes over 1 km away decide; the doubt is told at once.
            let doubtful = trailer.wait_health(|health| state(health) == "doubtful");
            assert_eq!(doubtful["place"]["verified"], false, "{doubtful:#}");
            assert_eq!(trailer.health()["life"], "running");
            let (_, status) = tow(&trailer, &["status"]);
            assert_eq!(status.contains("T. Wray"), announced, "an announcement survives a restart: {status}");
        })
    });
    for one in both {
        one.join().unwrap();
    }
}

fn announced_tow_is_quiet_but_tracked_across_a_kill_and_one_that_is_ended_on_the_way_is_an_alarm() {
    let receiver = Receiver::plug_in();
    let mut trailer = trailer(&receiver, 5, "");
    trailer.wait_health(|health| state(health) == "anchored" && site(health) == 1);
    let (code, told) = tow(&trailer, &["end", "--by", "T. Wray"]);
    assert!(code == Some(2) && told.contains("no tow is announced"), "{code:?} {told}");
    let (code, told) = tow(&trailer, &["begin", "--for", "13h", "--by", "T. Wray"]);
    assert!(code == Some(64) || code == Some(2), "at most 12 h: {code:?} {told}");
    assert_eq!(tow(&trailer, &["begin", "--for", "2h", "--by", "T. Wray", "--reason", "to the yard"]).0, Some(0));
    trailer.kill();
    trailer.start();
    trailer.wait_health(|health| state(health) == "anchored" && health["place"]["verified"] == true);
    receiver.drive(12.0);
    let moving = trailer.wait_health(|health| state(health) == "underway");
    assert_eq!(urgency(&moving, "place.moving"), "look", "{moving:#}");
    assert!(need(&moving, "place.moving").unwrap()["why"].as_str().unwrap().contains("T. Wray"));
    let (code, told) = tow(&trailer, &["begin", "--for", "2h", "--by", "M. Quill"]);
    assert!(code == Some(2) && told.contains("already announced"), "{told}");
    assert_eq!(tow(&trailer, &["end", "--by", "M. Quill"]).0, Some(0));
    let alarm = trailer.wait_health(|health| urgency(health, "place.moving") == "act");
    assert!(changes(&alarm, "tow-ended") == 1, "{alarm:#}");
    let (code, told) = tow(&trailer, &["begin", "--for", "2h", "--by", "M. Quill"]);
    assert!(code == Some(2) && told.contains("already under way"), "{told}");
}

fn mast_that_is_up_on_the_way_is_an_urgent_need_with_the_caution() {
    let receiver = Receiver::plug_in();
    let folder = tempfile::tempdir().unwrap();
    let switch = folder.path().join("mast");
    std::fs::write(&switch, "0\n").unwrap();
    let office = office();
    let more = format!(
        "[[input]]\nkind = \"mast\"\npath = \"{}\"\nsafe = \"1\"\n[receiver]\nurl = \"{}\"\n",
        switch.display(),
        office.url()
    );
    let trailer = trailer(&receiver, 5, &more);
    let standing = trailer.wait_health(|health| state(health) == "anchored");
    assert!(need(&standing, "place.unsafe").is_none(), "a trailer that stands has its mast up");
    assert_eq!((&standing["inputs"][0]["kind"], &standing["inputs"][0]["state"]), (&"mast".into(), &"unsafe".into()));
    let metrics = std::fs::read_to_string(trailer.runtime_dir().join("health/metrics.prom")).unwrap();
    assert!(metrics.contains("pintle_input_safe{trailer=\"heron-3\",input=\"mast\"} 0"), "{metrics}");
    receiver.drive(12.0);
    let moving = trailer.wait_health(|health| urgency(health, "place.unsafe") == "act");
    let need = need(&moving, "place.unsafe").unwrap();
    assert!(need["do"].as_str().unwrap().contains("licensed practice decide"), "{need}");
    let alarm = wait_got(&office, "notice", |data| data["kind"] == "unsafe-move");
    let data = &alarm["data"];
    assert!(data["urgent"] == true && data["lat"].is_number(), "{alarm}");
    assert!(data["text"].as_str().unwrap().starts_with("The trailer is moving, and the mast is up"), "{alarm}");
    assert!(data["do"].as_str().unwrap().contains("licensed practice decide"), "{alarm}");
    trailer.wait_health(|health| changes(health, "unsafe-move") == 1);
    std::fs::write(&switch, "1\n").unwrap();
    trailer.wait_health(|health| need_gone(health, "place.unsafe"));
}

fn need_gone(health: &Value, code: &str) -> bool {
    health["needs"].is_array() && need(health, code).is_none()
}

fn place_lines_of_any_kind_are_taken_as_they_are_or_refused_with_the_reason_and_never_break_a_file() {
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 5, "");
    trailer.wait_health(|health| state(health) == "anchored");
    let set = |road: &str| {
        let road = serde_json::to_string(road).unwrap();
        trailer.ask(&format!(
            r#"{{"do":"place.set","by":"T. Wray","args":{{"camera":"north","road":{road},"direction":"eastbound"}}}}"#
        ))
    };
    let long = "x".repeat(4096);
    let (too_long, unprintable) = (
        "`args.road` is too long; send at most 160 characters",
        "`args.road` holds characters that can't be printed; send plain text",
    );
    for (bad, detail) in [
        (long.as_str(), too_long),
        ("a\u{7}b", unprintable),
        ("a\u{1b}[2Jb", unprintable),
        ("a\nb", unprintable),
        ("a\u{202e}b", unprintable),
        ("a\u{2066}b", unprintable),
    ] {
        let told = set(bad);
        assert_eq!((&told["status"], &told["detail"]), (&Value::from(422), &Value::from(detail)), "{bad:?}");
    }
    let good = ["<script>alert(1)</script>", "Quernstone Road \u{1f6a7}", "\u{5e8}\u{5d7}\u{5d5}\u{5d1} 7"];
    for road in good {
        let row = &set(road)["result"]["places"][0];
        assert_eq!((&row["road"], &row["state"]), (&Value::from(road), &Value::from("confirmed")));
        assert_eq!(row["sentence"], format!("{road}, eastbound"));
        assert_eq!(row["advice"], "the line of north lacks a cross street or landmark");
        // The page was written before health.json, so it holds this line too.
        trailer.wait_health(|health| health["place_lines"][0]["road"] == road);
        let page = std::fs::read_to_string(trailer.runtime_dir().join("health/index.html")).unwrap();
        assert!(!page.contains("<script>alert"), "{road}");
    }
    let history = trailer.ask(r#"{"do":"place.list"}"#)["result"]["history"].clone();
    let told: Vec<(&str, &str)> = history
        .as_array()
        .unwrap()
        .iter()
        .map(|change| (change["by"].as_str().unwrap(), change["text"].as_str().unwrap()))
        .collect();
    let wanted: Vec<String> = good.iter().map(|road| format!("{road}, eastbound")).collect();
    assert_eq!(told, wanted.iter().map(|text| ("T. Wray", text.as_str())).collect::<Vec<_>>());
}

fn agent_that_stood_still_takes_no_old_bytes_for_fixes_of_now_though_requests_wait() {
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 5, "");
    trailer.wait_health(|health| state(health) == "anchored");
    for _ in 0..3 {
        trailer.signal(Signal::SIGSTOP);
        // What the receiver says meanwhile lies 300 m off; under 10 s it is no silence that is worth a doubt.
        receiver.carry(300.0);
        std::thread::scope(|scope| {
            let asked: Vec<_> =
                (0..6).map(|_| scope.spawn(|| trailer.ask(r#"{"do":"place.list"}"#)["result"].clone())).collect();
            std::thread::sleep(Duration::from_secs(4));
            receiver.carry(-300.0);
            trailer.signal(Signal::SIGCONT);
            for answer in asked {
                let places = answer.join().unwrap()["places"].clone();
                assert_eq!(places[0]["camera"], "north", "{places}");
            }
        });
        std::thread::sleep(Duration::from_secs(2));
    }
    let log = trailer.log();
    assert!(log.contains("the position actor stood still"), "{log}");
    assert!(!log.contains("site keeper: doubtful"), "{log}");
    assert_eq!(state(&trailer.health()), "anchored");
}

fn tow_that_runs_out_on_the_way_becomes_an_alarm() {
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 5, "");
    trailer.wait_health(|health| state(health) == "anchored");
    // Leaving takes about 6 s at 12 m/s; as much again is room for a loaded computer.
    assert_eq!(tow(&trailer, &["begin", "--for", "15s", "--by", "T. Wray"]).0, Some(0));
    receiver.drive(12.0);
    let moving = trailer.wait_health(|health| state(health) == "underway");
    assert_eq!(urgency(&moving, "place.moving"), "look", "{moving:#}");
    let over = trailer.wait_health(|health| urgency(health, "place.moving") == "act");
    assert_eq!(over["place"]["tow"], Value::Null);
    let told = trailer.wait_health(|health| changes(health, "tow-ended") == 1);
    let ended = told["changes"].as_array().unwrap().iter().find(|change| change["code"] == "tow-ended").unwrap();
    assert_eq!(ended["urgent"], true);
    assert!(ended["text"].as_str().unwrap().contains("and the trailer has not arrived: it is 44."), "{ended}");
}

/// A receiver that stores all, on a thread of its own until the end of the process.
fn office() -> Scripted {
    let (send, started) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            send.send(Scripted::start(|_, request| request.stored()).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    started.recv().unwrap()
}

/// All events of that type that the receiver has got, oldest first.
fn got(receiver: &Scripted, kind: &str) -> Vec<Value> {
    let kind = Value::from(format!("pintle.{kind}.v1"));
    receiver.requests().iter().flat_map(Request::events).filter(|event| event["type"] == kind).collect()
}

fn wait_got(receiver: &Scripted, kind: &str, wanted: impl Fn(&Value) -> bool) -> Value {
    let began = std::time::Instant::now();
    loop {
        if let Some(event) = got(receiver, kind).into_iter().find(|event| wanted(&event["data"])) {
            return event;
        }
        assert!(began.elapsed() < trailer::PATIENCE, "no such {kind}: {:#?}", got(receiver, kind));
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn receiver_gets_alarm_track_later_stamps_and_found_again_and_a_return_offers_the_lines() {
    let office = office();
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 6, &format!("[receiver]\nurl = \"{}\"\n", office.url()));
    trailer.wait_health(|health| state(health) == "anchored" && site(health) == 1);
    let line = serde_json::json!({"camera": "north", "road": "Quernstone Road", "cross_street": "Brackwater Lane",
        "direction": "northbound"});
    let line = serde_json::json!({"do": "place.set", "by": "T. Wray", "args": line}).to_string();
    assert_eq!(trailer.ask(&line)["result"]["places"][0]["state"], "confirmed");
    receiver.drive(12.0);
    // Reads of the stretch in which nobody knows yet whether it leaves.
    let mut number = 0;
    while state(&trailer.health()) != "underway" {
        assert_eq!(trailer.read(&format!("QX{number}")), 202);
        number += 1;
        assert!(number < 200, "it never left: {:#}", trailer.health());
        std::thread::sleep(Duration::from_millis(100));
    }
    let alarm = wait_got(&office, "notice", |data| data["kind"] == "left");
    assert_eq!((&alarm["data"]["urgent"], &alarm["data"]["site"]), (&Value::from(true), &Value::from(1)));
    let point = wait_got(&office, "track", |data| data["announced"] == false);
    assert!(point["data"]["speed_mps"].as_f64().is_some_and(|mps| (10.0..14.0).contains(&mps)), "{point}");
    // A read that went out with the site, or in doubt, gets the live position by a later stamp.
    let later = wait_got(&office, "stamp", |data| data["place"]["spot"] == "underway");
    assert!(later["data"]["stamp_revision"].as_u64().is_some_and(|revision| 2 <= revision), "{later}");
    let ids: Vec<Value> = got(&office, "read").iter().map(|event| event["id"].clone()).collect();
    assert!(ids.contains(&later["data"]["read_id"]), "{later}");
    std::thread::sleep(Duration::from_secs(5));
    receiver.drive(0.0);
    trailer.wait_health(|health| state(health) == "anchored" && site(health) == 2);
    let again = wait_got(&office, "notice", |data| data["kind"] == "found-again");
    assert_eq!((&again["data"]["urgent"], &again["data"]["site"]), (&Value::from(false), &Value::from(2)));
    let away = trailer.ask(r#"{"do":"place.list"}"#)["result"]["places"][0].clone();
    assert_eq!(away["state"], "unconfirmed");
    let sentence = away["sentence"].as_str().unwrap();
    assert!(sentence.ends_with(" m north of Quernstone Road, direction not confirmed"), "{sentence}");

    receiver.drive(-12.0);
    receiver.stop_at_the_start();
    trailer.wait_health(|health| state(health) == "anchored" && site(health) == 3);
    let back = trailer.ask(r#"{"do":"place.list"}"#)["result"]["places"][0].clone();
    assert_eq!((&back["state"], &back["road"]), (&Value::from("unconfirmed"), &Value::from("Quernstone Road")));
    let sentence = back["sentence"].as_str().unwrap();
    let offered = "; back at the place of \"Quernstone Road at Brackwater Lane, northbound\", direction not confirmed";
    assert!(sentence.ends_with(offered), "{sentence}");
    let confirmed = trailer.ask(r#"{"do":"place.confirm","by":"M. Quill"}"#)["result"]["places"][0].clone();
    assert_eq!(confirmed["sentence"], "Quernstone Road at Brackwater Lane, northbound");
}
