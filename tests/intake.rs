//! The intake with a real store: what is answered 202 waits in the queue, once, with the stamp of its capture time.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/door.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod door;

use door::{Door, READ, reply, request};
use pintle::clock;
use pintle_core::geo::LatLon;
use pintle_core::ids::SiteId;
use pintle_core::moment::{ClockEras, Mono, Utc, UtcTrust};
use pintle_core::position::PositionView;
use pintle_core::position::timeline::{Timeline, Whereabouts};
use pintle_core::queue::{EventKind, Lane};
use serde_json::{Value, json};
use std::os::unix::fs::PermissionsExt;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt};
use tokio::net::UnixStream;

fn with(fields: &Value) -> String {
    let mut read: Value = serde_json::from_str(READ).unwrap();
    for (name, value) in fields.as_object().unwrap() {
        read[name] = value.clone();
    }
    read.to_string()
}

fn json_of(bytes: &[u8]) -> Value {
    serde_json::from_slice(bytes).unwrap()
}

#[tokio::test]
async fn an_accepted_read_waits_in_the_queue_as_it_was_accepted() {
    let door = Door::open().await;
    let answered = door.post_read(READ).await;
    assert_eq!(answered.status, 202);
    let id = answered.body["accepted"][0]["id"].as_str().unwrap().to_owned();
    let waiting = door.waiting(Lane::Bulk).await;
    assert_eq!(waiting.len(), 1);
    let want = json!({"accepted": [{"id": id, "sequence": waiting[0].sequence, "repeat": false}]});
    assert_eq!(answered.body, want);
    assert_eq!((waiting[0].kind, waiting[0].id.to_string(), waiting[0].hit), (EventKind::Read, id.clone(), false));
    let body = json!({
        "id": id, "camera": "north", "captured_at": "2026-11-25T12:00:00.250Z", "plate": "QTZ 481",
        "plate_state": "read", "heading": "unknown",
    });
    assert_eq!(json_of(&waiting[0].body), body);
    let stamp = json_of(waiting[0].stamp.as_ref().unwrap());
    assert_eq!((&stamp["stamp_revision"], &stamp["place"]["state"]), (&json!(1), &json!("none")));
}

#[tokio::test]
async fn lines_are_accepted_in_one_go_and_answered_in_their_order() {
    let door = Door::open().await;
    let lines: String = (0..5).map(|n| with(&json!({"lane": n + 1})) + "\n").collect();
    let answered = door.post("application/x-ndjson; charset=utf-8", &lines).await;
    assert_eq!(answered.status, 202);
    let accepted = answered.body["accepted"].as_array().unwrap();
    let sequences: Vec<u64> = accepted.iter().map(|read| read["sequence"].as_u64().unwrap()).collect();
    assert!(sequences.windows(2).all(|pair| pair[1] == pair[0] + 1), "{sequences:?}");
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 5);
}

#[tokio::test]
async fn one_bad_line_keeps_the_whole_request_out() {
    let door = Door::open().await;
    let answered = door.post("application/x-ndjson", &format!("{READ}\n\n{}", with(&json!({"lane": 17})))).await;
    assert_eq!((answered.status, &answered.body["line"], &answered.body["field"]), (422, &json!(3), &json!("lane")));
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 0);
}

#[tokio::test]
async fn a_repeat_gets_the_same_answer_and_makes_no_second_read() {
    let door = Door::open().await;
    let first = door.post_read(READ).await.body["accepted"][0].clone();
    let otherwise_written = r#" { "plate":"QTZ 481", "captured_at":"2026-11-25T14:00:00.25+02:00","plate_state":"read",
        "camera":"north", "extra": {"frame": 7} }"#;
    for body in [READ, otherwise_written] {
        let again = door.post_by_socket(body).await;
        let want = json!({"id": first["id"], "sequence": first["sequence"], "repeat": true});
        assert_eq!((again.status, &again.body["accepted"][0]), (202, &want));
    }
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 1);
}

#[tokio::test]
async fn row_22_intake_resend_dupes() {
    // 10,000 by PINTLE_ROW_READS; a share of them in the usual run.
    let reads: u32 = std::env::var("PINTLE_ROW_READS").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    let door = Door::open().await;
    for n in 0..reads {
        let body = with(&json!({"plate": format!("Q{n}")}));
        let mut sequences = Vec::new();
        for _ in 0..=n * 7 % 6 {
            let answered = door.post_read(&body).await;
            assert_eq!(answered.status, 202);
            sequences.push(answered.body["accepted"][0]["sequence"].clone());
        }
        assert!(sequences.iter().all(|sequence| *sequence == sequences[0]), "{sequences:?}");
    }
    assert_eq!(door.waiting(Lane::Bulk).await.len(), usize::try_from(reads).unwrap(), "each once");
}

