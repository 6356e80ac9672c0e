//! One connection from its first byte to its end: deadlines, giving way, a last answer, a quiet end.

use super::answer;
use super::phase::{Connection, Phase};
use super::request::{Handler, too_slow};
use super::stream::Noted;
use super::{STORE_WAIT_MS, Shared};
use crate::clock;
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use pintle_core::wire::problem::Problem;
use std::future::poll_fn;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio_util::sync::CancellationToken;

/// Head of one request, bytes (our own; the answer to a larger one names it).
const HEAD_BYTES_MAX: usize = 16 << 10;
/// Read and write buffer of one connection, bytes (our own).
const BUFFER_BYTES_MAX: usize = 64 << 10;
/// A handler that takes this much longer than body and store may is ended, ms (our own; only a net below the others).
const BUSY_MARGIN_MS: u64 = 5000;
/// After an early refusal the rest of the body is thrown away for this long, ms, so that the sender gets to read the
/// answer instead of a reset (common practice, no source).
const LINGER_MS: u64 = 2000;

/// How a connection ended before its end.
enum End {
    /// The HTTP side is done.
    Done,
    /// Its time was up.
    TooSlow,
    /// Another needed its place.
    GaveWay,
}

pub(super) async fn serve<S>(stream: S, connection: Arc<Connection>, shared: Arc<Shared>, stop: CancellationToken)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let noted = Noted::new(stream, Arc::clone(&connection), Arc::clone(&shared));
    let handler = Handler { shared: Arc::clone(&shared), connection: Arc::clone(&connection) };
    let mut http = http1::Builder::new()
        .header_read_timeout(None)
        .max_header_size(HEAD_BYTES_MAX)
        .max_buf_size(BUFFER_BYTES_MAX)
        .serve_connection(TokioIo::new(noted), handler);
    let wait_ms = shared.limits.request_wait_ms;
    let busy_ms_max = wait_ms + STORE_WAIT_MS + BUSY_MARGIN_MS;
    let mut stopping = false;
    let end = loop {
        let left_ms = connection.deadline(wait_ms, busy_ms_max).since_ms(clock::mono());
        // A quiet connection has a long deadline, which a head that begins shortens: look again in time.
        let look_again = Duration::from_millis(left_ms.min(wait_ms).max(1));
        tokio::select! {
            biased;
            _ended = poll_fn(|cx| http.poll_without_shutdown(cx)) => break End::Done,
            () = connection.give_way.cancelled() => break End::GaveWay,
            () = stop.cancelled(), if !stopping => {
                stopping = true;
                Pin::new(&mut http).graceful_shutdown();
            }
            () = tokio::time::sleep(look_again) => {
                if connection.deadline(wait_ms, busy_ms_max) <= clock::mono() {
                    break End::TooSlow;
                }
            }
        }
    };
    let mut stream = http.into_parts().io.into_inner();
    let last = match (end, connection.phase()) {
        (End::TooSlow, Phase::Head) => Some(too_slow(wait_ms)),
        (End::GaveWay, Phase::Head) => Some(Problem::new(
            "busy",
            503,
            "The intake is busy",
            "too many connections are open (intake.connections_max), and this one was slow; send it again in one go",
        )),
        _ => None,
    };
    let ending = async {
        if let Some(problem) = last {
            shared.count_refusal(&problem);
            stream.write_all(&answer::raw(&problem)).await?;
        }
        stream.shutdown().await?;
        let mut rest = vec![0; 16 << 10];
        while 0 < stream.read(&mut rest).await? {}
        std::io::Result::Ok(())
    };
    // Whatever happens here concerns a connection that is over.
    let _over = tokio::time::timeout(Duration::from_millis(LINGER_MS), ending).await;
}
