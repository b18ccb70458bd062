//! Bytes of the store over the wire, in chunks, with bounded memory on both ways.

use bytes::{Bytes, BytesMut};
use tidemill_proto::v1::blobs_server::Blobs;
use tidemill_proto::v1::{
    BlobChunk, BlobHeader, BlobRequest, DigestList, Range, RangeList, WholeBlob, WholeBlobs, blob_chunk,
};
use tidemill_proto::{CHUNK_BYTES, Digest, packing};
use tidemill_store::{Staged, Store, StoreError};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Response, Status, Streaming};

use super::arrivals::{Arrivals, receive_part};
use super::blob_stream::{Outgoing, send_blob};
use super::blocking::blocking;
use super::convert::{digest_of, store_status};
use crate::engine::EngineHandle;
use crate::engine::event::Event;

/// Chunks that wait between disk and network, for each transfer.
const CHUNKS_BETWEEN: usize = 2;

/// Serves the blobs of one store.
pub struct BlobsService {
    store: Store,
    arrivals: Arrivals,
    engine: EngineHandle,
}

impl BlobsService {
    /// Lost and damaged blobs are told to `engine`.
    pub fn new(store: Store, engine: EngineHandle) -> Self {
        Self {
            arrivals: Arrivals::new(store.clone()),
            store,
            engine,
        }
    }
}

#[tonic::async_trait]
impl Blobs for BlobsService {
    async fn missing(&self, request: Request<DigestList>) -> Result<Response<DigestList>, Status> {
        let digests = request
            .get_ref()
            .digests
            .iter()
            .map(|bytes| digest_of(bytes))
            .collect::<Result<Vec<_>, _>>()?;
        let store = self.store.clone();
        let missing = blocking(move || store.missing(&digests))
            .await?
            .map_err(|error| store_status(&error))?;
        Ok(Response::new(DigestList {
            digests: missing.into_iter().map(Digest::to_vec).collect(),
        }))
    }

    async fn put(&self, request: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        let mut chunks = request.into_inner();
        let header = header_of(&mut chunks).await?;
        let announced = digest_of(&header.digest)?;
        let (sender, receiver) = mpsc::channel::<Bytes>(CHUNKS_BETWEEN);
        if header.size <= CHUNK_BYTES as u64 {
            // A small blob is taken whole, so that one step of blocking work stages it.
            if let Some(whole) = small(&mut chunks, header.size).await? {
                let _ = sender.try_send(whole);
            }
            drop(sender);
            let store = self.store.clone();
            let staged = blocking(move || stage(&store, announced, header.size, receiver)).await??;
            return Ok(Response::new(BlobHeader {
                digest: staged.digest.to_vec(),
                size: staged.size,
                offset: 0,
            }));
        }
        let store = self.store.clone();
        let writing = tokio::task::spawn_blocking(move || stage(&store, announced, header.size, receiver));
        let mut complete = true;
        loop {
            match chunks.message().await {
                Ok(Some(chunk)) => {
                    if sender.send(data_of(chunk)?).await.is_err() {
                        break; // the writer has failed and says why below
                    }
                }
                Ok(None) => break,
                Err(_) => {
                    complete = false;
                    break;
                }
            }
        }
        drop(sender);
        let staged = writing
            .await
            .map_err(|error| Status::internal(format!("a task failed: {error}")))??;
        if !complete {
            return Err(Status::cancelled("the sender broke off"));
        }
        Ok(Response::new(BlobHeader {
            digest: staged.digest.to_vec(),
            size: staged.size,
            offset: 0,
        }))
    }

    async fn put_whole(&self, request: Request<WholeBlobs>) -> Result<Response<DigestList>, Status> {
        let blobs = request.into_inner().blobs;
        if let Some(long) = blobs.iter().find(|blob| blob.data.len() > CHUNK_BYTES) {
            return Err(Status::invalid_argument(format!(
                "a blob of {} bytes is too long for one piece",
                long.data.len()
            )));
        }
        let store = self.store.clone();
        let digests = blocking(move || stage_whole(&store, &blobs)).await??;
        Ok(Response::new(DigestList { digests }))
    }

    type GetStream = ReceiverStream<Result<BlobChunk, Status>>;

