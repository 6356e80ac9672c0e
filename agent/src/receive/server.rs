//! Listens, does TLS, caps connections, and stops in order.

use super::http::{EVENTS_PATH, Limits, Service};
use super::places::Place;
use super::schema::{DatabaseError, FILE_NAME};
use super::store;
use super::stream::STREAM_PATH;
use super::timed::Timed;
use super::tokens::{Tokens, sources_of};
use crate::seal::{KeyFileError, Opener};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use nix::fcntl::{Flock, FlockArg};
use std::convert::Infallible;
use std::fs::{DirBuilder, File, OpenOptions, Permissions};
use std::io;
use std::net::SocketAddr;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// How long requests on their way may take after a stop was asked for (our own limit).
const STOP_WAIT: Duration = Duration::from_secs(5);
/// Pause after `accept` failed, as it does when the process is out of file descriptors (our own choice).
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Why the receiver can't start or go on.
#[derive(Debug, thiserror::Error)]
pub enum ReceiveError {
    /// Plates would cross a network in clear.
    #[error("{0} is not on this host, and there is no certificate: plates would cross the network in clear")]
    PlainOffLoopback(SocketAddr),
    /// The address can't be listened on.
    #[error("can't listen on {0}: {1}")]
    Listen(SocketAddr, io::Error),
    /// A broker's address on the command line is none.
    #[error("the broker's address can't be used: {0}")]
    Broker(&'static str),
    /// The data folder can't be made or locked.
    #[error("can't use the folder {0}: {1}")]
    Folder(PathBuf, io::Error),
    /// Another receiver holds the folder.
    #[error("another receiver is running on {0}")]
    InUse(PathBuf),
    /// A file named on the command line can't be read or is not what it should be.
    #[error("{what} {path}: {detail}")]
    File {
        /// Which of them.
        what: &'static str,
        /// Its path.
        path: PathBuf,
        /// What is wrong.
        detail: String,
    },
    /// Nothing in that folder says that it is a courier's stick.
    #[error("{0} is no courier's stick: it is not mounted there, or was never made one")]
    NoStick(PathBuf),
    /// A private key can't be used.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The database can't be used.
    #[error(transparent)]
    Database(#[from] DatabaseError),
    /// The runtime or the signals could not be set up.
    #[error("can't start: {0}")]
    Start(io::Error),
}

impl ReceiveError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::PlainOffLoopback(_) => "give --tls-cert and --tls-key, or listen on 127.0.0.1 or [::1]",
            Self::Listen(..) => "stop the program that has the port, or choose another with --listen",
            Self::Folder(..) => "make the folder, or give this user the right to write there",
            Self::Broker(_) => "write it like tls://a.example:4222,b.example:4222, or mqtts://broker.example",
            Self::InUse(_) => "stop the other receiver first, or choose another folder with --data",
            Self::File { .. } => "look at the path, its permissions and what is in it",
            Self::NoStick(_) => {
                "mount the stick and name its folder; a new one is made by `pintle receive --data FOLDER \
                 --courier-init STICK`"
            }
            Self::Key(error) => error.advice(),
            Self::Database(error) => error.advice(),
            Self::Start(_) => "look at the limits of this user (open files, threads)",
        }
    }
}

/// What a receiver is made of.
pub struct ReceiverSetup {
    /// Where to listen; port 0: any free one.
    pub listen: SocketAddr,
    /// Folder of the database; made if it is not there.
    pub folder: PathBuf,
    /// TLS, needed off loopback.
    pub tls: Option<Arc<rustls::ServerConfig>>,
    /// Token that every request must bring.
    pub token: Option<String>,
    /// Tokens that are bound to one source each.
    pub tokens: Option<Tokens>,
    /// Opens sealed reads.
    pub opener: Option<Opener>,
    /// What binds requests.
    pub limits: Limits,
}

/// A receiver that listens already and serves once [`Receiver::serve`] runs.
pub struct Receiver {
    listener: TcpListener,
    address: SocketAddr,
    tls: Option<TlsAcceptor>,
    limits: Limits,
    service: Arc<Service>,
    thread: JoinHandle<()>,
    /// Held until the process ends: two writers on one database would answer each other's repeats.
    _lock: Flock<File>,
}

impl Receiver {
    /// Opens the database and listens.
    ///
    /// # Errors
    /// [`ReceiveError`] if it can't be safe, durable or reachable.
    pub async fn bind(setup: ReceiverSetup) -> Result<Self, ReceiveError> {
        if setup.tls.is_none() && !setup.listen.ip().is_loopback() {
            return Err(ReceiveError::PlainOffLoopback(setup.listen));
        }
        let lock = claim(&setup.folder)?;
        let told = |error| ReceiveError::Listen(setup.listen, error);
        let listener = TcpListener::bind(setup.listen).await.map_err(told)?;
        let address = listener.local_addr().map_err(told)?;
        let (store, thread) = store::start(&setup.folder, setup.opener)?;
        let service = Arc::new(Service::new(store, setup.folder, (setup.token.as_deref(), setup.tokens), setup.limits));
        let tls = setup.tls.map(TlsAcceptor::from);
        Ok(Self { listener, address, tls, limits: setup.limits, service, thread, _lock: lock })
    }

