//! The position actor on a real pseudo-terminal: whatever a GPS receiver and its cable do is a state with a reason.

#![expect(clippy::unwrap_used, reason = "tests")]

use nix::pty::openpty;
use nix::unistd::{User, geteuid, ttyname};
use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::messages::{PlaceProblem, PlaceRequest, PlaceRow, PositionRequest, TowRequest};
use pintle::actors::position::{self, PositionError, PositionSetup};
use pintle::clock;
use pintle::config;
use pintle::io::serial::{Port, PortError};
use pintle::store::{self, NewEvent, StoreHandle};
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::moment::{Moment, Utc, UtcTrust};
use pintle_core::position::clock_feed::{ClockFeed, SOCK_MAGIC};
use pintle_core::position::places::LineState;
use pintle_core::position::{KeeperState, PositionView, ReceiverState};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::read::stamp::{Stamp, StampBasis, StampState, stamp};
use std::fs::{self, File};
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tempfile::TempDir;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;

/// Longest wait for anything; the silence timer alone takes 5 s.
const PATIENCE: Duration = Duration::from_mins(1);

/// Our end of a GPS receiver; dropping it pulls the plug.
struct Receiver {
    master: File,
    path: PathBuf,
}

impl Receiver {
    fn plug_in() -> Self {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        Self { master: File::from(pair.master), path }
    }

    fn send(&mut self, bytes: &[u8]) {
        self.master.write_all(bytes).unwrap();
    }

    /// One fix of now, `north_m` north of a point in the open sea.
    fn send_fix(&mut self, north_m: f64) {
        self.send(sentence(north_m).as_bytes());
    }
}

fn sentence(north_m: f64) -> String {
    sentence_at(clock::utc(), north_m)
}

fn sentence_at(utc: Utc, north_m: f64) -> String {
    let now = utc.to_rfc3339();
    let (date, time) = (&now[..10], &now[11..22]);
    let minutes = 30.6 + north_m / 1852.0;
    let text = format!(
        "GPRMC,{},A,44{minutes:07.4},N,03000.0000,W,0.02,0.0,{}{}{},,,A",
        time.replace(':', ""),
        &date[8..10],
        &date[5..7],
        &date[2..4]
    );
    seal(&text)
}

fn seal(text: &str) -> String {
    format!("${text}*{:02X}\r\n", text.bytes().fold(0, |sum, c| sum ^ c))
}

/// What a receiver that talks at 38,400 bit/s sounds like on a line that is set to `rate`.
fn heard(line: &str, rate: Option<u32>) -> Vec<u8> {
    let garbled = |byte: u8| byte.rotate_left(3) | 0x80;
    if rate == Some(38_400) { line.as_bytes().to_vec() } else { line.bytes().map(garbled).collect() }
}

/// A link whose target changes, as udev makes them.
fn point(link: &Path, target: &Path) {
    let next = link.with_extension("next");
    symlink(target, &next).unwrap();
    fs::rename(next, link).unwrap();
}

struct Rig {
    folder: TempDir,
    store: StoreHandle,
    view: watch::Receiver<Arc<PositionView>>,
    requests: mpsc::Sender<PositionRequest>,
    heartbeat: Heartbeat,
    stop: CancellationToken,
    task: JoinHandle<Result<(), PositionError>>,
}