    async fn get(&self, request: Request<BlobRequest>) -> Result<Response<Self::GetStream>, Status> {
        let request = request.into_inner();
        let digest = digest_of(&request.digest)?;
        let store = self.store.clone();
        let opened = blocking(move || Outgoing::open(&store, digest, request.offset, request.length)).await?;
        let outgoing = match opened {
            Ok(outgoing) => outgoing,
            Err(error) => {
                report_loss(&self.engine, &error).await;
                return Err(store_status(&error));
            }
        };
        if request.offset > outgoing.size() {
            return Err(Status::out_of_range(format!(
                "the blob has {} bytes, not {}",
                outgoing.size(),
                request.offset
            )));
        }
        let (sender, receiver) = mpsc::channel(CHUNKS_BETWEEN);
        let (engine, runtime) = (self.engine.clone(), tokio::runtime::Handle::current());
        tokio::task::spawn_blocking(move || {
            if let Err(error) = send_blob(outgoing, digest, request.packed, &sender) {
                runtime.block_on(report_loss(&engine, &error));
                // A caller that left does not need the reason.
                let _ = sender.blocking_send(Err(store_status(&error)));
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    async fn lacking(&self, request: Request<BlobHeader>) -> Result<Response<RangeList>, Status> {
        let header = request.into_inner();
        let digest = digest_of(&header.digest)?;
        let arrivals = self.arrivals.clone();
        let ranges = blocking(move || arrivals.lacking(digest, header.size)).await??;
        let ranges = ranges.into_iter().map(|range| Range {
            offset: range.start,
            length: range.end - range.start,
        });
        Ok(Response::new(RangeList {
            ranges: ranges.collect(),
        }))
    }

    async fn put_part(&self, request: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        let mut chunks = request.into_inner();
        let header = header_of(&mut chunks).await?;
        receive_part(&self.arrivals, &header, chunks).await?;
        Ok(Response::new(header))
    }
}

async fn header_of(chunks: &mut Streaming<BlobChunk>) -> Result<BlobHeader, Status> {
    match chunks.message().await?.and_then(|chunk| chunk.part) {
        Some(blob_chunk::Part::Header(header)) => Ok(header),
        _ => Err(Status::invalid_argument(
            "the first chunk of a blob must be its header",
        )),
    }
}

/// The plain bytes of a chunk that must hold data.
pub(super) fn data_of(chunk: BlobChunk) -> Result<Bytes, Status> {
    match chunk.part {
        Some(blob_chunk::Part::Data(data)) => Ok(data),
        Some(blob_chunk::Part::Packed(packed)) => {
            packing::unpack(&packed).map_err(|error| Status::invalid_argument(error.to_string()))
        }
        _ => Err(Status::invalid_argument("a blob has one header, then only data")),
    }
}

/// All data of a blob of `size` bytes, and not much more; `None` if there is none.
async fn small(chunks: &mut Streaming<BlobChunk>, size: u64) -> Result<Option<Bytes>, Status> {
    let mut whole: Option<BytesMut> = None;
    loop {
        match chunks.message().await {
            Ok(Some(chunk)) => match (data_of(chunk)?, whole.as_mut()) {
                (data, None) => whole = Some(data.into()),
                // What is too long is refused by its size; there is no need to keep all of it.
                (data, Some(bytes)) if bytes.len() as u64 <= size => bytes.extend_from_slice(&data),
                (_, Some(_)) => {}
            },
            Ok(None) => return Ok(whole.map(BytesMut::freeze)),
            Err(_) => return Err(Status::cancelled("the sender broke off")),
        }
    }
}

fn stage(
    store: &Store,
    announced: Digest,
    size: u64,
    mut pieces: mpsc::Receiver<Bytes>,
) -> Result<Staged, Status> {
    let status = |error: StoreError| store_status(&error);
    let mut incoming = store.incoming().map_err(status)?;
    while let Some(piece) = pieces.blocking_recv() {
        incoming.add(&piece).map_err(status)?;
        if incoming.size() > size {
            return Err(Status::invalid_argument(format!(
                "blob {announced} is longer than the {size} bytes announced"
            )));
        }
    }
    if incoming.size() < size {
        return Err(Status::invalid_argument(format!(
            "blob {announced} ended after {} of {size} bytes",
            incoming.size()
        )));
    }
    incoming.finish(Some(announced)).map_err(status)
}

/// Stages blobs that are here in one piece. Gives the names of those whose bytes have another.
fn stage_whole(store: &Store, blobs: &[WholeBlob]) -> Result<Vec<Vec<u8>>, Status> {
    let mut misnamed = Vec::new();
    for blob in blobs {
        let announced = digest_of(&blob.digest)?;
        if announced == Digest::of(&blob.data) {
            store
                .stage_bytes(&blob.data)
                .map_err(|error| store_status(&error))?;
        } else {
            misnamed.push(blob.digest.clone());
        }
    }
    Ok(misnamed)
}

/// Tells the engine of a blob that should be there and is not.
async fn report_loss(engine: &EngineHandle, error: &StoreError) {
    if let StoreError::Corrupt { digest, .. } | StoreError::Absent { digest } = error {
        // A closing engine looks at the store again when it is opened.
        let _ = engine.send(Event::BlobLost(*digest)).await;
    }
}
