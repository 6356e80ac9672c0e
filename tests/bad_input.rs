//! What a person gets who sends something wrong: the exact answer to each, that nothing of it was accepted, and that a
//! good read goes through right afterwards.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/door.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod door;

use door::{Door, READ, reply};
use pintle_core::queue::Lane;
use serde_json::{Value, json};
use std::time::{Duration, Instant};
use tokio::io::AsyncWriteExt;

fn problem(kind: &str, status: u16, title: &str, detail: &str) -> Value {
    json!({"type": format!("urn:pintle:problem:{kind}"), "title": title, "status": status, "detail": detail})
}

/// A refused read with one fault.
fn invalid(field: &str, detail: &str) -> Value {
    let mut problem = problem("invalid-read", 422, "A read breaks the contract", detail);
    problem["field"] = field.into();
    problem
}

fn with(field: &str, value: Value) -> String {
    let mut read: Value = serde_json::from_str(READ).unwrap();
    read[field] = value;
    read.to_string()
}

/// Sends a body and compares status and answer; then nothing may wait, and a good read must be taken.
async fn check(body: &str, want: &Value) {
    let door = Door::open().await;
    let reply = door.post_read(body).await;
    compare(&door, &reply, want).await;
}

async fn compare(door: &Door, reply: &door::Reply, want: &Value) {
    assert_eq!(&reply.body, want);
    assert_eq!(Some(u64::from(reply.status)), want["status"].as_u64());
    assert!(reply.head.contains("content-type: application/problem+json\r\n"), "{}", reply.head);
    assert_eq!(door.waiting(Lane::Bulk).await.len() + door.waiting(Lane::Urgent).await.len(), 0);
    assert_eq!(door.post_read(READ).await.status, 202);
}

