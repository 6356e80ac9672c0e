//! Sealed reads: only the agency opens them, nobody changes them unseen, and nothing readable lies on the disk.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use pintle::config::{self, Queue};
use pintle::seal::{self, Keyring, OpenError, Opener, Seal, SealedRead};
use pintle::store::seal::{Outgoing, Sealer};
use pintle::store::{Accepted, NewEvent, Settled, StoreHandle, limits, open_sealed};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use pintle_core::seal::{Body, Clear, hour};
use rustls::crypto::aws_lc_rs::hpke::{DH_KEM_X25519_HKDF_SHA256_AES_128, DH_KEM_X25519_HKDF_SHA256_AES_256};
use rustls::crypto::hpke::{EncapsulatedSecret, Hpke, HpkePrivateKey, HpkePublicKey};
use serde_json::{Value, json};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use trailer::{PINTLE, Trailer};

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const T0: i64 = 1_800_000_000_000;
const MIN: i64 = 60_000;
const LIMITS: Queue = Queue {
    seal: config::Seal::Receiver,
    commit_wait_ms: 0,
    waiting_keep_s: 3600,
    hit_waiting_keep_s: 3600,
    delivered_keep_s: 180,
    hit_delivered_keep_s: 180,
    disk_free_min_mib: 0,
    ..Queue::PLAIN
};

/// A pair of key files in `folder`: private, public.
fn pair(folder: &Path, name: &str) -> (PathBuf, PathBuf) {
    let (private, public) = seal::make(name).unwrap();
    let (key, public_file) = (folder.join(format!("{name}.key")), folder.join(format!("{name}.pub")));
    std::fs::write(&key, private.as_str()).unwrap();
    std::fs::set_permissions(&key, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    std::fs::write(&public_file, public).unwrap();
    (key, public_file)
}

fn clear(sequence: u64, hit: bool) -> Clear {
    let mut id = [4; 16];
    id[8..].copy_from_slice(&sequence.to_be_bytes());
    let camera = CameraId::new("north").unwrap();
    let generation = EventId([7; 16]);
    Clear { source: SOURCE.to_owned(), generation, sequence, id: EventId(id), hit, camera, hour: hour(Utc(T0)) }
}

fn unhex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
}

#[test]
fn the_published_vectors_of_hpke_open() {
    // Source: the official test vectors of RFC 9180 (cfrg/draft-irtf-cfrg-hpke, 5f503c5), base mode, X25519 and
    // HKDF-SHA256; AES-128-GCM is Appendix A.1.1 of the RFC, AES-256-GCM is the suite used here.
    let vectors: Vec<Value> = serde_json::from_str(include_str!("data/hpke-vectors.json")).unwrap();
    let mut opened = 0;
    for vector in &vectors {
        let suite: &dyn Hpke = match vector["aead_id"].as_u64() {
            Some(1) => DH_KEM_X25519_HKDF_SHA256_AES_128,
            _ => DH_KEM_X25519_HKDF_SHA256_AES_256,
        };
        let bytes = |name: &str| unhex(vector[name].as_str().unwrap());
        let (enc, key) = (EncapsulatedSecret(bytes("enc")), HpkePrivateKey::from(bytes("skRm")));
        let mut opener = suite.setup_opener(&enc, &bytes("info"), &key).unwrap();
        for one in vector["encryptions"].as_array().unwrap() {
            let part = |name: &str| unhex(one[name].as_str().unwrap());
            assert_eq!(opener.open(&part("aad"), &part("ct")).unwrap(), part("pt"));
            opened += 1;
        }
        // What we seal for the published key opens with the published secret; another `info` or secret does not.
        let public = HpkePublicKey(bytes("pkRm"));
        let (enc, sealed) = suite.seal(b"a", b"b", b"key", &public).unwrap();
        assert_eq!(suite.open(&enc, b"a", b"b", &sealed, &key).unwrap(), b"key");
        assert!(suite.open(&enc, b"c", b"b", &sealed, &key).is_err());
    }
    assert_eq!((vectors.len(), opened), (2, 40));
}

