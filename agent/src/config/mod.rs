//! The configuration as the rest of the program sees it: typed, checked, complete. How it is read from the file is
//! in `file`.

mod file;
pub mod keys;
mod ladder;
mod mistakes;
mod reader;
pub mod receiver;
mod relay;
mod zone;

pub use file::{parse, read};
pub use mistakes::{ConfigError, Mistake};

use pintle_core::afar::Kind;
use pintle_core::health::zone::Zone;
use pintle_core::ids::{CameraId, TrailerId};
use pintle_core::inputs::InputKind;
use pintle_core::link::ladder::Rules;
use pintle_core::link::usage::Plan;
use pintle_core::queue::retention::Profiles;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Everything that `pintle run` needs to know.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// `[trailer]`
    pub trailer: Trailer,
    /// `[gps]`; `None`: not fitted.
    pub gps: Option<Gps>,
    /// `[position]`
    pub position: Position,
    /// `[intake]`
    pub intake: Intake,
    /// `[images]`
    pub images: Images,
    /// `[spool]`; `None`: reads come by the socket only.
    pub spool: Option<Spool>,
    /// `[[camera]]`, one to sixteen.
    pub cameras: Vec<Camera>,
    /// `[[input]]`; none: not fitted.
    pub inputs: Vec<Input>,
    /// `[queue]`
    pub queue: Queue,
    /// The files that `queue.seal` needs.
    pub seal: SealFiles,
    /// `[receiver]`; `None`: not fitted, reads wait.
    pub receiver: Option<Receiver>,
    /// `[urgent_relay]`; `None`: urgent events wait for the receiver.
    pub urgent_relay: Option<UrgentRelay>,
    /// `[asked]`; `None`: nothing from afar is carried out.
    pub asked: Option<Asked>,
    /// `[link]`; `None`: not fitted.
    pub link: Option<Link>,
    /// `[ladder]`; `None`: nothing is done against a broken link by itself.
    pub ladder: Option<Ladder>,
    /// `link.hit_target_s`: within this a hit should have its receipt, ms.
    pub hit_target_ms: u64,
    /// `[health]`
    pub health: Health,
    /// `[control]`
    pub control: Control,
}

/// Who this trailer is and where it keeps things.
#[derive(Clone, Debug, PartialEq)]
pub struct Trailer {
    /// `trailer.id`
    pub id: TrailerId,
    /// `trailer.label`: as painted on it.
    pub label: String,
    /// `trailer.zone`: for people's times; UTC without it.
    pub zone: Zone,
    /// `trailer.state_dir`: what must survive power loss.
    pub state_dir: PathBuf,
    /// `trailer.runtime_dir`: sockets and health files, in memory.
    pub runtime_dir: PathBuf,
    /// `trailer.crashes_max`: so many crashes within 10 min, and only intake and queue run for a while.
    pub crashes_max: u32,
}

/// What people at the agency may ask of the trailer by way of the receipts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// `asked.key_file`: the agency's public key for requests.
    pub key_file: PathBuf,
    /// `asked.allowed`: what may be asked for.
    pub allowed: Vec<Kind>,
}

/// The GPS receiver.
#[derive(Clone, Debug, PartialEq)]
pub struct Gps {
    /// `gps.device`: path, best a stable link.
    pub device: PathBuf,
    /// `gps.baud`: speed of the line, bit/s; `None`: it is found by trying.
    pub baud: Option<u32>,
    /// `gps.chrony_sock`: socket of chrony that gets the time of the GPS receiver; `None`: not used.
    pub chrony_sock: Option<PathBuf>,
}

/// Limits of the site keeper.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// `position.move_threshold_m`: farther than this from the anchor is another site, 25 to 500.
    pub move_threshold_m: f64,
    /// `position.settle_s`: how long it must stand before a site is found, 5 to 3600.
    pub settle_s: u32,
}

/// Where the recognition engine hands in its reads.
#[derive(Clone, Debug, PartialEq)]
pub struct Intake {
    /// `intake.socket`: path of the unix socket; `None`: none.
    pub socket: Option<PathBuf>,
    /// `intake.listen`: loopback address; `None`: none. Never anything but loopback.
    pub listen: Option<SocketAddr>,
    /// `intake.body_bytes_max`: one request, bytes.
    pub body_bytes_max: u64,
    /// `intake.batch_reads_max`: reads in one newline-delimited request.
    pub batch_reads_max: u32,
    /// `intake.connections_max`: open connections.
    pub connections_max: u32,
    /// `intake.request_wait_ms`: a request must be complete within this, ms.
    pub request_wait_ms: u64,
}

/// Pictures that come with reads.
#[derive(Clone, Debug, PartialEq)]
pub struct Images {
    /// `images.folder`: pictures that reads name by their path are taken from below it; `None`: none are.
    pub folder: Option<PathBuf>,
    /// `images.image_bytes_max`: one picture, bytes.
    pub image_bytes_max: u64,
    /// `images.read_bytes_max`: all pictures of one read, bytes.
    pub read_bytes_max: u64,
    /// `images.thumbnail_px`: longer side of a thumbnail, pixels; 0: none are made.
    pub thumbnail_px: u32,
    /// `images.budget_mb_day`: data that pictures may use in a UTC day, megabytes; 0: none are sent.
    pub budget_mb_day: u64,
}