    /// Where trailers send to.
    #[must_use]
    pub fn url(&self) -> String {
        let scheme = if self.tls.is_some() { "https" } else { "http" };
        format!("{scheme}://{}{EVENTS_PATH}", self.address)
    }

    /// What answers the requests; other ways of events into the same store go through it too.
    #[must_use]
    pub fn service(&self) -> Arc<Service> {
        Arc::clone(&self.service)
    }

    /// Serves until `stop`; then requests on their way end, what is stored is folded into the one file, and it returns.
    pub async fn serve(self, stop: CancellationToken) {
        let places = self.service.places();
        let tasks = TaskTracker::new();
        loop {
            let accepted = tokio::select! {
                () = stop.cancelled() => break,
                accepted = async {
                    places.room().await;
                    self.listener.accept().await
                } => accepted,
            };
            let Ok((stream, peer)) = accepted else {
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            };
            let place = places.enter(peer.ip());
            let (tls, service, limits, stop) = (self.tls.clone(), Arc::clone(&self.service), self.limits, stop.clone());
            let places = Arc::clone(&places);
            tasks.spawn(async move {
                tokio::select! {
                    () = place.give_way.cancelled() => {}
                    () = connection(stream, tls, service, limits, (stop, &place)) => {}
                }
                places.leave(&place);
            });
        }
        drop(places);
        drop(self.listener);
        tasks.close();
        if tokio::time::timeout(STOP_WAIT, tasks.wait()).await.is_err() {
            tracing::warn!("some requests did not end in time and were cut off; their trailers send them again");
        }
        // The last handle of the store goes with the service, unless a request that was cut off still holds one.
        drop(self.service);
        let thread = self.thread;
        let ended = tokio::task::spawn_blocking(move || thread.join());
        if tokio::time::timeout(STOP_WAIT, ended).await.is_err() {
            tracing::warn!("the database was not closed in time; what was answered is on the disk all the same");
        }
    }
}

/// Makes the folder for this user alone, and locks it.
pub(super) fn claim(folder: &Path) -> Result<Flock<File>, ReceiveError> {
    let told = |error| ReceiveError::Folder(folder.to_owned(), error);
    DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(told)?;
    let private =
        |name: &str| OpenOptions::new().create(true).append(true).mode(0o600).open(folder.join(name)).map_err(told);
    // The database and the files beside it take their mode from this one: only this user may read plates. Files that
    // were brought here by a copy lose the rights of others.
    private(FILE_NAME)?;
    for end in ["", "-wal", "-shm"] {
        match std::fs::set_permissions(folder.join(format!("{FILE_NAME}{end}")), Permissions::from_mode(0o600)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(told(error)),
            _ => {}
        }
    }
    Flock::lock(private("receiver.lock")?, FlockArg::LockExclusiveNonblock)
        .map_err(|_| ReceiveError::InUse(folder.to_owned()))
}

async fn connection(
    stream: TcpStream,
    tls: Option<TlsAcceptor>,
    service: Arc<Service>,
    limits: Limits,
    (stop, place): (CancellationToken, &Arc<Place>),
) {
    // An answer is one small write; waiting for company would only delay it. If it can't be set, answers are slower.
    drop(stream.set_nodelay(true));
    let Some(tls) = tls else {
        return http(stream, service, limits, None, (stop, place)).await;
    };
    // A handshake that fails is the peer's trouble and shows there; logging each would let a peer fill the disk.
    if let Ok(Ok(stream)) = tokio::time::timeout(limits.handshake_wait, tls.accept(stream)).await {
        let names = stream.get_ref().1.peer_certificates().and_then(|chain| chain.first()).map(sources_of);
        if names.as_ref().is_some_and(|names| !names.is_empty()) {
            place.is_known();
        }
        http(stream, service, limits, names.map(Arc::from), (stop, place)).await;
    }
}

async fn http<S>(
    stream: S,
    service: Arc<Service>,
    limits: Limits,
    names: Option<Arc<[String]>>,
    (stop, place): (CancellationToken, &Arc<Place>),
) where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (stopped, place) = (stop.clone(), Arc::clone(place));
    let answer = service_fn(move |request: hyper::Request<hyper::body::Incoming>| {
        let (service, names) = (Arc::clone(&service), names.clone());
        let stop = stopped.clone();
        if service.may_ask(&request, names.as_deref()) {
            place.is_known();
        }
        let (busy, place) = (place.request(), Arc::clone(&place));
        async move {
            let _busy = busy;
            let listens = request.uri().path() == STREAM_PATH;
            let answer = service.answer_or_stream(request, names.as_deref(), stop).await;
            if listens && answer.status().is_success() {
                place.stays();
            }
            Ok::<_, Infallible>(answer)
        }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_wait)
        .max_headers(64)
        .max_buf_size(64 * 1024)
        .serve_connection(TokioIo::new(Timed::new(stream, limits.write_wait)), answer);
    let mut connection = std::pin::pin!(connection);
    // Errors here are peers that hung up or spoke no HTTP: their trouble, not ours.
    tokio::select! {
        ended = connection.as_mut() => drop(ended),
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            drop(connection.await);
        }
    }
}