#[test]
fn no_key_and_nonce_come_twice_over_restarts_and_forks_of_the_folder() {
    // Restarts: the keyring is opened again on its folder. Forks: a copy of the folder, as a restored image, goes on by
    // itself. Every seal is a real one, and each key's counters are checked to be a run from 0, so that no pair can
    // come twice. 850,000 pairs in the usual run, ten million with PINTLE_LONG=1.
    let base = tempfile::tempdir().unwrap();
    let (_, public) = pair(base.path(), "county");
    let mut next: HashMap<[u8; 8], u32> = HashMap::new();
    let mut pairs = 0_u64;
    let mut folders = vec![base.path().join("a")];
    std::fs::create_dir(&folders[0]).unwrap();
    let rounds = if std::env::var_os("PINTLE_LONG").is_some() { 100 } else { 10 };
    for round in 0..rounds {
        let mut rings: Vec<Keyring> = folders
            .iter()
            .map(|folder| {
                Keyring::open(folder, SOURCE, &limits(&LIMITS), Seal::Receiver(vec![public.clone()])).unwrap()
            })
            .collect();
        for step in 0..25_000_u64 {
            for ring in &mut rings {
                let lived = i64::try_from(round * 30_000 + step).unwrap();
                let sealed = ring.seal(&clear(step + 1, step % 9 == 0), b"{}", lived, lived).unwrap();
                let body = Body::parse(&sealed).unwrap();
                let due = next.entry(body.key.0).or_insert(0);
                assert_eq!(body.counter, *due, "the counters of a key are a run from 0: none comes twice");
                *due += 1;
                pairs += 1;
            }
        }
        drop(rings);
        if folders.len() < 4 {
            let copy = base.path().join(format!("fork{round}"));
            std::fs::create_dir(&copy).unwrap();
            std::fs::copy(folders[0].join("seal.keys"), copy.join("seal.keys")).unwrap();
            folders.push(copy);
        }
    }
    let counted: u64 = next.values().map(|count| u64::from(*count)).sum();
    assert_eq!(counted, pairs, "each pair once");
    assert!(750_000 <= pairs && 80 < next.len(), "{pairs} pairs under {} keys", next.len());
}

#[test]
fn only_the_named_agencies_open_a_read_and_any_change_beside_it_is_found() {
    let base = tempfile::tempdir().unwrap();
    let ((county_key, county), (state_key, state)) = (pair(base.path(), "county"), pair(base.path(), "state"));
    let (other_key, _) = pair(base.path(), "other");
    let seal = Seal::Receiver(vec![county, state]);
    let mut ring = Keyring::open(base.path(), SOURCE, &limits(&LIMITS), seal).unwrap();
    let read = br#"{"id":"04040404-0404-0404-0000-000000000005","camera":"north","plate":"QXW 917J"}"#;
    let clear = clear(5, true);
    let stored = ring.seal(&clear, read, 0, 0).unwrap();
    assert!(!stored.windows(3).any(|bytes| bytes == b"QXW"));
    assert_eq!((ring.same(&clear, &stored, read), ring.same(&clear, &stored, b"{}")), (Some(true), Some(false)));
    let Outgoing::Sealed(told) = ring.outgoing(&clear, &stored) else { panic!("not sealed") };
    let sealed: SealedRead = serde_json::from_slice(&told).unwrap();
    let open = |key: &Path, clear: &Clear, sealed: &SealedRead| {
        let mut opener = Opener::new(vec![seal::read_private(key).unwrap()]);
        opener.open((&clear.source, clear.id), (clear.generation, clear.sequence), clear.hour, sealed)
    };
    for key in [&county_key, &state_key] {
        assert_eq!(open(key, &clear, &sealed).unwrap(), read);
    }
    assert_eq!(open(&other_key, &clear, &sealed), Err(OpenError::NotForUs));
    let changed = [
        Clear { source: "urn:pintle:trailer:heron-4".to_owned(), ..clear.clone() },
        Clear { generation: EventId([8; 16]), ..clear.clone() },
        Clear { sequence: 6, ..clear.clone() },
        Clear { id: EventId([5; 16]), ..clear.clone() },
        Clear { hour: Utc(clear.hour.0 + 3_600_000), ..clear.clone() },
    ];
    for clear in changed {
        assert_eq!(open(&county_key, &clear, &sealed), Err(OpenError::Altered), "{clear:?}");
    }
    for sealed in [
        SealedRead { class: "other".to_owned(), ..sealed.clone() },
        SealedRead { camera: "south".to_owned(), ..sealed.clone() },
    ] {
        assert_eq!(open(&county_key, &clear, &sealed), Err(OpenError::Altered), "{sealed:?}");
    }
    for at in 0..stored.len() {
        let mut bytes = stored.clone();
        bytes[at] ^= 1;
        let altered = SealedRead { body: BASE64.encode(&bytes), ..sealed.clone() };
        assert!(open(&county_key, &clear, &altered).is_err(), "byte {at}");
    }
}