impl Rig {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Self::open(folder.path()).unwrap();
        Self::start_on(folder, store)
    }

    fn open(folder: &Path) -> Result<StoreHandle, store::StoreError> {
        let queue = config::Queue {
            seal: config::Seal::None,
            commit_wait_ms: 0,
            waiting_keep_s: 86_400,
            hit_waiting_keep_s: 86_400,
            delivered_keep_s: 86_400,
            hit_delivered_keep_s: 86_400,
            disk_free_min_mib: 1,
            ..config::Queue::PLAIN
        };
        store::open(folder, &queue, clock::moment(UtcTrust::Unset))
    }

    fn start_on(folder: TempDir, store: StoreHandle) -> Self {
        Self::start_in(folder, store, "first boot")
    }

    fn start_in(folder: TempDir, store: StoreHandle, boot_id: &str) -> Self {
        let (view_in, view) = watch::channel(Arc::default());
        let (requests, requests_out) = mpsc::channel(4);
        let (heartbeat, stop) = (Heartbeat::default(), CancellationToken::new());
        let setup = PositionSetup {
            gps: Some(config::Gps {
                device: folder.path().join("gps"),
                baud: None,
                chrony_sock: Some(folder.path().join("chrony.sock")),
            }),
            position: config::Position { move_threshold_m: 50.0, settle_s: 5 },
            cameras: vec![CameraId::new("north").unwrap()],
            trailer: TrailerId::new("heron-3").unwrap(),
            store: store.clone(),
            requests: requests_out,
            link: watch::Sender::default().subscribe(),
            inputs: watch::Sender::default().subscribe(),
            boot_id: boot_id.to_owned(),
            time_marker: folder.path().join("no time server"),
            view: view_in,
            heartbeat: heartbeat.clone(),
        };
        let task = tokio::spawn(position::run(setup, stop.clone()));
        Self { folder, store, view, requests, heartbeat, stop, task }
    }

    fn link(&self) -> PathBuf {
        self.folder.path().join("gps")
    }

    async fn wait_for(&mut self, what: &str, so: impl Fn(&PositionView) -> bool) -> Arc<PositionView> {
        let found = timeout(PATIENCE, self.view.wait_for(|view| so(view))).await.map(|view| Arc::clone(&view.unwrap()));
        let last = self.view.borrow().clone();
        found.unwrap_or_else(|_| panic!("{what} did not come; last: {:?}, {:?}", last.receiver, last.state))
    }

    async fn wait_for_absence(&mut self) -> String {
        let view = self.wait_for("absence", |view| matches!(view.receiver, ReceiverState::Absent(_))).await;
        match &view.receiver {
            ReceiverState::Absent(text) => text.clone(),
            _ => unreachable!(),
        }
    }

    async fn ask(&self, make: impl FnOnce(oneshot::Sender<Answer>) -> PlaceRequest) -> Answer {
        let (answer, told) = oneshot::channel();
        self.requests.send(PositionRequest::Place(make(answer))).await.unwrap();
        timeout(PATIENCE, told).await.unwrap().unwrap()
    }

    async fn end(self) -> (TempDir, StoreHandle) {
        self.stop.cancel();
        timeout(PATIENCE, self.task).await.unwrap().unwrap().unwrap();
        (self.folder, self.store)
    }
}

type Answer = Result<Vec<PlaceRow>, PlaceProblem>;

#[tokio::test]
async fn what_is_between_the_sentences_costs_none_of_them() {
    let mut rig = Rig::start();
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    receiver.send(b"\0\0\0\xff\xfe$$GP*,\x01\x02");
    receiver.send(&b"x".repeat(3000));
    let (first, again) = (sentence(0.0), seal("GPTXT,01,01,02,standing"));
    receiver.send(format!("{}{again}$GPRMC,half a senten{first}", first.trim_end()).as_bytes());
    receiver.send(b"\0\0");
    let view = rig.wait_for("the fix", |view| 0 < view.fixes_used && 2 <= view.sentences).await;
    assert_eq!(view.receiver, ReceiverState::Fixing);
    assert!(view.last_fix.is_some_and(|fix| fix.utc.is_some()));
    assert!(view.clock_offset.is_some_and(|(offset_ms, _)| offset_ms.abs() < 2000), "{:?}", view.clock_offset);
    assert_eq!(view.utc_trust, UtcTrust::Gps);
    rig.end().await;
}

#[tokio::test]
async fn the_speed_of_the_line_is_found_by_trying_and_known_after_a_restart() {
    let mut rig = Rig::start();
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    // It talks at the third speed that is tried. A pseudo-terminal carries all speeds alike, but knows which was set.
    let mut told = None;
    for _ in 0..600 {
        let rate = rig.view.borrow().gps_rate;
        receiver.send(&heard(&sentence(0.0), rate));
        sleep(Duration::from_millis(100)).await;
        told = rig.view.borrow().gps_rate_found;
        if told.is_some() {
            break;
        }
    }
    assert_eq!(told, Some(38_400));
    rig.wait_for("a fix", |view| view.receiver == ReceiverState::Fixing).await;
    let (folder, store) = rig.end().await;
    assert_eq!(store.kept("gps-rate").await.unwrap().as_deref(), Some(&b"38400"[..]));
    let mut rig = Rig::start_on(folder, store);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    let rate = rig.wait_for("the speed", |view| view.gps_rate.is_some()).await.gps_rate;
    receiver.send(&heard(&sentence(0.0), rate));
    let view = rig.wait_for("a sentence at once", |view| view.gps_rate_found.is_some()).await;
    assert_eq!((view.gps_rate_found, view.sentences_refused), (Some(38_400), 0), "it began with the speed it knew");
    rig.end().await;
}

