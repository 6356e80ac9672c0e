//! From the file as written to the checked [`Config`]: every key, and what keys must hold together.

use super::keys::CAMERAS_MAX;
use super::mistakes::{ConfigError, Mistake};
use super::reader::{Reader, Section};
use super::{
    Asked, Camera, Config, Control, Gps, Health, Images, Input, Intake, Link, Pick, Position, Queue, Seal, SealFiles,
    Spool, Trailer, WhenFull, ladder, receiver, relay,
};
use pintle_core::afar::Kind;
use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, TrailerId, printable};
use pintle_core::inputs::InputKind;
use pintle_core::link::usage::Plan;
use pintle_core::queue::retention::{Limits, PROFILES_MAX, Profile, Profiles, profile_code};
use std::io::Read as _;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// Longest configuration file, bytes (our own limit: sixteen cameras with comments need a tenth of it).
const FILE_BYTES_MAX: u64 = 262_144;

/// Longest path of a unix socket, bytes. Source: `unix(7)`, `sun_path` is 108 bytes with its closing zero; four are
/// kept for the ending `.new` under which a socket is made before it is moved to its place.
const SOCKET_PATH_BYTES_MAX: usize = 103;

/// Reads and checks a configuration file.
///
/// # Errors
/// [`ConfigError`]: unreadable, or all its mistakes at once.
pub fn read(path: &Path) -> Result<Config, ConfigError> {
    let unreadable = |detail: String, advice: &str| ConfigError::Unreadable {
        path: path.to_owned(),
        detail,
        advice: advice.to_owned(),
    };
    let by_system = |error: std::io::Error| {
        let advice = match error.kind() {
            std::io::ErrorKind::NotFound => "name the file with --config FILE; config/pintle.toml is one to start from",
            std::io::ErrorKind::PermissionDenied => {
                "who asks a running agent needs no configuration: leave --config out, or name its --socket; what \
                 reads it (`pintle check`, `pintle run`, `pintle courier key`) wants root or the agent's user"
            }
            _ => "look whether the path is right and the disk is well",
        };
        unreadable(error.to_string(), advice)
    };
    let file = std::fs::File::open(path).map_err(by_system)?;
    let mut bytes = Vec::new();
    file.take(FILE_BYTES_MAX + 1).read_to_end(&mut bytes).map_err(by_system)?;
    if FILE_BYTES_MAX < u64::try_from(bytes.len()).unwrap_or(u64::MAX) {
        return Err(unreadable(format!("it is longer than {FILE_BYTES_MAX} bytes"), "name the right file"));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let line = error.as_bytes()[..error.utf8_error().valid_up_to()].split(|byte| *byte == b'\n').count();
        unreadable(format!("line {line} is not UTF-8 text"), "save the file as UTF-8")
    })?;
    parse(&text).map_err(|mistakes| ConfigError::Mistakes { path: path.to_owned(), mistakes })
}

/// Checks the text of a configuration file.
///
/// # Errors
/// All its [`Mistake`]s, in the order of the lines.
pub fn parse(text: &str) -> Result<Config, Vec<Mistake>> {
    let mut reader = Reader::new(text);
    let (root, errors) = DeTable::parse_recoverable(text);
    let config = whole_file(&mut reader, root.get_ref());
    if !errors.is_empty() {
        reader.malformed(&errors);
    }
    match (config, reader.into_mistakes()) {
        (Some(config), mistakes) if mistakes.is_empty() => Ok(config),
        (_, mistakes) => Err(mistakes),
    }
}

