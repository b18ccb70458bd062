//! Fetching and sending blobs through the coordinator's blob service. A coordinator that is away is waited
//! for: the agent goes on with its items meanwhile, and gives up only when an item is asked to end.

use std::fs;
use std::io::Read as _;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime};

use futures::StreamExt as _;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::{BlobChunk, BlobHeader, BlobRequest, DigestList, blob_chunk};
use tidemill_proto::{CHUNK_BYTES, Digest, MAX_MESSAGE_BYTES};
use tidemill_store::backend::{Backend, Body};
use tidemill_store::{Incoming, Store, StoreError, blob_name};
use tokio::runtime::Handle;
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Channel;
use tonic::{Code, Status};

use super::BlobError;
use super::bound::Bound;
use crate::launcher::Control;

const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// How often somebody who waits looks whether the item was asked to end.
const LOOK: Duration = Duration::from_millis(50);

/// The share or bucket of the store, where this machine can get at it.
pub(crate) struct Direct {
    /// The store's id.
    pub(crate) id: String,
    pub(crate) backend: Arc<dyn Backend>,
}

impl std::fmt::Debug for Direct {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.backend.place())
    }
}

#[derive(Debug)]
pub(super) struct Remote {
    direct: Option<Direct>,
    client: BlobsClient<Channel>,
    runtime: Handle,
    bound: Mutex<Bound>,
}

/// Why one try failed.
enum Trouble {
    /// Worth another try.
    Passing(Status),
    Final(BlobError),
}

impl Remote {
    pub(super) fn new(
        cache: &Store,
        channel: Channel,
        runtime: Handle,
        limit_bytes: u64,
        direct: Option<Direct>,
    ) -> Result<Self, StoreError> {
        let mut found = Vec::new();
        for entry in cache.iter()? {
            let entry = entry?;
            let changed =
                fs::metadata(blob_file(cache, entry.digest)).and_then(|metadata| metadata.modified());
            found.push((
                changed.unwrap_or(SystemTime::UNIX_EPOCH),
                entry.digest,
                entry.size,
            ));
        }
        found.sort_unstable();
        let mut bound = Bound::new(limit_bytes);
        found
            .into_iter()
            .for_each(|(_, digest, size)| bound.note(digest, size));
        let client = BlobsClient::new(channel)
            .max_decoding_message_size(MAX_MESSAGE_BYTES)
            .max_encoding_message_size(MAX_MESSAGE_BYTES);
        Ok(Self {
            direct,
            client,
            runtime,
            bound: Mutex::new(bound),
        })
    }

    pub(super) fn direct_id(&self) -> Option<&str> {
        self.direct.as_ref().map(|direct| &*direct.id)
    }

    pub(super) fn hold(&self, cache: &Store, digest: Digest, control: &Control) -> Result<(), BlobError> {
        if self.bound().hold(digest) {
            match cache.verify(&digest) {
                Ok(_) => return Ok(()),
                // Damaged or removed by hand: it is fetched again.
                Err(StoreError::Corrupt { .. } | StoreError::Absent { .. }) => self.bound().forget(digest),
                Err(error) => {
                    self.bound().release(digest);
                    return Err(error.into());
                }
            }
        }
        let mut arrived = None;
        let size = self.persist(control, || {
            self.fetch(cache, digest, &mut arrived, self.direct.as_ref(), control)
        })?;
        let mut bound = self.bound();
        bound.note(digest, size);
        bound.hold(digest);
        drop(bound);
        self.make_room(cache);
        Ok(())
    }

    pub(super) fn release(&self, cache: &Store, digests: &[Digest]) {
        let mut bound = self.bound();
        digests.iter().for_each(|digest| bound.release(*digest));
        drop(bound);
        self.make_room(cache);
    }

    /// Commits to the cache, so that the next item finds its inputs here, and sends what the store lacks.
    pub(super) fn hand_over(
        &self,
        cache: &Store,
        digests: &[Digest],
        control: &Control,
    ) -> Result<(), BlobError> {
        cache.commit(digests)?;
        for digest in digests {
            let size = cache.size(digest)?.unwrap_or(0);
            let mut bound = self.bound();
            bound.note(*digest, size);
            bound.hold(*digest);
        }
        let sent = self.send_lacking(cache, digests, control);
        self.release(cache, digests);
        sent
    }

