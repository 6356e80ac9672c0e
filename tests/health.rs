//! The health files as they come to lie on the disk: written by the composer beside a real queue, read like by anybody.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::actors::health::{self, HealthSetup};
use pintle::actors::heartbeat::Heartbeat;
use pintle::config::{Health, Queue, Seal, Trailer};
use pintle::io::files::Folder;
use pintle::{clock, store};
use pintle_core::health::LifecycleView;
use pintle_core::ids::TrailerId;
use pintle_core::moment::UtcTrust;
use pintle_core::position::PositionView;
use pintle_core::sim::scene::Scene;
use serde_json::Value;
use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

const LIMITS: Queue = Queue {
    seal: Seal::None,
    commit_wait_ms: 0,
    waiting_keep_s: 30 * 86_400,
    hit_waiting_keep_s: 60 * 86_400,
    delivered_keep_s: 86_400,
    hit_delivered_keep_s: 2 * 86_400,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

/// A composer beside a real queue; the test plays all other actors.
struct Rig {
    base: tempfile::TempDir,
    position: watch::Sender<Arc<PositionView>>,
    intake: watch::Sender<pintle_core::cameras::IntakeView>,
    heartbeat: Heartbeat,
    stop: CancellationToken,
    running: tokio::task::JoinHandle<Result<(), health::HealthError>>,
    store: store::StoreHandle,
}

impl Rig {
    /// `seen` is what the others have published when the composer starts.
    fn start(seen: &Scene) -> Self {
        Self::start_in(tempfile::tempdir().unwrap(), seen)
    }

    fn start_in(base: tempfile::TempDir, seen: &Scene) -> Self {
        let now = clock::moment(UtcTrust::Gps);
        let store = store::open(&base.path().join("state"), &LIMITS, now).unwrap();
        let (position, position_seen) = watch::channel(Arc::new(PositionView::default()));
        let (intake, intake_seen) = watch::channel(pintle_core::cameras::IntakeView::default());
        let (heartbeat, stop) = (Heartbeat::default(), CancellationToken::new());
        let mut facts = seen.facts.clone();
        facts.started = now;
        let setup = HealthSetup {
            trailer: Trailer {
                id: TrailerId::new("heron-3").unwrap(),
                label: "Heron 3".to_owned(),
                zone: pintle_core::health::zone::Zone::default(),
                state_dir: base.path().join("state"),
                runtime_dir: base.path().join("run"),
                crashes_max: 5,
            },
            health: Health { every_s: 1, valid_s: 120, upstream_s: 0, group: None },
            facts,
            store: store.clone(),
            position: position_seen,
            intake: intake_seen,
            forward: watch::channel(seen.forward.clone()).1,
            link: watch::channel(seen.link.clone()).1,
            link_report: watch::Sender::default().subscribe(),
            host: watch::channel(seen.host).1,
            inputs: watch::channel(seen.inputs.clone()).1,
            lifecycle: watch::channel(LifecycleView::default()).1,
            ticks: watch::channel(Arc::default()).1,
            duty: watch::channel(Arc::default()).1,
            upstream: watch::Sender::default(),
            audit: pintle::audit::Log::at(base.path().join("audit")),
            heartbeat: heartbeat.clone(),
        };
        let running = tokio::spawn(health::run(setup, stop.clone()));
        Self { base, position, intake, heartbeat, stop, running, store }
    }

    fn json(&self) -> Value {
        let text = std::fs::read(self.base.path().join("run/health/health.json")).unwrap_or_default();
        serde_json::from_slice(&text).unwrap_or_default()
    }

    /// Waits until `field` of health.json is `value`.
    async fn until(&self, field: &str, value: &str) -> Value {
        for _ in 0..100 {
            let seen = self.json();
            if seen[field] == value {
                return seen;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("{field} has not become {value}; {}", self.json());
    }

    async fn stop(self) -> tempfile::TempDir {
        self.stop.cancel();
        self.running.await.unwrap().unwrap();
        self.store.close().await.unwrap();
        self.base
    }
}

fn mode(path: &Path) -> u32 {
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

/// Exit code and output of the real `pintle status`.
fn status(path: &Path) -> (Option<i32>, String) {
    let run = Command::new(env!("CARGO_BIN_EXE_pintle")).arg("status").arg(path).output().unwrap();
    (run.status.code(), String::from_utf8(run.stdout).unwrap())
}

#[tokio::test]
async fn files_tell_the_life_of_an_agent_from_starting_to_stopped() {
    let mut scene = Scene::after_tow();
    let rig = Rig::start(&scene);
    rig.until("life", "starting").await;
    let run = rig.base.path().join("run");
    assert_eq!(status(&run).0, Some(1), "an agent that starts is not fine yet");

    scene.position.since = Some((clock::mono(), clock::utc()));
    rig.intake.send_replace(scene.intake.clone());
    rig.position.send_replace(Arc::new(scene.position.clone()));
    let seen = rig.until("word", "act").await;
    assert_eq!(seen["needs"][0]["code"], "lines.unconfirmed");
    assert_eq!(seen["ledger"]["not_accounted"], 0);
    let (code, text) = status(&run);
    assert_eq!(code, Some(2));
    assert!(text.starts_with("Heron 3: ACT\nConfirm the place lines of Camera 1 and Camera 2."), "{text}");
    assert!(0 < rig.heartbeat.turns());

    let base = rig.stop().await;
    let (code, text) = status(&base.path().join("run/health"));
    assert_eq!(code, Some(1));
    assert!(text.contains("systemctl start pintle"), "{text}");
    let rights = ["public", "public/status.json", "public/index.html", "health", "health/health.json"]
        .map(|path| (path, mode(&base.path().join("run").join(path))));
    let want = [0o755, 0o644, 0o644, 0o750, 0o640];
    assert_eq!(rights.map(|(_, mode)| mode), want, "{rights:?}");
    let kept = std::fs::read(base.path().join("state/health/health.json")).unwrap();
    assert_eq!(
        serde_json::from_slice::<Value>(&kept).unwrap()["life"],
        "stopped",
        "the last state survives power loss"
    );
}

#[tokio::test]
async fn all_files_carry_the_number_of_one_snapshot_and_none_is_left_over() {
    let rig = Rig::start(&Scene::standing());
    rig.until("life", "starting").await;
    let base = rig.stop().await;
    let folder = base.path().join("run/health");
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let json: Value = serde_json::from_str(&read("health.json")).unwrap();
    let number = json["generation"].as_u64().unwrap();
    let notices: Value = serde_json::from_str(read("notices.ndjson").lines().next().unwrap()).unwrap();
    let sites: Value = serde_json::from_str(&read("sites.geojson")).unwrap();
    let public = std::fs::read_to_string(base.path().join("run/public/status.json")).unwrap();
    let public: Value = serde_json::from_str(&public).unwrap();
    let told = [&notices["generation"], &sites["pintle"]["generation"], &public["generation"]];
    assert_eq!(told, [number, number, number]);
    assert!(read("metrics.prom").contains(&format!("pintle_health_generation{{trailer=\"heron-3\"}} {number}\n")));
    for page in ["health.txt", "index.html"] {
        assert!(read(page).contains(&format!("Snapshot {number} of Pintle")), "{page}");
    }
    let names: BTreeSet<String> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    let want = ["health.json", "health.txt", "index.html", "metrics.prom", "notices.ndjson", "sites.geojson"];
    assert_eq!(names, want.map(str::to_owned).into());
}

#[tokio::test]
async fn changes_survive_a_restart_of_the_agent() {
    let rig = Rig::start(&Scene::standing());
    rig.until("life", "starting").await;
    let base = rig.stop().await;
    let again = Rig::start_in(base, &Scene::standing());
    let seen = again.until("life", "starting").await;
    again.stop().await;
    let texts: Vec<&str> = seen["changes"].as_array().unwrap().iter().map(|c| c["text"].as_str().unwrap()).collect();
    let told = ["Agent starting", "Agent stopped", "Agent starting"];
    let agent: Vec<&str> = texts.iter().copied().filter(|text| text.starts_with("Agent")).collect();
    assert_eq!(agent, told, "{texts:?}");
}

/// A share of the million reads by default; `PINTLE_TORN_READS=1000000` does them all.
#[test]
fn fault_92_reader_never_sees_half_a_file_while_it_is_replaced() {
    let wanted: usize = std::env::var("PINTLE_TORN_READS").ok().map_or(1000, |reads| reads.parse().unwrap());
    let base = tempfile::tempdir().unwrap();
    let folder = Folder::ready(base.path().join("health"), 0o750, 0o640, None).unwrap();
    let text = |n: usize| format!("{{\"n\":{n},\"pad\":\"{}\"}}", "x".repeat(n * 997 % 60_000));
    folder.replace("health.json", text(0).as_bytes()).unwrap();
    let done = AtomicBool::new(false);
    let (mut reads, mut last) = (0, 0);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut n = 0;
            while !done.load(Ordering::Acquire) || n < 100 {
                n += 1;
                folder.replace("health.json", text(n).as_bytes()).unwrap();
            }
        });
        while reads < wanted {
            let seen = std::fs::read_to_string(folder.path().join("health.json")).unwrap();
            let n = usize::try_from(serde_json::from_str::<Value>(&seen).unwrap()["n"].as_u64().unwrap()).unwrap();
            assert_eq!(seen, text(n), "a mixture of two files");
            assert!(last <= n, "an older file after a newer one");
            (reads, last) = (reads + 1, n);
        }
        done.store(true, Ordering::Release);
    });
}