#[tokio::test]
async fn malformed_json() {
    let detail = "this is not JSON: EOF while parsing an object at line 1 column 17";
    check(r#"{"camera":"north""#, &problem("malformed", 400, "The body can't be read", detail)).await;
}

#[tokio::test]
async fn a_list_instead_of_an_object() {
    let detail = "this is JSON, but no object; send one object, or one object a line as application/x-ndjson";
    check(&format!("[{READ}]"), &problem("malformed", 400, "The body can't be read", detail)).await;
}

#[tokio::test]
async fn a_field_that_stands_twice() {
    let detail = "a field stands twice in the same object at line 1 column 26; send each field once";
    check(r#"{"camera":"north","camera":"south"}"#, &problem("malformed", 400, "The body can't be read", detail)).await;
}

#[tokio::test]
async fn nesting_without_end() {
    let detail = "objects and lists are nested deeper than 8 levels";
    let body = format!("{{\"extra\":{}", "[".repeat(100_000));
    check(&body, &problem("malformed", 400, "The body can't be read", detail)).await;
}

#[tokio::test]
async fn an_unknown_field_is_told_with_the_nearest_name() {
    let mut want = invalid("confidance", "the field \"confidance\" is unknown; did you mean \"confidence\"?");
    want["nearest"] = "confidence".into();
    check(&with("confidance", json!(0.5)), &want).await;
}

#[tokio::test]
async fn an_unknown_camera_is_told_with_the_known_ones() {
    let detail = "camera is none of this trailer's (did you mean \"north\"?); configured are: north, south. Send one of \
                  them, or add a [[camera]] to the configuration";
    let mut want = invalid("camera", detail);
    want["nearest"] = "north".into();
    check(&with("camera", json!("nroth")), &want).await;
}

#[tokio::test]
async fn a_plate_of_ten_kilobytes() {
    let detail = "plate has more than 16 characters; send the characters of one plate only";
    check(&with("plate", json!("Q".repeat(10_000))), &invalid("plate", detail)).await;
}

#[tokio::test]
async fn a_plate_with_hidden_marks() {
    let detail = "plate has a character that stands on no plate at place 2; use letters and digits of any script, and one \
                  space, '-', '.' or '\u{b7}' between them";
    for mark in ["\u{202e}", "\0", "\u{200b}", "<", "\u{7f}"] {
        check(&with("plate", json!(format!("Q{mark}Z"))), &invalid("plate", detail)).await;
    }
}

#[tokio::test]
async fn the_year_1899() {
    let detail = "captured_at is in the year 1899; only 1970 to 2100 are taken. Look at the clock of the sender";
    check(&with("captured_at", json!("1899-12-31T23:59:59Z")), &invalid("captured_at", detail)).await;
}

#[tokio::test]
async fn a_body_of_100_mb_is_refused_and_read_to_its_end() {
    let detail = "at most 4194304 bytes are taken in one request (intake.body_bytes_max); send fewer reads at once";
    let want = problem("body-too-large", 413, "The body is too large", detail);
    let head = "POST /v1/reads HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\n";
    let door = Door::open().await;
    let block = vec![b' '; 1 << 20];
    // Announced by its length.
    let mut stream = door.connect().await;
    stream.write_all(format!("{head}content-length: 100000000\r\n\r\n").as_bytes()).await.unwrap();
    for _ in 0..95 {
        stream.write_all(&block).await.unwrap();
    }
    let answered = reply(&mut stream).await;
    compare(&door, &answered, &want).await;
    // In chunks, without a length.
    let door = Door::open().await;
    let mut stream = door.connect().await;
    stream.write_all(format!("{head}transfer-encoding: chunked\r\n\r\n").as_bytes()).await.unwrap();
    for _ in 0..95 {
        stream.write_all(b"100000\r\n").await.unwrap();
        stream.write_all(&block).await.unwrap();
        stream.write_all(b"\r\n").await.unwrap();
    }
    let answered = reply(&mut stream).await;
    compare(&door, &answered, &want).await;
}

#[tokio::test]
async fn a_head_a_byte_at_a_time() {
    let door = Door::open_with(|intake, _| intake.request_wait_ms = 300).await;
    let detail = "it must be complete within 300 ms (intake.request_wait_ms); send it again in one go";
    let want = problem("too-slow", 408, "The request came too slowly", detail);
    let mut stream = door.connect().await;
    let begun = Instant::now();
    for byte in b"POST /v1/reads HTTP/1.1\r\nhost: localhost\r\n".iter().cycle() {
        if stream.write_all(&[*byte]).await.is_err() || Duration::from_millis(400) < begun.elapsed() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let answered = reply(&mut stream).await;
    assert!(begun.elapsed() < Duration::from_secs(2));
    compare(&door, &answered, &want).await;
}

#[tokio::test]
async fn a_body_that_dribbles() {
    let door = Door::open_with(|intake, _| intake.request_wait_ms = 300).await;
    let detail = "it must be complete within 300 ms (intake.request_wait_ms); send it again in one go";
    let want = problem("too-slow", 408, "The request came too slowly", detail);
    let request = door::request("application/json", READ);
    let answered = door.send(&request[..request.len() - 1]).await;
    compare(&door, &answered, &want).await;
}

#[tokio::test]
async fn the_same_id_with_another_body() {
    let id = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f";
    let mut door = Door::open().await;
    let first = door.post_read(&with("id", json!(id))).await;
    assert_eq!((first.status, &first.body["accepted"][0]["id"]), (202, &json!(id)));
    let mut other: Value = serde_json::from_str(READ).unwrap();
    other["id"] = id.into();
    other["plate"] = "QTZ 482".into();
    let answered = door.post_read(&other.to_string()).await;
    let detail = "the id 017f22e2-79b0-7cc3-98c4-dc0c0c07398f was used before for a read with another content; this one was \
                  not accepted. Give each read an id of its own, and send a repeat unchanged";
    let mut want = problem("id-reused", 422, "An id was used for two different reads", detail);
    want["field"] = "id".into();
    assert_eq!((answered.status, answered.body), (422, want));
    assert_eq!(door.waiting(Lane::Bulk).await.len(), 1);
    assert_eq!(door.view_when(|view| view.id_conflicts == 1).await.refused, 1);
}

#[tokio::test]
async fn more_reads_than_one_request_may_have() {
    let door = Door::open_with(|intake, _| intake.batch_reads_max = 2).await;
    let answered = door.post("application/x-ndjson", &format!("{READ}\n{READ}\n{READ}\n")).await;
    let detail = "3 reads were sent; at most 2 are taken at once. Send them in parts";
    compare(&door, &answered, &problem("too-many-reads", 413, "Too many reads in one request", detail)).await;
}

#[tokio::test]
async fn other_paths_methods_and_kinds_of_body() {
    let door = Door::open().await;
    let detail = "reads go to POST /v1/reads; nothing else is here but GET /v1/health";
    let answered = door.send(b"GET /v1/QTZ481 HTTP/1.1\r\nhost: localhost\r\n\r\n").await;
    assert_eq!(answered.body, problem("no-such-path", 404, "There is nothing at this path", detail));
    let detail = "send POST; reads go to POST /v1/reads";
    let answered = door.send(b"GET /v1/reads HTTP/1.1\r\nhost: localhost\r\n\r\n").await;
    assert_eq!(answered.body, problem("wrong-method", 405, "This method is not allowed here", detail));
    assert!(answered.head.contains("allow: post\r\n"));
    let detail = "send Content-Type: application/json with one read, or application/x-ndjson with one read a line";
    let want = problem("unsupported-media-type", 415, "This kind of body is not taken", detail);
    assert_eq!(door.post("text/plain", READ).await.body, want);
    assert_eq!(door.post("application/x-www-form-urlencoded", READ).await.status, 415);
    let encoded = "application/json\r\ncontent-encoding: gzip";
    let detail = "the body is encoded; send it plain, without Content-Encoding";
    let answered = door.post(encoded, READ).await;
    compare(&door, &answered, &problem("unsupported-media-type", 415, "This kind of body is not taken", detail)).await;
    // Each of them is counted.
    let mut door = door;
    let view = door.view_when(|view| view.refused == 5).await;
    let counted: Vec<(&str, u64)> = view.refusals.by_kind.iter().map(|(kind, count)| (kind.as_str(), *count)).collect();
    assert_eq!(counted, [("no-such-path", 1), ("unsupported-media-type", 3), ("wrong-method", 1)]);
}

#[tokio::test]
async fn what_the_http_library_refuses_by_itself_is_told_as_well() {
    let mut door = Door::open().await;
    let answered = door.send(b"\x16\x03\x01 hello\r\n\r\n").await;
    let detail = "the head of the request can't be read; send POST /v1/reads HTTP/1.1 with well-formed header fields";
    compare(&door, &answered, &problem("not-http", 400, "This is not HTTP/1.1", detail)).await;
    door.view_when(|view| view.refusals.by_kind.get("not-http") == Some(&1)).await;
    let door = Door::open().await;
    let long = format!("GET /v1/health HTTP/1.1\r\nhost: localhost\r\nx: {}\r\n\r\n", "y".repeat(40_000));
    let answered = door.send(long.as_bytes()).await;
    let detail = "all header fields together may have 16 KiB; send fewer or shorter ones";
    compare(&door, &answered, &problem("head-too-large", 431, "The head of the request is too large", detail)).await;
}

#[tokio::test]
async fn a_page_of_somebody_elses_in_a_browser_on_the_trailer() {
    let door = Door::open().await;
    let request = String::from_utf8(door::request("application/json", READ)).unwrap();
    let answered = door.send(request.replace("host: localhost", "host: brackwater.example:7400").as_bytes()).await;
    let detail = "the Host field must be localhost or a loopback address; use the address of intake.listen, or the unix \
                  socket";
    compare(&door, &answered, &problem("wrong-host", 421, "This is not the host that was meant", detail)).await;
    for bad in
        ["host: localhost\r\nhost: brackwater.example", "host: localhost\r\nhost: localhost", "x-host: localhost"]
    {
        assert_eq!(door.send(request.replace("host: localhost", bad).as_bytes()).await.status, 421, "{bad}");
    }
    for good in ["127.0.0.1:7400", "[::1]:7400", "LOCALHOST", "localhost:80"] {
        let answered = door.send(request.replace("host: localhost", &format!("host: {good}")).as_bytes()).await;
        assert_eq!(answered.status, 202, "{good}");
    }
}

#[tokio::test]
async fn a_full_disk_refuses_and_says_when_to_come_again() {
    let mut door = Door::open_with(|_, queue| queue.disk_free_min_mib = 1_048_576_000).await;
    let answered = door.post_read(READ).await;
    let detail = "no space left for the queue; free space on the data disk; until then new reads are refused and the engine \
                  is told. Nothing was accepted: keep the reads and send them again after Retry-After";
    assert_eq!(answered.body, problem("not-stored", 503, "The queue can't take reads now", detail));
    assert!(answered.head.contains("retry-after: 5\r\n"), "{}", answered.head);
    let seen = door.view_when(|view| view.trouble.is_some()).await;
    assert!(seen.trouble.unwrap().starts_with("no space left for the queue"));
}

/// Where all log lines of this process go.
#[derive(Clone, Default)]
struct Lines(std::sync::Arc<std::sync::Mutex<Vec<u8>>>);

impl std::io::Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn no_plate_gets_into_a_log_an_answer_or_the_view_wherever_it_is_put() {
    let lines = Lines::default();
    let writer = lines.clone();
    let log = tracing_subscriber::fmt().with_max_level(tracing::Level::TRACE).with_writer(move || writer.clone());
    tracing::subscriber::set_global_default(log.finish()).unwrap();
    let plate = "ZQ9 XK77";
    let door = Door::open().await;
    let mut bodies = vec![
        plate.to_owned(),
        format!("\"{plate}\""),
        format!("{{\"{plate}\":1}}"),
        format!("{{\"camera\":\"north\" \"{plate}\"}}"),
        with("plate", json!(plate)),
    ];
    for field in pintle_core::wire::read_in::FIELDS {
        bodies.push(with(field, json!(format!("{plate} <"))));
        bodies.push(with(field, json!({plate: plate, "list": plate, "list_time": plate, "code": plate})));
    }
    let mut refused = 0;
    for body in bodies {
        let answered = door.post_read(&body).await;
        refused += usize::from(answered.status != 202);
        assert!(!answered.body.to_string().contains("XK77"), "{}", answered.body);
    }
    // All but the good read and those whose `extra` or `plate` may hold anything.
    assert!(25 < refused, "{refused}");
    let seen = format!("{:?}", door.view.borrow().clone());
    door.stop.cancel();
    door.task.await.unwrap().unwrap();
    let log = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    assert!(log.contains("intake is open"), "nothing was logged at all");
    assert!(!log.contains("XK77") && !seen.contains("XK77"));
}
