//! `pintle bundle`: one file for a technician's mail. It holds health, history, the check of the configuration, the
//! configuration without what could be secret, and the log; no read, no plate, no key.

use crate::cli::ask::own_name;
use crate::cli::check::{self, CheckArgs};
use crate::cli::usual::{self, Found};
use crate::cli::{CONFIG_PATH, complain};
use crate::clock;
use crate::config::keys;
use crate::exit::Exit;
use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_core::ids::printable;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, Read, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Health files that are taken; nothing else in their folders is.
const HEALTH_FILES: [&str; 8] = [
    "health.json",
    "health.txt",
    "index.html",
    "metrics.prom",
    "sites.geojson",
    "notices.ndjson",
    "history.ndjson",
    "last-gasp",
];
/// Most of one file, bytes: a mail takes some 20 MB, and text shrinks to a tenth (our own limit).
const FILE_BYTES_MAX: usize = 8 << 20;
/// The units whose log is taken.
const UNITS: [&str; 3] = ["pintle.service", "pintle-page.service", "pintle-lever.service"];
/// How far back.
const LOG_DAYS: u32 = 7;
/// Longest line of a log, characters.
const LINE_CHARS_MAX: usize = 2000;

/// Pack health, history, configuration and log into one file for a technician; no read, no plate, no key is in it.
#[derive(Debug, clap::Args)]
pub struct BundleArgs {
    /// The configuration; /etc/pintle/pintle.toml if none is named. Who may not read that gets what lies in the usual
    /// folders and may be read.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Where to write it; by default pintle-TRAILER-TIME.tar.gz in this folder.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// A log file to take instead of the system's journal.
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
}

/// Why there is no bundle.
#[derive(Debug, thiserror::Error)]
enum BundleError {
    #[error("the bundle {path} can't be written: {source}")]
    Write { path: String, source: io::Error },
    #[error("{path} is there already")]
    Exists { path: String },
}

impl BundleError {
    fn advice(&self) -> &'static str {
        match self {
            Self::Write { .. } => "name another place with --out, or make room there",
            Self::Exists { .. } => "take it away, or name another file with --out",
        }
    }
}

/// Packs.
pub fn bundle(args: &BundleArgs, out: &mut dyn Write) -> Exit {
    match pack(args) {
        Ok((path, note)) => {
            let told = format!(
                "{note}\nWritten to {}. Look into it before you send it: people's names and places are in it.\n",
                path.display()
            );
            // Who stops reading has seen enough; the file is there.
            drop(out.write_all(told.as_bytes()).and_then(|()| out.flush()));
            Exit::Good
        }
        Err(error) => {
            complain(&error, error.advice());
            Exit::Act
        }
    }
}

/// One file of the bundle.
struct Piece {
    name: String,
    bytes: Vec<u8>,
}

fn pack(args: &BundleArgs) -> Result<(PathBuf, String), BundleError> {
    let file = args.config.clone().unwrap_or_else(|| PathBuf::from(CONFIG_PATH));
    let found = usual::find(args.config.as_deref());
    let trailer = match &found {
        Ok(Found::Read(config)) => config.trailer.id.as_str(),
        _ => "unknown",
    };
    let now = clock::utc().to_rfc3339();
    let stamp: String = now.chars().filter(char::is_ascii_alphanumeric).take(15).collect();
    let path = args.out.clone().unwrap_or_else(|| PathBuf::from(format!("pintle-{trailer}-{stamp}.tar.gz")));

    let mut pieces = Vec::new();
    let mut left_out = Vec::new();
    match &found {
        Ok(found) => {
            if let Found::Usual(why) = &found {
                left_out.push(format!("health files: {why}; only what lies in the usual folders was taken"));
            }
            let (now, kept) = (found.runtime_dir().join("health"), found.state_dir().join("health"));
            health("now", &now, &mut pieces, &mut left_out);
            health("kept", &kept, &mut pieces, &mut left_out);
        }
        Err(_) => {
            left_out.push("health files: the configuration can't be read, so their folder is not known".to_owned());
        }
    }
    match redacted(&file) {
        Ok(text) => pieces.push(Piece { name: "config.toml".to_owned(), bytes: text.into_bytes() }),
        Err(why) => left_out.push(format!("config.toml: {why}")),
    }
    let mut checked = Vec::new();
    check::check(&CheckArgs::of(file), &mut checked);
    pieces.push(Piece { name: "check.txt".to_owned(), bytes: checked });
    match log(args.log.as_deref()) {
        Ok(bytes) => pieces.push(Piece { name: "log.txt".to_owned(), bytes }),
        Err(why) => left_out.push(format!("log.txt: {why}")),
    }

    let note = about(trailer, &now, &pieces, &left_out);
    pieces.insert(0, Piece { name: "about.txt".to_owned(), bytes: note.clone().into_bytes() });
    let wrong = |source: io::Error| match source.kind() {
        io::ErrorKind::AlreadyExists => BundleError::Exists { path: path.display().to_string() },
        _ => BundleError::Write { path: path.display().to_string(), source },
    };
    write(&path, &pieces).map_err(wrong)?;
    Ok((path, note))
}

