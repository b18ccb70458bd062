//! The way to one coordinator. Over TLS, the membership is read anew with every connection: a certificate that was renewed, or
//! a new membership, counts from the next connection on, while the program runs.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use hyper_util::rt::TokioIo;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{AlertDescription, CertificateError, ClientConfig, RootCertStore};
use tidemill_proto::invitation::host_and_port;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_util::sync::CancellationToken;
use tonic::transport::{Channel, Endpoint};

use super::membership::Membership;
use super::{CONNECT_LIMIT, ReachError, causes};

/// How to get to a coordinator; nothing is connected yet.
#[derive(Debug, Clone)]
pub struct Way {
    endpoint: Endpoint,
    secured: Option<Secured>,
}

/// What a connection over TLS needs.
#[derive(Debug, Clone)]
struct Secured {
    memberships: PathBuf,
    address: String,
}

impl Way {
    /// In plain text.
    pub(super) fn plain(endpoint: Endpoint) -> Self {
        Self {
            endpoint,
            secured: None,
        }
    }

    /// As a member.
    pub(super) fn secured(endpoint: Endpoint, memberships: PathBuf, address: String) -> Self {
        Self {
            endpoint,
            secured: Some(Secured { memberships, address }),
        }
    }

    /// Changes settings of the connection.
    #[must_use]
    pub fn with(mut self, change: impl FnOnce(Endpoint) -> Endpoint) -> Self {
        self.endpoint = change(self.endpoint);
        self
    }

    /// Whether it leads over TLS.
    pub fn is_secured(&self) -> bool {
        self.secured.is_some()
    }

    /// Renews the own certificate if it is time, over a connection of its own: one that stands may have been made with a
    /// certificate that has ended meanwhile. Gives when the new one ends; `None`: it was not time yet.
    ///
    /// # Errors
    /// A file that cannot be read or written, or a coordinator that does not sign. The old certificate is then still there.
    pub async fn renew_if_due(&self) -> Result<Option<jiff::Timestamp>, ReachError> {
        match &self.secured {
            Some(secured) => {
                let channel = self.connect_lazy();
                super::renew::renew_if_due(&secured.memberships, &secured.address, channel).await
            }
            None => Ok(None),
        }
    }

    /// Renews in time, for as long as the program runs.
    pub async fn keep_fresh(self, shutdown: CancellationToken) {
        let Some(secured) = &self.secured else { return };
        loop {
            let pause = super::renew::pause(&secured.memberships, &secured.address);
            tokio::select! {
                () = shutdown.cancelled() => return,
                () = tokio::time::sleep(pause) => {}
            }
            let renewed = tokio::select! {
                () = shutdown.cancelled() => return,
                renewed = self.renew_if_due() => renewed,
            };
            match renewed {
                Ok(Some(until)) => tracing::info!(%until, "the certificate of this machine was renewed"),
                Ok(None) => {}
                Err(error) => tracing::warn!("{error}; trying again later"),
            }
        }
    }

    /// Whether there is a certificate that is good now, where one is needed.
    ///
    /// # Errors
    /// There is none, or it has ended.
    pub fn check(&self) -> Result<(), ReachError> {
        match &self.secured {
            Some(secured) => secured.membership().map(drop),
            None => Ok(()),
        }
    }

    /// A channel that connects when it is first used, and again when it must.
    pub fn connect_lazy(&self) -> Channel {
        match &self.secured {
            Some(secured) => self.endpoint.connect_with_connector_lazy(secured.connector()),
            None => self.endpoint.connect_lazy(),
        }
    }

    /// A channel that is connected.
    ///
    /// # Errors
    /// Nobody answers, or not who should.
    pub async fn connect(&self) -> Result<Channel, tonic::transport::Error> {
        match &self.secured {
            Some(secured) => self.endpoint.connect_with_connector(secured.connector()).await,
            None => self.endpoint.connect().await,
        }
    }
}

type Connecting =
    std::pin::Pin<Box<dyn Future<Output = Result<TokioIo<TlsStream<TcpStream>>, ReachError>> + Send>>;

