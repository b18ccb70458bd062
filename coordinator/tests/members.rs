//! A coordinator that serves members only, over TLS on loopback: what each connection is let do.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;
use std::sync::Arc;

use tidemill_coordinator::identity::Identity;
use tidemill_coordinator::{Config, Coordinator};
use tidemill_proto::v1::agents_client::AgentsClient;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::members_client::MembersClient;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::{AboutRequest, DigestList, EnrollRequest, FromAgent, RenewRequest, Role};
use tidemill_proto::{Invitation, PROTOCOL};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tonic::transport::server::TcpIncoming;
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Identity as Pem};
use tonic::{Code, Status};

struct Studio {
    port: u16,
    authority: String,
    identity: Identity,
    _data: tempfile::TempDir,
}

async fn open() -> Studio {
    let data = tempfile::tempdir().unwrap();
    let folder = Identity::folder_of(data.path());
    let served = Identity::make(&folder, &["127.0.0.1".into()], 7420, "3 years").unwrap();
    let coordinator = Coordinator::open(Config::studio(data.path())).await.unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        let incoming = TcpIncoming::from(listener);
        let until = CancellationToken::new();
        coordinator.serve_members(incoming, Arc::new(served), until).await
    });
    Studio {
        port,
        authority: read(&folder, "authority.pem"),
        identity: Identity::open(&folder).unwrap().unwrap(),
        _data: data,
    }
}

fn read(folder: &Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).unwrap()
}

impl Studio {
    async fn connect(&self, own: Option<Pem>) -> Channel {
        let mut tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(&self.authority));
        if let Some(own) = own {
            tls = tls.identity(own);
        }
        let url = format!("https://127.0.0.1:{}", self.port);
        let endpoint = Endpoint::from_shared(url).unwrap().tls_config(tls).unwrap();
        endpoint.connect().await.unwrap()
    }

    async fn enroll(
        &self,
        invitation: &Invitation,
        change: impl FnOnce(&mut EnrollRequest),
    ) -> Result<Pem, Status> {
        let key = rcgen::KeyPair::generate().unwrap();
        let params = rcgen::CertificateParams::default();
        let mut request = EnrollRequest {
            token: invitation.token.clone(),
            role: Role::Agent.into(),
            name: "ash".into(),
            certificate_request: params.serialize_request(&key).unwrap().der().to_vec(),
            version: "0.0.0".into(),
            protocol: PROTOCOL,
        };
        change(&mut request);
        let channel = self.connect(None).await;
        let answer = MembersClient::new(channel).enroll(request).await?.into_inner();
        let pem = pem_of(&answer.certificate);
        Ok(Pem::from_pem(pem, key.serialize_pem()))
    }

    /// The next certificate of whoever holds `own`.
    async fn renew(&self, own: Option<Pem>) -> Result<Pem, Status> {
        let key = rcgen::KeyPair::generate().unwrap();
        // What a request says of its sender is not listened to.
        let mut params = rcgen::CertificateParams::default();
        params
            .distinguished_name
            .push(rcgen::DnType::OrganizationalUnitName, "person");
        let request = RenewRequest {
            certificate_request: params.serialize_request(&key).unwrap().der().to_vec(),
        };
        let channel = self.connect(own).await;
        let answer = MembersClient::new(channel).renew(request).await?.into_inner();
        Ok(Pem::from_pem(pem_of(&answer.certificate), key.serialize_pem()))
    }

    /// What a connection may do: runs, blobs, agents.
    async fn areas(&self, own: Option<Pem>) -> [Option<Code>; 3] {
        let channel = self.connect(own).await;
        let refusal = |outcome: Result<(), Status>| match outcome {
            Err(status) if matches!(status.code(), Code::Unauthenticated | Code::PermissionDenied) => {
                Some(status.code())
            }
            Err(status) => panic!("{status:?}"),
            Ok(()) => None,
        };
        let about = RunsClient::new(channel.clone())
            .about(AboutRequest::default())
            .await;
        let missing = BlobsClient::new(channel.clone())
            .missing(DigestList::default())
            .await;
        let join = AgentsClient::new(channel)
            .join(tokio_stream::pending::<FromAgent>())
            .await;
        [about.map(drop), missing.map(drop), join.map(drop)].map(refusal)
    }
}