/// `None` only beside a mistake.
fn whole_file<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Config> {
    reader.check_tables(root);
    let trailer = trailer(reader, root);
    let runtime_dir =
        trailer.as_ref().map_or_else(|| PathBuf::from("/run/pintle"), |trailer| trailer.runtime_dir.clone());
    let gps = gps(reader, root);
    let position = position(reader, root);
    let intake = intake(reader, root, &runtime_dir);
    let images = images(reader, root);
    let spool = spool(reader, root);
    let cameras = cameras(reader, root);
    let inputs = inputs(reader, root);
    let asked = asked(reader, root);
    let (queue, seal) = queue(reader, root);
    let receiver = receiver::section(reader, root).map(|mut receiver| {
        receiver.broker.state_dir = trailer.as_ref().map(|trailer| trailer.state_dir.clone()).unwrap_or_default();
        receiver
    });
    let urgent_relay = relay::section(reader, root, receiver.as_ref());
    let (link, hit_target_ms) = link(reader, root);
    let ladder = ladder::section(reader, root, link.is_some());
    let health = health(reader, root);
    let control = control(reader, root, &runtime_dir);
    if let Some(trailer) = &trailer
        && SOCKET_PATH_BYTES_MAX < trailer.runtime_dir.join("control.sock").as_os_str().len()
    {
        reader.mistake(
            at(root, "trailer", "runtime_dir"),
            "trailer.runtime_dir",
            "`trailer.runtime_dir` is too long for the sockets in it",
            format!("choose a path of at most {} bytes", SOCKET_PATH_BYTES_MAX - "/control.sock".len()),
        );
    }
    if intake.socket.as_ref() == Some(&control.socket) {
        reader.mistake(
            at(root, "control", "socket").or_else(|| at(root, "intake", "socket")),
            "control.socket",
            "`control.socket` is the same path as `intake.socket`",
            "give each a path of its own",
        );
    }
    Some(Config {
        trailer: trailer?,
        gps,
        position,
        intake,
        images,
        spool,
        cameras,
        inputs,
        asked,
        queue,
        seal,
        receiver,
        urgent_relay,
        link,
        ladder,
        hit_target_ms,
        health,
        control,
    })
}

/// Where the value of a key stands in the file.
pub(super) fn at(root: &DeTable<'_>, table: &str, name: &str) -> Option<usize> {
    Some(root.get(table)?.get_ref().as_table()?.get(name)?.span().start)
}

fn trailer<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Trailer> {
    let section = reader.section(root, "trailer");
    let id = reader.text(section, "id").and_then(|(text, at)| {
        let id = TrailerId::new(&text).ok();
        if id.is_none() {
            reader.mistake(Some(at), "trailer.id", "`trailer.id` is no trailer name", NAME_ADVICE);
        }
        id
    });
    let label = reader.text(section, "label").map(|(text, _)| text);
    let zone = reader.text(section, "zone").and_then(|(name, at)| {
        let found = super::zone::zone(&name);
        if found.is_none() {
            let advice =
                "take a name of the IANA zone database, like Europe/Berlin or America/Chicago, or leave it out: UTC";
            reader.mistake(Some(at), "trailer.zone", "`trailer.zone` is no zone that is known here", advice);
        }
        found
    });
    let state_dir = reader.path(section, "state_dir")?;
    let runtime_dir = reader.path(section, "runtime_dir")?;
    if state_dir == runtime_dir {
        reader.mistake(
            at(root, "trailer", "runtime_dir").or_else(|| at(root, "trailer", "state_dir")),
            "trailer.runtime_dir",
            "`trailer.runtime_dir` is the same folder as `trailer.state_dir`",
            "give each a folder of its own: the first is emptied by a restart of the computer, the second must not be",
        );
    }
    let crashes_max = reader.whole_u32(section, "crashes_max");
    let id = id?;
    let label = label.unwrap_or_else(|| id.as_str().to_owned());
    Some(Trailer { id, label, zone: zone.unwrap_or_default(), state_dir, runtime_dir, crashes_max })
}

const NAME_ADVICE: &str = "use a-z, 0-9 and -, beginning and ending with a letter or digit";

fn gps<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Gps> {
    let section = reader.section(root, "gps");
    section.table?;
    let device = reader.path(section, "device");
    let given = section.table.is_some_and(|table| table.contains_key("baud"));
    let baud = given.then(|| reader.whole_u32(section, "baud"));
    let chrony_sock = socket(reader, section, "chrony_sock");
    Some(Gps { device: device?, baud, chrony_sock })
}

fn position<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Position {
    let section = reader.section(root, "position");
    Position {
        move_threshold_m: reader.number(section, "move_threshold_m"),
        settle_s: reader.whole_u32(section, "settle_s"),
    }
}

fn intake<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, runtime_dir: &Path) -> Intake {
    let section = reader.section(root, "intake");
    let given = socket(reader, section, "socket");
    Intake {
        socket: Some(given.unwrap_or_else(|| runtime_dir.join("intake.sock"))),
        listen: reader.loopback(section, "listen"),
        body_bytes_max: reader.whole(section, "body_bytes_max"),
        batch_reads_max: reader.whole_u32(section, "batch_reads_max"),
        connections_max: reader.whole_u32(section, "connections_max"),
        request_wait_ms: reader.whole(section, "request_wait_ms"),
    }
}