#[tokio::test]
async fn a_reused_id_costs_its_own_read_and_no_other_of_the_request() {
    let mut door = Door::open().await;
    let id = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";
    door.post_read(&with(&json!({"id": id}))).await;
    let lines = [with(&json!({"lane": 1})), with(&json!({"id": id, "lane": 2})), with(&json!({"id": id}))].join("\n");
    let answered = door.post("application/x-ndjson", &lines).await;
    assert_eq!((answered.status, &answered.body["line"], &answered.body["field"]), (422, &json!(2), &json!("id")));
    let accepted = answered.body["accepted"].as_array().unwrap();
    assert_eq!(accepted.iter().map(|read| read["repeat"].as_bool().unwrap()).collect::<Vec<_>>(), [false, true]);
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 2);
    assert_eq!(door.view_when(|view| view.id_conflicts == 1).await.cameras[0].reads, 2);
}

#[tokio::test]
async fn a_hit_takes_the_urgent_lane() {
    let mut door = Door::open().await;
    let hit = json!({"hit": {"list": "Brackwater stolen", "list_time": "2026-11-25T06:00:00Z", "entry": "44-1"}});
    assert_eq!(door.post_read(&with(&hit)).await.status, 202);
    let waiting = door.waiting(Lane::Urgent).await;
    assert_eq!((waiting.len(), waiting[0].hit), (1, true));
    assert_eq!(json_of(&waiting[0].body)["hit"]["list"], "Brackwater stolen");
    assert_eq!(door.view_when(|view| view.cameras[0].reads == 1).await.cameras[0].hits, 1);
}

#[tokio::test]
async fn the_socket_is_for_owner_and_group_and_goes_at_the_stop() {
    let door = Door::open().await;
    assert_eq!(std::fs::metadata(&door.socket).unwrap().permissions().mode() & 0o777, 0o660);
    assert_eq!(door.post_by_socket(READ).await.status, 202);
    door.stop.cancel();
    door.task.await.unwrap().unwrap();
    assert!(!door.socket.exists());
    assert!(!door.view.borrow().open);
}

#[tokio::test]
async fn a_connection_carries_many_requests_also_when_they_are_sent_ahead() {
    let door = Door::open().await;
    let mut stream = UnixStream::connect(&door.socket).await.unwrap();
    for lane in 1..=3 {
        stream.write_all(&request("application/json", &with(&json!({"lane": lane})))).await.unwrap();
        assert_eq!(reply(&mut stream).await.status, 202);
    }
    let ahead: Vec<u8> = (4..=6).flat_map(|lane| request("application/json", &with(&json!({"lane": lane})))).collect();
    stream.write_all(&ahead).await.unwrap();
    for _ in 0..3 {
        assert_eq!(reply(&mut stream).await.status, 202);
    }
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 6);
}

fn standing(site: u64) -> Whereabouts {
    let position = LatLon::new(44.51, 38.198).unwrap();
    Whereabouts::AtSite { site: SiteId(site), position, radius95_m: 3.0, verified: true }
}

/// A view in which the trailer stood at site 1 until `left_ms_ago`, and at `now` since.
fn moved(left_ms_ago: u64, now: Whereabouts, utc_trust: UtcTrust) -> Arc<PositionView> {
    let moment = clock::moment(utc_trust);
    let (mut eras, mut timeline) = (ClockEras::default(), Timeline::default());
    eras.observe(&moment);
    timeline.tell(Mono(0), standing(1));
    timeline.tell(moment.mono.minus_ms(left_ms_ago), now);
    Arc::new(PositionView { utc_trust, eras, timeline: Arc::new(timeline), ..PositionView::default() })
}

fn ago(ms: i64) -> Value {
    Utc(clock::utc().0 - ms).to_rfc3339().into()
}

