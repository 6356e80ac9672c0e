//! The table of all configuration keys: kind, range, unit and default. The file is read by it, and a test holds
//! `config/pintle.toml` to it in both directions.

/// What a key may hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A name of 1 to `chars_max` of `a-z0-9-`.
    Name {
        /// Longest name.
        chars_max: usize,
    },
    /// Any printable text of at most this many characters.
    Text {
        /// Longest text.
        chars_max: usize,
    },
    /// A path that begins with `/`.
    Path,
    /// A list of paths that begin with `/`.
    Paths {
        /// Longest list.
        max: usize,
    },
    /// A whole number within the bounds, in the unit.
    Whole {
        /// Lowest value.
        min: u64,
        /// Highest value.
        max: u64,
        /// Unit, for people.
        unit: &'static str,
    },
    /// A number within the bounds, in the unit.
    Number {
        /// Lowest value.
        min: f64,
        /// Highest value.
        max: f64,
        /// Unit, for people.
        unit: &'static str,
    },
    /// One of these whole numbers, in the unit.
    OneOf {
        /// The numbers, rising.
        values: &'static [u64],
        /// Unit, for people.
        unit: &'static str,
    },
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A loopback address with port.
    Loopback,
    /// Where events go: see [`super::receiver::address`].
    Url,
    /// An HTTPS endpoint.
    Https,
}

impl Kind {
    /// The range in words, as it must stand in `config/pintle.toml`.
    #[must_use]
    pub fn range(&self) -> String {
        let listed = |values: Vec<String>| values.join(", ");
        match self {
            Self::Name { chars_max } => format!("1 to {chars_max} of a-z, 0-9 and -"),
            Self::Text { chars_max } => format!("text, 1 to {chars_max} characters"),
            Self::Path => "path that begins with /".to_owned(),
            Self::Paths { max } => format!("list of 1 to {max} paths that begin with /"),
            Self::Whole { min, max, unit } => format!("{min} to {max} {unit}").trim_end().to_owned(),
            Self::Number { min, max, unit } => format!("{min} to {max} {unit}"),
            Self::OneOf { values, unit } => {
                format!("{} {unit}", listed(values.iter().map(ToString::to_string).collect()))
            }
            Self::Choice(words) => listed(words.iter().map(|word| format!("\"{word}\"")).collect()),
            Self::Loopback => "127.0.0.1:PORT or [::1]:PORT".to_owned(),
            Self::Url => {
                "https://…, tls://… (NATS), mqtts://… or file:///…; http://, nats:// and mqtt:// to this computer"
                    .to_owned()
            }
            Self::Https => "https://…; http:// to this computer".to_owned(),
        }
    }
}

/// What holds when the key is not in the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Absent {
    /// The file is refused.
    Refused,
    /// The thing is not used.
    Unused,
    /// This number.
    Whole(u64),
    /// This number.
    Number(f64),
    /// This word.
    Word(&'static str),
    /// A value taken from other keys; the text says which.
    Derived(&'static str),
}

impl Absent {
    /// The default in words, as it must stand in `config/pintle.toml`.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Refused => "No default".to_owned(),
            Self::Unused => "Default: not used".to_owned(),
            Self::Whole(n) => format!("Default {n}"),
            Self::Number(n) => format!("Default {n}"),
            Self::Word(word) => format!("Default \"{word}\""),
            Self::Derived(from) => format!("Default: {from}"),
        }
    }
}

/// One key of the configuration file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Key {
    /// Its table.
    pub table: &'static str,
    /// Its name in the table.
    pub name: &'static str,
    /// What it may hold.
    pub kind: Kind,
    /// What holds without it.
    pub absent: Absent,
}

/// Tables that the file must have.
pub const TABLES_NEEDED: [&str; 3] = ["trailer", "camera", "queue"];
/// Tables that may be left out, with what that means. All other tables stand for their defaults when left out.
pub const TABLES_NOT_FITTED: [&str; 8] =
    ["gps", "receiver", "urgent_relay", "link", "ladder", "spool", "input", "profile"];
