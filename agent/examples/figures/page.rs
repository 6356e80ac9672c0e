//! The page of a trailer: how long it takes to make, how large it is, what its server needs; and the survey of many.

use crate::agent::Process;
use crate::{Bar, Bench, Part, Section, median};
use anyhow::{Context, ensure};
use pintle::clock;
use pintle::show::{self, Doing};
use pintle_core::health::{Memory, snapshot};
use pintle_core::link::outages::{Outage, Sum};
use pintle_core::link::rung::{Finding, Rung};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::history::HistoryRow;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName};
use std::fmt::Write as _;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

const BUILDS: usize = 300;
const BUILD_MS_MAX: f64 = 5.0;
const PAGE_BYTES_MAX: usize = 120_000;
const REQUESTS: usize = 50;
const RESIDENT_MIB_MAX: f64 = 15.0;
const TRAILERS: usize = 1000;
const SURVEY_S_MAX: f64 = 10.0;
const WHO: &str = "T. Wray";

pub(crate) fn measure(bench: &Bench) -> anyhow::Result<Section> {
    let (body, history) = fullest();
    let told = show::Told { done: true, text: "The tow is ended.".to_owned(), at: "" };
    let doing = Doing { csrf: "x".repeat(43), who: WHO.to_owned(), told: Some(told) };
    let page = show::open_page(&body, &doing, &history)?;
    let mut took_ms = Vec::new();
    for _ in 0..BUILDS {
        let began = Instant::now();
        let again = show::open_page(&body, &doing, &history)?;
        took_ms.push(began.elapsed().as_secs_f64() * 1e3);
        ensure!(again.len() == page.len(), "the same state gave two pages");
    }
    took_ms.sort_by(f64::total_cmp);
    let p99_ms = took_ms.get(took_ms.len() * 99 / 100).copied().unwrap_or(f64::NAN);
    let middle_ms = median(took_ms);

    let server = Server::start(bench, &body, &history)?;
    let idle = server.process()?;
    let (session, wrong) = server.open()?;
    for nth in 0..REQUESTS {
        let path = ["/", "/health.json", "/", "/history.ndjson", "/metrics.prom"].get(nth % 5).copied().unwrap_or("/");
        let answer = server.ask(&format!("GET {path} HTTP/1.1\r\nCookie: {session}\r\n"), "")?;
        ensure!(
            answer.starts_with("HTTP/1.1 200"),
            "{path} was answered {}",
            answer.lines().next().unwrap_or_default()
        );
        ensure!(path != "/" || answer.contains(WHO), "the page was not open");
    }
    // Somebody else guesses while the page is open: the memory of a comparison beside that of a session.
    let guess = server.ask("POST /open HTTP/1.1\r\n", "who=x&pin=00000000")?;
    ensure!(guess.starts_with("HTTP/1.1 403"), "a wrong PIN was answered {guess}");
    let busy = server.process()?;
    drop(server);
    let survey_s = survey(bench)?;

    let mut text = String::new();
    writeln!(
        text,
        "A trailer with {} cameras, {} needs, place lines of 160 characters, a day of history, a month of outages, a move of {} \
         points and a dozen changes,\nopened by a person: {} bytes; {BUILDS} times made: median {middle_ms:.2} ms, p99 {p99_ms:.2} ms.\n",
        body.cameras.len(),
        body.needs.len(),
        body.place.last_move.as_ref().map_or(0, |last| last.parts.iter().map(Vec::len).sum::<usize>()),
        page.len(),
    )?;
    writeln!(
        text,
        "`pintle page --tls` (the program `pintle-page`) with these files: {:.1} MiB resident before anybody asks.\n\
         After {wrong} wrong PINs, the right one, {REQUESTS} requests of the open page (90 days of history among \
         them), each\nover TLS anew, five at a time, and one more wrong PIN: at most {:.1} MiB, now {:.1} MiB (of it \
         {:.1} MiB its\nown), {} threads.\n",
        idle.resident_mib, busy.resident_most_mib, busy.resident_mib, busy.anonymous_mib, busy.threads
    )?;
    writeln!(
        text,
        "`pintle survey --list` of {TRAILERS} pages on loopback, of each fifty two slow (0.9 s), two that never answer, \
         one without end,\none that hangs up; `--wait 3`: {survey_s:.1} s.",
    )?;
    let bar = |what: &str, must_be, measured, held| Bar { what: what.to_owned(), must_be, measured, held };
    let bytes = format!("{:.1} kB", f64::from(u32::try_from(page.len())?) / 1e3);
    let most_mib = busy.resident_most_mib;
    let bars = vec![
        bar("the page, made from the fullest state, p99", "< 5 ms", format!("{p99_ms:.2} ms"), p99_ms < BUILD_MS_MAX),
        bar("the same, size", "< 120 kB", bytes, page.len() < PAGE_BYTES_MAX),
        bar(
            "page server, most resident memory, 50 requests over TLS",
            "< 15 MiB",
            format!("{most_mib:.1} MiB"),
            most_mib < RESIDENT_MIB_MAX,
        ),
        bar(
            "survey of 1,000 trailers, slow and dead ones among them",
            "< 10 s",
            format!("{survey_s:.1} s"),
            survey_s < SURVEY_S_MAX,
        ),
    ];
    Ok(Section { part: Part::Page, bars, text, began: String::new() })
}