fn images<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Images {
    let section = reader.section(root, "images");
    let images = Images {
        folder: reader.path(section, "folder"),
        image_bytes_max: reader.whole(section, "image_bytes_max"),
        read_bytes_max: reader.whole(section, "read_bytes_max"),
        thumbnail_px: reader.whole_u32(section, "thumbnail_px"),
        budget_mb_day: reader.whole(section, "budget_mb_day"),
    };
    if images.read_bytes_max < images.image_bytes_max {
        reader.mistake(
            at(root, "images", "read_bytes_max").or_else(|| at(root, "images", "image_bytes_max")),
            "images.read_bytes_max",
            "`images.read_bytes_max` is less than one picture may have",
            "write at least `images.image_bytes_max`",
        );
    }
    images
}

fn spool<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Spool> {
    let section = reader.section(root, "spool");
    section.table?;
    let patience_s = reader.whole_u32(section, "patience_s");
    Some(Spool { path: reader.path(section, "path")?, patience_s })
}

fn socket<'i>(reader: &mut Reader<'i>, section: Section<'_, 'i>, name: &str) -> Option<PathBuf> {
    let path = reader.path(section, name)?;
    if SOCKET_PATH_BYTES_MAX < path.as_os_str().len() {
        let full = format!("{}.{name}", section.name);
        let at = section.table.and_then(|table| table.get(name)).map(|value| value.span().start);
        let what = format!("`{full}` is longer than a socket's path may be");
        reader.mistake(at, &full, what, format!("choose a path of at most {SOCKET_PATH_BYTES_MAX} bytes"));
    }
    Some(path)
}

fn cameras<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Vec<Camera> {
    let mut cameras: Vec<Camera> = Vec::new();
    let sections = reader.sections(root, "camera");
    if let Some((_, at)) = sections.get(CAMERAS_MAX) {
        let what = format!("there are {} cameras", sections.len());
        reader.mistake(*at, "camera", what, format!("a trailer has at most {CAMERAS_MAX}; take some out"));
    }
    for (section, _) in sections {
        let label = reader.text(section, "label").map(|(text, _)| text);
        let Some((text, at)) = reader.text(section, "id") else { continue };
        let Ok(id) = CameraId::new(&text) else {
            reader.mistake(Some(at), "camera.id", "`camera.id` is no camera name", NAME_ADVICE);
            continue;
        };
        if cameras.iter().any(|camera| camera.id == id) {
            let what = format!("a second camera is called \"{id}\"");
            reader.mistake(Some(at), "camera.id", what, "give each camera an id of its own");
        }
        let label = label.unwrap_or_else(|| id.as_str().to_owned());
        cameras.push(Camera { id, label });
    }
    cameras
}

fn asked<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Asked> {
    let section = reader.section(root, "asked");
    let (key_file, words) = (reader.path(section, "key_file"), reader.text(section, "allowed"));
    if key_file.is_some() != words.is_some() {
        let what = "`asked.key_file` and `asked.allowed` belong together, and one of them is missing";
        reader.mistake(None, "asked.allowed", what, "give both, or neither: then nothing from afar is carried out");
    }
    let (words, at) = words?;
    let mut allowed = Vec::new();
    for word in words.split(',').map(str::trim) {
        match Kind::of_word(word) {
            Some(kind) if !allowed.contains(&kind) => allowed.push(kind),
            Some(_) => {}
            None => {
                let what = format!("`asked.allowed` holds \"{}\"", printable(word, 40));
                let advice = "take of health, confirm-line, test-alert and resend, with commas between";
                reader.mistake(Some(at), "asked.allowed", what, advice);
            }
        }
    }
    Some(Asked { key_file: key_file?, allowed })
}

fn inputs<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Vec<Input> {
    let mut inputs: Vec<Input> = Vec::new();
    for (section, at) in reader.sections(root, "input") {
        let word = reader.choice(section, "kind");
        let (path, safe) = (reader.path(section, "path"), reader.text(section, "safe"));
        let kind = InputKind::ALL.into_iter().find(|kind| kind.word() == word);
        let (Some(kind), Some(path), Some((safe, safe_at))) = (kind, path, safe) else { continue };
        if safe.contains(char::is_whitespace) {
            let what = "`input.safe` is more than one word";
            reader.mistake(Some(safe_at), "input.safe", what, "write the one word that the file holds, such as \"0\"");
        }
        if inputs.iter().any(|input| input.kind == kind) {
            let what = format!("a second input is of the kind \"{word}\"");
            reader.mistake(at, "input.kind", what, "take one of the two out");
        }
        inputs.push(Input { kind, path, safe });
    }
    inputs
}

