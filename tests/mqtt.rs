//! The drain through a real MQTT 5 broker: an event is delivered when the agency's consumer says so, and a broker that
//! is killed with all that it had acknowledged loses and doubles none.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/authority.rs"]
mod authority;
#[path = "support/drain.rs"]
mod drain;
#[path = "support/late.rs"]
mod late;
#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use authority::Authority;
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use drain::{Drain, until};
use receiver::Receiver;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A new queue opens with one ledger event.
const OPENING: u64 = 1;

/// Where Debian puts it; root's path may lack the folder.
const PROGRAMS: [&str; 2] = ["mosquitto", "/usr/sbin/mosquitto"];

struct Broker {
    program: &'static str,
    port: u16,
    folder: TempDir,
    running: Option<Child>,
}

impl Broker {
    /// `None` if there is none to run.
    fn start(more: &str) -> Option<Self> {
        let works = |program: &&&str| Command::new(program).arg("-h").stdout(Stdio::null()).status().is_ok();
        let Some(program) = PROGRAMS.iter().find(works) else {
            assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "needs mosquitto");
            drop(writeln!(std::io::stderr().lock(), "not run: needs mosquitto"));
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let own = nix::unistd::User::from_uid(nix::unistd::geteuid()).unwrap().unwrap().name;
        let text = format!(
            "listener {port} 127.0.0.1\npersistence true\npersistence_location {}/\nuser {own}\nmax_queued_messages \
             0\n{}\n",
            folder.path().display(),
            if more.is_empty() { "allow_anonymous true" } else { more }
        );
        std::fs::write(folder.path().join("broker.conf"), text).unwrap();
        let mut broker = Self { program, port, folder, running: None };
        broker.start_again();
        Some(broker)
    }

    fn start_again(&mut self) {
        let mut command = Command::new(self.program);
        command.arg("-c").arg(self.folder.path().join("broker.conf")).stdin(Stdio::null());
        self.running = Some(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(began.elapsed() < Duration::from_secs(20), "the broker does not start");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// kill -9.
    fn kill(&mut self) {
        if let Some(mut child) = self.running.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    fn url(&self) -> String {
        format!("mqtt://127.0.0.1:{}", self.port)
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

fn nothing_lost_nothing_doubled(receiver: &Receiver, reads: i64) {
    assert_eq!(receiver.count("SELECT count(*) FROM reads"), reads);
    assert_eq!(receiver.count("SELECT count(DISTINCT id) FROM reads"), reads);
    let report = receiver.report(&["--json"]);
    assert_eq!(report.code, 0, "{}", report.out);
}

#[tokio::test]
async fn what_nobody_has_a_session_for_is_not_handed_over_and_all_is_delivered_once_there_is_one() {
    let Some(broker) = Broker::start("") else { return };
    let folder = tempfile::tempdir().unwrap();
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&broker.url()));
    trailer.put(1..=40, false).await;
    trailer.put(1001..=1003, true).await;
    // The broker would throw it away: no consumer has ever had a session there.
    trailer.until_view("told", |view| view.trouble.as_deref().is_some_and(|text| text.contains("keeps"))).await;
    let counts = trailer.figures().await.counts;
    assert_eq!((counts.delivered, counts.waiting), (0, 43 + OPENING));
    assert_eq!(trailer.view.borrow().handed_over, 0);

    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    trailer.until_delivered(43 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 43);
    assert_eq!(trailer.view.borrow().hit_latency_ms.len(), 3);
    trailer.stop().await;
}

#[tokio::test]
async fn what_the_broker_keeps_for_a_consumer_that_is_away_is_handed_over_and_not_delivered() {
    let Some(broker) = Broker::start("") else { return };
    let mut receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let folder = tempfile::tempdir().unwrap();
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&broker.url()));
    trailer.put(1..=5, false).await;
    trailer.until_delivered(5 + OPENING).await;
    receiver.kill();
    trailer.put(6..=60, false).await;
    trailer.until_view("handed over", |view| view.handed_over == 55).await;
    assert_eq!(trailer.figures().await.counts.delivered, 5 + OPENING);
    receiver.start_again();
    trailer.until_delivered(60 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 60);
    trailer.stop().await;
}

#[tokio::test]
async fn a_broker_killed_during_the_drain_forgets_what_it_acknowledged_and_nothing_is_lost_or_doubled() {
    let Some(mut broker) = Broker::start("") else { return };
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let folder = tempfile::tempdir().unwrap();
    let mut target = drain::target(&broker.url());
    target.broker.receipt_wait_s = 5;
    let trailer = Drain::start("heron-3", folder.path(), target);
    trailer.put(1..=100, false).await;
    trailer.until_delivered(100 + OPENING).await;
    trailer.put(101..=3000, false).await;
    until("under way", || async { 400 < trailer.figures().await.counts.delivered }).await;
    broker.kill();
    assert!(trailer.figures().await.counts.delivered < 3000, "killed in the middle");
    broker.start_again();
    trailer.put(5001..=5005, true).await;
    trailer.until_delivered(3005 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 3005);
    trailer.stop().await;
}

#[tokio::test]
async fn what_the_consumer_lost_after_its_receipts_comes_again_through_the_broker() {
    let Some(broker) = Broker::start("") else { return };
    let mut receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let folder = tempfile::tempdir().unwrap();
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&broker.url()));
    trailer.put(1..=998, false).await;
    trailer.until_delivered(998 + OPENING).await;
    receiver.kill();
    assert!(0 < receiver.lose("no % 100 = 7"));
    receiver.start_again();
    // With the thousandth event a block is full: both ends compare it, and what is not there is asked for.
    trailer.put(999..=999, false).await;
    until("sent again", || async { receiver.count("SELECT count(*) FROM reads") == 999 }).await;
    until("proven", || async { receiver.count("SELECT count(*) FROM block WHERE verdict = 'equal'") == 1 }).await;
    nothing_lost_nothing_doubled(&receiver, 999);
    trailer.stop().await;
}