#[tokio::test]
async fn a_wrong_checksum_gives_no_fix() {
    let mut rig = Rig::start();
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    receiver.send(sentence(0.0).replace(",A,44", ",A,45").as_bytes());
    let view = rig.wait_for("the refusal", |view| view.sentences_refused == 1).await;
    assert_eq!((view.fixes_used, view.sentences), (0, 0));
    rig.end().await;
}

#[tokio::test]
async fn silence_noise_and_no_fix_are_told_apart() {
    let mut rig = Rig::start();
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("silence", |view| view.receiver == ReceiverState::Silent).await;
    let noise = tokio::spawn(async move {
        for _ in 0..70 {
            receiver.send(b"\xb5\x62\x01\x07\x00$GP\x80noise");
            sleep(Duration::from_millis(100)).await;
        }
        receiver
    });
    rig.wait_for("noise", |view| view.receiver == ReceiverState::NoSentences).await;
    let mut receiver = noise.await.unwrap();
    receiver.send(seal("GPRMC,120001,V,,,,,,,251126,,,N").as_bytes());
    receiver.send(seal("GPRMC,120002,V,,,,,,,251126,,,N").as_bytes());
    let view = rig.wait_for("no fix", |view| matches!(view.receiver, ReceiverState::NoFix(_))).await;
    assert!(matches!(&view.receiver, ReceiverState::NoFix(text) if text.contains("antenna")), "{:?}", view.receiver);
    assert!(view.receiver_since.is_some());
    rig.end().await;
}

#[tokio::test]
async fn a_receiver_that_comes_back_under_another_name_is_found_by_its_link() {
    let mut rig = Rig::start();
    let text = rig.wait_for_absence().await;
    assert!(text.contains("gps is not"), "{text}");
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    receiver.send_fix(0.0);
    rig.wait_for("the fix", |view| view.receiver == ReceiverState::Fixing).await;
    // The new one is made before the old one goes, so that it can't get the same name.
    let mut next = Receiver::plug_in();
    assert_ne!(receiver.path, next.path);
    drop(receiver);
    let text = rig.wait_for_absence().await;
    assert!(text.contains("look at the cable") || text.contains("plug it"), "{text}");
    point(&rig.link(), &next.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    next.send_fix(0.0);
    rig.wait_for("the fix", |view| view.receiver == ReceiverState::Fixing).await;
    rig.end().await;
}

#[tokio::test]
async fn a_device_that_is_not_there_costs_no_busy_loop_and_says_what_to_do() {
    let mut rig = Rig::start();
    let text = rig.wait_for_absence().await;
    let before = rig.heartbeat.turns();
    sleep(Duration::from_secs(2)).await;
    let turns = rig.heartbeat.turns() - before;
    assert!((1..=12).contains(&turns), "{turns} rounds in two seconds");
    let text = match &rig.view.borrow().receiver {
        ReceiverState::Absent(text) => text.clone(),
        other => panic!("{text}, then {other:?}"),
    };
    assert!(text.contains("gps is not there; plug the GPS receiver in"), "{text}");
    rig.end().await;
}

#[tokio::test]
async fn a_port_is_held_exclusively_and_other_files_are_no_ports() {
    let receiver = Receiver::plug_in();
    let held = Port::open(&receiver.path, 9600).unwrap();
    let busy = Port::open(&receiver.path, 9600).unwrap_err();
    assert_eq!(busy, PortError::Busy { path: receiver.path.clone() });
    assert!(busy.advice().contains("fuser -v"));
    assert!(!held.is_elsewhere(&receiver.path));
    drop(held);
    Port::open(&receiver.path, 9600).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("gps");
    fs::write(&file, b"").unwrap();
    assert_eq!(Port::open(&file, 9600).unwrap_err(), PortError::NotSerial { path: file });
}

/// Runs itself again as another user, who may not open the port.
#[tokio::test]
async fn a_port_without_permission_names_the_user_and_the_group() {
    const PORT: &str = "PINTLE_TEST_PORT";
    const NAME: &str = "a_port_without_permission_names_the_user_and_the_group";
    if let Some(path) = std::env::var_os(PORT) {
        let error = Port::open(Path::new(&path), 9600).unwrap_err();
        assert!(matches!(error, PortError::NotPermitted { .. }), "{error:?}");
        let text = format!("{error}; {}", error.advice());
        assert!(text.contains("which belongs to user root and group "), "{text}");
        assert!(text.contains("usermod -aG ") && text.contains("may not open /dev/pts/"), "{text}");
        return;
    }
    if !geteuid().is_root() {
        assert!(std::env::var_os("PINTLE_RIGS").is_none_or(|rigs| rigs != "all"), "PINTLE_RIGS=all needs root");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs root, to become another user\n"),
        ));
        return;
    }
    let receiver = Receiver::plug_in();
    fs::set_permissions(&receiver.path, fs::Permissions::from_mode(0o600)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let program = folder.path().join("program");
    fs::copy(std::env::current_exe().unwrap(), &program).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let mut command = std::process::Command::new(&program);
    // 65534 is "nobody" (from memory); it needs no entry in the password file.
    command.args(["--exact", NAME]).env(PORT, &receiver.path).current_dir("/").gid(65534).uid(65534);
    let output = command.output().unwrap();
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && text.contains("1 passed"), "{text}");
}