    fn send_lacking(&self, cache: &Store, digests: &[Digest], control: &Control) -> Result<(), BlobError> {
        let asked = DigestList {
            digests: digests.iter().map(|digest| digest.to_vec()).collect(),
        };
        let lacking = self.persist(control, || {
            let mut client = self.client.clone();
            let answer = self
                .wait(control, client.missing(asked.clone()))?
                .map_err(trouble)?;
            Ok(answer.into_inner().digests)
        })?;
        for digest in lacking {
            let digest =
                Digest::from_slice(&digest).map_err(|error| BlobError::Service(error.to_string()))?;
            self.persist(control, || match &self.direct {
                Some(direct) => self.put(direct, cache, digest),
                None => self.send(cache, digest, control),
            })?;
        }
        Ok(())
    }

    /// Fetches a blob, from the store itself or else through the service, from where `arrived` ends, and leaves there what has arrived when it is cut off.
    fn fetch(
        &self,
        cache: &Store,
        digest: Digest,
        arrived: &mut Option<Incoming>,
        way: Option<&Direct>,
        control: &Control,
    ) -> Result<u64, Trouble> {
        let mut incoming = match arrived.take() {
            Some(incoming) => incoming,
            None => cache.incoming().map_err(own)?,
        };
        let received = match way {
            Some(direct) => self.read(direct, digest, &mut incoming, control),
            None => self.receive(digest, &mut incoming, control),
        };
        let size = match received {
            Ok(size) => size,
            Err(trouble) => {
                *arrived = Some(incoming);
                return Err(trouble);
            }
        };
        if incoming.size() < size {
            let so_far = incoming.size();
            *arrived = Some(incoming);
            return Err(Trouble::Passing(Status::unavailable(format!(
                "the blob {digest} ended after {so_far} of {size} bytes"
            ))));
        }
        match incoming.finish(Some(digest)) {
            Ok(staged) => {
                cache.commit(&[digest]).map_err(own)?;
                Ok(staged.size)
            }
            // Damaged there or on the way: the coordinator looks for itself, and has it made again if it must.
            Err(StoreError::Mismatch { .. }) if way.is_some() => {
                self.fetch(cache, digest, arrived, None, control)
            }
            // Damaged on the way: all of it is fetched anew.
            Err(error @ StoreError::Mismatch { .. }) => {
                Err(Trouble::Passing(Status::data_loss(error.to_string())))
            }
            Err(error) => Err(own(error)),
        }
    }

    /// Reads from the store itself, from where `incoming` ends; gives the blob's size.
    fn read(
        &self,
        direct: &Direct,
        digest: Digest,
        incoming: &mut Incoming,
        control: &Control,
    ) -> Result<u64, Trouble> {
        let passing =
            |error: &dyn std::fmt::Display| Trouble::Passing(Status::unavailable(error.to_string()));
        let opened = direct
            .backend
            .open(&blob_name(&digest), incoming.size())
            .map_err(|error| passing(&error))?;
        let Some(mut opened) = opened else {
            // The coordinator looks for itself, and has it made again.
            return self.receive(digest, incoming, control);
        };
        let mut piece = vec![0; CHUNK_BYTES];
        loop {
            if control.is_asked() {
                return Err(Trouble::Final(BlobError::Stopped));
            }
            match opened.bytes.read(&mut piece) {
                Ok(0) => return Ok(opened.size),
                Ok(count) => incoming.add(&piece[..count]).map_err(own)?,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(passing(&error)),
            }
        }
    }

    /// Puts a blob into the store itself.
    fn put(&self, direct: &Direct, cache: &Store, digest: Digest) -> Result<(), Trouble> {
        // Checked here: nobody looks at the bytes again before they bear their name.
        let path = cache.verified_path(&digest).map_err(own)?;
        direct
            .backend
            .put(&blob_name(&digest), Body::File(&path))
            .map_err(|error| Trouble::Passing(Status::unavailable(error.to_string())))
    }

    /// Takes what the other side sends; gives the blob's size.
    fn receive(&self, digest: Digest, incoming: &mut Incoming, control: &Control) -> Result<u64, Trouble> {
        let mut client = self.client.clone();
        let request = BlobRequest {
            digest: digest.to_vec(),
            offset: incoming.size(),
        };
        let answer = self
            .wait(control, client.get(request))?
            .map_err(|status| lacking(digest, status))?;
        let mut chunks = answer.into_inner();
        let mut size = 0;
        while let Some(chunk) = self.wait(control, chunks.next())? {
            match chunk.map_err(|status| lacking(digest, status))?.part {
                Some(blob_chunk::Part::Header(header)) => size = header.size,
                Some(blob_chunk::Part::Data(data)) => incoming.add(&data).map_err(own)?,
                None => {}
            }
        }
        Ok(size)
    }

