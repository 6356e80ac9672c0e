//! `pintle status`: how a trailer is, by its health files. It asks nobody: it works on a live trailer, on a share and
//! on a
//! copy, and says "stale" when the state that it found may no longer be believed.

use super::ask::Agent;
use super::complain;
use super::usual::RUNTIME_DIR;
use crate::clock;
use crate::config;
use crate::exit::Exit;
use crate::show;
use pintle_core::health::Freshness;
use pintle_core::ids::printable;
use pintle_core::wire::told::{NotTold, Told};
use serde_json::{Value, json};
use std::io::{IsTerminal as _, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

/// More than this is no health file of ours (our own limit; the largest has about 60 kB).
const BYTES_MAX: u64 = 4 << 20;

/// A share that hangs is waited for this long (our own choice: past a slow link, within a person's patience).
const SHARE_WAIT: Duration = Duration::from_secs(5);

/// Say in one word, and why, how a trailer is.
#[derive(Clone, Debug, clap::Args)]
pub struct StatusArgs {
    /// A health file, its folder, or the agent's runtime folder; /run/pintle if neither it nor --config is given.
    #[arg(conflicts_with = "config")]
    path: Option<PathBuf>,
    /// One JSON object instead of text.
    #[arg(long)]
    json: bool,
    /// Send a marked test alert the way that alarms go, and tell when the receiver had it.
    #[arg(long, conflicts_with = "watch")]
    test_alert: bool,
    /// How long to wait for the receipt of the test alert, s.
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=3600), requires = "test_alert")]
    wait: u64,
    /// The configuration that the agent runs on; it names the runtime folder and the control socket. A test alert
    /// goes by /etc/pintle/pintle.toml if neither it nor --socket is given, and by the usual socket for those who may
    /// not read that.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// The control socket itself; then no configuration is read.
    #[arg(long, value_name = "PATH", requires = "test_alert")]
    socket: Option<PathBuf>,
    /// Look again every so many seconds until it is stopped.
    #[arg(long, value_name = "SECONDS", num_args = 0..=1, default_missing_value = "2", value_parser = clap::value_parser!(u64).range(1..=3600))]
    watch: Option<u64>,
}

/// Why a state can't be told.
#[derive(Debug, thiserror::Error)]
enum StatusError {
    #[error("there is no health file at {path}: {source}")]
    Unreadable { path: String, source: std::io::Error },
    #[error("{path} is larger than {} MiB, so it is no health file", BYTES_MAX >> 20)]
    TooLarge { path: String },
    #[error("{path} did not answer within {} s", SHARE_WAIT.as_secs())]
    Hangs { path: String },
    #[error("{path} can't be judged: {source}")]
    NotTold { path: String, source: NotTold },
}

impl StatusError {
    fn advice(&self) -> &'static str {
        match self {
            Self::Unreadable { .. } => {
                "is the agent running, and may you read its folder (group pintle-read)? if it lies elsewhere: \
                 pintle status FOLDER"
            }
            Self::TooLarge { .. } => "name health.json, or the folder that it lies in",
            Self::Hangs { .. } => "is the share mounted, and is its server up?",
            Self::NotTold { source, .. } => source.advice(),
        }
    }
}

/// Tells the state found at `args.path`; the exit code is the word. Stopped while it watches (Ctrl-C), it ends as every
/// program does.
pub fn status(args: &StatusArgs, out: &mut dyn Write) -> Exit {
    if args.test_alert {
        let agent = Agent::of(args.config.clone(), args.socket.clone());
        return super::test_alert::send(&agent, args.wait, args.json, out);
    }
    let path = match (&args.path, &args.config) {
        (Some(path), _) => path.clone(),
        (None, None) => PathBuf::from(RUNTIME_DIR),
        (None, Some(file)) => match config::read(file) {
            Ok(config) => config.trailer.runtime_dir,
            Err(error) => {
                complain(&error, error.advice());
                return Exit::Config;
            }
        },
    };
    let terminal = std::io::stdout().is_terminal();
    // Source of the variable: no-color.org (from memory): set and not empty means no colour.
    let plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let colour = terminal && !plain && !args.json;
    let mut looker = Looker { path, hangs: None };
    loop {
        if args.watch.is_some() && terminal && !args.json {
            say(out, "\u{1b}[2J\u{1b}[H");
        }
        let exit = once(args, &mut looker, colour, out);
        let Some(pause_s) = args.watch else { return exit };
        std::thread::sleep(Duration::from_secs(pause_s));
    }
}

/// The first line in the colours of its word, for a terminal. The word itself says the same.
fn painted(text: &str, word: &str) -> String {
    // ECMA-48: bold, and for what needs somebody white on magenta; for what is stale, reversed.
    let set = match word {
        "act" => "1;97;45",
        "look" => "1;35",
        "stale" => "1;7",
        _ => "1",
    };
    match text.split_once('\n') {
        Some((first, rest)) => format!("\u{1b}[{set}m{first}\u{1b}[0m\n{rest}"),
        None => text.to_owned(),
    }
}

