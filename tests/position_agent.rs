//! The whole agent and a GPS receiver on a pseudo-terminal: leaving unannounced, a halt on the way, arriving, starting
//! elsewhere, and announced tows across a restart and a kill. The real program, a short settle time.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use nix::pty::openpty;
use nix::unistd::ttyname;
use pintle::clock;
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
                let text = epoch(north_m + wander_m, mps + 0.03 + f64::from(second % 3) * 0.02);
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

#[test]
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

#[test]
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

#[test]
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

#[test]
fn mast_that_is_up_on_the_way_is_an_urgent_need_with_the_caution() {
    let receiver = Receiver::plug_in();
    let folder = tempfile::tempdir().unwrap();
    let switch = folder.path().join("mast");
    std::fs::write(&switch, "0\n").unwrap();
    let more = format!("[[input]]\nkind = \"mast\"\npath = \"{}\"\nsafe = \"1\"\n", switch.display());
    let trailer = trailer(&receiver, 5, &more);
    let standing = trailer.wait_health(|health| state(health) == "anchored");
    assert!(need(&standing, "place.unsafe").is_none(), "a trailer that stands has its mast up");
    receiver.drive(12.0);
    let moving = trailer.wait_health(|health| urgency(health, "place.unsafe") == "act");
    let need = need(&moving, "place.unsafe").unwrap();
    assert!(need["do"].as_str().unwrap().contains("licensed practice decide"), "{need}");
    std::fs::write(&switch, "1\n").unwrap();
    trailer.wait_health(|health| need_gone(health, "place.unsafe"));
}

fn need_gone(health: &Value, code: &str) -> bool {
    health["needs"].is_array() && need(health, code).is_none()
}

#[test]
fn place_lines_of_any_kind_are_taken_whole_refused_whole_or_cleaned_and_never_break_a_file() {
    let receiver = Receiver::plug_in();
    let trailer = trailer(&receiver, 5, "");
    trailer.wait_health(|health| state(health) == "anchored");
    let set = |road: &str| {
        let road = serde_json::to_string(road).unwrap();
        trailer.ask(&format!(
            r#"{{"do":"place.set","by":"T. Wray","args":{{"camera":"north","road":{road},"direction":"east"}}}}"#
        ))
    };
    let long = set(&"x".repeat(4096));
    assert!(long.to_string().contains("160"), "the limit is named: {long}");
    for odd in ["a\u{7}b", "a\u{1b}[2Jb", "a\nb"] {
        let told = set(odd).to_string();
        assert!(!told.contains('\u{1b}') && !told.contains('\u{7}'), "{told}");
    }
    for good in
        ["<script>alert(1)</script>", "Quernstone Road \u{1f6a7}", "\u{5e8}\u{5d7}\u{5d5}\u{5d1} 7", "a\u{202e}b"]
    {
        set(good);
        let health = trailer.health().to_string();
        assert!(!health.contains('\u{202e}'), "no direction-changing character reaches a file");
        let page = std::fs::read_to_string(trailer.runtime_dir().join("health/index.html")).unwrap();
        assert!(!page.contains("<script>alert"), "{good}");
    }
    set("Quernstone Road");
    let list = trailer.ask(r#"{"do":"place.list"}"#).to_string();
    assert!(list.contains("history") && list.contains("T. Wray") && list.contains("Quernstone Road"), "{list}");
}
