//! A connection that gives up on a peer who does not take what is written to it.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// Wraps a stream: a write that makes no progress for the given time fails. Reads have deadlines of their own.
pub struct Timed<S> {
    stream: S,
    write_wait: Duration,
    /// Running while a write waits.
    deadline: Option<Pin<Box<Sleep>>>,
}

impl<S> Timed<S> {
    /// `write_wait`: longest time without progress of a write.
    pub fn new(stream: S, write_wait: Duration) -> Self {
        Self { stream, write_wait, deadline: None }
    }

    fn watched<T>(&mut self, cx: &mut Context<'_>, polled: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.deadline = None;
            return polled;
        }
        let wait = self.write_wait;
        let deadline = self.deadline.get_or_insert_with(|| Box::pin(sleep(wait)));
        ready!(deadline.as_mut().poll(cx));
        self.deadline = None;
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the peer does not read the answer")))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Timed<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Timed<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.watched(cx, polled)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let polled = Pin::new(&mut self.stream).poll_flush(cx);
        self.watched(cx, polled)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let polled = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.watched(cx, polled)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    #[tokio::test(flavor = "current_thread")]
    async fn a_peer_who_does_not_read_is_given_up_and_a_slow_one_is_not() {
        let (ours, mut theirs) = tokio::io::duplex(16);
        let mut timed = Timed::new(ours, Duration::from_millis(400));
        let slow = tokio::spawn(async move {
            for _ in 0..4 {
                sleep(Duration::from_millis(200)).await;
                theirs.read_exact(&mut [0; 16]).await.unwrap();
            }
            theirs
        });
        timed.write_all(&[0; 80]).await.unwrap();
        let _theirs = slow.await.unwrap();
        let error = timed.write_all(&[0; 80]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }
}