impl Secured {
    fn connector(
        &self,
    ) -> impl tower::Service<
        tonic::transport::Uri,
        Response = TokioIo<TlsStream<TcpStream>>,
        Error = ReachError,
        Future = Connecting,
    > + Send
    + use<> {
        let secured = self.clone();
        tower::service_fn(move |_: tonic::transport::Uri| -> Connecting {
            let secured = secured.clone();
            Box::pin(async move { secured.open().await.map(TokioIo::new) })
        })
    }

    async fn open(&self) -> Result<TlsStream<TcpStream>, ReachError> {
        let secured = self.clone();
        let found = tokio::task::spawn_blocking(move || secured.membership()).await;
        let membership = found.map_err(|error| ReachError::Tls(error.to_string()))??;
        let opening = open(&self.address, Some(&membership), &membership.authority);
        opening.await
    }

    /// With which it connects now.
    fn membership(&self) -> Result<Membership, ReachError> {
        let found = Membership::find(&self.memberships, &self.address)?;
        let membership = found.ok_or_else(|| ReachError::NotJoined {
            address: self.address.clone(),
        })?;
        if let Some(term) = membership.term()
            && term.ends <= jiff::Timestamp::now()
        {
            return Err(ReachError::Expired {
                address: self.address.clone(),
                at: term.ends,
            });
        }
        Ok(membership)
    }
}

/// Connects and shakes hands, with or without a certificate of one's own.
pub(super) async fn open(
    address: &str,
    own: Option<&Membership>,
    authority: &str,
) -> Result<TlsStream<TcpStream>, ReachError> {
    let bad = || ReachError::Address {
        address: address.to_owned(),
    };
    let (host, port) = host_and_port(address).ok_or_else(bad)?;
    let name = ServerName::try_from(host.to_owned()).map_err(|_| bad())?;
    let config = Arc::new(client_config(own, authority)?);
    let shaking = async {
        let stream = TcpStream::connect((host, port)).await?;
        stream.set_nodelay(true)?;
        TlsConnector::from(config).connect(name, stream).await
    };
    match tokio::time::timeout(CONNECT_LIMIT, shaking).await {
        Ok(Ok(stream)) => Ok(stream),
        Ok(Err(error)) => Err(explain(address, &error)),
        Err(_) => Err(unreachable(address, no_answer(CONNECT_LIMIT))),
    }
}

fn client_config(own: Option<&Membership>, authority: &str) -> Result<ClientConfig, ReachError> {
    let tls = |error: &dyn std::fmt::Display| ReachError::Tls(error.to_string());
    let mut roots = RootCertStore::empty();
    let authority = CertificateDer::from_pem_slice(authority.as_bytes()).map_err(|error| tls(&error))?;
    roots.add(authority).map_err(|error| tls(&error))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| tls(&error))?
        .with_root_certificates(roots);
    let mut config = match own {
        Some(own) => {
            let certificate =
                CertificateDer::from_pem_slice(own.certificate.as_bytes()).map_err(|error| tls(&error))?;
            let key = PrivateKeyDer::from_pem_slice(own.key.as_bytes()).map_err(|error| tls(&error))?;
            builder
                .with_client_auth_cert(vec![certificate], key)
                .map_err(|error| tls(&error))?
        }
        None => builder.with_no_client_auth(),
    };
    config.alpn_protocols = vec![b"h2".to_vec()];
    Ok(config)
}

/// What a failed handshake means to who wants to connect.
pub(super) fn explain(address: &str, error: &io::Error) -> ReachError {
    let inner = error
        .get_ref()
        .and_then(|inner| inner.downcast_ref::<rustls::Error>());
    match inner {
        Some(rustls::Error::InvalidCertificate(
            CertificateError::Expired | CertificateError::ExpiredContext { .. },
        )) => ReachError::ServerExpired {
            address: address.to_owned(),
            now: jiff::Timestamp::now(),
        },
        Some(rustls::Error::InvalidCertificate(
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. },
        )) => ReachError::ClockBehind {
            address: address.to_owned(),
            now: jiff::Timestamp::now(),
        },
        Some(rustls::Error::AlertReceived(AlertDescription::CertificateExpired)) => unreachable(
            address,
            "it says that this user's certificate has expired: join again".into(),
        ),
        _ => unreachable(address, causes(error)),
    }
}