/// Looks from a thread of its own: a share that hangs keeps that thread, not the terminal.
struct Looker {
    path: PathBuf,
    /// A look that has not come back. There is never a second one beside it.
    hangs: Option<mpsc::Receiver<Result<Told, StatusError>>>,
}

impl Looker {
    fn look(&mut self) -> Result<Told, StatusError> {
        let looked = self.hangs.take().unwrap_or_else(|| {
            let (sender, receiver) = mpsc::channel();
            let path = self.path.clone();
            // Nobody may be waiting any more.
            std::thread::spawn(move || drop(sender.send(find(&path))));
            receiver
        });
        looked.recv_timeout(SHARE_WAIT).unwrap_or_else(|_| {
            self.hangs = Some(looked);
            Err(StatusError::Hangs { path: shown(&self.path) })
        })
    }
}

fn once(args: &StatusArgs, looker: &mut Looker, colour: bool, out: &mut dyn Write) -> Exit {
    let found = match looker.look() {
        Ok(found) => found,
        Err(error) => {
            if args.json {
                let told = json!({"word": "stale", "reason": error.to_string(), "advice": error.advice()});
                say(out, &format!("{told}\n"));
            } else {
                complain(&error, error.advice());
            }
            return Exit::Stale;
        }
    };
    let now = clock::utc();
    let times = found.times();
    let freshness = times.map(|(written, valid_until)| Freshness::of(written, valid_until, now));
    let reproach = match (freshness, times) {
        (Some(freshness), Some((written, _))) => freshness.reproach(written, now),
        _ => Some("Its times can't be read, so its age is unknown.".to_owned()),
    };
    let word = if reproach.is_some() { "stale" } else { found.word() };
    if args.json {
        say(out, &format!("{}\n", as_json(&found, word, reproach.as_deref(), freshness)));
    } else {
        let reproach = reproach.as_ref().map(|why| format!("{}: STALE\n{why}\n\n", found.label()));
        let told = format!("{}{}", reproach.unwrap_or_default(), text(&found));
        say(out, &if colour { painted(&told, word) } else { told });
    }
    match word {
        "fine" => Exit::Good,
        "look" => Exit::Look,
        "act" => Exit::Act,
        _ => Exit::Stale,
    }
}

fn text(found: &Told) -> String {
    match found {
        Told::Health(body) => show::text(body),
        Told::Public(public) => format!(
            "{}: {}\nWritten {}. Good until {}. More is for those who may read the folder health \
             (group pintle-read).\n",
            found.label(),
            printable(&public.word.to_uppercase(), 10),
            printable(&public.written, 30),
            printable(&public.valid_until, 30)
        ),
    }
}

fn as_json(found: &Told, word: &str, reproach: Option<&str>, freshness: Option<Freshness>) -> Value {
    let age_s = match freshness {
        Some(Freshness::Good { age_ms, .. } | Freshness::Stale { age_ms }) => Some(age_ms / 1000),
        Some(Freshness::ClockFault { .. }) | None => None,
    };
    let mut told = json!({"word": word, "label": found.label(), "age_s": age_s, "reason": reproach});
    if let (Told::Health(body), Some(told)) = (found, told.as_object_mut()) {
        told.insert("health".to_owned(), serde_json::to_value(body).unwrap_or_default());
    }
    told
}

/// The first of the places where a state may lie: the file itself, the folder, the folders below a runtime folder.
fn find(path: &Path) -> Result<Told, StatusError> {
    let places = ["health.json", "health/health.json", "status.json", "public/status.json"];
    if !path.is_dir() {
        return read(path);
    }
    let mut first = None;
    for place in places {
        match read(&path.join(place)) {
            Err(error @ StatusError::Unreadable { .. }) => {
                first.get_or_insert(error);
            }
            other => return other,
        }
    }
    // The list of places is not empty, so there is a first error.
    let nothing = || NotTold::NotOurs { detail: "nothing was looked for".to_owned() };
    Err(first.unwrap_or_else(|| StatusError::NotTold { path: shown(path), source: nothing() }))
}

fn shown(path: &Path) -> String {
    printable(&path.to_string_lossy(), 200)
}

