//! `kill -9` and power cuts while pictures are copied: a 202 means that each picture is there, whole and of its digest.
//!
//! `PINTLE_IMAGE_KILLS` and `PINTLE_IMAGE_CUTS` set how often (10 each; the release check takes 200). A power cut is a
//! file system of its own (ext4 in a file, on a loop device): at a random moment the agent is halted, the file copied
//! as the disk has it then, without what only the kernel's memory holds, and the copy mounted anew; it needs root and
//! `mount`.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use nix::sys::signal::Signal;
use pictures::jpeg;
use pintle::store::blobs::address_of;
use pintle_core::sim::random::Random;
use serde_json::json;
use std::collections::HashSet;
use std::io::{self, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;
use trailer::{PATIENCE, Trailer};

/// Clients that hand in reads with a picture each, over and over, and note what was answered 202.
struct Clients {
    stop: Arc<AtomicBool>,
    /// While a cut is judged nothing more is handed in: the disk would fill up by what no cut looks at.
    rest: Arc<AtomicBool>,
    taken: Arc<Mutex<Vec<String>>>,
    threads: Vec<JoinHandle<()>>,
}

impl Clients {
    fn start(socket: &Path, clients: u32) -> Self {
        let (stop, rest) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let taken = Arc::new(Mutex::new(Vec::new()));
        let threads = (0..clients)
            .map(|client| {
                let (stop, rest) = (Arc::clone(&stop), Arc::clone(&rest));
                let (taken, socket) = (Arc::clone(&taken), socket.to_owned());
                std::thread::spawn(move || {
                    let mut number = 0;
                    while !stop.load(Ordering::SeqCst) {
                        if rest.load(Ordering::SeqCst) {
                            std::thread::sleep(Duration::from_millis(5));
                            continue;
                        }
                        number += 1;
                        let picture = jpeg(160, 90, client * 1_000_003 + number);
                        // Every third picture comes a second time: it is kept once and must be there for both.
                        let picture = if number % 3 == 0 { jpeg(160, 90, client) } else { picture };
                        if hand_in(&socket, client, number, &picture).is_ok_and(|status| status == 202) {
                            taken.lock().unwrap().push(address_of(&picture).to_string());
                        } else {
                            std::thread::sleep(Duration::from_millis(5));
                        }
                    }
                })
            })
            .collect();
        Self { stop, rest, taken, threads }
    }

    /// What was answered 202 so far.
    fn taken(&self) -> Vec<String> {
        self.taken.lock().unwrap().clone()
    }

    fn stop(self) -> Vec<String> {
        self.stop.store(true, Ordering::SeqCst);
        for thread in self.threads {
            thread.join().unwrap();
        }
        Arc::try_unwrap(self.taken).unwrap().into_inner().unwrap()
    }
}

fn hand_in(socket: &Path, client: u32, number: u32, picture: &[u8]) -> io::Result<u16> {
    let body = json!({
        "camera": "north", "captured_at": pintle::clock::utc().to_rfc3339(), "plate": format!("I{client} {number}"),
        "plate_state": "read", "images": [{"role": "overview", "data": BASE64_STANDARD.encode(picture)}],
    })
    .to_string();
    let mut stream = UnixStream::connect(socket)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    let head = format!(
        "POST /v1/reads HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: \
         {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(head.as_bytes())?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    answer.get(9..12).and_then(|status| status.parse().ok()).ok_or_else(|| io::ErrorKind::UnexpectedEof.into())
}

/// Asserts that each accepted picture is in the folder, whole, and named by a row. Answers how many there are.
fn check(state: &Path, taken: &[String], when: &str) -> usize {
    let database = rusqlite::Connection::open(state.join("queue.db")).unwrap();
    let mut rows = database.prepare("SELECT DISTINCT lower(hex(address)) FROM images").unwrap();
    let named: HashSet<String> = rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    for name in &named {
        let bytes = std::fs::read(state.join("images").join(name)).unwrap_or_default();
        assert_eq!(
            address_of(&bytes).to_string(),
            *name,
            "{when}: a read names a picture that is not there or not whole"
        );
    }
    let lost: Vec<usize> = (0..taken.len()).filter(|at| !named.contains(&taken[*at])).collect();
    assert!(lost.is_empty(), "{when}: of {} pictures answered 202 no read names these: {lost:?}", taken.len());
    named.len()
}

fn number(name: &str, default: u32) -> u32 {
    std::env::var(name).map_or(default, |text| text.parse().unwrap_or_else(|_| panic!("{name} must be a number")))
}

fn pause_ms(ms: u32) {
    std::thread::sleep(Duration::from_millis(u64::from(ms)));
}

#[test]
fn accepted_pictures_are_whole_after_kills_at_random_moments() {
    let kills = number("PINTLE_IMAGE_KILLS", 10);
    let mut random = Random::new(7);
    let mut trailer = Trailer::new("");
    trailer.configure("crashes_max = 100000", "");
    trailer.start();
    let clients = Clients::start(&trailer.runtime_dir().join("intake.sock"), 4);
    for n in 1..=kills {
        pause_ms(200 + random.below(300));
        trailer.kill();
        let copy = tempfile::tempdir().unwrap();
        // As the kill left it, so that the agent is the one that recovers the original.
        let done = Command::new("cp").arg("-r").arg(trailer.state_dir()).arg(copy.path()).status().unwrap();
        assert!(done.success());
        check(&copy.path().join("state"), &clients.taken(), &format!("kill {n}"));
        trailer.start();
    }
    pause_ms(300);
    let taken = clients.stop();
    assert_eq!(trailer.stop().code(), Some(0), "{}", trailer.log());
    let kept = check(&trailer.state_dir(), &taken, "the end");
    eprintln!("image kill figures: {}", json!({"kills": kills, "answered_202": taken.len(), "kept": kept, "lost": 0}));
    assert!(usize::try_from(2 * kills).unwrap() < taken.len(), "there was load: {}", taken.len());
}

/// An ext4 file system in a file.
struct Disk {
    file: PathBuf,
    at: PathBuf,
}

impl Disk {
    fn run(program: &str, args: &[&str]) -> bool {
        let done = Command::new(program).args(args).stdout(Stdio::null()).stderr(Stdio::null()).status();
        done.is_ok_and(|status| status.success())
    }

    fn mount(file: PathBuf, at: PathBuf) -> Option<Self> {
        std::fs::create_dir_all(&at).unwrap();
        Self::run("mount", &["-o", "loop,commit=300", file.to_str().unwrap(), at.to_str().unwrap()])
            .then_some(Self { file, at })
    }

    /// A copy of one moment. The agent is halted, the kernel is not: another program's `sync` writes this file system
    /// back too, and a copy that was read meanwhile would be of no moment at all. Two that are equal are of one
    /// between.
    fn copy(&self, to: &Path) -> bool {
        let (file, to) = (self.file.to_str().unwrap(), to.to_str().unwrap());
        (0..50).any(|_| Self::run("cp", &["--sparse=always", file, to]) && Self::run("cmp", &["-s", file, to]))
    }

    fn make(folder: &Path, mib: u64) -> Option<Self> {
        let file = folder.join("disk");
        std::fs::File::create(&file).unwrap().set_len(mib << 20).unwrap();
        // A file for each block: pictures are small here.
        if Self::run("mkfs.ext4", &["-q", "-F", "-i", "4096", file.to_str().unwrap()])
            && let Some(disk) = Self::mount(file, folder.join("at"))
        {
            return Some(disk);
        }
        let all = std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all");
        assert!(!all, "PINTLE_RIGS=all, and no ext4 can be mounted");
        drop(writeln!(io::stderr(), "not run: needs root, mkfs.ext4 and loop devices"));
        None
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        Self::run("umount", &[self.at.to_str().unwrap()]);
    }
}

#[test]
fn fault_33_accepted_reads_and_pictures_survive_power_cuts_in_the_middle_of_the_copy() {
    let cuts = number("PINTLE_IMAGE_CUTS", 10);
    let mut random = Random::new(11);
    let base = tempfile::tempdir().unwrap();
    // Room for all that comes: on a full disk pictures are let go, which is another test.
    let Some(disk) = Disk::make(base.path(), 128 * u64::from(1 + cuts / 16)) else { return };
    let mut trailer = Trailer::new("");
    let state = disk.at.join("state");
    std::fs::create_dir(&state).unwrap();
    let linked = trailer.state_dir();
    std::os::unix::fs::symlink(&state, &linked).unwrap();
    trailer.start();
    let clients = Clients::start(&trailer.runtime_dir().join("intake.sock"), 3);
    let (mut seen, mut kept) = (0, 0);
    for n in 1..=cuts {
        pause_ms(150 + random.below(250));
        // What was answered before the copy begins must be on it. The agent is halted, so that the copy is of one
        // moment.
        trailer.signal(Signal::SIGSTOP);
        pause_ms(30);
        let taken = clients.taken();
        let image = base.path().join("cut");
        let copied = disk.copy(&image);
        trailer.signal(Signal::SIGCONT);
        clients.rest.store(true, Ordering::SeqCst);
        assert!(copied, "cut {n}: the disk never stood still");
        let room = nix::sys::statvfs::statvfs(&disk.at).unwrap();
        assert!(room.blocks() / 10 < room.blocks_free() && room.files() / 10 < room.files_free(), "cut {n}: disk full");
        let after = Disk::mount(image.clone(), base.path().join("after"));
        let after = after.unwrap_or_else(|| panic!("cut {n}: the file system can't be mounted"));
        kept = check(&after.at.join("state"), &taken, &format!("cut {n}"));
        seen = taken.len();
        drop(after);
        std::fs::remove_file(image).unwrap();
        clients.rest.store(false, Ordering::SeqCst);
    }
    let taken = clients.stop();
    assert_eq!(trailer.stop().code(), Some(0), "{}", trailer.log());
    eprintln!("image cut figures: {}", json!({"cuts": cuts, "answered_202": taken.len(), "kept": kept, "lost": 0}));
    assert!(0 < seen, "something was accepted before the last cut");
    std::fs::remove_file(linked).unwrap();
}

/// A PNG of one colour: a few kB that decode to three bytes a pixel.
fn one_colour(width: u32, height: u32) -> Vec<u8> {
    let rows = vec![0; usize::try_from(height).unwrap() * (1 + 3 * usize::try_from(width).unwrap())];
    let mut packed = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(&rows).unwrap();
    let head = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 2, 0, 0, 0]].concat();
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, data) in [(b"IHDR", head), (b"IDAT", packed.finish().unwrap()), (b"IEND", Vec::new())] {
        let chunk = [&kind[..], &data].concat();
        let mut crc = flate2::Crc::new();
        crc.update(&chunk);
        out.extend(u32::try_from(data.len()).unwrap().to_be_bytes());
        out.extend(chunk);
        out.extend(crc.sum().to_be_bytes());
    }
    out
}