/// Tables of which there may be several: `[[name]]`.
pub const TABLES_LISTED: [&str; 3] = ["camera", "input", "profile"];
/// Cameras of one trailer (design: one to sixteen).
pub const CAMERAS_MAX: usize = 16;

/// Agencies that one trailer seals for (our own limit: each costs 110 bytes a read on its way).
const SEAL_KEYS_MAX: usize = 8;

const fn key(table: &'static str, name: &'static str, kind: Kind, absent: Absent) -> Key {
    Key { table, name, kind, absent }
}

const fn whole(min: u64, max: u64, unit: &'static str) -> Kind {
    Kind::Whole { min, max, unit }
}

/// 36 months, the longest age limit of the design, s (three years with one leap day).
const KEEP_S_MAX: u64 = 1096 * 86_400;
/// 3 minutes, the shortest age limit of the design, s.
const KEEP_S_MIN: u64 = 180;

/// All keys, table by table, in the order of `config/pintle.toml`.
pub const KEYS: &[Key] = &[
    key("trailer", "id", Kind::Name { chars_max: 40 }, Absent::Refused),
    key("trailer", "label", Kind::Text { chars_max: 60 }, Absent::Derived("trailer.id")),
    key("trailer", "zone", Kind::Text { chars_max: 40 }, Absent::Derived("UTC, and people are told so")),
    key("trailer", "state_dir", Kind::Path, Absent::Word("/var/lib/pintle")),
    key("trailer", "runtime_dir", Kind::Path, Absent::Word("/run/pintle")),
    key("trailer", "crashes_max", whole(2, 100_000, "crashes"), Absent::Whole(5)),
    key("gps", "device", Kind::Path, Absent::Refused),
    key(
        "gps",
        "baud",
        Kind::OneOf { values: &[4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800], unit: "bit/s" },
        Absent::Derived("found by trying the usual speeds"),
    ),
    key("gps", "chrony_sock", Kind::Path, Absent::Unused),
    key("position", "move_threshold_m", Kind::Number { min: 25.0, max: 500.0, unit: "m" }, Absent::Number(50.0)),
    key("position", "settle_s", whole(5, 3600, "s"), Absent::Whole(120)),
    key("intake", "socket", Kind::Path, Absent::Derived("intake.sock in trailer.runtime_dir")),
    key("intake", "listen", Kind::Loopback, Absent::Unused),
    key("intake", "body_bytes_max", whole(1024, 67_108_864, "bytes"), Absent::Whole(4_194_304)),
    key("intake", "batch_reads_max", whole(1, 10_000, "reads"), Absent::Whole(1000)),
    key("intake", "connections_max", whole(2, 1024, "connections"), Absent::Whole(64)),
    key("intake", "request_wait_ms", whole(100, 60_000, "ms"), Absent::Whole(10_000)),
    key("images", "folder", Kind::Path, Absent::Unused),
    key("images", "image_bytes_max", whole(1024, 33_554_432, "bytes"), Absent::Whole(4_194_304)),
    key("images", "read_bytes_max", whole(1024, 67_108_864, "bytes"), Absent::Whole(8_388_608)),
    key("images", "thumbnail_px", whole(0, 640, "px"), Absent::Whole(240)),
    key("images", "budget_mb_day", whole(0, 1_000_000, "MB"), Absent::Whole(500)),
    key("spool", "path", Kind::Path, Absent::Refused),
    key("spool", "patience_s", whole(1, 3600, "s"), Absent::Whole(60)),
    key("camera", "id", Kind::Name { chars_max: 32 }, Absent::Refused),
    key("camera", "label", Kind::Text { chars_max: 60 }, Absent::Derived("camera.id")),
    key("input", "kind", Kind::Choice(&["mast", "axle_lock", "stabilisers"]), Absent::Refused),
    key("input", "path", Kind::Path, Absent::Refused),
    key("input", "safe", Kind::Text { chars_max: 32 }, Absent::Refused),
    key("queue", "seal", Kind::Choice(&["none", "disk", "receiver"]), Absent::Refused),
    key("queue", "seal_keys", Kind::Paths { max: SEAL_KEYS_MAX }, Absent::Unused),
    key("queue", "seal_key_file", Kind::Path, Absent::Unused),
    key("queue", "commit_wait_ms", whole(0, 2000, "ms"), Absent::Whole(0)),
    key("queue", "waiting_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Whole(30 * 86_400)),
    key("queue", "hit_waiting_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Whole(30 * 86_400)),
    key("queue", "delivered_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Whole(86_400)),
    key("queue", "hit_delivered_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Whole(86_400)),
    key("queue", "disk", Kind::Choice(&["any", "own"]), Absent::Word("any")),
    key("queue", "disk_free_min_mib", whole(1, 1_048_576, "MiB"), Absent::Whole(512)),
    key("queue", "disk_warn_percent", whole(10, 100, "%"), Absent::Whole(80)),
    key("queue", "disk_act_percent", whole(10, 100, "%"), Absent::Whole(90)),
    key("queue", "ballast_mib", whole(0, 4096, "MiB"), Absent::Whole(32)),
    key("queue", "when_full", Kind::Choice(&["refuse", "evict"]), Absent::Word("refuse")),
    key("queue", "dedupe_keep_s", whole(86_400, KEEP_S_MAX, "s"), Absent::Whole(30 * 86_400)),
    key("profile", "name", Kind::Name { chars_max: 40 }, Absent::Refused),
    key("profile", "lat", Kind::Number { min: -90.0, max: 90.0, unit: "degrees" }, Absent::Refused),
    key("profile", "lon", Kind::Number { min: -180.0, max: 180.0, unit: "degrees" }, Absent::Refused),
    key("profile", "radius_m", Kind::Number { min: 50.0, max: 1_000_000.0, unit: "m" }, Absent::Refused),
    key("profile", "waiting_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Derived("queue.waiting_keep_s")),
    key(
        "profile",
        "hit_waiting_keep_s",
        whole(KEEP_S_MIN, KEEP_S_MAX, "s"),
        Absent::Derived("queue.hit_waiting_keep_s"),
    ),
    key("profile", "delivered_keep_s", whole(KEEP_S_MIN, KEEP_S_MAX, "s"), Absent::Derived("queue.delivered_keep_s")),
    key(
        "profile",
        "hit_delivered_keep_s",
        whole(KEEP_S_MIN, KEEP_S_MAX, "s"),
        Absent::Derived("queue.hit_delivered_keep_s"),
    ),
    key("receiver", "url", Kind::Url, Absent::Refused),
    key("receiver", "proof", Kind::Choice(&["receipts", "status", "ack"]), Absent::Word("receipts")),
    key("receiver", "ca_file", Kind::Path, Absent::Unused),
    key("receiver", "token_file", Kind::Path, Absent::Unused),
    key("receiver", "client_cert_file", Kind::Path, Absent::Unused),
    key("receiver", "client_key_file", Kind::Path, Absent::Unused),
    key("receiver", "batch_reads_max", whole(1, 1000, "events"), Absent::Whole(200)),
    key("receiver", "batch_bytes_max", whole(16_384, 8_388_608, "bytes"), Absent::Whole(1_048_576)),
    key("receiver", "answer_wait_ms", whole(1000, 120_000, "ms"), Absent::Whole(30_000)),
    key("receiver", "retry_ms_max", whole(1000, 600_000, "ms"), Absent::Whole(60_000)),
    key("receiver", "credentials_file", Kind::Path, Absent::Unused),
    key("receiver", "subject", Kind::Text { chars_max: 40 }, Absent::Word("pintle")),
    key("receiver", "stream", Kind::Text { chars_max: 40 }, Absent::Word("PINTLE")),
    key("receiver", "stream_maker", Kind::Choice(&["owner", "trailer"]), Absent::Word("owner")),
    key("receiver", "receipt_wait_s", whole(5, 31 * 86_400, "s"), Absent::Derived("180; 28 days for a courier")),
    key("receiver", "handed_max", whole(1, 1_000_000, "events"), Absent::Derived("5000; 200000 for a courier")),
    key("receiver", "gather_s", whole(0, 3600, "s"), Absent::Derived("0; 300 for a courier")),
    key("receiver", "message_keep_s", whole(3600, 31 * 86_400, "s"), Absent::Whole(7 * 86_400)),
    key("asked", "key_file", Kind::Path, Absent::Unused),
    key("asked", "allowed", Kind::Text { chars_max: 80 }, Absent::Unused),
    key("urgent_relay", "url", Kind::Https, Absent::Refused),
    key("urgent_relay", "after_ms", whole(500, 10_000, "ms"), Absent::Whole(3000)),
    key("urgent_relay", "ca_file", Kind::Path, Absent::Unused),
    key("urgent_relay", "token_file", Kind::Path, Absent::Unused),
    key("urgent_relay", "client_cert_file", Kind::Path, Absent::Unused),
    key("urgent_relay", "client_key_file", Kind::Path, Absent::Unused),
    key("link", "interface", Kind::Text { chars_max: 15 }, Absent::Unused),
    key("link", "usb_port", Kind::Text { chars_max: 32 }, Absent::Unused),
    key("link", "mac", Kind::Text { chars_max: 17 }, Absent::Unused),
    key("link", "driver", Kind::Text { chars_max: 32 }, Absent::Unused),
    key("link", "others", Kind::Text { chars_max: 200 }, Absent::Unused),
    key("link", "plan_gib", Kind::Number { min: 0.1, max: 100_000.0, unit: "GiB" }, Absent::Unused),
    key("link", "plan_day", whole(1, 28, "day"), Absent::Whole(1)),
    key("link", "plan_over", Kind::Choice(&["reads-go", "urgent-only"]), Absent::Word("reads-go")),
    key("link", "hit_target_s", whole(1, 3600, "s"), Absent::Whole(12)),
    key("link", "sysfs_dir", Kind::Path, Absent::Word("/sys/class/net")),
    key("ladder", "steps", Kind::Text { chars_max: 60 }, Absent::Word("renew, cycle, usb")),
    key("ladder", "first_after_s", whole(300, 86_400, "s"), Absent::Whole(300)),
    key("ladder", "wait_s", whole(300, 14_400, "s"), Absent::Whole(600)),
    key("ladder", "renew", Kind::Text { chars_max: 40 }, Absent::Word("2 an hour, 12 a day")),
    key("ladder", "cycle", Kind::Text { chars_max: 40 }, Absent::Word("2 an hour, 6 a day")),
    key("ladder", "usb", Kind::Text { chars_max: 40 }, Absent::Word("2 an hour, 6 a day")),
    key("ladder", "command", Kind::Text { chars_max: 40 }, Absent::Word("2 an hour, 6 a day")),
    key("ladder", "reboot", Kind::Text { chars_max: 40 }, Absent::Word("1 an hour, 1 a day")),
    key("ladder", "steps_per_hour", whole(1, 6, "steps"), Absent::Whole(3)),
    key("ladder", "resets_per_day", whole(0, 6, "resets"), Absent::Whole(6)),
    key("ladder", "reboots_per_day", whole(0, 1, "restarts"), Absent::Whole(0)),
    key("ladder", "socket", Kind::Path, Absent::Word("/run/pintle-lever.sock")),
    key("health", "every_s", whole(1, 60, "s"), Absent::Whole(5)),
    key("health", "valid_s", whole(10, 3600, "s"), Absent::Whole(90)),
    key("health", "upstream_s", whole(0, 3600, "s"), Absent::Whole(300)),
    key("health", "group", Kind::Text { chars_max: 32 }, Absent::Unused),
    key("control", "socket", Kind::Path, Absent::Derived("control.sock in trailer.runtime_dir")),
    key("control", "group", Kind::Text { chars_max: 32 }, Absent::Unused),
];

/// The key of that table and name.
#[must_use]
pub fn find(table: &str, name: &str) -> Option<&'static Key> {
    KEYS.iter().find(|key| key.table == table && key.name == name)
}

/// Names of all tables, each once, in the order of the file.
#[must_use]
pub fn tables() -> Vec<&'static str> {
    let mut names: Vec<&'static str> = KEYS.iter().map(|key| key.table).collect();
    names.dedup();
    names
}