pub(super) fn unreachable(address: &str, problem: String) -> ReachError {
    ReachError::Unreachable {
        address: address.to_owned(),
        problem,
    }
}

pub(super) fn no_answer(limit: Duration) -> String {
    format!("no answer within {} s", limit.as_secs())
}

#[cfg(test)]
mod tests {
    use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair, date_time_ymd};

    use super::*;

    const DAY: Duration = Duration::from_secs(86_400);

    fn params(names: &[&str], from: Duration, until: Duration) -> CertificateParams {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        let mut params = CertificateParams::new(names).unwrap();
        (params.not_before, params.not_after) = (
            date_time_ymd(1970, 1, 1) + from,
            date_time_ymd(1970, 1, 1) + until,
        );
        params
    }

    /// A server on loopback whose certificate is good for such a time, and its authority.
    async fn server(from: Duration, until: Duration) -> (String, String) {
        let key = KeyPair::generate().unwrap();
        let mut authority = params(&[], Duration::ZERO, DAY * 30_000);
        authority.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        let root = authority.self_signed(&key).unwrap().pem();
        let issuer = Issuer::new(authority, key);
        let own = KeyPair::generate().unwrap();
        let certificate = params(&["127.0.0.1"], from, until)
            .signed_by(&own, &issuer)
            .unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = rustls::ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(
                vec![certificate.der().clone()],
                PrivateKeyDer::from_pem_slice(own.serialize_pem().as_bytes()).unwrap(),
            )
            .unwrap();
        let acceptor = tokio_rustls::TlsAcceptor::from(Arc::new(config));
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                // Who does not like what is shown goes away.
                let _ = acceptor.accept(stream).await;
            }
        });
        (address, root)
    }

    #[tokio::test]
    async fn a_coordinators_certificate_counts_in_its_time_only_and_it_is_said_what_to_do() {
        let now = std::time::UNIX_EPOCH.elapsed().unwrap();
        let (address, root) = server(now - DAY, now + DAY).await;
        open(&address, None, &root).await.unwrap();

        let (address, root) = server(now - DAY * 2, now - DAY).await;
        let error = open(&address, None, &root).await.unwrap_err();
        assert!(matches!(error, ReachError::ServerExpired { .. }), "{error}");
        assert!(
            error.to_string().contains("tidemill-coordinator renew"),
            "{error}"
        );

        let (address, root) = server(now + DAY, now + DAY * 2).await;
        let error = open(&address, None, &root).await.unwrap_err();
        assert!(matches!(error, ReachError::ClockBehind { .. }), "{error}");
    }

    #[tokio::test]
    async fn a_membership_that_has_ended_connects_to_nobody_and_says_how_to_join_again() {
        let folder = tempfile::tempdir().unwrap();
        let now = std::time::UNIX_EPOCH.elapsed().unwrap();
        let (address, root) = server(now - DAY, now + DAY).await;
        let key = KeyPair::generate().unwrap();
        let keep = |until: Duration| {
            let certificate = params(&[], now - DAY, until).self_signed(&key).unwrap();
            let membership = Membership {
                certificate: certificate.pem(),
                authority: root.clone(),
                key: key.serialize_pem(),
            };
            membership.keep(folder.path(), &address).unwrap();
        };
        keep(now - Duration::from_secs(60));
        let secured = Secured {
            memberships: folder.path().to_owned(),
            address: address.clone(),
        };
        let error = secured.open().await.unwrap_err();
        assert!(error.to_string().contains("join again"), "{error}");
        // As soon as there is one that is good, it is used.
        keep(now + DAY);
        secured.open().await.unwrap();
    }
}