#[tokio::test]
async fn fault_32_reads_are_stamped_by_capture_time_and_not_by_arrival() {
    let door = Door::open().await;
    door.position.send_replace(moved(5000, standing(2), UtcTrust::Gps));
    for ms in [8000, 2000] {
        assert_eq!(door.post_read(&with(&json!({"captured_at": ago(ms)}))).await.status, 202);
    }
    let waiting = door.waiting(Lane::Bulk).await;
    let sites: Vec<_> =
        waiting.iter().map(|read| json_of(read.stamp.as_ref().unwrap())["place"]["site"].clone()).collect();
    assert_eq!(sites, [json!(1), json!(2)]);
}

#[tokio::test]
async fn a_bad_clock_refuses_no_read_and_a_trusted_one_marks_the_far_ones() {
    let door = Door::open().await;
    let far = json!({"captured_at": "2001-02-03T04:05:06Z"});
    assert_eq!(door.post_read(&with(&far)).await.status, 202);
    door.position.send_replace(moved(5000, standing(2), UtcTrust::Gps));
    assert_eq!(door.post_read(&with(&json!({"captured_at": "2001-02-03T04:05:06Z", "lane": 2}))).await.status, 202);
    assert_eq!(door.post_read(&with(&json!({"captured_at": ago(-700_000)}))).await.status, 202);
    assert_eq!(door.post_read(&with(&json!({"captured_at": ago(500_000)}))).await.status, 202);
    let waiting = door.waiting(Lane::Bulk).await;
    let stamps: Vec<Value> = waiting.iter().map(|read| json_of(read.stamp.as_ref().unwrap())).collect();
    let marks: Vec<Option<i64>> = stamps.iter().map(|stamp| stamp["clock"]["capture_far_s"].as_i64()).collect();
    assert!(marks[0].is_none() && marks[3].is_none(), "{marks:?}");
    assert!(
        marks[1].is_some_and(|s| 700_000_000 < s) && marks[2].is_some_and(|s| (-701..=-699).contains(&s)),
        "{marks:?}"
    );
    assert_eq!(stamps[2]["place"]["state"], "none", "nobody knows where the trailer will be");
}

#[tokio::test]
async fn a_decision_that_falls_while_a_read_is_being_stored_still_reaches_it() {
    let door = Door::open_with(|_, queue| queue.commit_wait_ms = 400).await;
    door.position.send_replace(moved(60_000, standing(2), UtcTrust::Gps));
    let mut stream = door.connect().await;
    stream.write_all(&request("application/json", &with(&json!({"captured_at": ago(1000)})))).await.unwrap();
    tokio::time::sleep(Duration::from_millis(150)).await;
    let position = LatLon::new(44.52, 38.21).unwrap();
    let road = Whereabouts::Underway { position, radius95_m: 8.0, measured: clock::mono() };
    door.position.send_replace(moved(30_000, road, UtcTrust::Gps));
    assert_eq!(reply(&mut stream).await.status, 202);
    let stamp = json_of(door.waiting(Lane::Bulk).await[0].stamp.as_ref().unwrap());
    assert_eq!((&stamp["stamp_revision"], &stamp["place"]["spot"]), (&json!(2), &json!("underway")));
}

#[tokio::test]
async fn the_view_counts_reads_by_camera_and_says_when_the_last_one_came() {
    let mut door = Door::open().await;
    door.post_read(READ).await;
    door.post_read(&with(&json!({"camera": "south"}))).await;
    door.post_read(&with(&json!({"camera": "south", "lane": 2}))).await;
    door.post_read("{").await;
    let seen = door.view_when(|view| view.refused == 1).await;
    assert_eq!(seen.cameras.iter().map(|c| (c.id.as_str(), c.reads)).collect::<Vec<_>>(), [("north", 1), ("south", 2)]);
    assert!(seen.cameras.iter().all(|c| c.last_read.is_some_and(|(mono, _)| clock::mono().since_ms(mono) < 5000)));
    assert_eq!((seen.cameras[0].label.as_str(), seen.trouble), ("NORTH", None));
}

#[tokio::test]
async fn the_heartbeat_turns_by_requests_over_its_own_door() {
    let door = Door::open().await;
    let until = Instant::now() + Duration::from_secs(5);
    while door.heartbeat.turns() == 0 && Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(0 < door.heartbeat.turns());
    let health = door.send(b"GET /v1/health HTTP/1.1\r\nhost: localhost\r\n\r\n").await;
    assert_eq!((health.status, health.body), (200, json!({"status": "up"})));
}

const HEAD: &str = "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\n";

