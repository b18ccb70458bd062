//! How a coordinator is reached: in plain text on this machine's own addresses, everywhere else over TLS with a
//! certificate that came with an invitation. Used by the agent and by people's programs alike.
//!
//! # Layout
//! - [`membership`]: the certificates that this user holds, one file for each coordinator.
//! - [`join`]: from an invitation to a certificate.
//! - `pin`: recognises a coordinator by the fingerprint in an invitation.

pub mod join;
pub mod membership;
mod pin;

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tidemill_proto::invitation::host_and_port;
use tonic::transport::{Certificate, ClientTlsConfig, Endpoint, Identity};

pub use join::{Joined, join};
pub use membership::Membership;

const CONNECT_LIMIT: Duration = Duration::from_secs(10);

/// Why a coordinator cannot be reached, in words for its user.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReachError {
    /// Not `HOST:PORT`.
    #[error("`{address}` is no address: write HOST:PORT, as in mill.example:7420")]
    Address {
        /// As given.
        address: String,
    },
    /// Plain text would cross the network.
    #[error(
        "{address} is another machine, and nothing crosses the network in plain text: this user has not joined the \
         coordinator there. Join first, with an invitation (`tidemill-coordinator invite` on its machine makes one): \
         `tidemill join INVITATION` for people, `tidemill-agent --join INVITATION` for a workstation"
    )]
    NotJoined {
        /// As given.
        address: String,
    },
    /// A file that holds a certificate.
    #[error("cannot {action} {}: {source}", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file that should hold a certificate does not.
    #[error("{} does not hold a certificate and its key: remove it and join again", path.display())]
    Damaged {
        /// Which.
        path: PathBuf,
    },
    /// Nobody answers, or nobody who speaks TLS.
    #[error("the coordinator at {address} cannot be reached: {problem}")]
    Unreachable {
        /// From the invitation.
        address: String,
        /// What went wrong.
        problem: String,
    },
    /// Somebody answers, but not whom the invitation names.
    #[error(
        "{address} is not the coordinator that the invitation is from (its authority's fingerprint differs): nothing was \
         sent to it. Ask for a new invitation; if that does not help, somebody may stand in between"
    )]
    AnotherCoordinator {
        /// From the invitation.
        address: String,
    },
    /// The coordinator does not let the sender in.
    #[error("the coordinator at {address} refuses: {reason}")]
    Refused {
        /// From the invitation.
        address: String,
        /// Its words.
        reason: String,
    },
    /// A key could not be made.
    #[error("cannot make a key: {0}")]
    Key(#[from] rcgen::Error),
    /// TLS cannot be set up.
    #[error("cannot set up TLS: {0}")]
    Tls(String),
}

/// The way to the coordinator at `address`, with the certificates below `memberships`. Connects to nothing.
///
/// # Errors
/// An address that is none, or of another machine whose coordinator this user has not joined.
pub fn endpoint(memberships: &Path, address: &str) -> Result<Endpoint, ReachError> {
    let address = plain_address(address);
    let bad = || ReachError::Address {
        address: address.to_owned(),
    };
    let (host, _) = host_and_port(address).ok_or_else(bad)?;
    match Membership::find(memberships, address)? {
        Some(membership) => {
            let tls = tls_to(host, &membership.authority)
                .identity(Identity::from_pem(&membership.certificate, &membership.key));
            over_tls(address, tls)
        }
        None if is_loopback(host) => {
            let plain = Endpoint::from_shared(format!("http://{address}")).map_err(|_| bad())?;
            Ok(plain.connect_timeout(CONNECT_LIMIT))
        }
        None => Err(ReachError::NotJoined {
            address: address.to_owned(),
        }),
    }
}

/// `HOST:PORT` without what people put around it.
pub fn plain_address(text: &str) -> &str {
    let text = text
        .strip_prefix("http://")
        .or_else(|| text.strip_prefix("https://"))
        .unwrap_or(text);
    text.trim_end_matches('/')
}

fn tls_to(host: &str, authority: &str) -> ClientTlsConfig {
    ClientTlsConfig::new()
        .ca_certificate(Certificate::from_pem(authority))
        .domain_name(host)
        .timeout(CONNECT_LIMIT)
}

fn over_tls(address: &str, tls: ClientTlsConfig) -> Result<Endpoint, ReachError> {
    choose_provider();
    let tls_error = |error: tonic::transport::Error| ReachError::Tls(causes(&error));
    let endpoint = Endpoint::from_shared(format!("https://{address}")).map_err(tls_error)?;
    let endpoint = endpoint.connect_timeout(CONNECT_LIMIT);
    endpoint.tls_config(tls).map_err(tls_error)
}

/// Only what can never leave this machine; a name other than `localhost` may mean anything.
fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// Says which code does TLS, should a program that links this one bring a second kind along.
fn choose_provider() {
    // Fails if one was chosen already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// An error with everything that caused it, in one line.
fn causes(error: &dyn std::error::Error) -> String {
    with_causes(error.to_string(), error)
}

/// What is said of an error, and everything that caused it, in one line.
pub(crate) fn with_causes(mut text: String, error: &dyn std::error::Error) -> String {
    let mut source = error.source();
    while let Some(cause) = source {
        let words = cause.to_string();
        if !text.contains(&words) {
            text = format!("{text}: {words}");
        }
        source = cause.source();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_text_stays_on_this_machine() {
        let folder = tempfile::tempdir().unwrap();
        for address in [
            "127.0.0.1:7420",
            "localhost:7420",
            "[::1]:7420",
            "http://127.9.9.9:1/",
        ] {
            assert!(endpoint(folder.path(), address).is_ok(), "{address}");
        }
        for address in [
            "10.0.0.5:7420",
            "mill.example:7420",
            "127.0.0.1.example:1",
            "[fe80::1]:7420",
            "0.0.0.0:7420",
        ] {
            let error = endpoint(folder.path(), address).unwrap_err();
            assert!(
                matches!(error, ReachError::NotJoined { .. }),
                "{address}: {error}"
            );
            assert!(error.to_string().contains("tidemill join INVITATION"));
        }
        for address in ["mill", "mill:", "::1:1", ""] {
            let error = endpoint(folder.path(), address).unwrap_err();
            assert!(matches!(error, ReachError::Address { .. }), "{address}: {error}");
        }
    }
}
