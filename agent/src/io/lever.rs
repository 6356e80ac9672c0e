//! The agent's end of the lever's socket: says one word, waits for one line.

use pintle_core::ids::printable;
use pintle_core::link::ladder::Step;
use serde::Deserialize;
use std::path::Path;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::UnixStream;

/// Whoever listens takes a connection within this, or is not there.
const CONNECT_WAIT: Duration = Duration::from_secs(5);
/// The lever's own bound is five minutes (`RuntimeMaxSec` of its unit); after a little more it will not answer.
pub const ANSWER_WAIT: Duration = Duration::from_secs(330);
/// Longest answer, bytes: two sentences and two words.
const ANSWER_BYTES_MAX: u64 = 4096;
/// Longest sentence of the lever's that is passed on, characters.
const SENTENCE_CHARS_MAX: usize = 200;

/// How a step ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answered {
    /// It was done.
    Done,
    /// It was begun and failed: why, and what to do.
    Failed([String; 2]),
    /// Nothing was done: why, and what to do.
    NotDone([String; 2]),
    /// The word was said, and no answer came that can be read: nobody can say whether it was done.
    Silent([String; 2]),
}

/// The lever's line. Its words are those of `pintle-lever`; a test of the lever's holds the two together.
#[derive(Deserialize)]
struct Line {
    outcome: String,
    why: Option<String>,
    advice: Option<String>,
}

/// Asks for `step`; gives up after `wait`.
pub async fn pull(socket: &Path, step: Step, wait: Duration) -> Answered {
    let not_done = |why: String, advice: &str| Answered::NotDone([why, advice.to_owned()]);
    let at = socket.display();
    let mut stream = match tokio::time::timeout(CONNECT_WAIT, UnixStream::connect(socket)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) if error.kind() == std::io::ErrorKind::PermissionDenied => {
            return not_done(
                format!("the agent may not use the lever's socket {at}"),
                "let the agent run as the user and group that pintle-lever.socket names",
            );
        }
        Ok(Err(error)) => {
            return not_done(
                format!("no lever listens at {at} ({error})"),
                "run `systemctl enable --now pintle-lever.socket`, or take [ladder] out of the configuration",
            );
        }
        Err(_) => return not_done(format!("the lever at {at} takes no connection"), "restart pintle-lever.socket"),
    };
    let silent = |why: &str| {
        let advice = "look at `journalctl -u 'pintle-lever@*'`; the step counts as taken";
        Answered::Silent([why.to_owned(), advice.to_owned()])
    };
    let asked = async {
        stream.write_all(format!("{}\n", step.word()).as_bytes()).await?;
        let mut answer = Vec::new();
        // A lever that refuses at once closes on words that it never read; the answer came before.
        let read = (&mut stream).take(ANSWER_BYTES_MAX).read_to_end(&mut answer).await;
        if answer.is_empty() { read.map(|_| answer) } else { Ok::<_, std::io::Error>(answer) }
    };
    match tokio::time::timeout(wait, asked).await {
        Err(_) => silent("the lever did not answer in its time"),
        Ok(Err(_)) => silent("the lever broke off without an answer"),
        Ok(Ok(answer)) => judged(&answer).unwrap_or_else(|| silent("the lever's answer can't be read")),
    }
}

fn judged(answer: &[u8]) -> Option<Answered> {
    let line: Line = serde_json::from_slice(answer).ok()?;
    let text = |given: Option<String>, otherwise: &str| {
        given.map_or_else(|| otherwise.to_owned(), |given| printable(&given, SENTENCE_CHARS_MAX))
    };
    let told = [
        format!("the lever says: {}", text(line.why, "it gives no reason")),
        text(line.advice, "run `pintle-lever --check` as root at the trailer"),
    ];
    match line.outcome.as_str() {
        "done" => Some(Answered::Done),
        "failed" => Some(Answered::Failed(told)),
        "refused" => Some(Answered::NotDone(told)),
        _ => None,
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use tokio::net::UnixListener;

    const SOON: Duration = Duration::from_millis(300);

    /// A lever that reads a word and then says `answer` and closes, or keeps silent.
    async fn lever(answer: Option<&'static str>) -> Answered {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lever.sock");
        let listener = UnixListener::bind(&path).unwrap();
        let serving = tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.unwrap();
            let mut word = [0; 16];
            let len = stream.read(&mut word).await.unwrap();
            assert_eq!(&word[..len], b"renew\n");
            match answer {
                Some(answer) => stream.write_all(answer.as_bytes()).await.unwrap(),
                None => std::future::pending().await,
            }
        });
        // Only a lever that never answers is waited for in vain.
        let wait = if answer.is_some() { Duration::from_mins(1) } else { SOON };
        let answered = pull(&path, Step::Renew, wait).await;
        serving.abort();
        answered
    }

    #[tokio::test]
    async fn the_levers_words_are_understood_and_nothing_else_counts_as_done() {
        assert_eq!(lever(Some("{\"step\":\"renew\",\"outcome\":\"done\"}\n")).await, Answered::Done);
        let refused = lever(Some("{\"step\":null,\"outcome\":\"refused\",\"why\":\"no\",\"advice\":\"ask\"}\n")).await;
        assert_eq!(refused, Answered::NotDone(["the lever says: no".to_owned(), "ask".to_owned()]));
        let failed = lever(Some("{\"step\":\"renew\",\"outcome\":\"failed\"}\n")).await;
        assert!(matches!(failed, Answered::Failed(_)), "{failed:?}");
        for odd in ["", "{}", "done\n", "{\"outcome\":\"perhaps\"}"] {
            let answered = lever(Some(odd)).await;
            assert!(matches!(answered, Answered::Silent(_)), "{odd:?}: {answered:?}");
        }
    }

    #[tokio::test]
    async fn a_lever_that_is_not_there_or_never_answers_is_told_apart() {
        let nobody = pull(Path::new("/nowhere/lever.sock"), Step::Usb, SOON).await;
        assert!(matches!(&nobody, Answered::NotDone([why, _]) if why.contains("no lever listens")), "{nobody:?}");
        assert!(matches!(lever(None).await, Answered::Silent(_)));
    }
}