/// More than any trailer will show at once.
fn fullest() -> (HealthBody, Vec<HistoryRow>) {
    let mut scene = Scene::after_tow();
    scene.facts.valid_s = 3600;
    scene.shift(clock::utc().since_ms(scene.now.utc));
    let now = scene.now;
    if let Some(camera) = scene.intake.cameras.first().cloned() {
        for n in 4..=8_u64 {
            let Ok(id) = pintle_core::ids::CameraId::new(&format!("camera-{n}")) else { continue };
            scene.intake.cameras.push(pintle_core::cameras::CameraView {
                id,
                label: format!("Camera {n}"),
                ..camera.clone()
            });
        }
    }
    let places = Arc::make_mut(&mut scene.position.places);
    for lines in places.sites.values_mut() {
        for held in lines.values_mut() {
            (held.line.road, held.line.cross_street) = ("Quernstone Road ".repeat(10), "Brackwater Lane ".repeat(10));
        }
    }
    let trail = Arc::make_mut(&mut scene.position.trail);
    let mut bends = pintle_core::position::trail::Trail::default();
    if let (Some(from), Some(first)) = (trail.from, trail.points().first()) {
        bends = pintle_core::position::trail::Trail::begin(from, first.position);
        for step in 1..=60_u32 {
            let side = if step % 2 == 0 { 40.0 } else { 80.0 };
            bends.push(first.position.moved(side, f64::from(step) * 60.0), step % 9 != 0);
        }
    }
    *trail = bends;
    scene.link_report.shown.finding = Some(Finding::bare(Rung::NamesFail));
    scene.link_report.day = Sum { count: 9, total_ms: 400_000, longest_ms: 90_000 };
    scene.link_report.month = Sum { count: 90, total_ms: 9_499_000, longest_ms: 2_400_000 };
    scene.link_report.recent = (1..=30)
        .rev()
        .map(|n| Outage { began: now.utc.plus_ms(-n * 20 * 3_600_000), length_ms: 95_000, rung: Rung::NoCarrier })
        .collect();
    scene.forward.failing_since = Some(scene.ago(7_200_000));
    scene.forward.trouble = Some("the receiver can't be reached; look at the link".to_owned());
    if let Ok(queue) = &mut scene.queue {
        queue.waiting_urgent = 3;
        queue.counts.waiting = 40_000;
        queue.counts.accepted = queue.counts.delivered + 40_000;
    }
    let mut memory = Memory::default();
    for _ in 0..12 {
        let _told = snapshot(&scene.observations(), &mut memory);
        scene.duty.off = None;
        scene.link = if matches!(scene.link, pintle_core::link::LinkView::NotFitted) {
            pintle_core::link::LinkView::Up { interface: "usb0".to_owned() }
        } else {
            pintle_core::link::LinkView::NotFitted
        };
    }
    let told = snapshot(&scene.observations(), &mut memory);
    let body = HealthBody::new(&scene.observations(), &told, 118);
    let mut row = HistoryRow::of(&body);
    let rows = (0..98_u64).rev().map(|quarter| {
        row.at = now.utc.plus_ms(-i64::try_from(quarter).unwrap_or(0) * 900_000).to_rfc3339();
        row.reads.iter_mut().enumerate().for_each(|(nth, reads)| *reads += 20 + (quarter * 7 + nth as u64) % 50);
        row.clone()
    });
    let rows: Vec<HistoryRow> = rows.collect();
    (body, rows)
}

/// The page server over these files.
struct Server {
    child: Child,
    address: String,
    pin: String,
    folder: tempfile::TempDir,
    tls: Arc<rustls::ClientConfig>,
}