fn queue<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> (Queue, SealFiles) {
    let section = reader.section(root, "queue");
    if section.table.is_some_and(|table| table.get("seal").is_none()) {
        reader.mistake(None, "queue.seal", "`queue.seal`, how waiting reads are protected on the disk", SEAL_ADVICE);
    }
    let given = section.table.is_some_and(|table| table.get("seal").is_some());
    let seal = match if given { reader.choice(section, "seal") } else { "none" } {
        "disk" => Seal::Disk,
        "receiver" => Seal::Receiver,
        _ => Seal::None,
    };
    let files = SealFiles { keys: reader.paths(section, "seal_keys"), disk_key: reader.path(section, "seal_key_file") };
    let there = |name: &str| section.table.is_some_and(|table| table.get(name).is_some());
    for (needs, name, what) in [
        (Seal::Receiver, "seal_keys", "`queue.seal_keys`, the public keys of the agencies that may read"),
        (Seal::Disk, "seal_key_file", "`queue.seal_key_file`, the key of this disk"),
    ] {
        let key = format!("queue.{name}");
        if seal == needs && !there(name) {
            let advice =
                "`pintle key new` makes a pair for an agency; docs/OPERATIONS.md tells how to keep a key for the disk";
            reader.mistake(at(root, "queue", "seal"), &key, format!("missing: {what}"), advice);
        }
    }
    let queue = Queue {
        seal,
        commit_wait_ms: reader.whole(section, "commit_wait_ms"),
        waiting_keep_s: reader.whole(section, "waiting_keep_s"),
        hit_waiting_keep_s: reader.whole(section, "hit_waiting_keep_s"),
        delivered_keep_s: reader.whole(section, "delivered_keep_s"),
        hit_delivered_keep_s: reader.whole(section, "hit_delivered_keep_s"),
        own_disk: reader.choice(section, "disk") == "own",
        disk_free_min_mib: reader.whole(section, "disk_free_min_mib"),
        disk_warn_percent: reader.whole(section, "disk_warn_percent"),
        disk_act_percent: reader.whole(section, "disk_act_percent"),
        ballast_mib: reader.whole(section, "ballast_mib"),
        when_full: if reader.choice(section, "when_full") == "evict" { WhenFull::Evict } else { WhenFull::Refuse },
        dedupe_keep_s: reader.whole(section, "dedupe_keep_s"),
        profiles: Profiles::NONE,
    };
    let profiles = profiles(reader, root, &queue);
    (Queue { profiles, ..queue }, files)
}

fn profiles<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, queue: &Queue) -> Profiles {
    let mut profiles = Profiles::NONE;
    let sections = reader.sections(root, "profile");
    if let Some((_, at)) = sections.get(PROFILES_MAX) {
        let what = format!("there are {} profiles", sections.len());
        reader.mistake(*at, "profile", what, format!("a trailer has at most {PROFILES_MAX}; take some out"));
    }
    for (at, (section, begins)) in sections.into_iter().enumerate() {
        let mut keep_ms = |name: &str, base_s: u64| {
            let given = section.table.is_some_and(|table| table.get(name).is_some());
            let keep_s = if given { reader.whole(section, name) } else { base_s };
            keep_s.saturating_mul(1000)
        };
        let limits = Limits {
            waiting_ms: keep_ms("waiting_keep_s", queue.waiting_keep_s),
            hit_waiting_ms: keep_ms("hit_waiting_keep_s", queue.hit_waiting_keep_s),
            delivered_ms: keep_ms("delivered_keep_s", queue.delivered_keep_s),
            hit_delivered_ms: keep_ms("hit_delivered_keep_s", queue.hit_delivered_keep_s),
            dedupe_ms: queue.dedupe_keep_s.saturating_mul(1000),
        };
        let (lat, lon) = (reader.number(section, "lat"), reader.number(section, "lon"));
        let radius_m = reader.number(section, "radius_m");
        let name = reader.text(section, "name");
        let (Some((name, name_at)), Some(middle)) = (name, LatLon::new(lat, lon)) else { continue };
        let code = profile_code(&name);
        if profiles.iter().any(|profile| profile.code == code) {
            let what = format!("a second profile is called \"{name}\", or by a name that looks the same in the store");
            reader.mistake(Some(name_at).or(begins), "profile.name", what, "give each profile a name of its own");
        }
        if let Some(place) = profiles.0.get_mut(at) {
            *place = Some(Profile { code, middle, radius_m, limits });
        }
    }
    profiles
}