#[test]
fn after_a_restart_the_trailer_itself_can_no_longer_open_what_it_sealed() {
    let base = tempfile::tempdir().unwrap();
    let (_, public) = pair(base.path(), "county");
    let open = || Keyring::open(base.path(), SOURCE, &limits(&LIMITS), Seal::Receiver(vec![public.clone()])).unwrap();
    let mut ring = open();
    let stored = ring.seal(&clear(1, false), b"{}", 0, 0).unwrap();
    assert_eq!(ring.same(&clear(1, false), &stored, b"{}"), Some(true));
    let mut ring = open();
    assert_eq!(ring.same(&clear(1, false), &stored, b"{}"), None);
    assert!(matches!(ring.outgoing(&clear(1, false), &stored), Outgoing::Sealed(_)), "the agency still can");
}

#[test]
fn a_seal_for_this_disk_opens_here_after_a_restart_and_nowhere_else() {
    let base = tempfile::tempdir().unwrap();
    let (key, other) = (base.path().join("disk"), base.path().join("other"));
    std::fs::write(&key, [0xa7; 40]).unwrap();
    std::fs::write(&other, [0xa8; 40]).unwrap();
    let open = |key: &Path| Keyring::open(base.path(), SOURCE, &limits(&LIMITS), Seal::Disk(key.to_owned())).unwrap();
    let stored = open(&key).seal(&clear(1, false), b"{\"plate\":1}", 0, 0).unwrap();
    let again = open(&key).outgoing(&clear(1, false), &stored);
    assert!(matches!(again, Outgoing::Plain(read) if read == b"{\"plate\":1}"));
    assert!(matches!(open(&other).outgoing(&clear(1, false), &stored), Outgoing::Lost(_)));
    assert!(Keyring::disk_key_is_beside(base.path(), &Seal::Disk(key)), "both lie on one disk, and that is told");
}

#[test]
fn a_picture_is_sealed_under_a_key_of_its_own_that_goes_with_the_file() {
    let base = tempfile::tempdir().unwrap();
    let (key, public) = pair(base.path(), "county");
    let (other, _) = pair(base.path(), "other");
    let ring = Keyring::open(base.path(), SOURCE, &limits(&LIMITS), Seal::Receiver(vec![public])).unwrap();
    let sealer = ring.pictures().unwrap();
    let picture = vec![0x5a; 5000];
    let (one, two) = (sealer(&picture).unwrap(), sealer(&picture).unwrap());
    assert_ne!(one, two, "a key each");
    assert!(!one.windows(16).any(|bytes| bytes == [0x5a; 16]) && seal::is_sealed_picture(&one));
    let private = |path: &Path| seal::read_private(path).unwrap();
    assert_eq!(seal::open_picture(&private(&key), &one).unwrap(), picture);
    assert!(seal::open_picture(&private(&other), &one).is_none());
    for at in [0, 8, 9, 20, 60, 120, one.len() - 1] {
        let mut altered = one.clone();
        altered[at] ^= 1;
        assert!(seal::open_picture(&private(&key), &altered).is_none(), "byte {at}");
    }
    let file = base.path().join("picture");
    std::fs::write(&file, &one).unwrap();
    let out = base.path().join("opened.jpg");
    let status =
        Command::new(PINTLE).args(["key", "open"]).arg(&file).arg("--key").arg(&key).arg("--out").arg(&out).status();
    assert_eq!((status.unwrap().code(), std::fs::read(&out).unwrap()), (Some(0), picture));
    let disk = base.path().join("disk");
    std::fs::write(&disk, [0xa7; 40]).unwrap();
    let ring = Keyring::open(base.path(), SOURCE, &limits(&LIMITS), Seal::Disk(disk)).unwrap();
    assert!(ring.pictures().unwrap()(&[1; 10]).is_none(), "never kept in clear beside sealed reads");
}

