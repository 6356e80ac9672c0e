//! `pintle run`: the agent itself, as the systemd unit starts it.

use crate::cli::{CONFIG_PATH, complain};
use crate::clock;
use crate::config::{self, Config};
use crate::exit::Exit;
use crate::io::files::Claim;
use crate::lifecycle::crashes::{Crashes, SAFE_MODE_MS};
use crate::lifecycle::log::Bounded;
use crate::lifecycle::watchdog::tell;
use crate::lifecycle::{self, Parts, Running, StopSignals};
use crate::seal::{Keyring, KeyringError, Seal};
use crate::store::seal::Sealer;
use crate::store::{self, StoreHandle};
use crate::wiring::Wires;
use anyhow::Context as _;
use pintle_core::moment::UtcTrust;
use sd_notify::NotifyState;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tracing_subscriber::EnvFilter;

/// Arguments of `pintle run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// The configuration.
    #[arg(long, value_name = "FILE", default_value = CONFIG_PATH)]
    config: PathBuf,
}

/// Runs until SIGTERM or SIGINT. Ends with 78 for a wrong configuration, with 2 if the agent can't start.
#[must_use]
pub fn run(args: &RunArgs) -> Exit {
    let config = match config::read(&args.config) {
        Ok(config) => config,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Config;
        }
    };
    log_to_stdout();
    hide_what_panics_say();
    if rustls::crypto::aws_lc_rs::default_provider().install_default().is_err() {
        tracing::debug!("a provider of cryptography was there already");
    }
    tell(&[NotifyState::Status("opening the queue")]);
    for (folder, mode) in [(&config.trailer.state_dir, 0o750), (&config.trailer.runtime_dir, 0o755)] {
        if let Err(error) = make(folder, mode) {
            let what = format!("the folder {} can't be made: {error}", folder.display());
            complain(&what, "`pintle check` says which right is missing");
            return Exit::Act;
        }
    }
    // Before anything is made in the folder, keys among it.
    if let Err(error) = store::check_disk(&config.trailer.state_dir, &config.queue) {
        tell(&[NotifyState::Status("the data disk is not mounted: nothing is taken")]);
        complain(&error, error.advice());
        return Exit::Act;
    }
    let sealer = match sealer(&config) {
        Ok(sealer) => sealer,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Config;
        }
    };
    let now = clock::moment(UtcTrust::Unset);
    let store = match store::open_sealed(&config.trailer.state_dir, &config.queue, sealer, now) {
        Ok(store) => store,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Act;
        }
    };
    // Two agents in one runtime folder would take each other's sockets and health files.
    let _claim = match Claim::take(&config.trailer.runtime_dir) {
        Ok(claim) => claim,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Act;
        }
    };
    // Only the holder of the queue's lock counts crashes: another start beside a running agent is none.
    let crashes = Crashes::begin(&config.trailer.state_dir, clock::mono());
    match serve(config, &store, &crashes) {
        Ok(()) => {
            crashes.end();
            Exit::Good
        }
        Err(error) => {
            complain(&format!("{error:#}"), "`journalctl -u pintle` tells what came before");
            Exit::Act
        }
    }
}

fn serve(config: Config, store: &StoreHandle, crashes: &Crashes) -> anyhow::Result<()> {
    let crashes_max = usize::try_from(config.trailer.crashes_max).unwrap_or(usize::MAX);
    let label = config.trailer.label.clone();
    let wires = Wires::new(config, store.clone(), clock::moment(UtcTrust::Unset));
    let runtime = lifecycle::runtime().context("no runtime can be started")?;
    let served = runtime.block_on(async {
        let mut signals = StopSignals::new().context("signals can't be received")?;
        let intake = wires.start_intake().context("the intake's thread can't be started")?;
        let mut running = Running { intake, outward: Parts::default(), health: Parts::default() };
        wires.start_retention(&mut running.outward);
        if 0 < crashes.count() {
            wires.board().crashed(crashes.count());
        }
        let (mut stopped, mut told) = (false, false);
        if crashes_max <= crashes.count() {
            let why = format!(
                "safe mode: {} crashes within 10 min, so only intake and queue run for 10 min",
                crashes.count()
            );
            tracing::error!(why, "safe mode");
            wires.board().safe_mode(Some(why.clone()));
            // The health files say so, unless the crashes go on: then the composer is under suspicion too.
            if crashes.count() < 2 * crashes_max.max(1) {
                wires.start_health(&mut running.health);
                told = true;
            }
            let open = async || wires.intake_is_open().await;
            stopped = tokio::select! {
                () = signals.told() => true,
                () = lifecycle::watch_over(open, wires.watched(true), store.clone(), why) => false,
                () = tokio::time::sleep(Duration::from_millis(SAFE_MODE_MS)) => false,
            };
            wires.board().safe_mode(None);
        }
        if !stopped {
            wires.start_outward(&mut running.outward);
            if !told {
                wires.start_health(&mut running.health);
            }
            let open = async || wires.intake_is_open().await;
            tokio::select! {
                () = signals.told() => {}
                () = lifecycle::watch_over(open, wires.watched(false), store.clone(), format!("{label} takes reads")) => {}
            }
        }
        lifecycle::stop(running, store).await;
        Ok(())
    });
    // A thread that is stuck in the system must not keep the process from ending.
    runtime.shutdown_timeout(Duration::from_millis(500));
    served
}

/// Who seals, as the configuration says.
fn sealer(config: &Config) -> Result<Option<Box<dyn Sealer>>, KeyringError> {
    let folder = &config.trailer.state_dir;
    let Some(seal) = Seal::of(config.queue.seal, &config.seal, folder) else { return Ok(None) };
    if Keyring::disk_key_is_beside(folder, &seal) {
        tracing::warn!("the key of the disk lies on the disk that it protects: whoever takes it can read the plates");
    }
    let limits = store::shortest_limits(&config.queue);
    let keyring = Keyring::open(folder, &config.trailer.id.source(), &limits, seal)?;
    Ok(Some(Box::new(keyring)))
}

fn make(folder: &Path, mode: u32) -> std::io::Result<()> {
    std::fs::DirBuilder::new().recursive(true).mode(mode).create(folder)
}

/// Plain lines to stdout; the journal adds the time. `PINTLE_LOG` chooses what is told, for example
/// `info,pintle::actors::forward=debug`.
fn log_to_stdout() {
    let filter = EnvFilter::try_from_env("PINTLE_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let writer = Bounded::new(std::io::stdout);
    let log = tracing_subscriber::fmt().with_env_filter(filter).without_time().with_ansi(false).with_writer(writer);
    let log = log.try_init();
    if log.is_err() {
        complain(&"the log was started already", "nothing: this is no fault of the trailer");
    }
}

/// The words of a panic may hold what was being worked on, and that may be a plate. Only the place is told.
fn hide_what_panics_say() {
    std::panic::set_hook(Box::new(|panic| {
        let place = panic.location().map(|place| format!("{}:{}", place.file(), place.line())).unwrap_or_default();
        tracing::error!(place, "a part panicked");
    }));
}