fn about(trailer: &str, now: &str, pieces: &[Piece], left_out: &[String]) -> String {
    let mut note = format!("Trailer {trailer}, Pintle {}, packed {now}.\nIn it:\n", env!("CARGO_PKG_VERSION"));
    for piece in pieces {
        // Writing into a string can't fail.
        let _infallible = writeln!(note, "  {} ({} bytes)", piece.name, piece.bytes.len());
    }
    if !left_out.is_empty() {
        note.push_str("Left out:\n");
        for why in left_out {
            let _infallible = writeln!(note, "  {why}");
        }
    }
    note.push_str("Neither reads, plates and pictures nor keys and tokens are in it.\n");
    note
}

fn health(below: &str, folder: &Path, pieces: &mut Vec<Piece>, left_out: &mut Vec<String>) {
    for name in HEALTH_FILES {
        match read(&folder.join(name)) {
            // The block of the last word is blank while all is well.
            Ok(bytes) if bytes.trim_ascii().is_empty() => {}
            Ok(bytes) => pieces.push(Piece { name: format!("health-{below}/{name}"), bytes }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            // Said once for the folder, and not for each name in it.
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied && std::fs::read_dir(folder).is_err() => {
                let who = own_name();
                let why = "take it as root, or as somebody of the group pintle-read";
                left_out.push(format!("health-{below}: user {who} may not read {}; {why}", folder.display()));
                return;
            }
            Err(error) => left_out.push(format!("health-{below}/{name}: {error}")),
        }
    }
    if !folder.is_dir() {
        left_out.push(format!("health-{below}: there is no folder {}", folder.display()));
    }
}

/// The end of a plain file, if it is too long.
fn read(path: &Path) -> io::Result<Vec<u8>> {
    let metadata = std::fs::symlink_metadata(path)?;
    if !metadata.is_file() {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "it is no plain file"));
    }
    let most = u64::try_from(FILE_BYTES_MAX).unwrap_or(u64::MAX);
    let mut file = File::open(path)?;
    file.seek(SeekFrom::Start(metadata.len().saturating_sub(most)))?;
    let mut bytes = Vec::new();
    file.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// The configuration, made anew from the keys that are known: comments and unknown keys may hold anything, and stay
/// behind. Secrets are in files of their own, of which only the path is told.
fn redacted(path: &Path) -> Result<String, String> {
    let text = std::fs::read_to_string(path).map_err(|error| error.to_string())?;
    let table: toml::Table = text.parse().map_err(|_| "it is no TOML; check.txt names the line".to_owned())?;
    let known = |table: &str, key: &str| keys::KEYS.iter().any(|known| known.table == table && known.name == key);
    let mut kept = toml::Table::new();
    let mut left = 0;
    let mut pick = |name: &str, from: &toml::Table| {
        let (good, other): (Vec<_>, Vec<_>) = from.iter().partition(|(key, _)| known(name, key));
        left += other.len();
        good.into_iter().map(|(key, value)| (key.clone(), value.clone())).collect::<toml::Table>()
    };
    for (name, value) in &table {
        let value = match value {
            toml::Value::Table(inner) => toml::Value::Table(pick(name, inner)),
            toml::Value::Array(list) => toml::Value::Array(
                list.iter().filter_map(|item| item.as_table()).map(|item| pick(name, item).into()).collect(),
            ),
            _ => continue,
        };
        kept.insert(name.clone(), value);
    }
    let mut text = kept.to_string();
    if 0 < left {
        let _infallible = writeln!(text, "# {left} unknown keys are left out.");
    }
    Ok(text)
}

/// The newest lines, cleaned of what a terminal would obey.
fn log(file: Option<&Path>) -> Result<Vec<u8>, String> {
    let bytes = match file {
        Some(path) => read(path).map_err(|error| error.to_string())?,
        None => journal()?,
    };
    let text = String::from_utf8_lossy(&bytes);
    let mut clean = String::with_capacity(text.len());
    for line in text.lines() {
        clean.push_str(&printable(line, LINE_CHARS_MAX));
        clean.push('\n');
    }
    Ok(clean.into_bytes())
}

fn journal() -> Result<Vec<u8>, String> {
    let mut command = Command::new("journalctl");
    command.args(["--no-pager", "--quiet", "--output", "short-iso-precise", "--since"]);
    command.arg(format!("-{LOG_DAYS}d")).args(UNITS.map(|unit| format!("--unit={unit}"))).args(["--lines", "40000"]);
    let output = command.stdin(Stdio::null()).stderr(Stdio::null()).output();
    match output {
        Ok(output) if output.status.success() && output.stdout.is_empty() => Err(format!(
            "the system's journal has nothing of Pintle in {LOG_DAYS} days, or hides it from this user; name a file \
                 with --log"
        )),
        Ok(output) if output.status.success() => {
            let skip = output.stdout.len().saturating_sub(FILE_BYTES_MAX);
            Ok(output.stdout[skip..].to_vec())
        }
        Ok(_) => Err("the system's journal can't be read by this user; name a file with --log".to_owned()),
        Err(_) => Err("there is no journalctl here; name a file with --log".to_owned()),
    }
}