/// A consumer that was away answers hundreds of events in one message, which is larger than the 10 kB that the MQTT
/// library takes by itself.
#[tokio::test]
async fn receipts_of_hundreds_of_events_in_one_message_are_heard() {
    let Some(broker) = Broker::start("") else { return };
    let mut receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let folder = tempfile::tempdir().unwrap();
    let mut target = drain::target(&broker.url());
    // Nothing is sent again within this test.
    target.broker.receipt_wait_s = 3600;
    let trailer = Drain::start("heron-3", folder.path(), target);
    trailer.put(1..=5, false).await;
    trailer.until_delivered(5 + OPENING).await;
    receiver.kill();
    trailer.put(6..=900, false).await;
    trailer.until_view("handed over", |view| view.handed_over == 895).await;
    receiver.start_again();
    trailer.until_delivered(900 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 900);
    trailer.stop().await;
}

/// A way to the broker on which nothing comes back any more once the switch is set: neither acknowledgement nor
/// receipt.
fn deaf(broker: u16) -> (u16, Arc<AtomicBool>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let switch = Arc::new(AtomicBool::new(false));
    let silent = Arc::clone(&switch);
    std::thread::spawn(move || {
        for client in listener.incoming().flatten() {
            let Ok(server) = TcpStream::connect(("127.0.0.1", broker)) else { continue };
            let (mut up_from, mut up_to) = (client.try_clone().unwrap(), server.try_clone().unwrap());
            std::thread::spawn(move || drop(std::io::copy(&mut up_from, &mut up_to)));
            let (mut from, mut to, silent) = (server, client, Arc::clone(&silent));
            std::thread::spawn(move || {
                let mut bytes = [0; 4096];
                while let Ok(len @ 1..) = from.read(&mut bytes) {
                    if !silent.load(Ordering::SeqCst) && to.write_all(&bytes[..len]).is_err() {
                        break;
                    }
                }
            });
        }
    });
    (port, switch)
}

#[tokio::test]
async fn fault_61_a_kill_between_publish_and_acknowledgement_loses_and_doubles_nothing() {
    let Some(broker) = Broker::start("") else { return };
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let folder = tempfile::tempdir().unwrap();
    let (port, switch) = deaf(broker.port);
    let trailer = Drain::start("heron-3", &folder.path().join("a"), drain::target(&format!("mqtt://127.0.0.1:{port}")));
    trailer.put(1..=20, false).await;
    trailer.until_delivered(20 + OPENING).await;
    switch.store(true, Ordering::SeqCst);
    trailer.put(21..=60, false).await;
    // As many as the broker lets be under way are published and stored; the trailer has heard nothing of it.
    until("stored there", || async { 20 < receiver.count("SELECT count(*) FROM reads") }).await;
    assert_eq!(trailer.figures().await.counts.delivered, 20 + OPENING);
    // The files as they are at this instant: what a kill -9 leaves to the next process.
    let killed = folder.path().join("b");
    std::fs::create_dir(&killed).unwrap();
    for name in ["queue.db", "queue.db-wal", "queue.generation"] {
        std::fs::copy(folder.path().join("a").join(name), killed.join(name)).unwrap();
    }
    trailer.stop().await;
    let trailer = Drain::start("heron-3", &killed, drain::target(&broker.url()));
    trailer.until_delivered(60 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 60);
    trailer.stop().await;
}

