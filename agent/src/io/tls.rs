//! What TLS to the receiver trusts: authorities, our own certificate, and the clock by which certificates are judged
//! (decision 70).

use crate::clock;
use pintle_core::moment::{Utc, UtcTrust};
use pintle_core::position::PositionView;
use pintle_core::position::certificate_time::certificate_utc;
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::time_provider::TimeProvider;
use rustls::{ClientConfig, DigitallySignedStruct, RootCertStore, SignatureScheme};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;

/// The judged-by clock has jumped if it lies farther than this from where it was beside the host's, ms: no certificate
/// begins or ends by less (our own limit).
const JUMP_MS: u64 = 60_000;

/// Our own certificate chain and its key.
pub type Identity = (Vec<CertificateDer<'static>>, PrivateKeyDer<'static>);

/// TLS 1.2 or 1.3 that trusts `roots` and nobody else, and judges certificates by `time`.
///
/// # Errors
/// What the library says of the certificate and key.
pub fn client(roots: RootCertStore, own: Option<Identity>, time: &TlsTime) -> Result<ClientConfig, rustls::Error> {
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let builder = ClientConfig::builder_with_details(provider, Arc::new(time.clone()))
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots);
    match own {
        Some((chain, key)) => builder.with_client_auth_cert(chain, key),
        None => Ok(builder.with_no_client_auth()),
    }
}

/// The same; a certificate shown at one of these addresses must be for the name beside it.
///
/// # Errors
/// The same.
pub fn client_by_name(
    roots: RootCertStore,
    own: Option<Identity>,
    time: &TlsTime,
    names: BTreeMap<IpAddr, String>,
) -> Result<ClientConfig, rustls::Error> {
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let judge = WebPkiServerVerifier::builder_with_provider(Arc::new(roots.clone()), provider).build();
    let judge = judge.map_err(|error| rustls::Error::General(error.to_string()))?;
    let mut config = client(roots, own, time)?;
    config.dangerous().set_certificate_verifier(Arc::new(ByName { judge, names }));
    Ok(config)
}

/// Judges as ever, but at known addresses by the name that was configured: an address is where a name was found last,
/// and proves nothing.
#[derive(Debug)]
struct ByName {
    judge: Arc<WebPkiServerVerifier>,
    names: BTreeMap<IpAddr, String>,
}

impl ServerCertVerifier for ByName {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        server_name: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let named = match server_name {
            ServerName::IpAddress(address) => self.names.get(&IpAddr::from(*address)),
            _ => None,
        };
        let named = named.map(|name| ServerName::try_from(name.clone())).transpose();
        let named = named.map_err(|error| rustls::Error::General(error.to_string()))?;
        let server_name = named.as_ref().unwrap_or(server_name);
        self.judge.verify_server_cert(end_entity, intermediates, server_name, ocsp_response, now)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.judge.verify_tls12_signature(message, cert, signature)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.judge.verify_tls13_signature(message, cert, signature)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.judge.supported_verify_schemes()
    }
}

/// The authorities that this computer trusts; `None` if there are none.
#[must_use]
pub fn host_roots() -> Option<RootCertStore> {
    let mut roots = RootCertStore::empty();
    let found = rustls_native_certs::load_native_certs();
    let (good, _) = roots.add_parsable_certificates(found.certs);
    (0 < good).then_some(roots)
}

/// Chooses between the host's clock and true time at each handshake.
#[derive(Clone, Debug, Default)]
pub struct TlsTime {
    position: Option<watch::Receiver<Arc<PositionView>>>,
}

impl TlsTime {
    /// By the host's clock alone.
    #[must_use]
    pub fn of_host() -> Self {
        Self::default()
    }

    /// By the host's clock, or by what the position actor knows of true time where that is better.
    #[must_use]
    pub fn following(position: watch::Receiver<Arc<PositionView>>) -> Self {
        Self { position: Some(position) }
    }

    /// UTC to judge by now.
    #[must_use]
    pub fn utc(&self) -> Utc {
        let now = clock::moment(UtcTrust::Unset);
        self.position.as_ref().map_or(now.utc, |position| certificate_utc(&position.borrow(), &now))
    }

    /// How far it lies from the host's clock, ms.
    #[must_use]
    pub fn offset_ms(&self) -> i64 {
        let now = clock::moment(UtcTrust::Unset);
        let judged = self.position.as_ref().map_or(now.utc, |position| certificate_utc(&position.borrow(), &now));
        judged.since_ms(now.utc)
    }

    /// Waits until it lies elsewhere beside the host's clock than `before_ms`, which [`Self::offset_ms`] told. Cancel
    /// safe.
    pub async fn jumped(&mut self, before_ms: i64) {
        loop {
            if JUMP_MS < self.offset_ms().abs_diff(before_ms) {
                return;
            }
            let Some(position) = &mut self.position else { return std::future::pending().await };
            if position.changed().await.is_err() {
                return std::future::pending().await;
            }
        }
    }
}

impl TimeProvider for TlsTime {
    fn current_time(&self) -> Option<UnixTime> {
        let ms = u64::try_from(self.utc().0).ok()?;
        Some(UnixTime::since_unix_epoch(Duration::from_millis(ms)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::position::fix::date::RELEASED;
    use pintle_core::position::host_clock::TrueTime;

    fn told(utc: Utc) -> Arc<PositionView> {
        let true_time = TrueTime { at: clock::mono(), utc, source: UtcTrust::Gps, proven: true, jitter_ms: 0 };
        Arc::new(PositionView { true_time: Some(true_time), ..PositionView::default() })
    }

    #[tokio::test]
    async fn certificates_are_judged_by_the_receiver_once_it_has_told_the_time() {
        let (view, position) = watch::channel(Arc::default());
        let mut time = TlsTime::following(position);
        assert_eq!(time.offset_ms(), 0);
        // Ten years after the release, and far from the clock of whoever runs this test.
        let later = RELEASED.plus_ms(10 * 365 * 86_400_000);
        view.send_replace(told(later));
        time.jumped(0).await;
        let judged = time.current_time().map_or(0, |time| time.as_secs());
        let expected = u64::try_from(later.0 / 1000).unwrap_or(0);
        assert!((expected..expected + 600).contains(&judged), "{judged} {expected}");
        let alone = TlsTime::of_host().current_time().map_or(0, |time| time.as_secs());
        assert!(alone.abs_diff(UnixTime::now().as_secs()) < 600, "{alone}");
    }
}
