//! `pintle demo`: a simulated trailer around the real binary. The agent, the receiver and the page run as processes
//! of their own;
//! the demo drives them from outside and judges by the simulator's track and the receiver's database alone.

mod cameras;
pub mod feed;
mod records;
mod relay;
mod rig;
mod story;

use crate::exit::Exit;
use anyhow::Context;
use pintle_core::geo::LatLon;
use pintle_core::moment::{Mono, Utc};
use pintle_core::sim::judge::{Deeds, Verdict, judge};
use pintle_core::sim::track::{Leg, Phase, Track};
use pintle_core::sim::traffic;
use records::{Records, Spoil};
use rig::{Rig, SETTLE_S};
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;
use story::Story;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt};
use tokio_util::sync::CancellationToken;

/// Run a simulated trailer on this computer and judge whether anything was lost, doubled or wrongly stamped.
#[derive(Clone, Debug, clap::Args)]
pub struct DemoArgs {
    /// Length of the script, seconds.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u64).range(45..=3600))]
    seconds: u64,
    /// End with one JSON line {"summary": {…}} on standard output; the story goes to standard error.
    #[arg(long)]
    json: bool,
    /// Leave everything running afterwards, for a look at the page, until Ctrl-C.
    #[arg(long)]
    keep: bool,
    /// Another seed makes other cars and other GPS errors.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Damage the receiver's records before they are judged, to see that the judge finds it; several with commas.
    #[arg(long, value_enum, value_delimiter = ',')]
    spoil: Vec<Spoil>,
    /// Work in this folder and leave it there; by default in one that is removed at the end.
    #[arg(long)]
    folder: Option<PathBuf>,
}

/// When what happens, ms of the script.
struct Script {
    track: Track,
    lines_at_ms: u64,
    cut_ms: (u64, u64),
    end_ms: u64,
}

impl Script {
    fn new(seconds: u64) -> anyhow::Result<Self> {
        let end_ms = seconds * 1000;
        // A spot in the open sea: nobody lives there.
        let start = LatLon::new(44.5102, -38.1987).context("the start is no position")?;
        let stretch = Duration::from_secs(seconds).as_secs_f64() / 60.0;
        let legs = vec![
            Leg { azimuth_deg: 62.0, length_m: 130.0 * stretch },
            Leg { azimuth_deg: 345.0, length_m: 60.0 * stretch },
        ];
        let track = Track { start, tow_at_ms: end_ms * 45 / 100, legs, speed_mps: 16.0, accel_mps2: 3.0 };
        let cut_ms = (end_ms * 24 / 100, end_ms * 40 / 100);
        Ok(Self { track, lines_at_ms: end_ms * 19 / 100, cut_ms, end_ms })
    }
}

/// Runs the demo on a runtime of its own. A bad verdict is [`Exit::Look`]; a rig that can't be built is [`Exit::Act`].
#[must_use]
pub fn demo(args: DemoArgs) -> Exit {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    match runtime.context("no runtime can be started").and_then(|runtime| runtime.block_on(run(args))) {
        Ok(exit) => exit,
        Err(error) => {
            drop(writeln!(std::io::stderr().lock(), "The demo could not be run: {error:#}"));
            Exit::Act
        }
    }
}

