//! The receiver's certificate and token, from files.

use super::server::ReceiveError;
use rustls::crypto::CryptoProvider;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::server::danger::ClientCertVerifier;
use rustls::{RootCertStore, ServerConfig};
use std::path::Path;
use std::sync::Arc;

/// Shortest token, characters: 16 random characters of 64 are 96 bits (our own limit).
pub(super) const TOKEN_CHARS_MIN: usize = 16;

/// TLS 1.2 and 1.3 with the certificate chain and key in these PEM files. With `client_ca` every client must show a
/// certificate that one of its authorities signed.
///
/// # Errors
/// [`ReceiveError::File`] if they can't be read or don't belong together.
pub fn server_config(cert: &Path, key: &Path, client_ca: Option<&Path>) -> Result<Arc<ServerConfig>, ReceiveError> {
    let bad = |what, path: &Path, detail: String| ReceiveError::File { what, path: path.to_owned(), detail };
    let chain = CertificateDer::pem_file_iter(cert)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| bad("the certificate", cert, error.to_string()))?;
    if chain.is_empty() {
        return Err(bad("the certificate", cert, "there is no certificate in it".to_owned()));
    }
    // The error of a key file must not show what is in it, so only its kind is told.
    let private = PrivateKeyDer::from_pem_file(key).map_err(|error| {
        let detail = match error {
            rustls::pki_types::pem::Error::Io(error) => error.to_string(),
            _ => "there is no private key in it".to_owned(),
        };
        bad("the key", key, detail)
    })?;
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let clients = client_ca.map(|path| clients(path, &provider)).transpose()?;
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| {
            match clients {
                Some(clients) => builder.with_client_cert_verifier(clients),
                None => builder.with_no_client_auth(),
            }
            .with_single_cert(chain, private)
        })
        .map_err(|error| bad("the certificate", cert, error.to_string()))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

/// Demands certificates that were signed by the authorities in `path`.
fn clients(path: &Path, provider: &Arc<CryptoProvider>) -> Result<Arc<dyn ClientCertVerifier>, ReceiveError> {
    let bad = |detail: String| ReceiveError::File { what: "the authority of clients", path: path.to_owned(), detail };
    let authorities = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| bad(error.to_string()))?;
    let mut roots = RootCertStore::empty();
    let (good, _) = roots.add_parsable_certificates(authorities);
    if good == 0 {
        return Err(bad("there is no certificate of an authority in it".to_owned()));
    }
    WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(provider))
        .build()
        .map(|verifier| verifier as Arc<dyn ClientCertVerifier>)
        .map_err(|error| bad(error.to_string()))
}

/// The token in this file, without the white space around it.
///
/// # Errors
/// [`ReceiveError::File`] if it can't be read, is too short, or could not be sent in a header.
pub fn token(path: &Path) -> Result<String, ReceiveError> {
    let bad = |detail: String| ReceiveError::File { what: "the token", path: path.to_owned(), detail };
    let text = std::fs::read_to_string(path).map_err(|error| bad(error.to_string()))?;
    let token = text.trim();
    if token.len() < TOKEN_CHARS_MIN || !token.bytes().all(|c| c.is_ascii_graphic()) {
        return Err(bad(format!("it must be one word of at least {TOKEN_CHARS_MIN} printable ASCII characters")));
    }
    Ok(token.to_owned())
}
