//! How a coordinator is reached: in plain text on this machine's own addresses, everywhere else over TLS with a
//! certificate that came with an invitation. Used by the agent and by people's programs alike.
//!
//! # Layout
//! - [`membership`]: the certificates that this user holds, one file for each coordinator.
//! - [`join`]: from an invitation to a certificate; `renew`: to the next one, in time.
//! - [`way`]: connects, with the certificate that is there at that moment.
//! - `pin`: recognises a coordinator by the fingerprint in an invitation.

pub mod join;
pub mod membership;
mod pin;
mod renew;
pub mod way;

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tidemill_proto::invitation::host_and_port;
use tonic::transport::Endpoint;

pub use join::{Joined, join};
pub use membership::Membership;
pub use way::Way;

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
    /// The own certificate has ended.
    #[error(
        "the certificate with which this user joined {address} ended at {at}, and only one that is still good can be renewed: \
         ask for an invitation (`tidemill-coordinator invite` on the coordinator's machine) and join again, with \
         `tidemill join INVITATION` for people, `tidemill-agent --join INVITATION` for a workstation"
    )]
    Expired {
        /// As given.
        address: String,
        /// When it ended.
        at: jiff::Timestamp,
    },
    /// The coordinator's certificate has ended.
    #[error(
        "the certificate of the coordinator at {address} has expired (it is {now} by this machine's clock): if the clock is \
         right, run `tidemill-coordinator renew` on the coordinator's machine; members stay members"
    )]
    ServerExpired {
        /// As given.
        address: String,
        /// By the own clock.
        now: jiff::Timestamp,
    },
    /// The coordinator's certificate lies in the future.
    #[error(
        "the certificate of the coordinator at {address} is not good yet: it is {now} by this machine's clock, which seems to be \
         behind; set it"
    )]
    ClockBehind {
        /// As given.
        address: String,
        /// By the own clock.
        now: jiff::Timestamp,
    },
    /// The coordinator did not sign the next certificate.
    #[error("the certificate for {address} was not renewed: {problem}")]
    NotRenewed {
        /// As given.
        address: String,
        /// What went wrong.
        problem: String,
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
pub fn way(memberships: &Path, address: &str) -> Result<Way, ReachError> {
    let address = plain_address(address);
    let (host, _) = host_and_port(address).ok_or_else(|| bad_address(address))?;
    let endpoint = endpoint_of(address)?;
    match Membership::find(memberships, address)? {
        Some(_) => Ok(Way::secured(endpoint, memberships.to_owned(), address.to_owned())),
        None if is_loopback(host) => Ok(Way::plain(endpoint)),
        None => Err(ReachError::NotJoined {
            address: address.to_owned(),
        }),
    }
}

/// Where a coordinator is, whatever lies under the connection: TLS is done by [`way`] itself.
fn endpoint_of(address: &str) -> Result<Endpoint, ReachError> {
    let endpoint = Endpoint::from_shared(format!("http://{address}")).map_err(|_| bad_address(address))?;
    Ok(endpoint.connect_timeout(CONNECT_LIMIT))
}

fn bad_address(address: &str) -> ReachError {
    ReachError::Address {
        address: address.to_owned(),
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

/// Whether what is sent to `address` stays on this machine.
pub fn is_on_this_machine(address: &str) -> bool {
    host_and_port(plain_address(address)).is_some_and(|(host, _)| is_loopback(host))
}

/// Only what can never leave this machine; a name other than `localhost` may mean anything.
fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
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
            assert!(!way(folder.path(), address).unwrap().is_secured(), "{address}");
        }
        for address in [
            "10.0.0.5:7420",
            "mill.example:7420",
            "127.0.0.1.example:1",
            "[fe80::1]:7420",
            "0.0.0.0:7420",
        ] {
            let error = way(folder.path(), address).unwrap_err();
            assert!(
                matches!(error, ReachError::NotJoined { .. }),
                "{address}: {error}"
            );
            assert!(error.to_string().contains("tidemill join INVITATION"));
        }
        for address in ["mill", "mill:", "::1:1", ""] {
            let error = way(folder.path(), address).unwrap_err();
            assert!(matches!(error, ReachError::Address { .. }), "{address}: {error}");
        }
    }
}