#[tokio::test]
async fn row_23_intake_bomb_slowloris() {
    let door = Door::open_with(|intake, _| intake.connections_max = 32).await;
    let mut slow = Vec::new();
    for _ in 0..500 {
        let address = door.address;
        slow.push(tokio::spawn(async move {
            let mut stream = tokio::net::TcpStream::connect(address).await?;
            loop {
                stream.write_all(b"P").await?;
                tokio::time::sleep(Duration::from_millis(300)).await;
            }
            #[expect(unreachable_code, reason = "names the type of the error")]
            std::io::Result::Ok(())
        }));
    }
    tokio::time::sleep(Duration::from_millis(200)).await;
    let mut took = Vec::new();
    for n in 0..40_i64 {
        let begun = Instant::now();
        let body = with(&json!({"captured_at": Utc(1_795_600_000_000 + n).to_rfc3339()}));
        assert_eq!(door.post_by_socket(&body).await.status, 202);
        took.push(begun.elapsed());
    }
    // Bombs: packed ones are not unpacked, one without a length ends at the limit, a deep one at the eighth level.
    let packed = format!("{}content-encoding: zstd\r\ncontent-length: 16384\r\n\r\n{}", HEAD, "z".repeat(16_384));
    let chunk = format!("{:x}\r\n{}\r\n", 1 << 20, " ".repeat(1 << 20));
    let endless = format!("{HEAD}transfer-encoding: chunked\r\n\r\n");
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert_eq!(door.post_by_socket(&deep).await.status, 400);
    for (head, body, times, status) in [(&packed, "", 0, "415"), (&endless, &*chunk, 512, "413")] {
        let mut stream = tokio::net::TcpStream::connect(door.address).await.unwrap();
        stream.write_all(head.as_bytes()).await.unwrap();
        for _ in 0..times {
            // It answers in the middle, and may close then.
            if stream.write_all(body.as_bytes()).await.is_err() {
                break;
            }
        }
        let mut answer = vec![0; 16];
        let answered = tokio::time::timeout(Duration::from_mins(1), stream.read(&mut answer)).await.unwrap();
        assert!(answered.is_err() || String::from_utf8_lossy(&answer).contains(status), "{answer:?} for {status}");
    }
    let process = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = process.lines().find_map(|line| line.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.parse().ok());
    let peak: u64 = peak.unwrap();
    took.sort();
    drop(std::io::Write::write_fmt(
        &mut std::io::stderr(),
        format_args!("row 23: 500 slow ones, 3 bombs: p99 {:?}, {peak} KiB at most, 0 errors\n", took[38]),
    ));
    // The tests beside it live in the same process.
    assert!(peak < 256 * 1024, "{peak} KiB");
    assert!(took[38] < Duration::from_secs(1), "{took:?}");
    // By the port as well: it waits its turn, and the slow ones give way.
    assert_eq!(door.post_read(READ).await.status, 202);
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 41);
    for task in slow {
        task.abort();
    }
}

fn document() -> String {
    std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/INTAKE.md")).unwrap()
}

/// The first sample of a language in the document.
fn sample(language: &str) -> String {
    let text = document();
    let from = text.split_once(&format!("```{language}\n")).unwrap().1;
    from.split_once("```").unwrap().0.to_owned()
}

/// Runs a sample as it stands, but for the path of the socket. `None` if this machine has no such program.
async fn run_sample(door: &Door, program: &str, argument: &str, language: &str) -> Option<Value> {
    let text = sample(language).replace("/run/pintle/intake.sock", door.socket.to_str().unwrap());
    assert!(text.contains(door.socket.to_str().unwrap()));
    let command = tokio::process::Command::new(program).arg(argument).arg(text).output().await;
    let output = match command {
        Err(missing) if missing.kind() == std::io::ErrorKind::NotFound => {
            assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "{program} is missing");
            return None;
        }
        other => other.unwrap(),
    };
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said = String::from_utf8(output.stdout).unwrap();
    Some(serde_json::from_str(&said.replace('\'', "\"").replace("False", "false")).unwrap())
}