/// `health.json` of a trailer that is fine, written `ago_ms` before now and good for two minutes.
fn written_ago(folder: &Path, ago_ms: i64) -> std::path::PathBuf {
    let scene = Scene::standing();
    let told = pintle_core::health::snapshot(&scene.observations(), &mut pintle_core::health::Memory::default());
    let mut body = pintle_core::wire::health::HealthBody::new(&scene.observations(), &told, 7);
    let written = clock::utc().plus_ms(-ago_ms);
    body.written = written.to_rfc3339();
    body.valid_until = written.plus_ms(120_000).to_rfc3339();
    let path = folder.join("health.json");
    std::fs::write(&path, serde_json::to_vec(&body).unwrap()).unwrap();
    path
}

#[test]
fn fault_93_a_state_past_its_time_or_without_a_time_is_never_fine() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(status(&written_ago(folder.path(), 1000)).0, Some(0), "fresh and fine");
    for ago_ms in [121_000, 62 * 3_600_000] {
        let (exit, text) = status(&written_ago(folder.path(), ago_ms));
        assert_eq!(exit, Some(3), "{text}");
        assert!(text.to_uppercase().contains("STALE"), "{text}");
    }
    let path = written_ago(folder.path(), 1000);
    let good = std::fs::read_to_string(&path).unwrap();
    let field = |name: &str| serde_json::from_str::<Value>(&good).unwrap()[name].as_str().unwrap().to_owned();
    for name in ["written", "valid_until"] {
        for garbage in ["", "soon", "0", "2026-13-45T99:99:99Z"] {
            std::fs::write(&path, good.replace(&field(name), garbage)).unwrap();
            let (exit, text) = status(&path);
            assert_eq!(exit, Some(3), "{name} = {garbage:?}: {text}");
        }
    }
}

