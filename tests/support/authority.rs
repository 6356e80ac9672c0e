//! An authority for certificates, and TLS servers that show one of its.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair, date_time_ymd};
use rustls::ServerConfig;
use std::path::Path;
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;

/// Certificates of an invented authority.
pub(crate) struct Authority {
    pub(crate) issuer: CertifiedIssuer<'static, KeyPair>,
}

impl Authority {
    pub(crate) fn new() -> Self {
        Self::named("Brackwater test authority")
    }

    pub(crate) fn named(name: &str) -> Self {
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(rcgen::DnType::CommonName, name);
        Self { issuer: CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap() }
    }

    pub(crate) fn pem(&self) -> String {
        self.issuer.pem()
    }

    /// Writes what a server of another program needs into `folder`: `ca.pem`, and for `names` `server.pem` and
    /// `server.key`.
    pub(crate) fn write(&self, folder: &Path, names: &[&str]) {
        let key = KeyPair::generate().unwrap();
        let params = CertificateParams::new(names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>()).unwrap();
        std::fs::write(folder.join("ca.pem"), self.pem()).unwrap();
        std::fs::write(folder.join("server.pem"), params.signed_by(&key, &self.issuer).unwrap().pem()).unwrap();
        std::fs::write(folder.join("server.key"), key.serialize_pem()).unwrap();
    }

    /// A TLS server for `name`, with a certificate from the year `from` to the year `until`.
    pub(crate) fn server(&self, name: &str, from: i32, until: i32) -> TlsAcceptor {
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        params.not_before = date_time_ymd(from, 1, 1);
        params.not_after = date_time_ymd(until, 1, 1);
        let certificate = params.signed_by(&key, &self.issuer).unwrap();
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(vec![certificate.der().clone()], key.into())
            .unwrap();
        TlsAcceptor::from(Arc::new(config))
    }
}