#[tokio::test]
async fn fault_63_over_mqtt_a_name_that_no_server_answers_any_more_leads_where_it_led_last() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // Source: RFC 6761: no name below "invalid" ever resolves.
    Authority::new().write(folder.path(), &["broker.invalid", "localhost"]);
    let (ca, cert, key) = (at("ca.pem"), at("server.pem"), at("server.key"));
    let more = format!("certfile {}\nkeyfile {}\nallow_anonymous true", cert.display(), key.display());
    let Some(mut broker) = Broker::start(&more) else { return };
    let named = |name: &str| broker.url().replace("mqtt://127.0.0.1", &format!("mqtts://{name}"));
    let receiver = Receiver::start(&["--mqtt", &named("localhost"), "--broker-ca", &ca.display().to_string()]);
    let mut target = drain::target(&named("broker.invalid"));
    target.ca_file = Some(ca);
    let trailer = Drain::start("heron-3", &at("queue"), target);
    trailer.put(1..=20, false).await;
    trailer.until_view("told", |view| view.trouble.as_deref().is_some_and(|text| text.contains("name"))).await;
    pintle::io::names::answered("broker.invalid", [127, 0, 0, 1].into());
    trailer.until_delivered(20 + OPENING).await;
    broker.kill();
    trailer.put(21..=40, false).await;
    broker.start_again();
    trailer.until_delivered(40 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 40);
    trailer.stop().await;
}

#[tokio::test]
async fn a_hit_that_comes_late_through_the_broker_says_when_it_was_sent_and_is_marked_with_its_age() {
    let Some(broker) = Broker::start("") else { return };
    let folder = tempfile::tempdir().unwrap();
    late::sent_long_ago(folder.path()).await;
    // A consumer of somebody else, who sees what stands beside the bytes.
    let options = MqttOptions::new("another-consumer", ("127.0.0.1", broker.port));
    let (client, mut events) = AsyncClient::builder(options).capacity(10).try_build().unwrap();
    client.try_subscribe("pintle/event/+/read", QoS::AtLeastOnce).unwrap();
    while !matches!(events.poll().await.unwrap(), Event::Incoming(Packet::SubAck(_))) {}
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&broker.url()));
    let message = loop {
        if let Event::Incoming(Packet::Publish(message)) = events.poll().await.unwrap() {
            break message;
        }
    };
    let beside = message.properties.unwrap().user_properties;
    let sent_at = beside.iter().find(|(name, _)| name.eq_ignore_ascii_case("pintle-sent-at"));
    assert!(sent_at.is_some_and(|(_, at)| pintle_core::moment::Utc::parse_rfc3339(at).is_some()), "{beside:?}");
    let event: serde_json::Value = serde_json::from_slice(&message.payload).unwrap();
    assert_eq!(event["data"].get("late_s"), None, "the bytes are those of the first sending");
    trailer.until_delivered(1 + OPENING).await;
    let late = receiver.count("SELECT late_s FROM reads WHERE hit");
    assert!((late::AGO_S..late::AGO_S + 600).contains(&late), "{late}");
    trailer.stop().await;
}

#[tokio::test]
async fn a_broker_that_does_not_know_the_trailer_is_told_as_such() {
    let Some(mut broker) = Broker::start("allow_anonymous false") else { return };
    let folder = tempfile::tempdir().unwrap();
    let trailer = Drain::start("heron-3", folder.path(), drain::target(&broker.url()));
    trailer.put(1..=3, false).await;
    trailer
        .until_view("told", |view| view.trouble.as_deref().is_some_and(|text| text.contains("let this trailer")))
        .await;
    broker.kill();
    assert_eq!(trailer.figures().await.counts.waiting, 3 + OPENING);
    trailer.stop().await;
}

#[tokio::test]
async fn a_broker_that_refuses_the_right_to_publish_is_told_as_such_and_reads_stay_until_it_is_given() {
    let folder = tempfile::tempdir().unwrap();
    let rights = folder.path().join("rights");
    std::fs::write(&rights, "topic read pintle/#\n").unwrap();
    let Some(mut broker) = Broker::start(&format!("allow_anonymous true\nacl_file {}", rights.display())) else {
        return;
    };
    let trailer = Drain::start("heron-3", &folder.path().join("queue"), drain::target(&broker.url()));
    trailer.put(1..=3, false).await;
    trailer
        .until_view("told", |view| {
            view.trouble.as_deref().is_some_and(|text| text.contains("refuses this trailer a right"))
        })
        .await;
    let counts = trailer.figures().await.counts;
    assert_eq!((counts.delivered, counts.refused, counts.waiting), (0, 0, 3 + OPENING));
    assert_eq!(trailer.view.borrow().handed_over, 0);
    broker.kill();
    std::fs::write(&rights, "topic readwrite pintle/#\n").unwrap();
    broker.start_again();
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    trailer.until_delivered(3 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 3);
    trailer.stop().await;
}