/// The folder of reads as files.
#[derive(Clone, Debug, PartialEq)]
pub struct Spool {
    /// `spool.path`
    pub path: PathBuf,
    /// `spool.patience_s`: a file that can't be read as whole is refused after this, s.
    pub patience_s: u32,
}

/// One camera.
#[derive(Clone, Debug, PartialEq)]
pub struct Camera {
    /// `camera.id`
    pub id: CameraId,
    /// `camera.label`: what people call it.
    pub label: String,
}

/// A switch that says whether the trailer may be moved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Input {
    /// `input.kind`
    pub kind: InputKind,
    /// `input.path`: the file that says how it stands.
    pub path: PathBuf,
    /// `input.safe`: what the file holds when the trailer may be moved.
    pub safe: String,
}

/// How waiting reads are protected on the disk. No default on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seal {
    /// In clear; health says so.
    None,
    /// For this disk only, by the key in `queue.seal_key_file`.
    Disk,
    /// For the agencies whose public keys are in `queue.seal_keys`.
    Receiver,
}

/// The files that sealing needs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SealFiles {
    /// `queue.seal_keys`: public keys of the agencies, one to eight.
    pub keys: Vec<PathBuf>,
    /// `queue.seal_key_file`: the key of this disk.
    pub disk_key: Option<PathBuf>,
}

/// The queue on disk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Queue {
    /// `queue.seal`
    pub seal: Seal,
    /// `queue.commit_wait_ms`: ordinary reads may wait this long for company, ms, 0 to 2000.
    pub commit_wait_ms: u64,
    /// `queue.waiting_keep_s`: age limit of ordinary reads without a receipt, s.
    pub waiting_keep_s: u64,
    /// `queue.hit_waiting_keep_s`: the same for hits, s.
    pub hit_waiting_keep_s: u64,
    /// `queue.delivered_keep_s`: age limit of reads with a receipt, s.
    pub delivered_keep_s: u64,
    /// `queue.hit_delivered_keep_s`: the same for hits, s.
    pub hit_delivered_keep_s: u64,
    /// `queue.disk` = `own`: the queue is opened only if `trailer.state_dir` lies on another disk than the system.
    pub own_disk: bool,
    /// `queue.disk_free_min_mib`: below this much free space new reads are refused, MiB.
    pub disk_free_min_mib: u64,
    /// `queue.disk_warn_percent`: a disk that is fuller than this is told, %.
    pub disk_warn_percent: u64,
    /// `queue.disk_act_percent`: on a disk that is fuller than this, what was delivered goes before its time, %.
    pub disk_act_percent: u64,
    /// `queue.ballast_mib`: kept to be let go on a full disk, so that deleting has room to work in, MiB; 0: none.
    pub ballast_mib: u64,
    /// `queue.when_full`
    pub when_full: WhenFull,
    /// `queue.dedupe_keep_s`: ids of reads that went are remembered this long, s.
    pub dedupe_keep_s: u64,
    /// `[[profile]]`: places with age limits of their own.
    pub profiles: Profiles,
}

impl Queue {
    /// A queue that keeps for a day or a month, waits for nobody and asks no room of its disk: what tests begin from.
    pub const PLAIN: Self = Self {
        seal: Seal::None,
        commit_wait_ms: 0,
        waiting_keep_s: 30 * 86_400,
        hit_waiting_keep_s: 30 * 86_400,
        delivered_keep_s: 86_400,
        hit_delivered_keep_s: 86_400,
        own_disk: false,
        disk_free_min_mib: 0,
        disk_warn_percent: 100,
        disk_act_percent: 100,
        ballast_mib: 0,
        when_full: WhenFull::Refuse,
        dedupe_keep_s: 30 * 86_400,
        profiles: Profiles::NONE,
    };
}

/// What becomes of new reads when there is no room, though all that was delivered has gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenFull {
    /// They are refused, and the engine is told.
    Refuse,
    /// The oldest waiting ordinary reads go for them, then hits, and the ledger tells it.
    Evict,
}

/// What counts as delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// A receipt for each event.
    Receipts,
    /// Any 2xx; verified TLS only; health says "unproven".
    Status,
    /// The broker's acknowledgement; health says "unproven".
    Ack,
}

/// Who makes the stream on a NATS cluster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StreamMaker {
    /// The owner of the cluster: the trailer needs no rights but to publish and to hear its receipts.
    Owner,
    /// The trailer, if there is none.
    Trailer,
}

