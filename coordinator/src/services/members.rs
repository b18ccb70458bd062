//! Lets programs become members: decode, call, encode.

use std::sync::Arc;

use tidemill_proto::PROTOCOL;
use tidemill_proto::v1::members_server::Members;
use tidemill_proto::v1::{EnrollAnswer, EnrollRequest, RenewRequest, Role};
use tonic::{Request, Response, Status};

use super::blocking::blocking;
use crate::identity::folder::EnrollError;
use crate::identity::tokens::TokenRefused;
use crate::identity::{Identity, admission};

/// Signs requests for certificates.
pub struct MembersService {
    identity: Arc<Identity>,
}

impl MembersService {
    /// With the right to sign.
    pub fn new(identity: Arc<Identity>) -> Self {
        Self { identity }
    }
}

#[tonic::async_trait]
impl Members for MembersService {
    async fn enroll(&self, request: Request<EnrollRequest>) -> Result<Response<EnrollAnswer>, Status> {
        let request = request.into_inner();
        if request.protocol != PROTOCOL {
            let newer = if request.protocol > PROTOCOL {
                "coordinator"
            } else {
                "joining program"
            };
            return Err(Status::failed_precondition(format!(
                "the joining program (Tidemill {}) speaks protocol {}, this coordinator (Tidemill {}) {PROTOCOL}: update the {newer}",
                request.version,
                request.protocol,
                env!("CARGO_PKG_VERSION"),
            )));
        }
        let role = request.role();
        if role == Role::Unspecified {
            return Err(Status::invalid_argument(
                "a member joins as an agent or as a person",
            ));
        }
        let identity = self.identity.clone();
        let name = request.name.clone();
        let signed = blocking(move || {
            identity.enroll(
                &request.token,
                role,
                &request.name,
                &request.certificate_request,
                jiff::Timestamp::now(),
            )
        })
        .await?
        .map_err(|error| {
            tracing::warn!(name, "not enrolled: {error}");
            refused(&error)
        })?;
        tracing::info!(name, role = role.as_str_name(), "a new member");
        Ok(Response::new(EnrollAnswer {
            certificate: signed.certificate,
            expires_ms: signed.expires_ms,
        }))
    }

    async fn renew(&self, request: Request<RenewRequest>) -> Result<Response<EnrollAnswer>, Status> {
        let member = admission::caller(&request)?;
        if member.ends <= jiff::Timestamp::now() {
            return Err(Status::unauthenticated(format!(
                "the certificate that this connection was made with ended at {}: connect again, with the present one",
                member.ends
            )));
        }
        let request = request.into_inner().certificate_request;
        let (identity, renewed) = (self.identity.clone(), member.clone());
        let signed = blocking(move || identity.renew(&renewed, &request, jiff::Timestamp::now()))
            .await?
            .map_err(|error| {
                tracing::warn!(name = member.name, "not renewed: {error}");
                refused(&error)
            })?;
        let (name, role) = (&member.name, &member.role);
        tracing::info!(
            name,
            role,
            before = member.serial,
            "a member's certificate was renewed"
        );
        Ok(Response::new(EnrollAnswer {
            certificate: signed.certificate,
            expires_ms: signed.expires_ms,
        }))
    }
}

fn refused(error: &EnrollError) -> Status {
    let words = error.to_string();
    match error {
        EnrollError::Token(TokenRefused::Role { .. }) => Status::permission_denied(words),
        EnrollError::Token(_) => Status::unauthenticated(words),
        EnrollError::Request(_) => Status::invalid_argument(words),
    }
}
