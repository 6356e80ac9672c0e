//! One page: makes the channels, builds the parts, and names every edge of the flow. Nobody else knows who is
//! connected to whom.
//!
//! Views go through `watch` (only the newest counts), commands through bounded channels with a way back for the answer.

use crate::actors::asked::{self, AskedSetup};
use crate::actors::control::{self, ControlSetup, DutyDesk, ReadyDesk};
use crate::actors::duty::{self, DutySetup};
use crate::actors::forward::{self, ForwardSetup};
use crate::actors::health::{self, HealthSetup};
use crate::actors::heartbeat::Heartbeat;
use crate::actors::host::{self, HostSetup};
use crate::actors::images::{self, ImagesSetup};
use crate::actors::inputs::{self, InputsSetup};
use crate::actors::intake::{self, IntakeSetup};
use crate::actors::link::{self, LinkSetup};
use crate::actors::messages::{DutyRequest, PositionRequest, TickRequest};
use crate::actors::position::{self, PositionSetup};
use crate::actors::ready::{self, ReadySetup};
use crate::actors::retention::{self, RetentionSetup};
use crate::actors::upstream::{self, UpstreamSetup};
use crate::audit;
use crate::clock;
use crate::config::Config;
use crate::io::timesync;
use crate::lifecycle::supervise::{Board, Pace, keep_running};
use crate::lifecycle::watchdog::Watched;
use crate::lifecycle::{IntakeThread, Parts};
use crate::store::StoreHandle;
use pintle_core::cameras::IntakeView;
use pintle_core::forward::ForwardView;
use pintle_core::health::duty::DutyBook;
use pintle_core::health::ready::TickBook;
use pintle_core::health::{Facts, LifecycleView};
use pintle_core::host::HostView;
use pintle_core::inputs::InputsView;
use pintle_core::link::evidence::Traffic;
use pintle_core::link::{LinkReport, LinkView};
use pintle_core::moment::Moment;
use pintle_core::position::PositionView;
use pintle_core::wire::health::HealthBody;
use std::io;
use std::sync::Arc;
use tokio::sync::{Notify, broadcast, mpsc, watch};

/// Requests about place lines and tows that may wait for their owner (our own limit: people are slow).
const PLACE_REQUESTS_MAX: usize = 16;

/// News of the forwarder that may wait for the link watcher (our own limit: hints; the oldest are dropped).
const TRAFFIC_MAX: usize = 64;

/// All channels of the agent.
pub struct Wires {
    config: Config,
    facts: Facts,
    store: StoreHandle,
    board: Board,
    position: watch::Sender<Arc<PositionView>>,
    intake: watch::Sender<IntakeView>,
    forward: watch::Sender<ForwardView>,
    link: watch::Sender<LinkView>,
    link_report: watch::Sender<LinkReport>,
    traffic: broadcast::Sender<Traffic>,
    host: watch::Sender<HostView>,
    inputs: watch::Sender<InputsView>,
    asked: watch::Sender<Vec<String>>,
    health_wanted: Arc<Notify>,
    state: watch::Sender<Option<Arc<HealthBody>>>,
    lifecycle: watch::Receiver<LifecycleView>,
    places: watch::Sender<mpsc::Sender<PositionRequest>>,
    ticks: watch::Sender<Arc<TickBook>>,
    tick_owner: watch::Sender<mpsc::Sender<TickRequest>>,
    duty: watch::Sender<Arc<DutyBook>>,
    duty_owner: watch::Sender<mpsc::Sender<DutyRequest>>,
    intake_beat: Heartbeat,
    health_beat: Heartbeat,
    audit: audit::Log,
}