/// Base64 in lines between two marks (RFC 7468).
fn pem_of(der: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::from("-----BEGIN CERTIFICATE-----\n");
    for (count, group) in der.chunks(3).enumerate() {
        let mut bits = 0u32;
        for place in 0..3 {
            bits = bits << 8 | u32::from(group.get(place).copied().unwrap_or(0));
        }
        for place in 0..4 {
            let digit = DIGITS[(bits >> (18 - 6 * place) & 63) as usize];
            text.push(if place <= group.len() { digit.into() } else { '=' });
        }
        if count % 16 == 15 {
            text.push('\n');
        }
    }
    text + "\n-----END CERTIFICATE-----\n"
}

#[tokio::test]
async fn each_connection_may_do_what_its_certificate_says() {
    let studio = open().await;
    let invitation = studio.identity.invite(Role::Unspecified, "1 hour").unwrap();
    let agent = studio.enroll(&invitation, |_| {}).await.unwrap();
    let person = studio
        .enroll(&invitation, |request| request.role = Role::Person.into())
        .await
        .unwrap();
    let (stranger, barred) = (Some(Code::Unauthenticated), Some(Code::PermissionDenied));
    assert_eq!(studio.areas(None).await, [stranger; 3]);
    assert_eq!(studio.areas(Some(agent)).await, [barred, None, None]);
    assert_eq!(studio.areas(Some(person)).await, [None, None, barred]);
}

#[tokio::test]
async fn a_member_gets_its_next_certificate_and_stays_who_it_is_and_a_stranger_gets_none() {
    let studio = open().await;
    let invitation = studio.identity.invite(Role::Agent, "1 hour").unwrap();
    let agent = studio.enroll(&invitation, |_| {}).await.unwrap();
    let next = studio.renew(Some(agent)).await.unwrap();
    let barred = Some(Code::PermissionDenied);
    assert_eq!(studio.areas(Some(next.clone())).await, [barred, None, None]);
    // And so on, without the invitation.
    let third = studio.renew(Some(next)).await.unwrap();
    assert_eq!(studio.areas(Some(third)).await, [barred, None, None]);
    let refused = studio.renew(None).await.map(drop).unwrap_err();
    assert_eq!(refused.code(), Code::Unauthenticated, "{refused:?}");
}

#[tokio::test]
async fn a_certificate_of_another_studio_is_no_certificate() {
    let (studio, other) = (open().await, open().await);
    let invitation = other.identity.invite(Role::Person, "1 hour").unwrap();
    let foreign = other
        .enroll(&invitation, |request| request.role = Role::Person.into())
        .await
        .unwrap();
    let channel = studio.connect(Some(foreign)).await;
    let refused = RunsClient::new(channel).about(AboutRequest::default()).await;
    assert!(refused.is_err(), "{refused:?}");
}

#[tokio::test]
async fn who_is_not_enrolled_is_told_why() {
    let studio = open().await;
    let invitation = studio.identity.invite(Role::Agent, "1 hour").unwrap();
    let short = studio.identity.invite(Role::Agent, "1 ms").unwrap();
    tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    let mut wrong = invitation.clone();
    wrong.token = "0".repeat(40);
    type Change = Box<dyn FnOnce(&mut EnrollRequest)>;
    let cases: [(&Invitation, Change, Code, &str); 6] = [
        (
            &wrong,
            Box::new(|_| {}),
            Code::Unauthenticated,
            "no such invitation",
        ),
        (
            &short,
            Box::new(|_| {}),
            Code::Unauthenticated,
            "the invitation expired at",
        ),
        (
            &invitation,
            Box::new(|request| request.role = Role::Person.into()),
            Code::PermissionDenied,
            "the invitation is for agents",
        ),
        (
            &invitation,
            Box::new(|request| request.protocol = PROTOCOL + 1),
            Code::FailedPrecondition,
            "update the coordinator",
        ),
        (
            &invitation,
            Box::new(|request| request.protocol = 0),
            Code::FailedPrecondition,
            "update the joining program",
        ),
        (
            &invitation,
            Box::new(|request| request.certificate_request.truncate(40)),
            Code::InvalidArgument,
            "cannot be used",
        ),
    ];
    for (invitation, change, code, words) in cases {
        let status = studio.enroll(invitation, change).await.map(drop).unwrap_err();
        assert_eq!(status.code(), code, "{status:?}");
        assert!(status.message().contains(words), "{status:?}");
    }
}
