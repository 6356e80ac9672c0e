//! The socket on which chrony takes samples of a reference clock: datagrams without a connection, never waited for.

use std::io;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};

/// Sends samples to one socket of chrony.
#[derive(Debug)]
pub struct ChronySocket {
    path: PathBuf,
    socket: Option<UnixDatagram>,
}

/// Why nobody took a sample. Every text names the path.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChronyError {
    /// Nothing is at the path: chrony makes its socket when it starts.
    #[error("{} is not there", .0.display())]
    NotThere(PathBuf),
    /// It is there and nobody listens: chrony has ended without taking it away.
    #[error("nobody listens on {}", .0.display())]
    NotListening(PathBuf),
    /// The user of this process may not write to it.
    #[error("the agent may not write to {}", .0.display())]
    NotPermitted(PathBuf),
    /// It listens and takes nothing.
    #[error("{} takes no more: its reader has stopped", .0.display())]
    Full(PathBuf),
    /// Anything else; the system's own words.
    #[error("{} takes no sample: {detail}", .path.display())]
    Other {
        /// Which path.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
}

impl ChronyError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NotThere(_) => {
                "look whether chronyd runs and has a line `refclock SOCK` with this path; `systemctl status chrony`"
            }
            Self::NotListening(_) | Self::Full(_) => "look at chronyd: `systemctl status chrony`, and start it again",
            Self::NotPermitted(_) => {
                "chronyd makes its socket for root only: let the unit hand it to group pintle (OPERATIONS, Clock)"
            }
            Self::Other { .. } => "write the path of a `refclock SOCK` of chrony.conf into gps.chrony_sock",
        }
    }
}

impl ChronySocket {
    /// Nothing is opened before the first sample.
    #[must_use]
    pub fn at(path: &Path) -> Self {
        Self { path: path.to_owned(), socket: None }
    }

    /// Sends one sample and never waits. A chrony that was started anew gets the next one.
    ///
    /// # Errors
    /// [`ChronyError`]: nobody took it.
    pub fn send(&mut self, sample: &[u8]) -> Result<(), ChronyError> {
        let sent = match &self.socket {
            Some(socket) => socket.send_to(sample, &self.path),
            None => open().and_then(|socket| self.socket.insert(socket).send_to(sample, &self.path)),
        };
        let Err(error) = sent else { return Ok(()) };
        let path = self.path.clone();
        Err(match error.kind() {
            io::ErrorKind::NotFound => ChronyError::NotThere(path),
            io::ErrorKind::ConnectionRefused => ChronyError::NotListening(path),
            io::ErrorKind::PermissionDenied => ChronyError::NotPermitted(path),
            io::ErrorKind::WouldBlock => ChronyError::Full(path),
            _ => ChronyError::Other { path, detail: error.to_string() },
        })
    }
}

fn open() -> io::Result<UnixDatagram> {
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    Ok(socket)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_socket_that_is_missing_dead_full_or_none_is_told_apart_and_a_new_one_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sock");
        let mut feed = ChronySocket::at(&path);
        assert_eq!(feed.send(b"x"), Err(ChronyError::NotThere(path.clone())));
        let reader = UnixDatagram::bind(&path).unwrap();
        assert_eq!(feed.send(b"first"), Ok(()));
        let mut buffer = [0; 16];
        assert_eq!(reader.recv(&mut buffer).unwrap(), 5);
        let full = (0..100_000).find_map(|_| feed.send(b"x").err());
        assert_eq!(full, Some(ChronyError::Full(path.clone())));
        drop(reader);
        assert_eq!(feed.send(b"x"), Err(ChronyError::NotListening(path.clone())));
        std::fs::remove_file(&path).unwrap();
        let _again = UnixDatagram::bind(&path).unwrap();
        assert_eq!(feed.send(b"x"), Ok(()));
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, b"").unwrap();
        let error = feed.send(b"x").unwrap_err();
        assert!(error.to_string().contains("sock") && !error.advice().is_empty(), "{error}");
    }
}