impl Wires {
    /// Makes the channels. `started` is when the process started.
    #[must_use]
    pub fn new(config: Config, store: StoreHandle, started: Moment) -> Self {
        let (lifecycle_sender, lifecycle) = watch::channel(LifecycleView::default());
        Self {
            facts: health::facts(&config, started),
            audit: audit::Log::at(config.trailer.state_dir.join("audit")),
            config,
            store,
            board: Board::new(lifecycle_sender, Pace::USUAL),
            position: watch::Sender::default(),
            intake: watch::Sender::default(),
            forward: watch::Sender::default(),
            link: watch::Sender::default(),
            link_report: watch::Sender::default(),
            traffic: broadcast::Sender::new(TRAFFIC_MAX),
            host: watch::Sender::default(),
            inputs: watch::Sender::default(),
            asked: watch::Sender::default(),
            health_wanted: Arc::default(),
            state: watch::Sender::default(),
            lifecycle,
            places: watch::Sender::new(mpsc::channel(PLACE_REQUESTS_MAX).0),
            ticks: watch::Sender::default(),
            tick_owner: watch::Sender::new(mpsc::channel(PLACE_REQUESTS_MAX).0),
            duty: watch::Sender::default(),
            duty_owner: watch::Sender::new(mpsc::channel(PLACE_REQUESTS_MAX).0),
            intake_beat: Heartbeat::default(),
            health_beat: Heartbeat::default(),
        }
    }

    /// Where restarts and safe mode are shown.
    #[must_use]
    pub fn board(&self) -> &Board {
        &self.board
    }

    /// What the watchdog looks at: the intake always, the health composer when it runs.
    #[must_use]
    pub fn watched(&self, safe_mode: bool) -> Vec<Watched> {
        let mut watched = vec![Watched::new("intake", &self.intake_beat)];
        if !safe_mode {
            watched.push(Watched::new("health", &self.health_beat));
        }
        watched
    }

    /// Waits until the intake takes reads.
    pub async fn intake_is_open(&self) {
        // The sender is ours, so the only end of this is that it opens.
        drop(self.intake.subscribe().wait_for(|view| view.open).await);
    }

