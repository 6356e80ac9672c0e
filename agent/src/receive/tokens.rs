//! Who may send in whose name: a file of tokens, each bound to one source, and the names in a client's certificate.

use super::check::is_source;
use super::server::ReceiveError;
use super::tls::TOKEN_CHARS_MIN;
use aws_lc_rs::digest;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::SystemTime;

/// Longest token file, bytes (our own limit: 10,000 trailers take a tenth of it).
const FILE_BYTES_MAX: u64 = 16 << 20;

/// Hashes of tokens by source. The file is read again as soon as it has changed, so a token can be taken away without a
/// restart.
///
/// One line for each token: the trailer's name and `sha256:` with the 64 hexadecimal digits of the token's SHA-256.
/// Tokens are random and long, so a plain hash is as good as a slow one (96 bits can't be guessed). One trailer may
/// have two, while it changes from one to the other.
pub struct Tokens {
    path: PathBuf,
    read: Mutex<Read>,
}

struct Read {
    /// Of the file as read last.
    stamp: Option<(SystemTime, u64)>,
    sources: HashMap<[u8; 32], String>,
}

impl Tokens {
    /// Reads the file.
    ///
    /// # Errors
    /// [`ReceiveError::File`] with the line that is wrong.
    pub fn open(path: &Path) -> Result<Self, ReceiveError> {
        let read = read(path)?;
        Ok(Self { path: path.to_owned(), read: Mutex::new(read) })
    }

    /// Whose token this is.
    #[must_use]
    pub fn source_of(&self, token: &str) -> Option<String> {
        let mut known = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        if stamp(&self.path) != known.stamp {
            match read(&self.path) {
                Ok(read) => *known = read,
                // A file in the middle of a change must not lock out a fleet; a token that was to go stays until then.
                Err(error) => {
                    tracing::warn!(%error, advice = error.advice(), "the tokens stay as they were");
                    known.stamp = stamp(&self.path);
                }
            }
        }
        known.sources.get(&sha256(token)).cloned()
    }
}

fn sha256(token: &str) -> [u8; 32] {
    let mut hash = [0; 32];
    hash.copy_from_slice(digest::digest(&digest::SHA256, token.as_bytes()).as_ref());
    hash
}

fn stamp(path: &Path) -> Option<(SystemTime, u64)> {
    let meta = std::fs::metadata(path).ok()?;
    Some((meta.modified().ok()?, meta.len()))
}

fn read(path: &Path) -> Result<Read, ReceiveError> {
    let bad = |detail: String| ReceiveError::File { what: "the tokens", path: path.to_owned(), detail };
    let stamp = stamp(path);
    if stamp.is_some_and(|(_, bytes)| FILE_BYTES_MAX < bytes) {
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
    Ok(Read { stamp, sources })
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
        std::fs::write(&path, format!("{other_line}\n")).unwrap();
        assert_eq!(tokens.source_of(&token), None);
        std::fs::write(&path, "half a li").unwrap();
        assert!(tokens.source_of(&other).is_some(), "a broken file changes nothing");
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