#[tokio::test]
async fn a_site_is_found_told_to_the_store_and_remembered_with_its_place_lines() {
    let mut rig = Rig::start();
    let mut receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    rig.wait_for("the opening", |view| view.receiver == ReceiverState::Silent).await;
    let camera = CameraId::new("north").unwrap();
    let line = |answer| PlaceRequest::Set {
        camera: CameraId::new("north").unwrap(),
        road: "Quernstone Road".to_owned(),
        cross_street: "Brackwater Lane".to_owned(),
        direction: "northbound".to_owned(),
        by: "J. Fenwick".to_owned(),
        answer,
    };
    let early = rig.ask(line).await.unwrap_err();
    assert!(early.detail.contains("wait until a site is found"), "{early}");
    let feed = tokio::spawn(async move {
        loop {
            receiver.send_fix(0.0);
            sleep(Duration::from_millis(500)).await;
        }
    });
    let view = rig.wait_for("the site", |view| view.state == KeeperState::Anchored).await;
    let site = view.site.clone().unwrap();
    assert!((site.position.lat_deg() - 44.51).abs() < 1e-5, "{site:?}");
    let rows = rig.ask(line).await.unwrap();
    assert_eq!((rows[0].site, rows[0].state), (Some(site.id), LineState::Confirmed));
    assert_eq!(rows[0].sentence, "Quernstone Road at Brackwater Lane, northbound");
    let unknown = rig.ask(|answer| PlaceRequest::Confirm {
        camera: Some(CameraId::new("south").unwrap()),
        meant: None,
        by: "J. Fenwick".to_owned(),
        answer,
    });
    assert_eq!(unknown.await.unwrap_err().detail, "there is no camera south; the cameras are: north");
    feed.abort();
    let (folder, store) = rig.end().await;
    let events = store.lease(Lane::Bulk, 100, 1_000_000, Moment::default()).await.unwrap();
    let kinds: Vec<EventKind> = events.iter().map(|event| event.kind).collect();
    assert!(kinds.contains(&EventKind::Site) && kinds.contains(&EventKind::Notice), "{kinds:?}");
    let mut again = Rig::start_on(folder, store);
    let rows = again.ask(|answer| PlaceRequest::List { answer }).await.unwrap();
    assert_eq!((rows[0].site, rows[0].camera.clone()), (Some(site.id), camera.clone()));
    assert!(rows[0].sentence.contains("not verified since boot"), "{}", rows[0].sentence);
    assert!(rows[0].advice.contains("wait until"), "{}", rows[0].advice);
    // It may have been moved while it was off: nothing is written to the old site before that is known.
    let other = |answer| PlaceRequest::Set {
        camera: CameraId::new("north").unwrap(),
        road: "Tallow Row".to_owned(),
        cross_street: String::new(),
        direction: String::new(),
        by: "J. Fenwick".to_owned(),
        answer,
    };
    let confirm = |answer| PlaceRequest::Confirm { camera: None, by: "J. Fenwick".to_owned(), meant: None, answer };
    for refused in [again.ask(other).await, again.ask(confirm).await] {
        let told = refused.unwrap_err().detail;
        assert!(told.contains("wait until fixes agree with it"), "{told}");
    }
    let place = again.view.borrow().places.line(site.id, &camera).0.map(|line| line.road.clone());
    assert_eq!(place.as_deref(), Some("Quernstone Road"), "the old site's line stays");
    let receiver = Receiver::plug_in();
    point(&again.link(), &receiver.path);
    let feed = feed_fixes(receiver);
    again.wait_for("the check", |view| view.state == KeeperState::Anchored).await;
    let rows = again.ask(other).await.unwrap();
    assert_eq!((rows[0].site, rows[0].sentence.as_str()), (Some(site.id), "Tallow Row"));
    feed.abort();
    again.end().await;
}