#[test]
fn the_wrong_kind_of_key_file_is_named_with_what_to_do() {
    let base = tempfile::tempdir().unwrap();
    let (private, public) = pair(base.path(), "county");
    let file = |name: &str, bytes: &[u8]| {
        let path = base.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let told = |path: &Path| match seal::read_public(path) {
        Ok(_) => "taken".to_owned(),
        Err(error) => format!("{error}; {}", error.advice()),
    };
    assert!(
        told(&private).contains("is a private seal key, but a public seal key is needed here"),
        "{}",
        told(&private)
    );
    assert!(!told(&private).contains("secret"), "an error shows nothing of the key");
    let pem = file("a.pem", b"-----BEGIN CERTIFICATE-----\nMIIB");
    assert!(told(&pem).contains("is a certificate (PEM)"));
    assert!(told(&file("b", b"ssh-ed25519 AAAA")).contains("a public key for SSH"));
    assert!(told(&file("c", b"\xff\xfe\x00")).contains("no key file of any kind"));
    assert!(told(&base.path().join("nothing")).contains("can't be read"));
    let text = std::fs::read_to_string(&public).unwrap();
    assert!(told(&file("d", &text.as_bytes()[..text.len() - 9])).contains("public half is not 32 bytes"));
    // A point of small order would seal for everybody (RFC 7748 section 6.1: the all-zero secret).
    let zero = format!("pintle seal key 1 public\nname x\npublic {}\n", BASE64.encode([0; 32]));
    assert!(told(&file("e", zero.as_bytes())).contains("nothing can be sealed for this key"));
    let refused = seal::read_private(&public).err().unwrap();
    assert!(refused.advice().contains(".key"), "{refused}");
    let short = seal::disk_key(&file("f", b"short")).err().unwrap();
    assert!(short.to_string().contains("too short"), "{short}");
    assert!(seal::disk_key(&private).is_err(), "a seal key is no disk key");
}

fn at(ms: i64) -> Moment {
    Moment { mono: Mono(u64::try_from(ms).unwrap()), utc: Utc(T0 + ms), utc_trust: UtcTrust::Network }
}

fn event(number: u32, happened_ms: i64) -> NewEvent {
    let mut id = [0x40; 16];
    id[..4].copy_from_slice(&number.to_be_bytes());
    let id = EventId(id);
    let body = format!(r#"{{"id":"{id}","camera":"north","plate":"QX{number:05}ZJ"}}"#);
    NewEvent {
        id,
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: Utc(T0 + happened_ms),
        body: body.into_bytes(),
        stamp: Some(b"{\"stamp_revision\":1}".to_vec()),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

fn sealed_store(folder: &Path, public: &Path, ms: i64) -> StoreHandle {
    let ring = Keyring::open(folder, SOURCE, &limits(&LIMITS), Seal::Receiver(vec![public.to_owned()])).unwrap();
    open_sealed(folder, &LIMITS, Some(Box::new(ring)), at(ms)).unwrap()
}

async fn deliver_all(store: &StoreHandle, ms: i64) -> usize {
    let mut all = 0;
    loop {
        let leased = store.lease(Lane::Bulk, 500, 1 << 20, at(ms)).await.unwrap();
        if leased.is_empty() {
            return all;
        }
        assert!(leased.iter().all(|event| event.kind != EventKind::Read || event.sealed));
        all += leased.len();
        let outcomes = leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect();
        store.settle(outcomes, at(ms)).await.unwrap();
    }
}

#[tokio::test]
async fn the_keys_of_a_span_are_destroyed_with_its_last_read_and_not_before() {
    let base = tempfile::tempdir().unwrap();
    let (_, public) = pair(base.path(), "county");
    let folder = base.path().join("state");
    std::fs::create_dir(&folder).unwrap();
    let store = sealed_store(&folder, &public, 0);
    for span in 0..10_u32 {
        let ms = i64::from(span) * 9000;
        let events = (0..20).map(|n| event(span * 100 + n, ms)).collect();
        store.accept(events, at(ms)).await.unwrap();
    }
    assert_eq!(seal::count_of_keys(&folder), 10, "limits of 3 min: a key each 9 s");
    assert!(200 <= deliver_all(&store, 2 * MIN).await);
    let keys = std::fs::read(folder.join("seal.keys")).unwrap();
    // The first five spans are past 3 min, the others not yet.
    while 0 < store.retire(at(180_000 + 4 * 9000 + 500)).await.unwrap() {}
    assert_eq!(seal::count_of_keys(&folder), 5);
    store.close().await.unwrap();
    // The same over a restart: what is left is found and destroyed.
    let store = sealed_store(&folder, &public, 6 * MIN);
    while 0 < store.retire(at(6 * MIN)).await.unwrap() {}
    assert_eq!(seal::count_of_keys(&folder), 0);
    let left = std::fs::read(folder.join("seal.keys")).unwrap();
    assert!(keys.windows(64).step_by(64).all(|some| !left.windows(64).any(|there| there == some)));
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_commit_that_fails_destroys_no_key_of_the_rows_that_it_brings_back() {
    let folder = tempfile::tempdir().unwrap();
    let (_, public) = pair(folder.path(), "agency");
    let store = sealed_store(folder.path(), &public, 0);
    store.accept(vec![event(1, 0)], at(0)).await.unwrap();
    let leased = store.lease(Lane::Bulk, 10, 1 << 20, at(0)).await.unwrap();
    let sequence = leased.iter().find(|event| event.kind == EventKind::Read).unwrap().sequence;
    let refused = leased.iter().map(|event| (event.sequence, Settled::Refused("no".to_owned()))).collect();
    store.settle(refused, at(0)).await.unwrap();
    store.close().await.unwrap();
    // Whoever deletes an event breaks a promise that is looked at only by the commit.
    let side = || rusqlite::Connection::open(folder.path().join("queue.db")).unwrap();
    side()
        .execute_batch(
            "CREATE TABLE one (x INTEGER PRIMARY KEY); \
             CREATE TABLE two (x INTEGER REFERENCES one DEFERRABLE INITIALLY DEFERRED); \
             CREATE TRIGGER breaks AFTER DELETE ON events BEGIN INSERT INTO two VALUES (OLD.sequence); END;",
        )
        .unwrap();
    let store = sealed_store(folder.path(), &public, 20 * MIN);
    // Both in one commit: the deletion, and a clean-up that has nothing to do and so looks for keys without rows.
    let mut together = false;
    for _ in 0..50 {
        let busy = store.accept((100..200).map(|n| event(n, 20 * MIN)).collect(), at(20 * MIN));
        let drop = store.drop_refused(sequence, "a test".to_owned(), at(20 * MIN));
        let (_, dropped, retired) = tokio::join!(busy, drop, store.retire(at(20 * MIN)));
        assert!(dropped.is_err(), "{dropped:?}");
        if retired.is_err() {
            together = true;
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert!(together, "drop and clean-up never came into one commit");
    store.close().await.unwrap();
    side().execute_batch("DROP TRIGGER breaks; DROP TABLE two; DROP TABLE one;").unwrap();
    let store = sealed_store(folder.path(), &public, 21 * MIN);
    assert_eq!(store.retry(Some(sequence), at(21 * MIN)).await.unwrap(), 1);
    let leased = store.lease(Lane::Bulk, 1000, 1 << 22, at(21 * MIN)).await.unwrap();
    let mut wanted = [0; 16];
    wanted.copy_from_slice(&event(1, 0).id.0);
    let read = leased.iter().find(|event| event.id.0 == wanted).unwrap();
    assert!(read.sealed && !read.body.is_empty(), "its key is still there");
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_repeat_of_a_sealed_read_is_known_and_another_body_is_told_while_the_key_is_there() {
    let base = tempfile::tempdir().unwrap();
    let (_, public) = pair(base.path(), "county");
    let folder = base.path().join("state");
    std::fs::create_dir(&folder).unwrap();
    let store = sealed_store(&folder, &public, 0);
    assert_eq!(store.accept(vec![event(1, 0)], at(0)).await.unwrap(), [Accepted::New { sequence: 2 }]);
    assert_eq!(store.accept(vec![event(1, 0)], at(0)).await.unwrap(), [Accepted::Repeat { sequence: 2 }]);
    let other = NewEvent { body: b"{}".to_vec(), ..event(1, 0) };
    assert_eq!(store.accept(vec![other.clone()], at(0)).await.unwrap(), [Accepted::OtherBody]);
    store.close().await.unwrap();
    let store = sealed_store(&folder, &public, 1000);
    // Without the key nobody here can compare; the id alone decides.
    assert_eq!(store.accept(vec![other], at(1000)).await.unwrap(), [Accepted::Repeat { sequence: 2 }]);
    store.close().await.unwrap();
}

struct Receiver {
    process: Child,
    url: String,
}

impl Receiver {
    fn start(folder: &Path, key: Option<&Path>) -> Self {
        let announce = folder.join("announced");
        let mut command = Command::new(PINTLE);
        command.args(["receive", "--listen", "127.0.0.1:0", "--data"]).arg(folder.join("received"));
        command.arg("--announce").arg(&announce);
        if let Some(key) = key {
            command.arg("--key").arg(key);
        }
        let process = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let began = Instant::now();
        while !announce.exists() {
            assert!(began.elapsed() < Duration::from_secs(20), "the receiver does not start");
            std::thread::sleep(Duration::from_millis(20));
        }
        Self { process, url: std::fs::read_to_string(announce).unwrap().trim().to_owned() }
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

fn plate(number: u32) -> String {
    format!("QX{number:05}ZJ")
}

/// All files below a folder.
fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        if entry.file_type().unwrap().is_dir() {
            files(&entry.path(), found);
        } else if entry.file_type().unwrap().is_file() {
            found.push(entry.path());
        }
    }
}

/// Plates in the raw bytes of all files below a folder.
fn plates_below(folder: &Path) -> Vec<String> {
    let mut all = Vec::new();
    files(folder, &mut all);
    assert!(4 < all.len(), "there is something to search");
    let mut found = Vec::new();
    for path in all {
        let bytes = match std::fs::read(&path) {
            // A file that was written beside has its real name by now.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            read => read.unwrap(),
        };
        for (at, _) in bytes.windows(2).enumerate().filter(|(_, two)| *two == b"QX") {
            let text = bytes.get(at..at + 9).and_then(|nine| std::str::from_utf8(nine).ok()).unwrap_or_default();
            if text.ends_with("ZJ") {
                found.push(format!("{text} in {}", path.display()));
            }
        }
    }
    found
}

#[test]
fn fault_100_a_stolen_disk_shows_no_plate_of_a_thousand_and_the_agency_opens_every_one() {
    let base = tempfile::tempdir().unwrap();
    let (key, public) = pair(base.path(), "county");
    let mut trailer = Trailer::new("");
    let url = "http://127.0.0.1:1/v1/events";
    let configure = |trailer: &Trailer, url: &str| {
        trailer.configure("", &format!("[receiver]\nurl = \"{url}\"\nretry_ms_max = 1000\n"));
        let text = std::fs::read_to_string(trailer.config()).unwrap();
        let sealed = format!("seal = \"receiver\"\nseal_keys = [\"{}\"]", public.display());
        std::fs::write(trailer.config(), text.replace("seal = \"none\"", &sealed)).unwrap();
    };
    configure(&trailer, url);
    trailer.environment("PINTLE_LOG", "trace");
    trailer.start();
    let now = pintle::clock::utc().to_rfc3339();
    for hundred in 0..10_u32 {
        let lines: Vec<String> = (0..100)
            .map(|n| {
                let number = hundred * 100 + n;
                let mut read = json!({
                    "id": format!("0190a000-0000-7000-8000-{number:012}"), "camera": "north", "captured_at": now,
                    "plate": plate(number), "plate_state": "read", "confidence": 0.9,
                });
                if number % 50 == 0 {
                    read["hit"] = json!({"list": "demo", "list_time": now, "entry": plate(number)});
                }
                read.to_string()
            })
            .collect();
        assert_eq!(trailer.post("application/x-ndjson", &lines.join("\n")).0, 202);
    }
    let missing_id = json!({"camera": "north", "captured_at": now, "plate": plate(5), "plate_state": "read"});
    let (status, answer) = trailer.post("application/json", &missing_id.to_string());
    assert_eq!((status, answer.contains("`id` is missing, and reads are sealed here")), (422, true), "{answer}");
    let health =
        trailer.wait_health(|health| health["ledger"]["waiting"].as_u64().is_some_and(|waiting| 1000 <= waiting));
    assert!(!health.to_string().contains("in clear on this disk"));
    assert_eq!(plates_below(trailer.folder()), [""; 0], "while it runs");
    trailer.kill();
    assert_eq!(plates_below(trailer.folder()), [""; 0], "database, log, keys, health, audit: nothing");

    let receiver = Receiver::start(base.path(), Some(&key));
    configure(&trailer, &receiver.url);
    trailer.start();
    trailer
        .wait_health(|health| health["ledger"]["waiting"] == 0 && health["ledger"]["delivered"].as_u64() >= Some(1001));
    assert_eq!(trailer.stop().code(), Some(0));
    assert_eq!(plates_below(trailer.folder()), [""; 0], "after the delivery");
    drop(receiver);
    let db = rusqlite::Connection::open(base.path().join("received/receiver.db"))
        .or_else(|_| rusqlite::Connection::open(base.path().join("received/events.db")))
        .unwrap();
    let mut rows = db.prepare("SELECT data, time, hit FROM events WHERE type = 'pintle.read.v1'").unwrap();
    let rows =
        rows.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, bool>(2)?)));
    let rows: Vec<(String, String, bool)> = rows.unwrap().map(Result::unwrap).collect();
    let opened: HashSet<String> = rows
        .iter()
        .map(|(data, _, _)| serde_json::from_str::<Value>(data).unwrap()["read"]["plate"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!((rows.len(), opened.len()), (1000, 1000), "all are opened");
    assert_eq!(opened, (0..1000).map(plate).collect());
    assert!(rows.iter().all(|(_, time, _)| *time == now), "the exact capture time is known again");
    assert_eq!(rows.iter().filter(|(_, _, hit)| *hit).count(), 20);
}

#[test]
fn a_receiver_without_the_key_keeps_sealed_reads_as_they_came_and_answers_for_them() {
    let base = tempfile::tempdir().unwrap();
    let (_, public) = pair(base.path(), "county");
    let receiver = Receiver::start(base.path(), None);
    let mut trailer = Trailer::new("");
    trailer.configure("", &format!("[receiver]\nurl = \"{}\"\n", receiver.url));
    let text = std::fs::read_to_string(trailer.config()).unwrap();
    let sealed = format!("seal = \"receiver\"\nseal_keys = [\"{}\"]", public.display());
    std::fs::write(trailer.config(), text.replace("seal = \"none\"", &sealed)).unwrap();
    trailer.start();
    let now = pintle::clock::utc().to_rfc3339();
    let read = json!({"id": "0190a000-0000-7000-8000-000000000001", "camera": "north", "captured_at": now,
        "plate": plate(1), "plate_state": "read"});
    assert_eq!(trailer.post("application/json", &read.to_string()).0, 202);
    trailer.wait_health(|health| health["ledger"]["waiting"] == 0 && health["ledger"]["delivered"].as_u64() >= Some(2));
    // New key files are read while the agent runs; a wrong one changes nothing.
    let rotated = trailer.command(&["key", "rotate"]);
    assert_eq!(rotated.status.code(), Some(0), "{}", String::from_utf8_lossy(&rotated.stderr));
    std::fs::write(&public, "ssh-ed25519 AAAA").unwrap();
    let refused = trailer.command(&["key", "rotate"]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!((refused.status.code(), said.contains("a public key for SSH")), (Some(2), true), "{said}");
    trailer.stop();
    drop(receiver);
    assert_eq!(plates_below(base.path()), [""; 0]);
}
