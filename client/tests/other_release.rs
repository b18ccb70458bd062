//! A coordinator of another release: it is told apart before anything is asked of it.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::convert::Infallible;
use std::future::{Future, Ready, ready};
use std::pin::Pin;
use std::process::Command;
use std::task::{Context, Poll};

use predicates::prelude::*;
use tidemill_proto::PROTOCOL;
use tidemill_proto::v1::{AboutAnswer, AboutRequest};
use tonic::body::Body;
use tonic::server::{Grpc, NamedService, UnaryService};
use tonic::{Request, Response, Status};

/// Knows nothing but to say what it is.
#[derive(Clone)]
struct Other {
    protocol: u32,
}

impl NamedService for Other {
    const NAME: &'static str = "tidemill.v1.Runs";
}

impl UnaryService<AboutRequest> for Other {
    type Response = AboutAnswer;
    type Future = Ready<Result<Response<AboutAnswer>, Status>>;

    fn call(&mut self, _: Request<AboutRequest>) -> Self::Future {
        ready(Ok(Response::new(AboutAnswer {
            version: "9.9.9".into(),
            protocol: self.protocol,
            ..AboutAnswer::default()
        })))
    }
}

impl tower_service::Service<http::Request<Body>> for Other {
    type Response = http::Response<Body>;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Self::Response, Infallible>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, request: http::Request<Body>) -> Self::Future {
        let known = request.uri().path().ends_with("/About");
        let this = self.clone();
        Box::pin(async move {
            if !known {
                return Ok(Status::unimplemented("of another release").into_http());
            }
            let mut grpc = Grpc::new(tonic_prost::ProstCodec::default());
            Ok(grpc.unary(this, request).await)
        })
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_coordinator_of_another_release_is_named_with_both_versions_and_what_to_do() {
    for protocol in [PROTOCOL + 1, PROTOCOL - 1] {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let incoming = tokio_stream::wrappers::TcpListenerStream::new(listener);
        let serving = tokio::spawn(
            tonic::transport::Server::builder()
                .add_service(Other { protocol })
                .serve_with_incoming(incoming),
        );
        let data = tempfile::tempdir().unwrap();
        let asked = tokio::task::spawn_blocking(move || {
            let mut command = Command::new(assert_cmd::cargo::cargo_bin!("tidemill"));
            command
                .args(["history", "--at", &address])
                .env("TIDEMILL_DATA", data.path())
                .env("NO_COLOR", "1");
            assert_cmd::Command::from_std(command)
                .timeout(std::time::Duration::from_secs(30))
                .assert()
                .code(3)
                .stdout("")
                .stderr(
                    predicate::str::contains(format!("version {protocol} of the contract (Tidemill 9.9.9)"))
                        .and(predicate::str::contains(format!("version {PROTOCOL}")))
                        .and(predicate::str::contains("hint: use the same release")),
                );
        });
        asked.await.unwrap();
        serving.abort();
    }
}
