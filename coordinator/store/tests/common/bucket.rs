//! An S3-compatible server in this process: crates `s3s` and `s3s-fs`, on a loopback port.
#![allow(dead_code)] // each test file uses its own part
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

use std::net::SocketAddr;
use std::path::Path;

use hyper_util::rt::{TokioExecutor, TokioIo};
use s3s::auth::SimpleAuth;
use s3s::service::S3ServiceBuilder;
use tidemill_store::backend::{Address, Bucket, Place};

pub const BUCKET: &str = "harbour";
pub const KEY: &str = "AKID";
pub const SECRET: &str = "SECRET";

/// Serves until it is dropped; objects are files below the folder.
pub struct Server {
    pub address: SocketAddr,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Server {
    pub fn start(folder: &Path) -> Self {
        std::fs::create_dir_all(folder.join(BUCKET)).unwrap();
        let mut builder = S3ServiceBuilder::new(s3s_fs::FileSystem::new(folder).unwrap());
        builder.set_auth(SimpleAuth::from_single(KEY, SECRET));
        let service = builder.build();
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .unwrap();
        let listener = runtime
            .block_on(tokio::net::TcpListener::bind("127.0.0.1:0"))
            .unwrap();
        let address = listener.local_addr().unwrap();
        runtime.spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let service = service.clone();
                tokio::spawn(async move {
                    let http = hyper_util::server::conn::auto::Builder::new(TokioExecutor::new());
                    let _ = http.serve_connection(TokioIo::new(stream), service).await;
                });
            }
        });
        Self {
            address,
            runtime: Some(runtime),
        }
    }

    pub fn place(&self, prefix: &str) -> Place {
        Place {
            bucket: BUCKET.to_owned(),
            prefix: prefix.to_owned(),
            endpoint: Some(format!("http://{}", self.address)),
            region: None,
        }
    }

    pub fn address(&self, prefix: &str) -> Address {
        Address::Bucket(self.place(prefix))
    }

    pub fn bucket(&self, prefix: &str) -> Bucket {
        Bucket::open_as(&self.place(prefix), KEY, SECRET).unwrap()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}