async fn run(args: DemoArgs) -> anyhow::Result<Exit> {
    let temporary = tempfile::Builder::new().prefix("pintle-demo-").tempdir().context("no temporary folder")?;
    let folder = args.folder.clone().unwrap_or_else(|| temporary.path().to_owned());
    std::fs::create_dir_all(&folder).with_context(|| format!("no folder {}", folder.display()))?;
    let began = (crate::clock::mono(), crate::clock::utc());
    let script = Script::new(args.seconds)?;
    let mut story = Story::new(began.0, args.json);
    story.say(&format!(
        "A simulated trailer, Heron 3, in an invented town. It settles in {SETTLE_S} s here; on the road it takes 120 s."
    ));
    let line = feed::Line::open(&folder.join("gps0"))?;
    let stop = CancellationToken::new();
    // The simulated GPS receiver is a thread of its own: it has to end on every way out, or the demo would never end.
    let _stopped_at_the_end = stop.clone().drop_guard();
    let gps = line.link().to_owned();
    let feeding = {
        let (track, seed, stop) = (script.track.clone(), args.seed, stop.clone());
        tokio::task::spawn_blocking(move || line.speak(&track, seed, 5, began.0, &stop))
    };
    let mut rig = Rig::start(&folder, &gps).await?;
    story.tell("Agent, receiver and page are running; the GPS receiver speaks on a pseudo-terminal.");
    story.say(&format!("          The page: http://{}/, its PIN: {}", rig.page, rig.pin));

    let log = cameras::Log::default();
    let cars = traffic::cars(args.seed, cameras::CAMERAS.len(), script.end_ms, 5.0, 0.08);
    let engine = {
        let (socket, log, stop) = (rig.intake_socket(), log.clone(), stop.clone());
        tokio::spawn(async move { cameras::drive(&socket, cars, began, &log, &stop).await })
    };
    play(&script, began.0, &mut rig, &mut story, &log).await?;
    engine.await.context("the simulated engine broke off")??;
    let records = drain(&rig, &log, &mut story, began).await?;
    for spoil in &args.spoil {
        records.spoil(*spoil)?;
        story.tell(&format!("Spoilt on purpose: {}. The judge must find it.", spoil.told()));
    }
    let verdict = verdict(&records, &script, &log, began)?;
    conclude(&args, &rig, &story, &records, &verdict)?;
    if args.keep {
        story.say(&format!("Left running for a look at http://{}/ (PIN {}) until Ctrl-C.", rig.page, rig.pin));
        let config = rig.config();
        story.say(&format!("It runs in {}. Ask it from another terminal:", folder.display()));
        for command in ["status", "place list", "need list", "hold list"] {
            story.say(&format!("  pintle {command} --config {}", config.display()));
        }
        tokio::signal::ctrl_c().await?;
    }
    stop.cancel();
    rig.stop().await;
    feeding.await.context("the simulated GPS receiver broke off")?.context("the pseudo-terminal failed")?;
    Ok(if verdict.is_good() { Exit::Good } else { Exit::Look })
}

/// Plays the script to its end and tells it.
async fn play(
    script: &Script,
    began: Mono,
    rig: &mut Rig,
    story: &mut Story,
    log: &cameras::Log,
) -> anyhow::Result<()> {
    let (mut lines_written, mut cut, mut mended, mut phase) = (false, false, false, Phase::AtStart);
    loop {
        tokio::time::sleep(Duration::from_millis(200)).await;
        let now_ms = crate::clock::mono().since_ms(began);
        if let Some(why) = rig.dead_child() {
            anyhow::bail!(why);
        }
        if script.end_ms <= now_ms {
            return Ok(());
        }
        let health = health(rig);
        let state = health.pointer("/place/state").and_then(Value::as_str).unwrap_or("unknown").to_owned();
        let site = health.pointer("/place/site/id").and_then(Value::as_u64);
        if let (Some(site), "anchored") = (site, state.as_str()) {
            story.tell_once(&format!("The agent has found site {site}."));
        }
        // While the site is in doubt a line is refused; on a busy computer it is found a little later.
        if !lines_written && script.lines_at_ms <= now_ms && state == "anchored" {
            lines_written = true;
            write_lines(rig).await?;
            story.tell("An officer wrote a place line for each camera: Quernstone Road at Brackwater Lane.");
        }
        if !cut && script.cut_ms.0 <= now_ms {
            cut = true;
            rig.set_link(false)?;
            story.tell(&format!("{} reads taken so far. The link is cut.", log.taken().len()));
        }
        if !mended && script.cut_ms.1 <= now_ms {
            mended = true;
            let waiting = health.pointer("/ledger/waiting").and_then(Value::as_u64).unwrap_or(0);
            rig.set_link(true)?;
            story.tell(&format!("The link is back; {waiting} events wait on the disk."));
        }
        let truth = script.track.at(now_ms);
        if truth.phase != phase {
            phase = truth.phase;
            story.tell(match phase {
                Phase::AtStart => "The trailer stands.",
                Phase::Towed => "Somebody tows the trailer away while it reads.",
                Phase::AtEnd => "The trailer stands again, somewhere else.",
            });
        }
        if state == "underway" {
            story.tell_once("The agent has noticed: reads are stamped \"underway\" now.");
        }
        let word = health.pointer("/word").and_then(Value::as_str);
        if phase == Phase::AtEnd && state == "anchored" && word == Some("act") {
            let need = health.pointer("/needs/0/what").and_then(Value::as_str).unwrap_or("nothing");
            story.tell_once(&format!("Health says \"act\": {need}."));
        }
    }
}

/// The newest health file, or nothing.
fn health(rig: &Rig) -> Value {
    let read = std::fs::read(rig.health_folder().join("health.json"));
    read.ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or(Value::Null)
}