#[test]
fn many_bombs_at_once_cost_one_decoding_and_reads_go_on() {
    let mut trailer = Trailer::new("");
    trailer.start();
    // Within the limit of pixels: it is taken, and its thumbnail is made within the limits of memory. A quarter of the
    // limit, since a decoder without optimisation takes a second for it.
    let bomb = one_colour(2500, 2400);
    assert!(bomb.len() < 100_000, "{}", bomb.len());
    let socket = trailer.runtime_dir().join("intake.sock");
    let threads: Vec<_> = (0..6)
        .map(|number| {
            let (socket, bomb) = (socket.clone(), bomb.clone());
            std::thread::spawn(move || hand_in(&socket, 9, number, &bomb).unwrap())
        })
        .collect();
    for number in 0..20 {
        let began = std::time::Instant::now();
        assert_eq!(trailer.read(&format!("B {number}")), 202);
        assert!(began.elapsed() < Duration::from_secs(20), "reads without pictures don't wait behind them");
    }
    for thread in threads {
        assert!([202, 503].contains(&thread.join().unwrap()));
    }
    let status = std::fs::read_to_string(format!("/proc/{}/status", trailer.pid())).unwrap();
    let peak_kb: u64 =
        status.lines().find_map(|line| line.strip_prefix("VmHWM:")?.split_whitespace().next()?.parse().ok()).unwrap();
    eprintln!("image bomb figures: {}", json!({"pixels": 6_000_000, "at_once": 6, "peak_rss_mib": peak_kb / 1024}));
    // Source: matrix row 23, at most 256 MB.
    assert!(peak_kb < 256_000, "{peak_kb} kB at the most");
}
