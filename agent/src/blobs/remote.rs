//! The way to blobs through the coordinator's blob service. A coordinator that is away is waited for: the agent goes
//! on with its items meanwhile, and gives up only when an item is asked to end.

use std::time::{Duration, Instant};

use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::{Digest, MAX_MESSAGE_BYTES};
use tidemill_store::StoreError;
use tokio::runtime::Handle;
use tonic::transport::Channel;
use tonic::{Code, Status};

use super::BlobError;
use super::cache::Cache;
use super::direct::Direct;
use crate::launcher::Control;

const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// How often somebody who waits looks whether the item was asked to end.
const LOOK: Duration = Duration::from_millis(50);

/// The blob service, and the cache of what came from it; `fetch` and `send` add the calls of one direction each.
#[derive(Debug)]
pub(super) struct Remote {
    pub(super) client: BlobsClient<Channel>,
    pub(super) runtime: Handle,
    pub(super) cache: Cache,
    /// Data is packed for the way where that pays.
    pub(super) packs: bool,
    pub(super) direct: Option<Direct>,
}

/// Why one try failed.
pub(super) enum Trouble {
    /// Worth another try.
    Passing(Status),
    Final(BlobError),
}

impl Remote {
    pub(super) fn new(
        cache: Cache,
        channel: Channel,
        runtime: Handle,
        packs: bool,
        direct: Option<Direct>,
    ) -> Self {
        let client = BlobsClient::new(channel)
            .max_decoding_message_size(MAX_MESSAGE_BYTES)
            .max_encoding_message_size(MAX_MESSAGE_BYTES);
        Self {
            client,
            runtime,
            cache,
            packs,
            direct,
        }
    }

    pub(super) fn direct_id(&self) -> Option<&str> {
        self.direct.as_ref().map(|direct| &*direct.id)
    }

    pub(super) fn release(&self, digests: &[Digest]) {
        self.cache.release(digests);
    }

    /// Tries again, with growing pauses, until it works, fails for good, or the item is asked to end.
    pub(super) fn persist<T>(
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
            let until = Instant::now() + pause;
            while Instant::now() < until {
                if control.is_asked() {
                    return Err(BlobError::Stopped);
                }
                std::thread::sleep(LOOK.min(pause));
            }
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// Waits for the network from this thread, but no longer than the item may run.
    pub(super) fn wait<T>(&self, control: &Control, future: impl Future<Output = T>) -> Result<T, Trouble> {
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
}

pub(super) fn own(error: StoreError) -> Trouble {
    Trouble::Final(error.into())
}

/// Of a blob that was asked for: absent and damaged ones are lacking.
pub(super) fn lacking(digest: Digest, status: Status) -> Trouble {
    match status.code() {
        Code::NotFound | Code::DataLoss => Trouble::Final(BlobError::Lacking {
            digest,
            reason: status.message().to_owned(),
        }),
        _ => trouble(status),
    }
}

pub(super) fn trouble(status: Status) -> Trouble {
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
