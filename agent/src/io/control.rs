//! The control socket, both ends: who may connect, how a line is framed, how long anybody may take.

use nix::unistd::Group;
use std::io::{self, BufRead as _, Write as _};
use std::os::unix::fs::{FileTypeExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{UnixListener, UnixStream};

/// Owner and group may use it, nobody else (design, "Control").
const SOCKET_MODE: u32 = 0o660;

/// Why the socket can't be opened.
#[derive(Debug, thiserror::Error)]
pub enum ControlSocketError {
    /// Something else lies in its place.
    #[error("{path} is there and is no socket", path = path.display())]
    NoSocket {
        /// Where.
        path: PathBuf,
    },
    /// Another process answers there.
    #[error("another agent answers at {path}", path = path.display())]
    InUse {
        /// Where.
        path: PathBuf,
    },
    /// No such group.
    #[error("there is no group {name}")]
    NoGroup {
        /// `control.group`.
        name: String,
    },
    /// The system refused.
    #[error("the control socket {path} can't be made: {source}", path = path.display())]
    System {
        /// Where.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl ControlSocketError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoSocket { .. } => "move that file away; the agent never deletes what is not its own",
            Self::InUse { .. } => "stop the other agent first, or give this one a control.socket of its own",
            Self::NoGroup { .. } => "make the group (systemd/pintle.sysusers.conf), or take control.group out",
            Self::System { .. } => "look at the folder's rights and at control.group; `pintle check` tells more",
        }
    }
}

/// The listening socket; its file goes with it.
#[derive(Debug)]
pub struct ControlSocket {
    listener: UnixListener,
    path: PathBuf,
}

impl Drop for ControlSocket {
    fn drop(&mut self) {
        if let Err(source) = std::fs::remove_file(&self.path) {
            tracing::debug!(%source, "the control socket was gone already");
        }
    }
}

impl ControlSocket {
    /// Binds beside its place and moves it there with the right group and mode, so that it is never open to more. What
    /// a killed agent has left behind is replaced; a socket that answers is not.
    ///
    /// # Errors
    /// [`ControlSocketError`]
    pub fn listen(path: &Path, group: Option<&str>) -> Result<Self, ControlSocketError> {
        let system = |source: io::Error| ControlSocketError::System { path: path.to_owned(), source };
        match std::fs::symlink_metadata(path) {
            Ok(there) if !there.file_type().is_socket() => {
                return Err(ControlSocketError::NoSocket { path: path.to_owned() });
            }
            Ok(_) if std::os::unix::net::UnixStream::connect(path).is_ok() => {
                return Err(ControlSocketError::InUse { path: path.to_owned() });
            }
            _ => {}
        }
        let mut beside = path.as_os_str().to_owned();
        beside.push(".new");
        let beside = PathBuf::from(beside);
        match std::fs::remove_file(&beside) {
            Err(source) if source.kind() != io::ErrorKind::NotFound => return Err(system(source)),
            _ => {}
        }
        let listener = UnixListener::bind(&beside).map_err(system)?;
        if let Some(name) = group {
            let found = Group::from_name(name).map_err(|error| system(error.into()))?;
            let group = found.ok_or_else(|| ControlSocketError::NoGroup { name: name.to_owned() })?;
            nix::unistd::chown(&beside, None, Some(group.gid)).map_err(|error| system(error.into()))?;
        }
        std::fs::set_permissions(&beside, std::fs::Permissions::from_mode(SOCKET_MODE)).map_err(system)?;
        std::fs::rename(&beside, path).map_err(system)?;
        Ok(Self { listener, path: path.to_owned() })
    }

    /// The next caller. Cancel safe.
    ///
    /// # Errors
    /// Whatever the system says, for example too many open files: wait a moment and go on.
    pub async fn accept(&self) -> io::Result<Caller> {
        let (stream, _) = self.listener.accept().await?;
        let peer = stream.peer_cred()?;
        Ok(Caller { stream, uid: peer.uid(), pid: peer.pid(), unread: Vec::new() })
    }
}