const SEAL_ADVICE: &str = "this has no default on purpose: whoever opens the trailer could read the plates. Write \
    `seal = \"receiver\"` below [queue] to seal them for your agency (the trailer itself can't read them then), \
    `seal = \"disk\"` to seal them with a key of this computer, or `seal = \"none\"` to keep them in clear (health says so)";

fn link<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> (Option<Link>, u64) {
    let section = reader.section(root, "link");
    let hit_target_ms = reader.whole(section, "hit_target_s") * 1000;
    if section.table.is_none() {
        return (None, hit_target_ms);
    }
    let mut plain = |name: &str, what: &str, advice: &str, good: fn(&str) -> bool| {
        let (text, at) = reader.text(section, name)?;
        if !good(&text) {
            reader.mistake(Some(at), &format!("link.{name}"), format!("`link.{name}` is no {what}"), advice);
        }
        Some(text)
    };
    let one = |text: &str| !text.contains(|c: char| c.is_whitespace() || c == '/') && !text.starts_with('.');
    let usb_port = plain("usb_port", "USB port", "write one of `ls /sys/bus/usb/devices`, for example 1-1.2", one);
    let mac = plain(
        "mac",
        "address of an interface",
        "write one as `ip link` shows it, for example 02:00:00:00:00:01",
        |text| {
            text.split(':').count() == 6
                && text.split(':').all(|two| two.len() == 2 && u8::from_str_radix(two, 16).is_ok())
        },
    );
    let driver = plain("driver", "name of a driver", "write the kernel's name, for example rndis_host", one);
    let interface =
        plain("interface", "interface name", "write one that `ip -brief link` shows, for example usb0", one);
    let pick =
        usb_port.map(Pick::UsbPort).or(mac.map(Pick::Mac)).or(driver.map(Pick::Driver)).or(interface.map(Pick::Name));
    let others = reader.text(section, "others");
    let others = others.map_or_else(Vec::new, |(text, place)| {
        let parsed: Option<Vec<(String, u16)>> = text.split(',').map(host_and_port).collect();
        parsed.unwrap_or_else(|| {
            let what = "`link.others` is no list of host:port";
            reader.mistake(
                Some(place),
                "link.others",
                what,
                "write them with commas between, for example \"one.example:443, 192.0.2.7:443\"",
            );
            Vec::new()
        })
    });
    let gib = reader.number(section, "plan_gib");
    let from_day = reader.whole_u32(section, "plan_day");
    let hard = reader.choice(section, "plan_over") == "urgent-only";
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0.1 to 100,000 GiB")]
    let plan = (0.0 < gib).then(|| Plan { bytes: (gib * f64::from(1 << 30)) as u64, from_day, hard });
    let sysfs_dir = reader.path(section, "sysfs_dir");
    let Some((pick, sysfs_dir)) = pick.zip(sysfs_dir) else {
        let what = "`[link]` does not say which interface the tether is";
        let advice =
            "write usb_port, mac, driver or interface; names change when a device is plugged in anew, the others stay";
        reader.mistake(None, "link", what, advice);
        return (None, hit_target_ms);
    };
    (Some(Link { pick, sysfs_dir, others, plan }), hit_target_ms)
}

/// `host:port`; an IPv6 number stands in brackets.
fn host_and_port(text: &str) -> Option<(String, u16)> {
    let (host, port) = text.trim().rsplit_once(':')?;
    let host = host.trim_start_matches('[').trim_end_matches(']');
    let good = !host.is_empty() && !host.contains(|c: char| c.is_whitespace() || c == '/');
    Some((host.to_owned(), port.parse().ok().filter(|port| good && *port != 0)?))
}

fn health<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Health {
    let section = reader.section(root, "health");
    let every_s = reader.whole_u32(section, "every_s");
    let valid_s = reader.whole_u32(section, "valid_s");
    if valid_s < every_s.saturating_mul(2) {
        reader.mistake(
            at(root, "health", "valid_s").or_else(|| at(root, "health", "every_s")),
            "health.valid_s",
            "`health.valid_s` is less than two writings of the health files",
            "write at least twice `health.every_s`, or every small delay looks like a dead agent",
        );
    }
    let upstream_s = reader.whole_u32(section, "upstream_s");
    Health { every_s, valid_s, upstream_s, group: reader.text(section, "group").map(|(text, _)| text) }
}

fn control<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, runtime_dir: &Path) -> Control {
    let section = reader.section(root, "control");
    let given = socket(reader, section, "socket");
    Control {
        socket: given.unwrap_or_else(|| runtime_dir.join("control.sock")),
        group: reader.text(section, "group").map(|(text, _)| text),
    }
}