#[test]
fn fault_94_a_state_from_the_future_is_a_clock_fault_and_not_fresh() {
    let folder = tempfile::tempdir().unwrap();
    for ahead_ms in [3_600_000, 86_400_000, 365 * 86_400_000] {
        let (exit, text) = status(&written_ago(folder.path(), -ahead_ms));
        assert_eq!(exit, Some(3), "{text}");
        assert!(text.to_lowercase().contains("clock"), "{text}");
    }
    let since_1970_ms = clock::utc().0;
    for ago_ms in [3_600_000, 86_400_000, since_1970_ms] {
        assert_eq!(status(&written_ago(folder.path(), ago_ms)).0, Some(3), "{ago_ms} ms ago");
    }
}

#[tokio::test]
async fn fault_95_a_file_of_an_earlier_boot_is_replaced_before_anything_has_reported() {
    let base = tempfile::tempdir().unwrap();
    let run = base.path().join("run");
    std::fs::create_dir_all(run.join("health")).unwrap();
    let path = written_ago(&run.join("health"), 1000);
    let old =
        std::fs::read_to_string(&path).unwrap().replace("0190c0de-0000-4000-8000-000000000002", "an-earlier-boot");
    std::fs::write(&path, old).unwrap();
    assert_eq!(status(&run).0, Some(0), "what the earlier boot left looks fine");
    let rig = Rig::start_in(base, &Scene::standing());
    let seen = rig.until("life", "starting").await;
    assert_eq!(seen["process"]["boot_id"], "0190c0de-0000-4000-8000-000000000002");
    let (code, text) = status(&run);
    assert_eq!(code, Some(1), "{text}");
    let _base = rig.stop().await;
    let (code, text) = status(&run);
    assert!(code == Some(1) && text.contains("Stopped at"), "{text}");
}