#[tokio::test]
async fn the_samples_of_the_document_work_as_they_stand() {
    let door = Door::open().await;
    let mut reads = 0;
    for (program, argument, language) in [("sh", "-c", "sh"), ("python3", "-c", "python")] {
        if language == "sh" && std::process::Command::new("curl").arg("--version").output().is_err() {
            assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "curl is missing");
            drop(std::io::Write::write_fmt(&mut std::io::stderr(), format_args!("not run: needs curl\n")));
            continue;
        }
        let Some(said) = run_sample(&door, program, argument, language).await else {
            drop(std::io::Write::write_fmt(&mut std::io::stderr(), format_args!("not run: needs {program}\n")));
            continue;
        };
        assert_eq!(said["accepted"][0]["repeat"], json!(false), "{said}");
        reads += 1;
    }
    assert_eq!(door.waiting(Lane::Bulk).await.len(), reads);
}

#[tokio::test]
async fn the_document_names_every_field_and_every_problem() {
    let text = document();
    for field in pintle_core::wire::read_in::FIELDS {
        assert!(text.contains(&format!("| `{field}` |")), "{field}");
    }
    for kind in [
        "malformed",
        "not-http",
        "body-broken",
        "no-such-path",
        "wrong-method",
        "wrong-host",
        "too-slow",
        "body-too-large",
        "too-many-reads",
        "target-too-long",
        "head-too-large",
        "unsupported-media-type",
        "invalid-read",
        "id-reused",
        "invalid-image",
        "internal",
        "not-stored",
        "busy",
    ] {
        assert!(text.contains(&format!("`{kind}`")), "{kind}");
    }
}

#[test]
fn the_schema_and_the_parser_agree() {
    let schema = include_str!("../docs/schema/read-in.v1.json");
    let schema = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    let cameras = [pintle_core::ids::CameraId::new("north").unwrap()];
    let hit = |list: &str| json!({"hit": {"list": list, "list_time": "2026-11-25T06:00:00Z"}});
    let cases = [
        (true, json!({})),
        (true, json!({"plate": "粤B 123"})),
        (true, json!({"plate": "Q?Z", "plate_state": "partial"})),
        (true, json!({"plate": null, "plate_state": "unread", "heading": null, "lane": null, "hit": null})),
        (true, json!({"id": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f", "confidence": 1, "lane": 16, "images": []})),
        (true, json!({"jurisdiction": {"code": "ZZ", "list": "iso-3166-1"}, "extra": {"a": [1, {"b": 2}]}})),
        (true, json!({"hit": {"list": "Stolen, Brackwater", "list_time": "2026-11-25T06:00:00+01:00", "entry": ""}})),
        (false, json!({"camera": null})),
        (false, json!({"plate": ""})),
        (false, json!({"plate": "=1+1"})),
        (false, json!({"plate": "A  B"})),
        (false, json!({"plate": "ABCDEFGHIJKLMNOPQ"})),
        (false, json!({"plate": "A\u{202e}B"})),
        (false, json!({"plate": "Q?Z"})),
        (false, json!({"plate": null})),
        (false, json!({"plate_state": "unread"})),
        (false, json!({"plate_state": "seen"})),
        (false, json!({"captured_at": "2026-11-25T12:00:00"})),
        (false, json!({"id": "7"})),
        (false, json!({"confidence": 1.5})),
        (false, json!({"lane": 2.5})),
        (false, json!({"heading": "north"})),
        (false, json!({"plate_width_px": 0})),
        (false, json!({"plate_brightness": 256})),
        (false, json!({"jurisdiction": {"code": "Z Z", "list": "a"}})),
        (false, json!({"jurisdiction": {"code": "ZZ"}})),
        (true, json!({"images": [{"role": "plate", "path": "a/b.jpg"}, {"role": "overview", "data": "AA=="}]})),
        (true, json!({"images": [{"role": "plate", "path": "a", "data": null, "media_type": "image/png"}]})),
        (false, json!({"images": [{"role": "plate"}]})),
        (false, json!({"images": [{"role": "plate", "path": "a", "data": "AA=="}]})),
        (false, json!({"images": [{"role": "face", "path": "a"}]})),
        (false, json!({"images": [{"role": "plate", "path": "a", "media_type": "image/gif"}]})),
        (false, json!({"images": [1]})),
        (false, json!({"extra": 1})),
        (false, json!({"colour": "red"})),
        (false, hit(" a")),
        (false, hit("a\u{202e}")),
        (false, hit("")),
    ];
    for (good, fields) in cases {
        let body = with(&fields);
        assert_eq!(pintle_core::wire::read_in::parse(body.as_bytes(), &cameras).is_ok(), good, "parser: {fields}");
        assert_eq!(schema.is_valid(&serde_json::from_str(&body).unwrap()), good, "schema: {fields}");
    }
}