impl Server {
    fn start(bench: &Bench, body: &HealthBody, history: &[HistoryRow]) -> anyhow::Result<Self> {
        let folder = tempfile::tempdir_in(&bench.scratch)?;
        let (health, public, state) =
            (folder.path().join("health"), folder.path().join("public"), folder.path().join("state"));
        for (folder, files) in [(&health, show::health_files(body)?), (&public, show::public_files(body)?)] {
            std::fs::create_dir(folder)?;
            for (name, text) in files {
                std::fs::write(folder.join(name), text)?;
            }
        }
        // 90 days of it lie there; the page reads a day's.
        let mut lines = String::new();
        for row in history.iter().cycle().take(90 * 96) {
            writeln!(lines, "{}", serde_json::to_string(row)?)?;
        }
        std::fs::write(health.join("history.ndjson"), lines)?;
        let run = Command::new(&bench.program).args(["page", "pin", "--anywhere", "--state"]).arg(&state).output()?;
        let told = String::from_utf8(run.stdout)?;
        let pin = told.lines().next().and_then(|line| line.rsplit_once(": ")).context("no PIN was told")?;
        let pin = pin.1.replace(' ', "");
        // It becomes `pintle-page`, in the same process and with the settings that the unit has.
        let mut child = Command::new(&bench.program)
            .args(["page", "--tls", "--listen", "127.0.0.1:0", "--health"])
            .arg(&health)
            .arg("--state")
            .arg(&state)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().context("no stdout")?).read_line(&mut line)?;
        let address = line.trim().split_once("://").context("no address was told")?.1.trim_end_matches('/').to_owned();
        let tls = client(&state.join("certificate.pem"))?;
        Ok(Self { child, address, pin, folder, tls })
    }

    fn process(&self) -> anyhow::Result<Process> {
        Process::of(self.child.id())
    }

    /// Opens the page after some wrong PINs; answers the cookie and how many were wrong.
    fn open(&self) -> anyhow::Result<(String, usize)> {
        let wrong = 3;
        for n in 0..wrong {
            let answer = self.ask("POST /open HTTP/1.1\r\n", &format!("who=x&pin={n:08}"))?;
            ensure!(answer.starts_with("HTTP/1.1 403"), "a wrong PIN was answered {answer}");
        }
        let answer = self.ask("POST /open HTTP/1.1\r\n", &format!("who=T.+Wray&pin={}", self.pin))?;
        let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).context("no cookie came")?;
        Ok((cookie.split(';').next().unwrap_or_default().to_owned(), wrong))
    }

    /// One request over a connection of its own, with four more open beside it.
    fn ask(&self, head: &str, form: &str) -> anyhow::Result<String> {
        let beside: Vec<TcpStream> = (0..4).map(|_| TcpStream::connect(&self.address)).collect::<Result<_, _>>()?;
        let stream = TcpStream::connect(&self.address)?;
        stream.set_read_timeout(Some(Duration::from_secs(30)))?;
        let name = ServerName::try_from("localhost")?;
        let connection = rustls::ClientConnection::new(Arc::clone(&self.tls), name)?;
        let mut stream = rustls::StreamOwned::new(connection, stream);
        write!(
            stream,
            "{head}Host: {}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\nConnection: \
             close\r\n\r\n{form}",
            self.address,
            form.len()
        )?;
        let mut answer = Vec::new();
        let read = stream.read_to_end(&mut answer);
        ensure!(!answer.is_empty(), "no answer: {:?}", read.err());
        drop(beside);
        Ok(String::from_utf8_lossy(&answer).into_owned())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
        debug_assert!(self.folder.path().is_dir());
    }
}

/// A client that trusts the page's own certificate and no other.
fn client(certificate: &Path) -> anyhow::Result<Arc<rustls::ClientConfig>> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(certificate)?)?;
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}

/// Surveys a thousand pages, s.
fn survey(bench: &Bench) -> anyhow::Result<f64> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = listener.local_addr()?;
    let body: Arc<[u8]> = serde_json::to_vec(&fullest().0)?.into();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let body = Arc::clone(&body);
            let small = std::thread::Builder::new().stack_size(128 * 1024);
            // Who can't be served looks dead, which is a manner too.
            drop(small.spawn(move || serve(stream, &body)));
        }
    });
    let list = bench.scratch.join("fleet.txt");
    let lines: String = (0..TRAILERS).fold(String::new(), |all, n| all + &format!("http://{address}/{n}/\n"));
    std::fs::write(&list, lines)?;
    let began = Instant::now();
    let run = Command::new(&bench.program)
        .args(["survey", "--json", "--wait", "3", "--list"])
        .arg(&list)
        .stderr(Stdio::null())
        .output()?;
    let took_s = began.elapsed().as_secs_f64();
    let told: serde_json::Value = serde_json::from_slice(&run.stdout)?;
    let trailers = told["trailers"].as_array().context("no trailers")?;
    let stale = trailers.iter().filter(|trailer| trailer["word"] == "stale").count();
    ensure!((trailers.len(), stale) == (TRAILERS, TRAILERS / 50 * 4), "{} told, {stale} stale", trailers.len());
    Ok(took_s)
}

/// The number in the path tells the manner; the peer may hang up at any time.
fn serve(mut stream: TcpStream, body: &[u8]) {
    let mut head = [0; 2048];
    let Ok(n) = stream.read(&mut head) else { return };
    let head = String::from_utf8_lossy(&head[..n]).into_owned();
    let number = head.split('/').nth(1).and_then(|number| number.parse::<usize>().ok()).unwrap_or_default();
    match number % 50 {
        1 | 2 => std::thread::sleep(Duration::from_millis(900)),
        3 | 4 => return std::thread::sleep(Duration::from_secs(20)),
        5 => {
            drop(stream.write_all(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"));
            let chunk = [b"4000\r\n".to_vec(), vec![b' '; 0x4000], b"\r\n".to_vec()].concat();
            while stream.write_all(&chunk).is_ok() {}
            return;
        }
        6 => return,
        _ => {}
    }
    // One trailer is told once, however often it is named: each has an id of its own.
    let body = String::from_utf8_lossy(body).replacen("\"id\":\"heron-3\"", &format!("\"id\":\"heron-{number}\""), 1);
    let head = format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\nConnection: close\r\n\r\n", body.len());
    drop(stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body.as_bytes())));
}