#[tokio::test]
async fn fault_96_health_that_can_not_be_written_turns_no_heartbeat_until_it_can() {
    const PATIENCE: Duration = Duration::from_mins(1);
    let rig = Rig::start(&Scene::standing());
    rig.until("life", "starting").await;
    let folder = rig.base.path().join("run/health");
    std::fs::rename(&folder, rig.base.path().join("aside")).unwrap();
    std::fs::write(&folder, "a file where the folder should be").unwrap();
    let began = std::time::Instant::now();
    loop {
        let turns = rig.heartbeat.turns();
        tokio::time::sleep(Duration::from_millis(2500)).await;
        if rig.heartbeat.turns() == turns {
            break;
        }
        assert!(began.elapsed() < PATIENCE, "the heartbeat turns while nothing is written: the watchdog is fed");
    }
    let stood = rig.heartbeat.turns();
    std::fs::remove_file(&folder).unwrap();
    std::fs::rename(rig.base.path().join("aside"), &folder).unwrap();
    while rig.heartbeat.turns() == stood {
        assert!(began.elapsed() < PATIENCE, "it never turns again");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    rig.stop().await;
}

/// A mounted file system that goes when it is dropped.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn mount(at: &Path) -> Option<Self> {
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=32m", "tmpfs"]).arg(at);
        mount.output().is_ok_and(|done| done.status.success()).then(|| Self(at.to_owned()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("--lazy").arg(&self.0).status());
    }
}

#[tokio::test]
async fn fault_96_on_a_disk_filled_to_the_last_byte_a_last_word_is_kept_and_told_by_the_next_start() {
    const PATIENCE: Duration = Duration::from_mins(1);
    let outer = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(outer.path()) else {
        assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "root, to mount a tmpfs, is missing");
        drop(std::io::Write::write_all(&mut std::io::stderr(), b"not run: needs root, to mount a tmpfs\n"));
        return;
    };
    let rig = Rig::start_in(tempfile::tempdir_in(&disk.0).unwrap(), &Scene::standing());
    rig.until("life", "starting").await;
    let gasp = rig.base.path().join("state/health/last-gasp");
    assert_eq!(std::fs::read(&gasp).unwrap().trim_ascii(), b"", "nothing is said while all is well");
    let mut filler = std::fs::File::create(disk.0.join("filler")).unwrap();
    for block in [1 << 20, 4096, 1] {
        while std::io::Write::write_all(&mut filler, &vec![7; block]).is_ok() {}
    }
    let began = std::time::Instant::now();
    let said: Value = loop {
        if let Ok(said) = serde_json::from_slice(&std::fs::read(&gasp).unwrap()) {
            break said;
        }
        assert!(began.elapsed() < PATIENCE, "nothing was said");
        // The room that a replaced file gives back is taken at once.
        while std::io::Write::write_all(&mut filler, &[7; 4096]).is_ok() {}
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    assert_eq!(said["format"], "pintle.last-gasp.v1");
    assert!(said["why"].as_str().unwrap().contains("free space"), "what to do is said: {said}");
    // The power goes before anybody makes room.
    rig.running.abort();
    let Rig { base, store, .. } = rig;
    drop(store.close().await);
    drop(filler);
    std::fs::remove_file(disk.0.join("filler")).unwrap();
    let again = Rig::start_in(base, &Scene::standing());
    // The files of before the full disk still lie there at first.
    let told = loop {
        let seen = again.json();
        let changes = seen["changes"].as_array().into_iter().flatten();
        if let Some(told) = changes.into_iter().find(|change| change["code"] == "agent.health") {
            break told.clone();
        }
        assert!(began.elapsed() < 2 * PATIENCE, "the next start never tells it: {seen:#}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    assert_eq!(told["at"], said["written"]);
    let base = again.stop().await;
    assert_eq!(std::fs::read(base.path().join("state/health/last-gasp")).unwrap().trim_ascii(), b"");
    drop(base);
}

#[test]
fn folder_that_can_not_be_made_is_told_with_what_to_do() {
    let base = tempfile::tempdir().unwrap();
    std::fs::write(base.path().join("run"), "a file where a folder should be").unwrap();
    let error = Folder::ready(base.path().join("run/health"), 0o750, 0o640, None).unwrap_err();
    assert!(error.to_string().contains("run/health can't be made ready"), "{error}");
    assert!(error.advice().contains("another folder"));
}
