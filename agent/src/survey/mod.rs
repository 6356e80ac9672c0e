//! `pintle survey`: how many trailers are, worst first, and in which order to visit them. It reads health files from
//! folders, shares and pages, and asks no agent for anything.

mod gather;
mod sources;

use crate::clock;
use crate::exit::Exit;
use crate::show;
use gather::Limits;
use pintle_core::geo::LatLon;
use pintle_core::survey::{self as core, Standing, Trailer, Trip};
use std::io::{IsTerminal as _, Write};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Show how many trailers are, worst first, and in which order to visit them.
#[derive(Clone, Debug, clap::Args)]
pub struct SurveyArgs {
    /// Health files, folders (one trailer's, or one with a folder or file for each) and addresses of pages.
    #[arg(required_unless_present = "list", value_name = "FILE|DIR|URL")]
    sources: Vec<String>,
    /// A file that names one source a line; blank lines and lines that begin with # are left out.
    #[arg(long, value_name = "FILE")]
    list: Option<PathBuf>,
    /// A file with the bearer token for the pages.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// Certificates (PEM) that vouch for the pages; without it those of the system do.
    #[arg(long, value_name = "FILE")]
    ca_file: Option<PathBuf>,
    /// How long one trailer may take to answer, s.
    #[arg(long, value_name = "SECONDS", default_value_t = 4, value_parser = clap::value_parser!(u64).range(1..=60))]
    wait: u64,
    /// Where the trip begins and ends: latitude and longitude in degrees, for example 44.51,-38.20.
    #[arg(long, value_name = "LAT,LON", value_parser = position, allow_hyphen_values = true)]
    from: Option<LatLon>,
    /// One JSON object instead of text.
    #[arg(long, group = "shape")]
    json: bool,
    /// Comma-separated values for a spreadsheet.
    #[arg(long, group = "shape")]
    csv: bool,
    /// One page with a map of all.
    #[arg(long, group = "shape")]
    html: bool,
    /// Ask again every so many seconds until it is stopped.
    #[arg(long, value_name = "SECONDS", num_args = 0..=1, default_missing_value = "30", value_parser = clap::value_parser!(u64).range(2..=3600))]
    watch: Option<u64>,
    /// Write to this file instead of the terminal; it is replaced in one step.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Stack of a thread that reads one file (our own choice: what is parsed is at most 128 levels deep).
const THREAD_BYTES: usize = 512 * 1024;

/// Why no survey can be made.
#[derive(Debug, thiserror::Error)]
enum SurveyError {
    #[error("{what} = {path} can't be read: {source}")]
    File { what: &'static str, path: String, source: std::io::Error },
    #[error("{what} = {path} holds {why}")]
    Content { what: &'static str, path: String, why: &'static str },
    #[error("{count} sources are more than one survey reads ({max})")]
    TooMany { count: usize, max: usize },
    #[error("the survey can't start: {0}")]
    Start(std::io::Error),
    #[error("the client for pages can't be made: {0}")]
    Client(String),
    #[error("the survey can't be written: {0}")]
    Write(std::io::Error),
    #[error("the survey can't be shown: {0}")]
    Show(#[from] show::ShowError),
}

impl SurveyError {
    fn advice(&self) -> &'static str {
        match self {
            Self::File { .. } => "check that it is there and that you may read it",
            Self::Content { .. } => "put the right file there",
            Self::TooMany { .. } => "survey a part of them at a time",
            Self::Start(_) | Self::Client(_) => "look at the limits of this user (open files, processes)",
            Self::Write(_) => "is there room on the disk, and may you write there?",
            Self::Show(_) => "this is a fault of the program; tell the maker",
        }
    }
}

/// A finished survey.
struct Survey {
    trailers: Vec<Trailer>,
    trip: Trip,
    /// Indices into `trailers`, in the order of the trip's places.
    on_trip: Vec<usize>,
    now: pintle_core::moment::Utc,
    took: Duration,
}

fn position(text: &str) -> Result<LatLon, String> {
    let wrong = || "write latitude and longitude in degrees, for example 44.51,-38.20".to_owned();
    let (lat, lon) = text.split_once(',').ok_or_else(wrong)?;
    let number = |part: &str| part.trim().parse::<f64>().map_err(|_| wrong());
    LatLon::new(number(lat)?, number(lon)?).ok_or_else(wrong)
}

/// Makes the survey; the exit code is the worst that was found.
pub fn survey(args: &SurveyArgs, out: &mut dyn Write) -> Exit {
    let mut runtime = tokio::runtime::Builder::new_current_thread();
    // Each share that hangs keeps a thread, and the good ones behind it must find another. They are small, and made
    // only when they are needed.
    runtime.enable_all().max_blocking_threads(sources::SOURCES_MAX + 16).thread_stack_size(THREAD_BYTES);
    let runtime = runtime.build();
    let runtime = match runtime.map_err(SurveyError::Start) {
        Ok(runtime) => runtime,
        Err(error) => return complain(&error),
    };
    let exit = loop {
        match runtime.block_on(once(args)).and_then(|survey| tell(args, &survey, out).map(|()| survey)) {
            Ok(survey) => {
                let Some(pause_s) = args.watch else { break exit(&survey.trailers) };
                let stopped = runtime.block_on(async {
                    tokio::select! {
                        () = tokio::time::sleep(Duration::from_secs(pause_s)) => false,
                        stopped = tokio::signal::ctrl_c() => stopped.is_ok(),
                    }
                });
                if stopped {
                    break exit(&survey.trailers);
                }
            }
            Err(error) => break complain(&error),
        }
    };
    // A share that hangs keeps its thread; the survey does not wait for it.
    runtime.shutdown_background();
    exit
}

async fn once(args: &SurveyArgs) -> Result<Survey, SurveyError> {
    let started = tokio::time::Instant::now();
    let limits = Limits::for_wait(Duration::from_secs(args.wait));
    let sources = sources::expand(&args.sources, args.list.as_deref(), limits.each).await?;
    let reach = gather::Reach::new(args.ca_file.as_deref(), args.token_file.as_deref(), limits)?;
    let heard = gather::gather(sources, reach).await;
    let now = clock::utc();
    let trailers = heard.into_iter().map(|heard| core::judge(heard, now)).collect();
    let mut trailers = core::once_each(trailers);
    core::worst_first(&mut trailers);
    let visits = |trailer: &Trailer| trailer.standing != Standing::Fine && trailer.drive;
    let (on_trip, places): (Vec<usize>, Vec<LatLon>) =
        trailers.iter().enumerate().filter(|(_, t)| visits(t)).filter_map(|(at, t)| Some((at, t.at?))).unzip();
    let trip = core::trip(&places, args.from);
    Ok(Survey { trailers, trip, on_trip, now, took: started.elapsed() })
}

fn tell(args: &SurveyArgs, survey: &Survey, out: &mut dyn Write) -> Result<(), SurveyError> {
    let view = show::survey::View {
        trailers: &survey.trailers,
        trip: &survey.trip,
        on_trip: &survey.on_trip,
        from: args.from,
        now: survey.now,
        took_ms: u64::try_from(survey.took.as_millis()).unwrap_or(u64::MAX),
        good_for_s: args.watch.map_or(300, |pause_s| pause_s * 2 + args.wait + 10),
    };
    let text = match (args.json, args.csv, args.html) {
        (true, _, _) => show::survey::json(&view)?,
        (_, true, _) => show::survey::csv(&view),
        (_, _, true) => show::survey::html(&view)?,
        _ => show::survey::text(&view),
    };
    if let Some(path) = &args.out {
        return replace(path, text.as_bytes()).map_err(SurveyError::Write);
    }
    // A terminal is cleared between two surveys; a file or a pipe keeps them all.
    let clear = args.watch.is_some() && !args.json && std::io::stdout().is_terminal();
    let text = if clear { format!("\u{1b}[2J\u{1b}[H{text}") } else { text };
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // Who stops reading has seen enough; the exit code still tells.
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(SurveyError::Write(error)),
        _ => Ok(()),
    }
}

/// The old file or the new one, never half of it.
fn replace(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new().permissions(std::fs::Permissions::from_mode(0o644)).tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|error| error.error)?;
    Ok(())
}

fn exit(trailers: &[Trailer]) -> Exit {
    match trailers.iter().map(|trailer| trailer.standing).min() {
        Some(Standing::Fine) => Exit::Good,
        Some(Standing::Look) => Exit::Look,
        Some(Standing::Act) => Exit::Act,
        Some(Standing::Stale) | None => Exit::Stale,
    }
}

fn complain(error: &SurveyError) -> Exit {
    // Nobody is left to tell if stderr is gone.
    drop(writeln!(std::io::stderr().lock(), "pintle survey: {error}\n  what to do: {}", error.advice()));
    Exit::Usage
}
