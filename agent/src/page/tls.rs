//! The page's certificate: its own, made once and kept, or a given one.

use super::state::{self, StateError};
use rustls::ServerConfig;
use rustls::client::verify_server_name;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::server::ParsedCertificate;
use std::fmt::Write as _;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

const CERT: &str = "certificate.pem";
const KEY: &str = "key.pem";

/// Where certificate and key are: the given ones, or the page's own, which are made if they are not there.
pub(super) fn files(
    folder: &Path,
    given: Option<(PathBuf, PathBuf)>,
    listen: IpAddr,
) -> Result<(PathBuf, PathBuf), StateError> {
    if let Some(given) = given {
        return Ok(given);
    }
    let own = (folder.join(CERT), folder.join(KEY));
    if !own.0.exists() || !own.1.exists() || !is_for(&own.0, listen) {
        let failed = |error: rcgen::Error| StateError::Certificate(error.to_string());
        let names = vec!["localhost".to_owned(), "127.0.0.1".to_owned(), listen.to_string()];
        let made = rcgen::generate_simple_self_signed(names).map_err(failed)?;
        state::write(folder, KEY, made.signing_key.serialize_pem().as_bytes())?;
        state::write(folder, CERT, made.cert.pem().as_bytes())?;
    }
    Ok(own)
}

/// Whether the certificate names this address: the page may have been given another one since it was made. What can't
/// be read is told by whoever uses it.
fn is_for(cert: &Path, listen: IpAddr) -> bool {
    let Ok(der) = CertificateDer::from_pem_file(cert) else { return true };
    let Ok(parsed) = ParsedCertificate::try_from(&der) else { return true };
    verify_server_name(&parsed, &ServerName::from(listen)).is_ok()
}

/// TLS 1.2 and 1.3 with this certificate.
pub(super) fn config(cert: &Path, key: &Path) -> Result<Arc<ServerConfig>, StateError> {
    let bad = |path: &Path| StateError::Damaged { path: path.to_owned() };
    let chain = CertificateDer::pem_file_iter(cert).and_then(Iterator::collect::<Result<Vec<_>, _>>);
    let chain = chain.map_err(|_| bad(cert))?;
    let key_der = PrivateKeyDer::from_pem_file(key).map_err(|_| bad(key))?;
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, key_der));
    let mut config = config.map_err(|_| bad(cert))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    // Few people look at one trailer: a new handshake costs less than what would be remembered of the last 256.
    config.session_storage = Arc::new(rustls::server::NoServerSessionStorage {});
    config.send_tls13_tickets = 0;
    Ok(Arc::new(config))
}

/// SHA-256 of the certificate, as browsers show it.
pub(super) fn fingerprint(cert: &Path) -> Result<String, StateError> {
    let bad = |_| StateError::Damaged { path: cert.to_owned() };
    let der = CertificateDer::from_pem_file(cert).map_err(bad)?;
    let hash = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, &der);
    let mut text = String::new();
    for byte in hash.as_ref() {
        // Writing into a string can't fail.
        let _infallible = write!(text, "{}{byte:02X}", if text.is_empty() { "" } else { ":" });
    }
    Ok(text)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn the_own_certificate_is_made_once_and_its_fingerprint_stays() {
        let folder = tempfile::tempdir().unwrap();
        let own = || files(folder.path(), None, "127.0.0.1".parse().unwrap()).unwrap();
        let (cert, key) = own();
        let first = fingerprint(&cert).unwrap();
        assert_eq!(first.len(), 32 * 3 - 1);
        assert_eq!(fingerprint(&own().0).unwrap(), first);
        config(&cert, &key).unwrap();
        assert!(config(&key, &cert).is_err());
        // Another address is one that it does not name: it is made anew, and names both from then on.
        let elsewhere = || files(folder.path(), None, "192.0.2.7".parse().unwrap()).unwrap();
        let second = fingerprint(&elsewhere().0).unwrap();
        assert_ne!(second, first);
        assert_eq!((fingerprint(&own().0).unwrap(), fingerprint(&elsewhere().0).unwrap()), (second.clone(), second));
    }
}
