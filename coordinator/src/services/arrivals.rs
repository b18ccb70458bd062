//! Big blobs that arrive in parts. What has arrived is kept when a sender breaks off, so that it goes on from there.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use bytes::Bytes;
use tidemill_proto::Digest;
use tidemill_proto::v1::{BlobChunk, BlobHeader};
use tidemill_store::{Arrival, Store};
use tokio::sync::mpsc;
use tonic::{Status, Streaming};

use super::blobs::data_of;
use super::convert::{digest_of, store_status};

/// How long what has arrived is kept while nothing more comes.
const KEPT: Duration = Duration::from_secs(15 * 60);
/// So many blobs may be on their way at once; each has a file open.
const MOST: usize = 128;
/// Chunks that wait between network and disk, for each part.
const CHUNKS_BETWEEN: usize = 2;

/// The blobs on their way to one store.
#[derive(Clone)]
pub(super) struct Arrivals {
    store: Store,
    open: Arc<Mutex<HashMap<(Digest, u64), Open>>>,
}

struct Open {
    arrival: Arc<Arrival>,
    last_use: Instant,
}

impl Arrivals {
    pub(super) fn new(store: Store) -> Self {
        Self {
            store,
            open: Arc::default(),
        }
    }

    /// Which ranges of a blob have not arrived; none if the store has it.
    pub(super) fn lacking(&self, digest: Digest, size: u64) -> Result<Vec<Range<u64>>, Status> {
        let missing = self.store.missing(&[digest]);
        if missing.map_err(|error| store_status(&error))?.is_empty() {
            return Ok(Vec::new());
        }
        Ok(self.arrival(digest, size)?.lacking())
    }

    fn arrival(&self, digest: Digest, size: u64) -> Result<Arc<Arrival>, Status> {
        let mut open = self.lock();
        open.retain(|_, open| open.last_use.elapsed() < KEPT || Arc::strong_count(&open.arrival) > 1);
        if let Some(open) = open.get_mut(&(digest, size)) {
            open.last_use = Instant::now();
            return Ok(open.arrival.clone());
        }
        if open.len() >= MOST {
            return Err(Status::unavailable(
                "too many big blobs arrive at once; try again",
            ));
        }
        let arrival = self.store.arrival(digest, size);
        let arrival = Arc::new(arrival.map_err(|error| store_status(&error))?);
        let last_use = Instant::now();
        open.insert(
            (digest, size),
            Open {
                arrival: arrival.clone(),
                last_use,
            },
        );
        Ok(arrival)
    }

    fn drop_arrival(&self, digest: Digest, size: u64) {
        self.lock().remove(&(digest, size));
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<(Digest, u64), Open>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Takes one part. What came before a break is kept.
pub(super) async fn receive_part(
    arrivals: &Arrivals,
    header: &BlobHeader,
    mut chunks: Streaming<BlobChunk>,
) -> Result<(), Status> {
    let digest = digest_of(&header.digest)?;
    let (size, offset) = (header.size, header.offset);
    let (sender, receiver) = mpsc::channel::<Bytes>(CHUNKS_BETWEEN);
    let writer = arrivals.clone();
    let writing = tokio::task::spawn_blocking(move || write_part(&writer, digest, size, offset, receiver));
    let mut broken = None;
    while broken.is_none() {
        match chunks.message().await {
            Ok(Some(chunk)) => match data_of(chunk) {
                Ok(data) => {
                    if sender.send(data).await.is_err() {
                        break; // the writer has failed and says why below
                    }
                }
                Err(status) => broken = Some(status),
            },
            Ok(None) => break,
            Err(_) => broken = Some(Status::cancelled("the sender broke off")),
        }
    }
    drop(sender);
    let written = writing.await;
    written.map_err(|error| Status::internal(format!("a task failed: {error}")))??;
    broken.map_or(Ok(()), Err)
}

fn write_part(
    arrivals: &Arrivals,
    digest: Digest,
    size: u64,
    mut offset: u64,
    mut pieces: mpsc::Receiver<Bytes>,
) -> Result<(), Status> {
    let arrival = arrivals.arrival(digest, size)?;
    let result = (|| {
        while let Some(piece) = pieces.blocking_recv() {
            arrival.add(offset, &piece)?;
            offset += piece.len() as u64;
        }
        arrival.finish()
    })();
    match result {
        Ok(None) => Ok(()),
        // It is staged, or cannot be used any more: the next to ask begins anew, or hears that nothing is lacking.
        Ok(Some(_)) => {
            arrivals.drop_arrival(digest, size);
            Ok(())
        }
        Err(error) => {
            arrivals.drop_arrival(digest, size);
            Err(match error {
                tidemill_store::StoreError::Mismatch { .. } => Status::data_loss(error.to_string()),
                error => store_status(&error),
            })
        }
    }
}
