//! The share or bucket of the store, where this machine can get at it: bytes need not pass the coordinator.

use std::io::{ErrorKind, Read as _};
use std::sync::Arc;

use tidemill_proto::{CHUNK_BYTES, Digest};
use tidemill_store::backend::{Backend, Body};
use tidemill_store::{StoreError, blob_name};

use super::BlobError;
use super::remote::{Remote, Trouble, own};
use crate::launcher::Control;

/// A place that is the coordinator's store.
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

impl Remote {
    /// Reads a blob into the cache from the store itself; gives its size. `None`: it cannot be had so, or has other bytes
    /// there. The coordinator then looks for itself, and has it made again if it must.
    pub(super) fn read_direct(
        &self,
        direct: &Direct,
        digest: Digest,
        control: &Control,
    ) -> Result<Option<u64>, Trouble> {
        let missed = |error: &dyn std::fmt::Display| {
            tracing::warn!(%digest, %error, "not read from the store itself; asking the coordinator");
            Ok(None)
        };
        let mut opened = match direct.backend.open(&blob_name(&digest), 0) {
            Ok(Some(opened)) => opened,
            Ok(None) => return missed(&"it is not there"),
            Err(error) => return missed(&error),
        };
        let cache = self.cache.store();
        let mut incoming = cache.incoming().map_err(own)?;
        let mut piece = vec![0; CHUNK_BYTES];
        loop {
            if control.is_asked() {
                return Err(Trouble::Final(BlobError::Stopped));
            }
            match opened.bytes.read(&mut piece) {
                Ok(0) => break,
                Ok(count) => incoming.add(&piece[..count]).map_err(own)?,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return missed(&error),
            }
        }
        match incoming.finish(Some(digest)) {
            Ok(staged) => {
                cache.commit(&[digest]).map_err(own)?;
                Ok(Some(staged.size))
            }
            Err(error @ StoreError::Mismatch { .. }) => missed(&error),
            Err(error) => Err(own(error)),
        }
    }

    /// Puts a blob into the store itself; false: that did not work, and the coordinator is to have it.
    pub(super) fn put_direct(&self, direct: &Direct, digest: Digest) -> Result<bool, BlobError> {
        // Checked here: nobody looks at the bytes again before they bear their name.
        let path = self.cache.store().verified_path(&digest)?;
        match direct.backend.put(&blob_name(&digest), Body::File(&path)) {
            Ok(()) => Ok(true),
            Err(error) => {
                tracing::warn!(%digest, %error, "not put into the store itself; sending it to the coordinator");
                Ok(false)
            }
        }
    }
}