/// Never over a file that is there, and for its owner's eyes only.
fn write(path: &Path, pieces: &[Piece]) -> io::Result<()> {
    use std::os::unix::fs::OpenOptionsExt as _;
    let file = File::options().write(true).create_new(true).mode(0o600).open(path)?;
    let mut archive = tar::Builder::new(GzEncoder::new(file, Compression::default()));
    let now_s = u64::try_from(clock::utc().0 / 1000).unwrap_or(0);
    for piece in pieces {
        let mut header = tar::Header::new_gnu();
        header.set_size(u64::try_from(piece.bytes.len()).unwrap_or(u64::MAX));
        header.set_mode(0o600);
        header.set_mtime(now_s);
        archive.append_data(&mut header, format!("pintle-bundle/{}", piece.name), piece.bytes.as_slice())?;
    }
    let file = archive.into_inner()?.finish()?;
    file.sync_all()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// The pieces of a bundle by name.
    fn unpacked(path: &Path) -> BTreeMap<String, String> {
        let mut archive = tar::Archive::new(flate2::read::GzDecoder::new(File::open(path).unwrap()));
        let mut pieces = BTreeMap::new();
        for entry in archive.entries().unwrap() {
            let mut entry = entry.unwrap();
            let name = entry.path().unwrap().to_string_lossy().into_owned();
            let mut text = String::new();
            entry.read_to_string(&mut text).unwrap();
            pieces.insert(name.trim_start_matches("pintle-bundle/").to_owned(), text);
        }
        pieces
    }

    struct Rig {
        base: tempfile::TempDir,
    }

    impl Rig {
        fn new() -> Self {
            let base = tempfile::tempdir().unwrap();
            let (state, run) = (base.path().join("state"), base.path().join("run"));
            for folder in [state.join("health"), run.join("health")] {
                std::fs::create_dir_all(&folder).unwrap();
                std::fs::write(folder.join("health.json"), "{\"word\":\"fine\"}").unwrap();
                std::fs::write(folder.join("secret.key"), "SECRETKEY").unwrap();
            }
            std::fs::write(state.join("queue.db"), "PLATE123").unwrap();
            let text = format!(
                "# a comment with SECRETKEY\n[trailer]\nid = \"heron-3\"\nlabel = \"Heron 3\"\nstate_dir = \"{}\"\n\
                 runtime_dir = \"{}\"\npassword = \"SECRETKEY\"\n[queue]\nseal = \"none\"\n[[camera]]\nid = \"cam-1\"\n\
                 label = \"Camera 1\"\n",
                state.display(),
                run.display()
            );
            std::fs::write(base.path().join("bad.toml"), &text).unwrap();
            std::fs::write(base.path().join("good.toml"), text.replace("password = \"SECRETKEY\"\n", "")).unwrap();
            std::fs::write(base.path().join("log"), "one\u{1b}[2Jline\nsecond line\n").unwrap();
            Self { base }
        }

        fn pack(&self, config: &str) -> (Exit, BTreeMap<String, String>) {
            let out = self.base.path().join(format!("{config}.tar.gz"));
            let args = BundleArgs {
                config: Some(self.base.path().join(config)),
                out: Some(out.clone()),
                log: Some(self.base.path().join("log")),
            };
            let exit = bundle(&args, &mut Vec::new());
            (exit, unpacked(&out))
        }
    }

    #[test]
    fn bundle_holds_health_check_configuration_and_a_clean_log_and_nothing_else() {
        let (exit, pieces) = Rig::new().pack("good.toml");
        assert_eq!(exit, Exit::Good);
        let names: Vec<&str> = pieces.keys().map(String::as_str).collect();
        assert_eq!(
            names,
            ["about.txt", "check.txt", "config.toml", "health-kept/health.json", "health-now/health.json", "log.txt"]
        );
        assert!(pieces["config.toml"].contains("heron-3"), "{}", pieces["config.toml"]);
        assert_eq!(pieces["log.txt"], "one\u{fffd}[2Jline\nsecond line\n");
        let all: String = pieces.values().cloned().collect();
        assert!(!all.contains("SECRETKEY") && !all.contains("PLATE123"));
    }

    #[test]
    fn wrong_configuration_still_gives_a_bundle_that_says_what_is_wrong_without_quoting_it() {
        let (exit, pieces) = Rig::new().pack("bad.toml");
        assert_eq!(exit, Exit::Good);
        assert!(pieces["check.txt"].contains("WRONG"), "{}", pieces["check.txt"]);
        assert!(pieces["about.txt"].contains("Left out"));
        let all: String = pieces.values().cloned().collect();
        assert!(!all.contains("SECRETKEY"), "{all}");
    }

    #[test]
    fn no_file_is_written_over() {
        let rig = Rig::new();
        let out = rig.base.path().join("there");
        std::fs::write(&out, "precious").unwrap();
        let args = BundleArgs { config: Some(rig.base.path().join("good.toml")), out: Some(out.clone()), log: None };
        assert_eq!(bundle(&args, &mut Vec::new()), Exit::Act);
        assert_eq!(std::fs::read(out).unwrap(), b"precious");
    }
}