/// What matters only where events rest with somebody between the trailer and the agency.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broker {
    /// `trailer.state_dir`: the courier's key lies there.
    pub state_dir: PathBuf,
    /// `receiver.credentials_file`: NATS credentials, or the agency's public key for a courier; `None`: none.
    pub credentials_file: Option<PathBuf>,
    /// `receiver.subject`: first part of subjects and topics.
    pub subject: String,
    /// `receiver.stream`: name of the JetStream stream.
    pub stream: String,
    /// `receiver.stream_maker`
    pub stream_maker: StreamMaker,
    /// `receiver.receipt_wait_s`: after this without a receipt an event is handed over again, s.
    pub receipt_wait_s: u64,
    /// `receiver.handed_max`: events that may be handed over without a receipt.
    pub handed_max: u64,
    /// `receiver.gather_s`: so long what is not urgent gathers for one batch, s.
    pub gather_s: u64,
    /// `receiver.message_keep_s`: how long an MQTT broker keeps a message for a consumer that is away, s.
    pub message_keep_s: u64,
}

impl Default for Broker {
    fn default() -> Self {
        Self {
            state_dir: PathBuf::new(),
            credentials_file: None,
            subject: "pintle".to_owned(),
            stream: "PINTLE".to_owned(),
            stream_maker: StreamMaker::Owner,
            receipt_wait_s: 180,
            handed_max: 5000,
            gather_s: 0,
            message_keep_s: 7 * 86_400,
        }
    }
}

/// The agency's end.
#[derive(Clone, Debug, PartialEq)]
pub struct Receiver {
    /// `receiver.url`: https, tls (NATS), mqtts or file; http, nats and mqtt on loopback. See [`receiver::address`].
    pub url: String,
    /// `receiver.proof`
    pub proof: Proof,
    /// `receiver.ca_file`: PEM of the authority that signed the receiver's certificate; `None`: the host's own list.
    pub ca_file: Option<PathBuf>,
    /// `receiver.token_file`: bearer token; `None`: none is sent.
    pub token_file: Option<PathBuf>,
    /// `receiver.client_cert_file`: PEM chain shown to the receiver (mutual TLS).
    pub client_cert_file: Option<PathBuf>,
    /// `receiver.client_key_file`: its key.
    pub client_key_file: Option<PathBuf>,
    /// `receiver.batch_reads_max`: events in one request.
    pub batch_reads_max: u32,
    /// `receiver.batch_bytes_max`: bytes in one request.
    pub batch_bytes_max: u64,
    /// `receiver.answer_wait_ms`: a whole request may take this long, ms.
    pub answer_wait_ms: u64,
    /// `receiver.retry_ms_max`: longest pause between tries, ms.
    pub retry_ms_max: u64,
    /// The keys for brokers and couriers.
    pub broker: Broker,
}

/// The second receiver, for urgent events while the first one fails or is late.
#[derive(Clone, Debug, PartialEq)]
pub struct UrgentRelay {
    /// `urgent_relay.after_ms`: tried once the first has owed an answer for this long, ms.
    pub after_ms: u64,
    /// Where it is and how it is spoken to: always HTTPS with receipts, with files of its own.
    pub receiver: Receiver,
}

/// The tether.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    /// Which interface it is.
    pub pick: Pick,
    /// `link.sysfs_dir`: where the kernel tells of interfaces, `/sys/class/net`; another folder for tests and the demo.
    pub sysfs_dir: PathBuf,
    /// `link.others`: addresses that answer when the internet does; may be empty.
    pub others: Vec<(String, u16)>,
    /// `link.plan_gib` and `link.plan_day`; `None`: nobody counts.
    pub plan: Option<Plan>,
}

impl Link {
    /// A link of this kind with all else as it is by default.
    #[must_use]
    pub fn of(pick: Pick) -> Self {
        Self { pick, sysfs_dir: PathBuf::from("/sys/class/net"), others: Vec::new(), plan: None }
    }
}

/// What the agent may have done against a broken link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ladder {
    /// `ladder.socket`: where the lever listens.
    pub socket: PathBuf,
    /// The other keys.
    pub rules: Rules,
}

/// By what the tether's interface is known. Names change when a device is plugged in anew; the others stay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Pick {
    /// `link.usb_port`: the port of the USB device, as the kernel counts it.
    UsbPort(String),
    /// `link.mac`: its address on the cable.
    Mac(String),
    /// `link.driver`: the kernel's driver.
    Driver(String),
    /// `link.interface`: its present name.
    Name(String),
}

/// The health files.
#[derive(Clone, Debug, PartialEq)]
pub struct Health {
    /// `health.every_s`: seconds between two writings when nothing changes.
    pub every_s: u32,
    /// `health.valid_s`: how long a written state may be believed, s.
    pub valid_s: u32,
    /// `health.upstream_s`: the receiver hears the newest state at least this often, s; 0: never.
    pub upstream_s: u32,
    /// `health.group`: group that may read `health/`; `None`: the agent's own.
    pub group: Option<String>,
}

/// The control socket.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// `control.socket`
    pub socket: PathBuf,
    /// `control.group`: group that may use it; `None`: the agent's own.
    pub group: Option<String>,
}
