//! The two doors: a unix socket and a loopback port.

use super::IntakeError;
use std::fs;
use std::io;
use std::net::SocketAddr;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::path::{Path, PathBuf};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream, UnixListener, UnixStream};

/// Owner and group may hand in reads, nobody else (source: design, "Control", for sockets in general).
const SOCKET_MODE: u32 = 0o660;

/// A listening unix socket; its file goes when it is dropped.
pub(super) struct Socket {
    pub(super) listener: UnixListener,
    path: PathBuf,
}

impl Drop for Socket {
    fn drop(&mut self) {
        if let Err(source) = fs::remove_file(&self.path) {
            tracing::debug!(%source, "the intake's socket was gone already");
        }
    }
}

/// What connections come from.
pub(super) trait Listens {
    /// One connection's stream.
    type Stream: AsyncRead + AsyncWrite + Unpin + Send + 'static;

    /// The next connection. Cancel safe.
    fn next(&self) -> impl Future<Output = io::Result<Self::Stream>> + Send;
}

impl Listens for UnixListener {
    type Stream = UnixStream;

    async fn next(&self) -> io::Result<UnixStream> {
        Ok(self.accept().await?.0)
    }
}

impl Listens for TcpListener {
    type Stream = TcpStream;

    async fn next(&self) -> io::Result<TcpStream> {
        let stream = self.accept().await?.0;
        stream.set_nodelay(true).map(|()| stream)
    }
}

/// Binds the socket beside its place and moves it there with the right mode, so that it is never open to more. A socket
/// that a killed agent has left behind is replaced; one that answers is not.
///
/// # Errors
/// [`IntakeError`]
pub(super) async fn socket(path: &Path) -> Result<Socket, IntakeError> {
    let failed = |source: io::Error| IntakeError::Socket { path: path.display().to_string(), source };
    match fs::symlink_metadata(path) {
        Ok(there) if !there.file_type().is_socket() => {
            return Err(IntakeError::NoSocket { path: path.display().to_string() });
        }
        Ok(_) if UnixStream::connect(path).await.is_ok() => {
            return Err(IntakeError::InUse { path: path.display().to_string() });
        }
        _ => {}
    }
    let mut beside = path.as_os_str().to_owned();
    beside.push(".new");
    let beside = PathBuf::from(beside);
    match fs::remove_file(&beside) {
        Err(source) if source.kind() != io::ErrorKind::NotFound => return Err(failed(source)),
        _ => {}
    }
    let listener = UnixListener::bind(&beside).map_err(failed)?;
    fs::set_permissions(&beside, fs::Permissions::from_mode(SOCKET_MODE)).map_err(failed)?;
    fs::rename(&beside, path).map_err(failed)?;
    Ok(Socket { listener, path: path.to_owned() })
}

/// Binds the port.
///
/// # Errors
/// [`IntakeError`]
pub(super) async fn port(address: SocketAddr) -> Result<TcpListener, IntakeError> {
    if !address.ip().is_loopback() {
        return Err(IntakeError::NotLoopback { address });
    }
    TcpListener::bind(address).await.map_err(|source| IntakeError::Port { address, source })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_socket_left_behind_is_replaced_and_a_living_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("intake.sock");
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        let living = socket(&path).await.unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, SOCKET_MODE);
        assert!(matches!(socket(&path).await, Err(IntakeError::InUse { .. })));
        drop(living);
        assert!(!path.exists());
    }

    #[tokio::test]
    async fn a_file_in_the_place_of_the_socket_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("intake.sock");
        fs::write(&path, "mine").unwrap();
        assert!(matches!(socket(&path).await, Err(IntakeError::NoSocket { .. })));
        assert_eq!(fs::read(&path).unwrap(), b"mine");
    }

    #[tokio::test]
    async fn nothing_beyond_loopback_is_ever_bound() {
        let wide = "0.0.0.0:0".parse().unwrap();
        assert!(matches!(port(wide).await, Err(IntakeError::NotLoopback { .. })));
    }
}
