//! The stream under a connection: notes when bytes come, and gives a body to the bare answers that the HTTP library
//! writes by itself when a head can't be read, so that every refusal is a problem that says what to do.

use super::phase::Connection;
use super::{Shared, answer};
use pintle_core::wire::problem::Problem;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

pub(super) struct Noted<S> {
    inner: S,
    connection: Arc<Connection>,
    shared: Arc<Shared>,
    /// What has to be written before anything else, and how much of it is.
    instead: Vec<u8>,
    written: usize,
}

impl<S> Noted<S> {
    pub(super) fn new(inner: S, connection: Arc<Connection>, shared: Arc<Shared>) -> Self {
        Self { inner, connection, shared, instead: Vec::new(), written: 0 }
    }
}

impl<S: AsyncWrite + Unpin> Noted<S> {
    fn write_instead(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        while self.written < self.instead.len() {
            let len = ready!(Pin::new(&mut self.inner).poll_write(cx, &self.instead[self.written..]))?;
            if len == 0 {
                return Poll::Ready(Err(io::ErrorKind::WriteZero.into()));
            }
            self.written += len;
        }
        Poll::Ready(Ok(()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Noted<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        ready!(Pin::new(&mut self.inner).poll_read(cx, buf))?;
        if before < buf.filled().len() {
            self.connection.bytes_came();
        }
        Poll::Ready(Ok(()))
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Noted<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        ready!(self.write_instead(cx))?;
        match bare_status(buf).and_then(problem_of) {
            Some(problem) => {
                self.shared.count_refusal(&problem);
                self.instead = answer::raw(&problem);
                self.written = 0;
                Poll::Ready(Ok(buf.len()))
            }
            None => Pin::new(&mut self.inner).poll_write(cx, buf),
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.write_instead(cx))?;
        Pin::new(&mut self.inner).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.write_instead(cx))?;
        Pin::new(&mut self.inner).poll_shutdown(cx)
    }
}

/// The status of an answer without a body. The intake itself never answers without one.
fn bare_status(head: &[u8]) -> Option<&str> {
    let head = std::str::from_utf8(head.get(..head.len().min(512))?).ok()?;
    let bare = head.ends_with("\r\n\r\n") && head.to_ascii_lowercase().contains("\r\ncontent-length: 0\r\n");
    if bare { head.strip_prefix("HTTP/1.1 ")?.get(..3) } else { None }
}

fn problem_of(status: &str) -> Option<Box<Problem>> {
    match status {
        "431" => Some(Problem::new(
            "head-too-large",
            431,
            "The head of the request is too large",
            "all header fields together may have 16 KiB; send fewer or shorter ones",
        )),
        "414" => Some(Problem::new(
            "target-too-long",
            414,
            "The target of the request is too long",
            "reads go to POST /v1/reads without a query",
        )),
        "400" => Some(Problem::new(
            "not-http",
            400,
            "This is not HTTP/1.1",
            "the head of the request can't be read; send POST /v1/reads HTTP/1.1 with well-formed header fields",
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_answers_without_a_body_are_given_one() {
        let bare = b"HTTP/1.1 431 Request Header Fields Too Large\r\ncontent-length: 0\r\nconnection: close\r\n\r\n";
        assert_eq!(bare_status(bare), Some("431"));
        assert_eq!(bare_status(b"HTTP/1.1 400 Bad Request\r\ncontent-length: 2\r\n\r\n{}"), None);
        assert_eq!(bare_status(b""), None);
        assert_eq!(problem_of("200"), None);
    }
}
