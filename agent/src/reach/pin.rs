//! Recognises a coordinator by the fingerprint of its authority, before anything secret is sent to it.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ring::digest::{SHA256, digest};
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::CryptoProvider;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, Error, RootCertStore, SignatureScheme};
use tidemill_proto::invitation::host_and_port;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

use super::{ReachError, way};

/// How long name lookup, connection and handshake may take together.
const LIMIT: Duration = Duration::from_secs(10);

/// Connects, and gives the authority (DER) of the coordinator at `address`, if it has the fingerprint and certified
/// the server for this name.
pub(super) async fn recognise(address: &str, fingerprint: [u8; 32]) -> Result<Vec<u8>, ReachError> {
    let unreachable = |problem: String| ReachError::Unreachable {
        address: address.to_owned(),
        problem,
    };
    let bad = || ReachError::Address {
        address: address.to_owned(),
    };
    let (host, port) = host_and_port(address).ok_or_else(bad)?;
    let name = ServerName::try_from(host.to_owned()).map_err(|_| bad())?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let pin = Arc::new(Pin {
        fingerprint,
        provider: provider.clone(),
        found: Mutex::new(Found::Nobody),
    });
    let mut config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| ReachError::Tls(error.to_string()))?
        .dangerous()
        .with_custom_certificate_verifier(pin.clone())
        .with_no_client_auth();
    config.alpn_protocols = vec![b"h2".to_vec()];
    let handshake = async {
        let stream = TcpStream::connect((host, port)).await?;
        TlsConnector::from(Arc::new(config)).connect(name, stream).await
    };
    let outcome = tokio::time::timeout(LIMIT, handshake).await;
    let found = std::mem::replace(&mut *pin.found(), Found::Nobody);
    match (outcome, found) {
        (Ok(Ok(_)), Found::Authority(authority)) => Ok(authority),
        (_, Found::Another) => Err(ReachError::AnotherCoordinator {
            address: address.to_owned(),
        }),
        (Err(_), _) => Err(unreachable(way::no_answer(LIMIT))),
        (Ok(Err(error)), _) if error.kind() == std::io::ErrorKind::InvalidData => {
            Err(match way::explain(address, &error) {
                ReachError::Unreachable { problem, .. } => {
                    unreachable(format!("it does not speak TLS as it should ({problem})"))
                }
                clear => clear,
            })
        }
        (Ok(Err(error)), _) => Err(unreachable(error.to_string())),
        (Ok(Ok(_)), Found::Nobody) => Err(unreachable("it showed no certificate".into())),
    }
}

/// Whom a handshake showed.
#[derive(Debug)]
enum Found {
    Nobody,
    Another,
    Authority(Vec<u8>),
}

#[derive(Debug)]
struct Pin {
    fingerprint: [u8; 32],
    provider: Arc<CryptoProvider>,
    found: Mutex<Found>,
}

impl Pin {
    fn found(&self) -> std::sync::MutexGuard<'_, Found> {
        // Only whole values are put in and taken out.
        self.found.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl ServerCertVerifier for Pin {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        server_name: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let authority = intermediates
            .iter()
            .find(|certificate| digest(&SHA256, certificate).as_ref() == self.fingerprint);
        let Some(authority) = authority else {
            *self.found() = Found::Another;
            return Err(Error::General("its authority has another fingerprint".into()));
        };
        let mut roots = RootCertStore::empty();
        roots.add(authority.clone().into_owned())?;
        let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), self.provider.clone())
            .build()
            .map_err(|error| Error::General(error.to_string()))?;
        let verified =
            verifier.verify_server_cert(end_entity, intermediates, server_name, ocsp_response, now)?;
        *self.found() = Found::Authority(authority.to_vec());
        Ok(verified)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        rustls::crypto::verify_tls12_signature(message, certificate, signed, algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        rustls::crypto::verify_tls13_signature(message, certificate, signed, algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider
            .signature_verification_algorithms
            .supported_schemes()
    }
}
