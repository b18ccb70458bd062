//! Fetching from a coordinator whose connection is cut again and again.

use std::sync::{Arc, Mutex};

use tidemill_proto::Digest;
use tidemill_proto::v1::blobs_server::{Blobs, BlobsServer};
use tidemill_proto::v1::{BlobChunk, BlobHeader, BlobRequest, DigestList, RangeList, WholeBlobs, blob_chunk};
use tokio::runtime::Handle;
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::{Endpoint, Server, Uri};
use tonic::{Request, Response, Status, Streaming};

use super::cache::Cache;
use super::remote::Remote;
use crate::launcher::Control;

/// Sends at most so many bytes before it is cut, and notes where each fetch began.
struct Cutting {
    bytes: Arc<Vec<u8>>,
    most: usize,
    /// Cut with an error, else by ending as if that were all.
    with_error: bool,
    offsets: Arc<Mutex<Vec<u64>>>,
}

#[tonic::async_trait]
impl Blobs for Cutting {
    async fn missing(&self, request: Request<DigestList>) -> Result<Response<DigestList>, Status> {
        Ok(Response::new(request.into_inner()))
    }

    async fn put(&self, _: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        Err(Status::unimplemented("nothing is put here"))
    }

    async fn put_whole(&self, _: Request<WholeBlobs>) -> Result<Response<DigestList>, Status> {
        Err(Status::unimplemented("nothing is put here"))
    }

    async fn lacking(&self, _: Request<BlobHeader>) -> Result<Response<RangeList>, Status> {
        Err(Status::unimplemented("nothing is put here"))
    }

    async fn put_part(&self, _: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        Err(Status::unimplemented("nothing is put here"))
    }

    type GetStream = ReceiverStream<Result<BlobChunk, Status>>;

    async fn get(&self, request: Request<BlobRequest>) -> Result<Response<Self::GetStream>, Status> {
        let request = request.into_inner();
        self.offsets.lock().unwrap().push(request.offset);
        let (sender, chunks) = tokio::sync::mpsc::channel(self.bytes.len() / 1000 + 3);
        let header = BlobHeader {
            digest: request.digest,
            size: self.bytes.len() as u64,
            offset: 0,
        };
        let offset = usize::try_from(request.offset).unwrap();
        let end = self.bytes.len().min(offset + self.most);
        let data = self.bytes[offset..end].chunks(1000);
        let data = data.map(|piece| blob_chunk::Part::Data(piece.to_vec().into()));
        for part in std::iter::once(blob_chunk::Part::Header(header)).chain(data) {
            sender.try_send(Ok(BlobChunk { part: Some(part) })).unwrap();
        }
        if end < self.bytes.len() && self.with_error {
            sender.try_send(Err(Status::unavailable("cut"))).unwrap();
        }
        Ok(Response::new(ReceiverStream::new(chunks)))
    }
}

async fn offsets_of_a_fetch(with_error: bool) -> Vec<u64> {
    let bytes: Arc<Vec<u8>> = Arc::new((0..10_000_u32).map(|n| (n % 251) as u8).collect());
    let offsets = Arc::new(Mutex::new(Vec::new()));
    let service = Cutting {
        bytes: bytes.clone(),
        most: 4000,
        with_error,
        offsets: offsets.clone(),
    };
    let (ours, theirs) = tokio::io::duplex(64 * 1024);
    tokio::spawn(
        Server::builder()
            .add_service(BlobsServer::new(service))
            .serve_with_incoming(tokio_stream::once(Ok::<_, std::io::Error>(theirs))),
    );
    let mut ours = Some(hyper_util::rt::TokioIo::new(ours));
    let connector = tower::service_fn(move |_: Uri| {
        let stream = ours.take();
        async move { stream.ok_or_else(|| std::io::Error::other("connected once only")) }
    });
    let channel = Endpoint::from_static("http://coordinator")
        .connect_with_connector(connector)
        .await
        .unwrap();
    let runtime = Handle::current();
    tokio::task::spawn_blocking(move || {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(&folder.path().join("cache"), 1 << 20).unwrap();
        let remote = Remote::new(cache, channel, runtime, false, None);
        let digest = Digest::of(&bytes);
        remote.hold(digest, &Control::default()).unwrap();
        let cache = remote.cache.store();
        assert_eq!(cache.read_blob(&digest).unwrap(), *bytes);
        assert_eq!(cache.usage().unwrap().incoming.files, 0, "nothing half is left");
    })
    .await
    .unwrap();
    std::mem::take(&mut *offsets.lock().unwrap())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cut_fetch_goes_on_from_what_has_arrived() {
    assert_eq!(offsets_of_a_fetch(true).await, [0, 4000, 8000]);
    assert_eq!(offsets_of_a_fetch(false).await, [0, 4000, 8000]);
}
