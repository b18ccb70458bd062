//! TLS as the coordinator speaks it: it asks for certificates, but lets those in who have none yet, so that they can enroll;
//! [`super::admission`] keeps them from everything else. Its own certificate is looked up with every handshake, so that a new
//! one is taken up without a pause; connections that stand are not touched.

use std::io;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use futures::{Stream, StreamExt as _};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert, WebPkiClientVerifier};
use rustls::sign::CertifiedKey;
use rustls::{RootCertStore, ServerConfig};
use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;

use super::{Identity, IdentityError};

/// How long a handshake may take.
const HANDSHAKE_LIMIT: Duration = Duration::from_secs(10);
/// Handshakes at once.
const MOST_HANDSHAKES: usize = 256;
/// Longest time between two looks at when the own certificate ends; a twentieth of its life if that is shorter.
const LOOK_EVERY: Duration = Duration::from_secs(3600);

/// The certificate that is shown, which may change.
#[derive(Debug)]
pub struct Shown {
    current: RwLock<Arc<CertifiedKey>>,
}

impl ResolvesServerCert for Shown {
    fn resolve(&self, _hello: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        // Only whole values are put in.
        let current = self.current.read().unwrap_or_else(PoisonError::into_inner);
        Some(Arc::clone(&current))
    }
}

impl Shown {
    /// What the identity holds now.
    ///
    /// # Errors
    /// A certificate and a key that do not fit.
    pub fn of(identity: &Identity) -> Result<Self, IdentityError> {
        Ok(Self {
            current: RwLock::new(Arc::new(certified(identity)?)),
        })
    }

    fn show(&self, identity: &Identity) -> Result<(), IdentityError> {
        let fresh = Arc::new(certified(identity)?);
        *self.current.write().unwrap_or_else(PoisonError::into_inner) = fresh;
        Ok(())
    }
}

fn certified(identity: &Identity) -> Result<CertifiedKey, IdentityError> {
    let (server, authority) = identity.pems();
    let chain = [server.certificate.as_str(), authority]
        .into_iter()
        .map(|pem| CertificateDer::from_pem_slice(pem.as_bytes()))
        .collect::<Result<Vec<_>, _>>()
        .map_err(tls_error)?;
    let key = PrivateKeyDer::from_pem_slice(server.key.as_bytes()).map_err(tls_error)?;
    let key = CertifiedKey::from_der(chain, key, &rustls::crypto::ring::default_provider());
    key.map_err(tls_error)
}

/// How to shake hands.
///
/// # Errors
/// An authority that is none.
pub fn acceptor(identity: &Identity, shown: Arc<Shown>) -> Result<TlsAcceptor, IdentityError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut roots = RootCertStore::empty();
    let authority = CertificateDer::from_pem_slice(identity.pems().1.as_bytes()).map_err(tls_error)?;
    roots.add(authority).map_err(tls_error)?;
    let members = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider))
        .allow_unauthenticated()
        .build()
        .map_err(tls_error)?;
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(tls_error)?
        .with_client_cert_verifier(members)
        .with_cert_resolver(shown);
    config.alpn_protocols = vec![b"h2".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// Connections that have shaken hands. Those that do not are dropped, and the others do not wait for them.
pub fn handshakes<I>(
    incoming: I,
    acceptor: TlsAcceptor,
) -> impl Stream<Item = io::Result<TlsStream<TcpStream>>>
where
    I: Stream<Item = io::Result<TcpStream>>,
{
    let shaken = incoming.map(move |connected| {
        let acceptor = acceptor.clone();
        async move {
            let stream = match connected {
                Ok(stream) => stream,
                Err(error) => return Some(Err(error)),
            };
            let peer = stream.peer_addr().ok();
            match tokio::time::timeout(HANDSHAKE_LIMIT, acceptor.accept(stream)).await {
                Ok(Ok(stream)) => Some(Ok(stream)),
                Ok(Err(error)) => {
                    // One line for each: somebody whose certificate has expired tries again and again.
                    tracing::warn!(?peer, %error, "a connection was refused");
                    None
                }
                Err(_) => {
                    tracing::debug!(?peer, "a connection said nothing");
                    None
                }
            }
        }
    });
    shaken
        .buffer_unordered(MOST_HANDSHAKES)
        .filter_map(std::future::ready)
}

/// Makes the server's certificate anew in time, until `ending`. Each look reads the folder, so that one that was made by hand
/// is taken up too.
pub async fn keep_fresh(data: std::path::PathBuf, shown: Arc<Shown>, ending: CancellationToken) {
    let mut pause = Duration::ZERO;
    loop {
        tokio::select! {
            () = ending.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        let (folder, showing) = (data.clone(), Arc::clone(&shown));
        let looked = tokio::task::spawn_blocking(move || look(&folder, &showing)).await;
        pause = match looked {
            Ok(Ok(pause)) => pause,
            Ok(Err(error)) => {
                tracing::error!(
                    "the server's certificate cannot be looked after: {error}; once it has ended, nobody can connect"
                );
                LOOK_EVERY
            }
            // Told as a panic already.
            Err(_) => LOOK_EVERY,
        };
    }
}

/// Gives when to look again.
fn look(folder: &std::path::Path, shown: &Shown) -> Result<Duration, IdentityError> {
    let Some(mut identity) = Identity::open(folder)? else {
        return Ok(LOOK_EVERY);
    };
    let mut facts = identity.server_facts()?;
    if facts.is_due(jiff::Timestamp::now()) {
        facts = identity.renew_server()?;
        tracing::info!(until = %facts.ends, "made the server's certificate anew");
    }
    shown.show(&identity)?;
    let life = facts.ends.duration_since(facts.made).unsigned_abs();
    Ok((life / 20).clamp(Duration::from_secs(1), LOOK_EVERY))
}

fn tls_error(error: impl std::fmt::Display) -> IdentityError {
    IdentityError::Tls(error.to_string())
}
