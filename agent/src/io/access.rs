//! What opens a broker's door: authorities, certificate, token and credentials, all from files that are read when a
//! connection is made, so a renewed one counts at the next.

use super::target::OwnFault;
use super::tls::{self, TlsTime};
use crate::config;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use std::collections::BTreeMap;
use std::io;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Files and the time that a connection or an answer may take.
#[derive(Clone, Debug)]
pub struct Access {
    /// PEM of the authority that signed the broker's certificate; `None`: the host's own list.
    pub ca_file: Option<PathBuf>,
    /// PEM chain shown to the broker.
    pub client_cert_file: Option<PathBuf>,
    /// Its key.
    pub client_key_file: Option<PathBuf>,
    /// Token (NATS) or password (MQTT).
    pub token_file: Option<PathBuf>,
    /// NATS credentials: JWT and key.
    pub credentials_file: Option<PathBuf>,
    /// A connection must stand, and an answer be there, within this.
    pub answer_wait: Duration,
    /// By which clock the broker's certificate is judged.
    pub time: TlsTime,
}

impl Access {
    /// As configured.
    #[must_use]
    pub fn of(receiver: &config::Receiver, time: &TlsTime) -> Self {
        Self {
            ca_file: receiver.ca_file.clone(),
            client_cert_file: receiver.client_cert_file.clone(),
            client_key_file: receiver.client_key_file.clone(),
            token_file: receiver.token_file.clone(),
            credentials_file: receiver.broker.credentials_file.clone(),
            answer_wait: Duration::from_millis(receiver.answer_wait_ms),
            time: time.clone(),
        }
    }
}

const LOOK: &str = "check the files named under [receiver]; \"pintle check\" says which is wrong";

fn unusable(path: &Path, why: &dyn std::fmt::Display) -> OwnFault {
    OwnFault::new(format!("{} can't be used: {why}", path.display()), LOOK)
}

impl Access {
    /// TLS 1.2 or 1.3 that trusts the configured authority, or else the host's own list.
    ///
    /// # Errors
    /// [`OwnFault`] with the file that can't be used.
    pub fn tls(&self) -> Result<ClientConfig, OwnFault> {
        self.tls_by_name(BTreeMap::new())
    }

    /// The same; at these addresses the certificate must be for the name beside it.
    ///
    /// # Errors
    /// The same.
    pub fn tls_by_name(&self, names: BTreeMap<IpAddr, String>) -> Result<ClientConfig, OwnFault> {
        let client = |roots, own| {
            if names.is_empty() {
                tls::client(roots, own, &self.time)
            } else {
                tls::client_by_name(roots, own, &self.time, names)
            }
        };
        let roots = if let Some(path) = &self.ca_file {
            let mut roots = RootCertStore::empty();
            let (good, _) = roots.add_parsable_certificates(certificates(path)?);
            if good == 0 {
                return Err(unusable(path, &"there is no certificate of an authority in it"));
            }
            roots
        } else {
            let what = "this computer has no list of authorities";
            tls::host_roots().ok_or(OwnFault::new(what, "name the receiver's authority in receiver.ca_file"))?
        };
        let setup = |error: rustls::Error| OwnFault::new(format!("TLS can't be set up: {error}"), LOOK);
        let (Some(cert), Some(key_path)) = (&self.client_cert_file, &self.client_key_file) else {
            return client(roots, None).map_err(setup);
        };
        // What is wrong with a key file must not show what is in it.
        let key = PrivateKeyDer::from_pem_file(key_path)
            .map_err(|_| unusable(key_path, &"there is no private key in it, or it can't be read"))?;
        client(roots, Some((certificates(cert)?, key))).map_err(|error| unusable(cert, &error))
    }

    /// The token, if one is configured.
    ///
    /// # Errors
    /// [`OwnFault`] if the file can't be read or is empty.
    pub fn token(&self) -> Result<Option<String>, OwnFault> {
        let Some(path) = &self.token_file else { return Ok(None) };
        let text = std::fs::read_to_string(path).map_err(|error| unusable(path, &error))?;
        let token = text.trim();
        if token.is_empty() {
            return Err(unusable(path, &"it is empty"));
        }
        Ok(Some(token.to_owned()))
    }

    /// The text of the credentials file, if one is configured.
    ///
    /// # Errors
    /// [`OwnFault`] if it can't be read.
    pub fn credentials(&self) -> Result<Option<String>, OwnFault> {
        let read = |path: &PathBuf| std::fs::read_to_string(path).map_err(|error: io::Error| unusable(path, &error));
        self.credentials_file.as_ref().map(read).transpose()
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, OwnFault> {
    CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| unusable(path, &error))
}