#[tokio::test]
async fn over_tls_events_go_only_to_a_broker_that_the_named_authority_has_signed_for() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    Authority::new().write(folder.path(), &["127.0.0.1"]);
    std::fs::write(at("foreign.pem"), Authority::named("Another test authority").pem()).unwrap();
    let (ca, cert, key) = (at("ca.pem"), at("server.pem"), at("server.key"));
    let more = format!(
        "cafile {}\ncertfile {}\nkeyfile {}\nallow_anonymous true",
        ca.display(),
        cert.display(),
        key.display()
    );
    let Some(broker) = Broker::start(&more) else { return };
    let url = broker.url().replace("mqtt://", "mqtts://");
    let receiver = Receiver::start(&["--mqtt", &url, "--broker-ca", &ca.display().to_string()]);
    let mut target = drain::target(&url);
    target.ca_file = Some(at("foreign.pem"));
    let trailer = Drain::start("heron-3", &at("queue"), target.clone());
    trailer.put(1..=30, false).await;
    trailer.until_view("told", |view| view.trouble.is_some()).await;
    assert_eq!((trailer.figures().await.counts.delivered, trailer.view.borrow().handed_over), (0, 0));
    assert_eq!(receiver.count("SELECT count(*) FROM reads"), 0, "nothing went to a broker that nobody vouches for");
    trailer.stop().await;

    target.ca_file = Some(ca);
    let trailer = Drain::start("heron-3", &at("queue"), target);
    trailer.until_delivered(30 + OPENING).await;
    nothing_lost_nothing_doubled(&receiver, 30);
    trailer.stop().await;
}

#[test]
fn state_of_a_whole_trailer_reaches_the_receiver_through_the_broker_beside_its_reads() {
    let Some(broker) = Broker::start("") else { return };
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let mut trailer = trailer::Trailer::new(&format!("[receiver]\nurl = \"{}\"\n", broker.url()));
    trailer.start();
    assert_eq!(trailer.read("QX77SECRET"), 202);
    let began = Instant::now();
    let came = || receiver.count("SELECT count(*) FROM state") + receiver.count("SELECT count(*) FROM reads");
    while came() < 2 {
        assert!(began.elapsed() < drain::PATIENCE, "no state through MQTT: {}", trailer.log());
        std::thread::sleep(Duration::from_millis(100));
    }
    let states = receiver.rows("SELECT data FROM state");
    assert!(states.len() == 1 && states[0].contains("heron-3") && !states[0].contains("QX77SECRET"), "{states:?}");
    assert_eq!(receiver.count("SELECT count(*) FROM event WHERE type = 'pintle.health.v1'"), 0, "it is in no account");
}

#[test]
fn pictures_are_not_carried_and_the_agency_hears_that_they_will_not_come() {
    let Some(broker) = Broker::start("") else { return };
    let receiver = Receiver::start(&["--mqtt", &broker.url()]);
    let mut trailer = trailer::Trailer::new(&format!("[receiver]\nurl = \"{}\"\n", broker.url()));
    trailer.start();
    let read = serde_json::json!({
        "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": "QTZ 481", "plate_state": "read",
        "images": [{"role": "plate", "data": BASE64_STANDARD.encode(pictures::jpeg(60, 20, 1))}],
    });
    assert_eq!(trailer.post("application/json", &read.to_string()).0, 202);
    let began = Instant::now();
    let images = || {
        let account: serde_json::Value = serde_json::from_str(&receiver.report(&["--json"]).out).unwrap();
        account["generations"][0]["images"].clone()
    };
    while images()["never"].as_u64().is_none_or(|never| never == 0) {
        assert!(began.elapsed() < drain::PATIENCE, "nothing was told: {} {}", images(), trailer.log());
        std::thread::sleep(Duration::from_millis(200));
    }
    let seen = images();
    assert_eq!((&seen["never"], &seen["missing"]), (&seen["announced"], &0.into()), "{seen}");
    assert_eq!(seen["never_by"]["not carried"], seen["announced"]);
    while trailer.health()["ledger"]["pictures"]["not_carried"] != seen["announced"] {
        assert!(began.elapsed() < drain::PATIENCE, "health does not say it: {}", trailer.health()["ledger"]);
        std::thread::sleep(Duration::from_millis(200));
    }
    assert_eq!(trailer.health()["ledger"]["not_accounted"], 0);
}
