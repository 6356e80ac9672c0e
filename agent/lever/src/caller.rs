//! Who asks: the kernel's word about the other end of the connection.

use nix::sys::socket::{getsockopt, sockopt};
use std::io;
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;

/// The connection that systemd gave as standard input.
///
/// # Errors
/// If standard input is no socket.
pub fn connection() -> io::Result<UnixStream> {
    let given = io::stdin().as_fd().try_clone_to_owned()?;
    let stream = UnixStream::from(given);
    // Fails on everything that is no Unix socket with two ends.
    getsockopt(&stream, sockopt::PeerCredentials)?;
    Ok(stream)
}

/// The user at the other end.
///
/// # Errors
/// If the kernel doesn't say.
pub fn uid_of(stream: &UnixStream) -> io::Result<u32> {
    Ok(getsockopt(stream, sockopt::PeerCredentials)?.uid())
}