/// True if chronyd and chronyc are there; else it says so, or fails if all rigs are demanded.
fn chrony_rig() -> bool {
    let there = std::process::Command::new("chronyd").arg("--version").output().is_ok_and(|said| said.status.success());
    if !there {
        assert!(std::env::var("PINTLE_RIGS").map_or(true, |rigs| rigs != "all"), "needs chronyd");
        drop(std::io::stderr().lock().write_all(b"not run: needs chronyd (Debian package chrony)\n"));
    }
    there
}

/// Sends a fix of now four times a second until it is aborted.
fn feed_fixes(mut receiver: Receiver) -> JoinHandle<()> {
    tokio::spawn(async move {
        loop {
            receiver.send_fix(0.0);
            sleep(Duration::from_millis(250)).await;
        }
    })
}

#[tokio::test]
async fn whoever_listens_on_the_socket_for_chrony_gets_the_time_and_nobody_there_is_only_told() {
    let mut rig = Rig::start();
    let receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    let fixes = feed_fixes(receiver);
    let path = rig.folder.path().join("chrony.sock");
    let unheard =
        |view: &PositionView, word: &str| matches!(&view.clock_feed, ClockFeed::Unheard(w) if w.contains(word));
    rig.wait_for("a missing socket", |view| unheard(view, "is not there; look whether chronyd runs")).await;
    let socket = tokio::net::UnixDatagram::bind(&path).unwrap();
    let mut sample = [0; 64];
    let length = timeout(PATIENCE, socket.recv(&mut sample)).await.unwrap().unwrap();
    assert_eq!((length, i32::from_ne_bytes(sample[36..40].try_into().unwrap())), (40, SOCK_MAGIC));
    let seconds = i64::from_ne_bytes(sample[..8].try_into().unwrap());
    assert!((clock::utc().0 / 1000 - seconds).abs() < 60, "the host's clock at the fix: {seconds}");
    let offset_s = f64::from_ne_bytes(sample[16..24].try_into().unwrap());
    assert!((-10.0..0.1).contains(&offset_s), "the sentence tells of the past, as a serial line does: {offset_s}");
    rig.wait_for("taken samples", |view| matches!(view.clock_feed, ClockFeed::Given(_))).await;
    drop(socket);
    let view = rig.wait_for("a dead socket", |view| unheard(view, "nobody listens on")).await;
    assert_eq!(view.receiver, ReceiverState::Fixing, "the position goes on");
    fixes.abort();
    rig.end().await;
}