fn read(path: &Path) -> Result<Told, StatusError> {
    let unreadable = |source| StatusError::Unreadable { path: shown(path), source };
    let mut bytes = Vec::new();
    // A pipe or a device would be waited for.
    if !std::fs::metadata(path).map_err(unreadable)?.is_file() {
        let source = NotTold::NotOurs { detail: "it is no plain file".to_owned() };
        return Err(StatusError::NotTold { path: shown(path), source });
    }
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(BYTES_MAX + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if BYTES_MAX < u64::try_from(bytes.len()).unwrap_or(u64::MAX) {
        return Err(StatusError::TooLarge { path: shown(path) });
    }
    Told::parse(&bytes).map_err(|source| StatusError::NotTold { path: shown(path), source })
}

/// Who stops reading has seen enough; the exit code still tells.
fn say(out: &mut dyn Write, text: &str) {
    drop(out.write_all(text.as_bytes()).and_then(|()| out.flush()));
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health::HealthBody;

    /// The health file of a scene, written `ago_ms` before now.
    fn written(mut scene: Scene, ago_ms: i64) -> HealthBody {
        scene.now.utc = clock::utc().plus_ms(-ago_ms);
        let told = snapshot(&scene.observations(), &mut Memory::default());
        HealthBody::new(&scene.observations(), &told, 7)
    }

    fn args(path: &Path) -> StatusArgs {
        StatusArgs {
            path: Some(path.to_owned()),
            json: false,
            test_alert: false,
            wait: 60,
            config: None,
            socket: None,
            watch: None,
        }
    }

    fn told(text: &str, json: bool) -> (Exit, String) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("health")).unwrap();
        std::fs::write(folder.path().join("health/health.json"), text).unwrap();
        let mut out = Vec::new();
        let exit = status(&StatusArgs { json, ..args(folder.path()) }, &mut out);
        (exit, String::from_utf8(out).unwrap())
    }

    fn body_told(body: &HealthBody) -> (Exit, String) {
        told(&serde_json::to_string(body).unwrap(), false)
    }

    #[test]
    fn exit_code_is_the_word() {
        assert_eq!(body_told(&written(Scene::standing(), 1000)).0, Exit::Good);
        assert_eq!(body_told(&written(Scene::empty(), 1000)).0, Exit::Look);
        let (exit, text) = body_told(&written(Scene::after_tow(), 1000));
        assert_eq!(exit, Exit::Act);
        assert!(text.starts_with("Heron 3: ACT\nConfirm the place lines of Camera 1 and Camera 2.\n"), "{text}");
    }

    #[test]
    fn state_past_its_time_is_stale_however_fine_it_was() {
        let (exit, text) = body_told(&written(Scene::standing(), 9_600_000));
        assert_eq!(exit, Exit::Stale);
        assert!(text.starts_with("Heron 3: STALE\nSilent for 2 h 40 min. What follows was true at "), "{text}");
    }

    #[test]
    fn state_from_the_future_is_a_clock_fault_and_not_fresh() {
        let (exit, text) = body_told(&written(Scene::standing(), -60_500));
        assert_eq!(exit, Exit::Stale);
        assert!(text.contains("Clock fault"), "{text}");
    }

    #[test]
    fn other_versions_and_other_files_are_told_apart() {
        let mut body = written(Scene::standing(), 0);
        body.format = "pintle.health.v2".to_owned();
        let (exit, text) = told(&serde_json::to_string(&body).unwrap(), true);
        assert_eq!(exit, Exit::Stale);
        assert!(text.contains("it comes from a newer Pintle"), "{text}");
        for (other, want) in
            [("{\"format\":\"pintle.health.v0\"}", "an older"), ("{}", "names no format"), ("nonsense", "line 1")]
        {
            let (exit, text) = told(other, true);
            assert!(exit == Exit::Stale && text.contains(want), "{text}");
        }
    }

    #[test]
    fn half_a_file_is_never_believed() {
        let whole = serde_json::to_string(&written(Scene::standing(), 0)).unwrap();
        for part in 1..8 {
            assert_eq!(told(&whole[..whole.len() * part / 8], false).0, Exit::Stale);
        }
    }

    #[test]
    fn public_file_tells_the_word_when_the_rest_is_not_to_be_read() {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in show::public_files(&written(Scene::after_tow(), 0)).unwrap() {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let mut out = Vec::new();
        let exit = status(&args(folder.path()), &mut out);
        assert_eq!(exit, Exit::Act);
        assert!(String::from_utf8(out).unwrap().starts_with("Heron 3: ACT\nWritten "));
    }

    #[test]
    fn machine_gets_word_age_and_the_whole_state() {
        let (exit, text) = told(&serde_json::to_string(&written(Scene::after_tow(), 5000)).unwrap(), true);
        let told: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(exit, Exit::Act);
        assert_eq!((&told["word"], told["age_s"].as_u64()), (&json!("act"), Some(5)));
        assert_eq!(told["health"]["needs"][0]["code"], "lines.unconfirmed");
    }

    #[test]
    fn colour_is_only_in_the_first_line_and_takes_no_word_away() {
        let told = painted("Heron 3: ACT\nConfirm.\n", "act");
        assert_eq!(told, "\u{1b}[1;97;45mHeron 3: ACT\u{1b}[0m\nConfirm.\n");
        let (_, plain) = body_told(&written(Scene::after_tow(), 1000));
        assert!(!plain.contains('\u{1b}'), "a pipe gets no colour");
    }

    #[test]
    fn hostile_file_reaches_no_terminal() {
        let mut body = written(Scene::standing(), 0);
        body.trailer.label = "a\u{1b}[2J\u{202e}".to_owned();
        body.sentence = "\u{1b}]0;x\u{7}".to_owned();
        let (_, text) = body_told(&body);
        assert!(text.chars().all(|c| c == '\n' || (!c.is_control() && c != '\u{202e}')), "{text:?}");
    }
}
