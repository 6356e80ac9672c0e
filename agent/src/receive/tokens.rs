//! Who may send in whose name: a file of tokens, each bound to one source, and the names in a client's certificate.

use super::check::is_source;
use super::server::ReceiveError;
use super::tls::TOKEN_CHARS_MIN;
use aws_lc_rs::digest;
use std::collections::HashMap;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::Duration;

/// Longest token file, bytes (our own limit: 10,000 trailers take a tenth of it).
const FILE_BYTES_MAX: u64 = 16 << 20;

/// How often it is looked whether the file has changed (our own choice: a token that was taken away is refused within
/// two seconds).
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Hashes of tokens by source. The file is read again as soon as it has changed, so a token can be taken away without
/// a restart. A thread of its own looks at it, so that no request waits for a disk.
///
/// One line for each token: the trailer's name and `sha256:` with the 64 hexadecimal digits of the token's SHA-256.
/// Tokens are random and long, so a plain hash is as good as a slow one (96 bits can't be guessed). One trailer may
/// have two, while it changes from one to the other.
pub struct Tokens {
    known: Arc<Mutex<Arc<Known>>>,
    /// Dropped with this: then the thread ends.
    _ends: mpsc::Sender<()>,
}

type Known = HashMap<[u8; 32], String>;

/// What tells one state of the file from another: when it was written and changed, which file it is, its length.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Stamp {
    modified: (i64, i64),
    changed: (i64, i64),
    inode: u64,
    bytes: u64,
}

impl Tokens {
    /// Reads the file, and again whenever it changes.
    ///
    /// # Errors
    /// [`ReceiveError::File`] with the line that is wrong; [`ReceiveError::Start`]: there is no thread for it.
    pub fn open(path: &Path) -> Result<Self, ReceiveError> {
        let (stamp, sources) = read(path)?;
        let known = Arc::new(Mutex::new(Arc::new(sources)));
        let (ends, ended) = mpsc::channel();
        let (path, table) = (path.to_owned(), Arc::clone(&known));
        std::thread::Builder::new()
            .name("receiver-tokens".to_owned())
            .spawn(move || watch(&path, stamp, &table, &ended))
            .map_err(ReceiveError::Start)?;
        Ok(Self { known, _ends: ends })
    }

    /// Whose token this is.
    #[must_use]
    pub fn source_of(&self, token: &str) -> Option<String> {
        // Held for the copy of a pointer only.
        let known = Arc::clone(&self.known.lock().unwrap_or_else(PoisonError::into_inner));
        known.get(&sha256(token)).cloned()
    }
}

/// Keeps the table as the file says, until nobody asks any more.
fn watch(path: &Path, mut seen: Option<Stamp>, known: &Mutex<Arc<Known>>, ended: &mpsc::Receiver<()>) {
    while ended.recv_timeout(LOOK_EVERY) == Err(mpsc::RecvTimeoutError::Timeout) {
        let now = stamp(path);
        if now == seen {
            continue;
        }
        match read(path) {
            Ok((stamp, sources)) => {
                seen = stamp;
                *known.lock().unwrap_or_else(PoisonError::into_inner) = Arc::new(sources);
            }
            // A file in the middle of a change must not lock out a fleet; a token that was to go stays until then.
            Err(error) => {
                tracing::warn!(%error, advice = error.advice(), "the tokens stay as they were");
                seen = now;
            }
        }
    }
}

fn sha256(token: &str) -> [u8; 32] {
    let mut hash = [0; 32];
    hash.copy_from_slice(digest::digest(&digest::SHA256, token.as_bytes()).as_ref());
    hash
}

fn stamp(path: &Path) -> Option<Stamp> {
    let meta = std::fs::metadata(path).ok()?;
    Some(Stamp {
        modified: (meta.mtime(), meta.mtime_nsec()),
        changed: (meta.ctime(), meta.ctime_nsec()),
        inode: meta.ino(),
        bytes: meta.len(),
    })
}

/// The file's stamp, taken before it is read, and its tokens.
fn read(path: &Path) -> Result<(Option<Stamp>, Known), ReceiveError> {
    let bad = |detail: String| ReceiveError::File { what: "the tokens", path: path.to_owned(), detail };
    let stamp = stamp(path);
    if stamp.is_some_and(|stamp| FILE_BYTES_MAX < stamp.bytes) {
        return Err(bad(format!("it is longer than {FILE_BYTES_MAX} bytes")));
    }
    let text = std::fs::read_to_string(path).map_err(|error| bad(error.to_string()))?;
    let mut sources = HashMap::new();
    for (number, line) in (1..).zip(text.lines()) {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        // No part of the line is quoted: whoever wrote the token itself in it by mistake must not find it in a log.
        let wrong = || bad(format!("line {number} is not \"<trailer> sha256:<64 hexadecimal digits>\""));
        let (name, hash) = line.split_once(char::is_whitespace).ok_or_else(wrong)?;
        let hash = hash.trim().strip_prefix("sha256:").and_then(unhex).ok_or_else(wrong)?;
        let source = format!("urn:pintle:trailer:{name}");
        if !is_source(&source) {
            return Err(wrong());
        }
        if sources.insert(hash, source.clone()).is_some_and(|other| other != source) {
            return Err(bad(format!("line {number} gives a token to a second trailer")));
        }
    }
    Ok((stamp, sources))
}