/// The clock of this computer is not touched: `-x`.
#[tokio::test]
async fn chrony_selects_the_gps_receiver_as_its_source_of_time() {
    if !chrony_rig() {
        return;
    }
    let mut rig = Rig::start();
    let folder = rig.folder.path().to_owned();
    // chronyd takes no folder that others may look into.
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o700)).unwrap();
    let of = |name: &str| folder.join(name).display().to_string();
    let user = User::from_uid(geteuid()).unwrap().map_or_else(|| "root".to_owned(), |user| user.name);
    let text = format!(
        "refclock SOCK {} refid GPS poll 0 filter 1 precision 1e-2 delay 0.5\nbindcmdaddress {}\ncmdport 0\nport 0\n\
         pidfile {}\nuser {user}\n",
        of("chrony.sock"),
        of("command.sock"),
        of("pid")
    );
    fs::write(of("chrony.conf"), text).unwrap();
    let log = File::create(of("log")).unwrap();
    let mut daemon = std::process::Command::new("chronyd")
        .args(["-x", "-d", "-f", &of("chrony.conf")])
        .stderr(log.try_clone().unwrap())
        .stdout(log)
        .spawn()
        .unwrap();
    let receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    let fixes = feed_fixes(receiver);
    rig.wait_for("taken samples", |view| matches!(view.clock_feed, ClockFeed::Given(_))).await;
    let mut said = String::new();
    let selected = timeout(Duration::from_secs(50), async {
        loop {
            let output = tokio::process::Command::new("chronyc")
                .args(["-h", &of("command.sock"), "-n", "sources"])
                .output()
                .await
                .unwrap();
            said = String::from_utf8_lossy(&output.stdout).into_owned();
            if said.lines().any(|line| line.starts_with("#*") && line.contains("GPS")) {
                return;
            }
            sleep(Duration::from_millis(300)).await;
        }
    })
    .await;
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    let log = fs::read_to_string(of("log")).unwrap_or_default();
    assert!(selected.is_ok(), "not selected; chronyc said:\n{said}\nchronyd said:\n{log}");
    // Killed without a word, it leaves its socket behind.
    let left = |view: &PositionView| matches!(&view.clock_feed, ClockFeed::Unheard(_));
    rig.wait_for("a dead chronyd", left).await;
    fixes.abort();
    rig.end().await;
}

/// Host UTC less GPS UTC in the tests of a wrong clock, ms: an hour behind.
const BEHIND_MS: i64 = 3_600_000;

/// A read of now with the stamp that a site gave it, accepted by a clock that nobody has confirmed.
async fn accept_read(store: &StoreHandle) -> Utc {
    accept_placed(store, PLACED).await
}

/// The place of a read that an earlier process stamped.
const PLACED: &str = r#"{"lat":44.51,"lon":-30.0,"radius95_m":5.0,"site":3,
    "spot":"site","state":"certain","line":"Quernstone Road","line_state":"confirmed"}"#;

/// A read of now that got a stamp with this place.
async fn accept_placed(store: &StoreHandle, place: &str) -> Utc {
    let stamp = format!("{{\"stamp_revision\":1,\"place\":{place},\"clock\":{{\"trust\":\"unset\"}}}}");
    let now = clock::moment(UtcTrust::Unset);
    let event = NewEvent {
        id: StoreHandle::new_event_id(),
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: now.utc,
        body: b"{}".to_vec(),
        stamp: Some(stamp.into_bytes()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    };
    store.accept(vec![event], now).await.unwrap();
    now.utc
}

/// The stamp of the read that waits, and the revision.
async fn stamp_of_read(store: &StoreHandle, captured_at: Utc) -> serde_json::Value {
    let open = store.open_stamps(captured_at, captured_at).await.unwrap();
    serde_json::from_slice(&open[0].stamp).unwrap()
}

/// Closes the queue and opens it as another process does; its lock goes a moment after the last word.
async fn reopen(folder: &TempDir, store: StoreHandle) -> StoreHandle {
    store.close().await.unwrap();
    drop(store);
    let began = std::time::Instant::now();
    loop {
        match Rig::open(folder.path()) {
            Ok(store) => return store,
            Err(error) => assert!(began.elapsed() < PATIENCE, "{error}"),
        }
        sleep(Duration::from_millis(20)).await;
    }
}

/// A receiver on a thread of its own, which no standstill of the agent stops: fixes of a trailer that stands, or 300 m
/// north of it.
fn feed_alone(mut receiver: Receiver, away: &Arc<AtomicBool>) -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let (ends, away) = (Arc::clone(&stop), Arc::clone(away));
    std::thread::spawn(move || {
        for second in 0_u32.. {
            if ends.load(Ordering::Relaxed) {
                return;
            }
            let off_m = if away.load(Ordering::Relaxed) { 300.0 } else { 0.0 };
            receiver.send_fix(off_m + f64::from(second % 5) * 0.4);
            std::thread::sleep(Duration::from_millis(500));
        }
    });
    stop
}

/// What a read of camera north gets that was captured then.
fn stamp_now(view: &PositionView, captured_at: Utc) -> Stamp {
    let now = clock::moment(view.utc_trust);
    stamp(&CameraId::new("north").unwrap(), captured_at, 1, &StampBasis { view, now: &now })
}

