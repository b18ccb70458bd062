//! A member's next certificate, asked for while the present one is good. The key is new too, and never leaves this machine.

use std::path::Path;
use std::time::Duration;

use rcgen::{CertificateParams, KeyPair};
use tidemill_proto::v1::RenewRequest;
use tidemill_proto::v1::members_client::MembersClient;
use tonic::transport::Channel;

use super::join::pem;
use super::membership::{Membership, Term};
use super::{ReachError, causes};

/// How long the coordinator may take to sign.
const LIMIT: Duration = Duration::from_secs(20);
/// A clock may be set, and a machine may sleep: it is looked at least so often.
const LONGEST_PAUSE: Duration = Duration::from_secs(3600);

/// Renews the membership at `address` if two thirds of its certificate's time are over, over a channel that will show it.
/// Gives when the new one ends; `None`: it was not time yet, or there is no membership.
///
/// # Errors
/// A file that cannot be read or written, or a coordinator that does not sign. The old certificate is then still there.
pub(super) async fn renew_if_due(
    memberships: &Path,
    address: &str,
    channel: Channel,
) -> Result<Option<jiff::Timestamp>, ReachError> {
    let Some(membership) = Membership::find(memberships, address)? else {
        return Ok(None);
    };
    let is_due = |term: Term| term.is_due(jiff::Timestamp::now());
    if !membership.term().is_some_and(is_due) {
        return Ok(None);
    }
    let key = KeyPair::generate()?;
    let request = RenewRequest {
        certificate_request: CertificateParams::default()
            .serialize_request(&key)?
            .der()
            .to_vec(),
    };
    let mut request = tonic::Request::new(request);
    request.set_timeout(LIMIT);
    let answer = MembersClient::new(channel).renew(request).await;
    let answer = answer.map_err(|status| ReachError::NotRenewed {
        address: address.to_owned(),
        problem: causes(&status),
    })?;
    let answer = answer.into_inner();
    let next = Membership {
        certificate: pem("CERTIFICATE", &answer.certificate),
        authority: membership.authority,
        key: key.serialize_pem(),
    };
    next.keep(memberships, address)?;
    Ok(jiff::Timestamp::from_millisecond(answer.expires_ms).ok())
}

/// How long to wait before the next look.
pub(super) fn pause(memberships: &Path, address: &str) -> Duration {
    match Membership::find(memberships, address) {
        Ok(Some(membership)) => membership.term().map_or(LONGEST_PAUSE, |term| {
            term.pause(jiff::Timestamp::now()).min(LONGEST_PAUSE)
        }),
        // What is wrong with it is told where it is used.
        Ok(None) | Err(_) => LONGEST_PAUSE,
    }
}