/// Writes a place line for each camera over the control socket, as `pintle place set` does.
async fn write_lines(rig: &Rig) -> anyhow::Result<()> {
    let directions = ["northbound", "southbound", "eastbound"];
    for ((camera, _), direction) in cameras::CAMERAS.iter().zip(directions) {
        let stream = tokio::net::UnixStream::connect(rig.control_socket()).await.context("no control socket")?;
        let (read, mut write) = stream.into_split();
        let args = json!({"camera": camera, "road": "Quernstone Road", "cross_street": "Brackwater Lane",
                          "direction": direction});
        let ask = json!({"do": "place.set", "by": "T. Wray (invented)", "args": args});
        write.write_all(format!("{ask}\n").as_bytes()).await?;
        let mut answer = String::new();
        let mut reader = tokio::io::BufReader::new(read);
        let reading = reader.read_line(&mut answer);
        tokio::time::timeout(Duration::from_secs(10), reading).await.context("the control socket gave no answer")??;
        let answer: Value = serde_json::from_str(&answer).context("the control socket gave no JSON")?;
        if answer.get("status").is_some() {
            anyhow::bail!("the place line of {camera} was refused: {answer}");
        }
    }
    Ok(())
}

/// Waits until the receiver has every read that was taken, at most 30 s, and the agent's queue is empty.
async fn drain(rig: &Rig, log: &cameras::Log, story: &mut Story, began: (Mono, Utc)) -> anyhow::Result<Records> {
    let records = Records::open(&rig.receiver_folder())?;
    let taken = log.taken().len();
    for _ in 0..150 {
        let waiting = health(rig).pointer("/ledger/waiting").and_then(Value::as_u64);
        if records.reads(began)?.len() >= taken && waiting == Some(0) {
            // One more turn, so that stamps which were decided last are there too.
            tokio::time::sleep(Duration::from_millis(1200)).await;
            if health(rig).pointer("/ledger/waiting").and_then(Value::as_u64) == Some(0) {
                return Ok(records);
            }
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    story.tell("The receiver has not got everything within 30 s.");
    Ok(records)
}

fn verdict(records: &Records, script: &Script, log: &cameras::Log, began: (Mono, Utc)) -> anyhow::Result<Verdict> {
    let (sequences, up_to) = records.sequences()?;
    let deeds = Deeds { outage_ms: script.cut_ms, lines_at_ms: Some(script.lines_at_ms) };
    Ok(judge(&script.track, &log.taken(), &records.reads(began)?, &sequences, up_to, deeds))
}

/// Tells the verdict, and the summary with `--json`.
fn conclude(args: &DemoArgs, rig: &Rig, story: &Story, records: &Records, verdict: &Verdict) -> anyhow::Result<()> {
    let latency = verdict.alert_latency_ms_p95.map_or("unknown".to_owned(), |ms| format!("{ms} ms"));
    story.say("");
    story.say(&format!("Reads taken                      {:>6}", verdict.reads_taken));
    story.say(&format!("Reads at the receiver            {:>6}", verdict.reads_received));
    story.say(&format!("Doubles there                    {:>6}", verdict.duplicates_visible));
    story.say(&format!("Numbers missing there            {:>6}", verdict.sequences_missing));
    story.say(&format!("Stamped with a wrong place       {:>6}", verdict.reads_with_wrong_site));
    story.say(&format!("Stamped underway during the tow  {:>6}", verdict.reads_underway));
    story.say(&format!("Capture to receipt of hits, 95 % {latency:>9}"));
    for fault in verdict.faults.iter().take(20) {
        story.say(&format!("Fault: {fault}"));
    }
    story.say(if verdict.is_good() {
        "Nothing lost, nothing doubled, every place right."
    } else {
        "The judge says: not good."
    });
    if args.json {
        let health = health(rig);
        let summary = json!({"summary": {
            "good": verdict.is_good(),
            "reads_taken": verdict.reads_taken,
            "reads_received": verdict.reads_received,
            "duplicates_visible": verdict.duplicates_visible,
            "sequences_missing": verdict.sequences_missing,
            "reads_with_wrong_site": verdict.reads_with_wrong_site,
            "reads_underway": verdict.reads_underway,
            "sites": records.sites()?,
            "alert_latency_ms_p95": verdict.alert_latency_ms_p95,
            "faults": verdict.faults,
            "word": health.pointer("/word"),
        }});
        writeln!(std::io::stdout().lock(), "{summary}").context("standard output is closed")?;
    }
    Ok(())
}