#[tokio::test]
async fn what_lay_in_the_input_while_the_actor_stood_still_is_no_fix_of_now_whatever_wakes_it_first() {
    let mut rig = Rig::start();
    let receiver = Receiver::plug_in();
    point(&rig.link(), &receiver.path);
    let away = Arc::new(AtomicBool::new(false));
    let stop = feed_alone(receiver, &away);
    rig.wait_for("the site", |view| view.state == KeeperState::Anchored).await;
    // Chance says whether the request, the bytes or the timer come first.
    for round in 0..8 {
        let (answer, told) = oneshot::channel();
        rig.requests.send(PositionRequest::Place(PlaceRequest::List { answer })).await.unwrap();
        away.store(true, Ordering::Relaxed);
        std::thread::sleep(Duration::from_millis(3600)); // stands still the whole runtime
        away.store(false, Ordering::Relaxed);
        let rows = timeout(PATIENCE, told).await.unwrap().unwrap().unwrap();
        assert_eq!(rows[0].camera.as_str(), "north", "it is answered all the same");
        let used = rig.view.borrow().fixes_used;
        let view = rig.wait_for("fixes of now", |view| used + 2 <= view.fixes_used).await;
        assert_eq!(view.state, KeeperState::Anchored, "round {round}: {}", view.reason);
    }
    stop.store(true, Ordering::Relaxed);
    rig.end().await;
}

#[tokio::test]
async fn reads_of_a_restart_in_the_same_boot_get_the_kept_site_and_those_of_another_boot_none() {
    let mut first = Rig::start();
    let receiver = Receiver::plug_in();
    point(&first.link(), &receiver.path);
    let stop = feed_alone(receiver, &Arc::default());
    let view = first.wait_for("the site", |view| view.state == KeeperState::Anchored).await;
    let site = view.site.clone().unwrap().id.0;
    let parked_at = clock::utc();
    sleep(Duration::from_secs(2)).await;
    let (folder, store) = first.end().await;
    stop.store(true, Ordering::Relaxed);
    sleep(Duration::from_secs(1)).await;
    // Accepted while nobody watched the position, as in safe mode.
    let unplaced = r#"{"spot":"unknown","state":"none","line":"Position unknown","line_state":"missing"}"#;
    let captured_at = accept_placed(&store, unplaced).await;
    let placed_at = accept_read(&store).await;
    let store = reopen(&folder, store).await;
    let mut second = Rig::start_on(folder, store);
    let began = std::time::Instant::now();
    let place = loop {
        let place = stamp_of_read(&second.store, captured_at).await["place"].clone();
        if place["state"] != "none" {
            break place;
        }
        assert!(began.elapsed() < PATIENCE, "no later stamp came: {place}");
        sleep(Duration::from_millis(100)).await;
    };
    assert_eq!((&place["site"], &place["state"]), (&site.into(), &"doubtful".into()));
    assert!(place["line"].as_str().unwrap().contains("not verified since boot"), "{place}");
    let view = second.view.borrow().clone();
    assert_eq!(stamp_now(&view, parked_at).state, StampState::Certain, "it was seen there");
    assert_eq!(stamp_now(&view, clock::utc()).state, StampState::Doubtful);
    sleep(Duration::from_secs(11)).await;
    let unseen_at = clock::utc();
    let receiver = Receiver::plug_in();
    point(&second.link(), &receiver.path);
    let stop = feed_alone(receiver, &Arc::default());
    let view = second.wait_for("the check", |view| view.verified_since_start).await;
    let stamp = stamp_now(&view, unseen_at);
    assert_eq!(stamp.state, StampState::Doubtful, "a tow may hide in it: {stamp:?}");
    assert!(stamp.line.contains("last position fix ") && !stamp.line.contains("not verified"), "{}", stamp.line);
    let kept = stamp_of_read(&second.store, placed_at).await;
    assert_eq!(kept["place"]["site"], 3, "an earlier process has told it");
    stop.store(true, Ordering::Relaxed);
    let (folder, store) = second.end().await;
    let mut third = Rig::start_in(folder, store, "second boot");
    let view = third.wait_for("a look", |view| view.since.is_some()).await;
    assert_eq!(stamp_now(&view, parked_at).state, StampState::None, "nothing of the boot before dates it");
    third.end().await;
}