/// What came instead of a line.
#[derive(Debug, thiserror::Error)]
pub enum NoLine {
    /// The caller has hung up.
    #[error("the caller has hung up")]
    End,
    /// More bytes without an end than a line may have.
    #[error("the line is too long")]
    TooLong,
    /// The system refused.
    #[error(transparent)]
    System(#[from] io::Error),
}

/// One connected caller.
#[derive(Debug)]
pub struct Caller {
    stream: UnixStream,
    /// User of the calling process, as the kernel says.
    pub uid: u32,
    /// The calling process, if the kernel says.
    pub pid: Option<i32>,
    unread: Vec<u8>,
}

impl Caller {
    /// The next line without its end. Cancel safe: what has been read stays.
    ///
    /// # Errors
    /// [`NoLine`]
    pub async fn line(&mut self, bytes_max: usize) -> Result<Vec<u8>, NoLine> {
        loop {
            if let Some(end) = self.unread.iter().position(|byte| *byte == b'\n') {
                let rest = self.unread.split_off(end + 1);
                let mut line = std::mem::replace(&mut self.unread, rest);
                line.truncate(end);
                return Ok(line);
            }
            if bytes_max <= self.unread.len() {
                return Err(NoLine::TooLong);
            }
            if self.stream.read_buf(&mut self.unread).await? == 0 {
                return Err(NoLine::End);
            }
        }
    }

    /// Sends one line; its end is added.
    ///
    /// # Errors
    /// Whatever the system says.
    pub async fn answer(&mut self, mut line: Vec<u8>) -> io::Result<()> {
        line.push(b'\n');
        self.stream.write_all(&line).await
    }
}

/// Why a command got no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// Nobody listens.
    #[error("no agent is running at {path}", path = path.display())]
    NoAgent {
        /// The socket.
        path: PathBuf,
    },
    /// Not allowed to use it.
    #[error("you may not use {path}", path = path.display())]
    NotAllowed {
        /// The socket.
        path: PathBuf,
    },
    /// It is there but gave no whole answer.
    #[error("the agent at {path} did not answer: {detail}", path = path.display())]
    NoAnswer {
        /// The socket.
        path: PathBuf,
        /// What happened.
        detail: String,
    },
}

impl AskError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoAgent { .. } => {
                "start it (`systemctl start pintle`), or name the configuration that it runs on with --config FILE"
            }
            Self::NotAllowed { .. } => {
                "use an account in the group of the socket (control.group, by custom pintle-operate)"
            }
            Self::NoAnswer { .. } => "try again; if it stays so, `journalctl -u pintle` says what the agent is doing",
        }
    }
}

/// Sends one line and waits for the line that answers it. For commands: it blocks.
///
/// # Errors
/// [`AskError`]
pub fn ask(socket: &Path, line: &str, wait: Duration) -> Result<Vec<u8>, AskError> {
    let path = socket.to_owned();
    let stream = match std::os::unix::net::UnixStream::connect(socket) {
        Ok(stream) => stream,
        Err(error) => {
            return Err(match error.kind() {
                io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => AskError::NoAgent { path },
                io::ErrorKind::PermissionDenied => AskError::NotAllowed { path },
                _ => AskError::NoAnswer { path, detail: error.to_string() },
            });
        }
    };
    let talk = || -> io::Result<Vec<u8>> {
        stream.set_read_timeout(Some(wait))?;
        stream.set_write_timeout(Some(wait))?;
        (&stream).write_all(format!("{line}\n").as_bytes())?;
        let mut answer = Vec::new();
        io::BufReader::new(&stream).read_until(b'\n', &mut answer)?;
        if answer.pop() != Some(b'\n') {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        Ok(answer)
    };
    talk().map_err(|error| {
        let detail = match error.kind() {
            io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => format!("nothing within {} s", wait.as_secs()),
            _ => error.to_string(),
        };
        AskError::NoAnswer { path: socket.to_owned(), detail }
    })
}
