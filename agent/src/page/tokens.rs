//! Bearer tokens for machines: one opens `health.json` for `pintle survey`, one opens `metrics.prom` for monitoring.
//! Only their hashes are kept.

use super::state::{self, StateError};
use aws_lc_rs::digest::{SHA256, digest};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

const FILE: &str = "tokens.json";

/// What a token is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub(super) enum Purpose {
    /// `pintle survey` reads health.json.
    Survey,
    /// Monitoring reads metrics.prom.
    Metrics,
}

#[derive(Default, Serialize, Deserialize)]
struct Tokens {
    format: u32,
    sha256: BTreeMap<Purpose, String>,
}

/// Makes a new token, which replaces the one before it, and answers it; it is shown once.
pub(super) fn make(folder: &Path, purpose: Purpose) -> Result<String, StateError> {
    let mut tokens: Tokens = state::read_json(folder, FILE)?.unwrap_or_default();
    let token = URL_SAFE_NO_PAD.encode(rand::random::<[u8; 32]>());
    tokens.format = 1;
    tokens.sha256.insert(purpose, STANDARD.encode(digest(&SHA256, token.as_bytes())));
    state::write_json(folder, FILE, &tokens)?;
    Ok(token)
}

/// Whether this token opens this path. A hash of 256 random bits tells nothing by how long its comparison takes.
pub(super) fn opens(folder: &Path, token: &str, path: &str) -> bool {
    let purpose = match path {
        "/health.json" => Purpose::Survey,
        "/metrics.prom" => Purpose::Metrics,
        _ => return false,
    };
    let tokens: Option<Tokens> = state::read_json(folder, FILE).ok().flatten();
    let kept = tokens.and_then(|tokens| tokens.sha256.get(&purpose).cloned());
    kept.is_some_and(|kept| kept == STANDARD.encode(digest(&SHA256, token.as_bytes())))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_token_opens_its_file_and_no_other_and_a_new_one_replaces_it() {
        let folder = tempfile::tempdir().unwrap();
        assert!(!opens(folder.path(), "", "/metrics.prom"));
        let metrics = make(folder.path(), Purpose::Metrics).unwrap();
        let survey = make(folder.path(), Purpose::Survey).unwrap();
        assert!(opens(folder.path(), &metrics, "/metrics.prom") && opens(folder.path(), &survey, "/health.json"));
        assert!(!opens(folder.path(), &metrics, "/health.json") && !opens(folder.path(), &survey, "/metrics.prom"));
        assert!(!opens(folder.path(), &survey, "/") && !opens(folder.path(), "", "/health.json"));
        make(folder.path(), Purpose::Metrics).unwrap();
        assert!(!opens(folder.path(), &metrics, "/metrics.prom"));
        let kept = std::fs::read_to_string(folder.path().join(FILE)).unwrap();
        assert!(!kept.contains(&survey));
    }
}