#[tokio::test]
async fn a_tow_that_could_not_be_kept_is_never_answered_as_announced() {
    let mut rig = Rig::start();
    rig.wait_for("a look", |view| view.since.is_some()).await;
    rig.store.close().await.unwrap();
    let (answer, told) = oneshot::channel();
    let (reason, by) = (String::new(), "J. Fenwick".to_owned());
    let request = TowRequest::Begin { for_s: 3600, extend: false, reason, by, answer };
    rig.requests.send(PositionRequest::Tow(request)).await.unwrap();
    let told = timeout(PATIENCE, told).await.unwrap().unwrap();
    assert!(told.is_err_and(|problem| problem.detail.contains("it holds only until the next restart")));
    rig.end().await;
}

/// A receiver whose time is an hour ahead of the host's, and a site of its own far from that of the read.
fn feed_from_the_future(mut receiver: Receiver) -> JoinHandle<()> {
    tokio::spawn(async move {
        loop {
            receiver.send(sentence_at(clock::utc().plus_ms(BEHIND_MS), 9000.0).as_bytes());
            sleep(Duration::from_millis(250)).await;
        }
    })
}

#[tokio::test]
async fn a_read_accepted_before_a_restart_in_the_same_boot_is_dated_later_and_keeps_its_place() {
    let mut first = Rig::start();
    first.wait_for_absence().await;
    let captured_at = accept_read(&first.store).await;
    let (folder, store) = first.end().await;
    let second = Rig::start_on(folder, store);
    let receiver = Receiver::plug_in();
    point(&second.link(), &receiver.path);
    let fixes = feed_from_the_future(receiver);
    let began = std::time::Instant::now();
    let stamp = loop {
        let stamp = stamp_of_read(&second.store, captured_at).await;
        if stamp["clock"]["captured_at_corrected"].is_string() {
            break stamp;
        }
        assert!(began.elapsed() < PATIENCE, "no later stamp came: {stamp}");
        sleep(Duration::from_millis(100)).await;
    };
    assert_eq!(stamp["stamp_revision"], 2);
    let corrected = Utc::parse_rfc3339(stamp["clock"]["captured_at_corrected"].as_str().unwrap()).unwrap();
    let off_ms = corrected.since_ms(captured_at) - BEHIND_MS;
    assert!(off_ms.abs() <= 2000, "{off_ms} ms");
    let place = &stamp["place"];
    assert_eq!((&place["site"], &place["state"]), (&3.into(), &"certain".into()), "an earlier process told it");
    fixes.abort();
    second.end().await;
}

#[tokio::test]
async fn a_read_of_another_boot_whose_clock_nobody_confirmed_stays_undated_and_that_is_told() {
    let mut first = Rig::start();
    first.wait_for_absence().await;
    let captured_at = accept_read(&first.store).await;
    let (folder, store) = first.end().await;
    // Another boot is another process, with the queue opened anew.
    let store = reopen(&folder, store).await;
    let mut second = Rig::start_in(folder, store, "second boot");
    let receiver = Receiver::plug_in();
    point(&second.link(), &receiver.path);
    let fixes = feed_from_the_future(receiver);
    let view = second.wait_for("true time", |view| view.true_time.is_some()).await;
    let told: Vec<_> = view.notices.after(0).filter(|notice| notice.kind == "undated-reads").collect();
    assert!(told.len() == 1 && told[0].text.contains("can't be known any more"), "{told:?}");
    let began = std::time::Instant::now();
    while second.view.borrow().fixes_used < 12 {
        assert!(began.elapsed() < PATIENCE, "fixes");
        sleep(Duration::from_millis(100)).await;
    }
    let stamp = stamp_of_read(&second.store, captured_at).await;
    assert_eq!((&stamp["stamp_revision"], &stamp["clock"]["trust"]), (&1.into(), &"unset".into()));
    fixes.abort();
    let (folder, store) = second.end().await;
    let mut third = Rig::start_in(folder, store, "second boot");
    let view = third.wait_for("a look", |view| view.since.is_some()).await;
    assert_eq!(view.notices.after(0).filter(|notice| notice.kind == "undated-reads").count(), 0, "told once");
    third.end().await;
}