    fn send(&self, cache: &Store, digest: Digest, control: &Control) -> Result<(), Trouble> {
        let mut blob = cache.open_blob(&digest).map_err(own)?;
        let (sender, receiver) = tokio::sync::mpsc::channel(4);
        let mut client = self.client.clone();
        let sending = self
            .runtime
            .spawn(async move { client.put(ReceiverStream::new(receiver)).await });
        let header = BlobHeader {
            digest: digest.to_vec(),
            size: blob.size(),
        };
        let mut next = Some(blob_chunk::Part::Header(header));
        while let Some(part) = next {
            // Nobody takes it any more: the answer says why.
            if sender.blocking_send(BlobChunk { part: Some(part) }).is_err() {
                break;
            }
            let mut piece = vec![0; CHUNK_BYTES];
            let length = blob.next_piece(&mut piece).map_err(own)?;
            piece.truncate(length);
            next = (length > 0).then(|| blob_chunk::Part::Data(piece.into()));
        }
        drop(sender);
        let sent = self.wait(control, sending)?;
        sent.map_err(|error| Trouble::Passing(Status::aborted(error.to_string())))?
            .map_err(trouble)?;
        Ok(())
    }

    /// Tries again, with growing pauses, until it works, fails for good, or the item is asked to end.
    fn persist<T>(
        &self,
        control: &Control,
        mut attempt: impl FnMut() -> Result<T, Trouble>,
    ) -> Result<T, BlobError> {
        let mut pause = FIRST_PAUSE;
        loop {
            match attempt() {
                Ok(value) => return Ok(value),
                Err(Trouble::Final(error)) => return Err(error),
                Err(Trouble::Passing(status)) => {
                    tracing::info!(%status, "the blob service does not answer; trying again in {pause:?}");
                }
            }
            let until = std::time::Instant::now() + pause;
            while std::time::Instant::now() < until {
                if control.is_asked() {
                    return Err(BlobError::Stopped);
                }
                std::thread::sleep(LOOK.min(pause));
            }
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// Waits for the network from this thread, but no longer than the item may run.
    fn wait<T>(&self, control: &Control, future: impl Future<Output = T>) -> Result<T, Trouble> {
        self.runtime.block_on(async {
            tokio::pin!(future);
            loop {
                match tokio::time::timeout(LOOK, &mut future).await {
                    Ok(value) => return Ok(value),
                    Err(_) if control.is_asked() => return Err(Trouble::Final(BlobError::Stopped)),
                    Err(_) => {}
                }
            }
        })
    }

    fn make_room(&self, cache: &Store) {
        let gone = self.bound().evict();
        for digest in gone {
            if let Err(error) = fs::remove_file(blob_file(cache, digest)) {
                tracing::warn!(%digest, %error, "could not remove a blob from the cache");
            }
        }
    }

    fn bound(&self) -> MutexGuard<'_, Bound> {
        self.bound.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Where the store keeps a committed blob, as its crate documents.
fn blob_file(cache: &Store, digest: Digest) -> std::path::PathBuf {
    let name = digest.to_string();
    cache.root().join("blobs").join(&name[..2]).join(name)
}

fn own(error: StoreError) -> Trouble {
    Trouble::Final(error.into())
}

/// Of a blob that was asked for: absent and damaged ones are lacking.
fn lacking(digest: Digest, status: Status) -> Trouble {
    match status.code() {
        Code::NotFound | Code::DataLoss => Trouble::Final(BlobError::Lacking {
            digest,
            reason: status.message().to_owned(),
        }),
        _ => trouble(status),
    }
}

fn trouble(status: Status) -> Trouble {
    match status.code() {
        Code::Unavailable
        | Code::Unknown
        | Code::Cancelled
        | Code::DeadlineExceeded
        | Code::Aborted
        | Code::Internal
        | Code::DataLoss => Trouble::Passing(status),
        _ => Trouble::Final(BlobError::Service(status.message().to_owned())),
    }
}