fn unhex(text: &str) -> Option<[u8; 32]> {
    let mut bytes = [0; 32];
    if text.len() != 64 || !text.is_ascii() {
        return None;
    }
    for (at, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[2 * at..2 * at + 2], 16).ok()?;
    }
    Some(bytes)
}

/// A fresh token for the trailer `name`, and its line for the file; `None` if that is no name of a trailer.
#[must_use]
pub fn new_token(name: &str) -> Option<(String, String)> {
    if !is_source(&format!("urn:pintle:trailer:{name}")) {
        return None;
    }
    let random: [u8; 24] = rand::random();
    let token = hex(&random);
    debug_assert!(TOKEN_CHARS_MIN <= token.len());
    let line = format!("{name} sha256:{}", hex(&sha256(&token)));
    Some((token, line))
}

fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    bytes.iter().flat_map(|byte| [byte >> 4, byte & 15]).map(|half| char::from(DIGITS[usize::from(half)])).collect()
}

/// The sources that a client's certificate names: its URIs of the form `urn:pintle:trailer:<id>`. The certificate
/// itself was checked by TLS before.
#[must_use]
pub fn sources_of(certificate: &rustls::pki_types::CertificateDer<'_>) -> Vec<String> {
    let Ok(parsed) = webpki::EndEntityCert::try_from(certificate) else { return Vec::new() };
    parsed.valid_uri_names().filter(|name| is_source(name)).map(str::to_owned).collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_token_belongs_to_one_trailer_and_can_be_taken_away_while_it_runs() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tokens");
        let (token, line) = new_token("heron-3").unwrap();
        let (other, other_line) = new_token("heron-4").unwrap();
        std::fs::write(&path, format!("# ours\n\n{line}\n{other_line}\n")).unwrap();
        let tokens = Tokens::open(&path).unwrap();
        assert_eq!(tokens.source_of(&token).as_deref(), Some("urn:pintle:trailer:heron-3"));
        assert_eq!(tokens.source_of(&other).as_deref(), Some("urn:pintle:trailer:heron-4"));
        assert_eq!(tokens.source_of("guess"), None);
        let began = std::time::Instant::now();
        std::fs::write(&path, format!("{other_line}\n")).unwrap();
        while tokens.source_of(&token).is_some() {
            assert!(began.elapsed() < Duration::from_secs(2), "it still speaks two seconds later");
            std::thread::sleep(Duration::from_millis(10));
        }
        std::fs::write(&path, "half a li").unwrap();
        std::thread::sleep(2 * LOOK_EVERY);
        assert!(tokens.source_of(&other).is_some(), "a broken file changes nothing");
        std::fs::remove_file(&path).unwrap();
        std::thread::sleep(2 * LOOK_EVERY);
        assert!(tokens.source_of(&other).is_some(), "nor does one that is gone");
        std::fs::write(&path, format!("{line}\n")).unwrap();
        let began = std::time::Instant::now();
        while tokens.source_of(&token).is_none() {
            assert!(began.elapsed() < Duration::from_secs(2), "a new one is heard");
            std::thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(tokens.source_of(&other), None);
    }

    #[test]
    fn nobody_who_asks_waits_for_the_file_and_the_thread_ends_with_the_last() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tokens");
        let (token, line) = new_token("heron-3").unwrap();
        std::fs::write(&path, &line).unwrap();
        let tokens = Tokens::open(&path).unwrap();
        // A pipe in its place: whoever reads it waits until somebody writes, as with a disk that hangs.
        std::fs::remove_file(&path).unwrap();
        nix::unistd::mkfifo(&path, nix::sys::stat::Mode::S_IRWXU).unwrap();
        let watched = Arc::downgrade(&tokens.known);
        std::thread::sleep(2 * LOOK_EVERY);
        assert!(tokens.source_of(&token).is_some());
        std::fs::write(&path, &line).unwrap();
        drop(tokens);
        let began = std::time::Instant::now();
        while 0 < watched.strong_count() {
            assert!(began.elapsed() < Duration::from_secs(5), "the thread goes on");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    #[test]
    fn a_bad_line_is_told_by_its_number_and_never_quoted() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tokens");
        let (_, line) = new_token("heron-3").unwrap();
        let stolen = line.replace("heron-3", "heron-4");
        for bad in ["heron-3 SECRETTOKEN", "heron-3", "HERON sha256:00", &stolen] {
            std::fs::write(&path, format!("{line}\n{bad}\n")).unwrap();
            let told = Tokens::open(&path).err().unwrap().to_string();
            assert!(told.contains("line 2") && !told.contains("SECRET"), "{told}");
        }
        assert!(new_token("HERON 3").is_none());
    }
}
