//! What a connection's certificate lets it do. That a certificate is the studio's own, and in its time, was
//! checked by TLS; here it is read, and every call is allowed or refused.

use tonic::service::Interceptor;
use tonic::{Request, Status};
use x509_parser::prelude::{FromDer as _, X509Certificate};

/// A part of what the coordinator serves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Area {
    /// Submit, watch, query, control.
    Runs,
    /// Bytes of the store.
    Blobs,
    /// Lending a machine.
    Agents,
}

/// Who calls, from the certificate. Calls that are let in carry it among their extensions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// As enrolled.
    pub name: String,
    /// `agent` or `person`.
    pub role: String,
    /// The certificate's serial number, as hexadecimal digits: what names a certificate for good.
    pub serial: String,
    /// When the certificate ends. A connection that stands may be older.
    pub ends: jiff::Timestamp,
}

/// Lets calls of one area in, or refuses them.
#[derive(Debug, Clone)]
pub struct Admission {
    area: Area,
    /// False: whoever can connect may do everything (own process, or loopback in plain text).
    members_only: bool,
}

impl Admission {
    /// For an area.
    pub fn of(area: Area, members_only: bool) -> Self {
        Self { area, members_only }
    }
}

impl Interceptor for Admission {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if !self.members_only {
            return Ok(request);
        }
        let member = caller(&request)?;
        if let Some(reason) = refusal(&member, self.area) {
            return Err(Status::permission_denied(reason));
        }
        request.extensions_mut().insert(member);
        Ok(request)
    }
}

/// Who calls, from the certificate that the connection showed.
///
/// # Errors
/// It showed none, or one that does not say who this is.
#[allow(clippy::result_large_err, reason = "the type that calls are refused with")]
pub fn caller<T>(request: &Request<T>) -> Result<Member, Status> {
    let certificates = request.peer_certs();
    let own = certificates
        .as_ref()
        .and_then(|certificates| certificates.first());
    let Some(own) = own else {
        return Err(Status::unauthenticated(
            "this coordinator only talks to members: join first with an invitation \
             (`tidemill-coordinator invite` on its machine makes one)",
        ));
    };
    read_member(own)
        .ok_or_else(|| Status::unauthenticated("the certificate does not say who this is: join again"))
}

/// Why a member may not use an area; `None`: it may. The one place where rights are decided.
fn refusal(member: &Member, area: Area) -> Option<String> {
    let allowed = match area {
        Area::Blobs => matches!(member.role.as_str(), "agent" | "person"),
        Area::Agents => member.role == "agent",
        Area::Runs => member.role == "person",
    };
    (!allowed).then(|| {
        let Member { name, role, .. } = member;
        let what = match area {
            Area::Runs => "submit or look at runs",
            Area::Agents => "lend a machine",
            Area::Blobs => "use the store",
        };
        format!("{name} joined as {role:?}, which may not {what}: join with an invitation for that")
    })
}

fn read_member(der: &[u8]) -> Option<Member> {
    let (_, certificate) = X509Certificate::from_der(der).ok()?;
    let subject = certificate.subject();
    let name = subject.iter_common_name().next()?.as_str().ok()?;
    let role = subject.iter_organizational_unit().next()?.as_str().ok()?;
    Some(Member {
        name: name.to_owned(),
        role: role.to_owned(),
        serial: certificate.raw_serial_as_string().replace(':', ""),
        ends: jiff::Timestamp::from_second(certificate.validity().not_after.timestamp()).ok()?,
    })
}

/// A name as it goes into a certificate: without what does not print, at most 64 characters (the upper bound of a
/// common name, RFC 5280, appendix A); `None` if nothing is left.
pub fn member_name(name: &str) -> Option<String> {
    let plain: String = name
        .trim()
        .chars()
        .filter(|character| !character.is_control())
        .take(64)
        .collect();
    (!plain.is_empty()).then_some(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_role_has_its_areas() {
        let may = |role: &str| {
            let member = Member {
                name: "ash".into(),
                role: role.into(),
                serial: String::new(),
                ends: jiff::Timestamp::MAX,
            };
            [Area::Runs, Area::Blobs, Area::Agents].map(|area| refusal(&member, area).is_none())
        };
        assert_eq!(may("agent"), [false, true, true]);
        assert_eq!(may("person"), [true, true, false]);
        assert_eq!(may("other"), [false; 3]);
    }

    #[test]
    fn names_are_made_plain() {
        assert_eq!(member_name(" ash\n\0").as_deref(), Some("ash"));
        assert_eq!(member_name(&"x".repeat(99)).map(|name| name.len()), Some(64));
        assert_eq!(member_name(" \n"), None);
    }
}