    /// engine ─► intake ─► store; position ─► intake (stamps); intake ─► health. On a thread of its own.
    ///
    /// # Errors
    /// Whatever the system says of the new thread.
    pub fn start_intake(&self) -> io::Result<IntakeThread> {
        let (board, beat) = (self.board.clone(), self.intake_beat.clone());
        let (config, store) = (self.config.clone(), self.store.clone());
        let (position, view) = (self.position.subscribe(), self.intake.clone());
        IntakeThread::start(move |stop| {
            keep_running("intake", board, beat.clone(), stop, move |stop| {
                let setup = IntakeSetup {
                    intake: config.intake.clone(),
                    images: config.images.clone(),
                    spool: config.spool.clone().map(|spool| (spool, config.queue)),
                    ids_needed: config.queue.seal != crate::config::Seal::None,
                    cameras: config.cameras.clone(),
                    store: store.clone(),
                    position: position.clone(),
                    view: view.clone(),
                    heartbeat: beat.clone(),
                };
                async move { intake::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        })
    }

    /// retention ─► store, audit; position ─► retention (trust in the clock). In safe mode too: age limits are law.
    pub fn start_retention(&self, parts: &mut Parts) {
        let (beat, board) = (Heartbeat::default(), self.board.clone());
        let (store, position, audit) = (self.store.clone(), self.position.subscribe(), self.audit.clone());
        parts.add(|stop| {
            keep_running("retention", board, beat.clone(), stop, move |stop| {
                let setup = RetentionSetup {
                    store: store.clone(),
                    position: position.clone(),
                    audit: audit.clone(),
                    heartbeat: beat.clone(),
                };
                async move {
                    retention::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// images ─► store and its picture files.
    pub fn start_images(&self, parts: &mut Parts) {
        let (beat, board, store) = (Heartbeat::default(), self.board.clone(), self.store.clone());
        parts.add(|stop| {
            keep_running("images", board, beat.clone(), stop, move |stop| {
                let setup = ImagesSetup { store: store.clone(), heartbeat: beat.clone() };
                async move {
                    images::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// All that talks outward or watches, but for the health composer.
    pub fn start_outward(&self, parts: &mut Parts) {
        self.start_images(parts);
        self.start_position(parts);
        self.start_forward(parts);
        self.start_link(parts);
        self.start_host(parts);
        self.start_inputs(parts);
        self.start_ready(parts);
        self.start_duty(parts);
        self.start_control(parts);
        self.start_asked(parts);
        self.start_upstream(parts);
    }

    /// GPS receiver ─► position ─► intake (stamps), health; position ─► store (events, later stamps, its memory);
    /// control ─► position (place lines, tows); link ─► position (how often track points come); inputs ─► position
    /// (moving with a switch that forbids it).
    fn start_position(&self, parts: &mut Parts) {
        let (config, store, view) = (self.config.clone(), self.store.clone(), self.position.clone());
        let (places, link, beat) = (self.places.clone(), self.link.subscribe(), Heartbeat::default());
        let (inputs, boot_id) = (self.inputs.subscribe(), self.facts.boot_id.clone());
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("position", board, beat.clone(), stop, move |stop| {
                // A new start gets a new channel; whoever asks finds the newest one in `places`.
                let (owner, requests) = mpsc::channel(PLACE_REQUESTS_MAX);
                places.send_replace(owner);
                let setup = PositionSetup {
                    gps: config.gps.clone(),
                    position: config.position,
                    cameras: config.cameras.iter().map(|camera| camera.id.clone()).collect(),
                    trailer: config.trailer.id.clone(),
                    store: store.clone(),
                    requests,
                    link: link.clone(),
                    inputs: inputs.clone(),
                    boot_id: boot_id.clone(),
                    time_marker: timesync::MARKER.into(),
                    view: view.clone(),
                    heartbeat: beat.clone(),
                };
                async move { position::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }

    /// store ─► forward ─► receiver; link ─► forward (a hint when to try sooner); position ─► forward
    /// (trust in the clock); forward ─► health.
    fn start_forward(&self, parts: &mut Parts) {
        let (config, store, view) = (self.config.clone(), self.store.clone(), self.forward.clone());
        let (link, position, asked) = (self.link.subscribe(), self.position.subscribe(), self.asked.clone());
        let (beat, traffic, link_report) = (Heartbeat::default(), self.traffic.clone(), self.link_report.subscribe());
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("forward", board, beat.clone(), stop, move |stop| {
                let setup = ForwardSetup {
                    trailer: config.trailer.id.clone(),
                    receiver: config.receiver.clone(),
                    relay: config.urgent_relay.clone(),
                    images_mb_day: config.images.budget_mb_day,
                    store: store.clone(),
                    link: link.clone(),
                    link_report: link_report.clone(),
                    traffic: traffic.clone(),
                    position: position.clone(),
                    asked: asked.clone(),
                    view: view.clone(),
                    heartbeat: beat.clone(),
                };
                async move {
                    forward::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// link ─► forward, health, the lever; link ─► store (notices of its steps); forward ─► link (how its requests
    /// end), position ─► link (trust in the clock). Without a configured interface only the way of hits is measured.
    fn start_link(&self, parts: &mut Parts) {
        let (config, view, report) = (self.config.clone(), self.link.clone(), self.link_report.clone());
        let (traffic, position, beat) = (self.traffic.clone(), self.position.subscribe(), Heartbeat::default());
        let (board, store) = (self.board.clone(), self.store.clone());
        parts.add(|stop| {
            keep_running("link", board, beat.clone(), stop, move |stop| {
                let setup = LinkSetup {
                    link: config.link.clone(),
                    ladder: config.ladder.clone(),
                    store: store.clone(),
                    goal: link::goal(config.receiver.as_ref(), config.link.as_ref()),
                    hit_target_ms: config.hit_target_ms,
                    state_dir: config.trailer.state_dir.clone(),
                    traffic: traffic.subscribe(),
                    position: position.clone(),
                    view: view.clone(),
                    report: report.clone(),
                    heartbeat: beat.clone(),
                };
                async move {
                    link::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// host ─► health.
    fn start_host(&self, parts: &mut Parts) {
        let (view, beat) = (self.host.clone(), Heartbeat::default());
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("host", board, beat.clone(), stop, move |stop| {
                let setup = HostSetup { view: view.clone(), heartbeat: beat.clone() };
                async move {
                    host::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// switches ─► inputs ─► position, health.
    fn start_inputs(&self, parts: &mut Parts) {
        if self.config.inputs.is_empty() {
            return;
        }
        let (inputs, view, beat) = (self.config.inputs.clone(), self.inputs.clone(), Heartbeat::default());
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("inputs", board, beat.clone(), stop, move |stop| {
                let setup = InputsSetup { inputs: inputs.clone(), view: view.clone(), heartbeat: beat.clone() };
                async move {
                    inputs::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// control ─► owner of the ticks ─► store, health; position ─► it (ticks go with a move).
    fn start_ready(&self, parts: &mut Parts) {
        let (store, position, view) = (self.store.clone(), self.position.subscribe(), self.ticks.clone());
        let (owner, board, beat) = (self.tick_owner.clone(), self.board.clone(), Heartbeat::default());
        parts.add(|stop| {
            keep_running("ready", board, beat.clone(), stop, move |stop| {
                let (sender, requests) = mpsc::channel(PLACE_REQUESTS_MAX);
                owner.send_replace(sender);
                let setup = ReadySetup {
                    store: store.clone(),
                    position: position.clone(),
                    requests,
                    view: view.clone(),
                    heartbeat: beat.clone(),
                };
                async move { ready::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }

    /// control ─► keeper of duty and needs ─► store (also notices), health; position ─► it (trust in the clock).
    fn start_duty(&self, parts: &mut Parts) {
        let (store, position, view) = (self.store.clone(), self.position.subscribe(), self.duty.clone());
        let (owner, board, beat) = (self.duty_owner.clone(), self.board.clone(), Heartbeat::default());
        parts.add(|stop| {
            keep_running("duty", board, beat.clone(), stop, move |stop| {
                let (sender, requests) = mpsc::channel(PLACE_REQUESTS_MAX);
                owner.send_replace(sender);
                let setup = DutySetup {
                    store: store.clone(),
                    position: position.clone(),
                    requests,
                    view: view.clone(),
                    heartbeat: beat.clone(),
                };
                async move { duty::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }

    /// forward ─► asked (requests from afar) ─► store, control socket, audit. Without `[asked]` nobody listens.
    fn start_asked(&self, parts: &mut Parts) {
        if self.config.asked.is_none() {
            return;
        }
        let beat = Heartbeat::default();
        let setup = AskedSetup {
            asked: self.config.asked.clone(),
            trailer: self.config.trailer.id.clone(),
            cameras: self.config.cameras.iter().map(|camera| camera.id.clone()).collect(),
            control: self.config.control.socket.clone(),
            state_dir: self.config.trailer.state_dir.clone(),
            started: clock::mono(),
            store: self.store.clone(),
            position: self.position.subscribe(),
            audit: self.audit.clone(),
            came: self.asked.subscribe(),
            health_wanted: Arc::clone(&self.health_wanted),
            heartbeat: beat.clone(),
        };
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("asked", board, beat, stop, move |stop| {
                let setup = setup.clone();
                async move { asked::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }

    /// health ─► upstream ─► receiver; link ─► upstream (a hint); position ─► upstream (true time, for certificates);
    /// store ─► upstream (the numbers beside it); asked ─► upstream (before its time).
    fn start_upstream(&self, parts: &mut Parts) {
        let (config, store, state) = (self.config.clone(), self.store.clone(), self.state.subscribe());
        let (link, position) = (self.link.subscribe(), self.position.subscribe());
        let (beat, board) = (Heartbeat::default(), self.board.clone());
        let wanted = Arc::clone(&self.health_wanted);
        parts.add(|stop| {
            keep_running("upstream", board, beat.clone(), stop, move |stop| {
                let setup = UpstreamSetup {
                    trailer: config.trailer.id.clone(),
                    receiver: config.receiver.clone(),
                    every_s: config.health.upstream_s,
                    store: store.clone(),
                    position: position.clone(),
                    link: link.clone(),
                    health: state.clone(),
                    wanted: Arc::clone(&wanted),
                    heartbeat: beat.clone(),
                };
                async move {
                    upstream::run(setup, stop).await;
                    Ok(())
                }
            })
        });
    }

    /// people ─► control ─► owner of the place table and of the tow, audit; position, lifecycle, store ─► control
    /// (status).
    fn start_control(&self, parts: &mut Parts) {
        let beat = Heartbeat::default();
        let setup = ControlSetup {
            control: self.config.control.clone(),
            trailer: self.config.trailer.id.clone(),
            cameras: self.config.cameras.iter().map(|camera| camera.id.clone()).collect(),
            places: self.places.subscribe(),
            position: self.position.subscribe(),
            forward: self.forward.subscribe(),
            lifecycle: self.lifecycle.clone(),
            store: self.store.clone(),
            audit: self.audit.clone(),
            ready: ReadyDesk {
                facts: self.facts.clone(),
                intake: self.intake.subscribe(),
                forward: self.forward.subscribe(),
                link: self.link.subscribe(),
                ticks: self.ticks.subscribe(),
                owner: self.tick_owner.subscribe(),
            },
            duty: DutyDesk {
                book: self.duty.subscribe(),
                state: self.state.subscribe(),
                owner: self.duty_owner.subscribe(),
            },
            heartbeat: beat.clone(),
        };
        let board = self.board.clone();
        parts.add(|stop| {
            keep_running("control", board, beat, stop, move |stop| {
                let setup = setup.clone();
                async move { control::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }

    /// position, intake, forward, link, host, inputs, lifecycle, store ─► health ─► files ─► people.
    pub fn start_health(&self, parts: &mut Parts) {
        let (config, facts, store) = (self.config.clone(), self.facts.clone(), self.store.clone());
        let (position, intake, forward) =
            (self.position.subscribe(), self.intake.subscribe(), self.forward.subscribe());
        let (link, host, lifecycle) = (self.link.subscribe(), self.host.subscribe(), self.lifecycle.clone());
        let (inputs, ticks, duty) = (self.inputs.subscribe(), self.ticks.subscribe(), self.duty.subscribe());
        let link_report = self.link_report.subscribe();
        let state = self.state.clone();
        let (beat, board, audit) = (self.health_beat.clone(), self.board.clone(), self.audit.clone());
        parts.add(|stop| {
            keep_running("health", board, beat.clone(), stop, move |stop| {
                let setup = HealthSetup {
                    trailer: config.trailer.clone(),
                    health: config.health.clone(),
                    facts: facts.clone(),
                    store: store.clone(),
                    position: position.clone(),
                    intake: intake.clone(),
                    forward: forward.clone(),
                    link: link.clone(),
                    link_report: link_report.clone(),
                    host: host.clone(),
                    inputs: inputs.clone(),
                    lifecycle: lifecycle.clone(),
                    ticks: ticks.clone(),
                    duty: duty.clone(),
                    upstream: state.clone(),
                    audit: audit.clone(),
                    heartbeat: beat.clone(),
                };
                async move { health::run(setup, stop).await.map_err(|error| reason(&error, error.advice())) }
            })
        });
    }
}

/// An error with all that lies behind it, and what to do, in one sentence.
fn reason(error: &dyn std::error::Error, advice: &str) -> String {
    let mut text = error.to_string();
    let mut behind = error.source();
    while let Some(source) = behind {
        let more = source.to_string();
        // Some errors already say what lies behind them.
        if !text.contains(&more) {
            text = format!("{text}: {more}");
        }
        behind = source.source();
    }
    format!("{text}; {advice}")
}
