//! From an invitation to a certificate of one's own. The key is made here and never leaves this machine.

use std::path::{Path, PathBuf};
use std::time::Duration;

use hyper_util::rt::TokioIo;
use rcgen::{CertificateParams, KeyPair};
use tidemill_proto::v1::members_client::MembersClient;
use tidemill_proto::v1::{EnrollRequest, Role};
use tidemill_proto::{Invitation, PROTOCOL};
use tonic::Code;

use super::membership::Membership;
use super::{ReachError, causes, pin, way};

/// How long the coordinator may take to sign.
const LIMIT: Duration = Duration::from_secs(20);

/// A new membership.
#[derive(Debug, Clone)]
pub struct Joined {
    /// Of the coordinator, for `--at`.
    pub address: String,
    /// Where certificate and key were kept.
    pub file: PathBuf,
    /// When the certificate ends, Unix time.
    pub expires_ms: i64,
}

/// Joins the coordinator that the invitation names, and keeps the certificate below `memberships`. The
/// coordinator is recognised by the invitation's fingerprint before the token is sent.
///
/// # Errors
/// Why not, in words for the user: nobody there, somebody else there, an invitation that has expired, another release.
pub async fn join(
    invitation: &Invitation,
    role: Role,
    name: &str,
    memberships: &Path,
) -> Result<Joined, ReachError> {
    let address = invitation.address.as_str();
    let authority = pem(
        "CERTIFICATE",
        &pin::recognise(address, invitation.fingerprint).await?,
    );
    // One connection, that of whom was just recognised.
    let mut stream = Some(TokioIo::new(way::open(address, None, &authority).await?));
    let once = tower::service_fn(move |_: tonic::transport::Uri| {
        std::future::ready(
            stream
                .take()
                .ok_or_else(|| std::io::Error::other("the connection was lost")),
        )
    });
    let endpoint = super::endpoint_of(address)?.timeout(LIMIT);
    let channel = endpoint
        .connect_with_connector(once)
        .await
        .map_err(|error| way::unreachable(address, causes(&error)))?;
    let key = KeyPair::generate()?;
    let request = EnrollRequest {
        token: invitation.token.clone(),
        role: role.into(),
        name: name.to_owned(),
        certificate_request: CertificateParams::default()
            .serialize_request(&key)?
            .der()
            .to_vec(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        protocol: PROTOCOL,
    };
    let answer = MembersClient::new(channel).enroll(request).await;
    let answer = answer.map_err(|status| match status.code() {
        Code::Unavailable | Code::Unknown | Code::DeadlineExceeded | Code::Cancelled => {
            ReachError::Unreachable {
                address: address.to_owned(),
                problem: causes(&status),
            }
        }
        _ => ReachError::Refused {
            address: address.to_owned(),
            reason: status.message().to_owned(),
        },
    })?;
    let answer = answer.into_inner();
    let membership = Membership {
        certificate: pem("CERTIFICATE", &answer.certificate),
        authority,
        key: key.serialize_pem(),
    };
    Ok(Joined {
        address: address.to_owned(),
        file: membership.keep(memberships, address)?,
        expires_ms: answer.expires_ms,
    })
}

/// Bytes as a section of PEM text (RFC 7468).
pub(super) fn pem(label: &str, der: &[u8]) -> String {
    let lines = pem::EncodeConfig::new().set_line_ending(pem::LineEnding::LF);
    pem::encode_config(&pem::Pem::new(label, der), lines)
}

#[cfg(test)]
mod tests {
    use rustls::pki_types::PrivatePkcs8KeyDer;
    use rustls::pki_types::pem::PemObject as _;

    use super::*;

    #[test]
    fn pem_text_is_what_others_read() {
        for length in [1, 2, 3, 47, 48, 49, 500] {
            let der: Vec<u8> = (0..length).map(|number| (number * 7 % 256) as u8).collect();
            let read = PrivatePkcs8KeyDer::from_pem_slice(pem("PRIVATE KEY", &der).as_bytes()).unwrap();
            assert_eq!(read.secret_pkcs8_der(), der, "{length}");
        }
    }
}
